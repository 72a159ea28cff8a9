"""Sentences of the page: what to do with the pack of a job: options ranked, vetoes first."""

from __future__ import annotations
