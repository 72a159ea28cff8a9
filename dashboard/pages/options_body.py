"""Options for the pack of a job as they are shown: vetoes, what to look at first, the ranked list with its bars, what would turn it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.repair.options import money_text, span_text
from dashboard import components
from dashboard import text_job_options as words


def body(result: Mapping[str, Any]) -> list[Any]:
    """Everything that follows from the sheet and the workshop's figures."""
    by_code = {item["code"]: item for item in result["options"]}
    ranked = [by_code[code] for code in result["ranked"]]
    left = [item for item in result["options"] if not item["barred_by"] and item["net_expected"] is None]
    scale = _scale(ranked)
    turn = html.Div([html.P(result["lead"]["words"]) if result["lead"] else None, html.P(result["turning"]["words"])], className="options-turn")
    parts: list[Any] = [
        _vetoes(result, by_code), _first(result),
        components.section(words.RANKED_TITLE, [
            html.Ol([_option(item, place, result, scale) for place, item in enumerate(ranked, 1)], className="options-list"),
            html.H3(words.TURN_TITLE), turn, html.P(result["not_mended"]["words"]) if result["not_mended"] else None,
            *([html.H3(words.LEFT_TITLE), html.Ul([_line(item) for item in left], className="options-barred")] if left else []),
            *_barred(result), html.P(words.NOTE, className="hint"),
            html.P(words.ASSUMED.format(n=len(result["assumed"]))) if result["assumed"] else None,
        ]),
        components.section(words.CAUTION_TITLE, [components.caution(item["words"]) for item in result["cautions"]]),
    ]
    return [part for part in parts if part is not None]


def _line(item: Mapping[str, Any]) -> Component:
    return html.Li([html.Strong(item["title"]), ": ", item["reason"]])


def _vetoes(result: Mapping[str, Any], by_code: Mapping[str, Any]) -> Component | None:
    if not result["vetoes"]:
        return None
    items = []
    for veto in result["vetoes"]:
        bars = words.VETO_BARS.format(titles="; ".join(by_code[code]["title"] for code in veto["bars"] if code in by_code))
        items.append(html.Li([html.Strong(veto["words"]), " ", html.Span(bars, className="quiet")]))
    title = [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(words.VETO_TITLE)]
    return html.Div([html.P(title, className="danger-title"), html.Ul(items)], className="danger-box")


def _first(result: Mapping[str, Any]) -> Component | None:
    if not result["look_first"]:
        return None
    title = [html.Span(className="flag flag-caution", **{"aria-hidden": "true"}), html.Strong(words.FIRST_TITLE)]
    items = [html.Li([html.Strong(item["words"]), " ", item["why"]]) for item in result["look_first"]]
    return html.Section([html.P(title, className="doubts-title"), html.Ol(items)], className="doubts-box", **{"aria-label": words.FIRST_TITLE})


def _scale(ranked: list[Mapping[str, Any]]) -> tuple[float, float]:
    """Ends of the common scale of the bars, zero among them."""
    low = min([0.0, *(item["net_low"] for item in ranked)])
    high = max([0.0, *(item["net_high"] for item in ranked)])
    return low, high if high > low else low + 1.0


def _option(item: Mapping[str, Any], place: int, result: Mapping[str, Any], scale: tuple[float, float]) -> Component:
    money = result["currency"]
    chance, ends = item["chance_of_success"], item["chance_range"]
    passes = None if chance is None else html.P(words.PASSES.format(percent=100 * chance, low=100 * ends[0], high=100 * ends[1]))
    net = html.Div(
        [
            html.Span(words.EXPECTED, className="quiet"), html.Br(), html.Span(money_text(item["net_expected"], item["u_net"], money), className="figure"),
            html.Span(words.LOW_HIGH.format(span=span_text([item["net_low"], item["net_high"]], money)), className="remark"),
            _bar(item, scale),
        ],
        className="option-net",
    )
    facts = [(words.HOURS, span_text(item["hours"], "h")), (words.COST, span_text(item["cost"], money)), (words.VALUE, span_text(item["value"], money))]
    facts += [(words.IF_PASSES, span_text(item["net_if_passes"], money)), (words.IF_NOT, span_text(item["net_if_not"], money))] if item["net_if_passes"] else []
    more = html.Div([
        html.Dl([part for name, value in facts for part in (html.Dt(name), html.Dd(value))], className="option-facts"),
        html.P(words.NEEDS, className="quiet"), html.Ul([html.Li(line) for line in item["needs"]]),
    ])
    return html.Li(
        [
            html.Span(str(place), className="option-place"), html.Div([html.H3(item["title"]), passes, html.P(item["reason"])]), net,
            html.Div(components.fold(words.FACTS, more, is_open=place == 1), className="option-more"),
        ],
        className="option option-first" if place == 1 else "option", **{"data-option": item["code"]},
    )


def _bar(item: Mapping[str, Any], scale: tuple[float, float]) -> Component:
    """Lowest to highest, the likely part (± expanded uncertainty) and the mean against zero; the figures stand above it."""
    low, high = scale

    def at(value: float) -> float:
        return min(100.0, max(0.0, 100.0 * (value - low) / (high - low)))

    def band(name: str, start: float, end: float) -> Component:
        return html.Span(className=name, style={"left": f"{at(start):.2f}%", "width": f"{max(0.0, at(end) - at(start)):.2f}%"})

    mean, spread = item["net_expected"], 2.0 * item["u_net"]
    likely = (max(mean - spread, item["net_low"]), min(mean + spread, item["net_high"]))
    return html.Span(
        [
            band("option-span", item["net_low"], item["net_high"]), band("option-likely", *likely),
            html.Span(className="option-zero", style={"left": f"{at(0.0):.2f}%"}), html.Span(className="option-mean", style={"left": f"{at(mean):.2f}%"}),
        ],
        className="option-bar", **{"aria-hidden": "true"},
    )


def _barred(result: Mapping[str, Any]) -> list[Any]:
    barred = [item for item in result["options"] if item["barred_by"]]
    if not barred:
        return []
    lines = [html.Li(html.Strong(item["title"])) for item in barred]
    return [html.H3(words.BARRED_TITLE), html.Ul(lines, className="options-barred")]
