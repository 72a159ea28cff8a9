"""The instant at which a charge passes from constant current into constant voltage, from the lines on both sides of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cycler.signals import noise_of, resolution_of

FALL = 0.06
"""Fall of ln I over which the taper is fitted behind the knee: short, because its beginning falls faster than the rest. Common practice, no source."""
ROWS_MIN, ROWS_MAX, LEVEL_ROWS = 6, 300, 60
CLEAR = 3.0
"""The fall begins with the first row this many times the scatter below the constant level."""
GENTLEST, STEEPER = 1.5, 2.0
"""How many times as steep as at its first row the fall may be before that row, where it hardly grows and at most. Common practice, no source."""
QUICK_S = 20.0
"""Rows further apart do not show how the fall began. [s] Common practice, no source."""
SHAPE_SHARE = 0.5
"""Half-width, as a share, of the shift that the bend of a line makes at its crossing, for what the bend itself does not follow. Common practice, no source."""
ROWS_UNFITTED = 3.0
"""Half-width, in rows, of a knee that no line could place. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Knee:
    """``at_s`` and its standard uncertainty ``u_at_s``; ``half_width_s`` is that of the rounded part, inside ``u_at_s``. [s]"""

    at_s: float
    u_at_s: float
    half_width_s: float = 0.0


def knee_of(
    time_s: np.ndarray, current_a: np.ndarray, voltage_v: np.ndarray, cc: tuple[int, int], cv: tuple[int, int], usual_s: float,
) -> Knee:
    """Where the constant current and the fall, and the rise of the voltage and its plateau, cross.

    Parameters
    ----------
    time_s, current_a, voltage_v : ndarray, shape (n,)
        The log; NaN = no reading. [s, A, V]
    cc, cv : tuple of int
        First and last row at constant current, and at constant voltage right behind it.
    usual_s : float
        Where the cut between the two lies; it counts where neither crossing can be found. [s]

    Returns
    -------
    Knee

    Notes
    -----
    Current: mean of the last ``LEVEL_ROWS`` at constant current, and a parabola through ln I over the first ``FALL`` of the taper, from its first row clear of
    that level. Its tangent there meets the level at the earliest; polarisation makes the very beginning steeper, as its growth shows, up to ``STEEPER`` times, which is the latest. A charger that
    rounds the corner falls steeper further on: then the steepest tangent is the latest. The middle counts, half of what lies between is the half-width of the knee.
    Voltage: parabola through the last half at constant current against the mean of as many rows of the plateau, with ``SHAPE_SHARE`` of what its bend moved.
    Each has besides the scatter and the quantisation of its fits over the slope. The two are joined by their weights; where they differ by more than
    k = 2 allows, the middle between them counts and half of what they differ by is the half-width. No instant is told better than the rows it lies between: an interval over sqrt(12) joins.

    References
    ----------
    Least squares with its covariance, weighted mean: any statistics text.
    """
    interval = float(time_s[cv[0]] - time_s[cc[1]])
    by_current = _fall_crossing(time_s, current_a, cc, cv)
    by_voltage = _rise_crossing(time_s, voltage_v, cc, cv)
    # Further off than the lines reach, a crossing is an extrapolation, not a place.
    reach = max(5.0 * interval, 0.05 * float(time_s[cv[1]] - time_s[cc[0]]))
    found = [c for c in (by_current, by_voltage) if c is not None and abs(c[0] - usual_s) <= reach and time_s[cc[0]] <= c[0] <= time_s[cv[1]]]
    if not found:
        return Knee(usual_s, ROWS_UNFITTED * interval / math.sqrt(3.0), ROWS_UNFITTED * interval)
    row = interval / math.sqrt(12.0)
    rounded = max(half for *_, half in found)
    # A corner that the current shows rounded is so in the voltage too.
    found = [(t, math.hypot(u, rounded / math.sqrt(3.0)) if half < rounded else u, rounded) for t, u, half in found]
    apart = abs(found[0][0] - found[-1][0])
    allowed = math.hypot(found[0][1], found[-1][1])
    if apart > 2.0 * allowed:
        half = 0.5 * apart
        return Knee(0.5 * (found[0][0] + found[-1][0]), math.hypot(half / math.sqrt(3.0), 0.5 * allowed, row), max(rounded, half))
    weight = np.array([1.0 / u**2 for _, u, _ in found])
    return Knee(float(weight @ np.array([t for t, _, _ in found]) / np.sum(weight)), math.hypot(1.0 / math.sqrt(float(np.sum(weight))), row), rounded)


def _crossing(x: np.ndarray, y: np.ndarray, level: float) -> tuple[float, float, float, float] | None:
    """Where a parabola through the rows meets a level behind them, its slope there, the uncertainty of y there, and what the bend moved; None where they do not meet."""
    scale = float(np.max(np.abs(x))) or 1.0
    matrix = np.vander(x / scale, 3, increasing=True)
    (a, b, c), *_ = np.linalg.lstsq(matrix, y, rcond=None)
    inside = b**2 - 4.0 * c * (a - level)
    if b <= 0 or inside < 0:
        return None
    # The root that stays finite as the bend vanishes.
    root = -2.0 * (a - level) / (b + math.sqrt(inside))
    slope = b + 2.0 * c * root
    residual = y - matrix @ np.array([a, b, c])
    scatter = math.sqrt(float(residual @ residual) / max(x.size - 3, 1))
    pull = np.array([1.0, root, root**2])
    u = scatter * math.sqrt(float(pull @ np.linalg.pinv(matrix.T @ matrix) @ pull))
    straight = np.polyfit(x, y, 1)
    if slope <= 0 or straight[0] <= 0:
        return None
    return root * scale, slope / scale, u, abs((level - straight[1]) / straight[0] - root * scale)


def _fall_crossing(time_s: np.ndarray, current_a: np.ndarray, cc: tuple[int, int], cv: tuple[int, int]) -> tuple[float, float, float] | None:
    """Instant, its standard uncertainty and the half-width of the knee in it, from the current. [s]"""
    rows = np.arange(cc[0], cv[1] + 1)
    rows = rows[np.isfinite(current_a[rows]) & (current_a[rows] > 0)]
    t, own = time_s[rows], current_a[rows]
    cut = int(np.searchsorted(rows, cv[0]))
    # The cut lies a few rows early or late: the last rows before it may be no part of the level.
    held = own[: max(cut - 2, min(cut, 2))][-LEVEL_ROWS:]
    if held.size < 1 or own.size - cut < ROWS_MIN:
        return None
    level, noise, step = float(np.mean(held)), noise_of(own), resolution_of(current_a)
    random = max(noise, float(np.std(held)))
    grid = 0.0 if noise > 0.5 * step else step / math.sqrt(12.0)
    clear = max(CLEAR * random, 1.5 * step if grid else 0.0, 1e-4 * level)
    on = np.flatnonzero(own[: min(cut + int(0.5 * (own.size - cut)), own.size)] >= level - clear)
    if not on.size or int(on[-1]) + ROWS_MIN >= own.size:
        return None
    b = int(on[-1]) + 1
    fall = np.log(own / level)
    many = int(np.count_nonzero(fall[b:] > fall[b] - FALL))
    many = min(max(many, ROWS_MIN), ROWS_MAX)
    fits = [_edge(t[k : k + many], fall[k : k + many]) for k in range(b, min(b + 3 * many, own.size - ROWS_MIN), max(many // 2, 1)) if k + ROWS_MIN <= own.size]
    if not fits:  # the fall has as many rows as a line needs, and ends there
        return None
    value, rate, u_value, u_rate = fits[0]
    if rate >= 0 or value >= 0:
        return None
    behind = value / rate
    earliest = max(float(t[b]) - behind, float(t[on[-1]]) - clear / level / -rate)
    # How much steeper it was before those rows, as it grew from the rows behind them.
    growth = (rate / fits[1][1]) ** 2 + 2.0 * math.hypot(u_rate, fits[1][3]) / -rate if len(fits) > 1 and fits[1][1] < 0 else STEEPER
    steeper = min(max(growth, GENTLEST), STEEPER)
    # Between rows further apart than that a quick polarisation is over: the fall may have begun anywhere.
    latest = max(float(t[b]) - (0.0 if t[b] - t[on[-1]] > QUICK_S else behind / steeper), earliest)
    # A fall that grows steeper behind its first rows has a rounded corner in front of it.
    k = min(range(len(fits)), key=lambda j: fits[j][1])
    rounded = 0.0
    if fits[k][1] < rate - 3.0 * math.hypot(u_rate, fits[k][3]):
        latest = max(latest, float(t[b + k * max(many // 2, 1)]) - fits[k][0] / fits[k][1])
        rounded = 0.5 * (latest - earliest)
    half = 0.5 * (latest - earliest)
    u_level = math.hypot(random / math.sqrt(held.size), grid) / level
    u_read = math.hypot(u_value, u_level, grid / level) / -rate
    return earliest + half, max(math.hypot(u_read, half / math.sqrt(3.0)), 1e-3), rounded


def _edge(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float, float]:
    """Value and slope of a parabola through the rows at the first of them, and their standard uncertainties."""
    scale = float(x[-1] - x[0])
    matrix = np.vander((x - x[0]) / scale, 3, increasing=True)
    found, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    residual = y - matrix @ found
    variance = float(residual @ residual) / max(x.size - 3, 1) * np.diag(np.linalg.pinv(matrix.T @ matrix))
    return float(found[0]), float(found[1]) / scale, math.sqrt(variance[0]), math.sqrt(variance[1]) / scale


def _rise_crossing(time_s: np.ndarray, voltage_v: np.ndarray, cc: tuple[int, int], cv: tuple[int, int]) -> tuple[float, float, float] | None:
    """Instant and its standard uncertainty from the voltage; no width. [s]"""
    rows = np.arange(cc[0], cv[1] + 1)
    rows = rows[np.isfinite(voltage_v[rows])]
    before, after = rows[rows < cv[0]], rows[rows >= cv[0]]
    before = before[before.size // 2 : max(before.size - 2, 0)][-ROWS_MAX:]
    # The last row may straddle the end.
    after = after[2:-1][: max(before.size, ROWS_MIN)]
    if before.size < ROWS_MIN or after.size < ROWS_MIN:
        return None
    origin = float(time_s[cv[0]])
    plateau = float(np.mean(voltage_v[after]))
    fit = _crossing(time_s[before] - origin, voltage_v[before], plateau)
    if fit is None:
        return None
    at, slope, u_fit, shift = fit
    step, noise = resolution_of(voltage_v), noise_of(voltage_v[after])
    grid = 0.0 if noise > 0.5 * step else step / math.sqrt(12.0)
    u_level = math.hypot(max(noise, float(np.std(voltage_v[after]))) / math.sqrt(after.size), grid)
    return origin + at, max(math.hypot(math.hypot(u_fit, u_level) / slope, SHAPE_SHARE * shift / math.sqrt(3.0)), 1e-3), 0.0
