"""The outward contract: keys, types, words and units of ``cycler analyze --json``, and figures or reasons for any log."""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.pack import Pack
from tests.corelogs import make_log, simple_test

SAMPLES = Path(__file__).parent.parent / "sample_logs"
TRUTH = json.loads((SAMPLES / "truth.json").read_text("utf-8"))["logs"]

TOP = {
    "schema", "software", "sources", "reading", "pack", "steps", "capacity", "efficiency", "resistance", "groups", "limiting_group",
    "capacity_if_limiting_group_matched_ah", "rest", "thermal", "findings", "verdict", "charges", "trend",
}
KEYS = {
    "capacity": {
        "step", "value_ah", "u_value_ah", "energy_wh", "u_energy_wh", "mean_voltage_v", "rate_it", "mean_temperature_c",
        "started_full", "start_evidence", "end_reason", "valid", "reasons", "is_lower_bound", "state_of_health",
        "u_state_of_health", "budget", "to_pack_cutoff", "to_first_group_cutoff", "corrected",
    },
    "reading": {"encoding", "delimiter", "decimal", "header_row", "columns", "clock", "sign", "sampling_s", "warnings"},
    "resistance": {"pack", "groups", "interconnect_ohm", "u_interconnect_ohm", "lead_ohm", "warnings"},
    "thermal": {"max_c", "rise_c", "max_rate_c_per_min"},
    "trend": {
        "cycles", "capacity_fade_share_per_cycle", "u_capacity_fade_share_per_cycle", "resistance_growth_share_per_cycle",
        "u_resistance_growth_share_per_cycle", "reasons",
    },
    "verdict": {"result", "criteria_name", "decision_rule", "criteria", "vetoes", "to_settle"},
}
ROWS = {
    "sources": {"file", "sha256", "bytes", "rows_read", "rows_dropped"},
    "steps": {
        "index", "kind", "cycle", "start_s", "end_s", "duration_s", "capacity_ah", "energy_wh", "mean_current_a",
        "start_voltage_v", "end_voltage_v", "end_reason", "max_temperature_c",
    },
    "groups": {
        "group", "rest_voltage_v", "full_voltage_v", "end_voltage_v", "min_voltage_v", "max_voltage_v", "sag_10s_v", "sag_end_v",
        "resistance_10s_ohm", "ohmic_ohm", "capacity_ah", "u_capacity_ah", "capacity_is_estimate", "start_deficit_ah",
        "u_start_deficit_ah", "self_discharge_ma", "u_self_discharge_ma", "findings",
    },
    "charges": {
        "steps", "cycle", "start_s", "end_s", "charge_ah", "u_charge_ah", "energy_wh", "u_energy_wh", "cc_share", "cv_share", "cc_s", "cv_s",
        "taper_time_constant_s", "u_taper_time_constant_s", "missing_ah", "u_missing_ah", "end_current_a", "end_voltage_v", "end_reason", "reasons",
    },
    "rest": {"step", "duration_s", "relaxation_mv", "drift_mv_per_h", "verdict"},
    "findings": {"code", "severity", "group", "step", "message", "evidence"},
}
KINDS = {
    "rest", "charge_cc", "charge_cv", "charge", "discharge_cc", "discharge_cv", "discharge_cp", "discharge_cr", "discharge",
    "pulse_charge", "pulse_discharge",
}
END_REASONS = {
    "charge_taper", "charge_voltage", "pack_cutoff", "group_cutoff", "protection_trip", "set_by_program", "log_end", "gap",
}
METHODS = {"current_step", "iec61960_dc", "iec62620_dc"}


def hold(found):
    """Every promise of the contract that holds for any log whatever."""
    text = json.dumps(found, allow_nan=False)
    assert json.loads(text) == found
    assert found["schema"] == "cycler.analysis/1"
    assert set(found) >= TOP
    for name, keys in KEYS.items():
        assert set(found[name]) >= keys, name
    for name, keys in ROWS.items():
        for row in found[name]:
            assert set(row) >= keys, name
    assert {s["kind"] for s in found["steps"]} <= KINDS
    assert {s["end_reason"] for s in found["steps"]} <= END_REASONS
    assert [s["index"] for s in found["steps"]] == list(range(len(found["steps"])))
    for row in found["resistance"]["pack"]:
        assert row["method"] in METHODS
        assert row["u_ohm"] >= 0
        assert set(row) >= {"at_s", "after_s", "current_step_a", "ohm", "ohmic_ohm", "polarization_ohm", "state_of_charge", "temperature_c"}
    for row in found["resistance"]["groups"]:
        assert set(row) >= {"group", "method", "at_s", "after_s", "ohm", "u_ohm", "ohmic_ohm", "polarization_ohm"}
    assert [g["group"] for g in found["groups"]] == list(range(1, len(found["groups"]) + 1))
    assert {f["severity"] for f in found["findings"]} <= {"info", "caution", "defect", "danger"}
    assert found["verdict"]["result"] in {"pass", "fail", "not_proven"}
    capacity = found["capacity"]
    if capacity["value_ah"] is not None:
        assert capacity["u_value_ah"] >= 0
        joined = math.sqrt(sum(line["standard_uncertainty_ah"] ** 2 for line in capacity["budget"]))
        assert joined == pytest.approx(capacity["u_value_ah"], rel=1e-9)
    assert capacity["valid"] == (not capacity["reasons"])
    if not capacity["valid"]:
        required = [c for c in found["verdict"]["criteria"] if c["quantity"] == "state_of_health"]
        assert all(c["result"] != "pass" or c.get("bound") for c in required)


@pytest.mark.parametrize("name", TRUTH)
def test_analyze_json_of_every_sample_holds_the_contract(name):
    truth = TRUTH[name]
    files = [str(SAMPLES / file) for file in truth["files"]]
    command = [sys.executable, "-m", "cycler", "analyze", "--json", *files, "--pack", str(SAMPLES / truth["pack_file"])]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    found = json.loads(done.stdout.decode("utf-8"), parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    hold(found)
    assert len(found["sources"]) == len(files)
    assert len(found["groups"]) == (len(truth["groups"]["capacity_ah"]) if truth["groups_logged"] else 0)


PACK = Pack(series=3, rated_capacity_ah=10.0, charge_voltage_v=12.6, cutoff_voltage_v=9.0, taper_current_a=0.25, chemistry="nmc")


def strange_logs():
    """Logs that no bench should write and some do."""
    log, _ = simple_test((10.0, 10.2, 9.9))
    t, v, i, g, x = log.time_s, log.voltage_v, log.current_a, log.group_voltage_v, log.temperature_c
    rng = np.random.default_rng(5)
    holes = np.where(rng.random(t.size) < 0.3, np.nan, v)
    spike = i.copy()
    spike[50] = -400.0
    frozen = g.copy()
    frozen[:, 1] = 3.7
    dead = g.copy()
    dead[:, 2] = 0.0
    blank = g.copy()
    blank[:, 0] = np.nan
    yield "one sample", make_log(t[:1], v[:1], i[:1], g[:1])
    yield "two samples", make_log(t[:2], v[:2], i[:2], g[:2])
    yield "no current at all", make_log(t, v, np.zeros(t.size), g)
    yield "current without a reading", make_log(t, v, np.full(t.size, np.nan), g)
    yield "voltage without a reading", make_log(t, np.full(t.size, np.nan), i)
    yield "groups only", make_log(t, np.full(t.size, np.nan), i, g)
    yield "charge only", make_log(t[i > 0], v[i > 0], i[i > 0], g[i > 0])
    yield "discharge only", make_log(t[i < 0], v[i < 0], i[i < 0], g[i < 0])
    yield "a third of the voltages missing", make_log(t, holes, i, g)
    yield "one current spike", make_log(t, v, spike, g)
    yield "a frozen group", make_log(t, None, i, frozen)
    yield "a dead group", make_log(t, None, i, dead)
    yield "a group without readings", make_log(t, v, i, blank)
    yield "one group", make_log(t, v, i, g[:, :1])
    yield "repeated stamps", make_log(np.floor(t / 10) * 10, v, i, g)
    yield "constant voltage", make_log(t, np.full(t.size, 12.0), i)
    yield "temperature missing", make_log(t, v, i, g, np.full(t.size, np.nan))
    yield "noise for current", make_log(t, v, rng.standard_normal(t.size), g, x[:, 0])
    yield "huge numbers", make_log(t, v * 1e6, i * 1e6, g * 1e6)


STRANGE = dict(strange_logs())
# These still show a full charge, every group and the cut-off, and may pass.
SOUND = {"groups only", "temperature missing", "a third of the voltages missing", "one current spike", "repeated stamps"}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("pack", [PACK, Pack()], ids=["rated", "nothing-known"])
@pytest.mark.parametrize("what", STRANGE)
def test_analyze_of_a_strange_log_gives_figures_or_reasons(what, pack):
    found = analyze(STRANGE[what], pack).to_dict()
    hold(found)
    if what not in SOUND or pack is not PACK:
        assert found["verdict"]["result"] != "pass"
