"""Rest: relaxation told from drift, and the drift of each group against its siblings.

A voltage at rest is taken as level + drift t + fading part, the fading part one exponential of unknown size and time constant (what is left
of faster ones dies out in the head of the rest, which is not used). The time constant is not estimated but averaged over, each
value weighted by how well it fits, so that what the rest cannot tell of it widens the drift's uncertainty. A fading part slower
than a quarter of the rest and slower than ``SLOW_FADING_S`` cannot be told from a drift and counts as one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.averaging import rounding_left, scatter_of
from cycler.signals import straight

SETTLE_S = 7200.0
"""Head of a rest left out of drift fits, at most a third of the rest. [s] Common practice, no source."""
DRIFT_MIN_S = 3 * 3600.0
"""Shortest rest from which a drift is given at all. [s] Common practice, no source."""
BLOCKS = 48
"""Block means a rest is reduced to: noise averages out in them, a slow misfit does not."""
BLOCKS_MIN = 10
"""Fewest block means from which a drift is given: the fit has four unknowns."""
FADING_SHARES = (0.05, 0.25)
"""Least and largest time constant of the fading part, as shares of the rest past its head."""
FADING_COUNT = 25
"""Time constants tried: 7 % apart, so that what a relaxation of 100 mV misfits between two of them stays below noise of half a millivolt (simulated rests)."""
SLOW_FADING_S = 3.0 * 3600.0
"""Time constant up to which a fading part is allowed for even in a rest that is too short to show it whole. [s] Common practice, no source."""
COMMON_SHARE = 0.1
"""Standard uncertainty of how much more or less than its siblings a sound group follows their common course (relaxation, temperature), as
a share of it. Common practice, no source."""
QUIET_SHARE, DITHERED_SHARE = 0.38, 0.20
"""Standard uncertainty of a slope from rounding alone, in steps of the reading over the span: readings that stay on a step, and readings whose
noise spreads over several. From simulated lines of random slope and phase (95 % of the errors within twice that)."""
DITHERED_STEPS = 0.35
"""Scatter from reading to reading, in steps, from which readings count as dithered."""
BEND_COST = 25.0
"""Gain in chi-square from which a fall that ends within the rest is taken for that and for no drift. Common practice, no source."""
BEND_PLACES = np.arange(0.08, 0.76, 0.04)
SCATTER_ROWS = 20
"""Fewest readings of one rest that tell their own scatter; with fewer, that of the log's other rests counts where it is larger. Common
practice, no source: twenty know it to about a sixth."""
FEW_WIDER = 1.5
"""Factor on a scatter from fewer readings. Common practice, no source; checked on simulated rests of 7 to 13 rows."""
LAST_ROWS = 3
"""Readings at the end of a rest whose median is its last voltage."""
MEDIAN_OF_THREE = 0.6698
"""Standard deviation of the median of three normal readings, as a share of that of one (order statistics, textbook; from memory, checked by simulation)."""


@dataclass(frozen=True, slots=True)
class Drift:
    """Lasting change of a voltage at rest, with what fades beside it.

    ``slope`` and its standard uncertainty ``u_slope`` [V/s]; ``fading_slope`` is what the fading part still adds at the end of the rest, with
    ``u_fading_slope`` [V/s], ``fading_s`` its time constant [s], ``span_s`` the time from the first reading used to the last [s].
    ``bent_at_s`` is set where the voltage first fell (or rose) steadily and then stopped doing so: since the start of the rest [s]; ``slope``
    is that of the stretch after it.
    """

    slope: float
    u_slope: float
    fading_slope: float
    u_fading_slope: float
    fading_s: float
    span_s: float
    bent_at_s: float | None = None


def settled(time_s: np.ndarray) -> np.ndarray:
    """Mask of the samples past the head of a rest. Shape (n,)."""
    since = time_s - time_s[0]
    return since >= head_s(float(since[-1]))


def head_s(duration_s: float) -> float:
    """Head of a rest of that length that is left out. [s]"""
    return min(SETTLE_S, duration_s / 3.0)


def rounding_share(value: np.ndarray, resolution: float) -> float:
    """Standard uncertainty of a slope from rounding, in steps over the span (``QUIET_SHARE`` or ``DITHERED_SHARE``)."""
    finite = value[np.isfinite(value)]
    if resolution <= 0 or finite.size < 5:
        return DITHERED_SHARE
    return DITHERED_SHARE if float(np.std(np.diff(finite))) / np.sqrt(2.0) >= DITHERED_STEPS * resolution else QUIET_SHARE


def drift(
    time_s: np.ndarray, value_v: np.ndarray, u_rounding_v: float, common_v: np.ndarray | None = None, may_bend: bool = False
) -> Drift | None:
    """Lasting slope of a voltage past the head of a rest, a fading part allowed for.

    Parameters
    ----------
    time_s, value_v : ndarray, shape (n,)
        Readings past the head of the rest (:func:`settled`); NaN = no reading. [s], [V]
    u_rounding_v : float
        Standard uncertainty of the change over the whole span from rounding alone: step times :func:`rounding_share`. [V]
    common_v : ndarray, shape (n,), optional
        Course that the value may follow by a share of its own, 0 with standard uncertainty ``COMMON_SHARE``. [V]
    may_bend : bool
        Also try a steady change that ends within the span, as under a balancer at work.

    Returns
    -------
    Drift or None
        None with readings in fewer than ``BLOCKS_MIN`` of ``BLOCKS`` equal parts of the span.

    Notes
    -----
    Least squares on block means for each time constant; variance s**2 of the residuals, n reduced to n (1 - r)/(1 + r) for their lag-one
    correlation r; mean and variance of the slope over the time constants with weights exp(-chi**2/2), within plus between (law of total
    variance, textbook). Rounding of a slow value does not average out, and only part of it shows as scatter: the larger of the two counts, and half
    the rounding besides (simulated rests: 96 to 99 % of the errors then lie within k = 2).
    """
    good = np.isfinite(value_v) if common_v is None else np.isfinite(value_v) & np.isfinite(common_v)
    t, v = time_s[good], value_v[good]
    if t.size < BLOCKS_MIN or np.ptp(t) <= 0:
        return None
    span = float(np.ptp(t))
    which = np.minimum((BLOCKS * (t - t[0]) / span).astype(int), BLOCKS - 1)
    count = np.bincount(which, minlength=BLOCKS)
    filled = count > 0
    if np.count_nonzero(filled) < BLOCKS_MIN:
        return None

    def block_means(x: np.ndarray) -> np.ndarray:
        return np.bincount(which, x, BLOCKS)[filled] / count[filled]

    x, y = block_means(t - t[0]) / span, block_means(v)
    columns = [np.ones_like(x), x]
    if common_v is not None:
        course = block_means(common_v[good])
        columns.append(course - np.mean(course))
    least_v = max(0.1 * u_rounding_v, 1e-7)
    slowest = max(FADING_SHARES[1], min(1.0, SLOW_FADING_S / span))
    shapes = np.geomspace(FADING_SHARES[0], slowest, FADING_COUNT)
    tries = _fits(x, y, columns, [np.exp(-x / share) for share in shapes], least_v, common_v is not None)
    bent = False
    if may_bend:
        ramps = _fits(x, y, columns, [np.minimum(x - place, 0.0) for place in BEND_PLACES], least_v, common_v is not None)
        if min(f.cost for f in ramps) + BEND_COST * min(f.variance for f in ramps) < min(f.cost for f in tries):
            tries, shapes, bent = ramps, BEND_PLACES, True
    best = min(tries, key=lambda f: f.cost)
    weight = np.exp(-0.5 * (np.array([f.cost for f in tries]) - best.cost) / best.variance)
    weight /= weight.sum()
    # What a fading part adds to the slope at the end of the span: nothing, once a bend lies behind.
    tail = np.zeros_like(shapes) if bent else -np.exp(-1.0 / shapes) / shapes
    slope, u_slope = _averaged(weight, np.array([f.values[1] for f in tries]), np.array([f.covariance[1, 1] for f in tries]))
    fading, u_fading = _averaged(
        weight, np.array([f.values[-1] for f in tries]) * tail, np.array([f.covariance[-1, -1] for f in tries]) * tail**2
    )
    place = float(weight @ shapes) * span
    return Drift(
        slope / span, float(np.hypot(max(u_slope, u_rounding_v), 0.5 * u_rounding_v)) / span, fading / span, u_fading / span, place, span,
        place + float(t[0] - time_s[0]) if bent else None,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One least-squares fit: cost (sum of squares, prior included), unknowns, covariance, variance of a block mean."""

    cost: float
    values: np.ndarray
    covariance: np.ndarray
    variance: float


def _fits(
    x: np.ndarray, y: np.ndarray, columns: list[np.ndarray], shapes: list[np.ndarray], least_v: float, with_common: bool
) -> list[_Fit]:
    """Fits of ``columns`` and one of the shapes each; variances are those of the best of them."""
    variance = least_v**2
    found: list[tuple[float, np.ndarray, np.ndarray, np.ndarray]] = []
    for _ in range(2):  # the prior weighs by the scatter, the scatter comes from the fit
        found = []
        for shape in shapes:
            matrix = np.column_stack([*columns, shape])
            normal = matrix.T @ matrix
            if with_common:
                normal[2, 2] += variance / COMMON_SHARE**2
            inverse = np.linalg.pinv(normal, hermitian=True)
            values = inverse @ (matrix.T @ y)
            residual = y - matrix @ values
            prior = variance * (values[2] / COMMON_SHARE) ** 2 if with_common else 0.0
            found.append((float(residual @ residual) + prior, values, inverse, residual))
        best = min(found, key=lambda f: f[0])
        variance = max(least_v**2, best[0] / max(3, x.size - len(columns) - 1))
    residual = best[3]
    r = 0.0
    if float(np.std(residual)) > 1e-12:
        r = float(np.clip(np.corrcoef(residual[:-1], residual[1:])[0, 1], 0.0, 0.9))
    variance *= (1.0 + r) / (1.0 - r)
    return [_Fit(cost, values, inverse * variance, variance) for cost, values, inverse, _ in found]


def _averaged(weight: np.ndarray, values: np.ndarray, variances: np.ndarray) -> tuple[float, float]:
    """Mean over models and its standard uncertainty, within plus between them."""
    mean = float(weight @ values)
    return mean, float(np.sqrt(weight @ (variances + (values - mean) ** 2)))


def rest_scatter(value_v: np.ndarray, time_s: np.ndarray, resolution_v: float) -> float | None:
    """Standard deviation of one reading over a rest, noise and rounding together; None with fewer than ``SCATTER_ROWS`` readings. [V]

    Past the head (:func:`settled`), where relaxation no longer bends the trend from reading to reading, or over the whole rest where too
    few readings are left there; see :func:`cycler.averaging.scatter_of`.
    """
    for part in (value_v[settled(time_s)], value_v):
        if np.count_nonzero(np.isfinite(part)) >= SCATTER_ROWS:
            return scatter_of(part, resolution_v)
    return None


def change_at_rest(value_v: np.ndarray, scatter_v: float, resolution_v: float) -> tuple[float, float]:
    """Voltage at the end of a rest less that of its first reading, and the standard uncertainty of it from scatter and rounding. [V]

    Parameters
    ----------
    value_v : ndarray, shape (n,)
        Readings of the rest, NaN = no reading; ``LAST_ROWS`` of them at least.
    scatter_v : float
        Standard deviation of one reading, noise and rounding together. [V]
    resolution_v : float
        Step of the readings. [V]

    Returns
    -------
    change_v, u_change_v : float

    Notes
    -----
    From one reading to the median of the last ``LAST_ROWS``. One reading errs by its scatter, the step's q/sqrt(12) at least; the median by
    ``MEDIAN_OF_THREE`` of the scatter and by what rounding leaves however many are read (:func:`cycler.averaging.rounding_left`). Zero and gain of
    the voltmeter are not in it: the zero cancels, the gain counts as its share of the change.
    """
    finite = value_v[np.isfinite(value_v)]
    change = float(np.median(finite[-LAST_ROWS:]) - finite[0])
    first = max(scatter_v, resolution_v / np.sqrt(12.0))
    last = np.hypot(MEDIAN_OF_THREE * scatter_v, rounding_left(scatter_v, resolution_v))
    return change, float(np.hypot(first, last))


def group_drifts(
    time_s: np.ndarray, group_voltage_v: np.ndarray, resolution_v: float, may_bend: bool = False
) -> tuple[Drift | None, ...]:
    """Drift of every group against the mean of those siblings that drift alike, over one rest. [V/s]

    Siblings: the other groups with readings. Alike are those whose slope (straight line past the head of the rest) lies within three scaled
    median absolute deviations (3 x 1.4826 MAD) and one step of the readings over the span from the median of all siblings' slopes;
    they are the same over the whole rest, and those left out do not count at all.
    Temperature and relaxation common to all groups cancel. A group may follow the common course by a tenth more or less
    (``COMMON_SHARE``) and relax by an exponential of its own; both are fitted and stay in the uncertainty.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Samples of the whole rest; its head is left out here. [s]
    group_voltage_v : ndarray, shape (n, series)
        [V]
    resolution_v : float
        Step of the readings. [V]
    may_bend : bool
        The rest began near the top of charge, where a balancer may have bled a group for a while: see :func:`drift`.

    Returns
    -------
    tuple of Drift or None, one per group
        None with fewer than two siblings or too few readings.

    References
    ----------
    Differential drift of groups in series: common practice, no source.
    """
    use = settled(time_s)
    t, v = time_s[use], group_voltage_v[use]
    n = v.shape[1]
    slopes = np.array([_plain_slope(t, v[:, g]) for g in range(n)])
    out: list[Drift | None] = []
    for g in range(n):
        others = np.array([k for k in range(n) if k != g and np.isfinite(slopes[k])], dtype=int)
        if others.size < 2 or not np.isfinite(slopes[g]):
            out.append(None)
            continue
        # The same siblings over the whole rest, those that drift off themselves left out.
        away = np.abs(slopes[others] - np.median(slopes[others]))
        alike = others[away <= 3.0 * 1.4826 * np.median(away) + resolution_v / np.ptp(t)]
        common = np.mean(v[:, alike], axis=1)
        u_rounding = resolution_v * rounding_share(v[:, g], resolution_v) * np.sqrt(1.0 + 1.0 / alike.size)
        out.append(drift(t, v[:, g] - common, float(u_rounding), common, may_bend))
    return tuple(out)


def _plain_slope(time_s: np.ndarray, value: np.ndarray) -> float:
    good = np.isfinite(value)
    if np.count_nonzero(good) < BLOCKS_MIN or np.ptp(time_s[good]) <= 0:
        return np.nan
    return straight(time_s[good] - time_s[0], value[good])[0]


def expected_drift_u(duration_s: float, sampling_s: float, noise_v: float, resolution_v: float, dithered: bool, siblings: int) -> float:
    """Standard uncertainty that a drift against siblings would have after a rest of that length. [V/s]

    For a rest that was not run: scatter and rounding of the readings only, relaxation over.

    Parameters
    ----------
    duration_s, sampling_s : float
        Length of the rest and time between readings. [s]
    noise_v : float
        Standard deviation of a reading, rounding included. [V]
    resolution_v : float
        Step of the readings. [V]
    dithered : bool
        Whether noise spreads the readings over several steps.
    siblings : int
        Groups that a group is held against.

    Notes
    -----
    Slope of a straight line, s sqrt(12/n)/T (textbook), times ``FADING_FACTOR`` for the fading part that is fitted beside it, and wider in a short rest,
    where that part may be slow against it; readings that stay on a step scatter by none of it but err by half a step's worth, see ``QUIET_SHARE``.
    """
    span = duration_s - head_s(duration_s)
    share = np.sqrt(1.0 + 1.0 / max(siblings, 1))
    count = max(span / sampling_s, 4.0)
    scatter = FADING_FACTOR * noise_v * np.sqrt(12.0 / min(count, 1e5)) if dithered else 0.55 * resolution_v
    rounding = 0.5 * (DITHERED_SHARE if dithered else QUIET_SHARE) * resolution_v
    short = 1.0 + 0.75 * SLOW_FADING_S / span
    return float(share * short * np.hypot(scatter, rounding) / span)


FADING_FACTOR = 2.7
"""How much wider a slope's uncertainty is with an exponential of unknown time constant (``FADING_SHARES``) fitted beside it; from the fit's own matrix,
checked on simulated rests."""
