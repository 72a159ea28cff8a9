"""Where a value, its uncertainty, the limit and the guard band lie on a scale, in percent of its width.

Positions only: whether a criterion is met is decided in ``cycler.verdict``, never here.
"""

from __future__ import annotations

from dataclasses import dataclass

from cycler.quantities import COVERAGE_FACTOR


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


def scale(value: float | None, u_value: float | None, limit: float, guard_band: float | None, at_least: bool) -> Scale:
    """Scale of one criterion, all figures in one unit; ``at_least`` tells a lower limit from an upper one."""
    band = guard_band or 0.0
    expanded = COVERAGE_FACTOR * (u_value or 0.0)
    marks = [limit - band, limit + band]
    if value is not None:
        marks += [value - expanded, value + expanded]
    low, high = min(marks), max(marks)
    room = 0.25 * (high - low) or 0.25 * abs(limit) or 1.0
    left, right = low - room, high + room
    if low >= 0.0 > left:
        left = 0.0

    def place(figure: float) -> float:
        return round(100.0 * (figure - left) / (right - left), 3)

    accept = (place(limit + band), 100.0) if at_least else (0.0, place(limit - band))
    return Scale(
        place(limit), place(limit - band), place(limit + band), max(0.0, accept[0]), max(0.0, accept[1]),
        None if value is None else place(value),
        None if value is None else place(value - expanded),
        None if value is None else place(value + expanded),
        left, right,
    )
