"""The bench sheet's page without a browser: fields, drafts, questions, what is shown of an evaluation, and the paper."""

from __future__ import annotations

import json
import re

import pytest

from cycler.errors import InputError
from cycler.quantities import COVERAGE_FACTOR
from cycler.repair.cautions import DEFERENCE
from cycler.repair.sheet import LOOK_ITEMS, TAPS_FROM
from dashboard import text_job_sheet as text
from dashboard.app import create_app, page_for
from dashboard.data import Door
from dashboard.door.sheets import with_curves
from dashboard.figures.groups_bench import SHAPES, group_voltages
from dashboard.pages import job_sheet, sheet_paper, sheet_result, sheet_taps

from .test_pack_page import said

WHO = "A. Bell"
HOST = {"Host": "127.0.0.1:8765"}


@pytest.fixture
def door(tmp_path):
    opened = Door(tmp_path / "register.sqlite", tmp_path / "key.pem")
    yield opened
    opened.close()


@pytest.fixture
def job(door):
    """An invented job: a cargo-bike pack that came in dead."""
    return door.open_job("CB-7001", "dead since Monday", WHO)


def taps_of(volts):
    """Cumulative taps from pack negative as they are typed."""
    total, typed = 0.0, {"taps.0": "0"}
    for number, volt in enumerate(volts, 1):
        total += volt
        typed[f"taps.{number}"] = f"{total:.3f}"
    return typed


# Invented: 10 groups, the fourth far below the others; the voltage across all cells agrees with the taps.
DEAD = {"pack.id": "CB-7001", "pack.series": "10", "pack.chemistry": "nmc", "taps_from": "pack_negative", "cells_v": "34.12",
        **taps_of([3.66] * 3 + [1.18] + [3.66] * 6)}


def said_of(evaluation):
    """All words of what the readings say, in the order of the page."""
    return said(list(sheet_result.parts(evaluation).values()))


# ---- fields ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "rows"),
    [
        # N groups have N + 1 taps: common practice, no source.
        ({"pack.series": "10"}, 11), ({"pack.series": "10", "taps_from": "each_group"}, 10), ({"pack.series": "20", "taps_from": "pack_positive"}, 21),
        ({}, 2), ({"taps.0": "0", "taps.4": "14.6"}, 6), ({"pack.series": "3", "taps.6": "22"}, 7), ({"pack.series": "ten"}, 2), ({"pack.series": "-3"}, 2),
        ({"pack.series": "9999"}, 2),
    ],
)
def test_fields_of_taps_follow_the_series_and_never_hide_an_entry(values, rows):
    assert sheet_taps.rows_shown(values) == rows
    drawn = sheet_taps.tap_rows(values, 0, sheet_taps.rows_needed(values))
    assert sum(not row.hidden for row in drawn) == rows and len(drawn) > rows


def test_every_item_of_the_sheet_has_words_and_every_level_a_shape_and_a_word():
    assert tuple(text.LOOK_ITEMS) == LOOK_ITEMS and tuple(text.TAPS_WAYS) == TAPS_FROM
    assert set(SHAPES) == set(text.LEVELS) and len({words for _shape, words in text.LEVELS.values()}) == len(text.LEVELS)
    marks = {level: sheet_result.level_mark(level) for level in text.LEVELS}
    assert all(mark.children[0].className.startswith("shape ") and mark.children[1].children for mark in marks.values())


def test_a_page_of_a_new_job_has_its_complaint_and_no_draft(door, job):
    page, title = job_sheet.layout(door, job, {})
    assert title == "Bench sheet: pack CB-7001"
    words = said(page)
    assert text.RESULT_EMPTY in words and text.KEPT_NONE in words and "dead since Monday" in json.dumps(page.to_plotly_json(), default=lambda c: c.to_plotly_json())
    missing, _title = page_for(door, "/job/99/sheet", "")
    assert "99" in said(missing)


# ---- drafts ------------------------------------------------------------------------------------------------------


def test_what_is_typed_is_kept_as_typed_and_two_pages_do_not_undo_each_other(door, job, tmp_path):
    door.keep_typed(job, "bench", 1, {"taps.1": "3,65", "cells_v": "abc"})
    door.keep_typed(job, "phone", 1, {"look.swollen": "no"})
    door.keep_typed(job, "bench", 2, {"taps.1": "", "taps.2": " 7,31 V"})
    kept = Door(tmp_path / "register.sqlite", tmp_path / "key.pem")  # the program is started anew
    draft = kept.sheet_draft(job)
    kept.close()
    assert {key: draft.get(key) for key in ("taps.1", "taps.2", "cells_v", "look.swollen")} == {"taps.1": None, "taps.2": " 7,31 V", "cells_v": "abc", "look.swollen": "no"}
    page, _title = job_sheet.layout(door, job, {})
    assert text.KEPT_BEFORE in said(page)


def test_a_sending_that_was_overtaken_writes_nothing(door, job):
    door.keep_typed(job, "bench", 5, {"taps.1": "3.65"})
    door.keep_typed(job, "bench", 4, {"taps.1": "3.6"})
    assert door.sheet_draft(job)["taps.1"] == "3.65"


@pytest.mark.parametrize("body", [None, [], {}, {"changes": []}, {"changes": {}, "number": "1"}, {"changes": {"a": 1}, "number": 1},
                                  {"changes": {"a": "x" * 5000}, "number": 1}, {"changes": {str(n): "" for n in range(4000)}, "number": 1}])
def test_a_call_that_holds_no_changes_is_refused(body):
    with pytest.raises(ValueError, match="no changes"):
        job_sheet.checked_changes(body)


def test_a_page_that_is_left_hands_over_its_last_entries_and_other_pages_cannot(tmp_path):
    app = create_app(tmp_path / "register.sqlite")
    door, client = app.server.extensions["dashboard_door"], app.server.test_client()
    number = door.open_job("CB-7001", "dead", WHO)
    own = {**HOST, "Origin": "http://127.0.0.1:8765", "Sec-Fetch-Site": "same-origin"}
    body = {"number": 1, "page": "x", "changes": {"taps.1": "3.6"}}
    foreign = client.post(f"/job/{number}/sheet/typed", headers={**own, "Origin": "http://pages.example"}, json=body)
    assert foreign.status_code == 403 and "taps.1" not in door.sheet_draft(number)
    assert client.post(f"/job/{number}/sheet/typed", headers=own, json=body).status_code == 204
    assert door.sheet_draft(number)["taps.1"] == "3.6"
    assert client.post(f"/job/{number}/sheet/typed", headers=own, data=b"no json").status_code == 400
    assert client.post(f"/job/{number}/sheet/typed", headers=own, data=b"[" * 100_000).status_code == 400
    assert client.post("/job/99/sheet/typed", headers=own, json=body).status_code == 400
    door.close()


# ---- thermistors ---------------------------------------------------------------------------------------------------


def test_a_usual_type_becomes_its_curve_and_an_own_one_stays(door):
    code = door.thermistor_types()[0][0]
    typed = {"probe.0.ohm": "9870", "probe.0.type": code, "probe.1.ohm": "9,9k", "probe.1.type": "own", "probe.1.r25_ohm": "10000", "probe.1.b_k": "3435",
             "probe.2.ohm": "10k", "probe.2.type": "", "probe.3.type": code, "probe.4.ohm": "1", "probe.4.type": "no such"}
    made = with_curves(typed)
    assert not any(key.endswith(".type") for key in made) and made["probe.1.r25_ohm"] == "10000"
    assert "probe.0.r25_ohm" in made or "probe.0.a" in made
    assert not any(key.startswith(("probe.2.r25", "probe.3.", "probe.4.r25")) for key in made)
    assert not door.unread(typed)


# ---- questions -----------------------------------------------------------------------------------------------------


def test_a_falling_tap_and_a_text_are_told_beside_their_fields_and_stay(door):
    typed = {**DEAD, "taps.5": "12.0", "ambient_c": "warm", "probe.3.ohm": "9.9"}
    asked, unread = door.form_questions(typed), door.unread(typed)
    assert unread == {"ambient_c": "warm"} and asked["taps.5"].severity == "question" and "taps.1" not in asked
    told = job_sheet.asked_words(asked, unread)
    assert told["taps.5"] == (asked["taps.5"].words, "question") and "cells_v" not in told
    assert "kΩ" in told["probe.3.ohm"][0]  # the rows before it are empty
    words, kind = told["ambient_c"]
    assert "warm" in words and "kept as" in words and kind == "refuse"
    assert "warm" in job_sheet.asked_words({}, unread)["ambient_c"][0]
    assert door.question_at(typed, "taps.5").words == asked["taps.5"].words and door.question_at(DEAD, "taps.1") is None


def test_the_group_that_a_tap_makes_stands_beside_it_with_its_uncertainty(door):
    steps = door.tap_steps(DEAD)
    assert re.fullmatch(r"group 4: 1\.18\d* ± 0\.\d+ V", steps["taps.4"]) and "taps.0" not in steps
    turned = door.tap_steps({**DEAD, "taps_from": "pack_positive"})
    assert turned["taps.4"].startswith("group 7: 1.18")
    assert door.tap_steps({"pack.series": "3", "taps_from": "each_group", "taps.0": "3.6", "taps.1": "3.6"}) == {}


# ---- what is shown -------------------------------------------------------------------------------------------------


def test_a_dead_group_ranks_first_with_its_evidence_and_the_next_step(door):
    toml, evaluation = door.evaluate_form(DEAD)
    assert door.evaluate_form(DEAD)[1] is evaluation and "taps_v" in toml
    words = said_of(evaluation)
    heeded = said(sheet_result.cautions(evaluation["cautions"]))
    assert heeded.index("short inside when they are charged") < heeded.index(text.CAUTIONS) and DEFERENCE in heeded  # the grave one first
    first = evaluation["causes"][0]
    assert first["group"] == 4 and words.index(text.CAUSES) < words.index(text.NEXT) < words.index(text.GROUPS)
    assert all(str(item["words"]) in words for item in first["for"]) and first["for"]
    assert str(evaluation["next"][0]["words"]).casefold() in words.casefold()
    assert re.search(r"\b4 1\.18\d* ± 0\.\d+ V", words) and text.LEVELS[evaluation["taps"]["groups"][3]["level"]][1] in words
    assert "group 4" in said(sheet_result.top_line(evaluation)).lower()


def shown(**changes):
    """A small invented evaluation."""
    base = {
        "taps": {"groups": [], "expected_taps": None, "found_taps": 0}, "remarks": [], "causes": [], "ruled_out": [], "next": [], "missing": [], "cautions": [], "probes": [],
    }
    return {**base, **changes}


def test_an_evaluation_without_anything_says_so_and_claims_nothing():
    words = said_of(shown())
    assert text.CAUSES_NONE in words and text.REMARKS_NONE in words and text.GROUPS not in words
    assert text.TOP_NONE in said(sheet_result.top_line(shown())) and text.TOP_NONE in said(sheet_result.top_line(None))


def test_remarks_stand_gravest_first_and_a_chance_is_a_word_and_a_figure():
    remark = {"group": None, "tap": None, "probe": None, "evidence": "34.10 V against 34.90 V"}
    cause = {"code": "fuse_open", "title": "fuse open", "part": "wiring", "group": None, "probability": 0.0004, "prior": 0.1, "words": "It is open.",
             "for": [{"reading": "contacts", "words": "they are dead", "factor": 8.0}], "against": [{"reading": "fuse", "words": "0.1 Ω", "factor": 0.05}], "basis": "common practice, no source"}
    words = said_of(shown(
        remarks=[{**remark, "code": "a", "severity": "info", "message": "the last"}, {**remark, "code": "b", "severity": "danger", "message": "the first"}],
        causes=[{**cause, "probability": 0.97, "title": "dead board", "code": "board_dead"}, cause],
        ruled_out=[{"code": "x", "title": "bad charger", "group": None, "by": [{"reading": "charger alone", "words": "42.0 V"}]}],
        missing=[{"what": "charge of group 3", "why": "its tap was not read", "how": "read tap 3"}],
    ))
    assert words.index("The first") < words.index("The last") and "very likely, 97 %" in words and "unlikely, under 1 %" in words
    assert "(8 times as likely with this cause)" in words and "(20 times less likely with this cause)" in words
    assert "charger alone: 42.0 V" in words and "Charge of group 3 : its tap was not read. Read tap 3" in " ".join(words.split())


def test_next_measurement_leads_to_its_field():
    step = {"key": "group_direct_v", "enter": "group_direct_v_4", "words": "voltage of group 4 at its cells", "how": "Probes on the tabs.", "minutes": 3, "needs": [], "splits": [], "bits": 0.4,
            "bits_per_minute": 0.1, "caution": None}
    part = sheet_result.parts(shown(next=[step, {**step, "enter": "charger_v", "words": "charger alone"}], causes=[]))["next"]
    drawn = json.dumps(part.to_plotly_json(), default=lambda c: c.to_plotly_json())
    assert '"data-to-field": "observed.group_direct_v_4"' in drawn and '"data-to-field": "charger_v"' in drawn and "about 3 min" in drawn
    entered = {"look": "look.swollen", "taps": "taps.0", "board_current": "board_current_ma", "sag_ratio_N": "observed.sag_ratio", "lead_ohm_3": "observed.lead_ohm_3"}
    assert {name: sheet_result.field_of({"key": "x", "enter": name}) for name in entered} == entered


def test_figure_shows_each_group_with_its_expanded_uncertainty_and_a_cross_where_none_may_charge():
    groups = [{"group": 1, "voltage_v": 3.65, "u_voltage_v": 0.006, "level": "ok"}, {"group": 2, "voltage_v": None, "u_voltage_v": None, "level": "unknown"},
              {"group": 3, "voltage_v": 1.2, "u_voltage_v": 0.004, "level": "no_charge"}]
    trace = group_voltages({"groups": groups}, "t", "x", {"ok": "fine"}).data[0]
    assert list(trace.x) == ["1", "3"] and list(trace.error_y.array) == [COVERAGE_FACTOR * 0.006, COVERAGE_FACTOR * 0.004] and trace.marker.symbol == ("circle", "x")
    assert group_voltages({"groups": groups[1:2]}, "t", "x", {}) is None


def test_paper_holds_every_entry_as_it_was_typed(door):
    typed = {**DEAD, "look.wet": "yes", "taps.3": "10,98", "ambient_c": "warm", "probe.0.ohm": "9.8k", "probe.0.name": "T1", "observed.charges": "no", "complaint": "dead"}
    words = said(sheet_paper.paper(typed, door.observations()))
    assert all(value in words for value in ("10,98", "warm", "9.8k", "T1", "34.12", "From pack −", "dead", text.PAPER_BLANK, text.PAPER_LOOKED[""]))


# ---- keeping -------------------------------------------------------------------------------------------------------


def test_a_kept_sheet_counts_and_its_danger_holds_the_pack(door, job):
    door.keep_typed(job, "bench", 1, DEAD)
    evaluation = door.keep_form(job, door.sheet_draft(job), WHO)
    assert door.job(job)["evaluation"]["causes"][0]["code"] == evaluation["causes"][0]["code"]
    dangers = [item for item in evaluation["remarks"] if item["severity"] == "danger"]
    assert dangers and door.pack_sheet("CB-7001").dangers
    words = said(job_sheet._kept_words(job, evaluation))
    assert str(dangers[0]["message"]) in words and f"job {job}" in words
    form = door.sheet_draft(job)
    assert form["taps.4"] == "12.16" and form["taken_by"] == WHO
    with pytest.raises(InputError):
        door.keep_form(job, DEAD, "")
