"""Small builders that several pages share: results with shape and word, errors, tables, figures in words."""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterable, Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.errors import InputError
from cycler.record import text as record_text
from dashboard import advice, ids, text, text_run
from dashboard.figures.places import SEVERITY_ORDER, ranked

Children = Any
FINDINGS_ANCHOR = "findings"
"""Where the findings of a run stand on its page."""


def result_mark(result: str | None, large: bool = False) -> Component:
    """A result as shape and word: disc with tick, square with cross, half-filled ring, empty ring."""
    key = result if result in ("pass", "fail", "not_proven") else "none"
    size = " result-large" if large else ""
    return html.Span(
        [html.Span(className=f"shape shape-{key}", **{"aria-hidden": "true"}), html.Span(text.RESULT_WORD[key])],
        className=f"result result-{key}{size}",
    )


def severity_mark(severity: str) -> Component:
    """Severity of a finding as shape and word."""
    key = severity if severity in SEVERITY_ORDER else "info"
    return html.Span(
        [html.Span(className=f"flag flag-{key}", **{"aria-hidden": "true"}), html.Span(record_text.SEVERITY[key].capitalize())],
        className=f"severity severity-{key}",
    )


def error_panel(error: InputError, note: str = "") -> Component:
    """An error in its four parts: what, where, why, how to mend; in the page's words."""
    error = advice.for_page(error)
    parts = [
        html.Dt(text.ERROR_WHERE), html.Dd(str(error.where), className="error-where"),
        html.Dt(text.ERROR_WHY), html.Dd(error.why),
        html.Dt(text.ERROR_MEND), html.Dd(error.mend),
    ]
    return html.Div(
        [
            html.P([html.Span(className="shape shape-fail", **{"aria-hidden": "true"}),
                    html.Span(text.ERROR_TITLE.format(what=error.what))], className="error-what"),
            html.Dl(parts),
            html.P(note, className="error-note") if note else None,
        ],
        className="error-panel", role="alert",
    )


def caution(words: str, danger: bool = False) -> Component:
    """A short caution where someone acts."""
    return html.P(
        [html.Span(className="flag flag-danger" if danger else "flag flag-caution", **{"aria-hidden": "true"}),
         html.Span(words)],
        className="caution caution-danger" if danger else "caution",
    )


def danger_box(analysis: dict[str, Any], pack_id: str, run_id: int) -> Component | None:
    """Every danger found in a run: which run, which group, what was found and what to do. ``None`` if there is none."""
    found = [item for item in analysis.get("findings") or () if item.get("severity") == "danger"]
    if not found:
        return None
    names = {group["group"]: text.group_name(group) for group in analysis.get("groups") or ()}
    places = list(dict.fromkeys(
        names.get(item["group"], record_text.GROUP_N.format(n=item["group"])) for item in found if item.get("group")
    ))
    title = (text.DANGER_TITLE_GROUP if places else text.DANGER_TITLE).format(pack=pack_id, id=run_id, place=", ".join(places))
    items = [
        html.Li([html.Strong(advice.capital(record_text.code_label(item["code"]))), ": ",
                 advice.words(str(item.get("message") or record_text.code_sentence(item["code"])))])
        for item in found
    ]
    see = html.A(text.DANGER_SEE, href=f"/run/{run_id}#{FINDINGS_ANCHOR}")
    return html.Div(
        [
            html.P([html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(title)],
                   className="danger-title"),
            html.Ul(items),
            html.P([text.DANGER_DO, " ", see], className="danger-do"),
        ],
        className="danger-box", role="alert",
    )


def doubts_box(messages: Sequence[str]) -> Component | None:
    """What speaks against the way a log was read, before any result. ``None`` if nothing does."""
    if not messages:
        return None
    items = [html.Li(advice.capital(advice.words(message))) for message in messages]
    title = [html.Span(className="flag flag-caution", **{"aria-hidden": "true"}), html.Strong(text.DOUBTS_TITLE)]
    return html.Section(
        [html.P(title, className="doubts-title"), html.Ul(items)], className="doubts-box", **{"aria-label": text.DOUBTS_TITLE},
    )


def empty_state(title: str, more: str, heading: bool = False) -> Component:
    """What stands where there is nothing to show; ``heading`` where it is the whole page."""
    head = html.H1(title, className="empty-title") if heading else html.P(title, className="empty-title")
    return html.Div([head, html.P(more)], className="empty-state")


def _held(heading: Children) -> Children:
    """A heading that breaks before neither its unit nor the unit of a time in it."""
    if not isinstance(heading, str):
        return heading
    space = "\N{NO-BREAK SPACE}"
    return re.sub(r"(?<=\d) (?=s\b)", space, heading.replace(" / ", f"{space}/{space}"))


def table(
    heads: Sequence[Children], rows: Iterable[Sequence[Children]], caption: str = "", numbers: Sequence[int] = (),
    row_classes: Sequence[str] = (), class_name: str = "",
) -> Component:
    """A plain table; ``numbers`` are the columns set flush right. The first cell of a row is its heading."""
    body = []
    for index, row in enumerate(rows):
        cells = []
        for column, cell in enumerate(row):
            name = "number" if column in numbers else ""
            cells.append(html.Th(cell, scope="row", className=name) if column == 0 else html.Td(cell, className=name))
        body.append(html.Tr(cells, className=row_classes[index] if index < len(row_classes) else ""))
    head = [html.Th(_held(cell), scope="col", className="number" if i in numbers else "") for i, cell in enumerate(heads)]
    return html.Div(
        html.Table(
            [html.Caption(caption) if caption else None, html.Thead(html.Tr(head)), html.Tbody(body)],
            className=f"plain-table {class_name}",
        ),
        className="table-scroll", tabIndex=0, **{"data-hint": text.SCROLL_HINT},
    )


def fold(title: Children, content: Children, is_open: bool = False) -> Component:
    """A part that opens and closes."""
    return html.Details([html.Summary(title), content], open=is_open, className="fold")


def key_figure(name: str, figure: Children, remark: Children = "", class_name: str = "") -> Component:
    """One figure of the strip on top of a run; value, uncertainty and unit stay on one line, "at least" may stand above them."""
    if isinstance(figure, str) and "±" in figure:
        lead = text.AT_LEAST.format(figure="")
        bound = figure.startswith(lead)
        figure = [lead if bound else "", html.Span(figure.removeprefix(lead), className="unbroken")]
    return html.Div(
        [html.Dt(name), html.Dd([html.Span(figure, className="figure"), html.Span(remark, className="remark")])],
        className=f"key-figure {class_name}",
    )


def section(title: str, content: Children, class_name: str = "", anchor: str = "") -> Component:
    """A headed part of a page; ``anchor`` is its id for links."""
    own = {"id": anchor} if anchor else {}
    return html.Section(
        [html.H2(title), *(content if isinstance(content, list) else [content])], className=f"part {class_name}", **own
    )


def dom_id(component_id: Any) -> Any:
    """The id of a component as the page writes it; that of a pattern is a dict here."""
    return json.dumps(component_id, sort_keys=True, separators=(",", ":")) if isinstance(component_id, dict) else component_id


def field(label: str, control: Component, hint: str = "", class_name: str = "", spoken: str = "") -> Component:
    """A control with its label; ``spoken`` is the label where another control has the same one."""
    words = [label, html.Span(spoken.removeprefix(label), className="for-readers")] if spoken else label
    name = html.Label(words, htmlFor=dom_id(getattr(control, "id", None)))
    parts = [name, control, html.Span(hint, className="hint") if hint else None]
    # A drop-down names itself by its value alone; the group says what it is the value of.
    group = {"role": "group", "aria-label": spoken or label} if isinstance(control, dcc.Dropdown) else {}
    return html.Div(parts, className=f"field {class_name}", **group)


def loading(child: Component) -> Component:
    """Shows that something is being read, without moving what stands there."""
    return dcc.Loading(
        child, delay_show=250, overlay_style={"visibility": "visible", "opacity": 0.45},
        custom_spinner=html.P(text.LOADING, className="loading-note", role="status"),
    )


def findings_list(findings: list[dict[str, Any]], group_names: dict[int, str], placed: Container[int] = ()) -> Component:
    """Findings in words, numbered gravest first; those ``placed`` by number get a button that shows them in the curve. Notes come last, folded."""
    if not findings:
        return html.P(record_text.FINDINGS_NONE, className="quiet")
    grave: list[Component] = []
    notes: list[Component] = []
    for number, item in enumerate(ranked(findings), 1):
        (notes if item["severity"] == "info" else grave).append(_finding(number, item, group_names, number in placed))
    if not notes:
        return html.Ol(grave, className="findings")
    words = text_run.FINDING_NOTES.get(len(notes), text_run.FINDING_NOTES_MANY.format(n=len(notes)))
    folded = fold(words, html.Ol(notes, className="findings"))
    return html.Div([html.Ol(grave, className="findings") if grave else html.P(record_text.FINDINGS_NONE, className="quiet"), folded])


def _finding(number: int, item: dict[str, Any], group_names: dict[int, str], placed: bool) -> Component:
    place = group_names.get(item["group"], record_text.GROUP_N.format(n=item["group"])) if item.get("group") else ""
    label = advice.capital(record_text.code_label(item["code"]))
    message = text_run.SHORT.get(item["code"]) or advice.words(str(item["message"]))
    evidence = "" if item["code"] in text_run.SHORT else evidence_text(item.get("evidence"))
    button = html.Button(
        text_run.FINDING_SHOW, id={"type": ids.RUN_PLACE, "number": number}, type="button", className="button quiet-button",
        **{"aria-label": text_run.FINDING_SHOW_SPOKEN.format(number=number, label=f"{label} {place}".strip())},
    ) if placed else None
    head = html.P([html.Span(str(number), className="finding-number"), severity_mark(item["severity"]),
                   html.Span([html.Strong(label), f" · {place}" if place else ""], className="finding-name")], className="finding-head")
    return html.Li(
        [
            html.Div([head, button], className="finding-line"),
            html.P(advice.capital(message)),
            html.P(evidence, className="evidence") if evidence else None,
        ],
        id={"type": ids.RUN_FINDING, "number": number}, className=f"finding finding-{item['severity']}",
    )


def evidence_text(evidence: Any) -> str:
    """Evidence of a finding as one line; the analysis gives words, or named values."""
    if not evidence:
        return ""
    if isinstance(evidence, dict):
        return "; ".join(f"{str(key).replace('_', ' ')} {value}" for key, value in evidence.items())
    if isinstance(evidence, (list, tuple)):
        return "; ".join(str(item) for item in evidence)
    return str(evidence)
