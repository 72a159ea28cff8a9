"""Rest: relaxation, drift, and the self-discharge of each group against its siblings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.signals import straight

SETTLE_S = 7200.0
"""Head of a rest left out of drift fits, at most a third of the rest. [s] Common practice, no source."""
DRIFT_MIN_S = 3 * 3600.0
"""Shortest rest from which a drift is given at all. [s] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Line:
    """Slope of a straight line and its standard uncertainty. [V/s]"""

    slope: float
    u_slope: float


def straight_line(time_s: np.ndarray, value: np.ndarray, resolution: float) -> Line | None:
    """Least-squares slope with an uncertainty that counts scatter, its correlation in time, and resolution.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
    resolution : float
        Step of the readings, in the unit of ``value``.

    Returns
    -------
    Line or None
        None with fewer than 5 readings.

    Notes
    -----
    Standard error of a slope for uniform abscissa: s sqrt(12/n)/T (textbook). n is reduced to n (1 - r)/(1 + r) for a
    lag-one correlation r of the residuals. Quantisation of a slow value does not average out: one
    reading's resolution over the span, d/(sqrt(12) T), always stays.
    """
    good = np.isfinite(value)
    t, v = time_s[good], value[good]
    if t.size < 5 or np.ptp(t) <= 0:
        return None
    slope, level = straight(t - t[0], v)
    residual = v - (level + slope * (t - t[0]))
    s = float(np.std(residual, ddof=2))
    r = 0.0
    if s > 0:
        r = float(np.clip(np.corrcoef(residual[:-1], residual[1:])[0, 1], 0.0, 0.98))
    effective = max(3.0, t.size * (1.0 - r) / (1.0 + r))
    span = float(np.ptp(t))
    scatter = s * np.sqrt(12.0 / effective) / span
    return Line(float(slope), float(np.hypot(scatter, resolution / np.sqrt(12.0) / span)))


def settled(time_s: np.ndarray) -> np.ndarray:
    """Mask of the samples past the head of a rest. Shape (n,)."""
    since = time_s - time_s[0]
    return since >= min(SETTLE_S, since[-1] / 3.0)


def group_drifts(time_s: np.ndarray, group_voltage_v: np.ndarray, resolution_v: float) -> tuple[Line | None, ...]:
    """Drift of every group against the mean of its siblings over one rest. [V/s]

    Temperature and relaxation common to all groups cancel; a tenth of the siblings' own slope stays in the uncertainty
    for what does not cancel (common practice, no source).

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Samples of the rest. [s]
    group_voltage_v : ndarray, shape (n, series)
    resolution_v : float
    """
    use = settled(time_s)
    t, v = time_s[use], group_voltage_v[use]
    n = v.shape[1]
    slopes = np.array([line.slope if (line := straight_line(t, v[:, g], resolution_v)) else np.nan for g in range(n)])
    out: list[Line | None] = []
    for g in range(n):
        others = np.array([k for k in range(n) if k != g and np.isfinite(slopes[k])])
        if others.size < 2 or not np.isfinite(slopes[g]):
            out.append(None)
            continue
        # The same siblings over the whole rest, those that drift off themselves left out.
        middle = np.median(slopes[others])
        away = np.abs(slopes[others] - middle)
        alike = others[away <= 3.0 * 1.4826 * np.median(away) + resolution_v / np.ptp(t)]
        line = straight_line(t, v[:, g] - np.mean(v[:, alike], axis=1), resolution_v)
        if line is None:
            out.append(None)
            continue
        out.append(Line(line.slope, float(np.hypot(line.u_slope, 0.1 * abs(middle)))))
    return tuple(out)


def slope_at_voltage(charge_ah: np.ndarray, voltage_v: np.ndarray, at_v: float) -> float | None:
    """Fall of voltage per charge of a group's discharge curve where it passes ``at_v``. [V/Ah], positive.

    Parameters
    ----------
    charge_ah, voltage_v : ndarray, shape (m,)
        Loaded curve, already raised by the load's voltage drop. [Ah, V]
    at_v : float
        Rest voltage. [V]

    Returns
    -------
    float or None
        Straight line over the 8 % of the charge around the place; the first 8 % if the rest stands above the curve.
    """
    if charge_ah.size < 12:
        return None
    total = charge_ah[-1] - charge_ah[0]
    place = charge_ah[int(np.argmin(np.abs(voltage_v - at_v)))]
    low = max(charge_ah[0], place - 0.04 * total)
    use = (charge_ah >= low) & (charge_ah <= low + 0.08 * total)
    if np.count_nonzero(use) < 4:
        return None
    slope = straight(charge_ah[use], voltage_v[use])[0]
    return -slope if slope < 0 else None


def leak_current_ma(drift_v_per_s: float, slope_v_per_ah: float) -> float:
    """Leak that makes a group drift: I = -(dU/dt)/(dU/dQ). Positive = losing charge. [mA]

    With dU/dt in V/s and dU/dQ in V/Ah (positive fall per charge taken) the quotient is Ah/s; x 3600 x 1000 is mA.
    """
    return -drift_v_per_s / slope_v_per_ah * 3.6e6
