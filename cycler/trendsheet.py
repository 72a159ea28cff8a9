"""The contract's ``trend``: fade of capacity, growth of resistance and change of energy efficiency over the cycles of one log."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from typing import Any

import numpy as np

from cycler.conduct import implausible_efficiency
from cycler.efficiencysheet import COMMON as COMMON_OF_EFFICIENCY
from cycler.efficiencysheet import efficiency_budgets, own_cut_ah
from cycler.log import Log
from cycler.measures.capacity import ChargeRun, Discharge, Flow
from cycler.measures.efficiency import pair_charge_discharge
from cycler.measures.integrate import cumulative
from cycler.measures.trend import TrendLine, weighted_line
from cycler.pack import Pack
from cycler.uncertainty import SECONDS_PER_HOUR, combined, rectangular

COMMON = ("current gain", "current offset", "clock", "leads")
"""Lines of a budget that act on every cycle of one log alike; every other counts as independent from cycle to cycle."""
ALIKE_SHARE = 0.05
"""Cycles within this share of the middle rate (of the middle current step, for resistances) are compared. Common practice, no source."""
ALIKE_CHARGE = 0.05
"""Resistances within this state of charge of the middle one are compared. Common practice, no source."""
TEMPERATURE_SPREAD_K = 3.0
"""Cycles further apart in mean temperature: capacity moves by some 0.6 % per kelvin, so the line may show the weather. [K] Common practice, no source."""
CHARGED_SHARE = 0.8
"""Least charge, as a share of what came out, that must be seen to go in for the throughput to be that of the pack. Common practice, no source."""
FLOOR = 1e-6
"""Least independent uncertainty, as a share: a noiseless log needs weights, and its scatter then speaks."""


def trend_sheet(
    log: Log, pack: Pack, flow: Flow, discharges: tuple[Discharge, ...], sheets: list[dict[str, Any]], charges: tuple[ChargeRun, ...],
    charge_sheets: list[dict[str, Any]], resistances: list[dict[str, Any]], breaks_s: tuple[float, ...] = (),
) -> dict[str, Any]:
    """Lines through the cycles of one log.

    Parameters
    ----------
    log, pack, flow
        The log, its pack and its running charge.
    discharges, sheets
        Every discharge and its sheet of ``capacities``, in the same order.
    charges, charge_sheets
        Every charge and its sheet of ``charges``, in the same order.
    resistances : list of dict
        Rows of ``resistance.pack``.
    breaks_s : tuple of float
        Times at which it is not known how long the clock stood. [s]

    Returns
    -------
    dict
        ``cycles`` has a row per discharge; x is the log's own cycle number if every discharge has another, rising one, else the place in the log from 1. Capacity: valid
        discharges at like rate that ended for the same reason, against x and against equivalent full cycles (charge in and out since the log's start over twice the
        rated capacity). Resistance: 10 s after load-on of each of them, at like current step and state of charge. Energy efficiency: pairs between proved, equal end
        states. Shares are of the line's value at the first of those cycles; fade counts positive when capacity falls.

    Notes
    -----
    Per cycle, independent: end of the discharge by the resolution of the voltage, instant of switching, noise, full start, gaps. Common: gain, zero and clock of the ammeter, gain and zero of
    the voltmeter. See ``measures.trend.weighted_line`` for how each counts.
    """
    through_ah = cumulative(np.abs(flow.charge_coulomb)) / SECONDS_PER_HOUR
    rows = [
        _row(log, pack, through_ah, k, discharges, sheets[k], charges, charge_sheets, resistances, breaks_s) for k in range(len(discharges))
    ]
    numbers = [d.cycle for d in discharges if d.cycle is not None]
    own = len(numbers) == len(discharges) and all(b > a for a, b in itertools.pairwise(numbers))
    for place, row in enumerate(rows, 1):
        row["x"] = row["cycle"] if own else place
    throughput_why = _mark(rows, discharges, charge_sheets, pack)
    counted = [row for row in rows if row["left_out"] is None]
    capacity, per_cycle = _line(counted, "x", "capacity_ah")
    _, per_full_cycle = _line([] if throughput_why else counted, "equivalent_full_cycles", "capacity_ah")
    resistance, growth = _line(_alike_edges(counted), "x", "resistance_10s_ohm")
    efficiency, change = _line(counted, "x", "energy_efficiency")
    heat = [row["mean_temperature_c"] for row in counted]
    doubts = _temperature_doubts(heat) if per_cycle.slope is not None else []
    reasons = [*per_cycle.reasons, *doubts]
    if len(counted) < len(rows):
        reasons.append("cycles_left_out")
    return {
        "cycles": [{key: value for key, value in row.items() if not key.startswith("_")} for row in rows],
        "x": "cycle" if own else "place_in_log",
        "capacity_fade_share_per_cycle": _minus(per_cycle.slope_share), "u_capacity_fade_share_per_cycle": per_cycle.u_slope_share,
        "capacity_fade_ah_per_cycle": _minus(per_cycle.slope), "u_capacity_fade_ah_per_cycle": per_cycle.u_slope,
        "first_capacity_ah": per_cycle.level, "u_first_capacity_ah": per_cycle.u_level,
        "capacity_fade_share_per_equivalent_full_cycle": _minus(per_full_cycle.slope_share),
        "u_capacity_fade_share_per_equivalent_full_cycle": per_full_cycle.u_slope_share,
        "resistance_growth_share_per_cycle": growth.slope_share, "u_resistance_growth_share_per_cycle": growth.u_slope_share,
        "energy_efficiency_change_per_cycle": change.slope, "u_energy_efficiency_change_per_cycle": change.u_slope,
        "capacity_fit": capacity, "resistance_fit": resistance, "energy_efficiency_fit": efficiency,
        "reasons": reasons,
        "equivalent_full_cycle_reasons": [throughput_why] if throughput_why else list(per_full_cycle.reasons),
        "resistance_reasons": [*growth.reasons, *(doubts if growth.slope is not None else [])],
        "energy_efficiency_reasons": list(change.reasons),
    }


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def _row(
    log: Log, pack: Pack, through_ah: np.ndarray, k: int, discharges: tuple[Discharge, ...], sheet: dict[str, Any], charges: tuple[ChargeRun, ...],
    charge_sheets: list[dict[str, Any]], resistances: list[dict[str, Any]], breaks_s: tuple[float, ...],
) -> dict[str, Any]:
    """One cycle; keys that begin with "_" hold the standard uncertainties that cycles share, one per source."""
    d = discharges[k]
    independent, common, own_cut, zero_a = _parts(log, d, sheet)
    row: dict[str, Any] = {
        "cycle": d.cycle, "x": None, "at_s": d.end_s, "capacity_ah": sheet["value_ah"], "u_capacity_ah": sheet["u_value_ah"],
        "u_independent_ah": independent, "_capacity_ah": common, "valid": sheet["valid"], "left_out": None,
        "rate_it": sheet["rate_it"], "mean_temperature_c": sheet["mean_temperature_c"],
        "equivalent_full_cycles": None, "u_equivalent_full_cycles": None,
        "resistance_10s_ohm": None, "u_resistance_10s_ohm": None, "u_independent_ohm": None, "_resistance_10s_ohm": (),
        "_current_step_a": None, "_state_of_charge": None,
        "coulombic_efficiency": None, "u_coulombic_efficiency": None,
        "energy_efficiency": None, "u_energy_efficiency": None, "u_independent_energy_efficiency": None, "_energy_efficiency": (),
    }
    i = pack.instrument
    if pack.rated_capacity_ah:
        moved_ah, full_ah = float(np.interp(d.end_s, log.time_s, through_ah)), 2.0 * pack.rated_capacity_ah
        row["equivalent_full_cycles"] = moved_ah / full_ah
        row["u_equivalent_full_cycles"] = math.hypot(
            rectangular(i.current_gain) * moved_ah, zero_a * d.end_s / SECONDS_PER_HOUR
        ) / full_ah
    ten = [
        r for r in resistances
        if r["method"] == "current_step" and r["after_s"] == 10 and r["step_index"] == d.main_step and r["current_step_a"] < 0 and r["ohm"] is not None
    ]
    if ten:
        ohm, u = ten[0]["ohm"], ten[0]["u_ohm"]
        gains = (rectangular(i.voltage_gain * abs(ohm)), rectangular(i.current_gain * abs(ohm)))
        row |= {
            "resistance_10s_ohm": ohm, "u_resistance_10s_ohm": u, "_resistance_10s_ohm": gains,
            "u_independent_ohm": math.sqrt(max(u**2 - gains[0] ** 2 - gains[1] ** 2, (FLOOR * ohm) ** 2)),
            "_current_step_a": ten[0]["current_step_a"], "_state_of_charge": ten[0]["state_of_charge"],
        }
    # What lies between the discharge before and the one after can pair with it.
    near = discharges[max(k - 1, 0) : k + 1]
    since, until = near[0].load_on_s, discharges[k + 1].load_on_s if k + 1 < len(discharges) else math.inf
    pair, _ = pair_charge_discharge(near, tuple(c for c in charges if since <= c.start_s < until), breaks_s)
    if pair is not None and pair.discharge is d and math.isfinite(pair.energy):
        charge = charge_sheets[charges.index(pair.charge)]
        coulombic, energy = efficiency_budgets(pair, charge, sheet, i, own_cut)
        u_coulombic, shared = combined(coulombic), {line.source: line.standard_uncertainty for line in energy if line.source in COMMON_OF_EFFICIENCY}
        own = combined(tuple(line for line in energy if line.source not in shared))
        if not implausible_efficiency(pair, u_coulombic):
            row |= {
                "coulombic_efficiency": pair.coulombic, "u_coulombic_efficiency": u_coulombic,
                "energy_efficiency": pair.energy, "u_energy_efficiency": combined(energy),
                "u_independent_energy_efficiency": max(own, FLOOR * pair.energy),
                "_energy_efficiency": tuple(shared.get(source, 0.0) for source in COMMON_OF_EFFICIENCY),
            }
    return row


def _parts(log: Log, d: Discharge, sheet: dict[str, Any]) -> tuple[float, tuple[float, ...], float, float]:
    """Standard uncertainty of a capacity that is its own, those that it shares with the other cycles, one per source, the cut-off's share of the first [Ah];
    that of the ammeter's zero [A]."""
    lines = {line["source"]: line["standard_uncertainty_ah"] for line in sheet["budget"]}
    cut = lines.pop("cut-off voltage", 0.0)
    own_cut = own_cut_ah(log, d, cut)
    own = math.hypot(own_cut, *(u for source, u in lines.items() if source not in COMMON))
    shared = (*(lines.get(source, 0.0) for source in COMMON), math.sqrt(cut**2 - own_cut**2))
    zero_a = lines.get("current offset", 0.0) * SECONDS_PER_HOUR / d.active_s if d.active_s > 0 else 0.0
    return max(own, FLOOR * abs(d.net_ah)), shared, own_cut, zero_a


def _mark(rows: list[dict[str, Any]], discharges: tuple[Discharge, ...], charge_sheets: list[dict[str, Any]], pack: Pack) -> str:
    """Say of each row why it is left out; returns why equivalent full cycles cannot be told, "" if they can."""
    for row in rows:
        row["left_out"] = None if row["valid"] else "not_valid"
    kept = [k for k, row in enumerate(rows) if row["valid"]]
    if kept:
        ends = Counter(discharges[k].end_reason for k in kept)
        # The later end wins a draw: it is how the log goes on.
        usual = max(kept, key=lambda k: (ends[discharges[k].end_reason], k))
        level = float(np.median([abs(discharges[k].mean_current_a) for k in kept]))
        for k in kept:
            if discharges[k].end_reason != discharges[usual].end_reason:
                rows[k]["left_out"] = "other_end"
            elif abs(abs(discharges[k].mean_current_a) - level) > ALIKE_SHARE * level:
                rows[k]["left_out"] = "other_rate"
    if not pack.rated_capacity_ah:
        return "rated_capacity_unknown"
    if any(sheet["charge_ah"] is None for sheet in charge_sheets) or any(d.unbridged_gap_s > 0 for d in discharges):
        return "log_gap"
    if len(discharges) > 1:
        first, last = discharges[0].end_s, discharges[-1].load_on_s
        into = sum(sheet["charge_ah"] for sheet in charge_sheets if first <= sheet["start_s"] < last)
        if into < CHARGED_SHARE * sum(d.net_ah for d in discharges[:-1]):
            return "charges_not_logged"
    return ""


def _alike_edges(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows whose resistance was taken at like current step and, where known, like state of charge."""
    rows = [row for row in rows if row["resistance_10s_ohm"] is not None]
    if not rows:
        return []
    step = float(np.median([row["_current_step_a"] for row in rows]))
    charged = [row["_state_of_charge"] for row in rows if row["_state_of_charge"] is not None]
    middle = float(np.median(charged)) if charged else None
    return [
        row for row in rows
        if abs(row["_current_step_a"] - step) <= ALIKE_SHARE * abs(step)
        and (middle is None or row["_state_of_charge"] is None or abs(row["_state_of_charge"] - middle) <= ALIKE_CHARGE)
    ]


def _temperature_doubts(heat: list[float | None]) -> list[str]:
    known = [value for value in heat if value is not None]
    if len(known) < len(heat):
        return ["no_temperature"]
    return ["temperatures_differ"] if np.ptp(known) > TEMPERATURE_SPREAD_K else []


_OWN_U = {"capacity_ah": "u_independent_ah", "resistance_10s_ohm": "u_independent_ohm", "energy_efficiency": "u_independent_energy_efficiency"}


def _line(rows: list[dict[str, Any]], x: str, y: str) -> tuple[dict[str, Any], TrendLine]:
    """Line through the rows that have y, and how well they bear it."""
    rows = [row for row in rows if row[y] is not None and row[x] is not None]
    common = np.array([row["_" + y] for row in rows]).T if rows else 0.0
    line = weighted_line(
        np.array([row[x] for row in rows], dtype=float), np.array([row[y] for row in rows], dtype=float),
        np.array([row[_OWN_U[y]] for row in rows], dtype=float), common,
    )
    fit = {
        "points": line.points, "chi_square": line.chi_square, "degrees_of_freedom": line.degrees_of_freedom, "inflation": line.inflation,
    }
    return fit, line
