"""A hand-made analysis in the shape that ``analyze --json`` prints, for tests of what consumes one.

Invented: a 10S4P e-bike pack, rated 10.4 Ah, of a small workshop; one cycle with group taps and a declared bench.
The figures agree with each other where one follows from another (energy / capacity, ratios, budget).
"""

from __future__ import annotations

import copy
import math
from typing import Any

RATED_AH = 10.4
CAPACITY_AH = 9.36
# Half-widths over sqrt(3): 0.2 % gain on 9.36 Ah; 5 mA over 16 200 s; 0.01 % clock; then cut-off, sample instant, noise.
CAPACITY_BUDGET_AH = {
    "current gain": 0.002 * CAPACITY_AH / math.sqrt(3),
    "current offset": 0.005 * 16200 / 3600 / math.sqrt(3),
    "cut-off voltage": 0.004,
    "clock": 0.0001 * CAPACITY_AH / math.sqrt(3),
    "sample instant": 0.0002,
    "current noise and resolution": 0.0003,
}
GROUP_RESISTANCE_OHM = [0.0180, 0.0182, 0.0179, 0.0185, 0.0181, 0.0180, 0.0183, 0.0181, 0.0182, 0.0180]
GROUP_CAPACITY_AH = [9.50, 9.47, 9.52, 9.36, 9.49, 9.51, 9.46, 9.50, 9.48, 9.51]
LIMITING_GROUP = 4


def root_sum_squares(terms: Any) -> float:
    return math.sqrt(sum(term * term for term in terms))


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _group(number: int) -> dict[str, Any]:
    capacity, resistance = GROUP_CAPACITY_AH[number - 1], GROUP_RESISTANCE_OHM[number - 1]
    siblings = [value for index, value in enumerate(GROUP_CAPACITY_AH) if index != number - 1]
    limiting = number == LIMITING_GROUP
    u_capacity = 0.014 if limiting else 0.12
    return {
        "group": number, "name": f"group {number} (V)", "rest_voltage_v": 4.172 - 0.0004 * number,
        "u_rest_voltage_v": 0.0017, "full_voltage_v": 4.199 - 0.0005 * number,
        "end_voltage_v": 3.000 if limiting else 3.05 + 0.004 * number, "min_voltage_v": 3.000 if limiting else 3.05,
        "max_voltage_v": 4.2, "sag_10s_v": 2.08 * resistance, "u_sag_10s_v": 0.0008,
        "sag_end_v": 0.080 if limiting else 0.002 * (number - 5), "u_sag_end_v": 0.0017,
        "resistance_10s_ohm": resistance, "u_resistance_10s_ohm": 0.0004, "ohmic_ohm": 0.7 * resistance,
        "u_ohmic_ohm": 0.0004, "polarization_ohm": 0.3 * resistance, "capacity_ah": capacity, "u_capacity_ah": u_capacity,
        "capacity_ratio": capacity / _median(siblings), "u_capacity_ratio": u_capacity / 9.5,
        "capacity_is_estimate": not limiting, "start_deficit_ah": 0.005 * number, "u_start_deficit_ah": 0.02,
        "self_discharge_ma": None, "u_self_discharge_ma": None, "findings": [],
    }


def _example() -> dict[str, Any]:
    u_capacity = root_sum_squares(CAPACITY_BUDGET_AH.values())
    resistance_budget = {"current gain": 0.000208, "voltage gain": 0.0001, "voltage resolution": 0.0010}
    energy = CAPACITY_AH * 36.1
    capacity = {
        "step": 3, "value_ah": CAPACITY_AH, "u_value_ah": u_capacity, "energy_wh": energy, "u_energy_wh": 0.62,
        "mean_voltage_v": 36.1, "rate_it": 0.2, "mean_temperature_c": 23.4, "started_full": True,
        "start_evidence": "charge ended by taper at 0.52 A", "end_reason": "group_cutoff", "valid": True, "reasons": [],
        "is_lower_bound": False, "state_of_health": CAPACITY_AH / RATED_AH, "u_state_of_health": u_capacity / RATED_AH,
        "budget": [{"source": k, "standard_uncertainty_ah": v} for k, v in CAPACITY_BUDGET_AH.items()],
        "at_s": {"start_s": 16200.0, "end_s": 32400.0}, "steps": [3],
    }
    return {
        "schema": "cycler.analysis/1",
        "software": {"name": "packreturn", "version": "0.1.0"},
        "sources": [{"file": "eb-0412.csv", "sha256": "0" * 64, "bytes": 1_000_000, "rows_read": 32401, "rows_dropped": 0}],
        "reading": {
            "encoding": "utf-8", "delimiter": ";", "decimal": ",", "header_row": 1, "columns": [],
            "clock": {"kind": "seconds", "wrapped": False, "gaps": []},
            "sign": {"discharge_is": "negative", "evidence": "voltage falls while the current is negative"},
            "sampling_s": {"median": 1.0, "max": 1.0}, "warnings": [],
        },
        "log": {"started_at": "2026-03-02T08:00:00", "duration_s": 32400.0, "rows": 32401, "series": 10},
        "pack": {
            "id": "EB-0412", "chemistry": "nmc", "series": 10, "parallel": 4, "rated_capacity_ah": RATED_AH,
            "rated_energy_wh": 374.4, "charge_voltage_v": 42.0, "cutoff_voltage_v": 30.0,
            "group_charge_voltage_v": 4.2, "group_cutoff_voltage_v": 2.8, "taper_current_a": 0.52,
            "max_charge_current_a": 5.2, "max_discharge_current_a": 20.0, "inferred": [],
        },
        "instrument": {
            "voltage_gain": 0.001, "voltage_offset_v": 0.02, "group_voltage_gain": 0.0005, "group_voltage_offset_v": 0.002,
            "current_gain": 0.002, "current_offset_a": 0.005, "temperature_offset_c": 1.0, "clock_gain": 0.0001,
            "sense": "four-wire", "lead_resistance_ohm": 0.0, "id": "bench 2", "declared": True,
        },
        "steps": [],
        "capacity": capacity,
        "capacities": [copy.deepcopy(capacity)],
        "efficiency": {"coulombic": 0.996, "u_coulombic": 0.003, "energy": 0.957, "u_energy": 0.004, "charge_step": 1, "discharge_step": 3},
        "resistance": {
            "pack": [], "groups": [], "interconnect_ohm": 0.004, "u_interconnect_ohm": 0.001, "lead_ohm": 0.0, "warnings": [],
            "budget": [{"source": k, "standard_uncertainty_ohm": v} for k, v in resistance_budget.items()],
            "headline": {
                "ohm_10s": 0.1855, "u_ohm_10s": root_sum_squares(resistance_budget.values()), "ohmic_ohm": 0.130,
                "u_ohmic_ohm": 0.0015, "source": "pack",
            },
        },
        "groups": [_group(number) for number in range(1, 11)],
        "spread": {"rest_v": 0.0036, "u_rest_v": 0.0024, "full_v": 0.0045, "u_full_v": 0.0024, "load_v": 0.012,
                   "u_load_v": 0.0024, "end_v": 0.090, "u_end_v": 0.0024},
        "limiting_group": LIMITING_GROUP,
        "capacity_if_limiting_group_matched_ah": 9.46,
        "rest": [{"step": 2, "duration_s": 3600.0, "relaxation_mv": 12.0, "drift_mv_per_h": 3.0, "verdict": "settled"}],
        "thermal": {"max_c": 28.4, "u_max_c": 0.58, "rise_c": 5.1, "u_rise_c": 0.82, "ambient_c": 23.3, "max_rate_c_per_min": 0.1},
        "findings": [],
    }


def example_analysis(changes: dict[str, Any] | None = None) -> dict[str, Any]:
    """A fresh copy of the healthy example; ``changes`` sets dotted paths ("groups.3.capacity_ratio" counts from 0)."""
    analysis = _example()
    for path, value in (changes or {}).items():
        target: Any = analysis
        *way, last = path.split(".")
        for key in way:
            target = target[int(key)] if isinstance(target, list) else target[key]
        target[int(last) if isinstance(target, list) else last] = value
    return analysis
