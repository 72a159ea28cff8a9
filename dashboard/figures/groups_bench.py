"""Voltages of the groups of a bench sheet, with expanded uncertainty; the mark's shape tells the level."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR, figure_text
from dashboard.figures import style

SHAPES = {
    "ok": "circle", "low": "triangle-down-open", "precharge": "triangle-down", "no_charge": "x", "reversed": "x", "over_full": "triangle-up", "unknown": "circle-open",
}
"""Mark of each level: a group that must not be charged is crossed."""
GRAVE = ("no_charge", "reversed", "over_full")
HEIGHT = 220
TICKS_ALL = 14


def group_voltages(taps: dict[str, Any], title: str, x_title: str, words: dict[str, str]) -> go.Figure | None:
    """One mark per group that was read; ``None`` if none was. ``words`` name the levels."""
    known = [group for group in taps.get("groups") or () if group.get("voltage_v") is not None]
    if not known:
        return None
    shown = [figure_text(group["voltage_v"], group.get("u_voltage_v"), "V") for group in known]
    figure = go.Figure(
        go.Scatter(
            x=[str(group["group"]) for group in known], y=[group["voltage_v"] for group in known], mode="markers",
            error_y={"type": "data", "thickness": 1.4, "width": 4, "color": style.SIBLING,
                     "array": [None if group.get("u_voltage_v") is None else COVERAGE_FACTOR * group["u_voltage_v"] for group in known]},
            marker={"symbol": [SHAPES.get(group.get("level"), "circle-open") for group in known], "size": 10,
                    "color": [style.MARKED if group.get("level") in GRAVE else style.VOLTAGE for group in known]},
            customdata=[f"{figure_}, {words.get(group.get('level'), '')}" for figure_, group in zip(shown, known)],
            hovertemplate="group %{x}: %{customdata}<extra></extra>",
        )
    )
    layout = style.base_layout(HEIGHT)
    layout["margin"] = {"l": 50, "r": 8, "t": 34, "b": 42}
    layout["title"] = {"text": title, "font": {"size": 14}, "x": 0.02, "y": 0.97}
    layout["xaxis"] = style.axis(x_title, type="category", showgrid=False, fixedrange=True, dtick=1 if len(known) <= TICKS_ALL else 2, tickangle=0)
    layout["xaxis"]["title"]["font"], layout["xaxis"]["tickfont"] = {"size": 12}, {"size": 11}
    layout["yaxis"] = style.axis("", nticks=5, fixedrange=True)
    layout["dragmode"] = False
    figure.update_layout(**layout)
    return figure
