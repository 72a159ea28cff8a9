"""Temperatures of an analysis: NTC resistances by the stated curve, sensors in doubt, and what the contract says of each."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.log import Gap
from cycler.measures.thermistor import resistance_ohm, temperature_c, tolerance_shift
from cycler.pack_temperature import ThermistorCurve
from tests.corelogs import PACK_10AH, make_log, simple_test

CURVE = ThermistorCurve(r25_ohm=10_000.0, b_k=3435.0, defaulted=("r25_tolerance", "b_tolerance"))
PACK = replace(PACK_10AH, thermistor=CURVE)
PLAIN, _ = simple_test((10.0, 10.2, 9.9), dt=5.0)
OFFSET_U = PACK_10AH.instrument.temperature_offset_c / math.sqrt(3.0)


def warming(start_c: float = 21.2, by_k: float = 6.0, log=PLAIN) -> np.ndarray:
    """A pack that warms in step with time, with the noise of a tenth of a kelvin. [degC]"""
    noise = 0.05 * np.sin(np.arange(log.rows) * 12.9898)
    return start_c + by_k * log.time_s / log.time_s[-1] + noise


def test_log(temperature=None, ntc_c=None, names=(), ntc_names=(), curve=CURVE, ohm=None):
    """The simple test with other sensors; ``ntc_c`` are temperatures that become resistances by a curve."""
    heat = np.empty((PLAIN.rows, 0)) if temperature is None else np.column_stack(temperature)
    if ntc_c is not None:
        ohm = resistance_ohm(np.column_stack(ntc_c), curve)
    return make_log(
        PLAIN.time_s, None, PLAIN.current_a, PLAIN.group_voltage_v, heat, temperature_names=tuple(names), thermistor_ohm=ohm,
        thermistor_names=tuple(ntc_names),
    )


test_log.__test__ = False


def codes(found, code):
    return [item for item in found["findings"] if item["code"] == code]


def test_resistances_with_a_curve_give_the_figures_of_the_temperatures():
    heat = warming()
    by_ntc = analyze(test_log(ntc_c=[heat], ntc_names=("NTC 1 (ohm)",)), PACK).to_dict()
    by_degrees = analyze(test_log([heat], names=("T1 (°C)",)), PACK).to_dict()
    for key in ("max_c", "rise_c", "max_rate_c_per_min", "ambient_c"):
        assert by_ntc["thermal"][key] == pytest.approx(by_degrees["thermal"][key], rel=1e-9), key
    assert by_ntc["capacity"]["mean_temperature_c"] == pytest.approx(by_degrees["capacity"]["mean_temperature_c"])
    assert by_ntc["steps"][-1]["max_temperature_c"] == pytest.approx(by_degrees["steps"][-1]["max_temperature_c"])
    row = by_ntc["thermal"]["sensors"][0]
    assert (row["name"], row["source"], row["reasons"]) == ("NTC 1 (ohm)", "ntc", [])
    assert "B 3435 K" in row["evidence"] and row["evidence"].count("(assumed)") == 2
    assert by_ntc["pack"]["thermistor"]["b_k"] == 3435.0


def test_uncertainty_of_an_ntc_joins_the_bench_and_the_tolerances_of_the_part():
    heat = warming(by_k=25.0)
    row = analyze(test_log(ntc_c=[heat], ntc_names=("NTC",)), PACK).to_dict()["thermal"]["sensors"][0]
    ends = tolerance_shift(resistance_ohm(np.array([row["start_c"], row["max_c"]]), CURVE), CURVE)
    # Root of the sum of squares of independent sources (JCGM 100, 5.1.2; from memory).
    assert row["u_max_c"] == pytest.approx(math.hypot(OFFSET_U, ends.u_k[1]))
    assert math.sqrt(sum(line["standard_uncertainty_c"] ** 2 for line in row["budget"])) == pytest.approx(row["u_max_c"])
    assert [line["source"] for line in row["budget"]] == ["temperature reading", "R25 of the thermistor", "B of the thermistor"]
    # Second method, Monte Carlo (JCGM 101): 4000 parts drawn from the tolerances; the same part reads start and top.
    rng = np.random.default_rng(9)
    ohm = resistance_ohm(np.array([row["start_c"], row["max_c"]]), CURVE)
    parts = [
        ThermistorCurve(r25_ohm=10_000.0 * (1 + rng.uniform(-0.01, 0.01)), b_k=3435.0 * (1 + rng.uniform(-0.01, 0.01)))
        for _ in range(4000)
    ]
    read = np.array([temperature_c(ohm, part) for part in parts])
    assert math.hypot(0.5 * OFFSET_U, np.std(np.diff(read, axis=1))) == pytest.approx(row["u_rise_c"], rel=0.01)
    assert math.hypot(OFFSET_U, np.std(read[:, 1])) == pytest.approx(row["u_max_c"], rel=0.02)


def test_logged_degrees_carry_the_bench_alone():
    found = analyze(test_log([warming()], names=("T1",)), PACK).to_dict()["thermal"]
    assert found["u_max_c"] == pytest.approx(OFFSET_U) and found["u_rise_c"] == pytest.approx(0.5 * OFFSET_U)
    assert found["sensors"][0]["u_max_c"] == found["u_max_c"] and found["hottest_sensor"] == "T1"


def test_resistances_without_a_curve_give_no_temperature_and_say_what_to_add():
    found = analyze(test_log(ntc_c=[warming(), warming()], ntc_names=("NTC 1", "NTC 2")), PACK_10AH).to_dict()
    (told,) = codes(found, "thermistor_curve_unknown")
    assert told["severity"] == "info" and "[thermistor]" in told["message"] and "r25_ohm and b_k" in told["message"]
    assert found["thermal"]["max_c"] is None and found["thermal"]["reasons"] == ["thermistor_curve_unknown"]
    assert [(row["name"], row["source"], row["max_c"]) for row in found["thermal"]["sensors"]] == [("NTC 1", "ntc", None), ("NTC 2", "ntc", None)]
    assert found["capacity"]["mean_temperature_c"] is None
    assert "thermistor_curve_unknown" not in {item["code"] for item in analyze(test_log([warming()]), PACK_10AH).to_dict()["findings"]}


def test_charging_below_freezing_is_found_by_an_ntc():
    cold = np.where(PLAIN.current_a > 0, -3.0, 15.0) + 0.02 * np.sin(np.arange(PLAIN.rows))
    found = analyze(test_log(ntc_c=[cold], ntc_names=("NTC",)), PACK).to_dict()
    (told,) = [item for item in codes(found, "temperature_out_of_range") if "charged at" in item["message"]]
    assert told["severity"] == "defect" and "-3.0 °C" in told["message"]
    charged = sum(s["duration_s"] for s in found["steps"] if s["kind"].startswith("charge"))
    assert found["thermal"]["sensors"][0]["time_below_0c_charging_s"] == pytest.approx(charged, abs=20.0)
    # A maker who allows it says so in the pack file.
    allowed = replace(PACK, charge_temperature_c=(-10.0, 55.0))
    again = analyze(test_log(ntc_c=[cold], ntc_names=("NTC",)), allowed).to_dict()
    assert not [item for item in codes(again, "temperature_out_of_range") if "charged at" in item["message"]]
    assert again["thermal"]["charge_window_c"] == [-10.0, 55.0]
    assert again["thermal"]["sensors"][0]["time_outside_charge_window_s"] == 0.0


@pytest.mark.parametrize(("value_ohm", "code", "word"), [(5e7, "open_circuit", "open"), (40.0, "short_circuit", "shorted"), (0.0, "resistance_not_positive", "no resistance")])
def test_open_and_shorted_thermistors_are_named_and_left_out(value_ohm, code, word):
    good = resistance_ohm(warming(), CURVE)
    ohm = np.column_stack([good, np.full(PLAIN.rows, value_ohm)])
    found = analyze(test_log(ohm=ohm, ntc_names=("NTC 1", "NTC 2")), PACK).to_dict()
    (told,) = codes(found, "temperature_sensor_doubtful")
    assert told["severity"] == "caution" and "NTC 2" in told["message"] and word in told["evidence"]
    assert ("may really have been so hot" in told["message"]) == (code == "short_circuit")
    row = found["thermal"]["sensors"][1]
    assert row["excluded"] and row["reasons"] == [code] and row["max_c"] is None
    assert found["thermal"]["max_c"] == pytest.approx(27.2, abs=0.1)


def test_sensor_that_lost_contact_for_a_while_keeps_its_other_readings():
    heat = warming()
    heat[100:140] = -127.0
    found = analyze(test_log([heat], names=("T1",)), PACK).to_dict()
    assert "40 readings" in codes(found, "temperature_sensor_doubtful")[0]["evidence"]
    row = found["thermal"]["sensors"][0]
    assert not row["excluded"] and row["reasons"] == ["impossible_value"] and row["max_c"] == pytest.approx(27.2, abs=0.1)
    assert found["thermal"]["ambient_c"] == pytest.approx(21.2, abs=0.1)


def test_thermistor_open_most_of_the_time_is_not_believed_at_all():
    ohm = resistance_ohm(warming(), CURVE)[:, None]
    ohm[: int(0.6 * PLAIN.rows)] = 5e7
    row = analyze(test_log(ohm=ohm, ntc_names=("NTC",)), PACK).to_dict()["thermal"]["sensors"][0]
    assert row["excluded"] and row["reasons"] == ["open_circuit"] and row["max_c"] is None


def test_joint_of_two_files_is_no_heating():
    half = PLAIN.rows // 2
    log = test_log([np.where(np.arange(PLAIN.rows) < half, 20.0, 40.0) + 0.01 * (np.arange(PLAIN.rows) % 2)], names=("T1",))
    joint = Gap(float(log.time_s[half - 1]), float(log.time_s[half] - log.time_s[half - 1]), "joint between two files")
    joined = replace(log, reading=replace(log.reading, gaps=(joint,)))
    assert analyze(log, PACK).to_dict()["thermal"]["max_rate_c_per_min"] > 15.0
    assert analyze(joined, PACK).to_dict()["thermal"]["max_rate_c_per_min"] < 0.1


def test_sensor_at_its_power_on_value_makes_no_danger():
    found = analyze(test_log([warming(), np.full(PLAIN.rows, 85.0)], names=("T1", "T2")), PACK).to_dict()
    assert not codes(found, "temperature_high")
    assert codes(found, "temperature_sensor_doubtful")[0]["message"].endswith("isolate it and do not use it.")
    assert found["thermal"]["hottest_sensor"] == "T1"


def test_pack_that_really_gets_hot_is_a_danger():
    found = analyze(test_log([warming(by_k=70.0)], names=("T1",)), PACK).to_dict()
    assert codes(found, "temperature_high")[0]["severity"] == "danger" and not codes(found, "temperature_sensor_doubtful")
    row = found["thermal"]["sensors"][0]
    # Closed form: from 21.2 to 91.2 degC in a straight line, above L for (91.2 - L)/70 of the time.
    whole = PLAIN.time_s[-1]
    assert row["time_above_45c_s"] == pytest.approx(whole * (91.2 - 45.0) / 70.0, rel=2e-3)
    assert row["time_above_60c_s"] == pytest.approx(whole * (91.2 - 60.0) / 70.0, rel=2e-3)
    # Half the change if the limit moves by u: u/70 K of the time.
    assert row["u_time_above_60c_s"] == pytest.approx(whole * OFFSET_U / 70.0, rel=0.02)
    assert row["max_rate_c_per_min"] == pytest.approx(70.0 / whole * 60.0, rel=0.1)


def test_frozen_sensor_is_left_out_of_every_figure():
    found = analyze(test_log([np.full(PLAIN.rows, 38.7), warming()], names=("T1", "T2")), PACK).to_dict()
    assert "frozen" in codes(found, "temperature_sensor_doubtful")[0]["evidence"]
    assert found["thermal"]["hottest_sensor"] == "T2"
    alone = analyze(test_log([np.full(PLAIN.rows, 38.7)], names=("T1",)), PACK).to_dict()
    assert alone["thermal"]["max_c"] is None and alone["thermal"]["reasons"] == ["frozen"]
    assert alone["capacity"]["mean_temperature_c"] is None


@pytest.mark.parametrize(
    ("name", "above_k", "found_it"), [("T3", 7.0, True), ("T3", 4.5, False), ("T board", 7.0, False), ("Ambient", 7.0, False), ("NTC load", 9.0, False)]
)
def test_sensor_hotter_than_its_siblings(name, above_k, found_it):
    log = test_log([warming(), warming(), warming() + above_k * PLAIN.time_s / PLAIN.time_s[-1]], names=("T1", "T2", name))
    told = codes(analyze(log, PACK).to_dict(), "sensor_hotter_than_siblings")
    assert [item["severity"] for item in told] == (["caution"] if found_it else [])
    if found_it:
        assert name in told[0]["message"] and "7.0 K" in told[0]["message"] and "+0.0 K at the start" in told[0]["evidence"]


def test_sensor_hotter_than_siblings_needs_more_than_the_sensors_own_errors():
    poor = replace(PACK, instrument=replace(PACK.instrument, temperature_offset_c=4.0))
    log = test_log([warming(), warming() + 6.0], names=("T1", "T2"))
    # Two sensors of +/- 4 K: expanded uncertainty of their difference 2 sqrt(2) 4/sqrt(3) = 6.5 K.
    assert codes(analyze(log, PACK).to_dict(), "sensor_hotter_than_siblings")
    assert not codes(analyze(log, poor).to_dict(), "sensor_hotter_than_siblings")


def test_log_without_sensors_says_so_in_the_same_keys():
    bare, full = (analyze(log, PACK).to_dict()["thermal"] for log in (test_log(), test_log([warming()])))
    assert bare.keys() == full.keys()
    assert bare["sensors"] == [] and bare["reasons"] == ["no_temperature"] and bare["max_c"] is None
    json.dumps((bare, full), allow_nan=False)


def test_rows_of_all_sensors_hold_the_same_keys():
    log = test_log([warming(), np.full(PLAIN.rows, -127.0)], [warming()], ("T1", "T2"), ("NTC 1",))
    with_curve, without = (analyze(log, pack).to_dict()["thermal"]["sensors"] for pack in (PACK, PACK_10AH))
    assert [len(rows) for rows in (with_curve, without)] == [3, 3]
    assert len({frozenset(row) for row in (*with_curve, *without)}) == 1
