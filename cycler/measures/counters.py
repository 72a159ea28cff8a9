"""The instrument's own counters: what kind each is, and how it meets the integral of the same log.

A counter is told by its movements alone, held against the integral of the same log: where it falls to zero, which way it
goes on charge and on discharge, how fine its steps are, how often it is renewed. Nothing is taken from its heading but the
direction of a counter that names one. Rules here are common practice, no source, unless a docstring says otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cycler.signals import resolution_of

COUNTER_UNITS = {
    "capacity": "Ah", "charge_capacity": "Ah", "discharge_capacity": "Ah",
    "energy": "Wh", "charge_energy": "Wh", "discharge_energy": "Wh",
}
DIRECTION = {"charge_capacity": 1, "charge_energy": 1, "discharge_capacity": -1, "discharge_energy": -1}
KINDS = ("cumulative", "per_step", "per_direction", "per_cycle", "one_stretch", "irregular", "astray", "still")
USABLE = frozenset(KINDS[:6])
"""Kinds that follow the flow, so that they can be compared with it."""
STEPS_MIN = 20
"""A step is compared over at least so many rows and so many of the counter's own steps."""
READINGS_MIN = 10
LAG_S = 3.0
"""How far a counter may lag behind the current without being wrong. [s] Common practice, no source."""
_MODULI = (2.0**16, 2.0**15, 2.0**24, 2.0**32, 2.0**31, 1e4, 1e5, 1e6, 1e3)
"""Counts after which a register or a display starts anew."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What happened around the counters: ``time_s`` [s] and ``state`` (1 charge, -1 discharge, 0 rest), shape (n,); ``gap``, shape
    (n - 1,), True where samples are missing between two rows; the instrument's own numbering, shape (n,), or None."""

    time_s: np.ndarray
    state: np.ndarray
    gap: np.ndarray
    step_number: np.ndarray | None = None
    cycle_number: np.ndarray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Counter:
    """One counter and its kind. Readings in Ah or Wh.

    Attributes
    ----------
    kind : str
        One of ``KINDS``. ``one_stretch``: it counted in one stretch of current only, so what it does at the next step is not
        known; ``irregular``: restarts that fit neither steps nor directions nor cycles; ``astray``: does not follow the
        current; ``still``: never moves.
    sense : str
        ``net`` (opposite ways on charge and discharge), ``magnitude`` (one way on both), ``charge`` or ``discharge`` (counts
        that direction only), ``untold``.
    on_charge, on_discharge : int or None
        1 it rises, -1 it falls, 0 it stands, None the log holds no such flow.
    resolution, jitter, renewal : float
        Grid of its readings (0 if none is seen), largest backward flicker that is no reset, usual size of its moves where it is
        renewed only every few rows (else 0).
    rows : ndarray of int, shape (m,)
        Rows with a reading.
    reading : ndarray, shape (m,)
        Its readings, overflows undone.
    breaks : ndarray of bool, shape (m - 1,)
        True between two readings across which it was reset or fell back.
    """

    name: str
    unit: str
    kind: str
    sense: str
    on_charge: int | None
    on_discharge: int | None
    resolution: float
    jitter: float
    renewal: float
    rows: np.ndarray
    reading: np.ndarray
    breaks: np.ndarray
    evidence: str

    def way(self, direction: int) -> int | None:
        """How it moves with a flow in that direction (1 charge, -1 discharge)."""
        return self.on_charge if direction > 0 else self.on_discharge


@dataclass(frozen=True, slots=True)
class StepCheck:
    """Integral and counter over the same rows of one step, as magnitudes in ``unit``; ``u_difference`` is standard."""

    name: str
    unit: str
    kind: str
    step: int
    by_integral: float
    by_counter: float
    u_difference: float

    @property
    def difference_share(self) -> float:
        """Integral minus counter, as a share of the counter."""
        return (self.by_integral - self.by_counter) / self.by_counter

    def beyond(self, share: float) -> bool:
        """True if the two differ by more than ``share`` and by more than their expanded uncertainty (k = 2)."""
        return abs(self.difference_share) > share and abs(self.by_integral - self.by_counter) > 2.0 * self.u_difference


def grid_of(values: np.ndarray) -> float:
    """Largest step on which all values lie (1e-7 is the finest that is looked for), 0 if there is none."""
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    distinct = np.unique(finite)
    for digits in range(8):
        scaled = distinct * 10.0**digits
        whole = np.round(scaled)
        if np.max(np.abs(scaled)) < 2**50 and np.all(np.abs(scaled - whole) < 1e-4 + 1e-9 * np.abs(scaled)):
            # Few distinct values may all be multiples of more than the last digit by chance.
            common = int(np.gcd.reduce(np.diff(whole).astype(np.int64))) if distinct.size >= 20 else 1
            return max(common, 1) * 10.0**-digits
    return resolution_of(finite)


def read_counter(name: str, values: np.ndarray, flow: np.ndarray, course: Course) -> Counter | None:
    """What kind of counter a column is.

    Parameters
    ----------
    name : str
        A key of ``COUNTER_UNITS``.
    values : ndarray, shape (n,)
        Its readings; NaN = none. [Ah or Wh]
    flow : ndarray, shape (n - 1,)
        Integral between neighbouring rows, charge positive; NaN = not known. [Ah or Wh]
    course : Course

    Returns
    -------
    Counter or None
        None with fewer than three readings.
    """
    rows = np.flatnonzero(np.isfinite(values))
    if rows.size < 3:
        return None
    c = values[rows]
    none = np.zeros(rows.size - 1, bool)
    bare = Counter(name, COUNTER_UNITS[name], "still", "untold", None, None, grid_of(c), 0.0, 0.0, rows, c, none, "it never moves")
    if np.ptp(c) <= 0:
        return bare
    known = np.where(course.gap, 0.0, np.nan_to_num(flow))
    plain = _between(np.maximum(known, 0.0), rows), _between(np.maximum(-known, 0.0), rows)
    lost = _between(course.gap.astype(float), rows)
    move = np.diff(c)
    # A counter that moves now and then shows at each move what has flowed since the one before.
    into, out, across = (_since_last_move(move, amount) for amount in (*plain, lost))
    gapped = (across > 0.5) | (lost > 0.5)
    rates, follows = _rates(move, plain, (into, out), gapped, c, bare.resolution, none)
    if rates == (None, None):
        return replace(bare, evidence="it moves too little to tell")
    if not follows:
        return replace(bare, kind="astray", evidence="it does not follow the current")
    jitter = _jitter(move, rates, into, out, gapped, c, bare.resolution, course, rows)
    renewal = _renewal(move, rates, *plain, gapped, bare.resolution)
    fine = 2.0 * bare.resolution + 2.0 * jitter + 1e-4 * float(np.ptp(c))
    expected = _times(rates[0], into) + _times(rates[1], out)
    reach = _times(rates[0], into, True) + _times(rates[1], out, True)
    off = np.abs(move - expected) > fine + 0.5 * reach
    to_zero = off & (np.abs(c[1:]) <= 1.25 * reach + fine) & (np.abs(c[:-1]) > np.abs(c[1:]))
    offsets = _overflows(c, move, expected, fine + 0.5 * reach, off & ~gapped, bare.resolution, course.state[rows])
    wrapped = offsets != 0
    back = off & ~gapped & ~to_zero & ~wrapped & (np.abs(c[1:]) < np.abs(c[:-1]))
    restarts = to_zero & ~wrapped
    rates, _ = _rates(move, plain, (into, out), gapped, c, bare.resolution, restarts | wrapped | back)
    ways = _ways(name, rates)
    kind, told, by_hand = _kind(rows, c, np.flatnonzero(restarts), course, 3.0 * bare.resolution + 3.0 * jitter)
    undone = np.concatenate(([0.0], np.cumsum(offsets)))
    sense, sense_words = _sense(ways)
    words = [told, sense_words]
    if bare.resolution:
        words.append(f"reads in steps of {bare.resolution:.3g} {bare.unit}")
    if renewal:
        words.append("renewed only every few rows")
    if jitter:
        words.append(f"flickers back by up to {jitter:.2g} {bare.unit}, which is no reset")
    words += [f"reset in the middle of a step at {course.time_s[rows[p + 1]]:.0f} s" for p in by_hand[:3]]
    words += [f"started anew when full at {course.time_s[rows[p + 1]]:.0f} s" for p in np.flatnonzero(wrapped)[:3]]
    words += [f"fell back without reaching zero at {course.time_s[rows[p + 1]]:.0f} s" for p in np.flatnonzero(back)[:3]]
    return Counter(
        name, bare.unit, kind, sense, *ways, bare.resolution, jitter, renewal, rows, c + undone, restarts | back, "; ".join(w for w in words if w),
    )


def _between(per_interval: np.ndarray, rows: np.ndarray) -> np.ndarray:
    return np.diff(np.concatenate(([0.0], np.cumsum(per_interval)))[rows])


def _since_last_move(move: np.ndarray, amount: np.ndarray) -> np.ndarray:
    """Sum of ``amount`` since the move before, at each move; 0 where it does not move. Shapes (m - 1,)."""
    total = np.concatenate(([0.0], np.cumsum(amount)))
    fresh = np.maximum.accumulate(np.where(move != 0, np.arange(1, move.size + 1), 0))
    before = np.concatenate(([0], fresh[:-1]))
    return np.where(move != 0, total[1:] - total[before], 0.0)


def _times(rate: float | None, flow: np.ndarray, size: bool = False) -> np.ndarray:
    factor = rate if rate is not None else float(size)
    return (abs(factor) if size else factor) * flow


def _rates(
    move: np.ndarray, plain: tuple[np.ndarray, np.ndarray], gathered: tuple[np.ndarray, np.ndarray], gapped: np.ndarray, c: np.ndarray,
    resolution: float, events: np.ndarray,
) -> tuple[tuple[float | None, float | None], bool]:
    """Movement per flow on charge and on discharge (None without such a flow), and whether the counter follows the flow."""
    found: list[float | None] = []
    steady: list[float] = []
    for own, other, since in ((*plain, gathered[0]), (*plain[::-1], gathered[1])):
        use = (own > 0) & (other <= 0) & ~gapped & ~events
        m, q = move[use], own[use]
        usual = np.maximum(float(np.median(np.abs(m[m != 0]))) if np.any(m != 0) else 0.0, since[use])
        limit = np.maximum(20.0 * usual, 3.0 * resolution)
        falls = (np.abs(c[1:][use]) < 0.5 * np.abs(c[:-1][use])) & (np.abs(m) > 3.0 * usual)
        odd = (np.abs(m) > limit) | falls
        m, q = m[~odd], q[~odd]
        if q.size < 3 or q.sum() <= 5.0 * resolution:
            found.append(None)
            steady.append(0.0)
            continue
        found.append(float(m.sum() / q.sum()))
        steady.append(float(abs(m.sum()) / max(np.abs(m).sum(), 1e-300)))
    largest = max((abs(rate) for rate in found if rate is not None), default=0.0)
    if largest == 0.0:
        return (None, None), False
    first, second = (None if rate is None else rate if abs(rate) >= 0.1 * largest else 0.0 for rate in found)
    follows = all(0.5 <= abs(rate) <= 2.0 or even >= 0.8 for rate, even in zip((first, second), steady, strict=True) if rate)
    return (first, second), follows


def _ways(name: str, rates: tuple[float | None, float | None]) -> tuple[int | None, int | None]:
    ways = [None if rate is None else int(np.sign(rate)) for rate in rates]
    if name in DIRECTION:
        # Its heading says which flow it counts; that decides only what the log does not show.
        for place, direction in ((0, 1), (1, -1)):
            if ways[place] is None:
                ways[place] = 1 if direction == DIRECTION[name] else 0
    return ways[0], ways[1]


def _sense(ways: tuple[int | None, int | None]) -> tuple[str, str]:
    verb = {1: "rises", -1: "falls", 0: "stands"}
    charge, discharge = ways
    if charge and discharge:
        if charge == discharge:
            return "magnitude", f"{verb[charge]} on charge and on discharge alike"
        return "net", f"net: {verb[charge]} on charge, {verb[discharge]} on discharge"
    if charge and discharge == 0:
        return "charge", "counts charge only"
    if discharge and charge == 0:
        return "discharge", "counts discharge only"
    known, flow, missing = (charge, "charge", "discharge") if charge else (discharge, "discharge", "charge")
    if not known:
        return "untold", ""
    below = known < 0
    return "net" if below else "untold", f"{'net: ' if below else ''}{verb[known]} on {flow}, the log holds no {missing}"


def _jitter(move, rates, into, out, gapped, c, resolution, course: Course, rows) -> float:
    """Largest small movement against its way, inside one step."""
    way = np.sign(_times(rates[0], into) + _times(rates[1], out))
    same = course.state[rows[1:]] == course.state[rows[:-1]]
    if course.step_number is not None:
        same &= ~(course.step_number[rows[1:]] != course.step_number[rows[:-1]])
    small = np.abs(move) <= max(5.0 * resolution, 0.005 * float(np.ptp(c)))
    against = same & small & ~gapped & (move * way < 0)
    return float(np.max(np.abs(move[against]), initial=0.0))


def _renewal(move, rates, into, out, gapped, resolution: float) -> float:
    """Usual size of its moves if it is renewed only every few rows of flow, else 0."""
    flow = _times(rates[0], into, True) + _times(rates[1], out, True)
    loaded = (flow > 0) & ~gapped
    moves = np.abs(move[loaded & (move != 0)])
    if moves.size < 3 or moves.size > 0.8 * np.count_nonzero(loaded):
        return 0.0
    usual = float(np.median(moves))
    return float(np.quantile(moves, 0.95)) if usual > 1.5 * max(resolution, float(np.median(flow[loaded]))) else 0.0


def open_width(rows: np.ndarray, readings: np.ndarray, integral: np.ndarray, resolution: float) -> float | None:
    """What is open about a counter's reading at the rows at which it has just moved, None with fewer than five moves.

    All three arrays belong to those rows, in time order. Between two of them readings and integral move by the same amount but for the digits
    of the counter and the instants at which it is renewed: the scatter of the differences is the width (largest of up to 20, else the 95th percentile, so that
    one stumble does not pass for scatter). A counter that moves only at multiples of some rows is renewed there and cut to its digits.
    """
    moved, flowed = np.diff(readings), np.diff(integral)
    known = flowed != 0
    if moved.size < 5 or not np.any(known):
        return None
    off = np.abs(moved - float(np.median(moved[known] / flowed[known])) * flowed)
    width = float(np.max(off) if off.size <= 20 else np.quantile(off, 0.95))
    return max(width, resolution) if int(np.gcd.reduce(np.diff(rows))) > 1 else width


def _overflows(c, move, expected, tolerance, off, resolution: float, state) -> np.ndarray:
    """What each overflow took away, 0 elsewhere, shape (m - 1,): inside one stretch, by a count that registers and displays have."""
    taken = np.zeros(move.size)
    if resolution <= 0:
        return taken
    for p in np.flatnonzero(off & (state[1:] == state[:-1])):
        shift = expected[p] - move[p]
        for count in _MODULI:
            modulus = count * resolution
            if tolerance[p] > 0.01 * modulus or abs(abs(shift) - modulus) > tolerance[p]:
                continue
            ends, near = sorted((c[p], c[p + 1])), tolerance[p] + abs(expected[p])
            unsigned = abs(ends[0]) <= near and abs(ends[1] - modulus) <= near
            signed = max(abs(ends[0] + 0.5 * modulus), abs(ends[1] - 0.5 * modulus)) <= near
            if unsigned or signed:
                taken[p] = np.sign(shift) * modulus
                break
    return taken


def _windows(course: Course) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """First and last row of the stretch in which a restart would belong to a change of step, load, direction or cycle."""
    n = course.state.size
    numbers = course.step_number
    own = numbers if numbers is not None and np.unique(numbers[np.isfinite(numbers)]).size > 1 else None
    at = np.flatnonzero(np.abs(np.diff(course.state if own is None else own)) > 0)
    found = {"step": (at, at + 1)}
    active = np.flatnonzero(course.state)
    if active.size:
        begins = (np.diff(active) > 1) | (np.diff(course.state[active]) != 0)
        if own is not None:
            begins |= np.abs(np.diff(own[active])) > 0
        turn = np.diff(course.state[active]) != 0
        found["load"] = (active[:-1][begins], active[1:][begins])
        found["direction"] = (active[:-1][turn], active[1:][turn])
    cycle = np.zeros(n - 1, bool)
    if course.cycle_number is not None:
        cycle |= np.abs(np.diff(course.cycle_number)) > 0
    if own is not None:
        cycle |= np.diff(own) < 0
    at = np.flatnonzero(cycle)
    found["cycle"] = (at, at + 1)
    return {key: (np.maximum(a, 0), np.minimum(b + 1, n - 1)) for key, (a, b) in found.items()}


_WORDS = {
    "step": ("per_step", "change of step", "changes of step"),
    "load": ("per_step", "new load or charge, rests keep its reading", "new loads or charges, rests keeping its reading"),
    "direction": ("per_direction", "change between charge and discharge", "changes between charge and discharge"),
    "cycle": ("per_cycle", "new cycle", "new cycles"),
}


def _kind(rows, c, restarts, course: Course, small: float) -> tuple[str, str, list[int]]:
    """Kind, evidence in words, and the restarts in the middle of a step."""
    windows = _windows(course)
    begin, end = rows[restarts], rows[restarts + 1]
    missing = np.concatenate(([0], np.cumsum(course.gap)))

    def covered(p: int, keys: Sequence[str]) -> bool:
        return any(bool(np.any((windows[k][0] < rows[p + 1]) & (windows[k][1] > rows[p]))) for k in keys if k in windows)

    by_hand = [int(p) for p in restarts if not covered(p, ("step", "load", "cycle"))]
    told = {}
    for key, (first, last) in windows.items():
        before = np.searchsorted(rows, first, "right") - 1
        tells = (before >= 0) & (np.abs(c[np.maximum(before, 0)]) > small) & (rows[-1] >= last)
        hit = np.searchsorted(begin, last, "left") > np.searchsorted(end, first, "right")
        # That no restart shows across a gap proves nothing.
        tells &= hit | (missing[last] == missing[first])
        chances, hits = int(np.count_nonzero(tells)), int(np.count_nonzero(tells & hit))
        stray = sum(not covered(int(p), (key,)) for p in restarts if int(p) not in by_hand)
        told[key] = (chances, hits, stray)
    for key in ("step", "load", "direction", "cycle"):
        chances, hits, stray = told.get(key, (0, 0, 0))
        if hits and chances - hits <= 0.1 * chances and stray == 0:
            kind, one, many = _WORDS[key]
            words = f"restarts at {'the' if chances == 1 else 'each of' if chances == hits else f'{hits} of'} {chances if chances > 1 else ''} {many if chances > 1 else one}"
            if key == "load" and told.get("direction", (0, 0, 0))[:2] == (chances, hits):
                words += " (every one of them also a change of direction)"
            return kind, " ".join(words.split()), by_hand
    if len(by_hand) < restarts.size:
        return "irregular", f"restarts at {restarts.size} places that fit neither steps nor directions nor cycles", by_hand
    passed = told.get("load", (0, 0, 0))[0]
    if passed == 0:
        return "one_stretch", "counted in one stretch of current only: what it does at the next step is not known", by_hand
    runs = f"{passed} new loads or charges" if passed > 1 else "the change from one load or charge to the next"
    return "cumulative", f"cumulative: runs on through {runs}", by_hand


def check_step(
    counter: Counter, step: int, first: int, last: int, flow: np.ndarray, course: Course, u_per_hour: float = 0.0,
    noise_per_hour: float = 0.0,
) -> StepCheck | None:
    """Integral and counter over the same rows of one step, None if that tells nothing.

    Parameters
    ----------
    counter : Counter
    step, first, last : int
        Number of the step, its first and last row.
    flow : ndarray, shape (n - 1,)
        Integral between neighbouring rows, charge positive. [Ah or Wh]
    course : Course
    u_per_hour : float
        Standard uncertainty of current or power from the resolution of its readings. [A or W]
    noise_per_hour : float
        Standard deviation of its noise from row to row. [A or W]

    Notes
    -----
    A counter that moves rarely is compared between rows at which it has just moved; its reading there is late by up to the flow of that row,
    which differs between the two ends of a taper. Gaps and resets are left out of both. Gain and zero of the instrument are common to both figures and left
    out of their difference; what counts is the quantisation of both and a lag of ``LAG_S`` (rectangular), the noise of the readings and the error of
    the trapezoid rule.
    """
    direction = int(course.state[first])
    way = counter.way(direction) if direction else None
    if not way or counter.kind not in USABLE or last - first < STEPS_MIN:
        return None
    if DIRECTION.get(counter.name, direction) != direction:
        return None  # a charge counter that moves in a discharge shows regeneration, not the load
    low = int(np.searchsorted(counter.rows, first))
    high = int(np.searchsorted(counter.rows, last, "right")) - 1
    if high - low < READINGS_MIN - 1:
        return None
    c = counter.reading[low : high + 1]
    per_row = float(np.nanmedian(np.abs(flow[first:last])))
    widths = np.full(2, counter.resolution)
    rare, moved = bool(counter.renewal or per_row < counter.resolution), np.empty(0, int)
    if rare:
        moved = low + np.flatnonzero((np.diff(c) != 0) & ~counter.breaks[low:high]) + 1
        if moved.size < 2:
            return None
        low, high = int(moved[0]), int(moved[-1])
        run = np.concatenate(([0.0], np.cumsum(np.nan_to_num(flow[first:last]))))
        scatter = open_width(counter.rows[moved], counter.reading[moved], run[counter.rows[moved] - first], counter.resolution)
        widths[:] = scatter if scatter is not None else max(counter.resolution, counter.renewal)
    rows = counter.rows[low : high + 1]
    part = slice(int(rows[0]), int(rows[-1]))
    unknown = course.gap[part] | ~np.isfinite(flow[part])
    keep = (_between(unknown.astype(float), rows - rows[0]) < 0.5) & ~counter.breaks[low:high]
    broken = np.flatnonzero(~keep)
    if rare:
        for p in broken:
            # On either side of what is left out the comparison ends, and begins again, at a move.
            keep[moved[np.searchsorted(moved, low + p, "right") - 1] - low : moved[np.searchsorted(moved, low + p + 1)] - low] = False
    integral = direction * _between(np.where(unknown, 0.0, flow[part]), rows - rows[0])
    by_integral = float(integral[keep].sum())
    by_counter = way * float(np.diff(counter.reading[low : high + 1])[keep].sum())
    if keep.mean() < 0.5 or by_counter <= 0 or by_integral < STEPS_MIN * counter.resolution:
        return None
    spans = np.diff(course.time_s[rows])[keep] / 3600.0
    hours = float(spans.sum())
    u_rule = _trapezoid_error(flow[part], course.time_s[rows[0] : rows[-1] + 1])
    per_end, rate = _at_ends(flow, course.time_s, part, first)
    if rare:
        widths = np.maximum(widths, per_end)
    # Reading and true charge differ by 0 to w at each end: half the difference of the two widths is no chance. A pair of ends for each piece.
    pieces = 1 + broken.size
    u_ends = np.sqrt(pieces * float(widths @ widths) / 6.0 + 0.25 * float(widths[0] - widths[1]) ** 2)
    u_lag = LAG_S / 3600.0 * rate / np.sqrt(3.0)
    every = float(np.sqrt(np.sum((np.diff(course.time_s[part.start : part.stop + 1]) / 3600.0) ** 2)))
    u = np.sqrt(u_ends**2 + u_lag**2 + (u_per_hour * hours) ** 2 + (noise_per_hour * every) ** 2 + u_rule**2 + counter.jitter**2 / 3.0)
    return StepCheck(counter.name, counter.unit, counter.kind, step, by_integral, by_counter, float(u))


def _at_ends(flow: np.ndarray, time_s: np.ndarray, part: slice, first: int) -> tuple[np.ndarray, float]:
    """Flow per row at the two ends of a part of a step [Ah or Wh], and the larger of the two rates there [A or W]."""
    ends = np.array([max(part.start - 1, first), part.stop - 1])
    amount = np.abs(np.nan_to_num(flow[ends]))
    span = time_s[ends + 1] - time_s[ends]
    return amount, float(np.max(3600.0 * amount / np.where(span > 0, span, np.inf)))


def _trapezoid_error(flow: np.ndarray, time_s: np.ndarray) -> float:
    """Error of the trapezoid rule by its bends, h^2/12 (f'(b) - f'(a)) (Euler-Maclaurin; any numerical analysis text)."""
    span = np.diff(time_s)
    if flow.size < 4 or not np.all(span > 0) or not np.all(np.isfinite(flow)):
        return 0.0
    return float(abs(np.sum(np.diff(flow / span, 2) * span[1:-1]))) / 12.0
