"""Where the uncertainty of each figure of a group comes from: the budgets behind the group table.

Terms of one budget are independent and join as the root of the sum of squares to the ``u_...`` beside the figure (terms of JCGM 100:2008, from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from cycler.measures.groups import GroupFit
from cycler.measures.resistance import AFTER_S, StepResponse
from cycler.pack import Instrument
from cycler.uncertainty import BudgetLine, combined, rectangular, resistance_u

TEN = AFTER_S.index(10.0)
AMMETER_SOURCES = ("current gain", "current offset", "clock")
"""Sources of the pack's capacity budget that every group's charge went through too."""
_ROUNDING = 1e-9
"""Share of a variance that only the last digits of its parts leave over: its sign differs from machine to machine."""

Lines = tuple[BudgetLine, ...]


def resistance_lines(instrument: Instrument, response: StepResponse, current_share: float) -> Lines:
    """Budget of a group's resistance 10 s after the main edge, see :func:`cycler.uncertainty.resistance_u`; empty without one. [ohm]"""
    ohm = response.ohm[TEN]
    if ohm is None:
        return ()
    return resistance_u(instrument, ohm, response.u_random_ohm[TEN], response.u_instant_ohm[TEN], True, current_share)


def ohmic_lines(instrument: Instrument, response: StepResponse) -> Lines:
    """Budget of a group's ohmic part: gains of both meters, and the extrapolation to the edge with noise and instant in it. [ohm]"""
    ohm = response.ohmic_ohm
    if ohm is None or response.u_ohmic_ohm is None:
        return ()
    return (
        BudgetLine("voltage gain", rectangular(instrument.group_voltage_gain * abs(ohm))),
        BudgetLine("current gain", rectangular(instrument.current_gain * abs(ohm))),
        BudgetLine("extrapolation to the edge", response.u_ohmic_ohm),
    )


def sag_lines(instrument: Instrument, response: StepResponse, step_a: float) -> Lines:
    """Budget of a group's fall 10 s after a load of ``step_a`` came on: the channel's gain on the fall (its offset cancels), noise and resolution
    of the voltage before and after, and the slope of the fall times the open instant of the edge. [V]"""
    sag = response.drop_10s_v
    if sag is None:
        return ()
    return (
        BudgetLine("voltage gain", rectangular(instrument.group_voltage_gain * abs(sag))),
        BudgetLine("voltage noise and resolution", response.u_random_ohm[TEN] * step_a),
        BudgetLine("instant of the edge", response.u_instant_ohm[TEN] * step_a),
    )


def capacity_lines(fit: GroupFit | None, u_fit_ah: float, capacity_ah: float, ammeter: Mapping[str, float]) -> Lines:
    """Budget of a group's capacity from one discharge. [Ah]

    Parameters
    ----------
    fit : GroupFit or None
    u_fit_ah : float
        Standard uncertainty of the place on the common curve as a whole, missing currents included. [Ah]
    capacity_ah : float
    ammeter : mapping of source to share
        ``AMMETER_SOURCES`` of the pack's own budget, each over the pack's charge.

    Returns
    -------
    tuple of BudgetLine
        charge to the group's cut-off, its lag at the start, and what else the fit leaves open; then the ammeter's errors.
    """
    if fit is None or fit.u_to_cutoff_ah is None or not math.isfinite(capacity_ah) or not math.isfinite(u_fit_ah):
        return ()
    rest = u_fit_ah**2 - fit.u_to_cutoff_ah**2 - (fit.u_lag_ah or 0.0) ** 2
    if abs(rest) < _ROUNDING * u_fit_ah**2:
        rest = 0.0
    lines = [
        BudgetLine("charge to the group's cut-off", fit.u_to_cutoff_ah), BudgetLine("lag at the start", fit.u_lag_ah or 0.0),
        BudgetLine("charge beyond full and missing currents", math.sqrt(max(rest, 0.0))),
    ]
    if rest < 0:
        # The second fit for bridged charge moved parts and whole differently: only the whole is certain.
        lines = [BudgetLine("place on the common curve", u_fit_ah)]
    return (*lines, *(BudgetLine(source, share * abs(capacity_ah)) for source, share in ammeter.items()))


def leak_lines(row: Mapping[str, Any]) -> Lines:
    """Budget of a group's self-discharge from its row: the drift's part and the slope's. [mA]"""
    leak, slope = row.get("self_discharge_ma"), row.get("slope_at_rest_v_per_ah")
    if leak is None or not slope:
        return ()
    return (
        BudgetLine("drift against the siblings", row["u_drift_to_siblings_mv_per_h"] / slope),
        BudgetLine("slope of the curve", abs(leak) * row["u_slope_at_rest_v_per_ah"] / slope),
    )


def u_of(lines: Lines) -> float:
    """Combined standard uncertainty, NaN without lines."""
    return combined(lines) if lines else math.nan


def listed(lines: Lines) -> list[dict[str, Any]]:
    """Lines in the contract's form; the unit is that of the figure."""
    return [{"source": line.source, "standard_uncertainty": line.standard_uncertainty} for line in lines]
