"""Whether rows stand in the order in which they were measured, asked of the readings beside the clock."""

from __future__ import annotations

import numpy as np

from cycler.readers.columns import Assignment

_COUNTERS = ("capacity", "charge_capacity", "discharge_capacity", "energy")
_AROUND = 25
"""Rows on either side that tell the noise of a column."""


def witnesses(assignment: Assignment) -> list[np.ndarray]:
    """Columns that tell the order of rows, best first: counters, voltages, current."""
    roles = (*_COUNTERS, "voltage", "group_voltage", "tap_voltage", "current", "charge_current", "discharge_current")
    found = [item.raw for role in roles for item in assignment.role(role)[:1]]
    return [raw.values for raw in found if raw.kind == "number" and raw.values is not None]


def stands_as_written(columns: list[np.ndarray], rows: np.ndarray, start: int, stop: int, order: np.ndarray) -> bool:
    """True if the readings run on more smoothly as written than with ``rows[start:stop]`` put in ``order``.

    Parameters
    ----------
    columns : list of ndarray
        See :func:`witnesses`; the first that tells the two apart decides.
    rows : ndarray of int
        Rows of the table in the order of the file.
    order : ndarray of int
        Indices into ``rows``, the same stretch sorted by the clock.

    Notes
    -----
    A quantity that runs on travels least in its true order. The two travels must differ by more than the noise of the column
    over as many rows (four standard deviations) and by a tenth.
    """
    first, last = max(0, start - 1), min(rows.size, stop + 1)
    sorted_rows = np.concatenate([rows[first:start], rows[order], rows[stop:last]])
    for values in columns:
        written, moved = values[rows[first:last]], values[sorted_rows]
        if not np.isfinite(written).all():
            continue
        near = values[rows[max(0, first - _AROUND): last + _AROUND]]
        least = 4 * np.sqrt(2 * written.size) * _noise(near) + 1e-9 * float(np.abs(written).max())
        a, b = float(np.abs(np.diff(written)).sum()), float(np.abs(np.diff(moved)).sum())
        if abs(a - b) > max(least, 0.1 * min(a, b)):
            return a < b
    return False


def _noise(values: np.ndarray) -> float:
    """Standard deviation from row to row by the largest tenth of the second differences (white noise: sqrt(6) and 1.645 times it): a rest in the window must not hide it."""
    second = np.abs(np.diff(values[np.isfinite(values)], 2))
    return float(np.percentile(second, 90)) / (1.645 * np.sqrt(6.0)) if second.size else 0.0


def runs_on(assignment: Assignment, rows: np.ndarray, index: int) -> bool:
    """True if a counter moves from row ``index`` to the next as it does from row to row around: no time passed unseen."""
    for role in _COUNTERS:
        for item in assignment.role(role)[:1]:
            if item.raw.kind != "number":
                continue
            steps = np.diff(item.raw.values[rows[max(0, index - 5): index + 7]])
            here = min(index, 5)
            others = np.delete(steps, here)
            usual = float(np.median(others)) if others.size else 0.0
            if np.isfinite(steps).all() and usual != 0 and 0.5 < steps[here] / usual < 1.5:
                return True
    return False
