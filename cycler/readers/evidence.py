"""Units that the headings do not state, settled by what the readings can only be.

Cross-checks come first (current integrated over time against the instrument's counters, group sum against pack
voltage, power against voltage times current); size alone is the last resort. The bounds of size are common
practice for repairable packs, no source.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from cycler.errors import quote
from cycler.log import ReadingWarning
from cycler.readers import overall
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.flow import turnover
from cycler.readers.twopart import stamp_seconds
from cycler.units import COULOMB_PER_AH, UNITS, shown_unit

LARGEST_GROUP_V = 5.5
"""No lithium-ion or nickel group reads more. [V]"""
SMALLEST_PACK_V = 0.2
"""A pack voltage that stays below this is more likely a slip of the unit (common practice, no source). [V]"""
SPREADSHEET_DAYS = (36_526.0, 73_051.0)
"""Days from 1899-12-30 to the years 2000 and 2100, as spreadsheets store a date (common practice, no source)."""
UNIT_RATIO = 30.0
"""Two columns that differ by more than this factor have a unit wrong (60, 1000 and 3600 lie beyond it)."""
_TIME_UNITS = ("s", "ms", "min", "h", "d")
AGREEMENT = 0.10
"""Integral and counter agree if they differ by less than this share; wrong units differ by 60 or more."""


@dataclass(frozen=True, slots=True)
class UnitChoice:
    """A unit settled without the heading. ``strength``: 2 cross-check, 1 size, 0 default."""

    symbol: str
    strength: int
    why: str


def settle_units(assignment: Assignment, forced: dict[str, UnitChoice] | None = None) -> dict[str, UnitChoice]:
    """Give a unit to every column that needs one; returns what was chosen, by heading.

    ``forced`` holds choices made for another part of the same test.
    """
    choices: dict[str, UnitChoice] = {}
    # Readings of 1e308 are told later; they must not disturb the comparisons before.
    with np.errstate(over="ignore", invalid="ignore"):
        _settle(assignment, forced or {}, choices)
    return choices


def _settle(assignment: Assignment, forced: dict[str, UnitChoice], choices: dict[str, UnitChoice]) -> None:
    for item in assignment.columns:
        if item.unit is None and item.label in forced and _needs_unit(item):
            if item.role == "temperature" and UNITS[forced[item.label].symbol].dimension == "resistance":
                item.role = "thermistor"
            _set(item, forced[item.label], choices)
    _turn_reversed(assignment)
    _voltages(assignment, choices)
    _temperatures(assignment, choices)
    _thermistors(assignment, choices)
    _rates(assignment, choices)
    _doubt_small(assignment)
    _warn(assignment, choices)


def doubt_stated_units(assignment: Assignment) -> None:
    """Warn where a columns file states a unit that the heading does not, and the readings alone would have given another.

    A columns file that was right for one log of a charger is wrong for the next if its range was changed between them.
    """
    stated = [
        item for item in assignment.columns
        if item.stated and item.unit is not None and item.name.unit is None and item.raw.kind == "number" and _needs_unit(item)
    ]
    for item in stated:
        # One at a time, so that what is stated of the others may bear witness.
        open_one = replace(item, unit=None, stated=False)
        trial = Assignment([open_one if other is item else replace(other) for other in assignment.columns])
        choice = settle_units(trial).get(item.label)
        if choice is None or choice.strength == 0 or UNITS[choice.symbol].dimension != item.unit.dimension:
            continue
        ratio = UNITS[choice.symbol].factor / item.unit.factor
        if max(ratio, 1 / ratio) > UNIT_RATIO:
            assignment.warnings.append(
                ReadingWarning(
                    "unit_unusual",
                    f"The columns file states {shown_unit(item.unit.symbol)} for {quote(item.label)}; the readings speak for {shown_unit(choice.symbol)}: {choice.why}.",
                    item.label,
                )
            )


def _needs_unit(item: Assigned) -> bool:
    if item.role in ("time", "clock"):
        return item.raw.kind == "number"
    if item.role == "step":
        return item.name.step_time and item.raw.kind == "number"
    return item.raw.kind == "number" and item.role not in ("ignored", "cycle", "mode", "date")


def _set(item: Assigned, choice: UnitChoice, choices: dict[str, UnitChoice]) -> None:
    item.unit = UNITS[choice.symbol]
    item.inferred = True
    item.evidence = f"{item.evidence}; " if item.evidence else ""
    item.evidence += f"unit {shown_unit(choice.symbol)}: {choice.why}"
    choices[item.label] = choice


def _middle(values: np.ndarray) -> float:
    finite = np.abs(values[np.isfinite(values)])
    finite = finite[finite > 0]
    return overall.median(finite)


def _turn_reversed(assignment: Assignment) -> None:
    """Voltages that are negative throughout were measured with the leads changed over."""
    turned = []
    for role in ("voltage", "group_voltage", "tap_voltage"):
        for item in assignment.role(role):
            values = item.raw.values
            if values is None or not item.raw.extent().low < 0:
                continue
            if overall.median(values) < 0 and overall.mean(values[np.isfinite(values)] < 0) > 0.99:
                item.raw.values, item.turned = -values, True
                # Taps that are negative beside a positive pack were measured against pack positive.
                if role == "tap_voltage" and not any(pack.turned for pack in assignment.role("voltage")):
                    item.evidence += "; negative throughout, measured against pack positive"
                    continue
                item.evidence += "; negative throughout, read with the leads changed over"
                turned.append(item.label)
    if turned:
        assignment.warnings.append(
            ReadingWarning(
                "voltage_reversed", f"The readings of {', '.join(turned[:6])} are negative throughout; they were taken as positive, as if the leads were changed over.",
                turned[0],
            )
        )


def _doubt_small(assignment: Assignment) -> None:
    """Warn of a pack voltage that no pack has: a unit or a decimal mark that is not what it seems."""
    pack = assignment.one("voltage")
    if pack is None or pack.raw.kind != "number":
        return
    if pack.extent().low >= SMALLEST_PACK_V:
        return
    values = np.abs(pack.values())
    size = float(overall.percentile(values, 90)) if np.isfinite(values).any() else 0.0
    if np.isfinite(values).any() and size < SMALLEST_PACK_V:
        hint = ", and whether the point or comma in it stands between thousands" if size else " and its wire"
        assignment.warnings.append(
            ReadingWarning("unit_doubtful", f"Column {quote(pack.label)} reads {size:.3g} V, which is no pack: check its unit{hint}.", pack.label)
        )


def _voltages(assignment: Assignment, choices: dict[str, UnitChoice]) -> None:
    groups = assignment.role("group_voltage")
    taps = assignment.role("tap_voltage")
    for members in (groups, taps):
        open_ones = [item for item in members if item.unit is None]
        if not open_ones:
            continue
        stated = next((item for item in members if item.unit is not None), None)
        size = [_middle(item.raw.values) for item in open_ones]
        size = [value for value in size if math.isfinite(value)]
        lowest = min(size) if size else math.nan
        if stated is not None:
            choice = UnitChoice(stated.unit.symbol, 2, f"as for {stated.label}")
        elif lowest > 200:
            choice = UnitChoice("mV", 1, f"readings near {lowest:.0f} can only be mV for one group")
        else:
            shown = f"{lowest:.3g}" if math.isfinite(lowest) else "no reading"
            choice = UnitChoice("V", 1, f"readings near {shown} fit a group in V")
        for item in open_ones:
            _set(item, choice, choices)
    pack = assignment.one("voltage")
    if pack is None or pack.unit is not None or pack.raw.kind != "number":
        return
    middle = _middle(pack.raw.values)
    total = sum(value for item in groups if math.isfinite(value := _middle(item.values())))
    if not groups and taps:
        total = max((value for item in taps if math.isfinite(value := _middle(item.values()))), default=0.0)
    if groups or taps:
        for symbol in ("V", "mV"):
            if total and abs(middle * UNITS[symbol].factor / total - 1) < AGREEMENT:
                _set(pack, UnitChoice(symbol, 2, f"the groups add up to {total:.3f} V"), choices)
                return
    power, current = assignment.one("power"), assignment.one("current")
    if power and current and power.unit and current.unit and math.isfinite(middle):
        with np.errstate(all="ignore"):
            ratio = np.abs(power.values()) / np.abs(current.values())
        ratio = _middle(ratio[np.abs(current.values()) > 0.05])
        for symbol in ("V", "mV"):
            if math.isfinite(ratio) and abs(middle * UNITS[symbol].factor / ratio - 1) < AGREEMENT:
                _set(pack, UnitChoice(symbol, 2, "power divided by current gives it"), choices)
                return
    if middle > 1000:
        _set(pack, UnitChoice("mV", 1, f"readings near {middle:.0f} are too many volts for a pack"), choices)
    else:
        shown = f"{middle:.4g}" if math.isfinite(middle) else "no reading"
        _set(pack, UnitChoice("V", 1, f"readings near {shown} fit a pack in V"), choices)


HOTTEST_K = 450.0
"""A sensor of a pack reads less, in any unit of temperature: such numbers are ohms (rule of this program)."""
SMALLEST_THERMISTOR_OHM = 200.0
"""Readings below it are kilohms: an NTC of 10 kohm at 25 degC still has 531 ohm at 125 degC (common practice, no source)."""


def _thermistors(assignment: Assignment, choices: dict[str, UnitChoice]) -> None:
    """Ohm or kilohm for a resistance without a unit."""
    for item in assignment.role("thermistor"):
        if item.unit is None and item.raw.kind == "number":
            middle = _middle(item.raw.values)
            symbol = "kohm" if middle < SMALLEST_THERMISTOR_OHM else "ohm"
            _set(item, UnitChoice(symbol, 1, f"readings near {middle:.4g}"), choices)


def _temperatures(assignment: Assignment, choices: dict[str, UnitChoice]) -> None:
    for item in assignment.role("temperature"):
        if item.unit is None and not item.stated and item.name.thermistor and _middle(item.raw.values) > HOTTEST_K:
            item.role, item.evidence = "thermistor", f"{item.evidence}; its readings are too large for a temperature"
            continue
        if item.unit is None and item.raw.kind == "number":
            middle = _middle(item.raw.values)
            if 250 < middle < 350:
                choice = UnitChoice("K", 1, f"readings near {middle:.0f} fit kelvin")
            else:
                choice = UnitChoice("degC", 0, "the usual unit")
            _set(item, choice, choices)


def _seconds(item: Assigned | None) -> np.ndarray | None:
    if item is None:
        return None
    if item.raw.kind == "time":
        stamps = stamp_seconds(item)
        return stamps.seconds if not stamps.date_only else None
    return item.values()


def _increments(time: np.ndarray) -> np.ndarray:
    """Steps of a clock with its falls and long pauses cut out."""
    steps = np.diff(time)
    steps = np.where(np.isfinite(steps) & (steps > 0), steps, 0.0)
    positive = steps[steps > 0]
    if positive.size:
        # Slow sampling between fast pulses is no pause: its neighbours are as long, or it comes again and again.
        beside = np.maximum(np.concatenate([[0.0], steps[:-1]]), np.concatenate([steps[1:], [0.0]]))
        pause = (steps > 200 * np.median(positive)) & (steps > 20 * beside)
        if pause.sum() > max(3, 0.01 * steps.size):
            pause &= steps > 5 * np.percentile(steps[pause], 75)
        steps = np.where(pause, 0.0, steps)
    return steps


def _rates(assignment: Assignment, choices: dict[str, UnitChoice]) -> None:
    """Time, current, charge and energy: the combination whose integral meets the counter."""
    times = [item for item in (assignment.one("time"), assignment.one("clock"), assignment.step_time()) if item is not None]
    clock = times[0] if times else None
    currents = [item for role in ("current", "charge_current", "discharge_current") for item in assignment.role(role)]
    charges = [item for role in ("capacity", "charge_capacity", "discharge_capacity") for item in assignment.role(role)]
    energies = assignment.role("energy")
    main = next((item for item in currents if np.nanmax(np.abs(item.raw.values), initial=0) > 0), currents[0] if currents else None)
    epoch = clock is not None and clock.raw.kind == "number" and clock.unit is None and _epoch_unit(clock)
    # Elapsed times in other columns follow their own size.
    options_t = list(_TIME_UNITS) if clock is not None and clock.unit is None and clock.raw.kind == "number" and not epoch else [None]
    options_i = ["A", "mA"] if main is not None and main.unit is None else [None]
    counter = next((item for item in charges if item.unit is not None), charges[0] if charges else None)
    options_q = ["Ah", "mAh"] if counter is not None and counter.unit is None else [None]
    best = None
    if clock is not None and main is not None and counter is not None and (options_t != [None] or options_i != [None] or options_q != [None]):
        best = _by_counter(clock, currents, counter, options_t, options_i, options_q)
    if best is not None:
        symbol_t, symbol_i, symbol_q, ratio = best
        why = f"current integrated over time is {ratio:.3f} of the change of {counter.label}"
        if symbol_t:
            _set(clock, UnitChoice(symbol_t, 2, why), choices)
        if symbol_i:
            for item in currents:
                if item.unit is None:
                    _set(item, UnitChoice(symbol_i, 2, why), choices)
        if symbol_q:
            _set(counter, UnitChoice(symbol_q, 2, why), choices)
    if clock is not None and clock.unit is None and clock.raw.kind == "number" and not epoch:
        _set(clock, _time_by_swing(clock, assignment) or _time_by_size(clock), choices)
    for item in times[1:]:
        if item.unit is None and item.raw.kind == "number" and not _epoch_unit(item):
            _set(item, _time_by_size(item, clock), choices)
    power, voltage = assignment.one("power"), assignment.one("voltage")
    for item in currents:
        if item.unit is None:
            _set(item, _current_by_size(item, power, voltage), choices)
    for item in charges:
        if item.unit is None:
            _set(item, _charge_by_size(item, counter), choices)
    if power is not None and power.unit is None:
        _set(power, UnitChoice("W", 0, "the usual unit"), choices)
    resistance = assignment.one("resistance")
    if resistance is not None and resistance.unit is None:
        size = _middle(resistance.raw.values)
        symbol = "mohm" if size > 2 else "ohm"
        _set(resistance, UnitChoice(symbol, 1, f"readings near {size:.3g}"), choices)
    for energy in energies:
        if energy.unit is None:
            _set(energy, _energy_by_integral(energy, clock, currents, voltage), choices)


def _epoch_unit(item: Assigned) -> bool:
    """Seconds or milliseconds since 1970 by their size: today is near 1.8e9 s."""
    middle = _middle(item.raw.values)
    for symbol, low, high in (("s", 6e8, 5e9), ("ms", 6e11, 5e12), ("µs", 6e14, 5e15)):
        if low < middle < high:
            item.unit = UNITS[symbol]
            item.evidence = f"{item.evidence}; {symbol} since 1970 by size"
            return True
    if item.role == "clock" and SPREADSHEET_DAYS[0] < middle < SPREADSHEET_DAYS[1]:
        item.evidence = f"{item.evidence}; days as a spreadsheet counts them, by size"
        return True
    return False


def _by_counter(clock, currents, counter, options_t, options_i, options_q):
    """(time, current, charge unit, ratio) of the best combination, or None."""
    seconds = _seconds(clock)
    if seconds is None:
        return None
    steps = _increments(seconds)
    total = np.zeros(steps.size + 1)
    for item in currents:
        values = np.abs(np.nan_to_num(item.raw.values))
        total = total + values * (item.unit.factor if item.unit is not None else 1.0)
    if counter.role == "charge_capacity" or counter.role == "discharge_capacity":
        plain = next((item for item in currents if item.role == "current"), None)
        moving = np.diff(counter.raw.values, prepend=counter.raw.values[0]) != 0
        if plain is not None:
            total = np.where(_thick(moving), total, 0.0)
        else:
            own = next((item for item in currents if item.role[:4] == counter.role[:4]), None)
            if own is not None:
                total = np.abs(np.nan_to_num(own.raw.values)) * (own.unit.factor if own.unit is not None else 1.0)
    moved = (total[:-1] + total[1:]) / 2 * steps / COULOMB_PER_AH
    integral = float(moved.sum())
    turned = turnover(counter.raw.values, moved) * (counter.unit.factor if counter.unit is not None else 1.0)
    # A counter with few digits on a short log proves nothing.
    changes = np.count_nonzero(np.diff(counter.raw.values[np.isfinite(counter.raw.values)]))
    if integral <= 0 or turned <= 0 or changes < 5:
        return None
    rated = []
    for symbol_t, symbol_i, symbol_q in itertools.product(options_t, options_i, options_q):
        factor = (UNITS[symbol_t].factor if symbol_t else 1.0) * (UNITS[symbol_i].factor if symbol_i else 1.0)
        ratio = integral * factor / (turned * (UNITS[symbol_q].factor if symbol_q else 1.0))
        if abs(ratio - 1) > 2 * AGREEMENT:
            continue
        peak = float(overall.highest(total)) * (UNITS[symbol_i].factor if symbol_i else 1.0)
        span = float(steps.sum()) * (UNITS[symbol_t].factor if symbol_t else 1.0)
        usual = float(np.median(steps[steps > 0])) * (UNITS[symbol_t].factor if symbol_t else 1.0)
        doubt = (not 0.02 <= peak <= 400) + (not 30 <= span <= 4e6) + _size_doubt(peak, symbol_i)
        # Loggers of packs write every 0.05 s to 10 min; far from 10 s is a little less likely.
        doubt += (not 0.04 <= usual <= 600) + 0.1 * abs(math.log10(usual / 10.0))
        rated.append((doubt, abs(math.log(ratio)), (symbol_t, symbol_i, symbol_q, ratio)))
    return min(rated, key=lambda entry: entry[:2])[2] if rated else None


def _size_doubt(peak_a: float, symbol: str | None) -> float:
    """A guess at amperes that gives a peak of 50 A and more is weaker than one at milliamperes that gives 0.1 A."""
    if symbol is None:
        return 0.0
    return 0.5 if peak_a > 150 or peak_a < 0.1 else 0.0


def _thick(moving: np.ndarray) -> np.ndarray:
    """A mask widened over the rows between two changes of a counter with few digits."""
    out = moving.copy()
    at = np.flatnonzero(moving)
    if at.size:
        reach = int(np.percentile(np.diff(at), 95)) + 1 if at.size > 1 else 1
        for shift in range(1, min(reach, 60) + 1):
            out[:-shift] |= moving[shift:]
    return out


def _time_by_swing(item: Assigned, assignment: Assignment) -> UnitChoice | None:
    """Unit in which a large swing of the voltage under current lasts as long as a pack can make it last.

    A pack takes minutes to days from full to empty (1 It = 1 h is the middle); the sampling lies near 10 s.
    Both are common practice, no source.
    """
    values = item.raw.values
    voltage = next((found for role in ("voltage", "tap_voltage", "group_voltage") for found in assignment.role(role)), None)
    current = next((found for role in ("current", "discharge_current", "charge_current") for found in assignment.role(role)), None)
    steps = np.diff(values)
    steps = steps[steps > 0]
    if voltage is None or current is None or not steps.size:
        return None
    size = np.abs(np.nan_to_num(current.raw.values))
    moving = size > 0.2 * float(np.percentile(size, 99))
    edges = np.concatenate([[0], np.flatnonzero(np.diff(moving.astype(int)) != 0) + 1, [moving.size]])
    best = 0.0
    lasted = math.nan
    for a, b in itertools.pairwise(edges):
        if not moving[a] or b - a < 20:
            continue
        inner = voltage.raw.values[a + 1 + (b - a) // 20: b]
        time = values[a + 1 + (b - a) // 20: b]
        inner = inner[np.isfinite(inner)]
        if inner.size < 10 or not np.isfinite(time[[0, -1]]).all() or time[-1] <= time[0]:
            continue
        swing = abs(float(inner[-1] - inner[0])) / max(abs(float(np.median(inner))), 1e-9)
        if swing > max(best, 0.08):
            best, lasted = swing, float(time[-1] - time[0])
    if not math.isfinite(lasted):
        return None
    usual = float(np.median(steps))
    whole = bool(np.all(steps == np.round(steps)))
    rated = []
    for symbol, doubt in (("s", 0.0), ("ms", 0.5 if whole else 2.0), ("min", 0.5), ("h", 0.5), ("d", 0.7)):
        factor = UNITS[symbol].factor
        rated.append((doubt + abs(math.log10(lasted * factor / 5400.0)) + 0.3 * abs(math.log10(usual * factor / 10.0)), symbol))
    symbol = min(rated)[1]
    minutes = "" if symbol == "min" else f" ({lasted * UNITS[symbol].factor / 60.0:.0f} min)"
    return UnitChoice(symbol, 1, f"the voltage swings by {100 * best:.0f} % within {lasted:.4g} {symbol}{minutes}, as a pack can")


def _time_by_size(item: Assigned, other: Assigned | None = None) -> UnitChoice:
    values = item.raw.values[np.isfinite(item.raw.values)]
    steps = np.diff(values)
    steps = steps[steps > 0]
    if not steps.size:
        return UnitChoice("s", 0, "the usual unit")
    usual, span = float(np.median(steps)), float(steps.sum())
    if other is not None and other.raw.kind == "number" and other.unit is not None:
        theirs = np.diff(other.raw.values)
        theirs = theirs[theirs > 0]
        if theirs.size and abs(np.median(theirs) / usual - 1) < 0.2:
            return UnitChoice(other.unit.symbol, 2, f"runs like {other.label}")
    whole = bool(np.all(values == np.round(values)))
    if whole and usual >= 100 and span > 1e5:
        return UnitChoice("ms", 1, f"whole numbers {usual:g} apart, {span:g} in all")
    if usual < 0.009 and span < 40 and not whole:
        seconds = usual * UNITS["d"].factor
        # Spreadsheets keep an elapsed time as a share of a day.
        if seconds >= 0.9 and abs(seconds - round(seconds)) < 0.005 * seconds and abs(usual * 3600 - round(usual * 3600)) > 0.05:
            return UnitChoice("d", 1, f"rows {usual:.3g} apart are {seconds:.0f} s, as a spreadsheet counts days")
    if usual < 0.009 and span < 200:
        if abs(usual * 3600 - round(usual * 3600)) < 0.05 and usual * 3600 >= 0.9:
            return UnitChoice("h", 1, f"rows {usual:.3g} apart are {usual * 3600:.0f} s")
        return UnitChoice("h" if span < 24 and usual < 0.004 else "min", 1, f"rows {usual:.3g} apart, {span:.3g} in all")
    if usual < 0.2 and span < 3000 and not whole and abs(usual * 60 - round(usual * 60)) < 0.02 * usual * 60 + 1e-3 and abs(usual * 20 - round(usual * 20)) > 1e-6:
        return UnitChoice("min", 1, f"rows {usual:.4g} apart are {usual * 60:.0f} s")
    return UnitChoice("s", 1, f"rows {usual:g} s apart fit a usual sampling")


def _current_by_size(item: Assigned, power: Assigned | None, voltage: Assigned | None) -> UnitChoice:
    values = np.abs(item.raw.values)
    peak = float(np.nanmax(values, initial=0.0))
    if power is not None and power.unit is not None and voltage is not None and voltage.unit is not None:
        with np.errstate(all="ignore"):
            current = np.abs(power.values()) / np.abs(voltage.values())
        large = values > 0.2 * peak
        ratio = _middle(values[large] / current[large]) if peak else math.nan
        for symbol in ("A", "mA"):
            if math.isfinite(ratio) and abs(ratio * UNITS[symbol].factor - 1) < AGREEMENT:
                return UnitChoice(symbol, 2, "power divided by voltage gives it")
    finite = values[np.isfinite(values)]
    whole = bool(finite.size and np.all(finite == np.round(finite)))
    if peak > 400 or (whole and peak >= 50 and np.unique(finite).size > 5):
        return UnitChoice("mA", 1, f"readings up to {peak:g}{' in whole numbers' if whole else ''} fit mA")
    return UnitChoice("A", 1, f"readings up to {peak:.4g} fit A")


def _charge_by_size(item: Assigned, counter: Assigned | None) -> UnitChoice:
    if counter is not None and counter is not item and counter.unit is not None:
        return UnitChoice(counter.unit.symbol, 2, f"as for {counter.label}")
    peak = float(np.nanmax(np.abs(item.raw.values), initial=0.0))
    return UnitChoice("mAh" if peak > 200 else "Ah", 1, f"readings up to {peak:.4g}")


def _energy_by_integral(energy: Assigned, clock, currents, voltage) -> UnitChoice:
    if clock is not None and voltage is not None and currents:
        seconds = _seconds(clock)
        if seconds is not None:
            power = np.abs(np.nan_to_num(voltage.values()) * sum(np.abs(np.nan_to_num(item.values())) for item in currents))
            moved = (power[:-1] + power[1:]) / 2 * _increments(seconds)
            if energy.way:  # a counter of one direction stands still while the other runs
                moved = np.where(np.diff(np.nan_to_num(energy.raw.values)) != 0, moved, 0.0)
            integral = float(moved.sum()) / 3600.0
            turned = turnover(energy.raw.values, moved)
            for symbol in ("Wh", "mWh", "kWh", "J", "kJ"):
                if integral and abs(turned * UNITS[symbol].factor / integral - 1) < 2 * AGREEMENT:
                    return UnitChoice(symbol, 2, "power integrated over time meets it")
    peak = float(np.nanmax(np.abs(energy.raw.values), initial=0.0))
    return UnitChoice("mWh" if peak > 20_000 else "Wh", 1, f"readings up to {peak:.4g}")


def _warn(assignment: Assignment, choices: dict[str, UnitChoice]) -> None:
    """One warning per role; group columns share theirs."""
    said: dict[str, list[Assigned]] = {}
    for item in assignment.columns:
        if item.label in choices and item.inferred and item.role != "ignored":
            said.setdefault(f"{item.role} {item.unit.symbol}", []).append(item)
    for members in said.values():
        first = members[0]
        names = first.label if len(members) == 1 else f"{first.label} to {members[-1].label}"
        choice = choices[first.label]
        unknown = first.name.unit_text if first.name.unit is None else ""
        states = f"states a unit that is not known ({quote(unknown)})" if unknown else "states no unit"
        assignment.warnings.append(
            ReadingWarning(
                "unit_inferred", f"The log {states} for {names}; {shown_unit(choice.symbol)} was taken: {choice.why}.", names
            )
        )
