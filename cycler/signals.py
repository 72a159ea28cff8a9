"""What a column of readings tells of its instrument: resolution, noise, and the zero of an ammeter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    distinct = np.unique(np.round(finite, 9))
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
    finite = values[np.isfinite(values)]
    if finite.size < 5:
        return 0.0
    second = np.diff(finite, 2)
    return float(1.4826 * np.median(np.abs(second)) / np.sqrt(6.0))


def current_scale(current_a: np.ndarray, voltage_v: np.ndarray | None = None) -> CurrentScale:
    """Zero, noise and rest threshold of a current column.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        NaN = no reading. [A]
    voltage_v : ndarray, shape (n,), optional
        Pack voltage of the same samples: with it, readings up to 4 % of the largest may be the zero of a poor meter; small charge
        currents at the top of the voltage, the end of a taper, are kept out. Without it only 1.2 %. [V]

    The zero is the centre of a cluster of readings near zero, taken only if that cluster is flat in time (the slow end
    of a taper is not a zero).
    """
    known = np.isfinite(current_a)
    current = current_a[known]
    if current.size == 0:
        return CurrentScale(0.0, 0.0, 0.0, 0.0, 0.0)
    # Third largest: one or two stray rows do not set the scale.
    rank = min(3, current.size)
    largest = float(np.partition(np.abs(current), -rank)[-rank])
    if largest <= 0:
        return CurrentScale(0.0, 0.0, 0.0, 1e-9, 0.0)
    resolution = resolution_of(current)
    noise = max(noise_of(current), resolution / np.sqrt(12.0), 1e-5 * largest)
    half_width = max(4.0 * noise, 1.1 * resolution, 0.0015 * largest)
    near = np.flatnonzero(np.abs(current) < 0.012 * largest)
    if voltage_v is not None and np.any(np.isfinite(voltage_v)):
        voltage = voltage_v[known]
        top = np.nan_to_num(voltage, nan=-np.inf) >= 0.9985 * float(np.nanquantile(voltage_v, 0.999))
        charged = bool(np.any(current > 0.05 * largest))
        near = np.flatnonzero((np.abs(current) < 0.04 * largest) & ~((current > 0) & top & charged))
    zero = 0.0
    spread = noise
    if near.size >= 3:
        values = np.sort(current[near])
        counts = np.searchsorted(values, values + half_width, "right") - np.arange(values.size)
        centres = values + 0.5 * half_width
        # Of the clusters that hold enough readings, the one nearest to zero: a taper may dwell longer than a rest lasts.
        enough = counts >= max(3, int(0.03 * near.size))
        pick = np.flatnonzero(enough)[np.argmin(np.abs(centres[enough]))] if np.any(enough) else int(np.argmax(counts))
        centre = float(centres[pick])
        for _ in range(4):
            members = near[np.abs(current[near] - centre) <= 0.5 * half_width * (1.0 + 1e-6)]
            if members.size == 0:
                break
            centre = float(np.median(current[members]))
        third = max(1, members.size // 3)
        drift = abs(np.median(current[members[:third]]) - np.median(current[members[-third:]])) if members.size else np.inf
        if drift <= max(2.0 * noise, 1.1 * resolution):
            zero = centre
            spread = max(noise, float(np.std(current[members])))
    threshold = max(4.5 * spread, 1.1 * resolution, 0.0015 * largest)
    threshold = min(threshold, max(0.01 * largest, 1.1 * resolution))
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
