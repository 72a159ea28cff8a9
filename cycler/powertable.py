"""The power that pack and weakest group can give for 10 s: where the figures come from, and the sheet."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from cycler.log import Log
from cycler.measures.power import MANUAL_VOLTAGE_RATIO, Channel, capability, pulse_power_w
from cycler.measures.resistance import Edge, StepResponse
from cycler.pack import Pack
from cycler.signals import resolution_of
from cycler.steps import pack_voltage
from cycler.uncertainty import rectangular, voltage_reading_u

AFTER_S = 10.0
REST_MIN_S = 10.0
REST_SHORT_S = 1800.0
"""The manual rests for an hour; less than half of that is told. [s] Common practice, no source."""
EXTRAPOLATED = 2.0
"""Told where the current of the power is more than this many times the one that was measured with. Common practice, no source."""
PROCEDURE = (
    "10 s discharge power from one load step of this log, by the pulse power formula of INL/EXT-15-34184 (from memory); not the manual's "
    "whole procedure"
)


def _channel(pack: Pack, edge: Edge, ocv_v: float, ohm: float, u_ohm: float, limit_v: float | None, step_v: float, group: bool) -> Channel:
    share = math.hypot(rectangular(pack.instrument.current_gain), edge.current_share)
    return Channel(ocv_v, voltage_reading_u(pack.instrument, ocv_v, step_v, group), ohm, u_ohm, limit_v, share)


def power_sheet(
    log: Log, pack: Pack, edges: tuple[Edge, ...], pack_responses: list[StepResponse | None],
    group_responses: list[list[StepResponse | None]], main_edge: int | None, resistance: dict[str, Any], numbers: tuple[int, ...],
) -> dict[str, Any]:
    """The contract's ``power``: discharge power of the pack for 10 s at the edge that speaks for its resistance.

    Parameters
    ----------
    pack : Pack
        Its lowest voltages (pack, group) and ``max_discharge_current_a`` bound the power.
    edges, pack_responses, group_responses, main_edge
        Current edges and the responses at them.
    resistance : dict
        The resistance sheet: headline resistance, rows of pack and groups.
    numbers : tuple of int
        Group number of each group column.

    Returns
    -------
    dict
        ``discharge_10s_w`` with ``u_discharge_10s_w``; ``current_a`` and ``min_voltage_v``, pack current and voltage at the end of the 10 s; ``ocv_v`` and
        ``resistance_ohm`` of the pack, so that P = min (OCV - min)/R; ``limited_by`` (``pack_voltage``, ``group_voltage``,
        ``max_discharge_current``) and ``group``; ``limit_v`` the voltage that was reached; the state of charge and temperature it holds for;
        ``weakest_group``: the group with the least power of its own.
        With a figure, ``reasons`` are doubts: ``extrapolated_current``, ``short_rest``, ``min_voltage_below_manual``, ``groups_not_checked``,
        ``without_interconnect``. Without: ``no_load_step``, ``not_rested``, ``no_voltage_before``, ``no_voltage_limit``.
    """
    sheet: dict[str, Any] = dict.fromkeys(
        (
            "discharge_10s_w", "u_discharge_10s_w", "current_a", "min_voltage_v", "ocv_v", "resistance_ohm", "limit_v", "state_of_charge",
            "temperature_c", "limited_by", "group", "at_s", "step_index", "weakest_group",
        )
    )
    sheet |= {"procedure": PROCEDURE, "reasons": []}
    head = resistance["headline"]
    edge = edges[main_edge] if main_edge is not None else None
    if head is None or edge is None or head["ohm_10s"] <= 0.0 or edge.current_before_a + edge.current_step_a > -0.5 * abs(edge.current_step_a):
        return sheet | {"reasons": ["no_load_step"]}
    sheet |= {"at_s": edge.at_s, "step_index": edge.after}
    row = next((r for r in resistance["pack"] if r["at_s"] == edge.at_s), {})
    sheet |= {"state_of_charge": row.get("state_of_charge"), "temperature_c": row.get("temperature_c")}
    if edge.rest_before_s < REST_MIN_S:
        return sheet | {"reasons": ["not_rested"]}
    before = pack_responses[main_edge]
    group_before = [response.voltage_before_v if response is not None else np.nan for response in group_responses[main_edge]]
    ocv = before.voltage_before_v if before is not None else float(np.sum(group_before)) if len(group_before) == pack.series else np.nan
    if not np.isfinite(ocv):
        return sheet | {"reasons": ["no_voltage_before"]}
    whole = _channel(
        pack, edge, ocv, head["ohm_10s"], head["u_ohm_10s"], pack.cutoff_voltage_v, resolution_of(pack_voltage(log)), False
    )
    known = {
        r["group"]: r for r in resistance["groups"]
        if r["at_s"] == edge.at_s and r["after_s"] == AFTER_S and r["method"] == "current_step" and r["ohm"] > 0.0
    }
    groups = {
        number: _channel(
            pack, edge, volts, known[number]["ohm"], known[number]["u_ohm"], pack.group_cutoff_voltage_v,
            resolution_of(log.group_voltage_v[:, column]), True,
        )
        for column, (number, volts) in enumerate(zip(numbers, group_before))
        if number in known and np.isfinite(volts)
    }
    found = capability(whole, tuple(groups.values()), pack.max_discharge_current_a)
    if found is None:
        return sheet | {"reasons": ["no_voltage_limit"]}
    group = list(groups)[found.group - 1] if found.group is not None else None
    doubts = {
        "extrapolated_current": found.current_a > EXTRAPOLATED * abs(edge.current_step_a),
        "short_rest": edge.rest_before_s < REST_SHORT_S,
        "min_voltage_below_manual": bool(pack.charge_voltage_v) and found.end_voltage_v < MANUAL_VOLTAGE_RATIO * (pack.charge_voltage_v or 0.0),
        "groups_not_checked": pack.series != 1 and (len(groups) != pack.series or pack.group_cutoff_voltage_v is None),
        "without_interconnect": head["source"] == "group_sum",
    }
    limit = {"pack_voltage": pack.cutoff_voltage_v, "group_voltage": pack.group_cutoff_voltage_v}.get(found.limited_by)
    return sheet | {
        "discharge_10s_w": found.power_w, "u_discharge_10s_w": found.u_power_w, "current_a": found.current_a,
        "min_voltage_v": found.end_voltage_v, "ocv_v": whole.ocv_v, "resistance_ohm": whole.ohm, "limit_v": limit,
        "limited_by": found.limited_by, "group": group, "weakest_group": _weakest(groups),
        "reasons": [code for code, doubtful in doubts.items() if doubtful],
    }


def _weakest(groups: dict[int, Channel]) -> dict[str, Any] | None:
    """The group that gives the least power down to its own lowest voltage, None without a limit."""
    powers = {number: capability(channel) for number, channel in groups.items()}
    powers = {number: found for number, found in powers.items() if found is not None}
    if not powers:
        return None
    number = min(powers, key=lambda n: powers[n].power_w)
    channel = groups[number]
    return {
        "group": number, "discharge_10s_w": pulse_power_w(channel.min_voltage_v, channel.ocv_v, channel.ohm),
        "u_discharge_10s_w": powers[number].u_power_w, "min_voltage_v": channel.min_voltage_v, "ocv_v": channel.ocv_v,
        "resistance_ohm": channel.ohm,
    }
