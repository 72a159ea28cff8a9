"""What averaging readings of a stepped meter is worth.

Rounding to steps of q acts like independent noise only if the readings move over steps by themselves (dither); a steady value read
without noise stays wrong by the same part of a step however often it is read.
"""

from __future__ import annotations

import numpy as np

CLIP = 4.0
"""Second differences beyond so many times their robust spread are jumps, no noise."""


def scatter_of(values: np.ndarray, resolution: float = 0.0) -> float:
    """Standard deviation of one reading about its trend, noise and rounding together.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced readings; NaN are passed over.
    resolution : float
        Step of the readings, in their unit.

    Returns
    -------
    float
        Unit of ``values``; 0 with fewer than five readings, and where no reading moves.

    Notes
    -----
    Root mean square of the second differences over sqrt(6) (for white noise their variance is 6 times that of the readings: textbook), those
    beyond ``CLIP`` robust spreads or one and a half steps left out. A median would know only multiples of the step.
    """
    finite = values[np.isfinite(values)]
    if finite.size < 5:
        return 0.0
    second = np.abs(np.diff(finite, 2))
    limit = CLIP * max(1.4826 * float(np.median(second)), 1.5 * resolution)
    kept = second[second <= limit] if limit > 0 else second
    return float(np.sqrt(np.mean(kept**2) / 6.0)) if kept.size else 0.0


def rounding_left(scatter: float, resolution: float) -> float:
    """Standard uncertainty that rounding leaves in the mean of however many readings of a steady value.

    Parameters
    ----------
    scatter : float
        Standard deviation of one reading, rounding included (:func:`scatter_of`).
    resolution : float
        Step q, same unit.

    Returns
    -------
    float
        q / sqrt(12) without noise; below a hundredth of q where noise is half a step or more.

    Notes
    -----
    The mean of rounded readings deviates from the true value x by the sawtooth sum_k (-1)^k q/(pi k) sin(2 pi k x/q)
    exp(-2 (pi k s/q)^2) for noise of standard deviation s, s^2 = scatter^2 - q^2/12; its mean square over x is
    q^2/(2 pi^2) sum_k exp(-4 (pi k s/q)^2)/k^2. Fourier series of the sawtooth, textbook theory of quantisation (from memory).
    """
    if resolution <= 0.0:
        return 0.0
    noise2 = max(scatter**2 / resolution**2 - 1.0 / 12.0, 0.0)
    if noise2 == 0.0:
        return resolution / np.sqrt(12.0)
    k = np.arange(1, 21)
    return float(resolution / (np.sqrt(2.0) * np.pi) * np.sqrt(np.sum(np.exp(-4.0 * np.pi**2 * k**2 * noise2) / k**2)))


def local_value(x: np.ndarray, y: np.ndarray, order: int) -> tuple[float, float, float]:
    """Least-squares polynomial at x = 0, its slope there, and the factor by which noise of one reading enters its value.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        n > ``order`` distinct x.
    order : int
        Of the polynomial.

    Returns
    -------
    value, slope, factor : float
        Units of y, of y over x, and 1: u(value) = factor * scatter for independent readings, factor^2 = [(A'A)^-1]_00 (textbook).
    """
    scale = float(np.max(np.abs(x))) or 1.0
    matrix = np.vander(x / scale, order + 1, increasing=True)
    inverse = np.linalg.pinv(matrix)
    coefficients = inverse @ y
    slope = float(coefficients[1] / scale) if order else 0.0
    return float(coefficients[0]), slope, float(np.sqrt(np.sum(inverse[0] ** 2)))
