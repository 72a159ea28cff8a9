"""The items of state of health that Regulation (EU) 2023/1542 lists in its Annex VII for batteries of light means of transport and for
stationary storage, each from one test, or the reason why it is missing.

Items from summaries of the regulation, Official Journal text not seen. Part A: remaining capacity; where possible remaining power
capability, round-trip efficiency and ohmic resistance; evolution of the self-discharging rates. Part B: dates of manufacture and of putting
into service; energy throughput; capacity throughput; harmful events; full equivalent cycles. Beside them the status word of the regulation.
The regulation speaks of values kept by the battery's own management system over its whole life; these come from one log on a bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from cycler.record.values import as_list, get, number

STATUSES = ("original", "re-used", "repurposed", "remanufactured", "waste")
"""Status words of the regulation (its Annex XIII, from summaries)."""

HARMFUL = ("group_overvoltage", "group_reversed", "group_undervoltage", "temperature_high", "temperature_out_of_range")
"""Findings that are harmful events: charged too high, driven too low, hot, or charged or discharged outside the temperature window. The
regulation's own list is open-ended."""

SECONDS_PER_HOUR = 3600.0


def health_items(
    analysis: Mapping[str, Any], *, pack: Mapping[str, Any] | None = None, status: str | None = None, compared: Mapping[str, Any] | None = None,
) -> list[dict[str, Any]]:
    """Every item in order, filled or with its reasons.

    Parameters
    ----------
    analysis : mapping
        The analysis object.
    pack : mapping, optional
        ``Pack.to_dict()``; its rated capacity counts where the analysis holds none.
    status : str, optional
        Status word from the pack's card, one of ``STATUSES``.
    compared : mapping, optional
        Comparison with an earlier run, for how the self-discharge develops.

    Returns
    -------
    list of dict
        ``item`` (its name), ``part`` ("A", "B", or "" for the status word), ``value``, ``u_value`` (standard uncertainty), ``unit``, ``bound``
        ("lower" = at least) and ``reasons``: codes; with a value they are doubts, without one they say why it was not measured. Some carry
        more: ``group``, ``change`` and ``u_change`` (self-discharge against the earlier run), ``events`` (harmful events: code and group).
    """
    rated = number(get(analysis, "pack", "rated_capacity_ah"))
    rated = rated if rated is not None else number(get(pack, "rated_capacity_ah"))
    return [
        _capacity(analysis), _power(analysis), _efficiency(analysis), _self_discharge(analysis, compared), _ohmic(analysis),
        _item("date_of_manufacture", "B", reasons=["not_in_a_log"]), _item("date_of_putting_into_service", "B", reasons=["not_in_a_log"]),
        *_throughputs(analysis, rated), _harmful_events(analysis),
        _item("status", "", value=status, reasons=[] if status else ["status_not_stated"]),
    ]


def _item(name: str, part: str, value: Any = None, u: float | None = None, unit: str | None = None, reasons: Any = (), **more: Any) -> dict[str, Any]:
    return {
        "item": name, "part": part, "value": value, "u_value": u, "unit": unit, "bound": None,
        "reasons": list(dict.fromkeys(str(code) for code in as_list(reasons) if code)), **more,
    }


def _capacity(analysis: Mapping[str, Any]) -> dict[str, Any]:
    capacity = get(analysis, "capacity")
    reasons = as_list(get(capacity, "reasons"))
    value = number(get(capacity, "value_ah"))
    at_least = get(capacity, "is_lower_bound") is True
    if value is None or not (at_least or get(capacity, "valid") is True):
        return _item("remaining_capacity", "A", unit="Ah", reasons=reasons or ["no_discharge" if value is None else "not_valid"])
    item = _item("remaining_capacity", "A", value, number(get(capacity, "u_value_ah")), "Ah", reasons)
    return item | {"bound": "lower" if at_least else None}


def _power(analysis: Mapping[str, Any]) -> dict[str, Any]:
    power = get(analysis, "power")
    value = number(get(power, "discharge_10s_w"))
    reasons = as_list(get(power, "reasons")) or ([] if value is not None else ["no_load_step"])
    return _item("remaining_power_capability", "A", value, number(get(power, "u_discharge_10s_w")), "W", reasons)


def _efficiency(analysis: Mapping[str, Any]) -> dict[str, Any]:
    value = number(get(analysis, "efficiency", "energy"))
    return _item(
        "remaining_round_trip_efficiency", "A", value, number(get(analysis, "efficiency", "u_energy")), "share",
        [] if value is not None else ["no_equal_end_states"],
    )


def _self_discharge(analysis: Mapping[str, Any], compared: Mapping[str, Any] | None) -> dict[str, Any]:
    """The leak of the worst group. How it develops takes an earlier test of the same pack in which it was measured too."""
    groups = [group for group in as_list(get(analysis, "groups")) if isinstance(group, dict)]
    known = [group for group in groups if number(group.get("self_discharge_ma")) is not None]
    if not known:
        codes = [code for group in groups for code in as_list(group.get("self_discharge_reasons"))]
        return _item("evolution_of_self_discharge", "A", unit="mA", reasons=codes or (["rest_too_short"] if groups else ["no_group_voltages"]))
    worst = max(known, key=lambda group: group["self_discharge_ma"])
    item = _item(
        "evolution_of_self_discharge", "A", worst["self_discharge_ma"], number(worst.get("u_self_discharge_ma")), "mA",
        worst.get("self_discharge_reasons"), group=worst.get("group"),
    )
    row = next((row for row in as_list(get(compared, "rows")) if get(row, "quantity") == "self_discharge_worst_ma"), None)
    change, u_change = (next(iter(as_list(get(row, key))[-1:]), None) for key in ("difference", "u_difference"))
    if number(change) is None:
        item["reasons"].append("no_earlier_self_discharge")
        return item
    return item | {"change": number(change), "u_change": number(u_change)}


def _ohmic(analysis: Mapping[str, Any]) -> dict[str, Any]:
    head = get(analysis, "resistance", "headline")
    value, warnings = number(get(head, "ohmic_ohm")), as_list(get(analysis, "resistance", "warnings"))
    without = [] if value is None or get(head, "source") != "group_sum" else ["without_interconnect"]
    return _item(
        "ohmic_resistance", "A", value, number(get(head, "u_ohmic_ohm")), "ohm", [*warnings, *without] or ([] if value is not None else ["no_current_step"]),
    )


# ---- throughput ------------------------------------------------------------------------------------------
def _throughputs(analysis: Mapping[str, Any], rated_ah: float | None) -> list[dict[str, Any]]:
    """Energy, charge and full equivalent cycles that went through the pack in this log, charge and discharge added.

    Full equivalent cycles are (Q_in + Q_out)/(2 Cn). Errors of gain act on the sum as a whole; a zero error of the current adds to the
    charge what it takes from the discharge, so it acts on the difference of their durations.
    """
    steps = [step for step in as_list(get(analysis, "steps")) if isinstance(step, dict)]
    gaps = ["log_gap"] if as_list(get(analysis, "reading", "clock", "gaps")) else []
    charge = _sum(steps, "capacity_ah")
    energy = _sum(steps, "energy_wh")
    if charge is None or not charge:
        missing = [_item(name, "B", unit=unit, reasons=["no_current_counted"]) for name, unit in (
            ("energy_throughput", "Wh"), ("capacity_throughput", "Ah"), ("full_equivalent_cycles", ""))]
        return missing
    instrument = get(analysis, "instrument")

    def limit(key: str) -> float:
        return number(get(instrument, key)) or 0.0

    hours = abs(_hours(steps, lambda ah: ah > 0) - _hours(steps, lambda ah: ah < 0))
    gain_ah = math.hypot(limit("current_gain"), limit("clock_gain")) * charge
    zero_ah = limit("current_offset_a") * hours
    u_charge = math.hypot(gain_ah, zero_ah) / math.sqrt(3.0) if instrument else None
    rows = []
    if energy is None:
        rows.append(_item("energy_throughput", "B", unit="Wh", reasons=["no_pack_voltage"]))
    else:
        mean_v = energy / charge
        parts = (gain_ah * mean_v, zero_ah * mean_v, limit("voltage_gain") * energy, limit("voltage_offset_v") * charge)
        rows.append(_item("energy_throughput", "B", energy, math.hypot(*parts) / math.sqrt(3.0) if instrument else None, "Wh", gaps))
    rows.append(_item("capacity_throughput", "B", charge, u_charge, "Ah", gaps))
    if rated_ah:
        u_cycles = u_charge / (2.0 * rated_ah) if u_charge is not None else None
        rows.append(_item("full_equivalent_cycles", "B", full_equivalent_cycles(charge, rated_ah), u_cycles, "", gaps))
    else:
        rows.append(_item("full_equivalent_cycles", "B", unit="", reasons=["no_rated_capacity"]))
    return rows


def full_equivalent_cycles(throughput_ah: float, rated_capacity_ah: float) -> float:
    """Charge in and out together over twice the rated capacity: 1250 Ah through a 2.5 Ah pack are 250 cycles."""
    return throughput_ah / (2.0 * rated_capacity_ah)


def _sum(steps: list[dict[str, Any]], key: str) -> float | None:
    """Sum of what flowed in the steps, both directions counted positive; None where no step tells."""
    known = [abs(value) for step in steps if (value := number(step.get(key))) is not None]
    return math.fsum(known) if known else None


def _hours(steps: list[dict[str, Any]], direction: Callable[[float], bool]) -> float:
    return sum(
        (number(step.get("duration_s")) or 0.0) / SECONDS_PER_HOUR for step in steps if direction(number(step.get("mean_current_a")) or 0.0)
    )


def _harmful_events(analysis: Mapping[str, Any]) -> dict[str, Any]:
    """What of it this log shows; groups or temperatures that were not logged are told as doubts."""
    events = [
        {"code": finding["code"], "group": finding.get("group")} for finding in as_list(get(analysis, "findings"))
        if isinstance(finding, dict) and finding.get("code") in HARMFUL
    ]
    unseen = []
    if not as_list(get(analysis, "groups")):
        unseen.append("no_group_voltages")
    if number(get(analysis, "thermal", "max_c")) is None:
        unseen.append("no_temperature")
    if not as_list(get(analysis, "steps")):
        return _item("harmful_events", "B", unit="", reasons=["no_current_counted"], events=[])
    return _item("harmful_events", "B", len(events), None, "", unseen, events=events)
