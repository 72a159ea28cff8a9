"""The thermistors of a pack by the ohmmeter: temperature, type, whether it is sound, and what the board believes it sees.

A sensor whose curve is stated is read by it. One of which nothing is known is held against the usual types (``data/probes.toml``) at the
temperature of its place; those that it can be are all named, together with the second temperature that would tell them apart.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from cycler.errors import InputError, Location
from cycler.measures.thermistor import RANGE_C, limit_ohm, resistance_ohm, temperature_c, tolerance_shift
from cycler.pack import Pack
from cycler.pack_temperature import CHARGE_WINDOW_C, DISCHARGE_WINDOW_C, ThermistorCurve, thermistor_from_dict
from cycler.quantities import figure_text, significant_text
from cycler.repair.sheet import BenchSheet, Meter, Probe
from cycler.tomlsource import load_toml

TYPES_FILE = Path(__file__).resolve().parent.parent / "data" / "probes.toml"
AMBIENT_OFFSET_K = 5.0
"""How far a sound sensor may lie from the temperature of the room when nothing is known of its place: cells that are still warm, a bench in the
sun. Common practice, no source. [K]"""
PLACE_OFFSET_K = 3.0
"""The same where the temperature of its place was measured beside it. Common practice, no source. [K]"""
BATH_K = 1.0
"""How well a measured temperature of its place is known where a type is to be matched by it. Common practice, no source. [K]"""
SECOND_C = (0.0, 10.0, 40.0, 50.0)
"""Temperatures at which an unknown sensor can be read a second time: melting ice (0 degC by definition of the old scale; a bath of it holds it), cold
tap water, warm water. [degC]"""
_ROOT_3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class ProbeType:
    """A usual thermistor.

    Attributes
    ----------
    code, words, source : str
    curve : ThermistorCurve
    """

    code: str
    words: str
    source: str
    curve: ThermistorCurve


@cache
def probe_types() -> tuple[ProbeType, ...]:
    """The types of ``data/probes.toml``.

    Raises
    ------
    InputError
        The file does not hold what it should; names file and line.
    """
    return read_types(TYPES_FILE)


def read_types(path: Path) -> tuple[ProbeType, ...]:
    """Usual types from a file; see :func:`probe_types`."""
    data, text = load_toml(path, "file of thermistor types")
    starts = [number for number, line in enumerate(text.splitlines(), 1) if line.strip() == "[[type]]"]
    found: list[ProbeType] = []
    for number, entry in enumerate(data.get("type") or ()):
        where = Location(str(path), starts[number] if number < len(starts) else None)
        entry = dict(entry)
        code, words, source = (entry.pop(key, "") for key in ("code", "words", "source"))
        if not (code and words and source):
            raise InputError("a thermistor type is not complete", where, "code, words and source belong to each", "add the missing line")
        if code in {item.code for item in found}:
            raise InputError(f"thermistor type {code} stands twice", where, "a code names one type", "rename or remove one")
        found.append(ProbeType(code, words, source, thermistor_from_dict(entry, str(path))))
    if not found:
        raise InputError("no thermistor type", Location(str(path)), "the file names none", "begin each with [[type]]")
    return tuple(found)


def known_types() -> list[tuple[str, str]]:
    """Codes and words of the usual types, for a list to choose from."""
    return [(item.code, item.words) for item in probe_types()]


def curve_of_type(code: str) -> ThermistorCurve:
    """Curve of a usual type by its code. InputError if there is none."""
    for item in probe_types():
        if item.code == code:
            return item.curve
    raise InputError(
        f"no thermistor type {code}", "type", "it is none of the usual ones", f"one of {', '.join(item.code for item in probe_types())}, or state the curve",
    )


@lru_cache(maxsize=256)
def _limit_ohm(curve: ThermistorCurve, celsius: float) -> float:
    """:func:`cycler.measures.thermistor.limit_ohm`, which searches the curve, kept: a form asks at every entry."""
    return limit_ohm(curve, celsius)


def u_resistance_ohm(ohm: float, meter: Meter) -> float:
    """Standard uncertainty of a reading, its limits rectangular (JCGM 100, 4.3.7; from memory): gain and zero error add up where they are one line of a data
    sheet, else they are two limits that know nothing of each other. [ohm]"""
    gain, zero = meter.resistance_gain * ohm, meter.resistance_offset_ohm
    return (gain + zero if meter.is_one_limit("resistance") else math.hypot(gain, zero)) / _ROOT_3


def temperature_of(ohm: float, curve: ThermistorCurve, meter: Meter) -> tuple[float, float]:
    """Temperature by a curve and its standard uncertainty: the meter's resistance, R25 and B within their tolerances.

    Parameters
    ----------
    ohm : float
        [ohm]

    Returns
    -------
    (float, float)
        [degC], [K]
    """
    reading = np.array([ohm])
    celsius = float(temperature_c(reading, curve)[0])
    u_ohm = u_resistance_ohm(ohm, meter)
    low, high = temperature_c(np.array([max(ohm - u_ohm, 0.5 * ohm), ohm + u_ohm]), curve)
    u_meter = 0.5 * abs(float(low - high))
    return celsius, math.hypot(u_meter, float(tolerance_shift(reading, curve).u_k[0]))


def fits(ohm: float, curve: ThermistorCurve, meter: Meter, place_c: float, u_place_c: float, offset_k: float) -> bool:
    """Whether a reading can be that of a sound sensor of this curve at a place whose temperature is known to ``offset_k``."""
    celsius, u = temperature_of(ohm, curve, meter)
    return abs(celsius - place_c) <= offset_k + 2.0 * math.hypot(u, u_place_c)


@dataclass(frozen=True, slots=True)
class _Place:
    celsius: float | None
    u_k: float
    offset_k: float
    measured: bool


def _place(probe: Probe, sheet: BenchSheet) -> _Place:
    if probe.temperature_c is not None:
        return _Place(probe.temperature_c, BATH_K / _ROOT_3, PLACE_OFFSET_K, True)
    u = sheet.meter.voltage.temperature_offset_c / _ROOT_3
    return _Place(sheet.ambient_c, u, AMBIENT_OFFSET_K, False)


def matched_types(readings: Sequence[tuple[float, float, float, float]], meter: Meter) -> tuple[ProbeType, ...]:
    """Usual types that an unknown sensor can be.

    Parameters
    ----------
    readings : sequence of (ohm, place_c, u_place_c, offset_k)
        Of one sensor at one or several temperatures. [ohm], [degC], [K], [K]

    Returns
    -------
    tuple of ProbeType
        Those that fit every reading.
    """
    return tuple(
        kind for kind in probe_types()
        if all(fits(ohm, kind.curve, meter, place, u, offset) for ohm, place, u, offset in readings)
    )


def second_temperature(types: Sequence[ProbeType]) -> tuple[float, list[float]] | None:
    """The temperature of :data:`SECOND_C` at which a second reading tells most of ``types`` apart.

    Two types are told apart there if the same resistance means temperatures that differ by more than twice what the tolerances of both and a
    place known to 1 K leave open.

    Returns
    -------
    (float, list of float) or None
        The temperature [degC] and what each type shows there [ohm]; None if none of these temperatures tells any two apart.
    """
    best: tuple[int, float, list[float]] | None = None
    for celsius in SECOND_C:
        shown = [float(resistance_ohm(np.array([celsius]), kind.curve)[0]) for kind in types]
        told = 0
        for (one, at_one), (other, _) in itertools.combinations(zip(types, shown), 2):
            apart = abs(float(temperature_c(np.array([at_one]), other.curve)[0]) - celsius)
            u = math.hypot(*(float(tolerance_shift(np.array([at_one]), kind.curve).u_k[0]) for kind in (one, other)), 1.0 / _ROOT_3)
            told += apart > 2.0 * u
        if told and (best is None or told > best[0]):
            best = (told, celsius, shown)
    return None if best is None else best[1:]


# ---- one sheet ---------------------------------------------------------------------------------------------------


def evaluate_probes(sheet: BenchSheet) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Every thermistor of a sheet and what is to be said of it.

    Parameters
    ----------
    sheet : BenchSheet
        ``probes``, ``ambient_c``, ``meter``; the curve of ``pack.thermistor`` counts for sensors without one of their own. Two entries of one name
        are one sensor, read at two temperatures.

    Returns
    -------
    rows : list of dict
        name, place, ohm (None: not read, or overload), temperature_c, u_temperature_c, reference_c, type, type_from, candidates, board_believes_c, findings.
    remarks : list of dict
        code, severity, group, tap, probe, message, evidence.
    """
    rows: list[dict[str, Any]] = []
    remarks: list[dict[str, Any]] = []
    for number, probe in enumerate(sheet.probes, 1):
        row, own = _evaluate(probe, probe.name or str(number), sheet)
        rows.append(row)
        remarks += own
    remarks += _against_each_other(rows, sheet)
    return rows, remarks


def _evaluate(probe: Probe, name: str, sheet: BenchSheet) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    place = _place(probe, sheet)
    row: dict[str, Any] = {
        "name": name, "place": probe.place, "ohm": None, "temperature_c": None, "u_temperature_c": None, "reference_c": place.celsius, "type": None,
        "type_from": None, "candidates": [], "board_believes_c": None, "findings": [],
    }
    ohm = probe.ohm
    remarks: list[dict[str, Any]] = []
    if ohm is None or math.isnan(ohm):
        row["findings"].append("probe_not_read")
        return row, remarks
    row["ohm"] = ohm if math.isfinite(ohm) else None
    curve = probe.curve or sheet.pack.thermistor
    kinds = probe_types()
    curves = (curve,) if curve else tuple(kind.curve for kind in kinds)
    if curve:
        row |= {"type": curve.words(), "type_from": "stated"}
    if ohm > max(_limit_ohm(item, RANGE_C[0]) for item in curves):
        _broken(row, remarks, "probe_open", name, sheet, ohm, curve)
    elif ohm < min(_limit_ohm(item, RANGE_C[1]) for item in curves):
        _broken(row, remarks, "probe_shorted", name, sheet, ohm, curve)
    elif curve:
        celsius, u = temperature_of(ohm, curve, sheet.meter)
        row |= {"temperature_c": celsius, "u_temperature_c": u, "board_believes_c": celsius}
        _against_place(row, remarks, place, sheet)
    elif place.celsius is None:
        row["findings"].append("probe_type_unknown")
        remarks.append(_remark(
            "probe_type_unknown", "info", name, f"Probe \"{name}\" shows {ohm_words(ohm)}; without the temperature of the room no type can be matched. Note the room's "
            "temperature, or read the marking of the board or the sensor.", f"{ohm_words(ohm)}, ambient not noted",
        ))
    else:
        _match(row, remarks, probe, name, sheet, place)
    in_bath = place.measured and sum(bool(other.name) and other.name == probe.name for other in sheet.probes) > 1
    if not in_bath:  # what a sensor held into ice tells is no temperature of the pack
        _window(row, remarks, name, sheet)
    return row, remarks


def _match(row: dict[str, Any], remarks: list, probe: Probe, name: str, sheet: BenchSheet, place: _Place) -> None:
    """An unknown sensor against the usual types, by all its readings."""
    ohm = probe.ohm
    readings = []
    for other in sheet.probes:
        at = _place(other, sheet)
        same = other is probe or (probe.name and other.name == probe.name)
        if same and other.ohm and math.isfinite(other.ohm) and at.celsius is not None:
            readings.append((other.ohm, at.celsius, at.u_k, BATH_K if at.measured else at.offset_k))
    types = matched_types(readings, sheet.meter)
    row["candidates"] = [kind.words for kind in types]
    evidence = f"{ohm_words(ohm)} at {place.celsius:.1f} °C"
    if not types:
        row["findings"].append("probe_type_unknown")
        shown = "; ".join(f"{kind.words}: {ohm_words(float(resistance_ohm(np.array([place.celsius]), kind.curve)[0]))}" for kind in probe_types())
        remarks.append(_remark(
            "probe_type_unknown", "caution", name, f"Probe \"{name}\" shows {ohm_words(ohm)}, which none of the usual thermistors has near {place.celsius:.0f} °C ({shown}). "
            "Either it is of another type, or it is faulty or a connection to it is bad. Read its type from the board or the maker's data, "
            "or measure it at two temperatures.", evidence,
        ))
        return
    values = [temperature_of(ohm, kind.curve, sheet.meter) for kind in types]
    low, high = min(value for value, _ in values), max(value for value, _ in values)
    celsius = 0.5 * (low + high)
    u = math.hypot(max(u for _, u in values), 0.5 * (high - low) / _ROOT_3)
    row |= {"temperature_c": celsius, "u_temperature_c": u, "board_believes_c": celsius}
    if len(types) == 1:
        row |= {"type": types[0].words, "type_from": "matched"}
        return
    row["findings"].append("probe_type_unknown")
    names = ", or ".join(kind.words for kind in types)
    second = second_temperature(types)
    if second is None:
        how = "No second reading between 0 and 50 °C would tell these apart; here it makes no difference which it is."
    else:
        values_shown = [ohm_words(value) for value in second[1]]
        how = f"To tell them apart measure it again at {second[0]:.0f} °C, its temperature known to 1 K: in that order they show {', '.join(values_shown[:-1])} and {values_shown[-1]}"
        how += "; types that lie close together there stay undecided." if len(types) > 2 else "."
    remarks.append(_remark("probe_type_unknown", "info", name, f"By this reading probe \"{name}\" can be {names}. {how}", evidence))


def _broken(row: dict[str, Any], remarks: list, code: str, name: str, sheet: BenchSheet, ohm: float, curve: ThermistorCurve | None) -> None:
    is_open = code == "probe_open"
    end = RANGE_C[0] if is_open else RANGE_C[1]
    row["findings"] += [code, "board_refuses_charge"]
    row["board_believes_c"] = end
    shown = "overload" if math.isinf(ohm) else ohm_words(ohm)
    usual = _limit_ohm(curve, end) if curve else None
    beyond = f", {'more' if is_open else 'less'} than the {ohm_words(usual)} it has at {end:.0f} °C" if usual else ""
    charge = _charge_window(sheet.pack)
    remarks.append(_remark(
        code, "defect", name,
        f"Probe \"{name}\" is {'open' if is_open else 'shorted'}: the meter shows {shown}{beyond}. The board then believes the pack "
        f"{'colder' if is_open else 'hotter'} than {end:.0f} °C and usually refuses to charge (allowed: {charge[0]:.0f} to {charge[1]:.0f} °C), some boards refuse to "
        "discharge too (common practice, no source). Look at its plug and wires before the sensor is replaced.", shown + beyond,
    ))


def _against_place(row: dict[str, Any], remarks: list, place: _Place, sheet: BenchSheet) -> None:
    """A sensor of stated curve against the temperature of its place."""
    if place.celsius is None:
        return
    celsius, u, name = row["temperature_c"], row["u_temperature_c"], row["name"]
    apart = celsius - place.celsius
    limit = place.offset_k + 2.0 * math.hypot(u, place.u_k)
    if abs(apart) <= limit:
        return
    row["findings"].append("probe_out_of_place")
    where = "its place" if place.measured else "the room"
    fitting = matched_types([(row["ohm"], place.celsius, place.u_k, place.offset_k)], sheet.meter)
    other = f" The usual {' or '.join(kind.words for kind in fitting)} would show this there." if fitting else ""
    doubt = ""
    if apart > 0 and not place.measured and (sheet.rested_h is None or sheet.rested_h < 2.0):
        doubt = " If the pack was charged or driven in the last two hours it may still be warm: measure again after it has rested."
    remarks.append(_remark(
        "probe_out_of_place", "caution" if doubt else "defect", name,
        f"Probe \"{name}\" reads {figure_text(celsius, u, 'degC')}, {abs(apart):.1f} K {'above' if apart > 0 else 'below'} {where} at {place.celsius:.1f} °C; "
        f"up to {limit:.1f} K would pass. The sensor or its type is wrong, a connection to it is bad, or it does not sit where it should.{other}{doubt}",
        f"{ohm_words(row['ohm'])}; {row['type']}",
    ))


def _charge_window(pack: Pack) -> tuple[float, float]:
    return pack.charge_temperature_c or CHARGE_WINDOW_C


def _window(row: dict[str, Any], remarks: list, name: str, sheet: BenchSheet) -> None:
    """What boards usually do at the temperature that this sensor tells them."""
    believes = row["board_believes_c"]
    if believes is None or {"probe_open", "probe_shorted"} & set(row["findings"]):
        return
    charge, discharge = _charge_window(sheet.pack), sheet.pack.discharge_temperature_c or DISCHARGE_WINDOW_C
    refused = [
        (code, words, window) for code, words, window in (("board_refuses_charge", "to charge", charge), ("board_refuses_discharge", "to discharge", discharge))
        if not window[0] <= believes <= window[1]
    ]
    row["findings"] += [code for code, _, _ in refused]
    if refused:
        words = " and ".join(f"{words} (allowed: {window[0]:.0f} to {window[1]:.0f} °C)" for _, words, window in refused)
        remarks.append(_remark(
            "board_refuses_charge", "caution", name, f"By probe \"{name}\" the board believes the cells at {believes:.0f} °C and then usually refuses {words}; "
            "common practice, no source.", f"{ohm_words(row['ohm'])}",
        ))


def _against_each_other(rows: Sequence[dict[str, Any]], sheet: BenchSheet) -> list[dict[str, Any]]:
    """Two sensors of one pack lie at about one temperature unless they were put at different ones on purpose."""
    remarks = []
    for one, other in itertools.combinations(rows, 2):
        if one["name"] == other["name"] or one["temperature_c"] is None or other["temperature_c"] is None:
            continue
        places = [row["reference_c"] for row in (one, other)]
        expected = places[0] - places[1] if None not in places else 0.0
        apart = one["temperature_c"] - other["temperature_c"] - expected
        limit = AMBIENT_OFFSET_K + 2.0 * math.hypot(one["u_temperature_c"], other["u_temperature_c"])
        if abs(apart) <= limit:
            continue
        warmer, colder = (one, other) if apart > 0 else (other, one)
        for row in (one, other):
            row["findings"].append("probes_differ")
        remarks.append(_remark(
            "probes_differ", "caution", warmer["name"], f"Probe \"{warmer['name']}\" reads {abs(apart):.1f} K warmer than probe \"{colder['name']}\" "
            f"({figure_text(warmer['temperature_c'], warmer['u_temperature_c'], 'degC')} against {figure_text(colder['temperature_c'], colder['u_temperature_c'], 'degC')}); "
            f"up to {limit:.1f} K would pass in a pack at rest. One of them is wrong, or they are of different types.",
            f"{ohm_words(warmer['ohm'])} and {ohm_words(colder['ohm'])}",
        ))
    return remarks


def ohm_words(ohm: float) -> str:
    """A resistance with three significant digits: 27.3 kΩ."""
    for factor, unit in ((1e6, "MΩ"), (1e3, "kΩ")):
        if ohm >= factor:
            return f"{significant_text(ohm / factor, 3)} {unit}"
    return f"{significant_text(ohm, 3)} Ω"


def _remark(code: str, severity: str, probe: str, message: str, evidence: str) -> dict[str, Any]:
    return {"code": code, "severity": severity, "group": None, "tap": None, "probe": probe, "message": message, "evidence": evidence}
