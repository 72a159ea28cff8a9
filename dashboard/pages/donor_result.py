"""The result of the donor check: the words in big type, pin by pin, what the plugs differ by, cautions."""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.quantities import figure_text
from dashboard import components
from dashboard import text_donor as words
from dashboard.door.donors import PlugsCompared

_SHAPES = {"do_not_connect": "fail", "agrees": "pass", "not_known": "not_proven"}
_PIN_SHAPES = {"same": "pass", "wrong": "fail", "not_measured": "not_proven"}


def nothing() -> Component:
    """Before anything is typed."""
    return components.empty_state(words.NONE_TITLE, words.NONE_MORE)


def body(compared: PlugsCompared) -> list[Any]:
    """Everything below the heading."""
    if compared.result is None:
        return [_wrong(compared)] if compared.wrong else [nothing()]
    result = compared.result
    parts: list[Any] = [_head(result), *(html.P(line, className="quiet") for line in _facts(result))]
    if result["remarks"]:
        parts += [html.H3(words.REMARKS), html.Ul([html.Li(item["words"]) for item in result["remarks"]], className="donor-remarks")]
    parts += [
        html.H3(words.PIN_LIST), html.Ol([_pin(item) for item in result["pins"]], className="donor-pins"),
        html.P([words.VOLTS_NOTE, " ", words.METER_NOTE if result["meter_assumed"] else ""], className="hint"),
        html.H3(words.CAUTION_TITLE), *(components.caution(item["words"]) for item in result["cautions"]),
    ]
    return parts


def _wrong(compared: PlugsCompared) -> Component:
    found = [
        html.Li(words.WRONG_LINE.format(where=error.where, what=error.what, why=error.why, mend=error.mend[:1].upper() + error.mend[1:] + "."))
        for side in compared.wrong.values() for error in side.values()
    ]
    title = [html.Span(className="flag flag-caution", **{"aria-hidden": "true"}), html.Strong(words.WRONG_TITLE)]
    return html.Div([html.P(title, className="doubts-title"), html.Ul(found), html.P(words.WRONG_MORE)], className="doubts-box")


def _head(result: dict[str, Any]) -> Component:
    key = result["result"]
    more = result["words"].removeprefix(f"{words.RESULT_WORD[key]}.").strip()
    return html.Div(
        [html.Span(className=f"shape shape-{_SHAPES[key]}", **{"aria-hidden": "true"}),
         html.Div([html.P(words.RESULT_WORD[key], className="donor-word"), html.P(more)])],
        className=f"donor-head donor-{key}",
    )


def _facts(result: dict[str, Any]) -> list[str]:
    lines = []
    for name, side in (("own", words.OWN_SIDE), ("donor", words.DONOR_SIDE)):
        series, step = result[f"series_{name}"], result[f"step_{name}_v"]
        parts = [result[f"{name}_name"], words.FACT_SERIES.format(n=series) if series else words.FACT_NONE]
        parts += [words.FACT_STEP.format(v=step)] if step else []
        parts += [result[f"keying_{name}"]]
        lines.append(words.FACTS.format(side=side, words=", ".join(part for part in parts if part)))
    return lines


def _pin(item: dict[str, Any]) -> Component:
    shape = _PIN_SHAPES[item["verdict"]]
    mark = html.Span(
        [html.Span(className=f"shape shape-{shape}", **{"aria-hidden": "true"}), html.Span(words.VERDICT_WORD[item["verdict"]])], className=f"result result-{shape}",
    )
    two = f"{words.OWN_SIDE}: {_side(item['own_role'], item['own_v'])} · {words.DONOR_SIDE}: {_side(item['donor_role'], item['donor_v'])}"
    more = [html.P(item["words"]), html.P(two, className="donor-two")]
    if item["across_v"] is not None:
        more.insert(1, html.P(words.ACROSS.format(figure=figure_text(item["across_v"], item["u_across_v"], "V")), className="donor-across"))
    return html.Li(
        [html.Span(words.PIN_N.format(n=item["pin"]), className="donor-pin-n"), mark, html.Div(more)], className=f"donor-pin donor-pin-{item['verdict']}",
        **{"data-pin": str(item["pin"])},
    )


def _side(role: str, volts: float | None) -> str:
    return role if volts is None else words.V_AT.format(role=role, v=f"{volts:.3f} V")
