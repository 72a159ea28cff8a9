"""Discharges of several runs laid over one another against time, charge or state of charge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from cycler.measures.integrate import SECONDS_PER_HOUR, cumulative, interval_charge_coulomb
from dashboard.figures import style
from dashboard.figures.curves import Curves
from dashboard.figures.resample import thin

POINTS = 1200

AXES = ("time", "ah", "soc")
"""What the runs are laid over: time since the load came on, charge delivered, state of charge."""


@dataclass(frozen=True, slots=True, eq=False)
class Overlaid:
    """One run's discharge. ``missing`` says in words why it is not drawn, else it is empty.

    ``time_s`` counts from the start of the discharge, ``delivered_ah`` is the charge drawn since, both shape (n,);
    ``group_v`` is the voltage of the weakest group or ``None``.
    """

    letter: str
    label: str
    time_s: np.ndarray
    delivered_ah: np.ndarray
    voltage_v: np.ndarray
    group_v: np.ndarray | None
    group: int | None
    capacity_ah: float | None
    full_to_empty: bool
    missing: str = ""


def overlaid(letter: str, label: str, curves: Curves | None, analysis: dict[str, Any], missing: str = "") -> Overlaid:
    """The stretch of a run whose charge is its reported capacity, ready to draw."""
    capacity = analysis.get("capacity") or {}
    span = capacity.get("at_s")
    nothing = np.zeros(0)
    named = {item.panel: item for item in curves.series if item.panel in ("voltage", "current")} if curves else {}
    if not missing and (not span or "voltage" not in named or "current" not in named):
        missing = "no discharge was found in this log" if not span else "the log has no pack voltage or no current"
    if missing or curves is None:
        return Overlaid(letter, label, nothing, nothing, nothing, None, None, None, False, missing)
    first = int(np.searchsorted(curves.time_s, span["start_s"], side="left"))
    last = int(np.searchsorted(curves.time_s, span["end_s"], side="right"))
    chosen = slice(first, max(last, first + 1))
    time_s = curves.time_s[chosen] - span["start_s"]
    charge = cumulative(interval_charge_coulomb(curves.time_s[chosen], named["current"].value[chosen]))
    group = analysis.get("limiting_group")
    group_series = next((s for s in curves.series if s.panel == "group" and s.group == group), None)
    valid = bool(capacity.get("valid"))
    return Overlaid(
        letter, label, time_s, -charge / SECONDS_PER_HOUR, named["voltage"].value[chosen],
        None if group_series is None else group_series.value[chosen], group if group_series else None,
        capacity.get("value_ah"), valid,
    )


def _abscissa(run: Overlaid, axis: str) -> tuple[np.ndarray | None, str]:
    """Values along the axis, or the reason in words why this run has none."""
    if axis == "time":
        return run.time_s, ""
    if axis == "ah":
        return run.delivered_ah, ""
    if not run.full_to_empty or not run.capacity_ah:
        return None, "its state of charge is not known, as the discharge did not run from full to empty"
    return 100.0 * (1.0 - run.delivered_ah / run.capacity_ah), ""


def overlay(runs: list[Overlaid], axis: str, height: int = 520) -> tuple[go.Figure, list[tuple[str, str]]]:
    """Figure and, for each run that is not drawn, (letter, reason in words)."""
    left_out: list[tuple[str, str]] = []
    with_groups = any(run.group_v is not None for run in runs if not run.missing)
    longest = max((float(run.time_s[-1]) for run in runs if run.time_s.size), default=0.0)
    per_unit, unit = style.time_unit(longest)
    figure = go.Figure()
    for order, run in enumerate(runs):
        x, reason = (None, run.missing) if run.missing else _abscissa(run, axis)
        if x is None or x.size == 0:
            left_out.append((run.letter, reason or "no samples"))
            continue
        if axis == "time":
            x = x / per_unit
        line = {"color": style.RUN_COLOURS[order % 8], "dash": style.RUN_DASHES[order % 8], "width": 2.2}
        name = f"{run.letter} {run.label}"
        _add(figure, x, run.voltage_v, f"{name}: pack", line, "y")
        if run.group_v is not None:
            _add(figure, x, run.group_v, f"{name}: group {run.group}", {**line, "width": 1.8}, "y2")
    if not figure.data:
        return style.empty_figure("None of the chosen runs can be drawn on this axis.", height), left_out
    layout = style.base_layout(height)
    titles = {"time": f"Time under load / {unit}", "ah": "Charge delivered / Ah", "soc": "State of charge / %"}
    formats = {"time": ".3f", "ah": ".3f", "soc": ".1f"}
    units = {"time": unit, "ah": "Ah", "soc": "%"}
    layout["xaxis"] = style.axis(
        titles[axis], anchor="y2" if with_groups else "y",
        unifiedhovertitle={"text": f"at %{{x:{formats[axis]}}} {units[axis]}"}, **style.spikes(),
    )
    if axis == "soc":
        layout["xaxis"]["autorange"] = "reversed"
    layout["yaxis"] = style.axis("Pack / V", domain=(0.42, 1.0) if with_groups else (0.0, 1.0), anchor="x")
    if with_groups:
        layout["yaxis2"] = style.axis("Limiting group / V", domain=(0.0, 0.37), anchor="x", nticks=6)
    layout["hovermode"] = "x unified"
    layout["hoversubplots"] = "axis"
    layout["uirevision"] = axis
    figure.update_layout(**layout)
    return figure, left_out


def _add(figure: go.Figure, x: np.ndarray, y: np.ndarray, name: str, line: dict[str, Any], yaxis: str) -> None:
    row = np.arange(x.size, dtype=float)
    thinned = thin(row, y, points=POINTS)
    kept = thinned.x.astype(int)
    figure.add_trace(
        go.Scatter(
            x=x[kept], y=thinned.y, name=style.name_text(name), mode="lines", line=line, xaxis="x", yaxis=yaxis, connectgaps=False,
            hovertemplate="%{y:.3f} V",
        )
    )
