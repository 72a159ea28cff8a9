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
SIDES_PX = 68
"""Margins of the charts, left and right."""
BAR_GAP = 0.22
LEGEND_ROW_PX = 24
LEGEND_ROW_NARROW_PX = 30
"""A row of the legend with its distance from the next, of rows that hold one name each."""


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
    ways = {"wide": _layout(groups, shown, beside, len(names)), "narrow": _narrow(_layout(groups, shown, False, len(names)), len(names))}
    figure.update_layout(**ways["wide"], meta={"ways": {way: _places(layout) for way, layout in ways.items()}, "way": "wide", **_bar_shares(ways, groups, names)})
    return figure


def _narrow(layout: dict[str, Any], runs: int) -> dict[str, Any]:
    """For a screen without room for charts beside one another: a name of a run takes a row for itself, and the legend stands at the foot, whatever is above."""
    more = 68 + LEGEND_ROW_NARROW_PX * runs - layout["margin"]["b"]
    layout["margin"]["b"] += more
    layout["height"] += more
    layout["legend"] |= {"yref": "container", "yanchor": "bottom", "y": 0.01}
    return layout


def _places(layout: dict[str, Any]) -> dict[str, Any]:
    """What of a layout depends on the width of the screen, by the names with which a drawn figure is laid out again."""
    found = {f"legend.{key}": layout["legend"][key] for key in ("y", "yref", "yanchor")} | {"margin.b": layout["margin"]["b"]}
    for name, value in layout.items():
        if name.startswith(("xaxis", "yaxis")):
            found[f"{name}.domain"] = value["domain"]
            found[f"{name}.title.text"] = value["title"]["text"]
    for index, note in enumerate(layout["annotations"]):
        found |= {f"annotations[{index}].{key}": note[key] for key in ("x", "y")}
    return found


def _bar_shares(ways: dict[str, dict[str, Any]], groups: Sequence[Any], names: Sequence[str]) -> dict[str, Any]:
    """Heights of the figure, and the share of its inner width that a bar takes: a letter is shown in a bar that is wide enough for it."""
    shares = {}
    for way, layout in ways.items():
        low, high = layout["xaxis"]["domain"]
        shares[way] = (high - low) * (1.0 - BAR_GAP) / (len(groups) * len(names))
    return {"bar": shares, "sides": SIDES_PX, "height": {way: layout["height"] for way, layout in ways.items()}}


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
    layout["margin"] = {"l": SIDES_PX - 12, "r": 12, "t": 40, "b": 52 + LEGEND_ROW_PX * (1 + runs // 3)}
    layout["barmode"], layout["bargap"] = "group", BAR_GAP
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
    layout["legend"] = {"orientation": "h", "x": 0.0, "y": -0.22 if beside else -0.1, "yref": "paper", "yanchor": "top", "font": {"size": 13}, "itemclick": False,
                        "itemdoubleclick": False, "bgcolor": "rgba(0,0,0,0)"}
    layout["showlegend"] = True
    layout["height"] = height + LEGEND_ROW_PX * (1 + runs // 3)
    return layout
