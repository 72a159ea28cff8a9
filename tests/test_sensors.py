"""Bad group channels are named and left out; weak, leaking and resistive groups are never taken for them (`sensor_cases.py` holds the truth)."""

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler import sensors
from cycler.analysis import analyze
from cycler.pack import Pack
from cycler.readers import read_log, read_log_bytes
from cycler.sensors import screen
from tests.corelogs import PACK_10AH, make_log, simple_test
from tests.end_cases import ENDS, end_case
from tests.sensor_cases import KINDS, bad_channel, sound

CASES = int(os.environ.get("SENSOR_CASES", "24"))
SAMPLES = sorted((Path(__file__).resolve().parent.parent / "sample_logs").glob("*.csv"))
OPEN = sorted(Path(os.environ["OPEN_LOGS"]).glob("*.csv")) if os.environ.get("OPEN_LOGS") else []


def told(log):
    found = screen(log)
    return {(finding.code, finding.group) for finding in (*found.lost.values(), *found.partly)}


@pytest.mark.parametrize("kind", KINDS)
def test_screen_of_bad_channel_names_it_and_no_other(kind):
    cases = [bad_channel(seed, kind) for seed in range(CASES)]
    wrong = [
        f"{case.name}: {found}, due {case.code} {case.groups}" for case in cases
        if (found := told(case.log)) != {(case.code, group) for group in case.groups if case.code}
    ]
    assert not wrong, "\n".join(wrong)


def test_screen_of_weak_leaking_and_resistive_groups_says_nothing():
    assert [case.name for case in map(sound, range(3 * CASES)) if told(case.log)] == []


def test_screen_of_groups_that_boards_and_benches_ran_down_says_nothing():
    cases = [end_case(seed) for seed in range(3 * len(ENDS))]
    assert [case.name for case in cases if told(case.log)] == []


@pytest.mark.parametrize("path", [*SAMPLES, *OPEN], ids=lambda path: path.name)
def test_screen_of_sample_and_published_log_says_nothing(path):
    assert told(read_log(path)) == set()


def pack_of(log, **ratings):
    n = log.series
    return Pack(
        series=n, chemistry="nmc", rated_capacity_ah=10.0, charge_voltage_v=4.2 * n, cutoff_voltage_v=2.5 * n, group_cutoff_voltage_v=2.9,
        taper_current_a=0.25, instrument=PACK_10AH.instrument, **ratings,
    )


def five(change=None, voltage=True):
    """Five like groups, rested, charged, discharged; ``change`` spoils the group voltages (and the pack's) in place."""
    log, _ = simple_test((10.0, 10.1, 9.9, 10.05, 9.95), noise_v=0.0004, cutoff_v=2.5, group_cutoff_v=2.9)
    groups, volts = np.array(log.group_voltage_v), np.array(log.voltage_v)
    if change is not None:
        change(groups, volts)
    return make_log(log.time_s, volts if voltage else np.full(log.rows, np.nan), log.current_a, groups, log.temperature_c)


def loaded_rows():
    return np.flatnonzero(five().current_a < -1)


def test_analyze_channel_frozen_under_load_leaves_its_figures_unknown_and_the_others_as_they_were():
    first = int(loaded_rows()[0]) + 60

    def freeze(groups, volts):
        groups[first:, 1] = groups[first, 1]

    whole, found = (analyze(log, pack_of(log)).to_dict() for log in (five(), five(freeze)))
    json.dumps(found, allow_nan=False)
    frozen = next(f for f in found["findings"] if f["code"] == "group_reading_frozen")
    assert frozen["group"] == 2 and f"{five().time_s[first]:.0f} s" in frozen["evidence"]
    assert "insulated" in frozen["message"] and "Swap the tap plug" in frozen["message"]
    row = found["groups"][1]
    assert "group_reading_frozen" in row["findings"]
    assert row["end_voltage_v"] is None and row["capacity_ah"] is None and row["capacity_ratio"] is None
    # More than half of its rows are frozen, so what came before is not used either.
    assert row["rest_voltage_v"] is None
    for k in (0, 2, 3, 4):
        assert found["groups"][k]["end_voltage_v"] == pytest.approx(whole["groups"][k]["end_voltage_v"], abs=1e-9)
        assert found["groups"][k]["capacity_ah"] == pytest.approx(whole["groups"][k]["capacity_ah"], rel=2e-3)
        # The median of three siblings instead of four: they differ by less than a millivolt and the noise.
        assert found["groups"][k]["resistance_10s_ohm"] == pytest.approx(whole["groups"][k]["resistance_10s_ohm"], rel=1e-6)
    assert found["verdict"]["result"] != "pass"


def test_analyze_channel_bad_for_a_short_time_loses_that_stretch_only():
    first = int(loaded_rows()[500])

    def drop(groups, volts):
        groups[first : first + 40, 1] = 0.0

    found = analyze(five(drop), pack_of(five())).to_dict()
    row = found["groups"][1]
    assert row["findings"] == ["group_reading_dead"]
    assert row["min_voltage_v"] > 2.4 and row["capacity_ah"] is not None and row["rest_voltage_v"] is not None
    assert not {f["code"] for f in found["findings"]} & {"group_undervoltage", "group_reversed", "weak_group"}


def reverse(groups, volts):
    tail = loaded_rows()[-40:]
    fall = np.linspace(0.0, 1.0, tail.size) ** 2 * (groups[tail[0], 3] + 0.6)
    groups[tail, 3] -= fall
    volts[tail] -= fall


@pytest.mark.parametrize("voltage", [True, False])
def test_analyze_group_driven_below_zero_is_danger_and_no_sensor(voltage):
    log = five(reverse, voltage)
    found = analyze(log, pack_of(log)).to_dict()
    reversed_ = [f for f in found["findings"] if f["code"] == "group_reversed"]
    assert [(f["group"], f["severity"]) for f in reversed_] == [(4, "danger")]
    assert "group_reversed" in found["verdict"]["vetoes"] and found["verdict"]["result"] == "fail"
    # One order about one danger: what says less of the same group is left out, and it leads.
    assert "group_undervoltage" not in {f["code"] for f in found["findings"] if f["group"] == reversed_[0]["group"]}
    assert found["verdict"]["vetoes"][0] == "group_reversed"
    assert not [f for f in found["findings"] if f["code"].startswith("group_reading")]
    assert found["limiting_group"] == 4
    # No sibling is measured by it: their sag at the end stays that of the sound groups.
    assert all(abs(row["sag_end_v"]) < 0.2 for row in found["groups"] if row["group"] != 4)


def test_analyze_reversed_group_of_three_is_no_sibling_to_be_measured_by():
    # The median of two siblings is their mean: with -0.6 V in it, a sound group would stand 1.8 V above.
    log = five(reverse)
    keep = [0, 1, 3]
    three = make_log(log.time_s, log.group_voltage_v[:, keep].sum(axis=1), log.current_a, log.group_voltage_v[:, keep], log.temperature_c)
    rows = analyze(three, replace(pack_of(three), cutoff_voltage_v=4.5, group_cutoff_voltage_v=None)).to_dict()["groups"]
    assert rows[2]["end_voltage_v"] < 0 and rows[2]["sag_end_v"] > 3.0
    assert all(abs(row["sag_end_v"]) < 0.3 for row in rows[:2])


def test_screen_negative_reading_without_the_packs_fall_is_the_channel():
    def leap(groups, volts):
        groups[loaded_rows()[-40] :, 3] = -0.4

    assert told(five(leap)) == {("group_reading_impossible", 4)}


def test_analyze_only_groups_logged_and_one_lost_gives_no_pack_figure_from_the_rest():
    # Four of five groups stand at 14.5 V when the five end at their cut-off, which is the pack's 2.9 V * 5.
    def freeze(groups, volts):
        groups[:, 2] = groups[0, 2]

    log = five(freeze, voltage=False)
    capacity = analyze(log, pack_of(log)).to_dict()["capacity"]
    assert capacity["end_reason"] != "pack_cutoff" and not capacity["valid"] and capacity["energy_wh"] is None


def test_analyze_only_groups_logged_with_a_loose_tap_keeps_their_sum():
    def loosen(groups, volts):
        both = groups[:, 0] + groups[:, 1]
        groups[:, 0], groups[:, 1] = 0.1 * both, 0.9 * both

    whole, loose = (analyze(log, pack_of(log)).to_dict() for log in (five(None, False), five(loosen, False)))
    assert loose["capacity"]["value_ah"] == pytest.approx(whole["capacity"]["value_ah"], rel=1e-6)
    assert {f["group"] for f in loose["findings"] if f["code"] == "tap_missing"} == {1, 2}
    assert loose["groups"][0]["capacity_ah"] is None and loose["groups"][1]["end_voltage_v"] is None


def test_screen_cell_that_comes_off_its_weld_under_load_is_no_channel():
    # One of four cells gone: resistance of the group rises by a third, 33 mV at 5 A and 20 mOhm; here 0.1 V. The pack falls with it.
    def weld(groups, volts):
        rows = loaded_rows()[300:]
        groups[rows, 1] -= 0.1
        volts[rows] -= 0.1

    assert told(five(weld)) == set()
    assert told(five(weld, voltage=False)) == set()


def test_screen_channels_read_in_turn_hold_their_readings_and_are_not_frozen():
    log, _ = simple_test((10.0, 10.1, 9.9, 10.05, 9.95), noise_v=0.0004)
    groups = np.array(log.group_voltage_v)
    for g in range(5):
        # Each read once in 60 rows, one after the other.
        held = np.maximum.accumulate(np.where(np.arange(log.rows) % 60 == 12 * g, np.arange(log.rows), 0))
        groups[:, g] = groups[held, g]
    assert told(make_log(log.time_s, None, log.current_a, groups)) == set()


def test_screen_single_stray_row_is_left_out_and_is_no_caution():
    def spike(groups, volts):
        groups[900, 2] = 0.0

    found = screen(five(spike))
    assert [(f.code, f.severity, f.group) for f in found.partly] == [("group_reading_dead", "info", 3)]
    assert np.isnan(found.log.group_voltage_v[900, 2])
    assert np.count_nonzero(np.isnan(found.log.group_voltage_v)) == 1


def test_screen_channel_silent_for_a_tenth_of_the_rows_is_told():
    def silence(groups, volts):
        groups[500 : 500 + groups.shape[0] // 10, 4] = np.nan

    assert told(five(silence)) == {("group_readings_missing", 5)}


def test_read_log_of_a_loose_tap_keeps_both_groups_for_their_finding():
    rng = np.random.default_rng(1)
    time = np.arange(900)
    current = np.where((time > 100) & (time < 800), -5.0, 0.0)
    groups = 4.1 - 0.0008 * np.cumsum(current < 0)[:, None] + 0.02 * current[:, None] + 0.01 * rng.standard_normal(6) + 0.001 * rng.standard_normal((900, 6))
    total = groups.sum(axis=1)
    groups[:, 3], groups[:, 2] = groups[:, 2] + groups[:, 3], 0.0
    head = "Time (s),Voltage (V),Current (A)," + ",".join(f"Group {k} (V)" for k in range(1, 7))
    rows = [",".join(f"{x:.3f}" for x in (t, v, i, *g)) for t, v, i, g in zip(time, total, current, groups, strict=True)]
    log = read_log_bytes("\n".join([head, *rows]).encode(), "loose.csv")
    assert log.series == 6 and told(log) == {("tap_missing", 3), ("tap_missing", 4)}


def hostile_groups(seed):
    """Groups, pack voltage and current of an invented log in which a few stretches of channels are silent, held, out of range, moved, exchanged or torn at a tap."""
    random = np.random.default_rng((seed, 5))
    rows, series = int(random.choice([61, 150, 333])), int(random.integers(3, 9))
    current = np.repeat(random.choice([0.0, -2.0, 2.0], rows // 37 + 1), 37)[:rows] + random.normal(0.0, 0.002, rows)
    groups = 3.7 + random.choice([0.0, 0.05]) * random.normal(size=series) + 1e-3 * np.cumsum(current)[:, None] * (1.0 + 0.02 * random.normal(size=series)) + 0.02 * current[:, None]
    groups = np.round(groups + random.normal(0.0, 1e-3, groups.shape), 3)
    pack = np.round(groups.sum(axis=1), 3)
    for _ in range(int(random.integers(1, 5))):
        what, first, g = int(random.integers(8)), int(random.integers(rows)), int(random.integers(series - 1))
        part = slice(first, min(rows, first + int(random.choice([1, 8, 16, 17, 40, 200]))))
        if what == 0:
            groups[part, g] = np.nan
        elif what == 1:
            groups[part, g] = random.choice([0.0, 9.0, -1.0, 5.2, 0.29])
        elif what == 2:
            groups[first:, g] += random.choice([0.05, 0.12, -0.3])
        elif what == 3:
            groups[first:, [g, g + 1]] = groups[first:, [g + 1, g]]
        elif what == 4:
            both, share = groups[part, g] + groups[part, g + 1], random.uniform(0.02, 0.4)
            groups[part, g], groups[part, g + 1] = share * both, (1.0 - share) * both
        elif what == 5:
            groups[part, g] = groups[first, g]
        elif what == 6:
            groups[part] = np.nan
        else:
            groups[first:, [g, g + 1]] += np.array([0.09, -0.09])
    return groups, pack, current


def test_looking_at_few_rows_first_finds_what_looking_at_all_of_them_finds(monkeypatch):
    """Blocks, extremes and steps only tell where nothing can be: with every row let through, the faults are the same, and the rows kept out hold none."""
    cases = [hostile_groups(seed) for seed in range(150)]
    quick = [sensors.channel_faults(*case, np.array([], dtype=int)) for case in cases]
    for groups, _, _ in cases:
        moves = np.array([[np.ptp(c[np.isfinite(c)]) if np.isfinite(c).any() else -np.inf for c in groups[a : b + 1].T] for a, b in ((0, 15), (3, 44), (31, 60), (48, 59))])
        within = sensors._widest_move(sensors._block_extremes(groups), np.array([0, 3, 31, 48]), np.array([15, 44, 60, 59]))
        assert np.all(within >= moves.max(axis=1))
        away = groups - sensors._middle(groups)[:, None]
        with np.errstate(invalid="ignore"):
            leaps = np.flatnonzero(np.any(np.abs(np.diff(away, axis=0)) > 0.05, axis=1)) + 1
        assert np.isin(leaps, sensors._may_leap(groups, 0.05)).all()
    # No group moves by 0.05 V, but one rises by 0.03 V while the middle of all falls by as much.
    opposed = np.tile([3.6, 3.7, 3.8, 3.9], (40, 1))
    opposed[20:] += [0.03, -0.03, -0.03, -0.03]
    assert 20 in sensors._may_leap(opposed, 0.05)
    monkeypatch.setattr(sensors, "_widest_move", lambda blocks, first, last: np.full(first.size, np.inf))
    monkeypatch.setattr(sensors, "_extremes", lambda v: (np.full(v.shape[0], -np.inf), np.full(v.shape[0], np.inf)))
    monkeypatch.setattr(sensors, "_may_leap", lambda v, least: np.arange(1, v.shape[0]))
    assert [sensors.channel_faults(*case, np.array([], dtype=int)) for case in cases] == quick
    assert {fault.code for faults in quick for fault in faults} >= {"tap_missing", "group_reading_frozen", "group_reading_jumped", "group_channels_exchanged", "group_reading_impossible"}


def test_channels_exchanged_are_told_where_the_current_stands_still_five_rows_before_and_after():
    found = {}
    groups = np.tile([3.6, 3.7, 3.8, 3.9], (200, 1)) + 1e-3 * (np.arange(200) % 2)[:, None]
    groups[100:, [0, 1]] = groups[100:, [1, 0]]
    for step in range(90, 111):
        current = np.where(np.arange(200) < step, 0.0, -2.0)
        found[step] = [fault.code for fault in sensors.channel_faults(groups, groups.sum(axis=1), current, np.array([100]))]
    assert [step for step, codes in found.items() if codes] == [*range(90, 96), *range(105, 111)]
    assert {code for codes in found.values() for code in codes} == {"group_channels_exchanged"}


def test_middle_of_the_groups_is_the_median_of_those_that_can_be_one_whatever_the_block(monkeypatch):
    random = np.random.default_rng(6)
    groups = random.uniform(-1.0, 7.0, (100, 6))
    groups[random.random(groups.shape) < 0.2] = np.nan
    groups[3], groups[50] = np.nan, 9.0
    sane = np.where((groups > sensors.DEAD_V) & (groups < sensors.LARGEST_V), groups, np.nan)
    expected = [np.nanmedian(row) if np.isfinite(row).any() else np.nan for row in sane]
    for block in (7, 100, 1000):
        monkeypatch.setattr(sensors, "BLOCK", block)
        assert np.array_equal(sensors._middle(groups), expected, equal_nan=True)
