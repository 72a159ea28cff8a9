"""Temperature per sensor: highest reading, rise over the start, steepest rise, times beyond limits.

A sensor shows the temperature of the place where it sits, on the case of a cell or between cells: the inside of a cell is warmer
under load, and the sensor follows it by minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.longcolumns import median_of, medians_of_three
from cycler.measures.sensors import held_intervals
from cycler.pack_temperature import CHARGE_WINDOW_C, DISCHARGE_WINDOW_C
from cycler.signals import noise_of, resolution_of

RATE_WINDOW_S = 60.0
"""Shortest window of the rate. [s]"""
WARM_C, HOT_C, FREEZING_C = 45.0, 60.0, 0.0
"""End of the window of charge, end of the window of discharge and start of the window of charge in data sheets of 18650 lithium-ion
cells; these three times are always taken over them, so that packs can be compared. [degC]"""


@dataclass(frozen=True, slots=True)
class SensorHeat:
    """Figures of one sensor; None where its readings do not give it, with the code of the reason in ``reasons``.

    Attributes
    ----------
    max_c : float
        Highest reading, each being the median of three neighbours (of nine readings and more). [degC]
    start_c : float
        Median of the first readings: 1 % of them, at least 3, at most 20. [degC]
    rise_c : float
        ``max_c`` less ``start_c``. [K]
    max_rate_c_per_min, u_max_rate_c_per_min, rate_window_s : float or None
        See :func:`steepest_rise`; u from noise and resolution only. The largest of many noisy windows lies a little too high. [K/min], [s]
    time_above_45c_s, time_above_60c_s : float
        Whole log. [s]
    time_below_0c_charging_s : float or None
        [s]
    time_outside_charge_window_s, time_outside_discharge_window_s : float or None
        While charging or discharging, below or above the stated window. [s]
    u_... : float or None
        Half of what the time changes if the limit is moved by the standard uncertainty of the temperature to both sides. [s]
    reasons : tuple of str
        ``too_few_readings``: the rate needs two windows without a gap. ``no_reading_while_charging``, ``no_reading_while_discharging``.
    """

    max_c: float
    start_c: float
    rise_c: float
    max_rate_c_per_min: float | None
    u_max_rate_c_per_min: float | None
    rate_window_s: float | None
    time_above_45c_s: float
    u_time_above_45c_s: float
    time_above_60c_s: float
    u_time_above_60c_s: float
    time_below_0c_charging_s: float | None
    u_time_below_0c_charging_s: float | None
    time_outside_charge_window_s: float | None
    u_time_outside_charge_window_s: float | None
    time_outside_discharge_window_s: float | None
    u_time_outside_discharge_window_s: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Thermal:
    """Temperature of the whole log: highest of all sensors and the start of that sensor (stand-in for the ambient) [degC], rise of the
    sensor that rose most [K], steepest rise of any [K/min].

    ``sensors`` has one entry per column, None for one without readings; ``hottest``, ``rose_most`` and ``steepest`` are indices into it.
    """

    max_c: float
    rise_c: float
    max_rate_c_per_min: float | None
    ambient_c: float
    sensors: tuple[SensorHeat | None, ...]
    hottest: int
    rose_most: int
    steepest: int | None
    charge_window_c: tuple[float, float] = CHARGE_WINDOW_C
    discharge_window_c: tuple[float, float] = DISCHARGE_WINDOW_C


def thermal(
    time_s: np.ndarray, temperature_c: np.ndarray, direction: np.ndarray | None = None, u_c: np.ndarray | None = None,
    breaks_s: tuple[float, ...] = (), charge_window_c: tuple[float, float] = CHARGE_WINDOW_C,
    discharge_window_c: tuple[float, float] = DISCHARGE_WINDOW_C,
) -> Thermal | None:
    """Temperature figures of a log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    temperature_c : ndarray, shape (n, sensors)
        NaN = no reading. [degC]
    direction : ndarray, shape (n,), optional
        Above zero while charging, below while discharging.
    u_c : ndarray, shape (sensors,), optional
        Standard uncertainty of a temperature. [K]
    breaks_s : tuple of float
        Instants inside gaps and joints of the log. [s]
    charge_window_c, discharge_window_c : tuple of float
        Lowest and highest temperature for charge and discharge. [degC]

    Returns
    -------
    Thermal or None
        None unless a sensor has two readings.

    Notes
    -----
    Rate: means over windows of a minute, or of three samples where that is longer (``rate_window_s`` says which), so that one step of
    resolution is no spike; windows hold no gap. Times: the temperature runs straight between readings; a gap counts in no time.
    """
    way = np.zeros(time_s.size) if direction is None else np.asarray(direction)
    found: list[SensorHeat | None] = []
    for k in range(temperature_c.shape[1]):
        good = np.isfinite(temperature_c[:, k])
        u = 0.0 if u_c is None or not np.isfinite(u_c[k]) else float(u_c[k])
        found.append(
            _sensor_heat(time_s[good], temperature_c[good, k], way[good], way, u, breaks_s, charge_window_c, discharge_window_c)
            if np.count_nonzero(good) >= 2 else None
        )
    usable = [k for k, heat in enumerate(found) if heat is not None]
    if not usable:
        return None
    hottest, rose_most = max(usable, key=lambda k: found[k].max_c), max(usable, key=lambda k: found[k].rise_c)
    rated = [k for k in usable if found[k].max_rate_c_per_min is not None]
    steepest = max(rated, key=lambda k: found[k].max_rate_c_per_min, default=None)
    return Thermal(
        found[hottest].max_c, found[rose_most].rise_c, found[steepest].max_rate_c_per_min if steepest is not None else None,
        found[hottest].start_c, tuple(found), hottest, rose_most, steepest, charge_window_c, discharge_window_c,
    )


def _sensor_heat(
    t: np.ndarray, x: np.ndarray, way: np.ndarray, log_way: np.ndarray, u: float, breaks_s: tuple[float, ...],
    charge_window_c: tuple[float, float], discharge_window_c: tuple[float, float],
) -> SensorHeat:
    reasons = []
    start = float(np.median(x[: int(np.clip(x.size // 100, 3, 20))]))
    highest = float(np.max(x if x.size < 9 else medians_of_three(x)))
    held = held_intervals(t, breaks_s)
    spans = np.diff(t)
    moving = spans[held & (spans > 0)]
    usual = median_of(moving) if moving.size else 0.0
    window = max(RATE_WINDOW_S, 3.0 * usual) if moving.size else None
    rate = steepest_rise(t, x, window, held) if window is not None else None
    u_rate = None
    if rate is None:
        window = None
        reasons.append("too_few_readings")
    else:
        per_window = max(window / usual, 1.0)
        # Readings of a slow rise share one step of the resolution: its error does not shrink with their number.
        u_mean = np.hypot(noise_of(x) / np.sqrt(per_window), resolution_of(x) / np.sqrt(12.0))
        u_rate = float(np.sqrt(2.0) * u_mean / window * 60.0)

    def times(low: float | None, high: float | None, counts: np.ndarray) -> tuple[float, float]:
        def beyond(shift: float) -> float:
            below = time_beyond(t, x, low + shift, counts, above=False) if low is not None else 0.0
            return below + (time_beyond(t, x, high - shift, counts) if high is not None else 0.0)

        return beyond(0.0), 0.5 * abs(beyond(u) - beyond(-u))

    def while_(sign: float, low: float | None, high: float | None, reason: str) -> tuple[float | None, float | None]:
        counts = held & (sign * way[:-1] > 0) & (sign * way[1:] > 0)
        if np.any(sign * log_way > 0) and not np.any(counts):
            if reason not in reasons:
                reasons.append(reason)
            return None, None
        return times(low, high, counts)

    charging, discharging = "no_reading_while_charging", "no_reading_while_discharging"
    return SensorHeat(
        highest, start, highest - start, rate, u_rate, window, *times(None, WARM_C, held), *times(None, HOT_C, held),
        *while_(1.0, FREEZING_C, None, charging), *while_(1.0, *charge_window_c, charging),
        *while_(-1.0, *discharge_window_c, discharging), tuple(reasons),
    )


def time_beyond(time_s: np.ndarray, value: np.ndarray, limit: float, counts: np.ndarray | None = None, above: bool = True) -> float:
    """Time for which a value lies above (or below) a limit, the value running straight between its samples. [s]

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples, all with a value.
    limit : float
        In the unit of ``value``.
    counts : ndarray of bool, shape (n - 1,), optional
        Intervals that count.
    """
    over = (value - limit) if above else (limit - value)
    if not np.any(over > 0):
        return 0.0
    a, b = over[:-1], over[1:]
    share = np.where((a > 0) & (b > 0), 1.0, 0.0)
    crosses = (a > 0) != (b > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(crosses, np.maximum(a, b) / (np.abs(a) + np.abs(b)), share)
    return float(np.sum((share * np.diff(time_s))[counts if counts is not None else slice(None)]))


def steepest_rise(time_s: np.ndarray, value: np.ndarray, window_s: float, held: np.ndarray | None = None) -> float | None:
    """Largest difference of the means over two neighbouring windows, per minute; a straight rise gives its slope.

    The means are integrals of the straight lines between samples; the pair of windows moves by a quarter of a window.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        [s], [degC]
    window_s : float
        Length of one window. [s]
    held : ndarray of bool, shape (n - 1,), optional
        False for gaps, which no window may hold.

    Returns
    -------
    float or None
        [K/min]; None if no stretch without a gap is as long as two windows.
    """
    cuts = np.flatnonzero(~held) + 1 if held is not None else np.empty(0, int)
    rates = []
    for t, x in zip(np.split(time_s, cuts), np.split(value, cuts)):
        if t.size < 2 or t[-1] - t[0] < 2.0 * window_s:
            continue
        running = np.concatenate([[0.0], np.cumsum(0.5 * (x[1:] + x[:-1]) * np.diff(t))])
        starts = np.arange(t[0], t[-1] - 2.0 * window_s + 1e-9 * window_s, 0.25 * window_s)
        first, middle, last = (_integral_to(t, x, running, np.minimum(starts + n * window_s, t[-1])) for n in range(3))
        rates.append(float(np.max(last - 2.0 * middle + first)) / window_s**2 * 60.0)
    return max(rates, default=None)


def _integral_to(t: np.ndarray, x: np.ndarray, running: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Integral of the straight lines from the first sample to instants ``at`` inside."""
    k = np.clip(np.searchsorted(t, at, "right") - 1, 0, t.size - 2)
    span = t[k + 1] - t[k]
    since = at - t[k]
    slope = np.divide(x[k + 1] - x[k], span, out=np.zeros_like(since), where=span > 0)
    return running[k] + since * (x[k] + 0.5 * slope * since)
