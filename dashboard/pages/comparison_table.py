"""The table of figures of the comparison, the sentence of a before and after, and what else differs between two tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from cycler.compare import changes, difference_text
from cycler.quantities import figure_text
from dashboard import advice, components, text
from dashboard import text_compare as words


def shown_unit(unit: str) -> tuple[float, str]:
    """Factor and unit of a row: small voltages in millivolts."""
    return (1e3, "mV") if unit == "V" else (1.0, unit)


def figure_words(value: Any, u: Any, unit: str) -> str:
    """A figure with its expanded uncertainty, as the table shows it."""
    if isinstance(value, int) and not unit:
        return str(value)
    factor, name = shown_unit(unit)
    return figure_text(value * factor, None if u is None else u * factor, name)


def difference_words(row: dict[str, Any], index: int) -> str:
    """A run's difference from the reference as the program tells it, with the sign of print."""
    return difference_text(row, index).replace("-", "−")


def difference_cell(row: dict[str, Any], index: int, reference: int) -> Any:
    """A run's figure and, under it, its difference from the reference with what can be said of it."""
    value = row["values"][index]
    if value is None:
        return text.DASH
    shown = figure_words(value, row["u"][index], row["unit"])
    if row["bound"][index] == "lower":
        shown = text.AT_LEAST.format(figure=shown)
    if row["group"][index]:
        shown += f", group {row['group'][index]}"
    parts = [html.Div(shown)]
    if not row["valid"][index]:
        parts.append(html.Div(text.COMPARE_INVALID, className="quiet"))
    difference = row["difference"][index]
    claimed = row["valid"][index] and row["valid"][reference]
    if index != reference and difference is not None and claimed and row["u_difference"][index] is None:
        parts.append(html.Div(text.COMPARE_NO_U, className="quiet"))
    elif index != reference and difference is not None and claimed:
        parts.append(html.Div([difference_words(row, index), " ", significance(row, index)], className="difference"))
    return parts


def significance(row: dict[str, Any], index: int) -> Component | None:
    """Shape and word for a difference: better, worse, differs, or within the uncertainty."""
    significant = row["significant"][index]
    if significant is None:
        return None
    if not significant:
        return turn_mark("within", text.WITHIN)
    improved = row["improved"][index]
    return turn_mark("differs", text.BEYOND) if improved is None else turn_mark("better", text.BETTER) if improved else turn_mark("worse", text.WORSE)


def turn_mark(kind: str, word: str) -> Component:
    """A word with its shape: triangle upward or downward, diamond, or two bars."""
    beyond = "" if kind == "within" else " tag-beyond"
    return html.Span([html.Span(className=f"turn turn-{kind}", **{"aria-hidden": "true"}), word], className=f"tag tag-turn tag-{kind}{beyond}")


def heads(first: str, letters: Sequence[str], reference: int) -> list[str]:
    """Headings of a table with a column for each run."""
    return [first, *(f"{letter} ({text.COMPARE_REFERENCE.lower()})" if i == reference else letter for i, letter in enumerate(letters))]


def difference_table(result: dict[str, Any], letters: Sequence[str]) -> Component:
    """Table of differences, with the notes of the comparison."""
    reference = int(result["reference"])
    rows = [
        (row["label"], *(difference_cell(row, index, reference) for index in range(len(letters))))
        for row in result["rows"] if any(value is not None for value in row["values"])
    ]
    notes = [html.Li(advice.words(str(note))) for note in result.get("notes") or ()]
    columns = heads("", letters, reference)
    return html.Div(
        [
            # A caption inside the table would be as wide as all its columns and run out of a narrow window.
            html.P(text.COMPARE_CAPTION, className="table-words"),
            components.table(columns, rows, numbers=range(1, len(columns)), class_name="wide-table compare-table by-run"),
            html.Ul(notes, className="notes") if notes else None,
        ]
    )


# ---- before and after ------------------------------------------------------------------------------------------------


def summary(result: dict[str, Any], index: int, before: str, after: str) -> Component:
    """What got better or worse beyond its uncertainty, in words; what makes the two tests unlike stands beside it."""
    found = changes(result, index)
    parts: list[Any] = [html.Span(words.SUM_LEAD.format(after=after, before=before), className="sum-lead own-words")]
    told = [(kind, word, found[kind]) for kind, word in (("better", text.BETTER), ("worse", text.WORSE), ("differs", text.BEYOND)) if found[kind]]
    for order, (kind, word, items) in enumerate(told):
        parts += ["; " if order else "", turn_mark(kind, word), " ", *_items(items)]
    if not told:
        parts.append(words.SUM_NOTHING)
    doubts = [html.Li(advice.words(note)) for note in result["doubts"][index]]
    return html.Section(
        [
            html.P([*parts, "."], className="sum-line"),
            html.P(words.SUM_WITHIN.format(labels=_labels(found["within"])), className="hint") if found["within"] else None,
            html.P(words.SUM_UNCLAIMED.format(labels=_labels(found["unclaimed"])), className="hint") if found["unclaimed"] else None,
            html.Div(
                [html.P([html.Span(className="flag flag-caution", **{"aria-hidden": "true"}), words.DOUBTS], className="sum-doubts-title"),
                 html.Ul(doubts)], className="sum-doubts",
            ) if doubts else None,
        ],
        className="part part-summary", **{"aria-label": words.BEFORE_AFTER_TITLE.format(pack="")},
    )


def _items(items: Sequence[dict[str, str]]) -> list[Any]:
    parts: list[Any] = []
    for order, item in enumerate(items):
        shown = item["difference"].replace("-", "−")
        parts += [", " if order else "", f"{_low(item['label'])} ", html.Span(shown, className="figure sum-figure")]
    return parts


def _low(label: str) -> str:
    return label[:1].lower() + label[1:]


def _labels(items: Sequence[dict[str, str]]) -> str:
    return ", ".join(_low(item["label"]) for item in items)
