"""Group voltages from tap readings, against worked figures, the rules for correlated readings, two other ways of propagation, and practice.

Worked 10S example: taps, groups, spread 126.0 mV, median 3.6525 V, MAD 0.5 mV and robust score -166.6 of group 4 (common practice, no source; computed
from the taps). Reading of 3.712 V by a meter of +-(0.5 % + 2 counts of 1 mV): a = 20.560 mV, u = 11.87032 mV (worked figure, computed). Differences
of two readings of one instrument: JCGM 100:2008, 5.2.2 and F.1.2.3 (clauses from memory): what is common enters once, with its sign. ``uncertainties``:
linear propagation with correlations kept by automatic differentiation. That N groups have N + 1 taps and that cumulative tap voltages rise by one group
each: common practice, no source.
"""

from __future__ import annotations

import itertools
import json
from math import hypot, sqrt

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from cycler.pack import CHEMISTRY_LIMITS
from cycler.repair.form import sheet_from_form
from cycler.repair.levels import LEVELS, Levels, group_limits, level_of
from cycler.repair.meter import Meter, meter_from_dict
from cycler.repair.readings import covariance, decimals, reading_errors
from cycler.repair.taps import group_table, robust_scores
from tests.repair.sheets import GROUPS_10S, TAPS_10S, bench, typed

LINE = meter_from_dict({"voltage": "±(0.5 % rdg + 2 digits)", "voltage_digit_v": 0.001})
APART = meter_from_dict({"voltage_gain": 0.005, "voltage_offset_v": 0.003})


def table(*arguments, **further):
    return group_table(bench(*arguments, **further))


def codes(found):
    return {remark.code for remark in found.remarks}


def remark(found, code):
    return next(item for item in found.remarks if item.code == code)


def level(found, group):
    return found.figures["groups"][group - 1]["level"]


def voltages(found):
    return [row["voltage_v"] for row in found.figures["groups"]]


# ---- the worked pack ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("taps", "taps_from"), [
    (TAPS_10S, "pack_negative"), (["-", *TAPS_10S[1:]], "pack_negative"), ([-tap for tap in TAPS_10S], "pack_negative"), (GROUPS_10S, "each_group"),
    ([round(TAPS_10S[-1] - tap, 3) for tap in reversed(TAPS_10S)], "pack_positive"), ([round(tap - TAPS_10S[-1], 3) for tap in reversed(TAPS_10S)], "pack_positive"),
])
def test_worked_10s_pack_whichever_way_it_was_read(taps, taps_from):
    found = table(taps, taps_from)
    assert voltages(found) == pytest.approx(GROUPS_10S, abs=1e-9)
    figures = found.figures
    assert (figures["sum_v"], figures["median_v"], figures["spread_v"]) == pytest.approx((36.399, 3.6525, 0.1260), abs=1e-9)
    assert figures["expected_taps"] == figures["found_taps"] == (10 if taps_from == "each_group" else 11) and not figures["sum_is_part"]
    assert remark(found, "group_outlier").group == 4 and remark(found, "spread_wide").severity == "defect"
    # Group 3 lies 6.5 mV off, which 1.4826 MAD of 0.5 mV alone would call an outlier (-8.8): the meter cannot tell so little.
    assert [row["group"] for row in figures["groups"] if "group_outlier" in row["findings"]] == [4]


def test_robust_score_of_the_worked_pack():
    scores = robust_scores(GROUPS_10S)
    assert (scores[3], scores[2]) == pytest.approx((-166.6, -8.8), abs=0.05)
    assert robust_scores(GROUPS_10S, 0.005)[[3, 2]] == pytest.approx([-24.7, -1.3])
    assert robust_scores([3.6, 3.6, 3.6]).tolist() == [0.0, 0.0, 0.0]


# ---- uncertainty -------------------------------------------------------------------------------------------------


def test_one_reading_has_the_worked_uncertainty():
    found = table([3.712] * 10, "each_group")
    assert found.figures["groups"][0]["u_voltage_v"] == pytest.approx(0.01187032, abs=5e-9)


def test_difference_of_two_taps_by_closed_form():
    # Parts stated apart: u² = (g D / sqrt 3)² + 2 (o / sqrt 3)²; the gain acts on the difference alone, not on 14.480 V.
    values = np.array([10.951, 14.480])
    row = np.array([[-1.0, 1.0]])
    errors = reading_errors(APART, values)
    rounding = 0.001 / sqrt(12.0)  # the limit names no digits: rounding to 1 mV joins
    expected = hypot(0.005 * 3.529 / sqrt(3.0), sqrt(2.0) * hypot(0.003 / sqrt(3.0), rounding))
    assert sqrt(covariance(errors, values, row)[0, 0]) == pytest.approx(expected, rel=1e-12)
    # One line: the two parts of the difference add up, as they do in one reading; rounding to the digits it counts is in it.
    errors = reading_errors(LINE, values)
    expected = (0.005 * 3.529 + sqrt(2.0) * 0.002) / sqrt(3.0)
    assert sqrt(covariance(errors, values, row)[0, 0]) == pytest.approx(expected, rel=1e-12)
    # Taken for independent readings the gain of fourteen volts would count: more than four times as much.
    assert 4.0 * expected < hypot(*(0.005 * values + 0.002)) / sqrt(3.0)


def rows_of(count):
    return np.eye(count + 1)[1:] - np.eye(count + 1)[:-1]


def test_covariance_of_all_groups_is_that_of_automatic_differentiation():
    values = np.array(TAPS_10S)
    errors = reading_errors(APART, values)
    gain = ufloat(0.0, errors.u_gain)
    read = [value * (1 + gain) + ufloat(0.0, u) for value, u in zip(values, errors.u_zero_v)]
    groups = [high - low for low, high in itertools.pairwise(read)]
    from uncertainties import covariance_matrix

    mine = covariance(errors, values, rows_of(10))
    assert mine == pytest.approx(np.array(covariance_matrix(groups)), rel=1e-9, abs=1e-15)
    # Their sum: neighbours share a reading, so that all inner digits fall out.
    whole = np.ones((1, 10)) @ mine @ np.ones((10, 1))
    assert sqrt(whole[0, 0]) == pytest.approx(sum(groups).std_dev, rel=1e-9)
    assert sum(correlated_values(GROUPS_10S, mine)).std_dev == pytest.approx(sqrt(whole[0, 0]), rel=1e-6)


def test_covariance_of_all_groups_is_that_of_monte_carlo():
    random = np.random.default_rng(7)
    values, draws = np.array(TAPS_10S), 60_000
    gain = random.uniform(-0.005, 0.005, (draws, 1))
    zero = random.uniform(-0.003, 0.003, (draws, 11)) + random.uniform(-0.0005, 0.0005, (draws, 11))
    groups = np.diff(values * (1.0 + gain) + zero, axis=1)
    expected = np.cov(groups.T)
    # Of 60 000 draws a variance scatters by 0.6 %; entries that are nothing by as much of the variances.
    assert covariance(reading_errors(APART, values), values, rows_of(10)) == pytest.approx(expected, abs=0.03 * expected.max())


def test_covariance_of_one_line_keeps_the_correlations_and_never_narrows():
    values = np.array(TAPS_10S)
    errors = reading_errors(LINE, values)
    apart = covariance(reading_errors(meter_from_dict({"voltage_gain": 0.005, "voltage_offset_v": 0.002}), values), values, rows_of(10))
    line = covariance(errors, values, rows_of(10))
    assert np.linalg.eigvalsh(line).min() > 0.0
    u_gain, u_zero = 0.005 / sqrt(3.0), 0.002 / sqrt(3.0)
    assert np.sqrt(np.diag(line)) == pytest.approx(u_gain * np.array(GROUPS_10S) + sqrt(2.0) * u_zero, rel=1e-9)
    assert np.all(np.diag(line) > np.diag(apart) * 0.99)
    plain = u_gain**2 * np.outer(GROUPS_10S, GROUPS_10S) + u_zero**2 * (2.0 * np.eye(10) - np.eye(10, k=1) - np.eye(10, k=-1))
    scale = np.sqrt(np.diag(plain))
    assert line / np.sqrt(np.outer(np.diag(line), np.diag(line))) == pytest.approx(plain / np.outer(scale, scale), rel=1e-9)


def test_sum_against_the_pack_has_the_gain_in_common():
    found = table(TAPS_10S, cells_v=36.40)
    figures = found.figures
    # Both are readings of the same two points: 0.5 % of 36 V would be 105 mV, of 1 mV it is nothing. Three readings' digits are left.
    assert figures["compared_with"] == "cells_v" and figures["difference_v"] == pytest.approx(-0.001, abs=1e-9)
    assert figures["u_difference_v"] == pytest.approx(sqrt(3.0) * 0.002 / sqrt(3.0), rel=0.01)
    assert figures["u_sum_v"] == pytest.approx((0.005 * 36.399 + sqrt(2.0) * 0.002) / sqrt(3.0), rel=1e-9)
    assert "sum_mismatch" not in codes(found)
    off = table(TAPS_10S, cells_v=36.60)
    assert remark(off, "sum_mismatch").severity == "defect" and off.figures["difference_v"] == pytest.approx(-0.201)
    # Groups by themselves are read in another range than the pack: their gains have nothing in common.
    each = table(GROUPS_10S, "each_group", cells_v=36.60)
    assert each.figures["u_difference_v"] == pytest.approx(hypot(0.005 * 36.399, 0.005 * 36.6) / sqrt(3.0), rel=0.05) and "sum_mismatch" not in codes(each)


def test_range_change_of_the_meter_is_seen_and_counted():
    coarse = [tap if tap < 6.0 else round(tap, 2) for tap in TAPS_10S]
    found = table(coarse)
    u = [row["u_voltage_v"] for row in found.figures["groups"]]
    assert "meter_range_changed" in codes(found) and u[1] > u[3] > u[0]
    # Group 2 lies between a reading of the fine and one of the coarse range: both gains, 2 digits of 1 mV and 2 of 10 mV.
    gains = hypot(0.005 * 3.652, 0.005 * 7.30)
    assert u[1] == pytest.approx((gains + hypot(0.002, 0.020)) / sqrt(3.0), rel=0.01)
    assert "meter_range_changed" not in codes(table(TAPS_10S)) and [decimals(value) for value in (3.65, 3.652, 4.0, 0.1 + 0.2)] == [2, 3, 0, 1]


def test_meter_that_is_not_stated_counts_with_the_defaults_and_is_asked_for():
    found = table(TAPS_10S, meter=False)
    assert not found.figures["meter_declared"] and any("limits of error" in item["what"] for item in found.missing)
    assert found.figures["groups"][0]["u_voltage_v"] > table(TAPS_10S).figures["groups"][0]["u_voltage_v"]
    assert not Meter().voltage.declared


# ---- what is no group's voltage ----------------------------------------------------------------------------------


def test_dead_group_is_told_from_a_tap_left_out():
    dead = [round(tap - (3.529 if place > 3 else 0.0), 3) for place, tap in enumerate(TAPS_10S)]
    found = table(dead, cells_v=dead[-1])
    assert level(found, 4) == "no_charge" and voltages(found)[3] == 0.0 and remark(found, "group_no_charge").severity == "danger"
    assert not codes(found) & {"tap_missing", "tap_double_step", "tap_count", "sense_lead_suspect"}
    left_out = [*TAPS_10S[:4], *TAPS_10S[5:]]
    found = table(left_out)
    assert remark(found, "tap_double_step").tap == 4 and [row["group"] for row in found.figures["groups"] if row["voltage_v"] is None] == [4, 5]
    assert found.figures["found_taps"] == 10 and found.figures["expected_taps"] == 11 and not codes(found) & {"group_no_charge", "group_outlier"}
    row = found.figures["groups"][3]
    # 7.182 V together: neither is above 4.25 V, so neither is below 2.932 V.
    assert row["together_with"] == [5] and (row["low_voltage_v"], row["high_voltage_v"]) == pytest.approx((2.932, 4.25)) and level(found, 4) == "unknown"
    assert voltages(found)[5:] == pytest.approx(GROUPS_10S[5:], abs=1e-9) and found.figures["sum_v"] == pytest.approx(36.399)


@pytest.mark.parametrize("taps_from", ["pack_negative", "pack_positive"])
@pytest.mark.parametrize("left_out", [(4,), (1,), (9,), (3, 7), (4, 5)])
def test_tap_not_read_or_left_out_gives_the_same_groups(left_out, taps_from):
    taps = list(TAPS_10S) if taps_from == "pack_negative" else [round(TAPS_10S[-1] - tap, 3) for tap in reversed(TAPS_10S)]
    place = (lambda tap: tap) if taps_from == "pack_negative" else (lambda tap: 10 - tap)
    dashed = table([("-" if index in map(place, left_out) else tap) for index, tap in enumerate(taps)], taps_from)
    shut_up = table([tap for index, tap in enumerate(taps) if index not in map(place, left_out)], taps_from)
    unknown = sorted({group for tap in left_out for group in (tap, tap + 1)})
    for found in (dashed, shut_up):
        assert [row["group"] for row in found.figures["groups"] if row["voltage_v"] is None] == unknown
        assert [volt for volt in voltages(found) if volt is not None] == pytest.approx([volt for group, volt in enumerate(GROUPS_10S, 1) if group not in unknown], abs=1e-9)
    assert "tap_missing" in codes(dashed) and "tap_double_step" in codes(shut_up)


def test_readings_that_end_early_are_a_part():
    found = table(TAPS_10S[:4])
    assert voltages(found)[:3] == pytest.approx(GROUPS_10S[:3], abs=1e-9) and voltages(found)[3:] == [None] * 7
    assert found.figures["sum_is_part"] and remark(found, "tap_count").evidence == "4 of 11 taps" and found.figures["compared_with"] is None


def test_series_not_stated_counts_the_taps_and_asks():
    found = table(TAPS_10S, series=None)
    assert len(voltages(found)) == 10 and found.figures["expected_taps"] is None and any("taps" in item["what"] for item in found.missing)
    assert len(voltages(table([*TAPS_10S[:4], *TAPS_10S[5:]], series=None))) == 10


def test_more_groups_than_stated_show_as_a_step_of_two():
    found = table([3.65 * place for place in range(4)] + [3.65 * place for place in range(5, 12)], series=10)
    assert remark(found, "tap_double_step").group == 4 and level(found, 4) == "unknown" and len(voltages(found)) == 10


def test_tap_written_twice_is_told_from_a_dead_group():
    twice = [*TAPS_10S[:5], *TAPS_10S[4:10]]
    found = table(twice, cells_v=36.40)
    assert remark(found, "tap_count").group == 5 and level(found, 5) == "unknown" and "group_no_charge" not in codes(found)
    # The same readings of a pack that has no more voltage: a dead group.
    found = table(twice, cells_v=twice[-1])
    assert level(found, 5) == "no_charge" and "tap_count" not in codes(found)


@pytest.mark.parametrize(("first", "last"), [(4, 5), (1, 2), (9, 10), (3, 5), (2, 6)])
def test_exchanged_wires_are_found_and_put_right(first, last):
    taps = list(TAPS_10S)
    taps[first], taps[last] = taps[last], taps[first]
    found = table(taps)
    assert remark(found, "taps_swapped").tap == first and f"Taps {first} and {last}" in remark(found, "taps_swapped").message
    assert voltages(found) == pytest.approx(GROUPS_10S, abs=1e-9) and remark(found, "taps_swapped").severity == "defect"


def test_reversed_group_is_no_exchange_of_wires():
    taps = [round(tap - (3.529 + 0.4 if place > 3 else 0.0), 3) for place, tap in enumerate(TAPS_10S)]
    found = table(taps, cells_v=taps[-1])
    assert level(found, 4) == "reversed" and voltages(found)[3] == pytest.approx(-0.4, abs=1e-9) and "taps_swapped" not in codes(found)


@pytest.mark.parametrize("off", [-3.4, -0.4, -0.15, 0.3, 3.3, 8.0])
def test_poor_lead_shows_as_two_groups_off_in_opposite_directions(off):
    taps = list(TAPS_10S)
    taps[7] = round(taps[7] + off, 3)
    for found in (table(taps, cells_v=36.4), table(np.diff(taps).round(3), "each_group", cells_v=36.4)):
        assert remark(found, "sense_lead_suspect").tap == 7 and [voltages(found)[place] for place in (6, 7)] == [None, None]
        row = found.figures["groups"][6]
        assert row["apparent_v"] == pytest.approx(3.653 + off, abs=1e-9) and row["together_with"] == [8] and row["level"] == "unknown"
        assert not codes(found) & {"group_no_charge", "group_reversed", "group_over_full", "sum_mismatch"}


def test_open_lead_between_two_groups_that_read_nothing():
    each = [3.65, 3.66, 3.65, 0.002, 0.004, 3.65, 3.66, 3.65, 3.66, 3.65]
    lead = table(each, "each_group", cells_v=36.53)
    assert remark(lead, "sense_lead_suspect").tap == 4 and level(lead, 4) == level(lead, 5) == "unknown" and "group_no_charge" not in codes(lead)
    # The pack has no room for them: both are dead.
    dead = table(each, "each_group", cells_v=29.24)
    assert level(dead, 4) == level(dead, 5) == "no_charge" and "sense_lead_suspect" not in codes(dead)


def test_what_was_read_at_the_cells_themselves_is_no_lead():
    taps = list(TAPS_10S)
    taps[7] = round(taps[7] - 0.4, 3)
    found = table(taps, observed__taps_read_at="cells")
    assert voltages(found)[6:8] == pytest.approx([3.253, 4.055], abs=1e-9) and "sense_lead_suspect" not in codes(found)
    each = [3.65, 3.66, 3.65, 0.002, 0.004, 3.65, 3.66, 3.65, 3.66, 3.65]
    assert level(table(each, "each_group", observed__taps_read_at="cells"), 4) == "no_charge"


@pytest.mark.parametrize("end", [0, 10])
def test_outermost_lead_is_found_by_the_pack_voltage(end):
    taps = [round(tap - (0.8 if end == 0 and place else 0.0) - (0.8 if place == end == 10 else 0.0), 3) for place, tap in enumerate(TAPS_10S)]
    found = table(taps, cells_v=36.4)
    assert remark(found, "sense_lead_suspect").tap == end and voltages(found)[0 if end == 0 else 9] is None
    # Without the pack's voltage nothing tells it from a weak group.
    assert "sense_lead_suspect" not in codes(table(taps))


def test_group_measured_at_its_cells_goes_before_the_taps():
    taps = list(TAPS_10S)
    taps[4] = 11.2
    found = table(taps, observed__group_direct_v_4=3.65)
    assert voltages(found)[3] == 3.65 and voltages(found)[4] == pytest.approx(18.133 - 10.951 - 3.65, abs=1e-9)
    assert "measured_directly" in found.figures["groups"][3]["findings"] and "Measured directly" in remark(found, "sense_lead_suspect").message
    agrees, differs = table(TAPS_10S, observed__group_direct_v_4=3.53), table(TAPS_10S, observed__group_direct_v_4=3.65)
    assert "sense_lead_suspect" not in codes(agrees) and remark(differs, "sense_lead_suspect").group == 4 and voltages(differs)[3] == 3.65


def test_probes_changed_over_or_two_taps_apart_are_no_groups():
    each = [-3.653 if group == 2 else 7.306 if group == 6 else volt for group, volt in enumerate(GROUPS_10S, 1)]
    found = table(each, "each_group")
    assert [row["group"] for row in found.figures["groups"] if row["voltage_v"] is None] == [2, 6] and {"taps_sign", "tap_double_step"} <= codes(found)
    assert "group_reversed" not in codes(found)


def test_no_readings_or_no_way_of_reading_gives_no_figures():
    nothing = group_table(bench())
    assert not nothing.figures["taken"] and nothing.figures["groups"] == [] and nothing.missing[0]["how"]
    how = table(TAPS_10S, "")
    assert not how.figures["taken"] and "from where" in how.missing[0]["why"]


@pytest.mark.parametrize("count", [1, 2, 3, 20])
def test_n_groups_have_n_plus_one_taps(count):
    found = table([round(3.6 * place, 3) for place in range(count + 1)], series=count)
    assert found.figures["expected_taps"] == found.figures["found_taps"] == count + 1 and voltages(found) == pytest.approx([3.6] * count, abs=1e-9)
    assert {item.code for item in found.remarks} <= {"spread_wide"}


@pytest.mark.parametrize("seed", range(4))
def test_random_packs_give_back_their_groups_however_they_are_read(seed):
    random = np.random.default_rng(seed)
    count = int(random.integers(4, 20))
    groups = random.normal(3.6, 0.01, count).round(3)
    taps = np.concatenate([[0.0], np.cumsum(groups)]).round(3)
    for values, how in ((taps, "pack_negative"), ((taps[-1] - taps[::-1]).round(3), "pack_positive"), (groups, "each_group")):
        assert voltages(table(values, how, series=count)) == pytest.approx(groups, abs=1e-9)
    # The order of the signs and of the meter's leads does not matter either.
    assert voltages(table(-taps, series=count)) == pytest.approx(groups, abs=1e-9)


# ---- levels ------------------------------------------------------------------------------------------------------

# Full, end of discharge and lower limit: trade summary table of lithium-ion chemistries (read); nimh from memory of IEC 61951-2. Not charged again: below
# 2.0 V (common practice; a public handbook, from memory: a week), lfp below 1.5 V, lto below 1.0 V, reversed always (common practice, no source).
TABLE_9 = {
    "lco": (4.20, 3.00, 2.50, 2.0), "lmo": (4.20, 3.00, 2.50, 2.0), "nmc": (4.20, 3.00, 2.50, 2.0), "nca": (4.20, 3.00, 2.50, 2.0), "lfp": (3.65, 2.50, 2.00, 1.5), "lto": (2.85, 1.80, 1.50, 1.0),
}


@pytest.mark.parametrize("chemistry", TABLE_9)
def test_levels_follow_the_table_of_the_chemistry(chemistry):
    full, empty, lowest, never = TABLE_9[chemistry]
    limits = group_limits(bench(pack__chemistry=chemistry).pack)
    u = 0.001
    for volt, expected in (
        (full + 0.2, "over_full"), (full, "ok"), (empty, "ok"), (empty - 0.01, "low"), (lowest, "low"), (lowest - 0.01, "precharge"), (never + 0.01, "precharge"), (never - 0.01, "no_charge"),
        (0.0, "no_charge"), (-0.1, "reversed"),
    ):
        assert level_of(volt, u, limits) == expected, (chemistry, volt)
    # What may lie below by its uncertainty counts as below.
    assert level_of(never + 0.01, 0.006, limits) == "no_charge" and level_of(None, None, limits) == "unknown"
    assert CHEMISTRY_LIMITS[chemistry].full_v == full


def test_levels_are_to_be_set_otherwise_and_a_time_may_count():
    strict = {"nmc": Levels(2.5)}
    limits = group_limits(bench().pack, strict)
    assert level_of(2.4, 0.001, limits) == "no_charge" and LEVELS["nmc"].no_charge_v == 2.0
    week = group_limits(bench().pack, {"nmc": Levels(2.0, after_days=7.0)})
    assert [level_of(1.8, 0.001, week, days) for days in (None, 1.0, 7.0, 30.0)] == ["no_charge", "precharge", "no_charge", "no_charge"]
    assert level_of(0.9, 0.001, week, 1.0) == "no_charge"
    found = group_table(bench([2.3] * 10, "each_group"), strict)
    assert {row["level"] for row in found.figures["groups"]} == {"no_charge"}


def test_level_of_an_unknown_chemistry_is_not_guessed_but_what_no_lithium_cell_survives_is_seen():
    """No lithium cell is charged from below 1.0 V: common practice, no source."""
    limits = group_limits(bench(series=None, pack__chemistry="-").pack)
    assert [level_of(volt, 0.001, limits) for volt in (3.6, 1.1, 0.5, -0.3)] == ["unknown", "unknown", "no_charge", "reversed"]
    # Nickel cells are charged again from empty, not from reversed.
    nickel = group_limits(bench(pack__chemistry="nimh").pack)
    assert [level_of(volt, 0.001, nickel) for volt in (1.2, 0.9, 0.3, 0.0, -0.2)] == ["ok", "low", "precharge", "precharge", "reversed"]


def test_distance_of_an_outlier_is_told_with_its_uncertainty():
    """By hand, model of a common gain and digits of each reading (JCGM 100:2008, 5.2.2, from memory): 0.5 % of 350 mV and twice two digits of 1 mV, the parts of one
    data-sheet line added: 1.0104 mV + 1.6330 mV = 2.6434 mV, U = 5.3 mV."""
    found = group_table(bench([3.651, 3.652, 3.301], "each_group", 3))
    assert remark(found, "group_outlier").evidence.startswith("-350.0 ± 5.3 mV from the median")


def test_one_remark_for_a_level_that_many_groups_share():
    found = table([1.85, 1.9, 2.4, 1.7, 1.95, 1.8, 1.88, 1.9, 1.82, 2.9], "each_group", days_low=20)
    danger = [item for item in found.remarks if item.severity == "danger"]
    assert len(danger) == 1 and danger[0].group is None and "Groups 1, 2, 4, 5, 6, 7, 8 and 9" in danger[0].message and "20 days" in danger[0].message
    assert level(found, 3) == "precharge" and level(found, 10) == "low"


@pytest.mark.parametrize(("middle", "apart", "severity"), [
    (3.65, 0.018, None), (3.65, 0.04, "info"), (3.65, 0.08, "caution"), (3.65, 0.12, "defect"), (4.19, 0.025, None), (4.18, 0.08, "info"), (3.10, 0.15, None), (3.10, 0.25, "info"), (3.20, 0.35, "defect"),
])
def test_spread_follows_the_practice_table(middle, apart, severity):
    # At rest in the middle 20, 50, 100 mV; near full 30, 100 mV; near empty 200, 300 mV (common practice, no source).
    volts = [middle] * 9 + [round(middle - apart, 3)]
    found = [item.severity for item in table(volts, "each_group").remarks if item.code == "spread_wide"]
    assert found == ([severity] if severity else [])


def test_spread_that_the_meter_leaves_open_says_so():
    # Each group alone by 0.5 % + 2 digits of 1 mV: gain and digits of one line add, u = (0.005 * 0.06 + sqrt(2) * 0.002) / sqrt(3) V; 60 mV less 2 u lie above 50 mV, 52 mV do not.
    for apart, open_ in ((0.060, False), (0.052, True)):
        found = table([*[3.651] * 9, round(3.651 - apart, 3)], "each_group")
        assert found.figures["u_spread_v"] == pytest.approx((0.005 * apart + sqrt(2.0) * 0.002) / sqrt(3.0), rel=1e-3)
        assert ("may also be less" in remark(found, "spread_wide").message) is open_


def test_median_is_known_as_its_middle_readings_are():
    # Eleven groups: the median is one of them, u = (0.005 * 3.65 + 0.002) / sqrt(3); ten: the mean of two, whose digits add as squares.
    for count, digits in ((11, 0.002), (10, 0.002 / sqrt(2.0))):
        found = table([round(3.645 + 0.001 * k, 3) for k in range(count)], "each_group", count).figures
        assert found["u_median_v"] == pytest.approx((0.005 * found["median_v"] + digits) / sqrt(3.0), rel=1e-6)
    assert table([], "each_group").figures["u_median_v"] is None


# ---- any readings ------------------------------------------------------------------------------------------------


def garbled(random):
    """A pack read at the bench by somebody in a hurry: form values."""
    count = int(random.choice([1, 2, 3, 5, 10, 17]))
    how = str(random.choice(["pack_negative", "pack_positive", "each_group"]))
    groups = random.normal(random.choice([3.65, 2.2, 0.5, 4.2]), random.choice([0.002, 0.05, 0.5]), count).round(int(random.choice([2, 3])))
    for _ in range(int(random.integers(0, 3))):
        groups[random.integers(count)] = random.choice([0.0, -0.4, 7.3, 12.0, -3.6])
    read = list(groups) if how == "each_group" else [0.0, *np.cumsum(groups).round(3)]
    for _ in range(int(random.integers(0, 4))):
        place, other = random.integers(len(read), size=2)
        kind = random.integers(5)
        if kind == 0:
            read[place] = "-"
        elif kind == 1:
            read[place], read[other] = read[other], read[place]
        elif kind == 2 and len(read) > 1:
            del read[place]
        elif kind == 3:
            read[place] = 0.0
        else:
            read[place] = round(random.uniform(-60.0, 60.0), 2)
    further = {"cells_v": round(float(groups.sum()), 2)} if random.random() < 0.5 else {}
    return sheet_from_form(typed(read, how, series=count if random.random() < 0.8 else None, **further))


def test_any_readings_give_figures_with_uncertainty_or_none_with_a_reason():
    random = np.random.default_rng(11)
    for _ in range(250):
        found = group_table(garbled(random))
        json.dumps(found.figures, allow_nan=False)
        for row in found.figures["groups"]:
            if row["voltage_v"] is None:
                assert row["level"] == "unknown" and row["findings"] and row["charge_reason"]
                assert row["low_voltage_v"] is None or row["low_voltage_v"] <= row["high_voltage_v"]
            else:
                assert row["u_voltage_v"] > 0.0 and -2.5 <= row["voltage_v"] <= 5.0
        assert all(item.message.endswith(".") for item in found.remarks)
