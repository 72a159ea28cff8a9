"""The measures beside the headline figures on a run's page: the sections of the record's annex, each closed until it is wanted."""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.quantities import decimals_for, display_unit
from cycler.record import measuretext
from cycler.record.blocks import Block, Bullets, Facts, Para, Table
from cycler.record.budgets import FIGURES, contributions
from cycler.record.measures import measures
from dashboard import advice, components, text


def folds(analysis: dict[str, Any]) -> list[Component]:
    """One closed part for each measure that the analysis was made for, with its one figure beside the title."""
    return [
        components.fold([item.section.title, html.Span(item.glance, className="glance") if item.glance else None],
                        html.Div([_drawn(block) for block in item.section.blocks], className="measure"))
        for item in measures(analysis)
    ]


def _drawn(block: Block) -> Component | None:
    """A block of the record as part of the page."""
    if isinstance(block, Table):
        numbers = [column for column, kind in enumerate(block.kinds) if kind in "fr"]
        table = components.table(block.head, block.rows, numbers=numbers, class_name="dense-table measure-table")
        # A caption inside the table would be as wide as all its columns and run out of a narrow window.
        return html.Div([table, html.P(block.caption, className="hint") if block.caption else None])
    if isinstance(block, Facts):
        return html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in block.rows], className="facts")
    if isinstance(block, Bullets):
        return html.Ul([html.Li([html.Strong(lead), " ", words]) for lead, words in block.items], className="notes")
    if isinstance(block, Para):
        return html.P(block.text, className="hint" if block.kind == "small" else "")
    return None


def group_budgets(analysis: dict[str, Any]) -> list[Component]:
    """For each figure of the groups a table of its sources of uncertainty, a line for each group."""
    groups = analysis.get("groups") or []
    found = []
    for key, (unit, factor) in FIGURES.items():
        lines = [(text.group_name(group), dict(contributions((group.get("budgets") or {}).get(key)))) for group in groups]
        sources = list(dict.fromkeys(source for _, budget in lines for source in budget))
        if not sources:
            continue
        shown, name = display_unit(unit)
        rows = [(label, *(_cell(budget.get(source), factor * shown) for source in sources)) for label, budget in lines if budget]
        title = text.BUDGET_GROUPS.format(figure=advice.capital(measuretext.GROUP_BUDGET_FIGURES[key]), unit=name)
        heads = (text.H_GROUP[0], *map(advice.capital, sources))
        found += [html.P(title, className="hint"), components.table(heads, rows, numbers=range(1, len(heads)), class_name="dense-table measure-table")]
    return found


def _cell(u: float | None, factor: float) -> str:
    """A standard uncertainty with two significant digits; a dash where this budget has no such line."""
    if u is None:
        return text.DASH
    value = factor * u
    return f"{value:.{decimals_for(value)}f}" if value > 1e-6 else "0"
