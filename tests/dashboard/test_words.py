"""Words of the pages: every code has some, figures come with unit and uncertainty, addresses keep to their bounds."""

from __future__ import annotations

import pytest
from dash.development.base_component import Component

from cycler.errors import InputError
from dashboard import components, text
from dashboard.address import run_numbers
from dashboard.data import RunItem, is_pack_text, pack_from_form, pack_from_text
from dashboard.pages import (
    comparison,
    decision_body,
    decision_scale,
    register,
    run_tables,
)


def words_of(part):
    """All text inside a component."""
    if isinstance(part, Component):
        return words_of(getattr(part, "children", None))
    if isinstance(part, (list, tuple)):
        return " ".join(words_of(item) for item in part)
    return "" if part is None else str(part).replace("\N{NO-BREAK SPACE}", " ")


def item(**changes):
    usual = dict(
        id=4, pack_id="EB-0412", label="after repair", added_at="2026-03-01T09:30:00Z", started_at=None, files=1,
        capacity_ah=9.632, u_capacity_ah=0.0125, capacity_valid=True, capacity_is_lower_bound=False, limiting_group=8,
        verdict="pass", criteria_name="return-to-owner", dangers=0, defects=0, cautions=0,
    )
    return RunItem(**{**usual, **changes})


# ---- register --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "9.632 ± 0.025 Ah"),
        ({"capacity_valid": False, "capacity_is_lower_bound": True}, "at least 9.632 ± 0.025 Ah"),
        ({"capacity_valid": False}, "9.632 ± 0.025 Ah, not valid"),
        ({"capacity_ah": None}, "not known"),
    ],
)
def test_capacity_text(changes, expected):
    assert register.capacity_text(item(**changes)) == expected


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "nothing found"),
        ({"dangers": 1, "defects": 2}, "1 danger, 2 defects"),
        ({"cautions": 1, "capacity_valid": False}, "1 caution, capacity not quotable"),
        ({"capacity_ah": None, "capacity_valid": False}, "no capacity"),
    ],
)
def test_state_text(changes, expected):
    assert register.state_text(item(**changes)) == expected


# ---- addresses -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "found"),
    [("1,2", [1, 2]), ("2,2,1", [2, 1]), ("a,3,-4,5x,", [3]), (None, []), ("1,2,3,4,5,6,7,8,9", [1, 2, 3, 4, 5, 6, 7, 8]),
     ("99999999999999999999", [])],
)
def test_run_numbers(given, found):
    assert run_numbers(given, 8) == found


# ---- words -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("group", "name"),
    [
        ({"group": 4, "name": "Zellgruppe 4 [V]"}, "group 4"),
        ({"group": 1, "name": "A1"}, "A1 (group 1)"),
        ({"group": 2, "name": "C2 mV"}, "C2 (group 2)"),
        ({"group": 6, "name": "Cell Voltage A6"}, "A6 (group 6)"),
        ({"group": 7, "name": "block 7 voltage (V)"}, "group 7"),
        ({"group": 3, "name": None}, "group 3"),
        ({"group": 3, "name": "3"}, "group 3"),
    ],
)
def test_group_name(group, name):
    assert text.group_name(group) == name


@pytest.mark.parametrize(
    ("seconds", "words"), [(None, "not known"), (4.5, "4.5 s"), (725, "12 min 05 s"), (3600, "1 h 00 min"), (18720, "5 h 12 min")]
)
def test_duration_text(seconds, words):
    assert text.duration_text(seconds) == words


@pytest.mark.parametrize(("share", "words"), [(1.0, "above 99.9 %"), (0.0, "below 0.1 %"), (0.2705, "27.1 %")])
def test_share_text_never_claims_certainty(share, words):
    assert text.share_text(share) == words


@pytest.mark.parametrize("result", ["pass", "fail", "not_proven", None, "nonsense"])
def test_result_mark_has_shape_and_word(result):
    mark = components.result_mark(result)
    shape, word = mark.children
    key = result if result in ("pass", "fail", "not_proven") else "none"
    assert f"shape-{key}" in shape.className and word.children == text.RESULT_WORD[key]


def test_error_panel_has_all_four_parts():
    said = words_of(components.error_panel(InputError("no voltage", "a.csv:3", "nothing reads so", "name it"), "Nothing was stored."))
    assert all(part in said for part in ("no voltage", "a.csv:3", "nothing reads so", "name it", "Nothing was stored."))


def test_findings_are_listed_gravest_first_in_words():
    found = [
        {"code": "rows_dropped", "severity": "info", "group": None, "message": "two rows left out", "evidence": None},
        {"code": "group_overvoltage", "severity": "danger", "group": 2, "message": "Group 2 reached 4.41 V.", "evidence": "4.41 V"},
    ]
    said = words_of(components.findings_list(found, {2: "group 2"}))
    assert said.index("Danger") < said.index("Note") and "group 2" in said and "group_overvoltage" not in said


# ---- comparison and verdict ------------------------------------------------------------------------------------


def row(**changes):
    usual = {
        "quantity": "capacity_ah", "label": "Capacity", "unit": "Ah", "values": [6.8, 9.6], "u": [0.01, 0.0125],
        "group": [None, None], "bound": [None, None], "valid": [True, True], "difference": [None, 2.8],
        "u_difference": [None, 0.0075], "significant": [None, True], "improved": [None, True],
    }
    return {**usual, **changes}


def test_difference_cell_tells_figure_difference_and_significance():
    said = " ".join(words_of(comparison.difference_cell(row(), 1, 0)).split())
    assert said == "9.600 ± 0.025 Ah +2.800 ± 0.015 Ah better"


def test_difference_cell_within_the_uncertainty_claims_nothing():
    said = words_of(comparison.difference_cell(row(significant=[None, False], improved=[None, None]), 1, 0))
    assert "within the uncertainty" in said and "better" not in said


def test_difference_cell_of_an_invalid_figure_shows_no_difference():
    said = words_of(comparison.difference_cell(row(valid=[True, False], bound=[None, "lower"]), 1, 0))
    assert said.startswith("at least 9.600 ± 0.025 Ah") and "no difference shown" in said and "+2.8" not in said


def test_difference_of_shares_is_in_percentage_points():
    said = words_of(comparison.difference_cell(row(unit="share", values=[0.65, 0.93], u=[0.001, 0.001], difference=[None, 0.28],
                                                   u_difference=[None, 0.0007]), 1, 0))
    assert "+28.00 ± 0.14 percentage points" in said


def criterion(**changes):
    usual = {
        "id": "health", "quantity": "state_of_health", "label": "State of health", "unit": "share", "required": True,
        "value": 0.93, "u_value": 0.001, "limit": 0.7, "direction": "at_least", "guard_band": 0.002,
        "acceptance_limit": 0.702, "probability_of_conformity": 1.0, "result": "pass", "reason": "It meets the limit.",
        "why": "Below, the range is too short.", "source": "common practice, no source", "group": None,
    }
    return {**usual, **changes}


def test_criterion_item_tells_value_limit_and_acceptance_in_the_unit_of_display():
    said = words_of(decision_scale.criterion_item(criterion()))
    assert all(part in said for part in ("93.00 ± 0.20 %", "at least 70 %", "at least 70.20 %", "above 99.9 %", "no source"))


def test_criterion_item_without_value_says_not_measured_and_never_passes_by_look():
    said = words_of(decision_scale.criterion_item(criterion(value=None, u_value=None, guard_band=None, acceptance_limit=None,
                                                     probability_of_conformity=None, result="not_proven", reason="Not measured.")))
    assert "not measured" in said and "Not proven" in said and "Pass" not in said


def test_vetoes_stand_first():
    found = {
        "result": "fail", "criteria": [criterion()], "vetoes": ["group_overvoltage"], "decision_rule": "guarded",
        "veto_findings": [{"code": "group_overvoltage", "message": "Group 2 reached 4.41 V."}], "to_settle": [],
        "summary": "Fail.", "criteria_name": "x",
    }
    said = words_of(decision_body.verdict_body(found))
    assert said.index("Group 2 reached 4.41 V.") < said.index("Fail") < said.index("State of health")


def test_capacity_words_of_a_lower_bound_say_so_with_the_reason():
    capacity = {"value_ah": 5.457, "u_value_ah": 0.008, "valid": False, "is_lower_bound": True, "reasons": ["discharge_incomplete"]}
    assert run_tables.capacity_words(capacity) == "at least 5.457 ± 0.016 Ah"
    assert "discharge not complete" in run_tables.validity_words(capacity)


# ---- pack from form and file -----------------------------------------------------------------------------------


def test_pack_from_form_leaves_out_empty_fields():
    pack = pack_from_form({"id": "CB-1", "series": 10, "rated_capacity_ah": None, "chemistry": ""}, {"current_gain": 0.002})
    assert (pack.id, pack.series, pack.rated_capacity_ah, pack.chemistry) == ("CB-1", 10, None, None)
    assert pack.instrument.declared and pack.instrument.current_gain == 0.002


def test_pack_from_form_without_limits_declares_no_instrument():
    assert not pack_from_form({"id": "CB-1"}, {"current_gain": None}).instrument.declared


def test_pack_from_form_refuses_what_a_pack_file_refuses():
    with pytest.raises(InputError, match="implausibly large"):
        pack_from_form({"id": "CB-1", "rated_capacity_ah": 10400}, {})


def test_pack_from_text_names_the_line():
    with pytest.raises(InputError) as caught:
        pack_from_text('id = "CB-1"\nserie = 10\n', "pack.toml")
    assert str(caught.value.where) == "pack.toml:2"


def test_pack_from_text_that_is_no_toml_is_an_input_error():
    with pytest.raises(InputError, match="not valid TOML"):
        pack_from_text("id = \n", "pack.toml")


@pytest.mark.parametrize(("given", "pack"), [('id = "x"', True), ("[instrument]\ncurrent_gain = 0.1", True), ("[columns]\nx = 1", False)])
def test_is_pack_text(given, pack):
    assert is_pack_text(given) is pack
