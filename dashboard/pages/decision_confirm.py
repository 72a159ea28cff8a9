"""Confirming a verdict by name, the record of it, and the records that the run has."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import access, advice, components, ids, text, text_decision
from dashboard.data import Decision, Door, Outcome, RunDetail, Standing, Wish
from dashboard.pages.decision_body import before_words, decided_words, result_key, set_name
from dashboard.record_routes import label_address
from dashboard.routes import record_address

NAME_LENGTH_MAX = 80
REMARK_LENGTH_MAX = 500
CHANGE_ORDER = ("run", "withdrawn", "analysis", "dangers", "record", "verdict")


def skeleton() -> Component:
    """What the callbacks of the whole page name."""
    return html.Div(
        [
            dcc.Input(id=ids.VERDICT_BY), dcc.Textarea(id=ids.VERDICT_REMARK), dcc.Input(id=ids.VERDICT_WORKSHOP), dcc.RadioItems(id=ids.VERDICT_LANGUAGE),
            dcc.Checklist(id=ids.VERDICT_CUSTOMER), html.P(id=ids.VERDICT_WHAT), html.Button(id=ids.VERDICT_KEEP), html.Button(id=ids.VERDICT_RECORD),
            html.Button(id=ids.VERDICT_AGAIN), html.Div(id=ids.VERDICT_AGAIN_BOX), html.Span(id=ids.VERDICT_BUSY), html.Div(id=ids.VERDICT_DONE),
            html.Div(id=ids.VERDICT_RECORDS),
        ]
    )


def section(door: Door) -> Component:
    """The form: who decides, a remark, what the record shall be, and the two acts. It is never drawn afresh, so nothing typed is lost."""
    usual = {"type": "text", "maxLength": NAME_LENGTH_MAX}
    who = access.signed_in()  # at first whoever is signed in
    name = dcc.Input(
        id=ids.VERDICT_BY, autoComplete="off", list=ids.VERDICT_NAMES, persistence=who or True, persistence_type="session", **usual,
        **({"value": who} if who else {}),
    )
    workshop = dcc.Input(
        id=ids.VERDICT_WORKSHOP, autoComplete="organization", persistence=True, persistence_type="local",
        placeholder=text_decision.WORKSHOP_HINT, **usual,
    )
    remark = dcc.Textarea(id=ids.VERDICT_REMARK, maxLength=REMARK_LENGTH_MAX, rows=2, className="remark-field")
    language = dcc.RadioItems(
        id=ids.VERDICT_LANGUAGE, value="en", inline=True, className="choice", persistence=True, persistence_type="local",
        options=[{"value": code, "label": word} for code, word in text_decision.LANGUAGES.items()],
    )
    customer = dcc.Checklist(id=ids.VERDICT_CUSTOMER, value=[], className="choice", options=[{"value": "customer", "label": text_decision.CUSTOMER}])
    return components.section(
        text_decision.CONFIRM,
        [
            html.P(id=ids.VERDICT_WHAT, className="confirm-what"),
            html.Datalist([html.Option(value=item) for item in door.deciders()], id=ids.VERDICT_NAMES),
            html.Div(
                [
                    components.field(text_decision.BY_NAME, name),
                    components.field(text_decision.WORKSHOP, workshop),
                    components.field(text_decision.REMARK, remark, text_decision.REMARK_HINT.format(n=REMARK_LENGTH_MAX), "remark-box"),
                    html.Div([html.Span(text_decision.LANGUAGE, className="choice-name", id="verdict-language-name"), language], role="group",
                             className="field", **{"aria-labelledby": "verdict-language-name"}),
                    html.Div(customer, className="field"),
                ],
                className="confirm-grid",
            ),
            html.P(text_decision.CONFIRM_RULE, className="hint"),
            html.Div(
                [
                    html.Button(text_decision.ACT_RECORD, id=ids.VERDICT_RECORD, type="button", className="button button-main"),
                    html.Button(text_decision.ACT_KEEP, id=ids.VERDICT_KEEP, type="button", className="button"),
                    html.Span(id=ids.VERDICT_BUSY, role="status", className="busy"),
                ],
                className="act-row",
            ),
            html.Div(id=ids.VERDICT_DONE, role="status"),
            html.Div(html.Button(text_decision.ACT_AGAIN, id=ids.VERDICT_AGAIN, type="button", className="button"), id=ids.VERDICT_AGAIN_BOX, hidden=True),
        ],
        "part-confirm no-print", "confirm",
    )


def records_section() -> Component:
    """Where the records of the run are listed."""
    return components.section(text_decision.RECORDS, html.Div(id=ids.VERDICT_RECORDS), "part-records", "records")


def what_is_confirmed(shown: Decision, run: RunDetail) -> Any:
    """In one sentence what a press of the button confirms, or that nothing can be."""
    if shown.state["withdrawn"]:
        return html.Strong(text_decision.WITHDRAWN)
    return [
        components.result_mark(result_key(shown.verdict)), " ",
        text_decision.CONFIRM_WHAT.format(
            result=text.RESULT_WORD[result_key(shown.verdict)].lower(), name=set_name(shown.verdict), before=before_words(shown.before),
            pack=run.pack_id, label=f", {run.label}" if run.label else "", run=run.id,
        ),
    ]


# ---- records -----------------------------------------------------------------------------------------------------


def record_list(rows: list[Standing], run_id: int) -> Component:
    """Records of the run: the newest open, the earlier ones under it."""
    if not rows:
        return html.P(text_decision.RECORDS_NONE, className="quiet")
    earlier = html.Ul([record_item(row, run_id) for row in rows[1:]], className="record-list")
    return html.Div(
        [
            html.Ul([record_item(rows[0], run_id)], className="record-list"),
            components.fold(text_decision.RECORDS_EARLIER.format(n=len(rows) - 1), earlier) if rows[1:] else None,
            html.P(text_decision.LABEL_CAUTION, className="hint"),
        ]
    )


def record_item(row: Standing, run_id: int) -> Component:
    """One record: what it says, whether it holds, and its downloads."""
    item = row.item
    standing = []
    if row.newest:
        standing.append(html.Span(text_decision.RECORD_NEWEST, className="tag"))
    if row.replaced_by:
        standing.append(html.Span(text_decision.RECORD_REPLACED.format(serial=row.replaced_by), className="tag"))
    made = text_decision.RECORD_MADE.format(
        when=text.date_text(item.made_at), by=decided_words(row.by),
        verdict=text_decision.RECORD_VERDICT.format(number=row.number) if row.number else "",
    )
    gone = None
    if row.why_not:
        gone = components.caution(text_decision.RECORD_GONE.format(why=advice.words(row.why_not)))
    elif not row.labels:
        gone = html.P(text_decision.RECORD_OLD, className="hint")
    return html.Li(
        [
            html.Div([html.Strong(item.serial, className="record-serial"), components.result_mark(item.result), *standing, html.Span(made, className="quiet")],
                     className="record-head"),
            gone,
            downloads(row, run_id),
        ],
        className="record-item",
    )


def downloads(row: Standing, run_id: int) -> Component:
    """Links to the files of a record and to its label."""
    item = row.item

    def link(name: str, address: str) -> Component:
        spoken = html.Span(f" {text_decision.DOWNLOAD_SPOKEN.format(serial=item.serial)}", className="for-readers")
        return html.A([name, spoken], href=address, className="button quiet-button", download="")

    return html.Div(
        [
            *(link(text_decision.DOWNLOAD_NAME[kind], record_address(item.id, item.serial, kind)) for kind in item.kinds),
            *(link(text_decision.LABEL_NAME[kind], label_address(run_id, item.serial, kind)) for kind in row.labels),
        ],
        className="act-row record-downloads no-print",
    )


# ---- the act -----------------------------------------------------------------------------------------------------


def told(door: Door, run_id: int, outcome: Outcome) -> Component:
    """What came of a press, in words; after a record its downloads too."""
    newest = door.decision(run_id).newest
    if outcome.kind == "same":
        return html.Div(components.caution(text_decision.SAME.format(serial=outcome.serial)))
    if outcome.kind == "changed":
        facts = {"serial": outcome.serial or text.DASH, "number": "", "result": "", "name": "", "by": ""}
        if newest is not None:
            facts |= {
                "number": str(newest.number), "result": text.RESULT_WORD[result_key(newest.verdict)].lower(), "name": set_name(newest.verdict),
                "by": decided_words(newest.by),
            }
        items = [html.Li(text_decision.CHANGED_ONE[key].format(**facts)) for key in CHANGE_ORDER if key in outcome.what]
        return html.Div(
            [html.P(html.Strong(text_decision.CHANGED)), html.Ul(items), html.P(text_decision.CHANGED_THEN)], className="changed-box", role="alert",
        )
    entry = text_decision.DONE_ENTRY.format(
        number=outcome.number, run=run_id, when=text.date_text(newest.at if newest else None), by=decided_words(newest.by if newest else None),
        result=text.RESULT_WORD[result_key(newest.verdict if newest else None)].lower(),
    )
    parts: list[Any] = [html.P(entry)]
    if outcome.serial:
        made = next((row for row in door.standing(run_id) if row.item.serial == outcome.serial), None)
        parts = [html.P(html.Strong(text_decision.DONE_RECORD.format(serial=outcome.serial))), *parts, downloads(made, run_id) if made else None]
    return html.Div(parts, className="done")


def register(app: Dash, door: Door) -> None:
    """Wire the act."""

    @app.callback(
        Output(ids.VERDICT_DONE, "children"), Output(ids.VERDICT_CHANGED, "data"), Output(ids.VERDICT_AGAIN_BOX, "hidden"),
        Input(ids.VERDICT_RECORD, "n_clicks"), Input(ids.VERDICT_KEEP, "n_clicks"), Input(ids.VERDICT_AGAIN, "n_clicks"),
        State(ids.VERDICT_RUN, "data"), State(ids.VERDICT_CRITERIA, "value"), State(ids.VERDICT_BEFORE, "value"), State(ids.VERDICT_STATE, "data"),
        State(ids.VERDICT_BY, "value"), State(ids.VERDICT_REMARK, "value"), State(ids.VERDICT_WORKSHOP, "value"), State(ids.VERDICT_LANGUAGE, "value"),
        State(ids.VERDICT_CUSTOMER, "value"), State(ids.VERDICT_CHANGED, "data"),
        running=[
            (Output(ids.VERDICT_RECORD, "disabled"), True, False), (Output(ids.VERDICT_KEEP, "disabled"), True, False),
            (Output(ids.VERDICT_BUSY, "children"), text_decision.BUSY, ""),
        ],
        prevent_initial_call=True,
    )
    def act(
        record: int | None, keep: int | None, again: int | None, run_id: int, criteria: str, before: int | None, state: dict[str, Any] | None,
        by: str | None, remark: str | None, workshop: str | None, language: str | None, customer: list[str] | None, changed: int | None,
    ) -> tuple[Any, Any, bool]:
        if not (record or keep or again):
            raise PreventUpdate
        try:
            if not (by or "").strip():
                raise InputError(*text_decision.NO_NAME)
            wish = Wish(
                criteria, before or 0, by or "", remark or "", workshop or "", language if language in text_decision.LANGUAGES else "en",
                bool(customer), ctx.triggered_id != ids.VERDICT_KEEP,
            )
            if not state or state["shown"] != [wish.criteria, wish.before]:
                raise InputError(*text_decision.NOT_SHOWN)
            outcome = door.decide(int(run_id), wish, state["register"], again=ctx.triggered_id == ids.VERDICT_AGAIN)
        except InputError as error:
            return components.error_panel(error, text_decision.NOTHING_DONE), no_update, True
        try:
            words = told(door, int(run_id), outcome)
        except InputError as error:  # it is done all the same
            done = html.P(html.Strong(text_decision.DONE_RECORD.format(serial=outcome.serial))) if outcome.kind == "done" and outcome.serial else None
            words = html.Div([done, components.error_panel(error)])
        return words, no_update if outcome.kind == "same" else (changed or 0) + 1, outcome.kind != "same"
