"""Values of the form of the columns to a columns file, and a log's outline to the values the form begins with.

Everything may be left "as found": then the columns file says nothing about it and the log decides, each time anew.
What was only inferred from the readings (units, all parts of a log without headings) is stated from the start, so
that using the form confirms it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from cycler.errors import InputError
from cycler.readers.columnsfile import (
    CLOCKS,
    DATE_ORDERS,
    SIGNS,
    TAP_ENDS,
    ColumnRule,
    ColumnsFile,
    parse_columns,
)
from cycler.readers.names import ROLE_DIMENSION, ROLES
from cycler.readers.outline import Outline, OutlineColumn, columns_toml
from cycler.readers.sniff import normal
from cycler.units import UNITS, parse_unit
from dashboard import text

FOUND = "found"
"""Value of a choice that leaves the matter to the log."""

COLUMNS_SHOWN = 60
"""Columns that the form offers; a log of more is for a columns file written by hand."""

GROUP_ROLES = ("group_voltage", "tap_voltage")
ROLE_ORDER = (
    "time", "clock", "date", "voltage", "current", "charge_current", "discharge_current", "group_voltage", "tap_voltage",
    "temperature", "thermistor", "capacity", "charge_capacity", "discharge_capacity", "energy", "power", "resistance", "mode", "step",
    "cycle", "ignored",
)  # fmt: skip
DELIMITERS = (",", ";", "\t", "|", " ")
DECIMALS = (".", ",")
HEADS: dict[str, tuple[str, ...]] = {
    "delimiter": DELIMITERS, "decimal": DECIMALS, "clock": CLOCKS, "date_order": DATE_ORDERS,
    "taps_from": TAP_ENDS,
}
_GROUP_MAX = 999
_LINE_MAX = 100_000
_UNITS_OFFERED = {
    "voltage": ("V", "mV"), "current": ("A", "mA"), "charge": ("Ah", "mAh", "As"), "energy": ("Wh", "mWh", "kWh", "J", "kJ"),
    "power": ("W", "mW", "kW"), "resistance": ("ohm", "mohm", "kohm"), "temperature": ("degC", "degF", "K"),
    "time": ("s", "ms", "min", "h", "d", "hh:mm:ss", "hh:mm", "mm:ss"),
}  # fmt: skip
_INFERRED = re.compile(r"\bunit \S+: ")


@dataclass(frozen=True, slots=True)
class ColumnValues:
    """What the form says of one column; :data:`FOUND` or None = nothing."""

    position: int
    role: str = FOUND
    unit: str = FOUND
    sign: str = FOUND
    group: int | None = None


@dataclass(frozen=True, slots=True)
class FormValues:
    """What the form says; :data:`FOUND` or None = nothing."""

    delimiter: str = FOUND
    decimal: str = FOUND
    header_row: int | None = None
    clock: str = FOUND
    date_order: str = FOUND
    taps_from: str = FOUND
    allow_bad_rows: bool = False
    no_pause: bool = False
    columns: tuple[ColumnValues, ...] = ()

    def of(self, position: int) -> ColumnValues:
        """Values of one column."""
        return next((item for item in self.columns if item.position == position), ColumnValues(position))


# ---- from a log to the form ------------------------------------------------------------------------------------


def values_of(seen: Outline, own: ColumnsFile | None = None) -> FormValues:
    """What the form begins with: what ``own`` states, and what was inferred from the readings of the log."""
    rules = _rules_by_position(seen, own)
    columns = tuple(_column_values(seen, column, rules.get(column.position)) for column in seen.columns)
    if own is None:
        return FormValues(columns=columns)
    return FormValues(
        own.delimiter or FOUND, own.decimal or FOUND, own.header_row, own.clock or FOUND, own.date_order or FOUND,
        own.taps_from or FOUND, own.allow_bad_rows, own.no_pause, columns,
    )


def _rules_by_position(seen: Outline, own: ColumnsFile | None) -> dict[int, ColumnRule]:
    found: dict[int, ColumnRule] = {}
    for rule in own.columns if own is not None else ():
        for column in seen.columns:
            named = rule.position is None and normal(rule.name or "") == normal(column.name)
            if column.position not in found and (column.position == rule.position or named):
                found[column.position] = rule
                break
    return found


def _column_values(seen: Outline, column: OutlineColumn, rule: ColumnRule | None) -> ColumnValues:
    inferred = bool(_INFERRED.search(column.evidence)) and column.unit is not None
    values = ColumnValues(column.position, unit=column.unit if inferred and column.unit is not None else FOUND)
    if _all_inferred(seen) and column.role != "ignored":
        values = ColumnValues(
            column.position, column.role, column.unit or FOUND, column.sign or FOUND,
            column.group if column.role in GROUP_ROLES else None,
        )
    if rule is not None:
        unit = parse_unit(rule.unit) if rule.unit else None
        values = replace(
            values, role=rule.role or values.role, unit=unit.symbol if unit else values.unit,
            sign=rule.sign or values.sign, group=rule.group or values.group,
        )
    return values


def _all_inferred(seen: Outline) -> bool:
    """True for a log without headings that could be read: every part is an inference."""
    return seen.header_row == 0 and seen.log is not None


def units_for(role: str, found: str | None = None) -> tuple[str, ...]:
    """Symbols of the units that a column of this role may have, with the one found."""
    dimension = "time" if role in ("clock", "step") else ROLE_DIMENSION.get(role)
    offered = _UNITS_OFFERED.get(dimension or "", ())
    fits = found in UNITS and UNITS[found].dimension == dimension and found not in offered
    return (*offered, found) if fits and found else offered


def role_in_force(values: ColumnValues, column: OutlineColumn) -> str:
    """Role of a column: what the form says, else what was found."""
    return column.role if values.role == FOUND else values.role


def has_taps(values: FormValues, columns: Sequence[OutlineColumn]) -> bool:
    """True if a column is read as a tap voltage: only then does it matter from which end taps are counted."""
    return any(role_in_force(values.of(column.position), column) == "tap_voltage" for column in columns)


def amid_alike(values: FormValues, position: int) -> bool:
    """True for a column between two that were said to be the same: it needs no button to be followed by more of them."""
    return {values.of(position - 1).role, values.of(position + 1).role} == {values.of(position).role}


# ---- one row for the rows below --------------------------------------------------------------------------------

_NEVER_FILLED = ("time", "clock", "date", "current", "charge_current", "discharge_current", "mode")
_ALIKE = 0.3
"""How far the reading of a group, or the step from tap to tap, may lie from that of its neighbour, as a share of it."""


def filled_on(
    values: FormValues, columns: Sequence[OutlineColumn], position: int, readings: Mapping[int, float]
) -> tuple[FormValues, tuple[int, ...]]:
    """The columns below one that was said to be a group or a tap said to be the same, and their positions.

    Each takes role and unit and the next group number, as far as the columns hold alike readings: near that of the first
    for groups, a step further for taps.

    Parameters
    ----------
    readings : dict of int to float
        The median reading of each column of numbers, in the unit of the file.
    """
    first = values.of(position)
    at = next((place for place, column in enumerate(columns) if column.position == position), None)
    if at is None or first.role not in GROUP_ROLES or position not in readings:
        return values, ()
    above = sum(role_in_force(values.of(column.position), column) == first.role for column in columns[:at])
    number = first.group or columns[at].group or above + 1
    step, before = 0.0, readings[position]
    found: list[Any] = []
    for column in columns[at + 1:]:
        stated, now = values.of(column.position).role, readings.get(column.position)
        other = column.role in _NEVER_FILLED or stated not in (FOUND, first.role)
        if other or column.composed or now is None or number + len(found) >= _GROUP_MAX:
            break
        if first.role == "group_voltage":
            alike = abs(now - before) <= _ALIKE * abs(before)
        else:
            rise = now - before
            # Taps may go up from any number, or down towards the last, which holds one group.
            step = step or (before / number if abs(now) > abs(before) else rise)
            alike = abs(rise - step) <= _ALIKE * abs(step) and abs(now) >= (1.0 - _ALIKE) * abs(step)
            before = now
        if not alike:
            break
        found.append(column.position)
    new = {
        place: ColumnValues(place, first.role, first.unit, group=number + index)
        for index, place in enumerate([position, *found] if found else [])
    }
    kept = [item for item in values.columns if item.position not in new]
    return replace(values, columns=tuple(sorted([*kept, *new.values()], key=lambda item: item.position))), tuple(found)


# ---- from the form to a columns file ---------------------------------------------------------------------------


def taken(
    heads: Mapping[str, Any], allow: bool, columns: Sequence[Mapping[str, Any]], no_pause: bool = False
) -> FormValues:
    """Values as a page sent them. What is not among the choices counts as left as found.

    Raises
    ------
    InputError
        The line of the headings is no line number.
    """
    def choice(value: Any, among: Sequence[str]) -> str:
        return value if isinstance(value, str) and value in among else FOUND

    found = []
    for item in list(columns)[:COLUMNS_SHOWN]:
        position = _whole(item.get("position"), 1, _LINE_MAX)
        if position is not None:
            found.append(
                ColumnValues(
                    position, choice(item.get("role"), ROLES), choice(item.get("unit"), tuple(UNITS)),
                    choice(item.get("sign"), SIGNS), _whole(item.get("group"), 1, _GROUP_MAX),
                )
            )
    row = heads.get("header_row")
    line = _whole(row, 0, _LINE_MAX)
    if line is None and row not in (None, ""):
        raise InputError(text.HEADER_ROW_WHAT, text.COLUMNS_TITLE, text.HEADER_ROW_WHY, text.HEADER_ROW_MEND)
    return FormValues(
        header_row=line, allow_bad_rows=allow is True, no_pause=no_pause is True, columns=tuple(found),
        **{key: choice(heads.get(key), among) for key, among in HEADS.items()},
    )


def _whole(value: Any, lowest: int, highest: int) -> int | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value or not lowest <= value <= highest:
        return None
    return int(value) if value == int(value) else None


def heads_only(values: FormValues, own: ColumnsFile | None = None, name: str = "") -> ColumnsFile:
    """``own`` with the form's words on how the file is written: with it the columns themselves are told apart."""
    return replace(
        own or ColumnsFile(), delimiter=_said(values.delimiter), decimal=_said(values.decimal),
        header_row=values.header_row, file=name or text.COLUMNS_TITLE,
    )


def columns_file(values: FormValues, seen: Outline, name: str = "") -> ColumnsFile:
    """The columns file that says what the form says of the log ``seen``.

    Stating one group would leave out those not stated, and stating one column of a log without headings all others:
    there the columns left as found are stated as they were found.

    Raises
    ------
    InputError
        As for a columns file that was written by hand.
    """
    stated = [(column, values.of(column.position)) for column in seen.columns]
    groups = any(own.role in GROUP_ROLES or (own.group and role_in_force(own, column) in GROUP_ROLES) for column, own in stated)
    bare = seen.header_row == 0 and any(own.role != FOUND for _column, own in stated)
    plain = [normal(column.name) for column in seen.columns]
    rules = []
    for column, own in stated:
        role = role_in_force(own, column)
        said = own.role != FOUND or (groups and role in GROUP_ROLES) or (bare and role != "ignored")
        by_name = bool(normal(column.name)) and plain.count(normal(column.name)) == 1
        unit = own.unit if own.unit in units_for(role, own.unit) else None
        if unit is None and said and own.role == FOUND:
            unit = column.unit
        rule = ColumnRule(
            column.name if by_name else None, None if by_name else column.position, role if said else None, unit,
            _said(own.sign) if role == "current" else None,
            (own.group or (column.group if own.role == FOUND else None)) if said and role in GROUP_ROLES else None,
        )
        if rule.role or rule.unit or rule.sign:
            rules.append(rule)
    made = ColumnsFile(
        _said(values.delimiter), _said(values.decimal), values.header_row, _said(values.clock), _said(values.date_order),
        taps_from=_said(values.taps_from) if has_taps(values, seen.columns) else None, allow_bad_rows=values.allow_bad_rows,
        no_pause=values.no_pause, columns=tuple(rules), file=name or text.COLUMNS_TITLE,
    )
    return parse_columns(columns_toml(made), made.file)


def says_something(columns: ColumnsFile) -> bool:
    """False if every value of the form is left as found."""
    return columns.says_something or columns.allow_bad_rows or columns.no_pause


def file_name(log: str) -> str:
    """Name of the columns file of a log: "charger.csv.gz" gives "charger.columns.toml"."""
    stem = re.sub(r"(\.(csv|txt|tsv|dat|log))?(\.gz)?$", "", log, flags=re.IGNORECASE)
    return f"{stem[:100] or 'log'}.columns.toml"


def _said(value: str) -> str | None:
    return None if value == FOUND else value
