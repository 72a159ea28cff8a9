"""What a columns file for a log would say: every column as it was understood, or as far as it was.

For logs that read well it is a full statement to keep or correct; for logs that do not, a start to correct.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cycler.errors import InputError, quote
from cycler.log import Log
from cycler.readers import Columns, ColumnsFile, read_drafts
from cycler.readers.columns import Assigned, Assignment, by_headings
from cycler.readers.columnsfile import DATE_ORDERS, ColumnRule
from cycler.readers.encoding import Decoded, decode
from cycler.readers.join import finish
from cycler.readers.sniff import Dialect, find_dialect, head_lines, is_blank, is_comment, normal, split_fields
from cycler.readers.table import read_table
from cycler.readers.twopart import stamp_seconds
from cycler.units import parse_unit

CELLS_SHOWN = 5
_LINES_SHOWN = 12
_LINE_LENGTH = 300
_DELIMITER_WORDS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", " ": "blanks"}
_SIGNS = {"negative": "charge_positive", "positive": "discharge_positive", "unsigned": "unsigned"}


@dataclass(frozen=True, slots=True)
class OutlineColumn:
    """One column. ``position`` counts from 1; ``cells`` are its first cells as written.

    A ``composed`` column is read together with others (hours beside minutes) and stands in no columns file.
    """

    position: int
    name: str
    role: str
    unit: str | None
    group: int | None
    sign: str | None
    evidence: str
    cells: tuple[str, ...]
    composed: bool = False


@dataclass(frozen=True, slots=True)
class Outline:
    """How far a log was understood.

    ``log`` is the test as read, or ``error`` says why it could not be; then the columns are what their headings
    say, or none where not even the fields of a row could be told. ``lines`` are the first lines of the file.
    """

    file: str
    delimiter: str | None
    decimal: str | None
    header_row: int | None
    clock: str | None
    date_order: str | None
    taps_from: str | None
    columns: tuple[OutlineColumn, ...]
    lines: tuple[str, ...]
    log: Log | None = None
    error: InputError | None = None


def outline(parts: Sequence[tuple[str, bytes]], columns: Columns = None) -> Outline:
    """How the first of the parts of a test is understood; the others help, as they do when the test is read.

    Raises
    ------
    InputError
        The bytes of the first part are no text: there is nothing to outline.
    """
    name, raw = parts[0]
    own = columns if columns is None or isinstance(columns, ColumnsFile) else columns[0]
    decoded = decode(raw, name)
    body = decoded.body
    try:
        drafts = read_drafts(parts, columns)
        log = finish(drafts)
    except InputError as error:
        return _partly(decoded, name, own, error)
    sign = None if "zero throughout" in log.reading.sign_evidence else _SIGNS.get(log.reading.discharge_is)
    return _outline(body, drafts[0].dialect, drafts[0].assignment, own, name, sign, log, None)


def _partly(decoded: Decoded, name: str, own: ColumnsFile | None, error: InputError) -> Outline:
    """What the headings say of a log that cannot be read."""
    body = decoded.body
    try:
        dialect = find_dialect(
            body, name, own.delimiter if own else None, own.decimal if own else None, own.header_row if own else None,
            decoded.labels,
        )
        assignment = by_headings(read_table(body, dialect, name))
    except InputError:
        return Outline(
            name, own.delimiter if own else None, own.decimal if own else None, own.header_row if own else None,
            own.clock if own else None, own.date_order if own else None, own.taps_from if own else None, (),
            _first_lines(body), None, error,
        )
    for rule in own.columns if own else ():
        _restate(assignment, rule)
    return _outline(body, dialect, assignment, own, name, None, None, error)


def _restate(assignment: Assignment, rule: ColumnRule) -> None:
    """Take over what a columns file said of a column, as far as the column is there."""
    for place, item in enumerate(assignment.columns, 1):
        if place == rule.position or (rule.position is None and normal(item.raw.name) == normal(rule.name or "")):
            item.role, item.group, item.sign = rule.role or item.role, rule.group or item.group, rule.sign or item.sign
            item.unit = parse_unit(rule.unit) if rule.unit else item.unit
            item.stated, item.evidence = True, "stated in the columns file"
            return


def _outline(
    body: bytes, dialect: Dialect, assignment: Assignment, own: ColumnsFile | None, name: str, sign: str | None,
    log: Log | None, error: InputError | None,
) -> Outline:
    lines = itertools.islice(head_lines(body), dialect.first_line - 1, dialect.first_line + 200)
    rows = [
        fields for line in lines if not is_blank(line) and not is_comment(line, dialect.delimiter)
        if len(fields := split_fields(line, dialect.delimiter)) == dialect.width
    ][:CELLS_SHOWN]
    columns = tuple(
        OutlineColumn(
            item.raw.position + 1, item.raw.name, item.role, _unit_of(item), _group_of(item),
            (item.sign or sign) if item.role == "current" else None, item.evidence,
            tuple(fields[item.raw.position] for fields in rows if item.raw.position < len(fields)), item.composed,
        )
        for item in assignment.columns
    )
    stated_row = own.header_row if own is not None else None
    return Outline(
        name, dialect.delimiter, dialect.decimal if _shows_decimals(assignment) else None,
        0 if dialect.header_line is None else stated_row, own.clock if own else None,
        (own.date_order if own else None) or _date_order(assignment), own.taps_from if own else None, columns,
        _first_lines(body), log, error,
    )


def _first_lines(body: bytes) -> tuple[str, ...]:
    return tuple(line[:_LINE_LENGTH] for line in itertools.islice(head_lines(body), _LINES_SHOWN))


def _unit_of(item: Assigned) -> str | None:
    if item.role in ("ignored", "mode", "cycle", "date") or item.unit is None or item.unit.dimension == "share":
        return None
    if item.role == "clock" and item.raw.kind != "number":
        return None
    if item.role == "step" and not item.name.step_time:
        return None
    return item.unit.symbol


def _group_of(item: Assigned) -> int | None:
    return item.group if item.role in ("group_voltage", "tap_voltage") else None


def _shows_decimals(assignment: Assignment) -> bool:
    """False where no number of the log has a fraction: then the decimal mark was not seen."""
    for item in assignment.columns:
        values = item.raw.values
        if values is not None:
            known = values[np.isfinite(values)]
            if known.size and np.any(known != np.round(known)):
                return True
    return False


def _date_order(assignment: Assignment) -> str | None:
    """Order of day and month, where dates were read that could be swapped in another file."""
    for item in assignment.columns:
        if item.raw.kind == "time" and item.role in ("time", "clock", "date"):
            stamps = stamp_seconds(item)
            if stamps.has_date and stamps.order in DATE_ORDERS and stamps.order != "year_first":
                return stamps.order
    return None


def stated_columns(seen: Outline) -> list[OutlineColumn]:
    """The columns that a columns file can state."""
    return [column for column in seen.columns if not column.composed]


def columns_file_of(seen: Outline, file: str = "columns file") -> ColumnsFile:
    """The columns file that states what the outline found."""
    names = [column.name for column in seen.columns]
    rules = []
    for column in stated_columns(seen):
        by_name = bool(column.name) and names.count(column.name) == 1
        rules.append(
            ColumnRule(
                column.name if by_name else None, None if by_name else column.position, column.role, column.unit,
                column.sign, column.group,
            )
        )
    return ColumnsFile(
        seen.delimiter, seen.decimal, seen.header_row, seen.clock, seen.date_order, columns=tuple(rules), file=file,
        taps_from=seen.taps_from,
    )


def columns_toml(columns: ColumnsFile, remarks: Sequence[str] = (), notes: dict[int, str] | None = None) -> str:
    """Text of a columns file that :func:`cycler.readers.parse_columns` reads back to the same.

    Parameters
    ----------
    remarks : sequence of str
        Comment lines at the top.
    notes : dict of int to str, optional
        A comment above the block of a rule, by its index.
    """
    lines = [f"# {_one_line(remark)}" for remark in remarks]
    lines += [""] if lines else []
    heads = {
        "delimiter": _DELIMITER_WORDS.get(columns.delimiter or "", columns.delimiter),
        "decimal": {",": "comma", ".": "point"}.get(columns.decimal or "", columns.decimal),
        "header_row": columns.header_row, "clock": columns.clock, "date_order": columns.date_order,
        "taps_from": columns.taps_from, "allow_bad_rows": columns.allow_bad_rows or None, "no_pause": columns.no_pause or None,
    }
    lines += [f"{key} = {_value(value)}" for key, value in heads.items() if value is not None]
    for place, rule in enumerate(columns.columns):
        note = (notes or {}).get(place)
        lines += ["", *([f"# {_one_line(note)}"] if note else []), "[[column]]"]
        for key in ("name", "position", "role", "unit", "sign", "group"):
            value = getattr(rule, key)
            if value is not None:
                lines.append(f"{key} = {_value(value)}")
    return "\n".join(lines) + "\n"


def written_columns(seen: Outline) -> str:
    """Text of the columns file of an outline, with its evidence as comments."""
    log = quote(seen.file)
    if seen.error is None:
        remarks = [
            f"How {log} was understood. Correct what is wrong, then look again:",
            "cycler inspect LOG --columns THIS_FILE",
        ]
    else:
        remarks = [
            f"{log} cannot be read yet: {seen.error.what} ({seen.error.why}).",
            "This is what its headings say. Correct it, then look again: cycler inspect LOG --columns THIS_FILE",
        ]
    remarks += [
        "Roles: time clock date voltage current charge_current discharge_current power capacity charge_capacity",
        "discharge_capacity energy temperature group_voltage tap_voltage step cycle mode resistance thermistor ignored.",
        "Groups count from 1 at pack negative. sign (of the current): charge_positive, discharge_positive or unsigned.",
        'Also known: header_row (line of the headings, 0 for none), clock = "elapsed", "wall" or "step",',
        'date_order = "day_first", "month_first" or "year_first", taps_from = "pack_negative" or "pack_positive",',
        "allow_bad_rows = true, no_pause = true (files without a common clock follow one another at once).",
    ]
    notes = {
        place: "; ".join(
            text for text in (
                f"column {column.position}: " + ", ".join(column.cells[:3]) if column.cells else f"column {column.position}",
                quote(column.name) if column.name and not _unique(seen, column) else "", column.evidence,
            ) if text
        )
        for place, column in enumerate(stated_columns(seen))
    }
    composed = [quote(column.name) for column in seen.columns if column.composed]
    if composed:
        remarks.append(f"Read together as they are, and not stated here: {', '.join(composed)}.")
    return columns_toml(columns_file_of(seen), remarks, notes)


def _unique(seen: Outline, column: OutlineColumn) -> bool:
    return sum(other.name == column.name for other in seen.columns) == 1


def _value(value: object) -> str:
    """A TOML value; the escapes of JSON strings are TOML's, but for DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    return "".join(ch if ch.isprintable() else " " for ch in text)
