"""Capacity and energy of each discharge found in a log, and whether it began full and ended empty."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from cycler.measures.bridging import bridge
from cycler.measures.counters import COUNTER_UNITS, Counter, Course, read_counter
from cycler.measures.fullness import started_full
from cycler.measures.integrate import (
    SECONDS_PER_HOUR,
    Switch,
    bridge_missing,
    crossing,
    cumulative,
    interval_charge_coulomb,
    interval_energy_joule,
    missing_runs,
    switch_share,
)
from cycler.pack import Pack
from cycler.signals import (
    GAP_MIN_S,
    Unread,
    current_scale,
    length_known,
    noise_of,
    resolution_of,
    straight,
    unread_stretches,
)
from cycler.steps import PULSE_MAX_S, Step, alike_rows, load_runs, pack_voltage

BRIDGED_SHARE = 0.02
"""What a straight line over missing readings of a steady current may be off by, as a share of it. Common practice, no source."""
BESIDE = 10
"""How many readings on either side of missing ones show how steady the current was."""

TOP_SHARES = (0.03, 0.08)
"""Shares of the discharge between which its curve tells how the open-circuit voltage falls from full. Common practice, no source.

Nearer to full the polarisation still grows and makes the curve look steeper than it is: between 1.5 % and 6 % the charge per volt came out a
quarter too small in invented packs with one weak group at 0.3 to 0.8 It, between 3 % and 8 % within a few percent."""
ZERO_SHARE = 0.15
"""A steady current below this share of the largest that comes back around charge and load may be the zero of the ammeter. Common
practice, no source."""
CUTOFF_STAYS = 3
"""Readings in a row that a cut-off is met with: a single stray one ends no discharge. Common practice, no source."""
RESTARTS_MAX = 3
"""A clock that starts again more often within one discharge jitters; steps of a program are fewer. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Discharge:
    """One discharge: the steps from the end of the last charge (or the log's start) to the last load step.

    ``net_ah``, the measurand: charge drawn at the terminals from load on to ``end_s``, out of the state in which the charger (or the start of the log) left
    the pack. Load on (``load_on_s``) is the row before the first load or pulse; pulses and lesser loads before the main one count, rests count as zero, so
    that what the pack loses by itself before and between loads is not in it. ``end_s`` is where the voltage crosses the cut-off (pack, or the group that
    ended the test) on a straight line between two rows, or along its last fall where the load went off before the next row; without a cut-off reached,
    the last row under load that has a voltage. Unbridged gaps count as zero (``unbridged_gap_s``).

    Charge in Ah and energy in Wh are net of charge pulses inside it. ``slope_v_per_ah`` is the fall of the voltage that
    ended the test (pack or limiting group) per charge near the end, for the cut-off term of the budget. ``missing_s`` is the time over which
    a straight line stands for missing readings of the current, ``missing_half_ah`` the half-width of what it leaves open, ``voltage_open_wh`` the same for
    missing readings of the voltage; ``energy_wh`` is NaN where the voltage under load is not known at all. ``zero_doubt_a`` and ``clock_in_doubt``:
    see the functions of like names.
    """

    steps: tuple[int, ...]
    main_step: int
    cycle: int | None
    start_s: float
    load_on_s: float
    end_s: float
    net_ah: float
    discharged_ah: float
    recharged_ah: float
    energy_wh: float
    active_s: float
    end_reason: str
    started_full: bool | None
    start_evidence: str
    start_short_v: float | None
    start_slope_v_per_ah: float | None
    slope_v_per_ah: float | None
    limiting_end_group: int | None
    switch_terms_as: tuple[float, ...]
    resolution_a: float
    noise_a: float
    sampling_s: float
    mean_temperature_c: float | None
    bridged_ah: float
    unbridged_gap_s: float
    mean_current_a: float
    gap_may_hide_charge: bool = False
    unbridged_why: str = ""
    edge_load_ah: float | None = None
    gap_length_known: bool = True
    missing_s: float = 0.0
    missing_half_ah: float = 0.0
    voltage_open_wh: float = 0.0
    zero_doubt_a: float = 0.0
    clock_in_doubt: bool = False
    top_slope_v_per_ah: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Flow:
    """Charge and energy of the whole log: per interval and running sums; rest intervals count zero.

    ``charge_coulomb`` and ``energy_joule`` have shape (n - 1,), the running sums (n,). Rest is counted as zero because a
    resting pack carries no bench current: what the ammeter shows then is its zero error. ``bridged`` holds interval, charge and the half-width of
    what the counter leaves open [Ah], ``open_gaps`` interval, length [s], why no counter bridges it and whether that length is known. A gap of
    several rows counts in its last interval. ``missing`` holds the last reading before and the first after each shorter run of missing
    currents and the half-width of what the line between them leaves open [Ah].
    """

    charge_coulomb: np.ndarray
    energy_joule: np.ndarray
    running_ah: np.ndarray
    running_wh: np.ndarray
    switches: tuple[Switch, ...]
    bridged: tuple[tuple[int, float, float], ...]
    open_gaps: tuple[tuple[int, float, str, bool], ...]
    counters: tuple[Counter, ...] = ()
    course: Course | None = None
    missing: tuple[tuple[int, int, float], ...] = ()


def find_switches(log: Log, steps: tuple[Step, ...]) -> tuple[Switch, ...]:
    """The interval across each step boundary where current jumps, with the share that ran at the new level."""
    found = []
    for before, after in itertools.pairwise(steps):
        k = after.first - 1
        if k < 0 or not np.isfinite(log.current_a[k]):
            continue
        old, new = log.current_a[k], log.current_a[after.first]
        if abs(new - old) < 0.1 * max(abs(before.level_a), abs(after.level_a), 1e-12):
            continue
        share, u_share, evidence = switch_share(log.time_s, k, log.step_time_s)
        found.append(Switch(k, share, u_share, evidence))
    return tuple(found)


def charge_flow(
    log: Log, steps: tuple[Step, ...], switches: tuple[Switch, ...], counters: tuple[Counter, ...] | None = None
) -> Flow:
    """Running charge and energy of a log; gaps bridged by the instrument's own counters where it has them.

    ``counters`` are those of another flow of the same log, to spare reading them again.
    """
    voltage = bridge_missing(log.time_s, pack_voltage(log))
    current = bridge_missing(log.time_s, log.current_a)
    charge = interval_charge_coulomb(log.time_s, current, switches)
    energy = interval_energy_joule(log.time_s, voltage, current, switches)
    state = np.zeros(log.rows, dtype=np.int8)
    for step in steps:
        state[step.slice] = step.direction
    # A row without a current belongs to the state before it; its intervals rest if the readings on both sides do.
    before, after = _readings_around(np.isfinite(log.current_a))
    padded = np.concatenate((state, np.zeros(1, dtype=np.int8)))
    state = padded[before]
    both_rest = (padded[after[1:]] == 0) & (state[:-1] == 0)
    charge[both_rest] = 0.0
    energy[both_rest] = 0.0
    gaps = unread_stretches(log)
    missing = np.zeros(charge.size, dtype=bool)
    for gap in gaps:
        missing[gap.before : gap.after] = True
    course = Course(log.time_s, state, missing, log.step_number, log.cycle_number)
    logged_ah, logged_wh = charge / SECONDS_PER_HOUR, energy / SECONDS_PER_HOUR
    if counters is None:
        counters = _read_counters(log, logged_ah, logged_wh, course)
    bridged: list[tuple[int, float, float]] = []
    open_gaps: list[tuple[int, float, str, bool]] = []
    largest_a, volts = (_largest(current), _range(voltage)) if gaps else (0.0, (0.0, 0.0))
    for gap in gaps:
        k = gap.after - 1
        if both_rest[k]:
            continue
        by_counter = bridge(counters, gap.before, logged_ah, logged_wh, course, gap.length_s, largest_a, volts, gap.after)
        rows = slice(gap.before, gap.after + 1)
        charge[gap.before : gap.after] = 0.0
        energy[gap.before : gap.after] = 0.0
        if by_counter.charge_ah is not None:
            span = float(np.ptp(log.time_s[rows]))
            area = np.sum(0.5 * (voltage[rows][1:] + voltage[rows][:-1]) * np.diff(log.time_s[rows]))
            mean_v = area / span if span > 0 else 0.5 * (voltage[gap.before] + voltage[gap.after])
            charge[k] = by_counter.charge_ah * SECONDS_PER_HOUR
            energy[k] = charge[k] * mean_v if by_counter.energy_wh is None else by_counter.energy_wh * SECONDS_PER_HOUR
            bridged.append((k, abs(by_counter.charge_ah), by_counter.half_width_ah))
        else:
            span = gap.length_s if gap.length_s is not None else float(log.time_s[gap.after] - log.time_s[gap.before])
            open_gaps.append((k, span, by_counter.reason, gap.length_s is not None))
    return Flow(
        charge, energy, cumulative(charge) / SECONDS_PER_HOUR, cumulative(energy) / SECONDS_PER_HOUR,
        switches, tuple(bridged), tuple(open_gaps), counters, course, _lines(log, steps, state, gaps),
    )


def _readings_around(known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Last row with a reading up to each row (-1 if none) and first from it on (n if none). Shapes (n,)."""
    rows = np.arange(known.size)
    if known.all():
        return rows, rows
    before = np.maximum.accumulate(np.where(known, rows, -1))
    after = np.minimum.accumulate(np.where(known, rows, known.size)[::-1])[::-1]
    return before, after


def _lines(log: Log, steps: tuple[Step, ...], state: np.ndarray, gaps: tuple[Unread, ...]) -> tuple[tuple[int, int, float], ...]:
    """Runs of missing currents that a straight line stands for, each with the half-width of what it leaves open. [Ah]

    The half-width is half the span of the readings beside the run (``BESIDE`` on either side, in the steps at its edges), at least
    ``BRIDGED_SHARE`` of the current, over the time of the run.
    """
    found = []
    left_out = {gap.before for gap in gaps}
    starts = np.array([step.first for step in steps])
    for a, b in zip(*missing_runs(log.time_s, log.current_a), strict=True):
        if a in left_out or not (state[a] or state[b]):
            continue
        own, other = (steps[max(int(np.searchsorted(starts, row, "right")) - 1, 0)] for row in (a, b))
        beside = np.concatenate((log.current_a[max(own.first, a - BESIDE) : a + 1], log.current_a[b : min(other.last, b + BESIDE) + 1]))
        beside = beside[np.isfinite(beside)]
        half_a = max(0.5 * float(np.ptp(beside)), BRIDGED_SHARE * abs(float(np.mean(beside))))
        found.append((int(a), int(b), half_a * float(log.time_s[b] - log.time_s[a]) / SECONDS_PER_HOUR))
    return tuple(found)


def _read_counters(log: Log, charge_ah: np.ndarray, energy_wh: np.ndarray, course: Course) -> tuple[Counter, ...]:
    flows = {"Ah": charge_ah, "Wh": energy_wh}
    found = (read_counter(name, log.counters[name], flows[unit], course) for name, unit in COUNTER_UNITS.items() if name in log.counters)
    return tuple(counter for counter in found if counter is not None)


def _largest(values: np.ndarray) -> float:
    return float(np.max(np.abs(values[np.isfinite(values)]), initial=0.0))


def _range(values: np.ndarray) -> tuple[float, float]:
    finite = values[np.isfinite(values)]
    return (float(np.min(finite)), float(np.max(finite))) if finite.size else (0.0, 0.0)


def find_discharges(log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow) -> tuple[Discharge, ...]:
    """Every discharge of a log in time order, complete or not.

    A discharge runs from the end of the last charge to the last load step before the next charge; pulses of either
    direction inside it belong to it, and pulses that follow each other as one load (``steps.load_runs``) are one. Across a gap after which the pack stands higher than before, or a new cycle begins,
    a charge went unlogged and the discharge ends.
    """
    stretches: list[list[Step]] = [[]]
    gaps = {gap.after - 1: gap for gap in unread_stretches(log)}
    for step in steps:
        is_charge = step.direction > 0 and not step.kind.startswith("pulse")
        if is_charge or (stretches[-1] and step.first - 1 in gaps and _unlogged_charge(log, steps, step)):
            stretches.append([])
        if not is_charge:
            stretches[-1].append(step)
    found = []
    zero_doubt_a = doubtful_zero_a(log, steps)
    runs = load_runs(log, steps)
    for stretch in stretches:
        if loads := _loads(stretch, runs):
            found.append(_discharge(log, pack, steps, flow, stretch, loads, gaps, zero_doubt_a))
    return tuple(found)


def _loads(stretch: list[Step], runs: tuple[tuple[Step, ...], ...]) -> list[Step]:
    """The loads of a stretch that are no single pulses; pulses of a run count where no longer load came to its cut-off."""
    loads = [step for step in stretch if step.direction < 0 and not step.kind.startswith("pulse")]
    if loads and loads[-1].end_reason in ("pack_cutoff", "group_cutoff", "protection_trip"):
        return loads
    own = {step.index for step in stretch}
    in_runs = [step for run in runs for step in run if step.index in own]
    return sorted({step.index: step for step in (*loads, *in_runs)}.values(), key=lambda step: step.index)


def _unlogged_charge(log: Log, steps: tuple[Step, ...], step: Step) -> bool:
    if step.index == 0:
        return False
    before = steps[step.index - 1]
    if before.cycle is not None and step.cycle is not None and before.cycle != step.cycle:
        return True
    voltage = pack_voltage(log)
    v0, v1 = voltage[before.last], voltage[step.first]
    if not (np.isfinite(v0) and np.isfinite(v1)) or before.direction > 0:
        return False
    # Under one load before and after, voltage can only have fallen; otherwise it may have rebounded.
    same_load = before.direction < 0 and step.direction < 0 and abs(step.level_a - before.level_a) < 0.1 * abs(before.level_a)
    return bool(v1 > (1.003 if same_load else 1.05) * v0)


def doubtful_zero_a(log: Log, steps: tuple[Step, ...]) -> float:
    """Size of a small steady current that may be the ammeter's zero, 0 where nothing speaks for it. [A]

    It stands, at one level, in two or more steps with another current between them, as rests do around charge and load, and the log shows no
    steady rest longer than a pulse.
    """
    scale = current_scale(log.current_a, pack_voltage(log))
    small: list[tuple[int, float]] = []
    for step in steps:
        current = log.current_a[step.slice]
        current = current[np.isfinite(current)]
        if log.time_s[step.last] - log.time_s[step.first] <= PULSE_MAX_S or current.size < 6:
            continue
        third = current.size // 3
        steady = abs(float(np.median(current[:third]) - np.median(current[-third:]))) <= max(2.0 * noise_of(current), 1.1 * resolution_of(log.current_a))
        if step.kind == "rest" and steady:
            return 0.0
        if step.direction and steady and abs(step.level_a) <= ZERO_SHARE * scale.largest_a:
            small.append((step.index, step.level_a))
    room = max(6.0 * scale.noise_a, 2.1 * scale.resolution_a)
    again = [
        abs(level) for index, level in small if any(abs(index - other) > 1 and abs(level - at) <= room for other, at in small)
    ]
    return max(again, default=0.0)


def clock_in_doubt(log: Log, gaps: list[Unread]) -> bool:
    """Whether the clock started again in ``gaps`` so that the time of the rows between cannot be trusted: often, or with rows out of order too."""
    restarts = sum(not length_known(gap.why) and gap.why.startswith("the clock") for gap in gaps)
    disorder = any(warning.code == "clock_disorder" for warning in log.reading.warnings)
    return restarts > (0 if disorder else RESTARTS_MAX)


def _edge_load_ah(log: Log, gaps: list[Unread]) -> float | None:
    """What the load at both edges of bridged gaps would have taken had it run on, None where it differs at the two edges or a length is not
    known. [Ah]"""
    total = 0.0
    for gap in gaps:
        i0, i1 = log.current_a[gap.before], log.current_a[gap.after]
        if gap.length_s is None or not abs(i1 - i0) < 0.1 * abs(i0):
            return None
        total += abs(0.5 * (i0 + i1)) * gap.length_s / SECONDS_PER_HOUR
    return total if gaps else None


def _may_hide_charge(log: Log, gap: Unread) -> bool:
    """True unless the samples on both sides of a gap carry the same load and the voltage did not rise across it."""
    v0, v1 = pack_voltage(log)[[gap.before, gap.after]]
    i0, i1 = log.current_a[[gap.before, gap.after]]
    if not np.all(np.isfinite((v0, v1, i0, i1))):
        return True
    same_load = i0 < 0 and i1 < 0 and abs(i1 - i0) < 0.1 * abs(i0)
    return not (same_load and v1 <= 1.001 * v0)


def _voltage_open_wh(log: Log, flow: Flow, origin: int, end_k: int) -> float:
    """Half-width of the energy that missing readings of the voltage leave open: half the change across each run times its charge. [Wh]"""
    voltage = pack_voltage(log)
    total = 0.0
    for a, b in zip(*missing_runs(log.time_s, voltage), strict=True):
        if a < end_k and b > origin:
            rows = slice(max(a, origin), min(b, end_k))
            total += 0.5 * abs(float(voltage[b] - voltage[a])) * abs(float(np.nansum(flow.charge_coulomb[rows]))) / SECONDS_PER_HOUR
    return total


def _discharge(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, stretch: list[Step], loads: list[Step], gaps: dict[int, Unread],
    zero_doubt_a: float,
) -> Discharge:
    final = loads[-1]
    inside = [step for step in stretch if step.index <= final.index]
    begin = inside[0].first
    end_k, end_s, limiting_group, u_end_s = _end_point(log, pack, final, loads[0].first)
    beyond_s = max(end_s - float(log.time_s[final.last]), 0.0)
    level = float(np.nanmedian(log.current_a[final.slice][-5:]))
    first_active = next(step for step in inside if step.direction)
    active = [step for step in inside if step.direction]
    origin = max(first_active.first - 1, begin)
    if begin - 1 in gaps and gaps[begin - 1].seen:
        # The load may have come on while rows were written without a current.
        origin = begin - 1
    # Past the last loaded row current and voltage are taken as they were there.
    inside_s = end_s - beyond_s
    end_v = float(pack_voltage(log)[final.last])
    extra_ah = level * beyond_s / SECONDS_PER_HOUR
    at_end_ah = float(np.interp(inside_s, log.time_s, flow.running_ah)) + extra_ah
    at_end_wh = float(np.interp(inside_s, log.time_s, flow.running_wh)) + (extra_ah * end_v if np.isfinite(end_v) else 0.0)
    net = -(at_end_ah - flow.running_ah[origin])
    charge = flow.charge_coulomb[origin:end_k]
    recharged = float(np.sum(charge[charge > 0])) / SECONDS_PER_HOUR
    active_s = beyond_s + float(sum(min(log.time_s[s.last], end_s) - log.time_s[max(s.first - 1, 0)] for s in active))
    main = max(loads, key=lambda s: abs(flow.running_ah[s.last] - flow.running_ah[s.first]))
    switch_terms = tuple(
        abs(log.current_a[s.k + 1] - log.current_a[s.k]) * (log.time_s[s.k + 1] - log.time_s[s.k]) * s.u_new_share
        for s in flow.switches
        if origin <= s.k < end_k
    )
    if u_end_s:
        switch_terms = (*switch_terms, abs(level) * u_end_s)
    # What a counter's resolution and the instants of its renewal leave open at the edges of a gap (rectangular).
    switch_terms = (*switch_terms, *(half / np.sqrt(3.0) * SECONDS_PER_HOUR for k, _, half in flow.bridged if origin <= k < end_k))
    full, evidence, short = started_full(log, pack, steps, inside)
    slope = end_slope(log, alike_rows(log, final, loads[0].first), flow, end_k, limiting_group)
    window = slice(first_active.first, max(end_k, first_active.first) + 1)
    temperature = log.temperature_c[window]
    mean_temperature = float(np.nanmean(temperature)) if np.any(np.isfinite(temperature)) else None
    current = log.current_a[final.slice]
    loaded = [log.current_a[s.slice] for s in loads]
    all_loaded = np.concatenate(loaded)
    spans = np.diff(log.time_s[window])
    open_gaps = [gap for gap in flow.open_gaps if origin <= gap[0] < end_k]
    gap_s = sum(d for _, d, _, _ in open_gaps)
    lines = [(a, b, half) for a, b, half in flow.missing if a < end_k and b > origin]
    blind = np.isnan(flow.energy_joule[origin:end_k]) & (charge != 0)
    bridges = [(k, q, half) for k, q, half in flow.bridged if origin <= k < end_k]
    bridged = sum(q for _, q, _ in bridges)
    return Discharge(
        steps=tuple(s.index for s in inside if s.direction),
        main_step=main.index,
        cycle=final.cycle,
        start_s=float(log.time_s[begin]),
        load_on_s=float(log.time_s[origin]),
        end_s=end_s,
        net_ah=float(net),
        discharged_ah=float(net + recharged),
        recharged_ah=recharged,
        energy_wh=float("nan") if np.any(blind) else -(at_end_wh - float(flow.running_wh[origin])),
        active_s=active_s,
        end_reason=final.end_reason,
        started_full=full,
        start_evidence=evidence,
        start_short_v=short,
        start_slope_v_per_ah=_start_slope(log, first_active, flow, final, (0.05, 0.15)),
        top_slope_v_per_ah=_start_slope(log, first_active, flow, final, TOP_SHARES),
        slope_v_per_ah=slope,
        limiting_end_group=limiting_group,
        switch_terms_as=switch_terms,
        resolution_a=resolution_of(log.current_a),
        noise_a=float(np.std(np.diff(current[np.isfinite(current)])) / np.sqrt(2)) if current.size > 3 else 0.0,
        sampling_s=float(np.median(spans)) if spans.size else 0.0,
        mean_temperature_c=mean_temperature,
        bridged_ah=float(bridged),
        unbridged_gap_s=float(gap_s),
        mean_current_a=float(np.nanmean(all_loaded)),
        gap_may_hide_charge=any(_may_hide_charge(log, gaps[gap[0]]) for gap in open_gaps),
        unbridged_why="; ".join(dict.fromkeys(why for _, _, why, _ in open_gaps)),
        edge_load_ah=_edge_load_ah(log, [gaps[k] for k, _, _ in bridges]),
        gap_length_known=all(known for *_, known in open_gaps),
        missing_s=float(sum(log.time_s[b] - log.time_s[a] for a, b, _ in lines)),
        missing_half_ah=float(sum(half for *_, half in lines)),
        voltage_open_wh=_voltage_open_wh(log, flow, origin, end_k),
        zero_doubt_a=zero_doubt_a,
        clock_in_doubt=clock_in_doubt(log, [gap for k, gap in gaps.items() if origin <= k < end_k]),
    )


def _end_point(log: Log, pack: Pack, final: Step, first: int) -> tuple[int, float, int | None, float]:
    """Index of the first sample at or after the end, time of the end, the group that set it (1.., or None), and the standard
    uncertainty of that time where the load went off between the last loaded row and the next or readings are missing at the crossing. [s]"""
    time = log.time_s[final.slice]
    if final.end_reason == "pack_cutoff" and pack.cutoff_voltage_v is not None:
        voltage, limit, group = pack_voltage(log)[final.slice], pack.cutoff_voltage_v, None
    elif final.end_reason == "group_cutoff" and pack.group_cutoff_voltage_v is not None:
        groups = log.group_voltage_v[final.slice]
        rows = groups[np.all(np.isfinite(groups), axis=1)]
        weakest = int(np.argmin(rows[-1])) if rows.size else 0
        voltage, limit, group = groups[:, weakest], pack.group_cutoff_voltage_v, weakest + 1
    else:
        # Past the last voltage nothing shows whether the pack was taken below its cut-off.
        seen = np.flatnonzero(np.isfinite(pack_voltage(log)[final.slice]))
        if seen.size and time[-1] - time[seen[-1]] > GAP_MIN_S:
            return final.first + int(seen[-1]), float(time[seen[-1]]), None, 0.0
        return final.last, float(time[-1]), None, 0.0
    found = crossing(time, voltage, limit, CUTOFF_STAYS)
    if found:
        k = found[0]
        j = int(np.max(np.flatnonzero(np.isfinite(voltage[:k])), initial=-1))
        # Without the readings between, the limit was met anywhere between the two (rectangular).
        u_end_s = float(time[k] - time[j]) / np.sqrt(12.0) if 0 <= j < k - 1 else 0.0
        return final.first + k, found[1], group, u_end_s
    rows = alike_rows(log, final, first)
    channel = pack_voltage(log) if group is None else log.group_voltage_v[:, group - 1]
    rows = rows[np.isfinite(channel[rows])][-4:]
    t, v = log.time_s[rows], channel[rows]
    if final.last + 1 >= log.rows or t.size < 3 or v[-1] >= v[0]:
        return final.last, float(time[-1]), group, 0.0
    # The limit was met after the last loaded row: along the last fall, before the next row, the knee making it sooner.
    room = float(log.time_s[final.last + 1] - t[-1])
    fall = max(-float(straight(t, v)[0]), float(v[-2] - v[-1]) / max(float(t[-1] - t[-2]), 1e-9))
    ahead = min(0.8 * (v[-1] - limit) / fall, room) if fall > 0 else 0.0
    ahead = max(float(ahead), 0.0)
    return final.last, float(t[-1]) + ahead, group, 0.3 * ahead


def end_slope(log: Log, rows: np.ndarray, flow: Flow, end_k: int, group: int | None) -> float | None:
    """Fall of the deciding voltage per charge over the last 1 % of the load in those rows (at least 4 samples). [V/Ah]"""
    voltage = log.group_voltage_v[:, group - 1] if group else pack_voltage(log)
    rows = rows[rows <= end_k]
    moved = np.abs(flow.running_ah[rows] - flow.running_ah[end_k])
    if moved.size < 4 or moved[0] <= 0:
        return None
    use = np.flatnonzero(moved <= max(0.01 * moved[0], np.sort(moved)[3]))
    x, y = moved[use], voltage[rows][use]
    good = np.isfinite(y)
    if np.count_nonzero(good) < 3 or np.ptp(x[good]) <= 0:
        return None
    return float(abs(straight(x[good], y[good])[0]))


def _start_slope(log: Log, first_active: Step, flow: Flow, final: Step, shares: tuple[float, float]) -> float | None:
    """Fall of pack voltage per charge between two shares of the discharge, past the first transient. [V/Ah]"""
    moved = np.abs(flow.running_ah - flow.running_ah[first_active.first])
    total = moved[final.last]
    use = np.zeros(log.rows, dtype=bool)
    use[first_active.first : final.last + 1] = True
    use &= (moved > shares[0] * total) & (moved < shares[1] * total)
    voltage = pack_voltage(log)
    use &= np.isfinite(voltage)
    if np.count_nonzero(use) < 3:
        return None
    return float(abs(straight(moved[use], voltage[use])[0]))


@dataclass(frozen=True, slots=True)
class ChargeRun:
    """One charge: its steps, what went in, how it ended. [Ah, Wh] 0 Ah and 0 Wh: a gap in it that nothing bridges, so no efficiency can rest on it."""

    steps: tuple[int, ...]
    start_s: float
    end_s: float
    charge_ah: float
    energy_wh: float
    end_reason: str


def find_charges(log: Log, steps: tuple[Step, ...], flow: Flow) -> tuple[ChargeRun, ...]:
    """Every charge of a log in time order (pulses left out; pauses inside it belong to it)."""
    runs: list[list[Step]] = []
    open_run: list[Step] = []
    for step in steps:
        if step.direction > 0 and not step.kind.startswith("pulse"):
            if open_run and any(s.direction < 0 for s in steps[open_run[-1].index : step.index]):
                runs.append(open_run)
                open_run = []
            open_run.append(step)
        elif step.direction < 0 and not step.kind.startswith("pulse") and open_run:
            runs.append(open_run)
            open_run = []
    if open_run:
        runs.append(open_run)
    out = []
    for run in runs:
        origin = max(run[0].first - 1, 0)
        last = run[-1].last
        whole = not any(origin <= k < last for k, *_ in flow.open_gaps)
        out.append(
            ChargeRun(
                tuple(s.index for s in run), float(log.time_s[origin]), float(log.time_s[last]),
                float(flow.running_ah[last] - flow.running_ah[origin]) if whole else 0.0,
                float(flow.running_wh[last] - flow.running_wh[origin]) if whole else 0.0, run[-1].end_reason,
            )
        )
    return tuple(out)
