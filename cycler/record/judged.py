"""The criteria on a record: their tables, the reasons behind their results, and where a finding stands beside them."""

from __future__ import annotations

import re
from typing import Any

from cycler.quantities import display_unit
from cycler.record.blocks import Block, Bullets, Para, Section, Table
from cycler.record.language import decimal, text
from cycler.record.sentences import told
from cycler.record.values import (
    LONGEST_SENTENCE,
    as_list,
    banded,
    clean,
    figure,
    finished,
    get,
    number,
    plain,
    sentence,
)

# Quantities of the criteria that judge what a finding is about.
_JUDGED_BY = {
    "weak_group": ("group_capacity_ratio_worst",),
    "high_resistance": ("group_resistance_ratio_worst", "group_ohmic_ratio_worst"),
    "high_joint_resistance": ("group_ohmic_ratio_worst", "group_resistance_ratio_worst"),
    "group_out_of_balance": ("start_deficit_share_worst",),
    "self_discharge": ("self_discharge_share_worst", "self_discharge_worst_ma"),
    "low_capacity": ("state_of_health", "capacity_ah"),
    "low_efficiency": ("coulombic_efficiency", "energy_efficiency"),
    "temperature_high": ("temperature_max_c",),
}
_THE_GROUP = re.compile(r"(?:\b(?:the|a) )?(?:\b(?:worst|weakest) )?\bgroup\b", re.IGNORECASE)
_MISSING = re.compile(r"^(?:not measured|not known|does not apply): ", re.IGNORECASE)
GUARD, ACCEPTANCE, PROBABILITY = 3, 4, 5


def result_of(value: Any) -> str:
    """pass, fail, not_proven, or none for anything else. Only the exact word is a pass."""
    return value if value in ("pass", "fail", "not_proven") else "none"


def _quantity(name: Any) -> Any:
    from cycler.criteria_quantities import QUANTITIES

    return QUANTITIES.get(str(name))


def _unit_of(criterion: dict[str, Any]) -> str:
    """Inner unit of a criterion: as the verdict says, else that of its quantity, else from the name's ending."""
    for unit in (criterion.get("unit"), getattr(_quantity(criterion.get("quantity")), "unit", None)):
        if isinstance(unit, str):
            unit = {"ratio": "", "°C": "degC", "Ω": "ohm"}.get(unit, unit)
            try:
                display_unit(unit)
            except KeyError:
                continue
            return unit
    name = str(criterion.get("quantity"))
    for ending, unit in (("_ah", "Ah"), ("_wh", "Wh"), ("_ohm", "ohm"), ("_ma", "mA"), ("_mv", "mV"), ("_v", "V"), ("_a", "A"),
                         ("_k", "K"), ("_c", "degC"), ("_it", "It"), ("health", "share"), ("efficiency", "share"), ("coulombic", "share")):
        if name.endswith(ending):
            return unit
    return ""


def _value_text(value: Any, u: Any, unit: str) -> str:
    if isinstance(value, bool):
        return text.YES if value else text.NO
    return text.NOT_MEASURED if number(value) is None else figure(value, u, unit)


def _label(criterion: dict[str, Any]) -> str:
    """The verdict's own label, with the number of the group that decided it in place of "worst group"."""
    quantity = criterion.get("quantity")
    label = clean(criterion.get("label") or getattr(_quantity(quantity), "label", None) or text.words(quantity or criterion.get("id")))
    group = criterion.get("group")
    if group is None:
        return told(label, mark=False)
    shown = f"group {clean(group, 12)}"
    put = _THE_GROUP.sub(lambda found: shown if found.start() else shown[:1].upper() + shown[1:], label, count=1)
    return told(put, mark=False) if put != label else f"{told(label, mark=False)}, {text.FINDING_PLACE_GROUP.format(n=clean(group, 12))}"


def _reason(criterion: dict[str, Any]) -> str:
    """The verdict's reason without the group that the label already names."""
    reason = clean(criterion["reason"], LONGEST_SENTENCE) if criterion.get("reason") else ""
    return sentence(reason.removeprefix(f"Group {criterion.get('group')}: "))


def _missing(criterion: dict[str, Any]) -> str:
    """The reason without "not measured" before it and without full stop, to stand where the figures are missing."""
    reason = clean(criterion.get("reason") or "", LONGEST_SENTENCE)
    bare = _MISSING.sub("", reason)
    return told(bare.rstrip(".")) if bare != reason else _reason(criterion).rstrip(".")


def against_verdict(analysis: dict[str, Any], finding: dict[str, Any]) -> str:
    """A sentence that sets a finding beside its criterion where that one is not a fail; "" if there is nothing to explain."""
    if finding.get("severity") not in ("caution", "defect"):
        return ""
    quantities = _JUDGED_BY.get(str(finding.get("code")), ())
    judged = [c for required in (True, False) for c in criteria_of(analysis, required)
              if c.get("quantity") in quantities and c.get("applies") is not False]
    results = [result_of(c.get("result")) for c in judged]
    if not judged or "fail" in results:
        return ""
    at = results.index("not_proven") if "not_proven" in results else 0
    criterion, result = judged[at], results[at]
    if result == "none":
        return ""
    shape = text.AGAINST_NOT_PROVEN if result == "not_proven" else text.AGAINST_PASS
    reason = _reason(criterion) or finished(text.N_NO_REASON)
    return shape.format(label=_label(criterion), reason=text.lowered(reason))


def criteria_of(analysis: dict[str, Any], required: bool) -> list[dict[str, Any]]:
    """Criteria that decide the verdict, or those that do not."""
    return [c for c in as_list(get(analysis, "verdict", "criteria")) if isinstance(c, dict) and (c.get("required") is not False) == required]


def criteria(analysis: dict[str, Any]) -> tuple[Block, ...]:
    required, advisory = criteria_of(analysis, True), len(criteria_of(analysis, False))
    if not required:
        return (Para(text.CRITERIA_NONE),)
    note = "" if not advisory else text.ADVISORY_IN_ANNEX_ONE if advisory == 1 else text.ADVISORY_IN_ANNEX.format(n=advisory)
    together = number(get(analysis, "verdict", "probability_of_conformity_at_least"))
    if together is not None and result_of(get(analysis, "verdict", "result")) == "pass":  # a lower bound says nothing of a fail
        note = " ".join(filter(None, (note, text.CRITERIA_TOGETHER.format(probability=_probability(together)))))
    return (_criteria_table(required, note),)


def more_criteria(analysis: dict[str, Any]) -> list[Section]:
    """Annex: the advisory criteria, and why each measured criterion that is not a pass is none (the others say so in their row)."""
    found = []
    advisory = criteria_of(analysis, False)
    if advisory:
        found.append(Section("advisory", text.H_ADVISORY, (_criteria_table(advisory, text.ADVISORY_NOTE),)))
    points = []
    for required in (True, False):
        for criterion in criteria_of(analysis, required):
            if result_of(criterion.get("result")) != "pass" and criterion.get("reason") and number(criterion.get("value")) is not None:
                label = _label(criterion) if required else text.ADVISORY.format(label=_label(criterion))
                points.append((f"{label}:", _reason(criterion)))
    if points:
        found.append(Section("reasons", text.H_REASONS, (Bullets(tuple(points)),)))
    return found


def _criteria_table(criteria: list[dict[str, Any]], note: str) -> Table:
    strong = tuple(k for k, criterion in enumerate(criteria) if result_of(criterion.get("result")) != "pass")
    marks = ", ".join(f"{text.MARK[k]} {text.RESULT_SMALL[k]}" for k in ("pass", "fail", "not_proven"))
    caption = " ".join(filter(None, (note, text.CRITERIA_CAPTION.format(marks=marks))))
    rows, spans = [], []
    for k, criterion in enumerate(criteria):
        row = list(_criterion_row(criterion))
        first, why = _why_empty(criterion, row[PROBABILITY])
        if why:
            row[first:PROBABILITY + 1] = [why] + [""] * (PROBABILITY - first)
            spans.append((k, first, PROBABILITY))
        rows.append(tuple(row))
    return Table(caption, text.CRITERIA_HEAD, tuple(rows), "lflllll", text.CRITERIA_WIDTHS, strong,
                 strong_columns=(0, 6), name="criteria", spans=tuple(spans))


def _why_empty(criterion: dict[str, Any], probability: str) -> tuple[int, str]:
    """First column that has nothing to show, and why; the reason stands across the empty columns."""
    reason = _missing(criterion) or text.N_NO_REASON
    if criterion.get("applies") is False or number(criterion.get("value")) is None:
        return GUARD, reason
    if number(criterion.get("acceptance_limit")) is not None:
        return 0, ""
    if number(criterion.get("u_value")) is None:
        return GUARD, text.ACCEPTANCE_NO_U
    if number(criterion.get("guard_band")) is None:
        return 0, ""
    return ACCEPTANCE, text.ACCEPTANCE_NO_ROOM.format(probability=probability)


def _criterion_row(criterion: dict[str, Any]) -> tuple[str, ...]:
    unit = _unit_of(criterion)
    limit, band = criterion.get("limit"), criterion.get("guard_band")
    limit_text = (text.YES if limit else text.NO) if isinstance(limit, bool) else plain(limit, unit)
    direction = text.DIRECTION.get(str(criterion.get("direction")), "{limit}")
    probability = number(criterion.get("probability_of_conformity"))
    result = result_of(criterion.get("result"))
    measured = _value_text(criterion.get("value"), criterion.get("u_value"), unit)
    if number(criterion.get("value")) is None:
        if str(criterion.get("reason")).lower().startswith("not known"):
            measured = text.NOT_KNOWN
    elif criterion.get("bound") == "lower":
        measured = text.AT_LEAST_SHORT.format(figure=measured)
    elif criterion.get("bound") == "upper":
        measured = text.AT_MOST_SHORT.format(figure=measured)
    return (
        _label(criterion), measured, direction.format(limit=limit_text), text.DASH if number(band) is None else banded(band, unit, band),
        banded(criterion.get("acceptance_limit"), unit, band), text.DASH if probability is None else _probability(probability),
        text.DOES_NOT_APPLY if criterion.get("applies") is False else f"{text.MARK[result]} {text.RESULT_SMALL[result]}",
    )


def _probability(value: float) -> str:
    """Percent, never rounded up to certainty."""
    if value > 0.999:
        return decimal("> 99.9 %")
    return decimal("< 0.1 %" if value < 0.001 else f"{value * 100:.1f} %")
