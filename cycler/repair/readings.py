"""Readings of one meter, and what is computed of them, with the whole covariance.

Model. A reading r of the true voltage v errs by G v + z: a gain G that is common to all readings in one range of the meter, and a part z (zero,
digits, linearity) that each reading has anew. Both are only known by their limits, the line of the data sheet ``± (g of reading + o)``: rectangles
of half-widths g and o. A figure that is a sum of readings with coefficients a then has (JCGM 100:2008, 5.2.2 with the correlation by a common
instrument of F.1.2.3; clauses from memory)

    u² = (u_G Σ a r)² + u_z² Σ a²,

so that of the difference of two taps the gain counts only with the difference: 0.5 % of one group, not of forty volts, while the digits count
twice. That z is independent from one reading to the next is the cautious choice for differences: a zero error that stayed would fall out.

In one reading the parts of a data-sheet line add up, since they are one limit of error (``uncertainty.reading_u``). Nothing is known of the sign
in which G and z of a figure meet, so that here too the two standard uncertainties are added, not their squares, where the sheet states one line;
the correlations between figures stay those of the model.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from cycler.datasheet import BadStatement, parse_statement
from cycler.repair.meter import Meter
from cycler.uncertainty import rectangular, resolution_term, rounding_beyond

MANY = 3
"""So many readings that end alike are no chance (one in a thousand): their last digit is not shown. Common practice, no source."""
_DECIMALS_MAX = 5
_USUAL_STEP_V = 0.001
"""Step of the display where neither the data sheet nor enough readings tell it. Common practice, no source. [V]"""


@dataclass(frozen=True, slots=True)
class ReadingErrors:
    """Limits of error of readings of one meter.

    Attributes
    ----------
    u_gain : float
        Standard uncertainty of the gain, as a fraction.
    u_zero_v : numpy.ndarray, shape (n,)
        Standard uncertainty of the part that each reading has anew. [V]
    ranges : numpy.ndarray of int, shape (n,)
        Range of the meter in which each was taken; readings of one range have their gain in common, two ranges have not.
    one_limit : bool
        Whether gain and zero are parts of one line of a data sheet.
    coarse_from_v : float or None
        Smallest reading that the meter showed with a digit less. [V]
    """

    u_gain: float
    u_zero_v: np.ndarray
    ranges: np.ndarray
    one_limit: bool
    coarse_from_v: float | None = None


@dataclass(slots=True)
class GroupReading:
    """One group while its findings are gathered; ``row`` is its row of coefficients, None while its own voltage is not known."""

    number: int
    row: np.ndarray | None = None
    apparent_v: float | None = None
    together: tuple[int, ...] = ()
    together_row: np.ndarray | None = None
    findings: list[str] = field(default_factory=list)
    voltage_v: float | None = None
    u_v: float | None = None


@dataclass(slots=True)
class Readings:
    """All voltages that enter, as one vector."""

    values: list[float] = field(default_factory=list)
    exact: list[bool] = field(default_factory=list)

    def add(self, value: float, exact: bool = False) -> int:
        self.values.append(value)
        self.exact.append(exact)
        return len(self.values) - 1


def decimals(value: float) -> int:
    """Decimal places that a number was typed with, without zeros at its end."""
    text = f"{abs(value):.{_DECIMALS_MAX}f}".rstrip("0")
    return len(text) - text.index(".") - 1


def reading_errors(meter: Meter, readings_v: Sequence[float], exact: Sequence[bool] | None = None) -> ReadingErrors:
    """What is known of the errors of voltages read with one meter.

    Parameters
    ----------
    meter : Meter
    readings_v : sequence of float, shape (n,)
        As typed. [V]
    exact : sequence of bool, optional
        True where a value is no reading but zero by definition: the point at which the other probe stands.

    Notes
    -----
    Meters that choose their range show a digit less above some voltage. That is seen in the readings themselves: if the largest, at least
    :data:`MANY` of them, all end in a zero that smaller ones have not. Their digits then count for ten, and their gain is another one.
    """
    values = np.abs(np.asarray(readings_v, dtype=float))
    gain, zero_v, digit_v = meter.voltage.limits("group_voltage")
    places = np.array([decimals(value) for value in values], dtype=int)
    real = values > 0.0
    coarse_from = _coarse_from(values[real], places[real])
    coarse = (values >= coarse_from) & real if coarse_from is not None else np.zeros(len(values), dtype=bool)
    zeros = np.full(len(values), zero_v)
    digits = np.full(len(values), digit_v)
    if digit_v and coarse.any():
        # The digits of the line are worth ten times as much there.
        digits[coarse] = 10.0 * digit_v
        zeros[coarse] += 9.0 * digit_v * _digits_stated(meter)
    u_zero = np.empty(len(values))
    for one in (False, True):
        chosen = coarse == one
        if chosen.any():
            step = _shown_step(values[chosen & real], places[chosen & real], digit_v * (10.0 if one else 1.0))
            u_zero[chosen] = [
                math.hypot(rectangular(zero), resolution_term(rounding_beyond(step, digit))) for zero, digit in zip(zeros[chosen], digits[chosen])
            ]
    if exact is not None:
        u_zero[np.asarray(exact, dtype=bool)] = 0.0
    return ReadingErrors(rectangular(gain), u_zero, coarse.astype(int), meter.voltage.is_one_limit("group_voltage"), coarse_from)


def _coarse_from(values: np.ndarray, places: np.ndarray) -> float | None:
    """Smallest of the readings at the upper end that all lack the last decimal of the others; None if there is no such end."""
    if len(values) <= MANY:
        return None
    order = np.argsort(values)
    most = int(places.max())
    full = np.flatnonzero(places[order] == most)
    last = int(full[-1])
    if most == 0 or len(values) - 1 - last < MANY or len(full) * 4 < last + 1:
        return None
    return float(values[order][last + 1])


def _digits_stated(meter: Meter) -> float:
    text = meter.stated.get("voltage")
    try:
        return parse_statement(text, "voltage").digits if isinstance(text, str) else 0.0
    except BadStatement:
        return 0.0


def _shown_step(values: np.ndarray, places: np.ndarray, digit_v: float) -> float:
    """Step of the display: by the decimals of enough readings, else the digit of the data sheet, else the usual one. [V]"""
    if len(values) >= MANY:
        return float(10.0 ** -int(places.max()))
    return digit_v or _USUAL_STEP_V


def covariance(errors: ReadingErrors, readings_v: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    """Covariance matrix of the figures ``coefficients @ readings_v``. [V²]

    Parameters
    ----------
    errors : ReadingErrors
    readings_v : numpy.ndarray, shape (n,)
        [V]
    coefficients : numpy.ndarray, shape (m, n)

    Returns
    -------
    numpy.ndarray, shape (m, m)
        Symmetric, no negative eigenvalue. By the equation of the module; with ``one_limit`` each figure's standard uncertainty is the sum of what gain
        and zero contribute, the correlations unchanged.
    """
    by_range = [coefficients @ np.where(errors.ranges == one, readings_v, 0.0) for one in np.unique(errors.ranges)]
    of_gain = errors.u_gain**2 * sum(np.outer(part, part) for part in by_range)
    of_zero = (coefficients * errors.u_zero_v**2) @ coefficients.T
    whole = of_gain + of_zero
    if not errors.one_limit:
        return whole
    squares = np.diag(whole)
    sums = np.sqrt(np.clip(np.diag(of_gain), 0.0, None)) + np.sqrt(np.clip(np.diag(of_zero), 0.0, None))
    widen = np.where(squares > 0.0, sums / np.sqrt(np.where(squares > 0.0, squares, 1.0)), 1.0)
    return whole * np.outer(widen, widen)


def row_of(parts: Mapping[int, float]) -> np.ndarray:
    """Coefficients of a figure by the place of each reading, as long as need be."""
    row = np.zeros(max(parts) + 1)
    for column, coefficient in parts.items():
        row[column] = coefficient
    return row


def lengthened(row: np.ndarray, length: int) -> np.ndarray:
    """The same coefficients for so many readings."""
    return np.concatenate([row, np.zeros(length - len(row))])


def added(first: np.ndarray, second: np.ndarray, times: float) -> np.ndarray:
    """``first + times * second``, of rows of any length."""
    length = max(len(first), len(second))
    return lengthened(first, length) + times * lengthened(second, length)
