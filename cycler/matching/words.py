"""What a matching came to, in sentences that the command and the pages share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cycler.quantities import COVERAGE_FACTOR, figure_text, significant_text

REASON_WORDS = {
    "remark": "the remark names damage", "low_capacity": "too little capacity", "high_resistance": "too much resistance", "self_discharge": "falls too fast at rest",
    "self_discharge_not_shown": "whether it falls too fast is not shown", "one_voltage": "one rest voltage only", "no_days": "days between the voltages not known",
    "rests_too_close": "rests too close together", "flat_curve": "voltage on the flat part of the curve", "voltage_rose": "voltage rose", "no_capacity": "capacity not measured",
    "no_rated_capacity": "no rated capacity", "no_resistance": "resistance not measured", "no_rest_voltage": "no rest voltage", "deep_discharged": "was discharged too deep",
    "low_voltage": "rested low", "reversed": "reversed", "dead": "no voltage", "over_full": "charged too far",
}
"""Codes of reasons in words."""

GRADE_WORDS = {"first": "first grade", "second": "second grade", "not_proven": "not proven", "rejected": "rejected"}


def percent(share: float) -> str:
    """A share as percent with two significant digits, three from 1 % on."""
    return f"{significant_text(100.0 * share, 3 if share >= 0.01 else 2)} %"


def summary(result: Mapping[str, Any]) -> list[str]:
    """Sentences on capacity, bound, gap, resistances and what is gained over cells taken at random."""
    goal, lot, packs = result["objective"], result["random"], len(result["packs"])
    many = packs > 1
    ah = _ah(goal["resolution"])
    holds = f"The weakest groups of the {packs} packs hold {ah(goal['value'])} together" if many else f"The weakest group holds {ah(goal['value'])}"
    said = [f"{holds}. No arrangement of these cells can hold more than {ah(goal['bound'])} (bound): the gap is {ah(goal['gap'])}, {percent(goal['gap_share'])}."]
    if goal["gap"] < 1e-9:
        said.append("The bound is reached: this is the best there can be.")
    elif goal["proven_optimal"]:
        said.append("Nothing better exists: proven by the solver.")
    elif goal["best_found_is_proven"]:
        said.append(f"Without regard to resistances {ah(goal['best_found'])} is the best there can be: proven.")
    else:
        said.append("Whether something better lies in the gap is not proven.")
    gave = f" {ah(goal['given_up'])} were given up for that (at most {percent(goal['may_give_up_share'])} may be)." if goal["given_up"] > 1e-9 else ""
    said.append(
        f"Group resistances within a pack lie {percent(goal['resistance_unlike_share'])} apart on average; at random it would be {percent(lot['resistance_unlike_share'])}.{gave}"
    )
    scatter = COVERAGE_FACTOR * lot["sd"]
    if lot["bound_reached"]:
        said.append(f"Cells taken at random ({lot['draws']} draws) fall {ah(lot['shortfall'])} short of the bound, with a scatter of ± {ah(scatter)}; here nothing is left.")
    elif lot["factor"] is not None:
        factor = figure_text(lot["factor"], lot["sd_factor"], "")
        said.append(f"Cells taken at random ({lot['draws']} draws) fall {ah(lot['shortfall'])} short of the bound: {factor} times as far as these (± scatter of the draws, k = 2).")
    gain = figure_text(lot["gain_ah_per_pack"], lot["sd_gain_ah_per_pack"], "Ah")
    said.append(
        f"Gain over random: {gain} per pack, {percent(lot['gain_share'])}"
        + (f"; of the same cells put together at random the weakest groups would hold {ah(lot['mean_same_cells'])}." if result["cells"]["left_over"] else ".")
    )
    own = goal["u_group_own_ah"]
    if own and COVERAGE_FACTOR * own * packs > goal["gap"]:
        said.append(
            f"The readings are not that fine: each cell's own error of measurement leaves a group uncertain by ± {ah(COVERAGE_FACTOR * own)} against its siblings (k = 2). "
            "Closing the gap further would match the errors, not the cells."
        )
    return said


def _ah(resolution: float | None):
    """Capacities with the decimals of the list, three at least."""
    places = 3
    while resolution and places < 6 and round(resolution * 10**places) < 1:
        places += 1
    return lambda value: f"{value:.{places}f} Ah"
