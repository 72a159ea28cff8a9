"""Peaks of an incremental capacity curve, with the uncertainty of their place and height.

What is measured: where the charge of a cell lies along its voltage. Uncertainties are those of noise, resolution and filter; gain and zero errors of the
instrument are the caller's to add.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from cycler.measures.incremental import IncrementalCurve, derivative_covariance, noise_densities

PROMINENCE_U = 7.0
"""A peak must stand out of the valleys beside it by this many standard uncertainties of the derivative. Common practice, no source; a test counts
the peaks that noise alone would make."""
PROMINENCE_SHARE = 0.002
"""... and by this share of the highest value: finer structure is not told from the nonlinearity of a converter. Common practice, no source."""
TOP_SHARE = 0.4
"""Upper part of a peak's prominence through which a cubic is laid for the position: a parabola would lean with the steeper flank."""
TOP_POINTS = 100
"""About as many points of it are used at most; the filter joins neighbours anyway."""
SHAPE_SHARE = 0.01
"""What the cubic may place a skew peak wrong by (half-width), as a share of the stretch it is laid through. Our own, checked on a published cell's curve (tests)."""
EDGE_VALLEY_SHARE = 0.2
"""Where the range ends beside a peak, its width is still told if the curve is below this share of its height there."""


@dataclass(frozen=True, slots=True)
class Peak:
    """One maximum of dQ/dV.

    ``width_v`` is the full width at half prominence, None where the range ends before the valley that sets the prominence and the curve is still high there;
    ``area_ah`` the charge between the valleys ``from_v`` and ``to_v`` on its two sides (or the ends of the range), so that the areas of all peaks add up to the charge;
    ``filter_limited`` is True where the width is less than the window: the height is then a lower bound, the width an upper one. [V, Ah/V, Ah]
    """

    position_v: float
    u_position_v: float
    height_ah_per_v: float
    u_height_ah_per_v: float
    prominence_ah_per_v: float
    width_v: float | None
    area_ah: float
    u_area_ah: float
    from_v: float
    to_v: float
    filter_limited: bool


def find_curve_peaks(curve: IncrementalCurve) -> tuple[Peak, ...]:
    """Maxima of dQ/dV that stand out of its uncertainty, by rising voltage.

    Notes
    -----
    As ``scipy.signal.find_peaks`` with a prominence of ``PROMINENCE_U`` standard uncertainties (noise and resolution) and ``PROMINENCE_SHARE`` of the highest value. Position: maximum of the
    least-squares cubic through the upper part (``TOP_SHARE``) of the prominence; height: the derivative there. Its uncertainty goes through the cubic with the
    full covariance of the filter's output.
    """
    d, h = curve.dq_dv, curve.filter.grid_v
    if d.size < 7:
        return ()
    random = np.hypot(curve.u_noise, curve.u_resolution)
    least = np.maximum(PROMINENCE_U * random, PROMINENCE_SHARE * float(d.max()))
    # Beside a jump of the voltage the cubic swings below zero, where no pack goes: by as much it may err above zero, and less than that is no peak.
    found = [(at, out, left, right) for at, out, left, right in standing_out(d, least) if d[at] >= max(least[at], -d[left], -d[right])]
    valleys = [0, *(a[0] + int(np.argmin(d[a[0] : b[0]])) for a, b in itertools.pairwise(found)), d.size - 1]
    peaks = []
    for k, (at, prominence, left, right) in enumerate(found):
        width = h * half_width(d, at, prominence, left, right)
        # The base that sets the prominence is the higher of the two.
        base = left if d[left] >= d[right] else right
        told = 0 < base < d.size - 1 or d[base] < EDGE_VALLEY_SHARE * d[at]
        top = _top(d, at, d[at] - TOP_SHARE * prominence)
        position, height, u_position, off_v = _vertex(curve, top)
        low, high = valleys[k], valleys[k + 1]
        # A valley between two peaks is found to within half a window.
        open_ends = [d[i] * curve.filter.window_v / np.sqrt(12.0) for i in (low, high) if 0 < i < d.size - 1]
        peaks.append(
            Peak(
                position, float(np.hypot(u_position, off_v)), height, float(np.hypot(random[at], curve.filter_loss[at])), prominence,
                width if told else None, float(curve.charge_ah[high] - curve.charge_ah[low]), float(np.sqrt(np.sum(np.square(open_ends)))),
                float(curve.voltage_v[low]), float(curve.voltage_v[high]), width < curve.filter.window_v,
            )
        )
    return tuple(peaks)


def standing_out(d: np.ndarray, least: np.ndarray) -> list[tuple[int, float, int, int]]:
    """Maxima with their prominence and the lowest points on both sides before a higher value: (index, prominence, left, right).

    Parameters
    ----------
    d, least : ndarray, shape (k,)
        Values, and how much a maximum at each place must stand out. Of a flat top the middle counts; one that reaches an end is none.

    Notes
    -----
    The same as ``scipy.signal.find_peaks`` (a test holds them against each other), which takes longer to load than a log to analyse.
    """
    turns = np.flatnonzero(np.diff(d))
    rising = np.diff(d)[turns] > 0
    tops = np.flatnonzero(rising[:-1] & ~rising[1:])
    found = []
    for at in ((turns[tops] + 1 + turns[tops + 1]) // 2).tolist():
        higher = np.flatnonzero(d > d[at])
        beside = int(np.searchsorted(higher, at))
        low = int(higher[beside - 1]) + 1 if beside else 0
        high = int(higher[beside]) if beside < higher.size else d.size
        left, right = at - int(np.argmin(d[low : at + 1][::-1])), at + int(np.argmin(d[at:high]))
        prominence = float(d[at] - max(d[left], d[right]))
        if prominence >= least[at]:
            found.append((at, prominence, left, right))
    return found


def half_width(d: np.ndarray, at: int, prominence: float, left: int, right: int) -> float:
    """Full width of a maximum at half its prominence, between the points of :func:`standing_out`; straight between samples. [samples]"""
    level = d[at] - 0.5 * prominence
    before = left + int(np.flatnonzero(d[left : at + 1] <= level)[-1])
    after = at + int(np.flatnonzero(d[at : right + 1] <= level)[0])
    first = before + (level - d[before]) / (d[before + 1] - d[before])
    return float(after - (level - d[after]) / (d[after - 1] - d[after]) - first)


def _top(d: np.ndarray, at: int, level: float) -> slice:
    """The stretch around a maximum above a level, at least two points on each side where there are any."""
    below = np.flatnonzero(d < level)
    beside = int(np.searchsorted(below, at))
    first = int(below[beside - 1]) + 1 if beside else 0
    last = int(below[beside]) - 1 if beside < below.size else d.size - 1
    return slice(max(0, min(first, at - 2)), min(d.size, max(last, at + 2) + 1))


def _vertex(curve: IncrementalCurve, top: slice) -> tuple[float, float, float, float]:
    """Maximum of the cubic through the top of a peak, derivative there, standard uncertainty of the position, and what the filter shifts it by."""
    stride = max(1, (top.stop - top.start) // TOP_POINTS)
    top = slice(top.start, top.stop, stride)
    v, d, h = curve.voltage_v[top], curve.dq_dv[top], curve.filter.grid_v
    centre = float(v[int(np.argmax(d))])
    x = stride * (np.arange(v.size) - int(np.argmax(d)))
    fit = _cubic_fit(v.size, stride, int(np.argmax(d)))
    shift = _maximum(fit @ d, x)
    if shift is None:
        return centre, float(np.max(d)), float(v[-1] - v[0]) / np.sqrt(12.0), 0.0
    lags = stride * np.arange(v.size)
    rows = np.abs(lags[:, None] - lags[None, :]) // stride
    middle = float(np.max(d))
    covariance = np.zeros((v.size, v.size))
    for density, length in noise_densities(np.array([middle]), curve.reading):
        if density[0] > 0:
            covariance += middle**2 * density[0] * derivative_covariance(curve.filter.points, h, length, lags)[0][rows]
    bend = np.array([0.0, 0.0, 2.0, 6.0 * shift]) @ fit @ d
    away = np.array([0.0, 1.0, 2.0 * shift, 3.0 * shift**2]) @ fit / bend
    u_shift = float(np.sqrt(max(0.0, away @ covariance @ away)))
    other = _maximum(fit @ (d - curve.filter_loss[top]), x)
    loss = (0.0 if other is None else abs(other - shift)) + SHAPE_SHARE * float(x[-1] - x[0]) / np.sqrt(3.0)
    position = centre + shift * h
    return position, float(np.interp(position, v, d)), u_shift * h, loss * h


@lru_cache(maxsize=256)
def _cubic_fit(points: int, stride: int, middle: int) -> np.ndarray:
    """Matrix from values at even places, ``stride`` grid steps apart and counted from ``middle``, to the coefficients of their least-squares cubic from the constant up."""
    return np.linalg.pinv(np.vander(stride * (np.arange(points) - middle), 4, increasing=True))


def _maximum(cubic: np.ndarray, x: np.ndarray) -> float | None:
    """Where a cubic (coefficients from the constant up) has its maximum inside a stretch, or None."""
    _, a, b, c = (float(part) for part in cubic)
    # Of the two places with slope a + 2 b x + 3 c x^2 = 0 the one at which 2 b + 6 c x is negative; written so that nothing cancels (textbook).
    inner = b * b - 3.0 * a * c
    if inner <= 0.0:
        return None
    root = inner**0.5
    if b < 0.0:
        at = a / (root - b)
    elif c != 0.0:
        at = -(b + root) / (3.0 * c)
    else:
        return None
    return at if x[0] <= at <= x[-1] else None
