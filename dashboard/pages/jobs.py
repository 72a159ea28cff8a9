"""The list of jobs, and the form that begins one."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.data import Door
from dashboard.uploads import Uploads

TITLE = "Jobs"


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div()


def layout(door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    return html.Div([html.H1(TITLE)], className="page page-jobs"), TITLE


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
