"""All logs of a folder taken into a register, the work on them done by others: processes of this machine or a cluster.

Which files may be logs, whose pack each is of and when it is whole are decided as by the watcher. Logs are kept in the order in which
their files were last changed, whoever is done first, by this process alone and each in a transaction of its own; so run numbers and
figures are the same for any number of workers, and what is kept stays kept however a batch ends. What was taken is known by the
register alone (SHA-256): the same batch, begun again, goes on.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler import intake, whose
from cycler.batchwork import CHANGED, DEFECT, GROWING, OTHER_PROGRAM, READ, REFUSED, Job, versions
from cycler.crews import Crew, Died, Outcome, other_program
from cycler.errors import InputError
from cycler.intake import QUIET_FOR_S, ROWS_QUIET, Changed, label_of
from cycler.storage import clean_text
from cycler.watchfolder import checked_folder, not_readable, scan
from cycler.workflow import keep_run, remember_columns

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.pack import Pack
    from cycler.readers import ColumnsFile
    from cycler.register import KeptLog, Register

KEPT, KNOWN, WAITING, FAILED = "kept", "known", "waiting", "failed"
STATES = (KEPT, KNOWN, WAITING, REFUSED, FAILED)
"""What can become of a file: a run now; one before; nothing until a person or time does something; no log that can be read; the work on it broke down."""

_TIMES_QUIET = 2
"""A file that still changes after this many times the quiet time is left, and told."""

_TRIES = 5
_NO_CHANGE_S = 0.5


@dataclass(frozen=True, slots=True)
class Entry:
    """What became of one file.

    ``state`` is one of :data:`STATES`; capacity and its standard uncertainty in Ah, None where the test gives none; ``error`` for what
    was not kept, or was kept but cannot be told of; ``defect`` where in the program it broke down. ``size`` is that of the file. [bytes]
    """

    file: str
    state: str
    size: int = 0
    run_id: int | None = None
    pack_id: str | None = None
    verdict: str | None = None
    capacity_ah: float | None = None
    u_capacity_ah: float | None = None
    capacity_valid: bool | None = None
    capacity_is_lower_bound: bool | None = None
    why: str = ""
    doubts: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()
    error: InputError | None = None
    defect: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values; ``u_capacity_ah`` is a standard uncertainty (k = 1)."""
        return {
            "file": self.file, "state": self.state, "run": self.run_id, "pack": self.pack_id, "verdict": self.verdict,
            "capacity_ah": self.capacity_ah, "u_capacity_ah": self.u_capacity_ah, "capacity_valid": self.capacity_valid,
            "capacity_is_lower_bound": self.capacity_is_lower_bound, "why": self.why or None, "doubts": list(self.doubts),
            "dangers": list(self.dangers),
            "error": None if self.error is None else self.error.parts(),
        }


@dataclass(slots=True, eq=False)
class _File:
    """A file on its way. ``since`` is when it was first seen as it is now; ``pack`` is what its job was given."""

    path: Path
    name: str
    size: int
    mtime_ns: int
    since: float
    sha256: str = ""
    pack: Pack | None = None
    outcome: Outcome | None = None
    entry: Entry | None = None
    given: int = 0
    changed: int = 0
    trouble: InputError | None = None


@dataclass(slots=True)
class _Left:
    """Files that were not decided on: changed or fresh ones, and those whose pack nothing tells yet."""

    fresh: list[_File] = field(default_factory=list)
    packless: list[_File] = field(default_factory=list)


class Batch:
    """Takes the logs of a folder into a register.

    Parameters
    ----------
    folder : str or Path
        Its files and those of its sub-folders, one level deep.
    register : Register
        Open, and one that may be written to.
    criteria : Criteria
        Limits that each run is judged by.
    crew : Crew
        Who reads and analyses. The caller closes it.
    pack : Pack, optional
        Pack of all files for which nothing else says another one.
    quiet_s : float, optional
        Time without a change after which a file counts as whole, by the watch of this call or by the time of the file; left out,
        :data:`cycler.intake.QUIET_FOR_S`, and longer for a slow log. [s]
    columns : ColumnsFile, optional
        Columns file of all logs; left out, those that the register knows, unless ``use_remembered`` is False.
    said : collection of str
        What holds for all logs, such as ``allow_bad_rows``.
    doubts : collection of str
        Codes of the reader's warnings that are told with a run.

    Raises
    ------
    InputError
        The folder does not exist, is a file or cannot be read; the register may only be read; the pack has no id.
    """

    def __init__(
        self, folder: str | Path, register: Register, criteria: Criteria, crew: Crew, pack: Pack | None = None, quiet_s: float | None = None,
        columns: ColumnsFile | None = None, use_remembered: bool = True, said: Collection[str] = (), doubts: Collection[str] = (),
        wall: Callable[[], float] = time.time, clock: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.folder = checked_folder(folder)
        register.check_writable()
        if pack is not None and not pack.id:
            raise whose.no_id("--pack")
        self._register, self._criteria, self._crew, self._pack = register, criteria, crew, pack
        self._quiet_s, self._rows_quiet = (QUIET_FOR_S, ROWS_QUIET) if quiet_s is None else (quiet_s, 0)
        self._columns, self._said, self._doubts = columns, tuple(said), doubts
        self._wall, self._clock, self._sleep = wall, clock, sleep
        self._remembered = tuple(register.columns_memory.all()) if use_remembered and columns is None else ()
        self._versions = versions()
        self._known: dict[str, None] = {}
        self._ahead: dict[str, Pack] = {}
        self._by_number: dict[int, _File] = {}
        self._numbers = itertools.count(1)
        self._out = 0
        self._left = _Left()
        self.told: Counter[str] = Counter()
        self.undated: dict[str, list[int]] = {}
        """Runs kept now whose logs hold no date, by pack: their order is that of the files."""
        try:
            found, self._closed = scan(self.folder, os.path.realpath(register.name))
        except OSError as error:
            raise not_readable(str(self.folder), error) from None
        now = self._clock()
        self._files = [
            _File(path, clean_text(path.relative_to(self.folder).as_posix()), state.st_size, state.st_mtime_ns, now)
            for path, state in found.items()
        ]
        self._files.sort(key=lambda file: (file.mtime_ns, file.path))  # tests in the order in which they ended

    @property
    def sizes(self) -> list[int]:
        """Sizes of the files that were found. [bytes]"""
        return [file.size for file in self._files]

    def run(self) -> Iterator[Entry]:
        """What becomes of each file, as it is decided.

        Raises
        ------
        InputError
            The register cannot be written to any more, or the cluster is lost. What is kept stays.
        """
        for entry in self._run():
            self.told[entry.state] += entry.state != KEPT  # those are counted the moment they are kept
            yield entry

    def _run(self) -> Iterator[Entry]:
        for folder, error in self._closed.items():
            yield Entry(f"{folder.name}/", REFUSED, error=error)
        still = [file for file in self._files if self._still_s(file) >= self._quiet_s]
        self._left.fresh = [file for file in self._files if self._still_s(file) < self._quiet_s]
        yield from self._pass(still)
        yield from self._fresh()
        while self._left.packless:
            waiting, self._left.packless = self._left.packless, []
            self._look_up_packs()
            told = [file for file in waiting if self._pack_or_none(file) is not None]  # by a log that was kept since
            if not told:
                for file in waiting:
                    yield Entry(file.name, WAITING, file.size, error=file.trouble)
                break
            self._left.packless = [file for file in waiting if file not in told]
            yield from self._pass(told)
            yield from self._fresh()

    def _fresh(self) -> Iterator[Entry]:
        """Files that changed of late: each is taken once it was still; one that goes on changing is left."""
        end = self._clock() + _TIMES_QUIET * self._quiet_s + _NO_CHANGE_S
        while self._left.fresh:
            files, self._left.fresh = self._left.fresh, []
            ready: list[_File] = []
            for file in files:
                if not self._there(file):
                    yield Entry(file.name, WAITING, file.size, error=InputError(
                        "the file is no longer there", file.name, "it was moved or deleted before it was read", "see where it went",
                    ))
                elif file.changed < _TRIES and self._still_s(file) >= self._quiet_s:
                    (ready if not file.changed or self._clock() - file.since >= _NO_CHANGE_S else self._left.fresh).append(file)
                elif file.changed >= _TRIES or self._clock() > end:
                    yield Entry(file.name, WAITING, file.size, error=InputError(
                        "the file is still being written", file.name, f"it changed within the last {self._quiet_s:g} s",
                        "give the same command again when it is whole",
                    ))
                else:
                    self._left.fresh.append(file)
            yield from self._pass(ready)
            if self._left.fresh:
                due = min(max(self._quiet_s - self._still_s(file), 0.0) for file in self._left.fresh)
                self._sleep(min(max(due, 0.05), max(end - self._clock(), 0.0) + 0.05, 1.0))

    def _there(self, file: _File) -> bool:
        """Look at a file again; False if it is gone."""
        try:
            state = file.path.stat()
        except OSError:
            return False
        if (file.size, file.mtime_ns) != (state.st_size, state.st_mtime_ns):
            file.size, file.mtime_ns, file.since = state.st_size, state.st_mtime_ns, self._clock()
        return True

    def _still_s(self, file: _File) -> float:
        return max(self._clock() - file.since, self._wall() - file.mtime_ns / 1e9)

    # --- one pass over files -------------------------------------------------------------------------------------

    def _pass(self, files: list[_File]) -> Iterator[Entry]:
        """Give out jobs, some more than there are workers, and decide on what comes back in the order of the files."""
        todo, line = deque(files), deque[_File]()
        if todo:
            self._look_up_packs()
        while todo or line:
            while todo and self._out < 2 * self._crew.width and len(line) < 4 * self._crew.width + 8:
                line.append(todo.popleft())
                self._begin(line[-1])
            while line and (line[0].entry is not None or line[0].outcome is not None):
                entry = line[0].entry or self._conclude(line[0])
                if line[0].outcome is None and entry is None:
                    break  # it was given out again
                line.popleft()
                if entry is not None:
                    yield entry
            if line and self._out and (self._out >= 2 * self._crew.width or not todo or len(line) >= 4 * self._crew.width + 8):
                for number, outcome in self._crew.outcomes():
                    self._by_number.pop(number).outcome = outcome
                    self._out -= 1

    def _begin(self, file: _File) -> None:
        """What can be said of a file by its digest, or else its job for the crew."""
        file.entry = file.outcome = None
        try:
            raw = intake.bytes_of(file.path, file.size, file.mtime_ns)
        except Changed:
            file.outcome = {"state": CHANGED}
            return
        except InputError as error:
            file.entry = Entry(file.name, REFUSED, file.size, error=error.bare())
            return
        file.sha256 = hashlib.sha256(raw).hexdigest()
        held = self._register.kept_logs(sha256=file.sha256)
        if held:
            file.entry = self._already(file, held[0])
            return
        file.pack = self._pack_or_none(file)
        if file.pack is not None:
            self._ahead[file.pack.id or ""] = file.pack
        self._give(file)

    def _give(self, file: _File) -> None:
        self._out += 1
        file.given += 1
        file.outcome = None
        number = next(self._numbers)
        self._by_number[number] = file
        self._crew.submit(number, Job(
            name=file.path.name, path=str(file.path), size=file.size, mtime_ns=file.mtime_ns, sha256=file.sha256, pack=file.pack,
            criteria=self._criteria, columns=self._columns, remembered=self._remembered, said=self._said,
            still_s=self._still_s(file), rows_quiet=self._rows_quiet, versions=self._versions,
        ))

    def _conclude(self, file: _File) -> Entry | None:
        """Decide on a file whose work came back. None if it was given out again, or is left for later."""
        outcome = file.outcome
        assert outcome is not None
        name = file.path.name
        if isinstance(outcome, Died):
            return Entry(file.name, FAILED, file.size, error=InputError(
                "the process that analysed this log was ended", name, "it was killed, or had not enough memory, more than once; nothing of it is kept",
                "split the log, close other programs, or add it by itself: cycler add LOG --pack PACK.toml",
            ))
        state = outcome["state"]
        if state in (REFUSED, DEFECT):
            error = InputError(*outcome["error"])
            return Entry(file.name, REFUSED if state == REFUSED else FAILED, file.size, error=error, defect=outcome.get("defect", ""))
        if state == OTHER_PROGRAM:
            raise other_program("one that joined since", outcome["versions"])
        if state == GROWING:
            mend = "give the same command again then; or say --quiet-for 0 if it is whole"
            if self._pack_or_none(file) is None and file.trouble is not None:  # told now, so that nobody waits twice
                place = "" if file.trouble.where == name else f" ({file.trouble.where})"
                mend += f"; besides{place}: {file.trouble.what}{'' if file.trouble.what.endswith('?') else ';'} {file.trouble.why}; {file.trouble.mend}"
            return Entry(file.name, WAITING, file.size, error=InputError("the file may still be written", name, outcome["why"], mend))
        if state == CHANGED:
            return self._later(file)
        try:
            raw = intake.bytes_of(file.path, file.size, file.mtime_ns)
        except (Changed, InputError):
            return self._later(file)
        if not hashlib.sha256(raw).hexdigest() == file.sha256 == outcome["sha256"]:
            return self._later(file)
        try:
            return self._keep(file, raw, outcome)
        except MemoryError:
            return Entry(file.name, REFUSED, file.size, error=intake.no_memory(name, file.size))
        except InputError:
            raise
        except Exception as error:
            entry = Entry(file.name, FAILED, file.size, error=intake.defect(name, error), defect=traceback.format_exc())
            held = self._register.kept_logs(sha256=file.sha256)  # it may have broken down only after the run was kept
            self.told[KEPT] += bool(held)
            return replace(entry, state=KEPT, run_id=held[0].run_id, pack_id=held[0].pack_id) if held else entry

    def _later(self, file: _File) -> Entry | None:
        """It changed meanwhile: it is looked at again when it was still."""
        file.since = self._clock()
        file.changed += 1
        self._left.fresh.append(file)
        return None

    def _keep(self, file: _File, raw: bytes, outcome: dict[str, Any]) -> Entry | None:
        name = file.path.name
        held = self._register.kept_logs(sha256=file.sha256)
        if held:  # the same bytes under two names, or another one who takes logs in was quicker
            return self._already(file, held[0])
        grown = intake.first_part(self._register.kept_logs(file=name), raw)
        if grown is not None:
            return Entry(file.name, WAITING, file.size, error=intake.went_on(grown, name, len(raw)))
        try:
            claim, pack = self._whose(file, self._known)
        except InputError as error:
            self._trouble_of_register(error)
            file.trouble = error.bare()
            self._left.packless.append(file)
            return None
        if outcome["state"] == READ or pack != file.pack:  # what it is of is known only now, or not as it was
            if file.given >= _TRIES:
                return self._later(file)
            file.pack = pack
            self._give(file)
            return None
        sources, analysis, used = [(name, raw)], outcome["analysis"], outcome["used"]
        try:
            run_id = keep_run(self._register, sources, pack, label_of(name), analysis, self._criteria, used, once=True)
        except InputError as error:
            self._trouble_of_register(error)
            held = self._register.kept_logs(sha256=file.sha256)
            if held:
                return self._already(file, held[0])
            return Entry(file.name, WAITING, file.size, error=error.bare())
        self.told[KEPT] += 1
        self._known[claim.pack_id] = None
        if (analysis.get("log") or {}).get("started_at") is None:
            self.undated.setdefault(claim.pack_id, []).append(run_id)
        capacity = analysis.get("capacity") or {}
        entry = Entry(
            file.name, KEPT, file.size, run_id, claim.pack_id, capacity_ah=capacity.get("value_ah"), u_capacity_ah=capacity.get("u_value_ah"),
            capacity_valid=capacity.get("valid"), capacity_is_lower_bound=capacity.get("is_lower_bound"), why=claim.why,
        )
        try:  # the run is kept whatever becomes of the rest; a register that is lost shows at the next write
            remember_columns(self._register, sources, used, run_id, analysis)
            return replace(entry, **intake.told_of_run(self._register, run_id, claim.pack_id, analysis, self._doubts))
        except InputError as error:
            return replace(entry, error=error.bare())
        except Exception as error:
            return replace(entry, error=intake.defect(name, error), defect=traceback.format_exc())

    # --- whose it is ------------------------------------------------------------------------------------------------

    def _look_up_packs(self) -> None:
        """What the register knows now; others may write to it, too."""
        self._known = dict.fromkeys(row.id for row in self._register.packs())
        self._ahead = {}

    def _pack_or_none(self, file: _File) -> Pack | None:
        """Whose log it will be once those before it are kept, as far as that can be told now."""
        try:
            return self._whose(file, self._known | dict.fromkeys(self._ahead), self._ahead)[1]
        except InputError as error:
            self._trouble_of_register(error)
            file.trouble = error.bare()
            return None

    def _whose(self, file: _File, known: Collection[str], ahead: dict[str, Pack] | None = None) -> tuple[whose.Claim, Pack]:
        sub_folder = file.path.parent.name if file.path.parent != self.folder else ""
        claim = whose.chosen(whose.claims(file.path, sub_folder, known, self._pack), file.path)
        if claim.pack is None and ahead and claim.pack_id in ahead:
            return claim, ahead[claim.pack_id]
        return claim, whose.pack_of(claim, self._register, file.path)

    def _already(self, file: _File, held: KeptLog) -> Entry:
        why = "that run was withdrawn" if held.withdrawn else ""
        return Entry(file.name, KNOWN, file.size, held.run_id, held.pack_id, why=why)

    def _trouble_of_register(self, error: InputError) -> None:
        """What is wrong with the register itself is no fault of the file: it ends the batch."""
        if str(error.where) == self._register.name:
            raise error


def with_figures(entries: list[Entry], register: Register) -> list[dict[str, Any]]:
    """The entries as plain values, those known with what the register holds of their runs."""
    known = sorted({entry.run_id for entry in entries if entry.state == KNOWN and entry.run_id is not None})
    rows: dict[int | None, Any] = {}
    for place in range(0, len(known), 500):
        rows |= {line.run.id: line.run for line in register.run_lines(known[place:place + 500])}
    found = []
    for entry in entries:
        value = entry.to_dict()
        row = rows.get(entry.run_id) if entry.state == KNOWN else None
        if row is not None:
            value |= {
                "verdict": row.verdict, "capacity_ah": row.capacity_ah, "u_capacity_ah": row.u_capacity_ah,
                "capacity_valid": row.capacity_valid, "capacity_is_lower_bound": row.capacity_is_lower_bound,
            }
        found.append(value)
    return found
