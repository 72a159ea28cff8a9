"""Cut a log into steps: rest, charge, discharge and pulses, each with the reason for its end.

Method, in words. Current is split into rest, charge and discharge by a threshold around its own zero; level jumps
inside a stretch of one direction split it further; a jump counts when it stands out of the noise *and* out of the
changes around it, so that ripple and the slow fall of a taper are no edges. A change of the instrument's own step
number or mode word is a boundary too, and is dropped again when current goes on as before. What each stretch holds
constant (current, voltage, power, resistance) is told by the robust spread of each.
Sources: the words CC and CV are those of the charging standards; the thresholds are common practice, no source.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from cycler.signals import CurrentScale, current_scale, noise_of, resolution_of, straight, unread_stretches

PULSE_MAX_S = 60.0
"""Longest active step that is called a pulse. [s] Common practice, no source."""
FLAT_SHARE = 0.015
"""Robust relative spread up to which a quantity counts as held constant. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stretch of the test. ``first`` and ``last`` are sample indices into the log, both inside the step."""

    index: int
    kind: str
    first: int
    last: int
    level_a: float
    cycle: int | None = None
    end_reason: str = "set_by_program"

    @property
    def direction(self) -> int:
        """+1 charge, -1 discharge, 0 rest."""
        return direction_of(self.kind)

    @property
    def slice(self) -> slice:
        """Samples of the step."""
        return slice(self.first, self.last + 1)


def direction_of(kind: str) -> int:
    """+1 for kinds that charge, -1 for kinds that discharge, 0 for rest."""
    if kind == "rest":
        return 0
    return -1 if "discharge" in kind else 1


def _runs(labels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and last index of each run of equal labels."""
    change = np.flatnonzero(np.diff(labels) != 0) + 1
    first = np.concatenate(([0], change))
    last = np.concatenate((change - 1, [labels.size - 1]))
    return first, last


def _states(current: np.ndarray, scale: CurrentScale) -> np.ndarray:
    """-1, 0, +1 per sample, chatter around the threshold removed."""
    offset = current - scale.zero_a
    state = np.sign(np.where(np.abs(offset) <= scale.rest_threshold_a, 0.0, offset)).astype(np.int8)
    for _ in range(2):
        first, last = _runs(state)
        changed = False
        for k in range(first.size):
            length = last[k] - first[k] + 1
            if length > 3 or first.size < 2:
                continue
            own = np.max(np.abs(offset[first[k] : last[k] + 1]))
            left = state[first[k] - 1] if k else None
            right = state[last[k] + 1] if k + 1 < first.size else None
            around = left if left is not None else right
            if left is not None and right is not None and left != right:
                continue
            here = state[first[k]]
            if here != 0 and around == 0 and own < 1.6 * scale.rest_threshold_a:
                state[first[k] : last[k] + 1] = 0
                changed = True
            elif here == 0 and around not in (0, None) and left is not None and right is not None:
                beside = max(abs(offset[first[k] - 1]), abs(offset[last[k] + 1]))
                if beside < 2.5 * scale.rest_threshold_a:
                    state[first[k] : last[k] + 1] = around
                    changed = True
        if not changed:
            break
    return state


def _level_jumps(current: np.ndarray, scale: CurrentScale) -> np.ndarray:
    """Indices k (first sample after the jump) where current jumps inside a stretch of one direction."""
    n = current.size
    if n < 4:
        return np.empty(0, dtype=int)
    change = np.abs(np.diff(current))
    size = np.maximum(np.abs(current[1:]), np.abs(current[:-1]))
    own_noise = noise_of(current)
    floor = np.maximum.reduce(
        [np.full(n - 1, 7.0 * own_noise), np.full(n - 1, 2.1 * scale.resolution_a), 0.04 * size, np.full(n - 1, 0.004 * scale.largest_a)]
    )
    candidates = np.flatnonzero(change > floor)
    keep = []
    for k in candidates:
        around = np.concatenate((change[max(0, k - 5) : max(0, k - 1)], change[k + 2 : k + 6]))
        usual = np.median(around) if around.size >= 3 else 0.0
        if change[k] < 5.0 * usual:
            continue
        before = np.median(current[max(0, k - 2) : k + 1])
        after = np.median(current[k + 1 : k + 4])
        if abs(after - before) < 0.5 * change[k] and min(k + 1, n - k - 1) > 2:
            continue
        keep.append(k + 1)
    return np.asarray(keep, dtype=int)


def _cc_cv_boundary(voltage: np.ndarray, current: np.ndarray, noise_a: float) -> int | None:
    """First sample of the constant-voltage part of one charge (or discharge) stretch, None if there is none.

    The voltage plateau is the median of the last fiftieth; the part counts when current falls by 8 % or more in it.
    """
    n = current.size
    if n < 6 or not np.any(np.isfinite(voltage)):
        return None
    tail = voltage[-max(3, n // 50) :]
    if not np.any(np.isfinite(tail)):
        return None
    plateau = float(np.nanmedian(tail))
    tolerance = max(3.0 * noise_of(voltage), 1.1 * resolution_of(voltage), 0.004 * abs(plateau))
    off = np.flatnonzero(~(np.abs(voltage - plateau) <= tolerance))
    start = int(off[-1]) + 1 if off.size else 0
    if n - start < 3:
        return None
    level = float(np.median(np.abs(current[start : start + 3])))
    end_level = float(np.median(np.abs(current[-3:])))
    if level <= 0 or end_level > 0.92 * level:
        return None
    if start == 0:
        return 0
    # Sharpen: current leaves its constant level when voltage reaches the limit.
    head = np.abs(current[max(0, start - max(5, n // 10)) : start])
    constant = float(np.median(head))
    inside = np.abs(current[start:])
    flat = np.flatnonzero(inside >= constant - max(3.0 * noise_a, 0.004 * constant))
    if flat.size and flat[-1] < inside.size - 3 and constant > 1.05 * end_level:
        # Consecutive flat samples at the head of the plateau still belong to constant current.
        broken = np.flatnonzero(np.diff(flat) > 1)
        run = flat[: broken[0] + 1] if broken.size else flat
        if run[0] <= 1:
            start += int(run[-1]) + 1
    return start


def _relative_spread(values: np.ndarray) -> float:
    """Half the span between the 5 % and 95 % quantiles over the median (robust relative spread)."""
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return np.inf
    middle = float(np.median(finite))
    if middle == 0:
        return np.inf
    low, high = np.quantile(finite, [0.05, 0.95])
    return float(0.5 * (high - low) / abs(middle))


def _held_constant(voltage: np.ndarray, current: np.ndarray) -> str:
    """"cc", "cv", "cp", "cr" or "": which quantity the stretch holds constant, ripple averaged out in a hundred blocks."""
    block = max(1, current.size // 100)
    if block > 1:
        whole = current.size // block * block
        current = current[:whole].reshape(-1, block).mean(axis=1)
        voltage = voltage[:whole].reshape(-1, block).mean(axis=1)
    spread = {"cc": _relative_spread(current)}
    if spread["cc"] <= FLAT_SHARE or current.size < 4:
        return "cc"
    if not np.any(np.isfinite(voltage)):
        return ""
    spread["cv"] = _relative_spread(voltage)
    spread["cp"] = _relative_spread(voltage * current)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread["cr"] = _relative_spread(voltage / current)
    best = min(("cp", "cr", "cv"), key=lambda name: spread[name])
    if best == "cv":
        return "cv" if spread["cv"] <= 0.003 and spread["cc"] > 0.04 else ("cc" if spread["cc"] <= 0.04 else "")
    if spread[best] <= FLAT_SHARE and spread[best] < 0.4 * spread["cc"]:
        return best
    return "cc" if spread["cc"] <= 0.04 else ""


@dataclass(slots=True)
class _Piece:
    first: int
    last: int
    state: int
    level: float
    forced: bool = False
    kind: str = ""


def segment_steps(log: Log, pack: Pack) -> tuple[Step, ...]:
    """Steps of a log in time order with the reason for each end; see :func:`cut_steps` and :func:`with_end_reasons`."""
    return with_end_reasons(log, pack, cut_steps(log))


def with_end_reasons(log: Log, pack: Pack, steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The same steps, each with the reason for its end as the ratings of ``pack`` show it.

    Parameters
    ----------
    log : Log
    pack : Pack
    steps : tuple of Step
        As :func:`cut_steps` gave them for this log; earlier reasons are replaced.

    Returns
    -------
    tuple of Step
    """
    if not steps:
        return ()
    valid = np.flatnonzero(np.isfinite(log.current_a))
    before_gap = {int(valid[cut - 1]) for cut in _gap_cuts(log, valid)}
    ends = {run[-1].index: run[0].first for run in load_runs(log, steps)}
    return tuple(
        replace(step, end_reason=_end_reason(log, pack, steps, step, step.last in before_gap, ends.get(step.index))) for step in steps
    )


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


def cut_steps(log: Log) -> tuple[Step, ...]:
    """Cut a log into steps in time order, covering every sample with a current reading. No rating is needed for it."""
    valid = np.flatnonzero(np.isfinite(log.current_a))
    if valid.size == 0:
        return ()
    current = log.current_a[valid]
    voltage = pack_voltage(log)[valid]
    time = log.time_s[valid]
    scale = current_scale(current, voltage)
    state = _states(current, scale)
    first, last = _runs(state)
    gap_cuts = _gap_cuts(log, valid)
    given = np.union1d(_hint_cuts(log, valid), np.array(sorted(gap_cuts), dtype=int))
    pieces: list[_Piece] = []
    for a, b in zip(first, last):
        cuts = {int(a)}
        if state[a] != 0:
            cuts.update((_level_jumps(current[a : b + 1], scale) + a).tolist())
        cuts.update(given[np.searchsorted(given, a, "right") : np.searchsorted(given, b, "right")].tolist())
        ordered = [*sorted(cuts), int(b) + 1]
        for start, stop in itertools.pairwise(ordered):
            level = float(np.median(current[start:stop]))
            pieces.append(_Piece(start, stop - 1, int(state[a]), level, forced=start in gap_cuts))
    pieces = _merge_straddling(pieces, current)
    pieces = _merge_alike(pieces, current, scale)
    pieces = _split_constant_voltage(pieces, time, voltage, current, scale)
    _name_kinds(pieces, time, voltage, current)
    steps = []
    for index, piece in enumerate(pieces):
        cycle = None
        if log.cycle_number is not None:
            numbers = log.cycle_number[valid[piece.first : piece.last + 1]]
            numbers = numbers[np.isfinite(numbers)]
            cycle = int(np.median(numbers)) if numbers.size else None
        steps.append(Step(index, piece.kind, int(valid[piece.first]), int(valid[piece.last]), piece.level, cycle))
    return tuple(steps)


def pack_voltage(log: Log) -> np.ndarray:
    """Pack voltage of each sample; the sum of the groups where only groups were logged. [V]"""
    if np.any(np.isfinite(log.voltage_v)) or log.series == 0:
        return log.voltage_v
    return np.sum(log.group_voltage_v, axis=1)


def _gap_cuts(log: Log, valid: np.ndarray) -> set[int]:
    """Which of the samples with a current are the first after a stretch without."""
    return {int(np.searchsorted(valid, stretch.after)) for stretch in unread_stretches(log)}


def _hint_cuts(log: Log, valid: np.ndarray) -> np.ndarray:
    """Indices where the instrument itself starts a new step (number, mode word or file)."""
    change = np.zeros(max(valid.size - 1, 0), dtype=bool)
    for column in (log.step_number, log.mode_code, log.part):
        if column is not None:
            values = column[valid].astype(float)
            both = np.isfinite(values[1:]) & np.isfinite(values[:-1])
            change |= both & (np.diff(values) != 0)
    cuts = np.flatnonzero(change) + 1
    return cuts if cuts.size < 0.2 * valid.size + 2 else np.empty(0, dtype=int)


def _merge_straddling(pieces: list[_Piece], current: np.ndarray) -> list[_Piece]:
    """Up to three samples of a ramp, whose current lies between its neighbours', belong to the step that begins there."""
    merged: list[_Piece] = []
    k = 0
    while k < len(pieces):
        piece = pieces[k]
        length = piece.last - piece.first + 1
        # A ramp may fall into several short pieces: look past those that go the same way.
        target = next((p for p in pieces[k + 1 :] if p.last - p.first + 1 > 3 or p.state != piece.state), None)
        if length <= 3 and merged and target is not None and not piece.forced:
            low, high = sorted((merged[-1].level, target.level))
            near_target = abs(piece.level - target.level) <= 0.03 * max(abs(target.level), 1e-12)
            between = low < piece.level < high or near_target
            longer = target.last - target.first + 1 >= 2 * length
            if between and target.state == piece.state and longer:
                nxt = pieces[k + 1]
                if not nxt.forced:
                    pieces[k + 1] = _Piece(piece.first, nxt.last, nxt.state, nxt.level if nxt is not target else target.level)
                    k += 1
                    continue
            if between and target.state == 0 and length == 1 and piece.state == merged[-1].state:
                merged[-1] = replace_piece(merged[-1], last=piece.last)
                k += 1
                continue
        merged.append(piece)
        k += 1
    return merged


def replace_piece(piece: _Piece, **changes: int) -> _Piece:
    """A copy of a piece with other bounds."""
    return _Piece(
        changes.get("first", piece.first), changes.get("last", piece.last), piece.state, piece.level, piece.forced, piece.kind
    )


def _merge_alike(pieces: list[_Piece], current: np.ndarray, scale: CurrentScale) -> list[_Piece]:
    """Join neighbours of one direction where current simply goes on across a boundary."""
    merged: list[_Piece] = []
    for piece in pieces:
        if merged and not piece.forced and merged[-1].state == piece.state:
            before = merged[-1]
            if piece.state == 0:
                joined = True
            else:
                a = float(np.median(current[max(before.first, before.last - 2) : before.last + 1]))
                b = float(np.median(current[piece.first : min(piece.last, piece.first + 2) + 1]))
                joined = abs(a - b) <= max(0.03 * abs(a), 6.0 * scale.noise_a, 2.1 * scale.resolution_a)
            if joined:
                level = float(np.median(current[before.first : piece.last + 1]))
                merged[-1] = _Piece(before.first, piece.last, piece.state, level, before.forced)
                continue
        merged.append(piece)
    return merged


def _split_constant_voltage(
    pieces: list[_Piece], time: np.ndarray, voltage: np.ndarray, current: np.ndarray, scale: CurrentScale
) -> list[_Piece]:
    """Split a charge (or discharge) stretch where it goes from constant current to constant voltage."""
    out: list[_Piece] = []
    for piece in pieces:
        part = slice(piece.first, piece.last + 1)
        long_enough = time[piece.last] - time[piece.first] > PULSE_MAX_S
        cut = _cc_cv_boundary(voltage[part], current[part], scale.noise_a) if piece.state and long_enough else None
        if cut is None or (piece.state < 0 and cut == 0 and piece.last - piece.first < 10):
            out.append(piece)
            continue
        name = "charge_cv" if piece.state > 0 else "discharge_cv"
        middle = piece.first + cut
        if cut > 0:
            level = float(np.median(current[piece.first : middle]))
            out.append(_Piece(piece.first, middle - 1, piece.state, level, piece.forced))
        if cut == 0 and out and out[-1].kind == name and not piece.forced:
            # A taper that a coarse log seemed to break into levels goes on.
            middle = out.pop().first
        level = float(np.median(current[middle : piece.last + 1]))
        out.append(_Piece(middle, piece.last, piece.state, level, piece.forced and cut == 0, name))
    return out


def _name_kinds(pieces: list[_Piece], time: np.ndarray, voltage: np.ndarray, current: np.ndarray) -> None:
    for k, piece in enumerate(pieces):
        if piece.state == 0:
            piece.kind = "rest"
            continue
        word = "charge" if piece.state > 0 else "discharge"
        if piece.kind:
            continue
        starts = time[max(piece.first - 1, 0)] if k else time[piece.first]
        duration = float(time[piece.last] - max(starts, time[piece.first] - 1.0))
        inner = 0 < k < len(pieces) - 1 or (len(pieces) > 2 and time[-1] - time[0] > 10.0 * PULSE_MAX_S)
        next_is_cv = k + 1 < len(pieces) and pieces[k + 1].kind == f"{word}_cv"
        if inner and duration <= PULSE_MAX_S and not next_is_cv:
            piece.kind = f"pulse_{word}"
            continue
        part = slice(piece.first, piece.last + 1)
        held = _held_constant(voltage[part], current[part])
        if piece.state > 0:
            piece.kind = {"cc": "charge_cc", "cv": "charge_cv"}.get(held, "charge")
        else:
            piece.kind = f"discharge_{held}" if held else "discharge"


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
        reason = ""
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
        return ""
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
    cut-off; a group at its declared cut-off; current cut off in one sample while a group stands below its declared
    cut-off or, without a declared one, in the range where boards cut off (2.0 to 3.05 V for lithium chemistries of the
    4 V class, up to 2.6 V for lfp; common practice, no source), pack voltage still clearly above its own cut-off.
    """
    rows = alike_rows(log, step, step.first if begun is None else begun)
    voltage = pack_voltage(log)[rows]
    if not np.any(np.isfinite(voltage)):
        return ""
    end_v = float(voltage[np.isfinite(voltage)][-1])
    if following is not None and following.kind == "rest" and _terminals_fell_away(log, following, end_v):
        return "protection_trip"
    time = log.time_s[rows]
    next_s = float(log.time_s[following.first]) if following is not None else None
    if pack.cutoff_voltage_v is not None and reaches_limit(voltage, pack.cutoff_voltage_v, time, next_s):
        return "pack_cutoff"
    if log.series == 0:
        return ""
    groups = log.group_voltage_v[rows]
    finite_rows = np.flatnonzero(np.all(np.isfinite(groups), axis=1))
    if finite_rows.size == 0:
        return ""
    last_rows = groups[finite_rows[-12:]]
    weakest = int(np.argmin(last_rows[-1]))
    low = float(last_rows[-1, weakest])
    declared = pack.group_cutoff_voltage_v
    if declared is not None and reaches_limit(groups[finite_rows, weakest], declared, time[finite_rows], next_s):
        if declared - low <= 0.025 or following is None or following.kind != "rest":
            return "group_cutoff"
        if float(last_rows[-2, weakest] if last_rows.shape[0] > 1 else low) > declared:
            return "group_cutoff"
        return "protection_trip"
    board_low = 2.6 if pack.chemistry == "lfp" else 3.05
    others = float(np.median(np.delete(last_rows[-1], weakest))) if log.series > 1 else low
    stopped = following is not None and following.kind == "rest"
    if stopped and low < board_low and others - low > 0.15:
        return "protection_trip"
    return ""


def _terminals_fell_away(log: Log, following: Step, end_v: float) -> bool:
    """True if pack voltage drops (instead of rebounding) when current stops, as when a board opens."""
    after = log.voltage_v[following.slice][:5]
    after = after[np.isfinite(after)]
    return bool(after.size and float(np.median(after)) < 0.7 * end_v)
