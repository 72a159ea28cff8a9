"""Keeping the register from being lost: a copy that was checked, putting a copy back, and the check itself.

A backup is one SQLite file, also of a register on a server; see :mod:`cycler.servercopy`.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cycler import chaincheck, servercopy
from cycler.database import (
    BUSY_TIMEOUT_S,
    PUT_BACK,
    Database,
    check_place,
    damaged,
    is_register,
    open_to_read,
    place_of,
    prepare_folder,
)
from cycler.errors import InputError, quote
from cycler.files import name_file, sync

BESIDE = ("-wal", "-shm", "-journal")
"""Ends of the files that SQLite keeps beside a database."""


@dataclass(frozen=True, slots=True)
class Copied:
    """A backup that was made, or one that was put back. ``aside`` is where the register before went, if there was one.

    ``file`` is the address, without a password, of a register on a server that a backup was put into.
    """

    file: Path | str
    report: chaincheck.CheckReport
    bytes: int
    aside: Path | None = None
    before: dict[str, int] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "schema": "cycler.custody/1", "file": str(self.file), "bytes": self.bytes, "aside": str(self.aside) if self.aside else None,
            "before": self.before, "check": self.report.to_dict(),
        }


def check(place: str | Path | None = None, head: tuple[int, str] | None = None) -> chaincheck.CheckReport:
    """Check a register, which stays as it is. See :func:`cycler.chaincheck.check_register`."""
    database = Database(place, create=False, upgrade=False)
    try:
        return chaincheck.check_register(database, head)
    finally:
        database.close()


def check_file(file: Path) -> chaincheck.CheckReport:
    """The same of a file that is only looked at: nothing appears beside it."""
    database = Database(file, create=False, upgrade=False, look=True)
    try:
        return chaincheck.check_register(database)
    finally:
        database.close()


def backup(place: str | Path | None, target: str | Path) -> Copied:
    """Copy a register, whoever works with it, into one file; it gets its name after it was checked.

    Raises
    ------
    InputError
        No register, its server cannot be reached, ``target`` exists or cannot be written, no room, or the copy is not in order.
    """
    source, name = place_of(place)
    check_place(place)
    if source is not None and not is_register(source):
        Database(place, create=False).close()  # tells that it is missing or empty
    target = _free_name(target)
    with _part_beside(target) as part:
        if source is None:
            with _told("cannot write the backup", target):
                servercopy.to_file(place, part)
        with _told("cannot write the backup", target), _opened(sqlite3.connect(part)) as to:
            if source is not None:
                with _opened(open_to_read(source)) as from_, _whole(damaged(name, "a page of its file cannot be read, so no backup was made")):
                    from_.backup(to)
            to.execute("PRAGMA journal_mode = DELETE")  # one file, which can be read where nothing may be written
        if source is not None:
            shutil.copymode(source, part)  # whoever may not read the register may not read its copy
        sync(part)
        report = check_file(part)
        if not report.good:
            raise InputError(
                "the register is not in order, so no backup was made", name, _first(report), "see all of it with: cycler check",
            )
        with _told("cannot write the backup", target):
            try:
                name_file(part, target)
            except FileExistsError:
                raise _exists(target) from None
            sync(target.parent)
    return Copied(target, report, target.stat().st_size)


def restore(place: str | Path | None, backup_file: str | Path) -> Copied:
    """Put a backup in the place of the register, after a full check of it; the register there is kept under a dated name.

    Programs that have the register open see its new content from their next question on; one that writes at this
    moment is waited for.

    Raises
    ------
    InputError
        The backup is missing, no register, of a newer version, not in order, or the register itself; no room; another
        program holds the register; one on a server that is not empty. Nothing has changed then.
    """
    file, name = place_of(place)
    copy = Path(backup_file)
    _check_backup(copy)
    if file is None:
        return Copied(name, servercopy.into_server(place, copy), copy.stat().st_size)
    register = file
    present = is_register(register)  # a file of another program is refused here
    if present and os.path.samefile(register, copy):
        raise InputError("the backup is the register itself", str(copy), "both names lead to one file", "name the backup")
    if present:
        register = register.resolve()  # a link to it stays one
        check_place(register, writing=True)
    else:
        prepare_folder(register, default=place is None)
        check_place(place, writing=True)
    with _part_beside(register) as part:
        with _told("cannot copy the backup", register), _opened(open_to_read(copy)) as from_, _opened(sqlite3.connect(part)) as to:
            with _whole(InputError("the backup is damaged, so it was not put back", str(copy), "a page of its file cannot be read", "take an older backup")):
                from_.backup(to)
            to.execute("PRAGMA journal_mode = DELETE")
        part.chmod(copy.stat().st_mode & 0o777 | 0o600)  # whoever may not read the copy may not read the register
        sync(part)
        report = check_file(part)
        if not report.good:
            raise InputError("the backup is not in order, so it was not put back", str(copy), _first(report), "take an older backup")
        with _told("cannot put the backup back", register):
            aside, before = _exchange(register, part) if present else (_put_new(register, part), None)
    return Copied(register, report, register.stat().st_size, aside, before)


def _exchange(register: Path, part: Path) -> tuple[Path | None, dict[str, int] | None]:
    """The content of ``part`` into the register that is there, and what was there into a file of a dated name.

    The register's file is not exchanged for another: a program that has it open would go on writing into the old one, and its
    write-ahead log would be taken for that of the new one. The copy aside and the new content come in one write transaction, so
    that no run added meanwhile is lost; other writers wait for it.
    """
    aside = _dated(register)
    try:
        with _opened(sqlite3.connect(register, timeout=BUSY_TIMEOUT_S, isolation_level=None)) as live:
            live.execute("PRAGMA synchronous = FULL")
            live.execute("ATTACH ? AS part", (str(part),))
            live.execute("BEGIN IMMEDIATE")
            before = _counts(live)
            with _part_beside(aside) as kept:
                with _opened(open_to_read(register)) as reader, _opened(sqlite3.connect(kept)) as to:
                    reader.backup(to)
                    to.execute("PRAGMA journal_mode = DELETE")
                shutil.copymode(register, kept)
                sync(kept)
                name_file(kept, aside)
            try:
                _take_over(live)
                live.execute("COMMIT")
            except sqlite3.Error:
                aside.unlink()
                raise
    except sqlite3.DatabaseError as error:
        if not any(sign in str(error) for sign in ("malformed", "not a database")):
            raise
        return _put_new(register, part, aside), None  # too damaged for SQLite to use, so nobody works with it
    sync(register.parent)
    return aside, before


def _take_over(live: sqlite3.Connection) -> None:
    """Tables, indexes, guards and rows of the attached ``part`` in the place of those of the register."""
    tables = "SELECT name FROM {}.sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    for (name,) in live.execute(tables.format("main")).fetchall():
        live.execute(f'DROP TABLE main."{name}"')  # its indexes and guards go with it
    made = live.execute("SELECT type, sql FROM part.sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'").fetchall()
    for kind in ("table", "index"):
        for sql in (sql for found, sql in made if found == kind):
            live.execute(sql)  # names without a database are those of the register
    for (name,) in live.execute(tables.format("part")).fetchall():
        live.execute(f'INSERT INTO main."{name}" SELECT * FROM part."{name}"')
    for sql in (sql for found, sql in made if found == "trigger"):
        live.execute(sql)


def _put_new(register: Path, part: Path, aside: Path | None = None) -> Path | None:
    """``part`` under the register's name; what lies there, or beside it, of an older one goes aside first."""
    moved = aside or _dated(register)
    found = None
    for end in ("", *BESIDE):
        old = register.with_name(register.name + end)
        if old.exists() and (end or old.stat().st_size):
            os.replace(old, moved.with_name(moved.name + end))
            found = moved
        elif old.exists():
            old.unlink()  # an empty file is none
    try:
        name_file(part, register)
    except FileExistsError:
        raise InputError(
            "another program made a register meanwhile", str(register), "it appeared while the backup was checked", "restore again",
        ) from None
    sync(register.parent)
    return found


def _counts(connection: sqlite3.Connection) -> dict[str, int] | None:
    try:
        return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in ("packs", "runs", "records")}
    except sqlite3.Error:
        return None


def _check_backup(copy: Path) -> None:
    """InputError unless the file is a register; what its content is worth is checked on a copy of it."""
    if not copy.exists():
        raise InputError("no such backup", quote(copy), "the file does not exist", "check the name")
    try:
        found = is_register(copy)
    except InputError as error:
        raise InputError("this is no backup of a register", str(copy), error.why, "name a file made by: cycler backup FILE") from None
    if not found:
        raise InputError("this is no backup of a register", str(copy), "the file is empty", "name a file made by: cycler backup FILE")
    try:
        Database(copy, create=False, upgrade=False, look=True).close()  # tells a newer version, or tables that are missing
    except InputError as error:
        if error.mend != PUT_BACK:
            raise
        raise InputError("the backup is damaged, so it was not put back", str(copy), error.why, "take an older backup") from None


def _free_name(target: str | Path) -> Path:
    target = Path(target)
    if "\0" in str(target):
        raise InputError("cannot write the backup", quote(target), "no file can have this name", "name another file")
    if target.is_dir():
        raise InputError("the backup is a folder", str(target), "a file is needed", "name a file in it")
    if target.exists():
        raise _exists(target)
    if not target.parent.is_dir():
        raise InputError("the folder of the backup does not exist", str(target), f"no folder {quote(target.parent)}", "make the folder")
    return target


def _exists(target: Path) -> InputError:
    return InputError("the backup exists", str(target), "a backup is never overwritten", "name another file")


def _dated(register: Path) -> Path:
    """A free name beside the register that says until when it was used."""
    stamp = datetime.now(UTC).strftime("%Y-%m-%dT%H%M%SZ")
    names = (f"{register.name}.until-{stamp}{f'-{number}' if number else ''}" for number in range(1000))
    return next(path for path in (register.with_name(name) for name in names) if not path.exists())


@contextlib.contextmanager
def _part_beside(target: Path) -> Iterator[Path]:
    """An empty file beside ``target`` that nobody else can read while it is filled; whatever it becomes is removed at the end."""
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        with contextlib.suppress(OSError, ValueError):  # told by whoever writes into it
            os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        yield part
    finally:
        for end in ("", *BESIDE):
            with contextlib.suppress(OSError):
                part.with_name(part.name + end).unlink(missing_ok=True)


@contextlib.contextmanager
def _opened(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    try:
        yield connection
    finally:
        connection.close()


_TROUBLE = (
    ("is full", "the disk is full", "make room and try again"),
    ("disk I/O error", "the disk is full or reports an error", "make room, or name another folder"),
    ("is locked", "another program holds the register", "close what has it open, and try again"),
    ("unable to open", "no right to write there", "check the permissions, or name another folder"),
    ("readonly", "no right to write there", "check the permissions, or name another folder"),
)


@contextlib.contextmanager
def _whole(told: InputError) -> Iterator[None]:
    """``told`` in place of SQLite's word for a damaged file: of two files that are at work it does not say which."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise told from error
        raise


@contextlib.contextmanager
def _told(what: str, file: Path) -> Iterator[None]:
    """What the disk refuses, in one message. Nothing has changed then but files that are removed."""
    try:
        yield
    except sqlite3.Error as error:
        for sign, why, mend in _TROUBLE:
            if sign in str(error):
                raise InputError(what, str(file), why, mend) from error
        raise InputError(what, str(file), quote(error, 120)[1:-1], "check the file; cycler check tells more") from error
    except OSError as error:
        raise InputError(what, str(file), error.strerror or "write error", "make room, or check the permissions") from error


def _first(report: chaincheck.CheckReport) -> str:
    more = len(report.problems) - 1 + report.more_problems
    return report.problems[0].text + (f"; and {more} more" if more else "")
