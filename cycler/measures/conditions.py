"""A measured capacity carried to the rate and temperature of its rating by stated coefficients."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cycler.pack_correction import Correction

RATE_RATIO_MAX = 5.0
"""Furthest rate, as a ratio to the rated one either way, from which a capacity is corrected. Common practice, no source: the exponent shifts with the current."""
AWAY_MAX_K = 15.0
"""Furthest temperature from the rated one. [K] Common practice, no source: the linear law is one near room temperature."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """Factors on the measured capacity, 1 where no coefficient is stated, and the relative standard uncertainties they bring, by source.

    Factors are None with ``reasons``: ``rate_unknown``, ``no_temperature``, ``too_far_from_rated_rate``, ``too_far_from_rated_temperature``.
    """

    reasons: tuple[str, ...] = ()
    rate_factor: float | None = None
    temperature_factor: float | None = None
    relative_terms: tuple[tuple[str, float], ...] = ()

    @property
    def factor(self) -> float | None:
        """Corrected over measured capacity."""
        return None if self.rate_factor is None or self.temperature_factor is None else self.rate_factor * self.temperature_factor


def to_rated_conditions(correction: Correction, rate_it: float | None, temperature_c: float | None, u_temperature_c: float) -> Corrected:
    """Factors from the conditions of a test to those of the rating.

    Parameters
    ----------
    correction : Correction
    rate_it : float or None
        Mean rate of the discharge, a magnitude. [It]
    temperature_c : float or None
        Mean temperature over the discharge. [degC]
    u_temperature_c : float
        Its standard uncertainty. [K]

    Returns
    -------
    Corrected

    Notes
    -----
    Rate, Peukert: t = H (C/(I H))**n, so the charge given at I is C (I_r/I)**(n - 1) with the rated current I_r = C/H, and the factor (I/I_r)**(n - 1).
    Rate, linear: Q(i) = Q_r (1 - c (i - i_r)), factor 1/(1 - c (i - i_r)). Temperature: Q_r = Q_T/(1 + k (T - T_r)). The two factors
    are multiplied as if independent of each other. Both conditions must be known and near, even if only one of them has a coefficient: a figure "at rated
    conditions" is not to come from a test in the cold.
    Half-widths of the coefficients are rectangular, u = a/sqrt(3), each through its derivative (JCGM 100:2008, 5.1; from memory).

    References
    ----------
    Peukert's law and the linear temperature law: textbooks; that the exponent is no constant of a cell: Doerffel and Sharkh, J. Power Sources 155 (2006)
    (from memory).
    """
    reasons = []
    ratio = rate_it / correction.rated_rate_it if rate_it else None
    away_k = temperature_c - correction.rated_temperature_c if temperature_c is not None else None
    if ratio is None:
        reasons.append("rate_unknown")
    elif not 1.0 / RATE_RATIO_MAX <= ratio <= RATE_RATIO_MAX:
        reasons.append("too_far_from_rated_rate")
    if away_k is None:
        reasons.append("no_temperature")
    elif abs(away_k) > AWAY_MAX_K:
        reasons.append("too_far_from_rated_temperature")
    if reasons or ratio is None or away_k is None:
        return Corrected(tuple(reasons))
    terms = []
    by_rate = by_temperature = 1.0
    if correction.peukert is not None:
        by_rate = ratio ** (correction.peukert - 1.0)
        terms.append(("rate coefficient", abs(math.log(ratio)) * (correction.u_peukert or 0.0) / math.sqrt(3.0)))
    elif correction.capacity_per_it is not None:
        beyond_it = (ratio - 1.0) * correction.rated_rate_it
        by_rate = 1.0 / (1.0 - correction.capacity_per_it * beyond_it)
        terms.append(("rate coefficient", by_rate * abs(beyond_it) * (correction.u_capacity_per_it or 0.0) / math.sqrt(3.0)))
    if correction.temperature_per_k is not None:
        by_temperature = 1.0 / (1.0 + correction.temperature_per_k * away_k)
        terms.append(("temperature coefficient", by_temperature * abs(away_k) * (correction.u_temperature_per_k or 0.0) / math.sqrt(3.0)))
        terms.append(("temperature", by_temperature * correction.temperature_per_k * u_temperature_c))
    return Corrected((), by_rate, by_temperature, tuple(terms))
