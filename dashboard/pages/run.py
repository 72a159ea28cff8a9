"""One run: key figures, findings, the curve with its steps, bars of the groups, tables, how the log was read."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, Patch, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from cycler.record.measures import no_temperature, reasons_text
from cycler.record.values import figure
from dashboard import components, ids, text, text_run
from dashboard.address import before_after_address, pack_address
from dashboard.data import COMPARE_MAX, Door, RunDetail, reading_doubts
from dashboard.figures import style
from dashboard.figures.groups import HEIGHT, REASONS, group_bars, measures_shown, outline_widths
from dashboard.pages import incremental, job_links, run_curve, run_tables


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids.RUN_ID), dcc.Store(id=ids.RUN_SYNC), *run_curve.skeleton(), html.Div(id=ids.RUN_BODY),
            html.Summary(id=ids.RUN_INCREMENTAL_OPEN), html.Div(id=ids.RUN_INCREMENTAL),
        ]
    )


def group_names(analysis: dict[str, Any]) -> dict[int, str]:
    """Names of the groups by number."""
    return {group["group"]: text.group_name(group) for group in analysis.get("groups") or ()}


# ---- layout ----------------------------------------------------------------------------------------------------


def layout(door: Door, run_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. The curve follows by its own callback, since the log has to be read for it."""
    run = door.run(run_id)
    analysis = run.analysis
    verdict, _when = door.judged(run_id)
    names = group_names(analysis)
    marked = run_curve.marked_of(query, analysis)
    others = sorted(item.id for item in door.runs(run.pack_id) if item.id != run.id)
    label = f" · {run.label}" if run.label else ""
    page = html.Div(
        [
            dcc.Store(id=ids.RUN_ID, data=run_id),
            dcc.Store(id=ids.RUN_SYNC),
            components.danger_box(analysis, run.pack_id, run_id),
            components.doubts_box([*door.known_besides(run_id), *reading_doubts(analysis)]),
            html.Div(
                [
                    html.Div(
                        [
                            html.H1([dcc.Link(run.pack_id, href=pack_address(run.pack_id)), html.Span(label, className="h1-more")]),
                            html.P([text.RUN_SUB.format(
                                id=run.id, added=text.date_text(run.added_at),
                                tested=text.RUN_TESTED.format(when=text.date_text(run.started_at)) if run.started_at
                                else text.RUN_NO_DATE), *job_links.part_of(door, run_id)], className="quiet"),
                            _read_with(analysis, door.remembers(run_id)),
                        ]
                    ),
                    html.Div(
                        [
                            components.result_mark(verdict.get("result"), large=True),
                            next_steps(run, verdict, [number for number in others if number < run_id], others),
                        ],
                        className="page-side",
                    ),
                ],
                className="page-head",
            ),
            html.Dl(key_figures(analysis, names), className="key-figures"),
            run_curve.curve_part(names, analysis, query, door.curves_at_hand(run_id)),
            _group_part(analysis, marked),
            html.Div([_incremental_part(), *run_tables.all_tables(analysis)], className="part folds"),
        ],
        className="page page-run",
    )
    return page, f"{run.pack_id}{label}"


def _read_with(analysis: dict[str, Any], remembers: bool) -> Component | None:
    """Which columns files the log was read with, and whether logs of its kind are read so from now on."""
    reading = analysis.get("reading") or {}
    names = [str(name) for name in reading.get("columns_files") or ()]
    if not names:
        return None
    again = all(text.is_known(name) for name in names)
    words = text.RUN_REMEMBERS if remembers else text.RUN_READ_WITH if again or reading.get("header_row") else text.RUN_NO_HEADINGS
    return html.P(words.format(names=", ".join(map(text.used_name, names))), className="quiet")


def key_figures(analysis: dict[str, Any], names: dict[int, str]) -> list[Component]:
    """The strip of figures on top; each says what it lacks."""
    capacity = analysis.get("capacity") or {}
    headline = (analysis.get("resistance") or {}).get("headline") or {}
    thermal = analysis.get("thermal") or {}
    figures = [
        components.key_figure(text.KEY_CAPACITY, run_tables.capacity_words(capacity), run_tables.validity_words(capacity)),
        components.key_figure(
            text.KEY_ENERGY, run_tables.bound_words(capacity, "energy_wh", "u_energy_wh", "Wh"),
            run_tables.voltage_words(capacity),
        ),
        components.key_figure(
            text.KEY_HEALTH, run_tables.bound_words(capacity, "state_of_health", "u_state_of_health", "share"),
            run_tables.health_words(analysis),
        ),
        components.key_figure(
            text.KEY_RESISTANCE, figure(headline.get("ohm_10s"), headline.get("u_ohm_10s"), "ohm"),
            text.KEY_SOURCE.get(str(headline.get("source")), record_text.W_R10),
        ),
        components.key_figure(
            text.KEY_LIMITING,
            names.get(analysis.get("limiting_group") or 0, record_text.NO_LIMITING if names else text.NOT_KNOWN),
            run_tables.matched_words(analysis) if names else record_text.W_GROUPS,
        ),
        components.key_figure(
            text.KEY_RISE, figure(thermal.get("rise_c"), thermal.get("u_rise_c"), "K"),
            text.KEY_MAX.format(figure=figure(thermal.get("max_c"), thermal.get("u_max_c"), "degC"))
            if thermal.get("max_c") is not None else no_temperature(analysis) or record_text.W_TEMPERATURE,
        ),
    ]
    return figures


def _group_part(analysis: dict[str, Any], marked: int | None) -> Component:
    groups = analysis.get("groups") or []
    if not groups:
        return components.section(text.GROUPS, html.P(text.GROUPS_NONE, className="quiet"))
    limiting = analysis.get("limiting_group")
    charts = [_bars(groups, measure, limiting, marked) for measure in measures_shown(groups)]
    return components.section(
        text.GROUPS,
        [
            html.Div(charts, className="bar-row group-bars"),
            html.P(f"{text.GROUPS_CAPTION} {text_run.BARS_TOUCH}", className="hint"),
            run_tables.spread_words(analysis),
            components.fold(text_run.BARS_TABLE, run_tables.group_table(analysis)),
        ],
    )


def _bars(groups: list[dict[str, Any]], measure: tuple[str, str, str, str], limiting: int | None, marked: int | None) -> Component:
    """One chart, or in its place why there is none."""
    figure = group_bars(groups, measure, limiting, marked)
    if figure is None:
        codes = [code for group in groups for code in group.get(REASONS.get(measure[0], "")) or ()]
        reason = reasons_text(codes) or text_run.BARS_NO_REASON
        return html.Div([html.P(measure[3], className="bars-title"), html.P(text_run.BARS_NONE.format(reason=reason), className="quiet")], className="bars-none")
    return dcc.Graph(
        id={"type": ids.RUN_BARS, "measure": measure[0]}, figure=figure, config=style.STATIC_CONFIG, style={"height": f"{HEIGHT}px"}, responsive=True,
    )


def _incremental_part() -> Component:
    """Closed at first: the curves of charge per volt are worked out when somebody opens it."""
    return html.Details(
        [
            html.Summary(text_run.INCREMENTAL_OPEN, id=ids.RUN_INCREMENTAL_OPEN),
            components.loading(html.Div(id=ids.RUN_INCREMENTAL, className="incremental-place")),
        ],
        className="fold",
    )


def next_steps(run: RunDetail, verdict: dict[str, Any], earlier: list[int], others: list[int]) -> Component:
    """What to do from here: judge, settle what is open, or hold it against the runs before."""
    base, result = f"/run/{run.id}", verdict.get("result")
    dangers = any(item.get("severity") == "danger" for item in run.analysis.get("findings") or ())
    links: list[Component] = []
    if result == "not_proven" and not dangers:
        links.append(html.A(text_run.NEXT_SETTLE, href=f"{base}/verdict#settle", className="button button-main"))
    if result is None and not dangers:
        links.append(dcc.Link(text_run.NEXT_JUDGE, href=f"{base}/verdict", className="button button-main"))
    else:
        links.append(dcc.Link(text.RUN_TO_VERDICT, href=f"{base}/verdict", className="button" if links else "button button-main"))
    if others:
        chosen = sorted([run.id, *earlier[-1:]] if earlier else [run.id, *others])[:COMPARE_MAX]
        query = urlencode({"runs": ",".join(map(str, chosen))}, safe=",")
        href = f"{before_after_address(run.pack_id)}&{query}" if earlier else f"/compare?{query}"
        links.append(dcc.Link(text_run.NEXT_BEFORE if earlier else text_run.NEXT_OTHERS, href=href, className="button"))
    return html.Div([None if dangers else html.Span(text_run.NEXT, className="next-word"), *links], className="act-row no-print")


def register(app: Dash, door: Door) -> None:
    """Wire the page."""
    run_curve.register(app, door)

    @app.callback(
        Output(ids.RUN_INCREMENTAL, "children"), Input(ids.RUN_INCREMENTAL_OPEN, "n_clicks"), Input(ids.RUN_MARK, "value"), State(ids.RUN_ID, "data"),
        prevent_initial_call=True,
    )
    def derive(opened: int | None, mark: int | None, run_id: int) -> Any:
        if not opened:
            raise PreventUpdate
        try:
            return incremental.run_part(door, int(run_id), group_names(door.run(int(run_id)).analysis), int(mark) if mark else None)
        except InputError as error:
            return components.error_panel(error)

    @app.callback(
        Output({"type": ids.RUN_BARS, "measure": ALL}, "figure"), Input(ids.RUN_MARK, "value"), State(ids.RUN_ID, "data"),
        State({"type": ids.RUN_BARS, "measure": ALL}, "id"), prevent_initial_call=True,
    )
    def outline(mark: int | None, run_id: int, charts: list[dict[str, str]]) -> Any:
        groups = door.run(int(run_id)).analysis.get("groups") or []
        patches = []
        for chart in charts:
            patch = Patch()
            patch["data"][0]["marker"]["line"]["width"] = outline_widths(groups, chart["measure"], mark or None)
            patches.append(patch)
        return patches
