"""What PACK.toml says under [correction]: how a capacity depends on rate and temperature, by the maker's data or the workshop's own tests.

No coefficient is assumed: they differ from cell to cell, and a corrected capacity is only as good as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.tomlsource import checked_number, kept_names, line_of_key, refuse_key

RATED_RATE_IT = 0.2
"""Rate at which portable and industrial cells are rated (from memory of IEC 61960-3 and IEC 62620), where [correction] states none. [It]"""
RATED_TEMPERATURE_C = 25.0
"""[degC] Likewise (IEC 62620, from memory); IEC 61960-3 has 20 degC."""
UNSTATED_SHARE = 0.5
"""Half-width of a coefficient whose own is not stated, as a share of what it does: of (peukert - 1), of the others themselves."""
PEUKERT, PER_IT, PER_K = "peukert", "capacity_per_it", "temperature_per_k"
# Lithium-ion exponents lie at 1.00 to 1.08, temperature at 0.003 to 0.008 per K below 25 degC (common practice, no source); outside these a value is a slip.
_RANGES = {
    "rated_rate_it": (0.01, 5.0, "the rate of the rating in It, such as 0.2"),
    "rated_temperature_c": (10.0, 40.0, "the temperature of the rating in degrees Celsius, such as 25"),
    PEUKERT: (1.0, 1.3, "the exponent, such as 1.03"),
    PER_IT: (0.0, 0.3, "the share of the capacity lost per It of rate, such as 0.04"),
    PER_K: (0.0, 0.03, "the share of the capacity gained per kelvin, such as 0.006"),
}
_HALF_WIDTHS = {f"u_{key}": key for key in (PEUKERT, PER_IT, PER_K)}


@dataclass(frozen=True, slots=True)
class Correction:
    """Coefficients as stated, each with its half-width ``u_...`` (rectangular) in the same unit.

    Attributes
    ----------
    rated_rate_it : float
        Rate that capacities are corrected to. [It]
    rated_temperature_c : float
        [degC]
    peukert : float or None
        Exponent n of t = H (C/(I H))**n.
    capacity_per_it : float or None
        Share of the capacity at the rated rate that is lost per It above it, instead of ``peukert``. [1/It]
    temperature_per_k : float or None
        Share of the capacity at the rated temperature that is gained per kelvin. [1/K]
    defaulted : tuple of str
        Keys that were not stated: conditions of the rating taken as above, half-widths as ``UNSTATED_SHARE`` of what their coefficient does.
    """

    rated_rate_it: float = RATED_RATE_IT
    rated_temperature_c: float = RATED_TEMPERATURE_C
    peukert: float | None = None
    capacity_per_it: float | None = None
    temperature_per_k: float | None = None
    u_peukert: float | None = None
    u_capacity_per_it: float | None = None
    u_temperature_per_k: float | None = None
    defaulted: tuple[str, ...] = ()


def correction_from_stored(data: dict[str, Any] | None) -> Correction | None:
    """As a register kept it; unknown keys are passed over."""
    if not data:
        return None
    values = {key: value for key, value in data.items() if key in {item.name for item in fields(Correction)}}
    return Correction(**values | {"defaulted": tuple(values.get("defaulted") or ())})


def correction_from_dict(data: Any, file: str, text: str) -> Correction:
    """From the parsed table [correction].

    Raises
    ------
    InputError
        No table, unknown key, no number, out of range, both ``peukert`` and ``capacity_per_it``, a half-width without its coefficient, or no coefficient
        at all; says file and line.
    """
    if not isinstance(data, dict):
        raise InputError(
            "correction is not a table", Location(file, line_of_key(text, "correction")), f"found {quote(data)}",
            "write the coefficients under a line [correction]",
        )
    known = {item.name for item in fields(Correction)} - {"defaulted"}
    values: dict[str, float] = {}
    for key, value in data.items():
        if key == "defaulted" or value is None:
            continue
        where = Location(file, line_of_key(text, key))
        if key not in known:
            refuse_key(key, sorted(known), where)
        values[key] = _checked(key, value, where)
    _check_together(values, file, text)
    defaulted = [key for key in ("rated_rate_it", "rated_temperature_c") if key not in values]
    for half_width, key in _HALF_WIDTHS.items():
        if key in values and half_width not in values:
            values[half_width] = UNSTATED_SHARE * (values[key] - (1.0 if key == PEUKERT else 0.0))
            defaulted.append(half_width)
    # A stored table already holds the half-widths; which of them were never stated it says itself.
    return Correction(**values, defaulted=kept_names(data.get("defaulted"), tuple(known)) or tuple(defaulted))


def _checked(key: str, value: Any, where: Location) -> float:
    number = checked_number(key, value, where)
    if key in _HALF_WIDTHS:
        # Wider than the coefficient's own range it says nothing.
        low, high = 0.0, _RANGES[_HALF_WIDTHS[key]][1] - _RANGES[_HALF_WIDTHS[key]][0]
        mend = "the half-width of what the coefficient may be off by, in its own unit"
    else:
        low, high, mend = _RANGES[key]
    if not low <= number <= high:
        raise InputError(f"{key} is out of range", where, f"found {quote(value)}, usable is {low:g} to {high:g}", mend)
    return number


def _check_together(values: dict[str, float], file: str, text: str) -> None:
    if PEUKERT in values and PER_IT in values:
        raise InputError(
            f"{PEUKERT} and {PER_IT} both state how the rate counts", Location(file, line_of_key(text, PER_IT)),
            "one correction must not be made twice", "leave one of them out",
        )
    for half_width, key in _HALF_WIDTHS.items():
        if half_width in values and key not in values:
            raise InputError(
                f"{half_width} stands without {key}", Location(file, line_of_key(text, half_width)),
                "it is the half-width of that coefficient", f"state {key} too, or leave the line out",
            )
    if not {PEUKERT, PER_IT, PER_K} & set(values):
        raise InputError(
            "[correction] states no coefficient", Location(file, line_of_key(text, "correction")), "nothing can be corrected without one",
            f"state {PEUKERT} or {PER_IT}, or {PER_K}, from the maker's data; or leave the table out",
        )
