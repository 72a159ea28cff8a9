"""Direction of the current. Physics: a cell's voltage steps with a charging current (dU/dI > 0, load reference)."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.errors import InputError, Location
from cycler.readers import read_log_bytes
from cycler.readers.sign import settle_sign
from tests.readers.writing import Dialect, invented_test, write_log

WHERE = Location("log.csv")


def _settle(time, voltage, current, modes=None, counters=None, stated=None):
    code, words = None, ()
    if modes is not None:
        words = tuple(dict.fromkeys(modes))
        code = np.array([words.index(word) for word in modes])
    return settle_sign(time, voltage, current, code, words, counters or {}, WHERE, stated)


@pytest.mark.parametrize("factor", [1.0, -1.0])
def test_settle_sign_by_voltage_flips_to_charge_positive(factor):
    truth = invented_test(2)
    reading = _settle(truth.time_s, truth.voltage_v, factor * truth.current_a)
    np.testing.assert_array_equal(reading.current_a, truth.current_a)
    assert reading.discharge_is == ("negative" if factor > 0 else "positive")
    assert "edges" in reading.evidence
    assert [item.code for item in reading.warnings] == ["sign_inferred"]


@pytest.mark.parametrize("factor", [1.0, -1.0])
def test_settle_sign_by_mode_words_needs_no_warning(factor):
    truth = invented_test(2)
    words = [{0: "Ruhe", 1: "Laden", -1: "Entladen"}[int(code)] for code in truth.mode]
    reading = _settle(truth.time_s, truth.voltage_v, factor * truth.current_a, words)
    np.testing.assert_array_equal(reading.current_a, truth.current_a)
    assert reading.warnings == [] and "mode words" in reading.evidence


def test_settle_sign_by_discharge_counter():
    truth = invented_test(2)
    counter = np.cumsum(np.clip(-truth.current_a, 0, None)) * 10 / 3600
    reading = _settle(truth.time_s, truth.voltage_v, -truth.current_a, counters={"discharge_capacity": counter})
    np.testing.assert_array_equal(reading.current_a, truth.current_a)
    assert "counter" in reading.evidence


def test_settle_sign_of_unsigned_current_without_words_asks_each_stretch():
    truth = invented_test(2)
    reading = _settle(truth.time_s, truth.voltage_v, np.abs(truth.current_a))
    np.testing.assert_array_equal(reading.current_a, truth.current_a)
    assert reading.discharge_is == "unsigned"


@pytest.mark.parametrize("part", [slice(70, 160), slice(85, 120)])
def test_settle_sign_of_a_discharge_alone_with_positive_current(part):
    truth = invented_test(2)
    reading = _settle(truth.time_s[part], truth.voltage_v[part], -truth.current_a[part])
    np.testing.assert_array_equal(reading.current_a, truth.current_a[part])
    assert reading.discharge_is == "positive"


def test_settle_sign_with_one_odd_row_is_not_misled():
    truth = invented_test(2)
    current = truth.current_a[:72].copy()
    voltage = truth.voltage_v[:72].copy()
    # One leftover sample of an earlier discharge in the middle of a rest before the charge.
    current[2], voltage[2] = -6.0, voltage[2] + 0.5
    reading = _settle(truth.time_s[:72], voltage, current)
    np.testing.assert_array_equal(reading.current_a, current)


def test_settle_sign_with_words_against_voltage_shows_both():
    truth = invented_test(2)
    words = [{0: "Rest", 1: "Discharge", -1: "Charge"}[int(code)] for code in truth.mode]
    with pytest.raises(InputError) as error:
        _settle(truth.time_s, truth.voltage_v, truth.current_a, words)
    assert "mode words" in error.value.why and "voltage" in error.value.why and "sign" in error.value.mend


def test_settle_sign_with_unsigned_words_against_voltage_shows_both():
    truth = invented_test(2)
    words = [{0: "Rest", 1: "Discharge", -1: "Charge"}[int(code)] for code in truth.mode]
    with pytest.raises(InputError) as error:
        _settle(truth.time_s, truth.voltage_v, np.abs(truth.current_a), words)
    assert "contradict" in error.value.what


def test_settle_sign_with_constant_voltage_asks():
    time = np.arange(60.0)
    with pytest.raises(InputError) as error:
        _settle(time, np.full(60, 3.7), np.where(time > 9, 2.0, 0.0))
    assert "--columns" in error.value.mend


def test_settle_sign_of_zero_current_is_no_error():
    reading = _settle(np.arange(60.0), np.linspace(3.7, 3.69, 60), np.zeros(60))
    assert not reading.current_a.any()


def test_settle_sign_stated_in_columns_file_wins_where_the_voltage_is_silent():
    truth = invented_test(2)
    flat = np.full_like(truth.voltage_v, 11.1)
    reading = _settle(truth.time_s, flat, truth.current_a, stated="discharge_positive")
    np.testing.assert_array_equal(reading.current_a, -truth.current_a)
    assert reading.warnings == []


def test_settle_sign_stated_against_one_edge_is_read_with_a_warning():
    # One step of load of a linear pack (12 V, 0.1 ohm) is an answer, yet no proof: one glitch would look alike.
    time_s = np.arange(40.0)
    current = np.where(time_s >= 20, -2.0, 0.0)
    reading = _settle(time_s, 12.0 + 0.1 * current, current, stated="discharge_positive")
    np.testing.assert_array_equal(reading.current_a, -current)
    assert [item.code for item in reading.warnings] == ["sign_doubtful"]


def test_flipping_the_sign_column_leaves_the_charge_unchanged():
    # Invariance: abs(Q) does not depend on the sign habit of the file.
    truth = invented_test(9)
    a = read_log_bytes(write_log(truth, Dialect(current_style="signed")), "a.csv")
    b = read_log_bytes(write_log(truth, Dialect(current_style="inverse")), "b.csv")
    np.testing.assert_array_equal(a.current_a, b.current_a)


def _flat(current: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hours at 3.30 V within 5 mV, as an LFP group on its plateau reads, with no answer to the current."""
    voltage = 3.30 + np.random.default_rng(seed).uniform(-5e-3, 5e-3, current.size)
    return 10.0 * np.arange(current.size), np.round(voltage, 3), current


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    "levels", [[0.0, 2.0, 0.0, -2.0, 0.0], [0.0, -2.0, 0.0], [0.0, -2.0, 0.0, -1.0, 0.0], [-2.0, -1.0, -2.0]],
)  # fmt: skip
def test_settle_sign_of_signed_current_with_flat_voltage_is_taken_as_written(levels, seed):
    time, voltage, current = _flat(np.repeat(levels, 360), seed)
    reading = _settle(time, voltage, current)
    np.testing.assert_array_equal(reading.current_a, current)
    assert reading.discharge_is == "negative"
    (warning,) = reading.warnings
    assert warning.code == "sign_inferred" and "as written" in warning.message


@pytest.mark.parametrize("seed", range(8))
def test_settle_sign_of_positive_current_with_flat_voltage_asks_one_question(seed):
    time, voltage, current = _flat(np.repeat([0.0, 2.0, 0.0, 1.0, 0.0], 360), seed)
    with pytest.raises(InputError) as error:
        _settle(time, voltage, current)
    assert error.value.what.count("?") == 1 and "charged or discharged" in error.value.what
    assert "sign =" in error.value.mend


def test_settle_sign_with_flat_voltage_that_answers_is_settled_by_the_answer():
    # 10 mOhm and 2 A: 20 mV at each edge stand out of 2 mV of noise, and discharge is positive here.
    time, voltage, current = _flat(np.repeat([0.0, 2.0, 0.0, -2.0, 0.0], 360), 3)
    reading = _settle(time, 3.3 + 0.2 * (voltage - 3.3) - 0.01 * current, current)
    np.testing.assert_array_equal(reading.current_a, -current)
    assert "edges" in reading.evidence


def _long(ohm: float = 0.04):
    """A discharge of 5 V out of 42 V that begins in the log, and its current, discharge negative."""
    t = np.arange(0, 3600.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    return t, 42.0 + np.cumsum(current) * 10 / 3600 * 3.0 + ohm * current, current


@pytest.mark.parametrize("rows", [slice(None), slice(100, None)])
def test_settle_sign_stated_against_a_long_discharge_is_refused(rows):
    # With its one edge, and without any: the voltage falls by 12 % in 50 min, so that no relaxation can explain it.
    t, u, current = _long()
    with pytest.raises(InputError) as error:
        _settle(t[rows], u[rows], current[rows], stated="discharge_positive")
    assert "stated direction" in error.value.what and "voltage rises along positive and falls along negative" in error.value.why
    np.testing.assert_array_equal(_settle(t[rows], u[rows], current[rows], stated="charge_positive").current_a, current[rows])


@pytest.mark.parametrize("seed", range(4))
def test_settle_sign_stated_for_a_flat_noisy_curve_stays_readable(seed):
    # LFP on its plateau: 10 mV of noise on 3.3 V says nothing, and the statement rules.
    time, voltage, current = _flat(np.repeat([0.0, 2.0, 0.0, -2.0, 0.0], 360), seed)
    for sign, turn in (("charge_positive", 1.0), ("discharge_positive", -1.0)):
        np.testing.assert_array_equal(_settle(time, voltage, current, stated=sign).current_a, turn * current)


def test_settle_sign_stated_against_a_slow_recovery_stays_readable():
    # A light load after a heavy one: the voltage recovers by 2 % while it is discharged, edge and slope are silent or agree.
    t = np.arange(0, 3600.0, 10.0)
    u = 36.0 - 0.8 * np.exp(-t / 600)
    np.testing.assert_array_equal(_settle(t, u, np.full(t.size, -0.1), stated="charge_positive").current_a, np.full(t.size, -0.1))


def _read(heads, *columns):
    rows = [",".join(f"{value:.6f}" for value in row) for row in zip(*columns)]
    return read_log_bytes("\n".join([",".join(heads), *rows]).encode(), "log.csv")


@pytest.mark.parametrize(("heading", "turn"), [("Charge current (A)", 1.0), ("Discharge current (A)", -1.0)])
def test_heading_of_one_direction_over_both_signs_is_a_signed_current(heading, turn):
    truth = invented_test(4)
    log = _read(["Time (s)", "Voltage (V)", heading], truth.time_s, truth.voltage_v, turn * truth.current_a)
    np.testing.assert_allclose(log.current_a, truth.current_a, atol=1e-6)
    (warning,) = [item for item in log.reading.warnings if "names one direction" in item.message]
    assert heading in warning.message and log.reading.discharge_is == ("negative" if turn > 0 else "positive")


def test_headings_of_both_directions_over_one_signed_current_are_read_once():
    truth = invented_test(4)
    heads = ["Time (s)", "Voltage (V)", "Charge current (A)", "Discharge current (A)"]
    log = _read(heads, truth.time_s, truth.voltage_v, truth.current_a, -truth.current_a)
    np.testing.assert_allclose(log.current_a, truth.current_a, atol=1e-6)


def test_zero_of_a_meter_under_a_heading_of_one_direction_averages_out():
    # 1 mA of noise is not turned into 0.8 mA of current.
    truth = invented_test(4)
    noise = np.random.default_rng(1).normal(0, 1e-3, truth.time_s.size)
    out = np.clip(-truth.current_a, 0, None) + noise
    rows = slice(66, None)
    log = _read(["Time (s)", "Voltage (V)", "Discharge current (A)"], truth.time_s[rows], truth.voltage_v[rows], out[rows])
    np.testing.assert_allclose(log.current_a, -out[rows], atol=1e-6)


def test_charge_under_a_heading_of_discharge_is_refused_with_both_sides():
    t, _, current = _long()
    u = 37.0 + np.cumsum(-current) * 10 / 3600 * 3.0 - 0.04 * current
    with pytest.raises(InputError) as error:
        _read(["Time (s)", "Voltage (V)", "Discharge current (A)"], t, u, -current)
    assert "Discharge current (A)" in error.value.why and "voltage" in error.value.why and "role" in error.value.mend


@pytest.mark.parametrize("heading", ["Charge current (A)", "Discharge current (A)"])
def test_negative_readings_under_a_heading_of_one_direction_follow_the_voltage(heading):
    t, u, current = _long()
    np.testing.assert_allclose(_read(["Time (s)", "Voltage (V)", heading], t, u, current).current_a, current)


def test_parts_of_which_one_shows_that_the_heading_is_a_signed_current_are_joined():
    from cycler.readers import read_logs_bytes

    truth = invented_test(4)
    parts = []
    for name, rows in (("a.csv", slice(0, 74)), ("b.csv", slice(74, None))):
        cells = zip(truth.time_s[rows], truth.voltage_v[rows], -truth.current_a[rows])
        lines = [",".join(f"{value:.6f}" for value in row) for row in cells]
        parts.append((name, "\n".join(["Time (s),Voltage (V),Discharge current (A)", *lines]).encode()))
    np.testing.assert_allclose(read_logs_bytes(parts).current_a, truth.current_a, atol=1e-6)
