"""One thing that was looked at when a record was checked, and how differences are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

GOOD, BAD, NOT_CHECKED = "good", "bad", "not_checked"
DETAILS_MAX = 12
"""How many differences a check names; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Check:
    """``result`` is good, bad or not_checked; ``details`` are differences by name, see :func:`some`."""

    id: str
    result: str
    text: str
    details: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {"id": self.id, "result": self.result, "text": self.text, "details": list(self.details)}


def some(found: Sequence[str]) -> tuple[str, ...]:
    """The first ``DETAILS_MAX`` of what was found, and a count of the rest."""
    rest = len(found) - DETAILS_MAX
    return tuple(found[:DETAILS_MAX]) + ((f"and {rest} more",) if rest > 0 else ())


def count(number: int, one: str, many: str) -> str:
    """"1 part differs", "3 parts differ"."""
    return f"{number} {one if number == 1 else many}"
