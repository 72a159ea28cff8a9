"""Rows in which a comma separates both fields and decimals: they split into more fields than there are headings."""

from __future__ import annotations

import re

from cycler.errors import InputError, Location
from cycler.readers import cells

_FRACTION = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?|.*:\d\d\.\d+")
_WHOLE = re.compile(r"[+-]?\d+")
_LEADING_ZERO = re.compile(r"[+-]?0\d+")
_MEND = "export with semicolons between fields, or with a decimal point"
_WHAT = "the comma separates both fields and decimals"


def refuse_commas_below(headings: list[str], heading_line: int, rows: list[list[str]], where: Location) -> None:
    """InputError if the comma separates fields and decimals from the first row of a log on.

    Parameters
    ----------
    headings : list of str
        Without the empty ones at the end.
    heading_line : int
    rows : list of list of str
        Rows of the log, all of one width, which is larger than the number of headings.
    where : Location
        The file.
    """
    names, width = len(headings), len(rows[0]) if rows else 0
    if (names > 2 and _halves(rows, names, width)) or _splits_a_time(rows, names, width):
        raise InputError(
            _WHAT, Location(where.file, heading_line), f"the header names {names} columns, the rows split into {width} fields", _MEND
        )


def refuse_commas_from(
    headings: list[str], heading_line: int, above: list[list[str]], below: list[list[str]], line: int, where: Location,
) -> None:
    """InputError if the rows above a line have a field for each heading, and from that line on their fractions are fields of their own.

    Parameters
    ----------
    headings : list of str
        Without the empty ones at the end.
    heading_line : int
    above, below : list of list of str
        Rows between the headings and ``line``, and rows from ``line`` on, all of one width.
    line : int
        The first row of ``below``.
    where : Location
        The file.
    """
    names = len(headings)
    fitting = [fields for fields in above if len(fields) == names]
    if names < 3 or not below or 2 * len(fitting) < len(above):
        return
    width = len(below[0])
    fractions = max(sum(_has_fraction(field) for field in fields) for fields in fitting)
    # Each fraction splits off one field, a whole number none.
    if not names < width <= names + fractions or any(_has_fraction(field) for fields in below for field in fields):
        return
    if min(_whole(fields) + sum(map(cells.is_time_like, fields)) for fields in below) < 2 * (width - names):
        return
    raise InputError(
        _WHAT, Location(where.file, line),
        f"the headings in line {heading_line} name {names} columns, and the rows above line {line} have as many fields; from line {line} on they split into {width}",
        _MEND,
    )


def _has_fraction(field: str) -> bool:
    return _FRACTION.fullmatch(field) is not None


def _whole(fields: list[str]) -> int:
    return sum(_WHOLE.fullmatch(field) is not None for field in fields)


def _halves(rows: list[list[str]], names: int, width: int) -> bool:
    """True if integer fields outnumber the names as decimals split at the comma would.

    The fraction of a time is one of them as well, though its first half is no integer; that takes zeros that only fractions lead with.
    """
    if not rows or width - names < 2:
        return False
    halves = min(map(_whole, rows[:50]))
    if halves < 2 * (width - names) and _zeros_lead_fractions_only(rows[:50]):
        halves += len(_times_before_digits(rows, width))
    return halves >= 2 * (width - names)


def _zeros_lead_fractions_only(rows: list[list[str]]) -> bool:
    """True if fields as 004 stand in the rows, each behind a whole number that is written without such zeros, or behind a time."""
    found = False
    for fields in rows:
        for before, field in zip(["", *fields], fields):
            if _LEADING_ZERO.fullmatch(field) and not cells.is_time_like(before):
                if _LEADING_ZERO.fullmatch(before) or not _WHOLE.fullmatch(before):
                    return False
                found = True
    return found


def _times_before_digits(rows: list[list[str]], width: int) -> list[int]:
    """Places of times that are followed by digits which can be their fraction."""
    out = []
    for place in range(width - 1):
        fractions = {len(fields[place + 1]) if fields[place + 1].isdecimal() else 0 for fields in rows[:50]}
        if len(fractions) == 1 and fractions <= {1, 2, 3, 6} and all(cells.is_time_like(fields[place]) for fields in rows[:50]):
            out.append(place)
    return out


def _splits_a_time(rows: list[list[str]], names: int, width: int) -> bool:
    """True if a time is followed by digits that can only be its fraction: 08:15:30,500 was cut in two."""
    return names == width - 1 and len(rows) >= 3 and bool(_times_before_digits(rows, width))
