"""Runs a test program on a pack model: a chain of exact pieces with linear current.

Constant-current steps are one piece each, solved in closed form at any instant; constant voltage is a chain of
short pieces whose end currents hold the voltage. Limits are searched on a fine grid and then bisected, so edges
fall where they fall and not on a time grid.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from cycler.simulator.bench import Bench
from cycler.simulator.model import (
    SECONDS_PER_HOUR,
    PackModel,
    State,
    group_voltages,
    start_state,
    state_after,
    terminal_voltage,
)
from cycler.simulator.program import Charge, Discharge, Program, Rest

_LONGEST_STEP_S = 200 * SECONDS_PER_HOUR
_SEARCH_GRID_S = np.concatenate((np.arange(0.0, 10.0, 0.1), np.arange(10.0, 120.0, 1.0)))


@dataclass(frozen=True, slots=True)
class StepTruth:
    """One phase as it truly happened. ``kind``: rest, charge_cc, charge_cv, discharge, pulse. Times in s."""

    kind: str
    program_step: int
    start_s: float
    end_s: float
    start_current_a: float
    end_current_a: float
    end_reason: str
    ending_group: int | None
    first_piece: int
    last_piece: int


@dataclass(slots=True, eq=False)
class _Chain:
    start_s: list[float] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    ramp: list[float] = field(default_factory=list)
    soc: list[np.ndarray] = field(default_factory=list)
    branch_v: list[np.ndarray] = field(default_factory=list)
    open: list[bool] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The noiseless course of a test; evaluate it at any time."""

    model: PackModel
    start_s: np.ndarray
    current_a: np.ndarray
    ramp_a_per_s: np.ndarray
    soc: np.ndarray
    branch_v: np.ndarray
    board_open: np.ndarray
    end_s: float
    steps: tuple[StepTruth, ...]

    def piece_at(self, time_s: np.ndarray) -> np.ndarray:
        """Index of the piece in force at each time."""
        return np.clip(np.searchsorted(self.start_s, time_s, side="right") - 1, 0, self.start_s.size - 1)

    def at(self, time_s: np.ndarray) -> tuple[State, np.ndarray, np.ndarray, np.ndarray]:
        """State, current (n,) [A], group voltages (n, series) [V] and terminal voltage (n,) [V]."""
        time_s = np.asarray(time_s, dtype=float)
        index = self.piece_at(time_s)
        after = time_s - self.start_s[index]
        state = state_after(
            self.model, State(self.soc[index], self.branch_v[index]), self.current_a[index],
            self.ramp_a_per_s[index], after,
        )
        current = self.current_a[index] + self.ramp_a_per_s[index] * after
        groups = group_voltages(self.model, state, current)
        terminals = terminal_voltage(self.model, groups, current)
        board = self.model.board
        if board is not None:
            terminals = np.where(self.board_open[index], board.residual_v, terminals)
        return state, current, groups, terminals

    def piece_charge_coulomb(self) -> np.ndarray:
        """Charge of each whole piece, charge positive. [C]"""
        length = np.diff(np.append(self.start_s, self.end_s))
        return length * (self.current_a + 0.5 * self.ramp_a_per_s * length)

    def charge_between_ah(self, start_s: float, end_s: float) -> float:
        """Net charge between two times, charge positive, from the true current. [Ah]"""
        return float(self._cumulative(np.array([end_s]))[0] - self._cumulative(np.array([start_s]))[0]) / SECONDS_PER_HOUR

    def _cumulative(self, time_s: np.ndarray) -> np.ndarray:
        before = np.concatenate(([0.0], np.cumsum(self.piece_charge_coulomb())))
        index = self.piece_at(time_s)
        after = time_s - self.start_s[index]
        return before[index] + after * (self.current_a[index] + 0.5 * self.ramp_a_per_s[index] * after)


Margin = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""(terminal voltage (n,), group voltages (n, series)) -> how far beyond a limit, >= 0 when reached."""


def first_crossing(
    model: PackModel, state: State, current_a: float, margins: list[Margin], longest_s: float
) -> tuple[float, int | None]:
    """When a constant current first reaches one of several limits, and which; (longest_s, None) if none.

    Searched every 0.1 s for 10 s, every second for 2 min, then every 5 s; bisected to below 1 ns.
    """
    def beyond(times: np.ndarray) -> np.ndarray:
        reached = state_after(model, state, current_a, 0.0, times)
        groups = group_voltages(model, reached, np.full(times.shape, current_a))
        terminals = terminal_voltage(model, groups, current_a)
        return np.stack([margin(terminals, groups) for margin in margins], axis=-1)

    if not margins:
        return longest_s, None
    begin = 0.0
    while begin < longest_s:
        grid = _SEARCH_GRID_S if begin == 0.0 else begin + np.arange(0.0, 1800.0, 5.0)
        grid = np.append(grid[grid < longest_s], min(float(grid[-1]) + 5.0, longest_s))
        hits = np.flatnonzero(beyond(grid).max(axis=-1) >= 0)
        if hits.size:
            high = float(grid[hits[0]])
            low = float(grid[hits[0] - 1]) if hits[0] else 0.0
            for _ in range(60):
                middle = 0.5 * (low + high)
                if float(beyond(np.array([middle])).max()) >= 0:
                    high = middle
                else:
                    low = middle
            return high, int(np.argmax(beyond(np.array([high]))[0]))
        begin = float(grid[-1])
    return longest_s, None


class Runner:
    """Keeps the state of pack and board while a program runs."""

    def __init__(self, model: PackModel, bench: Bench) -> None:
        self.model, self.bench = model, bench
        self.state = start_state(model)
        self.time_s = 0.0
        self.open = False
        self.chain = _Chain()
        self.steps: list[StepTruth] = []

    def run(self, program: Program) -> Solution:
        """The course of the whole program."""
        for number, step in enumerate(program, start=1):
            if isinstance(step, Rest):
                self._record("rest", number, partial(self._hold, 0.0, step.duration_s, "set_by_program"))
            elif self.open:
                continue
            elif isinstance(step, Charge):
                self._charge(step, number)
            else:
                kind = "pulse" if step.pulse else "discharge"
                self._record(kind, number, partial(self._discharge, step))
        chain = self.chain
        return Solution(
            self.model, np.array(chain.start_s), np.array(chain.current_a), np.array(chain.ramp), np.array(chain.soc),
            np.array(chain.branch_v), np.array(chain.open), self.time_s, tuple(self.steps),
        )

    def _record(self, kind: str, number: int, act: Callable[[], tuple[str, int | None]]) -> str:
        start, first = self.time_s, len(self.chain.start_s)
        reason, group = act()
        last = len(self.chain.start_s) - 1
        if last < first:
            return reason
        length = self.time_s - self.chain.start_s[last]
        self.steps.append(StepTruth(
            kind, number, start, self.time_s, self.chain.current_a[first],
            self.chain.current_a[last] + self.chain.ramp[last] * length, reason, group, first, last,
        ))
        return reason

    def _push(self, current_a: float, ramp: float, length_s: float, state: State | None = None) -> None:
        if length_s <= 0:
            return
        chain = self.chain
        chain.start_s.append(self.time_s)
        chain.current_a.append(current_a)
        chain.ramp.append(ramp)
        chain.soc.append(self.state.soc)
        chain.branch_v.append(self.state.branch_v)
        chain.open.append(self.open)
        if state is None:
            after = state_after(self.model, self.state, current_a, ramp, np.array([length_s]))
            state = State(after.soc[0], after.branch_v[0])
        self.state = state
        self.time_s += length_s

    def _hold(self, current_a: float, duration_s: float, reason: str) -> tuple[str, int | None]:
        self._push(current_a, 0.0, duration_s)
        return reason, None

    def _board_margins(self) -> list[Margin]:
        board = self.model.board
        if board is None:
            return []
        return [
            lambda terminals, groups: board.under_voltage_v - groups.min(axis=-1),
            lambda terminals, groups: groups.max(axis=-1) - board.over_voltage_v,
        ]

    def _constant_current(
        self, current_a: float, margins: list[tuple[str, Margin]], longest_s: float, at_longest: str
    ) -> tuple[str, int | None]:
        named = margins + [("protection_trip", margin) for margin in self._board_margins()]
        length, which = first_crossing(self.model, self.state, current_a, [m for _, m in named], longest_s)
        self._push(current_a, 0.0, length)
        reason = at_longest if which is None else named[which][0]
        group = None
        if reason in ("group_cutoff", "protection_trip"):
            groups = group_voltages(self.model, self.state, current_a)
            falling = current_a < 0
            group = int(np.argmin(groups) if falling else np.argmax(groups)) + 1
        if reason == "protection_trip":
            self.open = True
        return reason, group

    def _discharge(self, step: Discharge) -> tuple[str, int | None]:
        bench = self.bench
        current = bench.true_current(step.current_a if step.charging else -step.current_a)
        margins: list[tuple[str, Margin]] = []
        if step.cutoff_voltage_v > 0:
            margins.append((
                "pack_cutoff", lambda terminals, groups: step.cutoff_voltage_v - bench.indicated_voltage(terminals, current),
            ))
        if step.group_cutoff_voltage_v is not None:
            margins.append((
                "group_cutoff", lambda terminals, groups: step.group_cutoff_voltage_v - bench.indicated_groups(groups).min(axis=-1),
            ))
        longest = min(step.duration_s, step.stop_after_ah * SECONDS_PER_HOUR / abs(current), _LONGEST_STEP_S)
        return self._constant_current(current, margins, longest, "set_by_program")

    def _charge(self, step: Charge, number: int) -> None:
        bench = self.bench
        current = bench.true_current(step.current_a)
        begun = self.time_s

        def at_voltage(terminals: np.ndarray, groups: np.ndarray) -> np.ndarray:
            return bench.indicated_voltage(terminals, current) - step.voltage_v

        reason = self._record(
            "charge_cc", number,
            lambda: self._constant_current(
                current, [("charge_voltage", at_voltage)], min(step.stop_after_s, _LONGEST_STEP_S), "set_by_program"
            ),
        )
        if reason == "charge_voltage":
            self._record("charge_cv", number, lambda: self._constant_voltage(step, current, begun))

    def _constant_voltage(self, step: Charge, current_a: float, begun_s: float) -> tuple[str, int | None]:
        model, bench, board = self.model, self.bench, self.model.board
        taper = bench.true_current(step.taper_current_a)
        current, slope_guess, entered = current_a, 0.0, self.time_s
        while True:
            spent = self.time_s - entered
            length = 0.25 if spent < 10 else 1.0 if spent < 60 else 5.0
            left = begun_s + step.stop_after_s - self.time_s
            if left <= 1e-9:
                return "set_by_program", None
            length = min(length, left)

            def excess(end_a: float, length: float = length, current: float = current) -> tuple[float, State, np.ndarray]:
                after = state_after(model, self.state, current, (end_a - current) / length, np.array([length]))
                after = State(after.soc[0], after.branch_v[0])
                groups = group_voltages(model, after, end_a)
                return float(bench.indicated_voltage(terminal_voltage(model, groups, end_a), end_a)) - step.voltage_v, after, groups

            a = current + slope_guess * length
            b = a - 1e-3 * abs(current_a)
            error_a, error_b = excess(a)[0], excess(b)[0]
            for _ in range(8):
                a, b = a - error_a * (b - a) / (error_b - error_a), a
                error_b, (error_a, after, groups) = error_a, excess(a)
                if abs(error_a) < 1e-9 or a == b:
                    break
            ramp = (a - current) / length
            if a <= taper:
                self._push(current, ramp, (taper - current) / ramp)
                return "charge_taper", None
            self._push(current, ramp, length, after)
            current, slope_guess = a, ramp
            if board is not None and groups.max() >= board.over_voltage_v:
                self.open = True
                return "protection_trip", int(np.argmax(groups)) + 1
            if self.time_s - entered > _LONGEST_STEP_S:
                return "set_by_program", None


def run_program(model: PackModel, program: Program, bench: Bench) -> Solution:
    """Course of a test on a pack, controlled by a bench's own readings.

    Parameters
    ----------
    model : PackModel
    program : tuple of Rest, Charge, Discharge
    bench : Bench
        Its errors shift the true current and the true voltages at which steps end.

    Returns
    -------
    Solution
        True course; a step that a tripped board forbids is left out.
    """
    return Runner(model, bench).run(program)
