"""What a column of readings tells of its instrument: resolution, noise, the zero of an ammeter, and where readings are missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.log import Log

GAP_RATIO = 5.0
"""An interval this many times as long as those on both sides of it is no sampling any more (the readers' rule for gaps in the clock,
``readers.clock``). Common practice, no source."""
GAP_MIN_S = 30.0
"""Shorter intervals are no gap. [s] Common practice, no source."""


def usual_interval(time_s: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Sampling around some intervals: the larger of the medians of the five before and the five after each, infinite without any.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Never decreasing. [s]
    at : ndarray of int, shape (m,)
        Sample at which each interval begins.

    Returns
    -------
    ndarray, shape (m,)
        [s]
    """
    spans = np.diff(time_s)
    beside = np.full(spans.size + 10, np.nan)
    beside[5:-5] = np.where(spans > 0, spans, np.nan)
    medians = []
    for offset in (0, 6):
        around = np.sort(beside[at[:, None] + offset + np.arange(5)], axis=1)
        count = np.count_nonzero(np.isfinite(around), axis=1)
        rows = np.arange(at.size)
        medians.append(0.5 * (around[rows, np.maximum(count - 1, 0) // 2] + around[rows, np.minimum(count // 2, 4)]))
    return np.nan_to_num(np.fmax(*medians), nan=np.inf)


@dataclass(frozen=True, slots=True)
class Unread:
    """A stretch over which nobody read the current: rows ``before`` and ``after`` are those with a reading on its two sides.

    ``length_s`` is None where it is not known (a joint without a common clock); ``seen`` is True if rows stand in it that lack
    only their current.
    """

    before: int
    after: int
    length_s: float | None
    why: str
    seen: bool


def length_known(why: str) -> bool:
    """Whether the reason of a gap leaves its length known; a joint of files without a common clock does not."""
    return "not known" not in why


def unread_stretches(log: Log) -> tuple[Unread, ...]:
    """Gaps of the log, and rows without a reading of the current for longer than a gap must be (``GAP_RATIO``), in time order.

    Shorter runs of missing readings are no gap: there the current is a straight line between its neighbours.
    """
    valid = np.flatnonzero(np.isfinite(log.current_a))
    if valid.size < 2:
        return ()
    time = log.time_s[valid]
    found: dict[int, Unread] = {}
    for gap in log.reading.gaps:
        k = int(np.searchsorted(log.time_s, gap.start_s + 0.5 * gap.duration_s)) - 1
        at = int(np.searchsorted(valid, k, "right")) - 1
        if k < 0 or not 0 <= at < valid.size - 1:
            continue
        before, after = int(valid[at]), int(valid[at + 1])
        known = length_known(gap.why) and (at not in found or found[at].length_s is not None)
        length = float(gap.duration_s if after == before + 1 else log.time_s[after] - log.time_s[before])
        found[at] = Unread(before, after, length if known else None, gap.why, after > before + 1)
    spans = np.diff(time)
    holes = np.flatnonzero((np.diff(valid) > 1) & (spans > GAP_MIN_S))
    for at in holes[spans[holes] > GAP_RATIO * usual_interval(time, holes)].tolist():
        if at not in found:
            found[at] = Unread(int(valid[at]), int(valid[at + 1]), float(spans[at]), "no readings of the current", True)
    return tuple(found[at] for at in sorted(found))


@dataclass(frozen=True, slots=True)
class CurrentScale:
    """What the current channel can tell: zero reading, noise and rest threshold. [A]"""

    zero_a: float
    noise_a: float
    resolution_a: float
    rest_threshold_a: float
    largest_a: float


def resolution_of(values: np.ndarray) -> float:
    """Smallest step between distinct values, 0 if the values are not on a grid.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    float
        Same unit as ``values``.
    """
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    distinct = np.unique(np.round(finite, 9))
    # Hardly any repeats: no grid to be seen.
    if distinct.size < 2 or distinct.size > 0.9 * finite.size:
        return 0.0
    steps = np.diff(distinct)
    step = float(np.min(steps))
    multiples = steps / step
    if distinct.size >= 6 and np.all(np.abs(multiples - np.round(multiples)) < 0.02):
        return step
    # A step of more than 3 % of the largest value is a level, not a grid.
    return step if step <= 0.03 * float(np.max(np.abs(distinct))) else 0.0


def noise_of(values: np.ndarray) -> float:
    """Standard deviation of sample-to-sample noise by the median absolute second difference.

    Second differences remove a trend; for white noise their standard deviation is sqrt(6) times that of the
    samples (textbook).
    """
    finite = values[np.isfinite(values)]
    if finite.size < 5:
        return 0.0
    second = np.diff(finite, 2)
    return float(1.4826 * np.median(np.abs(second)) / np.sqrt(6.0))


def current_scale(current_a: np.ndarray, voltage_v: np.ndarray | None = None) -> CurrentScale:
    """Zero, noise and rest threshold of a current column.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        NaN = no reading. [A]
    voltage_v : ndarray, shape (n,), optional
        Pack voltage of the same samples: with it, readings up to 4 % of the largest may be the zero of a poor meter; small charge
        currents at the top of the voltage, the end of a taper, are kept out. Without it only 1.2 %. [V]

    The zero is the centre of a cluster of readings near zero, taken only if that cluster is flat in time (the slow end
    of a taper is not a zero).
    """
    known = np.isfinite(current_a)
    current = current_a[known]
    if current.size == 0:
        return CurrentScale(0.0, 0.0, 0.0, 0.0, 0.0)
    # Third largest: one or two stray rows do not set the scale.
    rank = min(3, current.size)
    largest = float(np.partition(np.abs(current), -rank)[-rank])
    if largest <= 0:
        return CurrentScale(0.0, 0.0, 0.0, 1e-9, 0.0)
    resolution = resolution_of(current)
    noise = max(noise_of(current), resolution / np.sqrt(12.0), 1e-5 * largest)
    half_width = max(4.0 * noise, 1.1 * resolution, 0.0015 * largest)
    near = np.flatnonzero(np.abs(current) < 0.012 * largest)
    if voltage_v is not None and np.any(np.isfinite(voltage_v)):
        voltage = voltage_v[known]
        top = np.nan_to_num(voltage, nan=-np.inf) >= 0.9985 * float(np.nanquantile(voltage_v, 0.999))
        charged = bool(np.any(current > 0.05 * largest))
        near = np.flatnonzero((np.abs(current) < 0.04 * largest) & ~((current > 0) & top & charged))
    zero = 0.0
    spread = noise
    if near.size >= 3:
        values = np.sort(current[near])
        counts = np.searchsorted(values, values + half_width, "right") - np.arange(values.size)
        centres = values + 0.5 * half_width
        # Of the clusters that hold enough readings, the one nearest to zero: a taper may dwell longer than a rest lasts.
        enough = counts >= max(3, int(0.03 * near.size))
        pick = np.flatnonzero(enough)[np.argmin(np.abs(centres[enough]))] if np.any(enough) else int(np.argmax(counts))
        centre = float(centres[pick])
        for _ in range(4):
            members = near[np.abs(current[near] - centre) <= 0.5 * half_width * (1.0 + 1e-6)]
            if members.size == 0:
                break
            centre = float(np.median(current[members]))
        third = max(1, members.size // 3)
        drift = abs(np.median(current[members[:third]]) - np.median(current[members[-third:]])) if members.size else np.inf
        if drift <= max(2.0 * noise, 1.1 * resolution):
            zero = centre
            spread = max(noise, float(np.std(current[members])))
    threshold = max(4.5 * spread, 1.1 * resolution, 0.0015 * largest)
    threshold = min(threshold, max(0.01 * largest, 1.1 * resolution))
    return CurrentScale(zero, noise, resolution, threshold, largest)


def straight(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope and value at x = 0 of the least-squares line; without spread in ``x`` slope 0 and the mean.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Finite values, n >= 1.

    Returns
    -------
    slope, level : float
        Units of y over x, and of y.

    References
    ----------
    Least squares of a straight line: any statistics text.
    """
    centre, middle = float(np.mean(x)), float(np.mean(y))
    away = x - centre
    spread = float(away @ away)
    if spread <= 0.0:
        return 0.0, middle
    slope = float(away @ (y - middle)) / spread
    return slope, middle - slope * centre
