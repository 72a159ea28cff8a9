"""Adding several logs, each a test of its own: a list with a pack and a label for each."""

from __future__ import annotations

from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, State, ctx, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, text, text_add
from dashboard.data import Door
from dashboard.pages.add_pack import KEPT, caution_of, offered
from dashboard.uploads import Uploads
from dashboard.waiting import Seen

LABEL_LENGTH_MAX = 120


def each_part() -> Component:
    """Place for the list, with the shortcut of one pack for all."""
    return html.Div(
        [
            html.H2(text_add.EACH_TITLE),
            dcc.RadioItems(
                id=ids.ADD_EACH_PACKS, className="choice", inline=True, value="each", **KEPT,
                options=[{"value": key, "label": word} for key, word in text_add.EACH_PACKS.items()],
            ),
            html.Div(id=ids.ADD_EACH),
        ],
        id=ids.ADD_EACH_BOX, className="add-each", hidden=True,
    )


def named_pack(item: dict[str, Any], door: Door) -> str | None:
    """The known pack whose number stands in the name of a log or of its folder."""
    return next(iter(door.packs_named(item["name"], item.get("folder", ""))), None)


def each_list(
    logs: list[dict[str, Any]], found: Seen, door: Door, picked: dict[str, str], job: dict[str, Any]
) -> Component:
    """A row for each log; what went wrong with one at the last attempt stands under it."""
    errors = job.get("errors") or {}
    heads = html.Div([html.Span(word) for word in text_add.H_EACH], className="each-row each-head", **{"aria-hidden": "true"})
    rows = [_row(item, door, picked, errors.get(item["key"])) for item in logs if item["token"] in found.each]
    return html.Div([heads, html.Ul(rows, className="each-list"), html.P(text_add.EACH_NEW, className="hint")])


def _row(item: dict[str, Any], door: Door, picked: dict[str, str], error: dict[str, str] | None) -> Component:
    key, name = item["key"], item["name"]
    by_name = named_pack(item, door)
    chosen = picked.get(key) or by_name
    pack = dcc.Dropdown(
        id={"type": ids.ADD_EACH_PACK, "key": key}, options=offered(door, "", chosen, [by_name] if by_name else [], with_new=True),
        value=chosen, placeholder=text_add.EACH_PACK_HINT,
    )
    label = dcc.Input(
        id={"type": ids.ADD_EACH_LABEL, "key": key}, type="text", maxLength=LABEL_LENGTH_MAX, placeholder=text.LABEL_HINT,
        autoComplete="off", **KEPT,
    )
    return html.Li(
        [
            html.Div(
                [
                    html.Span([name, html.Span(text_add.PICKED_IN_ROW, className="tag") if by_name and chosen == by_name else None],
                              className="file-name"),
                    html.Div(components.field(text_add.EACH_PACK.format(name=name), pack), className="each-pack"),
                    components.field(text_add.EACH_LABEL.format(name=name), label),
                ],
                className="each-row",
            ),
            html.Div(caution_of(door, chosen), id={"type": ids.ADD_EACH_CAUTION, "key": key}),
            components.error_panel(InputError(**error), text.NOTHING_STORED) if error else None,
        ]
    )


def rows_wait(state: dict[str, Any], packs: dict[str, str | None], files: list[dict[str, Any]] | None) -> str:
    """Which test of a list has no pack yet, in words; empty if each has one."""
    good = set(state.get("good") or ())
    names = [item["name"] for item in files or [] if item["key"] in good and not packs.get(item["key"])]
    return text_add.EACH_WAIT.format(name=", ".join(names)) if names else ""


def register(app: Dash, door: Door, _uploads: Uploads) -> None:
    """Wire the list."""

    @app.callback(
        Output(ids.ADD_EACH_BOX, "hidden"), Output(ids.ADD_PACK_BOX, "hidden"), Output(ids.ADD_LABEL_BOX, "hidden"),
        Output(ids.ADD_EACH, "className"), Input(ids.ADD_STATE, "data"), Input(ids.ADD_EACH_PACKS, "value"),
    )
    def show_list(state: dict[str, Any] | None, packs: str | None) -> tuple[bool, bool, bool, str]:
        each = (state or {}).get("how") == "each"
        return not each, each and packs == "each", each, "each-one-pack" if packs == "all" else ""

    @app.callback(
        Output({"type": ids.ADD_EACH_PACK, "key": MATCH}, "options"), Input({"type": ids.ADD_EACH_PACK, "key": MATCH}, "search_value"),
        State({"type": ids.ADD_EACH_PACK, "key": MATCH}, "value"), prevent_initial_call=True,
    )
    def search(words: str | None, value: str | None) -> list[dict[str, str]]:
        if words is None:
            raise PreventUpdate
        return offered(door, words, value, with_new=True)

    @app.callback(
        Output({"type": ids.ADD_EACH_CAUTION, "key": MATCH}, "children"), Input({"type": ids.ADD_EACH_PACK, "key": MATCH}, "value"),
        prevent_initial_call=True,
    )
    def warn(value: str | None) -> Any:
        return caution_of(door, value)

    @app.callback(
        Output(ids.ADD_PICKED, "data", allow_duplicate=True), Input({"type": ids.ADD_EACH_PACK, "key": ALL}, "value"),
        State({"type": ids.ADD_EACH_PACK, "key": ALL}, "id"), State(ids.ADD_PICKED, "data"), prevent_initial_call=True,
    )
    def keep_picked(values: list[str | None], rows: list[dict[str, Any]], picked: dict[str, str] | None) -> dict[str, str]:
        if not isinstance(ctx.triggered_id, dict):
            raise PreventUpdate
        now = {**(picked or {}), **{row["key"]: value for row, value in zip(rows, values) if value}}
        if now == picked:
            raise PreventUpdate
        return now
