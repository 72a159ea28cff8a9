"""Where a value, its uncertainty, the limit and the guard band lie on a scale, in percent of its width.

Positions only: whether a criterion is met is decided in ``cycler.verdict``, never here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from cycler.quantities import COVERAGE_FACTOR

PARTS_MOST = 10
"""Round steps that a scale may be long."""

DIGITS_MOST = 3
"""Significant digits at the ends of a scale."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Positions from the left edge, 0 to 100; ``None`` where there is nothing to draw.

    ``open_from``/``open_to``: guard band on both sides of the limit, where a value proves nothing; ``accept_from``/
    ``accept_to``: stretch in which a value is accepted; ``low``/``high``: ends of the expanded uncertainty;
    ``left``/``right``: figures at the ends of the scale, in the unit of the value.
    """

    limit: float
    open_from: float
    open_to: float
    accept_from: float
    accept_to: float
    value: float | None
    low: float | None
    high: float | None
    left: float
    right: float


def _digits(figure: float) -> int:
    """Significant digits that a decimal figure needs."""
    return len(Decimal(repr(abs(figure))).normalize().as_tuple().digits)


def round_ends(low: float, high: float, lowest: float | None = None, highest: float | None = None) -> tuple[float, float]:
    """Round figures outside ``low`` and ``high``: multiples of 1, 2 or 5 times a power of ten, at most three digits each.

    ``lowest`` and ``highest`` bound the ends, unless ``low`` or ``high`` lies beyond them itself.
    """
    span = (high - low) or abs(high) or 1.0
    power = math.floor(math.log10(span / PARTS_MOST))
    ends = low, high
    for exponent in range(power, power + 12):
        for factor in (1, 2, 5):
            step = factor * 10.0**exponent
            ends = _multiple(math.floor(low / step + 1e-9), factor, exponent), _multiple(
                math.ceil(high / step - 1e-9), factor, exponent)
            if span <= PARTS_MOST * step and max(map(_digits, ends)) <= DIGITS_MOST and ends[0] < ends[1]:
                left = lowest if lowest is not None and ends[0] < lowest <= low else ends[0]
                right = highest if highest is not None and high <= highest < ends[1] else ends[1]
                return left, right
    return ends


def _multiple(count: int, factor: int, exponent: int) -> float:
    return float(f"{count * factor}e{exponent}")


def scale(
    value: float | None, u_value: float | None, limit: float, guard_band: float | None, at_least: bool,
    lowest: float | None = 0.0, highest: float | None = None,
) -> Scale:
    """Scale of one criterion, all figures in one unit; ``at_least`` tells a lower limit from an upper one.

    ``lowest`` and ``highest`` are the figures that the quantity cannot pass, or ``None``; the scale goes beyond them
    only where the value itself does, and a bar is cut there.
    """
    band = guard_band or 0.0
    expanded = COVERAGE_FACTOR * (u_value or 0.0)
    marks = [limit - band, limit + band]
    firm = [limit]
    if value is not None:
        marks += [value - expanded, value + expanded]
        firm.append(value)
    low, high = min(marks), max(marks)
    room = 0.15 * (high - low) or 0.25 * abs(limit) or 1.0
    low, high = low - room, high + room
    if lowest is not None and min(firm) >= lowest:
        low = max(low, lowest)
    if highest is not None and max(firm) <= highest:
        high = min(high, highest)
    left, right = round_ends(low, high, lowest, highest)

    def place(figure: float) -> float:
        return min(100.0, max(0.0, round(100.0 * (figure - left) / (right - left), 3)))

    accept = (place(limit + band), 100.0) if at_least else (0.0, place(limit - band))
    return Scale(
        place(limit), place(limit - band), place(limit + band), accept[0], accept[1],
        None if value is None else place(value),
        None if value is None else place(value - expanded),
        None if value is None else place(value + expanded),
        left, right,
    )
