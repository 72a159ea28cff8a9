"""The curves of two runs subtracted from one another, with what their instruments leave open of the difference.

What counts in the uncertainty of a voltage difference: gain and zero error of the voltmeters and the rounding of the readings. Runs that declare
the same instrument have gain and zero in common where the same channel was read: of these only gain x difference remains, and the zero divided by two numbers of
groups. Rounding is never common. Otherwise all errors are independent. What does not count: how far clock and ammeter may shift a curve along its axis, which tells
where a curve falls steeply, and noise, which the curve shows itself.

Over voltage the charges are subtracted: gain and zero of the ammeters count, and the voltmeters through the slope of each curve.

References: JCGM 100:2008, 5.2 (correlated input quantities; clause from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.difference import same_instrument
from cycler.instrument import Instrument, instrument_from_stored
from cycler.measures.alongside import monotone_at
from cycler.measures.incremental import charge_below
from cycler.quantities import COVERAGE_FACTOR
from cycler.taken import Analysis, number, part
from cycler.uncertainty import rectangular, resolution_term, rounding_beyond

GRID_POINTS = 500
"""Places at which two runs are subtracted."""
SLOPE_PLACES = 20
"""Places over which the slope of a curve is taken for its uncertainty; a single step of it would be mostly rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What is drawn of one run, condensed to few points, and by what it was measured.

    ``x`` rises strictly; ``y`` is a voltage [V] or, over voltage, a charge [Ah]; both shape (n,). ``charge_ah`` and ``time_s`` stand beside them. ``group`` is the
    channel (``None``: the pack's own), ``divided_by`` the number of groups that the reading was divided by, ``is_sum`` says that it is a sum of groups. ``holes``
    are the ranges of ``x`` over which the readings are missing.
    """

    x: np.ndarray
    y: np.ndarray
    charge_ah: np.ndarray
    time_s: np.ndarray
    analysis: Analysis
    group: int | None = None
    divided_by: int = 1
    is_sum: bool = False
    resolution_v: float = 0.0
    holes: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """Run minus reference where both have data, NaN elsewhere. ``u`` is the standard uncertainty, or ``None`` if no limits of error are known."""

    x: np.ndarray
    value: np.ndarray
    u: np.ndarray | None
    common: bool

    @property
    def known(self) -> np.ndarray:
        """Where there is a difference."""
        return np.isfinite(self.value)

    def share_beyond(self) -> float | None:
        """Share of the common stretch over which the difference exceeds its expanded uncertainty (k = 2)."""
        if self.u is None or not self.known.any():
            return None
        known = self.known
        return float(np.mean(np.abs(self.value[known]) > COVERAGE_FACTOR * self.u[known]))

    def largest(self) -> tuple[float, float, float | None] | None:
        """(x, difference, u) where the difference is largest, among those beyond their uncertainty if there are any."""
        if not self.known.any():
            return None
        size = np.where(self.known, np.abs(self.value), -1.0)
        if self.u is not None and (self.share_beyond() or 0.0) > 0.0:
            size = np.where(size > COVERAGE_FACTOR * np.nan_to_num(self.u), size, -1.0)
        k = int(np.argmax(size))
        return float(self.x[k]), float(self.value[k]), None if self.u is None else float(self.u[k])


# --- which stretch of a run ----------------------------------------------------------------------------------------


def spans_of(analysis: Analysis, charge: bool = False) -> tuple[tuple[float, float], ...]:
    """First and last reading under current of the stretches that count as the run's discharge, or of its last charge before it. [s]

    The discharge is the one whose charge is the reported capacity. Steps that follow one another without a pause are one stretch.
    """
    steps = analysis.get("steps") or []
    numbers = _charge_steps(analysis) if charge else _discharge_steps(analysis, steps)
    by_index = {step.get("index", order): step for order, step in enumerate(steps)}
    spans: list[list[float]] = []
    before = None
    for index in sorted(numbers):
        step = by_index.get(index)
        if step is None:
            continue
        if before is not None and index == before + 1:
            spans[-1][1] = float(step["end_s"])
        else:
            spans.append([float(step["start_s"]), float(step["end_s"])])
        before = index
    return tuple((start, end) for start, end in spans)


def _discharge_steps(analysis: Analysis, steps: Sequence[Any]) -> list[int]:
    capacity = part(analysis, "capacity") or {}
    start, end = number(part(capacity, "at_s", "start_s")), number(part(capacity, "at_s", "end_s"))
    if start is None or end is None:
        return []
    if capacity.get("steps"):
        return list(capacity["steps"])
    return [  # as earlier versions kept it
        step.get("index", order) for order, step in enumerate(steps)
        if "discharge" in str(step.get("kind")) and step["start_s"] >= start - 1e-6 and step["start_s"] < end
    ]


def _charge_steps(analysis: Analysis) -> list[int]:
    charge = _charge(analysis)
    return list(charge.get("steps") or []) if charge else []


def _charge(analysis: Analysis) -> Any:
    """The last charge that ended before the discharge that counts, else the last of the log."""
    charges = analysis.get("charges") or []
    start = number(part(analysis, "capacity", "at_s", "start_s"))
    earlier = [item for item in charges if start is None or (number(item.get("end_s")) or 0.0) <= start + 1e-6]
    return (earlier or charges or [None])[-1]


def state_of_charge(analysis: Analysis, charge_ah: np.ndarray, charge: bool = False) -> np.ndarray | None:
    """State of charge at each charge that had flowed, or None if the log does not prove it. [%]

    A discharge from full to empty runs from 100 to 0 by its own capacity. A charge that ended at its taper current counts back from 100 at its end by the same
    capacity; what it loses on the way is left out.
    """
    capacity = part(analysis, "capacity") or {}
    value = number(capacity.get("value_ah"))
    if capacity.get("valid") is not True or not value:
        return None
    if not charge:
        return 100.0 * (1.0 - charge_ah / value)
    if part(_charge(analysis) or {}, "end_reason") != "charge_taper" or not charge_ah.size:
        return None
    return 100.0 * (1.0 - (charge_ah[-1] - charge_ah) / value)


def charge_at_voltage(voltage_v: np.ndarray, charge_ah: np.ndarray, at_v: np.ndarray, charge: bool = False) -> np.ndarray:
    """Charge that had flowed down to each voltage (up to it in a charge); NaN outside the voltages that were reached. Shapes (n,), (n,), (k,). [Ah]"""
    below = charge_below(voltage_v, charge_ah, at_v)
    found = charge_ah[0] + below if charge else charge_ah[-1] - below
    return np.where((at_v >= np.min(voltage_v)) & (at_v <= np.max(voltage_v)), found, np.nan)


# --- differences -----------------------------------------------------------------------------------------------------


def bench_of(analysis: Analysis) -> Instrument | None:
    """Limits of error kept with an analysis, None if there are none."""
    kept = part(analysis, "instrument")
    return instrument_from_stored(kept) if kept else None


def shared_grid(reference: Drawn, points: int = GRID_POINTS) -> np.ndarray:
    """Places at which the others are held against the reference: evenly over its own readings."""
    return np.linspace(reference.x[0], reference.x[-1], points) if reference.x.size > 1 else np.zeros(0)


def value_at(run: Drawn, at: np.ndarray) -> np.ndarray:
    """A run's curve at some places, NaN outside its readings and across gaps."""
    found = monotone_at(run.x, run.y, at)
    for low, high in run.holes:
        found[(at > low) & (at < high)] = np.nan
    return found


def voltage_difference(reference: Drawn, run: Drawn, at: np.ndarray) -> Difference:
    """Voltage of a run minus that of the reference along a shared axis, with its uncertainty. [V]"""
    first, second = value_at(reference, at), value_at(run, at)
    common = _same_channel(reference, run)
    return Difference(at, second - first, u_voltage_difference(reference, run, first, second, common), common)


def _same_channel(first: Drawn, second: Drawn) -> bool:
    return same_instrument(first.analysis, second.analysis) and (first.group, first.is_sum) == (second.group, second.is_sum)


def u_voltage_difference(
    first: Drawn, second: Drawn, first_v: np.ndarray, second_v: np.ndarray, common: bool
) -> np.ndarray | None:
    """Standard uncertainty of ``second_v - first_v``, both as drawn (divided by the groups); None if no limits are known. Shapes (k,). [V]

    ``common``: the same instrument and channel, u^2 = (g/sqrt3 (V2 - V1))^2 + (a/sqrt3 (1/n2 - 1/n1))^2 + r1^2 + r2^2 with gain g, zero error a, numbers of groups n and
    rounding r = d / sqrt12 / n. Otherwise u^2 is the sum of the squares of the two readings' own uncertainties. An average of several readings is
    given the rounding of one.
    """
    benches = bench_of(first.analysis), bench_of(second.analysis)
    if benches[0] is None or benches[1] is None:
        return None
    rounding = [resolution_term(run.resolution_v) / run.divided_by for run in (first, second)]
    if common:
        gain, zero, _digit = benches[0].limits(_channel(first))
        left = (1.0 / second.divided_by - 1.0 / first.divided_by) * zero
        return np.sqrt(rectangular(gain) ** 2 * (second_v - first_v) ** 2 + rectangular(left) ** 2 + rounding[0] ** 2 + rounding[1] ** 2)
    return np.hypot(_u_reading(benches[0], first, first_v), _u_reading(benches[1], second, second_v))


def _channel(run: Drawn) -> str:
    return "group_voltage" if run.group is not None else "voltage"


def _u_reading(bench: Instrument, run: Drawn, value_v: np.ndarray) -> np.ndarray:
    """As :func:`uncertainty.reading_u` for many readings, each divided by the number of groups."""
    series = int(number(part(run.analysis, "pack", "series")) or run.divided_by)
    if run.is_sum:
        bench = bench.of_group_sum(series)
    gain, zero, digit = bench.limits(_channel(run))
    zero, value_v = zero / run.divided_by, np.abs(value_v)
    limit = rectangular(1.0) * (gain * value_v + zero if bench.is_one_limit(_channel(run)) else np.hypot(gain * value_v, zero))
    return np.hypot(limit, resolution_term(rounding_beyond(run.resolution_v, digit)) / run.divided_by)


def charge_difference(reference: Drawn, run: Drawn, at_v: np.ndarray) -> Difference:
    """Charge of a run minus that of the reference at the same voltages, with its uncertainty. [Ah]

    ``y`` of both is the charge over the voltage ``x``.
    """
    first, second = value_at(reference, at_v), value_at(run, at_v)
    return Difference(at_v, second - first, _u_charge_difference(reference, run, at_v, first, second), same_instrument(reference.analysis, run.analysis))


def _u_charge_difference(first: Drawn, second: Drawn, at_v: np.ndarray, first_ah: np.ndarray, second_ah: np.ndarray) -> np.ndarray | None:
    benches = bench_of(first.analysis), bench_of(second.analysis)
    if benches[0] is None or benches[1] is None:
        return None
    hours = [np.interp(ah, run.charge_ah, run.time_s) / 3600.0 for run, ah in ((first, first_ah), (second, second_ah))]
    per_volt = [_slope(at_v, ah) for ah in (first_ah, second_ah)]
    rounding = [resolution_term(run.resolution_v) / run.divided_by * slope for run, slope in zip((first, second), per_volt)]
    gains = [rectangular(bench.current_gain) for bench in benches]
    zeros = [rectangular(bench.current_offset_a) for bench in benches]
    if same_instrument(first.analysis, second.analysis):
        ammeter = np.hypot(gains[0] * (second_ah - first_ah), zeros[0] * (hours[1] - hours[0]))
    else:
        ammeter = np.sqrt(sum((g * ah) ** 2 + (z * h) ** 2 for g, z, ah, h in zip(gains, zeros, (first_ah, second_ah), hours)))
    if _same_channel(first, second):
        gain, zero, _digit = benches[0].limits(_channel(first))
        error = [np.hypot(rectangular(gain) * at_v, rectangular(zero) / run.divided_by) for run in (first, second)]
        voltmeter = np.sqrt((error[1] * per_volt[1] - error[0] * per_volt[0]) ** 2 + rounding[0] ** 2 + rounding[1] ** 2)
    else:
        voltmeter = np.hypot(*(_u_reading(bench, run, at_v) * slope for bench, run, slope in zip(benches, (first, second), per_volt)))
    return np.hypot(ammeter, voltmeter)


def _slope(at_v: np.ndarray, charge_ah: np.ndarray) -> np.ndarray:
    """How fast the charge changes per volt, over some places at once. [Ah/V]"""
    found = np.full(at_v.shape, np.nan)
    known = np.flatnonzero(np.isfinite(charge_ah))
    if known.size < 3:
        return found
    v, ah = at_v[known], charge_ah[known]
    half = min(SLOPE_PLACES // 2, (known.size - 1) // 2)
    low, high = np.maximum(np.arange(known.size) - half, 0), np.minimum(np.arange(known.size) + half, known.size - 1)
    found[known] = np.abs((ah[high] - ah[low]) / (v[high] - v[low]))
    return found
