"""Figures taken from an analysis for a criterion: what a quantity is, what it gives, and how ratios between groups are told.

An analysis here is the plain object that ``analyze --json`` prints.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Analysis = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Taken:
    """One candidate value for a criterion.

    Attributes
    ----------
    value, u : float or None
        Value and standard uncertainty in the quantity's unit; None = not known.
    group : int or None
        Group it belongs to.
    valid : bool
        False if the test behind it was not fit to give the figure.
    bound : str or None
        ``lower`` or ``upper``: the true value is at least, or at most, ``value``.
    doubt : str
        Clause that says why it is missing, invalid or only estimated.
    lack : str
        What is missing, as a key of the advice in :mod:`cycler.settle`; "" = the quantity's own advice.
    """

    value: float | None
    u: float | None = None
    group: int | None = None
    valid: bool = True
    bound: str | None = None
    doubt: str = ""
    lack: str = ""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity that can be judged.

    ``take`` gives at least one :class:`Taken`. ``worst`` tells which end is the worst group's ("min", "max", or
    "" for a figure of the whole pack). ``needs_siblings`` marks comparisons that mean nothing for one group, ``needs_before`` those
    with an earlier test of the same pack. ``side`` is the only direction in which a limit makes sense, "" for either.
    ``yes_or_no`` is what a met limit says of a quantity that is only 1 or not known.
    ``limit_range`` is the open-closed range that a limit may have; its upper ends are far above anything met in
    practice (common practice, no source) and catch slips of unit.
    """

    id: str
    unit: str
    label: str
    take: Callable[[Analysis], tuple[Taken, ...]]
    advice: str
    limit_range: tuple[float, float]
    worst: str = ""
    needs_siblings: bool = False
    budget: str = ""
    null_is_not_measured: bool = True
    needs_before: bool = False
    side: str = ""
    yes_or_no: str = ""

    @property
    def unit_word(self) -> str:
        """The unit as a criteria file writes it."""
        return self.unit or "ratio"


def number(value: Any) -> float | None:
    """``value`` as a finite float, else None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def part(analysis: Analysis, *keys: str) -> Any:
    """Nested value of an analysis, or None where a level is missing or null."""
    value: Any = analysis
    for key in keys:
        if not isinstance(value, Mapping):
            return None
        value = value.get(key)
    return value


def energy_from_full_u(analysis: Analysis) -> float:
    """What the voltmeter leaves open of a full pack in the energy: that charge at the charge voltage, where it is missing. [Wh]"""
    capacity = part(analysis, "capacity") or {}
    voltage = number(part(analysis, "pack", "charge_voltage_v")) or number(capacity.get("mean_voltage_v")) or 0.0
    return (number(capacity.get("u_charge_voltage_ah")) or 0.0) * voltage


def median_with_u(values: Sequence[float], us: Sequence[float | None]) -> tuple[float, float | None]:
    """Median and its standard uncertainty by propagation through the middle one or two values.

    The errors are taken as independent. References: JCGM 100:2008, 5.1.2 (clause from memory).
    """
    order = sorted(range(len(values)), key=lambda i: values[i])
    half = len(order) // 2
    middle = [order[half]] if len(order) % 2 else [order[half - 1], order[half]]
    median = sum(values[i] for i in middle) / len(middle)
    spread = [u for i in middle if (u := us[i]) is not None]
    if len(spread) < len(middle):
        return median, None
    return median, math.sqrt(sum(u * u for u in spread)) / len(middle)


def ratio_to_siblings(
    values: Sequence[float | None], us: Sequence[float | None]
) -> list[tuple[float | None, float | None]]:
    """Each value over the median of the others, with standard uncertainty.

    Notes
    -----
    r = a / m, u(r)**2 = (u(a)/m)**2 + (a u(m)/m**2)**2 with independent errors. A gain error common to all groups
    cancels in the ratio, so the figure errs on the large side.
    """
    result: list[tuple[float | None, float | None]] = []
    for index, value in enumerate(values):
        others = [(other, us[i]) for i, other in enumerate(values) if i != index and other is not None]
        if value is None or not others:
            result.append((None, None))
            continue
        median, u_median = median_with_u([other for other, _u in others], [u for _other, u in others])
        if median <= 0:
            result.append((None, None))
            continue
        u_ratio, own = None, us[index]
        if own is not None and u_median is not None:
            u_ratio = math.hypot(own / median, value * u_median / median**2)
        result.append((value / median, u_ratio))
    return result


REASONS = {
    "charge_incomplete": "the charge before the discharge was not complete",
    "start_unknown": "the log does not show that the pack was full at the start",
    "discharge_incomplete": "the discharge ended before the cut-off",
    "cutoff_unknown": "no cut-off voltage is known for the pack",
    "no_discharge": "the log holds no discharge",
    "protection_trip": "the pack's protection ended the discharge",
    "rest_too_short": "the rest was too short",
    "log_gap": "the log has a gap that nothing bridges",
    "counter_mismatch": "the integral and the instrument's own counter disagree",
    "capacity_above_rating": "it is more than twice the rating, which no pack gives",
    "unit_doubtful": "a stated unit gives readings that no pack has",
    "sign_doubtful": "the voltage speaks against the stated direction of the current",
    "sampling_too_coarse": "the samples are too far apart",
    "current_unsteady": "the current was not steady",
    "temperature_out_of_range": "the temperature was outside the window of the test",
    "lead_drop": "the pack voltage includes the drop of the leads",
    "no_group_voltages": "the log holds no group voltages",
}


def reason_words(codes: Sequence[str]) -> str:
    """Codes of reasons as one clause."""
    words = [REASONS.get(code, str(code).replace("_", " ")) for code in codes]
    return " and ".join(words) if len(words) < 3 else ", ".join(words[:-1]) + " and " + words[-1]
