"""Jobs of the register: the list, one job with all that hangs on it, and the acts on it."""

from __future__ import annotations

from dashboard.door.base import Opened


class JobBook(Opened):
    """Jobs of the register: the list, one job with all that hangs on it, and the acts on it."""
