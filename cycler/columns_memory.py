"""Columns files that the register uses again for logs with the same headings."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from cycler import chain
from cycler.database import Database, damaged, register_exists, utc_now
from cycler.errors import InputError
from cycler.migrations import SCHEMA
from cycler.storage import clean_text, columns_from_text, columns_to_text

if TYPE_CHECKING:
    from cycler.readers.columnsfile import ColumnsFile

_files = SCHEMA.tables["columns_files"]


@dataclass(frozen=True, slots=True)
class RememberedColumns:
    """A columns file as it is used again. ``key`` and ``headings`` are those of the logs it is used for."""

    id: int
    key: str
    headings: str
    columns: ColumnsFile
    run_id: int
    added_at: str

    def as_used(self, header_row: int) -> ColumnsFile:
        """The columns file for a log with its headings in line ``header_row``; its name says where it comes from."""
        own = self.columns
        row = own.header_row if own.header_row in (None, 0) else header_row
        return replace(own, header_row=row, file=f"columns file of run {self.run_id} ({own.file})")


class ColumnsMemory:
    """The columns files of one register. For each key the newest row holds; forgetting is a row, too."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @classmethod
    @contextlib.contextmanager
    def look(cls, place: str | Path | None) -> Iterator[ColumnsMemory | None]:
        """The memory of a register that is only looked at: nothing is made, and an older register stays as it is.

        None where there is no register, or where it is of a version without such a memory.
        """
        if not register_exists(place):
            yield None
            return
        database = Database(place, create=False, upgrade=False)
        try:
            yield cls(database) if database.has_table(_files.name) else None
        finally:
            database.close()

    def all(self) -> list[RememberedColumns]:
        """Those in use, oldest first."""
        newest = select(func.max(_files.c.id)).group_by(_files.c.key)
        query = select(_files).where(_files.c.id.in_(newest), _files.c.forgotten.is_(False)).order_by(_files.c.id)
        with self._database.read() as connection:
            rows = connection.execute(query).all()
        return [self._row(row) for row in rows]

    def remember(self, key: str, headings: str, columns: ColumnsFile, run_id: int) -> bool:
        """Use ``columns`` for logs with these headings from now on; False if that is so already.

        Leave to drop rows, and that files follow without a pause, were said of one test and are not kept.
        """
        columns = replace(columns, allow_bad_rows=False, no_pause=False)
        known = next((item for item in self.all() if item.key == key), None)
        if known is not None and replace(known.columns, file="") == replace(columns, file=""):
            return False
        self._add(key, headings, columns_to_text(columns), run_id, False)
        return True

    def one(self, number: int) -> RememberedColumns:
        """The columns file of this number. InputError if there is none in use."""
        known = self.all()
        found = next((item for item in known if item.id == number), None)
        if found is None:
            shown = ", ".join(str(item.id) for item in known)
            raise InputError(
                f"no columns file {number} in use", self._database.name,
                f"those in use are {shown}" if known else "none is in use", "see them with: cycler columns",
            )
        return found

    def forget(self, number: int) -> RememberedColumns:
        """Use a columns file no more. InputError if there is none of that number in use."""
        found = self.one(number)
        self._add(found.key, found.headings, columns_to_text(found.columns), found.run_id, True)
        return found

    def _add(self, key: str, headings: str, columns_text: str, run_id: int, forgotten: bool) -> None:
        with self._database.write() as connection:
            chain.insert(
                connection, _files, key=key, headings=clean_text(headings), columns_text=columns_text, run_id=run_id,
                added_at=utc_now(), forgotten=forgotten,
            )

    def _row(self, row: Any) -> RememberedColumns:
        try:
            columns = columns_from_text(row.columns_text)
            if isinstance(columns, tuple):
                raise ValueError("those of several logs, which are never kept here")
        except (ValueError, TypeError, KeyError, AttributeError):
            raise damaged(self._database.name, f"columns file {row.id} cannot be read") from None
        return RememberedColumns(row.id, row.key, row.headings, columns, row.run_id, row.added_at)

