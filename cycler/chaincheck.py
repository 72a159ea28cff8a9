"""Is the register as this program wrote it? Everything is worked out again: the chain, digests, references, the file itself.

What this cannot show: that somebody who can write to the register has worked out the whole chain anew, or cut off its end together
with the rows there. Both show where a head of the chain is known from elsewhere, such as an issued record.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

from sqlalchemy import Connection, Row, Table, func, inspect, select
from sqlalchemy.exc import DBAPIError

from cycler import chain
from cycler.database import Database, utc_now
from cycler.errors import InputError, quote
from cycler.migrations import CHAIN_VERSION, CHAINED, JOBS_VERSION, KEPT_FOREVER, ONLY_GROWS, SCHEMA, guards
from cycler.storage import unpacked

PROBLEMS_MAX = 20
"""Problems that are told; the others are counted."""

LIMITS = (
    "The chain shows what was changed past this program. It cannot show by itself that somebody worked out the whole chain anew, or cut "
    "off its end: compare its head with the one in a record that was issued."
)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is not as it was written: the entry of the chain, the table and the key of the row, where known."""

    text: str
    seq: int | None = None
    table: str | None = None
    key: str | None = None


@dataclass(slots=True)
class CheckReport:
    """What a check found. ``version`` is that of the register, ``chained`` False for one older than the chain."""

    name: str
    checked_at: str
    version: int = 0
    chained: bool = True
    entries: int = 0
    head: str = chain.START
    counts: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    more_problems: int = 0
    head_given: str | None = None
    head_found: bool | None = None

    @property
    def good(self) -> bool:
        """True if nothing was found."""
        return not self.problems

    def add(self, text: str, seq: int | None = None, table: str | None = None, key: str | None = None) -> None:
        """Note a problem."""
        if len(self.problems) < PROBLEMS_MAX:
            self.problems.append(Problem(text, seq, table, key))
        else:
            self.more_problems += 1

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {"schema": "cycler.check/1", "good": self.good, **asdict(self), "limits": LIMITS}


def parsed_head(text: str) -> tuple[int, str]:
    """Number and digest of "SEQ:SHA". InputError if it is none."""
    found = re.fullmatch(r"\s*(\d{1,15})\s*:\s*([0-9a-fA-F]{64})\s*", text)
    if not found:
        raise InputError(
            "this is no head of a chain", "--head", f"found {quote(text, 80)}",
            "write the number of the entry, a colon and the 64 digits of its digest, as on the record",
        )
    return int(found[1]), found[2].lower()


def check_register(database: Database, head: tuple[int, str] | None = None) -> CheckReport:
    """Check all that a register holds, in one reading of one state; nothing is changed.

    Parameters
    ----------
    head : tuple of (number, digest), optional
        A head of the chain known from elsewhere: is that entry still there?

    Raises
    ------
    InputError
        The register cannot be read at all.
    """
    report = CheckReport(database.name, utc_now())
    try:
        with database.read() as connection:
            _check_all(report, connection, database, head)
    except InputError:
        if not report.problems:  # damage was met and is told; SQLite may refuse even to end the reading
            raise
    if head is not None and not report.chained:
        raise InputError("the register has no chain yet", database.name, f"it is of version {report.version}", "check the copy made later")
    return report


def check_in(connection: Connection, database: Database) -> CheckReport:
    """The same of what a transaction sees that is not kept yet."""
    report = CheckReport(database.name, utc_now())
    _check_all(report, connection, database, None)
    return report


def _check_all(report: CheckReport, connection: Connection, database: Database, head: tuple[int, str] | None) -> None:
    report.version = database.version(connection)
    there = set(inspect(connection).get_table_names())
    report.chained = chain.CHAIN in there
    _guard(report, "the file", lambda: _check_file(report, connection))
    _guard(report, "the numbers of rows", lambda: _count(report, connection, there))
    digests = (("logs", _log_digest), ("record_files", _bytes_digest), ("attachments", _content_digest), ("bench_sheets", _text_digest))
    for table, digest in digests:
        if table in there:
            _guard(report, table, partial(_check_digests, report, connection, SCHEMA.tables[table], digest))
    _guard(report, "the records", lambda: _check_whole_records(report, connection))
    _guard(report, "the version", lambda: _check_version(report, connection, there))
    if not report.chained:
        return
    _guard(report, "the chain", lambda: _Walk(report, connection, there).go())
    _guard(report, "heads in records", lambda: _check_issued_heads(report, connection))
    if head is not None:
        report.head_given = f"{head[0]}:{head[1]}"
        _guard(report, "the head", lambda: _check_head(report, connection, head))


def _guard(report: CheckReport, what: str, act: Callable[[], None]) -> None:
    """Have a part of the check that stumbles over damage told as a problem, and the next one go on."""
    try:
        act()
    except (DBAPIError, ValueError, TypeError, LookupError, RecursionError) as error:
        said = str(getattr(error, "orig", None) or error)
        report.add(f"{what} cannot be read: {quote(said, 120)[1:-1]}")


def _check_file(report: CheckReport, connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        _check_server(report, connection)
    if connection.dialect.name != "sqlite":
        return
    for (line,) in connection.exec_driver_sql("PRAGMA integrity_check(20)").all():
        if line != "ok":
            report.add(f"the file is damaged: {quote(line, 160)[1:-1]}")
    for table, rowid, parent, _number in connection.exec_driver_sql("PRAGMA foreign_key_check").all():
        report.add(f"row {rowid} of {table} refers to a row of {parent} that is not there", None, table, str(rowid))
    tables = set(connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars())
    there = {name: sql for name, sql in connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'view')")}
    for table in KEPT_FOREVER:
        own = guards(table) if table in tables else {}
        for name, state in ((name, "altered" if name in there else "taken away") for name, sql in own.items() if there.get(name) != sql):
            report.add(f"the guard against {name.rpartition('_')[2]} of {table} was {state}", None, table)
        there = {name: sql for name, sql in there.items() if name not in own}
    for name in there:
        report.add(f"{quote(name, 60)} is no part of a register: a trigger or view of somebody else can change what is written or read")


def _check_server(report: CheckReport, connection: Connection) -> None:
    """The guards on a server, and references: those that its keeper may have switched off, which lets any row in."""
    query = (
        "SELECT c.relname, t.tgname, t.tgenabled, p.prosrc FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE NOT t.tgisinternal AND n.nspname = current_schema()"
    )
    there = {(row[0], row[1]): (row[2], row[3]) for row in connection.exec_driver_sql(query)}
    tables = set(inspect(connection).get_table_names())
    for table in KEPT_FOREVER:
        found = there.pop((table, f"{table}_only_grows"), None)
        if table not in tables or (found and found[0] in ("O", "A") and found[1].strip() in ONLY_GROWS):
            continue
        report.add(f"the guard against changes of {table} was {'altered' if found else 'taken away'}", None, table)
    for table, name in there:
        report.add(f"{quote(name, 60)} of {table} is no part of a register: a trigger of somebody else can change what is written")
    for of in SCHEMA.sorted_tables:
        for key in of.foreign_keys if of.name in tables else ():
            column, there_too = key.parent, key.column.table.alias("referred")
            lost = select(column).where(column.is_not(None), ~select(there_too.c[key.column.name]).where(there_too.c[key.column.name] == column).exists())
            for value in connection.execute(lost.limit(PROBLEMS_MAX)).scalars():
                report.add(f"{column.name} {quote(str(value), 60)} of {of.name} refers to a row of {key.column.table.name} that is not there", None, of.name)


def _check_whole_records(report: CheckReport, connection: Connection) -> None:
    """A record is kept with its page and its PDF in one act: one without them was cut."""
    files, records = (SCHEMA.tables[name] for name in ("record_files", "records"))
    kinds: dict[int, set[str]] = {}
    for record_id, kind in connection.execute(select(files.c.record_id, files.c.kind)):
        kinds.setdefault(record_id, set()).add(kind)
    for row in connection.execute(select(records.c.id, records.c.serial).order_by(records.c.id)):
        missing = [kind for kind in ("html", "pdf") if kind not in kinds.get(row.id, ())]
        if missing:
            report.add(f"record {row.serial} has no {' and no '.join(missing)} file: it was taken away", None, "records", str(row.id))


def _check_version(report: CheckReport, connection: Connection, there: set[str]) -> None:
    """The version that is noted against what is there: one set back would have the chain made anew of rows that were altered."""
    if report.chained and report.version < CHAIN_VERSION:
        report.add(f"version {report.version} is noted, but there is a chain: the table of versions was altered", None, "register_versions")
    elif "jobs" in there and report.version < JOBS_VERSION:
        report.add(f"version {report.version} is noted, but there is a table of jobs: the table of versions was altered", None, "register_versions")
    kinds = SCHEMA.tables["record_files"].c.kind
    if not report.chained and connection.execute(select(kinds).where(kinds == "json").limit(1)).first():
        report.add("the chain was taken away: there are records that were issued with it", None, chain.CHAIN)


def _count(report: CheckReport, connection: Connection, there: set[str]) -> None:
    for name in CHAINED:
        if name in there:
            report.counts[name] = int(connection.execute(select(func.count()).select_from(SCHEMA.tables[name])).scalar() or 0)


# --- digests -----------------------------------------------------------------------------------------------------


def _rows(connection: Connection, table: Table) -> Iterator[Row[Any]]:
    """The rows of a table a few at a time, so that large ones do not lie in memory together."""
    yield from connection.execute(select(table).order_by(*table.primary_key.columns).execution_options(yield_per=chain.rows_at_once(table)))


def _log_digest(row: Row[Any]) -> str | None:
    try:
        return hashlib.sha256(unpacked(row.raw_zlib, row.sha256, "")).hexdigest()
    except InputError:
        return None


def _bytes_digest(row: Row[Any]) -> str:
    return hashlib.sha256(row.bytes).hexdigest()


def _content_digest(row: Row[Any]) -> str:
    return hashlib.sha256(row.content).hexdigest()


def _text_digest(row: Row[Any]) -> str:
    return hashlib.sha256(row.toml.encode()).hexdigest()


_WHAT = {"logs": "the raw log", "record_files": "the file of a record", "attachments": "the photo", "bench_sheets": "the bench sheet"}


def _check_digests(report: CheckReport, connection: Connection, table: Table, digest: Callable[[Row[Any]], str | None]) -> None:
    for row in _rows(connection, table):
        if digest(row) != row.sha256:
            key = chain.key_of(table, row)
            report.add(f"{_WHAT[table.name]} {key} of {table.name} does not agree with its digest", None, table.name, key)


# --- chain -------------------------------------------------------------------------------------------------------


class _Walk:
    """One walk along the chain, from its first entry to its last, and back from the rows."""

    def __init__(self, report: CheckReport, connection: Connection, there: set[str]) -> None:
        self._report = report
        self._tables = [name for name in CHAINED if name in there]  # a register that was not brought up yet lacks the newest
        self._connection = connection
        self._chain = SCHEMA.tables[chain.CHAIN]
        columns = self._chain.c
        self._entries = connection.execute(select(self._chain).order_by(columns.seq)).all()
        self._seq_of = {entry.sha256: entry.seq for entry in self._entries}

    def go(self) -> None:
        """Check every entry against the one before and its row, and every row against the entries."""
        previous, expected = chain.START, 1
        for entry in self._entries:
            expected, previous = self._entry(entry, expected, previous)
        if self._entries:
            self._report.entries, self._report.head = self._entries[-1].seq, self._entries[-1].sha256
        known = {(entry.table_name, entry.row_key): entry for entry in self._entries}
        for name in self._tables:
            self._table(SCHEMA.tables[name], known)
        for (name, key), entry in known.items():
            if name is not None:
                self._report.add(f"entry {entry.seq} of the chain: its row {key} of {name} is missing", entry.seq, name, key)

    def _entry(self, entry: Row[Any], expected: int, previous: str) -> tuple[int, str]:
        """The entry itself; returns number and digest that the next one must build on."""
        seq, table, key = entry.seq, entry.table_name, entry.row_key
        place, row = (seq, table, key), f"(row {key} of {table})"
        if seq > expected:
            missing = f"entry {expected} is" if seq == expected + 1 else f"entries {expected} to {seq - 1} are"
            self._report.add(f"{missing} missing from the chain, before entry {seq} {row}", *place)
        elif seq < expected:
            self._report.add(f"entry {seq} was inserted into the chain {row}", *place)
        elif self._digest(entry, seq) != entry.sha256:
            was = self._place_before(entry)
            if was is not None:
                self._report.add(f"entry {seq} of the chain was reordered: it was written as entry {was} {row}", *place)
            else:
                self._report.add(f"entry {seq} of the chain was altered {row}", *place)
        elif entry.previous != previous:
            at = self._seq_of.get(entry.previous)
            if entry.previous == chain.START or at is not None:
                self._report.add(f"entry {seq} of the chain was inserted or reordered: it follows entry {at or 0}, not {seq - 1} {row}", *place)
            else:
                self._report.add(f"entry {seq - 1} of the chain was altered or inserted: entry {seq} {row} was written after another one", *place)
        return max(expected, seq + 1), entry.sha256

    def _digest(self, entry: Row[Any], seq: int) -> str:
        return chain.entry_sha256(seq, entry.at, entry.table_name, entry.row_key, entry.row_sha256, entry.previous)

    def _place_before(self, entry: Row[Any]) -> int | None:
        """The number with which an entry's digest comes out right, if another one does."""
        near = self._seq_of.get(entry.previous)
        tried = [] if near is None else [near + 1]
        return next((seq for seq in [*tried, *(other.seq for other in self._entries)] if self._digest(entry, seq) == entry.sha256), None)

    def _table(self, table: Table, known: dict[tuple[str, str], Row[Any]]) -> None:
        """Every row of a table against its entry; takes the entries it meets out of ``known``."""
        for row in _rows(self._connection, table):
            key = chain.key_of(table, row)
            entry = known.pop((table.name, key), None)
            if entry is None:
                self._report.add(f"row {key} of {table.name} was inserted: it has no entry in the chain", None, table.name, key)
            elif chain.row_sha256(dict(row._mapping)) != entry.row_sha256:
                self._report.add(f"row {key} of {table.name} was altered since it was written (entry {entry.seq})", entry.seq, table.name, key)


def _check_head(report: CheckReport, connection: Connection, head: tuple[int, str]) -> None:
    table = SCHEMA.tables[chain.CHAIN]
    seq, digest = head
    there = connection.execute(select(table.c.sha256).where(table.c.seq == seq)).scalar()
    report.head_found = there == digest if seq else digest == chain.START
    if report.head_found:
        return
    if there is None:
        report.add(f"the chain has no entry {seq}, whose digest is known from elsewhere: its end was cut off, or the register is an older copy", seq)
    else:
        report.add(f"entry {seq} of the chain is another one than the digest given: the chain was worked out anew, or it is of another register", seq)


def _check_issued_heads(report: CheckReport, connection: Connection) -> None:
    """The heads that stand in the records the register itself keeps."""
    files, records, table = (SCHEMA.tables[name] for name in ("record_files", "records", chain.CHAIN))
    query = select(files.c.record_id, files.c.bytes, records.c.serial).join(records, records.c.id == files.c.record_id)
    for row in connection.execute(query.where(files.c.kind == "json").order_by(files.c.record_id)):
        try:
            stated = json.loads(row.bytes)["record"]["register"]
            seq, digest = int(stated["entries"]), str(stated["head"])
        except (ValueError, TypeError, KeyError):
            continue  # a record that states none
        there = connection.execute(select(table.c.sha256).where(table.c.seq == seq)).scalar() if seq else chain.START
        if there != digest:
            report.add(
                f"record {row.serial} was issued at entry {seq} of the chain with another digest than that entry has now", seq,
                "record_files", f'[{row.record_id},"json"]',
            )
