"""Figures to coded findings: what is wrong, with the evidence, in one sentence a repairer can act on.

Every threshold here is common practice without a source unless the comment says otherwise; a criteria file decides about
pass or fail, findings only draw attention.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

WEAK_RATIO = 0.95
OUT_OF_BALANCE_SHARE = 0.03
RESISTANCE_RATIO = 1.30
POLARIZATION_RATIO = 1.25
LOW_CAPACITY_SHARE = 0.80  # traction convention, about 80 % of rated; figures in use range from 60 to 80 %
SELF_DISCHARGE_SHARE_PER_MONTH = 0.05
REST_BEFORE_LOAD_MIN_S = 600.0
TEST_TEMPERATURE_C = (15.0, 30.0)
CHARGE_TEMPERATURE_C = (0.0, 45.0)  # cell makers' data sheets
DANGER_TEMPERATURE_C = 60.0
COUNTER_SHARE = 0.02
EFFICIENCY_MIN = 0.98
SIGNIFICANT = 2.0

SEVERITIES = ("info", "caution", "defect", "danger")


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. ``group`` and ``step`` are numbers as in the analysis, or None."""

    code: str
    severity: str
    message: str
    evidence: str = ""
    group: int | None = None
    step: int | None = None

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
    capacity_ah: float | None
    start_deficit_ah: float | None
    u_start_deficit_ah: float | None
    resistance_10s_ohm: float | None
    u_resistance_10s_ohm: float | None
    siblings_10s_ohm: float | None
    ohmic_ohm: float | None
    u_ohmic_ohm: float | None
    siblings_ohmic_ohm: float | None
    self_discharge_ma: float | None
    u_self_discharge_ma: float | None
    min_voltage_v: float | None
    max_voltage_v: float | None


def diagnose_group(
    figures: GroupFigures, typical_capacity_ah: float | None, damage_v: float | None, overcharge_v: float | None,
    rated_capacity_ah: float | None = None,
) -> tuple[Finding, ...]:
    """Findings on one group; causes that look alike are told apart by the figures they leave alone.

    Low capacity: capacity ratio below ``WEAK_RATIO`` by more than its expanded uncertainty. Out of balance: lagged at the start
    while its capacity is sound. Bad joint: resistance high at once, polarisation as the siblings'. Otherwise high
    resistance. Leaking: drifts away from its siblings at rest.
    """
    out: list[Finding] = []
    g = figures.group
    weak = (
        figures.capacity_ratio is not None
        and figures.u_capacity_ratio is not None
        and figures.capacity_ratio < WEAK_RATIO
        and figures.capacity_ratio + SIGNIFICANT * figures.u_capacity_ratio < 1.0
    )
    if weak:
        out.append(
            Finding(
                "weak_group", "defect",
                f"Group {g} holds {_percent(figures.capacity_ratio)} of what its siblings hold: weak cells, replace the group.",
                (f"capacity {figures.capacity_ah:.3g} Ah, " if figures.capacity_ah is not None else "")
                + f"ratio {figures.capacity_ratio:.3f} ± "
                f"{SIGNIFICANT * figures.u_capacity_ratio:.3f} (k = 2)",
                group=g,
            )
        )
    deficit, u_deficit = figures.start_deficit_ah, figures.u_start_deficit_ah
    if deficit is not None and u_deficit is not None and typical_capacity_ah:
        share = deficit / typical_capacity_ah
        if share > OUT_OF_BALANCE_SHARE and deficit > SIGNIFICANT * u_deficit:
            out.append(
                Finding(
                    "group_out_of_balance", "caution",
                    f"Group {g} stood {deficit:.2f} Ah below its siblings when the discharge began: balance it"
                    + (" before judging it." if weak else ", its capacity gives no reason to replace it."),
                    f"start deficit {deficit:.3f} ± {SIGNIFICANT * u_deficit:.3f} Ah (k = 2), {_percent(share)} of a group",
                    group=g,
                )
            )
    out.extend(_resistance_findings(figures))
    leak, u_leak = figures.self_discharge_ma, figures.u_self_discharge_ma
    leak_base_ah = rated_capacity_ah or typical_capacity_ah
    if leak is not None and u_leak is not None and leak_base_ah:
        share_per_month = leak / 1000.0 * 24 * 30 / leak_base_ah
        if share_per_month > SELF_DISCHARGE_SHARE_PER_MONTH and leak > SIGNIFICANT * u_leak:
            out.append(
                Finding(
                    "self_discharge", "defect",
                    f"Group {g} loses {leak:.2g} mA more than its siblings at rest, {_percent(share_per_month)} of the rated capacity in "
                    "30 days: look for a leaking cell, moisture or a board that draws from this group.",
                    f"{leak:.3g} ± {SIGNIFICANT * u_leak:.2g} mA (k = 2)",
                    group=g,
                )
            )
    if damage_v is not None and figures.min_voltage_v is not None and figures.min_voltage_v < damage_v:
        out.append(
            Finding(
                "group_undervoltage", "danger",
                f"Group {g} was driven down to {figures.min_voltage_v:.3f} V, below the {damage_v:.2f} V at which cells take damage: "
                "do not charge it unattended, have it examined.",
                f"lowest reading {figures.min_voltage_v:.3f} V", group=g,
            )
        )
    if overcharge_v is not None and figures.max_voltage_v is not None and figures.max_voltage_v > overcharge_v:
        out.append(
            Finding(
                "group_overvoltage", "danger",
                f"Group {g} was charged to {figures.max_voltage_v:.3f} V, above {overcharge_v:.2f} V: stop charging this pack, fire hazard.",
                f"highest reading {figures.max_voltage_v:.3f} V", group=g,
            )
        )
    return tuple(out)


def _resistance_findings(figures: GroupFigures) -> list[Finding]:
    r10, u10, siblings = figures.resistance_10s_ohm, figures.u_resistance_10s_ohm, figures.siblings_10s_ohm
    ohmic, u_ohmic, siblings_ohmic = figures.ohmic_ohm, figures.u_ohmic_ohm, figures.siblings_ohmic_ohm
    g = figures.group
    ohmic_known = None not in (ohmic, u_ohmic, siblings_ohmic)
    ohmic_high = (
        ohmic_known
        and ohmic > RESISTANCE_RATIO * siblings_ohmic
        and ohmic - siblings_ohmic > SIGNIFICANT * u_ohmic
    )
    r10_high = (
        None not in (r10, u10, siblings) and r10 > RESISTANCE_RATIO * siblings and r10 - siblings > SIGNIFICANT * u10
    )
    if not (ohmic_high or r10_high):
        return []
    if ohmic_high and None not in (r10, siblings):
        polarization, usual = r10 - ohmic, siblings - siblings_ohmic
        u_polarization = SIGNIFICANT * ((u10 or 0.0) ** 2 + u_ohmic**2) ** 0.5
        if polarization <= POLARIZATION_RATIO * usual + u_polarization and (ohmic - siblings_ohmic) >= 0.6 * (r10 - siblings):
            return [
                Finding(
                    "high_joint_resistance", "defect",
                    f"Group {g} has {1e3 * (ohmic - siblings_ohmic):.1f} mΩ too much at once, while what builds up afterwards is "
                    "normal: look at welds, strips and tap joints before blaming cells.",
                    f"ohmic {1e3 * ohmic:.2f} mΩ against {1e3 * siblings_ohmic:.2f} mΩ; polarisation to 10 s {1e3 * polarization:.2f} mΩ "
                    f"against {1e3 * usual:.2f} mΩ",
                    group=g,
                )
            ]
    if not ohmic_known:
        tail = " Ohmic part unknown (sampling too slow): cells or a joint, a log at 1 s or faster would tell."
    else:
        tail = " Both the part at once and what builds up are high: aged or fewer cells rather than a joint."
    value, usual = (r10, siblings) if r10_high else (ohmic, siblings_ohmic)
    return [
        Finding(
            "high_resistance", "defect" if value > 1.5 * usual else "caution",
            f"Group {g} has {value / usual:.2f} times the resistance of its siblings." + tail,
            f"{1e3 * value:.2f} mΩ against {1e3 * usual:.2f} mΩ", group=g,
        )
    ]


def order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Most severe first, else as found."""
    return tuple(sorted(findings, key=lambda f: -SEVERITIES.index(f.severity)))


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.095 else f"{100.0 * share:.1f} %"
