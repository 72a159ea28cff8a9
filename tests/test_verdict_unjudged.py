"""Defects that no criterion measures: they hold a pass back, and are told first among what would settle it."""

from __future__ import annotations

import pytest

from cycler.criteria import load_criteria, shipped_sets
from cycler.criteria_quantities import QUANTITIES
from cycler.verdict import JUDGED_BY, NO_CRITERION, UNJUDGED_DEFECTS, decide
from tests.analysis_example import example_analysis
from tests.verdict_cases import OWNER, one_limit, soh

CODES = ("temperature_out_of_range", "joint_outside_taps", "group_reading_dead")


def verdict(code, severity="defect", changes=None):
    finding = {"code": code, "severity": severity, "group": None, "step": None, "message": "Something is wrong here.", "evidence": ""}
    return decide(example_analysis({**(changes or {}), "findings": [finding]}), OWNER)


def test_example_without_a_defect_passes():
    assert decide(example_analysis({"findings": []}), OWNER)["result"] == "pass"
    assert set(UNJUDGED_DEFECTS) == set(CODES)


@pytest.mark.parametrize("code", CODES)
def test_pass_with_an_unjudged_defect_is_not_proven_and_says_first_what_to_do(code):
    found = verdict(code)
    assert found["result"] == "not_proven"
    assert found["to_settle"][0] == UNJUDGED_DEFECTS[code]
    assert found["summary"] == "Not proven: the criteria are met, but there is a defect that none of them judges: Something is wrong here."
    assert all(row["result"] == "pass" for row in found["criteria"] if row["required"])


@pytest.mark.parametrize("severity", ["info", "caution"])
@pytest.mark.parametrize("code", CODES)
def test_pass_stays_a_pass_where_it_is_no_defect(code, severity):
    found = verdict(code, severity)
    assert found["result"] == "pass" and UNJUDGED_DEFECTS[code] not in found["to_settle"]


@pytest.mark.parametrize("code", JUDGED_BY)
def test_defect_that_a_criterion_judges_is_left_to_it(code):
    assert verdict(code)["result"] == "pass"


@pytest.mark.parametrize("code", [*JUDGED_BY, "something_new"])
def test_defect_holds_a_pass_back_where_the_set_has_no_criterion_for_it(code):
    finding = {"code": code, "severity": "defect", "group": 7, "step": None, "message": "Group 7 is bad."}
    found = decide(example_analysis({"findings": [finding]}), one_limit("temperature_rise_k", 40.0, "at_most"))
    assert (found["result"], found["held_by"], found["to_settle"][0]) == ("not_proven", [code], NO_CRITERION)


def test_every_shipped_set_judges_every_defect_of_the_table():
    """So that a set of the program fails such a pack with a figure, and does not only hold it back."""
    for name in shipped_sets():
        quantities = {item.quantity for item in load_criteria(name).criteria}
        assert all(quantities.intersection(judged) for judged in JUDGED_BY.values()), name


def test_quantities_that_judge_defects_are_known():
    assert {name for names in JUDGED_BY.values() for name in names} <= set(QUANTITIES)


@pytest.mark.parametrize("code", CODES)
def test_fail_stays_a_fail_with_its_own_summary(code):
    found = verdict(code, changes=soh(0.5, 0.001))
    assert found["result"] == "fail" and found["summary"].startswith("Fail on 1 of ")
    assert found["to_settle"][0] == UNJUDGED_DEFECTS[code]


def test_veto_goes_before_an_unjudged_defect():
    found = decide(example_analysis({"findings": [
        {"code": code, "severity": severity, "group": 2, "step": None, "message": "Wrong.", "evidence": ""}
        for code, severity in (("joint_outside_taps", "defect"), ("group_undervoltage", "danger"))
    ]}), OWNER)
    assert found["result"] == "fail" and UNJUDGED_DEFECTS["joint_outside_taps"] not in found["to_settle"]
