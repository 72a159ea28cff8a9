"""Measured cells, their grades and the packs made of them."""

from __future__ import annotations

from dashboard.door.base import Opened


class Stock(Opened):
    """Measured cells, their grades and the packs made of them."""
