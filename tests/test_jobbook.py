"""Jobs in the register: what is written stays, hangs together, is in the chain, and comes back after a crash or from a backup."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing

import pytest

from cycler import custody
from cycler.database import Database
from cycler.errors import InputError
from cycler.jobbook import DRAFT_MAX, DRAFT_TEXT_MAX, SHEET_MAX
from cycler.migrations import MIGRATIONS, SCHEMA
from cycler.pack import Pack
from cycler.register import Register
from tests import places
from tests.analysis_example import example_analysis

PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=10.4)
SHEET = '[pack]\nid = "EB-0412"\n\n[told]\ncomplaint = "stops uphill"\n'
DEAD = {"code": "group_no_charge", "severity": "danger", "group": 4, "tap": None, "probe": None, "message": "Group 4 stands at 0.31 V: never charge it again."}


def evaluation(*remarks, pack_id="EB-0412"):
    return {"schema": "cycler.bench/1", "pack": {"id": pack_id}, "remarks": list(remarks), "causes": []}


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    file = tmp_path_factory.mktemp("jobs") / "r.sqlite"
    Register.open(file).close()
    return file


@pytest.fixture
def register(tmp_path, empty):
    with Register.open(places.copied(empty, tmp_path / "r.sqlite")) as opened:
        yield opened


@pytest.fixture
def job(register):
    return register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")


def add(register, number=1, pack=PACK):
    return register.add_run(pack=pack, sources=[(f"{number}.csv", b"raw %d" % number)], analysis=example_analysis(), new_ratings=True)


# --- opening, closing --------------------------------------------------------------------------------------------


def test_job_of_an_unknown_pack_begins_its_card(register, job):
    assert (job, [row.id for row in register.packs()]) == (1, ["EB-0412"])
    found = register.jobs.job(job)
    assert (found.pack_id, found.words, found.opened_by, found.closed) == ("EB-0412", "stops uphill", "A. Bell", False)
    assert (found.sheets, found.entries, found.run_ids, register.jobs.draft(job)) == ((), (), (), None)
    (line,) = register.jobs.jobs()
    assert (line.id, line.state, line.last_at, line.next_words) == (1, "open", found.opened_at, "")


@pytest.mark.parametrize("pack_id, words, who, what", [
    (" ", "stops uphill", "A. Bell", "has no id"), ("EB-1", " \n ", "A. Bell", "what the job is about"), ("EB-1", "x", " ", "who writes it"),
    ("EB\n1", "x", "A. Bell", "no name|not a name"), ("EB-1", "x" * 2001, "A. Bell", "cannot be kept"), ("EB-1", "\x1b[2J", "A. Bell", "cannot be kept"),
])
def test_job_that_cannot_be_opened_leaves_nothing(register, pack_id, words, who, what):
    before = register.chain_head()
    with pytest.raises(InputError, match=what):
        register.jobs.open_job(pack_id, words, who=who)
    assert register.chain_head() == before and register.jobs.jobs() == []


def test_second_open_job_of_a_pack_is_refused_with_the_number_of_the_open_one(register, job):
    with pytest.raises(InputError, match="has an open job") as caught:
        register.jobs.open_job(" EB-0412 ", "again", who="A. Bell")
    assert "job 1 is open" in caught.value.why and "cycler job 1" in caught.value.mend
    register.jobs.write(job, "closed", "", who="A. Bell")
    assert register.jobs.open_job_of("EB-0412") is None and register.jobs.open_count() == 0
    second = register.jobs.open_job("EB-0412", "again", who="A. Bell")
    with pytest.raises(InputError, match="has another open job"):
        register.jobs.write(job, "reopened", "came back", who="A. Bell")
    register.jobs.write(second, "closed", "", who="A. Bell")
    register.jobs.write(job, "reopened", "came back", who="A. Bell")
    assert [(line.id, line.state) for line in register.jobs.jobs()] == [(1, "open"), (2, "closed")]
    assert [line.id for line in register.jobs.jobs(open_only=True)] == [1]


def test_closed_job_takes_nothing_but_being_opened_again_with_a_reason(register, job):
    run = add(register)
    with pytest.raises(InputError, match="is open"):
        register.jobs.write(job, "reopened", "why not", who="A. Bell")
    register.jobs.write(job, "closed", "handed over", who="A. Bell")
    before = register.chain_head()
    jobs = register.jobs
    for act in (
        lambda: jobs.write(job, "work", "x", who="A. Bell"), lambda: jobs.keep_sheet(job, SHEET, evaluation(), who="A. Bell"),
        lambda: jobs.keep_draft(job, {"a": "b"}), lambda: jobs.hang_run(job, run, who="A. Bell"), lambda: jobs.write(job, "closed", "", who="A. Bell"),
    ):
        with pytest.raises(InputError, match="is closed") as caught:
            act()
        assert "--reopen" in caught.value.mend
    with pytest.raises(InputError, match="why the job is opened again"):
        jobs.write(job, "reopened", "  ", who="A. Bell")
    assert register.chain_head() == before
    jobs.write(job, "reopened", "failed again", who="B. Reed")
    jobs.write(job, "work", "lead soldered", who="B. Reed")
    assert not jobs.job(job).closed


@pytest.mark.parametrize("number", [0, 2, -1, 2**40])
def test_unknown_job_is_told_with_the_numbers_there_are(register, job, number):
    for act in (register.jobs.job, register.jobs.draft, lambda n: register.jobs.write(n, "note", "x", who="A. Bell")):
        with pytest.raises(InputError, match="no job") as caught:
            act(number)
        assert "up to 1" in caught.value.why


# --- sheets ------------------------------------------------------------------------------------------------------


def test_two_programs_that_change_one_form_do_not_undo_each_other(register, job):
    begin = {"pack.id": "EB-0412", "pack.series": "10"}
    with Register.open(register.name) as other:
        assert register.jobs.change_draft(job, {"pack.series": "10"}, begin) == begin and register.jobs.draft(job) is None
        register.jobs.change_draft(job, {"taps.1": "3,65"}, begin)
        other.jobs.change_draft(job, {"taps.2": "7,3x"}, {})
        assert register.jobs.change_draft(job, {"pack.series": ""}, {}) == {"pack.id": "EB-0412", "taps.1": "3,65", "taps.2": "7,3x"}
    assert register.jobs.draft(job) == {"pack.id": "EB-0412", "taps.1": "3,65", "taps.2": "7,3x"}


def test_sheet_is_kept_byte_for_byte_with_what_it_said_and_takes_the_place_of_the_draft(register, job):
    register.jobs.keep_draft(job, {"pack.id": "EB-0412", "taps.3": "10,9x"})
    register.jobs.keep_draft(job, {"taps.3": "10,98", "complaint": "geht aus – \U0001f6b2"})
    assert register.jobs.draft(job) == {"taps.3": "10,98", "complaint": "geht aus – \U0001f6b2"}
    text = SHEET + "# as typed, \u00b5 and all\n"
    first = register.jobs.keep_sheet(job, text, evaluation(), who="A. Bell")
    second = register.jobs.keep_sheet(job, SHEET, evaluation() | {"sum_v": 36.5}, who="B. Reed")
    found = register.jobs.job(job)
    assert [(sheet.id, sheet.text, sheet.who) for sheet in found.sheets] == [(first, text, "A. Bell"), (second, SHEET, "B. Reed")]
    assert found.sheets[1].evaluation["sum_v"] == 36.5 and register.jobs.draft(job) is None
    assert custody.check(register.name).good


@pytest.mark.parametrize("text, made, words", [
    ("", {}, "is empty"), (" \n", {}, "is empty"), ("a" * (SHEET_MAX + 1), {}, "cannot be kept"), ("a\0", {}, "cannot be kept"),
    (SHEET, evaluation(pack_id="CB-0207"), "of another pack"),
])
def test_sheet_that_cannot_be_kept_leaves_the_draft(register, job, text, made, words):
    register.jobs.keep_draft(job, {"a": "1"})
    before = register.chain_head()
    with pytest.raises(InputError, match=words):
        register.jobs.keep_sheet(job, text, made, who="A. Bell")
    assert (register.chain_head(), register.jobs.draft(job), register.jobs.job(job).sheets) == (before, {"a": "1"}, ())


def test_draft_of_any_form_is_refused_beyond_its_bounds_only(register, job):
    for values in ({str(number): "" for number in range(DRAFT_MAX + 1)}, {"a": "x" * (DRAFT_TEXT_MAX + 1)}):
        with pytest.raises(InputError, match="form cannot be kept"):
            register.jobs.keep_draft(job, values)
    register.jobs.keep_draft(job, {})
    assert register.jobs.draft(job) == {}


def test_draft_takes_every_text_that_a_bench_sheet_and_its_form_take(register, job):
    from cycler.repair.sheet import WORDS_MAX
    from dashboard.pages.job_sheet import VALUE_MAX
    from dashboard.pages.sheet_form import LENGTH_MAX

    longest = {"told.complaint": "x" * max(WORDS_MAX, LENGTH_MAX, VALUE_MAX)}
    register.jobs.keep_draft(job, longest)
    assert register.jobs.draft(job) == longest


def test_danger_of_a_sheet_is_open_on_the_card_once_until_it_is_closed_there(register, job):
    jobs = register.jobs
    swollen = DEAD | {"code": "look_swollen", "group": None, "message": "The pack is swollen."}
    jobs.keep_sheet(job, SHEET, evaluation(DEAD, swollen, {"severity": "caution", "message": "spread"}), who="A. Bell")
    assert [item["message"] for item in register.open_dangers("EB-0412")] == [DEAD["message"], "The pack is swollen."]
    entries = [item for item in jobs.job(job).entries if item.kind == "danger"]
    assert [item.card_entry_id for item in entries] == [item["id"] for item in register.open_dangers("EB-0412")]
    # The same words, and the same finding at the same place with another reading: still one.
    jobs.keep_sheet(job, SHEET, evaluation(DEAD, DEAD | {"message": "Group 4 stands at 0.29 V: never charge it again."}), who="A. Bell")
    assert len(register.open_dangers("EB-0412")) == 2
    jobs.keep_sheet(job, SHEET, evaluation(DEAD | {"group": 5, "message": "Group 5 stands at 0.40 V."}), who="A. Bell")
    assert len(register.open_dangers("EB-0412")) == 3
    register.cards.supersede("EB-0412", entries[0].card_entry_id, None, who="A. Bell", why="group 4 replaced")
    assert len(register.open_dangers("EB-0412")) == 2
    jobs.keep_sheet(job, SHEET, evaluation(DEAD), who="A. Bell")  # found again afterwards
    assert len(register.open_dangers("EB-0412")) == 3
    several = DEAD | {"code": "group_low", "group": None}
    for groups in ("2 and 3", "2, 3 and 8"):  # several groups in one finding: which they are stands in its words alone
        jobs.keep_sheet(job, SHEET, evaluation(several | {"message": f"Groups {groups} are below the limit."}), who="A. Bell")
    assert len(register.open_dangers("EB-0412")) == 5


def test_danger_written_on_the_card_by_hand_is_not_written_twice(register, job):
    register.add_card_entry("EB-0412", "danger", DEAD["message"], who="A. Bell")
    register.jobs.keep_sheet(job, SHEET, evaluation(DEAD), who="A. Bell")
    assert len(register.open_dangers("EB-0412")) == 1


def test_danger_of_odd_words_loses_no_sheet(register, job):
    register.jobs.keep_sheet(job, SHEET, evaluation(DEAD | {"message": "Probe \x1b[2J" + "x" * 3000}, DEAD | {"group": 5, "message": " "}), who="A. Bell")
    first, second = register.open_dangers("EB-0412")
    assert first["message"].startswith("Probe \N{REPLACEMENT CHARACTER}[2J") and len(first["message"]) == 2000 and second["message"] == "danger"


def test_sheet_with_a_danger_that_cannot_be_written_keeps_nothing(register, job, monkeypatch):
    def broken(*_args, **_more):
        raise OSError("no disk")

    before = register.chain_head()
    monkeypatch.setattr("cycler.jobbook.insert_entry", broken)
    with pytest.raises(OSError, match="no disk"):
        register.jobs.keep_sheet(job, SHEET, evaluation(DEAD), who="A. Bell")
    assert register.chain_head() == before and register.jobs.job(job).sheets == () and custody.check(register.name).good


def test_job_opened_with_a_sheet_of_another_pack_is_not_opened(register):
    with pytest.raises(InputError, match="of another pack"):
        register.jobs.open_job("CB-0207", "dead", who="A. Bell", sheet=(SHEET, evaluation(DEAD)))
    assert register.jobs.jobs() == [] and register.packs() == []
    number = register.jobs.open_job("EB-0412", "dead", who="A. Bell", sheet=(SHEET, evaluation(DEAD)))
    assert len(register.jobs.job(number).sheets) == len(register.open_dangers("EB-0412")) == 1


# --- entries -----------------------------------------------------------------------------------------------------


def test_work_stands_on_the_card_too_and_a_decision_does_not(register, job):
    numbers = register.jobs.write_all(
        job, [
            ("fault", "group 4 dead", None), ("decision", "the rest is sound", {"option": "repair_group", "cause": "group_dead"}),
            ("work", "group 4 replaced", {"done_on": "2026-03-10"}), ("part", "4 cells, 2.6 Ah", None), ("note", "fan was dusty", None),
            ("donor_check", "", {"result": "agrees"}), ("plan", "", {"title": "one cycle"}),
        ], who="A. Bell",
    )
    entries = register.jobs.job(job).entries
    assert [item.id for item in entries] == numbers and [item.kind for item in entries] == [
        "fault", "decision", "work", "part", "note", "donor_check", "plan",
    ]
    card = register.card("EB-0412")["entries"]
    assert [(item["kind"], item["text"], item["who"]) for item in card] == [
        (item.kind, item.text, "A. Bell") for item in entries if item.kind in ("fault", "work", "part", "note")
    ]
    assert [item.card_entry_id for item in entries if item.card_entry_id] == [item["id"] for item in card]
    assert entries[1].data == {"option": "repair_group", "cause": "group_dead"} and entries[2].data == {"done_on": "2026-03-10"}


@pytest.mark.parametrize("kind, text, data, words", [
    ("work", " ", None, "the work is empty"), ("note", "x" * 2001, None, "cannot be kept"), ("decision", "", {"option": "scrap"}, "why it is decided"),
    ("decision", "cheap", None, "no such option"), ("decision", "cheap", {"option": "sell"}, "no such option"),
    ("work", "done", {"done_on": "12.03.2026"}, "no date"), ("work", "done", {"done_on": "2026-02-30"}, "no date"),
])
def test_entry_that_cannot_be_kept_is_refused_with_all_written_beside_it(register, job, kind, text, data, words):
    before = register.chain_head()
    with pytest.raises(InputError, match=words):
        register.jobs.write_all(job, [("note", "good", None), (kind, text, data)], who="A. Bell")
    with pytest.raises(InputError, match="who writes it"):
        register.jobs.write(job, "note", "good", who="")
    assert register.chain_head() == before and register.card("EB-0412")["entries"] == []


def test_entry_of_a_kind_that_nobody_writes_is_a_mistake_of_ours(register, job):
    for kind in ("run", "danger", "photo"):
        with pytest.raises(ValueError, match="kind must be"):
            register.jobs.write(job, kind, "x", who="A. Bell")
    with pytest.raises(ValueError, match="NaN"):
        register.jobs.write(job, "plan", "", who="A. Bell", data={"total_s": float("nan")})


# --- runs --------------------------------------------------------------------------------------------------------


def test_runs_added_while_the_job_is_open_hang_on_it(register):
    before = add(register, 1)
    job = register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
    second, _other = add(register, 2), add(register, 3, Pack(id="CB-0207", series=13))
    register.jobs.write(job, "closed", "", who="A. Bell")
    after = add(register, 4)
    assert register.jobs.job(job).run_ids == (second,)
    assert [register.jobs.job_of_run(run) for run in (before, second, after, 99)] == [None, job, None, None]
    (entry,) = [item for item in register.jobs.job(job).entries if item.kind == "run"]
    assert (entry.run_id, entry.who) == (second, "")
    register.jobs.write(job, "reopened", "one run was forgotten", who="A. Bell")
    register.jobs.hang_run(job, before, who="B. Reed")
    assert register.jobs.job(job).run_ids == (second, before)
    assert custody.check(register.name).good


def test_run_that_cannot_hang_on_a_job_is_refused(register, job):
    own, other = add(register, 1), add(register, 2, Pack(id="CB-0207", series=13))
    before = register.chain_head()
    for run, words in ((own, "hangs on job 1 already"), (other, "of another pack"), (99, "no run 99")):
        with pytest.raises(InputError, match=words):
            register.jobs.hang_run(job, run, who="A. Bell")
    assert register.chain_head() == before
    register.jobs.write(job, "work", "group 4 replaced", who="A. Bell")
    register.jobs.hang_run(job, own, who="A. Bell")  # says: this is a test after that work
    assert register.jobs.job(job).run_ids == (own,)


def test_run_and_its_place_on_the_job_are_one_act(register, job, monkeypatch):
    def broken(*_args, **_more):
        raise OSError("no disk")

    monkeypatch.setattr("cycler.register.hang_new_run", broken)
    with pytest.raises(OSError, match="no disk"):
        add(register)
    assert register.runs() == []


# --- two at once -------------------------------------------------------------------------------------------------


def test_of_two_who_open_a_job_at_once_one_is_told(register):
    told, begin = [], threading.Barrier(4)

    def open_one(number):
        with Register.open(register.name) as own:
            begin.wait()
            try:
                own.jobs.open_job("EB-0412", f"by {number}", who="A. Bell")
            except InputError as error:
                told.append(error.what)

    threads = [threading.Thread(target=open_one, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(register.jobs.jobs()) == 1 and len(told) == 3 and all("has an open job" in what for what in told)
    assert custody.check(register.name).good


def test_what_several_write_at_once_is_all_there(register, job):
    def write(name):
        with Register.open(register.name) as own:
            for number in range(8):
                own.jobs.write(job, "note", f"{name} {number}", who=name)
                own.jobs.keep_draft(job, {"by": name})

    threads = [threading.Thread(target=write, args=(name,)) for name in ("A", "B", "C")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(item.text for item in register.jobs.job(job).entries) == sorted(f"{name} {number}" for name in "ABC" for number in range(8))
    assert register.jobs.draft(job)["by"] in "ABC" and custody.check(register.name).good


# --- older registers, copies -------------------------------------------------------------------------------------


@pytest.mark.files("attached to one another")
def test_register_from_before_jobs_is_checked_copied_and_brought_up(tmp_path, register):
    run = add(register)
    register.add_card_entry("EB-0412", "note", "scratched", who="A. Bell")
    old = tmp_path / "old.sqlite"
    Database(old, migrations=MIGRATIONS[:3]).close()
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("attach ? as new", (register.name,))
        there = {name for (name,) in connection.execute("select name from main.sqlite_master where type = 'table'")} & set(SCHEMA.tables)
        for name in there - {"register_versions"}:
            connection.execute(f"insert into main.{name} select * from new.{name}")
    assert "jobs" not in there
    assert custody.check(old).good and custody.check(old).version == 3
    custody.backup(old, tmp_path / "copy.sqlite")  # one that was not brought up yet can be copied as it is
    with Register.open(old) as opened:
        assert opened.chain_head() == register.chain_head() and opened.jobs.jobs() == []
        job = opened.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
        opened.jobs.hang_run(job, run, who="A. Bell")
    assert custody.check(old).good and custody.check(old).version == MIGRATIONS[-1].version
    assert custody.check_file(tmp_path / f"old.sqlite.before-version-{MIGRATIONS[-1].version}").version == 3
    custody.restore(old, tmp_path / "copy.sqlite")
    with Register.open(old) as opened:
        assert opened.jobs.jobs() == [] and len(opened.runs()) == 1


@pytest.mark.files("put back over the one that is there")
def test_jobs_and_half_filled_forms_come_back_from_a_backup(tmp_path, register, job):
    register.jobs.keep_sheet(job, SHEET, evaluation(DEAD), who="A. Bell")
    register.jobs.keep_draft(job, {"taps.0": "3,65"})
    add(register)
    custody.backup(register.name, tmp_path / "b.sqlite")
    register.jobs.write(job, "closed", "", who="A. Bell")
    register.jobs.open_job("EB-0412", "another", who="A. Bell")
    done = custody.restore(register.name, tmp_path / "b.sqlite")
    assert (done.report.counts["jobs"], done.report.counts["bench_sheets"], done.report.counts["job_entries"]) == (1, 1, 2)
    found = register.jobs.job(job)
    assert (found.closed, found.run_ids, found.sheets[0].text) == (False, (1,), SHEET) and register.jobs.draft(job) == {"taps.0": "3,65"}
    assert custody.check(register.name).good


@pytest.mark.files("its bytes are changed")
def test_bench_sheet_that_was_altered_is_never_given_out(register, job):
    register.jobs.keep_sheet(job, SHEET, evaluation(), who="A. Bell")
    with closing(sqlite3.connect(register.name, isolation_level=None)) as connection:
        connection.execute("drop trigger bench_sheets_no_update")
        connection.execute("update bench_sheets set toml = 'x'")
    with pytest.raises(InputError, match="does not agree with its digest"):
        register.jobs.job(job)
