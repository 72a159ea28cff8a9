"""One run: key figures, findings, the curve with its steps, bars of the groups, tables, how the log was read."""

from __future__ import annotations

import secrets
from typing import Any
from urllib.parse import urlencode

import numpy as np
from dash import Dash, Input, Output, Patch, State, ctx, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from cycler.record.measures import no_temperature
from cycler.record.values import figure
from dashboard import components, ids, text
from dashboard.address import query_of
from dashboard.data import Door, RunDetail, reading_doubts
from dashboard.figures import style
from dashboard.figures.curves import Curves
from dashboard.figures.groups import MEASURES, group_bars
from dashboard.figures.timeline import (
    draw_order,
    edge_widths,
    step_points,
    strip_bars,
    timeline,
    window_points,
)
from dashboard.pages import incremental, run_tables


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids.RUN_ID), dcc.Store(id=ids.RUN_SYNC), dcc.Store(id=ids.RUN_WINDOW), dcc.Graph(id=ids.RUN_CURVE),
            html.P(id=ids.RUN_CURVE_NOTE), dcc.Dropdown(id=ids.RUN_MARK), dcc.Input(id=ids.RUN_READ_AT, type="number"),
            html.Div(id=ids.RUN_READINGS), html.Button(id=ids.RUN_WHOLE), html.Div(id=ids.RUN_BODY), html.Div(id=ids.RUN_INCREMENTAL),
        ]
    )


def group_names(analysis: dict[str, Any]) -> dict[int, str]:
    """Names of the groups by number."""
    return {group["group"]: text.group_name(group) for group in analysis.get("groups") or ()}


# ---- layout ----------------------------------------------------------------------------------------------------


def layout(door: Door, run_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. The curve follows by its own callback, since the log has to be read for it."""
    run = door.run(run_id)
    analysis = run.analysis
    verdict, _when = door.judged(run_id)
    names = group_names(analysis)
    marked = _marked(query, analysis)
    label = f" · {run.label}" if run.label else ""
    page = html.Div(
        [
            dcc.Store(id=ids.RUN_ID, data=run_id),
            dcc.Store(id=ids.RUN_SYNC),
            components.danger_box(analysis, run.pack_id, run_id),
            components.doubts_box([*door.known_besides(run_id), *reading_doubts(analysis)]),
            html.Div(
                [
                    html.Div(
                        [
                            html.H1([run.pack_id, html.Span(label, className="h1-more")]),
                            html.P(text.RUN_SUB.format(
                                id=run.id, added=text.date_text(run.added_at),
                                tested=text.RUN_TESTED.format(when=text.date_text(run.started_at)) if run.started_at
                                else text.RUN_NO_DATE), className="quiet"),
                            _read_with(analysis, door.remembers(run_id)),
                        ]
                    ),
                    html.Div(
                        [
                            components.result_mark(verdict.get("result"), large=True),
                            html.Div(
                                [
                                    dcc.Link(text.RUN_TO_VERDICT, href=f"/run/{run_id}/verdict",
                                             className="button button-main"),
                                    _others_link(door, run),
                                ],
                                className="act-row no-print",
                            ),
                        ],
                        className="page-side",
                    ),
                ],
                className="page-head",
            ),
            html.Dl(key_figures(analysis, names), className="key-figures"),
            components.section(text.FINDINGS, components.findings_list(analysis.get("findings") or [], names),
                               "part-findings", components.FINDINGS_ANCHOR),
            _curve_part(names, marked, analysis),
            _group_part(analysis),
            components.section(text.INCREMENTAL, components.loading(html.Div(id=ids.RUN_INCREMENTAL))),
            html.Div(run_tables.all_tables(analysis), className="part folds"),
        ],
        className="page page-run",
    )
    return page, f"{run.pack_id}{label}"


def _read_with(analysis: dict[str, Any], remembers: bool) -> Component | None:
    """Which columns files the log was read with, and whether logs of its kind are read so from now on."""
    reading = analysis.get("reading") or {}
    names = [str(name) for name in reading.get("columns_files") or ()]
    if not names:
        return None
    again = all(text.is_known(name) for name in names)
    words = text.RUN_REMEMBERS if remembers else text.RUN_READ_WITH if again or reading.get("header_row") else text.RUN_NO_HEADINGS
    return html.P(words.format(names=", ".join(map(text.used_name, names))), className="quiet")


def _others_link(door: Door, run: RunDetail) -> Component | None:
    others = [item.id for item in door.runs(run.pack_id) if item.id != run.id]
    if not others:
        return None
    query = urlencode({"runs": ",".join(str(number) for number in sorted([run.id, *others])[:8])}, safe=",")
    return dcc.Link(text.RUN_TO_COMPARE, href=f"/compare?{query}", className="button")


def _marked(query: dict[str, str], analysis: dict[str, Any]) -> int | None:
    wanted = query.get("mark", "")
    numbers = {group["group"] for group in analysis.get("groups") or ()}
    if wanted.isdecimal() and len(wanted) < 5 and int(wanted) in numbers:
        return int(wanted)
    return None if wanted == "none" else analysis.get("limiting_group")


def key_figures(analysis: dict[str, Any], names: dict[int, str]) -> list[Component]:
    """The strip of figures on top; each says what it lacks."""
    capacity = analysis.get("capacity") or {}
    headline = (analysis.get("resistance") or {}).get("headline") or {}
    thermal = analysis.get("thermal") or {}
    figures = [
        components.key_figure(text.KEY_CAPACITY, run_tables.capacity_words(capacity), run_tables.validity_words(capacity)),
        components.key_figure(
            text.KEY_ENERGY, run_tables.bound_words(capacity, "energy_wh", "u_energy_wh", "Wh"),
            run_tables.voltage_words(capacity),
        ),
        components.key_figure(
            text.KEY_HEALTH, run_tables.bound_words(capacity, "state_of_health", "u_state_of_health", "share"),
            run_tables.health_words(analysis),
        ),
        components.key_figure(
            text.KEY_RESISTANCE, figure(headline.get("ohm_10s"), headline.get("u_ohm_10s"), "ohm"),
            text.KEY_SOURCE.get(str(headline.get("source")), record_text.W_R10),
        ),
        components.key_figure(
            text.KEY_LIMITING,
            names.get(analysis.get("limiting_group") or 0, record_text.NO_LIMITING if names else text.NOT_KNOWN),
            run_tables.matched_words(analysis) if names else record_text.W_GROUPS,
        ),
        components.key_figure(
            text.KEY_RISE, figure(thermal.get("rise_c"), thermal.get("u_rise_c"), "K"),
            text.KEY_MAX.format(figure=figure(thermal.get("max_c"), thermal.get("u_max_c"), "degC"))
            if thermal.get("max_c") is not None else no_temperature(analysis) or record_text.W_TEMPERATURE,
        ),
    ]
    return figures


def _curve_part(names: dict[int, str], marked: int | None, analysis: dict[str, Any]) -> Component:
    options = [{"value": 0, "label": text.MARK_NONE}] + [{"value": key, "label": name} for key, name in names.items()]
    _factor, unit = style.time_unit(float((analysis.get("log") or {}).get("duration_s") or 0.0))
    tools = html.Div(
        [
            components.field(
                text.MARK_GROUP,
                dcc.Dropdown(id=ids.RUN_MARK, options=options, value=marked or 0, clearable=False, className="short-drop"),
                class_name="field-row" if names else "field-row hidden",
            ),
            components.field(
                text.READ_AT.format(unit=unit),
                dcc.Input(id=ids.RUN_READ_AT, type="number", step="any", min=0, className="short-input", debounce=True),
                text.READ_HINT, class_name="field-row",
            ),
            html.Button(text.CURVE_ALL, id=ids.RUN_WHOLE, type="button", className="button quiet-button"),
        ],
        className="tool-row no-print",
    )
    return components.section(
        text.CURVE,
        [
            tools,
            components.loading(
                html.Div(dcc.Graph(
                    id=ids.RUN_CURVE, config=style.GRAPH_CONFIG, figure=style.empty_figure("", CURVE_HEIGHT),
                    style={"height": f"{CURVE_HEIGHT}px"}, responsive=True,
                ))
            ),
            html.Div(id=ids.RUN_CURVE_NOTE, className="hint"),
            html.Div(id=ids.RUN_READINGS, role="status"),
            dcc.Store(id=ids.RUN_WINDOW),
        ],
        "part-curve",
    )


CURVE_HEIGHT = 680


def _group_part(analysis: dict[str, Any]) -> Component:
    groups = analysis.get("groups") or []
    if not groups:
        return components.section(text.GROUPS, html.P(text.GROUPS_NONE, className="quiet"))
    bars = [group_bars(groups, measure, analysis.get("limiting_group")) for measure in MEASURES]
    graphs = [
        dcc.Graph(figure=bar, config=style.STATIC_CONFIG, style={"height": "250px"}, responsive=True)
        for bar in bars if bar is not None
    ]
    return components.section(
        text.GROUPS,
        [
            html.Div(graphs, className="bar-row") if graphs else None,
            html.P(text.GROUPS_CAPTION, className="hint") if graphs else None,
            run_tables.group_table(analysis),
            run_tables.spread_words(analysis),
        ],
    )


# ---- curve -----------------------------------------------------------------------------------------------------


def window_of(relayout: dict[str, Any] | None, per_unit: float) -> tuple[float, float] | str | None:
    """Window in seconds that a zoom asks for; ``None`` for the whole test, "same" if the zoom is not about time."""
    if not relayout:
        return "same"
    if relayout.get("xaxis.autorange"):
        return None
    edges = relayout.get("xaxis.range") or [relayout.get("xaxis.range[0]"), relayout.get("xaxis.range[1]")]
    try:
        low, high = float(edges[0]) * per_unit, float(edges[1]) * per_unit
    except (TypeError, ValueError):
        return "same"
    return (min(low, high), max(low, high)) if high != low and np.isfinite([low, high]).all() else "same"


def note_words(complete: bool, counted: bool) -> str:
    """What is drawn, in words."""
    parts = [text.CURVE_WHOLE if complete else text.CURVE_THINNED, text.CURVE_HOW]
    if counted:
        parts.insert(0, text.CURVE_COUNTED)
    return " ".join(parts)


def counted_span(analysis: dict[str, Any]) -> tuple[float, float] | None:
    """Stretch whose charge is the capacity. [s]"""
    at = (analysis.get("capacity") or {}).get("at_s")
    return (float(at["start_s"]), float(at["end_s"])) if at else None


def window_patch(
    curves: Curves, steps: list[dict[str, Any]], marked: int | None, window: tuple[float, float] | None
) -> tuple[Patch, bool]:
    """The same figure with the window drawn afresh from the whole log."""
    per_unit, _unit = style.time_unit(curves.duration_s)
    patch = Patch()
    complete = True
    for number, series in enumerate(draw_order(curves, marked)):
        x, y, whole = window_points(curves, series, *(window or (None, None)), per_unit)
        complete = complete and whole
        patch["data"][number]["x"] = x
        patch["data"][number]["y"] = y
    low, high = window or (float(curves.time_s[0]), curves.duration_s)
    shown = low / per_unit, high / per_unit
    bars = strip_bars(steps, per_unit, shown)
    for number, (_family, _steps, starts, widths) in enumerate(bars, len(curves.series)):
        patch["data"][number]["base"] = starts
        patch["data"][number]["x"] = widths
        patch["data"][number]["marker"]["line"]["width"] = edge_widths(widths)
    places, words = step_points(steps, per_unit, shown)
    if steps:  # the trace after the bars tells the step under the pointer
        last = len(curves.series) + len(bars)
        patch["data"][last]["x"], patch["data"][last]["y"] = places, [0.0] * len(places)
        patch["data"][last]["customdata"] = words
    patch["layout"]["xaxis"]["range"] = list(shown)
    if window is None:  # the whole test again: forget the zooms of all axes
        patch["layout"]["uirevision"] = secrets.token_hex(4)
        patch["layout"]["xaxis"]["autorange"] = False
        for number in range(1, len(curves.panels()) + 1):
            patch["layout"]["yaxis" if number == 1 else f"yaxis{number}"]["autorange"] = True
    return patch, complete


def readings(curves: Curves, at_s: float, steps: list[dict[str, Any]]) -> Component:
    """Every trace at the sample nearest to a time, as logged."""
    row = int(np.argmin(np.abs(curves.time_s - at_s)))
    when = float(curves.time_s[row])
    inside = [step for step in steps if step["start_s"] <= when <= step["end_s"]]
    parts = []
    for series in curves.series:
        value = series.value[row]
        shown = f"{value:{style.SAMPLE_FORMAT[series.unit]}} {series.unit}" if np.isfinite(value) else text.NO_READING
        parts.append(html.Div([html.Dt(series.name), html.Dd(shown)]))
    head = text.READ_RESULT.format(time=text.duration_text(when))
    if inside:
        head += f" · {run_tables.step_title(inside[-1])}"
    return html.Div([html.P(head, className="readings-head"), html.Dl(parts, className="readings")])


def register(app: Dash, door: Door) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.RUN_CURVE, "figure"), Output(ids.RUN_CURVE_NOTE, "children"), Output(ids.RUN_WINDOW, "data"),
        Input(ids.RUN_ID, "data"), Input(ids.RUN_MARK, "value"), Input(ids.RUN_CURVE, "relayoutData"),
        Input(ids.RUN_WHOLE, "n_clicks"), State(ids.RUN_WINDOW, "data"), State(ids.RUN_CURVE_NOTE, "children"),
    )
    def draw(
        run_id: int, mark: int | None, relayout: dict[str, Any] | None, _whole: int | None, kept: Any, note: str | None
    ) -> Any:
        analysis = door.run(int(run_id)).analysis
        try:
            curves = door.curves(int(run_id))
        except InputError as error:
            words = text.CURVE_NONE.format(what=error.what)
            return style.empty_figure(words, CURVE_HEIGHT), components.error_panel(error), None
        counted, steps = counted_span(analysis), analysis.get("steps") or []
        marked = int(mark) if mark else None
        window = (float(kept[0]), float(kept[1])) if kept else None
        # The empty figure reports its layout, too, and that call supersedes the first one: without a note nothing is drawn yet.
        if ctx.triggered_id == ids.RUN_CURVE and note:
            per_unit, _unit = style.time_unit(curves.duration_s)
            asked = window_of(relayout, per_unit)
            if asked == "same" or asked == window:
                raise PreventUpdate
            patch, complete = window_patch(curves, steps, marked, asked)
            return patch, note_words(complete, counted is not None), asked
        if ctx.triggered_id == ids.RUN_WHOLE:
            patch, complete = window_patch(curves, steps, marked, None)
            return patch, note_words(complete, counted is not None), None
        shown, complete = timeline(
            curves, steps, marked, *(window or (None, None)), counted=counted, height=CURVE_HEIGHT
        )
        return shown, note_words(complete, counted is not None), window

    @app.callback(Output(ids.RUN_INCREMENTAL, "children"), Input(ids.RUN_ID, "data"), Input(ids.RUN_MARK, "value"))
    def derive(run_id: int, mark: int | None) -> Any:
        try:
            return incremental.run_part(door, int(run_id), group_names(door.run(int(run_id)).analysis), int(mark) if mark else None)
        except InputError as error:
            return components.error_panel(error)

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RUN_MARK, "value"), State(ids.RUN_ID, "data"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_mark(mark: int | None, run_id: int, search: str | None, pathname: str) -> Any:
        if pathname != f"/run/{run_id}":
            raise PreventUpdate
        limiting = door.run(int(run_id)).analysis.get("limiting_group")
        query = query_of(search)
        query.pop("mark", None)
        if (mark or None) != limiting:
            query["mark"] = str(mark) if mark else "none"
        wanted = f"?{urlencode(query)}" if query else ""
        return no_update if wanted == (search or "") else wanted

    @app.callback(
        Output(ids.RUN_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.RUN_ID, "data"),
        State(ids.RUN_MARK, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, run_id: int, mark: int | None) -> Any:
        if pathname == f"/run/{run_id}":
            wanted = _marked(query_of(search), door.run(int(run_id)).analysis) or 0
            if wanted != (mark or 0):
                set_props(ids.RUN_MARK, {"value": wanted})
        return search  # an answer of its own: without one the property set above would not reach the page

    @app.callback(
        Output(ids.RUN_READINGS, "children"), Output(ids.RUN_READ_AT, "value"),
        Input(ids.RUN_CURVE, "clickData"), Input(ids.RUN_READ_AT, "value"), State(ids.RUN_ID, "data"),
        prevent_initial_call=True,
    )
    def read_at(click: dict[str, Any] | None, typed: float | None, run_id: int) -> Any:
        curves = door.curves(int(run_id))
        per_unit, _unit = style.time_unit(curves.duration_s)
        steps = door.run(int(run_id)).analysis.get("steps") or []
        if ctx.triggered_id == ids.RUN_CURVE:
            at = ((click or {}).get("points") or [{}])[0].get("x")
            if at is None:
                raise PreventUpdate
            return readings(curves, float(at) * per_unit, steps), round(float(at), 4)
        if typed is None:
            return None, no_update
        return readings(curves, float(typed) * per_unit, steps), no_update
