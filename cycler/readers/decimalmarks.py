"""Columns whose numbers are written with both decimal marks: one message that says where the mark changes."""

from __future__ import annotations

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.readers import cells
from cycler.readers.cellwise import factorized
from cycler.readers.rawcolumn import RawColumn
from cycler.readers.table import Table

LEAST_NUMBERS = 0.5
"""A column with a smaller share of numbers, in whichever mark, is one of words. As ``cellwise.by_words`` has it for one mark."""
LEAST_PART = 20
"""A part of fewer rows than this is sooner corrected than given as a file of its own. Common practice, no source."""


def mixed_marks(table: Table, raw: RawColumn, label: str) -> InputError | None:
    """What to tell of a column whose cells have both decimal marks; None for any other.

    Parameters
    ----------
    table : Table
    raw : RawColumn
        Of words, because too few of its cells are numbers by the mark of the log.
    label : str
        How the column is called in the message.
    """
    if raw.texts is None or raw.kind != "word":
        return None
    marks = _of_many(raw.texts)
    return None if marks is None else _told(table, raw.position + 1, raw.texts, label, marks)


def _of_many(texts: np.ndarray) -> np.ndarray | None:
    """Mark of each cell of a column that was taken for words; None if its cells are not numbers of both marks."""
    codes, words = factorized(texts)
    grouped = any("," in word and "." in word for word in words)
    marks = np.array([_mark_of(word, grouped) for word in words])[codes]
    filled = ~np.array([cells.is_missing(word) for word in words])[codes]
    numbers = (marks != "") | np.array([cells.is_number_like(word) for word in words])[codes]
    if np.unique(marks[marks != ""]).size < 2 or (numbers & filled).sum() < LEAST_NUMBERS * filled.sum():
        return None
    return marks


def _other(mark: str) -> str:
    return "," if mark == "." else "."


def _mark_of(word: str, grouped: bool) -> str:
    """Decimal mark of a cell, "" if it shows none. ``grouped``: the column has marks between thousands, 1,234 may be one of them."""
    carried = cells.split_unit(word)
    word = carried[0] if carried is not None else word
    for mark in ",.":
        if mark in word and cells.number(word, mark) is not None:
            return "" if grouped and cells.number(word, _other(mark), True) is not None else mark
    return next((mark for mark in ",." if "," in word and "." in word and cells.number(word, mark, True) is not None), "")


def _told(table: Table, field: int, texts: np.ndarray, label: str, marks: np.ndarray) -> InputError:
    """The message, at the first cell whose mark is not that of the cells above it."""
    what = f"the decimal marks of {quote(label)} are mixed"
    marked = np.flatnonzero(marks != "")
    turns = marked[1:][marks[marked[1:]] != marks[marked[:-1]]]
    at = int(turns[0])
    before = int(marked[np.searchsorted(marked, at) - 1])
    line, upper = int(table.line_number[at]), int(table.line_number[before])
    first, then = str(marks[before]), str(marks[at])
    counts = {mark: int((marks == mark).sum()) for mark in (first, then)}
    last = int(table.line_number[np.flatnonzero(marks == then)[-1]])
    stretch = {1: f", all of these from line {line} on", 2: f", all of these from line {line} to line {last}" if last > line else ""}
    fewer = min(counts, key=lambda mark: counts[mark])
    mend = f'correct the rows that have "{fewer}"'
    if turns.size == 1 and min(counts.values()) >= LEAST_PART:
        headings = ", each with the headings above its rows" if table.dialect.header_line is not None else ""
        mend = f"split it before line {line} and give both parts{headings}"
    return InputError(
        what, Location(table.file, line, field),
        f'line {upper} reads {quote(texts[before])}, line {line} {quote(texts[at])}; '
        f'{counts[first]} of the cells have "{first}", {counts[then]} "{then}"{stretch.get(turns.size, "")}',
        f"export the log with one decimal mark, or {mend}",
    )
