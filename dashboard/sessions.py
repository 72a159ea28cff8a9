"""Who is signed in, and how often somebody tried to: kept in memory, bounded, gone when the program ends."""

from __future__ import annotations

import hashlib
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from cycler.users import User

IDLE_S = 12 * 3600.0
"""A session ends after this long without any call: a working day. [s]"""
LASTS_S = 7 * 24 * 3600.0
"""A session ends this long after the sign-in, whatever is called. [s]"""
SESSIONS_MAX = 2000
OF_ONE_MAX = 20
"""Sessions that one user may have at once; the longest unused one ends."""

NAME_TRIES, ADDRESS_TRIES = 5, 20
"""Wrong tries for one name, and from one address, before the next one has to wait."""
WAIT_FIRST_S, WAIT_MAX_S = 30.0, 900.0
"""Wait after these; it doubles with each further try. [s]"""
TRIES_FORGOTTEN_S = 3600.0
"""Wrong tries count for this long after the last one. [s]"""
KEYS_MAX = 4096
"""Names and addresses of which wrong tries are kept."""


def awake_or_not_s() -> float:
    """A clock that nobody can set, and that goes on while the computer sleeps where the system has one. [s]"""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.clock_gettime(boot) if boot is not None else time.monotonic()


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that is signed in; ``key`` names it without being what the browser sends."""

    key: str
    user: User
    began: float
    used: float


class Sessions:
    """Sessions by the digest of a random token that only the browser holds."""

    def __init__(self, clock: Callable[[], float] = awake_or_not_s) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: dict[str, Session] = {}

    def begin(self, user: User) -> str:
        """A new session; returns its token (256 bits)."""
        token, now = secrets.token_urlsafe(32), self._clock()
        key = _digest(token)
        with self._lock:
            self._kept = {one: kept for one, kept in self._kept.items() if self._holds(kept, now)}
            own = [kept for kept in self._kept.values() if kept.user.name == user.name]
            crowd = own if len(own) >= OF_ONE_MAX else list(self._kept.values()) if len(self._kept) >= SESSIONS_MAX else []
            if crowd:
                del self._kept[min(crowd, key=lambda kept: kept.used).key]
            self._kept[key] = Session(key, user, now, now)
        return token

    def find(self, token: str | None) -> Session | None:
        """The session of a token, used now; ``None`` if there is none or it has ended."""
        if not token or len(token) > 200:
            return None
        now, key = self._clock(), _digest(token)
        with self._lock:
            found = self._kept.get(key)
            if found is None:
                return None
            if not self._holds(found, now):
                del self._kept[key]
                return None
            self._kept[key] = found = replace(found, used=now)
            return found

    def end(self, token: str | None) -> None:
        """End the session of a token."""
        with self._lock:
            self._kept.pop(_digest(token or ""), None)

    @staticmethod
    def _holds(kept: Session, now: float) -> bool:
        return now - kept.used < IDLE_S and now - kept.began < LASTS_S


@dataclass(frozen=True, slots=True)
class _Tries:
    wrong: int
    last: float
    closed_until: float


class Attempts:
    """Wrong tries to sign in. A try counts as wrong from its begin until it proves right, so that many at once gain nothing."""

    def __init__(self, clock: Callable[[], float] = awake_or_not_s) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: dict[str, _Tries] = {}

    def begin(self, name: str, address: str) -> float:
        """Count a try. Returns 0, or how long whoever tries has to wait; the try is not to be made then. [s]"""
        now = self._clock()
        with self._lock:
            keys = ((_name_key(name), NAME_TRIES), (_address_key(address), ADDRESS_TRIES))
            wait = max(self._wait(key, now) for key, _free in keys)
            if wait > 0:
                return wait
            for key, free in keys:
                self._count(key, free, now)
        return 0.0

    def right(self, name: str, address: str) -> None:
        """The try begun last was right: wrong ones for the name are forgotten, those from the address stay."""
        with self._lock:
            self._kept.pop(_name_key(name), None)
            key = _address_key(address)
            if key in self._kept:
                kept = self._kept[key]
                self._kept[key] = replace(kept, wrong=kept.wrong - 1, closed_until=0.0)

    def _wait(self, key: str, now: float) -> float:
        kept = self._kept.get(key)
        return 0.0 if kept is None else kept.closed_until - now

    def _count(self, key: str, free: int, now: float) -> None:
        kept = self._kept.pop(key, None)
        wrong = 1 if kept is None or now - max(kept.last, kept.closed_until) > TRIES_FORGOTTEN_S else kept.wrong + 1
        wait = min(WAIT_FIRST_S * 2.0 ** min(wrong - free, 20), WAIT_MAX_S) if wrong >= free else 0.0
        while len(self._kept) >= KEYS_MAX:  # the oldest of those with the fewest: names without end drive out no name that is closed
            del self._kept[min(self._kept, key=lambda one: self._kept[one].wrong)]
        self._kept[key] = _Tries(wrong, now, now + wait if wait else 0.0)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _name_key(name: str) -> str:
    return "name " + _digest(name.casefold())[:32]


def _address_key(address: str) -> str:
    """An IPv6 address counts as its network of 64 bits: one computer may take any address in it."""
    try:
        known = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "from " + address[:60]
    if isinstance(known, ipaddress.IPv6Address) and known.ipv4_mapped is None:
        return f"from {ipaddress.ip_network((known, 64), strict=False)}"
    return f"from {getattr(known, 'ipv4_mapped', None) or known}"


def seconds_in_words(seconds: float, words: Sequence[str]) -> str:
    """A wait in whole seconds, or in whole minutes from two minutes on; ``words`` are both with ``{n}``."""
    n = max(1, int(-(-seconds // 1)))
    return words[0].format(n=n) if n < 120 else words[1].format(n=-(-n // 60))
