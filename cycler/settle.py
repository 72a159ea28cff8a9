"""What would settle a criterion that is not proven: sentences worked out from what the analysis lacks.

Each advice is a function of the analysis; ratings come from ``analysis["pack"]``, so the sentence names the
voltages and currents to set. The advice that concerns an uncertainty is worked out from the budget.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cycler.criteria_quantities import (
    ABOVE_RATING_DOUBTED,
    Quantity,
    groups_not_logged,
    groups_text,
    number,
    part,
)
from cycler.difference import same_instrument
from cycler.quantities import display_unit, figure_text, significant_text

REST_BEFORE_DISCHARGE_H = 1.0
"""Rest between charge and discharge. The standards for portable cells ask 1 h to 4 h (from memory). [h]"""

REST_FOR_SELF_DISCHARGE_H = 24.0
"""Shortest rest that shows self-discharge apart from relaxation (common practice, no source). [h]"""

LEAK_MARGIN = 2.0
"""How many times the rest that would just show a leak at the limit is asked for: to show that there is none, four standard uncertainties must
fit below the limit instead of two, and the uncertainty of a drift falls with the time at least in proportion."""

LONGEST_REST_H = 720.0
"""Longest rest worth asking for: what is lost in 30 days is better counted by a discharge. [h] Common practice, no source."""

TAPER_RATE_IT = 0.05
"""Taper used in a sentence if the pack's own is not known (common practice, no source). [It]"""

Analysis = Mapping[str, Any]


def quantity_text(value: float, unit: str, digits: int = 4) -> str:
    """A bare value with its display unit, ``digits`` significant."""
    factor, name = display_unit(unit)
    shown = significant_text(value * factor, digits)
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
    until = f"until the current falls to {significant_text(taper, 3)} A" if taper else f"until the current falls to {TAPER_RATE_IT:g} It"
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
        sentences.append(
            f"The protection ended the discharge early; {who} before the test is repeated. Do not bypass the board: where it cuts off healthy groups, check "
            "whether that cut-off is the one it should have."
        )
    if "cutoff_unknown" in codes:
        sentences.append("Enter cutoff_voltage_v (or group_cutoff_voltage_v) from the pack's label in the pack file.")
    misread = {"unit_doubtful", "sign_doubtful", "capacity_above_rating"} & set(codes)
    if "capacity_above_rating" in codes:
        sentences += _advise_above_rating(analysis)
    if misread - {"capacity_above_rating"}:
        sentences.append(
            "Find out whether the log was read rightly, and state the right unit or direction in a columns file: this very log may then do."
        )
    if not misread or set(codes) - misread:
        sentences.append(full_cycle_sentence(analysis))
    if "log_gap" in codes:
        gaps = part(analysis, "reading", "clock", "gaps") or []
        told = [g for g in gaps if number(g.get("duration_s")) and "not known" not in str(g.get("why") or "")]
        longest = max(told, key=lambda g: g["duration_s"], default=None)
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
        "fuse each tap lead, a tap carries the full short-circuit current of its group. Where nobody can reach the taps it stays not proven.",
        full_cycle_sentence(analysis),
    ]


def _advise_tap(analysis: Analysis) -> list[str]:
    groups = groups_not_logged(analysis)
    which = f"the tap of {groups_text(groups)}" if len(groups) == 1 else f"the taps of {groups_text(groups)}"
    return [
        f"Log {which} too, of which this log holds no usable readings: check lead, plug and channel; fuse each tap lead, a tap carries the "
        "full short-circuit current of its group."
    ]


def _advise_above_rating(analysis: Analysis) -> list[str]:
    health = number(part(analysis, "capacity", "state_of_health"))
    if "capacity_above_rating" in (part(analysis, "capacity", "reasons") or []) and health:
        amount = f"at {significant_text(health, 2)} times the rating, which no pack gives"
    else:
        amount = f"above {100 * ABOVE_RATING_DOUBTED:.0f} % of the rating"
    return [
        f"The capacity comes out {amount}: check the unit of the time (s, min or h) and the unit of the current (A or mA) in the log or its columns file, "
        "hold the current reading against a better meter, and check rated_capacity_ah in the pack file; then analyse the log again."
    ]


def _advise_rating(analysis: Analysis) -> list[str]:
    return ["Enter rated_capacity_ah from the pack's label in the pack file."]


def _advise_rated_energy(analysis: Analysis) -> list[str]:
    return ["Enter rated_energy_wh from the pack's label in the pack file."]


def _advise_before(analysis: Analysis) -> list[str]:
    return [
        "This set asks for a figure against an earlier test of the same pack: name that test, or judge by a set that does not ask for it. A pack that "
        "was never tested before cannot meet it."
    ]


def _advise_before_lost(analysis: Analysis) -> list[str]:
    return [
        "The earlier test of the pack does not give the figure and cannot be made again: hold the pack against another earlier test, or judge by a set "
        "that does not ask for it."
    ]


def _advise_before_alike(analysis: Analysis) -> list[str]:
    before = part(analysis, "before", "capacity") or {}
    rate, mean = number(before.get("rate_it")), number(before.get("mean_temperature_c"))
    known = (None if rate is None else f"{rate:.2g} It", None if mean is None else f"{mean:.0f} °C")
    at = " and ".join(shown for shown in known if shown) or "the same current and temperature"
    return [f"Repeat the test as the earlier one was made, at {at}: {full_cycle_sentence(analysis)}"]


def _advise_sampling(analysis: Analysis) -> list[str]:
    median = number(part(analysis, "reading", "sampling_s", "median"))
    now = f" (this log has a sample every {significant_text(median, 3)} s)" if median and median > 1.0 else ""
    return [f"Log at 1 s or faster around the load steps{now}."]


def _advise_load_step(analysis: Analysis) -> list[str]:
    pack = part(analysis, "pack") or {}
    rated, most = number(pack.get("rated_capacity_ah")), number(pack.get("max_discharge_current_a"))
    step = 0.5 * rated if rated else None
    if step and most:
        step = min(step, most)
    how = f"of about {significant_text(step, 2)} A" if step else "of about 0.5 It"
    return [f"Put one load step {how} on the rested pack, hold it for at least 10 s, and log at 1 s or faster."]


def _advise_rest(analysis: Analysis) -> list[str]:
    return [f"Let the pack rest {REST_BEFORE_DISCHARGE_H:g} h after the charge with the group voltages logged."]


def _rest_for_limit_h(analysis: Analysis, limit_ma: float | None) -> float:
    """Rest that would just show a leak at the limit, as the groups tell it for their own limit; 0 if they do not.

    Another limit takes a rest in inverse proportion, since the uncertainty of a drift falls with the time at least in proportion.
    """
    hours = 0.0
    for group in analysis.get("groups") or []:
        stated, for_ma = number(group.get("shortest_rest_h_for_limit")), number(group.get("self_discharge_limit_ma"))
        if stated:
            hours = max(hours, stated * (max(for_ma / limit_ma, 1.0) if for_ma and limit_ma else 1.0))
    return hours


def advise_long_rest(analysis: Analysis, limit_ma: float | None = None) -> list[str]:
    """How long to leave the pack so that a leak at ``limit_ma`` [mA] is shown or excluded; without it, at the limit the analysis knew."""
    stated = _rest_for_limit_h(analysis, limit_ma)
    hours = max(REST_FOR_SELF_DISCHARGE_H, math.ceil(LEAK_MARGIN * stated))
    if hours > LONGEST_REST_H:
        return _advise_retention(analysis)
    why = "a cycle does not show a leaking cell"
    if stated:
        why += f". {math.ceil(stated):g} h would show a leak at the limit on this bench"
        why += ", but cells relax for most of a day" if hours == REST_FOR_SELF_DISCHARGE_H else "; to show that there is none takes twice as long"
    return [
        f"Leave the charged pack at rest for {hours:g} h or longer at a steady temperature, "
        f"with nothing connected but the group voltage leads, and log the group voltages: {why}."
    ]


def _advise_retention(analysis: Analysis) -> list[str]:
    return ["Charge the pack, leave it for 30 days, then discharge it and charge it again to count what was lost: a rest alone cannot tell it."]


def _advise_rest_below_top(analysis: Analysis) -> list[str]:
    return [
        f"Take a fifth of the charge out, where no balancer works, and leave the pack at rest for {REST_FOR_SELF_DISCHARGE_H:g} h or longer with "
        "the group voltages logged."
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
    "tap": _advise_tap,
    "above_rating": _advise_above_rating,
    "rating": _advise_rating,
    "rated_energy": _advise_rated_energy,
    "before": _advise_before,
    "before_lost": _advise_before_lost,
    "before_alike": _advise_before_alike,
    "sampling": _advise_sampling,
    "load_step": _advise_load_step,
    "rest": _advise_rest,
    "long_rest": advise_long_rest,
    "retention": _advise_retention,
    "rest_below_top": _advise_rest_below_top,
    "full_charge": _advise_full_charge,
    "cycle": _advise_cycle,
    "temperature": _advise_temperature,
    "estimate": _advise_estimate,
    "uncertainty": _advise_uncertainty,
}
"""Advice by what is lacking."""

_EFFORT = (
    ("rating", "rated_energy", "uncertainty", "above_rating", "before", "before_lost"),  # a line in a file
    ("sampling", "load_step"),  # minutes
    ("tap", "taps", "temperature"),  # leads or a sensor to fit before the test that is run anyway
    ("full_charge", "rest", "capacity"),  # hours
    ("cycle", "before_alike"),
    ("long_rest", "rest_below_top"),  # a day or more
    ("guard", "estimate"),  # something to buy, or a group to open
    ("retention",),  # a month
)


def effort(lack: str) -> int:
    """Rank of what is lacking by what it costs to mend, the cheapest 0. The order is common practice, no source."""
    return next((rank for rank, lacks in enumerate(_EFFORT) if lack in lacks), len(_EFFORT))


def without_repeats(analysis: Analysis, sentences: Sequence[str]) -> list[str]:
    """Each sentence once, and no charge or rest by itself where the whole cycle is asked for."""
    whole = full_cycle_sentence(analysis)
    held = [*_advise_full_charge(analysis), *_advise_rest(analysis)] if whole in sentences else []
    return [sentence for sentence in dict.fromkeys(sentences) if sentence not in held]


# --- a value inside the guard band -------------------------------------------------------------------------

_ROOT_3 = math.sqrt(3.0)  # a limit of error is the half-width of a rectangular distribution

TIMES_MAX = 10.0
"""How many times as good or as fine a meter can be bought or set. Common practice, no source."""
OFTEN_MAX = 20.0
"""How many times as often a log can sample. Common practice, no source."""
FINEST = {"current_gain": 1e-4, "voltage_gain": 2e-5, "group_voltage_gain": 5e-5, "current_offset_a": 1e-4, "clock_gain": 1e-6, "group_v": 1e-4, "pack_v": 1e-3}
"""Limits of error below which no meter of a workshop goes: of reading, [A], of time, [V]. Common practice, no source."""


def needed_u(value: float, limit: float, guard_factor: float) -> float:
    """Largest standard uncertainty with which ``value`` would still be told apart from ``limit``.

    One standard uncertainty more than the guard band must fit between the two, because the next value will not fall on this one.
    """
    return abs(value - limit) / (guard_factor + 1.0)


def needed_scale(terms: Sequence[float], target: float) -> tuple[tuple[int, ...], float]:
    """Which terms of a budget must shrink, and to what part of their size, so that the root sum of squares is ``target``.

    The largest terms, as few as leave the others with at most seven eighths of the target; they shrink alike.
    """
    order = sorted(range(len(terms)), key=lambda i: -terms[i])
    for count in range(1, len(order) + 1):
        shrinking = order[:count]
        rest = sum(terms[i] ** 2 for i in order[count:])
        if rest <= (0.875 * target) ** 2:
            scale = math.sqrt((target**2 - rest) / sum(terms[i] ** 2 for i in shrinking))
            return tuple(shrinking), min(scale, 1.0)
    return tuple(order), 1.0


def guard_sentences(
    analysis: Analysis, quantity: Quantity, value: float, u: float, limit: float, guard_factor: float, group: int | None
) -> list[str]:
    """Which meter, load step or rest would tell a value inside the guard band from its limit."""
    target = needed_u(value, limit, guard_factor)
    who = f"{quantity.label}, group {group}" if group else quantity.label
    shown, at = figure_text(value, u, quantity.unit), quantity_text(limit, quantity.unit)
    if target < 0.02 * u:
        return [
            f"{who}: {shown} lies on the limit {at}; no better instrument will tell, only the judgement of a person or another limit."
        ]
    found = _needs_by_budget(analysis, quantity, target) or _needs(analysis, quantity, value, u, target)
    needs = [need for need in found if need]
    if len(needs) < len(found):
        return [f"{who}: {shown} lies too near the limit {at} for any meter that can be bought; {_instead(quantity)}."]
    text = f"{who}: {shown} cannot be told from the limit {at} by this bench. "
    if part(analysis, "instrument", "declared") is False:
        text += f"{_DECLARE}; wide defaults were taken, your own may already be good enough. "
    return [f"{text}Needed: {'; and '.join(needs)}."]


def _instead(quantity: Quantity) -> str:
    """What is left where no meter is good enough."""
    person = "only the judgement of a person or another limit will decide"
    if quantity.id in ("group_ohmic_ratio_worst", "group_ohmic_worst_ohm", "ohmic_ohm"):
        return f"the 10 s resistance may still be told, and a four-wire milliohm meter on the joints tells more; else {person}"
    if quantity.advice == "load_step":
        return f"a four-wire milliohm meter on group and joints tells more; else {person}"
    if quantity.id.startswith("spread_") or quantity.id == "group_sag_end_v":
        return f"the groups' start deficit and capacity tell the same in ampere-hours; else {person}"
    return person


def _needs_by_budget(analysis: Analysis, quantity: Quantity, target: float) -> list[str | None]:
    """What to buy or do, one clause for each term of the budget that must shrink; empty without a budget."""
    if quantity.budget == "capacity":
        rows, key, scale = part(analysis, "capacity", "budget"), "standard_uncertainty_ah", 1.0
        if quantity.unit == "share":
            scale = number(part(analysis, "pack", "rated_capacity_ah")) or 0.0
    elif quantity.budget == "resistance":
        rows, key, scale = part(analysis, "resistance", "budget"), "standard_uncertainty_ohm", 1.0
    else:
        return []
    terms = [(str(row.get("source")), number(row.get(key)) or 0.0) for row in rows or []]
    if quantity.budget == "capacity":  # no better ammeter tells how full the pack was, which counts for its capacity
        terms.append(("charge voltage", number(part(analysis, "capacity", "u_charge_voltage_ah")) or 0.0))
    terms = [term for term in terms if term[1] > 0]
    if not terms or not scale:
        return []
    shrinking, share = needed_scale([term for _, term in terms], target * scale)
    return list(dict.fromkeys(_need(analysis, quantity, terms[index][0], share) for index in shrinking))


def _by_times(clause: str, share: float, most: float = TIMES_MAX) -> str | None:
    """The clause with its factor in place of {}, None where nobody could do so much."""
    return clause.format(_times(share)) if 1.0 / share <= most else None


def _floor(value: float, digits: int = 2) -> str:
    """A limit of error cut to ``digits`` significant digits, never rounded up."""
    if value <= 0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return significant_text(math.floor(value / step + 1e-9) * step, digits)


def _times(share: float) -> str:
    """"2.3 times" for a share of 0.44, rounded up to two digits."""
    factor = 1.0 / share
    step = 10.0 ** (math.floor(math.log10(factor)) - 1)
    return f"{significant_text(math.ceil(factor / step - 1e-9) * step, 2)} times"


def _stated(analysis: Analysis, key: str) -> float:
    return number(part(analysis, "instrument", key)) or 0.0


def _of_reading(analysis: Analysis, key: str, share: float, meter: str) -> str | None:
    now = _stated(analysis, key)
    if not now:
        return _by_times(f"{meter} {{}} as good", share)
    if share * now < FINEST[key]:
        return None
    return f"{meter} within {_floor(100 * share * now)} % of reading (limit of error, now {significant_text(100 * now, 2)} %)"


def _group_meter(analysis: Analysis, limit_v: float) -> str | None:
    if limit_v < FINEST["group_v"]:
        return None
    return f"a meter for the group voltages whose error is below {_floor(1e3 * limit_v)} mV per group (limit of error)"


def _group_limit_now(analysis: Analysis, voltage_v: float | None) -> float:
    """Limit of error of one group reading at a voltage, as its uncertainty is made: gain and zero as two rectangles. [V]"""
    return math.hypot(_stated(analysis, "group_voltage_gain") * (voltage_v or 0.0), _stated(analysis, "group_voltage_offset_v"))


def _voltmeter(analysis: Analysis, share: float, voltage_v: float | None, where: str) -> str | None:
    """A voltmeter for the pack, good enough at one voltage."""
    now = math.hypot(_stated(analysis, "voltage_gain") * (voltage_v or 0.0), _stated(analysis, "voltage_offset_v"))
    if not now:
        return _by_times(f"a voltage reading {{}} as good {where}", share)
    if share * now < FINEST["pack_v"]:
        return None
    return f"a voltmeter whose error is below {_floor(1e3 * share * now)} mV {where} (limit of error)"


def _need(analysis: Analysis, quantity: Quantity, source: str, share: float) -> str | None:
    """What brings one term of a budget down to ``share`` of its size; None where nothing that can be bought does."""
    name = source.lower()
    if name == "current gain":
        return _of_reading(analysis, "current_gain", share, "a current clamp or shunt")
    if name == "voltage gain":
        by_groups = part(analysis, "resistance", "headline", "source") == "group_sum"
        return _of_reading(analysis, "group_voltage_gain" if by_groups else "voltage_gain", share, "a voltmeter")
    if name == "current offset":
        now = _stated(analysis, "current_offset_a")
        if share * now < FINEST["current_offset_a"] if now else 1.0 / share > TIMES_MAX:
            return None
        size = f"whose zero error is below {_floor(1e3 * share * now)} mA (now {significant_text(1e3 * now, 2)} mA)" if now else (
            f"with a zero error {_times(share)} as small"
        )
        return f"a current reading {size}: null it with nothing connected, or discharge faster"
    if name == "clock":
        now = _stated(analysis, "clock_gain")
        if now and share * now < FINEST["clock_gain"]:
            return None
        return f"a logger clock within {_floor(100 * share * now)} %" if now else "a better logger clock"
    if name == "cut-off voltage":
        if part(analysis, "capacity", "end_group") or part(analysis, "capacity", "end_reason") == "group_cutoff":
            now = _group_limit_now(analysis, number(part(analysis, "pack", "group_cutoff_voltage_v")))
            if now:
                return _group_meter(analysis, share * now)
        return _voltmeter(analysis, share, number(part(analysis, "pack", "cutoff_voltage_v")), "at the cut-off")
    if name == "charge voltage":
        return _voltmeter(analysis, share, number(part(analysis, "pack", "charge_voltage_v")), "at the end of charge")
    for word, clause in (
        ("full start", "a charge that runs to the taper before the test"),
        ("gap", "a log without a gap"),
        ("missing", "a reading of the current in every row"),
        ("lead", "the pack voltage taken at the pack's own terminals (four wires)"),
    ):
        if word in name:
            return clause
    if "instant" in name:
        return _by_times("samples {} as often around the switches of the current", share, OFTEN_MAX)
    if "noise" in name or "resolution" in name:
        if "current" in name:
            return _by_times("a current reading {} as fine", share)
        return _load_step(analysis, share, "the voltage")
    return _by_times(f"{source} {{}} as small", share)


def _load_step(analysis: Analysis, share: float, what: str) -> str | None:
    """A larger load step or a finer reading; the step only where the pack file says that the pack may carry it."""
    now, most = number(part(analysis, "resistance", "headline", "current_step_a")), number(part(analysis, "pack", "max_discharge_current_a"))
    finer = _by_times(f"{what} logged {{}} as finely", share)
    if not most or (now and abs(now) / share > most) or (not now and finer is None):
        return finer
    size = f" (about {significant_text(abs(now) / share, 2)} A)" if now else ""
    larger = f"a load step {_times(share)} as large{size}"
    return f"{larger}, or {finer}" if finer else larger


def _needs(analysis: Analysis, quantity: Quantity, value: float, u: float, target: float) -> list[str | None]:
    """The same for quantities without a budget of their own, worked back from how their uncertainty is made."""
    share = min(target / u, 1.0)
    name = quantity.id
    if quantity.needs_before:  # the earlier test cannot be made again, the later one can
        one_bench = same_instrument(analysis["before"], analysis)
        return [None if one_bench else "the test once more on the bench of the earlier one, whose gain errors then cancel"]
    if name in ("group_lowest_v", "group_highest_v"):
        return [_group_meter(analysis, _ROOT_3 * target)]
    if name.startswith("spread_") or name == "group_sag_end_v":  # a difference of two readings: u = sqrt(2) a / sqrt(3)
        return [_group_meter(analysis, _ROOT_3 * target / math.sqrt(2.0))]
    if name in ("start_deficit_share_worst", "group_capacity_ratio_worst"):
        voltage = number(part(analysis, "pack", "group_charge_voltage_v")) or 4.0
        now = _group_limit_now(analysis, voltage)
        return [_group_meter(analysis, share * now) if now else _by_times("group voltages {} as fine", share)]
    if name == "temperature_max_c":
        return [f"a temperature sensor whose error is below {_floor(_ROOT_3 * target)} °C (limit of error)"]
    if name == "temperature_rise_k":  # half the sensor's limit counts for a rise
        return [f"a temperature sensor whose error is below {_floor(2.0 * _ROOT_3 * target)} °C (limit of error)"]
    if name.startswith("self_discharge"):
        slopes = [(number(g.get("u_slope_at_rest_v_per_ah")), number(g.get("slope_at_rest_v_per_ah"))) for g in analysis.get("groups") or []]
        share_open = max((u_slope / slope for u_slope, slope in slopes if u_slope and slope), default=_SLOPE_SHARE)
        if target <= share_open * abs(value):
            return ["the pack charged, left for 30 days, then discharged to count what is left; a rest alone cannot tell it"]
        longest = max((number(rest.get("duration_s")) or 0.0 for rest in analysis.get("rest") or []), default=0.0)
        hours = max(longest / share / 3600.0, REST_FOR_SELF_DISCHARGE_H)
        if hours > LONGEST_REST_H:
            return ["the pack charged, left for 30 days, then discharged to count what is left; a rest alone cannot tell it"]
        return [f"a rest of {significant_text(math.ceil(hours - 1e-6), 2)} h or longer with the group voltages logged"]
    if quantity.advice == "sampling":
        ways = [_by_times("samples {} as often around the load steps", share, OFTEN_MAX), _load_step(analysis, share, "the voltage")]
        return [", or ".join(way for way in ways if way) or None]
    if quantity.advice == "load_step":
        return [_load_step(analysis, share, "the group voltages" if quantity.needs_siblings else "the voltage")]
    if quantity.advice == "cycle":
        now = _stated(analysis, "current_offset_a")
        if share * now < FINEST["current_offset_a"] if now else 1.0 / share > TIMES_MAX:
            return [None]
        zero = f" whose zero error is below {_floor(1e3 * share * now)} mA" if now else f" {_times(share)} as good"
        return [f"a current reading{zero}, or a cycle with more current"]
    return [_by_times("current and voltage meters {} as good (limits of error)", share)]


_SLOPE_SHARE = 0.25
"""Part of a leak that stays open however long the rest is where the analysis does not tell it: the curve under load stands in for the one at rest."""
