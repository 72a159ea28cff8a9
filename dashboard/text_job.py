"""Sentences of the page: one job: where it stands, what comes next, and everything that hangs on it."""

from __future__ import annotations
