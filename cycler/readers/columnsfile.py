"""The columns file: what a person states about the columns of a log, in TOML."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

from cycler.errors import InputError, Location, quote
from cycler.readers.names import ROLE_DIMENSION, ROLES
from cycler.tomlsource import line_of_key, load_toml, parse_toml
from cycler.units import parse_unit

SIGNS = ("charge_positive", "discharge_positive", "unsigned")
CLOCKS = ("elapsed", "wall", "step")
TAP_ENDS = ("pack_negative", "pack_positive")
DATE_ORDERS = ("day_first", "month_first", "year_first")
_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|", "blank": " ", "blanks": " ", "space": " ", "\\t": "\t"}


@dataclass(frozen=True, slots=True)
class ColumnRule:
    """What a columns file says about one column, found by ``name`` or ``position`` (from 1)."""

    name: str | None = None
    position: int | None = None
    role: str | None = None
    unit: str | None = None
    sign: str | None = None
    group: int | None = None


@dataclass(frozen=True, slots=True)
class ColumnsFile:
    """How to read logs of one kind. ``header_row`` counts lines from 1; 0 = the log has no header.

    ``allow_bad_rows`` reads a log although more of its rows than usual cannot be used; they are counted and named.
    ``taps_from`` says from which end of the pack tap voltages are counted. ``no_pause`` says that the files of a test that
    hold no common clock follow one another without a pause.
    """

    delimiter: str | None = None
    decimal: str | None = None
    header_row: int | None = None
    clock: str | None = None
    date_order: str | None = None
    allow_bad_rows: bool = False
    columns: tuple[ColumnRule, ...] = ()
    file: str = "columns file"
    taps_from: str | None = None
    no_pause: bool = False

    @property
    def says_something(self) -> bool:
        """False if it leaves everything to the log."""
        heads = (self.delimiter, self.decimal, self.header_row, self.clock, self.date_order, self.taps_from)
        return bool(self.columns) or any(value is not None for value in heads)


def load_columns(path: str | Path) -> ColumnsFile:
    """Read a columns file (TOML).

    Raises
    ------
    InputError
        Missing, not TOML, unknown key, role, unit, sign or clock; says file and line.
    """
    return _columns_file(*load_toml(path, "columns file"), str(path))


def parse_columns(text: str, name: str) -> ColumnsFile:
    """The same from the text of a columns file; ``name`` stands in messages. See :func:`load_columns`."""
    return _columns_file(*parse_toml(text.encode("utf-8"), name, "columns file"), name)


def _columns_file(data: dict, text: str, file: str) -> ColumnsFile:
    known = {"delimiter", "decimal", "header_row", "clock", "date_order", "taps_from", "allow_bad_rows", "no_pause", "column"}
    values: dict = {}
    for key, value in data.items():
        where = Location(file, line_of_key(text, key))
        if key not in known:
            _unknown("key", key, sorted(known), where)
        if key != "column":
            values[key] = _checked(key, value, where)
    rules = data.get("column", [])
    if not isinstance(rules, list) or not all(isinstance(rule, dict) for rule in rules):
        raise InputError(
            "column is not a list of tables", Location(file, line_of_key(text, "column")), f"found {quote(rules)}",
            "write one [[column]] block per column",
        )
    read = tuple(_rule(rule, number, text, file) for number, rule in enumerate(rules))
    _refuse_one_group_twice(read, text, file)
    return ColumnsFile(columns=read, file=file, **values)


def _refuse_one_group_twice(rules: tuple[ColumnRule, ...], text: str, file: str) -> None:
    seen: dict[tuple[str | None, int], int] = {}
    for number, rule in enumerate(rules):
        if rule.group is None or (first := seen.setdefault((rule.role, rule.group), number)) == number:
            continue
        lines = [_line_of_block(text, place) for place in (first, number)]
        names = [quote(rules[place].name or f"column {rules[place].position}") for place in (first, number)]
        raise InputError(
            f"group {rule.group} is stated for two columns", Location(file, lines[1]),
            f"line {lines[0]} states it for {names[0]}, line {lines[1]} for {names[1]}", "give each column a group of its own",
        )


def _unknown(kind: str, word: object, known: list[str], where: Location) -> None:
    begun = [item for item in known if isinstance(word, str) and len(word) > 2 and item.startswith(word.lower())]
    near = begun[:2] or difflib.get_close_matches(str(word), known, n=2, cutoff=0.6)
    hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known)}"
    raise InputError(f"unknown {kind} {quote(word)}", where, "a mistyped word would be ignored silently", hint)


def _checked(key: str, value: object, where: Location) -> object:
    if key == "delimiter":
        mark = _DELIMITERS.get(str(value), value)
        if mark not in (",", ";", "\t", "|", " "):
            _unknown("delimiter", value, ["comma", "semicolon", "tab", "pipe", "blanks"], where)
        return mark
    if key == "decimal":
        mark = {"comma": ",", "point": "."}.get(str(value), value)
        if mark not in (",", "."):
            _unknown("decimal mark", value, ["comma", "point"], where)
        return mark
    if key == "header_row":
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            raise InputError(
                "header_row is not a line number", where, f"found {quote(value)}", "write the line of the headings, 0 for none"
            )
        return value
    if key in ("allow_bad_rows", "no_pause"):
        if not isinstance(value, bool):
            raise InputError(f"{key} is neither true nor false", where, f"found {quote(value)}", "write true or false")
        return value
    allowed = {"clock": CLOCKS, "date_order": DATE_ORDERS, "taps_from": TAP_ENDS}[key]
    if value not in allowed:
        _unknown(key, value, list(allowed), where)
    return value


def _rule(rule: dict, number: int, text: str, file: str) -> ColumnRule:
    where = Location(file, _line_of_block(text, number))
    known = ["name", "position", "role", "unit", "sign", "group"]
    for key in rule:
        if key not in known:
            _unknown("key", key, known, where)
    name, position = rule.get("name"), rule.get("position")
    if name is None and position is None:
        raise InputError(
            "a [[column]] block names no column", where, "it has neither name nor position",
            'add name = "heading as in the log" or position = 3',
        )
    for key, value in (("position", position), ("group", rule.get("group"))):
        if value is not None and (isinstance(value, bool) or not isinstance(value, int) or value < 1):
            raise InputError(f"{key} is not a number from 1 on", where, f"found {quote(value)}", f"write {key} = 3")
    role = rule.get("role")
    if role is not None and role not in ROLES:
        _unknown("role", role, list(ROLES), where)
    unit = rule.get("unit")
    read = parse_unit(unit) if isinstance(unit, str) else None
    if unit is not None and read is None:
        _unknown("unit", unit, ["V", "mV", "A", "mA", "Ah", "mAh", "Wh", "W", "s", "ms", "min", "h", "degC", "degF", "ohm", "mohm"], where)
    if read is not None and role in ROLE_DIMENSION and read.dimension != ROLE_DIMENSION[role]:
        raise InputError(
            f"unit {quote(unit)} does not fit role {role}", where,
            f"it is a unit of {read.dimension}, not of {ROLE_DIMENSION[role]}", "correct one of the two",
        )
    sign = rule.get("sign")
    if sign is not None and (isinstance(sign, bool) or not isinstance(sign, (str, int))):
        _unknown("sign", sign, list(SIGNS), where)
    sign = {1: "charge_positive", -1: "discharge_positive", "+": "charge_positive", "-": "discharge_positive"}.get(sign, sign)
    if sign is not None and sign not in SIGNS:
        _unknown("sign", sign, list(SIGNS), where)
    return ColumnRule(None if name is None else str(name), position, role, unit, sign, rule.get("group"))


def _line_of_block(text: str, number: int) -> int | None:
    found = [index for index, line in enumerate(text.split("\n"), 1) if line.strip().replace(" ", "").startswith("[[column]]")]
    return found[number] if number < len(found) else None
