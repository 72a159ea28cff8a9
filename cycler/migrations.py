"""Tables of the register and the ordered changes that lead to them.

To change the tables: write ``_schema_v5`` (the new shape), a migration from 4 to 5, append it to ``MIGRATIONS``
and point ``SCHEMA`` at the new shape. A test holds the result of all migrations against ``SCHEMA``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import (
    DDL,
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    event,
)

from cycler import chain

# Written into the header of an SQLite file (PRAGMA application_id, bytes 68 to 71) so that a register is known
# without opening it: "pkrt".
APPLICATION_ID = 0x706B7274

_KEPT_SINCE_1 = ("packs", "logs", "runs", "run_logs", "analyses", "verdicts", "records", "record_files")
_KEPT_SINCE_2 = (*_KEPT_SINCE_1, "columns_files")
_NEW_IN_3 = ("attachments", "card_entries", "corrections")
_KEPT_NEW_IN_4 = ("jobs", "bench_sheets", "job_entries")
CHAIN_VERSION = 3
JOBS_VERSION = 4
CHAINED = (*_KEPT_SINCE_2, *_NEW_IN_3, *_KEPT_NEW_IN_4)
"""Tables whose every row has an entry in the chain. Not among them: ``sheet_drafts``, forms half filled, which come and go."""
KEPT_FOREVER = (*CHAINED, chain.CHAIN)


def _id() -> Column:
    return Column("id", Integer, primary_key=True)


def _schema_v1() -> MetaData:
    """Tables of version 1. Times are UTC, ISO 8601, as text; digests are hexadecimal SHA-256."""
    meta = MetaData()
    Table(
        "register_versions", meta,
        Column("version", Integer, primary_key=True, autoincrement=False),
        Column("note", Text, nullable=False),
        Column("applied_at", String(32), nullable=False),
    )
    Table("packs", meta, Column("id", String(200), primary_key=True), Column("added_at", String(32), nullable=False))
    Table(
        "logs", meta,
        Column("sha256", String(64), primary_key=True),
        Column("bytes", Integer, nullable=False),
        Column("raw_zlib", LargeBinary, nullable=False),
        Column("added_at", String(32), nullable=False),
    )
    runs = Table(
        "runs", meta, _id(),
        Column("pack_id", String(200), ForeignKey("packs.id"), nullable=False, index=True),
        Column("label", Text, nullable=False),
        Column("added_at", String(32), nullable=False),
        Column("started_at", String(40)),
        Column("files", Integer, nullable=False),
        Column("logs_sha256", String(64), nullable=False),
    )
    Index("ix_runs_pack_logs", runs.c.pack_id, runs.c.logs_sha256)
    Table(
        "run_logs", meta,
        Column("run_id", Integer, ForeignKey("runs.id"), primary_key=True),
        Column("position", Integer, primary_key=True, autoincrement=False),
        Column("sha256", String(64), ForeignKey("logs.sha256"), nullable=False, index=True),
        Column("file", Text, nullable=False),
    )
    Table(
        "analyses", meta, _id(),
        Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
        Column("made_at", String(32), nullable=False),
        Column("software", String(100), nullable=False),
        Column("json", Text, nullable=False),
        Column("pack_json", Text, nullable=False),
        Column("columns_text", Text),
        # A few figures of the analysis again, so that a list of thousands of runs reads no JSON.
        Column("capacity_ah", Float),
        Column("u_capacity_ah", Float),
        Column("capacity_valid", Boolean),
        Column("capacity_is_lower_bound", Boolean),
        Column("state_of_health", Float),
        Column("limiting_group", Integer),
        Column("findings_info", Integer, nullable=False),
        Column("findings_caution", Integer, nullable=False),
        Column("findings_defect", Integer, nullable=False),
        Column("findings_danger", Integer, nullable=False),
    )
    Table(
        "verdicts", meta, _id(),
        Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
        Column("analysis_id", Integer, ForeignKey("analyses.id"), nullable=False),
        Column("decided_at", String(32), nullable=False),
        Column("result", String(20), nullable=False),
        Column("criteria_name", String(200), nullable=False),
        Column("criteria_sha256", String(64), nullable=False),
        Column("criteria_text", Text, nullable=False),
        Column("json", Text, nullable=False),
    )
    Table(
        "records", meta, _id(),
        Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
        Column("verdict_id", Integer, ForeignKey("verdicts.id"), nullable=False),
        Column("serial", String(60), nullable=False),
        Column("made_at", String(32), nullable=False),
        UniqueConstraint("serial", name="uq_records_serial"),
    )
    Table(
        "record_files", meta,
        Column("record_id", Integer, ForeignKey("records.id"), primary_key=True),
        Column("kind", String(10), primary_key=True),
        Column("bytes", LargeBinary, nullable=False),
        Column("sha256", String(64), nullable=False),
    )
    for name in _KEPT_SINCE_1:
        _forbid_changes(meta.tables[name])
    return meta


def _schema_v2() -> MetaData:
    """Version 1 and the columns files to use again: for the headings of ``key`` the newest row holds."""
    meta = _schema_v1()
    remembered = Table(
        "columns_files", meta, _id(),
        Column("key", String(64), nullable=False, index=True),
        Column("headings", Text, nullable=False),
        Column("columns_text", Text, nullable=False),
        Column("run_id", Integer, ForeignKey("runs.id"), nullable=False),
        Column("added_at", String(32), nullable=False),
        Column("forgotten", Boolean, nullable=False),
    )
    _forbid_changes(remembered)
    return meta


def _schema_v3() -> MetaData:
    """Version 2, the chain, the cards of packs with their photos, and what was corrected afterwards."""
    meta = _schema_v2()
    Table(
        chain.CHAIN, meta,
        Column("seq", Integer, primary_key=True, autoincrement=False),
        Column("at", String(32), nullable=False),
        Column("table_name", String(60), nullable=False),
        Column("row_key", String(500), nullable=False),
        Column("row_sha256", String(64), nullable=False),
        Column("previous", String(64), nullable=False),
        Column("sha256", String(64), nullable=False),
        UniqueConstraint("table_name", "row_key", name="uq_chain_row"),
    )
    Table(
        "attachments", meta,
        Column("sha256", String(64), primary_key=True),
        Column("media_type", String(40), nullable=False),
        Column("bytes", Integer, nullable=False),
        Column("content", LargeBinary, nullable=False),
        Column("added_at", String(32), nullable=False),
    )
    Table(
        "card_entries", meta, _id(),
        Column("pack_id", String(200), ForeignKey("packs.id"), nullable=False, index=True),
        Column("kind", String(20), nullable=False),
        Column("act", String(10), nullable=False),
        Column("text", Text, nullable=False),
        Column("file", Text),
        Column("attachment_sha256", String(64), ForeignKey("attachments.sha256")),
        Column("who", String(200), nullable=False),
        Column("at", String(32), nullable=False),
        # What it takes the place of, or closes, and why; an entry is replaced or closed once.
        Column("replaces_id", Integer, ForeignKey("card_entries.id")),
        Column("why", Text),
        UniqueConstraint("replaces_id", name="uq_card_entries_replaces"),
    )
    Table(
        "corrections", meta, _id(),
        Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
        Column("kind", String(20), nullable=False),
        Column("who", String(200), nullable=False),
        Column("why", Text, nullable=False),
        Column("at", String(32), nullable=False),
        Column("analysis_id", Integer, ForeignKey("analyses.id")),
        Column("label", Text),
    )
    for name in (*_NEW_IN_3, chain.CHAIN):
        _forbid_changes(meta.tables[name])
    return meta


def _schema_v4() -> MetaData:
    """Version 3, and jobs: each with its bench sheets, what was done and decided, and the form that is being filled."""
    meta = _schema_v3()
    Table(
        "jobs", meta, _id(),
        Column("pack_id", String(200), ForeignKey("packs.id"), nullable=False, index=True),
        Column("words", Text, nullable=False),
        Column("opened_by", String(200), nullable=False),
        Column("opened_at", String(32), nullable=False),
    )
    Table(
        "bench_sheets", meta, _id(),
        Column("job_id", Integer, ForeignKey("jobs.id"), nullable=False, index=True),
        Column("toml", Text, nullable=False),
        Column("sha256", String(64), nullable=False),
        Column("evaluation", Text, nullable=False),
        Column("who", String(200), nullable=False),
        Column("at", String(32), nullable=False),
    )
    Table(
        "job_entries", meta, _id(),
        Column("job_id", Integer, ForeignKey("jobs.id"), nullable=False, index=True),
        Column("kind", String(20), nullable=False),
        Column("text", Text, nullable=False),
        Column("data", Text),
        Column("card_entry_id", Integer, ForeignKey("card_entries.id")),
        Column("run_id", Integer, ForeignKey("runs.id"), index=True),
        Column("who", String(200), nullable=False),
        Column("at", String(32), nullable=False),
    )
    Table(
        "sheet_drafts", meta,
        Column("job_id", Integer, ForeignKey("jobs.id"), primary_key=True, autoincrement=False),
        Column("values_json", Text, nullable=False),
        Column("updated_at", String(32), nullable=False),
    )
    for name in _KEPT_NEW_IN_4:
        _forbid_changes(meta.tables[name])
    return meta


def _forbid_changes(table: Table) -> None:
    """The only SQL of one dialect: SQLite and PostgreSQL refuse to change or delete a row that is kept forever.

    On a server the program's role is best granted SELECT and INSERT only (and DELETE on ``sheet_drafts``), so that it cannot take the guards
    away.
    """
    for sql in guards(table.name).values():
        event.listen(table, "after_create", DDL(sql).execute_if(dialect="sqlite"))
    for sql in (ONLY_GROWS, server_guard(table.name)):
        event.listen(table, "after_create", DDL(sql.replace("%", "%%")).execute_if(dialect="postgresql"))


ONLY_GROWS = """CREATE OR REPLACE FUNCTION register_only_grows() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the register only grows: % cannot be changed', TG_TABLE_NAME; END $$"""
"""What a guard does on PostgreSQL."""


def server_guard(table: str) -> str:
    """The guard of a table that is kept forever, on PostgreSQL; its name is the table's with ``_only_grows``."""
    return (
        f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION register_only_grows()"
    )


def guards(table: str) -> dict[str, str]:
    """The two guards of a table that is kept forever, by name, as SQLite keeps their words."""
    return {
        f"{table}_no_{act.lower()}": f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the register only grows: {table} cannot be changed'); END"
        for act in ("UPDATE", "DELETE")
    }


@dataclass(frozen=True, slots=True)
class Migration:
    """One step from version ``version - 1`` to ``version``. ``apply`` runs inside the caller's transaction."""

    version: int
    note: str
    apply: Callable[[Connection], None]


def _create_v1(connection: Connection) -> None:
    _schema_v1().create_all(connection, checkfirst=False)


def _remember_columns_files_v2(connection: Connection) -> None:
    _schema_v2().tables["columns_files"].create(connection)


def _chain_v3(connection: Connection) -> None:
    tables = _schema_v3().tables
    for name in (chain.CHAIN, *_NEW_IN_3):
        tables[name].create(connection)
    for name in _KEPT_SINCE_2:
        chain.append_all(connection, tables[name])


def _jobs_v4(connection: Connection) -> None:
    tables = _schema_v4().tables
    for name in (*_KEPT_NEW_IN_4, "sheet_drafts"):
        tables[name].create(connection)


SCHEMA = _schema_v4()
MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, "first tables", _create_v1),
    Migration(2, "columns files to use again", _remember_columns_files_v2),
    Migration(3, "chain of digests, cards of packs, corrections", _chain_v3),
    Migration(4, "jobs with bench sheets and entries", _jobs_v4),
)
