"""A gap in the log bridged by what the instrument's own counters moved meanwhile, or the reason why it stays open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cycler.measures.counters import DIRECTION, USABLE, Counter, Course, open_width

LOAD_SHARE = 0.05
"""How far a counter may differ from what the load at both edges of a gap would have taken before that counts. Common practice, no source."""
MOVES_LOOKED_AT = 20
"""How many moves of a counter beside a gap tell how far its reading may lag."""


@dataclass(frozen=True, slots=True)
class Movement:
    """What a counter moved across a gap, charge positive; ``value`` None with the reason.

    ``at_least`` is the magnitude counted after a reset inside the gap: a lower bound that does not bridge it.
    """

    value: float | None
    half_width: float = 0.0
    reason: str = ""
    at_least: float | None = None


def across_gap(
    counter: Counter, k: int, flow: np.ndarray, course: Course, duration_s: float | None, largest_per_hour: float, to: int | None = None
) -> Movement:
    """What a counter moved between row ``k`` and row ``to``, charge positive.

    Parameters
    ----------
    counter : Counter
    k : int
        Last row before the gap.
    flow : ndarray, shape (n - 1,)
        Integral between neighbouring rows; what stands within the gap is not used. [Ah or Wh]
    course : Course
    duration_s : float or None
        Length of the gap, None if it is not known. [s]
    largest_per_hour : float
        Largest current or power of the log: no more can have flowed. [A or W]
    to : int, optional
        First row after the gap, ``k + 1`` if left out; the rows between lack their current.

    Returns
    -------
    Movement
        ``half_width`` is the limit of error by the counter's resolution and the instants at which it is renewed, and the whole
        difference to what the load at both edges would have taken where that is more than 5 %.
    """
    to = k + 1 if to is None else to
    if counter.kind not in USABLE:
        return Movement(None, reason=counter.evidence)
    p, q = int(np.searchsorted(counter.rows, k, "right")) - 1, int(np.searchsorted(counter.rows, to))
    if p < 0 or q >= counter.rows.size:
        return Movement(None, reason="the counter has no reading on both sides")
    before, after = int(course.state[k]), int(course.state[to])
    directions = {d for d in (before, after) if d}
    if not directions:
        return Movement(None, reason="no current flows on either side")
    ways = [counter.way(d) for d in directions]
    if any(way is None or way == 0 for way in ways):
        return Movement(None, reason="the counter does not count this direction")
    factors = {d * way for d, way in zip(directions, ways, strict=True)}
    if len(factors) > 1:
        return Movement(None, reason="the current changed its direction in the gap and the counter counts both alike")
    factor = factors.pop()
    left = float(abs(counter.reading[q]))
    hours = None if duration_s is None else duration_s / 3600.0
    stepped = _steps_between(course, k, to)
    # A counter at zero in a rest: if it restarts with the load that comes, nothing is lost.
    empty = not before and abs(counter.reading[p]) <= counter.jitter
    if stepped is not None and stepped > 1 and (counter.sense != "net" or counter.kind != "cumulative"):
        return Movement(None, reason="whole steps lie in the gap, and the counter does not tell what ran in them")
    if counter.kind != "cumulative" and after and not empty and (stepped or before != after):
        return Movement(None, reason="the step changed in the gap, and the counter restarts with a new one", at_least=left)
    first, w_first = _settled(counter, p, k, flow, course, -1)
    last, w_last = _settled(counter, q, to, flow, course, 1)
    value = factor * float(counter.reading[last] - counter.reading[first])
    value -= float(np.nansum(flow[counter.rows[first] : k])) + float(np.nansum(flow[to : counter.rows[last]]))
    # Digits are cut the other way round where the counter runs the other way.
    half = max(w_first, w_last) + counter.jitter + (counter.resolution if len(directions) > 1 else 0.0)
    room = 2.0 * half + counter.resolution
    if len(directions) == 1 and value * next(iter(directions)) < -room:
        if counter.sense == "net" and not left < abs(counter.reading[p]):
            return Movement(None, reason="the counter ran against the current: a flow the other way lies in the gap")
        if hours is not None and left > 1.1 * largest_per_hour * hours + room:
            return Movement(None, reason="the counter fell back in the gap")
        return Movement(None, reason=f"the counter was reset in the gap; it shows {left:.3f} {counter.unit} after it", at_least=left)
    if q > p + 1 and np.any(counter.breaks[p:q]):
        return Movement(None, reason="the counter was reset in the gap")
    edges = _edge_rates(flow, course, k, to)
    by_load = None if hours is None or not (before and after) else (edges[0] * hours, edges[1] * hours)
    off = 0.0 if by_load is None else max(by_load[0] - abs(value), abs(value) - by_load[1], 0.0)
    agrees = by_load is not None and off <= LOAD_SHARE * by_load[1] + room
    if not agrees and _may_be_reset(counter, p, q, room):
        return Movement(None, reason="the counter stands at or beyond zero after the gap and may have been reset in it")
    reason = "" if hours is None else _implausible(counter, p, q, abs(value), room, edges, course, k, to, hours, largest_per_hour, stepped)
    return Movement(None, reason=reason) if reason else Movement(value, half if agrees or by_load is None else half + off)


def _may_be_reset(counter: Counter, p: int, q: int, room: float) -> bool:
    """True if a counter that stood away from zero before a gap stands at zero or on its other side after it: a count begun anew
    looks the same, whichever way it counts."""
    stood = float(counter.reading[p])
    return abs(stood) > room and float(counter.reading[q]) * np.sign(stood) <= room


def _edge_rates(flow: np.ndarray, course: Course, k: int, to: int) -> tuple[float, float]:
    """Smaller and larger of the rates of flow beside a gap, 0 at rest. [A or W]"""
    found = [
        3600.0 * abs(float(np.nan_to_num(flow[i]))) / float(course.time_s[i + 1] - course.time_s[i]) if loaded else 0.0
        for i, loaded in ((k - 1, course.state[k]), (to, course.state[to]))
        if 0 <= i < flow.size and course.time_s[i + 1] > course.time_s[i]
    ]
    return min(found, default=0.0), max(found, default=0.0)


def _steps_between(course: Course, k: int, to: int) -> int | None:
    """How many of the instrument's steps lie between the rows on both sides of a gap (a new cycle counts as many), None if it numbers none."""
    numbers, cycles = course.step_number, course.cycle_number
    if numbers is None or not np.isfinite(numbers[k] + numbers[to]):
        return None
    ahead = int(numbers[to] - numbers[k])
    if ahead < 0 or (cycles is not None and abs(cycles[to] - cycles[k]) > 0):
        return 99
    return ahead


def _implausible(
    counter: Counter, p: int, q: int, moved: float, room: float, edges: tuple[float, float], course: Course, k: int, to: int, hours: float,
    largest_per_hour: float, stepped: int | None,
) -> str:
    """Why a movement cannot be what flowed in a gap of that length, "" if it can."""
    if moved > 1.1 * largest_per_hour * hours + room:
        return "the counter moved more than the largest current of the log could carry in that time"
    low, high = edges
    if counter.reading[p] == counter.reading[q] and low * hours > 5.0 * max(room, counter.renewal):
        return "the counter stood still in the gap, as it does when its own recording stops"
    if stepped is not None:
        return ""
    if counter.sense != "net" and moved > 1.05 * high * hours + room:
        return "the counter moved more than the load on either side would have, and does not tell charge from discharge"
    steady = low > 0.9 * high and abs(moved - 0.5 * (low + high) * hours) <= 0.05 * moved + room
    if counter.kind != "cumulative" and course.state[k] and course.state[to] and not steady:
        return "the load did not run on evenly through the gap, so the counter may have restarted in it"
    return ""


def _settled(counter: Counter, p: int, row: int, flow: np.ndarray, course: Course, way: int) -> tuple[int, float]:
    """Position of a reading beside a gap that the counter has just made, and the width of what is open about it.

    ``way`` is -1 towards the start of the log, 1 towards its end; ``row`` is the row at the gap's edge.
    """
    if course.state[row] == 0:
        return p, max(counter.resolution, counter.renewal)
    own = row - 1 if way < 0 else row
    per_row = abs(float(np.nan_to_num(flow[own]))) if 0 <= own < flow.size else 0.0
    beside = counter.reading[p - 2 : p + 1] if way < 0 else counter.reading[p : p + 3]
    lively = beside.size == 3 and np.all(np.diff(beside) != 0)
    if counter.rows[p] == row and lively and not counter.renewal and per_row >= counter.resolution:
        return p, counter.resolution
    moves: list[int] = []
    q = p
    while len(moves) < MOVES_LOOKED_AT and q + min(way, 0) >= 0 and q + max(way, 0) < counter.rows.size:
        interval = q - 1 if way < 0 else q
        a, b = counter.rows[interval], counter.rows[interval + 1]
        if counter.breaks[interval] or course.gap[a:b].any() or np.any(course.state[a : b + 1] != course.state[row]):
            break
        if counter.reading[interval + 1] != counter.reading[interval]:
            moves.append(interval + 1)
        q += way
    whole = max(counter.resolution, counter.renewal)
    if not moves:
        low, high = sorted((row, int(counter.rows[min(max(q, 0), counter.rows.size - 1)])))
        return p, max(whole, abs(float(np.nansum(flow[low:high]))))
    at = np.sort(moves)
    whole = max(whole, float(np.max(np.abs(counter.reading[at] - counter.reading[at - 1]))))
    base = int(counter.rows[at[0]])
    run = np.concatenate(([0.0], np.cumsum(np.nan_to_num(flow[base : counter.rows[at[-1]]]))))
    scatter = open_width(counter.rows[at], counter.reading[at], run[counter.rows[at] - base], counter.resolution)
    return moves[0], max(per_row, scatter if scatter is not None else whole)


@dataclass(frozen=True, slots=True)
class Bridge:
    """What a gap is bridged with: charge (and energy where a counter tells it), or the reason why it stays open."""

    charge_ah: float | None
    half_width_ah: float = 0.0
    energy_wh: float | None = None
    reason: str = ""


def bridge(
    counters: Sequence[Counter], k: int, charge_ah: np.ndarray, energy_wh: np.ndarray, course: Course,
    duration_s: float | None, largest_a: float, volts: tuple[float, float], to: int | None = None,
) -> Bridge:
    """Bridge the gap between row ``k`` and ``to`` (``k + 1`` if left out) with the counters that can.

    ``volts`` are the lowest and highest pack voltage of the log: an energy that would need another is not believed. [V]
    """
    to = k + 1 if to is None else to
    charge = _best(counters, "Ah", k, to, charge_ah, course, duration_s, largest_a)
    if charge.value is None:
        return Bridge(None, reason=charge.reason)
    energy = _best(counters, "Wh", k, to, energy_wh, course, duration_s, largest_a * volts[1])
    mean_v = energy.value / charge.value if energy.value is not None and abs(charge.value) > 0 else 0.0
    believed = 0.95 * volts[0] <= mean_v <= 1.05 * volts[1]
    return Bridge(charge.value, charge.half_width, energy.value if believed else None)


def _best(counters, unit, k, to, flow, course: Course, duration_s, largest) -> Movement:
    directions = {int(course.state[k]), int(course.state[to])} - {0}
    mine = [c for c in counters if c.unit == unit]
    if not mine:
        return Movement(None, reason=f"the log holds no {unit} counter")
    # A counter of just this direction first.
    mine.sort(key=lambda c: 0 if {DIRECTION.get(c.name)} == directions else 1 if c.name not in DIRECTION else 2)
    refused = []
    for counter in mine:
        found = across_gap(counter, k, flow, course, duration_s, largest, to)
        if found.value is None:
            refused.append(found)
            continue
        return _less_hidden(found, counter, mine, k, to)
    return refused[0]


def _less_hidden(found: Movement, counter: Counter, others: Sequence[Counter], k: int, to: int) -> Movement:
    """A counter of one direction, less what the counter of the other direction says flowed back meanwhile."""
    direction = DIRECTION.get(counter.name)
    other = next((c for c in others if direction and DIRECTION.get(c.name) == -direction and c.kind == "cumulative"), None)
    if other is None:
        return found
    p, q = int(np.searchsorted(other.rows, k, "right")) - 1, int(np.searchsorted(other.rows, to))
    if p < 0 or q >= other.rows.size:
        return found
    back = float(abs(other.reading[q]) - abs(other.reading[p]))
    if back <= 2.0 * other.resolution + other.jitter:
        return found
    return Movement(found.value - direction * back, found.half_width + other.resolution)
