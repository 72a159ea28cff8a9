"""Logs that ``cycler export`` wrote, read back by their labels alone: nothing is inferred, mended or left out.

The labels are in the form 'quantity / unit' of ISO 80000-1, 7.1. Those that the openly published battery time-series
standard names, written from memory of it: Test Time, Unix Time, Step Time, Voltage, Current, Step Index, Cycle Count,
Charging and Discharging Capacity, Charging and Discharging Energy, Internal Resistance. The others are ours.
"""

from __future__ import annotations

import csv
import hashlib
import re
from datetime import UTC, datetime
from typing import Any

import numpy as np

from cycler.log import Gap, Source
from cycler.readers.assemble import LARGEST_THERMISTOR_OHM, LARGEST_VALUE, Draft
from cycler.readers.cellwise import factorized
from cycler.readers.clock import Clock
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.encoding import Decoded
from cycler.readers.names import NameReading
from cycler.readers.parse import numbers_of
from cycler.readers.sniff import Dialect, normal
from cycler.readers.table import RawColumn
from cycler.spreadsheet import spreadsheet_plain, spreadsheet_safe
from cycler.units import UNITS

ROW, TIME, UNIX_TIME, WALL_CLOCK = "Row / 1", "Test Time / s", "Unix Time / s", "Wall Clock"
VOLTAGE, CURRENT, MODE, PART, GAP = "Voltage / V", "Current / A", "Mode", "Part / 1", "Gap Before"
STEP, STEP_TIME, CYCLE = "Step Index / 1", "Step Time / s", "Cycle Count / 1"
COUNTER_LABELS = {
    "capacity": "Capacity / Ah", "charge_capacity": "Charging Capacity / Ah",
    "discharge_capacity": "Discharging Capacity / Ah", "energy": "Energy / Wh", "charge_energy": "Charging Energy / Wh",
    "discharge_energy": "Discharging Energy / Wh", "resistance": "Internal Resistance / ohm",
}  # fmt: skip
# Label -> role and unit. The row number is what tells an export from other files with labels of the standard: only
# for an export is it known that charge is positive.
_LABELS: dict[str, tuple[str, str | None]] = {
    ROW: ("ignored", None), TIME: ("time", "s"), UNIX_TIME: ("clock", "s"), WALL_CLOCK: ("clock", None),
    VOLTAGE: ("voltage", "V"), CURRENT: ("current", "A"), MODE: ("mode", None), STEP: ("step", None),
    STEP_TIME: ("step", "s"), CYCLE: ("cycle", None), PART: ("ignored", None), GAP: ("ignored", None),
} | {label: (role, label.rpartition(" / ")[2]) for role, label in COUNTER_LABELS.items()}  # fmt: skip
_TEXTS = (MODE, WALL_CLOCK, GAP)
_GROUP = re.compile(r"Group ([1-9]\d{0,3}) Voltage / V")
_SENSOR = re.compile(r"Temperature \[(.*)\] / degC")
_THERMISTOR = re.compile(r"Thermistor \[(.*)\] / ohm")
_DEGREES = " / degC"
_LARGEST_TIME_S = 1e13
EVIDENCE = "label of an exported log"
EXPORTED = "exported"
"""In place of a stated sign: charge is positive, as was settled before the export."""


def group_label(group: int) -> str:
    """Label of a group's voltage; groups count from 1 at pack negative."""
    return f"Group {group} Voltage / V"


def sensor_label(name: str) -> str:
    """Label of a temperature that keeps the sensor's own name: as it is if it is such a label, else in brackets."""
    own = name.endswith(_DEGREES) and _label_role(name) == ("temperature", "degC")
    return name if own and not _SENSOR.fullmatch(name) and spreadsheet_safe(name) == name else f"Temperature [{name}]{_DEGREES}"


def thermistor_label(name: str) -> str:
    """Label of the resistance of a temperature sensor, with the sensor's own name in brackets."""
    return f"Thermistor [{name}] / ohm"


def sensor_name(label: str) -> str:
    """The sensor's own name from its label."""
    found = _SENSOR.fullmatch(label) or _THERMISTOR.fullmatch(label)
    return found[1] if found else label


def _label_role(label: str) -> tuple[str, str | None] | None:
    known = _LABELS.get(label)
    if known is None and _GROUP.fullmatch(label):
        return "group_voltage", "V"
    if known is None and _THERMISTOR.fullmatch(label):
        return "thermistor", "ohm"
    return known or (("temperature", "degC") if label.endswith(_DEGREES) else None)


def read_exported(decoded: Decoded, raw: bytes, name: str) -> Draft | None:
    """Understand a file that ``cycler export`` wrote.

    Returns
    -------
    Draft or None
        None if the labels are not those of an export, or if anything in the rows is not as an export writes it
        (cut off, edited, another delimiter): such a file is read like any other.
    """
    labels = _labels_of(decoded.body)
    if labels is None:
        return None
    columns = _columns(decoded.body, labels)
    if columns is None:
        return None
    numbers = {column.name: column.values for column in columns if column.values is not None}
    time_s = numbers[TIME]
    if time_s.size < 2 or not _can_be_log(numbers):
        return None
    groups = sorted(int(found[1]) for label in labels if (found := _GROUP.fullmatch(label)))
    started_at, utc = _start(columns)
    if started_at is None and {UNIX_TIME, WALL_CLOCK} & set(labels):
        return None
    assigned = [_assigned(column) for column in columns]
    sensors, thermistors = ([item for item in assigned if item.role == role] for role in ("temperature", "thermistor"))
    dialect = Dialect(",", ".", 1, None, labels, ("",) * len(labels), 2, len(labels), tuple(map(normal, labels)))
    rows = np.arange(time_s.size)
    clock = Clock(rows, time_s, "elapsed", utc=utc, label=TIME)
    if started_at is not None:
        clock.origin_s = (started_at - datetime(1970, 1, 1)).total_seconds() - float(time_s[0])
    clock.joints = _joints(time_s, next((column.texts for column in columns if column.name == GAP), None))
    code, words = _modes(next((column for column in columns if column.name == MODE), None))
    source = Source(name, hashlib.sha256(raw).hexdigest(), len(raw), int(time_s.size), 0)
    empty = np.zeros((time_s.size, 0))
    return Draft(
        file=name, source=source, encoding=decoded.encoding, dialect=dialect, assignment=Assignment(assigned), clock=clock,
        time_s=time_s, voltage_v=numbers.get(VOLTAGE, np.full(time_s.size, np.nan)), current_a=numbers[CURRENT],
        separate_currents="",
        group_voltage_v=np.column_stack([numbers[group_label(group)] for group in groups]) if groups else empty,
        temperature_c=np.column_stack([item.raw.values for item in sensors]) if sensors else empty,
        temperature_names=tuple(sensor_name(item.label) for item in sensors), mode_code=code, mode_words=words,
        step_number=numbers.get(STEP), cycle_number=numbers.get(CYCLE), step_time_s=numbers.get(STEP_TIME),
        counters={role: numbers[label] for role, label in COUNTER_LABELS.items() if label in numbers},
        line_number=rows + 2, stated_sign=EXPORTED, unit_choices={}, columns_file="", no_pause=False,
        thermistor_ohm=np.column_stack([item.raw.values for item in thermistors]) if thermistors else empty,
        thermistor_names=tuple(sensor_name(item.label) for item in thermistors),
    )


def _labels_of(body: bytes) -> tuple[str, ...] | None:
    """The headings, if they are those of an export."""
    if not body.startswith((ROW + ",").encode()) or not body.endswith(b"\n"):
        return None
    labels = tuple(next(csv.reader([body[: body.index(b"\n")].decode("utf-8", "replace").rstrip("\r")])))
    groups = [int(found[1]) for label in labels if (found := _GROUP.fullmatch(label))]
    whole = {TIME, CURRENT} <= set(labels) and (VOLTAGE in labels or bool(groups))
    known = len(set(labels)) == len(labels) and all(_label_role(label) is not None for label in labels)
    return labels if whole and known and sorted(groups) == list(range(1, len(groups) + 1)) else None


def _columns(body: bytes, labels: tuple[str, ...]) -> list[RawColumn] | None:
    """Cells as numbers, bit for bit, or as texts; None if one cannot be what its label says."""
    import pyarrow
    from pyarrow import csv as reader

    places = [str(place) for place in range(len(labels))]
    kinds = {
        place: pyarrow.string() if label in _TEXTS else pyarrow.float64() for place, label in zip(places, labels)
    }
    try:
        table = reader.read_csv(
            pyarrow.BufferReader(body), reader.ReadOptions(column_names=places, skip_rows=1),
            convert_options=reader.ConvertOptions(
                column_types=kinds, null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False,
            ),
        )
    except pyarrow.ArrowInvalid:
        return None
    out: list[Any] = []
    for label, column in zip(labels, table.columns):
        if label in _TEXTS:
            texts = column.fill_null("").to_numpy()
            out.append(RawColumn(len(out), label, "", "time" if label == WALL_CLOCK else "word", texts=texts))
        else:
            out.append(RawColumn(len(out), label, "", "number", values=numbers_of(column)))
    return out


def _can_be_log(numbers: dict[str, np.ndarray]) -> bool:
    """True if time runs, there is current and voltage, and no reading is one that a log cannot hold."""
    time_s = numbers[TIME]
    if not (np.isfinite(time_s).all() and (np.diff(time_s) >= 0).all()):
        return False
    for label, values in numbers.items():
        in_time = label in (TIME, UNIX_TIME, STEP_TIME, STEP, CYCLE, ROW)
        largest = LARGEST_THERMISTOR_OHM if _THERMISTOR.fullmatch(label) else LARGEST_VALUE
        if (np.abs(values) > (_LARGEST_TIME_S if in_time else largest)).any():
            return False
    return all(np.isfinite(numbers[label]).any() for label in (VOLTAGE, CURRENT) if label in numbers)


def _start(columns: list[RawColumn]) -> tuple[datetime | None, bool]:
    """Wall clock of the first row without its zone, and whether it is UTC; None if there is none."""
    for column in columns:
        try:
            if column.name == UNIX_TIME:
                moment = datetime.fromtimestamp(float(column.values[0]), UTC)
            elif column.name == WALL_CLOCK:
                moment = datetime.fromisoformat(column.texts[0])
            else:
                continue
        except (ValueError, OverflowError, OSError):
            return None, False
        return moment.replace(tzinfo=None), moment.tzinfo is not None
    return None, False


def _joints(time_s: np.ndarray, texts: np.ndarray | None) -> list[Gap]:
    """Joints between files and restarts of the clock, as they stand before the row that follows them."""
    rows = [] if texts is None else [int(row) for row in np.flatnonzero(texts != "") if row]
    return [Gap(float(time_s[row - 1]), float(time_s[row] - time_s[row - 1]), spreadsheet_plain(str(texts[row]))) for row in rows]


def _modes(column: RawColumn | None) -> tuple[np.ndarray | None, tuple[str, ...]]:
    if column is None:
        return None, ()
    codes, cells = factorized(column.texts)
    words: dict[str, int] = {}
    table = [words.setdefault(spreadsheet_plain(str(cell)), len(words)) if cell else -1 for cell in cells]
    return np.array([*table, -1], dtype=np.int64)[codes], tuple(words)


def _assigned(column: RawColumn) -> Assigned:
    role, symbol = _label_role(column.name)
    unit = UNITS[symbol] if symbol is not None else None
    step_time = column.name == STEP_TIME
    name = NameReading(role, None, unit, symbol or "", evidence=EVIDENCE, named=True, step_time=step_time)
    found = _GROUP.fullmatch(column.name)
    evidence = EVIDENCE if role != "ignored" else "a note of the export"
    sign = "charge_positive" if role == "current" else None
    return Assigned(column, role, unit, evidence, name, int(found[1]) if found else None, sign)
