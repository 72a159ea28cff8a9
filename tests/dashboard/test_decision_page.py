"""What the page of a verdict says and does, without a browser."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from pathlib import Path

import pytest

from cycler import settle
from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.pack import load_pack
from cycler.record import text as record_text
from cycler.register import Register
from cycler.workflow import add_logs, decide_run
from dashboard import text, text_decision
from dashboard.data import Door, Wish
from dashboard.figures.scale import scale
from dashboard.pages import decision_body, decision_confirm, decision_scale, verdict

from .conftest import RUNS, SAMPLES
from .test_words import criterion, words_of
from .walking import called

OWN = b"""name = "bench-rule"
title = "Rule <b>of</b> the bench"
about = "Invented."
decision = "guarded"
guard_multiple = 1.0

[[criterion]]
id = "health"
quantity = "state_of_health"
limit = 0.925
unit = "share"
direction = "at_least"
required = true
why = "Invented limit in the middle of the uncertainty of run 2."
source = "no source"
"""


def wish(**changes):
    return Wish(**{"criteria": "return-to-owner", "by": "Ada Pohl", **changes})


def state_of(door, run_id=2):
    return door.decision(run_id).state


# ---- scale -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "the value lies on the accepted side, clear of the guard band"),
        ({"result": "fail", "value": 0.60}, "the value lies on the refused side, beyond the guard band"),
        ({"result": "not_proven", "value": 0.7005}, "the value lies inside the guard band, where nothing is proven"),
        ({"result": "not_proven", "value": 0.95}, "the value does not count"),
        ({"result": "not_proven", "value": None, "u_value": None, "guard_band": None}, "there is no value on it"),
        ({"result": "not_proven", "value": 0.52, "bound": "lower"}, "the true value is this or higher"),
    ],
)
def test_scale_is_told_in_words_with_limit_and_guard_band(changes, said):
    row = criterion(**changes)
    words = decision_scale.spoken(row)
    assert said in words and "at least 70 %" in words
    assert ("guard band 0.20 %" if row["guard_band"] else "guard band none") in words
    item = decision_scale.criterion_item(row)
    assert words in words_of(item)


def test_scale_itself_is_hidden_from_those_who_hear_the_words():
    box = decision_scale.scale_bar(criterion())
    assert getattr(box, "aria-hidden") == "true"


@pytest.mark.parametrize("value", [0.05, 0.3, 0.7, 0.99])
def test_word_on_the_accepted_stretch_gives_way_to_dot_and_bar(value):
    row = criterion(value=value, u_value=0.01)
    place = decision_scale.place_of(row)
    shown = text_decision.ACCEPTED_SIDE in words_of(decision_scale.scale_bar(row))
    room = place.accept_to - place.accept_from >= decision_scale.ROOM_FOR_WORD
    assert shown == (room and place.high <= 100.0 - decision_scale.WORD_WIDE)
    assert place == scale(value, 0.01, row["limit"], row["guard_band"], True)


def test_criteria_that_do_not_decide_are_folded_only_where_they_all_pass():
    rows = [criterion(), criterion(id="b", quantity="capacity_ah", required=False)]
    folded, opened = (decision_body.criteria_parts({"criteria": [rows[0], rows[1] | {"result": result}]})[1] for result in ("pass", "fail"))
    assert [part.children.open for part in (folded, opened)] == [False, True]
    assert "1 pass" in words_of(folded) and "1 fail" in words_of(opened)


# ---- result, settling, difference ----------------------------------------------------------------------------------


def test_veto_stands_once_and_takes_the_place_of_summary_and_caution(own):
    door, kept = own
    kept.add_card_entry("EB-0412", "danger", "Group 3 is swollen", who="A. Bench")
    shown = door.decision(2)
    said = words_of(decision_body.verdict_body(shown.verdict, shown, 2, "EB-0412"))
    assert said.count("Group 3 is swollen") == 1 and "written by A. Bench" in said
    assert text_decision.VETO_DO in said and text_decision.ACT["fail"] not in said
    assert not shown.is_kept and "says pass" in said and text_decision.DIFFERS_GROUNDS in said


@pytest.mark.parametrize("result", ["pass", "fail", "not_proven"])
def test_every_result_has_one_caution_that_claims_no_conformity(result):
    said = words_of(decision_body.result_panel({"result": result, "criteria_name": "x"}))
    assert said.count(text_decision.ACT[result]) == 1 and "standard" not in said and record_text.RESULT_MEANS[result] in said


def test_what_would_settle_says_likely_and_leads_to_the_criterion():
    row = criterion(result="not_proven", value=0.7005)
    found = {"result": "not_proven", "criteria": [row], "to_settle": ["State of health: cannot be told.", "Advisory: Leave it at rest."]}
    part = decision_body.settle_part(found, 2)
    said = words_of(part)
    assert said.startswith("What would likely settle it") and text_decision.SETTLE_LIKELY in said and "Advisory:" not in said
    assert f"#{decision_scale.anchor_of(row)}" in str(part)


def test_missing_rating_is_asked_for_in_the_page_s_words_and_leads_to_its_place():
    told = {
        "Enter rated_capacity_ah from the pack's label in the pack file.": "Add the rated capacity that stands on the pack's label.",
        "Enter rated_energy_wh from the pack's label in the pack file.": "Add the rated energy that stands on the pack's label.",
        "Enter cutoff_voltage_v (or group_cutoff_voltage_v) from the pack's label in the pack file.": "Add the voltage of the pack (or of a group) at which",
    }
    sources = (Path(settle.__file__)).read_text("utf-8")
    assert all(f'"{sentence}"' in sources for sentence in told)  # as the program says them
    part = decision_body.settle_part({"result": "not_proven", "criteria": [], "to_settle": list(told)}, 2, "EB 0412/1")
    said = words_of(part)
    assert all(words in said for words in told.values()) and "pack file" not in said and "_ah" not in said
    assert str(part).count("/pack/EB%200412%2F1#pack-acts") == 3 and "/add?pack=EB%200412%2F1" in str(part)
    assert text.CAUTION_TEST in said  # beside the link to the next test, before it is run


def test_result_that_is_no_longer_open_promises_nothing():
    assert text_decision.SETTLE_LIKELY not in words_of(decision_body.settle_part({"result": "fail", "criteria": [], "to_settle": ["Charge it."]}))
    assert decision_body.settle_part({"result": "pass", "criteria": [], "to_settle": []}) is None


def test_other_set_tells_which_criteria_come_out_otherwise(own):
    door, _kept = own
    value = door.take_set("bench.toml", OWN)
    shown = door.decision(2, value)
    otherwise, besides = decision_body.differing(shown.newest.verdict, shown.verdict)
    assert otherwise == ["State of health: pass (limit at least 70 %); here not proven (limit at least 92.5 %)"]
    assert len(besides) == len(shown.newest.verdict["criteria"]) - 1
    said = words_of(decision_body.verdict_body(shown.verdict, shown, 2))
    assert text_decision.PREVIEW in said and otherwise[0] in said and "Rule <b>of</b> the bench" in said
    assert decision_body.differs_panel(door.decision(2)) is None


# ---- sets of one's own ---------------------------------------------------------------------------------------------


def test_own_set_is_kept_with_the_verdict_and_offered_after_a_new_start(own, tmp_path):
    door, kept = own
    value = door.take_set("bench.toml", OWN)
    assert [item.name for item in door.own_sets(1)] == [value]
    door.decide(2, wish(criteria=value), state_of(door))
    assert kept.latest_verdict(2).criteria_text == OWN.decode()
    again = Door(kept.name, tmp_path / "key.pem")
    assert [item.title for item in again.own_sets(1)] == ["Rule <b>of</b> the bench"]
    assert again.usual(2) == (value, 0) and again.decision(2).is_kept and again.criteria(value).sha256 == kept.latest_verdict(2).criteria_sha256
    again.close()


@pytest.mark.parametrize(
    ("raw", "named"),
    [
        (OWN.replace(b"0.925", b"0,925"), "bench.toml"), (OWN.replace(b'"share"', b'"%"'), 'unit = "share"'), (b"\x00\x01PK", "bench.toml"),
        (OWN.replace(b"state_of_health", b"state_of_helth"), "state_of_health"), (b"", "bench.toml"), (b"#" * 1_000_001, "1.0 MB"),
        (OWN.replace(b'"bench-rule"', b'"resale"'), "shipped set"),
    ],
)
def test_file_that_is_no_set_is_told_in_place_and_never_offered(own, raw, named):
    door, _kept = own
    with pytest.raises(InputError) as caught:
        door.take_set("bench.toml", raw)
    assert named in caught.value.one_line()
    assert door.own_sets(2) == []


@pytest.mark.parametrize("name", ["own-", "own-0000000000000000", "../etc/passwd", "<b>", ""])
def test_set_of_an_address_that_is_none_falls_back_to_the_usual(own, name):
    door, _kept = own
    assert verdict.chosen(door, 2, {"criteria": name, "before": "99"}) == ("return-to-owner", 0)
    with pytest.raises(InputError):
        door.criteria(name or "x")


# ---- held against ----------------------------------------------------------------------------------------------------


def test_run_before_is_that_of_the_kept_verdict_and_can_be_chosen(own):
    door, kept = own
    assert door.usual(2) == ("return-to-owner", 0) and door.runs_before(2) == [(1, "run 1, before repair")]
    assert verdict.chosen(door, 2, {"before": "1"})[1] == 1
    decide_run(kept, 2, load_criteria(), 1)
    assert door.usual(2) == ("return-to-owner", 1)
    shown = door.decision(2)
    assert shown.is_kept and "held against run 1" in words_of(decision_body.result_panel(shown.verdict, shown, 2))
    assert not door.decision(2, before=0).is_kept
    kept.withdraw(1, who="A. Bench", why="wrong leads")
    assert door.usual(2)[1] == 0 and door.runs_before(2) == []


# ---- confirming ------------------------------------------------------------------------------------------------------


def test_confirming_keeps_the_verdict_and_issues_the_record_in_one_act(own):
    door, kept = own
    outcome = door.decide(2, wish(remark="<b>ok</b>", workshop="Quayside", language="de", before=1), state_of(door))
    (row,) = kept.records(2)
    assert (outcome.kind, outcome.serial, outcome.number) == ("done", row.serial, 2)
    newest = kept.latest_verdict(2)
    assert row.verdict_id == newest.id and newest.verdict["decided"] == {"by": "Ada Pohl", "remark": "<b>ok</b>"}
    said = words_of(decision_confirm.told(door, 2, outcome))
    assert f"Record {row.serial} is made." in said and "verdict 2 of run 2, kept" in said and "by Ada Pohl" in said
    assert all(name in said for name in (*text_decision.DOWNLOAD_NAME.values(), *text_decision.LABEL_NAME.values()))


def test_verdict_can_be_kept_without_a_record(own):
    door, kept = own
    outcome = door.decide(2, wish(record=False), state_of(door))
    assert (outcome.kind, outcome.serial, outcome.number) == ("done", None, 2)
    assert kept.records(2) == [] and len(kept.verdicts(2)) == 2


def test_second_tab_is_told_of_the_record_that_was_just_made_and_makes_none(own):
    door, kept = own
    stale = state_of(door)
    first = door.decide(2, wish(), stale)
    second = door.decide(2, wish(by="Bo"), stale)
    assert second.kind == "changed" and second.serial == first.serial and set(second.what) == {"verdict", "record"}
    said = words_of(decision_confirm.told(door, 2, second))
    assert f"record {first.serial} was just made" in said and "by Ada Pohl" in said
    assert len(kept.records(2)) == 1 and len(kept.verdicts(2)) == 2


def test_two_presses_at_the_same_instant_make_one_record(own):
    door, kept = own
    state, start, kinds = state_of(door), threading.Barrier(2), []

    def press():
        start.wait()
        kinds.append(door.decide(2, wish(), state).kind)

    presses = [threading.Thread(target=press) for _ in range(2)]
    for one in presses:
        one.start()
    for one in presses:
        one.join(timeout=60)
    assert sorted(kinds) == ["changed", "done"] and len(kept.records(2)) == 1


@pytest.mark.parametrize("record", [True, False])
def test_two_programs_that_decide_at_the_same_instant_on_what_both_showed_keep_one_verdict(own, tmp_path, record, monkeypatch):
    """Two dashboards over one register share no lock: each has found nothing changed before either writes."""
    door, kept = own
    other = Door(tmp_path / "own.sqlite", tmp_path / "key.pem")
    state, gate, said = state_of(door), threading.Barrier(2), []
    for one in (door, other):
        real = one._decide
        monkeypatch.setattr(one, "_decide", lambda *words, real=real: (gate.wait(60), real(*words))[1])

    def press(one, name):
        said.append(one.decide(2, wish(record=record, by=name), state))

    presses = [threading.Thread(target=press, args=pair) for pair in ((door, "Ada Pohl"), (other, "Bo"))]
    for one in presses:
        one.start()
    for one in presses:
        one.join(timeout=60)
    other.close()
    assert sorted(item.kind for item in said) == ["changed", "done"] and len(kept.verdicts(2)) == 2 and len(kept.records(2)) == record
    assert next(item for item in said if item.kind == "changed").what == (("verdict", "record") if record else ("verdict",))


def test_press_after_the_record_asks_before_it_makes_the_same_once_more(own):
    door, kept = own
    first = door.decide(2, wish(workshop="Quayside"), state_of(door))
    asked = door.decide(2, wish(workshop=" Quayside "), state_of(door))
    assert (asked.kind, asked.serial) == ("same", first.serial) and len(kept.records(2)) == 1
    assert first.serial in words_of(decision_confirm.told(door, 2, asked))
    assert door.decide(2, wish(workshop="Quayside", language="de"), state_of(door)).kind == "done"  # another language is another record
    assert door.decide(2, wish(workshop="Quayside"), state_of(door), again=True).kind == "done"
    assert len(kept.records(2)) == 3 and len(kept.verdicts(2)) == 2  # all by the one verdict


@pytest.mark.parametrize(
    ("meanwhile", "what"),
    [
        (lambda kept: kept.add_card_entry("EB-0412", "danger", "Smells", who="A."), "dangers"),
        (lambda kept: decide_run(kept, 2, load_criteria("resale"), by="Bo"), "verdict"),
    ],
)
def test_what_changed_meanwhile_is_told_and_nothing_is_kept(own, meanwhile, what):
    door, kept = own
    stale = state_of(door)
    meanwhile(kept)
    before = len(kept.verdicts(2))
    outcome = door.decide(2, wish(), stale)
    assert (outcome.kind, outcome.what) == ("changed", (what,)) and (len(kept.verdicts(2)), kept.records(2)) == (before, [])
    assert text_decision.CHANGED_THEN in words_of(decision_confirm.told(door, 2, outcome))


def test_confirmation_of_a_run_goes_to_no_other_run_of_the_same_number(own, tmp_path):
    """A page that stayed open while another register was put in the place of its own, with as many runs, verdicts and records in it."""
    door, _kept = own
    shown = state_of(door, 2)
    with Register.open(tmp_path / "other.sqlite") as other:
        for log, pack, label in (RUNS[0], RUNS[2]):
            add_logs(other, [(log, (SAMPLES / log).read_bytes())], load_pack(SAMPLES / "packs" / pack), label, load_criteria())
        there = Door(tmp_path / "other.sqlite", tmp_path / "key.pem")
        assert {**state_of(there, 2), "run": shown["run"]} == shown  # nothing but the run itself tells the two apart
        outcome = there.decide(2, wish(), shown)
        assert (outcome.kind, outcome.what) == ("changed", ("run",)) and (len(other.verdicts(2)), other.records(2)) == (1, [])
        assert text_decision.CHANGED_ONE["run"] in words_of(decision_confirm.told(there, 2, outcome))
        there.close()


def test_danger_on_the_card_makes_every_confirmation_a_fail(own):
    door, kept = own
    kept.add_card_entry("EB-0412", "danger", "Smells of solvent", who="A. Bench")
    outcome = door.decide(2, wish(remark="pass it"), state_of(door))
    assert outcome.kind == "done" and kept.latest_verdict(2).result == "fail"
    assert door.standing(2)[0].item.result == "fail"


def test_withdrawn_run_cannot_be_confirmed_and_its_records_hold_no_more(own):
    door, kept = own
    door.decide(2, wish(), state_of(door))
    stale = state_of(door)
    kept.withdraw(2, who="A. Bench", why="wrong leads")
    for record in (True, False):
        with pytest.raises(InputError, match="withdrawn"):
            door.decide(2, wish(record=record), stale)
    (row,) = door.standing(2)
    assert row.why_not == "the run was withdrawn since" and row.labels == ()
    assert words_of(decision_confirm.what_is_confirmed(door.decision(2), door.run(2))) == text_decision.WITHDRAWN


@pytest.mark.files("held by a lock of SQLite")
def test_locked_register_is_told_and_nothing_is_kept(filled, tmp_path, monkeypatch):
    monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 0.1)
    shutil.copy(filled, tmp_path / "own.sqlite")
    door = Door(tmp_path / "own.sqlite", tmp_path / "key.pem")
    state = state_of(door)
    blocker = sqlite3.connect(tmp_path / "own.sqlite", isolation_level=None)
    blocker.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(InputError):
            door.decide(2, wish(record=False), state)
    finally:
        blocker.execute("ROLLBACK")
        blocker.close()
    assert state_of(door) == state
    assert door.decide(2, wish(record=False), state).kind == "done"
    door.close()


@pytest.mark.parametrize("changes", [{"by": "Ada\x07"}, {"remark": "x" * 501}, {"remark": "a\u202eb"}])
def test_name_or_remark_that_is_no_text_keeps_nothing(own, changes):
    door, kept = own
    with pytest.raises(InputError):
        door.decide(2, wish(**changes), state_of(door))
    assert len(kept.verdicts(2)) == 1 and kept.records(2) == []


# ---- records and labels ------------------------------------------------------------------------------------------------


def test_records_tell_which_is_newest_which_is_replaced_and_which_holds_no_more(own):
    door, kept = own
    first = door.decide(2, wish(), state_of(door)).serial
    second = door.decide(2, wish(criteria="resale"), state_of(door)).serial
    rows = door.standing(2)
    assert [(row.item.serial, row.newest, row.replaced_by) for row in rows] == [(second, True, None), (first, False, second)]
    said = words_of(decision_confirm.record_list(rows, 2))
    assert f"replaced by {second}" in said and said.index(second) < said.index(first) and "by Ada Pohl" in said
    # The pass is judged worse since: its label would say too much.
    assert rows[1].labels == () and "judged anew" in rows[1].why_not and rows[0].labels == ("pdf", "png")
    kept.add_card_entry("EB-0412", "danger", "Smells of solvent", who="A. Bench")
    assert all("Smells of solvent" in row.why_not and row.labels == () for row in door.standing(2))


def test_label_is_downloaded_as_pdf_and_png_and_refused_where_the_record_holds_no_more(served):
    door = served.door
    serial = door.decide(2, wish(), state_of(door)).serial
    client = served.app.server.test_client()
    for kind, start in (("pdf", b"%PDF-"), ("png", b"\x89PNG\r\n\x1a\n")):
        answer = client.get(f"/label/2/{serial}.{kind}", base_url=served.address)
        assert answer.status_code == 200 and answer.data.startswith(start)
        assert answer.headers["Content-Disposition"] == f'attachment; filename="pack-label-{serial}.{kind}"'
    for name in ("x.pdf", f"{serial}.exe", "..%2f..%2fx.pdf", f"{serial}.pdf/more"):
        answer = client.get(f"/label/2/{name}", base_url=served.address)
        assert answer.status_code in (404, 409) or answer.data.startswith(b"<!DOCTYPE html>"), name  # the page that says there is none
    with Register.open(door.register_name) as kept:
        kept.withdraw(2, who="A. Bench", why="wrong leads")
    refused = client.get(f"/label/2/{serial}.pdf", base_url=served.address)
    assert refused.status_code == 409 and b"withdrawn" in refused.data


def test_nothing_of_a_name_or_a_remark_becomes_markup_on_the_page(own):
    door, _kept = own
    door.decide(2, wish(by="<img src=x>", remark="<script>1</script>"), state_of(door))
    shown = door.decision(2)
    page = str(decision_body.verdict_body(shown.verdict, shown, 2))
    assert "Remark: “<script>1</script>”" in page and "Img(" not in page and "dangerously" not in page
    assert text.RESULT_WORD["pass"] in page


# ---- the act on the page -----------------------------------------------------------------------------------------------


def press(served, state, button="verdict-record", **values):
    """What the page's act answers, as the browser calls it: words of the answer."""
    from dashboard import ids

    given = {
        ids.VERDICT_RUN: 2, ids.VERDICT_CRITERIA: "return-to-owner", ids.VERDICT_BEFORE: 0, ids.VERDICT_STATE: state, ids.VERDICT_BY: "Ada Pohl",
        ids.VERDICT_REMARK: None, ids.VERDICT_WORKSHOP: None, ids.VERDICT_LANGUAGE: "en", ids.VERDICT_CUSTOMER: [], ids.VERDICT_CHANGED: 0, **values,
    }
    callbacks = served.app.callback_map
    key = next(name for name in callbacks if name.startswith("..verdict-done.children"))
    entry = callbacks[key]
    inputs = [item | {"value": 1 if item["id"] == button else None} for item in entry["inputs"]]
    answer = called(served, key, [f"{button}.n_clicks"], inputs, [item | {"value": given[item["id"]]} for item in entry["state"]])
    return answer.get_data(as_text=True)


@pytest.mark.parametrize(
    ("state", "values"),
    [(None, {}), ("as shown", {"verdict-criteria": "resale"}), ("as shown", {"verdict-before": 1})],
)
def test_what_was_not_shown_yet_cannot_be_confirmed(served, state, values):
    if state:
        state = {"shown": ["return-to-owner", 0], "register": state_of(served.door)}
    assert text_decision.NOT_SHOWN[0] in press(served, state, **values)
    assert served.door.records(2) == [] and served.door.decision(2).newest.number == 1


@pytest.mark.parametrize("by", [None, "", " \t"])
def test_confirming_asks_for_a_name(served, by):
    state = {"shown": ["return-to-owner", 0], "register": state_of(served.door)}
    assert "the name is missing" in press(served, state, "verdict-keep", **{"verdict-by": by})
    assert served.door.decision(2).newest.number == 1
    assert "verdict 2 of run 2, kept" in press(served, state, "verdict-keep")
