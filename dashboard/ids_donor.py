"""Component ids of the page: two connectors held against each other, pin by pin."""

from __future__ import annotations
