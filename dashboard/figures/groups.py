"""Bars of the groups side by side: sag, resistance, capacity, each with its expanded uncertainty."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR, display_unit, figure_text
from dashboard.figures import style

MEASURES = (
    ("sag_10s_v", "u_sag_10s_v", "V", "Sag after 10 s of load"),
    ("resistance_10s_ohm", "u_resistance_10s_ohm", "ohm", "Resistance over 10 s"),
    ("capacity_ah", "u_capacity_ah", "Ah", "Capacity from full"),
)
"""Key, key of its standard uncertainty, inner unit and title of each bar chart."""


def group_bars(groups: list[dict[str, Any]], measure: tuple[str, str, str, str], limiting: int | None) -> go.Figure | None:
    """One bar per group from pack negative; ``None`` if no group has the figure."""
    key, u_key, unit, title = measure
    known = [group for group in groups if group.get(key) is not None]
    if not known:
        return None
    factor, shown_unit = display_unit(unit)
    if unit == "V":
        factor, shown_unit = 1e3, "mV"
    text = [_text(group, key, u_key, unit) for group in known]
    figure = go.Figure(
        go.Bar(
            x=[str(group["group"]) for group in known],
            y=[group[key] * factor for group in known],
            error_y={
                "type": "data", "thickness": 1.4, "width": 4, "color": style.SIBLING,
                "array": [COVERAGE_FACTOR * (group.get(u_key) or 0.0) * factor for group in known],
            },
            customdata=text,
            hovertemplate="group %{x}: %{customdata}<extra></extra>",
            marker={
                "color": [style.MARKED if group["group"] == limiting else style.VOLTAGE for group in known],
                "pattern": {
                    "shape": ["/" if group["group"] == limiting else "" for group in known],
                    "fgcolor": "#ffffff", "fgopacity": 0.7, "size": 6,
                },
            },
        )
    )
    layout = style.base_layout(250)
    layout["margin"] = {"l": 60, "r": 8, "t": 48, "b": 44}
    layout["title"] = {"text": f"{title} / {shown_unit}", "font": {"size": 15}, "x": 0.02, "y": 0.97}
    layout["xaxis"] = style.axis("Group, 1 at pack negative", type="category", showgrid=False)
    layout["yaxis"] = style.axis("", rangemode="tozero", nticks=5)
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
