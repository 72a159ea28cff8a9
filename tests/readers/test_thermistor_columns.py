"""Columns of NTC resistance: which headings say it, and that nothing else is taken for one. Spellings: common practice, no source."""

from __future__ import annotations

import io

import numpy as np
import pytest

from cycler.export import export_table, write_csv
from cycler.readers import parse_columns, read_log_bytes, read_logs_bytes
from cycler.readers.names import classify_name
from cycler.readers.outline import outline, written_columns
from tests.readers.writing import Dialect, assert_agrees, invented_test, write_log

# Invented: an NTC of 10 kohm that falls from 12.1 to 9.6 kohm.
TRUTH = invented_test(5)
OHM = np.round(np.linspace(12_100.0, 9_600.0, TRUTH.time_s.size), 1)


def log_with(columns: dict[str, list[str]]) -> bytes:
    """The invented test with further columns."""
    lines = write_log(TRUTH, Dialect()).decode().split("\n")[:-1]
    rows = [",".join([line, *cells]) for line, cells in zip(lines, [list(columns), *zip(*columns.values())])]
    return ("\n".join(rows) + "\n").encode()


def kilohms() -> list[str]:
    return [f"{value / 1000.0:.4f}" for value in OHM]


def ohms(decimals: int = 1) -> list[str]:
    return [f"{value:.{decimals}f}" for value in OHM]


HEADINGS = [
    ("NTC 1 (kOhm)", "thermistor", "kohm"), ("NTC kOhm", "thermistor", "kohm"), ("NTC1_ohm", "thermistor", "ohm"),
    ("Thermistor 2 [Ω]", "thermistor", "ohm"), ("Thermistor resistance", "thermistor", None), ("R_NTC (kΩ)", "thermistor", "kohm"),
    ("R_T1 / ohm", "thermistor", "ohm"), ("Rth 2 (kΩ)", "thermistor", "kohm"), ("Heißleiter 1 / Ohm", "thermistor", "ohm"),
    ("Résistance CTN 1 (kΩ)", "thermistor", "kohm"), ("Termistor 1 (kΩ)", "thermistor", "kohm"), ("Cell 3 NTC (kohm)", "thermistor", "kohm"),
    ("NTC 1 (°C)", "temperature", "degC"), ("thermistor", "temperature", None), ("NTC 1", "temperature", None),
    ("NTC max (kOhm)", "ignored", "kohm"),
    # The resistance of a battery, whatever stands beside it.
    ("Innenwiderstand (mΩ)", "resistance", "mohm"), ("Internal resistance (ohm)", "resistance", "ohm"), ("IR (mOhm)", "resistance", "mohm"),
    ("R1 (ohm)", "resistance", "ohm"), ("R_T (mohm)", "resistance", "mohm"), ("RT (ohm)", "resistance", "ohm"), ("Internal resistance NTC (ohm)", "resistance", "ohm"),
    ("Resistance NTC comp (mohm)", "resistance", "mohm"), ("Ri (mΩ) T1", "resistance", "mohm"), ("DCIR / ohm", "resistance", "ohm"),
    # Of a sensor, but perhaps a platinum one.
    ("Temp 1 (kΩ)", "ignored", "kohm"), ("Temperature 1 / Ohm", "ignored", "ohm"),
]  # fmt: skip


@pytest.mark.parametrize(("heading", "role", "unit"), HEADINGS)
def test_classify_name_tells_thermistors_from_batteries(heading, role, unit):
    reading = classify_name(heading)
    assert (reading.role, reading.unit.symbol if reading.unit else None) == (role, unit)


@pytest.mark.parametrize(
    ("heading", "cells"),
    [("NTC 1 (kOhm)", kilohms()), ("R_T1 / ohm", ohms()), ("Thermistor resistance", ohms()), ("Thermistor resistance", kilohms()),
     ("NTC 1", ohms())],
)  # fmt: skip
def test_read_log_with_thermistor_gives_ohms_beside_everything_else(heading, cells):
    log = read_log_bytes(log_with({heading: cells}), "log.csv")
    assert_agrees(log, TRUTH, Dialect())
    assert log.thermistor_names == (heading,)
    assert log.thermistor_ohm.shape == (TRUTH.time_s.size, 1)
    assert log.thermistor_ohm[:, 0] == pytest.approx(OHM, abs=0.06)
    assert "resistance" not in log.counters and log.temperature_c.shape[1] == 1
    column = next(item for item in log.reading.columns if item.role == "thermistor")
    assert column.name == heading and column.unit in ("ohm", "kohm") and column.evidence


def test_read_log_with_internal_resistance_beside_thermistors_keeps_both_apart():
    ri = [f"{38.0 + 0.01 * k:.2f}" for k in range(OHM.size)]
    log = read_log_bytes(log_with({"Ri (mΩ)": ri, "NTC 2 (kOhm)": kilohms(), "NTC 1 (kOhm)": ohms(0)}), "log.csv")
    assert log.thermistor_names == ("NTC 2 (kOhm)", "NTC 1 (kOhm)")
    assert log.thermistor_ohm[0] == pytest.approx([12_100.0, 12_100_000.0])
    assert log.counters["resistance"][0] == pytest.approx(0.038)


def test_read_log_with_temperature_of_an_ntc_in_degrees_is_a_temperature():
    log = read_log_bytes(log_with({"NTC 1": [f"{20 + 0.01 * k:.2f}" for k in range(OHM.size)]}), "log.csv")
    assert log.thermistor_ohm.shape[1] == 0 and log.temperature_c.shape[1] == 2


def test_read_log_with_open_thermistor_keeps_what_the_meter_shows():
    cells = ohms()
    cells[10:13] = ["5.0e7", "OL", "2e12"]
    log = read_log_bytes(log_with({"NTC 1 (ohm)": cells}), "log.csv")
    # 50 Mohm is told as open later; OL and 2 Tohm are no readings.
    assert log.thermistor_ohm[10, 0] == 5e7 and np.isnan(log.thermistor_ohm[11:13, 0]).all()


def test_read_log_with_thermistor_never_read_leaves_it_out():
    log = read_log_bytes(log_with({"NTC 1 (ohm)": ["OL"] * OHM.size}), "log.csv")
    assert log.thermistor_ohm.shape[1] == 0
    assert next(item for item in log.reading.columns if item.name == "NTC 1 (ohm)").role == "ignored"


def test_columns_file_makes_any_column_a_thermistor():
    raw = log_with({"Sensor B": kilohms()})
    assert read_log_bytes(raw, "log.csv").thermistor_ohm.shape[1] == 0
    columns = parse_columns('[[column]]\nname = "Sensor B"\nrole = "thermistor"\nunit = "kohm"\n', "columns.toml")
    log = read_log_bytes(raw, "log.csv", columns)
    assert log.thermistor_ohm[:, 0] == pytest.approx(OHM, abs=0.06)


def test_columns_file_that_an_outline_writes_reads_the_thermistor_again():
    raw = log_with({"NTC 1 (kOhm)": kilohms()})
    text = written_columns(outline([("log.csv", raw)]))
    assert 'role = "thermistor"' in text
    log = read_log_bytes(raw, "log.csv", parse_columns(text, "columns.toml"))
    assert np.array_equal(log.thermistor_ohm, read_log_bytes(raw, "log.csv").thermistor_ohm)


def test_read_logs_of_two_parts_join_their_thermistors_by_name():
    first = log_with({"NTC 1 (ohm)": ohms(), "NTC 2 (ohm)": ohms()})
    second = log_with({"NTC 2 (ohm)": [f"{value / 2:.1f}" for value in OHM]})
    log = read_logs_bytes([("a.csv", first), ("b.csv", second)])
    n = OHM.size
    assert log.thermistor_names == ("NTC 1 (ohm)", "NTC 2 (ohm)") and log.thermistor_ohm.shape == (2 * n, 2)
    assert np.isnan(log.thermistor_ohm[n:, 0]).all() and log.thermistor_ohm[n:, 1] == pytest.approx(OHM / 2, abs=0.06)


def test_exported_thermistors_read_back_to_the_last_bit():
    raw = log_with({"NTC 1 (kOhm)": kilohms(), "=NTC 2 (ohm)": ["5e7", *ohms()[1:]]})
    log = read_log_bytes(raw, "log.csv")
    stream = io.BytesIO()
    write_csv(export_table(log), stream)
    assert b"Thermistor [NTC 1 (kOhm)] / ohm" in stream.getvalue().split(b"\n")[0]
    back = read_log_bytes(stream.getvalue(), "exported.csv")
    assert back.thermistor_names == log.thermistor_names
    assert back.thermistor_ohm.tobytes() == log.thermistor_ohm.tobytes()
    assert back.temperature_names == log.temperature_names
