"""Runs held against each other: before and after a repair, or a pack and its sister.

The uncertainty of a difference is worked out from the budgets. If two runs declare the same instrument, errors that
do not change between them do not count twice:

- gain of the current and of the clock are common and act in proportion to the charge Q, so the difference keeps
  u_rel * abs(Q1 - Q2);
- the zero error of the current is common and acts in proportion to the duration T, so the difference keeps
  u_offset * abs(T1 - T2);
- every other term is taken as independent, the cut-off voltage too: its effect depends on the slope at the end of each
  run, and this errs on the large side.

A term counts as common only if the two budgets agree on it: the same u_rel within 1 %, or the same u_offset = u / T
within 10 % (pauses inside a discharge lengthen T but not the term). The difference of the two terms is then taken,
which is u_rel * abs(Q1 - Q2) and u_offset * abs(T1 - T2) with the times under current. A zero error that was
estimated for each run by itself is independent and must stand in the budget under another name. Figures whose budget is not given are split with the
declared gains. Capacity, energy and state of health of a test that was not valid are told as bounds, and no
difference of theirs is called significant.

References: JCGM 100:2008, 5.2 (correlated input quantities), clause from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cycler.criteria_quantities import QUANTITIES, number, part
from cycler.errors import InputError
from cycler.instrument import limits_key
from cycler.quantities import COVERAGE_FACTOR, figure_text

Analysis = Mapping[str, Any]

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
    return bool(a) and bool(b) and abs(a - b) <= within * max(a, b)


# --- figures -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Figure:
    """One figure of one run. ``bound`` "lower" = at least; ``valid`` False = no difference may be claimed from it."""

    value: float | None
    u: float | None = None
    group: int | None = None
    valid: bool = True
    bound: str | None = None
    budget: Budgeted | None = None
    estimate: bool = False


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the table. ``gains`` are the instrument's gains that all of its figures share."""

    id: str
    label: str
    unit: str
    better: str
    take: Callable[[Analysis], _Figure]
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


def _capacity_line(value_key: str, u_key: str) -> Callable[[Analysis], _Figure]:
    def take(analysis: Analysis) -> _Figure:
        capacity = part(analysis, "capacity") or {}
        value, u = number(capacity.get(value_key)), number(capacity.get(u_key))
        if value is None:
            return _Figure(None)
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
        return _Figure(value, u, valid=valid, bound=bound, budget=budget)

    return take


def _headline(value_key: str, u_key: str, with_budget: bool) -> Callable[[Analysis], _Figure]:
    def take(analysis: Analysis) -> _Figure:
        value = number(part(analysis, "resistance", "headline", value_key))
        u = number(part(analysis, "resistance", "headline", u_key))
        if value is None:
            return _Figure(None)
        terms = _terms(part(analysis, "resistance", "budget"), "standard_uncertainty_ohm") if with_budget else {}
        return _Figure(value, u, budget=_budgeted(value, u, terms) if terms else None)

    return take


def _plain(path: tuple[str, ...], u_path: tuple[str, ...]) -> Callable[[Analysis], _Figure]:
    def take(analysis: Analysis) -> _Figure:
        return _Figure(number(part(analysis, *path)), number(part(analysis, *u_path)))

    return take


def _group_of(group: Mapping[str, Any], key: str, valid: bool = True) -> _Figure:
    estimate = key.startswith("capacity") and group.get("capacity_is_estimate") is True
    return _Figure(
        number(group.get(key)), number(group.get(f"u_{key}")), group.get("group"), valid, estimate=estimate
    )


def _worst(key: str, pick: Callable[..., Any], needs_valid_capacity: bool = False) -> Callable[[Analysis], _Figure]:
    def take(analysis: Analysis) -> _Figure:
        valid = part(analysis, "capacity", "valid") is True or not needs_valid_capacity
        figures = [_group_of(group, key, valid) for group in analysis.get("groups") or []]
        known = [figure for figure in figures if figure.value is not None]
        return pick(known, key=lambda figure: figure.value) if known else _Figure(None)

    return take


def _limiting(analysis: Analysis) -> _Figure:
    value = analysis.get("limiting_group")
    return _Figure(value if isinstance(value, int) and not isinstance(value, bool) else None)


_EITHER = "either_voltage_gain"
# Energy may come from the pack's or the groups' voltages: only the smaller gain is surely common.
_VI = ("current_gain", "group_voltage_gain")
_LINES = (
    _Line("capacity_ah", "Capacity", "Ah", "higher", _capacity_line("value_ah", "u_value_ah")),
    _Line("energy_wh", "Energy", "Wh", "higher", _capacity_line("energy_wh", "u_energy_wh"), ("current_gain", _EITHER, "clock_gain")),
    _Line("state_of_health", "State of health", "share", "higher", _capacity_line("state_of_health", "u_state_of_health")),
    _Line("resistance_10s_ohm", "10 s resistance of the pack", "ohm", "lower", _headline("ohm_10s", "u_ohm_10s", True), (), RESISTANCE_GAIN_SOURCES, frozenset()),
    _Line("ohmic_ohm", "Ohmic resistance of the pack", "ohm", "lower", _headline("ohmic_ohm", "u_ohmic_ohm", False), ("current_gain", "voltage_gain")),
    _Line("group_resistance_10s_ohm_worst", "10 s resistance of the worst group", "ohm", "lower", _worst("resistance_10s_ohm", max), _VI),
    _Line("group_capacity_ratio_worst", "Capacity of the worst group over its siblings", "share", "higher", _worst("capacity_ratio", min, True)),
    _Line("limiting_group", "Limiting group", "", "", _limiting),
    _Line("group_sag_end_v_worst", "Sag of the worst group at the end of the discharge", "V", "lower", _worst("sag_end_v", max)),
    _Line("spread_rest_v", "Spread of the group voltages at rest", "V", "lower", _plain(("spread", "rest_v"), ("spread", "u_rest_v"))),
    _Line("coulombic_efficiency", "Coulombic efficiency", "share", "higher", _plain(("efficiency", "coulombic"), ("efficiency", "u_coulombic"))),
    _Line("energy_efficiency", "Energy efficiency", "share", "higher", _plain(("efficiency", "energy"), ("efficiency", "u_energy"))),
    _Line("temperature_rise_k", QUANTITIES["temperature_rise_k"].label, "K", "lower", _plain(("thermal", "rise_c"), ("thermal", "u_rise_c"))),
    _Line("self_discharge_worst_ma", "Self-discharge of the worst group", "mA", "lower", _worst("self_discharge_ma", max)),
)

# Gains of a group's own capacity: its charge went through the same current meter and clock.
_GROUP_COLUMNS = {
    "capacity_ah": ("Capacity", "Ah", "higher", ("current_gain", "clock_gain"), True),
    "resistance_10s_ohm": ("10 s resistance", "ohm", "lower", _VI, False),
    "sag_10s_v": ("Sag after 10 s", "V", "lower", ("group_voltage_gain",), False),
    "sag_end_v": ("Sag at the end of the discharge", "V", "lower", (), False),
}


# --- the table ---------------------------------------------------------------------------------------------


def same_instrument(first: Analysis, second: Analysis) -> bool:
    """True if both runs declare the same bench: one id, and the same limits of error, in whatever way they were stated. Equal limits
    alone prove nothing, as two benches of one kind have equal data sheets."""
    a, b = part(first, "instrument"), part(second, "instrument")
    declared = all(bool(bench) and bench.get("declared") is True and bool(bench.get("id")) for bench in (a, b))
    return declared and limits_key(a) == limits_key(b)


def compare(analyses: Sequence[Analysis], names: Sequence[str], reference: int = 0) -> dict[str, Any]:
    """Table of differences between runs.

    Parameters
    ----------
    analyses : sequence of dict
        Objects of ``analyze --json``, two or more.
    names : sequence of str
        How each run is called in the sentences.
    reference : int
        Index of the run that the others are held against; differences are run minus reference.

    Returns
    -------
    dict
        ``names``, ``reference`` (index), ``same_instrument`` (per run, None for the reference), ``notes``,
        ``rows`` and ``groups``. A row has quantity, label, unit, better, and per run: ``values``, ``u``, ``group``
        (of the worst group), ``bound``, ``difference``, ``u_difference``, ``significant`` (abs(d) > 2u; None where
        there is nothing to judge), ``ratio``, ``u_ratio``, ``improved``, ``sentence``. ``groups`` has per group the
        same lists (without sentences) under ``capacity_ah``, ``resistance_10s_ohm``, ``sag_10s_v``, ``sag_end_v``.

    Raises
    ------
    InputError
        Fewer than two runs, or the reference is not one of them.
    ValueError
        Numbers of analyses and names differ.
    """
    if len(analyses) != len(names):
        raise ValueError(f"{len(analyses)} analyses but {len(names)} names")
    if len(analyses) < 2:
        raise InputError("one run alone cannot be compared", "compare", f"{len(analyses)} given", "name two or more runs")
    if not 0 <= reference < len(analyses):
        raise InputError(
            "the reference is not one of the runs", "compare", f"run {reference + 1} of {len(analyses)}",
            f"use a number from 1 to {len(analyses)}",
        )
    shared = [None if i == reference else same_instrument(analyses[reference], a) for i, a in enumerate(analyses)]
    rows = []
    for line in _LINES:
        figures = [line.take(analysis) for analysis in analyses]
        rows.append(_row(line, figures, analyses, names, reference, shared))
    return {
        "names": list(names),
        "reference": reference,
        "same_instrument": shared,
        "notes": _notes(analyses, names, reference, shared),
        "rows": rows,
        "groups": _groups(analyses, names, reference, shared),
    }


def _u_gain(analysis: Analysis, gains: Sequence[str]) -> float:
    """Relative standard uncertainty of the gains together; each half-width is rectangular."""
    instrument = dict(part(analysis, "instrument") or {})
    voltage = [number(instrument.get(key)) or 0.0 for key in ("voltage_gain", "group_voltage_gain")]
    instrument[_EITHER] = min(voltage)
    half = [number(instrument.get(gain)) or 0.0 for gain in gains]
    return math.sqrt(sum(gain * gain / 3.0 for gain in half))


def _u_pair(
    line: _Line, first: _Figure, second: _Figure, analysis: Analysis, common: bool, scales: tuple[float, float]
) -> float | None:
    if first.u is None or second.u is None:
        return None
    if common and first.budget and second.budget:
        return u_difference_from_budgets(first.budget, second.budget, line.proportional, line.with_time, *scales)
    if common and line.gains:
        gain = _u_gain(analysis, line.gains)
        return u_difference_with_common_gain(first.value, first.u, second.value, second.u, gain, *scales)
    return math.hypot(first.u * scales[0], second.u * scales[1])


def _cells(
    line: _Line, figures: Sequence[_Figure], analyses: Sequence[Analysis], reference: int, shared: Sequence[bool | None]
) -> dict[str, list[Any]]:
    """The lists of one line: differences, ratios and their uncertainties, one entry per run."""
    base = figures[reference]
    cells: dict[str, list[Any]] = {
        key: [None] * len(figures)
        for key in ("difference", "u_difference", "significant", "improved", "ratio", "u_ratio")
    }
    for index, figure in enumerate(figures):
        if index == reference or figure.value is None or base.value is None or line.id == "limiting_group":
            continue
        common = bool(shared[index]) and _same_channel(line, analyses[reference], analyses[index])
        difference = figure.value - base.value
        u = _u_pair(line, base, figure, analyses[index], common, (1.0, 1.0))
        cells["difference"][index] = difference
        cells["u_difference"][index] = u
        comparable = base.valid and figure.valid
        if not comparable:
            cells["significant"][index] = False
        elif u is not None:
            cells["significant"][index] = abs(difference) > COVERAGE_FACTOR * u
        if cells["significant"][index] and line.better:
            cells["improved"][index] = (difference > 0) == (line.better == "higher")
        if base.value > 0 and figure.value > 0:
            cells["ratio"][index] = figure.value / base.value
            relative = _u_pair(line, base, figure, analyses[index], common, (1.0 / base.value, 1.0 / figure.value))
            if relative is not None:
                cells["u_ratio"][index] = relative * figure.value / base.value
    return cells


def _same_channel(line: _Line, first: Analysis, second: Analysis) -> bool:
    """False unless the pack's resistance was taken from the pack's own voltage channel in both runs.

    A sum over the groups has a gain for each channel, which one common gain does not describe.
    """
    if line.id not in ("resistance_10s_ohm", "ohmic_ohm"):
        return True
    return part(first, "resistance", "headline", "source") == part(second, "resistance", "headline", "source") == "pack"


def _row(
    line: _Line, figures: Sequence[_Figure], analyses: Sequence[Analysis], names: Sequence[str], reference: int,
    shared: Sequence[bool | None],
) -> dict[str, Any]:
    cells = _cells(line, figures, analyses, reference, shared)
    sentences = [
        None if index == reference else _sentence(line, figures[reference], figure, names[reference], names[index], cells, index)
        for index, figure in enumerate(figures)
    ]
    return {
        "quantity": line.id,
        "label": line.label,
        "unit": line.unit,
        "better": line.better or None,
        "values": [figure.value for figure in figures],
        "u": [figure.u for figure in figures],
        "group": [figure.group for figure in figures],
        "bound": [figure.bound for figure in figures],
        "valid": [figure.valid for figure in figures],
        **cells,
        "sentence": sentences,
    }


def _said(line: _Line, figure: _Figure) -> str:
    at_least = "at least " if figure.bound == "lower" else ""
    where = f" (group {figure.group})" if figure.group else ""
    return f"{at_least}{figure_text(figure.value, figure.u, line.unit)}{where}"


def _sentence(
    line: _Line, base: _Figure, figure: _Figure, base_name: str, name: str, cells: Mapping[str, list[Any]], index: int
) -> str:
    """One plain sentence on a run against the reference."""
    missing = [who for who, item in ((base_name, base), (name, figure)) if item.value is None]
    if missing:
        return f"{line.label}: not known for {' and '.join(missing)}."
    if line.id == "limiting_group":
        if base.value == figure.value:
            return f"Limiting group: {figure.value} in both."
        return f"Limiting group: {base.value} in {base_name}, {figure.value} in {name}."
    if not (base.valid and figure.valid):
        weak = [who for who, item in ((base_name, base), (name, figure)) if not item.valid]
        return (
            f"{line.label}: {_said(line, base)} in {base_name}, {_said(line, figure)} in {name}; the discharge of "
            f"{' and '.join(weak)} was not a valid capacity test, so no difference is claimed."
        )
    difference, u = cells["difference"][index], cells["u_difference"][index]
    both = f"{_said(line, base)} in {base_name}, {_said(line, figure)} in {name}"
    if u is None:
        return f"{line.label}: {both}; the uncertainty of the difference is not known."
    if not cells["significant"][index]:
        return f"{line.label}: no difference shown ({both}; difference {figure_text(difference, u, line.unit)})."
    way = "higher" if difference > 0 else "lower"
    judged = {True: ", better", False: ", worse", None: ""}[cells["improved"][index]]
    amount = figure_text(abs(difference), u, line.unit)
    return f"{line.label}: {way} by {amount}{judged} ({both}); more than the uncertainty explains."


def _groups(
    analyses: Sequence[Analysis], names: Sequence[str], reference: int, shared: Sequence[bool | None]
) -> list[dict[str, Any]]:
    by_number = [{group.get("group"): group for group in analysis.get("groups") or []} for analysis in analyses]
    numbers = sorted({key for groups in by_number for key in groups if key is not None})
    table = []
    for group_number in numbers:
        row: dict[str, Any] = {
            "group": group_number,
            "name": [groups.get(group_number, {}).get("name") for groups in by_number],
            "limiting": [analysis.get("limiting_group") == group_number for analysis in analyses],
        }
        for key, (label, unit, better, gains, needs_valid) in _GROUP_COLUMNS.items():
            figures = [
                _group_of(groups.get(group_number, {}), key, part(analysis, "capacity", "valid") is True or not needs_valid)
                for groups, analysis in zip(by_number, analyses)
            ]
            line = _Line(f"group_{key}", label, unit, better, _limiting, gains)
            row[key] = {
                "label": label, "unit": unit, "better": better,
                "values": [figure.value for figure in figures], "u": [figure.u for figure in figures],
                "estimate": [figure.estimate for figure in figures],
                **_cells(line, figures, analyses, reference, shared),
            }
        table.append(row)
    return table


# --- notes on comparability --------------------------------------------------------------------------------

TEMPERATURE_NOTE_K = 5.0
"""Difference of mean temperature from which a note is made; capacity changes by 0.3 % to 0.8 % per kelvin below
25 degC (common practice, no source). [K]"""

RATE_NOTE_SHARE = 0.10
"""Relative difference of the discharge rate from which a note is made (common practice, no source)."""


def _notes(
    analyses: Sequence[Analysis], names: Sequence[str], reference: int, shared: Sequence[bool | None]
) -> list[str]:
    """What stands between the runs besides the pack: instrument, temperature, rate, kind of pack."""
    notes = []
    base, base_name = analyses[reference], names[reference]
    for index, (analysis, name) in enumerate(zip(analyses, names)):
        if index == reference:
            continue
        pair = f"{base_name} and {name}"
        if shared[index]:
            notes.append(f"{pair} declare the same instrument: its gain and zero errors are common and do not count twice.")
        else:
            notes.append(
                f"{pair} do not declare the same instrument (the same id under [instrument]): all errors are taken as independent."
            )
        for key, word, unit in (("series", "number of groups", ""), ("chemistry", "chemistry", ""), ("rated_capacity_ah", "rated capacity", " Ah")):
            a, b = part(base, "pack", key), part(analysis, "pack", key)
            if a is not None and b is not None and a != b:
                notes.append(f"{pair} differ in {word}: {a}{unit} and {b}{unit}.")
        a, b = (number(part(item, "capacity", "mean_temperature_c")) for item in (base, analysis))
        if a is not None and b is not None and abs(a - b) >= TEMPERATURE_NOTE_K:
            notes.append(
                f"{pair} were tested at {a:.0f} °C and {b:.0f} °C: part of the difference in capacity and resistance may "
                "come from the temperature."
            )
        a, b = (number(part(item, "capacity", "rate_it")) for item in (base, analysis))
        if a and b and abs(a - b) > RATE_NOTE_SHARE * max(a, b):
            notes.append(f"{pair} were discharged at {a:.2g} It and {b:.2g} It: part of the difference may come from the rate.")
    return notes
