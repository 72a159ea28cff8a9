"""Stated units held against one another: where two columns cannot both be right, nothing is read before it is settled.

Wrong units differ by 60, 1000 or 3600, so ratios of the order of a hundred and more are told; smaller ones are the
business of the analysis.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.readers import overall
from cycler.readers.columns import Assigned
from cycler.readers.evidence import UNIT_RATIO
from cycler.readers.flow import counting, per_flow
from cycler.readers.rawcolumn import sampled
from cycler.readers.sign import settle_sign
from cycler.units import SECONDS_PER_HOUR, UNITS

if TYPE_CHECKING:
    from cycler.readers.assemble import Draft

_DIRECTIONS = {
    "capacity": 0, "charge_capacity": 1, "discharge_capacity": -1, "energy": 0, "charge_energy": 1, "discharge_energy": -1,
}  # fmt: skip
_ALTERNATIVES = {
    "time": ("s", "ms", "min", "h"), "current": ("A", "mA"), "voltage": ("V", "mV", "kV"), "charge": ("Ah", "mAh", "As"),
    "energy": ("Wh", "mWh", "kWh", "J", "kJ"), "power": ("W", "mW", "kW"),
}  # fmt: skip


def refuse_contradictions(draft: Draft) -> set[str]:
    """InputError that shows both sides where two columns of a file contradict each other by their units.

    Returns what a second column bears out: "rate" (current times time) or "current".
    """
    _pack_against_groups(draft)
    _clock_against_clock(draft)
    proven = {"rate"} if _counters_against_integral(draft) else set()
    return proven | ({"current"} if _power_against_product(draft) else set())


def _column(draft: Draft, *roles: str) -> Assigned | None:
    return next((item for role in roles if (item := draft.assignment.one(role)) is not None), None)


def _apart(ratio: float) -> bool:
    return np.isfinite(ratio) and ratio > 0 and max(ratio, 1 / ratio) > UNIT_RATIO


def _contradiction(draft: Draft, sides: tuple[list[Assigned], list[Assigned]], why: str, ratio: float, also: str = "") -> InputError:
    """``sides``: columns whose product is the first quantity, and those of the second, which is ``ratio`` times the first;
    the first column of each side is named."""
    named = [side[0] for side in sides if side]
    return InputError(
        f"the units of {' and '.join(quote(item.label) for item in named)} contradict each other",
        Location(draft.file, draft.dialect.header_line, named[0].raw.position + 1 if named else None), why,
        _mend(draft, sides, ratio) + also,
    )


def _mend(draft: Draft, sides: tuple[list[Assigned], list[Assigned]], ratio: float) -> str:
    """The unit that makes both sides meet, the column that reads oddest as it is stated first."""
    found: list[tuple[float, str]] = []
    ratio = ratio if math.isfinite(ratio) and ratio > 0 else math.nan
    for side, power in zip(sides, (1.0, -1.0), strict=True):
        for item in side:
            if item.unit is None or item.raw.kind != "number":
                continue
            for symbol in _ALTERNATIVES.get(item.unit.dimension, ()):
                factor = (UNITS[symbol].factor / item.unit.factor) ** power
                if symbol != item.unit.symbol and abs(math.log(factor / ratio)) < math.log(2.0):
                    doubt = _oddness(draft, item, UNITS[symbol].factor / item.unit.factor) - _oddness(draft, item, 1.0)
                    found.append((doubt, f'name = "{item.label}", role = "{item.role}", unit = "{symbol}"'))
    if not found:
        names = " or ".join(quote(item.label) for side in sides for item in side)
        return f"state the unit of {names} in a columns file (--columns)"
    found.sort(key=lambda entry: entry[0])
    best = [text for doubt, text in found if doubt < found[0][0] + 1.0]
    return "state the unit of the wrong one in a columns file (--columns): [[column]] " + "; or ".join(best)


def _oddness(draft: Draft, item: Assigned, factor: float) -> float:
    """Decades by which a column, read ``factor`` times as large, lies outside what a bench reads (common practice, no source)."""
    low, high = {
        "time": (0.04, 600.0), "current": (0.05, 400.0), "voltage": (0.5, 150.0), "charge": (0.05, 400.0),
        "energy": (0.2, 20_000.0), "power": (0.1, 20_000.0),
    }.get(item.unit.dimension, (0.0, math.inf))  # fmt: skip
    if item.unit.dimension == "time":
        steps = np.diff(draft.time_s)
        size = float(np.median(steps[steps > 0])) if (steps > 0).any() else math.nan
    else:
        values = np.abs(item.values())
        size = float(overall.percentile(values, 99)) if np.isfinite(values).any() else math.nan
    size *= factor
    if not size > 0 or not math.isfinite(size):
        return 0.0
    return max(0.0, math.log10(low / size) if low > 0 else 0.0, math.log10(size / high))


def _pack_against_groups(draft: Draft) -> None:
    groups = draft.group_voltage_v
    if not groups.shape[1]:
        return
    some, few = sampled(draft.voltage_v), sampled(groups).sum(axis=1)
    with np.errstate(all="ignore"):
        ratio = float(overall.median(some / few)) if np.isfinite(some / few).any() else np.nan
    if 3 / UNIT_RATIO < ratio < UNIT_RATIO / 3:
        return
    both = np.isfinite(draft.voltage_v) & np.isfinite(groups).all(axis=1)
    if both.sum() < 2:
        return
    pack, total = float(np.median(draft.voltage_v[both])), float(np.median(groups[both].sum(axis=1)))
    if total <= 0 or not _apart(pack / total):
        return
    first = next((item for item in draft.assignment.columns if item.role in ("group_voltage", "tap_voltage")), None)
    sides = ([item for item in (_column(draft, "voltage"),) if item], [first] if first else [])
    raise _contradiction(draft, sides, f"the pack reads {pack:.4g} V, its {groups.shape[1]} groups add up to {total:.4g} V", total / pack)


def _clock_against_clock(draft: Draft) -> None:
    """Elapsed time against the wall clock of the same rows."""
    pace = draft.clock.pace
    if pace is None or not _apart(pace):
        return
    item = next((item for item in draft.assignment.columns if item.label == draft.clock.label), None)
    wall = next((other for other in draft.assignment.columns if other.role in ("clock", "date") and other is not item), None)
    sides = ([item] if item else [], [wall] if wall else [])
    raise _contradiction(
        draft, sides, f"between the same rows the first moves {pace:.4g} times as far as the second", 1 / pace,
        '; or say which of the two is right: clock = "wall" or clock = "elapsed"',
    )


def _currents(draft: Draft) -> list[Assigned]:
    return [item for role in ("current", "charge_current", "discharge_current") if (item := draft.assignment.one(role))]


def _flows(draft: Draft, rate: np.ndarray) -> np.ndarray | None:
    """Integral of ``rate`` between neighbouring rows, missing readings bridged; per hour."""
    known = np.isfinite(rate)
    if known.sum() < 2:
        return None
    rate = np.interp(draft.time_s, draft.time_s[known], rate[known])
    return 0.5 * (rate[1:] + rate[:-1]) * np.diff(draft.time_s) / SECONDS_PER_HOUR


def _counters_against_integral(draft: Draft) -> bool:
    """True if a counter of charge or energy moves as far as the integral, within the factor that units differ by."""
    items = _currents(draft)
    if not items:
        return False
    clock = next((item for item in draft.assignment.columns if item.label == draft.clock.label), None)
    voltage = _column(draft, "voltage") or next(iter(draft.assignment.role("group_voltage")), None)
    kinds = {role.endswith("energy") for role in _DIRECTIONS if role in draft.counters}
    charges = _flows(draft, draft.current_a) if False in kinds else None
    energies = _flows(draft, draft.current_a * draft.sign_voltage_v) if True in kinds else None
    refused: list[InputError] = []
    borne_out = False
    for role, direction in _DIRECTIONS.items():
        counter = draft.counters.get(role)
        moved, symbol = (energies, "Wh") if role.endswith("energy") else (charges, "Ah")
        if counter is None or moved is None:
            continue
        found = _against(draft, counter, moved, direction)
        if found is None:
            continue
        if not _apart(found[1] / found[0]):
            borne_out = True
            continue
        item = draft.assignment.counter(role)
        what = "the current adds" if symbol == "Ah" else "voltage times current adds"
        sides = [items[0], *([clock] if clock else []), *([voltage] if voltage and symbol == "Wh" else [])]
        refused.append(_contradiction(
            draft, (sides, [item] if item else []),
            f"over the same rows {what} up to {found[0]:.4g} {symbol}, {quote(item.label) if item else role} moves by {found[1]:.4g} {symbol} "
            "(or the unit of the time is wrong)",
            found[1] / found[0],
        ))
    if refused:
        raise refused[0]
    return borne_out


def _against(draft: Draft, counter: np.ndarray, moved: np.ndarray, direction: int) -> tuple[float, float] | None:
    """(integral, movement) where the two meet best; None where the counter may count something else.

    The sign of the current is not settled yet, so both directions are asked, and the rows in which the counter counts. What
    is apart in all of them is a contradiction, but for a counter of one direction that moves too little: unless the log has
    current in its own direction, it may count the little that flowed back between the rows.
    """
    found = [pair for rows in (moved > 0, moved < 0) if (pair := per_flow(counter, moved, rows)) is not None]
    best = max((pair for pair in found if not _apart(pair[1] / pair[0])), key=lambda pair: pair[1], default=None)
    counted = per_flow(counter, moved, counting(counter)) if best is None else None
    if counted is not None and (not found or not _apart(counted[1] / counted[0])):
        best = counted
    best = best or max(found, key=lambda pair: pair[1], default=None)
    if best is None:
        return None
    ratio = best[1] / best[0]
    if not _apart(ratio) or ratio > 1 or not direction:
        return best
    signed = _charge_positive(draft)
    if signed is None:
        return None
    flow = _flows(draft, signed)
    return per_flow(counter, moved, flow * direction > 0) if flow is not None else None


def _charge_positive(draft: Draft) -> np.ndarray | None:
    """The current with charge positive where heading, statement, mode words or voltage prove it, else None. [A]"""
    if draft.separate_currents:
        return draft.current_a
    try:
        reading = settle_sign(
            draft.time_s, draft.sign_voltage_v, draft.current_a, draft.mode_code, draft.mode_words, {}, Location(draft.file),
            draft.stated_sign,
        )
    except InputError:
        return None
    return None if "as written" in reading.evidence else reading.current_a


def _power_against_product(draft: Draft) -> bool:
    """A power column against voltage times current; only where the two are proportional, so that it is the pack's power."""
    power, items = draft.assignment.one("power"), _currents(draft)
    if power is None or draft.power_w is None or not items:
        return False
    product = np.abs(draft.sign_voltage_v * draft.current_a)
    stated = np.abs(draft.power_w)
    use = np.isfinite(product) & np.isfinite(stated) & (stated > 0)
    if use.sum() < 10:
        return False
    use &= product > 0.2 * np.percentile(product[use], 99)
    if use.sum() < 10:
        return False
    low, ratio, high = np.percentile(stated[use] / product[use], [10, 50, 90])
    if high > 1.2 * low:
        return False
    if not _apart(ratio):
        return True
    at = int(np.flatnonzero(use)[use.sum() // 2])
    voltage = _column(draft, "voltage") or next(iter(draft.assignment.role("group_voltage")), None)
    raise _contradiction(
        draft, ([items[0], *([voltage] if voltage else [])], [power]),
        f"in line {int(draft.line_number[at])} voltage times current is {product[at]:.4g} W, {quote(power.label)} reads {stated[at]:.4g} W",
        float(ratio),
    )
