"""How far a counter moves for each unit of charge or energy that flowed: what survives resets, pauses and mixed sampling."""

from __future__ import annotations

import numpy as np

PORTIONS = 10
LEAST_CHANGES = 20
"""A counter that changed less often proves nothing about units."""


def portions(counter: np.ndarray, moved: np.ndarray, rows: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Flow and movement of a counter in ten portions of equal flow.

    Parameters
    ----------
    counter : ndarray, shape (n,)
        Readings of the counter.
    moved : ndarray, shape (n - 1,)
        What flowed between neighbouring rows, of any sign.
    rows : ndarray of bool, shape (n - 1,), optional
        The intervals that count.

    Returns
    -------
    tuple of ndarray
        Both empty if the counter changed too seldom there. Portions by flow, not by rows, weigh slow and fast sampling
        alike, and confine a reset or a pause to the portion it lies in.
    """
    step, flow = np.abs(np.diff(counter)), np.abs(moved)
    use = np.isfinite(step) & np.isfinite(flow) & (flow > 0)
    if rows is not None:
        use &= rows
    step, flow = step[use], flow[use]
    if np.count_nonzero(step) < LEAST_CHANGES:
        return np.zeros(0), np.zeros(0)
    before = np.cumsum(flow) - flow
    place = np.minimum((before / flow.sum() * PORTIONS).astype(int), PORTIONS - 1)
    size = np.bincount(place, flow, PORTIONS)
    travel = np.bincount(place, step, PORTIONS)
    return size[size > 0], travel[size > 0]


def per_flow(counter: np.ndarray, moved: np.ndarray, rows: np.ndarray | None = None) -> tuple[float, float] | None:
    """(flow, movement) of the whole, the movement by the median of the portions; None where it tells nothing.

    A reset to zero takes back no more than was counted, and stays in one portion; a counter that moves in fewer than half of
    the portions does not count this flow.
    """
    flow, travel = portions(counter, moved, rows)
    if not flow.size:
        return None
    rate = float(np.median(travel / flow))
    total = float(flow.sum())
    return (total, rate * total) if rate > 0 else None


def turnover(counter: np.ndarray, moved: np.ndarray) -> float:
    """Sum of all changes of a counter, resets to zero left out; ``moved`` as in :func:`portions`, in any unit.

    A change is a reset if it is far beyond the others and beyond what flowed in its interval.
    """
    known = np.isfinite(counter)
    moved = np.diff(np.concatenate([[0.0], np.cumsum(np.nan_to_num(np.abs(moved)))])[known])
    counter = counter[known]
    steps = np.abs(np.diff(counter))
    usual = steps[steps > 0]
    if not usual.size:
        return 0.0
    limit = max(50 * float(np.median(usual)), float(np.percentile(usual, 98)))
    whole = per_flow(counter, moved)
    allowed = np.full(steps.size, limit)
    if whole is not None:
        allowed = np.maximum(limit, 5 * whole[1] / whole[0] * moved)
    return float(steps[steps <= allowed].sum())


def counting(counter: np.ndarray) -> np.ndarray:
    """Intervals in which a counter counts, those between two changes of its last digit included; shape (n - 1,)."""
    moving = np.nan_to_num(np.diff(counter)) != 0
    at = np.flatnonzero(moving)
    if not at.size:
        return moving
    reach = int(np.percentile(np.diff(at), 95)) + 1 if at.size > 1 else 1
    index = np.arange(moving.size)
    following = at[np.minimum(np.searchsorted(at, index), at.size - 1)]
    return (following >= index) & (following - index <= min(reach, 60))
