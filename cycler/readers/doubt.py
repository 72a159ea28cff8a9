"""Stated units that nothing else in the log bears out or refutes, held against what packs can do.

Every bound here is common practice, no source, and lies so far out that a reading beyond it is a slip of the unit for all
practical purposes; it warns and never refuses.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cycler.errors import quote
from cycler.log import ReadingWarning
from cycler.readers import overall
from cycler.readers.columns import Assigned
from cycler.readers.sign import segments
from cycler.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE

if TYPE_CHECKING:
    from cycler.readers.assemble import Draft

LARGEST_SAG = 2.0
"""Share of the voltage lost for each ampere at the start of a load; a single worn cell on thin leads loses less. [1/A]"""
SMALL_CURRENT_A = 0.02
"""A pack on a bench is not tested below this with a sag that shows. [A]"""
SAG_AT_SMALL_CURRENT = 0.25
"""Share of the voltage lost for each ampere where the whole log stays below ``SMALL_CURRENT_A``. [1/A]"""
LEAST_SAG = 2e-5
"""Wires and joints alone lose more: 1 mohm in a pack of 48 V. [1/A]"""
SLOWEST_H = 1.0
"""Sag for each ampere times the charge of one stretch [h]: beyond 1 h the voltage would break down at less than 1 It."""
FASTEST_H = 1.5e-3
"""The same of a stretch that empties or fills a pack; below, a load of 30 It would take less than 5 % of the voltage. [h]"""
LEAST_SWING = 0.15
"""A stretch that moves the voltage by this share, its switching left out, crosses most of a pack's charge."""
LONGEST_STRETCH_S = 30 * SECONDS_PER_DAY
"""No bench charges or loads a pack in one direction for longer. [s]"""


def doubtful_units(draft: Draft, proven: set[str]) -> list[ReadingWarning]:
    """Warnings ``unit_doubtful`` for a current and a time that no pack has.

    ``proven``: what another column bears out, as of ``refuse_contradictions``.
    """
    if "rate" in proven:
        return []
    current = next((item for role in ("current", "charge_current", "discharge_current") if (item := draft.assignment.one(role))), None)
    clock = next((item for item in draft.assignment.columns if item.label == draft.clock.label), None)
    size = np.abs(draft.current_a[np.isfinite(draft.current_a)])
    peak = overall.percentile(size, 99.9) if size.size else 0.0
    if current is None or peak == 0.0:
        return []
    sag = sag_per_ampere(draft.sign_voltage_v, draft.current_a, peak)
    out = []
    if sag is not None and not current.inferred and "current" not in proven:
        out += _doubt_current(current, peak, sag)
    if clock is not None and _states_a_unit(clock):
        out += _doubt_time(draft, clock, peak, sag)
    return out


def _states_a_unit(clock: Assigned) -> bool:
    return clock.unit is not None and not clock.inferred and clock.role == "time" and clock.raw.kind == "number"


def sag_per_ampere(voltage_v: np.ndarray, current_a: np.ndarray, peak_a: float) -> float | None:
    """Share of the voltage by which it steps for each ampere switched on from rest: the smallest of those that stand clear of
    the noise and agree about the direction; None without two of them. [1/A]"""
    di, dv = np.diff(current_a), np.diff(voltage_v)
    at = np.flatnonzero((np.abs(di) > 0.3 * peak_a) & (np.abs(current_a[:-1]) < 0.1 * peak_a) & (voltage_v[:-1] > 0))
    # The level must last, or it is one odd reading.
    at = at[at + 2 < current_a.size]
    at = at[np.abs(current_a[at + 2] - current_a[at + 1]) < 0.5 * np.abs(di[at])]
    if at.size < 2:
        return None
    quiet = np.abs(dv[np.isfinite(dv) & (np.abs(di) < 0.1 * peak_a)])
    noise = 5 * overall.percentile(quiet, 75) if quiet.size else 0.0
    if not np.all(np.abs(dv[at]) > noise) or abs(int(np.sign(di[at] * dv[at]).sum())) != at.size:
        return None
    return float(np.min(np.abs(dv[at]) / voltage_v[at] / np.abs(di[at])))


def _doubt_current(item: Assigned, peak_a: float, sag: float) -> list[ReadingWarning]:
    lost = f"the voltage steps by {100 * sag:.3g} % for each ampere"
    if sag > LARGEST_SAG or (peak_a < SMALL_CURRENT_A and sag > SAG_AT_SMALL_CURRENT):
        text = f"{lost}, far more than a pack's does"
    elif sag < LEAST_SAG:
        text = f"{lost}, less than its wires alone would take"
    else:
        return []
    return [ReadingWarning("unit_doubtful", f"Column {quote(item.label)} reads up to {peak_a:.3g} A and {text}: check its unit.", item.label)]


def _doubt_time(draft: Draft, item: Assigned, peak_a: float, sag: float | None) -> list[ReadingWarning]:
    longest, slow, fast, open_case = 0.0, 0.0, 0.0, False
    t, voltage, current = draft.time_s, draft.sign_voltage_v, draft.current_a
    steps = np.diff(t)
    usual = overall.median(steps[steps > 0]) if (steps > 0).any() else 0.0
    breaks = steps > 20 * usual
    odd = _whole_in_another_unit(item)
    for first, last in segments(np.abs(current) > 0.2 * peak_a, current, breaks):
        if last - first < 20:
            continue
        lasted = float(t[last] - t[first])
        longest = max(longest, lasted)
        if sag is None:
            continue
        charge = float(overall.mean(np.abs(current[first: last + 1]))) * lasted / SECONDS_PER_HOUR
        slow = max(slow, sag * charge)
        inner = voltage[first + (last - first) // 20: last + 1]
        inner = inner[np.isfinite(inner)]
        if inner.size > 10 and np.ptp(inner) > LEAST_SWING * np.median(inner) and sag * charge < FASTEST_H:
            groups = draft.group_voltage_v[first + (last - first) // 20: last + 1]
            if odd or _all_groups_swing(groups) or not groups.shape[1]:
                fast, open_case = max(fast, lasted), not odd and not groups.shape[1]
    if longest > LONGEST_STRETCH_S:
        text = f"the current flows in one direction for {longest / SECONDS_PER_DAY:.0f} days"
    elif slow > SLOWEST_H:
        text = f"a stretch of current lasts so long that, by the step of the voltage at its start, the pack would break down at {1 / slow:.2g} It"
    elif fast and open_case:
        text = (
            f"the voltage swings by {100 * LEAST_SWING:.0f} % and more in {fast:.0f} s with hardly a sag: either the unit of the time is wrong, "
            "or a group of the pack holds next to nothing"
        )
        return [ReadingWarning("unit_unusual", f"By column {quote(item.label)}, {text}.", item.label)]
    elif fast:
        by = f"its rows are whole seconds apart only in {odd}" if odd else "every group runs through most of its voltage"
        text = f"{by}, and the voltage swings by {100 * LEAST_SWING:.0f} % and more in {fast:.0f} s with hardly a sag"
    else:
        return []
    return [ReadingWarning("unit_doubtful", f"By column {quote(item.label)}, {text}: check its unit.", item.label)]


def _all_groups_swing(group_voltage_v: np.ndarray) -> bool:
    """True if every group goes through most of its voltage: one group that is dead would leave the others where they are."""
    if not group_voltage_v.shape[1] or not np.isfinite(group_voltage_v).any(axis=0).all():
        return False
    swing = np.nanmax(group_voltage_v, axis=0) - np.nanmin(group_voltage_v, axis=0)
    return bool(np.all(swing > LEAST_SWING * np.nanmedian(group_voltage_v, axis=0)))


def _whole_in_another_unit(item: Assigned) -> str:
    """"min" or "h" where the rows of a time stated in seconds are whole seconds apart only if read as that, else ""."""
    steps = np.diff(item.raw.values)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    if item.unit.symbol != "s" or not steps.size:
        return ""
    middle = overall.median(steps)
    alike = steps[np.abs(steps - middle) < 0.1 * middle]
    if not alike.size:
        return ""
    usual = float(np.mean(alike))
    for symbol, factor in (("min", SECONDS_PER_MINUTE), ("h", SECONDS_PER_HOUR)):
        seconds = usual * factor
        # 0.1 s and 0.05 s are samplings of their own and become whole in minutes as well.
        if usual < 1 and seconds > 0.9 and abs(seconds - round(seconds)) < 2e-3 * seconds and abs(usual * 100 - round(usual * 100)) > 0.05:
            return symbol
    return ""
