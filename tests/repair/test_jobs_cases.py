"""Four invented jobs from bench sheet to cause, and small variations of them: the right cause first, on evidence that a repairer would accept.

What a fault makes one see is common practice, no source; that a dead group is missing across all cells as it is in the sum, and that a free lead moves voltage between two
groups and leaves their sum, follows from N groups having N + 1 taps.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler.pack import load_pack
from cycler.repair.causefile import knowledge
from cycler.repair.causes import explain
from cycler.repair.evaluate import evaluate_sheet
from cycler.repair.probes import evaluate_probes
from cycler.repair.sheet import load_sheet, sheet_from_text, sheet_to_toml
from cycler.repair.taps import group_table

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
JOBS = ("board-fault", "dead-group", "broken-sense-lead", "deep-discharged")
STRESSING = {clue.key for clue in knowledge().clues.values() if clue.stresses}


@pytest.fixture(scope="module")
def sheets():
    return {name: load_sheet(SAMPLES / "jobs" / f"{name}.toml") for name in JOBS}


def first_readings(sheet):
    """The sheet before anything was asked or measured further."""
    return replace(sheet, observed={key: value for key, value in sheet.observed.items() if key == "taps_read_at"})


def where(row):
    return (row["code"], row["group"] if row["group"] is not None else row["tap"] if row["tap"] is not None else row["probe"])


def readings(evidence):
    return {item["reading"] for item in evidence}


def ruled_out(found):
    return {where(row): readings(row["by"]) for row in found["ruled_out"]}


def margin(found):
    """How many times likelier the first cause is than the second."""
    return found["causes"][0]["probability"] / found["causes"][1]["probability"]


# ---- the four jobs -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", JOBS)
def test_job_is_invented_says_so_and_comes_back_from_its_own_text(name, sheets):
    text = (SAMPLES / "jobs" / f"{name}.toml").read_text(encoding="utf-8")
    assert text.startswith("# Invented") and "no real pack" in text
    sheet = sheets[name]
    again = sheet_from_text(sheet_to_toml(sheet), "again")
    one, other = evaluate_sheet(sheet), evaluate_sheet(again)
    assert json.loads(json.dumps(one, allow_nan=False)) == json.loads(json.dumps(other, allow_nan=False))
    assert sheet.meter.voltage.declared and sheet.meter.defaulted in ((), ("current",)) and sheet.complaint and sheet.lamps and not sheet.unread


@pytest.mark.parametrize(("name", "pack"), [("board-fault", "ebike-0415"), ("dead-group", "cargo-0222"), ("broken-sense-lead", "ebike-0405")])
def test_job_is_about_the_pack_of_the_sample_logs(name, pack, sheets):
    rated = load_pack(SAMPLES / "packs" / f"{pack}.toml")
    assert replace(sheets[name].pack, instrument=rated.instrument) == rated


def test_board_fault_with_sound_cells(sheets):
    sheet = sheets["board-fault"]
    first = evaluate_sheet(first_readings(sheet))
    # The contacts are dead over sound cells: board, fuse or a locked board, which the first readings cannot tell apart; the charge contacts that live speak for the board.
    assert where(first["causes"][0]) == ("discharge_switch_open", None)
    top = [row["code"] for row in first["causes"][:4]]
    assert set(top) == {"discharge_switch_open", "fuse_open", "board_locked", "board_dead"} and sum(row["probability"] for row in first["causes"][:4]) > 0.75
    assert {"taps", "terminal_v", "charge_contact_v"} <= readings(first["causes"][0]["for"]) and first["causes"][0]["against"] == []
    out = ruled_out(first)
    assert out[("group_dead", None)] == {"taps"} and out[("deep_discharged", None)] == {"taps"} and out[("probe_open", None)] == {"probes"}
    assert out[("board_leaks", None)] == {"board_current"}
    assert [row["key"] for row in first["next"][:2]] == ["fuse_ohm", "terminal_with_charger_v"]
    assert {"fuse_open", "discharge_switch_open"} <= set(first["next"][0]["splits"]) and first["next"][0]["caution"] == "short_circuit_probes"
    # That it still takes a charge leaves neither fuse nor lock much room.
    told = evaluate_sheet(replace(sheet, observed={"drives": "no", "charges": "yes"}))
    assert where(told["causes"][0]) == ("discharge_switch_open", None) and margin(told) > 4.0
    whole = evaluate_sheet(sheet)
    assert where(whole["causes"][0]) == ("discharge_switch_open", None) and whole["causes"][0]["probability"] > 0.85 and margin(whole) > 10.0
    assert {"terminal_with_charger_v", "discharge_gate_v"} <= readings(whole["causes"][0]["for"])
    assert ruled_out(whole)[("fuse_open", None)] == {"fuse_ohm"} and whole["causes"][0]["part"] == "board"
    locked = next(row for row in whole["causes"] if row["code"] == "board_locked")
    assert {"discharge_gate_v", "terminal_with_charger_v"} <= readings(locked["against"])


def test_dead_group(sheets):
    sheet = sheets["dead-group"]
    first = evaluate_sheet(first_readings(sheet))
    row = first["causes"][0]
    assert where(row) == ("group_dead", 9) and row["probability"] > 0.9 and margin(first) > 10.0 and row["part"] == "cells"
    assert row["for"][0]["reading"] == "taps" and "group 9 0.412 V" in row["for"][0]["words"] and row["for"][0]["factor"] > 100.0
    assert first["next"][0]["key"] == "group_direct_v" and first["next"][0]["group"] == 9 and "group 9" in first["next"][0]["words"]
    assert not {item["key"] for item in first["next"]} & STRESSING
    whole = evaluate_sheet(sheet)
    assert where(whole["causes"][0]) == ("group_dead", 9) and whole["causes"][0]["probability"] > 0.99
    assert "group_direct_v_9" in readings(whole["causes"][0]["for"]) and ("nothing_wrong", None) in ruled_out(whole)
    assert "no_load_yet" in [remark["code"] for remark in whole["remarks"]]


def test_broken_sense_lead_that_looks_like_a_dead_group(sheets):
    sheet = sheets["broken-sense-lead"]
    assert np.diff(sheet.taps_v)[3] < 0.5  # what the board sees of group 4
    first = evaluate_sheet(first_readings(sheet))
    row = first["causes"][0]
    assert where(row) == ("sense_lead_open", 4) and row["probability"] > 0.9 and margin(first) > 10.0 and row["part"] == "wiring"
    assert row["for"][0]["reading"] == "taps" and "group 4 0.370 V, group 5 7.080 V" in row["for"][0]["words"]
    # No cell has 7 V: the reading itself contradicts a dead group.
    assert ruled_out(first)[("group_dead", 4)] == {"taps"}
    assert first["next"][0]["key"] == "lead_ohm" and first["next"][0]["tap"] == 4
    whole = evaluate_sheet(sheet)
    assert where(whole["causes"][0]) == ("sense_lead_open", 4) and whole["causes"][0]["probability"] > 0.99
    assert "lead_ohm_4" in readings(whole["causes"][0]["for"]) and ruled_out(whole)[("group_dead", 4)] == {"taps", "group_direct_v_4"}
    # With the groups measured at their cells nothing of them is in doubt, and no group is called dangerous.
    assert [group["level"] for group in whole["taps"]["groups"]] == ["ok"] * 10
    assert not [remark for remark in whole["remarks"] if remark["severity"] == "danger"]


def test_deep_discharged_pack(sheets):
    sheet = sheets["deep-discharged"]
    for found in (evaluate_sheet(replace(sheet, observed={})), evaluate_sheet(sheet)):
        row = found["causes"][0]
        assert where(row) == ("deep_discharged", None) and row["probability"] > 0.95 and margin(found) > 20.0
        assert {"taps", "days_low", "look.swollen", "terminal_v"} <= readings(row["for"])
        assert not {item["key"] for item in found["next"]} & STRESSING
        assert {"deep_discharge", "quarantine", "transport_damaged", "swollen_or_hot"} <= {caution["code"] for caution in found["cautions"]}
        assert {group["level"] for group in found["taps"]["groups"]} == {"no_charge", "reversed"}
        assert "danger" in next(remark["message"] for remark in found["remarks"] if remark["code"] == "no_load_yet")
    # Before its look was known, a group table alone says the same.
    assert where(evaluate_sheet(replace(sheet, look={}, days_low=None, observed={}))["causes"][0]) == ("deep_discharged", None)


@pytest.mark.parametrize("name", JOBS)
def test_first_cause_holds_when_any_prior_is_doubled_or_halved(name, sheets):
    sheet, known = sheets[name], knowledge()
    taps, (probes, _) = group_table(sheet).figures, evaluate_probes(sheet)
    wanted = where(explain(sheet, taps, probes)[0][0])
    for cause in known.causes:
        for factor in (0.5, 2.0):
            priors = {item.code: item.prior * (factor if item is cause else 1.0) for item in known.causes}
            total = sum(priors.values())
            other = replace(known, causes=tuple(replace(item, prior=priors[item.code] / total) for item in known.causes))
            assert where(explain(sheet, taps, probes, known=other)[0][0]) == wanted, (cause.code, factor)


@pytest.mark.parametrize("name", JOBS)
def test_first_cause_holds_when_all_likelihoods_are_off_by_a_random_factor(name, sheets):
    """Every number of the file times a factor between 1/2 and 2, drawn anew each time: the order of magnitude decides, not the digits."""
    sheet, known = sheets[name], knowledge()
    taps, (probes, _) = group_table(sheet).figures, evaluate_probes(sheet)
    wanted = where(explain(sheet, taps, probes)[0][0])
    rng = np.random.default_rng(17)

    def off(line):
        p = {value: p * 2.0 ** rng.uniform(-1.0, 1.0) for value, p in line.p.items()}
        return replace(line, p={value: x / sum(p.values()) for value, x in p.items()})

    for _ in range(20):
        clues = {key: replace(clue, default=off(clue.default), given={code: off(line) for code, line in clue.given.items()}) for key, clue in known.clues.items()}
        assert where(explain(sheet, taps, probes, known=replace(known, clues=clues))[0][0]) == wanted


# ---- variations --------------------------------------------------------------------------------------------------


def cumulative(groups):
    return (0.0, *(round(float(v), 3) for v in np.cumsum(groups)))


def with_group(number, value, usual=3.952, count=10):
    groups = [usual] * count
    groups[number - 1] = value
    return groups


def swapped(taps, first, second):
    taps = list(taps)
    taps[first], taps[second] = taps[second], taps[first]
    return tuple(taps)


ALIVE = {"terminal_v": 39.5}
EMPTY = {"taps_v": cumulative([3.11] * 10), "cells_v": 31.1, "charge_contact_v": 0.1, "board_current_a": None}
EACH = {"taps_from": "each_group"}

# What is changed of the board fault's first readings; which cause then stands first (code, place), its least probability.
SURE = {
    "wires of two taps swapped": (lambda s: {"taps_v": swapped(s.taps_v, 4, 5), "look": {**s.look, "opened_before": "yes"}}, ("sense_leads_swapped", None), 0.95),
    "fuse measured open": (lambda s: {"charge_contact_v": 0.02, "observed": {"fuse_ohm": "open"}}, ("fuse_open", None), 0.95),
    "thermistor open, no charge": (lambda s: {**ALIVE, "probes": (replace(s.probes[0], ohm=math.inf), s.probes[1]), "observed": {"charges": "no"}}, ("probe_open", "cells"), 0.8),
    "thermistor shorted": (lambda s: {**ALIVE, "probes": (s.probes[0], replace(s.probes[1], ohm=0.3))}, ("probe_shorted", "board"), 0.7),
    "thermistor reads freezing": (lambda s: {**ALIVE, "probes": (replace(s.probes[0], ohm=33_000.0), s.probes[1])}, ("probe_out_of_place", "cells"), 0.6),
    "charger dead, pack empty": (
        lambda s: {"taps_v": cumulative([2.91] * 10), "cells_v": 29.1, "terminal_v": 29.1, "charge_contact_v": 29.0, "charger_v": 0.02}, ("charger_defective", None), 0.75,
    ),
    "board locked, charger wakes it": (lambda s: {**EMPTY, "charge_contact_v": 30.9, "observed": {"terminal_with_charger_v": 31.0, "discharge_gate_v": 0.1}}, ("board_locked", None), 0.85),
    "weak group, sags and leaks": (
        lambda s: {**ALIVE, "taps_v": cumulative(with_group(6, 3.72)), "cells_v": 39.29, "observed": {"drives": "short_range", "sag_ratio": 1.5, "group_drop_mv_6": 14.0, "group_direct_v_6": 3.72}},
        ("group_weak", 6), 0.9,
    ),
    "one cell of four without connection": (
        lambda s: {**ALIVE, "observed": {"drives": "short_range", "sag_ratio_6": 1.33, "joint_drop_mv_6": 8.0, "capacity_share": 0.74, "group_drop_mv_6": 0.4}}, ("cell_open", 6), 0.7,
    ),
    "groups out of balance": (
        lambda s: {**ALIVE, "taps_v": cumulative([3.60, 3.66, 3.71, 3.64, 3.69, 3.58, 3.70, 3.66, 3.61, 3.72]), "cells_v": 36.57, "terminal_v": 36.5, "charge_contact_v": None,
                   "observed": {"charges": "stops_early"}}, ("out_of_balance", None), 0.7,
    ),
    "last lead broken": (lambda s: {**EACH, "taps_v": tuple(with_group(10, 0.02))}, ("sense_lead_open", 10), 0.95),
    "first lead broken": (lambda s: {**EACH, "taps_v": tuple(with_group(1, 0.02))}, ("sense_lead_open", 0), 0.95),
    "last group dead": (lambda s: {**EACH, "taps_v": tuple(with_group(10, 0.02)), "cells_v": 35.59}, ("group_dead", 10), 0.9),
    "inner lead broken, plug pulled": (lambda s: {**EACH, "taps_v": (3.952, 3.952, 3.952, 0.01, 0.02, *[3.952] * 5)}, ("sense_lead_open", 4), 0.9),
    "dead group, taps from pack positive": (
        lambda s: {"taps_from": "pack_positive", "taps_v": cumulative(with_group(4, 0.1)), "cells_v": 35.67, "charge_contact_v": None}, ("group_dead", 7), 0.9,
    ),
    "reversed group": (lambda s: {"taps_v": cumulative(with_group(4, -0.35)), "cells_v": 35.22, "charge_contact_v": None}, ("group_dead", 4), 0.9),
    "board draws much": (lambda s: {**ALIVE, "board_current_a": 0.0083}, ("board_leaks", None), 0.65),
    "board dead after water": (lambda s: {"board_current_a": 0.0, "charge_contact_v": 0.02, "look": {**s.look, "wet": "yes"}}, ("board_dead", None), 0.75),
    "string torn": (lambda s: {"cells_v": 0.4, "charge_contact_v": 0.02, "observed": {"fuse_ohm": 0.02}}, ("joint_torn", None), 0.9),
    "charge switch open": (
        lambda s: {**ALIVE, "charge_contact_v": 0.1, "observed": {"charge_current_a": 0.0, "charge_contact_ohm": 0.02}}, ("charge_switch_open", None), 0.5,
    ),
    "one tap not read": (lambda s: {"taps_v": (*s.taps_v[:6], None, *s.taps_v[7:])}, ("discharge_switch_open", None), 0.35),
    "meter in a coarse range": (
        lambda s: {"taps_v": tuple(None if v is None else round(v, 1) for v in s.taps_v), "meter": replace(s.meter, voltage=replace(s.meter.voltage, group_voltage_offset_v=0.2, group_voltage_digit_v=0.1))},
        ("discharge_switch_open", None), 0.35,
    ),
}


@pytest.mark.parametrize("name", SURE)
def test_variation_has_the_right_cause_first(name, sheets):
    changed, wanted, least = SURE[name]
    sheet = first_readings(sheets["board-fault"])
    found = evaluate_sheet(replace(sheet, **({"observed": {}} | changed(sheet))))
    row = found["causes"][0]
    assert where(row) == wanted, [(where(item), round(item["probability"], 3)) for item in found["causes"][:4]]
    assert row["probability"] >= least and row["for"]


# Readings that cannot tell: both causes on top, and what is proposed parts them; then each reading of it and what it leaves first.
OPEN = {
    "fuse or board": (lambda s: {"charge_contact_v": 0.02}, {"fuse_open", "board_locked"}, "fuse_ohm", {"fuse_ohm": "open"}, "fuse_open"),
    "locked board or open switch": (
        lambda s: {"observed": {"fuse_ohm": 0.02}}, {"discharge_switch_open", "board_locked"}, "terminal_with_charger_v", {"fuse_ohm": 0.02, "terminal_with_charger_v": 39.5}, "board_locked",
    ),
    "weak group or balance": (
        lambda s: {**ALIVE, "taps_v": cumulative(with_group(6, 3.87)), "cells_v": 39.44}, {"group_weak", "out_of_balance"}, "sag_ratio", {"sag_ratio": 1.45}, "group_weak",
    ),
    "torn string or fuse": (lambda s: {"cells_v": 0.4, "charge_contact_v": 0.02, "look": {}}, {"joint_torn", "fuse_open"}, "fuse_ohm", {"fuse_ohm": 0.03}, "joint_torn"),
    "dead last group or its lead": (
        lambda s: {**EACH, "taps_v": tuple(with_group(10, 0.02)), "cells_v": None, "charge_contact_v": None}, {"group_dead", "sense_lead_open"}, "group_direct_v", {"group_direct_v_10": 3.95},
        "sense_lead_open",
    ),
    "charger side": (
        lambda s: {**ALIVE, "charger_v": None, "charge_contact_v": None, "taps_v": cumulative([2.95] * 10), "cells_v": 29.5, "terminal_v": 29.4}, {"charger_defective", "charge_contact_bad"}, "charger_v",
        None, None,
    ),
}


@pytest.mark.parametrize("name", OPEN)
def test_where_readings_cannot_tell_both_are_on_top_and_the_next_one_parts_them(name, sheets):
    changed, both, key, after, first = OPEN[name]
    sheet = first_readings(sheets["board-fault"])
    sheet = replace(sheet, **({"observed": {}} | changed(sheet)))
    found = evaluate_sheet(sheet)
    assert both <= {row["code"] for row in found["causes"][:4]}
    proposed = next(row for row in found["next"] if row["key"] == key)
    assert both <= set(proposed["splits"]) and proposed["bits"] > 0.05
    assert key in [row["key"] for row in found["next"][:4]]
    if after is not None:
        then = evaluate_sheet(replace(sheet, observed=after))
        assert then["causes"][0]["code"] == first


def test_lead_or_group_is_told_by_the_voltage_across_all_cells(sheets):
    """The last group reads nothing at the plug. Across the cells a dead group is missing, behind a broken lead it is not."""
    sheet = replace(first_readings(sheets["board-fault"]), taps_from="each_group", taps_v=tuple(with_group(10, 0.02)), observed={})
    chance = {}
    for cells_v in (35.59, None, 39.52):
        found = evaluate_sheet(replace(sheet, cells_v=cells_v))["causes"]
        chance[cells_v] = next(row["probability"] for row in found if where(row) == ("group_dead", 10))
    assert chance[35.59] > chance[None] > chance[39.52] and chance[35.59] > 0.9 and chance[39.52] < 0.02


def test_two_neighbours_that_read_nothing_are_two_dead_groups_only_if_the_cells_say_so(sheets):
    sheet = replace(first_readings(sheets["board-fault"]), taps_from="each_group", taps_v=(3.952, 3.952, 3.952, 0.01, 0.02, *[3.952] * 5), observed={}, charge_contact_v=None)
    missing = evaluate_sheet(replace(sheet, cells_v=31.65))["causes"]
    assert {where(row) for row in missing[:2]} == {("group_dead", 4), ("group_dead", 5)}
    assert where(evaluate_sheet(replace(sheet, cells_v=39.52))["causes"][0]) == ("sense_lead_open", 4)


def test_reading_written_twice_accuses_nothing_of_the_pack(sheets):
    """Tap 2 was written twice and the last one left out: a slip of the pen is no dead group and no broken lead."""
    taps = list(sheets["board-fault"].taps_v)
    sheet = replace(first_readings(sheets["board-fault"]), taps_v=tuple(taps[:3] + taps[2:10]), terminal_v=39.5, observed={})
    found = evaluate_sheet(sheet)
    assert "tap_count" in [remark["code"] for remark in found["remarks"]] and "readings_contradict" not in [remark["code"] for remark in found["remarks"]]
    assert found["causes"][0]["code"] not in ("group_dead", "sense_lead_open", "sense_leads_swapped")


def test_half_filled_sheets_say_what_they_can(sheets):
    sheet = sheets["dead-group"]
    only_taps = evaluate_sheet(replace(sheet, cells_v=None, terminal_v=None, charge_contact_v=None, charger_v=None, probes=(), look={}, observed={}, days_low=None))
    assert where(only_taps["causes"][0]) == ("group_dead", 9)
    only_terminal = evaluate_sheet(replace(sheet, cells_v=None, taps_v=(), taps_from=None, charge_contact_v=None, charger_v=None, probes=(), look={}, observed={}, days_low=None))
    assert only_terminal["causes"][0]["probability"] < 0.3 and "taps" in [row["key"] for row in only_terminal["next"]]
    unread = evaluate_sheet(sheet_from_text('[pack]\nseries = 10\nchemistry = "nmc"\n[unread]\nterminal_v = "38,x"\n'))
    assert "nothing_measured" in [remark["code"] for remark in unread["remarks"]]
