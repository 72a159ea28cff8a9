"""The card of a pack: what stands on it, the forms that write on it, and what holds no more."""

from __future__ import annotations

import json
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import components, ids, text, text_pack
from dashboard.data import PackSheet
from dashboard.photo_routes import photo_address

TEXT_KINDS = ("danger", "fault", "work", "part", "note")
WRITE_KINDS = ("fault", "work", "part", "note", "number", "status", "customer")
ONE_VALUE = {"number": "workshop_number", "status": "status", "customer": "customer_reference"}


def who_field(form: str) -> Component:
    """Who writes; all fields of the page hold the same name, which this browser keeps."""
    return components.field(
        text_pack.WHO,
        dcc.Input(id={"type": ids.PACK_WHO, "form": form}, type="text", autoComplete="name", placeholder=text_pack.WHO_HINT),
        class_name="who-field",
    )


def why_field(component_id: Any) -> Component:
    """Why something holds no more."""
    return components.field(
        text_pack.WHY, dcc.Input(id=component_id, type="text", autoComplete="off", placeholder=text_pack.WHY_HINT), class_name="why-field"
    )


def by_text(item: dict[str, Any]) -> str:
    """Who wrote it and on which day."""
    return text_pack.BY.format(who=item["who"], at=text.day_text(item["at"]))


# ---- what stands on it -----------------------------------------------------------------------------------------


def card_list(sheet: PackSheet) -> list[Any]:
    """Everything that holds, by kind, then what holds no more."""
    card = sheet.card
    values = [_value(kind, card[key], card["numbers"][kind]) for kind, key in ONE_VALUE.items() if kind in card["numbers"]]
    parts: list[Any] = []
    for kind in TEXT_KINDS:
        items = [item for item in card["entries"] if item["kind"] == kind]
        if items:
            name = "entries entries-danger" if kind == "danger" else "entries"
            parts += [html.H3(text_pack.CARD_HEADS[kind], className="entries-head"), html.Ul([_entry(item) for item in items], className=name)]
        if kind == "danger" and values:
            parts.append(html.Ul(values, className="entries entries-values"))
    if card["photos"]:
        parts += [html.H3(text_pack.CARD_HEADS["photo"], className="entries-head"),
                  html.Ul([_photo(item) for item in card["photos"]], className="photos")]
    if not parts:
        parts = [html.P(text_pack.CARD_EMPTY, className="quiet")]
    if card["superseded"]:
        parts.append(components.fold(
            text_pack.ENDED.format(n=len(card["superseded"])),
            html.Ul([_ended(item) for item in reversed(card["superseded"])], className="entries entries-ended"),
        ))
    return parts


def _value(kind: str, value: str, number: int) -> Component:
    shown = text_pack.STATUS_WORDS.get(value, value) if kind == "status" else value
    note = html.Span(f" ({text_pack.CUSTOMER_NOTE})", className="quiet") if kind == "customer" else None
    head = html.Div([html.Span(f"{text_pack.KIND[kind]}: ", className="quiet"), html.Strong(shown, className="own-words"), note])
    return html.Li([head, _change(number, kind, value)], className="entry", **{"data-entry": str(number)})


def _entry(item: dict[str, Any]) -> Component:
    danger = item["kind"] == "danger"
    words = html.P(
        [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}) if danger else None, html.Span(item["text"], className="own-words")],
        className="entry-words",
    )
    by = html.Span(f"{text_pack.NO.format(id=item['id'])} · {by_text(item)}", className="quiet entry-by")
    return html.Li([html.Div([words, by], className="entry-head"), _change(item["id"], item["kind"], item["text"])],
                   className="entry entry-danger" if danger else "entry", **{"data-entry": str(item["id"])})


def _photo(item: dict[str, Any]) -> Component:
    address = photo_address(item["sha256"])
    caption = item["caption"] or text_pack.PHOTO_NO_CAPTION
    picture = html.A(
        html.Img(src=address, alt=text_pack.PHOTO_ALT.format(caption=item["caption"] or item["file"])), href=address, target="_blank", rel="noopener",
        className="photo",
    )
    by = html.Span(f"{text_pack.NO.format(id=item['id'])} · {item['file']} · {by_text(item)}", className="quiet entry-by")
    return html.Li([picture, html.Span(caption, className="own-words"), by, _change(item["id"], "photo", item["caption"])],
                   className="photo-entry", **{"data-entry": str(item["id"])})


def _change(number: int, kind: str, words: str) -> Component:
    """The folded form that corrects or closes an entry; the old words stay on the card."""
    danger = kind == "danger"
    name = text_pack.NEW_CAPTION if kind == "photo" else text_pack.NEW_TEXT
    control = {"type": ids.PACK_ENTRY_TEXT, "entry": number}
    if kind == "status":
        field: Component = dcc.RadioItems(
            id=control, value=words, className="choice", options=[{"value": key, "label": shown} for key, shown in text_pack.STATUS_WORDS.items()],
        )
    else:
        field = dcc.Textarea(id=control, value=words, className="words-area")
    replace = html.Button(text_pack.REPLACE, id={"type": ids.PACK_ENTRY_ACT, "entry": number, "act": "replace"}, type="button", className="button")
    close = html.Button(text_pack.CLOSE_DANGER if danger else text_pack.CLOSE, id={"type": ids.PACK_ENTRY_ACT, "entry": number, "act": "close"},
                        type="button", className="button")
    signed = [why_field({"type": ids.PACK_ENTRY_WHY, "entry": number}), who_field(str(number))]
    words_field = components.field(name, field, class_name="field-wide")
    if danger:
        forms = [components.caution(text_pack.CLOSE_DANGER_MORE, danger=True), html.Div([*signed, close], className="act-row act-row-low"),
                 html.P(text_pack.REWORD_DANGER, className="quiet"), words_field, html.Div(replace, className="act-row")]
    else:
        forms = [words_field, html.Div([*signed, replace, close], className="act-row act-row-low")]
    return html.Details(
        [
            html.Summary([text_pack.CHANGE_DANGER if danger else text_pack.CHANGE,
                          html.Span(text_pack.CHANGE_SPOKEN.format(id=number), className="for-readers")]),
            *forms,
            html.Div(id={"type": ids.PACK_ENTRY_ERROR, "entry": number}, role="status"),
        ],
        className="entry-change no-print",
    )


def _ended(item: dict[str, Any]) -> Component:
    end = item["ended"]
    how = text_pack.ENDED_HOW.get(end["act"], text_pack.ENDED_HOW["new"]).format(id=end["id"], who=end["who"], at=text.day_text(end["at"]))
    why = text_pack.ENDED_WHY.format(why=end["why"]) if end["why"] else ""
    return html.Li(
        [
            html.P([html.Span(f"{text_pack.KIND[item['kind']]}: ", className="quiet"), html.Span(item["text"] or text.DASH, className="own-words ended-words")],
                   className="entry-words"),
            html.Span(f"{text_pack.NO.format(id=item['id'])} · {by_text(item)}; {how}{why}", className="quiet entry-by"),
        ],
        className="entry",
    )


# ---- writing on it ---------------------------------------------------------------------------------------------


def write_form(photo_mb: int) -> Component:
    """What is written on the card: a kind in plain words, the words, photos, who."""
    kinds = [{"value": kind, "label": text_pack.KIND[kind]} for kind in WRITE_KINDS]
    return html.Div(
        [
            html.H3(text_pack.WRITE),
            html.Div(
                [html.Span(text_pack.WRITE_KIND, className="hint"),
                 dcc.RadioItems(id=ids.PACK_WRITE_KIND, options=kinds, value=WRITE_KINDS[0], className="choice kind-choice", inline=True)],
                className="field", role="group", **{"aria-label": text_pack.WRITE_KIND},
            ),
            html.Div(components.caution(text_pack.WRITE_WORK_CAUTION), id=ids.PACK_WRITE_WORK, hidden=True),
            html.Div(
                [html.Label(text_pack.WRITE_TEXT[WRITE_KINDS[0]], id=ids.PACK_WRITE_TEXT_NAME, htmlFor=ids.PACK_WRITE_TEXT,
                            **{"data-names": json.dumps(text_pack.WRITE_TEXT)}),
                 dcc.Textarea(id=ids.PACK_WRITE_TEXT, className="words-area", value=""),
                 html.Span(text_pack.CUSTOMER_NOTE, id=ids.PACK_WRITE_CUSTOMER, className="hint", hidden=True)],
                id=ids.PACK_WRITE_TEXT_BOX, className="field",
            ),
            html.Div(
                [html.Span(f"{text_pack.WRITE_STATUS} ({text_pack.WRITE_STATUS_HINT})", className="hint"),
                 dcc.RadioItems(id=ids.PACK_WRITE_STATUS, className="choice", inline=True,
                                options=[{"value": key, "label": shown} for key, shown in text_pack.STATUS_WORDS.items()])],
                id=ids.PACK_WRITE_STATUS_BOX, className="field", hidden=True, role="group", **{"aria-label": text_pack.WRITE_STATUS},
            ),
            html.Div(
                [
                    html.Div([html.Strong(text_pack.PHOTO_DROP), html.Span(text_pack.PHOTO_DROP_MORE.format(mb=photo_mb))], className="drop-words"),
                    html.Button(text_pack.PHOTO_CHOOSE, className="button", type="button", **{"data-drop-choose": "yes"}),
                    html.Div(className="drop-progress", role="status", **{"data-drop-progress": "yes"}),
                ],
                className="drop-zone photo-drop", **{"data-drop": ids.PACK_PHOTO_EVENT, "data-drop-accept": "image/*"},
            ),
            html.Div(id=ids.PACK_PHOTO_LIST),
            html.Div(id=ids.PACK_PHOTO_ERROR, role="status"),
            html.Div(
                [who_field("write"), html.Button(text_pack.WRITE_GO, id=ids.PACK_WRITE_GO, type="button", className="button button-main"),
                 html.Span(id=ids.PACK_WRITE_BUSY, role="status", className="busy")],
                className="act-row act-row-low",
            ),
            html.Div(id=ids.PACK_WRITE_DONE, role="status", className="said"),
        ],
        className="write-form no-print",
    )


def report_form() -> Component:
    """The loud form: a danger."""
    return html.Details(
        [
            html.Summary([html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Span(text_pack.REPORT)], className="report-head"),
            html.P(text_pack.REPORT_MORE),
            components.field(text_pack.REPORT_TEXT, dcc.Textarea(id=ids.PACK_REPORT_TEXT, className="words-area", value=""), class_name="field-wide"),
            html.Div(
                [who_field("report"), html.Button(text_pack.REPORT_GO, id=ids.PACK_REPORT_GO, type="button", className="button button-danger"),
                 html.Span(id=ids.PACK_REPORT_BUSY, role="status", className="busy")],
                className="act-row act-row-low",
            ),
            html.Div(id=ids.PACK_REPORT_DONE, role="status"),
        ],
        className="report no-print",
    )


def photo_list(waiting: list[dict[str, Any]]) -> Component | None:
    """Photos that wait to be written down, each with its words."""
    if not waiting:
        return None
    rows = [
        html.Li(
            [
                html.Span([html.Span(item["name"], className="file-name"), " ", html.Span(text.size_text(item["bytes"]), className="quiet")]),
                components.field(
                    text_pack.PHOTO_CAPTION.format(name=item["name"]),
                    dcc.Input(id={"type": ids.PACK_PHOTO_CAPTION, "token": item["token"]}, type="text", autoComplete="off", value=item.get("caption", "")),
                    class_name="field-wide",
                ),
                html.Button(text_pack.PHOTO_REMOVE, id={"type": ids.PACK_PHOTO_REMOVE, "token": item["token"]}, type="button",
                            className="button quiet-button"),
            ]
        )
        for item in waiting
    ]
    return html.Div([html.Ul(rows, className="file-list"), html.P(text_pack.PHOTO_KEEP, className="hint")])
