"""Where the aids of the bench are found."""

from __future__ import annotations

from dash import Dash, dcc, html
from dash.development.base_component import Component

from dashboard import text_bench as words
from dashboard.data import Door
from dashboard.uploads import Uploads


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div()


def layout(_door: Door, _query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    entries = [
        html.Li([html.H2(dcc.Link(title, href=href)), html.P(more)], className="bench-entry") for href, title, more in words.ENTRIES
    ]
    page = html.Div(
        [
            html.H1(words.TITLE), html.P(words.LEAD, className="lead"), html.Ul(entries, className="bench-entries"),
            html.P([words.JOBS_WORDS, " ", dcc.Link(words.JOBS_LINK, href="/jobs")]),
        ],
        className="page page-bench",
    )
    return page, words.TITLE


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page: it is links alone."""
