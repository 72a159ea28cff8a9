"""Rows in brackets or single quotes, and what the reader does with lines that are no rows."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.readers import read_log_bytes
from tests.readers.writing import invented_test

TRUTH = invented_test(31, groups=3)
HEAD = ("Time (s)", "Voltage (V)", "Current (A)")
ROWS = list(zip(TRUTH.time_s, TRUTH.voltage_v, TRUTH.current_a))


def _agrees(log) -> None:
    np.testing.assert_allclose(log.time_s, TRUTH.time_s, atol=1e-6)
    np.testing.assert_allclose(log.voltage_v, TRUTH.voltage_v, atol=1e-6)
    np.testing.assert_allclose(log.current_a, TRUTH.current_a, atol=1e-6)


BARE = {
    "square_brackets": "[Time (s), Voltage (V), Current (A)]\n" + "".join(f"[{t}, {u}, {i}]\n" for t, u, i in ROWS),
    "round_brackets": "".join(f"({t}; {u}; {i})\n" for t, u, i in ROWS),
    "single_quotes": "'Time (s)','Voltage (V)','Current (A)'\n" + "".join(f"'{t}','{u}','{i}'\n" for t, u, i in ROWS),
    "single_quotes_decimal_commas": "'Zeit (s)','Spannung (V)','Strom (A)'\n" + "".join(f"'{t}','{u}','{i}'\n".replace(".", ",") for t, u, i in ROWS),
    "JSON_array_a_line": "".join(f"[{t}, {u}, {i}],\n" for t, u, i in ROWS),
    "label_and_reading": "".join(f"t={t};U={u};I={i}\n" for t, u, i in ROWS),
    "JSON_object_a_line": "".join(f'{{"time_s": {t}, "voltage_v": {u}, "current_a": {i}}}\n' for t, u, i in ROWS),
}  # fmt: skip


@pytest.mark.parametrize("name", BARE)
def test_read_log_with_marks_around_its_rows_gives_the_invented_test(name):
    log = read_log_bytes(BARE[name].encode(), "log.csv")
    _agrees(log)
    assert log.sources[0].rows_dropped == 0
    assert log.line_number[-1] == len(ROWS) + (0 if name.startswith(("JSON", "round", "label")) else 1)


def test_reading_with_apostrophes_between_thousands_is_no_quoted_row():
    rows = [f"{1000 * t:,.0f};{1000 * u:,.1f};{1000 * i:,.1f}".replace(",", "'") for t, u, i in ROWS]
    _agrees(read_log_bytes("\n".join(["t (ms);U (mV);I (mA)", *rows, ""]).encode(), "log.csv"))


def test_table_of_results_above_the_log_is_skipped_and_told():
    raw = "Step,Charge (Ah),Energy (Wh)\n1,0.33,3.8\n2,-0.47,-5.2\n\n" + ",".join(HEAD) + "\n" + "".join(f"{t},{u},{i}\n" for t, u, i in ROWS)
    log = read_log_bytes(raw.encode(), "log.csv")
    _agrees(log)
    assert any(item.code == "summary_skipped" and "2 rows" in item.message for item in log.reading.warnings)
