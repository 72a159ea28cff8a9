"""A bench sheet to its evaluation: the contract, the board and its contacts, what to heed, and what cannot be told.

60 V d.c.: IEC 60598-1:2008, 8.2.3 (read), IEC 62368-1 ES1 (from memory). Packs inside it when full: 10S 42.0 V, 13S 54.6 V, 16S lfp 58.4 V; over it: 15S 63.0 V,
17S lfp 62.05 V (products of the limits of the chemistry). Shares and drops of contacts: common practice, no source.
"""

from __future__ import annotations

import json

import pytest

from cycler.repair.cautions import CAUTIONS, DEFERENCE, cautions_of
from cycler.repair.evaluate import LOOK_WORDS, evaluate_sheet, has_grave_group
from cycler.repair.form import sheet_from_form
from cycler.repair.sheet import LOOK_ITEMS
from tests.repair.sheets import TAPS_10S, bench


@pytest.fixture(scope="module")
def whole():
    return evaluate_sheet(bench(TAPS_10S, cells_v="36.40", terminal_v="0.02", ambient_c="21", probe__0__ohm="11800", board_current_ma="0.05", look__hot="no", look__wet="yes"))


def codes(evaluation):
    return [remark["code"] for remark in evaluation["remarks"]]


def test_evaluation_holds_the_contract(whole):
    assert whole["schema"] == "cycler.bench/1" and json.loads(json.dumps(whole, allow_nan=False)) == whole
    assert set(whole) >= {"software", "pack", "complaint", "lamps", "look", "taken_at", "taken_by", "taps", "probes", "remarks", "causes", "ruled_out", "next", "missing", "cautions"}
    for remark in whole["remarks"]:
        assert set(remark) == {"code", "severity", "group", "tap", "probe", "message", "evidence"} and remark["severity"] in ("info", "caution", "defect", "danger")
        assert remark["message"].endswith(".") and isinstance(remark["evidence"], str)
    assert sum(cause["probability"] for cause in whole["causes"]) == pytest.approx(1.0)
    assert set(whole["taps"]["groups"][0]) >= {"group", "voltage_v", "u_voltage_v", "state_of_charge", "u_state_of_charge", "low_state_of_charge", "high_state_of_charge", "level", "findings"}
    assert [item["code"] for item in whole["cautions"]] == ["stored_energy", "short_circuit_probes", "quarantine", "transport_damaged"]
    assert {"look_wet", "terminal_dead", "group_outlier", "spread_wide"} <= set(codes(whole)) and not has_grave_group(whole)


def test_empty_sheet_is_evaluated_and_says_what_to_measure():
    empty = evaluate_sheet(sheet_from_form({}))
    assert json.dumps(empty, allow_nan=False) and empty["taps"]["taken"] is False and empty["next"]
    assert {"voltages of the groups", "levels and state of charge of the groups"} <= {item["what"] for item in empty["missing"]}
    assert all(item["why"] and item["how"] for item in empty["missing"])


def test_what_was_typed_and_is_no_number_is_told():
    found = evaluate_sheet(sheet_from_form({"taps_from": "pack_negative", "taps.0": "0", "taps.1": "3.6x"}))
    assert found["unread"] == [["taps.1", "3.6x"]] and next(item for item in found["missing"] if item["what"] == "taps.1")["how"]


@pytest.mark.parametrize(("further", "code", "severity"), [
    ({"terminal_v": "0.02"}, "terminal_dead", "defect"), ({"terminal_v": "30"}, "terminal_low", "caution"), ({"charge_contact_v": "0.1"}, "charge_contact_dead", "info"),
    ({"board_current_ma": "3"}, "board_draws_much", "defect"), ({"board_current_ma": "3", "pack__rated_capacity_ah": "10"}, "board_draws_much", "defect"),
])
def test_board_and_contacts(further, code, severity):
    found = evaluate_sheet(bench(TAPS_10S, cells_v="36.4", **further))
    assert next(remark for remark in found["remarks"] if remark["code"] == code)["severity"] == severity
    sound = evaluate_sheet(bench(TAPS_10S, cells_v="36.4", terminal_v="36.39", charge_contact_v="36.3", board_current_ma="0.05"))
    assert not {"terminal_dead", "terminal_low", "charge_contact_dead", "board_draws_much", "sum_mismatch"} & set(codes(sound))


def test_dead_contacts_are_no_sum_that_differs():
    found = evaluate_sheet(bench(TAPS_10S, terminal_v="0.02"))
    assert found["taps"]["compared_with"] is None and "terminal_dead" in codes(found) and "sum_mismatch" not in codes(found)
    assert evaluate_sheet(bench(TAPS_10S, terminal_v="36.39"))["taps"]["compared_with"] == "terminal_v"
    # 3 mA for 720 h are 2.16 Ah.
    month = evaluate_sheet(bench(board_current_ma="3", pack__rated_capacity_ah="10"))
    assert "2.2 Ah a month, 22 % of the rated" in next(remark["message"] for remark in month["remarks"] if remark["code"] == "board_draws_much")


@pytest.mark.parametrize(("chemistry", "series", "over"), [("nmc", 10, False), ("nmc", 13, False), ("nmc", 14, False), ("nmc", 15, True), ("lfp", 16, False), ("lfp", 17, True)])
def test_packs_over_60_v_when_full(chemistry, series, over):
    found = evaluate_sheet(bench(series=series, pack__chemistry=chemistry))
    assert ("over_60_v" in codes(found)) == over == ("over_60_v" in [item["code"] for item in found["cautions"]])


def test_measured_voltage_over_60_v_counts_without_ratings():
    assert "over_60_v" in codes(evaluate_sheet(sheet_from_form({"cells_v": "66"})))


@pytest.mark.parametrize(("values", "expected"), [
    ({"look.swollen": "yes"}, {"swollen_or_hot", "quarantine", "transport_damaged"}), ({"look.leaking": "yes"}, {"opened_cells", "quarantine", "transport_damaged"}), ({"look.opened_before": "yes"}, {"opened_cells"}),
    ({"look.swollen": "no"}, set()), ({}, set()),
])
def test_cautions_follow_the_look(values, expected):
    found = evaluate_sheet(sheet_from_form(values))
    assert {item["code"] for item in found["cautions"]} == {"stored_energy", "short_circuit_probes"} | expected
    assert cautions_of(found) == found["cautions"] and len({item["words"] for item in found["cautions"]}) == len(found["cautions"])


def test_cautions_follow_the_levels():
    for volts, expected in ((2.3, {"deep_discharge"}), (1.2, {"deep_discharge", "quarantine", "transport_damaged"}), (4.4, {"quarantine"})):
        found = evaluate_sheet(bench([volts] * 10, "each_group"))
        assert {item["code"] for item in found["cautions"]} - {"stored_energy", "short_circuit_probes"} == expected
        assert has_grave_group(found) == (volts == 1.2)


def test_every_caution_and_every_look_has_its_words():
    assert set(LOOK_WORDS) == set(LOOK_ITEMS) and len(CAUTIONS) == 8
    assert all(words.endswith(".") and len(words) < 320 for words in CAUTIONS.values())
    assert "licensed" in DEFERENCE and "local" in DEFERENCE and "no proof" in DEFERENCE
    dangers = {item for item, (severity, _words) in LOOK_WORDS.items() if severity == "danger"}
    assert dangers == {"swollen", "leaking", "smell", "hot", "burnt", "wet"}


@pytest.mark.parametrize("volts", [[0] * 11, [3.6], ["-"] * 3, [0, 60, -60, 5], [0, *[7.3 * place for place in range(1, 6)]]])
def test_strange_readings_are_evaluated_all_the_same(volts):
    found = evaluate_sheet(sheet_from_form({"pack.series": "10", "taps_from": "pack_negative"} | {f"taps.{place}": str(volt) for place, volt in enumerate(volts)}))
    assert json.dumps(found, allow_nan=False) and found["causes"] and found["missing"]
