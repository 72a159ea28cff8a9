"""Texts in the cells of CSV files that we write, so that no spreadsheet runs them as formulas."""

from __future__ import annotations

import re

FORMULA_MARKS = ("=", "+", "-", "@", "\t", "\r")
"""What a formula can begin with in a spreadsheet (from memory of the usual advice on CSV injection)."""
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


def spreadsheet_safe(text: str) -> str:
    """``text`` as the content of a CSV cell or heading that no spreadsheet runs as a formula.

    Text that begins with one of ``FORMULA_MARKS`` gets an apostrophe before it, as does text that looks as if it had
    got one already, so that :func:`spreadsheet_plain` gives every text back. Plain numbers stay: they are no formulas.
    """
    return f"'{text}" if text.lstrip("'").startswith(FORMULA_MARKS) and not _NUMBER.fullmatch(text) else text


def spreadsheet_plain(text: str) -> str:
    """The text that :func:`spreadsheet_safe` was given."""
    return text[1:] if text.startswith("'") and spreadsheet_safe(text[1:]) == text else text
