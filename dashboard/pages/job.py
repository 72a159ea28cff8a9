"""One job: where it stands, what comes next, and everything that hangs on it. Forms stand in the page once and are never drawn afresh."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, ids_job, text, text_job, text_pack
from dashboard.data import Door, RunItem
from dashboard.pages import job_bench, job_entries, job_top
from dashboard.uploads import Uploads


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return _shell({"id": 0, "pack_id": "", "words": "", "opened_at": None, "opened_by": "", "state": "open"}, [])


def layout(door: Door, job_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title; a job that there is not leads back to the list."""
    try:
        job = door.job(job_id)
    except InputError as error:
        if any(line.id == job_id for line in door.job_list()):
            raise  # it is there, and damaged
        return _unknown(error), text_job.TITLE.format(id=job_id)
    return _shell(job, door.runs_of(job["pack_id"])), f"{job['pack_id']} · {text_job.TITLE.format(id=job_id)}"


def _unknown(error: InputError) -> Component:
    return html.Div(
        [
            html.H1(text_job.UNKNOWN),
            components.error_panel(error),
            html.Div(dcc.Link(text_job.BACK, href="/jobs", className="button button-main"), className="act-row"),
        ],
        className="page page-job",
    )


def _parts(job: dict[str, Any]) -> tuple[Any, ...]:
    """What is drawn afresh when something was written, in the order of its places."""
    return (
        job_top.top(job), job_top.steps(job), job_bench.bench(job), job_entries.decision(job), job_entries.work(job), job_entries.runs(job),
        job_entries.kept(job),
    )


def _shell(job: dict[str, Any], items: list[RunItem]) -> Component:
    closed = job["state"] == "closed"
    top, steps, bench, decision, work, runs, kept = _parts(job)
    return html.Div(
        [
            dcc.Store(id=ids_job.JOB_ID, data=job["id"]), dcc.Store(id=ids_job.JOB_CHANGED, data=0),
            html.Div(top, id=ids_job.JOB_TOP),
            html.Div(
                [
                    html.Section([html.H2(text_job.STEPS), html.Div(steps, id=ids_job.JOB_STEPS)], className="part part-steps"),
                    html.Div(
                        [
                            components.section(text_job.BENCH, html.Div(bench, id=ids_job.JOB_BENCH)),
                            components.section(text_job.DECISION, html.Div(decision, id=ids_job.JOB_DECISION)),
                            components.section(text_job.WORK, [
                                html.Div(work, id=ids_job.JOB_WORK),
                                html.Button(text_job.READ, id=ids_job.JOB_READ, type="button", className="button quiet-button no-print job-read"),
                                job_entries.write_form(job),
                            ], anchor=ids_job.JOB_WRITE),
                            components.section(text_job.RUNS, [html.Div(runs, id=ids_job.JOB_RUNS), job_entries.hang_form(items, job)]),
                            components.section(text_job.KEPT, html.Div(kept, id=ids_job.JOB_KEPT)),
                            job_entries.close_form(closed),
                        ],
                        className="job-main",
                    ),
                ],
                className="job-grid",
            ),
        ],
        className="page page-job",
    )


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids_job.JOB_TOP, "children"), Output(ids_job.JOB_STEPS, "children"), Output(ids_job.JOB_BENCH, "children"),
        Output(ids_job.JOB_DECISION, "children"), Output(ids_job.JOB_WORK, "children"), Output(ids_job.JOB_RUNS, "children"),
        Output(ids_job.JOB_KEPT, "children"), Output(ids_job.JOB_HANG_RUN, "options"), Output(ids_job.JOB_HANG_BOX, "hidden"),
        Output(ids_job.JOB_WRITE_BOX, "hidden"), Output(ids_job.JOB_CLOSE_HEAD, "children"), Output(ids_job.JOB_CLOSE_MORE, "children"),
        Output(ids_job.JOB_CLOSE_NAME, "children"), Output(ids_job.JOB_CLOSE_GO, "children"),
        Input(ids_job.JOB_CHANGED, "data"), Input(ids_job.JOB_READ, "n_clicks"), State(ids_job.JOB_ID, "data"),
        prevent_initial_call=True,
    )
    def show(changed: int | None, clicks: int | None, job_id: int) -> tuple[Any, ...]:
        if not (changed or clicks):
            raise PreventUpdate
        job = door.job(int(job_id))
        closed = job["state"] == "closed"
        options = job_entries.hang_options(door.runs_of(job["pack_id"]), job)
        return (
            *_parts(job), options, not options or closed, closed, text_job.CLOSE[closed], text_job.CLOSE_MORE[closed], text_job.CLOSE_TEXT[closed],
            text_job.CLOSE[closed],
        )

    app.clientside_callback(
        ClientsideFunction(namespace="job", function_name="kind"),
        Output(ids_job.JOB_WRITE_CAUTION, "hidden"), Output(ids_job.JOB_WRITE_DAY_BOX, "hidden"), Output(ids_job.JOB_WRITE_NAME, "children"),
        Input(ids_job.JOB_WRITE_KIND, "value"), State(ids_job.JOB_WRITE_NAME, "data-names"),
    )

    @app.callback(
        Output(ids_job.JOB_WRITE_DONE, "children"), Output(ids_job.JOB_CHANGED, "data", allow_duplicate=True), Output(ids_job.JOB_WRITE_TEXT, "value"),
        Output(ids_job.JOB_WRITE_DAY, "value"),
        Input(ids_job.JOB_WRITE_GO, "n_clicks"), State(ids_job.JOB_WRITE_KIND, "value"), State(ids_job.JOB_WRITE_TEXT, "value"),
        State(ids_job.JOB_WRITE_DAY, "value"), State({"type": ids.PACK_WHO, "form": job_entries.WRITE_FORM}, "value"), State(ids_job.JOB_ID, "data"),
        State(ids_job.JOB_CHANGED, "data"),
        running=[(Output(ids_job.JOB_WRITE_GO, "disabled"), True, False), (Output(ids_job.JOB_WRITE_BUSY, "children"), text_job.WRITE_BUSY, "")],
        prevent_initial_call=True,
    )
    def write(
        clicks: int | None, kind: str, words: str | None, day: str | None, who: str | None, job_id: int, changed: int | None,
    ) -> tuple[Any, Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        data = {"done_on": day.strip()} if kind == "work" and day and day.strip() else None
        try:
            if not (words or "").strip():
                raise InputError(text_job.WRITE_WHAT, text.THE_PAGE, text_job.WRITE_WHY, text_job.WRITE_MEND)
            door.write_job(int(job_id), kind, words or "", who or "", data)
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), no_update, no_update, no_update
        return html.P(text_job.WRITE_DONE.format(kind=text_job.KIND[kind].lower()), className="done"), (changed or 0) + 1, "", ""

    @app.callback(
        Output(ids_job.JOB_HANG_DONE, "children"), Output(ids_job.JOB_CHANGED, "data", allow_duplicate=True), Output(ids_job.JOB_HANG_RUN, "value"),
        Input(ids_job.JOB_HANG_GO, "n_clicks"), State(ids_job.JOB_HANG_RUN, "value"), State({"type": ids.PACK_WHO, "form": job_entries.HANG_FORM}, "value"),
        State(ids_job.JOB_ID, "data"), State(ids_job.JOB_CHANGED, "data"),
        prevent_initial_call=True,
    )
    def hang(clicks: int | None, run_id: int | None, who: str | None, job_id: int, changed: int | None) -> tuple[Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        try:
            if run_id is None:
                raise InputError(text_job.HANG_WHAT, text.THE_PAGE, text_job.HANG_WHY, text_job.HANG_MEND)
            door.hang_run(int(job_id), int(run_id), who or "")
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), no_update, no_update
        return html.P(text_job.HANG_DONE.format(id=run_id), className="done"), (changed or 0) + 1, None

    @app.callback(
        Output(ids_job.JOB_CLOSE_DONE, "children"), Output(ids_job.JOB_CHANGED, "data", allow_duplicate=True), Output(ids_job.JOB_CLOSE_TEXT, "value"),
        Input(ids_job.JOB_CLOSE_GO, "n_clicks"), State(ids_job.JOB_CLOSE_TEXT, "value"), State({"type": ids.PACK_WHO, "form": job_entries.CLOSE_FORM}, "value"),
        State(ids_job.JOB_ID, "data"), State(ids_job.JOB_CHANGED, "data"),
        prevent_initial_call=True,
    )
    def close(clicks: int | None, words: str | None, who: str | None, job_id: int, changed: int | None) -> tuple[Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        closed = door.job(int(job_id))["state"] == "closed"
        try:
            if not (words or "").strip():
                raise InputError(text_job.CLOSE_WHAT[closed], text.THE_PAGE, text_job.CLOSE_WHY, text_job.CLOSE_MEND[closed])
            door.write_job(int(job_id), "reopened" if closed else "closed", words or "", who or "")
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), no_update, no_update
        return html.P(text_job.CLOSE_DONE[closed], className="done"), (changed or 0) + 1, ""
