"""Readings missing from rows that are there: what a straight line may bridge, what is a gap, and what both leave open."""

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.log import Gap
from cycler.measures.capacity import _readings_around
from cycler.measures.integrate import missing_readings, missing_runs
from cycler.signals import unread_stretches, usual_interval
from tests.corelogs import PACK_10AH as PACK
from tests.corelogs import make_log, ocv, simple_test

CAPS = (10.0, 10.1, 9.9)
DT, LOAD_A = 2.0, 5.0
WHOLE, TRUE_AH = simple_test(CAPS)
LOADED = np.flatnonzero(WHOLE.current_a < -1)


def without(log, current=(), voltage=(), counters=None):
    """The log with the readings of those rows missing; only pack voltage and current are kept."""
    i, v = log.current_a.copy(), log.voltage_v.copy()
    i[list(current)] = np.nan
    v[list(voltage)] = np.nan
    return make_log(log.time_s, v, i, counters=counters or {}, gaps=log.reading.gaps)


def paused(pause_s):
    """The whole test with a pause of the load 3000 s after it came on; the charge delivered is the same."""
    at, rows = int(LOADED[1500]), round(pause_s / DT)
    still = WHOLE.group_voltage_v[at] + LOAD_A * 0.02
    groups = np.concatenate((WHOLE.group_voltage_v[:at], np.tile(still, (rows, 1)), WHOLE.group_voltage_v[at:]))
    current = np.concatenate((WHOLE.current_a[:at], np.zeros(rows), WHOLE.current_a[at:]))
    return make_log(DT * np.arange(current.size), groups.sum(axis=1), current), at, rows


def result_of(log, pack=PACK):
    found = analyze(log, pack).to_dict()
    return found["capacity"], {f["code"]: f for f in found["findings"]}


def line_of(capacity, source):
    return next(line["standard_uncertainty_ah"] for line in capacity["budget"] if line["source"] == source)


def test_current_missing_over_a_pause_of_the_load_is_a_gap_and_no_charge():
    log, at, rows = paused(2000.0)
    capacity, findings = result_of(without(log, range(at + 50, at + rows + 50)))
    assert not capacity["valid"] and "log_gap" in capacity["reasons"]
    # What is left out is 100 s of load; a line from load to load would have added 2000 s of it, 2.8 Ah.
    assert capacity["value_ah"] <= TRUE_AH
    assert capacity["value_ah"] == pytest.approx(TRUE_AH - LOAD_A * 100.0 / 3600.0, abs=0.02)
    assert findings["current_missing"]["severity"] == "caution" and f"{rows} rows" in findings["current_missing"]["message"]


def test_current_missing_from_before_the_load_came_on_is_a_gap_of_the_discharge():
    capacity, findings = result_of(without(WHOLE, range(LOADED[0] - 2, LOADED[1500])))
    assert not capacity["valid"] and capacity["reasons"] == ["log_gap"] and not capacity["is_lower_bound"]
    assert "current_missing" in findings


def test_current_missing_from_charge_to_load_may_hide_the_start_of_the_load():
    charged = int(np.flatnonzero(WHOLE.current_a > 0)[-1])
    capacity, _ = result_of(without(WHOLE, range(charged + 1, LOADED[1500])))
    assert not capacity["valid"] and "log_gap" in capacity["reasons"]


def test_long_run_of_missing_current_is_bridged_by_the_instruments_counter():
    flow = 0.5 * np.abs(WHOLE.current_a[1:] + WHOLE.current_a[:-1]) * np.diff(WHOLE.time_s) / 3600.0
    counter = np.floor(np.concatenate(([0.0], np.cumsum(flow))) * 1000.0) / 1000.0
    capacity, findings = result_of(without(WHOLE, range(LOADED[500], LOADED[1500]), counters={"capacity": counter}))
    assert capacity["valid"]
    assert abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]
    assert "counter" in findings["log_gap"]["message"]


def test_short_run_of_missing_current_is_bridged_and_counts_into_the_budget():
    capacity, findings = result_of(without(WHOLE, range(LOADED[1000], LOADED[1005])))
    assert capacity["valid"] and abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]
    # Six intervals of 2 s at a steady 5 A: 2 % of them as a half-width.
    assert line_of(capacity, "missing current") == pytest.approx(0.02 * LOAD_A * 12.0 / 3600.0 / 3**0.5)
    assert findings["current_missing"]["severity"] == "info"
    assert "5 rows" in findings["current_missing"]["message"] and "12 s bridged" in findings["current_missing"]["message"]


def test_missing_current_at_the_switch_leaves_its_instant_open():
    # Four readings are missing; the load came on anywhere in the 10 s between the last zero and the first 5 A: half-width 5 A x 10 s / 2.
    capacity, _ = result_of(without(WHOLE, range(LOADED[0] - 2, LOADED[2])))
    assert capacity["valid"]
    assert line_of(capacity, "missing current") == pytest.approx(0.5 * LOAD_A * 10.0 / 3600.0 / 3**0.5)
    assert abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]


def test_current_written_in_every_fifth_row_only_misses_nothing():
    capacity, findings = result_of(without(WHOLE, np.flatnonzero(np.arange(WHOLE.rows) % 5)))
    assert capacity["valid"] and abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]
    assert "current_missing" not in findings and "log_gap" not in findings


def test_runs_of_missing_current_in_a_charge_leave_no_efficiency():
    from cycler.measures.capacity import charge_flow, find_charges, find_switches
    from cycler.steps import segment_steps

    charging = np.flatnonzero(WHOLE.current_a > 0)
    log = without(WHOLE, range(charging[10], charging[60]))
    steps = segment_steps(log, PACK)
    (charge,) = find_charges(log, steps, charge_flow(log, steps, find_switches(log, steps)))
    assert (charge.charge_ah, charge.energy_wh) == (0.0, 0.0)


@pytest.mark.parametrize(("rows", "is_gap"), [(10, False), (14, False), (15, True), (400, True)])
def test_unread_stretch_must_be_longer_than_30_s_and_five_times_the_sampling(rows, is_gap):
    # k missing rows at 2 s are a stretch of 2 (k + 1) s.
    found = unread_stretches(without(WHOLE, range(LOADED[100], LOADED[100] + rows)))
    assert bool(found) == is_gap
    if found:
        assert (found[0].before, found[0].after, found[0].seen) == (LOADED[99], LOADED[100] + rows, True)
        assert found[0].length_s == pytest.approx(2.0 * (rows + 1))


@pytest.mark.parametrize("known", ["1111", "0110", "1001", "0000", "10", "0", "1"])
def test_readings_around_each_row_are_the_last_before_and_the_first_from_it_on(known):
    there = [k for k, mark in enumerate(known) if mark == "1"]
    before, after = _readings_around(np.array([mark == "1" for mark in known]))
    assert before.tolist() == [max((k for k in there if k <= row), default=-1) for row in range(len(known))]
    assert after.tolist() == [min((k for k in there if k >= row), default=len(known)) for row in range(len(known))]


def test_unread_stretch_over_a_joint_has_no_length():
    log = make_log(
        [0, 10, 20, 30, 40, 50], [12.0] * 6, [-1.0, -1.0, np.nan, -1.0, -1.0, -1.0],
        gaps=[Gap(10.0, 10.0, "joint between two files; how long the pause lasted is not known"), Gap(30.0, 10.0, "joint between two files")],
    )
    first, second = unread_stretches(log)
    assert (first.before, first.after, first.length_s) == (1, 3, None)
    assert (second.before, second.after, second.length_s) == (3, 4, 10.0)


def test_usual_interval_is_the_larger_median_on_the_two_sides():
    time = np.cumsum([0, 1, 1, 1, 1, 1, 100, 10, 10, 10, 10, 10]).astype(float)
    assert usual_interval(time, np.array([5])) == pytest.approx([10.0])
    assert usual_interval(time[:2], np.array([0])) == np.inf
    # The interval itself is none of those beside it, however few these are.
    assert usual_interval(np.array([0.0, 1.0, 101.0, 104.0]), np.array([1, 0, 2])).tolist() == [3.0, 51.5, 50.5]


def test_missing_runs_leave_out_the_ends_of_a_column():
    values = np.array([np.nan, 1, 1, 1, np.nan, np.nan, 1, 1, 1, np.nan])
    before, after = missing_runs(np.arange(10.0), values)
    assert (before.tolist(), after.tolist()) == ([3], [6])
    assert missing_readings(np.arange(10.0), np.ones(10)) is None


# --- voltage ------------------------------------------------------------------------------------------------------


def test_voltage_missing_at_the_cutoff_leaves_the_end_open():
    seen, _ = result_of(WHOLE)
    capacity, _ = result_of(without(WHOLE, voltage=range(LOADED[-1] - 100, LOADED[-1])))
    # 101 intervals of 2 s, in any of which the cut-off was met: 5 A x 202 s / sqrt(12).
    assert capacity["end_reason"] == "pack_cutoff"
    assert capacity["u_value_ah"] >= LOAD_A * 202.0 / 12**0.5 / 3600.0 > 2.0 * seen["u_value_ah"]
    assert abs(capacity["value_ah"] - TRUE_AH) <= 2.0 * capacity["u_value_ah"]


def test_voltage_lost_before_the_load_ended_ends_what_is_counted():
    # For the last 1000 s nothing shows whether the pack was below its cut-off: 5 A x 1000 s = 1.39 Ah do not count.
    capacity, findings = result_of(without(WHOLE, voltage=range(LOADED[-500], WHOLE.rows)))
    assert not capacity["valid"]
    assert capacity["value_ah"] == pytest.approx(TRUE_AH - LOAD_A * 1000.0 / 3600.0, abs=0.01)
    assert "voltage_missing" in findings


def test_energy_over_missing_voltage_covers_the_closed_form():
    # W = integral of (sum of ocv(q / c) - 3 I R) dq over the charge delivered, on a fine grid.
    q = np.linspace(0.0, TRUE_AH, 200_001)
    volts = sum(ocv(q / c) - LOAD_A * 0.02 for c in CAPS)
    truth = float(np.sum(0.5 * (volts[1:] + volts[:-1]) * np.diff(q)))
    rows = range(LOADED[-900], LOADED[-10])
    capacity, _ = result_of(without(WHOLE, voltage=rows))
    seen, _ = result_of(make_log(WHOLE.time_s, WHOLE.voltage_v, WHOLE.current_a))
    assert abs(capacity["energy_wh"] - truth) <= 2.0 * capacity["u_energy_wh"]
    assert abs(capacity["energy_wh"] - truth) > 2.0 * seen["u_energy_wh"]


def test_energy_without_voltage_at_the_start_of_the_load_is_not_known():
    log = make_log(WHOLE.time_s[LOADED[0] :], WHOLE.voltage_v[LOADED[0] :], WHOLE.current_a[LOADED[0] :])
    capacity, _ = result_of(without(log, voltage=range(200)))
    assert capacity["value_ah"] is not None and capacity["energy_wh"] is None and capacity["u_energy_wh"] is None
