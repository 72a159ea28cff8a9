"""Temperature figures of a sensor against closed forms; readings of sensors that are none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.measures.sensors import (
    excess_over_others,
    frozen_sensors,
    held_intervals,
    possible_readings,
)
from cycler.measures.thermal import steepest_rise, thermal, time_beyond

SECONDS = np.arange(0.0, 7201.0, 10.0)


def triangle(peak_c: float, start_c: float = 20.0) -> np.ndarray:
    """From the start up to the peak at half time and down again, straight."""
    return start_c + (peak_c - start_c) * (1.0 - np.abs(SECONDS / 3600.0 - 1.0))


# --- times beyond limits -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("limit", "above", "wanted_s"), [(45.0, True, 4200.0), (60.0, True, 2400.0), (30.0, False, 1200.0), (20.0, True, 7200.0), (95.0, True, 0.0)])
def test_time_beyond_of_a_triangle(limit, above, wanted_s):
    # Closed form: a triangle from 20 to 80 and 20 is above L for 7200 s (80 - L)/60, wherever the samples lie.
    x = np.array([0.0, 3600.0, 7200.0])
    wanted = pytest.approx(wanted_s, rel=1e-12)
    assert time_beyond(x, np.array([20.0, 80.0, 20.0]), limit, above=above) == wanted
    assert time_beyond(SECONDS, triangle(80.0), limit, above=above) == wanted


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-50, 100), min_size=2, max_size=12), st.floats(-40, 90))
def test_time_above_and_time_below_make_the_whole(values, limit):
    t = np.arange(len(values)) * 7.0
    x = np.array(values)
    if np.any((x[1:] == limit) & (x[:-1] == limit)):
        return
    whole = time_beyond(t, x, limit) + time_beyond(t, x, limit, above=False)
    assert whole == pytest.approx(t[-1])


def test_thermal_times_count_charge_and_discharge_apart():
    # Closed form: -6 + 12 t/7200 degC crosses 0 at half time; the first quarter and the last half are charge.
    x = -6.0 + 12.0 * SECONDS / 7200.0
    way = np.where(SECONDS < 1800, 1, np.where(SECONDS < 3600, -1, 1))
    heat = thermal(SECONDS, x[:, None], way, np.array([0.5])).sensors[0]
    # Intervals count whose both ends are charge: 0 to 1790 s; what is above 0 is not.
    assert heat.time_below_0c_charging_s == pytest.approx(1790.0)
    assert heat.time_outside_charge_window_s == pytest.approx(1790.0)
    assert heat.time_outside_discharge_window_s == 0.0
    # Limit moved by 0.5 K: at +0.5 degC 300 s more of charge after half time, at -0.5 degC none less; half the difference.
    assert heat.u_time_below_0c_charging_s == pytest.approx(150.0)


def test_thermal_times_follow_the_stated_windows():
    heat = thermal(SECONDS, triangle(50.0)[:, None], np.full(SECONDS.size, -1), None, (), (0.0, 45.0), (22.0, 40.0)).sensors[0]
    # Closed form: below 22 for 2/30, above 40 for 10/30 of the time.
    assert heat.time_outside_discharge_window_s == pytest.approx(7200.0 * 12 / 30)
    assert heat.time_above_45c_s == pytest.approx(7200.0 * 5 / 30)
    assert heat.time_above_60c_s == 0.0
    assert heat.time_outside_charge_window_s == 0.0


def test_thermal_gap_counts_in_no_time_and_no_window():
    t = np.concatenate([np.arange(0.0, 601.0, 10.0), np.arange(4200.0, 4801.0, 10.0)])
    x = np.where(t < 1000, 50.0, 70.0)
    heat = thermal(t, x[:, None]).sensors[0]
    assert heat.time_above_45c_s == pytest.approx(1200.0)
    assert heat.max_rate_c_per_min == pytest.approx(0.0, abs=1e-12)


def test_thermal_joint_without_pause_makes_no_rate():
    # Two files put one behind the other: 20 K from one row to the next is no heating.
    t = np.arange(0.0, 1200.0, 10.0)
    x = np.where(t < 600, 20.0, 40.0)
    assert thermal(t, x[:, None]).max_rate_c_per_min > 10.0
    assert thermal(t, x[:, None], breaks_s=(595.0,)).max_rate_c_per_min == pytest.approx(0.0, abs=1e-12)


# --- rise and rate -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [0.7, 10.0, 60.0])
def test_steepest_rise_of_a_straight_line_is_its_slope(step_s):
    t = np.arange(0.0, 3600.0, step_s)
    assert steepest_rise(t, 20.0 + 0.5 * t / 60.0, max(60.0, 3 * step_s)) == pytest.approx(0.5, rel=1e-9)


def test_steepest_rise_of_an_exponential():
    # Closed form: means of T = A (1 - e^(-t/tau)) over [0, w] and [w, 2w] differ by A tau/w (1 - e^(-w/tau))^2.
    t, tau, w, size = np.arange(0.0, 3600.0, 1.0), 300.0, 60.0, 10.0
    wanted = size * tau / w * (1 - np.exp(-w / tau)) ** 2
    assert steepest_rise(t, size * (1 - np.exp(-t / tau)), w) == pytest.approx(wanted / w * 60.0, rel=1e-4)


def test_steepest_rise_between_the_windows_is_found_whole():
    # A ramp of two windows that begins three quarters into a window: its slope, 2 K/min.
    t = np.arange(0.0, 601.0, 5.0)
    assert steepest_rise(t, 20.0 + np.clip(t - 45.0, 0.0, 120.0) / 30.0, 60.0) == pytest.approx(2.0)


def test_thermal_rate_window_and_its_uncertainty():
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 7200.0, 5.0)
    heat = thermal(t, (25.0 + 0.1 * rng.standard_normal(t.size))[:, None]).sensors[0]
    assert heat.rate_window_s == 60.0
    # White noise of 0.1 K in means of 12 readings: sqrt(2) 0.1/sqrt(12) per minute.
    assert heat.u_max_rate_c_per_min == pytest.approx(np.sqrt(2.0) * 0.1 / np.sqrt(12.0), rel=0.1)
    assert thermal(t[::24], np.full((60, 1), 25.0)).sensors[0].rate_window_s == pytest.approx(3 * 120.0)


def test_thermal_takes_the_hottest_sensor_and_the_one_that_rose_most():
    x = np.column_stack([triangle(50.0, 40.0), triangle(45.0, 20.0), np.full(SECONDS.size, np.nan)])
    heat = thermal(SECONDS, x)
    assert (heat.hottest, heat.rose_most) == (0, 1)
    assert heat.max_c == pytest.approx(50.0, abs=0.05) and heat.ambient_c == pytest.approx(40.0, abs=0.1)
    # Closed form: the median of the first seven readings costs 30 s of the rise, the median of three at the top 10 s.
    assert heat.rise_c == pytest.approx(25.0 * (1 - 40.0 / 3600.0))
    assert heat.sensors[2] is None


def test_thermal_one_odd_reading_is_no_maximum():
    x = np.full(SECONDS.size, 25.0)
    x[300] = 71.0
    assert thermal(SECONDS, x[:, None]).max_c == 25.0


def test_thermal_too_short_for_a_rate_says_so():
    heat = thermal(SECONDS[:8], np.full((8, 1), 21.0)).sensors[0]
    assert heat.max_rate_c_per_min is None and heat.rate_window_s is None and "too_few_readings" in heat.reasons


def test_thermal_sensor_blind_while_charging_says_so():
    x = np.where(SECONDS < 3600, np.nan, 21.0)
    heat = thermal(SECONDS, x[:, None], np.where(SECONDS < 3000, 1, 0)).sensors[0]
    assert heat.time_below_0c_charging_s is None and "no_reading_while_charging" in heat.reasons


# --- readings that are none --------------------------------------------------------------------------------------
# -127, 85.0 and -40 as values of lost or not yet ready sensors: common practice, no source.


def test_possible_readings_leaves_out_what_no_pack_has():
    read = possible_readings(np.array([21.0, -127.0, 21.1, -40.0, 151.0, 85.0, 21.2, np.nan, 21.3, 21.3]))
    assert np.flatnonzero(np.isfinite(read.temperature_c)).tolist() == [0, 2, 6, 8, 9]
    assert (read.impossible, read.power_on, read.example_c) == (3, 1, -127.0)
    assert not read.mostly_none


def test_possible_readings_believes_85_on_the_way_up():
    # A pack that really passes 85 degC is no power-on value: hiding it would be the dangerous mistake.
    hot = np.arange(60.0, 100.0, 1.0)
    assert possible_readings(hot).power_on == 0
    assert possible_readings(np.array([80.5, 85.0, 85.0, 85.0, 89.9])).power_on == 0
    assert possible_readings(np.array([83.0, 85.0, 25.0])).power_on == 0
    assert possible_readings(np.array([79.9, 85.0, 85.0, 85.0, 90.1])).power_on == 3


def test_possible_readings_of_a_sensor_that_never_started():
    assert possible_readings(np.full(50, 85.0)).mostly_none


def test_frozen_sensor_beside_others_that_move():
    x = np.column_stack([triangle(30.0), np.full(SECONDS.size, 21.0), triangle(31.0)])
    still = np.zeros(SECONDS.size, bool)
    assert frozen_sensors(SECONDS, x, still) == (None, 21.0, None)
    # The same spread of 3 K proves nothing: a sensor of whole degrees may stand.
    calm = np.column_stack([triangle(23.0), np.full(SECONDS.size, 21.0), triangle(23.0)])
    assert frozen_sensors(SECONDS, calm, still) == (None, None, None)


def test_frozen_sensor_that_stops_half_way():
    x = np.column_stack([triangle(40.0), triangle(40.0)])
    x[360:, 1] = x[360, 1]
    assert frozen_sensors(SECONDS, x, np.zeros(SECONDS.size, bool)) == (None, pytest.approx(40.0))


@pytest.mark.parametrize(("value", "flow_s", "frozen"), [(21.3, 7200.0, True), (21.3, 4000.0, True), (21.3, 3000.0, False), (21.0, 7200.0, False), (23.889, 7200.0, False)])
def test_frozen_lone_sensor_needs_digits_and_an_hour_of_current(value, flow_s, frozen):
    # 23.889 degC is 75.0 degF.
    found = frozen_sensors(SECONDS, np.full((SECONDS.size, 1), value), flow_s > SECONDS)
    assert found == ((value,) if frozen else (None,))


def test_excess_over_others_is_that_of_one_instant():
    x = np.column_stack([triangle(30.0), triangle(30.0)[::-1] + 0.5, triangle(30.0)])
    x[300:330, 2] += 8.0
    x[500, 0] += 40.0
    excess = excess_over_others(x)
    # Of three, the median of the two others is their mean: 8.0 - 0.25 at most, 0.0 - 0.25 at the start.
    assert excess[2] == (pytest.approx(7.75), pytest.approx(-0.25))
    assert excess[0][0] < 1.0
    assert excess_over_others(x[:, :1]) == (None,)


def test_held_intervals_leave_out_gaps_and_joints():
    t = np.concatenate([np.arange(0.0, 100.0, 10.0), np.arange(400.0, 500.0, 10.0)])
    assert np.flatnonzero(~held_intervals(t)).tolist() == [9]
    assert np.flatnonzero(~held_intervals(t, (25.0,))).tolist() == [2, 9]
    assert held_intervals(np.arange(0.0, 6000.0, 60.0)).all()


def test_thermal_rate_of_a_coarse_sensor_is_open_by_its_resolution():
    # Closed form: 0.3 K/min read in whole half degrees: every window of a minute shares one step, d/sqrt(12) a mean, sqrt(2) of it a difference.
    heat = thermal(SECONDS, (np.round((20.0 + 0.3 * SECONDS / 60.0) / 0.5) * 0.5)[:, None]).sensors[0]
    assert heat.rate_window_s == 60.0
    assert heat.u_max_rate_c_per_min == pytest.approx(np.sqrt(2.0) * 0.5 / np.sqrt(12.0), rel=0.1)


@pytest.mark.parametrize(("stood_s", "frozen"), [(300.0, False), (900.0, True)])
def test_frozen_sensor_is_told_from_one_that_stands_for_minutes(stood_s, frozen):
    # Both warm by 40 K in an hour; the second stands at 40 degC for a while and catches up. The other moves 3.3 K or 10 K meanwhile.
    x = np.column_stack([triangle(60.0), triangle(60.0)])
    held = (SECONDS >= 1800.0) & (1800.0 + stood_s > SECONDS)
    x[held, 1] = 40.0
    assert frozen_sensors(SECONDS, x, np.zeros(SECONDS.size, bool)) == (None, pytest.approx(40.0) if frozen else None)
