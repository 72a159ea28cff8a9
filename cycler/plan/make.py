"""A plan: the steps with which one run yields every figure that the criteria ask for, as far as the instruments at hand can do it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import cycler
from cycler.criteria import Criteria, Criterion
from cycler.criteria_groups import leak_limit_ma
from cycler.criteria_quantities import QUANTITIES
from cycler.measures.resistance import OHMIC_SAMPLING_MAX_S
from cycler.pack import Pack
from cycler.plan import expected
from cycler.plan.bench import STEP_INTERVAL_MAX_S, Standing, at_voltage, hold_against, hours_text, plain, warn
from cycler.plan.conditions import RATE_RANGE_IT, Conditions, conditions_of
from cycler.plan.equipment import Equipment
from cycler.plan.needs import (
    EMPTIED,
    LONG_REST,
    QUICK_STEP,
    RECHARGE,
    STEP,
    Wanted,
    applies,
    asked,
    first_lack,
    needed,
)
from cycler.plan.steps import Builder, Rhythm, Step, Wish, assign_yields
from cycler.quantities import figure_text, significant_text
from cycler.repair.cautions import (
    DEEP_DISCHARGE,
    DEFERENCE,
    OVER_60_V,
    SHORT_CIRCUIT_PROBES,
    STORED_ENERGY,
    caution_list,
)
from cycler.settle import LEAK_MARGIN, LONGEST_REST_H, REST_FOR_SELF_DISCHARGE_H, needed_u, quantity_text
from cycler.uncertainty import rectangular
from cycler.verdict import ADVISORY

SCHEMA = "cycler.plan/1"
NOISE_SHARE = 0.5
"""Scatter of a group's reading at rest taken where none is stated, as a share of its step. Common practice, no source."""
WATCHED_H = 12.0
"""Longest charge or discharge that one person watches. Common practice, no source. [h]"""
CHARGING = (
    "Charge and discharge only while somebody is there, on a surface that neither conducts nor burns, away from what burns, with a clear way to bring the pack "
    "outdoors. Stop at the first sign of heat, smell or swelling; a stopped test costs an hour."
)
_RHYTHMS = ((10.0, 60.0), (20.0, 120.0), (30.0, 300.0), (60.0, 300.0))
"""Times between rows of charge and discharge, and of the long rest, the finest first. [s]"""


def make_plan(
    pack: Pack, equipment: Equipment, criteria: Criteria, *, wanted: Wanted | None = None, conditions: Conditions | None = None, required_only: bool = False,
    first_charge: bool = False, two_current: bool = False, dangers: Sequence[str] = (),
) -> dict[str, Any]:
    """A test plan in plain values, schema ``cycler.plan/1``.

    Parameters
    ----------
    pack : Pack
        Ratings and limits; what is missing is named among the warnings, with where to find it.
    equipment : Equipment
        What stands on the bench.
    criteria : Criteria
        What the run shall be judged by.
    wanted : Wanted, optional
        What a verdict that was not proven lacks: the plan then is for that and the required criteria, since a verdict stands on one run.
    conditions : Conditions, optional
        Rates, rests, temperature; the workshop's own without.
    required_only : bool
        Leave out criteria that only advise.
    first_charge : bool
        The pack lay empty or nobody knows it: it begins with a trial charge under watch.
    two_current : bool
        Add the two-current step of the cell standards (from memory).
    dangers : sequence of str
        Open dangers of the pack: there is no plan until they are cleared up.

    Returns
    -------
    dict
        ``steps`` as :class:`cycler.plan.steps.Step` with ``number``; ``total_s``, ``u_total_s`` (standard uncertainty) and ``longest_s``; ``rows`` of the log;
        ``energy_wh`` that the load takes up, ``heat_wh`` that stays in pack and wires; ``expected``: to what the instruments will know a figure, and which packs would
        stay not proven; ``warnings``, ``not_covered``, ``notes``, ``cautions``, ``for_settling``. No NaN.
    """
    conditions = conditions or conditions_of()
    if wanted is not None and wanted.rate_it and RATE_RANGE_IT[0] <= wanted.rate_it <= RATE_RANGE_IT[1]:
        conditions = conditions_of(conditions.name, wanted.rate_it)  # told against an earlier test: as that was made
    items = [item for item in asked(criteria, wanted, required_only) if applies(item, pack)]
    notes = _notes(items, pack, criteria)
    items = [item for item in items if item.required or not QUANTITIES[item.quantity].needs_before]
    standing = hold_against(pack, equipment, conditions)
    plan: dict[str, Any] = {
        "schema": SCHEMA, "software": {"name": cycler.__distribution__, "version": cycler.__version__},
        "title": _title(pack, criteria, wanted), "pack": _pack_words(pack, standing), "criteria_name": criteria.name, "criteria_title": criteria.title,
        "conditions": {"name": conditions.name, "source": conditions.source, "ambient_c": list(conditions.ambient_c), "rest_h": conditions.rest_h},
        "equipment": {"name": equipment.name, **{part: value.name for part in ("charger", "load", "logger") if (value := getattr(equipment, part))},
                      "extras": [" – ".join(filter(None, pair)) for pair in equipment.extras]},
        "for_settling": [words for words in wanted.sentences if not (required_only and words.startswith(ADVISORY))] if wanted else [], "for_run": wanted.run if wanted else "",
    }
    stop = _no_plan(pack, standing, wanted, dangers)
    if stop is not None:
        standing.warnings.insert(0, stop)
        why = stop["words"]
        not_covered = [] if stop["code"] == "no_test_needed" else [_missed(item, why) for item in items]
        return plan | _nothing(standing, not_covered, notes)
    _two_current_warning(standing, two_current)
    _wanted_warnings(standing, wanted)
    leak_rest_h = _leak_rest(pack, equipment, criteria, standing, wanted, items)
    steps, covered, not_covered = _steps(pack, equipment, conditions, standing, items, leak_rest_h, first_charge, two_current, wanted is not None and wanted.lacks_any("rest_below_top"))
    _warm_warning(standing, steps)
    _watch_warning(standing, steps)
    energy = sum(abs(step.current_a or 0.0) * step.duration_s for step in steps if (step.current_a or 0.0) < 0) / 3600.0 * standing.ratings.nominal_v
    heat = sum((step.heat_w or 0.0) * step.duration_s for step in steps) / 3600.0
    logged = [step for step in steps if step.logged]
    return plan | {
        "steps": [step.to_dict(number) for number, step in enumerate(steps, 1)],
        **_totals(steps), "log_s": sum(step.duration_s for step in logged), "rows": math.ceil(sum(step.rows() for step in logged)),
        "energy_wh": energy, "heat_wh": heat,
        "expected": _expected(pack, criteria, equipment, standing, covered, steps, wanted),
        "warnings": standing.warnings, "not_covered": not_covered, "notes": notes,
        "cautions": _cautions(standing, first_charge), "deference": DEFERENCE,
    }


# --- which steps ----------------------------------------------------------------------------------------------------


def _steps(
    pack: Pack, equipment: Equipment, conditions: Conditions, standing: Standing, items: list[Criterion], leak_rest_h: float | None, first_charge: bool,
    two_current: bool, below_top: bool,
) -> tuple[list[Step], list[Criterion], list[dict[str, str]]]:
    """Steps that the criteria need and the bench can do, the criteria they give, and the others with why not."""
    problems = standing.problems
    covered = [item for item in items if first_lack(item, problems) is None]
    not_covered = [_missed(item, first_lack(item, problems) or "") for item in items if item not in covered]
    wants = needed(covered)
    wish = Wish(
        charge=standing.can_charge and bool(covered), pulse=standing.can_load and bool(wants & {STEP, QUICK_STEP}), discharge=standing.can_load and EMPTIED in wants,
        recharge=standing.can_charge and bool(wants & {RECHARGE, LONG_REST}), leak_rest_h=leak_rest_h if LONG_REST in wants else None,
        trial=first_charge, two_current=two_current and standing.can_load, below_top=below_top and standing.can_load,
    )
    if not covered:
        return [], covered, not_covered
    steps = _fitting(pack, equipment, conditions, standing, wish)
    assign_yields(steps, covered)
    return steps, covered, not_covered


def _fitting(pack: Pack, equipment: Equipment, conditions: Conditions, standing: Standing, wish: Wish) -> list[Step]:
    """The steps with the finest rhythm whose rows the logger can keep."""
    logger = equipment.logger
    assert logger is not None
    fast = max(1.0, standing.interval_s)
    if logger.interval_can_change:
        rhythms = [Rhythm(fast, max(slow, fast), max(rest, fast)) for slow, rest in _RHYTHMS]
    else:
        # One interval for all: it may grow only as far as no figure is lost by it.
        most = next((limit for limit in (OHMIC_SAMPLING_MAX_S, STEP_INTERVAL_MAX_S, 60.0) if standing.interval_s <= limit), standing.interval_s)
        rhythms = [Rhythm(each, each, each) for each in dict.fromkeys((standing.interval_s, fast, *(value for value in (1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0) if standing.interval_s < value <= most)))]
    built = [Builder(pack, standing, conditions, rhythm).steps(wish) for rhythm in rhythms]
    sizes = [sum(step.rows() for step in steps) for steps in built]
    steps = next((steps for steps, rows in zip(built, sizes) if not logger.max_rows or rows <= logger.max_rows), None)
    if steps is None:
        steps = built[-1]
        warn(standing, "log_too_long", f"The log would hold {math.ceil(sizes[-1])} rows, the logger keeps {logger.max_rows:.0f}.",
             "Save it in a rest and begin another file there: files of one test are read as one.")
    hours = sum(step.longest_s for step in steps if step.logged) / 3600.0
    if logger.max_hours and hours > logger.max_hours:
        warn(standing, "log_too_long", f"The test may take {hours_text(3600 * hours)}, the logger runs {hours_text(3600 * logger.max_hours)}.",
             "Save the log in a rest and begin another file there: files of one test are read as one.")
    return steps


def _leak_rest(pack: Pack, equipment: Equipment, criteria: Criteria, standing: Standing, wanted: Wanted | None, items: list[Criterion]) -> float | None:
    """How long the long rest must be to show, and to exclude, a leak at the limit; a rest longer than is worth asking for becomes a problem. [h]"""
    if not any(LONG_REST in needed([item]) for item in items) or LONG_REST in standing.problems:
        return None
    shortest = _shortest_rest_h(pack, equipment, criteria, standing)
    hours = max(REST_FOR_SELF_DISCHARGE_H, math.ceil(LEAK_MARGIN * shortest) if shortest is not None else math.inf)
    if wanted is not None and wanted.rest_h is not None:
        hours = max(REST_FOR_SELF_DISCHARGE_H, math.ceil(wanted.rest_h))
    if hours > LONGEST_REST_H:
        standing.problems[LONG_REST] = "a rest that could exclude a leak at the limit on this bench takes more than 30 days: count by a discharge and a charge what is lost in that time"
        return None
    return hours


def _readings_at_rest(equipment: Equipment) -> tuple[float, float]:
    """Scatter and step of a group's reading at rest. [V]"""
    logger = equipment.logger
    step = logger.group_voltage_resolution_v if logger else 0.001
    noise = logger.group_voltage_noise_v if logger and logger.group_voltage_noise_v is not None else NOISE_SHARE * step
    return noise, step


def _shortest_rest_h(pack: Pack, equipment: Equipment, criteria: Criteria, standing: Standing) -> float | None:
    limit_ma, ratings = leak_limit_ma(criteria, pack), standing.ratings
    slope = expected.rest_slope_v_per_ah(ratings.rated_ah, expected.habits_of(pack.chemistry))
    if slope is None or limit_ma is None:
        return REST_FOR_SELF_DISCHARGE_H / LEAK_MARGIN
    noise, step = _readings_at_rest(equipment)
    return expected.shortest_rest_h(limit_ma, slope, max(_RHYTHMS[0][1], standing.interval_s), noise, step, ratings.series - 1)


# --- what stands against a plan -------------------------------------------------------------------------------------


def _no_plan(pack: Pack, standing: Standing, wanted: Wanted | None, dangers: Sequence[str]) -> dict[str, str] | None:
    """Why there are no steps, as the first of the warnings; None if there can be."""
    if dangers:
        return {"code": "open_danger", "severity": "danger", "words": f"There is an open danger on this pack: {'; '.join(dangers)}.",
                "mend": "Do not charge or discharge it before somebody competent has cleared that up; then close it on the pack's card."}
    if standing.ratings is None:
        return {"code": "no_ratings", "severity": "caution", "words": "Ratings are missing, so that no current or voltage can be told.", "mend": "See below which, and where they stand."}
    if wanted is not None and wanted.lacks and not wanted.needs_test:
        return {"code": "no_test_needed", "severity": "info", "words": "No test is needed: what is lacking is a line in a file or the name of an earlier run.", "mend": "Do what is said below, then judge the same run again."}
    return None


def _nothing(standing: Standing, not_covered: list[dict[str, str]], notes: list[str]) -> dict[str, Any]:
    return {
        "steps": [], "total_s": 0.0, "u_total_s": 0.0, "longest_s": 0.0, "log_s": 0.0, "rows": 0, "energy_wh": 0.0, "heat_wh": 0.0, "expected": [],
        "warnings": standing.warnings, "not_covered": not_covered, "notes": notes, "cautions": caution_list({STORED_ENERGY}), "deference": DEFERENCE,
    }


def _missed(item: Criterion, why: str) -> dict[str, Any]:
    return {"criterion": item.id, "label": QUANTITIES[item.quantity].label, "required": item.required, "why": why}


def _notes(items: Sequence[Criterion], pack: Pack, criteria: Criteria) -> list[str]:
    notes = []
    before = [item.id for item in items if QUANTITIES[item.quantity].needs_before]
    if before:
        notes.append(f"Judged only against an earlier test of the same pack, which is named when the verdict is made: {', '.join(before)}.")
    left = [item.id for item in criteria.criteria if not applies(item, pack)]
    if left:
        notes.append(f"A pack of one group has no siblings; not judged: {', '.join(left)}.")
    return notes


def _two_current_warning(standing: Standing, two_current: bool) -> None:
    rated = standing.ratings.rated_ah
    if two_current and standing.two_current_a < 0.95 * rated:
        warn(standing, "two_current", f"The two-current step asks for {significant_text(rated, 3)} A (1 It), pack and load allow {significant_text(standing.two_current_a, 3)} A: it is left out.",
             "Take a stronger load, or do without: no criterion needs it.", "info")


def _wanted_warnings(standing: Standing, wanted: Wanted | None) -> None:
    """What a verdict lacks and a test of the whole pack does not bring."""
    if wanted is None:
        return
    alone = [name for name, lacks in wanted.lacks.items() if "estimate" in lacks]
    if alone:
        warn(standing, "group_alone", f"{', '.join(alone)}: the group in doubt must be discharged by itself; this plan tests the whole pack.",
             "See what would settle it; through leads made for the current, by somebody who knows the opened pack.")
    if wanted.lacks_any("retention"):
        warn(standing, "retention", "What leaks away where the voltage hardly falls is counted by a discharge and a charge after 30 days; this plan does not wait so long.",
             "Let the pack stand charged for 30 days after this test, then test it again.")


def _warm_warning(standing: Standing, steps: list[Step]) -> None:
    warmest = max((step for step in steps if step.temperature_rise_k), key=lambda step: step.temperature_rise_k, default=None)
    if warmest is not None and warmest.temperature_rise_k > expected.WARM_K:
        warn(standing, "warms", f"{warmest.title}: the cells could warm by {significant_text(warmest.temperature_rise_k, 2)} K if none of the heat left them, "
             f"{significant_text(warmest.temperature_rise_bound_k, 2)} K in a pack of high resistance.", "A lower current, air around the pack, and a hand near the switch.")


def _watch_warning(standing: Standing, steps: list[Step]) -> None:
    long = [step for step in steps if step.current_a and step.longest_s > 3600.0 * WATCHED_H]
    if long:
        named = ", ".join(f"{step.title.lower()} {hours_text(step.longest_s)}" for step in long)
        warn(standing, "long_step", f"Longer than one person watches: at most {named}.", "Plan who relieves whom, or take a stronger charger or load.")


def _cautions(standing: Standing, first_charge: bool) -> list[dict[str, str]]:
    codes = {STORED_ENERGY, SHORT_CIRCUIT_PROBES}
    codes |= {DEEP_DISCHARGE} if first_charge else set()
    codes |= {OVER_60_V} if standing.ratings.over_60_v else set()
    return [*caution_list(codes), {"code": "charging", "words": CHARGING}]


# --- totals and what the figures will be known to ---------------------------------------------------------------------


def _totals(steps: list[Step]) -> dict[str, float]:
    """Time of all steps. What depends on the unknown capacity is off in all of them alike, so that it adds; the rest adds as squares. [s]"""
    alike = sum(step.u_duration_s for step in steps if step.by_capacity)
    others = math.hypot(*(step.u_duration_s for step in steps if not step.by_capacity), 0.0)
    return {"total_s": sum(step.duration_s for step in steps), "u_total_s": math.hypot(alike, others), "longest_s": sum(step.longest_s for step in steps)}


def _expected(
    pack: Pack, criteria: Criteria, equipment: Equipment, standing: Standing, covered: list[Criterion], steps: list[Step], wanted: Wanted | None
) -> list[dict[str, Any]]:
    """To what the instruments will know a figure at its limit, and which packs would stay not proven."""
    found = []
    for item in covered:
        limit = item.limit_for(pack.chemistry)
        if item.quantity in ("state_of_health", "capacity_ah"):
            rated = standing.ratings.rated_ah if item.quantity == "state_of_health" else 1.0
            u = expected.capacity_u_ah(_capacity_lines(pack, standing, limit * rated, steps))
            found.append(_capacity_row(item, criteria, limit, rated, u))
        elif item.quantity in ("self_discharge_share_worst", "self_discharge_worst_ma"):
            row = _leak_row(item, pack, equipment, standing, criteria, steps)
            found += [row] if row else []
    for name, (value, limit, factor) in (wanted.guard if wanted else {}).items():
        row = next((row for row in found if row["criterion"] == name), None)
        if row is not None and row.get("u") and factor:
            target = needed_u(value, limit, factor)
            good = row["u"] <= target
            row["words"] += (
                f" Last time it came out at {quantity_text(value, row['unit'])}: to tell that from {quantity_text(limit, row['unit'])} it must be known to "
                f"± {quantity_text(2 * target, row['unit'], 2)}, which this bench {'reaches' if good else 'does not reach'}."
            )
            if not good:
                warn(standing, "bench_vague", f"{row['label']}: this bench will not tell the value of last time from the limit.", "See what would settle it: a better meter, or the judgement of a person.")
    return found


def _capacity_lines(pack: Pack, standing: Standing, capacity_ah: float, steps: list[Step]) -> tuple[Any, ...]:
    ratings, current = standing.ratings, standing.discharge_a
    habits = expected.habits_of(pack.chemistry)
    fast = next((step.sampling[0][1] for step in steps if step.kind == "discharge"), 1.0)
    return expected.capacity_lines(
        standing.instrument, capacity_ah, capacity_ah / current, at_voltage(standing, ratings.cutoff_v, False), ratings.series * habits.end_slope_v / capacity_ah,
        (current * rectangular(0.5 * fast),), 0.0, ratings.series * habits.top_slope_v / capacity_ah, ratings.charge_v,
    )


def _capacity_row(item: Criterion, criteria: Criteria, limit: float, rated: float, u_ah: float) -> dict[str, Any]:
    u, factor = u_ah / rated, criteria.guard_factor(item)
    unit = item.unit
    low, high = limit - factor * u, limit + factor * u
    words = (
        f"At the limit the capacity will be known as {figure_text(limit * rated, u_ah, 'Ah')}. A pack between {quantity_text(low * rated, 'Ah')} ({quantity_text(low, unit)}) and "
        f"{quantity_text(high * rated, 'Ah')} ({quantity_text(high, unit)}) stays not proven: it must reach the upper one to pass."
        if unit == "share" else
        f"At the limit the capacity will be known as {figure_text(limit, u_ah, 'Ah')}. A pack between {quantity_text(low, 'Ah')} and {quantity_text(high, 'Ah')} stays not proven."
    )
    return {"criterion": item.id, "label": QUANTITIES[item.quantity].label, "unit": unit, "limit": limit, "u": u, "low": low, "high": high, "words": words}


def _leak_row(item: Criterion, pack: Pack, equipment: Equipment, standing: Standing, criteria: Criteria, steps: list[Step]) -> dict[str, Any] | None:
    rest = next((step for step in steps if step.kind == "leak_rest"), None)
    limit_ma = leak_limit_ma(criteria, pack)
    slope = expected.rest_slope_v_per_ah(standing.ratings.rated_ah, expected.habits_of(pack.chemistry))
    if rest is None or limit_ma is None or slope is None:
        return None
    noise, step = _readings_at_rest(equipment)
    shown = expected.smallest_leak_after_ma(rest.duration_s / 3600.0, slope, rest.sampling_s or 60.0, noise, step, standing.ratings.series - 1)
    if shown is None:
        return None
    words = (
        f"After {hours_text(rest.duration_s)} of rest the groups would show a leak of {quantity_text(shown, 'mA', 2)}; the limit is {quantity_text(limit_ma, 'mA', 2)} "
        "(with the slope that such cells usually have)."
    )
    return {"criterion": item.id, "label": QUANTITIES[item.quantity].label, "unit": "mA", "limit": limit_ma, "u": None, "low": shown, "high": limit_ma, "words": words}


# --- heads ------------------------------------------------------------------------------------------------------------


def _title(pack: Pack, criteria: Criteria, wanted: Wanted | None) -> str:
    of = f" of pack {pack.id}" if pack.id else ""
    if wanted is not None:
        return f"Test plan{of}: what would settle {wanted.run or 'the verdict'}"
    return f"Test plan{of}: {criteria.title}"


def _pack_words(pack: Pack, standing: Standing) -> Mapping[str, Any]:
    return {"id": pack.id, "chemistry": pack.chemistry, "series": pack.series, "parallel": pack.parallel, "rated_capacity_ah": pack.rated_capacity_ah, **plain(standing)}


