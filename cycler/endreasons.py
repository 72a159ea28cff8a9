"""Why each step of a test ended, by the evidence in the log: which group stood where, and how current and voltage went."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from cycler.pieces import PULSE_MAX_S
from cycler.signals import noise_of, pack_voltage, resolution_of, straight

if TYPE_CHECKING:
    from cycler.steps import Step


def end_reasons(log: Log, pack: Pack, steps: tuple[Step, ...], before_gap: set[int]) -> tuple[str, ...]:
    """The reason for the end of each step, in the contract's words; ``before_gap`` holds the last rows before a gap."""
    ends = {run[-1].index: run[0].first for run in load_runs(log, steps)}
    return tuple(_end_reason(log, pack, steps, step, step.last in before_gap, ends.get(step.index)) for step in steps)


def load_runs(log: Log, steps: tuple[Step, ...]) -> tuple[tuple[Step, ...], ...]:
    """Loads that follow each other with no pause longer than a pulse: one discharge, however short its steps.

    Together they last longer than a pulse and fill more than half of the run, as a ride does and a train of single pulses does not.
    """
    starts = [log.time_s[max(step.first - 1, 0)] for step in steps]
    runs: list[list[Step]] = [[]]
    for step in steps:
        if step.direction < 0:
            runs[-1].append(step)
        elif log.time_s[step.last] - starts[step.index] > PULSE_MAX_S:
            runs.append([])
    loaded = [sum(float(log.time_s[step.last] - starts[step.index]) for step in run) for run in runs]
    return tuple(
        tuple(run) for run, span in zip(runs, loaded, strict=True)
        if run and span > max(PULSE_MAX_S, 0.5 * float(log.time_s[run[-1].last] - starts[run[0].index]))
    )


def reaches_limit(voltage_v: np.ndarray, limit_v: float, time_s: np.ndarray | None = None, next_s: float | None = None) -> bool:
    """Whether a falling voltage had reached a limit when the load went off, seen from its last samples.

    True if the last three readings come down to the limit within one resolution step, three times the noise or 0.05 % of
    it; or if the fall, going on as fast as at the end and half as fast again (a knee bends), meets it before the next row.

    Parameters
    ----------
    voltage_v : ndarray, shape (n,)
        Loaded voltage up to the end. [V]
    limit_v : float
        [V]
    time_s : ndarray, shape (n,), optional
        Times of the samples; without it they count as evenly spaced. [s]
    next_s : float, optional
        Time of the first row after the load went off; without it one more interval. [s]
    """
    good = np.isfinite(voltage_v)
    tail = voltage_v[good][-12:]
    if tail.size == 0:
        return False
    slack = max(0.0005 * abs(limit_v), 1.1 * resolution_of(tail), min(3.0 * noise_of(tail), 0.002 * abs(limit_v)))
    if np.min(tail[-3:]) <= limit_v + slack:
        return True
    if tail.size < 3:
        return False
    when = np.arange(tail.size, dtype=float) if time_s is None else time_s[good][-12:]
    usual = float(np.median(np.diff(when)))
    ahead = usual if next_s is None else min(max(float(next_s - when[-1]), 0.0), 1.5 * usual)
    few = slice(-4, None)
    rate = max(0.0, -straight(when[few], tail[few])[0], float(tail[-2] - tail[-1]) / max(when[-1] - when[-2], 1e-9))
    # Noise must not stand in for a fall: a limit far away in terms of the whole tail's fall is not near.
    return bool(tail[-1] - 1.5 * rate * ahead <= limit_v + slack and tail[-1] - limit_v <= 0.12 * abs(limit_v))


def _end_reason(log: Log, pack: Pack, steps: tuple[Step, ...], step: Step, at_gap: bool, begun: int | None = None) -> str:
    """Why a step ended, from the evidence in the log (see the module's contract for the words); ``begun`` is the first row of a run of loads
    that ends with the step."""
    following = steps[step.index + 1] if step.index + 1 < len(steps) else None
    if step.direction < 0 and (begun is not None or not step.kind.startswith("pulse")):
        reason = discharge_end(log, pack, step, following, begun)
    elif step.direction > 0 and not step.kind.startswith("pulse"):
        reason = _charge_end(log, pack, step, following)
    else:
        reason = "protection_trip" if step.direction < 0 and _pulse_trip(log, pack, steps, step, following) else ""
    if reason:
        return reason
    if at_gap:
        return "gap"
    return "log_end" if following is None else "set_by_program"


def _charge_end(log: Log, pack: Pack, step: Step, following: Step | None) -> str:
    current = log.current_a[step.slice]
    current = current[np.isfinite(current)]
    voltage = pack_voltage(log)[step.slice]
    end_current = float(np.median(current[-3:])) if current.size else 0.0
    last_v = voltage[np.isfinite(voltage)][-3:]
    top = float(np.median(last_v)) if last_v.size else np.nan
    if following is not None and following.kind == "charge_cv":
        return "charge_voltage"
    if step.kind == "charge_cv" or (current.size > 5 and end_current < 0.5 * float(np.max(current))):
        last = float(min(current[-1], end_current))
        if current.size > 4 and following is not None and current[-2] > 0:
            # Rows far apart: the taper goes on falling in the same proportion until the charger stops before the next row.
            last *= float(np.clip(current[-1] / current[-2], 0.5, 1.0))
        taper = pack.taper_current_a
        scale = resolution_of(current)
        if taper is not None:
            if last <= 1.08 * taper + scale:
                return "charge_taper"
        elif pack.rated_capacity_ah is not None:
            if last <= 0.055 * pack.rated_capacity_ah + scale:
                return "charge_taper"
        elif last <= 0.11 * float(np.max(current)):
            return "charge_taper"
        return "protection_trip" if following is not None and _group_over_voltage(log, pack, step) else ""
    limit = pack.charge_voltage_v
    trip = _group_over_voltage(log, pack, step)
    if trip and (limit is None or top < limit - 0.004 * limit):
        return "protection_trip"
    if limit is not None and np.isfinite(top) and top >= limit - max(0.002 * limit, 1.1 * resolution_of(voltage)):
        return "charge_voltage"
    return ""


def _group_over_voltage(log: Log, pack: Pack, step: Step) -> bool:
    limits = pack.limits
    full = pack.group_charge_voltage_v or (limits.full_v if limits else None)
    if log.series == 0 or full is None:
        return False
    return bool(np.nanmax(log.group_voltage_v[step.slice][-3:], initial=-np.inf) > full + 0.03)


def alike_rows(log: Log, step: Step, begun: int) -> np.ndarray:
    """Rows that tell how voltage falls towards the end of a load: the step's own, and for a pulse that ends a run of loads those of the run
    (from row ``begun`` on) within 10 % of its current."""
    if not step.kind.startswith("pulse"):
        return np.arange(step.first, step.last + 1)
    rows = np.arange(min(begun, step.first), step.last + 1)
    return rows[np.abs(log.current_a[rows] - step.level_a) <= 0.1 * abs(step.level_a)]


def discharge_end(log: Log, pack: Pack, step: Step, following: Step | None, begun: int | None = None) -> str:
    """Reason for the end of a discharge step: ``pack_cutoff``, ``group_cutoff``, ``protection_trip`` or "".

    Evidence, in this order: the terminals fall away while current stops (the board opened); pack voltage at its
    cut-off; pack voltage that parts from the sum of the groups (the board opened, the terminals float); a group at its declared
    cut-off; current cut off in one sample while a group stands below its declared
    cut-off or, without a declared one, in the range where boards cut off (2.0 to 3.05 V for lithium chemistries of the
    4 V class, up to 2.6 V for lfp; common practice, no source), pack voltage still clearly above its own cut-off.
    """
    rows = alike_rows(log, step, step.first if begun is None else begun)
    pack_v = pack_voltage(log)
    read = _last_of(rows, lambda some: np.isfinite(pack_v[some]))
    if read.size == 0 and log.series == 0:
        return ""
    end_v = float(pack_v[read[-1]]) if read.size else np.nan
    if following is not None and following.kind == "rest" and _terminals_fell_away(log, step, following, end_v):
        return "protection_trip"
    next_s = float(log.time_s[following.first]) if following is not None else None
    if pack.cutoff_voltage_v is not None and reaches_limit(pack_v[read], pack.cutoff_voltage_v, log.time_s[read], next_s):
        return "pack_cutoff"
    if log.series == 0:
        return ""
    if following is not None and following.kind == "rest" and _left_its_groups(log, step, following, end_v):
        return "protection_trip"
    # A channel that is silent towards the end says nothing about it.
    heard = np.flatnonzero(np.any(np.isfinite(log.group_voltage_v[rows[-12:]]), axis=0))
    if heard.size == 0:
        return ""
    read = _last_of(rows, lambda some: np.all(np.isfinite(log.group_voltage_v[np.ix_(some, heard)]), axis=1))
    if read.size == 0:
        return ""
    last_rows = log.group_voltage_v[np.ix_(read, heard)]
    weakest = int(np.argmin(last_rows[-1]))
    low = float(last_rows[-1, weakest])
    declared = pack.group_cutoff_voltage_v
    if declared is not None and reaches_limit(last_rows[:, weakest], declared, log.time_s[read], next_s):
        if declared - low <= 0.025 or following is None or following.kind != "rest":
            return "group_cutoff"
        if float(last_rows[-2, weakest] if last_rows.shape[0] > 1 else low) > declared:
            return "group_cutoff"
        return "protection_trip"
    if declared is not None and low > declared:
        # It had not come to its cut-off yet: somebody stopped.
        return ""
    board_low = 2.6 if pack.chemistry == "lfp" else 3.05
    others = float(np.median(np.delete(last_rows[-1], weakest))) if heard.size > 1 else low
    stopped = following is not None and following.kind == "rest"
    if stopped and low < board_low and others - low > 0.15:
        return "protection_trip"
    return ""


def _last_of(rows: np.ndarray, known: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """The last of ``rows`` that ``known`` holds for, twelve at most; looked for from the end."""
    size = 64
    while True:
        some = rows[-size:]
        good = some[known(some)]
        if good.size >= 12 or size >= rows.size:
            return good[-12:]
        size *= 16


AWAY_SHARE = 0.03
"""A battery's voltage does not fall when its load goes off: terminals that read this share less have been cut off from it. Common practice, no source."""


def board_shown(log: Log, step: Step, steps: tuple[Step, ...]) -> bool:
    """Whether the voltages after a discharge step show themselves that the board opened: terminals that fall away or float."""
    following = steps[step.index + 1] if step.index + 1 < len(steps) else None
    if following is None or following.kind != "rest":
        return False
    voltage = pack_voltage(log)[step.slice]
    finite = voltage[np.isfinite(voltage)]
    end_v = float(finite[-1]) if finite.size else np.nan
    return _terminals_fell_away(log, step, following, end_v) or _left_its_groups(log, step, following, end_v)


def _terminals_fell_away(log: Log, step: Step, following: Step, end_v: float) -> bool:
    """True if pack voltage drops (instead of rebounding) when current stops, as when a board opens."""
    after = log.voltage_v[following.slice][:5]
    if not np.any(np.isfinite(after)):
        return False
    return bool(np.nanmedian(after) < (1.0 - AWAY_SHARE) * end_v - 5.0 * noise_of(log.voltage_v[step.slice][-50:]))


def _left_its_groups(log: Log, step: Step, following: Step, end_v: float) -> bool:
    """True if pack voltage parts from the sum of the groups when current stops: a board opens the terminals, not the groups' own leads."""
    if log.series == 0:
        return False
    last = slice(max(step.first, step.last - 2), step.last + 1)
    before, after = (_median_apart(log, rows) for rows in (last, slice(following.first, min(following.first + 5, following.last + 1))))
    # Groups that never added up to the pack say nothing.
    return bool(before <= 0.5 * AWAY_SHARE * end_v and after > AWAY_SHARE * end_v)


def _median_apart(log: Log, rows: slice) -> float:
    """How far pack voltage lies from the sum of the groups; infinite or NaN where one of them is not known. [V]"""
    apart = np.abs(log.voltage_v[rows] - np.sum(log.group_voltage_v[rows], axis=1))
    return float(np.median(apart[np.isfinite(apart)])) if np.any(np.isfinite(apart)) else np.nan


def _pulse_trip(log: Log, pack: Pack, steps: tuple[Step, ...], step: Step, following: Step | None) -> bool:
    """Whether a short load was cut off by the board: its terminals fell away, or it went beyond the pack's rated current once and never again."""
    if following is None or following.kind != "rest":
        return False
    voltage = pack_voltage(log)[step.slice]
    if np.any(np.isfinite(voltage)):
        end_v = float(voltage[np.isfinite(voltage)][-1])
        if _terminals_fell_away(log, step, following, end_v) or _left_its_groups(log, step, following, end_v):
            return True
    most = pack.max_discharge_current_a
    return most is not None and -step.level_a > most and not any(-other.level_a > most for other in steps if other.index != step.index)
