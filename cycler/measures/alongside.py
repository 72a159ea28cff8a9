"""Two discharges (or charges) laid beside each other: time and charge under current, means of many readings, values on a shared axis.

What is measured: for every reading taken under current, how long current had flowed and how much charge had flowed by then, pauses left out, so
that a pulse or a pause before the test does not shift one run against another. Values between readings are those of the monotone cubic
through their neighbours; none is given outside the readings or across a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from cycler.measures.integrate import (
    SECONDS_PER_HOUR,
    bridge_missing,
    cumulative,
    interval_charge_coulomb,
    switch_share,
)
from cycler.signals import GAP_MIN_S, GAP_RATIO, usual_interval

MEANS_MOST = 2000
"""Points that a run is condensed to before two runs are subtracted; each is a mean of as many successive readings as that takes."""


@dataclass(frozen=True, slots=True, eq=False)
class UnderCurrent:
    """Readings of a log that were taken under current.

    Attributes
    ----------
    rows : ndarray of int, shape (m,)
        Their rows in the log.
    piece : ndarray of int, shape (m,)
        Number of the unbroken piece each belongs to; a pause or a gap without readings begins a new one.
    time_s, charge_ah : ndarray, shape (m,)
        How long current had flowed [s], and the charge that had flowed [Ah], both from the switching on, never falling.
    holes : tuple of int
        Pieces that end at a gap in the readings, over which nothing is known of the voltage.
    u_start_s : float
        Standard uncertainty of when current came on, between two readings; that of several stretches together. [s]
    """

    rows: np.ndarray
    piece: np.ndarray
    time_s: np.ndarray
    charge_ah: np.ndarray
    holes: tuple[int, ...] = ()
    u_start_s: float = 0.0


def under_current(time_s: np.ndarray, current_a: np.ndarray, spans: Sequence[tuple[float, float]]) -> UnderCurrent:
    """Readings within some stretches of time, with the time and the charge under current.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Time never decreasing [s]; current of either sign [A].
    spans : sequence of (start_s, end_s)
        First and last reading under current of each stretch, in order. [s]

    Notes
    -----
    Charge is the trapezoid between readings; the interval in which current was switched counts by :func:`integrate.switch_share`, so that the
    charge at the end is that of the capacity but for the crossing of the cut-off between two readings.
    """
    rows, pieces, times, charges, holes = [], [], [], [], []
    seconds, coulomb, piece, start_square = 0.0, 0.0, -1, 0.0
    for start_s, end_s in spans:
        first = int(np.searchsorted(time_s, start_s - 1e-6, side="left"))
        last = int(np.searchsorted(time_s, end_s + 1e-6, side="right")) - 1
        if last < first:
            continue
        at = time_s[first : last + 1]
        current = np.abs(np.nan_to_num(bridge_missing(at, current_a[first : last + 1])))
        share, u_share, _evidence = switch_share(time_s, first - 1) if first else (0.0, 0.0, "")
        before = at[0] - time_s[first - 1] if first else 0.0
        lead = share * before
        # A pause in the recording before the first reading is no switching interval: nothing is known of it.
        near = lead <= GAP_MIN_S or (at.size > 1 and lead <= GAP_RATIO * (at[1] - at[0]))
        lead, start_square = (lead, start_square + (u_share * before) ** 2) if near else (0.0, start_square)
        seconds, coulomb = seconds + lead, coulomb + lead * current[0]
        flowed = cumulative(interval_charge_coulomb(at, current))
        broken = _gaps(at)
        own = np.zeros(at.size, dtype=int)
        own[broken + 1] = 1
        number = piece + 1 + np.cumsum(own)
        holes += [int(number[k]) for k in broken]
        rows.append(np.arange(first, last + 1))
        pieces.append(number)
        times.append(seconds + at - at[0])
        charges.append(coulomb + flowed)
        seconds, coulomb, piece = float(times[-1][-1]), float(charges[-1][-1]), int(number[-1])
        if last + 1 < time_s.size:
            left = time_s[last + 1] - time_s[last]
            tail = (1.0 - switch_share(time_s, last)[0]) * left if left <= GAP_MIN_S else 0.0
            seconds, coulomb = seconds + tail, coulomb + tail * current[-1]
    if not rows:
        nothing = np.zeros(0)
        return UnderCurrent(nothing.astype(int), nothing.astype(int), nothing, nothing)
    return UnderCurrent(
        np.concatenate(rows), np.concatenate(pieces), np.concatenate(times), np.concatenate(charges) / SECONDS_PER_HOUR, tuple(holes),
        float(np.sqrt(start_square)),
    )


def with_readings(under: UnderCurrent, time_s: np.ndarray, known: np.ndarray) -> UnderCurrent:
    """Only those readings that have a value of another column; where it is missing for longer than a gap must be, a new piece begins.

    Parameters
    ----------
    under : UnderCurrent
    time_s : ndarray, shape (n,)
        Time of every row of the log. [s]
    known : ndarray of bool, shape (m,)
        Which of the readings under current have the value.
    """
    if known.all():
        return under
    kept = np.flatnonzero(known)
    rows, piece = under.rows[kept], under.piece[kept]
    skipped = np.flatnonzero(np.diff(kept) > 1)
    missing = np.intersect1d(_gaps(time_s[rows]), skipped) if rows.size else skipped
    missing = missing[piece[missing] == piece[missing + 1]]
    anew = np.concatenate(([0], np.diff(piece) > 0)).astype(int)[: rows.size]
    anew[missing + 1] = 1
    number = np.cumsum(anew)
    ends = {int(number[k]) for k in missing}
    for hole in under.holes:
        last = np.flatnonzero(piece <= hole)
        if last.size and last[-1] + 1 < rows.size:
            ends.add(int(number[last[-1]]))
    return UnderCurrent(rows, number, under.time_s[kept], under.charge_ah[kept], tuple(sorted(ends)), under.u_start_s)


def _gaps(time_s: np.ndarray) -> np.ndarray:
    """Readings after which comes a gap, by the rule of the whole project for gaps."""
    long = np.flatnonzero(np.diff(time_s) > GAP_MIN_S)
    if not long.size:
        return long
    return long[np.diff(time_s)[long] > GAP_RATIO * usual_interval(time_s, long)]


def means(piece: np.ndarray, columns: Sequence[np.ndarray], most: int = MEANS_MOST) -> tuple[np.ndarray, list[np.ndarray]]:
    """Means of as many successive readings as bring a run down to about ``most`` points; no mean reaches over two pieces.

    Parameters
    ----------
    piece : ndarray of int, shape (m,)
        Never falling.
    columns : sequence of ndarray, shape (m,)
        Must be finite.

    Returns
    -------
    (ndarray of int, list of ndarray), shape (k,)
        Pieces and means. Given back as they are if there are ``most`` or fewer.
    """
    if piece.size <= most:
        return piece, list(columns)
    width = -(-piece.size // most)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(piece)) + 1, [piece.size]))
    starts = np.concatenate([np.arange(a, b, width) for a, b in pairwise(edges)])
    counts = np.diff(np.concatenate((starts, [piece.size])))
    return piece[starts], [np.add.reduceat(column, starts) / counts for column in columns]


def scatter(y: np.ndarray) -> float:
    """Standard deviation of the noise of successive values of a smooth curve, in their unit; 0 for fewer than five.

    A second difference of white noise has six times its variance; half of them lie within 0.6745 standard deviations of a normal
    distribution, so that steps and knees do not count. Closed forms.
    """
    return float(np.median(np.abs(np.diff(y, 2))) / (0.6745 * np.sqrt(6.0))) if y.size >= 5 else 0.0


def rising(x: np.ndarray) -> np.ndarray:
    """Which values lie above all before them. Shape (n,) in, bool (n,) out; the first is one."""
    if not x.size:
        return np.zeros(0, dtype=bool)
    before = np.concatenate(([-np.inf], np.maximum.accumulate(x)[:-1]))
    return x > before


def monotone_at(x: np.ndarray, y: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Values of the monotone cubic through some points, NaN outside them.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Strictly increasing abscissa, n of 2 or more for any value.
    at : ndarray, shape (k,)

    Notes
    -----
    Piecewise cubic that overshoots at no point: slopes are the weighted harmonic mean of those on both sides, zero at an extreme, ends by three points.
    F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory); held against scipy's PchipInterpolator in the tests.
    """
    found = np.full(at.shape, np.nan)
    if x.size < 2:
        return found
    h = np.diff(x)
    secant = np.diff(y) / h
    inside = (at >= x[0]) & (at <= x[-1])
    k = np.clip(np.searchsorted(x, at[inside], side="right") - 1, 0, x.size - 2)
    slope = _slopes(h, secant)
    s = (at[inside] - x[k]) / h[k]
    found[inside] = (
        (1 + 2 * s) * (1 - s) ** 2 * y[k] + s**2 * (3 - 2 * s) * y[k + 1] + h[k] * s * (1 - s) * ((1 - s) * slope[k] - s * slope[k + 1])
    )
    return found


def _slopes(h: np.ndarray, secant: np.ndarray) -> np.ndarray:
    if h.size == 1:
        return np.array([secant[0], secant[0]])
    left, right = secant[:-1], secant[1:]
    w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    same = left * right > 0
    inner = np.zeros(left.size)
    inner[same] = (w1 + w2)[same] / (w1[same] / left[same] + w2[same] / right[same])
    return np.concatenate(([_end(h[0], h[1], secant[0], secant[1])], inner, [_end(h[-1], h[-2], secant[-1], secant[-2])]))


def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if slope * d0 <= 0:
        return 0.0
    return 3 * d0 if d0 * d1 <= 0 and abs(slope) > 3 * abs(d0) else float(slope)
