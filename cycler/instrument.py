"""The bench: limits of error of each channel, in numbers, as data-sheet texts, or in a file of their own."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from cycler.datasheet import BadStatement, Statement, parse_statement
from cycler.errors import InputError, Location, quote
from cycler.tomlsource import (
    INSTRUMENT_FILE,
    checked_number,
    checked_word,
    kept_names,
    parse_toml,
    read_bytes,
    refuse_key,
)

_ROOT_3 = math.sqrt(3.0)
CHANNELS: dict[str, tuple[str, str]] = {
    "voltage": ("voltage", "v"), "group_voltage": ("voltage", "v"), "current": ("current", "a"),
    "temperature": ("temperature", "c"), "clock": ("time", ""),
}
"""Channels of a bench: dimension and ending of the keys; a clock has neither zero, digit nor range."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """Limits of error of the bench (half-widths, rectangular unless said).

    The defaults are the tolerances that the capacity standards for portable and industrial cells ask of the
    measuring chain (voltage 1 %, current 1 %, temperature 2 degC, time 0.1 %; from memory, kept configurable)
    and a couple of digits of a usual meter as zero errors (common practice, no source): used when PACK.toml declares no
    instrument, and then said so (``declared`` is False).

    Where a calibration certificate was stated (U, k), the half-width kept is sqrt(3) U / k: the rectangular distribution
    whose standard uncertainty is U / k, so that all budgets hold.

    Attributes
    ----------
    voltage_digit_v, group_voltage_digit_v, current_digit_a, temperature_digit_c : float or None
        Size of the digit that the channel's limit counts; rounding to it is inside that limit. None: the limit names no digits.
    stated : tuple of (channel, text)
        Channels given as a line of a data sheet or certificate. The parts of such a line are one limit of error: in one
        reading they add up. Parts stated as separate keys are two limits that know nothing of each other.
    file, sha256 : str or None
        Name and digest of the instrument file that this was read from.
    """

    voltage_gain: float = 0.01
    voltage_offset_v: float = 0.02
    group_voltage_gain: float = 0.01
    group_voltage_offset_v: float = 0.005
    current_gain: float = 0.01
    current_offset_a: float = 0.01
    temperature_offset_c: float = 2.0
    clock_gain: float = 0.001
    sense: str = "four-wire"
    lead_resistance_ohm: float = 0.0
    id: str | None = None
    declared: bool = False
    defaulted: tuple[str, ...] = ()
    temperature_gain: float = 0.0
    voltage_digit_v: float | None = None
    group_voltage_digit_v: float | None = None
    current_digit_a: float | None = None
    temperature_digit_c: float | None = None
    stated: tuple[tuple[str, str], ...] = ()
    file: str | None = None
    sha256: str | None = None

    def limits(self, channel: str) -> tuple[float, float, float]:
        """Gain [fraction], zero error and digit within the limit [V, A, degC] of a channel of :data:`CHANNELS` other than the clock."""
        ending = CHANNELS[channel][1]
        digit = getattr(self, f"{channel}_digit_{ending}") or 0.0
        return getattr(self, f"{channel}_gain"), getattr(self, f"{channel}_offset_{ending}"), digit

    def is_one_limit(self, channel: str) -> bool:
        """Whether gain and zero error of a channel are parts of one statement."""
        return any(name == channel for name, _ in self.stated)

    def of_group_sum(self, series: int) -> Instrument:
        """The bench where pack voltage is the sum of ``series`` groups: one gain, zero errors independent."""
        stated = tuple(item for item in self.stated if item[0] != "voltage")
        stated += tuple(("voltage", text) for name, text in self.stated if name == "group_voltage")
        return replace(
            self, voltage_gain=self.group_voltage_gain, voltage_offset_v=self.group_voltage_offset_v * math.sqrt(series),
            voltage_digit_v=self.group_voltage_digit_v, stated=stated,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values; ``stated`` is a dict."""
        return asdict(self) | {"defaulted": list(self.defaulted), "stated": dict(self.stated)}


def instrument_from_stored(data: Mapping[str, Any]) -> Instrument:
    """What :meth:`Instrument.to_dict` gave, of this or an earlier version; unknown keys are passed over, nothing is checked."""
    known = {item.name for item in fields(Instrument)}
    values = {key: value for key, value in data.items() if key in known}
    values["defaulted"] = tuple(values.get("defaulted") or ())
    values["stated"] = tuple((values.get("stated") or {}).items())
    return Instrument(**values)


_SAME_BENCH = ("voltage_gain", "voltage_offset_v", "group_voltage_gain", "group_voltage_offset_v", "current_gain", "current_offset_a",
               "temperature_gain", "temperature_offset_c", "clock_gain", "lead_resistance_ohm")


def limits_key(data: Mapping[str, Any]) -> tuple[Any, ...]:
    """Id, wiring and limits of an ``instrument`` object, however and wherever these were stated: equal for one bench."""
    values = Instrument().to_dict() | dict(data)
    return (values["id"], values["sense"], *(f"{float(values[key] or 0.0):.9g}" for key in _SAME_BENCH))


# ---- reading -----------------------------------------------------------------------------------------------------

# Half-width that a declared instrument's clock counts with when nothing is said of it: a quartz drifts less than 100 ppm
# (common practice, no source).
_DECLARED_CLOCK_GAIN = 0.0001
_LIMITS_OF_ERROR = (
    "voltage_gain", "voltage_offset_v", "group_voltage_gain", "group_voltage_offset_v", "current_gain", "current_offset_a",
    "temperature_offset_c",
)
GAIN_CEILING = 0.1
"""A gain of this size or more is a slip: 0.5 for 0.5 %. No meter of a bench errs so far. Common practice, no source."""
# Zero errors above these are a slip of unit (20 for 20 mV). Common practice, no source.
_CEILING = {
    "voltage_offset_v": 10.0, "group_voltage_offset_v": 1.0, "current_offset_a": 20.0, "temperature_offset_c": 20.0,
    "lead_resistance_ohm": 10.0,
}
_RANGE_CEILING = {"v": 2000.0, "a": 5000.0, "c": 2000.0}
_UNIT = {"v": "V", "a": "A", "c": "°C"}
_WIRING = ("sense", "lead_resistance_ohm")
# Kept with a resolved instrument; a person does not write them.
_KEPT = {"declared", "defaulted", "stated", "file", "sha256"}
_DIGITS = {f"{name}_digit_{ending}": name for name, (_, ending) in CHANNELS.items() if ending}
_RANGES = {f"{name}_range_{ending}": name for name, (_, ending) in CHANNELS.items() if ending}
_KEYS = {item.name for item in fields(Instrument)} - _KEPT | set(CHANNELS) | set(_RANGES)


@dataclass(frozen=True, slots=True)
class _Source:
    """Where the keys of an instrument stand: a text, and the table in it unless the text is all of it."""

    file: str
    text: str = ""
    table: str | None = None

    def at(self, key: str, value: str | None = None, offset: int = 0) -> Location:
        """Line of a key, and with ``value`` the character in the line at which its ``offset`` stands, both from 1 where they can be found."""
        lines = self.text.splitlines()
        word = rf"""["']?{re.escape(key)}["']?\s*="""
        first, patterns = 0, [rf"^\s*{word}"]
        if self.table is not None:
            table = rf"""["']?{re.escape(self.table)}["']?"""
            headers = [n for n, line in enumerate(lines) if re.match(rf"^\s*\[\s*{table}\s*\]", line)]
            first = headers[0] + 1 if headers else 0
            if not headers:
                patterns = [rf"^\s*{table}\s*\.\s*{word}", rf"^\s*{table}\s*=\s*\{{.*?[{{,\s]{word}", rf"^\s*{table}\s*="]
        for pattern in patterns:
            for number, line in enumerate(lines[first:], first + 1):
                if found := re.search(pattern, line):
                    start = line.find(value, found.end()) if value else -1
                    return Location(self.file, number, start + offset + 1 if start >= 0 else None)
        return Location(self.file)


def load_instrument(path: str | Path) -> Instrument:
    """Read an instrument file: the keys of [instrument] by themselves, or under that header.

    Raises
    ------
    InputError
        File missing or not TOML, unknown key, a text or number that is no limit of error; says file, line and character.
    """
    data, source, digest = _read_file(path)
    return _resolved(data, source, digest)


def _read_file(path: str | Path) -> tuple[dict[str, Any], _Source, str]:
    raw = read_bytes(path, INSTRUMENT_FILE)
    data, text = parse_toml(raw, str(path), INSTRUMENT_FILE)
    table = "instrument" if set(data) == {"instrument"} and isinstance(data["instrument"], dict) else None
    data = data["instrument"] if table else data
    source = _Source(str(path), text, table)
    if not data:
        raise InputError("the instrument file is empty", Location(str(path)), "it states no limit of error", "write lines like current = \"0.5 % of reading + 5 mA\"")
    return data, source, hashlib.sha256(raw).hexdigest()


def _resolved(data: dict[str, Any], source: _Source, digest: str) -> Instrument:
    return replace(_from_table(data, source), file=Path(source.file).name, sha256=digest)


def instrument_from_pack(value: Any, file: str = "pack", text: str = "", folder: Path | None = None) -> Instrument:
    """What a pack file says of its bench: a table, the name of an instrument file, or a table that names one.

    Parameters
    ----------
    value : dict, str or None
    file, text : str
        The pack file, for messages.
    folder : Path, optional
        That the name of an instrument file is relative to; without it none is opened.

    Raises
    ------
    InputError
        As :func:`load_instrument`.
    """
    source = _Source(file, text, "instrument")
    if value is None or value == {}:
        return Instrument()
    if isinstance(value, str):
        return _from_named(value, {}, _Source(file, text), "instrument", folder)
    if not isinstance(value, dict):
        raise InputError(
            "instrument is not a table", _Source(file, text).at("instrument"), f"found {quote(value)}",
            "write the limits of error under a line [instrument], or the name of an instrument file: instrument = \"bench.toml\"",
        )
    if value.get("file") is not None:
        beside = {key: entry for key, entry in value.items() if key != "file" and entry is not None}
        for key in beside:
            if key not in _WIRING:
                raise InputError(
                    f"{key} stands beside the file of the instrument", source.at(key), "what holds could not be told",
                    f"write it in the instrument file; only {' and '.join(_WIRING)} belong to the test and may stand here",
                )
        return _from_named(value["file"], beside, source, "file", folder)
    return _from_table(value, source)


def _from_named(name: Any, beside: dict[str, Any], source: _Source, key: str, folder: Path | None) -> Instrument:
    where = source.at(key)
    name = checked_word(key, name, where, 'instrument = "bench.toml"')
    if folder is None:
        raise InputError(
            f"the instrument file {quote(name)} was not given along", where, "only the pack file is here, and no other file is looked for",
            "copy the lines of the instrument file into the pack file, under a line [instrument]",
        )
    path = folder / name
    try:
        read_bytes(path, INSTRUMENT_FILE)
    except InputError as error:
        raise InputError(error.what, where, f"{quote(path, 120)}: {error.why}", f"{error.mend}; it is looked for beside the pack file") from None
    data, own, digest = _read_file(path)
    wiring = _from_table(beside, source) if beside else None
    bench = _resolved(data, own, digest)
    return replace(bench, **{item: getattr(wiring, item) for item in beside}) if wiring else bench


def with_instrument_file(declared: Instrument, path: str | Path) -> Instrument:
    """The bench of an instrument file in place of the one declared with a pack; how the leads were laid stays unless the file says it."""
    data, source, digest = _read_file(path)
    bench = _resolved(data, source, digest)
    return replace(bench, **{key: getattr(declared, key) for key in _WIRING if key not in data})


def _from_table(data: dict[str, Any], source: _Source) -> Instrument:
    data = {key: value for key, value in data.items() if not (key in _KEPT and (value is None or value in ({}, [], ())))}
    values: dict[str, Any] = {}
    texts: dict[str, tuple[str, Statement]] = {}
    for key, value in data.items():
        if key in ("declared", "defaulted"):
            continue
        where = source.at(key)
        if key not in _KEYS:
            refuse_key(key, sorted(_KEYS), where)
        if value is None:
            continue
        if key in CHANNELS:
            texts[key] = _statement(key, value, source)
        elif key == "id":
            values[key] = checked_word(key, value, where)
        elif key == "sense":
            if value not in ("four-wire", "two-wire"):
                raise InputError(f"unknown sense {quote(value)}", where, "it tells where pack voltage is taken", '"four-wire" or "two-wire"')
            values[key] = value
        else:
            values[key] = _checked(key, value, where)
    if not bool(data.get("declared", True)):
        return Instrument(**{key: value for key, value in values.items() if key not in _RANGES}, declared=False)
    stated = {
        channel: words for channel in CHANNELS if (words := _resolve(channel, texts.get(channel), values, source)) is not None
    }
    # A group channel that is not described counts like the pack's.
    if not {"group_voltage_gain", "group_voltage_offset_v"} & set(values):
        for part in ("gain", "offset_v", "digit_v"):
            if f"voltage_{part}" in values:
                values[f"group_voltage_{part}"] = values[f"voltage_{part}"]
        if "voltage" in stated:
            stated["group_voltage"] = stated["voltage"]
    values.setdefault("clock_gain", _DECLARED_CLOCK_GAIN)
    defaulted = tuple(key for key in _LIMITS_OF_ERROR if key not in values)
    return Instrument(
        **values, declared=True, defaulted=kept_names(data.get("defaulted"), _LIMITS_OF_ERROR) or defaulted,
        stated=tuple((channel, stated[channel]) for channel in CHANNELS if channel in stated),
    )


def _checked(key: str, value: Any, where: Location) -> float:
    """A limit of error, digit or range in numbers."""
    if isinstance(value, str) and key.removesuffix("_gain") in CHANNELS:
        channel = key.removesuffix("_gain")
        raise InputError(
            f"{key} is not a number", where, f"found {quote(value)}",
            f'write {key} = 0.005 for 0.5 %, or the line of the data sheet as it is: {channel} = "0.5 % of reading"',
        )
    number = checked_number(key, value, where)
    if number < 0:
        raise InputError(f"{key} is negative", where, f"found {quote(value)}", "a limit of error is a half-width, zero or more")
    if key in _DIGITS or key in _RANGES:
        if number == 0:
            raise InputError(f"{key} is zero", where, f"found {quote(value)}", "write its size, or leave the line out")
        ceiling = _CEILING[key.replace("_digit_", "_offset_")] if key in _DIGITS else _RANGE_CEILING[key[-1]]
    elif key.endswith("_gain"):
        if number >= GAIN_CEILING:
            raise InputError(f"{key} is too large", where, f"found {quote(value)}; it is a fraction of reading", "0.5 % is written 0.005")
        return number
    else:
        ceiling = _CEILING[key]
    if number > ceiling:
        raise InputError(f"{key} is implausibly large", where, f"found {quote(value)}", "check the unit: the key's ending tells it")
    return number


def _statement(channel: str, value: Any, source: _Source) -> tuple[str, Statement]:
    example = '"50 ppm"' if channel == "clock" else '"1 degC"' if channel == "temperature" else '"0.5 % of reading + 2 digits"'
    text = checked_word(channel, value, source.at(channel), f"{channel} = {example}", only_text=True)
    try:
        return text, parse_statement(text, CHANNELS[channel][0])
    except BadStatement as error:
        raise InputError(f"{channel}: {error.what}", source.at(channel, text, error.at), error.why, error.mend) from None


def _resolve(channel: str, entry: tuple[str, Statement] | None, values: dict[str, Any], source: _Source) -> str | None:
    """Gain, zero error and digit of a channel from its text, put into ``values``; the text, with the range it counts with.

    Its digit and range keys must have a use.
    """
    ending = CHANNELS[channel][1]
    gain_key, offset_key = f"{channel}_gain", f"{channel}_offset_{ending}"
    digit_key, range_key = f"{channel}_digit_{ending}", f"{channel}_range_{ending}"
    digit, full = values.pop(digit_key, None), values.pop(range_key, None)
    for key, size, used, words in (
        (digit_key, digit, entry is not None and entry[1].digits, "+ 2 digits"), (range_key, full, entry is not None and entry[1].of_range, "+ 0.02 % of range"),
    ):
        if size is not None and not used:
            raise InputError(
                f"{key} has no use", source.at(key), f"{channel} does not count with it" if entry else f"{channel} is not stated as a text",
                f'write {channel} = "0.5 % of reading {words}", or leave {key} out',
            )
    if entry is None:
        return None
    text, said = entry
    for key in (gain_key, offset_key):
        if key in values:
            raise InputError(
                f"{channel} is stated twice", source.at(key), f"as {quote(text)} and by {key}", f"leave out one of {channel} and {key}",
            )
    for need, size, key, what, like, which in (
        (said.digits, digit, digit_key, "digits", "0.01", "the last place of its display"),
        (said.of_range, full, range_key, "a range", "20.0", "the range it was set to"),
    ):
        if need and size is None:
            raise InputError(
                f"{channel} counts with {what} of unknown size", source.at(channel, text), f"found {quote(text, 60)}",
                f"add {key} = {like}, or whatever it is on your meter: {which}",
            )
    offset = said.absolute + said.digits * (digit or 0.0) + said.of_range * (full or 0.0)
    where = source.at(channel, text)
    if max(said.of_reading, said.of_range) >= GAIN_CEILING:
        raise InputError(
            f"{channel} is stated too coarse", where, f"{quote(text, 60)} is {100 * max(said.of_reading, said.of_range):.3g} %; a meter that errs so far measures nothing",
            "check the percent sign and the decimals",
        )
    if ending and offset > _CEILING[offset_key]:
        unit = _UNIT[ending]
        raise InputError(
            f"{channel} has an implausibly large zero error", where, f"{quote(text, 60)} comes to {offset:.3g} {unit} beside the share of reading",
            f"check the unit and the digit; more than {_CEILING[offset_key]:g} {unit} is no measurement",
        )
    if said.of_reading == 0 and offset == 0:
        raise InputError(f"{channel} is stated to have no error", where, f"found {quote(text, 60)}", "write the limit of error from its data sheet")
    half_width = _ROOT_3 / said.coverage_factor if said.coverage_factor else 1.0
    values[gain_key] = said.of_reading * half_width
    if ending:
        values[offset_key] = offset * half_width
        digits = [size for size in (digit, said.digit_size) if size]
        if digits:
            values[digit_key] = max(digits)
    return text + (f" (range {full:g} {_UNIT[ending]})" if full else "")
