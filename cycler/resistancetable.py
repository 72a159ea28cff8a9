"""The resistance sheet: figures of pack and groups at every current edge, and the one that speaks for the pack."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from cycler import findings
from cycler.findings import Finding
from cycler.log import Log
from cycler.measures import capacity as cap
from cycler.measures.resistance import (
    AFTER_S,
    Edge,
    StepResponse,
    alike_edges,
    combine_ohmic,
    two_level_resistances,
)
from cycler.pack import Pack
from cycler.steps import Step
from cycler.uncertainty import BudgetLine, combined, rectangular, resistance_u

LEAD_SHARE = 0.30
"""Pack over the sum of its groups by more than this share: leads lie in the reading rather than the pack's own strips and
wires. Common practice, no source."""


def headline_edge(
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


def with_joint_ohmic(
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


def resistance_sheet(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: cap.Flow, headline: cap.Discharge | None, doubts: tuple[str, ...],
    edges: tuple[Edge, ...], pack_responses: list[StepResponse | None], group_responses: list[list[StepResponse | None]],
    main_edge: int | None, left_out: int, group_sum: bool,
) -> dict[str, Any]:
    """The contract's ``resistance`` object. ``left_out`` edges were not worked out; with ``group_sum`` the pack voltage is the
    sum of the groups, as no other was logged.

    Rows of ``pack`` and ``groups``, each for one edge and time after it (:mod:`cycler.measures.resistance`), ``u_...`` standard uncertainties:

    ``method``: ``current_step``, or a two-current recipe at pack level; ``at_s``: instant of the edge; ``after_s``: 0 for the ohmic part. [s]
    ``current_step_a``: level after less level before, medians of the rows beside the edge: five under load (the first after it left out), nine at rest. [A]
    ``ohm``: change of voltage over that step, the stated leads of a two-wire pack voltage are taken off, two-current recipes excepted; that they are
    known within 10 % (rectangular) is in the headline's uncertainty only. [ohm]
    ``ohmic_ohm``: extrapolated to the edge; ``polarization_ohm``: ``ohm`` less that, drift of the open-circuit voltage in it. [ohm]
    ``state_of_charge``: 1 at load on of the discharge that counts, 0 at its end, by charge; None outside of it or where it is in doubt.
    ``temperature_c``: mean of all readings of all sensors in the last row before the edge and five rows on either side of it. [degC]

    ``headline``: resistance 10 s after the edge of :func:`headline_edge` and ohmic part there (mean over edges alike it), of the pack (``source``
    ``pack``) or the sum of its groups (``group_sum``: no pack voltage supports it, two-wire leads are not stated, or ``lead_drop``); ``budget``
    lists the sources of its ``u_ohm_10s``.
    ``interconnect_ohm``: that of the pack less the sum of its groups, both 10 s after that edge: what lies outside the taps. None unless every group and
    the pack were logged apart. [ohm]
    ``lead_ohm``: stated resistance of the leads of a two-wire pack voltage, not measured. [ohm]
    ``warnings``: ``two_wire_sense``; ``lead_drop`` (interconnect above ``LEAD_SHARE`` of the groups and significant); ``edges_left_out``;
    ``sampling_too_coarse`` (no edge, or none with an ohmic part of the pack).
    """
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
        lead = pack.instrument.lead_resistance_ohm if pack.instrument.sense == "two-wire" else 0.0
        ohm = level.ohm - lead
        lines = (*resistance_u(pack.instrument, ohm, level.u_ohm, 0.0, False), BudgetLine("lead resistance", rectangular(0.1 * lead)))
        rows.append(
            {
                "method": level.method, "at_s": level.at_s, "after_s": level.after_s, "current_step_a": level.current_step_a,
                "ohm": ohm, "u_ohm": combined(lines), "ohmic_ohm": None, "polarization_ohm": None,
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
    if group_sum and sheet["headline"] is not None:
        sheet["headline"]["source"] = "group_sum"
        sheet["interconnect_ohm"] = sheet["u_interconnect_ohm"] = None
    if left_out:
        sheet["warnings"].append("edges_left_out")
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
    u_sum_lines = _sum_budget(pack, groups, total, ten, edges[main_edge].current_share) if complete else ()
    own_lines: tuple[BudgetLine, ...] = ()
    if own is not None and whole is not None:
        own -= lead
        own_lines = resistance_u(
            pack.instrument, own, whole.u_random_ohm[ten], whole.u_instant_ohm[ten], False, edges[main_edge].current_share
        )
        if lead:
            # The stated lead resistance is taken as right within 10 %. Common practice, no source.
            own_lines = (*own_lines, BudgetLine("lead resistance", rectangular(0.1 * lead)))
    source = "pack"
    if own is not None and total is not None:
        u = _interconnect_u(pack, whole, groups, own, total, ten)
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
        # Instant of the edge and extrapolation are common to all groups: their parts add linearly.
        u_ohmic = float(sum(g.u_ohmic_ohm for g in groups)) if have else None
        voltage_gain = pack.instrument.group_voltage_gain
    else:
        ohmic = whole.ohmic_ohm - lead if whole.ohmic_ohm is not None else None
        u_ohmic = whole.u_ohmic_ohm
        voltage_gain = pack.instrument.voltage_gain
    if ohmic is not None:
        gain = rectangular(math.hypot(voltage_gain, pack.instrument.current_gain)) * abs(ohmic)
        u_ohmic = math.hypot(u_ohmic, gain)
    sheet["headline"] = {
        "ohm_10s": value, "u_ohm_10s": combined(lines), "ohmic_ohm": ohmic, "u_ohmic_ohm": u_ohmic, "source": source,
        "at_s": edges[main_edge].at_s, "current_step_a": edges[main_edge].current_step_a,
    }
    sheet["budget"] = [{"source": line.source, "standard_uncertainty_ohm": line.standard_uncertainty} for line in lines]


def _interconnect_u(
    pack: Pack, whole: StepResponse, groups: list[StepResponse | None], own: float, total: float, ten: int
) -> float:
    """Standard uncertainty of pack resistance less the sum of the groups. [ohm]

    Current and instant of the edge are common to both and only count by what differs; the two voltage channels' gains and the
    noise of all readings are not.
    """
    i = pack.instrument
    noise = math.sqrt(whole.u_random_ohm[ten] ** 2 + sum(g.u_random_ohm[ten] ** 2 for g in groups if g))
    instant = abs(whole.u_instant_ohm[ten] - sum(g.u_instant_ohm[ten] for g in groups if g))
    gains = math.hypot(rectangular(i.voltage_gain) * own, rectangular(i.group_voltage_gain) * total)
    return math.sqrt(noise**2 + instant**2 + gains**2 + (rectangular(i.current_gain) * (own - total)) ** 2)


def _sum_budget(
    pack: Pack, groups: list[StepResponse | None], total: float, ten: int, current_share: float
) -> tuple[BudgetLine, ...]:
    """Budget of the sum of group resistances: gains common to all groups, noise independent, instant common."""
    i = pack.instrument
    return (
        BudgetLine("voltage gain", rectangular(i.group_voltage_gain * total)),
        BudgetLine("current gain", rectangular(i.current_gain * total)),
        BudgetLine("current noise and resolution", current_share * total),
        BudgetLine("voltage noise and resolution", math.sqrt(sum(g.u_random_ohm[ten] ** 2 for g in groups if g))),
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
    for after_s, value, random, instant in zip(AFTER_S, response.ohm, response.u_random_ohm, response.u_instant_ohm, strict=True):
        if value is None:
            continue
        ohm = value - lead
        lines = resistance_u(i, ohm, random, instant, group, edge.current_share)
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


def lead_findings(resistance: dict[str, Any], pack: Pack) -> list[Finding]:
    """What lies between the sum of the groups and the terminals: leads, or, with a declared four-wire voltmeter, a joint in the pack."""
    if "lead_drop" not in resistance["warnings"]:
        return []
    value, u = resistance["interconnect_ohm"], resistance["u_interconnect_ohm"]
    evidence = f"{1e3 * value:.2f} ± {2e3 * u:.2f} mΩ (k = 2)"
    if pack.instrument.declared and pack.instrument.sense == "four-wire":
        current = pack.max_discharge_current_a or abs(resistance["headline"]["current_step_a"])
        return [
            Finding(
                "joint_outside_taps", "defect",
                f"{1e3 * value:.0f} mΩ lie outside the group taps, though the voltage was read at the pack itself: a plug, strip, wire or board that makes about "
                f"{current**2 * value:.0f} W of heat at {current:.3g} A. Find the joint before the pack goes back.",
                evidence,
            )
        ]
    return [
        Finding(
            "lead_drop", "caution",
            f"The pack shows {1e3 * value:.1f} mΩ more than its groups together: leads, plug or board lie in that reading. Pack resistance is "
            "taken from the sum of the groups.",
            evidence,
        )
    ]
