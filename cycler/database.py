"""The register's database: where it lies, whether it is ours, its connections and its transactions.

SQLite by default; PostgreSQL by its URL. What only SQLite understands stands in the section "SQLite", what only a server needs in
:mod:`cycler.server`.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, func, inspect, select
from sqlalchemy.exc import DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from cycler.chain import utc_now
from cycler.errors import InputError, quote
from cycler.migrations import APPLICATION_ID, KEPT_FOREVER, MIGRATIONS, SCHEMA, Migration
from cycler.ownfolder import default_path
from cycler.server import (
    check_encoding,
    engine_options,
    queue_up,
    reading,
    refusal,
    server_url,
    shown,
    watch_processes,
)

BUSY_TIMEOUT_S = 20.0
"""How long a writer waits for another one before it gives up. [s]"""

_MAGIC = b"SQLite format 3\x00"
PUT_BACK = "restore the register from its last copy: cycler restore FILE"
"""The way out of every error of a damaged register; a backup that is damaged has another one."""
_MADE_BY = "check --register; a new register is made by: cycler add LOG --pack PACK.toml, or cycler pack ID --new"
_VERSIONS = SCHEMA.tables["register_versions"]


class Database:
    """Connections to one register. Each task takes its own, so threads and processes may share an instance.

    Parameters
    ----------
    place : str, Path or None
        File, or a URL with ``://``; None is :func:`default_path`.
    create : bool
        Make the register if there is none.
    upgrade : bool
        Bring a register of an older version up to this program's; otherwise it stays as it is.
    look : bool
        Only read, even where it could be written to.

    Raises
    ------
    InputError
        No such register (``create`` False), a folder, no register of this program (the file stays as it is), a
        newer register than this program knows, a table missing, or no right to read it.

    Notes
    -----
    A register where nothing may be written (``read_only``) can be read; :meth:`write` refuses.
    """

    def __init__(
        self, place: str | Path | None = None, create: bool = True, migrations: tuple[Migration, ...] = MIGRATIONS,
        upgrade: bool = True, look: bool = False,
    ) -> None:
        self.file, self._url = _resolve(place)
        self._migrations = migrations
        self.name = str(self.file) if self.file else shown(self._url)
        fresh = False
        if self.file:
            fresh = not is_register(self.file)
            if fresh and not create:
                raise no_such_register(self.file)
            if fresh:
                prepare_folder(self.file, default=place is None)
        self.read_only = self.file is not None and not fresh and (look or not _may_write(self.file))
        self.engine = _engine(self.file, self._url, self.name, self.read_only)
        try:
            with told(self.name):
                if self.file and not self.read_only:
                    _sqlite_prepare(self.file, fresh)
                self._migrate(create, upgrade)
        except BaseException:
            self.engine.dispose()
            raise

    def close(self) -> None:
        """Let go of everything; the instance must not be used again."""
        self.engine.dispose()

    @contextlib.contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection for one task, seeing one state of the register throughout."""
        with told(self.name), self.engine.connect() as connection, reading(connection).begin():
            yield connection

    def check_writable(self) -> None:
        """InputError if nothing may be written here; to be told before the work, not after it."""
        if self.read_only:
            raise _not_writable(self.name)

    @contextlib.contextmanager
    def write(self) -> Iterator[Connection]:
        """A connection in one write transaction: all of it is kept, or nothing."""
        self.check_writable()
        writing = self.engine.execution_options(register_write=True)
        with told(self.name), writing.begin() as connection:
            connection.info.pop(_UNCHAINED, None)  # of a transaction before it that was not kept
            queue_up(connection, APPLICATION_ID, BUSY_TIMEOUT_S)
            yield connection
            if beside := connection.info.get(_UNCHAINED):
                raise RuntimeError(f"a row of {beside} was written beside the chain; write it with cycler.chain.insert")

    def _state(self, connection: Connection) -> tuple[int, set[str]]:
        """Version (0: none noted) and the names of the tables."""
        tables = set(inspect(connection).get_table_names())
        if _VERSIONS.name not in tables:
            return 0, tables
        return int(connection.execute(select(func.max(_VERSIONS.c.version))).scalar() or 0), tables

    def version(self, connection: Connection) -> int:
        """Version of the register's tables."""
        return self._state(connection)[0]

    def has_table(self, name: str) -> bool:
        """True if the register has this table; one of an older version that was not brought up may lack it."""
        with self.read() as connection:
            return inspect(connection).has_table(name)

    def _migrate(self, create: bool, upgrade: bool) -> None:
        newest = self._migrations[-1].version
        with self.read() as connection:
            found, tables = self._state(connection)
        self._check_tables(found, newest, tables, create)
        if found == newest or (found and not upgrade):
            return
        if self.read_only:
            raise InputError(
                "the register is of an older version", self.name, f"it has version {found} and may only be read here",
                "copy it to a folder you can write to, and name the copy",
            )
        if found and self.file:
            _sqlite_copy(self.file, self.file.with_name(f"{self.file.name}.before-version-{newest}"))
        with self.write() as connection:
            check_encoding(connection, self.name)
            found, _tables = self._state(connection)
            for migration in self._migrations:
                if migration.version > found:
                    migration.apply(connection)
                    connection.execute(
                        _VERSIONS.insert().values(
                            version=migration.version, note=migration.note, applied_at=utc_now()
                        )
                    )

    def _check_tables(self, found: int, newest: int, tables: set[str], create: bool) -> None:
        """InputError unless the tables are those of a register of version ``found``, or there are none yet."""
        ours = set(SCHEMA.tables)
        if found > newest:
            raise InputError(
                "the register is of a newer version", self.name,
                f"it has version {found}, this program knows up to {newest}", "use a newer version of this program",
            )
        if found == 0 and tables and len(tables & ours) <= len(ours) // 2:
            raise InputError(
                "the database is not a register of this program", self.name, "its tables are others",
                "name another file or database; nothing was changed",
            )
        missing = sorted(ours - tables)
        if (found == newest or (found == 0 and tables)) and missing:
            raise damaged(self.name, f"it has no table {', '.join(missing)}")
        if found == 0 and tables:
            raise damaged(self.name, "its table of versions is empty")
        if found == 0 and not create:
            if self.file:
                raise no_such_register(self.file)
            raise InputError("the register is empty", self.name, "the database holds no table yet", _MADE_BY)


def _engine(file: Path | None, url: URL, name: str, read_only: bool = False) -> Engine:
    if file:
        opener = open_to_read if read_only else _open_to_write
        own: dict[str, Any] = {"creator": lambda: opener(file), "poolclass": NullPool}
    else:
        own = engine_options(url)
    try:
        engine = create_engine(url, hide_parameters=True, **own)
    except (ImportError, NoSuchModuleError) as error:  # a driver without its server's library is an ImportError, too
        raise InputError(
            "the register's kind of database cannot be reached", name, " ".join(str(error).split()),
            "install the driver for it in this environment (PostgreSQL: pip install 'packreturn[postgresql]'), or name a file",
        ) from None
    event.listen(engine, "before_execute", _note_unchained)
    if not file:
        watch_processes(engine)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _sqlite_connect)
        event.listen(engine, "begin", _sqlite_begin)
    return engine


_UNCHAINED = "unchained"


def _note_unchained(connection: Connection, statement: Any, _many: object, _one: object, options: Mapping[str, Any]) -> None:
    """Note a row that is kept forever but got no entry in the chain: its transaction is not kept."""
    if getattr(statement, "is_insert", False) and statement.table.name in KEPT_FOREVER and not options.get("chained"):
        connection.info[_UNCHAINED] = statement.table.name


def check_place(place: str | Path | None = None, writing: bool = False) -> None:
    """Raise what opening (or making) the register would raise for its place, without touching anything.

    ``writing``: also refuse a place where nothing may be written.
    """
    file, url = _resolve(place)
    if not file:
        _check_server(url)
        return
    if is_register(file):
        if writing and not _may_write(file):
            raise _not_writable(str(file))
    elif place is not None:
        _check_folder(file)
        if writing and not os.access(file.parent, os.W_OK | os.X_OK):
            raise InputError(
                "cannot make the register", str(file), "no right to write into its folder",
                "check the permissions, or name another place with --register",
            )


def register_exists(place: str | Path | None = None) -> bool:
    """False if a register would have to be made. InputError if the place is no register, or its server cannot be reached."""
    file, url = _resolve(place)
    return is_register(file) if file else _check_server(url)


def damaged(name: str, why: str) -> InputError:
    """The error for a register whose content is not as this program wrote it."""
    return InputError("the register is damaged", name, why, PUT_BACK)


def _not_writable(name: str) -> InputError:
    return InputError(
        "the register may only be read", name, "the file or its folder cannot be written to",
        "check the permissions, or copy the register to a folder you can write to and name the copy with --register",
    )


def no_such_register(file: Path) -> InputError:
    """The error for a register that does not exist where one is only read."""
    if file.exists():
        why = "the file is empty (0 bytes)" if not file.stat().st_size else "it holds no table yet"
        return InputError("the register is empty", str(file), why, _MADE_BY)
    return InputError("no such register", str(file), "the file does not exist", _MADE_BY)


def place_of(place: str | Path | None) -> tuple[Path | None, str]:
    """File of a register (None for one on a server) and its name for messages, without a password."""
    file, url = _resolve(place)
    return file, str(file) if file else shown(url)


def _check_server(url: URL) -> bool:
    """Whether there is a register on a server. InputError unless it lets us in."""
    engine = _engine(None, url, shown(url))
    try:
        with told(shown(url)), engine.connect() as connection:
            return inspect(connection).has_table(_VERSIONS.name)
    finally:
        engine.dispose()


def _resolve(place: str | Path | None) -> tuple[Path | None, URL]:
    """File (None for a server) and URL."""
    if place is None:
        place = default_path()
    if isinstance(place, str) and not place.strip():
        raise InputError(
            "no register is named", "--register", "its name is empty", "name a file, or leave the option out for your own register",
        )
    if isinstance(place, str) and "://" in place:
        url = server_url(place)
        if url.get_backend_name() != "sqlite":
            return None, url
        if not url.database or url.database == ":memory:":
            raise InputError(
                "the register needs a file", quote(place), "a database in memory is lost at the end of the command",
                "name a file",
            )
        place = url.database
    try:
        file = Path(place).expanduser()
    except RuntimeError:  # "~name" of nobody known
        file = Path(place)
    return file, URL.create("sqlite", database=str(file))


def is_register(file: Path) -> bool:
    """True if ``file`` is a register, False if it is missing or empty; reads 100 bytes and changes nothing."""
    try:
        with open(file, "rb") as stream:
            head = stream.read(100)
    except FileNotFoundError:
        return False
    except IsADirectoryError:
        raise InputError("the register is a folder", str(file), "a file is needed", "name a file in it") from None
    except OSError as error:
        raise InputError(
            "cannot read the register", str(file), error.strerror or "read error", "check the path and permissions",
        ) from None
    except ValueError:  # what the system takes for no name at all: a zero byte in it
        raise InputError("no such register", quote(file), "no file can have this name", "check --register") from None
    if not head:
        return False
    if not head.startswith(_MAGIC) or int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        kind = "a database of another program" if head.startswith(_MAGIC) else "not a database"
        raise InputError(
            "this is not a register", str(file), f"the file is {kind}", "name another file with --register; it was not touched",
        )
    return True


def prepare_folder(file: Path, default: bool) -> None:
    """Make the folder of a register that nobody named; InputError if that of another one does not exist."""
    if not default:
        _check_folder(file)
        return
    folder = file.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            "cannot make the register's folder", str(folder), error.strerror or "write error",
            "check the permissions, or name another register with --register",
        ) from None


def _check_folder(file: Path) -> None:
    if not file.parent.is_dir():
        raise InputError(
            "the register's folder does not exist", str(file), f"no folder {quote(file.parent)}",
            "make the folder, or correct --register",
        )


_TROUBLE = (
    ("is locked", "another program holds the register", "try again; close what else has the file open"),
    ("readonly", "it may only be read", "check the permissions of the file and its folder"),
    ("unable to open", "it cannot be opened", "check the permissions of the file and its folder"),
    ("is full", "the disk is full", "make room and try again; nothing was kept of this act"),
    ("disk I/O error", "the disk reports an error", "check the disk; keep a copy of the register elsewhere"),
    ("malformed", "the file is damaged", PUT_BACK),
    ("not a database", "the file is damaged", PUT_BACK),
    ("no such table", "the file is damaged: a table is missing", PUT_BACK),
    ("no such column", "the file is damaged: a column is missing", PUT_BACK),
    ("already exists", "the file is damaged: its tables are newer than the version noted in it", PUT_BACK),
    ("string or blob too big", "one file is too large for it", "split the log, or thin it out"),
)


@contextlib.contextmanager
def told(name: str) -> Iterator[None]:
    """Turn what the database refuses into an :class:`InputError`; a broken promise of ours stays what it is."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        refused = refusal(error, name)
        if refused is not None:
            raise refused from error
        text = str(getattr(error, "orig", None) or error)
        for sign, why, mend in _TROUBLE if isinstance(getattr(error, "orig", None) or error, sqlite3.Error) else ():
            if sign in text:
                raise InputError("the register cannot be used", name, why, mend) from error
        if isinstance(error, DBAPIError):  # neither statement, values nor a link to the library's pages belong in a message
            error.statement = error.params = error.code = None
            error.args = (str(error.args[0]).partition("\n")[0],)  # a server's second line shows the row
        raise


# --- SQLite ----------------------------------------------------------------------------------------------------


def _may_write(file: Path) -> bool:
    """Whether a register can be changed: a writer needs files of its own beside it, too."""
    file = file.resolve()
    return os.access(file, os.W_OK) and os.access(file.parent, os.W_OK | os.X_OK)


def open_to_read(file: Path) -> sqlite3.Connection:
    """A connection to an SQLite file that changes nothing and needs no file beside it.

    ``immutable`` would pass over what another program has written but not yet put into the file; so it is left out
    where there is a write-ahead log (SQLite documentation, "Read-Only WAL-Mode Databases" and URI parameters; from memory).
    """
    file = file.resolve()
    beside = any(file.with_name(file.name + end).exists() for end in ("-wal", "-journal"))
    address = f"{file.as_uri()}?mode=ro" + ("" if beside else "&immutable=1")
    return sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S, check_same_thread=False)


def _open_to_write(file: Path) -> sqlite3.Connection:
    """A connection to an SQLite file that must be there: a file that vanished is not made anew, empty, in its place."""
    file = file.resolve()
    if not file.exists():
        raise InputError(
            "the register is no longer there", str(file), "its file was moved, renamed or deleted, or its disk is not connected",
            "connect the disk or put the file back, then try again",
        )
    return sqlite3.connect(f"{file.as_uri()}?mode=rw", uri=True, timeout=BUSY_TIMEOUT_S, check_same_thread=False)


def _sqlite_connect(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in ("foreign_keys = ON", "synchronous = FULL", f"busy_timeout = {int(BUSY_TIMEOUT_S * 1000)}"):
        connection.execute(f"PRAGMA {pragma}")


def _sqlite_begin(connection: Connection) -> None:
    # A writer takes the lock at once: one that reads first and writes later would fail instead of waiting.
    write = connection.get_execution_options().get("register_write")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _sqlite_prepare(file: Path, fresh: bool) -> None:
    """Mark a fresh file as ours, and have readers and a writer work at once (write-ahead log)."""
    end = time.monotonic() + BUSY_TIMEOUT_S
    while True:
        connection = sqlite3.connect(file, timeout=BUSY_TIMEOUT_S, isolation_level=None)
        try:
            connection.execute("PRAGMA synchronous = FULL")
            if fresh:
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            # Two programs that make the file at the same moment: the change to WAL does not wait by itself.
            if "locked" not in str(error) or time.monotonic() > end:
                raise
        finally:
            connection.close()
        time.sleep(0.05)


def _sqlite_copy(file: Path, copy: Path) -> None:
    """A copy of the register as it is, before its tables change; an older copy of the same name stays."""
    if copy.exists():
        return
    part = copy.with_name(f"{copy.name}.part{os.getpid()}")
    try:
        source, target = sqlite3.connect(file), sqlite3.connect(part)
        try:
            target.execute("PRAGMA synchronous = FULL")
            source.backup(target)
        finally:
            target.close()
            source.close()
        shutil.copymode(file, part)  # whoever may not read the register may not read its copy
        os.replace(part, copy)
    finally:
        part.unlink(missing_ok=True)
