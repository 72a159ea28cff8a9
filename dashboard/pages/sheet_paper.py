"""The bench sheet as a paper: what was entered, as it was typed. What the readings say is printed below it."""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard import components
from dashboard import text_job_sheet as text
from dashboard.pages.sheet_form import Values, observation_of
from dashboard.text import CHEMISTRY_WORDS


def paper(values: Values, observations: list[Any]) -> Component:
    """Every entry that is not empty, and the items that were looked for."""
    facts = [
        *((label, values.get(f"pack.{key}", "")) for key, label, _hint, _kind in text.PACK_FIELDS),
        (text.CHEMISTRY, CHEMISTRY_WORDS.get(values.get("pack.chemistry", ""), values.get("pack.chemistry", ""))),
        (text.COMPLAINT, values.get("complaint", "")), (text.LAMPS, values.get("lamps", "")),
        *((words, text.PAPER_LOOKED.get(values.get(f"look.{item}", ""), "")) for item, words in text.LOOK_ITEMS.items()),
        (text.LOOK_REMARK, values.get("remark", "")),
        *((f"{text.METER}: {label}" if key != "name" else label, values.get(f"meter.{key}", "")) for key, label, _hint, _kind in text.METER_FIELDS
          if values.get(f"meter.{key}")),
    ]
    readings = [(label, values.get(key, "")) for key, label, _hint, _kind in text.READING_FIELDS]
    way = values.get("taps_from", "")
    names = text.TAP_NAMES.get(way, text.TAP_NAMES[""])
    taps = sorted((int(key[5:]), value) for key, value in values.items() if key.startswith("taps.") and key[5:].isdecimal() and value)
    readings += [(text.TAPS_FROM, text.TAPS_WAYS[way][0] if way in text.TAPS_WAYS else "")] if taps else []
    readings += [(f"{names[n > 0].format(n=n, m=n + 1)} / V", value) for n, value in taps]
    for number in range(32):
        parts = [(label, values.get(f"probe.{number}.{key}", "")) for key, label, _hint, _kind in text.PROBE_FIELDS]
        if any(value for _label, value in parts):
            readings.append((text.PROBE_NAME.format(n=number + 1), "; ".join(f"{label}: {value}" for label, value in parts if value)))
    for key, value in values.items():
        item, place = observation_of(key, observations) if key.startswith("observed.") and value else (None, "")
        if item is not None:
            readings.append((f"{item.question}{place}", dict(item.choices).get(value, f"{value} {item.unit}".strip())))
    return html.Div(
        [
            html.H2(text.PAPER_FACTS), _list(facts), html.H2(text.PAPER_READINGS),
            components.table(text.PAPER_HEADS, [[label, value or text.PAPER_BLANK] for label, value in readings], class_name="dense-table"),
            html.P(text.PAPER_SIGN, className="paper-sign"),
        ],
        className="paper-body",
    )


def _list(facts: list[tuple[str, str]]) -> Component:
    return html.Dl([html.Div([html.Dt(label), html.Dd(value or text.PAPER_BLANK, className="own-words")]) for label, value in facts], className="facts paper-facts")
