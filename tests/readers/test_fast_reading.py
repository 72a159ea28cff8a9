"""Long logs are read in pieces and threads: the same numbers to the last bit, the same traps caught, and no memory held twice.

What is compared with: ``float(text)`` of Python, which rounds to nearest (IEEE 754, 5.12.2, from memory), and numpy's own order statistics.
"""

from __future__ import annotations

import struct
import subprocess
import sys
import tracemalloc

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import encoding, overall, parse, read_log, read_log_bytes
from cycler.readers.parse import Writing, parse_rows

HEAD = "Time (s),Voltage (V),Current (A),Temperature (°C)\n"


def rows_of(count: int, seed: int = 1) -> list[str]:
    """Rows of an invented discharge with rests; numbers with all the digits of a float64 among them."""
    noise = np.random.default_rng(seed)
    current = np.where(np.arange(count) % 400 < 200, -2.0, 0.0) + noise.normal(0, 1e-3, count)
    voltage = 40.0 - 3.0 * np.arange(count) / count + 0.05 * current + noise.normal(0, 1e-4, count)
    return [f"{i * 0.5!r},{v!r},{a:.4f},{25 + 1e-3 * i:.2f}" for i, (v, a) in enumerate(zip(voltage.tolist(), current.tolist(), strict=True))]


def columns_of(log) -> list[bytes]:
    return [np.ascontiguousarray(column).tobytes() for column in (log.time_s, log.voltage_v, log.current_a, log.temperature_c)]


@pytest.fixture
def small_pieces(monkeypatch):
    """As a file of millions of rows is read."""
    monkeypatch.setattr(parse, "PIECE_BYTES", 700)
    monkeypatch.setattr(encoding, "_STRETCH", 501)


def writings(seed: int) -> list[str]:
    """Numbers as logs write them, and such that lie next to the middle of two floats."""
    random = np.random.default_rng(seed)
    out = []
    for _ in range(150):
        bits = struct.unpack("<d", random.bytes(8))[0]
        value = float(random.normal() * 10.0 ** random.integers(-12, 13))
        out += [repr(value), f"{value:.3f}", f"{value:.17e}", f"{value:+.6f}", str(int(random.integers(-10**12, 10**12)))]
        if np.isfinite(bits) and abs(bits) < 1e300:
            middle = np.nextafter(bits, np.inf)
            out += [repr(bits), f"{bits:.25e}", f"{(bits + middle) / 2:.40e}"]
    return [*out, "0", "-0.0", ".5", "5.", "9007199254740993", "1e-400", "2.4703282292062328e-324", "9.5367431640625e-07"]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("mark", [".", ","])
def test_parse_rows_gives_what_float_of_the_text_gives(small_pieces, seed, mark):
    texts = writings(seed)
    rows = [texts[at: at + 3] for at in range(0, len(texts) - 2, 3)]
    body = "".join(";".join(cell.replace(".", mark) for cell in row) + "\n" for row in rows).encode()
    columns, count = parse_rows(body, 0, len(body), Writing(3, ";", mark))
    assert count == len(rows) and len(parse.piece_ends(body, 0, len(body))) > 10
    for place, column in enumerate(columns):
        expected = np.array([float(row[place]) for row in rows])
        assert np.array_equal(column.view(np.int64), expected.view(np.int64))


@pytest.mark.parametrize("cell", ["inf", "-Infinity", "1e999", "-1e400"])
@pytest.mark.parametrize("place", [0, 30, 59])
def test_number_without_end_is_no_reading(small_pieces, cell, place):
    rows = rows_of(60)
    fields = rows[place].split(",")
    body = "\n".join([*rows[:place], ",".join([*fields[:3], cell]), *rows[place + 1 :]]).encode()
    plain = "\n".join(rows).encode()
    (*others, last), _ = parse_rows(body, 0, len(body), Writing(4, ",", "."))
    (*same, expected), _ = parse_rows(plain, 0, len(plain), Writing(4, ",", "."))
    expected[place] = np.nan
    assert np.array_equal(last, expected, equal_nan=True) and all(np.array_equal(a, b) for a, b in zip(others, same, strict=True))


@pytest.mark.parametrize("odd", ["1,2,3", "1,2,3,4,5", "1,2,3,4,", "", ",,,x,,", "# a remark", "   "])
def test_parse_rows_takes_no_row_of_another_width_wherever_a_piece_begins(small_pieces, odd):
    rows = rows_of(60)
    whole = ("\n".join(rows) + "\n").encode()
    assert parse_rows(whole, 0, len(whole), Writing(4, ",", "."))[1] == 60
    for place in range(1, 60):
        body = ("\n".join([*rows[:place], odd, *rows[place:]]) + "\n").encode()
        assert parse_rows(body, 0, len(body), Writing(4, ",", ".")) is None, place


def mended(rows: list[str]) -> list[str]:
    return [*rows[:100], "# a remark", *rows[100:]]


@pytest.mark.parametrize(
    "way",
    [
        lambda rows: "\n".join(mended(rows)), lambda rows: "\r\n".join(rows), lambda rows: "\n".join(rows).replace(",", ", "),
        lambda rows: "\n".join('"' + row.replace(",", '","') + '"' for row in rows),
        lambda rows: "\n".join(row.replace(",", "  ") for row in rows), lambda rows: "\n".join(row.replace(",", ";").replace(".", ",") for row in rows),
        lambda rows: "\n".join([*rows[:500], HEAD.strip(), *rows[500:]]), lambda rows: "\n".join(row + "," * (at % 5 == 0) for at, row in enumerate(rows)),
    ],
    ids=["remark", "crlf", "blank behind the comma", "quotes", "blanks", "decimal comma", "headings again", "trailing comma"],
)
def test_long_log_in_another_writing_gives_the_same_bits(small_pieces, way):
    rows = rows_of(1000)
    plain = read_log_bytes((HEAD + "\n".join(rows) + "\n").encode(), "log")
    head = way([HEAD.strip()]) if "remark" not in way([HEAD.strip(), *rows])[:9000] else HEAD.strip()
    head = head.replace("  (", " (").replace(" (", "(") if "  " in way(rows)[:40] else head
    other = read_log_bytes((head + "\n" + way(rows) + "\n").encode(), "log")
    assert columns_of(other) == columns_of(plain) and other.rows == 1000


def test_long_log_with_one_bad_cell_far_down_loses_that_row_only(small_pieces):
    rows = rows_of(1000)
    plain = read_log_bytes((HEAD + "\n".join(rows) + "\n").encode(), "log")
    for column, cell in ((1, "38.x"), (0, "?!"), (2, "-2.0.0")):
        fields = rows[700].split(",")
        fields[column] = cell
        log = read_log_bytes((HEAD + "\n".join([*rows[:700], ",".join(fields), *rows[701:]]) + "\n").encode(), "log")
        told = [item for item in log.reading.warnings if item.code == "rows_dropped"]
        assert log.rows == 999 and len(told) == 1 and "702" in told[0].where and cell in told[0].message
        assert np.array_equal(log.voltage_v, np.delete(plain.voltage_v, 700))


def test_long_log_with_mixed_marks_far_down_is_refused_with_the_line(small_pieces):
    rows = [row.replace(",", ";") for row in rows_of(1000)]
    rows[700] = rows[700].replace(".", ",")
    with pytest.raises(InputError, match=r"decimal marks .* are mixed") as caught:
        read_log_bytes((HEAD.replace(",", ";") + "\n".join(rows) + "\n").encode(), "log")
    assert "702" in str(caught.value)


@pytest.mark.parametrize("end", ["", "\n"])
def test_long_log_cut_in_its_last_number_loses_that_row(small_pieces, end):
    rows = rows_of(1000)
    log = read_log_bytes((HEAD + "\n".join(rows)[:-2] + end).encode(), "log")
    assert log.rows == (1000 if end else 999)


def test_decode_in_stretches_gives_what_decode_at_once_gives(monkeypatch):
    random = np.random.default_rng(4)
    parts = [b"1.5,2\n", b"\r", b"\r\n", b"\n", b"\xef\xbb\xbf", b"\xe2\x80\xa8", b"\xc2\x85", "°µ".encode(), b"\t", b"\x0b", b"\x01", b"\xff", b"\xe2\x80", b"\x85"]

    def result(raw: bytes, stretch: int):
        monkeypatch.setattr(encoding, "_STRETCH", stretch)
        try:
            decoded = encoding.decode(raw, "log")
        except InputError as error:
            return str(error)
        return decoded.body, decoded.encoding

    for _ in range(1500):
        raw = b"".join(parts[place] for place in random.integers(0, len(parts), random.integers(1, 14)))
        assert result(raw, 7) == result(raw, 1 << 20), raw


def test_figures_of_long_columns_are_those_of_a_sort():
    random = np.random.default_rng(5)
    n = 30_001
    columns = [
        random.normal(size=n), random.normal(size=n).round(1), np.repeat(random.normal(size=7), n // 7), np.sort(random.normal(size=n)),
        np.where(random.random(n) < 0.4, 5.0, random.random(n)), np.zeros(n), np.where(random.random(n) < 0.2, np.nan, random.normal(size=n)),
    ]
    for column in columns:
        for share in (0, 1, 25, 50, 75, 90, 95, 99, 99.9, 100):
            assert overall.percentile(column, share) == np.nanpercentile(column, share)
        assert overall.median(column) == np.nanmedian(column)


def test_reading_holds_no_column_of_a_long_log_twice(tmp_path):
    """At its peak: the file, its columns, and little beside."""
    rows = 60_000
    groups = ",".join(f"Cell {number} (V)" for number in range(1, 11))
    cells = ",".join(["3.661"] * 9)
    path = tmp_path / "long.csv"
    path.write_text(
        f"Time (s),Voltage (V),Current (A),{groups}\n" + "".join(f"{i * 0.5},{36.6 - i * 1e-5:.4f},{-2 if i % 400 < 200 else 0},{3.66 - i * 1e-6:.4f},{cells}\n" for i in range(rows))
    )
    read_log(path)
    tracemalloc.start()
    try:
        log = read_log(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert log.series == 10 and log.rows == rows
    array = rows * 13 * 8
    assert peak < path.stat().st_size + 1.6 * array, f"{peak / array:.2f} times the numbers, the file {path.stat().st_size / array:.2f} times"


def test_plain_log_is_read_without_pandas(tmp_path):
    """Its start takes longer than the reading of a usual log."""
    path = tmp_path / "log.csv"
    path.write_text(HEAD + "\n".join(rows_of(50)) + "\n", encoding="utf-8")
    code = f"import sys; from cycler.readers import read_log; read_log({str(path)!r}); sys.exit('pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


@pytest.mark.parametrize("cell", ["1 V", "1-2", "+", "1.2.3"])
def test_many_columns_of_texts_are_found_at_once(monkeypatch, cell):
    """Each failing parse names one column: a table of two thousand took half a minute."""
    reads = []
    read = parse._Reader._read
    monkeypatch.setattr(parse._Reader, "_read", lambda self, *args: reads.append(args) or read(self, *args))
    rows = "".join(f"{i},36.1,{'inf' if i else '1e3'},{','.join([cell] * 60)},\n" for i in range(20)).encode()
    columns, count = parse_rows(rows, 0, len(rows), Writing(64, ",", "."))
    assert count == 20 and len(reads) < 8
    assert [place for place, column in enumerate(columns) if isinstance(column, np.ndarray)] == [0, 1, 2, 63]
    assert columns[30].to_pylist() == [cell] * 20
