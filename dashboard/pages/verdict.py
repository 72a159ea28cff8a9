"""The verdict: what rules it out first, the result, each criterion on its scale, what would settle it, and its confirmation."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, text, text_decision
from dashboard.address import query_of
from dashboard.data import Door, reading_doubts
from dashboard.pages import decision_confirm, job_links
from dashboard.pages.decision_body import verdict_body
from dashboard.uploads import Uploads


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids.VERDICT_RUN), dcc.Store(id=ids.VERDICT_CHANGED), dcc.Store(id=ids.VERDICT_SYNC), dcc.Store(id=ids.VERDICT_STATE),
            dcc.Store(id=ids.VERDICT_FILE), dcc.RadioItems(id=ids.VERDICT_CRITERIA), dcc.Dropdown(id=ids.VERDICT_BEFORE),
            html.Div(id=ids.VERDICT_FILE_ERROR), html.Div(id=ids.VERDICT_BODY), decision_confirm.skeleton(),
        ]
    )


def chosen(door: Door, run_id: int, address: dict[str, str] | str | None) -> tuple[str, int]:
    """Set and run before that an address asks for, each as the newest kept verdict was made where it asks for none that there is."""
    query = address if isinstance(address, dict) else query_of(address)
    name, before = door.usual(run_id)
    known = [item.name for item in (*door.criteria_sets(), *door.own_sets(run_id))]
    if query.get("criteria") in known:
        name = query["criteria"]
    runs = {str(number): number for number, _name in door.runs_before(run_id)} | {"0": 0}
    return name, runs.get(query.get("before", ""), before)


def layout(door: Door, run_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    run = door.run(run_id)
    name, before = chosen(door, run_id, query)
    label = f" · {run.label}" if run.label else ""
    page = html.Div(
        [
            dcc.Store(id=ids.VERDICT_RUN, data=run_id),
            dcc.Store(id=ids.VERDICT_CHANGED, data=0),
            dcc.Store(id=ids.VERDICT_SYNC),
            dcc.Store(id=ids.VERDICT_STATE),
            dcc.Store(id=ids.VERDICT_FILE),
            html.Div(
                [
                    html.H1([text_decision.TITLE, html.Span(f" {run.pack_id}{label}", className="h1-more")]),
                    html.Div(
                        [
                            dcc.Link(text_decision.TO_RUN.format(id=run_id), href=f"/run/{run_id}"),
                            html.A(text_decision.TO_CONFIRM, href="#confirm"), html.A(text_decision.TO_RECORDS, href="#records"),
                            *job_links.part_of(door, run_id, ""),
                        ],
                        className="back-link no-print",
                    ),
                    _before_choice(door, run_id, before),
                ],
                className="decision-head",
            ),
            components.doubts_box([*_said_besides(door, run_id), *reading_doubts(run.analysis)]),
            _controls(door, run_id, name),
            components.loading(html.Div(id=ids.VERDICT_BODY)),
            decision_confirm.section(door),
            decision_confirm.records_section(),
        ],
        className="page page-verdict",
    )
    return page, f"{text_decision.TITLE} {run.pack_id}{label}"


def _said_besides(door: Door, run_id: int) -> list[str]:
    """What was said of the run afterwards, but for dangers, which stand in the panel of what rules the pack out."""
    danger = text.CARD_DANGER.split("{", 1)[0]
    return [words for words in door.known_besides(run_id) if not words.startswith(danger)]


def set_options(door: Door, run_id: int) -> list[dict[str, str]]:
    """The sets that can be chosen, those that come with the program first."""
    return [{"value": item.name, "label": item.title} for item in (*door.criteria_sets(), *door.own_sets(run_id))]


def _before_choice(door: Door, run_id: int, before: int) -> Component:
    """The earlier run that this one is held against; hidden where the pack has no other."""
    runs = [{"value": 0, "label": text_decision.BEFORE_NONE}, *({"value": number, "label": called} for number, called in door.runs_before(run_id))]
    choice = dcc.Dropdown(id=ids.VERDICT_BEFORE, value=before, options=runs, clearable=False, searchable=len(runs) > 8)
    if len(runs) < 2:
        return html.Div(choice, hidden=True)
    return components.field(text_decision.BEFORE, choice, class_name="before-field no-print")


def _controls(door: Door, run_id: int, name: str) -> Component:
    """The sets that the run can be judged by."""
    return html.Div(
        [
            html.Div(
                [
                    html.Span(text_decision.CRITERIA, className="choice-name", id="verdict-criteria-name"),
                    dcc.RadioItems(id=ids.VERDICT_CRITERIA, value=name, className="choice", inline=True, options=set_options(door, run_id)),
                    html.Button(text_decision.OWN_FILE, type="button", className="button quiet-button", title=text_decision.OWN_FILE_HINT,
                                **{"data-drop-choose": "", "aria-description": text_decision.OWN_FILE_HINT}),
                    html.Span(role="status", **{"data-drop-progress": ""}),
                ],
                className="choice-line", role="group", **{"aria-labelledby": "verdict-criteria-name"},
            ),
            html.Div(id=ids.VERDICT_FILE_ERROR),
        ],
        className="decision-controls no-print", **{"data-drop": ids.VERDICT_FILE, "data-drop-accept": ".toml"},
    )


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True), Input(ids.VERDICT_CRITERIA, "value"), Input(ids.VERDICT_BEFORE, "value"),
        State(ids.VERDICT_RUN, "data"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(criteria: str | None, before: int | None, run_id: int, search: str | None, pathname: str) -> str:
        if pathname != f"/run/{run_id}/verdict" or not criteria or (criteria, before or 0) == chosen(door, run_id, search):
            raise PreventUpdate
        return "?" + urlencode({"criteria": criteria, "before": before or 0})

    @app.callback(
        Output(ids.VERDICT_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"),
        State(ids.VERDICT_RUN, "data"), State(ids.VERDICT_CRITERIA, "value"), State(ids.VERDICT_BEFORE, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, run_id: int, criteria: str | None, before: int | None) -> Any:
        if pathname == f"/run/{run_id}/verdict":
            wanted, earlier = chosen(door, run_id, search)
            if wanted != criteria:
                set_props(ids.VERDICT_CRITERIA, {"value": wanted})
            if earlier != (before or 0):
                set_props(ids.VERDICT_BEFORE, {"value": earlier})
        return search  # an answer of its own: without one the properties set above would not reach the page

    @app.callback(
        Output(ids.VERDICT_CRITERIA, "options"), Output(ids.VERDICT_CRITERIA, "value"), Output(ids.VERDICT_FILE_ERROR, "children"),
        Input(ids.VERDICT_FILE, "data"), State(ids.VERDICT_RUN, "data"),
        prevent_initial_call=True,
    )
    def take_file(event: dict[str, Any] | None, run_id: int) -> tuple[Any, Any, Any]:
        if not event:
            raise PreventUpdate
        tokens = [str(item.get("token")) for item in event.get("files") or ()]
        try:
            if event.get("errors"):
                raise InputError(**{key: str(event["errors"][0].get(key) or "") for key in ("what", "where", "why", "mend")})
            if len(tokens) != 1:
                raise InputError(
                    text_decision.OWN_FILE_SEVERAL, text_decision.CRITERIA, f"{len(tokens)} files came", "choose the one .toml file of the set",
                )
            name, raw = uploads.content(tokens)[0]
            value = door.take_set(name, raw)
        except InputError as error:
            return no_update, no_update, components.error_panel(error)
        finally:
            for token in tokens:
                uploads.remove(token)
        return set_options(door, run_id), value, None

    @app.callback(
        Output(ids.VERDICT_BODY, "children"), Output(ids.VERDICT_RECORDS, "children"), Output(ids.VERDICT_STATE, "data"),
        Output(ids.VERDICT_WHAT, "children"), Output(ids.VERDICT_KEEP, "disabled"), Output(ids.VERDICT_RECORD, "disabled"),
        Input(ids.VERDICT_CRITERIA, "value"), Input(ids.VERDICT_BEFORE, "value"), Input(ids.VERDICT_CHANGED, "data"),
        Input(ids.VERDICT_RUN, "data"),
    )
    def show(criteria: str | None, before: int | None, _changed: int | None, run_id: int) -> tuple[Any, ...]:
        try:
            shown = door.decision(int(run_id), criteria, before or 0)
            listed = decision_confirm.record_list(door.standing(int(run_id)), int(run_id))
        except InputError as error:
            return components.error_panel(error), no_update, None, no_update, True, True
        gone, run = shown.state["withdrawn"], door.run(int(run_id))
        state = {"shown": [shown.criteria, shown.before], "register": shown.state}
        what = decision_confirm.what_is_confirmed(shown, run)
        return verdict_body(shown.verdict, shown, int(run_id), run.pack_id), listed, state, what, gone, gone
