"""A register on a server into one file, and one from a file into a server's database: row by row, with the chain as it is.

So a workshop that outgrows one file moves to a server (``cycler backup``, then ``cycler --register postgresql+psycopg://... restore``), and
what lies on a server can be taken away, looked at and checked without one.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, func, select, text

from cycler import chain
from cycler.chaincheck import CheckReport, check_in
from cycler.database import Database, damaged
from cycler.errors import InputError
from cycler.migrations import CHAINED, MIGRATIONS, SCHEMA
from cycler.server import is_postgresql


def to_file(place: str | Path | None, part: Path) -> None:
    """Copy a register on a server into the SQLite file ``part``, which is not there yet; all of one moment, whoever works with it.

    Raises
    ------
    InputError
        The server cannot be reached, holds no register, or the file cannot be written.
    """
    source = Database(place, create=False, upgrade=False)
    try:
        with source.read() as reading:
            target = Database(part, migrations=MIGRATIONS[: source.version(reading)])
            try:
                with target.write() as writing:
                    _copy(reading, writing)
            finally:
                target.close()
    finally:
        source.close()


def into_server(place: str | Path | None, file: Path) -> CheckReport:
    """Copy a register from a file into a server's database that holds none, or an empty one; checked before it counts.

    Raises
    ------
    InputError
        The server cannot be reached or lacks the rights, its register holds something, or the copy is not in order. The
        database holds no row then.
    """
    source = Database(file, create=False, upgrade=False, look=True)
    try:
        with source.read() as reading:
            version = source.version(reading)
            target = Database(place, migrations=MIGRATIONS[:version], upgrade=False)
            try:
                with target.write() as writing:
                    _refuse_filled(writing, target, version)
                    _copy(reading, writing)
                    _go_on_counting(writing)
                    report = check_in(writing, target)
                    if not report.good:
                        raise damaged(str(file), report.problems[0].text)
            finally:
                target.close()
    finally:
        source.close()
    return report


def _refuse_filled(connection: Connection, database: Database, version: int) -> None:
    held = next((name for name in CHAINED if name in SCHEMA.tables and _rows(connection, name)), None)
    if held is not None or database.version(connection) != version:
        raise InputError(
            "the register on the server is not empty", database.name,
            f"it holds {held}" if held is not None else "it is of another version than the backup",
            "a backup is put into a database of its own: createdb NAME, then name that; on the server itself use pg_restore",
        )


def _rows(connection: Connection, name: str) -> bool:
    if connection.dialect.has_table(connection, name) is False:
        return False
    return connection.execute(select(func.count()).select_from(select(SCHEMA.tables[name]).limit(1).subquery())).scalar() != 0


def _copy(source: Connection, target: Connection) -> None:
    for table in SCHEMA.sorted_tables:
        if source.dialect.has_table(source, table.name):
            chain.copy_rows(source, target, table)


def _go_on_counting(connection: Connection) -> None:
    """The next number of each table is the one after the highest that came along."""
    if not is_postgresql(connection):
        return
    for table in SCHEMA.sorted_tables:
        if "id" in table.c and table.c.id.type.python_type is int and connection.dialect.has_table(connection, table.name):
            highest = connection.execute(select(func.max(table.c.id))).scalar()
            if highest:
                connection.execute(text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :highest)"), {"name": table.name, "highest": highest})
