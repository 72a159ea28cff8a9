"""Two to eight runs laid over one another, with a table of their differences; the address keeps the choice."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from cycler.quantities import figure_text
from dashboard import advice, components, ids, text
from dashboard.address import query_of, run_numbers
from dashboard.data import COMPARE_MAX, Door, RunItem, run_name
from dashboard.figures import style
from dashboard.figures.overlay import AXES, Overlaid, overlaid, overlay
from dashboard.pages import incremental

HEIGHT = 500


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids.COMPARE_SYNC), dcc.Dropdown(id=ids.COMPARE_PICK), dcc.RadioItems(id=ids.COMPARE_REFERENCE),
            dcc.RadioItems(id=ids.COMPARE_AXIS), dcc.Graph(id=ids.COMPARE_CURVE), html.Div(id=ids.COMPARE_DANGER), html.Div(id=ids.COMPARE_TABLE),
            html.Div(id=ids.COMPARE_NOTE), html.Div(id=ids.COMPARE_BODY),
        ]
    )


def choice_of(query: dict[str, str]) -> tuple[list[int], int, str]:
    """Runs, reference (a run's number) and axis that an address asks for."""
    runs = run_numbers(query.get("runs"), COMPARE_MAX)
    wanted = run_numbers(query.get("ref"), 1)
    reference = wanted[0] if wanted and wanted[0] in runs else (runs[0] if runs else 0)
    axis = query.get("x", AXES[0])
    return runs, reference, axis if axis in AXES else AXES[0]


def search_of(runs: list[int], reference: int | None, axis: str) -> str:
    """Query of the address for a choice."""
    query = {}
    if runs:
        query["runs"] = ",".join(map(str, runs))
        if reference in runs and reference != runs[0]:
            query["ref"] = str(reference)
    if axis != AXES[0]:
        query["x"] = axis
    return f"?{urlencode(query, safe=',')}" if query else ""


def reference_options(runs: list[int]) -> list[dict[str, Any]]:
    """Letters of the chosen runs."""
    return [{"value": run, "label": style.RUN_LETTERS[i]} for i, run in enumerate(runs)]


def layout(door: Door, query: dict[str, str]) -> Component:
    """The page; curve and table follow by their callback."""
    runs, reference, axis = choice_of(query)
    names = {item.id: run_name(item) for item in door.runs()}
    # A run that the address names and the register lacks stays in the list, so that the page can say so.
    names = {run: text.COMPARE_MISSING.format(id=run) for run in runs if run not in names} | names
    options = [{"value": run, "label": name} for run, name in names.items()]
    return html.Div(
        [
            html.Div(id=ids.COMPARE_DANGER),
            html.H1(text.COMPARE_TITLE),
            dcc.Store(id=ids.COMPARE_SYNC),
            html.Div(
                [
                    components.field(
                        text.COMPARE_PICK,
                        dcc.Dropdown(id=ids.COMPARE_PICK, options=options, value=runs, multi=True, clearable=True,
                                     placeholder=text.COMPARE_EMPTY_MORE, className="wide-drop"),
                        class_name="field-wide",
                    ),
                    components.field(
                        text.COMPARE_REFERENCE,
                        dcc.RadioItems(id=ids.COMPARE_REFERENCE, options=reference_options(runs), value=reference or None,
                                       className="choice", inline=True),
                    ),
                    components.field(
                        text.COMPARE_AXIS,
                        dcc.RadioItems(
                            id=ids.COMPARE_AXIS, value=axis, className="choice", inline=True,
                            options=[{"value": key, "label": word} for key, word in text.COMPARE_AXES.items()],
                        ),
                    ),
                ],
                className="tool-row no-print",
            ),
            html.Div(id=ids.COMPARE_NOTE),
            components.loading(
                html.Div(
                    [
                        dcc.Graph(id=ids.COMPARE_CURVE, config=style.GRAPH_CONFIG, style={"height": f"{HEIGHT}px"},
                                  figure=style.empty_figure("", HEIGHT), responsive=True),
                        html.Div(id=ids.COMPARE_TABLE),
                    ],
                    id=ids.COMPARE_BODY, hidden=True,
                )
            ),
        ],
        className="page page-compare",
    )


# ---- what is shown ---------------------------------------------------------------------------------------------


def overlaid_runs(door: Door, runs: list[int]) -> list[Overlaid]:
    """The chosen runs ready to draw; one whose log cannot be read again says so."""
    found = []
    for index, run_id in enumerate(runs):
        run = door.run(run_id)
        try:
            curves, missing = door.curves(run_id), ""
        except InputError as error:
            curves, missing = None, error.what
        found.append(overlaid(style.RUN_LETTERS[index], run_name(run), curves, run.analysis, missing))
    return found


def run_key(order: int, run: Overlaid, reference: bool, item: RunItem) -> Component:
    """Letter, line, name and last verdict of one run."""
    dash = style.RUN_DASHES[order % 8]
    pattern = {"solid": "", "dash": "9 6", "dot": "2 4", "dashdot": "9 4 2 4", "longdash": "16 6",
               "longdashdot": "16 5 3 5"}.get(dash, dash.replace("px", "").replace(",", " "))
    return html.Li(
        [
            html.Span(run.letter, className="run-letter"),
            html.Img(src=_line_picture(style.RUN_COLOURS[order % 8], pattern), alt="", className="run-line"),
            dcc.Link(run.label, href=f"/run/{item.id}"),
            dcc.Link([html.Span(f"{text.LAST_VERDICT}: ", className="hint"), components.result_mark(item.verdict)],
                     href=f"/run/{item.id}/verdict", className="plain-link"),
            html.Span(text.COMPARE_REFERENCE.lower(), className="tag") if reference else None,
        ]
    )


def _line_picture(colour: str, pattern: str) -> str:
    from urllib.parse import quote

    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="56" height="10"><path d="M1 5H55" '
        f'stroke="{colour}" stroke-width="3" stroke-dasharray="{pattern}" fill="none"/></svg>'
    )
    return "data:image/svg+xml," + quote(svg)


def shown_unit(unit: str) -> tuple[float, str]:
    """Factor and unit of a row: small voltages in millivolts."""
    return (1e3, "mV") if unit == "V" else (1.0, unit)


def _figure(value: Any, u: Any, unit: str) -> str:
    if isinstance(value, int) and not unit:
        return str(value)
    factor, name = shown_unit(unit)
    return figure_text(value * factor, None if u is None else u * factor, name)


def difference_cell(row: dict[str, Any], index: int, reference: int) -> Any:
    """A run's figure and, under it, its difference from the reference with what can be said of it."""
    value = row["values"][index]
    if value is None:
        return text.DASH
    words = _figure(value, row["u"][index], row["unit"])
    if row["bound"][index] == "lower":
        words = text.AT_LEAST.format(figure=words)
    if row["group"][index]:
        words += f", group {row['group'][index]}"
    parts = [html.Div(words)]
    if not row["valid"][index]:
        parts.append(html.Div(text.COMPARE_INVALID, className="quiet"))
    difference = row["difference"][index]
    claimed = row["valid"][index] and row["valid"][reference]
    if index != reference and difference is not None and claimed:
        shown = _figure(float(difference), row["u_difference"][index], row["unit"])
        if row["unit"] == "share":  # the difference of two percentages
            shown = shown.replace("%", text.POINTS)
        parts.append(html.Div([_signed(difference, shown), " ", _significance(row, index)],
                              className="difference"))
    return parts


def _significance(row: dict[str, Any], index: int) -> Component | None:
    significant = row["significant"][index]
    if significant is None:
        return None
    if not significant:
        return html.Span(text.WITHIN, className="tag tag-within")
    improved = row["improved"][index]
    word = text.BEYOND if improved is None else text.BETTER if improved else text.WORSE
    return html.Span(word, className="tag tag-beyond")


def difference_table(result: dict[str, Any], letters: list[str]) -> Component:
    """Table of differences, with the notes of the comparison."""
    reference = int(result["reference"])
    rows = [
        (row["label"], *(difference_cell(row, index, reference) for index in range(len(letters))))
        for row in result["rows"] if any(value is not None for value in row["values"])
    ]
    heads = ["", *(f"{letter} ({text.COMPARE_REFERENCE.lower()})" if i == reference else letter
                   for i, letter in enumerate(letters))]
    notes = [html.Li(advice.words(str(note))) for note in result.get("notes") or ()]
    return html.Div(
        [
            components.table(heads, rows, text.COMPARE_CAPTION, numbers=range(1, len(heads)),
                             class_name="wide-table compare-table"),
            html.Ul(notes, className="notes") if notes else None,
        ]
    )


def group_tables(result: dict[str, Any], letters: list[str]) -> list[Component]:
    """Capacity, 10 s resistance and sag of every group, each run's beside its difference from the reference."""
    reference = int(result["reference"])
    groups = result.get("groups") or []
    valid = next((row["valid"] for row in result["rows"] if row["quantity"] == "capacity_ah"), [True] * len(letters))
    heads = [text.H_GROUP[0], *(f"{letter} ({text.COMPARE_REFERENCE.lower()})" if i == reference else letter
                                for i, letter in enumerate(letters))]
    parts = []
    for key, title in text.COMPARE_GROUP_TITLE.items():
        rows = [
            (
                f"group {group['group']}",
                *(group_cell(group, key, index, reference, valid if key == "capacity_ah" else None)
                  for index in range(len(letters))),
            )
            for group in groups if any(value is not None for value in group[key]["values"])
        ]
        if rows:
            table = components.table(heads, rows, numbers=range(1, len(heads)),
                                     class_name="wide-table dense-table group-compare")
            parts.append(components.fold(title, table, is_open=True))
    if not parts:
        return [html.P(text.COMPARE_GROUPS_NONE, className="quiet")]
    return [html.P(text.COMPARE_GROUPS_CAPTION, className="hint"), *parts]


def group_cell(group: dict[str, Any], key: str, index: int, reference: int, valid: list[bool] | None) -> Any:
    """One group's figure in one run, and its difference from the same group of the reference."""
    row = group[key]
    value = row["values"][index]
    if value is None:
        return text.DASH
    words = _figure(float(value), row["u"][index], row["unit"])
    if row["estimate"][index]:
        words = text.ESTIMATED.format(figure=words)
    parts: list[Any] = [html.Span(words)]
    if group["limiting"][index]:
        parts.append(html.Span(text.LIMITING_MARK, className="tag"))
    difference = row["difference"][index]
    if valid is not None and not valid[index]:
        parts.append(html.Div(text.COMPARE_INVALID, className="quiet"))
    elif index != reference and difference is not None and (valid is None or valid[reference]):
        shown = _signed(difference, _figure(float(difference), row["u_difference"][index], row["unit"]))
        parts.append(html.Div([shown, " ", _significance(row, index)], className="difference"))
    return parts


def _signed(difference: float, shown: str) -> str:
    sign = "+" if difference > 0 else ""
    return f"{sign}{shown}".replace("+-", "-").replace("-", "−")


def body(door: Door, runs: list[int], reference: int, axis: str) -> tuple[Any, Any, Any, Any]:
    """Figure, tables, remarks and boxes of danger for a choice of two or more runs."""
    drawn = overlaid_runs(door, runs)
    items = {item.id: item for item in door.runs()}
    figure, left_out = overlay(drawn, axis, HEIGHT)
    result = door.compare(runs, runs.index(reference))
    letters = [run.letter for run in drawn]
    remarks = [
        html.Ul([run_key(i, run, runs[i] == reference, items[runs[i]]) for i, run in enumerate(drawn)], className="run-keys",
                **{"aria-label": text.COMPARE_KEY}),
        *(html.P(text.COMPARE_LEFT_OUT.format(letter=letter, reason=reason), className="remark")
          for letter, reason in left_out),
    ]
    head = text.COMPARE_DIFFERENCES.format(letter=letters[runs.index(reference)])
    tables = [
        components.section(head, difference_table(result, letters)),
        components.section(text.COMPARE_GROUPS, group_tables(result, letters)),
        components.section(text.INCREMENTAL, _derived(door, runs, letters, [run.label for run in drawn])),
    ]
    return figure, tables, remarks, [components.danger_box(door.run(run).analysis, items[run].pack_id, run) for run in runs]


def _derived(door: Door, runs: list[int], letters: list[str], labels: list[str]) -> Any:
    try:
        return incremental.compare_part(door, runs, letters, labels)
    except InputError as error:
        return components.error_panel(error)


def register(app: Dash, door: Door) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.COMPARE_PICK, "value"), Input(ids.COMPARE_REFERENCE, "value"), Input(ids.COMPARE_AXIS, "value"),
        State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(
        picked: list[int] | None, reference: int | None, axis: str, search: str | None, pathname: str
    ) -> str:
        runs = list(picked or [])[:COMPARE_MAX]
        wanted = search_of(runs, reference, axis)
        if pathname != "/compare" or wanted == search_of(*choice_of(query_of(search))):
            raise PreventUpdate
        return wanted

    @app.callback(
        Output(ids.COMPARE_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"),
        State(ids.COMPARE_PICK, "value"), State(ids.COMPARE_AXIS, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, picked: list[int] | None, axis: str) -> Any:
        if pathname == "/compare":
            runs, reference, wanted_axis = choice_of(query_of(search))
            if runs != (picked or []):
                set_props(ids.COMPARE_PICK, {"value": runs})
            set_props(ids.COMPARE_REFERENCE, {"options": reference_options(runs), "value": reference or None})
            if wanted_axis != axis:
                set_props(ids.COMPARE_AXIS, {"value": wanted_axis})
        return search  # an answer of its own: without one the properties set above would not reach the page

    @app.callback(
        Output(ids.COMPARE_CURVE, "figure"), Output(ids.COMPARE_TABLE, "children"), Output(ids.COMPARE_NOTE, "children"),
        Output(ids.COMPARE_BODY, "hidden"), Output(ids.COMPARE_DANGER, "children"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"),
    )
    def show(search: str | None, pathname: str) -> tuple[Any, ...]:
        if pathname != "/compare":
            raise PreventUpdate
        runs, reference, axis = choice_of(query_of(search))
        if len(runs) < 2:
            return no_update, None, components.empty_state(text.COMPARE_EMPTY, text.COMPARE_EMPTY_MORE), True, None
        try:
            figure, table, remarks, dangers = body(door, runs, reference, axis)
        except InputError as error:
            return no_update, None, components.error_panel(error), True, None
        return figure, table, remarks, False, dangers
