"""The curves of two runs subtracted from one another, with what their instruments leave open of the difference.

What counts in the uncertainty of a voltage difference: gain and zero error of the voltmeters, rounding and noise of the readings, and how far clock, ammeter and
the instant of switching may shift a curve along its axis, through its slope there. Runs that declare the same instrument have gain and zero in common where the same
channel was read: of these only gain x difference remains, and the zero divided by two numbers of groups; ammeter and clock are common then, so that their shift counts by
the difference of the slopes. Rounding, noise and the instant are never common. Otherwise all errors are independent.

Over voltage the charges are subtracted: gain and zero of the ammeters count, and the voltmeters through the slope of each curve.

References: JCGM 100:2008, 5.2 (correlated input quantities; clause from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.difference import PROPORTIONAL_SOURCES, RATE_NOTE_SHARE, WITH_TIME_SOURCES, same_instrument
from cycler.instrument import Instrument, instrument_from_stored
from cycler.measures.alongside import monotone_at, scatter
from cycler.measures.incremental import charge_below
from cycler.quantities import COVERAGE_FACTOR
from cycler.taken import Analysis, number, part
from cycler.uncertainty import rectangular, resolution_term, rounding_beyond

GRID_POINTS = 500
"""Places at which two runs are subtracted."""
SLOPE_PLACES = 20
"""Places over which the slope of a charge over voltage is taken for its uncertainty; a single step of it would be mostly rounding."""
SHIFT_PLACES = 4
"""The same for a voltage that is shifted along its axis: short, as it is the knee that counts."""
_COMMON_SHIFTS = frozenset({"current gain", "current offset", "clock"})
"""Shifts along the axis that one bench makes in both runs."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What is drawn of one run, condensed to few points, and by what it was measured.

    ``x`` rises strictly; ``y`` is a voltage [V] or, over voltage, a charge [Ah]; both shape (n,). ``charge_ah`` and ``time_s`` stand beside them. ``group`` is the
    channel (``None``: the pack's own), ``divided_by`` the number of groups that the reading was divided by, ``is_sum`` says that it is a sum of groups. ``holes``
    are the ranges of ``x`` over which the readings are missing. ``axis`` says what ``x`` is (``time``, ``ah`` or ``soc``, falling ones negated) for its uncertainty; ""
    leaves that out. ``u_start_s`` is the standard uncertainty of when current came on.
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
    axis: str = ""
    u_start_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """Run minus reference where both have data, NaN elsewhere. ``u`` is the standard uncertainty, or ``None`` if no limits of error are known.

    ``unlike`` tells where the two ran at currents more than ``RATE_NOTE_SHARE`` apart, as in a pulse of one: what differs there is the current, not the pack.
    """

    x: np.ndarray
    value: np.ndarray
    u: np.ndarray | None
    common: bool
    unlike: np.ndarray | None = None

    @property
    def counted(self) -> np.ndarray:
        """Where there is a difference at like currents; where there is one at all, if they are alike nowhere."""
        like = self.known if self.unlike is None else self.known & ~self.unlike
        return like if like.any() else self.known

    def share_unlike(self) -> float:
        """Share of the common stretch over which the currents are unlike."""
        return float(np.mean(self.unlike[self.known])) if self.unlike is not None and self.known.any() else 0.0

    @property
    def known(self) -> np.ndarray:
        """Where there is a difference."""
        return np.isfinite(self.value)

    def share_beyond(self) -> float | None:
        """Share of the common stretch, as far as it is :attr:`counted`, over which the difference exceeds its expanded uncertainty (k = 2)."""
        if self.u is None or not self.known.any():
            return None
        counted = self.counted
        return float(np.mean(np.abs(self.value[counted]) > COVERAGE_FACTOR * self.u[counted]))

    def largest(self) -> tuple[float, float, float | None] | None:
        """(x, difference, u) where the difference is largest, of what is :attr:`counted`, among those beyond their uncertainty if there are any."""
        if not self.known.any():
            return None
        size = np.where(self.counted, np.abs(self.value), -1.0)
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
    u = u_voltage_difference(reference, run, first, second, common)
    if u is not None:
        u = np.sqrt(u**2 + _square_of_shifts(reference, run, at, first, second) + scatter(reference.y) ** 2 + scatter(run.y) ** 2)
    return Difference(at, second - first, u, common, _unlike_currents(reference, run, at))


def _unlike_currents(first: Drawn, second: Drawn, at: np.ndarray) -> np.ndarray:
    """Where the currents of two runs are more than ``RATE_NOTE_SHARE`` apart, and the places beside. Shape (k,), bool."""
    amps = [_amps_at(run, at) for run in (first, second)]
    unlike = np.abs(amps[1] - amps[0]) > RATE_NOTE_SHARE * np.maximum(*amps)
    return unlike | np.append(unlike[1:], False) | np.insert(unlike[:-1], 0, False) if unlike.size else unlike


def _amps_at(run: Drawn, at: np.ndarray) -> np.ndarray:
    """Mean current between the two readings beside each place. [A]"""
    seconds = np.diff(run.time_s)
    amps = np.divide(np.diff(run.charge_ah) * 3600.0, seconds, out=np.zeros(seconds.size), where=seconds > 0.0)
    return amps[np.clip(np.searchsorted(run.x, at, side="right") - 1, 0, amps.size - 1)] if amps.size else np.zeros(at.shape)


def _square_of_shifts(first: Drawn, second: Drawn, at: np.ndarray, first_v: np.ndarray, second_v: np.ndarray) -> np.ndarray:
    """Variance of the difference from errors along the axis: each run's shift times its slope, common ones subtracted first. [V^2]"""
    shifts = [_shifts(run, at) for run in (first, second)]
    slopes = [np.nan_to_num(_slope(at, volts, SHIFT_PLACES)) for volts in (first_v, second_v)]
    one_bench = same_instrument(first.analysis, second.analysis)
    square = np.zeros(at.shape)
    for source in {**shifts[0], **shifts[1]}:
        a, b = (shift.get(source, 0.0) * slope for shift, slope in zip(shifts, slopes))
        square += (b - a) ** 2 if one_bench and source in _COMMON_SHIFTS else a**2 + b**2
    return square


def _shifts(run: Drawn, at: np.ndarray) -> dict[str, Any]:
    """Standard uncertainties of a run's place along the axis by source, in the axis' unit."""
    bench = bench_of(run.analysis)
    if bench is None or not run.axis or not run.time_s[-1] > 0.0:
        return {}
    ah, seconds = np.interp(at, run.x, run.charge_ah), np.interp(at, run.x, run.time_s)
    clock, start_ah = rectangular(bench.clock_gain), run.u_start_s * run.charge_ah[-1] / run.time_s[-1]
    if run.axis == "time":
        # A load that is set by the ammeter takes another charge in the same time.
        amps = 3600.0 * run.charge_ah[-1] / run.time_s[-1]
        zero_share = rectangular(bench.current_offset_a) / amps if amps else 0.0
        return {"clock": clock * seconds, "current gain": rectangular(bench.current_gain) * seconds, "current offset": zero_share * seconds, "start": run.u_start_s}
    if run.axis == "ah":
        return {"current gain": rectangular(bench.current_gain) * ah, "current offset": rectangular(bench.current_offset_a) * seconds / 3600.0,
                "clock": clock * ah, "start": start_ah}
    capacity = part(run.analysis, "capacity") or {}
    value = number(capacity.get("value_ah"))
    if not value:
        return {}
    # A state of charge is a ratio of charges of one run: what goes with charge and time cancels in it.
    used = 1.0 - np.abs(at) / 100.0
    return {"capacity": 100.0 * used * _u_apart_from_gain(capacity) / value, "start": 100.0 * start_ah / value}


def _u_apart_from_gain(capacity: Analysis) -> float:
    """Standard uncertainty of a capacity from what does not go with charge or time; all of it where no budget was kept. [Ah]"""
    rows = capacity.get("budget") or []
    own = [number(row.get("standard_uncertainty_ah")) or 0.0 for row in rows if str(row.get("source")) not in PROPORTIONAL_SOURCES | WITH_TIME_SOURCES]
    return float(np.sqrt(sum(term**2 for term in own))) if rows else number(capacity.get("u_value_ah")) or 0.0


def _same_channel(first: Drawn, second: Drawn) -> bool:
    return same_instrument(first.analysis, second.analysis) and (first.group, first.is_sum) == (second.group, second.is_sum)


def u_voltage_difference(
    first: Drawn, second: Drawn, first_v: np.ndarray, second_v: np.ndarray, common: bool
) -> np.ndarray | None:
    """Standard uncertainty of ``second_v - first_v``, both as drawn (divided by the groups); None if no limits are known. Shapes (k,). [V]

    ``common``: the same instrument and channel, u^2 = (g/sqrt3 (V2 - V1))^2 + (a/sqrt3 (1/n2 - 1/n1))^2 + r1^2 + r2^2 with gain g, zero error a, numbers of groups n and
    rounding r = d / sqrt12 / n. Otherwise u^2 is the sum of the squares of the two readings' own uncertainties. An average of several readings is
    given the rounding of one. Where the pack's voltage is the sum of its groups, the mean zero error of the groups counts: groups read in both runs have theirs in common.
    """
    benches = bench_of(first.analysis), bench_of(second.analysis)
    if benches[0] is None or benches[1] is None:
        return None
    rounding = [resolution_term(run.resolution_v) / run.divided_by for run in (first, second)]
    if common:
        gain, left = _common_limits(benches[0], first, second)
        return np.sqrt(rectangular(gain) ** 2 * (second_v - first_v) ** 2 + rectangular(left) ** 2 + rounding[0] ** 2 + rounding[1] ** 2)
    return np.hypot(_u_reading(benches[0], first, first_v), _u_reading(benches[1], second, second_v))


def _common_limits(bench: Instrument, first: Drawn, second: Drawn) -> tuple[float, float]:
    """Gain [fraction] that two runs have in common, and the limit of what zero errors leave of their difference [V]."""
    if not first.is_sum:
        gain, zero, _digit = bench.limits(_channel(first))
        return gain, abs(1.0 / second.divided_by - 1.0 / first.divided_by) * zero
    gain, zero, _digit = bench.limits("group_voltage")
    few, many = sorted((run.divided_by, _series(run)) for run in (first, second))
    # Zeros are independent from group to group; those of the smaller pack are in both sums.
    shared, apart = min(few[1], many[1]), abs(many[1] - few[1])
    larger = few if few[1] > many[1] else many
    return gain, zero * float(np.sqrt(shared * (1.0 / few[0] - 1.0 / many[0]) ** 2 + apart / larger[0] ** 2))


def _series(run: Drawn) -> int:
    return int(number(part(run.analysis, "pack", "series")) or run.divided_by)


def _channel(run: Drawn) -> str:
    return "group_voltage" if run.group is not None else "voltage"


def _u_reading(bench: Instrument, run: Drawn, value_v: np.ndarray) -> np.ndarray:
    """As :func:`uncertainty.reading_u` for many readings, each divided by the number of groups."""
    if run.is_sum:
        bench = bench.of_group_sum(_series(run))
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
    per_volt = [np.abs(_slope(at_v, ah, SLOPE_PLACES)) for ah in (first_ah, second_ah)]
    rounding = [resolution_term(run.resolution_v) / run.divided_by * slope for run, slope in zip((first, second), per_volt)]
    gains = [rectangular(bench.current_gain) for bench in benches]
    zeros = [rectangular(bench.current_offset_a) for bench in benches]
    if same_instrument(first.analysis, second.analysis):
        ammeter = np.hypot(gains[0] * (second_ah - first_ah), zeros[0] * (hours[1] - hours[0]))
    else:
        ammeter = np.sqrt(sum((g * ah) ** 2 + (z * h) ** 2 for g, z, ah, h in zip(gains, zeros, (first_ah, second_ah), hours)))
    if _same_channel(first, second):
        gain, zero, _digit = benches[0].limits("group_voltage" if first.is_sum else _channel(first))
        zeros_v = [zero * (np.sqrt(_series(run)) if run.is_sum else 1.0) / run.divided_by for run in (first, second)]
        shift = rectangular(gain) * at_v * (per_volt[1] - per_volt[0]), rectangular(zeros_v[1]) * per_volt[1] - rectangular(zeros_v[0]) * per_volt[0]
        voltmeter = np.sqrt(shift[0] ** 2 + shift[1] ** 2 + rounding[0] ** 2 + rounding[1] ** 2)
    else:
        voltmeter = np.hypot(*(_u_reading(bench, run, at_v) * slope for bench, run, slope in zip(benches, (first, second), per_volt)))
    return np.sqrt(ammeter**2 + voltmeter**2 + scatter(first.y) ** 2 + scatter(second.y) ** 2)


def _slope(at: np.ndarray, value: np.ndarray, places: int) -> np.ndarray:
    """How fast a curve changes along its axis, over some places at once; NaN outside it. Shapes (k,)."""
    found = np.full(at.shape, np.nan)
    known = np.flatnonzero(np.isfinite(value))
    if known.size < 3:
        return found
    x, y = at[known], value[known]
    half = min(places // 2, (known.size - 1) // 2)
    low, high = np.maximum(np.arange(known.size) - half, 0), np.minimum(np.arange(known.size) + half, known.size - 1)
    found[known] = (y[high] - y[low]) / (x[high] - x[low])
    return found
