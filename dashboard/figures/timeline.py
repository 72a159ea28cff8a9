"""The whole test over time: steps, pack voltage, current, group voltages and temperature on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from cycler.record.values import duration
from dashboard.figures import style
from dashboard.figures.curves import Curves, Series
from dashboard.figures.places import Place
from dashboard.figures.resample import thin

HOVER_PLACES = 240
"""Places along a window at which pointing tells the step."""

POINTS = 1500
"""Points drawn of each series at most; zooming draws the window afresh from the whole log."""

DOTS = 60
"""As few samples in a window get a dot each."""

EDGES_MOST = 60
"""Edges of so many steps are marked at most: more would hide the curves."""

STRIP = (0.94, 1.0)
CURVES_TOP = 0.928
"""Heights of the strip of steps and of the curves below it, as shares of the figure."""

NEAR_SHARE = 0.05
"""Flags nearer than this share of the axis stand above one another."""

SHAPES = {"danger": "\u25b2", "defect": "\u25c6", "caution": "\u25b3", "info": "\u25cb"}
"""Triangle, diamond, open triangle, ring: as the findings carry them in the list."""

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
    top, gap = CURVES_TOP, 0.035
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


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """What the curves are drawn along: time, or charge moved since the first sample whichever way it flowed.

    ``position`` is that of each sample in seconds or Ah, never decreasing; what is shown is ``position / per_unit``.
    """

    kind: str
    time_s: np.ndarray
    position: np.ndarray
    per_unit: float
    unit: str
    title: str

    def at(self, seconds: float) -> float:
        """Place on the axis of a time. [unit]"""
        if self.kind == "time":
            return seconds / self.per_unit
        return _between(seconds, self.time_s, self.position) / self.per_unit

    def seconds(self, place: float) -> float:
        """Time of a place on the axis. [s]"""
        if self.kind == "time":
            return place * self.per_unit
        return _between(place * self.per_unit, self.position, self.time_s)


def _between(x: float, xs: np.ndarray, ys: np.ndarray) -> float:
    """Straight line between the two samples beside ``x``; ``numpy.interp`` would look at every sample of a long log."""
    right = int(np.searchsorted(xs, x, side="right"))
    if right == 0:
        return float(ys[0])
    if right == xs.size:
        return float(ys[-1])
    x0, x1, y0, y1 = (float(value) for value in (xs[right - 1], xs[right], ys[right - 1], ys[right]))
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def along_of(curves: Curves, kind: str = "time") -> Along:
    """The axis ``time`` or ``ah``; time where no charge moved."""
    moved = curves.moved_ah() if kind == "ah" else None
    if moved is not None and moved.size and moved[-1] > 0:
        return Along("ah", curves.time_s, moved, 1.0, "Ah", "Charge moved since the first sample / Ah")
    per_unit, unit = style.time_unit(curves.duration_s)
    return Along("time", curves.time_s, curves.time_s, per_unit, unit, f"Time from the first sample / {unit}")


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Points of one series in a window as its trace holds them. ``complete``: every sample is among them."""

    x: np.ndarray
    y: np.ndarray
    complete: bool
    mode: str
    size: np.ndarray | None


def window_points(curves: Curves, series: Series, start_s: float | None, end_s: float | None, along: Along) -> Drawn:
    """Points of one series in a window on the figure's own axis. A sample that no line reaches, and samples few enough, get a dot."""
    thinned = thin(
        curves.time_s, series.value, curves.gaps, start_s, end_s, POINTS, along.position, curves.stretches(series)
    )
    size = None
    if thinned.samples <= DOTS:
        size = np.full(thinned.x.size, 5.0)
    elif thinned.lonely.size:
        size = np.zeros(thinned.x.size)
        size[thinned.lonely] = 5.0
    return Drawn(thinned.x / along.per_unit, thinned.y, thinned.complete, "lines" if size is None else "lines+markers", size)


def window_range(curves: Curves, along: Along, start_s: float | None, end_s: float | None) -> tuple[float, float]:
    """Ends of the axis for a window; the whole log without one."""
    first = float(curves.time_s[0]) if start_s is None else start_s
    low, high = along.at(first), along.at(curves.duration_s if end_s is None else end_s)
    return (low, high) if high > low else (low - 0.5e-3, low + 0.5e-3)


def timeline(
    curves: Curves,
    steps: list[dict[str, Any]],
    marked: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    counted: tuple[float, float] | None = None,
    height: int = 720,
    along: Along | None = None,
    places: Sequence[Place] = (),
    chosen: int | None = None,
) -> tuple[go.Figure, bool]:
    """Figure of one run and whether every sample of the window is drawn.

    ``counted`` marks the stretch whose charge is the reported capacity [s]; ``places`` get a flag with their number, the stretch
    of the ``chosen`` one is shaded.
    """
    panels = curves.panels()
    if not panels:
        return style.empty_figure("The log holds no reading that can be drawn.", height), True
    along = along_of(curves) if along is None else along
    names, spans = _axis_names(panels), _domains(panels)
    traces: list[dict[str, Any]] = []
    complete = True
    ranges: dict[str, tuple[float, float]] = {}
    for series in draw_order(curves, marked):
        drawn = window_points(curves, series, start_s, end_s, along)
        complete = complete and drawn.complete
        if np.isfinite(drawn.y).any():
            low, high = ranges.get(series.panel, (np.inf, -np.inf))
            ranges[series.panel] = min(low, float(np.nanmin(drawn.y))), max(high, float(np.nanmax(drawn.y)))
        label = f"{series.name}, marked" if series.group is not None and series.group == marked else series.name
        line = _line(series, marked)
        traces.append({
            "type": "scatter", "x": drawn.x, "y": drawn.y, "name": style.name_text(label), "mode": drawn.mode, "xaxis": "x",
            "yaxis": names[series.panel], "line": line, "marker": {"color": line["color"], "size": drawn.size}, "connectgaps": False,
            "hovertemplate": f"%{{y:{style.SAMPLE_FORMAT[series.unit]}}} {series.unit}",
        })
    layout = style.base_layout(height)
    layout["margin"] = {"l": 58, "r": 14, "t": 8, "b": 44}
    for panel in panels:
        key = names[panel].replace("y", "yaxis")
        layout[key] = style.axis(_TITLES[panel], domain=spans[panel], anchor="x", nticks=5)
    strip_axis = f"y{len(panels) + 1}"
    layout[strip_axis.replace("y", "yaxis")] = {
        "domain": STRIP, "anchor": "x", "visible": False, "range": (-0.5, 0.5), "fixedrange": True,
    }
    shown = window_range(curves, along, start_s, end_s)
    fine = {"s": ".1f", "Ah": ".3f"}.get(along.unit, ".4f")
    layout["xaxis"] = style.axis(
        along.title, anchor=names[panels[-1]], range=list(shown),
        unifiedhovertitle={"text": f"at %{{x:{fine}}} {along.unit}"}, **style.spikes(),
    )
    layout["hovermode"] = "x unified"
    layout["hoversubplots"] = "axis"
    layout["hoverdistance"] = 60
    layout["dragmode"] = "zoom"
    layout["uirevision"] = along.kind
    layout["barmode"] = "overlay"
    layout["bargap"] = 0
    layout["uniformtext"] = {"minsize": 11, "mode": "hide"}
    layout["shapes"] = shapes(steps, along, counted, next((place for place in places if place.number == chosen), None))
    layout["annotations"] = flags(places, curves, along, names, ranges, shown, chosen)
    # All at once: the library takes half as long as for one part after the other.
    return go.Figure([*traces, *_step_traces(steps, along, strip_axis, shown)], layout), complete


def shapes(
    steps: list[dict[str, Any]], along: Along, counted: tuple[float, float] | None, chosen: Place | None = None
) -> list[dict[str, Any]]:
    """Behind the curves: edges of the steps, the stretch that is the capacity, the stretch of the chosen finding."""
    found: list[dict[str, Any]] = []
    if counted is not None:
        found.append({
            "type": "rect", "xref": "x", "yref": "paper", "x0": along.at(counted[0]), "x1": along.at(counted[1]), "y0": 0, "y1": CURVES_TOP,
            "fillcolor": style.CURRENT, "opacity": 0.08, "line": {"width": 0}, "layer": "below",
        })
    if chosen is not None:
        found.append({
            "type": "rect", "xref": "x", "yref": "paper", "x0": along.at(chosen.start_s), "x1": along.at(chosen.end_s), "y0": 0, "y1": CURVES_TOP,
            "fillcolor": style.MARKED, "opacity": 0.13, "line": {"width": 2, "dash": "dash", "color": style.MARKED}, "layer": "below",
        })
    for step in steps[1:] if len(steps) <= EDGES_MOST else ():
        at = along.at(step["start_s"])
        found.append({
            "type": "line", "xref": "x", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": STRIP[0],
            "line": {"width": 1, "dash": "dot", "color": style.SIBLING}, "opacity": 0.6, "layer": "below",
        })
    return found


def flags(
    places: Sequence[Place], curves: Curves, along: Along, names: dict[str, str], ranges: dict[str, tuple[float, float]],
    shown: tuple[float, float], chosen: int | None = None,
) -> list[dict[str, Any]]:
    """A flag for each place: shape of its severity and number, pointing at the curve it is about; in the order of the places. One out of sight is not drawn."""
    whole = along.at(curves.duration_s) - along.at(float(curves.time_s[0])) if curves.time_s.size else 0.0
    found: list[dict[str, Any]] = []
    taken: list[tuple[str, float]] = []
    for place in places:
        series = _series_of(place, curves)
        x = along.at(place.at_s)
        share = x / whole if whole > 0 else 0.0
        stacked = sum(1 for panel, other in taken if panel == series.panel and abs(other - share) < NEAR_SHARE)
        taken.append((series.panel, share))
        y = _value_near(curves.time_s, series.value, place.at_s)
        low, high = ranges.get(series.panel, (y, y))
        up = y < 0.5 * (low + high)
        found.append({
            "name": f"finding-{place.number}", "text": f"{SHAPES.get(place.severity, SHAPES['info'])}\u2009{place.number}", "captureevents": True,
            "visible": shown[0] <= x <= shown[1], "x": x, "y": y, "xref": "x", "yref": names[series.panel], "showarrow": True, "arrowhead": 2, "arrowsize": 0.9, "arrowwidth": 1.4,
            "ax": -20 if share > 0.5 else 20, "ay": (-1 if up else 1) * (24 + 25 * stacked), "standoff": 2, "borderpad": 2, "bgcolor": "#ffffff", "bordercolor": style.SIBLING,
            "borderwidth": 3 if place.number == chosen else 1, "font": {"size": 13},
        })
    return found


def _series_of(place: Place, curves: Curves) -> Series:
    """The curve that a finding is about; any other where the log has none of that kind."""
    fitting = [item for item in curves.series if item.panel == place.panel and (place.group is None or item.group in (None, place.group))]
    return (fitting or list(curves.series))[0]


def _value_near(time_s: np.ndarray, value: np.ndarray, at_s: float) -> float:
    """The reading nearest to a time."""
    row = min(int(np.searchsorted(time_s, at_s)), time_s.size - 1)
    if np.isfinite(value[row]):
        return float(value[row])
    known = np.flatnonzero(np.isfinite(value))
    return float(value[known[np.argmin(np.abs(time_s[known] - at_s))]])


def strip_bars(
    steps: list[dict[str, Any]], along: Along, shown: tuple[float, float]
) -> list[tuple[str, list[dict[str, Any]], list[float], list[float]]]:
    """Family, steps, starts and widths of the strip's bars, each cut to the window so that its word stays in view."""
    bars = []
    for family in style.STEP_COLOURS:
        chosen = [step for step in steps if step_family(step["kind"]) == family]
        if chosen:
            starts = [min(max(along.at(step["start_s"]), shown[0]), shown[1]) for step in chosen]
            ends = [min(max(along.at(step["end_s"]), shown[0]), shown[1]) for step in chosen]
            bars.append((family, chosen, starts, [end - start for start, end in zip(starts, ends)]))
    return bars


def step_hover(step: dict[str, Any]) -> str:
    """What pointing at a step shows: a short bar has no room for its word."""
    return f"{step['index']} {step_word(step['kind'])}, {duration(step['end_s'] - step['start_s'])}"


def step_points(
    steps: list[dict[str, Any]], along: Along, shown: tuple[float, float]
) -> tuple[list[float], list[str]]:
    """Places along the window and the step at each, close enough that the pointer always finds one; each step has one."""
    if not steps:
        return [], []
    starts = np.array([along.at(step["start_s"]) for step in steps])
    ends = np.array([along.at(step["end_s"]) for step in steps])
    middles = (np.maximum(starts, shown[0]) + np.minimum(ends, shown[1])) / 2.0
    inside = (ends > shown[0]) & (starts < shown[1])
    places = np.sort(np.concatenate([np.linspace(shown[0], shown[1], HOVER_PLACES), middles[inside]]))
    places = places[(places >= starts[0]) & (places <= ends[-1])]
    at = np.clip(np.searchsorted(starts, places, side="right") - 1, 0, len(steps) - 1)
    return places.tolist(), [step_hover(steps[index]) for index in at]


def edge_widths(widths: list[float]) -> list[int]:
    """Width of each bar's edge: none for a bar outside the window."""
    return [1 if width > 0 else 0 for width in widths]


def _step_traces(steps: list[dict[str, Any]], along: Along, strip_axis: str, shown: tuple[float, float]) -> list[dict[str, Any]]:
    """The strip of steps above the curves, and what pointing at it tells."""
    strip = {"xaxis": "x", "yaxis": strip_axis}
    found: list[dict[str, Any]] = []
    for family, chosen, starts, widths in strip_bars(steps, along, shown):
        found.append({
            **strip, "type": "bar", "orientation": "h", "name": family, "hoverinfo": "skip",
            "base": starts, "x": widths, "y": [0.0] * len(chosen), "width": [1.0] * len(chosen),
            "text": [f"{step['index']} {step_word(step['kind'])}" for step in chosen],
            "textposition": "inside", "insidetextanchor": "middle", "textangle": 0, "constraintext": "inside", "cliponaxis": True,
            "textfont": {"color": "#101417", "size": 12},
            "marker": {"color": style.STEP_COLOURS[family], "line": {"width": edge_widths(widths), "color": "rgba(16,20,23,0.55)"}},
        })
    places, words = step_points(steps, along, shown)
    if places:
        found.append({
            **strip, "type": "scatter", "x": places, "y": [0.0] * len(places), "name": "Step", "mode": "lines", "customdata": words,
            "line": {"width": 0, "color": "rgba(0,0,0,0)"}, "hovertemplate": "%{customdata}",
        })
    return found
