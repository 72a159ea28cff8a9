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
from cycler.tomlsource import line_of_key, load_toml

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
class Instrument:
    """Limits of error of the bench (half-widths, rectangular unless said).

    The defaults are the tolerances that the capacity standards for portable and industrial cells ask of the
    measuring chain (voltage 1 %, current 1 %, temperature 2 degC, time 0.1 %; from memory, kept configurable)
    and a couple of digits of a usual meter as zero errors (common practice, no source): used when PACK.toml declares no instrument, and then said so (``declared`` is False).
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


# Half-width that a declared instrument's clock counts with when nothing is said of it: a quartz drifts less than 100 ppm
# (common practice, no source).
_DECLARED_CLOCK_GAIN = 0.0001
_LIMITS_OF_ERROR = (
    "voltage_gain", "voltage_offset_v", "group_voltage_gain", "group_voltage_offset_v", "current_gain", "current_offset_a",
    "temperature_offset_c",
)


@dataclass(frozen=True, slots=True)
class Pack:
    """Ratings of one pack, from its label or maker's data. Unknown is ``None``."""

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

    @property
    def limits(self) -> ChemistryLimits | None:
        """Usual limits of the chemistry, or None if the chemistry is not known."""
        return CHEMISTRY_LIMITS.get(self.chemistry) if self.chemistry else None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, ``instrument`` as a nested dict."""
        values = asdict(self)
        values["inferred"] = list(self.inferred)
        values["instrument"]["defaulted"] = list(self.instrument.defaulted)
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
    return pack_from_dict(data, str(path), text)


def pack_from_stored(data: dict[str, Any]) -> Pack:
    """A :class:`Pack` as a register kept it: taken as it was, whatever today's checks would say; unknown keys are passed over."""
    values = {key: value for key, value in data.items() if key in {item.name for item in fields(Pack)}}
    bench = values.pop("instrument", None) or {}
    bench = {key: value for key, value in bench.items() if key in {item.name for item in fields(Instrument)}}
    if "defaulted" in bench:
        bench["defaulted"] = tuple(bench["defaulted"])
    values["inferred"] = tuple(values.get("inferred") or ())
    return Pack(**values, instrument=Instrument(**bench))


def pack_from_dict(data: dict[str, Any], file: str = "pack", text: str = "") -> Pack:
    """A :class:`Pack` from parsed TOML (or a form). See :func:`load_pack` for what it raises."""
    data = dict(data)
    data.pop("inferred", None)
    instrument_data = data.pop("instrument", None)
    known = {item.name for item in fields(Pack)} - {"instrument", "inferred"}
    values: dict[str, Any] = {}
    for key, value in data.items():
        where = Location(file, line_of_key(text, key))
        if key not in known:
            _unknown_key(key, sorted(known | {"instrument"}), where)
        if value is None:
            continue
        values[key] = _checked_value(key, value, where)
    if instrument_data is not None and not isinstance(instrument_data, dict):
        raise InputError(
            "instrument is not a table", Location(file, line_of_key(text, "instrument")),
            f"found {quote(instrument_data)}", "write the limits of error under a line [instrument]",
        )
    instrument = _instrument_from_dict(instrument_data, file, text) if instrument_data else Instrument()
    pack = Pack(**values, instrument=instrument)
    _check_consistent(pack, file, text)
    return pack


def _unknown_key(key: str, known: list[str], where: Location) -> None:
    near = difflib.get_close_matches(key, known, n=2, cutoff=0.6)
    hint = f"did you mean {' or '.join(near)}?" if near else f"known keys: {', '.join(known)}"
    raise InputError(f"unknown key {quote(key)}", where, "a mistyped key would be ignored silently", hint)


ID_MAX = 200


def _word(key: str, value: Any, where: Location) -> str:
    """A name on one line."""
    text = str(value).strip() if isinstance(value, (str, int)) and not isinstance(value, bool) else ""
    if not text:
        raise InputError(f"{key} is not a text", where, f"found {quote(value)}", f'write {key} = "EB-0412"')
    if not text.isprintable() or len(text) > ID_MAX:
        raise InputError(
            f"{key} is not a name on one line", where, f"found {quote(value)}, {len(text)} characters",
            f"at most {ID_MAX} printable characters",
        )
    return text


def _number(key: str, value: Any, where: Location) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not -1e300 < value < 1e300:
        raise InputError(f"{key} is not a number", where, f"found {quote(value)}", f"write {key} = 1.23, without a unit")
    return float(value)


def _checked_value(key: str, value: Any, where: Location) -> Any:
    if key == "id":
        return _word(key, value, where)
    if key == "chemistry":
        word = str(value).strip().lower()
        if word not in CHEMISTRIES:
            near = difflib.get_close_matches(word, CHEMISTRIES, n=1)
            raise InputError(
                f"unknown chemistry {quote(value)}", where, "limits of voltage depend on it",
                (f"did you mean {near[0]}? " if near else "") + f"one of {', '.join(CHEMISTRIES)}, or leave the line out",
            )
        return word
    number = _number(key, value, where)
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


def _instrument_from_dict(data: dict[str, Any], file: str, text: str) -> Instrument:
    known = {item.name for item in fields(Instrument)} - {"declared", "defaulted"}
    values: dict[str, Any] = {}
    for key, value in data.items():
        if key in ("declared", "defaulted"):
            continue
        where = Location(file, line_of_key(text, key))
        if key not in known:
            _unknown_key(key, sorted(known), where)
        if value is None:
            continue
        if key == "id":
            values[key] = _word(key, value, where)
            continue
        if key == "sense":
            if value not in ("four-wire", "two-wire"):
                raise InputError(f"unknown sense {quote(value)}", where, "it tells where pack voltage is taken", '"four-wire" or "two-wire"')
            values[key] = value
            continue
        number = _number(key, value, where)
        if number < 0:
            raise InputError(f"{key} is negative", where, f"found {quote(value)}", "a limit of error is a half-width, zero or more")
        if key.endswith("_gain") and number > 0.5:
            raise InputError(f"{key} is too large", where, f"found {quote(value)}; it is a fraction of reading", "0.5 % is written 0.005")
        if number > 1000.0:
            raise InputError(f"{key} is implausibly large", where, f"found {quote(value)}", "check the unit: the key's ending tells it")
        values[key] = number
    if not bool(data.get("declared", True)):
        return Instrument(**values, declared=False)
    # A group channel that is not described counts like the pack's.
    if not {"group_voltage_gain", "group_voltage_offset_v"} & set(values):
        for part in ("gain", "offset_v"):
            if f"voltage_{part}" in values:
                values[f"group_voltage_{part}"] = values[f"voltage_{part}"]
    values.setdefault("clock_gain", _DECLARED_CLOCK_GAIN)
    defaulted = tuple(key for key in _LIMITS_OF_ERROR if key not in values)
    return Instrument(**values, declared=True, defaulted=tuple(data.get("defaulted", defaulted)))


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
