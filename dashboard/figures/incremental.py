"""dQ/dV against voltage and dV/dQ against charge, of one run or of several laid over one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR
from dashboard.figures import style

if TYPE_CHECKING:
    from cycler.incrementaltable import WayCurves
    from cycler.measures.incremental import IncrementalCurve

HEIGHT = 360
TITLES = {
    "dq_dv": ("Voltage of one group / V", "dQ/dV / (Ah/V)"),
    "dv_dq": ("Charge below the upper end / Ah", "dV/dQ / (mV/Ah)"),
}
"""Axis titles of the two kinds of figure."""
CUT_ABOVE = 3.0
"""dV/dQ grows without bound towards both ends; its axis ends at this many medians, as far as the curve lets it."""
TAIL_SHARE = 0.02
"""Ends of the range in which no curve rises above this share of the highest value are cut off: the long tail of a flat cell would hide its peaks."""
_HOVER = {"dq_dv": "%{x:.3f} V: %{y:.3g} Ah/V", "dv_dq": "%{x:.3f} Ah: %{y:.3g} mV/Ah"}


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One curve as the figure needs it: values, expanded uncertainty, name and line."""

    x: np.ndarray
    y: np.ndarray
    expanded: np.ndarray
    name: str
    line: dict[str, Any]


def points_of(curve: IncrementalCurve, kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Abscissa, value and expanded uncertainty (k = 2) in the units of :data:`TITLES`."""
    if kind == "dq_dv":
        return curve.voltage_v, curve.dq_dv, COVERAGE_FACTOR * curve.u_dq_dv
    return curve.at_charge_ah, 1e3 * curve.dv_dq, 1e3 * COVERAGE_FACTOR * curve.u_dv_dq


def run_curves(ways: WayCurves, kind: str, names: dict[int, str], marked: int | None) -> list[Drawn]:
    """Groups first, the marked one above its siblings, the pack on top."""
    drawn = []
    for number, curve in sorted(ways.groups.items(), key=lambda item: item[0] == marked):
        is_marked = number == marked
        line = {"color": style.MARKED, "width": 2.6} if is_marked else {"color": style.SIBLING, "width": 1.0}
        name = names.get(number, f"group {number}")
        drawn.append(Drawn(*points_of(curve, kind), f"{name}, marked" if is_marked else name, line))
    if ways.pack is not None:
        drawn.append(Drawn(*points_of(ways.pack, kind), "pack", {"color": style.VOLTAGE, "width": 2.2, "dash": "solid"}))
    return drawn


def incremental_figure(
    drawn: Sequence[Drawn], kind: str, peaks: Sequence[dict[str, Any]] = (), bands: bool = True, height: int = HEIGHT
) -> go.Figure:
    """The curves with the band of the last one's (or each one's) expanded uncertainty and marks at peaks.

    ``bands`` draws the band of the last curve; without it none is drawn, as several would hide one another.
    """
    figure = go.Figure()
    kept = [item for item in drawn if item.x.size]
    if not kept:
        return style.empty_figure("No curve can be drawn.", height)
    if bands:
        last = kept[-1]
        figure.add_trace(
            go.Scatter(
                x=np.concatenate((last.x, last.x[::-1])), y=np.concatenate((last.y + last.expanded, (last.y - last.expanded)[::-1])),
                fill="toself", fillcolor=style.VOLTAGE, opacity=0.22, line={"width": 0}, hoverinfo="skip", name="expanded uncertainty",
                mode="lines",
            )
        )
    for item in kept:
        figure.add_trace(
            go.Scatter(
                x=item.x, y=item.y, name=style.name_text(item.name), mode="lines", line=item.line,
                hovertemplate=f"%{{fullData.name}}<br>{_HOVER[kind]}<extra></extra>",
            )
        )
    if peaks and kind == "dq_dv":
        figure.add_trace(
            go.Scatter(
                x=[peak["position_v"] for peak in peaks], y=[peak["height_ah_per_v"] for peak in peaks], name="peaks of the pack",
                mode="markers+text", text=[f"{peak['position_v']:.3f} V" for peak in peaks], textposition="top center", cliponaxis=False,
                marker={"symbol": "diamond-open", "size": 9, "color": style.VOLTAGE, "line": {"width": 2}}, hoverinfo="skip",
            )
        )
    layout = style.base_layout(height)
    layout["margin"] = {"l": 64, "r": 18, "t": 22, "b": 48}
    layout["xaxis"] = style.axis(TITLES[kind][0], nticks=7, range=abscissa_range(kept, kind))
    layout["yaxis"] = style.axis(TITLES[kind][1], nticks=6, range=axis_range(kept, kind, bool(peaks)))
    layout["hovermode"] = "closest"
    layout["hoverdistance"] = 30
    figure.update_layout(**layout)
    return figure


def abscissa_range(drawn: Sequence[Drawn], kind: str) -> tuple[float, float]:
    """All of the charge; of the voltage what lies between the empty tails."""
    if kind == "dv_dq":
        return 0.0, max(float(item.x[-1]) for item in drawn)
    level = TAIL_SHARE * max(float(np.max(item.y)) for item in drawn)
    inside = [item.x[item.y > level] for item in drawn]
    low, high = min(float(x[0]) for x in inside if x.size), max(float(x[-1]) for x in inside if x.size)
    return low - 0.01 * (high - low), high + 0.01 * (high - low)


def axis_range(drawn: Sequence[Drawn], kind: str, labelled: bool = False) -> tuple[float, float]:
    """From zero to the highest value with room above it; dV/dQ only as high as its middle needs."""
    highest = max(float(np.max(item.y)) for item in drawn)
    if kind == "dv_dq":
        middle = max(float(np.median(item.y)) for item in drawn)
        return 0.0, min(1.05 * highest, CUT_ABOVE * middle)
    return min(0.0, min(float(np.min(item.y)) for item in drawn)), (1.14 if labelled else 1.05) * highest


def overlaid_curves(runs: Sequence[tuple[str, WayCurves | None]], kind: str) -> list[Drawn]:
    """The packs of several runs, (name, curves) in the order of their letters; a run without a curve keeps its colour and dash free."""
    drawn = []
    for order, (name, ways) in enumerate(runs):
        if ways is None or ways.pack is None:
            continue
        line = {"color": style.RUN_COLOURS[order % 8], "dash": style.RUN_DASHES[order % 8], "width": 2.2}
        drawn.append(Drawn(*points_of(ways.pack, kind), name, line))
    return drawn
