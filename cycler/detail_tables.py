"""What ``--details`` adds to an analysis: every measure in full, and where each uncertainty comes from."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from cycler.criteria_quantities import number, part
from cycler.measure_tables import (
    POWER_BOUND,
    charge_parts,
    cutoff_name,
    ended_because,
    numbered,
    of_groups,
    phrases,
    power_state,
    rounded,
    taper_figures,
    trend_texts,
)
from cycler.quantities import decimals_for, display_unit, significant_text
from cycler.record.measuretext import CIRCUIT_FROM, CIRCUIT_ONE
from cycler.record.text import BUDGET_EXPANDED, BUDGET_HEAD, BUDGET_TOTAL, SOURCE_WORDS, code_label
from cycler.terminal import DASH, Sheet, bare, duration, figure, items, row, ruled, sentence

EXPANDED = "± expanded uncertainty, k = 2."
REST_WORDS = {"settled": "settled", "relaxing": "still relaxing", "drifting": "drifting", "rest_too_short": "too short to tell"}
WAYS = (("discharge", "Discharge"), ("charge", "Charge"))
TWO_CURRENTS = {
    "iec61960_dc": "Two currents, 10 s and 1 s (pattern from memory of IEC 61960-3; no conformity claimed)",
    "iec62620_dc": "Two currents, 30 s and 5 s (pattern from memory of IEC 62620; no conformity claimed)",
}
GROUP_FIGURES = (
    ("capacity_ah", "Capacity", "Ah", "Ah", 1.0), ("resistance_10s_ohm", "Resistance after 10 s", "ohm", "mΩ", 1.0),
    ("ohmic_ohm", "Ohmic resistance", "ohm", "mΩ", 1.0), ("sag_10s_v", "Sag in 10 s", "mV", "mV", 1e3), ("self_discharge_ma", "Leak", "mA", "mA", 1.0),
)
"""Key of ``groups[].budgets``, its name, inner unit, unit shown, and the factor to the inner unit."""


def print_details(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Every measure that the analysis holds; blocks of which it holds nothing are left out."""
    for block in (
        print_cutoffs, print_charges, print_cycles, print_resistances, print_circuit, print_power, print_rests, print_peaks, print_sensors,
        print_group_details, print_budgets,
    ):
        block(sheet, analysis)


# ---- capacity and charges ------------------------------------------------------------------------------------------


def print_cutoffs(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """One discharge to each cut-off, and at the conditions of the rating."""
    capacity = analysis.get("capacity") or {}
    if number(capacity.get("value_ah")) is None or not capacity.get("to_pack_cutoff"):
        return
    sheet.title("Capacity to each cut-off")
    table = ruled(("Counted to", "t"), ("Charge\nAh", "n"), ("Energy\nWh", "n"), ("Remark", "t"))

    def line(name: str, one: Mapping[str, Any], remark: str) -> None:
        row(
            table, name, bare(one.get("value_ah"), one.get("u_value_ah"), "Ah"), bare(one.get("energy_wh"), one.get("u_energy_wh"), "Wh"), remark,
        )

    line("end", capacity, f"as measured, ended {ended_because(capacity.get('end_reason'))}")
    start = number(part(capacity, "at_s", "start_s")) or 0.0
    for key, limit, group in (("to_pack_cutoff", "cutoff_voltage_v", False), ("to_first_group_cutoff", "group_cutoff_voltage_v", True)):
        one = capacity.get(key) or {}
        if "no_group_voltages" in items(one.get("reasons")):
            continue
        stated = number(part(analysis, "pack", limit))
        by = f" by {cutoff_name(one, group)}" if group else ""
        at = f"reached{by} after {duration((number(one.get('at_s')) or 0.0) - start)}" if one.get("reached") else ""
        line("first group" if group else "pack", one, "; ".join(filter(None, (
            rounded(stated, "V", 4) if stated else "", at, phrases(items(one.get("reasons"))),
        ))) or DASH)
    corrected = capacity.get("corrected")
    if corrected:
        factor = number(corrected.get("factor"))
        by = f"calculated from {rounded(corrected.get('from_rate_it'), 'It')} and {rounded(corrected.get('from_temperature_c'), '°C')}"
        line("rating", corrected, f"{by}, factor {factor:.4f}" if factor else phrases(items(corrected.get("reasons"))))
    sheet.table(table)
    sheet.line(EXPANDED)


def print_charges(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Every charge with its parts and its taper."""
    charges = items(analysis.get("charges"))
    if not charges:
        return
    sheet.title("Charges")
    for place, one in enumerate(charges, 1):
        parts = [
            f"{figure(one.get(f'{key}_s'), one.get(f'u_{key}_s'), 's')} at constant {name}"
            for key, name in (("cc", "current"), ("cv", "voltage")) if number(one.get(f"{key}_s"))
        ]
        pauses = int(number(one.get("pauses")) or 0)
        parts += [f"{pauses} pause{'s' if pauses > 1 else ''}, {duration(one.get('pause_s'))} in all"] if pauses else []
        warm = number(one.get("mean_temperature_c"))
        parts += [f"{one['min_temperature_c']:.1f} to {one['max_temperature_c']:.1f} °C"] if warm is not None else []
        amount = f"{figure(one.get('charge_ah'), one.get('u_charge_ah'), 'Ah')}, {figure(one.get('energy_wh'), one.get('u_energy_wh'), 'Wh')}"
        sheet.pairs([
            (f"{place}.", sentence("; ".join(filter(None, (f"{amount}, from {duration(one.get('start_s'))} on", charge_parts(one)))))),
            ("", sentence("; ".join([*parts, f"ended at {rounded(one.get('end_current_a'), 'A')} and {rounded(one.get('end_voltage_v'), 'V', 4)}"]))),
            *([("", taper_figures(one))] if taper_figures(one) else []),
        ])
    sheet.line(f"Shares are of the charge put in. {EXPANDED}")
    found: dict[str, list[int]] = {}
    for place, one in enumerate(charges, 1):
        for code in items(one.get("reasons")):
            found.setdefault(code, []).append(place)
    for code, places in found.items():
        sheet.line(f"{numbered('Charge', places)}: {phrases([code])}.")


def print_cycles(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """The cycles of the log and the lines through them."""
    trend = analysis.get("trend") or {}
    cycles = items(trend.get("cycles"))
    if len(cycles) < 2:
        return
    sheet.title("Cycles of this log")
    own = trend.get("x") == "cycle"
    table = ruled(
        ("Cycle" if own else "No.", "n"), ("Capacity\nAh", "n"), ("It", "n"), ("°C", "n"), ("10 s re-\nsistance\nmΩ", "n"), ("Energy\nefficiency\n%", "n"),
        ("Full\ncycles", "n"), ("Left out", "t"),
    )
    for one in cycles:
        row(
            table, rounded(one.get("x"), ""), bare(one.get("capacity_ah"), one.get("u_capacity_ah"), "Ah"), _plain(one.get("rate_it"), 2),
            _plain(one.get("mean_temperature_c"), 1), bare(one.get("resistance_10s_ohm"), one.get("u_resistance_10s_ohm"), "ohm"),
            bare(one.get("energy_efficiency"), one.get("u_energy_efficiency"), "share"), _plain(one.get("equivalent_full_cycles"), 2),
            code_label(one["left_out"]) if one.get("left_out") else DASH,
        )
    sheet.table(table)
    sheet.line(f"Full cycles: charge in and out since the start of the log over twice the rated capacity. {EXPANDED}")
    for text in trend_texts(trend):
        sheet.pairs([("-", sentence(text))])
    for name, fit, reasons in (
        ("Capacity", "capacity_fit", "reasons"), ("Capacity against full cycles", "", "equivalent_full_cycle_reasons"),
        ("Resistance", "resistance_fit", "resistance_reasons"), ("Energy efficiency", "energy_efficiency_fit", "energy_efficiency_reasons"),
    ):
        points, widened = part(trend, fit, "points"), number(part(trend, fit, "inflation"))
        why = phrases(items(trend.get(reasons)))
        counted = f"line through {points} cycles" if points and widened is not None else ""
        wider = f"scatter {widened:.2g} times what the uncertainties explain" if widened is not None and widened > 1.0 else ""
        if counted or why:
            sheet.pairs([("-", sentence("; ".join(filter(None, (f"{name}: {counted or 'no line'}", wider, why)))))])


# ---- resistance, circuit, power ------------------------------------------------------------------------------------


def print_resistances(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Resistance of the pack at every step of the current, after each time."""
    resistance = analysis.get("resistance") or {}
    rows = items(resistance.get("pack"))
    edges: dict[Any, dict[float, Mapping[str, Any]]] = {}
    tripped = {number(one.get("index")) for one in items(analysis.get("steps")) if one.get("end_reason") == "protection_trip"}
    for one in rows:
        # Where a board opens, the terminals fall away with the current: that is no resistance.
        if one.get("method") == "current_step" and (number(one.get("step_index")) or 0) - 1 not in tripped:
            edges.setdefault(one.get("at_s"), {})[number(one.get("after_s")) or 0.0] = one
    if not rows:
        return
    sheet.title("Resistance of the pack at steps of the current")
    head = part(resistance, "headline", "at_s")
    if edges:
        table = ruled(("At\nh:min", "n"), ("Step\nA", "n"), ("Held\n%", "n"), ("Ohmic\nmΩ", "n"), *((f"{after} s\nmΩ", "n") for after in (1, 10, 30)))
        for at_s, by_time in edges.items():
            one = next(iter(by_time.values()))
            charged = number(one.get("state_of_charge"))
            row(
                table, f"{'* ' if at_s == head else ''}{_clock(at_s).rpartition(':')[0]}", f"{number(one.get('current_step_a')) or 0.0:+.3g}",
                _plain(100 * charged if charged is not None else None, 0),
                *(bare(part(by_time.get(after, {}), "ohm"), part(by_time.get(after, {}), "u_ohm"), "ohm") for after in (0.0, 1.0, 10.0, 30.0)),
            )
        sheet.table(table)
        sheet.line(
            f"* The one that speaks for the pack. Held: share of its charge that the pack still held. Direct current; no a.c. resistance at 1 kHz. {EXPANDED}"
        )
    warnings = items(resistance.get("warnings"))
    if "edges_left_out" in warnings:
        sheet.line("Only the steps of the current that tell the most are listed.")
    for code in warnings:
        if code != "edges_left_out":
            sheet.line(sentence(phrases([code])))
    for one in rows:
        if one.get("method") in TWO_CURRENTS:
            sheet.line(
                f"{TWO_CURRENTS[one['method']]}: {figure(one.get('ohm'), one.get('u_ohm'), 'ohm')} "
                f"at {_clock(one.get('at_s'))}."
            )


def print_circuit(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Equivalent circuit of pack and groups, what it was fitted to, and what to log where there is none."""
    circuit = part(analysis, "resistance", "circuit")
    if not circuit:
        return
    sheet.title("Equivalent circuit (direct current)")
    whole, groups = circuit.get("pack"), items(circuit.get("groups"))
    given = [one for one in groups if number(one.get("r0_ohm")) is not None]
    first = whole or (given[0] if given else None)
    if first is not None:
        what = CIRCUIT_FROM.get(str(first.get("excitation")), "Fitted to a step of the current")
        state = power_state(first)
        sheet.line(
            f"{what} at {_clock(first.get('at_s'))}: step of {rounded(first.get('current_step_a'), 'A')}, {rounded(first.get('window_s'), 's')} long, "
            f"{first.get('samples')} readings{f'; {state}' if state else ''}."
        )
        table = ruled(("", "n"), ("R0\nmΩ", "n"), ("R1\nmΩ", "n"), ("τ1\ns", "n"), ("R2\nmΩ", "n"), ("τ2\ns", "n"))
        for name, one in (*([("pack", whole)] if whole else []), *((str(one.get("group")), one) for one in given)):
            row(
                table, name,
                *(bare(one.get(key), one.get(f"u_{key}"), "ohm" if key.endswith("ohm") else "s") for key in ("r0_ohm", "r1_ohm", "tau1_s", "r2_ohm", "tau2_s")),
            )
        sheet.table(table)
        ones = [name for name, one in (("the pack", whole or {}), *((f"group {one['group']}", one) for one in given)) if one.get("order") == 1]
        sheet.line(
            "R0 in series with one or two branches of R and C, τ = R C. Whatever is faster than the sampling is part of R0; R0 of the pack holds its "
            f"joints. {EXPANDED}"
            + (f" {sentence(f'{CIRCUIT_ONE} for {_list(ones)}')}" if ones else "")
        )
        left = [max((number(one.get("residual_v")) or 0.0 for one in some), default=0.0) for some in ([whole or {}], given)]
        sheet.line(sentence("The circuit leaves " + " and ".join(
            f"{rounded(1e3 * volts, 'mV')} {whose}" for volts, whose in zip(left, ("of the pack", "of a group at most")) if volts
        ) + " unexplained (r.m.s.)"))
    if whole is None:
        sheet.line(sentence(f"not given for the pack: {phrases(items(circuit.get('reasons')))}"))
    for why, numbers in _by_reason((one.get("group"), items(one.get("reasons"))) for one in groups if number(one.get("r0_ohm")) is None).items():
        sheet.line(sentence(f"not given for {of_groups(numbers).lower()}: {phrases(why)}"))
    for advice in items(circuit.get("to_record")):
        sheet.pairs([("-", sentence(advice))])


def print_power(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Power over 10 s: what bounds it and what it was calculated from."""
    power = analysis.get("power") or {}
    if number(power.get("discharge_10s_w")) is None:
        return
    sheet.title("Discharge power over 10 s")
    bound = POWER_BOUND.get(str(power.get("limited_by")), "not known").format(limit=rounded(power.get("limit_v"), "V", 4), group=power.get("group"))
    weakest = power.get("weakest_group") or {}
    rows = [
        ("Pack", f"{figure(power['discharge_10s_w'], power.get('u_discharge_10s_w'), 'W')}, after 10 s {rounded(power.get('current_a'), 'A')} at "
                 f"{rounded(power.get('min_voltage_v'), 'V', 4)}"),
        ("Up to", bound),
        ("From", f"{rounded(power.get('ocv_v'), 'V', 4)} without load and {figure(power.get('resistance_ohm'), None, 'ohm')} after 10 s, at the step at "
                 f"{_clock(power.get('at_s'))}"),
    ]
    if weakest:
        rows.append((
            "Weakest group", f"group {weakest.get('group')}: {figure(weakest.get('discharge_10s_w'), weakest.get('u_discharge_10s_w'), 'W')} of its own, down to "
            f"{rounded(weakest.get('min_voltage_v'), 'V', 4)}",
        ))
    if items(power.get("reasons")):
        rows.append(("Doubts", sentence(phrases(power["reasons"]))))
    sheet.pairs(rows)
    sheet.line(sentence(f"{power.get('procedure')}. No load of this size was put on; the limits of the cell maker come first"))


# ---- rests ---------------------------------------------------------------------------------------------------------


def print_rests(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Relaxation and drift of every rest, and what speaks for and against a leak of every group."""
    rests = items(analysis.get("rest"))
    if rests:
        sheet.title("Rests")
        table = ruled(("Step", "n"), ("Duration", "n"), ("Relaxation\nmV", "n"), ("Drift\nmV/h", "n"), ("The rest was", "t"))
        for one in rests:
            row(
                table, str(one.get("step")), duration(one.get("duration_s")), bare(one.get("relaxation_mv"), one.get("u_relaxation_mv"), "mV"),
                bare(one.get("drift_mv_per_h"), one.get("u_drift_mv_per_h"), "mV/h"),
                code_label("readings_too_few") if "readings_too_few" in items(one.get("reasons"))
                else REST_WORDS.get(str(one.get("verdict")), code_label(one.get("verdict"))),
            )
        sheet.table(table)
        sheet.line(f"Voltage of the pack; without a drift the relaxation is the whole change. {EXPANDED}")
    groups = [one for one in items(analysis.get("groups")) if isinstance(one.get("self_discharge_reasons"), list)]
    if not groups:
        return
    sheet.title("Leaks at rest")
    table = ruled(
        ("Group", "n"), ("Leak\nmA", "n"), ("Against the\nothers\nmV/h", "n"), ("Slope\nthere\nV/Ah", "n"), ("Least\nshown\nmA", "n"),
        ("1 mA\nneeds\nh", "n"), ("Limit\nneeds\nh", "n"),
    )
    for one in groups:
        row(
            table, str(one.get("group")), bare(one.get("self_discharge_ma"), one.get("u_self_discharge_ma"), "mA"),
            bare(one.get("drift_to_siblings_mv_per_h"), one.get("u_drift_to_siblings_mv_per_h"), "mV/h"),
            bare(one.get("slope_at_rest_v_per_ah"), one.get("u_slope_at_rest_v_per_ah"), "V"),
            _short(one.get("smallest_leak_shown_ma")), _hours(one.get("shortest_rest_h_for_1ma")), _hours(one.get("shortest_rest_h_for_limit")),
        )
    sheet.table(table)
    limit = number(groups[0].get("self_discharge_limit_ma"))
    sheet.line(
        f"Slope: volts per charge of the group at its voltage at rest. Needs: the rest that would show a leak of 1 mA{f' and of {significant_text(limit, 2)} mA' if limit else ''}. "
        f"What all groups lose alike is not seen. {EXPANDED}"
    )
    for why, numbers in _by_reason((one.get("group"), one["self_discharge_reasons"]) for one in groups if one["self_discharge_reasons"]).items():
        sheet.line(f"{of_groups(numbers)}: {phrases(why)}.")


# ---- peaks and temperature -----------------------------------------------------------------------------------------


def print_peaks(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Peaks of charge per volt, of discharge and charge, pack and groups."""
    sheets = analysis.get("incremental")
    if not sheets:
        return
    sheet.title("Peaks of charge per volt (dQ/dV)")
    for key, name in WAYS:
        own = sheets.get(key) or {}
        channels = [("pack", own), *((str(one.get("group")), one.get(key) or {}) for one in items(sheets.get("groups")))]
        if own.get("steps"):
            divided = own.get("divided_by")
            per = f", pack voltage over {divided} groups" if divided and divided > 1 else ""
            sheet.line(f"{name}: step {own.get('step')} at {rounded(own.get('rate_it'), 'It')}{per}; window {rounded(_mv(own.get('window_v')), 'mV')}.")
        shown = [(channel, peak) for channel, one in channels for peak in items(one.get("peaks"))]
        if shown:
            table = ruled(("", "n"), ("Peak at\nV", "n"), ("Height\nAh/V", "n"), ("Width\nmV", "n"), ("Charge\nAh", "n"), ("Remark", "t"))
            for channel, peak in shown:
                row(
                    table, channel, bare(peak.get("position_v"), peak.get("u_position_v"), "V"), bare(peak.get("height_ah_per_v"), peak.get("u_height_ah_per_v"), "Ah"),
                    _plain(_mv(peak.get("width_v")), 0), bare(peak.get("area_ah"), peak.get("u_area_ah"), "Ah"),
                    "at least" if peak.get("filter_limited") else DASH,
                )
            sheet.table(table)
        bare_of_peaks = [channel for channel, one in channels if isinstance(one.get("peaks"), list) and not one["peaks"]]
        if bare_of_peaks:
            sheet.line(f"{name}: no peak stands out of its uncertainty for {_channels(bare_of_peaks)}.")
        for state, withheld in (("withheld", True), ("to be read with doubt", False)):
            found: dict[tuple[str, str], list[str]] = {}
            for channel, one in channels:
                if bool(one.get("withheld")) is withheld:
                    for why in zip(items(one.get("reason_words")), items(one.get("record_next"))):
                        found.setdefault(why, []).append(channel)
            for (reason, mend), names in found.items():
                sheet.line(f"{name}, {_channels(names)}, {state}: {reason}. Next time {mend}.")
    sheet.line(
        "Width at half of how far the peak stands out, charge between the valleys beside it. At least: narrower than the window, which flattens it. "
        + EXPANDED
    )


def print_sensors(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Every temperature sensor, and the times beyond limits."""
    thermal = analysis.get("thermal") or {}
    sensors = items(thermal.get("sensors"))
    if not sensors:
        return
    sheet.title("Temperature sensors")
    table = ruled(("Sensor", "t"), ("Highest\n°C", "n"), ("Start\n°C", "n"), ("Rise\nK", "n"), ("Steepest\nK/min", "n"))
    for one in sensors:
        row(
            table, str(one.get("name")), bare(one.get("max_c"), one.get("u_max_c"), "degC"), bare(one.get("start_c"), one.get("u_start_c"), "degC"),
            bare(one.get("rise_c"), one.get("u_rise_c"), "K"), bare(one.get("max_rate_c_per_min"), one.get("u_max_rate_c_per_min"), "K/min"),
        )
    sheet.table(table)
    quiet = []
    for one in sensors:
        beyond = [
            f"{text} for {figure(one.get(key), one.get(f'u_{key}'), 's')}" for key, text in (
                ("time_above_45c_s", "above 45 °C"), ("time_above_60c_s", "above 60 °C"), ("time_below_0c_charging_s", "below 0 °C while charging"),
                ("time_outside_charge_window_s", "outside the window for charging"),
                ("time_outside_discharge_window_s", "outside the window for discharging"),
            ) if number(one.get(key))
        ]
        why = phrases(items(one.get("reasons"))) + ("; nothing of it was used" if one.get("excluded") else "")
        if beyond or why:
            sheet.pairs([("-", sentence(f"{one.get('name')}: {'; '.join(filter(None, (*beyond, why)))}"))])
        if not beyond and number(one.get("max_c")) is not None:
            quiet.append(str(one.get("name")))
    windows = " and ".join(
        f"{_span(thermal.get(f'{key}_window_c'))} while {text}" for key, text in (("charge", "charging"), ("discharge", "discharging")) if thermal.get(f"{key}_window_c")
    )
    stated = "stated" if thermal.get("windows_stated") else "usual ones, none stated"
    if quiet and windows:
        sheet.line(f"{'No sensor' if len(quiet) == len(sensors) else 'None of the others'} was seen above 45 °C or outside the windows of {windows} ({stated}).")
    elif windows:
        sheet.line(f"Windows: {windows} ({stated}).")
    sheet.line(EXPANDED)


# ---- groups --------------------------------------------------------------------------------------------------------


def print_group_details(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Figures of the groups that the two tables of every analysis leave out."""
    groups = items(analysis.get("groups"))
    if not groups:
        return
    sheet.title("Groups, further figures")
    table = ruled(
        ("Group", "n"), ("Ohmic\nmΩ", "n"), ("Capacity\nover others\n%", "n"), ("Charged\nV", "n"), ("Lowest\nV", "n"), ("Highest\nV", "n"),
        ("Heading", "t"),
    )
    for one in groups:
        row(
            table, str(one.get("group")), bare(one.get("ohmic_ohm"), one.get("u_ohmic_ohm"), "ohm"),
            bare(one.get("capacity_ratio"), one.get("u_capacity_ratio"), "share"),
            *(_plain(one.get(key), 3) for key in ("full_voltage_v", "min_voltage_v", "max_voltage_v")), str(one.get("name") or DASH),
        )
    sheet.table(table)
    spread = analysis.get("spread") or {}
    parts = [
        f"{text} {figure(1e3 * number(spread[key]), 1e3 * (number(spread.get(f'u_{key}')) or 0.0), 'mV')}"
        for key, text in (("rest_v", "at rest"), ("full_v", "charged"), ("load_v", "under load"), ("end_v", "at the end")) if number(spread.get(key)) is not None
    ]
    sheet.line((f"Highest less lowest group: {', '.join(parts)}. " if parts else "") + EXPANDED)


# ---- budgets -------------------------------------------------------------------------------------------------------


def print_budgets(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """Standard uncertainties by source: figures of the pack one table each, groups one table a figure."""
    sheet.title("Where the uncertainties come from")
    sheet.line("Standard uncertainties (k = 1); they join as the root of the sum of their squares.")
    capacity, efficiency = analysis.get("capacity") or {}, analysis.get("efficiency") or {}
    head = part(analysis, "resistance", "headline") or {}
    charges = items(analysis.get("charges"))
    for name, value, u, unit, lines in (
        ("Capacity", capacity.get("value_ah"), capacity.get("u_value_ah"), "Ah", capacity.get("budget")),
        ("Energy", capacity.get("energy_wh"), capacity.get("u_energy_wh"), "Wh", capacity.get("energy_budget")),
        *_cutoff_budgets(capacity),
        ("Resistance after 10 s", head.get("ohm_10s"), head.get("u_ohm_10s"), "ohm", part(analysis, "resistance", "budget")),
        ("Coulombic efficiency", efficiency.get("coulombic"), efficiency.get("u_coulombic"), "share", efficiency.get("coulombic_budget")),
        ("Energy efficiency", efficiency.get("energy"), efficiency.get("u_energy"), "share", efficiency.get("energy_budget")),
        *((f"Charge {place}", one.get("charge_ah"), one.get("u_charge_ah"), "Ah", one.get("budget")) for place, one in enumerate(charges, 1)),
        *(
            (f"Highest temperature, {one.get('name')}", one.get("max_c"), one.get("u_max_c"), "degC", one.get("budget"))
            for one in items(part(analysis, "thermal", "sensors"))
        ),
    ):
        print_budget(sheet, name, value, u, unit, items(lines))
    for key, name, unit, shown, factor in GROUP_FIGURES:
        _print_group_budget(sheet, items(analysis.get("groups")), key, name, unit, shown, factor)


def _cutoff_budgets(capacity: Mapping[str, Any]) -> list[tuple[str, Any, Any, str, Any]]:
    """Those of the same discharge to another end, where that is another figure, and of the capacity at the rating."""
    rows = []
    for key, name in (("to_pack_cutoff", "Capacity to the pack's cut-off"), ("to_first_group_cutoff", "Capacity to the first group's cut-off"),
                      ("corrected", "Capacity at the rating")):
        one = capacity.get(key) or {}
        if number(one.get("value_ah")) is not None and one["value_ah"] != capacity.get("value_ah"):
            rows.append((name, one["value_ah"], one.get("u_value_ah"), "Ah", one.get("budget")))
    return rows


def print_budget(sheet: Sheet, name: str, value: Any, u: Any, unit: str, lines: Sequence[Mapping[str, Any]]) -> None:
    """One budget, the largest source first, with the share of each in the variance; nothing without a figure or with one source alone."""
    terms = sorted(((source_words(one), _standard(one)) for one in lines), key=lambda term: -term[1])
    if number(value) is None or len(terms) < 2:
        return
    total = math.sqrt(sum(term * term for _, term in terms))
    sheet.blank()
    sheet.line(f"{name}: {figure(value, u, unit)}")
    table = ruled(*((text, "t" if place == 0 else "n") for place, text in enumerate(BUDGET_HEAD)))
    for source, term in terms:
        row(table, source, _two_digits(term, unit), f"{100 * term * term / total**2 if total else 0.0:.1f} %")
    row(table, BUDGET_TOTAL, _two_digits(total, unit), "")
    row(table, BUDGET_EXPANDED, _two_digits(2.0 * total, unit), "")
    sheet.table(table)


def _print_group_budget(sheet: Sheet, groups: Sequence[Mapping[str, Any]], key: str, name: str, unit: str, shown: str, factor: float) -> None:
    """One figure of all groups: a column a source, named by a letter that the line below explains."""
    budgets = [(one.get("group"), {source_words(term): _standard(term) for term in items(part(one, "budgets", key))}) for one in groups]
    sources = list(dict.fromkeys(source for _, budget in budgets for source in budget))
    if not sources:
        return
    letters = [chr(ord("a") + place) for place in range(len(sources))]
    scale = factor * display_unit(unit)[0]
    sheet.blank()
    sheet.line(f"{name} of each group, {shown}")
    table = ruled(("Group", "n"), *((letter, "n") for letter in letters), ("Combined", "n"))
    for number_of, budget in budgets:
        if budget:
            total = math.sqrt(sum(term * term for term in budget.values()))
            shares = (budget.get(source) for source in sources)
            # What rounding of the arithmetic leaves is no source.
            row(table, str(number_of), *(_short(None if one is None else scale * one * (one > 1e-6 * total)) for one in shares), _short(total * scale))
    sheet.table(table)
    sheet.line("; ".join(f"{letter} = {source}" for letter, source in zip(letters, sources)) + ".")


def source_words(line: Mapping[str, Any]) -> str:
    """A source of uncertainty in words."""
    return SOURCE_WORDS.get(str(line.get("source")), str(line.get("source")))


def _standard(line: Mapping[str, Any]) -> float:
    """The standard uncertainty of one line, in the unit of its figure."""
    return next((abs(number(value) or 0.0) for key, value in line.items() if key.startswith("standard_uncertainty")), 0.0)


def _two_digits(u: float, unit: str) -> str:
    factor, name = display_unit(unit)
    return f"{_short(u * factor)} {name}".rstrip()


# ---- small words ---------------------------------------------------------------------------------------------------


def _short(value: Any) -> str:
    """Two significant digits, padding zeros kept, a dash if not known."""
    exact = number(value)
    return DASH if exact is None else "0" if exact == 0 else f"{exact:.{decimals_for(exact)}f}"


def _plain(value: Any, digits: int) -> str:
    exact = number(value)
    return DASH if exact is None else f"{exact:.{digits}f}"


def _hours(value: Any) -> str:
    exact = number(value)
    return DASH if exact is None else str(math.ceil(exact))


def _mv(value: Any) -> float | None:
    exact = number(value)
    return None if exact is None else 1e3 * exact


def _clock(seconds: Any) -> str:
    """Time in the log as hours:minutes:seconds."""
    exact = number(seconds)
    if exact is None:
        return DASH
    minutes, rest = divmod(round(exact), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def _span(window: Any) -> str:
    low, high = items(window)
    return f"{low:g} to {high:g} °C"


def _list(names: Sequence[str]) -> str:
    return ", ".join(names)


def _channels(names: Sequence[str]) -> str:
    """"the pack and groups 1 to 7"."""
    numbers = [int(name) for name in names if name != "pack"]
    return " and ".join([*(["the pack"] if "pack" in names else []), *([of_groups(numbers).lower()] if numbers else [])])


def _by_reason(rows: Iterable[tuple[Any, Sequence[Any]]]) -> dict[tuple[Any, ...], list[Any]]:
    """Groups or channels that share the same reasons."""
    found: dict[tuple[Any, ...], list[Any]] = {}
    for name, reasons in rows:
        if reasons:
            found.setdefault(tuple(reasons), []).append(name)
    return found
