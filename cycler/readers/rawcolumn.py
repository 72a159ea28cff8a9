"""One column of a log as it was read: numbers, or texts; and what is often asked of all its numbers, worked out once."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

SAMPLED_ROWS = 20_000
"""Columns with more rows than this are first asked about at as many rows, evenly spread."""


class Extent(NamedTuple):
    """Smallest and largest number of a column (NaN if it holds none) and how many of its cells hold none."""

    low: float
    high: float
    missing: int

    @property
    def size(self) -> float:
        """Largest magnitude; NaN without a number."""
        return max(abs(self.low), abs(self.high))


@dataclass(slots=True)
class RawColumn:
    """One column. ``kind`` is "number" (``values``), "time" or "word" (``texts``).

    ``bad`` marks cells that are neither a value nor 'no reading'. ``unit_in_cells`` is a unit that was
    written behind every number. Put another array in the place of ``values`` or ``texts``, never change one.
    """

    position: int
    name: str
    unit_text: str
    kind: str
    values: np.ndarray | None = None
    texts: np.ndarray | None = None
    bad: np.ndarray | None = None
    unit_in_cells: str = ""
    known: dict = field(default_factory=dict, repr=False, compare=False)

    def once(self, key: str, of: np.ndarray, work):
        """``work()``, kept under ``key`` as long as the column holds the array ``of``."""
        found = self.known.get(key)
        if found is None or found[0]() is not of:
            found = self.known[key] = (weakref.ref(of), work())  # what is known of an array does not keep it
        return found[1]

    def extent(self) -> Extent:
        """Extent of ``values``."""
        return self.once("extent", self.values, lambda: extent_of(self.values))


def extent_of(values: np.ndarray) -> Extent:
    """Extent of an array; infinities count as no number."""
    if not values.size:
        return Extent(np.nan, np.nan, 0)
    low, high = float(values.min()), float(values.max())
    if np.isfinite(low) and np.isfinite(high):
        return Extent(low, high, 0)
    numbers = values[np.isfinite(values)]
    if not numbers.size:
        return Extent(np.nan, np.nan, int(values.size))
    return Extent(float(numbers.min()), float(numbers.max()), int(values.size - numbers.size))


def sampled(values: np.ndarray) -> np.ndarray:
    """The array, or as many of its rows as ``SAMPLED_ROWS``, evenly spread, as a view: for questions that have a clear answer."""
    return values[:: -(-values.shape[0] // SAMPLED_ROWS)] if values.shape[0] > SAMPLED_ROWS else values
