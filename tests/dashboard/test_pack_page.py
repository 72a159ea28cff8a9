"""The page of one pack without a browser: next step, words over the runs, what the door and the photo route hand out."""

from __future__ import annotations

import sqlite3
from urllib.parse import quote

import pytest

from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.history import history
from cycler.pack import pack_from_dict
from cycler.packcard import STATUS_WORDS
from cycler.quantities import figure_text
from cycler.register import Register
from cycler.workflow import add_logs
from dashboard.app import create_app, page_for
from dashboard.data import Door, Wish
from dashboard.figures.trend import APART, BOUND, INVALID, VALID, kind_of_point, trend
from dashboard.pages import pack_card, pack_runs, pack_top
from tests import places
from tests.overtime_packs import LEAKY, after, before, register_at
from tests.overtime_packs import pack as standing_pack
from tests.test_history import FADE_AH, analysis, kept

from .conftest import SAMPLES

HOST = {"Host": "127.0.0.1:8765"}
# The first bytes of a PNG file: W3C PNG Specification 5.2. What follows would be markup if a browser took it for a page.
SLY_PNG = b"\x89PNG\r\n\x1a\n<html><script>alert(1)</script>"
WHO = "A. Bell"


def said(component):
    """All words of a component."""
    return " ".join(str(part) for part in _texts(component))


def _texts(component):
    if isinstance(component, str):
        yield component
    elif isinstance(component, (list, tuple)):
        for part in component:
            yield from _texts(part)
    elif component is not None:
        for name in ("children", "label", "title"):
            yield from _texts(getattr(component, name, None))


@pytest.fixture
def opened(filled, tmp_path):
    """The door to a copy of the filled register, which a test may write to."""
    copy = places.copied(filled, tmp_path / "register.sqlite")
    door = Door(copy, tmp_path / "key.pem")
    yield door
    door.close()


@pytest.fixture
def over_time(tmp_path):
    """A register with four dated runs of one pack that fades, the second a bound, the third not valid (invented)."""
    runs = [
        analysis(0), analysis(1, capacity__valid=False, capacity__reasons=["stopped_early"], capacity__is_lower_bound=True),
        analysis(2, capacity__valid=False, capacity__reasons=["log_gap"]), analysis(3), analysis(4),
    ]
    kept(tmp_path / "r.sqlite", runs).close()
    return tmp_path / "r.sqlite"


# ---- next step and what stands open -----------------------------------------------------------------------------


def test_next_step_follows_what_is_open(opened):
    assert pack_top.next_step(opened.pack_sheet("EB-0415"))[1:] == ("Make record and label", "/run/3/verdict")
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[1:] == ("Make record and label", "/run/2/verdict")
    opened.decide(2, Wish("return-to-owner", by=WHO), None)
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[1:] == ("Compare before and after", "/compare?before-after=EB-0412")
    with Register.open(opened.register_name) as register:  # analysed again: the record shows the analysis before
        run = register.run(2)
        register.correct_analysis(2, run.analysis, run.pack, load_criteria(), who=WHO, why="checked", instead_of=run.analysis_id)
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[1:] == ("Make a new record", "/run/2/verdict")
    opened.withdraw(2, WHO, "wrong pack")
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[1:] == ("Add a test", "/add?pack=EB-0412")  # run 1 failed
    opened.withdraw(1, WHO, "wrong pack")
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[0] == "This pack was not tested yet."
    opened.write_card("EB-0412", [("danger", "group 3 swollen")], [], WHO, False)
    assert pack_top.next_step(opened.pack_sheet("EB-0412"))[1:] == ("See the danger", "#card")


def test_next_step_of_a_run_without_verdict_is_to_decide(over_time):
    door = Door(over_time)
    assert pack_top.next_step(door.pack_sheet("EB-0412"))[1:] == ("Decide on run 5", "/run/5/verdict")
    assert "Runs 1, 2, 3, 4 are not judged yet." in said(pack_top.open_list(door.pack_sheet("EB-0412")))
    door.close()


def test_open_danger_says_what_not_to_do_and_who_closes_it(opened):
    assert pack_top.danger_box(opened.pack_sheet("EB-0412")) is None
    number = opened.write_card("EB-0412", [("danger", "group 3 swollen")], [], WHO, False)[0]
    box = said(pack_top.danger_box(opened.pack_sheet("EB-0412")))
    assert "group 3 swollen" in box and WHO in box and "Do not charge" in box and "trained person" in box and "Local rules" in box
    opened.close_entry("EB-0412", number, WHO, "cells renewed")
    assert pack_top.danger_box(opened.pack_sheet("EB-0412")) is None


def test_ratings_that_were_missing_are_added_and_the_run_is_analysed_again(opened, filled, tmp_path):
    with Register.open(tmp_path / "bare.sqlite") as register:
        sources = [("sister.csv", (SAMPLES / "ebike-10s4p-sister.csv").read_bytes())]
        add_logs(register, sources, pack_from_dict({"id": "EB-0415"}, "test"), "", load_criteria())
    door = Door(tmp_path / "bare.sqlite")
    assert door.run(1).analysis["capacity"].get("state_of_health") is None
    with pytest.raises(InputError, match="no rating was written"):
        door.correct_ratings(1, {"rated_capacity_ah": None, "series": ""}, WHO, "label read")
    with pytest.raises(InputError, match="it is not said"):
        door.correct_ratings(1, {"rated_capacity_ah": 10.4}, "", "label read")
    done = door.correct_ratings(1, {"rated_capacity_ah": 10.4, "charge_voltage_v": 42, "cutoff_voltage_v": 30, "parallel": None}, WHO, "label read")
    capacity = door.run(1).analysis["capacity"]
    # State of health is the capacity over the rated one: Regulation (EU) 2023/1542, Article 3.
    assert capacity["valid"] and capacity["state_of_health"] == pytest.approx(capacity["value_ah"] / 10.4)
    assert door.pack_sheet("EB-0415").pack.cutoff_voltage_v == 30 and pack_runs.corrected_words(done) == ""
    # Another rating: what was worked out from the first is worked out again.
    door.correct_ratings(1, {"charge_voltage_v": 41}, WHO, "label read again")
    assert door.run(1).analysis["pack"]["group_charge_voltage_v"] == pytest.approx(41 / 10)
    assert [item["kind"] for item in Register.open(tmp_path / "bare.sqlite").corrections(1)] == ["analysis", "analysis"]
    door.close()
    unlike = pack_runs.corrected_words(opened.correct_ratings(2, {"rated_capacity_ah": 11}, WHO, "label read"))
    assert "Runs 1 of this pack" in unlike and "danger" not in unlike


def test_withdrawn_run_stays_in_the_table_and_leaves_the_verdict(opened):
    opened.withdraw(2, WHO, "log of another pack")
    sheet = opened.pack_sheet("EB-0412")
    assert [run.item.id for run in sheet.runs] == [2, 1] and [run.item.id for run in sheet.counting] == [1]
    assert "withdrawn" in said(pack_runs.runs_part(sheet)) and "Last verdict: run 1" in said(pack_top.top(sheet, False))
    assert "Run 2 is withdrawn" in said(pack_top.open_list(sheet))
    opened.reinstate(2, WHO, "it was the right pack")
    assert len(opened.pack_sheet("EB-0412").counting) == 2


# ---- over the runs ----------------------------------------------------------------------------------------------


def test_words_over_the_runs_tell_the_fade_only_where_it_is_significant(tmp_path):
    with kept(tmp_path / "r.sqlite", [analysis(k) for k in range(4)]) as register:
        lines = history(register, "EB-0412")["lines"]
    words = pack_runs.line_words(lines["capacity_ah"])
    # The invented pack fades by FADE_AH every 30 days.
    assert f"falls by {FADE_AH:.4f}" in words and "in 30 days" in words and "Ah" in words and "±" in words
    assert "rises by 3.0" in pack_runs.line_words(lines["resistance_10s_ohm"])
    still = {**lines["capacity_ah"], "significant_per_30_days": False, "significant_per_run": False}
    assert "no change beyond the uncertainty" in pack_runs.line_words(still) and "falls" not in pack_runs.line_words(still)


def test_trend_marks_bounds_and_figures_that_are_not_valid_in_words(over_time):
    with Register.open(over_time) as register:
        told = history(register, "EB-0412")
    figure = trend(told, "capacity_ah", "Capacity")
    trace = figure.data[0]
    assert list(trace.text) == ["", "at least", "not valid", "", ""]
    assert list(trace.marker.symbol) == ["circle", "triangle-up-open", "x-open", "circle", "circle"]
    # Bars are k = 2 (JCGM 100:2008, 6.2).
    first = told["runs"][0]["figures"]["capacity_ah"]
    assert trace.error_y.array[0] == pytest.approx(2.0 * first["u"]) and trace.y[0] == pytest.approx(first["value"])
    first["u"] = None
    assert trend(told, "capacity_ah", "Capacity").data[0].error_y.array[0] is None  # a bar of no length would read as no error at all
    ohm = trend(told, "resistance_10s_ohm", "Resistance").data[0]
    assert ohm.y[0] == pytest.approx(1e3 * told["runs"][0]["figures"]["resistance_10s_ohm"]["value"])


def test_trend_of_undated_runs_stands_in_their_order(opened):
    figure = trend(opened.pack_sheet("EB-0412").history, "capacity_ah", "Capacity")
    assert list(figure.data[0].x) == ["run 1", "run 2"] and figure.layout.xaxis.type == "category"
    assert "three valid" in said(pack_runs.trend_part(opened.pack_sheet("EB-0412")))


@pytest.mark.parametrize(("figure", "in_line", "kind"), [
    ({"lower_bound": False, "reasons": []}, True, VALID), ({"lower_bound": False, "reasons": []}, False, APART),
    ({"lower_bound": True, "reasons": ["stopped_early"]}, True, BOUND), ({"lower_bound": False, "reasons": ["log_gap"]}, True, INVALID),
])
def test_kind_of_point(figure, in_line, kind):
    assert kind_of_point(figure, in_line) == kind


def test_two_rests_are_joined_and_what_cannot_be_told_is_said(tmp_path):
    register_at(tmp_path / "r.sqlite", [("charged", before()[0], standing_pack()), ("later", after(), standing_pack())]).close()
    door = Door(tmp_path / "r.sqlite")
    found = door.two_rests(1, 2, False)
    words = said(pack_runs.standing_part(found))
    row = found["groups"][LEAKY - 1]
    assert "apart" in words and figure_text(row["self_discharge_ma"], row["u_self_discharge_ma"], "mA").removesuffix(" mA") in words
    assert words.count("loses more") == 1  # the invented pack leaks in one group
    with pytest.raises(InputError, match="one run was named twice"):
        door.two_rests(1, 1, False)
    door.close()


# ---- card and its ids -------------------------------------------------------------------------------------------


def test_words_for_every_kind_and_status():
    from cycler.packcard import KINDS
    from dashboard import text_pack

    assert set(text_pack.KIND) == set(KINDS) and set(text_pack.STATUS_WORDS) == set(STATUS_WORDS)
    assert set(pack_card.WRITE_KINDS) | {"danger", "photo"} == set(KINDS)


@pytest.mark.parametrize("pack_id", [
    'EB "2"', "EB/04/12", "a'b", "<b>x</b>", "🔋 7", "50 %", "a?b#c", "x" * 200, "EB+1", "a\\b", "%2F",
])
def test_pack_with_any_number_is_reached_by_its_address(opened, pack_id):
    page, title = page_for(opened, f"/pack/{quote(pack_id, safe='')}", "")
    assert title == pack_id and "knows no pack" in said(page)
    opened.write_card(pack_id, [("note", "came in wet")], [], WHO, True)
    page, title = page_for(opened, f"/pack/{quote(pack_id, safe='')}", "")
    assert title == pack_id and "came in wet" in said(page)


@pytest.mark.parametrize("pack_id", ["x" * 300, "a\nb", " "])
def test_number_that_cannot_be_kept_is_told(opened, pack_id):
    page, _title = page_for(opened, f"/pack/{quote(pack_id, safe='')}", "?new=1")
    assert "Cannot go on" in said(page)


def test_customer_reference_is_marked_and_old_words_stay(opened):
    numbers = opened.write_card("EB-0412", [("customer", "C-77"), ("fault", "rattles")], [], WHO, False)
    opened.replace_entry("EB-0412", numbers[1], "group 3 rattles", WHO, "looked closer")
    words = said(pack_card.card_list(opened.pack_sheet("EB-0412")))
    assert "C-77" in words and "out of records unless asked" in words
    assert "group 3 rattles" in words and "looked closer" in words and "Holds no more (1)" in words
    with pytest.raises(InputError, match="holds no more"):
        opened.close_entry("EB-0412", numbers[1], WHO, "twice")


@pytest.mark.parametrize(("who", "why", "said_of"), [("", "because", "who writes it"), (WHO, "", "why the entry holds no more")])
def test_closing_asks_who_and_why_in_the_pages_words(opened, who, why, said_of):
    from dashboard import advice

    number = opened.write_card("EB-0412", [("fault", "rattles")], [], WHO, False)[0]
    with pytest.raises(InputError, match=said_of) as caught:
        opened.close_entry("EB-0412", number, who, why)
    told = advice.for_page(caught.value)
    assert "--" not in told.one_line() and ("“Who”" in told.mend or "“Why”" in told.mend)


@pytest.mark.files("held by a lock of SQLite")
def test_locked_register_is_told_and_nothing_is_written(opened, monkeypatch):
    monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 0.2)
    other = Door(opened.register_name)
    locking = sqlite3.connect(opened.register_name, isolation_level=None)
    locking.execute("BEGIN IMMEDIATE")
    with pytest.raises(InputError):
        other.write_card("EB-0412", [("note", "x")], [], WHO, False)
    locking.execute("ROLLBACK")
    locking.close()
    assert other.pack_sheet("EB-0412").card["entries"] == []
    other.close()


# ---- photos -----------------------------------------------------------------------------------------------------


def test_photo_is_served_as_a_picture_whatever_it_holds(filled, tmp_path):
    copy = places.copied(filled, tmp_path / "register.sqlite")
    app = create_app(copy)
    door = app.server.extensions["dashboard_door"]
    door.write_card("EB-0412", [], [("sly.html", SLY_PNG, "the case")], WHO, False)
    photo = door.pack_sheet("EB-0412").card["photos"][0]
    client = app.server.test_client()
    answer = client.get(f"/photo/{photo['sha256']}", headers=HOST)
    assert answer.status_code == 200 and answer.data == SLY_PNG
    assert answer.headers["Content-Type"] == "image/png" and answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sly" not in answer.headers["Content-Disposition"] and answer.headers["Cache-Control"].startswith("private")
    for wrong in ("0" * 64, "A" * 64, "%3Cb%3E", "etc"):
        assert client.get(f"/photo/{wrong}", headers=HOST).status_code == 404
    assert client.post(f"/photo/{photo['sha256']}", headers=HOST).status_code == 405
    door.close()


def test_file_that_is_no_photo_is_refused_before_it_is_written(opened):
    assert opened.check_photo("a.jpg", b"\xff\xd8\xff\xe0", 4) == "image/jpeg"
    with pytest.raises(InputError, match="no photo"):
        opened.check_photo("a.jpg", b"<svg onload=alert(1)>", 21)
    with pytest.raises(InputError, match=r"35\.0 MB"):
        opened.check_photo("a.jpg", b"\xff\xd8\xff\xe0", 35_000_000)
