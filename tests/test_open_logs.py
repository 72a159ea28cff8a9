"""Openly published measured logs, read from their files and held against the data sets' own figures.

The files are not part of the project: their folder is named by the environment variable OPEN_LOGS (set in .ci/run where the
folder exists). Sources: NASA Ames Prognostics Center of Excellence, 'Battery Data Set' (Saha and Goebel, 2007), cell 5, its own
field Capacity; Oak Ridge National Laboratory measurements published 2020 under the MIT licence, the instrument's own counters.
"""

import json
import os
from functools import cache
from pathlib import Path

import pytest

from cycler.analysis import analyze
from cycler.pack import Pack
from cycler.readers import read_log

FOLDER = os.environ.get("OPEN_LOGS", "")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="the published logs are not part of the project: set OPEN_LOGS to their folder"
)

SMALL_CELL = Pack(series=1, rated_capacity_ah=2.0, charge_voltage_v=4.2, cutoff_voltage_v=2.7, taper_current_a=0.02)
LARGE_CELL = Pack(series=1, rated_capacity_ah=33.0, charge_voltage_v=4.2, cutoff_voltage_v=3.0, taper_current_a=1.0)
MODULE = Pack(series=6, charge_voltage_v=25.2, group_cutoff_voltage_v=3.0)
NASA_CAPACITY_AH = {"first": 1.85649, "middle": 1.53824, "last": 1.32508}
NASA_SIX_AH = (1.85649, 1.84633, 1.83535, 1.83526, 1.83465, 1.83566)


@cache
def result(file, pack):
    found = analyze(read_log(Path(FOLDER) / f"{file}.csv"), pack).to_dict()
    json.dumps(found, allow_nan=False)
    return found


def loads(found):
    return [s for s in found["steps"] if s["kind"].startswith("discharge")]


@pytest.mark.parametrize("which", NASA_CAPACITY_AH)
def test_nasa_cell_capacity_to_cutoff_within_a_thousandth(which):
    capacity = result(f"nasa_b0005_discharge_{which}", SMALL_CELL)["capacity"]
    assert capacity["valid"] and capacity["end_reason"] == "pack_cutoff"
    assert capacity["value_ah"] == pytest.approx(NASA_CAPACITY_AH[which], rel=1e-3)
    assert abs(capacity["value_ah"] - NASA_CAPACITY_AH[which]) <= 2.0 * capacity["u_value_ah"]


def test_nasa_cell_six_cycles_told_apart():
    found = result("nasa_b0005_discharges_1_to_6", SMALL_CELL)
    # The set's own figure runs through the first row below 2.7 V, as a step's rows do.
    assert [s["capacity_ah"] for s in loads(found)] == pytest.approx(NASA_SIX_AH, rel=1e-4)
    assert [c["cycle"] for c in found["capacities"]] == [1, 2, 3, 4, 5, 6]
    # Rows 18 s apart: the crossing of 2.7 V lies up to 0.55 % before that row.
    assert [c["value_ah"] for c in found["capacities"]] == pytest.approx(NASA_SIX_AH, rel=3e-3)
    for capacity, own in zip(found["capacities"], NASA_SIX_AH, strict=True):
        assert abs(capacity["value_ah"] - own) <= 2.0 * capacity["u_value_ah"]
    assert found["capacity"]["value_ah"] == pytest.approx(1.84633, rel=1e-3)


def test_nasa_cell_charge_with_a_leftover_row_of_the_discharge_before():
    found = result("nasa_b0005_charge_second", SMALL_CELL)
    kinds = [s["kind"] for s in found["steps"]]
    assert kinds == ["rest", "pulse_discharge", "charge_cc", "charge_cv", "rest"]
    charged = sum(s["capacity_ah"] for s in found["steps"] if s["kind"].startswith("charge"))
    assert charged == pytest.approx(1.8828, rel=2e-3)  # plain integral over the rows, which counts the leftover row too
    assert found["capacity"]["value_ah"] is None and not found["capacity"]["valid"]


def test_ornl_module_out_of_balance_rather_than_weak():
    found = result("ornl_6s_module_discharge_1c", MODULE)
    capacity = found["capacity"]
    assert capacity["value_ah"] == pytest.approx(55.30, rel=5e-3)
    assert capacity["energy_wh"] == pytest.approx(1253.75, rel=5e-3)
    assert found["limiting_group"] == 1
    assert found["groups"][0]["name"] == "Cell Voltage A1"
    assert "group_out_of_balance" in found["groups"][0]["findings"]
    assert "weak_group" not in {f["code"] for f in found["findings"]}
    # A1 has not the highest but the lowest resistance.
    tens = [row["resistance_10s_ohm"] for row in found["groups"]]
    assert min(tens) == tens[0]


def test_ornl_cell_pulses_ohmic_part():
    found = result("ornl_cell_hppc_25c", LARGE_CELL)
    headline = found["resistance"]["headline"]
    assert 1.4e-3 <= headline["ohmic_ohm"] <= 1.8e-3
    pulses = [s for s in found["steps"] if s["kind"] == "pulse_discharge"]
    assert len(pulses) == 10 and all(s["duration_s"] == pytest.approx(29.5, abs=0.6) for s in pulses)
    ohmic = [
        row["ohm"] for row in found["resistance"]["pack"]
        if row["after_s"] == 0 and row["current_step_a"] == pytest.approx(-30.0, rel=0.01)
    ]
    assert len(ohmic) == 10 and all(1.4e-3 <= ohm <= 1.8e-3 for ohm in ohmic)
    # The counters of the ten blocks add to 31.17 Ah taken out (2.50 in pulses, 27.00 and 1.67 at 10 A); a plain trapezoid
    # over the rows says 31.93 Ah, because each minute between the last loaded row and the first row of rest counts half.
    assert found["capacity"]["discharged_ah"] == pytest.approx(31.17, rel=1e-3)
    assert sum(s["capacity_ah"] for s in found["steps"] if "discharge" in s["kind"]) == pytest.approx(31.2, rel=0.03)


def test_ornl_cell_cycles():
    found = result("ornl_cell_cycles_1c", LARGE_CELL)
    assert [c["value_ah"] for c in found["capacities"]][:3] == pytest.approx([30.326, 30.336, 30.299], rel=1e-3)
    assert all(c["valid"] for c in found["capacities"])
    assert 0.995 < found["efficiency"]["coulombic"] <= 1.0
