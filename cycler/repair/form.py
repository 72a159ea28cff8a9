"""The bench sheet as a form: every field a text as it was typed. What is no number or no known word is kept as it stands, never lost.

A decimal comma is taken, a unit behind the number too; ``-`` stands for a reading that was not taken, as an empty field does.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import partial
from types import MappingProxyType
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.pack import Pack, pack_from_dict
from cycler.pack_correction import Correction
from cycler.pack_temperature import ThermistorCurve, thermistor_from_dict
from cycler.repair.meter import METER_CHANNELS, Meter, meter_from_dict
from cycler.repair.sheet import (
    EACH_GROUP,
    LOOK_ITEMS,
    NOT_TAKEN,
    OPEN_WORDS,
    PACK_KEYS,
    READINGS,
    TAPS_MAX,
    BenchSheet,
    Probe,
    ampere,
    checked_look,
    checked_observation,
    checked_ohm,
    checked_probe_temperature,
    checked_reading,
    checked_tap,
    checked_taps_from,
    checked_time,
    checked_words,
    milliampere,
    most_taps,
    stated_values,
)
from cycler.tomlsource import checked_word
from cycler.units import parse_unit

FORM = "the form"
_ENDINGS = {
    "_v": ("voltage", 1.0), "_ma": ("current", 1e-3), "_a": ("current", 1.0), "_ohm": ("resistance", 1.0), "_c": ("temperature", 1.0),
    "_h": ("time", 3600.0), "_ah": ("charge", 1.0), "_wh": ("energy", 1.0), "days_low": ("time", 86400.0),
}
"""What a key's ending says: dimension, and the size of its unit in the inner unit."""
_NUMBER = re.compile(r"([+-]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE]([+-]?\d{1,3}))?\s*(\D.*)?")
_KILO = {"k": 1e3, "kω": 1e3, "kohm": 1e3, "m": 1e6, "mω": 1e6, "mohm": 1e6}
_TEXT_KEYS = ("complaint", "lamps", "remark")
_WINDOWS = ("charge_temperature_c", "discharge_temperature_c")
# If ratings contradict each other: in this order one is set aside until the others agree.
_SET_ASIDE = ("cutoff_voltage_v", "group_cutoff_voltage_v", "group_charge_voltage_v", "charge_voltage_v", "chemistry", "series")
_PROBE = re.compile(r"probe\.(\d{1,3})\.(\w+)")
_TAP = re.compile(r"taps\.(\d{1,3})")


def typed_number(key: str, text: str) -> float | None:
    """The number that was typed into a field, in the unit of its key's ending; None for one not taken.

    Parameters
    ----------
    key : str
        Dotted key of the field; its last part tells the unit.
    text : str
        "3.652", "3,652", "3652 mV", "9.87k", "open", "-" ...

    Raises
    ------
    InputError
        No number, a unit of something else, or a number that can be read in two ways.
    """
    shown = text.strip().replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")
    if shown in NOT_TAKEN:
        return None
    name = key.rsplit(".", 1)[-1]
    if name == "ohm" and shown.lower() in OPEN_WORDS:
        return math.inf
    found = _NUMBER.fullmatch(shown)
    if found is None:
        raise _no_number(key, text, "write the number as the meter shows it, such as 3.652" + ('; "open" if it shows overload' if name == "ohm" else ""))
    digits = found[2].replace(",", ".")
    number = float(f"{found[1]}{digits}" + (f"e{found[3]}" if found[3] else ""))
    if not found[4]:
        return number
    unit, dimension_size = found[4].strip(), _dimension(key)
    if dimension_size is None:
        raise _no_number(key, text, "leave the unit out")
    dimension, size = dimension_size
    if dimension == "resistance" and (factor := _KILO.get(unit.lower().replace("\N{OHM SIGN}", "ω"))) and not unit.startswith(("mo", "mΩ", "mω")):
        return _scaled(number, factor)
    known = parse_unit(unit)
    if known is None or known.dimension != dimension:
        raise _no_number(key, text, f"{quote(unit)} is no unit of this field; write the number alone")
    return _scaled(number, known.factor / size) + known.offset


def _scaled(number: float, factor: float) -> float:
    """A product to the digits that were typed, not to those of a binary fraction."""
    return number if factor == 1.0 else float(f"{number * factor:.12g}")


def _no_number(key: str, text: str, mend: str) -> InputError:
    return InputError(f"{key} is not a number", FORM, f"found {quote(text)}", mend)


def _dimension(key: str) -> tuple[str, float] | None:
    name = key.rsplit(".", 1)[-1]
    if _TAP.fullmatch(key):
        return _ENDINGS["_v"]
    if name == "ohm":
        return _ENDINGS["_ohm"]
    return next((_ENDINGS[ending] for ending in sorted(_ENDINGS, key=len, reverse=True) if name.endswith(ending)), None)


def number_text(number: float) -> str:
    """A number as a field shows it; reads to the same number again."""
    if number == math.inf:
        return "open"
    text = repr(float(number))
    return text.removesuffix(".0")


# ---- form to sheet -----------------------------------------------------------------------------------------------


class _Entries:
    """The fields that hold something, taken out one by one; what cannot be used goes to ``unread``."""

    def __init__(self, values: Mapping[str, str]) -> None:
        counted = numbered_probes(values)
        typed = {key: str(value).strip() for key, value in values.items() if value is not None and str(value).strip()}
        self.left = {counted.get(key, key): text for key, text in typed.items() if key in counted or not _PROBE.fullmatch(key)}
        self.unread: dict[str, str] = {}
        self.why: dict[str, InputError] = {}

    def take(self, key: str, read: Callable[[str], Any]) -> Any:
        """What ``read`` makes of a field, or None."""
        text = self.left.pop(key, None)
        if text is None:
            return None
        try:
            return read(text)
        except InputError as error:
            self.set_aside(key, text, error)
            return None

    def set_aside(self, key: str, text: str, error: InputError) -> None:
        self.unread[key], self.why[key] = text, error.bare()

    def kept(self) -> tuple[tuple[str, str], ...]:
        self.unread |= self.left
        return tuple(sorted(self.unread.items()))


def numbered_probes(values: Mapping[str, str]) -> dict[str, str]:
    """Keys of a form's thermistors to those they have in its sheet, which counts from 0 without gaps: one of which nothing is entered is none."""
    matches = {key: match for key in values if (match := _PROBE.fullmatch(key))}
    filled = sorted({int(match[1]) for key, match in matches.items() if str(values[key] or "").strip() not in NOT_TAKEN})
    place = {index: number for number, index in enumerate(filled)}
    return {key: f"probe.{place[int(match[1])]}.{match[2]}" for key, match in matches.items() if int(match[1]) in place}


def sheet_from_form(values: Mapping[str, str]) -> BenchSheet:
    """The sheet of a form, whole or half filled. Nothing is refused: what cannot be used stands in ``unread`` as it was typed.

    Parameters
    ----------
    values : mapping of str to str
        "pack.<key of PACK.toml>" (windows of temperature with ".low" and ".high", "pack.thermistor.<key>", "pack.correction.<key>"), "complaint",
        "lamps", "remark", "look.<item>", "meter.<key of [meter]>", the keys of [readings] by themselves, "taps.0" on, "probe.0.<key>" on,
        "observed.<key>". Empty fields count as not there.
    """
    return _sheet(_Entries(values))


def refusals(values: Mapping[str, str]) -> dict[str, InputError]:
    """Why entries of a form cannot be used, by key; those of keys that no sheet has among them."""
    entries = _Entries(values)
    sheet = _sheet(entries)
    series = sheet.pack.series
    for key, text in sheet.unread:
        if key in entries.why:
            continue
        if _TAP.fullmatch(key):
            most = most_taps(sheet.taps_from, series)
            error = InputError("more taps than the pack has", FORM, f"{series} groups have {most} {'voltages' if sheet.taps_from == EACH_GROUP else 'taps'}", "correct the number of groups, or leave it out")
        else:
            error = InputError(f"the sheet has no entry {quote(key)[1:-1]}", FORM, f"found {quote(text)}", "there is nothing to do with it here")
        entries.why[key] = error
    return {key: entries.why[key] for key, _text in sheet.unread}


def _sheet(entries: _Entries) -> BenchSheet:
    where = Location(FORM)
    pack = _pack(entries)
    texts: dict[str, Any] = {key: entries.take(key, partial(checked_words, key, where=where)) or "" for key in _TEXT_KEYS}
    look = {item: found for item in LOOK_ITEMS if (found := entries.take(f"look.{item}", partial(checked_look, item, where=where)))}
    meter = _meter(entries)
    taken_at = entries.take("taken_at", lambda text: checked_time(text, where))
    taken_by = entries.take("taken_by", lambda text: checked_word("taken_by", text, where)) or ""
    readings = {key: entries.take(key, partial(_reading, key)) for key in READINGS}
    current_ma = readings.pop("board_current_ma")
    taps_from = entries.take("taps_from", lambda text: checked_taps_from(text, where))
    taps = _taps(entries, taps_from, pack.series)
    probes = _probes(entries)
    observed = {
        key.removeprefix("observed."): found for key in [key for key in entries.left if re.fullmatch(r"observed\.[a-z][a-z0-9_]{0,60}", key)]
        if (found := entries.take(key, partial(_observed, key))) is not None
    }
    return BenchSheet(
        pack=pack, **texts, look=MappingProxyType(look), meter=meter, taken_at=taken_at, taken_by=taken_by, taps_from=taps_from, taps_v=taps, probes=probes,
        board_current_a=None if current_ma is None else ampere(current_ma), observed=MappingProxyType(observed), unread=entries.kept(), **readings,
    )


def _reading(key: str, text: str) -> float | None:
    number = typed_number(key, text)
    return None if number is None else checked_reading(key, number, Location(FORM))


def _observed(key: str, text: str) -> str | float | None:
    if text in NOT_TAKEN:
        return None
    try:
        return checked_observation(key, typed_number(key, text), Location(FORM))
    except InputError:
        return checked_observation(key, text, Location(FORM))


def _pack(entries: _Entries) -> Pack:
    data: dict[str, Any] = {}
    keys_of: dict[str, list[tuple[str, str]]] = {}
    for key in PACK_KEYS:
        if key in ("thermistor", "correction"):
            read = _pack_table(entries, key)
        elif key in _WINDOWS:
            read = _pack_window(entries, key)
        else:
            text = entries.left.get(f"pack.{key}")
            value = entries.take(f"pack.{key}", partial(_pack_value, key))
            read = (value, [(f"pack.{key}", text)]) if value is not None and text is not None else None
        if read is not None:
            data[key], keys_of[key] = read
    try:
        return pack_from_dict(dict(data), FORM)
    except InputError as error:
        wrong = error
    singles = [[key] for key in _SET_ASIDE if key in data]
    for aside in [*singles, [key for key in _SET_ASIDE[:4] if key in data], [key for key in _SET_ASIDE if key in data]]:
        pack = _agreeing({key: value for key, value in data.items() if key not in aside})
        if pack is not None:
            for key, text in (pair for name in aside for pair in keys_of[name]):
                entries.set_aside(key, text, wrong)
            return pack
    return Pack()  # not reached: without the keys of _SET_ASIDE nothing can disagree


def _agreeing(data: Mapping[str, Any]) -> Pack | None:
    try:
        return pack_from_dict(dict(data), FORM)
    except InputError:
        return None


def _pack_value(key: str, text: str) -> Any:
    value = text if key in ("id", "chemistry") else typed_number(key, text)
    if value is None or value in NOT_TAKEN:
        return None
    return getattr(pack_from_dict({key: value}, FORM), key)


def _pack_window(entries: _Entries, key: str) -> tuple[Any, list[tuple[str, str]]] | None:
    """A window of temperature from two fields; one of them alone is none."""
    return _together(entries, f"pack.{key}", ("low", "high"), lambda typed: pack_from_dict({key: [typed.get("low"), typed.get("high")]}, FORM) and [typed["low"], typed["high"]])


def _pack_table(entries: _Entries, key: str) -> tuple[Any, list[tuple[str, str]]] | None:
    names = tuple(item.name for item in fields(ThermistorCurve if key == "thermistor" else Correction) if item.name != "defaulted")
    return _together(entries, f"pack.{key}", names, lambda typed: pack_from_dict({key: typed}, FORM) and typed)


def _together(
    entries: _Entries, stem: str, names: tuple[str, ...], read: Callable[[dict[str, float]], Any],
) -> tuple[Any, list[tuple[str, str]]] | None:
    """What fields of one stem make together and the fields it came from; if they make nothing, all of them are unread."""
    typed = [(name, f"{stem}.{name}", entries.left[f"{stem}.{name}"]) for name in names if entries.left.get(f"{stem}.{name}") not in (None, *NOT_TAKEN)]
    for name in names:
        entries.left.pop(f"{stem}.{name}", None)
    if not typed:
        return None
    try:
        numbers = {name: typed_number(key, text) for name, key, text in typed}
        return read({name: number for name, number in numbers.items() if number is not None}), [(key, text) for _name, key, text in typed]
    except InputError as error:
        for _name, key, text in typed:
            entries.set_aside(key, text, error)
        return None


def _meter(entries: _Entries) -> Meter:
    """Each channel by itself: one that cannot be read leaves the others as they are."""
    data: dict[str, Any] = {}
    if name := entries.take("meter.name", lambda text: checked_word("name", text, Location(FORM))):
        data["name"] = name
    for channel in METER_CHANNELS:
        typed = {key: entries.left.pop(f"meter.{key}") for key in METER_CHANNELS[channel] if f"meter.{key}" in entries.left}
        try:
            part = meter_part(channel, typed)
            meter_from_dict(part, FORM)
            data |= part
        except InputError as error:
            for key, text in typed.items():
                entries.set_aside(f"meter.{key}", text, error)
    return meter_from_dict(data, FORM)


def meter_part(channel: str, typed: Mapping[str, str]) -> dict[str, Any]:
    """Keys of one channel of [meter] from what was typed. InputError for a number that is none."""
    read = {key: text if key == channel else typed_number(key, text) for key, text in typed.items()}
    return {key: value for key, value in read.items() if value is not None and value not in NOT_TAKEN}


def _taps(entries: _Entries, taps_from: str | None, series: int | None) -> tuple[float | None, ...]:
    most = min(most_taps(taps_from, series), TAPS_MAX)
    taps: dict[int, float] = {}
    for key in [key for key in entries.left if _TAP.fullmatch(key)]:
        index = int(key.removeprefix("taps."))
        if index >= most or key != f"taps.{index}":
            continue  # stays, and so is unread: the pack has no such tap
        value = entries.take(key, partial(_tap, key))
        if value is not None:
            taps[index] = value
    return tuple(taps.get(index) for index in range(max(taps) + 1)) if taps else ()


def _tap(key: str, text: str) -> float | None:
    number = typed_number(key, text)
    return None if number is None else checked_tap(number, Location(FORM))


def _probes(entries: _Entries) -> tuple[Probe, ...]:
    found = {key: _PROBE.fullmatch(key) for key in entries.left}
    indices = sorted({int(match[1]) for match in found.values() if match})
    probes: list[Probe] = []
    for index in indices:
        stem = f"probe.{index}"
        parts = {part: entries.take(f"{stem}.{part}", read) for part, read in PROBE_READERS.items()}
        curve = _together(entries, stem, _CURVE_KEYS, _curve)
        name = parts["name"]
        if name is None or any(probe.name == name for probe in probes):
            if name is not None:
                twice = InputError(f"two probes are named {quote(name)}", FORM, "they could not be told apart", "give each a name of its own")
                entries.set_aside(f"{stem}.name", name, twice)
            name = next(str(number) for number in range(index + 1, 1000) if all(probe.name != str(number) for probe in probes))
        probes.append(Probe(name, parts["ohm"], parts["place"] or "", parts["temperature_c"], curve[0] if curve else None))
    return tuple(probes)


def _ohm(text: str) -> float | None:
    number = typed_number("ohm", text)
    return None if number is None else checked_ohm(number, Location(FORM))


def _probe_temperature(text: str) -> float | None:
    number = typed_number("temperature_c", text)
    return None if number is None else checked_probe_temperature(number, Location(FORM))


PROBE_READERS: dict[str, Callable[[str], Any]] = {
    "name": lambda text: checked_word("name", text, Location(FORM)), "ohm": _ohm,
    "place": lambda text: checked_words("place", text, Location(FORM)), "temperature_c": _probe_temperature,
}
"""How the fields of a thermistor are read."""
_CURVE_KEYS = ("r25_ohm", "b_k", "a", "b", "c", "a1", "b1", "c1", "d1", "r25_tolerance", "b_tolerance")


def _curve(typed: dict[str, float]) -> Any:
    return thermistor_from_dict(typed, FORM)


# ---- sheet to form -----------------------------------------------------------------------------------------------


def form_from_sheet(sheet: BenchSheet) -> dict[str, str]:
    """The fields of a sheet, each as text; :func:`sheet_from_form` reads them to the same sheet. Fields without content are left out."""
    form: dict[str, str] = {}

    def put(key: str, value: Any) -> None:
        if value is not None and value != "":
            form[key] = value if isinstance(value, str) else number_text(value)

    for key in PACK_KEYS:
        value = getattr(sheet.pack, key)
        if key in _WINDOWS and value is not None:
            put(f"pack.{key}.low", value[0])
            put(f"pack.{key}.high", value[1])
        elif key in ("thermistor", "correction"):
            for name, number in (stated_values(value) if value is not None else {}).items():
                put(f"pack.{key}.{name}", number)
        else:
            put(f"pack.{key}", value)
    for key in _TEXT_KEYS:
        put(key, getattr(sheet, key))
    for item, word in sheet.look.items():
        put(f"look.{item}", word)
    for key, value in {"name": sheet.meter.name, **sheet.meter.written()}.items():
        put(f"meter.{key}", value)
    put("taken_at", sheet.taken_at)
    put("taken_by", sheet.taken_by)
    for key in READINGS:
        put(key, getattr(sheet, key) if key != "board_current_ma" else None if sheet.board_current_a is None else milliampere(sheet.board_current_a))
    put("taps_from", sheet.taps_from)
    for index, tap in enumerate(sheet.taps_v):
        put(f"taps.{index}", "-" if tap is None else tap)
    for index, probe in enumerate(sheet.probes):
        put(f"probe.{index}.name", probe.name)
        put(f"probe.{index}.ohm", probe.ohm)
        put(f"probe.{index}.place", probe.place)
        put(f"probe.{index}.temperature_c", probe.temperature_c)
        for name, number in (stated_values(probe.curve) if probe.curve is not None else {}).items():
            put(f"probe.{index}.{name}", number)
    for key, value in sheet.observed.items():
        put(f"observed.{key}", value)
    for key, text in sheet.unread:
        form[key] = text
    return form
