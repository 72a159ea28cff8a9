"""State of charge of a rested group from its voltage, by chemistry, with the interval that cells of one chemistry really span.

An open-circuit curve belongs to one make of cell. The tables here stand for their chemistry; how far other makes lie from them is counted as a
voltage, so that where the curve is flat the interval grows by itself to what can honestly be said.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

# Nickel-rich nmc with a graphite and silicon anode, from the published parameter set Chen2020 (electrode functions read; the curve of the whole cell
# computed by lithium balance). [share], [V]
_NMC_SHARE = (0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.0)
_NMC_V = (2.5000, 3.1094, 3.2959, 3.4852, 3.5814, 3.6670, 3.7509, 3.8406, 3.9479, 4.0421, 4.0967, 4.2000)
# Typical rest voltages of lfp, the middle of what is usual (common practice, no source).
_LFP_SHARE = (0.0, 0.10, 0.20, 0.30, 0.50, 0.70, 0.90, 1.0)
_LFP_V = (2.65, 3.19, 3.23, 3.27, 3.295, 3.32, 3.33, 3.39)

TABLES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "nmc": (_NMC_SHARE, _NMC_V), "nca": (_NMC_SHARE, _NMC_V), "lco": (_NMC_SHARE, _NMC_V), "lmo": (_NMC_SHARE, _NMC_V), "lfp": (_LFP_SHARE, _LFP_V),
}
"""State of charge [share] and rest voltage [V] by chemistry."""
SPREAD_V: dict[str, float] = {"nmc": 0.04, "nca": 0.06, "lco": 0.12, "lmo": 0.20, "lfp": 0.02}
"""How far rest voltages of other makes lie from the table. nca, lco and lmo borrow the table of nmc, and lie further off. Common practice, no
source. [V]"""
RESTED_H = 1.0
"""Hours without current from which a voltage counts as rested (industrial capacity tests rest 1 to 4 h; from memory). [h]"""
UNRESTED_V = 0.05
"""How far the voltage of a group may still lie from its rest. Common practice, no source. [V]"""
LOWER_SHARE, LOWER_FROM, LOWER_ALL = 0.08, 0.40, 0.25
"""How much less charge other makes may have left than the table says, from a share of ``LOWER_FROM`` down, wholly from ``LOWER_ALL`` on: some call 3.0 V empty and
not 2.5 V, and the silicon in the tabulated cell gives charge at low voltage that plain graphite does not. Not for lfp. Common practice, no source."""
TABLE_SHARE = 0.02
"""How well empty and full are defined at all; the interval is never narrower than this on the side on which there is room. Common practice, no source."""
_NO_TABLE = {
    "lto": "the rest voltage of titanate cells is not tabulated here: a source that holds for several makes is not known",
    "nimh": "the rest voltage of nickel cells says little about their charge",
}


@dataclass(frozen=True, slots=True)
class ChargeEstimate:
    """State of charge of one group. [share]

    Attributes
    ----------
    share, u_share : float or None
        Value and standard uncertainty; None where the voltage cannot tell.
    low_share, high_share : float or None
        The interval (k = 2); it may lie unevenly about the value.
    reason : str
        Why there is no value, or what widens it; empty if nothing does.
    """

    share: float | None = None
    u_share: float | None = None
    low_share: float | None = None
    high_share: float | None = None
    reason: str = ""


@cache
def _curve(chemistry: str) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and share on a fine grid, monotone between the points of the table."""
    from scipy.interpolate import PchipInterpolator

    share, voltage_v = TABLES[chemistry]
    fine = np.linspace(0.0, 1.0, 1001)
    return PchipInterpolator(share, voltage_v)(fine), fine


def share_at(chemistry: str, voltage_v: float | np.ndarray) -> Any:
    """State of charge [share] of the table at a rest voltage [V]; 0 below it and 1 above. KeyError without a table."""
    volts, share = _curve(chemistry)
    return np.interp(voltage_v, volts, share)


def state_of_charge(chemistry: str | None, voltage_v: float | None, u_voltage_v: float | None = None, rested_h: float | None = None) -> ChargeEstimate:
    """State of charge of a group.

    Parameters
    ----------
    chemistry : str or None
        One of ``cycler.pack.CHEMISTRIES``.
    voltage_v, u_voltage_v : float or None
        Of the group, with its standard uncertainty. [V]
    rested_h : float or None
        Hours without current; None: not known, which counts as not rested. [h]

    Returns
    -------
    ChargeEstimate
        The interval is that of the voltages within reading ± (2 u + spread of makes + what an unrested voltage may be off), on the nmc table lengthened
        downwards by ``LOWER_SHARE`` where little is left.
    """
    if voltage_v is None:
        return ChargeEstimate(reason="the voltage of this group is not known")
    if chemistry is None:
        return ChargeEstimate(reason="the chemistry is not stated")
    if chemistry not in TABLES:
        return ChargeEstimate(reason=_NO_TABLE.get(chemistry, "there is no table of rest voltages for this chemistry"))
    reasons = []
    wide_v = 2.0 * (u_voltage_v or 0.0) + SPREAD_V[chemistry]
    if rested_h is None or rested_h < RESTED_H:
        wide_v += UNRESTED_V
        reasons.append("how long it rested is not stated" if rested_h is None else f"it rested {rested_h:g} h only")
    low_v, high_v = TABLES[chemistry][1][0], TABLES[chemistry][1][-1]
    if voltage_v < low_v:
        reasons.append(f"below the table, which begins at {low_v:g} V")
    elif voltage_v > high_v:
        reasons.append(f"above the table, which ends at {high_v:g} V")
    low, share, high = (float(value) for value in share_at(chemistry, np.array([voltage_v - wide_v, voltage_v, voltage_v + wide_v])))
    if TABLES[chemistry][0] is _NMC_SHARE:
        low -= LOWER_SHARE * min(max((LOWER_FROM - share) / (LOWER_FROM - LOWER_ALL), 0.0), 1.0)
    low, high = max(0.0, min(low, share - TABLE_SHARE)), min(1.0, max(high, share + TABLE_SHARE))
    return ChargeEstimate(share, (high - low) / 4.0, low, high, "; ".join(reasons))
