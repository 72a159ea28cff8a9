"""Strings that are interrupted: groups beyond the gap are not known, and no danger is told of them.

Common practice, no source: readings from one end rise by one group's voltage from wire to wire as far as the string holds together; a dead group breaks no string.
"""

from __future__ import annotations

import pytest

from cycler.repair.evaluate import evaluate_sheet
from cycler.repair.option_vetoes import look_first, vetoes
from cycler.repair.sheet import sheet_from_text

STEP = 3.651


def evaluated(taps: list[float], taps_from: str = "pack_negative", readings: str = "", observed: str = "", look: str = "") -> dict:
    series = len(taps) - (taps_from != "each_group")
    text = (
        f'[pack]\nid = "EB-0412"\nchemistry = "nmc"\nseries = {series}\nparallel = 3\nrated_capacity_ah = 8.7\n'
        '[meter]\nvoltage = "±(0.5 % rdg + 2 digits)"\nvoltage_digit_v = 0.001\n'
        f'[look]\n{look}\n[readings]\nrested_h = 12\ntaps_from = "{taps_from}"\ntaps_v = {taps}\n{readings}\n[observed]\n{observed}\n'
    )
    return evaluate_sheet(sheet_from_text(text, "torn.toml"))


def rising(count: int) -> list[float]:
    return [round(STEP * k, 3) for k in range(count + 1)]


def unknown(evaluation: dict) -> list[int]:
    return [row["group"] for row in evaluation["taps"]["groups"] if row["level"] == "unknown"]


def codes(evaluation: dict, severity: str | None = None) -> list[str]:
    return [item["code"] for item in evaluation["remarks"] if severity in (None, item["severity"])]


TORN = {
    "7S at group 4": ([*rising(3), 0.021, 0.012, 0.011, 0.004], "pack_negative", [4, 5, 6, 7], 4),
    "7S at group 4, all zeros": (rising(3) + [0.0] * 4, "pack_negative", [4, 5, 6, 7], 4),
    "7S from pack positive": ([*rising(3), 0.021, 0.012, 0.011, 0.004], "pack_positive", [1, 2, 3, 4], 4),
    "13S at group 8, falling on": ([*rising(7), 0.1, 0.08, 0.06, 0.03, 0.02, 0.02], "pack_negative", [8, 9, 10, 11, 12, 13], 8),
    "7S at group 2": ([*rising(1), 0.02, 0.01, 0.01, 0.0, 0.0, 0.0], "pack_negative", [2, 3, 4, 5, 6, 7], 2),
    "the far part floats on the board": ([*rising(3), -4.1, -0.45, 3.2, 6.85], "pack_negative", [4, 5], 4),
}


@pytest.mark.parametrize("name", TORN)
def test_groups_beyond_a_gap_are_not_known_and_no_danger(name: str) -> None:
    taps, taps_from, groups, at = TORN[name]
    found = evaluated(taps, taps_from)
    assert unknown(found) == groups
    assert not codes(found, "danger") and "group_outlier" not in codes(found)
    assert (found["causes"][0]["code"], found["causes"][0]["group"]) == ("joint_torn", at)
    assert not any(set(veto.groups) & set(groups) for veto in vetoes(found))
    if "string_open" in codes(found):
        remark = next(item for item in found["remarks"] if item["code"] == "string_open")
        assert "by itself" in remark["message"] and "Do not bridge the gap" in remark["message"]
        assert f"group_direct_v_{groups[0]}" in " ".join(item["how"] for item in found["missing"])
        assert found["taps"]["sum_is_part"] and found["taps"]["difference_v"] is None


def test_dead_groups_in_a_whole_string_stay_a_danger() -> None:
    for dead in (0.0, 0.4, -0.3):
        taps = rising(3)
        for step in (dead, STEP, STEP, STEP):
            taps.append(round(taps[-1] + step, 3))
        found = evaluated(taps)
        assert unknown(found) == [] and codes(found, "danger") in (["group_no_charge"], ["group_reversed"])
    last = evaluated([*rising(6), round(6 * STEP, 3) - 0.3])
    assert codes(last, "danger") == ["group_reversed"] and unknown(last) == []
    deep = evaluated([0.0, 0.45, 0.9, 1.35, 1.8, 2.25, 2.7, 3.15])
    assert codes(deep, "danger") == ["group_no_charge"] and unknown(deep) == []


def test_a_group_measured_at_its_cells_beyond_a_gap_is_known() -> None:
    found = evaluated(rising(3) + [0.0] * 4, observed="group_direct_v_5 = 3.65\ngroup_direct_v_6 = 0.9")
    assert unknown(found) == [4, 7]
    assert codes(found, "danger") == ["group_no_charge"]


def test_the_outermost_tap_a_lead_or_the_string_told_apart_across_all_cells() -> None:
    taps = [*rising(6), 0.02]
    whole, torn = evaluated(taps, readings="cells_v = 25.55"), evaluated(taps, readings="cells_v = 0.01")
    for found in (whole, torn):
        assert unknown(found) == [7] and not codes(found, "danger")
    assert (whole["causes"][0]["code"], whole["causes"][0]["tap"]) == ("sense_lead_open", 7)
    assert (torn["causes"][0]["code"], torn["causes"][0]["group"]) == ("joint_torn", 7)
    slipped = evaluated([*rising(6), 2.5557])
    assert next(item["tap"] for item in slipped["remarks"] if item["code"] == "tap_falls") == 7


def test_a_look_that_bars_every_repair_is_a_danger_and_nothing_is_opened_for_a_measurement() -> None:
    for item in ("swollen", "leaking", "smell", "hot", "burnt", "wet"):
        found = evaluated([STEP] * 7, "each_group", look=f'{item} = "yes"')
        assert codes(found, "danger") == [f"look_{item}"]
        assert any(veto.code == f"look_{item}" and "repair_lead" in veto.bars for veto in vetoes(found))
        assert found["next"] and not any("open" in (step["needs"] or "") or step["key"] in ("terminal_with_charger_v", "known_charger") for step in found["next"])
        assert "quarantine" in [caution["code"] for caution in found["cautions"]]
    assert any("open" in (step["needs"] or "") for step in evaluated([STEP] * 7, "each_group")["next"])


def test_where_only_the_chemistry_lacks_that_is_said() -> None:
    text = f'[pack]\nid = "a"\nseries = 3\n[readings]\ntaps_from = "each_group"\ntaps_v = {[STEP] * 3}\n'
    stated = evaluate_sheet(sheet_from_text(text.replace("series", 'chemistry = "nmc"\nseries'), "a.toml"))
    found = evaluate_sheet(sheet_from_text(text, "a.toml"))
    assert [veto.words.split(".")[0] for veto in vetoes(found)] == ["The chemistry is not stated"] and not vetoes(stated)
    assert "chemistry_unknown" in [item["code"] for item in look_first(found)]


def test_nothing_at_any_tap_is_no_dead_pack() -> None:
    found = evaluated([0.0, 0.01, 0.01, 0.02, 0.01, 0.01, 0.0, 0.0])
    assert unknown(found) == [1, 2, 3, 4, 5, 6, 7] and not codes(found, "danger")
    assert found["causes"][0]["probability"] < 0.2 and any(item["key"] == "taps" for item in found["next"])
    assert [veto.code for veto in vetoes(found)] == ["groups_not_measured"]
    assert "group_no_charge" in codes(evaluated([0.01] * 7, "each_group"), "danger")


def test_each_group_by_itself_one_reads_nothing_and_the_string_too() -> None:
    taps = [3.651, 3.652, 3.651, 0.02, 3.650, 3.651, 3.649]
    found = evaluated(taps, "each_group", "cells_v = 0.1")
    assert unknown(found) == [4] and not codes(found, "danger")
    assert found["causes"][0]["code"] == "joint_torn"
    dead = evaluated(taps, "each_group", "cells_v = 21.92")
    assert codes(dead, "danger") == ["group_no_charge"] and dead["causes"][0]["code"] == "group_dead"
