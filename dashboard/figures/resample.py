"""Thinning a series for the screen without losing a spike.

Each unbroken stretch is cut into equal numbers of samples and the lowest and highest of each piece are kept, so
that whatever the log reached is drawn. Stretches are split where readings are missing *before* thinning: a line is
never drawn across a hole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GAP_FACTOR = 5.0
"""A run of missing readings longer than this many usual spacings of the series breaks its line."""


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """Points to draw. ``y`` is NaN where the line breaks; ``complete`` says that every sample is among them."""

    x: np.ndarray
    y: np.ndarray
    complete: bool
    samples: int


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
    for start_s, duration_s in gaps:
        broken |= (time_s[:-1] <= start_s + 1e-9) & (time_s[1:] >= start_s + duration_s - 1e-9) & (spacing > 0)
    return broken


def extremes(value: np.ndarray, points: int) -> np.ndarray:
    """Indices of the lowest and highest of ``points / 2`` equal pieces, first and last sample included."""
    if value.size <= points:
        return np.arange(value.size)
    from tsdownsample import MinMaxDownsampler

    wanted = max(4, points - points % 2)
    kept = MinMaxDownsampler().downsample(np.ascontiguousarray(value), n_out=wanted)
    return np.unique(np.concatenate(([0], kept.astype(np.int64), [value.size - 1])))


def thin(
    time_s: np.ndarray,
    value: np.ndarray,
    gaps: tuple[tuple[float, float], ...] = (),
    start_s: float | None = None,
    end_s: float | None = None,
    points: int = 1600,
) -> Thinned:
    """The part of a series between two times, thinned to about ``points`` with every extreme kept.

    One sample beyond each end is kept so that the line reaches the edge of the window.
    """
    low = 0 if start_s is None else max(0, int(np.searchsorted(time_s, start_s, side="left")) - 1)
    high = time_s.size if end_s is None else min(time_s.size, int(np.searchsorted(time_s, end_s, side="right")) + 1)
    rows = low + np.flatnonzero(np.isfinite(value[low:high]))
    if not rows.size:
        nothing = np.zeros(0)
        return Thinned(nothing, nothing, True, 0)
    x, y = time_s[rows], value[rows]
    broken = breaks_after(x, rows, gaps)
    starts = np.concatenate(([0], np.flatnonzero(broken) + 1))
    ends = np.concatenate((starts[1:], [x.size]))
    xs: list[np.ndarray] = []
    ys: list[np.ndarray] = []
    kept = 0
    for first, last in zip(starts, ends):
        share = max(8, round(points * (last - first) / x.size))
        index = first + extremes(y[first:last], share)
        if xs:
            xs.append(x[[first]])
            ys.append(np.array([np.nan]))
        xs.append(x[index])
        ys.append(y[index])
        kept += index.size
    return Thinned(np.concatenate(xs), np.concatenate(ys), kept == x.size, int(x.size))
