"""A straight line through figures of one pack, against cycles or days, with errors that the points share kept apart.

What all points have in common (the gain and the zero of one ammeter) shifts or stretches the whole line and hardly tilts it; what
differs from point to point (cut-off, instant of switching, noise) tilts it. Taking the first for the second would hide a fade that the log shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

POINTS_MIN = 3
"""Fewest points of a line: through two it always fits, and nothing shows whether they scatter."""
INCONSISTENT_P = 0.05
"""Probability of the chi-square below which the stated uncertainties are said not to explain the scatter. Common practice, no source."""
ONE_FREEDOM_MIN = 2.0
"""Least factor on the stated uncertainties of three points: one residual is small by chance too often to bear them out (below its expectation in
26 of 100 lines whose scatter is three times the stated one). With it k = 2 covers 93 % or more whatever the scatter is; found by a Monte Carlo run."""


@dataclass(frozen=True, slots=True)
class TrendLine:
    """Weighted line y = level + slope (x - origin) with the uncertainty of both.

    ``origin`` is the smallest x, so that ``level`` is what the line says of the first point and ``slope_share`` = slope / level the change as
    a share of it, per unit of x. ``u_slope`` joins ``u_slope_independent`` and ``u_slope_common``; in ``u_slope_share`` an error that is the same
    share of every point cancels. ``inflation`` is the factor, 1 or more, that the scatter put on the independent part.
    Figures are None, with ``reasons``, where the points bear no line: ``too_few_points``, ``no_spread``. Beside a line stands
    ``scatter_exceeds_uncertainty`` where the chi-square refutes the stated uncertainties or the straight line.
    """

    points: int
    reasons: tuple[str, ...] = ()
    origin: float | None = None
    slope: float | None = None
    u_slope: float | None = None
    u_slope_independent: float | None = None
    u_slope_common: float | None = None
    level: float | None = None
    u_level: float | None = None
    slope_share: float | None = None
    u_slope_share: float | None = None
    chi_square: float | None = None
    degrees_of_freedom: int | None = None
    inflation: float | None = None
    independent_covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    common_terms: tuple[tuple[float, float], ...] = ()

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard uncertainty, in units of y. ValueError where there is no line.

        Says nothing on whether the line goes on beyond the points.
        """
        if self.slope is None:
            raise ValueError("no line: " + ", ".join(self.reasons))
        along = np.array([1.0, x - self.origin])
        variance = along @ np.array(self.independent_covariance) @ along + sum((along @ np.array(c)) ** 2 for c in self.common_terms)
        return self.level + self.slope * (x - self.origin), math.sqrt(variance)


def weighted_line(x: np.ndarray, y: np.ndarray, u_independent: np.ndarray, u_common: np.ndarray | float = 0.0) -> TrendLine:
    """Weighted straight line through points that have independent and common errors.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Cycle number, equivalent full cycles or days, in any order; taken as exact.
    y : ndarray, shape (n,)
        Figure of each point.
    u_independent : ndarray, shape (n,), or float
        Standard uncertainty of each point from what it does not share with the others, in units of y. All zero: points count alike
        and their scatter alone tells the uncertainty.
    u_common : float or ndarray, shape (n,) or (m, n)
        Standard uncertainty of each point from errors that all points share, with the sign of its effect, one row per source
        (rows are independent of each other). A gain g gives the row g y, an offset a of the ammeter over the times T the row a T.

    Returns
    -------
    TrendLine
        Points without a finite x, y or u are left out and not counted.

    Raises
    ------
    ValueError
        Shapes differ, an uncertainty is negative, or some but not all independent ones are zero.

    Notes
    -----
    Weights 1/u_independent**2; covariance of level and slope (A'WA)**-1. With chi**2 = sum((residual/u)**2) on n - 2 degrees of freedom
    the Birge ratio is sqrt(chi**2/(n - 2)). Where it is above 1, the scatter is taken to be what is known, and the independent part is multiplied by
    the ratio times t/2, t being Student's factor of 95.45 % for n - 2, so that k = 2 covers 95 % (t/2 is 7.0 for three points, 2.3 for four, 1.7 for five,
    1.3 for eight); else the stated uncertainties count as they are, of three points ``ONE_FREEDOM_MIN`` times. A common source is carried through the same estimator: its effect on level and slope is the weighted line
    through its own row; u(slope/level) is of first order.

    References
    ----------
    Weighted least squares: any statistics text. Birge ratio: R. T. Birge, Phys. Rev. 40 (1932) 207 (from memory). Correlated inputs:
    JCGM 100:2008, 5.2; Student's factor: its annex G (both from memory).
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    u = np.broadcast_to(np.asarray(u_independent, dtype=float), y.shape)
    common = np.asarray(u_common, dtype=float)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"shapes differ: x {x.shape}, y {y.shape}")
    common = np.atleast_2d(np.broadcast_to(common, (*common.shape[:-1], y.size)))
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(u) & np.all(np.isfinite(common), axis=0)
    x, y, u, common = x[good], y[good], u[good], common[:, good]
    if np.any(u < 0):
        raise ValueError("an independent uncertainty is negative")
    if np.any(u == 0) and np.any(u > 0):
        raise ValueError("some independent uncertainties are zero: such a point would outweigh all others")
    if y.size < POINTS_MIN:
        return TrendLine(y.size, ("too_few_points",))
    if np.ptp(x) <= 0:
        return TrendLine(y.size, ("no_spread",))
    scatter_only = not np.any(u)
    weight = np.ones_like(y) if scatter_only else 1.0 / u
    origin = float(np.min(x))
    matrix = np.stack((np.ones_like(x), x - origin), axis=1)
    q, r = np.linalg.qr(matrix * weight[:, None])
    solve = np.linalg.solve(r, q.T) * weight
    level, slope = (float(v) for v in solve @ y)
    residual = (y - level - slope * (x - origin)) * weight
    freedom = y.size - 2
    chi_square = float(residual @ residual)
    inflation, consistent = _inflation(chi_square, freedom, scatter_only)
    inverse = np.linalg.inv(r)
    covariance = inflation**2 * (inverse @ inverse.T)
    terms = (solve @ common.T).T
    toward = np.array([-slope / level**2, 1.0 / level]) if level else None
    share_variance = float(toward @ covariance @ toward + np.sum((terms @ toward) ** 2)) if level else None
    level_variance, slope_variance = np.diag(covariance)
    return TrendLine(
        points=int(y.size),
        reasons=() if consistent else ("scatter_exceeds_uncertainty",),
        origin=origin,
        slope=slope,
        u_slope=math.sqrt(slope_variance + np.sum(terms[:, 1] ** 2)),
        u_slope_independent=math.sqrt(slope_variance),
        u_slope_common=math.sqrt(np.sum(terms[:, 1] ** 2)),
        level=level,
        u_level=math.sqrt(level_variance + np.sum(terms[:, 0] ** 2)),
        slope_share=slope / level if level else None,
        u_slope_share=math.sqrt(share_variance) if level else None,
        chi_square=None if scatter_only else chi_square,
        degrees_of_freedom=freedom,
        inflation=None if scatter_only else inflation,
        independent_covariance=((float(covariance[0, 0]), float(covariance[0, 1])), (float(covariance[1, 0]), float(covariance[1, 1]))),
        common_terms=tuple((float(row[0]), float(row[1])) for row in terms),
    )


def _inflation(chi_square: float, freedom: int, scatter_only: bool) -> tuple[float, bool]:
    """Factor on the independent uncertainty, and whether the chi-square bears the stated ones out."""
    from scipy.special import chdtrc, stdtrit

    birge = math.sqrt(chi_square / freedom)
    # 0.977250 is the normal distribution's share below k = 2.
    by_scatter = birge * float(stdtrit(freedom, 0.9772498680518208)) / 2.0
    if scatter_only:
        return by_scatter, True
    consistent = float(chdtrc(freedom, chi_square)) >= INCONSISTENT_P
    if birge > 1.0:
        return by_scatter, consistent
    return (ONE_FREEDOM_MIN if freedom == 1 else 1.0), consistent
