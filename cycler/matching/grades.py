"""Grades of measured cells with their reasons: first, second, not proven, rejected."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cycler.matching.cells import Cell, CellList
from cycler.matching.rules import QUANTITIES, Rule, Rules
from cycler.quantities import figure_text

FIRST, SECOND, NOT_PROVEN, REJECTED = "first", "second", "not_proven", "rejected"
GRADES = (FIRST, SECOND, NOT_PROVEN, REJECTED)
COVERAGE = 2.0
"""Coverage factor of the interval in which a fall of voltage must lie to be shown."""
ENOUGH_FOR_MEDIAN = 5
LFP_FLAT_V = (3.20, 3.345)
"""Between these an LFP cell's rest voltage hardly depends on its charge: a fall tells nothing. Common practice, no source. [V]"""
FULL_DISCHARGE_DAYS = 1.0
"""Rests closer together show relaxation rather than self-discharge. Common practice, no source. [d]"""
_UNDOES = re.compile(r"(?:\b(?:no|not|none|without|never|kein\w*|nicht|ohne)\b)(?:\s+[^\W\d]+){0,2}\s*$")


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a cell has its grade: a code, and words with the reading and the limit."""

    code: str
    words: str


@dataclass(frozen=True, slots=True)
class CellGrade:
    """One cell's grade; ``reasons`` name what kept it from a better one. ``usable``: it has capacity and resistance to match by."""

    cell: Cell
    grade: str
    reasons: tuple[Reason, ...]
    usable: bool
    capacity_share: float | None = None
    resistance_ratio: float | None = None
    self_discharge_mv_per_day: float | None = None
    u_self_discharge_mv_per_day: float | None = None


@dataclass(frozen=True, slots=True)
class Graded:
    """All cells of a list, graded. ``rated_from`` is "stated", "list" (a column of it) or "median"."""

    cells: tuple[CellGrade, ...]
    rules: Rules
    rated_from: str
    median_capacity_ah: float | None
    median_resistance_ohm: float | None
    warnings: tuple[str, ...]

    def of(self, grade: str) -> tuple[CellGrade, ...]:
        """Cells of one grade, in the order of the list."""
        return tuple(item for item in self.cells if item.grade == grade)


def grade(listed: CellList, rules: Rules) -> Graded:
    """Grade every cell of a list.

    A cell gets the best grade all of whose limits its readings meet. Capacity and resistance are sorted by the readings as they are; a fall of
    voltage must be shown: where the interval of k = 2 around it reaches over the limit of the second grade, the cell is not proven. Rest voltages
    count with their digits against the cell, because a cell that was too deep is a danger.
    """
    cells = listed.cells
    capacities = np.array([cell.capacity_ah for cell in cells if cell.capacity_ah], float)
    resistances = np.array([cell.resistance_ohm for cell in cells if cell.resistance_ohm is not None], float)
    median_ah = float(np.median(capacities)) if capacities.size else None
    median_ohm = float(np.median(resistances)) if resistances.size else None
    warnings = list(listed.warnings)
    own = any(cell.rated_capacity_ah for cell in cells)
    rated_from = "stated" if rules.rated_capacity_ah else "list" if own else "median"
    if rated_from == "median" and median_ah:
        warnings.append(
            f"No rated capacity is stated: capacities are judged against the median of the list, {median_ah:.3f} Ah. Cells that aged together look better than they are."
        )
    elif rules.rated_capacity_ah and median_ah and not 0.2 < median_ah / rules.rated_capacity_ah < 1.25:
        warnings.append(
            f"The median of the list is {median_ah:.3f} Ah, {100 * median_ah / rules.rated_capacity_ah:.0f} % of the rated {rules.rated_capacity_ah:g} Ah: check the rated capacity and the unit."
        )
    if 0 < resistances.size < ENOUGH_FOR_MEDIAN:
        warnings.append(f"The median of the resistances comes from {resistances.size} cells only.")
    left_out = [name for name in QUANTITIES if name not in {rule.quantity for rule in rules.rules}]
    if left_out:
        warnings.append(f"The rules set no limit for {', '.join(left_out)}: no cell is judged by that.")
    graded = tuple(_graded(cell, rules, median_ah if rated_from == "median" else None, median_ohm) for cell in cells)
    return Graded(graded, rules, rated_from, median_ah, median_ohm, tuple(warnings))


_ORDER = {FIRST: 0, SECOND: 1, NOT_PROVEN: 2, REJECTED: 3}


def _graded(cell: Cell, rules: Rules, median_ah: float | None, median_ohm: float | None) -> CellGrade:
    by_quantity, errors = {rule.quantity: rule for rule in rules.rules}, rules.errors
    found: list[tuple[str, Reason]] = []
    found += _by_words(cell, rules)
    rated = rules.rated_capacity_ah or cell.rated_capacity_ah or median_ah
    share = cell.capacity_ah / rated if cell.capacity_ah is not None and rated else None
    if cell.capacity_ah is None:
        found.append((NOT_PROVEN, Reason("no_capacity", "capacity not measured")))
    elif share is None:
        found.append((NOT_PROVEN, Reason("no_rated_capacity", "no rated capacity to hold it against")))
    elif rule := by_quantity.get("capacity_share"):
        u = share * math.hypot(0.0 if median_ah else errors.capacity_gain, errors.capacity_repeat) / math.sqrt(3.0)
        found += _sorted(rule, share, u, "low_capacity", f"capacity {figure_text(share, u, 'share')} of {'the median' if median_ah else 'rated'}", 100.0, "{:.0f} %")
    ratio = cell.resistance_ohm / median_ohm if cell.resistance_ohm is not None and median_ohm else None
    if ratio is None:
        found.append((NOT_PROVEN, Reason("no_resistance", "resistance not measured")))
    elif rule := by_quantity.get("resistance_ratio"):
        u = ratio * errors.resistance_repeat / math.sqrt(3.0)
        found += _sorted(rule, ratio, u, "high_resistance", f"resistance {figure_text(ratio, u, '')} times the median", 1.0, "{:.2f}")
    found += _by_voltage(cell, rules, by_quantity.get("rest_voltage_v"))
    drop, u_drop, told = _by_drop(cell, rules, by_quantity.get("self_discharge_mv_per_day"))
    found += told
    worst = max((name for name, _ in found), key=_ORDER.__getitem__, default=FIRST)
    reasons = tuple(reason for name, reason in sorted(found, key=lambda item: -_ORDER[item[0]]) if _ORDER[name] > 0)
    usable = bool(cell.capacity_ah) and cell.resistance_ohm is not None
    return CellGrade(cell, worst, reasons, usable, share, ratio, drop, u_drop)


def _sorted(rule: Rule, value: float, u: float, code: str, words: str, factor: float, form: str) -> list[tuple[str, Reason]]:
    """The grade by a reading as it is, its uncertainty told; of a common gain nothing counts in a ratio to the median of the same list."""

    def meets(limit: float) -> bool:
        return value >= limit if rule.at_least else value <= limit

    if meets(rule.first):
        return []
    name, limit = (SECOND, rule.first) if meets(rule.second) else (REJECTED, rule.second)
    near = "; within its uncertainty of that" if abs(value - limit) <= COVERAGE * u else ""
    return [(name, Reason(code, f"{words}, {'least' if rule.at_least else 'most'} for {'first' if name == SECOND else 'second'} grade {form.format(factor * limit)}{near}"))]


def _by_words(cell: Cell, rules: Rules) -> list[tuple[str, Reason]]:
    text = cell.remark.casefold()
    for found in re.finditer(r"[^\W\d_]+", text):
        word = found[0]
        if any(word.startswith(begin) for begin in rules.words) and not _UNDOES.search(text[: found.start()]):
            return [(REJECTED, Reason("remark", f'remark: "{cell.remark[:60]}"'))]
    return []


def _by_voltage(cell: Cell, rules: Rules, rule: Rule | None) -> list[tuple[str, Reason]]:
    known = [volt for volt in (cell.first_v, cell.second_v) if volt is not None]
    if not known:
        return [(NOT_PROVEN, Reason("no_rest_voltage", "no rest voltage: that it was never too deep is not shown"))]
    low, high = min(known), max(known)
    if low <= 0.0:
        return [(REJECTED, Reason("reversed" if low < 0 else "dead", f"rest voltage {low:.3f} V"))]
    if high > rules.over_full_v:
        return [(REJECTED, Reason("over_full", f"rest voltage {high:.3f} V, above {rules.over_full_v:.2f} V"))]
    if rule is None:
        return []
    safe = low - rules.errors.voltage_digits_v
    if safe >= rule.first:
        return []
    name, limit = (SECOND, rule.first) if safe >= rule.second else (REJECTED, rule.second)
    code = "low_voltage" if name == SECOND else "deep_discharged"
    return [(name, Reason(code, f"rest voltage {low:.3f} V, least for {'first' if name == SECOND else 'second'} grade {limit:.2f} V"))]


def _by_drop(cell: Cell, rules: Rules, rule: Rule | None) -> tuple[float | None, float | None, list[tuple[str, Reason]]]:
    """Fall of the rest voltage and its standard uncertainty [mV/day], and what follows."""
    if rule is None:
        return None, None, []
    if cell.second_v is None:
        return None, None, []  # told already
    if cell.first_v is None:
        return None, None, [(NOT_PROVEN, Reason("one_voltage", "self-discharge not shown: one rest voltage only"))]
    if cell.days is None:
        return None, None, [(NOT_PROVEN, Reason("no_days", "self-discharge not shown: the days between the two rest voltages are not known"))]
    if cell.days < FULL_DISCHARGE_DAYS:
        return None, None, [(NOT_PROVEN, Reason("rests_too_close", f"self-discharge not shown: the two rests are {cell.days * 24:.0f} h apart, too close"))]
    drop = 1e3 * (cell.first_v - cell.second_v) / cell.days
    u = 1e3 * rules.errors.u_drop_v() / cell.days
    if rules.chemistry == "lfp" and LFP_FLAT_V[0] < cell.second_v and cell.first_v < LFP_FLAT_V[1]:
        return drop, u, [(NOT_PROVEN, Reason("flat_curve", "self-discharge not shown: at this voltage the curve of LFP is flat"))]
    spread = COVERAGE * u
    shown = f"falls {drop:.2f} ± {spread:.2f} mV/day"
    if drop - spread > rule.second:
        return drop, u, [(REJECTED, Reason("self_discharge", f"{shown}, most for second grade {rule.second:g} mV/day"))]
    if drop + spread > rule.second:
        why = "the meter cannot show whether that is too fast; wait more days" if spread > rule.second / 2 else "too near the limit to tell; wait more days"
        return drop, u, [(NOT_PROVEN, Reason("self_discharge_not_shown", f"{shown}, most for second grade {rule.second:g} mV/day: {why}"))]
    if drop < -spread and drop < -rule.first:
        return drop, u, [(NOT_PROVEN, Reason("voltage_rose", f"voltage rose {-drop:.2f} ± {spread:.2f} mV/day: charged in between, still relaxing, or the days exchanged"))]
    if drop + spread > rule.first:
        return drop, u, [(SECOND, Reason("self_discharge", f"{shown}, most for first grade {rule.first:g} mV/day"))]
    return drop, u, []


def reason_counts(items: Sequence[CellGrade]) -> dict[str, int]:
    """How many of the cells have each reason, most first."""
    counts: dict[str, int] = {}
    for item in items:
        for code in dict.fromkeys(reason.code for reason in item.reasons):
            counts[code] = counts.get(code, 0) + 1
    return dict(sorted(counts.items(), key=lambda pair: -pair[1]))
