"""Adding a run: dropped files, how they would be read, which pack they belong to, and the act itself."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from dashboard import advice, components, ids, text
from dashboard.data import (
    CHEMISTRIES,
    Door,
    Look,
    Pack,
    columns_from_text,
    is_pack_text,
    pack_from_form,
    pack_from_text,
)
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
                        ],
                        className="add-files",
                    ),
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
        if hint:
            control.placeholder = hint
        fields.append(components.field(label, control))
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


def kind_of(name: str, read: Any) -> str:
    """log, pack or columns; ``read`` gives the bytes of a .toml file."""
    if not name.lower().endswith(".toml"):
        return "log"
    try:
        return "pack" if is_pack_text(read().decode("utf-8-sig")) else "columns"
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return "pack"


def received(
    event: dict[str, Any] | None, files: list[dict[str, Any]], uploads: Uploads
) -> tuple[list[dict[str, Any]], list[InputError]]:
    """The list of waiting files after a drop, and why others are not in it.

    Only files that this server really holds are taken, and each content once.
    """
    known = {item["token"] for item in files}
    taken, errors = list(files), []
    for item in (event or {}).get("files") or []:
        token = str(item.get("token"))
        if token in known:
            continue
        try:
            dropped = uploads.get(token)
        except InputError as error:
            errors.append(error)
            continue
        twin = next((other["name"] for other in taken if uploads.get(other["token"]).sha256 == dropped.sha256), None)
        if twin is not None:
            uploads.remove(token)
            errors.append(
                InputError(text.SAME_FILE, dropped.name, text.SAME_FILE_WHY.format(name=twin), text.SAME_FILE_MEND)
            )
            continue
        small = dropped.bytes <= TOML_BYTES_MAX
        kind = kind_of(dropped.name, dropped.path.read_bytes) if small else "log"
        taken.append({"token": token, "name": dropped.name, "bytes": dropped.bytes, "kind": kind})
    return taken, errors


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


def text_of(item: dict[str, Any], uploads: Uploads) -> str:
    """Text of a waiting .toml file. InputError if it is no text."""
    name, raw = uploads.content([item["token"]])[0]
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(text.NOT_UTF8, name, text.NOT_UTF8_WHY, text.NOT_UTF8_MEND) from None


@dataclass(frozen=True, slots=True)
class Seen:
    """What the waiting files hold. ``bad`` says by token why a file cannot be used, ``joint`` why the logs do not fit
    together; ``look`` is how the good logs would be read, ``pack`` and ``columns`` what the .toml files say."""

    bad: dict[str, InputError]
    joint: InputError | None
    look: Look | None
    pack: Pack | None
    columns: Any

    def why_not(self, files: list[dict[str, Any]]) -> str:
        """Why the files cannot be added, in words; empty if they can."""
        names = [item["name"] for item in files if item["token"] in self.bad]
        if names:
            return text.ADD_WAIT["bad_file"].format(name=", ".join(names))
        if self.joint is not None:
            return text.ADD_WAIT["bad_parts"]
        return "" if self.look is not None else text.ADD_WAIT["no_log"]


def _pack_named(content: str, name: str) -> Pack:
    pack = pack_from_text(content, name)
    if not pack.id:
        raise InputError(text.PACK_NO_ID_WHAT, name, text.PACK_NO_ID_WHY, text.PACK_NO_ID_MEND)
    return pack


def _toml_files(files: list[dict[str, Any]], uploads: Uploads, bad: dict[str, InputError]) -> dict[str, Any]:
    """The pack and the columns file among the waiting files, by kind; the second of a kind is bad."""
    read = {"pack": _pack_named, "columns": columns_from_text}
    found: dict[str, Any] = {"pack": None, "columns": None}
    first: dict[str, str] = {}
    for item in files:
        kind = item["kind"]
        if kind not in read:
            continue
        try:
            if kind in first:
                why = text.TWO_FILES_WHY.format(name=first[kind])
                raise InputError(text.TWO_FILES[kind], item["name"], why, text.TWO_FILES_MEND)
            first[kind] = item["name"]
            found[kind] = read[kind](text_of(item, uploads), item["name"])
        except InputError as error:
            bad[item["token"]] = error
    return found


def seen(files: list[dict[str, Any]], door: Door, uploads: Uploads) -> Seen:
    """Read the waiting files without keeping anything; each file that fails has an error of its own."""
    bad: dict[str, InputError] = {}
    toml = _toml_files(files, uploads, bad)
    columns = toml["columns"]
    columns_token = next((item["token"] for item in files if item["kind"] == "columns"), None)
    logs = [item["token"] for item in files if item["kind"] == "log"]
    look, joint = None, None

    def read(tokens: list[str]) -> Look:
        return door.look(uploads.content(tokens), columns)

    if logs:
        try:
            look = read(logs)
        except InputError as error:
            joint = error
            for token in logs:
                alone: InputError | None = error
                if len(logs) > 1:
                    try:
                        read([token])
                        alone = None
                    except InputError as own:
                        alone = own
                if alone is not None:
                    joint = None
                    from_columns = columns is not None and str(alone.where).split(":")[0] == columns.file
                    bad[columns_token if from_columns and columns_token else token] = alone
            good = [token for token in logs if token not in bad]
            if bad and good and len(good) < len(logs):
                try:
                    look = read(good)
                except InputError as rest:
                    joint = rest
    return Seen(bad, joint, look, toml["pack"], columns)


def look_words(look: Look, columns_name: str = "", others_bad: bool = False) -> Component:
    """How the dropped logs would be read."""
    sentence = text.LOOK.format(
        rows=f"{look.rows:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"),
        duration=text.duration_text(look.duration_s),
        groups=text.count_text(look.groups, text.LOOK_GROUPS, "groups"),
        temperatures=text.count_text(look.temperatures, text.LOOK_TEMPERATURES, "temperatures"),
        sign=look.discharge_is,
    )
    if others_bad:
        sentence = text.LOOK_REST + sentence[:1].lower() + sentence[1:]
    if columns_name:
        sentence += text.LOOK_COLUMNS.format(name=columns_name)
    children: list[Any] = [html.P(sentence)]
    if look.warnings:
        children.append(
            html.Div([html.P(text.LOOK_WARNINGS, className="hint"), html.Ul([html.Li(advice.capital(advice.words(words))) for words in look.warnings[:6]])])
        )
    return html.Div(children, className="look")


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
                    components.error_panel(error, text.NOTHING_STORED) if error is not None else None,
                ]
            )
        )
    parts: list[Component] = [html.Ul(rows, className="file-list")]
    if found.joint is not None:
        parts.append(components.error_panel(found.joint, text.NOTHING_STORED))
    if found.look is not None:
        parts.append(look_words(found.look, found.columns.file if found.columns is not None else "", bool(found.bad)))
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


def wait_words(state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None) -> str:
    """Why the run cannot be added yet; empty if it can."""
    if state is None:
        return text.ADD_WAIT["reading"]
    if state.get("why"):
        return str(state["why"])
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
            return taken, panels, None
        if ctx.triggered_id == ids.ADD_REMOVE_ALL and all_clicks:
            for item in held:
                uploads.remove(item["token"])
            return [], None, None
        if isinstance(ctx.triggered_id, dict) and any(clicks):
            token = ctx.triggered_id["token"]
            uploads.remove(token)
            return [item for item in held if item["token"] != token], None, None
        if not event and any(item["prop_id"].startswith(f"{ids.ADD_DROP_EVENT}.") for item in ctx.triggered):
            return held, None, None  # the page was opened: show what was dropped before another page was looked at
        raise PreventUpdate

    @app.callback(
        Output(ids.ADD_FILE_LIST, "children"), Output(ids.ADD_FORM, "hidden"), Output(ids.ADD_PACK_KIND, "value"),
        Output(ids.ADD_PACK_FILE_BOX, "children"), Output(ids.ADD_STATE, "data"),
        Input(ids.ADD_FILES, "data"), State(ids.ADD_STATE, "data"),
        running=[(Output(ids.ADD_BUTTON, "disabled"), True, True),
                 (Output(ids.ADD_WAIT, "children"), text.ADD_WAIT["reading"], "")],
    )
    def show_files(files: list[dict[str, Any]] | None, before: dict[str, Any] | None) -> tuple[Any, ...]:
        held = still_there(files, uploads)
        if not held:
            return None, True, no_update, html.P(text.PACK_FILE_NONE, className="quiet"), {"why": text.ADD_WAIT["no_log"]}
        found = seen(held, door, uploads)
        named = next((item["token"] for item in held if item["kind"] == "pack"), None)
        new_pack_file = named is not None and named != (before or {}).get("named")
        state = {"why": found.why_not(held), "pack_file": found.pack is not None, "named": named}
        return file_list(held, found), False, "file" if new_pack_file else no_update, pack_box(held, found), state

    @app.callback(
        Output(ids.ADD_BUTTON, "disabled"), Output(ids.ADD_WAIT, "children"),
        Input(ids.ADD_STATE, "data"), Input(ids.ADD_PACK_KIND, "value"), Input(ids.ADD_PACK_EXISTING, "value"),
        Input({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value"),
    )
    def allow(state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None) -> tuple[bool, str]:
        why = wait_words(state, kind, existing, number)
        return bool(why), why

    @app.callback(
        Output(ids.ADD_PACK_EXISTING_BOX, "hidden"), Output(ids.ADD_PACK_NEW_BOX, "hidden"),
        Output(ids.ADD_PACK_FILE_BOX, "hidden"), Input(ids.ADD_PACK_KIND, "value"),
    )
    def show_pack_choice(kind: str) -> tuple[bool, bool, bool]:
        return kind != "existing", kind != "new", kind != "file"

    @app.callback(
        Output(ids.URL, "pathname"), Output(ids.URL, "search", allow_duplicate=True),
        Output(ids.ADD_ERROR, "children", allow_duplicate=True), Output(ids.ADD_FILES, "data", allow_duplicate=True),
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
            toml_errors: dict[str, InputError] = {}
            toml = _toml_files(held, uploads, toml_errors)
            for error in toml_errors.values():
                raise error
            pack = pack_chosen(
                kind, existing, _keyed(field_ids, field_values), _keyed(limit_ids, limit_values), toml["pack"], door
            )
            run_id = door.add(
                uploads.content(logs), pack, (label or "").strip()[:LABEL_LENGTH_MAX], criteria, toml["columns"],
                "again" in (again or []), "ratings" in (again or []),
            )
        except InputError as error:
            return no_update, no_update, components.error_panel(error, text.NOTHING_STORED), no_update
        for item in held:
            uploads.remove(item["token"])
        return f"/run/{run_id}", "", None, []
