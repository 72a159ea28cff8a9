"""A folder taken in at once: the same runs for any number of workers, each log once whatever dies, and what is told of each file."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import shutil
import signal
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from cycler import custody
from cycler.batch import Batch
from cycler.commands.batch import entry_line
from cycler.crews import Cluster, Here, Pool, crew_for
from cycler.errors import InputError
from cycler.pack import load_pack
from cycler.register import Register
from cycler.tables import CAUTION_SHORT
from tests import kill_batch
from tests.batches import (
    CRITERIA,
    FATES,
    FIRST,
    HalfTold,
    Through,
    deadly,
    fates,
    kept_exactly,
    mixed_folder,
    put,
    run_batch,
)
from tests.calls import call, parsed, process
from tests.test_cli_watch import lines_of
from tests.test_watching import log_bytes, pack_toml


@pytest.fixture
def folder(tmp_path):
    """An empty folder with a pack file for all its logs."""
    made = tmp_path / "logs"
    made.mkdir()
    (made / "pack.toml").write_text(pack_toml("T-3"))
    return made


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """The mixed folder, and the register and entries of a batch of it in this process."""
    place = tmp_path_factory.mktemp("mixed")
    entries = run_batch(mixed_folder(place / "logs"), place / "here.sqlite", Here())
    return place, entries


# --- the same, whoever works -------------------------------------------------------------------------------------


def test_each_file_has_its_fate_by_the_rules_of_the_watched_folder(mixed):
    place, entries = mixed
    assert fates(entries) == FATES
    told = {entry.file: entry for entry in entries}
    assert told["nobody's.csv"].error.what == "whose pack is it?" and told["note.txt"].error.what == "the log has no rows of readings"
    one = told["one.csv"]
    with Register.open(place / "here.sqlite") as register:
        row = register.run_lines([1])[0].run
    assert (one.verdict, one.capacity_ah, one.u_capacity_ah) == (row.verdict, row.capacity_ah, row.u_capacity_ah) and one.u_capacity_ah > 0


def test_processes_of_which_one_is_killed_keep_the_same_to_the_last_bit_and_in_the_same_order(mixed):
    place, entries = mixed
    crew = Pool(2)
    with Register.open(place / "pool.sqlite") as register:
        try:
            running = Batch(place / "logs", register, CRITERIA, crew).run()
            pooled = [next(running)]
            multiprocessing.active_children()[0].kill()
            pooled += running
        finally:
            crew.close()
    assert multiprocessing.active_children() == []
    assert fates(pooled) == fates(entries)
    assert kept_exactly(place / "pool.sqlite") == kept_exactly(place / "here.sqlite")
    assert custody.check(place / "pool.sqlite").problems == []


def test_what_the_register_holds_is_passed_over_by_its_digest_alone(mixed, tmp_path):
    place, _entries = mixed
    shutil.copy(place / "here.sqlite", tmp_path / "r.sqlite")
    crew = Through(Here())
    again = run_batch(place / "logs", tmp_path / "r.sqlite", crew)
    assert sorted(crew.seen) == ["nobody's.csv", "note.txt"]
    assert {name: state for name, (state, run, _pack) in fates(again).items() if run} == {name: "known" for name, fate in FATES.items() if fate[1]}
    assert kept_exactly(tmp_path / "r.sqlite") == kept_exactly(place / "here.sqlite")


def test_log_analysed_for_a_pack_that_was_not_kept_after_all_is_analysed_again(tmp_path, folder):
    """The pack file of a broken log speaks of ratings that never came into the register: they must not count for the log after it."""
    put(folder, "first.csv", log_bytes(1), 1)
    run_batch(folder, tmp_path / "r.sqlite", Here())
    (folder / "pack.toml").unlink()
    put(folder, "broken.csv", b"to do: buy tape\n", 2)
    (folder / "broken.toml").write_text(pack_toml("T-3").replace("rated_capacity_ah", "rated_energy_wh = 99.0\nrated_capacity_ah"))
    put(folder, "T-3 next.csv", log_bytes(2), 3)
    crew = Through(Here())
    assert fates(run_batch(folder, tmp_path / "r.sqlite", crew))["T-3 next.csv"] == ("kept", 2, "T-3")
    assert crew.seen.count("T-3 next.csv") == 2
    with Register.open(tmp_path / "r.sqlite") as register:
        assert register.run(2).pack.rated_energy_wh is None and register.run(2).pack == register.run(1).pack


# --- files that are not still ------------------------------------------------------------------------------------


class Clock:
    """Time that goes on only when the batch waits; ``then`` is called with each wait."""

    def __init__(self, begin, then=lambda: None):
        self.now, self.then = float(begin), then

    def given(self):
        return {"wall": lambda: self.now, "clock": lambda: self.now, "sleep": self.sleep}

    def sleep(self, seconds):
        assert seconds > 0
        self.now += seconds
        self.then()


def test_log_that_changes_while_it_is_worked_on_is_kept_whole(tmp_path, folder):
    whole = log_bytes(1)
    path = put(folder, "one.csv", whole[:-400], 0)

    def grows(job):
        if path.stat().st_size < len(whole):
            path.write_bytes(whole)
            os.utime(path, (FIRST + 5, FIRST + 5))
        return job

    [entry] = run_batch(folder, tmp_path / "r.sqlite", Through(Here(), grows), quiet_s=20.0, **Clock(FIRST + 1000).given())
    assert (entry.state, entry.run_id) == ("kept", 1)
    with Register.open(tmp_path / "r.sqlite") as register:
        assert register.raw_sources(1) == [("one.csv", whole)]


@pytest.mark.parametrize(("age_s", "state"), [(100, "waiting"), (200, "kept")])
def test_slow_logger_is_taken_once_it_was_still_for_three_of_its_rows(tmp_path, folder, age_s, state):
    put(folder, "one.csv", log_bytes(1), 0)  # its rows are 60 s apart
    [entry] = run_batch(folder, tmp_path / "r.sqlite", Here(), **Clock(FIRST + age_s).given())
    assert entry.state == state and (state == "kept" or "60 s apart: taken once it was still for 180 s" in entry.error.why)


def test_slow_log_of_nobody_is_asked_about_at_once(tmp_path):
    """Else it would be asked only after the wait."""
    (tmp_path / "logs").mkdir()
    put(tmp_path / "logs", "one.csv", log_bytes(1), 0)
    [entry] = run_batch(tmp_path / "logs", tmp_path / "r.sqlite", Here(), **Clock(FIRST + 100).given())
    assert (entry.state, entry.error.what) == ("waiting", "the file may still be written")
    assert "--quiet-for 0 if it is whole; besides: whose pack is it? no pack file for it lies beside it" in entry.error.mend
    assert "; put one.toml or pack.toml beside it" in entry.error.mend
    (tmp_path / "logs" / "one.toml").write_text('id = "T-3"\nseries = "ten"\n')
    [entry] = run_batch(tmp_path / "logs", tmp_path / "r.sqlite", Here(), **Clock(FIRST + 100).given())
    assert "if it is whole; besides (" in entry.error.mend and "one.toml:2): " in entry.error.mend and "series" in entry.error.mend


def test_file_that_goes_on_growing_is_left_and_the_others_are_kept(tmp_path, folder):
    put(folder, "one.csv", log_bytes(1), 0)
    path = put(folder, "two.csv", log_bytes(2)[:2000], 995)
    clock = Clock(FIRST + 1000)

    def grow():
        with path.open("ab") as stream:
            stream.write(b"x")
        os.utime(path, (clock.now, clock.now))

    clock.then = grow
    first, second = run_batch(folder, tmp_path / "r.sqlite", Here(), quiet_s=20.0, **clock.given())
    assert (first.state, second.state, second.error.what) == ("kept", "waiting", "the file is still being written")
    assert clock.now < FIRST + 1060


def test_bytes_that_were_analysed_are_those_that_are_kept(tmp_path, folder, monkeypatch):
    """A crew that worked on other bytes than those of the file is not believed."""
    path = put(folder, "one.csv", log_bytes(1), 0)
    other = log_bytes(2)[:path.stat().st_size]
    wrong = Through(Here(), lambda job: replace(job, raw=other, sha256=hashlib.sha256(other).hexdigest()))
    [entry] = run_batch(folder, tmp_path / "r.sqlite", wrong, quiet_s=0.0, **Clock(FIRST + 1000).given())
    assert entry.state == "waiting"
    with Register.open(tmp_path / "r.sqlite") as register:
        assert register.runs() == []


# --- workers that die --------------------------------------------------------------------------------------------


def test_log_that_kills_its_worker_is_told_and_all_others_are_kept(tmp_path, folder):
    for number in range(4):
        put(folder, f"log-{number}.csv", log_bytes(number), number)
    entries = run_batch(folder, tmp_path / "r.sqlite", Through(Pool(2), deadly("log-1.csv")))
    assert fates(entries) == {
        "log-0.csv": ("kept", 1, "T-3"), "log-1.csv": ("failed", None, None), "log-2.csv": ("kept", 2, "T-3"), "log-3.csv": ("kept", 3, "T-3"),
    }
    assert entries[1].error.what == "the process that analysed this log was ended"
    # Whole now, the same command takes it.
    assert fates(run_batch(folder, tmp_path / "r.sqlite", Here()))["log-1.csv"] == ("kept", 4, "T-3")


# --- the command -------------------------------------------------------------------------------------------------


def test_command_tells_each_file_and_a_sum_and_its_exit_code_says_whether_all_are_kept(capfd, tmp_path, folder):
    register = tmp_path / "r.sqlite"
    put(folder, "one.csv", log_bytes(1), 1)
    note = put(folder, "note.txt", b"to do: buy tape\n", 2)
    code, out, err = call(capfd, "--register", register, "batch", folder, "--workers", 1)
    lines = out.splitlines()
    assert code == 2 and len(lines) == 5 and err.startswith("2 files in ") and "1 process." in err
    assert lines[0] == "kept      one.csv  run 1 of T-3, 0.947 ± 0.018 Ah, not proven (pack.toml beside it)"
    assert lines[1].startswith("not read  note.txt  ") and " | why: " in lines[1] and " | mend: " in lines[1]
    assert lines[2:] == ["In all: 1 kept, 0 known already, 0 waiting for you, 1 not read, 0 failed.", "± expanded uncertainty, k = 2.", CAUTION_SHORT]
    note.unlink()
    (tmp_path / "year" / "2026" / "june").mkdir(parents=True)
    put(tmp_path / "year" / "2026" / "june", "one.csv", log_bytes(1), 1)
    code, out, err = call(capfd, "--register", register, "batch", tmp_path / "year", "--workers", 1)
    assert code == 0 and err.startswith("0 files in ") and err.endswith("sub-folders count, one level deep.\n")
    code, out, err = call(capfd, "--register", register, "--quiet", "batch", folder, "--workers", 1, "--json")
    made = parsed(out)
    assert (code, err, made["schema"], made["complete"], made["known"]) == (0, "", "cycler.batch/1", True, 1)
    [one] = made["files"]
    assert (one["file"], one["state"], one["run"], one["pack"], one["verdict"], one["error"]) == ("one.csv", "known", 1, "T-3", "not_proven", None)
    with Register.open(register) as opened:
        row = opened.run_lines([1])[0].run
    assert (one["capacity_ah"], one["u_capacity_ah"]) == (row.capacity_ah, row.u_capacity_ah)


def test_logs_without_a_date_are_named_where_their_order_is_that_of_the_files(capfd, tmp_path, folder):
    put(folder, "late.csv", log_bytes(2), 3)
    early = put(folder, "early.csv", log_bytes(3), 2)
    code, out, _err = call(capfd, "--register", tmp_path / "r.sqlite", "batch", folder, "--workers", 1)
    [said] = [line for line in out.splitlines() if "no date" in line]
    assert code == 0 and said.startswith("The logs of runs 1, 2 of T-3 hold no date:") and "run 2 counts as how the pack is now" in said
    code, out, _err = call(capfd, "--register", tmp_path / "s.sqlite", "batch", folder, "--workers", 1, "--json")
    assert parsed(out)["undated_runs"] == {"T-3": [1, 2]}
    early.unlink()
    code, out, _err = call(capfd, "--register", tmp_path / "t.sqlite", "batch", folder, "--workers", 1)
    assert code == 0 and "no date" not in out  # one alone has no order


@pytest.mark.skipif(os.name != "posix", reason="a register in use cannot be deleted elsewhere")
@pytest.mark.parametrize("trouble", [MemoryError(), ZeroDivisionError(), InputError("what", "where", "why", "mend")])
@pytest.mark.parametrize("broken", ["cycler.batch.remember_columns", "cycler.intake.told_of_run"])
def test_trouble_after_a_run_was_kept_changes_nothing_of_that(tmp_path, folder, monkeypatch, broken, trouble):
    def breaks(*_):
        raise trouble

    for number in (1, 2):
        put(folder, f"{number}.csv", log_bytes(number), number)
    monkeypatch.setattr(broken, breaks)
    with closing(Here()) as crew, Register.open(tmp_path / "r.sqlite") as register:
        batch = Batch(folder, register, CRITERIA, crew)
        told = [(entry.state, entry.run_id, entry.capacity_ah is not None, entry.error is not None, bool(entry.defect)) for entry in batch.run()]
        assert len(register.runs()) == batch.told["kept"] == 2 and sum(batch.told.values()) == 2
    assert told == [("kept", number, True, True, not isinstance(trouble, InputError)) for number in (1, 2)]


def test_worker_that_dies_while_it_tells_its_result_stops_nobody(tmp_path, folder):
    for number in range(4):
        put(folder, f"log-{number}.csv", log_bytes(number), number)
    crew = Through(Pool(2), lambda job: replace(job, raw=HalfTold()) if job.name == "log-1.csv" else job)
    entries = []
    batch = threading.Thread(target=lambda: entries.extend(run_batch(folder, tmp_path / "r.sqlite", crew)), daemon=True)
    batch.start()
    batch.join(120.0)
    assert not batch.is_alive(), "the batch waits for the rest of a result that never comes"
    assert [entry.state for entry in entries] == ["kept", "failed", "kept", "kept"] and "was ended" in entries[1].error.what


def test_pool_is_closed_though_a_worker_left_half_a_result():
    pool = Pool(2)
    pool._started().submit(str, HalfTold())
    pool._started().submit(time.sleep, 0.1)
    time.sleep(2.0)  # until it has happened: no sign of it comes from the pool
    closing_it = threading.Thread(target=pool.close, daemon=True)
    closing_it.start()
    closing_it.join(20.0)
    assert not closing_it.is_alive()


def test_trouble_that_shows_only_when_the_run_is_in_the_register_leaves_it_told_as_kept(tmp_path, folder, monkeypatch):
    from cycler import batch as module

    real = module.keep_run
    monkeypatch.setattr(module, "keep_run", lambda *given, **named: (real(*given, **named), 1 / 0))
    put(folder, "one.csv", log_bytes(1), 1)
    with closing(Here()) as crew, Register.open(tmp_path / "r.sqlite") as register:
        batch = Batch(folder, register, CRITERIA, crew)
        [entry] = batch.run()
        assert len(register.runs()) == batch.told["kept"] == sum(batch.told.values()) == 1
    assert (entry.state, entry.run_id, entry.pack_id) == ("kept", 1, "T-3") and "ZeroDivisionError" in entry.error.why


def test_run_that_is_kept_but_cannot_be_told_of_counts_as_kept(capfd, tmp_path, folder, monkeypatch):
    from cycler import intake

    put(folder, "one.csv", log_bytes(1), 1)
    monkeypatch.setattr(intake, "told_of_run", lambda *_: 1 / 0)
    code, out, _err = call(capfd, "--register", tmp_path / "r.sqlite", "--quiet", "batch", folder, "--workers", 1)
    assert code == 1 and out.startswith("kept      one.csv  run 1 of T-3, which can be seen with show") and "ZeroDivisionError" in out and "In all: 1 kept," in out and "0 failed" in out
    code, out, _err = call(capfd, "--register", tmp_path / "r.sqlite", "show", 1)
    assert code == 0 and "T-3" in out


def test_register_that_is_lost_in_between_leaves_the_object_of_what_was_done(capfd, tmp_path, folder, monkeypatch):
    given = ["--register", tmp_path / "r.sqlite", "--quiet", "batch", folder, "--workers", 1, "--json"]
    put(folder, "one.csv", log_bytes(1), 1)
    assert call(capfd, *given)[0] == 0
    put(folder, "two.csv", log_bytes(2), 2)

    def lost(*_, **__):
        for file in tmp_path.glob("r.sqlite*"):
            file.unlink()
        Register.open(tmp_path / "r.sqlite", create=False)

    monkeypatch.setattr("cycler.batch.keep_run", lost)
    code, out, err = call(capfd, *given)
    made = parsed(out)
    assert (code, err.count("\n"), made["complete"], [one["state"] for one in made["files"]]) == (2, 1, False, ["known"]) and "register" in err


def test_columns_pack_and_criteria_hold_for_all(capfd, tmp_path, folder, made):
    (folder / "pack.toml").unlink()
    put(folder, "one.csv", log_bytes(1).replace(b"current", b"stuff").replace(b"Current", b"Stuff"), 1)
    columns = tmp_path / "c.toml"
    given = ["--register", tmp_path / "r.sqlite", "--quiet", "batch", folder, "--workers", 1, "--pack", made.pack, "--criteria", "resale"]
    assert call(capfd, "inspect", folder / "one.csv", "--write-columns", columns)[0] in (0, 2)
    head = next(line for line in log_bytes(1).decode().splitlines() if "urrent" in line).split(",")
    position = next(place for place, name in enumerate(head, 1) if "urrent" in name)
    columns.write_text(f'[[column]]\nposition = {position}\nrole = "current"\nunit = "A"\n')
    code, out, _err = call(capfd, *given, "--columns", columns)
    assert code == 0 and "(the pack file for all)" in out
    with Register.open(tmp_path / "r.sqlite") as register:
        assert register.latest_verdict(1).criteria_name == "resale" and len(register.columns_memory.all()) == 1
    put(folder, "two.csv", log_bytes(2).replace(b"current", b"stuff").replace(b"Current", b"Stuff"), 2)
    assert call(capfd, *given)[0] == 0, "the columns file is used again"


@pytest.mark.parametrize(("given", "words"), [
    (["none"], "no such folder"), (["logs", "--pack", "noid.toml"], "the pack has no id"), (["logs", "--workers", "0"], "--workers"),
    (["logs", "--shared-folder"], "--shared-folder is for --cluster"), (["logs", "--cluster", "tcp://127.0.0.1:1", "--workers", "2"], "--workers is for this machine"),
    (["logs", "--no-pause"], "No such option"),
])
def test_what_cannot_be_done_is_told_in_one_line_with_exit_2(capfd, tmp_path, folder, monkeypatch, given, words):
    monkeypatch.chdir(tmp_path)
    Path("noid.toml").write_text("series = 3\n")
    code, out, err = call(capfd, "--register", tmp_path / "r.sqlite", "batch", *given)
    assert (code, out, err.count("\n")) == (2, "", 1) and words in err


def test_system_that_starts_no_processes_says_so_in_one_line(capfd, tmp_path, folder, monkeypatch):
    """Python's pools need semaphores that some systems lack (documentation of multiprocessing, from memory)."""
    def lacking():
        raise NotImplementedError("too few semaphores")

    monkeypatch.setattr("concurrent.futures.process._check_system_limits", lacking)
    put(folder, "one.csv", log_bytes(1), 1)
    code, _out, err = call(capfd, "--register", tmp_path / "r.sqlite", "--quiet", "batch", folder, "--workers", 2)
    assert code == 2 and err.count("\n") == 1 and "too few semaphores" in err and "--workers 1" in err


def test_windows_gets_as_many_processes_as_its_pool_takes(monkeypatch):
    """The pool of Python itself refuses a 62nd there."""
    monkeypatch.setattr("sys.platform", "win32")
    ProcessPoolExecutor(crew_for(512).width).shutdown()
    assert crew_for(5).width == 5


def test_cluster_without_its_package_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="packreturn\\[cluster\\]"):
        Cluster("tcp://127.0.0.1:8786")


def test_line_of_a_file_with_a_hostile_name_stays_one_plain_line(mixed):
    entry = replace(mixed[1][0], file="a\x1b[2J\nb.csv", dangers=("do not charge",), doubts=("the unit is doubtful",))
    line = entry_line(entry)
    assert line.isprintable() and "DANGER: do not charge; look at this first: the unit is doubtful" in line


# --- processes ---------------------------------------------------------------------------------------------------


def gone(pids, seconds=20.0):
    end = time.monotonic() + seconds
    while any(Path(f"/proc/{pid}").exists() for pid in pids):
        assert time.monotonic() < end, "workers live on after their batch"
        time.sleep(0.05)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at processes in /proc")
def test_stopped_with_ctrl_c_and_killed_the_same_command_goes_on_and_no_worker_stays(tmp_path, folder):
    register = tmp_path / "r.sqlite"
    names = [f"log-{number:02}.csv" for number in range(14)]
    for number, name in enumerate(names):
        put(folder, name, log_bytes(number), number)
    told = []
    for blow in (signal.SIGINT, signal.SIGTERM, signal.SIGKILL):
        child = process("--register", register, "batch", folder, "--workers", 2)
        try:
            told += [line.split()[1] for line in lines_of(child, "kept  ").splitlines() if line.startswith("kept")]
            workers = kill_batch.children_of(child.pid)
            child.send_signal(blow)
            out, err = child.communicate(timeout=60)
        finally:
            child.kill()
        assert len(workers) >= 2
        gone(workers)
        told += [line.split()[1] for line in out.decode().splitlines() if line.startswith("kept")]
        if blow != signal.SIGKILL:
            assert child.returncode == 130 and b"The same command goes on." in out and err.decode().split("\n")[-2] == "cycler: interrupted"
    child = process("--register", register, "--quiet", "batch", folder, "--workers", 1)
    out, err = child.communicate(timeout=120)
    assert (child.returncode, err) == (0, b"")
    with Register.open(register) as opened:
        held = [opened.raw_sources(row.id) for row in opened.runs()]
    assert held == [[(name, (folder / name).read_bytes())] for name in names], "each once, byte for byte, in the order of the files"
    assert len(told) == len(set(told)) and set(told) <= set(names)
    assert custody.check(register).problems == []


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at processes in /proc")
def test_few_kills_at_random_moments_lose_nothing_that_was_told_as_kept(capsys):
    """The many: python -m tests.kill_batch --kills 100 --logs 200."""
    assert kill_batch.main(["--kills", "3", "--logs", "12", "--seed", "349"]) == 0
    told = capsys.readouterr().out
    assert "nothing that was told as kept is lost" in told and "kills of a worker: 0" not in told and "kills of the program: 0" not in told


def test_two_batches_on_one_register_keep_each_log_once(tmp_path, folder):
    register = tmp_path / "r.sqlite"
    for number in range(5):
        put(folder, f"log-{number}.csv", log_bytes(number), number)
    Register.open(register).close()
    children = [process("--register", register, "--quiet", "batch", folder, "--workers", 1, "--json") for _ in range(2)]
    sums = []
    for child in children:
        out, err = child.communicate(timeout=120)
        assert (child.returncode, err) == (0, b"")
        sums.append(parsed(out.decode()))
    assert sum(item["kept"] for item in sums) == 5 and sum(item["known"] for item in sums) == 5
    with Register.open(register) as opened:
        assert sorted(row.label for row in opened.runs()) == [f"log-{number}" for number in range(5)]


def test_pack_file_is_the_one_that_is_kept(mixed):
    place, _entries = mixed
    with Register.open(place / "here.sqlite") as register:
        assert register.run(3).pack == load_pack(place / "logs" / "four.toml") == register.run(5).pack
