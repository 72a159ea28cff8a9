"""One figure of a column: NaN where it has no reading, and no word of it, as a column of a log may well have none.

Those of long columns come without sorting them, bit for bit as they would by a sort.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from cycler.longcolumns import LONG, SAMPLE, median_of

__all__ = ["correlation", "highest", "lowest", "mean", "median", "percentile"]


def _read(values: ArrayLike) -> np.ndarray:
    values = np.asarray(values, np.float64)
    missing = np.isnan(values)
    return values[~missing] if missing.any() else values.ravel()


def median(values: ArrayLike) -> float:
    """Median of the readings; NaN if there are none."""
    return median_of(found) if (found := _read(values)).size else np.nan


def percentile(values: ArrayLike, share: float) -> float:
    """The reading that ``share`` per cent of the readings do not exceed, between neighbours by proportion; NaN if there are none."""
    return _percentile_of(found, share) if (found := _read(values)).size else np.nan


def _percentile_of(values: np.ndarray, share: float) -> float:
    """``np.percentile`` of one share: the two readings it lies between are looked for among those near them in a sample."""
    n = values.size
    if n < LONG:
        return float(np.percentile(values, share))
    place = (n - 1) * (share / 100)
    first = int(place)
    second = min(first + 1, n - 1)
    sample = np.sort(values[:: max(1, n // SAMPLE)])
    low = sample[max(0, int((share / 100 - 0.04) * sample.size))] if share > 4 else -np.inf
    high = sample[int((share / 100 + 0.04) * sample.size)] if share < 95 else np.inf
    at_low = values >= low
    below = n - int(np.count_nonzero(at_low))
    near = values[at_low & (values <= high)] if high < np.inf else values[at_low]
    if first < below or second - below >= near.size:
        return float(np.percentile(values, share))
    if low < high:
        near = np.partition(near, (first - below, second - below))
    a, b, part = near[first - below], near[second - below], place - first
    return float(a + (b - a) * part if part < 0.5 else b - (b - a) * (1 - part))


def mean(values: ArrayLike) -> float:
    """Mean of the readings; NaN if there are none."""
    return float(np.mean(found)) if (found := _read(values)).size else np.nan


def highest(values: ArrayLike) -> float:
    """The largest reading; NaN if there are none."""
    return float(np.max(found)) if (found := _read(values)).size else np.nan


def lowest(values: ArrayLike) -> float:
    """The smallest reading; NaN if there are none."""
    return float(np.min(found)) if (found := _read(values)).size else np.nan


def correlation(first: np.ndarray, second: np.ndarray) -> float:
    """Correlation of two columns over the rows that both have a reading in; NaN for fewer than two rows, or a column that stands still."""
    both = np.isfinite(first) & np.isfinite(second)
    if np.count_nonzero(both) < 2:
        return np.nan
    with np.errstate(all="ignore"):
        return float(np.corrcoef(first[both], second[both])[0, 1])
