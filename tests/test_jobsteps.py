"""Where a job stands and what comes next. What a repairer would do next in each state is common practice, no source."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import pytest

from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.jobbook import OPTIONS, Job, JobEntry, KeptSheet
from cycler.jobsteps import (
    Facts,
    RunFacts,
    _dangers,
    is_after,
    job_lines,
    kept_sheet,
    next_of,
    share_text,
    standing,
    steps_of,
)
from cycler.pack import Pack
from cycler.register import Register
from cycler.repair.cautions import CAUTIONS
from tests.analysis_example import example_analysis

CLEAR = [{"code": "group_dead", "title": "Group 4 is dead", "probability": 0.93}, {"code": "sense_lead_open", "title": "Sense lead 4 broken", "probability": 0.05}]
SPLIT = [{"code": "group_dead", "title": "Group 4 is dead", "probability": 0.5}, {"code": "sense_lead_open", "title": "Sense lead 4 broken", "probability": 0.4}]
ASK = [{"key": "group_direct_v", "words": "Measure group 4 on its own cells.", "minutes": 5}]
DANGER = {"id": 7, "message": "Group 4 stands at 0.31 V.", "who": "A. Bell", "at": "2026-03-10T09:00:00Z"}
PASS = {"result": "pass", "criteria_name": "return-to-owner", "summary": "Pass: 4 required criteria met.", "to_settle": [], "judged_with": None}
FAIL = PASS | {"result": "fail", "summary": "Fail on 1 of 4 required criteria: group 4 is weak."}
NOT_PROVEN = PASS | {"result": "not_proven", "summary": "Not proven on 1 of 4 required criteria: state of health.", "to_settle": ["Charge to 42 V, then discharge to 30 V."]}
AT = "2026-03-10T12:00:00Z"


@pytest.fixture(autouse=True)
def clock(monkeypatch):
    """The clock of this computer, set to a zone; UTC to begin with."""
    def turn(zone):
        monkeypatch.setenv("TZ", zone)
        if hasattr(time, "tzset"):
            time.tzset()

    turn("UTC")
    yield turn
    monkeypatch.undo()
    if hasattr(time, "tzset"):
        time.tzset()


def facts(*entries, causes=None, ahead=(), runs=(), dangers=(), draft=False, closed=False, at=AT):
    """A job from (kind, ...) in their order: (decision, option), (work, done_on), (run, number), or the kind alone."""
    written = []
    for number, (kind, *more) in enumerate(entries, 1):
        data = {"decision": {"option": more[0]}, "work": {"done_on": more[0]} if more else None}.get(kind) if more else None
        written.append(JobEntry(number, kind, f"{kind} text.", data, None, more[0] if kind == "run" else None, "A. Bell", at))
    sheets = () if causes is None else (KeptSheet(1, "", "", {"causes": causes, "next": list(ahead)}, "A. Bell", "2026-03-10T08:00:00Z"),)
    hung = dict.fromkeys(item.run_id for item in written if item.run_id)
    job = Job(3, "EB-0412", "stops uphill", "2026-03-10T07:00:00Z", "A. Bell", sheets, tuple(written), tuple(hung), closed)
    return Facts(job, tuple(runs), tuple(dangers), draft)


def run(number, verdict=None, **more):
    return RunFacts(number, "test", "2026-03-10T18:00:00Z", verdict=verdict, **more)


DECIDED, WORKED = ("decision", "repair_group"), ("work",)
# What was written; what comes next: step, link, words; states of the other steps that matter.
STATES = {
    "nothing yet": (facts(), "sheet", "sheet", "before anything is done", {"cause": "open", "decision": "open", "work": "open"}),
    "sheet half filled": (facts(draft=True), "sheet", "sheet", "half filled", {}),
    "cause not clear": (facts(causes=SPLIT, ahead=ASK), "cause", "sheet", "Measure next: Measure group 4 on its own cells.", {"sheet": "done", "decision": "open"}),
    "sheet says nothing": (facts(causes=[]), "cause", "sheet", "does not point to a cause", {"sheet": "done"}),
    "cause clear": (facts(causes=CLEAR), "decision", "options", "Decide", {"cause": "done", "work": "open"}),
    "decided": (facts(DECIDED, causes=CLEAR), "work", "write", "Do the work", {"decision": "done", "test": "open"}),
    "decided, donor not compared": (facts(("decision", "repair_board"), causes=CLEAR), "work", "write", "pin by pin", {}),
    "decided, donor compared": (facts(("decision", "repair_board"), ("donor_check",), causes=CLEAR), "work", "write", "Do the work", {}),
    "decided with a danger": (facts(DECIDED, causes=CLEAR, dangers=[DANGER]), "work", "write", "Mind the danger", {"verdict": "open"}),
    "decided without a sheet": (facts(DECIDED), "work", "write", "Do the work", {"sheet": "open", "cause": "open"}),
    "worked, not decided": (facts(WORKED, causes=CLEAR), "decision", "options", "not what was decided", {"work": "done"}),
    "worked": (facts(DECIDED, WORKED, causes=CLEAR), "test", "plan", "with the log running", {"work": "done", "verdict": "open"}),
    "worked, danger open": (facts(DECIDED, WORKED, causes=CLEAR, dangers=[DANGER]), "test", "card", "dealt with it closes entry 7 there", {"test": "blocked"}),
    "only a run from before": (
        facts(("run", 1), DECIDED, WORKED, causes=CLEAR, runs=[run(1, FAIL)]), "test", "plan", "Run 1 is from before the work", {"verdict": "open"},
    ),
    "run dated before the work": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS, started_at="2026-03-09T08:00:00")]), "test", "plan", "write the day", {},
    ),
    "run withdrawn": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS, withdrawn=True)]), "test", "plan", "Run 1 was withdrawn", {"record": "open"},
    ),
    "tested, not judged": (facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1)]), "verdict", "verdict", "Judge run 1", {"test": "done", "record": "open"}),
    "tested, danger open": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, FAIL)], dangers=[DANGER, DANGER | {"id": 9}]), "verdict", "card", "closes entries 7 and 9",
        {"test": "done", "verdict": "blocked", "decision": "done"},
    ),
    "judged while a danger was open": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, FAIL | {"judged_with": {"before_run": None, "dangers": ["x"]}})]),
        "verdict", "verdict", "judge it again", {"decision": "done"},
    ),
    "failed": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, FAIL)]), "decision", "options", "Decide again", {"verdict": "done", "record": "open"},
    ),
    "failed, decided again": (
        facts(DECIDED, WORKED, ("run", 1), DECIDED, causes=CLEAR, runs=[run(1, FAIL)]), "work", "write", "Do the work", {"decision": "done", "test": "open"},
    ),
    "failed, repaired again": (
        facts(DECIDED, WORKED, ("run", 1), DECIDED, WORKED, causes=CLEAR, runs=[run(1, FAIL)]), "test", "plan", "Run 1 is from before", {},
    ),
    "failed, given up": (
        facts(DECIDED, WORKED, ("run", 1), ("decision", "scrap"), causes=CLEAR, runs=[run(1, FAIL)]), "closed", "close", "quarantine",
        {"work": "not_needed", "test": "not_needed", "verdict": "not_needed", "record": "not_needed"},
    ),
    "not proven": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, NOT_PROVEN)]), "verdict", "plan", "would settle it: Charge to 42 V", {"record": "open"},
    ),
    "passed": (facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS)]), "record", "record", "Issue the record of run 1", {"verdict": "done"}),
    "record lapsed": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS, record="2026-0001-1", record_lapsed="the run was corrected since")]),
        "record", "record", "holds no more: the run was corrected since", {},
    ),
    "record issued": (
        facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS, record="2026-0001-1")]), "closed", "close", "Hand the pack over", {"record": "done"},
    ),
    "two tests, the later one counts": (
        facts(DECIDED, WORKED, ("run", 1), ("run", 2), causes=CLEAR, runs=[
            run(1, FAIL, started_at="2026-03-11T08:00:00"), run(2, PASS, started_at="2026-03-12T08:00:00"),
        ]), "record", "record", "Issue the record of run 2", {"decision": "done"},
    ),
    "scrap": (facts(("decision", "scrap"), causes=CLEAR, dangers=[DANGER]), "closed", "close", "Keep the pack in quarantine", {"test": "not_needed"}),
    "harvest": (facts(("decision", "harvest"), causes=CLEAR), "closed", "close", "every cell out of it", {"record": "not_needed"}),
}


@pytest.mark.parametrize("state", STATES)
def test_what_comes_next_is_what_a_repairer_would_do(state):
    given, code, kind, words, others = STATES[state]
    steps = steps_of(given)
    by_code = {step["code"]: step for step in steps}
    assert list(by_code) == ["sheet", "cause", "decision", "work", "test", "verdict", "record", "closed"]
    ahead = [step["code"] for step in steps if step["state"] in ("next", "blocked")]
    assert ahead == [code], [(step["code"], step["state"], step["words"]) for step in steps]
    coming = next_of(steps)
    assert words in coming["words"] and coming["link_kind"] == kind
    assert {name: by_code[name]["state"] for name in others} == others
    assert all(step["words"].strip().endswith(".") and ".." not in step["words"] for step in steps)
    json.dumps(steps, allow_nan=False)


@pytest.mark.parametrize("state", STATES)
def test_closed_job_asks_for_nothing(state):
    given = STATES[state][0]
    closing = JobEntry(99, "closed", "", None, None, None, "B. Reed", "2026-03-12T09:00:00Z")
    steps = steps_of(replace(given, job=replace(given.job, entries=(*given.job.entries, closing), closed=True)))
    assert {step["state"] for step in steps} <= {"done", "open", "not_needed"} and steps[-1]["state"] == "done" and "B. Reed" in steps[-1]["words"]
    assert next_of(steps) == {"words": "Nothing: the job is closed.", "link_kind": None, "id": None}


@pytest.mark.parametrize("hung, started_at, done_on, counts", [
    (9, None, None, True),  # no date in the log: hung after the work was written
    (2, None, None, False),
    (9, "2026-03-10T08:00:00", None, True),  # the day of the work: a log of the same day, added afterwards
    (2, "2026-03-10T23:00:00", None, False),
    (9, "2026-03-09T23:00:00", None, False),  # the log is older than the work
    (2, "2026-03-11T08:00:00", None, True),
    (2, "2026-03-09T08:00:00", "2026-03-08", True),  # written down late: the day stated counts
    (9, "2026-03-08T08:00:00", "2026-03-08", True),
    (9, "2026-03-07T08:00:00", "2026-03-08", False),
    (9, "2026-03-12T08:00:00+02:00", None, True),  # a clock that states its offset
    (9, "2026-03-07T08:00:00Z", None, False),
])
def test_run_counts_as_a_test_after_the_work_only_if_it_is_one(hung, started_at, done_on, counts):
    work = JobEntry(5, "work", "group 4 replaced", {"done_on": done_on} if done_on else None, None, None, "A. Bell", AT)
    assert is_after(run(1, started_at=started_at), hung, work) is counts


@pytest.mark.parametrize(("entries", "runs", "found"), [
    ([("run", 1)], [("Group 7 was charged to 4.97 V.", False)], [1]),  # before any work the pack is as that run found it
    ([("run", 1), ("run", 2)], [("Group 7 was charged to 4.97 V.", False), ("", False)], []),  # a newer one does not show it
    ([("run", 1)], [("Group 7 was charged to 4.97 V.", True)], []),  # withdrawn
    ([("run", 1), WORKED], [("Group 7 was charged to 4.97 V.", False)], []),  # work was done since
    ([WORKED, ("run", 1)], [("Group 7 was charged to 4.97 V.", False)], [1]),
])
def test_danger_found_by_the_run_that_speaks_for_the_pack_stands_on_its_job(entries, runs, found):
    hung = [run(number, danger=danger, withdrawn=withdrawn) for number, (danger, withdrawn) in enumerate(runs, 1)]
    assert [item["run"] for item in _dangers(facts(*entries, runs=hung))] == found


def test_question_to_be_measured_next_ends_as_a_question():
    steps = steps_of(facts(causes=SPLIT, ahead=[{"key": "charges", "words": "what happens when its charger is connected?", "minutes": 2}]))
    words = next(step["words"] for step in steps if step["code"] == "cause")
    assert words.endswith("is connected?")


def test_test_whose_log_has_no_date_says_on_what_it_rests():
    for started_at, told in ((None, True), ("2026-03-10T18:00:00", False)):
        steps = steps_of(facts(DECIDED, WORKED, ("run", 1), causes=CLEAR, runs=[run(1, PASS, started_at=started_at)]))
        words = next(step["words"] for step in steps if step["code"] == "test")
        assert ("states no date" in words) is told


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of this system cannot be turned")
def test_day_of_the_work_is_that_of_the_clock_on_the_wall(clock):
    # Written at 12:00 UTC on the 10th: in New Zealand (UTC+13 in March) it is the 11th already, and a logger there shows its own day.
    work = JobEntry(5, "work", "group 4 replaced", None, None, None, "A. Bell", AT)
    assert is_after(run(1, started_at="2026-03-10T23:00:00"), 9, work)
    clock("Pacific/Auckland")
    assert not is_after(run(1, started_at="2026-03-10T23:00:00"), 9, work) and is_after(run(1, started_at="2026-03-11T01:30:00"), 9, work)


@pytest.mark.parametrize("share, words", [(0.92, "92 %"), (1.0, "over 99 %"), (0.99, "99 %"), (0.991, "over 99 %"), (0.01, "1 %"), (0.009, "under 1 %"), (0.0, "under 1 %")])
def test_probability_is_never_printed_as_certainty(share, words):
    assert share_text(share) == words


def test_every_option_has_its_words():
    from cycler.commands.jobs import OPTION_CODES

    assert tuple(OPTIONS) == OPTION_CODES


# --- out of a register -------------------------------------------------------------------------------------------


@pytest.fixture
def register(tmp_path):
    with Register.open(tmp_path / "r.sqlite") as opened:
        yield opened


def add(register, number, result="pass", label=""):
    """A run whose log is dated the ``number``-th of March."""
    analysis = example_analysis() | {"verdict": PASS | {"result": result}}
    analysis["log"] = analysis["log"] | {"started_at": f"2026-03-{number:02d}T08:00:00"}
    return register.add_run(
        pack=Pack(id="EB-0412", series=10), sources=[("log.csv", b"raw %d" % number)], analysis=analysis, label=label, criteria=load_criteria(),
    )


def test_job_from_its_first_word_to_its_closing(register):
    """One job along the whole thread; each step is where the one before left it."""
    jobs = register.jobs
    number = jobs.open_job("EB-0412", "stops uphill", who="A. Bell")

    def stands(code, state="next"):
        found = standing(register, number)
        assert [step["code"] for step in found["steps"] if step["state"] in ("next", "blocked")] == [code]
        assert next(step["state"] for step in found["steps"] if step["code"] == code) == state
        (line,) = job_lines(register)
        assert line.next_words == found["next"]["words"]
        json.dumps(found, allow_nan=False)
        return found

    stands("sheet")
    before = add(register, 1, "fail", "as it came in")
    jobs.keep_sheet(number, "[pack]\n", {"causes": CLEAR, "remarks": [
        {"code": "group_no_charge", "severity": "danger", "group": 4, "message": "Group 4 stands at 0.31 V."}, {"severity": "caution", "message": "wide"},
    ]}, who="A. Bell")
    found = stands("decision")
    assert found["sheets"][0] | {"sha256": "", "at": ""} == {
        "id": 1, "sha256": "", "who": "A. Bell", "at": "", "cause": "Group 4 is dead", "probability": 0.93,
        "remarks": {"danger": 1, "defect": 0, "caution": 1},
    }
    jobs.write(number, "decision", "the rest is sound", who="A. Bell", data={"option": "repair_group", "cause": "group_dead"})
    assert "Taken for the cause: Group 4 is dead (93 %)." in stands("work")["steps"][1]["words"]
    jobs.write(number, "work", "group 4 replaced", who="A. Bell", data={"done_on": "2026-03-02"})
    found = stands("test", "blocked")
    (danger,) = found["dangers"]
    assert danger["message"] == "Group 4 stands at 0.31 V." and (found["next"]["link_kind"], found["next"]["id"]) == ("card", danger["entry"])
    register.cards.supersede("EB-0412", danger["entry"], None, who="A. Bell", why="group 4 replaced")
    assert f"Run {before} is from before the work" in stands("test")["next"]["words"]
    after = add(register, 2, "pass", "after repair")
    assert stands("record")["next"]["id"] == after
    verdict = register.latest_verdict(after)
    register.add_record(after, verdict.id, "2026-0002-1", "<p></p>", b"%PDF")
    found = stands("closed")
    assert [(row["id"], row["verdict"], row["serials"]) for row in found["runs"]] == [(before, "fail", []), (after, "pass", ["2026-0002-1"])]
    register.withdraw(after, who="B. Reed", why="wrong pack")
    assert "withdrawn" in stands("test")["next"]["words"]
    register.reinstate(after, who="B. Reed", why="right pack")
    register.cards.add("EB-0412", "danger", "smells", who="B. Reed")  # found at the hand-over
    assert stands("verdict", "blocked")["dangers"][0]["message"] == "smells"
    register.cards.supersede("EB-0412", register.open_dangers("EB-0412")[0]["id"], None, who="B. Reed", why="was the glue")
    stands("closed")
    jobs.write(number, "closed", "handed over", who="A. Bell")
    found = standing(register, number)
    assert (found["state"], found["next"]["link_kind"]) == ("closed", None) and job_lines(register, open_only=True) == []


def test_given_up_pack_carries_the_words_on_quarantine_and_transport(register):
    number = register.jobs.open_job("MS-0150", "left empty over winter", who="A. Bell")
    assert standing(register, number)["cautions"] == []
    register.jobs.write(number, "decision", "below the limit for months", who="A. Bell", data={"option": "scrap"})
    assert [(item["code"], item["words"]) for item in standing(register, number)["cautions"]] == [
        (code, CAUTIONS[code]) for code in ("quarantine", "transport_damaged")
    ]


def test_sheet_that_is_not_there_is_told_with_those_that_are(register):
    number = register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
    with pytest.raises(InputError, match="no bench sheet 1") as caught:
        kept_sheet(register, number, 1)
    assert "none was kept" in caught.value.why
    sheet = register.jobs.keep_sheet(number, "[pack]\n", {}, who="A. Bell")
    assert kept_sheet(register, number, sheet).text == "[pack]\n"
