"""Small logs as people write them by hand or by a few lines of code: the same invented test each time.

The writings are common practice, no source. Expected numbers: ``invented_test(31)``.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from cycler.readers import read_log_bytes
from tests.readers.writing import Dialect, invented_test, write_log

TRUTH = invented_test(31, groups=3)
T, V, AMPS, G = TRUTH.time_s, TRUTH.voltage_v, TRUTH.current_a, TRUTH.group_v
TAPS = np.cumsum(G, axis=1)
START = datetime(2026, 3, 9, 9, 0, 0)


def _table(head: list[str], columns, mark: str = ",") -> bytes:
    return (mark.join(head) + "\n" + "\n".join(mark.join(map(str, row)) for row in zip(*columns)) + "\n").encode()


WRITINGS = {
    "words_only": _table(["Seconds", "Volts", "Amps"], [T, V, AMPS]),
    "units_only": _table(["s", "V", "A"], [T, V, AMPS]),
    "symbols_only": _table(["t", "U", "I"], [T, V, AMPS], ";"),
    "capitals": _table(["TIME(S)", "VOLTAGE(V)", "CURRENT(A)"], [T, V, AMPS]),
    "short_names": _table(["t_s", "Vbat", "Ibat"], [T, V, AMPS]),
    "settings_beside_readings": _table(
        ["Time (s)", "Set voltage (V)", "Set current (A)", "Actual voltage (V)", "Actual current (A)"], [T, V * 0 + 12, AMPS * 0 + 2, V, AMPS]
    ),
    "another_point_of_the_circuit": _table(["Time (s)", "Output voltage (V)", "Battery voltage (V)", "Output current (A)"], [T, V * 0 + 12, V, AMPS]),
    "statistics_of_cells": _table(["Time (s)", "Min cell voltage (V)", "Max cell voltage (V)", "Voltage (V)", "Current (A)"], [T, G.min(1), G.max(1), V, AMPS]),
    "groups_from_zero": _table(["Time (s)", "Voltage (V)", "Current (A)", "cell_0", "cell_1", "cell_2"], [T, V, AMPS, *G.T]),
    "groups_numbered_in_brackets": _table(["Time (s)", "Voltage (V)", "Current (A)", "cell[1]", "cell[2]", "cell[3]"], [T, V, AMPS, *G.T]),
    "wires_of_the_balance_plug": _table(["Time (s)", "Voltage (V)", "Current (A)", "B1+", "B2+", "B3+"], [T, V, AMPS, *TAPS.T]),
    "wires_with_pack_negative": _table(["Time (s)", "Voltage (V)", "Current (A)", "B0", "B1", "B2", "B3"], [T, V, AMPS, T * 0, *TAPS.T]),
    "taps_without_the_top": _table(["Time (s)", "Voltage (V)", "Current (A)", "Tap 1 (V)", "Tap 2 (V)"], [T, V, AMPS, *TAPS.T[:2]]),
    "status_without_meaning": _table(["Time (s)", "Voltage (V)", "Current (A)", "Status"], [T, V, AMPS, ["OK"] * T.size]),
    "mode_as_a_number": _table(["Time (s)", "Voltage (V)", "Current (A)", "Mode"], [T, V, AMPS, TRUTH.mode + 1]),
    "timestamp_and_elapsed": _table(
        ["Date/Time", "Elapsed (s)", "Voltage (V)", "Current (A)"], [[str(START + timedelta(seconds=float(t))) for t in T], T, V, AMPS]
    ),
    "days_of_a_spreadsheet": _table(["Timestamp", "Voltage (V)", "Current (A)"], [[f"{46090 + t / 86400:.9f}" for t in T], V, AMPS]),
    "minutes_and_seconds": _table(["Time (mm:ss)", "Voltage (V)", "Current (A)"], [[f"{int(t) // 60:02d}:{int(t) % 60:02d}" for t in T], V, AMPS]),
    "minutes_seconds_tenths": _table(["Time", "Voltage (V)", "Current (A)"], [[f"{int(t) // 60:02d}:{int(t) % 60:02d}.0" for t in T], V, AMPS]),
    "powers_of_ten": _table(["Time (s)", "Voltage (V)", "Current (A)"], [[f"{x:+.6E}" for x in column] for column in (T, V, AMPS)]),
    "typographic_minus": _table(["Time (s)", "Voltage (V)", "Current (A)"], [T, V, [f"{x:.4f}".replace("-", "\N{MINUS SIGN}") for x in AMPS]]),
    "aligned_by_blanks": ("  Time(s)  Voltage(V)  Current(A)\n" + "".join(f"{t:9.1f} {v:11.4f} {i:11.4f}\n" for t, v, i in zip(T, V, AMPS))).encode(),
    "ruled_table": ("| Time (s) | Voltage (V) | Current (A) |\n|---|---|---|\n" + "".join(f"| {t:.1f} | {v:.4f} | {i:.4f} |\n" for t, v, i in zip(T, V, AMPS))).encode(),
    "thousands_by_blanks": ("Zeit (ms);Spannung (V);Strom (A)\n" + "".join(f"{int(t * 1000):,};{v};{i}\n".replace(",", "\u00a0").replace(".", ",") for t, v, i in zip(T, V, AMPS))).encode(),
    "long_preamble": "".join(f"# parameter {k} = {k * 1.5}\n" for k in range(150)).encode() + write_log(TRUTH, Dialect()),
    "preamble_in_two_columns": b'Device,Bench 1\nStart,2026-03-09 10:00:00\nCut-off,3.0\nNote,"a, b"\n\n' + write_log(TRUTH, Dialect()),
    "commented_header": b"# invented\n#" + write_log(TRUTH, Dialect()),
    "line_that_names_the_delimiter": b"sep=,\n" + write_log(TRUTH, Dialect()),
    "rows_of_statistics_at_the_end": write_log(TRUTH, Dialect()) + b"\nMin,10.1,-3.0\nMax,12.5,2.0\n",
}  # fmt: skip


@pytest.mark.parametrize("name", WRITINGS)
def test_read_log_in_writing_gives_the_invented_test(name):
    log = read_log_bytes(WRITINGS[name], "log.csv")
    np.testing.assert_allclose(log.time_s, T, atol=1e-2)
    np.testing.assert_allclose(log.voltage_v, V, atol=1e-6)
    np.testing.assert_allclose(log.current_a, AMPS, atol=1e-6)
    if log.series:
        np.testing.assert_allclose(log.group_voltage_v, G, atol=1e-6)
    assert log.sources[0].rows_dropped == 0


def test_read_log_with_groups_only_leaves_the_pack_voltage_unknown():
    log = read_log_bytes(_table(["Time (s)", "Current (A)", "C1", "C2", "C3"], [T, AMPS, *G.T]), "log.csv")
    assert np.isnan(log.voltage_v).all() and log.series == 3
    np.testing.assert_allclose(log.current_a, AMPS)


def test_read_log_with_readings_in_turn_holds_each_until_the_next():
    rows = [f"{t},{v}," if k % 2 else f"{t},,{i}" for k, (t, v, i) in enumerate(zip(T, V, AMPS))]
    log = read_log_bytes(("Time (s),Voltage (V),Current (A)\n" + "\n".join(rows) + "\n").encode(), "log.csv")
    assert "rows_interleaved" in {item.code for item in log.reading.warnings}
    assert log.voltage_v[3] == V[3] == log.voltage_v[4]
    assert log.current_a[100] == pytest.approx(AMPS[100])


def test_read_log_with_absurd_stated_unit_warns():
    raw = write_log(TRUTH, Dialect(with_capacity=False)).decode().replace("Current (A)", "Current (kA)").encode()
    assert "unit_doubtful" in {item.code for item in read_log_bytes(raw, "log.csv").reading.warnings}


def test_read_log_with_group_column_that_cannot_be_a_group_is_refused():
    from cycler.errors import InputError

    raw = _table(["Time (s)", "Voltage (V)", "Current (A)", "Cell 1 (V)", "Cell 2 (V)"], [T, V, AMPS, G[:, 0], G[:, 1] * 1000])
    with pytest.raises(InputError) as error:
        read_log_bytes(raw, "log.csv")
    assert "reads more than a group can" in error.value.what
