"""Propagation of correlated uncertainties."""

from __future__ import annotations

import numpy as np


def propagated_u(gradient: np.ndarray, covariance: np.ndarray) -> float | np.ndarray:
    """Standard uncertainty of figures of correlated inputs, first order.

    Parameters
    ----------
    gradient : ndarray, shape (n,) or (m, n)
        Partial derivatives of one figure, or of m figures, by the n inputs.
    covariance : ndarray, shape (n, n)
        Of the inputs.

    Returns
    -------
    float or ndarray, shape (m,)
        sqrt(c V c'). A rounding residue below zero counts as zero.

    References
    ----------
    JCGM 100:2008, 5.2.2 (law of propagation; clause number from memory).
    """
    c = np.atleast_2d(gradient)
    u = np.sqrt(np.maximum(np.einsum("mi,ij,mj->m", c, covariance, c), 0.0))
    return u if np.ndim(gradient) == 2 else float(u[0])
