"""Figures to coded findings: what is wrong, with the evidence, in one sentence a repairer can act on.

Every threshold here is common practice without a source unless the comment says otherwise; a criteria file decides about
pass or fail, findings only draw attention.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from cycler.measures.integrate import Missing
from cycler.quantities import figure_text

WEAK_RATIO = 0.97  # new cells are matched within 2 to 3 %
DEFECT_RATIO = 0.95
REPLACE_RATIO = 0.85
OUT_OF_BALANCE_SHARE = 0.03
RESISTANCE_RATIO = 1.30
LOW_CAPACITY_SHARE = 0.80  # traction convention, about 80 % of rated; figures in use range from 60 to 80 %
ABOVE_RATING_SHARE = 1.10
IMPOSSIBLE_RATING_SHARE = 2.0  # no pack gives that: a unit or the rating is wrong
SELF_DISCHARGE_SHARE_PER_MONTH = 0.05
REST_BEFORE_LOAD_MIN_S = 600.0
TEST_TEMPERATURE_C = (15.0, 30.0)
DANGER_TEMPERATURE_C = 60.0
COUNTER_SHARE = 0.02
COUNTER_DOUBT_SHARE = 0.05
RATE_NEAR_RATING_IT = 0.6  # rated at 0.2 It: from memory of the capacity tests of the cell standards
EFFICIENCY_MIN = 0.98
SIGNIFICANT = 2.0
BALANCE_SIGNIFICANT = 3.0  # one of a dozen groups lies beyond 2 u by chance alone in every other test
LEAK_SIGNIFICANT = 3.0  # for the same reason: a leak that is none sends a sound pack away
REST_BEHIND_V = 0.020  # rest spread that is worth watching; with it 2 u are enough

LIVE = "Taps and links stay live: insulated tools, one lead at a time, nothing that could bridge two."
"""Caution beside every finding that asks for hands in the pack."""

SEVERITIES = ("info", "caution", "defect", "danger")


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. ``group`` and ``step`` are numbers as in the analysis, or None; ``beyond_v`` is how far a voltage lies beyond its limit."""

    code: str
    severity: str
    message: str
    evidence: str = ""
    group: int | None = None
    step: int | None = None
    beyond_v: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """The contract's form."""
        return {
            "code": self.code, "severity": self.severity, "group": self.group, "step": self.step,
            "message": self.message, "evidence": self.evidence,
        }


@dataclass(frozen=True, slots=True)
class GroupFigures:
    """What the diagnosis of one group needs; ``None`` = not known. Ratios are to the median of the siblings."""

    group: int
    capacity_ratio: float | None
    u_capacity_ratio: float | None
    shape_ratio: float | None
    u_shape_ratio: float | None
    capacity_ah: float | None
    start_deficit_ah: float | None
    u_start_deficit_ah: float | None
    resistance_10s_ohm: float | None
    u_resistance_10s_ohm: float | None
    siblings_10s_ohm: float | None
    ohmic_ohm: float | None
    u_ohmic_ohm: float | None
    siblings_ohmic_ohm: float | None
    growth_ohm: float | None
    u_growth_ohm: float | None
    siblings_growth_ohm: float | None
    rest_behind_v: float | None
    self_discharge_ma: float | None
    u_self_discharge_ma: float | None
    min_voltage_v: float | None
    max_voltage_v: float | None


def diagnose_group(
    figures: GroupFigures, typical_capacity_ah: float | None, damage_v: float | None, overcharge_v: float | None,
    rated_capacity_ah: float | None = None, u_voltage_v: float = 0.0,
) -> tuple[Finding, ...]:
    """Findings on one group; causes that look alike are told apart by the figures they leave alone.

    Low capacity (by the shape of the curve where a joint may have ended the discharge early): capacity ratio below ``WEAK_RATIO`` (a defect below ``DEFECT_RATIO``), and below 1 by more than its expanded uncertainty. Out of balance: lagged at the start
    while its capacity is sound. Bad joint: resistance high at once, what builds up as in the siblings. Otherwise
    high resistance. Leaking: drifts away from its siblings at rest.
    """
    out: list[Finding] = []
    g = figures.group
    weak = _below_siblings(figures.capacity_ratio, figures.u_capacity_ratio)
    if weak and _ohmic_high(figures) and figures.shape_ratio is not None:
        # Over a joint the group meets its cut-off early whatever its cells hold: only the shape of its curve tells.
        weak = _below_siblings(figures.shape_ratio, figures.u_shape_ratio)
    if weak:
        out.append(
            Finding(
                "weak_group", "defect" if figures.capacity_ratio < DEFECT_RATIO else "caution",
                f"Group {g} holds {100 * figures.capacity_ratio:.1f} ± {200 * figures.u_capacity_ratio:.1f} % of what its siblings hold: "
                + _weak_words(figures.capacity_ratio, figures.u_capacity_ratio),
                (f"capacity {figures.capacity_ah:.3g} Ah, " if figures.capacity_ah is not None else "")
                + f"ratio {figures.capacity_ratio:.3f} ± "
                f"{SIGNIFICANT * figures.u_capacity_ratio:.3f} (k = 2)",
                group=g,
            )
        )
    deficit, u_deficit = figures.start_deficit_ah, figures.u_start_deficit_ah
    if deficit is not None and u_deficit is not None and typical_capacity_ah:
        share = deficit / typical_capacity_ah
        behind = figures.rest_behind_v is not None and figures.rest_behind_v >= REST_BEHIND_V
        if share > OUT_OF_BALANCE_SHARE and deficit > (SIGNIFICANT if behind else BALANCE_SIGNIFICANT) * u_deficit:
            out.append(
                Finding(
                    "group_out_of_balance", "caution",
                    f"Group {g} stood {deficit:.2f} Ah below its siblings when the discharge began: balance it"
                    + (" before judging it." if weak else ", its capacity gives no reason to replace it.")
                    + f" Charge this group alone, with the current limited, to its full voltage and under watch, then let the pack rest a day: a low group may be leaking. {LIVE}",
                    f"start deficit {figure_text(deficit, u_deficit, 'Ah')} (k = 2), {_percent(share)} of a group",
                    group=g,
                )
            )
    out.extend(_resistance_findings(figures, weak))
    leak, u_leak = figures.self_discharge_ma, figures.u_self_discharge_ma
    leak_base_ah = rated_capacity_ah or typical_capacity_ah
    if leak is not None and u_leak is not None and leak_base_ah:
        share_per_month = leak / 1000.0 * 24 * 30 / leak_base_ah
        if share_per_month > SELF_DISCHARGE_SHARE_PER_MONTH and leak > LEAK_SIGNIFICANT * u_leak:
            out.append(
                Finding(
                    "self_discharge", "defect",
                    f"Group {g} loses {leak:.2g} mA more than its siblings at rest, {_percent(share_per_month)} of the rated capacity in "
                    "30 days: look for a leaking cell, moisture or a board that draws from this group. Until it is found do not return the pack, "
                    "do not keep it indoors and do not charge it unattended.",
                    f"{figure_text(leak, u_leak, 'mA')} (k = 2)",
                    group=g,
                )
            )
    out.extend(_voltage_findings(figures, damage_v, overcharge_v, SIGNIFICANT * u_voltage_v))
    return tuple(out)


def _below_siblings(ratio: float | None, u_ratio: float | None) -> bool:
    """Whether a ratio to the siblings is low, and surely below 1."""
    return ratio is not None and u_ratio is not None and ratio < WEAK_RATIO and ratio + SIGNIFICANT * u_ratio < 1.0


def _ohmic_high(figures: GroupFigures) -> bool:
    """Whether the ohmic part stands out from the siblings'."""
    ohmic, u_ohmic, siblings = figures.ohmic_ohm, figures.u_ohmic_ohm, figures.siblings_ohmic_ohm
    return None not in (ohmic, u_ohmic, siblings) and ohmic > RESISTANCE_RATIO * siblings and ohmic - siblings > SIGNIFICANT * u_ohmic


def _weak_words(ratio: float, u_ratio: float) -> str:
    if ratio + SIGNIFICANT * u_ratio < REPLACE_RATIO:
        return f"weak cells, replace the group. {LIVE}"
    if ratio < DEFECT_RATIO:
        return "weak cells. It will end every ride first; whether it must be replaced, the criteria decide."
    return "a little low, as cells of one delivery may be. It ends every ride first; watch it at the next test."


def _voltage_findings(
    figures: GroupFigures, damage_v: float | None, overcharge_v: float | None, expanded_v: float
) -> list[Finding]:
    """Under- and over-voltage of one group; only a possibility where the meter's own error could account for it."""
    g, low, high = figures.group, figures.min_voltage_v, figures.max_voltage_v
    out = []
    if damage_v is not None and low is not None and low < damage_v:
        sure = low + expanded_v < damage_v
        out.append(
            Finding(
                "group_undervoltage", "danger",
                f"Group {g} was {'driven' if sure else 'perhaps driven'} down to {low:.3f} ± {expanded_v:.3f} V, below the "
                f"{damage_v:.2f} V at which cells take damage: do not charge it unattended, have it examined.",
                f"lowest reading {low:.3f} ± {expanded_v:.3f} V (k = 2)", group=g, beyond_v=damage_v - low,
            )
        )
    if overcharge_v is not None and high is not None and high > overcharge_v:
        sure = high - expanded_v > overcharge_v
        out.append(
            Finding(
                "group_overvoltage", "danger",
                f"Group {g} was {'charged' if sure else 'perhaps charged'} to {high:.3f} ± {expanded_v:.3f} V, above {overcharge_v:.2f} V: "
                "stop charging this pack, fire hazard.",
                f"highest reading {high:.3f} ± {expanded_v:.3f} V (k = 2)", group=g, beyond_v=high - overcharge_v,
            )
        )
    return out


def joint_or_cells(excess_ratio: float, later: float, u_later: float, later_usual: float, strict: bool) -> str:
    """"joint", "cells" or "" (open): where a group's high resistance sits.

    Cells that are aged or missing raise the part at once and what builds up afterwards in the same proportion; a joint
    raises only the part at once. What builds up must lie on its side of the middle between the two by its standard
    uncertainty (twice that if ``strict``).

    Parameters
    ----------
    excess_ratio : float
        Ohmic (or first) resistance over that of the siblings.
    later, u_later, later_usual : float
        What builds up afterwards in this group, its standard uncertainty, and in the siblings. [ohm]
    """
    middle = later_usual * (1.0 + 0.5 * (excess_ratio - 1.0))
    margin = u_later * (2.0 if strict else 1.0)
    if later + margin < middle:
        return "joint"
    return "cells" if later - u_later > middle else ""


def _resistance_findings(figures: GroupFigures, weak: bool) -> list[Finding]:
    r10, u10, siblings = figures.resistance_10s_ohm, figures.u_resistance_10s_ohm, figures.siblings_10s_ohm
    ohmic, u_ohmic, siblings_ohmic = figures.ohmic_ohm, figures.u_ohmic_ohm, figures.siblings_ohmic_ohm
    g = figures.group
    ohmic_known = None not in (ohmic, u_ohmic, siblings_ohmic)
    r10_known = None not in (r10, u10, siblings)
    ohmic_high = _ohmic_high(figures)
    r10_high = r10_known and r10 > RESISTANCE_RATIO * siblings and r10 - siblings > SIGNIFICANT * u10
    if not (ohmic_high or r10_high):
        return []
    where, shown = "", ""
    if ohmic_known and r10_known and siblings_ohmic > 0:
        later, usual, u_later = r10 - ohmic, siblings - siblings_ohmic, (u10**2 + u_ohmic**2) ** 0.5
        where = joint_or_cells(ohmic / siblings_ohmic, later, u_later, usual, weak)
        at_once = ohmic - siblings_ohmic
        shown = f"ohmic {1e3 * ohmic:.2f} mΩ against {1e3 * siblings_ohmic:.2f} mΩ; polarisation to 10 s {1e3 * later:.2f} mΩ against {1e3 * usual:.2f} mΩ"
    elif r10_known and None not in (figures.growth_ohm, figures.u_growth_ohm, figures.siblings_growth_ohm):
        later, usual = figures.growth_ohm, figures.siblings_growth_ohm
        where = joint_or_cells(r10 / siblings, later, figures.u_growth_ohm, usual, weak)
        at_once = r10 - siblings
        shown = f"after 10 s {1e3 * r10:.2f} mΩ against {1e3 * siblings:.2f} mΩ; from 10 s to 30 s {1e3 * later:.2f} mΩ more against {1e3 * usual:.2f} mΩ"
    if where == "joint":
        return [
            Finding(
                "high_joint_resistance", "defect",
                f"Group {g} has {1e3 * at_once:.1f} mΩ too much at once, while what builds up afterwards is normal: look at "
                f"welds, strips and tap joints before blaming cells. {LIVE}",
                shown, group=g,
            )
        ]
    if where == "cells":
        tail = " The part at once and what builds up are both high: aged or fewer cells rather than a joint."
    else:
        tail = " Cells or a joint: this log cannot tell them apart; a load step from rest logged ten times a second would."
    value, usual = (r10, siblings) if r10_high else (ohmic, siblings_ohmic)
    return [
        Finding(
            "high_resistance", "defect" if value > 1.5 * usual else "caution",
            f"Group {g} has {value / usual:.2f} times the resistance of its siblings." + tail,
            shown or f"{1e3 * value:.2f} mΩ against {1e3 * usual:.2f} mΩ", group=g,
        )
    ]


def without_lesser(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """Findings without those that another says worse of the same group: a reversed group was driven too low, of course."""
    reversed_groups = {finding.group for finding in found if finding.code == "group_reversed"}
    return tuple(finding for finding in found if not (finding.code == "group_undervoltage" and finding.group in reversed_groups))


def missing_findings(rows: int, current: Missing | None, voltage: Missing | None) -> list[Finding]:
    """Readings of current and voltage that a log of ``rows`` rows lacks, with what was made of them."""
    out = []
    if current:
        parts = [
            (current.short_s, "bridged by straight lines, which the uncertainty counts"), (current.long_s, "too long for that, which count as gaps"),
            (current.ends_s, "at the start or end of the log"),
        ]
        out.append(
            Finding(
                "current_missing", "caution" if current.long_s or current.ends_s else "info",
                f"{current.rows} rows hold no current: " + "; ".join(f"{span:.0f} s {what}" for span, what in parts if span)
                + ". Where the meter was over range, the current was larger than its neighbours.", f"{current.rows} rows of {rows}",
            )
        )
    if voltage and (voltage.long_s or voltage.ends_s):
        out.append(
            Finding(
                "voltage_missing", "caution",
                f"{voltage.rows} rows hold no voltage, {voltage.long_s + voltage.ends_s:.0f} s of them at a stretch: energy and cut-off are the less certain.",
                f"{voltage.rows} rows of {rows}",
            )
        )
    return out


def doubt_findings(zero_doubt_a: float, clock_in_doubt: bool, step: int) -> list[Finding]:
    """A load that may be the ammeter's zero, and a clock that jitters, in the discharge of that step."""
    out = []
    if zero_doubt_a:
        out.append(
            Finding(
                "zero_in_doubt", "caution",
                f"The current never rests at zero but at {1e3 * zero_doubt_a:.0f} mA, before and after the load alike: it was counted as current and may be "
                "the zero of the ammeter. Null it with nothing connected, or log a rest with the leads off.",
                f"steady {zero_doubt_a:.3f} A in several steps, no rest", step=step,
            )
        )
    if clock_in_doubt:
        out.append(
            Finding(
                "clock_in_doubt", "caution",
                "The clock of the log runs back time and again during the discharge: the time between rows, and the charge with it, is uncertain by more than is "
                "stated.", "see the notes on the clock", step=step,
            )
        )
    return out


def order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Most severe first, else as found; dangers of one code with the voltage that lies farthest beyond its limit first."""
    first = {finding.code: place for place, finding in reversed(list(enumerate(findings)))}
    return tuple(sorted(
        findings, key=lambda f: (-SEVERITIES.index(f.severity), first[f.code] if f.severity == "danger" else 0, -f.beyond_v),
    ))


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.095 else f"{100.0 * share:.1f} %"
