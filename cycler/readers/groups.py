"""Group columns and tap columns to the voltages of groups 1..n, counted from pack negative."""

from __future__ import annotations

import itertools

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import overall
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.evidence import LARGEST_GROUP_V
from cycler.readers.rawcolumn import sampled
from cycler.readers.table import Table


def group_voltages(table: Table, assignment: Assignment, taps_from: str | None = None) -> np.ndarray:
    """Group voltages of every row, shape (n, series). [V]

    ``taps_from``: "pack_negative" or "pack_positive", where a columns file states what taps are measured against.

    Tap voltages that rise (or fall) from column to column are turned into the differences between neighbours, see
    ``_from_taps``. Columns without a group behind them (zero, empty, or the flicker of an open input) are ignored with a
    warning.
    """
    taps = assignment.role("tap_voltage")
    groups = assignment.role("group_voltage")
    pack = assignment.one("voltage")
    loose: list[Assigned] = []
    if not taps and groups:
        loose = _beside_loose_tap(groups)
        groups = _ignore_unused(table, assignment, groups, loose)
        if not groups:
            return np.zeros((table.rows, 0))
        rising = _cumulative(_medians(groups), LARGEST_GROUP_V) if _highest(groups) > LARGEST_GROUP_V else 0
        if rising:
            for item in groups:
                item.role = "tap_voltage"
                if item.turned and not (pack is not None and pack.turned):
                    _unsay_changed_leads(assignment, item)
                item.evidence += f"; readings {'rise' if rising > 0 else 'fall'} from column to column like taps"
            taps, groups = groups, []
    if taps:
        return _from_taps(table, assignment, taps, pack, taps_from)
    if not groups:
        return np.zeros((table.rows, 0))
    alone = np.where([item in loose for item in groups], np.nan, _medians(groups)) if _highest(groups) > LARGEST_GROUP_V else np.zeros(0)
    if np.nanmax(alone, initial=-np.inf) > LARGEST_GROUP_V:
        worst = groups[int(np.nanargmax(alone))]
        raise InputError(
            f"group column {worst.label} reads more than a group can",
            Location(table.file, table.dialect.header_line, worst.raw.position + 1),
            f"its readings lie near {overall.highest(alone):.3g} V; a group has at most {LARGEST_GROUP_V} V",
            "state the unit, or the role tap_voltage, in a columns file (--columns)",
        )
    _tell_repeated(assignment, groups)
    _renumber(assignment, groups)
    series = max(item.group or 1 for item in groups)
    out = np.empty((table.rows, series), order="F")
    missing = set(range(series))
    for item in groups:
        place = (item.group or 1) - 1
        out[:, place] = values = item.values()
        missing.discard(place)
        if values is item.raw.values:
            item.raw.values = out[:, place]  # a long log is not held twice
    out[:, sorted(missing)] = np.nan
    return out


def _medians(items: list[Assigned]) -> np.ndarray:
    return np.array([item.median() for item in items])


def _highest(items: list[Assigned]) -> float:
    """The largest of all readings; no median lies beyond it."""
    return float(np.nanmax([item.extent().high for item in items], initial=-np.inf))


def _cumulative(medians: np.ndarray, largest: float) -> int:
    """1 if the readings rise by a group's voltage from column to column, -1 if they fall so, else 0."""
    if medians.size < 2 or not np.all(np.isfinite(medians)) or np.max(medians) <= largest:
        return 0
    for direction, values in ((1, medians), (-1, medians[::-1])):
        steps = np.diff(np.concatenate([[0.0], values]))
        if np.all((steps > 0.2) & (steps <= largest)):
            return direction
    return 0


def _unsay_changed_leads(assignment: Assignment, item: Assigned) -> None:
    """A column turned round as if its leads were changed over has proved to be a tap against pack positive."""
    item.evidence = item.evidence.replace("read with the leads changed over", "measured against pack positive")
    assignment.warnings[:] = [warning for warning in assignment.warnings if (warning.code, warning.where) != ("voltage_reversed", item.label)]


SMALLEST_GROUP_V = 0.1
"""What stays below this is no group of a pack. [V]"""


def _beside_loose_tap(groups: list[Assigned]) -> list[Assigned]:
    """Columns of two neighbouring groups that together read what two groups do, one of them next to nothing: the tap between them is off.

    They are kept as they are; that says more than one column ignored and one refused.
    """
    if len(groups) < 4:
        return []
    # What a loose tap does stands far from what groups do, so some of the rows show that there is none.
    if not _loose_pairs(groups, np.array([_some_median(item) for item in groups]), doubt=0.15):
        return []
    return [item for k in _loose_pairs(groups, _medians(groups)) for item in groups[k : k + 2]]


def _some_median(item: Assigned) -> float:
    values = sampled(item.values())
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan


def _loose_pairs(groups: list[Assigned], medians: np.ndarray, doubt: float = 0.0) -> list[int]:
    """Place of the first column of each such pair; ``doubt``: share by which the limits are wider."""
    found = []
    for k in range(len(groups) - 1):
        low, high = sorted(medians[k : k + 2])
        beside = np.delete(medians, [k, k + 1])
        # Inputs that no group is connected to are no measure of one.
        beside = beside[np.nan_to_num(beside) > SMALLEST_GROUP_V]
        if beside.size < 2:
            continue
        others = float(np.median(beside))
        apart = groups[k + 1].group is not None and groups[k].group is not None and abs(groups[k + 1].group - groups[k].group) != 1
        wide = 1.0 + doubt
        far = low < 0.5 * wide * others and high * wide > SMALLEST_LOOSE * others
        if not apart and far and abs(low + high - 2.0 * others) <= (0.15 + 2 * doubt) * others:
            found.append(k)
    return found


SMALLEST_LOOSE = 1.5
"""Of two groups beside a loose tap the higher reads this many times what a group does, or more."""


def _ignore_unused(table: Table, assignment: Assignment, groups: list[Assigned], loose: list[Assigned]) -> list[Assigned]:
    unused, small = [], False
    for item in groups:
        if item in loose:
            continue
        if item.extent().size >= SMALLEST_GROUP_V:
            continue
        values = item.values()
        finite = np.abs(values[np.isfinite(values)])
        if finite.size and _is_group_by_another_unit(finite):
            raise InputError(
                f"group column {item.label} reads less than a group can",
                Location(table.file, table.dialect.header_line, item.raw.position + 1),
                f"its readings lie near {np.median(finite):.3g} V, yet they are steady, as those of a group of {1000 * np.median(finite):.3g} V",
                f'state the unit in a columns file (--columns): [[column]] name = "{item.label}", role = "{item.role}", unit = "V"',
            )
        unused.append(item)
        small |= bool(finite.size and np.max(finite) > 0)
    if not unused:
        return groups
    used = [item for item in groups if item not in unused]
    last = max((item.group or 0 for item in used), default=0)
    what = f"below {SMALLEST_GROUP_V} V" if small else "zero or empty"
    for item in unused:
        item.role = "ignored"
        item.evidence = f"no group is connected: all readings are {what}"
        if item.group is not None and item.group < last:
            item.evidence += "; its place between the other groups is kept"
        item.group = None
    names = ", ".join(item.label for item in unused)
    assignment.warnings.append(
        ReadingWarning(
            "group_unused", f"Columns without readings but {what if small else 'zero or empty'} were ignored: {names}.", f"{table.file}"
        )
    )
    return used


def _is_group_by_another_unit(finite: np.ndarray) -> bool:
    """True for readings a thousand times too small that move as a group does; an open input flickers or stands still."""
    middle = float(np.median(finite))
    if finite.size < 10 or not 0.5 < 1000 * middle <= LARGEST_GROUP_V or np.unique(finite).size < 10:
        return False
    return float(np.median(np.abs(np.diff(finite)))) < 0.02 * middle


def _tell_repeated(assignment: Assignment, groups: list[Assigned]) -> None:
    """Two headings with one number: the groups are counted by place, and that is said."""
    seen: dict[tuple[str, int | None], Assigned] = {}
    for item in groups:
        key = (item.name.series_key, item.name.number)
        if item.stated or item.name.number is None or seen.setdefault(key, item) is item:
            continue
        assignment.warnings.append(
            ReadingWarning(
                "group_name_repeated", f"Two columns are called {quote(item.label)}; the groups were counted in the order of the columns.", item.label
            )
        )
        return


def _renumber(assignment: Assignment, groups: list[Assigned]) -> None:
    """Numbers that start above 1 without anything before them count from 1."""
    numbers = sorted(item.group or 0 for item in groups)
    kept_places = any("its place between" in item.evidence for item in assignment.columns)
    if numbers[0] > 1 and numbers == list(range(numbers[0], numbers[0] + len(numbers))) and not kept_places:
        shift = numbers[0] - 1
        for item in groups:
            item.group = (item.group or 0) - shift
        return
    if numbers != list(range(1, len(numbers) + 1)):
        if numbers[-1] > 3 * len(numbers):
            # Serial numbers of sensors, not places in the pack.
            for place, item in enumerate(groups):
                item.group = place + 1
            return
        missing = sorted(set(range(1, numbers[-1] + 1)) - set(numbers))
        if missing:
            assignment.warnings.append(
                ReadingWarning("group_missing", f"The log holds no readings of group {', '.join(map(str, missing))}.", "")
            )


def _from_taps(
    table: Table, assignment: Assignment, taps: list[Assigned], pack: Assigned | None, taps_from: str | None = None,
) -> np.ndarray:
    """Differences of neighbouring taps, group 1 at pack negative.

    Each tap adds one group to the one before it in order of voltage. Measured against pack negative, tap k is the wire at the
    top of group k; measured against pack positive, at the bottom of group k. Which of the two it is: a columns file rules (it
    says so, or its numbers rise with the voltage, or fall); without one, readings that are negative beside a positive pack are
    against pack positive, all others against pack negative: that is a guess, which is told. A last group between the highest tap and the pack voltage is added.
    """
    if all(item.group_stated for item in taps):
        taps = sorted(taps, key=lambda item: abs(float(_medians([item])[0])))
    medians = _medians(taps)
    order = list(range(len(taps)))
    if len(taps) > 1 and np.all(np.diff(medians) < 0):
        order.reverse()
    elif len(taps) > 1 and not np.all(np.diff(medians) > 0):
        raise InputError(
            "the tap voltages do not rise from tap to tap", Location(table.file, table.dialect.header_line),
            "medians in the order of the headings: " + ", ".join(f"{value:.3g}" for value in medians[:12]) + " V",
            "state role group_voltage or the group number of each tap in a columns file (--columns)",
        )
    columns = [taps[place].values() for place in order]
    reference = None
    if abs(medians[order[0]]) < SMALLEST_GROUP_V and len(columns) > 1:
        # The first wire is the one that all are measured against.
        columns = columns[1:]
        reference = taps[order[0]]
        order = order[1:]
    if pack is not None:
        top = pack.values()
        above = float(overall.median(top - columns[-1]))
        if 0.5 < above <= LARGEST_GROUP_V:
            columns.append(top)
    stated, from_top, why = _reference(table, [taps[index] for index in order], pack, taps_from)
    if reference is not None:
        reference.evidence += f"; pack {'positive' if from_top else 'negative'}"
        reference.group = None
    stacked = np.column_stack(columns)
    out = np.diff(np.concatenate([np.zeros((table.rows, 1)), stacked], axis=1), axis=1)
    if from_top:
        out = out[:, ::-1]
    for place, index in enumerate(order):
        taps[index].group = out.shape[1] - place if from_top else place + 1
    if from_top or stated:
        text = f"measured against pack {'positive' if from_top else 'negative'} ({why}): the tap of a number is at the {'bottom' if from_top else 'top'} of that group, counted from pack negative"
    else:
        text = (
            "taken as measured against pack negative. Nothing in the log tells it from pack positive, where group 1 would be group "
            f"{out.shape[1]} and so on: measure one tap, and state taps_from = \"pack_negative\" or \"pack_positive\" in a columns file (--columns)"
        )
    assignment.warnings.append(
        ReadingWarning("taps_converted" if from_top or stated else "taps_end_open", f"Tap voltages were turned into {out.shape[1]} group voltages, {text}.", table.file)
    )
    return out


def _reference(
    table: Table, rising: list[Assigned], pack: Assigned | None, taps_from: str | None
) -> tuple[bool, bool, str]:
    """Whether the numbers are stated, whether the taps are measured against pack positive, and why; ``rising``: by voltage."""
    turned = all(item.turned for item in rising) and not (pack is not None and pack.turned)
    if taps_from is not None:
        if turned and taps_from == "pack_negative":
            raise InputError(
                "the tap voltages are not measured against pack negative", Location(table.file, table.dialect.header_line),
                "the columns file says so, but the readings are negative", 'state taps_from = "pack_positive" in the columns file',
            )
        return True, taps_from == "pack_positive", "as the columns file states"
    numbers = [item.group for item in rising if item.group_stated]
    if numbers and len(rising) > 1:
        step = {after - before for before, after in itertools.pairwise(item.group or 0 for item in rising)}
        first = numbers[0] if len(numbers) == len(rising) else 0
        if len(numbers) == len(rising) and ((step == {1} and first == 1) or (step == {-1} and numbers[-1] in (1, 2))):
            return True, step == {-1}, f"by the groups stated in the columns file, which {'fall' if step == {-1} else 'rise'} with the voltage"
        shown = ", ".join(f"{item.label} {float(_medians([item])[0]):.3g} V group {item.group if item.group_stated else 'not stated'}" for item in rising)
        raise InputError(
            "the groups stated for the taps do not follow their voltages", Location(table.file, table.dialect.header_line), f"in order of voltage: {shown}",
            "state group = 1, 2, 3 ... from the lowest voltage up for taps against pack negative, from the highest down for taps against pack positive",
        )
    return False, turned, "the readings are negative" if turned else ""
