"""Sentences of the page: the list of jobs, and the form that begins one."""

from __future__ import annotations
