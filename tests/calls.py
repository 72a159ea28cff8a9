"""Calling the command in this process or in one of its own, and reading what it printed."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path

from rich.console import Console

from cycler.cli import run
from cycler.terminal import Sheet

PROJECT = Path(__file__).resolve().parent.parent


def call(capfd, *arguments):
    """Exit code, standard output and standard error of the command."""
    code = run([str(argument) for argument in arguments])
    out, err = capfd.readouterr()
    return code, out, err


def process(*arguments, **keywords):
    """The command started in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "cycler", *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(PROJECT)}, **keywords,
    )


def no_constant(word):
    raise AssertionError(f"{word} is no JSON")


def parsed(text):
    """The JSON object in ``text``, which holds no NaN."""
    return json.loads(text, parse_constant=no_constant)


def sheet_of(width, terminal=False):
    """A sheet of that many columns, and what is printed on it."""
    stream = io.StringIO()
    return Sheet(Console(file=stream, width=width, force_terminal=terminal, highlight=False, markup=False)), stream
