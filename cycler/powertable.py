"""The power that pack and weakest group can give for 10 s: where the figures come from, and the sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from cycler.log import Log
from cycler.measures.power import MANUAL_VOLTAGE_RATIO, Channel, capability, pulse_power_w
from cycler.measures.resistance import AFTER_S as TIMES_S
from cycler.measures.resistance import Edge, StepResponse
from cycler.pack import Pack
from cycler.signals import resolution_of
from cycler.steps import pack_voltage
from cycler.uncertainty import rectangular, voltage_reading_u

AFTER_S = 10.0
TEN = TIMES_S.index(AFTER_S)
REST_MIN_S = 10.0
REST_SHORT_S = 1800.0
"""The manual rests for an hour; less than half of that is told. [s] Common practice, no source."""
EXTRAPOLATED = 2.0
"""Told where the current of the power is more than this many times the one that was measured with. Common practice, no source."""
BEYOND_SHARE = 0.05
"""Half-width of what the resistance may differ at another current than it was measured with, as a share for every doubling: charge
transfer falls with the current, heat and diffusion change it too. Common practice, no source."""
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
        ``without_interconnect``. Without: ``no_load_step``, ``sampling_too_coarse`` (a load stayed for 10 s, but the rows around them lie too far apart
        for the resistance), ``not_rested``, ``no_voltage_before``, ``no_voltage_limit``.
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
    if head is None or edge is None or head["ohm_10s"] <= 0.0 or not _comes_on(edge):
        coarse = any(_too_coarse(log, e, [pack_responses[k], *group_responses[k]]) for k, e in enumerate(edges))
        return sheet | {"reasons": ["sampling_too_coarse" if coarse else "no_load_step"]}
    sheet |= {"at_s": edge.at_s, "step_index": edge.after}
    row: Mapping[str, Any] = next((r for r in resistance["pack"] if r["at_s"] == edge.at_s), {})
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
    measured_a = abs(edge.current_step_a)
    whole = _at_current(whole, found.current_a, measured_a)
    found = capability(whole, tuple(_at_current(channel, found.current_a, measured_a) for channel in groups.values()), pack.max_discharge_current_a)
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
        "limited_by": found.limited_by, "group": group, "weakest_group": _weakest(groups, measured_a),
        "reasons": [code for code, doubtful in doubts.items() if doubtful],
    }


def _comes_on(edge: Edge) -> bool:
    """Whether a load comes on at an edge, rather than a charge ending or a load lessening."""
    return edge.current_before_a + edge.current_step_a <= -0.5 * abs(edge.current_step_a)


def _too_coarse(log: Log, edge: Edge, responses: list[StepResponse | None]) -> bool:
    """Whether a load came on and stayed for ``AFTER_S`` with the voltage logged, but in rows too far apart for the resistance after it."""
    seen = [response for response in responses if response is not None]
    if not _comes_on(edge) or not seen or any(response.ohm[TEN] is not None for response in seen):
        return False
    current = log.current_a[edge.k + 1 :] - edge.current_before_a
    off = np.flatnonzero(current > 0.5 * edge.current_step_a)
    rows = slice(edge.k + 1, edge.k + 1 + (int(off[0]) if off.size else current.size))
    voltage = np.column_stack((pack_voltage(log)[rows], log.group_voltage_v[rows]))
    logged = log.time_s[rows][np.any(np.isfinite(voltage), axis=1)]
    return bool(logged.size) and float(logged[-1]) - edge.at_s >= AFTER_S


def _at_current(channel: Channel, current_a: float, measured_a: float) -> Channel:
    """The channel with what its resistance may differ at ``current_a`` from that at ``measured_a`` in its uncertainty, alike for all (``BEYOND_SHARE``)."""
    if not np.isfinite(current_a) or current_a <= 0.0 or measured_a <= 0.0:
        return channel
    share = rectangular(BEYOND_SHARE * abs(math.log2(current_a / measured_a)))
    return replace(channel, u_ohm=math.hypot(channel.u_ohm, share * channel.ohm), gain_share=math.hypot(channel.gain_share, share))


def _weakest(groups: dict[int, Channel], measured_a: float) -> dict[str, Any] | None:
    """The group that gives the least power down to its own lowest voltage, None without a limit."""
    powers = {number: capability(_at_current(channel, channel.current_a, measured_a)) for number, channel in groups.items()}
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
