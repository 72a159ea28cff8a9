"""What the form of the columns shows of a log: a head of a large one, cells and rows from all of it, a small curve."""

from __future__ import annotations

import math
import re
import statistics
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashboard import text
from dashboard.figures.curves import Curves, curves_of, without_unit

if TYPE_CHECKING:
    from cycler.log import Log
    from cycler.readers.outline import Outline

ROWS_SHOWN = 8
CELLS_SHOWN = 3
_LINES_SAMPLED = 60
_LOAD_SHARE = 0.02
"""Share of the highest current above which a row counts as charge or load when rows are chosen to be shown."""

_RUN_SHARE = 0.1
"""A stretch of load shorter than this share of the longest is no discharge whose end is looked at."""

_DECIMALS_MAX = {"s": 3, "V": 5, "A": 5, "°C": 2}
_ROWS_LOOKED_AT = 500


def cut(raw: bytes, bytes_max: int, is_all: bool = True) -> tuple[bytes, bool]:
    """The head of a log, cut at the end of a line, and whether it is the whole log.

    Parameters
    ----------
    raw : bytes
        The log as stored, or its first bytes; gzip is unpacked where it has to be cut.
    is_all : bool
        False if ``raw`` is not the whole file.
    """
    if raw[:2] == b"\x1f\x8b":
        try:
            unpacking = zlib.decompressobj(wbits=31)
            head = unpacking.decompress(raw, bytes_max)
            if is_all and unpacking.eof and not unpacking.unused_data:
                return raw, True
        except zlib.error:
            return raw, is_all
    else:
        head = raw[:bytes_max]
        if is_all and len(raw) <= bytes_max:
            return raw, True
    end = _end_of_line(head)
    return (head[:end] if end else head), False


def _end_of_line(head: bytes) -> int:
    """Where the last whole line ends; 0 if there is no end of a line. UTF-16 has two bytes a character."""
    if b"\x00" not in head[:400]:
        for mark in (b"\n", b"\r"):
            if (at := head.rfind(mark)) >= 0:
                return at + 1
        return 0
    mark = b"\x00\n" if head[:1] in (b"\x00", b"\xfe") else b"\n\x00"
    at = head.rfind(mark)
    while at > 0 and at % 2:
        at = head.rfind(mark, 0, at)
    return at + 2 if at >= 0 else 0


def curve_of(log: Log) -> Curves:
    """Voltage, current and groups of a log for the small curve."""
    curves = curves_of(log)
    return Curves(curves.time_s, tuple(item for item in curves.series if item.panel != "temperature"), curves.gaps)


def direction(current_a: np.ndarray) -> np.ndarray:
    """1 where a row is charge, -1 where it is load, 0 at rest or without a reading."""
    known = np.abs(current_a[np.isfinite(current_a)])
    limit = _LOAD_SHARE * float(known.max()) if known.size else 0.0
    return (current_a > limit).astype(int) - (current_a < -limit).astype(int)


def shown_rows(log: Log) -> list[int]:
    """Rows that say most of how a log is understood: the first, those after the first switches, the last."""
    if log.rows <= ROWS_SHOWN:
        return list(range(log.rows))
    kind = direction(log.current_a)
    last = log.rows - 1
    switches = [int(at) for at in np.flatnonzero(np.diff(kind)) + 1 if at < last and kind[at] == kind[at + 1]]
    known, news = {int(kind[0])}, []
    for at in switches:
        if int(kind[at]) not in known:
            known.add(int(kind[at]))
            news.append(at)
    wanted = [0, last, *news, *(at + 1 for at in news), 1, *switches[:ROWS_SHOWN], *range(2, ROWS_SHOWN)]
    return sorted(list(dict.fromkeys(wanted))[:ROWS_SHOWN])


@dataclass(frozen=True, slots=True)
class Lowest:
    """The lowest groups at the end of discharge, the voltage they have and that of the next. [V]"""

    row: int
    groups: tuple[int, ...]
    voltage_v: float
    next_v: float | None


def lowest_group(log: Log) -> Lowest | None:
    """Which group is lowest at the end of the deepest discharge; None without groups or without a load."""
    if log.series < 2:
        return None
    load = (direction(log.current_a) == -1).astype(int)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], load, [0]])))
    runs = [(int(start), int(end) - 1) for start, end in zip(edges[::2], edges[1::2])]
    lasted = {end: float(log.time_s[end] - log.time_s[start]) for start, end in runs}
    least = _RUN_SHARE * max(lasted.values(), default=0.0)
    ends = [end for end, seconds in lasted.items() if seconds >= least and np.isfinite(log.group_voltage_v[end]).all()]
    if not ends:
        return None
    row = min(ends, key=lambda end: float(log.group_voltage_v[end].sum()))
    levels = log.group_voltage_v[row]
    low = float(levels.min())
    others = levels[levels > low]
    return Lowest(row, tuple(int(place) + 1 for place in np.flatnonzero(levels == low)), low, float(others.min()) if others.size else None)


def some_rows(log: Log) -> tuple[list[str], list[list[str]], list[bool]]:
    """Headings with units, rows from all of the log as understood, and whether a row does not follow the one above.

    Each figure has the decimals of its column.
    """
    picked = shown_rows(log)
    columns: list[tuple[str, str, np.ndarray]] = [(text.PREVIEW_TIME, "s", log.time_s)]
    if np.isfinite(log.voltage_v).any():
        columns.append((text.PREVIEW_PACK, "V", log.voltage_v))
    columns.append((text.PREVIEW_CURRENT, "A", log.current_a))
    for place in range(log.series):
        columns.append((text.PREVIEW_GROUP.format(n=place + 1), "V", log.group_voltage_v[:, place]))
    for place in range(log.temperature_c.shape[1]):
        name = without_unit(log.temperature_names[place]) if place < len(log.temperature_names) else text.PREVIEW_TEMPERATURE
        columns.append((name, "°C", log.temperature_c[:, place]))
    heads = [f"{name} / {unit}" for name, unit, _values in columns]
    shown = []
    for _name, unit, values in columns:
        places = decimals_of(np.concatenate([values[:_ROWS_LOOKED_AT], values[picked]]), _DECIMALS_MAX[unit])
        shown.append([_figure(float(value), places) for value in values[picked]])
    apart = [index > 0 and row != picked[index - 1] + 1 for index, row in enumerate(picked)]
    return heads, [list(row) for row in zip(*shown)], apart


def decimals_of(values: np.ndarray, most: int) -> int:
    """Decimals that these readings carry, at most ``most``."""
    known = values[np.isfinite(values)]
    for places in range(most):
        scaled = known * 10.0**places
        if np.all(np.abs(scaled - np.round(scaled)) <= 1e-6 * np.maximum(1.0, np.abs(scaled) * 1e-3)):
            return places
    return most


def _figure(value: float, places: int) -> str:
    if not math.isfinite(value):
        return text.DASH
    shown = f"{value:.{places}f}"
    return shown.lstrip("-") if float(shown) == 0.0 else shown


# ---- cells as written ------------------------------------------------------------------------------------------

_NUMBER = re.compile(r"\s*(?P<number>[-+\N{MINUS SIGN}]?[\d.,]*\d[\d.,]*(?:[eE][-+]?\d+)?)\s*(?P<rest>[^\d:/]*)")


def cells_of(source: tuple[str, bytes], seen: Outline) -> dict[int, tuple[str, ...]]:
    """Cells of each column from all of the log as written, by position; the first ones where rows cannot be told again."""
    from cycler.readers.encoding import decode
    from cycler.readers.sniff import split_fields

    plain = {column.position: column.cells for column in seen.columns}
    if not seen.columns or not seen.delimiter or not seen.columns[0].cells:
        return plain
    width = max(column.position for column in seen.columns)
    first = {column.position: column.cells[0] for column in seen.columns if column.cells}
    lines = [line for line in decode(source[1], source[0]).body.split(b"\n") if line.strip()]

    def fields(place: int) -> list[str]:
        return split_fields(lines[place].decode("utf-8", "replace").rstrip("\r"), seen.delimiter or "")

    def begins(row: list[str]) -> bool:
        return len(row) >= width and all(row[position - 1] == cell for position, cell in first.items())

    start = next((place for place in range(min(len(lines), 500)) if begins(fields(place))), None)
    if start is None:
        return plain
    rows = [fields(int(place)) for place in np.unique(np.linspace(start, len(lines) - 1, _LINES_SAMPLED).astype(int))]
    wide = len(rows[0])
    return {position: tuple(row[position - 1] for row in rows if len(row) == wide) for position in plain}


def number_of(cell: str, decimal: str | None) -> float | None:
    """The number that a cell holds, with or without a unit behind it; None for words, times and dates."""
    found = _NUMBER.fullmatch(cell)
    if found is None:
        return None
    digits = found["number"].replace("\N{MINUS SIGN}", "-")
    digits = digits.replace(".", "").replace(",", ".") if decimal == "," else digits.replace(",", "" if decimal else ".")
    try:
        return float(digits)
    except ValueError:
        return None


def telling_cells(cells: Sequence[str], decimal: str | None) -> tuple[str, ...]:
    """A few cells of a column that differ: the first, then the lowest and the highest number, in the order of the file."""
    different = list(dict.fromkeys(cells))
    numbers = {place: value for place, cell in enumerate(different) if (value := number_of(cell, decimal)) is not None}
    places = [0]
    if numbers:
        places += [min(numbers, key=numbers.__getitem__), max(numbers, key=numbers.__getitem__)]
    places += [len(different) - 1, len(different) // 2, *range(len(different))]
    chosen = [place for place in dict.fromkeys(places) if 0 <= place < len(different)][:CELLS_SHOWN]
    return tuple(different[place] for place in sorted(chosen))


def medians(cells: Mapping[int, Sequence[str]], decimal: str | None) -> dict[int, float]:
    """The median of each column that holds numbers, in the unit of the file."""
    found = {}
    for position, column in cells.items():
        written = [cell for cell in column if cell.strip()]
        numbers = [value for cell in written if (value := number_of(cell, decimal)) is not None]
        if numbers and 2 * len(numbers) >= len(written):
            found[position] = statistics.median(numbers)
    return found
