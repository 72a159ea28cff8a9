"""The list of jobs, and the form that begins one; the address keeps what is searched and shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, ids_jobs, text, text_jobs, text_register
from dashboard.address import query_of
from dashboard.data import Door
from dashboard.pages import pack_card
from dashboard.uploads import Uploads

ROWS_ON_PAGE = 50
PACKS_SUGGESTED = 500
WORDS_MAX = 2000
DEFAULTS = {"q": "", "show": "all", "page": "1"}
WHO_FORM = "jobs-new"


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div([_tools(dict(DEFAULTS)), html.Div(id=ids_jobs.JOBS_LIST), dcc.Store(id=ids_jobs.JOBS_SYNC), _new_form((), "", False)])


def state_of(query: dict[str, str]) -> dict[str, str]:
    """What the address asks for, with every unknown value replaced by the usual one."""
    state = {key: query.get(key, usual)[:200] for key, usual in DEFAULTS.items()}
    if state["show"] not in text_jobs.SHOWN:
        state["show"] = DEFAULTS["show"]
    if not (state["page"].isascii() and state["page"].isdecimal()) or len(state["page"]) > 6 or not int(state["page"]):
        state["page"] = "1"
    return state


def search_of(state: dict[str, str], **changes: str) -> str:
    """Query of the address for a state; usual values are left out."""
    merged = {**state, **changes}
    kept = {key: merged[key] for key in DEFAULTS if merged.get(key, DEFAULTS[key]) != DEFAULTS[key]}
    return f"?{urlencode(kept)}" if kept else ""


def layout(door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. ``pack`` in the query names the pack of the job that is to be begun."""
    state = state_of(query)
    pack_id = query.get("pack", "")[:200]
    packs = [item.id for item in door.packs()][:PACKS_SUGGESTED]
    lines = door.job_list()
    page = html.Div(
        [
            html.Div(html.Div([html.H1(text_jobs.TITLE), html.P(text_jobs.MORE, className="quiet")]), className="page-head"),
            _new_form(packs, pack_id, bool(pack_id) or not lines),
            _tools(state),
            dcc.Store(id=ids_jobs.JOBS_SYNC),
            components.loading(html.Div(body(lines, state, door.next_words), id=ids_jobs.JOBS_LIST, className="jobs-place")),
        ],
        className="page page-jobs",
    )
    return page, text_jobs.TITLE


def _new_form(packs: Sequence[str], pack_id: str, is_open: bool) -> Component:
    """What begins a job. It stands in the page once, so that what is typed stays."""
    pack = dcc.Input(id=ids_jobs.JOBS_NEW_PACK, type="text", autoComplete="off", list=ids_jobs.JOBS_NEW_PACKS, value=pack_id, maxLength=200)
    words = dcc.Textarea(id=ids_jobs.JOBS_NEW_WORDS, className="words-area", value="", maxLength=WORDS_MAX)
    return html.Details(
        [
            html.Summary(text_jobs.NEW, className="button button-main"),
            html.Div(
                [
                    html.Datalist([html.Option(value=item) for item in packs], id=ids_jobs.JOBS_NEW_PACKS),
                    html.Div(
                        [components.field(text_jobs.NEW_PACK, pack, text_jobs.NEW_PACK_HINT), pack_card.who_field(WHO_FORM)],
                        className="new-job-names",
                    ),
                    components.field(text_jobs.NEW_WORDS, words, text_jobs.NEW_WORDS_HINT, "new-job-words"),
                ],
                className="new-job-grid",
            ),
            components.caution(text_jobs.NEW_CAUTION),
            html.Div(
                [html.Button(text_jobs.NEW_GO, id=ids_jobs.JOBS_NEW_GO, type="button", className="button button-main"),
                 html.Span(id=ids_jobs.JOBS_NEW_BUSY, role="status", className="busy")],
                className="act-row",
            ),
            html.Div(id=ids_jobs.JOBS_NEW_ERROR, role="status"),
        ],
        className="new-job no-print", open=is_open,
    )


def _tools(state: dict[str, str]) -> Component:
    shown = dcc.RadioItems(
        id=ids_jobs.JOBS_SHOW, options=[{"value": key, "label": word} for key, word in text_jobs.SHOWN.items()], value=state["show"],
        className="choice", inline=True,
    )
    return html.Div(
        [
            html.Label(text_jobs.SEARCH, htmlFor=ids_jobs.JOBS_SEARCH, className="for-readers"),
            dcc.Input(id=ids_jobs.JOBS_SEARCH, type="search", value=state["q"], debounce=0.35, maxLength=80, placeholder=text_jobs.SEARCH, className="search"),
            html.Div([html.Span(text_jobs.SHOW, className="hint"), shown], className="field-row field", role="group", **{"aria-label": text_jobs.SHOW}),
        ],
        className="tool-row no-print", role="search",
    )


# ---- the list --------------------------------------------------------------------------------------------------


def is_closed(line: Any) -> bool:
    """True for a job that was closed."""
    return bool(line.state == "closed")


def matching(lines: Sequence[Any], state: dict[str, str]) -> list[Any]:
    """Jobs that the state asks for: "job 12", or every word of the search in pack or complaint, whatever its case."""
    wanted = state["q"].casefold().split()
    number = wanted[1] if len(wanted) == 2 and wanted[0] == text_jobs.JOB.split()[0].casefold() and wanted[1].isdecimal() else ""
    found = []
    for line in lines:
        if state["show"] == "all" or is_closed(line) == (state["show"] == "closed"):
            place = f"{line.pack_id} {line.words}".casefold()
            if str(line.id) == number if number else all(word in place for word in wanted):
                found.append(line)
    return found


def body(
    lines: Sequence[Any], state: dict[str, str], next_words: Callable[[Sequence[int]], dict[int, str]], now: datetime | None = None,
) -> Component:
    """One page of the list, or what stands there when it is empty; what comes next is asked for the jobs shown alone."""
    if not lines:
        return components.empty_state(text_jobs.EMPTY, text_jobs.EMPTY_MORE)
    found = sorted(matching(lines, state), key=lambda line: (is_closed(line), -line.id))
    if not found:
        return components.empty_state(text_jobs.NOTHING, text_jobs.NOTHING_MORE)
    pages = -(-len(found) // ROWS_ON_PAGE)
    page = min(int(state["page"]), pages)
    shown = found[(page - 1) * ROWS_ON_PAGE : page * ROWS_ON_PAGE]
    at = now or datetime.now().astimezone()
    words = next_words([line.id for line in shown])
    count = text_jobs.COUNT.format(shown=len(found), all=len(lines), open=sum(not is_closed(line) for line in lines))
    return html.Div([html.Ul([_row(line, words.get(line.id, ""), at) for line in shown], className="job-list"), _foot(count, page, pages, state)])


def state_mark(state: str) -> Component:
    """Whether a job is open or closed, as shape and word."""
    closed = state == "closed"
    return html.Span(
        [html.Span(className=f"shape shape-{'closed' if closed else 'none'}", **{"aria-hidden": "true"}), text_jobs.STATE.get(state, state)],
        className="job-state job-closed" if closed else "job-state",
    )


def _row(line: Any, words: str, now: datetime) -> Component:
    """One job; the whole row leads to it."""
    name = dcc.Link([html.Span(line.pack_id, className="own-words"), html.Span(f" · {text_jobs.JOB.format(id=line.id)}", className="job-no")],
                    href=f"/job/{line.id}", className="strong-link job-link")
    since = text_jobs.SINCE.format(day=text.day_text(line.opened_at), age=text_register.age_text(line.opened_at, now), who=line.opened_by)
    last = ""
    if is_closed(line):
        last = text_jobs.CLOSED_ON.format(age=text_register.age_text(line.last_at, now))
    elif text.day_text(line.last_at) != text.day_text(line.opened_at):
        last = text_jobs.LAST.format(age=text_register.age_text(line.last_at, now))
    following = html.P([html.Span(text_jobs.NEXT, className="quiet"), " ", words], className="job-next") if words else None
    return html.Li(
        [
            html.Div([name, state_mark(line.state)], className="job-name"),
            html.P(line.words, className="job-words own-words"),
            html.Div([following, html.P(" · ".join(part for part in (since, last) if part), className="quiet job-since")], className="job-stands"),
        ],
        className="job-row job-row-closed" if is_closed(line) else "job-row",
    )


def _foot(count: str, page: int, pages: int, state: dict[str, str]) -> Component:
    parts: list[Any] = [html.Span(count)]
    if pages > 1:
        parts.append(html.Span(text_jobs.PAGE.format(page=page, pages=pages)))
        for words, to in ((text_jobs.FIRST, 1), (text_jobs.PREVIOUS, page - 1), (text_jobs.NEXT_PAGE, page + 1), (text_jobs.LAST_PAGE, pages)):
            if 1 <= to <= pages and to != page:
                parts.append(dcc.Link(words, href="/jobs" + search_of(state, page=str(to)), className="button quiet-button no-print"))
    parts.append(html.Span(text_jobs.ORDER))
    return html.Nav(parts, className="table-foot", **{"aria-label": text_jobs.PAGES})


def _to_open_job(door: Door, pack_id: str | None) -> Component | None:
    """The way to the job that is open on a pack."""
    number = door.job_of_pack((pack_id or "").strip())
    return None if number is None else dcc.Link(text_jobs.TO_OPEN.format(id=number), href=f"/job/{number}", className="button")


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True), Input(ids_jobs.JOBS_SEARCH, "value"), Input(ids_jobs.JOBS_SHOW, "value"),
        State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_address(words: str | None, show: str, search: str | None, pathname: str) -> str:
        state = state_of(query_of(search))
        wanted = state_of({**state, "q": words or "", "show": show})
        if pathname != "/jobs" or search_of(wanted) == search_of(state):
            raise PreventUpdate
        return search_of(wanted, page="1")

    @app.callback(
        Output(ids_jobs.JOBS_SYNC, "data"), Output(ids_jobs.JOBS_LIST, "children"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids_jobs.JOBS_SEARCH, "value"), State(ids_jobs.JOBS_SHOW, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, words: str | None, show: str) -> tuple[Any, Any]:
        if pathname != "/jobs":
            raise PreventUpdate
        state = state_of(query_of(search))
        for name, wanted, now in ((ids_jobs.JOBS_SEARCH, state["q"], words or ""), (ids_jobs.JOBS_SHOW, state["show"], show)):
            if wanted != now:
                set_props(name, {"value": wanted})
        return search, body(door.job_list(), state, door.next_words)

    @app.callback(
        Output(ids.URL, "pathname", allow_duplicate=True), Output(ids.URL, "search", allow_duplicate=True), Output(ids_jobs.JOBS_NEW_ERROR, "children"),
        Input(ids_jobs.JOBS_NEW_GO, "n_clicks"), State(ids_jobs.JOBS_NEW_PACK, "value"), State(ids_jobs.JOBS_NEW_WORDS, "value"),
        State({"type": ids.PACK_WHO, "form": WHO_FORM}, "value"),
        running=[(Output(ids_jobs.JOBS_NEW_GO, "disabled"), True, False), (Output(ids_jobs.JOBS_NEW_BUSY, "children"), text_jobs.NEW_BUSY, "")],
        prevent_initial_call=True,
    )
    def begin(clicks: int | None, pack_id: str | None, words: str | None, who: str | None) -> tuple[Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        try:
            pack = door.pack_id(pack_id or "")
            if not (words or "").strip():
                raise InputError(text_jobs.NEW_WHAT, text.THE_PAGE, text_jobs.NEW_WHY, text_jobs.NEW_MEND)
            number = door.open_job(pack, words or "", who or "")
        except InputError as error:
            return no_update, no_update, [components.error_panel(error, text_jobs.NOTHING_BEGUN), _to_open_job(door, pack_id)]
        return f"/job/{number}/sheet", "", None
