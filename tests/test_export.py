"""``cycler export``: what is written, that other readers of CSV and Parquet see the same, and that it reads back the same."""

from __future__ import annotations

import csv
import errno
import gzip
import io
import json
import math
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv
import pyarrow.parquet
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cycler import export
from cycler.analysis import analyze
from cycler.errors import InputError
from cycler.export import check_target, export_file, export_frame, export_table, write_csv
from cycler.log import Log, Reading, Source
from cycler.pack import Pack
from cycler.readers import load_columns, parse_columns, read_log, read_log_bytes, read_logs, read_logs_bytes
from cycler.readers.assemble import COUNTERS
from cycler.readers.exported import sensor_label, sensor_name
from cycler.spreadsheet import FORMULA_MARKS, spreadsheet_plain, spreadsheet_safe
from tests import small_log
from tests.calls import PROJECT, call, process

SAMPLES = PROJECT / "sample_logs"
LOGS = PROJECT / "tests" / "data" / "logs"
PARTS = (
    (SAMPLES / "cargo-part1-charge.csv", SAMPLES / "cargo-part2-discharge.csv"),
    (LOGS / "part-a-charge.csv", LOGS / "part-b-discharge.csv"),
    (LOGS / "step-1.csv", LOGS / "step-2.csv", LOGS / "step-3.csv"),
)
READABLE = sorted(SAMPLES.glob("*.csv")) + sorted(
    path for path in LOGS.iterdir() if path.suffix != ".md" and not path.name.startswith("refused")
)
NO_READING = Reading("UTF-8", ",", ".", 1, (), "elapsed")
ARRAYS = ("time_s", "voltage_v", "current_a", "group_voltage_v", "temperature_c", "step_number", "cycle_number", "step_time_s")


def written(log: Log) -> bytes:
    """The log as the bytes of a CSV file."""
    stream = io.BytesIO()
    write_csv(export_table(log), stream)
    return stream.getvalue()


def same_bits(one: np.ndarray | None, other: np.ndarray | None) -> bool:
    """True if every number is the same to the last bit, and there is none in the same places."""
    if one is None or other is None:
        return one is other
    if one.shape != other.shape or not np.array_equal(np.isnan(one), np.isnan(other)):
        return False
    return np.nan_to_num(one).tobytes() == np.nan_to_num(other).tobytes()


def assert_same(back: Log, log: Log) -> None:
    """Everything measured is equal, and no warning came up that the log had not."""
    assert [name for name in ARRAYS if not same_bits(getattr(back, name), getattr(log, name))] == []
    assert back.counters.keys() == log.counters.keys()
    assert [name for name, values in log.counters.items() if not same_bits(back.counters[name], values)] == []
    assert (back.temperature_names, back.mode_words, back.started_at) == (log.temperature_names, log.mode_words, log.started_at)
    assert (back.mode_code is None) == (log.mode_code is None)
    assert log.mode_code is None or np.array_equal(back.mode_code, log.mode_code)


def made_log(**changes) -> Log:
    """Four rows of a pack of two groups, with whatever a log can hold."""
    values = {
        "time_s": [0.0, 1.0, 1.0, 2.5], "voltage_v": [7.4, 7.5, math.nan, 7.3], "current_a": [0.0, 1.25, -2.5, -0.1 - 0.2],
        "group_voltage_v": [[3.7, 3.7], [3.75, 3.75], [3.6, math.nan], [3.65, 3.65]],
        "temperature_c": [[20.0], [20.5], [math.nan], [21.0]], "temperature_names": ("NTC 1",), "mode_code": [0, 1, -1, 2],
        "mode_words": ("Rest", "=1+1", "CC, 0.5 It"), "step_number": [1, 2, 3, 3], "cycle_number": [1, 1, 1, 1],
        "step_time_s": [0, 0, 0, 1.5], "counters": {"charge_capacity": np.array([0, 0, 1e-7, 2e-7])},
        "started_at": datetime(2026, 3, 9, 8, 15, 30), "sources": (Source("bench/a.csv", "a" * 64, 1, 4, 0),),
        "reading": NO_READING,
    } | changes
    arrays = {name: np.array(value) if isinstance(value, list) else value for name, value in values.items()}
    return Log(**arrays)


# --- texts that a spreadsheet would run --------------------------------------------------------------------------


# Source of the marks: the usual advice on CSV injection (= + - @ TAB CR), from memory.
@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"), ('=HYPERLINK("http://x")', "'=HYPERLINK(\"http://x\")"), ("+cmd", "'+cmd"), ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"), ("\tx", "'\tx"), ("\rx", "'\rx"), ("'=x", "''=x"), ("--", "'--"),
        ("-2.5", "-2.5"), ("+1e-3", "+1e-3"), ("Charge", "Charge"), ("'quoted'", "'quoted'"), ("a=b", "a=b"), ("", ""),
    ],
)  # fmt: skip
def test_spreadsheet_safe_puts_an_apostrophe_before_what_would_run(text, safe):
    assert spreadsheet_safe(text) == safe
    assert spreadsheet_plain(safe) == text


@given(st.text() | st.text("='+-@\t\r1.e", max_size=6))
def test_spreadsheet_safe_never_begins_a_formula_and_gives_the_text_back(text):
    safe = spreadsheet_safe(text)
    assert not safe.startswith(FORMULA_MARKS) or re.fullmatch(r"[+-][\d.]+(e[+-]?\d+)?", safe, re.IGNORECASE)
    assert spreadsheet_plain(safe) == text


def test_export_cells_and_headings_hold_nothing_that_runs():
    log = made_log(mode_words=("=cmd|' /C calc'!A0", "@x", "+y"), temperature_names=("=z",))
    rows = list(csv.reader(io.StringIO(written(log).decode())))
    texts = [cell for row in rows for cell in row if cell and not re.fullmatch(r"-?[\d.e+-]+", cell)]
    assert {"'=cmd|' /C calc'!A0", "'@x", "'+y", "Temperature [=z] / degC"} <= set(texts)
    assert [text for text in texts if text.startswith(FORMULA_MARKS)] == []


# --- what is written ---------------------------------------------------------------------------------------------


def test_export_labels_are_quantity_and_unit_in_the_order_of_the_table():
    assert export_table(made_log()).column_names == [
        "Row / 1", "Test Time / s", "Wall Clock", "Voltage / V", "Current / A", "Group 1 Voltage / V", "Group 2 Voltage / V",
        "Temperature [NTC 1] / degC", "Mode", "Step Index / 1", "Step Time / s", "Cycle Count / 1", "Charging Capacity / Ah",
    ]  # fmt: skip


def test_export_rows_are_the_readings_with_empty_cells_for_none():
    lines = written(made_log()).decode().split("\n")
    assert lines[2] == '2,1,"2026-03-09T08:15:31.000000",7.5,1.25,3.75,3.75,20.5,"\'=1+1",2,0,1,0'
    assert lines[3] == '3,1,"2026-03-09T08:15:31.000000",,-2.5,3.6,,,,3,0,1,1e-7'
    assert lines[4].split(",")[4] == repr(-0.1 - 0.2)  # the fewest digits that give the number back, as Python's repr


def test_export_of_group_voltages_alone_leaves_the_pack_voltage_out():
    log = made_log(voltage_v=[math.nan] * 4)
    assert "Voltage / V" not in export_table(log).column_names
    assert_same(read_log_bytes(written(log), "x.csv"), log)


def test_export_of_a_clock_in_utc_gives_unix_time():
    log = made_log(started_at=datetime(2026, 3, 9, 8, 15, 30, 250_000, UTC))
    table = export_table(log)
    # Origin: date -u -d 2026-03-09T08:15:30 +%s
    assert table.column("Unix Time / s").to_pylist() == [1773044130.25, 1773044131.25, 1773044131.25, 1773044132.75]
    assert "Wall Clock" not in table.column_names


def test_export_of_joined_files_tells_the_part_of_each_row():
    log = read_logs(PARTS[0])
    part = export_table(log).column("Part / 1").to_numpy()
    assert part.tolist() == (log.part + 1).tolist() and set(part) == {1, 2}


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("NTC 1", "Temperature [NTC 1] / degC"), ("Temperatur (°C)", "Temperature [Temperatur (°C)] / degC"),
        ("Ambient Temperature / degC", "Ambient Temperature / degC"),
        ("Temperature [x] / degC", "Temperature [Temperature [x] / degC] / degC"), ("=x / degC", "Temperature [=x / degC] / degC"),
    ],
)  # fmt: skip
def test_sensor_label_keeps_the_name_of_the_sensor(name, label):
    assert (sensor_label(name), sensor_name(label)) == (label, name)


# --- reads back the same -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", READABLE, ids=lambda path: path.name)
def test_read_log_of_an_export_is_the_log_that_was_exported(path):
    log = read_log(path)
    back = read_log_bytes(written(log), "x.csv")
    assert_same(back, log)
    assert back.reading.gaps == log.reading.gaps
    assert {item.code for item in back.reading.warnings} <= {item.code for item in log.reading.warnings} & {"log_gap"}
    assert back.reading.discharge_is == "negative"


@pytest.mark.parametrize("paths", PARTS, ids=lambda paths: paths[0].name)
def test_read_log_of_the_export_of_joined_parts_is_the_joined_log(paths):
    log = read_logs(paths)
    back = read_log_bytes(written(log), "x.csv")
    assert_same(back, log)
    assert back.reading.gaps == log.reading.gaps and len(log.reading.gaps) >= len(paths) - 1
    assert {item.code for item in back.reading.warnings} <= {item.code for item in log.reading.warnings} & {"log_gap"}


def test_capacity_across_a_joint_of_unknown_length_is_as_doubtful_after_an_export():
    parts = [
        "Time (s),Voltage (V),Current (A)\n" + "".join(f"{t},{u - 0.001 * t:.3f},-2.000\n" for t in range(0, 600, 10))
        for u in (11.8, 11.1)
    ]
    log = read_logs_bytes([(f"{place}.csv", text.encode()) for place, text in enumerate(parts)])
    back = read_log_bytes(written(log), "x.csv")
    assert [gap.why for gap in back.reading.gaps] == ["joint between two files; how long the pause lasted is not known"]
    first, second = (analyze(item, Pack(cutoff_voltage_v=9.0)).to_dict()["capacity"] for item in (log, back))
    assert (second["value_ah"], second["valid"], second["reasons"]) == (first["value_ah"], first["valid"], first["reasons"])


WORDS = st.sampled_from(
    ["12", "3,7", "-5", "=1+1", "@x", "+", "'=x", "''", "nan", "NaN", "n/a", "--", "true", "2026-03-09", "12:30", 'a"b', "a,b",
     "Charge", "Discharge", "Rest", "Voltage / V", "#1"]
) | st.text(st.characters(exclude_categories=("C", "Zl", "Zp"), exclude_characters="\ufeff"), min_size=1, max_size=8).map(str.strip).filter(bool)  # fmt: skip


@st.composite
def logs(draw) -> Log:
    """Any log that reading can give, whatever its numbers mean."""
    rows = draw(st.integers(2, 12))
    steps = st.sampled_from([0.0, 0.0, 1e-3, 0.1, 1.0, 10.0, 3600.5]) | st.floats(0, 1e5)
    time_s = np.cumsum([0.0, *draw(st.lists(steps, min_size=rows - 1, max_size=rows - 1))])
    number = st.floats(-1e6, 1e6) | st.sampled_from([math.nan, math.nan, -0.0, 0.1 + 0.2, 5e-324, 1e6])

    def column(some: bool = False) -> np.ndarray:
        values = draw(st.lists(number, min_size=rows, max_size=rows))
        if some and not np.isfinite(values).any():
            values[draw(st.integers(0, rows - 1))] = draw(st.floats(-50, 50))
        return np.array(values)

    def columns(count: int) -> np.ndarray:
        return np.column_stack([column() for _ in range(count)]) if count else np.zeros((rows, 0))

    groups = draw(st.integers(0, 16))
    names = draw(st.lists(WORDS | st.sampled_from(["T / degC", "Temperature [a] / degC"]), unique=True, max_size=3))
    code, words = None, ()
    if draw(st.booleans()):
        drawn = draw(st.lists(st.none() | WORDS, min_size=rows, max_size=rows))
        words = tuple(dict.fromkeys(word for word in drawn if word is not None))
        code = np.array([-1 if word is None else words.index(word) for word in drawn])
    moment = st.datetimes(datetime(1950, 1, 1), datetime(2150, 1, 1))
    roles = draw(st.sets(st.sampled_from(COUNTERS)))
    bare = bool(groups) and draw(st.booleans())
    return Log(
        time_s=time_s, voltage_v=np.full(rows, np.nan) if bare else column(True), current_a=column(True),
        group_voltage_v=columns(groups), temperature_c=columns(len(names)), temperature_names=tuple(names), mode_code=code,
        mode_words=words, step_number=column() if draw(st.booleans()) else None,
        cycle_number=column() if draw(st.booleans()) else None, step_time_s=column() if draw(st.booleans()) else None,
        counters={role: column() for role in sorted(roles)},
        started_at=draw(st.none() | moment | moment.map(lambda when: when.replace(tzinfo=UTC))),
        sources=(Source("a.csv", "0" * 64, 1, rows, 0),), reading=NO_READING,
    )


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(log=logs())
def test_random_log_reads_back_to_the_last_bit(log):
    back = read_log_bytes(written(log), "x.csv")
    assert_same(back, log)
    assert {item.code for item in back.reading.warnings} <= {"log_gap"}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(log=logs())
def test_random_log_is_read_to_the_last_bit_by_the_csv_module(log):
    """Source: the csv module of the standard library, with its float()."""
    names, *rows = csv.reader(io.StringIO(written(log).decode("utf-8"), newline=""))
    assert len(rows) == log.rows and {len(row) for row in rows} == {len(names)}
    for label, values in (("Test Time / s", log.time_s), ("Current / A", log.current_a)):
        place = names.index(label)
        assert same_bits(np.array([float(row[place] or "nan") for row in rows]), values)
    if log.mode_code is not None:
        words = [spreadsheet_plain(row[names.index("Mode")]) for row in rows]
        assert words == [log.mode_words[code] if code >= 0 else "" for code in log.mode_code]


def test_export_read_and_exported_again_is_byte_for_byte_the_same():
    first = written(read_log(SAMPLES / "cargo-13s5p-bad-weld.csv"))
    assert written(read_log_bytes(first, "x.csv")) == first


@pytest.mark.parametrize("change", [lambda raw: raw.replace(b"\n", b"\r\n"), lambda raw: b"\xef\xbb\xbf" + raw, gzip.compress])
def test_export_saved_with_other_line_ends_or_packed_reads_back_the_same(change):
    log = made_log()
    assert_same(read_log_bytes(change(written(log)), "x.csv"), log)


def test_export_saved_with_decimal_commas_is_read_by_its_headings():
    log = read_log(SAMPLES / "ebike-10s4p-sister.csv")
    raw = written(log).replace(b",", b";").replace(b".", b",")
    back = read_log_bytes(raw, "x.csv")
    np.testing.assert_allclose(back.group_voltage_v, log.group_voltage_v, rtol=1e-12)
    np.testing.assert_allclose(back.current_a, log.current_a, rtol=1e-12)


def test_words_of_an_export_saved_with_semicolons_come_back_without_the_apostrophe(made):
    plain = read_log(made.log)
    code = np.select([plain.current_a > 0, plain.current_a < 0], [1, 2], 0)
    log = replace(plain, mode_code=code, mode_words=("rest", "+charge", "-discharge"))
    raw = written(log)
    assert b"'+charge" in raw
    assert set(read_log_bytes(raw.replace(b",", b";"), "x.csv").mode_words) == set(log.mode_words)


def test_export_cut_off_is_read_like_any_other_log_and_says_what_is_missing():
    log = read_log(SAMPLES / "ebike-10s4p-sister.csv")
    raw = written(log)
    back = read_log_bytes(raw[: len(raw) - 25], "x.csv")
    assert back.rows == log.rows - 1
    assert "truncated_row" in {item.code for item in back.reading.warnings}


def test_frame_for_scripts_holds_the_readings_of_the_log_and_names_its_source():
    log = read_log(SAMPLES / "ebike-10s4p-sister.csv")
    frame = export_frame(log)
    np.testing.assert_array_equal(frame["Test Time / s"], log.time_s)
    np.testing.assert_array_equal(frame["Current / A"], log.current_a)
    assert len(frame) == log.rows and log.sources[0].sha256 in frame.attrs["sources"]
    # The trapezoid of scipy over the frame: a second way to the charge of the discharge.
    from scipy.integrate import trapezoid

    taken = np.minimum(frame["Current / A"], 0.0)
    told = [step["capacity_ah"] for step in analyze(log).to_dict()["steps"] if "discharge" in step["kind"]]
    assert -trapezoid(taken, frame["Test Time / s"]) / 3600 == pytest.approx(sum(told), rel=0.01)


def test_file_with_labels_of_the_standard_that_is_no_export_has_its_sign_proven():
    """Only an export (it numbers its rows) is believed that charge is positive: another file may write it as it likes."""
    log = read_log(SAMPLES / "ebike-10s4p-sister.csv")
    turned = export_table(log).select(["Test Time / s", "Voltage / V", "Current / A"]).to_pandas()
    turned["Current / A"] = -turned["Current / A"]
    back = read_log_bytes(turned.to_csv(index=False).encode(), "x.csv")
    assert back.reading.discharge_is == "positive"
    np.testing.assert_allclose(back.current_a, log.current_a, rtol=1e-12)


def test_export_joined_with_another_file_does_not_state_the_sign_of_that_file(tmp_path):
    whole = [line.split(",") for line in small_log.log_text().splitlines()]
    (tmp_path / "raw.csv").write_text("\n".join(map(",".join, whole)))
    log = read_log(tmp_path / "raw.csv")
    half = log.rows // 2
    first = "\n".join(map(",".join, whole[: half + 1])) + "\n"
    (tmp_path / "a.csv").write_bytes(written(read_log_bytes(first.encode(), "a.csv")))
    (tmp_path / "b.csv").write_text("\n".join(map(",".join, [whole[0], *whole[half + 1:]])) + "\n")
    joined = read_logs([tmp_path / "a.csv", tmp_path / "b.csv"])
    np.testing.assert_array_equal(joined.current_a, log.current_a)
    assert "sign_inferred" in {item.code for item in joined.reading.warnings}


def test_columns_file_goes_before_the_labels_of_an_export():
    columns = parse_columns('[[column]]\nname = "Current / A"\nrole = "current"\nsign = "discharge_positive"\n', "c.toml")
    log = made_log(mode_code=None, mode_words=())
    np.testing.assert_array_equal(read_log_bytes(written(log), "x.csv", columns).current_a, -log.current_a)


def test_columns_file_written_for_an_export_reads_it(capfd, tmp_path):
    log, columns = tmp_path / "x.csv", tmp_path / "x.toml"
    export_file(read_log(SAMPLES / "ebike-10s4p-sister.csv"), log)
    assert call(capfd, "inspect", log, "--write-columns", columns)[0] == 0
    assert 'sign = "charge_positive"' in columns.read_text()
    assert same_bits(read_log(log, load_columns(columns)).current_a, read_log(log).current_a)


# --- other readers see the same ----------------------------------------------------------------------------------


def test_export_csv_is_read_by_pandas_and_pyarrow_with_the_same_numbers(tmp_path):
    """Source: pandas.read_csv and pyarrow.csv, both written by others."""
    log = read_log(SAMPLES / "cargo-13s5p-out-of-balance.csv")
    export_file(log, tmp_path / "x.csv")
    frame = pd.read_csv(tmp_path / "x.csv")
    table = pyarrow.csv.read_csv(tmp_path / "x.csv")
    for label, values in (("Test Time / s", log.time_s), ("Voltage / V", log.voltage_v), ("Group 13 Voltage / V", log.group_voltage_v[:, 12])):
        np.testing.assert_allclose(frame[label], values, rtol=3e-16)  # older versions of pandas miss the last bit
        assert np.array_equal(table.column(label).to_numpy(), values, equal_nan=True)
    assert len(frame) == log.rows


def test_export_parquet_is_read_by_pandas_with_the_same_numbers_and_words(tmp_path):
    """Source: pandas.read_parquet."""
    log = made_log()
    export_file(log, tmp_path / "x.parquet")
    frame = pd.read_parquet(tmp_path / "x.parquet")
    assert frame.columns.tolist() == export_table(log).column_names
    assert same_bits(frame["Voltage / V"].to_numpy(float), log.voltage_v)
    assert same_bits(frame["Group 2 Voltage / V"].to_numpy(float), log.group_voltage_v[:, 1])
    assert frame["Mode"].fillna("").tolist() == ["Rest", "=1+1", "", "CC, 0.5 It"]  # no spreadsheet reads it: as written
    assert frame["Wall Clock"].dt.to_pydatetime().tolist() == [log.started_at + timedelta(seconds=float(t)) for t in log.time_s]


def test_export_parquet_says_where_it_comes_from(tmp_path):
    import cycler

    log = made_log()
    export_file(log, tmp_path / "x.parquet")
    note = pyarrow.parquet.read_schema(tmp_path / "x.parquet").metadata
    assert note[b"software"].decode() == f"{cycler.__distribution__} {cycler.__version__}"
    assert json.loads(note[b"sources"]) == [{"file": "a.csv", "sha256": "a" * 64}]


def test_export_csv_keeps_the_rules_of_rfc_4180():
    names = ('"a", b', "T")
    raw = written(made_log(temperature_names=names, temperature_c=np.ones((4, 2)), mode_words=('say "go"', "x,y", "z")))
    text = raw.decode("utf-8")
    lines = text.split("\n")
    # 2.1 and 2.2: a line break after each record, the last included (here LF); 2.3: one line of headings.
    assert lines[-1] == "" and len(lines) == 6 and "\r" not in text
    # 2.5 to 2.7: cells with commas or quotes are in quotes, and a quote inside is written twice.
    assert '"Temperature [""a"", b] / degC"' in lines[0] and '"say ""go"""' in lines[1] and '"x,y"' in lines[2]
    # 2.4: the same number of fields in every line, and no comma after the last.
    rows = list(csv.reader(lines[:-1], strict=True))
    assert {len(row) for row in rows} == {14} and not any(line.endswith(",") for line in lines[:2])


def test_export_quotes_no_cell_where_none_needs_it():
    assert b'"' not in written(read_log(SAMPLES / "ebike-10s4p-after-repair.csv"))


# --- files -------------------------------------------------------------------------------------------------------


def test_export_file_tells_what_was_written(tmp_path):
    log = made_log()
    done = export_file(log, tmp_path / "x.csv")
    raw = (tmp_path / "x.csv").read_bytes()
    assert (done.rows, done.columns, done.bytes) == (4, 13, len(raw)) and raw == written(log)


def test_export_file_packed_holds_the_same_bytes_every_time(tmp_path):
    log = made_log()
    export_file(log, tmp_path / "x.csv.gz")
    export_file(log, tmp_path / "Y.CSV.GZ")
    raw = (tmp_path / "x.csv.gz").read_bytes()
    assert gzip.decompress(raw) == written(log) and raw == (tmp_path / "Y.CSV.GZ").read_bytes()


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("x.xlsx", "the ending of the file to write is not known"), ("x", "the ending of the file to write is not known"),
        (".csv", "the ending of the file to write is not known"), ("x.gz", "the ending of the file to write is not known"),
        ("taken.csv", "the file to write exists"), ("folder.csv", "the file to write exists"), ("hangs.csv", "the file to write exists"),
        ("none/x.csv", "the folder of the file to write does not exist"),
        ("taken.csv/x.csv", "the folder of the file to write does not exist"), ("x\0y.csv", "cannot write the file"),
        ("x" * 300 + ".csv", "cannot write the file"),
    ],
)  # fmt: skip
def test_check_target_refuses_with_one_message(tmp_path, name, what):
    (tmp_path / "taken.csv").write_text("mine")
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "hangs.csv").symlink_to(tmp_path / "gone")
    with pytest.raises(InputError) as error:
        check_target(tmp_path / name)
    assert error.value.what == what and error.value.where and error.value.why and error.value.mend
    assert (tmp_path / "taken.csv").read_text() == "mine"


def test_check_target_without_the_right_to_write_refuses(tmp_path, monkeypatch):
    monkeypatch.setattr(export.os, "access", lambda *_arguments: False)
    with pytest.raises(InputError, match="no right to write"):
        check_target(tmp_path / "x.csv")


def test_export_file_on_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    def fails(_table, stream):
        stream.write(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(export, "write_csv", fails)
    with pytest.raises(InputError, match="No space left"):
        export_file(made_log(), tmp_path / "x.csv")
    assert list(tmp_path.iterdir()) == []


def test_export_file_does_not_overwrite_what_came_up_meanwhile(tmp_path, monkeypatch):
    def slow(table, stream):
        (tmp_path / "x.csv").write_text("theirs")
        write_csv(table, stream)

    monkeypatch.setattr(export, "write_csv", slow)
    with pytest.raises(InputError, match="the file to write exists"):
        export_file(made_log(), tmp_path / "x.csv")
    assert [path.read_text() for path in tmp_path.iterdir()] == ["theirs"]


# --- the command -------------------------------------------------------------------------------------------------


def test_export_of_a_run_writes_its_log_and_one_line(capfd, kept, made, tmp_path):
    target = tmp_path / "run.csv"
    code, out, err = call(capfd, "--register", kept, "export", "1", "--to", target)
    log = read_log(made.log)
    assert (code, err) == (0, "")
    assert out == f"Wrote {log.rows} rows in 7 columns, {target.stat().st_size} bytes, to {target}\n"
    assert_same(read_log(target), log)


def test_export_of_log_files_joins_them(capfd, tmp_path):
    code, out, err = call(capfd, "export", *PARTS[0], "--to", tmp_path / "x.parquet")
    assert (code, err) == (0, "") and out.startswith("Wrote ")
    assert len(pd.read_parquet(tmp_path / "x.parquet")) == read_logs(PARTS[0]).rows


def test_export_uses_the_columns_file_for_log_files(capfd, made, tmp_path):
    columns = tmp_path / "c.toml"
    columns.write_text('[[column]]\nname = "Sink"\nrole = "current"\nunit = "A"\n')
    (tmp_path / "odd.csv").write_text(small_log.log_text().replace("Current (A)", "Sink"))
    assert call(capfd, "export", tmp_path / "odd.csv", "--to", tmp_path / "x.csv", "--columns", columns)[0] == 0
    assert_same(read_log(tmp_path / "x.csv"), read_log(made.log))


@pytest.mark.parametrize(("quiet", "remark"), [((), b"rows in 7 columns to standard output.\n"), (("--quiet",), b"")])
def test_export_to_standard_output_is_the_csv_and_nothing_else(made, quiet, remark):
    started = process("export", made.log, "--to", "-", *quiet)
    out, err = started.communicate(timeout=60)
    assert started.returncode == 0 and out == written(read_log(made.log)) and err.endswith(remark) and bool(err) == bool(remark)


def test_export_to_a_pipe_that_closes_ends_without_a_word(tmp_path):
    ends = []
    for _attempt in range(4):  # where the reader is slow to go, all may have been written before
        started = process("export", SAMPLES / "ebike-10s4p-sister.csv", "--to", "-", "--quiet", bufsize=0)
        started.stdout.read(10)
        started.stdout.close()
        ends.append((started.wait(timeout=60), started.stderr.read()))
        if ends[-1][0]:
            break
    assert ends[-1] == (141, b"") and all(end == (0, b"") for end in ends[:-1])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_export_to_a_full_standard_output_is_one_message(made):
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "cycler", "export", made.log, "--to", "-"], stdout=full, stderr=subprocess.PIPE, cwd=PROJECT,
            text=True, check=False,
        )
    err = done.stderr
    assert done.returncode == 2 and err.count("\n") == 1 and "standard output: error: cannot write the log" in err


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("1", "{log}", "--to", "{to}.csv"), "Name one run"), (("1", "--columns", "c.toml", "--to", "{to}.csv"), "--columns is for log files"),
        (("99", "--to", "{to}.csv"), "no run 99"), (("none.csv", "--to", "{to}.csv"), "no such log"),
        (("1", "--to", "{to}.txt"), "the ending of the file to write is not known"), (("1",), "--to"),
    ],
)  # fmt: skip
def test_export_of_what_cannot_be_exported_is_one_message_and_no_file(capfd, kept, made, tmp_path, arguments, word):
    words = [item.format(log=made.log, to=tmp_path / "x") for item in arguments]
    code, out, err = call(capfd, "--register", kept, "export", *words)
    assert (code, out, err.count("\n")) == (2, "", 1) and word in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform != "linux", reason="file names of any bytes are a matter of Linux")
def test_export_of_a_log_whose_name_is_no_text(capfd, made, tmp_path):
    odd = tmp_path / "log\udcff.csv"
    odd.write_bytes(Path(made.log).read_bytes())
    for ending in ("csv", "parquet"):
        assert call(capfd, "export", odd, "--to", tmp_path / f"x.{ending}")[0] == 0
