"""The command ``watch`` as it is called: its lines, its exit codes, and what kills and a second watcher do to the register."""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import select
import signal
import sys
import time
from pathlib import Path

import pytest

from cycler import custody
from cycler.cli import run
from cycler.commands.watching import event_line
from cycler.register import Register
from cycler.tables import CAUTION_SHORT
from cycler.watching import Event
from tests.calls import call, parsed, process
from tests.test_watching import log_bytes, pack_toml

QUICK = ("--quiet-for", "0.1", "--every", "0.05")
KILLS = 20


@pytest.fixture
def place(tmp_path):
    """A folder with a pack file for all its logs, and where the register will be."""
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "pack.toml").write_text(pack_toml("T-3"))
    return folder, tmp_path / "register.sqlite"


def put(folder, name, number):
    """A log that is there whole at once, as a rename makes it."""
    part = folder / f"{name}.part"
    part.write_bytes(log_bytes(number))
    part.rename(folder / name)


def labels(register):
    with Register.open(register, create=False) as opened:
        return sorted(row.label for row in opened.runs())


# --- lines and codes --------------------------------------------------------------------------------------------


def test_once_takes_what_is_there_and_ends_with_0(capfd, place):
    folder, register = place
    put(folder, "one.csv", 1)
    (folder / "note.txt").write_text("to do: buy tape\n")
    (folder / "two.csv.part").write_bytes(log_bytes(2))
    code, out, err = call(capfd, "--register", register, "watch", folder, "--once", *QUICK)
    lines = out.splitlines()
    assert code == 0 and err.startswith("Watching ") and len(lines) == 4
    assert any("  one.csv  added as run 1 to T-3, not proven (pack.toml beside it)" in line for line in lines)
    assert any("  note.txt  not a log that can be read: " in line and " | why: " in line and " | mend: " in line for line in lines)
    assert lines[-2:] == ["In all: 1 added, 0 there already, 0 waiting for you, 1 not read, 0 still growing.", CAUTION_SHORT]
    code, out, _err = call(capfd, "--register", register, "--quiet", "watch", folder, "--once", *QUICK)
    assert code == 0 and "one.csv  in the register already, as run 1 of T-3" in out and labels(register) == ["one"]


def test_json_is_one_object_per_line(capfd, place):
    folder, register = place
    (folder / "pack.toml").unlink()
    (folder / "odd \u202e name.csv").write_bytes(log_bytes(1))
    code, out, err = call(capfd, "--register", register, "--quiet", "watch", folder, "--once", "--json", *QUICK)
    first, last = map(parsed, out.splitlines())
    assert (code, err) == (0, "") and "\u202e" not in out
    assert (first["event"], first["file"], first["run"]) == ("waits", "odd \u202e name.csv", None) and set(first["error"]) == {"what", "where", "why", "mend"}
    assert last == {"schema": "cycler.watch/1", "event": "end", "added": 0, "already_there": 0, "waits": 1, "not_read": 0, "growing": 0}


def test_once_of_an_empty_folder_ends_at_once(capfd, place):
    folder, register = place
    begin = time.monotonic()
    code, out, _err = call(capfd, "--register", register, "watch", folder, "--once")
    assert code == 0 and out.count("\n") == 1 and time.monotonic() - begin < 10


def test_pack_and_criteria_hold_for_all(capfd, place, made):
    folder, register = place
    (folder / "pack.toml").unlink()
    put(folder, "one.csv", 1)
    code, out, _err = call(capfd, "--register", register, "watch", folder, "--once", "--pack", made.pack, "--criteria", "resale", *QUICK)
    assert code == 0 and "added as run 1 to T-3" in out and "(the pack file for all)" in out
    with Register.open(register) as opened:
        assert opened.latest_verdict(1).criteria_name == "resale"


@pytest.mark.parametrize(("given", "words"), [
    (["none"], "no such folder"), (["file.csv"], "this is not a folder"), (["logs", "--pack", "none.toml"], "no such pack file"),
    (["logs", "--criteria", "nonsense"], "nonsense"), (["logs", "--quiet-for", "nan"], "no time in seconds"), (["logs", "--quiet-for", "-1"], "--quiet-for"),
    (["logs", "--every", "0"], "--every"), (["logs", "--pack", "noid.toml"], "the pack has no id"), ([], "Missing argument"),
])
def test_what_cannot_be_watched_is_told_in_one_line_with_exit_2(capfd, place, monkeypatch, given, words):
    folder, register = place
    monkeypatch.chdir(folder.parent)
    Path("file.csv").write_text("x")
    Path("noid.toml").write_text("series = 3\n")
    code, out, err = call(capfd, "--register", register, "watch", *given)
    assert (code, out, err.count("\n")) == (2, "", 1) and words in err
    assert Path("noid.toml").exists() and ("noid" in str(given) or not register.exists())


def test_register_that_may_only_be_read_is_refused(capfd, place, monkeypatch):
    folder, register = place
    Register.open(register).close()
    monkeypatch.setattr("cycler.database._may_write", lambda _file: False)
    code, out, err = call(capfd, "--register", register, "watch", folder, "--once")
    assert (code, out, err.count("\n")) == (2, "", 1) and "the register may only be read" in err


def test_line_of_a_file_with_a_hostile_name_stays_one_plain_line():
    line = event_line(Event("added", 0.0, "a\x1b[2J\nb.csv", 14, "EB-0412", "not_proven", "its name", ("the unit is doubtful",), ("do not charge",)))
    assert line.isprintable() and "added as run 14 to EB-0412, not proven (its name); DANGER: do not charge; look at this first: the unit is doubtful" in line


def test_folder_that_vanishes_during_once_ends_with_2(capfd, place, monkeypatch):
    folder, register = place
    put(folder, "one.csv", 1)
    real, calls = os.scandir, []

    def pulled(path):
        if Path(path) == folder:
            calls.append(1)
            if len(calls) > 2:
                raise FileNotFoundError(2, "No such file or directory")
        return real(path)

    monkeypatch.setattr(os, "scandir", pulled)
    code, out, err = call(capfd, "--register", register, "--quiet", "watch", folder, "--once", *QUICK)
    assert code == 2 and "the folder is gone" in out and err.count("\n") == 1 and "cannot read the folder" in err


# --- processes --------------------------------------------------------------------------------------------------


def lines_of(child, until, seconds=60.0):
    """Lines of standard output up to one that holds ``until``."""
    end, got = time.monotonic() + seconds, b""
    while until.encode() not in got or not got.endswith(b"\n"):
        left = end - time.monotonic()
        assert left > 0, f"no {until!r} within {seconds} s: {got!r}"
        if select.select([child.stdout], [], [], left)[0]:
            piece = os.read(child.stdout.fileno(), 65536)
            assert piece, f"ended before {until!r}: {got!r} {child.stderr.read()!r}"
            got += piece
    return got.decode()


posix_only = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


@posix_only
def test_new_file_is_taken_while_it_watches_and_ctrl_c_ends_it_with_a_sum_and_130(place):
    folder, register = place
    child = process("--register", register, "watch", folder, *QUICK)
    try:
        assert b"Stop with Ctrl+C" in child.stderr.readline()
        put(folder, "one.csv", 1)
        lines_of(child, "one.csv  added as run 1 to T-3, not proven")
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    finally:
        child.kill()
    assert child.returncode == 130 and out.decode().startswith("In all: 1 added") and err.decode().strip() == "cycler: interrupted"


def killed_after(seconds, arguments):
    """Start the command in a process of its own, kill it after ``seconds``; what it printed, and whether the kill found it at work."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        with contextlib.suppress(BaseException):
            sys.stdout = os.fdopen(writing, "w", buffering=1)
            run([str(argument) for argument in arguments])
        os._exit(1)
    os.close(writing)
    select.select([], [], [], seconds)  # the moment of the kill is drawn by lot: there is nothing to wait for
    os.kill(child, signal.SIGKILL)
    with open(reading, encoding="utf-8") as stream:
        out = stream.read()
    return out, os.WIFSIGNALED(os.waitpid(child, 0)[1])


@posix_only
def test_kills_at_any_moment_leave_each_file_exactly_once(capfd, place):
    """A watcher is killed (SIGKILL) some 20 times while files come; at the end each is there once, byte for byte, and the register is whole."""
    folder, register = place
    arguments = ["--register", register, "--quiet", "watch", folder, "--quiet-for", "0", "--every", "0.05"]
    chance = random.Random(412)
    names, kills, told = ["test-00.csv"], 0, []
    put(folder, names[0], 0)
    begin = time.monotonic()
    assert call(capfd, *arguments, "--once")[0] == 0
    one_s = time.monotonic() - begin  # what one file takes here and now: most kills come before that is over, some long after
    while kills < KILLS:
        for _ in range(1 + kills % 2):
            names.append(f"test-{len(names):02}.csv")
            put(folder, names[-1], len(names))
        out, by_us = killed_after(chance.expovariate(1 / (1.5 * one_s)), arguments)
        assert by_us, f"ended by itself: {out}"
        kills += 1
        told += [line.split("  ")[1] for line in out.splitlines() if "added as run" in line]
    child = process(*arguments, "--once")
    out, err = child.communicate(timeout=400)
    assert (child.returncode, err) == (0, b"")
    stems = [name.removesuffix(".csv") for name in names]
    assert labels(register) == stems and set(told) <= set(names) and len(told) == len(set(told))
    assert told, "no kill came after a file was taken"
    with Register.open(register) as opened:
        held = {row.label: opened.raw_sources(row.id) for row in opened.runs()}
    assert held == {stem: [(f"{stem}.csv", (folder / f"{stem}.csv").read_bytes())] for stem in stems}
    assert custody.check(register).problems == []
    assert sorted(path.name for path in folder.iterdir()) == sorted([*names, "pack.toml"])


@posix_only
def test_two_watchers_on_one_folder_take_each_file_once(place):
    folder, register = place
    children = [process("--register", register, "--quiet", "watch", folder, "--quiet-for", "0", "--every", "0.05", "--once") for _ in range(2)]
    digests = set()
    for number in range(4):
        put(folder, f"test-{number}.csv", number)
        digests.add(hashlib.sha256(log_bytes(number)).hexdigest())
    for child in children:
        out, err = child.communicate(timeout=120)
        assert (child.returncode, err) == (0, b""), out
    late = process("--register", register, "--quiet", "watch", folder, "--quiet-for", "0", "--every", "0.05", "--once")  # what came after their first look
    assert late.communicate(timeout=120)[1] == b""
    with Register.open(register) as opened:
        assert sorted(source.sha256 for row in opened.runs() for source in opened.run(row.id).sources) == sorted(digests)

