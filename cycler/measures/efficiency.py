"""Coulombic and energy efficiency of a charge and a discharge between identical end states."""

from __future__ import annotations

from dataclasses import dataclass

from cycler.measures.capacity import ChargeRun, Discharge


@dataclass(frozen=True, slots=True)
class Pairing:
    """A charge and a discharge that begin and end in the same states. Efficiencies are shares of 1."""

    coulombic: float
    energy: float
    charge: ChargeRun
    discharge: Discharge


_EMPTY = ("pack_cutoff", "group_cutoff")


def pair_charge_discharge(
    discharges: tuple[Discharge, ...], charges: tuple[ChargeRun, ...], breaks_s: tuple[float, ...] = ()
) -> tuple[Pairing | None, str]:
    """The last charge and discharge whose end states are proved to be the same, and why if there is none.

    Two ways prove it: full - discharge - full (the discharge began full, the charge after it ended at its taper
    current), or empty - charge - empty (the charge followed a discharge to the cut-off, ended at its taper current, and the
    discharge after it ended at the same cut-off). Otherwise the ratio of the two is no efficiency and is withheld.
    A break (a time in ``breaks_s`` between the two, where it is not known how long the clock stood) proves nothing.
    eta_Q = Q_dis/Q_chg, eta_E = E_dis/E_chg (textbook; common to the cell standards).
    """
    found: list[Pairing] = []
    for discharge in discharges:
        if discharge.unbridged_gap_s > 0:
            continue
        after = next((c for c in charges if c.start_s >= discharge.end_s), None)
        before = next((c for c in reversed(charges) if c.end_s <= discharge.load_on_s + 1e-6), None)
        own_next = next((d for d in discharges if d.load_on_s > discharge.end_s), None)
        if after is not None and (own_next is None or after.start_s < own_next.load_on_s) and discharge.started_full and after.end_reason == "charge_taper":
            found += _pair(discharge, after)
            continue
        if before is not None:
            earlier = next((d for d in reversed(discharges) if d.end_s <= before.start_s + 1e-6), None)
            if (
                earlier is not None
                and earlier.end_reason in _EMPTY
                and discharge.end_reason == earlier.end_reason
                and before.end_reason == "charge_taper"
            ):
                found += _pair(discharge, before)
    found = [
        pair
        for pair in found
        if not any(
            min(pair.charge.start_s, pair.discharge.load_on_s) < at < max(pair.charge.end_s, pair.discharge.end_s) for at in breaks_s
        )
    ]
    if found:
        return found[-1], ""
    if not charges or not discharges:
        return None, "charge_or_discharge_missing"
    return None, "end_states_differ"


def _pair(discharge: Discharge, charge: ChargeRun) -> list[Pairing]:
    """The pair, or nothing if one of the two moved no charge or energy."""
    if min(discharge.net_ah, discharge.energy_wh, charge.charge_ah, charge.energy_wh) <= 0:
        return []
    return [Pairing(discharge.net_ah / charge.charge_ah, discharge.energy_wh / charge.energy_wh, charge, discharge)]
