"""Logs that no recorder wrote: written ones altered, dialects mixed, tables of any headings over any cells. A number makes one input."""

from __future__ import annotations

import functools
import gzip
import io
import json
import random
import re
import tomllib
from dataclasses import replace
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path

from cycler.readers.columnsfile import CLOCKS, DATE_ORDERS, ROLES, SIGNS, TAP_ENDS
from tests.fuzz.mutate import NUMBERS, mutated, soup
from tests.readers import writing

ROOT = Path(__file__).resolve().parents[1].parent
ROWS = (4, 6, 8, 10, 12, 16, 24, 60)
"""How many rows an altered log keeps: few, so that an execution takes some milliseconds."""
Parts = list[tuple[str, bytes]]


@functools.cache
def corpus() -> tuple[tuple[str, bytes], ...]:
    """Small logs of every dialect that is read or refused, the sample logs' beginnings and middles, and own exports."""
    out = []
    for path in sorted((ROOT / "tests/data/logs").iterdir()) + sorted((ROOT / "sample_logs").glob("*.csv")):
        if path.suffix != ".md":
            raw = path.read_bytes()
            out.append((path.name, raw if path.suffix == ".gz" or b"\x00" in raw[:200] else _first_rows(raw, 60)))
    from cycler.errors import InputError
    from cycler.export import export_table, write_csv
    from cycler.readers import read_log_bytes

    for name, raw in out[:45:6]:
        try:
            log = read_log_bytes(raw, name)
        except InputError:
            continue
        stream = io.BytesIO()
        write_csv(export_table(log), stream)
        out.append((f"exported-{name}", stream.getvalue()))
    return tuple(out)


def _first_rows(raw: bytes, rows: int) -> bytes:
    return b"".join(raw.splitlines(keepends=True)[: rows + 8])


@functools.cache
def words() -> tuple[bytes, ...]:
    """Headings, units and cells that the reader knows something of."""
    roles = tomllib.loads(resources.files("cycler").joinpath("data/roles.toml").read_text("utf-8"))
    found = {"Row / 1", "Test Time / s", "Unix Time / s", "Wall Clock", "Voltage / V", "Current / A", "Group 1 Voltage / V", "Thermistor [a] / ohm", "Temperature [b] / degC"}
    for quantity in roles.get("quantity", {}).values():
        found.update(quantity.get("words", ()), quantity.get("symbols", ()))
    for language in writing.WORDS.values():
        found.update(language.values())
    found.update(_UNITS)
    found.update(_CELLS)
    return tuple(sorted(item.encode() for item in found if item))


_UNITS = ("V", "mV", "A", "mA", "Ah", "mAh", "Wh", "kWh", "s", "ms", "min", "h", "hh:mm:ss", "°C", "degF", "K", "C", "ohm", "mΩ", "%", "W", "d", "µV", "[V]", "(A)", "/ V", "hh:mm", "mm:ss", "As")
_CELLS = (
    "2026-03-09 08:15:30", "09.03.2026 08:15:30", "03/09/2026 08:15:30 PM", "2026-03-09T08:15:30Z", "2026-03-09T08:15:30+01:00", "20260309T081530", "1773044130", "1773044130000",
    "00:00:10", "24:00:00", "00:61:00", "1:02", "1d 02:03:04", "1 h 20", "90 min", "31.02.2026", "0000-00-00", "9999-12-31 23:59:59", "10000-01-01", "1969-12-31 23:59:59",
    "12:00 AM", "13:00 PM", "Mar 9 2026", "9 März 2026", "CC_Chg", "CV", "Rest", "pause", "Laden", "Entladen", "on", "off", "1:2", "cell 1", "Cell 10", "U12", "tap 3", "Δ", "B+", "=1+1", "@x",
)


def log_of(number: int) -> Parts:
    """The parts (name, bytes) of one test."""
    chance = random.Random(number)
    kind = chance.random()
    if kind < 0.45:
        raw = _altered(chance)
    elif kind < 0.72:
        raw = _dialect(chance)
    elif kind < 0.92:
        raw = _table(chance)
    elif kind < 0.96:
        raw = soup(chance, words())
    else:
        return _joined(chance)
    return [(_name(chance), _wrapped(raw, chance))]


def _name(chance: random.Random) -> str:
    return chance.choice(("log.csv", "log.csv", "log.txt", "Log 2026-03-09 08.15.csv", "charge.csv", "discharge 1A.tsv", "x"))


def _shorter(raw: bytes, chance: random.Random) -> bytes:
    """The head of a log and some of its rows, in order, in a block or here and there."""
    lines = raw.splitlines(keepends=True)
    head, rows = lines[: 3 if len(lines) < 30 else chance.choice((1, 2, 3, 8))], lines[3:]
    count = chance.choice(ROWS)
    if len(rows) > count:
        if chance.random() < 0.5:
            at = chance.randrange(len(rows) - count)
            rows = rows[at: at + count]
        else:
            rows = rows[:: max(1, len(rows) // count)]
    return b"".join(head + rows)


def _altered(chance: random.Random) -> bytes:
    _name, raw = chance.choice(corpus())
    if raw[:2] != b"\x1f\x8b" and b"\x00" not in raw[:100] and chance.random() < 0.93:
        raw = _shorter(raw, chance)
    if chance.random() < 0.4:
        raw = _columns_changed(raw, chance)
    return mutated(raw, chance, words(), chance.choice(corpus())[1][:3000])


def _columns_changed(raw: bytes, chance: random.Random) -> bytes:
    """A column gone, twice, moved, renamed, or with all its cells replaced."""
    mark = max((b",", b";", b"\t"), key=raw.count)
    lines = [line.split(mark) for line in raw.split(b"\n")]
    width = max(map(len, lines))
    at, to, way = chance.randrange(width), chance.randrange(width), chance.randrange(6)
    cell, kind = chance.choice(NUMBERS), chance.randrange(len(_KINDS))
    for row, fields in enumerate(lines):
        if len(fields) <= max(at, to):
            continue
        if way == 0:
            del fields[at]
        elif way == 1:
            fields.insert(to, fields[at])
        elif way == 2:
            fields[at], fields[to] = fields[to], fields[at]
        elif way == 3 and row < 3:
            fields[at] = chance.choice(words())
        elif way == 4 and row > 1:
            fields[at] = cell
        elif way == 5 and row > 1:
            fields[at] = _KINDS[kind](row, chance)
    return b"\n".join(mark.join(fields) for fields in lines)


@functools.cache
def _truths() -> tuple[writing.Truth, ...]:
    out = []
    for seed, groups, dt_s in ((1, 3, 10.0), (2, 0, 1.0), (3, 10, 60.0), (4, 1, 0.1), (5, 2, 4000.0)):
        truth = writing.invented_test(seed, max(groups, 1), dt_s)
        for step in (6, 12, 24):
            keep = slice(seed % step, None, step)
            out.append(writing.Truth(*(getattr(truth, name)[keep] for name in truth.__dataclass_fields__)))
    return tuple(out)


def _dialect(chance: random.Random) -> bytes:
    """A mixture of ways of writing that need not fit each other, mostly altered afterwards."""
    pick = chance.choice
    decimal = pick((".", ".", ","))
    dialect = writing.Dialect(
        delimiter=pick((",", ";", "\t", "|", " ")), decimal=decimal, encoding=pick(("utf-8", "utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "utf-32")),
        line_end=pick(("\n", "\n", "\r\n", "\r", "\n\r")), compressed=chance.random() < 0.05, language=pick(sorted(writing.WORDS)),
        unit_style=pick(("({})", "[{}]", " / {}", "/{}", "_{}", "row", " in {}", " {}")), voltage_unit=pick(("V", "mV", "", "A", "µV")), current_unit=pick(("A", "mA", "", "V")),
        capacity_unit=pick(("Ah", "mAh", "", "Wh")), temperature_unit=pick(("°C", "°F", "degF", "K", "", "C")),
        time_style=pick(("s", "ms", "min", "h", "hms", "iso", "iso_z", "dmy", "mdy_ampm", "date_time", "epoch", "epoch_ms", "hms_wall")),
        current_style=pick(("signed", "inverse", "unsigned_mode", "unsigned", "separate")), group_style=pick(("cells", "taps", "taps_from_top", "none")),
        with_mode=chance.random() < 0.4, with_capacity=chance.random() < 0.6, with_temperature=chance.random() < 0.6,
        preamble=pick(((), (), ("Invented log",), ("Bench 2;x", "", "Serial,1,2,3"), ("a: 1", "b: 2", "c = 3"))), footer=pick(((), (), ("end",), ("Sum;1;2;3", ""))),
        comment_every=pick((0, 0, 0, 5)), blank_every=pick((0, 0, 0, 7)), header_every=pick((0, 0, 0, 6)), trailing_delimiter=chance.random() < 0.15, quoted=chance.random() < 0.15,
        final_newline=chance.random() < 0.8, order_seed=pick((None, chance.randrange(100))), start=pick((datetime(2026, 3, 9, 8, 15, 30), datetime(2026, 3, 29, 1, 59, 0), datetime(2025, 12, 31, 23, 59, 50), datetime(9999, 12, 31, 20))),
    )
    truth = pick(_truths())
    if chance.random() < 0.1:
        dialect = replace(dialect, swapped_rows=(1,), doubled_rows=(2,))
    try:
        raw = writing.write_log(truth, dialect)
    except (ValueError, OverflowError, UnicodeError):
        raw = writing.write_log(truth, writing.Dialect())
    if chance.random() < 0.3:
        raw = _columns_changed(raw, chance)
    return mutated(raw, chance, words()) if chance.random() < 0.7 else raw


_START = datetime(2026, 3, 9, 23, 58, 30)
_KINDS = (
    lambda row, chance: b"%d" % row,
    lambda row, chance: b"%.3f" % (row * 0.5),
    lambda row, chance: b"%.3f" % (3.2 + 0.9 * chance.random()),
    lambda row, chance: b"%.2f" % (36 + 5 * chance.random()),
    lambda row, chance: b"%.3f" % (2.0 if row < 9 else 0.0 if row < 12 else -3.0),
    lambda row, chance: b"%d" % (4200 - row * 10),
    lambda row, chance: b"%.6f" % (row * 1e-3),
    lambda row, chance: (b"%.3f" % (3.2 + 0.05 * row)).replace(b".", b","),
    lambda row, chance: (_START + timedelta(seconds=10 * row)).isoformat(" ").encode(),
    lambda row, chance: (_START + timedelta(seconds=10 * row)).strftime("%d.%m.%Y %H:%M:%S").encode(),
    lambda row, chance: (_START + timedelta(seconds=10 * row)).strftime("%H:%M:%S").encode(),
    lambda row, chance: (_START + timedelta(days=row)).strftime("%d/%m/%y").encode(),
    lambda row, chance: b"%d" % (1773044130 + row),
    lambda row, chance: b"%d:%02d" % (row // 60, row % 60),
    lambda row, chance: (b"Rest", b"Charge", b"Discharge", b"")[row // 5 % 4],
    lambda row, chance: b"%d" % (row // 6),
    lambda row, chance: b"%.1f" % (21 + row * 0.1),
    lambda row, chance: b"%d" % (10000 - 7 * row),
    lambda row, chance: b"",
    lambda row, chance: chance.choice(NUMBERS),
    lambda row, chance: chance.choice(words()),
    lambda row, chance: b"%.3f V" % (3.2 + 0.01 * row),
)


def _table(chance: random.Random) -> bytes:
    """Headings of the reader's own words over cells of any kind: here its guesses meet what they were not made for."""
    mark = chance.choice((b",", b",", b";", b"\t", b"|", b"  "))
    width, vocabulary = chance.choice((1, 2, 3, 3, 4, 5, 6, 9, 16)), words()
    # Mostly a clock first, then what may pass for voltage and current: else all ends at the first question.
    kinds = [chance.choice((0, 1, 8, 9, 10, 12, 13)), chance.choice((2, 3, 5, 7)), chance.choice((4, 4, 6))][:width] + [chance.randrange(len(_KINDS)) for _ in range(width - 3)]
    names = [chance.choice((b"Time", b"t", b"Date", b"Zeit")), chance.choice((b"Voltage", b"U", b"Spannung", b"Cell 1")), chance.choice((b"Current", b"I", b"Strom"))][:width]
    names += [chance.choice(vocabulary) for _ in range(width - 3)]
    for place in range(width):
        if chance.random() < 0.15:
            kinds[place] = chance.randrange(len(_KINDS))
        if chance.random() < 0.15:
            names[place] = chance.choice(vocabulary)
        if chance.random() < 0.4:
            names[place] += chance.choice((b" (%s)", b"[%s]", b" / %s", b"_%s", b" %s")) % chance.choice(_UNITS).encode()
    rows = [mark.join(_KINDS[kind](row, chance) for kind in kinds) for row in range(1, 1 + chance.choice((0, 1, 2, 3, *ROWS)))]
    raw = b"\n".join(([mark.join(names)] if chance.random() < 0.9 else []) + rows) + chance.choice((b"\n", b""))
    return mutated(raw, chance, vocabulary) if chance.random() < 0.4 else raw


def _joined(chance: random.Random) -> Parts:
    """Two or three parts of one test, or of tests that do not belong together."""
    raw = _dialect(chance) if chance.random() < 0.5 else _altered(chance)
    lines = raw.splitlines(keepends=True)
    cut = chance.randrange(1, max(2, len(lines)))
    parts = [b"".join(lines[:cut]), b"".join(lines[:1] + lines[cut:])]
    if chance.random() < 0.3:
        parts.append(_altered(chance))
    if chance.random() < 0.2:
        parts.reverse()
    return [(f"part-{number}.csv", _wrapped(part, chance)) for number, part in enumerate(parts, 1)]


def _wrapped(raw: bytes, chance: random.Random) -> bytes:
    """As it is, or in another encoding, or packed, whole or damaged."""
    kind = chance.random()
    if kind < 0.86:
        return raw
    if kind < 0.93:
        text = raw.decode("utf-8", "replace")
        return text.encode(chance.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp850", "mac_roman", "gb18030", "shift_jis", "utf-8-sig", "utf-7")), "replace")
    packed = gzip.compress(raw, 1, mtime=0)
    return mutated(packed, chance, ()) if chance.random() < 0.5 else packed + (b"\x00" * 3 if chance.random() < 0.2 else b"")


def columns_text(chance: random.Random, raw: bytes) -> str:
    """A columns file that may or may not fit a log."""
    head = raw[:400].decode("utf-8", "replace").splitlines()
    names = [name.strip(" \"'\\") for name in re.split(r"[,;\t|]", head[0] if head else "")] or [""]
    lines = []
    for key, values in (
        ("delimiter", (",", ";", "\\t", "|", "blanks")), ("decimal", (".", ",")), ("header_row", (0, 1, 2, 5, 10000)), ("clock", CLOCKS), ("date_order", DATE_ORDERS),
        ("taps_from", TAP_ENDS), ("allow_bad_rows", (True,)), ("no_pause", (True, False)),
    ):
        if chance.random() < 0.15:
            lines.append(f"{key} = {json.dumps(chance.choice(values))}")
    for place in range(chance.choice((0, 1, 2, 3, len(names)))):
        lines.append("[[column]]")
        name = names[place % len(names)] if chance.random() < 0.8 else chance.choice(words()).decode()
        lines.append(f"name = '{name}'" if chance.random() < 0.6 and "'" not in name else f"position = {chance.randrange(12)}")
        lines.append(f'role = "{chance.choice(sorted(ROLES))}"')
        if chance.random() < 0.3:
            lines.append(f'unit = "{chance.choice(_UNITS)}"')
        if chance.random() < 0.2:
            lines.append(f'sign = "{chance.choice(sorted(SIGNS))}"')
        if chance.random() < 0.3:
            lines.append(f"group = {chance.randrange(1, 14)}")
    return "\n".join(lines) + "\n"
