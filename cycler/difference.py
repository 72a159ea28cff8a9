"""Uncertainty of the difference and the ratio of two runs' figures, with the errors that one bench makes in both.

If two runs declare the same instrument, errors that do not change between them do not count twice:

- gain of the current and of the clock are common and act in proportion to the charge Q, so the difference keeps
  u_rel * abs(Q1 - Q2), and the ratio nothing of it;
- the zero error of the current is common and acts in proportion to the duration T, so the difference keeps
  u_offset * abs(T1 - T2);
- every other term is taken as independent, the cut-off voltage too: its effect depends on the slope at the end of each
  run, and this errs on the large side.

A term counts as common only if the two budgets agree on it: the same u_rel within 1 %, or the same u_offset = u / T
within 10 % (pauses inside a discharge lengthen T but not the term). The difference of the two terms is then taken,
which is u_rel * abs(Q1 - Q2) and u_offset * abs(T1 - T2) with the times under current. A zero error that was
estimated for each run by itself is independent and must stand in the budget under another name. Figures whose budget is
not given are split with the declared gains.

References: JCGM 100:2008, 5.2 (correlated input quantities), clause from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cycler.instrument import limits_key
from cycler.taken import Analysis, energy_from_full_u, number, part

PROPORTIONAL_SOURCES = frozenset({"current gain", "clock", "charge voltage"})
"""Terms of a capacity budget that act in proportion to the charge."""

WITH_TIME_SOURCES = frozenset({"current offset"})
"""Terms of a capacity budget that act in proportion to the duration."""

RESISTANCE_GAIN_SOURCES = frozenset({"current gain", "voltage gain", "group voltage gain"})
"""Terms of a resistance budget that act in proportion to the resistance."""

_AGREE_RATE = 0.01
_AGREE_TIME = 0.10


# --- uncertainty of a difference ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Budgeted:
    """One run's figure for the comparison: value, terms of its budget by source, and duration of the integral.

    ``duration_s`` is None if not known. Terms are standard uncertainties in the unit of the value.
    """

    value: float
    terms: Mapping[str, float]
    duration_s: float | None = None

    @property
    def u(self) -> float:
        """Combined standard uncertainty, terms independent within the run."""
        return math.sqrt(sum(term * term for term in self.terms.values()))


def u_difference_from_budgets(
    first: Budgeted,
    second: Budgeted,
    proportional: frozenset[str] = PROPORTIONAL_SOURCES,
    with_time: frozenset[str] = WITH_TIME_SOURCES,
    scale_first: float = 1.0,
    scale_second: float = 1.0,
) -> float:
    """Standard uncertainty of ``scale_second * second - scale_first * first`` for one instrument.

    With the scales 1/value this is the relative standard uncertainty of the ratio of the two values.
    """
    square = 0.0
    for source in {**first.terms, **second.terms}:
        a, b = first.terms.get(source, 0.0), second.terms.get(source, 0.0)
        common = False
        if source in proportional:
            common = _agree(_over(a, first.value), _over(b, second.value), _AGREE_RATE)
        elif source in with_time:
            common = _agree(_over(a, first.duration_s), _over(b, second.duration_s), _AGREE_TIME)
        a, b = a * scale_first, b * scale_second
        square += (a - b) ** 2 if common else a * a + b * b
    return math.sqrt(square)


def u_difference_with_common_gain(
    value_first: float, u_first: float, value_second: float, u_second: float, u_gain: float,
    scale_first: float = 1.0, scale_second: float = 1.0,
) -> float:
    """Like :func:`u_difference_from_budgets` where only a relative gain part ``u_gain`` of each u is known to be common.

    If the gain part is larger than a stated u, the two do not belong together and everything is independent.
    """
    rest = [u * u - (u_gain * value) ** 2 for value, u in ((value_first, u_first), (value_second, u_second))]
    if min(rest) < 0:
        return math.hypot(u_first * scale_first, u_second * scale_second)
    gain = u_gain * (value_first * scale_first - value_second * scale_second)
    return math.sqrt(gain * gain + rest[0] * scale_first**2 + rest[1] * scale_second**2)


def _over(term: float, by: float | None) -> float | None:
    return term / abs(by) if by else None


def _agree(a: float | None, b: float | None, within: float) -> bool:
    return a is not None and b is not None and bool(a and b) and abs(a - b) <= within * max(a, b)

TEMPERATURE_NOTE_K = 5.0
"""Difference of mean temperature from which a note is made; capacity changes by 0.3 % to 0.8 % per kelvin below
25 degC (common practice, no source). [K]"""

RATE_NOTE_SHARE = 0.10
"""Relative difference of the discharge rate from which a note is made (common practice, no source)."""

EITHER_VOLTAGE_GAIN = "either_voltage_gain"


# --- figures of one run ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one run. ``bound`` "lower" = at least; ``valid`` False = no difference may be claimed from it. ``u_full`` is the part of
    ``u`` that the voltmeter leaves open of a full pack, where no budget holds it: one error of one bench in both runs."""

    value: float | None
    u: float | None = None
    group: int | None = None
    valid: bool = True
    bound: str | None = None
    budget: Budgeted | None = None
    estimate: bool = False
    u_full: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table. ``gains`` are the instrument's gains that all of its figures share."""

    id: str
    label: str
    unit: str
    better: str
    take: Callable[[Analysis], Figure]
    gains: tuple[str, ...] = ()
    proportional: frozenset[str] = PROPORTIONAL_SOURCES
    with_time: frozenset[str] = WITH_TIME_SOURCES


def _terms(rows: Any, key: str, scale: float = 1.0) -> dict[str, float]:
    squares: dict[str, float] = {}
    for row in rows or []:
        source = str(row.get("source", "")).strip().lower()
        squares[source] = squares.get(source, 0.0) + (scale * (number(row.get(key)) or 0.0)) ** 2
    return {source: math.sqrt(square) for source, square in squares.items()}


def _budgeted(value: float, u: float | None, terms: dict[str, float], duration_s: float | None = None) -> Budgeted | None:
    """The budget if it adds up to ``u`` (within 2 %), else None: a partial budget must not shrink the uncertainty."""
    budget = Budgeted(value, terms, duration_s)
    return budget if u and abs(budget.u - u) <= 0.02 * u else None


def capacity_figure(value_key: str, u_key: str) -> Callable[[Analysis], Figure]:
    def take(analysis: Analysis) -> Figure:
        capacity = part(analysis, "capacity") or {}
        value, u = number(capacity.get(value_key)), number(capacity.get(u_key))
        if value is None:
            return Figure(None)
        # Runs that older versions kept do not know what the voltmeter leaves open of full.
        u_charge_voltage = number(capacity.get("u_charge_voltage_ah")) or 0.0
        if value_key == "value_ah":
            u = number(capacity.get("u_from_full_ah")) or u
        valid = capacity.get("valid") is True
        bound = "lower" if not valid and capacity.get("is_lower_bound") is True else None
        start, end = number(part(capacity, "at_s", "start_s")), number(part(capacity, "at_s", "end_s"))
        duration = end - start if start is not None and end is not None else None
        scale = None
        if value_key == "value_ah":
            scale = 1.0
        elif value_key == "state_of_health":
            charge = number(capacity.get("value_ah"))
            scale = value / charge if charge else None
        budget = None
        if scale is not None:
            terms = _terms(capacity.get("budget"), "standard_uncertainty_ah", scale)
            if u_charge_voltage:
                terms["charge voltage"] = scale * u_charge_voltage
            budget = _budgeted(value, u, terms, duration)
        u_full = 0.0
        if value_key == "energy_wh" and u:
            u_full = energy_from_full_u(analysis)
            u = math.hypot(u, u_full)
        return Figure(value, u, valid=valid, bound=bound, budget=budget, u_full=u_full)

    return take


def headline_figure(value_key: str, u_key: str, with_budget: bool) -> Callable[[Analysis], Figure]:
    def take(analysis: Analysis) -> Figure:
        value = number(part(analysis, "resistance", "headline", value_key))
        u = number(part(analysis, "resistance", "headline", u_key))
        if value is None:
            return Figure(None)
        terms = _terms(part(analysis, "resistance", "budget"), "standard_uncertainty_ohm") if with_budget else {}
        return Figure(value, u, budget=_budgeted(value, u, terms) if terms else None)

    return take


# --- two runs ----------------------------------------------------------------------------------------------


def same_instrument(first: Analysis, second: Analysis) -> bool:
    """True if both runs declare the same bench: one id, and the same limits of error, in whatever way they were stated. Equal limits
    alone prove nothing, as two benches of one kind have equal data sheets."""
    a, b = part(first, "instrument"), part(second, "instrument")
    declared = all(bool(bench) and bench.get("declared") is True and bool(bench.get("id")) for bench in (a, b))
    return declared and limits_key(a) == limits_key(b)


def _u_gain(analysis: Analysis, gains: Sequence[str]) -> float:
    """Relative standard uncertainty of the gains together; each half-width is rectangular."""
    instrument = dict(part(analysis, "instrument") or {})
    voltage = [number(instrument.get(key)) or 0.0 for key in ("voltage_gain", "group_voltage_gain")]
    instrument[EITHER_VOLTAGE_GAIN] = min(voltage)
    half = [number(instrument.get(gain)) or 0.0 for gain in gains]
    return math.sqrt(sum(gain * gain / 3.0 for gain in half))


def u_pair(
    line: Line, first: Figure, second: Figure, analysis: Analysis, common: bool, scales: tuple[float, float]
) -> float | None:
    if first.u is None or second.u is None or first.value is None or second.value is None:
        return None
    if common and first.budget and second.budget:
        return u_difference_from_budgets(first.budget, second.budget, line.proportional, line.with_time, *scales)
    if common and line.gains:
        gain = _u_gain(analysis, line.gains)
        own = [math.sqrt(max(u**2 - figure.u_full**2, 0.0)) for u, figure in ((first.u, first), (second.u, second))]
        u = u_difference_with_common_gain(first.value, own[0], second.value, own[1], gain, *scales)
        return math.hypot(u, second.u_full * scales[1] - first.u_full * scales[0])
    return math.hypot(first.u * scales[0], second.u * scales[1])


def same_channel(line: Line, first: Analysis, second: Analysis) -> bool:
    """False unless the pack's resistance was taken from the pack's own voltage channel in both runs.

    A sum over the groups has a gain for each channel, which one common gain does not describe.
    """
    if line.id not in ("resistance_10s_ohm", "ohmic_ohm"):
        return True
    return part(first, "resistance", "headline", "source") == part(second, "resistance", "headline", "source") == "pack"


def ratio_with_u(line: Line, first: Analysis, second: Analysis) -> tuple[float | None, float | None]:
    """Figure of the second run over that of the first, with standard uncertainty; None where a figure or its uncertainty is not known."""
    a, b = line.take(first), line.take(second)
    if not a.value or b.value is None or a.value < 0 or b.value <= 0:
        return None, None
    common = same_instrument(first, second) and same_channel(line, first, second)
    relative = u_pair(line, a, b, second, common, (1.0 / a.value, 1.0 / b.value))
    ratio = b.value / a.value
    return ratio, None if relative is None else relative * ratio


CAPACITY = Line("capacity_ah", "Capacity", "Ah", "higher", capacity_figure("value_ah", "u_value_ah"))
RESISTANCE_10S = Line(
    "resistance_10s_ohm", "10 s resistance of the pack", "ohm", "lower", headline_figure("ohm_10s", "u_ohm_10s", True), (), RESISTANCE_GAIN_SOURCES,
    frozenset(),
)
