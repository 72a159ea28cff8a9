"""The bench sheet, what is typed: pack, what was told, look and smell, meter, readings, further measurements."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import components
from dashboard import ids_job_sheet as ids
from dashboard import text_job_sheet as text
from dashboard.data import CHEMISTRIES
from dashboard.text import CHEMISTRY_WORDS

Values = Mapping[str, str]
DECIMAL = "decimal"
LENGTH_MAX = 4000


def field_id(key: str) -> dict[str, str]:
    """Id of a choice of the form."""
    return {"type": ids.FIELD, "key": key}


def text_id(key: str) -> dict[str, str]:
    """Id of what is typed. No callback listens to it: assets/sheet.js takes each key press from the field itself, which costs nothing."""
    return {"type": ids.TEXT, "key": key}


def says(key: str, class_name: str = "sheet-says") -> Component:
    """The place beside an entry where assets/sheet.js writes what is asked about it; read out when something comes."""
    return html.Div(className=class_name, **{"aria-live": "polite", "data-says": key})


def control(key: str, values: Values, kind: str, hint: str = "") -> Component:
    """One line to type into. Numbers bring up the keys of numbers; nothing is refused while it is typed."""
    keys = {"inputMode": DECIMAL} if kind == DECIMAL else {}
    return dcc.Input(
        id=text_id(key), type="text", value=values.get(key, ""), placeholder=hint, autoComplete="off", spellCheck=False, maxLength=LENGTH_MAX, **keys
    )


def entry(key: str, label: str, values: Values, kind: str = "text", hint: str = "", class_name: str = "") -> Component:
    """A line with its label, and below it what is asked about the entry."""
    return html.Div([components.field(label, control(key, values, kind, hint)), says(key)], className=f"sheet-entry {class_name}")


def words_entry(key: str, label: str, values: Values, hint: str) -> Component:
    """Several lines of words."""
    area = dcc.Textarea(id=text_id(key), value=values.get(key, ""), placeholder=hint, className="words-area", maxLength=LENGTH_MAX)
    return components.field(label, area, class_name="field-wide")


def choice(key: str, label: str, values: Values, options: Sequence[tuple[str, str]], class_name: str = "") -> Component:
    """One of a few words, each a target of its own."""
    offered = [{"value": value, "label": words} for value, words in options]
    kept = values.get(key, "")
    name = html.Span(label, className="look-name")
    buttons = dcc.RadioItems(id=field_id(key), options=offered, value=kept if kept in dict(options) else options[0][0], className="choice look-choice", inline=True)
    return html.Div([name, buttons], className=f"look-row {class_name}", role="group", **{"aria-label": label})


def pack_part(values: Values) -> Component:
    """Ratings, as far as they are known."""
    chemistry = dcc.Dropdown(
        id=field_id("pack.chemistry"), value=values.get("pack.chemistry") or None, placeholder=text.CHEMISTRY_NONE,
        options=[{"value": key, "label": CHEMISTRY_WORDS.get(key, key)} for key in CHEMISTRIES],
    )
    series, *rest = [entry(f"pack.{key}", label, values, kind, hint) for key, label, hint, kind in text.PACK_FIELDS]
    fields = [html.Div([components.field(text.CHEMISTRY, chemistry), says("pack.chemistry")], className="sheet-entry"), series, *rest]
    return components.section(text.PACK, [html.P(text.PACK_MORE, className="hint"), html.Div(fields, className="field-grid")], "sheet-part")


def told_part(values: Values) -> Component:
    """Complaint and lamp signs in the words of whoever tells them."""
    return components.section(
        text.TOLD,
        html.Div([words_entry("complaint", text.COMPLAINT, values, text.COMPLAINT_HINT), words_entry("lamps", text.LAMPS, values, text.LAMPS_HINT)],
                 className="sheet-words"),
        "sheet-part",
    )


def look_part(values: Values) -> Component:
    """Looked and smelt for, item by item."""
    rows = [choice(f"look.{item}", words, values, tuple(text.LOOK_CHOICES.items())) for item, words in text.LOOK_ITEMS.items()]
    return components.section(
        text.LOOK,
        [html.P(text.LOOK_MORE, className="hint"), html.Div(rows, className="look-list"), words_entry("remark", text.LOOK_REMARK, values, text.LOOK_REMARK_HINT)],
        "sheet-part",
    )


def meter_part(values: Values) -> Component:
    """The meter's data sheet; folded, since a workshop has one meter for long."""
    fields = [entry(f"meter.{key}", label, values, kind, hint) for key, label, hint, kind in text.METER_FIELDS]
    stated = next((values[f"meter.{key}"] for key in ("name", "voltage") if values.get(f"meter.{key}")), text.METER_UNKNOWN)
    return components.section(
        text.METER,
        components.fold(html.Span([html.Span(stated, id=ids.METER_GLANCE, className="glance")]),
                        html.Div([html.P(text.METER_MORE, className="hint"), html.Div(fields, className="field-grid")])),
        "sheet-part sheet-meter",
    )


def readings_part(values: Values) -> Component:
    """Single readings of the pack."""
    fields = [entry(key, label, values, kind, hint) for key, label, hint, kind in text.READING_FIELDS]
    return components.section(
        text.READINGS, [html.P(text.READINGS_MORE, className="hint"), html.Div(fields, className="field-grid")], "sheet-part",
    )


def observed_part(values: Values, observations: Sequence[Any]) -> Component:
    """Every further measurement that the reasoner knows, shortest first; those that tell most now are marked as the result comes."""
    rows = [observation_row(f"observed.{item.key}", item, values) for item in observations]
    more = html.Ol(located_rows(located_keys(values, observations), values, observations), id=ids.OBSERVED_LIST, className="observed-list observed-located")
    every = html.Button(text.OBSERVED_ALL.format(n=len(rows)), type="button", className="button quiet-button observed-all", **{"data-all-observed": ""})
    box = html.Div([html.Ol(rows, className="observed-list"), more, every], id=ids.OBSERVED_BOX, className="observed-box")
    return components.section(text.OBSERVED, [html.P(text.OBSERVED_MORE, className="hint"), html.Div(id=ids.OBSERVED_HEEDS), box], "sheet-part")


def located_keys(keys: Iterable[str], observations: Sequence[Any]) -> list[str]:
    """Keys of measurements at one group or tap among those of a form, in their order."""
    plain = {f"observed.{item.key}" for item in observations}
    return sorted({key for key in keys if key.startswith("observed.") and key not in plain and located_row(key, {}, observations) is not None})


def located_rows(keys: Iterable[str], values: Values, observations: Sequence[Any]) -> list[Component]:
    """Rows of measurements at one group or tap."""
    return [row for key in keys if (row := located_row(key, values, observations)) is not None]


def located_row(key: str, values: Values, observations: Sequence[Any]) -> Component | None:
    """A row of a measurement at one group or tap, whose key ends in its number; None for a key of nothing that is known."""
    item, place = observation_of(key, observations)
    return observation_row(key, item, values, place) if item is not None and place else None


def observation_of(key: str, observations: Sequence[Any]) -> tuple[Any, str]:
    """The measurement behind a key of the form, or None, and at which group or tap in words."""
    name = key.removeprefix("observed.")
    plain = next((item for item in observations if item.key == name), None)
    if plain is not None:
        return plain, ""
    base, _line, number = name.rpartition("_")
    located = next((item for item in observations if item.key == base and item.place), None)
    return (located, text.OBSERVED_AT[located.place].format(n=number)) if located is not None and number.isdecimal() else (None, "")


def observation_row(key: str, item: Any, values: Values, place: str = "") -> Component:
    """One further measurement: the question, its field or words to choose from, how it is done and what to mind."""
    name = f"{item.question}{place}"
    minutes = html.Span(text.OBSERVED_MINUTES.format(n=f"{item.minutes:g}"), className="observed-minutes")
    if item.choices:
        body = choice(key, name, values, (("", text.OBSERVED_NONE), *item.choices), "observed-choice")
    else:
        body = components.field(f"{name} / {item.unit}" if item.unit else name, control(key, values, DECIMAL), class_name="observed-field")
    parts = [
        html.Div([body, html.Span([minutes, html.Span(text.OBSERVED_NOW, className="tag observed-now")], className="observed-side")], className="observed-top"),
        says(key), html.P(item.how, className="hint"),
    ]
    return html.Li(parts, className="observed", **{"data-observed": key})
