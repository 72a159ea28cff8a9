"""Groups of several runs side by side: bars, and tables with differences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import components, text
from dashboard.figures import style
from dashboard.figures.group_compare import group_bars_of_runs
from dashboard.pages.comparison_table import difference_words, figure_words, heads, significance


def group_figure(result: dict[str, Any], names: Sequence[str], graph_id: str) -> Component | None:
    """Capacity, 10 s resistance and sag of every group of every run as bars; None if no run has groups."""
    figure = group_bars_of_runs(result, names)
    if figure is None:
        return None
    heights = {f"--{way}-height": f"{height}px" for way, height in figure.layout.meta["height"].items()}  # the sheet takes one by the screen's width
    return dcc.Graph(id=graph_id, figure=figure, config=style.STATIC_CONFIG, style={**heights, "height": "var(--high)"}, responsive=True, className="group-figure")


def group_tables(result: dict[str, Any], letters: Sequence[str]) -> list[Component]:
    """Capacity, 10 s resistance and sag of every group, each run's beside its difference from the reference."""
    reference = int(result["reference"])
    groups = result.get("groups") or []
    valid = next((row["valid"] for row in result["rows"] if row["quantity"] == "capacity_ah"), [True] * len(letters))
    columns = heads(text.H_GROUP[0], letters, reference)
    parts = []
    for key, title in text.COMPARE_GROUP_TITLE.items():
        rows = [
            (
                f"group {group['group']}",
                *(group_cell(group, key, index, reference, valid if key == "capacity_ah" else None)
                  for index in range(len(letters))),
            )
            for group in groups if any(value is not None for value in group[key]["values"])
        ]
        if rows:
            table = components.table(columns, rows, numbers=range(1, len(columns)), class_name="wide-table dense-table group-compare by-run")
            parts.append(html.Div([html.H3(title), table], className="group-table"))
    if not parts:
        return [html.P(text.COMPARE_GROUPS_NONE, className="quiet")]
    return [html.P(text.COMPARE_GROUPS_CAPTION, className="hint"), *parts]


def group_cell(group: dict[str, Any], key: str, index: int, reference: int, valid: list[bool] | None) -> Any:
    """One group's figure in one run, and its difference from the same group of the reference."""
    row = group[key]
    value = row["values"][index]
    if value is None:
        return text.DASH
    shown = figure_words(float(value), row["u"][index], row["unit"])
    if row["estimate"][index]:
        shown = text.ESTIMATED.format(figure=shown)
    parts: list[Any] = [html.Span(shown)]
    if group["limiting"][index]:
        parts.append(html.Span(text.LIMITING_MARK, className="tag"))
    difference = row["difference"][index]
    if valid is not None and not valid[index]:
        parts.append(html.Div(text.COMPARE_INVALID, className="quiet"))
    elif index != reference and difference is not None and (valid is None or valid[reference]):
        parts.append(html.Div([difference_words(row, index), " ", significance(row, index)], className="difference"))
    return parts
