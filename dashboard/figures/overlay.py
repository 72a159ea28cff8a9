"""Discharges or charges of several runs laid over one another, with the difference from one of them on the same axis below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import plotly.graph_objects as go

from cycler.curvedifference import (
    Difference,
    Drawn,
    charge_at_voltage,
    charge_difference,
    shared_grid,
    spans_of,
    state_of_charge,
    voltage_difference,
)
from cycler.measures.alongside import UnderCurrent, means, rising, under_current, with_readings
from cycler.quantities import COVERAGE_FACTOR
from cycler.signals import resolution_of
from dashboard import text_compare as words
from dashboard.figures import style
from dashboard.figures.curves import Curves
from dashboard.figures.resample import Stretches, thin

POINTS = 1000
VOLTAGE_POINTS = 400
"""Levels of voltage at which the charge is told."""
RESOLUTION_ROWS = 50_000
"""Readings of a column that its resolution is looked for in."""

AXES = ("time", "ah", "soc", "voltage")
"""What the runs are laid over: time under current, charge, state of charge, and voltage, over which the charge is drawn."""
QUANTITIES = ("pack", "per-group", "limiting", "group")
EXTRAS = ("current", "temperature")


@dataclass(frozen=True, slots=True)
class View:
    """What is drawn: axis, quantity, number of the group, charge instead of discharge, panels besides, and the window in the axis' unit (s, Ah, %, V)."""

    axis: str = AXES[0]
    quantity: str = QUANTITIES[0]
    group: int | None = None
    charge: bool = False
    extras: tuple[str, ...] = ()
    window: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """One run ready to draw; ``missing`` says in words why it is not, else it is empty.

    ``x`` lies along the axis and never turns back, ``y`` is the voltage [V] or over voltage the charge [Ah], ``piece`` numbers unbroken pieces, all shape
    (m,); ``extras`` are further columns of that shape. ``drawn`` is the run condensed, for its difference from another; its ``x`` always rises (a falling one is
    negated).
    """

    order: int
    letter: str
    label: str
    missing: str = ""
    x: np.ndarray = field(default_factory=lambda: np.zeros(0))
    y: np.ndarray = field(default_factory=lambda: np.zeros(0))
    piece: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    drawn: Drawn | None = None
    group: int | None = None
    extras: tuple[tuple[str, np.ndarray], ...] = ()

    @property
    def name(self) -> str:
        """Letter, name of the run, and the group where one is drawn."""
        return f"{self.letter} {self.label}" + (f": group {self.group}" if self.group else "")


def falls(view: View) -> bool:
    """Whether the test runs from high to low along the axis: it is drawn from left to right all the same."""
    return view.axis in ("soc", "voltage") and not view.charge


def laid(order: int, label: str, curves: Curves | None, analysis: dict[str, Any], view: View, missing: str = "") -> Laid:
    """A run ready to draw."""
    letter = style.RUN_LETTERS[order]

    def left_out(reason: str) -> Laid:
        return Laid(order, letter, label, reason)

    if missing or curves is None:
        return left_out(missing)
    spans = spans_of(analysis, view.charge)
    if not spans:
        return left_out(words.NO_CHARGE if view.charge else words.NO_DISCHARGE)
    current = next((item.value for item in curves.series if item.panel == "current"), None)
    quantity, source, reason = _quantity(curves, analysis, view)
    if current is None or quantity is None:
        return left_out(reason or words.NO_CURRENT)
    under = under_current(curves.time_s, current, spans)
    y = quantity(under.rows)
    under, y = _with_readings(under, curves.time_s, y)
    if y.size < 2:
        return left_out(words.NO_READINGS)
    x = {"time": under.time_s, "ah": under.charge_ah, "voltage": y}.get(view.axis)
    if view.axis == "soc":
        x = state_of_charge(analysis, under.charge_ah, view.charge)
    if x is None:
        return left_out(words.NO_SOC_CHARGE if view.charge else words.NO_SOC)
    if view.axis == "voltage":
        return _over_voltage(order, label, under, y, analysis, source, view)
    drawn = _condensed(under, -x if falls(view) else x, y, analysis, source | {"axis": view.axis})
    return Laid(order, letter, label, "", x, y, under.piece, drawn, source["group"], _extras(curves, under.rows, view))


def _with_readings(under: UnderCurrent, time_s: np.ndarray, y: np.ndarray) -> tuple[UnderCurrent, np.ndarray]:
    known = np.isfinite(y)
    return (under, y) if known.all() else (with_readings(under, time_s, known), y[known])


def _quantity(curves: Curves, analysis: dict[str, Any], view: View) -> tuple[Any, dict[str, Any], str]:
    """What gives the drawn voltage for some rows, what it was measured by, or the reason in words why there is none."""
    source: dict[str, Any] = {"group": None, "divided_by": 1, "is_sum": False, "resolution_v": 0.0}
    groups = {item.group: item.value for item in curves.series if item.panel == "group"}
    if view.quantity in ("limiting", "group"):
        number = analysis.get("limiting_group") if view.quantity == "limiting" else view.group
        if number is None:
            return None, source, words.NO_LIMITING if view.quantity == "limiting" else words.NO_GROUP_CHOSEN
        if number not in groups:
            return None, source, words.NO_GROUP.format(n=number) if groups else words.NO_GROUPS
        column = groups[number]
        source |= {"group": number, "resolution_v": _resolution(column)}
        return (lambda rows: column[rows]), source, ""
    pack = next((item.value for item in curves.series if item.panel == "voltage"), None)
    series = (analysis.get("pack") or {}).get("series") or (analysis.get("log") or {}).get("series")
    columns = [pack] if pack is not None else list(groups.values())
    if pack is None and (not groups or len(groups) != series):
        return None, source, words.NO_VOLTAGE
    if view.quantity == "per-group" and not series:
        return None, source, words.NO_SERIES
    divided = int(series) if view.quantity == "per-group" and series else 1
    # Roundings of a sum's parts are independent of each other.
    resolution = float(np.sqrt(sum(_resolution(column) ** 2 for column in columns)))
    source |= {"divided_by": divided, "is_sum": pack is None, "resolution_v": resolution}
    return (lambda rows: sum(column[rows] for column in columns) / divided), source, ""


def _resolution(column: np.ndarray) -> float:
    return resolution_of(np.asarray(column[:RESOLUTION_ROWS]))


def _condensed(under: UnderCurrent, x: np.ndarray, y: np.ndarray, analysis: dict[str, Any], source: dict[str, Any]) -> Drawn:
    piece, (x, y, ah, seconds) = means(under.piece, [x, y, under.charge_ah, under.time_s])
    kept = rising(x)
    piece, x = piece[kept], x[kept]
    holes = []
    for hole in under.holes:
        before, after = np.flatnonzero(piece <= hole), np.flatnonzero(piece > hole)
        if before.size and after.size:
            holes.append((float(x[before[-1]]), float(x[after[0]])))
    return Drawn(x, y[kept], ah[kept], seconds[kept], analysis, holes=tuple(holes), u_start_s=under.u_start_s, **source)


def _over_voltage(
    order: int, label: str, under: UnderCurrent, volts: np.ndarray, analysis: dict[str, Any], source: dict[str, Any], view: View
) -> Laid:
    """A run over voltage: the charge that had flowed when the voltage was reached."""
    _piece, (volts, ah, seconds) = means(under.piece, [volts, under.charge_ah, under.time_s])
    levels = np.linspace(float(np.min(volts)), float(np.max(volts)), VOLTAGE_POINTS)
    charge = charge_at_voltage(volts, ah, levels, view.charge)
    known = np.isfinite(charge)
    levels, charge = levels[known], charge[known]
    if levels.size < 2 or levels[-1] <= levels[0]:
        return Laid(order, style.RUN_LETTERS[order], label, words.NO_READINGS)
    kept = rising(ah)
    drawn = Drawn(levels, charge, ah[kept], seconds[kept], analysis, **source)
    x, y = (levels[::-1], charge[::-1]) if falls(view) else (levels, charge)
    return Laid(order, style.RUN_LETTERS[order], label, "", x, y, np.zeros(x.size, int), drawn, source["group"])


def _extras(curves: Curves, rows: np.ndarray, view: View) -> tuple[tuple[str, np.ndarray], ...]:
    found = []
    for panel in view.extras:
        columns = [item.value[rows] for item in curves.series if item.panel == panel]
        if columns:  # of several sensors the warmest at each instant
            found.append((panel, columns[0] if len(columns) == 1 else np.fmax.reduce(columns)))
    return tuple(found)


# ---- differences ---------------------------------------------------------------------------------------------------


def differences(runs: Sequence[Laid], reference: int, view: View) -> list[tuple[Laid, Difference]]:
    """Run minus reference for every other run that can be drawn, in their order; empty if the reference cannot."""
    base = next((run.drawn for run in runs if run.order == reference), None)
    if base is None or base.x.size < 2:
        return []
    at = shared_grid(base)
    subtract = charge_difference if view.axis == "voltage" else voltage_difference
    turned = falls(view) and view.axis != "voltage"
    found = []
    for run in runs:
        if run.order == reference or run.drawn is None:
            continue
        difference = subtract(base, run.drawn, at)
        if turned:
            difference = replace(difference, x=-difference.x)
        found.append((run, difference))
    return found


def difference_unit(found: Sequence[tuple[Laid, Difference]], view: View) -> tuple[float, str]:
    """Factor and unit that differences are shown in: millivolts as long as most of it stays below a volt."""
    if view.axis == "voltage":
        return 1.0, "Ah"
    known = np.concatenate([np.abs(item.value[item.known]) for _run, item in found] or [np.zeros(0)])
    return (1e3, "mV") if not known.size or np.percentile(known, 95) < 1.0 else (1.0, "V")


# ---- the figure -----------------------------------------------------------------------------------------------------

_TALL = {"main": 330, "difference": 190, "current": 120, "temperature": 120}
_BETWEEN = 30
_AROUND = 70


def panels_of(view: View, with_difference: bool) -> tuple[str, ...]:
    """Panels from top to bottom."""
    extras = () if view.axis == "voltage" else tuple(panel for panel in EXTRAS if panel in view.extras)
    return ("main", *(("difference",) if with_difference else ()), *extras)


def height_of(panels: Sequence[str]) -> int:
    """Height of the figure. [px]"""
    return sum(_TALL[panel] for panel in panels) + _BETWEEN * (len(panels) - 1) + _AROUND


def axis_scale(view: View, runs: Sequence[Laid]) -> tuple[float, str]:
    """How many of the axis' inner units make one of those shown, and that unit."""
    if view.axis == "time":
        return style.time_unit(max((float(run.x[-1]) for run in runs if run.x.size), default=0.0))
    return 1.0, {"ah": "Ah", "soc": "%", "voltage": "V"}[view.axis]


def overlay(runs: Sequence[Laid], reference: int, view: View) -> tuple[go.Figure, list[tuple[Laid, Difference]]]:
    """Figure, and the differences that it shows."""
    shown = [run for run in runs if not run.missing]
    found = [(run, item) for run, item in differences(runs, reference, view) if item.known.any()]
    panels = panels_of(view, bool(found))
    if not shown:
        return style.empty_figure(words.NOTHING_DRAWN, 200), []
    per_unit, unit = axis_scale(view, shown)
    figure = go.Figure()
    for run in shown:
        line = {"color": style.RUN_COLOURS[run.order % 8], "dash": style.RUN_DASHES[run.order % 8], "width": 2.2}
        y_unit = "Ah" if view.axis == "voltage" else "V"
        _line(figure, run, run.y, view, per_unit, line, _place(panels, "main"), f"%{{y:.3f}} {y_unit}", run.name)
        for panel, column in run.extras:
            if panel in panels:
                tail = "%{y:.2f} A" if panel == "current" else "%{y:.1f} °C"
                _line(figure, run, column, view, per_unit, {**line, "width": 1.7}, _place(panels, panel), tail, f"{run.letter} {words.EXTRAS_CHOICE[panel].lower()}")
    factor, difference_word = difference_unit(found, view)
    for run, item in found:
        _difference(figure, run, item, view, per_unit, factor, difference_word, _place(panels, "difference"), style.RUN_LETTERS[reference])
    figure.update_layout(**_layout(view, panels, unit, per_unit, difference_word, style.RUN_LETTERS[reference]))
    edges = sorted(edge / per_unit for edge in view.window) if view.window else [-np.inf, np.inf]
    _letters(figure, panels, view, (edges[0], edges[1]))
    return figure, found


def _place(panels: Sequence[str], panel: str) -> str:
    index = panels.index(panel)
    return "y" if index == 0 else f"y{index + 1}"


def _inner(edge: float, view: View) -> float:
    return -edge if falls(view) else edge


def _line(
    figure: go.Figure, run: Laid, column: np.ndarray, view: View, per_unit: float, line: dict[str, Any], yaxis: str, tail: str, name: str
) -> None:
    known = np.isfinite(column)
    x, y, piece = (run.x, column, run.piece) if known.all() else (run.x[known], column[known], run.piece[known])
    if not x.size:
        return
    along = -x if falls(view) else x
    first, last = sorted(_inner(edge, view) for edge in view.window) if view.window else (None, None)
    thinned = thin(along, y, (), first, last, points=POINTS, stretches=Stretches(None, np.flatnonzero(np.diff(piece)) + 1))
    drawn = -thinned.x if falls(view) else thinned.x
    figure.add_trace(
        go.Scatter(
            x=(drawn / per_unit).astype(np.float32), y=thinned.y.astype(np.float32), name=style.name_text(name), mode="lines", line=line, xaxis="x", yaxis=yaxis,
            connectgaps=False, hovertemplate=tail, showlegend=name == run.name, legendgroup=run.letter, meta=run.letter,
        )
    )


def _difference(
    figure: go.Figure, run: Laid, item: Difference, view: View, per_unit: float, factor: float, unit: str, yaxis: str, base: str
) -> None:
    colour = style.RUN_COLOURS[run.order % 8]
    x, y = item.x / per_unit, item.value * factor
    inside = np.ones(x.size, bool)
    if view.window:
        inside = (item.x >= view.window[0]) & (item.x <= view.window[1])
    x, y = x[inside], y[inside]
    expanded = None if item.u is None else COVERAGE_FACTOR * item.u[inside] * factor
    if expanded is not None:
        band_x, band_y = _band(x, y, expanded)
        figure.add_trace(
            go.Scatter(
                x=band_x.astype(np.float32), y=band_y.astype(np.float32), xaxis="x", yaxis=yaxis, mode="lines", line={"width": 0}, fill="toself",
                fillcolor=_pale(colour), hoverinfo="skip", showlegend=False, name=f"{run.letter} − {base}", meta="band",
            )
        )
    digits = "1f" if unit == "mV" else "3f"
    tail = f"%{{y:+.{digits}}} {unit}" + ("" if expanded is None else f" ± %{{customdata:.{digits}}} {unit}")
    figure.add_trace(
        go.Scatter(
            x=x.astype(np.float32), y=y.astype(np.float32), xaxis="x", yaxis=yaxis, mode="lines", connectgaps=False, name=f"{run.letter} − {base}",
            line={"color": colour, "dash": style.RUN_DASHES[run.order % 8], "width": 2.0}, hovertemplate=tail, showlegend=False, meta=run.letter,
            customdata=None if expanded is None else expanded.astype(np.float32),
        )
    )


def _band(x: np.ndarray, y: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outline of a band round a line, one closed piece for each stretch without a hole."""
    known = np.isfinite(y) & np.isfinite(half)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(int)))
    xs, ys = [], []
    for first, last in zip(edges[::2], edges[1::2]):
        part = slice(first, last)
        xs += [x[part], x[part][::-1], np.array([np.nan])]
        ys += [y[part] + half[part], (y[part] - half[part])[::-1], np.array([np.nan])]
    return (np.concatenate(xs)[:-1], np.concatenate(ys)[:-1]) if xs else (np.zeros(0), np.zeros(0))


def _pale(colour: str) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.22)"


def _layout(view: View, panels: Sequence[str], unit: str, per_unit: float, difference_word: str, base: str) -> dict[str, Any]:
    height = height_of(panels)
    layout = style.base_layout(height)
    layout["margin"] = {"l": 70, "r": 34, "t": 14, "b": 52}
    side = "charge" if view.charge else "discharge"
    formats = {"time": ".2f", "ah": ".3f", "soc": ".1f", "voltage": ".3f"}
    last = _place(panels, panels[-1])
    title = words.AXIS_TITLE[side][view.axis].format(unit=unit)
    layout["xaxis"] = style.axis(
        title, anchor=last, unifiedhovertitle={"text": f"at %{{x:{formats[view.axis]}}} {unit}"}, **style.spikes(),
    )
    if view.window:
        edges = [edge / per_unit for edge in view.window]
        layout["xaxis"]["range"] = edges[::-1] if falls(view) else edges
    elif falls(view):
        layout["xaxis"]["autorange"] = "reversed"
    titles = {
        "main": words.CHARGE_TITLE[side] if view.axis == "voltage" else words.QUANTITY_TITLE[view.quantity].format(n=view.group),
        "difference": words.DIFFERENCE_TITLE.format(letter=base, unit=difference_word),
        "current": words.CURRENT_TITLE, "temperature": words.TEMPERATURE_TITLE,
    }
    inner = height - layout["margin"]["t"] - layout["margin"]["b"]
    top = 1.0
    for index, panel in enumerate(panels):
        share = (inner - _BETWEEN * (len(panels) - 1)) / inner * _TALL[panel] / sum(_TALL[item] for item in panels)
        extra: dict[str, Any] = {"nticks": 6 if panel == "main" else 5, "fixedrange": True}
        if panel == "difference":
            extra |= {"zeroline": True, "zerolinecolor": style.SIBLING, "zerolinewidth": 2}
        layout["yaxis" if index == 0 else f"yaxis{index + 1}"] = style.axis(
            titles[panel], domain=(max(0.0, round(top - share, 4)), round(top, 4)), anchor="x", **extra
        )
        top -= share + _BETWEEN / inner
    layout["hovermode"] = "x unified"
    layout["hoversubplots"] = "axis"
    return layout


# Ends closer than this share of the panel would print their letters over one another.
_NEAR_X, _NEAR_Y = 0.03, 0.09


def _letters(figure: go.Figure, panels: Sequence[str], view: View, edges: tuple[float, float]) -> None:
    """The run's letter at the end of each line within the window, set apart where several end together."""
    for panel in panels:
        if panel not in ("main", "difference"):
            continue
        yaxis = _place(panels, panel)
        ends = []
        lows, highs = [], []
        for trace in figure.data:
            if trace.yaxis != yaxis or trace.meta == "band":
                continue
            known = np.flatnonzero(np.isfinite(trace.y) & (trace.x >= edges[0]) & (trace.x <= edges[1]))
            if known.size:
                k = known[-1] if panel == "main" or not (falls(view) and view.axis == "voltage") else known[0]
                ends.append((float(trace.x[k]), float(trace.y[k]), str(trace.meta)))
                lows.append((float(np.min(trace.x)), float(np.nanmin(trace.y))))
                highs.append((float(np.max(trace.x)), float(np.nanmax(trace.y))))
        if not ends:
            continue
        width, height = (max(max(high[i] for high in highs) - min(low[i] for low in lows), 1e-9) for i in (0, 1))
        placed: list[tuple[float, float]] = []
        for x, y, letter in ends:
            beside = sum(abs(x - px) < _NEAR_X * width and abs(y - py) < _NEAR_Y * height for px, py in placed)
            placed.append((x, y))
            figure.add_annotation(
                x=x, y=y, xref="x", yref=yaxis, text=f"<b>{letter}</b>", showarrow=False, xanchor="left", xshift=4 + 12 * beside, font={"size": 14},
            )
