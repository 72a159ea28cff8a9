"""The bench sheet: what was told, seen and measured of a pack before anything was done to it. Every part may be missing.

On disk it is TOML, read here with the same strictness as PACK.toml; :mod:`cycler.repair.sheetfile` writes an empty one to fill in.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.pack import Pack, pack_from_dict
from cycler.pack_temperature import ThermistorCurve, thermistor_from_dict
from cycler.repair.meter import METER_CHANNELS, Meter, meter_from_dict
from cycler.tomlsource import (
    ID_MAX,
    checked_number,
    checked_word,
    line_of_key,
    only_table,
    parse_toml,
    read_bytes,
    refuse_key,
    toml_key,
    toml_value,
)

__all__ = [
    "METER_CHANNELS", "BenchSheet", "Meter", "Probe", "load_sheet", "meter_from_dict", "sheet_from_dict", "sheet_from_text", "sheet_to_toml",
]

SHEET_FILE = "bench sheet"

FROM_NEGATIVE, FROM_POSITIVE, EACH_GROUP = "pack_negative", "pack_positive", "each_group"
TAPS_FROM = (FROM_NEGATIVE, FROM_POSITIVE, EACH_GROUP)
"""How the balance taps were read: against pack negative or pack positive (cumulative), or each group by itself."""

LOOK_ITEMS = ("swollen", "leaking", "smell", "hot", "burnt", "wet", "dented", "corroded", "leads_damaged", "joint_torn", "opened_before")
"""What is looked and smelt for. An item that is not in ``look`` was not looked for: that is not a no."""


@dataclass(frozen=True, slots=True)
class Probe:
    """One thermistor by the ohmmeter, its plug pulled from the board.

    Attributes
    ----------
    ohm : float or None
        Reading; ``inf`` where the meter shows overload. [ohm]
    temperature_c : float or None
        Of its place if that was measured otherwise; None: the ambient of the sheet.
    curve : ThermistorCurve or None
        From the data sheet or the board's marking; None: unknown, to be matched.
    """

    name: str
    ohm: float | None = None
    place: str = ""
    temperature_c: float | None = None
    curve: ThermistorCurve | None = None


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """One sheet, whole or half filled. Unknown is None or empty.

    Attributes
    ----------
    pack : Pack
        Ratings from the label; its ``instrument`` is not used here.
    complaint, lamps, remark : str
        In the repairer's words.
    look : mapping of str to str
        Of :data:`LOOK_ITEMS` those that were looked for: "yes" or "no".
    rested_h : float or None
        Hours without current before the readings.
    days_low : float or None
        For how many days the pack is known to have lain as empty as now.
    ambient_c : float or None
        [degC]
    terminal_v : float or None
        At the discharge contacts, the board between. [V]
    charge_contact_v : float or None
        At the charge contacts. [V]
    cells_v : float or None
        Across all series groups, before the board. [V]
    taps_from : str or None
        One of :data:`TAPS_FROM`.
    taps_v : tuple of (float or None)
        Cumulative: N + 1 readings in the order of the wires from the reference on, the reference itself first (0 V, or None where it was
        not read). Each group: N readings, group 1 at pack negative. None: not taken. [V]
    board_current_a : float or None
        What the board draws from the cells at rest. [A]
    charger_v : float or None
        Of the charger alone, without the pack. [V]
    probes : tuple of Probe
    observed : mapping of str to (str or float)
        Further observations by key; the keys, their units and what they may be stand in ``data/causes.toml``.
    unread : tuple of (key, text)
        What was entered where a number belongs and is none: kept as it was typed, in the order of the keys.
    """

    pack: Pack = field(default_factory=Pack)
    complaint: str = ""
    lamps: str = ""
    look: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    remark: str = ""
    meter: Meter = field(default_factory=Meter)
    taken_at: str | None = None
    taken_by: str = ""
    rested_h: float | None = None
    days_low: float | None = None
    ambient_c: float | None = None
    terminal_v: float | None = None
    charge_contact_v: float | None = None
    cells_v: float | None = None
    taps_from: str | None = None
    taps_v: tuple[float | None, ...] = ()
    board_current_a: float | None = None
    charger_v: float | None = None
    probes: tuple[Probe, ...] = ()
    observed: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))
    unread: tuple[tuple[str, str], ...] = ()
    file: str | None = None


# ---- reading -----------------------------------------------------------------------------------------------------

WORDS_MAX = 4000
"""Characters of a text in the repairer's own words at most."""
TABLES = ("pack", "told", "look", "meter", "readings", "probe", "observed", "unread")
READINGS: dict[str, tuple[float, float]] = {
    "rested_h": (0.0, 1e5), "days_low": (0.0, 2e4), "ambient_c": (-40.0, 80.0), "cells_v": (-1000.0, 1000.0), "terminal_v": (-1000.0, 1000.0),
    "charge_contact_v": (-1000.0, 1000.0), "board_current_ma": (-1e5, 1e5), "charger_v": (-1000.0, 1000.0),
}
"""Numbers of [readings] and between what they may lie; beyond, a unit or a point was mistyped. Common practice, no source."""
TAP_MAX_V, OHM_MAX, TAPS_MAX = 1000.0, 1e9, 201
NOT_TAKEN = ("-", "\N{EN DASH}", "\N{EM DASH}", "")
OPEN_WORDS = ("open", "ol", "o.l", "o.l.", "0l", "inf", "\N{INFINITY}", "overload")
"""What stands for a meter that shows overload: no current passes."""
_TEXTS = {"taken_at", "taken_by", "taps_from", "taps_v"}
_PROBE_KEYS = {"name", "ohm", "place", "temperature_c"}
_CURVE_KEYS = tuple(item.name for item in fields(ThermistorCurve) if item.name != "defaulted")
PACK_KEYS = tuple(item.name for item in fields(Pack) if item.name not in ("instrument", "inferred"))


def load_sheet(path: str | Path) -> BenchSheet:
    """Read a bench sheet, whole or half filled.

    Raises
    ------
    InputError
        File missing or not TOML, unknown table or key (near ones are offered), a text where a number belongs, an impossible number; says file,
        line, and which of several values.
    """
    return sheet_from_bytes(read_bytes(path, SHEET_FILE), str(path))


def sheet_from_text(text: str, name: str = "sheet") -> BenchSheet:
    """The same from text; ``name`` stands in messages."""
    return sheet_from_bytes(text.encode("utf-8", "replace"), name)


def sheet_from_bytes(raw: bytes, name: str) -> BenchSheet:
    """The same from bytes already read."""
    data, text = parse_toml(raw, name, SHEET_FILE)
    return sheet_from_dict(data, name, text)


def sheet_from_dict(data: Mapping[str, Any], name: str = "sheet", text: str = "") -> BenchSheet:
    """A sheet from parsed TOML; ``text`` is that of the file, for line numbers. See :func:`load_sheet` for what it raises."""
    for key, value in data.items():
        if key not in TABLES:
            if key in PACK_KEYS:
                raise InputError(
                    "this is a pack file, not a bench sheet", Location(name, line_of_key(text, key)), f"it sets {quote(key)} outside a table",
                    "begin a sheet with it: cycler sheet SHEET.toml --new --pack PACK.toml; in a sheet the ratings stand under a line [pack]",
                )
            refuse_key(key, list(TABLES), Location(name, line_of_key(text, key)))
        if not isinstance(value, list if key == "probe" else dict):
            raise InputError(
                f"{key} is not a table", Location(name, line_of_key(text, key)), f"found {quote(value)}",
                f"write its values below a line {'[[probe]]' if key == 'probe' else f'[{key}]'}",
            )
    pack = _pack(data.get("pack") or {}, name, only_table(text, "pack"))
    told = _Table(data, "told", name, text)
    told.refuse_others({"complaint", "lamps"})
    look = _Table(data, "look", name, text)
    look.refuse_others({*LOOK_ITEMS, "remark"})
    readings = _Table(data, "readings", name, text)
    readings.refuse_others({*READINGS, *_TEXTS})
    taps_from = checked_taps_from(readings.data["taps_from"], readings.at("taps_from")) if "taps_from" in readings.data else None
    current_ma = readings.number("board_current_ma")
    return BenchSheet(
        pack=pack, complaint=told.words("complaint"), lamps=told.words("lamps"),
        look=MappingProxyType({key: checked_look(key, look.data[key], look.at(key)) for key in LOOK_ITEMS if key in look.data}), remark=look.words("remark"),
        meter=meter_from_dict(data.get("meter") or {}, name, text),
        taken_at=checked_time(readings.data["taken_at"], readings.at("taken_at")) if "taken_at" in readings.data else None,
        taken_by=checked_word("taken_by", readings.data["taken_by"], readings.at("taken_by"), 'taken_by = "M. Okoro"') if readings.data.get("taken_by") else "",
        taps_from=taps_from, taps_v=_taps(readings, taps_from, pack.series), probes=_probes(data.get("probe") or [], name, text),
        board_current_a=None if current_ma is None else ampere(current_ma),
        observed=_observed(_Table(data, "observed", name, text)), unread=_unread(_Table(data, "unread", name, text)), file=name,
        **{key: readings.number(key) for key in READINGS if key != "board_current_ma"},
    )


class _Table:
    """A table of the file and where its keys stand."""

    def __init__(self, data: Mapping[str, Any], table: str, name: str, text: str) -> None:
        self.data: dict[str, Any] = dict(data.get(table) or {})
        self.table, self._name = table, name
        self.text = only_table(text, table)

    def at(self, key: str) -> Location:
        return Location(self._name, line_of_key(self.text, key))

    def refuse_others(self, known: set[str]) -> None:
        for key in self.data:
            if key not in known:
                refuse_key(key, sorted(known), self.at(key))

    def words(self, key: str) -> str:
        return checked_words(key, self.data[key], self.at(key)) if key in self.data else ""

    def number(self, key: str) -> float | None:
        value = self.data.get(key)
        return None if value is None or value in NOT_TAKEN else checked_reading(key, value, self.at(key))


def checked_words(key: str, value: Any, where: Location) -> str:
    """A text in the repairer's own words, of several lines if need be. InputError otherwise."""
    if not isinstance(value, str):
        raise InputError(f"{key} is not a text", where, f"found {quote(value)}", f'texts stand in quotes: {key} = "{str(value)[:40]}"')
    text = "\n".join(line.strip() for line in value.strip().splitlines())
    if len(text) > WORDS_MAX or not all(ch.isprintable() or ch == "\n" for ch in text):
        raise InputError(
            f"{key} is no plain text", where, f"found {quote(value)}, {len(text)} characters", f"at most {WORDS_MAX} printable characters",
        )
    return text


def checked_reading(key: str, value: Any, where: Location) -> float:
    """A number of :data:`READINGS` between its bounds. InputError otherwise."""
    number = checked_number(key, value, where)
    low, high = READINGS[key]
    if not low <= number <= high:
        raise InputError(
            f"{key} is {'below zero' if low == 0.0 and number < 0 else 'implausible'}", where, f"found {quote(value)}; between {low:g} and {high:g} is usual",
            "check the unit (the key's ending tells it) and the decimal point, or leave the line out",
        )
    return number


def checked_tap(value: Any, where: Location) -> float:
    """A tap's reading. [V] InputError if it is none."""
    if isinstance(value, (str, bool)):
        raise InputError("this tap is not a number", where, f"found {quote(value)}", 'write it like 3.652, without a unit; "-" for a tap that was not read')
    number = checked_number("this tap", value, where)
    if abs(number) > TAP_MAX_V:
        raise InputError("this tap is implausible", where, f"found {quote(value)} V", "check the decimal point; readings stand in volt")
    return number


def checked_ohm(value: Any, where: Location) -> float:
    """A thermistor's reading [ohm]; ``inf`` for "open". InputError otherwise."""
    if (isinstance(value, str) and value.strip().lower() in OPEN_WORDS) or (isinstance(value, float) and value == math.inf):
        return math.inf
    number = checked_number("ohm", value, where)
    if number < 0.0:
        raise InputError(
            "ohm is below zero", where, f"found {quote(value)}; a resistance is never negative",
            'turn the leads round and measure without voltage on the sensor; a meter that shows overload is written "open"',
        )
    if number > OHM_MAX:
        raise InputError("ohm is implausible", where, f"found {quote(value)}", 'a meter that shows overload is written "open"')
    return number


def checked_taps_from(value: Any, where: Location) -> str:
    """One of :data:`TAPS_FROM`. InputError otherwise."""
    word = str(value).strip().lower().replace(" ", "_").replace("-", "_")
    if word not in TAPS_FROM:
        raise InputError(
            f"unknown taps_from {quote(value)}", where, "it tells from where the taps were read",
            '"pack_negative" or "pack_positive" if one probe stayed there, "each_group" if both probes went along',
        )
    return word


def checked_look(item: str, value: Any, where: Location) -> str:
    """"yes" or "no". InputError otherwise."""
    word = ("yes" if value else "no") if isinstance(value, bool) else value.strip().lower() if isinstance(value, str) else ""
    if word not in ("yes", "no"):
        raise InputError(
            f"{item} is neither yes nor no", where, f"found {quote(value)}", f'write {item} = "yes" or "no"; leave it out if it was not looked for',
        )
    return word


def checked_time(value: Any, where: Location) -> str:
    """When the readings were taken, ISO 8601. InputError otherwise."""
    if isinstance(value, (datetime.date, datetime.datetime)):
        return value.isoformat()
    text = str(value).strip()
    try:
        if not isinstance(value, str):
            raise ValueError
        datetime.datetime.fromisoformat(text)
    except ValueError:
        raise InputError("taken_at is no date and time", where, f"found {quote(value)}", 'write it like "2026-03-14 09:30"') from None
    return text


def checked_observation(key: str, value: Any, where: Location) -> str | float:
    """A further observation: a number, or one line of text. A text that reads as a number is that number. InputError otherwise."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        text = checked_word(key, value, where, f'{key} = "yes"')
        if re.fullmatch(r"[+-]?\d{1,15}(\.\d{1,15})?", text):
            value = float(text)
        else:
            return text
    return checked_number(key, value, where)


def ampere(milliampere: float) -> float:
    """mA to A without the error of a binary division. [A]"""
    return float(Decimal(repr(float(milliampere))) / 1000)


def milliampere(ampere_: float) -> float:
    """A to mA likewise. [mA]"""
    return float(Decimal(repr(float(ampere_))) * 1000)


def _pack(data: dict[str, Any], name: str, text: str) -> Pack:
    if "instrument" in data:
        raise InputError(
            "[pack] of a sheet has no instrument", Location(name, line_of_key(text, "instrument")), "the readings were taken with a meter",
            "write its limits of error under a line [meter]",
        )
    return pack_from_dict(data, name, text)


def _taps(readings: _Table, taps_from: str | None, series: int | None) -> tuple[float | None, ...]:
    values = readings.data.get("taps_v")
    if values is None:
        return ()
    where = readings.at("taps_v")
    if not isinstance(values, list):
        raise InputError(
            "taps_v is not a list", where, f"found {quote(values)}", 'write all readings in brackets, "-" for one that was not taken: taps_v = [0, 3.652, "-", 10.951]',
        )
    places = _places(readings.text, where.line, len(values))
    taps = [
        None if isinstance(value, str) and value.strip() in NOT_TAKEN else checked_tap(value, Location(where.file, line, place))
        for place, (value, line) in enumerate(zip(values, places), 1)
    ]
    while taps and taps[-1] is None:
        taps.pop()
    most = most_taps(taps_from, series)
    if len(taps) > most:
        limit = f"{series} groups have {most} {'voltages' if taps_from == EACH_GROUP else 'taps'}" if series else f"at most {most} are taken"
        raise InputError(
            "more taps than the pack has", Location(where.file, places[most], most + 1), f"found {len(taps)} readings; {limit}",
            "count the wires: correct series, or take out the reading that was written twice",
        )
    return tuple(taps)


def most_taps(taps_from: str | None, series: int | None) -> int:
    """How many readings a pack can give: N groups have N + 1 taps (common practice, no source)."""
    if not series:
        return TAPS_MAX
    return series if taps_from == EACH_GROUP else series + 1


def _places(text: str, line: int | None, count: int) -> list[int | None]:
    """Line of every value of a list that may go over several lines."""
    if line is None:
        return [None] * count
    places: list[int | None] = []
    begun = False
    for number, row in enumerate(text.splitlines()[line - 1 :], line):
        row = row.split("=", 1)[1] if number == line else row
        for found in re.finditer(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'|#.*|\[|\]|[^\s,\[\]#\"']+", row):
            if found[0].startswith("#"):
                break
            if found[0] == "]" or len(places) == count:
                return (places + [line] * count)[:count]
            if found[0] != "[":
                places.append(number)
        begun = begun or bool(places)
    return (places + [line] * count)[:count]


def _probes(rows: list[Any], name: str, text: str) -> tuple[Probe, ...]:
    probes: list[Probe] = []
    for place, data in enumerate(rows):
        part = only_table(text, "probe", place)
        line = next((number for number, row in enumerate(part.splitlines(), 1) if row.strip()), None)
        if not isinstance(data, dict):
            raise InputError("probe is not a list of tables", Location(name, line), f"found {quote(data)}", "write each below a line [[probe]]")
        where = {key: Location(name, line_of_key(part, key) or line) for key in data}
        for key in data:
            if key not in _PROBE_KEYS and key not in _CURVE_KEYS:
                refuse_key(key, sorted({*_PROBE_KEYS, *_CURVE_KEYS}), where[key])
        own = checked_word("name", data["name"], where["name"], 'name = "1"') if "name" in data else str(place + 1)
        if any(own == probe.name for probe in probes):
            raise InputError(f"two probes are named {quote(own)}", where.get("name") or Location(name, line), "they could not be told apart", "give each a name of its own")
        curve = {key: value for key, value in data.items() if key in _CURVE_KEYS}
        probes.append(Probe(
            own, None if data.get("ohm") is None or data["ohm"] in NOT_TAKEN else checked_ohm(data["ohm"], where["ohm"]),
            checked_words("place", data["place"], where["place"]) if "place" in data else "",
            checked_probe_temperature(data["temperature_c"], where["temperature_c"]) if "temperature_c" in data else None,
            _probe_curve(curve, name, part, line) if curve else None,
        ))
    return tuple(probes)


def _probe_curve(curve: dict[str, Any], name: str, text: str, line: int | None) -> ThermistorCurve:
    try:
        return thermistor_from_dict(curve, name, text)
    except InputError as error:
        if isinstance(error.where, Location) and error.where.line is None:
            raise InputError(error.what, Location(name, line), error.why, error.mend) from None
        raise


def checked_probe_temperature(value: Any, where: Location) -> float:
    """Temperature of a probe's place by another thermometer. [degC] InputError otherwise."""
    number = checked_number("temperature_c", value, where)
    if not -40.0 <= number <= 125.0:
        raise InputError("temperature_c is implausible", where, f"found {quote(value)} °C", "correct it, or leave the line out")
    return number


def checked_observed_key(key: str, where: Location | str) -> str:
    """A key of [observed]; which of them count is told by the evaluation. InputError if it can be none."""
    if not _KEY.fullmatch(key):
        raise InputError(f"{quote(key)} is no key of an observation", where, "keys have small letters, digits and underscores", "the keys stand in the sheet that --new writes")
    return key


_KEY = re.compile(r"[a-z][a-z0-9_]{0,60}")


def _observed(table: _Table) -> Mapping[str, str | float]:
    found = {}
    for key, value in table.data.items():
        found[checked_observed_key(key, table.at(key))] = checked_observation(key, value, table.at(key))
    return MappingProxyType(found)


def _unread(table: _Table) -> tuple[tuple[str, str], ...]:
    for key, value in table.data.items():
        if not isinstance(value, str) or len(key) > ID_MAX:
            raise InputError(f"{key} under [unread] is not a text", table.at(key), f"found {quote(value)}", "texts stand in quotes; or write the number where it belongs")
    return tuple(sorted(table.data.items()))


# ---- writing -----------------------------------------------------------------------------------------------------


def sheet_to_toml(sheet: BenchSheet) -> str:
    """The sheet as TOML text that :func:`sheet_from_text` reads to the same sheet; what is not known is left out."""
    lines = ["# Bench sheet. Voltages in V, resistances in ohm, temperatures in degC."]

    def table(header: str, pairs: Mapping[str, Any]) -> None:
        rows = [f"{toml_key(key)} = {toml_value(value)}" for key, value in pairs.items() if value is not None and value != ""]
        if rows or header.startswith("[["):
            lines.extend(["", header, *rows])

    pack = sheet.pack
    table("[pack]", {key: getattr(pack, key) for key in PACK_KEYS if key not in ("thermistor", "correction")})
    for key in ("thermistor", "correction"):
        if (part := getattr(pack, key)) is not None:
            table(f"[pack.{key}]", stated_values(part))
    table("[told]", {"complaint": sheet.complaint, "lamps": sheet.lamps})
    table("[look]", {**sheet.look, "remark": sheet.remark})
    table("[meter]", {"name": sheet.meter.name, **sheet.meter.written()})
    readings: dict[str, Any] = {"taken_at": sheet.taken_at, "taken_by": sheet.taken_by}
    readings |= {key: getattr(sheet, key) for key in READINGS if key != "board_current_ma"}
    readings["board_current_ma"] = None if sheet.board_current_a is None else milliampere(sheet.board_current_a)
    readings |= {"taps_from": sheet.taps_from, "taps_v": [("-" if tap is None else tap) for tap in sheet.taps_v] or None}
    table("[readings]", readings)
    for probe in sheet.probes:
        curve = stated_values(probe.curve) if probe.curve is not None else {}
        table("[[probe]]", {"name": probe.name, "ohm": "open" if probe.ohm == math.inf else probe.ohm, "place": probe.place, "temperature_c": probe.temperature_c, **curve})
    table("[observed]", sheet.observed)
    if sheet.unread:
        lines.extend(["", "[unread]", "# Entered where a number or a known word belongs, and kept as it was typed.", *(f"{toml_key(key)} = {toml_value(text)}" for key, text in sheet.unread)])
    return "\n".join(lines) + "\n"


def stated_values(part: Any) -> dict[str, float]:
    """What was stated of a thermistor's curve or a correction, without what was filled in."""
    return {
        item.name: value for item in fields(part)
        if item.name != "defaulted" and (value := getattr(part, item.name)) is not None and item.name not in part.defaulted
    }
