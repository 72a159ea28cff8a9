"""Runs held against each other: before and after a repair, or a pack and its sister.

Differences and ratios carry their own uncertainty, in which the errors that one bench makes in both runs cancel
(:mod:`cycler.difference`). Capacity, energy and state of health of a test that was not valid are told as bounds, and no
difference of theirs is called significant.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from cycler.criteria_quantities import QUANTITIES, number, part
from cycler.difference import (
    CAPACITY,
    EITHER_VOLTAGE_GAIN,
    PROPORTIONAL_SOURCES,
    RATE_NOTE_SHARE,
    RESISTANCE_10S,
    RESISTANCE_GAIN_SOURCES,
    TEMPERATURE_NOTE_K,
    WITH_TIME_SOURCES,
    Budgeted,
    Figure,
    Line,
    capacity_figure,
    headline_figure,
    same_channel,
    same_instrument,
    u_difference_from_budgets,
    u_difference_with_common_gain,
    u_pair,
)
from cycler.errors import InputError
from cycler.quantities import COVERAGE_FACTOR, figure_text

__all__ = [
    "PROPORTIONAL_SOURCES", "RATE_NOTE_SHARE", "RESISTANCE_GAIN_SOURCES", "TEMPERATURE_NOTE_K", "WITH_TIME_SOURCES", "Budgeted", "changes", "compare",
    "difference_text", "reduced", "same_instrument", "u_difference_from_budgets", "u_difference_with_common_gain",
]

Analysis = Mapping[str, Any]

# --- figures -----------------------------------------------------------------------------------------------


def _plain(path: tuple[str, ...], u_path: tuple[str, ...]) -> Callable[[Analysis], Figure]:
    def take(analysis: Analysis) -> Figure:
        return Figure(number(part(analysis, *path)), number(part(analysis, *u_path)))

    return take


def _group_of(group: Mapping[str, Any], key: str, valid: bool = True) -> Figure:
    estimate = key.startswith("capacity") and group.get("capacity_is_estimate") is True
    return Figure(
        number(group.get(key)), number(group.get(f"u_{key}")), group.get("group"), valid, estimate=estimate
    )


def _worst(key: str, pick: Callable[..., Any], needs_valid_capacity: bool = False) -> Callable[[Analysis], Figure]:
    def take(analysis: Analysis) -> Figure:
        valid = part(analysis, "capacity", "valid") is True or not needs_valid_capacity
        figures = [_group_of(group, key, valid) for group in analysis.get("groups") or []]
        known = [figure for figure in figures if figure.value is not None]
        return pick(known, key=lambda figure: figure.value) if known else Figure(None)

    return take


def _limiting(analysis: Analysis) -> Figure:
    value = analysis.get("limiting_group")
    return Figure(value if isinstance(value, int) and not isinstance(value, bool) else None)


# Energy may come from the pack's or the groups' voltages: only the smaller gain is surely common.
_VI = ("current_gain", "group_voltage_gain")
_LINES = (
    CAPACITY,
    Line("energy_wh", "Energy", "Wh", "higher", capacity_figure("energy_wh", "u_energy_wh"), ("current_gain", EITHER_VOLTAGE_GAIN, "clock_gain")),
    Line("state_of_health", "State of health", "share", "higher", capacity_figure("state_of_health", "u_state_of_health")),
    RESISTANCE_10S,
    Line("ohmic_ohm", "Ohmic resistance of the pack", "ohm", "lower", headline_figure("ohmic_ohm", "u_ohmic_ohm", False), ("current_gain", "voltage_gain")),
    Line("group_resistance_10s_ohm_worst", "10 s resistance of the worst group", "ohm", "lower", _worst("resistance_10s_ohm", max), _VI),
    Line("group_capacity_ratio_worst", "Capacity of the worst group over its siblings", "share", "higher", _worst("capacity_ratio", min, True)),
    Line("limiting_group", "Limiting group", "", "", _limiting),
    Line("group_sag_end_v_worst", "Sag of the worst group at the end of the discharge", "V", "lower", _worst("sag_end_v", max)),
    Line("spread_rest_v", "Spread of the group voltages at rest", "V", "lower", _plain(("spread", "rest_v"), ("spread", "u_rest_v"))),
    Line("coulombic_efficiency", "Coulombic efficiency", "share", "higher", _plain(("efficiency", "coulombic"), ("efficiency", "u_coulombic"))),
    Line("energy_efficiency", "Energy efficiency", "share", "higher", _plain(("efficiency", "energy"), ("efficiency", "u_energy"))),
    Line("temperature_rise_k", QUANTITIES["temperature_rise_k"].label, "K", "lower", _plain(("thermal", "rise_c"), ("thermal", "u_rise_c"))),
    Line("self_discharge_worst_ma", "Self-discharge of the worst group", "mA", "lower", _worst("self_discharge_ma", max)),
)

# Gains of a group's own capacity: its charge went through the same current meter and clock.
_GROUP_COLUMNS = {
    "capacity_ah": ("Capacity", "Ah", "higher", ("current_gain", "clock_gain"), True),
    "resistance_10s_ohm": ("10 s resistance", "ohm", "lower", _VI, False),
    "sag_10s_v": ("Sag after 10 s", "V", "lower", ("group_voltage_gain",), False),
    "sag_end_v": ("Sag at the end of the discharge", "V", "lower", (), False),
}


# --- the table ---------------------------------------------------------------------------------------------


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
        ``names``, ``reference`` (index), ``same_instrument`` (per run, None for the reference), ``notes``, ``doubts`` (per run those of
        the notes that make its differences doubtful), ``rows`` and ``groups``. A row has quantity, label, unit, better, and per run: ``values``, ``u``, ``group``
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
    doubts = _doubts(analyses, names, reference, shared)
    return {
        "names": list(names),
        "reference": reference,
        "same_instrument": shared,
        "notes": _notes(names, reference, shared, doubts),
        "doubts": doubts,
        "rows": rows,
        "groups": _groups(analyses, names, reference, shared),
    }


_REDUCED = {
    "pack": ("id", "series", "chemistry", "rated_capacity_ah"),
    "capacity": (
        "value_ah", "u_value_ah", "u_from_full_ah", "u_charge_voltage_ah", "energy_wh", "u_energy_wh", "state_of_health", "valid", "is_lower_bound",
        "reasons", "started_full", "at_s", "budget", "rate_it", "mean_temperature_c",
    ),
    "resistance": ("headline", "budget"),
}


def reduced(analysis: Analysis) -> dict[str, Any]:
    """What the quantities that are told against a run before need of its analysis, in the same form.

    It may stand as ``before`` in the analysis that is judged; the whole analysis does as well.
    """
    kept: dict[str, Any] = {
        name: {key: analysis[name][key] for key in keys if key in analysis[name]} for name, keys in _REDUCED.items() if isinstance(analysis.get(name), Mapping)
    }
    return kept | {key: analysis[key] for key in ("schema", "instrument") if key in analysis}


_AT_THE_END = ("group_sag_end_v_worst", "group_sag_end_v")
"""Voltages at the instant of the cut-off, where they fall steeply: two voltmeters end two tests of one pack at different points, and what that
makes is not in the uncertainty of the reading. Only runs of one bench, which end alike, can be told apart by them."""


def _of_other_groups(line: Line) -> Line:
    """The line where the worst group is another one in each run: two channels of the group meter have no gain in common."""
    return replace(line, gains=tuple(gain for gain in line.gains if gain != "group_voltage_gain"))


def _cells(
    line: Line, figures: Sequence[Figure], analyses: Sequence[Analysis], reference: int, shared: Sequence[bool | None]
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
        common = bool(shared[index]) and same_channel(line, analyses[reference], analyses[index])
        difference = figure.value - base.value
        shares = line if figure.group == base.group else _of_other_groups(line)
        known = bool(shared[index]) or line.id not in _AT_THE_END
        u = u_pair(shares, base, figure, analyses[index], common, (1.0, 1.0)) if known else None
        cells["difference"][index] = difference
        cells["u_difference"][index] = u
        comparable = base.valid and figure.valid
        if not comparable:
            cells["significant"][index] = False
        elif u is not None and not _rerated(line, analyses[reference], analyses[index]):
            cells["significant"][index] = abs(difference) > COVERAGE_FACTOR * u
        if cells["significant"][index] and line.better:
            cells["improved"][index] = (difference > 0) == (line.better == "higher")
        if base.value > 0 and figure.value > 0:
            cells["ratio"][index] = figure.value / base.value
            relative = u_pair(shares, base, figure, analyses[index], common, (1.0 / base.value, 1.0 / figure.value)) if known else None
            if relative is not None:
                cells["u_ratio"][index] = relative * figure.value / base.value
    return cells


def _row(
    line: Line, figures: Sequence[Figure], analyses: Sequence[Analysis], names: Sequence[str], reference: int,
    shared: Sequence[bool | None],
) -> dict[str, Any]:
    cells = _cells(line, figures, analyses, reference, shared)
    sentences = [
        None if index == reference
        else _sentence(line, figures[reference], figure, names[reference], names[index], cells, index, _two_packs(analyses[reference], analyses[index]))
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


def _two_packs(first: Analysis, second: Analysis) -> bool:
    """Whether the runs are of different packs, as far as their pack files tell."""
    a, b = part(first, "pack", "id"), part(second, "pack", "id")
    return bool(a) and bool(b) and a != b


def _rerated(line: Line, first: Analysis, second: Analysis) -> bool:
    """Whether the line is a share of the rated capacity and one pack was given two: the difference is one of labels, no gain or loss."""
    a, b = (number(part(analysis, "pack", "rated_capacity_ah")) for analysis in (first, second))
    return line.id == "state_of_health" and a != b and not _two_packs(first, second)


def _said(line: Line, figure: Figure) -> str:
    at_least = "at least " if figure.bound == "lower" else ""
    where = f" (group {figure.group})" if figure.group else ""
    return f"{at_least}{figure_text(figure.value, figure.u, line.unit)}{where}"


def _sentence(
    line: Line, base: Figure, figure: Figure, base_name: str, name: str, cells: Mapping[str, list[Any]], index: int, two_packs: bool,
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
    if cells["significant"][index] is None and u is not None:
        return f"{line.label}: {both}; the rated capacities differ, so no difference is claimed."
    if u is None:
        return f"{line.label}: {both}; the uncertainty of the difference is not known."
    if not cells["significant"][index]:
        return f"{line.label}: no difference shown ({both}; difference {figure_text(difference, u, line.unit)})."
    way = "higher" if difference > 0 else "lower"
    judged = {True: ", better", False: ", worse", None: ""}[cells["improved"][index]]
    if judged and two_packs:
        judged += f" than {base_name}"
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
            line = Line(f"group_{key}", label, unit, better, _limiting, gains)
            row[key] = {
                "label": label, "unit": unit, "better": better,
                "values": [figure.value for figure in figures], "u": [figure.u for figure in figures],
                "estimate": [figure.estimate for figure in figures],
                **_cells(line, figures, analyses, reference, shared),
            }
        table.append(row)
    return table


# --- notes on comparability --------------------------------------------------------------------------------

def _notes(names: Sequence[str], reference: int, shared: Sequence[bool | None], doubts: Sequence[Sequence[str]]) -> list[str]:
    """What stands between the runs besides the pack: instrument, temperature, rate, start, kind of pack."""
    notes: list[str] = []
    for index, name in enumerate(names):
        if shared[index]:
            notes.append(f"{names[reference]} and {name} declare the same instrument: its gain and zero errors are common and do not count twice.")
        notes += doubts[index]
    return notes


def _doubts(
    analyses: Sequence[Analysis], names: Sequence[str], reference: int, shared: Sequence[bool | None]
) -> list[list[str]]:
    """Per run: in what it was not tested like the reference, or is not the same kind of pack."""
    found: list[list[str]] = []
    base, base_name = analyses[reference], names[reference]
    for index, (analysis, name) in enumerate(zip(analyses, names)):
        own: list[str] = []
        found.append(own)
        if index == reference:
            continue
        pair = f"{base_name} and {name}"
        if not shared[index]:
            own.append(
                f"{pair} do not declare the same instrument (the same id under [instrument]): all errors are taken as independent."
            )
        for key, word, unit in (("series", "number of groups", ""), ("chemistry", "chemistry", ""), ("rated_capacity_ah", "rated capacity", " Ah")):
            a, b = part(base, "pack", key), part(analysis, "pack", key)
            if a is not None and b is not None and a != b:
                own.append(f"{pair} differ in {word}: {a}{unit} and {b}{unit}.")
        a, b = (number(part(item, "capacity", "mean_temperature_c")) for item in (base, analysis))
        if a is not None and b is not None and abs(a - b) >= TEMPERATURE_NOTE_K:
            own.append(
                f"{pair} were tested at {a:.0f} °C and {b:.0f} °C: part of the difference in capacity and resistance may "
                "come from the temperature."
            )
        a, b = (number(part(item, "capacity", "rate_it")) for item in (base, analysis))
        if a and b and abs(a - b) > RATE_NOTE_SHARE * max(a, b):
            own.append(f"{pair} were discharged at {a:.2g} It and {b:.2g} It: part of the difference may come from the rate.")
        a, b = (part(item, "capacity", "started_full") for item in (base, analysis))
        if part(base, "capacity") and part(analysis, "capacity") and (a is True) != (b is True):
            full, other = (base_name, name) if a is True else (name, base_name)
            own.append(f"{full} was full at the start of its discharge, {other} was not shown to be: part of the difference may come from the start.")
    return found


# --- what changed, in figures ------------------------------------------------------------------------------

_POINTS = "percentage points"


def difference_text(row: Mapping[str, Any], index: int) -> str:
    """Difference of a run from the reference with sign and expanded uncertainty: "+2.838 ± 0.016 Ah"; shares in percentage points."""
    difference, u, unit = row["difference"][index], row["u_difference"][index], row["unit"]
    if unit == "V":
        difference, u, unit = difference * 1e3, None if u is None else u * 1e3, "mV"
    shown = figure_text(float(difference), u, unit)
    if unit == "share":
        shown = shown.replace("%", _POINTS)
    return f"+{shown}" if difference > 0 else shown


def changes(result: Mapping[str, Any], index: int) -> dict[str, list[dict[str, str]]]:
    """What of a comparison changed from the reference to one run, line by line.

    Parameters
    ----------
    result : dict
        Of :func:`compare`.
    index : int
        The run.

    Returns
    -------
    dict
        Lists of ``{"quantity", "label", "difference"}`` under ``better``, ``worse`` and ``differs`` (beyond the uncertainty, without a better end),
        ``within`` (no difference shown) and ``unclaimed`` (an invalid test, unknown uncertainty or other ratings forbid it). Figures missing in
        one of the two runs are in none.
    """
    found: dict[str, list[dict[str, str]]] = {key: [] for key in ("better", "worse", "differs", "within", "unclaimed")}
    reference = result["reference"]
    for row in result["rows"]:
        if row["difference"][index] is None:
            continue
        if not (row["valid"][index] and row["valid"][reference]) or row["significant"][index] is None:
            key = "unclaimed"
        elif not row["significant"][index]:
            key = "within"
        else:
            key = {True: "better", False: "worse", None: "differs"}[row["improved"][index]]
        shown = difference_text(row, index) if key != "unclaimed" else ""
        found[key].append({"quantity": row["quantity"], "label": row["label"], "difference": shown})
    return found
