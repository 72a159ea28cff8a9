"""Rows that carry their labels, end early, hold a lone quote or two units, and tables of results behind the log."""

from __future__ import annotations

import time

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_log_bytes
from tests.readers.writing import invented_test

TRUTH = invented_test(31, groups=3)
ROWS = list(zip(TRUTH.time_s, TRUTH.voltage_v, TRUTH.current_a))
CELLS = TRUTH.group_v
HEAD = "Time (s),Voltage (V),Current (A)"
WORDS = {0: "Rest", 1: "Charge", -1: "Discharge"}


def _agrees(log) -> None:
    np.testing.assert_allclose(log.time_s, TRUTH.time_s, atol=1e-6)
    np.testing.assert_allclose(log.voltage_v, TRUTH.voltage_v, atol=1e-6)
    np.testing.assert_allclose(log.current_a, TRUTH.current_a, atol=1e-6)


LABELLED = {
    "equals_and_comma": "".join(f"t={t},U={u},I={i}\n" for t, u, i in ROWS),
    "equals_and_blank": "".join(f"t={t} U={u} I={i}\n" for t, u, i in ROWS),
    "colon_and_units": "".join(f"time: {t} s, voltage: {u} V, current: {i} A\n" for t, u, i in ROWS),
    "decimal_commas": "".join(f"Zeit={t};Spannung={u};Strom={i}\n".replace(".", ",") for t, u, i in ROWS),
    "JSON": "".join(f'{{"time_s": {t}, "voltage_v": {u}, "current_a": {i}}}\n' for t, u, i in ROWS),
    "time_in_front": "".join(f"[08:{int(t) // 60:02d}:{int(t) % 60:02d}] U={u}V I={i}A\n" for t, u, i in ROWS),
}  # fmt: skip


@pytest.mark.parametrize("name", LABELLED)
def test_rows_that_carry_labels_are_read_by_them(name):
    log = read_log_bytes(b"Recorder of the bench\n" + LABELLED[name].encode(), "log.csv")
    _agrees(log)
    assert "header_missing" not in {item.code for item in log.reading.warnings}
    assert log.line_number[0] == 2


def test_labels_of_groups_are_read():
    raw = "".join(f"t={t};U={u};I={i};Cell1={a}V;Cell2={b}V;Cell3={c}V\n" for (t, u, i), (a, b, c) in zip(ROWS, CELLS))
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)
    np.testing.assert_allclose(log.group_voltage_v, CELLS)


def test_ditto_marks_and_lone_quotes_lose_no_row():
    modes = [WORDS[int(mode)] for mode in TRUTH.mode]
    cells = ['"' if index and modes[index] == modes[index - 1] else mode for index, mode in enumerate(modes)]
    raw = HEAD + ",Mode\n" + "".join(f"{t},{u},{i},{cell}\n" for (t, u, i), cell in zip(ROWS, cells))
    _agrees(read_log_bytes(raw.encode(), "log.csv"))
    raw = HEAD + ",Note\n" + "".join(f'{t},{u},{i},"never closed\n' for t, u, i in ROWS)
    _agrees(read_log_bytes(raw.encode(), "log.csv"))


def test_amperes_and_milliamperes_in_one_column_are_brought_to_one_unit():
    raw = "Time (s),Voltage,Current\n" + "".join(f"{t},{u} V,{f'{i} A' if abs(i) >= 1 else f'{1000 * i:.1f} mA'}\n" for t, u, i in ROWS)
    log = read_log_bytes(raw.encode(), "log.csv")
    np.testing.assert_allclose(log.current_a, TRUTH.current_a, atol=6e-5)


def test_table_of_results_behind_the_log_is_skipped_and_told():
    raw = HEAD + "\n" + "".join(f"{t},{u},{i}\n" for t, u, i in ROWS) + "\nStep,Charge (Ah),Energy (Wh)\n1,0.3,3\n2,0.4,4\n"
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)
    assert any(item.code == "footer_skipped" and "163, 164, 165" in item.message for item in log.reading.warnings)


@pytest.mark.parametrize("every", [4, 40])
def test_rows_that_leave_out_the_last_column_are_read(every):
    raw = HEAD + ",Temp (°C)\n" + "".join(f"{t},{u},{i}" + (",21.5" if index % every == 0 else "") + "\n" for index, (t, u, i) in enumerate(ROWS))
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)
    assert np.isfinite(log.temperature_c).sum() == len(ROWS[::every])


def test_current_of_the_charger_beside_that_of_the_load_are_charge_and_discharge():
    i = TRUTH.current_a
    raw = "Time (s),Charger current (A),Load current (A),Battery voltage (V)\n" + "".join(
        f"{t},{max(a, 0.0)},{max(-a, 0.0)},{u}\n" for (t, u, _), a in zip(ROWS, i)
    )
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)


def test_the_same_voltage_in_two_units_is_one_voltage():
    raw = "Time (s),Voltage (V),Voltage (mV),Current (A)\n" + "".join(f"{t},{u},{1000 * u:.1f},{i}\n" for t, u, i in ROWS)
    _agrees(read_log_bytes(raw.encode(), "log.csv"))


def test_narrower_log_pasted_behind_is_named_by_its_headings():
    raw = HEAD + ",Cell 1 (V)\n" + "".join(f"{t},{u},{i},3.5\n" for t, u, i in ROWS) + "t,U,I\n" + "".join(f"{t},{u},{i}\n" for t, u, i in ROWS)
    with pytest.raises(InputError) as error:
        read_log_bytes(raw.encode(), "log.csv")
    assert (error.value.what, error.value.where.line) == ("the columns change in the middle of the log", 162)


def test_300_000_stray_lines_within_are_counted_within_seconds():
    rows = [f"{t},{u},{i}\n" for t, u, i in ROWS]
    raw = HEAD + "\n" + "".join(rows[:80]) + "abc\n" * 300_000 + "".join(rows[80:])
    start = time.process_time()
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)
    assert log.sources[0].rows_dropped == 300_000 and time.process_time() - start < 6.0
