"""Stated units that cannot all be true: nothing is read, and the message shows both sides."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_log_bytes
from cycler.readers.columnsfile import ColumnRule, ColumnsFile
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


def _table(heads, *columns):
    return "\n".join([",".join(heads), *(",".join(f"{value:.9g}" for value in row) for row in zip(*columns))]).encode()


def _cell(t, current, ah=5.0, ohm=0.09):
    """An invented linear pack: 10.5 V + 1.5 V times the state of charge, from half full on."""
    charge = np.concatenate([[0.0], np.cumsum((current[1:] + current[:-1]) / 2 * np.diff(t))]) / 3600
    return 10.5 + 1.5 * (0.5 + charge / ah) + ohm * current, charge


def test_counter_beside_fast_pulses_and_slow_rows_is_no_contradiction():
    # A second at 0.1 s in every minute, nothing between; the counter is the integral itself, 2 A for 1.6 h.
    fast = (np.arange(10) * 0.1)[None, :] + np.arange(1, 101)[:, None] * 60.0
    t = np.unique(np.concatenate([np.arange(0, 7200.0, 60.0), fast.ravel()]).round(1))
    current = np.where(t > 300, -2.0, 0.0)
    u, net = _cell(t, current)
    log = read_log_bytes(_table(["Time (s)", "Voltage (V)", "Current (A)", "Capacity (Ah)"], t, u, current, net), "log.csv")
    np.testing.assert_allclose(log.counters["capacity"], net, atol=1e-8)
    # Without a unit the counter settles it, slow rows and all: 0.2 A written in mA, which by size could be 200 A.
    raw = _table(["Time (s)", "Voltage (V)", "Current", "Capacity (Ah)"], t, u, 100 * current, net / 10)
    np.testing.assert_allclose(read_log_bytes(raw, "log.csv").current_a, current / 10, atol=1e-9)


@pytest.mark.parametrize("both", [False, True])
def test_little_regeneration_in_the_counter_of_the_other_direction_is_no_contradiction(both):
    # A discharge of 4 Ah with 20 mAh that flowed back between the rows (0.5 mAh each time).
    t = np.arange(0, 7800.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    u, net = _cell(t, current)
    back = np.cumsum(np.where((current < 0) & (np.arange(t.size) % 18 == 0), 5e-4, 0.0))
    heads = ["Time (s)", "Voltage (V)", "Current (A)", "Charge capacity (Ah)", *(["Discharge capacity (Ah)"] if both else [])]
    log = read_log_bytes(_table(heads, t, u, current, back, *([-net] if both else [])), "log.csv")
    np.testing.assert_allclose(log.current_a, current)


def test_counter_of_the_own_direction_a_thousand_times_too_small_is_refused():
    t = np.arange(0, 7800.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    u, net = _cell(t, current)
    with pytest.raises(InputError) as caught:
        read_log_bytes(_table(["Time (s)", "Voltage (V)", "Current (A)", "Discharge capacity (Ah)"], t, u, current, -net / 1000), "log.csv")
    assert "contradict" in caught.value.what


def test_counter_that_is_set_to_zero_again_and_again_is_no_contradiction():
    t = np.arange(0, 36000.0, 10.0)
    current = np.where(t % 1800 < 1500, -0.5, 0.0)
    u, net = _cell(t, current)
    counted = -net - np.floor(t / 1800) * 0.5 * 1500 / 3600
    raw = _table(["Time (s)", "Voltage (V)", "Current (A)", "Capacity (Ah)"], t, u, current, np.clip(counted, 0, None))
    assert read_log_bytes(raw, "log.csv").rows == t.size


@pytest.mark.parametrize("kind", ["one pause", "a pause each half hour", "minute clock"])
def test_elapsed_time_that_stands_still_in_pauses_is_no_contradiction(kind):
    t = np.arange(0, 7200.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    u, _ = _cell(t, current)
    pauses = {"one pause": 8 * 86400 * (t > 3600), "a pause each half hour": 8 * 86400 * (t // 1800), "minute clock": 0 * t}[kind]
    form = "%Y-%m-%d %H:%M" if kind == "minute clock" else "%Y-%m-%d %H:%M:%S"
    rows = [f"{a:g},{(START + timedelta(seconds=float(a + b))).strftime(form)},{v:.4f},{i:g}" for a, b, v, i in zip(t, pauses, u, current)]
    log = read_log_bytes("\n".join(["Time (s),Date time,Voltage (V),Current (A)", *rows]).encode(), "log.csv")
    np.testing.assert_allclose(log.time_s, t)


@pytest.mark.parametrize(("heads", "scales", "mend"), [
    (("Time (min)", "Current (A)"), (1, 1), 'name = "Time (min)", role = "time", unit = "s"'),
    (("Time (s)", "Current (A)"), (1 / 60, 1), 'name = "Time (s)", role = "time", unit = "min"'),
    (("Time (s)", "Current (A)"), (1000, 1), 'name = "Time (s)", role = "time", unit = "ms"'),
    (("Time (s)", "Current (mA)"), (1, 1), 'name = "Current (mA)", role = "current", unit = "A"'),
    (("Time (s)", "Current (A)"), (1, 1000), 'name = "Current (A)", role = "current", unit = "mA"'),
])  # fmt: skip
@pytest.mark.parametrize("counter", ["Capacity (Ah)", "Energy (Wh)"])
def test_mend_of_a_contradiction_names_the_unit_that_is_wrong_and_settles_it(heads, scales, mend, counter):
    t = np.arange(0, 7800.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    u, net = _cell(t, current)
    if counter.startswith("Energy"):
        net = np.concatenate([[0.0], np.cumsum((u[1:] * current[1:] + u[:-1] * current[:-1]) / 2 * 10.0)]) / 3600
    raw = _table([heads[0], "Voltage (V)", heads[1], counter], t * scales[0], u, current * scales[1], net)
    with pytest.raises(InputError) as caught:
        read_log_bytes(raw, "log.csv")
    assert caught.value.mend.endswith("[[column]] " + mend)
    from cycler.readers import parse_columns

    log = read_log_bytes(raw, "log.csv", parse_columns("[[column]]\n" + mend.replace(", ", "\n"), "columns.toml"))
    np.testing.assert_allclose(log.time_s, t, atol=1e-4)
    np.testing.assert_allclose(log.current_a, current, atol=1e-9)


def test_mend_of_two_clocks_that_contradict_offers_the_choice_of_one():
    with pytest.raises(InputError) as caught:
        read_log_bytes(written(clock=1000, dated=True), "log.csv")
    assert 'unit = "ms"' in caught.value.mend and 'clock = "wall" or clock = "elapsed"' in caught.value.mend
    log = read_log_bytes(written(clock=1000, dated=True), "log.csv", ColumnsFile(clock="wall"))
    np.testing.assert_allclose(log.time_s, invented_test(1, GROUPS, 10.0, 2.0).time_s)


def test_power_column_against_voltage_times_current():
    t = np.arange(0, 7800.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    u, _ = _cell(t, current)
    with pytest.raises(InputError) as caught:
        read_log_bytes(_table(["Time (s)", "Voltage (V)", "Current (mA)", "Power (W)"], t, u, current, u * current), "log.csv")
    assert 'name = "Current (mA)", role = "current", unit = "A"' in caught.value.mend and "Power (W)" in caught.value.why
    # Another device's power, 60 W on and off, is not that of this pack.
    other = np.where(t % 600 < 300, 60.0, 0.1)
    raw = _table(["Time (s)", "Voltage (V)", "Current (A)", "Power (W)"], t, u, current / 20, other)
    assert read_log_bytes(raw, "log.csv").rows == t.size


@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_counter_off_by_ten_is_no_matter_of_units(factor):
    # No unit differs from another by ten: it is read, and the analysis tells that integral and counter disagree.
    log = read_log_bytes(written(counter=factor), "log.csv")
    assert log.rows == 160
