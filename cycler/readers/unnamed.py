"""Roles of the columns of a log without headings, by what the readings can only be.

A time runs on; group voltages read alike and add up to the pack's; the voltage answers every step of the current;
a counter's change is the current integrated. What is not proven so stays ignored; two readings that are equally
likely are an error that names both.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cycler.errors import InputError, Location
from cycler.log import ReadingWarning
from cycler.readers import overall
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.evidence import LARGEST_GROUP_V
from cycler.readers.stamps import parse_stamps
from cycler.readers.table import Table

LARGEST_PACK_V = 150.0
"""Packs that a workshop repairs stay below this. [V]"""
CLEAR = 0.75
"""A reading counts as proven if the next best explains less than this share of what it explains."""


def infer_open_roles(table: Table, assignment: Assignment) -> None:
    """Roles of the columns of a log without headings that a columns file leaves open; see :func:`infer_roles`.

    Where some are stated, what is not proven of the others is no error: what is missing is told when it is needed.
    """
    if not any(item.stated for item in assignment.columns):
        infer_roles(table, assignment)
        return
    trial = Assignment([replace(item, stated=False) for item in assignment.columns])
    try:
        infer_roles(table, trial)
    except InputError:
        return
    taken = {item.role for item in assignment.columns if item.stated}
    taken |= {"group_voltage", "tap_voltage"} if taken & {"group_voltage", "tap_voltage"} else set()
    for item, found in zip(assignment.columns, trial.columns):
        if not item.stated and found.role not in taken | {"ignored"}:
            item.role, item.group, item.evidence = found.role, found.group, found.evidence


def infer_roles(table: Table, assignment: Assignment) -> None:
    """Give roles to the columns of a log without headings.

    Raises
    ------
    InputError
        No time, or voltage and current cannot be told apart; names the readings that remain possible.
    """
    open_columns = [item for item in assignment.columns if not item.stated]
    for item in open_columns:
        if item.raw.values is not None:
            # No reading is so large, and it would drown every comparison.
            item.raw.values = np.where(np.abs(item.raw.values) < 1e16, item.raw.values, np.nan)
    numbers = [item for item in open_columns if item.raw.kind == "number" and np.isfinite(item.raw.values).mean() > 0.5]
    for item in open_columns:
        if item.role != "mode":
            item.role, item.evidence = "ignored", "no heading, and the readings prove no part"
    time = _find_time(table, open_columns, numbers)
    numbers = [item for item in numbers if item is not time and not _counts_rows(item)]
    varying = [item for item in numbers if overall.highest(item.raw.values) > overall.lowest(item.raw.values)]
    groups, pack = _find_groups(numbers)
    taps = [] if groups else _find_taps(numbers)
    for place, item in enumerate(groups, 1):
        item.role, item.group = "group_voltage", place
        item.evidence = "reads like its neighbours, as groups do"
    for place, item in enumerate(taps, 1):
        item.role, item.group = "tap_voltage", place
        item.evidence = "a row of columns that rise by a group each, as taps do"
    if taps:
        groups = [max(taps, key=_middle)]
        pack = next((item for item in numbers if item not in taps and _near(item.raw.values, groups[0].raw.values)), None)
    rest = [item for item in varying if item.role == "ignored"]
    if pack is not None:
        pack.role = "voltage"
        pack.evidence = "reads like the last tap" if taps else f"the sum of the {len(groups)} group columns"
        rest = [item for item in rest if item is not pack]
    _find_pair(table, time, rest, groups, pack)
    rest = [item for item in rest if item.role == "ignored"]
    _find_products(time, rest, assignment)
    assignment.warnings.append(
        ReadingWarning(
            "header_missing",
            "The log has no headings; the readings prove "
            + ", ".join(f"{item.label} = {item.role}" for item in assignment.columns if item.role != "ignored") + ".",
            f"{table.file}:{table.dialect.first_line}",
        )
    )


def _counts_rows(item: Assigned) -> bool:
    steps = np.diff(item.raw.values)
    return bool(steps.size and np.all(steps == 1.0) and item.raw.values[0] in (0.0, 1.0))


def _find_time(table: Table, columns: list[Assigned], numbers: list[Assigned]) -> Assigned:
    stamped = [item for item in columns if item.raw.kind == "time"]
    if stamped:
        for item in stamped:
            stamps = parse_stamps(item.raw.texts)
            item.role = "date" if stamps.date_only else "clock" if stamps.has_date or len(stamped) > 1 else "time"
            item.evidence = "cells hold times"
        return next((item for item in stamped if item.role != "date"), stamped[0])
    rated = []
    for item in numbers:
        steps = np.diff(item.raw.values[np.isfinite(item.raw.values)])
        if steps.size < 3 or (steps < 0).mean() > 0.05:
            continue
        rising = float((steps > 0).mean())
        if rising > 0.6:
            # A counter stands still in rests; a time does not. A row number is the last choice.
            steady = float(np.median(steps) / (np.mean(steps) + 1e-12))
            falls = float((steps < 0).mean())
            rated.append((rising - 20 * falls - 0.3 * _counts_rows(item) + 0.05 * min(steady, 1.0), -item.raw.position, item))
    if not rated:
        raise InputError(
            "the log has no headings and no column that runs like a time", Location(table.file, table.dialect.first_line),
            f"none of its {len(columns)} columns rises from row to row",
            'name the columns in a columns file (--columns): one block [[column]] position = 1, role = "time", unit = "s" per column',
        )
    best = max(rated)[2]
    best.role, best.evidence = "time", "it runs on from row to row"
    return best


def _middle(item: Assigned) -> float:
    return overall.median(item.raw.values)


def _find_groups(numbers: list[Assigned]) -> tuple[list[Assigned], Assigned | None]:
    """Neighbouring columns that read alike, and the column that is their sum."""
    best: tuple[list[Assigned], Assigned | None] = ([], None)
    for scale in (1.0, 1000.0):
        usual = [item for item in numbers if 0.8 * scale < _middle(item) < LARGEST_GROUP_V * scale and overall.lowest(item.raw.values) >= 0]
        runs: list[list[Assigned]] = []
        for item in usual:
            run = runs[-1] if runs else None
            if run and item.raw.position == run[-1].raw.position + 1 and _alike(run[0], item):
                run.append(item)
            else:
                runs.append([item])
        for run in runs:
            if len(run) < 2 or len(run) <= len(best[0]):
                continue
            found = _with_sum(run, numbers)
            if found is not None and (best[1] is None or len(found[0]) > len(best[0])):
                best = found
            elif len(run) > 2 and best[1] is None:
                best = (run, None)
    return best


def _find_taps(numbers: list[Assigned]) -> list[Assigned]:
    """Three or more neighbouring columns that rise, or fall, by the voltage of a group from one to the next."""
    best: list[Assigned] = []
    for scale in (1.0, 1000.0):
        for ordered in (numbers, numbers[::-1]):
            run: list[Assigned] = []
            for item in ordered:
                above = _middle(item) - (_middle(run[-1]) if run else 0.0)
                next_to = not run or abs(item.raw.position - run[-1].raw.position) == 1
                if 0.8 * scale < above < LARGEST_GROUP_V * scale and next_to and overall.lowest(item.raw.values) >= 0:
                    run.append(item)
                else:
                    run = [item] if 0.8 * scale < _middle(item) < LARGEST_GROUP_V * scale else []
                if len(run) > max(2, len(best)) and _alike_steps(run):
                    best = list(run)
    return sorted(best, key=lambda item: item.raw.position)


def _alike_steps(run: list[Assigned]) -> bool:
    steps = np.diff([0.0, *map(_middle, run)])
    return bool(steps.max() < 1.5 * steps.min())


def _with_sum(run: list[Assigned], numbers: list[Assigned]) -> tuple[list[Assigned], Assigned] | None:
    """The longest stretch of neighbours that adds up to another column (a counter may read like a group)."""
    for length in range(len(run), 1, -1):
        for start in range(len(run) - length + 1):
            part = run[start: start + length]
            total = np.sum([item.raw.values for item in part], axis=0)
            for item in numbers:
                if item not in part and any(_near(item.raw.values * factor, total) for factor in (1.0, 1000.0, 1e-3)):
                    return part, item
    return None


def _alike(first: Assigned, other: Assigned) -> bool:
    a, b = first.raw.values, other.raw.values
    if not 0.75 < _middle(other) / _middle(first) < 1.33:
        return False
    if np.nanstd(a) == 0 or np.nanstd(b) == 0:
        return False
    return bool(overall.correlation(a, b) > 0.8)


def _near(values: np.ndarray, total: np.ndarray) -> bool:
    with np.errstate(all="ignore"):
        return bool(overall.median(np.abs(values / total - 1)) < 0.01)


def _response(voltage: np.ndarray, current: np.ndarray) -> tuple[float, int]:
    """How well one column answers the steps of another: share of agreeing edges, and their number."""
    di, dv = np.diff(current), np.diff(voltage)
    peak = float(overall.percentile(np.abs(current), 99.5))
    if peak <= 0:
        return 0.0, 0
    # A protection board that cuts off takes the voltage with it: no answer of the cells.
    edge = np.isfinite(di) & np.isfinite(dv) & (np.abs(di) > 0.3 * peak) & (np.abs(dv) < 0.3 * overall.median(voltage))
    quiet = np.abs(dv[np.isfinite(dv) & ~edge])
    usual = float(np.percentile(quiet, 90)) if quiet.size else 0.0
    answer = edge & (np.abs(dv) > 2 * usual) & (dv != 0)
    if not edge.any() or not answer.any():
        return 0.0, 0
    votes = np.sign(di[answer] * dv[answer])
    score = float(abs(votes.sum()) / edge.sum())
    if overall.lowest(current) >= 0:
        # An unsigned current may answer in both directions.
        score = max(score, 0.8 * float(answer.sum() / edge.sum()))
    return score, int(edge.sum())


def _is_state(values: np.ndarray) -> bool:
    """Numbers of steps, cycles or states: few whole numbers."""
    finite = values[np.isfinite(values)]
    return bool(np.all(finite == np.round(finite)) and finite.min() >= 0 and np.unique(finite).size <= 30)


def _is_voltage(values: np.ndarray) -> bool:
    if _is_state(values):
        return False
    low, middle, high = np.nanpercentile(values, [10, 50, 98])
    return bool(low > 0 and low > 0.45 * high and any(0.8 < middle / scale < LARGEST_PACK_V for scale in (1.0, 1000.0)))


def _is_current(values: np.ndarray) -> bool:
    """Steps over most of its range from one row to the next, and levels that hold."""
    span = float(overall.highest(values) - overall.lowest(values))
    steps = np.abs(np.diff(values))
    if _is_state(values):
        return False
    return bool(span > 0 and (steps > 0.3 * span).any() and overall.median(steps) < 0.05 * span)


def _find_pair(table: Table, time: Assigned, rest: list[Assigned], groups: list[Assigned], pack: Assigned | None) -> None:
    """The current, and the voltage where no sum of groups gave it."""
    known = pack.raw.values if pack is not None else np.sum([item.raw.values for item in groups], axis=0) if groups else None
    rated = []
    for item in rest:
        if not _is_current(item.raw.values):
            continue
        if known is not None:
            rated.append((_response(known, item.raw.values)[0], item, pack))
            continue
        for other in rest:
            if other is not item and _is_voltage(other.raw.values):
                rated.append((_response(other.raw.values, item.raw.values)[0], item, other))
    rated = [(score + 0.5 * _is_integrated(time, item, rest), item, other) for score, item, other in rated if score > 0.3]
    rated = sorted(rated, key=lambda entry: -entry[0])
    if len(rated) > 1 and _find_halves(rated):
        return
    if not rated:
        raise InputError(
            "the log has no headings, and its readings do not prove which column is the current",
            Location(table.file, table.dialect.first_line),
            "no column steps as a current does with a voltage that answers it",
            'name the columns in a columns file (--columns): one block [[column]] position = 3, role = "current", unit = "A" per column',
        )
    score, current, voltage = rated[0]
    rivals = [entry for entry in rated[1:] if entry[0] > CLEAR * score and not _same_shape(entry[1], current, entry[2], voltage)]
    if rivals:
        _, other_current, other_voltage = rivals[0]
        raise InputError(
            "the log has no headings, and two readings of it are possible", Location(table.file, table.dialect.first_line),
            f"current in {current.label}" + (f" and voltage in {voltage.label}" if voltage else "")
            + f", or current in {other_current.label}" + (f" and voltage in {other_voltage.label}" if other_voltage else ""),
            f'write which in a columns file (--columns): [[column]] position = {current.raw.position + 1}, role = "current", unit = "A"',
        )
    current.role = "current"
    current.evidence = "it steps, and the voltage answers each step"
    if voltage is not None and voltage.role == "ignored":
        voltage.role = "voltage"
        voltage.evidence = f"it answers the steps of {current.label}"


def _same_shape(a: Assigned, b: Assigned, va: Assigned | None, vb: Assigned | None) -> bool:
    """True if the rival is the power (current times voltage) of the same step, which has the same shape."""
    if a is b or va is not vb:
        return False
    x, y = a.raw.values, b.raw.values
    return bool(abs(overall.correlation(x, y)) > 0.99)


def _find_halves(rated: list[tuple[float, Assigned, Assigned | None]]) -> bool:
    """Two columns that never flow together are charge and discharge current; the voltage tells which is which."""
    _, first, voltage = rated[0]
    a = first.raw.values
    level = 0.05 * float(overall.highest(np.abs(a)))
    if overall.lowest(a) < -level:
        return False
    for _, second, other in rated[1:]:
        b = second.raw.values
        bar = 0.05 * float(overall.highest(np.abs(b)))
        if second is first or other is not voltage or overall.lowest(b) < -bar or np.any((a > level) & (b > bar)):
            continue
        if voltage is None:
            return False
        signs = []
        for values in (a, b):
            di, dv = np.diff(values), np.diff(voltage.raw.values)
            edge = (np.abs(di) > 0.3 * overall.highest(np.abs(values))) & (np.abs(dv) < 0.3 * overall.median(voltage.raw.values))
            signs.append(float(np.sign(di[edge] * dv[edge]).sum()))
        if signs[0] * signs[1] >= 0:
            continue
        for item, sign in ((first, signs[0]), (second, signs[1])):
            item.role = "charge_current" if sign > 0 else "discharge_current"
            item.evidence = f"the voltage {'rises' if sign > 0 else 'falls'} when it begins; it never flows with the other"
        if voltage.role == "ignored":
            voltage.role, voltage.evidence = "voltage", f"it answers the steps of {first.label} and {second.label}"
        return True
    return False


def _seconds(time: Assigned) -> np.ndarray:
    return parse_stamps(time.raw.texts).seconds if time.raw.kind == "time" else time.raw.values


def _steps_s(time: Assigned) -> np.ndarray:
    """Time from row to row; falls count as none."""
    return np.clip(np.nan_to_num(np.diff(_seconds(time))), 0, None)


def _is_integral_of(time: Assigned, other: Assigned, flow: np.ndarray) -> bool:
    """True if a column's rate of change goes with a flow, compared over runs of rows because counters are coarse."""
    steps = _steps_s(time)
    change = np.nan_to_num(np.diff(other.raw.values))
    mean = (flow[1:] + flow[:-1]) / 2 * steps
    resets = np.abs(change) > 0.5 * float(np.nanmax(np.abs(other.raw.values), initial=0.0))
    change, mean = np.where(resets, 0.0, change), np.where(resets, 0.0, mean)
    run = max(1, min(50, steps.size // 20))
    count = steps.size // run
    starts = np.arange(count) * run
    total = np.add.reduceat(steps[: count * run], starts)
    good = total > 0
    rate = np.add.reduceat(change[: count * run], starts)[good] / total[good]
    flow_mean = np.add.reduceat(mean[: count * run], starts)[good] / total[good]
    return max(_closeness(rate, flow_mean), _closeness(np.abs(rate), np.abs(flow_mean))) > 0.95 and _through_zero(rate, flow_mean)


def _is_integrated(time: Assigned, item: Assigned, rest: list[Assigned]) -> bool:
    """True if another column is this one integrated over time."""
    flow = np.nan_to_num(item.raw.values)
    return any(_is_integral_of(time, other, flow) for other in rest if other is not item)


def _find_products(time: Assigned, rest: list[Assigned], assignment: Assignment) -> None:
    """Power, charge and energy: columns that are, or integrate, the product of others."""
    voltage = assignment.one("voltage")
    parts = {role: assignment.one(role) for role in ("current", "charge_current", "discharge_current")}
    if parts["current"] is not None:
        values = np.nan_to_num(parts["current"].raw.values)
    else:
        values = sum(sign * np.nan_to_num(item.raw.values) for sign, item in ((1, parts["charge_current"]), (-1, parts["discharge_current"])) if item)
    power = values * np.nan_to_num(voltage.raw.values) if voltage is not None else None
    steps = _steps_s(time)
    for item in rest:
        reading = item.raw.values
        if power is not None and _closeness(reading, power) > 0.9 and _fits(np.abs(reading), np.abs(power), (1.0, 1e3, 1e-3, 1e-6)):
            item.role, item.evidence = "power", "it is the product of voltage and current"
            continue
        change = np.abs(np.diff(reading))
        change = change[change <= 0.5 * float(np.nanmax(np.abs(reading), initial=0.0))]
        rated = []
        for role, flow in (("capacity", values), ("energy", power)):
            if flow is None or not _is_integral_of(time, item, flow):
                continue
            error = _misfit(float(np.nansum(change)), float(np.abs((flow[1:] + flow[:-1]) / 2 * steps).sum()))
            if error < 0.05:
                rated.append((error, role))
        if rated and not assignment.role(min(rated)[1]):
            item.role = min(rated)[1]
            item.evidence = f"its change is the {'power' if item.role == 'energy' else 'current'} integrated over time"


def _fits(a: np.ndarray, b: np.ndarray, factors: tuple[float, ...]) -> bool:
    large = np.isfinite(a) & np.isfinite(b) & (b > 0.2 * overall.highest(b))
    if not large.any():
        return False
    ratio = float(np.median(a[large] / b[large]))
    return any(abs(ratio / factor - 1) < 0.03 for factor in factors)


def _misfit(change: float, integral: float) -> float:
    """Distance of a counter's change from the integral in As or Ws, over the scales that units can bring."""
    if not change or not integral:
        return 1.0
    ratio = change / integral * 3600.0
    return min(abs(ratio / scale - 1) for scale in (1.0, 1e3, 1e-3, 1e-6, 60.0, 3600.0, 3.6e6, 6e4))


def _closeness(a: np.ndarray, b: np.ndarray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() < 5 or np.std(a[both]) == 0 or np.std(b[both]) == 0:
        return 0.0
    return float(abs(np.corrcoef(a[both], b[both])[0, 1]))


def _through_zero(a: np.ndarray, b: np.ndarray) -> bool:
    both = np.isfinite(a) & np.isfinite(b)
    small = both & (np.abs(b) < 0.02 * overall.highest(np.abs(b)))
    return not small.any() or bool(overall.median(np.abs(a[small])) < 0.1 * overall.highest(np.abs(a[both])))
