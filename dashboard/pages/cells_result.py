"""What came of a list of cells: grades with reasons, packs, groups, and how good they are."""

from __future__ import annotations

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.matching.words import GRADE_WORDS, REASON_WORDS
from cycler.quantities import display_unit, figure_text, significant_text
from dashboard import components, ids_cells
from dashboard import text_cells as words

ROWS_MAX = 60
"""Cells listed with their reasons; a browser takes long over thousands, and the file holds them all."""


def body(result: dict[str, Any]) -> list[Component]:
    """The whole result."""
    parts = [html.Div([components.caution(item["words"]) for item in result["warnings"]])] if result["warnings"] else []
    if result["packs"]:
        parts += [_packs(result), _good(result), _where(result)]
    return [*parts, _grades(result), _cautions(result)]


def _bare(value: float, u: float, unit: str) -> str:
    """A figure without its unit, which stands in the head."""
    return figure_text(value, u, unit).removesuffix(f" {display_unit(unit)[1]}")


def _save(name: str) -> Component:
    return html.Div(html.Button(name, id=ids_cells.CELLS_SAVE, type="button", className="button"), className="act-row no-print")


def _packs(result: dict[str, Any]) -> Component:
    rows = [
        (
            str(pack["pack"]), f"{pack['capacity_ah']:.3f}", _bare(pack["expected_capacity_ah"], pack["u_capacity_ah"], "Ah"), str(pack["weakest_group"]),
            _bare(pack["resistance_ohm"], pack["u_resistance_ohm"], "ohm"), f"{100 * pack['spread_share']:.2f}", f"{100 * pack['resistance_spread_share']:.2f}",
        )
        for pack in result["packs"]
    ]
    table = components.table(words.PACK_HEADS, rows, words.PACKS_CAPTION, numbers=range(7), class_name="dense-table")
    title = words.PACKS_TITLE.format(series=result["series"], parallel=result["parallel"])
    return components.section(title, [table, html.P(words.PACKS_MORE, className="hint"), _save(words.SAVE)])


def _good(result: dict[str, Any]) -> Component:
    return components.section(words.GOOD_TITLE, html.Ul([html.Li(said) for said in result["summary"]]))


def _where(result: dict[str, Any]) -> Component:
    """One pack at a time, to work by and to print."""
    options = [{"value": pack["pack"], "label": words.PACK_CHOICE.format(pack=pack["pack"])} for pack in result["packs"]]
    choice = dcc.Dropdown(id=ids_cells.CELLS_PACK, value=1, clearable=False, options=options)
    return components.section(words.WHERE_TITLE, [components.field(words.PACK_SHOWN, choice, class_name="cells-pack"), html.Div(id=ids_cells.CELLS_GROUPS)], "cells-where")


def groups_of(pack: dict[str, Any]) -> Component:
    """The groups of one pack with their cells."""
    rows = [
        (
            str(group["group"]), ", ".join(group["cell_ids"]), _bare(group["capacity_ah"], group["u_capacity_ah"], "Ah"),
            _bare(group["resistance_ohm"], group["u_resistance_ohm"], "ohm"),
            "–" if group["voltage_apart_v"] is None else f"{1e3 * group['voltage_apart_v']:.0f}", words.BEFORE_JOINING[group["before_joining"]],
        )
        for group in pack["groups"]
    ]
    classes = ["weakest" if group["group"] == pack["weakest_group"] else "" for group in pack["groups"]]
    figure = figure_text(pack["expected_capacity_ah"], pack["u_capacity_ah"], "Ah")
    line = html.P(words.PACK_LINE.format(figure=figure, group=pack["weakest_group"]), className="hint")
    table = components.table(words.GROUP_HEADS, rows, numbers=(0, 2, 3, 4), class_name="dense-table", row_classes=classes)
    return html.Div([line, table])


def _grades(result: dict[str, Any]) -> Component:
    rows = [
        (GRADE_WORDS[name].capitalize(), str(result["cells"][name]),
         "; ".join(f"{REASON_WORDS.get(code, code)} ({n})" for code, n in (result["reasons"].get(name) or {}).items()) or "–")
        for name in GRADE_WORDS
    ]
    rests = result["list"]
    lists = [
        components.fold(title.format(n=len(result[key])), _reasons(result[key]))
        for key, title in (("rejects", words.REJECTS), ("not_proven", words.NOT_PROVEN_CELLS), ("seconds", words.SECONDS_CELLS)) if result[key]
    ]
    if left := result.get("left_over_ids"):
        lists.append(components.fold(words.LEFT_OVER.format(n=len(left)), html.P(", ".join(left), className="own-words")))
    against = words.AGAINST[rests["rated_from"]].format(ah=significant_text(rests["rated_capacity_ah"] or 0.0))
    return components.section(
        words.GRADES_TITLE,
        [components.table(words.GRADE_HEADS, rows, words.GRADES_CAPTION, numbers=(1,)), html.P(against, className="hint"),
         None if result["packs"] else _save(words.SAVE_GRADES), *lists, _limits(result["rules"])],
    )


def _reasons(items: list[dict[str, Any]]) -> Component:
    rows = [(item["id"], "; ".join(reason["words"] for reason in item["reasons"])) for item in items[:ROWS_MAX]]
    more = html.P(words.MORE_IN_FILE.format(n=len(items) - ROWS_MAX), className="hint") if len(items) > ROWS_MAX else None
    return html.Div([components.table(words.CELL_HEADS, rows, class_name="reasons-table"), more])


def _limits(rules: dict[str, Any]) -> Component:
    rows = []
    for item in rules["limits"]:
        factor = 100.0 if item["quantity"] == "capacity_share" else 1.0
        first, second = (words.AT[item["direction"]].format(value=significant_text(factor * item[key])) for key in ("first", "second"))
        rows.append((words.QUANTITY[item["quantity"]], first, second, item["why"], item["source"]))
    rows.append((words.WORDS_LIMIT, "–", "–", rules["words"]["why"], rules["words"]["source"]))
    return components.fold(words.LIMITS, html.Div([html.P(words.RULES.format(title=rules["title"]), className="hint"), components.table(words.LIMIT_HEADS, rows)]))


def _cautions(result: dict[str, Any]) -> Component:
    return components.section(words.CAUTION_TITLE, [components.caution(item["words"]) for item in result["cautions"]], "cells-cautions")
