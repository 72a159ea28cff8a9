"""What a column of readings tells of its instrument: resolution, noise, the zero of an ammeter, and where readings are missing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from cycler.longcolumns import distinct_of, kept, median_of, three_largest

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
    if at.size == 0 or time_s.size < 2:
        return np.full(at.size, np.inf)
    medians = []
    for offset in (-5, 1):
        place = at[:, None] + offset + np.arange(5)
        inside = np.clip(place, 0, time_s.size - 2)
        beside = time_s[inside + 1] - time_s[inside]
        around = np.sort(np.where((place == inside) & (beside > 0), beside, np.nan), axis=1)
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


def pack_voltage(log: Log) -> np.ndarray:
    """Pack voltage of each sample; the sum of the groups where only groups were logged, not known if one of them was left out. [V]"""
    if log.series == 0 or log.left_out or kept("any reading", lambda: bool(np.any(np.isfinite(log.voltage_v))), log.voltage_v):
        return log.voltage_v

    def added() -> np.ndarray:
        total = np.sum(log.group_voltage_v, axis=1)
        total.flags.writeable = False
        return total

    return kept("pack_voltage", added, log.group_voltage_v)


def length_known(why: str) -> bool:
    """Whether the reason of a gap leaves its length known; a joint of files without a common clock does not."""
    return "not known" not in why


def unread_stretches(log: Log) -> tuple[Unread, ...]:
    """Gaps of the log, and rows without a reading of the current for longer than a gap must be (``GAP_RATIO``), in time order.

    Shorter runs of missing readings are no gap: there the current is a straight line between its neighbours.
    """
    # ``kept`` holds it by the columns; the gaps are the reading's, not theirs.
    return kept(f"unread {log.reading.gaps}", lambda: _unread_stretches(log), log.current_a, log.time_s)


def _unread_stretches(log: Log) -> tuple[Unread, ...]:
    valid = np.flatnonzero(np.isfinite(log.current_a))
    if valid.size < 2:
        return ()
    time = log.time_s if valid.size == log.rows else log.time_s[valid]
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
    return kept("resolution", lambda: _resolution_of(values), values)


def all_finite(values: np.ndarray) -> np.ndarray:
    """The finite ones of some values, shape (n,): the very same array, not a copy, where all of them are."""
    finite = np.isfinite(values)
    return values if finite.all() else values[finite]


def _resolution_of(values: np.ndarray) -> float:
    finite = all_finite(values)
    if finite.size < 3:
        return 0.0
    distinct = distinct_of(finite, 9)
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
    return kept("noise", lambda: _noise_of(values), values)


def _noise_of(values: np.ndarray) -> float:
    finite = all_finite(values)
    if finite.size < 5:
        return 0.0
    second = np.abs(np.diff(finite, 2))
    return float(1.4826 * median_of(second) / np.sqrt(6.0))


def largest_of(current_a: np.ndarray) -> float:
    """Largest current of a log: the third largest reading, as one or two stray rows do not set the scale; or the second, where the first two
    are neighbours, alike within a fifth, and more than three times the third: a load of two rows. [A]"""
    return kept("largest", lambda: _largest_of(current_a), current_a)


def _largest_of(current_a: np.ndarray) -> float:
    size = np.abs(current_a)
    if size.size < 3:
        return float(np.min(size))
    first, second, third = three_largest(size)
    if second >= 0.8 * first and second > 3.0 * third:
        rows = np.flatnonzero(size >= second)
        if rows[-1] - rows[0] == 1:
            return second
    return third


ZERO_SHARE = 0.04
"""Largest zero error, as a share of the largest current, that is looked for; with a small load up to twice that share, at most
``ZERO_MAX_A``. Common practice, no source."""
ZERO_MAX_A = 0.04
MOVED_SHARE = 0.2
"""A reading under which voltage goes this share of the log's range in its direction is a current, not a zero. Common practice, no source."""


def _moves_voltage(rows: np.ndarray, voltage: np.ndarray | None, current_a: float) -> bool:
    """Whether the pack is charged (or discharged) over these rows (rising), as the sign of the current says.

    The second halves of all unbroken runs count, where what went before has died away; breaks of up to three rows do not count.
    """
    if voltage is None or rows.size < 4:
        return False
    finite = voltage[np.isfinite(voltage)]
    span = float(np.subtract(*np.quantile(finite, [0.99, 0.01]))) if finite.size else 0.0
    ends = np.flatnonzero(np.diff(rows) > 4)
    first, last = np.append(0, ends + 1), np.append(ends, rows.size - 1)
    moved = np.subtract(voltage[rows[last]], voltage[rows[(first + last) // 2]])
    moved = moved[np.isfinite(moved)]
    return bool(np.sign(current_a) * np.nansum(moved) > MOVED_SHARE * span > 0)


def _noise_within(values: np.ndarray, rows: np.ndarray) -> float | None:
    """:func:`noise_of` over triples of neighbouring rows that all lie in ``rows`` (rising); None with fewer than ten of them."""
    if rows.size < 12:
        return None
    inner = rows[1:-1][(rows[2:] - rows[:-2]) == 2]
    if inner.size < 10:
        return None
    second = np.abs(values[inner - 1] - 2.0 * values[inner] + values[inner + 1])
    # On a coarse display the median may be 0; the mean (0.798 of a normal distribution's deviation) is not.
    mean = float(np.mean(np.minimum(second, np.quantile(second, 0.95)))) / 0.798
    return max(1.4826 * float(np.median(second)), mean) / math.sqrt(6.0)


def current_scale(current_a: np.ndarray, voltage_v: np.ndarray | None = None) -> CurrentScale:
    """Zero, noise and rest threshold of a current column.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        NaN = no reading. [A]
    voltage_v : ndarray, shape (n,), optional
        Pack voltage of the same samples: with it, readings up to ``ZERO_SHARE`` of the largest current may be the zero of a poor meter; small charge
        currents at the top of the voltage, the end of a taper, are kept out, and so is what charges or discharges the pack. Without it
        only 1.2 %. [V]

    The zero is the centre of a cluster of readings near zero, taken only if that cluster is flat in time (the slow end
    of a taper is not a zero).
    """
    columns = (current_a,) if voltage_v is None else (current_a, voltage_v)
    return kept("current scale", lambda: _current_scale(current_a, voltage_v), *columns)


def _current_scale(current_a: np.ndarray, voltage_v: np.ndarray | None) -> CurrentScale:
    known = np.isfinite(current_a)
    rows: slice | np.ndarray = slice(None) if known.all() else known
    current = current_a[rows]
    if current.size == 0:
        return CurrentScale(0.0, 0.0, 0.0, 0.0, 0.0)
    largest = largest_of(current)
    if largest <= 0:
        return CurrentScale(0.0, 0.0, 0.0, 1e-9, 0.0)
    resolution = resolution_of(current)
    noise = max(noise_of(current), resolution / np.sqrt(12.0), 1e-5 * largest)
    half_width = max(4.0 * noise, 1.1 * resolution, 0.0015 * largest)
    near = np.flatnonzero(np.abs(current) < 0.012 * largest)
    voltage = None if voltage_v is None else voltage_v[rows]
    if voltage_v is not None and np.any(np.isfinite(voltage_v)):
        top = np.nan_to_num(voltage, nan=-np.inf) >= 0.9985 * float(np.nanquantile(voltage_v, 0.999))
        charged = bool(np.any(current > 0.05 * largest))
        widest = max(ZERO_SHARE * largest, min(ZERO_MAX_A, 2.0 * ZERO_SHARE * largest))
        near = np.flatnonzero((np.abs(current) < widest) & ~((current > 0) & top & charged))
    zero = 0.0
    spread = noise
    at_rest = _noise_within(current, near)
    if at_rest is not None:
        # Ripple of a load is no noise of the meter: what it shows near zero is.
        noise = max(at_rest, resolution / np.sqrt(12.0), 1e-5 * largest)
        half_width = max(4.0 * noise, 1.1 * resolution, 0.0015 * largest)
        spread = noise
    if near.size >= 3:
        values = np.sort(current[near])
        counts = np.searchsorted(values, values + half_width, "right") - np.arange(values.size)
        centres = values + 0.5 * half_width
        # Of the clusters that hold enough readings, the one nearest to zero: a taper may dwell longer than a rest lasts.
        enough = counts >= max(3, int(0.03 * near.size))
        pick = np.flatnonzero(enough)[np.argmin(np.abs(centres[enough]))] if np.any(enough) else int(np.argmax(counts))
        centre = float(centres[pick])
        for _ in range(30):
            members = near[np.abs(current[near] - centre) <= 0.5 * half_width * (1.0 + 1e-6)]
            if members.size == 0 or (moved := float(np.median(current[members]))) == centre:
                break
            centre = moved
        third = max(1, members.size // 3)
        drift = abs(np.median(current[members[:third]]) - np.median(current[members[-third:]])) if members.size else np.inf
        moves = abs(centre) > 0.012 * largest and _moves_voltage(members, voltage, centre)
        if drift <= max(2.0 * noise, 1.1 * resolution) and not moves:
            zero = centre
            spread = max(noise, float(np.std(current[members])))
    threshold = max(4.5 * spread, 1.1 * resolution, 0.0015 * largest)
    threshold = min(threshold, max(0.01 * largest, 1.1 * resolution, 4.5 * at_rest if at_rest is not None else 0.0))
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
