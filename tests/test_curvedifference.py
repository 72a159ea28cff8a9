"""Curves of two runs subtracted: values in closed form, uncertainties against simulated benches.

Law of propagation with common errors: JCGM 100:2008, 5.2 (clause from memory); simulation: JCGM 101:2008 (from memory).
"""

from __future__ import annotations

import copy

import numpy as np
import pytest

from cycler.curvedifference import (
    Difference,
    Drawn,
    charge_at_voltage,
    charge_difference,
    shared_grid,
    spans_of,
    state_of_charge,
    voltage_difference,
)

GAIN, ZERO_V, STEP_V = 0.002, 0.02, 0.01
BENCH = {
    "id": "bench 1", "declared": True, "voltage_gain": GAIN, "voltage_offset_v": ZERO_V, "group_voltage_gain": 0.001, "group_voltage_offset_v": 0.002,
    "current_gain": 0.002, "current_offset_a": 0.005,
}
Q = np.linspace(0.0, 10.0, 801)


def analysis(series=10, **bench):
    return {"instrument": {**BENCH, **bench}, "pack": {"series": series}}


def drawn(volts, charge=Q, resolution=STEP_V, bench=None, **more):
    x = np.asarray(charge, float)
    return Drawn(x, np.asarray(volts, float) * np.ones(x.size), x, x * 1800.0, bench or analysis(), resolution_v=resolution, **more)


def line(start_v, per_ah, charge=Q, **more):
    return drawn(start_v + per_ah * charge, charge, **more)


# ---- values ------------------------------------------------------------------------------------------------------


def test_voltage_difference_of_two_lines_is_the_line_between_them():
    reference, run = line(41.0, -0.9), line(41.5, -0.8, np.linspace(0.0, 10.0, 333))
    at = shared_grid(reference)
    np.testing.assert_allclose(voltage_difference(reference, run, at).value, 0.5 + 0.1 * at, atol=1e-9)


def test_voltage_difference_stands_only_where_both_have_data():
    reference, run = line(41.0, -0.9), line(41.5, -0.8, np.linspace(2.0, 7.0, 200))
    found = voltage_difference(reference, run, shared_grid(reference))
    assert found.x[found.known][[0, -1]] == pytest.approx([2.0, 7.0], abs=10 / 499)
    assert np.isnan(found.value[found.x < 2.0]).all() and np.isnan(found.value[found.x > 7.0]).all()


def test_voltage_difference_is_not_drawn_across_a_gap():
    reference, run = line(41.0, -0.9), line(41.5, -0.8, holes=((3.0, 4.0),))
    found = voltage_difference(reference, run, shared_grid(reference))
    hole = (found.x > 3.0) & (found.x < 4.0)
    assert hole.sum() > 40 and np.isnan(found.value[hole]).all() and found.known.sum() == 500 - hole.sum()


def test_charge_at_voltage_of_a_line_and_nothing_beyond_it():
    # V = 41 - 0.5 Q, so that Q = (41 - V) / 0.5; by hand.
    at = np.array([35.9, 36.0, 38.0, 40.0, 41.0, 41.1])
    np.testing.assert_allclose(charge_at_voltage(41.0 - 0.5 * Q, Q, at), [np.nan, 10.0, 6.0, 2.0, 0.0, np.nan], atol=1e-9)


def test_charge_at_voltage_of_a_charge_counts_upward():
    at = np.array([36.0, 38.0, 41.0])
    np.testing.assert_allclose(charge_at_voltage(36.0 + 0.5 * Q, Q, at, charge=True), [0.0, 4.0, 10.0], atol=1e-9)


def test_difference_names_its_largest_place_and_share():
    found = Difference(np.arange(4.0), np.array([np.nan, 0.1, -0.5, 0.2]), np.array([0.1, 0.1, 0.3, 0.01]), True)
    # Beyond 2 u: only 0.2 against 0.02. The larger 0.5 is within 0.6.
    assert found.share_beyond() == pytest.approx(1 / 3)
    assert found.largest() == (3.0, 0.2, 0.01)
    assert Difference(np.arange(2.0), np.array([np.nan, np.nan]), None, False).largest() is None


# ---- uncertainties -----------------------------------------------------------------------------------------------


def rounded(value):
    return np.round(value / STEP_V) * STEP_V


@pytest.mark.parametrize("common", [True, False])
@pytest.mark.parametrize("series", [(1, 1), (10, 13)])
def test_u_of_a_voltage_difference_against_simulated_benches(common, series):
    """200 000 benches with rectangular gain and zero error read both runs; rounding by 10 mV. Standard error of a standard deviation 0.16 %."""
    rng = np.random.default_rng(7)
    n, volts = 200_000, (36.0, 41.0)
    gains, zeros = rng.uniform(-GAIN, GAIN, (2, n)), rng.uniform(-ZERO_V, ZERO_V, (2, n))
    if common:
        gains[1], zeros[1] = gains[0], zeros[0]
    true = [v + rng.uniform(-0.05, 0.05, n) for v in volts]  # where between two codes the value lies is by chance
    read = [(rounded(t * (1 + g) + z) - t) / s for t, g, z, s in zip(true, gains, zeros, series)]
    runs = [drawn(v / s, divided_by=s, bench=analysis(s)) for v, s in zip(volts, series)]
    if not common:
        runs[1] = drawn(volts[1] / series[1], divided_by=series[1], bench=analysis(series[1], id="bench 2"))
    found = voltage_difference(*runs, np.array([5.0]))
    assert found.common is common
    assert np.std(read[1] - read[0]) == pytest.approx(found.u[0], rel=0.02)


def test_u_same_bench_leaves_rounding_alone_where_the_curves_meet():
    found = voltage_difference(drawn(37.0), drawn(37.0), np.array([5.0]))
    assert found.u[0] == pytest.approx(STEP_V / np.sqrt(6.0))  # two roundings d/sqrt(12)


def test_u_other_group_of_the_same_bench_is_independent():
    same = voltage_difference(drawn(3.7, group=4), drawn(3.6, group=4), np.array([5.0]))
    other = voltage_difference(drawn(3.7, group=4), drawn(3.6, group=5), np.array([5.0]))
    assert same.common and not other.common and other.u[0] > same.u[0]


def test_u_of_a_line_of_a_data_sheet_adds_its_parts():
    stated = {"stated": {"voltage": "0.2 % + 20 mV"}}
    runs = drawn(40.0, resolution=0.0, bench=analysis(**stated)), drawn(40.0, resolution=0.0, bench=analysis(id="bench 2", **stated))
    by_hand = np.sqrt(2.0) * (0.002 * 40.0 + 0.02) / np.sqrt(3.0)
    assert voltage_difference(*runs, np.array([5.0])).u[0] == pytest.approx(by_hand)


@pytest.mark.parametrize("axis", ["ah", "time"])
@pytest.mark.parametrize("common", [True, False])
def test_u_holds_what_ammeter_and_clock_shift_sideways(common, axis):
    """100 000 benches draw two knees of unlike slope over the charge or time that they read themselves; standard error of a standard deviation 0.3 %."""
    rng = np.random.default_rng(3)
    n, at, amps = 100_000, 9.0, 2.0
    limits = {"current_gain": 0.004, "current_offset_a": 0.01, "clock_gain": 0.001}
    exact = {"voltage_gain": 0.0, "voltage_offset_v": 0.0} | limits
    errors = {key: rng.uniform(-half, half, (2, n)) for key, half in limits.items()}
    if common:
        for pair in errors.values():
            pair[1] = pair[0]

    def knee(ah, width):
        return 41.0 - 0.3 * ah - 5.0 * np.exp((ah - 10.0) / width)

    read = []
    for k, width in enumerate((0.5, 1.2)):
        gain, zero, clock = (errors[key][k] for key in limits)
        # True charge at the place where the bench reads 9 Ah at a steady 2 A, or 4.5 h at 2 A by its own ammeter.
        true_ah = at / ((1 + gain + zero / amps) * (1 + clock)) if axis == "ah" else at / (1 + clock) * (1 - zero / amps) / (1 + gain)
        read.append(knee(true_ah, width))
    hours = Q / amps
    x = Q if axis == "ah" else hours * 3600.0
    benches = analysis(**exact), analysis(**exact, **({} if common else {"id": "bench 2"}))
    runs = [Drawn(x, knee(Q, width), Q, hours * 3600.0, own, axis=axis) for width, own in zip((0.5, 1.2), benches)]
    place = shared_grid(runs[0])
    found = voltage_difference(*runs, place)
    k = int(np.argmin(np.abs(place - at * (1.0 if axis == "ah" else 1800.0))))
    assert found.u[k] == pytest.approx(np.std(read[1] - read[0]), rel=0.03)


def test_u_holds_noise_so_that_two_runs_of_one_state_do_not_differ():
    """Both runs are the same line with white noise of 5 mV, read on one bench to 0.1 mV: about 5 % of the places may lie beyond k = 2."""
    rng = np.random.default_rng(5)
    runs = [drawn(41.0 - 0.3 * Q + rng.normal(0.0, 0.005, Q.size), resolution=1e-4) for _ in range(2)]
    assert voltage_difference(*runs, shared_grid(runs[0])).share_beyond() < 0.08


def test_u_of_the_instant_of_switching_counts_where_the_curve_is_steep():
    run = drawn(41.0 - 0.5 * Q, resolution=0.0, axis="time", u_start_s=0.0)
    late = drawn(41.0 - 0.5 * Q, resolution=0.0, axis="time", u_start_s=3.0)
    place = np.linspace(0.0, 10.0, 50)
    assert voltage_difference(run, run, place).u[20] == pytest.approx(0.0, abs=1e-9)
    assert voltage_difference(run, late, place).u[20] == pytest.approx(0.5 * 3.0, rel=1e-6)  # here the axis runs as the charge does: 0.5 V for each unit


def test_u_of_a_state_of_charge_leaves_out_what_cancels_in_the_ratio():
    """Gain goes with both charges; a cut-off that is 0.03 Ah uncertain shifts the end of a 10 Ah discharge by 0.3 %."""
    budget = [{"source": "current gain", "standard_uncertainty_ah": 0.05}, {"source": "cut-off voltage", "standard_uncertainty_ah": 0.03}]
    own = analysis() | {"capacity": {"value_ah": 10.0, "u_value_ah": 0.06, "budget": budget}}
    x = np.linspace(-100.0, 0.0, 801)
    runs = [Drawn(x, 41.0 - 0.1 * (x + 100.0), Q, Q * 1800.0, bench, axis="soc") for bench in (own, own | {"capacity": {"value_ah": 10.0, "budget": budget[:1]}})]
    found = voltage_difference(*runs, np.linspace(-100.0, 0.0, 101))
    assert found.u[0] == pytest.approx(0.0, abs=1e-9)
    assert found.u[-1] == pytest.approx(0.1 * 0.3, rel=1e-6)


def test_what_a_pulse_of_another_current_makes_does_not_count_as_a_difference():
    """The second run takes 4 A instead of 2 A over its first 0.5 Ah and sags by 0.4 V there; afterwards both are one line."""
    seconds = np.where(Q < 0.5, Q * 900.0, 450.0 + (Q - 0.5) * 1800.0)
    volts = 41.0 - 0.3 * Q
    runs = drawn(volts), Drawn(Q, np.where(Q < 0.5, volts - 0.4, volts), Q, seconds, analysis(), resolution_v=STEP_V)
    found = voltage_difference(*runs, shared_grid(runs[0]))
    assert found.value[10] == pytest.approx(-0.4, abs=0.01)  # it is drawn,
    assert found.unlike[10] and found.share_beyond() == 0.0 and abs(found.largest()[1]) < 0.01  # and not claimed
    assert found.share_unlike() == pytest.approx(0.05, abs=0.005)


def test_runs_at_unlike_currents_all_along_are_told_apart_all_the_same():
    runs = line(41.0, -0.3), Drawn(Q, 40.5 - 0.3 * Q, Q, Q * 900.0, analysis(), resolution_v=STEP_V)
    found = voltage_difference(*runs, shared_grid(runs[0]))
    assert found.share_unlike() == 1.0 and found.share_beyond() == 1.0


def test_u_of_a_sum_of_groups_takes_the_groups_own_limits():
    """Both runs are sums of ten groups read by one bench: the gain of the group meter counts, not that of the pack's."""
    runs = [drawn(volts, resolution=0.0, is_sum=True) for volts in (36.0, 41.0)]
    assert voltage_difference(*runs, np.array([5.0])).u[0] == pytest.approx(0.001 * 5.0 / np.sqrt(3.0))


def test_u_of_sums_of_unlike_packs_against_simulated_benches():
    """Means of 7 and of 10 groups of one bench with independent zero errors, the first 7 the same channels; 100 000 draws: 0.3 %."""
    zeros = np.random.default_rng(9).uniform(-0.002, 0.002, (100_000, 10))
    runs = [drawn(3.7, resolution=0.0, is_sum=True, divided_by=n, bench=analysis(n)) for n in (7, 10)]
    wanted = np.std(zeros[:, :7].mean(axis=1) - zeros.mean(axis=1))
    assert voltage_difference(*runs, np.array([5.0])).u[0] == pytest.approx(wanted, rel=0.02)


def test_difference_without_limits_of_error_has_no_uncertainty():
    bare = {"pack": {"series": 10}}
    found = voltage_difference(drawn(40.0, bench=bare), drawn(41.0), np.array([5.0]))
    assert found.value[0] == pytest.approx(1.0) and found.u is None and found.share_beyond() is None


@pytest.mark.parametrize("common", [True, False])
def test_u_of_a_charge_difference_against_simulated_benches(common):
    """Two straight discharges at 2 A, 0.5 and 0.4 V/Ah; each simulated bench reads voltage and current with its own errors. 50 000 draws: 0.3 %."""
    rng = np.random.default_rng(11)
    n, at = 50_000, 38.0
    slopes, start = (0.5, 0.4), 41.0
    bench = {key: 0.0 for key in ("voltage_gain", "voltage_offset_v", "current_gain", "current_offset_a")} | {"voltage_gain": 0.001, "voltage_offset_v": 0.02,
             "current_gain": 0.003, "current_offset_a": 0.01}
    draws = {key: rng.uniform(-half, half, (2, n)) for key, half in bench.items()}
    if common:
        for pair in draws.values():
            pair[1] = pair[0]
    read = []
    for k, slope in enumerate(slopes):
        true_v = (at - draws["voltage_offset_v"][k]) / (1 + draws["voltage_gain"][k])  # where the meter shows 38 V
        true_ah = (start - true_v) / slope
        hours = true_ah / 2.0
        read.append(true_ah * (1 + draws["current_gain"][k]) + draws["current_offset_a"][k] * hours)
    runs = []
    for k, slope in enumerate(slopes):
        volts = np.linspace(36.5, 41.0, 900)
        charge = (start - volts) / slope
        own = analysis(**bench, **({} if common or k == 0 else {"id": "bench 2"}))
        runs.append(Drawn(volts, charge, charge[::-1], charge[::-1] / 2.0 * 3600.0, own))
    found = charge_difference(*runs, shared_grid(runs[0]))
    k = int(np.argmin(np.abs(found.x - at)))
    assert found.value[k] == pytest.approx((start - found.x[k]) * (1 / 0.4 - 1 / 0.5), rel=1e-6)
    assert found.u[k] == pytest.approx(np.std(read[1] - read[0]), rel=0.02)


# ---- which stretch -----------------------------------------------------------------------------------------------

STEPS = [
    {"index": 0, "kind": "charge_cc", "start_s": 1.0, "end_s": 90.0}, {"index": 1, "kind": "charge_cv", "start_s": 100.0, "end_s": 190.0},
    {"index": 2, "kind": "rest", "start_s": 191.0, "end_s": 250.0}, {"index": 3, "kind": "pulse_discharge", "start_s": 251.0, "end_s": 260.0},
    {"index": 4, "kind": "rest", "start_s": 261.0, "end_s": 300.0}, {"index": 5, "kind": "discharge_cc", "start_s": 301.0, "end_s": 900.0},
    {"index": 6, "kind": "rest", "start_s": 901.0, "end_s": 950.0}, {"index": 7, "kind": "charge_cc", "start_s": 951.0, "end_s": 990.0},
]
TEST = {
    "steps": STEPS, "capacity": {"steps": [3, 5], "at_s": {"start_s": 250.0, "end_s": 905.0}, "value_ah": 10.0, "valid": True},
    "charges": [{"steps": [0, 1], "start_s": 0.0, "end_s": 190.0, "end_reason": "charge_taper"}, {"steps": [7], "start_s": 950.0, "end_s": 990.0, "end_reason": "log_end"}],
}


def test_spans_of_the_discharge_and_of_the_charge_before_it():
    assert spans_of(TEST) == ((251.0, 260.0), (301.0, 900.0))
    assert spans_of(TEST, charge=True) == ((1.0, 190.0),)


def test_spans_of_an_older_analysis_come_from_its_steps():
    old = copy.deepcopy(TEST)
    del old["capacity"]["steps"]
    assert spans_of(old) == spans_of(TEST)
    assert spans_of({"steps": STEPS}) == () and spans_of({"steps": STEPS}, charge=True) == ()


def test_state_of_charge_runs_from_full_to_empty_and_back():
    assert state_of_charge(TEST, np.array([0.0, 4.0, 10.0])).tolist() == pytest.approx([100.0, 60.0, 0.0])
    assert state_of_charge(TEST, np.array([0.0, 4.0, 8.0]), charge=True).tolist() == pytest.approx([20.0, 60.0, 100.0])


def test_state_of_charge_is_not_told_where_the_log_does_not_prove_it():
    assert state_of_charge({**TEST, "capacity": {**TEST["capacity"], "valid": False}}, np.array([1.0])) is None
    assert state_of_charge({**TEST, "charges": TEST["charges"][1:], "capacity": {"value_ah": 10.0, "valid": True}}, np.array([1.0]), charge=True) is None
