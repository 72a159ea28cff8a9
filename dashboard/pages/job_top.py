"""The head of a job's page: pack and words, dangers, what comes next, and the steps with their state."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import advice, text, text_job, text_register
from dashboard.address import pack_address
from dashboard.pages.job_links import link_address, link_to
from dashboard.pages.jobs import state_mark
from dashboard.record_routes import handover_address

READ_ONLY = ("run", "verdict", "record", "card")
"""What a closed job still leads to."""


def top(job: dict[str, Any], now: datetime | None = None) -> list[Any]:
    """Pack, words, dangers, and the one next step."""
    age = text_register.age_text(job["opened_at"], now or datetime.now().astimezone())
    sub = text_job.SUB.format(id=job["id"], day=text.day_text(job["opened_at"]), age=age, who=job["opened_by"])
    closed = next((item for item in reversed(job.get("entries") or ()) if item["kind"] == "closed"), None) if job["state"] == "closed" else None
    return [
        danger_box(job),
        html.Div(
            [
                html.Div([
                    html.H1([dcc.Link(job["pack_id"], href=pack_address(job["pack_id"]), className="own-words"),
                             html.Span(f" {job['words']}", className="h1-more own-words")]),
                    html.P(sub, className="quiet own-words"),
                ]),
                html.Div(
                    [state_mark(job["state"]),
                     html.A(text_job.PAGE_FILE, href=handover_address(job["id"]), className="button no-print", download=""),
                     dcc.Link(text_job.BACK, href="/jobs", className="no-print")],
                    className="page-side job-side",
                ),
            ],
            className="page-head",
        ),
        html.P(text_job.CLOSED_NOTE.format(day=text.day_text(closed["at"]), who=closed["who"], text=closed["text"]), className="job-closed-note own-words")
        if closed else next_bar(job),
    ]


def danger_box(job: dict[str, Any]) -> Component | None:
    """Every danger that is open on the pack, and what to do."""
    dangers = job.get("dangers") or []
    if not dangers:
        return None
    items = []
    for item in dangers:
        if item.get("run"):
            words = text_job.DANGER_LINE_RUN.format(id=item["run"], message=advice.words(item["message"]))
            items.append(html.Li(dcc.Link(words, href=f"/run/{item['run']}")))
        else:
            items.append(html.Li(text_job.DANGER_LINE.format(message=item["message"], who=item.get("who") or text.DASH, at=text.day_text(item.get("at"))),
                                 className="own-words"))
    title = [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(text_job.DANGER_TITLE.format(pack=job["pack_id"]))]
    to_card = html.A(text_job.DANGER_TO_CARD, href=f"{pack_address(job['pack_id'])}#card")
    return html.Div(
        [html.P(title, className="danger-title"), html.Ul(items), html.P(text.DANGER_DO, className="danger-do"),
         html.P([text_job.DANGER_CLOSE, " ", to_card])],
        className="danger-box", role="alert",
    )


def next_bar(job: dict[str, Any]) -> Component | None:
    """What comes next as one line with its button; nothing where nothing does."""
    following = job.get("next") or {}
    if not following.get("words"):
        return None
    kind, number = following.get("link_kind"), following.get("id")
    href = link_address(kind, number, job["id"], job["pack_id"])
    button = link_to(text_job.NEXT_BUTTON[kind].format(id=number), href, "button button-main") if href and kind in text_job.NEXT_BUTTON else None
    return html.Div([html.Strong(text_job.NEXT), html.Span(following["words"]), button], className="next-step job-next-bar")


def steps(job: dict[str, Any]) -> list[Any]:
    """The steps from sheet to record, each with shape, word, what it says and where it leads; above them what a pack that is given up asks for."""
    said = [str(item["words"]) for item in job.get("cautions") or ()]
    shown: list[Any] = [html.Ol([_step(step, job, said) for step in job.get("steps") or ()], className="steps")]
    if said:
        title = [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(text_job.APART)]
        shown.insert(0, html.Div([html.P(title, className="danger-title"), *map(html.P, said)], className="apart-box"))
    return shown


def _step(step: dict[str, Any], job: dict[str, Any], said: Sequence[str]) -> Component:
    """One step; what is ``said`` above the steps is not said again in it."""
    state = step["state"] if step["state"] in text_job.STEP_STATE else "open"
    links = []
    for link in step.get("links") or ():
        href = link_address(link.get("kind"), link.get("id"), job["id"], job["pack_id"])
        if href and (job["state"] != "closed" or link["kind"] in READ_ONLY):
            name = link.get("words") or text_job.STEP_LINK.get(link["kind"], "{id}").format(id=link.get("id"))
            links.append(html.Span(link_to(name, href)))
    words = str(step.get("words") or "")
    for caution in said:
        words = words.replace(caution, "").strip()
    when = html.Span(text.day_text(step["at"]), className="quiet step-at") if step.get("at") else None
    here = {"aria-current": "step"} if state == "next" else {}
    return html.Li(
        [
            html.Span(className=f"step-shape step-shape-{state}", **{"aria-hidden": "true"}),
            html.Div([
                html.P([html.Strong(step["title"]), html.Span(text_job.STEP_STATE[state], className="step-state"), when], className="step-head"),
                html.P(words, className="step-words own-words") if words else None,
                html.P(links, className="step-links no-print") if links else None,
            ]),
        ],
        className=f"step step-{state}", **here,
    )
