"""The verdict: vetoes first, each criterion on its scale, what would settle it, and the record to hand over."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.record import text as record_text
from cycler.record.values import banded, figure, plain
from dashboard import components, ids, text
from dashboard.address import query_of
from dashboard.data import Door, reading_doubts
from dashboard.figures.scale import Scale, scale
from dashboard.routes import record_address

WORKSHOP_LENGTH_MAX = 80
MAY_BE_NEGATIVE = ("temperature_max_c", "group_sag_end_v")
"""Quantities that may well be negative; every other one cannot."""

AT_MOST_ONE = ("coulombic_efficiency", "energy_efficiency")
"""Shares that cannot exceed the whole."""


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids.VERDICT_RUN), dcc.Store(id=ids.VERDICT_CHANGED), dcc.Store(id=ids.VERDICT_SYNC), dcc.RadioItems(id=ids.VERDICT_CRITERIA),
            html.Div(id=ids.VERDICT_BODY), dcc.Input(id=ids.VERDICT_WORKSHOP), html.Button(id=ids.VERDICT_KEEP), html.Button(id=ids.VERDICT_RECORD),
            html.Span(id=ids.VERDICT_BUSY), html.Div(id=ids.VERDICT_DONE), html.Div(id=ids.VERDICT_RECORDS),
        ]
    )


def chosen_set(door: Door, run_id: int, address: dict[str, str] | str | None) -> str:
    """Criteria set an address asks for, else that of the newest verdict, else the default."""
    query = address if isinstance(address, dict) else query_of(address)
    names = [item.name for item in door.criteria_sets()]
    kept, _when = door.judged(run_id)
    return next((name for name in (query.get("criteria"), kept.get("criteria_name")) if name in names), names[0])


def layout(door: Door, run_id: int, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    run = door.run(run_id)
    sets = door.criteria_sets()
    chosen = chosen_set(door, run_id, query)
    label = f" · {run.label}" if run.label else ""
    page = html.Div(
        [
            dcc.Store(id=ids.VERDICT_RUN, data=run_id),
            dcc.Store(id=ids.VERDICT_CHANGED, data=0),
            dcc.Store(id=ids.VERDICT_SYNC),
            components.danger_box(run.analysis, run.pack_id, run_id),
            components.doubts_box([*door.known_besides(run.id), *reading_doubts(run.analysis)]),
            html.Div(
                [
                    html.Div(
                        [
                            html.H1([text.VERDICT_TITLE, html.Span(f" {run.pack_id}{label}", className="h1-more")]),
                            html.P(dcc.Link(text.VERDICT_TO_RUN.format(id=run_id), href=f"/run/{run_id}"), className="quiet"),
                        ]
                    ),
                    components.field(
                        text.VERDICT_CRITERIA,
                        dcc.RadioItems(
                            id=ids.VERDICT_CRITERIA, value=chosen, className="choice", inline=True,
                            options=[{"value": item.name, "label": item.title} for item in sets],
                        ),
                        class_name="no-print",
                    ),
                ],
                className="page-head",
            ),
            components.loading(html.Div(id=ids.VERDICT_BODY)),
            html.Section(
                [
                    html.H2(text.RECORDS),
                    html.Div(
                        [
                            components.field(
                                text.WORKSHOP,
                                dcc.Input(
                                    id=ids.VERDICT_WORKSHOP, type="text", maxLength=WORKSHOP_LENGTH_MAX,
                                    autoComplete="organization", persistence=True, persistence_type="local",
                                    placeholder=text.WORKSHOP_HINT,
                                ),
                                class_name="workshop",
                            ),
                            html.Button(text.VERDICT_RECORD, id=ids.VERDICT_RECORD, type="button",
                                        className="button button-main"),
                            html.Button(text.VERDICT_KEEP, id=ids.VERDICT_KEEP, type="button", className="button"),
                            html.Span(id=ids.VERDICT_BUSY, role="status", className="busy"),
                        ],
                        className="act-row act-row-low no-print",
                    ),
                    html.Div(id=ids.VERDICT_DONE, role="status"),
                    html.Div(id=ids.VERDICT_RECORDS),
                ],
                className="part part-records",
            ),
        ],
        className="page page-verdict",
    )
    return page, f"{text.VERDICT_TITLE} {run.pack_id}{label}"


# ---- what is shown ---------------------------------------------------------------------------------------------


def scale_bar(row: dict[str, Any]) -> Component:
    """A criterion's scale as positioned marks; the figures stand beside it as text."""
    place: Scale = scale(row["value"], row["u_value"], row["limit"], row["guard_band"], row["direction"] == "at_least",
                         None if row["quantity"] in MAY_BE_NEGATIVE else 0.0,
                         1.0 if row["quantity"] in AT_MOST_ONE else None)
    unit = row.get("unit", "")

    def band(name: str, start: float, end: float) -> Component:
        return html.Span(className=name, style={"left": f"{start:.2f}%", "width": f"{max(0.0, end - start):.2f}%"})

    marks = [
        band("scale-accept", place.accept_from, place.accept_to),
        band("scale-open", place.open_from, place.open_to),
        html.Span(className="scale-limit", style={"left": f"{place.limit:.2f}%"}),
    ]
    if place.value is not None and place.low is not None and place.high is not None:
        marks.append(band("scale-range", place.low, place.high))
        marks.append(html.Span(className=f"scale-value scale-{row['result']}", style={"left": f"{place.value:.2f}%"}))
    ends = [
        html.Span(end_text(place.left, unit), className="scale-end"),
        html.Span(
            f"{text.VERDICT_LIMIT.lower()} {plain(row['limit'], unit)}", className="scale-end scale-end-limit",
            style={"left": f"{min(85.0, max(15.0, place.limit)):.2f}%"},
        ),
        html.Span(end_text(place.right, unit), className="scale-end scale-end-right"),
    ]
    return html.Div(
        [html.Div(marks, className="scale"), html.Div(ends, className="scale-ends")], className="scale-box",
        **{"aria-hidden": "true"},
    )


def end_text(value: float, unit: str) -> str:
    """End of a scale, a round figure of at most three digits."""
    return plain(float(f"{value:.3g}"), unit).replace("-", "\N{MINUS SIGN}")


def accept_text(row: dict[str, Any]) -> str:
    """From which figure on a value is accepted, or "none" and why."""
    unit = row.get("unit", "")
    if row["acceptance_limit"] is not None:
        words = banded(row["acceptance_limit"], unit, row["guard_band"])
        return text.DIRECTION.get(row["direction"], "{limit}").format(limit=words)
    if row["value"] is None:
        reason = text.ACCEPT_NO_VALUE
    else:
        reason = text.ACCEPT_NO_ROOM if row["guard_band"] else text.ACCEPT_NO_U
    return text.ACCEPT_NONE.format(reason=reason)


def value_text(row: dict[str, Any]) -> str:
    """The value as it may be quoted: with its uncertainty, as a bound where it is one, with the group it is of."""
    if row["value"] is None:
        return text.VERDICT_NO_VALUE
    words = figure(row["value"], row["u_value"], row.get("unit", ""))
    bound = {"lower": text.AT_LEAST, "upper": text.AT_MOST}.get(str(row.get("bound")))
    words = bound.format(figure=words) if bound else words
    return f"{words}, group {row['group']}" if row.get("group") else words


def criterion_item(row: dict[str, Any]) -> Component:
    """One criterion: result, figures, scale, reason, why the limit is there."""
    unit = row.get("unit", "")
    at = text.DIRECTION.get(row["direction"], "{limit}").format(limit=plain(row["limit"], unit))
    facts = [html.Dt(text.VERDICT_LIMIT), html.Dd(at)]
    facts = [html.Dt(text.VERDICT_VALUE), html.Dd(value_text(row), className="figure"), *facts,
             html.Dt(text.VERDICT_ACCEPT), html.Dd(accept_text(row))]
    if row["probability_of_conformity"] is not None:
        facts += [html.Dt(text.VERDICT_PROBABILITY), html.Dd(text.share_text(row["probability_of_conformity"]))]
    tags = [] if row.get("required", True) else [html.Span(text.VERDICT_ADVISORY, className="tag")]
    return html.Li(
        [
            html.Div([components.result_mark(row["result"]), html.H3(row.get("label") or row["quantity"]), *tags],
                     className="criterion-head"),
            html.Div([html.Dl(facts, className="criterion-facts"), scale_bar(row)], className="criterion-body"),
            html.P(row["reason"], className="criterion-reason"),
            components.fold(text.VERDICT_WHY, html.P([row.get("why", ""), html.Br(),
                                                      html.Span(text.VERDICT_SOURCE.format(source=row.get("source", "")),
                                                                className="quiet")])),
        ],
        className=f"criterion criterion-{row['result']}",
    )


def veto_panel(verdict: dict[str, Any]) -> Component | None:
    """Vetoes stand above everything else."""
    vetoes = verdict.get("vetoes") or []
    if not vetoes:
        return None
    told = [(item.get("code") or "", item.get("message")) for item in verdict.get("veto_findings") or ()]
    told += [(code, None) for code in vetoes if code not in {of for of, _message in told}]
    items = [
        html.Li([html.Strong(record_text.code_label(code).capitalize()), ": ", message or record_text.code_sentence(code)])
        for code, message in told
    ]
    return html.Div(
        [html.H2(text.VERDICT_VETO), html.Ul(items)],
        className="veto-panel", role="alert",
    )


def verdict_body(verdict: dict[str, Any], kept_at: str | None) -> Component:
    """The whole verdict in words and scales."""
    rows = verdict.get("criteria") or []
    rank = {"fail": 0, "not_proven": 1, "pass": 2}
    rows = sorted(rows, key=lambda row: (not row.get("required", True), rank.get(row["result"], 3)))
    settle = verdict.get("to_settle") or []
    result = verdict.get("result") if verdict.get("result") in rank else "none"
    kept = text.VERDICT_KEPT.format(when=text.date_text(kept_at)) if kept_at else text.VERDICT_PREVIEW
    by = text.VERDICT_BY.format(
        name=verdict.get("criteria_title") or verdict.get("criteria_name"), rule=_sentence(verdict.get("decision_rule") or "")
    )
    first = result == "not_proven" or bool(verdict.get("vetoes"))  # else only advice on what does not decide
    settle_part = components.section(
        text.VERDICT_SETTLE,
        html.Ul([html.Li(item) for item in settle], className="settle") if settle
        else html.P(text.VERDICT_SETTLE_NONE, className="quiet"),
        "part-settle",
    ) if settle or first else None
    return html.Div(
        [
            veto_panel(verdict),
            html.Div(
                [
                    components.result_mark(result, large=True),
                    html.Div([html.P(verdict.get("summary") or text.RESULT_MEANS[result], className="summary"),
                              html.P([by, " ", html.Strong(kept)], className="quiet")]),
                ],
                className=f"verdict-head verdict-{result}",
            ),
            components.caution(text.CAUTION_ACT[result]),
            settle_part if first else None,
            components.section(
                text.VERDICT_LIST,
                [
                    html.P(text.VERDICT_KEY, className="hint"),
                    html.Ul([criterion_item(row) for row in rows], className="criteria") if rows
                    else html.P(text.VERDICT_NONE, className="quiet"),
                ],
            ),
            None if first else settle_part,
        ]
    )


def _sentence(words: str) -> str:
    """Words as a sentence of their own."""
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") or not words else ".")


def record_table(door: Door, run_id: int) -> Component:
    """Records of the run with their downloads."""
    rows = []
    for item in door.records(run_id):
        links = [
            html.A(text.RECORD_DOWNLOAD.format(kind=kind.upper()), href=record_address(item.id, item.serial, kind),
                   className="button quiet-button")
            for kind in item.kinds
        ]
        rows.append((item.serial, text.date_text(item.made_at), components.result_mark(item.result),
                     item.criteria_name or text.DASH, html.Span(links, className="act-row")))
    if not rows:
        return html.P(text.RECORDS_NONE, className="quiet")
    return components.table(text.H_RECORD, rows, class_name="wide-table")


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True), Input(ids.VERDICT_CRITERIA, "value"),
        State(ids.VERDICT_RUN, "data"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(criteria: str | None, run_id: int, search: str | None, pathname: str) -> str:
        if pathname != f"/run/{run_id}/verdict" or not criteria or criteria == chosen_set(door, run_id, search):
            raise PreventUpdate
        return "?" + urlencode({"criteria": criteria})

    @app.callback(
        Output(ids.VERDICT_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"),
        State(ids.VERDICT_RUN, "data"), State(ids.VERDICT_CRITERIA, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, run_id: int, criteria: str | None) -> Any:
        if pathname == f"/run/{run_id}/verdict":
            wanted = chosen_set(door, run_id, search)
            if wanted != criteria:
                set_props(ids.VERDICT_CRITERIA, {"value": wanted})
        return search  # an answer of its own: without one the properties set above would not reach the page

    @app.callback(
        Output(ids.VERDICT_BODY, "children"), Output(ids.VERDICT_RECORDS, "children"),
        Output(ids.VERDICT_KEEP, "disabled"),
        Input(ids.VERDICT_CRITERIA, "value"), Input(ids.VERDICT_CHANGED, "data"), Input(ids.VERDICT_RUN, "data"),
    )
    def show(criteria: str | None, _changed: int | None, run_id: int) -> tuple[Any, Any, bool]:
        try:
            verdict, kept_at = door.judged(int(run_id), criteria)
        except InputError as error:
            return components.error_panel(error), no_update, True
        return verdict_body(verdict, kept_at), record_table(door, int(run_id)), kept_at is not None

    @app.callback(
        Output(ids.VERDICT_DONE, "children"), Output(ids.VERDICT_CHANGED, "data"),
        Input(ids.VERDICT_RECORD, "n_clicks"), Input(ids.VERDICT_KEEP, "n_clicks"),
        State(ids.VERDICT_RUN, "data"), State(ids.VERDICT_CRITERIA, "value"), State(ids.VERDICT_CHANGED, "data"),
        State(ids.VERDICT_WORKSHOP, "value"),
        running=[
            (Output(ids.VERDICT_RECORD, "disabled"), True, False),
            (Output(ids.VERDICT_BUSY, "children"), text.VERDICT_RECORD_BUSY, ""),
        ],
        prevent_initial_call=True,
    )
    def act(
        record: int | None, keep: int | None, run_id: int, criteria: str, changed: int | None, workshop: str | None,
    ) -> tuple[Any, Any]:
        if not (record or keep):
            raise PreventUpdate
        try:
            if ctx.triggered_id == ids.VERDICT_KEEP:
                door.keep_verdict(int(run_id), criteria)
                done = text.VERDICT_KEEP_DONE
            else:
                done = text.VERDICT_RECORD_DONE.format(serial=door.make_record(int(run_id), criteria, workshop))
        except InputError as error:
            return components.error_panel(error, text.NOTHING_STORED), no_update
        return html.P(done, className="done"), (changed or 0) + 1
