"""Repair, salvage or scrap, and the workshop's own costs."""

from __future__ import annotations

from dashboard.door.base import Opened


class Options(Opened):
    """Repair, salvage or scrap, and the workshop's own costs."""
