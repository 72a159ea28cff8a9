"""Temperature: highest reading, rise over the start, steepest rise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Thermal:
    """Highest temperature [degC], rise [K], steepest rise [K/min], first reading (ambient stand-in) [degC]."""

    max_c: float
    rise_c: float
    max_rate_c_per_min: float | None
    ambient_c: float


def thermal(time_s: np.ndarray, temperature_c: np.ndarray) -> Thermal | None:
    """Temperature figures of a log, the hottest sensor counting.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    temperature_c : ndarray, shape (n, sensors)
        NaN = no reading. [degC]

    Returns
    -------
    Thermal or None
        None without a reading. Rise is that of the sensor which rose most, from the median of its first readings (1 % of
        the log, at least 3, at most 20); the rate is taken over windows of at least a minute, so that one resolution step is no spike.
    """
    usable = [k for k in range(temperature_c.shape[1]) if np.count_nonzero(np.isfinite(temperature_c[:, k])) >= 2]
    if not usable:
        return None
    highest, rises, rates, starts = [], [], [], []
    for k in usable:
        good = np.isfinite(temperature_c[:, k])
        t, x = time_s[good], temperature_c[good, k]
        head = int(np.clip(x.size // 100, 3, 20))
        start = float(np.median(x[:head]))
        smooth = x if x.size < 9 else _median_of_three(x)
        highest.append(float(np.max(smooth)))
        rises.append(float(np.max(smooth)) - start)
        starts.append(start)
        grid = np.arange(t[0], t[-1], max(60.0, 3.0 * float(np.median(np.diff(t)))))
        if grid.size >= 3:
            y = np.interp(grid, t, x)
            rates.append(float(np.max(np.diff(y)) / (grid[1] - grid[0]) * 60.0))
    hottest = int(np.argmax(highest))
    return Thermal(highest[hottest], max(rises), max(rates) if rates else None, starts[hottest])


def _median_of_three(x: np.ndarray) -> np.ndarray:
    return np.median(np.column_stack((x[:-2], x[1:-1], x[2:])), axis=1)
