"""Decision rules against the documents that state them.

JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity assessment: the
inputs and printed results of its worked examples are from memory and were recomputed from the normal
distribution; the recomputed digits and the remembered printed ones agree. ILAC-G8:09/2019, Guidelines on decision rules
and statements of conformity, clause 4.2: guard band, acceptance limit and the bounds on false acceptance, read in
reproduced text. Second method: scipy.stats.norm.
"""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from cycler.verdict import acceptance_limit, decide, guard_band, probability_of_conformity, result_of
from tests.analysis_example import example_analysis
from tests.verdict_cases import one_limit, soh

# Normal distribution, any table of it; computed to 1e-7.
NORMAL_TABLE = [
    (0.5, 0.6914625), (1.0, 0.8413447), (1.4, 0.9192433), (1.6448536, 0.95), (1.9599640, 0.975), (2.0, 0.9772499),
    (2.5, 0.9937903), (3.0, 0.9986501),
]


@pytest.mark.parametrize(("z", "phi"), NORMAL_TABLE)
def test_probability_of_conformity_matches_normal_table_and_scipy(z, phi):
    assert probability_of_conformity(z, 1.0, 0.0, "at_least") == pytest.approx(phi, abs=1e-7)
    assert probability_of_conformity(z, 1.0, 0.0, "at_most") == pytest.approx(1.0 - phi, abs=1e-7)
    assert probability_of_conformity(z, 1.0, 0.0, "at_least") == pytest.approx(norm.cdf(z), rel=1e-13)


def test_probability_of_conformity_far_tail_keeps_relative_accuracy():
    for z in (-8.0, -6.0, -4.7):
        assert probability_of_conformity(z, 1.0, 0.0, "at_least") == pytest.approx(norm.sf(-z), rel=1e-12)


def test_probability_of_conformity_zener_diode():
    """JCGM 106:2012, example with upper limit -5.40 V, y = -5.47 V, u = 0.05 V: printed 0.92 (from memory)."""
    p = probability_of_conformity(-5.47, 0.05, -5.40, "at_most")
    assert p == pytest.approx(0.9192433, abs=1e-7)
    assert round(p, 2) == 0.92


def test_probability_of_conformity_burst_pressure():
    """JCGM 106:2012, example with lower limit 490 kPa, y = 509.7 kPa, u = 8.6 kPa: printed 0.99 (from memory)."""
    p = probability_of_conformity(509.7, 8.6, 490.0, "at_least")
    assert p == pytest.approx(0.9890095, abs=1e-7)
    assert round(p, 2) == 0.99


def test_probability_of_conformity_oil_viscosity_two_sided_from_two_one_sided():
    """JCGM 106:2012, example 12.5 to 16.3 mm2/s, y = 13.6, u = 1.8: printed 0.66 (from memory); p = p_low + p_up - 1."""
    low = probability_of_conformity(13.6, 1.8, 12.5, "at_least")
    up = probability_of_conformity(13.6, 1.8, 16.3, "at_most")
    # z = 0.6111 and 1.5 from the limits: the interval holds Phi(1.5) - Phi(-0.6111) = 0.6626298.
    assert low + up - 1.0 == pytest.approx(0.6626298, abs=1e-7)


def test_guard_band_speed_limit():
    """JCGM 106:2012, example speed limit 100 km/h, u = 2 % of the reading, conformity refused with p >= 99.9 %.

    Printed 107 km/h (from memory); v = 100 / (1 - 3.0902323 * 0.02) = 106.58761 km/h. A speed v is certainly (99.9 %)
    over the limit if v - 100 >= w with w = z u(v): our fail.
    """
    v = 100.0 / (1.0 - guard_band(0.02, max_false_accept=0.001))
    assert v == pytest.approx(106.58761, abs=5e-6)
    assert math.ceil(v) == 107
    for speed, expected in ((v - 0.01, "not_proven"), (v + 0.01, "fail")):
        assert result_of(speed, 100.0, guard_band(0.02 * speed, max_false_accept=0.001), "at_most") == expected


@pytest.mark.parametrize(
    ("multiple", "risk"),
    # ILAC-G8:09/2019: w = 0 below 50 %, w = U below 2.5 % (read); w = 1.5 U below 0.16 %, w = 3 U below 1 ppm, and
    # ISO 14253-1:2017 w = 0.83 U below 5 % (from memory). Exact values for k = 2 from the normal distribution.
    [(0.0, 0.5), (0.5, 0.1586553), (0.83, 0.0484573), (1.0, 0.0227501), (1.5, 0.0013499), (3.0, 9.866e-10)],
)
def test_guard_band_risk_of_a_result_on_the_acceptance_limit(multiple, risk):
    u, limit = 0.008, 0.80
    for direction in ("at_least", "at_most"):
        value = acceptance_limit(limit, guard_band(u, guard_multiple=multiple), direction)
        false_accept = 1.0 - probability_of_conformity(value, u, limit, direction)
        assert false_accept == pytest.approx(risk, abs=max(1e-13, 1e-7 if risk > 1e-6 else 1e-12))
        assert result_of(value, limit, guard_band(u, guard_multiple=multiple), direction) == "pass"


def test_guard_band_from_probability_is_one_sided_quantile():
    """w = 1.645 u for 5 % (normal table); second method scipy."""
    assert guard_band(1.0, max_false_accept=0.05) == pytest.approx(1.6448536, abs=1e-7)
    for chance in (0.4, 0.1, 0.025, 0.001, 1e-6):
        assert guard_band(0.3, max_false_accept=chance) == pytest.approx(0.3 * norm.isf(chance), rel=1e-9)


@pytest.mark.parametrize(("multiple", "risk"), [(0.0, 0.5), (0.5, 0.1586553), (0.83, 0.0484573), (1.0, 0.0227501), (1.5, 0.0013499)])
def test_fail_is_as_sure_as_a_pass(multiple, risk):
    """ILAC-G8:09/2019 (from memory): rejecting only beyond TL by w keeps the probability of false rejection below the same bounds, 2.5 % for
    w = U: 1 - 0.9772499. Ours fails only outside TL by more than w."""
    u, limit, band = 0.008, 0.80, guard_band(0.008, guard_multiple=multiple)
    for direction in ("at_least", "at_most"):
        edge = acceptance_limit(limit, -band, direction)
        outside = acceptance_limit(limit, -band - 1e-9, direction)
        assert result_of(edge, limit, band, direction) == ("not_proven" if multiple else "pass")
        assert result_of(outside, limit, band, direction) == "fail"
        assert probability_of_conformity(edge, u, limit, direction) == pytest.approx(risk, abs=1e-7)


@pytest.mark.parametrize(("value", "p", "result"), [(0.790, 0.1056498, "not_proven"), (0.800, 0.5, "not_proven"), (0.805, 0.7340145, "not_proven"),
                                                    (0.810, 0.8943502, "not_proven"), (0.820, 0.9937903, "pass"), (0.783, 0.0167933, "fail")])
def test_verdict_prints_value_guard_band_and_probability(value, p, result):
    """The table of a lower limit of 80 %, u = 0.8 %, through the whole decision: the row carries y, U and w, the verdict the rule in words.
    The last line lies beyond TL - U: Phi(-2.125) = 0.0167933 by the normal distribution."""
    verdict = decide(example_analysis(soh(value, 0.008)), one_limit("state_of_health", 0.80))
    row = verdict["criteria"][0]
    assert (row["value"], row["u_value"], row["guard_band"], row["acceptance_limit"]) == (
        value, 0.008, pytest.approx(0.016), pytest.approx(0.816))
    assert row["probability_of_conformity"] == pytest.approx(norm.cdf((value - 0.80) / 0.008), rel=1e-12)
    assert row["probability_of_conformity"] == pytest.approx(p, abs=1e-7)
    assert row["result"] == verdict["result"] == result
    assert "w = 1 U, U = 2 u" in verdict["decision_rule"]


# Lower limit 80 % state of health, u = 0.8 %, U = 1.6 %; rule shape as in ILAC-G8:09/2019, 4.2, numbers computed. Its
# "conditional pass" and "conditional fail" are both "not proven" here.
VERDICTS = [
    (79.0, 0.1056498, "fail", "fail", "not_proven"),
    (80.0, 0.5000000, "pass", "not_proven", "not_proven"),
    (80.5, 0.7340145, "pass", "not_proven", "not_proven"),
    (81.0, 0.8943502, "pass", "pass", "not_proven"),
    (82.0, 0.9937903, "pass", "pass", "pass"),
]


@pytest.mark.parametrize(("value", "p", "simple", "half", "full"), VERDICTS)
def test_result_of_lower_limit_table(value, p, simple, half, full):
    assert probability_of_conformity(value, 0.8, 80.0, "at_least") == pytest.approx(p, abs=1e-7)
    for multiple, expected in ((0.0, simple), (0.5, half), (1.0, full)):
        assert result_of(value, 80.0, guard_band(0.8, guard_multiple=multiple), "at_least") == expected


@pytest.mark.parametrize(
    ("band", "consumer", "producer"),
    # Own example, not from JCGM 106: state of health ~ N(85, 4) %, u = 0.8 %, lower limit 80 %; shares in percent by
    # adaptive quadrature, printed to 1e-6, tolerance 1e-4.
    [(0.0, 1.242609, 1.692725), (0.8, 0.271449, 4.866134), (1.6, 0.028469, 9.691813)],
)
def test_guard_band_global_risk_of_a_population(band, consumer, producer):
    """P(accepted | true value) is our probability with the acceptance limit in place of the tolerance limit."""
    accept = acceptance_limit(80.0, band, "at_least")

    def accepted(true):
        return probability_of_conformity(true, 0.8, accept, "at_least")

    bad = quad(lambda x: norm.pdf(x, 85.0, 4.0) * accepted(x), 40.0, 80.0, points=[78.0], epsabs=1e-12)[0]
    good = quad(lambda x: norm.pdf(x, 85.0, 4.0) * (1.0 - accepted(x)), 80.0, 130.0, points=[81.0, 84.0], epsabs=1e-12)[0]
    assert 100 * bad == pytest.approx(consumer, abs=1e-4)
    assert 100 * good == pytest.approx(producer, abs=1e-4)
