"""Capacity and energy of each discharge found in a log, and whether it began full and ended empty."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from cycler.measures.bridging import bridge
from cycler.measures.counters import COUNTER_UNITS, Counter, Course, read_counter
from cycler.measures.integrate import (
    SECONDS_PER_HOUR,
    Switch,
    bridge_missing,
    crossing,
    cumulative,
    interval_charge_coulomb,
    interval_energy_joule,
    switch_share,
)
from cycler.pack import Pack
from cycler.signals import resolution_of, straight
from cycler.steps import Step, pack_voltage

REST_FULL_WINDOW_V = 0.05
"""How far below the charge voltage (per group) a rest may stand and still prove a full start. [V]
Common practice, no source; what it leaves open enters the budget as "full start"."""
REST_NOT_FULL_V = 0.10
"""Rest this far below the charge voltage (per group) disproves a full start. [V] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Discharge:
    """One discharge: the steps from the end of the last charge (or the log's start) to the last load step.

    Charge in Ah and energy in Wh are net of charge pulses inside it. ``slope_v_per_ah`` is the fall of the voltage that
    ended the test (pack or limiting group) per charge near the end, for the cut-off term of the budget.
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


@dataclass(frozen=True, slots=True, eq=False)
class Flow:
    """Charge and energy of the whole log: per interval and running sums; rest intervals count zero.

    ``charge_coulomb`` and ``energy_joule`` have shape (n - 1,), the running sums (n,). Rest is counted as zero because a
    resting pack carries no bench current: what the ammeter shows then is its zero error. ``bridged`` holds interval, charge and the half-width of
    what the counter leaves open [Ah], ``open_gaps`` interval, length [s] and why no counter bridges it.
    """

    charge_coulomb: np.ndarray
    energy_joule: np.ndarray
    running_ah: np.ndarray
    running_wh: np.ndarray
    switches: tuple[Switch, ...]
    bridged: tuple[tuple[int, float, float], ...]
    open_gaps: tuple[tuple[int, float, str], ...]
    counters: tuple[Counter, ...] = ()
    course: Course | None = None


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
    both_rest = (state[1:] == 0) & (state[:-1] == 0)
    charge[both_rest] = 0.0
    energy[both_rest] = 0.0
    gaps = [(int(np.searchsorted(log.time_s, gap.start_s + 0.5 * gap.duration_s)) - 1, gap) for gap in log.reading.gaps]
    gaps = [(k, gap) for k, gap in gaps if 0 <= k < charge.size]
    missing = np.zeros(charge.size, dtype=bool)
    missing[[k for k, _ in gaps]] = True
    course = Course(log.time_s, state, missing, log.step_number, log.cycle_number)
    logged_ah, logged_wh = charge / SECONDS_PER_HOUR, energy / SECONDS_PER_HOUR
    if counters is None:
        counters = _read_counters(log, logged_ah, logged_wh, course)
    bridged: list[tuple[int, float, float]] = []
    open_gaps: list[tuple[int, float, str]] = []
    largest_a, volts = (_largest(current), _range(voltage)) if gaps else (0.0, (0.0, 0.0))
    for k, gap in gaps:
        if both_rest[k]:
            continue
        # The length of a joint between files without a common clock says nothing.
        length_s = float(gap.duration_s) if gap.why == "no samples" else None
        by_counter = bridge(counters, k, logged_ah, logged_wh, course, length_s, largest_a, volts)
        if by_counter.charge_ah is not None:
            mean_v = 0.5 * (voltage[k] + voltage[k + 1])
            charge[k] = by_counter.charge_ah * SECONDS_PER_HOUR
            energy[k] = charge[k] * mean_v if by_counter.energy_wh is None else by_counter.energy_wh * SECONDS_PER_HOUR
            bridged.append((k, abs(by_counter.charge_ah), by_counter.half_width_ah))
        else:
            charge[k] = 0.0
            energy[k] = 0.0
            open_gaps.append((k, float(gap.duration_s), by_counter.reason))
    return Flow(
        charge, energy, cumulative(charge) / SECONDS_PER_HOUR, cumulative(energy) / SECONDS_PER_HOUR,
        switches, tuple(bridged), tuple(open_gaps), counters, course,
    )


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
    direction inside it belong to it. Across a gap after which the pack stands higher than before, or a new cycle begins,
    a charge went unlogged and the discharge ends.
    """
    stretches: list[list[Step]] = [[]]
    for step in steps:
        is_charge = step.direction > 0 and not step.kind.startswith("pulse")
        if is_charge or (stretches[-1] and _unlogged_charge(log, steps, step)):
            stretches.append([])
        if not is_charge:
            stretches[-1].append(step)
    found = []
    for stretch in stretches:
        loads = [step for step in stretch if step.direction < 0 and not step.kind.startswith("pulse")]
        if loads:
            found.append(_discharge(log, pack, steps, flow, stretch, loads))
    return tuple(found)


def _unlogged_charge(log: Log, steps: tuple[Step, ...], step: Step) -> bool:
    if step.index == 0:
        return False
    before = steps[step.index - 1]
    crossed = any(
        log.time_s[before.last] <= gap.start_s + 0.5 * gap.duration_s <= log.time_s[step.first] for gap in log.reading.gaps
    )
    if not crossed:
        return False
    if before.cycle is not None and step.cycle is not None and before.cycle != step.cycle:
        return True
    voltage = pack_voltage(log)
    v0, v1 = voltage[before.last], voltage[step.first]
    if not (np.isfinite(v0) and np.isfinite(v1)) or before.direction > 0:
        return False
    # Under one load before and after, voltage can only have fallen; otherwise it may have rebounded.
    same_load = before.direction < 0 and step.direction < 0 and abs(step.level_a - before.level_a) < 0.1 * abs(before.level_a)
    return bool(v1 > (1.003 if same_load else 1.05) * v0)


def _edge_load_ah(log: Log, intervals: list[int]) -> float | None:
    """What the load at both edges of bridged gaps would have taken had it run on, None where it differs at the two edges. [Ah]"""
    total = 0.0
    for k in intervals:
        i0, i1 = log.current_a[k], log.current_a[k + 1]
        if not abs(i1 - i0) < 0.1 * abs(i0):
            return None
        total += abs(0.5 * (i0 + i1)) * float(log.time_s[k + 1] - log.time_s[k]) / SECONDS_PER_HOUR
    return total if intervals else None


def _may_hide_charge(log: Log, k: int) -> bool:
    """True unless the samples on both sides of a gap carry the same load and the voltage did not rise across it."""
    voltage, current = pack_voltage(log), log.current_a
    around = voltage[[k, k + 1]], current[[k, k + 1]]
    if not np.all(np.isfinite(around)):
        return True
    same_load = current[k] < 0 and current[k + 1] < 0 and abs(current[k + 1] - current[k]) < 0.1 * abs(current[k])
    return not (same_load and voltage[k + 1] <= 1.001 * voltage[k])


def _discharge(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, stretch: list[Step], loads: list[Step]
) -> Discharge:
    final = loads[-1]
    inside = [step for step in stretch if step.index <= final.index]
    begin = inside[0].first
    end_k, end_s, limiting_group, u_end_s = _end_point(log, pack, final)
    beyond_s = max(end_s - float(log.time_s[final.last]), 0.0)
    level = float(np.nanmedian(log.current_a[final.slice][-5:]))
    first_active = next(step for step in inside if step.direction)
    active = [step for step in inside if step.direction]
    origin = max(first_active.first - 1, begin)
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
    if beyond_s:
        switch_terms = (*switch_terms, abs(level) * u_end_s)
    # What a counter's resolution and the instants of its renewal leave open at the edges of a gap (rectangular).
    switch_terms = (*switch_terms, *(half / np.sqrt(3.0) * SECONDS_PER_HOUR for k, _, half in flow.bridged if origin <= k < end_k))
    full, evidence, short = _started_full(log, pack, steps, inside)
    slope = _end_slope(log, final, flow, end_k, limiting_group)
    window = slice(first_active.first, max(end_k, first_active.first) + 1)
    temperature = log.temperature_c[window]
    mean_temperature = float(np.nanmean(temperature)) if np.any(np.isfinite(temperature)) else None
    current = log.current_a[final.slice]
    loaded = [log.current_a[s.slice] for s in loads]
    all_loaded = np.concatenate(loaded)
    spans = np.diff(log.time_s[window])
    open_gaps = [(k, d, why) for k, d, why in flow.open_gaps if origin <= k < end_k]
    gap_s = sum(d for _, d, _ in open_gaps)
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
        energy_wh=-(at_end_wh - float(flow.running_wh[origin])),
        active_s=active_s,
        end_reason=final.end_reason,
        started_full=full,
        start_evidence=evidence,
        start_short_v=short,
        start_slope_v_per_ah=_start_slope(log, first_active, flow, final),
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
        gap_may_hide_charge=any(_may_hide_charge(log, k) for k, _, _ in open_gaps),
        unbridged_why="; ".join(dict.fromkeys(why for _, _, why in open_gaps)),
        edge_load_ah=_edge_load_ah(log, [k for k, _, _ in bridges]),
    )


def _end_point(log: Log, pack: Pack, final: Step) -> tuple[int, float, int | None, float]:
    """Index of the first sample at or after the end, time of the end, the group that set it (1.., or None), and the standard
    uncertainty of that time where the load went off between the last loaded row and the next. [s]"""
    time = log.time_s[final.slice]
    if final.end_reason == "pack_cutoff" and pack.cutoff_voltage_v is not None:
        voltage, limit, group = pack_voltage(log)[final.slice], pack.cutoff_voltage_v, None
    elif final.end_reason == "group_cutoff" and pack.group_cutoff_voltage_v is not None:
        groups = log.group_voltage_v[final.slice]
        rows = groups[np.all(np.isfinite(groups), axis=1)]
        weakest = int(np.argmin(rows[-1])) if rows.size else 0
        voltage, limit, group = groups[:, weakest], pack.group_cutoff_voltage_v, weakest + 1
    else:
        return final.last, float(time[-1]), None, 0.0
    found = crossing(time, voltage, limit)
    if found:
        return final.first + found[0], found[1], group, 0.0
    good = np.isfinite(voltage)
    t, v = time[good][-4:], voltage[good][-4:]
    if final.last + 1 >= log.rows or t.size < 3 or v[-1] >= v[0]:
        return final.last, float(time[-1]), group, 0.0
    # The limit was met after the last loaded row: along the last fall, before the next row, the knee making it sooner.
    room = float(log.time_s[final.last + 1] - t[-1])
    fall = max(-float(straight(t, v)[0]), float(v[-2] - v[-1]) / max(float(t[-1] - t[-2]), 1e-9))
    ahead = min(0.8 * (v[-1] - limit) / fall, room) if fall > 0 else 0.0
    ahead = max(float(ahead), 0.0)
    return final.last, float(t[-1]) + ahead, group, 0.3 * ahead


def _end_slope(log: Log, final: Step, flow: Flow, end_k: int, group: int | None) -> float | None:
    """Fall of the deciding voltage per charge over the last 1 % of the step (at least 4 samples). [V/Ah]"""
    voltage = log.group_voltage_v[:, group - 1] if group else pack_voltage(log)
    moved = np.abs(flow.running_ah[final.first : end_k + 1] - flow.running_ah[end_k])
    if moved.size < 4 or moved[0] <= 0:
        return None
    use = np.flatnonzero(moved <= max(0.01 * moved[0], np.sort(moved)[3]))
    x, y = moved[use], voltage[final.first : end_k + 1][use]
    good = np.isfinite(y)
    if np.count_nonzero(good) < 3 or np.ptp(x[good]) <= 0:
        return None
    return float(abs(straight(x[good], y[good])[0]))


def _start_slope(log: Log, first_active: Step, flow: Flow, final: Step) -> float | None:
    """Fall of pack voltage per charge between 5 % and 15 % of the discharge, past the first transient. [V/Ah]"""
    moved = np.abs(flow.running_ah - flow.running_ah[first_active.first])
    total = moved[final.last]
    use = np.zeros(log.rows, dtype=bool)
    use[first_active.first : final.last + 1] = True
    use &= (moved > 0.05 * total) & (moved < 0.15 * total)
    voltage = pack_voltage(log)
    use &= np.isfinite(voltage)
    if np.count_nonzero(use) < 3:
        return None
    return float(abs(straight(moved[use], voltage[use])[0]))


def _started_full(
    log: Log, pack: Pack, steps: tuple[Step, ...], inside: list[Step]
) -> tuple[bool | None, str, float | None]:
    """Whether the pack was full when the discharge began, on which evidence, and how far rest stood below full. [V]

    Proof is a charge in the log that ended at its taper current, or else a rest within ``REST_FULL_WINDOW_V`` of the
    charge voltage per group.
    """
    begin = inside[0]
    previous = steps[begin.index - 1] if begin.index > 0 else None
    if previous is not None and previous.direction > 0 and not previous.kind.startswith("pulse"):
        if previous.end_reason == "charge_taper":
            return True, "cv_taper", None
        return False, "charge_stopped_before_taper", None
    full = pack.charge_voltage_v
    series = pack.series or log.series or 1
    if full is None:
        return None, "charge_voltage_unknown", None
    if begin.kind != "rest":
        return None, "no_rest_before_load", None
    voltage = pack_voltage(log)[begin.slice]
    if not np.any(np.isfinite(voltage)):
        return None, "no_pack_voltage", None
    rest_v = float(np.nanmedian(voltage[-3:]))
    short = (full - rest_v) / series
    if short <= REST_FULL_WINDOW_V:
        return True, "rest_voltage", max(short, 0.0) * series
    # A full lfp (or nimh) cell settles a quarter of a volt below its charge voltage: there a rest disproves nothing.
    if short > REST_NOT_FULL_V and pack.chemistry not in ("lfp", "nimh"):
        return False, "rest_voltage_below_full", short * series
    return None, "rest_voltage_inconclusive", short * series


@dataclass(frozen=True, slots=True)
class ChargeRun:
    """One charge: its steps, what went in, how it ended. [Ah, Wh]"""

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
        out.append(
            ChargeRun(
                tuple(s.index for s in run), float(log.time_s[origin]), float(log.time_s[last]),
                float(flow.running_ah[last] - flow.running_ah[origin]),
                float(flow.running_wh[last] - flow.running_wh[origin]), run[-1].end_reason,
            )
        )
    return tuple(out)
