"""Colours, axes and the shared look of every figure.

The colours keep at least 3:1 contrast on the light and on the dark page alike, so one figure serves both;
text and grid take their colours from the style sheet. No figure tells two things apart by colour alone:
runs also differ in dash and letter, the marked group in width and label, results in shape and word.
"""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

VOLTAGE = "#3a82c4"
CURRENT = "#c66a2b"
TEMPERATURE = "#9468b3"
SIBLING = "#87929a"
MARKED = "#cf4f2e"

STEP_COLOURS = {"charge": "#4f93cf", "discharge": "#d08043", "rest": "#87929a", "pulse": "#a37cc0"}

# Blue, vermilion, green, purple, ochre, slate, rose, teal: mid-tones that stay apart in the usual colour-vision
# deficiencies when taken with the dash; never used without it.
RUN_COLOURS = ("#3a82c4", "#cf4f2e", "#2f9270", "#9468b3", "#b0812a", "#77838c", "#c8639a", "#2a93a3")
RUN_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "8px,2px,2px,2px", "3px,6px")
RUN_LETTERS = "ABCDEFGH"

FONT = "DejaVu Sans, Noto Sans, Segoe UI, sans-serif"

# How a logged sample is shown when pointed at: as it was logged, never finer than this.
SAMPLE_FORMAT = {"V": ".3f", "A": ".3f", "°C": ".1f", "Ah": ".3f"}

GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "displayModeBar": "hover",
    "modeBarButtons": [["toImage", "zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]],
    "responsive": True,
    "doubleClick": "reset",
    "scrollZoom": False,
    "toImageButtonOptions": {"format": "svg", "filename": "pack-curve"},
    "locale": "en",
}
STATIC_CONFIG: dict[str, Any] = {**GRAPH_CONFIG, "displayModeBar": False, "doubleClick": False}


def name_text(name: str) -> str:
    """A name as plotly must be given it: its labels read a few HTML tags, links among them, and a pack's id is no markup."""
    return name.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def base_layout(height: int) -> dict[str, Any]:
    """Layout shared by all figures; the page's style sheet paints text, lines and background."""
    return {
        "height": height,
        "margin": {"l": 64, "r": 18, "t": 12, "b": 48},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 14, "family": FONT},
        "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": SIBLING, "activecolor": VOLTAGE},
        "showlegend": False,
        "hoverlabel": {"font": {"size": 13}, "namelength": 40},
        "template": None,
    }


def axis(title: str, **extra: Any) -> dict[str, Any]:
    """An axis with quantity and unit in its title."""
    return {
        "title": {"text": title, "standoff": 8, "font": {"size": 14}},
        "showgrid": True,
        "gridwidth": 1,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "showline": True,
        "linewidth": 1,
        "automargin": True,
        **extra,
    }


def spikes() -> dict[str, Any]:
    """The line that follows the pointer through all panels."""
    return {
        "showspikes": True, "spikemode": "across", "spikethickness": 1, "spikedash": "solid", "spikesnap": "cursor",
        "spikecolor": SIBLING,
    }


def empty_figure(message: str, height: int = 200) -> go.Figure:
    """A figure that says in words why there is nothing to draw."""
    figure = go.Figure()
    figure.update_layout(**base_layout(height))
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    figure.add_annotation(text=message, x=0.5, y=0.5, xref="paper", yref="paper", showarrow=False)
    return figure


def time_unit(duration_s: float) -> tuple[float, str]:
    """Seconds per unit and unit for a time axis of this length: ``(3600.0, "h")`` above three hours."""
    if duration_s > 3 * 3600:
        return 3600.0, "h"
    if duration_s > 300:
        return 60.0, "min"
    return 1.0, "s"
