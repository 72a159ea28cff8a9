"""The curve of a run's page with its findings beside it: which part is shown, along what, with which flags."""

from __future__ import annotations

import base64
import secrets
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

import numpy as np
from dash import (
    ALL,
    ClientsideFunction,
    Dash,
    Input,
    Output,
    Patch,
    State,
    ctx,
    dcc,
    html,
    no_update,
    set_props,
)
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from dashboard import advice, components, ids, text, text_run
from dashboard.address import query_of, zoomed_edges
from dashboard.data import Door
from dashboard.figures import style
from dashboard.figures.curves import Curves
from dashboard.figures.places import Place, places_of, ranked, window_around
from dashboard.figures.timeline import (
    Along,
    along_of,
    draw_order,
    edge_widths,
    shapes,
    step_points,
    strip_bars,
    timeline,
    window_points,
    window_range,
)
from dashboard.pages import run_tables

KINDS = ("time", "ah")
MOVES = {"in": ids.RUN_IN, "out": ids.RUN_OUT, "left": ids.RUN_LEFT, "right": ids.RUN_RIGHT}
STEP_SHARE = 0.5
"""How far "earlier" and "later" go, of what is shown."""
ZOOM = 2.0
NARROWEST_SHARE = 1e-6
"""Of the axis; nothing narrower is shown."""
RESTING_SHARE = 0.005
"""A place in which less of the charge moved than this is drawn along time."""

CONFIG = {**style.GRAPH_CONFIG, "modeBarButtons": [["toImage"]]}
"""The page's own buttons move the window; those of the figure would do it past them."""

Window = tuple[float, float]


# ---- layout ----------------------------------------------------------------------------------------------------


def skeleton() -> list[Component]:
    """Components of this part that a callback names."""
    moves = [html.Button(id=name) for name in (ids.RUN_WHOLE, *MOVES.values())]
    return [
        dcc.Store(id=ids.RUN_WINDOW), dcc.Store(id=ids.RUN_GO), dcc.Store(id=ids.RUN_SHOWN), dcc.Graph(id=ids.RUN_CURVE), html.P(id=ids.RUN_CURVE_NOTE),
        dcc.Dropdown(id=ids.RUN_MARK), dcc.RadioItems(id=ids.RUN_ALONG), dcc.Input(id=ids.RUN_READ_AT, type="number"),
        html.Div(id=ids.RUN_READINGS), html.Div(id=ids.RUN_LOG_STATE), *moves,
    ]


def marked_of(query: dict[str, str], analysis: dict[str, Any]) -> int | None:
    """The group that an address marks; without one the limiting group."""
    wanted = query.get("mark", "")
    numbers = {group["group"] for group in analysis.get("groups") or ()}
    if wanted.isdecimal() and len(wanted) < 5 and int(wanted) in numbers:
        return int(wanted)
    return None if wanted == "none" else analysis.get("limiting_group")


def kind_of(query: dict[str, str]) -> str:
    """What an address wants the curves drawn along."""
    return query.get("along", "") if query.get("along") in KINDS else KINDS[0]


def curve_part(names: dict[int, str], analysis: dict[str, Any], query: dict[str, str], at_hand: Curves | None = None) -> Component:
    """Curve and findings side by side. Without curves ``at_hand`` the figure follows by its own callback; its place is reserved."""
    findings = analysis.get("findings") or []
    figure, note = style.empty_figure(""), ""
    if at_hand is not None:
        figure, note = drawn_figure(at_hand, analysis, marked_of(query, analysis), kind_of(query))
    placed = {place.number for place in places_of(analysis)}
    curve = components.section(
        text.CURVE,
        [
            _tools(names, marked_of(query, analysis), kind_of(query)),
            components.loading(html.Div(dcc.Graph(
                id=ids.RUN_CURVE, config=CONFIG, figure=figure, className="run-curve", responsive=True,
            ), className="curve-frame")),
            html.Div(note, id=ids.RUN_CURVE_NOTE, className="hint curve-note", role="status"),
            html.Div(id=ids.RUN_LOG_STATE),
            _reading_tools(analysis),
            html.Div(id=ids.RUN_READINGS, role="status"),
            dcc.Store(id=ids.RUN_WINDOW), dcc.Store(id=ids.RUN_GO), dcc.Store(id=ids.RUN_SHOWN),
        ],
        "part-curve",
    )
    listed = components.section(
        text.FINDINGS,
        [components.findings_list(findings, names, placed), html.P(text_run.FINDINGS_KEY, className="hint") if placed else None],
        "part-findings", components.FINDINGS_ANCHOR,
    )
    return html.Div([curve, listed], className="curve-beside")


def _tools(names: dict[int, str], marked: int | None, kind: str) -> Component:
    options = [{"value": 0, "label": text.MARK_NONE}] + [{"value": key, "label": name} for key, name in names.items()]
    moves = [
        html.Button(text_run.MOVE_SIGNS[act], id=name, type="button", className="button quiet-button move-button", title=text_run.MOVES[act],
                    **{"aria-label": text_run.MOVES[act]})
        for act, name in MOVES.items()
    ]
    return html.Div(
        [
            html.Div(
                [*moves, html.Button(text.CURVE_ALL, id=ids.RUN_WHOLE, type="button", className="button quiet-button")],
                className="moves", role="group", **{"aria-label": text_run.MOVES_NAME},
            ),
            html.Div(
                dcc.RadioItems(
                    id=ids.RUN_ALONG, value=kind, className="choice",
                    options=[
                        {"value": key, "label": html.Span([html.Span(text_run.ALONG_OVER, className="where-wide"), words])}
                        for key, words in text_run.ALONG_WORDS.items()
                    ],
                ),
                role="group", **{"aria-label": text_run.ALONG},
            ),
            components.field(
                text_run.MARK,
                dcc.Dropdown(id=ids.RUN_MARK, options=options, value=marked or 0, clearable=False, searchable=False, className="mark-drop"),
                class_name="field-row" if names else "field-row hidden", spoken=text.MARK_GROUP,
            ),
        ],
        className="tool-row curve-tools no-print",
    )


def _reading_tools(analysis: dict[str, Any]) -> Component:
    _factor, unit = style.time_unit(float((analysis.get("log") or {}).get("duration_s") or 0.0))
    return html.Div(
        components.field(
            text.READ_AT.format(unit=unit),
            dcc.Input(id=ids.RUN_READ_AT, type="number", step="any", min=0, className="short-input", debounce=True),
            text.READ_HINT, class_name="field-row",
        ),
        className="tool-row read-tools no-print",
    )


# ---- which part is shown ---------------------------------------------------------------------------------------


def window_of(relayout: dict[str, Any] | None, along: Along) -> Window | str | None:
    """Window in seconds that a zoom asks for; ``None`` for the whole test, "same" if the zoom is not about this axis."""
    edges = zoomed_edges(relayout)
    if edges is None or edges == "same":
        return edges
    low, high = sorted(along.seconds(edge) for edge in edges)
    return (low, high) if high != low and np.isfinite([low, high]).all() else "same"


def moved_window(act: str, window: Window | None, curves: Curves, along: Along) -> Window | None:
    """The window after one press: half or twice as much around its middle, or half of it earlier or later. None is the whole test. [s]"""
    first, last = window_range(curves, along, None, None)
    low, high = window_range(curves, along, *(window or (None, None)))
    width, middle = high - low, 0.5 * (low + high)
    if act in ("in", "out"):
        width = width / ZOOM if act == "in" else width * ZOOM
        width = max(width, NARROWEST_SHARE * (last - first))
    else:
        middle += (1.0 if act == "right" else -1.0) * STEP_SHARE * width
    if width >= last - first:
        return None
    low = min(max(first, middle - 0.5 * width), last - width)
    return along.seconds(low), along.seconds(low + width)


def counted_span(analysis: dict[str, Any]) -> Window | None:
    """Stretch whose charge is the capacity. [s]"""
    at = (analysis.get("capacity") or {}).get("at_s")
    return (float(at["start_s"]), float(at["end_s"])) if at else None


def rests(place: Place, curves: Curves) -> bool:
    """Whether so little charge moves at a place that an axis of charge would hide it."""
    along = along_of(curves, "ah")
    if along.kind != "ah":
        return False
    low, high = (along.at(seconds) for seconds in window_around(place, curves.duration_s))
    return high - low < RESTING_SHARE * along.at(curves.duration_s)


# ---- figure ----------------------------------------------------------------------------------------------------


def packed(values: np.ndarray) -> dict[str, str]:
    """An array as the figure library takes it in a whole figure: its bytes, a third of the length of the same in decimals."""
    values = np.ascontiguousarray(values, dtype="<f8")
    return {"dtype": "f8", "bdata": base64.b64encode(values.data).decode("ascii")}


def window_patch(
    curves: Curves, steps: list[dict[str, Any]], marked: int | None, window: Window | None, along: Along,
    places: Sequence[Place] = (), chosen: int | None = None, counted: Window | None = None, anew: bool = True,
) -> tuple[Patch, bool]:
    """The same figure with the window drawn afresh from the whole log, and whether every sample is drawn.

    ``anew`` also lets the voltages and currents find their own range again; a zoom by hand has set it.
    """
    patch = Patch()
    complete = True
    first_s, last_s = window or (None, None)
    for number, series in enumerate(draw_order(curves, marked)):
        drawn = window_points(curves, series, first_s, last_s, along)
        complete = complete and drawn.complete
        trace = patch["data"][number]
        trace["x"], trace["y"], trace["mode"] = packed(drawn.x), packed(drawn.y), drawn.mode
        trace["marker"]["size"] = 0 if drawn.size is None else packed(drawn.size)
    shown = window_range(curves, along, *(window or (None, None)))
    bars = strip_bars(steps, along, shown)
    for number, (_family, _steps, starts, widths) in enumerate(bars, len(curves.series)):
        patch["data"][number]["base"] = starts
        patch["data"][number]["x"] = widths
        patch["data"][number]["marker"]["line"]["width"] = edge_widths(widths)
    points, words = step_points(steps, along, shown)
    if steps:  # the trace after the bars tells the step under the pointer
        last = len(curves.series) + len(bars)
        patch["data"][last]["x"], patch["data"][last]["y"] = points, [0.0] * len(points)
        patch["data"][last]["customdata"] = words
    layout = patch["layout"]
    layout["xaxis"]["range"] = list(shown)
    layout["shapes"] = shapes(steps, along, counted, next((place for place in places if place.number == chosen), None))
    for number, place in enumerate(places):  # a flag out of sight would still stretch the range of its panel
        layout["annotations"][number]["visible"] = shown[0] <= along.at(place.at_s) <= shown[1]
        layout["annotations"][number]["borderwidth"] = 3 if place.number == chosen else 1
    if anew:
        layout["uirevision"] = secrets.token_hex(4)
        layout["xaxis"]["autorange"] = False
        for number in range(1, len(curves.panels()) + 1):
            layout["yaxis" if number == 1 else f"yaxis{number}"]["autorange"] = True
    return patch, complete


def drawn_figure(
    curves: Curves, analysis: dict[str, Any], marked: int | None, kind: str, window: Window | None = None, chosen: int | None = None,
) -> tuple[Any, str]:
    """The whole figure, and what is drawn in words."""
    along, places, counted = along_of(curves, kind), places_of(analysis, curves), counted_span(analysis)
    first_s, last_s = window or (None, None)
    figure, complete = timeline(
        curves, analysis.get("steps") or [], marked, first_s, last_s, counted=counted, along=along, places=places, chosen=chosen,
    )
    return figure, _noted(curves, analysis, along, kind, complete, places, chosen)


def _noted(
    curves: Curves, analysis: dict[str, Any], along: Along, kind: str, complete: bool, places: Sequence[Place], chosen: int | None,
) -> str:
    place = next((item for item in places if item.number == chosen), None)
    names = {series.group: series.name for series in curves.series if series.group}
    return note_words(complete, counted_span(analysis) is not None, along.kind, kind, shown_words(analysis, place, names))


def note_words(complete: bool, counted: bool, along: str = "time", wanted: str = "time", shown: str = "") -> str:
    """What is drawn, in words."""
    parts = [text.CURVE_WHOLE if complete else text.CURVE_THINNED, text.CURVE_HOW]
    if counted:
        parts.insert(0, text.CURVE_COUNTED)
    if along == "ah":
        parts.insert(0, text_run.ALONG_AH)
    elif wanted == "ah":
        parts.insert(0, text_run.ALONG_NO_CHARGE)
    return " ".join([shown, *parts] if shown else parts)


def shown_words(analysis: dict[str, Any], place: Place | None, names: dict[int, str]) -> str:
    """Which finding is shown, for those who hear the page."""
    if place is None:
        return ""
    finding = ranked(analysis.get("findings") or ())[place.number - 1]
    group = f" ({names[place.group]})" if place.group in names else ""
    return text_run.FINDING_SHOWN.format(
        number=place.number, label=advice.capital(record_text.code_label(finding["code"])), group=group,
        start=text.duration_text(place.start_s), end=text.duration_text(place.end_s),
    )


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


# ---- callbacks -------------------------------------------------------------------------------------------------


def _window(kept: Any) -> Window | None:
    return (float(kept[0]), float(kept[1])) if kept else None


DRAWING = {ids.RUN_MARK, ids.RUN_ALONG, ids.RUN_GO, ids.RUN_CURVE}
"""What changes the figure once it is there."""


def _triggered() -> set[str]:
    return {str(item["prop_id"]).rsplit(".", 1)[0] for item in ctx.triggered}


def register(app: Dash, door: Door) -> None:
    """Wire the curve."""
    _register_figure(app, door)
    _register_moves(app, door)
    _register_address(app, door)
    app.clientside_callback(
        ClientsideFunction(namespace="run", function_name="bringIntoView"),
        Output(ids.RUN_SHOWN, "data"), Input(ids.RUN_GO, "data"), prevent_initial_call=True,
    )


def _register_figure(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.RUN_CURVE, "figure"), Output(ids.RUN_CURVE_NOTE, "children"), Output(ids.RUN_WINDOW, "data"),
        Input(ids.RUN_ID, "data"), Input(ids.RUN_MARK, "value"), Input(ids.RUN_ALONG, "value"), Input(ids.RUN_GO, "data"),
        Input(ids.RUN_CURVE, "relayoutData"), State(ids.RUN_WINDOW, "data"), State(ids.RUN_CURVE_NOTE, "children"),
    )
    def draw(
        run_id: int, mark: int | None, kind: str | None, go: dict[str, Any] | None, relayout: dict[str, Any] | None, kept: Any, note: Any,
    ) -> Any:
        analysis = door.run(int(run_id)).analysis
        try:
            curves = door.curves(int(run_id))
        except InputError as error:
            words = text.CURVE_NONE.format(what=error.what)
            return style.empty_figure(words), components.error_panel(error), None
        marked, chosen, window, triggered = int(mark) if mark else None, (go or {}).get("chosen"), _window(kept), _triggered()
        if note and not triggered & DRAWING:  # the page came with its figure
            raise PreventUpdate
        if ids.RUN_GO in triggered:
            window = _window((go or {}).get("window"))
        # The empty figure reports its layout, too, and that call supersedes the first one: without a note nothing is drawn yet.
        by_hand = triggered == {ids.RUN_CURVE}
        if not note or not (by_hand or triggered == {ids.RUN_GO}):
            return *drawn_figure(curves, analysis, marked, str(kind), window, chosen), window
        along, places = along_of(curves, str(kind)), places_of(analysis, curves)
        if by_hand:
            asked = window_of(relayout, along)
            if isinstance(asked, str) or asked == window:
                raise PreventUpdate
            window = asked
        patch, complete = window_patch(
            curves, analysis.get("steps") or [], marked, window, along, places, chosen, counted_span(analysis), anew=not by_hand or window is None,
        )
        return patch, _noted(curves, analysis, along, str(kind), complete, places, chosen), window

    @app.callback(
        Output(ids.RUN_LOG_STATE, "children"), Input(ids.RUN_CURVE_NOTE, "children"), Input(ids.RUN_ID, "data"),
        State(ids.RUN_LOG_STATE, "children"),
    )
    def check(note: Any, run_id: int, told: Any) -> Any:
        if not note or told is not None:
            raise PreventUpdate
        try:
            door.curves(int(run_id))
        except InputError:
            return ""  # the note of the curve tells it
        try:
            door.check_log(int(run_id))
        except InputError as error:
            return html.Div([html.P(text_run.LOG_DAMAGED), components.error_panel(error)])
        return ""

    @app.callback(
        Output(ids.RUN_READINGS, "children"), Output(ids.RUN_READ_AT, "value"),
        Input(ids.RUN_CURVE, "clickData"), Input(ids.RUN_READ_AT, "value"), State(ids.RUN_ID, "data"), State(ids.RUN_ALONG, "value"),
        prevent_initial_call=True,
    )
    def read_at(click: dict[str, Any] | None, typed: float | None, run_id: int, kind: str | None) -> Any:
        curves = door.curves(int(run_id))
        per_unit, _unit = style.time_unit(curves.duration_s)
        steps = door.run(int(run_id)).analysis.get("steps") or []
        if ctx.triggered_id == ids.RUN_CURVE:
            at = ((click or {}).get("points") or [{}])[0].get("x")
            if at is None:
                raise PreventUpdate
            seconds = along_of(curves, str(kind)).seconds(float(at))
            return readings(curves, seconds, steps), round(seconds / per_unit, 4)
        if typed is None:
            return None, no_update
        return readings(curves, float(typed) * per_unit, steps), no_update


def _register_moves(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.RUN_GO, "data"), Output(ids.RUN_MARK, "value"), Output(ids.RUN_ALONG, "value"),
        Output({"type": ids.RUN_FINDING, "number": ALL}, "className"),
        Input({"type": ids.RUN_PLACE, "number": ALL}, "n_clicks"), Input(ids.RUN_CURVE, "clickAnnotationData"), Input(ids.RUN_WHOLE, "n_clicks"),
        *[Input(name, "n_clicks") for name in MOVES.values()],
        State(ids.RUN_WINDOW, "data"), State(ids.RUN_ID, "data"), State(ids.RUN_ALONG, "value"), State(ids.RUN_MARK, "value"),
        State(ids.RUN_GO, "data"), State({"type": ids.RUN_FINDING, "number": ALL}, "id"), prevent_initial_call=True,
    )
    def go(*values: Any) -> Any:
        kept, run_id, kind, mark, before, listed = values[-6:]
        if not any(item.get("value") for item in ctx.triggered):  # buttons that were only just drawn
            raise PreventUpdate
        try:
            curves = door.curves(int(run_id))
        except InputError:
            raise PreventUpdate from None
        analysis = door.run(int(run_id)).analysis
        findings = ranked(analysis.get("findings") or ())
        window, along = _window(kept), along_of(curves, str(kind))
        chosen, new_mark, new_kind = (before or {}).get("chosen"), no_update, no_update
        acts = {name: act for act, name in MOVES.items()}
        trigger = ctx.triggered_id
        if trigger == ids.RUN_WHOLE:
            window, chosen = None, None
        elif isinstance(trigger, str) and trigger in acts:
            window = moved_window(acts[trigger], window, curves, along)
        else:
            number = trigger["number"] if isinstance(trigger, dict) else flag_number(values[1])
            place = next((item for item in places_of(analysis, curves) if item.number == number), None)
            if place is None:
                raise PreventUpdate
            window, chosen = window_around(place, curves.duration_s), number
            if place.group and place.group != mark:
                new_mark = place.group
            if along.kind == "ah" and rests(place, curves):
                new_kind = KINDS[0]
        classes = [finding_class(findings, item["number"], chosen) for item in listed]
        return {"window": window, "chosen": chosen, "press": secrets.token_hex(4)}, new_mark, new_kind, classes

    @app.callback(
        Output(ids.RUN_MARK, "value", allow_duplicate=True), Input({"type": ids.RUN_BARS, "measure": ALL}, "clickData"), prevent_initial_call=True,
    )
    def mark_bar(_clicks: list[Any]) -> Any:
        points = ((ctx.triggered[0] if ctx.triggered else {}).get("value") or {}).get("points") or [{}]
        number = str(points[0].get("x", ""))
        return int(number) if number.isdecimal() else no_update


def flag_number(click: dict[str, Any] | None) -> int | None:
    """Number of the finding whose flag was touched in the curve."""
    name = str(((click or {}).get("annotation") or {}).get("name") or "")
    number = name.removeprefix("finding-")
    return int(number) if number.isdecimal() else None


def finding_class(findings: Sequence[dict[str, Any]], number: int, chosen: int | None) -> str:
    """Class of a finding in the list; the one that is shown is framed."""
    severity = findings[number - 1]["severity"] if 0 < number <= len(findings) else "info"
    return f"finding finding-{severity}" + (" finding-shown" if number == chosen else "")


def _register_address(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.RUN_MARK, "value"), Input(ids.RUN_ALONG, "value"), State(ids.RUN_ID, "data"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(mark: int | None, kind: str | None, run_id: int, search: str | None, pathname: str) -> Any:
        if pathname != f"/run/{run_id}":
            raise PreventUpdate
        limiting = door.run(int(run_id)).analysis.get("limiting_group")
        query = query_of(search)
        query.pop("mark", None)
        query.pop("along", None)
        if (mark or None) != limiting:
            query["mark"] = str(mark) if mark else "none"
        if kind in KINDS[1:]:
            query["along"] = str(kind)
        wanted = f"?{urlencode(query)}" if query else ""
        return no_update if query_of(wanted) == query_of(search) else wanted

    @app.callback(
        Output(ids.RUN_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.RUN_ID, "data"),
        State(ids.RUN_MARK, "value"), State(ids.RUN_ALONG, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, run_id: int, mark: int | None, kind: str | None) -> Any:
        if pathname == f"/run/{run_id}":
            query = query_of(search)
            wanted = marked_of(query, door.run(int(run_id)).analysis) or 0
            if wanted != (mark or 0):
                set_props(ids.RUN_MARK, {"value": wanted})
            if kind_of(query) != kind:
                set_props(ids.RUN_ALONG, {"value": kind_of(query)})
        return search  # an answer of its own: without one the property set above would not reach the page
