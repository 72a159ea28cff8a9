"""Groups and taps. Truth: invented group voltages that differ from one another, so that no order can be mistaken."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import parse_columns, read_log_bytes
from tests.readers.writing import invented_test

TRUTH = invented_test(3, 4)
GROUPS = TRUTH.group_v + np.array([0.0, 0.05, 0.1, -0.05])
UP, DOWN = np.cumsum(GROUPS, axis=1), np.cumsum(GROUPS[:, ::-1], axis=1)


def _log(columns, word="Tap", unit="V", pack=True, statement=None):
    heads = ["Time (s)", *(["Voltage (V)"] if pack else []), "Current (A)", *(f"{word} {k + 1} ({unit})" for k in range(columns.shape[1]))]
    total = [GROUPS.sum(axis=1)] if pack else []
    rows = [",".join(f"{value:.5f}" for value in row) for row in np.column_stack([TRUTH.time_s, *total, TRUTH.current_a, columns])]
    stated = None
    if statement is not None:
        role = "tap_voltage" if word == "Tap" else "group_voltage"
        blocks = [f'[[column]]\nname = "{word} {k + 1} ({unit})"\nrole = "{role}"\ngroup = {group}\n' for k, group in enumerate(statement)]
        stated = parse_columns("".join(blocks), "columns.toml")
    return read_log_bytes("\n".join([",".join(heads), *rows]).encode(), "log.csv", stated)


def _message(log, code):
    return "".join(item.message for item in log.reading.warnings if item.code == code)


@pytest.mark.parametrize(("word", "pack", "count", "statement"), [
    ("Tap", True, 4, None), ("Tap", True, 3, None), ("Tap", True, 4, (4, 3, 2, 1)), ("Tap", True, 3, (4, 3, 2, 1)),
    ("Cell", True, 4, None), ("Cell", True, 3, None), ("Tap", False, 4, None), ("Tap", False, 4, (4, 3, 2, 1)),
])  # fmt: skip
def test_negative_taps_are_against_pack_positive(word, pack, count, statement):
    # With three of the four taps, the last group lies between the lowest tap and the pack voltage.
    log = _log(-DOWN[:, :count], word, pack=pack, statement=statement and statement[:count])
    np.testing.assert_allclose(log.group_voltage_v, GROUPS, atol=3e-5)
    assert "pack positive" in _message(log, "taps_converted") and "leads" not in _message(log, "voltage_reversed")


@pytest.mark.parametrize(("columns", "statement", "end"), [
    (DOWN, (4, 3, 2, 1), "positive"), (DOWN[:, ::-1], (1, 2, 3, 4), "positive"), (DOWN[:, :3], (4, 3, 2), "positive"),
    (UP, (1, 2, 3, 4), "negative"), (UP[:, ::-1], (4, 3, 2, 1), "negative"), (UP[:, :3], (1, 2, 3), "negative"),
    (UP[:, [2, 0, 3, 1]], (3, 1, 4, 2), "negative"),
])  # fmt: skip
def test_groups_stated_for_taps_rule(columns, statement, end):
    log = _log(columns, statement=statement)
    np.testing.assert_allclose(log.group_voltage_v, GROUPS, atol=3e-5)
    assert f"measured against pack {end}" in _message(log, "taps_converted")
    assert tuple(item.group for item in log.reading.columns if item.role == "tap_voltage") == statement


def test_groups_stated_for_taps_against_their_voltages_are_refused():
    with pytest.raises(InputError) as caught:
        _log(UP, statement=(1, 3, 2, 4))
    assert "Tap 2 (V) 7.2" in caught.value.why and "group 3" in caught.value.why


def test_volts_under_a_heading_of_millivolts_are_refused():
    with pytest.raises(InputError) as caught:
        _log(GROUPS, "Cell", "mV")
    assert "Cell 1 (mV)" in caught.value.what and 'unit = "V"' in caught.value.mend


def test_open_inputs_that_flicker_are_left_out_and_called_what_they_are():
    flicker = np.abs(np.random.default_rng(2).normal(2e-3, 1e-3, (TRUTH.time_s.size, 2)))
    log = _log(np.column_stack([GROUPS, flicker, 0 * flicker]), "Cell")
    np.testing.assert_allclose(log.group_voltage_v, GROUPS, atol=3e-5)
    assert "but below 0.1 V were ignored: Cell 5 (V), Cell 6 (V), Cell 7 (V), Cell 8 (V)" in _message(log, "group_unused")


def test_one_group_stated_for_two_columns_is_refused_with_both_lines():
    with pytest.raises(InputError) as caught:
        _log(GROUPS, "Cell", statement=(1, 2, 2, 3))
    assert caught.value.what == "group 2 is stated for two columns"
    assert "line 5" in caught.value.why and "line 9" in caught.value.why and "Cell 3 (V)" in caught.value.why


def test_missing_group_is_named():
    assert "no readings of group 3." in _message(_log(GROUPS, "Cell", statement=(1, 2, 4, 5)), "group_missing")
