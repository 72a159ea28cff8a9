"""Donor boards held against the board that was fitted."""

from __future__ import annotations

from dashboard.door.base import Opened


class Donors(Opened):
    """Donor boards held against the board that was fitted."""
