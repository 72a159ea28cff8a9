"""A table of measured cells: id, capacity, resistance, rest voltages of two days, remarks.

Text, delimiter and numbers are read by the same parts as logs are (``cycler.readers``); headings are recognised by their quantity and
unit, as there.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.readers import cells as writing
from cycler.readers.encoding import decode
from cycler.readers.names import NameReading, classify_name
from cycler.readers.sniff import is_blank, is_comment, normal, split_fields
from cycler.readers.stamps import parse_stamps
from cycler.readers.table import explain_bad_cell
from cycler.tomlsource import read_bytes
from cycler.units import SECONDS_PER_DAY, Unit, parse_unit

KIND = "list of cells"
CELLS_MAX = 20_000
"""A list of more cells is refused: it is no stock of a workshop."""
ID_MAX = 60
"""Characters of a cell's name at most."""
BYTES_MAX = 20_000_000
CAPACITY_AH, RESISTANCE_OHM = (0.05, 500.0), (5e-5, 2.0)
"""Medians of lists of cells lie between these. Common practice, no source."""
TOO_FAR = 8.0
"""A capacity of more than so many medians is a slip, or a cell of another kind."""

ID, CAPACITY, RATED, RESISTANCE, VOLTAGE, DATE, DAYS, REMARK = "id", "capacity", "rated", "resistance", "voltage", "date", "days", "remark"
_ID_WORDS = {
    "id", "ids", "cell", "cells", "zelle", "zellen", "nr", "no", "number", "nummer", "label", "code", "barcode", "serial", "name", "cellule", "celda", "cella", "cel",
}
_REMARK_WORDS = {"remark", "remarks", "note", "notes", "comment", "comments", "bemerkung", "bemerkungen", "notiz", "remarque", "remarques", "nota", "notas", "opmerking", "look"}
_RATED_WORDS = {"rated", "nominal", "nenn", "nennkapazitat", "typ", "typical", "nominale"}
_DAYS_WORDS = {"days", "day", "tage", "jours", "dias", "giorni", "dagen"}
_FIRST_WORDS = {"first", "before", "start", "erste", "erster", "earlier", "begin"}
_SECOND_WORDS = {"second", "after", "end", "zweite", "zweiter", "later", "last"}
_AC_WORDS = {"ac", "acir", "khz", "impedance", "impedanz", "esr"}
_DC_WORDS = {"dc", "dcir", "dcr"}
_DELIMITERS = (";", "\t", ",", "|")
_HEADING_LINES = 60


@dataclass(frozen=True, slots=True)
class Cell:
    """One measured cell; what was not measured is None.

    Attributes
    ----------
    line : int
        In the file, from 1.
    capacity_ah, rated_capacity_ah : float or None
        Measured, and on its label.
    resistance_ohm : float or None
    first_v, second_v : float or None
        Rest voltages of the earlier and the later day. With one only, it is ``second_v``, the newest.
    days : float or None
        Between the two. [d]
    """

    id: str
    line: int
    capacity_ah: float | None = None
    rated_capacity_ah: float | None = None
    resistance_ohm: float | None = None
    first_v: float | None = None
    second_v: float | None = None
    days: float | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class CellList:
    """A list as read. ``resistance_kind`` is "a.c.", "d.c." or None where the heading does not tell; ``resolution_ah`` the capacities' last
    decimal place, 0 where none was found. ``warnings`` say what was taken for granted."""

    name: str
    cells: tuple[Cell, ...]
    resistance_kind: str | None = None
    resolution_ah: float = 0.0
    warnings: tuple[str, ...] = ()

    def with_days(self, days: float) -> CellList:
        """The same with this many days between the two rest voltages, where the list does not say it."""
        return replace(self, cells=tuple(replace(cell, days=days) if cell.days is None else cell for cell in self.cells))


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: what it holds, which of two (0, 1), and its unit; ``at`` counts fields from 0."""

    at: int
    role: str
    unit: Unit | None
    heading: str
    which: int | None = None
    kind: str | None = None


def load_cells(path: str | Path) -> CellList:
    """Read a list of cells. InputError as for :func:`cells_from_bytes`, and where the file cannot be read."""
    return cells_from_bytes(read_bytes(path, KIND), str(path))


def cells_from_bytes(raw: bytes, name: str) -> CellList:
    """Cells of a CSV table.

    Parameters
    ----------
    raw : bytes
        The file as stored; headings stand above the rows, further lines above them are passed over.
    name : str
        File name for messages.

    Raises
    ------
    InputError
        No table, a heading that is missing or doubled, a text where a number should be, ids that come twice, a capacity, voltage or resistance
        that cannot be, no cells. The message names line and field.
    """
    if len(raw) > BYTES_MAX:
        raise InputError(f"the {KIND} is too large", Location(name), f"it has more than {BYTES_MAX // 1_000_000} MB", "keep one line for each cell")
    try:
        lines = decode(raw, name).body.decode("utf-8").splitlines()
    except InputError as error:  # the decoder speaks of logs
        what, mend = (part.replace("the log", f"the {KIND}") for part in (error.what, error.mend))
        raise InputError(what, error.where, error.why, mend) from None
    at, delimiter, columns, warnings = _headings(lines, name)
    rows = _rows(lines, at, delimiter, len(columns), name)
    if rows and _is_units_row(rows[0][1], columns):
        columns = [replace(column, unit=column.unit or parse_unit(_field(rows[0][1], column.at))) for column in columns]
        rows = rows[1:]
    if not rows:
        raise InputError(f"the {KIND} holds no cells", Location(name, at + 1), "nothing follows its headings", "write one line for each cell below the headings")
    if len(rows) > CELLS_MAX:
        raise InputError(f"the {KIND} is too long", Location(name), f"it has {len(rows)} lines", f"at most {CELLS_MAX} cells in one list")
    by_role = {(column.role, column.which): column for column in columns}
    decimal = _decimal(rows, columns)
    read = _Reader(name, rows, decimal, warnings)
    ids = _ids(rows, by_role[ID, None], name)
    capacity, resolution = read.capacity(by_role.get((CAPACITY, None)))
    rated, _ = read.capacity(by_role.get((RATED, None)))
    resistance_column = by_role.get((RESISTANCE, None))
    resistance = read.resistance(resistance_column)
    first, second = read.voltage(by_role.get((VOLTAGE, 0))), read.voltage(by_role.get((VOLTAGE, 1)))
    days = read.days(by_role)
    first, second, days = _in_order(first, second, days)
    remark = by_role.get((REMARK, None))
    found = tuple(
        Cell(
            ids[k], line, _none(capacity[k]), _none(rated[k]), _none(resistance[k]), _none(first[k]), _none(second[k]), _none(days[k]),
            " ".join(_field(fields, remark.at).split())[:200] if remark else "",
        )
        for k, (line, fields) in enumerate(rows)
    )
    kind = resistance_column.kind if resistance_column else None
    if resistance_column and kind is None:
        warnings.append(
            "The heading of the resistance does not say whether it was measured with a.c. (1 kHz) or d.c.; cells are compared with each other, but the "
            "resistance of a pack made of them is of that kind too."
        )
    return CellList(name, found, kind, resolution, tuple(warnings))


# ---- headings and rows -----------------------------------------------------------------------------------------


def _headings(lines: Sequence[str], name: str) -> tuple[int, str, list[_Column], list[str]]:
    """Place of the headings, delimiter and columns; the line that names most columns is taken."""
    best: tuple[int, int, str, list[_Column]] | None = None
    for at, line in enumerate(lines[:_HEADING_LINES]):
        if is_blank(line) or is_comment(line):
            continue
        for delimiter in _DELIMITERS:
            fields = split_fields(line, delimiter)
            columns = [column for k, field in enumerate(fields) if (column := _column(k, field)) is not None] if len(fields) > 1 else []
            roles = {column.role for column in columns}
            if len(roles) > 1 and (best is None or len(roles) > best[0]):
                best = (len(roles), at, delimiter, columns)
    if best is None:
        raise InputError(
            f"the {KIND} has no headings that are known", Location(name), f"its first line is {quote(next((line for line in lines if line.strip()), ''))}",
            "name the columns in the first line, for example: id; capacity / mAh; resistance / mOhm; v1 / V; date1; v2 / V; date2; remarks",
        )
    _, at, delimiter, columns = best
    warnings: list[str] = []
    return at, delimiter, _settled(columns, Location(name, at + 1), warnings), warnings


def _column(at: int, heading: str) -> _Column | None:
    words = re.findall(r"[^\W\d_]+", normal(re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", heading)))
    if not words:
        return None
    seen = set(words)
    said = classify_name(heading)
    if _REMARK_WORDS & seen:
        return _Column(at, REMARK, None, heading)
    if said.quantity == "charge" or (said.unit is not None and said.unit.dimension == "charge"):
        return _Column(at, RATED if _RATED_WORDS & seen else CAPACITY, _unit_of(said, "charge"), heading)
    if said.quantity == "resistance" or words[0] in ("ri", "ir", "esr", "acir", "dcir"):
        squeezed = "".join(words)
        kind = "a.c." if (_AC_WORDS & seen or "ac" in squeezed[:4]) else "d.c." if (_DC_WORDS & seen or "dc" in squeezed[:4]) else None
        return _Column(at, RESISTANCE, _unit_of(said, "resistance"), heading, None, kind)
    if _DAYS_WORDS & seen and said.quantity != "voltage" and said.quantity != "date":
        return _Column(at, DAYS, _unit_of(said, "time"), heading)
    which = 0 if _FIRST_WORDS & seen or said.number == 1 else 1 if _SECOND_WORDS & seen or said.number == 2 else None
    if said.quantity in ("date", "clock"):
        return _Column(at, DATE, None, heading, which)
    if said.quantity == "voltage" or "ocv" in seen:
        return _Column(at, VOLTAGE, _unit_of(said, "voltage"), heading, which)
    return _Column(at, ID, None, heading) if _ID_WORDS & seen else None


def _unit_of(said: NameReading, dimension: str) -> Unit | None:
    return said.unit if said.unit is not None and said.unit.dimension == dimension else None


def _settled(columns: list[_Column], where: Location, warnings: list[str]) -> list[_Column]:
    """One column for each role, two for voltages and dates. InputError for what is missing or cannot be told apart."""
    kept: list[_Column] = []
    for role in (ID, CAPACITY, RATED, RESISTANCE, DAYS, REMARK):
        found = [column for column in columns if column.role == role]
        if role == RESISTANCE and len(found) > 1:  # a.c. and d.c. stand side by side: the d.c. one tells what a load feels
            chosen = next((column for column in found if column.kind == "d.c."), found[0])
            warnings.append(f"Of {len(found)} columns of resistance, {quote(chosen.heading)} is used.")
            found = [chosen]
        if role == ID and len(found) > 1:
            found = found[:1]
        if len(found) > 1:
            raise InputError(
                f"two columns could be the {role}", Location(where.file, where.line, found[1].at + 1),
                f"the headings are {quote(found[0].heading)} and {quote(found[1].heading)}", "keep one of them, or name the other otherwise",
            )
        kept += found
    for role in (ID, CAPACITY):
        if not any(column.role == role for column in kept):
            names = ", ".join(quote(column.heading) for column in columns[:8])
            raise InputError(
                f"the {KIND} has no column for the {'id of the cells' if role == ID else 'capacity'}", where, f"the headings that are known: {names}",
                'name it "id"' if role == ID else 'name it "capacity / mAh" or "capacity / Ah"',
            )
    for role, word in ((VOLTAGE, "rest voltages"), (DATE, "dates")):
        found = [column for column in columns if column.role == role]
        if len(found) > 2:
            raise InputError(
                f"more than two columns of {word}", Location(where.file, where.line, found[2].at + 1),
                f"the headings are {', '.join(quote(column.heading) for column in found)}", "keep those of the first and of the last day",
            )
        if len(found) == 2 and {column.which for column in found} != {0, 1}:
            found = [replace(column, which=k) for k, column in enumerate(found)]
        elif len(found) == 1:
            found = [replace(found[0], which=1)]
        kept += found
    return kept


def _rows(lines: Sequence[str], heading: int, delimiter: str, width: int, name: str) -> list[tuple[int, list[str]]]:
    """Line number and fields of every row below the headings."""
    reader = csv.reader((line + "\n" for line in lines[heading + 1 :]), delimiter=delimiter, skipinitialspace=True)
    rows: list[tuple[int, list[str]]] = []
    before = 0
    while True:
        try:
            fields = next(reader)
        except StopIteration:
            return rows
        except csv.Error as error:
            raise InputError(f"a line of the {KIND} cannot be read", Location(name, heading + 2 + before), str(error), "correct the line") from None
        line, before = heading + 2 + before, reader.line_num
        text = delimiter.join(fields)
        if not is_blank(text) and not is_comment(text, delimiter):
            rows.append((line, [field.strip() for field in fields]))


def _is_units_row(fields: Sequence[str], columns: Sequence[_Column]) -> bool:
    filled = [_field(fields, column.at) for column in columns if _field(fields, column.at).strip("[]()- ")]
    return bool(filled) and all(parse_unit(field) is not None for field in filled)


def _field(fields: Sequence[str], at: int) -> str:
    return fields[at] if at < len(fields) else ""


def _ids(rows: Sequence[tuple[int, list[str]]], column: _Column, name: str) -> list[str]:
    seen: dict[str, int] = {}
    twice: list[tuple[str, int, int]] = []
    ids = []
    for line, fields in rows:
        text = " ".join(_field(fields, column.at).split())
        place = Location(name, line, column.at + 1)
        if not text:
            raise InputError("a cell has no id", place, "the field is empty", "write its id there, or take the line out")
        if not text.isprintable() or len(text) > ID_MAX:
            raise InputError("an id cannot be used", place, f"found {quote(text)}, {len(text)} characters", f"at most {ID_MAX} printable characters")
        if text.casefold() in seen:
            twice.append((text, seen[text.casefold()], line))
        seen.setdefault(text.casefold(), line)
        ids.append(text)
    if twice:
        text, first, second = twice[0]
        more = f"; {_more_lines(len(twice) - 1)}" if len(twice) > 1 else ""
        raise InputError(
            "two cells have the same id", Location(name, second, column.at + 1), f"{quote(text)} also stands in line {first}{more}",
            "give each cell an id of its own, or take the second line out",
        )
    return ids


# ---- numbers ---------------------------------------------------------------------------------------------------


def _bare(text: str) -> tuple[str, Unit | None]:
    """A field without the unit that it carries."""
    parts = writing.split_unit(text)
    unit = parse_unit(parts[1]) if parts else None
    return (parts[0], unit) if parts and unit is not None else (text, None)


def _decimal(rows: Sequence[tuple[int, list[str]]], columns: Sequence[_Column]) -> str:
    """Decimal mark: the one by which more fields of the columns of numbers can be read."""
    numeric = [column.at for column in columns if column.role in (CAPACITY, RATED, RESISTANCE, VOLTAGE, DAYS)]
    texts = [_bare(_field(fields, at))[0] for _, fields in rows for at in numeric]
    count = {mark: sum(writing.number(text, mark) is not None for text in texts if text) for mark in ".,"}
    return "," if count[","] > count["."] else "."


class _Reader:
    """Columns of numbers of one list."""

    def __init__(self, name: str, rows: Sequence[tuple[int, list[str]]], decimal: str, warnings: list[str]) -> None:
        self._name, self._rows, self._decimal, self._warnings = name, rows, decimal, warnings

    def _place(self, k: int, column: _Column) -> Location:
        return Location(self._name, self._rows[k][0], column.at + 1)

    def _numbers(self, column: _Column | None, dimension: str, bare_unit: Callable[[float], str | None], least: float, what: str) -> tuple[np.ndarray, list[str]]:
        """Values in inner units (NaN where none), and the texts. ``bare_unit`` tells the unit of a column that names none by its median."""
        values = np.full(len(self._rows), np.nan)
        texts = [""] * len(self._rows)
        if column is None:
            return values, texts
        wrong: list[int] = []
        carried: dict[int, Unit] = {}
        for k, (_, fields) in enumerate(self._rows):
            text = _field(fields, column.at)
            if writing.is_missing(text):
                continue
            texts[k], unit = _bare(text)
            value = writing.number(texts[k], self._decimal)
            if value is None or not math.isfinite(value) or (unit is not None and unit.dimension != dimension):
                wrong.append(k)
                continue
            values[k] = value
            if unit is not None:
                carried[k] = unit
        if wrong and all(abs(value) < 1000 and self._decimal not in texts[k] for k, value in enumerate(values) if np.isfinite(value)):
            wrong = self._grouped(wrong, texts, values, carried)
        if wrong:
            k = wrong[0]
            more = f"; {_more_lines(len(wrong) - 1)}" if len(wrong) > 1 else ""
            raise InputError(
                f"the {what} is not a number", self._place(k, column), explain_bad_cell(_field(self._rows[k][1], column.at), self._decimal) + more,
                "write the number alone; leave the field empty where nothing was measured",
            )
        self._refuse_below(values, column, least, what)
        unit = column.unit
        known = values[np.isfinite(values)]
        if unit is None and not carried and known.size:
            unit = self._guessed(column, known, bare_unit, what)
        factors = np.array([(carried.get(k) or unit or carried[next(iter(carried))]).factor if np.isfinite(values[k]) else 1.0 for k in range(values.size)])
        return values * factors, texts

    def _grouped(self, wrong: list[int], texts: list[str], values: np.ndarray, carried: dict[int, Unit]) -> list[int]:
        """Read fields with marks between thousands (2.310 beside decimal commas), if all that cannot be read otherwise are such; what is left wrong."""
        read = {k: writing.number(texts[k], self._decimal, True) for k in wrong if k not in carried}
        if len(read) < len(wrong) or None in read.values():
            return wrong
        for k, value in read.items():
            values[k] = value
        return []

    def _refuse_below(self, values: np.ndarray, column: _Column, least: float, what: str) -> None:
        bad = np.flatnonzero(values < least if least == 0.0 else values <= 0.0) if math.isfinite(least) else np.array([], int)
        if bad.size:
            k = int(bad[0])
            more = f"; {_more_lines(bad.size - 1)}" if bad.size > 1 else ""
            raise InputError(
                f"the {what} is {'below zero' if values[k] < 0 else 'zero'}", self._place(k, column),
                f"found {quote(_field(self._rows[k][1], column.at))}{more}", "correct it; leave the field empty where nothing was measured",
            )

    def _guessed(self, column: _Column, known: np.ndarray, bare_unit: Callable[[float], str | None], what: str) -> Unit:
        median = float(np.median(known))
        symbol = bare_unit(median)
        filled = np.abs(known[known != 0.0])
        if symbol is None or (filled.size and (filled.max() > 30 * median or filled.min() * 30 < median)):
            why = f"the median of the column, {median:g}, could be of two units" if symbol is None else f"its numbers go from {filled.min():g} to {filled.max():g}"
            raise InputError(
                f"the unit of the {what} is not stated", Location(self._name), f"the heading is {quote(column.heading)}, and {why}",
                "add the unit to the heading, for example in brackets",
            )
        self._warnings.append(f"The heading {quote(column.heading)} names no unit; {symbol} is taken, by the size of the numbers.")
        return parse_unit(symbol)

    def _plausible(self, values: np.ndarray, column: _Column | None, usual: tuple[float, float], what: str, unit: str) -> None:
        """InputError if the median is that of no cell, or a capacity lies far above it: a slip of unit, or of the decimal mark."""
        known = values[np.isfinite(values)]
        if column is None or not known.size:
            return
        median = float(np.median(known))
        if known.max() > 0.0 and not usual[0] <= median <= usual[1]:
            k = int(np.flatnonzero(np.isfinite(values))[0])
            raise InputError(
                f"the {what} is that of no cell", self._place(k, column), f"the median of the column is read as {median:g} {unit}, the first field is {quote(_field(self._rows[k][1], column.at))}",
                "check the unit in the heading and the decimal mark; write no marks between thousands",
            )
        far = np.flatnonzero(values > TOO_FAR * median) if what == "capacity" and median > 0 else np.array([], int)
        if far.size:
            k = int(far[0])
            raise InputError(
                "a capacity lies far above all others", self._place(k, column), f"found {quote(_field(self._rows[k][1], column.at))}, {values[k] / median:.0f} times the median",
                "check its decimal mark; cells of other sizes go on a list of their own",
            )

    def capacity(self, column: _Column | None) -> tuple[np.ndarray, float]:
        """Capacities [Ah] and their last decimal place [Ah]. A cell above 500 Ah, or below 50 mAh, is none that a workshop matches."""
        values, texts = self._numbers(column, "charge", lambda m: "mAh" if m > 500 else "Ah" if m < 50 else None, 0.0, "capacity")
        self._plausible(values, column, CAPACITY_AH, "capacity", "Ah")
        return values, _resolution(values, texts, self._decimal)

    def resistance(self, column: _Column | None) -> np.ndarray:
        """Resistances [ohm]; cells have 0.1 to 500 mOhm."""
        values, _ = self._numbers(column, "resistance", lambda m: "mohm" if m >= 1.0 else "ohm" if m < 0.5 else None, 1e-300, "resistance")
        self._plausible(values, column, RESISTANCE_OHM, "resistance", "ohm")
        return values

    def voltage(self, column: _Column | None) -> np.ndarray:
        """Rest voltages [V]. A negative one is a reversed cell, and no slip."""
        values, _ = self._numbers(column, "voltage", lambda m: "V" if m < 10 else "mV" if m > 500 else None, -math.inf, "rest voltage")
        bad = np.flatnonzero(np.abs(values) > 6.0)
        if bad.size and column is not None:
            k = int(bad[0])
            raise InputError(
                "the rest voltage is not that of a cell", self._place(k, column), f"found {quote(_field(self._rows[k][1], column.at))}, more than 6 V",
                "check the decimal point and the unit in the heading",
            )
        return values

    def days(self, by_role: dict[tuple[str, int | None], _Column]) -> np.ndarray:
        """Days from the first to the second rest voltage; NaN where not known."""
        stated = by_role.get((DAYS, None))
        if stated is not None:
            values, _ = self._numbers(stated, "time", lambda _m: "d", -math.inf, "number of days")
            return values / SECONDS_PER_DAY
        columns = [column for which in (0, 1) if (column := by_role.get((DATE, which))) is not None]
        if len(columns) < 2:
            return np.full(len(self._rows), np.nan)
        texts = [_field(fields, column.at) for column in columns for _, fields in self._rows]
        texts = ["" if writing.is_missing(text) else text for text in texts]
        stamps = parse_stamps(np.array(texts, dtype=object))
        for k, text in enumerate(texts):
            if text and not np.isfinite(stamps.seconds[k]):
                column = columns[k // len(self._rows)]
                raise InputError(
                    "a date cannot be read", self._place(k % len(self._rows), column), f"found {quote(text)}", "write dates as 2026-03-14",
                )
        if stamps.ambiguous:
            raise InputError(
                "day and month of the dates could be swapped", Location(self._name), f"one of them is {quote(next(filter(None, texts)))}", "write dates as 2026-03-14",
            )
        first, second = stamps.seconds[: len(self._rows)], stamps.seconds[len(self._rows) :]
        return (second - first) / SECONDS_PER_DAY


def _in_order(first: np.ndarray, second: np.ndarray, days: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The earlier day first; a voltage that stands alone is the newest."""
    swap = days < 0
    first, second = np.where(swap, second, first), np.where(swap, first, second)
    days = np.abs(days)
    alone = np.isnan(second) & np.isfinite(first)
    return np.where(alone, np.nan, first), np.where(alone, first, second), np.where(days > 0, days, np.nan)


def _resolution(values: np.ndarray, texts: Sequence[str], decimal: str) -> float:
    """Size of the last decimal place that any of the texts has, in the unit of the values; 0 if it cannot be told."""
    places, scale = 0, None
    for value, text in zip(values, texts):
        number = writing.number(text, decimal) if text else None
        if number is None or "e" in text.lower():
            if text:
                return 0.0
            continue
        places = max(places, len(text.partition(decimal)[2].strip()))
        if number:
            factor = value / number
            if scale is not None and abs(factor / scale - 1) > 1e-9:
                return 0.0
            scale = factor
    return 0.0 if scale is None else float(f"{scale * 10.0**-places:.12g}")


def _more_lines(n: int) -> str:
    return f"{n} more line{' is' if n == 1 else 's are'} like it"


def _none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
