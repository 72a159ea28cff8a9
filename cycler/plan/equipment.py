"""What stands on the bench: charger, load and logger as a test plan needs to know them, read from EQUIPMENT.toml.

Ratings are those of a data sheet or type plate. A table that is left out says that there is no such thing at hand.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.instrument import Instrument, instrument_from_pack, instrument_from_stored
from cycler.pack import CHEMISTRIES
from cycler.tomlsource import checked_number, checked_word, load_toml, parse_toml, refuse_key

EQUIPMENT_FILE = "equipment file"
LOAD_MODES = ("cc", "cp", "cr")
"""Constant current, constant power, constant resistance (lamps, heaters)."""


@dataclass(frozen=True, slots=True)
class Charger:
    """A charger or power supply.

    Attributes
    ----------
    max_voltage_v, max_current_a : float
        The most that can be set; of a charger that cannot be set (``adjustable`` false) what it does.
    can_taper : bool
        Whether it holds its voltage while the current falls (CC/CV) and lets the current fall to the taper.
    adjustable : bool
        Whether voltage and current can be set.
    chemistries : tuple of str
        Those it is made for; empty: not stated, as of a power supply.
    """

    name: str = ""
    max_voltage_v: float = 0.0
    max_current_a: float = 0.0
    can_taper: bool = True
    adjustable: bool = True
    chemistries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Load:
    """An electronic load, or lamps and resistors.

    ``min_voltage_v`` is the lowest voltage at which it still draws its current; ``stops_itself`` tells whether it switches off at a voltage
    that is set, without anybody watching.
    """

    name: str = ""
    max_current_a: float = 0.0
    max_power_w: float = 0.0
    min_voltage_v: float = 0.0
    modes: tuple[str, ...] = ("cc",)
    stops_itself: bool = True


@dataclass(frozen=True, slots=True)
class Logger:
    """What writes the readings down.

    Attributes
    ----------
    taps : int
        Groups whose voltage it logs; -1: as many as any pack has.
    fastest_interval_s : float
        Shortest time between two rows. [s]
    interval_can_change : bool
        Whether the interval can differ from step to step of one log.
    max_rows, max_hours : float or None
        What fits in one log.
    group_voltage_resolution_v, group_voltage_noise_v : float or None
        Step of a group's reading, and its standard deviation at rest. [V]
    """

    name: str = ""
    pack_voltage: bool = True
    current: bool = True
    taps: int = 0
    temperature: bool = False
    fastest_interval_s: float = 1.0
    interval_can_change: bool = True
    max_rows: float | None = None
    max_hours: float | None = None
    group_voltage_resolution_v: float = 0.001
    group_voltage_noise_v: float | None = None


@dataclass(frozen=True, slots=True)
class Equipment:
    """The bench. None is what is not at hand; ``instrument`` holds limits of error, in place of those in the pack file, if any are stated."""

    charger: Charger | None = None
    load: Load | None = None
    logger: Logger | None = None
    extras: tuple[tuple[str, str], ...] = ()
    instrument: Instrument = field(default_factory=Instrument)
    name: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values; see :func:`equipment_from_dict` for the way back."""
        parts = {part: asdict(value) for part in ("charger", "load", "logger") if (value := getattr(self, part)) is not None}
        for part in parts.values():
            for key, value in part.items():
                part[key] = list(value) if isinstance(value, tuple) else value
        kept = {"name": self.name, **parts, "extra": [{"name": name, "words": words} for name, words in self.extras]}
        return kept | ({"instrument": self.instrument.to_dict()} if self.instrument.declared else {})


_PARTS: dict[str, type] = {"charger": Charger, "load": Load, "logger": Logger}
_NEEDED_WORDS = {
    "max_voltage_v": "its highest voltage in V", "max_current_a": "its highest current in A", "max_power_w": "its highest power in W",
    "fastest_interval_s": "its shortest time between rows in s",
}
_NEEDED = {"charger": ("max_voltage_v", "max_current_a"), "load": ("max_current_a", "max_power_w"), "logger": ("fastest_interval_s",)}
_LISTS = {"chemistries": CHEMISTRIES, "modes": LOAD_MODES}
_FLAGS = {"can_taper", "adjustable", "stops_itself", "pack_voltage", "current", "temperature", "interval_can_change"}
_WORDS = {"name", "words"}
_ZERO_ALLOWED = {"min_voltage_v", "group_voltage_noise_v"}
# Above these a figure is a slip of unit. Common practice, no source.
_CEILING = {
    "max_voltage_v": 1000.0, "max_current_a": 1000.0, "max_power_w": 100000.0, "min_voltage_v": 1000.0, "fastest_interval_s": 86400.0,
    "max_rows": 1e9, "max_hours": 1e5, "group_voltage_resolution_v": 0.5, "group_voltage_noise_v": 0.5,
}
_FLOOR = {"max_voltage_v": 0.1, "max_current_a": 1e-3, "max_power_w": 1e-2, "fastest_interval_s": 1e-4, "max_rows": 1.0, "max_hours": 1e-2}
_GROUPS_MAX = 200


@dataclass(frozen=True, slots=True)
class _Place:
    """Where keys stand: file, text and table."""

    file: str
    text: str
    table: str = ""
    occurrence: int = 0

    def of(self, key: str) -> Location:
        if not self.text:
            return Location(f"{self.file}, {self.table}" if self.table else self.file)
        lines = self.text.splitlines()
        first, last = 0, len(lines)
        if self.table:
            heads = [n for n, line in enumerate(lines) if re.match(rf"\s*\[{{1,2}}\s*{re.escape(self.table)}\s*\]{{1,2}}", line)]
            if len(heads) <= self.occurrence:
                return Location(self.file)
            first = heads[self.occurrence]
            last = next((n for n in range(first + 1, len(lines)) if lines[n].lstrip().startswith("[")), last)
        for number in range(first, last):
            if re.match(rf"""\s*["']?{re.escape(key)}["']?\s*[=.]""", lines[number]) or (not self.table and re.match(rf"\s*\[+\s*{re.escape(key)}\b", lines[number])):
                return Location(self.file, number + 1)
        return Location(self.file, first + 1 if self.table else None)


def load_equipment(path: str | Path) -> Equipment:
    """Read EQUIPMENT.toml.

    Raises
    ------
    InputError
        File missing or not TOML, unknown table or key (near ones are offered), a rating missing, of the wrong kind or impossible; says file
        and line.
    """
    data, text = load_toml(path, EQUIPMENT_FILE)
    return equipment_from_dict(data, str(path), text, Path(path).parent)


def equipment_from_text(text: str, name: str) -> Equipment:
    """The same for a text that stands in no file of ours; the name of an instrument file in it cannot be followed."""
    data, text = parse_toml(text.encode("utf-8"), name, EQUIPMENT_FILE)
    return equipment_from_dict(data, name, text)


def equipment_from_dict(data: Mapping[str, Any], file: str = "equipment", text: str = "", folder: Path | None = None) -> Equipment:
    """:class:`Equipment` from parsed TOML, a form, or what :meth:`Equipment.to_dict` gave. See :func:`load_equipment` for what it raises."""
    place = _Place(file, text)
    known = ["name", *_PARTS, "extra", "instrument"]
    parts: dict[str, Any] = {}
    for key, value in data.items():
        if key not in known:
            refuse_key(key, known, place.of(key))
        if key in _PARTS and value is not None:
            parts[key] = _part(key, value, _Place(file, text, key))
    if not parts:
        raise InputError(
            "the equipment file names no equipment", Location(file), "it has no table [charger], [load] or [logger]",
            "write what stands on the bench; a sample is sample_logs/equipment.toml",
        )
    stated = data.get("instrument")
    if isinstance(stated, Mapping) and "declared" in stated:
        bench = instrument_from_stored(stated)
    else:
        bench = instrument_from_pack(stated, file, text, folder)
    name = data.get("name") or ""
    return Equipment(
        **parts, extras=_extras(data.get("extra"), file, text), instrument=bench, name=checked_word("name", name, place.of("name")) if name else "",
    )


def _part(table: str, value: Any, place: _Place) -> Any:
    if not isinstance(value, Mapping):
        raise InputError(f"{table} is not a table", place.of(table), f"found {quote(value)}", f"write a line [{table}] and the keys below it")
    kind = _PARTS[table]
    known = [item.name for item in fields(kind)]
    values: dict[str, Any] = {}
    for key, entry in value.items():
        if key not in known:
            refuse_key(key, known, place.of(key))
        if entry is not None and entry != "":
            values[key] = _checked(key, entry, place.of(key))
    for key in _NEEDED[table]:
        if key not in values:
            raise InputError(
                f"{table} has no {key}", place.of(table), f"{_NEEDED_WORDS[key]} is not stated, and without it nobody can tell whether it can do a step",
                f"look on its type plate; in a file write {key} = 10 under [{table}]",
            )
    return kind(**values)


def _checked(key: str, value: Any, where: Location) -> Any:
    if key in _WORDS:
        return checked_word(key, value, where)
    if key in _FLAGS:
        if not isinstance(value, bool):
            raise InputError(f"{key} is neither true nor false", where, f"found {quote(value)}", f"write {key} = true or {key} = false, without quotes")
        return value
    if key in _LISTS:
        return _checked_list(key, value, where)
    if key == "taps":
        return _checked_taps(value, where)
    number = checked_number(key, value, where)
    if number < 0 or (number == 0 and key not in _ZERO_ALLOWED):
        raise InputError(f"{key} must be above zero", where, f"found {quote(value)}", "correct it, or leave out the table of what is not at hand")
    if number < _FLOOR.get(key, 0.0):
        raise InputError(f"{key} is implausibly small", where, f"found {quote(value)}, less than {_FLOOR[key]:g}", "check the unit: the key's ending tells it")
    if number > _CEILING[key]:
        raise InputError(f"{key} is implausibly large", where, f"found {quote(value)}, more than {_CEILING[key]:g}", "check the unit: the key's ending tells it")
    return number


def _checked_list(key: str, value: Any, where: Location) -> tuple[str, ...]:
    entries = [value] if isinstance(value, str) else value
    if not isinstance(entries, (list, tuple)) or not all(isinstance(entry, str) for entry in entries):
        raise InputError(f"{key} is not a list of words", where, f"found {quote(value)}", f'write {key} = ["{_LISTS[key][0]}"]')
    for entry in entries:
        if entry not in _LISTS[key]:
            raise InputError(f"unknown entry {quote(entry)} of {key}", where, "nothing here goes by that name", f"one of {', '.join(_LISTS[key])}")
    return tuple(dict.fromkeys(entries))


def _checked_taps(value: Any, where: Location) -> int:
    """Number of groups that are logged; true: all of them, false: none."""
    if isinstance(value, bool):
        return -1 if value else 0
    number = checked_number("taps", value, where)
    if number == -1:
        return -1
    if number != int(number) or not 0 <= number <= _GROUPS_MAX:
        raise InputError("taps is no number of groups", where, f"found {quote(value)}", "write taps = 10 for ten group voltages, true for all groups, or false for none")
    return int(number)


def _extras(value: Any, file: str, text: str) -> tuple[tuple[str, str], ...]:
    if value is None or value == []:
        return ()
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        raise InputError("extra is not a list of tables", _Place(file, text).of("extra"), f"found {quote(value)}", 'write [[extra]], then name = "milliohm meter"')
    found = []
    for index, item in enumerate(value):
        place = _Place(file, text, "extra", index)
        for key in item:
            if key not in _WORDS:
                refuse_key(key, sorted(_WORDS), place.of(key))
        if "name" not in item:
            raise InputError("extra has no name", place.of("extra"), "nothing tells what it is", 'write name = "milliohm meter"')
        words = item.get("words") or ""
        found.append((checked_word("name", item["name"], place.of("name")), checked_word("words", words, place.of("words")) if words else ""))
    return tuple(found)
