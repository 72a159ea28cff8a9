"""Tables and remarks of a run's page, from the analysis alone."""

from __future__ import annotations

import math
from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.quantities import decimals_for, display_unit
from cycler.record import text as record_text
from cycler.record.values import duration, figure, plain, rated
from dashboard import advice, components, text
from dashboard.pages import run_measures

HASH_SHOWN = 12


def volts(value: Any, u: Any) -> str:
    """A small voltage in millivolts."""
    return figure(None if value is None else 1e3 * value, None if u is None else 1e3 * u, "mV")


def dash_if_unknown(words: str) -> str:
    """A dash in a table where the figure is not known."""
    return text.DASH if words == record_text.NOT_KNOWN else words


# ---- remarks of the key figures --------------------------------------------------------------------------------


def capacity_words(capacity: dict[str, Any]) -> str:
    """The capacity as it may be quoted."""
    return bound_words(capacity, "value_ah", "u_value_ah", "Ah")


def bound_words(capacity: dict[str, Any], key: str, u_key: str, unit: str) -> str:
    """A figure of the discharge, with "at least" where the discharge only gives a lower bound."""
    words = figure(capacity.get(key), capacity.get(u_key), unit)
    if capacity.get(key) is not None and not capacity.get("valid") and capacity.get("is_lower_bound"):
        return text.AT_LEAST.format(figure=words)
    return words


def voltage_words(capacity: dict[str, Any]) -> str:
    """Mean voltage of the discharge, or what the energy lacks."""
    if capacity.get("energy_wh") is None:
        return record_text.W_ENERGY
    if capacity.get("mean_voltage_v") is None:
        return ""
    return record_text.N_MEAN_VOLTAGE.format(voltage=fixed(capacity["mean_voltage_v"], 2) + " V")


def fixed(value: Any, decimals: int) -> str:
    """A figure without an uncertainty of its own at a set number of decimals, never "-0.00"; a dash if not known."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return text.DASH
    shown = f"{value:.{decimals}f}"
    return (shown.lstrip("-") if float(shown) == 0.0 else shown).replace("-", "\N{MINUS SIGN}")


def bare(value: Any, u: Any, unit: str, decimals: int | None = None) -> str:
    """A figure under a heading that gives the unit; ``decimals`` where it carries no uncertainty."""
    if decimals is not None and not u:
        return fixed(value, decimals)
    return dash_if_unknown(figure(value, u, unit)).removesuffix(f" {display_unit(unit)[1]}")


def spread_words(analysis: dict[str, Any]) -> Component | None:
    """How far the groups lie apart, and the resistance of their joints."""
    spread, resistance = analysis.get("spread") or {}, analysis.get("resistance") or {}
    parts = [
        f"{when} {volts(spread[key], spread.get(f'u_{key}'))}"
        for key, when in record_text.SPREAD_WHEN.items() if spread.get(key) is not None
    ]
    lines = [record_text.SPREAD.format(parts=", ".join(parts))] if parts else []
    if resistance.get("interconnect_ohm") is not None:
        joints = figure(resistance["interconnect_ohm"], resistance.get("u_interconnect_ohm"), "ohm")
        lines.append(record_text.JOINTS.format(figure=joints))
    return html.P(" ".join(lines), className="hint") if lines else None


def validity_words(capacity: dict[str, Any]) -> str:
    """Whether the capacity counts as the pack's, and why not."""
    if capacity.get("value_ah") is None:
        return record_text.W_CAPACITY
    if capacity.get("valid"):
        return text.KEY_VALID
    reasons = ", ".join(record_text.code_label(code) for code in capacity.get("reasons") or ()) or record_text.N_NO_REASON
    return (record_text.N_LOWER if capacity.get("is_lower_bound") else record_text.N_INVALID).format(reasons=reasons)


def health_words(analysis: dict[str, Any]) -> str:
    """What the state of health is taken of."""
    capacity, pack = analysis.get("capacity") or {}, analysis.get("pack") or {}
    of = rated(pack.get("rated_capacity_ah"), "Ah")
    if capacity.get("state_of_health") is None:
        return record_text.W_HEALTH.format(rated=of)
    words = record_text.N_RATED.format(rated=of)
    return words if capacity.get("valid") else f"{words}; {record_text.N_FROM_INVALID}"


def matched_words(analysis: dict[str, Any]) -> str:
    """What the pack would give without its limiting group."""
    value = analysis.get("capacity_if_limiting_group_matched_ah")
    if value is None:
        return ""
    return text.MATCHED.format(
        figure=figure(value, analysis.get("u_capacity_if_limiting_group_matched_ah"), "Ah")
    )


def step_title(step: dict[str, Any]) -> str:
    """Number and kind of a step."""
    return f"{step['index']} {record_text.STEP_WORDS.get(step['kind'], record_text.words(step['kind']))}"


# ---- tables ----------------------------------------------------------------------------------------------------


def group_table(analysis: dict[str, Any]) -> Component:
    """All figures of the groups; the limiting one is named, not only tinted."""
    limiting = analysis.get("limiting_group")
    rows, classes = [], []
    for group in analysis.get("groups") or ():
        capacity = bare(group.get("capacity_ah"), group.get("u_capacity_ah"), "Ah")
        if group.get("capacity_is_estimate") and group.get("capacity_ah") is not None:
            capacity = text.ESTIMATED.format(figure=capacity)
        here = group["group"] == limiting
        rows.append(
            (
                [text.group_name(group), html.Span(text.LIMITING_MARK, className="tag") if here else None],
                bare(group.get("rest_voltage_v"), group.get("u_rest_voltage_v"), "V", 3),
                bare(group.get("end_voltage_v"), group.get("u_end_voltage_v"), "V", 3),
                dash_if_unknown(volts(group.get("sag_10s_v"), group.get("u_sag_10s_v"))).removesuffix(" mV"),
                bare(group.get("resistance_10s_ohm"), group.get("u_resistance_10s_ohm"), "ohm"),
                capacity,
                bare(group.get("start_deficit_ah"), group.get("u_start_deficit_ah"), "Ah"),
                bare(group.get("self_discharge_ma"), group.get("u_self_discharge_ma"), "mA"),
            )
        )
        classes.append("row-marked" if here else "")
    return components.table(text.H_GROUP, rows, numbers=range(1, 8), row_classes=classes, class_name="wide-table dense-table")


def all_tables(analysis: dict[str, Any]) -> list[Component]:
    """The parts that open on demand."""
    return [
        components.fold(text.TABLE_STEPS, _step_table(analysis)),
        components.fold(text.TABLE_RESISTANCE, _edge_table(analysis)),
        *run_measures.folds(analysis),
        components.fold(text.TABLE_BUDGET, html.Div([_budget_tables(analysis), *run_measures.group_budgets(analysis)], className="measure")),
        components.fold(text.TABLE_PACK, _pack_table(analysis)),
        components.fold(text.TABLE_READING, _reading(analysis)),
    ]


def _step_table(analysis: dict[str, Any]) -> Component:
    steps = analysis.get("steps") or []
    if not steps:
        return html.P(record_text.STEP_NONE, className="quiet")
    rows = [
        (
            str(step["index"]),
            record_text.STEP_WORDS.get(step["kind"], record_text.words(step["kind"])),
            duration(step.get("start_s")),
            duration(step.get("duration_s")),
            bare(step.get("mean_current_a"), step.get("u_mean_current_a"), "A", 3),
            bare(step.get("capacity_ah"), step.get("u_capacity_ah"), "Ah", 3),
            bare(step.get("energy_wh"), step.get("u_energy_wh"), "Wh", 1),
            f"{bare(step.get('start_voltage_v'), step.get('u_start_voltage_v'), 'V', 2)} – "
            f"{bare(step.get('end_voltage_v'), step.get('u_end_voltage_v'), 'V', 2)}",
            record_text.END_WORDS.get(str(step.get("end_reason")), record_text.words(step.get("end_reason") or "")),
        )
        for step in steps
    ]
    return components.table(text.H_STEP, rows, record_text.STEP_CAPTION, numbers=(2, 3, 4, 5, 6, 7), class_name="wide-table dense-table")


def two_digits(value: Any, unit: str) -> str:
    """A standard uncertainty under a heading that gives the unit, to two significant digits."""
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        return text.DASH
    shown = value * display_unit(unit)[0]
    return f"{shown:.{decimals_for(shown)}f}" if shown else "0"


def _edge_table(analysis: dict[str, Any]) -> Component:
    edges = (analysis.get("resistance") or {}).get("pack") or []
    if not edges:
        return html.P(record_text.W_RESISTANCE, className="quiet")
    rows = [
        (
            duration(edge.get("at_s")),
            duration(edge.get("after_s")) if edge.get("after_s") is not None else text.DASH,
            bare(edge.get("current_step_a"), edge.get("u_current_step_a"), "A", 2),
            bare(edge.get("ohm"), edge.get("u_ohm"), "ohm"),
            bare(edge.get("ohmic_ohm"), edge.get("u_ohmic_ohm"), "ohm"),
            text.METHOD.get(str(edge.get("method")), record_text.words(edge.get("method"))),
        )
        for edge in edges
    ]
    return components.table(text.H_EDGE, rows, numbers=(0, 1, 2, 3, 4), class_name="wide-table")


def _budget_tables(analysis: dict[str, Any]) -> Component:
    parts = []
    capacity = (analysis.get("capacity") or {}).get("budget") or []
    energy = (analysis.get("capacity") or {}).get("energy_budget") or []
    corrected = ((analysis.get("capacity") or {}).get("corrected") or {}).get("budget") or []
    resistance = (analysis.get("resistance") or {}).get("budget") or []
    for title, rows, key, unit in (
        (text.BUDGET_CAPACITY, capacity, "standard_uncertainty_ah", "Ah"),
        (text.BUDGET_ENERGY, energy, "standard_uncertainty_wh", "Wh"),
        (text.BUDGET_CORRECTED, corrected, "standard_uncertainty_ah", "Ah"),
        (text.BUDGET_RESISTANCE, resistance, "standard_uncertainty_ohm", "ohm"),
    ):
        if rows:
            cells = [
                (record_text.SOURCE_WORDS.get(str(row.get("source")), record_text.words(row.get("source"))),
                 two_digits(row.get(key), unit))
                for row in rows
            ]
            heads = [head.format(unit=display_unit(unit)[1]) for head in text.H_BUDGET]
            parts.append(components.table(heads, cells, title, numbers=(1,), class_name="measure-table"))
    return html.Div(parts, className="side-by-side") if parts else html.P(record_text.BUDGET_NONE, className="quiet")


_PACK_UNITS = {"_ah": "Ah", "_wh": "Wh", "_v": "V", "_a": "A"}


def _pack_table(analysis: dict[str, Any]) -> Component:
    pack = analysis.get("pack") or {}
    inferred = set(pack.get("inferred") or ())
    rows = []
    for key, name in record_text.PACK_KEY_WORDS.items():
        value = pack.get(key)
        unit = next((unit for ending, unit in _PACK_UNITS.items() if key.endswith(ending)), None)
        words = record_text.NOT_STATED if value is None else plain(value, unit) if unit else str(value)
        rows.append((name.capitalize(), words, text.FROM_LOG if key in inferred else ""))
    instrument = analysis.get("instrument") or {}
    limits = [(text.INSTRUMENT_STATED.get(channel, channel), str(words), "") for channel, words in (instrument.get("stated") or {}).items()]
    limits += [
        (_bench_key(key), _bench_value(value), "")
        for key, value in instrument.items() if key not in ("declared", "stated") and value not in (None, [])
    ]
    caption = text.INSTRUMENT_DECLARED if instrument.get("declared") else text.INSTRUMENT_ASSUMED
    return html.Div(
        [
            components.table((text.H_PACK, "", ""), rows),
            components.table((text.INSTRUMENT_TITLE, "", ""), limits, caption) if limits else None,
        ],
        className="side-by-side",
    )


def _bench_key(key: str) -> str:
    return text.INSTRUMENT_KEYS.get(key, key.replace("_", " "))


def _bench_value(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(map(_bench_key, value))
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _reading(analysis: dict[str, Any]) -> Component:
    reading = analysis.get("reading") or {}
    clock = reading.get("clock") or {}
    sign = reading.get("sign") or {}
    sampling = reading.get("sampling_s") or {}
    facts = [
        (record_text.L_ENCODING, _encoding(reading)),
        (record_text.L_CLOCK, str(clock.get("kind") or text.NOT_KNOWN)
         if not clock.get("wrapped") else record_text.CLOCK_WRAPPED.format(kind=clock.get("kind"))),
        (record_text.L_SIGN, record_text.SIGN.format(sign=sign.get("discharge_is"), evidence=sign.get("evidence"))
         if sign.get("evidence") else record_text.SIGN_PLAIN.format(sign=sign.get("discharge_is"))),
        (record_text.L_SAMPLING, record_text.SAMPLING.format(
            median=duration(sampling.get("median")), max=duration(sampling.get("max")))),
        (record_text.L_GAPS, "; ".join(
            record_text.GAP.format(duration=duration(gap.get("duration_s")), start=duration(gap.get("start_s")))
            for gap in clock.get("gaps") or ()) or record_text.NONE),
        (record_text.L_WARNINGS, html.Ul([
            html.Li(_warning(item))
            for item in reading["warnings"]]) if reading.get("warnings") else record_text.WARNINGS_NONE),
    ]
    columns = [
        (
            str(column.get("name")),
            record_text.ROLE_WORDS.get(str(column.get("role")), record_text.words(column.get("role"))),
            str(column.get("unit") or text.DASH),
            str(column.get("group") or text.DASH),
        )
        for column in reading.get("columns") or ()
    ]
    sources = [
        (
            str(source.get("file")),
            str(source.get("rows_read")),
            str(source.get("rows_dropped")),
            html.Code(str(source.get("sha256"))[:HASH_SHOWN] + "…", title=str(source.get("sha256"))),
        )
        for source in analysis.get("sources") or ()
    ]
    return html.Div(
        [
            components.table((text.H_HOW, ""), facts),
            components.table(text.H_COLUMN, columns) if columns else html.P(record_text.COLUMN_NONE),
            components.table(text.H_SOURCE, sources, numbers=(1, 2)) if sources else None,
        ]
    )


def _warning(item: dict[str, Any]) -> str:
    message = advice.capital(advice.words(str(item.get("message"))))
    return f"{message} ({advice.last_part(str(item['where']))})" if item.get("where") else message


def _encoding(reading: dict[str, Any]) -> str:
    header = reading.get("header_row")
    words = record_text.ENCODING_NO_HEADER if header is None else record_text.ENCODING
    return words.format(
        encoding=reading.get("encoding"),
        delimiter=record_text.DELIMITER.get(str(reading.get("delimiter")), reading.get("delimiter")),
        decimal=record_text.DECIMAL.get(str(reading.get("decimal")), reading.get("decimal")),
        header=header,
    )
