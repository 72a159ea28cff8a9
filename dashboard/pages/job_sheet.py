"""The bench sheet of a job: quick entry, questions at once, and what the readings say."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, Patch, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate
from flask import request
from plotly.utils import PlotlyJSONEncoder

from cycler.errors import InputError
from dashboard import components
from dashboard import ids as shared
from dashboard import ids_job_sheet as ids
from dashboard import text_job_sheet as text
from dashboard.data import Door
from dashboard.pages import pack_card, sheet_form, sheet_paper, sheet_result, sheet_taps
from dashboard.uploads import Uploads

WHO = "job-sheet"
"""Form of the field of who keeps the sheet."""
KEYS_MAX, VALUE_MAX = 3000, 4000
_NO_ENTRY = ("pack.", "taps_from", "meter.", "complaint", "lamps", "remark", "taken_")


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return _page(0, "", "", {}, [], [], 0, "")


def layout(door: Door, job_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title; the draft stands in the fields as it was typed."""
    job = door.job(job_id)
    values = door.sheet_draft(job_id)
    page = _page(
        job_id, str(job["pack_id"]), str(job.get("words") or ""), values, door.observations(), door.thermistor_types(), len(job.get("sheets") or ()),
        secrets.token_hex(6), job.get("state") == "closed", _above(_evaluated(door, values)[0]),
    )
    return page, text.TITLE_OF.format(pack=job["pack_id"])


def entered(values: Mapping[str, str]) -> list[str]:
    """Keys of what was seen or measured; what was told, ratings and the meter say nothing of the pack's state."""
    return [key for key, value in values.items() if value.strip() and not key.startswith(_NO_ENTRY) and not key.endswith(".type")]


def _page(
    job_id: int, pack_id: str, words: str, values: Mapping[str, str], observations: list[Any], types: list[tuple[str, str]], kept: int, mark: str,
    closed: bool = False, above: Mapping[str, Component | None] | None = None,
) -> Component:
    """The page; what stands ``above`` the form is there from the first paint, so that the form does not move under a finger."""
    above = above or {}
    note = text.KEPT_SHEETS.get(kept, text.KEPT_SHEETS[2]).format(n=kept) if kept else ""
    head = html.Div(
        [
            html.Div([html.H1(text.TITLE_OF.format(pack=pack_id), className="own-words"),
                      html.P([text.HEAD.format(job=job_id, words=words)], className="own-words quiet"), html.P(text.HOW, className="no-print"), html.P(note, className="quiet") if note else None,
                      components.caution(text.CLOSED) if closed else None]),
            html.Div([dcc.Link(text.TO_JOB, href=f"/job/{job_id}", className="button quiet-button"),
                      dcc.Link(text.TO_OPTIONS, href=f"/job/{job_id}/options", className="button quiet-button")], className="page-side no-print"),
        ],
        className="page-head",
    )
    form = html.Div(
        [
            sheet_form.pack_part(values), sheet_form.told_part(values), sheet_form.look_part(values), sheet_form.meter_part(values),
            sheet_form.readings_part(values), sheet_taps.taps_part(values), sheet_taps.probes_part(values, types), sheet_form.observed_part(values, observations),
        ],
        id=ids.FORM, className="sheet-form no-print", **{"data-page": mark},
    )
    said = html.Section(
        [html.H2(text.RESULT, id="said"), html.Div(sheet_result.places(), id=ids.RESULT, className="sheet-said"), _keep_part()], className="part sheet-result",
    )
    top = html.Div(
        [html.Div(above.get("top"), id=ids.TOP, className="sheet-top-said"), html.A(text.TO_RESULT, href="#said", className="sheet-to-said"),
         html.Span(text.KEPT_BEFORE if entered(values) else text.KEPT_NONE, id=ids.KEPT, className="sheet-kept", role="status")],
        className="sheet-top no-print",
    )
    return html.Div(
        [
            dcc.Store(id=ids.PLACE, data={"job": job_id, "page": mark} if mark else None), dcc.Store(id=ids.TYPED), dcc.Store(id=ids.ACK), dcc.Store(id=ids.SINK),
            dcc.Store(id=ids.ACK_SINK), dcc.Store(id=ids.SHOWN, data={name: _digest(part) for name, part in above.items()}), dcc.Store(id=ids.WANTED), head, top,
            html.Div(above.get("heeds"), id=ids.CAUTIONS, className="sheet-heed"), html.Div(sheet_paper.paper(values, observations), id=ids.PAPER, className="sheet-paper"),
            html.Div([form, said], className="sheet-grid"),
        ],
        className="page page-job-sheet",
    )


def _evaluated(door: Door, values: Mapping[str, str]) -> tuple[dict[str, Any] | None, InputError | None]:
    """What the readings say, if there are any, or why it cannot be worked out."""
    if not entered(values):
        return None, None
    try:
        return door.evaluate_form(values)[1], None
    except InputError as error:
        return None, error


def _above(evaluation: dict[str, Any] | None) -> dict[str, Component | None]:
    """What stands above the form: the likeliest cause, and what to mind."""
    heeds = (evaluation or {}).get("cautions") or sheet_result.usual_cautions()
    return {"top": sheet_result.top_line(evaluation) if evaluation else None, "heeds": sheet_result.cautions(heeds)}


def _keep_part() -> Component:
    return html.Div(
        [
            html.H3(text.KEEP), html.P(text.KEEP_MORE, className="hint"),
            html.Div([pack_card.who_field(WHO), html.Button(text.KEEP_GO, id=ids.KEEP, type="button", className="button button-main"),
                      html.Span(id=ids.KEEP_BUSY, role="status", className="busy")], className="act-row act-row-low"),
            html.Div(id=ids.KEEP_DONE, role="status"),
        ],
        className="sheet-keep no-print",
    )


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
    _register_route(app, door)
    every, who = {"type": ids.FIELD, "key": ALL}, {"type": shared.PACK_WHO, "form": ALL}
    app.clientside_callback(
        ClientsideFunction(namespace="sheet", function_name="collect"),
        Output(ids.SINK, "data"), Input(every, "value"), State(every, "id"), State(ids.PLACE, "data"),
    )
    app.clientside_callback(
        ClientsideFunction(namespace="sheet", function_name="answered"), Output(ids.ACK_SINK, "data"), Input(ids.ACK, "data"), Input(ids.WANTED, "data"),
        prevent_initial_call=True,
    )
    _register_typed(app, door)
    _register_result(app, door)
    _register_keep(app, door, who)


def checked_changes(body: Any) -> tuple[str, int, dict[str, str]]:
    """Mark of the page, number of the sending and the changes of a call. ValueError if it is none."""
    if not isinstance(body, dict) or not isinstance(body.get("changes"), dict) or not isinstance(body.get("number"), int):
        raise ValueError("no changes of a sheet")
    changes = body["changes"]
    if len(changes) > KEYS_MAX or not all(isinstance(key, str) and isinstance(value, str) and len(key) < 100 and len(value) <= VALUE_MAX
                                          for key, value in changes.items()):
        raise ValueError("no changes of a sheet")
    return str(body.get("page"))[:40], body["number"], changes


def _register_route(app: Dash, door: Door) -> None:
    @app.server.route("/job/<int:job_id>/sheet/typed", methods=["POST"])
    def keep_typed(job_id: int) -> tuple[str, int]:
        """What a page that is being left had not sent yet."""
        try:
            page, number, changes = checked_changes(request.get_json(force=True, silent=True))
            door.keep_typed(job_id, page, number, changes)
        except (ValueError, RecursionError, InputError):  # brackets without end among them
            return "", 400
        return "", 204


def _register_typed(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.ACK, "data"), Output(ids.KEPT, "children"), Output(ids.METER_GLANCE, "children"), Output(ids.TAPS, "children"),
        Input(ids.TYPED, "data"), Input(ids.PLACE, "data"),
    )
    def keep(typed: dict[str, Any] | None, place: dict[str, Any] | None) -> tuple[Any, ...]:
        """Keep what was typed, and question it beside its field."""
        if not place:
            raise PreventUpdate
        job_id, number, told, rows = int(place["job"]), -1, no_update, 0
        if typed and typed.get("page") == place["page"]:
            page, sent, changes = checked_changes(typed)
            rows = int(typed.get("rows") or 0)
            try:
                values = door.keep_typed(job_id, page, sent, changes)
                number, told = sent, text.KEPT_AT
            except InputError as error:
                values = {**typed.get("values", {}), **changes}
                told = html.Span(text.NOT_KEPT.format(why=error.why), className="not-kept")
        else:
            values = door.sheet_draft(job_id)
        answer = {"page": place["page"], "number": number, "asked": asked_words(door.form_questions(values), door.unread(values)), "steps": door.tap_steps(values)}
        meter = next((values[key] for key in ("meter.name", "meter.voltage") if values.get(key)), text.METER_UNKNOWN)
        return answer, told, meter, more_taps(values, rows)


def asked_words(asked: Mapping[str, Any], unread: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """What stands beside each entry that cannot be right or cannot be used: words, and the kind of question for the sheet of styles."""
    told = {key: (text.UNREAD.format(text=typed), "refuse") for key, typed in unread.items()}
    return told | {key: (item.words, item.severity) for key, item in asked.items()}


def more_taps(values: Mapping[str, str], there: int) -> Any:
    """Rows for a series that is longer than the rows that stand ready, put behind them; those that are there are never drawn afresh."""
    needed = sheet_taps.rows_needed(values)
    if not 0 < there < needed:
        return no_update
    more = Patch()
    more.extend(sheet_taps.tap_rows(values, there, needed))
    return more


def question(key: str, asked: Mapping[str, Any], unread: Mapping[str, str]) -> Component | None:
    """What stands beside an entry that cannot be right."""
    found = asked.get(key)
    if found is None and key not in unread:
        return None
    words, kind = (found.words, found.severity) if found is not None else (text.UNREAD.format(text=unread[key]), "refuse")
    return html.P([html.Span(className="flag flag-caution", **{"aria-hidden": "true"}), html.Span(words)], className=f"question question-{kind}")


def _register_result(app: Dash, door: Door) -> None:
    places = {"type": ids.PART, "part": ALL}

    @app.callback(
        Output(places, "children"), Output(ids.TOP, "children"), Output(ids.PAPER, "children"), Output(ids.CAUTIONS, "children"), Output(ids.OBSERVED_LIST, "children"),
        Output(ids.OBSERVED_HEEDS, "children"), Output(ids.WANTED, "data"), Output(ids.SHOWN, "data"),
        Input(ids.TYPED, "data"), Input(ids.PLACE, "data"), State(places, "id"), State(ids.SHOWN, "data"),
    )
    def tell(
        typed: dict[str, Any] | None, place: dict[str, Any] | None, part_ids: list[dict[str, str]], shown: dict[str, str] | None,
    ) -> tuple[Any, ...]:
        """What the readings say now; only what differs from what stands there is drawn afresh."""
        if not place:
            raise PreventUpdate
        values = dict(door.sheet_draft(int(place["job"])))
        there: list[str] = []
        if typed and typed.get("page") == place["page"]:
            values |= checked_changes(typed)[2]
            there = [str(key) for key in typed.get("values", {})]
        known = door.observations()
        evaluation, failed = _evaluated(door, values)
        parts = sheet_result.failed(failed) if failed else sheet_result.parts(evaluation)
        wanted = [sheet_result.field_of(step) for step in (evaluation or {}).get("next") or ()][:4]
        located = sheet_form.located_keys([*there, *values, *wanted], known)
        heeds = (evaluation or {}).get("cautions") or sheet_result.usual_cautions()
        drawn = {
            **parts, **_above(evaluation), "paper": sheet_paper.paper(values, known),
            "observed_heeds": sheet_result.observed_cautions(known, heeds),
        }
        digests = {name: _digest(part) for name, part in drawn.items()} | {"located": " ".join(located)}
        old = shown or {}
        fresh = {name: part if digests[name] != old.get(name) else no_update for name, part in drawn.items()}
        rows = sheet_form.located_rows(located, values, known) if digests["located"] != old.get("located", "") else no_update
        return [fresh[item["part"]] for item in part_ids], fresh["top"], fresh["paper"], fresh["heeds"], rows, fresh["observed_heeds"], wanted, digests


def _digest(part: Component | None) -> str:
    return hashlib.sha256(json.dumps(part, cls=PlotlyJSONEncoder, sort_keys=True).encode()).hexdigest()[:16]


def _register_keep(app: Dash, door: Door, who: dict[str, Any]) -> None:
    @app.callback(
        Output(ids.KEEP_DONE, "children"), Input(ids.KEEP, "n_clicks"), State(ids.TYPED, "data"), State(ids.PLACE, "data"), State(who, "value"), State(who, "id"),
        prevent_initial_call=True, running=[(Output(ids.KEEP, "disabled"), True, False), (Output(ids.KEEP_BUSY, "children"), text.KEEP_BUSY, "")],
    )
    def keep_sheet(clicks: int | None, typed: dict[str, Any] | None, place: dict[str, Any], names: list[str | None], name_ids: list[dict[str, Any]]) -> Any:
        if not clicks:
            raise PreventUpdate
        job_id = int(place["job"])
        name = next((value or "" for value, item in zip(names, name_ids, strict=True) if item["form"] == WHO), "")
        values = dict(door.sheet_draft(job_id))
        try:
            if typed and typed.get("page") == place["page"]:
                page, number, changes = checked_changes(typed)
                values = door.keep_typed(job_id, page, number, changes)
            if not entered(values):
                raise InputError(text.KEEP_NOTHING_WHAT, text.FORM_NAME, text.KEEP_NOTHING_WHY, text.KEEP_NOTHING_MEND)
            evaluation = door.keep_form(job_id, values, name.strip())
        except InputError as error:
            return components.error_panel(error, text.KEEP_FAILED)
        return _kept_words(job_id, evaluation)


def _kept_words(job_id: int, evaluation: dict[str, Any]) -> Component:
    dangers = [str(item["message"]) for item in evaluation.get("remarks") or () if item["severity"] == "danger"]
    parts: list[Component] = [html.P(text.KEEP_DONE.format(job=job_id), className="done")]
    if dangers:
        words = text.KEEP_DANGERS.get(len(dangers), text.KEEP_DANGERS[2]).format(n=len(dangers))
        parts.append(html.Div([html.P(words), html.Ul([html.Li(message) for message in dangers])], className="danger-box"))
    parts.append(html.Div([dcc.Link(text.TO_JOB, href=f"/job/{job_id}", className="button button-main"),
                           dcc.Link(text.TO_OPTIONS, href=f"/job/{job_id}/options", className="button")], className="act-row"))
    return html.Div(parts)
