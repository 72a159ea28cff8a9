"""Bench sheets: from what was typed to what the readings say."""

from __future__ import annotations

from dashboard.door.base import Opened


class Sheets(Opened):
    """Bench sheets: from what was typed to what the readings say."""
