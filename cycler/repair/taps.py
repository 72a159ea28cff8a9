"""Voltages of the groups from the readings at the balance taps, with their uncertainty, and what of them is no group's voltage at all."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cycler.quantities import figure_text
from cycler.repair.charge import state_of_charge
from cycler.repair.grouplevels import (
    MAD_TO_SIGMA,
    level_remarks,
    robust_scores,
    spread_limits,
    spread_remark,
)
from cycler.repair.levels import LEVELS, UNKNOWN, GroupLimits, Levels, group_limits, level_of
from cycler.repair.readings import (
    GroupReading,
    ReadingErrors,
    Readings,
    added,
    covariance,
    lengthened,
    reading_errors,
    row_of,
)
from cycler.repair.remarks import CAUTION, DEFECT, INFO, Remark, listed
from cycler.repair.sheet import EACH_GROUP, FROM_POSITIVE, BenchSheet
from cycler.repair.tapwalk import (
    DEDUCED,
    DOUBLE,
    FALLS,
    LOOSE,
    REVERSED_MOST_V,
    SUSPECT,
    Walk,
    opposite,
    usual_step,
    walk_taps,
)
from cycler.repair.torn import NOTHING_SHARE, loose_remark, open_group_remark

OUTLIER_Z = 3.5
"""Robust score above which a group is an outlier (a usual bound for scores from the median absolute deviation; from memory)."""
OUTLIER_MIN_V = 0.01
"""Groups of a sound pack at rest differ by so much; less is no outlier whatever its score. Common practice, no source. [V]"""
SUM_TOLERANCE_V, SUM_TOLERANCE_SHARE = 0.02, 0.002
"""The groups together are the pack within the larger of the two. Common practice, no source."""
CELL_MOST_V = 5.0
"""No group reads more. Common practice, no source. [V]"""
DIRECT_MIN_V = 0.02
"""Least difference between a group read directly and through its taps that tells a poor lead. Common practice, no source. [V]"""


_MEASURE_BOTH = "The voltage of each of the two is not known. Measure both directly at their cells, then the lead's resistance."


@dataclass(frozen=True, slots=True)
class TapTable:
    """Groups, their sum and how they spread.

    Attributes
    ----------
    voltage_v : numpy.ndarray, shape (n,)
        Of groups 1 to n, counted from pack negative; NaN where a group's own voltage is not known. [V]
    covariance_v2 : numpy.ndarray, shape (n, n)
        NaN in rows and columns of groups that are not known. [V²]
    figures : dict
        ``taps`` of ``cycler.bench/1``.
    remarks : tuple of Remark
    missing : tuple of dict
        Figures that the readings cannot support: what, why, how.
    """

    voltage_v: np.ndarray
    covariance_v2: np.ndarray
    figures: dict[str, Any]
    remarks: tuple[Remark, ...]
    missing: tuple[dict[str, str], ...]


def group_table(sheet: BenchSheet, levels: Mapping[str, Levels] | None = None) -> TapTable:
    """The groups of a sheet.

    Parameters
    ----------
    sheet : BenchSheet
    levels : mapping of chemistry to Levels, optional
        Instead of :data:`cycler.repair.levels.LEVELS`.

    Notes
    -----
    Uncertainties follow :mod:`cycler.repair.readings`: a group between two taps is the difference of two readings of one meter, the gain common, the
    digits not. Where a group was measured by itself at its cells (``group_direct_v_N`` in [observed]) that reading goes before the one at the taps.
    """
    limits = group_limits(sheet.pack, dict(levels or LEVELS))
    if not any(tap is not None for tap in sheet.taps_v):
        return _without(sheet, "no tap was read", "measure the voltage at every balance tap against pack negative")
    if sheet.taps_from is None:
        return _without(sheet, "it is not stated from where the taps were read", 'state taps_from: "pack_negative", "pack_positive" or "each_group"')
    work = _Work(sheet, limits)
    if sheet.taps_from == EACH_GROUP:
        work.each_group()
    else:
        work.cumulative()
    work.direct()
    work.no_cell()
    return work.table()


def _without(sheet: BenchSheet, why: str, how: str) -> TapTable:
    expected = None if not sheet.pack.series else sheet.pack.series + (0 if sheet.taps_from == EACH_GROUP else 1)
    figures = {
        "taken": False, "taps_from": sheet.taps_from, "expected_taps": expected, "found_taps": sum(tap is not None for tap in sheet.taps_v), "groups": [],
        "sum_v": None, "u_sum_v": None, "sum_is_part": True, "compared_with": None, "difference_v": None, "u_difference_v": None, "median_v": None, "u_median_v": None,
        "spread_v": None, "u_spread_v": None, "meter_declared": sheet.meter.voltage.declared,
    }
    return TapTable(np.empty(0), np.empty((0, 0)), figures, (), ({"what": "voltages of the groups", "why": why, "how": how},))


class _Work:
    """One evaluation; its steps fill groups, remarks and missing figures."""

    def __init__(self, sheet: BenchSheet, limits: GroupLimits) -> None:
        self.sheet, self.limits = sheet, limits
        self.readings = Readings()
        self.remarks: list[Remark] = []
        self.missing: list[dict[str, str]] = []
        self.groups: list[GroupReading] = []
        self.sum_parts: list[tuple[int, float]] = []  # (reading, coefficient)
        self.sum_is_part = False
        self.found = sum(tap is not None for tap in sheet.taps_v)
        self.expected: int | None = None
        self.highest_v = limits.over_full_v + 0.05 if limits.over_full_v else None
        self.walk: Walk | None = None
        self.leads = sheet.observed.get("taps_read_at") != "cells"

    def remark(self, code: str, severity: str, message: str, evidence: str = "", **place: Any) -> None:
        self.remarks.append(Remark(code, severity, message, evidence, **place))

    # ---- one probe stays --------------------------------------------------------------------------------------

    def cumulative(self) -> None:
        sheet = self.sheet
        from_positive = sheet.taps_from == FROM_POSITIVE
        taps = list(sheet.taps_v)
        self.expected = sheet.pack.series + 1 if sheet.pack.series else None
        exact_first = taps[0] is None
        if exact_first:
            taps[0] = 0.0
            self.found += 1
        others = [tap for tap in taps[1:] if tap]
        if others and sum(tap < 0.0 for tap in others) * 2 > len(others):
            taps = [None if tap is None else -tap for tap in taps]
            if not from_positive:
                self.remark("taps_sign", INFO, "Nearly all readings are negative: the meter's leads were changed over. They are taken with the other sign.", "")
        tolerance = max(3.0 * math.sqrt(2.0) * sheet.meter.voltage.limits("group_voltage")[1] / math.sqrt(3.0), 0.003)
        walk = walk_taps(taps, sheet.pack.series, self.highest_v, tolerance, abs(sheet.cells_v) if sheet.cells_v else None, self.leads)
        self.walk = walk
        count = sheet.pack.series or len(walk.readings_v) - 1
        group_at = (lambda place: count - place) if from_positive else (lambda place: place + 1)
        tap_at = (lambda place: count - place) if from_positive else (lambda place: place)
        self.groups = [GroupReading(number) for number in range(1, count + 1)]
        columns = {
            place: self.readings.add(reading, exact_first and walk.sources[place] == 0) for place, reading in enumerate(walk.readings_v) if reading is not None
        }
        sure = [place for place in columns if place not in walk.doubt]
        for first, last in itertools.pairwise(sure):
            span = [self.groups[group_at(place) - 1] for place in range(first, last)]
            if len(span) == 1:
                span[0].row = row_of({columns[last]: 1.0, columns[first]: -1.0})
            else:
                together = tuple(sorted(group.number for group in span))
                for place, group in zip(range(first, last), span):
                    group.together, group.together_row = together, row_of({columns[last]: 1.0, columns[first]: -1.0})
                    if place in columns and place + 1 in columns:
                        group.apparent_v = walk.readings_v[place + 1] - walk.readings_v[place]
        self._tell_of_taps(walk, group_at, tap_at)
        ends = sorted(columns)
        while len(ends) > 1 and walk.doubt.get(ends[-1]) in (FALLS, LOOSE):
            ends.pop()
        self.sum_parts = [(columns[ends[-1]], 1.0), (columns[ends[0]], -1.0)] if len(ends) > 1 else []
        self.sum_is_part = ends[-1] != count
        self._count(walk, group_at)

    def _tell_of_taps(self, walk: Walk, group_at: Any, tap_at: Any) -> None:
        usual = walk.step_v or 0.0
        for first, last in walk.swapped:
            low, high = sorted((tap_at(first), tap_at(last)))
            for place in {first - 1, first, last - 1, last} & set(range(len(self.groups))):
                self.groups[group_at(place) - 1].findings.append("taps_swapped")
            self.remark(
                "taps_swapped", DEFECT,
                f"Taps {low} and {high} read as if they were exchanged: two wires of the connector stand in each other's place, or two readings were written so. Look which, before any "
                "board is connected: wires in the wrong order destroy it. The voltages below are those with the two put right.",
                f"the readings fall between them; exchanged, every step is about {usual:.2f} V", tap=low,
            )
        if loose := sorted(place for place, reason in walk.doubt.items() if reason == LOOSE):
            behind = sorted({group_at(place - 1) for place in range(loose[0], len(self.groups) + 1)} & set(range(1, len(self.groups) + 1)))
            for number in behind:
                self.groups[number - 1].findings.append("string_open")
            read = [reading for reading in walk.readings_v[loose[0] :] if reading is not None]
            highest = max(abs(reading) for reading in walk.readings_v[: loose[0]] if reading is not None)
            self.remarks.append(loose_remark(tap_at(loose[0]), tap_at(loose[0] - 1), behind, highest, f"tap {tap_at(loose[0] - 1)}: {highest:.2f} V, beyond: {min(read):.2f} to {max(read):.2f} V"))
            self.missing.append({
                "what": f"voltage of {listed(behind)}", "why": f"from tap {tap_at(loose[0])} on the readings are not tied to the cells",
                "how": f"measure each by itself at its own cells and enter it under [observed], as group_direct_v_{behind[0]}",
            })
        for place, reason in sorted(walk.doubt.items()):
            if reason == LOOSE:
                continue
            tap = tap_at(place)
            if not 0 <= tap <= len(self.groups):
                continue
            about = sorted({group_at(place - 1), group_at(place)} & set(range(1, len(self.groups) + 1)))
            if reason == SUSPECT:
                self._suspect(tap, about)
            elif reason == FALLS:
                for number in about:
                    self.groups[number - 1].findings.append("tap_falls")
                self.remark(
                    "tap_falls", DEFECT, f"The reading at tap {tap} does not rise as it must, and no exchange of two wires explains it. Measure it again; the groups beside it are not known.",
                    f"{walk.readings_v[place]:g} V", tap=tap,
                )
            elif self.groups[about[0] - 1].together:
                code = "tap_double_step" if reason == DEDUCED else "tap_missing"
                for number in about:
                    self.groups[number - 1].findings.append("tap_missing")
                why = (
                    f"A step of two groups, and {'one reading less than the pack has taps' if self.sheet.pack.series else 'no number of groups is stated'}: tap {tap} was left out, or its wire is missing in the "
                    "connector. No sign of a dead group." if reason == DEDUCED else f"Tap {tap} was not read."
                )
                self.remark(
                    code, CAUTION, f"{why} The voltage of {listed(self.groups[about[0] - 1].together)} together is known, that of each alone is not. Measure this tap.",
                    f"usual step {usual:.2f} V" if usual else "", tap=tap,
                )
        for place in walk.doubles:
            group = self.groups[group_at(place) - 1]
            group.findings.append("tap_double_step")
            group.apparent_v, group.row = walk.readings_v[place + 1] - walk.readings_v[place], None
            self.remark(
                "tap_double_step", CAUTION,
                f"The step of group {group.number} is that of two groups, and yet no tap is lacking: count the groups again ({len(self.groups)} are stated), or measure this tap again.",
                f"{group.apparent_v:.3f} V; usual step {usual:.2f} V", group=group.number,
            )
        if walk.repeated is not None:
            group = self.groups[group_at(walk.repeated) - 1]
            group.findings.append("tap_count")
            group.apparent_v, group.row = walk.readings_v[walk.repeated + 1] - walk.readings_v[walk.repeated], None
            self.remark(
                "tap_count", CAUTION,
                f"Two taps in a row read the same (group {group.number}), and the whole pack has one group's voltage more than the last tap: more likely one tap was written twice and the last one left out "
                "than a dead group. Read the taps again from here on.",
                f"cells {abs(self.sheet.cells_v or 0.0):.2f} V, last tap {walk.readings_v[-1]:.2f} V, usual step {usual:.2f} V", group=group.number,
            )

    def _suspect(self, tap: int, about: Sequence[int]) -> None:
        for number in about:
            group = self.groups[number - 1]
            group.findings.append("sense_lead_suspect")
        apparent = ", ".join(f"group {number}: {self.groups[number - 1].apparent_v:.3f} V" for number in about if self.groups[number - 1].apparent_v is not None)
        self.remark(
            "sense_lead_suspect", DEFECT,
            f"{listed(about).capitalize()} lie off by as much in opposite directions, while together they have what two groups should have. So a bad group is less likely than a bad connection of tap {tap}: a lead that is "
            f"broken, corroded or torn off its joint. {_MEASURE_BOTH}",
            apparent, tap=tap,
        )

    def _count(self, walk: Walk, group_at: Any) -> None:
        """Expected against found number of taps, and those left at the end."""
        last = len(walk.readings_v) - 1
        behind = [group_at(place) for place in range(last, len(self.groups))]
        if behind:
            for number in behind:
                self.groups[number - 1].findings.append("tap_missing")
            self.remark(
                "tap_count", CAUTION, f"{listed(behind).capitalize()} not known: {len(self.groups)} groups have {len(self.groups) + 1} taps, and the readings end before. Measure the taps that are left.",
                f"{self.found} of {len(self.groups) + 1} taps",
            )
        if not self.sheet.pack.series:
            self.missing.append({
                "what": "expected number of taps", "why": "the number of series groups is not stated", "how": f"count the cells in series, or the wires of the balance connector less one; {len(self.groups)} groups are assumed",
            })

    # ---- both probes go along ---------------------------------------------------------------------------------

    def each_group(self) -> None:
        sheet = self.sheet
        count = sheet.pack.series or len(sheet.taps_v)
        self.expected = sheet.pack.series
        self.groups = [GroupReading(number) for number in range(1, count + 1)]
        taps = list(sheet.taps_v) + [None] * (count - len(sheet.taps_v))
        taken = [tap for tap in taps if tap is not None]
        if sum(tap < 0.0 for tap in taken) * 2 > len(taken) > 1:
            taps = [None if tap is None else -tap for tap in taps]
            self.remark("taps_sign", INFO, "Nearly all readings are negative: the meter's leads were changed over. They are taken with the other sign.", "")
        usual = usual_step([tap for tap in taps if tap is not None])
        for group, tap in zip(self.groups, taps):
            if tap is None:
                group.findings.append("tap_missing")
                continue
            column = self.readings.add(tap)
            group.row, group.apparent_v = row_of({column: 1.0}), tap
            self.sum_parts.append((column, 1.0))
        lacking = [group.number for group in self.groups if group.row is None]
        if lacking:
            self.sum_is_part = True
            self.remark("tap_missing", CAUTION, f"{listed(lacking).capitalize()} not read. Measure what is left.", f"{self.found} of {count} groups")
        if not sheet.pack.series:
            self.missing.append({"what": "expected number of groups", "why": "the number of series groups is not stated", "how": f"count the cells in series; {count} groups are assumed"})
        if usual is not None:
            self._neighbours(taps, usual)
            self._single_slips(taps, usual)

    def _neighbours(self, taps: Sequence[float | None], usual: float) -> None:
        """A tap that two groups share and that reads wrong."""
        taken = [tap for tap in taps if tap is not None]
        scale = MAD_TO_SIGMA * float(np.median([abs(tap - usual) for tap in taken]))
        whole = abs(self.sheet.cells_v) if self.sheet.cells_v is not None else None
        place = 0
        while place < len(taps) - 1:
            low, high = taps[place], taps[place + 1]
            place += 1
            if low is None or high is None:
                continue
            highest = self.highest_v or DOUBLE[0] * usual
            impossible = min(low, high) < -0.05 or max(low, high) > highest
            nothing = max(abs(low), abs(high)) < NOTHING_SHARE * usual and len(taken) > 3 and self.leads
            if nothing and whole is not None and not self.sum_is_part and abs(whole - sum(taken)) < usual:
                nothing = False  # the pack has no room for two more groups: both are dead indeed
            if not nothing and not ((impossible or (self.leads and len(taken) > 3)) and opposite(low - usual, high - usual, scale)):
                continue
            about = (place, place + 1)
            if nothing:
                for number in about:
                    self.groups[number - 1].findings.append("sense_lead_suspect")
                self.remark(
                    "sense_lead_suspect", DEFECT,
                    f"{listed(about).capitalize()} both read nothing. They share tap {place}: one broken lead makes both read so, and two dead groups beside each other are rare. The voltage of each is not known. "
                    "Measure both directly at their cells, then the lead's resistance.",
                    f"{low:.3f} V and {high:.3f} V" + (f"; cells {whole:.2f} V, sum of the groups read {sum(taken):.2f} V" if whole is not None else ""), tap=place,
                )
            else:
                self._suspect(place, about)
            rows = [self.groups[number - 1].row for number in about]
            for number in about:
                group = self.groups[number - 1]
                group.row, group.together = None, () if nothing else about
                group.together_row = None if nothing else added(rows[0], rows[1], 1.0)
            place += 1

    def _single_slips(self, taps: Sequence[float | None], usual: float) -> None:
        for group, tap in zip(self.groups, taps):
            if tap is None or group.row is None:
                continue
            if abs(tap + usual) < 0.3 * usual:
                group.findings.append("tap_sign")
                group.row = None
                self.remark("taps_sign", CAUTION, f"Group {group.number} reads as much as the others with a minus: the probes were changed over, a reversed group reads less. Measure it again.", f"{tap:g} V", group=group.number)
            elif DOUBLE[0] * usual <= tap <= DOUBLE[1] * usual and tap > (self.highest_v or 0.0):
                group.findings.append("tap_double_step")
                group.row = None
                self.remark("tap_double_step", CAUTION, f"Group {group.number} reads as much as two groups: the probes stood two taps apart. Measure it again.", f"{tap:g} V; usual {usual:.2f} V", group=group.number)

    # ---- measured at the cells --------------------------------------------------------------------------------

    def direct(self) -> None:
        """Groups that were measured by themselves at their cells: that reading goes before the one at the taps."""
        for key, value in self.sheet.observed.items():
            found = re.fullmatch(r"group_direct_v_(\d{1,3})", key)
            if not found or not isinstance(value, float) or not 1 <= int(found[1]) <= len(self.groups):
                continue
            group = self.groups[int(found[1]) - 1]
            column = self.readings.add(value)
            through_taps = group.row
            group.row = row_of({column: 1.0})
            group.findings.append("measured_directly")
            if through_taps is None:
                self._deduce(group)
                continue
            values = np.array(self.readings.values)
            both = np.array([lengthened(through_taps, len(values)), lengthened(group.row, len(values))])
            off = np.array([[1.0, -1.0]]) @ both
            u = math.sqrt(covariance(self._errors(), values, off)[0, 0])
            difference = float((off @ values)[0])
            if abs(difference) > max(2.0 * u, DIRECT_MIN_V):
                group.findings.append("sense_lead_suspect")
                self.remark(
                    "sense_lead_suspect", DEFECT,
                    f"Group {group.number} reads another voltage through its taps than directly at its cells: tap {group.number - 1} or tap {group.number} has a bad connection. The direct reading is used.",
                    f"taps minus cells {figure_text(difference, u, 'V')}", group=group.number,
                )

    def _deduce(self, measured: GroupReading) -> None:
        """The other one of two groups of which only the voltage together was known; and what the remark on their tap says now."""
        others = [self.groups[number - 1] for number in measured.together if number != measured.number]
        if len(others) != 1 or measured.together_row is None or others[0].row is not None:
            return
        others[0].row = added(measured.together_row, measured.row, -1.0)
        others[0].findings.append("deduced")
        value = self.readings.values[-1]
        for place, remark in enumerate(self.remarks):
            if remark.code == "sense_lead_suspect" and remark.tap == min(measured.together):
                message = remark.message.replace(_MEASURE_BOTH, f"Measured directly at its cells, group {measured.number} has {value:.3f} V, which leaves the rest of both to group {others[0].number}. Measure the lead's resistance.")
                self.remarks[place] = replace(remark, message=message)

    def no_cell(self) -> None:
        """Voltages that no cell has: a reading of something else."""
        values = np.array(self.readings.values)
        for group in self.groups:
            if group.row is None:
                continue
            volts = float(lengthened(group.row, len(values)) @ values)
            if REVERSED_MOST_V <= volts <= CELL_MOST_V:
                continue
            group.apparent_v, group.row = volts, None
            group.findings.append("tap_implausible")
            self.remark(
                "tap_implausible", CAUTION, f"Group {group.number} reads what no group has: a reading or a wire is wrong, or the groups are counted wrong. Measure it again.",
                f"{volts:.3f} V", group=group.number,
            )

    def _errors(self) -> ReadingErrors:
        return reading_errors(self.sheet.meter, self.readings.values, self.readings.exact)

    # ---- figures ----------------------------------------------------------------------------------------------

    def table(self) -> TapTable:
        sheet = self.sheet
        whole_columns = {name: self.readings.add(abs(value)) for name in ("cells_v", "terminal_v") if (value := getattr(sheet, name)) is not None}
        values = np.array(self.readings.values)
        errors = self._errors()
        known = [group for group in self.groups if group.row is not None]
        rows = np.array([lengthened(group.row, len(values)) for group in known]) if known else np.empty((0, len(values)))
        cov = covariance(errors, values, rows) if known else np.empty((0, 0))
        for group, volts, variance in zip(known, rows @ values, np.diag(cov)):
            group.voltage_v, group.u_v = float(volts), math.sqrt(max(float(variance), 0.0))
        n = len(self.groups)
        all_v, all_cov = np.full(n, np.nan), np.full((n, n), np.nan)
        index = [group.number - 1 for group in known]
        all_v[index] = rows @ values
        all_cov[np.ix_(index, index)] = cov
        if errors.coarse_from_v is not None:
            self.remark(
                "meter_range_changed", INFO,
                f"From {errors.coarse_from_v:g} V on the readings end in a zero that smaller ones have not: the meter changed its range there. The digits above count for ten, and the group at the change is less well known.", "",
            )
        total = self._sum(values, errors, whole_columns)
        self._open_string(total["sum_v"])
        middle = self._scatter(known, rows, values, errors)
        rows_out = [self._group_row(group) for group in self.groups]
        self.remarks.extend(level_remarks(rows_out, self.limits, sheet.days_low))
        figures = {
            "taken": True, "taps_from": sheet.taps_from, "expected_taps": self.expected, "found_taps": self.found, "groups": rows_out, **total, **middle,
            "meter_declared": sheet.meter.voltage.declared,
        }
        if not sheet.meter.voltage.declared:
            self.missing.append({
                "what": "the meter's limits of error", "why": "the sheet does not state them; 1 % of reading and 5 mV are assumed for each voltage",
                "how": "copy the line of its data sheet, such as ±(0.5 % rdg + 2 digits)",
            })
        return TapTable(all_v, all_cov, figures, tuple(self.remarks), tuple(self.missing))

    def _sum(self, values: np.ndarray, errors: ReadingErrors, whole: dict[str, int]) -> dict[str, Any]:
        out: dict[str, Any] = {"sum_v": None, "u_sum_v": None, "sum_is_part": self.sum_is_part, "compared_with": None, "difference_v": None, "u_difference_v": None}
        row = np.zeros(len(values))
        for column, coefficient in self.sum_parts:
            row[column] += coefficient
        if not row.any():
            return out
        total = float(row @ values)
        out |= {"sum_v": total, "u_sum_v": math.sqrt(covariance(errors, values, row[None])[0, 0])}
        if self.sum_is_part:
            return out
        name = "cells_v" if "cells_v" in whole else "terminal_v" if "terminal_v" in whole and values[whole["terminal_v"]] > 0.9 * total else None
        if name is None:
            return out
        off = row.copy()
        off[whole[name]] -= 1.0
        if self.sheet.taps_from == EACH_GROUP:
            # A single group and the whole pack are read in different ranges: their gains have nothing in common.
            ranges = errors.ranges.copy()
            ranges[whole[name]] = 2
            errors = ReadingErrors(errors.u_gain, errors.u_zero_v, ranges, errors.one_limit)
        difference, u = float(off @ values), math.sqrt(covariance(errors, values, off[None])[0, 0])
        out |= {"compared_with": name, "difference_v": difference, "u_difference_v": u}
        tolerance = max(2.0 * u, SUM_TOLERANCE_V, SUM_TOLERANCE_SHARE * abs(total))
        if abs(difference) > tolerance:
            what = "across the cells" if name == "cells_v" else "at the contacts, with the board between"
            self.remark(
                "sum_mismatch", CAUTION if name == "terminal_v" else DEFECT,
                f"The groups together have {'more' if difference > 0 else 'less'} than the pack {what}. " + (
                    "The board, a fuse or a contact may take the difference; measure across the cells, before the board, too." if name == "terminal_v"
                    else "A reading, a lead of a tap or a joint is bad: measure both ends of the balance connector against the main leads."
                ),
                f"difference {figure_text(difference, u, 'V')}, tolerated {tolerance:.3f} V",
            )
            self._end_lead(difference, tolerance)
        return out

    def _open_string(self, total_v: float | None) -> None:
        """Groups that read nothing in a string that has nothing across it: their cells may hold anything."""
        whole = abs(self.sheet.cells_v) if self.sheet.cells_v is not None else None
        usual = usual_step([group.voltage_v for group in self.groups if group.voltage_v is not None])
        if whole is None or usual is None or self.sum_is_part or total_v is None or whole > NOTHING_SHARE * total_v:
            return
        empty = [group for group in self.groups if group.voltage_v is not None and abs(group.voltage_v) < NOTHING_SHARE * usual and "measured_directly" not in group.findings]
        for group in empty:
            group.apparent_v, group.voltage_v, group.u_v, group.row = group.voltage_v, None, None, None
            group.findings.append("string_open")
        if empty:
            self.remarks.append(open_group_remark([group.number for group in empty], whole, total_v))

    def _end_lead(self, difference: float, tolerance: float) -> None:
        """The outermost lead: its group alone reads wrong, by just what the sum lacks."""
        usual = self.walk.step_v if self.walk else usual_step([tap for tap in self.sheet.taps_v if tap is not None])
        for group, tap in ((self.groups[0], 0), (self.groups[-1], len(self.groups))):
            if usual is None or group.voltage_v is None or len(self.groups) < 4 or not self.leads:
                continue
            off = group.voltage_v - usual
            if abs(off) > max(SUM_TOLERANCE_V, tolerance) and abs(off - difference) <= max(tolerance, 0.15 * abs(off)):
                group.apparent_v, group.voltage_v, group.u_v, group.row = group.voltage_v, None, None, None
                group.findings.append("sense_lead_suspect")
                self.remark(
                    "sense_lead_suspect", DEFECT,
                    f"Group {group.number} lies off by just as much as the sum of the groups does from the pack's voltage: the outermost lead, tap {tap}, is likely bad, not the group. Its voltage is not known. "
                    "Measure it directly at its cells, then the lead's resistance.",
                    f"group {group.apparent_v:.3f} V, usual {usual:.3f} V; sum minus pack {difference:.3f} V", group=group.number, tap=tap,
                )
                return

    def _scatter(self, known: list[GroupReading], rows: np.ndarray, values: np.ndarray, errors: ReadingErrors) -> dict[str, Any]:
        kept = [place for place, group in enumerate(known) if group.voltage_v is not None]
        known, rows = [known[place] for place in kept], rows[kept]
        out: dict[str, Any] = {"median_v": None, "u_median_v": None, "spread_v": None, "u_spread_v": None, "spread_limits_v": None}
        if not known:
            return out
        volts = rows @ values
        order = np.argsort(volts)
        half = len(order) // 2
        middle = rows[order[half]] if len(order) % 2 else 0.5 * (rows[order[half - 1]] + rows[order[half]])
        out["median_v"], out["u_median_v"] = float(middle @ values), math.sqrt(covariance(errors, values, middle[None])[0, 0])
        if len(known) < 2:
            return out
        span = rows[order[-1]] - rows[order[0]]
        spread, u_spread = float(span @ values), math.sqrt(covariance(errors, values, span[None])[0, 0])
        limits = spread_limits(self.limits, out["median_v"])
        out |= {"spread_v": spread, "u_spread_v": u_spread, "spread_limits_v": [limits.good_v, limits.watch_v, limits.fault_v]}
        self.remarks.extend(spread_remark(spread, u_spread, limits, known[int(order[0])].number, known[int(order[-1])].number))
        if len(known) >= 3:
            u_off = np.sqrt(np.clip(np.diag(covariance(errors, values, rows - middle)), 0.0, None))
            scores = robust_scores(volts, u_off)
            for group, volt, score, u in zip(known, volts, scores, u_off):
                off = float(volt) - out["median_v"]
                if abs(score) > OUTLIER_Z and abs(off) >= OUTLIER_MIN_V:
                    group.findings.append("group_outlier")
                    self.remark(
                        "group_outlier", DEFECT if abs(off) > limits.fault_v else CAUTION,
                        f"Group {group.number} lies {'below' if off < 0 else 'above'} the others.", f"{figure_text(1000.0 * off, 1000.0 * float(u), 'mV')} from the median, robust score {score:.1f}", group=group.number,
                    )
        return out

    def _group_row(self, group: GroupReading) -> dict[str, Any]:
        sheet = self.sheet
        charge = state_of_charge(sheet.pack.chemistry, group.voltage_v, group.u_v, sheet.rested_h)
        row = {
            "group": group.number, "voltage_v": group.voltage_v, "u_voltage_v": group.u_v, "state_of_charge": charge.share, "u_state_of_charge": charge.u_share,
            "low_state_of_charge": charge.low_share, "high_state_of_charge": charge.high_share, "charge_reason": charge.reason or None,
            "level": level_of(group.voltage_v, group.u_v, self.limits, sheet.days_low) if group.voltage_v is not None else UNKNOWN,
            "findings": list(dict.fromkeys(group.findings)), "apparent_v": group.apparent_v if group.voltage_v is None else None,
            "together_with": [number for number in group.together if number != group.number] if group.voltage_v is None else [],
            "low_voltage_v": None, "high_voltage_v": None,
        }
        if group.voltage_v is None and group.together:
            row["low_voltage_v"], row["high_voltage_v"] = self._bounds(group)
        return row

    def _bounds(self, group: GroupReading) -> tuple[float | None, float | None]:
        """Between what a group lies of which only the voltage together with others is known: no group is above full or reversed."""
        walk = self.walk
        if walk is None:
            together = sum(self.groups[number - 1].apparent_v or 0.0 for number in group.together)
        else:
            from_positive = self.sheet.taps_from == FROM_POSITIVE
            count = len(self.groups)
            first, last = (count - group.together[-1], count - group.together[0] + 1) if from_positive else (group.together[0] - 1, group.together[-1])
            together = walk.readings_v[last] - walk.readings_v[first]
        highest = self.limits.over_full_v
        low, high = (0.0, together) if highest is None else (max(0.0, together - highest * (len(group.together) - 1)), min(together, highest))
        return (low, high) if low <= high else (None, None)
