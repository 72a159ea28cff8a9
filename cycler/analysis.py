"""One call from a log and a pack to every figure, finding and verdict: the only orchestrator.

``Analysis.to_dict()`` is the outward contract (schema ``cycler.analysis/1``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from cycler import conduct, findings
from cycler.chargesheet import charge_sheets
from cycler.circuittable import circuit_sheet
from cycler.criteria_quantities import leak_limit_ma
from cycler.cutoffsheet import add_conditions, no_conditions
from cycler.efficiencysheet import efficiency_sheet
from cycler.findings import Finding
from cycler.groupbudgets import AMMETER_SOURCES
from cycler.grouptable import ROW_KEYS, group_table, pack_voltage_findings
from cycler.incrementaltable import incremental_sheet
from cycler.log import Log
from cycler.measures import capacity as cap
from cycler.measures.efficiency import pair_charge_discharge
from cycler.measures.resistance import channel_responses, find_edges, most_telling
from cycler.pack import Pack
from cycler.powertable import power_sheet
from cycler.quantities import figure_text
from cycler.resistancetable import headline_edge, lead_findings, resistance_sheet, with_joint_ohmic
from cycler.sensors import screen, told
from cycler.signals import resolution_of
from cycler.steps import Step, pack_voltage, segment_steps, with_end_reasons
from cycler.temperaturetable import thermal_figures, with_temperatures
from cycler.trendsheet import trend_sheet
from cycler.uncertainty import (
    capacity_budget,
    charge_voltage_u,
    combined,
    energy_budget,
    voltage_reading_u,
)

SCHEMA = "cycler.analysis/1"

Progress = Callable[[str, float | None], None]
"""Told the stage that begins and, where it is known, which share of that stage is done. What it raises ends the work."""

STAGES = ("channels", "steps", "capacity", "resistance", "groups", "findings", "incremental", "verdict")
"""What :func:`analyze` tells to ``progress``, in this order."""


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """Everything found out about one test. ``contract`` is the JSON object; the rest is for callers in Python."""

    log: Log
    pack: Pack
    steps: tuple[Step, ...]
    contract: dict[str, Any]

    def to_dict(self) -> dict[str, Any]:
        """The contract's JSON object: dicts, lists, str, int, float, bool, None; no NaN."""
        return self.contract

    @property
    def verdict(self) -> dict[str, Any]:
        """The contract's verdict object."""
        return self.contract["verdict"]


def infer_pack(pack: Pack, log: Log, steps: tuple[Step, ...]) -> Pack:
    """Fill in what the log or arithmetic on the ratings proves; names of the keys go to ``inferred``.

    Series from the number of group columns; group limits from pack limits (and the other way for the charge voltage) by
    the series count; charge voltage from a constant-voltage charge that ended in a taper.
    """
    changes: dict[str, Any] = {}

    def known(key: str) -> Any:
        return changes.get(key, getattr(pack, key))

    if pack.series is None and log.series:
        changes["series"] = log.series
    series = known("series")
    if pack.charge_voltage_v is None and pack.group_charge_voltage_v and series:
        changes["charge_voltage_v"] = pack.group_charge_voltage_v * series
    if known("charge_voltage_v") is None:
        voltage = pack_voltage(log)
        tops = [
            float(np.nanmedian(voltage[s.slice]))
            for s in steps
            if s.kind == "charge_cv" and s.last - s.first > 10 and abs(log.current_a[s.last]) < 0.3 * abs(log.current_a[s.first])
        ]
        if tops:
            changes["charge_voltage_v"] = round(max(tops), 3)
    if pack.group_charge_voltage_v is None and known("charge_voltage_v") and series:
        changes["group_charge_voltage_v"] = known("charge_voltage_v") / series
    if pack.group_cutoff_voltage_v is None and pack.cutoff_voltage_v and series and log.series == series:
        changes["group_cutoff_voltage_v"] = pack.cutoff_voltage_v / series
    return replace(pack, **changes, inferred=tuple(sorted(changes))) if changes else pack


def analyze(log: Log, pack: Pack | None = None, criteria: Any = None, progress: Progress | None = None) -> Analysis:
    """Analyse one test.

    Parameters
    ----------
    log : Log
    pack : Pack, optional
        Ratings and instrument; without it the default measuring chain counts and nothing is assumed of the pack.
    criteria : Criteria, optional
        The shipped "return-to-owner" set if left out.
    progress : callable, optional
        Hears of each of :data:`STAGES` as it begins; what it raises is passed on, and there is no analysis then.

    Returns
    -------
    Analysis
        Figures the log cannot support are None with reasons; nothing is raised for them.
    """
    from cycler.criteria import load_criteria
    from cycler.verdict import decide

    criteria = criteria if criteria is not None else load_criteria("return-to-owner")
    stated = pack or Pack()
    tell = progress or _nobody
    tell("channels", 0.0)
    whole_log, sensors = with_temperatures(log, stated)
    log, numbers, unusable, partly = _usable(whole_log, lambda share: tell("channels", share))
    tell("steps", None)
    steps = segment_steps(log, stated)
    pack = infer_pack(stated, whole_log, steps)
    group_sum = log.series > 0 and not np.any(np.isfinite(whole_log.voltage_v))
    if group_sum:
        # Pack voltage is the sum of the groups: its errors are those of their channels, one gain, offsets independent.
        pack = replace(pack, instrument=pack.instrument.of_group_sum(log.series))
    fits = conduct.limits_fit(log, pack, stated.series)
    if pack is not stated:
        # End reasons depend on the limits; limits set by the log's own end stay unknown to them.
        steps = with_end_reasons(log, replace(pack, group_cutoff_voltage_v=stated.group_cutoff_voltage_v), steps)
    tell("capacity", None)
    switches = cap.find_switches(log, steps)
    flow = cap.charge_flow(log, steps, switches)
    discharges = cap.find_discharges(log, pack, steps, flow)
    charges = cap.find_charges(log, steps, flow)
    zero = conduct.rest_current_zero(log, steps)
    checks = conduct.counter_checks(log, steps, flow)
    doubted = {warning.code for warning in log.reading.warnings}
    zero_a = zero[0] if zero else 0.0

    def capacity_sheets(lead_ohm: float = 0.0) -> list[dict[str, Any]]:
        found = [
            _capacity_sheet(log, pack, d, conduct.capacity_doubts(d, pack, fits, checks, doubted), numbers, zero_a, lead_ohm)
            for d in discharges
        ]
        add_conditions(found, discharges, log, pack, stated, steps, flow, numbers, zero_a, lead_ohm)
        return found

    sheets = capacity_sheets()
    chosen = _headline_index(sheets)
    headline = discharges[chosen] if chosen is not None else None
    doubts = tuple(sheets[chosen]["reasons"]) if chosen is not None else ("no_discharge",)
    tell("resistance", None)
    all_edges = find_edges(log, steps, switches)
    edges = most_telling(all_edges, EDGES_MAX)
    voltage = pack_voltage(log)
    pack_responses = [channel_responses(log, steps, edge, voltage) for edge in edges]
    group_responses = [
        [channel_responses(log, steps, edge, log.group_voltage_v[:, g]) for g in range(log.series)] for edge in edges
    ]
    main_edge = headline_edge(edges, pack_responses, group_responses, steps, headline, flow)
    pack_responses, group_responses = with_joint_ohmic(edges, pack_responses, group_responses, main_edge, flow, headline, pack)
    tell("groups", None)
    table = group_table(
        log, pack, steps, flow, headline, edges, group_responses, main_edge, charges, numbers, doubts, leak_limit_ma(criteria, pack),
        _ammeter_shares(sheets[chosen]) if chosen is not None else None,
    )
    resistance = resistance_sheet(
        log, pack, steps, flow, headline, doubts, edges, pack_responses, group_responses, main_edge,
        len(all_edges) - len(edges), group_sum,
    )
    for row in resistance["groups"]:
        row["group"] = numbers[row["group"] - 1]
    if "lead_drop" in resistance["warnings"]:
        sheets = capacity_sheets(resistance["interconnect_ohm"])
    resistance["circuit"] = circuit_sheet(log, pack, steps, flow, headline, edges, main_edge, resistance, numbers)
    breaks = tuple(g.start_s + 0.5 * g.duration_s for g in log.reading.gaps if g.why != "no samples")
    pairing, _ = pair_charge_discharge(discharges, charges, breaks if not _common_clock(log) else ())
    charged = charge_sheets(log, pack, steps, flow, charges, zero, doubted)
    heat, heat_sheet, heat_findings = thermal_figures(log, pack, steps, sensors)
    tell("findings", None)
    found = [
        *conduct.pack_file_findings(log, pack, fits, len(unusable)),
        *unusable,
        *partly,
        *conduct.course_findings(log, pack, steps, headline, doubts, numbers),
        *conduct.bench_findings(log, pack, steps, checks, headline, edges),
        *conduct.temperature_findings(log, steps, heat, headline),
        *heat_findings,
        *conduct.rate_findings(headline, pack),
        *table.findings,
        *(pack_voltage_findings(log, pack) if fits else ()),
        *conduct.reading_findings(log),
    ]
    efficiency = efficiency_sheet(pairing, pack, log, discharges, sheets, charges, charged)
    found += conduct.efficiency_findings(pairing, efficiency["u_coulombic"] if efficiency else None)
    if efficiency is not None and conduct.implausible_efficiency(pairing, efficiency["u_coulombic"]):
        efficiency = None
    capacity = sheets[chosen] if chosen is not None else _no_capacity()
    found += _capacity_findings(capacity)
    found += lead_findings(resistance, pack)
    found = list(findings.order(findings.without_lesser(found)))
    # A step's own charge is the plain trapezoid over its rows, as a counter would show it.
    rows_only = cap.charge_flow(log, steps, (), flow.counters)
    incremental = incremental_sheet(
        log, pack, steps, discharges, charges, headline, numbers, whole_log.series, lambda share: tell("incremental", share),
    )
    contract: dict[str, Any] = {
        "schema": SCHEMA,
        "software": {"name": "packreturn", "version": _version()},
        "sources": [asdict(source) for source in log.sources],
        "log": {
            "started_at": log.started_at.isoformat() if log.started_at else None,
            "duration_s": log.duration_s, "rows": log.rows, "series": whole_log.series,
        },
        "reading": reading_dict(log),
        "pack": _pack_dict(pack),
        "instrument": plain(stated.instrument.to_dict()),
        "steps": [_step_dict(log, rows_only, step) for step in steps],
        "capacity": capacity,
        "capacities": sheets,
        "charges": charged,
        "trend": trend_sheet(log, pack, flow, discharges, sheets, charges, charged, resistance["pack"], breaks if not _common_clock(log) else ()),
        "efficiency": efficiency,
        "resistance": resistance,
        "power": power_sheet(log, pack, edges, pack_responses, group_responses, main_edge, resistance, numbers),
        "incremental": incremental,
        "groups": told(_with_unusable(table.rows, unusable, whole_log), partly),
        "limiting_group": table.limiting_group,
        "capacity_if_limiting_group_matched_ah": table.capacity_if_matched_ah,
        "u_capacity_if_limiting_group_matched_ah": table.u_capacity_if_matched_ah,
        "spread": table.spread,
        "rest": table.rests,
        "counters": conduct.counter_sheet(flow.counters, checks),
        "thermal": heat_sheet,
        "findings": [finding.to_dict() for finding in found],
    }
    contract = plain(contract)
    tell("verdict", None)
    contract["verdict"] = plain(decide(contract, criteria))
    return Analysis(log, pack, steps, contract)


def _nobody(_stage: str, _share: float | None) -> None:
    """Nobody asked how far the work is."""


def _usable(log: Log, progress: Callable[[float], None] | None = None) -> tuple[Log, tuple[int, ...], tuple[Finding, ...], tuple[Finding, ...]]:
    """The log without group readings that say nothing, the numbers of the columns that stay, findings on those that went and on stretches."""
    screened = screen(log, progress)
    numbers = tuple(g for g in range(1, log.series + 1) if g not in screened.lost)
    if not screened.lost:
        return screened.log, numbers, (), screened.partly
    kept = screened.log.group_voltage_v[:, [g - 1 for g in numbers]]
    return replace(screened.log, group_voltage_v=kept, left_out=tuple(sorted(screened.lost))), numbers, tuple(screened.lost.values()), screened.partly


def _with_unusable(rows: list[dict[str, Any]], unusable: tuple[Finding, ...], log: Log) -> list[dict[str, Any]]:
    """Rows of all groups in order; those without usable readings hold nothing but their number and why."""
    if not unusable:
        return rows
    names = {c.group: c.name for c in log.reading.columns if c.group is not None}
    empty = [
        dict.fromkeys(ROW_KEYS) | {
            "group": f.group, "name": names.get(f.group, f"group {f.group}"), "capacity_is_estimate": True, "findings": [f.code],
        }
        for f in unusable
    ]
    return sorted([*rows, *empty], key=lambda row: row["group"])


def _common_clock(log: Log) -> bool:
    """False if a joint in the log has no length that a clock could tell."""
    return not any(w.code in ("parts_in_given_order", "step_clock_joined") for w in log.reading.warnings)


def _version() -> str:
    from cycler import __version__

    return __version__


def plain(value: Any) -> Any:
    """Only JSON types: numpy scalars become Python's, NaN and infinities None, tuples lists."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value


def reading_dict(log: Log) -> dict[str, Any]:
    """The contract's ``reading`` object (also what ``inspect`` prints)."""
    r = log.reading
    return {
        "encoding": r.encoding, "delimiter": r.delimiter, "decimal": r.decimal, "header_row": r.header_row,
        "columns": [
            {"name": c.name, "role": c.role, "unit": c.unit, "group": c.group, "evidence": c.evidence} for c in r.columns
        ],
        "clock": {
            "kind": r.clock_kind, "wrapped": r.clock_wrapped,
            "gaps": [{"start_s": g.start_s, "duration_s": g.duration_s, "why": g.why} for g in r.gaps],
        },
        "sign": {"discharge_is": r.discharge_is, "evidence": r.sign_evidence},
        "columns_files": list(r.columns_files),
        "sampling_s": {"median": r.sampling_median_s, "max": r.sampling_max_s},
        "warnings": [{"code": w.code, "message": w.message, "where": w.where} for w in r.warnings],
    }


def _pack_dict(pack: Pack) -> dict[str, Any]:
    values = pack.to_dict()
    values.pop("instrument")
    return values


def _step_dict(log: Log, flow: cap.Flow, step: Step) -> dict[str, Any]:
    voltage = pack_voltage(log)[step.slice]
    finite = np.flatnonzero(np.isfinite(voltage))
    temperature = log.temperature_c[step.slice]
    origin = max(step.first - 1, 0) if step.direction else step.first
    return {
        "index": step.index, "kind": step.kind, "cycle": step.cycle,
        "start_s": log.time_s[step.first], "end_s": log.time_s[step.last],
        "duration_s": log.time_s[step.last] - log.time_s[step.first],
        "capacity_ah": abs(flow.running_ah[step.last] - flow.running_ah[origin]),
        "energy_wh": abs(flow.running_wh[step.last] - flow.running_wh[origin]),
        "mean_current_a": _mean_over_time(log.time_s[step.slice], log.current_a[step.slice]),
        "start_voltage_v": voltage[finite[0]] if finite.size else None,
        "end_voltage_v": voltage[finite[-1]] if finite.size else None,
        "end_reason": step.end_reason,
        "max_temperature_c": np.nanmax(temperature) if np.any(np.isfinite(temperature)) else None,
    }


def _mean_over_time(time_s: np.ndarray, value: np.ndarray) -> float | None:
    good = np.isfinite(value)
    if not np.any(good):
        return None
    t, v = time_s[good], value[good]
    if t.size < 2 or t[-1] <= t[0]:
        return float(np.mean(v))
    return float(np.sum(0.5 * (v[1:] + v[:-1]) * np.diff(t)) / (t[-1] - t[0]))


def _capacity_sheet(
    log: Log, pack: Pack, d: cap.Discharge, reasons: tuple[str, ...], numbers: tuple[int, ...], zero_seen_a: float, lead_ohm: float = 0.0
) -> dict[str, Any]:
    """The contract's ``capacity`` object for one discharge.

    ``value_ah`` is the charge taken from the state in which the charger left the pack to the crossing of the cut-off; ``u_value_ah`` is the
    uncertainty of that charge. ``u_from_full_ah`` joins what the voltmeter leaves open of "full" (``u_charge_voltage_ah``): it is the uncertainty of the pack's
    capacity as a property, and that of the state of health; runs on one bench share that part.
    """
    if d.limiting_end_group:
        resolution = resolution_of(log.group_voltage_v[:, d.limiting_end_group - 1])
        limit = pack.group_cutoff_voltage_v or 0.0
    else:
        resolution = resolution_of(pack_voltage(log))
        limit = pack.cutoff_voltage_v or 0.0
    u_end = voltage_reading_u(pack.instrument, limit, resolution, d.limiting_end_group is not None)
    budget = capacity_budget(d, pack, u_end, zero_seen_a, lead_ohm)
    u, u_charge_voltage = combined(budget), charge_voltage_u(d, pack)
    u_from_full = math.hypot(u, u_charge_voltage)
    if conduct.beyond_rating(d.net_ah, u, pack.rated_capacity_ah):
        reasons = ("capacity_above_rating", *reasons)
    mean_v = d.energy_wh / d.net_ah if d.net_ah else None
    energy_lines = energy_budget(d, pack, budget, mean_v or 0.0, resolution, lead_ohm)
    rated = pack.rated_capacity_ah
    return {
        "step": d.main_step, "steps": list(d.steps), "cycle": d.cycle,
        "at_s": {"start_s": d.load_on_s, "end_s": d.end_s},
        "value_ah": d.net_ah, "u_value_ah": u, "u_from_full_ah": u_from_full, "u_charge_voltage_ah": u_charge_voltage,
        "discharged_ah": d.discharged_ah, "recharged_ah": d.recharged_ah,
        "energy_wh": d.energy_wh,
        "u_energy_wh": combined(energy_lines),
        "mean_voltage_v": mean_v,
        "rate_it": abs(d.mean_current_a) / rated if rated else None,
        "mean_current_a": d.mean_current_a,
        "mean_temperature_c": d.mean_temperature_c,
        "started_full": d.started_full, "start_evidence": d.start_evidence,
        "end_reason": d.end_reason, "end_group": numbers[d.limiting_end_group - 1] if d.limiting_end_group else None,
        "valid": not reasons, "reasons": list(reasons),
        "reason_words": [conduct.INVALID_WORDS[code] for code in reasons],
        "is_lower_bound": conduct.is_lower_bound(d, reasons),
        "state_of_health": d.net_ah / rated if rated else None,
        "u_state_of_health": u_from_full / rated if rated else None,
        "budget": [{"source": line.source, "standard_uncertainty_ah": line.standard_uncertainty} for line in budget],
        "energy_budget": [{"source": line.source, "standard_uncertainty_wh": line.standard_uncertainty} for line in energy_lines],
    }


def _ammeter_shares(sheet: dict[str, Any]) -> dict[str, float]:
    """Errors of ammeter and clock in the pack's capacity over its charge: every group's charge has them too."""
    charge = abs(sheet["value_ah"] or 0.0)
    lines = [line for line in sheet["budget"] if line["source"] in AMMETER_SOURCES] if charge else []
    return {line["source"]: line["standard_uncertainty_ah"] / charge for line in lines}


def _no_capacity() -> dict[str, Any]:
    empty = {
        key: None
        for key in (
            "step", "cycle", "value_ah", "u_value_ah", "u_from_full_ah", "u_charge_voltage_ah", "discharged_ah", "recharged_ah", "energy_wh", "u_energy_wh",
            "mean_voltage_v", "rate_it", "mean_current_a", "mean_temperature_c", "started_full", "end_reason",
            "end_group", "state_of_health", "u_state_of_health",
        )
    }
    return empty | {
        "steps": [], "at_s": None, "start_evidence": "", "valid": False, "reasons": ["no_discharge"],
        "reason_words": [conduct.INVALID_WORDS["no_discharge"]], "is_lower_bound": False, "budget": [], "energy_budget": [],
    } | no_conditions()


EDGES_MAX = 400
"""Edges that are worked out for all channels; of more, the highest. A limit of time, not of physics."""
ATTEMPTS = 5
"""How many of the last valid discharges count; the best of them speaks for the pack, as capacity tests of the cell
standards allow up to five attempts (from memory of IEC 61960-3 and IEC 62620)."""


def _headline_index(sheets: list[dict[str, Any]]) -> int | None:
    """Which discharge speaks for the pack: the best of the last ``ATTEMPTS`` valid ones, else the one that gave most."""
    valid = [k for k, sheet in enumerate(sheets) if sheet["valid"]][-ATTEMPTS:]
    pool = valid or range(len(sheets))
    return max(pool, key=lambda k: sheets[k]["value_ah"], default=None)


def _capacity_findings(capacity: dict[str, Any]) -> list[Finding]:
    health, u = capacity["state_of_health"], capacity["u_state_of_health"]
    if health is not None and health - findings.SIGNIFICANT * u > findings.ABOVE_RATING_SHARE:
        beyond = "capacity_above_rating" in capacity["reasons"]
        return [
            Finding(
                "capacity_above_rating", "caution",
                f"The pack gave {100 * health:.0f} % of its rated capacity, " + ("which no pack gives" if beyond else "more than a pack can be expected to")
                + ": check the unit of the time, the unit of the current, the ammeter and rated_capacity_ah.",
                f"{figure_text(health, u, 'share')} (k = 2)", step=capacity["step"],
            )
        ]
    if not capacity["valid"] or health is None or health + findings.SIGNIFICANT * u >= findings.LOW_CAPACITY_SHARE:
        return []
    return [
        Finding(
            "low_capacity", "defect",
            f"The pack gives {figure_text(health, u, 'share')} of its rated capacity; below about {100 * findings.LOW_CAPACITY_SHARE:.0f} % a traction "
            "pack is usually counted as worn out.",
            f"state of health {figure_text(health, u, 'share')} (k = 2)", step=capacity["step"],
        )
    ]
