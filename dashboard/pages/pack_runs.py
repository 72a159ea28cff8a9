"""Runs of one pack: the table, its figures over time, two rests joined, and the acts that put a run right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.quantities import significant_text
from cycler.record.values import figure
from dashboard import advice, components, ids, text, text_pack
from dashboard.address import before_after_address
from dashboard.data import PackRun, PackSheet, RunItem
from dashboard.figures import style
from dashboard.figures.trend import trend

if TYPE_CHECKING:
    from cycler.reanalysis import Corrected

TREND_KEYS = ("capacity_ah", "resistance_10s_ohm")


def figure_cell(run: PackRun, key: str, unit: str) -> Component:
    """A figure of a run in the table; a bound or a figure that is not valid says so."""
    found = run.figures.get(key)
    if found is None or found["value"] is None:
        return html.Span(text.DASH)
    shown = html.Span(figure(found["value"], found["u"], unit), className="unbroken")
    if found["lower_bound"]:
        return html.Span([text.AT_LEAST.format(figure="").strip(), " ", shown])
    return html.Span([shown, f" {text_pack.TREND_INVALID}"]) if found["reasons"] else shown


def capacity_cell(run: PackRun) -> Component:
    """The capacity; that of a run that was withdrawn stands there as it was kept."""
    item = run.item
    if run.figures or item.capacity_ah is None:
        return figure_cell(run, "capacity_ah", "Ah")
    shown = html.Span(figure(item.capacity_ah, item.u_capacity_ah, "Ah"), className="unbroken")
    return html.Span([text.AT_LEAST.format(figure="").strip(), " ", shown]) if item.capacity_is_lower_bound else shown


def when_cell(item: RunItem) -> Component:
    """The day of the test, or that of adding where the log carries none."""
    day = html.Span(text.day_text(item.started_at or item.added_at), className="unbroken")
    return day if item.started_at else html.Span([html.Span(text.ADDED.format(when="").strip(), className="hint"), " ", day])


def run_row(run: PackRun) -> tuple[Any, ...]:
    """One line of the table."""
    item = run.item
    verdict = html.Span(text.WITHDRAWN, className="tag withdrawn-tag") if item.withdrawn else components.result_mark(item.verdict)
    group = text_pack.GROUP.format(n=item.limiting_group) if item.limiting_group else text.DASH
    return (
        dcc.Link(str(item.id), href=f"/run/{item.id}", className="strong-link"),
        when_cell(item),
        html.Span(item.label or text.DASH, className="own-words"),
        dcc.Link(verdict, href=f"/run/{item.id}/verdict", className="plain-link"),
        capacity_cell(run),
        figure_cell(run, "state_of_health", "share"),
        figure_cell(run, "resistance_10s_ohm", "ohm"),
        group,
        dcc.Link(str(len(run.serials)), href=f"/run/{item.id}/verdict") if run.serials else text.DASH,
    )


def runs_part(sheet: PackSheet) -> list[Any]:
    """Table of the runs, and the way to before and after."""
    if not sheet.runs:
        return [html.P(text_pack.RUNS_NONE, className="quiet")]
    rows = [run_row(run) for run in sheet.runs]
    classes = ["row-withdrawn" if run.item.withdrawn else "" for run in sheet.runs]
    table = components.table(
        text_pack.H_RUNS, rows, caption=text_pack.RUNS_CAPTION, numbers=(4, 5, 6), row_classes=classes,
        class_name="wide-table dense-table pack-runs",
    )
    if len(sheet.counting) < 2:
        return [table]
    go_compare = dcc.Link(text_pack.BEFORE_AFTER, href=before_after_address(sheet.id), className="button")
    return [html.P(go_compare, className="no-print"), table]


# ---- over time -------------------------------------------------------------------------------------------------


def line_words(line: dict[str, Any]) -> str:
    """What the runs show of one figure: a change with its uncertainty where it is significant, else why none is told."""
    runs = text_pack.TREND_RUNS.format(runs=", ".join(map(str, line["runs"]))) if line["runs"] else ""
    parts, scatter = [], False
    for name, words in text_pack.PER.items():
        if line[name] is None or not line[f"significant_{name}"]:
            continue
        change = figure(abs(line[name]), line[f"u_{name}"], line["unit"])
        if line["unit"] == "share":
            change = change.replace("%", text.POINTS)
        elif line[f"share_{name}"] is not None:
            change += f" ({figure(abs(line[f'share_{name}']), line[f'u_share_{name}'], 'share')})"
        parts.append(f"{(text_pack.FALLS if line[name] < 0 else text_pack.RISES).format(figure=change)} {words}")
        scatter = scatter or bool(line[f"reasons_{name}"])
    if parts:
        said = text_pack.TREND_SAID.format(label=line["label"], parts=", ".join(parts) + runs)
        return said + (text_pack.TREND_SCATTER if scatter else "")
    if any(line[name] is not None for name in text_pack.PER):
        return text_pack.TREND_STILL.format(label=line["label"] + runs)
    reason = next(iter(line["reasons_per_run"]), "")
    return text_pack.TREND_NO_LINE.format(label=line["label"], why=text_pack.TREND_WHY.get(reason, text_pack.TREND_WHY[""]))


def trend_words(lines: dict[str, Any]) -> list[str]:
    """What the runs show of every figure; one sentence where no figure has a line yet."""
    if all(line["reasons_per_run"] == ["too_few_points"] and line["per_30_days"] is None for line in lines.values()):
        return [text_pack.TREND_TOO_FEW]
    return [line_words(line) for line in lines.values()]


def trend_part(sheet: PackSheet) -> list[Any]:
    """Figures over the runs and what they show, in words."""
    told = sheet.history
    if told is None or len(told["runs"]) < 2:
        return [html.P(text_pack.TREND_ONE, className="quiet")]
    drawn = [(key, trend(told, key, text_pack.TREND_TITLES[key])) for key in TREND_KEYS]
    graphs = [
        dcc.Graph(figure=made, config=style.STATIC_CONFIG, className=f"trend-{key.split('_')[0]}", style={"height": f"{made.layout.height}px"})
        for key, made in drawn if made is not None
    ]
    breaks = [text_pack.TREND_BREAK.format(run=item["run"], why=item["why"].replace("_", " ")) for item in told["breaks"]]
    notes = [words for note in told["notes"] if (words := _note(note))]
    return [
        html.Div(graphs, className="bar-row trend-row") if graphs else None,
        html.P(text_pack.TREND_CAPTION, className="hint") if graphs else None,
        html.Ul([html.Li(words) for words in trend_words(told["lines"])], className="trend-words"),
        html.Ul([html.Li(words) for words in [*breaks, *notes]], className="notes") if breaks or notes else None,
    ]


def _note(note: str) -> str:
    """A note as the page tells it: what is begun with an option of the command is a choice here."""
    return "" if "--since" in note else advice.words(note)


def since_options(sheet: PackSheet) -> list[dict[str, Any]]:
    """Runs at which the lines may begin."""
    first = [{"value": 0, "label": text_pack.SINCE_ALL}]
    return first + [{"value": run.item.id, "label": run_words(run)} for run in reversed(sheet.counting)]


def run_words(run: PackRun) -> str:
    """A run in a choice: number, day, label."""
    item = run.item
    return ", ".join(part for part in (
        text_pack.TREND_RUN.format(id=item.id), text.day_text(item.started_at or item.added_at), item.label, text.WITHDRAWN if item.withdrawn else "",
    ) if part)


# ---- two rests -------------------------------------------------------------------------------------------------


def standing_part(found: dict[str, Any]) -> Component:
    """Leak of each group between two rests."""
    first, second = found["runs"]
    rows = []
    for line in found["groups"]:
        state = (
            text_pack.STANDING_LEAKS if line["leaks"] else text_pack.STANDING_WATCH if line["watch"]
            else text_pack.STANDING_MORE_LOST if line["shown"]
            else ", ".join(text_pack.STANDING_REASON.get(code, code.replace("_", " ")) for code in line["reasons"]) or text_pack.STANDING_ALIKE
        )
        rows.append((
            str(line["group"]), _bare(line["first_v"], None, "V"), _bare(line["second_v"], None, "V"),
            _bare(line["drift_to_siblings_mv_per_day"], line["u_drift_to_siblings_mv_per_day"], "mV"),
            _bare(line["self_discharge_ma"], line["u_self_discharge_ma"], "mA"),
            _signed(figure(line["share_per_30_days"], line["u_share_per_30_days"], "share")) if line["share_per_30_days"] is not None else text.DASH,
            significant_text(line["smallest_leak_shown_ma"], 2) if line["smallest_leak_shown_ma"] is not None else text.DASH,
            html.Strong(state) if line["leaks"] or line["watch"] or line["shown"] else state,
        ))
    days = text_pack.DAYS.format(figure=figure(found["days"], found["u_days"] or None, "").strip())
    marked = ["row-marked" if line["leaks"] else "" for line in found["groups"]]
    return html.Div(
        [
            html.P(text_pack.STANDING_SPAN.format(first=first["run"], second=second["run"], days=days)),
            components.caution(text_pack.STANDING_LEAKING.format(groups=", ".join(map(str, found["leaking"]))), danger=True)
            if found["leaking"] else None,
            components.table(text_pack.H_STANDING, rows, caption=text_pack.STANDING_CAPTION, numbers=(1, 2, 3, 4, 5, 6), row_classes=marked,
                             class_name="dense-table"),
            html.Ul([html.Li(advice.words(note)) for note in found["notes"]], className="notes"),
        ]
    )


def _bare(value: float | None, u: float | None, unit: str) -> str:
    """A figure whose unit stands in the heading."""
    return text.DASH if value is None else _signed(figure(value, u, unit).removesuffix(f" {unit}"))


def _signed(words: str) -> str:
    return words.replace("-", "\N{MINUS SIGN}")


def standing_form(sheet: PackSheet) -> Component:
    """Choice of two runs, folded."""
    options = [{"value": run.item.id, "label": run_words(run)} for run in sheet.counting]
    order = [run.item.id for run in reversed(sheet.counting)][-2:]
    return components.fold(
        text_pack.STANDING,
        html.Div(
            [
                html.P(text_pack.STANDING_MORE, className="quiet"),
                html.Div(
                    [
                        components.field(text_pack.STANDING_FIRST, dcc.Dropdown(
                            id=ids.PACK_REST_FIRST, options=options, value=order[0] if len(order) == 2 else None, clearable=False), class_name="run-pick"),
                        components.field(text_pack.STANDING_SECOND, dcc.Dropdown(
                            id=ids.PACK_REST_SECOND, options=options, value=order[-1] if len(order) == 2 else None, clearable=False), class_name="run-pick"),
                        dcc.Checklist(id=ids.PACK_REST_UNTOUCHED, value=[], className="choice",
                                      options=[{"value": "yes", "label": text_pack.STANDING_UNTOUCHED}]),
                        html.Button(text_pack.STANDING_GO, id=ids.PACK_REST_GO, type="button", className="button"),
                        html.Span(id=ids.PACK_REST_BUSY, role="status", className="busy"),
                    ],
                    className="act-row act-row-low",
                ),
                html.Div(id=ids.PACK_REST_RESULT, role="status"),
            ],
        ),
    )


# ---- acts ------------------------------------------------------------------------------------------------------


def acts_form(sheet: PackSheet, who: Component, why: Component) -> Component:
    """The folded form that puts a run right."""
    newest = sheet.runs[0] if sheet.runs else None
    return html.Details(
        [
            html.Summary(text_pack.ACTS),
            html.Div(
                [
                    html.P(text_pack.ACTS_MORE, className="quiet"),
                    html.Div(
                        [
                            components.field(text_pack.ACT_RUN, dcc.Dropdown(
                                id=ids.PACK_ACT_RUN, options=act_options(sheet), value=newest.item.id if newest else None, clearable=False),
                                class_name="run-pick"),
                            html.Div(
                                [html.Span(text_pack.ACT_WHAT, className="hint"),
                                 dcc.RadioItems(id=ids.PACK_ACT_KIND, options=kind_options(newest), value="label", className="choice choice-tall")],
                                className="field", role="group", **{"aria-label": text_pack.ACT_WHAT},
                            ),
                        ],
                        className="act-row act-row-top",
                    ),
                    html.Div([html.P(text_pack.RATINGS_MORE, className="hint"), html.Div(_rating_fields(), className="field-grid")],
                             id=ids.PACK_ACT_RATINGS_BOX, hidden=True),
                    html.Div(
                        [
                            html.Div(components.field(text_pack.ACT_LABEL, dcc.Input(
                                id=ids.PACK_ACT_LABEL, type="text", autoComplete="off", value=newest.item.label if newest else "")), id=ids.PACK_ACT_LABEL_BOX),
                            why, who,
                            html.Button(text_pack.ACT_GO, id=ids.PACK_ACT_GO, type="button", className="button button-main"),
                            html.Span(id=ids.PACK_ACT_BUSY, role="status", className="busy"),
                        ],
                        className="act-row act-row-low",
                    ),
                    html.Div(id=ids.PACK_ACT_DONE, role="status", className="said"),
                ],
            ),
        ],
        id=ids.PACK_ACTS, className="fold no-print", hidden=newest is None,
    )


def _rating_fields() -> list[Component]:
    return [
        components.field(label, dcc.Input(id={"type": ids.PACK_ACT_RATING, "key": key}, type="number", step="any", min=0, autoComplete="off"))
        for key, label, kind, _hint in (*text.PACK_FIELDS, ("rated_energy_wh", text_pack.RATED_ENERGY, "number", "")) if kind == "number"
    ]


def corrected_words(corrected: Corrected) -> str:
    """What else is to be known of a run that was analysed again: dangers that are gone, runs with other ratings."""
    words = text_pack.RATINGS_GONE.format(messages=" ".join(corrected.gone)) if corrected.gone else ""
    return words + (text_pack.RATINGS_UNLIKE.format(ids=", ".join(map(str, corrected.contradicting))) if corrected.contradicting else "")


def act_options(sheet: PackSheet) -> list[dict[str, Any]]:
    """Runs that can be put right."""
    return [{"value": run.item.id, "label": run_words(run)} for run in sheet.runs]


def kind_options(run: PackRun | None) -> list[dict[str, Any]]:
    """What can be done to a run: one that is withdrawn can be brought back, any other withdrawn."""
    way = "reinstate" if run is not None and run.item.withdrawn else "withdraw"
    return [{"value": kind, "label": text_pack.ACT_KIND[kind]} for kind in ("label", "ratings", way)]
