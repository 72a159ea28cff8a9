"""The register: packs and runs in a table, searched, sorted and filtered; the address keeps what is shown."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, State, dcc, html, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.record.values import figure, rated
from dashboard import components, ids, text
from dashboard.address import query_of
from dashboard.data import COMPARE_MAX, Door, PackItem, RunItem

ROWS_ON_PAGE = 50
DEFAULTS = {"view": "runs", "q": "", "verdict": "all", "sort": "-id", "page": "1"}
RUN_SORTS = ("id", "pack", "label", "verdict", "capacity", "group", "date")
PACK_SORTS = ("pack", "build", "rated", "runs", "verdict", "capacity", "group", "date")


def state_of(query: dict[str, str]) -> dict[str, str]:
    """What the address asks for, with every unknown value replaced by the usual one."""
    state = {key: query.get(key, usual)[:200] for key, usual in DEFAULTS.items()}
    if state["view"] not in text.REGISTER_VIEW:
        state["view"] = DEFAULTS["view"]
    if state["verdict"] not in text.REGISTER_FILTER:
        state["verdict"] = DEFAULTS["verdict"]
    sorts = RUN_SORTS if state["view"] == "runs" else PACK_SORTS
    if state["sort"].lstrip("-") not in sorts:
        state["sort"] = DEFAULTS["sort"] if state["view"] == "runs" else "pack"
    if not state["page"].isdecimal() or len(state["page"]) > 6:
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
            html.H1(text.REGISTER_TITLE),
            html.P(dcc.Link(text.NAV_ADD, href="/add", className="button button-main"), className="no-print"),
            html.Div(
                [
                    html.Label(text.REGISTER_SEARCH, htmlFor=ids.REGISTER_SEARCH, className="for-readers"),
                    dcc.Input(
                        id=ids.REGISTER_SEARCH, type="search", value=state["q"], debounce=0.35, maxLength=80,
                        placeholder=text.REGISTER_SEARCH, className="search",
                    ),
                    _choice(ids.REGISTER_VIEW, text.SHOW, text.REGISTER_VIEW, state["view"]),
                    _choice(ids.REGISTER_VERDICT, text.LAST_VERDICT, text.REGISTER_FILTER, state["verdict"]),
                ],
                className="tool-row no-print", role="search",
            ),
            html.Div(
                [
                    html.Span(text.COMPARE_NONE, id=ids.REGISTER_COMPARE_NOTE, role="status"),
                    html.Span(id=ids.REGISTER_COMPARE),
                    html.Button(text.COMPARE_CLEAR, id=ids.REGISTER_CLEAR, type="button", hidden=True,
                                className="button quiet-button"),
                ],
                id=ids.REGISTER_COMPARE_ROW, className="compare-row no-print",
            ),
            dcc.Store(id=ids.REGISTER_SYNC),
            components.loading(html.Div(id=ids.REGISTER_TABLE, className="register-table")),
        ],
        className="page page-register",
    )


def _choice(component_id: str, label: str, options: dict[str, str], value: str) -> Component:
    control = dcc.RadioItems(
        id=component_id, options=[{"value": key, "label": word} for key, word in options.items()], value=value,
        className="choice", inline=True,
    )
    return html.Div([html.Span(label, className="hint"), control], className="field-row field", role="group",
                    **{"aria-label": label})


# ---- what is shown ---------------------------------------------------------------------------------------------


def capacity_text(item: RunItem) -> str:
    """Capacity with expanded uncertainty, or as a bound where that is all it is."""
    if item.capacity_ah is None:
        return text.NOT_KNOWN
    words = figure(item.capacity_ah, item.u_capacity_ah, "Ah")
    if item.capacity_valid:
        return words
    return (text.AT_LEAST if item.capacity_is_lower_bound else text.NOT_VALID).format(figure=words)


def capacity_cell(item: RunItem) -> Component:
    """The capacity in a table: the figure holds together, the words around it may stand on lines of their own."""
    words = capacity_text(item)
    if item.capacity_ah is None:
        return html.Span(words)
    shown = figure(item.capacity_ah, item.u_capacity_ah, "Ah")
    before, after = words.split(shown)
    return html.Span([before, html.Span(shown, className="unbroken"), after])


def when_cell(item: RunItem) -> Component:
    """The day in a table; that it is the day of adding stands above it."""
    day = text.day_text(item.started_at or item.added_at)
    if item.started_at:
        return html.Span(day, className="unbroken")
    return html.Span([html.Span(text.ADDED.format(when="").strip(), className="hint"), " ", html.Span(day, className="unbroken")])


def state_cell(item: RunItem) -> Component:
    """The state in a table, with the mark of a danger."""
    if not item.dangers:
        return html.Span(state_text(item))
    return html.Span(
        [html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), html.Strong(f" {state_text(item)}")],
        className="severity-danger",
    )


def state_text(item: RunItem) -> str:
    """The run's state in words: dangers, defects, whether the capacity can be quoted."""
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
    return ", ".join(parts) or text.STATE_SOUND


def matches(item: RunItem, words: str, verdict: str) -> bool:
    """True if every word is in pack, label or number and the last verdict is the one asked for."""
    if verdict != "all" and (item.verdict or "none") != verdict:
        return False
    hay = f"{item.pack_id} {item.label} {item.id}".casefold()
    return all(word in hay for word in words.casefold().split())


def run_key(item: RunItem, sort: str) -> Any:
    """Key by which runs are ordered; what is missing comes last either way (see :func:`ordered`)."""
    return {
        "id": item.id, "pack": item.pack_id.casefold(), "label": item.label.casefold(), "verdict": item.verdict,
        "capacity": item.capacity_ah, "group": item.limiting_group, "date": item.started_at or item.added_at,
    }[sort]


def pack_key(item: PackItem, sort: str) -> Any:
    """Key by which packs are ordered."""
    if sort in ("pack", "build", "rated", "runs"):
        return {
            "pack": item.id.casefold(), "build": text.build_text(item), "rated": item.rated_capacity_ah, "runs": item.runs,
        }[sort]
    return run_key(item.newest, sort) if item.newest else None


def ordered(items: list[Any], key: Any, sort: str) -> list[Any]:
    """Items by ``sort`` ("-" in front turns it round); those without the figure stand at the end."""
    name = sort.lstrip("-")
    known = [item for item in items if key(item, name) is not None]
    unknown = [item for item in items if key(item, name) is None]
    return sorted(known, key=lambda item: key(item, name), reverse=sort.startswith("-")) + unknown


def _heading(name: str, sort: str, state: dict[str, str]) -> Component:
    here = state["sort"].lstrip("-") == sort
    falling = state["sort"].startswith("-")
    arrow = (" ↓" if falling else " ↑") if here else ""
    return dcc.Link(
        [name, html.Span(arrow, **{"aria-hidden": "true"})],
        href="/" + search_of(state, sort=sort if here and falling else (f"-{sort}" if here else sort), page="1"),
        className="sort-link sort-here" if here else "sort-link", title=text.SORT_BY.format(name=name.lower()),
    )


def _group(item: RunItem | None) -> str:
    if item is None or item.limiting_group is None:
        return text.DASH
    return f"group {item.limiting_group}"


def run_table(items: list[RunItem], state: dict[str, str], chosen: list[int]) -> Component:
    """Table of runs with a tick for the comparison."""
    heads = [html.Span(text.CHOOSE, className="for-readers"), *(
        _heading(name, sort, state) for name, sort in (
            (text.H_RUN, "id"), (text.H_PACK, "pack"), (text.H_LABEL, "label"), (text.H_RESULT, "verdict"),
            (text.H_CAPACITY, "capacity"), (text.H_WORST, "group"),
        )
    ), text.H_FINDINGS, _heading(text.H_DATE, "date", state)]
    rows = [
        (
            dcc.Checklist(
                id={"type": ids.REGISTER_TICK, "run": item.id},
                options=[{"value": item.id, "label": html.Span(text.TICK.format(id=item.id), className="for-readers")}],
                value=[item.id] if item.id in chosen else [], className="tick",
            ),
            dcc.Link(str(item.id), href=f"/run/{item.id}"),
            dcc.Link(item.pack_id, href=f"/run/{item.id}", className="strong-link"),
            item.label or text.DASH,
            dcc.Link(text.WITHDRAWN if item.withdrawn else components.result_mark(item.verdict), href=f"/run/{item.id}/verdict", className="plain-link"),
            capacity_cell(item),
            _group(item),
            state_cell(item),
            when_cell(item),
        )
        for item in items
    ]
    return components.table(heads, rows, numbers=(5,), class_name="wide-table run-table")


def pack_table(items: list[PackItem], state: dict[str, str]) -> Component:
    """Table of packs, each with its newest run."""
    heads = [
        _heading(name, sort, state) for name, sort in (
            (text.H_PACK, "pack"), (text.H_BUILD, "build"), (text.H_RATED, "rated"), (text.H_RUNS, "runs"),
            (text.H_RESULT, "verdict"), (text.H_CAPACITY, "capacity"), (text.H_WORST, "group"), (text.H_DATE, "date"),
        )
    ]
    rows = [
        (
            dcc.Link(item.id, href="/" + search_of(DEFAULTS, q=item.id), className="strong-link"),
            text.build_text(item),
            rated(item.rated_capacity_ah, "Ah"),
            str(item.runs),
            components.result_mark(item.newest.verdict if item.newest else None),
            capacity_cell(item.newest) if item.newest else text.DASH,
            _group(item.newest),
            when_cell(item.newest) if item.newest else text.DASH,
        )
        for item in items
    ]
    return components.table(heads, rows, numbers=(2, 3, 5), class_name="wide-table")


def body(door: Door, state: dict[str, str], chosen: list[int]) -> Component:
    """Table for a state, or what stands there when it is empty."""
    if state["view"] == "packs":
        every: list[Any] = door.packs()
        shown = [
            item for item in every
            if (item.newest is None or matches_pack(item, state["q"], state["verdict"]))
        ]
        shown, count = ordered(shown, pack_key, state["sort"]), text.REGISTER_COUNT_PACKS
    else:
        every = door.runs()
        shown = ordered([item for item in every if matches(item, state["q"], state["verdict"])], run_key, state["sort"])
        count = text.REGISTER_COUNT
    if not every:
        return components.empty_state(text.REGISTER_EMPTY, text.REGISTER_EMPTY_MORE)
    if not shown:
        return components.empty_state(text.REGISTER_NOTHING, text.REGISTER_NOTHING_MORE)
    pages = -(-len(shown) // ROWS_ON_PAGE)
    page = min(max(1, int(state["page"])), pages)
    part = shown[(page - 1) * ROWS_ON_PAGE : page * ROWS_ON_PAGE]
    table = pack_table(part, state) if state["view"] == "packs" else run_table(part, state, chosen)
    foot: list[Any] = [html.Span(count.format(shown=len(shown), all=len(every)))]
    if pages > 1:
        foot.append(html.Span(text.REGISTER_PAGE.format(page=page, pages=pages)))
        if page > 1:
            foot.append(dcc.Link(text.REGISTER_PREVIOUS, href="/" + search_of(state, page=str(page - 1))))
        if page < pages:
            foot.append(dcc.Link(text.REGISTER_NEXT, href="/" + search_of(state, page=str(page + 1))))
    return html.Div([components.doubts_box(door.open_dangers()), table, html.P(foot, className="table-foot")])


def matches_pack(item: PackItem, words: str, verdict: str) -> bool:
    """True if the pack's number and build hold every word and its newest verdict is the one asked for."""
    if verdict != "all" and ((item.newest.verdict if item.newest else None) or "none") != verdict:
        return False
    hay = f"{item.id} {text.build_text(item)}".casefold()
    return all(word in hay for word in words.casefold().split())


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
        wanted = search_of({**state, "q": words or "", "view": view, "verdict": verdict})
        if pathname != "/" or wanted == search_of(state):
            raise PreventUpdate
        return search_of({**state, "q": words or "", "view": view, "verdict": verdict, "page": "1"})

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
        Output(ids.REGISTER_TABLE, "children"), Output(ids.REGISTER_COMPARE_ROW, "hidden"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.REGISTER_CHOSEN, "data"),
    )
    def show_table(search: str | None, pathname: str, chosen: list[int] | None) -> tuple[Any, bool]:
        if pathname != "/":
            raise PreventUpdate
        state = state_of(query_of(search))
        shown = body(door, state, [n for n in chosen or [] if isinstance(n, int)])
        return shown, state["view"] == "packs"

    @app.callback(
        Output(ids.REGISTER_CHOSEN, "data"),
        Input({"type": ids.REGISTER_TICK, "run": ALL}, "value"), State({"type": ids.REGISTER_TICK, "run": ALL}, "id"),
        State(ids.REGISTER_CHOSEN, "data"),
        prevent_initial_call=True,
    )
    def choose(values: list[list[int]], names: list[dict[str, Any]], chosen: list[int] | None) -> list[int]:
        if not names:
            raise PreventUpdate
        on_page = {name["run"] for name in names}
        kept = [run for run in chosen or [] if run not in on_page]
        ticked = [run for value in values for run in value]
        order = [run for run in chosen or [] if run in ticked] + [run for run in ticked if run not in (chosen or [])]
        return kept + order

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
        Output(ids.REGISTER_COMPARE, "children"), Output(ids.REGISTER_COMPARE_NOTE, "children"),
        Output(ids.REGISTER_CLEAR, "hidden"),
        Input(ids.REGISTER_CHOSEN, "data"),
    )
    def offer_comparison(chosen: list[int] | None) -> tuple[Any, str, bool]:
        count = len(chosen or [])
        if count == 0:
            return None, text.COMPARE_NONE, True
        if count == 1:
            return None, text.COMPARE_ONE, False
        if count > COMPARE_MAX:
            return None, text.COMPARE_MANY.format(n=count), False
        href = "/compare?" + urlencode({"runs": ",".join(map(str, chosen or []))}, safe=",")
        return dcc.Link(text.COMPARE_GO.format(n=count), href=href, className="button"), "", False

