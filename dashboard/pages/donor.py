"""Two connectors held against each other, pin by pin."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, ids_donor
from dashboard import text_donor as words
from dashboard.address import run_numbers
from dashboard.data import Door
from dashboard.door.donors import PINS, PINS_MOST, pins_of
from dashboard.pages import donor_result, pack_card
from dashboard.uploads import Uploads

SIDES = ("own", "donor")
ROWS_USUAL, ROWS_SPARE = 14, 2
PROBES = 3
WHO_FORM = "job-donor"
ROLES_OFFERED = ("pack negative", "pack positive", "thermistor", "charge contact", "communication", "nothing")
TAPS_OFFERED = 21


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return _page(1, {side: {} for side in SIDES})


def layout(_door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. ``job`` in the query is the job that the result may be kept on."""
    return _page(next(iter(run_numbers(query.get("job"), 1)), None), None), words.TITLE


def _page(job_id: int | None, drawn: Mapping[str, Mapping[str, str]] | None) -> Component:
    return html.Div(
        [
            html.P(dcc.Link(words.JOB_BACK.format(n=job_id), href=f"/job/{job_id}") if job_id else dcc.Link(words.BACK, href="/bench"), className="back-link no-print"),
            html.H1(words.TITLE), html.P(words.LEAD, className="lead"), components.caution(words.MEASURE),
            html.Datalist([html.Option(value=word) for word in (*(f"tap {k}" for k in range(TAPS_OFFERED)), *ROLES_OFFERED)], id=ids_donor.DONOR_ROLES),
            html.Div([_side(side, (drawn or {}).get(side)) for side in SIDES], className="donor-sides no-print"),
            html.Div(html.Button(words.CLEAR, id=ids_donor.DONOR_CLEAR, type="button", className="button"), className="act-row no-print"),
            components.section(words.RESULT_TITLE, [
                html.Div(donor_result.nothing(), id=ids_donor.DONOR_RESULT, role="status"),
                html.Div(html.Button(words.PRINT, id=ids_donor.DONOR_PRINT, type="button", className="button"), className="act-row no-print"),
            ]),
            _job_form(job_id),
            dcc.Store(id=ids_donor.DONOR_KEPT, storage_type="session"), dcc.Store(id=ids_donor.DONOR_PAGE, data=secrets.token_hex(6)),
            dcc.Store(id=ids_donor.DONOR_DRAWN, data=0), dcc.Store(id=ids_donor.DONOR_TYPED), dcc.Store(id=ids_donor.DONOR_SINK), dcc.Download(id=ids_donor.DONOR_DOWNLOAD),
            dcc.Store(id=ids_donor.DONOR_JOB, data=job_id), *(dcc.Store(id=ids_donor.DONOR_FILE[side]) for side in SIDES),
        ],
        className="page page-donor",
    )


def _id(kind: str, side: str, key: str | None = None) -> dict[str, str]:
    return {"type": kind, "side": side} | ({} if key is None else {"key": key})


def _field(side: str, key: str, values: Mapping[str, str], hint: str = "", **more: Any) -> Component:
    return dcc.Input(
        id=_id(ids_donor.DONOR_FIELD, side, key), type="text", value=values.get(key, ""), autoComplete="off", placeholder=hint, maxLength=300, **more,
    )


def _side(side: str, drawn: Mapping[str, str] | None) -> Component:
    paste = dcc.Textarea(id=_id(ids_donor.DONOR_PASTE, side), value="", maxLength=20_000)
    zone = html.Div(
        [html.Strong(words.FILE_DROP), html.Button(words.FILE_CHOOSE, type="button", className="button", **{"data-drop-choose": "yes"}),
         html.Div(className="drop-progress", role="status", **{"data-drop-progress": "yes"})],
        className="act-row", **{"data-drop": ids_donor.DONOR_FILE[side], "data-drop-accept": ".toml"},
    )
    return components.section(
        words.SIDES[side],
        [
            html.P(words.SIDE_MORE[side], className="hint"),
            html.Div(top(side, drawn or {}), id=_id(ids_donor.DONOR_TOP, side)),
            html.Ul(rows(side, drawn or {}), id=_id(ids_donor.DONOR_ROWS, side), className="donor-rows"),
            html.P(words.ROW_MORE, className="hint"),
            html.P(words.PROBES, className="hint"),
            html.Div(probes(side, drawn or {}), id=_id(ids_donor.DONOR_PROBES, side)),
            html.Details(
                [
                    html.Summary(words.PASTE),
                    components.field(words.PASTE_LABEL.format(side=_place(side)), paste, words.PASTE_MORE),
                    html.Div([html.Button(words.PASTE_GO, id=_id(ids_donor.DONOR_PASTE_GO, side), type="button", className="button")], className="act-row"),
                    zone,
                    html.Button(words.SAVE, id=_id(ids_donor.DONOR_SAVE, side), type="button", className="button"),
                ],
                className="fold",
            ),
            html.Div(id=_id(ids_donor.DONOR_TAKE_ERROR, side), role="status"),
        ],
        "donor-side",
    )


def top(side: str, values: Mapping[str, str]) -> list[Component]:
    """What the plug is, and with what it was measured."""
    def fields(of: Mapping[str, tuple[str, str]]) -> Component:
        return html.Div(
            [components.field(label, _field(side, key, values, hint), spoken=f"{label}, {_place(side)}") for key, (label, hint) in of.items()], className="field-grid"
        )

    return [fields(words.FIELDS), components.fold(words.MORE, fields(words.MORE_FIELDS))]


def rows_shown(values: Mapping[str, str]) -> int:
    """Rows of pins that the form shows."""
    pins = pins_of(values)
    return pins if (values.get(PINS) or "").strip() and pins else min(PINS_MOST, max(ROWS_USUAL, pins + ROWS_SPARE))


def rows(side: str, values: Mapping[str, str]) -> list[Component]:
    """A row for each pin: its potential and what it is."""
    head = html.Li([html.Span(words.H_PIN), html.Span(words.H_V), html.Span(words.H_ROLE)], className="donor-row donor-row-head", **{"aria-hidden": "true"})
    return [head, *(
        html.Li(
            [
                html.Strong(str(number), **{"aria-hidden": "true"}),
                _labelled(words.V_OF.format(n=number, side=_place(side)), _field(side, f"pin.{number}.v", values, words.V_HINT, inputMode="decimal")),
                _labelled(words.ROLE_OF.format(n=number, side=_place(side)), _field(side, f"pin.{number}.role", values, words.ROLE_HINT, list=ids_donor.DONOR_ROLES)),
            ],
            className="donor-row",
        )
        for number in range(1, rows_shown(values) + 1)
    )]


def probes(side: str, values: Mapping[str, str]) -> list[Component]:
    """A row for each thermistor."""
    count = max(PROBES, 1 + max((int(key.split(".")[1]) for key in values if key.startswith("probe.")), default=0))
    return [
        html.Div([
            components.field(label, _field(side, f"probe.{at}.{key}", values, hint), spoken=words.PROBE_OF.format(label=label, n=at + 1, side=_place(side)))
            for key, (label, hint) in words.PROBE_FIELDS.items()
        ], className="donor-probe")
        for at in range(count)
    ]


def _place(side: str) -> str:
    return words.PLACES[SIDES.index(side)]


def _labelled(label: str, control: Component) -> Component:
    """A field whose label is for readers only: the head of its column says it to the eye."""
    return html.Div([html.Label(label, htmlFor=components.dom_id(control.id), className="for-readers"), control])


def _job_form(job_id: int | None) -> Component:
    return html.Div(
        components.section(words.JOB_TITLE.format(n=job_id or ""), [
            html.P(words.JOB_MORE, className="hint"),
            html.Div([pack_card.who_field(WHO_FORM), html.Button(words.JOB_GO, id=ids_donor.DONOR_JOB_GO, type="button", className="button")], className="act-row act-row-low"),
            html.Div(id=ids_donor.DONOR_JOB_DONE, role="status"),
        ]),
        id=ids_donor.DONOR_JOB_BOX, hidden=job_id is None, className="no-print",
    )


def _sides_of(kept: Mapping[str, Any] | None) -> tuple[dict[str, str], dict[str, str]]:
    """Both plugs as kept by the tab; what is no text of a form is passed over."""
    found = []
    for side in SIDES:
        values = (kept or {}).get(side)
        found.append({str(key)[:60]: str(value)[:300] for key, value in values.items()} if isinstance(values, dict) else {})
    return found[0], found[1]


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
    _register_form(app)
    _register_taking(app, door, uploads)
    _register_result(app, door)


def _register_form(app: Dash) -> None:
    app.clientside_callback(
        ClientsideFunction(namespace="donor", function_name="gather"),
        Output(ids_donor.DONOR_KEPT, "data"), Input(ids_donor.DONOR_TYPED, "data"), State(ids_donor.DONOR_KEPT, "data"), State(ids_donor.DONOR_PAGE, "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction(namespace="donor", function_name="print"), Output(ids_donor.DONOR_SINK, "data"), Input(ids_donor.DONOR_PRINT, "n_clicks"), prevent_initial_call=True,
    )

    parts = (ids_donor.DONOR_TOP, ids_donor.DONOR_ROWS, ids_donor.DONOR_PROBES)

    @app.callback(
        *(Output(_id(kind, side), "children") for side in SIDES for kind in parts), Output(ids_donor.DONOR_DRAWN, "data"), Output(ids_donor.DONOR_KEPT, "data", allow_duplicate=True),
        Input(ids_donor.DONOR_KEPT, "modified_timestamp"), State(ids_donor.DONOR_KEPT, "data"), State(ids_donor.DONOR_DRAWN, "data"), State(ids_donor.DONOR_PAGE, "data"),
        State({"type": ids_donor.DONOR_FIELD, "side": ALL, "key": ALL}, "id"),
        prevent_initial_call="initial_duplicate",
    )
    def draw(_at: int | None, kept: dict[str, Any] | None, drawn: int | None, page: str, there: list[dict[str, str]]) -> list[Any]:
        """The form afresh after a list or file was taken, and where the tab holds what was typed before a reload; its rows after another number of pins.

        What it does follows from what is kept and what was drawn alone: a call that is overtaken by the next one loses nothing.
        """
        if not isinstance(kept, dict) or not kept:
            raise PreventUpdate
        held = dict(zip(SIDES, _sides_of(kept), strict=True))
        if kept.get("page") != page or _serial(kept) != (drawn or 0):
            fresh = [part for side in SIDES for part in (top(side, held[side]), rows(side, held[side]), probes(side, held[side]))]
            return [*fresh, _serial(kept), no_update if kept.get("page") == page else {**held, "page": page, "serial": _serial(kept)}]
        fresh = []
        for side in SIDES:
            shown = sum(1 for item in there if item["side"] == side and item["key"].startswith("pin.") and item["key"].endswith(".v"))
            other = (held[side].get(PINS) or "").strip() and shown != rows_shown(held[side])
            fresh += [no_update, rows(side, held[side]) if other else no_update, no_update]
        if all(part is no_update for part in fresh):
            raise PreventUpdate
        return [*fresh, no_update, no_update]

    @app.callback(
        Output(ids_donor.DONOR_KEPT, "data", allow_duplicate=True), Input(ids_donor.DONOR_CLEAR, "n_clicks"), State(ids_donor.DONOR_KEPT, "data"), State(ids_donor.DONOR_PAGE, "data"),
        prevent_initial_call=True,
    )
    def clear(clicks: int | None, kept: dict[str, Any] | None, page: str) -> Any:
        if not clicks:
            raise PreventUpdate
        return {"own": {}, "donor": {}, "page": page, "serial": _serial(kept) + 1}


def _serial(kept: Mapping[str, Any] | None) -> int:
    """Counts how often what is kept was changed otherwise than by typing."""
    value = (kept or {}).get("serial")
    return value if isinstance(value, int) else 0


def _register_taking(app: Dash, door: Door, uploads: Uploads) -> None:
    for side in SIDES:
        _register_side(app, door, uploads, side)


def _register_side(app: Dash, door: Door, uploads: Uploads, side: str) -> None:
    place = _place(side)

    @app.callback(
        Output(ids_donor.DONOR_KEPT, "data", allow_duplicate=True), Output(_id(ids_donor.DONOR_TAKE_ERROR, side), "children"), Output(_id(ids_donor.DONOR_PASTE, side), "value"),
        Input(_id(ids_donor.DONOR_PASTE_GO, side), "n_clicks"), Input(ids_donor.DONOR_FILE[side], "data"),
        State(_id(ids_donor.DONOR_PASTE, side), "value"), State(ids_donor.DONOR_KEPT, "data"), State(ids_donor.DONOR_PAGE, "data"),
        prevent_initial_call=True,
    )
    def take(clicks: int | None, event: dict[str, Any] | None, pasted: str | None, kept: dict[str, Any] | None, page: str) -> tuple[Any, Any, Any]:
        from_file = ctx.triggered_id == ids_donor.DONOR_FILE[side]
        if not (event if from_file else clicks and (pasted or "").strip()):
            raise PreventUpdate
        try:
            taken = _from_event(door, uploads, event) if from_file else door.pasted_values(str(pasted), place)
        except InputError as error:
            return no_update, components.error_panel(error, words.NOTHING_TAKEN), no_update
        own, donor = _sides_of(kept)
        held = {"own": own, "donor": donor}
        whole = from_file or PINS in taken
        held[side] = taken if whole else held[side] | taken
        return {**held, "page": page, "serial": _serial(kept) + 1}, None, "" if not from_file else no_update

    @app.callback(
        Output(ids_donor.DONOR_DOWNLOAD, "data", allow_duplicate=True), Output(_id(ids_donor.DONOR_TAKE_ERROR, side), "children", allow_duplicate=True),
        Input(_id(ids_donor.DONOR_SAVE, side), "n_clicks"), State(ids_donor.DONOR_KEPT, "data"), prevent_initial_call=True,
    )
    def save(clicks: int | None, kept: dict[str, Any] | None) -> tuple[Any, Any]:
        if not clicks:
            raise PreventUpdate
        try:
            content = door.plug_file(_sides_of(kept)[SIDES.index(side)], place)
        except InputError as error:
            return no_update, components.error_panel(error)
        return {"content": content.decode(), "filename": "plug-pack.toml" if side == "own" else "plug-board.toml", "type": "application/toml"}, None


def _from_event(door: Door, uploads: Uploads, event: dict[str, Any] | None) -> dict[str, str]:
    """Entries from a file that was dropped or chosen. InputError of the transfer or of the file."""
    errors, files = (event or {}).get("errors") or [], (event or {}).get("files") or []
    if not files:
        if errors:
            raise InputError(**{key: str(errors[0][key]) for key in ("what", "where", "why", "mend")})
        raise PreventUpdate
    tokens = [str(item.get("token")) for item in files]
    try:
        ((name, content),) = uploads.content(tokens[-1:])
        return door.plug_values(name, content)
    finally:
        for token in tokens:
            uploads.remove(token)


def _register_result(app: Dash, door: Door) -> None:
    @app.callback(Output(ids_donor.DONOR_RESULT, "children"), Input(ids_donor.DONOR_KEPT, "data"))
    def compare(kept: dict[str, Any] | None) -> Any:
        own, donor = _sides_of(kept)
        if not any(value.strip() for value in (*own.values(), *donor.values())):
            return donor_result.nothing()
        return donor_result.body(door.compare_plugs(own, donor, words.PLACES))

    @app.callback(
        Output(ids_donor.DONOR_JOB_DONE, "children"), Input(ids_donor.DONOR_JOB_GO, "n_clicks"),
        State(ids_donor.DONOR_KEPT, "data"), State({"type": ids.PACK_WHO, "form": WHO_FORM}, "value"), State(ids_donor.DONOR_JOB, "data"),
        prevent_initial_call=True,
    )
    def keep(clicks: int | None, kept: dict[str, Any] | None, who: str | None, job_id: int | None) -> Any:
        if not clicks or not job_id:
            raise PreventUpdate
        own, donor = _sides_of(kept)
        try:
            door.keep_donor_check(int(job_id), own, donor, who or "", words.PLACES)
        except InputError as error:
            return components.error_panel(error)
        return html.P([words.JOB_DONE, " ", dcc.Link(words.JOB_BACK.format(n=job_id), href=f"/job/{job_id}")], className="done")
