"""The newest bench sheet of a job in short: groups, what was remarked, the first cause with its evidence; earlier sheets."""

from __future__ import annotations

import re
from collections.abc import Set
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.record.values import figure
from cycler.repair.chances import WITHIN_WORDS, chance_text, share_text
from dashboard import advice, components, text, text_job
from dashboard.figures.places import SEVERITY_ORDER
from dashboard.record_routes import job_sheet_address

REMARKS_SHOWN = 4
EVIDENCE_SHOWN = 4
CAUSES_NAMED = 3
LEVEL_FLAG = {"low": "caution", "precharge": "caution", "no_charge": "danger", "reversed": "danger", "over_full": "danger"}


def bench(job: dict[str, Any]) -> list[Any]:
    """What the newest sheet says, and where the whole of it stands."""
    whole = f"/job/{job['id']}/sheet"
    found, sheets = job.get("evaluation"), list(job.get("sheets") or ())
    if not sheets or not found:
        link = dcc.Link(text_job.BENCH_NEW, href=whole, className="button no-print") if job["state"] != "closed" else None
        return [html.P([html.Strong(text_job.BENCH_NONE), " ", text_job.BENCH_NONE_MORE], className="quiet"), link]
    newest = sheets[-1]
    return [
        html.P([text_job.BENCH_BY.format(day=text.day_text(newest["at"]), who=newest["who"]), " · ", dcc.Link(text_job.BENCH_LINK, href=whole), " · ",
                _file(job["id"], newest["id"])], className="quiet own-words"),
        groups((found.get("taps") or {}).get("groups") or []),
        remarks(found.get("remarks") or [], whole, {item["message"] for item in job.get("dangers") or ()}),
        cause(found),
        _earlier(job["id"], sheets[:-1]),
    ]


def _file(job_id: int, sheet_id: int) -> Component:
    return html.A(text_job.BENCH_FILE, href=job_sheet_address(job_id, sheet_id), download="", className="no-print")


def groups(found: list[dict[str, Any]]) -> Component:
    """Each group with its voltage and, in words, its level."""
    if not found:
        return html.P(text_job.GROUPS_NONE, className="quiet")
    tiles = []
    for group in found:
        level = group.get("level") if group.get("level") in text_job.LEVEL else "unknown"
        flag = LEVEL_FLAG.get(str(level))
        mark = html.Span(className=f"flag flag-{flag}", **{"aria-hidden": "true"}) if flag else None
        doubted = group.get("apparent_v") is not None or "string_open" in (group.get("findings") or ())
        volts = text_job.GROUP_DOUBTED if doubted else text_job.GROUP_MISSING
        if group.get("voltage_v") is not None:
            volts = figure(group["voltage_v"], group.get("u_voltage_v"), "V")
        tiles.append(html.Li(
            [html.Span(text_job.GROUP.format(n=group["group"]), className="quiet"), html.Span(volts, className="unbroken tile-volts"),
             html.Span([mark, html.Span(text_job.LEVEL[str(level)])], className="tile-level")],
            className=f"group-tile tile-{flag or 'plain'}",
        ))
    return html.Div([html.P(text_job.GROUPS, className="hint"), html.Ul(tiles, className="group-tiles")])


def remarks(found: list[dict[str, Any]], whole: str, told: Set[str]) -> Component | None:
    """The gravest remarks of the sheet, but for dangers that are ``told`` on top of the page; notes stand on the sheet alone."""
    grave = sorted((item for item in found if item.get("severity") in SEVERITY_ORDER[:3] and item["message"] not in told),
                   key=lambda item: SEVERITY_ORDER.index(item["severity"]))
    if not grave:
        return None
    rows = [html.Li([components.severity_mark(item["severity"]), html.Span(item["message"], className="own-words")], className="job-remark")
            for item in grave[:REMARKS_SHOWN]]
    if len(grave) > REMARKS_SHOWN:
        rows.append(html.Li(dcc.Link(text_job.REMARKS_MORE.format(n=len(grave) - REMARKS_SHOWN), href=whole)))
    return html.Ul(rows, className="job-remarks")


def _titled(item: dict[str, Any]) -> str:
    """A cause with its group, where its title does not name it."""
    title, group = str(item["title"]), item.get("group")
    return title if not group or re.search(rf"\b{group}\b", title) else f"{title}, {text_job.GROUP.format(n=group)}"


def cause(found: dict[str, Any]) -> Component:
    """The cause that ranks first with its probability and its evidence, those after it, and what would split them."""
    ranked = found.get("causes") or []
    if not ranked:
        return html.P(text_job.CAUSE_NONE, className="quiet")
    first = ranked[0]
    sides = [_evidence(name, first.get(key) or ()) for name, key in ((text_job.FOR, "for"), (text_job.AGAINST, "against"))]
    others = [text_job.CAUSE_OTHER.format(title=_titled(item), share=share_text(item["probability"])) for item in ranked[1 : 1 + CAUSES_NAMED]]
    out = len(found.get("ruled_out") or ())
    lines = [text_job.CAUSE_OTHERS.format(others=", ".join(others)) if others else "",
             text.count_text(out, {0: "", **text_job.CAUSE_RULED_OUT}, text_job.CAUSE_RULED_OUT_MANY)]
    following = next((item["words"] for item in found.get("next") or ()), "")
    return html.Div(
        [
            html.P([html.Span(text_job.CAUSE, className="quiet"), html.Strong(advice.capital(_titled(first)), className="cause-title"),
                    html.Span(text_job.CAUSE_SHARE.format(share=chance_text(first)), className="tag tag-beyond cause-share")],
                   className="cause-head"),
            html.P(first["words"]) if first.get("words") else None,
            html.Div(sides, className="cause-sides"),
            html.P(" ".join(part for part in lines if part)) if any(lines) else None,
            html.P(text_job.MEASURE_NEXT.format(words=following)) if following and len(ranked) > 1 else None,
            html.P(f"{text_job.CAUSE_MARK} {WITHIN_WORDS}", className="hint"),
        ],
        className="job-cause",
    )


def _evidence(name: str, items: Any) -> Component | None:
    """One side of the evidence, the heaviest first as the sheet ranks it."""
    rows = list(items)[:EVIDENCE_SHOWN]
    if not rows:
        return None
    return html.Div([html.H3(name), html.Ul([html.Li(advice.capital(item["words"]), className="own-words") for item in rows])])


def _earlier(job_id: int, sheets: list[dict[str, Any]]) -> Component | None:
    if not sheets:
        return None
    rows = []
    for sheet in reversed(sheets):
        said: list[Any] = [text_job.SHEET_LINE.format(id=sheet["id"], day=text.day_text(sheet["at"]), who=sheet["who"])]
        if sheet.get("cause"):
            said += ["; ", text_job.SHEET_CAUSE.format(cause=sheet["cause"])]
        rows.append(html.Li([*said, " · ", _file(job_id, sheet["id"])], className="own-words"))
    return components.fold(text_job.SHEETS_OLD.format(n=len(sheets)), html.Ul(rows))
