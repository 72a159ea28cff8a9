"""A second reader on well-formed files: pandas.read_csv reads the same numbers. Text forms follow RFC 4180."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd

from cycler.readers import read_log_bytes
from tests.readers.writing import Dialect, invented_test, write_log


def test_read_log_agrees_with_pandas_on_a_well_formed_file():
    raw = write_log(invented_test(21, groups=6), Dialect())
    frame = pd.read_csv(io.BytesIO(raw))
    log = read_log_bytes(raw, "log.csv")
    np.testing.assert_array_equal(log.time_s, frame["Time (s)"])
    np.testing.assert_array_equal(log.voltage_v, frame["Voltage (V)"])
    np.testing.assert_array_equal(log.current_a, frame["Current (A)"])
    for group in range(6):
        np.testing.assert_array_equal(log.group_voltage_v[:, group], frame[f"Cell {group + 1} (V)"])
    np.testing.assert_array_equal(log.counters["capacity"], frame["Capacity (Ah)"])


def test_read_log_agrees_with_pandas_on_decimal_commas():
    raw = write_log(invented_test(22), Dialect(delimiter=";", decimal=","))
    frame = pd.read_csv(io.BytesIO(raw), sep=";", decimal=",")
    np.testing.assert_array_equal(read_log_bytes(raw, "log.csv").voltage_v, frame["Voltage (V)"])


def test_quoted_fields_follow_rfc_4180():
    # RFC 4180, 2.5 to 2.7: fields in quotes may hold the delimiter, line ends, and doubled quotes.
    rows = ["Time (s),Voltage (V),Current (A),Note"]
    for k in range(30):
        note = {5: '"two, parts"', 6: '"two\r\nlines"', 7: '"he said ""stop"""'}.get(k, "-")
        current = 0.0 if k < 3 else 1.0
        rows.append(f'{k},"{3.5 + 0.1 * current + 0.001 * k:.4f}",{current},{note}')
    log = read_log_bytes(("\r\n".join(rows) + "\r\n").encode(), "log.csv")
    assert log.rows == 30 and log.sources[0].rows_dropped == 0
    np.testing.assert_allclose(log.time_s, np.arange(30.0))


def test_arrays_of_a_log_are_read_only():
    log = read_log_bytes(write_log(invented_test(23), Dialect()), "log.csv")
    assert not log.current_a.flags.writeable and not log.group_voltage_v.flags.writeable
