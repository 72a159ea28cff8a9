"""Pass, fail or not proven: criteria held against an analysis, with the uncertainty counted.

The rule. A criterion has a tolerance limit TL and a guard band w = factor * u. The acceptance limit AL lies w
inside TL (TL + w for ``at_least``, TL - w for ``at_most``). A value on or inside AL passes; a value outside TL by
more than w fails; everything between is *not proven*, because the measurement cannot tell on which side of TL
the true value lies. So a fail is held to the same strictness as a pass. With w = 0 (simple acceptance) the value
alone decides, and a value on the limit conforms. A measurement that is missing, or whose test was not fit to give
it, never passes; the one exception is a lower bound that already meets an ``at_least`` limit (or an upper bound an
``at_most`` one), because the true value can only be better. A bound on the bad side may fail in the same way.

A pack fails if any finding is a danger (a veto), an open danger from outside the log is known, any required criterion
fails, an advisory one whose fail counts does, or a leak is above its limit (required or not); else it is not proven if any required criterion is, or
one whose fail counts was measured beyond its limit but inside the guard band; else it passes.
Whatever the figures say, a pass is held back (not proven) where the capacity was not measured by a valid test and by
every defect that no criterion of the set judges.

References: JCGM 106:2012, clause 7 (conformance probability) and 8 (guard bands), clause numbers from memory;
ILAC-G8:09/2019, 4.2 (guard band and acceptance limit; its non-binary verdicts between TL - w and TL + w are here
one verdict, not proven).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import NormalDist
from typing import Any

from cycler.criteria import SIMPLE, Criteria, Criterion
from cycler.criteria_pack import take_capacity_valid
from cycler.criteria_quantities import HOURS_PER_MONTH, QUANTITIES, Quantity, Taken, has_before, number, part
from cycler.findings import LEAK_SIGNIFICANT
from cycler.quantities import COVERAGE_FACTOR, figure_text
from cycler.settle import ADVICE, advise_long_rest, effort, guard_sentences, quantity_text, without_repeats

PASS, FAIL, NOT_PROVEN = "pass", "fail", "not_proven"
_RANK = {FAIL: 0, NOT_PROVEN: 1, PASS: 2}

LEAK_QUANTITIES = ("self_discharge_share_worst", "self_discharge_worst_ma")
VETO_ORDER = ("group_reversed", "group_undervoltage", "group_overvoltage", "temperature_high", "self_discharge")
"""Vetoes are listed in this order, others after them. Every finding of severity danger is one, and a leak above its limit."""

CAUTION_PASS = (
    "A pass says that the figures listed here met their limits on this bench on this day. It is no safety "
    "certificate and no claim of conformity with a standard; the maker's limits, local codes and licensed practice go first."
)
CAUTION_WORK = (
    "Charge and discharge under supervision, on a surface that does not burn, within the maker's limits of voltage, "
    "current and temperature; keep metal off the terminals and taps. Above 60 V d.c. leave the work to licensed people."
)
UNJUDGED_DEFECTS = {
    "temperature_out_of_range": "Charging below the cells' limit can plate lithium inside them. Do not charge this pack in the cold again. Repeat the whole test at "
    "15 to 30 °C with a day's rest at its end to show that nothing leaks, and ask someone trained before it goes back.",
    "joint_outside_taps": "Find the joint outside the group taps (plug, strip, wire or board) and mend it, then repeat the load step. Terminals and taps "
    "stay live while you work: one slip with a tool is a short circuit.",
    "group_reading_dead": "Measure the group that reads 0 V by hand, between its own taps, before anything else is done with the pack. Taps carry the full "
    "current of the cells: use insulated probes.",
}
"""Defects that no criterion measures: with one of them a pass is not proven. What to do about each."""
JUDGED_BY = {
    "low_capacity": ("state_of_health", "capacity_ah", "energy_wh", "energy_share", "group_capacity_share_worst"),
    "weak_group": ("group_capacity_ratio_worst", "group_capacity_share_worst", "group_capacity_spread"),
    "high_joint_resistance": ("group_resistance_ratio_worst", "group_ohmic_ratio_worst", "group_resistance_10s_worst_ohm", "group_ohmic_worst_ohm"),
    "high_resistance": ("group_resistance_ratio_worst", "group_ohmic_ratio_worst", "group_resistance_10s_worst_ohm", "group_ohmic_worst_ohm"),
}
"""Quantities that judge a defect: it is left to a set that has one of them. Any other defect holds a pass back; leaks are vetoes."""
NO_CRITERION = "This set has no criterion for a defect that was found: mend the defect and test again, or judge by a set that has one."
CAPACITY_NOT_VALID = "capacity_not_valid"
"""Code in ``held_by`` for a capacity that no valid test measured, by whatever set the pack is judged."""
ADVISORY = "Advisory: "
"""Before a sentence that settles a criterion on which the result does not depend."""
CAUTION_VETO = (
    "Take the pack out of use: it may catch fire when charged, or later at rest. Keep it apart, outdoors or in a "
    "fire-resistant place, watch it, and treat it as damaged for storage and transport under local rules."
)

Analysis = Mapping[str, Any]


# --- pure rules --------------------------------------------------------------------------------------------


def probability_of_conformity(value: float, u: float, limit: float, direction: str) -> float:
    """Probability that the true value conforms to a one-sided limit, for a normal distribution.

    Parameters
    ----------
    value, u, limit : float
        Value, its standard uncertainty and the tolerance limit, in one unit.
    direction : str
        ``at_least`` or ``at_most``.

    Returns
    -------
    float
        0 to 1; with ``u`` zero 1 on or inside the limit, else 0.

    Raises
    ------
    ValueError
        ``u`` negative or not finite, or unknown direction.

    References
    ----------
    JCGM 106:2012, clause 7 (from memory): Phi((y - TL)/u) for a lower limit, Phi((TU - y)/u) for an upper one.
    """
    inside = _inside(value, limit, direction)
    if not math.isfinite(u) or u < 0:
        raise ValueError(f"u must be zero or more, is {u}")
    if u == 0:
        return 1.0 if inside >= 0 else 0.0
    return 0.5 * math.erfc(-inside / (u * math.sqrt(2.0)))


def guard_band(u: float, guard_multiple: float | None = None, max_false_accept: float | None = None) -> float:
    """Width of the guard band, in the unit of ``u``: a multiple of U = 2u, or from a probability.

    Raises
    ------
    ValueError
        Not exactly one of the two rules is given, or it is out of range.

    Notes
    -----
    With ``max_false_accept`` = p the band is w = z u, Phi(z) = 1 - p: a result that sits on the acceptance limit is
    then falsely accepted with probability p.
    """
    if (guard_multiple is None) == (max_false_accept is None):
        raise ValueError("give guard_multiple or max_false_accept, not both")
    if guard_multiple is not None:
        if guard_multiple < 0:
            raise ValueError(f"guard_multiple must be zero or more, is {guard_multiple}")
        return guard_multiple * COVERAGE_FACTOR * u
    if not 0 < max_false_accept <= 0.5:
        raise ValueError(f"max_false_accept must be above 0 and at most 0.5, is {max_false_accept}")
    return -NormalDist().inv_cdf(max_false_accept) * u


def acceptance_limit(limit: float, band: float, direction: str) -> float:
    """Acceptance limit: the tolerance limit moved inwards by the guard band."""
    return limit + band * _side(direction)


def result_of(value: float, limit: float, band: float, direction: str) -> str:
    """``pass``, ``fail`` or ``not_proven`` of one value by the rule above. Rounding noise counts as on the edge."""
    inside = _inside(value, limit, direction)
    if inside >= band or math.isclose(value, acceptance_limit(limit, band, direction), rel_tol=1e-12):
        return PASS
    if inside >= -band or math.isclose(value, acceptance_limit(limit, -band, direction), rel_tol=1e-12):
        return NOT_PROVEN
    return FAIL


def _side(direction: str) -> float:
    if direction == "at_least":
        return 1.0
    if direction == "at_most":
        return -1.0
    raise ValueError(f"unknown direction {direction!r}")


def _inside(value: float, limit: float, direction: str) -> float:
    """How far the value lies on the good side of the limit; negative on the bad side."""
    return (value - limit) * _side(direction)


# --- one criterion -----------------------------------------------------------------------------------------


def _judge_taken(taken: Taken, quantity: Quantity, criterion: Criterion, limit: float, factor: float) -> dict[str, Any]:
    """Judgement of one candidate value; ``inside`` and ``lack`` are for the choice among candidates."""
    judged: dict[str, Any] = {
        "value": taken.value, "u_value": taken.u, "group": taken.group, "guard_band": None, "acceptance_limit": None,
        "probability_of_conformity": None, "bound": taken.bound, "result": NOT_PROVEN, "lack": taken.lack or quantity.advice,
        "inside": math.inf,
    }
    if taken.value is None:
        word = "Not measured" if quantity.null_is_not_measured or taken.lack == "taps" else "Not known"
        judged["reason"] = f"{word}: {taken.doubt}."
        judged["value"] = judged["u_value"] = None
        return judged
    if quantity.yes_or_no:
        judged.update(result=PASS, reason=quantity.yes_or_no, guard_band=0.0, acceptance_limit=limit, inside=0.0)
        return judged
    who = f"Group {taken.group}: " if taken.group else ""
    figure = figure_text(taken.value, taken.u, quantity.unit)
    judged["inside"] = _inside(taken.value, limit, criterion.direction)
    if taken.u is None and factor > 0:
        judged["lack"] = taken.lack if not taken.valid else "uncertainty"
        judged["reason"] = f"{who}{figure}, but its uncertainty is not known, so no guard band can be set."
        return judged
    band = factor * (taken.u or 0.0)
    result = result_of(taken.value, limit, band, criterion.direction)
    judged["guard_band"] = band
    accept = acceptance_limit(limit, band, criterion.direction)
    # A guard band wider than an upper limit leaves no room for any value: then there is no acceptance limit.
    no_room = criterion.direction == "at_most" and accept < 0.0 <= limit
    judged["acceptance_limit"] = None if no_room else accept
    if taken.u is not None:
        judged["probability_of_conformity"] = probability_of_conformity(taken.value, taken.u, limit, criterion.direction)
    if taken.valid:
        judged["result"] = result
        if result == NOT_PROVEN and taken.lack != "estimate":
            judged["lack"] = "guard"
        note = f" The value is {taken.doubt}." if taken.doubt else ""
        if no_room:
            note += " The guard band of this group is wider than the limit: measured like this, it could not pass."
        judged["reason"] = who + _reason(figure, result, judged["inside"], quantity, criterion, limit, band, no_room) + note
        return judged
    settles = {("lower", "at_least"): PASS, ("lower", "at_most"): FAIL, ("upper", "at_most"): PASS, ("upper", "at_least"): FAIL}
    if taken.bound and settles[taken.bound, criterion.direction] == result:
        judged["result"] = result
        judged["reason"] = (
            f"{who}Although {taken.doubt}, the figure is a {taken.bound} bound and decides: "
            f"{_reason(figure, result, judged['inside'], quantity, criterion, limit, band, no_room)}"
        )
        return judged
    judged["probability_of_conformity"] = None
    what = f"only a {taken.bound} bound" if taken.bound else "not a valid result"
    judged["reason"] = (
        f"{who}{figure} is {what}, because {taken.doubt}; it does not show whether the limit of "
        f"{_limit_text(criterion, quantity, limit)} is met."
    )
    return judged


def _limit_text(criterion: Criterion, quantity: Quantity, limit: float) -> str:
    return f"{criterion.direction.replace('_', ' ')} {quantity_text(limit, quantity.unit)}"


def _reason(
    figure: str, result: str, inside: float, quantity: Quantity, criterion: Criterion, limit: float, band: float, no_room: bool,
) -> str:
    limit_text = _limit_text(criterion, quantity, limit)
    if band == 0:
        verb = "meets" if result == PASS else "misses"
        return f"{figure} {verb} the limit of {limit_text} (no guard band)."
    band_text = quantity_text(band, quantity.unit, 2)
    if result == PASS:
        accept = "none" if no_room else quantity_text(acceptance_limit(limit, band, criterion.direction), quantity.unit)
        return f"{figure} meets the limit of {limit_text} with the guard band of {band_text} (acceptance limit {accept})."
    if result == FAIL:
        return f"{figure} misses the limit of {limit_text} by more than the guard band of {band_text}."
    verb = "meets" if inside >= 0 else "misses"
    return f"{figure} {verb} the limit of {limit_text} by less than the guard band of {band_text}: the measurement cannot tell."


def judge(analysis: Analysis, criterion: Criterion, factor: float) -> dict[str, Any]:
    """Judgement of one criterion: the contract's row, plus ``lack`` for the advice.

    Where every group is a candidate, the criterion fails if one group fails, is not proven if one is not proven, and
    the row shows, among the groups with that result, the one nearest to the bad side.
    """
    quantity = QUANTITIES[criterion.quantity]
    limit = criterion.limit_for(part(analysis, "pack", "chemistry"))
    judged = [_judge_taken(taken, quantity, criterion, limit, factor) for taken in quantity.take(analysis)]
    decisive = min(judged, key=lambda item: (_RANK[item["result"]], item["inside"]))
    applies = not (quantity.needs_siblings and number(part(analysis, "pack", "series")) == 1)
    row = {
        "id": criterion.id,
        "quantity": criterion.quantity,
        "label": quantity.label,
        "unit": quantity.unit,
        "required": criterion.required and applies,
        "applies": applies,
        "limit": limit,
        "direction": criterion.direction,
        "why": criterion.why,
        "source": criterion.source,
        **{key: value for key, value in decisive.items() if key != "inside"},
    }
    if not applies:
        row["result"] = NOT_PROVEN
        row["reason"] = "Does not apply: the pack has one group, so there are no siblings to compare with."
    counts = criterion.fail_counts or criterion.quantity in LEAK_QUANTITIES
    if applies and not criterion.required and ((criterion.fail_counts and row["result"] == FAIL) or (counts and _beyond_limit(row))):
        row["required"] = True
        row["reason"] += " It did not have to be measured, but what was found counts."
    row["lacks"] = sorted({item["lack"] for item in judged if item["result"] == NOT_PROVEN})
    row["chances"] = [item["probability_of_conformity"] for item in judged]
    return row


def _beyond_limit(row: Mapping[str, Any]) -> bool:
    """Whether a value that is not proven was found beyond its limit: more likely bad than good, and no pack passes past it.

    It must stand out from nothing as a finding must: a rest too short to tell a leak scatters beyond every limit.
    """
    probability = row["probability_of_conformity"]
    return row["result"] == NOT_PROVEN and probability is not None and probability < 0.5 and row["value"] > LEAK_SIGNIFICANT * row["u_value"]


# --- the pack ----------------------------------------------------------------------------------------------


def probability_of_all(chances: Sequence[float | None]) -> float | None:
    """Lower bound of the probability that every value conforms, whatever their errors have in common; None if one is not known.

    References
    ----------
    Boole's inequality: P(all) is at least 1 less the sum of what each may fail by; any text on probability.
    """
    if not chances or any(chance is None for chance in chances):
        return None
    return max(0.0, 1.0 - math.fsum(1.0 - chance for chance in chances if chance is not None))


def decide(analysis: Analysis, criteria: Criteria, dangers: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """The contract's ``verdict`` object.

    Parameters
    ----------
    analysis : dict
        The object of ``analyze --json``; its own ``verdict``, if any, is not looked at. Its ``before``, if any, is the analysis of
        the same pack before (see :func:`cycler.compare.reduced`), for the quantities that are told against it.
    criteria : Criteria
        The set to judge by.
    dangers : sequence of dict
        Open dangers from outside the log, such as the pack's card: ``code``, ``message``, ``who``, ``at``. Each is a veto.

    Returns
    -------
    dict
        Keys of the contract (result, criteria_name, decision_rule, criteria, vetoes, to_settle) and besides:
        ``criteria_title``, ``criteria_sha256``, ``summary`` (one sentence), ``veto_findings``, ``cautions``, and ``held_by``: codes of
        what holds a pass back whatever the figures say; empty for a pack that failed. Each row tells its own ``rule``.
        Values, uncertainties and limits are in each row's ``unit``; plain types only, no NaN.
    """
    asked = [item for item in criteria.criteria if not _without_before(analysis, item)]
    rows = [judge(analysis, item, criteria.guard_factor(item)) | {"rule": criteria.rule_of(item)} for item in asked]
    danger = [*_danger_findings(analysis), *_leak_vetoes(analysis, rows), *dangers]
    vetoes = list(dict.fromkeys(str(finding.get("code") or "danger") for finding in danger))
    unjudged = _unjudged_defects(analysis, {row["quantity"] for row in rows if row["applies"]})
    (capacity,) = take_capacity_valid(analysis)
    result = _overall(rows, vetoes)
    held_by = [] if result == FAIL else [CAPACITY_NOT_VALID] * (capacity.value is None) + list(unjudged)
    held = result == PASS and bool(held_by)
    if held:
        result = NOT_PROVEN
    if vetoes:
        to_settle = _veto_advice(danger)
    else:
        first = [UNJUDGED_DEFECTS.get(code, NO_CRITERION) for code in unjudged]
        factors = [criteria.guard_factor(item) for item in asked]
        to_settle = _to_settle(analysis, factors, rows, first, capacity.lack if CAPACITY_NOT_VALID in held_by else "", result != FAIL)
    cautions = [CAUTION_VETO] if vetoes else [CAUTION_PASS] + ([CAUTION_WORK] if to_settle else [])
    together = None if vetoes or held_by else probability_of_all([chance for row in rows if row["required"] for chance in row["chances"]])
    for row in rows:
        del row["lack"], row["lacks"], row["chances"]
    return {
        "result": result,
        "probability_of_conformity_at_least": together,
        "criteria_name": criteria.name,
        "criteria_title": criteria.title,
        "criteria_sha256": criteria.sha256,
        "decision_rule": criteria.decision_rule,
        "summary": _held_summary(capacity.doubt if CAPACITY_NOT_VALID in held_by else "", unjudged) if held else _summary(result, rows, danger),
        "held_by": held_by,
        "vetoes": vetoes,
        "veto_findings": [
            {key: finding.get(key) for key in ("code", "group", "step", "message", "who", "at")} for finding in danger
        ],
        "criteria": rows,
        "to_settle": to_settle,
        "cautions": cautions,
    }


def _danger_findings(analysis: Analysis) -> list[Mapping[str, Any]]:
    danger = [finding for finding in analysis.get("findings") or [] if finding.get("severity") == "danger"]
    order = {code: index for index, code in enumerate(VETO_ORDER)}
    return sorted(danger, key=lambda finding: order.get(finding.get("code"), len(order)))


def _without_before(analysis: Analysis, criterion: Criterion) -> bool:
    """Whether a criterion only advises on a pack before, and there is none: then it is left out. One that is required stays, and is not proven."""
    return QUANTITIES[criterion.quantity].needs_before and not criterion.required and not has_before(analysis)


def _leak_vetoes(analysis: Analysis, rows: list[dict[str, Any]]) -> list[Mapping[str, Any]]:
    """A leak above the limit is a veto, required or not; where a set names no limit, above the usual one of the finding."""
    findings = [finding for finding in analysis.get("findings") or [] if finding.get("code") == "self_discharge"]
    judged = [row for row in rows if row["quantity"] in LEAK_QUANTITIES]
    if not judged:
        return [finding for finding in findings if finding.get("severity") == "defect"]
    failed = {row["group"]: row for row in judged if row["result"] == FAIL}
    by_group = {finding.get("group"): finding for finding in findings if finding.get("severity") != "danger"}
    dangers = {finding.get("group") for finding in findings if finding.get("severity") == "danger"}
    return [
        by_group.get(group) or {"code": "self_discharge", "group": group, "step": None, "message": row["reason"]}
        for group, row in failed.items() if group not in dangers
    ]


def _unjudged_defects(analysis: Analysis, judged: set[str]) -> dict[str, str]:
    """Defects that none of the quantities ``judged`` measures, code to message; the other defects are left to the criteria."""
    found: dict[str, str] = {}
    for finding in analysis.get("findings") or []:
        code = str(finding.get("code") or "defect")
        if finding.get("severity") == "defect" and code != "self_discharge" and not judged.intersection(JUDGED_BY.get(code, ())):
            found.setdefault(code, _message(finding))
    return found


def _message(finding: Mapping[str, Any]) -> str:
    return str(finding.get("message") or str(finding.get("code")).replace("_", " ")).rstrip(".")


def _held_summary(no_capacity: str, defects: Mapping[str, str]) -> str:
    """``no_capacity`` says why the capacity is not valid, "" where it is."""
    why = [f"the capacity was not validly measured: {no_capacity}"] if no_capacity else []
    if defects:
        why.append(f"there is a defect that none of them judges: {next(iter(defects.values()))}")
    return f"Not proven: the criteria are met, but {'; and '.join(why)}."


def _overall(rows: list[dict[str, Any]], vetoes: list[str]) -> str:
    required = [row["result"] for row in rows if row["required"]]
    if vetoes or FAIL in required:
        return FAIL
    # A set whose required criteria all fall away for this pack has shown nothing.
    if NOT_PROVEN in required or not required:
        return NOT_PROVEN
    return PASS


def _named(rows: list[dict[str, Any]]) -> str:
    labels = [row["label"][0].lower() + row["label"][1:] for row in rows]
    return labels[0] if len(labels) == 1 else "; ".join(labels)


def _summary(result: str, rows: list[dict[str, Any]], danger: list[Mapping[str, Any]]) -> str:
    required = [row for row in rows if row["required"]]
    if danger:
        return f"Fail, whatever the other figures say: {_message(danger[0])}."
    deciding = [row for row in required if row["result"] == result]
    if result == PASS:
        met = f"{_count(len(required), 'required criterion', 'required criteria')} met"
        simple = sum(row["rule"] == SIMPLE for row in required)
        if simple:
            which = "all" if simple == len(required) else f"{simple} of them"
            return f"Pass: {met}, {which} by simple acceptance without a guard band."
        return f"Pass: {met}."
    if not required:
        return "Not proven: no required criterion applies to this pack."
    word = "Fail" if result == FAIL else "Not proven"
    return f"{word} on {len(deciding)} of {_count(len(required), 'required criterion', 'required criteria')}: {_named(deciding)}."


def _count(number_of: int, one: str, many: str) -> str:
    return f"{number_of} {one if number_of == 1 else many}"


def _veto_advice(danger: list[Mapping[str, Any]]) -> list[str]:
    groups = sorted({finding["group"] for finding in danger if finding.get("group")})
    which = f" of group {', '.join(map(str, groups))}" if groups else ""
    if all(finding.get("code") == "self_discharge" and finding.get("severity") != "danger" for finding in danger):
        return [f"Find and mend the leak{which} before the pack is tested again; no further measurement outweighs it."]
    return [
        f"Do not charge or discharge the pack again before the danger finding{which} has been cleared up by someone "
        "competent; no further measurement outweighs it."
    ]


def _to_settle(
    analysis: Analysis, factors: Sequence[float], rows: list[dict[str, Any]], first: Sequence[str], capacity_lack: str, advisory: bool
) -> list[str]:
    """Advice for what is not proven: ``first``, then what the result depends on, then the rest; in each the cheapest first, each sentence once.

    ``factors`` are the guard factors of the rows. For a pack that failed only the required ones are kept: the next test, after the repair, needs them. ``capacity_lack`` is what a valid
    capacity lacks, "" where it lacks nothing.
    """
    needed: list[str] = list(first)
    if_wanted: list[str] = []
    for into, wanted in ((needed, True), (if_wanted, False)):
        found: list[tuple[int, str]] = []
        if wanted and capacity_lack:
            found += [(effort(capacity_lack), sentence) for sentence in ADVICE[capacity_lack](analysis)]
        for row, factor in zip(rows, factors):
            if row["result"] == NOT_PROVEN and row["applies"] and row["required"] is wanted and (wanted or advisory):
                found += _advice(analysis, row, factor)
        into += [sentence for _, sentence in sorted(found, key=lambda item: item[0])]
    sentences = without_repeats(analysis, [*needed, *if_wanted])
    return [sentence if sentence in needed else f"{ADVISORY}{sentence}" for sentence in sentences]


def _advice(analysis: Analysis, row: dict[str, Any], factor: float) -> list[tuple[int, str]]:
    """Sentences that would settle one row, each with the rank of its effort."""
    quantity = QUANTITIES[row["quantity"]]
    found: list[tuple[int, str]] = []
    for lack in dict.fromkeys([row["lack"], *row["lacks"]]):
        if lack == "guard":
            # The row shows one group; others inside their guard band are mended by the same bench.
            if row["guard_band"]:
                told = guard_sentences(
                    analysis, quantity, row["value"], row["u_value"], row["limit"], factor, row["group"]
                )
                undeclared = part(analysis, "instrument", "declared") is False  # a line in a file may do
                found += [(effort("uncertainty" if undeclared else lack), sentence) for sentence in told]
        elif lack == "long_rest":
            share = row["quantity"] == "self_discharge_share_worst"
            rated = number(part(analysis, "pack", "rated_capacity_ah"))
            limit_ma = row["limit"] if not share else 1000.0 * row["limit"] * rated / HOURS_PER_MONTH if rated else None
            found += [(effort(lack), sentence) for sentence in advise_long_rest(analysis, limit_ma)]
        elif lack in ADVICE:
            found += [(effort(lack), sentence) for sentence in ADVICE[lack](analysis)]
    return found
