"""The head of a pack's page: build, last verdict, what stands open, the next step."""

from __future__ import annotations

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.record.values import rated
from dashboard import advice, components, ids, text, text_pack
from dashboard.address import add_address, before_after_address
from dashboard.data import PackSheet
from dashboard.pages.job_links import jobs_of_pack


def link_to_test(pack_id: str) -> Component:
    """The way to the page that adds a test of this pack."""
    return dcc.Link(text_pack.NEW_TEST, href=add_address(pack_id), className="button")


def top(sheet: PackSheet, new: bool) -> list[Any]:
    """Number, build, last verdict, what stands open, the next step."""
    if new:
        return [html.H1(sheet.id, className="own-words"), html.P([html.Strong(text_pack.NEW_NOTE), " ", link_to_test(sheet.id)])]
    newest = sheet.counting[0].item if sheet.counting else None
    if newest is None:
        verdict: list[Any] = [html.Span(text_pack.LAST_NONE, className="quiet")]
    else:
        day = text.day_text(newest.started_at or newest.added_at)
        verdict = [
            dcc.Link(components.result_mark(newest.verdict, large=True), href=f"/run/{newest.id}/verdict", className="plain-link"),
            html.Span((text_pack.LAST_VERDICT if newest.verdict else text_pack.LAST_RUN).format(id=newest.id, day=day), className="quiet"),
            html.Strong(text_pack.LAST_HELD) if sheet.dangers and newest.verdict == "pass" else None,
        ]
    return [
        danger_box(sheet),
        html.Div(
            [
                html.Div([html.H1([html.Span(sheet.id, className="own-words"), html.Span(f" {build_words(sheet)}", className="h1-more")]),
                          html.P(facts_words(sheet), className="quiet own-words"), jobs_of_pack(sheet.jobs, sheet.id)]),
                html.Div(verdict, className="pack-verdict"),
            ],
            className="page-head",
        ),
        next_bar(sheet),
        open_list(sheet),
    ]


def build_words(sheet: PackSheet) -> str:
    """Chemistry and build."""
    words = text.build_text(sheet.pack) if sheet.pack is not None else ""
    return "" if words == text.DASH else words


def facts_words(sheet: PackSheet) -> str:
    """Ratings, workshop number and status in one line."""
    parts = [text_pack.BUILD_NONE] if sheet.pack is None else [
        words.format(figure=rated(value, unit)) for key, (words, unit) in text_pack.RATED.items() if (value := getattr(sheet.pack, key)) is not None
    ]
    if sheet.card.get("workshop_number"):
        parts.append(text_pack.NUMBER.format(text=sheet.card["workshop_number"]))
    if sheet.card.get("status"):
        parts.append(text_pack.STATUS.format(text=text_pack.STATUS_WORDS.get(sheet.card["status"], sheet.card["status"])))
    return " · ".join(parts)


def danger_box(sheet: PackSheet) -> Component | None:
    """Dangers open on the card and found by the newest run that counts: what, and what to do."""
    newest = sheet.counting[0].item.id if sheet.counting else None
    items = [html.Li(text_pack.DANGER_CARD.format(message=item["message"], who=item["who"], at=text.day_text(item["at"])), className="own-words")
             for item in sheet.dangers]
    items += [html.Li([dcc.Link(text_pack.DANGER_RUN.format(id=newest, message=advice.words(message)), href=f"/run/{newest}")])
              for message in sheet.found_dangers.get(newest or 0, ())]
    if not items:
        return None
    closing = [html.P([text_pack.DANGER_CLOSE, " ", html.A(text_pack.DANGER_TO_CARD, href=f"#{ids.PACK_CARD}")])] if sheet.dangers else []
    title = [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(text_pack.DANGER_TITLE.format(pack=sheet.id))]
    return html.Div(
        [html.P(title, className="danger-title own-words"), html.Ul(items), html.P(text.DANGER_DO, className="danger-do"), *closing],
        className="danger-box", role="alert",
    )


def next_step(sheet: PackSheet) -> tuple[str, str, str]:
    """The one next step: why, what its button says, where it leads."""
    if sheet.dangers or (sheet.counting and sheet.counting[0].item.id in sheet.found_dangers):
        href = f"#{ids.PACK_CARD}" if sheet.dangers else f"/run/{sheet.counting[0].item.id}"
        return *text_pack.NEXT_DANGER, href
    if not sheet.counting:
        return *text_pack.NEXT_NO_RUN, add_address(sheet.id)
    newest = sheet.counting[0]
    verdict = f"/run/{newest.item.id}/verdict"
    words, href = {
        None: (text_pack.NEXT_JUDGE, verdict), "not_proven": (text_pack.NEXT_NOT_PROVEN, verdict), "fail": (text_pack.NEXT_FAIL, add_address(sheet.id)),
        "pass": (text_pack.NEXT_RECORD, verdict),
    }[newest.item.verdict]
    if newest.item.verdict == "pass" and sheet.record_lapsed:
        words = text_pack.NEXT_LAPSED
    elif newest.item.verdict == "pass" and newest.serials:
        words, href = (text_pack.NEXT_COMPARE, before_after_address(sheet.id)) if len(sheet.counting) > 1 else (text_pack.NEXT_NOTHING, verdict)
    return words[0].format(id=newest.item.id, why=advice.words(sheet.record_lapsed)), words[1].format(id=newest.item.id), href


def next_bar(sheet: PackSheet) -> Component:
    """The next step as one line with its button."""
    why, button, href = next_step(sheet)
    link = html.A if href.startswith("#") else dcc.Link
    return html.Div(
        [html.Strong(text_pack.NEXT), html.Span(why), link(button, href=href, className="button button-main")],
        className="next-step no-print",
    )


def open_list(sheet: PackSheet) -> Component | None:
    """What else stands open: dangers of earlier runs, runs not judged, runs withdrawn."""
    newest = sheet.counting[0].item.id if sheet.counting else None
    items = [
        text_pack.OPEN_EARLIER.format(id=run.item.id, label=f" ({run.item.label})" if run.item.label else "", message=advice.words(message))
        for run in sheet.runs if run.item.id != newest for message in sheet.found_dangers.get(run.item.id, ())
    ]
    for words, numbers in (
        (text_pack.OPEN_NOT_JUDGED, [run.item.id for run in sheet.counting if run.item.verdict is None and run.item.id != newest]),
        (text_pack.OPEN_WITHDRAWN, [run.item.id for run in sheet.runs if run.item.withdrawn]),
    ):
        if numbers:
            items.append(words[len(numbers) > 1].format(ids=", ".join(map(str, sorted(numbers)))))
    if not items:
        return None
    return html.Div([html.Span(text_pack.OPEN_TITLE, className="quiet"), html.Ul([html.Li(words) for words in items])], className="open-list")
