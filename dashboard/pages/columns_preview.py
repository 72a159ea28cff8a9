"""The preview under the form of the columns: what is noted, a small curve, some rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.readers.outline import Outline
from cycler.record import text as record_text
from dashboard import advice, components, preview, text
from dashboard.figures import style
from dashboard.figures.timeline import timeline

if TYPE_CHECKING:
    from cycler.log import Log

CURVE_HEIGHT, CURVE_HEIGHT_GROUPS = 260, 400
_WARNINGS = 6


def show_preview(seen: Outline, whole: bool, changed: bool = True) -> Component:
    """Some rows and curve of the log as it would be read, or what is wrong unless it stands under Files already."""
    if seen.log is None or seen.error is not None:
        if seen.error is None or (whole and not changed):
            return html.P(text.PREVIEW_NONE, className="quiet")
        return components.error_panel(seen.error, "" if whole else text.PREVIEW_HEAD_ERROR)
    log = seen.log
    titles, body, apart = preview.some_rows(log)
    all_rows = len(body) == log.rows
    caption = (text.PREVIEW_ROWS_ALL if all_rows else text.PREVIEW_ROWS).format(shown=len(body), n=text.rows_text(log.rows))
    if not whole:
        caption = f"{caption} {text.PREVIEW_HEAD.format(n=text.rows_text(log.rows))}"
    lowest = preview.lowest_group(log)
    said = text.PREVIEW_READ.format(
        rows=text.rows_text(log.rows), duration=text.duration_text(log.duration_s), sign=log.reading.discharge_is)
    return html.Div(
        [
            html.P(said),
            html.Ul([html.Li(advice.capital(advice.words(item.message))) for item in log.reading.warnings[:_WARNINGS]], className="noted")
            if changed and log.reading.warnings else None,
            dcc.Graph(figure=small_curve(log, lowest), config=style.STATIC_CONFIG, className="columns-curve"),
            html.P(lowest_words(lowest)) if lowest is not None else None,
            html.P(caption, className="hint"),
            components.table(titles, body, numbers=range(len(titles)), class_name="dense-table",
                             row_classes=["row-apart" if is_apart else "" for is_apart in apart]),
        ]
    )


def lowest_words(lowest: preview.Lowest) -> str:
    """Which group is lowest at the end of discharge, and how far the next one lies."""
    named = ", ".join(record_text.GROUP_N.format(n=number) for number in lowest.groups)
    words = text.PREVIEW_LOWEST.format(groups=named, low=f"{lowest.voltage_v:.3f} V")
    return words + (text.PREVIEW_LOWEST_NEXT.format(next=f"{lowest.next_v:.3f} V") if lowest.next_v is not None else "") + "."


def small_curve(log: Log, lowest: preview.Lowest | None) -> Any:
    """Voltage, current and groups over time, the lowest group at the end of discharge with its name."""
    curves = preview.curve_of(log)
    panels = curves.panels()
    figure, _complete = timeline(
        curves, [], lowest.groups[0] if lowest else None, height=CURVE_HEIGHT_GROUPS if "group" in panels else CURVE_HEIGHT)
    figure.update_layout(margin={"t": 8, "b": 40})
    if lowest is not None:
        per_unit, _unit = style.time_unit(curves.duration_s)
        at = float(curves.time_s[lowest.row])
        place = panels.index("group") + 1
        left = at > 0.85 * curves.duration_s  # else the voltage recovers to the right of it, which leaves room
        figure.add_annotation(
            text=record_text.GROUP_N.format(n=lowest.groups[0]), x=at / per_unit, y=lowest.voltage_v, xref="x",
            yref="y" if place == 1 else f"y{place}", ax=-26 if left else 26, ay=-2, xanchor="right" if left else "left",
            arrowcolor=style.MARKED, arrowwidth=1.2, arrowhead=0, font={"size": 12},
        )
    return figure
