"""Adding, the files: what waits, how it would be read, one test or several, what was found in the watched folder."""

from __future__ import annotations

import secrets
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import advice, components, ids, text, text_add
from dashboard.data import Door, Look
from dashboard.pages.add_each import each_list
from dashboard.pages.add_pack import pack_box
from dashboard.uploads import Uploads
from dashboard.waiting import (
    Seen,
    gone,
    item_of,
    list_change,
    of_kind,
    one_or_each,
    received,
    seen,
    seen_each,
    still_there,
)

FOLDER_EVERY_MS = 4000
GUESS_BYTES_MAX = 150_000_000
"""Of more bytes in several logs, each is not read by itself to see whether they belong together."""


# ---- layout ----------------------------------------------------------------------------------------------------


def drop_zone() -> Component:
    """Where files are dropped or chosen."""
    return html.Div(
        [
            html.Div(
                [html.Strong(text.DROP_HERE), html.Span(text_add.DROP_ANYWHERE)], className="drop-words",
            ),
            html.Button(text.DROP_CHOOSE, className="button", type="button", **{"data-drop-choose": "yes"}),
            html.Div(className="drop-progress", role="status", **{"data-drop-progress": "yes"}),
        ],
        className="drop-zone", **{"data-drop": ids.ADD_DROP_EVENT},
    )


def empty() -> Component:
    """What stands there while no file waits: what to do."""
    return html.Div(
        [html.P(text_add.EMPTY, className="empty-title"), html.Ol([html.Li(step) for step in text_add.EMPTY_STEPS])],
        id=ids.ADD_EMPTY, className="empty-state add-empty", hidden=True,
    )


def files_part() -> Component:
    """The waiting files with what is wrong with each."""
    return html.Div(
        [
            html.Div(
                [html.H2(text.FILES_TITLE),
                 html.Button(text.REMOVE_ALL, id=ids.ADD_REMOVE_ALL, type="button", className="button quiet-button")],
                className="files-head",
            ),
            html.Div(id=ids.ADD_FILE_LIST),
            html.Div(
                [
                    html.Div(
                        [html.Span(text_add.HOW, id="add-how-name"),
                         dcc.RadioItems(id=ids.ADD_HOW, className="choice", inline=True,
                                        options=[{"value": key, "label": word} for key, word in text_add.HOW_WORDS.items()])],
                        className="add-how", role="group", **{"aria-labelledby": "add-how-name"},
                    ),
                    html.P(id=ids.ADD_HOW_WHY, className="hint"),
                ],
                id=ids.ADD_HOW_BOX, hidden=True,
            ),
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
    )


def folder_part() -> Component:
    """Place for files that were found in the watched folder."""
    return html.Div(
        [html.Div(id=ids.ADD_FOLDER), dcc.Store(id=ids.ADD_FOLDER_KEPT), dcc.Interval(id=ids.ADD_FOLDER_TICK, interval=FOLDER_EVERY_MS)]
    )


# ---- what is shown ---------------------------------------------------------------------------------------------


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


def look_short(look: Look) -> str:
    """How one of several logs would be read, in a few words."""
    groups = text.count_text(look.groups, text.LOOK_GROUPS, "groups")
    return text_add.LOOK_SHORT.format(rows=text.rows_text(look.rows), duration=text.duration_text(look.duration_s), groups=groups)


def _mendable(error: InputError) -> Component:
    """An error that the form of the columns may mend, and what stands there instead once the form reads the log."""
    note = html.P(text.MENDED_BY_FORM, className="mended-note")
    return html.Div([components.error_panel(error, text.NOTHING_STORED), note], className="mendable")


def _file_line(item: dict[str, Any], more: Any = None, read_as: str = "") -> Component:
    hint = f"{text.FILE_KIND[item['kind']]}, {text.size_text(item['bytes'])}"
    if item.get("folder"):
        hint += ", " + text_add.FROM_FOLDER.format(folder=item["folder"])
    if read_as:
        hint += f" · {read_as}"
    return html.Li(
        [
            html.Span(item["name"], className="file-name"),
            html.Span(hint, className="hint"),
            html.Button(
                text.REMOVE, id={"type": ids.ADD_REMOVE, "token": item["token"]}, className="button quiet-button",
                type="button", **{"aria-label": text.FILE_REMOVE.format(name=item["name"])},
            ),
            more,
        ]
    )


def _gone_line(item: dict[str, Any]) -> Component:
    return _file_line(item, components.caution(text_add.GONE.format(name=item["name"])))


def reading_list(files: list[dict[str, Any]], lost: list[dict[str, Any]]) -> Component:
    """The waiting files while they are read."""
    away = {item["token"] for item in lost}
    rows = [
        _gone_line(item) if item["token"] in away
        else _file_line(item, html.Span(text_add.READING.format(name=item["name"]), className="busy") if item["kind"] == "log" else None)
        for item in files
    ]
    return html.Div(html.Ul(rows, className="file-list", **{"aria-busy": "true"}))


def file_list(files: list[dict[str, Any]], found: Seen, lost: list[dict[str, Any]] = ()) -> Component:  # type: ignore[assignment]
    """Waiting files with how they would be read; what is wrong with a file stands under it."""
    away = {item["token"] for item in lost}
    rows = []
    for item in files:
        if item["token"] in away:
            rows.append(_gone_line(item))
            continue
        error, look = found.bad.get(item["token"]), found.each.get(item["token"])
        told = None
        if error is not None:
            told = _mendable(error) if found.on_columns(item) else components.error_panel(error, text.NOTHING_STORED)
        rows.append(_file_line(item, told, look_short(look) if look is not None else ""))
    parts: list[Component] = [html.Ul(rows, className="file-list")]
    if found.joint is not None:
        parts.append(_mendable(found.joint))
    if found.look is not None:
        new = found.columns is not None and found.columns.says_something
        parts.append(look_words(found.look, found.used, bool(found.bad), new))
    if not any(item["kind"] == "log" for item in files):
        parts.append(html.P(text.ADD_WAIT["no_log"], className="quiet"))
    return html.Div(parts)


def folder_list(uploads: Uploads) -> Component | None:
    """Files that were found in the watched folder and wait for somebody; None if there are none."""
    found = uploads.from_folder()
    if not found:
        return None
    rows = [
        html.Li(
            [
                html.Span(item.name, className="file-name"), html.Span(text.size_text(item.bytes), className="hint"),
                html.Button(text_add.FOLDER_TAKE, id={"type": ids.ADD_TAKE, "token": item.token}, type="button", className="button",
                            **{"aria-label": text_add.FOLDER_TAKE_NAME.format(name=item.name)}),
            ]
        )
        for item in found
    ]
    return html.Section(
        [html.H2(text_add.FOLDER_TITLE), html.P(text_add.FOLDER_MORE, className="hint"), html.Ul(rows, className="file-list")],
        className="part add-found", **{"aria-label": text_add.FOLDER_TITLE},
    )


# ---- one test or several ---------------------------------------------------------------------------------------


def how_read(
    held: list[dict[str, Any]], kept: dict[str, Any] | None, door: Door, uploads: Uploads, leave_out: bool
) -> tuple[Seen, str, str]:
    """What the files hold, whether they are "one" test or one "each", and why, as a key of the words."""
    logs = of_kind(held, "log")
    said = kept["how"] if kept and set(kept.get("for") or ()) & set(logs) and kept.get("how") in text_add.HOW_WORDS else None
    if said == "each":
        return seen_each(held, door, uploads, leave_out), "each", "said"
    if len(logs) < 2 or said == "one":
        return seen(held, door, uploads, leave_out), "one", "said" if said else ""
    if sum(item["bytes"] for item in held) > GUESS_BYTES_MAX:
        return seen(held, door, uploads, leave_out), "one", "unknown"
    apart = seen_each(held, door, uploads, leave_out)
    named = {item["token"]: next(iter(door.packs_named(item["name"], item.get("folder", ""))), None) for item in held if item["kind"] == "log"}
    how, why = one_or_each(held, apart.each, named)
    return (apart if how == "each" else seen(held, door, uploads, leave_out)), how, why


def why_words(how: str, why: str) -> str:
    """Why logs are taken as one test or as several."""
    return text_add.HOW_WHY.get("said" if why == "said" else (how, why), "")


def known_of(held: list[dict[str, Any]], door: Door, uploads: Uploads) -> list[dict[str, Any]]:
    """Columns files that the register knows for the waiting logs."""
    known = {item.id: item.name for token in of_kind(held, "log") for item in door.known_columns(uploads.content([token]))}
    return [{"id": number, "name": name} for number, name in known.items()]


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the files."""

    @app.callback(
        Output(ids.ADD_FILES, "data"), Output(ids.ADD_SAID, "data"), Input(ids.ADD_DROP_EVENT, "data"), State(ids.ADD_FILES, "data"),
        prevent_initial_call=True,
    )
    def take_dropped(event: dict[str, Any] | None, files: list[dict[str, Any]] | None) -> Any:
        if not event:
            raise PreventUpdate
        before = list(files or [])
        taken, refused = received(event, before, uploads)
        told = [{key: str(item[key]) for key in ("what", "where", "why", "mend")} for item in event.get("errors") or []]
        told += [error.parts() for error in refused]
        return list_change(before, taken), {"errors": told, "count": event.get("count")}

    app.clientside_callback(ClientsideFunction(namespace="dropping", function_name="heard"), Input(ids.ADD_DROP_HEARD, "data"), prevent_initial_call=True)

    @app.callback(Output(ids.ADD_RESULT, "children"), Output(ids.ADD_DROP_HEARD, "data"), Input(ids.ADD_SAID, "data"))
    def say(said: dict[str, Any] | None) -> Any:
        told = said or {}
        shown = [components.error_panel(InputError(**error), text.NOTHING_STORED) for error in told.get("errors") or []]
        return shown, told.get("count") or no_update

    # Taken out of the list by the browser itself: an answer that comes late, or a list that is drawn anew meanwhile, must not undo the press.
    app.clientside_callback(
        ClientsideFunction(namespace="adding", function_name="letGo"),
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.ADD_SAID, "data", allow_duplicate=True), Output(ids.ADD_LEAVE_OUT, "value"),
        Output(ids.ADD_LET_GO, "data"),
        Input({"type": ids.ADD_REMOVE, "token": ALL}, "n_clicks"), Input(ids.ADD_REMOVE_ALL, "n_clicks"), State(ids.ADD_FILES, "data"),
        prevent_initial_call=True,
    )

    @app.callback(Input(ids.ADD_LET_GO, "data"), prevent_initial_call=True)
    def give_back(tokens: list[str] | None) -> None:
        for token in tokens or []:
            uploads.give_back(str(token))

    @app.callback(
        Output(ids.ADD_FILE_LIST, "children"), Output(ids.ADD_FORM, "hidden"), Output(ids.ADD_EMPTY, "hidden"),
        Output(ids.ADD_ASK, "data"), Input(ids.ADD_FILES, "data"),
    )
    def list_files(files: list[dict[str, Any]] | None) -> tuple[Any, ...]:
        ask = {"n": secrets.token_hex(6)}
        if not files:
            return None, True, False, ask
        return reading_list(files, gone(files, uploads)), False, True, ask

    @app.callback(
        Output(ids.ADD_FILE_LIST, "children", allow_duplicate=True), Output(ids.ADD_PACK_KIND, "value"),
        Output(ids.ADD_PACK_FILE_BOX, "children"), Output(ids.ADD_STATE, "data"),
        Output(ids.ADD_KNOWN_BOX, "hidden"), Output(ids.ADD_KNOWN, "children"),
        Output(ids.ADD_HOW_BOX, "hidden"), Output(ids.ADD_HOW, "value"), Output(ids.ADD_HOW_WHY, "children"),
        Output(ids.ADD_EACH, "children"),
        Input(ids.ADD_ASK, "data"), Input(ids.ADD_LEAVE_OUT, "value"), Input(ids.ADD_HOW_KEPT, "data"),
        State(ids.ADD_FILES, "data"), State(ids.ADD_STATE, "data"), State(ids.ADD_PICKED, "data"), State(ids.ADD_JOB, "data"),
        prevent_initial_call=True,
    )
    def read_files(
        ask: dict[str, Any] | None, leave_out: list[str] | None, kept: dict[str, Any] | None, files: list[dict[str, Any]] | None,
        before: dict[str, Any] | None, picked: dict[str, str] | None, job: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        asked = (ask or {}).get("n")
        if not files:
            state = {"why": text.ADD_WAIT["no_log"], "asked": asked, "left_out": bool(leave_out), "kept": kept}
            return None, no_update, html.P(text.PACK_FILE_NONE, className="quiet"), state, True, None, True, None, "", None
        held, lost = still_there(files, uploads), gone(files, uploads)
        found, how, why = how_read(held, kept, door, uploads, bool(leave_out))
        known = known_of(held, door, uploads) if found.known else []
        named = next(iter(of_kind(held, "pack")), None)
        new_pack_file = named is not None and named != (before or {}).get("named")
        logs = [item for item in held if item["kind"] == "log"]
        away = text_add.GONE_WAIT.format(name=", ".join(item["name"] for item in lost)) if lost else ""
        why_not = found.why_not(held)
        if how == "each" and not found.each and logs:
            why_not = text_add.EACH_NONE
        state = {
            "why": away or why_not, "pack_file": found.pack is not None, "named": named, "form": list(found.form),
            "check": found.to_check, "used": ", ".join(found.used), "why_else": away or found.why_not_else(held),
            "known": known, "asked": asked, "left_out": bool(leave_out), "kept": kept, "how": how, "logs": [item["token"] for item in logs],
            "good": [item["key"] for item in logs if item["token"] in found.each],
            "pack_id": found.pack.id if found.pack is not None else None,
        }
        words = text.KNOWN_LEFT_OUT if found.left_out else text.KNOWN_USED
        ask_how = len(logs) > 1 or how == "each"
        as_before = before is not None and (before.get("logs"), before.get("how")) == (state["logs"], how)
        return (
            file_list(files, found, lost), "file" if new_pack_file else no_update, pack_box(held, found), state,
            not found.known, words.format(names=", ".join(map(text.used_name, found.known))),
            not ask_how, no_update if as_before else how, why_words(how, why),
            each_list(logs, found, door, picked or {}, job or {}) if how == "each" else None,
        )

    @app.callback(
        Output(ids.ADD_HOW_KEPT, "data"), Input(ids.ADD_HOW, "value"), State(ids.ADD_STATE, "data"), prevent_initial_call=True,
    )
    def keep_how(how: str | None, state: dict[str, Any] | None) -> dict[str, Any]:
        if how is None or not state or how == state.get("how"):
            raise PreventUpdate
        return {"for": state.get("logs") or [], "how": how}

    @app.callback(Output(ids.ADD_FORGET_ASK, "children"), Input(ids.ADD_STATE, "data"), prevent_initial_call=True)
    def word_the_question(state: dict[str, Any] | None) -> str:
        known = (state or {}).get("known") or []
        return text.FORGET_ASK.format(names=", ".join(text.used_name(item["name"]) for item in known)) if known else ""

    # Opened and closed by the browser itself: news of the files that comes meanwhile must not swallow the press.
    app.clientside_callback(
        ClientsideFunction(namespace="adding", function_name="askToForget"), Output(ids.ADD_FORGET_BOX, "hidden"),
        Input(ids.ADD_FORGET, "n_clicks"), Input(ids.ADD_FORGET_NOT, "n_clicks"), Input(ids.ADD_STATE, "data"), prevent_initial_call=True,
    )

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
            return list_change(files, list(files or [])), no_update, components.error_panel(error), True
        said = text.FORGOTTEN.format(names=", ".join(map(text.used_name, names)))
        return list_change(files, list(files or [])), [], html.P(said, className="done"), True

    @app.callback(
        Output(ids.ADD_FOLDER, "children"), Output(ids.ADD_FOLDER_KEPT, "data"),
        Input(ids.ADD_FOLDER_TICK, "n_intervals"), Input(ids.ADD_FILES, "data"), State(ids.ADD_FOLDER_KEPT, "data"),
    )
    def show_folder(_tick: int | None, _files: Any, before: list[str] | None) -> tuple[Any, Any]:
        now = [item.token for item in uploads.from_folder()]
        if now == (before if before is not None else None):
            raise PreventUpdate
        return folder_list(uploads), now

    # Handed on by the browser, so that buttons that are drawn anew do not pass for a press and overtake one.
    app.clientside_callback(
        ClientsideFunction(namespace="adding", function_name="pressedTokens"), Output(ids.ADD_TAKE_ASK, "data"),
        Input({"type": ids.ADD_TAKE, "token": ALL}, "n_clicks"), prevent_initial_call=True,
    )

    @app.callback(
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.ADD_SAID, "data", allow_duplicate=True),
        Input(ids.ADD_TAKE_ASK, "data"), State(ids.ADD_FILES, "data"), prevent_initial_call=True,
    )
    def take_found(ask: dict[str, Any] | None, files: list[dict[str, Any]] | None) -> Any:
        if not ask:
            raise PreventUpdate
        before, told = list(files or []), []
        here = {item["token"] for item in before}
        after = list(before)
        for token in ask["tokens"]:
            try:
                after += [item_of(uploads.take(str(token), str(ask["tab"])))] if token not in here else []
            except InputError as error:
                told += [error.parts()] if token == ask["tokens"][-1] else []  # the others were asked for before
        return list_change(before, after), {"errors": told}
