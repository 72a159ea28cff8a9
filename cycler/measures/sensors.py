"""Readings of temperature sensors that are none: values that stand for no sensor, and sensors that froze.

The bounds are of common practice, no source, unless said; a real pack on a bench stays inside them until long after it must be left alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.longcolumns import medians_of_three
from cycler.signals import GAP_MIN_S, GAP_RATIO, usual_interval

LOWEST_C, HIGHEST_C = -40.0, 150.0
"""Readings at or below the one (-127 and -40 stand for a lost sensor or the end of a scale) or above the other are impossible. [degC]"""
POWER_ON_C = 85.0
"""What a common kind of digital sensor gives before its first conversion. [degC]"""
JUMP_C = 5.0
"""A reading of ``POWER_ON_C`` is believed if the readings beside it lie this near. [K]"""
FROZEN_S, FROZEN_READINGS = 600.0, 30
"""A sensor that gives one value for so long is frozen if the others moved by ``JUMP_C`` meanwhile. [s]"""
FROZEN_ALONE_S = 3600.0
"""Time under current over which a sensor with no others beside it must have moved by its last digit, if that is finer than a degree. [s]"""


@dataclass(frozen=True, slots=True, eq=False)
class SensorReadings:
    """Readings of one sensor that can be temperatures.

    Attributes
    ----------
    temperature_c : ndarray, shape (n,)
        NaN where there is none. [degC]
    impossible, power_on : int
        Readings left out as beyond ``LOWEST_C`` and ``HIGHEST_C``, or as ``POWER_ON_C`` that came out of nowhere.
    example_c : float or None
        The first of the readings left out. [degC]
    """

    temperature_c: np.ndarray
    impossible: int
    power_on: int
    example_c: float | None

    @property
    def mostly_none(self) -> bool:
        """True if more readings were left out than remain: nothing of the sensor is believed."""
        return bool(self.impossible + self.power_on > np.count_nonzero(np.isfinite(self.temperature_c)))


def possible_readings(value: np.ndarray) -> SensorReadings:
    """Leave out of the readings of one sensor, shape (n,) [degC], those that are none."""
    x = np.asarray(value, dtype=float)
    finite = np.isfinite(x)
    beyond = finite & ((x <= LOWEST_C) | (x > HIGHEST_C))
    mark = finite & (np.abs(x - POWER_ON_C) < 1e-6)
    if np.any(mark):
        good = np.flatnonzero(finite & ~mark & ~beyond)
        at = np.searchsorted(good, np.flatnonzero(mark))
        beside = np.full((2, at.size), np.inf)
        if good.size:
            beside[0] = np.where(at > 0, np.abs(x[good[np.maximum(at - 1, 0)]] - POWER_ON_C), np.inf)
            beside[1] = np.where(at < good.size, np.abs(x[good[np.minimum(at, good.size - 1)]] - POWER_ON_C), np.inf)
        mark[np.flatnonzero(mark)[beside.min(axis=0) <= JUMP_C]] = False
    out = beyond | mark
    example = float(x[np.argmax(out)]) if np.any(out) else None
    return SensorReadings(np.where(out, np.nan, x), int(beyond.sum()), int(mark.sum()), example)


def held_intervals(time_s: np.ndarray, breaks_s: tuple[float, ...] = ()) -> np.ndarray:
    """Which of the intervals between readings are sampling and not a gap, shape (n - 1,).

    A gap is longer than ``GAP_MIN_S`` and ``GAP_RATIO`` times the intervals beside it, or holds one of the instants ``breaks_s``.
    """
    spans = np.diff(time_s)
    held = np.ones(spans.size, bool)
    long = np.flatnonzero(spans > GAP_MIN_S)
    held[long[spans[long] > GAP_RATIO * usual_interval(time_s, long)]] = False
    for instant in breaks_s:
        k = int(np.searchsorted(time_s, instant, "right")) - 1
        if 0 <= k < held.size:
            held[k] = False
    return held


def frozen_sensors(time_s: np.ndarray, temperature_c: np.ndarray, flows: np.ndarray) -> tuple[float | None, ...]:
    """Value at which each sensor froze, None for those that did not. [degC]

    Frozen: one value, to the last digit, for ``FROZEN_S`` and ``FROZEN_READINGS`` readings while the median of the other sensors moved
    by more than ``JUMP_C`` (its middle 90 %); or, for any sensor, the same value throughout, not a whole degree (Celsius or
    Fahrenheit), with current flowing for ``FROZEN_ALONE_S``. A lone sensor that shows whole degrees cannot be told from a frozen one and is believed.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    temperature_c : ndarray, shape (n, sensors)
        [degC]
    flows : ndarray of bool, shape (n,)
        Whether current flows.
    """
    out: list[float | None] = []
    for k in range(temperature_c.shape[1]):
        good = np.flatnonzero(np.isfinite(temperature_c[:, k]))
        out.append(None)
        if good.size < FROZEN_READINGS:
            continue
        x, t = temperature_c[good, k], time_s[good]
        edges = np.concatenate([[0], np.flatnonzero(np.diff(x) != 0.0) + 1, [x.size]])
        firsts, lasts = edges[:-1], edges[1:]
        long = (t[lasts - 1] - t[firsts] >= FROZEN_S) & (lasts - firsts >= FROZEN_READINGS)
        for first, last in zip(firsts[long].tolist(), lasts[long].tolist()):
            others = _middle_of_others(temperature_c[good[first:last]], k)
            moved = others[np.isfinite(others)]
            if moved.size >= FROZEN_READINGS and np.subtract(*np.quantile(moved, (0.95, 0.05))) > JUMP_C:
                out[-1] = float(x[first])
        if edges.size == 2 and not _whole(x[0]):
            spans = np.diff(t) * held_intervals(t)
            if np.sum(spans[flows[good][:-1]]) >= FROZEN_ALONE_S:
                out[-1] = float(x[0])
    return tuple(out)


def _whole(celsius: float) -> bool:
    """Whether a temperature is a whole number of degrees, Celsius or Fahrenheit, or kelvin."""
    return any(abs(value - round(value)) < 0.02 for value in (celsius, 1.8 * celsius + 32.0, celsius + 0.15))


def _middle_of_others(temperature_c: np.ndarray, k: int) -> np.ndarray:
    """Median of the other sensors row by row, NaN where there is none. [degC]"""
    others = np.sort(np.delete(temperature_c, k, axis=1), axis=1)  # NaN last
    if others.shape[1] == 0:
        return np.full(others.shape[0], np.nan)
    count = np.count_nonzero(np.isfinite(others), axis=1)
    rows = np.arange(others.shape[0])
    return 0.5 * (others[rows, np.maximum(count - 1, 0) // 2] + others[rows, np.minimum(count // 2, others.shape[1] - 1)])


def excess_over_others(temperature_c: np.ndarray) -> tuple[tuple[float, float] | None, ...]:
    """Most that each sensor read above the median of the others at one instant, and how far above them it began. [K]

    The median of three neighbouring rows counts, so that one odd reading is no heat; None where two sensors share fewer than three rows.

    Parameters
    ----------
    temperature_c : ndarray, shape (n, sensors)
        [degC]
    """
    out: list[tuple[float, float] | None] = []
    for k in range(temperature_c.shape[1]):
        above = temperature_c[:, k] - _middle_of_others(temperature_c, k)
        above = above[np.isfinite(above)]
        if above.size < 3:
            out.append(None)
            continue
        smooth = medians_of_three(above)
        out.append((float(smooth.max()), float(smooth[0])))
    return tuple(out)
