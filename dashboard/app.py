"""The app: one Dash application over one register, with its guards, routes and pages."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

import dash
from dash import Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from cycler.errors import InputError
from dashboard import access as logins
from dashboard import components, ids, security, text, text_access, text_frame
from dashboard.address import query_of
from dashboard.alive import tell_alive
from dashboard.bundle import bundle_assets
from dashboard.data import Door
from dashboard.defects import in_words
from dashboard.exports import add_export_routes
from dashboard.jobs import Jobs
from dashboard.pages import (
    add,
    bench,
    cells,
    columns_form,
    comparison,
    decision_confirm,
    donor,
    job,
    job_options,
    job_sheet,
    jobs,
    pack,
    plan,
    register,
    run,
    verdict,
    watching,
)
from dashboard.photo_routes import add_photo_routes
from dashboard.record_routes import add_job_routes, add_label_route
from dashboard.routes import add_routes
from dashboard.uploads import UPLOAD_BYTES_MAX, Uploads

_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<script src="/assets/scheme.js"></script>
<link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
{%css%}
</head>
<body>
<noscript><p class="error-panel">""" + text_frame.NEEDS_SCRIPT + """</p></noscript>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>"""

_OF_THE_BENCH = (jobs, job, job_sheet, job_options, bench, plan, donor, cells)
_BENCH_PAGES = {"plan": plan, "donor": donor, "cells": cells}


def create_app(
    register_path: str | Path | None,
    *,
    key_path: str | Path | None = None,
    upload_bytes_max: int = UPLOAD_BYTES_MAX,
    hosts: tuple[str, ...] = security.LOCAL_HOSTS,
    access: logins.Access | None = None,
) -> Dash:
    """Build the application over a register; the caller binds and serves ``app.server``.

    Parameters
    ----------
    register_path : str, Path or None
        File or address of the register, made if there is none; ``None`` is the one in the user's data directory.
    key_path : str, Path or None
        File of the key that seals records; ``None`` is the workshop's own.
    upload_bytes_max : int
        Largest dropped file. [byte]
    hosts : tuple of str
        Names under which the server may be asked; others get status 400. A page behind another name needs it here.
    access : Access, optional
        Who may sign in; without it nobody has to, and only this computer may reach the server.

    Raises
    ------
    InputError
        The register cannot be opened.
    """
    door = Door(register_path, key_path)
    uploads = Uploads(upload_bytes_max)
    jobs = Jobs()
    app = Dash(
        __name__,
        assets_folder="assets",
        assets_ignore=r"\.(css|js)$",  # bundle.py hands them out; scheme.js stands in the head, before the first paint
        use_pages=False,
        serve_locally=True,
        index_string=_INDEX,
        title=text.PRODUCT,
        update_title=None,
        suppress_callback_exceptions=True,  # else whole_layout would go with every page; tests/dashboard/test_callbacks.py holds against it
        enable_mcp=False,
        add_log_handler=False,
        on_error=_show_error,
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "color-scheme", "content": "light dark"},
        ],
    )
    security.protect(app.server, hosts, must_tell=access is not None, tls=access is not None and access.behind_tls)
    if access is not None:
        logins.demand_logins(app.server, access)
    add_routes(app.server, door, uploads)
    add_label_route(app.server, door)
    add_job_routes(app.server, door)
    add_photo_routes(app.server, door)
    add_export_routes(app.server, door)
    app.layout = _frame() if access is None else lambda: _frame(logins.signed_in())
    _register_frame(app, door)
    register.register(app, door)
    add.register(app, door, uploads, jobs)
    columns_form.register(app, door, uploads)
    watching.register(app, door, uploads)
    run.register(app, door)
    pack.register(app, door, uploads)
    comparison.register(app, door)
    verdict.register(app, door, uploads)
    decision_confirm.register(app, door)
    for page in _OF_THE_BENCH:
        page.register(app, door, uploads)
    app.server.extensions["dashboard_door"] = door
    app.server.extensions["dashboard_uploads"] = uploads
    app.server.extensions["dashboard_jobs"] = jobs
    bundle_assets(app)
    tell_alive(app, door.register_name)
    security.send_policy(app)
    return app


def whole_layout(door: Door) -> Component:
    """All pages at once: whatever a callback names is in it."""
    return html.Div(
        [
            _frame(),
            register.layout(door, {}),
            add.skeleton(door),
            pack.skeleton(),
            run.skeleton(),
            comparison.skeleton(),
            verdict.skeleton(),
            *(page.skeleton() for page in _OF_THE_BENCH),
        ]
    )


def _frame(who: str = "") -> Component:
    """What every page shares: masthead, place for notices, place for the page; ``who`` is signed in."""
    return html.Div(
        [
            dcc.Location(id=ids.URL, refresh=False),
            dcc.Store(id=ids.TITLE),
            dcc.Store(id=ids.TITLE_SINK),
            dcc.Store(id=ids.WHO_SINK),
            dcc.Store(id=ids.REGISTER_CHOSEN, data=[], storage_type="session"),
            *add.frame_parts(),
            html.A(text.SKIP, href=f"#{ids.CONTENT}", className="skip-link"),
            html.Header(
                [
                    dcc.Link(
                        [html.Span(className="brand-mark", **{"aria-hidden": "true"}), html.Strong(text.PRODUCT),
                         html.Span(text.PRODUCT_LINE, className="brand-line")],
                        href="/", className="brand",
                    ),
                    html.Nav(id=ids.NAV, className="nav", **{"aria-label": "Pages"}),
                    _display_choice(),
                    _sign_out(who) if who else None,
                ],
                className="masthead",
            ),
            html.Div(
                [html.Div(id=ids.NOTICE), html.Button(text.CLOSE, id=ids.NOTICE_CLOSE, className="button quiet-button")],
                id=ids.NOTICE_BOX, className="notice", hidden=True,
            ),
            html.Main(components.empty_state(text.LOADING, ""), id=ids.CONTENT, className="content", tabIndex=-1),
            _standing_bar(),
        ],
        className="frame",
    )


def _sign_out(who: str) -> Component:
    """Who is signed in, and the way out; assets/pack.js takes the name for that of whoever writes."""
    button = html.Button(text_access.SIGN_OUT, type="submit", className="button quiet-button")
    name = html.Span([f"{text_access.SIGNED_IN} ", html.Strong(who)])
    return html.Form([name, button], action=logins.LOGOUT_PATH, method="post", className="signed-in no-print", **{"data-signed-in": who})


def _display_choice() -> Component:
    """As the system, light or dark; assets/scheme.js minds the buttons."""
    buttons = [
        html.Button(words, className="button quiet-button", type="button", **{"data-display": key, "aria-pressed": "false"})
        for key, words in text_frame.DISPLAY_CHOICES.items()
    ]
    summary = html.Summary([html.Span(className="display-shape", **{"aria-hidden": "true"}), text_frame.DISPLAY])
    choice = html.Div(buttons, className="display-choice", role="group", **{"aria-label": text_frame.DISPLAY})
    return html.Details([summary, choice], className="display")


def _standing_bar() -> Component:
    """What assets/frame.js shows while the program does not answer, or after it was started anew with other pages."""
    return html.Div(
        [
            html.Span(className="standing-sign", **{"aria-hidden": "true"}),
            html.P(""),
            html.Button(text_frame.LOAD_AGAIN, className="button", type="button", **{"data-load-again": ""}),
            html.Button(text_frame.HIDE, className="button quiet-button", type="button", **{"data-hide": ""}),
        ],
        id=ids.STANDING, className="standing", hidden=True, role="status",
        **{f"data-{name}": words for name, words in text_frame.STANDING.items()},
    )


def page_for(door: Door, pathname: str | None, search: str | None) -> tuple[Component, str]:
    """Page and title for an address; an error of the input becomes a page of its own."""
    parts = [part for part in (pathname or "/").split("/") if part]
    query = query_of(search)
    try:
        if not parts:
            return register.layout(door, query), text.REGISTER_TITLE
        if parts == ["compare"]:
            return comparison.layout(door, query), text.COMPARE_TITLE
        if parts == ["add"]:
            return add.layout(door, query), text.ADD_TITLE
        if parts == ["pack"]:
            return pack.layout_new(query)
        if parts[0] == "pack" and len(parts) == 2:
            return pack.layout(door, unquote(parts[1]), query)
        if parts == ["jobs"]:
            return jobs.layout(door, query)
        if parts[0] == "job" and len(parts) in (2, 3) and parts[1].isdecimal() and len(parts[1]) < 10:
            of_job = {"": job, "sheet": job_sheet, "options": job_options}.get("".join(parts[2:]))
            if of_job is not None:
                return of_job.layout(door, int(parts[1]), query)
        if parts == ["bench"]:
            return bench.layout(door, query)
        if parts[0] == "bench" and len(parts) == 2 and parts[1] in _BENCH_PAGES:
            return _BENCH_PAGES[parts[1]].layout(door, query)
        if parts[0] == "run" and len(parts) in (2, 3) and parts[1].isdecimal() and len(parts[1]) < 10:
            run_id = int(parts[1])
            if len(parts) == 2:
                return run.layout(door, run_id, query)
            if parts[2] == "verdict":
                return verdict.layout(door, run_id, query)
    except InputError as error:
        heading = html.H1(text_frame.PAGE_FAILED)
        return html.Div([heading, components.error_panel(error), _way_back()]), text_frame.PAGE_FAILED
    missing = components.empty_state(text.PAGE_MISSING, text.PAGE_MISSING_MORE, heading=True)
    return html.Div([missing, _way_back()]), text.PAGE_MISSING


def _way_back() -> Component:
    return dcc.Link(text.BACK, href="/", className="button")


def _nav(pathname: str | None) -> list[Component]:
    links = ((text.NAV_REGISTER, "/"), (text.NAV_JOBS, "/jobs"), (text.NAV_ADD, "/add"), (text.NAV_COMPARE, "/compare"), (text.NAV_BENCH, "/bench"))
    path = "/jobs" if (pathname or "").startswith("/job/") else pathname or ""
    here = next((href for _name, href in links[1:] if path.startswith(href)), "/")
    return [
        dcc.Link(name, href=href, className="nav-link nav-here" if href == here else "nav-link") for name, href in links
    ]


def _register_frame(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.CONTENT, "children"), Output(ids.TITLE, "data"), Output(ids.NAV, "children"),
        Output(ids.NOTICE_BOX, "hidden"),
        Input(ids.URL, "pathname"), State(ids.URL, "search"),
    )
    def show_page(pathname: str | None, search: str | None) -> tuple[Component, str, list[Component], bool]:
        page, title = page_for(door, pathname, search)
        return page, f"{title} · {text.PRODUCT}", _nav(pathname), True

    @app.callback(
        Output(ids.NOTICE_BOX, "hidden", allow_duplicate=True), Input(ids.NOTICE_CLOSE, "n_clicks"),
        prevent_initial_call=True,
    )
    def close_notice(_clicks: int | None) -> bool:
        return True

    app.clientside_callback(
        dash.ClientsideFunction(namespace="frame", function_name="setTitle"),
        Output(ids.TITLE_SINK, "data"), Input(ids.TITLE, "data"),
    )


def _show_error(error: Exception) -> None:
    """Errors inside a callback reach the page in words; the details go to the program's log under a mark."""
    dash.set_props(ids.NOTICE, {"children": components.error_panel(in_words(error))})
    dash.set_props(ids.NOTICE_BOX, {"hidden": False})
