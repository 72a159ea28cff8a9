"""What ``watch`` and ``batch`` decide alike of a log file in a folder: whether it is whole, went on after it was taken, and what is told of it.

Whose pack it is of stands in :mod:`cycler.whose`, which files may be logs in :mod:`cycler.watchfolder`.
"""

from __future__ import annotations

import hashlib
import itertools
import statistics
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler import whose
from cycler.errors import InputError, quote
from cycler.storage import clean_text

if TYPE_CHECKING:
    from cycler.log import Log
    from cycler.register import KeptLog, Register

QUIET_FOR_S = 20.0
"""A file that did not change for so long counts as whole, unless its rows are further apart. [s]"""

ROWS_QUIET = 3
"""Unless somebody said how long, a file must have been still for this many of the usual distances between its last rows, too: a
logger that writes once a minute is not done after 20 s."""

LABEL_MAX = 120
_LAST_ROWS = 20


class Changed(Exception):
    """The file is not as it was when it was looked at."""


def bytes_of(path: Path, size: int, mtime_ns: int) -> bytes:
    """The bytes of a file that has not changed since it was looked at.

    Raises
    ------
    Changed
        Size or time of change are not those given, or it is not there.
    InputError
        It cannot be read.
    """
    from cycler.readers.encoding import read_bytes

    def no_further(taken: int, _size: int | None) -> None:
        if taken > size:
            raise Changed  # it grows as fast as it is read

    if not path.exists():
        raise Changed
    # A file of the system may state no bytes and still give bytes without end, or let its reader wait for ever.
    raw = read_bytes(path, no_further) if size else b""
    try:
        state = path.stat()
    except OSError:
        raise Changed from None
    if (state.st_size, state.st_mtime_ns) != (size, mtime_ns) or len(raw) != size:
        raise Changed
    return raw


def rows_apart_s(log: Log) -> float | None:
    """Usual distance between the last rows of a log; None if it has one row. [s]"""
    times = log.time_s[-_LAST_ROWS - 1:].tolist()
    if len(times) < 2:
        return None
    return statistics.median(later - earlier for earlier, later in itertools.pairwise(times))


def slow_rows(apart_s: float, needed_s: float) -> str:
    """Why a file whose rows are far apart is not taken yet."""
    return f"its rows are {every(apart_s)} apart: taken once it was still for {every(needed_s)}"


def every(seconds: float) -> str:
    """A time in words: seconds, or minutes."""
    return f"{seconds:.0f} s" if seconds < 300 else f"{seconds / 60:.0f} min"


def first_part(held: Iterable[KeptLog], raw: bytes) -> KeptLog | None:
    """That log of a run that counts which is the first part of these bytes. ``held`` are logs of the same name."""
    for item in held:
        if not item.withdrawn and item.bytes < len(raw) and hashlib.sha256(raw[:item.bytes]).hexdigest() == item.sha256:
            return item
    return None


def went_on(held: KeptLog, name: str, size: int) -> InputError:
    """The error for a file whose first part a run holds: its test went on after it was taken."""
    return InputError(
        f"the test went on after it was added as run {held.run_id}", name,
        f"run {held.run_id} of {held.pack_id} holds the first {held.bytes} of now {size} bytes",
        f'withdraw run {held.run_id}, and the whole file is taken; cycler correct {held.run_id} --withdraw --by NAME --why "test went on"',
    )


def no_memory(name: str, size: int) -> InputError:
    """The error for a log that does not fit the memory."""
    return InputError("not enough memory for this log", name, f"it holds {size} bytes", "split the log, or close other programs")


def defect(name: str, error: Exception) -> InputError:
    """What is told of an error that is ours."""
    return InputError(
        "internal error", name, f"{type(error).__name__}: {quote(error, 200)[1:-1]}",
        "this is a defect of the program, nothing you did; please report it",
    )


def told_of_run(register: Register, run_id: int, pack_id: str, analysis: dict[str, Any], doubts: Collection[str]) -> dict[str, Any]:
    """What is told of a run that was kept: result of its verdict, doubts of the reader (codes ``doubts``), dangers. It is kept whatever becomes of this."""
    from cycler.workflow import analysis_as_judged

    dangers = [str(item.get("message")) for item in analysis.get("findings") or () if item.get("severity") == "danger"]
    try:
        analysis = analysis_as_judged(register, run_id)
        dangers += [str(item["message"]) for item in register.open_dangers(pack_id)]
    except InputError:
        pass
    warnings = (analysis.get("reading") or {}).get("warnings") or ()
    return {
        "verdict": (analysis.get("verdict") or {}).get("result"),
        "doubts": tuple(str(item.get("message")) for item in warnings if item.get("code") in doubts),
        "dangers": tuple(dangers),
    }


def label_of(name: str) -> str:
    """Label of the run of a file: its name without the ending, on one line."""
    plain = "".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in clean_text(whose.log_stem(name)))
    return plain.strip()[:LABEL_MAX].strip()
