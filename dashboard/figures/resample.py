"""Thinning a series for the screen without losing a spike.

The window is cut into pieces of equal width on the axis, as the columns of a screen are, and the lowest and highest sample of
each are kept: whatever the log reached is drawn, and a slow rest gets as many points for its width as a fast pulse. A line is
never drawn across a hole: where readings are missing between two kept samples, it breaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GAP_FACTOR = 5.0
"""A run of missing readings longer than this many usual spacings of the series breaks its line."""
ENDS_SHARE = 8
"""The ends of every unbroken stretch are kept besides, as long as there are fewer stretches than points over this."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Where a series holds readings, and where its line begins anew.

    ``rows`` are the rows that carry a reading, ``None`` if all do; ``starts`` are positions among them at which a new
    stretch begins (0 is not among them).
    """

    rows: np.ndarray | None
    starts: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """Points to draw. ``y`` is NaN where the line breaks; ``complete`` says that every sample is among them.

    ``lonely`` are the indices of samples with a break on both sides: no line shows them.
    """

    x: np.ndarray
    y: np.ndarray
    complete: bool
    samples: int
    lonely: np.ndarray


def breaks_after(time_s: np.ndarray, rows: np.ndarray, gaps: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Which samples a line must not leave towards the next one.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        Times of the samples that carry a reading. [s]
    rows : ndarray of int, shape (m,)
        Their row numbers in the log; a jump of more than one means that readings are missing between.
    gaps : tuple of (start_s, duration_s)
        Gaps of the log itself. [s]

    Returns
    -------
    ndarray of bool, shape (m - 1,)
    """
    if time_s.size < 2:
        return np.zeros(0, dtype=bool)
    spacing = np.diff(time_s)
    positive = spacing[spacing > 0]
    usual = float(np.median(positive)) if positive.size else 0.0
    broken = (np.diff(rows) > 1) & (spacing > GAP_FACTOR * usual)
    return broken | _in_gaps(time_s, gaps)


def _in_gaps(time_s: np.ndarray, gaps: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Which intervals between neighbouring samples span a gap of the log."""
    broken = np.zeros(time_s.size - 1, dtype=bool)
    for start_s, duration_s in gaps:
        # Of the samples up to the start of the gap only the last can have its neighbour beyond the end.
        last = int(np.searchsorted(time_s, start_s + 1e-9, side="right")) - 1
        if 0 <= last < broken.size and time_s[last] < time_s[last + 1] and time_s[last + 1] >= start_s + duration_s - 1e-9:
            broken[last] = True
    return broken


def stretches_of(time_s: np.ndarray, value: np.ndarray, gaps: tuple[tuple[float, float], ...] = ()) -> Stretches:
    """Readings and unbroken stretches of a whole series, to be worked out once."""
    known = np.isfinite(value)
    if known.all():
        broken = _in_gaps(time_s, gaps) if time_s.size > 1 else np.zeros(0, dtype=bool)
        return Stretches(None, np.flatnonzero(broken) + 1)
    rows = np.flatnonzero(known)
    return Stretches(rows, np.flatnonzero(breaks_after(time_s[rows], rows, gaps)) + 1)


def extremes(value: np.ndarray, points: int, x: np.ndarray | None = None) -> np.ndarray:
    """Indices of the lowest and highest of ``points / 2`` pieces of equal width, first and last sample included.

    The width counts along ``x`` (never decreasing), without it in samples.
    """
    if value.size <= points:
        return np.arange(value.size)
    from tsdownsample import MinMaxDownsampler

    wanted = max(4, points - points % 2)
    value = np.ascontiguousarray(value)
    spread = x is not None and x[-1] > x[0]
    given = (np.ascontiguousarray(x), value) if spread else (value,)
    kept = MinMaxDownsampler().downsample(*given, n_out=wanted)
    # Where its last edge is rounded below the last place, the samples that share that place would be left out.
    tail = int(np.searchsorted(x, x[-1] - 2.0 * (x[-1] - x[0]) / (wanted // 2))) if spread and x is not None else value.size - 1
    last = [tail + int(np.argmin(value[tail:])), tail + int(np.argmax(value[tail:]))]
    return np.unique(np.concatenate(([0], kept.astype(np.int64), last, [value.size - 1])))


def thin(
    time_s: np.ndarray,
    value: np.ndarray,
    gaps: tuple[tuple[float, float], ...] = (),
    start_s: float | None = None,
    end_s: float | None = None,
    points: int = 1600,
    along: np.ndarray | None = None,
    stretches: Stretches | None = None,
) -> Thinned:
    """The part of a series between two times, thinned to about ``points`` with every extreme kept.

    One sample beyond each end is kept so that the line reaches the edge of the window.

    Parameters
    ----------
    along : ndarray, optional
        Position of each sample on the axis, never decreasing; without it the time.
    stretches : Stretches, optional
        Of :func:`stretches_of`; worked out here if it is not given.
    """
    along = time_s if along is None else along
    stretches = stretches_of(time_s, value, gaps) if stretches is None else stretches
    low = 0 if start_s is None else max(0, int(np.searchsorted(time_s, start_s, side="left")) - 1)
    high = time_s.size if end_s is None else min(time_s.size, int(np.searchsorted(time_s, end_s, side="right")) + 1)
    if stretches.rows is None:
        x, y = along[low:high], value[low:high]
    else:
        low, high = (int(np.searchsorted(stretches.rows, row)) for row in (low, high))
        rows = stretches.rows[low:high]
        x, y = along[rows], value[rows]
    if not y.size:
        nothing = np.zeros(0)
        return Thinned(nothing, nothing, True, 0, np.zeros(0, dtype=np.int64))
    anew = stretches.starts - low
    anew = anew[(anew > 0) & (anew < y.size)]
    index = extremes(y, points, x)
    if anew.size <= points // ENDS_SHARE:
        index = np.unique(np.concatenate((index, anew - 1, anew)))
    at = np.unique(np.searchsorted(index, anew))
    alone = np.zeros(index.size + 1, dtype=bool)
    alone[at] = alone[[0, -1]] = True
    places = np.flatnonzero(alone[:-1] & alone[1:]) if index.size > 1 else np.zeros(1, dtype=np.int64)
    lonely = places + np.searchsorted(at, places, side="right")  # as many breaks stand before each
    xs, ys = np.insert(x[index], at, x[index[at]]), np.insert(y[index], at, np.nan)
    return Thinned(xs, ys, index.size == y.size, int(y.size), lonely)
