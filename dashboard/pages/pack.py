"""One pack: its card, its runs over time, its records."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.data import Door


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div()


def layout(door: Door, pack_id: str, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title. InputError if there is no such pack."""
    door.pack_of(pack_id)
    return html.Div(html.H1(pack_id), className="page page-pack"), pack_id


def register(app: Dash, door: Door) -> None:
    """Wire the page."""
