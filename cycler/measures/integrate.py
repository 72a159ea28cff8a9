"""Charge and energy between two samples; the only integrator of the project.

Rule in use: trapezoid for current and for power (product of the sampled voltage and current) between samples. The
interval in which the load or charger is switched is treated apart, since there current is no straight line:
``new_share`` says which share of the interval already belonged to the new level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.signals import GAP_MIN_S, GAP_RATIO, usual_interval

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class Switch:
    """A switch of current between sample ``k`` and ``k + 1``.

    ``new_share`` in 0..1 is the share of the interval that ran at the new level; ``u_new_share`` its standard
    uncertainty; ``evidence`` one of ``step_clock``, ``recorder_switched``, ``unknown``.
    """

    k: int
    new_share: float
    u_new_share: float
    evidence: str


def switch_share(
    time_s: np.ndarray, k: int, step_time_s: np.ndarray | None = None
) -> tuple[float, float, str]:
    """Share of the interval from sample ``k`` to ``k + 1`` that ran at the new level, and how we know.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        [s]
    k : int
        Last sample of the old level.
    step_time_s : ndarray, shape (n,), or None
        The instrument's own time since its step began. [s]

    Returns
    -------
    share, u_share, evidence
        ``step_clock``: the instrument's own step clock tells the instant. ``recorder_switched``: the interval across
        the switch is a little longer than those before and after it, so the recorder itself did the switching and, as
        such programs do, acted after it had written its row: the whole interval ran at the new level. ``unknown``: the
        recorder ran on regardless; the instant is anywhere in the interval, share 1/2 (rectangular, u = 1/sqrt(12)).

    Notes
    -----
    Common practice, no source; checked on the openly published discharge data of the NASA battery set, whose own
    capacity figures count the whole first interval.
    """
    span = float(time_s[k + 1] - time_s[k])
    if span <= 0:
        return 1.0, 0.0, "step_clock"
    if step_time_s is not None and np.isfinite(step_time_s[k + 1]):
        since = float(step_time_s[k + 1])
        before = step_time_s[k]
        restarted = np.isfinite(before) and since < before
        if 0 <= since <= span * 1.01 + 1e-6 and (restarted or before == 0):
            return min(since / span, 1.0), 0.02, "step_clock"
    after = np.diff(time_s[k + 1 : k + 9])
    if after.size >= 4:
        usual = float(np.median(after))
        scatter = 1.4826 * float(np.median(np.abs(after - usual)))
        before = float(time_s[k] - time_s[k - 1]) if k else np.nan
        late = usual > 0 and max(6.0 * scatter, 0.02 * usual) < span - usual < 0.5 * usual
        if late and not abs(span - before) <= 0.02 * span:
            return 1.0, 0.15, "recorder_switched"
    return 0.5, 1.0 / np.sqrt(12.0), "unknown"


def interval_charge_coulomb(
    time_s: np.ndarray, current_a: np.ndarray, switches: tuple[Switch, ...] = ()
) -> np.ndarray:
    """Charge that flows between neighbouring samples.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Time never decreasing [s]; current, charge positive [A]. A NaN makes the two intervals beside it NaN.
    switches : tuple of Switch
        Intervals to be split between old and new level instead of the trapezoid.

    Returns
    -------
    ndarray, shape (n - 1,)
        [C], positive = charged.

    Raises
    ------
    ValueError
        Shapes differ, or time decreases (says at which index).
    """
    _check(time_s, current_a)
    span = np.diff(time_s)
    charge = 0.5 * (current_a[1:] + current_a[:-1]) * span
    for switch in switches:
        old, new = current_a[switch.k], current_a[switch.k + 1]
        charge[switch.k] = span[switch.k] * (switch.new_share * new + (1.0 - switch.new_share) * old)
    return charge


def interval_energy_joule(
    time_s: np.ndarray, voltage_v: np.ndarray, current_a: np.ndarray, switches: tuple[Switch, ...] = ()
) -> np.ndarray:
    """Energy that flows between neighbouring samples: trapezoid of the product voltage x current.

    Shapes, units and errors as in :func:`interval_charge_coulomb`; result in joule.
    """
    return interval_charge_coulomb(time_s, voltage_v * current_a, switches)


def cumulative(intervals: np.ndarray) -> np.ndarray:
    """Running sum from 0 at the first sample, shape (n,); NaN intervals count as zero."""
    running = np.zeros(intervals.size + 1)
    np.cumsum(intervals if np.isfinite(intervals).all() else np.nan_to_num(intervals), out=running[1:])
    return running


def bridge_missing(time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values with missing readings filled by the straight line between their neighbours, however far apart.

    Leading and trailing NaN stay. Shapes (n,) in and out. What a line over a long run is worth is the caller's to say: see
    ``steps.unread_stretches`` for the current and :func:`missing_runs` for what a line leaves open.
    """
    known = np.isfinite(values)
    if np.all(known) or not np.any(known):
        return values
    filled = np.interp(time_s, time_s[known], values[known])
    edges = np.flatnonzero(known)
    filled[: edges[0]] = np.nan
    filled[edges[-1] + 1 :] = np.nan
    return filled


def missing_runs(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Last known sample before and first after each run of missing readings that is longer than the sampling around it.

    A column that was only ever written in every fifth row has no such run. Runs at the start and the end of the column are left out.
    Shapes (n,) in, two times (m,) out.
    """
    known = np.flatnonzero(np.isfinite(values))
    if known.size == values.size or known.size < 2:
        return np.empty(0, int), np.empty(0, int)
    holes = np.flatnonzero(np.diff(known) > 1)
    holes = holes[np.diff(time_s[known])[holes] > 1.5 * usual_interval(time_s[known], holes)]
    return known[holes], known[holes + 1]


@dataclass(frozen=True, slots=True)
class Missing:
    """Readings missing from a column: ``rows`` of them, ``short_s`` in runs that a straight line bridges, ``long_s`` in runs longer than a
    gap must be, ``ends_s`` before the first and after the last reading. [s]"""

    rows: int
    short_s: float
    long_s: float
    ends_s: float


def missing_readings(time_s: np.ndarray, values: np.ndarray) -> Missing | None:
    """What is missing from a column, None if nothing is or no reading is there at all. Shapes (n,)."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size in (0, values.size):
        return None
    a, b = missing_runs(time_s, values)
    spans = time_s[b] - time_s[a]
    place = np.searchsorted(known, a)
    is_long = (spans > GAP_MIN_S) & (spans > GAP_RATIO * usual_interval(time_s[known], place))
    usual = float(np.median(np.diff(time_s[known]))) if known.size > 1 else 0.0
    ends = [(known[0], float(time_s[known[0]] - time_s[0])), (values.size - 1 - known[-1], float(time_s[-1] - time_s[known[-1]]))]
    ends = [(int(rows), span) for rows, span in ends if rows and span > 1.5 * usual]
    rows = int(np.sum(b - a - 1)) + sum(count for count, _ in ends)
    if not rows:
        return None
    return Missing(rows, float(spans[~is_long].sum()), float(spans[is_long].sum()), float(sum(span for _, span in ends)))


def crossing(x: np.ndarray, y: np.ndarray, level: float, stays: int = 1) -> tuple[int, float] | None:
    """First place where falling ``y`` reaches ``level``.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        ``x`` never decreasing; NaN in ``y`` are passed over.
    level : float
        Same unit as ``y``.
    stays : int
        So many readings in a row must be at or below the level, fewer where ``y`` ends; those that dip below and come back are passed over,
        as a stray reading or noise does.

    Returns
    -------
    (index, x) or None
        Index of the first of those samples, and ``x`` at the crossing, interpolated between it and the sample
        before. Where the samples around both fall steadily the monotone cubic through them is used
        (scipy.interpolate.PchipInterpolator), since a knee bends and a straight line would meet the level too early; else
        the straight line.
    """
    known = np.flatnonzero(np.isfinite(y))
    low = y[known] <= level
    ahead = np.concatenate((low, np.ones(stays - 1, dtype=bool)))
    held = np.all([ahead[k : k + low.size] for k in range(stays)], axis=0)
    if not np.any(held):
        return None
    first = int(np.argmax(held))
    k = int(known[first])
    before = known[:first][~low[:first]]
    if before.size == 0 or y[k] == level:
        return k, float(x[k])
    j = int(before[-1])
    share = (y[j] - level) / (y[j] - y[k])
    around = np.concatenate((before[-3:], known[first : first + 1]))
    rising_x = np.all(np.diff(x[around]) > 0)
    if around.size == 4 and rising_x and np.all(np.diff(y[around]) < 0):
        share = _knee_share(x[around], y[around], level)
    return k, float(x[j] + share * (x[k] - x[j]))


def _knee_share(x: np.ndarray, y: np.ndarray, level: float) -> float:
    """Where between the last two of four falling samples the monotone cubic meets ``level``, as a share of 0..1."""
    from scipy.interpolate import PchipInterpolator

    roots = PchipInterpolator(x, y).solve(level, extrapolate=False)
    inside = roots[(roots >= x[-2]) & (roots <= x[-1])]
    return float((inside[0] - x[-2]) / (x[-1] - x[-2])) if inside.size else 1.0


def _check(time_s: np.ndarray, other: np.ndarray) -> None:
    if time_s.shape != other.shape:
        raise ValueError(f"shapes differ: time {time_s.shape}, current {other.shape}")
    falls = np.flatnonzero(np.diff(time_s) < 0)
    if falls.size:
        raise ValueError(f"time decreases at index {int(falls[0]) + 1}")
