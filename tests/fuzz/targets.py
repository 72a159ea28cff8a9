"""What is called with an input, what may come out of it, and what must hold of what comes out."""

from __future__ import annotations

import contextlib
import copy
import functools
import json
import os
import random
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from cycler.errors import InputError
from tests.fuzz import logs
from tests.fuzz.mutate import mutated, soup


class Broken(AssertionError):
    """What came out is not as it must be."""


@dataclass(frozen=True)
class Target:
    """One thing that takes bytes. ``make(number)`` is an input, ``call(input)`` True if it was read, False if it was refused."""

    make: Callable[[int], bytes]
    call: Callable[[bytes], bool]
    about: str


def refused(error: InputError) -> bool:
    """Checks the four parts of a refusal; always False, as nothing was read."""
    for part in ("what", "why", "mend"):
        if not str(getattr(error, part)).strip():
            raise Broken(f"a message without its {part}: {error}")
    if not str(error.where).strip() or "\n" in str(error) or len(str(error)) > 2000:
        raise Broken(f"a message of {len(str(error))} characters, or of several lines, or without a place: {str(error)[:300]}")
    str(error).encode("utf-8")
    return False


# --- the reader: several parts and a columns file go into one input as a small archive, so that it can be kept as a file --------------------------


def packed(parts: logs.Parts, columns: str | None) -> bytes:
    """Parts and columns file as one input: JSON with the bytes as Latin-1, which shows them."""
    if columns is None and len(parts) == 1 and parts[0][0] == "log.csv" and not parts[0][1].startswith(b'{"parts"'):
        return parts[0][1]
    return json.dumps({"parts": [[name, raw.decode("latin-1")] for name, raw in parts], "columns": columns}).encode()


def unpacked(data: bytes) -> tuple[logs.Parts, str | None]:
    """The reverse of :func:`packed`."""
    if data.startswith(b'{"parts"'):
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):  # altered so that it is none: then it is a log like any other
            held = json.loads(data)
            parts, columns = [(str(name), raw.encode("latin-1")) for name, raw in held["parts"]], held["columns"]
            if parts and isinstance(columns, str | None):
                return parts, columns
    return [("log.csv", data)], None


def make_log(number: int) -> bytes:
    parts = logs.log_of(number)
    chance = random.Random(-number - 1)
    columns = logs.columns_text(chance, parts[0][1]) if chance.random() < 0.08 else None
    return packed(parts, columns)


def read(data: bytes) -> Any:
    """The log of an input; checks what must hold of every log."""
    from cycler.readers import parse_columns, read_logs_bytes

    parts, columns = unpacked(data)
    log = read_logs_bytes(parts, parse_columns(columns, "columns.toml") if columns is not None else None)
    for name in ("time_s", "voltage_v", "current_a", "group_voltage_v", "temperature_c", "thermistor_ohm", "step_time_s", "step_number", "cycle_number"):
        values = getattr(log, name)
        if values is not None and np.isinf(values).any():
            raise Broken(f"{name} holds an infinite value")
    if log.rows == 0 or log.time_s[0] != 0 or not np.isfinite(log.time_s).all():
        raise Broken(f"{log.rows} rows, first time {log.time_s[:1]}")
    if sum(source.rows_read for source in log.sources) < log.rows or min(source.rows_dropped for source in log.sources) < 0:
        raise Broken("the counts of rows do not fit the log")
    repr(log.reading).encode("utf-8", "strict")
    return log


def call_reader(data: bytes) -> bool:
    try:
        read(data)
    except InputError as error:
        return refused(error)
    return True


def call_analysis(data: bytes) -> bool:
    from cycler.analysis import analyze
    from cycler.criteria import load_criteria
    from cycler.pack import Pack

    try:
        log = read(data)
        analysis = analyze(log, Pack(), load_criteria()).to_dict()
    except InputError as error:
        return refused(error)
    json.dumps(analysis, allow_nan=False)
    return True


# --- files of TOML, and the list of cells ---------------------------------------------------------------------------------------------------


def _toml(raw: bytes, kind: str) -> tuple[dict[str, Any], str]:
    from cycler.tomlsource import parse_toml

    return parse_toml(raw, "fuzz.toml", kind)


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace")


def _criteria(raw: bytes) -> None:
    from cycler.criteria import criteria_from_bytes

    criteria_from_bytes(raw, "fuzz.toml")


def _columns(raw: bytes) -> None:
    from cycler.readers import parse_columns

    parse_columns(_text(raw), "fuzz.toml")


def _pack(raw: bytes) -> None:
    from cycler.pack import pack_from_dict, pack_from_stored

    pack = pack_from_dict(*_toml(raw, "pack file")[:1], "fuzz.toml", _text(raw))
    stored = json.loads(json.dumps(pack.to_dict(), allow_nan=False))
    if pack_from_stored(stored) != pack:
        raise Broken("a pack comes back from the register otherwise than it was read")


@functools.cache
def _folder() -> tempfile.TemporaryDirectory:
    return tempfile.TemporaryDirectory(prefix="fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None)  # goes with the process


def _instrument(raw: bytes) -> None:
    from cycler.instrument import load_instrument

    file = Path(_folder().name) / "bench.toml"
    file.write_bytes(raw)
    load_instrument(file).to_dict()


def _sheet(raw: bytes) -> None:
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.form import form_from_sheet, sheet_from_form
    from cycler.repair.sheet import sheet_from_bytes, sheet_from_text, sheet_to_toml

    sheet = sheet_from_bytes(raw, "fuzz.toml")
    written = sheet_to_toml(sheet)
    if sheet_to_toml(sheet_from_text(written, "fuzz.toml")) != written:
        raise Broken("a sheet that was written down reads otherwise")
    json.dumps(evaluate_sheet(sheet), allow_nan=False)
    sheet_from_form(form_from_sheet(sheet))


def _workshop(raw: bytes) -> None:
    from cycler.repair.workshop import (
        form_from_workshop,
        workshop_from_form,
        workshop_from_text,
        workshop_to_toml,
    )

    workshop = workshop_from_text(_text(raw), "fuzz.toml")
    workshop_from_text(workshop_to_toml(workshop), "fuzz.toml")
    workshop_from_form(form_from_workshop(workshop), "the form")


def _equipment(raw: bytes) -> None:
    from cycler.plan.equipment import equipment_from_text

    equipment_from_text(_text(raw), "fuzz.toml")


def _connector(raw: bytes) -> None:
    from cycler.repair.connector import (
        connector_from_form,
        connector_from_text,
        connector_to_toml,
        form_from_connector,
    )
    from cycler.repair.donor import compare_connectors

    connector = connector_from_text(_text(raw), "fuzz.toml")
    written = connector_to_toml(connector)
    if connector_to_toml(connector_from_text(written, "fuzz.toml")) != written:
        raise Broken("a connector that was written down reads otherwise")
    connector_from_form(form_from_connector(connector), "the form")
    for one, other in ((connector, connector), (connector, _donor()), (_donor(), connector)):
        json.dumps(compare_connectors(one, other), allow_nan=False)


@functools.cache
def _donor() -> Any:
    from cycler.repair.connector import load_connector

    return load_connector(logs.ROOT / "sample_logs/jobs/connectors/donor-b-shifted.toml")


def _cells(raw: bytes) -> None:
    from cycler.matching.cells import cells_from_bytes
    from cycler.matching.grades import grade
    from cycler.matching.rules import load_rules

    grade(cells_from_bytes(raw, "cells.csv"), load_rules())


def _rules(raw: bytes) -> None:
    from cycler.matching.rules import rules_from_text

    rules_from_text(_text(raw), "fuzz.toml")


def _statement(raw: bytes) -> None:
    from cycler.datasheet import BadStatement, parse_statement

    kind, _, line = raw.partition(b"\n")
    dimension = ("voltage", "current", "temperature", "time")[len(kind) % 4]
    try:
        found = parse_statement(_text(line), dimension)
    except BadStatement as error:
        raise InputError(error.what, "line", error.why, error.mend) from None
    values = [found.of_reading, found.of_range, found.absolute, found.digits, found.digit_size or 0.0, found.coverage_factor or 1.0]
    if not all(np.isfinite(value) and value >= 0 for value in values):
        raise Broken(f"no limit of error: {found}")


def _units(raw: bytes) -> None:
    from cycler.units import parse_unit, shown_unit

    unit = parse_unit(_text(raw))
    if unit is None:
        raise InputError("no unit", "text", "it spells none", "nothing to mend")
    if parse_unit(shown_unit(unit.symbol)) != unit and unit.symbol != "C":
        raise Broken(f"{unit.symbol} is not read back from how it is shown")


def _form(raw: bytes) -> None:
    from cycler.repair.connector import connector_from_form
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.form import refusals, sheet_from_form
    from cycler.repair.workshop import workshop_from_form

    values = dict(line.split("=", 1) for line in _text(raw).split("\n") if "=" in line)
    json.dumps(evaluate_sheet(sheet_from_form(values)), allow_nan=False)
    for error in [*refusals(values).values(), *connector_from_form(values, "the form")[1].values(), *workshop_from_form(values, "the form")[1].values()]:
        refused(error)


def _record(raw: bytes) -> None:
    from cycler.proof.verify import verify_record

    code = "https://invented.test/" + raw[:40].decode("latin-1") if raw[-1:] > b"\x70" else None
    found = verify_record(raw, "record", code=code)
    json.dumps(found.to_dict(), allow_nan=False)
    for line in json.dumps(found.to_dict()).split("\\n"):
        line.encode("utf-8", "strict")


def _call(function: Callable[[bytes], None]) -> Callable[[bytes], bool]:
    def call(data: bytes) -> bool:
        try:
            function(data)
        except InputError as error:
            return refused(error)
        return True

    return call


# --- inputs of these ------------------------------------------------------------------------------------------------------------------------


def _of(pattern: str, data: str = "") -> Callable[[], list[bytes]]:
    @functools.cache
    def seeds() -> list[bytes]:
        found = [path.read_bytes() for path in sorted(logs.ROOT.glob(pattern))] if pattern else []
        if data:
            found += [item.read_bytes() for item in sorted(resources.files("cycler").joinpath("data").iterdir(), key=str) if re.fullmatch(data, item.name)]
        return found

    return seeds


_TOML_WORDS = (b"[a]", b"[[rule]]", b"{}", b"[]", b"true", b'"', b'"""', b"'", b"= 1", b"= -1", b"= 0", b"= 1e308", b"= nan", b"= inf", b"= -inf", b'= ""', b'= "x"', b"= [1, 2]", b"= {a = 1}",
               b"= [[1]]", b"= 1979-05-27", b"= 07:32:00", b"= 0x1F", b"= 9223372036854775807", b"= 1e400", b"= false", b'= "1"', b"= [nan]", b"= [-5, 40]", b"= 1e-300", b"= '\xc3\xa9'", b"= [{}]")


def _from(seeds: Callable[[], list[bytes]], most: int = 12_000) -> Callable[[int], bytes]:
    @functools.cache
    def vocabulary() -> tuple[bytes, ...]:
        found = sorted({word for raw in seeds() for word in re.findall(rb"[A-Za-z_][\w.-]{2,40}", raw)})
        return (*_TOML_WORDS * max(1, len(found) // 60), *found)

    def make(number: int) -> bytes:
        chance = random.Random(number)
        known = seeds()
        raw = chance.choice(known)
        if len(raw) > 1500 and chance.random() < 0.5 and b"[" in raw:  # some tables of it alone
            tables = re.split(rb"(?m)^(?=\[)", raw)
            raw = b"".join(table for table in tables if chance.random() < 0.4) or raw
        if chance.random() < 0.5:
            raw = _values_changed(raw, chance, vocabulary())
        if chance.random() < 0.04:
            return soup(chance, vocabulary(), 80)
        return mutated(raw, chance, vocabulary(), chance.choice(known)[:2000], most) if chance.random() < 0.8 else raw

    return make


def _values_changed(raw: bytes, chance: random.Random, vocabulary: tuple[bytes, ...]) -> bytes:
    """Some ``key = value`` lines with another value, or another key: a file that is still TOML gets further."""
    lines = raw.split(b"\n")
    places = [number for number, line in enumerate(lines) if b"=" in line]
    for _ in range(1 + chance.randrange(4)):
        if not places:
            break
        at = chance.choice(places)
        key, _, value = lines[at].lstrip(b"# ").partition(b"=")
        way = chance.random()
        if way < 0.6:
            lines[at] = key + chance.choice([word for word in _TOML_WORDS if word.startswith(b"=")])
        elif way < 0.75:
            lines[at] = key + b"= " + chance.choice((b"-", b"1", b"1e", b"0.0", b"")) + value.strip()
        elif way < 0.9:
            lines[at] = chance.choice(vocabulary) + b" =" + value
        else:
            lines.insert(chance.choice(places), lines[at])
    return b"\n".join(lines)


@functools.cache
def _sheets() -> list[bytes]:
    from cycler.repair.sheetfile import template_toml

    empty = template_toml().encode()
    return [*_of("sample_logs/jobs/*.toml")(), empty, re.sub(rb"(?m)^# (?=\w+ = )", b"", empty)]


@functools.cache
def _workshops() -> list[bytes]:
    from cycler.repair.workshop import template_text

    text = template_text().encode()
    return [text, re.sub(rb"(?m)^# ?(?=[\w.]+ = )", b"", text)]


@functools.cache
def _connectors() -> list[bytes]:
    from cycler.repair.connector import new_connector_text

    return [*_of("sample_logs/jobs/connectors/*.toml")(), new_connector_text(6).encode()]


@functools.cache
def _columns_files() -> list[bytes]:
    return [logs.columns_text(random.Random(number), b"Time;Voltage;Current;Cell 1\n").encode() for number in range(40)]


@functools.cache
def _packs() -> list[bytes]:
    more = b"\n[thermistor]\nr25_ohm = 10000\nb_k = 3435\n[correction]\nrate_exponent = 0.02\n[instrument]\nvoltage = '0.05 % of reading + 2 digits'\nvoltage_digit_v = 0.001\ncurrent_gain = 0.001\nclock_gain = 1e-5\nsense = 4\n"
    own = _of("sample_logs/packs/*.toml")()
    return [*own, b'id = "X-1"\nchemistry = "lfp"\nseries = 4\ncharge_temperature_c = [0, 45]\ndischarge_temperature_c = [-20, 60]\n' + more]


@functools.cache
def _criteria_files() -> list[bytes]:
    return [item.read_bytes() for item in sorted(resources.files("cycler").joinpath("data/criteria").iterdir(), key=str) if item.name.endswith(".toml")]


@functools.cache
def _instrument_files() -> list[bytes]:
    lines = [f'{key} = "{line}"' for key, line in zip(("voltage", "group_voltage", "current", "temperature", "clock") * 4, _LINES)]
    return [*_of("sample_logs/bench-2.toml")(), *("\n".join(lines[at: at + 4]).encode() for at in range(0, 16, 4))]


@functools.cache
def _cell_lists() -> list[bytes]:
    raw = (logs.ROOT / "sample_logs/stock/cells-invented.csv").read_bytes()
    lines = raw.splitlines(keepends=True)
    return [b"".join(lines[:14]), b"".join(lines[:1] + lines[20:26]), b"".join(lines[:40]).replace(b",", b";").replace(b".", b","), b"cell,capacity_ah,resistance_mohm,voltage_v\nA1,2.5,30,3.6\nA2,2.4,31,3.6\n"]


_LINES = (
    "0.5 % of reading + 2 digits", "±(0.05 % rdg + 3 dgt)", "U = 0.2 %, k = 2", "u = 1 mV", "0.1 % of range", "50 ppm + 5 mA", "2 min/day", "1 K", "0.02 % FS", "3 counts of 1 mV", "< 1 s per week",
    "±0,5 % v. M. + 2 Digit", "0.1 % of 60 V range", "+/- 1.5 °C", "1 % + 1 % + 1 %", "(0.5 % + 2 digits)", "U=0.4 mA, k=2.0", "20 ppm a year", "0.5 % of reading, 1 digit of 10 mV", "",
)


def _line_seeds() -> list[bytes]:
    return [b"x" * number + b"\n" + line.encode() for line in _LINES for number in range(4)]


def _unit_seeds() -> list[bytes]:
    from cycler.units import UNITS

    return [symbol.encode() for symbol in UNITS] + [b"Amp-Hours", b"h:m:s", b"[V]", b"milli ohm", b"deg. C"]


@functools.cache
def _form_seeds() -> list[bytes]:
    from cycler.repair.connector import form_from_connector
    from cycler.repair.form import form_from_sheet
    from cycler.repair.sheet import load_sheet
    from cycler.repair.workshop import default_workshop, form_from_workshop

    forms = [form_from_sheet(load_sheet(path)) for path in sorted((logs.ROOT / "sample_logs/jobs").glob("*.toml"))]
    forms += [form_from_workshop(default_workshop()), form_from_connector(_donor())]
    return ["\n".join(f"{key}={value}" for key, value in form.items()).encode() for form in forms]


@functools.cache
def _records() -> list[bytes]:
    """The three files of a sealed record of an invented pack."""
    from tests.proof import proof_example

    made = proof_example.made()
    return [made.json, made.html, made.pdf]


def make_record(number: int) -> bytes:
    """A record altered as bytes, or its JSON altered as values and written again."""
    from cycler.proof.canonical import canonical_bytes

    chance = random.Random(number)
    known = _records()
    if chance.random() < 0.6:
        value = json.loads(known[0])
        for _ in range(1 + chance.randrange(3)):
            _alter(value, chance)
        try:
            raw = canonical_bytes(value)
        except ValueError:
            raw = json.dumps(value).encode("utf-8", "surrogatepass")
        if chance.random() < 0.3:
            page = known[1]
            start = page.index(b'id="record-content">') + len(b'id="record-content">')
            return page[:start] + raw.replace(b"<", b"\\u003c") + page[page.index(b"</script>", start):]
        return raw
    raw = known[chance.randrange(3)]
    # Near what the carrier looks for: elsewhere in a page of a hundred kilobytes nothing reads.
    marks = [found.start() for mark in (b"record-content", b"packreturn-", b"startxref", b'"seal"', b"</script>", b"schema") for found in re.finditer(re.escape(mark), raw)] or [0]
    at = max(0, chance.choice(marks) - 60)
    piece = mutated(raw[at: at + 260], chance, (b"<script", b"</script>", b"-->", b"%packreturn-record ", b"%packreturn-more ", b"null", b"{}", b'"serial":', b"%PDF-", b"startxref"), raw[:400])
    return raw[:at] + piece + raw[at + 260:]


_VALUES = (None, True, False, 0, -1, 1.5, 1e308, -1e308, 2**53, 10**400, "", "x", "\ud800", "\x00", "9" * 400, [], {}, [[]], {"": None}, [None], "cycler.record/1", "cycler.record/2", "ed25519", "A" * 5000)


def _alter(value: Any, chance: random.Random) -> None:
    """One value somewhere in a JSON value replaced, taken out, renamed or doubled."""
    while True:
        keys = list(value) if isinstance(value, dict) else list(range(len(value)))
        if not keys:
            return
        key = chance.choice(keys)
        inner = value[key]
        if isinstance(inner, (dict, list)) and inner and chance.random() < 0.8:
            value = inner
            continue
        way = chance.randrange(5)
        if way == 0:
            del value[key]
        elif way == 1 and isinstance(value, dict):
            value[chance.choice(("", "x", "serial", "schema", "\u00e9", key + "x"))] = value.pop(key)
        elif way == 2 and isinstance(inner, str):
            value[key] = inner[::-1] + chance.choice(("", "\n", "<", "\u202e"))
        else:
            value[key] = copy.deepcopy(chance.choice(_VALUES))  # what lies in one record must not be altered in the next
        return


TARGETS: dict[str, Target] = {
    "reader": Target(make_log, call_reader, "logs: encoding, dialect, table, columns, clock, sign, joined parts, gzip, own exports"),
    "analysis": Target(make_log, call_analysis, "the same logs through the whole analysis, without a pack file"),
    "criteria": Target(_from(_criteria_files), _call(_criteria), "criteria files"),
    "columns": Target(_from(_columns_files), _call(_columns), "columns files"),
    "pack": Target(_from(_packs), _call(_pack), "pack files"),
    "instrument": Target(_from(_instrument_files), _call(_instrument), "instrument files"),
    "sheet": Target(_from(_sheets), _call(_sheet), "bench sheets, read, written, evaluated"),
    "form": Target(_from(_form_seeds), _call(_form), "fields of the sheet's, the connector's and the workshop's form"),
    "workshop": Target(_from(_workshops), _call(_workshop), "files of the workshop's figures"),
    "equipment": Target(_from(_of("sample_logs/equipment.toml")), _call(_equipment), "files of what stands on the bench"),
    "connector": Target(_from(_connectors), _call(_connector), "connectors, and two of them compared"),
    "cells": Target(_from(_cell_lists), _call(_cells), "lists of cells, graded"),
    "rules": Target(_from(_of("", r"grades\.toml")), _call(_rules), "files of grades"),
    "record": Target(make_record, _call(_record), "issued records: JSON, page and PDF"),
    "statement": Target(_from(_line_seeds, 400), _call(_statement), "lines of data sheets"),
    "units": Target(_from(_unit_seeds, 60), _call(_units), "spellings of units"),
}
