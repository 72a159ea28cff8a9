"""The watched folder, a part of the page for adding: its path, start and stop, what was found and what became of it."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from typing import TYPE_CHECKING, Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate
from flask import request

from cycler.errors import InputError
from cycler.whose import BY_HAND
from dashboard import advice, components, ids
from dashboard import text_watching as text
from dashboard.data import Door
from dashboard.security import LOCAL_HOSTS
from dashboard.uploads import Uploads

if TYPE_CHECKING:
    from cycler.watching import Event
    from dashboard.data import WatchedFolder

ROWS_SHOWN = 30
"""Files shown of one folder; those that need a person come first."""

_LOCAL_ADDRESSES = ("127.0.0.1", "::1")
_RANK = {"waits": 0, "reading": 1, "growing": 2, "new": 2, "not_read": 3}
_SHAPE = {"waits": "flag flag-caution", "not_read": "flag flag-caution", "added": "", "already_there": ""}


# ---- layout ----------------------------------------------------------------------------------------------------


def panel(door: Door) -> Component:
    """The part of the page, with the folders as they stand."""
    folders = door.watched_folders()
    return _panel(folder_list(folders), bool(folders))


def skeleton() -> Component:
    """Every component of the part, for the checks at start."""
    return html.Div([_panel([], False), html.Button(id={"type": ids.WATCH_STOP, "key": ""})])


def _panel(content: list[Component], watching: bool) -> Component:
    path = dcc.Input(
        id=ids.WATCH_PATH, type="text", maxLength=1000, placeholder=text.PATH_HINT, autoComplete="off", persistence=True,
        persistence_type="local", spellCheck="false", className="watch-path",
    )
    return html.Section(
        [
            html.H2(text.TITLE, id="watch-title"),
            html.P(text.HINT, className="hint"),
            html.Div(
                [components.field(text.PATH, path, class_name="watch-field"),
                 html.Button(text.START, id=ids.WATCH_START, type="button", className="button")],
                className="watch-act",
            ),
            html.Div(id=ids.WATCH_ERROR),
            components.fold(text.WHOSE_TITLE, html.P(text.WHOSE, className="hint")),
            html.Div(content, id=ids.WATCH_LIST, className="watch-list"),
            dcc.Store(id=ids.WATCH_SEEN),
            dcc.Store(id=ids.WATCH_FOUND),
            dcc.Interval(id=ids.WATCH_TICK, interval=2000, disabled=not watching),
        ],
        className="part watch no-print", **{"aria-labelledby": "watch-title"},
    )


def folder_list(folders: list[WatchedFolder]) -> list[Component]:
    """Each watched folder with its files."""
    return [_folder(folder) for folder in folders]


def _folder(folder: WatchedFolder) -> Component:
    parts: list[Any] = [
        html.Div(
            [html.H3(folder.path, className="watch-name"),
             html.Button(
                 text.STOP, id={"type": ids.WATCH_STOP, "key": folder.key}, type="button", className="button",
                 **{"aria-label": text.STOP_SPOKEN.format(path=folder.path)},
             )],
            className="watch-head",
        ),
        html.P(status_words(folder), className="watch-status", role="status"),
    ]
    parts += [html.P(_error_words(error), className="watch-error") for error in folder.troubles]
    shown = sorted(folder.files, key=lambda event: (_RANK.get(event.kind, 4), -event.at, event.file))
    if shown:
        rows = [_file(event, event.file in folder.offered) for event in shown[:ROWS_SHOWN]]
        parts.append(html.Ul(rows, className="watch-files"))
    if len(shown) > ROWS_SHOWN:
        parts.append(html.P(text.MORE.format(n=len(shown) - ROWS_SHOWN), className="hint"))
    return html.Div(parts, className="watch-folder", key=folder.key)


def status_words(folder: WatchedFolder) -> str:
    """How a folder stands, in one line."""
    if not folder.there:
        return text.GONE_NOW
    if not folder.looked:
        return text.LOOKING
    counted = Counter("new" if event.kind == "reading" else event.kind for event in folder.files)
    return ", ".join(words.format(n=counted[kind]) for kind, words in text.WORDS.items() if counted[kind]) or text.EMPTY


def _file(event: Event, offered: bool) -> Component:
    """One file: its name, what became of it, and what there is to see or to do."""
    mark = components.result_mark(event.verdict) if event.kind == "added" else None
    flag = html.Span(className=_SHAPE[event.kind], **{"aria-hidden": "true"}) if _SHAPE.get(event.kind) else None
    more: list[Any] = []
    if event.run_id is not None:
        if event.kind == "added":
            more.append(html.Span(text.AT.format(time=time.strftime("%H:%M", time.localtime(event.at))), className="hint"))
        more.append(dcc.Link(text.RUN.format(id=event.run_id, pack=event.pack_id), href=f"/run/{event.run_id}"))
    if event.why:
        more.append(html.Span(text.WHY.format(why=event.why) if event.kind == "added" else event.why, className="hint"))
    lines = [html.P(text.DANGER.format(text=advice.words(words)), className="watch-danger") for words in event.dangers]
    lines += [html.P(text.DOUBT.format(text=advice.words(words)), className="hint") for words in event.doubts]
    told = _error_words(event.error) if event.error is not None else ""
    if offered:
        told = told.replace(BY_HAND, text.BY_HAND_HERE) if BY_HAND in told else f"{told} {text.OFFERED}"
    if told:
        lines.append(html.P(told, className="hint"))
    return html.Li(
        [html.Div([html.Span(event.file, className="watch-file"), html.Span([flag, text.STATE[event.kind]], className="watch-state"), mark, *more],
                  className="watch-row"), *lines],
        className=f"watch-item watch-{event.kind}", key=event.file,
    )


def _error_words(error: InputError) -> str:
    error = advice.for_page(error)
    return f"{advice.capital(error.what).rstrip('?')}: {error.why}. {advice.capital(error.mend)}."


# ---- callbacks -------------------------------------------------------------------------------------------------


def refuse_other_computers() -> None:
    """InputError unless the page is asked for on the computer that the program runs on."""
    host = request.host.rsplit(":", 1)[0]
    if request.remote_addr not in _LOCAL_ADDRESSES or host not in LOCAL_HOSTS:
        raise InputError(text.NOT_HERE, text.PATH, text.NOT_HERE_WHY, text.NOT_HERE_MEND)


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the part."""

    def as_it_stands(seen: str | None) -> tuple[Any, Any, Any, bool]:
        """List, its mark, tokens of files that wait for a person, and whether there is nothing to look for any more."""
        folders = door.watched_folders()
        found = [item.token for item in uploads.from_folder()]
        mark = hashlib.sha256(repr((folders, found)).encode("utf-8", "replace")).hexdigest()
        if mark == seen:
            return no_update, no_update, no_update, not folders
        return folder_list(folders), mark, found, not folders

    @app.callback(
        Output(ids.WATCH_LIST, "children"), Output(ids.WATCH_SEEN, "data"), Output(ids.WATCH_FOUND, "data"), Output(ids.WATCH_TICK, "disabled"),
        Output(ids.WATCH_ERROR, "children"),
        Input(ids.WATCH_START, "n_clicks"), Input(ids.WATCH_PATH, "n_submit"), State(ids.WATCH_PATH, "value"),
        prevent_initial_call=True,
    )
    def start(clicks: int | None, submits: int | None, path: str | None) -> tuple[Any, ...]:
        if not (clicks or submits):
            raise PreventUpdate
        try:
            refuse_other_computers()
            door.start_watching(path or "", uploads)
        except InputError as error:
            return no_update, no_update, no_update, no_update, components.error_panel(error)
        return *as_it_stands(None), None

    @app.callback(
        Output(ids.WATCH_LIST, "children", allow_duplicate=True), Output(ids.WATCH_SEEN, "data", allow_duplicate=True),
        Output(ids.WATCH_FOUND, "data", allow_duplicate=True), Output(ids.WATCH_TICK, "disabled", allow_duplicate=True),
        Input({"type": ids.WATCH_STOP, "key": ALL}, "n_clicks"), Input(ids.WATCH_TICK, "n_intervals"), State(ids.WATCH_SEEN, "data"),
        prevent_initial_call=True,
    )
    def stop_or_look(_clicks: list[int | None], _ticks: int | None, seen: str | None) -> tuple[Any, ...]:
        given = {item["prop_id"] for item in ctx.triggered if item["value"]}
        if not given:
            raise PreventUpdate  # the list was drawn anew
        for prop, name in ctx.triggered_prop_ids.items():
            if prop in given and isinstance(name, dict):  # a look that is due may stand beside the press in one call
                refuse_other_computers()
                door.stop_watching(str(name["key"]))
                seen = None
        return as_it_stands(seen)
