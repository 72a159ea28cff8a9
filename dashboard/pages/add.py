"""Adding tests: dropped files, how they would be read, which pack they belong to, and the act itself."""

from __future__ import annotations

import importlib
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboard import components, ids, text, text_add
from dashboard.data import Door
from dashboard.jobs import Jobs
from dashboard.pages import add_each, add_files, add_pack, add_work, columns_form
from dashboard.pages.add_files import file_list, look_words
from dashboard.pages.add_pack import _pack_choice, pack_box, pack_chosen
from dashboard.pages.add_work import wait_words
from dashboard.uploads import Uploads
from dashboard.waiting import received, seen

__all__ = [
    "_pack_choice", "components", "file_list", "frame_parts", "layout", "look_words", "pack_box", "pack_chosen", "received", "register", "seen",
    "skeleton", "wait_words",
]


# ---- layout ----------------------------------------------------------------------------------------------------


def frame_parts() -> list[Component]:
    """What every page carries, so that files may be dropped anywhere and work goes on behind other pages."""
    return [
        dcc.Store(id=ids.ADD_FILES, data=[], storage_type="session"),
        dcc.Store(id=ids.ADD_PICKED, data={}, storage_type="session"),
        dcc.Store(id=ids.ADD_HOW_KEPT, storage_type="session"),
        dcc.Store(id=ids.ADD_JOB, storage_type="session"),
        dcc.Store(id=ids.ADD_DROP_EVENT),
        dcc.Store(id=ids.ADD_SAID),
        dcc.Store(id=ids.ADD_LET_GO),
        dcc.Store(id=ids.ADD_TAKE_ASK),
        html.Div(hidden=True, **{"data-upload-words": ""}, **{f"data-{key}": words for key, words in text_add.UPLOAD.items()}),
    ]


def layout(door: Door, _query: dict[str, str]) -> Component:
    """The page."""
    return html.Div([html.H1(text.ADD_TITLE), panel(door)], className="page page-add")


def skeleton(door: Door) -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return panel(door)


def panel(door: Door) -> Component:
    """Drop zone and, once files are there, the form."""
    watched = _watching()
    return html.Section(
        [
            add_files.drop_zone(),
            dcc.Store(id=ids.ADD_STATE),
            dcc.Store(id=ids.ADD_ASK),
            dcc.Store(id=ids.ADD_DROP_HEARD),
            html.Div(id=ids.ADD_RESULT, role="status"),
            html.Div(
                [
                    add_files.files_part(),
                    columns_form.panel(),
                    add_each.each_part(),
                    html.Div([html.H2(text.PACK_WHICH), *_pack_choice(door)], id=ids.ADD_PACK_BOX, className="add-pack"),
                    html.Div([html.H2(text.ADD_HOW), *add_work.act_part(door)], className="add-act"),
                ],
                id=ids.ADD_FORM, hidden=True, className="add-form",
            ),
            add_work.work_part(),
            add_files.empty(),
            add_files.folder_part(),
            watched.panel(door) if watched is not None else None,
        ],
        id=ids.ADD_PANEL, className="add-panel no-print", **{"aria-label": text.ADD_TITLE},
    )


def _watching() -> Any:
    """The part on the watched folder, where the program has one."""
    if importlib.util.find_spec("dashboard.pages.watching") is None:
        return None
    return importlib.import_module("dashboard.pages.watching")


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads, jobs: Jobs | None = None) -> None:
    """Wire the page."""
    add_files.register(app, door, uploads)
    add_pack.register(app, door)
    add_each.register(app, door, uploads)
    add_work.register(app, door, uploads, jobs or Jobs())

    @app.callback(
        Output(ids.ADD_FILE_LIST, "className"), Output(ids.COLUMNS_FOLD, "className"), Input(ids.COLUMNS_CHANGED, "data"),
    )
    def mark_mended(changed: str | None) -> tuple[str, str]:
        mark = "form-reads" if changed == columns_form.READS else ""
        return mark, f"fold columns-fold {mark}"

    app.clientside_callback(
        ClientsideFunction(namespace="adding", function_name="forgetTyped"),
        Output(ids.ADD_PICKED, "data", allow_duplicate=True), Input(ids.ADD_FORGOTTEN, "data"), prevent_initial_call=True,
    )
