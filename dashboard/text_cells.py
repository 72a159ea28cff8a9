"""Sentences of the page: measured cells graded and put together to packs."""

from __future__ import annotations
