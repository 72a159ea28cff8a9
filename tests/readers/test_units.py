"""Spellings of units, and units settled by cross-checks."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.readers import read_log_bytes
from cycler.units import parse_unit
from tests.readers.writing import Dialect, assert_agrees, invented_test, write_log


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("V", "V"), ("[mV]", "mV"), ("volts", "V"), ("VDC", "V"), ("A", "A"), ("mA", "mA"), ("Amps", "A"), ("uA", "µA"),
        ("Ah", "Ah"), ("mAh", "mAh"), ("AH", "Ah"), ("Amp-Hours", "Ah"), ("A.h", "Ah"), ("mA h", "mAh"), ("A·h", "Ah"),
        ("Wh", "Wh"), ("W.h", "Wh"), ("mWh", "mWh"), ("J", "J"), ("W", "W"), ("°C", "degC"), ("degC", "degC"), ("C", "degC"),
        ("℃", "degC"), ("°F", "degF"), ("K", "K"), ("s", "s"), ("sec", "s"), ("ms", "ms"), ("min", "min"), ("h", "h"),
        ("Stunden", "h"), ("hh:mm:ss", "hh:mm:ss"), ("mΩ", "mohm"), ("mOhm", "mohm"), ("Ω", "ohm"), ("%", "%"),
    ],
)  # fmt: skip
def test_parse_unit_of_spelling(text, symbol):
    assert parse_unit(text).symbol == symbol


@pytest.mark.parametrize("text", ["furlong", "", "x", "Voltage", "1", "mC/s"])
def test_parse_unit_of_unknown_word_gives_none(text):
    assert parse_unit(text) is None


@pytest.mark.parametrize(
    ("symbol", "value", "inner"),
    [
        # SI Brochure, 9th edition: 0 degC = 273.15 K; 1 Ah = 3600 C, 1 Wh = 3600 J by definition of the hour.
        ("K", 300.0, 26.85), ("degF", 98.6, 37.0), ("As", 3600.0, 1.0), ("kJ", 36.0, 10.0), ("mAh", 2500.0, 2.5), ("min", 1.5, 90.0),
    ],
)  # fmt: skip
def test_unit_converts_to_the_inner_unit(symbol, value, inner):
    unit = parse_unit(symbol)
    assert value * unit.factor + unit.offset == pytest.approx(inner)


def _without_units(dialect: Dialect, truth) -> bytes:
    raw = write_log(truth, dialect).decode()
    for unit in (dialect.voltage_unit, dialect.current_unit, dialect.capacity_unit, dialect.temperature_unit, dialect.time_style):
        raw = raw.replace(f" ({unit})", "")
    return raw.encode()


@pytest.mark.parametrize("time_style", ["s", "ms", "min", "h"])
@pytest.mark.parametrize(("current_unit", "capacity_unit"), [("A", "Ah"), ("mA", "mAh"), ("mA", "Ah"), ("A", "mAh")])
def test_units_not_stated_are_settled_by_the_counter(time_style, current_unit, capacity_unit):
    truth = invented_test(4, groups=4)
    dialect = Dialect(time_style=time_style, current_unit=current_unit, capacity_unit=capacity_unit, voltage_unit="mV" if current_unit == "mA" else "V")
    log = read_log_bytes(_without_units(dialect, truth), "log.csv")
    if (current_unit, capacity_unit) in (("A", "Ah"), ("mA", "mAh")):
        # Only these pairs are written by instruments; mixed ones differ from another unit of time by a factor as well.
        assert_agrees(log, truth, dialect)
    warnings = [item for item in log.reading.warnings if item.code == "unit_inferred"]
    assert any("integrated over time" in item.message for item in warnings)


@pytest.mark.parametrize("unit", ["V", "mV"])
def test_pack_voltage_without_unit_is_settled_by_the_sum_of_the_groups(unit):
    truth = invented_test(4, groups=10)
    raw = write_log(truth, Dialect(voltage_unit=unit)).decode().replace(f"Voltage ({unit})", "Voltage")
    log = read_log_bytes(raw.encode(), "log.csv")
    np.testing.assert_allclose(log.voltage_v, truth.voltage_v, atol=6e-5)
    evidence = next(item.evidence for item in log.reading.columns if item.role == "voltage")
    assert "the groups add up to" in evidence


def test_pack_voltage_of_37000_without_groups_is_millivolts():
    truth = invented_test(4, groups=10)
    raw = write_log(truth, Dialect(voltage_unit="mV", group_style="none")).decode().replace(" (mV)", "")
    log = read_log_bytes(raw.encode(), "log.csv")
    np.testing.assert_allclose(log.voltage_v, truth.voltage_v, atol=6e-5)


def test_every_inferred_unit_has_its_warning_and_evidence():
    truth = invented_test(4)
    log = read_log_bytes(_without_units(Dialect(), truth), "log.csv")
    said = " ".join(item.message for item in log.reading.warnings if item.code == "unit_inferred")
    for name in ("Time", "Voltage", "Current", "Cell 1", "Capacity", "Temperature"):
        assert name in said
    assert all(item.evidence for item in log.reading.columns)


@pytest.mark.parametrize(("scale", "symbol"), [(1.0, "Wh"), (1000.0, "mWh"), (3600.0, "J")])
def test_two_energy_counters_without_a_unit_are_both_read_by_the_integral(scale, symbol):
    # Trapezoid of U * I, split by direction; 1 Wh = 3600 J.
    truth = invented_test(3)
    power = truth.voltage_v * truth.current_a
    moved = (power[1:] + power[:-1]) / 2 * np.diff(truth.time_s) / 3600
    counted = [np.concatenate([[0.0], np.cumsum(np.clip(sign * moved, 0, None))]) for sign in (1, -1)]
    rows = ["Time (s),Voltage (V),Current (A),Charge energy,Discharge energy"]
    rows += [
        f"{t:.0f},{u:.4f},{i:.4f},{scale * a:.6f},{scale * b:.6f}"
        for t, u, i, a, b in zip(truth.time_s, truth.voltage_v, truth.current_a, *counted)
    ]
    log = read_log_bytes("\n".join(rows).encode(), "log.csv")
    for key, wanted in zip(("charge_energy", "discharge_energy"), counted):
        np.testing.assert_allclose(log.counters[key], wanted, atol=1e-5)
    assert [c.unit for c in log.reading.columns if c.role == "energy"] == [symbol, symbol]
