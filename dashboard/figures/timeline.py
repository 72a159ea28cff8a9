"""The whole test over time: steps, pack voltage, current, group voltages and temperature on one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from cycler.record.values import duration
from dashboard.figures import style
from dashboard.figures.curves import Curves, Series
from dashboard.figures.resample import thin

HOVER_PLACES = 240
"""Places along a window at which pointing tells the step."""

POINTS = 1500
"""Points drawn of each series at most; zooming draws the window afresh from the whole log."""

_TITLES = {
    "voltage": "Pack / V",
    "current": "Current / A",
    "group": "Groups / V",
    "temperature": "Temp. / °C",
}
_WEIGHTS = {"voltage": 1.15, "current": 0.9, "group": 1.45, "temperature": 0.7}
_STEP_WORDS = {
    "rest": "rest", "charge_cc": "charge CC", "charge_cv": "charge CV", "charge": "charge",
    "discharge_cc": "discharge CC", "discharge_cv": "discharge CV", "discharge_cp": "discharge CP",
    "discharge_cr": "discharge CR", "discharge": "discharge", "pulse_charge": "pulse +",
    "pulse_discharge": "pulse −",
}


def step_word(kind: str) -> str:
    """Short name of a kind of step for the strip above the curves and for tables."""
    return _STEP_WORDS.get(kind, kind.replace("_", " "))


def step_family(kind: str) -> str:
    """Which of the four colours a kind of step takes."""
    if kind.startswith("pulse"):
        return "pulse"
    return kind.split("_", 1)[0] if kind.split("_", 1)[0] in style.STEP_COLOURS else "rest"


def _domains(panels: tuple[str, ...]) -> dict[str, tuple[float, float]]:
    top, gap = 0.945, 0.035
    total = sum(_WEIGHTS[panel] for panel in panels) or 1.0
    height = (top - gap * (len(panels) - 1)) / total
    spans: dict[str, tuple[float, float]] = {}
    edge = top
    for panel in panels:
        low = edge - height * _WEIGHTS[panel]
        spans[panel] = (max(0.0, low), edge)
        edge = low - gap
    return spans


def _axis_names(panels: tuple[str, ...]) -> dict[str, str]:
    return {panel: "y" if index == 0 else f"y{index + 1}" for index, panel in enumerate(panels)}


def _line(series: Series, marked: int | None) -> dict[str, Any]:
    if series.panel == "voltage":
        return {"color": style.VOLTAGE, "width": 2}
    if series.panel == "current":
        return {"color": style.CURRENT, "width": 1.6}
    if series.panel == "temperature":
        return {"color": style.TEMPERATURE, "width": 1.6}
    if series.group == marked:
        return {"color": style.MARKED, "width": 2.6}
    return {"color": style.SIBLING, "width": 1.0}


def draw_order(curves: Curves, marked: int | None) -> list[Series]:
    """Series in the order of the figure's traces: the marked group comes last of the groups, so it lies on top."""
    return sorted(
        curves.series,
        key=lambda item: (
            ("voltage", "current", "group", "temperature").index(item.panel),
            item.group is not None and item.group == marked,
        ),
    )


def window_points(
    curves: Curves, series: Series, start_s: float | None, end_s: float | None, seconds_per_unit: float
) -> tuple[np.ndarray, np.ndarray, bool]:
    """Points of one series in a window on the figure's own time axis, and whether every sample is drawn."""
    thinned = thin(curves.time_s, series.value, curves.gaps, start_s, end_s, POINTS)
    return thinned.x / seconds_per_unit, thinned.y, thinned.complete


def timeline(
    curves: Curves,
    steps: list[dict[str, Any]],
    marked: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    counted: tuple[float, float] | None = None,
    height: int = 720,
) -> tuple[go.Figure, bool]:
    """Figure of one run and whether every sample of the window is drawn.

    ``counted`` marks the stretch whose charge is the reported capacity. [s]
    """
    panels = curves.panels()
    if not panels:
        return style.empty_figure("The log holds no reading that can be drawn.", height), True
    per_unit, unit = style.time_unit(curves.duration_s)
    names, spans = _axis_names(panels), _domains(panels)
    figure = go.Figure()
    complete = True
    for series in draw_order(curves, marked):
        x, y, whole = window_points(curves, series, start_s, end_s, per_unit)
        complete = complete and whole
        label = f"{series.name}, marked" if series.group is not None and series.group == marked else series.name
        figure.add_trace(
            go.Scatter(
                x=x, y=y, name=style.name_text(label), mode="lines", xaxis="x", yaxis=names[series.panel], line=_line(series, marked),
                connectgaps=False,
                hovertemplate=f"%{{y:{style.SAMPLE_FORMAT[series.unit]}}} {series.unit}",
            )
        )
    layout = style.base_layout(height)
    layout["margin"]["t"] = 34  # room for the buttons above the strip
    for panel in panels:
        key = names[panel].replace("y", "yaxis")
        layout[key] = style.axis(_TITLES[panel], domain=spans[panel], anchor="x", nticks=6)
    strip_axis = f"y{len(panels) + 1}"
    layout[strip_axis.replace("y", "yaxis")] = {
        "domain": (0.957, 1.0), "anchor": "x", "visible": False, "range": (-0.5, 0.5), "fixedrange": True,
    }
    lowest = names[panels[-1]]
    shown = [
        (curves.time_s[0] if start_s is None else start_s) / per_unit,
        (curves.duration_s if end_s is None else end_s) / per_unit,
    ]
    layout["xaxis"] = style.axis(
        f"Time from the first sample / {unit}", anchor=lowest, range=shown,
        unifiedhovertitle={"text": f"at %{{x:{'.1f' if unit == 's' else '.4f'}}} {unit}"}, **style.spikes(),
    )
    layout["hovermode"] = "x unified"
    layout["hoversubplots"] = "axis"
    layout["hoverdistance"] = 60
    layout["dragmode"] = "zoom"
    layout["uirevision"] = "keep"
    layout["barmode"] = "overlay"
    layout["bargap"] = 0
    layout["uniformtext"] = {"minsize": 11, "mode": "hide"}
    figure.update_layout(**layout)
    _add_steps(figure, steps, per_unit, strip_axis, (shown[0], shown[1]))
    if counted is not None:
        figure.add_shape(
            type="rect", xref="x", yref="paper", x0=counted[0] / per_unit, x1=counted[1] / per_unit, y0=0, y1=0.945,
            fillcolor=style.CURRENT, opacity=0.08, line={"width": 0}, layer="below",
        )
    return figure, complete


def strip_bars(
    steps: list[dict[str, Any]], per_unit: float, shown: tuple[float, float]
) -> list[tuple[str, list[dict[str, Any]], list[float], list[float]]]:
    """Family, steps, starts and widths of the strip's bars, each cut to the window so that its word stays in view."""
    bars = []
    for family in style.STEP_COLOURS:
        chosen = [step for step in steps if step_family(step["kind"]) == family]
        if chosen:
            starts = [min(max(step["start_s"] / per_unit, shown[0]), shown[1]) for step in chosen]
            ends = [min(max(step["end_s"] / per_unit, shown[0]), shown[1]) for step in chosen]
            bars.append((family, chosen, starts, [end - start for start, end in zip(starts, ends)]))
    return bars


def step_hover(step: dict[str, Any]) -> str:
    """What pointing at a step shows: a short bar has no room for its word."""
    return f"{step['index']} {step_word(step['kind'])}, {duration(step['end_s'] - step['start_s'])}"


def step_points(
    steps: list[dict[str, Any]], per_unit: float, shown: tuple[float, float]
) -> tuple[list[float], list[str]]:
    """Places along the window and the step at each, close enough that the pointer always finds one; each step has one."""
    if not steps:
        return [], []
    starts = np.array([step["start_s"] for step in steps]) / per_unit
    ends = np.array([step["end_s"] for step in steps]) / per_unit
    middles = (np.maximum(starts, shown[0]) + np.minimum(ends, shown[1])) / 2.0
    inside = (ends > shown[0]) & (starts < shown[1])
    places = np.sort(np.concatenate([np.linspace(shown[0], shown[1], HOVER_PLACES), middles[inside]]))
    places = places[(places >= starts[0]) & (places <= ends[-1])]
    at = np.clip(np.searchsorted(starts, places, side="right") - 1, 0, len(steps) - 1)
    return places.tolist(), [step_hover(steps[index]) for index in at]


def edge_widths(widths: list[float]) -> list[int]:
    """Width of each bar's edge: none for a bar outside the window."""
    return [1 if width > 0 else 0 for width in widths]


def _add_steps(
    figure: go.Figure, steps: list[dict[str, Any]], per_unit: float, strip_axis: str, shown: tuple[float, float]
) -> None:
    for family, chosen, starts, widths in strip_bars(steps, per_unit, shown):
        figure.add_trace(
            go.Bar(
                orientation="h", xaxis="x", yaxis=strip_axis, name=family, hoverinfo="skip",
                base=starts, x=widths, y=[0.0] * len(chosen), width=[1.0] * len(chosen),
                text=[f"{step['index']} {step_word(step['kind'])}" for step in chosen],
                textposition="inside", insidetextanchor="middle", textangle=0, constraintext="inside", cliponaxis=True,
                textfont={"color": "#101417", "size": 12},
                marker={"color": style.STEP_COLOURS[family], "line": {
                    "width": edge_widths(widths), "color": "rgba(16,20,23,0.55)"}},
            )
        )
    places, words = step_points(steps, per_unit, shown)
    if places:
        figure.add_trace(
            go.Scatter(
                x=places, y=[0.0] * len(places), xaxis="x", yaxis=strip_axis, name="Step", mode="lines", customdata=words,
                line={"width": 0, "color": "rgba(0,0,0,0)"}, hovertemplate="%{customdata}",
            )
        )
    if len(steps) > 60:
        return
    for step in steps[1:]:
        at = step["start_s"] / per_unit
        figure.add_shape(
            type="line", xref="x", yref="paper", x0=at, x1=at, y0=0, y1=0.957,
            line={"width": 1, "dash": "dot", "color": style.SIBLING}, opacity=0.6, layer="below",
        )
