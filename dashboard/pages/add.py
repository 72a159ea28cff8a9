"""Adding a run: dropped files, how they would be read, which pack they belong to, and the act itself."""

from __future__ import annotations

import tomllib
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from dashboard import components, ids, text
from dashboard.data import CHEMISTRIES, Door, Look, Pack, is_pack_text, pack_from_form, pack_from_text
from dashboard.uploads import Uploads

TOML_BYTES_MAX = 200_000
LABEL_LENGTH_MAX = 120


# ---- layout ----------------------------------------------------------------------------------------------------


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
            dcc.Store(id=ids.ADD_FILES, data=[], storage_type="session"),
            html.Div(id=ids.ADD_RESULT, role="status"),
            html.Div(
                [
                    html.Div([html.H2(text.FILES_TITLE), components.loading(html.Div(id=ids.ADD_FILE_LIST))],
                             className="add-files"),
                    html.Div([html.H2(text.PACK_WHICH), *_pack_choice(door)], className="add-pack"),
                    html.Div([html.H2(text.DROP_TITLE), *_act(door)], className="add-act"),
                ],
                id=ids.ADD_FORM, hidden=True, className="add-form",
            ),
        ],
        id=ids.ADD_PANEL, className="add-panel no-print", **{"aria-label": text.DROP_TITLE},
    )


def _pack_choice(door: Door) -> list[Component]:
    packs = door.packs()
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
        fields.append(components.field(label, control, hint))
        if key == "id":
            chemistry = dcc.Dropdown(
                id={"type": ids.ADD_PACK_FIELD, "key": "chemistry"}, placeholder=text.UNKNOWN_CHOICE,
                options=[{"value": key, "label": record_text.CHEMISTRY_WORDS.get(key, key)} for key in CHEMISTRIES],
            )
            fields.append(components.field(text.CHEMISTRY, chemistry))
    limits = [
        components.field(
            label,
            dcc.Input(
                id={"type": ids.ADD_INSTRUMENT_FIELD, "key": key}, type="number", step="any", min=0, autoComplete="off",
            ),
        )
        for key, label in text.INSTRUMENT_FIELDS
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
        dcc.Checklist(id=ids.ADD_AGAIN, options=[{"value": "again", "label": text.ADD_AGAIN}], value=[], className="choice"),
        components.caution(text.CAUTION_ADD),
        html.Div(
            [html.Button(text.ADD, id=ids.ADD_BUTTON, className="button button-main", type="button"),
             html.Span(id=ids.ADD_BUSY, role="status", className="busy")],
            className="act-row",
        ),
    ]


# ---- files -----------------------------------------------------------------------------------------------------


def kind_of(name: str, read: Any) -> str:
    """log, pack or columns; ``read`` gives the bytes of a .toml file."""
    if not name.lower().endswith(".toml"):
        return "log"
    try:
        return "pack" if is_pack_text(read().decode("utf-8-sig")) else "columns"
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return "pack"


def received(event: dict[str, Any] | None, files: list[dict[str, Any]], uploads: Uploads) -> list[dict[str, Any]]:
    """The list of waiting files after a drop; only files that this server really holds are taken."""
    known = {item["token"] for item in files}
    taken = list(files)
    for item in (event or {}).get("files") or []:
        token = str(item.get("token"))
        if token in known:
            continue
        dropped = uploads.get(token)
        small = dropped.bytes <= TOML_BYTES_MAX
        kind = kind_of(dropped.name, dropped.path.read_bytes) if small else "log"
        taken.append({"token": token, "name": dropped.name, "bytes": dropped.bytes, "kind": kind})
    return taken


def still_there(files: list[dict[str, Any]] | None, uploads: Uploads) -> list[dict[str, Any]]:
    """Waiting files that the server still holds."""
    kept = []
    for item in files or []:
        try:
            uploads.get(str(item.get("token")))
        except InputError:
            continue
        kept.append(item)
    return kept


def one_text(files: list[dict[str, Any]], kind: str, uploads: Uploads) -> tuple[str, str] | None:
    """Name and text of the one waiting pack or columns file, or None. InputError if there are two or it is no text."""
    found = [item for item in files if item["kind"] == kind]
    if not found:
        return None
    if len(found) > 1:
        raise InputError(
            text.TWO_FILES[kind], found[1]["name"], f"{found[0]['name']} is there already", text.TWO_FILES_MEND
        )
    name, raw = uploads.content([found[0]["token"]])[0]
    try:
        return name, raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(text.NOT_UTF8, name, text.NOT_UTF8_WHY, text.NOT_UTF8_MEND) from None


def look_words(look: Look) -> Component:
    """How the dropped logs would be read."""
    sentence = text.LOOK.format(
        rows=f"{look.rows:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"),
        duration=text.duration_text(look.duration_s),
        groups=text.count_text(look.groups, text.LOOK_GROUPS, "groups"),
        temperatures=text.count_text(look.temperatures, text.LOOK_TEMPERATURES, "temperatures"),
        sign=look.discharge_is,
    )
    children: list[Any] = [html.P(sentence)]
    if look.warnings:
        children.append(
            html.Div([html.P(text.LOOK_WARNINGS, className="hint"), html.Ul([html.Li(words) for words in look.warnings[:6]])])
        )
    return html.Div(children, className="look")


def file_list(files: list[dict[str, Any]], door: Door, uploads: Uploads) -> tuple[Component, bool]:
    """Waiting files with how they would be read, and whether they can be added."""
    rows = [
        html.Li(
            [
                html.Span(item["name"], className="file-name"),
                html.Span(f"{text.FILE_KIND[item['kind']]}, {text.size_text(item['bytes'])}", className="hint"),
                html.Button(
                    text.REMOVE, id={"type": ids.ADD_REMOVE, "token": item["token"]}, className="button quiet-button",
                    type="button", **{"aria-label": text.FILE_REMOVE.format(name=item["name"])},
                ),
            ]
        )
        for item in files
    ]
    logs = [item["token"] for item in files if item["kind"] == "log"]
    if not logs:
        return html.Div([html.Ul(rows, className="file-list"), html.P(text.ADD_NO_LOG_WHY, className="quiet")]), False
    try:
        columns = one_text(files, "columns", uploads)
        found = look_words(door.look(uploads.content(logs), columns[1] if columns else None))
        good = True
    except InputError as error:
        found, good = components.error_panel(error, text.NOTHING_STORED), False
    return html.Div([html.Ul(rows, className="file-list"), found]), good


def pack_chosen(
    kind: str, existing: str | None, values: dict[str, Any], limits: dict[str, Any], files: list[dict[str, Any]],
    door: Door, uploads: Uploads,
) -> Pack:
    """The pack that the form names. InputError in the words of the pack file where it cannot be one."""
    if kind == "existing":
        if not existing:
            raise InputError(text.ADD_NO_PACK_WHAT, text.THE_FORM, text.ADD_NO_PACK_WHY, text.ADD_NO_PACK_MEND)
        return door.pack_of(existing)
    if kind == "file":
        found = one_text(files, "pack", uploads)
        if found is None:
            raise InputError(text.ADD_NO_PACK_WHAT, text.THE_FORM, text.PACK_FILE_NONE, text.ADD_NO_PACK_MEND)
        return pack_from_text(found[1], found[0])
    if not values.get("id"):
        raise InputError(text.ADD_NO_PACK_WHAT, text.THE_FORM, text.ADD_NO_PACK_WHY, text.ADD_NO_PACK_MEND)
    return pack_from_form(values, limits)


# ---- callbacks -------------------------------------------------------------------------------------------------


def _keyed(names: list[dict[str, Any]], values: list[Any]) -> dict[str, Any]:
    return {name["key"]: value for name, value in zip(names, values)}


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the panel."""

    @app.callback(
        Output(ids.ADD_FILES, "data"), Output(ids.ADD_RESULT, "children"),
        Input(ids.ADD_DROP_EVENT, "data"), Input({"type": ids.ADD_REMOVE, "token": ALL}, "n_clicks"),
        State(ids.ADD_FILES, "data"),
        prevent_initial_call=True,
    )
    def take_files(event: dict[str, Any] | None, clicks: list[int | None], files: list[dict[str, Any]] | None) -> Any:
        held = still_there(files, uploads)
        if ctx.triggered_id == ids.ADD_DROP_EVENT:
            errors = [InputError(**{key: str(item[key]) for key in ("what", "where", "why", "mend")})
                      for item in (event or {}).get("errors") or []]
            return received(event, held, uploads), [components.error_panel(error, text.NOTHING_STORED) for error in errors]
        if isinstance(ctx.triggered_id, dict) and any(clicks):
            token = ctx.triggered_id["token"]
            uploads.remove(token)
            return [item for item in held if item["token"] != token], None
        raise PreventUpdate

    @app.callback(
        Output(ids.ADD_FILE_LIST, "children"), Output(ids.ADD_FORM, "hidden"), Output(ids.ADD_PACK_KIND, "value"),
        Output(ids.ADD_PACK_FILE_BOX, "children"), Output(ids.ADD_BUTTON, "disabled"),
        Input(ids.ADD_FILES, "data"), State(ids.ADD_PACK_KIND, "value"),
    )
    def show_files(files: list[dict[str, Any]] | None, kind: str) -> tuple[Any, ...]:
        held = still_there(files, uploads)
        if not held:
            return None, True, no_update, html.P(text.PACK_FILE_NONE, className="quiet"), True
        shown, good = file_list(held, door, uploads)
        try:
            found = one_text(held, "pack", uploads)
            box: Any = html.P(text.PACK_FILE_NONE, className="quiet")
            if found is not None:
                pack = pack_from_text(found[1], found[0])
                words = text.PACK_FILE_READ if pack.id else text.PACK_FILE_NO_ID
                box = html.P(words.format(name=found[0], id=pack.id, build=text.build_text(pack)))
        except InputError as error:
            box = components.error_panel(error)
        return shown, False, "file" if any(item["kind"] == "pack" for item in held) else no_update, box, not good

    @app.callback(
        Output(ids.ADD_PACK_EXISTING_BOX, "hidden"), Output(ids.ADD_PACK_NEW_BOX, "hidden"),
        Output(ids.ADD_PACK_FILE_BOX, "hidden"), Input(ids.ADD_PACK_KIND, "value"),
    )
    def show_pack_choice(kind: str) -> tuple[bool, bool, bool]:
        return kind != "existing", kind != "new", kind != "file"

    @app.callback(
        Output(ids.URL, "pathname"), Output(ids.URL, "search", allow_duplicate=True),
        Output(ids.ADD_RESULT, "children", allow_duplicate=True), Output(ids.ADD_FILES, "data", allow_duplicate=True),
        Input(ids.ADD_BUTTON, "n_clicks"),
        State(ids.ADD_FILES, "data"), State(ids.ADD_PACK_KIND, "value"), State(ids.ADD_PACK_EXISTING, "value"),
        State({"type": ids.ADD_PACK_FIELD, "key": ALL}, "id"), State({"type": ids.ADD_PACK_FIELD, "key": ALL}, "value"),
        State({"type": ids.ADD_INSTRUMENT_FIELD, "key": ALL}, "id"),
        State({"type": ids.ADD_INSTRUMENT_FIELD, "key": ALL}, "value"),
        State(ids.ADD_LABEL, "value"), State(ids.ADD_CRITERIA, "value"), State(ids.ADD_AGAIN, "value"),
        running=[(Output(ids.ADD_BUTTON, "disabled"), True, False), (Output(ids.ADD_BUSY, "children"), text.ADD_BUSY, "")],
        prevent_initial_call=True,
    )
    def add_run(
        clicks: int | None, files: list[dict[str, Any]] | None, kind: str, existing: str | None,
        field_ids: list[dict[str, Any]], field_values: list[Any], limit_ids: list[dict[str, Any]],
        limit_values: list[Any], label: str | None, criteria: str, again: list[str] | None,
    ) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        try:
            held = still_there(files, uploads)
            logs = [item["token"] for item in held if item["kind"] == "log"]
            if not logs:
                raise InputError(text.ADD_NO_LOG_WHAT, text.THE_FORM, text.ADD_NO_LOG_WHY, text.ADD_NO_LOG_MEND)
            pack = pack_chosen(
                kind, existing, _keyed(field_ids, field_values), _keyed(limit_ids, limit_values), held, door, uploads
            )
            columns = one_text(held, "columns", uploads)
            run_id = door.add(
                uploads.content(logs), pack, (label or "").strip()[:LABEL_LENGTH_MAX], criteria,
                columns[1] if columns else None, bool(again),
            )
        except InputError as error:
            return no_update, no_update, components.error_panel(error, text.NOTHING_STORED), no_update
        for item in held:
            uploads.remove(item["token"])
        return f"/run/{run_id}", "", None, []
