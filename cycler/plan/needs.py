"""What each quantity needs of a test, and what of a verdict that is not proven a test can settle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from cycler.criteria import Criteria, Criterion
from cycler.criteria_quantities import QUANTITIES, number, part
from cycler.pack import Pack
from cycler.settle import LEAK_MARGIN
from cycler.verdict import NOT_PROVEN, judge

FULL, CHARGED, EMPTIED, STEP, QUICK_STEP, LOADED, TAPS, SIBLINGS, RATING, RATED_ENERGY, RECHARGE, LONG_REST, TEMPERATURE, BEFORE = (
    "full", "charged", "emptied", "step", "quick_step", "loaded", "taps", "siblings", "rating", "rated_energy", "recharge", "long_rest",
    "temperature", "before",
)
"""A charge proved complete by its taper; any charge; a discharge to the cut-off; a step of current read for the 10 s value, or for the ohmic part; any load;
voltage of every group; three groups or more; rated capacity and energy in the pack file; a second complete charge; a rest of a day; a sensor; an
earlier test of the pack."""

NEEDS: dict[str, tuple[str, ...]] = {
    "state_of_health": (FULL, EMPTIED, RATING),
    "capacity_ah": (FULL, EMPTIED),
    "energy_wh": (FULL, EMPTIED),
    "energy_share": (FULL, EMPTIED, RATED_ENERGY),
    "capacity_valid": (FULL, EMPTIED),
    "capacity_to_before": (FULL, EMPTIED, BEFORE),
    "resistance_10s_to_before": (STEP, BEFORE),
    "group_capacity_share_worst": (TAPS, FULL, EMPTIED, RATING),
    "group_capacity_spread": (TAPS, FULL, EMPTIED),
    "group_capacity_ratio_worst": (TAPS, FULL, EMPTIED),
    "group_sag_end_v": (TAPS, EMPTIED),
    "group_resistance_ratio_worst": (TAPS, STEP),
    "group_ohmic_ratio_worst": (TAPS, QUICK_STEP),
    "group_resistance_10s_worst_ohm": (TAPS, STEP),
    "group_ohmic_worst_ohm": (TAPS, QUICK_STEP),
    "group_lowest_v": (TAPS,),
    "group_highest_v": (TAPS,),
    "resistance_10s_ohm": (STEP,),
    "ohmic_ohm": (QUICK_STEP,),
    "spread_rest_v": (TAPS,),
    "spread_full_v": (TAPS, CHARGED),
    "spread_load_v": (TAPS, LOADED),
    "spread_end_v": (TAPS, EMPTIED),
    "start_deficit_share_worst": (TAPS, FULL, EMPTIED, RATING),
    "self_discharge_worst_ma": (TAPS, SIBLINGS, EMPTIED, CHARGED, LONG_REST),
    "self_discharge_share_worst": (TAPS, SIBLINGS, EMPTIED, CHARGED, LONG_REST, RATING),
    "coulombic_efficiency": (FULL, EMPTIED, RECHARGE),
    "energy_efficiency": (FULL, EMPTIED, RECHARGE),
    "temperature_max_c": (TEMPERATURE,),
    "temperature_rise_k": (TEMPERATURE,),
}
"""Needs of every quantity that a criterion may name, the first to mend first."""

GIVEN_BY: dict[str, str] = {
    "group_resistance_ratio_worst": "pulse", "group_ohmic_ratio_worst": "pulse", "group_resistance_10s_worst_ohm": "pulse",
    "group_ohmic_worst_ohm": "pulse", "resistance_10s_ohm": "pulse", "ohmic_ohm": "pulse", "resistance_10s_to_before": "pulse",
    "spread_load_v": "pulse", "spread_rest_v": "rest", "spread_full_v": "charge", "self_discharge_worst_ma": "leak_rest",
    "self_discharge_share_worst": "leak_rest", "coulombic_efficiency": "recharge", "energy_efficiency": "recharge",
}
"""Kind of the step that gives a quantity; "discharge" where nothing stands."""

NO_TEST = frozenset({"rating", "rated_energy", "uncertainty", "above_rating", "before", "before_lost"})
"""What is lacking and no test brings: a line in a file, or an earlier run to name."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a verdict lacks: ``lacks`` by criterion id (keys of :data:`cycler.settle.ADVICE`, or "guard"), ``sentences`` that would settle it,
    ``guard`` by criterion id (value, limit, guard factor) of a value inside its guard band, the rest [h] that its leaks ask for, and the rate [It] of an
    earlier test that it must be like."""

    lacks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    sentences: tuple[str, ...] = ()
    guard: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    rest_h: float | None = None
    run: str = ""
    rate_it: float | None = None

    def lacks_any(self, *lacks: str) -> bool:
        """Whether one of these is lacking."""
        return any(lack in lacks for each in self.lacks.values() for lack in each)

    @property
    def needs_test(self) -> bool:
        """Whether anything is lacking that only a test brings."""
        return any(lack not in NO_TEST for lacks in self.lacks.values() for lack in lacks)


def wanted_of(analysis: Mapping[str, Any], criteria: Criteria, verdict: Mapping[str, Any], run: str = "") -> Wanted:
    """What would settle a verdict: every criterion that is not proven, required or not, with what it lacks.

    Parameters
    ----------
    analysis : dict
        The analysis that was judged.
    criteria : Criteria
        The set it was judged by.
    verdict : dict
        Its verdict, for the sentences.
    run : str
        Name of the run, for the title.
    """
    lacks: dict[str, tuple[str, ...]] = {}
    guard: dict[str, tuple[float, float, float]] = {}
    for item in criteria.criteria:
        if QUANTITIES[item.quantity].needs_before and not item.required:
            continue
        factor = criteria.guard_factor(item)
        row = judge(analysis, item, factor)
        if row["result"] != NOT_PROVEN or not row["applies"]:
            continue
        lacks[item.id] = tuple(dict.fromkeys([row["lack"], *row["lacks"]]))
        if "guard" in lacks[item.id] and row["value"] is not None:
            guard[item.id] = (row["value"], row["limit"], factor)
    if not lacks and "capacity_not_valid" in (verdict.get("held_by") or ()):
        lacks["capacity"] = ("capacity",)
    hours = [stated for group in analysis.get("groups") or () if (stated := number(group.get("shortest_rest_h_for_limit")))]
    alike = any("before_alike" in each for each in lacks.values())
    rate = number(part(analysis, "before", "capacity", "rate_it")) if alike else None
    return Wanted(lacks, tuple(str(item) for item in verdict.get("to_settle") or ()), guard, LEAK_MARGIN * max(hours) if hours else None, run, rate)


def asked(criteria: Criteria, wanted: Wanted | None, required_only: bool = False) -> tuple[Criterion, ...]:
    """Criteria that a plan is for: all of a set; the required ones; or, to settle a verdict, the required ones, since a verdict stands on one run,
    and those that were not proven; ``required_only`` leaves out what only advises."""
    if wanted is not None and not required_only:
        return tuple(item for item in criteria.criteria if item.required or item.id in wanted.lacks)
    return tuple(item for item in criteria.criteria if item.required or not required_only)


def applies(item: Criterion, pack: Pack) -> bool:
    """Whether a criterion means anything for the pack: a pack of one group has no siblings."""
    return not (QUANTITIES[item.quantity].needs_siblings and pack.series == 1)


def first_lack(item: Criterion, problems: Mapping[str, str]) -> str | None:
    """Why a criterion cannot be measured, None if it can. ``problems`` tells for each need that is not met why."""
    return next((problems[need] for need in NEEDS[item.quantity] if need in problems), None)


def needed(items: Sequence[Criterion]) -> set[str]:
    """All that these criteria need."""
    return {need for item in items for need in NEEDS[item.quantity]}
