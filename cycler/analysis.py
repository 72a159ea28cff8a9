"""One call from a log and a pack to every figure, finding and verdict: the only orchestrator.

``Analysis.to_dict()`` is the outward contract (schema ``cycler.analysis/1``).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from cycler import conduct, findings
from cycler.findings import Finding
from cycler.grouptable import group_table
from cycler.log import Log
from cycler.measures import capacity as cap
from cycler.measures.efficiency import Pairing, pair_charge_discharge
from cycler.measures.resistance import (
    AFTER_S,
    Edge,
    StepResponse,
    alike_edges,
    channel_responses,
    combine_ohmic,
    find_edges,
    two_level_resistances,
)
from cycler.measures.thermal import Thermal, thermal
from cycler.pack import Pack
from cycler.signals import resolution_of
from cycler.steps import Step, pack_voltage, segment_steps
from cycler.uncertainty import (
    BudgetLine,
    capacity_budget,
    combined,
    energy_u,
    rectangular,
    resistance_u,
    voltage_reading_u,
)

SCHEMA = "cycler.analysis/1"


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


def analyze(log: Log, pack: Pack | None = None, criteria: Any = None) -> Analysis:
    """Analyse one test.

    Parameters
    ----------
    log : Log
    pack : Pack, optional
        Ratings and instrument; without it the default measuring chain counts and nothing is assumed of the pack.
    criteria : Criteria, optional
        The shipped "return-to-owner" set if left out.

    Returns
    -------
    Analysis
        Figures the log cannot support are None with reasons; nothing is raised for them.
    """
    from cycler.criteria import load_criteria
    from cycler.verdict import decide

    stated = pack or Pack()
    steps = segment_steps(log, stated)
    pack = infer_pack(stated, log, steps)
    if pack is not stated:
        # End reasons depend on the limits; limits set by the log's own end stay unknown to them.
        steps = segment_steps(log, replace(pack, group_cutoff_voltage_v=stated.group_cutoff_voltage_v))
    switches = cap.find_switches(log, steps)
    flow = cap.charge_flow(log, steps, switches)
    discharges = cap.find_discharges(log, pack, steps, flow)
    charges = cap.find_charges(log, steps, flow)
    sheets = [_capacity_sheet(log, pack, d) for d in discharges]
    chosen = _headline_index(sheets)
    headline = discharges[chosen] if chosen is not None else None
    doubts = tuple(sheets[chosen]["reasons"]) if chosen is not None else ("no_discharge",)
    edges = find_edges(log, steps, switches)
    voltage = pack_voltage(log)
    pack_responses = [channel_responses(log, steps, edge, voltage) for edge in edges]
    group_responses = [
        [channel_responses(log, steps, edge, log.group_voltage_v[:, g]) for g in range(log.series)] for edge in edges
    ]
    main_edge = _headline_edge(edges, pack_responses, group_responses, steps, headline, flow)
    pack_responses, group_responses = _with_joint_ohmic(edges, pack_responses, group_responses, main_edge, flow, headline, pack)
    table = group_table(
        log, pack, steps, flow, headline, edges, group_responses, main_edge, charges,
    )
    resistance = _resistance_sheet(log, pack, steps, flow, headline, doubts, edges, pack_responses, group_responses, main_edge)
    pairing, _ = pair_charge_discharge(discharges, charges)
    heat = thermal(log.time_s, log.temperature_c)
    found = [
        *conduct.course_findings(log, pack, steps, headline, doubts),
        *conduct.bench_findings(log, pack, steps, flow, headline, edges),
        *conduct.temperature_findings(log, steps, heat, headline),
        *table.findings,
        *conduct.reading_findings(log),
    ]
    efficiency = _efficiency_sheet(pairing, pack)
    found += conduct.efficiency_findings(pairing, efficiency["u_coulombic"] if efficiency else None)
    capacity = sheets[chosen] if chosen is not None else _no_capacity()
    found += _capacity_findings(capacity)
    found += _lead_findings(resistance)
    found = list(findings.order(found))
    # A step's own charge is the plain trapezoid over its rows, as a counter would show it.
    rows_only = cap.charge_flow(log, steps, ())
    contract: dict[str, Any] = {
        "schema": SCHEMA,
        "software": {"name": "packreturn", "version": _version()},
        "sources": [asdict(source) for source in log.sources],
        "log": {
            "started_at": log.started_at.isoformat() if log.started_at else None,
            "duration_s": log.duration_s, "rows": log.rows, "series": log.series,
        },
        "reading": reading_dict(log),
        "pack": _pack_dict(pack),
        "instrument": asdict(pack.instrument),
        "steps": [_step_dict(log, rows_only, step) for step in steps],
        "capacity": capacity,
        "capacities": sheets,
        "efficiency": efficiency,
        "resistance": resistance,
        "groups": table.rows,
        "limiting_group": table.limiting_group,
        "capacity_if_limiting_group_matched_ah": table.capacity_if_matched_ah,
        "spread": table.spread,
        "rest": table.rests,
        "thermal": _thermal_dict(heat, pack, log),
        "findings": [finding.to_dict() for finding in found],
    }
    contract = plain(contract)
    contract["verdict"] = plain(decide(contract, criteria if criteria is not None else load_criteria("return-to-owner")))
    return Analysis(log, pack, steps, contract)


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


def _capacity_sheet(log: Log, pack: Pack, d: cap.Discharge) -> dict[str, Any]:
    """The contract's ``capacity`` object for one discharge."""
    reasons = conduct.capacity_doubts(d, pack)
    if d.limiting_end_group:
        resolution = resolution_of(log.group_voltage_v[:, d.limiting_end_group - 1])
        limit = pack.group_cutoff_voltage_v or 0.0
    else:
        resolution = resolution_of(pack_voltage(log))
        limit = pack.cutoff_voltage_v or 0.0
    u_end = voltage_reading_u(pack.instrument, limit, resolution, d.limiting_end_group is not None)
    budget = capacity_budget(d, pack, u_end)
    u = combined(budget)
    mean_v = d.energy_wh / d.net_ah if d.net_ah else None
    rated = pack.rated_capacity_ah
    return {
        "step": d.main_step, "steps": list(d.steps), "cycle": d.cycle,
        "at_s": {"start_s": d.load_on_s, "end_s": d.end_s},
        "value_ah": d.net_ah, "u_value_ah": u, "discharged_ah": d.discharged_ah, "recharged_ah": d.recharged_ah,
        "energy_wh": d.energy_wh,
        "u_energy_wh": energy_u(d, pack, budget, mean_v or 0.0),
        "mean_voltage_v": mean_v,
        "rate_it": abs(d.mean_current_a) / rated if rated else None,
        "mean_current_a": d.mean_current_a,
        "mean_temperature_c": d.mean_temperature_c,
        "started_full": d.started_full, "start_evidence": d.start_evidence,
        "end_reason": d.end_reason, "end_group": d.limiting_end_group,
        "valid": not reasons, "reasons": list(reasons),
        "reason_words": [conduct.INVALID_WORDS[code] for code in reasons],
        "is_lower_bound": bool(reasons),
        "state_of_health": d.net_ah / rated if rated else None,
        "u_state_of_health": u / rated if rated else None,
        "budget": [{"source": line.source, "standard_uncertainty_ah": line.standard_uncertainty} for line in budget],
    }


def _no_capacity() -> dict[str, Any]:
    empty = {
        key: None
        for key in (
            "step", "cycle", "value_ah", "u_value_ah", "discharged_ah", "recharged_ah", "energy_wh", "u_energy_wh",
            "mean_voltage_v", "rate_it", "mean_current_a", "mean_temperature_c", "started_full", "end_reason",
            "end_group", "state_of_health", "u_state_of_health",
        )
    }
    return empty | {
        "steps": [], "at_s": None, "start_evidence": "", "valid": False, "reasons": ["no_discharge"],
        "reason_words": [conduct.INVALID_WORDS["no_discharge"]], "is_lower_bound": False, "budget": [],
    }


LEAD_SHARE = 0.30
"""Pack over the sum of its groups by more than this share: leads lie in the reading rather than the pack's own strips and
wires. Common practice, no source."""
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
    if not capacity["valid"] or health is None or health + findings.SIGNIFICANT * u >= findings.LOW_CAPACITY_SHARE:
        return []
    return [
        Finding(
            "low_capacity", "defect",
            f"The pack gives {100 * health:.0f} % of its rated capacity; below about {100 * findings.LOW_CAPACITY_SHARE:.0f} % a traction "
            "pack is usually counted as worn out.",
            f"state of health {100 * health:.1f} ± {100 * findings.SIGNIFICANT * u:.1f} % (k = 2)", step=capacity["step"],
        )
    ]


def _headline_edge(
    edges: tuple[Edge, ...],
    pack_responses: list[StepResponse | None],
    group_responses: list[list[StepResponse | None]],
    steps: tuple[Step, ...],
    headline: cap.Discharge | None,
    flow: cap.Flow,
) -> int | None:
    """The edge whose resistance speaks for the pack: a load coming on after rest, the highest that supports the 10 s
    value; among equals the one nearest to half charge, without a known charge the first."""
    ten = AFTER_S.index(10.0)

    def supports(k: int) -> bool:
        channels = [pack_responses[k], *group_responses[k]]
        return any(c is not None and c.ohm[ten] is not None for c in channels)

    usable = [k for k in range(len(edges)) if supports(k)]
    loads = [k for k in usable if edges[k].current_step_a < 0 and edges[k].rest_before_s >= 10.0]
    pool = loads or [k for k in usable if edges[k].current_step_a < 0] or usable
    if not pool:
        return None
    highest = max(abs(edges[k].current_step_a) for k in pool)
    pool = [k for k in pool if abs(edges[k].current_step_a) >= 0.93 * highest]
    if headline is None or len(pool) == 1:
        return pool[0]
    half = 0.5 * headline.net_ah
    begin = flow.running_ah[steps[headline.steps[0]].first]
    return min(pool, key=lambda k: abs((begin - flow.running_ah[edges[k].k]) - half))


def _with_joint_ohmic(
    edges: tuple[Edge, ...], pack_responses: list[StepResponse | None], group_responses: list[list[StepResponse | None]],
    main_edge: int | None, flow: cap.Flow, headline: cap.Discharge | None, pack: Pack,
) -> tuple[list[StepResponse | None], list[list[StepResponse | None]]]:
    """Responses with the ohmic part at the main edge replaced by the mean over all edges alike."""
    reference_ah = headline.net_ah if headline is not None else pack.rated_capacity_ah
    if main_edge is None or not reference_ah:
        return pack_responses, group_responses
    alike = alike_edges(edges, main_edge, np.array([flow.running_ah[e.k] for e in edges]), reference_ah)

    def joined(channel: list[StepResponse | None]) -> StepResponse | None:
        own = channel[main_edge]
        value, u = combine_ohmic([channel[k] for k in (main_edge, *(k for k in alike if k != main_edge))])
        return replace(own, ohmic_ohm=value, u_ohmic_ohm=u) if own is not None and own.ohmic_ohm is not None else own

    pack_responses, group_responses = list(pack_responses), list(group_responses)
    pack_responses[main_edge] = joined(pack_responses)
    group_responses[main_edge] = [
        joined([row[g] for row in group_responses]) for g in range(len(group_responses[main_edge]))
    ]
    return pack_responses, group_responses


def _resistance_sheet(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: cap.Flow, headline: cap.Discharge | None, doubts: tuple[str, ...],
    edges: tuple[Edge, ...], pack_responses: list[StepResponse | None], group_responses: list[list[StepResponse | None]],
    main_edge: int | None,
) -> dict[str, Any]:
    """The contract's ``resistance`` object."""
    rows, group_rows = [], []
    for k, edge in enumerate(edges):
        common = {
            "at_s": edge.at_s, "current_step_a": edge.current_step_a,
            "state_of_charge": _state_of_charge(log, flow, headline, doubts, steps, edge),
            "temperature_c": _temperature_at(log, edge.k), "step_index": edge.after,
        }
        rows += [row | common for row in _channel_rows(pack_responses[k], edge, pack, group=False)]
        for g, response in enumerate(group_responses[k]):
            group_rows += [
                {"group": g + 1} | row | {"at_s": edge.at_s, "current_step_a": edge.current_step_a}
                for row in _channel_rows(response, edge, pack, group=True)
            ]
    for level in two_level_resistances(log, steps, pack.rated_capacity_ah, flow.switches):
        lines = resistance_u(pack.instrument, level.ohm, level.u_ohm, 0.0, False)
        rows.append(
            {
                "method": level.method, "at_s": level.at_s, "after_s": level.after_s, "current_step_a": level.current_step_a,
                "ohm": level.ohm, "u_ohm": combined(lines), "ohmic_ohm": None, "polarization_ohm": None,
                "state_of_charge": None, "temperature_c": _temperature_at(log, steps[level.step_index].first),
                "step_index": level.step_index,
            }
        )
    sheet: dict[str, Any] = {
        "pack": rows, "groups": group_rows, "interconnect_ohm": None, "u_interconnect_ohm": None,
        "lead_ohm": pack.instrument.lead_resistance_ohm if pack.instrument.sense == "two-wire" else None,
        "warnings": [], "headline": None, "budget": [],
    }
    _join_headline(sheet, pack, edges, pack_responses, group_responses, main_edge)
    if not edges or all(row["ohmic_ohm"] is None for row in rows if row["method"] == "current_step"):
        sheet["warnings"].append("sampling_too_coarse")
    return sheet


def _join_headline(
    sheet: dict[str, Any], pack: Pack, edges: tuple[Edge, ...], pack_responses: list[StepResponse | None],
    group_responses: list[list[StepResponse | None]], main_edge: int | None,
) -> None:
    """Headline 10 s figure, interconnect, and whether the pack figure must come from the sum of the groups."""
    if main_edge is None:
        return
    ten = AFTER_S.index(10.0)
    lead = pack.instrument.lead_resistance_ohm if pack.instrument.sense == "two-wire" else 0.0
    whole = pack_responses[main_edge]
    groups = group_responses[main_edge]
    own = whole.ohm[ten] if whole is not None else None
    tens = [g.ohm[ten] for g in groups if g is not None and g.ohm[ten] is not None]
    complete = len(groups) > 0 and len(tens) == len(groups) and (pack.series is None or pack.series == len(groups))
    total = float(sum(tens)) if complete else None
    u_sum_lines = _sum_budget(pack, groups, total, ten) if complete else ()
    own_lines: tuple[BudgetLine, ...] = ()
    if own is not None and whole is not None:
        own -= lead
        own_lines = resistance_u(pack.instrument, own, whole.u_random_ohm * math.sqrt(2.0), whole.u_instant_ohm[ten], False)
        if lead:
            # The stated lead resistance is taken as right within 10 %. Common practice, no source.
            own_lines = (*own_lines, BudgetLine("lead resistance", rectangular(0.1 * lead)))
    source = "pack"
    if own is not None and total is not None:
        u = math.hypot(combined(own_lines), combined(u_sum_lines))
        sheet["interconnect_ohm"], sheet["u_interconnect_ohm"] = own - total, u
        two_wire = pack.instrument.sense == "two-wire"
        if two_wire:
            sheet["warnings"].append("two_wire_sense")
        if own - total > max(findings.SIGNIFICANT * u, LEAD_SHARE * total):
            sheet["warnings"].append("lead_drop")
            source = "group_sum"
        elif two_wire and not lead:
            source = "group_sum"
    if own is None:
        source = "group_sum"
    value = total if source == "group_sum" else own
    if value is None:
        return
    lines = u_sum_lines if source == "group_sum" else own_lines
    if source == "group_sum":
        ohmics = [g.ohmic_ohm for g in groups if g is not None]
        have = len(ohmics) == len(groups) and all(o is not None for o in ohmics)
        ohmic = float(sum(ohmics)) if have else None
        u_ohmic = math.sqrt(sum(g.u_ohmic_ohm**2 for g in groups)) if have else None
    else:
        ohmic = whole.ohmic_ohm - lead if whole.ohmic_ohm is not None else None
        u_ohmic = whole.u_ohmic_ohm
    if ohmic is not None:
        gain = rectangular(math.hypot(pack.instrument.voltage_gain, pack.instrument.current_gain)) * abs(ohmic)
        u_ohmic = math.hypot(u_ohmic, gain)
    sheet["headline"] = {
        "ohm_10s": value, "u_ohm_10s": combined(lines), "ohmic_ohm": ohmic, "u_ohmic_ohm": u_ohmic, "source": source,
        "at_s": edges[main_edge].at_s, "current_step_a": edges[main_edge].current_step_a,
    }
    sheet["budget"] = [{"source": line.source, "standard_uncertainty_ohm": line.standard_uncertainty} for line in lines]


def _sum_budget(pack: Pack, groups: list[StepResponse | None], total: float, ten: int) -> tuple[BudgetLine, ...]:
    """Budget of the sum of group resistances: gains common to all groups, noise independent, instant common."""
    i = pack.instrument
    return (
        BudgetLine("voltage gain", rectangular(i.group_voltage_gain * total)),
        BudgetLine("current gain", rectangular(i.current_gain * total)),
        BudgetLine("voltage noise and resolution", math.sqrt(sum(2.0 * g.u_random_ohm**2 for g in groups if g))),
        BudgetLine("instant of the edge", sum(g.u_instant_ohm[ten] for g in groups if g)),
    )


def _channel_rows(response: StepResponse | None, edge: Edge, pack: Pack, group: bool) -> list[dict[str, Any]]:
    """Rows of one voltage channel at one edge: ``after_s`` 0 (ohmic) and each time the sampling supports."""
    if response is None:
        return []
    i = pack.instrument
    lead = i.lead_resistance_ohm if i.sense == "two-wire" and not group else 0.0
    ohmic = response.ohmic_ohm - lead if response.ohmic_ohm is not None else None
    rows = []
    if ohmic is not None:
        gain = rectangular(math.hypot(i.group_voltage_gain if group else i.voltage_gain, i.current_gain)) * abs(ohmic)
        rows.append(
            {
                "method": "current_step", "after_s": 0.0, "ohm": ohmic, "u_ohm": math.hypot(response.u_ohmic_ohm, gain),
                "ohmic_ohm": ohmic, "polarization_ohm": 0.0,
            }
        )
    for after_s, value, instant in zip(AFTER_S, response.ohm, response.u_instant_ohm):
        if value is None:
            continue
        ohm = value - lead
        lines = resistance_u(i, ohm, response.u_random_ohm * math.sqrt(2.0), instant, group)
        rows.append(
            {
                "method": "current_step", "after_s": after_s, "ohm": ohm, "u_ohm": combined(lines), "ohmic_ohm": ohmic,
                "polarization_ohm": ohm - ohmic if ohmic is not None else None,
            }
        )
    return rows


def _state_of_charge(
    log: Log, flow: cap.Flow, headline: cap.Discharge | None, doubts: tuple[str, ...], steps: tuple[Step, ...], edge: Edge
) -> float | None:
    """Share of the measured capacity still in the pack at an edge of the discharge that counts; None elsewhere."""
    if headline is None or doubts or not headline.load_on_s - 1e-6 <= edge.at_s <= headline.end_s + 1e-6:
        return None
    begin = flow.running_ah[max(steps[headline.steps[0]].first - 1, 0)]
    return float(np.clip(1.0 - (begin - flow.running_ah[edge.k]) / headline.net_ah, 0.0, 1.0))


def _temperature_at(log: Log, k: int) -> float | None:
    window = log.temperature_c[max(0, k - 5) : k + 6]
    return float(np.nanmean(window)) if np.any(np.isfinite(window)) else None


def _lead_findings(resistance: dict[str, Any]) -> list[Finding]:
    if "lead_drop" not in resistance["warnings"]:
        return []
    value, u = resistance["interconnect_ohm"], resistance["u_interconnect_ohm"]
    return [
        Finding(
            "lead_drop", "caution",
            f"The pack shows {1e3 * value:.1f} mΩ more than its groups together: leads, plug or board lie in that reading. Pack resistance is "
            "taken from the sum of the groups.",
            f"{1e3 * value:.2f} ± {2e3 * u:.2f} mΩ (k = 2)",
        )
    ]


def _efficiency_sheet(pairing: Pairing | None, pack: Pack) -> dict[str, Any] | None:
    """Efficiencies; gains cancel in the ratio of two charges of one instrument, offsets add with their times."""
    if pairing is None:
        return None
    i = pack.instrument
    charge, discharge = pairing.charge, pairing.discharge
    hours_in = (charge.end_s - charge.start_s) / 3600.0
    offset = rectangular(i.current_offset_a) * (
        hours_in / charge.charge_ah + discharge.active_s / 3600.0 / discharge.net_ah
    )
    # Linearity of the ammeter between the two directions: a tenth of its gain limit. Common practice, no source.
    u_coulombic = pairing.coulombic * math.hypot(offset, rectangular(0.1 * i.current_gain))
    u_energy = pairing.energy * math.hypot(math.hypot(offset, rectangular(0.1 * i.current_gain)), rectangular(0.1 * i.voltage_gain))
    return {
        "coulombic": pairing.coulombic, "u_coulombic": u_coulombic, "energy": pairing.energy, "u_energy": u_energy,
        "charge_step": charge.steps[0], "discharge_step": discharge.main_step,
    }


def _thermal_dict(heat: Thermal | None, pack: Pack, log: Log) -> dict[str, Any]:
    if heat is None:
        return {"max_c": None, "rise_c": None, "max_rate_c_per_min": None, "ambient_c": None, "u_max_c": None, "u_rise_c": None}
    u_max = rectangular(pack.instrument.temperature_offset_c)
    # The offset of one sensor cancels in a rise; half its limit is kept for gain and for the time it lags.
    return {
        "max_c": heat.max_c, "rise_c": heat.rise_c, "max_rate_c_per_min": heat.max_rate_c_per_min, "ambient_c": heat.ambient_c,
        "u_max_c": u_max, "u_rise_c": 0.5 * u_max,
    }
