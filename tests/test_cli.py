"""The command: help, exit codes, one line per error, progress, serving, its start."""

from __future__ import annotations

import io
import os
import shlex
import signal
import socket
import subprocess
import sys
import urllib.request
from types import SimpleNamespace

import pytest

from cycler.__main__ import foreign_package
from cycler.cli import cycler
from cycler.commands import progress, serving
from cycler.commands.common import Settings
from tests import small_log
from tests.calls import PROJECT, call, process

COMMANDS = ["job", "sheet", "options", "donor", "plan", "inspect", "analyze", "add", "list", "show", "compare", "history", "standing", "decide", "record", "label", "verify", "key", "pack", "correct", "cells", "export", "columns", "backup", "restore", "check", "watch", "batch", "serve", "users", "demo"]


# --- help --------------------------------------------------------------------------------------------------------


def test_commands_are_those_of_the_contract():
    assert list(cycler.commands) == COMMANDS


@pytest.mark.parametrize("name", COMMANDS)
def test_help_ends_with_two_examples_that_parse(capfd, name):
    code, out, err = call(capfd, name, "--help")
    assert (code, err) == (0, "")
    examples = [line.strip() for line in out.split("Examples:\n")[1].splitlines()]
    assert len(examples) == 2
    for example in examples:
        words = shlex.split(example.split(" > ")[0])
        assert words[0] == "cycler" and name in words
        rest = words[words.index(name) + 1:]
        cycler.commands[name].make_context(name, rest)  # raises a usage error if an option or count is wrong


def test_help_of_the_program_names_every_command_in_the_order_of_work(capfd):
    code, out, _err = call(capfd, "--help")
    listed = [line.split()[0] for line in out.split("Commands:\n")[1].split("\n\n")[0].splitlines()]
    assert code == 0 and listed == COMMANDS and "no safety certificate" in " ".join(out.split())


def test_help_starts_within_three_tenths_of_a_second():
    taken = []
    for _ in range(5):
        begin = sum(os.times()[2:4])
        subprocess.run([sys.executable, "-m", "cycler", "--help"], cwd=PROJECT, stdout=subprocess.DEVNULL, check=True)
        taken.append(sum(os.times()[2:4]) - begin)
    assert 0 < min(taken) < 0.3  # of processor, by the child itself: other work may run on the machine


def test_version_names_the_distribution(capfd):
    from cycler import __version__ as version

    assert call(capfd, "--version") == (0, f"cycler {version} (packreturn)\n", "")


# --- bad input ---------------------------------------------------------------------------------------------------


def bad_inputs(folder):
    """Name to (arguments after the command, word that the message must hold)."""
    def file(name, content):
        (folder / name).write_bytes(content)
        return str(folder / name)

    log, pack = small_log.write(folder)
    lines = small_log.log_text().splitlines()
    without_voltage = "\n".join(",".join(line.split(",")[i] for i in (0, 2)) for line in lines)
    without_current = "\n".join(",".join(line.split(",")[i] for i in (0, 1)) for line in lines)
    criteria = (PROJECT / "cycler/data/criteria/resale.toml").read_text()
    return {
        "empty file": ([file("empty.csv", b"")], "empty.csv"),
        "binary file": ([file("binary.csv", bytes(range(256)) * 40)], "binary.csv"),
        "missing file": ([str(folder / "missing.csv")], "missing.csv"),
        "folder": ([str(folder)], "folder"),
        "no voltage": ([file("no-voltage.csv", without_voltage.encode())], "voltage"),
        "no current": ([file("no-current.csv", without_current.encode())], "current"),
        "header only": ([file("header.csv", (lines[0] + "\n").encode())], "header.csv"),
        "criteria name typo": ([str(log), "--criteria", "return-to-owne"], "return-to-owner"),
        "criteria key typo": (
            [str(log), "--criteria", file("typo.toml", criteria.replace("\ndirection =", "\ndirektion =", 1).encode())], "direction"
        ),
        "criteria missing": ([str(log), "--criteria", str(folder / "none.toml")], "none.toml"),
        "pack key typo": ([str(log), "--pack", file("p.toml", b"id = 'x'\nseris = 3\n")], "series"),
        "pack missing": ([str(log), "--pack", str(folder / "none-pack.toml")], "none-pack.toml"),
        "columns missing": ([str(log), "--columns", str(folder / "none-columns.toml")], "none-columns.toml"),
        "pack decimal comma": (
            [str(log), "--pack", file("comma.toml", b"id = 'x'\nrated_capacity_ah = 10,4\n")], "write 10.4, not 10,4"
        ),
        "pack word without quotes": ([str(log), "--pack", file("word.toml", b"chemistry = nmc\n")], 'texts stand in quotes: chemistry = "nmc"'),
        "pack number with unit": ([str(log), "--pack", file("unit.toml", b"charge_voltage_v = 42 V\n")], "write charge_voltage_v = 42, without the unit"),
        "pack is criteria": ([str(log), "--pack", file("c.toml", criteria.encode())], "this is a criteria file, not a pack file"),
        "pack is a log": ([str(log), "--pack", str(log)], "this is a log, not a pack file"),
        "criteria is a pack": ([str(log), "--criteria", str(pack)], "this is a pack file, not a criteria file"),
        "columns is a pack": ([str(log), "--columns", str(pack)], "this is a pack file, not a columns file"),
    }, pack


BAD = [
    "empty file", "binary file", "missing file", "folder", "no voltage", "no current", "header only", "criteria name typo",
    "criteria key typo", "criteria missing", "pack key typo", "pack missing", "columns missing", "pack decimal comma",
    "pack word without quotes", "pack number with unit", "pack is criteria", "pack is a log", "criteria is a pack", "columns is a pack",
]


@pytest.mark.parametrize("command, case", [
    (command, case) for command in ("inspect", "analyze", "analyze --json", "add", "compare") for case in BAD
    if command != "inspect" or not case.startswith(("criteria", "pack"))  # of which inspect takes none
])
def test_bad_input_exits_2_with_one_line_and_keeps_nothing(capfd, tmp_path, kept, made, command, case):
    cases, pack = bad_inputs(tmp_path)
    assert sorted(cases) == sorted(BAD)
    arguments, word = cases[case]
    if command == "add" and "--pack" not in arguments:
        arguments = [*arguments, "--pack", str(pack)]
    if command == "compare":
        arguments = [*arguments, "1"]
    before = kept.read_bytes()
    code, out, err = call(capfd, "--register", kept, *command.split(), *arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1 and err.endswith("\n") and err.startswith("cycler: ")
    assert "error:" in err and "why:" in err and "mend:" in err and word in err
    assert "Traceback" not in err
    assert kept.read_bytes() == before


def test_toml_mistake_quotes_the_line_and_names_it(capfd, made, tmp_path):
    (tmp_path / "p.toml").write_text('id = "x"\n\nrated_capacity_ah = 10,4   # on the label\n')
    _code, _out, err = call(capfd, "analyze", made.log, "--pack", tmp_path / "p.toml")
    assert "p.toml:3: error:" in err and '"rated_capacity_ah = 10,4 # on the label"' in err


def test_bad_input_does_not_make_a_register(capfd, tmp_path):
    register = tmp_path / "new.sqlite"
    (tmp_path / "empty.csv").touch()
    (tmp_path / "pack.toml").write_text(small_log.PACK_TOML)
    code, _out, err = call(capfd, "--register", register, "add", tmp_path / "empty.csv", "--pack", tmp_path / "pack.toml")
    assert code == 2 and err.count("\n") == 1 and not register.exists()


@pytest.mark.parametrize("arguments, word", [
    (["analyze"], "Missing argument"),
    (["analyse", "x"], "analyse"),
    (["list", "--jsn"], "--json"),
    (["show", "zero"], "zero"),
    (["show", "0"], "0"),
    (["add", "x.csv"], "--pack"),
    (["record", "1"], "--to"),
    (["compare", "1"], "at least two"),
    (["serve", "--port", "70000"], "70000"),
])
def test_wrong_usage_exits_2_with_one_line(capfd, arguments, word):
    code, out, err = call(capfd, *arguments)
    assert (code, out, err.count("\n")) == (2, "", 1) and word in err and "--help" in err


def test_no_command_shows_the_help_as_an_error(capfd):
    code, out, err = call(capfd)
    assert (code, out) == (2, "") and err.startswith("Usage: cycler") and "Examples:" in err


@pytest.mark.parametrize("arguments", [["list"], ["show", "1"], ["decide", "1"], ["compare", "1", "2"], ["serve"]])
def test_file_that_is_no_register_is_refused_untouched(capfd, tmp_path, arguments):
    file = tmp_path / "notes.txt"
    file.write_text("not a register")
    code, out, err = call(capfd, *arguments, "--register", file)
    assert (code, out, err.count("\n")) == (2, "", 1) and "not a register" in err
    assert file.read_text() == "not a register" and list(tmp_path.iterdir()) == [file]


def test_unknown_run_exits_2(capfd, kept):
    code, out, err = call(capfd, "--register", kept, "show", "99")
    assert (code, out, err.count("\n")) == (2, "", 1) and "up to 2" in err


def test_own_defect_exits_1_with_one_line_and_details_on_request(capfd, monkeypatch, made):
    def broken(*_arguments):
        raise KeyError("step")

    monkeypatch.setattr("cycler.workflow.analyse_sources", broken)
    code, out, err = call(capfd, "analyze", made.log)
    assert (code, out, err.count("\n")) == (1, "", 1) and "KeyError" in err and "defect" in err
    code, _out, err = call(capfd, "--debug", "analyze", made.log)
    assert code == 1 and "Traceback" in err


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_interrupt_exits_130():
    started = process("analyze", "-", stdin=subprocess.PIPE)
    started.stdin.write(b"0,1,2\n" * 100_000)  # more than a pipe holds: when it is gone, the command is reading
    started.stdin.flush()
    started.send_signal(signal.SIGINT)
    out, err = started.communicate(timeout=30)
    assert (started.returncode, out) == (130, b"") and b"Traceback" not in err


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX pipes")
@pytest.mark.parametrize("arguments", [["--help"], ["list"], ["list", "--json"], ["show", "1"]])
def test_reader_that_goes_away_is_no_error(kept, arguments):
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "cycler", "--register", str(kept), *arguments], stdout=writing, stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, b"")


# --- progress, pages, start --------------------------------------------------------------------------------------


class Screen(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("quiet, terminal, shown", [(False, True, True), (True, True, False), (False, False, False)])
def test_progress_shows_on_a_terminal_only(monkeypatch, quiet, terminal, shown):
    screen = Screen() if terminal else io.StringIO()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(progress, "DELAY_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    with progress.Working(Settings(quiet=quiet), "analysing", 2) as work:
        if work._timer:
            work._timer.join(10)
        work.begin("first")
    assert ("analysing" in screen.getvalue() or "first" in screen.getvalue()) is shown


def test_progress_of_reading_follows_the_bytes(monkeypatch, tmp_path):
    from cycler.readers import encoding

    log = tmp_path / "long.csv"
    log.write_bytes(b"0;1;2\n" * 1000)
    monkeypatch.setattr(encoding, "_PIECE", 2048)
    monkeypatch.setattr(progress, "DELAY_S", 0.0)
    monkeypatch.setattr(sys, "stderr", Screen())
    seen = []
    with progress.Working(Settings(), "reading and analysing") as work:
        work._timer.join(10)
        hear = work.bytes_of(log.name)

        def told(done, size):
            hear(done, size)
            task = work._bar.tasks[0]
            seen.append((task.description, task.completed, task.total))

        assert encoding.read_bytes(log, told) == log.read_bytes()
        work.bytes_done()
        assert (work._bar.tasks[0].description, work._bar.tasks[0].total) == ("reading and analysing", None)
    assert seen == [("reading long.csv", done, 6000) for done in (2048, 4096, 6000)]


def test_progress_waits_two_seconds():
    assert progress.DELAY_S == 2.0


def test_pages_are_bound_to_this_computer_only():
    bound = serving.listening_socket(0)
    try:
        assert bound.getsockname()[0] == "127.0.0.1"
    finally:
        bound.close()


def test_serve_taken_port_exits_2(capfd, kept):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        code, out, err = call(capfd, "--register", kept, "serve", "--port", taken.getsockname()[1])
    assert (code, out, err.count("\n")) == (2, "", 1) and "--port" in err


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_serve_prints_its_address_answers_and_stops(kept):
    started = process("--register", kept, "serve", "--port", "0")
    try:
        line = started.stdout.readline().decode()
        assert line.startswith("Dashboard: http://127.0.0.1:")
        with urllib.request.urlopen(line.split()[1], timeout=30) as page:
            assert page.status == 200
    finally:
        started.send_signal(signal.SIGINT)
        _out, err = started.communicate(timeout=30)
    assert started.returncode == 0 and b"Traceback" not in err


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_serve_that_is_asked_to_end_leaves_no_dropped_file_behind(kept, tmp_path, monkeypatch, name):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    started = process("--register", kept, "serve", "--port", "0")
    try:
        address = started.stdout.readline().decode().split()[1]
        put = urllib.request.Request(f"{address}drop", b"time;voltage\n", {"X-File-Name": "a.csv"}, method="PUT")
        with urllib.request.urlopen(put, timeout=30) as answer:
            assert answer.status == 201
        assert [path for path in tmp_path.rglob("*") if path.is_file()]
    finally:
        started.send_signal(getattr(signal, name))
        _out, err = started.communicate(timeout=30)
    assert started.returncode == 0 and b"Traceback" not in err and list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_serve_from_another_folder_finds_its_own_files(kept, tmp_path):
    started = process("--register", kept, "serve", "--port", "0", cwd=tmp_path)
    try:
        address = started.stdout.readline().decode().split()[1]
        for path in ("", "assets/page.css", "_dash-layout"):
            with urllib.request.urlopen(address + path, timeout=30) as page:
                assert page.status == 200 and page.read()
    finally:
        started.send_signal(signal.SIGINT)
        started.communicate(timeout=30)
    assert started.returncode == 0 and list(tmp_path.iterdir()) == []


def test_foreign_package_of_the_same_name_is_told():
    import cycler as ours

    assert foreign_package(ours) is None
    text = foreign_package(SimpleNamespace(__file__="/somewhere/cycler/__init__.py"))
    assert "/somewhere/cycler/__init__.py" in text and "virtual environment of its own" in text and "\n" not in text
