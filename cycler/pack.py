"""What is known of a pack and its bench before anything is measured: ratings and limits of error.

Read from PACK.toml; every key is optional. What is missing stays ``None`` and is inferred only where the
log proves it (see ``analysis``).
"""

from __future__ import annotations

import difflib
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.instrument import Instrument, instrument_from_pack, instrument_from_stored
from cycler.pack_correction import Correction, correction_from_dict, correction_from_stored
from cycler.pack_temperature import (
    WINDOW_KEYS,
    ThermistorCurve,
    checked_window,
    thermistor_from_dict,
    thermistor_from_stored,
)
from cycler.tomlsource import (
    ID_MAX,
    UNKNOWN_MAX,
    checked_number,
    checked_word,
    line_of_key,
    load_toml,
    refuse_key,
)

__all__ = ["CHEMISTRIES", "CHEMISTRY_LIMITS", "ID_MAX", "ChemistryLimits", "Instrument", "Pack", "load_pack", "pack_from_dict", "pack_from_stored"]

CHEMISTRIES = ("nmc", "nca", "lco", "lmo", "lfp", "lto", "nimh")


@dataclass(frozen=True, slots=True)
class ChemistryLimits:
    """Usual limits of one cell (or parallel group). [V]"""

    nominal_v: float
    full_v: float
    empty_v: float
    damage_v: float
    overcharge_v: float


# Full, end-of-discharge and lower-limit voltages: trade summary table of lithium-ion chemistries derived from a
# public battery handbook's overview page; lfp/lto/nimh likewise (nimh: from memory of IEC 61951-2, 1.0 V end).
# ``overcharge_v`` is full + 50 mV (lithium): common practice, no source. Configurable through PACK.toml.
CHEMISTRY_LIMITS: dict[str, ChemistryLimits] = {
    "nmc": ChemistryLimits(3.60, 4.20, 3.00, 2.50, 4.25),
    "nca": ChemistryLimits(3.60, 4.20, 3.00, 2.50, 4.25),
    "lco": ChemistryLimits(3.60, 4.20, 3.00, 2.50, 4.25),
    "lmo": ChemistryLimits(3.70, 4.20, 3.00, 2.50, 4.25),
    "lfp": ChemistryLimits(3.20, 3.65, 2.50, 2.00, 3.75),
    "lto": ChemistryLimits(2.40, 2.85, 1.80, 1.50, 2.90),
    "nimh": ChemistryLimits(1.20, 1.45, 1.00, 0.80, 1.60),
}


@dataclass(frozen=True, slots=True)
class Pack:
    """Ratings of one pack, from its label or maker's data. Unknown is ``None``.

    ``charge_temperature_c`` and ``discharge_temperature_c`` are (lowest, highest) cell temperature by the maker's data [degC];
    ``thermistor`` is the curve of its NTC sensors, ``correction`` how its capacity depends on rate and temperature.
    """

    id: str | None = None
    chemistry: str | None = None
    series: int | None = None
    parallel: int | None = None
    rated_capacity_ah: float | None = None
    rated_energy_wh: float | None = None
    charge_voltage_v: float | None = None
    cutoff_voltage_v: float | None = None
    group_charge_voltage_v: float | None = None
    group_cutoff_voltage_v: float | None = None
    taper_current_a: float | None = None
    max_charge_current_a: float | None = None
    max_discharge_current_a: float | None = None
    instrument: Instrument = field(default_factory=Instrument)
    inferred: tuple[str, ...] = ()
    charge_temperature_c: tuple[float, float] | None = None
    discharge_temperature_c: tuple[float, float] | None = None
    thermistor: ThermistorCurve | None = None
    correction: Correction | None = None

    @property
    def limits(self) -> ChemistryLimits | None:
        """Usual limits of the chemistry, or None if the chemistry is not known."""
        return CHEMISTRY_LIMITS.get(self.chemistry) if self.chemistry else None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, ``instrument`` as a nested dict."""
        values = asdict(self)
        values["inferred"] = list(self.inferred)
        values["instrument"] = self.instrument.to_dict()
        return values


_COUNT = {"series", "parallel"}
# Upper bounds that no repairable pack reaches; a value above them is a slip of unit. Common practice, no source.
_CEILING = {
    "series": 200, "parallel": 1000, "rated_capacity_ah": 2000.0, "rated_energy_wh": 200000.0,
    "charge_voltage_v": 1000.0, "cutoff_voltage_v": 1000.0, "group_charge_voltage_v": 5.0,
    "group_cutoff_voltage_v": 4.5, "taper_current_a": 500.0, "max_charge_current_a": 5000.0,
    "max_discharge_current_a": 5000.0,
}


def load_pack(path: str | Path) -> Pack:
    """Read PACK.toml.

    Raises
    ------
    InputError
        File missing or not TOML, unknown key (near ones are offered), wrong type, impossible value; says
        file and line.
    """
    data, text = load_toml(path, "pack file")
    return pack_from_dict(data, str(path), text, Path(path).parent)


_TABLES = {"instrument", "thermistor", "correction"}


def pack_from_stored(data: dict[str, Any]) -> Pack:
    """A :class:`Pack` as a register kept it: taken as it was, whatever today's checks would say; unknown keys are passed over."""
    values = {key: value for key, value in data.items() if key in {item.name for item in fields(Pack)}}
    bench = instrument_from_stored(values.pop("instrument", None) or {})
    values["inferred"] = tuple(values.get("inferred") or ())
    values |= {key: tuple(values[key]) for key in WINDOW_KEYS if values.get(key)}
    values["thermistor"] = thermistor_from_stored(values.get("thermistor"))
    values["correction"] = correction_from_stored(values.get("correction"))
    return Pack(**values, instrument=bench)


def pack_from_dict(data: dict[str, Any], file: str = "pack", text: str = "", folder: Path | None = None) -> Pack:
    """A :class:`Pack` from parsed TOML (or a form); ``folder`` is where the name of an instrument file begins, None if none may be
    opened. See :func:`load_pack` for what it raises."""
    data = dict(data)
    data.pop("inferred", None)
    instrument_data = data.pop("instrument", None)
    curve, coefficients = data.pop("thermistor", None), data.pop("correction", None)
    known = {item.name for item in fields(Pack)} - {"instrument", "inferred", "thermistor", "correction"}
    values: dict[str, Any] = {}
    for key, value in data.items():
        where = Location(file, line_of_key(text, key))
        if key not in known:
            offered = sorted(known | _TABLES)
            table = next(iter(difflib.get_close_matches(key, _TABLES, 1)), None)
            if isinstance(value, dict) and set(value) & known and table is None:
                raise InputError(
                    f"the pack's keys stand under a heading, {quote(f'[{key}]')}", where, "they are read without one, before the first table",
                    "delete that line; [instrument], [thermistor] and [correction] come below the other keys",
                )
            if isinstance(value, dict) and table is not None:
                raise InputError(f"unknown table {quote(f'[{key}]')}", where, "a mistyped heading would be ignored silently, and all that stands under it", f"did you mean [{table}]?")
            others = [other for other in data if other not in known and other != key]
            # Lines of those alone that are named: each is a search through the file.
            lines = [line_of_key(text, other) if place < UNKNOWN_MAX else None for place, other in enumerate(others)]
            refuse_key(key, offered, where, [(other, Location(file, line)) for other, line in zip(others, lines, strict=True)])
        if value is None:
            continue
        values[key] = _checked_value(key, value, where)
    instrument = instrument_from_pack(instrument_data, file, text, folder)
    thermistor = thermistor_from_dict(curve, file, text) if curve is not None else None
    correction = correction_from_dict(coefficients, file, text) if coefficients is not None else None
    pack = Pack(**values, instrument=instrument, thermistor=thermistor, correction=correction)
    _check_consistent(pack, file, text)
    return pack


def _checked_value(key: str, value: Any, where: Location) -> Any:
    if key == "id":
        return checked_word(key, value, where)
    if key == "chemistry":
        word = str(value).strip().lower()
        if word not in CHEMISTRIES:
            near = difflib.get_close_matches(word, CHEMISTRIES, n=1)
            raise InputError(
                f"unknown chemistry {quote(value)}", where, "limits of voltage depend on it",
                (f"did you mean {near[0]}? " if near else "") + f"one of {', '.join(CHEMISTRIES)}, or leave the line out",
            )
        return word
    if key in WINDOW_KEYS:
        return checked_window(key, value, where)
    number = checked_number(key, value, where)
    if number <= 0:
        raise InputError(f"{key} must be above zero", where, f"found {quote(value)}", "correct it or leave the line out")
    if number > _CEILING[key]:
        raise InputError(
            f"{key} is implausibly large", where, f"found {quote(value)}, more than {_CEILING[key]:g}",
            "check the unit: the key's ending tells it (ah, wh, v, a)",
        )
    if key in _COUNT:
        if number != int(number):
            raise InputError(f"{key} is not a whole number", where, f"found {quote(value)}", f"write {key} = 10")
        return int(number)
    return number


def _check_consistent(pack: Pack, file: str, text: str) -> None:
    pairs = (
        ("cutoff_voltage_v", "charge_voltage_v"),
        ("group_cutoff_voltage_v", "group_charge_voltage_v"),
        ("group_charge_voltage_v", "charge_voltage_v"),
    )
    for low, high in pairs:
        a, b = getattr(pack, low), getattr(pack, high)
        equal_ok = low == "group_charge_voltage_v"
        if a is not None and b is not None and (a > b + 1e-9 if equal_ok else a >= b):
            raise InputError(
                f"{low} is not below {high}", Location(file, line_of_key(text, low)),
                f"found {a:g} V and {b:g} V", "correct the one that is wrong",
            )
    for group_key, pack_key in (("group_charge_voltage_v", "charge_voltage_v"),):
        group, total = getattr(pack, group_key), getattr(pack, pack_key)
        if group and total and pack.series and abs(total / pack.series - group) > 0.1 * group:
            raise InputError(
                f"{pack_key} does not fit {pack.series} groups", Location(file, line_of_key(text, pack_key)),
                f"{total:g} V / {pack.series} = {total / pack.series:.3f} V, but {group_key} is {group:g} V",
                "correct series, charge_voltage_v or group_charge_voltage_v",
            )
    limits = pack.limits
    if limits and pack.series and pack.charge_voltage_v:
        each = pack.charge_voltage_v / pack.series
        if not 0.88 * limits.full_v <= each <= 1.08 * limits.full_v:
            raise InputError(
                f"charge_voltage_v does not fit {pack.series} {pack.chemistry} groups",
                Location(file, line_of_key(text, "charge_voltage_v")),
                f"{pack.charge_voltage_v:g} V / {pack.series} = {each:.2f} V each; a full {pack.chemistry} cell has about {limits.full_v:g} V",
                "correct series, chemistry or charge_voltage_v",
            )
    if limits and pack.series and pack.cutoff_voltage_v:
        each = pack.cutoff_voltage_v / pack.series
        if not 0.8 * limits.damage_v <= each <= limits.full_v:
            raise InputError(
                f"cutoff_voltage_v does not fit {pack.series} {pack.chemistry} groups",
                Location(file, line_of_key(text, "cutoff_voltage_v")),
                f"{pack.cutoff_voltage_v:g} V / {pack.series} = {each:.2f} V each; {pack.chemistry} cells are usually emptied to about "
                f"{limits.empty_v:g} V", "correct series, chemistry or cutoff_voltage_v",
            )
    if limits and pack.group_charge_voltage_v and pack.group_charge_voltage_v > limits.full_v * 1.08:
        raise InputError(
            f"group_charge_voltage_v is too high for {pack.chemistry}",
            Location(file, line_of_key(text, "group_charge_voltage_v")),
            f"found {pack.group_charge_voltage_v:g} V; usual is {limits.full_v:g} V",
            "correct chemistry or the voltage: charging so high is a fire hazard",
        )
