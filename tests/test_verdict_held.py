"""Vetoes from outside the log, leaks above their limit, what holds a pass back, and simple acceptance said as such."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cycler.criteria import criteria_from_dict, load_criteria, shipped_sets
from cycler.findings import Finding, order
from cycler.verdict import CAPACITY_NOT_VALID, UNJUDGED_DEFECTS, decide, probability_of_all
from tests.analysis_example import example_analysis
from tests.verdict_cases import CUT_SHORT, OWNER, one_limit, soh

DROPPED = {"code": "dropped", "message": "The pack fell from the bench, its case is dented.", "who": "A. Miller", "at": "2026-03-02T09:00:00Z"}
CYCLE = "Charge to 42.0 V until the current falls to 0.52 A, rest 1 h, then discharge to 30.0 V, or until the first group reaches 2.80 V."


def test_open_danger_from_outside_the_log_is_a_veto_with_who_said_so_and_when():
    assert decide(example_analysis(), OWNER)["result"] == "pass"
    verdict = decide(example_analysis(), OWNER, [DROPPED])
    assert (verdict["result"], verdict["vetoes"], verdict["held_by"]) == ("fail", ["dropped"], [])
    assert verdict["summary"] == "Fail, whatever the other figures say: The pack fell from the bench, its case is dented."
    (found,) = verdict["veto_findings"]
    assert (found["who"], found["at"], found["group"]) == ("A. Miller", "2026-03-02T09:00:00Z", None)
    assert verdict["to_settle"][0].startswith("Do not charge or discharge the pack again")


def test_dangers_of_the_log_go_before_those_from_outside():
    finding = {"code": "group_overvoltage", "severity": "danger", "group": 2, "step": 1, "message": "Group 2 reached 4.41 V."}
    verdict = decide(example_analysis({"findings": [finding]}), OWNER, [DROPPED])
    assert verdict["vetoes"] == ["group_overvoltage", "dropped"]


# --- leaks -------------------------------------------------------------------------------------------------

LEAK = {f"groups.{i}.self_discharge_ma": 0.1 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.05 for i in range(10)} | {"groups.5.self_discharge_ma": 8.0}
LEAK_FINDING = {"code": "self_discharge", "severity": "defect", "group": 6, "step": None, "message": "Group 6 loses 8 mA."}


@pytest.mark.parametrize("required", [True, False])
def test_leak_above_its_limit_is_a_veto_even_where_the_set_only_advises(required):
    criteria = [dict(id="soh", quantity="state_of_health", limit=0.7, unit="share", direction="at_least", why="test"),
                dict(id="leak", quantity="self_discharge_worst_ma", limit=1.0, unit="mA", direction="at_most", why="test", required=required)]
    judged_by = criteria_from_dict({"criterion": criteria})
    verdict = decide(example_analysis(LEAK), judged_by)
    assert (verdict["result"], verdict["vetoes"]) == ("fail", ["self_discharge"])
    assert verdict["veto_findings"][0]["message"].startswith("Group 6: 8.00 ± 0.10 mA misses the limit")
    with_finding = decide(example_analysis({**LEAK, "findings": [LEAK_FINDING]}), judged_by)
    assert [item["message"] for item in with_finding["veto_findings"]] == ["Group 6 loses 8 mA."]


def test_leak_that_was_found_is_a_veto_in_a_set_that_names_no_limit():
    assert decide(example_analysis({"findings": [LEAK_FINDING]}), one_limit())["vetoes"] == ["self_discharge"]


def test_leak_that_rules_a_pack_out_is_to_be_mended_and_called_no_danger_finding():
    verdict = decide(example_analysis({"findings": [LEAK_FINDING]}), one_limit())
    assert verdict["to_settle"] == ["Find and mend the leak of group 6 before the pack is tested again; no further measurement outweighs it."]
    verdict = decide(example_analysis({"findings": [LEAK_FINDING]}), one_limit(), [DROPPED])
    assert verdict["to_settle"][0].startswith("Do not charge or discharge the pack again before the danger finding")


def test_leak_within_the_limit_of_the_set_is_none():
    """A set that allows 10 mA judges by its own limit, not by the usual one of the finding."""
    judged_by = one_limit("self_discharge_worst_ma", 10.0, "at_most")
    assert decide(example_analysis({**LEAK, "findings": [LEAK_FINDING]}), judged_by)["result"] == "pass"


def _advised(quantity, limit, unit, **more):
    criteria = [dict(id="soh", quantity="state_of_health", limit=0.7, unit="share", direction="at_least", why="test"),
                dict(id="advised", quantity=quantity, limit=limit, unit=unit, direction="at_most", why="test", required=False, **more)]
    return criteria_from_dict({"criterion": criteria})


@pytest.mark.parametrize(("leak_ma", "result"), [(0.95, "pass"), (1.04, "not_proven"), (1.2, "fail")])
def test_leak_beyond_its_limit_but_inside_the_guard_band_is_no_pass(leak_ma, result):
    """u 0.05 mA, limit 1 mA, w 0.1 mA: 1.04 mA is more likely above the limit than below it."""
    verdict = decide(example_analysis({**LEAK, "groups.5.self_discharge_ma": leak_ma}), _advised("self_discharge_worst_ma", 1.0, "mA"))
    assert verdict["result"] == result
    assert verdict["criteria"][1]["required"] is (result == "not_proven")
    if result == "not_proven":
        assert verdict["criteria"][1]["reason"].endswith("It did not have to be measured, but what was found counts.")
        assert verdict["to_settle"] and not verdict["to_settle"][0].startswith("Advisory")


@pytest.mark.parametrize(("fail_counts", "max_c", "result"), [(True, 60.4, "not_proven"), (True, 59.6, "pass"), (True, 62.0, "fail"), (False, 60.4, "pass"), (False, 62.0, "pass")])
def test_figure_whose_fail_counts_is_no_pass_beyond_its_limit(fail_counts, max_c, result):
    changes = {"thermal.max_c": max_c, "thermal.u_max_c": 0.5}
    assert decide(example_analysis(changes), _advised("temperature_max_c", 60.0, "degC", fail_counts=fail_counts))["result"] == result


# --- what holds a pass back --------------------------------------------------------------------------------


def test_lower_bound_that_meets_the_limit_does_not_pass_the_pack():
    verdict = decide(example_analysis(soh(0.75, 0.004, **CUT_SHORT)), one_limit())
    assert verdict["criteria"][0]["result"] == "pass"
    assert (verdict["result"], verdict["held_by"]) == ("not_proven", [CAPACITY_NOT_VALID])
    assert verdict["summary"] == "Not proven: the criteria are met, but the capacity was not validly measured: the discharge ended before the cut-off."
    assert verdict["to_settle"] == [CYCLE]


def test_set_that_names_no_capacity_does_not_pass_a_pack_without_one():
    judged_by = one_limit("resistance_10s_ohm", 0.3, "at_most")
    assert decide(example_analysis(), judged_by)["result"] == "pass"
    for changes in ({"capacity": None}, {"capacity.valid": False, "capacity.reasons": ["start_unknown"]}, soh(1.3, 0.01)):
        verdict = decide(example_analysis(changes), judged_by)
        assert (verdict["result"], verdict["held_by"]) == ("not_proven", [CAPACITY_NOT_VALID])
        assert verdict["to_settle"]


def test_lower_bound_below_the_limit_is_told_once():
    verdict = decide(example_analysis(soh(0.5, 0.004, **CUT_SHORT)), one_limit())
    assert verdict["to_settle"] == [CYCLE] and verdict["summary"].startswith("Not proven on 1 of 1")


@pytest.mark.parametrize("code", UNJUDGED_DEFECTS)
def test_defect_that_no_criterion_judges_is_listed_after_the_capacity(code):
    finding = {"code": code, "severity": "defect", "group": None, "step": None, "message": "Something is wrong.", "evidence": ""}
    assert decide(example_analysis({"findings": [finding, finding]}), OWNER)["held_by"] == [code]
    verdict = decide(example_analysis({"findings": [finding], **soh(0.75, 0.004, **CUT_SHORT)}), one_limit())
    assert verdict["held_by"] == [CAPACITY_NOT_VALID, code]
    assert verdict["summary"].endswith("the discharge ended before the cut-off; and there is a defect that none of them judges: Something is wrong.")
    assert verdict["to_settle"] == [UNJUDGED_DEFECTS[code], CYCLE]


def test_failed_pack_is_held_by_nothing():
    assert decide(example_analysis(soh(0.5, 0.001)), OWNER)["held_by"] == []


# --- validity as a criterion of its own --------------------------------------------------------------------


def test_validity_of_the_test_can_be_asked_for_by_name():
    judged_by = one_limit("capacity_valid", 1.0)
    row = decide(example_analysis(), judged_by)["criteria"][0]
    assert (row["result"], row["value"], row["reason"]) == ("pass", 1.0, "The capacity was measured from full to the cut-off by a valid test.")
    verdict = decide(example_analysis(CUT_SHORT), judged_by)
    assert verdict["criteria"][0]["reason"] == "Not known: the discharge ended before the cut-off."
    assert (verdict["result"], verdict["to_settle"]) == ("not_proven", [CYCLE])


# --- laws --------------------------------------------------------------------------------------------------


def _with_holes(value, draw):
    """A copy of an analysis with some of its values unknown, doubled or zero."""
    if isinstance(value, dict):
        return {key: _with_holes(item, draw) if draw.random() > 0.01 else None for key, item in value.items()}
    if isinstance(value, list):
        return [_with_holes(item, draw) for item in value]
    return value * draw.choice((0.0, 2.0)) if isinstance(value, float) and draw.random() < 0.01 else value


@given(st.randoms(use_true_random=False), st.sampled_from(shipped_sets()), st.booleans())
def test_no_pass_without_a_valid_capacity_and_no_not_proven_without_advice(draw, name, danger):
    analysis = _with_holes(example_analysis({"findings": draw.choice(([], [LEAK_FINDING]))}), draw)
    analysis["before"] = _with_holes(example_analysis(), draw)
    verdict = decide(analysis, load_criteria(name), [DROPPED] if danger else ())
    json.dumps(verdict, allow_nan=False)
    if verdict["result"] == "pass":
        assert analysis["capacity"]["valid"] is True and not danger and not verdict["vetoes"] and not verdict["held_by"]
        assert all(row["result"] == "pass" for row in verdict["criteria"] if row["required"])
    if verdict["result"] == "not_proven":
        assert [sentence for sentence in verdict["to_settle"] if not sentence.startswith("Advisory: ")]
    if danger:
        assert verdict["result"] == "fail"


# --- the rule said -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "word"),
    [({}, "w = 1 U"), ({"guard_multiple": 0.5}, "w = 0.5 U"), ({"guard": 0.25}, "w = 0.25 U"), ({"guard": 0}, "simple acceptance"),
     ({"decision": "simple"}, "simple acceptance"), ({"max_false_accept": 0.05}, "w = 1.64 u, false acceptance at most 5 %"),
     ({"decision": "simple", "guard": 1.0}, "w = 1 U")],
)
def test_each_row_says_its_rule_and_a_pass_without_guard_band_says_so(rule, word):
    verdict = decide(example_analysis(soh(0.80, 0.004)), one_limit(**rule))
    assert (verdict["result"], verdict["criteria"][0]["rule"]) == ("pass", word)
    simple = word == "simple acceptance"
    assert ("by simple acceptance without a guard band" in verdict["summary"]) is simple
    assert ("(no guard band)" in verdict["criteria"][0]["reason"]) is simple
    assert not simple or "simple acceptance" in verdict["decision_rule"]


# --- all criteria together ---------------------------------------------------------------------------------------


def test_probability_of_all_is_booles_bound_and_holds_whatever_the_errors_share():
    # Boole's inequality, any text on probability: two chances of failing of 2.275 % and 5 % leave at least 92.725 %, here by hand.
    assert probability_of_all([0.97725, 0.95]) == pytest.approx(0.92725, abs=1e-12)
    assert probability_of_all([0.3, 0.4]) == 0.0 and probability_of_all([1.0]) == 1.0
    assert probability_of_all([]) is None and probability_of_all([0.9, None]) is None
    # Second method: normal errors, independent, common and opposed; the bound is never above the true joint probability.
    draws = np.random.default_rng(5).standard_normal((200_000, 2))
    for second in (draws[:, 1], draws[:, 0], -draws[:, 0]):
        both = np.mean((draws[:, 0] <= 2.0) & (second <= 1.6448536))
        assert both >= probability_of_all([0.9772499, 0.95]) - 0.001


def test_verdict_tells_how_likely_all_required_criteria_are_met_with_every_group_counted():
    verdict = decide(example_analysis(), OWNER)
    shown = [row["probability_of_conformity"] for row in verdict["criteria"] if row["required"]]
    together = verdict["probability_of_conformity_at_least"]
    assert verdict["result"] == "pass" and 0.9 < together <= min(shown) and "chances" not in str(verdict["criteria"])
    # One criterion, z = 1.4: Phi(1.4) = 0.9192433 (JCGM 106:2012, example of the Zener diode, figures from memory).
    single = decide(example_analysis(soh(0.714, 0.010)), one_limit())
    assert single["probability_of_conformity_at_least"] == pytest.approx(0.9192433, abs=1e-6)


def test_verdict_that_is_held_or_vetoed_gives_no_probability():
    assert decide(example_analysis(CUT_SHORT), OWNER)["probability_of_conformity_at_least"] is None
    assert decide(example_analysis(), OWNER, [{"code": "open_danger", "message": "x", "who": "y", "at": "z"}])["probability_of_conformity_at_least"] is None


def test_gravest_of_several_dangers_of_a_kind_stands_first():
    findings = [
        Finding("low_capacity", "defect", "d"), Finding("group_overvoltage", "danger", "1", group=1, beyond_v=0.001),
        Finding("self_heating", "danger", "2", group=2), Finding("group_overvoltage", "danger", "5", group=5, beyond_v=0.013),
        Finding("high_resistance", "defect", "e"),
    ]
    assert [item.message for item in order(findings)] == ["5", "1", "2", "d", "e"]
    assert "beyond_v" not in findings[1].to_dict()
