"""Test plan, the result: warnings, steps along the time, what is not given, what is known beforehand, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.criteria_quantities import QUANTITIES
from cycler.plan import text as plan_text
from cycler.plan.bench import hours_text
from dashboard import components, ids_plan
from dashboard import text_plan as words
from dashboard.pages.pack_card import who_field

Plan = Mapping[str, Any]


def body(plan: Plan, labels: Mapping[str, str], job: int | None) -> Component:
    """The whole plan; ``labels`` name the criteria, ``job`` is the open job that it can be kept on."""
    return html.Div(
        [
            html.H2(plan["title"]), _facts(plan), _warnings(plan), _settles(plan), _acts(plan, job), _steps(plan, labels), _missed(plan), _beforehand(plan),
            html.Section([html.H2(words.CAUTIONS), *(components.caution(item["words"]) for item in plan["cautions"]), html.P(plan["deference"], className="quiet")], className="part"),
        ],
        className="plan-body",
    )


def labels_of(criteria: Any) -> dict[str, str]:
    """Label of every criterion of a set, by id."""
    return {item.id: QUANTITIES[item.quantity].label for item in criteria.criteria}


def _facts(plan: Plan) -> Component:
    rows = [(words.PACK_FACTS, plan_text.pack_text(plan)), (words.BENCH, plan_text.bench_text(plan)), (words.BY, plan["criteria_title"])]
    if plan["steps"]:
        rows = [(words.TAKES, plan_text.total_text(plan)), (words.LOG, plan_text.log_text(plan)), (words.HEAT, plan_text.energy_text(plan)), *rows]
    return html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in rows if value], className="plan-facts")


def _warnings(plan: Plan) -> Component | None:
    if not plan["warnings"]:
        return None
    items = [components.caution(f"{words.DANGER if item['severity'] == 'danger' else ''}{item['words']} {item['mend']}", item["severity"] == "danger") for item in plan["warnings"]]
    return html.Section([html.H2(words.WARNINGS), *items], className="part plan-warnings")


def _settles(plan: Plan) -> Component | None:
    if not plan["for_settling"]:
        return None
    return html.Section([html.H2(words.SETTLES), html.Ul([html.Li(sentence) for sentence in plan["for_settling"]])], className="part plan-settles")


def _acts(plan: Plan, job: int | None) -> Component:
    card = html.Button(words.CARD, id=ids_plan.PLAN_CARD, type="button", className="button button-main")
    keep: list[Any] = []
    if job is not None and plan["steps"]:
        keep = [who_field("plan"), html.Button(words.KEEP.format(job=job), id=ids_plan.PLAN_KEEP, type="button", className="button"),
                html.Span(id=ids_plan.PLAN_KEPT, role="status", className="wait-note")]
    return html.Div([card if plan["steps"] else None, *keep], className="act-row no-print")


def _steps(plan: Plan, labels: Mapping[str, str]) -> Component | None:
    if not plan["steps"]:
        return None
    begun, items = 0.0, []
    for step in plan["steps"]:
        items.append(_step(step, begun, labels))
        begun += step["duration_s"]
    return html.Section(
        [
            html.H2(words.STEPS), html.Ol(items, className="plan-steps"), html.P(words.WARMS_KEY, className="hint"),
            components.caution(words.STOP.format(words=plan_text.stops_text(plan)), danger=True),
        ],
        className="part",
    )


def _step(step: Mapping[str, Any], begun_s: float, labels: Mapping[str, str]) -> Component:
    setting, most, warms = plan_text.setting_text(step), plan_text.most_text(step), plan_text.warms_text(step)
    takes = words.MOST.format(time=plan_text.takes_text(step), most=most) if most else plan_text.takes_text(step)
    head = [
        html.Strong(step["title"], className="plan-step-title"), html.Span(setting, className="plan-setting") if setting != "–" else None, html.Span(takes, className="plan-takes"),
    ]
    more = [
        words.UNTIL.format(words="; ".join(step["until"])) if step["until"] else "", words.LOGGED.format(words=step["sampling_words"]) if step["logged"] else "",
        words.GIVES.format(words="; ".join(labels.get(name, name) for name in step["yields"])) if step["yields"] else "",
    ]
    told = [html.P(line, className=name) for line, name in zip(more, ("plan-until", "quiet", "plan-gives")) if line]
    when = words.STARTS.format(time=hours_text(begun_s)) if begun_s else words.STARTS_NOW
    return html.Li(
        [
            html.Div([html.Span(str(step["number"]), className="plan-number"), html.Span(when, className="plan-when")], className="plan-place"),
            html.Div([html.P(head, className="plan-head"), html.P(step["words"]), *told, html.P(words.WARMS.format(words=warms), className="quiet") if warms else None], className="plan-what"),
        ],
        className=f"plan-step plan-step-{'rest' if setting == '–' else 'on'}",
    )


def _missed(plan: Plan) -> Component | None:
    if not plan["not_covered"]:
        return html.P(words.ALL_COVERED, className="done") if plan["steps"] else None
    items = [html.Li(plan_text.missed_text(item)) for item in plan["not_covered"]]
    return html.Section([html.H2(words.NOT_COVERED), html.Ul(items)], className="part plan-missed")


def _beforehand(plan: Plan) -> Component | None:
    told = [f"{item['label']}: {item['words']}" for item in plan["expected"]] + list(plan["notes"])
    return html.Section([html.H2(words.BEFOREHAND), html.Ul([html.Li(line) for line in told])], className="part") if told else None
