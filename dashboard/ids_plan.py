"""Component ids of the page: a test plan from pack, instruments and criteria, and its bench card."""

from __future__ import annotations
