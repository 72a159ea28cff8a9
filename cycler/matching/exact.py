"""Few cells: the best arrangement by mixed-integer linear programming, proven where the solver comes to an end in time."""

from __future__ import annotations

import itertools
import math
import time
from dataclasses import dataclass

import numpy as np

from cycler.matching.assign import Found, Task

CELLS_MAX = 24
"""With more cells the proof takes longer than anybody waits."""
NODES, NODES_ALIKE = 3_000, 1_000
"""Branches of the search trees at most, for capacity and for resistances: unlike a limit of time they give the same result on every computer."""
ALIKE_MAX = 110
"""Cells times groups at most for the search of the most alike resistances: beyond, it finds nothing within its branches that exchanges did not."""
SETS_MAX, SUBSETS_MAX = 6_000, 3_000_000
"""Sets of cells given to the solver, and sets that are listed, at most."""


_INFEASIBLE = 2
"""Status of ``scipy.optimize.milp`` where no answer exists."""


@dataclass(frozen=True, slots=True)
class Exact:
    """``found`` is None where the solver found nothing better than what it was given; ``bound_ah`` is its own upper bound."""

    found: Found | None
    bound_ah: float
    proven: bool


def best_capacity(task: Task, known_ah: float, bound_ah: float, seconds: float) -> Exact:
    """The arrangement with the largest sum of weakest groups.

    One binary per cell and group, the weakest group of each pack below each of its groups; groups of a pack stand in the order of their capacity and
    packs in that of their weakest group, since any other order is the same arrangement. Solved by HiGHS through ``scipy.optimize.milp``.

    Parameters
    ----------
    known_ah, bound_ah : float
        The answer lies between what is known already and the bound. [Ah]
    """
    cells, groups, packs, series = task.capacity_ah.size, task.groups, task.packs, task.series
    x = cells * groups
    rows, low, high = _places(task, packs)
    unit = task.resolution_ah or 1e-3  # small whole numbers suit the solver
    c = task.capacity_ah / unit
    for k in range(groups):
        row = np.zeros(x + packs)
        row[k:x:groups] = c
        row[x + k // series] = -1.0
        _add(rows, low, high, row, 0.0, np.inf)
        if k % series:
            row = np.zeros(x + packs)
            row[k:x:groups], row[k - 1 : x : groups] = c, -c
            _add(rows, low, high, row, 0.0, np.inf)
    for p in range(1, packs):
        row = np.zeros(x + packs)
        row[x + p - 1], row[x + p] = 1.0, -1.0
        _add(rows, low, high, row, 0.0, np.inf)
    row = np.zeros(x + packs)
    row[x:] = 1.0
    _add(rows, low, high, row, known_ah / unit - 1e-6, bound_ah / unit + 1e-6)
    cost = np.zeros(x + packs)
    cost[x:] = -1.0
    gap = 0.9 / max(known_ah / unit, 1.0) if task.resolution_ah else 1e-7
    answer = _solve(cost, rows, low, high, x, seconds, gap)
    own_bound = -float(answer.mip_dual_bound) * unit if answer.mip_dual_bound is not None and np.isfinite(answer.mip_dual_bound) else bound_ah
    if task.resolution_ah:
        own_bound = round(float(np.floor(own_bound / unit + 1e-6)) * unit, 9)
    own_bound = float(min(bound_ah, own_bound))
    if answer.status == _INFEASIBLE:  # nothing at or above what was known, apart from rounding: that was the best
        return Exact(None, known_ah, True)
    if answer.x is None:
        return Exact(None, max(own_bound, known_ah), False)
    found = task.result(_members(answer.x[:x], task), "exact")
    proven = answer.status == 0 or found.value_ah >= own_bound - 1e-9
    return Exact(found, max(found.value_ah, known_ah) if proven else max(own_bound, found.value_ah), proven)


def subsets(task: Task) -> int:
    """How many groups can be picked out of the cells."""
    return math.comb(task.capacity_ah.size, task.parallel)


def best_of_one_pack(task: Task, known: Found, bound_ah: float, seconds: float) -> Exact:
    """The largest weakest group of one pack, by sets of cells.

    If every group is to have t at least, none can have more than the best cells together less (groups - 1) t. Near the bound that window is narrow, and
    few sets of ``parallel`` cells lie in it; whether they hold as many disjoint ones as there are groups is a set packing problem for
    ``scipy.optimize.milp``. The largest t that can be done is found by halving what lies between the known value and the bound.

    The task must have a resolution. Proven is what is found before the time is over.
    """
    until = time.monotonic() + seconds
    unit = task.resolution_ah
    c = np.rint(task.capacity_ah / unit).astype(np.int64)
    best_total = int(np.sort(c)[::-1][: task.needed].sum())
    size, picks = c.size, task.parallel
    count = subsets(task)
    sets = np.fromiter(itertools.chain.from_iterable(itertools.combinations(range(size), picks)), np.int8, count * picks).reshape(count, picks)
    sums = c[sets].sum(axis=1)
    done, undone = int(np.rint(known.value_ah / unit)), int(np.floor(bound_ah / unit + 1e-6)) + 1
    best: Found | None = None
    while undone - done > 1:  # what can be done with t can be done with less
        t = (done + undone) // 2
        inside = sets[(sums >= t) & (sums <= best_total - (task.groups - 1) * t)]
        left = until - time.monotonic()
        if left <= 0 or len(inside) > SETS_MAX:
            break
        status, chosen = _disjoint(inside, size, task.groups, left) if len(inside) >= task.groups else (_INFEASIBLE, None)
        if chosen is not None:
            best = task.result(inside[chosen].astype(np.int64), "exact")
            done = int(np.rint(best.value_ah / unit))
        elif status == _INFEASIBLE:
            undone = t
        else:
            break
    return Exact(best, round((undone - 1) * unit, 9), undone - done <= 1)


def _disjoint(sets: np.ndarray, cells: int, wanted: int, seconds: float) -> tuple[int, np.ndarray | None]:
    """So many of the sets, no cell in two of them; the solver's status and the chosen ones (None if it gave none)."""
    rows = np.zeros((cells, len(sets)))
    rows[sets.T.ravel(), np.tile(np.arange(len(sets)), sets.shape[1])] = 1.0
    all_rows = [*rows, np.ones(len(sets))]
    answer = _solve(np.zeros(len(sets)), all_rows, [0.0] * cells + [float(wanted)], [1.0] * cells + [float(wanted)], len(sets), seconds, 1e-6)
    return int(answer.status), None if answer.x is None else np.flatnonzero(answer.x > 0.5)


def most_alike(task: Task, least_ah: float, known: Found, seconds: float) -> Found:
    """Of all arrangements with at least ``least_ah``, the one whose packs have the smallest differences of group conductance (their sum); ``known`` if the
    solver finds none better in time, or the case is too large for it (``ALIKE_MAX``)."""
    if task.capacity_ah.size * task.groups > ALIKE_MAX:
        return known
    cells, groups, packs, series = task.capacity_ah.size, task.groups, task.packs, task.series
    x = cells * groups
    rows, low, high = _places(task, 3 * packs)
    unit = task.resolution_ah or 1e-3
    c = task.capacity_ah / unit
    mean_g = float(task.conductance_s.mean()) * task.parallel
    g = task.conductance_s / mean_g
    for k in range(groups):
        p = k // series
        for values, at, sign in ((c, x + p, 1), (g, x + packs + p, 1), (g, x + 2 * packs + p, -1)):
            row = np.zeros(x + 3 * packs)
            row[k:x:groups] = sign * values
            row[at] = -sign
            _add(rows, low, high, row, 0.0, np.inf)
        if k % series:
            row = np.zeros(x + 3 * packs)
            row[k:x:groups], row[k - 1 : x : groups] = g, -g
            _add(rows, low, high, row, 0.0, np.inf)
    row = np.zeros(x + 3 * packs)
    row[x : x + packs] = 1.0
    _add(rows, low, high, row, least_ah / unit - 1e-6, np.inf)
    cost = np.zeros(x + 3 * packs)
    cost[x + packs : x + 2 * packs], cost[x + 2 * packs :] = -1.0, 1.0
    answer = _solve(cost, rows, low, high, x, seconds, 1e-3, NODES_ALIKE)
    if answer.x is None:
        return known
    found = task.result(_members(answer.x[:x], task), "exact")
    return found if found.value_ah >= least_ah - 1e-9 and found.unlike < known.unlike else known


def _places(task: Task, more: int) -> tuple[list[np.ndarray], list[float], list[float]]:
    """Each cell in one group at most, each group full; ``more`` variables follow the binaries."""
    cells, groups = task.capacity_ah.size, task.groups
    x = cells * groups
    rows: list[np.ndarray] = []
    low: list[float] = []
    high: list[float] = []
    for i in range(cells):
        row = np.zeros(x + more)
        row[i * groups : (i + 1) * groups] = 1.0
        _add(rows, low, high, row, 0.0, 1.0)
    for k in range(groups):
        row = np.zeros(x + more)
        row[k:x:groups] = 1.0
        _add(rows, low, high, row, float(task.parallel), float(task.parallel))
    return rows, low, high


def _add(rows: list[np.ndarray], low: list[float], high: list[float], row: np.ndarray, least: float, most: float) -> None:
    rows.append(row)
    low.append(least)
    high.append(most)


def _solve(cost: np.ndarray, rows: list[np.ndarray], low: list[float], high: list[float], binaries: int, seconds: float, gap: float, nodes: int = NODES):
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    whole = np.zeros(cost.size)
    whole[:binaries] = 1
    limits = Bounds(np.zeros(cost.size), np.where(whole == 1, 1.0, np.inf))
    return milp(
        cost, integrality=whole, bounds=limits, constraints=LinearConstraint(csr_matrix(np.array(rows)), low, high),
        options={"time_limit": max(0.05, seconds), "mip_rel_gap": gap, "node_limit": nodes},
    )


def _members(x: np.ndarray, task: Task) -> np.ndarray:
    """Cells of each group, shape (groups, parallel)."""
    chosen = x.reshape(task.capacity_ah.size, task.groups) > 0.5
    return np.array([np.flatnonzero(chosen[:, k]) for k in range(task.groups)])
