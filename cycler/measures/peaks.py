"""Peaks of an incremental capacity curve, with the uncertainty of their place and height.

What is measured: where the charge of a cell lies along its voltage. Uncertainties are those of noise, resolution and filter; gain and zero errors of the
instrument are the caller's to add.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

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
    ``scipy.signal.find_peaks`` with a prominence of ``PROMINENCE_U`` standard uncertainties (noise and resolution) and ``PROMINENCE_SHARE`` of the highest value. Position: maximum of the
    least-squares cubic through the upper part (``TOP_SHARE``) of the prominence; height: the derivative there. Its uncertainty goes through the cubic with the
    full covariance of the filter's output.
    """
    from scipy.signal import find_peaks, peak_widths

    d, h = curve.dq_dv, curve.filter.grid_v
    if d.size < 7:
        return ()
    random = np.hypot(curve.u_noise, curve.u_resolution)
    index, found = find_peaks(d, prominence=np.maximum(PROMINENCE_U * random, PROMINENCE_SHARE * float(d.max())))
    if not index.size:
        return ()
    prominence, left, right = found["prominences"], found["left_bases"], found["right_bases"]
    widths = peak_widths(d, index, rel_height=0.5, prominence_data=(prominence, left, right))[0] * h
    valleys = np.array([0, *(a + int(np.argmin(d[a:b])) for a, b in itertools.pairwise(index)), d.size - 1])
    peaks = []
    for k, at in enumerate(index):
        # The base that sets the prominence is the higher of the two.
        base = left[k] if d[left[k]] >= d[right[k]] else right[k]
        told = 0 < base < d.size - 1 or d[base] < EDGE_VALLEY_SHARE * d[at]
        top = _top(d, int(at), d[at] - TOP_SHARE * prominence[k])
        position, height, u_position, off_v = _vertex(curve, top)
        low, high = int(valleys[k]), int(valleys[k + 1])
        # A valley between two peaks is found to within half a window.
        open_ends = [d[i] * curve.filter.window_v / np.sqrt(12.0) for i in (low, high) if 0 < i < d.size - 1]
        peaks.append(
            Peak(
                position, float(np.hypot(u_position, off_v)), height, float(np.hypot(random[at], curve.filter_loss[at])), float(prominence[k]),
                float(widths[k]) if told else None, float(curve.charge_ah[high] - curve.charge_ah[low]), float(np.sqrt(np.sum(np.square(open_ends)))),
                float(curve.voltage_v[low]), float(curve.voltage_v[high]), bool(widths[k] < curve.filter.window_v),
            )
        )
    return tuple(peaks)


def _top(d: np.ndarray, at: int, level: float) -> slice:
    """The stretch around a maximum above a level, at least two points on each side where there are any."""
    below = np.flatnonzero(d < level)
    first = int(below[below < at][-1]) + 1 if np.any(below < at) else 0
    last = int(below[below > at][0]) - 1 if np.any(below > at) else d.size - 1
    return slice(max(0, min(first, at - 2)), min(d.size, max(last, at + 2) + 1))


def _vertex(curve: IncrementalCurve, top: slice) -> tuple[float, float, float, float]:
    """Maximum of the cubic through the top of a peak, derivative there, standard uncertainty of the position, and what the filter shifts it by."""
    stride = max(1, (top.stop - top.start) // TOP_POINTS)
    top = slice(top.start, top.stop, stride)
    v, d, h = curve.voltage_v[top], curve.dq_dv[top], curve.filter.grid_v
    centre = float(v[int(np.argmax(d))])
    x = (v - centre) / h
    fit = np.linalg.pinv(np.vander(x, 4, increasing=True))
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


def _maximum(cubic: np.ndarray, x: np.ndarray) -> float | None:
    """Where a cubic (coefficients from the constant up) has its maximum inside a stretch, or None."""
    roots = np.roots(cubic[:0:-1] * np.array([3.0, 2.0, 1.0]))
    real = np.real(roots[np.abs(np.imag(roots)) < 1e-9])
    inside = [r for r in real if x[0] <= r <= x[-1] and 2.0 * cubic[2] + 6.0 * cubic[3] * r < 0]
    return float(inside[0]) if inside else None
