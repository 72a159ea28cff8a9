"""What the parts of the door share: the register that is open, and values kept in memory."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from cycler.register import Register

Sources = Sequence[tuple[str, bytes]]
"""Logs as (name, bytes)."""


class Opened:
    """An open register; the parts of the door build on it."""

    _register: Register
    _key_path: str | Path | None


class _Slot:
    """A value that one thread fills; the lock is its own."""

    __slots__ = ("filled", "lock", "value")

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.filled = False
        self.value: Any = None


class Kept:
    """Last used values by key; one thread fills a key, others that want the same one wait. Nothing is kept of a failure."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._slots: OrderedDict[Any, _Slot] = OrderedDict()
        self._lock = threading.Lock()

    def has(self, key: Any) -> bool:
        """Whether a value is there without any wait."""
        with self._lock:
            slot = self._slots.get(key)
        return slot is not None and slot.filled

    def get(self, key: Any, make: Callable[[], Any]) -> Any:
        with self._lock:
            slot = self._slots.setdefault(key, _Slot())
            self._slots.move_to_end(key)
            while len(self._slots) > self._size:
                self._slots.popitem(last=False)
        with slot.lock:
            if not slot.filled:
                try:
                    slot.value = make()
                except BaseException:
                    with self._lock:
                        if self._slots.get(key) is slot:
                            del self._slots[key]
                    raise
                slot.filled = True
            return slot.value
