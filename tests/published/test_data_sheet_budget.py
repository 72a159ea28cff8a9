"""From a line of a data sheet to the uncertainty of a figure, against worked examples and the library ``uncertainties``.

Worked figures: computed in double precision from the stated inputs, for a meter of +-(0.5 % of reading + 2 counts), for the
capacity of 0.500 A over 5 h, and for a two-current resistance (the same inputs as in test_gum_budget.py, here stated as a person
copies them). U over k: JCGM 100:2008, 6.2 and 7.2 (clauses from memory); the example U = 28 umol/mol at k = 2, u = 14 umol/mol is
that of ISO Guide 33 (read in a national adoption). ``uncertainties``: linear propagation with correlations kept by automatic
differentiation, a general-purpose library.
"""

from __future__ import annotations

import tomllib
from math import sqrt

import pytest
from test_gum_budget import PRINTED_MAH, TEST
from uncertainties import ufloat

from cycler.compare import (
    RESISTANCE_GAIN_SOURCES,
    Budgeted,
    compare,
    u_difference_from_budgets,
    u_difference_with_common_gain,
)
from cycler.pack import Pack, pack_from_dict
from cycler.quantities import COVERAGE_FACTOR
from cycler.uncertainty import (
    capacity_budget,
    combined,
    difference_u,
    reading_u,
    rectangular,
    resistance_u,
    voltage_reading_u,
)
from tests.analysis_example import RATED_AH, example_analysis


def stated(text: str) -> Pack:
    """A pack whose bench is ``text``."""
    return pack_from_dict({"instrument": tomllib.loads(text)})


# ---- one reading -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("line", ["±(0.5 % + 2 counts)", "0.5 % of reading + 2 digits", "2 dgt + 0.5 % rdg", "0.5 % + 2 digits of 1 mV", "0,5 % v. M. + 2 mV"])
def test_reading_u_of_a_meter_specification_matches_worked_figure(line):
    # 3.712 V, counts of 1 mV: 0.01856 + 0.002 = 0.020560 V, u = 0.01187032 V, U (k = 2) = 0.0237406 V. Half the last printed digit.
    # The log's own steps of 1 mV are in the two counts. Where the line names no counts they are not, and join: see below.
    digit = "voltage_digit_v = 0.001" if " mV" not in line else ""
    bench = stated(f'voltage = "{line}"\n{digit}').instrument
    resolution = 0.0 if line.endswith("+ 2 mV") else 0.001
    u = voltage_reading_u(bench, 3.712, resolution, group=False)
    assert u == pytest.approx(0.01187032, abs=5.1e-9)
    assert COVERAGE_FACTOR * u == pytest.approx(0.0237406, abs=5.1e-8)
    # Two channels of that kind, each with its own limit.
    assert difference_u(bench, 3.712, resolution) == pytest.approx(sqrt(2.0) * 0.01187032, abs=1e-8)


def test_reading_u_counts_rounding_only_as_far_as_the_line_does_not():
    # By ``uncertainties``: one rectangle of 0.020560 V; 1 mV steps beside a line without counts; 10 mV steps beside counts of 1 mV,
    # of which 10**2 - 1**2 is left.
    limit = ufloat(0.0, 0.020560 / sqrt(3.0))
    without = stated('voltage = "0.5 % + 2 mV"').instrument
    assert reading_u(without, "voltage", 3.712, 0.001) == pytest.approx((limit + ufloat(0.0, 0.001 / sqrt(12.0))).std_dev, rel=1e-12)
    counted = stated('voltage = "0.5 % + 2 digits of 1 mV"').instrument
    left = ufloat(0.0, sqrt(0.010**2 - 0.001**2) / sqrt(12.0))
    assert reading_u(counted, "voltage", 3.712, 0.010) == pytest.approx((limit + left).std_dev, rel=1e-12)


def test_reading_u_of_a_certificate_is_u_over_k():
    # ISO Guide 33: U = 28, k = 2 -> u = 14 (here in mA, and in mV at any voltage).
    bench = stated('current = "U = 28 mA, k = 2"\nvoltage = "U = 28 mV (k = 2)"\ntemperature = "U = 0.28 K, k = 2"').instrument
    assert reading_u(bench, "current", 7.0, 0.0) == pytest.approx(0.014, rel=1e-12)
    assert reading_u(bench, "voltage", 36.0, 0.0) == pytest.approx(0.014, rel=1e-12)
    assert reading_u(bench, "temperature", 25.0, 0.0) == pytest.approx(0.14, rel=1e-12)
    # k = 1.96 is 95 % of a normal distribution; share and size are parts of one U: (0.1 % of 10 A + 9.6 mA) / 1.96 = 10 mA.
    assert reading_u(stated('current = "U = 0.1 % + 9.6 mA, k = 1.96"').instrument, "current", 10.0, 0.0) == pytest.approx(0.010, rel=1e-12)


def test_reading_u_of_a_thermometer_with_a_share_of_reading():
    # 0.5 % of 40 degC + 1 K: half-width 1.2 K.
    assert reading_u(stated('temperature = "0.5 % rdg + 1 K"').instrument, "temperature", 40.0, 0.0) == pytest.approx(1.2 / sqrt(3.0), rel=1e-12)


# ---- capacity ----------------------------------------------------------------------------------------------------

BENCH = 'voltage = "10 mV"\ncurrent = "0.5 % of reading + 2 mA"\nclock = "50 ppm"\n'


def test_capacity_budget_of_a_bench_in_data_sheet_lines_matches_worked_budget():
    # Lines of 7.216878, 5.773503, 0.072169, 2.886751 and 0.400938 mAh; u_c = 9.691025 mAh, U (k = 2) = 19.38205 mAh. Half the last digit.
    pack = stated(BENCH)
    lines = capacity_budget(TEST, pack, voltage_reading_u(pack.instrument, 30.0, 0.0, False))
    for line in lines:
        assert 1e3 * line.standard_uncertainty == pytest.approx(PRINTED_MAH.get(line.source, 0.0), abs=5.1e-7), line.source
    assert 1e3 * combined(lines) == pytest.approx(9.691025, abs=5.1e-7)
    assert 1e3 * COVERAGE_FACTOR * combined(lines) == pytest.approx(19.38205, abs=5.1e-6)


def test_capacity_budget_of_a_certified_ammeter_is_narrower_by_its_distribution():
    # The same figures as U with k = 2: gain 12.5 mAh / 2, offset 10 mAh / 2 instead of / sqrt(3).
    pack = stated(BENCH.replace("0.5 % of reading + 2 mA", "U = 0.5 % + 2 mA, k = 2"))
    lines = {line.source: 1e3 * line.standard_uncertainty for line in capacity_budget(TEST, pack, rectangular(0.010))}
    assert (lines["current gain"], lines["current offset"]) == pytest.approx((6.25, 5.0), rel=1e-12)


# Two discharges with one bench: 2.5 Ah in 5 h, 2.2 Ah in 4.4 h at 0.5 A. Gain, zero and clock are the same errors in both.
RUNS = ((0.5, 5.0), (0.5, 4.4))


def _budgeted(q: float, hours: float) -> Budgeted:
    terms = {
        "current gain": rectangular(0.005) * q, "current offset": rectangular(0.002) * hours, "clock": rectangular(50e-6) * q,
        "cut-off voltage": 0.002886751, "sample instant": 0.000400938,
    }
    return Budgeted(q, terms, 3600.0 * hours)


def _charges() -> list:
    gain, offset, clock = ufloat(1.0, 0.005 / sqrt(3.0)), ufloat(0.0, 0.002 / sqrt(3.0)), ufloat(1.0, 50e-6 / sqrt(3.0))
    return [
        (current * gain + offset) * hours * clock + ufloat(0.0, 0.002886751) + ufloat(0.0, 0.000400938) for current, hours in RUNS
    ]


def test_difference_and_ratio_of_two_capacities_on_one_bench_match_automatic_propagation():
    first, second = (_budgeted(current * hours, hours) for current, hours in RUNS)
    before, after = _charges()
    assert u_difference_from_budgets(first, second) == pytest.approx((after - before).std_dev, rel=1e-9)
    ratio = after / before
    share = u_difference_from_budgets(first, second, scale_first=1.0 / first.value, scale_second=1.0 / second.value)
    assert share * ratio.nominal_value == pytest.approx(ratio.std_dev, rel=1e-9)
    # Counted twice it would be more than double: 9.691 and 8.7 mAh joined, against about 4.5 mAh.
    assert (after - before).std_dev < 0.5 * sqrt(before.std_dev**2 + after.std_dev**2)


def test_difference_of_state_of_health_in_the_comparison_matches_automatic_propagation():
    def run(current: float, hours: float):
        budget = _budgeted(current * hours, hours)
        rows = [{"source": source, "standard_uncertainty_ah": u} for source, u in budget.terms.items()]
        return example_analysis({
            "capacity.value_ah": budget.value, "capacity.u_value_ah": budget.u, "capacity.budget": rows,
            "capacity.state_of_health": budget.value / RATED_AH, "capacity.u_state_of_health": budget.u / RATED_AH,
            "capacity.at_s": {"start_s": 0.0, "end_s": 3600.0 * hours},
        })

    before, after = (charge / RATED_AH for charge in _charges())
    rows = {row["quantity"]: row for row in compare([run(*RUNS[0]), run(*RUNS[1])], ["before", "after"])["rows"]}
    health = rows["state_of_health"]
    assert health["values"][1] == pytest.approx(after.nominal_value, rel=1e-12)
    assert health["u"][1] == pytest.approx(after.std_dev, rel=1e-9)
    assert health["u_difference"][1] == pytest.approx((after - before).std_dev, rel=1e-9)


# ---- resistance --------------------------------------------------------------------------------------------------


def test_resistance_u_of_a_bench_in_lines_matches_worked_two_current_example():
    # (3.950 - 3.830) V / 2 A = 60 mohm; each voltage +-1 mV, independent; dI 0.2 % standard: 0.425519 mohm. Half the last digit.
    # The two readings stand in for noise: as zero errors of one meter they would cancel.
    bench = stated('voltage = "1 mV"\ncurrent = "u = 0.2 %"').instrument
    reading = voltage_reading_u(bench, 3.950, 0.0, group=False)
    assert 1e3 * reading == pytest.approx(0.57735, abs=5e-6)
    assert 1e3 * combined(resistance_u(bench, 0.060, sqrt(2.0) * reading / 2.0, 0.0, False)) == pytest.approx(0.425519, abs=5.1e-7)


def test_difference_of_two_resistances_on_one_bench_matches_automatic_propagation():
    # 60 mohm before, 45 mohm after, dI = 2 A; gains of voltmeter (0.1 %) and ammeter (U = 0.4 %, k = 2) common, noise not.
    bench = stated('voltage = "0.1 % + 20 mV"\ncurrent = "U = 0.4 %, k = 2"').instrument
    gain_v, gain_i = ufloat(1.0, 0.001 / sqrt(3.0)), ufloat(1.0, 0.002)
    noise = 0.0002
    ohms = [(2.0 * ohm * gain_v + ufloat(0.0, 2.0 * noise)) / (2.0 * gain_i) for ohm in (0.060, 0.045)]
    budgets = [
        Budgeted(ohm, {line.source: line.standard_uncertainty for line in resistance_u(bench, ohm, noise, 0.0, False)}) for ohm in (0.060, 0.045)
    ]
    assert budgets[0].u == pytest.approx(ohms[0].std_dev, rel=1e-9)
    u = u_difference_from_budgets(*budgets, RESISTANCE_GAIN_SOURCES, frozenset())
    assert u == pytest.approx((ohms[1] - ohms[0]).std_dev, rel=1e-9)
    # Where only the gains are known of the two figures, the same comes out.
    gains = sqrt(rectangular(bench.voltage_gain) ** 2 + rectangular(bench.current_gain) ** 2)
    assert u_difference_with_common_gain(0.060, budgets[0].u, 0.045, budgets[1].u, gains) == pytest.approx(u, rel=1e-9)
