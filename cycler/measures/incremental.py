"""Incremental capacity dQ/dV and differential voltage dV/dQ of a charge or discharge at steady current.

What is measured: the charge that flows per volt of the loaded voltage of one cell, group or (divided by its groups) pack, from the samples
of one stretch at steady current. Constant-voltage phases, rests, pulses and the first minute under load are cut out. Assumed: the current is
slow enough for the loaded voltage to stand for the equilibrium one but for a shift I x R, which is *not* corrected; charge and discharge peaks therefore
lie apart by twice that shift.

Steps of the evaluation: (1) single-valued monotone Q(V) by counting the charge that flowed below each level of an even voltage grid
(:func:`charge_below`), which needs no sorting of noisy readings; (2) the grid lies half-way between the codes of the instrument, so
that rounding alone shifts nothing; (3) Savitzky-Golay derivative of order 3 over a window stated in volts; (4) standard uncertainty of the derivative through the
filter's own coefficients from noise and resolution (JCGM 100:2008, 5.2, propagation with correlations; clause from memory).

References
----------
A. Savitzky and M. J. E. Golay, Analytical Chemistry 36 (1964) 1627 (from memory); a test holds the weights against scipy's. Rates of at most 0.1 It and
windows of 10 mV to 40 mV: two primers on incremental capacity, common practice. The rest is our own form, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from cycler.signals import noise_of, resolution_of

ORDER = 3
"""Order of the Savitzky-Golay polynomial."""
WINDOWS_V = (0.010, 0.014, 0.020, 0.028, 0.040)
"""Windows to choose from, per cell. [V] Common practice, no source."""
FLAT_WINDOWS_V = (0.004, 0.0056, 0.008)
"""Further ones where half of the charge flows within ``FLAT_V``, as on the plateau of LFP. [V] Common practice, no source."""
FLAT_V = 0.060
COARSE_WINDOWS_V = (0.056, 0.080)
"""Further ones where a code is wider than ``COARSE_V``. [V] Common practice, no source."""
COARSE_V = 0.005
TARGET_SHARE = 0.02
"""The narrowest window is taken whose noise and resolution leave this standard uncertainty (share of dQ/dV, median). Common practice, no source."""
STEEP_SHARE = 0.05
EDGE_SHARE = 0.25
"""How far the edge between two codes may lie from half-way, as a half-width in codes: the converter's nonlinearity. Common practice, no source."""
CELL_RANGE_V = 5.0
"""No cell's voltage runs through as much. [V]"""
POINTS_AIM = 20
"""Grid steps per window; fewer where the resolution does not give them. At least 4 (5 points) for a cubic."""
# Standard deviation of the mean crossing of a straight ramp sampled once per DELTA volts, in terms of the kernel below: the triangular
# weights of linear interpolation have the mean square 2/3; 1.5 / sqrt(pi) makes the kernel's value at zero equal to that.
_SPARSE = 1.5 / np.sqrt(np.pi)


def charge_below(voltage_v: np.ndarray, charge_ah: np.ndarray, at_v: np.ndarray) -> np.ndarray:
    """Charge that flowed while the voltage stood below each level: Q(V), monotone and single-valued whatever the noise.

    Parameters
    ----------
    voltage_v, charge_ah : ndarray, shape (n,)
        Readings [V] and the charge that had flowed at each, never falling [Ah].
    at_v : ndarray, shape (k,)
        Increasing levels. [V]

    Returns
    -------
    ndarray, shape (k,)
        [Ah], never falling.

    Notes
    -----
    Between two samples the voltage is a straight line over charge. White noise of standard deviation s turns the true Q(V) into its mean over a normal
    distribution of that width (each sample falls below V with that probability), so that a peak loses s^2/2 times its curvature; rounding
    shifts nothing half-way between two codes.
    """
    return bends_of(voltage_v, charge_ah).below(at_v)


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """Q(V) as a sum over readings: Q(V) = sum of b_i max(V - v_i, 0) + sum of j_i [V >= v_i].

    A line from sample to sample, v to w, that holds the charge q adds q/(w - v) to the bend at v and takes it from that at w, whichever way it runs; one that
    stays at its voltage adds q to the jump there, at the lower of the two.

    Attributes
    ----------
    voltage_v, bend, jump : ndarray, shape (n,)
        v_i less ``centre_v`` [V], b_i [Ah/V], j_i [Ah].
    centre_v : float
        [V]
    readings : ndarray, shape (n,), or None
        How many readings stand at each v_i; None: one.
    """

    voltage_v: np.ndarray
    bend: np.ndarray
    jump: np.ndarray
    centre_v: float
    readings: np.ndarray | None = None

    def below(self, at_v: np.ndarray) -> np.ndarray:
        """:func:`charge_below` at increasing levels [V], shape (k,). [Ah]"""
        at = at_v - self.centre_v
        place = np.searchsorted(at, self.voltage_v)
        sums = (np.cumsum(np.bincount(place, part, at.size + 1)[:-1]) for part in (self.bend, self.bend * self.voltage_v, self.jump))
        bend, moment, jump = sums
        return np.maximum.accumulate(np.maximum(bend * at - moment + jump, 0.0))

    def middle_half_v(self) -> float:
        """Distance between the quartiles of the readings. [V]"""
        if self.readings is None:
            low, high = np.quantile(self.voltage_v, (0.25, 0.75))
            return float(high - low)
        rank = np.cumsum(self.readings)
        places = (rank[-1] - 1) * np.array([0.25, 0.75])
        below, above = (self.voltage_v[np.searchsorted(rank, np.floor(places) + one, side="right")] for one in (0, 1))
        low, high = below + (places - np.floor(places)) * (above - below)
        return float(high - low)


def bends_of(voltage_v: np.ndarray, charge_ah: np.ndarray) -> Bends:
    """Where Q(V) bends and jumps: at every reading. Shapes and units as in :func:`charge_below`."""
    centre = 0.5 * (float(np.min(voltage_v)) + float(np.max(voltage_v)))
    v = voltage_v - centre
    way, flow = np.diff(v), np.diff(charge_ah)
    level = np.abs(way) < 1e-6
    density = np.divide(flow, way, out=np.zeros(way.size), where=~level)
    bend, jump = np.zeros(v.size), np.zeros(v.size)
    bend[:-1], jump[:-1] = density, np.where(level & (way >= 0.0), flow, 0.0)
    bend[1:] -= density
    jump[1:] += np.where(level & (way < 0.0), flow, 0.0)
    return Bends(v, bend, jump, centre)


def bends_at_codes(voltage_v: np.ndarray, charge_ah: np.ndarray, reading: Reading) -> Bends:
    """The same for readings that lie on the codes of their instrument, one entry a code: what flows from one code to another is added up first.

    Readings off the codes, or that jump about so that there are more pairs of codes than readings, are taken one by one.
    """
    r = reading.resolution_v
    place = (voltage_v - reading.phase_v) / r if r > 0.0 else voltage_v
    code = np.rint(place)
    if r <= 0.0 or float(np.max(np.abs(place - code))) > 1e-3:
        return bends_of(voltage_v, charge_ah)
    first = float(np.min(code))
    code = (code - first).astype(np.intp)
    step = np.diff(code)
    far, levels = int(np.max(np.abs(step), initial=0)), int(np.max(code)) + 1
    steps = np.arange(-far, far + 1)
    if levels * steps.size > code.size:
        return bends_of(voltage_v, charge_ah)
    flow = np.bincount(code[:-1] * steps.size + step + far, np.diff(charge_ah), levels * steps.size).reshape(levels, steps.size)
    density = np.divide(flow, r * steps, out=np.zeros(flow.shape), where=steps != 0)
    bend = np.sum(density, axis=1)
    reached, by = np.nonzero(density)
    bend -= np.bincount(reached + steps[by], density[reached, by], levels)
    middle = 0.5 * r * (levels - 1)
    return Bends(r * np.arange(levels) - middle, bend, flow[:, far], reading.phase_v + r * first + middle, np.bincount(code))


@lru_cache(maxsize=64)
def savgol_weights(points: int, deriv: int = 1) -> np.ndarray:
    """Weights of the Savitzky-Golay derivative over an odd window on a grid of 1, first point first: that of the least-squares polynomial at its middle.

    Shape (points,), read-only. The same as ``scipy.signal.savgol_coeffs(..., use="dot")``, which takes longer to load than a log to analyse.
    """
    half = points // 2
    fit = np.linalg.pinv(np.vander(np.arange(-half, half + 1) / half, ORDER + 1, increasing=True))
    found = fit[deriv] * (math.factorial(deriv) / float(half) ** deriv)
    found.flags.writeable = False
    return found


def _derivative(values: np.ndarray, points: int, grid: float, deriv: int = 1, margin: int | None = None) -> np.ndarray:
    """Derivative wherever the whole window lies inside, or ``margin`` points from either end. Shape (k,) in, (k - 2 margin,) out."""
    inside = np.correlate(values, savgol_weights(points, deriv), "valid") / grid**deriv
    more = 0 if margin is None else margin - points // 2
    return inside[more : inside.size - more]


# The standard library's own: loading scipy.special takes longer than all values that one log needs.
_erfc = np.vectorize(math.erfc, otypes=[float])


@lru_cache(maxsize=1)
def _folded() -> tuple[np.ndarray, np.ndarray]:
    """Mean |step| of a noisy ramp over its drift per sample, against noise over drift."""
    x = np.logspace(-0.7, 4, 200)
    return 2.0 * x / np.sqrt(np.pi) * np.exp(-1.0 / (4.0 * x**2)) + 1.0 - _erfc(1.0 / (2.0 * x)), x


def reading_noise(voltage_v: np.ndarray, resolution_v: float) -> float:
    """Standard deviation of the noise of single readings along a falling or rising curve. [V]

    Notes
    -----
    From how much longer the way of the readings is than the change of voltage. For a ramp of d per sample with white normal noise s the mean
    step is that of a folded normal distribution, 2 s/sqrt(pi) exp(-d^2/4s^2) + d erf(d/2s); rounding does not change it where d < s. Where
    the voltage moves by more than a code per sample, also from second differences (:func:`signals.noise_of`) less the rounding. The median over
    twenty blocks.
    """
    blocks = [block for block in np.array_split(voltage_v, min(20, max(1, voltage_v.size // 12))) if block.size > 4]
    drift = np.array([abs(float(block[-1] - block[0])) / (block.size - 1) for block in blocks])
    way = np.array([float(np.mean(np.abs(np.diff(block)))) for block in blocks])
    ratio, x = _folded()
    floor = np.maximum(drift, 1e-9)
    excess = np.where(way > 1.02 * floor, floor * np.interp(way / floor, ratio, x), 0.0)
    found = float(np.median(excess))
    if np.median(drift) >= resolution_v:
        found = max(found, float(np.sqrt(max(0.0, noise_of(voltage_v) ** 2 - resolution_v**2 / 12.0))))
    return found


def _shared(lag: np.ndarray) -> np.ndarray:
    """Covariance of two crossings that lie ``lag`` noise widths apart: mean of the positive part of (X - Y - lag), X and Y standard normal."""
    z = np.abs(lag) / np.sqrt(2.0)
    return np.sqrt(2.0) * (np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi) - 0.5 * z * _erfc(z / np.sqrt(2.0)))


def derivative_covariance(points: int, grid: float, length: np.ndarray, lags: np.ndarray, deriv: int = 1) -> np.ndarray:
    """Covariance of the filter's output at some lags for readings of unit noise density with that correlation length.

    Parameters
    ----------
    points, grid : int, float
        Window in points and step of the grid.
    length : ndarray, shape (k,)
        Correlation length, unit of ``grid``.
    lags : ndarray of int, shape (l,)
        In grid steps.

    Returns
    -------
    ndarray, shape (k, l)
        Sum over pairs of filter coefficients c_i c_j S(|i - j + lag| grid / length) / length. White noise of variance s^2 on each grid point is the
        limit of a short length: s^2 times the sum of c_i^2.
    """
    own = _own_product(points, deriv) / grid ** (2 * deriv)
    far = np.abs(lags)
    # A lag of a whole number of steps: every distance is one of these, whichever pair of coefficients it lies between.
    distance = np.arange(1 - points, points + int(np.max(far))) * grid
    return np.array([np.correlate(_shared(distance / one), own, "valid")[far] / one for one in np.atleast_1d(length)])


@lru_cache(maxsize=64)
def _own_product(points: int, deriv: int) -> np.ndarray:
    """Sum of the products of the filter's weights at each distance, from -(points - 1) to points - 1, on a grid of 1."""
    c = savgol_weights(points, deriv)
    return np.correlate(c, c, "full")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a channel's readings are worth along a stretch, per cell: resolution and phase of its codes, noise of a reading [V], charge per sample [Ah]."""

    resolution_v: float
    phase_v: float
    noise_v: float
    charge_per_sample_ah: float


def _code_step(voltage_v: np.ndarray) -> float:
    """Step of readings so sparse that hardly a code occurs twice: the smallest distance of two, or a half or third of it, if all lie on its multiples; else 0."""
    steps = np.diff(np.unique(np.round(voltage_v, 9)))
    if not steps.size or steps.min() < 1e-6:
        return 0.0
    tries = float(steps.min()) / np.array([1.0, 2.0, 3.0])
    good = [step for step in tries if abs(np.mean(np.exp(2j * np.pi * voltage_v / step))) > 0.98]
    return float(good[0]) if good else 0.0


def _mean_turn(values: np.ndarray, step: float) -> complex:
    """Mean of exp(2 pi i value/step): of length 1 where all lie a whole number of steps apart, with the angle of where in a step they lie."""
    turns = values / step
    first = float(turns[0])
    turns -= first
    turns -= np.rint(turns)
    if float(np.max(np.abs(turns))) < 1e-3:
        # To the second order, which leaves less than 1e-7: sines and cosines of a long log take their time.
        mean = complex(1.0 - 2.0 * np.pi**2 * float(np.mean(turns**2)), 2.0 * np.pi * float(np.mean(turns)))
    else:
        mean = complex(np.mean(np.exp(2j * np.pi * turns)))
    return mean * complex(np.exp(2j * np.pi * first))


def reading_of(
    voltage_v: np.ndarray, charge_ah: np.ndarray, resolution_v: float | None = None, charge_per_sample_ah: float | None = None
) -> Reading:
    """Resolution, noise and charge per sample of a stretch of readings.

    ``resolution_v`` is that of the whole column, which shows its codes better than one stretch; a resolution on whose multiples the readings do not lie is none.
    ``charge_per_sample_ah`` is the median of what flowed from reading to reading, where it is known already.
    """
    resolution = resolution_v or resolution_of(voltage_v) or _code_step(voltage_v)
    phase = 0.0
    if resolution > 0:
        turn = _mean_turn(voltage_v, resolution)
        phase = float(np.angle(turn) / (2.0 * np.pi) * resolution)
        resolution = resolution if abs(turn) > 0.9 else 0.0
    flow = charge_per_sample_ah if charge_per_sample_ah is not None else float(np.median(np.diff(charge_ah)))
    return Reading(resolution, phase, reading_noise(voltage_v, resolution), flow)


@dataclass(frozen=True, slots=True)
class Filter:
    """Window and grid of a derivative; ``window_v`` = (points - 1) x ``grid_v``. [V]"""

    points: int
    grid_v: float

    @property
    def window_v(self) -> float:
        """Distance from the first to the last point of the window. [V]"""
        return (self.points - 1) * self.grid_v


def filter_for(window_v: float, resolution_v: float) -> Filter:
    """Grid and odd number of points for a window: the grid a whole multiple of the resolution, at least 5 points."""
    aim = window_v / POINTS_AIM
    grid = resolution_v * max(1, round(aim / resolution_v)) if resolution_v > 0 else aim
    half = max(2, round(0.5 * window_v / grid))
    return Filter(2 * half + 1, grid)


@dataclass(frozen=True, slots=True, eq=False)
class IncrementalCurve:
    """dQ/dV and dV/dQ of one channel. All arrays read-only by convention.

    Attributes
    ----------
    voltage_v, charge_ah : ndarray, shape (k,)
        Even grid [V] and the charge that flowed below it [Ah].
    dq_dv, u_noise, u_resolution, filter_loss : ndarray, shape (k,)
        Derivative, its standard uncertainty from noise, from resolution, and an estimate of what the filter and the noise of the readings take
        from it (signed). [Ah/V]
    at_charge_ah, dv_dq, u_dv_dq : ndarray, shape (l,)
        Even grid of the charge below the upper end of the voltage range [Ah], the same way round for charge and discharge, since tests mostly meet at full, derivative and its standard uncertainty [V/Ah].
    filter : Filter
    window_ah : float
        Window of dV/dQ. [Ah]
    reading : Reading
    """

    voltage_v: np.ndarray
    charge_ah: np.ndarray
    dq_dv: np.ndarray
    u_noise: np.ndarray
    u_resolution: np.ndarray
    filter_loss: np.ndarray
    at_charge_ah: np.ndarray
    dv_dq: np.ndarray
    u_dv_dq: np.ndarray
    filter: Filter
    window_ah: float
    reading: Reading

    @property
    def u_dq_dv(self) -> np.ndarray:
        """Standard uncertainty of ``dq_dv`` from noise, resolution and filter, without the scales of the instrument. [Ah/V]"""
        return np.sqrt(self.u_noise**2 + self.u_resolution**2 + self.filter_loss**2)

    def relative(self, part: np.ndarray) -> float:
        """Median of a part of the uncertainty over the derivative, each volt weighed with its charge."""
        share = np.divide(part, self.dq_dv, out=np.ones_like(part), where=self.dq_dv > 0)
        order = np.argsort(share)
        weight = np.cumsum(np.maximum(self.dq_dv[order], 0.0))
        return float(share[order][np.searchsorted(weight, 0.5 * weight[-1])]) if weight[-1] > 0 else 1.0


def even_grid(low_v: float, high_v: float, grid_v: float, reading: Reading) -> np.ndarray:
    """Even levels inside a range, half-way between the codes of the instrument where it has any."""
    origin = reading.phase_v + 0.5 * reading.resolution_v if reading.resolution_v else low_v
    first, last = np.ceil((low_v - origin) / grid_v), np.floor((high_v - origin) / grid_v)
    return origin + grid_v * np.arange(first, last + 1)


def _ends(voltage_v: np.ndarray, reading: Reading) -> tuple[float, float]:
    """Range that the readings pass through as a whole, ends of the noise left out."""
    few = min(5, 1 + voltage_v.size // 100)
    ends = sorted((float(np.median(voltage_v[:few])), float(np.median(voltage_v[-few:]))))
    margin = 2.0 * reading.noise_v
    return ends[0] + margin, ends[1] - margin


def incremental_curve(
    voltage_v: np.ndarray, charge_ah: np.ndarray, reading: Reading, chosen: Filter, bends: Bends | None = None
) -> IncrementalCurve | None:
    """Both derivatives with pointwise standard uncertainty for one window.

    Parameters
    ----------
    voltage_v, charge_ah : ndarray, shape (n,)
        Readings along the stretch, per cell [V], and the charge that had flowed at each, from 0 [Ah].
    reading : Reading
    chosen : Filter
    bends : Bends, optional
        :func:`bends_at_codes` of these readings, where they are known already.

    Returns
    -------
    IncrementalCurve or None
        None where the range holds fewer than two windows or is none of a cell (``CELL_RANGE_V``).

    Notes
    -----
    Noise: the crossings of neighbouring levels share samples, covariance D dQ s S(lag) for samples denser than the noise (``_shared``), that of
    linear interpolation otherwise; D = dQ/dV, dQ the charge per sample. Resolution: each edge between two codes may lie off half-way by
    ``EDGE_SHARE`` of a code (rectangular), smeared over the noise. Filter: an order-3 derivative errs with the fourth power of the
    window, so a window twice as wide errs sixteen times as much and a fifteenth of the difference is the error; noise takes s^2/2 times the curvature.
    """
    low, high = _ends(voltage_v, reading)
    h, m = chosen.grid_v, chosen.points
    if not high - low < CELL_RANGE_V:
        return None
    grid = even_grid(low, high, h, reading)
    if grid.size < 2 * m:
        return None
    content = (bends or bends_at_codes(voltage_v, charge_ah, reading)).below(grid)
    half = m // 2
    inner = slice(half, grid.size - half)
    slope = _derivative(content, m, h)
    # What the wide filter shows where it fits; beyond, as at its ends.
    wide_points = 4 * half + 1
    loss = np.zeros(slope.size)
    if grid.size > wide_points:
        wide = _derivative(content, wide_points, h)
        bend = _derivative(content, max(m, 9), h, 3, 2 * half)
        seen = (wide - slope[half : slope.size - half]) / 15.0 + 0.5 * reading.noise_v**2 * bend
        loss = np.interp(np.arange(slope.size), np.arange(half, slope.size - half), seen)
    u_noise, u_resolution = _derivative_u(np.maximum(slope, 0.0), reading, chosen)
    at_charge, dv_dq, u_dv_dq, window_ah = _dv_dq(grid, content, slope, reading, chosen)
    return IncrementalCurve(
        grid[inner], content[inner], slope, u_noise, u_resolution, loss, at_charge, dv_dq, u_dv_dq, chosen, window_ah, reading,
    )


def noise_densities(slope: np.ndarray, reading: Reading) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """Noise density [V^3] and correlation length [V] of noise and of resolution at each point of the curve.

    With the readings' own noise goes their rounding: the instant of a crossing is known to a sample where samples are dense, the voltage of a sample to a
    code where they are not; both are r min(r, d)/12 with d the change per sample.
    """
    per_sample = np.divide(reading.charge_per_sample_ah, slope, out=np.full(slope.size, 0.1), where=slope > 10.0 * reading.charge_per_sample_ah)
    r, s = reading.resolution_v, reading.noise_v
    noise = (s**2 + r * np.minimum(r, per_sample) / 12.0) * per_sample, np.maximum(s, _SPARSE * per_sample)
    if r <= 0:
        return (noise, (np.zeros(slope.size), np.ones(slope.size)))
    step = np.maximum(r, per_sample)
    return noise, ((EDGE_SHARE * r) ** 2 / 3.0 * step, np.maximum(s, step / np.sqrt(np.pi)))


@lru_cache(maxsize=64)
def _gain_table(points: int) -> tuple[np.ndarray, np.ndarray]:
    """Logarithms of length over grid, and of :func:`derivative_covariance` at lag 0 on a grid of 1, where it is positive."""
    length = np.geomspace(1e-4, 1e4, 129)
    gain = derivative_covariance(points, 1.0, length, np.array([0]))[:, 0]
    # Far longer than the window the sum is what rounding leaves; the last good value falls off as the cube.
    good = gain > 1e-9 * gain[0]
    last = int(np.argmin(good)) if not np.all(good) else length.size
    return np.log(length[:last]), np.log(gain[:last])


def _derivative_u(slope: np.ndarray, reading: Reading, chosen: Filter) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainty from noise and from resolution; each crossing of the window counts with its own slope and its coefficient squared."""
    h = chosen.grid_v
    weight = savgol_weights(chosen.points) ** 2
    weight /= weight.sum()
    length_nodes, gain_nodes = _gain_table(chosen.points)
    parts = []
    for density, length in noise_densities(slope, reading):
        gain = np.exp(np.interp(np.log(length / h), length_nodes, gain_nodes)) / h**3
        beyond = np.pad(slope**2 * density, chosen.points // 2, mode="edge")
        parts.append(np.sqrt(np.correlate(beyond, weight, "valid") * gain))
    return parts[0], parts[1]


def _dv_dq(
    grid: np.ndarray, content: np.ndarray, slope: np.ndarray, reading: Reading, chosen: Filter
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Derivative of voltage by charge on an even charge grid; its window holds the charge of one voltage window where dQ/dV is at its median.

    Steep ends, where dQ/dV is below ``STEEP_SHARE`` of that, are left out: a cubic rings at them.
    """
    weight = np.argsort(slope)
    share = np.cumsum(np.maximum(slope[weight], 0.0))
    usual = float(slope[weight][np.searchsorted(share, 0.5 * share[-1])])
    flat = np.flatnonzero(slope >= STEEP_SHARE * usual) + chosen.points // 2
    q, v = content[flat[0] : flat[-1] + 1], grid[flat[0] : flat[-1] + 1]
    rising = np.concatenate(([True], np.diff(q) > 0))
    q, v = q[rising], v[rising]
    total = float(q[-1] - q[0])
    if not 0.0 < total < np.inf:
        return np.zeros(0), np.zeros(0), np.zeros(0), 0.0
    window = min(max(usual * chosen.window_v, 4.0 * reading.charge_per_sample_ah, total / 100.0), total / 12.0)
    step = window / POINTS_AIM
    at = np.arange(q[0], q[-1], step)
    points = POINTS_AIM + 1
    if at.size < 2 * points:
        return np.zeros(0), np.zeros(0), np.zeros(0), window
    half = points // 2
    inner = slice(half, at.size - half)
    smooth = _derivative(np.interp(at, q, v), points, step)
    gain = float(np.sum(savgol_weights(points) ** 2)) / step**2
    density = reading.noise_v**2 * reading.charge_per_sample_ah
    r = reading.resolution_v
    per_sample = np.maximum(smooth, 1e-12) * reading.charge_per_sample_ah
    density += r * np.minimum(r, per_sample) / 12.0 * reading.charge_per_sample_ah
    coded = (EDGE_SHARE * r) ** 2 / 3.0 * np.maximum(r / np.maximum(smooth, 1e-12), reading.charge_per_sample_ah)
    u = np.sqrt(np.minimum((density + coded) / step, reading.noise_v**2 + r**2 / 12.0) * gain)
    return (content[-1] - at[inner])[::-1], smooth[::-1], u[::-1], window


def best_curve(
    voltage_v: np.ndarray, charge_ah: np.ndarray, window_v: float | None = None, resolution_v: float | None = None,
    charge_per_sample_ah: float | None = None,
) -> IncrementalCurve | None:
    """The curve with the narrowest window that noise and resolution allow, or with a given one.

    Allowed is what leaves ``TARGET_SHARE`` of dQ/dV as standard uncertainty (charge-weighted median); if none does, the window is taken at which noise, resolution
    and filter loss together are least.

    Parameters
    ----------
    voltage_v, charge_ah : ndarray, shape (n,)
        See :func:`incremental_curve`.
    window_v : float, optional
        [V]
    resolution_v : float, optional
        Step of the whole column; without it that of these readings. [V]
    charge_per_sample_ah : float, optional
        As in :func:`reading_of`. [Ah]

    Returns
    -------
    IncrementalCurve or None
        None where the range holds fewer than two of the narrowest window, or fewer than ten readings are there.
    """
    if voltage_v.size < 10 or np.ptp(voltage_v) <= 0:
        return None
    reading = reading_of(voltage_v, charge_ah, resolution_v, charge_per_sample_ah)
    if window_v is not None:
        return incremental_curve(voltage_v, charge_ah, reading, filter_for(window_v, reading.resolution_v))
    bends = bends_at_codes(voltage_v, charge_ah, reading)
    windows = (*FLAT_WINDOWS_V, *WINDOWS_V) if bends.middle_half_v() < FLAT_V else WINDOWS_V
    windows = (*windows, *COARSE_WINDOWS_V) if reading.resolution_v > COARSE_V else windows
    filters = dict.fromkeys(filter_for(window, reading.resolution_v) for window in windows)
    found: list[IncrementalCurve] = []
    for chosen in filters:
        curve = incremental_curve(voltage_v, charge_ah, reading, chosen, bends)
        if curve is None:
            continue
        if curve.relative(np.hypot(curve.u_noise, curve.u_resolution)) <= TARGET_SHARE:
            return curve
        found.append(curve)
    return min(found, key=lambda curve: curve.relative(curve.u_dq_dv), default=None)
