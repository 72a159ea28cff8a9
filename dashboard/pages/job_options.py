"""What to do with the pack of a job: options ranked, vetoes first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, ids_job_options, text
from dashboard import text_job_options as words
from dashboard.data import Door
from dashboard.door.options import WorkshopForm
from dashboard.pages import options_body, pack_card
from dashboard.uploads import Uploads

ALL_CAUSES = "all"
WHO_FORM = "job-options"
REMARK_MAX = 2000
_EMPTY = WorkshopForm({}, {}, {}, "EUR", "")


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div([_cause_choice({"causes": []}), html.Div(id=ids_job_options.OPTIONS_BODY), _figures(_EMPTY), _decide({"options": []}), *_stores(0)])


def layout(door: Door, job_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. ``cause`` in the query is one cause taken as certain."""
    job = door.job(job_id)
    cause = query.get("cause")
    result = door.options_of(job_id, cause)
    head = [
        html.P(dcc.Link(words.BACK.format(n=job_id), href=f"/job/{job_id}"), className="back-link no-print"),
        html.H1(words.TITLE), html.P(words.HEAD.format(pack=job["pack_id"], n=job_id), className="lead own-words"),
    ]
    if result is None:
        none = components.empty_state(words.NONE_TITLE, words.NONE_MORE)
        return html.Div([*head, none, dcc.Link(words.NONE_LINK, href=f"/job/{job_id}/sheet", className="button button-main")], className="page page-job-options"), words.TITLE
    form = door.workshop_form()
    page = html.Div(
        [
            *head, _cause_choice(result), html.Div(options_body.body(result), id=ids_job_options.OPTIONS_BODY, role="status"),
            _decide(result), _figures(form), *_stores(job_id),
        ],
        className="page page-job-options",
    )
    return page, words.TITLE


def _stores(job_id: int) -> list[Component]:
    return [dcc.Store(id=ids_job_options.OPTIONS_JOB, data=job_id), dcc.Store(id=ids_job_options.OPTIONS_CHANGED)]


def _cause_choice(result: Mapping[str, Any]) -> Component:
    """All causes with their probabilities, or one of them taken as certain."""
    options = [{"value": ALL_CAUSES, "label": words.CAUSE_ALL}]
    for item in result["causes"]:
        if item["probability"] >= 0.005:
            value = item["code"] if item["group"] is None else f"{item['code']}:{item['group']}"
            options.append({"value": value, "label": words.CAUSE_ONE.format(title=item["title"], percent=text.share_text(item["probability"]))})
    chosen = result.get("chosen_cause")
    value = chosen if chosen in {item["value"] for item in options} else ALL_CAUSES
    control = dcc.Dropdown(id=ids_job_options.OPTIONS_CAUSE, options=options, value=value, clearable=False, searchable=False)
    return html.Div(components.field(words.CAUSE_LABEL, control), className="options-cause no-print")


# ---- the workshop's figures ----------------------------------------------------------------------------------------


def _figures(form: WorkshopForm) -> Component:
    entries = ["currency", *form.units]
    sections = []
    for table, title in words.SECTIONS.items():
        own = [key for key in entries if (key.split(".")[0] if "." in key else "") == table]
        sections += [html.H3(title), html.Div([_figure(key, form, title) for key in own], className="field-grid")] if own else []
    keep = html.Button(words.WORKSHOP_KEEP, id=ids_job_options.OPTIONS_KEEP, type="button", className="button")
    return components.section(
        words.WORKSHOP_TITLE,
        [
            html.P(words.WORKSHOP_MORE.format(file=form.file), className="hint"), *sections,
            html.Div(keep, className="act-row"), html.Div(id=ids_job_options.OPTIONS_KEEP_DONE, role="status"),
        ],
        "options-figures no-print",
    )


def _figure(key: str, form: WorkshopForm, section: str) -> Component:
    name = words.FIGURES[key.split(".")[-1]]
    unit = form.units.get(key)
    label = words.FIGURE_LABEL.format(name=name, unit=unit) if unit else name
    control = dcc.Input(
        id={"type": ids_job_options.OPTIONS_FIGURE, "key": key}, type="text", autoComplete="off", value=form.values.get(key, ""), placeholder=form.counted.get(key, ""), maxLength=40,
    )
    note = html.Span(id={"type": ids_job_options.OPTIONS_FIGURE_NOTE, "key": key}, className="figure-wrong", role="status")
    return html.Div([components.field(label, control, spoken=f"{label}, {section}"), note])


# ---- deciding ------------------------------------------------------------------------------------------------------


def choices(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Options that may be decided for, the best first; those that are barred stand last and cannot be chosen."""
    ranked = list(result.get("ranked") or ())
    order = sorted(result["options"], key=lambda item: (bool(item["barred_by"]), ranked.index(item["code"]) if item["code"] in ranked else len(ranked)))
    return [
        {
            "value": item["code"], "disabled": bool(item["barred_by"]),
            "label": words.DECIDE_BARRED.format(title=item["title"]) if item["barred_by"] else item["title"],
        }
        for item in order
    ]


def _decide(result: Mapping[str, Any]) -> Component:
    control = dcc.RadioItems(id=ids_job_options.OPTIONS_CHOICE, options=choices(result), value=None, className="choice choice-tall")
    remark = dcc.Textarea(id=ids_job_options.OPTIONS_REMARK, value="", className="words-area", maxLength=REMARK_MAX)
    go = html.Button(words.DECIDE, id=ids_job_options.OPTIONS_DECIDE, type="button", className="button button-main")
    return components.section(
        words.DECIDE_TITLE,
        [
            html.P(words.DECIDE_MORE, className="hint"),
            html.Div([html.Span(words.DECIDE_LABEL, className="hint"), control], className="field", role="group", **{"aria-label": words.DECIDE_LABEL}),
            components.field(words.REMARK, remark), html.Div([pack_card.who_field(WHO_FORM), go], className="act-row act-row-low"),
            html.Div(id=ids_job_options.OPTIONS_DECIDED, role="status"),
        ],
        "options-decide no-print",
    )


def register(app: Dash, door: Door, _uploads: Uploads) -> None:
    """Wire the page."""

    def cause_of(value: str | None) -> str | None:
        return None if value in (None, ALL_CAUSES) else str(value)

    @app.callback(
        Output(ids_job_options.OPTIONS_BODY, "children"), Output(ids_job_options.OPTIONS_CHOICE, "options"),
        Input(ids_job_options.OPTIONS_CAUSE, "value"), Input(ids_job_options.OPTIONS_CHANGED, "data"), State(ids_job_options.OPTIONS_JOB, "data"),
        prevent_initial_call=True,
    )
    def reckon(cause: str | None, _changed: int | None, job_id: int | None) -> tuple[Any, Any]:
        result = door.options_of(int(job_id), cause_of(cause)) if job_id else None
        if result is None:
            raise PreventUpdate
        return options_body.body(result), choices(result)

    @app.callback(
        Output(ids_job_options.OPTIONS_KEEP_DONE, "children"), Output(ids_job_options.OPTIONS_CHANGED, "data"),
        Output({"type": ids_job_options.OPTIONS_FIGURE_NOTE, "key": ALL}, "children"),
        Input(ids_job_options.OPTIONS_KEEP, "n_clicks"),
        State({"type": ids_job_options.OPTIONS_FIGURE, "key": ALL}, "value"), State({"type": ids_job_options.OPTIONS_FIGURE, "key": ALL}, "id"),
        State(ids_job_options.OPTIONS_CHANGED, "data"), prevent_initial_call=True,
    )
    def keep(clicks: int | None, values: list[str | None], names: list[dict[str, str]], changed: int | None) -> tuple[Any, Any, list[Any]]:
        if not clicks:
            raise PreventUpdate
        typed = {name["key"]: str(value or "") for value, name in zip(values, names, strict=True)}
        try:
            wrong = door.keep_workshop(typed, words.PLACE)
        except InputError as error:
            return components.error_panel(error), no_update, [no_update] * len(names)
        notes = [f"{wrong[key].why}; {wrong[key].mend}" if (key := name["key"]) in wrong else "" for name in names]
        if wrong:
            first = next(iter(wrong.values()))
            return components.error_panel(first, words.WORKSHOP_WRONG.format(n=len(wrong))), no_update, notes
        return html.P(words.WORKSHOP_KEPT, className="done"), (changed or 0) + 1, notes

    @app.callback(
        Output(ids_job_options.OPTIONS_DECIDED, "children"), Input(ids_job_options.OPTIONS_DECIDE, "n_clicks"),
        State(ids_job_options.OPTIONS_CHOICE, "value"), State(ids_job_options.OPTIONS_REMARK, "value"), State({"type": ids.PACK_WHO, "form": WHO_FORM}, "value"),
        State(ids_job_options.OPTIONS_CAUSE, "value"), State(ids_job_options.OPTIONS_JOB, "data"), prevent_initial_call=True,
    )
    def decide(clicks: int | None, option: str | None, remark: str | None, who: str | None, cause: str | None, job_id: int | None) -> Any:
        if not clicks or not job_id:
            raise PreventUpdate
        try:
            door.decide_option(int(job_id), option or "", remark or "", who or "", cause_of(cause))
        except InputError as error:
            return components.error_panel(error, words.NOTHING_DONE)
        title = next(item["title"] for item in (door.options_of(int(job_id)) or {})["options"] if item["code"] == option)
        return html.P([words.DECIDED.format(title=title), " ", dcc.Link(words.BACK.format(n=job_id), href=f"/job/{job_id}")], className="done")
