"""Who may sign in to the pages from another computer: names and hashed passwords in one file that only its owner can read.

The file lies beside the register and is no part of it: what is in the register is kept forever, and goes out with every backup.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import sqlite3
import stat
import threading
import time
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from cycler.errors import InputError, quote
from cycler.files import sync

SCHEMA = "cycler.users/1"
METHOD = "scrypt:131072:8:1"
"""How passwords are hashed: scrypt (RFC 7914), N = 2^17, r = 8, p = 1, which takes 128 MiB and about a third of a second.

Least cost that the OWASP Cheat Sheet "Password Storage" names for scrypt (from memory).
"""
PASSWORD_MIN, PASSWORD_MAX = 12, 200
"""Shortest and longest password. [characters]"""
DIFFERENT_MIN = 5
"""Different characters in a password, so that it is not one key held down; common practice, no source."""
NAME_MAX = 60
USERS_MAX = 1000
_FILE_MAX = 1_000_000
_HASHED = re.compile(r"scrypt:[0-9]{1,8}:[0-9]{1,3}:[0-9]{1,3}\$[^$]{1,100}\$[0-9a-f]{128}")
_OWNER_ONLY = 0o600
_FOR_OTHERS = 0o077
_TURN_S, _LOOK_S = 20.0, 0.2
"""Longest wait for another one who changes the file, which takes some milliseconds, and how long nothing else is heard meanwhile. [s]"""
_NOBODY = f"{METHOD}$nobody-at-all-has$" + "0" * 128
"""Held against the password that comes with an unknown name, so that it takes as long as one that is known."""


@dataclass(frozen=True, slots=True)
class User:
    """One who may sign in. ``mark`` is another one after each change of the password; ``since`` is UTC, ISO 8601."""

    name: str
    mark: str
    since: str


def users_path(register: str | Path | None) -> Path:
    """Where the users of a register are kept: beside its file; of a register on a server, in the user's data directory.

    Parameters
    ----------
    register : str, Path or None
        File or address of the register; ``None`` is the one in the user's data directory.

    Raises
    ------
    InputError
        The place is no name or address of a register.
    """
    from cycler.ownfolder import default_path

    if register is None:
        return default_path().with_suffix(".users.json")
    from cycler.database import place_of

    file, name = place_of(register)
    if file is None:  # the password of the database may change, and nothing of it is told by the name
        mark = hashlib.sha256(name.replace(":***@", "@").encode()).hexdigest()[:12]
        return default_path().with_name(f"server-{mark}.users.json")
    # Registers whose names differ by their ending alone have users of their own.
    return file.with_suffix(".users.json") if file.suffix == ".sqlite" else file.with_name(f"{file.name}.users.json")


class Users:
    """The users in one file. Safe to use from several threads; a file that another process changes is read again.

    Parameters
    ----------
    path : Path
        The file, which need not exist yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._seen: tuple[int, int, int] | None = None
        self._kept: dict[str, dict[str, str]] = {}

    def all(self) -> list[User]:
        """Everybody, by name. InputError if the file cannot be used."""
        return sorted((_user(name, kept) for name, kept in self._read().items()), key=lambda user: user.name.casefold())

    def one(self, name: str) -> User | None:
        """The user of that name as it was added, or ``None``. InputError if the file cannot be used."""
        kept = self._read().get(name)
        return None if kept is None else _user(name, kept)

    def check(self, name: str, password: str) -> User | None:
        """The user of that name and password, or ``None``; an unknown name takes as long as a wrong password.

        ``name`` may be written in any case. InputError if the file cannot be used.
        """
        from werkzeug.security import check_password_hash

        users = self._read()
        found = _same(users, clean_name(name))
        good = check_password_hash(users[found]["password"] if found else _NOBODY, _normal(password)[: 2 * PASSWORD_MAX])
        return _user(found, users[found]) if found and good else None

    def add(self, name: str, password: str) -> tuple[User, bool]:
        """Add a user, or give one a new password; returns the user, and whether that one is new.

        Raises
        ------
        InputError
            The name or the password does not do, or the file cannot be written.
        """
        from werkzeug.security import generate_password_hash

        name = check_name(name)
        check_password(name, password)
        kept = {"password": generate_password_hash(_normal(password), METHOD), "since": datetime.now(UTC).isoformat(timespec="seconds")}
        with self._turn():
            users = dict(self._read())
            found = _same(users, name)
            if found is None and len(users) >= USERS_MAX:
                raise InputError("too many users", str(self.path), f"{USERS_MAX} may sign in already", "remove one with: cycler users remove NAME")
            users[found or name] = kept
            self._write(users)
        return _user(found or name, kept), found is None

    def remove(self, name: str) -> User:
        """Take a user away. InputError if there is none of that name."""
        if not self._read():
            raise InputError("no such user", quote(name), "there is: nobody", "see all with: cycler users")
        with self._turn():
            users = dict(self._read())
            found = _same(users, clean_name(name))
            if found is None:
                known = ", ".join(sorted(users)[:5]) or "nobody"
                raise InputError("no such user", quote(name), f"there is: {known}", "see all with: cycler users")
            gone = _user(found, users.pop(found))
            self._write(users)
        return gone

    @contextlib.contextmanager
    def _turn(self) -> Iterator[None]:
        """Reading and writing in one: nobody else, in this program or another, changes the file meanwhile.

        The lock is SQLite's, on an empty file beside it, which ends with the program that holds it. Nothing but SQLite may open that file: whoever closes
        a file lets go of all locks that the program has on it (POSIX).
        """
        beside = self.path.with_name(f".{self.path.name}.lock")
        with contextlib.ExitStack() as ending:
            try:
                beside.parent.mkdir(parents=True, exist_ok=True)
                lock = sqlite3.connect(beside, timeout=_LOOK_S, isolation_level=None)
                ending.callback(lock.close)
                end = time.monotonic() + _TURN_S
                while not _got(lock, last=time.monotonic() >= end):
                    pass
            except sqlite3.Error as error:
                raise _no_turn(self.path, beside, error) from None
            except (OSError, ValueError) as error:
                raise _not_kept(self.path, error) from None
            with self._lock:
                self._seen = None  # read anew, whatever its time says
            yield

    def _read(self) -> Mapping[str, dict[str, str]]:
        with self._lock:
            try:
                state = self.path.stat()
                seen = (state.st_mtime_ns, state.st_size, state.st_ino)
                if seen != self._seen:
                    _refuse_open_file(self.path, state)
                    self._kept = _users_of(self.path.read_bytes()[: _FILE_MAX + 1], self.path)
                    self._seen = seen
            except FileNotFoundError:
                self._seen, self._kept = None, {}
            except OSError as error:
                raise InputError(
                    "cannot read the file of users", str(self.path), error.strerror or "read error", "check the permissions"
                ) from None
            return self._kept

    def _write(self, users: Mapping[str, dict[str, str]]) -> None:
        content = json.dumps({"schema": SCHEMA, "users": dict(users)}, ensure_ascii=False, indent=1).encode() + b"\n"
        part = self.path.with_name(f".{self.path.name}.{secrets.token_hex(4)}.part")
        with self._lock:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), _OWNER_ONLY)
                with os.fdopen(handle, "wb") as stream:
                    stream.write(content)
                    stream.flush()
                    os.fsync(stream.fileno())
                os.replace(part, self.path)
                sync(self.path.parent)
            except (OSError, ValueError) as error:
                with contextlib.suppress(OSError, ValueError):
                    part.unlink(missing_ok=True)
                raise _not_kept(self.path, error) from None
            self._seen = None


def clean_name(name: str) -> str:
    """A name with its letters composed (NFC) and single spaces."""
    return " ".join(unicodedata.normalize("NFC", name).split())


def check_name(name: str) -> str:
    """The name as it is kept. InputError if it is empty, too long or cannot be printed."""
    name = clean_name(name)
    if not name or len(name) > NAME_MAX or not name.isprintable() or not any(ch.isalnum() for ch in name):
        why = "it is empty" if not name else f"it has {len(name)} characters" if len(name) > NAME_MAX else "it cannot be printed as a name"
        raise InputError("the name cannot be used", quote(name), why, f"give a name of 1 to {NAME_MAX} letters and digits")
    return name


def check_password(name: str, password: str) -> None:
    """InputError if a password is too short or too long, is the name, or hardly more than one character."""
    plain = _normal(password)
    why = ""
    if len(plain) < PASSWORD_MIN:
        why = f"it has fewer than {PASSWORD_MIN} characters"
    elif len(plain) > PASSWORD_MAX:
        why = f"it has more than {PASSWORD_MAX} characters"
    elif not _letters(plain).replace(_letters(name), ""):
        why = "it is the name"
    elif len(set(plain)) < DIFFERENT_MIN:
        why = f"it has fewer than {DIFFERENT_MIN} different characters"
    elif any("\ud800" <= ch <= "\udfff" for ch in plain):
        why = "it is not written in UTF-8"
    if why:
        raise InputError("the password does not do", name, why, f"take several words that nobody would guess, at least {PASSWORD_MIN} characters")


def _normal(password: str) -> str:
    """The same characters whichever keyboard they were typed on (RFC 8265, from memory: NFC for passwords)."""
    return unicodedata.normalize("NFC", password)


def _letters(text: str) -> str:
    return "".join(ch for ch in text.casefold() if ch.isalnum())


def _same(users: Mapping[str, object], name: str) -> str | None:
    """Name as it is kept, of one that may be written in another case."""
    folded = name.casefold()
    return next((kept for kept in users if kept.casefold() == folded), None)


def _user(name: str, kept: Mapping[str, str]) -> User:
    return User(name, hashlib.sha256(kept["password"].encode()).hexdigest()[:32], kept["since"])


def _got(lock: sqlite3.Connection, last: bool) -> bool:
    """Whether the lock is had now; of the ``last`` try the error is raised."""
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        if last or error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
            raise
        return False
    return True


def _no_turn(path: Path, beside: Path, error: sqlite3.Error) -> InputError:
    """Why the lock could not be had, by what SQLite says."""
    what, code = "cannot keep the users", getattr(error, "sqlite_errorcode", 0) & 0xFF  # without what the extended codes add
    if code == sqlite3.SQLITE_BUSY:
        return InputError(
            what, str(path), f"another program has been changing them for {_TURN_S:g} s, or the folder knows no locks, as some on a network",
            "end that program, also one that was only stopped, and try again; keep the file on a disk of this computer",
        )
    if code == sqlite3.SQLITE_NOTADB:
        return InputError(what, str(beside), "the lock beside them is a file of something else", "move it away, then try again")
    return InputError(what, str(beside), f"the lock beside them cannot be used: {error}", "check the owner and the permissions of this file and of its folder")


def _not_kept(path: Path, error: Exception) -> InputError:
    return InputError("cannot keep the users", str(path), getattr(error, "strerror", None) or "write error", "make room, or check the permissions")


def _refuse_open_file(path: Path, state: os.stat_result) -> None:
    if os.name == "posix" and stat.S_IMODE(state.st_mode) & _FOR_OTHERS:
        raise InputError(
            "others can read the file of users", str(path), f"its rights are {stat.S_IMODE(state.st_mode):o}", f"chmod 600 {path}, then set new passwords",
        )


def _users_of(raw: bytes, path: Path) -> dict[str, dict[str, str]]:
    try:
        told = json.loads(raw)
        users = told["users"]
        if len(raw) > _FILE_MAX or told["schema"] != SCHEMA or not all(
            isinstance(kept["password"], str) and _HASHED.fullmatch(kept["password"]) and isinstance(kept["since"], str) for kept in users.values()
        ):
            raise ValueError
        return {str(name): {"password": kept["password"], "since": kept["since"]} for name, kept in users.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise InputError(
            "the file of users cannot be used", str(path), "it is not as this program writes it", "remove it and add the users again",
        ) from None
