"""Bad input gives a right reading with a warning, or one message: never another exception, a silent loss, or a long wait.

The invented test (``invented_test(7)``) is spoiled in one way each.
"""

from __future__ import annotations

import gzip
import io
import time
import warnings
import zipfile

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_log_bytes
from tests.calls import call
from tests.readers.writing import invented_test

TRUTH = invented_test(7, groups=3)
ROWS = [tuple(row) for row in zip(TRUTH.time_s, TRUTH.voltage_v, TRUTH.current_a, *TRUTH.group_v.T)]
HEAD = ["Time (s)", "Voltage (V)", "Current (A)", "Cell 1 (V)", "Cell 2 (V)", "Cell 3 (V)"]
PLAIN = HEAD[:3]
SECONDS = 6.0
"""Longest time for one huge file; a reader whose time grows with the square of the size needs minutes."""


def _table(head=HEAD, rows=ROWS, mark: str = ",") -> bytes:
    return "".join(mark.join(map(str, row)) + "\n" for row in [head, *rows]).encode()


def _with(place: int, value, row: int | None = None) -> list[tuple]:
    """Rows with one field replaced, in one row or in all."""
    return [
        (*fields[:place], value(fields) if callable(value) else value, *fields[place + 1:]) if row in (None, index) else fields
        for index, fields in enumerate(ROWS)
    ]  # fmt: skip


def _zip() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("log.csv", _table())
    return stream.getvalue()


NOISE = np.random.default_rng(5).integers(0, 256, 2000, dtype=np.uint8).tobytes()
OTHER_ORDER = [(row[0], row[2], row[1], *row[3:]) for row in ROWS]

REFUSED = {
    "empty": (b"", "the log is empty", None),
    "blank lines": (b"\n" * 10, "the log is empty", None),
    "byte order mark only": (b"\xef\xbb\xbf", "the log is empty", None),
    "header only": (_table(rows=[]), "the log has no rows of readings", None),
    "one column": (("Voltage (V)\n" + "".join(f"{row[1]}\n" for row in ROWS)).encode(), "the log has one column only", None),
    "all text": (b"the,quick,brown\n" * 50, "the log has no rows of readings", None),
    "prose": (b"This is a letter.\n\nIt has commas, and more commas.\n", "the log has no rows of readings", None),
    "a page of the web": (b"<html><body><p>1</p></body></html>\n", "the log has no rows of readings", None),
    "a drawing": (b'<?xml version="1.0"?>\n<svg width="10">\n<path d="M1,2 3,4 5,6"/>\n</svg>\n', "the log has no rows of readings", None),
    "all currents 1e308": (_table(rows=_with(2, "1e308")), "the current column holds no readings", 2),
    "one row": (_table(rows=ROWS[:1]), "the log has fewer than two rows with a time", 2),
    "no reading at all": (_table(rows=[("NaN",) * 6] * 50), "the log has no rows of readings", None),
    "delimiter changes": (_table(rows=ROWS[:80]) + _table(rows=ROWS[80:], mark=";").split(b"\n", 1)[1], "the log uses two delimiters", 2),
    "delimiters in turn": (
        b"".join((_table(HEAD, [row], ";" if index % 2 else ",").split(b"\n", 1)[1]) if index else _table(HEAD, [row]) for index, row in enumerate(ROWS)),
        "the log uses two delimiters", 2,
    ),
    "a comma within the times": (
        _table(PLAIN, [(f"2026-03-09T08:{int(row[0]) // 60:02d}:{int(row[0]) % 60:02d},500", *row[1:3]) for row in ROWS]),
        "the comma separates both fields and decimals", 1,
    ),
    "two pack voltages": (
        _table(["Time (s)", "Voltage A (V)", "Voltage B (V)", "Current (A)"], [(row[0], row[1], row[1] * 1.01, row[2]) for row in ROWS]),
        "two columns could be the pack's voltage", 1,
    ),
    "current twice": (_table([*PLAIN, "Current (A)"], [(*row[:3], 2 * row[2]) for row in ROWS]), "two columns could be the pack's current", 1),
    "the same heading throughout": (_table(["x"] * 6), "the log has no voltage column", 1),
    "constant voltage and positive current": (
        _table(PLAIN, [(row[0], 12.0, abs(row[2])) for row in ROWS]),
        "the direction of the current cannot be told: is the pack charged or discharged in this log?", 1,
    ),
    "all times 1e306": (_table(rows=_with(0, lambda row: (row[0] + 1) * 1e305)), "the log has no time column", 1),
    "clock stands still": (_table(rows=_with(0, 0)), "the clock stands still", 2),
    "time of day stands still": (_table(["Clock", *HEAD[1:]], _with(0, "10:00:00")), "the clock stands still", 2),
    "zip": (_zip(), "the log is a zip archive or a spreadsheet workbook", None),
    "zip in gzip": (gzip.compress(_zip()), "the log is a zip archive or a spreadsheet workbook", None),
    "gzip twice": (gzip.compress(gzip.compress(_table())), "the log is compressed twice", None),
    "gzip cut off": (gzip.compress(_table())[:-30], "the compressed log is cut off", None),
    "gzip damaged": (gzip.compress(_table())[:200] + b"xxxx" + gzip.compress(_table())[204:], "the compressed log is damaged", None),
    "PNG": (b"\x89PNG\r\n\x1a\n" + NOISE, "the log is a PNG picture", None),
    "JPEG": (b"\xff\xd8\xff\xe0" + NOISE, "the log is a JPEG picture", None),
    "GIF": (b"GIF89a" + NOISE, "the log is a GIF picture", None),
    "TIFF": (b"II*\x00" + NOISE, "the log is a TIFF picture", None),
    "bitmap": (b"BM6\x00\x0c\x00\x00\x00\x00\x00" + NOISE, "the log is a bitmap picture", None),
    "film": (b"\x00\x00\x00\x18ftypheic" + NOISE, "the log is a picture or film of a camera", None),
    "PDF": (b"%PDF-1.7\n" + NOISE, "the log is a PDF document", None),
    "program": (b"MZ\x90\x00" + NOISE, "the log is a program", None),
    "headings in another order pasted behind": (
        _table() + _table(["Time (s)", "Current (A)", "Voltage (V)", *HEAD[3:]], OTHER_ORDER), "the columns change in the middle of the log", 162,
    ),
    "another language pasted behind": (
        _table() + _table(["Zeit (s)", "Strom (A)", "Spannung (V)", "Zelle 1 (V)", "Zelle 2 (V)", "Zelle 3 (V)"], OTHER_ORDER),
        "the columns change in the middle of the log", 162,
    ),
    "other units pasted behind": (
        _table() + _table(["Time (s)", "Voltage (mV)", "Current (mA)", *HEAD[3:]], ROWS), "the columns change in the middle of the log", 162,
    ),
    "one line of 2 MB": (b"1,2," * 500_000, "the log has no rows of readings", None),
    "2 MB of commas": (b"," * 2_000_000, "the log has no rows of readings", None),
    "2 MB of quotes": (b'"' * 2_000_000, "the log has no rows of readings", None),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_bad_input_is_refused_with_one_message(name):
    raw, what, line = REFUSED[name]
    with pytest.raises(InputError) as error:
        read_log_bytes(raw, "log.csv")
    assert (error.value.what, error.value.where.line) == (what, line)
    assert error.value.why and error.value.mend
    assert str(error.value).isprintable() and len(str(error.value)) < 1000


# name -> bytes, code of the warning that tells (None: nothing to tell), rows that are left out
READ = {
    "quoted line ends": (_table([*HEAD, "Note"], [(*row, '"two\nlines"' if index % 10 == 0 else "") for index, row in enumerate(ROWS)]), None, 0),
    "200 columns": (_table([*HEAD, *(f"x{k}" for k in range(194))], [(*row, *range(194)) for row in ROWS]), None, 0),
    "200 columns without headings": (
        _table([*HEAD, *(f"x{k}" for k in range(194))], [(*row, *range(194)) for row in ROWS]).split(b"\n", 1)[1], "header_missing", 0,
    ),
    "headings with the wrong delimiter": (_table().replace(b",", b";", 5), "header_missing", 0),
    "the same current twice": (_table([*HEAD, "Current (A)"], [(*row, row[2]) for row in ROWS]), None, 0),
    "group name twice": (_table([*HEAD[:3], "Cell 1 (V)", "Cell 1 (V)", "Cell 2 (V)"]), "group_name_repeated", 0),
    "unknown unit": (_table(["Time (s)", "Voltage (furlong)", *HEAD[2:]]), "unit_inferred", 0),
    "one voltage of 1e308": (_table(rows=_with(1, "1e308", 50)), "value_impossible", 0),
    "one time of 1e308": (_table(rows=_with(0, "1e308", 50)), "value_impossible", 1),
    "one negative time": (_table(rows=_with(0, "-5", 50)), "rows_dropped", 1),
    "times before zero": (_table(rows=_with(0, lambda row: row[0] - 1e6)), None, 0),
    "script and formula in headings": (
        _table([*HEAD, "<script>alert(1)</script>", "=cmd|' /C calc'!A0", "@SUM(1+1)"], [(*row, 1, 2, 3) for row in ROWS]), None, 0,
    ),
    "names like paths and formats": (
        _table([*HEAD, "../../x", "C:\\x", "%s%n{0}", "x" * 100_000], [(*row, 1, 2, 3, 4) for row in ROWS]), None, 0,
    ),
    "a cell of 100 kB": (_table([*HEAD, "Note"], [(*row, "x" * 100_000 if index == 50 else "") for index, row in enumerate(ROWS)]), None, 0),
    "one cell that steers a terminal": (_table(rows=_with(2, "\x1b]0;x\x07", 40)), "rows_dropped", 1),
}  # fmt: skip


@pytest.mark.parametrize("name", READ)
def test_bad_input_is_read_right_and_told(name):
    raw, code, dropped = READ[name]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        log = read_log_bytes(raw, "log.csv")
    assert code is None or code in {item.code for item in log.reading.warnings}
    keep = np.isin(np.arange(len(ROWS)), np.asarray(log.line_number) - log.line_number[0]) if dropped else np.ones(len(ROWS), bool)
    assert (log.rows, log.sources[0].rows_dropped) == (len(ROWS) - dropped, dropped)
    np.testing.assert_allclose(log.time_s, TRUTH.time_s[keep], atol=1e-6)
    np.testing.assert_allclose(log.current_a, TRUTH.current_a[keep], atol=1e-9)
    np.testing.assert_allclose(log.group_voltage_v, TRUTH.group_v[keep], atol=1e-9)
    known = np.isfinite(log.voltage_v)
    assert known.sum() >= log.rows - 1
    np.testing.assert_allclose(log.voltage_v[known], TRUTH.voltage_v[keep][known], atol=1e-9)
    for item in log.reading.warnings:
        assert item.message.isprintable() and len(item.message) < 1000


@pytest.mark.parametrize(
    ("name", "rows", "code"),
    [
        ("zero current", _with(2, 0.0), "current_zero"),
        ("all voltages 1e308", _with(1, "1e308"), "value_impossible"),
        ("pack voltage zero", _with(1, 0.0), "unit_doubtful"),
        ("constant voltage", [(*row[:1], 12.0, row[2], 4.0, 4.0, 4.0) for row in ROWS], "sign_inferred"),
    ],
)  # fmt: skip
def test_log_that_says_little_is_read_with_a_warning(name, rows, code):
    log = read_log_bytes(_table(rows=rows), "log.csv")
    assert log.rows == len(ROWS)
    assert code in {item.code for item in log.reading.warnings}


def test_unknown_unit_is_named():
    log = read_log_bytes(READ["unknown unit"][0], "log.csv")
    assert any('a unit that is not known ("furlong")' in item.message for item in log.reading.warnings)


def test_two_logs_with_the_same_headings_are_joined_and_told():
    log = read_log_bytes(_table() + _table(), "log.csv")
    assert {"repeated_header", "step_clock_joined"} <= {item.code for item in log.reading.warnings}
    assert log.rows == 2 * len(ROWS) and len(log.reading.gaps) == 1


def test_voltage_in_thousands_that_look_like_decimals_is_doubted():
    rows = [(row[0], f"{1000 * row[1]:,.0f}".replace(",", "."), f"{1000 * row[2]:.0f}") for row in ROWS]
    log = read_log_bytes(_table(["Zeit (s)", "Spannung (mV)", "Strom (mA)"], rows, ";"), "log.csv")
    assert any(item.code == "unit_doubtful" and "between thousands" in item.message for item in log.reading.warnings)


def test_headings_hold_nothing_that_steers_a_terminal():
    log = read_log_bytes(_table(["Time (s)", "\x1b[31mVoltage\x1b[0m (V)", "\u202eCurrent (A)", *HEAD[3:5], "x" * 300]), "log.csv")
    assert [item.name for item in log.reading.columns][1:3] == ["[31mVoltage[0m (V)", "Current (A)"]
    assert all(item.name.isprintable() and len(item.name) <= 200 for item in log.reading.columns)


@pytest.mark.parametrize("name", ["../../x.csv", "C:\\logs\\x.csv", "two\nlines.csv", "%s%n{0}.csv", "x" * 5000, ""])
def test_name_of_the_log_is_only_a_name(name):
    assert read_log_bytes(_table(), name).sources[0].file == name
    with pytest.raises(InputError) as error:
        read_log_bytes(b"", name)
    assert str(error.value).count("\n") == 0


def _long(note: str, place: int) -> bytes:
    return _table([*PLAIN, "Note"], [(*row[:3], note if index == place else "") for index, row in enumerate(ROWS)])


HUGE = {
    "10 MB in one field": lambda: _long("x" * 10_000_000, 50),
    "10 MB in the first row": lambda: _long("x" * 10_000_000, 0),
    "10 MB in the last row": lambda: _long("x" * 10_000_000, 159),
    "10 MB of words in one field": lambda: _long("a b " * 2_500_000, 50),
    "10 MB before the headings": lambda: b"x" * 10_000_000 + b"\n" + _table(),
    "10 MB of digits": lambda: _table(rows=_with(1, "9" * 10_000_000, 50)),
    "a time of 9 MB": lambda: _table(["Clock", *PLAIN[1:]], [("10:" * 3_000_000 if row[0] == 500 else f"10:{int(row[0]) // 60:02d}:{int(row[0]) % 60:02d}", *row[1:3]) for row in ROWS]),
    "5000 digits in every time": lambda: _table(rows=_with(0, "9" * 5000 + ":00:00")),
    "brackets without end in a heading": lambda: _table([*PLAIN, "[(<{" * 50_000], [(*row[:3], 1) for row in ROWS]),
    "200 columns, 20 000 rows": lambda: _table([*HEAD, *(f"x{k}" for k in range(194))], [(10 * k, *ROWS[k % 160][1:], *range(194)) for k in range(20_000)]),
    "a million blank lines above": lambda: b"\n" * 1_000_000 + _table(),
    "a million blank lines within": lambda: _table(rows=ROWS[:80]) + b"\n" * 1_000_000 + _table(rows=ROWS[80:]).split(b"\n", 1)[1],
    "a million remarks above": lambda: b"# 1,2,3\n" * 1_000_000 + _table(),
    "300 000 lone quotes": lambda: _table() + b'"\n' * 300_000,
    "100 000 layouts of blanks": lambda: _table(["Clock", *PLAIN[1:]], [(f"{k // 3600}:{k // 60 % 60:02d}:{k % 60:02d}{' ' * (k % 300)}", *ROWS[k % 160][1:3]) for k in range(100_000)]),
    "20 000 restarts of the clock": lambda: _table(rows=[(10 * (k % 7), *ROWS[k % 160][1:]) for k in range(140_000)]),
}  # fmt: skip


@pytest.mark.parametrize("name", HUGE)
def test_huge_input_is_read_or_refused_within_seconds(name):
    raw = HUGE[name]()
    start = time.process_time()
    try:
        log = read_log_bytes(raw, "log.csv")
    except InputError as error:
        assert len(str(error)) < 1000
    else:
        assert log.rows >= 159
        np.testing.assert_allclose(log.current_a[:40], TRUTH.current_a[:40])
    assert time.process_time() - start < SECONDS


@pytest.mark.parametrize("name", ["empty", "header only", "one column", "delimiter changes", "zip", "JPEG", "two pack voltages", "clock stands still"])
def test_command_refuses_bad_input_in_one_line(name, capfd, tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(REFUSED[name][0])
    code, out, err = call(capfd, "inspect", path)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1 and "Traceback" not in err
    assert REFUSED[name][1] in err and err.strip().isprintable()


def test_command_prints_no_escape_of_the_file(capfd, tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(_table(["Time (s)", "\x1b[31mVoltage (V)", "Wind \x1b]0;x\x07 speed"], [row[:3] for row in ROWS]))
    code, out, err = call(capfd, "inspect", path)
    assert (code, out) == (2, "") and err.strip().isprintable()


@pytest.mark.parametrize("cell", ["108:15:40", "\N{VULGAR FRACTION ONE QUARTER}08:15:40", "08:15:4\N{SUPERSCRIPT TWO}"])
def test_time_of_day_that_noise_made_impossible_drops_its_row(cell):
    rows = [("09.03.2026", cell if index == 1 else f"08:{15 + int(row[0]) // 60:02d}:{int(row[0]) % 60:02d}", *row[1:3]) for index, row in enumerate(ROWS)]
    log = read_log_bytes(_table(["Date", "Clock", *PLAIN[1:]], rows), "log.csv")
    assert log.rows == len(ROWS) - 1
    assert any(item.code == "rows_dropped" and f'line 3, "Clock": "{cell}"' in item.message for item in log.reading.warnings)
    np.testing.assert_allclose(log.time_s[1:3], [20.0, 30.0])
