"""One file to a draft: arrays of one part of a test, everything settled but the sign of the current."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ColumnReading, ReadingWarning, Source
from cycler.readers import overall
from cycler.readers.cellwise import factorized
from cycler.readers.clock import Clock, read_clock
from cycler.readers.columns import MEND, Assigned, Assignment, assign, refuse_mixed_marks
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.contradiction import refuse_contradictions
from cycler.readers.decimalmarks import mixed_marks
from cycler.readers.doubt import doubtful_units
from cycler.readers.encoding import decode
from cycler.readers.evidence import UnitChoice, doubt_stated_units, settle_units
from cycler.readers.groups import group_voltages
from cycler.readers.parse import stack_columns
from cycler.readers.sniff import BLANKS, Dialect, find_dialect
from cycler.readers.table import MAX_BAD_SHARE, Table, list_lines, read_table
from cycler.readers.twopart import settle_two_part, stamp_seconds
from cycler.readers.unnamed import infer_open_roles
from cycler.spreadsheet import spreadsheet_plain

COUNTERS = ("capacity", "charge_capacity", "discharge_capacity", "energy", "charge_energy", "discharge_energy", "resistance")
_ESSENTIAL = ("voltage", "current", "charge_current", "discharge_current", "time", "clock")
LARGEST_VALUE = 1e6
"""A reading beyond this (in V, A, degC ...) is no reading of a pack."""
LARGEST_THERMISTOR_OHM = 1e9
"""An open sensor reads high, and is named as open later; a resistance beyond this is a mark for no reading."""


@dataclass(slots=True)
class Draft:
    """One file, in file order of time, current as logged (``current_a``) or as separate magnitudes."""

    file: str
    source: Source
    encoding: str
    dialect: Dialect
    assignment: Assignment
    clock: Clock
    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    separate_currents: str
    group_voltage_v: np.ndarray
    temperature_c: np.ndarray
    temperature_names: tuple[str, ...]
    mode_code: np.ndarray | None
    mode_words: tuple[str, ...]
    step_number: np.ndarray | None
    cycle_number: np.ndarray | None
    step_time_s: np.ndarray | None
    counters: dict[str, np.ndarray]
    line_number: np.ndarray
    stated_sign: str | None
    unit_choices: dict[str, UnitChoice]
    columns_file: str
    no_pause: bool
    warnings: list[ReadingWarning] = field(default_factory=list)
    power_w: np.ndarray | None = None
    thermistor_ohm: np.ndarray | None = None
    thermistor_names: tuple[str, ...] = ()

    @property
    def sign_voltage_v(self) -> np.ndarray:
        """Pack voltage, or the sum of the groups where no pack voltage was logged. [V]"""
        if np.isfinite(self.voltage_v).any() or not self.group_voltage_v.shape[1]:
            return self.voltage_v
        return self.group_voltage_v.sum(axis=1)


def read_draft(
    raw: bytes, name: str, columns: ColumnsFile | None = None, forced: dict[str, UnitChoice] | None = None,
    stamp_forms: dict[str, str] | None = None,
) -> Draft:
    """Understand one file.

    ``forced`` (units) and ``stamp_forms`` ("hh:mm" or "mm:ss") hold, by heading, what another part of the test proved.

    Raises
    ------
    InputError
        The file cannot be used; says file, line and field where known.
    """
    size, digest = len(raw), _digest(raw)
    decoded = decode(raw, name)
    if columns is None or not columns.says_something:
        from cycler.readers.exported import read_exported

        exported = read_exported(decoded, raw, name)
        if exported is not None:
            return exported
    body = decoded.body
    dialect = find_dialect(
        body, name, columns.delimiter if columns else None, columns.decimal if columns else None,
        columns.header_row if columns else None, decoded.labels,
    )
    encoding = decoded.encoding
    del raw, decoded
    table = read_table(body, dialect, name)
    del body
    assignment = assign(table, columns)
    if dialect.header_line is None:
        try:
            infer_open_roles(table, assignment)
        except InputError:
            refuse_mixed_marks(table, assignment)
            raise
    settle_two_part(table, assignment, columns, stamp_forms)
    choices = settle_units(assignment, forced)
    doubt_stated_units(assignment)
    _require_roles(table, assignment)
    bad = _check_cells(table, assignment)
    grouped = any(item.role in ("group_voltage", "tap_voltage") for item in assignment.columns)
    _require_readings(table, assignment, ("current",) if grouped else ("voltage", "current"))
    groups = group_voltages(table, assignment, columns.taps_from if columns else None)
    _doubt_units(assignment)
    clock = read_clock(table, assignment, columns, lambda: _same_as_before(table, assignment))
    _note_times(table, assignment, clock)
    bad_rows = np.union1d(np.flatnonzero(bad), clock.bad_rows).astype(np.int64)
    dropped = sorted({*table.dropped_lines, *(int(line) for line in table.line_number[bad_rows])})
    warnings = [*table.warnings, *dialect.warnings, *assignment.warnings, *clock.warnings]
    _check_dropped(table, dropped, warnings, columns is not None and columns.allow_bad_rows)
    keep = ~np.isin(clock.rows, np.flatnonzero(bad)) if bad.any() else np.ones(clock.rows.size, bool)
    rows, time_s = clock.rows[keep], clock.time_s[keep]
    if rows.size < 2:
        raise InputError(
            "the log has fewer than two usable rows", Location(name, dialect.first_line), f"{rows.size} could be read",
            "export the log again",
        )
    source = Source(
        name, digest(), size, int(rows.size), len(dropped) + int(clock.duplicates.size)
    )
    draft = _draft(table, assignment, clock, choices, groups, rows, time_s, source, encoding, warnings, columns)
    draft.warnings += doubtful_units(draft, refuse_contradictions(draft))
    return draft


def _digest(raw: bytes) -> Callable[[], str]:
    """The SHA-256 of the bytes, worked out beside the reading where there are many."""
    if len(raw) < 1_000_000:
        found = hashlib.sha256(raw).hexdigest()
        return lambda: found
    with_others = ThreadPoolExecutor(1)
    future = with_others.submit(lambda: hashlib.sha256(raw).hexdigest())
    with_others.shutdown(wait=False)
    return future.result


def _require_roles(table: Table, assignment: Assignment) -> None:
    shown = ", ".join(quote(item.label) for item in assignment.columns[:20] if item.raw.name or item.raw.kind)
    where = Location(table.file, table.dialect.header_line or table.dialect.first_line)
    present = {item.role for item in assignment.columns}
    if not present & (wanted := {"voltage", "group_voltage", "tap_voltage"}):
        refuse_mixed_marks(table, assignment, wanted)
        raise InputError(
            "the log has no voltage column", where, f"columns found: {shown}", MEND.format(role="voltage", unit="V")
        )
    if not present & (wanted := {"current", "charge_current", "discharge_current"}):
        refuse_mixed_marks(table, assignment, wanted)
        raise InputError(
            "the log has no current column", where, f"columns found: {shown}", MEND.format(role="current", unit="A")
        )
    _require_readings(table, assignment)


def _require_readings(table: Table, assignment: Assignment, roles: tuple[str, ...] = ("voltage", "current")) -> None:
    for item in assignment.columns:
        if item.role in roles and item.raw.values is not None and item.raw.extent().missing == item.raw.values.size:
            raise InputError(
                f"the {item.role} column holds no readings", Location(table.file, table.dialect.first_line, item.raw.position + 1),
                f"all cells of {quote(item.label)} are empty, say that there is no reading, or hold what cannot be one",
                MEND.format(role=item.role, unit="V" if item.role == "voltage" else "A"),
            )


def _check_cells(table: Table, assignment: Assignment) -> np.ndarray:
    """Rows that cannot be used because a needed cell is no number; mixed decimal marks are an error."""
    bad = np.zeros(table.rows, bool)
    for item in assignment.columns:
        raw = item.raw
        if item.role == "ignored" or raw.kind != "number":
            continue
        if raw.bad is not None and raw.texts is not None:
            index = int(np.argmax(raw.bad))
            if (mixed := mixed_marks(table, raw, item.label)) is not None:
                raise mixed
            if item.role in _ESSENTIAL:
                bad |= raw.bad
                for at in np.flatnonzero(raw.bad)[:200]:
                    table.reasons.setdefault(int(table.line_number[at]), f"{quote(item.label)}: {quote(raw.texts[at])}")
            else:
                shown = "; ".join(
                    f"line {int(table.line_number[at])}, {quote(item.label)}: {quote(raw.texts[at])}" for at in np.flatnonzero(raw.bad)[:2]
                )
                assignment.warnings.append(
                    ReadingWarning(
                        "cell_unreadable", f"In {quote(item.label)} {_count(raw.bad, 'cell')} hold{'s' if raw.bad.sum() == 1 else ''} no number: {shown}.",
                        f"{table.file}:{int(table.line_number[index])}",
                    )
                )
        factor = item.unit.factor if item.unit is not None else 1.0
        largest = LARGEST_THERMISTOR_OHM if item.role == "thermistor" else LARGEST_VALUE
        largest = 1e13 if item.role in ("time", "clock", "step", "cycle") else largest
        if raw.extent().size * factor > largest:
            with np.errstate(all="ignore"):
                wild = np.abs(raw.values * factor) > largest
            index = int(np.argmax(wild))
            assignment.warnings.append(
                ReadingWarning(
                    "value_impossible", f"In {quote(item.label)} {_count(wild, 'value')} cannot be a reading and count{'s' if wild.sum() == 1 else ''} as none; first {raw.values[index]:g}.",
                    f"{table.file}:{int(table.line_number[index])}",
                )
            )
            raw.values = np.where(wild, np.nan, raw.values)
    return bad


def _count(marked: np.ndarray, word: str) -> str:
    count = int(marked.sum())
    return f"{count} {word}{'s' if count != 1 else ''}"


def _shown_rows(table: Table, lines: list[int]) -> str:
    """The first two rows with what is wrong in them, then the lines of the others."""
    told = [f"line {line}, {table.reasons[line]}" if line in table.reasons else f"line {line}" for line in lines[:2]]
    more = [f"also {list_lines(lines[2:])}"] if len(lines) > 2 else []
    return "; ".join(told + more)


def _note_times(table: Table, assignment: Assignment, clock: Clock) -> None:
    """Say of rows without a time what stands in its place."""
    item = next((item for item in assignment.columns if item.label == clock.label), None)
    if item is None:
        return
    for at in clock.bad_rows[:200]:
        found = quote(item.raw.texts[at]) if item.raw.texts is not None else "no time"
        table.reasons.setdefault(int(table.line_number[at]), f"{quote(item.label)}: {found}")


def _check_dropped(table: Table, dropped: list[int], warnings: list[ReadingWarning], allowed: bool = False) -> None:
    """Name the rows that were left out; too many are an error unless ``allowed`` (lines of plain words are not held
    against the file)."""
    already = {int(item.where.rsplit(":", 1)[-1]) for item in warnings if item.code == "truncated_row"}
    named = [line for line in dropped if line not in already]
    if not named:
        return
    notes = set(table.notes)
    unusable = [line for line in named if line not in notes]
    total = table.rows + len(table.dropped_lines)
    many = len(unusable) > max(1.0, MAX_BAD_SHARE * total)
    if many and not allowed:
        raise InputError(
            f"{len(unusable)} of {total} rows cannot be read", Location(table.file, unusable[0]),
            f"more than {100 * MAX_BAD_SHARE:g} % of the rows have the wrong number of fields or hold no numbers: {_shown_rows(table, unusable)}",
            "look at the first of these lines; export the log again, cut what does not belong to it, or read the rest with "
            "--allow-bad-rows",
        )
    share = f", {100 * len(unusable) / total:.1f} % of the rows (allowed)" if many else ""
    warnings.append(
        ReadingWarning(
            "rows_dropped", f"Left out {len(named)} row{'s' if len(named) > 1 else ''} that could not be read{share}: {_shown_rows(table, named)}.",
            f"{table.file}:{named[0]}",
        )
    )


# Beyond these, a stated unit is more likely a slip of the export than the truth. Common practice, no source.
_UNUSUAL = {"voltage": (150.0, "V"), "current": (1000.0, "A"), "charge_current": (1000.0, "A"), "discharge_current": (1000.0, "A")}


def _doubt_units(assignment: Assignment) -> None:
    """Warn where a stated unit gives readings that no pack on a bench has."""
    for item in assignment.columns:
        limit, symbol = _UNUSUAL.get(item.role, (None, ""))
        if limit is None or item.inferred or item.raw.values is None or not item.extent().size > limit:
            continue
        values = np.abs(item.values())
        size = float(overall.percentile(values, 90)) if np.isfinite(values).any() else 0.0
        if size > limit:
            assignment.warnings.append(
                ReadingWarning("unit_doubtful", f"Column {quote(item.label)} reads {size:.4g} {symbol}: check its unit.", item.label)
            )


def _same_as_before(table: Table, assignment: Assignment) -> np.ndarray:
    """True where a row repeats the row before it in every column that is used but time."""
    same = np.ones(table.rows, bool)
    same[0] = False
    for item in assignment.columns:
        raw = item.raw
        if item.role in ("time", "clock", "date"):
            continue
        if raw.kind == "number":
            a, b = raw.values[1:], raw.values[:-1]
            same[1:] &= (a == b) | (np.isnan(a) & np.isnan(b))
        elif raw.texts is not None and item.role == "mode":
            same[1:] &= raw.texts[1:] == raw.texts[:-1]
    return same


def _draft(
    table: Table, assignment: Assignment, clock: Clock, choices: dict[str, UnitChoice], groups: np.ndarray,
    rows: np.ndarray, time_s: np.ndarray, source: Source, encoding: str, warnings: list[ReadingWarning],
    columns: ColumnsFile | None,
) -> Draft:
    whole = rows.size == table.rows and np.array_equal(rows, np.arange(rows.size))

    def kept(values: np.ndarray) -> np.ndarray:
        return values if whole else values[rows]

    def taken(item: Assigned | None) -> np.ndarray | None:
        return None if item is None or item.raw.kind != "number" else kept(item.values())

    voltage = taken(assignment.one("voltage"))
    if voltage is None:
        voltage = np.full(rows.size, np.nan)
    said = len(assignment.warnings)
    current, separate, stated = _current(assignment, rows, kept)
    warnings += assignment.warnings[said:]
    voltage, current = _hold_interleaved(voltage, current, table.file, warnings)
    (temperature, names), (resistances, thermistors) = (_sensors(assignment, role, rows, kept) for role in ("temperature", "thermistor"))
    code, words = _modes(assignment.one("mode"), rows)
    step_time = assignment.step_time()
    step_time_s = None
    if step_time is not None:
        if step_time.raw.kind == "time":
            stamps = stamp_seconds(step_time)
            step_time_s = None if stamps.has_date else kept(stamps.seconds)
        else:
            step_time_s = taken(step_time)
    counters = {role: values for role in COUNTERS if (values := taken(assignment.counter(role))) is not None}
    return Draft(
        table.file, source, encoding, table.dialect, assignment, clock, time_s, voltage, current, separate,
        kept(groups), temperature, names, code, words, taken(assignment.one("step")),
        taken(assignment.one("cycle")), step_time_s, counters, kept(table.line_number), stated, choices,
        columns.file if columns is not None and columns.says_something else "", columns is not None and columns.no_pause,
        warnings,
        taken(assignment.one("power")), resistances, thermistors,
    )


def _sensors(assignment: Assignment, role: str, rows: np.ndarray, kept: Callable) -> tuple[np.ndarray, tuple[str, ...]]:
    """Readings and headings of all sensors of a role, shape (rows, sensors); those without a reading are left out."""
    found = assignment.role(role)
    sensors = [item for item in found if item.raw.extent().missing < item.raw.values.size]
    for item in found:
        if item not in sensors:
            item.role, item.evidence = "ignored", "it has no readings"
    values = stack_columns([kept(item.values()) for item in sensors], rows.size)
    return values, tuple(item.label for item in sensors)


def _current(assignment: Assignment, rows: np.ndarray, kept: Callable) -> tuple[np.ndarray, str, str | None]:
    """Current as logged, what separate columns say about its direction, and the sign stated in a columns file.

    A column of one direction that holds both signs is a signed current, whatever its heading says; so is one of negative
    readings only, if it stands alone.
    """
    plain = assignment.one("current")
    if plain is not None:
        return kept(plain.values()), "", plain.sign
    found = [item for role in ("charge_current", "discharge_current") if (item := assignment.one(role)) is not None]
    signed = [item for item in found if _holds_both_signs(item.values()[rows])]
    if len(found) == 1 and (signed or overall.median(_large(found[0].values()[rows])) < 0):
        return _as_signed(assignment, found[0], rows, "both signs" if signed else "negative readings only")
    if signed and len(found) == 2:
        first, second = (item.values()[rows] for item in found)
        near = 0.02 * float(overall.highest(np.abs(first)))
        if overall.median(np.abs(np.abs(first) - np.abs(second))) <= near:
            return _as_signed(assignment, found[0], rows, "both signs, as its counterpart does")
    total = np.zeros(rows.size)
    parts = []
    none = np.ones(rows.size, bool)
    for item in found:
        direction = 1.0 if item.role == "charge_current" else -1.0
        values = item.values()[rows]
        none &= np.isnan(values)
        # Some write what was taken out as negative; the small other sign of a zero stays as it is, so that it averages out.
        turned = -1.0 if overall.median(_large(values)) < 0 else 1.0
        total = total + direction * turned * np.nan_to_num(values)
        parts.append(f"{quote(item.label)} is {'charge' if direction > 0 else 'discharge'}")
    total[none] = np.nan
    return total, "column headings: " + ", ".join(parts), None


def _large(values: np.ndarray) -> np.ndarray:
    """Readings beyond 5 % of the largest, or a single zero."""
    size = np.abs(values[np.isfinite(values)])
    if not size.size or size.max() == 0:
        return np.zeros(1)
    return values[np.abs(values) > 0.05 * np.percentile(size, 99.9)] if np.percentile(size, 99.9) > 0 else values[np.abs(values) > 0]


def _holds_both_signs(values: np.ndarray) -> bool:
    """True if more than an odd row is of the other sign, zeros of the meter left out."""
    large = _large(values)
    return min((large > 0).sum(), (large < 0).sum()) > max(2, 0.002 * large.size)


def _as_signed(assignment: Assignment, item: Assigned, rows: np.ndarray, why: str) -> tuple[np.ndarray, str, str | None]:
    assignment.warnings.append(
        ReadingWarning("sign_inferred", f"The heading {quote(item.label)} names one direction, its readings are of {why}: it was read as a signed current.", item.label)
    )
    item.role, item.evidence = "current", f"{item.evidence}; {why}: a signed current"
    return item.values()[rows], "", item.sign


def _hold_interleaved(
    voltage: np.ndarray, current: np.ndarray, file: str, warnings: list[ReadingWarning]
) -> tuple[np.ndarray, np.ndarray]:
    """Hold the last reading over up to three rows where rows carry voltage and current in turn."""
    has_v, has_i = np.isfinite(voltage), np.isfinite(current)
    if not has_v.any() or (has_v & has_i).mean() > 0.5 or min(has_v.mean(), has_i.mean()) < 0.2:
        return voltage, current
    warnings.append(
        ReadingWarning("rows_interleaved", "Rows carry voltage and current in turn; each reading was held until the next.", file)
    )
    return _held(voltage, 3), _held(current, 3)


def _held(values: np.ndarray, rows: int) -> np.ndarray:
    index = np.arange(values.size)
    last = np.maximum.accumulate(np.where(np.isfinite(values), index, -1))
    return np.where((last >= 0) & (index - last <= rows), values[np.maximum(last, 0)], np.nan)


def _modes(item: Assigned | None, rows: np.ndarray) -> tuple[np.ndarray | None, tuple[str, ...]]:
    if item is None or item.raw.texts is None:
        return None, ()
    codes, uniques = factorized(item.raw.texts[rows])
    stripped = [spreadsheet_plain(str(word).strip()) for word in uniques]
    words: list[str] = []
    table = np.full(len(stripped) + 1, -1, dtype=np.int64)
    for index, word in enumerate(stripped):
        if word:
            if word not in words:
                words.append(word)
            table[index] = words.index(word)
    return table[codes], tuple(words)


def column_readings(draft: Draft) -> tuple[ColumnReading, ...]:
    """How each column of a file was understood."""
    out = []
    for item in draft.assignment.columns:
        unit = item.unit.symbol if item.unit is not None else None
        if item.raw.kind == "time" and item.role in ("time", "step"):
            unit = unit if unit in ("hh:mm", "mm:ss") else "hh:mm:ss"
        if item.role == "ignored":
            unit = item.name.unit.symbol if item.name.unit is not None else None
        elif item.role in ("mode", "cycle", "date", "clock"):
            unit = unit if item.role == "clock" and item.raw.kind == "number" else None
        elif item.role == "step" and not item.name.step_time:
            unit = None
        group = item.group if item.role in ("group_voltage", "tap_voltage") else None
        out.append(ColumnReading(item.label, item.role, unit, group, item.evidence))
    return tuple(out)


def delimiter_name(dialect: Dialect) -> str:
    """Delimiter as it is reported: the character, or "blanks"."""
    return "blanks" if dialect.delimiter == BLANKS else dialect.delimiter
