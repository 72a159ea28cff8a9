"""One criterion in one row: result, value, and how near it was on a scale; the rest of it opens below."""

from __future__ import annotations

import re
from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.record.values import banded, figure, plain
from dashboard import components, text, text_decision
from dashboard.figures.scale import Scale, scale

MAY_BE_NEGATIVE = ("temperature_max_c", "group_sag_end_v")
"""Quantities that may well be negative; every other one cannot."""

AT_MOST_ONE = ("coulombic_efficiency", "energy_efficiency")
"""Shares that cannot exceed the whole."""

BOUND_MARK = {"lower": "\N{RIGHTWARDS ARROW}", "upper": "\N{LEFTWARDS ARROW}"}
"""Where the true value lies of one that is only a bound."""

ROOM_FOR_WORD = 22.0
"""Width of the accepted stretch from which on it is named on the scale. [%]"""

LETTER_EM = 0.47
"""Width of a letter or digit, about; half of all of them bring the middle of a figure under its mark."""

WORD_WIDE = 17.0
"""Stretch that the word takes; it gives way to dot and bar. [%]"""


def place_of(row: dict[str, Any]) -> Scale:
    """Where the marks of a criterion lie."""
    return scale(
        row["value"], row["u_value"], row["limit"], row["guard_band"], row["direction"] == "at_least",
        None if row["quantity"] in MAY_BE_NEGATIVE else 0.0, 1.0 if row["quantity"] in AT_MOST_ONE else None,
    )


def scale_bar(row: dict[str, Any]) -> Component:
    """A criterion's scale as positioned marks; the figures stand beside it as text."""
    place = place_of(row)
    unit = row.get("unit", "")

    def band(name: str, start: float, end: float) -> Component:
        return html.Span(className=name, style={"left": f"{start:.2f}%", "width": f"{max(0.0, end - start):.2f}%"})

    marks = [
        band("gauge-accept", place.accept_from, place.accept_to),
        band("gauge-open", place.open_from, place.open_to),
        html.Span(className="gauge-limit", style={"left": f"{place.limit:.2f}%"}),
    ]
    if place.value is not None and place.low is not None and place.high is not None:
        marks.append(band("gauge-range", place.low, place.high))
        marks.append(html.Span(className=f"gauge-value gauge-{row['result']}", style={"left": f"{place.value:.2f}%"}))
        if row.get("bound") in BOUND_MARK:
            marks.append(html.Span(BOUND_MARK[row["bound"]], className=f"gauge-bound gauge-bound-{row['bound']}",
                                   style={"left": f"{place.high if row['bound'] == 'lower' else place.low:.2f}%"}))
    limit = text_decision.LIMIT_MARK.format(limit=plain(row["limit"], unit))
    ends = [
        html.Span(end_text(place.left, unit), className="gauge-end"),
        html.Span(limit, className="gauge-end gauge-end-limit"),
        html.Span(end_text(place.right, unit), className="gauge-end"),
    ]
    return html.Span(
        [html.Span([*marks, _side(place)], className="gauge"),
         html.Span(ends, className="gauge-ends", style={"--limit": f"{place.limit:.2f}%", "--half": f"{0.5 * LETTER_EM * len(limit):.2f}em"})],
        className="gauge-box", **{"aria-hidden": "true"},
    )


def _side(place: Scale) -> Component | None:
    """The word on the accepted stretch, at its outer end, where there is room for it."""
    if place.accept_to - place.accept_from < ROOM_FOR_WORD:
        return None
    on_left = place.accept_from <= 0.0
    ends = (place.low, place.high) if place.low is not None and place.high is not None else (50.0, 50.0)
    if ends[0] < WORD_WIDE if on_left else ends[1] > 100.0 - WORD_WIDE:
        return None
    measured = place.low is not None
    room = min(place.accept_to, ends[0] if measured else 100.0) if on_left else 100.0 - max(place.accept_from, ends[1] if measured else 0.0)
    return html.Span(html.Span(text_decision.ACCEPTED_SIDE), className=f"gauge-side gauge-side-{'left' if on_left else 'right'}", style={"width": f"{room:.2f}%"})


def end_text(value: float, unit: str) -> str:
    """End of a scale, a round figure of at most three digits."""
    return plain(float(f"{value:.3g}"), unit).replace("-", "\N{MINUS SIGN}")


def limit_text(row: dict[str, Any]) -> str:
    """ "at least 70 %"."""
    return text_decision.DIRECTION.get(row["direction"], "{limit}").format(limit=plain(row["limit"], row.get("unit", "")))


def accept_text(row: dict[str, Any]) -> str:
    """From which figure on a value is accepted, or "none" and why."""
    if row["acceptance_limit"] is not None:
        words = banded(row["acceptance_limit"], row.get("unit", ""), row["guard_band"])
        return text_decision.DIRECTION.get(row["direction"], "{limit}").format(limit=words)
    if row["value"] is None:
        reason = text_decision.ACCEPT_NO_VALUE
    else:
        reason = text_decision.ACCEPT_NO_ROOM if row["guard_band"] else text_decision.ACCEPT_NO_U
    return text_decision.ACCEPT_NONE.format(reason=reason)


def value_text(row: dict[str, Any]) -> str:
    """The value as it may be quoted: with its uncertainty, as a bound where it is one, with the group it is of."""
    if row["value"] is None:
        return text_decision.NO_VALUE
    words = figure(row["value"], row["u_value"], row.get("unit", ""))
    bound = {"lower": text.AT_LEAST, "upper": text.AT_MOST}.get(str(row.get("bound")))
    words = bound.format(figure=words) if bound else words
    return f"{words}, group {row['group']}" if row.get("group") else words


def spoken(row: dict[str, Any]) -> str:
    """The scale in words, for those who do not see it."""
    place = place_of(row)
    if place.value is None:
        where = "none"
    elif row["result"] in ("pass", "fail"):
        where = row["result"]
    else:
        where = "open" if place.open_from <= place.value <= place.open_to and place.open_from < place.open_to else "doubt"
    band = banded(row["guard_band"], row.get("unit", ""), row["guard_band"]) if row["guard_band"] else text_decision.SPOKEN_NO_BAND
    bound = text_decision.SPOKEN_BOUND.get(str(row.get("bound")), "") if place.value is not None else ""
    return text_decision.SPOKEN.format(limit=limit_text(row), band=band, place=text_decision.SPOKEN_PLACE[where] + bound)


def anchor_of(row: dict[str, Any]) -> str:
    """Id of a criterion's row, for links."""
    return "criterion-" + (re.sub(r"[^a-z0-9]+", "-", str(row.get("id") or row["quantity"]).lower()).strip("-") or "row")


def label_of(row: dict[str, Any]) -> str:
    """Name of what a criterion judges."""
    return str(row.get("label") or row["quantity"])


def criterion_item(row: dict[str, Any]) -> Component:
    """One criterion: result, value and scale in one line; limit, acceptance, chance, reason, why and source below it on demand."""
    facts = [(text_decision.LIMIT, limit_text(row)), (text_decision.ACCEPT, accept_text(row))]
    if row["probability_of_conformity"] is not None:
        facts.append((text_decision.CHANCE, text.share_text(row["probability_of_conformity"])))
    facts += [(text_decision.REASON, row["reason"]), (text_decision.WHY, row.get("why") or text.DASH),
              (text_decision.SOURCE, row.get("source") or text.DASH)]
    line = html.Summary(
        [
            components.result_mark(row["result"]),
            html.Span(
                [html.Span(label_of(row), className="judged-name"), html.Span(" "), html.Span(value_text(row), className="judged-value figure"),
                 html.Span(f". {spoken(row)}", className="for-readers")],
                className="judged-words",
            ),
            scale_bar(row),
        ],
        className="judged-line",
    )
    more = html.Dl([part for name, value in facts for part in (html.Dt(name), html.Dd(value))], className="judged-facts")
    return html.Li(html.Details([line, more]), id=anchor_of(row), className=f"judged judged-{row['result']}")
