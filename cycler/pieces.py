"""Readings cut into pieces of one direction and one level, on plain arrays; :mod:`cycler.steps` makes steps of them.

Method, in words. Single rows that no battery can have given are set aside. Current is split into rest, charge and discharge by a threshold
around its own zero; level jumps inside a stretch of one direction split it further; a jump counts when it stands out of the noise *and* out
of the changes around it, so that ripple and the slow fall of a taper are no edges. What each piece holds constant (current, voltage, power,
resistance) is told by the robust spread of each.
Sources: the words CC and CV are those of the charging standards; the thresholds are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import partial

import numpy as np

from cycler.signals import CurrentScale, current_scale, largest_of, noise_of, resolution_of, straight

PULSE_MAX_S = 60.0
"""Longest active step that is called a pulse. [s] Common practice, no source."""
FLAT_SHARE = 0.015
"""Robust relative spread up to which a quantity counts as held constant. Common practice, no source."""


@dataclass(slots=True)
class Piece:
    """Rows ``first`` to ``last`` of one direction (``state`` +1 charge, -1 discharge, 0 rest); ``forced``: nothing may join it to what went before."""

    first: int
    last: int
    state: int
    level: float
    forced: bool = False
    kind: str = ""


def cut_pieces(
    time: np.ndarray, voltage: np.ndarray, current: np.ndarray, gap_cuts: set[int], hints: np.ndarray,
) -> list[Piece]:
    """Pieces of a test in time order, with their kinds, covering every row once.

    Parameters
    ----------
    time, voltage, current : ndarray, shape (n,)
        Rows with a reading of the current; voltage may lack readings. [s], [V], [A, charge positive]
    gap_cuts : set of int
        First rows after a gap: always a boundary.
    hints : ndarray of int
        Rows where the instrument says that something new begins: a boundary if the current shows one.
    """
    current, voltage = without_strays(current, voltage)
    scale = current_scale(current, voltage)
    state = _states(current, scale)
    first, last = _runs(state)
    given = np.union1d(hints, np.array(sorted(gap_cuts), dtype=int))
    pieces: list[Piece] = []
    for a, b in zip(first, last):
        cuts = {int(a)}
        if state[a] != 0:
            cuts.update((_level_jumps(current[a : b + 1], scale) + a).tolist())
        cuts.update(given[np.searchsorted(given, a, "right") : np.searchsorted(given, b, "right")].tolist())
        ordered = [*sorted(cuts), int(b) + 1]
        for start, stop in itertools.pairwise(ordered):
            level = float(np.median(current[start:stop]))
            pieces.append(Piece(start, stop - 1, int(state[a]), level, forced=start in gap_cuts))
    pieces = _merge_straddling(pieces, current)
    pieces = _merge_alike(pieces, current, scale)
    pieces = _split_constant_voltage(pieces, time, voltage, current, scale)
    _name_kinds(pieces, time, voltage, current)
    return pieces


def without_strays(current: np.ndarray, voltage: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both columns with single stray readings replaced by a neighbour: copies where there are any, else the columns themselves.

    A row of current beyond both its neighbours is a stray if voltage does not answer as it does at the other changes of current (half to
    one and a half times the drop over the pack's resistance, where that drop can be seen at all); a row of voltage, if the current does not
    explain it. A pulse one row long answers and stays. Common practice, no source.
    """
    if current.size < 5 or not np.any(np.isfinite(voltage)):
        return current, voltage
    noise_v = max(noise_of(voltage), resolution_of(voltage) / np.sqrt(12.0))
    largest = largest_of(current)
    alone_a = _outside(current, max(8.0 * noise_of(current), 3.0 * resolution_of(current), 0.05 * largest))
    alone_v = _outside(voltage, max(10.0 * noise_v, 0.02 * float(np.nanmedian(np.abs(voltage)))))
    ohm = _answering_ohm(np.where(alone_a, np.nan, current), voltage, 0.2 * largest)
    if ohm is None:
        return current, voltage
    at = np.flatnonzero(alone_a | alone_v)
    refuted = np.ones(at.size, dtype=bool)
    for beside in (at - 1, at + 1):
        answer = ohm * (current[at] - current[beside])
        seen = voltage[at] - voltage[beside]
        # A change of current that voltage could not show, or a row whose voltage is missing, refutes nothing.
        off = np.abs(seen - answer) > 0.5 * np.abs(answer) + 4.0 * noise_v
        refuted &= off & ((np.abs(answer) > 4.0 * noise_v) | alone_v[at])
    like = np.where(np.abs(current[at] - current[at - 1]) <= np.abs(current[at] - current[at + 1]), at - 1, at + 1)
    # A row whose voltage is refuted is not trusted with its current either.
    cleaned = []
    for column, rows in ((current, alone_a | alone_v), (voltage, alone_v)):
        use = refuted & rows[at]
        if np.any(use):
            column = column.copy()
            column[at[use]] = column[like[use]]
        cleaned.append(column)
    return cleaned[0], cleaned[1]


def _outside(values: np.ndarray, least: float) -> np.ndarray:
    """Which rows lie above both neighbours, or below both, by more than ``least``. Shape (n,)."""
    out = np.zeros(values.size, dtype=bool)
    low, high = np.minimum(values[:-2], values[2:]), np.maximum(values[:-2], values[2:])
    far = np.maximum(values[1:-1] - high, low - values[1:-1])
    out[1:-1] = far > least
    return out


def _answering_ohm(current: np.ndarray, voltage: np.ndarray, least_a: float) -> float | None:
    """Median fall of voltage per ampere over the changes of current from row to row of more than ``least_a``; None without one. [ohm]"""
    change = np.diff(current)
    at = np.flatnonzero((np.abs(change) > least_a) & np.isfinite(np.diff(voltage)))
    ratio = np.diff(voltage)[at] / change[at]
    ratio = ratio[ratio > 0]
    return float(np.median(ratio)) if ratio.size else None


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
    # Over a few rows ripple cannot be told from levels.
    share = 0.04 if n >= 8 else 0.08
    floor = np.maximum(share * size, max(7.0 * max(noise_of(current), scale.noise_a), 2.1 * scale.resolution_a, 0.004 * scale.largest_a))
    candidates = np.flatnonzero(change > floor)
    # A row that straddles a jump makes two of it, each perhaps too small.
    twice = np.abs(current[2:] - current[:-2])
    halves = {
        k for k in np.flatnonzero(twice > np.maximum(floor[1:], floor[:-1])).tolist()
        if max(change[k], change[k + 1]) <= floor[k] and twice[k] == np.max(twice[max(0, k - 1) : k + 2])
    }
    places = sorted({*candidates.tolist(), *halves})
    keep = []
    for k in places:
        around = np.concatenate((change[max(0, k - 5) : max(0, k - 1)], change[k + 2 : k + 6]))
        usual = np.median(around) if around.size >= 3 else 0.0
        if k in halves and (around.size < 4 or np.max(around) > 0.4 * twice[k]):
            continue
        if (0.7 * (change[k] + change[k + 1]) if k in halves else change[k]) < 5.0 * usual:
            continue
        before = np.median(current[max(0, k - 2) : k + 1])
        after = np.median(current[k + 1 : k + 4])
        if abs(after - before) < 0.5 * change[k] and min(k + 1, n - k - 1) > 2:
            continue
        keep.append(k + 1)
    return np.asarray(keep, dtype=int)


def _cc_cv_boundary(time: np.ndarray, voltage: np.ndarray, current: np.ndarray, noise_a: float) -> int | None:
    """First sample of the constant-voltage part of one charge (or discharge) stretch, None if there is none.

    The voltage plateau is the median of the last fiftieth; the part counts when current falls by 8 % or more in it, and voltage does not
    rise with the fall as behind a plain resistor (``SOURCE_DROP``). It begins where current leaves its constant level.
    """
    n = current.size
    if n < 6 or not np.any(np.isfinite(voltage)):
        return None
    tail = voltage[-max(3, n // 50) :]
    if not np.any(np.isfinite(tail)):
        return None
    plateau = float(np.nanmedian(tail))
    tolerance = max(5.0 * noise_of(voltage), 1.1 * resolution_of(voltage), 0.004 * abs(plateau))
    # The last row may straddle the end.
    off = np.flatnonzero(np.abs(voltage[:-1] - plateau) > tolerance)
    start = int(off[-1]) + 1 if off.size else 0
    if n - start < 3:
        return None
    size = np.abs(current)
    few = max(1, min(15, (n - start) // 8))
    level, end_level = float(np.median(size[start : start + max(few, 3)])), float(np.median(size[-max(few, 3) :]))
    fall = level - end_level
    if level <= 0 or fall < max(0.08 * level, 5.0 * noise_a / np.sqrt(few)) or _behind_resistor(voltage[start:-1], size[start:-1], float(np.quantile(size, 0.98)), plateau):
        return None
    if start == 0:
        return 0
    # A constant level was held before; the part begins where current leaves it.
    constant = float(np.median(size[max(0, start - max(5, n // 10)) : start]))
    left = np.flatnonzero(_rolled(size[start:], few) < constant - max(0.08 * constant, 4.0 * noise_a / np.sqrt(few)))
    if constant <= 1.05 * end_level or left.size == 0:
        return start
    stop = min(n, start + int(left[0]) + few + 1)
    begin = max(0, start - max(5, stop - start))
    return begin + hinge(time[begin:stop], size[begin:stop])


SOURCE_DROP = 0.015
"""A charger that holds its voltage lets it rise by less than this share while its current goes from full to nothing; more is the
drop over a resistor. Common practice, no source."""


def _behind_resistor(voltage: np.ndarray, size: np.ndarray, full_a: float, plateau: float) -> bool:
    """Whether voltage rises as current falls by more than a held voltage does, beyond twice the standard error of the slope."""
    good = np.isfinite(voltage)
    if np.count_nonzero(good) < 8:
        return False
    x, y = size[good], voltage[good]
    slope, level = straight(x, y)
    left = y - level - slope * x
    spread = float(np.sum((x - np.mean(x)) ** 2))
    error = float(np.sqrt(left @ left / max(x.size - 2, 1) / spread)) if spread > 0 else np.inf
    return (-slope - 2.0 * error) * full_a > SOURCE_DROP * abs(plateau)


def _rolled(values: np.ndarray, width: int) -> np.ndarray:
    """Mean of each value with the ``width`` - 1 that follow it (fewer at the end). Shape (n,)."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    after = np.minimum(np.arange(values.size) + width, values.size)
    return (total[after] - total[:-1]) / (after - np.arange(values.size))


def hinge(time: np.ndarray, values: np.ndarray) -> int:
    """First sample past the bend of a level that turns into a straight fall, by least squares over all places of the bend.

    Parameters
    ----------
    time, values : ndarray, shape (n,)
        Never decreasing; finite.

    Returns
    -------
    int
        0 < index < n for n > 2.

    References
    ----------
    Regression with one unknown break point between two lines (broken-line regression): statistics texts.
    """
    n = values.size
    if n < 4:
        return n - 1
    # Ramp h = max(0, t - t_k) for every k at once, from sums over the rows after k.
    t = time - time[0]
    after = np.arange(n - 1, -1, -1.0)
    sum_t, sum_tt = (np.append(np.cumsum(x[::-1])[::-1][1:], 0.0) for x in (t, t * t))
    y = values - np.mean(values)
    sum_y, sum_ty = (np.append(np.cumsum(x[::-1])[::-1][1:], 0.0) for x in (y, t * y))
    h, hh, hy = sum_t - after * t, sum_tt - 2.0 * t * sum_t + after * t * t, sum_ty - t * sum_y
    spread = hh - h * h / n
    with np.errstate(divide="ignore", invalid="ignore"):
        gained = np.where((spread > 1e-12 * max(float(hh[0]), 1e-300)) & (hy < 0), hy * hy / spread, -np.inf)
    best = int(np.argmax(gained[: n - 2]))
    return best + 1


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
    """"cc", "cv", "cp", "cr" or "": which quantity the stretch holds constant, ripple averaged out in blocks."""
    # Ripple and noise are to spread the means of the blocks by 0.4 % at most, as far as twelve blocks can do that.
    spread_one = noise_of(current) / max(abs(float(np.median(current))), 1e-12)
    block = max(1, current.size // 100, min(math.ceil((spread_one / 0.004) ** 2), current.size // 12))
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


def _merge_straddling(pieces: list[Piece], current: np.ndarray) -> list[Piece]:
    """Up to three samples of a ramp, whose current lies between its neighbours', belong to the step that begins there."""
    merged: list[Piece] = []
    k = 0
    while k < len(pieces):
        piece = pieces[k]
        length = piece.last - piece.first + 1
        target = _end_of_ramp(pieces, k, merged[-1].level, current) if merged else None
        if length <= 3 and merged and target is not None and not piece.forced:
            ahead = float(np.median(current[target.first : min(target.last, target.first + 2) + 1]))
            behind = float(np.median(current[max(merged[-1].first, merged[-1].last - 2) : merged[-1].last + 1]))
            low, high = sorted((behind, ahead))
            near_target = abs(piece.level - ahead) <= 0.03 * max(abs(ahead), 1e-12)
            between = low < piece.level < high or near_target
            longer = target.last - target.first + 1 >= 2 * length
            if between and target.state == piece.state and longer:
                nxt = pieces[k + 1]
                if not nxt.forced:
                    pieces[k + 1] = Piece(piece.first, nxt.last, nxt.state, nxt.level if nxt is not target else target.level)
                    k += 1
                    continue
            if between and target.state == 0 and length == 1 and piece.state == merged[-1].state:
                merged[-1] = replace_piece(merged[-1], last=piece.last)
                k += 1
                continue
        if _head_of(pieces, k, merged[-1].state if merged else None, current):
            nxt = pieces[k + 1]
            pieces[k + 1] = Piece(piece.first, nxt.last, nxt.state, nxt.level, piece.forced)
            k += 1
            continue
        merged.append(piece)
        k += 1
    return merged


def replace_piece(piece: Piece, **changes: int) -> Piece:
    """A copy of a piece with other bounds."""
    return Piece(
        changes.get("first", piece.first), changes.get("last", piece.last), piece.state, piece.level, piece.forced, piece.kind
    )


def _head_of(pieces: list[Piece], k: int, state_before: int | None, current: np.ndarray) -> bool:
    """Whether piece ``k`` is one row that begins a direction and differs by less than 30 % from what follows: rows so far apart that the first
    moments of a charge or load take one of them."""
    piece, nxt = pieces[k], pieces[k + 1] if k + 1 < len(pieces) else None
    if nxt is None or piece.state == 0 or piece.first != piece.last or not nxt.state == piece.state != state_before or nxt.forced:
        return False
    ahead = float(current[nxt.first])
    return nxt.last - nxt.first >= 3 and abs(piece.level - ahead) <= 0.3 * max(abs(piece.level), abs(ahead))


def _end_of_ramp(pieces: list[Piece], k: int, before: float, current: np.ndarray) -> Piece | None:
    """The piece that a ramp beginning with piece ``k`` leads to: the next one, or beyond short ones of the same direction that go on the same way."""
    rising = pieces[k].level > before
    for at in range(k + 1, len(pieces)):
        piece, following = pieces[at], pieces[at + 1] if at + 1 < len(pieces) else None
        goes_on = following is not None and following.state == piece.state and (current[following.first] > current[piece.last]) == rising
        if piece.state != pieces[k].state or piece.last - piece.first >= 3 or not goes_on:
            return piece
    return None


def _merge_alike(pieces: list[Piece], current: np.ndarray, scale: CurrentScale) -> list[Piece]:
    """Join neighbours of one direction where current simply goes on across a boundary."""
    merged: list[Piece] = []
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
                merged[-1] = Piece(before.first, piece.last, piece.state, level, before.forced)
                continue
        merged.append(piece)
    return merged


def _goes_on(state: int, before: Piece) -> bool:
    """Whether a piece is part of the same charge."""
    return before.state == state > 0


def _split_constant_voltage(
    pieces: list[Piece], time: np.ndarray, voltage: np.ndarray, current: np.ndarray, scale: CurrentScale
) -> list[Piece]:
    """Split a charge (or discharge) stretch where it goes from constant current to constant voltage."""
    out: list[Piece] = []
    for piece in pieces:
        part = slice(piece.first, piece.last + 1)
        # A short taper is one only where it ends a charge.
        same = itertools.takewhile(partial(_goes_on, piece.state), reversed(out))
        begun = min((before.first for before in same), default=piece.first)
        long_enough = time[piece.last] - time[begun if piece.last - piece.first >= 8 else piece.first] > PULSE_MAX_S
        cut = _cc_cv_boundary(time[part], voltage[part], current[part], scale.noise_a) if piece.state and long_enough else None
        # The charger held its current for a row or two at most.
        cut = 0 if cut is not None and cut < 3 else cut
        if cut is None or (piece.state < 0 and cut == 0 and piece.last - piece.first < 10):
            out.append(piece)
            continue
        name = "charge_cv" if piece.state > 0 else "discharge_cv"
        middle = piece.first + cut
        if cut > 0:
            level = float(np.median(current[piece.first : middle]))
            out.append(Piece(piece.first, middle - 1, piece.state, level, piece.forced))
        if cut == 0 and not piece.forced and out and out[-1].last - out[-1].first < 2 and out[-1].state == piece.state > 0 and (
            len(out) < 2 or out[-2].state != piece.state
        ):
            middle = out.pop().first
        if cut == 0 and out and out[-1].kind == name and not piece.forced:
            # A taper that a coarse log seemed to break into levels goes on.
            middle = out.pop().first
        level = float(np.median(current[middle : piece.last + 1]))
        out.append(Piece(middle, piece.last, piece.state, level, piece.forced and cut == 0, name))
    return out


def _name_kinds(pieces: list[Piece], time: np.ndarray, voltage: np.ndarray, current: np.ndarray) -> None:
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
        # The first and last row may straddle the switch.
        edge = 1 if piece.last - piece.first > 2 else 0
        part = slice(piece.first + edge, piece.last + 1 - edge)
        held = _held_constant(voltage[part], current[part])
        if piece.state > 0:
            piece.kind = {"cc": "charge_cc", "cv": "charge_cv"}.get(held, "charge")
        else:
            piece.kind = f"discharge_{held}" if held else "discharge"


