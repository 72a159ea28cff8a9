"""An invented analysis with everything in it, and the log that fits it, for the tests of the record.

A 10S4P e-bike pack of a small workshop; all figures are made up, chosen so that those that follow from one
another agree. Not measured data of any real pack.
"""

from __future__ import annotations

import copy
import json
from datetime import datetime
from typing import Any

import numpy as np

from cycler.log import Log, Reading, Source

SHA256 = "3f1c9a" + "0123456789abcdef" * 3 + "77e2d0b4a5"
assert len(SHA256) == 64

_STEPS = [
    # kind, start s, end s, mean current A, start V, end V, end reason
    ("rest", 0, 600, 0.0, 33.1, 33.1, "set_by_program"),
    ("charge_cc", 600, 12600, 2.6, 34.0, 42.0, "charge_voltage"),
    ("charge_cv", 12600, 16200, 1.2, 42.0, 42.0, "charge_taper"),
    ("rest", 16200, 19800, 0.0, 41.9, 41.8, "set_by_program"),
    ("discharge_cc", 19800, 35640, -2.08, 41.4, 30.6, "group_cutoff"),
    ("rest", 35640, 37440, 0.0, 32.4, 33.0, "log_end"),
]


def _group(n: int, count: int) -> dict[str, Any]:
    weak = n == 4
    return {
        "group": n, "name": f"cell_{n:02d} V", "rest_voltage_v": 4.181 - 0.0011 * n, "u_rest_voltage_v": 0.0016, "full_voltage_v": 4.199,
        "end_voltage_v": 2.8 if weak else 3.09 + 0.003 * n, "min_voltage_v": 2.8, "max_voltage_v": 4.201,
        "sag_10s_v": 0.0712 if weak else 0.0391, "u_sag_10s_v": 0.0008, "sag_end_v": 0.31 if weak else 0.0, "u_sag_end_v": 0.0017,
        "resistance_10s_ohm": 0.03421 if weak else 0.0188 + 0.0001 * n, "u_resistance_10s_ohm": 0.00041,
        "ohmic_ohm": 0.024 if weak else 0.0131, "u_ohmic_ohm": 0.0004, "polarization_ohm": 0.006,
        "capacity_ah": 9.152 if weak else 10.11 + 0.01 * n, "u_capacity_ah": 0.014 if weak else 0.12, "capacity_is_estimate": not weak,
        "capacity_ratio": 0.9, "u_capacity_ratio": 0.012, "start_deficit_ah": 0.031, "u_start_deficit_ah": 0.018,
        "self_discharge_ma": None, "u_self_discharge_ma": None, "findings": ["weak_group", "high_resistance"] if weak else [],
    }


def example(groups: int = 10, result: str = "fail") -> dict[str, Any]:
    """The analysis object with a verdict of the wanted result; ``groups`` may be 0."""
    steps = [
        {"index": k, "kind": kind, "cycle": None, "start_s": float(a), "end_s": float(b), "duration_s": float(b - a),
         "capacity_ah": abs(i) * (b - a) / 3600, "energy_wh": abs(i) * (b - a) / 3600 * (u + v) / 2, "mean_current_a": i,
         "start_voltage_v": u, "end_voltage_v": v, "end_reason": why, "max_temperature_c": 27.2}
        for k, (kind, a, b, i, u, v, why) in enumerate(_STEPS)
    ]
    capacity = {
        "step": 4, "steps": [4], "at_s": {"start_s": 19800.0, "end_s": 35640.0}, "value_ah": 9.152, "u_value_ah": 0.0135,
        "energy_wh": 331.4, "u_energy_wh": 0.71, "mean_voltage_v": 36.21, "rate_it": 0.2, "mean_temperature_c": 24.1,
        "started_full": True, "start_evidence": "the charge before it ended by taper at 0.52 A", "end_reason": "group_cutoff", "valid": True,
        "reasons": [], "is_lower_bound": False, "state_of_health": 0.88, "u_state_of_health": 0.0013,
        "budget": [{"source": "current_gain", "standard_uncertainty_ah": 0.0106}, {"source": "current_offset", "standard_uncertainty_ah": 0.0077},
                   {"source": "cutoff_voltage", "standard_uncertainty_ah": 0.0033}, {"source": "odd_new_source", "standard_uncertainty_ah": 0.0004}],
    }
    criteria = [
        _criterion("health", "state_of_health", "State of health (capacity over rated capacity)", "share", 0.88, 0.0013, 0.80, "at_least", 0.0026, "pass"),
        _criterion("match", "group_capacity_ratio_worst", "Capacity of the worst group over the median of its siblings", "share", 0.9, 0.012, 0.95,
                   "at_least", 0.024, result, "Group 4: 90.0 ± 2.4 % misses the limit of at least 95 % by more than the guard band of 2.4 %."),
        _criterion("r10", "resistance_10s_ohm", "10 s resistance of the pack", "ohm", 0.2145, 0.0012, 0.25, "at_most", 0.0024, "pass"),
        _criterion("leak", "self_discharge_worst_ma", "Self-discharge of the worst group", "mA", None, None, 1.0, "at_most", None, "not_proven",
                   "Not measured: the pack was not logged at rest long enough.", required=False),
        _criterion("rise", "temperature_rise_k", "Temperature rise", "K", 4.1, 0.82, 15.0, "at_most", 1.64, "pass"),
    ]
    return {
        "schema": "cycler.analysis/1", "software": {"name": "packreturn", "version": "0.1.0"},
        "sources": [{"file": "eb-0412-after.csv", "sha256": SHA256, "bytes": 2418304, "rows_read": 37441, "rows_dropped": 2}],
        "reading": {
            "encoding": "utf-8", "delimiter": ";", "decimal": ",", "header_row": 3,
            "columns": [{"name": "elapsed s", "role": "time", "unit": "s", "group": None}, {"name": "pack V", "role": "voltage", "unit": "V", "group": None},
                        {"name": "load mA", "role": "current", "unit": "mA", "group": None}]
            + [{"name": f"cell_{n:02d} V", "role": "group_voltage", "unit": "V", "group": n} for n in range(1, groups + 1)]
            + [{"name": "remark", "role": "ignored", "unit": None, "group": None}],
            "clock": {"kind": "elapsed_seconds", "wrapped": False, "gaps": [{"start_s": 8000.0, "duration_s": 42.0}]},
            "sign": {"discharge_is": "negative", "evidence": "the voltage falls while the current is negative"},
            "sampling_s": {"median": 1.0, "max": 42.0},
            "warnings": [{"code": "rows_dropped", "message": "2 rows hold no number in \"pack V\"", "where": "eb-0412-after.csv:8004"}],
        },
        "pack": {
            "id": "EB-0412", "chemistry": "nmc", "series": groups or 10, "parallel": 4, "rated_capacity_ah": 10.4, "rated_energy_wh": 374.4,
            "charge_voltage_v": 42.0, "cutoff_voltage_v": 30.0, "group_charge_voltage_v": 4.2, "group_cutoff_voltage_v": 2.8,
            "taper_current_a": 0.52, "max_charge_current_a": 5.2, "max_discharge_current_a": 20.0, "inferred": ["taper_current_a"],
        },
        "instrument": {"voltage_gain": 0.001, "voltage_offset_v": 0.02, "group_voltage_gain": 0.0005, "group_voltage_offset_v": 0.002,
                       "current_gain": 0.002, "current_offset_a": 0.005, "temperature_offset_c": 1.0, "clock_gain": 0.0001, "sense": "four-wire",
                       "lead_resistance_ohm": 0.0, "declared": True},
        "log": {"started_at": "2026-11-20T09:12:00", "duration_s": 37440.0, "rows": 37441, "series": groups},
        "steps": steps, "capacity": capacity, "capacities": [copy.deepcopy(capacity)],
        "efficiency": {"coulombic": 0.9951, "u_coulombic": 0.0031, "energy": 0.948, "u_energy": 0.0044, "charge_step": 1, "discharge_step": 4},
        "resistance": {
            "pack": [{"method": "current_step", "at_s": 19800.0, "after_s": 10.0, "current_step_a": -2.08, "ohm": 0.2145, "u_ohm": 0.0012,
                      "ohmic_ohm": 0.1502, "polarization_ohm": 0.0643, "state_of_charge": 0.99, "temperature_c": 23.2, "step_index": 4}],
            "groups": [], "interconnect_ohm": 0.004, "u_interconnect_ohm": 0.001, "lead_ohm": 0.0, "warnings": [],
            "budget": [{"source": "voltage_resolution", "standard_uncertainty_ohm": 0.0011}, {"source": "current_gain", "standard_uncertainty_ohm": 0.00048}],
            "headline": {"ohm_10s": 0.2145, "u_ohm_10s": 0.0012, "ohmic_ohm": 0.1502, "u_ohmic_ohm": 0.0014, "source": "pack"},
        },
        "groups": [_group(n, groups) for n in range(1, groups + 1)],
        "spread": {"rest_v": 0.0099, "u_rest_v": 0.0023, "full_v": 0.004, "u_full_v": 0.0023, "load_v": 0.032, "u_load_v": 0.0023, "end_v": 0.317, "u_end_v": 0.0023},
        "limiting_group": 4 if groups >= 4 else None, "capacity_if_limiting_group_matched_ah": 10.12 if groups >= 4 else None,
        "rest": [{"step": 3, "duration_s": 3600.0, "relaxation_mv": 14.0, "drift_mv_per_h": 3.0, "verdict": "settled"}],
        "thermal": {"max_c": 27.2, "u_max_c": 0.58, "rise_c": 4.1, "u_rise_c": 0.82, "ambient_c": 22.8, "max_rate_c_per_min": 0.06},
        "findings": [
            {"code": "rows_dropped", "severity": "info", "group": None, "step": None, "message": "2 rows of eb-0412-after.csv could not be read", "evidence": None},
            {"code": "weak_group", "severity": "defect", "group": 4, "step": 4,
             "message": "Group 4 gives 9.152 ± 0.027 Ah, its siblings about 10.16 Ah; it reached 2.80 V while they stood at 3.11 V.", "evidence": None},
            {"code": "rest_too_short", "severity": "caution", "group": None, "step": 3, "message": None, "evidence": None},
        ] if groups >= 4 else [],
        "verdict": {
            "result": result, "criteria_name": "return-to-owner", "criteria_title": "Return to owner", "criteria_sha256": "ab" * 32,
            "decision_rule": "guarded acceptance: the guard band is 1.0 times the expanded uncertainty (k = 2)",
            "summary": f"{result.replace('_', ' ').capitalize()} on 1 of 4 required criteria: capacity of the worst group.",
            "criteria": criteria, "vetoes": [], "veto_findings": [],
            "to_settle": ["Leave the pack at rest for 24 h with the group voltages logged, then judge the leak again."] if result == "not_proven" else [],
        },
    }


def _criterion(key: str, quantity: str, label: str, unit: str, value: float | None, u: float | None, limit: float, direction: str,
               band: float | None, result: str, reason: str = "", required: bool = True) -> dict[str, Any]:
    accept = None if band is None else limit + band if direction == "at_least" else limit - band
    return {"id": key, "quantity": quantity, "label": label, "unit": unit, "required": required, "applies": True, "value": value, "u_value": u,
            "limit": limit, "direction": direction, "guard_band": band, "acceptance_limit": accept,
            "probability_of_conformity": None if value is None else {"pass": 0.99999, "fail": 0.0001, "not_proven": 0.61}[result],
            "result": result, "reason": reason}


def nulled(value: Any) -> Any:
    """A copy in which every leaf is None and lists are kept with one nulled entry of each shape."""
    if isinstance(value, dict):
        return {key: nulled(item) for key, item in value.items()}
    if isinstance(value, list):
        return [nulled(value[0])] if value else []
    return None


def hostile(value: Any, text: str) -> Any:
    """A copy in which every text is replaced by ``text``."""
    if isinstance(value, dict):
        return {key: hostile(item, text) for key, item in value.items()}
    if isinstance(value, list):
        return [hostile(item, text) for item in value]
    return text if isinstance(value, str) else value


def make_log(analysis: dict[str, Any], groups: int = 10, rows: int = 37441, temperature: bool = True, noise: float = 0.002) -> Log:
    """A log whose curves follow the steps of the example, with a seeded noise; group 4 falls away at the end."""
    end = max((step["end_s"] for step in analysis.get("steps") or []), default=3600.0)
    time = np.linspace(0.0, end, rows)
    current, voltage = np.zeros(rows), np.full(rows, 36.0)
    for step in analysis.get("steps") or []:
        inside = (time >= step["start_s"]) & (time <= step["end_s"])
        share = (time[inside] - step["start_s"]) / (step["end_s"] - step["start_s"])
        current[inside] = step["mean_current_a"] * (1.0 if step["kind"] != "charge_cv" else 2.17 * np.exp(-1.61 * share))
        voltage[inside] = step["start_voltage_v"] + (step["end_voltage_v"] - step["start_voltage_v"]) * (0.72 * share + 0.28 * share**7)
    random = np.random.default_rng(412)
    taps = np.repeat((voltage / max(groups, 1))[:, None], groups, axis=1) + random.normal(0, noise / 4, (rows, groups))
    if groups >= 4:
        late = np.clip((time - 19800.0) / 15840.0, 0, 1) * (time <= 35640.0)
        taps[:, 3] -= 0.30 * late**6
    reading = Reading("utf-8", ";", ",", 3, (), "elapsed_seconds")
    warm = (22.9 + 4.0 * np.exp(-(((time - 34000.0) / 9000.0) ** 2)))[:, None] if temperature else np.empty((rows, 0))
    return Log(time, voltage + random.normal(0, noise, rows), current + random.normal(0, noise, rows), taps, warm,
               (Source("eb-0412-after.csv", SHA256, 2418304, rows, 2),), reading, started_at=datetime(2026, 11, 20, 9, 12))


def canonical(analysis: dict[str, Any]) -> dict[str, Any]:
    """What a stored analysis looks like when it is read back."""
    return json.loads(json.dumps(analysis))
