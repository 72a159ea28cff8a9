"""Cut a log into steps: rest, charge, discharge and pulses, each with the reason for its end.

:mod:`cycler.pieces` cuts the readings (its method is told there); a change of the instrument's own step number or mode word is a boundary
too, and is dropped again when current goes on as before. :mod:`cycler.endreasons` tells why each step ended.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cycler.endreasons import alike_rows, discharge_end, end_reasons, load_runs, reaches_limit
from cycler.log import Log
from cycler.pack import Pack
from cycler.pieces import FLAT_SHARE, PULSE_MAX_S, cut_pieces
from cycler.signals import pack_voltage, unread_stretches

__all__ = [
    "FLAT_SHARE", "PULSE_MAX_S", "Step", "alike_rows", "cut_steps", "direction_of", "discharge_end", "load_runs", "pack_voltage", "reaches_limit",
    "segment_steps", "with_end_reasons",
]


@dataclass(frozen=True, slots=True)
class Step:
    """One stretch of the test. ``first`` and ``last`` are sample indices into the log, both inside the step."""

    index: int
    kind: str
    first: int
    last: int
    level_a: float
    cycle: int | None = None
    end_reason: str = "set_by_program"

    @property
    def direction(self) -> int:
        """+1 charge, -1 discharge, 0 rest."""
        return direction_of(self.kind)

    @property
    def slice(self) -> slice:
        """Samples of the step."""
        return slice(self.first, self.last + 1)


def direction_of(kind: str) -> int:
    """+1 for kinds that charge, -1 for kinds that discharge, 0 for rest."""
    if kind == "rest":
        return 0
    return -1 if "discharge" in kind else 1


def segment_steps(log: Log, pack: Pack) -> tuple[Step, ...]:
    """Steps of a log in time order with the reason for each end; see :func:`cut_steps` and :func:`with_end_reasons`."""
    return with_end_reasons(log, pack, cut_steps(log))


def with_end_reasons(log: Log, pack: Pack, steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The same steps, each with the reason for its end as the ratings of ``pack`` show it.

    Parameters
    ----------
    log : Log
    pack : Pack
    steps : tuple of Step
        As :func:`cut_steps` gave them for this log; earlier reasons are replaced.

    Returns
    -------
    tuple of Step
    """
    if not steps:
        return ()
    valid = np.flatnonzero(np.isfinite(log.current_a))
    before_gap = {int(valid[cut - 1]) for cut in _gap_cuts(log, valid)}
    return tuple(
        replace(step, end_reason=reason) for step, reason in zip(steps, end_reasons(log, pack, steps, before_gap), strict=True)
    )


def cut_steps(log: Log) -> tuple[Step, ...]:
    """Cut a log into steps in time order, covering every sample with a current reading. No rating is needed for it."""
    valid = np.flatnonzero(np.isfinite(log.current_a))
    if valid.size == 0:
        return ()
    steps = []
    rows: slice | np.ndarray = slice(None) if valid.size == log.rows else valid
    pieces = cut_pieces(log.time_s[rows], pack_voltage(log)[rows], log.current_a[rows], _gap_cuts(log, valid), _hint_cuts(log, valid))
    for index, piece in enumerate(pieces):
        cycle = None
        if log.cycle_number is not None:
            numbers = log.cycle_number[valid[piece.first : piece.last + 1]]
            numbers = numbers[np.isfinite(numbers)]
            cycle = int(np.median(numbers)) if numbers.size else None
        steps.append(Step(index, piece.kind, int(valid[piece.first]), int(valid[piece.last]), piece.level, cycle))
    return tuple(steps)


def _gap_cuts(log: Log, valid: np.ndarray) -> set[int]:
    """Which of the samples with a current are the first after a stretch without."""
    return {int(np.searchsorted(valid, stretch.after)) for stretch in unread_stretches(log)}


def _hint_cuts(log: Log, valid: np.ndarray) -> np.ndarray:
    """Indices where the instrument itself starts a new step (number, mode word or file)."""
    change = np.zeros(max(valid.size - 1, 0), dtype=bool)
    for column in (log.step_number, log.mode_code, log.part):
        if column is not None:
            values = column[valid].astype(float)
            both = np.isfinite(values[1:]) & np.isfinite(values[:-1])
            change |= both & (np.diff(values) != 0)
    cuts = np.flatnonzero(change) + 1
    return cuts if cuts.size < 0.2 * valid.size + 2 else np.empty(0, dtype=int)
