"""Disks that fill up, rights that go, clocks that run backwards, signals in between: one message, nothing half, nothing lost.

Full disks, two writers and sudden death of the register itself are in ``test_custody.py``; ``python -m tests.kill_loop`` kills at random.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sqlite3
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import event

from cycler import custody
from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.pack import Pack
from cycler.register import Register
from cycler.verdict import decide
from tests.analysis_example import example_analysis

POSIX = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork, signals and limits of POSIX")
PACK = Pack(id="EB-0412", chemistry="nmc", series=10)
SHEET = '[pack]\nid = "EB-0412"\n\n[told]\ncomplaint = "invented, dead"\n'
BESIDE = ("-wal", "-shm")


def in_a_child(act):
    """What ``act`` returns (a number) and what it prints on standard error, in a child process that may be spoilt."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.close(reading)
            os.dup2(writing, 2)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            code = act()
        finally:
            os._exit(code)
    os.close(writing)
    with open(reading, "rb") as stream:
        told = stream.read().decode()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), told


def on_a_full_disk(limit, *arguments):
    """The command where no file may grow beyond ``limit`` bytes: the system refuses the write (EFBIG), as a full disk does (ENOSPC)."""
    import resource

    from cycler.cli import run

    def act():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        with open(2, "w", buffering=1, closefd=False) as err, open(1, "w", closefd=False) as out:
            sys.stderr, sys.stdout = err, out
            return run([str(argument) for argument in arguments])

    return in_a_child(act)


def snapshot(folder):
    """Name and bytes of every file, but for what SQLite keeps beside a database that is open, or was."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file() and not path.name.endswith(BESIDE)}


COMMANDS = {
    "add": ("--register {r} --quiet add {other} --pack {pack} --again", 60_000),
    "decide": ("--register {r} decide 1", 20_000),
    "record": ("--register {r} --quiet record 1 --to {out}", 120_000),
    "export": ("--register {r} export 1 --to {out}/run.csv", 1_000),
    "export packed": ("--register {r} export 1 --to {out}/run.csv.gz", 1_000),
    "export parquet": ("--register {r} export 1 --to {out}/run.parquet", 1_000),
    "backup": ("--register {r} backup {out}/b.sqlite", 60_000),
    "label": ("--register {r} label 1 --to {out}/label.pdf", 1_000),
    "job with a sheet": ("--register {r} job 1 --sheet {sheet} --by Ada", 10_000),
    "page of a job": ("--register {r} job 1 --to {out}/job.html", 1_000),
    "card": ("--register {r} pack T-3 --note invented --by Ada --photo {photo}", 60_000),
    "columns file": ("--quiet inspect {log} --write-columns {out}/columns.toml", 300),
    "new sheet": ("sheet {out}/sheet.toml --new", 1_000),
    "workshop": ("options --new {out}/workshop.toml", 1_000),
}
"""Commands that write, and how large a file may grow while they do. [bytes]"""


@pytest.fixture(scope="module")
def bench(made, kept, tmp_path_factory):
    """A register with two runs, a job and a record, and files to take in."""
    from cycler.cli import run

    folder = tmp_path_factory.mktemp("bench")
    register = folder / "r.sqlite"
    shutil.copy(kept, register)
    (folder / "sheet.toml").write_text(SHEET.replace("EB-0412", "T-3"))
    (folder / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 300)
    (folder / "other.csv").write_text(Path(made.early).read_text() + "\n")
    assert run(["--register", str(register), "--quiet", "job", "new", "T-3", "first", "--by", "Ada"]) == 0
    assert run(["--register", str(register), "--quiet", "record", "1", "--to", str(folder)]) == 0
    return folder


@POSIX
@pytest.mark.parametrize("name", COMMANDS)
def test_full_disk_is_one_message_and_leaves_everything_as_it_was(bench, made, tmp_path, name):
    words, limit = COMMANDS[name]
    shutil.copy(bench / "r.sqlite", tmp_path / "r.sqlite")
    out = tmp_path / "out"
    out.mkdir()
    before = snapshot(tmp_path)
    places = {"r": tmp_path / "r.sqlite", "out": out, "other": bench / "other.csv", "pack": made.pack, "log": made.log, "sheet": bench / "sheet.toml", "photo": bench / "photo.png"}
    code, told = on_a_full_disk(limit, *(word.format(**places) for word in words.split()))
    assert (code, told.count("\n")) == (2, 1) and "error: " in told and ("File too large" in told or "disk" in told), told
    assert snapshot(tmp_path) == before
    assert custody.check_file(tmp_path / "r.sqlite").good
    assert on_a_full_disk(2**30, *(word.format(**places) for word in words.split()))[0] == 0  # and with room it goes


# --- one refused call after the other ------------------------------------------------------------------------------

WRITES = {
    "record": lambda register, out: _issue(register, out),
    "backup": lambda register, out: custody.backup(register.name, out / "b.sqlite"),
    "export": lambda register, out: _export(register, out / "run.csv.gz"),
}


def _issue(register, out):
    from cycler.issuing import Wanted, issue_record

    issue_record(register, 1, out, Wanted())


def _export(register, target):
    from cycler.export import export_file
    from cycler.readers import read_logs_bytes

    export_file(read_logs_bytes([(name, raw) for name, raw in register.raw_sources(1)]), target)


@pytest.mark.parametrize("name", WRITES)
def test_every_call_that_the_system_may_refuse_leaves_nothing_half(bench, tmp_path, monkeypatch, name):
    """From the first, second, third ... call on, those that put a file on the disk and give it its name are refused, until none is."""
    out = tmp_path / "out"
    out.mkdir()
    shutil.copy(bench / "r.sqlite", tmp_path / "r.sqlite")
    real = {call: getattr(os, call) for call in ("fsync", "link", "replace")}
    allowed = calls = 0

    def refusing(call):
        def refuse(*arguments, **keywords):
            nonlocal calls
            calls += 1
            if calls > allowed:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real[call](*arguments, **keywords)

        return refuse

    refusals = 0
    with Register.open(tmp_path / "r.sqlite") as register:
        for call in real:
            monkeypatch.setattr(os, call, refusing(call))
        while True:
            calls, entries = 0, register.chain_head()
            try:
                WRITES[name](register, out)
            except InputError as error:
                assert os.strerror(errno.ENOSPC) in str(error)
                assert list(out.iterdir()) == []
                assert register.chain_head() == entries or "is issued and in the register" in str(error)  # and says how to write it out
                refusals += 1
            else:  # what is only for safety's sake may fail: a folder's names on the disk, a link where a file system has none
                assert [path.name for path in out.iterdir() if path.name.startswith(".")] == []
                if calls <= allowed:
                    break
                for path in out.iterdir():
                    path.unlink()
            allowed += 1
        monkeypatch.undo()
    assert refusals >= 1 and custody.check(tmp_path / "r.sqlite").good


# --- the database is full after so many pages ----------------------------------------------------------------------


def test_database_full_at_any_page_keeps_all_of_an_act_or_nothing(tmp_path):
    """PRAGMA max_page_count makes SQLite itself say that the disk is full (SQLite documentation, from memory), page by page."""
    with Register.open(tmp_path / "r.sqlite") as register:
        register.add_run(pack=PACK, sources=[("a.csv", b"first")], analysis=example_analysis())
        room = [0]

        def limit(connection, _record, _proxy):
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {pages + room[0]}")

        event.listen(register._database.engine, "checkout", limit)
        raw, refused = os.urandom(90_000), 0
        for room[0] in (0, 1, 2, 3, 5, 8, 12, 16, 20, 24, 30, 60):
            before = register.chain_head()
            try:
                register.add_run(pack=PACK, sources=[("b.csv", raw)], analysis=example_analysis(), criteria=load_criteria())
                break
            except InputError as error:
                assert "the disk is full" in error.why and "nothing was kept" in error.mend
                refused += 1
                assert register.chain_head() == before and [row.id for row in register.runs()] == [1]
        assert refused > 3 and [row.id for row in register.runs()] == [1, 2] and register.raw_sources(2) == [("b.csv", raw)]
    assert custody.check(tmp_path / "r.sqlite").good


# --- clocks ----------------------------------------------------------------------------------------------------------


class Backwards(datetime):
    """A clock that runs backwards: each look at it is 40 days before the one before, over the turn of years."""

    moment = datetime(2026, 3, 1, tzinfo=UTC)

    @classmethod
    def now(cls, tz=None):
        Backwards.moment -= timedelta(days=40)
        return Backwards.moment


def test_clock_that_runs_backwards_changes_no_order_and_breaks_no_chain(tmp_path, monkeypatch):
    monkeypatch.setattr("cycler.chain.datetime", Backwards)
    with Register.open(tmp_path / "r.sqlite") as register:
        job = register.jobs.open_job("EB-0412", "dead", who="Ada")
        for number in range(3):
            register.add_run(pack=PACK, sources=[("a.csv", b"%d" % number)], analysis=example_analysis(), label=f"test {number}", criteria=load_criteria())
            register.jobs.write(job, "note", f"after test {number}", who="Ada")
        register.correct_label(2, "second", who="Ada", why="mistyped")
        register.correct_label(2, "the second", who="Ada", why="mistyped again")
        danger = register.cards.add("EB-0412", "danger", "group 3 swollen", who="Ada")
        register.cards.supersede("EB-0412", danger, None, who="Ada", why="replaced")
        added = [row.added_at for row in register.runs()]
        assert added == sorted(added, reverse=True) and len(set(added)) == 3  # the times are what the clock said
        assert [(row.id, row.label) for row in register.runs()] == [(1, "test 0"), (2, "the second"), (3, "test 2")]
        assert register.packs()[0].last_run_id == 3 and register.open_dangers("EB-0412") == []
        entries = register.jobs.job(job).entries
        assert [item.text for item in entries if item.kind == "note"] == [f"after test {number}" for number in range(3)]
        assert [item.run_id for item in entries if item.kind == "run"] == [1, 2, 3]
        register.jobs.write(job, "closed", "", who="Ada")
        assert register.jobs.open_job_of("EB-0412") is None
        serials = []
        for _ in range(3):
            judged = register.add_verdict(1, decide(example_analysis(), load_criteria()), load_criteria())
            assert register.latest_verdict(1).id == judged
            serials.append(register.next_serial(1))
            register.add_record(1, judged, serials[-1], "<p>", b"%PDF")
        assert len(set(serials)) == 3 and [row.serial for row in register.records(1)] == serials
    assert custody.check(tmp_path / "r.sqlite").good


# --- rights and files that go, signals in between ----------------------------------------------------------------------


@POSIX
@pytest.mark.skipif(os.name == "posix" and os.geteuid() != 0, reason="as root another user's rights are taken; others have the tests of a protected register")
def test_right_to_write_that_goes_while_the_register_is_open_is_told(tmp_path_factory):
    folder = Path("/tmp") / f"faults-{os.getpid()}"  # the folders of the tests are for their owner alone
    folder.mkdir()
    file, nobody = folder / "r.sqlite", 65534

    def act():
        os.setgid(nobody)
        os.setuid(nobody)
        with Register.open(file) as register:
            register.add_run(pack=PACK, sources=[("a.csv", b"first")], analysis=example_analysis())
            for path in folder.iterdir():
                path.chmod(0o400)
            folder.chmod(0o500)
            try:
                register.add_run(pack=PACK, sources=[("b.csv", b"second")], analysis=example_analysis())
            except InputError as error:
                os.write(2, f"{error}\n".encode())
                return 2
            return 0

    try:
        os.chown(folder, nobody, nobody)
        code, told = in_a_child(act)
        assert (code, told.count("\n")) in ((2, 1), (0, 0)), told
        folder.chmod(0o700)
        with Register.open(file) as register:
            assert len(register.runs()) == (1 if code else 2)
        assert custody.check(file).good
    finally:
        shutil.rmtree(folder)


@POSIX
def test_signals_in_the_middle_of_every_call_change_nothing(bench, tmp_path):
    """A timer interrupts the process a thousand times a second: what the system then breaks off is begun again (PEP 475)."""
    shutil.copy(bench / "r.sqlite", tmp_path / "r.sqlite")
    heard = 0

    def tick(_signal, _frame):
        nonlocal heard
        heard += 1

    before = signal.signal(signal.SIGALRM, tick)
    signal.setitimer(signal.ITIMER_REAL, 0.001, 0.001)
    try:
        with Register.open(tmp_path / "r.sqlite") as register:
            run_id = register.add_run(pack=PACK, sources=[("a.csv", bytes(range(256)) * 4000)], analysis=example_analysis())
            custody.backup(tmp_path / "r.sqlite", tmp_path / "b.sqlite")
            _export(register, tmp_path / "run.csv")
            assert register.raw_sources(run_id) == [("a.csv", bytes(range(256)) * 4000)]
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert heard > 50 and custody.check_file(tmp_path / "b.sqlite").good
    assert (tmp_path / "run.csv").read_bytes().count(b"\n") > 1000


def test_log_that_goes_between_the_look_at_it_and_the_reading_is_one_message(tmp_path, monkeypatch):
    from cycler.readers import read_logs

    file = tmp_path / "log.csv"
    file.write_bytes(b"Time (s),Voltage (V),Current (A)\n0,3.7,0\n")
    real = Path.open

    def gone(path, *arguments, **keywords):
        path.unlink()
        return real(path, *arguments, **keywords)

    monkeypatch.setattr(Path, "open", gone)
    with pytest.raises(InputError, match="no such log"):
        read_logs([file])


@POSIX
def test_upload_onto_a_full_disk_is_told_and_nothing_of_it_stays(tmp_path):
    import io
    import resource

    from dashboard.uploads import Uploads

    def act():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        uploads = Uploads(10**9)
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
        try:
            uploads.receive("log.csv", io.BytesIO(b"Time,Voltage\n" * 20_000), "", None, True)
        except InputError as error:
            os.write(2, f"{error}\n".encode())
        left = list(Path(uploads._folder.name).iterdir())
        kept = uploads.receive("small.csv", io.BytesIO(b"Time,Voltage\n" * 20), "", None, True)
        whole = kept.path.read_bytes() == b"Time,Voltage\n" * 20
        uploads._folder.cleanup()
        return 10 * len(left) + whole

    code, told = in_a_child(act)
    assert code == 1 and "the file could not be kept" in told and "make room" in told


def test_register_whose_disk_reports_errors_is_one_message(tmp_path, monkeypatch):
    with Register.open(tmp_path / "r.sqlite") as register:
        register.add_run(pack=PACK, sources=[("a.csv", b"first")], analysis=example_analysis())

        def broken(_connection, _record, _proxy):
            raise sqlite3.OperationalError("disk I/O error")

        event.listen(register._database.engine, "checkout", broken)
        with pytest.raises(InputError, match="the disk reports an error"):
            register.runs()
        event.remove(register._database.engine, "checkout", broken)
        assert [row.id for row in register.runs()] == [1]
