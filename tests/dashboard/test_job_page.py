"""The list of jobs and the page of one without a browser: order, search, what is said in each state, where links lead, what is downloaded."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest
from dash.development.base_component import Component

from cycler.errors import InputError
from cycler.quantities import figure_text
from cycler.repair.chances import share_text
from dashboard import advice, ids_job, text, text_frame, text_job
from dashboard.app import create_app, page_for
from dashboard.data import Door, RunItem
from dashboard.pages import job_bench, job_entries, job_links, job_top, jobs

from .job_cases import (
    DEAD,
    PACK,
    PROBABILITY,
    SHEET,
    U_VOLTS,
    VOLTS,
    WHO,
    begin,
    begin_sample,
    entry,
    evaluation,
    groups,
    job,
)

HOST = {"Host": "127.0.0.1:8765"}
NOW = datetime(2026, 3, 12, 12, tzinfo=UTC)


def said(part):
    """All words of a component."""
    if isinstance(part, Component):
        return " ".join(said(getattr(part, name, None)) for name in ("children", "label"))
    if isinstance(part, (list, tuple)):
        return " ".join(said(item) for item in part)
    return "" if part is None else str(part)


def found(part, name):
    """Every component with a class."""
    if isinstance(part, (list, tuple)):
        return [item for one in part for item in found(one, name)]
    if not isinstance(part, Component):
        return []
    here = [part] if name in (getattr(part, "className", "") or "").split() else []
    return here + found(getattr(part, "children", None), name)


def links(part):
    """Addresses that a component leads to."""
    if isinstance(part, (list, tuple)):
        return [href for one in part for href in links(one)]
    if not isinstance(part, Component):
        return []
    href = getattr(part, "href", None)
    return ([href] if href else []) + links(getattr(part, "children", None))


def line(number, pack_id=PACK, state="open", words="does not charge"):
    return SimpleNamespace(id=number, pack_id=pack_id, words=words, opened_at="2026-03-10T08:00:00Z", opened_by=WHO, state=state, last_at="2026-03-11T08:00:00Z")


def following(asked, numbers):
    """What comes next for some jobs; notes which were asked for."""
    asked.append(list(numbers))
    return dict.fromkeys(numbers, "Fill in the bench sheet.")


def body(lines, asked=None, **query):
    return jobs.body(lines, jobs.state_of(query), lambda numbers: following([] if asked is None else asked, numbers), NOW)


@pytest.fixture
def own_door(tmp_path):
    """The door to an empty register that a test writes to."""
    opened = Door(tmp_path / "register.sqlite", tmp_path / "key.pem")
    yield opened
    opened.close()


# ---- the list --------------------------------------------------------------------------------------------------


def test_list_puts_open_jobs_first_and_the_newest_on_top():
    lines = [line(1), line(2, state="closed"), line(3), line(4, state="closed")]
    shown = body(lines)
    assert links(shown) == ["/job/3", "/job/1", "/job/4", "/job/2"]
    words = said(shown)
    assert "4 of 4 jobs, 2 open" in words and "2 days ago" in words and "last entry yesterday" in words and "Fill in the bench sheet." in words


@pytest.mark.parametrize(("query", "numbers"), [
    ({"q": "cb-2207"}, [3, 1]), ({"q": "job 2"}, [2]), ({"q": "SWOLLEN shed"}, [2]), ({"q": "swollen charge"}, []), ({"show": "closed"}, [2]), ({"show": "open", "q": "charge"}, [3, 1]),
    ({"show": "<b>", "page": "-3"}, [3, 1, 2]),
])
def test_list_is_searched_by_pack_number_and_words(query, numbers):
    lines = [line(1), line(2, "EB-0412", "closed", "Swollen, came from a damp shed"), line(3)]
    shown = body(lines, **query)
    assert [int(href.rsplit("/", 1)[1]) for href in links(shown)] == numbers
    assert numbers or "No job matches." in said(shown)


def test_hundreds_of_jobs_are_paged_and_the_address_says_which_page():
    lines = [line(number) for number in range(1, 124)]
    asked = []
    shown = body(lines, asked, page="2", show="open")
    assert asked == [list(range(73, 23, -1))]  # what comes next is worked out for the jobs on this page alone
    assert len(found(shown, "job-row")) == jobs.ROWS_ON_PAGE and "Page 2 of 3" in said(shown)
    assert [href for href in links(shown) if href.startswith("/jobs")] == ["/jobs?show=open", "/jobs?show=open", "/jobs?show=open&page=3", "/jobs?show=open&page=3"]
    assert len(found(body(lines, page="99"), "job-row")) == 23  # a page that there is not is the last


def test_empty_list_says_what_a_job_is_and_opens_the_form(own_door):
    page, title = page_for(own_door, "/jobs", "")
    assert title == "Jobs" and "A job begins when a pack comes in" in said(page)
    assert found(page, "new-job")[0].open is True
    own_door.open_job(PACK, "does not charge", WHO)
    assert found(page_for(own_door, "/jobs", "")[0], "new-job")[0].open is False
    named = found(page_for(own_door, "/jobs", "?pack=EB-1")[0], "new-job")[0]
    assert named.open is True  # with the pack that the other page named


# ---- one job ---------------------------------------------------------------------------------------------------


def test_head_names_pack_words_and_the_one_next_step():
    shown = job_top.top(job(), NOW)
    assert PACK in said(shown) and "Does not switch on" in said(shown) and "2 days ago" in said(shown)
    assert "/job/7/options" in links(found(shown, "next-step")) and "/handover/7" in links(shown) and "Weigh the options" in said(found(shown, "next-step"))
    assert found(shown, "danger-box") == []


def test_dangers_stand_on_top_with_what_not_to_do_and_who_closes_them():
    dangers = [{"message": "group 5 swollen", "who": WHO, "at": "2026-03-10T08:00:00Z", "entry": 4, "run": None},
               {"message": "Group 2 reached 4.41 V.", "who": "", "at": None, "entry": None, "run": 9}]
    box = job_top.top(job(dangers=dangers), NOW)[0]
    words = said(box)
    assert all(part in words for part in ("group 5 swollen", WHO, "Run 9 found", text.DANGER_DO, "trained person"))
    assert f"/pack/{PACK}#card" in links(box) and "/run/9" in links(box)


@pytest.mark.parametrize("state", sorted(text_job.STEP_STATE))
def test_every_state_of_a_step_has_shape_and_word(state):
    one = job()["steps"][2] | {"state": state}
    shown = job_top.steps(job(steps=[one]))
    step = found(shown, "step")[0]
    assert f"step-shape-{state}" in found(step, "step-shape")[0].className and text_job.STEP_STATE[state] in said(step)
    assert getattr(step, "aria-current", None) == ("step" if state == "next" else None)


@pytest.mark.parametrize(("kind", "number", "href"), [
    ("sheet", None, "/job/7/sheet"), ("options", None, "/job/7/options"), ("add", None, "/add?pack=CB-2207"), ("plan", None, "/bench/plan?job=7&pack=CB-2207"), ("plan", 4, "/bench/plan?job=7&run=4"),
    ("donor", None, "/bench/donor?job=7&pack=CB-2207"), ("run", 4, "/run/4"), ("verdict", 4, "/run/4/verdict"), ("record", 4, "/run/4/verdict#records"),
    ("card", 12, "/pack/CB-2207#card"), ("write", None, f"#{ids_job.JOB_WRITE}"), ("close", None, f"#{ids_job.JOB_CLOSE}"), ("run", None, None), (None, None, None),
    ("nonsense", 1, None),
])
def test_what_a_step_links_to(kind, number, href):
    assert job_links.link_address(kind, number, 7, PACK) == href


def test_pack_that_was_given_up_is_kept_apart_in_place_of_the_test():
    apart = "Set it apart, outdoors."
    steps = [step | {"state": "not_needed", "words": f"No test. {apart}"} if step["code"] in ("work", "test", "verdict", "record") else step for step in job()["steps"]]
    given_up = job(steps=steps, cautions=[{"code": "quarantine", "words": apart}, {"code": "transport_damaged", "words": "It may not be posted."}],
                   entries=[entry(1, "decision", "too old", {"option": "scrap"})])
    shown = job_top.steps(given_up)
    assert said(shown).count(apart) == 1 and "It may not be posted." in said(found(shown, "apart-box")) and said(shown).count("Not needed") == 4
    assert links(job_entries.runs(given_up)) == [] and links(job_entries.kept(given_up)) == []


def test_closed_job_says_how_it_ended_and_offers_no_acts():
    closed = job(state="closed", entries=[entry(1, "closed", "handed over with its record")], next={"words": "Nothing: the job is closed.", "link_kind": None, "id": None})
    shown = job_top.top(closed, NOW)
    assert "handed over with its record" in said(shown) and found(shown, "next-step") == [] and "Closed" in said(shown)
    assert links(job_top.steps(closed)) == [] and job_entries.write_form(closed).hidden and not job_entries.write_form(job()).hidden
    assert "Open it again" in said(job_entries.close_form(True)) and "Close the job" in said(job_entries.close_form(False))


# ---- the bench sheet in short ----------------------------------------------------------------------------------


def test_sheet_in_short_shows_groups_with_expanded_uncertainty_and_the_gravest_remark_first():
    shown = job_bench.bench(job())
    words = said(shown)
    # Printed figures are expanded, k = 2 (JCGM 100:2008, 6.2).
    assert figure_text(VOLTS, U_VOLTS, "V") in words and figure_text(VOLTS, U_VOLTS, "V") == "1.204 ± 0.012 V"
    tiles = found(shown, "group-tile")
    assert len(tiles) == 13 and "never charge again" in said(tiles[DEAD - 1]) and found(tiles[DEAD - 1], "flag-danger")
    assert words.index("below the level") < words.index("2.485 V apart") and "lamps were not looked at" not in words
    told = evaluation()["remarks"][1]
    assert told["message"] not in said(job_bench.bench(job(dangers=[{"message": told["message"], "who": WHO, "at": None, "entry": 1, "run": None}])))  # it stands on top
    assert links(shown)[:2] == ["/job/7/sheet", "/job-sheet/7/3.toml"]


def test_first_cause_stands_with_probability_and_evidence_on_both_sides():
    words = said(job_bench.bench(job()))
    assert f"A group is dead, group {DEAD}" in words and share_text(PROBABILITY) in words
    assert "Group 5 reads 1.204 V" in words and "Nothing swollen was seen" in words and "Sense lead of tap 5 broken (5 %)" in words
    assert "1 cause is ruled out" in words and "Measure group 5 at its own tabs" in words and "no source" in words


def test_sheet_that_says_little_says_so():
    nothing = job(sheets=[], evaluation=None)
    assert "No bench sheet was kept yet." in said(job_bench.bench(nothing)) and links(job_bench.bench(nothing)) == ["/job/7/sheet"]
    bare = said(job_bench.bench(job(evaluation=evaluation(taps={"groups": []}, remarks=[], causes=[], ruled_out=[], next=[]))))
    assert "cannot be told" in bare and "does not tell a cause" in bare
    missing = groups()
    missing[3] |= {"voltage_v": None, "u_voltage_v": None, "level": "unknown", "apparent_v": 0.004}
    assert "reading in doubt" in said(job_bench.groups(missing)) and "0.004" not in said(job_bench.groups(missing))
    missing[2] |= {"voltage_v": None, "u_voltage_v": None, "level": "unknown"}
    assert "not measured" in said(job_bench.groups(missing)) and "level not known" in said(job_bench.groups(missing))


def test_earlier_sheets_can_be_fetched_as_they_were_kept():
    older = job()["sheets"][0] | {"id": 1, "cause": "Fuse open"}
    shown = job_bench.bench(job(sheets=[older, *job()["sheets"]]))
    assert "/job-sheet/7/1.toml" in links(shown) and "most likely then: Fuse open" in said(shown)


# ---- what was written ------------------------------------------------------------------------------------------


def test_decision_shows_the_last_one_with_why_and_what_would_turn_it():
    made = [entry(1, "decision", "cells are at hand", {"option": "repair_group", "turning": {"words": "above 61 EUR for the cells, harvest comes first"}}),
            entry(2, "decision", "board burnt too", {"option": "harvest", "title": "Take out cells"})]
    shown = job_entries.decision(job(entries=made))
    assert "Take out cells" in said(found(shown, "decided")) and "board burnt too" in said(found(shown, "decided"))
    assert "above 61 EUR" in said(found(shown, "fold")) and "Replace a group" in said(found(shown, "fold"))
    assert "Nothing was decided yet." in said(job_entries.decision(job()))


def test_work_is_shown_in_the_order_it_was_written_with_who_day_and_card_entry():
    written = [entry(1, "fault", "cell at 0 V", card=11), entry(2, "work", "group 5 replaced", {"done_on": "2026-03-09"}, card=12), entry(3, "part", "4 cells"), entry(4, "plan")]
    words = said(job_entries.work(job(entries=written)))
    assert words.index("cell at 0 V") < words.index("group 5 replaced") < words.index("4 cells")
    assert "done on 2026-03-09" in words and "no. 12 on the card" in words and "2026-03-11" in words and "Test plan" not in words
    assert "Nothing was written yet." in said(job_entries.work(job()))


def run(number, **changes):
    usual = {"id": number, "label": "after repair", "added_at": "2026-03-12T08:00:00Z", "started_at": None, "verdict": "pass", "criteria_name": "x", "withdrawn": False,
             "serials": [], "capacity_ah": 9.632, "u_capacity_ah": 0.0125, "capacity_valid": True, "capacity_is_lower_bound": False}
    return usual | changes


def test_tests_stand_newest_first_with_verdict_capacity_and_records():
    runs = [run(1, verdict="fail"), run(2, verdict="not_proven"), run(3, serials=["EB-1-2026-0001-1"]), run(4, withdrawn=True)]
    shown = job_entries.runs(job(runs=runs))
    words = said(shown)
    assert "9.632 ± 0.025 Ah" in words and "counts no more" in words and "EB-1-2026-0001-1" in words
    assert all(text.RESULT_WORD[key] in words for key in ("pass", "fail", "not_proven")) and "at least" not in words and "not valid" not in words
    for more, told in (({"capacity_is_lower_bound": True}, "at least 9.632 ± 0.025 Ah"), ({}, "9.632 ± 0.025 Ah (not valid)"), ({"capacity_ah": None}, text.DASH)):
        assert told in said(job_entries.runs(job(runs=[run(1, capacity_valid=False, **more)])))
    assert links(shown)[:3] == ["/run/4", "/run/3", "/run/3/verdict"] and "/run/3/verdict#records" in links(shown) and "/add?pack=CB-2207" in links(shown)


def test_only_runs_that_hang_nowhere_here_can_be_hung():
    items = [RunItem(number, PACK, "before", "2026-03-01T09:30:00Z", None, 1, None, None, False, False, None, None, None, 0, 0, 0, withdrawn)
             for number, withdrawn in ((1, False), (2, False), (3, True))]
    assert [option["value"] for option in job_entries.hang_options(items, job(runs=[run(2)]))] == [1]
    assert job_entries.hang_form(items, job(runs=[run(1), run(2)])).hidden and not job_entries.hang_form(items, job()).hidden


def test_donor_checks_and_plans_open_to_what_they_said():
    pins = [{"pin": "3", "own_v": 7.31, "donor_v": 10.95, "u_v": 0.03, "across_v": 3.64, "u_across_v": 0.02, "verdict": "wrong", "words": "tap 3 would meet tap 2"},
            {"pin": "4", "own_v": None, "donor_v": None, "u_v": None, "across_v": None, "verdict": "not_measured", "words": ""}]
    plan = {"total_s": 36000, "steps": [{"number": 1, "title": "Charge", "words": "Charge with 2.3 A", "until": ["54.6 V", "0.58 A"], "duration_s": 18000}]}
    shown = job_entries.kept(job(entries=[entry(1, "donor_check", "", {"result": "do_not_connect", "pins": pins}), entry(2, "plan", "after the work", plan)]))
    words = said(shown)
    assert "Do not connect" in words and figure_text(3.64, 0.02, "V").removesuffix(" V") in words and "tap 3 would meet tap 2" in words
    assert "54.6 V; 0.58 A" in words and "5 h 00 min" in words and "About 10 h 00 min in all." in words
    assert words.index("Charge with 2.3 A") < words.index("Do not connect")


# ---- pages, links and files over a register --------------------------------------------------------------------


def test_job_that_there_is_not_leads_back_to_the_list(own_door):
    page, _title = page_for(own_door, "/job/99", "")
    assert "no job 99" in said(page) and "cycler job" not in said(page) and "/jobs" in links(page)
    assert "There is no such page." in said(page_for(own_door, "/job/99/nonsense", "")[0])


def test_register_pack_and_job_lead_to_each_other(own_door, tmp_path):
    from cycler.register import Register

    assert links(page_for(own_door, "/", "")[0]).count("/jobs?show=open") == 0
    with Register.open(tmp_path / "register.sqlite") as register:
        number = begin(register)
    page, title = page_for(own_door, f"/job/{number}", "")
    assert title == f"{PACK} · Job {number}" and f"/pack/{PACK}" in links(page)
    assert "never charged again" in said(found(page, "danger-box"))  # the sheet's danger stands on the pack's card
    register_page = page_for(own_door, "/", "")[0]
    assert "/jobs?show=open" in links(register_page) and "1 open job" in said(register_page)
    pack = page_for(own_door, f"/pack/{PACK}", "")[0]
    assert f"/job/{number}" in links(pack) and f"Open job {number}" in said(pack)
    own_door.write_job(number, "closed", "given back", WHO)
    pack = page_for(own_door, f"/pack/{PACK}", "")[0]
    assert f"Job {number}, closed" in said(pack) and f"/jobs?pack={PACK}" in links(pack)


def test_every_link_of_a_job_leads_to_a_page(own_door, tmp_path):
    from cycler.register import Register

    with Register.open(tmp_path / "register.sqlite") as register:
        number = begin_sample(register, "board-fault")
    page, _title = page_for(own_door, f"/job/{number}", "")
    addresses = {urlsplit(href) for href in links(page) if href.startswith("/") and not href.startswith(("/handover", "/job-sheet"))}
    assert {one.path for one in addresses} >= {f"/job/{number}/sheet", f"/job/{number}/options", "/bench/plan", "/bench/donor", "/add", "/jobs", "/pack/EB-0415"}
    for one in addresses:
        told = said(page_for(own_door, one.path, f"?{one.query}")[0])
        assert text.PAGE_MISSING not in told and text_frame.PAGE_FAILED not in told, one


def test_run_of_a_job_says_so(own, filled):
    door, register = own
    number = begin(register, "EB-0412", sheet=False)
    assert job_links.part_of(door, 2) == []
    door.hang_run(number, 2, WHO)
    for address in ("/run/2", "/run/2/verdict"):
        page, _title = page_for(door, address, "")
        assert f"/job/{number}" in links(page) and f"Part of job {number}" in said(page)
    assert "/run/2" in links(page_for(door, f"/job/{number}", "")[0])


def test_kept_sheet_and_page_of_a_job_are_downloaded(tmp_path):
    from cycler.register import Register

    app = create_app(tmp_path / "register.sqlite")
    with Register.open(tmp_path / "register.sqlite") as register:
        number = begin(register, words="<b>dead</b> after the winter")
        sheet = register.jobs.job(number).sheets[0].id
    client = app.server.test_client()
    answer = client.get(f"/job-sheet/{number}/{sheet}.toml", headers=HOST)
    assert answer.status_code == 200 and answer.data == SHEET.encode() and answer.headers["Content-Disposition"].startswith("attachment")
    page = client.get(f"/handover/{number}", headers=HOST)
    assert page.status_code == 200 and page.mimetype == "text/html" and b"&lt;b&gt;dead" in page.data and b"<b>dead" not in page.data
    for wrong in (f"/job-sheet/{number}/99.toml", "/handover/99", f"/job-sheet/{number + 1}/{sheet}.toml"):
        gone = client.get(wrong, headers=HOST)
        assert gone.status_code == 404 and b"cycler job" not in gone.data
    app.server.extensions["dashboard_door"].close()


def test_messages_about_jobs_speak_of_pages(own_door):
    number = own_door.open_job(PACK, "does not charge", WHO)
    with pytest.raises(InputError) as caught:
        own_door.open_job(PACK, "once more", WHO)
    told = advice.for_page(caught.value).one_line()
    assert f"go on with job {number}" in told and "cycler" not in told.replace("cycler.sqlite", "")
    own_door.write_job(number, "closed", "given back", WHO)
    with pytest.raises(InputError) as caught:
        own_door.write_job(number, "note", "too late", WHO)
    assert "foot of its page" in advice.for_page(caught.value).mend and "--" not in advice.for_page(caught.value).one_line()
    with pytest.raises(InputError) as caught:
        own_door.open_job(PACK, "came back", "")
    assert "“Who”" in advice.for_page(caught.value).mend
