"""The samples of a charge or discharge that belong to one curve at steady current: no constant-voltage phase, pulse or rest, no transient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.longcolumns import median_of
from cycler.measures.integrate import SECONDS_PER_HOUR, bridge_missing, cumulative, interval_charge_coulomb
from cycler.signals import GAP_MIN_S, GAP_RATIO, resolution_of

SETTLE_S = 60.0
"""Left out after the load came on, at most ``SETTLE_SHARE`` of the stretch. [s] Common practice, no source."""
SETTLE_SHARE = 0.02
LEVEL_SHARE = 0.30
"""Samples farther than this from the median current are an interruption. Wide enough for constant power. Common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Samples at steady current. ``rows`` (m,) index the log; ``charge_ah`` (m,) never falls, from 0.

    ``level_a`` is the median current (charge positive), ``spread`` half the distance between its 5 % and 95 % quantiles over it, ``bridged_share`` the share of the
    charge that flowed where samples were cut out, ``gap_row`` the place in ``rows`` of the sample before the longest gap in the log, or None,
    ``resolution_a`` the step in which current was logged, ``pauses`` how often the current was another in between, ``interval_s`` and
    ``charge_per_sample_ah`` the medians of time and charge from one to the next.
    """

    rows: np.ndarray
    charge_ah: np.ndarray
    level_a: float
    spread: float
    bridged_share: float
    gap_row: int | None
    resolution_a: float = 0.0
    pauses: int = 0
    interval_s: float = 0.0
    charge_per_sample_ah: float = 0.0

    @property
    def direction(self) -> int:
        """+1 charge, -1 discharge."""
        return 1 if self.level_a > 0 else -1


def steady_stretch(
    time_s: np.ndarray, voltage_v: np.ndarray, current_a: np.ndarray, parts: tuple[tuple[int, int], ...]
) -> Stretch | None:
    """Samples of one charge or discharge that belong to its curve, and the charge that had flowed at each.

    Parameters
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        [s], [V], [A] charge positive; NaN = no reading.
    parts : tuple of (first, last)
        Rows of the steps at the level that counts, in time order. What lies between them is an interruption: its charge counts, its
        samples do not, nor do those after it until the voltage is back at where it stood before.

    Returns
    -------
    Stretch or None
        None with fewer than 10 samples.
    """
    inside = np.zeros(time_s.size, dtype=bool)
    for first, last in parts:
        inside[first : last + 1] = True
    known = inside & np.isfinite(current_a)
    if np.count_nonzero(known) < 10:
        return None
    level = median_of(current_a[known])
    if level == 0.0:
        return None
    low, high = np.quantile(current_a[known], (0.05, 0.95))
    steady = known & (np.abs(current_a - level) <= LEVEL_SHARE * abs(level)) & np.isfinite(voltage_v)
    rows = np.flatnonzero(steady)
    if rows.size < 10:
        return None
    flowing = np.where(np.abs(current_a) < 0.02 * abs(level), 0.0, current_a)
    running = cumulative(interval_charge_coulomb(time_s, bridge_missing(time_s, flowing))) / SECONDS_PER_HOUR
    broken = np.concatenate(([0], np.cumsum(np.isfinite(current_a) & ~(known & (np.abs(current_a - level) <= LEVEL_SHARE * abs(level))))))
    spans = np.diff(time_s[rows])
    gaps = (spans > GAP_MIN_S) & (spans > GAP_RATIO * median_of(spans))
    pauses = broken[rows[1:]] > broken[rows[:-1]]
    gaps &= ~pauses
    cuts = np.flatnonzero(pauses | gaps) + 1
    sign = np.sign(level)
    settle = min(SETTLE_S, SETTLE_SHARE * float(time_s[rows[-1]] - time_s[rows[0]]))
    keep = time_s[rows] >= time_s[rows[0]] + settle
    for start, stop in zip(cuts, np.append(cuts[1:], rows.size)):
        before = np.flatnonzero(keep[:start])
        if not before.size:
            continue
        reached = float(np.median(sign * voltage_v[rows[before[-5:]]]))
        back = np.flatnonzero(sign * voltage_v[rows[start:stop]] >= reached)
        keep[start : start + (int(back[0]) if back.size else stop - start)] = False
    gap_at = int(np.argmax(np.where(gaps, spans, -1.0))) if np.any(gaps) else None
    gap_row = None if gap_at is None else int(np.count_nonzero(keep[: gap_at + 1])) - 1
    kept = rows[keep]
    if kept.size < 10:
        return None
    charge = np.maximum.accumulate(sign * (running[kept] - running[kept[0]]))
    if charge[-1] <= 0:
        return None
    steps = np.diff(charge)
    usual = median_of(steps)
    bridged = float(np.sum(steps[steps > 5.0 * usual])) if cuts.size else 0.0
    return Stretch(
        kept, charge, level, float(0.5 * (high - low) / abs(level)), bridged / float(charge[-1]),
        gap_row if gap_row is not None and 0 <= gap_row < kept.size - 1 else None, resolution_of(current_a[kept]), int(np.count_nonzero(pauses)),
        median_of(np.diff(time_s[kept])), usual,
    )
