"""The contract's ``efficiency``: coulombic and energy efficiency of a matched pair, with one budget for it and for the cycles of ``trend``."""

from __future__ import annotations

import math
from typing import Any

from cycler.instrument import Instrument
from cycler.log import Log
from cycler.measures.capacity import ChargeRun, Discharge
from cycler.measures.efficiency import Pairing
from cycler.pack import Pack
from cycler.signals import pack_voltage, resolution_of
from cycler.uncertainty import SECONDS_PER_HOUR, BudgetLine, combined, rectangular, resolution_term

CANCEL = ("current gain", "clock")
"""Act on charge and discharge alike: nothing of them is left in the ratio but the linearity of the meter."""
STATES = ("cut-off voltage", "leads")
"""Say how far a discharge is from the true cut-off; what flowed between two equal end states does not depend on it."""
COMMON = ("current offset", "linearity of the ammeter", "linearity of the voltmeter", "voltage offset", "power lost in leads")
"""Lines that act on every cycle of one log alike."""
LINEARITY_SHARE = 0.1
"""Share of a meter's gain limit that does not cancel between the two directions. Common practice, no source."""


def own_cut_ah(log: Log, discharge: Discharge, cut_ah: float) -> float:
    """Part of the budget's line "cut-off voltage" that is a discharge's own, by the step in which the voltage was logged; at most the line. [Ah]"""
    if not (cut_ah and discharge.slope_v_per_ah):
        return 0.0
    group = discharge.limiting_end_group
    channel = log.group_voltage_v[:, group - 1] if group else pack_voltage(log)
    return min(resolution_term(resolution_of(channel)) / discharge.slope_v_per_ah, cut_ah)


def efficiency_budgets(
    pairing: Pairing, charge: dict[str, Any], discharge: dict[str, Any], instrument: Instrument, cut_ah: float = 0.0,
) -> tuple[tuple[BudgetLine, ...], tuple[BudgetLine, ...]]:
    """Budgets of the coulombic and of the energy efficiency of a pair. [shares of 1]

    Parameters
    ----------
    pairing : Pairing
    charge, discharge : dict
        Their sheets of ``charges`` and ``capacities``, with the budgets of both charges.
    instrument : Instrument
    cut_ah : float
        Part of the cut-off's uncertainty that is the discharge's own (:func:`own_cut_ah`); counts for both ends of a pair between two empty states. [Ah]

    Returns
    -------
    tuple of two tuples of BudgetLine

    Notes
    -----
    eta_Q = Q_dis/Q_chg from the budgets of both, as shares. Current gain and clock cancel but for ``LINEARITY_SHARE``; the zero of the ammeter
    makes one charge read high when the other reads low, so that its shares a T/Q add; sample instant, noise and resolution, gap, missing current and full start are
    independent and join as squares. The cut-off's own uncertainty does not count between two full states.
    eta_E has the same shares, and of the voltmeter: linearity, the zero as far as the mean voltages differ, missing readings, and the drop of leads, which
    adds to the charge what it takes from the discharge. Propagation: JCGM 100:2008, 5.1 and 5.2 (from memory).
    """
    q_in, q_out = pairing.charge.charge_ah, pairing.discharge.net_ah
    into, out = ({line["source"]: line["standard_uncertainty_ah"] for line in sheet["budget"]} for sheet in (charge, discharge))
    shares = {"current offset": into.get("current offset", 0.0) / q_in + out.get("current offset", 0.0) / q_out}
    for source in dict.fromkeys((*into, *out)):
        if source not in (*CANCEL, *STATES, *shares):
            shares[source] = math.hypot(into.get(source, 0.0) / q_in, out.get(source, 0.0) / q_out)
    if cut_ah and pairing.charge.end_s <= pairing.discharge.load_on_s + 1e-6:
        shares["end states"] = math.sqrt(2.0) * cut_ah / q_out
    shares["linearity of the ammeter"] = rectangular(LINEARITY_SHARE * instrument.current_gain)
    energy = shares | {
        "linearity of the voltmeter": rectangular(LINEARITY_SHARE * instrument.voltage_gain),
        "voltage offset": rectangular(instrument.voltage_offset_v) * abs(q_in / pairing.charge.energy_wh - q_out / pairing.discharge.energy_wh),
    }
    joules = {line["source"]: line["standard_uncertainty_wh"] for line in discharge.get("energy_budget", ())}
    if pairing.discharge.voltage_open_wh:
        energy["missing voltage"] = rectangular(pairing.discharge.voltage_open_wh) / pairing.discharge.energy_wh
    if lost := joules.get("power lost in leads", 0.0) / pairing.discharge.energy_wh:
        hours_in = max(pairing.charge.end_s - pairing.charge.start_s - charge.get("pause_s", 0.0), 1.0) / SECONDS_PER_HOUR
        energy["power lost in leads"] = lost * (1.0 + q_in / hours_in / abs(pairing.discharge.mean_current_a))
    charge_lines, energy_lines = (
        tuple(BudgetLine(source, share * eta) for source, share in lines.items())
        for lines, eta in ((shares, pairing.coulombic), (energy, pairing.energy))
    )
    return charge_lines, energy_lines


def efficiency_sheet(
    pairing: Pairing | None, pack: Pack, log: Log, discharges: tuple[Discharge, ...], sheets: list[dict[str, Any]],
    charges: tuple[ChargeRun, ...], charge_sheets: list[dict[str, Any]],
) -> dict[str, Any] | None:
    """Efficiencies of the pair, shares of 1, with the budgets of :func:`efficiency_budgets`; None without a pair.

    ``sheets`` and ``charge_sheets`` are those of ``capacities`` and ``charges``, in the order of ``discharges`` and ``charges``.
    """
    if pairing is None:
        return None
    discharge = sheets[discharges.index(pairing.discharge)]
    cut = next((line["standard_uncertainty_ah"] for line in discharge["budget"] if line["source"] == "cut-off voltage"), 0.0)
    coulombic, energy = efficiency_budgets(
        pairing, charge_sheets[charges.index(pairing.charge)], discharge, pack.instrument, own_cut_ah(log, pairing.discharge, cut),
    )
    return {
        "coulombic": pairing.coulombic, "u_coulombic": combined(coulombic), "energy": pairing.energy, "u_energy": combined(energy),
        "charge_step": pairing.charge.steps[0], "discharge_step": pairing.discharge.main_step,
        "coulombic_budget": [{"source": line.source, "standard_uncertainty": line.standard_uncertainty} for line in coulombic],
        "energy_budget": [{"source": line.source, "standard_uncertainty": line.standard_uncertainty} for line in energy],
    }
