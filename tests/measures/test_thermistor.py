"""Thermistors against published tables and coefficients.

Sources: the table of a 10 kohm NTC of the "3435" class (part B57330V2103) as carried by the NTC driver of the Linux kernel's hwmon
subsystem, which names the maker's data sheet; two widely copied Steinhart-Hart sets; the extended coefficients of the "3977" class
(several independent public sources). Values marked closed form are worked out from the stated formula by hand or a second program.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.measures.thermistor import (
    b_from_two_points,
    limit_ohm,
    read_thermistor,
    resistance_ohm,
    temperature_c,
    tolerance_shift,
)
from cycler.pack_temperature import ThermistorCurve

# degC: ohm, the kernel driver's table.
TABLE = {
    -40: 190030, -35: 145360, -30: 112060, -25: 87041, -20: 68104, -15: 53665, -10: 42576, -5: 34001, 0: 27326, 5: 22096, 10: 17973,
    15: 14703, 20: 12090, 25: 10000, 30: 8311, 35: 6941, 40: 5825, 45: 4911, 50: 4158, 55: 3536, 60: 3019, 65: 2588, 70: 2227, 75: 1924,
    80: 1668, 85: 1451, 90: 1266, 95: 1108, 100: 973, 105: 857, 110: 757, 115: 671, 120: 596, 125: 531,
}
B3435 = ThermistorCurve(r25_ohm=10_000.0, b_k=3435.0)
B3380 = ThermistorCurve(r25_ohm=10_000.0, b_k=3380.0)
# Through three points of the table (-20, 25 and 85 degC), solved by a second program.
FITTED = ThermistorCurve(a=8.778612035e-4, b=2.531300534e-4, c=1.852530524e-7)
COPIED = ThermistorCurve(a=0.001129148, b=0.000234125, c=8.76741e-8)
OTHER = ThermistorCurve(a=1.009249522e-3, b=2.378405444e-4, c=2.019202697e-7)
CLASS_3977 = ThermistorCurve(r25_ohm=10_000.0, a1=3.354016e-3, b1=2.569850e-4, c1=2.620131e-6, d1=6.383091e-8)
CURVES = (B3435, B3380, FITTED, COPIED, OTHER, CLASS_3977)


def at(curve: ThermistorCurve, ohm: float) -> float:
    return float(temperature_c(np.array([ohm]), curve)[0])


@pytest.mark.parametrize(("celsius", "b_k"), [(50, 3382.0), (85, 3435.4), (100, 3456.2)])
def test_b_from_two_points_of_the_published_table(celsius, b_k):
    # One part, sold as "3380" by B25/50 and as "3435" by B25/85.
    assert b_from_two_points(TABLE[25], 25.0, TABLE[celsius], celsius) == pytest.approx(b_k, abs=0.5)


@pytest.mark.parametrize(
    ("curve", "celsius", "error_k"),
    [
        (B3435, -20, 2.440), (B3435, 0, 1.073), (B3435, 10, 0.562), (B3435, 40, -0.326), (B3435, 45, -0.387), (B3435, 60, -0.410),
        (B3435, 85, 0.009), (B3380, -20, 1.848), (B3380, 0, 0.715), (B3380, 40, -0.075), (B3380, 60, 0.219), (B3380, 85, 1.186),
    ],
)
def test_b_equation_on_the_published_table_errs_as_known(curve, celsius, error_k):
    # Near 0 degC, where charging must stop, a plain B equation reads about 1 K too warm. Closed form.
    assert at(curve, TABLE[celsius]) - celsius == pytest.approx(error_k, abs=0.002)


def test_steinhart_hart_through_three_points_follows_the_published_table():
    celsius = np.array([t for t in TABLE if -20 <= t <= 110])
    found = temperature_c(np.array([TABLE[t] for t in celsius], dtype=float), FITTED)
    assert np.max(np.abs(found - celsius)) == pytest.approx(0.028, abs=0.002)
    assert at(FITTED, TABLE[-40]) + 40 == pytest.approx(0.096, abs=0.002)
    assert at(FITTED, TABLE[125]) - 125 == pytest.approx(-0.054, abs=0.002)


@pytest.mark.parametrize(
    ("ohm", "celsius"), [(10000, 25.000), (32650, 0.000), (20000, 9.899), (5000, 41.572), (2000, 66.154), (1000, 87.168)]
)
def test_steinhart_hart_set_that_is_widely_copied(ohm, celsius):
    assert at(COPIED, ohm) == pytest.approx(celsius, abs=0.002)


def test_two_sets_for_ten_kilohms_differ_by_kelvins():
    # Why no curve is assumed: both are passed around for "10 k".
    assert at(OTHER, 10000) == pytest.approx(24.681, abs=0.002)
    assert at(OTHER, 32650) == pytest.approx(-3.462, abs=0.002)


@pytest.mark.parametrize(
    ("celsius", "ohm"),
    [(-40, 332100), (-20, 96360), (-10, 55047), (0, 32555), (10, 19873), (20, 12488), (25, 10000), (30, 8059), (40, 5330), (45, 4372),
     (50, 3605), (60, 2490), (70, 1753), (85, 1070), (100, 677.3)],
)  # fmt: skip
def test_extended_coefficients_give_the_table_of_their_class(celsius, ohm):
    # Table of the inverse coefficients of the same class; both sets close within 0.02 K.
    assert at(CLASS_3977, ohm) == pytest.approx(celsius, abs=0.02)
    assert resistance_ohm(np.array([celsius]), CLASS_3977)[0] == pytest.approx(ohm, rel=1e-3)


@pytest.mark.parametrize(
    ("b_k", "celsius", "ohm"),
    [(3380, -20, 75021.69), (3380, 45, 4903.40), (3435, 0, 28704.29), (3435, 85, 1451.35), (3950, -10, 58245.71), (3950, 60, 2486.16),
     (3977, 0, 33900.42), (3977, 85, 1070.31)],
)  # fmt: skip
def test_b_equation_both_ways(b_k, celsius, ohm):
    # Closed form R = R25 exp[B (1/T - 1/298.15 K)].
    curve = ThermistorCurve(r25_ohm=10_000.0, b_k=float(b_k))
    assert resistance_ohm(np.array([celsius]), curve)[0] == pytest.approx(ohm, abs=0.01)
    assert at(curve, ohm) == pytest.approx(celsius, abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(CURVES), st.lists(st.floats(-40.0, 125.0), min_size=1, max_size=5))
def test_resistance_is_the_inverse_of_temperature(curve, celsius):
    there = resistance_ohm(np.array(celsius), curve)
    assert temperature_c(there, curve) == pytest.approx(np.array(celsius), abs=1e-8)


@pytest.mark.parametrize(
    ("celsius", "by_r25", "by_b", "u"),
    [(0, 0.21721, 0.22904, 0.18224), (25, 0.25879, 0.0, 0.14941), (45, 0.29467, 0.21342, 0.21006), (60, 0.32311, 0.39109, 0.29289)],
)
def test_tolerance_of_one_percent_gives_the_known_shift(celsius, by_r25, by_b, u):
    # Closed form: 0.01 T^2/B and 0.01 T^2 |1/T - 1/298.15|; u by both rectangular.
    shift = tolerance_shift(resistance_ohm(np.array([celsius]), B3435), B3435)
    assert shift.by_r25_k[0] == pytest.approx(by_r25, abs=1e-5)
    assert abs(shift.by_b_k[0]) == pytest.approx(by_b, abs=1e-5)
    assert shift.u_k[0] == pytest.approx(u, abs=1e-5)


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("celsius", [-15.0, 30.0, 70.0])
def test_tolerance_of_r25_is_what_another_part_would_read(curve, celsius):
    # Second method: the part really has 0.1 % more resistance everywhere; what the curve makes of it.
    ohm = resistance_ohm(np.array([celsius]), curve)
    moved = celsius - temperature_c(1.001 * ohm, curve)[0]
    assert 10.0 * moved == pytest.approx(tolerance_shift(ohm, curve).by_r25_k[0], rel=0.01)


@pytest.mark.parametrize("celsius", [-15.0, 40.0, 70.0])
def test_tolerance_of_b_is_what_another_part_would_read(celsius):
    # Second method: the same resistance read with a B that is 0.1 % higher.
    ohm = resistance_ohm(np.array([celsius]), B3435)
    other = ThermistorCurve(r25_ohm=10_000.0, b_k=3435.0 * 1.001)
    # A larger B brings the reading nearer to 25 degC.
    assert 10.0 * (celsius - temperature_c(ohm, other)[0]) == pytest.approx(-tolerance_shift(ohm, B3435).by_b_k[0], rel=0.01)


@pytest.mark.parametrize("curve", CURVES)
def test_resistance_of_zero_or_less_is_no_temperature(curve):
    assert np.all(np.isnan(temperature_c(np.array([0.0, -5.0, np.nan]), curve)))


def test_read_thermistor_names_open_and_shorted_sensors():
    highest, lowest = limit_ohm(FITTED, -40.0), limit_ohm(FITTED, 125.0)
    assert highest == pytest.approx(TABLE[-40], rel=0.01) and lowest == pytest.approx(TABLE[125], rel=0.01)
    ohm = np.array([10_000.0, 1.01 * highest, 1e8, np.inf, 0.99 * lowest, 0.0, -1.0, np.nan, 0.99 * highest, 1.01 * lowest])
    read = read_thermistor(ohm, FITTED)
    assert (read.open_circuit, read.short_circuit, read.not_positive, read.readings) == (3, 1, 2, 9)
    assert np.isfinite(read.temperature_c).tolist() == [True, *[False] * 7, True, True]
