"""Least squares with no negative coefficient, for a few columns."""

from __future__ import annotations

import numpy as np


def nonnegative_fit(matrix: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Coefficients x >= 0 for which the sum of squares of ``matrix @ x - values`` is least.

    Parameters
    ----------
    matrix : ndarray, shape (n, k)
        k is small: each step solves a problem of at most k columns.
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (k,)

    Notes
    -----
    Active sets after Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23 (from memory); the tests hold it against
    scipy.optimize.nnls. That one is not called because loading its package takes a quarter of the time of a small log's whole analysis.
    """
    rows, columns = matrix.shape
    fitted = np.zeros(columns)
    inside = np.zeros(columns, bool)
    size = np.abs(matrix)
    rounding = max(rows, columns) * np.finfo(float).eps
    for _ in range(3 * columns):
        gain = matrix.T @ (values - matrix @ fitted)
        gain[inside | (gain <= rounding * (size.T @ (np.abs(values) + size @ fitted)))] = 0.0
        if not gain.any():
            break
        inside[np.argmax(gain)] = True
        while True:
            tried = np.zeros(columns)
            tried[inside] = np.linalg.lstsq(matrix[:, inside], values, rcond=None)[0]
            below = inside & (tried <= 0.0)
            if not below.any():
                break
            # As far towards it as nothing becomes negative; what arrives at zero leaves.
            way = np.full(columns, np.inf)
            way[below] = fitted[below] / np.maximum(fitted[below] - tried[below], np.finfo(float).tiny)
            fitted += way.min() * (tried - fitted)
            inside &= way > way.min()
            fitted[~inside] = 0.0
        fitted = tried
    return fitted
