"""Stated units that cannot all be true: nothing is read, and the message shows both sides."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_log_bytes
from cycler.readers.columns import ColumnRule, ColumnsFile
from tests.readers.writing import invented_test

START = datetime(2026, 3, 3, 9, 30)
GROUPS = 4


def written(pack=1.0, current=1.0, counter=1.0, clock=1.0, dated=False):
    """A log whose headings say V, A, Ah and s while the numbers are scaled by these factors."""
    truth = invented_test(1, GROUPS, 10.0, 2.0)
    t = truth.time_s
    # The counter counts both directions, as the integral of abs(I) over time.
    moved = np.diff(t) * np.abs(truth.current_a[1:] + truth.current_a[:-1]) / 2 / 3600
    counted = np.concatenate([[0.0], np.cumsum(moved)])
    head = ["Time (s)", *(["Date"] if dated else []), "Voltage (V)", "Current (A)", "Capacity (Ah)"]
    rows = [",".join([*head, *(f"Cell {n + 1} (V)" for n in range(GROUPS))])]
    for k in range(t.size):
        stamp = [(START + timedelta(seconds=float(t[k]))).isoformat(" ")] if dated else []
        cells = [f"{t[k] * clock:.9g}", *stamp, f"{truth.voltage_v[k] * pack:.7g}", f"{truth.current_a[k] * current:.7g}"]
        rows.append(",".join([*cells, f"{counted[k] * counter:.7g}", *(f"{value:.4f}" for value in truth.group_v[k])]))
    return "\n".join([*rows, ""]).encode()


@pytest.mark.parametrize(("scales", "sides"), [
    ({"pack": 1000}, ('"Voltage (V)" and "Cell 1 (V)"', "4 groups add up to 14.")),
    ({"pack": 0.001}, ('"Voltage (V)" and "Cell 1 (V)"', "4 groups add up to 14.")),
    ({"current": 1000}, ('"Current (A)" and "Capacity (Ah)"', "moves by 0.4")),
    ({"current": 0.001}, ('"Current (A)" and "Capacity (Ah)"', "moves by 0.4")),
    ({"counter": 1000}, ('"Current (A)" and "Capacity (Ah)"', "moves by 4")),
    ({"counter": 3600}, ('"Current (A)" and "Capacity (Ah)"', "moves by 1")),
    ({"clock": 1000}, ('"Current (A)" and "Capacity (Ah)"', "or the unit of the time")),
    ({"clock": 1 / 60}, ('"Current (A)" and "Capacity (Ah)"', "or the unit of the time")),
    ({"clock": 1000, "dated": True}, ('"Time (s)" and "Date"', "1000 times as far")),
    ({"clock": 1 / 60, "dated": True}, ('"Time (s)" and "Date"', "0.01667 times as far")),
])  # fmt: skip
def test_units_that_contradict_each_other_are_refused_with_both_sides(scales, sides):
    with pytest.raises(InputError) as caught:
        read_log_bytes(written(**scales), "log.csv")
    columns, numbers = sides
    assert caught.value.what == f"the units of {columns} contradict each other"
    assert numbers in caught.value.why and "--columns" in caught.value.mend and "log.csv:1:" in str(caught.value)


@pytest.mark.parametrize("dated", [False, True])
def test_units_that_agree_are_read(dated):
    log = read_log_bytes(written(dated=dated), "log.csv")
    assert log.rows == 160 and not {"unit_doubtful"} & {item.code for item in log.reading.warnings}


def test_contradiction_is_settled_by_the_columns_file_it_asks_for():
    columns = ColumnsFile(columns=(ColumnRule("Current (A)", role="current", unit="mA"),))
    log = read_log_bytes(written(current=1000), "log.csv", columns)
    np.testing.assert_allclose(log.current_a, invented_test(1, GROUPS, 10.0, 2.0).current_a, atol=1e-6)


def test_counter_of_one_direction_and_coarse_steps_is_no_contradiction():
    # 10 mAh steps at 2 A and 1 s: the counter moves every 18 rows, and never while charging.
    t = np.arange(7200.0)
    current = np.where(t < 3600, 1.0, -2.0)
    counted = np.floor(np.clip(t - 3600, 0, None) * 2 / 36) * 0.01
    u = 38.0 + 0.1 * current + 2e-4 * np.cumsum(current)
    rows = ["t (s),U (V),I (A),Discharge capacity (Ah)"]
    rows += [f"{a:.0f},{b:.4f},{c:.3f},{d:.2f}" for a, b, c, d in zip(t, u, current, counted)]
    assert read_log_bytes("\n".join(rows).encode(), "log.csv").rows == 7200
