"""A folder whose new log files are taken into the register by themselves once they have stopped growing.

:class:`Watcher` looks when it is told to (:meth:`Watcher.step`) and says what happened; it prints nothing, waits for nothing and
changes nothing in the folder. What was taken is known by the register alone, so that a watcher may end at any moment.
"""

from __future__ import annotations

import hashlib
import os
import threading
import time
import traceback
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler import intake, whose
from cycler.errors import InputError
from cycler.intake import LABEL_MAX, QUIET_FOR_S, ROWS_QUIET, Changed, label_of
from cycler.storage import clean_text
from cycler.watchfolder import checked_folder, not_readable, scan, stamp
from cycler.workflow import keep_run, remembered_columns

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.pack import Pack
    from cycler.register import KeptLog, Register

__all__ = ["LABEL_MAX", "LOOK_EVERY_S", "QUIET_FOR_S", "Event", "Watcher", "label_of"]

LOOK_EVERY_S = 2.0
"""Usual time between two looks at the folder. [s]"""

NEW, GROWING, READING, ADDED, ALREADY, WAITS, NOT_READ = "new", "growing", "reading", "added", "already_there", "waits", "not_read"
GONE, FOLDER_GONE, FOLDER_BACK, TROUBLE = "gone", "folder_gone", "folder_back", "trouble"
UNDECIDED = (NEW, GROWING, READING)

_LOG_ENDINGS = (".csv", ".tsv", ".txt", ".log", ".dat", ".asc")


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a file, or to the folder. ``kind`` is one of the words above; ``at`` is in seconds since 1970 (UTC)."""

    kind: str
    at: float
    file: str = ""
    run_id: int | None = None
    pack_id: str | None = None
    verdict: str | None = None
    why: str = ""
    doubts: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()
    error: InputError | None = None
    defect: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values, the time as ISO 8601."""
        return {
            "schema": "cycler.watch/1", "event": self.kind,
            "at": datetime.fromtimestamp(self.at, UTC).isoformat(timespec="seconds"),
            "file": self.file or None, "run": self.run_id, "pack": self.pack_id, "verdict": self.verdict, "why": self.why or None,
            "doubts": list(self.doubts), "dangers": list(self.dangers),
            "error": None if self.error is None else self.error.parts(),
        }


@dataclass(slots=True)
class _Entry:
    """A file that was seen. ``since`` is when it was first seen as it is now; ``evidence`` is what the last decision rested on,

    ``glance`` what tells quickly that this is as it was; ``told`` is the error that was told last."""

    path: Path
    size: int
    mtime_ns: int
    since: float
    last: Event
    quiet_s: float
    there: bool = True
    grew: bool = False
    went_on: bool = False
    evidence: object = None
    glance: object = None
    sha256: str = ""
    told: str = ""

    @property
    def state(self) -> str:
        return self.last.kind


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the register knows: the end of its chain, packs, those with a run that counts, withdrawn runs, columns files in use."""

    head: tuple[int, str]
    packs: tuple[str, ...]
    tested: frozenset[str]
    withdrawn: tuple[int, ...]
    columns: tuple[int, ...]


class _Stopped(Exception):
    """Nothing is to be taken any more."""


class Watcher:
    """Takes new logs of a folder into a register.

    Parameters
    ----------
    folder : str or Path
        Its files and those of its sub-folders, one level deep, are looked at.
    register : Register
        Open, and one that may be written to.
    criteria : Criteria
        Limits that each run is judged by.
    pack : Pack, optional
        Pack of all files for which nothing else says another one.
    quiet_s : float, optional
        Time without a change after which a file counts as whole; left out, :data:`QUIET_FOR_S`, and longer for a slow log. [s]
    doubts : collection of str
        Codes of the reader's warnings that are told with a run.
    only_now : bool
        Pass over files that were not there at the first look.
    wall : callable
        Seconds since 1970, for the times of events and the age of files.

    Raises
    ------
    InputError
        The folder does not exist, is a file or cannot be read; the register may only be read; the pack has no id.
    """

    def __init__(
        self, folder: str | Path, register: Register, criteria: Criteria, pack: Pack | None = None, quiet_s: float | None = None,
        doubts: Collection[str] = (), only_now: bool = False, wall: Callable[[], float] = time.time,
    ) -> None:
        self.folder = checked_folder(folder)
        register.check_writable()
        if pack is not None and not pack.id:
            raise whose.no_id("--pack")
        self._register, self._criteria, self._pack = register, criteria, pack
        self._quiet_s, self._rows_quiet = (QUIET_FOR_S, ROWS_QUIET) if quiet_s is None else (quiet_s, 0)
        self._doubts, self._only_now, self._wall = doubts, only_now, wall
        self._own_file = os.path.realpath(register.name)
        self._entries: dict[Path, _Entry] = {}
        self._lock = threading.Lock()
        self._gone = self._looked = False
        self._trouble: InputError | None = None
        self._closed_folders: dict[Path, InputError] = {}
        self._facts: _Facts | None = None
        self._stopped = self.more = False

    # --- what the outside sees ----------------------------------------------------------------------------------

    @property
    def looked(self) -> bool:
        """True once the folder was looked at."""
        return self._looked

    @property
    def files(self) -> list[Event]:
        """What is known of each file that is there, or was taken: its last event, the newest first."""
        with self._lock:
            entries = list(self._entries.values())
        return sorted((entry.last for entry in entries), key=lambda event: (-event.at, event.file))

    @property
    def for_a_person(self) -> dict[str, Path]:
        """Files that a person may add by hand, by name: those whose pack is not known, and logs by their ending that were not read."""
        with self._lock:
            return {
                entry.last.file: entry.path for entry in self._entries.values()
                if (entry.state == WAITS and not entry.went_on)
                or (entry.state == NOT_READ and entry.path.name.lower().removesuffix(".gz").endswith(_LOG_ENDINGS))
            }

    @property
    def troubles(self) -> list[InputError]:
        """What keeps files from being taken now: the register, or a sub-folder that cannot be read."""
        return [*([self._trouble] if self._trouble else []), *self._closed_folders.values()]

    @property
    def folder_is_there(self) -> bool:
        """False while the folder cannot be looked at."""
        return not self._gone

    @property
    def settled(self) -> bool:
        """True if something was said of every file, and none is on its way in."""
        with self._lock:
            return self._looked and not self.more and all(
                entry.state not in UNDECIDED for entry in self._entries.values() if entry.there
            )

    @property
    def only_growing_left(self) -> bool:
        """True if nothing is on its way in but files that changed while they were watched."""
        with self._lock:
            return self._looked and not self.more and all(
                entry.grew or entry.state not in UNDECIDED for entry in self._entries.values() if entry.there
            )

    def stop(self) -> None:
        """Take nothing any more, also not the log that is being read. May be called from any thread."""
        self._stopped = True

    # --- one look -----------------------------------------------------------------------------------------------

    def step(self, now: float) -> list[Event]:
        """Look at the folder once, and take at most one new log in. ``now`` is of a clock that never jumps. [s]

        :attr:`more` is true afterwards if others are ready.
        """
        self.more = False
        events: list[Event] = []
        try:
            found, closed = scan(self.folder, self._own_file)
        except OSError as error:
            return events + self._folder_gone(error)
        if self._gone:
            self._gone = False
            for entry in self._entries.values():
                entry.since = now
            events.append(self._event(FOLDER_BACK))
        self._tell_closed(closed, events)
        self._note(found, now, events)
        self._looked = True
        try:
            self._decide(now, events)
            self._trouble = None
        except _Stopped:
            self.more = False
        except _RegisterTrouble as trouble:
            known, self._trouble = self._trouble, trouble.error
            if str(known) != str(trouble.error):
                events.append(self._event(TROUBLE, error=trouble.error))
        return events

    def _tell_closed(self, closed: dict[Path, InputError], events: list[Event]) -> None:
        """Sub-folders that cannot be read are told once."""
        events += [self._event(TROUBLE, folder.name, error=error) for folder, error in closed.items() if folder not in self._closed_folders]
        self._closed_folders = closed

    def _folder_gone(self, error: OSError) -> list[Event]:
        if self._gone:
            return []
        self._gone = True
        return [self._event(FOLDER_GONE, error=not_readable(str(self.folder), error))]

    def _note(self, found: dict[Path, os.stat_result], now: float, events: list[Event]) -> None:
        """Compare what is there with what was there."""
        for path, state in found.items():
            size, mtime_ns = state.st_size, state.st_mtime_ns
            entry = self._entries.get(path)
            if entry is None:
                if self._only_now and self._looked:
                    continue
                name = clean_text(path.relative_to(self.folder).as_posix())
                with self._lock:
                    self._entries[path] = _Entry(path, size, mtime_ns, now, self._event(NEW, name), self._quiet_s)
                continue
            entry.there = True
            if (entry.size, entry.mtime_ns) == (size, mtime_ns):
                continue
            entry.size, entry.mtime_ns, entry.since = size, mtime_ns, now
            entry.evidence, entry.sha256, entry.told, entry.grew = None, "", "", True
            if entry.state != GROWING:
                self._say(entry, GROWING, events)
        for path in [path for path in self._entries if path not in found]:
            entry = self._entries[path]
            if entry.state in (ADDED, ALREADY):
                entry.there = False
                continue
            with self._lock:
                del self._entries[path]
            if entry.state != NEW:
                events.append(self._event(GONE, entry.last.file))

    # --- what becomes of a file -----------------------------------------------------------------------------------

    def _decide(self, now: float, events: list[Event]) -> None:
        entries = [entry for entry in self._entries.values() if entry.there and entry.state not in (ADDED, ALREADY)]
        entries.sort(key=lambda entry: (entry.mtime_ns, entry.path))  # tests in the order in which they ended
        undecided = [entry for entry in entries if entry.state in UNDECIDED and now - entry.since >= entry.quiet_s]
        decided = [entry for entry in entries if entry.state in (WAITS, NOT_READ)]
        if not undecided and not decided:
            return
        facts = self._known()
        ready = undecided + [entry for entry in decided if self._rests_on_other(entry, facts)]
        for place, entry in enumerate(ready):
            if self._take(entry, now, facts, events):
                self.more = place + 1 < len(ready)
                for other in ready[place + 1:]:
                    other.glance = None
                return

    def _known(self) -> _Facts:
        head = self._ask(self._register.chain_head)
        if self._facts is None or self._facts.head != head:
            packs, runs = self._ask(self._register.packs), self._ask(self._register.runs)
            columns = self._ask(self._register.columns_memory.all)
            self._facts = _Facts(
                head, tuple(row.id for row in packs), frozenset(row.pack_id for row in runs if not row.withdrawn),
                tuple(row.id for row in runs if row.withdrawn), tuple(item.id for item in columns),
            )
        return self._facts

    def _rests_on_other(self, entry: _Entry, facts: _Facts) -> bool:
        """True if what the decision on a file rested on is not as it was."""
        glance = (facts.head, _stamps(entry.path))
        if entry.evidence is not None and entry.glance == glance:
            return False
        entry.glance = glance
        return entry.evidence is None or self._evidence(entry, facts) != entry.evidence

    def _evidence(self, entry: _Entry, facts: _Facts) -> object:
        """What a decision on a file rests on besides its bytes."""
        held = self._ask(lambda: [
            *self._register.kept_logs(sha256=entry.sha256), *self._register.kept_logs(file=entry.path.name),
        ])
        pack = (facts.packs, facts.tested, facts.withdrawn, _stamps(entry.path))
        return facts.columns if entry.state == NOT_READ else pack, tuple(item.run_id for item in held)

    def _take(self, entry: _Entry, now: float, facts: _Facts, events: list[Event]) -> bool:
        """Decide on one file; returns True if its log was read, which takes its time."""
        try:
            raw = intake.bytes_of(entry.path, entry.size, entry.mtime_ns)
        except Changed:
            entry.since = now
            return False
        except InputError as error:  # tried again at each look, told once
            self._refused(entry, NOT_READ, error, events)
            return False
        entry.sha256 = hashlib.sha256(raw).hexdigest()
        held = self._ask(lambda: self._register.kept_logs(sha256=entry.sha256))
        if held:
            self._already(entry, held[0], events)
            return False
        before = entry.last
        entry.last = replace(before, kind=READING)
        try:
            self._read_and_keep(entry, raw, now, facts, events)
        except InputError as error:
            self._refused(entry, NOT_READ, error, events, facts)
        except MemoryError:
            self._refused(entry, NOT_READ, intake.no_memory(entry.path.name, len(raw)), events, facts)
        except (_RegisterTrouble, _Stopped, KeyboardInterrupt, SystemExit):
            entry.last = before
            raise
        except Exception as error:
            self._refused(entry, NOT_READ, intake.defect(entry.path.name, error), events, facts, traceback.format_exc())
        return True

    def _read_and_keep(self, entry: _Entry, raw: bytes, now: float, facts: _Facts, events: list[Event]) -> None:
        from cycler.analysis import analyze

        name = entry.path.name
        sources = [(name, raw)]
        used = self._ask(lambda: remembered_columns(self._register.columns_memory, sources))
        log = used.read(sources)
        if self._may_go_on(entry, log, now):
            why = intake.slow_rows(entry.quiet_s / ROWS_QUIET, entry.quiet_s)
            if entry.last.why == why:
                entry.last = replace(entry.last, kind=GROWING)
            else:
                self._say(entry, GROWING, events, why=why)
            return
        try:
            self._refuse_grown(entry, raw)
            sub_folder = entry.path.parent.name if entry.path.parent != self.folder else ""
            claim = whose.chosen(whose.claims(entry.path, sub_folder, facts.packs, self._pack), entry.path)
            pack = self._ask(lambda: whose.pack_of(claim, self._register, entry.path))
            analysis = analyze(log, pack, self._criteria).to_dict()
            if self._stopped:
                raise _Stopped
            run_id = self._ask(lambda: keep_run(
                self._register, sources, pack, label_of(name), analysis, self._criteria, used, once=True,
            ))
        except InputError as error:
            held = self._ask(lambda: self._register.kept_logs(sha256=entry.sha256))
            if held:  # another watcher, or a person, was quicker
                self._already(entry, held[0], events)
            else:
                self._refused(entry, WAITS, error, events, facts)
            return
        told = intake.told_of_run(self._register, run_id, claim.pack_id, analysis, self._doubts)
        self._say(entry, ADDED, events, run_id=run_id, pack_id=claim.pack_id, why=claim.why, **told)

    def _may_go_on(self, entry: _Entry, log: Log, now: float) -> bool:
        """True if the next row of a slow log may still come. Neither the watch nor the clock of the file has seen it still long enough."""
        apart = intake.rows_apart_s(log)
        if apart is None:
            return False
        entry.quiet_s = max(self._quiet_s, self._rows_quiet * apart)
        return max(now - entry.since, self._wall() - entry.mtime_ns / 1e9) < entry.quiet_s

    def _refuse_grown(self, entry: _Entry, raw: bytes) -> None:
        """InputError if a run that counts holds the first part of this very file: its test went on after it was taken."""
        held = intake.first_part(self._ask(lambda: self._register.kept_logs(file=entry.path.name)), raw)
        entry.went_on = held is not None
        if held is not None:
            raise intake.went_on(held, entry.path.name, len(raw))

    def _ask(self, question: Callable[[], Any]) -> Any:
        """An answer of the register; what is wrong with the register itself is no fault of the file."""
        try:
            return question()
        except InputError as error:
            if str(error.where) == self._register.name:
                raise _RegisterTrouble(error) from None
            raise

    # --- telling --------------------------------------------------------------------------------------------------

    def _event(self, kind: str, file: str = "", **facts: Any) -> Event:
        return Event(kind, self._wall(), file, **facts)

    def _say(self, entry: _Entry, kind: str, events: list[Event], **facts: Any) -> None:
        entry.last = self._event(kind, entry.last.file, **facts)
        events.append(entry.last)

    def _already(self, entry: _Entry, held: KeptLog, events: list[Event]) -> None:
        why = "that run was withdrawn" if held.withdrawn else ""
        self._say(entry, ALREADY, events, run_id=held.run_id, pack_id=held.pack_id, why=why)

    def _refused(
        self, entry: _Entry, kind: str, error: InputError, events: list[Event], facts: _Facts | None = None, defect: str = "",
    ) -> None:
        """A file that is not taken: told, unless the same was told of it as it is. Without ``facts`` it is tried again at each look."""
        entry.last = self._event(kind, entry.last.file, error=error.bare(), defect=defect)
        entry.evidence = self._evidence(entry, facts) if facts is not None else None
        if str(error) != entry.told:
            entry.told = str(error)
            events.append(entry.last)


class _RegisterTrouble(Exception):
    """The register cannot be used now; the files wait until it can."""

    def __init__(self, error: InputError) -> None:
        self.error = error.bare()
        super().__init__(str(error))


def _stamps(path: Path) -> tuple[tuple[int, int] | None, ...]:
    """How the pack files beside a log are now."""
    return tuple(map(stamp, whose.pack_files(path)))
