"""Self-discharge: the drift of a group at rest turned into a current by the slope of the group's own curve of voltage against charge.

The slope at rest is that of the open-circuit voltage. A curve under load stands in for it: the discharge curve raised by I R, the charge curve
lowered by I R, R being what separates the two at the same charge. Where both pass the rest voltage the mean of their slopes counts and
half their distance is a limit of error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.signals import straight

WINDOW_SHARE = 0.08
"""Stretch of a curve whose straight line is its slope, as a share of the charge of the whole curve. Common practice, no source."""
COARSE_SHARE = 0.25
"""Relative standard uncertainty of a slope that only the loaded curve, raised by the 10 s resistance, gives. Common practice, no source."""
CURVE_SHARE = 0.05
"""Relative standard uncertainty that stays where charge and discharge both speak: hysteresis, polarisation that changes along the curve. Common
practice, no source."""
PATH_SHARE = 0.10
"""Least relative standard uncertainty of the resistance between the two curves, for its change along them. Common practice, no source."""
FLAT_MV_PER_PERCENT = 1.0
"""Fall of voltage per percent of the capacity below which a rest is blind: the middle of an LFP curve falls by 0.1 to 0.5, an NMC curve by 5 to 12.
Common practice, no source. [mV/%]"""
KNEE_RATIO = 2.0
"""A chord so many times as steep as the curve behind it spans a knee, as at the top of an LFP curve, and is no slope. Common practice, no source."""
VAGUE_SHARE = 0.45
"""Relative standard uncertainty of a slope from which it gives no current any more (at 0.5 no leak could be told from none at k = 2)."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Voltage of one group under a steady current against charge taken out, both steady parts only.

    ``charge_ah`` (m,) increasing, from the zero that all curves of one pack share; ``voltage_v`` (m,); ``current_a`` charge positive.
    """

    charge_ah: np.ndarray
    voltage_v: np.ndarray
    current_a: float


@dataclass(frozen=True, slots=True)
class OpenCircuitSlope:
    """Fall of a group's open-circuit voltage per charge taken out [V/Ah], positive, its standard uncertainty and what it rests on.

    ``source`` is ``charge_and_discharge`` (both curves pass the voltage), ``discharge`` (the discharge curve, raised by the resistance between
    the two curves), ``rest_and_discharge`` (the chord from the rest before the load to that curve) or ``loaded_curve`` (raised by the 10 s
    resistance only: coarse).
    """

    v_per_ah: float
    u_v_per_ah: float
    source: str


def path_resistance(discharge: Curve, charge: Curve | None, near_v: float) -> tuple[float, float] | None:
    """Resistance that separates the charge from the discharge curve of a group, slow polarisation included. [ohm]

    Parameters
    ----------
    discharge, charge : Curve
        Over one common axis of charge.
    near_v : float
        Voltage near which it is wanted: the third of the common stretch that lies closest to it counts. [V]

    Returns
    -------
    (float, float) or None
        Median of (U_charge - U_discharge)/(I_charge - I_discharge) at equal charge, and its standard uncertainty from its change
        along the common stretch. None where the curves share less than a tenth of the discharge.

    References
    ----------
    Mean of charge and discharge curve as open-circuit voltage: common practice, no source.
    """
    if charge is None:
        return None
    low, high = max(discharge.charge_ah[0], charge.charge_ah[0]), min(discharge.charge_ah[-1], charge.charge_ah[-1])
    if high - low < 0.1 * discharge.charge_ah[-1]:
        return None
    q = np.linspace(low, high, 61)
    below = np.interp(q, discharge.charge_ah, discharge.voltage_v)
    above = np.interp(q, charge.charge_ah, charge.voltage_v)
    ohm = (above - below) / (charge.current_a - discharge.current_a)
    middle = below - discharge.current_a * ohm
    near = np.argsort(np.abs(middle - near_v), kind="stable")[:20]
    value = float(np.median(ohm[near]))
    if not np.isfinite(value) or value <= 0:
        return None
    change = 0.5 * float(np.subtract(*np.quantile(ohm[near], (0.9, 0.1))))
    return value, float(np.hypot(change, PATH_SHARE * value))


def slope_near(charge_ah: np.ndarray, voltage_v: np.ndarray, at_v: float, window_ah: float) -> float | None:
    """Fall of voltage per charge where a curve passes a voltage: straight line over ``window_ah`` around the place. [V/Ah]

    Positive for a curve that falls; None outside the curve, or with fewer than 4 points there.
    """
    low, high = float(np.min(voltage_v)), float(np.max(voltage_v))
    if not low <= at_v <= high:
        return None
    return _slope_around(charge_ah, voltage_v, float(charge_ah[int(np.argmin(np.abs(voltage_v - at_v)))]), window_ah)


def _slope_around(charge_ah: np.ndarray, voltage_v: np.ndarray, place_ah: float, window_ah: float) -> float | None:
    start = float(np.clip(place_ah - 0.5 * window_ah, charge_ah[0], max(charge_ah[0], charge_ah[-1] - window_ah)))
    use = (charge_ah >= start - 1e-12) & (charge_ah <= start + window_ah)
    if np.count_nonzero(use) < 4:
        return None
    slope = straight(charge_ah[use], voltage_v[use])[0]
    return -slope if slope < 0 else None


def open_circuit_slope(
    at_v: float, discharge: Curve, charge: Curve | None, ohm_10s: float | None, rest_before_v: float | None, u_voltage_v: float
) -> OpenCircuitSlope | None:
    """Slope of a group's open-circuit voltage at a rest voltage. [V/Ah]

    Parameters
    ----------
    at_v : float
        Voltage of the group at rest. [V]
    discharge : Curve
        Its curve under the load of the discharge.
    charge : Curve or None
        Its curve under the constant current of a charge next to it, over the same axis of charge.
    ohm_10s : float or None
        Its 10 s resistance. [ohm]
    rest_before_v : float or None
        Its voltage at rest just before the load, where zero charge was taken out. [V]
    u_voltage_v : float
        Standard uncertainty of the change of a reading (rounding). [V]

    Returns
    -------
    OpenCircuitSlope or None
        None where the curve does not reach the voltage, or does not fall there.

    Notes
    -----
    The uncertainty joins: half the distance of the two curves' slopes as a rectangular limit; the change of slope when the place is shifted by
    what I R leaves open; for a chord its end's I u(R) and the bend of the curve within it (all of it where it spans a knee); rounding over the window; and ``CURVE_SHARE``, or
    ``COARSE_SHARE`` where no charge curve tells the resistance. Gain of the voltmeter cancels against that of the drift; the ammeter's gain is not in it.
    """
    q, v = discharge.charge_ah, discharge.voltage_v
    if q.size < 12:
        return None
    window = WINDOW_SHARE * (q[-1] - q[0])
    path = path_resistance(discharge, charge, at_v)
    ohm, u_ohm = path if path is not None else (ohm_10s or 0.0, 0.5 * (ohm_10s or 0.0))
    load_a = abs(discharge.current_a)
    raised, u_raise = v + load_a * ohm, load_a * u_ohm
    rounding = u_voltage_v * np.sqrt(2.0) / window
    if at_v > raised[0] and path is not None and rest_before_v is not None and rest_before_v > raised[0] and q[0] > 0:
        head = q <= q[0] + 0.5 * window
        middle, place = float(np.mean(q[head])), 0.5 * float(np.mean(q[head]))
        chord = (rest_before_v - float(np.mean(raised[head]))) / middle
        further = _slope_around(q, raised, float(q[0]), window)
        if chord <= 0:
            return None
        if further is None or chord > KNEE_RATIO * further:
            return OpenCircuitSlope(float(chord), float(chord), "rest_and_discharge")
        at_ah = float(np.clip((rest_before_v - at_v) / chord, 0.0, middle))
        bend = abs(chord - further) / (q[0] + 0.5 * window - place) * abs(place - at_ah)
        u = np.sqrt((u_raise / middle) ** 2 + bend**2 / 3.0 + (u_voltage_v * np.sqrt(2.0) / middle) ** 2 + (CURVE_SHARE * chord) ** 2)
        return OpenCircuitSlope(float(chord), float(u), "rest_and_discharge")
    if at_v < raised[-1] - 0.5 * (raised[0] - raised[-1]) * WINDOW_SHARE:
        return None
    falling = slope_near(q, raised, float(np.clip(at_v, raised[-1], raised[0])), window)
    if falling is None:
        return None
    shifted = [
        slope for shift in (-u_raise, u_raise) if (slope := slope_near(q, raised, float(np.clip(at_v + shift, raised[-1], raised[0])), window))
    ]
    u_place = 0.5 * abs(shifted[1] - shifted[0]) if len(shifted) == 2 else 0.0
    outside = path is None or at_v > raised[0]
    rising = None
    if charge is not None and path is not None:
        rising = slope_near(charge.charge_ah, charge.voltage_v - charge.current_a * ohm, at_v, window)
    slope = falling if rising is None or outside else 0.5 * (falling + rising)
    apart = 0.0 if rising is None else 0.5 * abs(falling - rising) / np.sqrt(3.0)
    known = COARSE_SHARE if outside else CURVE_SHARE
    u = np.sqrt(u_place**2 + apart**2 + rounding**2 + (known * slope) ** 2)
    source = "loaded_curve" if outside else "discharge" if rising is None else "charge_and_discharge"
    return OpenCircuitSlope(float(slope), float(u), source)


def leak_current_ma(drift_v_per_s: float, slope_v_per_ah: float) -> float:
    """Leak that makes a group drift: I = -(dU/dt)/(dU/dQ). Positive = losing charge. [mA]

    With dU/dt in V/s and dU/dQ in V/Ah (positive fall per charge taken) the quotient is Ah/s; x 3600 x 1000 is mA.
    """
    return -drift_v_per_s / slope_v_per_ah * 3.6e6


def leak_u_ma(drift_v_per_s: float, u_drift_v_per_s: float, slope_v_per_ah: float, u_slope_share: float) -> float:
    """Standard uncertainty of :func:`leak_current_ma`, drift and slope independent. [mA]"""
    return float(
        np.hypot(leak_current_ma(u_drift_v_per_s, slope_v_per_ah), u_slope_share * leak_current_ma(drift_v_per_s, slope_v_per_ah))
    )


def smallest_leak_ma(u_drift_v_per_s: float, slope_v_per_ah: float, u_slope_share: float, k: float = 2.0) -> float | None:
    """Smallest leak that is larger than k times its own standard uncertainty. [mA]

    L = k u(L) with u(L)**2 = (u_drift/slope)**2 + (L r)**2, solved for L; r is the relative uncertainty of the slope. None where
    r >= 1/k: no leak however large is told from none.
    """
    if k * u_slope_share >= 1.0:
        return None
    return abs(leak_current_ma(k * u_drift_v_per_s, slope_v_per_ah)) / float(np.sqrt(1.0 - (k * u_slope_share) ** 2))
