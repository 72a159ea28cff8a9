"""What levels, scatter and spread of the groups mean: practice tables, and the remarks they lead to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.quantities import figure_text
from cycler.repair.levels import PRECHARGE_IT, GroupLimits
from cycler.repair.remarks import CAUTION, DANGER, DEFECT, INFO, Remark, listed

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""


@dataclass(frozen=True, slots=True)
class SpreadLimits:
    """Highest minus lowest group at rest: up to ``good_v`` nothing to say, above ``watch_v`` to act, above ``fault_v`` a faulty group. [V]"""

    words: str
    good_v: float
    watch_v: float
    fault_v: float


# All common practice, no source. At the ends of the curve a small difference of charge is a large one of voltage.
SPREAD_MIDDLE = SpreadLimits("at rest in the middle of the charge", 0.02, 0.05, 0.10)
SPREAD_FULL = SpreadLimits("at rest near full", 0.03, 0.10, 0.10)
SPREAD_EMPTY = SpreadLimits("near empty", 0.20, 0.30, 0.30)
NEAR_FULL_V, NEAR_EMPTY_V = 0.06, 0.30
"""Median within so much of full, or of the end of discharge: the limits for that end hold. Common practice, no source. [V]"""


def robust_scores(values: Sequence[float], floor: float | Sequence[float] = 0.0) -> np.ndarray:
    """(x - median) / max(1.4826 MAD, floor) of each value.

    Parameters
    ----------
    values : array_like, shape (n,)
    floor : float or array_like, shape (n,)
        Smallest scale, in the unit of the values: the uncertainty of a value's difference to the median, since a meter's own scatter is no outlier.
    """
    x = np.asarray(values, dtype=float)
    off = x - np.median(x)
    scale = np.maximum(MAD_TO_SIGMA * np.median(np.abs(off)), np.asarray(floor, dtype=float))
    return np.divide(off, scale, out=np.zeros_like(off), where=scale > 0.0)


def spread_limits(limits: GroupLimits, median_v: float) -> SpreadLimits:
    """Which practice limits hold at that median [V]."""
    if limits.full_v is not None and median_v >= limits.full_v - NEAR_FULL_V:
        return SPREAD_FULL
    if limits.empty_v is not None and median_v <= limits.empty_v + NEAR_EMPTY_V:
        return SPREAD_EMPTY
    return SPREAD_MIDDLE


def spread_remark(spread_v: float, u_v: float, limits: SpreadLimits, lowest: int, highest: int) -> list[Remark]:
    """The remark on a spread beyond ``good_v``, if it is; ``lowest`` and ``highest`` are the groups."""
    if spread_v <= limits.good_v:
        return []
    bound, severity, words = (
        (limits.fault_v, DEFECT, "so far apart that a group is likely faulty, not only out of balance") if spread_v > limits.fault_v
        else (limits.watch_v, CAUTION, "further apart than most boards balance by themselves") if spread_v > limits.watch_v
        else (limits.good_v, INFO, "a little apart: to be watched")
    )
    sure = "" if spread_v - 2.0 * u_v > bound else " By the meter's uncertainty it may also be less than that."
    return [Remark(
        "spread_wide", severity, f"The groups lie {words} (more than {1000.0 * bound:.0f} mV {limits.words}; common practice).{sure}",
        f"{figure_text(1000.0 * spread_v, 1000.0 * u_v, 'mV')} between group {lowest} and group {highest}",
    )]


def level_remarks(rows: Sequence[dict[str, Any]], limits: GroupLimits, days_low: float | None) -> list[Remark]:
    """One remark for each level other than ok, whatever the number of groups; each group's row gets it among its findings."""
    found: list[Remark] = []
    for level in ("reversed", "no_charge", "precharge", "low", "over_full"):
        chosen = [row for row in rows if row["level"] == level]
        if not chosen:
            continue
        for row in chosen:
            row["findings"].append(f"group_{level}")
        numbers = [row["group"] for row in chosen]
        extreme = (max if level == "over_full" else min)(chosen, key=lambda row: row["voltage_v"])
        evidence = figure_text(extreme["voltage_v"], extreme["u_voltage_v"], "V")
        if len(numbers) > 1:
            evidence += f" in group {extreme['group']}, the {'highest' if level == 'over_full' else 'lowest'}"
        severity, words = _level_words(level, listed(numbers).capitalize(), len(numbers) == 1, limits, days_low, chosen)
        found.append(Remark(f"group_{level}", severity, words, evidence, group=numbers[0] if len(numbers) == 1 else None))
    return found


def _level_words(level: str, subject: str, one: bool, limits: GroupLimits, days_low: float | None, rows: Sequence[dict[str, Any]]) -> tuple[str, str]:
    lie = "lies" if one else "lie"
    if level == "reversed":
        return DANGER, f"{subject} {'reads' if one else 'read'} the wrong way round: a reversed cell is never charged again, whatever it reads later."
    if level == "no_charge":
        bound = limits.levels.no_charge_v
        sure = all(row["voltage_v"] + 2.0 * row["u_voltage_v"] < bound for row in rows)
        lay = "for how long is not known" if days_low is None else f"for {days_low:g} days"
        return DANGER, f"{subject} {lie if sure else 'may lie'} below {bound:g} V ({lay}): from below that voltage cells of this kind are not charged again. Do not try it."
    if level == "precharge":
        low, high = PRECHARGE_IT
        return CAUTION, (
            f"{subject} {lie} below {limits.damage_v:g} V: no normal charge from here. Only with very little current ({low:g} to {high:g} It), watched, "
            "and only if the cell maker allows it."
        )
    if level == "low":
        return INFO, f"{subject} {lie} below {limits.empty_v:g} V, the usual end of discharge; charge before storing."
    return DANGER, f"{subject} {lie} above {limits.over_full_v:g} V: charged beyond full. Do not charge or store so; take it down with a small load, watched."
