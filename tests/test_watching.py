"""The watched folder: what is taken when, for which pack, and never twice. Clocks are handed in; nothing here sleeps."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from types import SimpleNamespace

import pytest

from cycler import whose
from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.pack import load_pack
from cycler.register import Register
from cycler.watchfolder import checked_folder
from cycler.watching import Watcher, label_of
from cycler.workflow import add_logs
from tests import small_log

CRITERIA = load_criteria()


def log_bytes(number=0):
    """An invented log, a little other for each number; a row a minute."""
    head, *rows = small_log.log_text().splitlines()
    return "\n".join([f"Invented test number {number}", head, *rows[::60], rows[-1]]).encode() + b"\n"


def pack_toml(pack_id):
    return small_log.PACK_TOML.replace("T-3", pack_id)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A register that knows the packs T-3 and T-4, and the pack file of the first."""
    folder = tmp_path_factory.mktemp("filled")
    (folder / "t3.toml").write_text(pack_toml("T-3"))
    with Register.open(folder / "register.sqlite") as register:
        for pack_id, number in (("T-3", 901), ("T-4", 902)):
            pack = replace(load_pack(folder / "t3.toml"), id=pack_id)
            add_logs(register, [(f"first-{number}.csv", log_bytes(number))], pack, "first", CRITERIA)
    return folder


@pytest.fixture
def bench(tmp_path, filled):
    """A folder to watch, and a register of its own with two runs."""
    folder = tmp_path / "logs"
    folder.mkdir()
    for name in ("t3.toml", "register.sqlite"):
        shutil.copy(filled / name, tmp_path / name)
    with Register.open(tmp_path / "register.sqlite") as register:
        yield SimpleNamespace(folder=folder, register=register, pack=load_pack(tmp_path / "t3.toml"), path=tmp_path)


class Clock:
    """A watcher whose time goes on only when it is told to."""

    def __init__(self, bench, **keywords):
        self.now = 100.0
        keywords.setdefault("quiet_s", 20.0)
        self.watcher = Watcher(bench.folder, bench.register, CRITERIA, wall=lambda: 1.8e9 + self.now, **keywords)

    def after(self, seconds):
        """Events of one look, ``seconds`` later."""
        self.now += seconds
        return self.watcher.step(self.now)

    def all(self, seconds=25.0):
        """Events until nothing more is ready: found now, quiet after ``seconds``."""
        events = self.after(1) + self.after(seconds)
        while self.watcher.more:
            events += self.after(0)
        return events


def said(events):
    return [(event.kind, event.file) for event in events]


def runs_of(bench):
    return [(row.pack_id, row.label) for row in bench.register.runs()[2:]]


# --- when -------------------------------------------------------------------------------------------------------


def test_file_is_taken_once_it_was_still_for_the_time_and_not_before(bench):
    clock = Clock(bench)
    file = bench.folder / "T-3 after.csv"
    whole = log_bytes()
    assert clock.after(0) == []
    file.write_bytes(whole[:4000])
    assert clock.after(2) == [] and clock.after(19) == []
    file.write_bytes(whole)
    assert said(clock.after(2)) == [("growing", "T-3 after.csv")]
    assert clock.after(19.9) == [] and runs_of(bench) == []
    [event] = clock.after(0.1)
    assert (event.kind, event.run_id, event.pack_id, event.verdict) == ("added", 3, "T-3", bench.register.latest_verdict(3).result)
    assert runs_of(bench) == [("T-3", "T-3 after")] and bench.register.raw_sources(3) == [("T-3 after.csv", whole)]
    assert clock.after(100) == [] and file.read_bytes() == whole


def test_growing_is_told_once_however_often_the_file_grows(bench):
    clock = Clock(bench)
    file = bench.folder / "T-3.csv"
    told = []
    for size in range(1000, 1010):
        file.write_bytes(log_bytes()[:size])
        told += clock.after(2)
    assert said(told) == [("growing", "T-3.csv")]


def test_slow_logger_is_not_cut_off_between_two_of_its_rows(bench):
    """Its rows are a minute apart, so that it stands still for 20 s between them; three rows long it must have been still."""
    clock = Clock(bench, quiet_s=None)
    file = bench.folder / "T-3.csv"
    whole = log_bytes()
    rows = whole.splitlines(keepends=True)
    told = []
    for upto in (-3, -2, None):
        file.write_bytes(b"".join(rows[:upto]))
        os.utime(file, (1.8e9 + clock.now,) * 2)
        told += clock.after(2) + clock.after(25) + clock.after(30)
    assert said(told) == [("growing", "T-3.csv")] and "60 s apart" in told[0].why and "still for 180 s" in told[0].why
    assert clock.after(60) == [] and said(clock.after(70)) == [("added", "T-3.csv")]


def test_file_of_old_age_from_a_slow_logger_need_not_be_waited_for(bench):
    clock = Clock(bench, quiet_s=None)
    file = bench.folder / "T-3.csv"
    file.write_bytes(log_bytes())
    os.utime(file, (1.8e9 - 3600,) * 2)
    assert said(clock.all()) == [("added", "T-3.csv")]


@pytest.mark.parametrize("name", ["T-3.csv.tmp", "T-3.csv.part", "T-3.csv.crdownload", "T-3.csv~", ".T-3.csv", "~$T-3.csv", "T-3.CSV.PART", "desktop.ini"])
def test_unfinished_names_are_passed_over_until_renamed(bench, name):
    clock = Clock(bench)
    (bench.folder / name).write_bytes(log_bytes())
    assert clock.all() == [] and clock.watcher.settled
    (bench.folder / name).rename(bench.folder / "T-3.csv")
    assert said(clock.all()) == [("added", "T-3.csv")]


def test_test_that_went_on_after_it_was_taken_waits_and_is_taken_whole_after_a_withdrawal(bench):
    clock = Clock(bench)
    file = bench.folder / "T-3.csv"
    rows = log_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(rows[:-40]))
    assert said(clock.all()) == [("added", "T-3.csv")]
    file.write_bytes(b"".join(rows))
    events = clock.all()
    assert said(events) == [("growing", "T-3.csv"), ("waits", "T-3.csv")]
    assert "went on after it was added as run 3" in events[1].error.what and "cycler correct 3 --withdraw" in events[1].error.mend
    assert said(Clock(bench).all()) == [("waits", "T-3.csv")]  # another watcher, after a restart, sees the same in the register
    bench.register.withdraw(3, who="A. Bell", why="the test went on")
    assert said(clock.after(2)) == [("added", "T-3.csv")]
    assert [row.withdrawn for row in bench.register.runs()] == [False, False, True, False]


def test_tests_are_taken_in_the_order_in_which_they_ended(bench):
    for number, name in enumerate(("c", "a", "b")):
        file = bench.folder / f"T-3 {name}.csv"
        file.write_bytes(log_bytes(number))
        os.utime(file, (1.7e9 + number,) * 2)
    assert [event.file for event in Clock(bench).all()] == ["T-3 c.csv", "T-3 a.csv", "T-3 b.csv"]


# --- whose ------------------------------------------------------------------------------------------------------


def test_each_way_of_saying_whose_pack_it_is(bench):
    shutil.copy(bench.path / "t3.toml", bench.folder / "own.toml")
    (bench.folder / "shelf").mkdir()
    (bench.folder / "shelf" / "pack.toml").write_text(pack_toml("T-9"))  # a pack that the register does not know yet
    (bench.folder / "t-4").mkdir()
    files = {
        "own.csv": ("T-3", "own.toml beside it"), "shelf/x.csv": ("T-9", "pack.toml beside it"), "t-4/y.csv": ("T-4", "the sub-folder t-4"),
        "2026_t-3_after.csv": ("T-3", "its name"),
    }
    for number, name in enumerate(files):
        (bench.folder / name).write_bytes(log_bytes(number))
    events = Clock(bench).all()
    assert {event.file: (event.pack_id, event.why) for event in events} == files


def test_pack_file_for_all_counts_where_nothing_else_speaks(bench):
    (bench.folder / "z.csv").write_bytes(log_bytes(1))
    (bench.folder / "T-4.csv").write_bytes(log_bytes(2))
    events = Clock(bench, pack=bench.pack).all()
    assert {event.file: (event.kind, event.pack_id) for event in events} == {"z.csv": ("added", "T-3"), "T-4.csv": ("waits", None)}
    words = next(event.error.why for event in events if event.kind == "waits")
    assert "its name says T-4" in words and "the pack file for all says T-3" in words


def test_deeper_folders_do_not_count(bench):
    (bench.folder / "T-3" / "deep").mkdir(parents=True)
    (bench.folder / "T-3" / "deep" / "T-3.csv").write_bytes(log_bytes())
    assert Clock(bench).all() == []


def test_file_that_nobody_claims_is_told_once_and_taken_when_a_pack_file_comes(bench):
    clock = Clock(bench)
    (bench.folder / "bench.csv").write_bytes(log_bytes())
    [event] = clock.all()
    assert (event.kind, event.error.what) == ("waits", "whose pack is it?") and "bench.toml or pack.toml" in event.error.mend
    assert list(clock.watcher.for_a_person) == ["bench.csv"]
    assert clock.after(50) == []
    (bench.folder / "pack.toml").write_text("id = T-3\n")
    [event] = clock.after(2)
    assert event.kind == "waits" and "pack file cannot be used" in event.error.what and event.error.where.line == 1
    assert clock.after(2) == []
    (bench.folder / "pack.toml").write_text(pack_toml("T-3"))
    assert said(clock.after(2)) == [("added", "bench.csv")] and clock.watcher.for_a_person == {}


def test_file_that_waits_is_taken_when_its_pack_becomes_known(bench):
    clock = Clock(bench)
    (bench.folder / "T-7.csv").write_bytes(log_bytes())
    assert said(clock.all()) == [("waits", "T-7.csv")]
    bench.register.add_card_entry("T-7", "note", "came in today", who="A. Bell", new=True)
    [event] = clock.after(2)
    assert event.kind == "waits" and "ratings of the pack are not known" in event.error.what
    add_logs(bench.register, [("other.csv", log_bytes(7))], replace(bench.pack, id="T-7"), "", CRITERIA)
    assert said(clock.after(2)) == [("added", "T-7.csv")]


def test_file_that_a_person_added_by_hand_waits_no_more(bench):
    clock = Clock(bench)
    (bench.folder / "bench.csv").write_bytes(log_bytes())
    assert said(clock.all()) == [("waits", "bench.csv")]
    run_id = add_logs(bench.register, [("bench.csv", log_bytes())], bench.pack, "", CRITERIA)
    [event] = clock.after(2)
    assert (event.kind, event.run_id) == ("already_there", run_id) and len(bench.register.runs()) == 3


def test_pack_is_that_of_the_newest_run_that_counts(bench):
    bench.register.withdraw(
        add_logs(bench.register, [("w.csv", log_bytes(5))], replace(bench.pack, rated_capacity_ah=1.0, parallel=9), "", CRITERIA), who="A", why="wrong",
    )
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    [event] = Clock(bench).all()
    assert bench.register.run(event.run_id).pack == bench.register.run(1).pack


def test_pack_with_other_ratings_than_the_register_knows_waits(bench):
    (bench.folder / "pack.toml").write_text(pack_toml("T-3").replace("rated_capacity_ah = 1.0", "rated_capacity_ah = 1.5"))
    (bench.folder / "a.csv").write_bytes(log_bytes())
    clock = Clock(bench)
    [event] = clock.all()
    assert event.kind == "waits" and "other ratings" in event.error.what and clock.after(9) == []


@pytest.mark.parametrize(("name", "found"), [
    ("EB-0412.csv", ["EB-0412"]), ("eb-0412 after", ["EB-0412"]), ("x_EB-0412_y", ["EB-0412"]), ("EB-04123", []), ("WEB-0412", []),
    ("EB-0412-2", ["EB-0412", "EB-0412-2"]), ("2026-03-09 12", []), ("A 1", []), ("Größe 7 (é) b", ["größe 7"]),
    ("EB-0412 EB-0415", ["EB-0412", "EB-0415"]), ("EB.0412", []), ("", []),
])
def test_ids_count_as_whole_words_only(name, found):
    ids = ("EB-0412", "EB-0412-2", "EB-0415", "2026", "12", "1", "A", "größe 7")
    assert whose.named_in(name, ids) == found


def test_stems_of_names():
    assert [whose.log_stem(name) for name in ("a.csv", "a.b.csv.gz", "a", "A.CSV.GZ", "x.gz")] == ["a", "a.b", "a", "A", "x"]
    assert label_of("a\nb\x1b[2J.csv") == "a\ufffdb\ufffd[2J" and len(label_of("é" * 250 + ".csv")) == 120 and label_of("\udce9.csv") == "\ufffd"


@pytest.mark.parametrize("text", ['[[column]]\nname = "a"\nrole = "time"\n', '[[criterion]]\nquantity = "x"\n', 'voltage = "0.1 %"\n'])
def test_own_toml_of_another_kind_claims_nothing(tmp_path, text):
    (tmp_path / "a.toml").write_text(text)
    assert whose.claims(tmp_path / "a.csv", "", ["T-3"]) == []


def test_pack_file_without_an_id_is_told(tmp_path):
    (tmp_path / "pack.toml").write_text('chemistry = "nmc"\n')
    with pytest.raises(InputError, match="has no id"):
        whose.claims(tmp_path / "a.csv", "", ["T-3"])


# --- what cannot be taken ---------------------------------------------------------------------------------------


def test_file_that_is_no_log_is_told_once_with_four_parts_until_it_changes(bench):
    clock = Clock(bench)
    file = bench.folder / "T-3.csv"
    file.write_text("to do: buy tape\n")
    [event] = clock.all()
    assert event.kind == "not_read" and all((event.error.what, str(event.error.where), event.error.why, event.error.mend))
    assert clock.after(30) == [] and clock.watcher.settled
    file.write_text("to do: buy tapes\n")
    assert said(clock.all()) == [("growing", "T-3.csv"), ("not_read", "T-3.csv")]
    file.write_bytes(log_bytes())
    assert said(clock.all()) == [("growing", "T-3.csv"), ("added", "T-3.csv")]


def test_what_was_told_of_a_file_holds_nothing_of_its_bytes(bench):
    (bench.folder / "notes.csv").write_bytes(b"only,words\nand,more\n")
    [event] = Clock(bench).all()
    assert event.error is not None and event.error.__traceback__ is None and event.error.__context__ is None


def test_log_that_reads_with_doubts_is_added_and_they_are_said(bench):
    lines = log_bytes().decode().splitlines()
    flat = [lines[0], lines[1]] + [",".join([*line.split(",")[:2], "0.0", *line.split(",")[3:]]) for line in lines[2:]]
    (bench.folder / "T-3.csv").write_text("\n".join(flat) + "\n")
    [event] = Clock(bench, doubts={"current_zero"}).all()
    assert event.kind == "added" and len(event.doubts) == 1 and "current" in event.doubts[0]


def test_danger_in_a_run_or_on_the_card_is_told_with_it(bench):
    bench.register.add_card_entry("T-3", "danger", "was under water", who="A. Bell")
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    [event] = Clock(bench).all()
    assert event.kind == "added" and event.verdict == "fail" and any("under water" in words for words in event.dangers)


def test_file_that_cannot_be_opened_is_told_once_and_taken_when_it_can(bench, monkeypatch):
    from cycler.readers import encoding

    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    real = encoding.read_bytes

    def held(path, progress=None):
        raise InputError("cannot read the log", str(path), "Permission denied", "check the name and its permissions")

    monkeypatch.setattr(encoding, "read_bytes", held)
    clock = Clock(bench)
    assert said(clock.all()) == [("not_read", "T-3.csv")] and clock.after(3) == []
    monkeypatch.setattr(encoding, "read_bytes", real)
    assert said(clock.after(2)) == [("added", "T-3.csv")]


def test_file_that_changes_while_it_is_read_is_not_taken_half(bench, monkeypatch):
    from cycler.readers import encoding

    file = bench.folder / "T-3.csv"
    file.write_bytes(log_bytes()[:5000])
    real = encoding.read_bytes

    def grows(path, progress=None):
        raw = real(path, progress)
        path.write_bytes(log_bytes())
        return raw

    clock = Clock(bench)
    clock.after(1)
    monkeypatch.setattr(encoding, "read_bytes", grows)
    assert clock.after(25) == [] and runs_of(bench) == []
    monkeypatch.setattr(encoding, "read_bytes", real)
    assert said(clock.after(1)) == [("growing", "T-3.csv")] and said(clock.after(21)) == [("added", "T-3.csv")]
    assert bench.register.raw_sources(3) == [("T-3.csv", log_bytes())]


def test_file_that_grows_as_fast_as_it_is_read_is_left_at_its_known_size(bench, monkeypatch):
    from cycler.readers import encoding

    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    known, heard = len(log_bytes()), []

    def endless(path, progress=None):
        for taken in range(known, 100 * known, known):
            heard.append(taken)
            progress(taken, known)
        raise AssertionError("read on and on")

    monkeypatch.setattr(encoding, "read_bytes", endless)
    assert Clock(bench).all() == [] and heard == [known, 2 * known] and runs_of(bench) == []


def test_file_that_states_no_bytes_is_empty_and_is_not_opened(bench, monkeypatch):
    """Files of the system that do so may have bytes without end, or none until somebody writes some."""
    from cycler.readers import encoding

    (bench.folder / "T-3.csv").write_bytes(b"")
    monkeypatch.setattr(encoding, "read_bytes", lambda path, progress=None: pytest.fail("was opened"))
    [event] = Clock(bench).all()
    assert (event.kind, event.error.what) == ("not_read", "the log is empty")


def test_register_that_is_held_is_told_once_and_nothing_is_lost(bench, monkeypatch):
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    clock = Clock(bench)

    def locked(**_keywords):
        raise InputError("the register cannot be used", bench.register.name, "another program holds the register", "try again")

    with monkeypatch.context() as patch:
        patch.setattr(bench.register, "add_run", locked)
        assert said(clock.all()) == [("trouble", "")] and clock.after(2) == [] and not clock.watcher.settled
    assert said(clock.after(2)) == [("added", "T-3.csv")]


def test_defect_of_the_program_on_one_file_stops_no_other(bench, monkeypatch):
    import cycler.analysis

    (bench.folder / "T-3 a.csv").write_bytes(log_bytes(1))
    (bench.folder / "T-3 b.csv").write_bytes(log_bytes(2))
    real, calls = cycler.analysis.analyze, []

    def once_wrong(*arguments):
        calls.append(1)
        if len(calls) == 1:
            raise ZeroDivisionError("by zero")
        return real(*arguments)

    monkeypatch.setattr(cycler.analysis, "analyze", once_wrong)
    events = Clock(bench).all()
    assert [event.kind for event in events] == ["not_read", "added"]
    assert "ZeroDivisionError" in events[0].error.why and "Traceback" in events[0].defect and "Traceback" not in str(events[0].error)


def test_watcher_that_is_stopped_does_not_keep_the_log_it_reads(bench, monkeypatch):
    import cycler.analysis

    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    clock, real = Clock(bench), cycler.analysis.analyze

    def stopped_meanwhile(*arguments):
        clock.watcher.stop()
        return real(*arguments)

    monkeypatch.setattr(cycler.analysis, "analyze", stopped_meanwhile)
    assert clock.all() == [] and runs_of(bench) == [] and not clock.watcher.more
    monkeypatch.undo()
    assert said(Clock(bench).all()) == [("added", "T-3.csv")]


# --- never twice ------------------------------------------------------------------------------------------------


def test_what_was_taken_is_not_taken_again_under_whatever_name_and_by_whatever_watcher(bench):
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    clock = Clock(bench)
    assert said(clock.all()) == [("added", "T-3.csv")]
    (bench.folder / "T-4.csv").write_bytes(log_bytes())
    assert [(event.kind, event.run_id, event.pack_id) for event in clock.all()] == [("already_there", 3, "T-3")]
    (bench.folder / "T-3.csv").rename(bench.folder / "T-4 x.csv")
    assert said(clock.all()) == [("already_there", "T-4 x.csv")]
    bench.register.withdraw(3, who="A. Bell", why="of another pack")
    events = Clock(bench).all()
    assert said(events) == [("already_there", "T-4 x.csv"), ("already_there", "T-4.csv")] or len(events) == 2
    assert all("withdrawn" in event.why for event in events) and len(bench.register.runs()) == 3


def at_once(first, second, monkeypatch):
    """What two watchers tell of one look: the first keeps the file in the moment in which the second was about to."""
    import cycler.watching

    real, seen = cycler.watching.keep_run, []

    def meanwhile(*arguments, **keywords):
        monkeypatch.setattr(cycler.watching, "keep_run", real)
        seen.extend(first.after(25))
        return real(*arguments, **keywords)

    monkeypatch.setattr(cycler.watching, "keep_run", meanwhile)
    return seen, second.after(25)


def test_two_watchers_take_each_file_once(bench, monkeypatch):
    """The second is at the same file when the first keeps it."""
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    first, second = Clock(bench), Clock(bench, pack=bench.pack)
    first.after(1)
    second.after(1)
    seen, events = at_once(first, second, monkeypatch)
    assert said(seen) == [("added", "T-3.csv")] and said(events) == [("already_there", "T-3.csv")]
    assert len(bench.register.runs()) == 3


def test_two_watchers_with_a_pack_each_take_a_file_for_one_of_them(bench, monkeypatch):
    (bench.folder / "cycle.csv").write_bytes(log_bytes())
    first, second = Clock(bench, pack=bench.pack), Clock(bench, pack=replace(bench.pack, id="T-4"))
    first.after(1)
    second.after(1)
    seen, events = at_once(first, second, monkeypatch)
    assert said(seen) == [("added", "cycle.csv")] and said(events) == [("already_there", "cycle.csv")]
    assert [run.pack_id for run in bench.register.runs()] == ["T-3", "T-4", "T-3"]


def test_log_held_by_another_pack_is_refused_within_the_transaction(bench):
    """What the two watchers rest on, should they take the file for different packs."""
    with pytest.raises(InputError, match="run 1 of pack T-3 holds the same bytes"):
        bench.register.add_run(
            pack=replace(bench.pack, id="T-8"), sources=[("a.csv", log_bytes(901))], analysis=bench.register.run(1).analysis, once=True,
        )
    assert [row.id for row in bench.register.packs()] == ["T-3", "T-4"]


# --- the folder -------------------------------------------------------------------------------------------------


def test_folder_that_vanishes_is_told_and_comes_back_by_itself(bench):
    clock = Clock(bench)
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    assert said(clock.all()) == [("added", "T-3.csv")]
    bench.folder.rename(bench.path / "pulled")
    assert said(clock.after(2)) == [("folder_gone", "")] and clock.after(2) == [] and not clock.watcher.folder_is_there
    (bench.path / "pulled" / "T-4.csv").write_bytes(log_bytes(4))
    (bench.path / "pulled").rename(bench.folder)
    assert said(clock.after(2)) == [("folder_back", "")]
    assert said(clock.after(21)) == [("added", "T-4.csv")]


def test_file_of_a_folder_that_comes_back_has_to_be_still_again(bench):
    """Nobody saw whether it was written to meanwhile."""
    clock = Clock(bench)
    (bench.folder / "T-3.csv").write_bytes(log_bytes())
    clock.after(1)
    bench.folder.rename(bench.path / "pulled")
    clock.after(2)
    (bench.path / "pulled").rename(bench.folder)
    assert said(clock.after(30)) == [("folder_back", "")]
    assert clock.after(19) == [] and said(clock.after(2)) == [("added", "T-3.csv")]


def test_file_that_goes_before_it_was_taken_is_told(bench):
    clock = Clock(bench)
    file = bench.folder / "bench.csv"
    file.write_bytes(log_bytes())
    assert said(clock.all()) == [("waits", "bench.csv")]
    file.unlink()
    assert said(clock.after(2)) == [("gone", "bench.csv")] and clock.watcher.files == []


def test_register_in_the_watched_folder_is_no_log(bench):
    watcher = Watcher(bench.path, bench.register, CRITERIA, quiet_s=0)
    assert watcher.step(0.0) == [] and watcher.files == [] and watcher.settled


@pytest.mark.parametrize(("name", "words"), [
    ("none", "no such folder"), ("file.txt", "not a folder"), ("a\0b", "no such folder"), ("", "no folder is named"), ("~nobody-of-that-name/x", "no such folder"),
])
def test_folder_that_is_none_is_refused(tmp_path, monkeypatch, name, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(InputError, match=words):
        checked_folder(name)


def test_folder_that_may_not_be_read_is_refused(tmp_path, monkeypatch):
    def refused(_path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "scandir", refused)
    with pytest.raises(InputError, match="cannot read the folder"):
        checked_folder(tmp_path)


def test_name_that_is_no_text_or_markup_is_taken_as_a_name(bench):
    name = "T-3 <b onmouseover=alert(1)>\udce9 \U0001f50b" + "x" * 150 + ".csv"
    (bench.folder / name).write_bytes(log_bytes())
    [event] = Clock(bench).all()
    assert event.kind == "added" and "\udce9" not in event.file and "<b onmouseover" in event.file
    assert event.to_dict()["file"] == event.file
