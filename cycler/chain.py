"""Each row that is kept forever has an entry in a chain: digest of the row, digest of the entry before, digest of both.

:func:`insert` is the one way to write such a row; the entry is written in the same transaction. The entry's digest is the SHA-256
of its canonical JSON (RFC 8785), so that anybody can work it out again without this program. :mod:`cycler.chaincheck` does.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import rfc8785
from sqlalchemy import Connection, LargeBinary, Row, Table, and_, select

CHAIN = "chain"
START = "0" * 64
"""What stands in the first entry for the digest of the one before."""


def utc_now() -> str:
    """This moment, UTC, ISO 8601 to the second: "2026-03-01T09:30:00Z"."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def sha256_of(value: Any) -> str:
    """SHA-256, hexadecimal, of the canonical JSON of a value (RFC 8785)."""
    return hashlib.sha256(rfc8785.dumps(value)).hexdigest()


def row_sha256(values: Mapping[str, Any]) -> str:
    """Digest of a row: of an object of its columns, where bytes stand as the object {"bytes": number, "sha256": digest}."""
    return sha256_of({name: _plain(value) for name, value in values.items()})


def _plain(value: Any) -> Any:
    if isinstance(value, (bytes, bytearray, memoryview)):
        return {"bytes": len(value), "sha256": hashlib.sha256(value).hexdigest()}
    return value


def entry_sha256(seq: int, at: str, table: str, key: str, row: str, previous: str) -> str:
    """Digest of an entry: of the object {seq, at, table, key, row_sha256, previous}."""
    return sha256_of({"seq": seq, "at": at, "table": table, "key": key, "row_sha256": row, "previous": previous})


def key_of(table: Table, row: Row[Any]) -> str:
    """Primary key of a row as a JSON list: '["EB-0412"]', '[12,0]'."""
    return rfc8785.dumps([row._mapping[column.name] for column in table.primary_key.columns]).decode()


def head(connection: Connection, chain: Table) -> tuple[int, str]:
    """Number and digest of the last entry; (0, :data:`START`) of an empty chain."""
    last = connection.execute(select(chain.c.seq, chain.c.sha256).order_by(chain.c.seq.desc()).limit(1)).first()
    return (int(last.seq), last.sha256) if last else (0, START)


def insert(connection: Connection, table: Table, **values: Any) -> Any:
    """Write a row that is kept forever, and its entry in the chain; returns the first column of its primary key.

    The digest is that of the row as the database gives it back. Runs in the caller's transaction, which must be one of
    :meth:`cycler.database.Database.write`: there writers come one after another, so that no two continue the same entry.
    """
    key: Sequence[Any] = connection.execute(table.insert().values(**values).execution_options(chained=True)).inserted_primary_key or ()
    same = and_(*(column == value for column, value in zip(table.primary_key.columns, key, strict=True)))
    append(connection, table, connection.execute(select(table).where(same)).one())
    return key[0]


def insert_if_new(connection: Connection, table: Table, key: dict[str, Any], values: dict[str, Any]) -> None:
    """As :func:`insert`, unless there is a row with this key."""
    ((name, value),) = key.items()
    if not connection.execute(select(table.c[name]).where(table.c[name] == value)).first():
        insert(connection, table, **key, **values)


def append(connection: Connection, table: Table, row: Row[Any]) -> None:
    """Write the entry of a row that is in its table."""
    chain = table.metadata.tables[CHAIN]
    last, previous = head(connection, chain)
    seq, at, key, digest = last + 1, utc_now(), key_of(table, row), row_sha256(dict(row._mapping))
    connection.execute(chain.insert().values(
        seq=seq, at=at, table_name=table.name, row_key=key, row_sha256=digest, previous=previous,
        sha256=entry_sha256(seq, at, table.name, key, digest, previous),
    ).execution_options(chained=True))


def append_all(connection: Connection, table: Table) -> None:
    """Write the entries of all rows of a table, in the order of their keys; for tables that are older than the chain."""
    keys = list(table.primary_key.columns)
    for key in connection.execute(select(*keys).order_by(*keys)).all():
        same = and_(*(column == value for column, value in zip(keys, key, strict=True)))
        append(connection, table, connection.execute(select(table).where(same)).one())


def rows_at_once(table: Table) -> int:
    """How many rows of a table are held in memory where all of them are walked through: one log may take a hundred megabytes."""
    return 1 if any(isinstance(column.type, LargeBinary) for column in table.columns) else 20


def copy_rows(source: Connection, target: Connection, table: Table) -> None:
    """Write the rows of a table into another register that has none of them, as they are; the chain is copied like any other table.

    What the target has of the table before, its noted versions, gives way.
    """
    keys = list(table.primary_key.columns)
    if table.name == "register_versions":
        target.execute(table.delete())
    into = table.insert().execution_options(chained=True)
    for some in source.execute(select(table).order_by(*keys).execution_options(yield_per=rows_at_once(table))).partitions():
        target.execute(into, [dict(row._mapping) for row in some])
