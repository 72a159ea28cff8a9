"""The bench sheet, rows that grow: balance taps with the group that each makes, and thermistors."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from cycler.repair.sheet import EACH_GROUP, TAPS_FROM
from dashboard import components
from dashboard import ids_job_sheet as ids
from dashboard import text_job_sheet as text
from dashboard.pages.sheet_form import DECIMAL, Values, control, entry, field_id, says

ROWS_LEAST = 29
"""Rows of taps that stand ready, hidden as far as they are not asked for: 28 groups, more than packs of usual vehicles have."""
ROWS_MAX = 201
PROBES_READY = 6


def _last(values: Values, start: str) -> int:
    """One more than the highest number of an entry that is not empty."""
    numbers = [int(key.split(".")[1]) for key, value in values.items() if key.startswith(start) and key.split(".")[1].isdecimal() and value.strip()]
    return min(max(numbers, default=-1) + 1, ROWS_MAX)


def rows_shown(values: Values) -> int:
    """Fields of taps that the entries ask for: the series and one more, or one for each group; never fewer than hold something.

    assets/sheet.js does the same after each entry.
    """
    filled = _last(values, "taps.")
    series = values.get("pack.series", "").strip()
    if series.isdecimal() and 0 < int(series) <= ROWS_MAX - 1:
        return max(int(series) + (values.get("taps_from") != EACH_GROUP), filled)
    return max(filled + 1, 2)


def rows_needed(values: Values) -> int:
    """Rows that must stand in the page."""
    return min(max(rows_shown(values) + 1, ROWS_LEAST), ROWS_MAX)


def tap_row(number: int, values: Values, hidden: bool) -> Component:
    """One reading: its name by the way taps are taken, the field, the group that it makes, and what is asked about it."""
    key = f"taps.{number}"
    names = [
        html.Span(text.TAP_NAMES[way][number > 0].format(n=number, m=number + 1), className=f"tap-name tap-{way or 'plain'}") for way in ("", *TAPS_FROM)
    ]
    field = control(key, values, DECIMAL)
    return html.Div(
        [
            html.Label(names, htmlFor=components.dom_id(field.id)), field, html.Span("V", className="tap-unit"),
            html.Span(className="tap-step", **{"data-step": key}), says(key, "sheet-says tap-says"),
        ],
        className="tap-row", hidden=hidden, **{"data-tap": str(number)},
    )


def tap_rows(values: Values, first: int, count: int) -> list[Component]:
    """Rows from number ``first`` on, ``count`` in all with those before."""
    shown = rows_shown(values)
    return [tap_row(number, values, number >= shown) for number in range(first, count)]


def taps_part(values: Values) -> Component:
    """How the taps were read, and the list to type."""
    way = values.get("taps_from") if values.get("taps_from") in TAPS_FROM else None
    options = [
        {"value": key, "label": html.Span([html.Span(className=f"way-drawing way-{key}", **{"aria-hidden": "true"}),
                                           html.Span([html.Strong(name), html.Span(more, className="hint")], className="way-words")], className="way")}
        for key, (name, more) in text.TAPS_WAYS.items()
    ]
    ways = dcc.RadioItems(id=field_id("taps_from"), options=options, value=way, className="choice way-choice")
    return components.section(
        text.TAPS,
        [
            html.Div([html.Span(text.TAPS_FROM, className="hint"), ways], className="field", role="group", **{"aria-label": text.TAPS_FROM}),
            html.P(text.TAPS_MORE, className="hint"), says("taps_from"),
            html.Div(tap_rows(values, 0, rows_needed(values)), id=ids.TAPS, className="tap-list", **{"data-way": way or ""}),
            html.Div([html.Button(text.TAP_MORE, type="button", className="button quiet-button", **{"data-one-more": "taps"}),
                      html.Button(text.NEXT_READING, type="button", className="button next-reading", **{"data-next-reading": ""})], className="act-row"),
        ],
        "sheet-part",
    )


def probes_part(values: Values, types: Sequence[tuple[str, str]]) -> Component:
    """Thermistors by the ohmmeter."""
    filled = _last(values, "probe.")
    rows = [_probe_row(number, values, types, number >= max(2, filled)) for number in range(max(PROBES_READY, filled + 1))]
    more = html.Button(text.PROBE_MORE, type="button", className="button quiet-button", **{"data-one-more": "probes"})
    return components.section(text.PROBES, [html.P(text.PROBES_MORE, className="hint"), html.Div(rows, className="probe-list"), html.Div(more, className="act-row")],
                              "sheet-part")


def _probe_row(number: int, values: Values, types: Sequence[tuple[str, str]], hidden: bool) -> Component:
    start, name = f"probe.{number}", text.PROBE_NAME.format(n=number + 1)
    own = bool(values.get(f"{start}.r25_ohm"))
    chosen = values.get(f"{start}.type") or ("own" if own else "")
    fields = {key: entry(f"{start}.{key}", label, values, kind, hint) for key, label, hint, kind in text.PROBE_FIELDS}
    opened = html.Button(text.PROBE_OPEN, type="button", className="button quiet-button", **{"data-open-reading": text.PROBE_OPEN_WORD,
                                                                                         "aria-label": f"{name}: {text.PROBE_OPEN}"})
    kind = dcc.Dropdown(
        id=field_id(f"{start}.type"), value=chosen, clearable=False,
        options=[{"value": "", "label": text.PROBE_UNKNOWN}, *({"value": code, "label": words} for code, words in types), {"value": "own", "label": text.PROBE_OWN}],
    )
    owns = [entry(f"{start}.{key}", label, values, kind_, hint) for key, label, hint, kind_ in text.PROBE_OWN_FIELDS]
    return html.Fieldset(
        [
            html.Legend(name),
            html.Div([fields["name"], html.Div([fields["ohm"], opened], className="probe-ohm"), fields["place"], fields["temperature_c"],
                      components.field(text.PROBE_TYPE, kind, spoken=f"{text.PROBE_TYPE}: {name}")], className="field-grid probe-grid"),
            html.Div(html.Div(owns, className="field-grid"), className="probe-own", hidden=chosen != "own"),
        ],
        className="probe", hidden=hidden, **{"data-probe": str(number)},
    )
