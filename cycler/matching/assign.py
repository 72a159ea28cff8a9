"""Cells put into groups and packs, for any number of cells: a start by rank, then exchanges of two cells as long as they mend something.

How far the result is from the best there can be is told by :mod:`cycler.matching.bound`, not here.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from cycler.matching.bound import packs_capacity

RESISTANCE_STEP = 0.01
"""A group's conductance off by this share counts in the search as much as its capacity off by what may be given up for it."""
WEIGHTS = (1.0, 0.3, 0.1)
"""The search is done with the capacity held to these multiples of what may be given up; the best result is kept."""
KICKS, KICKS_CELLS = 200, 30_000
"""Restarts from a shaken result: at most this many, and fewer for more cells (this number over the cells)."""
_EPS = 1e-12

Tell = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Found:
    """An arrangement: ``cells`` are indices, shape (packs, series, parallel). ``value_ah`` is the sum of the weakest groups, ``unlike`` the mean over the
    packs of (largest - smallest group conductance) / mean."""

    cells: np.ndarray
    value_ah: float
    unlike: float
    method: str
    in_time: bool = True


@dataclass(slots=True)
class Task:
    """What is to be put together. ``capacity_ah`` and ``conductance_s`` of the cells that may be used, shape (cells,)."""

    capacity_ah: np.ndarray
    conductance_s: np.ndarray
    series: int
    parallel: int
    packs: int
    resolution_ah: float = 0.0
    given_up: float = 0.001

    @property
    def groups(self) -> int:
        """Number of groups of all packs."""
        return self.series * self.packs

    @property
    def needed(self) -> int:
        """Number of cells of all packs."""
        return self.groups * self.parallel

    def result(self, cells: np.ndarray, method: str, in_time: bool = True) -> Found:
        """An arrangement with its figures."""
        shaped = cells.reshape(self.packs, self.series, self.parallel)
        value = packs_capacity(self.capacity_ah[shaped].sum(axis=2), self.resolution_ah)
        conductance = self.conductance_s[shaped].sum(axis=2)
        return Found(shaped, value, float(np.mean(np.ptp(conductance, axis=1) / conductance.mean(axis=1))), method, in_time)


def put_together(task: Task, seed: int, until: float, bound_ah: float, tell: Tell = lambda _share: None) -> tuple[Found, Found]:
    """The best arrangement found, and the one with the largest capacity whatever the resistances.

    Parameters
    ----------
    seed : int
        Same seed, same result, unless the time runs out.
    until : float
        ``time.monotonic()`` at which the search ends with what it has. [s]
    bound_ah : float
        Nothing is better than this; once it is reached, only resistances are worked on.
    tell : callable
        Told the share that is done; may raise to end the work.

    Notes
    -----
    First the capacity alone: the largest cells, laid out in rows of one cell a group, every other row backwards, then exchanges. This is done once with
    all groups alike and once with packs graded by capacity; the better one says how much capacity there is. Then resistances: the same exchanges with
    the conductances of the groups (which add up as capacities do) in the sum of squares, and the groups sorted into packs. Of all results whose
    capacity is within ``given_up`` of the best, the one with the most alike resistances is taken; packs that are alike go before graded ones.
    """
    rng = np.random.default_rng(seed)
    kicks = int(np.clip(KICKS_CELLS // max(1, task.needed), 3, KICKS))
    starts = ["alike"] + (["graded"] if task.packs > 1 else [])
    plain: list[Found] = []
    searches: dict[str, _Search] = {}
    steps = len(starts) + len(WEIGHTS)

    def part_done(before: int, share: float) -> None:
        tell((before + share) / steps)

    for number, start in enumerate(starts):
        search = _Search(task, start)
        search.work(0.0, rng, kicks, until, partial(part_done, number), bound_ah)
        plain += search.packed(start)
        searches[start] = search
    best = max(plain, key=lambda found: found.value_ah)
    least = best.value_ah * (1.0 - task.given_up) - _EPS
    alike = [found for found in plain if found.value_ah >= least and found.method == "alike"]
    start = "alike" if alike else "graded"
    for number, weight in enumerate(WEIGHTS):
        search = searches[start].copy()
        search.work(weight, rng, kicks, until, partial(part_done, len(starts) + number), bound_ah)
        plain += search.packed(start, least)
    best = max(plain, key=lambda found: found.value_ah)  # the later searches may have found more
    least = best.value_ah * (1.0 - task.given_up) - _EPS
    good = [found for found in plain if found.value_ah >= least and found.method == start] or [best]
    chosen = min(good, key=lambda found: (round(found.unlike, 9), -found.value_ah))
    return replace(chosen, in_time=time.monotonic() < until), best


class _Search:
    """Members of the groups, and exchanges of two cells (of two groups, or of a group and the cells left over)."""

    def __init__(self, task: Task, start: str) -> None:
        self.task, self.start = task, start
        order = np.lexsort((-task.conductance_s, -task.capacity_ah))[: task.needed]
        groups, parallel, packs = task.groups, task.parallel, task.packs
        if start == "graded":
            blocks = order.reshape(packs, parallel, task.series)
            blocks = np.stack([rows if k % 2 == 0 else rows[:, ::-1] for k, rows in enumerate(blocks.transpose(1, 0, 2))])
            self.members = blocks.transpose(1, 2, 0).reshape(groups, parallel)
        else:
            rows = order.reshape(parallel, groups).copy()
            rows[1::2] = rows[1::2, ::-1]
            self.members = rows.T.copy()
        self.members = np.ascontiguousarray(self.members)
        pack_of = np.repeat(np.arange(packs), task.series) if start == "graded" else np.zeros(groups, int)
        size = np.bincount(pack_of)
        cap, con = task.capacity_ah[self.members].sum(axis=1), task.conductance_s[self.members].sum(axis=1)
        self.target_c = (np.bincount(pack_of, cap) / size)[pack_of]
        self.target_g = (np.bincount(pack_of, con) / size)[pack_of]
        self._settle()

    def copy(self) -> _Search:
        """One that goes on from here."""
        new = object.__new__(_Search)
        new.task, new.start, new.members = self.task, self.start, self.members.copy()
        new.target_c, new.target_g = self.target_c, self.target_g
        new._settle()
        return new

    def _settle(self) -> None:
        task = self.task
        self.group_of = np.full(task.capacity_ah.size, -1)
        self.group_of[self.members.ravel()] = np.repeat(np.arange(task.groups), task.parallel)
        self.off_c = task.capacity_ah[self.members].sum(axis=1) - self.target_c
        self.off_g = task.conductance_s[self.members].sum(axis=1) - self.target_g

    def _weights(self, weight: float) -> tuple[float, float]:
        """Of the squares of capacity and conductance; ``weight`` 0 leaves the conductance out."""
        mean_c, mean_g = float(self.target_c.mean()), float(self.target_g.mean())
        if weight == 0.0:
            return 1.0 / mean_c**2, 0.0
        return 1.0 / (max(self.task.given_up, 1e-5) * weight * mean_c) ** 2, 1.0 / (RESISTANCE_STEP * mean_g) ** 2

    def cost(self, weights: tuple[float, float]) -> float:
        """Weighted sum of squares."""
        return float(weights[0] * (self.off_c @ self.off_c) + weights[1] * (self.off_g @ self.off_g))

    def work(self, weight: float, rng: np.random.Generator, kicks: int, until: float, tell: Tell, bound_ah: float) -> None:
        """Exchanges until none helps, then again from shaken states; the best state stays."""
        weights = self._weights(weight)
        self._descend(weights, until, np.arange(self.task.groups))
        best, kept = self.cost(weights), self.members.copy()
        for kick in range(kicks):
            if time.monotonic() >= until or (weight == 0.0 and self._value() >= bound_ah - _EPS):
                break
            tell(kick / kicks)
            self._descend(weights, until, self._shake(rng))
            now = self.cost(weights)
            if now < best - _EPS:
                best, kept = now, self.members.copy()
            else:
                self.members = kept.copy()
                self._settle()
        self.members = kept
        self._settle()
        tell(1.0)

    def _value(self) -> float:
        sums = np.sort(self.off_c + self.target_c)[::-1].reshape(self.task.packs, self.task.series)
        return packs_capacity(sums, self.task.resolution_ah)

    def _descend(self, weights: tuple[float, float], until: float, first: np.ndarray) -> None:
        """Best exchange of one cell of a group with any other cell, group by group, the worst first, until none helps."""
        task = self.task
        c, g, (wc, wg) = task.capacity_ah, task.conductance_s, weights
        dirty = np.zeros(task.groups, bool)
        dirty[first] = True
        rounds = 0
        while dirty.any() and rounds < 200 * task.groups:
            if time.monotonic() >= until:
                return
            order = np.flatnonzero(dirty)
            badness = wc * self.off_c[order] ** 2 + wg * self.off_g[order] ** 2
            for k in order[np.argsort(-badness, kind="stable")]:
                rounds += 1
                mine = self.members[k]
                grouped = self.group_of >= 0
                twice = np.where(grouped, 2.0, 1.0)
                other_c = np.where(grouped, self.off_c[self.group_of], 0.0)
                move = c[None, :] - c[mine, None]
                gain = wc * move * (2.0 * (self.off_c[k] - other_c)[None, :] + twice * move)
                if wg:
                    other_g = np.where(grouped, self.off_g[self.group_of], 0.0)
                    move = g[None, :] - g[mine, None]
                    gain += wg * move * (2.0 * (self.off_g[k] - other_g)[None, :] + twice * move)
                gain[:, self.group_of == k] = np.inf
                at = int(np.argmin(gain))
                if gain.flat[at] >= -_EPS * (1.0 + wc * self.off_c[k] ** 2 + wg * self.off_g[k] ** 2):
                    dirty[k] = False
                    continue
                row, j = divmod(at, c.size)
                other = self._exchange(int(k), row, j)
                if other >= 0:
                    dirty[other] = True
            if rounds > 200 * task.groups:
                break

    def _exchange(self, k: int, row: int, j: int) -> int:
        """Swap the cell in ``row`` of group ``k`` with cell ``j``; returns the other's group, -1 for one left over."""
        c, g = self.task.capacity_ah, self.task.conductance_s
        i, other = int(self.members[k, row]), int(self.group_of[j])
        self.members[k, row] = j
        self.off_c[k] += c[j] - c[i]
        self.off_g[k] += g[j] - g[i]
        if other >= 0:
            self.members[other, np.flatnonzero(self.members[other] == j)[0]] = i
            self.off_c[other] -= c[j] - c[i]
            self.off_g[other] -= g[j] - g[i]
        self.group_of[i], self.group_of[j] = other, k
        return other

    def _shake(self, rng: np.random.Generator) -> np.ndarray:
        """Exchange cells of a few groups by lot; returns those groups."""
        groups = self.task.groups
        if groups < 2:
            return np.arange(groups)
        few = max(1, groups // 20)
        touched = set()
        for _ in range(few):
            a, b = rng.choice(groups, 2, replace=False)
            if self.start == "graded" and rng.random() < 0.8:
                first = a - a % self.task.series
                b = first + int(rng.integers(self.task.series))
                if b == a:
                    continue
            self._exchange(int(a), int(rng.integers(self.task.parallel)), int(self.members[b, rng.integers(self.task.parallel)]))
            touched |= {int(a), int(b)}
        return np.array(sorted(touched), int)

    def packed(self, start: str, least: float = -np.inf) -> list[Found]:
        """Groups sorted into packs by capacity, by conductance, and by mixtures of the two."""
        task = self.task
        cap, con = self.off_c + self.target_c, self.off_g + self.target_g
        step_c, step_g = max(float(np.ptp(cap)), 1e-12), max(float(np.ptp(con)), 1e-12)
        found = []
        for mix in (0.0, 0.03, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0):
            order = np.lexsort((-con, -((1.0 - mix) * cap / step_c + mix * con / step_g)))
            result = task.result(self.members[order], start)
            if result.value_ah >= least or mix == 0.0:
                found.append(result)
        return found
