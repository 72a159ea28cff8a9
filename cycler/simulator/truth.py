"""The truth a sample log was made with, from the noiseless course and the true model."""

from __future__ import annotations

from typing import Any

import numpy as np

from cycler.simulator.bench import Bench
from cycler.simulator.model import (
    SECONDS_PER_HOUR,
    PackModel,
    State,
    group_voltages,
    state_after,
    step_resistance,
)
from cycler.simulator.solution import Margin, Solution, StepTruth, first_crossing

_AFTER_S = (1.0, 10.0, 30.0)
_LONG_S = 100 * SECONDS_PER_HOUR

CONVENTIONS = {
    "sign": "charge current is positive, discharge negative; capacities are magnitudes",
    "groups": "lists run from group 1 (pack negative) up",
    "time": "true seconds since the first sample; in the log's own clock the same instant reads (1 + clock_gain) times "
    "as much, given as log_s where an edge has to be found",
    "delivered_ah": "true charge from load-on to load-off of the main discharge",
    "delivered_with_pulses_ah": "delivered_ah plus the net charge taken by pulses since the end of the charge",
    "to_cutoff_ah": "true charge from load-on until the true pack or group voltage reaches the first cut-off of "
    "the pack file (the model is run on where the bench stopped a little early); null if the discharge "
    "ended far from any cut-off",
    "to_cutoff_with_pulses_ah": "to_cutoff_ah plus the net charge taken by pulses since the end of the charge",
    "group_full": "full = relaxed after this group alone was charged to group_charge_voltage_v until taper_current_a",
    "group_capacity_ah": "from group_full to the group cut-off at the current of the main discharge (joint included)",
    "below_full_ah": "charge missing to group_full when the main discharge began, pulses before it included",
    "start_deficit_ah": "below_full_ah less the median of all groups",
    "limiting_group": "the lowest group when the first cut-off is reached, or the one that made the board open; "
    "limiting_margin_v is how far it lies below the next",
    "resistance": "of an ideal step from rest: ohmic (joint included) + sum Ri (1 - exp(-t/tau_i)); the change of "
    "open-circuit voltage during the step at the edge's state of charge is given apart (ocv_ohm) and has to be "
    "added to compare with a plain voltage difference over current",
}


def rounded_number(value: Any, digits: int = 7) -> Any:
    """Numbers (also in lists and dicts) rounded to significant digits, so that the file is the same everywhere."""
    if isinstance(value, dict):
        return {key: rounded_number(item, digits) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [rounded_number(item, digits) for item in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.{digits}g}") + 0.0
    return value


def main_discharge(solution: Solution) -> StepTruth:
    """The discharge step that moved most charge."""
    steps = [step for step in solution.steps if step.kind == "discharge"]
    return max(steps, key=lambda step: abs(solution.charge_between_ah(step.start_s, step.end_s)))


def full_below_one_ah(model: PackModel, group_charge_v: float, taper_a: float) -> np.ndarray:
    """Charge between state of charge 1 and "full by the charging rule" of each group (negative if above). [Ah]"""
    total = model.group_ohmic_ohm + model.branch_ohm.sum(axis=0)
    soc = np.array([model.ocv.soc_at(group_charge_v - taper_a * ohm) for ohm in total])
    return (1.0 - soc) * model.capacity_ah


def group_capacities_ah(model: PackModel, group_charge_v: float, taper_a: float, cutoff_v: float, current_a: float) -> np.ndarray:
    """Charge of each group alone from full to its cut-off at a constant current (magnitude). [Ah]"""
    soc = 1.0 - full_below_one_ah(model, group_charge_v, taper_a) / model.capacity_ah
    state = State(soc, np.zeros((2, model.series)))
    capacities = []
    for group in range(model.series):
        def beyond(_: np.ndarray, groups: np.ndarray, group: int = group) -> np.ndarray:
            return cutoff_v - groups[:, group]
        seconds, _ = first_crossing(model, state, -abs(current_a), [beyond], _LONG_S)
        capacities.append(abs(current_a) * seconds / SECONDS_PER_HOUR)
    return np.array(capacities)


def to_cutoff(
    solution: Solution, step: StepTruth, cutoff_v: float, group_cutoff_v: float | None
) -> tuple[float, str, int | None]:
    """True charge until the first true cut-off, which one it is, and the lowest group there. [Ah]"""
    model, first = solution.model, step.first_piece
    state = State(solution.soc[first], solution.branch_v[first])
    current = step.start_current_a
    margins: list[tuple[str, Margin]] = [("pack_cutoff", lambda terminals, groups: cutoff_v - terminals)]
    if group_cutoff_v is not None:
        margins.append(("group_cutoff", lambda terminals, groups: group_cutoff_v - groups.min(axis=-1)))
    seconds, which = first_crossing(model, state, current, [margin for _, margin in margins], _LONG_S)
    end = state_after(model, state, current, 0.0, np.array([seconds]))
    lowest = int(np.argmin(group_voltages(model, end, np.array([current]))[0])) + 1
    return abs(current) * seconds / SECONDS_PER_HOUR, margins[which or 0][0], lowest


def edge_resistances(solution: Solution, step: StepTruth) -> dict[str, Any]:
    """Ideal step at the state of charge of a step's load-on edge. [ohm]"""
    model, first = solution.model, step.first_piece
    soc, current = solution.soc[first], step.start_current_a
    group: dict[str, Any] = {"ohmic_ohm": model.group_ohmic_ohm}
    pack: dict[str, Any] = {"ohmic_ohm": model.group_ohmic_ohm.sum() + model.interconnect_ohm}
    for after in _AFTER_S:
        moved = current * after / (SECONDS_PER_HOUR * model.capacity_ah)
        ocv = (model.ocv.voltage(soc + moved) - model.ocv.voltage(soc)) / current
        ohm = step_resistance(model, after)
        name = f"{after:.0f}s"
        group |= {f"ohm_{name}": ohm, f"ocv_ohm_{name}": ocv}
        pack |= {f"ohm_{name}": ohm.sum() + model.interconnect_ohm, f"ocv_ohm_{name}": ocv.sum()}
    return {"at_s": step.start_s, "current_a": current, "state_of_charge": soc, "groups": group, "pack": pack}


def edges(solution: Solution, clock_gain: float) -> list[dict[str, Any]]:
    """Every jump of the true current of more than 10 mA, in true time and in the log's clock. [s], [A]"""
    found = []
    before, last_end = 0.0, 0.0
    for step in [*solution.steps, None]:
        start = step.start_s if step else last_end
        after = step.start_current_a if step else before
        if abs(after - before) > 0.010:
            found.append({"at_s": start, "log_s": start * (1 + clock_gain), "from_a": before, "to_a": after, "to": step.kind if step else "end"})
        if step:
            before, last_end = step.end_current_a, step.end_s
    return found


def two_current_figures(solution: Solution) -> list[dict[str, Any]]:
    """(U1 - U2)/(I2 - I1) of each pair of pulses that follow at once, from the true course. [ohm]"""
    figures = []
    for first, second in zip(solution.steps, solution.steps[1:]):
        if first.kind == second.kind == "pulse" and abs(second.start_s - first.end_s) < 1e-9:
            times = np.nextafter(np.array([first.end_s, second.end_s]), 0.0)
            _, current, groups, terminals = solution.at(times)
            span = current[1] - current[0]
            figures.append({
                "first_s": first.end_s - first.start_s, "second_s": second.end_s - second.start_s,
                "at_s": first.start_s, "first_a": first.start_current_a, "second_a": second.start_current_a,
                "pack_ohm": (terminals[1] - terminals[0]) / span, "groups_ohm": (groups[1] - groups[0]) / span,
            })
    return figures


def instrument_errors(bench: Bench) -> dict[str, Any]:
    """The errors drawn: indicated = true * (1 + gain) + offset."""
    return {
        "voltage_gain": bench.voltage_gain, "voltage_offset_v": bench.voltage_offset_v,
        "group_voltage_gain": bench.group_gain, "group_voltage_offset_v": bench.group_offset_v,
        "current_gain": bench.current_gain, "current_offset_a": bench.current_offset_a,
        "temperature_offset_c": bench.temperature_offset_c, "clock_gain": bench.clock_gain,
        "lead_ohm": bench.limits.lead_ohm,
    }


def sample_truth(sample: Any, solution: Solution, bench: Bench) -> dict[str, Any]:
    """Entry of one sample in truth.json (see ``CONVENTIONS`` for the meaning of the keys)."""
    model, label = solution.model, sample.label
    step = main_discharge(solution)
    group_cutoff = label.group_cutoff_voltage_v
    watch_groups = group_cutoff is not None and sample.groups_logged
    delivered = -solution.charge_between_ah(step.start_s, step.end_s)
    charges = [s for s in solution.steps if s.kind in ("charge_cc", "charge_cv") and s.end_s <= step.start_s]
    charged_until = charges[-1].end_s if charges else 0.0
    pulses = -solution.charge_between_ah(charged_until, step.start_s)
    cutoff_ah, cutoff_kind, lowest = to_cutoff(
        solution, step, label.cutoff_voltage_v, group_cutoff if watch_groups else None
    )
    reached = step.end_reason in ("pack_cutoff", "group_cutoff")
    tripped = step.end_reason == "protection_trip"
    limit = group_cutoff if group_cutoff is not None else model.board.under_voltage_v if model.board else None
    first = step.first_piece
    below_full = (1.0 - solution.soc[first]) * model.capacity_ah
    below_full = below_full - full_below_one_ah(model, label.group_charge_voltage_v, label.taper_current_a)
    capacities = None
    if limit is not None:
        capacities = group_capacities_ah(
            model, label.group_charge_voltage_v, label.taper_current_a, limit, step.start_current_a
        )
    end_state, _, end_groups, end_terminals = solution.at(np.array([np.nextafter(step.end_s, 0.0)]))
    limiting = step.ending_group if tripped else lowest if reached else None
    lowest_two = np.sort(end_groups[0])[:2]
    truth = {
        "files": list(sample.files), "pack_file": sample.pack_file, "story": sample.story,
        "expected": {"verdict": sample.expected, "why": sample.expected_why},
        "dialect": sample.dialect.name, "bench": sample.bench_name, "groups_logged": sample.groups_logged,
        "discharge": {
            "start_s": step.start_s, "end_s": step.end_s, "start_log_s": step.start_s * (1 + bench.clock_gain),
            "end_log_s": step.end_s * (1 + bench.clock_gain), "current_a": step.start_current_a,
            "rate_it": abs(step.start_current_a) / label.rated_capacity_ah, "end_reason": step.end_reason,
            "delivered_ah": delivered, "delivered_with_pulses_ah": delivered + pulses,
            "to_cutoff_ah": cutoff_ah if reached else None,
            "to_cutoff_with_pulses_ah": cutoff_ah + pulses if reached else None,
            "first_cutoff": cutoff_kind if reached else None,
            "is_lower_bound": not reached or not sample.started_full,
            "end_terminal_v": end_terminals[0], "end_group_v": end_groups[0], "end_state_of_charge": end_state.soc[0],
        },
        "started_full": sample.started_full,
        "limiting_group": limiting if sample.groups_logged else None,
        "limiting_margin_v": lowest_two[1] - lowest_two[0] if limiting and sample.groups_logged else None,
        "groups": {
            "cell_capacity_ah": model.capacity_ah, "capacity_ah": capacities, "capacity_to_v": limit,
            "below_full_ah": below_full, "start_deficit_ah": below_full - np.median(below_full),
            "leak_ma": 1000.0 * model.leak_a, "joint_ohm": model.joint_ohm,
        },
        "branches": {"ohm": model.branch_ohm, "tau_s": model.branch_tau_s},
        "interconnect_ohm": model.interconnect_ohm,
        "edge_resistance": edge_resistances(solution, step),
        "two_current": two_current_figures(solution),
        "edges": edges(solution, bench.clock_gain),
        "steps": [
            {"kind": s.kind, "start_s": s.start_s, "end_s": s.end_s, "end_reason": s.end_reason,
             "charge_ah": solution.charge_between_ah(s.start_s, s.end_s)}
            for s in solution.steps
        ],
        "instrument": instrument_errors(bench),
    }
    return rounded_number(truth)
