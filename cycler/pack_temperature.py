"""What PACK.toml says of temperatures: the windows of charge and discharge, and under [thermistor] the curve of NTC sensors.

No curve is assumed: of two widely copied sets of coefficients for "10 k" one reads 3.5 K colder at 0 degC than the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.tomlsource import checked_number, kept_names, line_of_key, refuse_key
from cycler.units import KELVIN_AT_0_C

CHARGE_WINDOW_C, DISCHARGE_WINDOW_C = (0.0, 45.0), (-20.0, 60.0)
"""Temperatures between which cells are usually charged and discharged: several data sheets of 18650 lithium-ion cells; taken for
every chemistry unless the pack file states other windows, since some cells may be charged colder and some not so warm. [degC]"""
WINDOW_KEYS = ("charge_temperature_c", "discharge_temperature_c")
T25_K = 25.0 + KELVIN_AT_0_C
TOLERANCE = 0.01
"""Half-width of a tolerance that is not stated, as a fraction: 1 % of R25 and 1 % of B, the usual class of catalogue parts
(common practice; data sheets also offer 3 % and 5 %)."""
B_EQUATION, STEINHART_HART, EXTENDED = "b", "steinhart_hart", "extended"
FORMS: dict[str, tuple[str, ...]] = {
    B_EQUATION: ("r25_ohm", "b_k"), STEINHART_HART: ("a", "b", "c"), EXTENDED: ("r25_ohm", "a1", "b1", "c1", "d1"),
}
"""Keys that state a curve, by its form."""
MEND = "write r25_ohm and b_k; or a, b and c of Steinhart-Hart; or r25_ohm, a1, b1, c1 and d1: all from the sensor's data sheet"
_TOLERANCES = ("r25_tolerance", "b_tolerance")
# Beyond these a value is a slip: no NTC sensor of a pack lies there. Common practice, no source.
_RANGES = {"r25_ohm": (100.0, 1e7, "10 kOhm is written 10000"), "b_k": (1500.0, 7000.0, "in kelvin, such as 3435 or 3950")}
_COLD_K, _HOT_K = KELVIN_AT_0_C - 40.0, KELVIN_AT_0_C + 125.0


@dataclass(frozen=True, slots=True)
class ThermistorCurve:
    """Curve of an NTC sensor as stated; one of :data:`FORMS`, the keys of the others are None.

    Attributes
    ----------
    r25_ohm : float or None
        Resistance at 25 degC. [ohm]
    b_k : float or None
        B of ln(R/R25) = B (1/T - 1/298.15 K). [K]
    a, b, c : float or None
        1/T = a + b ln R + c (ln R)^3, R in ohm. [1/K]
    a1, b1, c1, d1 : float or None
        1/T = a1 + b1 L + c1 L^2 + d1 L^3, L = ln(R/R25). [1/K]
    r25_tolerance, b_tolerance : float
        Half-widths as fractions of R25 (that is, of the resistance at any temperature) and of B.
    defaulted : tuple of str
        Tolerances that were not stated and count with :data:`TOLERANCE`.
    """

    r25_ohm: float | None = None
    b_k: float | None = None
    a: float | None = None
    b: float | None = None
    c: float | None = None
    a1: float | None = None
    b1: float | None = None
    c1: float | None = None
    d1: float | None = None
    r25_tolerance: float = TOLERANCE
    b_tolerance: float = TOLERANCE
    defaulted: tuple[str, ...] = ()

    @property
    def form(self) -> str:
        """:data:`B_EQUATION`, :data:`STEINHART_HART` or :data:`EXTENDED`."""
        return next(form for form, keys in FORMS.items() if all(getattr(self, key) is not None for key in keys))

    def words(self) -> str:
        """The curve and its tolerances on one line, to be shown as evidence."""
        if self.form == B_EQUATION:
            curve = f"B equation, R25 {self.r25_ohm:g} Ω, B {self.b_k:g} K"
        elif self.form == STEINHART_HART:
            curve = f"Steinhart-Hart equation, a {self.a:g}, b {self.b:g}, c {self.c:g}"
        else:
            curve = f"extended Steinhart-Hart equation, R25 {self.r25_ohm:g} Ω, {self.a1:g}, {self.b1:g}, {self.c1:g}, {self.d1:g}"
        shown = (
            f"{name} ±{100.0 * getattr(self, key):g} %{' (assumed)' if key in self.defaulted else ''}"
            for name, key in zip(("R25", "B"), _TOLERANCES)
        )
        return f"{curve}; tolerances {', '.join(shown)}"


def checked_window(key: str, value: Any, where: Location) -> tuple[float, float]:
    """A window of temperature, [lowest, highest] in degC. InputError if it is none."""
    numbers = isinstance(value, (list, tuple)) and len(value) == 2 and all(
        isinstance(item, (int, float)) and not isinstance(item, bool) for item in value
    )
    if not numbers or not -60.0 <= value[0] < value[1] <= 100.0:
        raise InputError(
            f"{key} is not a window of temperature", where, f"found {quote(value)}",
            f"write the lowest and the highest in °C, such as {key} = [0, 45]",
        )
    return float(value[0]), float(value[1])


def thermistor_from_dict(data: Any, file: str = "pack", text: str = "") -> ThermistorCurve:
    """The curve from a parsed table [thermistor]; ``text`` is that of the file, for line numbers.

    Raises
    ------
    InputError
        No table, unknown key (near ones are offered), no number, value out of range, keys of none or of two forms, or
        coefficients that give no NTC; says file and line.
    """
    table = Location(file, line_of_key(text, "thermistor"))
    if not isinstance(data, dict):
        raise InputError("thermistor is not a table", table, f"found {quote(data)}", f"under a line [thermistor] {MEND}")
    known = [item.name for item in fields(ThermistorCurve)]
    stated: dict[str, float] = {}
    for key, value in data.items():
        where = Location(file, line_of_key(text, key) or table.line)
        if key not in known:
            refuse_key(key, known[:-1], where)
        if key != "defaulted" and value is not None:
            stated[key] = _number(key, value, where)
    _one_form(stated, table)
    defaulted = tuple(key for key in _TOLERANCES if key not in stated)
    curve = ThermistorCurve(**stated, defaulted=kept_names(data.get("defaulted"), _TOLERANCES) or defaulted)
    _check_is_ntc(curve, table)
    return curve


def thermistor_from_stored(data: Any) -> ThermistorCurve | None:
    """A curve as a register kept it: taken as it was; unknown keys are passed over."""
    if not data:
        return None
    known = {item.name for item in fields(ThermistorCurve)}
    values = {key: value for key, value in data.items() if key in known}
    return ThermistorCurve(**values | {"defaulted": tuple(values.get("defaulted") or ())})


def _number(key: str, value: Any, where: Location) -> float:
    value = checked_number(key, value, where)
    if key in _TOLERANCES and not 0.0 <= value <= 0.3:
        raise InputError(f"{key} is not a fraction from 0 to 0.3", where, f"found {quote(value)}", "1 % is written 0.01")
    low, high, how = _RANGES.get(key, (-math.inf, math.inf, ""))
    if not low <= value <= high:
        raise InputError(f"{key} is implausible", where, f"found {quote(value)}; between {low:g} and {high:g} is usual", how)
    return value


def _one_form(stated: dict[str, float], where: Location) -> None:
    """InputError unless the keys are those of one form."""
    keys = set(stated) - set(_TOLERANCES)
    if any(keys == set(form) for form in FORMS.values()):
        return
    found = ", ".join(key for key in stated if key in keys) or "no key of a curve"
    whole = [form for form in FORMS.values() if set(form) < keys]
    if whole:
        over = ", ".join(sorted(keys - set(whole[0])))
        raise InputError("the thermistor's curve is stated in two ways", where, f"found {found}", f"leave out {over}, or the others")
    begun = [form for form in FORMS.values() if keys and keys < set(form)]
    if begun:
        missing = [key for key in min(begun, key=len) if key not in keys]
        raise InputError("the thermistor's curve is not complete", where, f"found {found}", f"add {' and '.join(missing)}, or {MEND}")
    raise InputError("the thermistor's curve is not stated", where, f"found {found}", MEND)


def inverse_temperature(curve: ThermistorCurve) -> tuple[Callable[[Any], Any], float]:
    """1/T [1/K] of a curve as a polynomial of L = ln(R / R0), for numbers and arrays alike, and R0 [ohm] (1 ohm for Steinhart-Hart)."""
    if curve.form == B_EQUATION:
        return lambda x: 1.0 / T25_K + x / curve.b_k, curve.r25_ohm
    if curve.form == STEINHART_HART:
        return lambda x: curve.a + curve.b * x + curve.c * x**3, 1.0
    return lambda x: curve.a1 + x * (curve.b1 + x * (curve.c1 + x * curve.d1)), curve.r25_ohm


def inverse_slope(curve: ThermistorCurve) -> Callable[[Any], Any]:
    """d(1/T)/d(ln R) [1/K] of the polynomial of :func:`inverse_temperature`."""
    if curve.form == B_EQUATION:
        return lambda x: 1.0 / curve.b_k + 0.0 * x
    if curve.form == STEINHART_HART:
        return lambda x: curve.b + 3.0 * curve.c * x**2
    return lambda x: curve.b1 + x * (2.0 * curve.c1 + 3.0 * curve.d1 * x)


_GRID = [0.01 * step for step in range(2304)]
"""ln(R / 1 ohm) from 1 ohm to 10 Gohm."""


def log_ratio_at(curve: ThermistorCurve, kelvin: float) -> float | None:
    """L of :func:`inverse_temperature` at a temperature, on the stretch about 25 degC over which the resistance falls; None beyond it."""
    f, r0 = inverse_temperature(curve)
    grid = [x - math.log(r0) for x in _GRID]
    values = [f(x) for x in grid]
    first = next((k for k in range(len(grid) - 1) if values[k] <= 1.0 / T25_K < values[k + 1]), None)
    if first is None:
        return None
    last = first + 1
    while first and values[first - 1] < values[first]:
        first -= 1
    while last < len(grid) - 1 and values[last + 1] > values[last]:
        last += 1
    if not values[first] <= 1.0 / kelvin <= values[last]:
        return None
    low, high = grid[first], grid[last]
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if f(middle) < 1.0 / kelvin else (low, middle)
    return 0.5 * (low + high)


def _check_is_ntc(curve: ThermistorCurve, where: Location) -> None:
    """InputError unless the resistance falls from -40 to 125 degC and 25 degC lies at a resistance that sensors have."""
    if curve.form == B_EQUATION:
        return
    names = ", ".join(FORMS[curve.form][-3:] if curve.form == STEINHART_HART else FORMS[curve.form][1:])
    if curve.form == EXTENDED and abs(curve.a1 * T25_K - 1.0) > 0.002:
        raise InputError(
            "a1 does not fit r25_ohm", where, f"1/a1 is the temperature at r25_ohm: found {quote(curve.a1)}",
            "a1 is about 3.354e-3 where r25_ohm is the resistance at 25 °C",
        )
    ends = [log_ratio_at(curve, kelvin) for kelvin in (_COLD_K, T25_K, _HOT_K)]
    r0 = inverse_temperature(curve)[1]
    if None in ends or not 100.0 <= r0 * math.exp(ends[1]) <= 1e7:
        raise InputError(
            f"{names} are not those of an NTC sensor", where,
            "with them no resistance from 100 Ω to 10 MΩ gives 25 °C, or it does not fall from -40 °C to 125 °C",
            "copy them again, powers of ten too; they belong to resistance in ohm and natural logarithms",
        )
