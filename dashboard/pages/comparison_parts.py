"""What surrounds the figure of the comparison: chosen runs with their lines, dangers, what the difference says in words, buttons to take things along."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from dash import dcc, html
from dash.development.base_component import Component

from cycler.curvedifference import Difference
from cycler.quantities import figure_text, significant_text
from cycler.record import text as record_text
from dashboard import components, exports, text
from dashboard import text_compare as words
from dashboard.data import Door, RunItem, run_name
from dashboard.figures import style
from dashboard.figures.overlay import Laid, View
from dashboard.pages.comparison_state import Choice


@dataclass(frozen=True, slots=True)
class Chosen:
    """The runs that a choice means: their numbers, rows, the pack each was named by, the reference, and what has to be told."""

    runs: tuple[int, ...] = ()
    items: tuple[RunItem, ...] = ()
    packs: tuple[str, ...] = ()
    reference: int = 0
    said: tuple[str, ...] = ()
    pack: str = ""
    missing: tuple[int, ...] = field(default=())


def chosen_of(door: Door, choice: Choice) -> Chosen:
    """Look up what an address asks for; what the register lacks is told."""
    said = list(choice.said)
    picked = door.picked(choice.picks)
    if choice.before_after:
        return _before_after(door, choice, [one.item for one in picked if one.item is not None], said)
    runs: list[int] = []
    items: list[RunItem] = []
    packs: list[str] = []
    missing: list[int] = []
    for one in picked:
        if one.item is None:
            if one.run is not None:
                missing.append(one.run)
                said.append(words.RUN_MISSING.format(id=one.run))
            else:
                said.append(words.PACK_MISSING.format(pack=one.pack))
        elif one.item.id in runs:
            said.append(words.TWICE.format(pack=one.pack, id=one.item.id))
        else:
            runs.append(one.item.id)
            items.append(one.item)
            packs.append(one.pack or "")
    reference = choice.reference if choice.reference in runs else (runs[0] if runs else 0)
    if choice.reference is not None and runs and choice.reference not in runs:
        said.append(words.REFERENCE_MISSING.format(id=choice.reference, letter=style.RUN_LETTERS[0]))
    return Chosen(tuple(runs), tuple(items), tuple(packs), reference, tuple(said), missing=tuple(missing))


def _before_after(door: Door, choice: Choice, named: Sequence[RunItem], said: list[str]) -> Chosen:
    pack = choice.before_after
    counting = door.counting(pack)
    pair: list[RunItem] = [item for item in named if item.pack_id == pack]
    if choice.picks and (len(pair) != 2 or len(choice.picks) != 2):
        said.append(words.BEFORE_AFTER_SAME if len(choice.picks) == 1 and pair else words.BEFORE_AFTER_ODD.format(pack=pack))
        pair = []
    if not pair:
        if len(counting) < 2:
            said.append(words.BEFORE_AFTER_NONE.format(pack=pack, n=words.BEFORE_AFTER_RUNS[len(counting)]))
            return Chosen(said=tuple(said), pack=pack)
        pair = [counting[0], counting[-1]]
    runs = tuple(item.id for item in pair)
    return Chosen(runs, tuple(pair), ("", ""), runs[0], tuple(said), pack)


# ---- on top ----------------------------------------------------------------------------------------------------------


def danger_lines(door: Door, chosen: Chosen) -> list[Component]:
    """One line for each run that a danger was found in, or whose pack has one open on its card, with the way there."""
    found = []
    for letter, item in zip(style.RUN_LETTERS, chosen.items):
        items = [one for one in door.run(item.id).analysis.get("findings") or () if one.get("severity") == "danger"]
        what = list(dict.fromkeys(
            record_text.code_label(one["code"]) + (f" ({record_text.GROUP_N.format(n=one['group'])})" if one.get("group") else "") for one in items
        ))
        if item.open_dangers:
            what.append(words.DANGER_CARD)
        if not what:
            continue
        line = words.DANGER_LINE.format(letter=letter, name=run_name(item), what=", ".join(what))
        href = f"/run/{item.id}#{components.FINDINGS_ANCHOR}" if items else f"/pack/{quote(item.pack_id, safe='')}"
        found.append(
            html.P(
                [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Span([line, " ", html.A(text.DANGER_SEE if items else words.DANGER_SEE_CARD, href=href)])],
                className="danger-line own-words",
            )
        )
    return [html.Div(found, className="danger-lines", role="alert")] if found else []


def said_lines(said: Sequence[str]) -> list[Component]:
    """What of the address was passed over."""
    return [html.P(line, className="remark own-words") for line in dict.fromkeys(said)]


def run_keys(chosen: Chosen) -> Component:
    """Letter, line, name and last verdict of every chosen run."""
    return html.Ul([_run_key(order, chosen) for order in range(len(chosen.items))], className="run-keys", **{"aria-label": text.COMPARE_KEY})


def _run_key(order: int, chosen: Chosen) -> Component:
    item = chosen.items[order]
    dash = style.RUN_DASHES[order % 8]
    pattern = {"solid": "", "dash": "9 6", "dot": "2 4", "dashdot": "9 4 2 4", "longdash": "16 6",
               "longdashdot": "16 5 3 5"}.get(dash, dash.replace("px", "").replace(",", " "))
    tags = [
        html.Span(text.COMPARE_REFERENCE.lower(), className="tag") if item.id == chosen.reference else None,
        html.Span(words.NEWEST_OF.format(pack=chosen.packs[order]), className="tag own-words") if chosen.packs[order] else None,
        html.Span(words.WITHDRAWN, className="tag tag-withdrawn") if item.withdrawn else None,
    ]
    return html.Li(
        [
            html.Span(style.RUN_LETTERS[order], className="run-letter"),
            html.Img(src=_line_picture(style.RUN_COLOURS[order % 8], pattern), alt="", className="run-line"),
            dcc.Link(run_name(item), href=f"/run/{item.id}", className="own-words"),
            dcc.Link([html.Span(f"{text.LAST_VERDICT}: ", className="for-readers"), components.result_mark(item.verdict)],
                     href=f"/run/{item.id}/verdict", className="plain-link"),
            *tags,
        ]
    )


def _line_picture(colour: str, pattern: str) -> str:
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="56" height="10"><path d="M1 5H55" '
        f'stroke="{colour}" stroke-width="3" stroke-dasharray="{pattern}" fill="none"/></svg>'
    )
    return "data:image/svg+xml," + quote(svg)


# ---- below the figure ------------------------------------------------------------------------------------------------


def figure_words(runs: Sequence[Laid], found: Sequence[tuple[Laid, Difference]], view: View, reference: int, scale: tuple[float, str]) -> list[Component]:
    """Who is not drawn and why, what the difference says, and how all of it is meant."""
    base = style.RUN_LETTERS[reference]
    parts: list[Component] = [
        html.P(words.LEFT_OUT.format(letter=run.letter, reason=run.missing), className="remark") for run in runs if run.missing
    ]
    shown = [run for run in runs if not run.missing]
    if found:
        lines = [html.Li(difference_words(run, item, base, view, scale)) for run, item in found]
        parts.append(html.Ul(lines, className="difference-words"))
    elif len(shown) > 1 or runs[reference].missing:
        reason = words.DIFFERENCE_NO_REFERENCE.format(letter=base) if runs[reference].missing else words.DIFFERENCE_NO_OVERLAP
        parts.append(html.P(words.DIFFERENCE_NONE.format(reason=reason), className="remark"))
    how = [words.HOW[view.axis]]
    if view.quantity == "per-group":
        how.append(words.HOW_PER_GROUP)
    if view.extras and view.axis == "voltage":
        how.append(words.HOW_CURRENT_VOLTAGE)
    if found:
        how.append((words.DIFFERENCE_BAND_CHARGE if view.axis == "voltage" else words.DIFFERENCE_BAND).format(letter=base))
        benches = {item.common for _run, item in found}
        how += [words.DIFFERENCE_COMMON] * (True in benches) + [words.DIFFERENCE_APART] * (False in benches)
    parts.append(html.P(" ".join(how), className="hint"))
    return parts


def difference_words(run: Laid, item: Difference, base: str, view: View, scale: tuple[float, str]) -> str:
    """Where and how far a run lies apart from the reference, and whether it ran at the same current."""
    unlike = item.share_unlike()
    said = _apart_words(run, item, base, view, scale)
    if unlike == 1.0:
        return f"{said} {words.DIFFERENCE_UNLIKE_ALL}"
    return f"{said} {words.DIFFERENCE_UNLIKE.format(share=_percent(unlike))}" if unlike > 0.0 else said


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share > 0.005 else "< 1 %"


def _apart_words(run: Laid, item: Difference, base: str, view: View, scale: tuple[float, str]) -> str:
    largest = item.largest()
    share = item.share_beyond()
    if largest is None or share == 0.0:
        return words.DIFFERENCE_WITHIN.format(run=run.letter, base=base)
    x, value, u = largest
    unit = "Ah" if view.axis == "voltage" else "V"
    if unit == "V" and abs(value) < 1.0:
        value, u, unit = value * 1e3, None if u is None else u * 1e3, "mV"
    shown = figure_text(value, u, unit)
    shown = (f"+{shown}" if value > 0 else shown).replace("-", "−")
    at = f"{significant_text(round(x / scale[0], 2), 3)} {scale[1]}"
    if share is None:
        return words.DIFFERENCE_NO_LIMITS.format(run=run.letter, base=base, figure=shown, at=at)
    return words.DIFFERENCE_SAID.format(run=run.letter, base=base, share=_percent(share), at=at, figure=shown)


def picture_buttons(graph_id: str, stem: str, title: str) -> list[Component]:
    """Buttons that assets/export.js minds: the figure as it stands, with a white ground and a legend."""
    return [
        html.Button(label, className="button quiet-button", type="button",
                    **{"data-picture": kind, "data-figure": graph_id, "data-name": stem, "data-title": title})
        for kind, label in (("svg", words.PICTURE_SVG), ("png", words.PICTURE_PNG))
    ]


def picture_title(view: View, base: str) -> str:
    """Title of the picture that is taken along."""
    side = "charge" if view.charge else "discharge"
    return words.PICTURE_TITLE[view.axis == "voltage"].format(
        part=words.PART_CHOICE[side], quantity=words.QUANTITY_CHOICE[view.quantity].lower() + (f" {view.group}" if view.quantity == "group" else ""),
        axis=words.AXIS_CHOICE[view.axis].split(" / ")[0].lower(), letter=base,
    )


def table_link(runs: Sequence[int], reference: int) -> Component:
    """Link to the table as a file."""
    return html.A(words.TABLE_CSV, href=exports.table_address(runs, reference), download=f"{exports.file_stem(runs, 'table')}.csv", className="button quiet-button")


def limiting_words(result: dict[str, Any]) -> str:
    """Which group limits each run."""
    row = next((row for row in result["rows"] if row["quantity"] == "limiting_group"), None)
    known = [(style.RUN_LETTERS[i], int(value)) for i, value in enumerate(row["values"])  if value is not None] if row else []
    groups = ", ".join(words.GROUPS_LIMITING_ONE.format(letter=letter, group=value) for letter, value in known)
    return words.GROUPS_LIMITING.format(groups=groups) if known else ""
