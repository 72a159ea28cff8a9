"""Test plans from pack, instruments and criteria."""

from __future__ import annotations

from dashboard.door.base import Opened


class Plans(Opened):
    """Test plans from pack, instruments and criteria."""
