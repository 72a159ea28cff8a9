"""Bars of the groups side by side: sag, resistance, capacity, what each lacked at the start, leak or drift at rest; each with its expanded uncertainty."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR, display_unit, figure_text
from dashboard.figures import style

MEASURES = (
    ("sag_10s_v", "u_sag_10s_v", "V", "Sag after 10 s of load"),
    ("resistance_10s_ohm", "u_resistance_10s_ohm", "ohm", "Resistance over 10 s"),
    ("capacity_ah", "u_capacity_ah", "Ah", "Capacity from full"),
    ("start_deficit_ah", "u_start_deficit_ah", "Ah", "Short of full at start"),
    ("self_discharge_ma", "u_self_discharge_ma", "mA", "Leak at rest"),
)
"""Key, key of its standard uncertainty, inner unit and title of each bar chart."""

DRIFT = ("drift_to_siblings_mv_per_h", "u_drift_to_siblings_mv_per_h", "mV/h", "Drift at rest")
"""Stands in for the leak where a rest shows the drift of the groups, but not the current behind it."""

REASONS = {
    "sag_10s_v": "resistance_reasons", "resistance_10s_ohm": "resistance_reasons", "capacity_ah": "capacity_reasons",
    "start_deficit_ah": "capacity_reasons", "self_discharge_ma": "self_discharge_reasons",
}
"""Where the analysis says why a figure is not known."""
HEIGHT = 225
TICKS_ALL = 14
"""As many groups are each named below their bar; of more, every other."""


def has_figure(groups: list[dict[str, Any]], measure: tuple[str, str, str, str]) -> bool:
    """Whether any group has the figure."""
    return any(group.get(measure[0]) is not None for group in groups)


def measures_shown(groups: list[dict[str, Any]]) -> tuple[tuple[str, str, str, str], ...]:
    """The charts of a run: :data:`MEASURES`, with the drift for the leak where only that is known."""
    leak = MEASURES[-1]
    return (*MEASURES[:-1], DRIFT if has_figure(groups, DRIFT) and not has_figure(groups, leak) else leak)


def outline_widths(groups: list[dict[str, Any]], key: str, marked: int | None) -> list[float]:
    """Widths of the bars' edges: the marked group's is drawn."""
    return [3.0 if group["group"] == marked else 0.0 for group in groups if group.get(key) is not None]


def group_bars(
    groups: list[dict[str, Any]], measure: tuple[str, str, str, str], limiting: int | None, marked: int | None = None
) -> go.Figure | None:
    """One bar per group from pack negative; ``None`` if no group has the figure."""
    key, u_key, unit, title = measure
    known = [group for group in groups if group.get(key) is not None]
    if not known:
        return None
    factor, shown_unit = (1e3, "mV") if unit == "V" else (1.0, unit) if unit == "mV/h" else display_unit(unit)
    text = [_text(group, key, u_key, unit) for group in known]
    figure = go.Figure(
        go.Bar(
            x=[str(group["group"]) for group in known],
            y=[group[key] * factor for group in known],
            error_y={
                "type": "data", "thickness": 1.4, "width": 4, "color": style.SIBLING,
                "array": [None if group.get(u_key) is None else COVERAGE_FACTOR * group[u_key] * factor for group in known],
            },
            customdata=text,
            hovertemplate="group %{x}: %{customdata}<extra></extra>",
            marker={
                "color": [style.MARKED if group["group"] == limiting else style.VOLTAGE for group in known],
                "line": {"color": style.SIBLING, "width": outline_widths(groups, key, marked)},
                "pattern": {
                    "shape": ["/" if group["group"] == limiting else "" for group in known],
                    "fgcolor": "#ffffff", "fgopacity": 0.7, "size": 6,
                },
            },
        )
    )
    layout = style.base_layout(HEIGHT)
    layout["margin"] = {"l": 46, "r": 6, "t": 46, "b": 40}
    layout["title"] = {"text": f"{title} / {shown_unit}", "font": {"size": 14}, "x": 0.02, "y": 0.97}
    layout["xaxis"] = style.axis("Group, 1 at pack negative", type="category", showgrid=False, fixedrange=True, dtick=1 if len(known) <= TICKS_ALL else 2, tickangle=0)
    layout["xaxis"]["title"]["font"], layout["xaxis"]["tickfont"] = {"size": 12}, {"size": 11}
    layout["yaxis"] = style.axis("", rangemode="tozero", nticks=5, fixedrange=True)
    layout["dragmode"] = False
    figure.update_layout(**layout)
    if any(group["group"] == limiting for group in known):
        figure.add_annotation(
            x=str(limiting), y=1.0, yref="paper", text="limiting", showarrow=False, yanchor="bottom", font={"size": 12}
        )
    return figure


def _text(group: dict[str, Any], key: str, u_key: str, unit: str) -> str:
    u = group.get(u_key)
    if unit == "V":
        words = figure_text(group[key] * 1e3, None if u is None else u * 1e3, "mV")
    else:
        words = figure_text(group[key], u, unit)
    return f"{words}, estimated" if key == "capacity_ah" and group.get("capacity_is_estimate") else words
