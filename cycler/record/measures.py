"""Sections of the annex for the measures beside the headline figures: cut-offs, charges, power, leaks, temperatures, circuit, cycles.

The dashboard shows the same sections. A figure that is missing stands with its reason; an analysis that was stored before a measure
was made has no section for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from cycler.quantities import decimals_for, display_unit, significant_text
from cycler.record.blocks import Block, Bullets, Facts, Para, Section, Table
from cycler.record.language import decimal, text
from cycler.record.language import measuretext as words
from cycler.record.sentences import told
from cycler.record.values import (
    LONGEST_SENTENCE,
    as_list,
    capital,
    clean,
    duration,
    figure,
    get,
    number,
    phrase,
    step_by_index,
    without_unit,
)

MOST_CHARGES = 6
MOST_CYCLES = 24
MOST_SENSORS = 24


@dataclass(frozen=True, slots=True)
class Measure:
    """A section, and its one figure for where the section itself is closed."""

    section: Section
    glance: str = ""


def measures(analysis: dict[str, Any]) -> tuple[Measure, ...]:
    """Every measure that the analysis was made for, in the order of the annex."""
    made = (_cutoffs, _charges, _power, _leaks, _temperatures, _circuit, _trend)
    return tuple(found for make in made if (found := make(analysis)) is not None)


# ---- small helpers -----------------------------------------------------------------------------------------
def bare(value: Any, u: Any, unit: str) -> str:
    """A figure under a heading that gives its unit; a dash where it is not known, and nought or all of it where nothing is uncertain."""
    if number(value) is None:
        return text.DASH
    if number(u) == 0.0:
        return decimal(significant_text(number(value) * display_unit(unit)[0]))
    return figure(value, u, unit).removesuffix(f" {display_unit(unit)[1]}")


def reasons_text(codes: Any) -> str:
    """Reasons as one phrase, each once."""
    return "; ".join(dict.fromkeys(phrase(code) for code in as_list(codes) if code))


def no_temperature(analysis: dict[str, Any]) -> str:
    """What is wrong with the sensors of a log that gives no temperature; empty where it simply has none."""
    return reasons_text([code for code in as_list(get(analysis, "thermal", "reasons")) if code != "no_temperature"])


def _joined(parts: Sequence[str]) -> str:
    return "; ".join(part for part in parts if part)


def _with_remarks(table: Table) -> Table:
    """The table without its last column where that holds no remark."""
    if any(row[-1] for row in table.rows):
        return table
    rows = tuple(row[:-1] for row in table.rows)
    return replace(table, head=table.head[:-1], rows=rows, kinds=table.kinds[:-1], widths=table.widths[:-1])


def _volts(value: Any) -> str:
    known = number(value)
    return text.NOT_KNOWN if known is None else decimal(f"{known:.2f} V")


def _amps(value: Any) -> str:
    known = number(value)
    return text.NOT_KNOWN if known is None else decimal(f"{significant_text(abs(known), 3)} A")


def _short(value: Any) -> str:
    """A figure that is itself an estimate, with two digits."""
    known = number(value)
    return text.DASH if known is None else decimal(significant_text(known, 2))


# ---- capacity to each cut-off ------------------------------------------------------------------------------
def _cutoffs(analysis: dict[str, Any]) -> Measure | None:
    capacity = get(analysis, "capacity")
    if not isinstance(get(capacity, "to_pack_cutoff"), dict) or number(get(capacity, "value_ah")) is None:
        return None
    at_least = get(capacity, "is_lower_bound") is True

    def measured(key: str, unit: str) -> str:
        if number(get(capacity, key)) is None:
            return text.NOT_MEASURED
        shown = figure(get(capacity, key), get(capacity, f"u_{key}"), unit)
        return text.AT_LEAST.format(figure=shown) if at_least else shown

    end = get(capacity, "end_reason")
    remark = words.CUTOFF_END.format(end=text.END_WORDS.get(str(end)) or phrase(end)) if end else ""
    doubts = "" if get(capacity, "valid") is True else reasons_text([code for code in as_list(get(capacity, "reasons")) if code != end])
    rows = [(words.CUTOFF_MEASURED, measured("value_ah", "Ah"), measured("energy_wh", "Wh"), _joined((remark, doubts)))]
    for key, limit, known, unknown in (
        ("to_pack_cutoff", "cutoff_voltage_v", words.CUTOFF_PACK, words.CUTOFF_PACK_UNKNOWN),
        ("to_first_group_cutoff", "group_cutoff_voltage_v", words.CUTOFF_GROUP, words.CUTOFF_GROUP_UNKNOWN),
    ):
        if key == "to_first_group_cutoff" and get(analysis, "pack", "series") == 1:
            continue
        voltage = get(analysis, "pack", limit)
        label = unknown if number(voltage) is None else known.format(voltage=_volts(voltage))
        rows.append((label, *_to_cutoff(capacity, get(capacity, key))))
    corrected = get(capacity, "corrected")
    if isinstance(corrected, dict):
        rows.append(_corrected(corrected))
    table = Table(words.CUTOFF_CAPTION, words.CUTOFF_HEAD, tuple(rows), "lffl", (0.24, 0.21, 0.22, 0.33), name="cutoffs")
    return Measure(Section("cutoffs", words.H_CUTOFFS, (table,)))


def _to_cutoff(capacity: Any, sheet: Any) -> tuple[str, str, str]:
    if number(get(sheet, "value_ah")) is None:
        shown = words.CUTOFF_NOT_REACHED if {"cutoff_not_reached", "protection_trip"} & set(as_list(get(sheet, "reasons"))) else text.NOT_MEASURED
        return shown, shown, reasons_text(get(sheet, "reasons"))
    at, start = number(get(sheet, "at_s")), number(get(capacity, "at_s", "start_s"))
    where = ""
    if at is not None and start is not None:
        group = get(sheet, "group")
        shape = words.CUTOFF_AT if group is None else words.CUTOFF_AT_GROUP
        where = shape.format(duration=duration(at - start), n=clean(group, 12))
    energy = figure(get(sheet, "energy_wh"), get(sheet, "u_energy_wh"), "Wh") if number(get(sheet, "energy_wh")) is not None else text.NOT_MEASURED
    return figure(get(sheet, "value_ah"), get(sheet, "u_value_ah"), "Ah"), energy, _joined((where, reasons_text(get(sheet, "reasons"))))


def _corrected(sheet: dict[str, Any]) -> tuple[str, str, str, str]:
    done = [str(name) for name in as_list(sheet.get("corrected_for"))]
    if number(sheet.get("value_ah")) is None:
        return words.CUTOFF_CORRECTED, words.NOT_GIVEN, text.DASH, reasons_text(sheet.get("reasons"))
    ends = {
        "rate": (_short(sheet.get("from_rate_it")), _short(sheet.get("to_rate_it"))),
        "temperature": tuple(decimal(f"{number(sheet.get(f'{end}_temperature_c')) or 0.0:.1f}") for end in ("from", "to")),
    }
    by = ", ".join(words.CUTOFF_CONDITION[name].format(from_=ends[name][0], to=ends[name][1]) for name in ends if name in done)
    factor = number(sheet.get("factor"))
    parts = [words.CUTOFF_CORRECTION.format(by=by, factor=text.NOT_KNOWN if factor is None else decimal(f"{factor:.4f}"))]
    parts += [words.CUTOFF_NOT_FOR[name] for name in ends if name not in done]
    assumed = [words.CORRECTION_WORDS.get(str(key), text.words(key)) for key in as_list(sheet.get("defaulted"))]
    if assumed:
        parts.append(words.CUTOFF_DEFAULTED.format(keys=", ".join(assumed)))
    return words.CUTOFF_CORRECTED, figure(sheet.get("value_ah"), sheet.get("u_value_ah"), "Ah"), text.DASH, _joined(parts)


# ---- charges -----------------------------------------------------------------------------------------------
def _charges(analysis: dict[str, Any]) -> Measure | None:
    if not isinstance(get(analysis, "charges"), list):
        return None
    charges = [charge for charge in analysis["charges"] if isinstance(charge, dict)]
    if not charges:
        return Measure(Section("charges", words.H_CHARGES, (Para(words.CHARGE_NONE),)))
    numbered = list(enumerate(charges, 1))
    if len(numbered) > MOST_CHARGES:  # those that put most in, in order of time
        numbered = sorted(sorted(numbered, key=lambda item: -(number(item[1].get("charge_ah")) or 0.0))[:MOST_CHARGES])
    rows = tuple(
        (
            str(n), duration(charge.get("start_s")), bare(charge.get("charge_ah"), charge.get("u_charge_ah"), "Ah"),
            bare(charge.get("energy_wh"), charge.get("u_energy_wh"), "Wh"), bare(charge.get("cc_share"), charge.get("u_cc_share"), "share"),
            bare(charge.get("cv_share"), charge.get("u_cv_share"), "share"),
            bare(charge.get("taper_time_constant_s"), charge.get("u_taper_time_constant_s"), "s"),
            bare(charge.get("missing_ah"), charge.get("u_missing_ah"), "Ah"),
        )
        for n, charge in numbered
    )
    blocks: list[Block] = [
        Table(words.CHARGE_CAPTION, words.CHARGE_HEAD, rows, "llffffff", (0.05, 0.1, 0.14, 0.14, 0.14, 0.14, 0.14, 0.15), dense=True, name="charges"),
        Bullets(tuple((words.CHARGE_LEAD.format(n=n), _charge_words(charge)) for n, charge in numbered)),
    ]
    if len(charges) > len(numbered):
        blocks.append(Para(text.MORE.format(n=len(charges) - len(numbered)), "small"))
    last = charges[-1]
    glance = figure(last.get("charge_ah"), last.get("u_charge_ah"), "Ah") if len(charges) == 1 else words.CHARGE_GLANCE.format(n=len(charges))
    return Measure(Section("charges", words.H_CHARGES, tuple(blocks)), glance)


def _charge_words(charge: dict[str, Any]) -> str:
    end = charge.get("end_reason")
    parts = [words.CHARGE_END.format(current=_amps(charge.get("end_current_a")), voltage=_volts(charge.get("end_voltage_v")),
                                     end=text.END_WORDS.get(str(end)) or (phrase(end) if end else text.N_NO_REASON))]
    if number(charge.get("cc_s")) is not None and number(charge.get("cv_s")) is not None:
        parts.append(words.CHARGE_PARTS.format(cc=duration(charge["cc_s"]), cv=duration(charge["cv_s"])))
    pauses = number(charge.get("pauses"))
    if pauses:
        shape = words.CHARGE_PAUSE if pauses == 1 else words.CHARGE_PAUSES
        parts.append(shape.format(n=f"{pauses:.0f}", duration=duration(charge.get("pause_s"))))
    heat = [number(charge.get(f"{which}_temperature_c")) for which in ("mean", "min", "max")]
    if None not in heat:
        mean, low, high = (decimal(f"{celsius:.1f}") for celsius in heat)
        parts.append(words.CHARGE_TEMPERATURE.format(mean=f"{mean} °C", low=low, high=f"{high} °C"))
    parts.append(reasons_text(charge.get("reasons")))
    return f"{_joined(parts)}."


# ---- power -------------------------------------------------------------------------------------------------
def _power(analysis: dict[str, Any]) -> Measure | None:
    sheet = get(analysis, "power")
    if not isinstance(sheet, dict):
        return None
    doubts = reasons_text(sheet.get("reasons"))
    note = Para(words.POWER_NOTE.format(procedure=capital(told(clean(sheet["procedure"], LONGEST_SENTENCE)) if sheet.get("procedure") else words.H_POWER)), "small")
    if number(sheet.get("discharge_10s_w")) is None:
        nothing = Facts(((words.L_POWER, text.NOT_MEASURED), (words.L_WHY_NOT, doubts or text.N_NO_REASON)))
        return Measure(Section("power", words.H_POWER, (nothing,)), text.NOT_MEASURED)
    shown = figure(sheet["discharge_10s_w"], sheet.get("u_discharge_10s_w"), "W")
    bound = words.POWER_BOUND.get(str(sheet.get("limited_by")), phrase(sheet.get("limited_by")) if sheet.get("limited_by") else text.NOT_KNOWN)
    bound = bound.format(voltage=_volts(sheet.get("limit_v")), n=clean(sheet.get("group"), 12), current=_amps(sheet.get("current_a")))
    charged = number(sheet.get("state_of_charge"))
    state = [words.POWER_STATE_UNKNOWN if charged is None else words.POWER_STATE.format(soc=text.N_ABOUT.format(figure=f"{100 * charged:.0f} %"))]
    if number(sheet.get("temperature_c")) is not None:
        state.append(words.POWER_WARM.format(temperature=f"{sheet['temperature_c']:.0f} °C"))
    state.append(words.POWER_END.format(current=_amps(sheet.get("current_a")), voltage=_volts(sheet.get("min_voltage_v"))))
    headline = get(analysis, "resistance", "headline")
    u_ohm = get(headline, "u_ohm_10s") if get(headline, "ohm_10s") == sheet.get("resistance_ohm") else None
    facts = [
        (words.L_POWER, shown), (words.L_BOUNDED, bound), (words.L_HOLDS, ", ".join(state)),
        (words.L_FROM, words.POWER_FROM.format(ocv=_volts(sheet.get("ocv_v")), ohm=figure(sheet.get("resistance_ohm"), u_ohm, "ohm"),
                                               at=duration(sheet.get("at_s")))),
    ]
    weakest = sheet.get("weakest_group")
    if isinstance(weakest, dict) and number(weakest.get("discharge_10s_w")) is not None:
        facts.append((words.L_WEAKEST, words.POWER_WEAKEST.format(
            n=clean(weakest.get("group"), 12), power=figure(weakest["discharge_10s_w"], weakest.get("u_discharge_10s_w"), "W"),
            voltage=_volts(weakest.get("min_voltage_v")))))
    if doubts:
        facts.append((words.L_DOUBTS, doubts))
    return Measure(Section("power", words.H_POWER, (Facts(tuple(facts)), note)), shown)


# ---- self-discharge ----------------------------------------------------------------------------------------
_FLAT = {"plateau_flat", "slope_vague"}


def _leaks(analysis: dict[str, Any]) -> Measure | None:
    groups = [group for group in as_list(get(analysis, "groups")) if isinstance(group, dict)]
    known = [group for group in groups if "self_discharge_reasons" in group]
    if not known and (groups or not isinstance(get(analysis, "power"), dict)):
        return None  # of an earlier version
    if not groups:
        none = words.NOT_MEASURED_BECAUSE.format(reasons=text.W_GROUPS)
        return Measure(Section("leaks", words.H_LEAKS, (Para(none),)), text.NOT_MEASURED)
    measured = [group for group in known if any(number(group.get(key)) is not None for key in ("self_discharge_ma", "smallest_leak_shown_ma"))]
    if not measured:
        codes = [code for group in known for code in as_list(group.get("self_discharge_reasons"))]
        lines = [_longest_rest(analysis, codes), words.NOT_MEASURED_BECAUSE.format(reasons=reasons_text(codes) or text.N_NO_REASON), _needed(known)]
        if _FLAT & set(codes):
            lines.append(words.LEAK_FLAT)
        return Measure(Section("leaks", words.H_LEAKS, (Para(" ".join(filter(None, lines))),)), text.NOT_MEASURED)
    rows = []
    for group in known:
        hours = number(group.get("shortest_rest_h_for_1ma"))
        rows.append((
            clean(group.get("group"), 12), bare(group.get("self_discharge_ma"), group.get("u_self_discharge_ma"), "mA"),
            _short(group.get("smallest_leak_shown_ma")), text.DASH if hours is None else f"{math.ceil(hours)}",
            reasons_text(group.get("self_discharge_reasons")),
        ))
    step = step_by_index(analysis, next((group["self_discharge_step"] for group in measured if group.get("self_discharge_step") is not None), None))
    rest = [Para(words.LEAK_REST.format(duration=duration(step.get("duration_s")), step=clean(step.get("index"), 12)))] if step else []
    caption = words.LEAK_CAPTION
    if any(_FLAT & set(as_list(group.get("self_discharge_reasons"))) for group in known):
        caption = f"{caption} {words.LEAK_FLAT}"
    table = _with_remarks(Table(caption, words.LEAK_HEAD, tuple(rows), "lfrrl", (0.1, 0.17, 0.17, 0.17, 0.39), dense=True, name="leaks"))
    worst = max(measured, key=lambda group: number(group.get("self_discharge_ma")) or -math.inf)
    glance = figure(worst.get("self_discharge_ma"), worst.get("u_self_discharge_ma"), "mA")
    shown = words.LEAK_GLANCE.format(figure=glance, n=clean(worst.get("group"), 12)) if number(worst.get("self_discharge_ma")) is not None else ""
    return Measure(Section("leaks", words.H_LEAKS, (*rest, table)), shown)


def _longest_rest(analysis: dict[str, Any], codes: list[Any]) -> str:
    """How long the log rested, where that was too short."""
    if "rest_too_short" not in codes:
        return ""
    lengths = [number(get(rest, "duration_s")) or 0.0 for rest in as_list(get(analysis, "rest"))]
    return words.LEAK_REST_NONE.format(duration=duration(max(lengths))) if lengths else words.LEAK_NO_REST


def _needed(groups: list[dict[str, Any]]) -> str:
    """The rest that would show 1 mA in the groups of which that can be told."""
    hours = [hours for group in groups if (hours := number(group.get("shortest_rest_h_for_1ma"))) is not None]
    if not hours:
        return ""
    where = "" if len(hours) == len(groups) else words.LEAK_NEEDS_SOME.format(n=len(hours), all=len(groups))
    return words.LEAK_NEEDS.format(hours=math.ceil(max(hours)), where=where)


# ---- temperature -------------------------------------------------------------------------------------------
def _minutes(seconds: Any, u: Any) -> str:
    known = number(seconds)
    if known is None:
        return text.DASH
    spread = number(u) or 0.0
    return "0" if not known and not spread else bare(known / 60.0, spread / 60.0, "")


def _temperatures(analysis: dict[str, Any]) -> Measure | None:
    thermal = get(analysis, "thermal")
    if not isinstance(get(thermal, "sensors"), list):
        return None
    sensors = [sensor for sensor in thermal["sensors"] if isinstance(sensor, dict)]
    if not sensors:
        none = Para(words.NOT_MEASURED_BECAUSE.format(reasons=reasons_text(thermal.get("reasons")) or text.W_TEMPERATURE))
        return Measure(Section("temperature", words.H_TEMPERATURE, (none,)), text.NOT_MEASURED)
    rows, notes = [], []
    for sensor in sensors[:MOST_SENSORS]:
        name = without_unit(clean(sensor.get("name") or text.NOT_STATED, 40))
        rows.append((
            name, bare(sensor.get("max_c"), sensor.get("u_max_c"), "degC"), bare(sensor.get("start_c"), sensor.get("u_start_c"), "degC"),
            bare(sensor.get("rise_c"), sensor.get("u_rise_c"), "K"), bare(sensor.get("max_rate_c_per_min"), sensor.get("u_max_rate_c_per_min"), "K/min"),
            *(_minutes(sensor.get(key), sensor.get(f"u_{key}")) for key in (
                "time_above_45c_s", "time_above_60c_s", "time_outside_charge_window_s", "time_outside_discharge_window_s")),
        ))
        parts = [words.TEMPERATURE_NTC.format(evidence=told(clean(sensor.get("evidence"), 160)))] if sensor.get("source") == "ntc" else []
        cold = number(sensor.get("time_below_0c_charging_s"))
        if cold:
            parts.append(words.TEMPERATURE_COLD.format(minutes=_minutes(cold, sensor.get("u_time_below_0c_charging_s"))))
        parts += [reasons_text(sensor.get("reasons")), words.TEMPERATURE_OUT if sensor.get("excluded") is True else ""]
        if any(parts):
            notes.append((words.TEMPERATURE_LEAD.format(name=name), f"{_joined(parts)}."))
    windows = [[number(end) for end in as_list(thermal.get(key))] for key in ("charge_window_c", "discharge_window_c")]
    shown = [decimal(words.WINDOW.format(low=f"{low:g}".replace("-", "−"), high=f"{high:g}".replace("-", "−"))) if None not in (low, high) else text.NOT_KNOWN
             for low, high in ([*ends, None, None][:2] for ends in windows)]
    stated = words.WINDOW_STATED if thermal.get("windows_stated") is True else words.WINDOW_ASSUMED
    caption = words.TEMPERATURE_CAPTION.format(charge=shown[0], discharge=shown[1], stated=stated)
    blocks: list[Block] = [Table(caption, words.TEMPERATURE_HEAD, tuple(rows), "lffffffff", (0.2, 0.1, 0.1, 0.09, 0.12, 0.09, 0.09, 0.1, 0.11), dense=True,
                                 name="sensors")]
    if notes:
        blocks.append(Bullets(tuple(notes)))
    if len(sensors) > MOST_SENSORS:
        blocks.append(Para(text.MORE.format(n=len(sensors) - MOST_SENSORS), "small"))
    glance = text.NOT_MEASURED
    if number(thermal.get("max_c")) is not None:
        glance = text.N_HIGHEST.format(temperature=figure(thermal["max_c"], thermal.get("u_max_c"), "degC"))
    return Measure(Section("temperature", words.H_TEMPERATURE, tuple(blocks)), glance)


# ---- equivalent circuit ------------------------------------------------------------------------------------
_CIRCUIT = (("r0_ohm", "ohm"), ("r1_ohm", "ohm"), ("tau1_s", "s"), ("r2_ohm", "ohm"), ("tau2_s", "s"))


def _circuit(analysis: dict[str, Any]) -> Measure | None:
    sheet = get(analysis, "resistance", "circuit")
    if not isinstance(sheet, dict):
        return None
    pack = sheet.get("pack") if isinstance(sheet.get("pack"), dict) else None
    groups = [row for row in as_list(sheet.get("groups")) if isinstance(row, dict)]
    given = [row for row in (pack, *groups) if row is not None and number(row.get("r0_ohm")) is not None]
    nexts = [told(clean(line, LONGEST_SENTENCE)) for line in as_list(sheet.get("to_record"))]
    advice: list[Block] = [Para(" ".join((words.CIRCUIT_NEXT, *nexts)))] if nexts else []
    if not given:
        codes = [*as_list(sheet.get("reasons")), *(code for row in groups for code in as_list(row.get("reasons")))]
        why = Para(words.NOT_MEASURED_BECAUSE.format(reasons=reasons_text(codes) or text.N_NO_REASON))
        return Measure(Section("circuit", words.H_CIRCUIT, (why, *advice)), text.NOT_MEASURED)
    rows = []
    if pack is not None:
        rows += [(words.CIRCUIT_PACK, *_parameters(pack)), (words.CIRCUIT_INTERVAL, *_intervals(pack), "")]
    else:
        rows.append((words.CIRCUIT_PACK, *[text.DASH] * len(_CIRCUIT), reasons_text(sheet.get("reasons"))))
    rows += [(text.GROUP_N.format(n=clean(row.get("group"), 12)), *_parameters(row)) for row in groups]
    table = _with_remarks(
        Table(words.CIRCUIT_CAPTION, words.CIRCUIT_HEAD, tuple(rows), "lfffffl", (0.15, 0.13, 0.13, 0.13, 0.13, 0.13, 0.2), dense=True, name="circuit")
    )
    glance = f"R0 {figure(pack['r0_ohm'], pack.get('u_r0_ohm'), 'ohm')}" if pack is not None and number(pack.get("r0_ohm")) is not None else ""
    return Measure(Section("circuit", words.H_CIRCUIT, (Para(_experiment(given[0])), table, *advice)), glance)


def _experiment(row: dict[str, Any]) -> str:
    """What the circuit was fitted to."""
    charged, warm = number(row.get("state_of_charge")), number(row.get("temperature_c"))
    state = [] if charged is None else [text.N_STATE_OF_CHARGE.format(soc=f"{100 * charged:.0f} %")]
    state += [] if warm is None else [text.N_ABOUT.format(figure=f"{warm:.0f} °C")]
    excitation = str(row.get("excitation"))
    lines = [words.CIRCUIT_WHERE.format(
        what=words.CIRCUIT_FROM.get(excitation, capital(text.words(excitation))), at=duration(row.get("at_s")), current=_amps(row.get("current_step_a")),
        window=duration(row.get("window_s")), sampling=duration(row.get("sampling_s")), state="".join(f", {part}" for part in state),
    )]
    residual, noise = number(row.get("residual_v")), number(row.get("noise_v"))
    if residual is not None and noise is not None:
        lines.append(words.CIRCUIT_RESIDUAL.format(residual=f"{_short(1e3 * residual)} mV", noise=f"{_short(1e3 * noise)} mV"))
    return " ".join(lines)


def _parameters(row: dict[str, Any]) -> tuple[str, ...]:
    one = words.CIRCUIT_ONE if row.get("order") == 1 else ""
    return (*(bare(row.get(key), row.get(f"u_{key}"), unit) for key, unit in _CIRCUIT), _joined((one, reasons_text(row.get("reasons")))))


def _intervals(row: dict[str, Any]) -> tuple[str, ...]:
    """The 95 % intervals of the parameters; lopsided, as the fit is one of logarithms."""
    cells = []
    for key, unit in _CIRCUIT:
        stem, ending = key.rsplit("_", 1)
        ends = [number(end) for end in as_list(row.get(f"{stem}_interval_{ending}"))]
        if len(ends) != 2 or None in ends:
            cells.append(text.DASH)
            continue
        factor = display_unit(unit)[0]
        low, high = (factor * end for end in ends)
        digits = decimals_for((high - low) / 2.0)
        cells.append(decimal(words.WINDOW.format(low=f"{low:.{digits}f}", high=f"{high:.{digits}f}")))
    return tuple(cells)


# ---- cycles ------------------------------------------------------------------------------------------------
def _trend(analysis: dict[str, Any]) -> Measure | None:
    sheet = get(analysis, "trend")
    cycles = [row for row in as_list(get(sheet, "cycles")) if isinstance(row, dict)]
    if len(cycles) < 2:
        return None
    lines = (
        (words.TREND_FADE, "capacity_fade_share_per_cycle", "share", "reasons", "capacity_fit"),
        (words.TREND_FADE_AH, "capacity_fade_ah_per_cycle", "Ah", "", ""),
        (words.TREND_FULL, "capacity_fade_share_per_equivalent_full_cycle", "share", "equivalent_full_cycle_reasons", ""),
        (words.TREND_GROWTH, "resistance_growth_share_per_cycle", "share", "resistance_reasons", "resistance_fit"),
        (words.TREND_EFFICIENCY, "energy_efficiency_change_per_cycle", "share", "energy_efficiency_reasons", "energy_efficiency_fit"),
    )
    rows = []
    for name, key, unit, why, fit in lines:
        known = number(sheet.get(key)) is not None
        if not known and not why:
            continue
        points = number(get(sheet, fit, "points")) if fit and known else None
        remark = _joined(([words.TREND_POINTS.format(n=f"{points:.0f}")] if points else []) + [reasons_text(sheet.get(why)) if why else ""])
        rows.append((name, figure(sheet[key], sheet.get(f"u_{key}"), unit) if known else words.NOT_GIVEN, remark))
    table = Table(words.TREND_CAPTION, words.TREND_HEAD, tuple(rows), "lfl", (0.3, 0.2, 0.5), name="trend")
    shown = cycles if len(cycles) <= MOST_CYCLES else [*cycles[: MOST_CYCLES // 2], *cycles[-MOST_CYCLES // 2 :]]
    head = words.CYCLE_HEAD if sheet.get("x") == "cycle" else (words.PLACE_HEAD, *words.CYCLE_HEAD[1:])
    listed = tuple(
        (
            clean(row.get("x") if row.get("x") is not None else text.DASH, 12), bare(row.get("capacity_ah"), row.get("u_capacity_ah"), "Ah"),
            _short(row.get("rate_it")), text.DASH if number(row.get("mean_temperature_c")) is None else decimal(f"{row['mean_temperature_c']:.1f}"),
            bare(row.get("equivalent_full_cycles"), row.get("u_equivalent_full_cycles"), ""),
            bare(row.get("resistance_10s_ohm"), row.get("u_resistance_10s_ohm"), "ohm"),
            bare(row.get("energy_efficiency"), row.get("u_energy_efficiency"), "share"),
            phrase(row["left_out"]) if row.get("left_out") else "",
        )
        for row in shown
    )
    blocks: list[Block] = [table, Table("", head, listed, "rfrrfffl", (0.06, 0.13, 0.07, 0.11, 0.13, 0.14, 0.13, 0.23), dense=True, name="cycles")]
    if len(cycles) > len(shown):
        blocks.append(Para(text.MORE.format(n=len(cycles) - len(shown)), "small"))
    fade = number(sheet.get("capacity_fade_share_per_cycle"))
    glance = "" if fade is None else words.TREND_GLANCE.format(figure=figure(fade, sheet.get("u_capacity_fade_share_per_cycle"), "share"))
    return Measure(Section("trend", words.H_TREND, tuple(blocks)), glance)
