"""Sums of products of figures that are known as ranges: mean, spread and ends in closed form, and what would turn a comparison.

A figure entered as a range [low, high] is taken as equally likely everywhere in it, with mean (low + high) / 2 and
variance (high - low)^2 / 12 (JCGM 100:2008, 4.3.7, clause from memory). Sums and products in which no figure
is multiplied by itself are linear in each one of them. For such an expression f of independent figures x_i

- the mean of f is f of the means;
- written in d_i = x_i - mean_i, its terms are uncorrelated, so that its variance is the sum over the terms of
  (coefficient)^2 times the product of the variances of the figures in the term: no higher order is left out;
- its least and greatest value lie at ends of the ranges;
- against any one figure, the others held, the mean is a straight line: where two of them cross is solved, not searched.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

__all__ = ["Multilinear", "Range", "constant", "crossing", "figure"]

_ROOT_12 = math.sqrt(12.0)
_CORNERS_MAX = 16
"""Figures of one expression whose corners are all looked at: 2^16."""


@dataclass(frozen=True, slots=True)
class Range:
    """A figure between ``low`` and ``high``."""

    low: float
    high: float

    @property
    def mean(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def u(self) -> float:
        """Standard uncertainty, half-width / sqrt(3) (JCGM 100:2008, 4.3.7)."""
        return (self.high - self.low) / _ROOT_12


@dataclass(frozen=True, slots=True)
class Multilinear:
    """A sum of products of named figures, none of them multiplied by itself. ``terms``: names in the product -> coefficient."""

    terms: Mapping[frozenset[str], float]

    @property
    def names(self) -> tuple[str, ...]:
        """Figures in it, by name."""
        return tuple(sorted(frozenset().union(*self.terms)))

    def __add__(self, other: Multilinear | float) -> Multilinear:
        other = other if isinstance(other, Multilinear) else constant(other)
        keys = [*self.terms, *(key for key in other.terms if key not in self.terms)]
        return Multilinear({key: self.terms.get(key, 0.0) + other.terms.get(key, 0.0) for key in keys})

    def __sub__(self, other: Multilinear | float) -> Multilinear:
        return self + other * -1.0

    def __mul__(self, other: Multilinear | float) -> Multilinear:
        """Product. ValueError if a figure would be multiplied by itself."""
        other = other if isinstance(other, Multilinear) else constant(other)
        found: dict[frozenset[str], float] = {}
        for (left, a), (right, b) in itertools.product(self.terms.items(), other.terms.items()):
            if left & right:
                raise ValueError(f"{', '.join(sorted(left & right))} would be multiplied by itself")
            found[left | right] = found.get(left | right, 0.0) + a * b
        return Multilinear(found)

    __radd__ = __add__
    __rmul__ = __mul__

    def at(self, values: Mapping[str, float | np.ndarray]) -> float | np.ndarray:
        """Value where each figure has the value (or array of values) given."""
        return sum(factor * math.prod(values[name] for name in key) for key, factor in self.terms.items())

    def mean(self, ranges: Mapping[str, Range]) -> float:
        """Mean over independent figures, each equally likely in its range."""
        return float(self.at({name: ranges[name].mean for name in self.names}))

    def variance(self, ranges: Mapping[str, Range]) -> float:
        """Variance over the same, exact (see the module)."""
        centred: dict[frozenset[str], float] = {}
        for key, factor in self.terms.items():
            for size in range(len(key) + 1):
                for kept in itertools.combinations(sorted(key), size):
                    rest = math.prod(ranges[name].mean for name in key.difference(kept))
                    centred[frozenset(kept)] = centred.get(frozenset(kept), 0.0) + factor * rest
        return sum(factor**2 * math.prod(ranges[name].u ** 2 for name in key) for key, factor in centred.items() if key)

    def u(self, ranges: Mapping[str, Range]) -> float:
        """Standard uncertainty, the root of :meth:`variance`."""
        return math.sqrt(self.variance(ranges))

    def ends(self, ranges: Mapping[str, Range]) -> tuple[float, float]:
        """Least and greatest value in the ranges. ValueError for more figures than corners are looked at."""
        names = [name for name in self.names if ranges[name].high > ranges[name].low]
        if len(names) > _CORNERS_MAX:
            raise ValueError(f"{len(names)} figures have too many corners")
        fixed = {name: ranges[name].mean for name in self.names if name not in names}
        bits = (np.arange(2 ** len(names))[:, None] >> np.arange(len(names))) & 1
        corners = {name: np.where(bits[:, k], ranges[name].high, ranges[name].low) for k, name in enumerate(names)}
        values = np.asarray(self.at({**fixed, **corners}))
        return float(values.min()), float(values.max())


def constant(value: float) -> Multilinear:
    """A number as an expression."""
    return Multilinear({frozenset(): float(value)})


def figure(name: str) -> Multilinear:
    """The figure of that name as an expression."""
    return Multilinear({frozenset({name}): 1.0})


def crossing(first: Multilinear, second: Multilinear, name: str, ranges: Mapping[str, Range]) -> float | None:
    """Value of the figure ``name`` at which the means of two expressions are equal, the others at their means; None if there is none.

    The difference of the means is D0 + D1 x, so x = -D0 / D1.
    """
    difference = first - second
    values = {other: ranges[other].mean for other in difference.names}
    at_zero = float(difference.at(values | {name: 0.0}))
    slope = float(difference.at(values | {name: 1.0})) - at_zero
    scale = max((abs(factor) for factor in difference.terms.values()), default=0.0)
    if abs(slope) <= 1e-12 * max(scale, abs(at_zero)):
        return None
    return -at_zero / slope
