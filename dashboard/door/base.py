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


class Kept:
    """Last used values by key; one thread fills a key, the others wait."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._values: OrderedDict[Any, Any] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Any, make: Callable[[], Any]) -> Any:
        with self._lock:
            if key not in self._values:
                self._values[key] = make()
                while len(self._values) > self._size:
                    self._values.popitem(last=False)
            self._values.move_to_end(key)
            return self._values[key]
