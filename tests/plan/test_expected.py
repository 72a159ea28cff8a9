"""What a plan reckons beforehand, against closed forms and worked examples."""

from __future__ import annotations

import math

import pytest

from cycler.instrument import Instrument
from cycler.measures.rest import DRIFT_MIN_S, expected_drift_u
from cycler.plan import conditions_of, expected
from cycler.plan.bench import STEP_INTERVAL_MAX_S, hours_text
from cycler.resttable import SHOWN_AT


def test_it_is_the_current_that_empties_the_rated_capacity_in_an_hour():
    # IEC 62619, 7.1 note 1 (read in a national adoption): Cn = 2.5 Ah, 0.2 It = 0.500 A, 1 It = 2.5 A, "C/3" = 0.8333 A.
    assert expected.it_current_a(0.2, 2.5) == 0.5
    assert expected.it_current_a(1.0, 2.5) == 2.5
    assert expected.it_current_a(1.0 / 3.0, 2.5) == pytest.approx(0.8333, abs=5e-5)


def test_conditions_are_those_of_the_standards_as_remembered():
    # IEC 61960-3 and IEC 62620, both from memory: 0.2 It, rest 1 h to 4 h, (20 +- 5) and (25 +- 5) degC; ISO 12405-4 and ISO 18243: C/3, 30 min, (25 +- 2) degC.
    portable, industrial, vehicle = (conditions_of(name) for name in ("portable", "industrial", "light-vehicle"))
    assert (portable.discharge_rate_it, portable.ambient_c, portable.rest_h) == (0.2, (20.0, 5.0), 1.0)
    assert (industrial.discharge_rate_it, industrial.ambient_c) == (0.2, (25.0, 5.0))
    assert (vehicle.discharge_rate_it, vehicle.ambient_c, vehicle.rest_h) == (pytest.approx(1 / 3), (25.0, 2.0), 0.5)
    assert all("memory" in found.source for found in (portable, industrial, vehicle))


def test_budget_of_a_capacity_comes_out_as_the_worked_example():
    # Worked example of a capacity budget (arithmetic from stated half-widths): 0.500 A for 5 h; gain 0.5 %, zero 2 mA, clock 50 ppm, cut-off 10 mV
    # at 2 V/Ah, instant 5 s at 0.5 A; u_c = 9.691025 mAh.
    bench = Instrument(current_gain=0.005, current_offset_a=0.002, clock_gain=50e-6)
    lines = expected.capacity_lines(bench, 2.5, 5.0, 0.010 / math.sqrt(3.0), 2.0, (0.5 * 5.0 / math.sqrt(3.0),))
    terms = [1e3 * line.standard_uncertainty for line in lines]
    assert terms == pytest.approx([7.216878, 5.773503, 0.072169, 2.886751, 0.400938], rel=1e-5)
    assert 1e3 * expected.capacity_u_ah(lines) == pytest.approx(9.691025, rel=1e-6)


def test_zero_error_counts_five_times_at_a_fifth_of_the_current():
    # It scales with time, the gain with charge: the same arithmetic.
    bench = Instrument(current_gain=0.0, current_offset_a=0.005, clock_gain=0.0)
    slow, fast = (expected.capacity_u_ah(expected.capacity_lines(bench, 10.0, hours, 0.0, 1.0)) for hours in (5.0, 1.0))
    assert slow == pytest.approx(5.0 * fast)


def test_heat_is_current_squared_times_resistance_and_warms_at_most_by_all_of_it():
    # Joule: 3 A in 0.1 ohm are 0.9 W; for 2 h 6.48 kJ, in 1800 J/K 3.6 K (closed form).
    assert expected.joule_heat_w(3.0, 0.1) == pytest.approx(0.9)
    assert expected.adiabatic_rise_k(0.9, 7200.0, 1800.0) == pytest.approx(3.6)
    # A 10S pack of 10 Ah: forty 18650 cells of 2.5 Ah and 46 g (common practice) at 0.95 J/(g K).
    capacity = expected.heat_capacity_j_per_k(10, 10.0, expected.habits_of("nmc"))
    assert capacity == pytest.approx(40 * 46.0 * 0.95, rel=0.05)
    low, usual, high = expected.pack_ohm(10, 10.0, expected.habits_of("nmc"))
    assert low < usual < high and low < 0.13 < high


def test_taper_is_an_exponential_and_none_where_the_current_begins_below_it():
    habits = expected.habits_of("nmc")
    once, _ = expected.taper_s(1.0 * math.e, 1.0, 10, habits, 10.0)
    twice, u = expected.taper_s(1.0 * math.e**2, 1.0, 10, habits, 10.0)
    assert twice == pytest.approx(2.0 * once) and u == pytest.approx(twice / math.sqrt(3.0))
    assert expected.taper_s(0.4, 0.5, 10, habits, 10.0) == (0.0, 0.0)


def test_time_of_a_charge_in_a_range_is_rectangular():
    assert expected.moved_s((5.0, 10.0), 2.5) == (pytest.approx(10800.0), pytest.approx(3600.0 / math.sqrt(3.0)), pytest.approx(14400.0))


def test_rest_shows_less_the_longer_it_is_and_finds_its_own_length_again():
    slope = expected.rest_slope_v_per_ah(10.0, expected.habits_of("nmc"))
    # 8 mV per % of charge in a worked example of self-discharge: 0.08 V/Ah at 10 Ah.
    assert slope == pytest.approx(0.08)
    known = (slope, 60.0, 0.0004, 0.001, 9)
    shown = [expected.smallest_leak_after_ma(hours, *known) for hours in (6.0, 12.0, 24.0, 96.0)]
    assert shown == sorted(shown, reverse=True)
    for leak in (0.4, 1.0, 3.0):
        hours = expected.shortest_rest_h(leak, *known)
        assert expected.smallest_leak_after_ma(hours, *known) <= leak < expected.smallest_leak_after_ma(0.95 * hours, *known)
    assert expected.smallest_leak_after_ma(0.9 * DRIFT_MIN_S / 3600.0, *known) is None
    assert expected.shortest_rest_h(1e-6, *known) is None
    # The plateau of an LFP curve falls by 0.1 to 0.5 mV per % (common practice): no rest shows anything.
    assert expected.rest_slope_v_per_ah(10.0, expected.habits_of("lfp")) is None


def test_smallest_leak_is_k_times_its_own_uncertainty_slope_included():
    # A leak that is just shown is SHOWN_AT (k = 2) times its standard uncertainty, of drift and slope together (JCGM 100:2008, 5.1.2; from memory): with a slope known
    # to 30 % it must be 1.25 times as large as with one known exactly, 1 / sqrt(1 - (2 * 0.3)**2).
    known = (24.0, 0.08, 60.0, 0.0004, 0.0, 9)
    exact, rough = (expected.smallest_leak_after_ma(*known, slope_share=share) for share in (0.0, 0.3))
    u_drift_ma = 3.6e6 * expected_drift_u(86400.0, 60.0, 0.0004, 0.0, True, 9) / 0.08
    assert exact == pytest.approx(SHOWN_AT * u_drift_ma) and SHOWN_AT == 2.0
    assert rough == pytest.approx(SHOWN_AT * math.hypot(u_drift_ma, 0.3 * rough)) and rough == pytest.approx(1.25 * exact)
    assert expected.smallest_leak_after_ma(*known, slope_share=0.5) is None


def test_rows_of_a_step_and_the_coarsest_interval_of_the_ten_seconds_value():
    assert expected.rows_of(100.0, ((40.0, 1.0), (math.inf, 10.0))) == pytest.approx(46.0)
    assert expected.rows_of(20.0, ((40.0, 1.0), (math.inf, 10.0))) == pytest.approx(20.0)
    assert STEP_INTERVAL_MAX_S == 10.0


@pytest.mark.parametrize(("seconds", "shown"), [(12, "12 s"), (600, "10 min"), (3600, "1 h"), (8900, "2 h 28 min"), (118800, "33 h"), (342000, "3 d 23 h"), (172800, "2 d")])
def test_times_are_told_in_words(seconds, shown):
    assert hours_text(seconds) == shown
