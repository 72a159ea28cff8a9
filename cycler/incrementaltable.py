"""The contract's ``incremental``: peaks of dQ/dV of one charge and one discharge, for pack and groups, and what speaks against them.

Curves themselves are not kept: :func:`incremental_curves` makes them again from the log and the analysis.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np

from cycler.log import Log
from cycler.measures.capacity import ChargeRun, Discharge
from cycler.measures.incremental import CELL_RANGE_V, ORDER, IncrementalCurve, best_curve
from cycler.measures.peaks import Peak, find_curve_peaks
from cycler.measures.steady import Stretch, steady_stretch
from cycler.pack import Pack
from cycler.quantities import significant_text
from cycler.signals import resolution_of
from cycler.steps import Step, pack_voltage
from cycler.uncertainty import rectangular, resolution_term, rounding_beyond, voltage_reading_u

WAYS = ("discharge", "charge")
RATE_DOUBT_IT, RATE_LIMIT_IT = 1.0 / 3.0, 1.0
"""Above the first a curve is given but doubted, above the second withheld: peaks shift by I x R and melt together. Common practice, no source."""
RATE_TOLERANCE = 1.05
"""A current is set no closer than this to its nominal rate. Common practice, no source."""
RATE_WISHED_IT = 0.1
SPREAD_DOUBT, SPREAD_LIMIT = 0.03, 0.25
"""Half the spread of the current over its median (constant power from full to empty has 0.17). Common practice, no source."""
BRIDGED_LIMIT = 0.10
"""Share of the charge that may flow where samples had to be cut out. Common practice, no source."""
PAUSES_LIMIT = 2
"""Pauses or pulses in a stretch that are doubted only; more withhold it: after each the voltage bends, as a peak does. Common practice, no source; seen on openly
published pulse tests."""
U_DOUBT, U_LIMIT = 0.05, 0.20
"""Share of dQ/dV that noise or resolution leave open (standard, median). Common practice, no source."""
ROWS_DOUBT, ROWS_LIMIT = 8.0, 3.0
"""Rows per window at the median of dQ/dV. Common practice, no source."""
SPAN_SHARE = 0.6
"""A curve over less than this share of the chemistry's voltage range shows only part of the peaks. Common practice, no source."""
SPAN_LIMIT = 4.0
"""Least voltage range, in windows. Common practice, no source."""
LEVELS_ALIKE = 0.10
"""Steps whose currents differ by less belong to one curve. Common practice, no source."""

REASON_WORDS = {
    "no_steady_current": "the log holds no {way} at one steady current that is longer than a pulse",
    "series_unknown": "the number of groups is not known, so the voltage of one cell is not",
    "voltage_implausible": "the voltage per group is none of a cell",
    "current_unsteady": "the current was not steady, so the voltage moved with it and not with the charge alone",
    "rate_too_high": "the current was above {limit} It: peaks shift by current times resistance and melt together",
    "log_gap": "the log has a gap inside this stretch, and what flowed in it is not known",
    "interrupted": "pauses or pulses cut up this stretch; after each the voltage bends and feigns a peak",
    "range_too_short": "the voltage ran through too little of its range, so peaks outside it are not seen",
    "sampling_too_coarse": "rows lie too far apart for the voltage between them to be told",
    "voltage_resolution_too_coarse": "voltage was logged in steps too coarse to tell its slope",
    "too_noisy": "voltage readings scatter too much to tell their slope",
}
MEND_WORDS = {
    "no_steady_current": "log one whole {way} at constant current, 0.1 It or so",
    "series_unknown": "state series in the pack file",
    "voltage_implausible": "check series in the pack file and the unit of the voltage",
    "current_unsteady": "keep the current constant from full to empty",
    "rate_too_high": "{way} with {rate} It or less{amps}",
    "log_gap": "log this {way} without a gap",
    "interrupted": "{way} in one go",
    "range_too_short": "{way} through the whole range in one go",
    "sampling_too_coarse": "log a row every {seconds} s or oftener",
    "voltage_resolution_too_coarse": "log the voltage of each group to 1 mV, or that of the pack to {pack_mv} mV",
    "too_noisy": "sense the voltage at the cells (four-wire) and let the instrument average each reading",
}


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """One way of the current: the steps used, the stretch, and what speaks against any curve of it."""

    main: Step
    used: tuple[Step, ...]
    stretch: Stretch
    rate_it: float | None
    reasons: tuple[str, ...]
    withheld: bool


def incremental_sheet(
    log: Log, pack: Pack, steps: tuple[Step, ...], discharges: Sequence[Discharge], charges: Sequence[ChargeRun],
    headline: Discharge | None, numbers: tuple[int, ...], whole_series: int, progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Peaks of one discharge and one charge.

    Of several the slowest counts that ran through at least 80 % of the widest voltage range; of equals that of the reported capacity, then the last.

    Parameters
    ----------
    log : Log
        Without unusable group columns; ``numbers`` are the groups of those that stay, ``whole_series`` how many columns there were.
    pack : Pack
        Series count, rated capacity and limits of error are used.
    steps : tuple of Step
    discharges, charges : sequence
        Of these the steps that count.
    headline : Discharge or None
        The discharge of the reported capacity.
    progress : callable, optional
        Hears before each channel which share of them is done; what it raises ends the work.

    Returns
    -------
    dict
        ``discharge``, ``charge`` (pack voltage divided by ``divided_by`` groups, so that packs can be compared), ``groups``. Peaks are None where they are
        withheld, with ``reasons``; an empty list says that none stands out of its uncertainty.
    """
    group_sum = log.series > 0 and not np.any(np.isfinite(log.voltage_v))
    series = log.series if group_sum else pack.series or whole_series or _single_cell(log)
    loads = [tuple(d.steps) for d in discharges]
    fills = [tuple(c.steps) for c in charges]
    preferred = headline.main_step if headline is not None else None
    rated = pack.rated_capacity_ah or (headline.net_ah if headline is not None else None)
    sheet: dict[str, Any] = {}
    rows: list[dict[str, Any]] = [{"group": number} for number in numbers]
    channels = len(WAYS) * (1 + len(rows))
    done = 0

    def next_channel() -> None:
        nonlocal done
        if progress is not None:
            progress(done / channels)
        done += 1

    voltage = pack_voltage(log) / (series or 1)
    resolution_v = lru_cache(maxsize=None)(lambda g: resolution_of(voltage if g is None else log.group_voltage_v[:, g]))
    for way, runs in zip(WAYS, (loads, fills)):
        next_channel()
        found = _choose(log, steps, runs, -1 if way == "discharge" else 1, preferred, rated, voltage)
        common = _common(way, found, log, "group_sum" if group_sum else "pack", series, rated, bool(pack.rated_capacity_ah))
        sheet[way] = common | _channel(way, pack, found, voltage if series else None, lambda: resolution_v(None), series, False)
        for g, row in enumerate(rows):
            next_channel()
            row[way] = _channel(way, pack, found, log.group_voltage_v[:, g], partial(resolution_v, g), None, True)
    return sheet | {"order": ORDER, "groups": rows}


def _single_cell(log: Log) -> int | None:
    """1 where the pack voltage is that of one cell of any chemistry, below 5 V."""
    known = log.voltage_v[np.isfinite(log.voltage_v)]
    return 1 if known.size and float(np.max(known)) < 5.0 else None


def _choose(
    log: Log, steps: tuple[Step, ...], runs: Sequence[tuple[int, ...]], direction: int, preferred: int | None, rated: float | None, voltage: np.ndarray,
) -> _Found | None:
    found: list[tuple[float, float, bool, int, _Found]] = []
    for run in runs:
        own = [
            steps[k] for k in run
            if steps[k].direction == direction and not steps[k].kind.startswith("pulse") and not steps[k].kind.endswith("_cv")
        ]
        if not own:
            continue
        main = max(own, key=lambda step: float(log.time_s[step.last] - log.time_s[step.first]))
        used = tuple(step for step in own if abs(step.level_a - main.level_a) <= LEVELS_ALIKE * abs(main.level_a))
        stretch = steady_stretch(log.time_s, voltage, log.current_a, tuple((step.first, step.last) for step in used))
        if stretch is None:
            continue
        span = abs(float(voltage[stretch.rows[-1]] - voltage[stretch.rows[0]]))
        found.append((span, abs(stretch.level_a), preferred in run, main.index, _judge(main, used, stretch, rated)))
    if not found:
        return None
    widest = max(item[0] for item in found)
    wide = [item for item in found if item[0] >= 0.8 * widest]
    slowest = min(item[1] for item in wide)
    alike = [item for item in wide if item[1] <= (1.0 + LEVELS_ALIKE) * slowest]
    return max(alike, key=lambda item: (item[2], item[3]))[4]


def _judge(main: Step, used: tuple[Step, ...], stretch: Stretch, rated: float | None) -> _Found:
    """What speaks against a stretch whatever the channel."""
    rate = abs(stretch.level_a) / (rated or float(stretch.charge_ah[-1]))
    tests = (
        ("rate_too_high", rate, RATE_DOUBT_IT * RATE_TOLERANCE, RATE_LIMIT_IT * RATE_TOLERANCE),
        ("current_unsteady", stretch.spread, SPREAD_DOUBT, SPREAD_LIMIT),
    )
    reasons = [code for code, value, doubt, _ in tests if value > doubt]
    reasons += ["interrupted"] if stretch.pauses else []
    cut_up = stretch.pauses > PAUSES_LIMIT or stretch.bridged_share > BRIDGED_LIMIT
    return _Found(main, used, stretch, rate, tuple(reasons), cut_up or any(value > limit for _, value, _, limit in tests))


def _common(
    way: str, found: _Found | None, log: Log, source: str, series: int | None, rated: float | None, declared: bool
) -> dict[str, Any]:
    empty = dict.fromkeys(("step", "start_s", "end_s", "rate_it", "rate_from", "mean_current_a", "charge_ah"))
    common: dict[str, Any] = {"source": source, "divided_by": series, "steps": []} | empty
    if found is None:
        return common
    rows = found.stretch.rows
    return common | {
        "step": found.main.index, "steps": [step.index for step in found.used],
        "start_s": float(log.time_s[rows[0]]), "end_s": float(log.time_s[rows[-1]]), "rate_it": found.rate_it,
        "rate_from": "rated_capacity" if declared else "measured_capacity" if rated else "charge_of_this_step",
        "mean_current_a": found.stretch.level_a, "charge_ah": float(found.stretch.charge_ah[-1]),
    }


def _channel(
    way: str, pack: Pack, found: _Found | None, voltage_v: np.ndarray | None, resolution_v: Callable[[], float], series: int | None, group: bool
) -> dict[str, Any]:
    """One channel's window, peaks and reasons; ``resolution_v`` finds that of its column, ``series`` divides what the pack's instrument leaves open."""
    sheet: dict[str, Any] = dict.fromkeys(
        ("window_v", "grid_v", "points", "window_ah", "from_v", "to_v", "resolution_v", "noise_v", "u_share", "peaks")
    ) | {"order": ORDER, "withheld": True}
    if found is None:
        return sheet | _words(way, ("no_steady_current",), None, 1.0)
    if voltage_v is None:
        return sheet | _words(way, ("series_unknown",), None, 1.0)
    readings = voltage_v[found.stretch.rows]
    low, high = np.fmin.reduce(readings), np.fmax.reduce(readings)
    if not np.isnan(low) and not -CELL_RANGE_V < low <= high < CELL_RANGE_V:
        return sheet | _words(way, ("voltage_implausible",), None, 1.0)
    curve = _curve(found.stretch, readings, resolution_v)
    if curve is None:
        return sheet | _words(way, ("range_too_short", *found.reasons), found, 1.0)
    reasons, withheld, seconds = _channel_doubts(pack, found, curve)
    withheld = withheld or found.withheld
    peaks = None if withheld else [_peak_dict(peak, pack, found.stretch, series, group) for peak in find_curve_peaks(curve)]
    return sheet | {
        "window_v": curve.filter.window_v, "grid_v": curve.filter.grid_v, "points": curve.filter.points, "window_ah": curve.window_ah,
        "from_v": float(curve.voltage_v[0]), "to_v": float(curve.voltage_v[-1]), "resolution_v": curve.reading.resolution_v or None,
        "noise_v": curve.reading.noise_v, "u_share": curve.relative(curve.u_dq_dv), "peaks": peaks, "withheld": withheld,
    } | _words(way, (*found.reasons, *reasons), found, seconds, series)


def _curve(stretch: Stretch, readings: np.ndarray, resolution_v: Callable[[], float], window_v: float | None = None) -> IncrementalCurve | None:
    """The curve of one channel from its readings over the stretch, ``resolution_v`` finds that of its whole column; rows without a reading are left out."""
    known = np.isfinite(readings)
    if np.all(known):
        return best_curve(readings, stretch.charge_ah, window_v, resolution_v(), stretch.charge_per_sample_ah)
    if np.count_nonzero(known) < 10:
        return None
    charge = stretch.charge_ah[known]
    return best_curve(readings[known], charge - charge[0], window_v, resolution_v())


def _channel_doubts(pack: Pack, found: _Found, curve: IncrementalCurve) -> tuple[tuple[str, ...], bool, float]:
    """Reasons of one channel, whether they withhold its peaks, and how often a row should be written [s]."""
    window, stretch = curve.filter.window_v, found.stretch
    slope = np.sort(np.maximum(curve.dq_dv, 0.0))
    weight = np.cumsum(slope)
    usual = float(slope[np.searchsorted(weight, 0.5 * weight[-1])]) if weight[-1] > 0 else 0.0
    rows = usual * window / max(curve.reading.charge_per_sample_ah, 1e-12)
    span = float(curve.voltage_v[-1] - curve.voltage_v[0]) + window
    limits = pack.limits
    coded, noisy = curve.relative(curve.u_resolution), curve.relative(curve.u_noise)
    # Few rows make every reading's scatter count, so they are named before the scatter is.
    few = rows < ROWS_DOUBT
    gap = stretch.gap_row is not None and stretch.charge_ah[stretch.gap_row + 1] - stretch.charge_ah[stretch.gap_row] > usual * window
    reasons = [
        code for code, holds in (
            ("log_gap", stretch.gap_row is not None), ("range_too_short", limits is not None and span < SPAN_SHARE * (limits.full_v - limits.empty_v)),
            ("sampling_too_coarse", few), ("voltage_resolution_too_coarse", coded > U_DOUBT), ("too_noisy", noisy > U_DOUBT and not few),
        ) if holds
    ]
    short = span < SPAN_LIMIT * window
    if short and "range_too_short" not in reasons:
        reasons.append("range_too_short")
    withheld = bool(short or gap or rows < ROWS_LIMIT or coded > U_LIMIT or noisy > U_LIMIT)
    return tuple(reasons), withheld, stretch.interval_s * rows / ROWS_DOUBT


def _words(way: str, reasons: tuple[str, ...], found: _Found | None, seconds: float, series: int | None = None) -> dict[str, Any]:
    rate = found.rate_it if found is not None else None
    amps = ""
    if rate:
        amps = f" ({significant_text(RATE_WISHED_IT * abs(found.stretch.level_a) / rate, 2)} A here)"
    values = {
        "way": way, "limit": "1" if rate and rate > RATE_LIMIT_IT * RATE_TOLERANCE else "1/3", "rate": f"{RATE_WISHED_IT:g}", "amps": amps,
        "seconds": significant_text(10.0 ** math.floor(math.log10(seconds)) * math.floor(seconds / 10.0 ** math.floor(math.log10(seconds))), 1) if seconds > 0 else "1",
        "pack_mv": str(series or 1),
    }
    return {
        "reasons": list(reasons), "reason_words": [REASON_WORDS[code].format(**values) for code in reasons],
        "record_next": [MEND_WORDS[code].format(**values) for code in reasons],
    }


def _peak_dict(peak: Peak, pack: Pack, stretch: Stretch, series: int | None, group: bool) -> dict[str, Any]:
    """A peak with the instrument's errors in its uncertainty: voltage at its place, gain of voltage and current, zero of the current, clock."""
    bench = pack.instrument
    divided = series or 1
    u_voltage = voltage_reading_u(bench, peak.position_v * divided, 0.0, group) / divided
    gain = rectangular(bench.group_voltage_gain if group else bench.voltage_gain)
    level = abs(stretch.level_a)
    digit = bench.limits("current")[2]
    charge = math.hypot(
        rectangular(bench.current_gain), rectangular(bench.current_offset_a) / level, rectangular(bench.clock_gain),
        resolution_term(rounding_beyond(stretch.resolution_a, digit)) / level,
    )
    return {
        "position_v": peak.position_v, "u_position_v": math.hypot(peak.u_position_v, u_voltage), "u_position_noise_v": peak.u_position_v,
        "height_ah_per_v": peak.height_ah_per_v, "u_height_ah_per_v": math.hypot(peak.u_height_ah_per_v, peak.height_ah_per_v * math.hypot(gain, charge)),
        "u_height_noise_ah_per_v": peak.u_height_ah_per_v, "prominence_ah_per_v": peak.prominence_ah_per_v, "width_v": peak.width_v,
        "area_ah": peak.area_ah, "u_area_ah": math.hypot(peak.u_area_ah, charge * peak.area_ah), "from_v": peak.from_v, "to_v": peak.to_v,
        "filter_limited": peak.filter_limited,
    }


# ---- curves for pictures and export ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class WayCurves:
    """Curves of one charge or discharge: ``pack`` per group of the pack, ``groups`` by their number; None where they are withheld or none can be made."""

    way: str
    pack: IncrementalCurve | None
    groups: dict[int, IncrementalCurve]


def incremental_curves(log: Log, analysis: dict[str, Any], window_v: float | None = None) -> dict[str, WayCurves]:
    """The curves behind an analysis' ``incremental``, by way of the current.

    Parameters
    ----------
    log : Log
        The log that was analysed.
    analysis : dict
        The contract's object. One of an earlier version, without ``incremental``, gives no curves.
    window_v : float, optional
        One window for all curves, so that runs can be laid over one another; else each has its own. [V]
    """
    sheet = analysis.get("incremental")
    if not sheet:
        return {}
    rows_of = {step["index"]: step for step in analysis["steps"]}
    numbers = [row["group"] for row in sheet["groups"]]
    found = {}
    for way in WAYS:
        own = sheet[way]
        volts = _pack_per_group(log, own, numbers)
        parts = tuple(_rows_between(log, rows_of[k]) for k in own["steps"])
        stretch = steady_stretch(log.time_s, volts, log.current_a, parts) if parts and volts is not None else None
        found[way] = WayCurves(way, None, {})
        if stretch is None:
            continue

        def curve(column: np.ndarray, own_v: float, stretch: Stretch = stretch) -> IncrementalCurve | None:
            return _curve(stretch, column[stretch.rows], lambda: resolution_of(column), window_v or own_v)

        shown = {
            row["group"]: curve(log.group_voltage_v[:, row["group"] - 1], row[way]["window_v"])
            for row in sheet["groups"] if not row[way]["withheld"]
        }
        pack = None if own["withheld"] else curve(volts, own["window_v"])
        found[way] = WayCurves(way, pack, {number: curve for number, curve in shown.items() if curve is not None})
    return found


def _pack_per_group(log: Log, own: dict[str, Any], numbers: list[int]) -> np.ndarray | None:
    if own["source"] == "group_sum":
        return np.sum(log.group_voltage_v[:, [number - 1 for number in numbers]], axis=1) / len(numbers)
    return log.voltage_v / (own["divided_by"] or 1)


def _rows_between(log: Log, step: dict[str, Any]) -> tuple[int, int]:
    """First and last row of a step by its times; a row of the step before in the same tick has another current and is left out later."""
    return int(np.searchsorted(log.time_s, step["start_s"], "left")), int(np.searchsorted(log.time_s, step["end_s"], "right")) - 1
