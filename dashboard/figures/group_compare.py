"""Bars of every group of several runs: one picture for each figure, the runs beside one another in each group."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR, display_unit, figure_text
from dashboard import text_compare as words
from dashboard.figures import style

PATTERNS = ("", "/", "\\", "x", "-", "|", "+", ".")
"""Hatching of the runs, in their order."""
MEASURES = ("capacity_ah", "resistance_10s_ohm", "sag_10s_v")
BESIDE_MOST = 3
"""Runs up to which the pictures stand beside one another; more bars need the whole width."""
LETTERS_MOST = 4


def group_bars_of_runs(result: dict[str, Any], names: Sequence[str]) -> go.Figure | None:
    """Figure of what :func:`cycler.compare.compare` gives under ``groups``; ``None`` if no run has any.

    Parameters
    ----------
    result : dict
    names : sequence of str
        How each run is called, its letter first.
    """
    groups = result.get("groups") or []
    shown = [key for key in MEASURES if any(value is not None for group in groups for value in group[key]["values"])]
    if not shown:
        return None
    beside = len(names) <= BESIDE_MOST
    figure = go.Figure()
    for place, key in enumerate(shown):
        for index, name in enumerate(names):
            _bars(figure, groups, key, index, name, place)
    figure.update_layout(**_layout(groups, shown, beside, len(names)))
    return figure


def _scale(unit: str) -> tuple[float, str]:
    return (1e3, "mV") if unit == "V" else display_unit(unit)


def _bars(figure: go.Figure, groups: Sequence[dict[str, Any]], key: str, index: int, name: str, place: int) -> None:
    known = [group for group in groups if group[key]["values"][index] is not None]
    if not known:
        return
    factor, _unit = _scale(known[0][key]["unit"])
    letter = style.RUN_LETTERS[index]
    figure.add_trace(
        go.Bar(
            x=[str(group["group"]) for group in known],
            y=[group[key]["values"][index] * factor for group in known],
            error_y={
                "type": "data", "thickness": 1.3, "width": 2, "color": style.SIBLING,
                "array": [None if (u := group[key]["u"][index]) is None else COVERAGE_FACTOR * u * factor for group in known],
            },
            name=style.name_text(name), legendgroup=letter, showlegend=place == 0, offsetgroup=letter,
            xaxis="x" if place == 0 else f"x{place + 1}", yaxis="y" if place == 0 else f"y{place + 1}",
            customdata=[_words(group, key, index) for group in known],
            hovertemplate=f"{letter}, group %{{x}}: %{{customdata}}<extra></extra>",
            text=[letter] * len(known) if len(figure.data) < 3 * LETTERS_MOST and index < LETTERS_MOST else None, textposition="inside",
            insidetextanchor="start", textangle=0, constraintext="none", textfont={"size": 11},
            marker={
                "color": style.RUN_COLOURS[index % 8],
                "pattern": {"shape": PATTERNS[index % 8], "fillmode": "overlay", "fgcolor": "#ffffff", "fgopacity": 0.55, "size": 6},
            },
        )
    )


def _words(group: dict[str, Any], key: str, index: int) -> str:
    row = group[key]
    value, u = row["values"][index], row["u"][index]
    if row["unit"] == "V":
        shown = figure_text(value * 1e3, None if u is None else u * 1e3, "mV")
    else:
        shown = figure_text(value, u, row["unit"])
    return shown + (f", {words.ESTIMATE}" if row["estimate"][index] else "") + (f", {words.LIMITING}" if group["limiting"][index] else "")


def _layout(groups: Sequence[dict[str, Any]], shown: Sequence[str], beside: bool, runs: int) -> dict[str, Any]:
    height = 330 if beside else 60 + 210 * len(shown)
    layout = style.base_layout(height)
    layout["margin"] = {"l": 56, "r": 12, "t": 40, "b": 52}
    layout["barmode"], layout["bargap"] = "group", 0.22
    layout["annotations"] = []
    gap = 0.06 if beside else 0.11
    size = (1.0 - gap * (len(shown) - 1)) / len(shown)
    order = [str(group["group"]) for group in groups]
    for place, key in enumerate(shown):
        low = place * (size + gap)
        x, y = (low, low + size), (0.0, 1.0)
        if not beside:
            x, y = (0.0, 1.0), (1.0 - low - size, 1.0 - low)
        tail = "" if place == 0 else str(place + 1)
        last = beside or place == len(shown) - 1
        layout[f"xaxis{tail}"] = style.axis(
            words.GROUP_AXIS if last else "", type="category", categoryorder="array", categoryarray=order, showgrid=False, domain=x,
            anchor=f"y{tail}", fixedrange=True,
        )
        layout[f"yaxis{tail}"] = style.axis("", rangemode="tozero", nticks=5, domain=y, anchor=f"x{tail}", fixedrange=True)
        unit = _scale(groups[0][key]["unit"])[1]
        layout["annotations"].append(
            {"text": f"<b>{words.GROUP_MEASURE[key]} / {unit}</b>", "xref": "paper", "yref": "paper", "x": x[0], "y": y[1], "xanchor": "left",
             "yanchor": "bottom", "showarrow": False, "font": {"size": 14}, "yshift": 4}
        )
    layout["legend"] = {"orientation": "h", "x": 0.0, "y": -0.22 if beside else -0.1, "yanchor": "top", "font": {"size": 13}, "itemclick": False,
                        "itemdoubleclick": False, "bgcolor": "rgba(0,0,0,0)"}
    layout["showlegend"] = True
    layout["height"] = height + 24 * (1 + runs // 3)
    layout["margin"]["b"] = 52 + 24 * (1 + runs // 3)
    return layout
