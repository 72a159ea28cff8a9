"""How far the probability of a cause can be trusted, and how it is printed.

Priors and likelihoods of ``data/causes.toml`` are orders of magnitude. Each is taken to be right within a factor of :data:`WITHIN` either way, every one of
them for itself, equally likely on the scale of logarithms. The log odds of a cause are smooth in the logarithms of these numbers, so that their standard uncertainty
follows to first order (JCGM 100:2008, 5.1.2; from memory); the interval is that of the log odds at k = 2, and so never reaches 0 or 1.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np

from cycler.quantities import significant_text

WITHIN = 2.0
"""Factor within which each number of the file of causes is taken to be right. Common practice, no source."""
WITHIN_WORDS = f"In brackets: between what a probability lies (k = 2) if each of those numbers is right within a factor of {WITHIN:g}."
_CERTAIN = 1e-12
TIMES_LEAST, TIMES_MOST = 1.5, 100.0
"""Likelihood ratios that are printed as numbers: beyond them a number says more than it is known."""


def interval(weight: np.ndarray, inside: Sequence[int], numbers: Sequence[Sequence[Hashable]], within: float = WITHIN) -> tuple[float, float]:
    """Between what the probability of some of several hypotheses lies (k = 2).

    Parameters
    ----------
    weight : numpy.ndarray, shape (n,)
        Probabilities of all hypotheses, adding up to 1.
    inside : sequence of int
        Those that are asked for.
    numbers : sequence of sequences of length n
        For each factor of the weights (the prior, every reading) which number of the file it is for each hypothesis; hypotheses that share a number share
        its error.
    within : float
        Factor within which each number is right.

    Returns
    -------
    (float, float)
    """
    chosen = np.zeros(len(weight), dtype=bool)
    chosen[list(inside)] = True
    share = float(weight[chosen].sum())
    if share < _CERTAIN or share > 1.0 - _CERTAIN:
        return share, share
    slope = np.where(chosen, weight / share, -weight / (1.0 - share))
    variance = 0.0
    for row in numbers:
        by_number: dict[Hashable, float] = {}
        for number, part in zip(row, slope, strict=True):
            by_number[number] = by_number.get(number, 0.0) + float(part)
        variance += sum(part**2 for part in by_number.values())
    wide = 2.0 * math.log(within) / math.sqrt(3.0) * math.sqrt(variance)
    odds = math.log(share / (1.0 - share))
    return _logistic(odds - wide), _logistic(odds + wide)


def _logistic(odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-odds)) if odds > -700.0 else 0.0


def share_text(share: float) -> str:
    """A probability in whole percent; what would round to nothing or to certainty is bounded: "92 %", "over 99 %"."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"


def chance_text(cause: Mapping[str, Any]) -> str:
    """Probability of a cause with what its numbers leave open: "92 % (38 % to over 99 %)"; the probability alone where the ends print alike or are not known."""
    said, least, most = share_text(float(cause["probability"])), cause.get("low_probability"), cause.get("high_probability")
    if least is None or most is None:
        return said
    low, high = share_text(float(least)), share_text(float(most))
    return said if low == high else f"{said} ({low} to {high})"


def times_text(factor: float) -> str:
    """A likelihood ratio, or its inverse where that is above 1, as a number of times: "2.5", "over 100"; "" below 1.5, which tells next to nothing."""
    times = factor if factor >= 1.0 else 1.0 / factor if factor > 0.0 else float("inf")
    if times < TIMES_LEAST:
        return ""
    return significant_text(times, 2) if times < TIMES_MOST else f"over {TIMES_MOST:g}"
