"""The multimeter of a bench sheet: limits of error of its voltages, resistances and currents."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from cycler.datasheet import BadStatement, parse_statement
from cycler.errors import InputError, Location, quote
from cycler.instrument import Instrument, instrument_from_pack
from cycler.tomlsource import checked_number, checked_word, line_of_key, only_table, refuse_key

METER_CHANNELS: dict[str, tuple[str, ...]] = {
    "voltage": ("voltage", "voltage_gain", "voltage_offset_v", "voltage_digit_v", "voltage_range_v"),
    "resistance": ("resistance", "resistance_gain", "resistance_offset_ohm", "resistance_digit_ohm", "resistance_range_ohm"),
    "current": ("current", "current_gain", "current_offset_a", "current_digit_a", "current_range_a"),
}
"""Keys of [meter] by what is measured."""


@dataclass(frozen=True, slots=True)
class Meter:
    """The multimeter. Limits of error as in its data sheet; resistance as fraction of reading and ohm.

    ``voltage`` uses the channel ``group_voltage`` of an :class:`Instrument` for every voltage of the sheet: one meter reads them all.

    Attributes
    ----------
    stated : mapping
        The keys of [meter] as they stood in the sheet, so that it can be written again.
    defaulted : tuple of str
        "voltage", "resistance", "current": those of which the sheet says nothing and for which the defaults count.
    """

    name: str = ""
    voltage: Instrument = field(default_factory=Instrument)
    resistance_gain: float = 0.01
    resistance_offset_ohm: float = 1.0
    current_gain: float = 0.02
    current_offset_a: float = 0.0001
    stated: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))
    defaulted: tuple[str, ...] = ()

    def is_one_limit(self, channel: str) -> bool:
        """Whether gain and zero error of "voltage", "resistance" or "current" are parts of one line of a data sheet, and so add up."""
        return channel in self.stated

    def written(self) -> dict[str, str | float]:
        """The keys of [meter] that read to this meter again, without its name."""
        if self.stated or self == Meter(name=self.name, defaulted=self.defaulted):
            return dict(self.stated)
        gain, offset_v, _digit = self.voltage.limits("group_voltage")
        return {
            "voltage_gain": gain, "voltage_offset_v": offset_v, "resistance_gain": self.resistance_gain, "resistance_offset_ohm": self.resistance_offset_ohm,
            "current_gain": self.current_gain, "current_offset_a": self.current_offset_a,
        }


def meter_from_dict(data: Mapping[str, Any], name: str = "sheet", text: str = "") -> Meter:
    """The multimeter from the parsed table [meter].

    Raises
    ------
    InputError
        Unknown key, a line of a data sheet that cannot be understood (says the character), digits or a range of unknown size, a gain that no meter has.
    """
    table = only_table(text, "meter")
    where = {key: Location(name, line_of_key(table, key)) for key in data}
    known = ["name", *(key for keys in METER_CHANNELS.values() for key in keys)]
    for key in data:
        if key not in known:
            refuse_key(key, known, where[key])
    # The keys of voltage and current are those of an instrument; its checks find their lines below a line [instrument].
    bench_text = re.sub(r"^(\s*\[\s*)[\"']?meter[\"']?(\s*\])", r"\1instrument\2", table, flags=re.MULTILINE)
    beside = {key: value for key, value in data.items() if key in METER_CHANNELS["voltage"] + METER_CHANNELS["current"]}
    bench = instrument_from_pack(beside, name, bench_text)
    stated = {channel: any(key in data for key in keys) for channel, keys in METER_CHANNELS.items()}
    gain, offset_ohm = _resistance_limits(data, where, Location(name, line_of_key(table, "resistance"))) if stated["resistance"] else (0.01, 1.0)
    current = bench.limits("current")[:2] if stated["current"] else (0.02, 0.0001)
    return Meter(
        name=checked_word("name", data["name"], where["name"]) if data.get("name") else "", voltage=bench, resistance_gain=gain, resistance_offset_ohm=offset_ohm,
        current_gain=current[0], current_offset_a=current[1],
        stated=MappingProxyType({key: value if isinstance(value, str) else float(value) for key, value in data.items() if key != "name" and value is not None}),
        defaulted=tuple(channel for channel, said in stated.items() if not said),
    )


def _resistance_limits(data: Mapping[str, Any], where: Mapping[str, Location], at: Location) -> tuple[float, float]:
    """Gain [fraction] and zero error [ohm] of the ohmmeter."""
    numbers: dict[str, float] = {}
    for key in METER_CHANNELS["resistance"][1:]:
        if key in data:
            numbers[key] = checked_number(key, data[key], where[key])
            if numbers[key] < 0.0:
                raise InputError(f"{key} is negative", where[key], f"found {quote(data[key])}", "a limit of error is a half-width, zero or more")
    if "resistance" not in data:
        gain = numbers.get("resistance_gain", 0.0)
        if gain >= 0.2:
            raise InputError("resistance_gain is too large", where["resistance_gain"], f"found {gain:g}; it is a fraction of reading", "0.8 % is written 0.008")
        return gain, numbers.get("resistance_offset_ohm", 0.0)
    text = checked_word("resistance", data["resistance"], at, 'resistance = "0.8 % of reading + 2 digits"', only_text=True)
    try:
        said = parse_statement(text, "resistance")
    except BadStatement as error:
        raise InputError(f"resistance: {error.what}", at, error.why, error.mend) from None
    for need, key, what in ((said.digits, "resistance_digit_ohm", "digits"), (said.of_range, "resistance_range_ohm", "a range")):
        if need and not numbers.get(key):
            raise InputError(
                f"resistance counts with {what} of unknown size", at, f"found {quote(text, 60)}", f"add {key} = 10, or whatever it is on your meter in that range",
            )
    widen = math.sqrt(3.0) / said.coverage_factor if said.coverage_factor else 1.0
    if said.of_reading >= 0.2:
        raise InputError("resistance is stated too coarse", at, f"found {quote(text, 60)}", "check the percent sign and the decimals")
    offset = said.absolute + said.digits * numbers.get("resistance_digit_ohm", 0.0) + said.of_range * numbers.get("resistance_range_ohm", 0.0)
    return said.of_reading * widen, offset * widen
