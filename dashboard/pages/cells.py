"""Measured cells graded and put together to packs."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids_cells, text
from dashboard import text_cells as words
from dashboard.data import Door
from dashboard.jobs import CANCELLED, DONE, FAILED, WAITING, Jobs, JobState, Report
from dashboard.pages import cells_result
from dashboard.uploads import Uploads

TICK_MS = 400
KEPT = {"persistence": True, "persistence_type": "session"}


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div([_page(), html.Button(id=ids_cells.CELLS_SAVE), dcc.Dropdown(id=ids_cells.CELLS_PACK), html.Div(id=ids_cells.CELLS_GROUPS)])


def layout(_door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title; ``job`` in the address names the job whose page leads here."""
    job = query.get("job", "")
    return _page(job if job.isdecimal() and len(job) < 10 else ""), words.TITLE


def _page(job: str = "") -> Component:
    back = html.P(dcc.Link(words.BACK_TO_JOB.format(job=job), href=f"/job/{job}"), className="back-link no-print") if job else None
    return html.Div(
        [
            back, html.H1(words.TITLE), html.P(words.LEAD, className="lead"), components.caution(words.ACT_CAUTION),
            _drop(), _form(),
            html.Div(
                [html.Div(id=ids_cells.CELLS_PROGRESS, role="status", className="work-bar"),
                 html.Button(words.CANCEL, id=ids_cells.CELLS_CANCEL, type="button", className="button")],
                id=ids_cells.CELLS_WORK, className="work-row", hidden=True,
            ),
            html.Div(id=ids_cells.CELLS_ERROR),
            html.Div(id=ids_cells.CELLS_RESULT, role="region", **{"aria-label": words.RESULT_LABEL}),
            dcc.Store(id=ids_cells.CELLS_DROP_EVENT), dcc.Store(id=ids_cells.CELLS_FILE, storage_type="session"), dcc.Store(id=ids_cells.CELLS_JOB), dcc.Store(id=ids_cells.CELLS_OVER),
            dcc.Interval(id=ids_cells.CELLS_TICK, interval=TICK_MS, disabled=True), dcc.Download(id=ids_cells.CELLS_DOWNLOAD),
        ],
        className="page page-cells",
    )


def _drop() -> Component:
    return html.Div(
        [
            html.Div(
                [html.Div([html.Strong(words.DROP_HERE), html.Span(words.DROP_MORE)], className="drop-words"),
                 html.Button(text.DROP_CHOOSE, className="button", type="button", **{"data-drop-choose": "yes"}),
                 html.Div(className="drop-progress", role="status", **{"data-drop-progress": "yes"})],
                className="drop-zone", **{"data-drop": ids_cells.CELLS_DROP_EVENT, "data-drop-accept": ".csv"},
            ),
            html.P(words.FILE_NONE, id=ids_cells.CELLS_FILE_NAME, role="status", className="cells-file"),
            html.P([words.HEADINGS, " ", html.Code(words.EXAMPLE), " ", words.HEADINGS_MORE], className="hint"),
        ],
        className="no-print",
    )


def _form() -> Component:
    def number(name: str, hint: str = "") -> Component:
        return dcc.Input(id=name, type="text", inputMode="decimal", autoComplete="off", maxLength=12, placeholder=hint, **KEPT)

    fields = [
        components.field(words.SERIES, number(ids_cells.CELLS_SERIES)), components.field(words.PARALLEL, number(ids_cells.CELLS_PARALLEL)),
        components.field(words.PACKS, number(ids_cells.CELLS_PACKS, "1")), components.field(words.RATED, number(ids_cells.CELLS_RATED, words.RATED_HINT)),
        components.field(words.DAYS, number(ids_cells.CELLS_DAYS, words.DAYS_HINT)),
        components.field(
            words.CHEMISTRY,
            dcc.Dropdown(id=ids_cells.CELLS_CHEMISTRY, value="nmc", clearable=False, options=[{"value": key, "label": word} for key, word in words.CHEMISTRIES.items()], **KEPT),
        ),
    ]
    return components.section(
        words.FORM_TITLE,
        [
            html.P(words.FORM_MORE, className="hint"), html.Div(fields, className="field-grid"),
            dcc.Checklist(id=ids_cells.CELLS_NOT_PROVEN, value=[], className="choice choice-tall", options=[{"value": "use", "label": words.NOT_PROVEN}]),
            html.Div(
                [html.Button(words.START, id=ids_cells.CELLS_BUTTON, type="button", className="button button-main", **{"aria-describedby": ids_cells.CELLS_WAIT}),
                 html.Span(words.WAIT_FILE, id=ids_cells.CELLS_WAIT, role="status", className="wait-note")],
                className="act-row",
            ),
        ],
        "no-print cells-form",
    )


def bar(state: JobState) -> list[Component]:
    """How far a job is."""
    said = words.CANCELLING if state.asked_to_end else words.JOB_WAITING if state.status == WAITING else words.JOB_WORDS.get(state.words, state.words)
    percent = int(100 * (state.share or 0.0))
    return [
        html.Strong(state.title), html.Progress(value=str(percent), max="100", **{"aria-label": state.title}),
        html.Span(words.PERCENT.format(percent=percent), className="work-percent"), html.Span(said, className="work-words"),
    ]


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
    replaced: set[str] = set()

    def jobs() -> Jobs:
        return app.server.extensions["dashboard_jobs"]

    @app.callback(
        Output(ids_cells.CELLS_FILE, "data"), Output(ids_cells.CELLS_ERROR, "children", allow_duplicate=True),
        Input(ids_cells.CELLS_DROP_EVENT, "data"), State(ids_cells.CELLS_FILE, "data"), prevent_initial_call=True,
    )
    def take_list(event: dict[str, Any] | None, held: dict[str, Any] | None) -> tuple[Any, Any]:
        if not event:
            raise PreventUpdate
        files, errors = event.get("files") or [], event.get("errors") or []
        told = [components.error_panel(InputError(item["what"], item["where"], item["why"], item["mend"]), words.NOTHING_DONE) for item in errors]
        if not files:
            return no_update, told
        for old in [*(files[:-1]), *([held] if held else [])]:
            uploads.remove(old["token"])
        return files[-1], told or None

    @app.callback(Output(ids_cells.CELLS_FILE_NAME, "children"), Output(ids_cells.CELLS_WAIT, "children"), Input(ids_cells.CELLS_FILE, "data"))
    def name_list(file: dict[str, Any] | None) -> tuple[str, str]:
        return (words.FILE_READY.format(name=file["name"]), "") if file else (words.FILE_NONE, words.WAIT_FILE)

    @app.callback(
        Output(ids_cells.CELLS_JOB, "data"), Output(ids_cells.CELLS_ERROR, "children"), Output(ids_cells.CELLS_RESULT, "children"),
        Output(ids_cells.CELLS_WORK, "hidden"), Output(ids_cells.CELLS_PROGRESS, "children"), Output(ids_cells.CELLS_CANCEL, "disabled"),
        Input(ids_cells.CELLS_BUTTON, "n_clicks"), Input(ids_cells.CELLS_FILE, "data"),
        State(ids_cells.CELLS_SERIES, "value"), State(ids_cells.CELLS_PARALLEL, "value"), State(ids_cells.CELLS_PACKS, "value"),
        State(ids_cells.CELLS_RATED, "value"), State(ids_cells.CELLS_DAYS, "value"), State(ids_cells.CELLS_CHEMISTRY, "value"),
        State(ids_cells.CELLS_NOT_PROVEN, "value"), State(ids_cells.CELLS_JOB, "data"), prevent_initial_call=True,
    )
    def start(
        _clicks: int | None, file: dict[str, Any] | None, series: Any, parallel: Any, packs: Any, rated: Any, days: Any, chemistry: str | None,
        not_proven: list[str] | None, before: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        if not file:
            raise PreventUpdate
        try:
            ((name, raw),) = uploads.content([file["token"]])
        except InputError:  # it was dropped before the page was loaded anew; a matching of it that is under way goes on
            return no_update, html.P(words.GONE, className="wait-note"), None, True, None, True
        if before and ctx.triggered_id is not None:
            replaced.add(before["token"])
            jobs().cancel(before["token"])
            replaced.intersection_update([state.token for state in jobs().states()])
        form = {"series": series, "parallel": parallel, "packs": packs, "rated": rated, "days": days, "chemistry": chemistry, "not_proven": bool(not_proven)}

        def work(report: Report) -> Any:
            return door.match_cells(name, raw, form, report)

        token = jobs().start(words.JOB_TITLE.format(name=name), work)
        state = jobs().state(token)
        return {"token": token}, None, None, False, bar(state) if state else None, False

    app.clientside_callback(
        ClientsideFunction(namespace="frame", function_name="nothingToWatch"), Output(ids_cells.CELLS_TICK, "disabled"),
        Input(ids_cells.CELLS_JOB, "data"), Input(ids_cells.CELLS_OVER, "data"),
    )

    @app.callback(
        Output(ids_cells.CELLS_WORK, "hidden", allow_duplicate=True), Output(ids_cells.CELLS_PROGRESS, "children", allow_duplicate=True),
        Output(ids_cells.CELLS_OVER, "data"), Output(ids_cells.CELLS_CANCEL, "disabled", allow_duplicate=True),
        Output(ids_cells.CELLS_ERROR, "children", allow_duplicate=True), Output(ids_cells.CELLS_RESULT, "children", allow_duplicate=True),
        Input(ids_cells.CELLS_TICK, "n_intervals"), State(ids_cells.CELLS_JOB, "data"), State(ids_cells.CELLS_OVER, "data"), prevent_initial_call=True,
    )
    def watch(_tick: int | None, job: dict[str, Any] | None, over: str | None) -> tuple[Any, ...]:
        if not job or over == job["token"]:  # a last look that was due already; what stands there is not drawn a second time
            raise PreventUpdate
        token = job["token"]
        if token in replaced:  # a look that was due before the press that began another matching
            raise PreventUpdate
        state = jobs().state(token)
        if state is None:
            return True, None, token, True, html.P(words.LOST, className="wait-note"), None
        if not state.is_over:
            return False, bar(state), no_update, state.asked_to_end, no_update, no_update
        if state.status == FAILED and state.error is not None:
            return True, None, token, True, components.error_panel(state.error, words.NOTHING_DONE), None
        if state.status == CANCELLED:
            return True, None, token, True, html.P(words.CANCELLED, className="wait-note"), None
        return True, None, token, True, None, cells_result.body(state.result[0])

    @app.callback(Output(ids_cells.CELLS_GROUPS, "children"), Input(ids_cells.CELLS_PACK, "value"), State(ids_cells.CELLS_JOB, "data"))
    def show_pack(number: int | None, job: dict[str, Any] | None) -> Any:
        state = jobs().state(job["token"]) if job else None
        if state is None or state.status != DONE:
            raise PreventUpdate
        return next((cells_result.groups_of(pack) for pack in state.result[0]["packs"] if pack["pack"] == number), None)

    @app.callback(
        Output(ids_cells.CELLS_CANCEL, "disabled", allow_duplicate=True), Input(ids_cells.CELLS_CANCEL, "n_clicks"), State(ids_cells.CELLS_JOB, "data"),
        prevent_initial_call=True,
    )
    def cancel(clicks: int | None, job: dict[str, Any] | None) -> bool:
        if not clicks or not job:
            raise PreventUpdate
        jobs().cancel(job["token"])
        return True

    @app.callback(
        Output(ids_cells.CELLS_DOWNLOAD, "data"), Output(ids_cells.CELLS_ERROR, "children", allow_duplicate=True), Input(ids_cells.CELLS_SAVE, "n_clicks"),
        State(ids_cells.CELLS_JOB, "data"), prevent_initial_call=True,
    )
    def save(clicks: int | None, job: dict[str, Any] | None) -> tuple[Any, Any]:
        if not clicks or not job:
            raise PreventUpdate
        state = jobs().state(job["token"])
        if state is None or state.status != DONE:
            return no_update, html.P(words.LOST, className="wait-note")
        return {"content": "\N{ZERO WIDTH NO-BREAK SPACE}" + state.result[1], "filename": words.FILE_NAME, "type": "text/csv"}, no_update
