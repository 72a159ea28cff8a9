"""What no arrangement can beat: upper bounds of the sum of the packs' weakest groups."""

from __future__ import annotations

import math

import numpy as np

__all__ = ["best_possible", "packs_capacity"]


def packs_capacity(group_capacity: np.ndarray, resolution: float = 0.0) -> float:
    """Sum over the packs of the weakest group's capacity.

    Parameters
    ----------
    group_capacity : ndarray, shape (packs, series)
        Sum of the capacities of the cells of each group. [Ah]
    resolution : float
        Last decimal place of the capacities; sums are rounded to it. [Ah]
    """
    total = float(group_capacity.min(axis=1).sum())
    return round(round(total / resolution) * resolution, 9) if resolution else total


def best_possible(capacity: np.ndarray, series: int, parallel: int, packs: int, resolution: float = 0.0) -> float:
    """Upper bound of :func:`packs_capacity` over all choices and arrangements of the cells. [Ah]

    Let C_1 >= C_2 >= ... be the capacities of the packs of the best arrangement, c_1 >= c_2 >= ... those of the cells, S series, P parallel. Packs 1
    to j hold k = j S groups that do not share a cell, and each of these groups has at least C_j. Three things follow.

    1. The q largest cells lie in at most q of these k groups. The k - q others hold (k - q) P cells, none of which is among the q largest, so C_j is at
       most the mean of these groups, (c_(q+1) + ... + c_(q + (k-q) P)) / (k - q), for every q from 0 to k - 1. (With P = 1 this is c_k.)
    2. The r last of the first k P cells, or worse ones, are among those used, in g groups, r / P <= g <= r; C_j is at most the mean of these groups, each
       filled up with the largest cells. The worst case over g holds.
    3. C_1 + ... + C_j is at most the mean of k groups times j, (c_1 + ... + c_(k P)) / S.

    The largest sum under the three is min over j of (sum of the first j by 3) + (C_(j+1) + ... by 1 and 2). Sums of cells are whole multiples of the
    resolution, so each bound is rounded down to one.

    Notes
    -----
    Point 1 is the usual argument of machine covering (the largest jobs set aside), here with a fixed number of cells a group; derived here.
    """
    c = np.sort(np.asarray(capacity, float))[::-1]
    before = np.concatenate(([0.0], np.cumsum(c)))

    def down(value: float) -> float:
        if not resolution or not math.isfinite(value):
            return value
        return round(math.floor(value / resolution + 1e-6) * resolution, 9)

    single = np.array([down(_least_of(before, c, (j + 1) * series, parallel)) for j in range(packs)])
    single = np.minimum.accumulate(single)
    first = np.array([0.0, *(down(before[(j + 1) * series * parallel] / series) for j in range(packs))])
    rest = np.concatenate((np.cumsum(single[::-1])[::-1], [0.0]))
    return round(float(np.min(first + rest)), 9) if resolution else float(np.min(first + rest))


def _least_of(before: np.ndarray, c: np.ndarray, groups: int, parallel: int) -> float:
    """Bound of the weakest of so many groups: points 1 and 2 above."""
    q = np.arange(groups)
    by_large = (before[q + (groups - q) * parallel] - before[q]) / (groups - q)
    bound = float(by_large.min())
    used = groups * parallel
    for r in range(1, min(used, 3 * parallel) + 1):
        g = np.arange(-(-r // parallel), min(r, groups) + 1)
        small = before[used] - before[used - r]
        filled = g * parallel - r
        means = (small + before[np.minimum(filled, used - r)]) / g
        bound = min(bound, float(means.max()))
    return bound
