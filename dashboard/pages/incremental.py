"""The part "charge per volt" of a run's page and of the comparison: curves, windows, peaks, and reasons in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.quantities import figure_text, significant_text
from dashboard import components, text
from dashboard.data import Door
from dashboard.figures import style
from dashboard.figures.incremental import HEIGHT, incremental_figure, overlaid_curves, run_curves

KINDS = ("dq_dv", "dv_dq")
WAYS = ("discharge", "charge")


def _graph(figure: Any) -> Component:
    return dcc.Graph(figure=figure, config=style.STATIC_CONFIG, style={"height": f"{HEIGHT}px"}, responsive=True)


def _millivolt(volts: float) -> str:
    return significant_text(1e3 * volts, 2)


def way_words(sheet: dict[str, Any]) -> str:
    """Which stretch, how fast, over which window, divided by how many groups."""
    divided = sheet.get("divided_by") or 1
    source = text.INCREMENTAL_SOURCE.get(sheet["source"], "") if divided > 1 else text.INCREMENTAL_ONE
    return " ".join(
        [
            text.INCREMENTAL_STRETCH.format(
                step=sheet["step"], rate=significant_text(sheet["rate_it"], 2), of=text.INCREMENTAL_RATE_FROM.get(sheet["rate_from"], "")
            ),
            text.INCREMENTAL_WINDOW.format(
                window=_millivolt(sheet["window_v"]), grid=significant_text(1e3 * sheet["grid_v"], 2), order=sheet["order"], points=sheet["points"],
                window_ah=significant_text(sheet["window_ah"], 2),
            ),
            source.format(n=divided),
        ]
    )


def doubts(sheet: dict[str, Any]) -> Component | None:
    """Why a curve is withheld or doubted, and what to record next time."""
    if not sheet["reasons"]:
        return None
    title = text.INCREMENTAL_WITHHELD if sheet["withheld"] else text.INCREMENTAL_DOUBTED
    items = [
        html.Li(text.INCREMENTAL_REASON.format(reason=reason, mend=mend)) for reason, mend in zip(sheet["reason_words"], sheet["record_next"])
    ]
    return html.Div([html.P(title, className="remark"), html.Ul(items, className="notes")])


def _with_u(value: float, u: float, factor: float = 1.0) -> str:
    """Value and expanded uncertainty without the unit, which stands in the heading."""
    return figure_text(value * factor, u * factor, "")


def peak_table(peaks: Sequence[dict[str, Any]]) -> Component:
    """Peaks of the pack by rising voltage."""
    rows = []
    for peak in peaks:
        width = text.DASH if peak["width_v"] is None else significant_text(1e3 * peak["width_v"], 2)
        height = _with_u(peak["height_ah_per_v"], peak["u_height_ah_per_v"])
        rows.append(
            (
                _with_u(peak["position_v"], peak["u_position_v"]),
                text.AT_LEAST.format(figure=height) if peak["filter_limited"] else height,
                text.AT_MOST.format(figure=width) if peak["filter_limited"] and peak["width_v"] is not None else width,
                _with_u(peak["area_ah"], peak["u_area_ah"]),
            )
        )
    return components.table(text.H_PEAK, rows, numbers=range(4), class_name="wide-table")


def run_part(door: Door, run_id: int, names: dict[int, str], marked: int | None) -> Component:
    """Both directions of one run. InputError if its log cannot be read again."""
    sheet = door.run(run_id).analysis.get("incremental")
    if not sheet:
        return html.P(text.INCREMENTAL_OLD, className="quiet")
    curves = door.incremental(run_id)
    parts: list[Component] = []
    for way in WAYS:
        own = sheet[way]
        body: list[Any] = []
        drawable = curves[way].pack is not None or curves[way].groups
        if drawable:
            peaks = own["peaks"] or []
            body = [
                html.Div(
                    [_graph(incremental_figure(run_curves(curves[way], kind, names, marked), kind, peaks)) for kind in KINDS],
                    className="bar-row curve-pair",
                ),
                html.P(way_words(own), className="hint"),
            ]
        body.append(doubts(own))
        if drawable:
            body.append(peak_table(peaks) if peaks else html.P(text.PEAKS_NONE, className="hint"))
        parts.append(html.Div([html.H3(text.INCREMENTAL_WAY[way]), *body]))
    tables = any(sheet[way]["peaks"] for way in WAYS)
    caption = html.P(text.PEAKS_CAPTION, className="hint") if tables else None
    return html.Div([html.P(text.INCREMENTAL_CAPTION, className="hint"), *parts, caption], className="derived")


def compare_part(door: Door, runs: Sequence[int], letters: Sequence[str], labels: Sequence[str]) -> list[Any]:
    """The packs of several runs laid over one another with one window for all, and which cannot be drawn. InputError as for one run."""
    sheets = [door.run(run).analysis.get("incremental") for run in runs]
    parts: list[Any] = []
    for way in WAYS:
        usable = [sheet is not None and not sheet[way]["withheld"] for sheet in sheets]
        left_out = [
            html.P(text.COMPARE_LEFT_OUT.format(letter=letter, reason=_why(sheet, way)), className="remark")
            for letter, sheet, ok in zip(letters, sheets, usable) if not ok
        ]
        body: list[Any] = []
        if any(usable):
            window = max(sheet[way]["window_v"] for sheet, ok in zip(sheets, usable) if ok and sheet)
            curves = [
                (f"{letter} {label}", door.incremental(run, window)[way] if ok else None)
                for run, letter, label, ok in zip(runs, letters, labels, usable)
            ]
            rates = ", ".join(
                text.INCREMENTAL_RATE.format(letter=letter, rate=significant_text(sheet[way]["rate_it"], 2))
                for letter, sheet, ok in zip(letters, sheets, usable) if ok and sheet
            )
            body = [
                html.Div([_graph(incremental_figure(overlaid_curves(curves, kind), kind, bands=False)) for kind in KINDS], className="bar-row curve-pair"),
                html.P(text.INCREMENTAL_OVERLAY.format(window=_millivolt(window), rates=rates), className="hint"),
            ]
        parts.append(html.Div([html.H3(text.INCREMENTAL_WAY[way]), *body, *left_out]))
    return [html.Div([html.P(text.INCREMENTAL_COMPARE, className="hint"), *parts, _peak_shifts(sheets, letters)], className="derived")]


def _why(sheet: dict[str, Any] | None, way: str) -> str:
    return text.INCREMENTAL_OLD_SHORT if sheet is None else "; ".join(sheet[way]["reason_words"])


def _peak_shifts(sheets: Sequence[dict[str, Any] | None], letters: Sequence[str]) -> Component | None:
    """Positions and heights of the packs' discharge peaks, each run in a row."""
    rows = [
        (
            letter,
            [
                html.Div(f"{figure_text(peak['position_v'], peak['u_position_v'], 'V')}, {_with_u(peak['height_ah_per_v'], peak['u_height_ah_per_v'])} Ah/V")
                for peak in sheet["discharge"]["peaks"]
            ] or text.PEAKS_NONE,
        )
        for letter, sheet in zip(letters, sheets) if sheet is not None and sheet["discharge"]["peaks"] is not None
    ]
    return components.table(text.H_PEAKS_COMPARE, rows, class_name="wide-table") if rows else None
