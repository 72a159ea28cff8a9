"""Exact figures of long columns at the cost of a few passes, and what was worked out once of a column kept while it lives.

Sorting a million readings takes as long as forty passes over them. Readings stand on few levels, and a middle lies between two values that a
small sample tells: both give the very same figures as a sort.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Hashable
from functools import partial
from typing import Any, TypeVar

import numpy as np

Kept = TypeVar("Kept")

LONG = 20_000
"""Shorter columns are sorted."""
REMEMBERED_FROM = 500
"""Figures of shorter columns are worked out anew. Rows."""
SAMPLE = 4001
BLOCK = 65_536
"""Rows worked on at once, so that what is in between stays in the processor's own memory."""
LEVELS_MAX = 2_000_000
"""Most places of the table of levels."""
STRANGERS_SHARE = 0.2
"""With more readings than this share off the levels of the sample, the column is sorted."""


def distinct_of(finite: np.ndarray, decimals: int) -> np.ndarray:
    """Distinct values after rounding, rising: ``np.unique(np.round(finite, decimals))``.

    Parameters
    ----------
    finite : ndarray, shape (n,)
        No NaN, no infinities.
    decimals : int

    Notes
    -----
    Levels in a table by their place on a grid that a sample of the rows shows; each reading is held against the level at its place, to the last
    bit, takes that place if it is free, and is sorted with others of its kind if it is not.
    """
    if finite.size < LONG:
        return np.unique(np.round(finite, decimals))
    levels = np.unique(finite[:: max(1, finite.size // SAMPLE)])
    apart = np.diff(levels)
    apart = apart[apart > 10.0 ** -decimals]
    step = 0.5 * float(np.min(apart)) if apart.size else 0.0
    if not step or (levels[-1] - levels[0]) / step > LEVELS_MAX or levels.size > 0.9 * SAMPLE:
        return np.unique(np.round(finite, decimals))
    low = levels[0]
    places = int((levels[-1] - low) / step + 0.5) + 1
    table = np.full(places, np.nan)
    table[((levels - low) / step + 0.5).astype(np.intp)] = levels
    strangers, many = [], 0
    for start in range(0, finite.size, BLOCK):
        part = finite[start : start + BLOCK]
        place = np.clip((part - low) / step + 0.5, 0.0, places - 1.0).astype(np.intp)
        other = table[place] != part
        if np.any(other):
            place, part = place[other], part[other]
            free = np.isnan(table[place])
            table[place[free]] = part[free]
            part = part[table[place] != part]
            strangers.append(np.unique(part))
            many += part.size
            if many > STRANGERS_SHARE * finite.size:
                return np.unique(np.round(finite, decimals))
    return np.unique(np.round(np.concatenate([table[~np.isnan(table)], *strangers]), decimals))


def median_of(values: np.ndarray) -> float:
    """Median of finite values, shape (n,), n >= 1: ``float(np.median(values))``, from those between two values around it that a sample tells."""
    n = values.size
    if n < LONG:
        return float(np.median(values))
    sample = np.sort(values[:: max(1, n // SAMPLE)])
    low, high = sample[int(0.46 * sample.size)], sample[int(0.54 * sample.size)]
    at_low = values >= low
    below = n - int(np.count_nonzero(at_low))
    near = values[at_low & (values <= high)]
    first, second = (n - 1) // 2 - below, n // 2 - below
    if first < 0 or second >= near.size or near.size > 0.5 * n:
        return float(np.median(values))
    near = np.partition(near, (first, second))
    return float(near[first] if first == second else 0.5 * (near[first] + near[second]))


def three_largest(values: np.ndarray) -> tuple[float, float, float]:
    """The largest, second and third largest of some finite values, shape (n,), n >= 3."""
    if values.size >= LONG:
        whole = values.size // 64 * 64
        least = np.sort(np.append(np.max(values[:whole].reshape(-1, 64), axis=1), values[whole:]))[-3]
        # Above the third highest block there are no more values than two blocks hold, and three at least stand as high.
        values = np.append(values[values > least], [least, least, least])
    third, second, first = np.sort(values)[-3:].tolist()
    return first, second, third


def medians_of_three(values: np.ndarray) -> np.ndarray:
    """Median of each value with the two that follow it, for finite values of shape (n,), n >= 3. Shape (n - 2,)."""
    a, b, c = values[:-2], values[1:-1], values[2:]
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


_kept: dict[int, tuple[weakref.ref[np.ndarray], dict[Hashable, tuple[tuple[weakref.ref[np.ndarray], ...], object]]]] = {}


def _drop(shelves: dict[int, Any], first: int, _gone: object) -> None:
    """Forget what was kept of an array that is gone. The shelves come along by themselves: at the end of the program the module's names are gone first."""
    shelves.pop(first, None)


def kept(name: str, work: Callable[[], Kept], *columns: np.ndarray) -> Kept:
    """What ``work`` returns for these columns, kept as long as they live: for read-only columns that nobody can change, as those of a log.

    Views of one array at the same place, of the same length and stride count as the same column. Anything else is worked out anew.
    """
    owners = []
    for column in columns:
        owner = column if column.base is None else column.base
        if column.size < REMEMBERED_FROM or column.flags.writeable or not isinstance(owner, np.ndarray) or owner.flags.writeable or not owner.flags.owndata:
            return work()
        owners.append(owner)
    key = (name, *((c.__array_interface__["data"][0], c.shape, c.strides, c.dtype.str) for c in columns))
    first = id(owners[0])
    if first not in _kept:
        _kept[first] = (weakref.ref(owners[0], partial(_drop, _kept, first)), {})
    shelf = _kept[first][1]
    found = shelf.get(key)
    if found is not None and all(reference() is owner for reference, owner in zip(found[0], owners, strict=True)):
        return found[1]  # type: ignore[return-value]
    value = work()
    shelf[key] = (tuple(weakref.ref(owner) for owner in owners), value)
    return value
