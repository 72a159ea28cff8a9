"""Thermistors of a bench sheet against published tables, and what is said of those that are broken, unknown or out of place.

Sources: the table of a 10 kohm NTC of the "3435" class (part B57330V2103) as carried by the NTC driver of the Linux kernel's hwmon subsystem, which names the
maker's data sheet; the extended coefficients of the "3977" class (several independent public sources); the B-value relation of IEC 60539-1 (from memory).
Values marked closed form follow from the stated formula.
"""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.measures.thermistor import b_from_two_points, resistance_ohm
from cycler.pack import Pack
from cycler.pack_temperature import ThermistorCurve
from cycler.repair.meter import Meter
from cycler.repair.probes import (
    curve_of_type,
    evaluate_probes,
    known_types,
    matched_types,
    probe_types,
    read_types,
    second_temperature,
    temperature_of,
)
from cycler.repair.sheet import BenchSheet, Probe

EXACT = Meter(resistance_gain=0.0, resistance_offset_ohm=0.0)
# degC: ohm, the kernel driver's table.
TABLE = {-40: 190030, -20: 68104, -10: 42576, 0: 27326, 5: 22096, 10: 17973, 15: 14703, 20: 12090, 25: 10000, 30: 8311, 40: 5825, 45: 4911, 50: 4158, 60: 3019, 85: 1451, 100: 973}
# degC: ohm, worked out from the published coefficients of the 3977 class.
TABLE_3977 = {-40: 332100, -20: 96360, -10: 55047, 0: 32555, 10: 19873, 20: 12488, 25: 10000, 30: 8059, 40: 5330, 45: 4372, 50: 3605, 60: 2490, 70: 1753, 85: 1070, 100: 677.3}
B3435 = ThermistorCurve(r25_ohm=10_000.0, b_k=3435.0)


def one(ohm, *, celsius=None, ambient=20.0, curve=None, **sheet):
    """Row and remarks of a sheet with one probe."""
    rows, remarks = evaluate_probes(BenchSheet(ambient_c=ambient, probes=(Probe("cells", ohm, temperature_c=celsius, curve=curve),), **sheet))
    return rows[0], remarks


def codes(remarks):
    return [remark["code"] for remark in remarks]


@pytest.mark.parametrize("celsius", [c for c in TABLE if c >= -20])
def test_type_3435_reads_the_published_table(celsius):
    row, remarks = one(TABLE[celsius], celsius=celsius, curve=curve_of_type("10k-3435"))
    assert row["temperature_c"] == pytest.approx(celsius, abs=0.05)
    assert row["type_from"] == "stated" and row["board_believes_c"] == row["temperature_c"]
    assert "probe_out_of_place" not in codes(remarks)


@pytest.mark.parametrize("celsius", TABLE_3977)
def test_type_3977_reads_the_published_coefficients(celsius):
    assert temperature_of(TABLE_3977[celsius], curve_of_type("10k-3977"), EXACT)[0] == pytest.approx(celsius, abs=0.02)


# Closed form R25 exp[B (1/T - 1/298.15 K)], worked out by a second program; ohm at degC.
@pytest.mark.parametrize(("celsius", "ohm"), [(-20, 105384.69), (0, 33620.60), (20, 12535.33), (30, 8037.14), (45, 4348.14), (60, 2486.16)])
def test_type_3950_is_the_b_equation(celsius, ohm):
    assert temperature_of(ohm, curve_of_type("10k-3950"), EXACT)[0] == pytest.approx(celsius, abs=1e-4)
    assert temperature_of(10.0 * ohm, curve_of_type("100k-3950"), EXACT)[0] == pytest.approx(celsius, abs=1e-4)


# B between 25 and 85 degC by the relation of IEC 60539-1 (from memory), of each type's own curve.
@pytest.mark.parametrize(("code", "b_k", "within"), [("10k-3435", 3435.4, 2.0), ("10k-3950", 3950.0, 0.01), ("10k-3977", 3977.0, 3.0), ("100k-3950", 3950.0, 0.01), ("100k-4250", 4250.0, 0.01)])
def test_types_have_the_b_value_of_their_name(code, b_k, within):
    warm, cold = (float(resistance_ohm(np.array([c]), curve_of_type(code))[0]) for c in (85.0, 25.0))
    assert b_from_two_points(cold, 25.0, warm, 85.0) == pytest.approx(b_k, abs=within)


# R25 and B within 1 %, rectangular: closed form, 0.01 T^2/B and 0.01 T^2 |1/T - 1/298.15 K|, added as squares, over root 3.
@pytest.mark.parametrize(("celsius", "u_k"), [(0, 0.18224), (25, 0.14941), (45, 0.21006), (60, 0.29289)])
def test_uncertainty_by_the_tolerances_alone(celsius, u_k):
    ohm = float(resistance_ohm(np.array([celsius]), B3435)[0])
    assert temperature_of(ohm, B3435, EXACT)[1] == pytest.approx(u_k, abs=2e-4)


def test_uncertainty_of_the_ohmmeter_comes_on_top():
    # Closed form: dT = T^2/B dR/R; 1 % of reading as a rectangle is 0.2588 K / root 3 at 25 degC, beside 0.14941 K of the part.
    meter = replace(EXACT, resistance_gain=0.01)
    assert temperature_of(10_000.0, B3435, meter)[1] == pytest.approx(math.hypot(0.14941, 0.25879 / math.sqrt(3.0)), rel=0.01)
    # One line of a data sheet is one limit: its parts add up; two keys are two limits.
    parts = {"resistance_gain": 0.01, "resistance_offset_ohm": 100.0}
    one_line = replace(EXACT, **parts, stated={"resistance": "1 % + 100"})
    assert temperature_of(10_000.0, B3435, one_line)[1] > temperature_of(10_000.0, B3435, replace(EXACT, **parts))[1]


# ---- unknown types -----------------------------------------------------------------------------------------------


def matched(*readings):
    """Codes of the types that fit (ohm, degC) pairs known to 1 K."""
    return {kind.code for kind in matched_types([(ohm, c, 1.0 / math.sqrt(3.0), 1.0) for ohm, c in readings], Meter())}


def test_reading_at_25_degrees_tells_the_size_and_not_the_slope():
    row, remarks = one(10_000.0, ambient=25.0)
    assert row["type"] is None and row["type_from"] is None and len(row["candidates"]) == 3
    assert all(words.startswith("10 kΩ") for words in row["candidates"])
    assert row["temperature_c"] == pytest.approx(25.0, abs=0.2) and row["board_believes_c"] == pytest.approx(25.0, abs=0.2)
    assert codes(remarks) == ["probe_type_unknown"] and remarks[0]["severity"] == "info"
    assert "0 °C" in remarks[0]["message"] and "27.3 kΩ" in remarks[0]["message"] and "33.6 kΩ" in remarks[0]["message"]
    row, _ = one(100_000.0, ambient=25.0)
    assert len(row["candidates"]) == 2 and all(words.startswith("100 kΩ") for words in row["candidates"])


def test_second_reading_in_ice_tells_the_slope():
    # The kernel's table at 0 degC, and the 3977 class there: 5 kohm apart, and 3950 from 3977 by only 3 %.
    assert matched((TABLE[25], 25.0), (TABLE[0], 0.0)) == {"10k-3435"}
    assert matched((TABLE_3977[25], 25.0), (TABLE_3977[0], 0.0)) == {"10k-3950", "10k-3977"}
    assert matched((TABLE[25], 25.0)) == {"10k-3435", "10k-3950", "10k-3977"}


def test_two_entries_of_one_name_are_one_probe():
    probes = (Probe("cells", 12_090.0), Probe("cells", 27_326.0, temperature_c=0.0), Probe("board", 12_090.0))
    rows, remarks = evaluate_probes(BenchSheet(ambient_c=20.0, probes=probes))
    assert [row["type_from"] for row in rows] == ["matched", "matched", None]
    assert rows[1]["temperature_c"] == pytest.approx(0.0, abs=0.1)
    assert "probes_differ" not in codes(remarks) and "board_refuses_charge" not in codes(remarks)
    cold = evaluate_probes(BenchSheet(ambient_c=20.0, probes=(*probes[:1], replace(probes[1], ohm=29_000.0, temperature_c=-1.2))))
    assert cold[0][1]["temperature_c"] < 0.0 and "board_refuses_charge" not in codes(cold[1])


def test_second_temperature_is_none_where_it_would_tell_nothing():
    kinds = {kind.code: kind for kind in probe_types()}
    assert second_temperature([kinds["10k-3950"], kinds["10k-3977"]]) is None
    celsius, shown = second_temperature([kinds["10k-3435"], kinds["10k-3950"]])
    assert celsius == 0.0 and shown == pytest.approx([27_326.0, 33_620.6], rel=1e-3)


def test_no_usual_type_fits():
    row, remarks = one(47_000.0, ambient=21.0)
    assert row["candidates"] == [] and row["temperature_c"] is None and row["board_believes_c"] is None
    assert codes(remarks) == ["probe_type_unknown"] and remarks[0]["severity"] == "caution"
    assert "faulty" in remarks[0]["message"]


def test_without_ambient_no_type_is_matched():
    row, remarks = one(10_000.0, ambient=None)
    assert row["temperature_c"] is None and row["candidates"] == [] and "temperature of the room" in remarks[0]["message"]
    assert one(10_000.0, ambient=None, curve=B3435)[0]["temperature_c"] == pytest.approx(25.0)


# ---- faults ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", [None, B3435])
@pytest.mark.parametrize(("ohm", "code", "believes"), [(math.inf, "probe_open", -40.0), (2e7, "probe_open", -40.0), (0.0, "probe_shorted", 125.0), (0.6, "probe_shorted", 125.0)])
def test_open_and_shorted(ohm, code, believes, curve):
    row, remarks = one(ohm, curve=curve)
    assert row["findings"] == [code, "board_refuses_charge"] and row["board_believes_c"] == believes and row["temperature_c"] is None
    assert codes(remarks) == [code] and remarks[0]["probe"] == "cells" and remarks[0]["severity"] == "defect"
    assert ("colder than -40" if believes < 0 else "hotter than 125") in remarks[0]["message"] and "0 to 45 °C" in remarks[0]["message"]
    json.dumps([row, remarks], allow_nan=False)


def test_ends_of_a_stated_curve_decide_between_cold_and_open():
    # The table's own value at -40 degC is a temperature, a fifth more is an open lead.
    curve = curve_of_type("10k-3435")
    assert one(TABLE[-40] * 0.98, ambient=-38.0, curve=curve)[0]["temperature_c"] == pytest.approx(-39.6, abs=0.5)
    assert one(TABLE[-40] * 1.2, curve=curve)[0]["findings"][0] == "probe_open"


def test_out_of_place_beyond_uncertainty_and_five_kelvin():
    near = float(resistance_ohm(np.array([26.0]), B3435)[0])
    far = float(resistance_ohm(np.array([29.5]), B3435)[0])
    assert codes(one(near, curve=B3435, rested_h=40.0)[1]) == []
    row, remarks = one(far, curve=B3435, rested_h=40.0)
    assert row["findings"] == ["probe_out_of_place"] and remarks[0]["severity"] == "defect"
    assert "9.5 K above" in remarks[0]["message"] and "±" in remarks[0]["message"]
    # A pack that may still be warm is a doubt, not a defect; a colder one is not.
    assert one(far, curve=B3435, rested_h=0.5)[1][0]["severity"] == "caution"
    cold = float(resistance_ohm(np.array([8.0]), B3435)[0])
    assert one(cold, curve=B3435, rested_h=0.5)[1][0]["severity"] == "defect"


def test_wrong_type_after_a_repair_is_named():
    row, remarks = one(118_000.0, ambient=21.5, curve=curve_of_type("10k-3435"), rested_h=20.0)
    assert row["findings"] == ["probe_out_of_place", "board_refuses_charge", "board_refuses_discharge"]
    assert "100 kΩ, B 3950 K" in remarks[0]["message"]


def test_curve_of_the_pack_counts_for_its_probes():
    row, _ = one(10_000.0, ambient=25.0, pack=Pack(thermistor=B3435))
    assert row["type_from"] == "stated" and row["temperature_c"] == pytest.approx(25.0)


def test_what_the_board_does_at_the_temperature_it_believes():
    freezing, hot = (float(resistance_ohm(np.array([c]), B3435)[0]) for c in (-4.0, 48.0))
    row, remarks = one(freezing, ambient=-3.0, curve=B3435)
    assert row["findings"] == ["board_refuses_charge"] and codes(remarks) == ["board_refuses_charge"] and "0 to 45 °C" in remarks[0]["message"]
    assert one(hot, ambient=47.0, curve=B3435)[0]["findings"] == ["board_refuses_charge"]
    wide = Pack(charge_temperature_c=(-20.0, 55.0))
    assert one(freezing, ambient=-3.0, curve=B3435, pack=wide)[1] == []


def test_two_probes_against_each_other():
    ohm = [float(resistance_ohm(np.array([c]), B3435)[0]) for c in (17.0, 24.5)]
    sheet = BenchSheet(ambient_c=20.0, rested_h=30.0, probes=(Probe("cells", ohm[0], curve=B3435), Probe("board", ohm[1], curve=B3435)))
    rows, remarks = evaluate_probes(sheet)
    assert codes(remarks) == ["probes_differ"] and "7.5 K warmer" in remarks[0]["message"] and remarks[0]["probe"] == "board"
    assert all(row["findings"] == ["probes_differ"] for row in rows)
    near = replace(sheet, probes=(sheet.probes[0], replace(sheet.probes[1], ohm=float(resistance_ohm(np.array([20.0]), B3435)[0]))))
    assert evaluate_probes(near)[1] == []
    # Put at two temperatures on purpose: what they differ by is expected.
    warmed = replace(sheet, probes=(replace(sheet.probes[0], temperature_c=17.0), replace(sheet.probes[1], temperature_c=24.5)))
    assert evaluate_probes(warmed)[1] == []


def test_probe_not_read_says_nothing():
    row, remarks = one(None)
    assert row["findings"] == ["probe_not_read"] and row["temperature_c"] is None and remarks == []


def test_believed_temperature_falls_as_the_resistance_rises():
    for curve in (None, B3435, curve_of_type("10k-3977")):
        believed = [one(float(ohm), curve=curve)[0]["board_believes_c"] for ohm in np.geomspace(8_000.0, 16_000.0, 9)]
        assert all(a > b for a, b in itertools.pairwise(believed) if a is not None and b is not None)


# ---- the file of types -------------------------------------------------------------------------------------------


def test_types_have_sources_and_unknown_codes_are_refused():
    assert [code for code, _ in known_types()] == ["10k-3435", "10k-3950", "10k-3977", "100k-3950", "100k-4250"]
    assert all(kind.source for kind in probe_types())
    with pytest.raises(InputError, match="no thermistor type 22k"):
        curve_of_type("22k")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no thermistor type"),
        ('[[type]]\ncode = "a"\nwords = "b"\nr25_ohm = 1e4\nb_k = 3435\n', ":1: error: a thermistor type is not complete"),
        ('[[type]]\ncode = "a"\nwords = "b"\nsource = "c"\nr25_ohm = 1e4\n', "curve is not complete"),
        ('[[type]]\ncode = "a"\nwords = "b"\nsource = "c"\nr25_ohm = 1e4\nb_k = 3435\n' * 2, ":7: error: thermistor type a stands twice"),
    ],
)
def test_bad_file_of_types_is_refused_with_its_line(text, said, tmp_path):
    path = tmp_path / "probes.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_types(path)
    assert said in str(caught.value)
