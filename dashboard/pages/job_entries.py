"""What was written on a job: the decision, work and parts, kept donor checks and plans, its tests; and the forms that write."""

from __future__ import annotations

import json
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.quantities import capacity_text
from cycler.record.values import figure
from dashboard import components, ids_job, text, text_job, text_pack
from dashboard.data import RunItem
from dashboard.pages import pack_card
from dashboard.pages.job_links import link_address

WRITE_KINDS = ("work", "part", "fault", "note")
KEPT_KINDS = ("donor_check", "plan")
WRITE_FORM, CLOSE_FORM, HANG_FORM = "job-write", "job-close", "job-hang"
WORDS_MAX = 2000


def of_kinds(job: dict[str, Any], *kinds: str) -> list[dict[str, Any]]:
    """Entries of some kinds, oldest first."""
    return [item for item in job.get("entries") or () if item["kind"] in kinds]


def by_words(item: dict[str, Any]) -> str:
    """Who wrote an entry and on which day."""
    return text_job.DECISION_BY.format(who=item["who"] or text.DASH, day=text.day_text(item["at"]))


# ---- the decision ----------------------------------------------------------------------------------------------


def decision(job: dict[str, Any]) -> list[Any]:
    """What was decided last and why, then what was decided before."""
    found = of_kinds(job, "decision")
    link = dcc.Link(text_job.DECISION_LINK, href=link_address("options", None, job["id"], job["pack_id"]) or "", className="button no-print") \
        if job["state"] != "closed" else None
    if not found:
        return [html.P([html.Strong(text_job.DECISION_NONE), " ", text_job.DECISION_NONE_MORE], className="quiet"), link]
    before = [html.Li(_decided(item)) for item in reversed(found[:-1])]
    return [
        html.Div(_decided(found[-1]), className="decided"),
        components.fold(text_job.DECISION_OLD.format(n=len(before)), html.Ul(before)) if before else None,
        link,
    ]


def _decided(item: dict[str, Any]) -> list[Any]:
    data = item.get("data") or {}
    turning = data.get("turning")
    turns = str((turning.get("words") if isinstance(turning, dict) else turning) or "")
    title = data.get("title") or text_job.OPTION.get(str(data.get("option")), "")
    return [
        html.P([html.Strong(title, className="decided-title"), html.Span(by_words(item), className="quiet entry-by")], className="decided-head"),
        html.P(item["text"], className="own-words") if item["text"] and item["text"] != title else None,
        html.P(text_job.DECISION_TURNS.format(words=turns), className="quiet") if turns else None,
    ]


# ---- work and parts --------------------------------------------------------------------------------------------


def work(job: dict[str, Any]) -> Component:
    """Faults, work, parts and notes in the order they were written."""
    found = of_kinds(job, *WRITE_KINDS)
    if not found:
        return html.P(text_job.WORK_NONE, className="quiet")
    return html.Ul([_work_item(item) for item in found], className="entries job-entries")


def _work_item(item: dict[str, Any]) -> Component:
    done_on = (item.get("data") or {}).get("done_on")
    parts = [text_job.DONE_ON.format(day=done_on) if done_on else "", by_words(item),
             text_job.ON_CARD.format(id=item["card_entry_id"]) if item.get("card_entry_id") else ""]
    return html.Li(
        [
            html.P([html.Span(text_job.KIND[item["kind"]], className="entry-kind"), html.Span(item["text"], className="own-words")], className="entry-words"),
            html.Span(" · ".join(part for part in parts if part), className="quiet entry-by"),
        ],
        className="entry",
    )


def write_form(job: dict[str, Any]) -> Component:
    """What is written on the job and the pack's card. It stands in the page once."""
    kind = WRITE_KINDS[0] if tested(job) else WRITE_KINDS[-1]
    kinds = [{"value": kind, "label": text_job.KIND[kind]} for kind in WRITE_KINDS]
    return html.Div(
        [
            html.H3(text_job.WRITE),
            html.P(text_job.WRITE_MORE, className="hint"),
            html.Div(
                [html.Span(text_job.WRITE_KIND, className="hint"),
                 dcc.RadioItems(id=ids_job.JOB_WRITE_KIND, options=kinds, value=kind, className="choice", inline=True)],
                className="field", role="group", **{"aria-label": text_job.WRITE_KIND},
            ),
            html.Div(components.caution(text_pack.WRITE_WORK_CAUTION), id=ids_job.JOB_WRITE_CAUTION),
            html.Div(
                [html.Label(text_job.WRITE_TEXT[kind], id=ids_job.JOB_WRITE_NAME, htmlFor=ids_job.JOB_WRITE_TEXT,
                            **{"data-names": json.dumps(text_job.WRITE_TEXT)}),
                 dcc.Textarea(id=ids_job.JOB_WRITE_TEXT, className="words-area", value="", maxLength=WORDS_MAX)],
                className="field",
            ),
            html.Div(
                [html.Div(_day_field(), id=ids_job.JOB_WRITE_DAY_BOX, className="day-field"), pack_card.who_field(WRITE_FORM),
                 html.Button(text_job.WRITE_GO, id=ids_job.JOB_WRITE_GO, type="button", className="button button-main"),
                 html.Span(id=ids_job.JOB_WRITE_BUSY, role="status", className="busy")],
                className="act-row act-row-low",
            ),
            html.Div(id=ids_job.JOB_WRITE_DONE, role="status"),
        ],
        id=ids_job.JOB_WRITE_BOX, className="job-form no-print", hidden=job["state"] == "closed",
    )


def _day_field() -> Component:
    """The day on which work was done; a test counts as one after the work by this day."""
    day = dcc.Input(id=ids_job.JOB_WRITE_DAY, type="text", autoComplete="off", maxLength=10, value="", placeholder=text_job.WRITE_DONE_ON_HINT)
    return components.field(text_job.WRITE_DONE_ON, day)


# ---- tests -----------------------------------------------------------------------------------------------------


def tested(job: dict[str, Any]) -> bool:
    """False once the job is closed, or where the pack is given up and so not tested."""
    return job["state"] != "closed" and not any(step["code"] == "test" and step["state"] == "not_needed" for step in job.get("steps") or ())


def runs(job: dict[str, Any]) -> list[Any]:
    """Runs that hang on the job with verdict and records, newest first."""
    found = list(job.get("runs") or ())
    if not found:
        more = text_job.RUNS_NONE_MORE if tested(job) else ""
        return [html.P([html.Strong(text_job.RUNS_NONE), " ", more], className="quiet"), _run_acts(job)]
    rows = [_run_row(run) for run in reversed(found)]
    table = components.table(text_job.H_RUNS, rows, text_job.RUNS_CAPTION, numbers=(4,), class_name="wide-table job-runs",
                             row_classes=["row-withdrawn" if run.get("withdrawn") else "" for run in reversed(found)])
    return [table, _run_acts(job)]


def _run_acts(job: dict[str, Any]) -> Component | None:
    if not tested(job):
        return None
    links = [dcc.Link(words, href=link_address(kind, None, job["id"], job["pack_id"]) or "", className="button")
             for words, kind in ((text_job.TO_ADD, "add"), (text_job.TO_PLAN, "plan"))]
    return html.Div(links, className="act-row no-print")


def _run_row(run: dict[str, Any]) -> tuple[Any, ...]:
    number = run["id"]
    day = text.day_text(run.get("started_at") or run.get("added_at"))
    verdict: Component = dcc.Link(components.result_mark(run.get("verdict")), href=f"/run/{number}/verdict", className="plain-link")
    if run.get("withdrawn"):
        verdict = html.Span(text_job.RUN_WITHDRAWN)
    serials = [html.Div(html.A(serial, href=f"/run/{number}/verdict#records")) for serial in run.get("serials") or ()]
    return (
        dcc.Link(str(number), href=f"/run/{number}", className="strong-link"),
        day if run.get("started_at") else text_job.RUN_ADDED.format(day=day),
        html.Span(run.get("label") or text.DASH, className="own-words"),
        verdict,
        html.Span(capacity_text(run) if run.get("capacity_ah") is not None else text.DASH, className="unbroken"),
        serials or text.DASH,
    )


def hang_form(items: list[RunItem], job: dict[str, Any]) -> Component:
    """Hangs a run that was added before the job was begun; hidden where there is none."""
    options = hang_options(items, job)
    return html.Details(
        [
            html.Summary(text_job.HANG),
            html.Div(
                [components.field(text_job.HANG_RUN, dcc.Dropdown(id=ids_job.JOB_HANG_RUN, options=options, placeholder=""), class_name="run-pick"),
                 pack_card.who_field(HANG_FORM), html.Button(text_job.HANG_GO, id=ids_job.JOB_HANG_GO, type="button", className="button")],
                className="act-row act-row-low",
            ),
            html.Div(id=ids_job.JOB_HANG_DONE, role="status"),
        ],
        id=ids_job.JOB_HANG_BOX, className="fold no-print", hidden=not options or job["state"] == "closed",
    )


def hang_options(items: list[RunItem], job: dict[str, Any]) -> list[dict[str, Any]]:
    """Runs of the pack that do not hang on the job."""
    there = {run["id"] for run in job.get("runs") or ()}
    return [
        {"value": item.id, "label": text_job.HANG_NAME.format(id=item.id, day=text.day_text(item.started_at or item.added_at),
                                                             label=f", {item.label}" if item.label else "")}
        for item in items if item.id not in there and not item.withdrawn
    ]


# ---- donor checks and plans ------------------------------------------------------------------------------------


def kept(job: dict[str, Any]) -> list[Any]:
    """Donor checks and plans that were kept with the job, newest first; each opens to what it said."""
    found = of_kinds(job, *KEPT_KINDS)
    shown: list[Any] = [_kept_item(item) for item in reversed(found)] or [html.P(text_job.KEPT_NONE, className="quiet")]
    if tested(job):
        links = [dcc.Link(words, href=link_address(kind, None, job["id"], job["pack_id"]) or "", className="button")
                 for words, kind in ((text_job.TO_DONOR, "donor"), (text_job.TO_NEW_PLAN, "plan"))]
        shown.append(html.Div(links, className="act-row no-print"))
    return shown


def _kept_item(item: dict[str, Any]) -> Component:
    data = item.get("data") or {}
    title = text_job.DONOR_RESULT.get(str(data.get("result")), "") if item["kind"] == "donor_check" else ""
    flag = html.Span(className="flag flag-danger", **{"aria-hidden": "true"}) if data.get("result") == "do_not_connect" else None
    return html.Div(
        [
            html.P([html.Span(text_job.KIND[item["kind"]], className="entry-kind"), flag, html.Strong(title) if title else None,
                    html.Span(by_words(item), className="quiet entry-by")], className="decided-head"),
            html.P(item["text"], className="own-words") if item["text"] else None,
            _pins(data) if item["kind"] == "donor_check" else _plan(data),
        ],
        className="kept-item",
    )


def _volts(pin: dict[str, Any], key: str, u_key: str = "u_v") -> str:
    """A potential, or a difference of two, with its expanded uncertainty."""
    return figure(pin[key], pin.get(u_key), "V").removesuffix(" V") if pin.get(key) is not None else text.DASH


def _pins(data: dict[str, Any]) -> Component | None:
    pins = data.get("pins") or []
    if not pins:
        return None
    rows = [
        (str(pin.get("pin", "")), _volts(pin, "own_v"), _volts(pin, "donor_v"), _volts(pin, "across_v", "u_across_v"),
         [html.Strong(text_job.PIN_VERDICT.get(pin.get("verdict"), "")), " ", pin.get("words") or ""])
        for pin in pins
    ]
    marked = ["row-marked" if pin.get("verdict") == "wrong" else "" for pin in pins]
    return components.fold(text_job.DONOR_PINS, components.table(text_job.H_PINS, rows, numbers=(1, 2, 3), row_classes=marked, class_name="wide-table dense-table kept-table"))


def _plan(data: dict[str, Any]) -> Component | None:
    steps = data.get("steps") or []
    if not steps:
        return None
    rows = [
        (str(step.get("number", "")), [html.Strong(step["title"]) if step.get("title") else None, " ", step.get("words") or ""],
         "; ".join(step.get("until") or ()), html.Span(text.duration_text(step.get("duration_s")), className="unbroken"))
        for step in steps
    ]
    total = html.P(text_job.PLAN_TOTAL.format(duration=text.duration_text(data["total_s"]))) if data.get("total_s") else None
    return components.fold(text_job.PLAN_STEPS, html.Div([components.table(text_job.H_PLAN, rows, class_name="wide-table dense-table kept-table"), total]))


# ---- closing ---------------------------------------------------------------------------------------------------


def close_form(closed: bool) -> Component:
    """Closes a job, or opens it again. It stands in the page once; its words follow the state."""
    return html.Section(
        [
            html.H2(text_job.CLOSE[closed], id=ids_job.JOB_CLOSE_HEAD),
            html.P(text_job.CLOSE_MORE[closed], id=ids_job.JOB_CLOSE_MORE, className="quiet"),
            html.Div(
                [
                    html.Div([html.Label(text_job.CLOSE_TEXT[closed], htmlFor=ids_job.JOB_CLOSE_TEXT, id=ids_job.JOB_CLOSE_NAME),
                              dcc.Input(id=ids_job.JOB_CLOSE_TEXT, type="text", autoComplete="off", value="", maxLength=WORDS_MAX)], className="field why-field"),
                    pack_card.who_field(CLOSE_FORM),
                    html.Button(text_job.CLOSE[closed], id=ids_job.JOB_CLOSE_GO, type="button", className="button"),
                ],
                className="act-row act-row-low",
            ),
            html.Div(id=ids_job.JOB_CLOSE_DONE, role="status"),
        ],
        id=ids_job.JOB_CLOSE, className="part no-print",
    )
