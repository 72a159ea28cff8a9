"""Columns whose numbers are written with both decimal marks: one message that says where the mark changes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.readers import cells
from cycler.readers.cellwise import factorized
from cycler.readers.rawcolumn import RawColumn
from cycler.readers.table import Table, explain_bad_cell

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
        Of numbers some of which are bad, or of words, because too few of its cells are numbers by the mark of the log.
    label : str
        How the column is called in the message.
    """
    if raw.texts is None or raw.kind == "time":
        return None
    if raw.kind == "word":
        marks = _of_many(raw.texts)
        return None if marks is None else _told(table, raw.position + 1, raw.texts, label, marks)
    odd = _odd_cells(raw.texts, raw.bad, table.dialect.decimal)
    if raw.bad is None or not odd.size:
        return None
    return _told(table, raw.position + 1, raw.texts, label, _of_few(raw.texts, raw.bad, odd, table.dialect.decimal), int(odd[0]))


def _odd_cells(texts: np.ndarray, bad: np.ndarray | None, decimal: str) -> np.ndarray:
    """Rows of the bad cells that are numbers by the mark that is not the log's."""
    if bad is None or not bad.any():
        return np.zeros(0, dtype=np.int64)
    other = _other(decimal)
    return np.flatnonzero(bad)[_each(texts[bad], lambda word: cells.number(word, other, True) is not None)]


def _of_few(texts: np.ndarray, bad: np.ndarray, odd: np.ndarray, decimal: str) -> np.ndarray:
    """Mark of each cell of a column that is read by the mark of the log, "" for one that shows none."""
    other = _other(decimal)
    marks = np.where(_each(texts, lambda word: decimal in word) & ~bad, decimal, "")
    # 3,664,664 is a number by the point alone, but has none.
    marks[odd[_each(texts[odd], lambda word: other in word)]] = other
    return marks


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


def _each(texts: np.ndarray, test: Callable[[str], bool]) -> np.ndarray:
    """``test`` of every text, asked once of each different one."""
    codes, words = factorized(texts)
    return np.array([test(word) for word in words], dtype=bool)[codes]


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


def _told(table: Table, field: int, texts: np.ndarray, label: str, marks: np.ndarray, odd: int = 0) -> InputError:
    """The message, at the first cell whose mark is not that of the cells above it; at the row ``odd`` if no two cells differ in theirs."""
    what = f"the decimal marks of {quote(label)} are mixed"
    marked = np.flatnonzero(marks != "")
    turns = marked[1:][marks[marked[1:]] != marks[marked[:-1]]]
    if not turns.size:
        return InputError(
            what, Location(table.file, int(table.line_number[odd]), field), explain_bad_cell(str(texts[odd]), table.dialect.decimal),
            "export the log with one decimal mark, or correct the rows with such cells",
        )
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
