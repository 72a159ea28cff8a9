"""Wording of what the reader tells: whole sentences, units as people write them, cells quoted."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cycler.errors import InputError
from cycler.readers import read_log, read_log_bytes
from tests.readers.writing import Dialect, invented_test, write_log

ROOT = Path(__file__).parent.parent.parent
FILES = sorted((ROOT / "tests" / "data" / "logs").glob("*.*")) + sorted((ROOT / "sample_logs").glob("*.csv"))


def _warnings(path):
    try:
        return read_log(path).reading.warnings
    except InputError:
        return ()


@pytest.mark.parametrize("path", [path for path in FILES if path.suffix != ".md"], ids=lambda path: path.name)
def test_every_warning_is_a_sentence_with_printed_units(path):
    for item in _warnings(path):
        assert re.fullmatch(r"[A-Z].*\.", item.message) and not item.message.endswith(".."), item.message
        assert not re.search(r"\bdeg[CF]\b|\d%|\bohm\b|\(s\)", item.message), item.message


def _damaged(cells: dict[int, tuple[int, str]], dialect: Dialect | None = None) -> bytes:
    """Text of the invented test with cells replaced: line -> (field, text)."""
    dialect = dialect or Dialect(language="de", delimiter=";", decimal=",", unit_style="[{}]")
    lines = write_log(invented_test(5), dialect).decode().split("\n")
    for line, (place, text) in cells.items():
        fields = lines[line - 1].split(dialect.delimiter)
        fields[place] = text
        lines[line - 1] = dialect.delimiter.join(fields)
    return "\n".join(lines).encode()


def test_row_that_cannot_be_read_is_quoted_with_heading_and_cell():
    log = read_log_bytes(_damaged({89: (2, "0,0O")}), "log.csv")
    (item,) = [item for item in log.reading.warnings if item.code == "rows_dropped"]
    assert item.message == 'Left out 1 row that could not be read: line 89, "Strom [A]": "0,0O".'
    assert item.where == "log.csv:89"


def test_rows_that_cannot_be_read_quote_the_first_two_and_name_the_others():
    raw = write_log(invented_test(5), Dialect()).decode().split("\n")
    raw = [raw[0], *raw[1:-1] * 4, ""]
    # Four times the rows with their own times, so that three bad ones are under one in a hundred.
    rows = [f"{10 * k:.2f},{line.split(',', 1)[1]}" for k, line in enumerate(raw[1:-1])]
    rows[50] = rows[50].replace(rows[50].split(",")[1], "1O.2")
    rows[60] = "half,row"
    rows[70] = rows[70].replace(rows[70].split(",")[0], "never", 1)
    log = read_log_bytes("\n".join([raw[0], *rows, ""]).encode(), "log.csv")
    (item,) = [item for item in log.reading.warnings if item.code == "rows_dropped"]
    assert item.message == (
        'Left out 3 rows that could not be read: line 52, "Voltage (V)": "1O.2"; line 62, 2 of 8 fields, first "half"; also line 72.'
    )


def test_too_many_bad_rows_are_refused_with_the_first_two_quoted():
    with pytest.raises(InputError) as error:
        read_log_bytes(_damaged({line: (2, f"0,{line}O") for line in range(60, 70)}), "log.csv")
    assert 'line 60, "Strom [A]": "0,60O"; line 61, "Strom [A]": "0,61O"; also lines 62' in error.value.why
    assert "more than 1 % of the rows" in error.value.why


def test_unreadable_cell_of_a_lesser_column_is_quoted():
    log = read_log_bytes(_damaged({70: (7, "2l,4")}), "log.csv")
    (item,) = [item for item in log.reading.warnings if item.code == "cell_unreadable"]
    assert item.message == 'In "Temperatur [°C]" 1 cell holds no number: line 70, "Temperatur [°C]": "2l,4".'
    assert log.sources[0].rows_dropped == 0


def test_unit_settled_by_a_swing_is_told_in_percent_and_minutes():
    rows = ["Time,Voltage (V),Current (A)"]
    for k in range(700):
        on = 20 <= k < 680
        rows.append(f"{10 * k},{42 - 12 * max(0, min(k - 20, 660)) / 660 - 0.5 * on:.3f},{-2.0 if on else 0.0}")
    log = read_log_bytes(("\n".join(rows) + "\n").encode(), "log.csv")
    (item,) = [item for item in log.reading.warnings if item.code == "unit_inferred"]
    assert re.search(r"swings by \d+ % within \d+ s \(\d+ min\)", item.message), item.message


def test_unit_of_temperature_is_told_as_degrees_celsius():
    raw = write_log(invented_test(5), Dialect()).decode().replace("Temperature (°C)", "Temperature").encode()
    log = read_log_bytes(raw, "log.csv")
    assert "°C was taken" in next(item.message for item in log.reading.warnings if item.code == "unit_inferred")


def test_log_beyond_the_limit_of_memory_is_refused_before_it_is_read_whole(monkeypatch, tmp_path):
    from cycler.readers import encoding

    monkeypatch.setattr(encoding, "MAX_UNPACKED_BYTES", 10_000)
    monkeypatch.setattr(encoding, "_PIECE", 1_000)
    heard = []
    log = tmp_path / "long.csv"
    log.write_bytes(b"0;1;2\n" * 5000)
    with pytest.raises(InputError, match="too large"):
        encoding.read_bytes(log, lambda done, _size: heard.append(done))
    assert heard == []  # its size is known beforehand
    with log.open("rb") as stream, pytest.raises(InputError, match="too large"):
        encoding.read_stream(stream, "standard input", None, lambda done, _size: heard.append(done))
    assert heard[-1] == 10_000
