"""What stands beside a capacity: the same discharge to each cut-off, and at the conditions of the rating."""

from __future__ import annotations

import math
from typing import Any

from cycler.log import Log
from cycler.measures.capacity import Discharge, Flow
from cycler.measures.conditions import to_rated_conditions
from cycler.measures.cutoffs import capacity_to_cutoff
from cycler.pack import Pack
from cycler.signals import resolution_of
from cycler.steps import Step, pack_voltage
from cycler.uncertainty import capacity_budget, combined, energy_u, reading_u, voltage_reading_u

CARRIED_DOUBTS = (
    "limits_do_not_fit", "unit_doubtful", "sign_doubtful", "counter_mismatch", "capacity_above_rating", "charge_incomplete", "start_unknown",
)
"""Reasons against a capacity that hold wherever the discharge is stopped; the others are about its end."""
_KEYS = ("value_ah", "u_value_ah", "energy_wh", "u_energy_wh", "at_s", "group")


def add_conditions(
    sheets: list[dict[str, Any]], discharges: tuple[Discharge, ...], log: Log, pack: Pack, stated: Pack, steps: tuple[Step, ...], flow: Flow,
    numbers: tuple[int, ...], zero_seen_a: float, lead_ohm: float = 0.0,
) -> None:
    """Put ``to_pack_cutoff``, ``to_first_group_cutoff`` and ``corrected`` into each sheet of ``capacities``.

    ``stated`` is the pack file's own pack, ``pack`` the one with inferred limits; ``numbers`` are the groups' own numbers.
    """
    for sheet, discharge in zip(sheets, discharges, strict=True):
        for key, groups in (("to_pack_cutoff", False), ("to_first_group_cutoff", True)):
            sheet[key] = _to_cutoff(sheet, discharge, log, pack, stated, steps, flow, numbers, zero_seen_a, groups, lead_ohm)
        sheet["corrected"] = _corrected(sheet, pack)


def no_conditions() -> dict[str, Any]:
    """The same keys where the log holds no discharge."""
    return {key: _not_met(["no_discharge"]) for key in ("to_pack_cutoff", "to_first_group_cutoff")} | {"corrected": None}


def _not_met(reasons: list[str]) -> dict[str, Any]:
    return dict.fromkeys(_KEYS) | {"reached": False, "reasons": reasons, "budget": []}


def _to_cutoff(
    sheet: dict[str, Any], discharge: Discharge, log: Log, pack: Pack, stated: Pack, steps: tuple[Step, ...], flow: Flow, numbers: tuple[int, ...],
    zero_seen_a: float, groups: bool, lead_ohm: float,
) -> dict[str, Any]:
    doubts = [code for code in CARRIED_DOUBTS if code in sheet["reasons"]]
    limit = pack.group_cutoff_voltage_v if groups else pack.cutoff_voltage_v
    if groups and not numbers:
        return _not_met(["no_group_voltages", *doubts])
    if limit is None:
        return _not_met(["group_cutoff_unknown" if groups else "pack_cutoff_unknown", *doubts])
    if "limits_do_not_fit" in doubts:
        return _not_met(doubts)
    met = capacity_to_cutoff(log, steps, flow, discharge, limit, groups)
    if groups and stated.group_cutoff_voltage_v is None:
        doubts.append("group_cutoff_inferred")
    if groups and pack.series and len(numbers) < pack.series:
        # One of the others may have met it before.
        doubts.append("group_without_readings")
    ended = met.ended
    if ended is None:
        return _not_met(["protection_trip" if discharge.end_reason == "protection_trip" else "cutoff_not_reached", *doubts])
    place = {"at_s": met.at_s, "group": numbers[met.group - 1] if met.group else None, "reached": True}
    if ended.unbridged_gap_s > 0:
        return dict.fromkeys(_KEYS) | place | {"reasons": ["log_gap", *doubts], "budget": []}
    channel = log.group_voltage_v[:, met.group - 1] if met.group else pack_voltage(log)
    budget = capacity_budget(ended, pack, voltage_reading_u(pack.instrument, limit, resolution_of(channel), groups), zero_seen_a, lead_ohm)
    mean_v = ended.energy_wh / ended.net_ah if ended.net_ah else 0.0
    return {
        "value_ah": ended.net_ah, "u_value_ah": combined(budget), "energy_wh": ended.energy_wh, "u_energy_wh": energy_u(ended, pack, budget, mean_v, resolution_of(channel), lead_ohm),
        **place, "reasons": doubts, "budget": [{"source": line.source, "standard_uncertainty_ah": line.standard_uncertainty} for line in budget],
    }


def _corrected(sheet: dict[str, Any], pack: Pack) -> dict[str, Any] | None:
    """The capacity at the conditions of the rating, None unless the pack file states coefficients."""
    stated = pack.correction
    if stated is None:
        return None
    at_c = sheet["mean_temperature_c"]
    u_c = reading_u(pack.instrument, "temperature", at_c, 0.0) if at_c is not None else 0.0
    found = to_rated_conditions(stated, sheet["rate_it"], at_c, u_c)
    reasons = [*(["capacity_not_valid"] if not sheet["valid"] else []), *found.reasons]
    given = found.factor is not None and not reasons
    value = sheet["value_ah"] * found.factor if given else None
    lines = [("measured capacity", sheet["u_value_ah"] * found.factor), *((name, u * value) for name, u in found.relative_terms)] if given else []
    rate = stated.peukert is not None or stated.capacity_per_it is not None
    return {
        "value_ah": value, "u_value_ah": math.hypot(*(u for _, u in lines)) if given else None,
        "factor": found.factor, "rate_factor": found.rate_factor, "temperature_factor": found.temperature_factor,
        "from_rate_it": sheet["rate_it"], "to_rate_it": stated.rated_rate_it, "from_temperature_c": at_c, "to_temperature_c": stated.rated_temperature_c,
        "corrected_for": [*(["rate"] if rate else []), *(["temperature"] if stated.temperature_per_k is not None else [])],
        "defaulted": list(stated.defaulted), "reasons": reasons,
        "budget": [{"source": name, "standard_uncertainty_ah": u} for name, u in lines],
    }
