"""Capacity to the pack's cut-off and to the first group's, from one discharge: closed forms and what must not pass for a crossing."""

import math
from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.log import Gap
from cycler.measures.cutoffs import _before_the_board
from cycler.measures.integrate import crossing
from tests.corelogs import PACK_10AH, make_log, ocv, simple_test

PACK = replace(PACK_10AH, group_cutoff_voltage_v=2.8)
CURRENT_A, OHM = 5.0, 0.02


def met_at_ah(level_v, capacity_ah):
    """Charge at which one group of :func:`corelogs.simple_test` meets a level under load, by bisection of its closed form. [Ah]"""
    low, high = 0.0, 1.2 * capacity_ah
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ocv(middle / capacity_ah) - CURRENT_A * OHM > level_v else (low, middle)
    return low


def sum_met_at_ah(level_v, capacities_ah):
    low, high = 0.0, 12.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if sum(ocv(middle / c) - CURRENT_A * OHM for c in capacities_ah) > level_v else (low, middle)
    return low


CAPS = (10.0, 10.2, 9.9)


def test_both_cutoffs_of_one_discharge_are_those_of_the_closed_form():
    # The log runs to 2.7 V a group on average: pack cut-off 9.0 V and the lowest group's 2.8 V are both passed on the way. Second method: bisection of the
    # closed-form voltage. Rows 2 s apart carry 2.8 mAh: interpolation errs by less than a tenth of that; the load came on within 2 s (u = 0.8 mAh).
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    capacity = analyze(log, PACK).to_dict()["capacity"]
    pack, group = capacity["to_pack_cutoff"], capacity["to_first_group_cutoff"]
    assert pack["reached"] and group["reached"] and group["group"] == 3 and pack["group"] is None
    assert pack["value_ah"] == pytest.approx(sum_met_at_ah(9.0, CAPS), abs=0.0018)
    assert group["value_ah"] == pytest.approx(met_at_ah(2.8, 9.9), abs=0.0018)
    assert group["value_ah"] != pytest.approx(pack["value_ah"], rel=1e-3)
    assert pack["value_ah"] == capacity["value_ah"] and pack["u_value_ah"] == capacity["u_value_ah"]
    assert pack["energy_wh"] == capacity["energy_wh"] and pack["at_s"] == capacity["at_s"]["end_s"]
    # Between the two crossings 5 A flowed at the mean of the pack voltages there.
    between_ah = pack["value_ah"] - group["value_ah"]
    assert (pack["at_s"] - group["at_s"]) * CURRENT_A / 3600.0 == pytest.approx(between_ah, rel=1e-6)
    rows = (log.time_s >= min(pack["at_s"], group["at_s"])) & (log.time_s <= max(pack["at_s"], group["at_s"]))
    assert pack["energy_wh"] - group["energy_wh"] == pytest.approx(between_ah * np.mean(log.voltage_v[rows]), rel=0.02)


def test_uncertainty_to_the_group_cutoff_takes_the_groups_own_channel_and_slope():
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    group = analyze(log, PACK).to_dict()["capacity"]["to_first_group_cutoff"]
    lines = {line["source"]: line["standard_uncertainty_ah"] for line in group["budget"]}
    q = met_at_ah(2.8, 9.9)
    # Closed form: 0.001 x 2.8 V and 2 mV, each rectangular, over dV/dQ of the group; taken over the last 1 % of the load, where the knee bends by a sixth.
    slope = (ocv((q - 0.01) / 9.9) - ocv(q / 9.9)) / 0.01
    assert lines["cut-off voltage"] == pytest.approx(math.hypot(0.001 * 2.8, 0.002) / math.sqrt(3.0) / slope, rel=0.2)
    assert lines["current gain"] == pytest.approx(0.002 * group["value_ah"] / math.sqrt(3.0), rel=1e-9)
    # 5 mA of zero error over the time under load, to the crossing: q / 5 A.
    assert lines["current offset"] == pytest.approx(0.005 * q / 5.0 / math.sqrt(3.0), rel=2e-3)
    assert group["u_value_ah"] == pytest.approx(math.hypot(*lines.values()), rel=1e-9)


def test_stray_reading_below_the_cutoff_is_no_crossing():
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    loaded = np.flatnonzero(log.current_a < 0)
    volts, groups = log.voltage_v.copy(), log.group_voltage_v.copy()
    volts[loaded[loaded.size // 2]] = 0.0
    groups[loaded[loaded.size // 3], 1] = 0.0
    clean = analyze(log, PACK).to_dict()["capacity"]
    stray = analyze(make_log(log.time_s, volts, log.current_a, groups, log.temperature_c), PACK).to_dict()["capacity"]
    for key in ("to_pack_cutoff", "to_first_group_cutoff"):
        assert stray[key]["value_ah"] == pytest.approx(clean[key]["value_ah"], rel=1e-9), key
    assert stray["value_ah"] == pytest.approx(clean["value_ah"], rel=1e-9)


def test_crossing_that_stays_is_told_from_one_that_comes_back():
    x, y = np.arange(8.0), np.array([4.0, 3.5, 2.9, 3.3, 3.1, 2.8, 2.7, 2.6])
    assert crossing(x, y, 3.0)[0] == 2
    # Straight line from 3.1 to 2.8 V meets 3.0 V a third of the way; the cubic through the falling rows lies within a tenth of a row of it.
    k, at = crossing(x, y, 3.0, stays=3)
    assert k == 5 and at == pytest.approx(4.0 + 1.0 / 3.0, abs=0.1)
    assert crossing(x[:7], y[:7], 2.75, stays=3)[0] == 6  # fewer are left at the end
    assert crossing(x[:5], y[:5], 3.0, stays=3) is None


def test_heavier_pulse_that_dips_below_the_cutoff_is_passed_over():
    # A pulse of 60 A for 10 s before the load takes every group below 2.8 V for its time: 60 A x 20 mOhm = 1.2 V.
    log, _ = simple_test(CAPS)
    plain = analyze(log, PACK).to_dict()["capacity"]
    rest = np.flatnonzero((log.current_a == 0) & (log.time_s < log.time_s[np.argmax(log.current_a < 0)]))
    k = rest[-60]
    current, groups = log.current_a.copy(), log.group_voltage_v.copy()
    current[k : k + 5] = -60.0
    groups[k : k + 5] -= 1.4
    with_pulse = analyze(make_log(log.time_s, None, current, groups, log.temperature_c), PACK).to_dict()["capacity"]
    assert with_pulse["steps"] != plain["steps"]
    pulse_ah = 60.0 * 10.0 / 3600.0
    for key in ("to_pack_cutoff", "to_first_group_cutoff"):
        assert with_pulse[key]["reached"] == plain[key]["reached"], key
    assert with_pulse["to_pack_cutoff"]["at_s"] == pytest.approx(plain["to_pack_cutoff"]["at_s"], abs=1e-6)
    assert with_pulse["to_pack_cutoff"]["value_ah"] == pytest.approx(plain["to_pack_cutoff"]["value_ah"] + pulse_ah, abs=0.002)


def test_terminals_that_fall_away_as_the_board_opens_are_no_pack_cutoff():
    # Group 3 is a third smaller; the board opens at 2.5 V, its pack still above 9 V, and the last loaded row already shows the terminals fallen to 3 V.
    log, _ = simple_test((10.0, 10.2, 6.6), group_cutoff_v=2.5)
    last = np.flatnonzero(log.current_a < 0)[-1]
    volts = log.voltage_v.copy()
    volts[last] = 3.0
    volts[last + 1 :] = 0.3
    pack = replace(PACK, chemistry="nmc")
    capacity = analyze(make_log(log.time_s, volts, log.current_a, log.group_voltage_v, log.temperature_c), pack).to_dict()["capacity"]
    assert capacity["end_reason"] == "protection_trip"
    assert capacity["to_pack_cutoff"] == {
        "value_ah": None, "u_value_ah": None, "energy_wh": None, "u_energy_wh": None, "at_s": None, "group": None, "reached": False,
        "reasons": ["protection_trip"], "budget": [],
    }
    group = capacity["to_first_group_cutoff"]
    assert group["reached"] and group["group"] == 3 and group["reasons"] == []
    assert group["value_ah"] == pytest.approx(met_at_ah(2.8, 6.6), abs=0.0018)


def test_discharge_stopped_early_reaches_neither():
    log, _ = simple_test(CAPS, cutoff_v=3.4)
    capacity = analyze(log, PACK).to_dict()["capacity"]
    for key in ("to_pack_cutoff", "to_first_group_cutoff"):
        assert not capacity[key]["reached"] and capacity[key]["value_ah"] is None
        assert capacity[key]["reasons"] == ["cutoff_not_reached"]


def test_what_is_not_known_is_named():
    log, _ = simple_test(CAPS, taper=False)
    blind = analyze(make_log(log.time_s, log.voltage_v, log.current_a, None, log.temperature_c), replace(PACK, cutoff_voltage_v=None)).to_dict()
    assert blind["capacity"]["to_pack_cutoff"]["reasons"][0] == "pack_cutoff_unknown"
    assert blind["capacity"]["to_first_group_cutoff"]["reasons"][0] == "no_group_voltages"
    inferred = analyze(log, replace(PACK, group_cutoff_voltage_v=None)).to_dict()["capacity"]["to_first_group_cutoff"]
    assert "group_cutoff_inferred" in inferred["reasons"]
    # Not charged in the log, and rested below full: the figure stands, with the doubt.
    doubtful = analyze(log, replace(PACK, charge_voltage_v=13.2)).to_dict()["capacity"]
    assert doubtful["to_pack_cutoff"]["reached"] and set(doubtful["to_pack_cutoff"]["reasons"]) & {"charge_incomplete", "start_unknown"}
    idle = make_log(log.time_s[:200], None, 0.0 * log.current_a[:200], log.group_voltage_v[:200])
    assert analyze(idle, PACK).to_dict()["capacity"]["to_pack_cutoff"]["reasons"] == ["no_discharge"]


def test_group_without_readings_leaves_the_first_group_open():
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    groups = log.group_voltage_v.copy()
    groups[:, 2] = 0.0
    group = analyze(make_log(log.time_s, log.voltage_v, log.current_a, groups, log.temperature_c), PACK).to_dict()["capacity"]["to_first_group_cutoff"]
    assert group["reached"] and group["group"] == 1 and "group_without_readings" in group["reasons"]


def test_energy_to_the_group_cutoff_is_unknown_where_the_voltage_under_load_is():
    # No voltage until 1600 rows into the load: its charge is known, what energy it carried nobody can say. The pack's own figure says so too.
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    blind = np.arange(log.rows) < np.flatnonzero(log.current_a < 0)[1600]
    volts, groups = np.where(blind, np.nan, log.voltage_v), np.where(blind[:, None], np.nan, log.group_voltage_v)
    capacity = analyze(make_log(log.time_s, volts, log.current_a, groups, log.temperature_c), PACK).to_dict()["capacity"]
    group = capacity["to_first_group_cutoff"]
    assert group["value_ah"] == pytest.approx(met_at_ah(2.8, 9.9), abs=0.0018)
    assert group["energy_wh"] is None and capacity["energy_wh"] is None


@pytest.mark.parametrize("after_the_group", [False, True])
def test_gap_counts_against_a_cutoff_only_if_it_lies_before_it(after_the_group):
    # Second group's cut-off 3.2 V is met long before the pack's 9 V; the gap of 800 s lies before both or between them, and no counter bridges it.
    log, _ = simple_test(CAPS, cutoff_v=2.7)
    load = np.flatnonzero(log.current_a < 0)
    met_row = int(np.searchsorted(log.time_s, log.time_s[load[0]] + 3600.0 * met_at_ah(3.2, 9.9) / CURRENT_A))
    first = met_row + 30 if after_the_group else load[1000]
    keep = np.ones(log.rows, bool)
    keep[first : first + (60 if after_the_group else 400)] = False
    before, after = first - 1, first + np.count_nonzero(~keep)
    gap = Gap(float(log.time_s[before]), float(log.time_s[after] - log.time_s[before]))
    holed = make_log(log.time_s[keep], log.voltage_v[keep], log.current_a[keep], log.group_voltage_v[keep], log.temperature_c[keep], [gap])
    capacity = analyze(holed, replace(PACK, group_cutoff_voltage_v=3.2)).to_dict()["capacity"]
    pack, group = capacity["to_pack_cutoff"], capacity["to_first_group_cutoff"]
    assert pack["reached"] and pack["reasons"] == ["log_gap"] and pack["value_ah"] is None
    if after_the_group:
        assert group["reasons"] == [] and group["value_ah"] == pytest.approx(met_at_ah(3.2, 9.9), abs=0.0018)
    else:
        assert group["reached"] and group["reasons"] == ["log_gap"] and group["value_ah"] is None


def test_row_caught_in_the_switch_is_no_voltage_under_load():
    # Stopped far above the cut-off by pulling the plug: the last row averages load and nothing, 30 % of the current at 5 V.
    log, _ = simple_test(CAPS, cutoff_v=3.4)
    last = np.flatnonzero(log.current_a < 0)[-1]
    volts, current = log.voltage_v.copy(), log.current_a.copy()
    volts[last], current[last] = 5.0, -0.3 * CURRENT_A
    capacity = analyze(make_log(log.time_s, volts, current, log.group_voltage_v, log.temperature_c), PACK).to_dict()["capacity"]
    assert not capacity["to_pack_cutoff"]["reached"] and capacity["to_pack_cutoff"]["reasons"] == ["cutoff_not_reached"]


def test_board_caught_half_way_is_told_from_a_knee():
    # Group 3 gives out; the pack falls by 10 mV a row to 9.47 V. The last row, read while the board opened, stands 0.15 V lower: fifteen falls at once.
    log, _ = simple_test((10.0, 10.2, 6.6), group_cutoff_v=2.5)
    last = np.flatnonzero(log.current_a < 0)[-1]
    volts = log.voltage_v.copy()
    assert volts[last - 1] - volts[last] == pytest.approx(0.010, rel=0.01)
    volts[last] -= 0.15
    volts[last + 1 :] = 0.3
    pack = replace(PACK, chemistry="nmc", cutoff_voltage_v=9.4)
    capacity = analyze(make_log(log.time_s, volts, log.current_a, log.group_voltage_v, log.temperature_c), pack).to_dict()["capacity"]
    assert capacity["end_reason"] == "protection_trip" and not capacity["to_pack_cutoff"]["reached"]
    # A knee read once a minute down to 2.4 V: its exponential part grows by exp(5.5 x 60 s x 5 A/3600 s/0.3 Ah) = 4.6 from the median of the last twelve falls
    # to the last.
    knee = ocv(np.arange(0.0, 10.6, 5.0 / 60.0) / 10.0)
    assert np.array_equal(_before_the_board(np.arange(knee.size), knee), np.arange(knee.size))
