"""Sentences of the page: where the aids of the bench are found."""

from __future__ import annotations
