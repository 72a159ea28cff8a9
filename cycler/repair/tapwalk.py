"""From the readings at the balance taps to what each tells: wires in another order, taps that were left out, taps that read their neighbour.

N groups have N + 1 taps, and readings from one end rise by the voltage of one group from wire to wire (common practice, no source). What does not do
so is told apart here, before any group is judged: a dead group gives a step of zero and all other steps as usual; a tap that was left out a step
of two groups and one reading less than there are taps; a lead that is broken or poor one step too small beside one too large by as much, since
both share the wrong tap while the two groups together keep their voltage.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from cycler.repair.torn import loose_from

STEP_SHARE = 0.25
"""How far a step may lie from the usual one for two readings to count as exchanged. Common practice, no source."""
DOUBLE = (1.6, 2.4)
"""Times the usual step between which it is one of two groups. Common practice, no source."""
SUSPECT_MIN_V = 0.05
"""Two neighbours that lie less than this off, one high and one low, are left as they are. Common practice, no source. [V]"""
SUSPECT_SHARE = 0.15
"""How far two deviations of opposite sign may differ to be one tap's. Common practice, no source."""
REVERSED_MOST_V = -2.5
"""A reversed group reads no lower; below it is another fault of the reading. Common practice, no source. [V]"""
_REACH = 4
MISSING, DEDUCED, SUSPECT, FALLS, LOOSE = "missing", "deduced", "suspect", "falls", "loose"


@dataclass(frozen=True, slots=True)
class Walk:
    """The taps in the order of the wires, each trusted or not, and why.

    Attributes
    ----------
    readings_v : tuple of (float or None), shape (n,)
        After wires were put in order and places made for taps that were left out. [V]
    sources : tuple of (int or None), shape (n,)
        Index in what was typed.
    doubt : mapping of place to reason
        Places that are not to be trusted: :data:`MISSING`, :data:`DEDUCED`, :data:`SUSPECT`, :data:`FALLS`, :data:`LOOSE`.
    swapped : tuple of (int, int)
        Places whose readings were exchanged.
    doubles : tuple of int
        Places after which a step of two groups stands for which no tap is lacking.
    repeated : int or None
        Place after which the same voltage stands again although the pack's voltage has room for a whole group more.
    step_v : float or None
        The usual step. [V]
    """

    readings_v: tuple[float | None, ...]
    sources: tuple[int | None, ...]
    doubt: dict[int, str] = field(default_factory=dict)
    swapped: tuple[tuple[int, int], ...] = ()
    doubles: tuple[int, ...] = ()
    repeated: int | None = None
    step_v: float | None = None


def usual_step(steps_v: Sequence[float]) -> float | None:
    """Median of the steps that rise, the lower of two. [V]"""
    rising = [step for step in steps_v if step > 0.3]
    return statistics.median_low(rising) if rising else None


def _steps(readings: Sequence[float | None]) -> list[tuple[int, int, float]]:
    """(from, to, volts) between readings that follow each other."""
    taken = [(place, reading) for place, reading in enumerate(readings) if reading is not None]
    return [(first, last, above - below) for (first, below), (last, above) in itertools.pairwise(taken)]


def walk_taps(
    readings_v: Sequence[float | None], series: int | None, highest_v: float | None, tolerance_v: float, cells_v: float | None = None, leads: bool = True,
) -> Walk:
    """Follow cumulative readings from the reference on.

    Parameters
    ----------
    readings_v : sequence of (float or None)
        Rising; the reference itself first. [V]
    series : int or None
        Groups by the label.
    highest_v : float or None
        That a group can have; None: 1.6 times the usual step. [V]
    tolerance_v : float
        That a reading may fall without meaning anything. [V]
    cells_v : float or None
        Voltage of the whole pack, measured by itself. [V]
    leads : bool
        Whether there are leads between the cells and the points that were read; read at the cells, only what no cell can have is doubted.
    """
    readings = list(readings_v)
    sources: list[int | None] = list(range(len(readings)))
    usual = usual_step([volts / (last - first) for first, last, volts in _steps(readings)])
    if usual is None:
        doubt = {place: MISSING for place, reading in enumerate(readings) if reading is None}
        if (loose := loose_from(readings, None)) is not None:
            doubt |= dict.fromkeys(range(loose, len(readings)), LOOSE)
        return Walk(tuple(readings), tuple(sources), doubt)
    highest = highest_v or DOUBLE[0] * usual
    swapped = _exchange(readings, usual, tolerance_v)
    if swapped:
        first, last = swapped
        readings[first], readings[last] = readings[last], readings[first]
        sources[first], sources[last] = sources[last], sources[first]
    doubt = _suspects(readings, usual, highest, tolerance_v, leads)
    doubles: list[int] = []
    repeated = None
    lacking = series + 1 - len(readings) if series else None
    few = len(_steps(readings)) < 4
    for first, last, volts in reversed([step for step in _steps(readings) if not {step[0], step[1]} & set(doubt)]):
        over = round(volts / usual) - (last - first)
        ratio = volts / usual
        if over < 1 or last - first > 1 or abs(ratio - round(ratio)) > DOUBLE[1] - 2.0:
            continue
        if lacking is None or lacking >= over:
            if volts <= highest and (few or not lacking):
                continue
            for _ in range(over):
                readings.insert(last, None)
                sources.insert(last, None)
            doubt = {place + over if place >= last else place: reason for place, reason in doubt.items()}
            doubles = [place + over for place in doubles]
            doubt |= {last + extra: DEDUCED for extra in range(over)}
            if swapped:
                first_of, second_of = (place + over if place >= last else place for place in swapped)
                swapped = first_of, second_of
            lacking = None if lacking is None else lacking - over
        elif volts > highest:
            doubles.insert(0, first)
    for place, reading in enumerate(readings):
        if reading is None:
            doubt.setdefault(place, MISSING)
    if cells_v is not None and readings[-1] is not None and abs(cells_v - readings[-1] - usual) < SUSPECT_SHARE * usual:
        zero = [first for first, last, volts in _steps(readings) if last - first == 1 and abs(volts) <= max(tolerance_v, 0.005)]
        repeated = zero[0] if len(zero) == 1 and first_free(doubt, zero[0]) else None
    return Walk(tuple(readings), tuple(sources), doubt, (swapped,) if swapped else (), tuple(doubles), repeated, usual)


def first_free(doubt: dict[int, str], place: int) -> bool:
    """Whether both ends of the step after a place are trusted."""
    return place not in doubt and place + 1 not in doubt


def _exchange(readings: Sequence[float | None], usual: float, tolerance_v: float) -> tuple[int, int] | tuple[()]:
    """Two places whose exchange makes every step about them a usual one, where there is a fall; the nearest pair; () if there is none."""
    falls = {place for first, last, volts in _steps(readings) if volts < -tolerance_v for place in (first, last)}
    if not falls:
        return ()
    taken = [place for place, reading in enumerate(readings) if reading is not None and place > 0]
    found: list[tuple[int, float, tuple[int, int]]] = []
    for first in taken:
        for last in taken:
            if not first < last <= first + _REACH or not {first, last} & falls:
                continue
            tried = list(readings)
            tried[first], tried[last] = tried[last], tried[first]
            off, good = 0.0, True
            for low, high, volts in _steps(tried):
                step = volts / (high - low)
                if {low, high} & {first, last}:
                    good = good and abs(step - usual) <= STEP_SHARE * usual
                    off += abs(step - usual)
                else:
                    good = good and volts >= -tolerance_v
            if good:
                found.append((last - first, off, (first, last)))
    return min(found)[2] if found else ()


def _suspects(readings: list[float | None], usual: float, highest: float, tolerance_v: float, leads: bool) -> dict[int, str]:
    """Inner places that read wrong while the two groups about them together are as usual; and falls that nothing explains."""
    doubt: dict[int, str] = {}
    if (loose := loose_from(readings, usual)) is not None:
        doubt = dict.fromkeys(range(loose, len(readings)), LOOSE)
        readings = readings[:loose]
    steps = _steps(readings)
    others = [abs(volts / (last - first) - usual) for first, last, volts in steps]
    scale = 1.4826 * statistics.median(others) if others else 0.0
    for (first, middle, low), (_middle, last, high) in itertools.pairwise(steps):
        if first in doubt or middle - first > 1 or last - middle > 1:
            continue
        impossible = min(low, high) < -tolerance_v or max(low, high) > highest
        if (impossible or (leads and len(steps) > 3)) and opposite(low - usual, high - usual, scale):
            doubt[middle] = SUSPECT
    for first, last, volts in _steps([None if place in doubt else reading for place, reading in enumerate(readings)]):
        if volts < REVERSED_MOST_V:
            before = next((volts / (to - at) for at, to, volts in steps if to == first), usual)
            doubt[last if last < len(readings) - 1 or abs(before - usual) <= STEP_SHARE * usual else first] = FALLS
    return doubt


def opposite(low_v: float, high_v: float, scale_v: float) -> bool:
    """Whether two deviations from the usual are of opposite sign and alike, so that one tap between the two explains both."""
    least, most = sorted((abs(low_v), abs(high_v)))
    return low_v * high_v < 0.0 and least >= max(SUSPECT_MIN_V, 3.5 * scale_v) and abs(low_v + high_v) <= max(SUSPECT_SHARE * most, 0.01)
