"""What would settle a criterion that is not proven: sentences worked out from what the analysis lacks.

Each advice is a function of the analysis; ratings come from ``analysis["pack"]``, so the sentence names the
voltages and currents to set. The advice that concerns an uncertainty is worked out from the budget.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cycler.criteria_quantities import Quantity, number, part
from cycler.quantities import display_unit, figure_text

REST_BEFORE_DISCHARGE_H = 1.0
"""Rest between charge and discharge. The standards for portable cells ask 1 h to 4 h (from memory). [h]"""

REST_FOR_SELF_DISCHARGE_H = 24.0
"""Shortest rest that shows self-discharge apart from relaxation (common practice, no source). [h]"""

TAPER_RATE_IT = 0.05
"""Taper used in a sentence if the pack's own is not known (common practice, no source). [It]"""

Analysis = Mapping[str, Any]


def quantity_text(value: float, unit: str, digits: int = 4) -> str:
    """A bare value with its display unit, ``digits`` significant."""
    factor, name = display_unit(unit)
    shown = f"{value * factor:.{digits}g}"
    return f"{shown} {name}" if name else shown


def volts_text(voltage_v: float) -> str:
    """"42.0 V", "2.80 V": two decimals, from 10 V on the last one left out if it is zero."""
    shown = f"{voltage_v:.2f}"
    return f"{shown[:-1] if shown.endswith('0') and voltage_v >= 10 else shown} V"


def full_cycle_sentence(analysis: Analysis) -> str:
    """Charge to the taper, rest, discharge to the cut-off, with the pack's own figures."""
    return f"{_charge_clause(analysis)}, rest {REST_BEFORE_DISCHARGE_H:g} h, then {_discharge_clause(analysis)}."


def _charge_clause(analysis: Analysis) -> str:
    pack = part(analysis, "pack") or {}
    voltage = number(pack.get("charge_voltage_v"))
    if voltage is None and number(pack.get("group_charge_voltage_v")) and number(pack.get("series")):
        voltage = pack["group_charge_voltage_v"] * pack["series"]
    taper, rated = number(pack.get("taper_current_a")), number(pack.get("rated_capacity_ah"))
    if taper is None and rated:
        taper = TAPER_RATE_IT * rated
    to = f"to {volts_text(voltage)}" if voltage else "to the pack's rated charge voltage"
    until = f"until the current falls to {taper:.3g} A" if taper else f"until the current falls to {TAPER_RATE_IT:g} It"
    return f"Charge {to} {until}"


def _discharge_clause(analysis: Analysis, first_group: bool = True) -> str:
    pack = part(analysis, "pack") or {}
    cutoff, group_cutoff = number(pack.get("cutoff_voltage_v")), number(pack.get("group_cutoff_voltage_v"))
    if cutoff is None and group_cutoff and number(pack.get("series")):
        cutoff = group_cutoff * pack["series"]
    to = f"to {volts_text(cutoff)}" if cutoff else "to the pack's rated cut-off voltage"
    first = f", or until the first group reaches {volts_text(group_cutoff)}" if group_cutoff and first_group else ""
    return f"discharge {to}{first}"


def _advise_capacity(analysis: Analysis) -> list[str]:
    capacity = part(analysis, "capacity") or {}
    codes = list(capacity.get("reasons") or [])
    sentences = []
    if "protection_trip" in codes:
        group = analysis.get("limiting_group")
        who = f"group {group} gave out first: examine it" if group else "log the group voltages to see which gave out first"
        sentences.append(f"The protection ended the discharge early; {who} before the test is repeated.")
    if "cutoff_unknown" in codes:
        sentences.append("Enter cutoff_voltage_v (or group_cutoff_voltage_v) from the pack's label in the pack file.")
    sentences.append(full_cycle_sentence(analysis))
    if "log_gap" in codes:
        gaps = part(analysis, "reading", "clock", "gaps") or []
        longest = max((g for g in gaps if number(g.get("duration_s"))), key=lambda g: g["duration_s"], default=None)
        which = f" (this log misses {longest['duration_s']:.0f} s from {longest['start_s']:.0f} s on)" if longest else ""
        sentences.append(f"Log the whole discharge without a gap{which}, or log the instrument's own Ah counter with it.")
    if "temperature_out_of_range" in codes:
        mean = number(capacity.get("mean_temperature_c"))
        was = f" (it was at {mean:.0f} °C)" if mean is not None else ""
        sentences.append(f"Let the pack come to between 20 °C and 30 °C before the test{was}.")
    if "sampling_too_coarse" in codes:
        sentences += _advise_sampling(analysis)
    if "current_unsteady" in codes:
        sentences.append("Discharge at a constant current.")
    if "lead_drop" in codes:
        sentences.append("Take the pack voltage at the pack's own terminals (four wires), not at the load's.")
    return sentences


def _advise_taps(analysis: Analysis) -> list[str]:
    series = number(part(analysis, "pack", "series"))
    which = f"all {series:.0f} groups ({series + 1:.0f} taps)" if series and series > 1 else "every series group"
    return [
        f"Log the voltage of {which} through the charge, the rest and the discharge; "
        "fuse each tap lead, a tap carries the full short-circuit current of its group."
    ]


def _advise_rating(analysis: Analysis) -> list[str]:
    return ["Enter rated_capacity_ah from the pack's label in the pack file."]


def _advise_sampling(analysis: Analysis) -> list[str]:
    median = number(part(analysis, "reading", "sampling_s", "median"))
    now = f" (this log has a sample every {median:.3g} s)" if median and median > 1.0 else ""
    return [f"Log at 1 s or faster around the load steps{now}."]


def _advise_load_step(analysis: Analysis) -> list[str]:
    pack = part(analysis, "pack") or {}
    rated, most = number(pack.get("rated_capacity_ah")), number(pack.get("max_discharge_current_a"))
    step = 0.5 * rated if rated else None
    if step and most:
        step = min(step, most)
    how = f"of about {step:.2g} A" if step else "of about 0.5 It"
    return [f"Put one load step {how} on the rested pack, hold it for at least 10 s, and log at 1 s or faster."]


def _advise_rest(analysis: Analysis) -> list[str]:
    return [f"Let the pack rest {REST_BEFORE_DISCHARGE_H:g} h after the charge with the group voltages logged."]


def _advise_long_rest(analysis: Analysis) -> list[str]:
    return [
        f"Leave the charged pack at rest for {REST_FOR_SELF_DISCHARGE_H:g} h or longer at a steady temperature, "
        "with nothing connected but the group voltage leads, and log the group voltages."
    ]


def _advise_full_charge(analysis: Analysis) -> list[str]:
    return [f"{_charge_clause(analysis)}, with the group voltages logged to the end of the charge."]


def _advise_cycle(analysis: Analysis) -> list[str]:
    down, up = _discharge_clause(analysis, first_group=False), _charge_clause(analysis)
    return [
        f"Log one whole cycle between equal end states: {down}, {up[0].lower()}{up[1:]}, "
        f"rest {REST_BEFORE_DISCHARGE_H:g} h, and {down} once more in the same way."
    ]


def _advise_temperature(analysis: Analysis) -> list[str]:
    return ["Fix a temperature sensor to the cells in the middle of the pack and log it from before the load comes on."]


def _advise_estimate(analysis: Analysis) -> list[str]:
    cutoff = number(part(analysis, "pack", "group_cutoff_voltage_v"))
    to = volts_text(cutoff) if cutoff else "its cut-off voltage"
    return [
        "The capacity of the doubtful group is an estimate: discharge that group by itself from full to "
        f"{to}, through leads made for the current."
    ]


def _advise_uncertainty(analysis: Analysis) -> list[str]:
    return [f"{_DECLARE}; without them this figure has no stated uncertainty."]


_DECLARE = "Enter the limits of error of your instruments under [instrument] in the pack file"

ADVICE: dict[str, Callable[[Analysis], list[str]]] = {
    "capacity": _advise_capacity,
    "taps": _advise_taps,
    "rating": _advise_rating,
    "sampling": _advise_sampling,
    "load_step": _advise_load_step,
    "rest": _advise_rest,
    "long_rest": _advise_long_rest,
    "full_charge": _advise_full_charge,
    "cycle": _advise_cycle,
    "temperature": _advise_temperature,
    "estimate": _advise_estimate,
    "uncertainty": _advise_uncertainty,
}
"""Advice by what is lacking."""


# --- a value inside the guard band -------------------------------------------------------------------------

_CURES = (
    ("current gain", "a current meter or shunt with a smaller limit of error, or a calibration, lowers it"),
    ("current offset", "null the current reading with nothing connected, or discharge faster: this term grows with time"),
    ("full start", "let the charge run to the taper before the test"),
    ("instant", "log faster, so that the switch is better placed in time"),
    ("cut-off", "check the voltage reading near the cut-off against a better meter"),
    ("clock", "check the logger's clock against a better one"),
    ("gap", "repeat the test without a gap in the log"),
    ("voltage noise", "log the voltage with a finer resolution, or take a larger load step"),
    ("resolution", "log with a finer resolution"),
    ("voltage", "a voltage reading with a smaller limit of error lowers it"),
    ("temperature", "hold the temperature steadier"),
)

_PLAIN_CURES = {
    "load_step": " A larger load step lowers it in proportion.",
    "sampling": " A larger load step and faster samples lower it.",
    "long_rest": " A longer rest lowers it in proportion.",
    "rest": " A finer group voltage reading lowers it.",
    "full_charge": " A finer group voltage reading lowers it.",
    "temperature": " A better temperature sensor lowers it.",
}
# By the advice that belongs to the quantity; used where no budget is given.


def _cure(source: str) -> str:
    for word, cure in _CURES:
        if word in source.lower():
            return f"; {cure}"
    return ""


def needed_u(value: float, limit: float, guard_factor: float) -> float:
    """Largest standard uncertainty with which ``value`` would still be told apart from ``limit``."""
    return abs(value - limit) / guard_factor


def needed_term(terms: Sequence[float], index: int, target: float) -> float | None:
    """Largest size of one term of a budget so that the root sum of squares is ``target``; None if none will do."""
    rest = sum(term * term for i, term in enumerate(terms) if i != index)
    left = target * target - rest
    return math.sqrt(left) if left > 0 else None


def guard_sentences(
    analysis: Analysis, quantity: Quantity, value: float, u: float, limit: float, guard_factor: float, group: int | None
) -> list[str]:
    """How far the uncertainty of a value inside the guard band must come down, and which term leads."""
    target = needed_u(value, limit, guard_factor)
    who = f"{quantity.label}, group {group}" if group else quantity.label
    if target < 0.02 * u:
        return [
            f"{who}: {figure_text(value, u, quantity.unit)} lies on the limit {quantity_text(limit, quantity.unit)}; "
            "no better instrument will tell, only the judgement of a person or another limit."
        ]
    need = (
        f"{who}: the standard uncertainty must fall from {quantity_text(u, quantity.unit, 2)} to "
        f"{quantity_text(target, quantity.unit, 2)} to tell {figure_text(value, u, quantity.unit)} "
        f"from the limit {quantity_text(limit, quantity.unit)}"
    )
    budget, unit, scale = _budget(analysis, quantity)
    undeclared = part(analysis, "instrument", "declared") is False
    if not budget:
        cure = f" {_DECLARE}; wide defaults were taken." if undeclared else _PLAIN_CURES.get(quantity.advice, "")
        return [f"{need}.{cure}"]
    terms = [term for _, term in budget]
    lead = max(range(len(terms)), key=lambda i: terms[i])
    source = budget[lead][0]
    text = f"{need}. The largest term is {source} ({quantity_text(terms[lead], unit, 2)})"
    term_target = needed_term(terms, lead, target * scale)
    if undeclared:
        return [f"{text}: {_DECLARE.lower()[0]}{_DECLARE[1:]}; wide defaults were taken, your own may already be good enough."]
    if term_target is None:
        others = sorted((i for i in range(len(terms)) if i != lead), key=lambda i: -terms[i])
        second = f", {budget[others[0]][0]} ({quantity_text(terms[others[0]], unit, 2)}) must come down too" if others else ""
        return [f"{text}{second}{_cure(source)}."]
    return [f"{text} and must come down to {quantity_text(term_target, unit, 2)}{_cure(source)}."]


def _budget(analysis: Analysis, quantity: Quantity) -> tuple[list[tuple[str, float]], str, float]:
    """Terms of the budget behind a quantity, their unit, and the factor from the quantity's unit to it."""
    if quantity.budget == "capacity":
        rows, key, unit, scale = part(analysis, "capacity", "budget"), "standard_uncertainty_ah", "Ah", 1.0
        if quantity.unit == "share":
            scale = number(part(analysis, "pack", "rated_capacity_ah")) or 0.0
    elif quantity.budget == "resistance":
        rows, key, unit, scale = part(analysis, "resistance", "budget"), "standard_uncertainty_ohm", "ohm", 1.0
    else:
        return [], quantity.unit, 1.0
    terms = [(str(row.get("source")), number(row.get(key)) or 0.0) for row in rows or []]
    return ([] if not scale else [term for term in terms if term[1] > 0]), unit, scale
