"""One figure of a pack over its runs, with its expanded uncertainty; what is a bound or not valid says so in words."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from cycler.quantities import COVERAGE_FACTOR, display_unit, figure_text
from dashboard import text_pack
from dashboard.figures import style

HEIGHT = 290
VALID, BOUND, INVALID, APART = "valid", "bound", "invalid", "apart"
SYMBOLS = {VALID: "circle", BOUND: "triangle-up-open", INVALID: "x-open", APART: "square-open"}
WORDS = {VALID: "", BOUND: text_pack.TREND_BOUND, INVALID: text_pack.TREND_INVALID, APART: text_pack.TREND_APART}


def kind_of_point(figure: dict[str, Any], in_line: bool) -> str:
    """What a run's figure is: valid, a bound, not valid, or valid and still in no line."""
    if figure["lower_bound"]:
        return BOUND
    if figure["reasons"]:
        return INVALID
    return VALID if in_line else APART


def trend(history: dict[str, Any], quantity: str, title: str) -> go.Figure | None:
    """Points of one quantity over time, or in the order of the runs where not all are dated; ``None`` if fewer than two runs have it.

    Parameters
    ----------
    history : dict
        As :func:`cycler.history.history` gives it.
    quantity : str
        Key of a figure in its runs.
    """
    runs = [row for row in history["runs"] if row["figures"][quantity]["value"] is not None]
    if len(runs) < 2:
        return None
    inner = history["lines"][quantity]["unit"]
    factor, unit = display_unit(inner)
    dated = all(row["date_known"] for row in runs)
    figures = [row["figures"][quantity] for row in runs]
    kinds = [kind_of_point(item, row["in_line"]) for item, row in zip(figures, runs, strict=True)]
    names = [text_pack.TREND_RUN.format(id=row["run"]) for row in runs]
    said = [
        " ".join(part for part in (name, figure_text(item["value"], item["u"], inner), WORDS[kind] and f"({WORDS[kind]})") if part)
        for name, item, kind in zip(names, figures, kinds, strict=True)
    ]
    drawn = go.Figure(
        go.Scatter(
            x=[row["at"][:19] for row in runs] if dated else names,
            y=[item["value"] * factor for item in figures],
            error_y={
                "type": "data", "thickness": 1.6, "width": 6, "color": style.SIBLING,
                "array": [None if item["u"] is None else COVERAGE_FACTOR * item["u"] * factor for item in figures],
            },
            mode="markers+text", text=[WORDS[kind] for kind in kinds], textposition="middle right", cliponaxis=False,
            customdata=said, hovertemplate="%{customdata}<extra></extra>",
            marker={
                "size": 11, "symbol": [SYMBOLS[kind] for kind in kinds], "line": {"width": 2},
                "color": [style.VOLTAGE if kind == VALID else style.MARKED for kind in kinds],
            },
        )
    )
    layout = style.base_layout(HEIGHT)
    layout["margin"] = {"l": 66, "r": 24, "t": 44, "b": 50}
    layout["title"] = {"text": f"{title} / {unit}", "font": {"size": 15}, "x": 0.02, "y": 0.97}
    layout["xaxis"] = (
        style.axis(text_pack.TREND_X_DATE, type="date", nticks=4, tickformat="%Y-%m-%d") if dated
        else style.axis(text_pack.TREND_X_RUN, type="category", showgrid=False, range=[-0.5, len(runs) - 0.3])
    )
    layout["yaxis"] = style.axis("", nticks=6)
    drawn.update_layout(**layout)
    return drawn
