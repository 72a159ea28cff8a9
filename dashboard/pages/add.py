"""Adding a run: dropped files, how they would be read, which pack they belong to, and the act itself."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import advice, components, ids, text
from dashboard.data import CHEMISTRIES, Door, Look, Pack, pack_from_form
from dashboard.pages import columns_form
from dashboard.uploads import Uploads
from dashboard.waiting import Seen, of_kind, received, seen, still_there, toml_files

LABEL_LENGTH_MAX = 120


# ---- layout ----------------------------------------------------------------------------------------------------


def layout(door: Door, _query: dict[str, str]) -> Component:
    """The page."""
    return html.Div([html.H1(text.ADD_TITLE), panel(door)], className="page page-add")


def skeleton(door: Door) -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return panel(door)


def panel(door: Door) -> Component:
    """Drop zone and, once files are there, the form."""
    return html.Section(
        [
            html.Div(
                [
                    html.Div([html.Strong(text.DROP_HERE), html.Span(text.DROP_MORE)], className="drop-words"),
                    html.Button(text.DROP_CHOOSE, className="button", type="button", **{"data-drop-choose": "yes"}),
                    html.Div(className="drop-progress", role="status", **{"data-drop-progress": "yes"}),
                ],
                className="drop-zone", **{"data-drop": ids.ADD_DROP_EVENT},
            ),
            dcc.Store(id=ids.ADD_DROP_EVENT),
            dcc.Store(id=ids.ADD_STATE),
            html.Div(id=ids.ADD_RESULT, role="status"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Div(
                                [html.H2(text.FILES_TITLE),
                                 html.Button(text.REMOVE_ALL, id=ids.ADD_REMOVE_ALL, type="button",
                                             className="button quiet-button")],
                                className="files-head",
                            ),
                            components.loading(html.Div(id=ids.ADD_FILE_LIST)),
                            html.Div(
                                [html.P(id=ids.ADD_KNOWN),
                                 dcc.Checklist(id=ids.ADD_LEAVE_OUT, value=[], className="choice",
                                               options=[{"value": "leave", "label": text.LEAVE_OUT}]),
                                 html.Button(text.FORGET, id=ids.ADD_FORGET, type="button", className="button quiet-button")],
                                id=ids.ADD_KNOWN_BOX, className="known", hidden=True,
                            ),
                            html.Div(
                                [html.P(id=ids.ADD_FORGET_ASK, role="status"),
                                 html.Button(text.FORGET_SURE, id=ids.ADD_FORGET_SURE, type="button", className="button"),
                                 html.Button(text.FORGET_NOT, id=ids.ADD_FORGET_NOT, type="button", className="button quiet-button")],
                                id=ids.ADD_FORGET_BOX, className="known", hidden=True,
                            ),
                        ],
                        className="add-files",
                    ),
                    columns_form.panel(),
                    html.Div([html.H2(text.PACK_WHICH), *_pack_choice(door)], className="add-pack"),
                    html.Div([html.H2(text.DROP_TITLE), *_act(door)], className="add-act"),
                ],
                id=ids.ADD_FORM, hidden=True, className="add-form",
            ),
        ],
        id=ids.ADD_PANEL, className="add-panel no-print", **{"aria-label": text.DROP_TITLE},
    )


def _pack_choice(door: Door) -> list[Component]:
    packs = [item for item in door.packs() if item.newest]  # of a pack with a card alone no ratings are known
    return [
        dcc.RadioItems(
            id=ids.ADD_PACK_KIND, className="choice", inline=True, value="existing" if packs else "new",
            options=[{"value": key, "label": word} for key, word in text.PACK_KIND.items()],
        ),
        html.Div(
            components.field(
                text.PACK_EXISTING,
                dcc.Dropdown(
                    id=ids.ADD_PACK_EXISTING, clearable=False, placeholder=text.PACK_EXISTING,
                    options=[{"value": item.id, "label": f"{item.id} · {text.build_text(item)}"} for item in packs],
                ),
            ),
            id=ids.ADD_PACK_EXISTING_BOX,
        ),
        html.Div([_pack_form(), html.P(text.OPTIONAL, className="hint")], id=ids.ADD_PACK_NEW_BOX, hidden=True),
        html.Div(html.P(text.PACK_FILE_NONE, className="quiet"), id=ids.ADD_PACK_FILE_BOX, hidden=True),
    ]


def _pack_form() -> Component:
    fields = []
    for key, label, kind, hint in text.PACK_FIELDS:
        control = dcc.Input(
            id={"type": ids.ADD_PACK_FIELD, "key": key}, type=kind, autoComplete="off",
            **({"step": "any", "min": 0} if kind == "number" else {"maxLength": 60}),
        )
        if hint:
            control.placeholder = hint
        fields.append(components.field(label, control))
        if key == "id":
            chemistry = dcc.Dropdown(
                id={"type": ids.ADD_PACK_FIELD, "key": "chemistry"}, placeholder=text.UNKNOWN_CHOICE,
                options=[{"value": key, "label": text.CHEMISTRY_WORDS.get(key, key)} for key in CHEMISTRIES],
            )
            fields.append(components.field(text.CHEMISTRY, chemistry))
    limits = [
        components.field(
            label,
            dcc.Input(
                id={"type": ids.ADD_INSTRUMENT_FIELD, "key": key}, type=kind, autoComplete="off", placeholder=hint,
                **({"step": "any", "min": 0} if kind == "number" else {"maxLength": 200}),
            ),
        )
        for key, label, kind, hint in text.INSTRUMENT_FIELDS
    ]
    sense = dcc.Dropdown(
        id={"type": ids.ADD_INSTRUMENT_FIELD, "key": "sense"}, placeholder=text.SENSE_CHOICE["four-wire"],
        options=[{"value": key, "label": word} for key, word in text.SENSE_CHOICE.items()],
    )
    return html.Div(
        [
            html.Div(fields, className="field-grid"),
            components.fold(
                text.INSTRUMENT_TITLE,
                html.Div([html.P(text.INSTRUMENT_MORE, className="hint"),
                          html.Div([*limits, components.field(text.SENSE, sense)], className="field-grid")]),
            ),
        ]
    )


def _act(door: Door) -> list[Component]:
    sets = door.criteria_sets()
    return [
        components.field(
            text.LABEL,
            dcc.Input(id=ids.ADD_LABEL, type="text", maxLength=LABEL_LENGTH_MAX, placeholder=text.LABEL_HINT,
                      autoComplete="off"),
        ),
        components.field(
            text.CRITERIA,
            dcc.RadioItems(
                id=ids.ADD_CRITERIA, className="choice choice-tall", value=sets[0].name if sets else None,
                options=[{"value": item.name, "label": item.title} for item in sets],
            ),
        ),
        dcc.Checklist(id=ids.ADD_AGAIN, value=[], className="choice choice-tall",
                      options=[{"value": "again", "label": text.ADD_AGAIN}, {"value": "ratings", "label": text.ADD_RATINGS}]),
        components.caution(text.CAUTION_ADD),
        html.Div(
            [html.Button(text.ADD, id=ids.ADD_BUTTON, className="button button-main", type="button", disabled=True,
                         **{"aria-describedby": ids.ADD_WAIT}),
             html.Span(id=ids.ADD_WAIT, role="status", className="wait-note"),
             html.Span(id=ids.ADD_BUSY, role="status", className="busy")],
            className="act-row",
        ),
        html.Div(id=ids.ADD_ERROR),
    ]


# ---- files -----------------------------------------------------------------------------------------------------


def look_words(look: Look, names: tuple[str, ...] = (), others_bad: bool = False, to_remember: bool = False) -> Component:
    """How the dropped logs would be read; ``names`` are the columns files, new to the register if ``to_remember``."""
    sentence = text.LOOK.format(
        rows=text.rows_text(look.rows),
        duration=text.duration_text(look.duration_s),
        groups=text.count_text(look.groups, text.LOOK_GROUPS, "groups"),
        temperatures=text.count_text(look.temperatures, text.LOOK_TEMPERATURES, "temperatures"),
        sign=look.discharge_is,
    )
    if others_bad:
        sentence = text.LOOK_REST + sentence[:1].lower() + sentence[1:]
    if names:
        sentence += text.LOOK_COLUMNS.format(names=", ".join(names))
    children: list[Any] = [html.P(sentence)]
    if to_remember:
        children.append(html.P(text.WILL_REMEMBER if look.has_headings else text.CANNOT_REMEMBER))
    if look.warnings:
        children.append(
            html.Div([html.P(text.LOOK_WARNINGS, className="hint"), html.Ul([html.Li(advice.capital(advice.words(words))) for words in look.warnings[:6]])])
        )
    return html.Div(children, className="look")


def _mendable(error: InputError) -> Component:
    """An error that the form of the columns may mend, and what stands there instead once the form reads the log."""
    note = html.P(text.MENDED_BY_FORM, className="mended-note")
    return html.Div([components.error_panel(error, text.NOTHING_STORED), note], className="mendable")


def file_list(files: list[dict[str, Any]], found: Seen) -> Component:
    """Waiting files with how they would be read; what is wrong with a file stands under it."""
    rows = []
    for item in files:
        error = found.bad.get(item["token"])
        rows.append(
            html.Li(
                [
                    html.Span(item["name"], className="file-name"),
                    html.Span(f"{text.FILE_KIND[item['kind']]}, {text.size_text(item['bytes'])}", className="hint"),
                    html.Button(
                        text.REMOVE, id={"type": ids.ADD_REMOVE, "token": item["token"]}, className="button quiet-button",
                        type="button", **{"aria-label": text.FILE_REMOVE.format(name=item["name"])},
                    ),
                    (_mendable(error) if found.on_columns(item) else components.error_panel(error, text.NOTHING_STORED))
                    if error is not None else None,
                ]
            )
        )
    parts: list[Component] = [html.Ul(rows, className="file-list")]
    if found.joint is not None:
        parts.append(_mendable(found.joint))
    if found.look is not None:
        new = found.columns is not None and found.columns.says_something
        parts.append(look_words(found.look, found.used, bool(found.bad), new))
    if not any(item["kind"] == "log" for item in files):
        parts.append(html.P(text.ADD_WAIT["no_log"], className="quiet"))
    return html.Div(parts)


def pack_box(files: list[dict[str, Any]], found: Seen) -> Component:
    """What the dropped pack file says; what is wrong with it stands under Files."""
    name = next((item["name"] for item in files if item["kind"] == "pack"), None)
    if name is None:
        return html.P(text.PACK_FILE_NONE, className="quiet")
    if found.pack is None:
        return html.P(text.PACK_FILE_BAD.format(name=name))
    return html.P(text.PACK_FILE_READ.format(name=name, id=found.pack.id, build=text.build_text(found.pack)))


def wait_words(
    state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None, changed: str = ""
) -> str:
    """Why the run cannot be added yet; empty if it can.

    ``changed`` is not empty while the form of the columns says what is not used, and tells whether it reads the logs.
    """
    if state is None:
        return text.ADD_WAIT["reading"]
    if state.get("why") and changed == columns_form.READS:
        return str(state.get("why_else") or text.ADD_WAIT["columns_read"])
    if state.get("why"):
        return str(state["why"])
    if changed:
        return text.ADD_WAIT["columns"]
    if kind == "existing":
        return "" if existing else text.ADD_WAIT["no_pack"]
    if kind == "new":
        return "" if str(number or "").strip() else text.ADD_WAIT["no_number"]
    return "" if state.get("pack_file") else text.ADD_WAIT["no_pack_file"]


def pack_chosen(
    kind: str, existing: str | None, values: dict[str, Any], limits: dict[str, Any], from_file: Pack | None, door: Door
) -> Pack:
    """The pack that the form names. InputError in the words of the pack file where it cannot be one."""
    if kind == "existing" and existing:
        return door.pack_of(existing)
    if kind == "file" and from_file is not None:
        return from_file
    if kind == "new" and values.get("id"):
        return pack_from_form(values, limits)
    raise InputError(text.ADD_NO_PACK_WHAT, text.THE_FORM, text.ADD_NO_PACK_WHY, text.ADD_NO_PACK_MEND)


# ---- callbacks -------------------------------------------------------------------------------------------------


def _keyed(names: list[dict[str, Any]], values: list[Any]) -> dict[str, Any]:
    return {name["key"]: value for name, value in zip(names, values)}


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the panel."""

    @app.callback(
        Output(ids.ADD_FILES, "data"), Output(ids.ADD_RESULT, "children"), Output(ids.ADD_ERROR, "children"),
        Output(ids.ADD_LEAVE_OUT, "value"),
        Input(ids.ADD_DROP_EVENT, "data"), Input({"type": ids.ADD_REMOVE, "token": ALL}, "n_clicks"),
        Input(ids.ADD_REMOVE_ALL, "n_clicks"), State(ids.ADD_FILES, "data"),
        prevent_initial_call=True,
    )
    def take_files(
        event: dict[str, Any] | None, clicks: list[int | None], all_clicks: int | None, files: list[dict[str, Any]] | None
    ) -> Any:
        held = still_there(files, uploads)
        if ctx.triggered_id == ids.ADD_DROP_EVENT and event:
            errors = [InputError(**{key: str(item[key]) for key in ("what", "where", "why", "mend")})
                      for item in event.get("errors") or []]
            taken, refused = received(event, held, uploads)
            panels = [components.error_panel(error, text.NOTHING_STORED) for error in [*errors, *refused]]
            return taken, panels, None, no_update
        if ctx.triggered_id == ids.ADD_REMOVE_ALL and all_clicks:
            for item in held:
                uploads.remove(item["token"])
            return [], None, None, []
        if isinstance(ctx.triggered_id, dict) and any(clicks):
            token = ctx.triggered_id["token"]
            uploads.remove(token)
            left = [item for item in held if item["token"] != token]
            return left, None, None, no_update if of_kind(left, "log") else []
        if not event and any(item["prop_id"].startswith(f"{ids.ADD_DROP_EVENT}.") for item in ctx.triggered):
            return held, None, None, no_update  # the page was opened: show what was dropped before another page was looked at
        raise PreventUpdate

    @app.callback(
        Output(ids.ADD_FILE_LIST, "children"), Output(ids.ADD_FORM, "hidden"), Output(ids.ADD_PACK_KIND, "value"),
        Output(ids.ADD_PACK_FILE_BOX, "children"), Output(ids.ADD_STATE, "data"),
        Output(ids.ADD_KNOWN_BOX, "hidden"), Output(ids.ADD_KNOWN, "children"),
        Input(ids.ADD_FILES, "data"), Input(ids.ADD_LEAVE_OUT, "value"), State(ids.ADD_STATE, "data"),
        running=[(Output(ids.ADD_BUTTON, "disabled"), True, True),
                 (Output(ids.ADD_WAIT, "children"), text.ADD_WAIT["reading"], "")],
    )
    def show_files(
        files: list[dict[str, Any]] | None, leave_out: list[str] | None, before: dict[str, Any] | None
    ) -> tuple[Any, ...]:
        held = still_there(files, uploads)
        if not held:
            state = {"why": text.ADD_WAIT["no_log"]}
            return None, True, no_update, html.P(text.PACK_FILE_NONE, className="quiet"), state, True, None
        found = seen(held, door, uploads, bool(leave_out))
        known = door.known_columns(uploads.content(of_kind(held, "log"))) if found.known else []
        named = next(iter(of_kind(held, "pack")), None)
        new_pack_file = named is not None and named != (before or {}).get("named")
        state = {
            "why": found.why_not(held), "pack_file": found.pack is not None, "named": named, "form": list(found.form),
            "check": found.to_check, "used": ", ".join(found.used), "why_else": found.why_not_else(held),
            "known": [{"id": item.id, "name": item.name} for item in known],
        }
        words = text.KNOWN_LEFT_OUT if found.left_out else text.KNOWN_USED
        return (
            file_list(held, found), False, "file" if new_pack_file else no_update, pack_box(held, found), state,
            not found.known, words.format(names=", ".join(map(text.used_name, found.known))),
        )

    @app.callback(
        Output(ids.ADD_BUTTON, "disabled"), Output(ids.ADD_WAIT, "children"),
        Input(ids.ADD_STATE, "data"), Input(ids.ADD_PACK_KIND, "value"), Input(ids.ADD_PACK_EXISTING, "value"),
        Input({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value"), Input(ids.COLUMNS_CHANGED, "data"),
    )
    def allow(
        state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None, changed: str | None
    ) -> tuple[bool, str]:
        why = wait_words(state, kind, existing, number, changed or "")
        return bool(why), why

    @app.callback(
        Output(ids.ADD_FILE_LIST, "className"), Output(ids.COLUMNS_FOLD, "className"), Input(ids.COLUMNS_CHANGED, "data"),
    )
    def mark_mended(changed: str | None) -> tuple[str, str]:
        mark = "form-reads" if changed == columns_form.READS else ""
        return mark, f"fold columns-fold {mark}"

    @app.callback(
        Output(ids.ADD_FORGET_BOX, "hidden"), Output(ids.ADD_FORGET_ASK, "children"),
        Input(ids.ADD_FORGET, "n_clicks"), Input(ids.ADD_FORGET_NOT, "n_clicks"), Input(ids.ADD_STATE, "data"),
        prevent_initial_call=True,
    )
    def ask_to_forget(_ask: int | None, _keep: int | None, state: dict[str, Any] | None) -> tuple[bool, str]:
        known = (state or {}).get("known") or []
        asked = ctx.triggered_id == ids.ADD_FORGET and bool(known)
        return not asked, text.FORGET_ASK.format(names=", ".join(text.used_name(item["name"]) for item in known)) if asked else ""

    @app.callback(
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.ADD_LEAVE_OUT, "value", allow_duplicate=True),
        Output(ids.ADD_RESULT, "children", allow_duplicate=True), Output(ids.ADD_FORGET_BOX, "hidden", allow_duplicate=True),
        Input(ids.ADD_FORGET_SURE, "n_clicks"), State(ids.ADD_STATE, "data"), State(ids.ADD_FILES, "data"),
        prevent_initial_call=True,
    )
    def forget(clicks: int | None, state: dict[str, Any] | None, files: list[dict[str, Any]] | None) -> tuple[Any, ...]:
        known = [int(item["id"]) for item in (state or {}).get("known") or []]
        if not clicks or not known:
            raise PreventUpdate
        try:
            names = door.forget_columns(known)
        except InputError as error:
            return still_there(files, uploads), no_update, components.error_panel(error), True
        said = text.FORGOTTEN.format(names=", ".join(map(text.used_name, names)))
        return still_there(files, uploads), [], html.P(said, className="done"), True

    @app.callback(
        Output(ids.ADD_PACK_EXISTING_BOX, "hidden"), Output(ids.ADD_PACK_NEW_BOX, "hidden"),
        Output(ids.ADD_PACK_FILE_BOX, "hidden"), Input(ids.ADD_PACK_KIND, "value"),
    )
    def show_pack_choice(kind: str) -> tuple[bool, bool, bool]:
        return kind != "existing", kind != "new", kind != "file"

    @app.callback(
        Output(ids.URL, "pathname"), Output(ids.URL, "search", allow_duplicate=True),
        Output(ids.ADD_ERROR, "children", allow_duplicate=True), Input(ids.ADD_BUTTON, "n_clicks"),
        State(ids.ADD_FILES, "data"), State(ids.ADD_PACK_KIND, "value"), State(ids.ADD_PACK_EXISTING, "value"),
        State({"type": ids.ADD_PACK_FIELD, "key": ALL}, "id"), State({"type": ids.ADD_PACK_FIELD, "key": ALL}, "value"),
        State({"type": ids.ADD_INSTRUMENT_FIELD, "key": ALL}, "id"),
        State({"type": ids.ADD_INSTRUMENT_FIELD, "key": ALL}, "value"),
        State(ids.ADD_LABEL, "value"), State(ids.ADD_CRITERIA, "value"), State(ids.ADD_AGAIN, "value"),
        State(ids.ADD_LEAVE_OUT, "value"),
        running=[(Output(ids.ADD_BUTTON, "disabled"), True, False), (Output(ids.ADD_BUSY, "children"), text.ADD_BUSY, "")],
        prevent_initial_call=True,
    )
    def add_run(
        clicks: int | None, files: list[dict[str, Any]] | None, kind: str, existing: str | None,
        field_ids: list[dict[str, Any]], field_values: list[Any], limit_ids: list[dict[str, Any]],
        limit_values: list[Any], label: str | None, criteria: str, again: list[str] | None, leave_out: list[str] | None,
    ) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        try:
            held = still_there(files, uploads)
            logs = of_kind(held, "log")
            if not logs:
                raise InputError(text.ADD_NO_LOG_WHAT, text.THE_FORM, text.ADD_NO_LOG_WHY, text.ADD_NO_LOG_MEND)
            toml_errors: dict[str, InputError] = {}
            toml = toml_files(held, uploads, toml_errors)
            for error in toml_errors.values():
                raise error
            pack = pack_chosen(
                kind, existing, _keyed(field_ids, field_values), _keyed(limit_ids, limit_values), toml["pack"], door
            )
            sources = uploads.content(logs)
            used = door.used(sources, toml["columns"], bool(leave_out))
            run_id = door.add(
                sources, pack, (label or "").strip()[:LABEL_LENGTH_MAX], criteria, used, "again" in (again or []),
                "ratings" in (again or []),
            )
        except InputError as error:
            return no_update, no_update, components.error_panel(error, text.NOTHING_STORED)
        for item in held:  # the list on the page empties itself when the panel is shown again
            uploads.remove(item["token"])
        return f"/run/{run_id}", "", None
