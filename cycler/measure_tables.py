"""Lines of the measures that stand beside capacity and resistance: at most one figure each, or what to record to get it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from cycler.criteria_quantities import number, part
from cycler.quantities import significant_text
from cycler.record.text import END_WORDS, code_label, code_phrase
from cycler.terminal import duration, figure, items, sentence

Rows = list[tuple[str, str]]

POWER_BOUND = {
    "pack_voltage": "where the pack is down to {limit}", "group_voltage": "where group {group} is down to {limit}",
    "max_discharge_current": "the highest current stated for the pack",
}
# What to record next time, by the code of what stood in the way.
NEXT_POWER = {
    "no_load_step": "Log a load of 10 s from rest.", "sampling_too_coarse": "Log a row every second from before the load comes on until 10 s after.",
    "not_rested": "Let the pack rest for half an hour before the load.",
    "no_voltage_before": "Log the voltage from before the load comes on.",
    "no_voltage_limit": "State cutoff_voltage_v, group_cutoff_voltage_v or max_discharge_current_a in the pack file.",
}
NEXT_TAPER = {
    "no_constant_voltage": "Charge on until the current has fallen to {taper}.",
    "taper_current_not_reached": "Charge on until the current has fallen to {taper}.",
    "taper_too_short": "Charge on until the current has fallen to {taper}, with a row every 10 s or oftener.",
    "zero_hides_taper": "Log some minutes without current too, so that the zero of the ammeter is seen.",
}
NEXT_CYCLES = {
    "too_few_points": "Log three cycles or more with the same charge, rest, load and end.",
    "rated_capacity_unknown": "State rated_capacity_ah in the pack file.",
}
LEAK_REASONS = ("plateau_flat", "balancer_possible", "outside_curve", "slope_vague", "no_discharge_curve", "log_gap", "too_few_siblings", "readings_too_few")
"""Reasons against a leak that a longer rest does not mend, the most telling first."""


def ended_because(code: Any) -> str:
    """Why a step or a discharge ended, as a clause after "ended"."""
    own = {
        "set_by_program": "by the operator or the program before any cut-off", "log_end": "where the log ends",
        "gap": "where the log breaks off",
    }
    return own.get(str(code)) or f"because {END_WORDS.get(str(code), code)}"


def phrases(codes: Iterable[Any]) -> str:
    """Reasons in words, to stand inside a sentence; codes that say the same are told once."""
    return "; ".join(dict.fromkeys(code_phrase(code) for code in codes))


def rounded(value: Any, unit: str, digits: int = 3) -> str:
    """A setting or a condition, without an uncertainty of its own."""
    exact = number(value)
    return "not known" if exact is None else f"{significant_text(exact, digits)} {unit}"


def beside_capacity(analysis: Mapping[str, Any]) -> Rows:
    """Capacity to each cut-off where that is another figure, capacity at the rating, and why there is no efficiency or temperature."""
    return [*_cutoff_row(analysis), *_corrected_row(analysis), *_wanting_rows(analysis)]


def beside_resistance(analysis: Mapping[str, Any]) -> Rows:
    """Power, charge, taper and the line through the cycles."""
    return [*_power_rows(analysis), *_charge_rows(analysis), *_cycle_rows(analysis)]


def _cutoff_row(analysis: Mapping[str, Any]) -> Rows:
    capacity = analysis.get("capacity") or {}
    end_s = number(part(capacity, "at_s", "end_s"))
    met = [
        (one, group) for one, group in ((capacity.get("to_first_group_cutoff"), True), (capacity.get("to_pack_cutoff"), False))
        if one and number(one.get("value_ah")) is not None
    ]
    if end_s is None or all(abs((number(one.get("at_s")) or 0.0) - end_s) < 1e-6 for one, _ in met):
        return []
    told = []
    for one, group in sorted(met, key=lambda item: number(item[0].get("at_s")) or 0.0):
        limit = rounded(part(analysis, "pack", "group_cutoff_voltage_v" if group else "cutoff_voltage_v"), "V", 4)
        text = f"{figure(one['value_ah'], one.get('u_value_ah'), 'Ah')} until {cutoff_name(one, group)} is down to {limit}"
        doubts = phrases(code for code in items(one.get("reasons")) if code not in items(capacity.get("reasons")))
        told.append(text + (f" ({doubts})" if doubts else ""))
    return [("To cut-offs", sentence("; ".join(told)))]


def cutoff_name(one: Mapping[str, Any], group: bool) -> str:
    """"group 4", "the first group" or "the pack"."""
    return (f"group {one['group']}" if one.get("group") else "the first group") if group else "the pack"


def _corrected_row(analysis: Mapping[str, Any]) -> Rows:
    corrected = part(analysis, "capacity", "corrected")
    if not corrected:
        return []
    at = f"{rounded(corrected.get('to_rate_it'), 'It')} and {rounded(corrected.get('to_temperature_c'), '°C')}"
    if number(corrected.get("value_ah")) is None:
        return [("At the rating", sentence(f"not given for {at}: {phrases(items(corrected.get('reasons')))}"))]
    value = figure(corrected["value_ah"], corrected.get("u_value_ah"), "Ah")
    return [("At the rating", f"{value} at {at}, calculated with the coefficients of the pack file. Quote the measured figure; the verdict does not use this one.")]


def _wanting_rows(analysis: Mapping[str, Any]) -> Rows:
    rows = []
    measured = number(part(analysis, "capacity", "value_ah")) is not None
    implausible = any(item.get("code") == "efficiency_implausible" for item in items(analysis.get("findings")))
    if measured and not analysis.get("efficiency") and not implausible:
        rows.append(("Efficiency", "Not known: no charge and discharge between the same end states. Discharge, charge, rest and discharge once more in one log."))
    thermal = analysis.get("thermal") or {}
    if number(thermal.get("max_c")) is None and items(thermal.get("reasons")):
        curve = any(item.get("code") == "thermistor_curve_unknown" for item in items(analysis.get("findings")))
        next_time = "State its curve under [thermistor] in the pack file" if curve else "Fix a sensor to the cells and log it"
        rows.append(("Temperature", f"Not known: {phrases(thermal['reasons'])}. {next_time}."))
    return rows


def _power_rows(analysis: Mapping[str, Any]) -> Rows:
    power = analysis.get("power") or {}
    reasons = items(power.get("reasons"))
    if any(item.get("severity") in ("danger", "defect") for item in items(analysis.get("findings"))):
        # What a faulty pack could give for ten seconds is no figure to act on; --details has it.
        return []
    if number(power.get("discharge_10s_w")) is None:
        # Without a resistance there is no power either, and the line above says why.
        if not reasons or not part(analysis, "resistance", "headline"):
            return []
        return [("Power", " ".join((f"Not known: {phrases(reasons)}.", *(NEXT_POWER[code] for code in reasons if code in NEXT_POWER))))]
    bound = POWER_BOUND.get(str(power.get("limited_by")), "").format(limit=rounded(power.get("limit_v"), "V", 4), group=power.get("group"))
    text = f"{figure(power['discharge_10s_w'], power.get('u_discharge_10s_w'), 'W')} for 10 s, at {rounded(power.get('current_a'), 'A')}"
    text += f", {bound}" if bound else ""
    state = power_state(power)
    doubts = ", ".join(map(code_label, reasons))
    return [("Power", f"{sentence(text)} Calculated{f' for {state}' if state else ''}{f'; doubts: {doubts}' if doubts else ''}.")]


def power_state(power: Mapping[str, Any]) -> str:
    """State of charge and temperature that a power holds for, "" if neither is known."""
    charged, warm = number(power.get("state_of_charge")), number(power.get("temperature_c"))
    parts = [f"a pack {100 * charged:.0f} % charged"] if charged is not None else []
    return " at ".join([*parts, *([f"{warm:.0f} °C"] if warm is not None else [])])


def charge_before(analysis: Mapping[str, Any]) -> tuple[Mapping[str, Any], int] | None:
    """The charge next before the discharge that counts (else the last of all), and its place from 1."""
    charges = items(analysis.get("charges"))
    start = number(part(analysis, "capacity", "at_s", "start_s"))
    before = [k for k, one in enumerate(charges) if start is not None and (number(one.get("end_s")) or 0.0) <= start + 1.0]
    place = before[-1] if before else len(charges) - 1
    return (charges[place], place + 1) if charges else None


def charge_parts(charge: Mapping[str, Any]) -> str:
    """Shares at constant current and constant voltage, "" if not known."""
    told = []
    for key, name in (("cc_share", "at constant current"), ("cv_share", "at constant voltage")):
        share = number(charge.get(key))
        if share:
            told.append("all of it " + name if share > 0.99999 else f"{figure(share, charge.get(f'u_{key}'), 'share')} of it {name}")
    return " and ".join(told)


def _charge_rows(analysis: Mapping[str, Any]) -> Rows:
    found = charge_before(analysis)
    if found is None:
        return []
    charge, place = found
    reasons = items(charge.get("reasons"))
    count = len(items(analysis.get("charges")))
    which = f" ({place} of {count} charges)" if count > 1 else ""
    if number(charge.get("charge_ah")) is None:
        return [("Charge", f"Not known{which}: {phrases(code for code in reasons if code == 'log_gap')}. Log the charge without a gap.")]
    parts = charge_parts(charge)
    neither = phrases(code for code in reasons if code == "held_neither_constant")
    text = f"{figure(charge['charge_ah'], charge.get('u_charge_ah'), 'Ah')} put in{which}"
    rows = [("Charge", sentence("; ".join(filter(None, (f"{text}, {parts}" if parts else text, neither)))))]
    return [*rows, ("Taper", taper_text(charge, part(analysis, "pack", "taper_current_a")))]


def taper_text(charge: Mapping[str, Any], taper_a: Any = None) -> str:
    """Time constant and missing charge of one charge, or why there are none and what to do about it."""
    reasons = [code for code in items(charge.get("reasons")) if code.startswith("taper") or code in NEXT_TAPER]
    end = rounded(taper_a, "A") if number(taper_a) else "the end current of the cell maker"
    mend = " ".join(dict.fromkeys(NEXT_TAPER[code].format(taper=end) for code in reasons if code in NEXT_TAPER))
    if number(charge.get("taper_time_constant_s")) is None:
        return f"Not known: {phrases(reasons[:1])}. {mend}".rstrip()
    return " ".join((taper_figures(charge), *([sentence(phrases(reasons))] if reasons else []), *([mend] if mend else [])))


def taper_figures(charge: Mapping[str, Any]) -> str:
    """Time constant and missing charge of one charge, "" without them."""
    if number(charge.get("taper_time_constant_s")) is None:
        return ""
    text = f"current falls to 37 % in {figure(charge['taper_time_constant_s'], charge.get('u_taper_time_constant_s'), 's')}"
    if number(charge.get("missing_ah")) is not None:
        text += f"; {figure(charge['missing_ah'], charge.get('u_missing_ah'), 'Ah')} were still missing at the end"
    return sentence(text)


def _cycle_rows(analysis: Mapping[str, Any]) -> Rows:
    trend = analysis.get("trend") or {}
    cycles = items(trend.get("cycles"))
    if len(cycles) < 2:
        return []
    reasons = items(trend.get("reasons"))
    if number(trend.get("capacity_fade_share_per_cycle")) is None:
        why = phrases(code for code in reasons if code != "cycles_left_out")
        left = left_out_text(cycles)
        mend = "" if left else NEXT_CYCLES.get(reasons[0] if reasons else "", "")
        return [("Cycles", " ".join(filter(None, (sentence(f"no line through the {len(cycles)} cycles: {why}"), left, mend))))]
    text = "; ".join(trend_texts(trend)[:2])
    points = part(trend, "capacity_fit", "points")
    return [("Cycles", " ".join(filter(None, (
        sentence(f"{text}; line through {points} cycles"), sentence(phrases(c for c in reasons if c != "cycles_left_out")), left_out_text(cycles),
    ))))]


def trend_texts(trend: Mapping[str, Any]) -> list[str]:
    """Each change per cycle with its uncertainty; one within its uncertainty is called not shown."""
    told = []
    for key, text in (
        ("capacity_fade_share_per_cycle", "{figure} of the capacity lost per cycle"),
        ("resistance_growth_share_per_cycle", "10 s resistance grows by {figure} per cycle"),
        ("energy_efficiency_change_per_cycle", "energy efficiency changes by {figure} per cycle"),
        ("capacity_fade_share_per_equivalent_full_cycle", "{figure} of the capacity lost per equivalent full cycle"),
    ):
        value, u = number(trend.get(key)), number(trend.get(f"u_{key}"))
        if value is not None:
            shown = u is None or abs(value) > 2.0 * u
            told.append(text.format(figure=figure(value, u, "share")) + ("" if shown else " (no change shown)"))
    return told


def left_out_text(cycles: Sequence[Mapping[str, Any]]) -> str:
    """How many cycles were left out of the line, and why."""
    counts = Counter(str(one["left_out"]) for one in cycles if one.get("left_out"))
    return " ".join(sentence(f"{count} left out: {phrases([code])}") for code, count in counts.items())


# ---- leaks ---------------------------------------------------------------------------------------------------------


def leak_sentences(analysis: Mapping[str, Any]) -> list[str]:
    """What the rest could have shown, for which groups no leak is known and why, and how long a rest would show one."""
    rows = [row for row in items(analysis.get("groups")) if isinstance(row.get("self_discharge_reasons"), list)]
    if not rows:
        any_known = any(number(row.get("self_discharge_ma")) is not None for row in items(analysis.get("groups")))
        return [] if any_known else ["Leaks at rest are not known."]
    told = []
    known = [row for row in rows if number(row.get("self_discharge_ma")) is not None]
    if known:
        least = max((number(row.get("smallest_leak_shown_ma")) or 0.0 for row in known), default=0.0)
        told.append(
            f"Leaks over a rest of {duration(_rest_s(analysis, known[0].get('self_discharge_step')))}: one of {rounded(least, 'mA', 2)} or "
            "more beyond the other groups would have shown."
        )
        doubts = {code: [row["group"] for row in known if code in row["self_discharge_reasons"]] for code in ("slope_coarse", "balancer_stopped")}
        told += [f"{of_groups(numbers)}: {phrases([code])}." for code, numbers in doubts.items() if numbers]
    unknown = [row for row in rows if row not in known]
    if not unknown:
        return told
    deaf: dict[str, list[int]] = {}
    for row in unknown:
        code = next((code for code in LEAK_REASONS if code in row["self_discharge_reasons"]), None)
        if code:
            deaf.setdefault(code, []).append(row["group"])
    longest = max((number(one.get("duration_s")) or 0.0 for one in items(analysis.get("rest"))), default=0.0)
    short = any("rest_too_short" in row["self_discharge_reasons"] for row in unknown)
    whose = "" if len(unknown) == len(rows) else f" of {of_groups([row['group'] for row in unknown]).lower()}"
    why = f": the longest rest is {duration(longest)}" if short and longest else ": the log holds no rest" if short else ""
    told.append(f"Leaks at rest{whose} are not known{why}.")
    told += _rest_needed([row for row in unknown if not any(row["group"] in numbers for numbers in deaf.values())])
    told += [f"{of_groups(numbers) if len(numbers) < len(rows) else 'All groups'}: {phrases([code])}." for code, numbers in deaf.items()]
    return told


def _rest_needed(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """How long a rest would show a leak of 1 mA, and the one that the criteria allow."""
    hours = [number(row.get("shortest_rest_h_for_1ma")) for row in rows]
    if not rows or not any(hours):
        return []
    text = f"A rest of {_whole(hours)} with all taps logged would show 1 mA"
    limits = [number(row.get("shortest_rest_h_for_limit")) for row in rows]
    limit = number(rows[0].get("self_discharge_limit_ma"))
    if limit and any(limits):
        text += f", one of {_whole(limits)} the {rounded(limit, 'mA', 2)} that the criteria allow"
    blind = [row["group"] for row, needed in zip(rows, hours) if not needed]
    return [f"{text}.", *([f"{of_groups(blind)}: no rest of up to 90 days would."] if blind else [])]


def _whole(hours: Iterable[float | None]) -> str:
    """The longest of the rests, up to a whole hour or day."""
    most = max(one for one in hours if one)
    return f"{math.ceil(most)} h" if most <= 72 else f"{math.ceil(most / 24)} days"


def _rest_s(analysis: Mapping[str, Any], step: Any) -> Any:
    return next((one.get("duration_s") for one in items(analysis.get("rest")) if one.get("step") == step), None)


def of_groups(numbers: Sequence[int]) -> str:
    """"Group 3", "Groups 1 to 7, 9"."""
    return numbered("Group", numbers)


def numbered(name: str, numbers: Sequence[int]) -> str:
    """"Charge 3", "Charges 1 to 7, 9"."""
    runs: list[list[int]] = []
    for one in sorted(numbers):
        if runs and one == runs[-1][-1] + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    told = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return f"{name}{'s' if len(numbers) > 1 else ''} {', '.join(told)}"
