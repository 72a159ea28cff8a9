"""Figures as text: a value, its expanded uncertainty and the unit, rounded as a metrologist would.

Rounding follows JCGM 100:2008, 7.2.6 (uncertainty to at most two significant digits, value to the same
decimal place; clause number from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

COVERAGE_FACTOR = 2.0
"""Coverage factor k of every expanded uncertainty that is printed (about 95 % for a normal distribution)."""

# Scale and unit used for display; the inner unit is always the one in the name.
_DISPLAY: dict[str, tuple[float, str]] = {
    "ohm": (1e3, "mΩ"),
    "share": (1e2, "%"),
    "degC": (1.0, "°C"),
}
_PLAIN = {"Ah", "Wh", "W", "V", "mV", "A", "mA", "K", "s", "h", "mV/h", "It", "K/min", ""}


def decimals_for(uncertainty: float) -> int:
    """Decimal places that show ``uncertainty`` with two significant digits (0 to 9)."""
    if not uncertainty or not math.isfinite(uncertainty):
        return 3
    return max(0, min(9, 1 - math.floor(math.log10(abs(uncertainty)))))


def display_unit(unit: str) -> tuple[float, str]:
    """Factor and unit for display of an inner unit: ``("ohm")`` gives ``(1000.0, "mΩ")``.

    Raises
    ------
    KeyError
        The unit is not one this program uses.
    """
    if unit in _DISPLAY:
        return _DISPLAY[unit]
    if unit in _PLAIN:
        return 1.0, unit
    raise KeyError(unit)


def figure_text(value: float | None, u: float | None, unit: str, coverage_factor: float = COVERAGE_FACTOR) -> str:
    """"9.842 ± 0.036 Ah": value with expanded uncertainty ``k * u``, both in the display unit.

    Parameters
    ----------
    value, u : float or None
        Value and standard uncertainty in the inner unit (``ohm``, ``share`` = fraction, ``Ah`` ...).
    unit : str
        Inner unit.

    Returns
    -------
    str
        "not known" if the value is None; the value alone (four significant digits) if ``u`` is None.
    """
    if value is None or not math.isfinite(value):
        return "not known"
    factor, name = display_unit(unit)
    shown = value * factor
    tail = f" {name}" if name else ""
    if u is None or not math.isfinite(u) or u <= 0:
        digits = 3 if shown == 0 else max(0, min(6, 3 - math.floor(math.log10(abs(shown)))))
        return f"{_number(shown, digits)}{tail}"
    expanded = abs(u * factor * coverage_factor)
    if expanded >= 100.0:
        # Two significant digits before the decimal point: 16670 ± 570, not 16671 ± 568.
        step = 1 - math.floor(math.log10(expanded))
        return f"{_number(round(shown, step), 0)} ± {round(expanded, step):.0f}{tail}"
    digits = decimals_for(expanded)
    return f"{_number(shown, digits)} ± {expanded:.{digits}f}{tail}"


def capacity_text(run: Mapping[str, Any]) -> str:
    """Capacity of a run in a list: "9.842 ± 0.036 Ah", "at least 8.196 ± 0.030 Ah", "15.973 ± 0.039 Ah (not valid)".

    Parameters
    ----------
    run : mapping
        ``capacity_ah``, ``u_capacity_ah`` (standard) [Ah], ``capacity_valid``, ``capacity_is_lower_bound``.
    """
    shown = figure_text(run["capacity_ah"], run["u_capacity_ah"], "Ah")
    if run["capacity_ah"] is None or run["capacity_valid"]:
        return shown
    return f"at least {shown}" if run["capacity_is_lower_bound"] else f"{shown} (not valid)"


def significant_text(value: float, digits: int = 4) -> str:
    """A number with so many significant digits and no padding zeros, never with a power of ten: 270, not 2.7e+02.

    Digits before the decimal point are all shown.
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}".lstrip("-") if value == 0 else str(value)
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{value:.{max(0, min(places, 12))}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.lstrip("-") if float(text) == 0.0 else text


def _number(value: float, digits: int) -> str:
    """A number with that many decimals, never "-0.00"."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text
