"""Series groups side by side: sag, spread, and each group's capacity and start deficit from one discharge.

Every group is assumed to follow one common loaded curve U(x), x being charge removed; group g sits on it at
x = a_g + b_g q when q has been taken from the pack: ``a_g`` tells how much it lagged at the start (out of balance),
``b_g`` how much faster it empties (capacity C_ref / C_g), and a constant ``c_g`` its extra or missing voltage drop. The
curve is that of the reference group, the one that went deepest. The three are found together: their posterior is evaluated on
a grid (flat curves leave long valleys that a local optimiser gets stuck in) and mean and covariance are taken from it; the start
is also held by the rest voltages before the load, the drop by the 10 s resistances. Method: alignment of discharge
curves, in our own form; no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.propagation import propagated_u
from cycler.signals import resolution_of, straight

BINS = 160
SETTLE_S = 600.0
"""Time left out after the load came on: the transient goes with time under load, not with charge. [s] Common practice,
no source."""
SETTLE_SHARE = (0.02, 0.15)
"""Least and most of the discharge left out for it, as a share of its charge. Common practice, no source."""
EXTRAPOLATE_SHARE = 0.04
"""Longest stretch past the end of the reference's curve (as a share of the discharge) over which its cut-off crossing
is extrapolated. Common practice, no source."""
MODEL_ERROR_V = 0.0015
"""Smallest misfit (standard) that the common-curve assumption is credited with. [V] Common practice, no source."""
LAG_MODEL_SHARE = 0.004
"""Standard uncertainty of a lag from what the common curve leaves out, as a share of the discharge. Common practice, no
source; checked on simulated packs."""
AT_ONCE_OPEN, LATER_OPEN = 0.05, 1.0
"""Standard uncertainty of a group's extra drop under lasting load, as shares of what came at once and of what built up in 10 s: as much
may build up again later. Common practice, no source; checked on simulated packs."""
ALIKE_SIGMAS = 2.0
"""Starts within so many standard uncertainties of the fuller half count as full too. Common practice, no source."""
OVERFULL_V = 0.008
"""End of charge this far above the charge voltage counts as overfull. [V] Common practice, no source."""
EFFECTIVE_POINTS = 4.0
"""Independent points a smooth misfit is worth; widens the intervals accordingly. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class GroupFit:
    """One group's place on the common curve. Lag and capacity in Ah of that group; ``None`` where unsupported.

    ``to_cutoff_ah`` is the charge from the start of the load to the group's cut-off; ``scale`` the group's capacity over that
    of the reference by the shape of the curves alone (1/b), which needs no full start.
    """

    to_cutoff_ah: float | None
    u_to_cutoff_ah: float | None
    reached_cutoff: bool
    lag_ah: float | None
    u_lag_ah: float | None
    capacity_ah: float | None
    u_capacity_ah: float | None
    scale: float
    u_scale: float


@dataclass(frozen=True, slots=True, eq=False)
class LoadedCurves:
    """Group voltages against charge taken during the steady part of one discharge.

    ``charge_ah`` has shape (m,), increasing; ``voltage_v`` shape (m, series); ``resolution_v`` is the reading's step.
    """

    charge_ah: np.ndarray
    voltage_v: np.ndarray
    current_a: float
    resolution_v: float = 0.0


def loaded_curves(
    charge_ah: np.ndarray, voltage_v: np.ndarray, current_a: np.ndarray, level_a: float
) -> LoadedCurves | None:
    """Bin means of group voltages over charge, samples off the steady level left out.

    Parameters
    ----------
    charge_ah : ndarray, shape (n,)
        Charge taken since the load came on, never decreasing. [Ah]
    voltage_v : ndarray, shape (n, series)
        [V]
    current_a : ndarray, shape (n,)
        Charge positive. [A]
    level_a : float
        Steady level of the discharge. [A]

    Returns
    -------
    LoadedCurves or None
        None with fewer than 12 usable bins.
    """
    total = float(np.nanmax(charge_ah)) if charge_ah.size else 0.0
    steady = np.abs(current_a - level_a) <= 0.08 * abs(level_a)
    settle = np.clip(abs(level_a) * SETTLE_S / 3600.0, SETTLE_SHARE[0] * total, SETTLE_SHARE[1] * total)
    steady &= np.all(np.isfinite(voltage_v), axis=1) & (charge_ah >= settle)
    if total <= 0 or np.count_nonzero(steady) < 12:
        return None
    q, columns = charge_ah[steady], [column[steady] for column in voltage_v.T]
    # Finer bins towards the end, where the knee is.
    edges = q[0] + (q[-1] - q[0]) * (1.0 - (1.0 - np.linspace(0.0, 1.0, BINS + 1)) ** 1.35)
    # Charge never decreases, so that a bin is a run of rows.
    count = np.diff(np.searchsorted(q, edges[1:-1], side="left"), prepend=0, append=q.size)
    which = np.repeat(np.arange(BINS), count)
    filled = count > 0
    charge = np.bincount(which, weights=q, minlength=BINS)[filled] / count[filled]
    voltage = np.column_stack(
        [np.bincount(which, weights=column, minlength=BINS)[filled] / count[filled] for column in columns]
    )
    # Close with the last samples themselves, so that the end of the knee is not averaged away.
    if q[-1] > charge[-1]:
        charge = np.append(charge, q[-1])
        voltage = np.vstack([voltage, [column[-1] for column in columns]])
    if charge.size < 12:
        return None
    resolution = max(resolution_of(column) for column in columns)
    return LoadedCurves(charge, voltage, float(level_a), resolution)


def fit_groups(
    curves: LoadedCurves,
    rest_voltage_v: np.ndarray | None,
    u_rest_voltage_v: float,
    resistance_ohm: np.ndarray | None,
    cutoff_v: float | None,
    fuller_share: float = 0.5,
    ended_by: int | None = None,
    above_full_v: np.ndarray | None = None,
    ohmic_ohm: np.ndarray | None = None,
) -> tuple[GroupFit, ...]:
    """Capacity and start deficit of every group from one discharge.

    Parameters
    ----------
    curves : LoadedCurves
    rest_voltage_v : ndarray, shape (series,), or None
        Group voltages at rest just before the load. [V]
    u_rest_voltage_v : float
        Standard uncertainty of a difference of two of them. [V]
    resistance_ohm : ndarray, shape (series,), or None
        10 s resistances, NaN where unknown. [ohm]
    cutoff_v : float or None
        Group cut-off voltage; without it only the lags are given. [V]
    fuller_share : float
        The median of this share of the groups, counted from the fullest, and of those no further behind it than ``ALIKE_SIGMAS``
        of their uncertainty, is what "full" means.
    ended_by : int or None
        Index of the group whose cut-off ended the discharge, where known: it counts as having reached it even if the load
        was cut between two samples.

    above_full_v : ndarray, shape (series,), or None
        How far each group stood above its charge voltage when the charge ended at the taper current. If the fuller groups stood
        clearly above, as where the charger made up for a low group, what they hold beyond full is taken off the
        capacities. [V]

    ohmic_ohm : ndarray, shape (series,), or None
        Ohmic parts, NaN where unknown: a drop that comes at once, as over a joint, is known better than one that builds up. [ohm]

    Returns
    -------
    tuple of GroupFit, one per group
        ``lag_ah`` is measured from that full state; a lag below zero (fuller than it) is kept.
    """
    series = curves.voltage_v.shape[1]
    reference = int(np.argmin(curves.voltage_v[-1]))
    x_ref, u_ref = curves.charge_ah, curves.voltage_v[:, reference]
    fits = [
        (np.array([0.0, 1.0, 0.0]), np.zeros((3, 3)))
        if g == reference
        else _align(curves, g, reference, rest_voltage_v, u_rest_voltage_v, resistance_ohm, ohmic_ohm)
        for g in range(series)
    ]
    starts = np.array([fit[0][0] for fit in fits])
    order = np.sort(starts)
    u_full = float(np.sqrt(np.median([fit[1][0, 0] for fit in fits])))
    full_at = float(np.median(order[: max(1, int(np.ceil(fuller_share * series)))])) if series > 1 else 0.0
    # Of alike groups the fuller half are those whose errors make them so: all that may be as full count.
    full_at = float(np.median(order[order <= full_at + ALIKE_SIGMAS * u_full])) if series > 1 else 0.0
    cut_ref = _cutoff_place(x_ref, u_ref, cutoff_v)
    over, u_over = _beyond_full(curves, rest_voltage_v, resistance_ohm, starts, above_full_v)
    out = []
    for g, (values, covariance) in enumerate(fits):
        a, b, _c = values
        lag = (a - full_at) / b
        scale, u_scale = 1.0 / b, float(np.sqrt(max(covariance[1, 1], 0.0))) / b**2
        u_lag = float(np.sqrt(max(covariance[0, 0], 0.0) + u_full**2 + (LAG_MODEL_SHARE * x_ref[-1]) ** 2)) / b
        if g != reference:
            reached = cutoff_v is not None and curves.voltage_v[-1, g] <= cutoff_v + 1e-9
            place = _own_cutoff(curves, g, cutoff_v) if reached else None
        else:
            reached = cut_ref is not None and (cut_ref[2] or ended_by == g)
            place = (cut_ref[0], cut_ref[1]) if cut_ref else None
        if place is None and cut_ref is not None and g != reference:
            place = _mapped_cutoff(values, covariance, x_ref, u_ref, cutoff_v, cut_ref)
        if place is None:
            out.append(GroupFit(None, None, False, float(lag), u_lag, None, None, float(scale), u_scale))
            continue
        to_cutoff, u_to = place
        capacity = to_cutoff + lag - over / b
        out.append(
            GroupFit(
                float(to_cutoff), float(u_to), bool(reached), float(lag), u_lag, float(capacity),
                float(np.sqrt(u_to**2 + u_lag**2 + (u_over / b) ** 2)), float(scale), u_scale,
            )
        )
    return tuple(out)


def _beyond_full(
    curves: LoadedCurves, rest_voltage_v: np.ndarray | None, resistance_ohm: np.ndarray | None, starts: np.ndarray,
    above_full_v: np.ndarray | None,
) -> tuple[float, float]:
    """Charge the fuller half of the groups held beyond full, and its standard uncertainty. [Ah]

    Zero unless they stood more than ``OVERFULL_V`` above their charge voltage at the end of the charge.
    """
    if rest_voltage_v is None or above_full_v is None:
        return 0.0, 0.0
    fuller = np.argsort(starts)[: max(1, int(np.ceil(0.5 * starts.size)))]
    values = above_full_v[fuller]
    if not np.any(np.isfinite(values)) or np.nanmedian(values) <= OVERFULL_V or not np.isfinite(rest_voltage_v[fuller[0]]):
        return 0.0, 0.0
    above = float(np.nanmedian(values))
    g = int(fuller[0])
    slope, u_share = start_slope(curves, g, float(rest_voltage_v[g]), resistance_ohm)
    if slope is None:
        return 0.0, 0.0
    return above / slope, u_share * above / slope


def _own_cutoff(curves: LoadedCurves, g: int, cutoff_v: float) -> tuple[float, float]:
    q, v = curves.charge_ah, curves.voltage_v[:, g]
    k = int(np.argmax(v <= cutoff_v + 1e-9))
    if k == 0:
        return float(q[0]), 0.0
    share = (v[k - 1] - cutoff_v) / (v[k - 1] - v[k])
    return float(q[k - 1] + share * (q[k] - q[k - 1])), float(0.1 * (q[k] - q[k - 1]))


def _cutoff_place(x: np.ndarray, u: np.ndarray, cutoff_v: float | None) -> tuple[float, float, bool] | None:
    """Where the reference curve meets the cut-off: (charge, standard uncertainty, whether it was reached)."""
    if cutoff_v is None:
        return None
    if u[-1] <= cutoff_v + 1e-9:
        k = int(np.argmax(u <= cutoff_v + 1e-9))
        if k == 0:
            return None
        share = (u[k - 1] - cutoff_v) / (u[k - 1] - u[k])
        return float(x[k - 1] + share * (x[k] - x[k - 1])), float(0.1 * (x[k] - x[k - 1])), True
    tail = slice(-4, None)
    slope = straight(x[tail], u[tail])[0]
    if slope >= 0:
        return None
    beyond = (cutoff_v - u[-1]) / slope
    if beyond > EXTRAPOLATE_SHARE * x[-1]:
        return None
    nearly = u[-1] - cutoff_v <= max(0.004, 0.3 * abs(u[-2] - u[-1]))
    # The knee bends down: the crossing lies between the end and the straight line, closer to the line when near.
    return float(x[-1] + 0.75 * beyond), float(0.29 * beyond), bool(nearly)


def _align(
    curves: LoadedCurves,
    g: int,
    reference: int,
    rest_voltage_v: np.ndarray | None,
    u_rest_v: float,
    resistance_ohm: np.ndarray | None,
    ohmic_ohm: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Mean (a, b, c) of group ``g`` against the reference, and their covariance, from the posterior on a grid."""
    q = curves.charge_ah
    u_ref, v = curves.voltage_v[:, reference], curves.voltage_v[:, g]
    total = q[-1]
    prior_c, u_c = 0.0, 0.05
    if resistance_ohm is not None and np.isfinite(resistance_ohm[[g, reference]]).all():
        difference = resistance_ohm[g] - resistance_ohm[reference]
        prior_c = curves.current_a * difference
        open_v = 0.25 * abs(prior_c)
        if ohmic_ohm is not None and np.isfinite(ohmic_ohm[[g, reference]]).all():
            at_once = curves.current_a * (ohmic_ohm[g] - ohmic_ohm[reference])
            open_v = AT_ONCE_OPEN * abs(at_once) + LATER_OPEN * abs(prior_c - at_once)
        # The offsets of the two channels shift the whole curve.
        u_c = float(np.hypot(0.002 + open_v, u_rest_v))
    prior_a, u_a = 0.0, 0.1 * total
    if rest_voltage_v is not None and np.isfinite(rest_voltage_v[[g, reference]]).all():
        slope, u_slope_share = start_slope(curves, reference, rest_voltage_v[reference], resistance_ohm)
        if slope is not None:
            difference = float(rest_voltage_v[g] - rest_voltage_v[reference])
            prior_a = -difference / slope
            u_a = float(np.hypot(u_rest_v / slope, u_slope_share * prior_a) + 0.002 * total)
            limit = 0.25 * total
            if abs(prior_a) > limit or u_a > limit:
                prior_a, u_a = float(np.clip(prior_a, -limit, limit)), max(u_a, limit / 2)
    # On a flat stretch many readings share one step of the meter: that error does not average out.
    model_v = float(np.hypot(MODEL_ERROR_V, 0.5 * curves.resolution_v))
    space = _Space(q, v, u_ref, model_v, prior_a, u_a, prior_c, u_c)
    a = np.linspace(-0.4 * total, 0.4 * total, 65)
    b = np.linspace(0.55, 1.8, 64)
    for _ in range(3):
        cost = _cost_near(space, a, b)
        near = cost <= np.min(cost) + NEAR
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        a = _zoom(a, rows)
        b = _zoom(b, columns)
    cost, drop = _misfit(space, a, b)
    return _moments(space, a, b, cost, drop)


@dataclass(frozen=True, slots=True, eq=False)
class _Space:
    """One group against the reference, with the priors on lag and drop."""

    charge_ah: np.ndarray
    voltage_v: np.ndarray
    reference_v: np.ndarray
    model_v: float
    prior_a: float
    u_a: float
    prior_c: float
    u_c: float

    @property
    def weight(self) -> float:
        """Inverse variance that one bin is worth. [1/V^2]"""
        return EFFECTIVE_POINTS / self.charge_ah.size / self.model_v**2


NEAR = 14.0
"""A cost this far above the least is of no account: exp(-7) of the likelihood."""
TOGETHER = 15_000
"""Values worked on at once, so that what is in between stays in the processor's own memory."""


def _cost_near(space: _Space, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """:func:`_misfit` over a grid where it is within ``NEAR`` of its least, and infinite wherever the priors alone already cost more."""
    beside_a, beside_b = ((a - space.prior_a) / space.u_a) ** 2, ((b - 1.0) / 0.5) ** 2
    first = int(np.argmin(beside_a))
    least = float(np.min(_misfit(space, a[first : first + 1], b)[0]))
    rows = np.flatnonzero(beside_a + np.min(beside_b) <= least + NEAR + 1e-6)
    columns = np.flatnonzero(beside_b + np.min(beside_a) <= least + NEAR + 1e-6)
    cost = np.full((a.size, b.size), np.inf)
    cost[np.ix_(rows, columns)] = _misfit(space, a[rows], b[columns])[0]
    return cost


def _misfit(space: _Space, a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Minus twice the log posterior over a grid of (a, b), and the best drop c there; shapes (a, b).

    Bins mapped outside the reference's curve count as if they misfitted by one standard error, so that nothing is gained by
    leaving them out. Large misfits count linearly (soft L1), as a knee may differ in shape.
    """
    at_once = max(1, TOGETHER // (b.size * space.charge_ah.size))
    parts = [_misfit_part(space, a[k : k + at_once], b) for k in range(0, a.size, at_once)]
    return np.concatenate([lost for lost, _ in parts]), np.concatenate([drop for _, drop in parts])


def _misfit_part(space: _Space, a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    x = a[:, None, None] + b[None, :, None] * space.charge_ah
    inside = (x >= space.charge_ah[0]) & (x <= space.charge_ah[-1])
    residual = np.interp(x, space.charge_ah, space.reference_v)
    np.subtract(space.voltage_v, residual, out=residual)
    count = inside.sum(axis=-1)
    drop = (np.where(inside, residual, 0.0).sum(axis=-1) * space.weight + space.prior_c / space.u_c**2) / (
        count * space.weight + 1.0 / space.u_c**2
    )
    residual -= drop[:, :, None]
    residual /= space.model_v
    np.multiply(residual, residual, out=residual)
    residual += 1.0
    np.sqrt(residual, out=residual)
    residual -= 1.0
    residual *= 2.0
    lost = np.where(inside, residual, 1.0).mean(axis=-1) * EFFECTIVE_POINTS
    lost = lost + ((a[:, None] - space.prior_a) / space.u_a) ** 2 + ((drop - space.prior_c) / space.u_c) ** 2
    lost = lost + ((b[None, :] - 1.0) / 0.5) ** 2
    return np.where(count < 0.3 * space.charge_ah.size, np.inf, lost), drop


def _zoom(grid: np.ndarray, used: np.ndarray) -> np.ndarray:
    """The same number of points over the used part of a grid and one cell beyond it."""
    low, high = max(int(used[0]) - 1, 0), min(int(used[-1]) + 1, grid.size - 1)
    return np.linspace(grid[low], grid[high], min(grid.size, 41))


def _moments(
    space: _Space, a: np.ndarray, b: np.ndarray, cost: np.ndarray, drop: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of (a, b, c) over the posterior on its grid."""
    weight = np.exp(-0.5 * (cost - np.min(cost)))
    weight /= weight.sum()
    grids = np.stack(np.broadcast_arrays(a[:, None], b[None, :], drop))
    mean = (weight * grids).sum(axis=(1, 2))
    away = grids - mean[:, None, None]
    covariance = np.einsum("iab,jab,ab->ij", away, away, weight)
    covariance[2, 2] += 1.0 / (space.charge_ah.size * space.weight + 1.0 / space.u_c**2)
    return mean, covariance


def start_slope(
    curves: LoadedCurves, group: int, rest_v: float, resistance_ohm: np.ndarray | None
) -> tuple[float | None, float]:
    """Fall of a group's open-circuit voltage per charge near full, and its relative standard uncertainty. [V/Ah]

    The chord from the rest voltage to the loaded curve just past its transient, raised by the 10 s drop. Slower polarisation,
    which is left in, makes it too steep, the bend at the top of the curve too flat; the slope of the loaded curve there
    is the other bound, and half their distance the uncertainty, 30 % at least.
    """
    q, u = curves.charge_ah, curves.voltage_v[:, group]
    head = q <= q[0] + 0.12 * q[-1]
    if np.count_nonzero(head) < 4 or q[0] <= 0:
        return None, np.inf
    late = -straight(q[head], u[head])[0]
    raise_v = 0.0
    if resistance_ohm is not None and np.isfinite(resistance_ohm[group]):
        raise_v = abs(curves.current_a) * float(resistance_ohm[group])
    chord = (rest_v - raise_v - u[0]) / q[0]
    both = [value for value in (late, chord) if np.isfinite(value) and value > 0]
    if not both:
        return None, np.inf
    best = chord if np.isfinite(chord) and chord > 0 else late
    return float(best), float(max(0.3, 0.5 * np.log(max(both) / min(both))))


def _mapped_cutoff(
    values: np.ndarray, covariance: np.ndarray, x_ref: np.ndarray, u_ref: np.ndarray, cutoff_v: float, cut: tuple[float, float, bool]
) -> tuple[float, float] | None:
    """Charge at which a group that did not reach its cut-off would do so, carried over from the reference's knee."""
    a, b, c = values
    level, extra = cutoff_v - c, 0.0
    below = np.flatnonzero(u_ref <= level)
    if below.size and below[0] > 0:
        k = int(below[0])
        x_cut = float(np.interp(level, [u_ref[k], u_ref[k - 1]], [x_ref[k], x_ref[k - 1]]))
        slope = (u_ref[k] - u_ref[k - 1]) / (x_ref[k] - x_ref[k - 1])
    else:
        # Below the end of the reference's curve: along its knee, which goes on bending.
        slope = straight(x_ref[-4:], u_ref[-4:])[0]
        if slope >= 0:
            return None
        further = max((level - u_ref[-1]) / slope, 0.0)
        x_cut = float(x_ref[-1] + 0.6 * further)
        extra = 0.3 * further
    to_cutoff = (x_cut - a) / b
    gradient = np.array([-1.0 / b, -to_cutoff / b, -1.0 / (slope * b)])
    return to_cutoff, float(np.sqrt(propagated_u(gradient, covariance) ** 2 + (cut[1] / b) ** 2 + (extra / b) ** 2))


def channel_scatter_u(rest_v: np.ndarray, u_stated_v: float, resolution_v: float) -> float:
    """Standard uncertainty of one group's voltage against the other channels. [V]

    Parameters
    ----------
    rest_v : ndarray, shape (series,)
        Group voltages at rest. [V]
    u_stated_v : float
        Standard uncertainty of one reading by the stated limits of error, gain included. [V]
    resolution_v : float
        Step of the readings. [V]

    Returns
    -------
    float
        The stated one, or less where five and more groups lie closer together than it allows: channels cannot differ by more than what the
        groups show, unless their charges differ the other way by chance. Half again the scaled median absolute deviation is credited
        then (1.4826 MAD: normal distribution, textbook; the half is common practice, no source).
    """
    finite = rest_v[np.isfinite(rest_v)]
    if finite.size < 5:
        return u_stated_v
    seen = 1.5 * 1.4826 * float(np.median(np.abs(finite - np.median(finite))))
    return min(u_stated_v, float(np.hypot(seen, resolution_v / np.sqrt(12.0))))


def spread(values: np.ndarray) -> float | None:
    """Largest minus smallest, None with fewer than two readings. Same unit as ``values``."""
    finite = values[np.isfinite(values)]
    return float(np.max(finite) - np.min(finite)) if finite.size > 1 else None


RANGE_MEAN = (
    1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078, 3.173, 3.258, 3.336, 3.407, 3.472, 3.532, 3.588, 3.640, 3.689, 3.735,
)
"""d2: mean range of n = 2 to 20 normal readings, in their standard deviations. Control-chart constants of statistics handbooks (from memory; checked by
simulation)."""
RANGE_DEVIATION = (
    0.853, 0.888, 0.880, 0.864, 0.848, 0.833, 0.820, 0.808, 0.797, 0.787, 0.778, 0.770, 0.763, 0.756, 0.750, 0.744, 0.739, 0.734, 0.729,
)
"""d3: standard deviation of that range, likewise."""
RANGE_GROWTH, RANGE_NARROWING = 0.82, 0.08
"""Beyond n = 20: d2 grows, d3 shrinks by so much for every factor e in n (simulated ranges, n = 20 to 100)."""
CREDIT_FROM, CREDIT = 5, 1.5
"""Groups from which the spread at rest bounds what the channels err, and how much more than it shows is allowed for. Common practice, no source."""


def range_constants(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of ``n`` >= 2 independent normal readings, in standard deviations of one (d2, d3)."""
    if n < 2:
        raise ValueError("a range needs two readings")
    if n <= 20:
        return RANGE_MEAN[n - 2], RANGE_DEVIATION[n - 2]
    beyond = float(np.log(n / 20.0))
    return RANGE_MEAN[-1] + RANGE_GROWTH * beyond, max(RANGE_DEVIATION[-1] - RANGE_NARROWING * beyond, 0.5)


def spread_u(u_channel_v: float, n: int) -> float | None:
    """Standard uncertainty of the largest less the smallest of ``n`` groups' voltages; None with fewer than two. [V]

    Parameters
    ----------
    u_channel_v : float
        Standard uncertainty of one channel's reading against the other channels (:func:`channel_range_u`). [V]
    n : int
        Groups with a reading.

    Notes
    -----
    Largest and smallest are picked by their errors too: n equal groups read a spread of d2(n) u on average with standard deviation d3(n) u, never of
    nothing. Not the mean is taken off (where groups do differ it would be too much), but u = (d2/2 + d3) u_channel is stated, so that at k = 2 a true
    spread of nothing lies within spread - 2 u in more than 95 % of cases; never less than that of the difference of a fixed pair, sqrt(2) u_channel. Channels
    independent and near normal; an error common to them cancels. Upwards the interval is wider than it need be.
    """
    if n < 2:
        return None
    mean, deviation = range_constants(n)
    return max(float(np.sqrt(2.0)), 0.5 * mean + deviation) * u_channel_v


def channel_range_u(rest_v: np.ndarray, u_stated_v: float, resolution_v: float) -> float:
    """Standard uncertainty of one channel's reading against the other channels, for a spread. [V]

    Parameters
    ----------
    rest_v : ndarray, shape (series,)
        Group voltages at rest, NaN = no reading. [V]
    u_stated_v : float
        Standard uncertainty of one reading by the stated limits of error and resolution. [V]
    resolution_v : float
        Step of the readings. [V]

    Returns
    -------
    float
        The stated one; or less where ``CREDIT_FROM`` and more groups lie so close together at rest that channels erring by the stated limits would have
        spread them more: then ``CREDIT`` times their range over d2(n), with the resolution. (Unless their charges differ the other way by
        chance.) From the range and not, as :func:`channel_scatter_u`, from the median deviation: that may be nothing where two groups make the range.
    """
    finite = rest_v[np.isfinite(rest_v)]
    if finite.size < CREDIT_FROM:
        return u_stated_v
    seen = CREDIT * float(np.ptp(finite)) / range_constants(finite.size)[0]
    return min(u_stated_v, float(np.hypot(seen, resolution_v / np.sqrt(12.0))))


def against_siblings(values: np.ndarray) -> np.ndarray:
    """Each value over the median of the others; NaN where fewer than two others are known. Shape (series,)."""
    out = np.full(values.shape, np.nan)
    for g in range(values.size):
        others = np.delete(values, g)
        others = others[np.isfinite(others)]
        if others.size >= 2 and np.median(others) > 0:
            out[g] = values[g] / np.median(others)
    return out
