"""Clocks coarser than the sampling, and two clocks side by side."""

from __future__ import annotations

import numpy as np


def spread_ticks(t: np.ndarray) -> tuple[np.ndarray, int]:
    """Rows of one stamp spread evenly until the next, and the number of rows in the longest such run.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Never decreasing, with two different stamps at least. [s]

    Notes
    -----
    Each run keeps its own spacing, so that a change of the sampling is none of the clock. Only a run whose stamp lasts longer
    than the clock's own tick can hold a pause; its rows follow as those of the run before, inside one tick.
    """
    n = t.size
    starts = np.flatnonzero(np.concatenate([[True], np.diff(t) > 0]))
    lengths = np.diff(np.concatenate([starts, [n]]))
    ticks = np.diff(t[starts])
    own = float(np.percentile(ticks, 5))
    spacing = np.concatenate([ticks / lengths[:-1], [np.inf]])
    before = np.concatenate([[np.inf], spacing[:-1]])
    after = np.concatenate([spacing[1:-1], [0.0, 0.0]])
    beside = np.maximum(np.where(np.isfinite(before), before, 0.0), after)
    paused = np.concatenate([ticks > 1.5 * own, [True]]) & (spacing > 3 * beside)
    for run in np.flatnonzero(paused):
        # In order, so that each takes what its neighbour was given; without one before, the one after.
        near = spacing[run - 1] if run else (spacing[1] if spacing.size > 1 else np.inf)
        spacing[run] = min(near, own / lengths[run])
    within = np.arange(n) - np.repeat(starts, lengths)
    spread = np.repeat(t[starts], lengths) + within * np.repeat(spacing, lengths)
    # A stamp in which the sampling changed from that of the run before to that of the run after holds rows of both.
    left, right = spacing[:-2], spacing[2:]
    low, high = np.minimum(left, right), np.maximum(left, right)
    mixed = (spacing[1:-1] > 1.3 * low) & (spacing[1:-1] < high / 1.3) & ~(paused[:-2] | paused[1:-1] | paused[2:])
    for run in np.flatnonzero(mixed) + 1:
        first, last = spacing[run - 1], spacing[run + 1]
        count = (ticks[run] - lengths[run] * last) / (first - last)
        place = np.arange(lengths[run])
        spread[starts[run]: starts[run] + lengths[run]] = t[starts[run]] + np.minimum(place, count) * first + np.maximum(place - count, 0.0) * last
    first = int(lengths[0])
    if not paused[0]:
        # The first run may have begun before the log: its rows stand back from the next stamp.
        near = min(spacing[0], spacing[1])
        spread[:first] = t[starts[1]] - (first - np.arange(first)) * near
    return np.maximum.accumulate(spread), int(lengths.max())


def pace_of(elapsed_s: np.ndarray, wall_s: np.ndarray) -> float | None:
    """How far the first clock moves while the second moves by one; None if the second stands still.

    Of the whole and of the medians over finer and finer portions, the value nearest to 1: pauses that only one of the clocks
    counts spoil the whole, ticks coarser than the rows spoil the fine portions, and a wrong unit spoils all of them.
    """
    found = []
    last = elapsed_s.size - 1
    for portions in (1, 10, 100, 1000, last):
        if not 1 <= portions <= last:
            continue
        edges = np.unique(np.round(np.linspace(0, last, portions + 1)).astype(int))
        moved, passed = np.diff(elapsed_s[edges]), np.diff(wall_s[edges])
        both = (moved > 0) & (passed > 0)
        if both.any():
            found.append(float(np.median(moved[both] / passed[both])))
    return min(found, key=lambda pace: abs(np.log(pace))) if found else None
