"""How a test is run: rates, rests and temperature, by name. All of it can be set otherwise."""

from __future__ import annotations

from dataclasses import dataclass, replace

from cycler.errors import InputError, quote


@dataclass(frozen=True, slots=True)
class Conditions:
    """Conditions of a test.

    Attributes
    ----------
    charge_rate_it, discharge_rate_it, pulse_rate_it : float
        Currents wished for, before pack and instruments are asked. [It]
    rest_h : float
        Rest between charge and discharge. [h]
    ambient_c : (float, float)
        Room temperature and how far it may be off. [degC], [K]
    source : str
        Where the figures come from.
    """

    name: str
    charge_rate_it: float
    discharge_rate_it: float
    pulse_rate_it: float
    rest_h: float
    ambient_c: tuple[float, float]
    source: str


_FROM_MEMORY = "from memory of capacity tests in standards, to be checked against the standard itself; no claim that a test made so meets one"

CONDITIONS: dict[str, Conditions] = {
    "workshop": Conditions("workshop", 0.3, 1.0 / 3.0, 0.5, 1.0, (23.0, 5.0), "common practice, no source; a charge and a discharge fit into a working day"),
    # IEC 61960-3: 0.2 It at (20 +- 5) degC, rest 1 h to 4 h. IEC 62620: the same at (25 +- 5) degC. ISO 12405-4 and ISO 18243: C/3 or 1C at (25 +- 2) degC,
    # half an hour's rest. All from memory, provisional.
    "portable": Conditions("portable", 0.2, 0.2, 0.5, 1.0, (20.0, 5.0), _FROM_MEMORY),
    "industrial": Conditions("industrial", 0.2, 0.2, 0.5, 1.0, (25.0, 5.0), _FROM_MEMORY),
    "light-vehicle": Conditions("light-vehicle", 1.0 / 3.0, 1.0 / 3.0, 0.5, 0.5, (25.0, 2.0), _FROM_MEMORY),
}
"""Conditions by name, the default first."""
DEFAULT_CONDITIONS = "workshop"

RATE_RANGE_IT = (0.02, 2.0)
"""Slowest and fastest rate that is planned: 50 h, half an hour. Common practice, no source. [It]"""


def conditions_of(name: str | None = None, rate_it: float | None = None) -> Conditions:
    """Conditions by name, with another rate of discharge if one is given. InputError for a name or rate that is none."""
    found = CONDITIONS.get(name or DEFAULT_CONDITIONS)
    if found is None:
        raise InputError(f"unknown conditions {quote(name)}", "conditions", "no set of conditions goes by that name", f"one of {', '.join(CONDITIONS)}")
    if rate_it is None:
        return found
    low, high = RATE_RANGE_IT
    if not low <= rate_it <= high:
        raise InputError(
            f"a rate of {rate_it:g} It is out of range", "rate", f"planned are {low:g} It ({1 / low:g} h) to {high:g} It", "0.2 to 0.5 It is usual: 2 to 5 A for a 10 Ah pack",
        )
    return replace(found, discharge_rate_it=rate_it)
