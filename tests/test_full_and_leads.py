"""What the voltmeter leaves open of "full" and what leads leave open of the end, in closed form on the invented cell of ``tests/corelogs.py``."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.pack import pack_from_dict
from cycler.resistancetable import lead_findings
from cycler.simulator.bench import NO_ERROR, draw_bench
from cycler.simulator.program import Charge, Discharge, Rest
from cycler.simulator.recording import record
from cycler.simulator.samples import pack_toml
from cycler.simulator.solution import run_program
from tests.corelogs import PACK_10AH, make_log, ocv, simple_test
from tests.invented_tests import INF, REALISTIC, as_log, label_of, model_of

CAPS, CURRENT_A, OHM = (10.0, 10.1, 9.95), 5.0, 0.02
# Rectangular half-widths (GUM, JCGM 100:2008, 4.3.7, from memory): 0.1 % of reading and 10 mV.
U_FULL_V, U_END_V = (math.hypot(0.001 * volts, 0.010) / 3**0.5 for volts in (12.6, 9.0))


def exact(series=4):
    """A bench without errors that reads microvolts and microamperes."""
    fine = replace(NO_ERROR, voltage_resolution_v=1e-6, group_voltage_resolution_v=1e-6, current_resolution_a=1e-6)
    return draw_bench(fine, series, 1)


def capacity_of(pack, drop_ohm=0.0, **keys):
    """Analysis of the usual test, its terminals ``drop_ohm`` behind the sum of the groups."""
    log, _ = simple_test(CAPS, cutoff_v=2.95, **keys)
    volts = log.voltage_v + drop_ohm * log.current_a
    return analyze(make_log(log.time_s, volts, log.current_a, log.group_voltage_v, log.temperature_c), pack).to_dict()


def lines(rows, key):
    return {row["source"]: row[key] for row in rows}


def mean_a(capacity):
    """Mean current under load: 5 A but for the two rows in which it came on and went off."""
    assert -capacity["mean_current_a"] == pytest.approx(CURRENT_A, rel=1e-3)
    return -capacity["mean_current_a"]


# --- from full ---------------------------------------------------------------------------------------------------


def test_capacity_from_full_joins_what_the_charge_voltage_leaves_open():
    capacity = capacity_of(PACK_10AH)["capacity"]
    # Second method: least-squares line through the closed form under load from 3 to 8 % of the charge that was taken.
    q = np.linspace(0.03, 0.08, 400) * capacity["value_ah"]
    fall = -np.polyfit(q, sum(ocv(q / c) for c in CAPS), 1)[0]
    assert capacity["started_full"]
    assert capacity["u_charge_voltage_ah"] == pytest.approx(U_FULL_V / fall, rel=0.02)
    assert capacity["u_from_full_ah"] == pytest.approx(math.hypot(capacity["u_value_ah"], capacity["u_charge_voltage_ah"]), rel=1e-9)
    assert capacity["u_state_of_health"] == pytest.approx(capacity["u_from_full_ah"] / 10.0, rel=1e-9)
    # The charge that was taken does not depend on it.
    assert "charge voltage" not in lines(capacity["budget"], "standard_uncertainty_ah")
    assert capacity["u_value_ah"] == pytest.approx(math.hypot(*lines(capacity["budget"], "standard_uncertainty_ah").values()), rel=1e-9)


@pytest.mark.parametrize("rate_it", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("weak", [{}, {2: {"capacity_factor": 0.8, "resistance_factor": 1.2}}], ids=["alike", "one weak group"])
def test_what_the_voltmeter_leaves_open_of_full_is_what_another_charge_voltage_moves(rate_it, weak):
    # Second method: the simulated pack charged to 20 mV more and to 20 mV less, by a bench without errors; no slope is taken.
    label = label_of(4, 10.0, REALISTIC)
    model = model_of(label, 11, weak, share=0.9)
    given = []
    for more in (-0.02, 0.02):
        program = (
            Rest(60.3, ((INF, 60.0),)), Charge(4.0, label.charge_voltage_v + more, label.taper_current_a, sampling=((60.0, 2.0), (INF, 60.0))),
            Rest(3580.0, ((INF, 60.0),)), Rest(20.7, ((INF, 1.0),)),
            Discharge(10.0 * rate_it, label.cutoff_voltage_v, label.group_cutoff_voltage_v, sampling=((60.0, 1.0), (INF, 10.0))), Rest(300.0, ((INF, 10.0),)),
        )
        log = as_log(record(run_program(model, program, exact()), program, exact(), 1))
        given.append(analyze(log, pack_from_dict(tomllib.loads(pack_toml(label)))).to_dict()["capacity"])
    low, high = given
    moved_ah_per_v = (high["value_ah"] - low["value_ah"]) / 0.04
    half_v = math.hypot(REALISTIC.voltage_gain * label.charge_voltage_v, REALISTIC.voltage_offset_v)
    assert low["started_full"] and low["end_reason"] == high["end_reason"]
    assert low["u_charge_voltage_ah"] * math.sqrt(3.0) / half_v == pytest.approx(moved_ah_per_v, rel=0.15)


def test_charge_voltage_says_nothing_where_no_full_start_is_known():
    capacity = capacity_of(replace(PACK_10AH, charge_voltage_v=13.2), taper=False)["capacity"]
    assert capacity["started_full"] is not True and capacity["u_value_ah"] > 0.0
    assert capacity["u_charge_voltage_ah"] == 0.0 and capacity["u_from_full_ah"] == capacity["u_value_ah"]


# --- leads -------------------------------------------------------------------------------------------------------


def test_stated_leads_of_two_wires_count_in_capacity_and_energy():
    lead = 0.02
    pack = replace(PACK_10AH, instrument=replace(PACK_10AH.instrument, sense="two-wire", lead_resistance_ohm=lead))
    capacity, bare = capacity_of(pack)["capacity"], capacity_of(PACK_10AH)["capacity"]
    charge = lines(capacity["budget"], "standard_uncertainty_ah")
    assert capacity["end_reason"] == "pack_cutoff"
    # I R/(sqrt 3 slope), u(V)/slope beside it: the slope falls out of the quotient; the steps of the readings add a little to u(V).
    assert charge["leads"] / charge["cut-off voltage"] == pytest.approx(mean_a(capacity) * lead / 3**0.5 / U_END_V, rel=1e-3)
    # The slope itself: the closed form at the end, where over the last hundredth of the load the knee bends by a sixth.
    q = capacity["value_ah"]
    slope = sum(ocv((q - 0.01) / c) - ocv(q / c) for c in CAPS) / 0.01
    assert charge["leads"] == pytest.approx(CURRENT_A * lead / 3**0.5 / slope, rel=0.2)
    # The drop times the charge, rectangular.
    energy = lines(capacity["energy_budget"], "standard_uncertainty_wh")
    assert energy["power lost in leads"] == pytest.approx(mean_a(capacity) * lead * q / 3**0.5, rel=1e-6)
    assert capacity["u_value_ah"] == pytest.approx(math.hypot(bare["u_value_ah"], charge["leads"]), rel=1e-9)
    assert capacity["u_energy_wh"] > bare["u_energy_wh"]
    assert "leads" not in {row["source"] for row in bare["budget"]}
    assert "power lost in leads" not in {row["source"] for row in bare["energy_budget"]}


def test_leads_found_by_the_sum_of_the_groups_count_like_stated_ones():
    found = capacity_of(PACK_10AH, drop_ohm=0.05)
    capacity, resistance = found["capacity"], found["resistance"]
    assert "lead_drop" in resistance["warnings"] and resistance["interconnect_ohm"] == pytest.approx(0.05, rel=0.01)
    charge = lines(capacity["budget"], "standard_uncertainty_ah")
    assert charge["leads"] / charge["cut-off voltage"] == pytest.approx(mean_a(capacity) * resistance["interconnect_ohm"] / 3**0.5 / U_END_V, rel=1e-3)
    energy = lines(capacity["energy_budget"], "standard_uncertainty_wh")
    assert energy["power lost in leads"] == pytest.approx(mean_a(capacity) * resistance["interconnect_ohm"] * capacity["value_ah"] / 3**0.5, rel=1e-6)
    # To the pack's cut-off, the same discharge and the same leads.
    assert lines(capacity["to_pack_cutoff"]["budget"], "standard_uncertainty_ah")["leads"] == pytest.approx(charge["leads"], rel=1e-9)


# --- joint or leads ----------------------------------------------------------------------------------------------

SHEET = {"warnings": ["lead_drop"], "interconnect_ohm": 0.05, "u_interconnect_ohm": 0.001, "headline": {"current_step_a": -10.0}}


@pytest.mark.parametrize(("largest_a", "watt", "at"), [(20.0, "20 W", "20 A"), (None, "5 W", "10 A")])
def test_joint_outside_the_taps_is_told_with_the_heat_it_makes(largest_a, watt, at):
    # I^2 R: 20 A (the pack's largest) through 50 mOhm are 20 W; without that figure the 10 A of the step, 5 W.
    (finding,) = lead_findings(SHEET, replace(PACK_10AH, max_discharge_current_a=largest_a))
    assert (finding.code, finding.severity) == ("joint_outside_taps", "defect")
    assert f"about {watt} of heat at {at}" in finding.message and "50.00 ± 2.00 mΩ" in finding.evidence


@pytest.mark.parametrize("changes", [{"declared": False}, {"sense": "two-wire"}])
def test_drop_is_put_down_to_leads_unless_the_bench_declares_four_wires(changes):
    pack = replace(PACK_10AH, instrument=replace(PACK_10AH.instrument, **changes))
    (finding,) = lead_findings(SHEET, pack)
    assert (finding.code, finding.severity) == ("lead_drop", "caution")
    assert lead_findings(SHEET | {"warnings": []}, pack) == []


def test_whole_log_with_a_bad_plug_holds_a_pass_back():
    found = capacity_of(PACK_10AH, drop_ohm=0.05)
    assert [f["severity"] for f in found["findings"] if f["code"] == "joint_outside_taps"] == ["defect"]
    assert found["verdict"]["result"] != "pass"
