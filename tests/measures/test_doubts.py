"""Counters begun anew at a joint, a zero taken for a load, a jittering clock, honest counters beside a taper, loads in turn."""

from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.log import Gap, ReadingWarning
from cycler.measures.bridging import across_gap
from cycler.measures.capacity import charge_flow, find_switches
from cycler.measures.counters import Course, check_step, read_counter
from cycler.pack import Pack
from cycler.steps import load_runs, segment_steps
from tests.corelogs import PACK_10AH as PACK
from tests.corelogs import make_log, ocv, simple_test

CAPS = (10.0, 10.1, 9.9)
DT, LOAD_A = 2.0, 5.0
WHOLE, TRUE_AH = simple_test(CAPS)
LOADED = np.flatnonzero(WHOLE.current_a < -1)
UNKNOWN = "joint between two files; how long the pause lasted is not known"


def result_of(log, pack=PACK):
    found = analyze(log, pack).to_dict()
    return found["capacity"], {f["code"]: f for f in found["findings"]}, found


# --- a net counter begun anew -------------------------------------------------------------------------------------


def net_of(log):
    return np.concatenate(([0.0], np.cumsum(0.5 * (log.current_a[1:] + log.current_a[:-1]) * np.diff(log.time_s)))) / 3600.0


def two_parts(lost_rows, why=UNKNOWN, anew=True, shift_ah=0.0, start_ah=3.0):
    """The whole test in two files of one net counter that stood at ``start_ah`` at first; ``lost_rows`` of load lie between them."""
    at, after = int(LOADED[500]), int(LOADED[500]) + 1 + lost_rows
    keep = np.r_[0 : at + 1, after : WHOLE.rows]
    net = np.round(net_of(WHOLE) + start_ah, 4)
    net[after:] += shift_ah - (net[after] if anew else 0.0)
    time = WHOLE.time_s.copy()
    if why == UNKNOWN:
        time[after:] -= time[after] - time[at] - 10.0
    gap = Gap(float(time[at]), float(time[after] - time[at]), why)
    return make_log(
        time[keep], None, WHOLE.current_a[keep], WHOLE.group_voltage_v[keep], gaps=[gap], counters={"capacity": net[keep]}
    )


@pytest.mark.parametrize("lost_rows", [0, 300])
def test_net_counter_that_begins_anew_at_a_joint_is_not_booked_as_discharge(lost_rows):
    capacity, findings, _ = result_of(two_parts(lost_rows))
    # It stood at 1.6 Ah before the joint, which it did not lose by discharging; lost are 2 s for each row and the interval of the joint.
    assert not capacity["valid"] and capacity["is_lower_bound"]
    assert capacity["value_ah"] == pytest.approx(TRUE_AH - LOAD_A * DT * (lost_rows + 1) / 3600.0, abs=0.01)
    assert "may have been reset" in findings["log_gap"]["evidence"]


def test_joint_of_unknown_length_is_told_as_such_and_not_as_seconds():
    # Rated so high that the lower bound proves nothing, and the advice is given.
    _, findings, found = result_of(two_parts(0), replace(PACK, rated_capacity_ah=15.0))
    assert "how long it lasted is not known" in findings["log_gap"]["message"]
    assert " s " not in findings["log_gap"]["message"] and "10 s" not in findings["log_gap"]["evidence"]
    advice = " ".join(found["verdict"]["to_settle"])
    assert "without a gap" in advice and "misses" not in advice


def test_gap_of_known_length_is_still_told_in_seconds():
    flow = two_parts(299, "no samples")
    _, findings, _ = result_of(make_log(flow.time_s, None, flow.current_a, flow.group_voltage_v, gaps=flow.reading.gaps))
    assert "600 s" in findings["log_gap"]["message"]


def test_net_counter_that_begins_anew_in_a_gap_of_known_length_is_not_believed():
    # 1800 s at 5 A are 2.5 Ah; from 2.3 Ah to 0 it would have moved only that.
    capacity, _, _ = result_of(two_parts(899, "no samples"))
    assert not capacity["valid"] and capacity["value_ah"] <= TRUE_AH


def test_net_counter_passing_zero_in_a_gap_under_an_even_load_is_believed():
    # 1.389 Ah are gone at the edge; from 2.0 Ah at the start it passes zero in the 600 s (0.833 Ah) of the gap.
    log = two_parts(299, "no samples", anew=False, start_ah=2.0 - net_of(WHOLE)[LOADED[0]])
    steps = segment_steps(log, PACK)
    flow = charge_flow(log, steps, find_switches(log, steps))
    assert log.counters["capacity"][LOADED[500]] > 0 > log.counters["capacity"][LOADED[500] + 1]
    assert flow.bridged[0][1] == pytest.approx(LOAD_A * 600.0 / 3600.0, abs=2e-4)
    assert result_of(log)[0]["valid"]


def test_joint_of_known_length_is_held_against_the_load_at_its_edges():
    log = two_parts(299, "joint between two files", shift_ah=-1.0, anew=False, start_ah=9.0)
    # 1.83 Ah in 600 s would be 11 A in a log that holds no more than 5 A.
    assert "log_gap" in result_of(log)[0]["reasons"]


def test_counter_that_disagrees_with_the_load_at_both_edges_widens_the_budget_by_the_difference():
    log = two_parts(299, "no samples", anew=False, shift_ah=0.2, start_ah=9.0)
    steps = segment_steps(log, PACK)
    (_, charge_ah, half_width_ah), = charge_flow(log, steps, find_switches(log, steps)).bridged
    by_load = LOAD_A * 600.0 / 3600.0
    assert charge_ah == pytest.approx(by_load - 0.2, abs=2e-4)
    assert half_width_ah == pytest.approx(0.2, abs=5e-4)
    capacity, _, _ = result_of(log)
    assert abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]


def test_counter_reset_within_a_stretch_without_current_readings_is_seen_by_its_own_readings():
    n = np.arange(600)
    time, state = DT * n, np.full(600, -1)
    gap = (n[:-1] >= 200) & (n[:-1] < 400)
    flow = np.where(gap, 0.0, -LOAD_A * DT / 3600.0)
    true = LOAD_A * DT * n / 3600.0
    # Reset at row 150 and, unseen by the current, at row 210: after 400 s it stands higher than before the gap.
    values = true - np.where(n >= 210, true[210], np.where(n >= 150, true[150], 0.0))
    assert values[400] > values[200]
    counter = read_counter("capacity", np.round(values, 4), flow, Course(time, state, gap))
    moved = across_gap(counter, 200, flow, Course(time, state, gap), 400.0, LOAD_A, 400)
    assert moved.value is None and moved.reason == "the counter was reset in the gap"


# --- zero and clock -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("zero_a", [-0.25, 0.25, -0.5])
def test_capacity_zero_error_beyond_every_rest_is_no_lower_bound_and_counts_in_the_budget(zero_a):
    shifted = make_log(WHOLE.time_s, None, WHOLE.current_a + zero_a, WHOLE.group_voltage_v)
    capacity, findings, _ = result_of(shifted)
    assert not capacity["is_lower_bound"] and "zero_in_doubt" in findings
    assert f"{1000 * abs(zero_a):.0f} mA" in findings["zero_in_doubt"]["message"]
    assert abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]


def test_capacity_small_loads_beside_a_true_rest_leave_the_zero_alone():
    # 0.3 A before and after the load; the rests between show where zero is.
    n = {"rest": 400, "small": 200}
    current = np.concatenate((
        np.zeros(n["rest"]), np.full(n["small"], -0.3), np.zeros(n["rest"]), np.full(900, -5.0), np.full(n["small"], -0.3), np.zeros(n["rest"]),
    ))
    taken = np.concatenate(([0.0], np.cumsum(-current[:-1]) * DT / 3600.0))
    groups = np.stack([ocv(taken / c) + 0.02 * current for c in CAPS], axis=1)
    capacity, findings, _ = result_of(make_log(DT * np.arange(current.size), None, current, groups))
    assert "zero_in_doubt" not in findings
    assert capacity["reasons"] == ["discharge_incomplete"] and capacity["is_lower_bound"]


def restarts(count, *codes):
    """The whole test with ``count`` restarts of its clock, of unknown length, under load."""
    gaps = [Gap(float(WHOLE.time_s[k]), DT, "the clock starts again here; how long the pause lasted is not known") for k in LOADED[200 : 200 + 50 * count : 50]]
    log = make_log(WHOLE.time_s, None, WHOLE.current_a, WHOLE.group_voltage_v, gaps=gaps)
    return replace(log, reading=replace(log.reading, warnings=tuple(ReadingWarning(code, "rows out of order") for code in codes)))


@pytest.mark.parametrize(("count", "codes", "doubted"), [(1, (), False), (10, (), True), (1, ("clock_disorder",), True)])
def test_capacity_with_a_clock_that_jitters_is_no_lower_bound(count, codes, doubted):
    capacity, findings, _ = result_of(restarts(count, *codes))
    assert capacity["reasons"] == ["log_gap"]
    assert capacity["is_lower_bound"] is not doubted and ("clock_in_doubt" in findings) is doubted


# --- honest counters ----------------------------------------------------------------------------------------------


def taper(dt, phase_s, tau_s=900.0, start_a=2.0, noise_a=0.0, rng=None):
    """Rows of a taper I = I0 exp(-t / tau) down to I0 / 20, its course and flow (trapezoid), and t."""
    t = np.arange(phase_s, tau_s * np.log(20.0), dt)
    current = start_a * np.exp(-t / tau_s) + (noise_a * rng.standard_normal(t.size) if noise_a else 0.0)
    flow = 0.5 * (current[1:] + current[:-1]) * dt / 3600.0
    return t, Course(t - t[0], np.ones(t.size, int), np.zeros(t.size - 1, bool)), flow


def charge_of(t, tau_s=900.0, start_a=2.0):
    """Closed form of the charge up to t, none before 0. [Ah]"""
    return start_a * tau_s * (1.0 - np.exp(-np.maximum(t, 0.0) / tau_s)) / 3600.0


def test_check_of_honest_counters_beside_a_taper_covers_them_in_19_of_20():
    # Digits, renewal, rounding, a lag of up to 3 s and noise by chance; truth in closed form.
    rng = np.random.default_rng(11)
    within = []
    for _ in range(400):
        dt = float(rng.choice([1, 2, 5, 10, 20, 30]))
        step, every, lag_s = float(rng.choice([1e-4, 1e-3, 1e-2])), int(rng.choice([1, 1, 1, 6])), float(rng.choice([0.0, 0.0, 1.0, 3.0]))
        t, course, flow = taper(dt, float(rng.uniform(0.0, dt)), noise_a=0.0015, rng=rng)
        true = charge_of(t - lag_s)
        true = true[(np.arange(t.size) // every) * every]
        values = (np.round(true / step) if rng.random() < 0.5 else np.floor(true / step + 1e-9)) * step
        counter = read_counter("capacity", values, flow, course)
        found = counter and check_step(counter, 0, 0, t.size - 1, flow, course, 0.0, 0.0015)
        if found:
            within.append(abs(found.by_integral - found.by_counter) <= 2.0 * found.u_difference)
    assert len(within) > 300 and np.mean(within) >= 0.95


def test_check_still_tells_a_counter_five_percent_off_beside_a_taper():
    t, course, flow = taper(10.0, 3.0)
    found = check_step(read_counter("capacity", np.floor(0.95 * charge_of(t) / 1e-3) * 1e-3, flow, course), 0, 0, t.size - 1, flow, course)
    assert found.beyond(0.02)


def test_check_noise_of_the_current_counts_with_the_root_of_the_rows():
    # sigma dt sqrt(n) / 3600: 10 mA, 60 s, 200 intervals.
    t = 60.0 * np.arange(201)
    flow = np.full(200, 2.0 * 60.0 / 3600.0)
    course = Course(t, np.ones(201, int), np.zeros(200, bool))
    counter = read_counter("capacity", np.round(2.0 * t / 3600.0, 4), flow, course)
    plain, noisy = (check_step(counter, 0, 0, 200, flow, course, 0.0, noise).u_difference for noise in (0.0, 0.010))
    assert noisy**2 - plain**2 == pytest.approx((0.010 * 60.0 * 200**0.5 / 3600.0) ** 2, rel=1e-6)


def test_check_of_a_coarse_counter_with_a_reset_ends_at_moves_on_both_sides():
    # 2 A, a digit of 10 mAh every 9 rows, reset 8 rows after a move: what had flowed since that move is in neither figure.
    t = DT * np.arange(1500)
    flow = np.full(1499, 2.0 * DT / 3600.0)
    course = Course(t, np.ones(1500, int), np.zeros(1499, bool))
    total = 2.0 * t / 3600.0
    for reset in (701, 706, 1490):
        values = np.floor((total - np.where(np.arange(1500) >= reset, total[reset], 0.0)) / 0.01 + 1e-9) * 0.01
        found = check_step(read_counter("capacity", values, flow, course), 0, 0, 1499, flow, course)
        assert abs(found.by_integral - found.by_counter) <= 2.0 * found.u_difference < 0.02


# --- loads in turn ------------------------------------------------------------------------------------------------


def ride(levels, dt=5.0, h=0.5, rest_s=600.0, pause_s=0.0, hold_s=30.0):
    """Load levels in turn, ``hold_s`` each and ``pause_s`` between, from full to 9.0 V on a grid of ``h`` seconds; (log, charge taken)."""
    caps, q, t, taken, off = np.array(CAPS), 0.0, 0.0, 0.0, None
    rows = []
    while off is None or t < off + 300.0:
        since = t - rest_s
        turn = hold_s + pause_s
        current = -levels[int(since // turn) % len(levels)] if since >= 0 and since % turn < hold_s and off is None else 0.0
        groups = ocv(q / caps) + 0.02 * current
        if off is None and current and groups.sum() <= 9.0:
            off, current, taken = t, 0.0, q
            groups = ocv(q / caps)
        rows.append((t, current, *groups))
        q -= current * h / 3600.0
        t += h
    kept = np.array(rows)[:: round(dt / h)]
    return make_log(kept[:, 0], None, kept[:, 1], kept[:, 2:]), taken


FULL = Pack(
    series=3, rated_capacity_ah=10.0, charge_voltage_v=12.6, cutoff_voltage_v=9.0, instrument=PACK.instrument,
)


@pytest.mark.parametrize(("levels", "pause_s"), [((8.0, 2.0), 0.0), ((8.5, 2.5), 0.0), ((7.0, 2.0), 0.0), ((6.0, 3.0, 9.0), 0.0), ((8.0, 4.0), 10.0)])
def test_capacity_of_a_load_in_turn_is_the_charge_taken_from_full_to_the_cutoff(levels, pause_s):
    log, taken = ride(levels, pause_s=pause_s)
    capacity, findings, found = result_of(log, FULL)
    assert {step["kind"] for step in found["steps"]} <= {"rest", "pulse_discharge"}
    assert capacity["valid"] and capacity["end_reason"] == "pack_cutoff"
    assert abs(capacity["value_ah"] - taken) <= 2.0 * capacity["u_value_ah"] < 0.03 * taken
    assert "current_unsteady" in findings


def test_load_in_turn_stopped_early_is_a_lower_bound():
    log, _ = ride((8.0, 2.0))
    early = log.time_s < 3000.0
    capacity, _, _ = result_of(make_log(log.time_s[early], None, log.current_a[early], log.group_voltage_v[early]), FULL)
    # 2400 s of 5 A on average.
    assert capacity["value_ah"] == pytest.approx(5.0 * 2400.0 / 3600.0, abs=0.05)
    assert capacity["is_lower_bound"] and capacity["reasons"] == ["discharge_incomplete"]


def test_train_of_single_pulses_is_no_discharge():
    # 10 s of load in every 70 s: pulses for resistance.
    current = np.where((np.arange(700) % 35 < 5) & (np.arange(700) >= 35), -5.0, 0.0)
    log = make_log(DT * np.arange(700), 12.0 + 0.06 * current, current)
    steps = segment_steps(log, FULL)
    assert any(step.kind == "pulse_discharge" for step in steps) and load_runs(log, steps) == ()
    capacity, findings, _ = result_of(log, FULL)
    assert capacity["reasons"] == ["no_discharge"]
    assert "pulses" in findings["discharge_incomplete"]["message"]
