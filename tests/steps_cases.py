"""Seeded random tests of packs with known boundaries and kinds, read by poor instruments.

A pack of like groups (open-circuit curve, one ohmic and one RC part) is run through a program of charger, load and pauses; a bench
samples it unevenly, with noise, steps of its display, a zero error, ripple, rows that are missing, empty or spiked. All of it invented.

A case is fair: the meter suits the pack, so that levels and their differences stand ``CLEAR`` standard deviations and four display
steps above the noise, and every part lasts at least three rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from tests.corelogs import make_log

CLEAR = 10.0
PULSE_S = 60.0
FULL_V, EMPTY_V = 4.2, 3.0
FAULTS = ("missing row", "empty row", "spike of current", "spike of voltage", "dropped to zero")


@dataclass(frozen=True, slots=True)
class Truth:
    """One part of a test: its kind, its first row and by how many rows its beginning cannot be told."""

    kind: str
    first: int
    slack: int = 1


@dataclass(frozen=True, slots=True)
class Case:
    """A log with the parts it was made of."""

    name: str
    log: Log
    pack: Pack
    truth: tuple[Truth, ...]


@dataclass(frozen=True, slots=True)
class Bench:
    """How a test is read."""

    interval_s: float
    uneven: str = ""
    noise_a: float = 0.0
    noise_v: float = 0.0
    step_a: float = 0.0
    step_v: float = 0.0
    zero_a: float = 0.0
    ripple: float = 0.0
    averages: bool = False
    fault: str = ""


def cell_ocv(depth: float) -> float:
    """Open-circuit voltage of one group against depth of discharge. [V]"""
    return 4.15 - 0.75 * depth - 0.10 * depth**2 + 0.05 * math.exp(-max(depth, 0.0) / 0.02) - 0.12 * math.exp((depth - 1.0) / 0.03)


class Rig:
    """A pack under a program, stepped through in time; ``parts`` are (kind, first instant) as they came about."""

    def __init__(self, series: int, capacity_ah: float, ohmic_ohm: float, depth: float, dt_s: float) -> None:
        self.series, self.capacity, self.ohm, self.depth, self.dt = series, capacity_ah, ohmic_ohm, depth, dt_s
        self.slow_v, self.now = 0.0, 0.0
        self.currents: list[float] = []
        self.volts: list[float] = []
        self.parts: list[tuple[str, float, float]] = []

    @property
    def inner_v(self) -> float:
        """Terminal voltage without current. [V]"""
        return self.series * (cell_ocv(self.depth) + self.slow_v)

    def put(self, kind: str, current: float) -> float:
        """One instant with this current; the terminal voltage. [V]"""
        if not self.parts or self.parts[-1][0] != kind or (kind.endswith(("cc", "pulse")) and current != self.parts[-1][2]):
            self.parts.append((kind, self.now, current))
        v = self.inner_v + current * self.series * self.ohm
        self.currents.append(current)
        self.volts.append(v)
        # The slow part: 0.6 of the ohmic one, time constant 40 s.
        self.slow_v += (0.6 * self.ohm * current - self.slow_v) * (1.0 - math.exp(-self.dt / 40.0))
        self.depth -= current * self.dt / 3600.0 / self.capacity
        self.now += self.dt
        return v

    def rest(self, seconds: float) -> None:
        for _ in range(max(1, round(seconds / self.dt))):
            self.put("rest", 0.0)

    def charger(self, level_a: float, end_a: float = 0.0, seconds: float = math.inf) -> None:
        """Constant current, then constant voltage down to ``end_a``, or ``seconds`` of it."""
        limit, until = FULL_V * self.series, self.now + seconds
        while self.now < until:
            i = (limit - self.inner_v) / (self.series * self.ohm)
            if i < level_a:
                if i <= end_a:
                    return
                self.put("charge_cv", i)
            else:
                self.put("charge_cc", level_a)

    def plain_source(self, source_v: float, source_ohm: float, end_a: float) -> None:
        """A source behind a resistor: nothing is held constant, the current falls as the pack fills."""
        while True:
            i = (source_v - self.inner_v) / (self.series * self.ohm + source_ohm)
            if i <= end_a:
                return
            self.put("charge", i)

    def load(self, mode: str, level_a: float, cut_v: float, seconds: float = math.inf) -> None:
        """Constant current, power or resistance (``level_a`` at the voltage it begins with) down to ``cut_v`` or for ``seconds``."""
        e, ohm = self.inner_v, self.series * self.ohm
        start = e - level_a * ohm
        until = self.now + seconds
        while self.now < until:
            e = self.inner_v
            if mode == "cc":
                i = level_a
            elif mode == "cp":
                i = (e - math.sqrt(max(e * e - 4.0 * ohm * start * level_a, 0.0))) / (2.0 * ohm)
            else:
                i = e / (ohm + start / level_a)
            if e - i * ohm <= cut_v:
                return
            self.put(f"discharge_{mode}", -i)


def instants(rng: np.random.Generator, bench: Bench, rig: Rig) -> np.ndarray:
    """When the bench reads. [s]"""
    end = rig.now
    if bench.uneven == "jitter":
        spans = bench.interval_s * rng.uniform(0.4, 1.6, int(end / bench.interval_s / 0.9) + 10)
        times = np.cumsum(spans)
    elif bench.uneven == "on change":
        # Slow, and at five times the rate for some rows around every switch.
        grid = np.arange(0.0, end, bench.interval_s / 5.0)
        edges = np.array([start for _, start, _ in rig.parts])
        near = np.min(np.abs(grid[:, None] - edges[None, :]), axis=1) < 6.0 * bench.interval_s
        times = grid[near | (np.arange(grid.size) % 5 == 0)]
    else:
        times = np.arange(0.0, end, bench.interval_s)
    times = times + rng.uniform(0.0, 0.9) * bench.interval_s / (5.0 if bench.uneven == "on change" else 1.0)
    return times[times < end - 0.5 * rig.dt]


def read(rng: np.random.Generator, bench: Bench, rig: Rig) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times of the rig, currents and voltages as the bench writes them, without faults."""
    times = instants(rng, bench, rig)
    at = np.minimum((times / rig.dt + 1e-9).astype(int), len(rig.currents) - 1)
    i, v = np.array(rig.currents)[at], np.array(rig.volts)[at]
    if bench.averages:
        taken = np.concatenate(([0.0], np.cumsum(rig.currents)))
        before = np.concatenate(([max(at[0] - 1, 0)], at[:-1]))
        i = (taken[at + 1] - taken[before + 1]) / np.maximum(at - before, 1)
    if bench.ripple:
        phase = rng.uniform(0.0, 2.0 * np.pi, times.size)
        i = i * (1.0 + bench.ripple * np.where(i < 0, np.sin(phase), 0.0))
    i = i + bench.zero_a + bench.noise_a * rng.standard_normal(times.size)
    v = v + bench.noise_v * rng.standard_normal(times.size)
    if bench.step_a:
        i = np.round(i / bench.step_a) * bench.step_a
    if bench.step_v:
        v = np.round(v / bench.step_v) * bench.step_v
    return times, i, v


def truth_of(times: np.ndarray, origin: float, rig: Rig, bench: Bench) -> tuple[Truth, ...]:
    """Parts of the program as rows. A part that no row or two show belongs to what comes after it."""
    starts = np.array([start for _, start, _ in rig.parts]) - origin
    firsts = np.searchsorted(times, starts - 1e-9)
    firsts[0] = 0
    bounds = np.append(firsts, times.size)
    out: list[Truth] = []
    pending = None
    for k, (kind, _, _) in enumerate(rig.parts):
        rows = int(bounds[k + 1] - bounds[k])
        first = int(bounds[k]) if pending is None else pending
        if rows < 3 and kind == "charge_cc":
            # The charger held its current for a row or two before it held its voltage.
            pending = first
            continue
        pending = None
        slack = 1
        if kind == "charge_cv" and out and out[-1].kind == "charge_cc":
            slack = _leaves_noise(rig, k, bench, times, origin)
        span = rig.parts[k + 1][1] - rig.parts[k][1] if k + 1 < len(rig.parts) else rig.now - rig.parts[k][1]
        if kind.endswith("_cc") and span <= PULSE_S and 0 < k < len(rig.parts) - 1:
            following = rig.parts[k + 1][0]
            if following != "charge_cv":
                kind = "pulse_" + kind.removesuffix("_cc")
        if out and out[-1].kind == kind and kind == "charge_cv":
            continue
        out.append(Truth(kind, first, slack))
    return tuple(out)


def _leaves_noise(rig: Rig, k: int, bench: Bench, times: np.ndarray, origin: float) -> int:
    """Rows after the voltage limit until the current has left its level by what the meter can tell, at least one.

    Four standard deviations, two display steps and 1 % of the level: nothing in the log shows the change earlier.
    """
    start = rig.parts[k][1]
    first = round(start / rig.dt)
    part = np.array(rig.currents[first:])
    level = rig.currents[first - 1]
    told = np.flatnonzero(part < level - 4.0 * bench.noise_a - 2.0 * bench.step_a - 0.01 * level)
    when = start + (told[0] if told.size else part.size) * rig.dt - origin
    return max(1, int(np.searchsorted(times, when) - np.searchsorted(times, start - origin)) + 1)


def with_fault(rng: np.random.Generator, case: Case, fault: str) -> Case:
    """The case with one bad row somewhere."""
    log = case.log
    row = int(rng.integers(4, log.rows - 4))
    t, i, v = (np.array(a) for a in (log.time_s, log.current_a, log.voltage_v))
    truth = case.truth
    if fault == "missing row":
        t, i, v = (np.delete(a, row) for a in (t, i, v))
        truth = tuple(replace(part, first=part.first - (part.first > row)) for part in truth)
    elif fault == "empty row":
        i[row] = v[row] = np.nan
    elif fault == "spike of current":
        i[row] = i[row] + float(rng.choice([-3.0, 3.0])) * np.max(np.abs(i))
    elif fault == "spike of voltage":
        v[row] = v[row] * float(rng.choice([0.5, 1.5]))
    elif fault == "dropped to zero":
        i[row] = v[row] = 0.0
    return replace(case, name=f"{case.name}, {fault} at row {row}", log=make_log(t, v, i), truth=truth)


FAMILIES = ("taper", "stepped charge", "charger pauses", "plain source", "pulses", "constant power", "constant resistance", "load steps")
SAMPLINGS: tuple[tuple[float, str], ...] = (
    (0.1, ""), (1.0, ""), (5.0, ""), (10.0, ""), (60.0, ""), (1.0, "jitter"), (5.0, "jitter"), (5.0, "on change"), (10.0, "on change"),
)


def random_case(seed: int, family: str | None = None, fault: str | None = None) -> Case:
    """The test of this seed."""
    rng = np.random.default_rng(seed)
    family = family or FAMILIES[seed % len(FAMILIES)]
    interval, uneven = SAMPLINGS[int(rng.integers(len(SAMPLINGS)))]
    series = int(rng.choice([1, 2, 3, 4, 7, 10, 13, 16, 20]))
    level = float(np.exp(rng.uniform(np.log(0.5), np.log(60.0))))
    # How long the main parts last: some hundred rows, less than a day.
    span = float(np.clip(interval * rng.uniform(250, 1500), 900.0, 6 * 3600.0))
    capacity = level * span / 3600.0 / rng.uniform(0.75, 0.95)
    # A load lowers the voltage of a group by 40 to 150 mV at once.
    ohm = rng.uniform(0.04, 0.15) / level
    charge_level = level * rng.uniform(0.4, 1.0)
    end_level = charge_level * rng.uniform(0.06, 0.15)
    smallest = min(end_level, 0.15 * level) if family in ("taper", "charger pauses", "stepped charge", "plain source") else 0.3 * charge_level
    noise = max([n for n in (0.0, 0.005, 0.02, 0.05) if CLEAR * n <= 0.8 * smallest])
    noise = float(rng.choice([n for n in (0.0, 0.005, 0.02, 0.05) if n <= noise]))
    step_a, step_v = [(0.01, 0.01), (0.001, 0.001), (0.0, 0.0)][int(rng.integers(3))]
    if 6.0 * step_a > smallest:
        step_a, step_v = 0.001, 0.001
    # No charger stops where the meter cannot tell its current from nothing.
    end_level = max(end_level, 1.25 * CLEAR * noise, 6.0 * step_a)
    zero = float(rng.uniform(-1.0, 1.0) * min(0.03, 0.3 * smallest)) if rng.random() < 0.6 else 0.0
    bench = Bench(
        interval, uneven, noise, float(rng.choice([0.0, 0.001, 0.002, 0.005])), step_a, step_v, zero,
        0.02 if rng.random() < 0.3 else 0.0, bool(rng.random() < 0.25),
    )
    dt = min(interval / {"": 2.0, "jitter": 5.0, "on change": 10.0}[uneven], 5.0)
    rest = max(180.0, 12 * interval) * rng.uniform(1.0, 3.0)
    rig = Rig(series, capacity, ohm, float(rng.uniform(0.75, 0.9)), dt)
    cut = EMPTY_V * series
    rig.rest(rest)
    _charge(rng, rig, family, charge_level, end_level, span, interval)
    rig.rest(rest)
    if family == "pulses":
        _pulses(rng, rig, level, interval, rest)
    _discharge(rng, rig, family, level, cut, span, interval)
    rig.rest(rest)
    times, current, voltage = read(rng, bench, rig)
    origin = float(times[0])
    name = (
        f"seed {seed}: {family}, {series}S, {level:.2g} A, every {interval:g} s {uneven}, {1e3 * noise:g} mA, step {1e3 * step_a:g} mA, "
        f"zero {1e3 * zero:.0f} mA, ripple {bench.ripple}, averages {bench.averages}"
    )
    pack = Pack(series=series, charge_voltage_v=FULL_V * series, cutoff_voltage_v=cut, taper_current_a=end_level)
    case = Case(name, make_log(times - origin, voltage, current), pack, truth_of(times - origin, origin, rig, bench))
    return with_fault(rng, case, fault) if fault else case


def _charge(rng: np.random.Generator, rig: Rig, family: str, level: float, end: float, span: float, interval: float) -> None:
    if family == "plain source":
        # Open voltage so that the current falls to a quarter or less.
        ohm = rng.uniform(0.2, 0.4) * rig.series / level
        rig.plain_source(rig.inner_v + level * (ohm + rig.series * rig.ohm), ohm, 0.25 * level)
    elif family == "stepped charge":
        for share in (1.0, 0.7, 0.45):
            rig.charger(share * level, 0.0, max(span * rng.uniform(0.15, 0.25), 8.0 * interval))
            if rig.parts[-1][0] == "charge_cv":
                break
        rig.charger(rig.currents[-1] if rig.parts[-1][0] == "charge_cv" else 0.45 * level, end)
    elif family == "charger pauses":
        for _ in range(int(rng.integers(1, 4))):
            rig.charger(level, end, max(span * rng.uniform(0.1, 0.4), 8.0 * interval))
            if rig.currents[-1] <= 1.3 * end:
                return
            rig.rest(max(float(rng.uniform(30.0, 600.0)), 4.0 * interval))
        rig.charger(level, end)
    else:
        rig.charger(level, end)


def _pulses(rng: np.random.Generator, rig: Rig, level: float, interval: float, rest: float) -> None:
    for rows in rng.choice([3, 5, 10], 2):
        seconds = _clear_of_limit(float(rows) * interval)
        rig.load("cc", level * float(rng.uniform(0.5, 1.0)), 0.0, seconds)
        rig.rest(rest)


def _clear_of_limit(seconds: float) -> float:
    """Pulse or step: no part lasts near the limit between the two."""
    return 40.0 if 40.0 < seconds <= PULSE_S else 90.0 if PULSE_S < seconds < 90.0 else seconds


def _discharge(rng: np.random.Generator, rig: Rig, family: str, level: float, cut: float, span: float, interval: float) -> None:
    if family == "constant power":
        rig.load("cp", level, cut)
    elif family == "constant resistance":
        rig.load("cr", level, cut)
    elif family == "load steps":
        for share in rng.permutation([0.35, 0.6, 1.0]):
            rig.load("cc", share * level, cut, max(0.25 * span, 8.0 * interval))
        rig.load("cc", 0.8 * level, cut)
    elif family == "pulses":
        # A pulse on top of a steady load.
        rig.load("cc", 0.4 * level, cut, max(0.3 * span, 8.0 * interval))
        rig.load("cc", level, 0.0, _clear_of_limit(float(rng.choice([3, 5, 10])) * interval))
        rig.load("cc", 0.4 * level, cut)
    else:
        rig.load("cc", level, cut)


@dataclass(frozen=True, slots=True)
class Score:
    """What was right about the steps found for a case, in words if not."""

    right: bool
    why: str = ""


def score(case: Case, steps) -> Score:
    """Whether number, kinds and first rows of the steps are those of the case."""
    found = [(s.kind, s.first) for s in steps]
    meant = [(part.kind, part.first) for part in case.truth]
    if [kind for kind, _ in found] != [kind for kind, _ in meant]:
        return Score(False, f"kinds: found {found}, meant {meant}")
    late = [
        (kind, first, part.first, part.slack) for (kind, first), part in zip(found, case.truth, strict=True)
        if abs(first - part.first) > part.slack
    ]
    return Score(not late, f"boundaries (kind, found, meant, slack): {late}" if late else "")
