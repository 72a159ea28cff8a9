"""Bad group channels told from bad groups: frozen, dead, impossible, jumped or exchanged readings, a tap that is off, a group below 0 V.

What a channel shows is held against its siblings, against the pack's own voltage (which an error of one channel does not move) and against
what a group can do: a group that empties gets to any voltage by way of those between; a reading that leaps while current and pack voltage
stand still does not come from cells. A weak, leaking or resistive group does none of these things.
Thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cycler.findings import Finding
from cycler.grouptable import unusable_groups
from cycler.log import Log
from cycler.longcolumns import BLOCK
from cycler.signals import all_finite, largest_of, noise_of, resolution_of

LARGEST_V = 5.0
"""No group of the chemistries known here reads more. [V]"""
DEAD_V = 0.3
"""A group at work does not read less. [V]"""
FROZEN_ROWS = 20
FROZEN_MOVE_V = 0.05
"""A reading is frozen if it stays the very same for so many rows while its siblings moved by so much, in ten steps or more."""
JUMP_V = 0.05
"""Smallest sudden change of one channel that is looked at; a balancer that switches makes less. [V]"""
EXCHANGE_V = 0.01
"""Two channels that read alike within this cannot be seen to change places. [V]"""
TAP_V = 0.4
"""How far the two groups beside a loose tap lie from their siblings. [V]"""
WHOLE_SHARE = 0.5
"""Of a channel bad in more than this share of its rows, nothing is used."""
STEADY_SHARE = 0.05
WINDOW = 5

HAND = (
    "Measure it by hand with a meter before you judge the group (live taps carry the pack's full current: insulated probes, no rings, "
    "nothing that can bridge two taps)"
)


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one channel or two from row ``first`` to row ``last``; ``ignore`` tells whether those readings are left out.

    ``groups`` count from 1. ``value_v`` is the reading (or the size of the change) that shows it, ``at`` the row where it changed.
    """

    code: str
    groups: tuple[int, ...]
    first: int
    last: int
    value_v: float
    ignore: bool = True
    at: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """A log without bad group readings: ``log`` has NaN in their place, ``lost`` are groups (1..) of which nothing is left, with why,
    and ``partly`` findings on stretches of groups that stay and on what is no matter of the channel."""

    log: Log
    lost: dict[int, Finding]
    partly: tuple[Finding, ...]


def screen(log: Log, progress: Callable[[float], None] | None = None) -> Screened:
    """Find bad group channels and take their readings out. See :func:`channel_faults` for the rules and ``progress``."""
    if log.series == 0 or log.rows < 2:
        return Screened(log, {}, ())
    joints = np.empty(0, dtype=int) if log.part is None else np.flatnonzero(np.diff(log.part) != 0) + 1
    faults = channel_faults(log.group_voltage_v, log.voltage_v, log.current_a, joints, progress)
    groups = log.group_voltage_v
    count = left = np.count_nonzero(np.isfinite(groups), axis=0)
    if any(fault.ignore for fault in faults):
        groups = np.array(groups)
        for fault in faults:
            if fault.ignore:
                groups[fault.first : fault.last + 1, [g - 1 for g in fault.groups]] = np.nan
        left = np.count_nonzero(np.isfinite(groups), axis=0)
    by_tap = {g for fault in faults if fault.code == "tap_missing" for g in fault.groups}
    lost = {g: finding for g, finding in unusable_groups(log).items() if g not in by_tap}
    partly: list[Finding] = []
    for fault in faults:
        for finding in _findings(fault, log):
            gone = finding.group is not None and fault.ignore and left[finding.group - 1] <= WHOLE_SHARE * max(count[finding.group - 1], 1)
            if finding.group in lost and not gone:
                continue
            if gone:
                lost.setdefault(finding.group, finding)
            else:
                partly.append(finding)
    partly += _gaps_of_channels(log, lost)
    if not any(fault.ignore for fault in faults):
        return Screened(log, lost, tuple(partly))
    return Screened(replace(log, group_voltage_v=groups, voltage_v=_pack_by_groups(log, faults)), lost, tuple(partly))


SUM_STANDS = {"tap_missing", "group_channels_exchanged"}
"""Faults that move voltage from one group to another and leave the sum of all as it is."""


def _pack_by_groups(log: Log, faults: tuple[Fault, ...]) -> np.ndarray:
    """Pack voltage by its own channel; without one, the sum of the groups as logged, in the rows where that sum stands. [V]"""
    if np.any(np.isfinite(log.voltage_v)):
        return log.voltage_v
    total = np.sum(log.group_voltage_v, axis=1)
    for fault in faults:
        if fault.ignore and fault.code not in SUM_STANDS:
            total[fault.first : fault.last + 1] = np.nan
    return total


def told(rows: list[dict[str, Any]], partly: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """Rows of the group table with the codes of findings on stretches of their groups: the reason where a figure is not known."""
    return [
        row | {"findings": list(dict.fromkeys([*row["findings"], *(f.code for f in partly if f.group == row["group"])]))} for row in rows
    ]


def channel_faults(
    groups_v: np.ndarray, pack_v: np.ndarray, current_a: np.ndarray, joints: np.ndarray, progress: Callable[[float], None] | None = None,
) -> tuple[Fault, ...]:
    """Faults of group channels in one log.

    Parameters
    ----------
    groups_v : ndarray, shape (n, series)
        Group voltages, NaN = no reading. [V]
    pack_v : ndarray, shape (n,)
        Pack voltage by its own channel; all NaN if only groups were logged. [V]
    current_a : ndarray, shape (n,)
        Charge positive. [A]
    joints : ndarray of int
        First rows of joined files.
    progress : callable, optional
        Hears which share of the work is done; what it raises ends it.

    Returns
    -------
    tuple of Fault
        ``tap_missing`` (two neighbours stray from the others by equal amounts to opposite sides, one of them out of a group's range:
        the lead between them is off), ``group_reversed`` (below 0 V for two rows or more, and pack voltage or the way it got there shows
        that it is true), ``group_reading_dead`` and ``group_reading_impossible`` (near or below 0 V, or above ``LARGEST_V``, when it is
        not), ``group_reading_frozen``, ``group_channels_exchanged``, ``group_reading_jumped``.
    """
    v = np.asarray(groups_v, dtype=float)
    found: list[Fault] = []
    apart = pack_v - np.sum(groups_v, axis=1)

    def done(share: float) -> None:
        if progress is not None:
            progress(share)

    rules = (
        (0.0, _taps), (0.1, lambda v: _out_of_range(v, apart, current_a)), (0.2, lambda v: _frozen(v, lambda share: done(0.2 + 0.6 * share))),
        (0.8, lambda v: _sudden(v, apart, current_a, joints)),
    )
    # What one rule has explained is out of sight of the next.
    for share, rule in rules:
        done(share)
        for fault in rule(v):
            found.append(fault)
            if fault.ignore:
                v = v if v.flags.writeable and v is not groups_v else np.array(v)
                v[fault.first : fault.last + 1, [g - 1 for g in fault.groups]] = np.nan
    return tuple(found)


def _stretches(bad: np.ndarray) -> list[tuple[int, int]]:
    """First and last row of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bad, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _middle(v: np.ndarray) -> np.ndarray:
    """Median of the groups in each row, over what is a group's voltage. Shape (n,). [V]"""
    out = np.full(v.shape[0], np.nan)
    for start in range(0, v.shape[0], BLOCK):
        part = np.ascontiguousarray(v[start : start + BLOCK])
        ordered = np.sort(np.where((part > DEAD_V) & (part < LARGEST_V), part, np.inf), axis=1)
        count = np.count_nonzero(ordered < np.inf, axis=1)
        rows = np.flatnonzero(count)
        count = count[rows]
        out[start + rows] = 0.5 * (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2])
    return out


def _extremes(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest reading of each row, NaN where it has none. Shapes (n,). [V]"""
    low, high = v[:, 0].copy(), v[:, 0].copy()
    for column in v.T[1:]:
        np.fmin(low, column, out=low)
        np.fmax(high, column, out=high)
    return low, high


def _taps(v: np.ndarray) -> list[Fault]:
    found: list[Fault] = []
    n = v.shape[1]
    if n < 4:
        return found
    # Only rows where a group stands far from the middle of all can hold one; the middle of fewer differs from that by less than the margin.
    # The middle lies between the lowest and the highest: where these two are near each other, no group is far.
    low, high = _extremes(v)
    with np.errstate(invalid="ignore"):
        apart = np.flatnonzero((high > 1.25 * low) | (low < 0.75 * high))
    middle = _middle(v[apart])
    with np.errstate(invalid="ignore"):
        far = (v[apart] > 1.25 * middle[:, None]) | (v[apart] < 0.75 * middle[:, None])
    for g in range(n - 1):
        rows = apart[far[:, g] | far[:, g + 1]]
        if rows.size == 0:
            continue
        low, high = (np.full(v.shape[0], np.nan) for _ in range(2))
        mirrored, opposite = (np.zeros(v.shape[0], dtype=bool) for _ in range(2))
        one, two = v[rows, g], v[rows, g + 1]
        others = _middle(np.delete(v[rows], [g, g + 1], axis=1))
        low[rows], high[rows] = one - others, two - others
        with np.errstate(invalid="ignore"):
            mirrored[rows] = (np.abs(low[rows] + high[rows]) <= 0.1 * np.abs(low[rows]) + 0.03) & (np.abs(low[rows]) >= TAP_V)
            beyond = (np.maximum(one, two) > 1.35 * others) | (np.minimum(one, two) < 0.65 * others)
            opposite[rows] = (low[rows] * high[rows] < 0) & (np.maximum(np.abs(low[rows]), np.abs(high[rows])) >= TAP_V) & beyond
        # A stretch needs rows that mirror each other; where one of the two runs empty beside the others, they still go with it.
        for first, last in _stretches(opposite):
            if np.count_nonzero(mirrored[first : last + 1]) >= max(5, 0.5 * (last - first + 1)):
                found.append(Fault("tap_missing", (g + 1, g + 2), first, last, float(np.nanmedian(np.abs(low[first : last + 1])))))
    return found


def _out_of_range(v: np.ndarray, apart: np.ndarray, current: np.ndarray) -> list[Fault]:
    """Stretches below ``DEAD_V`` or above ``LARGEST_V``, and whether the group was really there."""
    found: list[Fault] = []
    low, high = _extremes(v)
    with np.errstate(invalid="ignore"):
        if not np.any(low < DEAD_V) and not np.any(high > LARGEST_V):
            return found
    largest = largest_of(all_finite(current)) if np.any(np.isfinite(current)) else 0.0
    for g in range(v.shape[1]):
        column = v[:, g]
        with np.errstate(invalid="ignore"):
            bad = (column < DEAD_V) | (column > LARGEST_V)
        if not np.any(bad):
            continue
        zero = 0.02 + 3.0 * float(np.median([noise_of(other) for other in v.T]))
        for first, last in _stretches(bad):
            part = column[first : last + 1]
            if np.median(part) <= LARGEST_V and _truly_there(v, g, first, last, apart, current, largest):
                if np.count_nonzero(part < -zero) >= 2:
                    found.append(Fault("group_reversed", (g + 1,), first, last, float(np.min(part)), ignore=False))
                continue
            code = "group_reading_dead" if np.max(np.abs(part)) < DEAD_V else "group_reading_impossible"
            found.append(Fault(code, (g + 1,), first, last, float(np.median(part))))
    return found


def _truly_there(
    v: np.ndarray, g: int, first: int, last: int, apart: np.ndarray, current: np.ndarray, largest: float,
) -> bool:
    """Whether a group was at the low voltage that its channel shows in these rows: the pack's voltage fell with it; without a pack voltage
    of its own, it was already the lowest under load when it went on falling, and did not come back while the load stayed."""
    beside = _middle(np.delete(v[first : last + 1], g, axis=1)) if v.shape[1] > 1 else np.empty(0)
    siblings = float(np.median(beside[np.isfinite(beside)])) if np.any(np.isfinite(beside)) else np.nan
    here = apart[first : last + 1]
    if np.any(np.isfinite(here)) and np.isfinite(siblings):
        before = apart[max(0, first - 20) : first]
        # Groups and pack agree but for a constant; from the first row on, that is nearly nothing.
        usual = float(np.median(before[np.isfinite(before)])) if np.count_nonzero(np.isfinite(before)) >= 3 else 0.0
        missing = siblings - float(np.median(v[first : last + 1, g]))
        return abs(float(np.median(here[np.isfinite(here)])) - usual) < 0.3 * missing
    if first == 0 or v.shape[1] < 2 or not np.isfinite(current[first]):
        return False
    others = np.delete(v[first - 1], g)
    under_load = current[first] < -0.05 * largest and current[first - 1] < -0.05 * largest
    after = last + 1
    if after < v.shape[0] and current[after] < -0.05 * largest and v[after, g] > v[first - 1, g] - 0.5:
        # No group comes back under the load that emptied it.
        return False
    return bool(under_load and v[first - 1, g] < np.nanmin(others) - 0.1)


def _frozen(v: np.ndarray, done: Callable[[float], None]) -> list[Fault]:
    found: list[Fault] = []
    resolution: list[float] = []
    if v.shape[1] < 2:
        return found
    blocks = _block_extremes(v)
    for g in range(v.shape[1]):
        done(g / v.shape[1])
        rows = np.flatnonzero(np.isfinite(v[:, g]))
        if rows.size < FROZEN_ROWS:
            continue
        steps = np.flatnonzero(np.diff(v[:, g] if rows.size == v.shape[0] else v[rows, g]) != 0)
        starts, ends = np.append(0, steps + 1), np.append(steps, rows.size - 1)
        held = np.flatnonzero(ends - starts + 1 >= FROZEN_ROWS)
        held = held[_widest_move(blocks, rows[starts[held]], rows[ends[held]]) > FROZEN_MOVE_V]
        if held.size == 0:
            continue
        resolution = resolution or [resolution_of(column) for column in v.T]
        step = float(np.median(resolution[:g] + resolution[g + 1 :]))
        for a, b in zip(starts[held], ends[held], strict=True):
            part = np.delete(v[rows[a] : rows[b] + 1], g, axis=1)
            moved = [float(np.ptp(c[np.isfinite(c)])) for c in part.T if np.any(np.isfinite(c))]
            changes = [np.count_nonzero(np.diff(c[np.isfinite(c)])) for c in part.T]
            # Two thirds of the siblings: channels read one after the other hold their readings in turn, and take few steps.
            if moved and np.quantile(moved, 0.34) > max(FROZEN_MOVE_V, 5.0 * step) and np.quantile(changes, 0.34) >= 10:
                found.append(Fault("group_reading_frozen", (g + 1,), int(rows[a]), int(rows[b]), float(v[rows[a], g])))
    return found


FROZEN_BLOCK = 16
"""Rows of which only the lowest and highest readings are looked at first."""


def _block_extremes(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest reading of each channel in each block of ``FROZEN_BLOCK`` rows, shapes (blocks, series); infinite the wrong way without one."""
    whole = v.shape[0] // FROZEN_BLOCK * FROZEN_BLOCK
    low, high = (np.full((whole // FROZEN_BLOCK + 1, v.shape[1]), away, order="F") for away in (np.inf, -np.inf))
    for g, column in enumerate(v.T):
        for block, least, out in ((low, np.fmin, np.inf), (high, np.fmax, -np.inf)):
            block[:-1, g] = least.reduce(column[:whole].reshape(-1, FROZEN_BLOCK), axis=1)
            block[-1, g] = least.reduce(column[whole:], initial=out)
            block[np.isnan(block[:, g]), g] = out
    return low, high


def _widest_move(blocks: tuple[np.ndarray, np.ndarray], first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """At least what any channel moves by from row ``first`` to row ``last``: over all blocks that hold a row of these. Shapes (m,). [V]"""
    if first.size == 0:
        return np.empty(0)
    # Pairs of begin and end for reduceat, of which every second result is that of a stretch; a row of padding for stretches that end with the last block.
    ends = np.column_stack((first // FROZEN_BLOCK, last // FROZEN_BLOCK + 1)).ravel()
    low, high = (
        least.reduceat(np.vstack((block, np.full(block.shape[1], out))), ends, axis=0)[::2]
        for block, least, out in zip(blocks, (np.minimum, np.maximum), (np.inf, -np.inf), strict=True)
    )
    return np.max(high - low, axis=1)


def _sudden(v: np.ndarray, apart: np.ndarray, current: np.ndarray, joints: np.ndarray) -> list[Fault]:
    """Channels that changed places, or one that leapt, while the current stood still."""
    n, series = v.shape
    if series < 3 or n < 4 * WINDOW:
        return []
    largest = largest_of(all_finite(current)) if np.any(np.isfinite(current)) else 0.0
    rows = np.union1d(_may_leap(v, 0.7 * EXCHANGE_V), joints).astype(int)
    rows = rows[(rows >= WINDOW) & (rows <= n - WINDOW)]
    rows = rows[_steady(current, rows, largest)]
    if rows.size == 0:
        return []
    away = v - _middle(v)[:, None]
    noise = max(noise_of(away[:, g]) for g in range(series))
    step = max(resolution_of(v[:, g]) for g in range(series))
    least = max(EXCHANGE_V, 8.0 * noise, 3.0 * step)
    with np.errstate(invalid="ignore"):
        moves = np.nan_to_num(np.abs(away[rows] - away[rows - 1]))
        # One that leaps moves the median of a few groups, and so all the others a little.
        leaps = np.count_nonzero(moves > np.maximum(0.7 * least, 0.3 * np.max(moves, axis=1, keepdims=True)), axis=1)
    # A load edge moves many groups at once; two that change places, or one that leaps, move alone.
    found: list[Fault] = []
    taken: set[int] = set()
    for k in rows[((leaps > 0) & (leaps <= 2)) | np.isin(rows, joints)].tolist():
        before, after = np.median(away[k - WINDOW : k], axis=0), np.median(away[k : k + WINDOW], axis=0)
        change = np.nan_to_num(after - before)
        order = np.argsort(np.abs(change))[::-1]
        a, b, third = int(order[0]), int(order[1]), float(np.abs(change[order[2]]))
        gap = abs(before[a] - before[b])
        if {a, b} & taken:
            continue
        if abs(change[b]) > least and third <= max(0.4 * least, 0.1 * gap) and max(abs(after[a] - before[b]), abs(after[b] - before[a])) <= 0.25 * gap:
            found.append(Fault("group_channels_exchanged", (min(a, b) + 1, max(a, b) + 1), 0, n - 1, float(gap), at=k))
            taken |= {a, b}
            continue
        if k in joints or abs(change[a]) < max(JUMP_V, least) or abs(change[b]) > 0.4 * abs(change[a]):
            continue
        fault = _leap(away[:, a], apart, current, k, a, float(change[a]), largest)
        if fault is not None:
            found.append(fault)
            taken.add(a)
    return found


def _may_leap(v: np.ndarray, least: float) -> np.ndarray:
    """Rows at which a channel may leave the middle of all by more than ``least``: all of them, and some more.

    The middle moves by no more than the group that moves most, as long as the same groups make it up. Shape (m,).
    """
    low, high = _extremes(v)
    moved = np.zeros(v.shape[0] - 1)
    with np.errstate(invalid="ignore"):
        for column in v.T:
            np.fmax(moved, np.abs(np.diff(column)), out=moved)
        may = 2.0 * moved > 0.999 * least
        if not np.all((low > DEAD_V) & (high < LARGEST_V)) or np.any(np.isnan(v)):
            sane = (v > DEAD_V) & (v < LARGEST_V)
            may |= np.any(sane[1:] != sane[:-1], axis=1)
    return np.flatnonzero(may) + 1


def _steady(current: np.ndarray, rows: np.ndarray, largest: float) -> np.ndarray:
    """Whether the current is the same in the rows before and after each of ``rows``. Shape (m,)."""
    if rows.size == 0:
        return np.zeros(0, dtype=bool)
    around = current[rows[:, None] + np.arange(-WINDOW, WINDOW)]
    return np.all(np.isfinite(around), axis=1) & (np.ptp(around, axis=1) <= STEADY_SHARE * largest)


def _leap(away: np.ndarray, apart: np.ndarray, current: np.ndarray, k: int, g: int, change: float, largest: float) -> Fault | None:
    """A lasting leap of one channel that pack voltage does not show (``apart``: pack less groups); without a pack voltage that could show
    it, one at rest, where no sound group leaps. None if it falls row by row, as a group that runs empty does, or if the group itself may have done it, as when a cell comes off its weld under load."""
    n = away.size
    if abs(away[k] - away[k - 1]) < 0.7 * abs(change):
        return None
    later = away[k : k + 5 * WINDOW]
    later, earlier = later[np.isfinite(later)], away[max(0, k - 5 * WINDOW) : k]
    earlier = earlier[np.isfinite(earlier)]
    if later.size < 2 * WINDOW or earlier.size < 2 * WINDOW or (np.median(later) - np.median(earlier)) / change < 0.7:
        return None
    before, after = apart[max(0, k - WINDOW) : k], apart[k : k + WINDOW]
    known = np.all(np.isfinite(before)) and np.all(np.isfinite(after))
    if known and 2.0 * noise_of(apart) + resolution_of(apart) < 0.4 * abs(change):
        moved = float(np.median(after) - np.median(before))
        if abs(moved + change) > 0.4 * abs(change):
            return None
        # The channel is right where the groups add up to the pack.
        first, last = (k, n - 1) if abs(np.median(after)) >= abs(np.median(before)) else (0, k - 1)
        return Fault("group_reading_jumped", (g + 1,), first, last, change, at=k)
    if np.max(np.abs(current[k - WINDOW : k + WINDOW])) > 0.02 * largest:
        return None
    return Fault("group_reading_jumped", (g + 1,), 0, n - 1, change, at=k)


def _gaps_of_channels(log: Log, lost: dict[int, Finding]) -> list[Finding]:
    """Channels that fall silent for more than 2 % of the rows while others read on."""
    known = np.isfinite(log.group_voltage_v)
    out: list[Finding] = []
    if known.all():
        return out
    some = np.any(known, axis=1)
    for g in range(log.series):
        silent = some & ~known[:, g]
        if g + 1 in lost or np.count_nonzero(silent) <= 0.02 * log.rows:
            continue
        longest = max(_stretches(silent), key=lambda ends: ends[1] - ends[0])
        out.append(
            Finding(
                "group_readings_missing", "caution",
                f"Group {g + 1} has no reading in {np.count_nonzero(silent)} of {log.rows} rows while other groups have: figures from those rows "
                "are not known. Check its tap lead and plug.", f"longest {_when(log, *longest)}", group=g + 1,
            )
        )
    return out


def _when(log: Log, first: int, last: int) -> str:
    return f"from {log.time_s[first]:.0f} s to {log.time_s[last]:.0f} s ({last - first + 1} rows)"


def _findings(fault: Fault, log: Log) -> list[Finding]:
    """One finding for each group of a fault."""
    rows = fault.last - fault.first + 1
    when = _when(log, fault.first, fault.last)
    whole = rows >= log.rows - 2
    out = []
    for g in fault.groups:
        other = next((k for k in fault.groups if k != g), None)
        severity, evidence = "caution", f"{fault.value_v:.3f} V {when}"
        left_out = "Its readings are left out" + (": nothing is said about this group." if whole else " there.")
        if fault.code == "tap_missing":
            message = (
                f"The tap between groups {min(fault.groups)} and {max(fault.groups)} is off or its lead is broken: the two read "
                f"{fault.value_v:.2f} V to either side of their siblings, and together what two groups read. Neither is judged from it. Seat the "
                f"tap plug or mend the lead and log again. {HAND}."
            )
            evidence = f"{fault.value_v:.3f} V to both sides {when}"
        elif fault.code == "group_reversed":
            severity = "danger"
            message = (
                f"Group {g} was driven below 0 V under load ({fault.value_v:.2f} V): its cells were reversed, which dissolves copper and can "
                "short them inside. Do not charge this pack; take the group out of use."
            )
            evidence = f"lowest {fault.value_v:.3f} V; below {DEAD_V:g} V {when}; it got there as a group does, no leap of the channel"
        elif fault.code == "group_channels_exchanged":
            message = (
                f"The readings of groups {g} and {other} changed places at {log.time_s[fault.at]:.0f} s: which is which is not known, so neither "
                f"is judged. Put the tap plug on as it was and log again. {HAND}."
            )
            evidence = f"at {log.time_s[fault.at]:.0f} s, row {fault.at + 1}: the two stood {1e3 * fault.value_v:.0f} mV apart, the others did not move"
        elif fault.code == "group_reading_jumped":
            message = (
                f"Group {g} leapt by {1e3 * fault.value_v:+.0f} mV at {log.time_s[fault.at]:.0f} s while current and pack stood still: its channel or "
                f"tap contact, not its cells. {left_out} Swap the tap plug to another channel and see whether the leap moves with it. {HAND}."
            )
            evidence = f"{1e3 * fault.value_v:+.0f} mV at {log.time_s[fault.at]:.0f} s, row {fault.at + 1}; left out {when}"
        elif fault.code == "group_reading_frozen":
            message = (
                f"Group {g} reads {fault.value_v:.3f} V without any change while the others move: a frozen reading. {left_out} Swap the tap plug "
                f"to another channel; {HAND[0].lower()}{HAND[1:]}."
            )
        elif fault.code == "group_reading_dead":
            message = (
                f"Group {g} reads {fault.value_v:.2f} V although the pack does not miss it: its tap lead is off. {left_out} Seat the tap plug. "
                f"{HAND}."
            )
        else:
            message = (
                f"Group {g} reads {fault.value_v:.2f} V, which no group of this pack stood at: its channel, its tap lead or the order of the taps "
                f"is wrong. {left_out} Swap the tap plug. {HAND}."
            )
        if rows <= 2 and fault.code in ("group_reading_dead", "group_reading_impossible"):
            severity, message = "info", f"Group {g} reads {fault.value_v:.2f} V in {rows} {'row' if rows == 1 else 'rows'}: a stray reading, left out."
        out.append(Finding(fault.code, severity, message, evidence, group=g))
    return out
