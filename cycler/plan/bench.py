"""Pack and instruments held against each other: currents that both allow, what cannot be done and why."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from cycler.errors import InputError
from cycler.instrument import Instrument
from cycler.measures.resistance import AFTER_S, INSTANT_SHARE, OHMIC_SAMPLING_MAX_S
from cycler.pack import CHEMISTRY_LIMITS, Pack
from cycler.plan import expected
from cycler.plan.conditions import RATE_RANGE_IT, Conditions
from cycler.plan.equipment import Equipment
from cycler.plan.needs import (
    CHARGED,
    EMPTIED,
    FULL,
    LOADED,
    LONG_REST,
    QUICK_STEP,
    RATED_ENERGY,
    RATING,
    RECHARGE,
    SIBLINGS,
    STEP,
    TAPS,
    TEMPERATURE,
)
from cycler.quantities import significant_text
from cycler.repair.cautions import TOUCH_LIMIT_V
from cycler.settle import TAPER_RATE_IT, volts_text
from cycler.uncertainty import voltage_reading_u

STEP_INTERVAL_MAX_S = min(AFTER_S[1], INSTANT_SHARE * AFTER_S[1] * 12.0**0.5)
"""Longest time between rows that gives the resistance 10 s after a step: the open instant of the edge is a rectangle over it. [s]"""
INTERVAL_MAX_S = 60.0
"""Longest time between rows with which a cut-off and the end of a charge are still seen well. Common practice, no source. [s]"""
TWO_CURRENT_INTERVAL_S = 0.3
"""Longest time between rows for the two-current step of 10 s and 1 s. [s]"""
CHARGE_WINDOW_C, DISCHARGE_WINDOW_C = (0.0, 45.0), (-20.0, 60.0)
"""Windows of temperature in several makers' cell sheets, where the pack file states none. [degC]"""
UNKNOWN_RATE_IT = 0.5
"""Largest current of a pack whose limit nobody stated. Common practice, no source. [It]"""
SIBLINGS_MIN = 3
"""Groups from which a drift against siblings can be told."""

WarningWords = dict[str, str]


def amps(current_a: float) -> str:
    """ "3.47 A". """
    return f"{significant_text(current_a, 3)} A"


def hours_text(seconds: float) -> str:
    """ "3 h 20 min", "1 d 6 h", "12 s". """
    if seconds < 90:
        return f"{significant_text(seconds, 2)} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    hours = round(seconds / 3600.0)
    return f"{hours // 24} d {hours % 24} h" if hours % 24 else f"{hours // 24} d"


@dataclass(frozen=True, slots=True)
class Ratings:
    """Ratings a plan works with; those that were not stated come from the usual limits of the chemistry."""

    series: int
    rated_ah: float
    charge_v: float
    cutoff_v: float
    group_charge_v: float
    group_cutoff_v: float
    taper_a: float
    max_charge_a: float | None
    max_discharge_a: float | None
    charge_window_c: tuple[float, float]
    discharge_window_c: tuple[float, float]
    nominal_v: float

    @property
    def over_60_v(self) -> bool:
        return self.charge_v > TOUCH_LIMIT_V


@dataclass(slots=True)
class Standing:
    """What pack and bench allow. ``problems`` tells for each need that is not met why; ``warnings`` are for the person at the bench."""

    ratings: Ratings | None
    instrument: Instrument
    problems: dict[str, str]
    warnings: list[WarningWords]
    charge_a: float = 0.0
    discharge_a: float = 0.0
    pulse_a: float = 0.0
    two_current_a: float = 0.0
    interval_s: float = 1.0
    charge_to_v: float = 0.0
    can_taper: bool = True

    @property
    def can_charge(self) -> bool:
        return CHARGED not in self.problems

    @property
    def can_load(self) -> bool:
        return LOADED not in self.problems


def warn(standing: Standing, code: str, words: str, mend: str, severity: str = "caution") -> None:
    """Add a warning."""
    standing.warnings.append({"code": code, "severity": severity, "words": words, "mend": mend})


_WHERE = {
    "chemistry": "It stands on the label of pack or cells (NMC, LFP ...); the full voltage of a group tells it too: 4.2 V, 3.65 V, 2.8 V.",
    "series": "Count the groups: one less than the wires of the balance plug, or full voltage of the label over that of one group.",
    "rated_capacity_ah": "It stands on the label, in Ah; mAh over 1000, or Wh over nominal volts.",
}

RATING_MIN = 1e-4
"""Least rating in A or Ah of a pack that a plan is made for: below it no step would ever end. Common practice, no source."""


def ratings_of(pack: Pack) -> tuple[Ratings | None, list[WarningWords]]:
    """Ratings for a plan, None where one is missing that nothing stands in for; and what was missing, with where it is found. InputError below :data:`RATING_MIN`."""
    warnings: list[WarningWords] = []
    limits = CHEMISTRY_LIMITS.get(pack.chemistry or "")
    group_v, pack_v, series = pack.group_charge_voltage_v, pack.charge_voltage_v, pack.series
    if series is None and pack_v and group_v:
        series = round(pack_v / group_v)
    for key in ("rated_capacity_ah", "taper_current_a", "max_charge_current_a", "max_discharge_current_a"):
        value = getattr(pack, key)
        if value is not None and value < RATING_MIN:
            raise InputError(f"{key} is implausibly small", f"pack {pack.id}" if pack.id else "pack", f"found {value:g}, less than {RATING_MIN:g}", "check the unit: the key's ending tells it")
    missing = [key for key, value in (("series", series), ("rated_capacity_ah", pack.rated_capacity_ah)) if not value]
    if limits is None and not ((pack_v or group_v) and (pack.cutoff_voltage_v or pack.group_cutoff_voltage_v)):
        missing.insert(0, "chemistry")
    for key in missing:
        warnings.append({
            "code": "rating_unknown", "severity": "caution", "words": f"{key} is not stated: currents and voltages cannot be told without it.",
            "mend": f"{_WHERE[key]} Write it in the pack file.",
        })
    if missing:
        return None, warnings
    assumed = []
    full = group_v or (pack_v / series if pack_v else None)
    if full is None:
        full = limits.full_v
        assumed.append(("charge_voltage_v", full * series))
    empty = pack.group_cutoff_voltage_v or (pack.cutoff_voltage_v / series if pack.cutoff_voltage_v else None)
    if empty is None:
        empty = limits.empty_v
        assumed.append(("cutoff_voltage_v", empty * series))
    cutoff = pack.cutoff_voltage_v or empty * series
    for key, value in assumed:
        warnings.append({
            "code": "limit_assumed", "severity": "caution", "words": f"{key} is not stated; {volts_text(value)} is the usual limit of {series} groups of {pack.chemistry} (common practice).",
            "mend": f"Look at the label or ask the maker, then write {key} in the pack file: without it the log of the test proves no capacity."
            if key == "cutoff_voltage_v" else f"Look at the label or at the pack's own charger, then write {key} in the pack file.",
        })
    rated = pack.rated_capacity_ah
    for key, value in (("max_charge_current_a", pack.max_charge_current_a), ("max_discharge_current_a", pack.max_discharge_current_a)):
        if value is None:
            warnings.append({
                "code": "current_unknown", "severity": "info", "words": f"{key} is not stated; the plan stays at {UNKNOWN_RATE_IT:g} It or less.",
                "mend": "The maker's sheet, the pack's own charger or the fuse tells it; a lower current is never wrong.",
            })
    ratings = Ratings(
        series, rated, pack_v or full * series, cutoff, full, empty, pack.taper_current_a or TAPER_RATE_IT * rated, pack.max_charge_current_a,
        pack.max_discharge_current_a, pack.charge_temperature_c or CHARGE_WINDOW_C, pack.discharge_temperature_c or DISCHARGE_WINDOW_C,
        (limits.nominal_v if limits else 0.5 * (full + empty)) * series,
    )
    return ratings, warnings


def hold_against(pack: Pack, equipment: Equipment, conditions: Conditions, interval_s: float | None = None) -> Standing:
    """Pack and bench held against each other.

    Parameters
    ----------
    interval_s : float, optional
        Time between rows if it is to be longer than the logger's fastest. [s]
    """
    ratings, warnings = ratings_of(pack)
    instrument = equipment.instrument if equipment.instrument.declared else pack.instrument
    standing = Standing(ratings, instrument, {}, warnings)
    if ratings is None:
        return standing
    if not instrument.declared:
        warn(standing, "instrument_unknown", "No limits of error are stated for the instruments: wide defaults are taken (1 %).",
             "Write the lines of their data sheets under [instrument] in the equipment file or in the pack file.", "info")
    if equipment.instrument.declared and not pack.instrument.declared:
        warn(standing, "instrument_elsewhere", "The limits of error stand in the equipment file; the log of the test is analysed with those of the pack file.",
             "Copy [instrument] into the pack file, or name its file with --instrument.", "info")
    problems = standing.problems
    _charger(standing, pack, equipment, conditions)
    _load(standing, equipment, conditions)
    _logger(standing, equipment, interval_s)
    if pack.cutoff_voltage_v is None and pack.group_cutoff_voltage_v is None:
        problems.setdefault(EMPTIED, "the pack file states no cut-off voltage, so that no log proves the pack empty")
    if pack.rated_energy_wh is None:
        problems[RATED_ENERGY] = "rated_energy_wh is not in the pack file"
    if pack.rated_capacity_ah is None:
        problems[RATING] = "rated_capacity_ah is not in the pack file"
    if ratings.series < SIBLINGS_MIN:
        problems[SIBLINGS] = f"{SIBLINGS_MIN} groups or more are needed to tell a leak against siblings"
    if expected.rest_slope_v_per_ah(ratings.rated_ah, expected.habits_of(pack.chemistry)) is None:
        problems[LONG_REST] = (
            f"the voltage of a {pack.chemistry} group hardly falls with charge, so that no rest shows a leak: leave it charged for 30 days and count by a "
            "discharge and a charge what was lost"
        )
    for need in (FULL, CHARGED, EMPTIED):
        if need in problems:
            problems.setdefault(RECHARGE, problems[need])
    if ratings.over_60_v:
        warn(standing, "over_60_v", f"Full, the pack stands at {volts_text(ratings.charge_v)}: above 60 V d.c.",
             "Only for people who are licensed for it, by local rules, with gloves and tools for that voltage, and never alone.", "danger")
    return standing


def _charger(standing: Standing, pack: Pack, equipment: Equipment, conditions: Conditions) -> None:
    ratings, charger, problems = standing.ratings, equipment.charger, standing.problems

    def none(code: str, why: str, words: str, mend: str, severity: str = "caution") -> None:
        problems[CHARGED] = problems[FULL] = why
        warn(standing, code, words, mend, severity)

    if pack.chemistry == "nimh":
        none("nimh_charge", "nimh is not charged to a voltage, and this program plans no other charge",
             "NiMH is not charged with constant current and constant voltage: the plan holds no charge.", "Charge it with its own charger until that says full, and log it.")
        return
    if charger is None:
        none("charger_missing", "there is no charger at hand", "No charger is named: the plan holds no charge.", "Name it under [charger] in the equipment file.")
        return
    if charger.chemistries and pack.chemistry and pack.chemistry not in charger.chemistries:
        none("charger_chemistry", f"the charger is made for {', '.join(charger.chemistries)}",
             f"The charger is made for {', '.join(charger.chemistries)}, the pack is {pack.chemistry}.", "Do not connect the two; take a charger for this chemistry.", "danger")
        return
    if not charger.adjustable and charger.max_voltage_v > 1.005 * ratings.charge_v:
        none("charger_too_high", "the charger goes above the pack's charge voltage",
             f"The charger goes to {volts_text(charger.max_voltage_v)}, the pack may be charged to {volts_text(ratings.charge_v)}: overcharged cells burn.",
             "Do not connect the two.", "danger")
        return
    most = ratings.max_charge_a or expected.it_current_a(UNKNOWN_RATE_IT, ratings.rated_ah)
    if not charger.adjustable and charger.max_current_a > 1.02 * most:
        none("charger_current", "the charger gives more current than the pack may take",
             f"The charger gives {amps(charger.max_current_a)} and cannot be set, the pack may take {amps(most)}.", "Take a smaller charger, or one that can be set.", "danger")
        return
    wished = expected.it_current_a(conditions.charge_rate_it, ratings.rated_ah)
    if not charger.adjustable:
        wished = charger.max_current_a
    current = min(wished, charger.max_current_a, most)
    if most < wished - 1e-9:
        warn(standing, "charge_limit", f"The pack may be charged with {amps(most)} at most: less than the {amps(wished)} wished for.", f"The plan charges with {amps(current)}.", "info")
    elif current < 0.98 * wished:
        longer = expected.SECONDS_PER_HOUR * ratings.rated_ah * (1.0 / current - 1.0 / wished)
        warn(standing, "charger_current", f"The charger gives {amps(charger.max_current_a)}, less than the {amps(wished)} wished for: a full charge takes up to {hours_text(longer)} longer.",
             "Nothing, if the time is there; else a larger charger.", "info")
    if current < RATE_RANGE_IT[0] * ratings.rated_ah:
        none("charger_current", "the charger is far too small", f"With {amps(current)} a full charge would take {hours_text(3600 * ratings.rated_ah / current)}.", "Take a larger charger.")
        return
    standing.charge_a = current
    standing.charge_to_v, standing.can_taper = min(charger.max_voltage_v, ratings.charge_v), charger.can_taper or current <= 1.08 * ratings.taper_a
    if charger.max_voltage_v < 0.998 * ratings.charge_v:
        problems[FULL] = f"the charger ends at {volts_text(charger.max_voltage_v)}, below the pack's {volts_text(ratings.charge_v)}: it would not be full"
        warn(standing, "charger_voltage", f"The charger reaches {volts_text(charger.max_voltage_v)}, full is {volts_text(ratings.charge_v)}.",
             "Take one that reaches it; the log would look like a complete charge, and is none.")
    elif not standing.can_taper:
        problems[FULL] = "the charger does not let the current taper, so that nothing proves the pack full"
        warn(standing, "charger_taper", f"The charger switches off without letting the current fall to {amps(ratings.taper_a)}.", "Take one with constant current and constant voltage.")


def _load(standing: Standing, equipment: Equipment, conditions: Conditions) -> None:
    ratings, load, problems = standing.ratings, equipment.load, standing.problems

    def none(code: str, why: str, words: str, mend: str) -> None:
        problems[LOADED] = problems[EMPTIED] = why
        warn(standing, code, words, mend)

    if load is None:
        none("load_missing", "there is no load at hand", "No load is named: the plan holds no discharge.", "Name it under [load] in the equipment file.")
        return
    by_power = load.max_power_w / ratings.charge_v
    ceiling = min(load.max_current_a, by_power, ratings.max_discharge_a or expected.it_current_a(UNKNOWN_RATE_IT, ratings.rated_ah))
    wished = expected.it_current_a(conditions.discharge_rate_it, ratings.rated_ah)
    current = min(wished, ceiling)
    if current < RATE_RANGE_IT[0] * ratings.rated_ah:
        none("load_power", "the load is far too weak", f"The load holds {amps(current)} at {volts_text(ratings.charge_v)}: a discharge would take {hours_text(3600 * ratings.rated_ah / current)}.",
             "Take a stronger load.")
        return
    if current < 0.98 * wished:
        longer = 3600.0 * ratings.rated_ah * (1.0 / current - 1.0 / wished)
        if ceiling == by_power:
            code, why = "load_power", (
                f"{amps(wished)} at {volts_text(ratings.charge_v)} are {significant_text(wished * ratings.charge_v, 3)} W, the load takes {significant_text(load.max_power_w, 3)} W")
        elif ceiling == load.max_current_a:
            code, why = "load_current", f"the load takes {amps(load.max_current_a)} of the {amps(wished)} wished for"
        else:
            code, why = "discharge_limit", f"the pack may give {amps(ceiling)} of the {amps(wished)} wished for"
        warn(standing, code, f"{why[0].upper()}{why[1:]}: the plan discharges with {amps(current)}, {hours_text(longer)} longer for the rated capacity.",
             "Nothing, if the time is there." if code == "discharge_limit" else "Nothing, if the time is there; else a stronger load, or two beside each other.", "info")
    standing.discharge_a = current
    standing.two_current_a = ceiling
    standing.pulse_a = min(expected.it_current_a(conditions.pulse_rate_it, ratings.rated_ah), ceiling)
    if "cc" not in load.modes:
        warn(standing, "load_mode", "The load does not hold its current constant.", "Curves of the groups are compared at a steady current: take a load with constant current where one is at hand.")
    if load.min_voltage_v > ratings.cutoff_v:
        problems[EMPTIED] = f"the load works down to {volts_text(load.min_voltage_v)} only, the cut-off is {volts_text(ratings.cutoff_v)}"
        warn(standing, "load_voltage", f"The load works down to {volts_text(load.min_voltage_v)}, the cut-off is {volts_text(ratings.cutoff_v)}.", "Take a load that goes lower.")
    if not load.stops_itself:
        warn(standing, "load_watch", "The load does not switch off by itself.", "Somebody stands beside it to the end, hand on the switch; a group driven below its limit is damaged for good.", "danger")


def _logger(standing: Standing, equipment: Equipment, interval_s: float | None) -> None:
    ratings, logger, problems = standing.ratings, equipment.logger, standing.problems

    def nothing(code: str, why: str, words: str, mend: str) -> None:
        for need in (FULL, CHARGED, EMPTIED, LOADED, STEP, QUICK_STEP, TAPS, LONG_REST, TEMPERATURE):
            problems[need] = why
        warn(standing, code, words, mend)

    if logger is None:
        nothing("logger_missing", "there is nothing that logs", "No logger is named: a test that nobody logs shows nothing.", "Name it under [logger] in the equipment file.")
        return
    if not logger.current:
        nothing("logger_current", "the current is not logged", "The logger does not log the current: no charge can be counted.", "Log it with a shunt or a meter that keeps its readings.")
        return
    taps = ratings.series if logger.taps < 0 else logger.taps
    if taps < ratings.series:
        problems[TAPS] = "the group voltages are not logged" if taps == 0 else f"{taps} of {ratings.series} groups are logged, and the one not seen may be the bad one"
        warn(standing, "logger_taps", f"The logger logs {taps} group voltages, the pack has {ratings.series} groups." if taps else "The logger logs no group voltages: no weak group can be told.",
             f"All {ratings.series} groups need {ratings.series + 1} taps, each lead fused; where nobody can reach them it stays not proven.")
    if not logger.pack_voltage and taps < ratings.series:
        nothing("logger_voltage", "neither pack voltage nor all groups are logged", "The logger logs neither the pack's voltage nor all of its groups.", "Log one of the two.")
        return
    if not logger.temperature:
        problems[TEMPERATURE] = "no temperature is logged"
        warn(standing, "logger_temperature", "No temperature is logged.", "Fix a sensor to the cells in the middle of the pack; without one feel the case every quarter of an hour.")
    interval = max(logger.fastest_interval_s, interval_s or 0.0)
    standing.interval_s = interval
    if interval > OHMIC_SAMPLING_MAX_S:
        problems[QUICK_STEP] = f"a row every {significant_text(interval, 3)} s is too coarse for the ohmic part, which takes 1 s or faster"
    if interval > STEP_INTERVAL_MAX_S:
        problems[STEP] = f"a row every {significant_text(interval, 3)} s is too coarse for the resistance after 10 s, which takes {STEP_INTERVAL_MAX_S:g} s or faster"
    if interval > OHMIC_SAMPLING_MAX_S:
        told = "neither the resistance after 10 s nor the ohmic part" if interval > STEP_INTERVAL_MAX_S else "no ohmic part"
        warn(standing, "interval_coarse", f"The logger writes a row every {significant_text(interval, 3)} s at best: {told}.", "Log at 1 s or faster around the load steps.")
    if interval > INTERVAL_MAX_S:
        for need in (FULL, EMPTIED):
            problems[need] = f"with a row every {significant_text(interval, 3)} s the end of a charge or discharge is not seen"
    if not standing.can_load:
        # The 10 s value may come from the charger's own edge, with a wide uncertainty; the ohmic part hardly ever does.
        problems.setdefault(QUICK_STEP, problems[LOADED])
        if not standing.can_charge:
            problems.setdefault(STEP, problems[LOADED])


def at_voltage(standing: Standing, voltage_v: float, group: bool) -> float:
    """Standard uncertainty of the voltage that ends a discharge. [V]"""
    return voltage_reading_u(standing.instrument, voltage_v, 0.0, group)


def plain(standing: Standing) -> dict[str, Any]:
    """Ratings in plain values."""
    values = asdict(standing.ratings) if standing.ratings else {}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in values.items()}
