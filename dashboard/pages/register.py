"""The register: packs and runs in a table, searched, sorted and filtered by the database; the address keeps what is shown."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.record.values import figure, rated
from dashboard import components, ids, text, text_jobs, text_pack, text_register
from dashboard.address import pack_address, query_of
from dashboard.data import COMPARE_MAX, FILTERS, PACK_SORTS, RUN_SORTS, Door, ListQuery, PackItem, RunItem

ROWS_ON_PAGE = 50
DANGERS_NAMED = 3
"""Open dangers that stand above the list; a link leads to the others."""
DEFAULTS = {"view": "packs", "q": "", "verdict": "all", "sort": "", "page": "1"}
SORTS = {"packs": PACK_SORTS, "runs": RUN_SORTS}
USUAL_SORT = {"packs": "-added", "runs": "-id"}
COLUMNS = {
    "packs": (
        (text_register.H_PACK, "pack"), (text_register.H_BUILD, "build"), (text_register.H_STATE, "state"),
        (text_register.H_VERDICT, "verdict"), (text_register.H_CAPACITY, "capacity"), (text_register.H_HEALTH, "health"),
        (text_register.H_GROUP, "group"), (text_register.H_TESTED, "date"),
    ),
    "runs": (
        (text_register.H_RUN, "id"), (text_register.H_PACK, "pack"), (text_register.H_LABEL, "label"), (text_register.H_STATE, "state"),
        (text_register.H_VERDICT, "verdict"), (text_register.H_CAPACITY, "capacity"), (text_register.H_HEALTH, "health"),
        (text_register.H_GROUP, "group"), (text_register.H_DATE, "date"),
    ),
}
FALLING_FIRST = ("date", "id", "added")
"""Sorted from the end by the first press: the last ones are wanted."""


def state_of(query: dict[str, str]) -> dict[str, str]:
    """What the address asks for, with every unknown value replaced by the usual one."""
    state = {key: query.get(key, usual)[:200] for key, usual in DEFAULTS.items()}
    if state["view"] not in text_register.VIEW:
        state["view"] = DEFAULTS["view"]
    if state["verdict"] not in FILTERS:
        state["verdict"] = DEFAULTS["verdict"]
    if state["sort"].removeprefix("-") not in SORTS[state["view"]] or state["sort"] == USUAL_SORT[state["view"]]:
        state["sort"] = DEFAULTS["sort"]
    if not (state["page"].isascii() and state["page"].isdecimal()) or len(state["page"]) > 6 or not int(state["page"]):
        state["page"] = "1"
    return state


def search_of(state: dict[str, str], **changes: str) -> str:
    """Query of the address for a state; usual values are left out."""
    merged = {**state, **changes}
    kept = {key: merged[key] for key in DEFAULTS if merged.get(key, DEFAULTS[key]) != DEFAULTS[key]}
    return f"?{urlencode(kept)}" if kept else ""


def layout(door: Door, query: dict[str, str]) -> Component:
    """The page; the table is filled by its own callback."""
    state = state_of(query)
    return html.Div(
        [
            html.Div(
                [
                    html.Div(html.H1(text.REGISTER_TITLE)),
                    html.Div(
                        [*open_jobs_link(door), dcc.Link(text_pack.NEW_LINK, href="/pack", className="button", title=text_pack.NEW_MORE),
                         dcc.Link(text.NAV_ADD, href="/add", className="button button-main")],
                        className="page-side no-print",
                    ),
                ],
                className="page-head",
            ),
            danger_strip(door),
            html.Div(
                [
                    html.Label(text_register.SEARCH, htmlFor=ids.REGISTER_SEARCH, className="for-readers"),
                    dcc.Input(
                        id=ids.REGISTER_SEARCH, type="search", value=state["q"], debounce=0.35, maxLength=80,
                        placeholder=text_register.SEARCH, className="search",
                    ),
                    _choice(ids.REGISTER_VIEW, text_register.VIEW_NAME, text_register.VIEW, state["view"]),
                    _choice(ids.REGISTER_VERDICT, text_register.FILTER_NAME, text_register.FILTER, state["verdict"]),
                ],
                className="tool-row no-print", role="search",
            ),
            html.Div(
                [
                    html.Span(text_register.CHOSEN_NONE, id=ids.REGISTER_COMPARE_NOTE, className="chosen", role="status"),
                    html.Span(id=ids.REGISTER_COMPARE),
                    html.Button(text_register.CLEAR, id=ids.REGISTER_CLEAR, type="button", hidden=True, className="button quiet-button"),
                ],
                id=ids.REGISTER_COMPARE_ROW, className="compare-row no-print",
            ),
            dcc.Store(id=ids.REGISTER_SYNC),
            components.loading(html.Div(id=ids.REGISTER_TABLE, className="register-table")),
        ],
        className="page page-register",
    )


def open_jobs_link(door: Door) -> list[Component]:
    """How many jobs are open, as the way to them; nothing where none is."""
    number = door.open_jobs()
    words = text.count_text(number, text_jobs.OPEN_JOBS, text_jobs.OPEN_JOBS_MANY)
    return [dcc.Link(words, href="/jobs?show=open", className="open-jobs")] if number else []


def danger_strip(door: Door) -> Component | None:
    """The open dangers that were entered last, and a way to all of them. None if there is none."""
    named, packs = door.dangers(DANGERS_NAMED)
    if not named:
        return None
    title = text_register.DANGER_TITLE.get(packs, text_register.DANGER_TITLE_MANY.format(n=packs))
    items = [
        html.Li([
            dcc.Link(item.pack_id, href=pack_address(item.pack_id), className="strong-link"),
            text_register.DANGER_LINE.format(message=item.message, who=item.who, day=text.day_text(item.at)),
        ])
        for item in named
    ]
    return html.Section(
        [
            html.P([html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(title),
                    dcc.Link(text_register.DANGER_MORE, href="/" + search_of(DEFAULTS, verdict="danger"), className="no-print")]),
            html.Ul(items),
        ],
        className="danger-strip", **{"aria-label": title},
    )


def _choice(component_id: str, label: str, options: dict[str, str], value: str) -> Component:
    control = dcc.RadioItems(
        id=component_id, options=[{"value": key, "label": word} for key, word in options.items()], value=value,
        className="choice", inline=True,
    )
    return html.Div([html.Span(label, className="hint"), control], className="field-row field", role="group",
                    **{"aria-label": label})


# ---- cells -----------------------------------------------------------------------------------------------------


def capacity_text(item: RunItem) -> str:
    """Capacity with expanded uncertainty, or as a bound where that is all it is."""
    return _bounded(item, item.capacity_ah, item.u_capacity_ah, "Ah")


def health_text(item: RunItem) -> str:
    """State of health with expanded uncertainty, or as a bound."""
    return _bounded(item, item.state_of_health, item.u_state_of_health, "share")


def _bounded(item: RunItem, value: float | None, u: float | None, unit: str) -> str:
    if value is None:
        return text.NOT_KNOWN
    words = figure(value, u, unit)
    if item.capacity_valid:
        return words
    return (text.AT_LEAST if item.capacity_is_lower_bound else text.NOT_VALID).format(figure=words)


def _figure_cell(words: str, value: float | None, u: float | None, unit: str) -> Component:
    """A figure in a table: it holds together, the words around it may stand on lines of their own."""
    if value is None:
        return html.Span(words, className="quiet")
    shown = figure(value, u, unit)
    before, after = words.split(shown)
    return html.Span([before, html.Span(shown, className="unbroken"), after])


def capacity_cell(item: RunItem) -> Component:
    """The capacity in a table."""
    return _figure_cell(capacity_text(item), item.capacity_ah, item.u_capacity_ah, "Ah")


def health_cell(item: RunItem) -> Component:
    """The state of health in a table."""
    return _figure_cell(health_text(item), item.state_of_health, item.u_state_of_health, "share")


def when_cell(item: RunItem, now: datetime, run: str = "") -> Component:
    """Age and day of a test; where the log has no date, those of its adding. ``run`` stands beside the day."""
    when = item.started_at or item.added_at
    age = text_register.age_text(when, now)
    words = age if item.started_at else f"{text_register.ADDED} {age}"
    beside = [html.Span(" · ", className="dot"), html.Span(run, className="apart")] if run else []
    return html.Span(
        [html.Span(words, className="first-line"), html.Span([text.day_text(when), *beside], className="under")], className="when",
    )


def state_text(item: RunItem) -> str:
    """What was found in a run: dangers, defects, cautions, whether the capacity can be quoted."""
    return ", ".join(_found(item)) or text.STATE_SOUND


def _found(item: RunItem) -> list[str]:
    parts = []
    if item.dangers:
        parts.append(text.count_text(item.dangers, text.STATE_DANGER, text.STATE_DANGERS))
    if item.defects:
        parts.append(text.count_text(item.defects, text.STATE_DEFECT, text.STATE_DEFECTS))
    if item.cautions:
        parts.append(text.count_text(item.cautions, text.STATE_CAUTION, text.STATE_CAUTIONS))
    if item.capacity_ah is None:
        parts.append(text.STATE_NO_CAPACITY)
    elif not item.capacity_valid:
        parts.append(text.STATE_NOT_QUOTABLE)
    return parts


def _danger(words: str) -> Component:
    return html.Span(
        [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(f" {words}")], className="severity-danger danger-words",
    )


def state_cell(item: RunItem) -> Component:
    """The state of a run in a table, with the mark of a danger."""
    parts: list[Any] = []
    if item.withdrawn:
        parts.append(html.Span(text.WITHDRAWN))
    if item.open_dangers:
        parts.append(_danger(text.count_text(item.open_dangers, text_register.OPEN_DANGER, text_register.OPEN_DANGERS)))
    if item.dangers:
        parts.append(_danger(state_text(item)))
    elif _found(item) or not parts:
        parts.append(html.Span(state_text(item)))
    return html.Span(parts, className="state")


def pack_state_cell(item: PackItem) -> Component:
    """The state of a pack in a table: dangers of its card first, then what its last test found."""
    if item.newest is not None:
        parts = [state_cell(item.newest)]
    else:
        parts = [html.Span(text_register.ALL_WITHDRAWN if item.runs else text_register.CARD_ONLY)]
        if item.open_dangers:
            parts.insert(0, _danger(text.count_text(item.open_dangers, text_register.OPEN_DANGER, text_register.OPEN_DANGERS)))
    if item.withdrawn and item.newest is not None:
        parts.append(html.Span(text.count_text(item.withdrawn, text_register.SOME_WITHDRAWN, text_register.SOME_WITHDRAWN_MANY), className="under"))
    if item.added_later:
        parts.append(html.Span(text_register.ADDED_LATER.format(id=item.added_later), className="under"))
    return html.Span(parts, className="state")


def verdict_cell(item: RunItem) -> Component:
    """The last verdict; beside a pass, that it does not hold while a danger is open."""
    mark = components.result_mark(item.verdict)
    if item.verdict == "pass" and item.open_dangers:
        return html.Span([mark, html.Span(text_register.PASS_HOLDS_NOT, className="under")])
    return mark


def _group(item: RunItem) -> Component:
    if item.limiting_group is None:
        return html.Span(text.DASH)
    return html.Span([html.Span(text_register.GROUP, className="group-word"), f" {item.limiting_group}"], className="unbroken")


def tick(run_id: int, spoken: str, chosen: Sequence[int]) -> Component:
    """The tick that chooses a run for the comparison."""
    return dcc.Checklist(
        id={"type": ids.REGISTER_TICK, "run": run_id},
        options=[{"value": run_id, "label": html.Span(spoken, className="for-readers")}],
        value=[run_id] if run_id in chosen else [], className="tick",
    )


# ---- tables ----------------------------------------------------------------------------------------------------


def _heading(name: str, sort: str, state: dict[str, str]) -> Component:
    now = state["sort"] or USUAL_SORT[state["view"]]
    here, falling = now.removeprefix("-") == sort, now.startswith("-")
    arrow = (" ↓" if falling else " ↑") if here else ""
    turned = falling if here else sort not in FALLING_FIRST
    spoken = html.Span(text_register.SORTED[falling], className="for-readers") if here else None
    return dcc.Link(
        [name, html.Span(arrow, className="sort-arrow", **{"aria-hidden": "true"}), spoken],
        href="/" + search_of(state_of({**state, "sort": sort if turned else f"-{sort}", "page": "1"})),
        className="sort-link sort-here" if here else "sort-link", title=text_register.SORT_BY.format(name=name.lower()),
    )


def _table(state: dict[str, str], rows: Sequence[Sequence[Any]], numbers: Sequence[int], name: str) -> Component:
    heads = [html.Span(text_register.CHOOSE, className="for-readers"), *(_heading(*column, state) for column in COLUMNS[state["view"]])]
    return components.table(heads, rows, numbers=numbers, class_name=f"wide-table list-table {name}")


def run_table(items: Sequence[RunItem], state: dict[str, str], chosen: Sequence[int], now: datetime) -> Component:
    """Table of runs with a tick for the comparison."""
    rows = [
        (
            tick(item.id, text_register.TICK.format(id=item.id), chosen),
            dcc.Link(str(item.id), href=f"/run/{item.id}", className="strong-link row-link"),
            dcc.Link(item.pack_id, href=pack_address(item.pack_id), className="strong-link over-row name"),
            html.Span(item.label or text.DASH, className="name"),
            state_cell(item),
            text.DASH if item.withdrawn else dcc.Link(verdict_cell(item), href=f"/run/{item.id}/verdict", className="plain-link over-row"),
            capacity_cell(item),
            health_cell(item),
            _group(item),
            when_cell(item, now),
        )
        for item in items
    ]
    return _table({**state, "view": "runs"}, rows, (6, 7), "run-table")


def pack_table(items: Sequence[PackItem], state: dict[str, str], chosen: Sequence[int], now: datetime) -> Component:
    """Table of packs, each with its last test and a tick for it."""
    return _table({**state, "view": "packs"}, [_pack_row(item, chosen, now) for item in items], (5, 6), "pack-table")


def _pack_row(item: PackItem, chosen: Sequence[int], now: datetime) -> tuple[Any, ...]:
    run = item.newest
    number = html.Span(text_register.WORKSHOP_NUMBER.format(number=item.workshop_number), className="under name") if item.workshop_number else None
    rating = text_register.RATED.format(capacity=rated(item.rated_capacity_ah, "Ah")) if item.rated_capacity_ah else ""
    return (
        tick(run.id, text_register.TICK_PACK.format(pack=item.id, id=run.id), chosen) if run else "",
        html.Span([dcc.Link(item.id, href=pack_address(item.id), className="strong-link row-link name"), number]),
        html.Span([html.Span(text.build_text(item), className="unbroken"), html.Span(rating, className="under rating")]),
        pack_state_cell(item),
        verdict_cell(run) if run else text.DASH,
        capacity_cell(run) if run else text.DASH,
        health_cell(run) if run else text.DASH,
        _group(run) if run else text.DASH,
        when_cell(run, now, text_register.RUN_N.format(id=run.id)) if run else text.DASH,
    )


def body(door: Door, state: dict[str, str], chosen: Sequence[int], now: datetime | None = None) -> Component:
    """Table for a state, or what stands there when it is empty."""
    view = state["view"]
    query = ListQuery(state["q"], state["verdict"], state["sort"] or USUAL_SORT[view], int(state["page"]), ROWS_ON_PAGE)
    page = door.list_packs(query) if view == "packs" else door.list_runs(query)
    if not page.every:
        add = dcc.Link(text.NAV_ADD, href="/add", className="button button-main")
        return html.Div([components.empty_state(text_register.EMPTY, text_register.EMPTY_MORE), html.P(add, className="empty-act")])
    if not page.items:
        return components.empty_state(text_register.NOTHING[view], text_register.NOTHING_MORE)
    table = (pack_table if view == "packs" else run_table)(page.items, state, chosen, now or datetime.now().astimezone())
    return html.Div([table, _foot(page, state)])


def _foot(page: Any, state: dict[str, str]) -> Component:
    count = text_register.COUNT[state["view"]].format(shown=page.matching, all=page.every)
    parts: list[Any] = [html.Span(count)]
    if page.pages > 1:
        parts.append(html.Span(text_register.PAGE.format(page=page.page, pages=page.pages)))
        here = page.page
        for words, to in ((text_register.FIRST, 1), (text_register.PREVIOUS, here - 1), (text_register.NEXT, here + 1), (text_register.LAST, page.pages)):
            if 1 <= to <= page.pages and to != here:
                parts.append(dcc.Link(words, href="/" + search_of(state, page=str(to)), className="button quiet-button no-print"))
    if state["sort"]:
        parts.append(dcc.Link(text_register.TO_ADDED, href="/" + search_of(state, sort="", page="1"), className="no-print"))
    else:
        parts.append(html.Span(text_register.ORDER_ADDED))
    if state["verdict"] == "attention":
        parts.append(html.Span(text_register.ATTENTION_MEANS))
    return html.Nav(parts, className="table-foot", **{"aria-label": text_register.PAGES})


# ---- the choice for the comparison -----------------------------------------------------------------------------


def chosen_runs(value: Any) -> list[int]:
    """Numbers of runs as the browser kept them; anything else is passed over."""
    return [run for run in value if isinstance(run, int) and not isinstance(run, bool)][:99] if isinstance(value, list) else []


def bar(door: Door, chosen: Sequence[int]) -> tuple[Any, Any, bool]:
    """What the bar says of the choice, the way to the comparison if there is one, and whether there is nothing to clear."""
    if not chosen:
        return [text_register.CHOSEN_NONE, " ", text_register.CHOSEN_TICK], None, True
    names = {item.id: text_register.CHOSEN_RUN.format(pack=item.pack_id, id=item.id) for item in door.run_items(chosen)}
    words = text_register.CHOSEN if len(chosen) > 1 else text_register.CHOSEN_ONE
    if len(chosen) > COMPARE_MAX:
        words = text_register.CHOSEN_MANY.format(n=len(chosen))
    said = [
        html.Strong(words), " ",
        ", ".join(names.get(run) or text_register.CHOSEN_GONE.format(id=run) for run in chosen),
    ]
    if not 1 < len(chosen) <= COMPARE_MAX:
        return said, None, False
    href = "/compare?" + urlencode({"runs": ",".join(map(str, chosen))}, safe=",")
    return said, dcc.Link(text_register.COMPARE.format(n=len(chosen)), href=href, className="button button-main"), False


def register(app: Dash, door: Door) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.REGISTER_SEARCH, "value"), Input(ids.REGISTER_VIEW, "value"), Input(ids.REGISTER_VERDICT, "value"),
        State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(words: str | None, view: str, verdict: str, search: str | None, pathname: str) -> str:
        state = state_of(query_of(search))
        wanted = state_of({**state, "q": words or "", "view": view, "verdict": verdict})
        if pathname != "/" or search_of(wanted) == search_of(state):
            raise PreventUpdate
        return search_of(wanted, page="1")

    @app.callback(
        Output(ids.REGISTER_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"),
        State(ids.REGISTER_SEARCH, "value"), State(ids.REGISTER_VIEW, "value"), State(ids.REGISTER_VERDICT, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, words: str | None, view: str, verdict: str) -> Any:
        state = state_of(query_of(search))
        if pathname == "/":
            for name, wanted, shown in (
                (ids.REGISTER_SEARCH, state["q"], words or ""), (ids.REGISTER_VIEW, state["view"], view),
                (ids.REGISTER_VERDICT, state["verdict"], verdict),
            ):
                if wanted != shown:
                    set_props(name, {"value": wanted})
        return search  # an answer of its own: without one the properties set above would not reach the page

    @app.callback(
        Output(ids.REGISTER_TABLE, "children"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.REGISTER_CHOSEN, "data"),
    )
    def show_table(search: str | None, pathname: str, chosen: Any) -> Any:
        if pathname != "/":
            raise PreventUpdate
        return body(door, state_of(query_of(search)), chosen_runs(chosen))

    app.clientside_callback(
        ClientsideFunction(namespace="register", function_name="ticked"),
        Output(ids.REGISTER_CHOSEN, "data"),
        Input({"type": ids.REGISTER_TICK, "run": ALL}, "value"), State({"type": ids.REGISTER_TICK, "run": ALL}, "id"),
        State(ids.REGISTER_CHOSEN, "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output(ids.REGISTER_CHOSEN, "data", allow_duplicate=True),
        Output({"type": ids.REGISTER_TICK, "run": ALL}, "value"),
        Input(ids.REGISTER_CLEAR, "n_clicks"), State({"type": ids.REGISTER_TICK, "run": ALL}, "id"),
        prevent_initial_call=True,
    )
    def clear(clicks: int | None, names: list[dict[str, Any]]) -> tuple[list[int], list[list[int]]]:
        if not clicks:
            raise PreventUpdate
        return [], [[] for _ in names]

    @app.callback(
        Output(ids.REGISTER_COMPARE_NOTE, "children"), Output(ids.REGISTER_COMPARE, "children"), Output(ids.REGISTER_CLEAR, "hidden"),
        Input(ids.REGISTER_CHOSEN, "data"),
    )
    def offer_comparison(chosen: Any) -> tuple[Any, Any, bool]:
        return bar(door, chosen_runs(chosen))
