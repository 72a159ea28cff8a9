"""Two connectors held against each other, pin by pin."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.data import Door
from dashboard.uploads import Uploads

TITLE = "Donor board"


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div()


def layout(door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    return html.Div([html.H1(TITLE)], className="page page-donor"), TITLE


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
