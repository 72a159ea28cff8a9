"""From potentials on a plug to the order of its taps: which pin is tap 0, 1, 2 ... N, whatever the charge of the pack.

Taps of N groups in series rise by one group voltage each, N + 1 of them (common practice, no source). The order of the potentials, counted in steps of one
group, names the tap; the volts themselves do not, since two packs are seldom equally full.
"""

from __future__ import annotations

import itertools
import math
import statistics
from dataclasses import dataclass, field

from cycler.repair.connector import (
    CHARGE,
    COMMUNICATION,
    NOTHING,
    PACK_NEGATIVE,
    PACK_POSITIVE,
    TAP,
    THERMISTOR,
    Connector,
    Pin,
)

_STEP_V = (1.0, 4.6)
"""Between these lies the voltage of a group that is neither dead nor two groups: from a nickel cell to an over-full lithium cell. Common practice, no source. [V]"""
_NEAR_ZERO = 0.3
"""Fraction of a step within which a potential counts as that of pack negative."""
_SAME_V = 0.05
"""Potentials closer than this, or than the meter tells apart, are one. [V]"""
_NO_TAP = (THERMISTOR, CHARGE, COMMUNICATION, NOTHING)


@dataclass(slots=True)
class Side:
    """A connector with the order of its taps.

    Attributes
    ----------
    potential_v : dict of int to float
        Potentials by pin against pack negative. [V]
    order : dict of int to (int, int)
        By pin the least and greatest tap it can be; equal where it is certain.
    step_v, u_step_v : float or None
        Usual voltage of a group, and the spread of the steps. [V]
    alike : list of tuple of int
        Pins on one potential.
    contradicted : dict of int to str
        Pins stated to be what their potential is not.
    notes : list of (code, words, pins)
        What else the potentials show.
    """

    connector: Connector
    potential_v: dict[int, float] = field(default_factory=dict)
    order: dict[int, tuple[int, int]] = field(default_factory=dict)
    step_v: float | None = None
    u_step_v: float = 0.0
    top: int | None = None
    alike: list[tuple[int, ...]] = field(default_factory=list)
    contradicted: dict[int, str] = field(default_factory=dict)
    notes: list[tuple[str, str, tuple[int, ...]]] = field(default_factory=list)
    reference_known: bool = True

    @property
    def series(self) -> int | None:
        """Groups as stated, else the highest tap found."""
        return self.connector.series or self.top

    def tap_potential(self, tap: int) -> tuple[float, bool] | None:
        """Potential of a tap [V] and whether it was measured; one that is not on the plug is reckoned from the nearest that is, in usual steps."""
        known: dict[int, float] = {}
        for pin, (low, high) in self.order.items():
            if low == high and pin in self.potential_v:
                known.setdefault(low, self.potential_v[pin])
        if tap in known:
            return known[tap], True
        if not known or self.step_v is None:
            return None
        nearest = min(known, key=lambda k: abs(k - tap))
        return known[nearest] + (tap - nearest) * self.step_v, False


def u_voltage(connector: Connector, volts: float) -> float:
    """Standard uncertainty of one reading: the meter's limit of error, rectangular. [V]"""
    gain, offset, _digit = connector.meter.voltage.limits("group_voltage")
    parts = (gain * abs(volts), offset)
    limit = sum(parts) if connector.meter.is_one_limit("voltage") else math.hypot(*parts)
    return limit / math.sqrt(3.0)


def u_difference(connector: Connector, difference: float) -> float:
    """Standard uncertainty of the difference of two readings of one meter: the gain is common and acts on the difference, zero and digits are not (JCGM 100:2008, 5.2; from memory); the
    parts of one line of a data sheet add up, as in :mod:`cycler.repair.readings`. [V]"""
    gain, offset, _digit = connector.meter.voltage.limits("group_voltage")
    parts = (gain * abs(difference), math.sqrt(2.0) * offset)
    return (sum(parts) if connector.meter.is_one_limit("voltage") else math.hypot(*parts)) / math.sqrt(3.0)


def u_between(one: Connector, other: Connector, one_v: float, other_v: float) -> float:
    """Standard uncertainty of the difference of a reading at one plug and one at the other, which another meter may have taken. [V]"""
    return math.hypot(u_voltage(one, one_v), u_voltage(other, other_v))


def side_of(connector: Connector) -> Side:
    """Potentials against pack negative and the order of the taps."""
    side = Side(connector)
    raw = {pin.number: pin.v for pin in connector.pins if pin.v is not None}
    if connector.reference.startswith("pin "):
        raw.setdefault(int(connector.reference.split()[1]), 0.0)
    taps = {number: v for number, v in raw.items() if _may_be_tap(connector, number)}
    base = _pack_negative_at(connector, taps, side)
    side.potential_v = {number: round(v - base, 9) for number, v in raw.items()}
    _order_by_role(side)
    _order_by_potential(side, {number: v - base for number, v in taps.items()})
    return side


def _may_be_tap(connector: Connector, number: int) -> bool:
    """Whether a measured pin counts in the order of the taps: no thermistor, charge contact or line that carries signals."""
    pin = connector.pin(number)
    if pin is None or pin.role in _NO_TAP:
        return False
    return connector.thermistor_at(number) is None or pin.role in (PACK_NEGATIVE, TAP)


def _pack_negative_at(connector: Connector, taps: dict[int, float], side: Side) -> float:
    """Reading that pack negative has or would have."""
    if connector.reference == PACK_NEGATIVE or not taps:
        return 0.0
    stated = [v for number, v in taps.items() if (pin := connector.pin(number)) and (pin.role == PACK_NEGATIVE or (pin.role == TAP and pin.tap == 0))]
    if stated:
        return stated[0]
    if connector.reference == PACK_POSITIVE and connector.pack_v is not None:
        return -abs(connector.pack_v)
    lowest = min(taps.values())
    levels = _levels(connector, {number: v - lowest for number, v in taps.items()})
    spans = sum(_steps(levels, step)) if (step := _step(connector, levels)) else None
    if connector.series is None or spans != connector.series:
        side.reference_known = False
        side.notes.append((
            "reference_unknown", f"The potentials stand against {connector.reference}, and nothing shows where pack negative is. Measure them against pack negative, or state the "
            "number of groups and the voltage of the pack.", (),
        ))
    return lowest


def _levels(connector: Connector, taps: dict[int, float]) -> list[tuple[float, list[int]]]:
    """Pins by potential, those that the meter does not tell apart together, lowest first."""
    levels: list[tuple[float, list[int]]] = []
    for number, v in sorted(taps.items(), key=lambda item: item[1]):
        if levels and v - levels[-1][0] <= max(_SAME_V, 3.0 * u_difference(connector, 0.0)):
            levels[-1][1].append(number)
        else:
            levels.append((v, [number]))
    return levels


def _step(connector: Connector, levels: list[tuple[float, list[int]]]) -> float | None:
    """Usual voltage of a group: the median of the steps that can be one."""
    rises = [high[0] - low[0] for low, high in itertools.pairwise(levels)]
    usual = [rise for rise in rises if _STEP_V[0] <= rise <= _STEP_V[1]]
    if usual:
        return statistics.median(usual)
    if connector.series and levels and levels[0][0] < 0.5 and _STEP_V[0] <= levels[-1][0] / connector.series <= _STEP_V[1]:
        return levels[-1][0] / connector.series
    return None


def _steps(levels: list[tuple[float, list[int]]], step: float) -> list[int]:
    return [max(1, round((high[0] - low[0]) / step)) for low, high in itertools.pairwise(levels)]


def _order_by_role(side: Side) -> None:
    """What is stated alone, as in a maker's data; potentials come after and hold."""
    series = side.connector.series
    for pin in side.connector.pins:
        tap = pin.tap if pin.role == TAP else 0 if pin.role == PACK_NEGATIVE else series if pin.role == PACK_POSITIVE else None
        if tap is not None:
            side.order[pin.number] = (tap, tap)
    side.top = max((high for _low, high in side.order.values()), default=None)


def _order_by_potential(side: Side, taps: dict[int, float]) -> None:
    connector = side.connector
    levels = _levels(connector, taps)
    step = _step(connector, levels)
    if step is None:
        for number in taps:
            stated = side.order.get(number)
            if not (stated == (0, 0) and abs(taps[number]) < 0.5):
                side.order.pop(number, None)
        if len(taps) > 1:
            side.notes.append(("order_unknown", "The potentials do not rise in steps of one group, so that no order of taps can be read from them.", tuple(sorted(taps))))
        return
    rises = _steps(levels, step)
    singles = [high[0] - low[0] for low, high, count in zip(levels[:-1], levels[1:], rises, strict=True) if count == 1]
    side.step_v = step
    side.u_step_v = statistics.stdev(singles) if len(singles) > 2 else 0.05 * step
    first = levels[0][0]
    at = 0 if abs(first) <= _NEAR_ZERO * step else max(1, round(first / step)) if first > 0 else min(-1, round(first / step))
    found: dict[int, tuple[int, int]] = {}
    last = at + sum(rises)
    deficit = connector.series - last if connector.series and connector.series > last else 0
    for k, (volts, pins) in enumerate(levels):
        if k:
            at += rises[k - 1]
            _note_step(side, levels[k - 1], levels[k], rises[k - 1], step)
        spread = 0
        if len(pins) > 1:
            side.alike.append(tuple(sorted(pins)))
            inner = 0 < k < len(levels) - 1
            spread = min(deficit, len(pins) - 1) if inner else 0
            deficit -= spread
        for number in pins:
            found[number] = _narrowed(connector.pin(number), at, at + spread)
        at += spread
        if volts < -_NEAR_ZERO * step:
            side.notes.append(("below_negative", f"Pin {pins[0]} reads {volts:.3f} V, below pack negative: the leads of the meter were exchanged, or the reference was another pin.", tuple(pins)))
    side.top = at
    for number, (low, high) in found.items():
        stated = side.order.get(number)
        if stated is not None and not low <= stated[0] <= high:
            pin = connector.pin(number)
            side.contradicted[number] = f"pin {number} is stated to be {_stated(pin)}, but its potential is that of tap {low}"
        side.order[number] = (low, high)
    if connector.series and side.top > connector.series:
        side.notes.append((
            "series_contradicted", f"The potentials rise over {side.top} groups, but series = {connector.series} is stated.", (),
        ))


def _narrowed(pin: Pin | None, low: int, high: int) -> tuple[int, int]:
    """Where two taps are on one potential, what is stated of the pin decides."""
    if pin is not None and pin.role == TAP and pin.tap is not None and low <= pin.tap <= high:
        return pin.tap, pin.tap
    return low, high


def _stated(pin: Pin | None) -> str:
    return "" if pin is None else f"tap {pin.tap}" if pin.role == TAP else pin.role


def _note_step(side: Side, low: tuple[float, list[int]], high: tuple[float, list[int]], count: int, step: float) -> None:
    rise = high[0] - low[0]
    pins = (low[1][-1], high[1][0])
    if count > 1:
        side.notes.append((
            "tap_missing", f"Between pins {pins[0]} and {pins[1]} stand {rise:.3f} V, about {count} groups: {'a tap' if count == 2 else f'{count - 1} taps'} between them is not on the plug, or a "
            "sense line is broken.", pins,
        ))
    elif rise < 0.6 * step:
        side.notes.append((
            "group_low", f"Between pins {pins[0]} and {pins[1]} stand only {rise:.3f} V, where the others have {step:.3f} V: a group that is far down, which no board mends, or a pin that "
            "is no tap.", pins,
        ))
