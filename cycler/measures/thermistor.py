"""NTC thermistors: resistance to temperature and back, and what the tolerances of the part make of it.

Formulae (textbook; the same stand in makers' application notes): B equation R = R25 exp[B (1/T - 1/298.15 K)];
Steinhart-Hart 1/T = a + b ln R + c (ln R)^3 with R in ohm; extended form 1/T = a1 + b1 L + c1 L^2 + d1 L^3 with
L = ln(R/R25). T in kelvin, 0 degC = 273.15 K. Self-heating by the measuring current and the lag of a sensor on the case
of a cell are not in any of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cycler.pack_temperature import T25_K, ThermistorCurve, inverse_slope, inverse_temperature, log_ratio_at
from cycler.units import KELVIN_AT_0_C

RANGE_C = (-40.0, 125.0)
"""Temperatures that NTC sensors are tabled for; a resistance beyond those of both ends is an open or a shorted sensor. [degC]"""
_CLOSE = 1e-12


def b_from_two_points(r1_ohm: float, t1_c: float, r2_ohm: float, t2_c: float) -> float:
    """B from two points of a table: ln(R1/R2) / (1/T1 - 1/T2). [K]"""
    return math.log(r1_ohm / r2_ohm) / (1.0 / (t1_c + KELVIN_AT_0_C) - 1.0 / (t2_c + KELVIN_AT_0_C))


def temperature_c(resistance_ohm: np.ndarray, curve: ThermistorCurve) -> np.ndarray:
    """Temperature of an NTC from its resistance by the stated curve.

    Parameters
    ----------
    resistance_ohm : ndarray, any shape
        [ohm]
    curve : ThermistorCurve

    Returns
    -------
    ndarray, same shape
        NaN where the resistance is zero, negative or not a number, or the curve gives no positive absolute temperature. [degC]
    """
    f, r0 = inverse_temperature(curve)
    inverse = f(_log_ratio(resistance_ohm, r0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(inverse > 0.0, 1.0 / inverse - KELVIN_AT_0_C, np.nan)


def resistance_ohm(temperature: np.ndarray, curve: ThermistorCurve) -> np.ndarray:
    """Resistance of an NTC at a temperature: the inverse of :func:`temperature_c`, closed for B and Steinhart-Hart, else by Newton's method.

    Parameters
    ----------
    temperature : ndarray, any shape
        [degC]

    Returns
    -------
    ndarray, same shape
        NaN at or below absolute zero. [ohm]
    """
    kelvin = np.asarray(temperature, dtype=float) + KELVIN_AT_0_C
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.where(kelvin > 0.0, 1.0 / kelvin, np.nan)
    if curve.b_k is not None:
        return curve.r25_ohm * np.exp(curve.b_k * (inverse - 1.0 / T25_K))
    if curve.c:
        # Real root of the depressed cubic c x^3 + b x + (a - 1/T) = 0 (Cardano).
        half = (curve.a - inverse) / (2.0 * curve.c)
        root = np.sqrt((curve.b / (3.0 * curve.c)) ** 3 + half**2)
        return np.exp(np.cbrt(root - half) - np.cbrt(root + half))
    f, r0 = inverse_temperature(curve)
    slope = inverse_slope(curve)
    x = np.zeros_like(inverse) if curve.a1 is not None else (inverse - curve.a) / curve.b
    for _ in range(50):
        step = (f(x) - inverse) / slope(x)
        x = x - np.clip(step, -2.0, 2.0)
        if not np.any(np.abs(step) > _CLOSE):
            break
    return r0 * np.exp(x)


@dataclass(frozen=True, slots=True, eq=False)
class ToleranceShift:
    """How far a temperature shifts if R25 or B is off by its whole tolerance; arrays of the shape of the resistance. [K]

    The sign is kept, so that two readings of one sensor can be compared: the part is the same in both.
    """

    by_r25_k: np.ndarray
    by_b_k: np.ndarray

    @property
    def u_k(self) -> np.ndarray:
        """Standard uncertainty: both tolerances rectangular and independent (JCGM 100, 4.3.7 and 5.1.2; from memory). [K]"""
        return np.hypot(self.by_r25_k, self.by_b_k) / math.sqrt(3.0)


def tolerance_shift(resistance_ohm: np.ndarray, curve: ThermistorCurve) -> ToleranceShift:
    """Shift of the temperature by the tolerances of R25 and of B.

    R25: tolerance * T^2 * d(1/T)/d(ln R), for the B equation tolerance * T^2 / B. B: tolerance * T^2 * (1/T - 1/298.15 K), zero at 25 degC.
    For the other two forms the tolerance of B stands for that of the slope of the curve about 25 degC.

    Parameters
    ----------
    resistance_ohm : ndarray, any shape
        [ohm]
    """
    _, r0 = inverse_temperature(curve)
    kelvin = temperature_c(resistance_ohm, curve) + KELVIN_AT_0_C
    by_r25 = curve.r25_tolerance * kelvin**2 * inverse_slope(curve)(_log_ratio(resistance_ohm, r0))
    by_b = curve.b_tolerance * kelvin**2 * (1.0 / kelvin - 1.0 / T25_K)
    return ToleranceShift(by_r25, by_b)


@dataclass(frozen=True, slots=True, eq=False)
class ThermistorReading:
    """Temperatures of NTC sensors and the readings that are none.

    Attributes
    ----------
    temperature_c : ndarray, shape (n,)
        NaN where there is no reading or it was refused. [degC]
    not_positive, open_circuit, short_circuit : int
        Readings refused: zero or negative resistance (a short, or a fault of the meter); higher than the sensor has at -40 degC
        (a broken lead); lower than at 125 degC.
    readings : int
        Finite resistances before that.
    """

    temperature_c: np.ndarray
    not_positive: int
    open_circuit: int
    short_circuit: int
    readings: int


def read_thermistor(resistance_ohm: np.ndarray, curve: ThermistorCurve) -> ThermistorReading:
    """Temperatures of one sensor; resistances beyond those of :data:`RANGE_C` are refused and counted.

    Parameters
    ----------
    resistance_ohm : ndarray, shape (n,)
        NaN = no reading; infinite = over range, counted as open. [ohm]
    curve : ThermistorCurve
    """
    ohm = np.asarray(resistance_ohm, dtype=float)
    highest, lowest = (limit_ohm(curve, celsius) for celsius in RANGE_C)
    wrong, broken, shorted = ohm <= 0.0, ohm > highest, (ohm > 0.0) & (ohm < lowest)
    celsius = temperature_c(np.where(wrong | broken | shorted, np.nan, ohm), curve)
    return ThermistorReading(
        celsius, int(wrong.sum()), int(broken.sum()), int(shorted.sum()), int(np.count_nonzero(~np.isnan(ohm)))
    )


def limit_ohm(curve: ThermistorCurve, celsius: float) -> float:
    """Resistance of the curve at one temperature on its falling branch about 25 degC. [ohm]"""
    at = log_ratio_at(curve, celsius + KELVIN_AT_0_C)
    return inverse_temperature(curve)[1] * math.exp(at) if at is not None else math.nan


def _log_ratio(resistance_ohm: np.ndarray, r0_ohm: float) -> np.ndarray:
    """ln(R/R0), NaN where R is not positive."""
    ohm = np.asarray(resistance_ohm, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ohm > 0.0, np.log(ohm / r0_ohm), np.nan)
