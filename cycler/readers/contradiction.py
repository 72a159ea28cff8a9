"""Stated units held against one another: where two columns cannot both be right, nothing is read before it is settled.

Wrong units differ by 60, 1000 or 3600, so ratios of the order of a hundred and more are told; smaller ones are the
business of the analysis.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.readers.columns import Assigned
from cycler.units import SECONDS_PER_HOUR

if TYPE_CHECKING:
    from cycler.readers.assemble import Draft

UNIT_RATIO = 30.0
"""Two columns that differ by more than this factor have a unit wrong (60, 1000 and 3600 lie beyond it)."""
_COUNTERS = {"capacity": 0, "charge_capacity": 1, "discharge_capacity": -1}
_MEND = (
    'state the unit of the wrong one in a columns file (--columns): [[column]] name = "heading as in the log", role = "{role}", '
    'unit = "{unit}"'
)


def refuse_contradictions(draft: Draft) -> None:
    """InputError that shows both sides where two columns of a file contradict each other by their units."""
    _pack_against_groups(draft)
    _clock_against_clock(draft)
    _integral_against_counter(draft)


def _column(draft: Draft, *roles: str) -> Assigned | None:
    return next((item for role in roles if (item := draft.assignment.one(role)) is not None), None)


def _contradiction(draft: Draft, items: list[Assigned | None], why: str, role: str, unit: str) -> InputError:
    shown = [item for item in items if item is not None]
    names = " and ".join(quote(item.label) for item in shown)
    return InputError(
        f"the units of {names} contradict each other",
        Location(draft.file, draft.dialect.header_line, shown[0].raw.position + 1 if shown else None), why,
        _MEND.format(role=role, unit=unit),
    )


def _apart(ratio: float) -> bool:
    return np.isfinite(ratio) and ratio > 0 and max(ratio, 1 / ratio) > UNIT_RATIO


def _pack_against_groups(draft: Draft) -> None:
    groups = draft.group_voltage_v
    if not groups.shape[1]:
        return
    both = np.isfinite(draft.voltage_v) & np.isfinite(groups).all(axis=1)
    if both.sum() < 2:
        return
    pack, total = float(np.median(draft.voltage_v[both])), float(np.median(groups[both].sum(axis=1)))
    if total <= 0 or not _apart(pack / total):
        return
    first = next((item for item in draft.assignment.columns if item.role in ("group_voltage", "tap_voltage")), None)
    raise _contradiction(
        draft, [_column(draft, "voltage"), first], f"the pack reads {pack:.4g} V, its {groups.shape[1]} groups add up to {total:.4g} V",
        "voltage", "mV",
    )


def _clock_against_clock(draft: Draft) -> None:
    """Elapsed time against the wall clock of the same rows."""
    pace = draft.clock.pace
    if pace is None or not _apart(pace):
        return
    item = next((item for item in draft.assignment.columns if item.label == draft.clock.label), None)
    wall = next((other for other in draft.assignment.columns if other.role in ("clock", "date") and other is not item), None)
    raise _contradiction(
        draft, [item, wall], f"between the same rows the first moves {pace:.4g} times as far as the second", "time", "ms"
    )


def _integral_against_counter(draft: Draft) -> None:
    current_items = [item for role in ("current", "charge_current", "discharge_current") if (item := draft.assignment.one(role))]
    if not current_items:
        return
    hours = np.diff(draft.time_s) / SECONDS_PER_HOUR
    current = np.nan_to_num(draft.current_a)
    moved = 0.5 * (current[1:] + current[:-1]) * hours
    for role in _COUNTERS:
        counter = draft.counters.get(role)
        if counter is None:
            continue
        ratio = _counter_ratio(counter, moved)
        if ratio is None or not _apart(ratio[1] / ratio[0]):
            continue
        item = draft.assignment.one(role)
        raise _contradiction(
            draft, [current_items[0], item],
            f"over the same rows the current adds up to {ratio[0]:.4g} Ah, {quote(item.label) if item else role} moves by {ratio[1]:.4g} Ah "
            "(or the unit of the time is wrong)",
            current_items[0].role, "mA",
        )


def _counter_ratio(counter: np.ndarray, moved_ah: np.ndarray) -> tuple[float, float] | None:
    """Integral of the current and movement of the counter in the direction in which it moves most [Ah]; None if too little."""
    step = np.abs(np.diff(counter))
    size = step[step > 0]
    if size.size < 20:
        return None
    # A counter that is set back jumps by more than it ever moves from row to row.
    step = np.where(step > 50 * np.median(size), 0.0, np.nan_to_num(step))
    best: tuple[float, float] | None = None
    for direction in (1.0, -1.0):
        mine = direction * moved_ah > 0
        integral, movement = float(np.abs(moved_ah[mine]).sum()), float(step[mine].sum())
        if integral > 0 and movement > 0 and (best is None or movement > best[1]):
            best = (integral, movement)
    return best
