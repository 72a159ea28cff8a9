"""Jobs: one pack on the bench, from its bench sheet to the record. What was written on a job is never changed.

Runs of the pack that are added while its job is open hang on it by an entry written in the same transaction, not by comparing times
when read: it stays as it was then, whatever clock a log was written by, and it is in the chain. So a pack has one open job at a time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select

from cycler import chain
from cycler.database import Database, utc_now
from cycler.errors import InputError, quote
from cycler.migrations import SCHEMA
from cycler.packcard import checked_text, dangers_in, insert_entry
from cycler.register_rows import as_key, no_such
from cycler.storage import TEXT_MAX, as_json, clean_text, kept_name, kept_text, stored_json, wrong_digest

OPTIONS = {
    "repair_board": "Put in a donor board", "repair_group": "Replace a group", "repair_lead": "Mend a lead, joint or sensor",
    "rebalance": "Balance the groups", "harvest": "Take out cells for other work", "scrap": "Scrap the pack",
}
"""What can be decided on a job, and its words."""
ENDINGS = ("harvest", "scrap")
"""Decisions after which the pack itself is not tested any more."""

ON_CARD = ("fault", "work", "part", "note")
"""Kinds that are written on the pack's card too."""
DECISION, CLOSED, REOPENED = "decision", "closed", "reopened"
WRITTEN = (*ON_CARD, DECISION, "donor_check", "plan", CLOSED, REOPENED)
"""Kinds that somebody writes; beside them stand ``run`` and ``danger``, which acts of the program leave."""
RUN, DANGER = "run", "danger"
TEXT_NEEDED = (*ON_CARD, DECISION, REOPENED)

SHEET_MAX = 200_000
"""Most characters of a bench sheet. It holds a few hundred lines at most."""
DRAFT_MAX, DRAFT_TEXT_MAX = 2000, 4000
"""Most fields of a form, and most characters of each: as many as a bench sheet takes in one text."""

_packs = SCHEMA.tables["packs"]
_runs = SCHEMA.tables["runs"]
_jobs = SCHEMA.tables["jobs"]
_sheets = SCHEMA.tables["bench_sheets"]
_entries = SCHEMA.tables["job_entries"]
_drafts = SCHEMA.tables["sheet_drafts"]


@dataclass(frozen=True, slots=True)
class KeptSheet:
    """A bench sheet as it was kept, and what was worked out from it then (``cycler.bench/1``)."""

    id: int
    text: str
    sha256: str
    evaluation: dict[str, Any]
    who: str
    at: str


@dataclass(frozen=True, slots=True)
class JobEntry:
    """One thing written on a job. ``who`` is empty where a run hung itself on it."""

    id: int
    kind: str
    text: str
    data: dict[str, Any] | None
    card_entry_id: int | None
    run_id: int | None
    who: str
    at: str


@dataclass(frozen=True, slots=True)
class Job:
    """A job with all that hangs on it, oldest first; runs that were withdrawn since as well."""

    id: int
    pack_id: str
    words: str
    opened_at: str
    opened_by: str
    sheets: tuple[KeptSheet, ...]
    entries: tuple[JobEntry, ...]
    run_ids: tuple[int, ...]
    closed: bool


@dataclass(frozen=True, slots=True)
class JobLine:
    """A job in a list. ``state`` is "open" or "closed"; ``next_words`` are filled in by :func:`cycler.jobsteps.job_lines`."""

    id: int
    pack_id: str
    words: str
    opened_at: str
    opened_by: str
    state: str
    last_at: str
    next_words: str = ""


@dataclass(frozen=True, slots=True)
class _ReadySheet:
    """A bench sheet checked and ready to be kept; ``dangers`` as (words, place)."""

    text: str
    evaluation: str
    pack_id: str
    dangers: tuple[tuple[str, dict[str, Any]], ...]


class JobBook:
    """The jobs in one register."""

    def __init__(self, database: Database) -> None:
        self._database = database

    # --- reading ------------------------------------------------------------------------------------------------

    def jobs(self, open_only: bool = False, pack_id: str | None = None) -> list[JobLine]:
        """Jobs, those that are open first, the newest on top; of one pack with ``pack_id``."""
        written = (
            select(_entries.c.job_id, func.max(_entries.c.at).label("at")).group_by(_entries.c.job_id).subquery()
        )
        sheets = select(_sheets.c.job_id, func.max(_sheets.c.at).label("at")).group_by(_sheets.c.job_id).subquery()
        query = (
            select(_jobs, written.c.at.label("written_at"), sheets.c.at.label("sheet_at"))
            .outerjoin(written, written.c.job_id == _jobs.c.id).outerjoin(sheets, sheets.c.job_id == _jobs.c.id)
            .order_by(_jobs.c.id.desc())
        )
        if pack_id is not None:
            query = query.where(_jobs.c.pack_id == _known_as(pack_id))
        with self._database.read() as connection:
            rows = connection.execute(query).all()
            closed = _closed(connection)
        lines = [
            JobLine(
                row.id, row.pack_id, row.words, row.opened_at, row.opened_by, "closed" if row.id in closed else "open",
                max(at for at in (row.opened_at, row.written_at, row.sheet_at) if at),
            )
            for row in rows if not (open_only and row.id in closed)
        ]
        return sorted(lines, key=lambda line: line.state != "open")

    def open_count(self) -> int:
        """How many jobs are open."""
        with self._database.read() as connection:
            return int(connection.execute(select(func.count()).select_from(_jobs)).scalar() or 0) - len(_closed(connection))

    def job(self, job_id: int) -> Job:
        """One job. InputError if there is none of that number, or it is damaged."""
        with self._database.read() as connection:
            head = self._head(connection, job_id)
            sheets = connection.execute(select(_sheets).where(_sheets.c.job_id == head.id).order_by(_sheets.c.id)).all()
            rows = connection.execute(select(_entries).where(_entries.c.job_id == head.id).order_by(_entries.c.id)).all()
        entries = tuple(self._entry(row) for row in rows)
        return Job(
            head.id, head.pack_id, head.words, head.opened_at, head.opened_by, tuple(self._sheet(row) for row in sheets), entries,
            tuple(dict.fromkeys(item.run_id for item in entries if item.kind == RUN and item.run_id is not None)),
            _is_closed(entries),
        )

    def draft(self, job_id: int) -> dict[str, str] | None:
        """The form as it was typed when it was last kept, or None; a sheet that is kept takes its place."""
        with self._database.read() as connection:
            return self._draft_of(connection, self._head(connection, job_id).id)

    def _draft_of(self, connection: Connection, job_id: int) -> dict[str, str] | None:
        text = connection.execute(select(_drafts.c.values_json).where(_drafts.c.job_id == job_id)).scalar()
        if text is None:
            return None
        return {str(key): str(value) for key, value in stored_json(text, f"form of job {job_id}", self._database.name).items()}

    def open_job_of(self, pack_id: str) -> int | None:
        """Number of the pack's open job, or None."""
        with self._database.read() as connection:
            return _open_of(connection, _known_as(pack_id))

    def job_of_run(self, run_id: int) -> int | None:
        """Number of the job that a run hangs on (the newest, if there are several), or None."""
        with self._database.read() as connection:
            return connection.execute(
                select(func.max(_entries.c.job_id)).where(_entries.c.run_id == as_key(run_id), _entries.c.kind == RUN)
            ).scalar()

    # --- writing ------------------------------------------------------------------------------------------------

    def open_job(self, pack_id: str, words: str, *, who: str, sheet: tuple[str, dict[str, Any]] | None = None) -> int:
        """Open a job on a pack, and begin the pack's card if there is none; returns the job's number.

        ``sheet``: text and evaluation of a bench sheet, kept in the same transaction (see :meth:`keep_sheet`).

        Raises
        ------
        InputError
            No id, no words, nobody named, the pack has an open job (names it), or the sheet cannot be kept.
        """
        pack_id = kept_name(pack_id, "id of the pack")
        if not pack_id:
            raise InputError("the pack has no id", "PACK", "it is empty", "name the pack as on its label")
        words, who = kept_text(words, "words of the job"), _named(who)
        if not words:
            raise InputError("it is not said what the job is about", "WORDS", "it is empty", "write the complaint in a few words")
        ready = _ready_sheet(*sheet) if sheet is not None else None
        now = utc_now()
        with self._database.write() as connection:
            there = _open_of(connection, pack_id)
            if there is not None:
                raise InputError(
                    f"pack {quote(pack_id)} has an open job", self._database.name,
                    f"job {there} is open: runs and work could belong to either", f"go on with it: cycler job {there}; or close it first",
                )
            chain.insert_if_new(connection, _packs, {"id": pack_id}, {"added_at": now})
            job_id = chain.insert(connection, _jobs, pack_id=pack_id, words=words, opened_by=who, opened_at=now)
            if ready is not None:
                self._keep_sheet(connection, self._head(connection, job_id), ready, who, now)
            return job_id

    def keep_sheet(self, job_id: int, toml_text: str, evaluation: dict[str, Any], *, who: str) -> int:
        """Keep a bench sheet for good, with what was worked out from it; returns its number.

        What it calls a danger is written as an open danger on the pack's card in the same transaction: a veto on every verdict until
        somebody closes it there. Not twice while the same danger (the same words, or the same finding at the same place) is open.

        Raises
        ------
        InputError
            No such job, it is closed, the sheet is of another pack or too long, or nobody is named.
        """
        who, ready, now = _named(who), _ready_sheet(toml_text, evaluation), utc_now()
        with self._database.write() as connection:
            return self._keep_sheet(connection, self._open_head(connection, job_id), ready, who, now)

    def keep_draft(self, job_id: int, values: Mapping[str, str]) -> None:
        """Keep a form half filled, as typed, in place of the one kept before."""
        kept = _form_text(values)
        with self._database.write() as connection:
            self._put_draft(connection, self._open_head(connection, job_id).id, kept)

    def change_draft(self, job_id: int, changes: Mapping[str, str], begin: Mapping[str, str]) -> dict[str, str]:
        """Put the entries that changed into the form that is kept, or into ``begin`` where none is, and return all of it; an empty entry goes.

        Read and written in one transaction, so that two programs over one register do not undo each other's entries.
        """
        with self._database.write() as connection:
            number = self._open_head(connection, job_id).id
            kept = self._draft_of(connection, number)
            before = dict(begin) if kept is None else kept
            draft = {key: value for key, value in (before | dict(changes)).items() if value}
            if draft != before:
                self._put_draft(connection, number, _form_text(draft))
            return draft

    @staticmethod
    def _put_draft(connection: Connection, job_id: int, text: str) -> None:
        connection.execute(delete(_drafts).where(_drafts.c.job_id == job_id))
        connection.execute(insert(_drafts).values(job_id=job_id, values_json=text, updated_at=utc_now()))

    def write(self, job_id: int, kind: str, text: str, *, who: str, data: dict[str, Any] | None = None) -> int:
        """Write on a job; returns the number of the entry.

        Parameters
        ----------
        kind : str
            Of :data:`WRITTEN`. What is of :data:`ON_CARD` goes on the pack's card in the same transaction.
        text : str
            Of a decision and of reopening: why. May be empty for a donor check, a plan and closing.
        data : dict, optional
            Plain values. A decision needs ``option``, of :data:`OPTIONS`; work may say ``done_on`` ("2026-03-12"), the day it was done,
            where that is not the day it is written.

        Raises
        ------
        InputError
            No such job, the job is closed (or open, for ``reopened``), nobody named, a text missing or too long, no such option, no date.
        """
        return self.write_all(job_id, [(kind, text, data)], who=who)[0]

    def write_all(
        self, job_id: int, items: Sequence[tuple[str, str, dict[str, Any] | None]], run_ids: Sequence[int] = (), *, who: str,
        sheet: tuple[str, dict[str, Any]] | None = None,
    ) -> list[int]:
        """Write entries (kind, text, data), hang runs on the job and keep a bench sheet (text, evaluation), all of it or nothing.

        In this order: opened again, the sheet, the other entries, the runs, closed. Returns the numbers of the entries and of those
        of the runs in the order in which they were written. See :meth:`write`, :meth:`hang_run` and :meth:`keep_sheet`.
        """
        who = _named(who)
        ready = [(kind, *_checked(kind, text, data)) for kind, text, data in items]
        kept, now, numbers = _ready_sheet(*sheet) if sheet is not None else None, utc_now(), []
        with self._database.write() as connection:

            def write(wanted: Callable[[str], bool]) -> None:
                for kind, words, more in ready:
                    if wanted(kind):
                        numbers.append(self._write(connection, job_id, kind, words, more, who, now))

            write(lambda kind: kind == REOPENED)
            if kept is not None:
                self._keep_sheet(connection, self._open_head(connection, job_id), kept, who, now)
            write(lambda kind: kind not in (REOPENED, CLOSED))
            numbers += [self._hang(connection, job_id, run_id, who, now) for run_id in run_ids]
            write(lambda kind: kind == CLOSED)
        return numbers

    def hang_run(self, job_id: int, run_id: int, *, who: str) -> int:
        """Hang a run on a job by hand; returns the number of the entry.

        A run that hangs there may be hung on again once more work was written: that says it is a test after that work.

        Raises
        ------
        InputError
            No such job or run, the job is closed, the run is of another pack, hangs there already, or nobody is named.
        """
        return self.write_all(job_id, (), [run_id], who=who)[0]

    # --- parts --------------------------------------------------------------------------------------------------

    def _keep_sheet(self, connection: Connection, head: Any, ready: _ReadySheet, who: str, now: str) -> int:
        if ready.pack_id and ready.pack_id != head.pack_id:
            raise InputError(
                "the bench sheet is of another pack", f"job {head.id}", f"the job is of {head.pack_id}, the sheet of {quote(ready.pack_id)}",
                "correct the id in the sheet, or open a job for that pack",
            )
        sheet_id = chain.insert(
            connection, _sheets, job_id=head.id, toml=ready.text, sha256=hashlib.sha256(ready.text.encode()).hexdigest(), evaluation=ready.evaluation,
            who=who, at=now,
        )
        connection.execute(delete(_drafts).where(_drafts.c.job_id == head.id))
        for words, place in ready.dangers:
            if not self._stands(connection, head.pack_id, words, place):
                number = insert_entry(connection, head.pack_id, who, now, kind=DANGER, text=words)
                self._insert(connection, head.id, DANGER, words, who, now, place | {"sheet_id": sheet_id}, card_entry_id=number)
        return sheet_id

    def _write(
        self, connection: Connection, job_id: int, kind: str, words: str, data: dict[str, Any] | None, who: str, now: str,
    ) -> int:
        head = self._head(connection, job_id)
        closed = head.id in _closed(connection, head.id)
        if kind == REOPENED:
            self._check_reopening(connection, head, closed)
        elif closed:
            raise _is_closed_error(head.id, self._database.name)
        number = insert_entry(connection, head.pack_id, who, now, kind=kind, text=words) if kind in ON_CARD else None
        return self._insert(connection, head.id, kind, words, who, now, data, card_entry_id=number)

    def _hang(self, connection: Connection, job_id: int, run_id: int, who: str, now: str) -> int:
        head = self._open_head(connection, job_id)
        pack_id = connection.execute(select(_runs.c.pack_id).where(_runs.c.id == as_key(run_id))).scalar()
        if pack_id is None:
            raise no_such(connection, _runs, "run", run_id, self._database.name)
        if pack_id != head.pack_id:
            raise InputError(
                f"run {run_id} is of another pack", f"job {head.id}", f"the job is of {head.pack_id}, the run of {pack_id}",
                f"name a run of {head.pack_id}; see them with: cycler list",
            )
        rows = connection.execute(
            select(_entries.c.kind, _entries.c.run_id).where(_entries.c.job_id == head.id, _entries.c.kind.in_((RUN, "work"))).order_by(_entries.c.id)
        ).all()
        places = [place for place, row in enumerate(rows) if row.kind == RUN and row.run_id == run_id]
        if places and not any(row.kind == "work" for row in rows[places[-1]:]):
            raise InputError(f"run {run_id} hangs on job {head.id} already", self._database.name, "no work was written since", "nothing needs to be done")
        return self._insert(connection, head.id, RUN, "", who, now, None, run_id=run_id)

    def _insert(
        self, connection: Connection, job_id: int, kind: str, text: str, who: str, at: str, data: dict[str, Any] | None, **more: int | None,
    ) -> int:
        return chain.insert(
            connection, _entries, job_id=job_id, kind=kind, text=text, data=as_json(data) if data else None, who=who, at=at, **more,
        )

    def _head(self, connection: Connection, job_id: int) -> Any:
        row = connection.execute(select(_jobs).where(_jobs.c.id == as_key(job_id))).one_or_none()
        if row is None:
            highest = connection.execute(select(func.max(_jobs.c.id))).scalar()
            why = f"its jobs are numbered up to {highest}" if highest else "it holds no job yet"
            raise InputError(
                f"no job {quote(job_id)[1:-1]} in the register", self._database.name, why, "see the numbers with: cycler job --all",
            )
        return row

    def _open_head(self, connection: Connection, job_id: int) -> Any:
        head = self._head(connection, job_id)
        if head.id in _closed(connection, head.id):
            raise _is_closed_error(head.id, self._database.name)
        return head

    def _check_reopening(self, connection: Connection, head: Any, closed: bool) -> None:
        if not closed:
            raise InputError(f"job {head.id} is open", self._database.name, "it was not closed, or was opened again", "nothing needs to be done")
        other = _open_of(connection, head.pack_id)
        if other is not None:
            raise InputError(
                f"pack {quote(head.pack_id)} has another open job", self._database.name, f"job {other} is open",
                f"go on with it: cycler job {other}; or close it first",
            )

    def _stands(self, connection: Connection, pack_id: str, words: str, place: dict[str, Any]) -> bool:
        """Whether a danger of these words, or of the same finding at the same place, is open on the card."""
        there = {item["id"]: item["message"] for item in dangers_in(connection, pack_id)}
        if words in there.values():
            return True
        if all(place[key] is None for key in ("group", "tap", "probe")):  # of the whole pack, or of several groups named in its words
            return False
        rows = connection.execute(
            select(_entries.c.data).where(_entries.c.kind == DANGER, _entries.c.card_entry_id.in_(list(there)))
        ).all()
        found = [stored_json(row.data or "{}", "entry of a job", self._database.name) for row in rows]
        return any({key: item.get(key) for key in place} == place for item in found)

    def _sheet(self, row: Any) -> KeptSheet:
        if hashlib.sha256(row.toml.encode()).hexdigest() != row.sha256:
            raise wrong_digest(self._database.name, f"bench sheet {row.id}")
        return KeptSheet(
            row.id, row.toml, row.sha256, stored_json(row.evaluation, f"evaluation of bench sheet {row.id}", self._database.name), row.who, row.at,
        )

    def _entry(self, row: Any) -> JobEntry:
        data = stored_json(row.data, f"entry {row.id} of a job", self._database.name) if row.data is not None else None
        return JobEntry(row.id, row.kind, row.text, data, row.card_entry_id, row.run_id, row.who, row.at)


def hang_new_run(connection: Connection, pack_id: str, run_id: int, at: str) -> None:
    """Hang a run that is just being added on the pack's open job, if there is one; in the caller's transaction."""
    job_id = _open_of(connection, pack_id)
    if job_id is not None:
        chain.insert(connection, _entries, job_id=job_id, kind=RUN, text="", run_id=run_id, who="", at=at)


def _closed(connection: Connection, job_id: int | None = None) -> set[int]:
    """Numbers of the jobs whose last closing or reopening is a closing."""
    last = select(func.max(_entries.c.id)).where(_entries.c.kind.in_((CLOSED, REOPENED))).group_by(_entries.c.job_id)
    query = select(_entries.c.job_id).where(_entries.c.id.in_(last), _entries.c.kind == CLOSED)
    return set(connection.execute(query if job_id is None else query.where(_entries.c.job_id == job_id)).scalars())


def _is_closed(entries: tuple[JobEntry, ...]) -> bool:
    return next((item.kind == CLOSED for item in reversed(entries) if item.kind in (CLOSED, REOPENED)), False)


def _open_of(connection: Connection, pack_id: str) -> int | None:
    """The pack's open job; the newest, should there be several."""
    jobs = connection.execute(select(_jobs.c.id).where(_jobs.c.pack_id == pack_id).order_by(_jobs.c.id.desc())).scalars().all()
    closed = _closed(connection) if jobs else set()
    return next((job_id for job_id in jobs if job_id not in closed), None)


def _form_text(values: Mapping[str, str]) -> str:
    """A form as it is kept. InputError if it is larger than any form of a person."""
    if len(values) > DRAFT_MAX or any(len(str(part)) > DRAFT_TEXT_MAX for pair in values.items() for part in pair):
        raise InputError(
            "the form cannot be kept", "bench sheet", f"it has {len(values)} fields, or a field of more than {DRAFT_TEXT_MAX} characters",
            "shorten the longest text",
        )
    return as_json({clean_text(str(key)): clean_text(str(value)) for key, value in values.items()})


def _ready_sheet(toml_text: str, evaluation: dict[str, Any]) -> _ReadySheet:
    """A bench sheet ready to be kept. InputError if it is empty or too long."""
    text = clean_text(toml_text)
    if len(text) > SHEET_MAX or "\0" in toml_text:
        raise InputError(
            "the bench sheet cannot be kept", "bench sheet", f"it has {len(text)} characters", f"at most {SHEET_MAX} characters of text",
        )
    if not text.strip():
        raise InputError("the bench sheet is empty", "bench sheet", "it holds no line", "fill in at least what is known of the pack")
    dangers = tuple(
        (
            _danger_text(str(item.get("message") or item.get("code") or DANGER)),
            {key: item.get(key) for key in ("code", "group", "tap", "probe")},
        )
        for item in evaluation.get("remarks") or () if item.get("severity") == DANGER
    )
    return _ReadySheet(text, as_json(evaluation), _known_as(str((evaluation.get("pack") or {}).get("id") or "")), dangers)


def _danger_text(message: str) -> str:
    """Words of a danger as a card takes them: whatever they hold, no sheet is lost for them."""
    plain = "".join(ch if ch.isprintable() or ch.isspace() else "\N{REPLACEMENT CHARACTER}" for ch in clean_text(message))
    return checked_text(DANGER, plain[:TEXT_MAX]) if plain.strip() else DANGER


def _checked(kind: str, text: str, data: dict[str, Any] | None) -> tuple[str, dict[str, Any] | None]:
    """Text and data of an entry as they are kept. InputError if they cannot be."""
    if kind not in WRITTEN:
        raise ValueError(f"kind must be one of {WRITTEN}, not {kind!r}")
    words = checked_text(kind, text) if kind in ON_CARD else kept_text(text, {DECISION: "reason", REOPENED: "reason"}.get(kind, "text"))
    if kind in TEXT_NEEDED and not words:
        what = {DECISION: "why it is decided so", REOPENED: "why the job is opened again"}[kind]
        raise InputError(f"it is not said {what}", "--why", "whoever reads the job later must know", "say it with --why TEXT")
    return words, _checked_data(kind, data)


def _checked_data(kind: str, data: dict[str, Any] | None) -> dict[str, Any] | None:
    """``data`` if it can be kept with an entry of this kind. InputError else."""
    data = dict(data or {})
    try:
        json.dumps(data, allow_nan=False)
    except (TypeError, ValueError):
        raise ValueError("data of an entry must be plain values without NaN") from None
    if kind == DECISION and data.get("option") not in OPTIONS:
        raise InputError(
            "there is no such option", "--decide", f"found {quote(data.get('option'))}", f"one of {', '.join(OPTIONS)}",
        )
    if "done_on" in data:
        try:
            date.fromisoformat(str(data["done_on"]))
        except ValueError:
            raise InputError("this is no date", "--done-on", f"found {quote(data['done_on'])}", "write it as 2026-03-12") from None
    return data or None


def _known_as(pack_id: str) -> str:
    return clean_text(pack_id).strip()


def _named(who: str) -> str:
    who = kept_name(who, "name of who writes it")
    if not who:
        raise InputError("it is not said who writes it", "--by", "each entry of a job stands for somebody's word", "say it with --by NAME")
    return who


def _is_closed_error(job_id: int, name: str) -> InputError:
    return InputError(
        f"job {job_id} is closed", name, "nothing is written on a closed job", f"open it again: cycler job {job_id} --reopen --why TEXT --by NAME",
    )
