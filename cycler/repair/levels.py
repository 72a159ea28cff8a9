"""At what voltage a group may still be charged: levels by chemistry, all of them to be set otherwise where the cell maker says so."""

from __future__ import annotations

from dataclasses import dataclass

from cycler.pack import Pack

OK, LOW, PRECHARGE, NO_CHARGE, REVERSED, OVER_FULL, UNKNOWN = "ok", "low", "precharge", "no_charge", "reversed", "over_full", "unknown"
GRAVE = (NO_CHARGE, REVERSED)
"""Levels after which a group is never charged again."""
WEEK_DAYS = 7.0
"""How long below its level does the harm by one source: below 1.5 V a cell for more than a week, discard (a public battery handbook, from
memory); copper grows if a cell is held low for longer than a week (the same, read). [days]"""
PRECHARGE_IT = (0.05, 0.1)
"""Current of a trial charge from below the lower limit (common practice, no source). [It]"""


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of one chemistry. [V]

    Attributes
    ----------
    no_charge_v : float
        Below it a group is not charged again.
    after_days : float
        Days below ``no_charge_v`` from which that holds; 0: at once. Where it is not known how long, it holds.
    never_v : float
        Below it that holds whatever the time.
    """

    no_charge_v: float
    after_days: float = 0.0
    never_v: float = 1.0


# nmc, nca, lco, lmo: below 2.0 V scrapped, below 1.0 V or reversed always (common practice, no source); the week of WEEK_DAYS is not waited for:
# practice does not. lfp: below 2.0 V causes damage (a public table, read), below 1.5 V scrapped; lto: below 1.0 V scrapped (practice). nimh:
# a reversed cell is scrapped (practice), an empty one is not.
LEVELS: dict[str, Levels] = {
    "nmc": Levels(2.0), "nca": Levels(2.0), "lco": Levels(2.0), "lmo": Levels(2.0), "lfp": Levels(1.5), "lto": Levels(1.0), "nimh": Levels(-0.02, never_v=-0.02),
}
"""Levels below which a group is not charged again, by chemistry. Configurable: hand others to :func:`cycler.repair.taps.group_table`."""
NOT_STATED = Levels(1.0)
"""Where the chemistry is not stated: no lithium cell is charged from below 1.0 V (common practice, no source). [V]"""
REVERSED_V = -0.02
"""Below it a group counts as reversed, if its uncertainty does not reach zero. [V]"""


@dataclass(frozen=True, slots=True)
class GroupLimits:
    """What holds for each group of one pack. [V]; None where neither its ratings nor its chemistry tell."""

    full_v: float | None = None
    over_full_v: float | None = None
    empty_v: float | None = None
    damage_v: float | None = None
    levels: Levels | None = None


def group_limits(pack: Pack, levels: dict[str, Levels] | None = None) -> GroupLimits:
    """Limits of a group: the pack's own ratings first, the usual ones of its chemistry else."""
    usual = pack.limits
    full = pack.group_charge_voltage_v or (pack.charge_voltage_v / pack.series if pack.charge_voltage_v and pack.series else None)
    if usual is None:
        return GroupLimits(full_v=full, empty_v=pack.group_cutoff_voltage_v, levels=NOT_STATED)
    full = full or usual.full_v
    return GroupLimits(
        full, full + usual.overcharge_v - usual.full_v, usual.empty_v, usual.damage_v, (levels or LEVELS).get(pack.chemistry or ""),
    )


def level_of(voltage_v: float | None, u_voltage_v: float | None, limits: GroupLimits, days_low: float | None = None) -> str:
    """Level of one rested group.

    Below :attr:`Levels.no_charge_v` the reading must lie above the limit by its expanded uncertainty (k = 2) to count as safe: what may be below is
    treated as below. The other levels go by the reading itself.

    Returns
    -------
    str
        "ok", "low", "precharge", "no_charge", "reversed", "over_full" or "unknown".
    """
    if voltage_v is None:
        return UNKNOWN
    wide = 2.0 * (u_voltage_v or 0.0)
    if voltage_v < REVERSED_V and voltage_v + wide < 0.0:
        return REVERSED
    levels = limits.levels
    if levels is not None:
        below = voltage_v - wide if levels.no_charge_v > 0.0 else voltage_v
        long_enough = days_low is None or days_low >= levels.after_days
        if below < levels.never_v or (below < levels.no_charge_v and long_enough):
            return NO_CHARGE
    if limits.over_full_v is not None and voltage_v > limits.over_full_v:
        return OVER_FULL
    if limits.damage_v is None or limits.empty_v is None:
        return UNKNOWN
    if voltage_v < limits.damage_v:
        return PRECHARGE
    return LOW if voltage_v < limits.empty_v else OK


def full_pack_v(pack: Pack) -> float | None:
    """Voltage of the full pack by its ratings. [V]"""
    if pack.charge_voltage_v:
        return pack.charge_voltage_v
    full = group_limits(pack).full_v
    return pack.series * full if pack.series and full else None
