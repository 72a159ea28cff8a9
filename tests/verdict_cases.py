"""The invented example pack judged by sets of one criterion, for the tests of verdicts."""

from __future__ import annotations

from cycler.criteria import criteria_from_dict, load_criteria
from cycler.criteria_quantities import QUANTITIES
from cycler.verdict import decide
from tests.analysis_example import example_analysis

OWNER, RESALE = load_criteria("return-to-owner"), load_criteria("resale")
CUT_SHORT = {"capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["discharge_incomplete"]}


def one_limit(quantity="state_of_health", limit=0.7, direction="at_least", **rule):
    """A set of one criterion; ``rule`` holds keys of the set and of the criterion."""
    keys = ("decision", "guard_multiple", "max_false_accept")
    row = {k: v for k, v in rule.items() if k not in keys}
    head = {k: v for k, v in rule.items() if k in keys}
    unit = QUANTITIES[quantity].unit_word
    return criteria_from_dict(
        {**head, "criterion": [dict(id="x", quantity=quantity, limit=limit, unit=unit, direction=direction, why="test", **row)]}
    )


def first_row(changes, criteria):
    """The first row of the verdict on the example with ``changes``."""
    return decide(example_analysis(changes), criteria)["criteria"][0]


def soh(value, u, **more):
    """Changes that give the example a state of health."""
    return {"capacity.state_of_health": value, "capacity.u_state_of_health": u, **more}


def to_settle(changes, criteria=OWNER):
    """What would settle the verdict on the example with ``changes``."""
    return decide(example_analysis(changes), criteria)["to_settle"]
