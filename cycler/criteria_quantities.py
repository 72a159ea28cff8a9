"""The quantities a criterion may be set on, and how each is taken from an analysis.

A quantity that belongs to groups gives one candidate per group (:mod:`cycler.criteria_groups`), one that is told against the same pack before
takes its analysis too (:mod:`cycler.criteria_before`).
"""

from __future__ import annotations

from cycler.criteria_before import has_before, take_capacity_to_before, take_resistance_to_before
from cycler.criteria_groups import (
    HOURS_PER_MONTH,
    NO_SPLIT,
    NO_STEP,
    group_figure,
    group_share,
    groups_not_logged,
    groups_text,
    leak_limit_ma,
    no_leak,
    take_group_capacity_ratio,
    take_group_capacity_share,
    take_group_capacity_spread,
    take_group_ratio,
    take_group_voltage,
    take_leak,
    take_spread,
    take_start_deficit,
)
from cycler.criteria_pack import (
    ABOVE_RATING_DOUBTED,
    ABOVE_RATING_REMARK,
    capacity_figure,
    plain_figure,
    take_capacity_valid,
    take_energy_share,
)
from cycler.taken import (
    Analysis,
    Quantity,
    Taken,
    median_with_u,
    number,
    part,
    ratio_to_siblings,
    reason_words,
)

__all__ = [
    "ABOVE_RATING_DOUBTED", "ABOVE_RATING_REMARK", "HOURS_PER_MONTH", "QUANTITIES", "Analysis", "Quantity", "Taken", "groups_not_logged",
    "groups_text", "has_before", "leak_limit_ma", "median_with_u", "number", "part", "ratio_to_siblings", "reason_words",
]

_NO_EFFICIENCY = "no charge and discharge between the same end states were logged"

_ALL = (
    Quantity(
        "state_of_health", "share", "State of health",
        capacity_figure("state_of_health", "u_state_of_health"), "capacity", (0.0, 1.5), budget="capacity", side="at_least",
    ),
    Quantity(
        "capacity_ah", "Ah", "Capacity", capacity_figure("value_ah", "u_value_ah"), "capacity", (0.0, 2000.0),
        budget="capacity",
    ),
    Quantity(
        "energy_wh", "Wh", "Energy", capacity_figure("energy_wh", "u_energy_wh"), "capacity", (0.0, 200000.0)
    ),
    Quantity("energy_share", "share", "Energy over rated energy", take_energy_share, "capacity", (0.0, 1.5), side="at_least"),
    Quantity(
        "capacity_valid", "", "Capacity validly measured", take_capacity_valid, "capacity", (0.0, 1.0), null_is_not_measured=False,
        yes_or_no="The capacity was measured from full to the cut-off by a valid test.", side="at_least",
    ),
    Quantity(
        "capacity_to_before", "share", "Capacity over that before", take_capacity_to_before, "before", (0.0, 10.0), null_is_not_measured=False,
        needs_before=True, side="at_least",
    ),
    Quantity(
        "resistance_10s_to_before", "", "10 s resistance over that before", take_resistance_to_before, "before", (0.0, 20.0),
        null_is_not_measured=False, needs_before=True, side="at_most",
    ),
    Quantity(
        "group_capacity_share_worst", "share", "Weakest group, capacity over rating", take_group_capacity_share, "capacity", (0.0, 1.5), worst="min", side="at_least",
    ),
    Quantity(
        "group_capacity_spread", "share", "Spread of the groups' capacities", take_group_capacity_spread, "capacity", (0.0, 1.0),
        needs_siblings=True, side="at_most",
    ),
    Quantity(
        "group_capacity_ratio_worst", "share", "Weakest group, capacity over siblings",
        take_group_capacity_ratio, "capacity", (0.0, 1.5), worst="min", needs_siblings=True, side="at_least",
    ),
    Quantity(
        "group_sag_end_v", "V", "Worst group, sag behind siblings at end",
        group_figure("sag_end_v", "the log holds no end of a discharge", "capacity"), "capacity", (0.0, 5.0),
        worst="max", needs_siblings=True, side="at_most",
    ),
    Quantity(
        "group_resistance_ratio_worst", "", "Worst group, 10 s resistance over siblings",
        take_group_ratio("resistance_10s_ohm", "u_resistance_10s_ohm", NO_STEP, "load_step"), "load_step",
        (0.0, 20.0), worst="max", needs_siblings=True, side="at_most",
    ),
    Quantity(
        "group_ohmic_ratio_worst", "", "Worst group, ohmic part over siblings",
        take_group_ratio("ohmic_ohm", "u_ohmic_ohm", NO_SPLIT, "sampling"), "sampling", (0.0, 20.0),
        worst="max", needs_siblings=True, null_is_not_measured=False, side="at_most",
    ),
    Quantity(
        "group_resistance_10s_worst_ohm", "ohm", "Worst group, 10 s resistance", group_figure("resistance_10s_ohm", NO_STEP, "load_step"),
        "load_step", (0.0, 10.0), worst="max", side="at_most",
    ),
    Quantity(
        "group_ohmic_worst_ohm", "ohm", "Worst group, ohmic part", group_figure("ohmic_ohm", NO_SPLIT, "sampling"), "sampling", (0.0, 10.0),
        worst="max", null_is_not_measured=False, side="at_most",
    ),
    Quantity(
        "group_lowest_v", "V", "Lowest voltage of a group in the log", take_group_voltage("min_voltage_v"), "taps", (0.0, 10.0), worst="min", side="at_least",
    ),
    Quantity(
        "group_highest_v", "V", "Highest voltage of a group in the log", take_group_voltage("max_voltage_v"), "taps", (0.0, 10.0), worst="max", side="at_most",
    ),
    Quantity(
        "resistance_10s_ohm", "ohm", "10 s resistance of the pack",
        plain_figure(("resistance", "headline", "ohm_10s"), ("resistance", "headline", "u_ohm_10s"), NO_STEP, "load_step"),
        "load_step", (0.0, 100.0), budget="resistance", side="at_most",
    ),
    Quantity(
        "ohmic_ohm", "ohm", "Ohmic resistance of the pack",
        plain_figure(("resistance", "headline", "ohmic_ohm"), ("resistance", "headline", "u_ohmic_ohm"), NO_SPLIT, "sampling"),
        "sampling", (0.0, 100.0), null_is_not_measured=False, side="at_most",
    ),
    Quantity(
        "spread_rest_v", "V", "Spread of groups at rest", take_spread("rest", "at rest", "rest"), "rest",
        (0.0, 5.0), needs_siblings=True, side="at_most",
    ),
    Quantity(
        "spread_full_v", "V", "Spread of groups at full charge",
        take_spread("full", "at the end of charge", "full_charge"), "full_charge", (0.0, 5.0), needs_siblings=True, side="at_most",
    ),
    Quantity(
        "spread_load_v", "V", "Spread of groups under load", take_spread("load", "under load", "load_step"),
        "load_step", (0.0, 5.0), needs_siblings=True, side="at_most",
    ),
    Quantity(
        "spread_end_v", "V", "Spread of groups at end of discharge",
        take_spread("end", "at the end of the discharge", "capacity"), "capacity", (0.0, 5.0), needs_siblings=True, side="at_most",
    ),
    Quantity(
        "start_deficit_share_worst", "share", "Group short of full at start",
        take_start_deficit, "full_charge", (0.0, 1.0), worst="max", needs_siblings=True, side="at_most",
    ),
    Quantity(
        "self_discharge_worst_ma", "mA", "Worst group, self-discharge",
        take_leak, "long_rest", (0.0, 10000.0), worst="max", side="at_most",
    ),
    Quantity(
        "self_discharge_share_worst", "share", "Worst group, self-discharge in 30 days",
        group_share("self_discharge_ma", "u_self_discharge_ma", HOURS_PER_MONTH / 1000.0, no_leak, "long_rest"),
        "long_rest", (0.0, 1.0), worst="max", side="at_most",
    ),
    Quantity(
        "coulombic_efficiency", "share", "Coulombic efficiency",
        plain_figure(("efficiency", "coulombic"), ("efficiency", "u_coulombic"), _NO_EFFICIENCY, "cycle"), "cycle",
        (0.0, 1.5), side="at_least",
    ),
    Quantity(
        "energy_efficiency", "share", "Energy efficiency",
        plain_figure(("efficiency", "energy"), ("efficiency", "u_energy"), _NO_EFFICIENCY, "cycle"), "cycle", (0.0, 1.5), side="at_least",
    ),
    Quantity(
        "temperature_max_c", "degC", "Highest temperature",
        plain_figure(("thermal", "max_c"), ("thermal", "u_max_c"), "no temperature was logged", "temperature"),
        "temperature", (-50.0, 150.0), side="at_most",
    ),
    Quantity(
        "temperature_rise_k", "K", "Temperature rise",
        plain_figure(("thermal", "rise_c"), ("thermal", "u_rise_c"), "no temperature rise could be taken from the log", "temperature"),
        "temperature", (0.0, 120.0), side="at_most",
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.id: quantity for quantity in _ALL}
"""Every quantity a criterion may name, by id."""
