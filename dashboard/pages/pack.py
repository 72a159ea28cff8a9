"""One pack: what stands open and the next step, its runs over time, its card."""

from __future__ import annotations

from dash import Dash, dcc, html
from dash.development.base_component import Component

from dashboard import components, ids, text, text_pack
from dashboard.address import pack_address
from dashboard.data import Door, PackSheet, photo_bytes_max
from dashboard.pages import pack_acts, pack_card, pack_runs, pack_top
from dashboard.pages.job_links import begin_link
from dashboard.uploads import Uploads


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    empty = PackSheet("", None, (), None, {"numbers": {}, "entries": [], "photos": [], "superseded": []}, (), {})
    return html.Div([_shell(empty, False, 0), _new_form()])


def layout(door: Door, pack_id: str, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title; an unknown pack is offered a card."""
    pack_id = door.pack_id(pack_id)
    if not door.pack_known(pack_id):
        if query.get("new") != "1":
            return _unknown(pack_id), pack_id
        empty = PackSheet(pack_id, None, (), None, {"numbers": {}, "entries": [], "photos": [], "superseded": []}, (), {})
        return _shell(empty, True, 0), pack_id
    since = pack_acts.since_of(query)
    return _shell(door.pack_sheet(pack_id, since), False, since), pack_id


def layout_new(_query: dict[str, str]) -> tuple[Component, str]:
    """Page and title of the small form that begins a card."""
    return _new_form(), text_pack.NEW_TITLE


def _unknown(pack_id: str) -> Component:
    return html.Div(
        [
            html.H1(pack_id, className="own-words"),
            html.P(text_pack.UNKNOWN_TITLE.format(id=pack_id), className="own-words"),
            html.P(text_pack.UNKNOWN_MORE, className="quiet"),
            html.Div([html.A(text_pack.NEW_BUTTON, href=f"{pack_address(pack_id)}?new=1", className="button button-main"), pack_top.link_to_test(pack_id),
                      begin_link(pack_id, "button"), dcc.Link(text.BACK, href="/")], className="act-row"),
        ],
        className="page page-pack",
    )


def _new_form() -> Component:
    return html.Div(
        [
            html.H1(text_pack.NEW_TITLE),
            html.P(text_pack.NEW_MORE, className="quiet"),
            html.Div(
                [
                    components.field(text_pack.NEW_NUMBER, dcc.Input(id=ids.NEW_CARD_NUMBER, type="text", autoComplete="off", autoFocus=True),
                                     text_pack.NEW_NUMBER_HINT),
                    html.Button(text_pack.NEW_GO, id=ids.NEW_CARD_GO, type="button", className="button button-main"),
                ],
                className="act-row new-card",
            ),
            html.Div(id=ids.NEW_CARD_ERROR, role="status"),
        ],
        className="page page-pack",
    )


def _shell(sheet: PackSheet, new: bool, since: int) -> Component:
    """The page. Forms stand in it once and are never drawn afresh, so that what is typed stays."""
    return html.Div(
        [
            dcc.Store(id=ids.PACK_ID, data=sheet.id), dcc.Store(id=ids.PACK_NEW, data=new), dcc.Store(id=ids.PACK_CHANGED, data=0),
            dcc.Store(id=ids.PACK_SYNC), dcc.Store(id=ids.PACK_PHOTO_EVENT), dcc.Store(id=ids.PACK_PHOTOS, data=[]),
            html.Div(pack_top.top(sheet, new), id=ids.PACK_TOP),
            components.section(text_pack.RUNS, [
                html.Div(pack_runs.runs_part(sheet), id=ids.PACK_RUNS),
                pack_runs.acts_form(sheet, pack_card.who_field("run"), pack_card.why_field(ids.PACK_ACT_WHY)),
            ], "part-runs") if not new else _hidden_runs(sheet),
            html.Div(
                components.section(text_pack.TREND, [
                    html.Div(components.field(text_pack.SINCE, dcc.Dropdown(
                        id=ids.PACK_SINCE, options=pack_runs.since_options(sheet), value=since, clearable=False), text_pack.SINCE_HINT, "since-field no-print"),
                        id=ids.PACK_SINCE_BOX, hidden=len(sheet.counting) < 3),
                    components.loading(html.Div(pack_runs.trend_part(sheet), id=ids.PACK_TREND)),
                    pack_runs.standing_form(sheet),
                ], "part-trend"),
                id=ids.PACK_TREND_BOX, hidden=len(sheet.counting) < 2,
            ),
            html.Section([
                html.Div([html.H2(text_pack.CARD), html.Div(id=ids.PACK_CARD_SAID, role="status", className="said", tabIndex=-1)], className="card-head"),
                html.Div(
                    [
                        html.Div([
                            html.Div(pack_card.card_list(sheet), id=ids.PACK_CARD_LIST),
                            html.Button(text_pack.CARD_READ, id=ids.PACK_CARD_READ, type="button", className="button quiet-button no-print"),
                        ], className="card-stands"),
                        html.Div([pack_card.report_form(), pack_card.write_form(round(photo_bytes_max() / 1e6))], className="card-writes no-print"),
                    ],
                    className="card-grid",
                ),
            ], className="part part-card", id=ids.PACK_CARD),
        ],
        className="page page-pack",
    )


def _hidden_runs(sheet: PackSheet) -> Component:
    """Of a pack without a test: the places that callbacks name."""
    return html.Div(
        [html.Div(id=ids.PACK_RUNS), pack_runs.acts_form(sheet, pack_card.who_field("run"), pack_card.why_field(ids.PACK_ACT_WHY))], hidden=True
    )


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
    pack_acts.register(app, door, uploads)
