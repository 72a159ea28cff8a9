"""What only a register on a database server needs: its address, its connections, writers that queue up, what a server refuses.

Tried with PostgreSQL 15 through psycopg 3. Nothing here is asked of a register in a file.
"""

from __future__ import annotations

import os
from typing import Any

from sqlalchemy import URL, Connection, Engine, Text, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError
from sqlalchemy.sql.functions import GenericFunction

from cycler.errors import InputError, quote

CONNECT_TIMEOUT_S = 10
"""How long a server may take to answer the first word. [s]"""
STANDS_STILL_S = 300
"""A writer of which the server hears nothing for so long has lost its turn: its computer may be off, or the network cut. [s]"""
_POSTGRESQL = ("postgresql", "postgres")
_MASK = "***"
_UNSURE = "look what the register holds, then repeat what is missing"


# --- address -----------------------------------------------------------------------------------------------------


def server_url(place: str) -> URL:
    """The address of a register on a server. Without a named driver PostgreSQL is reached by psycopg.

    Raises
    ------
    InputError
        It is no database address, or a password holds an @ that is not written as %40.
    """
    try:
        url = make_url(place)
    except (ArgumentError, ValueError):
        raise InputError(
            "the register's address cannot be read", quote(place.split("@")[-1]), "it is not a database URL",
            "name a file, or an address such as postgresql+psycopg://user@host/name",
        ) from None
    if "@" in (url.host or "") or "@" in (url.database or ""):
        raise InputError(
            "the register's address cannot be read", url.get_backend_name(), "there is more than one @ in it",
            "write an @ of the user's name or password as %40",
        )
    if url.get_backend_name() not in (*_POSTGRESQL, "sqlite"):
        raise InputError(
            "the register's kind of database is none that is known here", shown(url), "registers lie in a file, or on a PostgreSQL server",
            "name a file, or an address such as postgresql+psycopg://user@host/name",
        )
    return url.set(drivername="postgresql+psycopg") if url.drivername in _POSTGRESQL else url


def shown(url: URL) -> str:
    """The address for messages: no password, wherever in it one stands."""
    query = {key: _MASK if "pass" in key.lower() else value for key, value in url.query.items()}
    return url.set(query=query).render_as_string(hide_password=True)


def is_postgresql(connection: Connection) -> bool:
    """True for a connection to PostgreSQL."""
    return connection.dialect.name == "postgresql"


# --- connections -------------------------------------------------------------------------------------------------


def engine_options(url: URL) -> dict[str, Any]:
    """How connections to a server are made and kept: a few stay open, each asked whether it still lives before it is used."""
    options: dict[str, Any] = {"pool_pre_ping": True, "pool_size": 4, "max_overflow": 24, "pool_recycle": 1800}
    if url.drivername == "postgresql+psycopg" and "connect_timeout" not in url.query:
        options["connect_args"] = {"connect_timeout": CONNECT_TIMEOUT_S, "application_name": "cycler"}
    return options


def watch_processes(engine: Engine) -> None:
    """Have a process that was forked make connections of its own: two cannot speak through one.

    Source: SQLAlchemy documentation, "Using Connection Pools with Multiprocessing or os.fork()" (from memory).
    """
    def connect(_connection: Any, record: Any) -> None:
        record.info["pid"] = os.getpid()

    def checkout(_connection: Any, record: Any, proxy: Any) -> None:
        if record.info["pid"] != os.getpid():
            record.dbapi_connection = proxy.dbapi_connection = None
            raise DisconnectionError("the connection is that of another process")

    event.listen(engine, "connect", connect)
    event.listen(engine, "checkout", checkout)


def reading(connection: Connection) -> Connection:
    """The connection, seeing one state of the register throughout, and unable to change it."""
    if not is_postgresql(connection):
        return connection
    return connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def queue_up(connection: Connection, key: int, wait_s: float) -> None:
    """Wait until no other writer of this register is at work; the turn ends with the transaction.

    Writers must not run beside each other, since each continues the chain's last entry and asks first what is there. PostgreSQL
    gives an advisory lock, which needs no right on any table (PostgreSQL 15 manual, 13.3.5 and 9.27.10; from memory); each statement after
    it sees what the writers before have kept, since READ COMMITTED looks anew with every statement (13.2.1; from memory). A writer that is
    gone without a word would hold its turn until the server's system notices, after hours; so the server ends the work of one that stands
    still (idle_in_transaction_session_timeout, 20.11.1; from memory).
    """
    if is_postgresql(connection):
        connection.execute(text(f"SET LOCAL lock_timeout = {int(wait_s * 1000)}"))
        connection.execute(text(f"SET LOCAL idle_in_transaction_session_timeout = {int(STANDS_STILL_S * 1000)}"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": key})


def check_encoding(connection: Connection, name: str) -> None:
    """InputError if the database cannot hold every character."""
    if not is_postgresql(connection):
        return
    found = connection.execute(text("SHOW server_encoding")).scalar()
    if found != "UTF8":
        raise InputError(
            "the database cannot hold every character", name, f"its encoding is {found}",
            "make it anew: CREATE DATABASE name ENCODING 'UTF8' TEMPLATE template0",
        )


class bytewise(GenericFunction):
    """A text that is sorted by its characters' numbers whatever the server's language, as SQLite does; capitals of ASCII alone are lowered."""

    type = Text()
    inherit_cache = True


def _spell() -> None:
    from sqlalchemy.ext.compiler import compiles

    @compiles(bytewise)
    def plain(element: Any, compiler: Any, **how: Any) -> str:
        return f"({compiler.process(element.clauses, **how)})"

    @compiles(bytewise, "postgresql")
    def of_server(element: Any, compiler: Any, **how: Any) -> str:
        return f'(({compiler.process(element.clauses, **how)}) COLLATE "C")'


_spell()


# --- what a server refuses ---------------------------------------------------------------------------------------

_CANNOT = "the register cannot be used"
_UNREACHED = "the register's server cannot be reached"
_DENIED = "the server does not let us in"
_RIGHTS = "have its owner GRANT the rights: SELECT and INSERT on all tables, DELETE on sheet_drafts, USAGE on all sequences"
_STATES = {  # SQLSTATE: PostgreSQL 15 manual, appendix A
    "28P01": (_DENIED, "user or password is wrong", "check both in the address, or the password file of the database"),
    "28000": (_DENIED, "its rules refuse this user from this machine", "have its pg_hba.conf allow it"),
    "3D000": ("there is no such database", "the server knows none of this name", "make it first: createdb NAME"),
    "53300": (_UNREACHED, "it has no connection left", "close other programs, or raise its max_connections"),
    "57P03": (_UNREACHED, "it is starting or stopping", "try again in a moment"),
    "53100": (_CANNOT, "the server's disk is full", "make room there; nothing was kept of this act"),
    "53200": (_CANNOT, "the server has not enough memory", "try again; nothing was kept of this act"),
    "54000": (_CANNOT, "one file is too large for it", "split the log, or thin it out"),
    "42501": ("the register may only be read or not at all", "the user of the address lacks a right on the server", _RIGHTS),
    "25006": ("the register may only be read", "the server takes no changes: it is a standby, or was set so", "name the server that takes them"),
    "55P03": (_CANNOT, "another program holds the register", "try again; close what else writes to it"),
    "57014": (_CANNOT, "the server ended the work as too slow", "try again; nothing was kept of this act"),
    "40001": (_CANNOT, "another program changed it at the same moment", "try again; nothing was kept of this act"),
    "40P01": (_CANNOT, "another program changed it at the same moment", "try again; nothing was kept of this act"),
    "42P01": (_CANNOT, "the database is damaged: a table is missing", "put it back from its last copy"),
    "42P07": (_CANNOT, "the database is damaged: its tables are newer than the version noted in it", "put it back from its last copy"),
    "42703": (_CANNOT, "the database is damaged: a column is missing", "put it back from its last copy"),
    "XX001": (_CANNOT, "the server reports damaged data", "put it back from its last copy, and check the server's disk"),
    "XX002": (_CANNOT, "the server reports a damaged index", "have its keeper REINDEX the database, then run: cycler check"),
}
_WORDS = (  # a connection that was refused carries no SQLSTATE
    ("password authentication failed", "28P01"), ("no password supplied", "28P01"), ("pg_hba.conf", "28000"),
    ("too many connections", "53300"), ("too many clients", "53300"), ("remaining connection slots", "53300"), ("the database system is", "57P03"),
)
_NETWORK = (
    ("Connection refused", "nothing answers at this address", "start the server, or correct host and port"),
    ("could not translate host name", "its name is not known on this network", "correct the host in the address"),
    ("failed to resolve host", "its name is not known on this network", "correct the host in the address"),
    ("No such file or directory", "there is no server on this machine", "start the server, or name its host"),
    ("timeout", f"it did not answer within {CONNECT_TIMEOUT_S} s", "check the network, host and port"),
    ("No route to host", "the network knows no way to it", "check the network, host and port"),
    ("Network is unreachable", "the network knows no way to it", "check the network, host and port"),
    ("SSL", "no encrypted connection could be made", "check sslmode and sslrootcert in the address"),
    ("certificate", "its certificate was refused", "check sslmode and sslrootcert in the address"),
)


def refusal(error: BaseException, name: str) -> InputError | None:
    """What a server refused, in words; None for what is a defect of ours, or no server's word."""
    origin = getattr(error, "orig", None) or error
    if not type(origin).__module__.startswith("psycopg"):
        return None
    said = str(origin)
    state = getattr(origin, "sqlstate", None) or next((code for sign, code in _WORDS if sign in said), None)
    if state is None and "database" in said and "does not exist" in said:
        state = "3D000"
    elif state is None and "role" in said and "does not exist" in said:
        state = "28P01"
    if state in _STATES:
        return InputError(*_placed(_STATES[state], name))
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return InputError("the register cannot be reached", name, "the connection was lost before the server confirmed the work", _UNSURE)
    if state is None and "invalid connection option" in said:
        return InputError("the register's address cannot be read", name, _first_line(said), "correct what stands after the ? in it")
    if state is None and type(origin).__name__ in ("OperationalError", "ConnectionTimeout"):
        why, mend = next(
            ((why, mend) for sign, why, mend in _NETWORK if sign in said), (_first_line(said), "check address, server and network"),
        )
        return InputError(_UNREACHED, name, why, mend)
    return None


def _placed(words: tuple[str, str, str], name: str) -> tuple[str, str, str, str]:
    what, why, mend = words
    return what, name, why, mend


def _first_line(said: str) -> str:
    return quote(said.strip().splitlines()[0] if said.strip() else "no reason given", 160)[1:-1]
