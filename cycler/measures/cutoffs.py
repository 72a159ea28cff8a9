"""Capacity to the pack's cut-off and to the first group's cut-off, each from the same discharge, whatever ended it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cycler.log import Log
from cycler.measures.capacity import CUTOFF_STAYS, Discharge, Flow, end_slope
from cycler.measures.integrate import crossing
from cycler.steps import Step, alike_rows, pack_voltage

UNLOADED_SHARE = 0.5
"""Rows of a load step below this share of its current stand in the switch, where no voltage under load is read. Common practice, no source."""
FELL_AWAY = 5.0
"""A last fall this many times the falls before it is a board opening, not a knee, where a board ended the discharge. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class CutoffCapacity:
    """Where one discharge met a cut-off. ``ended`` is the discharge as if it had stopped there, so that its budget can be made as for any other; None where
    it was not met. ``group`` counts from 1 in the log's columns, None for the pack."""

    ended: Discharge | None
    at_s: float | None
    group: int | None


NOT_MET = CutoffCapacity(None, None, None)


def capacity_to_cutoff(
    log: Log, steps: tuple[Step, ...], flow: Flow, discharge: Discharge, limit_v: float | None, groups: bool,
) -> CutoffCapacity:
    """Charge that one discharge had given when the pack, or the first group, met its cut-off under load.

    Parameters
    ----------
    log, steps, flow
        The log, its steps and its running charge.
    discharge : Discharge
        One of ``capacity.find_discharges`` of this log.
    limit_v : float or None
        Cut-off of the pack or, with ``groups``, of one group. [V]
    groups : bool
        Whether the groups are looked at, the first to meet the limit counting, or the pack.

    Returns
    -------
    CutoffCapacity
        ``ended.net_ah`` counts from where the discharge began (``discharge.load_on_s``), net of charge pulses, like ``discharge.net_ah``, to the crossing interpolated between
        two rows (``integrate.crossing``), and may lie before or after the end of the discharge itself: its load may have run on.

    Notes
    -----
    Looked at are the rows under load of the steps that are no single pulse (a heavier pulse dips lower than the load that the capacity holds for); of a train of pulses that is
    one load, those alike. The first step in which the limit is met counts, even if a lighter load went on after it. Where a protection board
    ended the discharge, the fall of the terminals as it opens is left out. Where the end of the discharge was told to be this very
    cut-off although no row stands below it, that end is taken.
    """
    if limit_v is None:
        return NOT_MET
    channels = log.group_voltage_v if groups else pack_voltage(log)[:, None]
    loads = [steps[k] for k in discharge.steps if steps[k].direction < 0]
    plain = [step for step in loads if not step.kind.startswith("pulse")]
    for step in plain or loads[-1:]:
        rows = alike_rows(log, step, loads[0].first)
        current = log.current_a[rows]
        rows = rows[~(np.abs(current) < UNLOADED_SHARE * abs(step.level_a))]
        if not groups and discharge.end_reason == "protection_trip" and step is loads[-1]:
            rows = _before_the_board(rows, channels[rows, 0])
        met = [
            (found[1], int(rows[found[0]]), column)
            for column in range(channels.shape[1]) if (found := crossing(log.time_s[rows], channels[rows, column], limit_v, CUTOFF_STAYS))
        ]
        if met:
            at_s, row, column = min(met)
            return _ended(log, flow, discharge, rows, at_s, row, column + 1 if groups else None)
    if discharge.end_reason == ("group_cutoff" if groups else "pack_cutoff"):
        return CutoffCapacity(discharge, discharge.end_s, discharge.limiting_end_group)
    return NOT_MET


def _before_the_board(rows: np.ndarray, voltage_v: np.ndarray) -> np.ndarray:
    """Rows without those at the end in which the terminals fell away."""
    known = np.flatnonzero(np.isfinite(voltage_v))
    falls = -np.diff(voltage_v[known])[-12:]
    if falls.size < 6:
        return rows
    usual = max(float(np.median(falls)), 0.001 * abs(float(voltage_v[known[-1]])))
    away = np.flatnonzero(falls > FELL_AWAY * usual)
    return rows[: known[-falls.size + int(away[0])]] if away.size else rows


def _ended(log: Log, flow: Flow, discharge: Discharge, rows: np.ndarray, at_s: float, row: int, group: int | None) -> CutoffCapacity:
    reason = "pack_cutoff" if group is None else "group_cutoff"
    if discharge.end_reason == reason and discharge.limiting_end_group == group and abs(at_s - discharge.end_s) < 1e-6:
        return CutoffCapacity(discharge, at_s, group)
    origin = int(np.searchsorted(log.time_s, discharge.load_on_s))
    net = float(flow.running_ah[origin]) - float(np.interp(at_s, log.time_s, flow.running_ah))
    energy = float(flow.running_wh[origin]) - float(np.interp(at_s, log.time_s, flow.running_wh))
    charge = flow.charge_coulomb[origin:row]
    blind = np.any(np.isnan(flow.energy_joule[origin:row]) & (charge != 0))
    ended = replace(
        discharge, net_ah=net, energy_wh=float("nan") if blind else energy, end_s=at_s, end_reason=reason, limiting_end_group=group,
        active_s=max(discharge.active_s + at_s - discharge.end_s, 0.0), slope_v_per_ah=end_slope(log, rows, flow, row, group),
        unbridged_gap_s=float(sum(span for k, span, *_ in flow.open_gaps if origin <= k < row)),
    )
    return CutoffCapacity(ended, at_s, group)
