"""Verdicts on the invented example pack: pass, fail, not proven, and what would settle it.

Where a number is expected it follows by hand from the inputs set in the test.
"""

from __future__ import annotations

import copy
import json
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cycler.criteria import criteria_from_dict, load_criteria
from cycler.criteria_quantities import QUANTITIES
from cycler.settle import needed_scale
from cycler.verdict import acceptance_limit, decide, guard_band, probability_of_conformity, result_of
from tests.analysis_example import CAPACITY_BUDGET_AH, example_analysis

OWNER, RESALE = load_criteria("return-to-owner"), load_criteria("resale")


def _set(quantity="state_of_health", limit=0.7, direction="at_least", **rule):
    keys = ("decision", "guard_multiple", "max_false_accept")
    row = {k: v for k, v in rule.items() if k not in keys}
    head = {k: v for k, v in rule.items() if k in keys}
    unit = QUANTITIES[quantity].unit_word
    return criteria_from_dict(
        {**head, "criterion": [dict(id="x", quantity=quantity, limit=limit, unit=unit, direction=direction, why="test", **row)]}
    )


def _one(changes, criteria):
    return decide(example_analysis(changes), criteria)["criteria"][0]


def _soh(value, u, **more):
    return {"capacity.state_of_health": value, "capacity.u_state_of_health": u, **more}


# --- the whole example -------------------------------------------------------------------------------------


def test_decide_healthy_one_cycle_test_passes_return_to_owner_without_long_rest():
    verdict = decide(example_analysis(), OWNER)
    assert verdict["result"] == "pass"
    assert verdict["vetoes"] == []
    assert verdict["summary"] == "Pass: 4 required criteria met."
    leak = next(row for row in verdict["criteria"] if row["id"] == "self-discharge")
    assert (leak["result"], leak["required"], leak["value"]) == ("not_proven", False, None)
    assert verdict["to_settle"] == [
        "Advisory: Leave the charged pack at rest for 24 h or longer at a steady temperature, with nothing connected but "
        "the group voltage leads, and log the group voltages."
    ]
    assert "no safety certificate" in verdict["cautions"][0]


def test_decide_healthy_one_cycle_test_is_not_proven_for_resale():
    verdict = decide(example_analysis(), RESALE)
    assert verdict["result"] == "not_proven"
    assert [row["id"] for row in verdict["criteria"] if row["required"] and row["result"] != "pass"] == ["self-discharge"]
    assert "for 24 h or longer" in verdict["to_settle"][0]


def test_decide_doing_what_would_settle_it_settles_it():
    analysis = example_analysis()
    for group in analysis["groups"]:
        group["self_discharge_ma"], group["u_self_discharge_ma"] = 0.1, 0.05
    assert decide(analysis, RESALE)["result"] == "pass"


def test_decide_has_contract_keys_is_json_and_leaves_input_alone():
    analysis = example_analysis()
    before = copy.deepcopy(analysis)
    verdict = decide(analysis, OWNER)
    assert analysis == before
    assert {"result", "criteria_name", "decision_rule", "criteria", "vetoes", "to_settle"} <= set(verdict)
    keys = {
        "id", "quantity", "value", "u_value", "limit", "direction", "guard_band", "acceptance_limit",
        "probability_of_conformity", "result", "reason", "label", "unit", "required",
    }
    for row in verdict["criteria"]:
        assert keys <= set(row)
        assert row["reason"].endswith(".")
    assert verdict["criteria_name"] == "return-to-owner"
    assert verdict["criteria_sha256"] == OWNER.sha256
    assert json.loads(json.dumps(verdict, allow_nan=False)) == verdict


@pytest.mark.parametrize("analysis", [{}, {"groups": None, "findings": None, "capacity": None, "pack": None}])
def test_decide_analysis_with_nothing_known_is_not_proven_everywhere(analysis):
    for criteria in (OWNER, RESALE):
        verdict = decide(analysis, criteria)
        assert verdict["result"] == "not_proven"
        assert {row["result"] for row in verdict["criteria"]} == {"not_proven"}
        assert verdict["to_settle"]


# --- the rule on one criterion -----------------------------------------------------------------------------


def test_decide_row_numbers_hand_worked():
    """y 72 %, u 0.8 %, TL 70 %, w = U = 1.6 %: AL 71.6 %, p = Phi(2.5) = 0.9937903 (normal table)."""
    row = _one(_soh(0.72, 0.008), _set())
    assert row["guard_band"] == pytest.approx(0.016)
    assert row["acceptance_limit"] == pytest.approx(0.716)
    assert row["probability_of_conformity"] == pytest.approx(0.9937903, abs=1e-7)
    assert row["result"] == "pass"
    assert row["reason"] == "72.0 ± 1.6 % meets the limit of at least 70 % with the guard band of 1.6 % (acceptance limit 71.6 %)."


@pytest.mark.parametrize(
    ("value", "result", "words"),
    [
        (0.72, "pass", "meets the limit of at least 70 % with the guard band"),
        (0.71, "not_proven", "meets the limit of at least 70 % by less than the guard band"),
        (0.69, "not_proven", "misses the limit of at least 70 % by less than the guard band"),
        (0.68, "fail", "misses the limit of at least 70 % by more than the guard band"),
    ],
)
def test_decide_guarded_value_around_the_limit(value, result, words):
    row = _one(_soh(value, 0.008), _set())
    assert row["result"] == result
    assert words in row["reason"]


@pytest.mark.parametrize(("value", "result"), [(0.70, "pass"), (0.6999, "fail"), (0.7001, "pass")])
def test_decide_simple_acceptance_goes_by_the_value_alone(value, result):
    verdict = decide(example_analysis(_soh(value, 0.008)), _set(decision="simple"))
    assert verdict["result"] == result
    assert "no guard band" in verdict["decision_rule"]
    assert verdict["criteria"][0]["guard_band"] == 0.0
    assert verdict["criteria"][0]["reason"].endswith("(no guard band).")


def test_decide_max_false_accept_sets_a_narrower_band():
    """w = 1.6448536 u = 1.3159 % for 5 %: 71.4 % passes where 1 x U = 1.6 % leaves it open."""
    assert _one(_soh(0.714, 0.008), _set(max_false_accept=0.05))["result"] == "pass"
    assert _one(_soh(0.714, 0.008), _set())["result"] == "not_proven"


def test_decide_own_guard_of_a_criterion_overrides_the_set():
    assert _one(_soh(0.709, 0.008), _set(guard=0.5))["result"] == "pass"
    assert _one(_soh(0.709, 0.008), _set(guard=0))["guard_band"] == 0.0


def test_decide_limit_of_the_chemistry_is_used():
    criteria = _set(limits={"lfp": 0.95})
    assert _one({"pack.chemistry": "lfp"}, criteria)["limit"] == 0.95
    assert _one({"pack.chemistry": "lfp"}, criteria)["result"] == "fail"
    assert _one({}, criteria)["limit"] == 0.7


def test_decide_value_with_unknown_uncertainty_is_not_proven_when_guarded():
    row = _one({"thermal.u_max_c": None}, _set("temperature_max_c", 60.0, "at_most"))
    assert row["result"] == "not_proven"
    assert "uncertainty is not known" in row["reason"]
    simple = _one({"thermal.u_max_c": None}, _set("temperature_max_c", 60.0, "at_most", decision="simple"))
    assert simple["result"] == "pass"
    assert simple["probability_of_conformity"] is None


# --- invalid, bounds, missing ------------------------------------------------------------------------------

_CUT_SHORT = {
    "capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["discharge_incomplete"],
}


@pytest.mark.parametrize(
    ("value", "result"),
    # A discharge stopped early: what came out is a lower bound. 75 % already meets 70 %; 71 % lies in the guard band;
    # 50 % does not condemn the pack, for the rest was never drawn.
    [(0.75, "pass"), (0.71, "not_proven"), (0.50, "not_proven")],
)
def test_decide_lower_bound_may_pass_but_never_fail(value, result):
    row = _one(_soh(value, 0.008, **_CUT_SHORT), _set())
    assert row["result"] == result
    assert "lower bound" in row["reason"]
    assert "the discharge ended before the cut-off" in row["reason"]
    assert (row["probability_of_conformity"] is None) == (result == "not_proven")


def test_decide_lower_bound_against_an_upper_limit_may_fail_but_never_pass():
    criteria = _set("capacity_ah", 8.0, "at_most")
    assert _one({"capacity.value_ah": 9.0, **_CUT_SHORT}, criteria)["result"] == "fail"
    assert _one({"capacity.value_ah": 5.0, **_CUT_SHORT}, criteria)["result"] == "not_proven"


def test_decide_invalid_capacity_that_is_no_bound_is_neither_pass_nor_fail():
    for value in (0.95, 0.30):
        changes = _soh(value, 0.008, **{**_CUT_SHORT, "capacity.is_lower_bound": False})
        assert _one(changes, _set())["result"] == "not_proven"


def test_decide_valid_capacity_below_the_limit_fails():
    verdict = decide(example_analysis(_soh(0.60, 0.0017)), OWNER)
    assert verdict["result"] == "fail"
    assert verdict["summary"] == "Fail on 1 of 4 required criteria: state of health."


def test_decide_without_group_voltages_never_passes_group_criteria():
    verdict = decide(example_analysis({"groups": [], "spread": None, "limiting_group": None}), OWNER)
    assert verdict["result"] == "not_proven"
    for row in verdict["criteria"]:
        if "group" in row["quantity"] or "spread" in row["quantity"]:
            assert row["result"] == "not_proven"
            assert row["reason"] == "Not measured: the log holds no group voltages."
    assert any(sentence.startswith("Log the voltage of all 10 groups (11 taps)") for sentence in verdict["to_settle"])


def test_decide_group_capacities_from_unknown_start_do_not_count():
    changes = {"capacity.started_full": None, "capacity.valid": False, "capacity.reasons": ["start_unknown"]}
    row = _one(changes, _set("group_capacity_ratio_worst", 0.85))
    assert row["result"] == "not_proven"
    assert "full at the start" in row["reason"]
    row = _one({**changes, "capacity.started_full": False}, _set("group_capacity_ratio_worst", 0.85))
    assert "the charge before the discharge was not complete" in row["reason"]


def test_decide_single_group_pack_drops_sibling_criteria():
    changes = {"pack.series": 1}
    verdict = decide({**example_analysis(changes), "groups": example_analysis()["groups"][:1]}, OWNER)
    assert verdict["result"] == "pass"
    row = next(row for row in verdict["criteria"] if row["id"] == "worst-group-capacity")
    assert (row["result"], row["required"], row["applies"]) == ("not_proven", False, False)
    only_siblings = decide(example_analysis(changes), _set("group_resistance_ratio_worst", 1.5, "at_most"))
    assert only_siblings["result"] == "not_proven"


# --- worst of the groups -----------------------------------------------------------------------------------


def test_decide_worst_group_is_named_with_its_value():
    row = _one({}, _set("group_capacity_ratio_worst", 0.85))
    assert row["group"] == 4
    assert row["value"] == pytest.approx(9.36 / 9.50)
    assert row["reason"].startswith("Group 4: 98.5")


def test_decide_uncertain_estimate_of_another_group_keeps_the_pass_away():
    """Group 4 is measured well and fine; group 7 is estimated 0.90 ± 0.10: within w of 0.85, so nobody knows."""
    row = _one({"groups.6.capacity_ratio": 0.90, "groups.6.u_capacity_ratio": 0.05}, _set("group_capacity_ratio_worst", 0.85))
    assert (row["result"], row["group"]) == ("not_proven", 7)
    assert "estimated" in row["reason"]


def test_decide_one_failing_group_fails_whatever_is_missing_elsewhere():
    changes = {"groups.2.capacity_ratio": 0.60, "groups.2.u_capacity_ratio": 0.002, "groups.8.capacity_ratio": None}
    row = _one(changes, _set("group_capacity_ratio_worst", 0.85))
    assert (row["result"], row["group"]) == ("fail", 3)


def test_decide_one_group_without_value_is_not_proven():
    row = _one({"groups.8.resistance_10s_ohm": None}, _set("group_resistance_ratio_worst", 1.5, "at_most"))
    assert row["result"] == "not_proven"
    assert "group 9 has no value" in row["reason"]


def test_decide_weak_joint_fails_resistance_ratio_hand_worked():
    """Group 6 at 36.2 mΩ over the median 18.1 mΩ of its siblings: 2.00; u = sqrt((0.4/18.1)^2 + (2*0.4/18.1)^2) = 0.0494."""
    row = _one({"groups.5.resistance_10s_ohm": 0.0362}, _set("group_resistance_ratio_worst", 1.5, "at_most"))
    assert (row["result"], row["group"]) == ("fail", 6)
    assert row["value"] == pytest.approx(2.0)
    assert row["u_value"] == pytest.approx(math.hypot(0.4, 2 * 0.4) / 18.1, rel=1e-9)


# --- overall and vetoes ------------------------------------------------------------------------------------


def _danger(code, group=4):
    return {"code": code, "severity": "danger", "group": group, "step": 3, "message": f"Group {group}: {code}", "evidence": {}}


@pytest.mark.parametrize("code", ["group_undervoltage", "group_overvoltage", "temperature_high", "self_discharge", "other"])
def test_decide_danger_finding_is_a_veto_no_figure_outweighs(code):
    verdict = decide(example_analysis({"findings": [_danger(code)]}), OWNER)
    assert all(row["result"] == "pass" for row in verdict["criteria"] if row["required"])
    assert verdict["result"] == "fail"
    assert verdict["vetoes"] == [code]
    assert verdict["summary"].startswith("Fail, whatever the other figures say")


def test_decide_veto_never_advises_to_charge():
    changes = {"findings": [_danger("group_undervoltage")], **_CUT_SHORT}
    verdict = decide(example_analysis(changes), RESALE)
    assert len(verdict["to_settle"]) == 1
    assert verdict["to_settle"][0].startswith("Do not charge or discharge the pack again")
    assert "Take the pack out of use" in verdict["cautions"][0]


def test_decide_vetoes_are_listed_once_and_by_danger():
    findings = [_danger("temperature_high"), _danger("group_undervoltage", 2), _danger("group_undervoltage", 4)]
    verdict = decide(example_analysis({"findings": findings}), OWNER)
    assert verdict["vetoes"] == ["group_undervoltage", "temperature_high"]
    assert [finding["group"] for finding in verdict["veto_findings"]] == [2, 4, 4]


@pytest.mark.parametrize("severity", ["info", "caution", "defect"])
def test_decide_lesser_finding_is_no_veto(severity):
    finding = {**_danger("group_undervoltage"), "severity": severity}
    assert decide(example_analysis({"findings": [finding]}), OWNER)["result"] == "pass"


def test_decide_fail_goes_before_not_proven():
    changes = _soh(0.5, 0.0017, **{"groups": [], "spread": None})
    assert decide(example_analysis(changes), OWNER)["result"] == "fail"


def test_decide_advisory_criterion_does_not_move_the_result():
    changes = {"spread.rest_v": 0.5, "efficiency": None}
    verdict = decide(example_analysis(changes), OWNER)
    assert next(row for row in verdict["criteria"] if row["id"] == "spread-at-rest")["result"] == "fail"
    assert verdict["result"] == "pass"


def test_decide_leak_that_was_found_fails_even_where_it_need_not_be_measured():
    """8 mA x 720 h = 5.76 Ah of 10.4 Ah = 55 % in 30 days."""
    leak = {"groups.5.self_discharge_ma": 8.0, "groups.5.u_self_discharge_ma": 0.3}
    others = {f"groups.{i}.self_discharge_ma": 0.1 for i in range(10) if i != 5}
    others |= {f"groups.{i}.u_self_discharge_ma": 0.3 for i in range(10) if i != 5}
    verdict = decide(example_analysis({**leak, **others}), OWNER)
    row = next(row for row in verdict["criteria"] if row["id"] == "self-discharge")
    assert verdict["result"] == "fail"
    assert (row["result"], row["group"], row["required"]) == ("fail", 6, True)
    assert row["value"] == pytest.approx(0.553846, abs=1e-6)
    assert row["reason"].endswith("It did not have to be measured, but what was found counts.")
    # Within the guard band nothing was found, so the pack passes on the rest: 6 % ± 4.2 % against 5 %.
    doubtful = {"groups.5.self_discharge_ma": 0.867, "groups.5.u_self_discharge_ma": 0.3}
    assert decide(example_analysis({**others, **doubtful}), OWNER)["result"] == "pass"


def test_decide_start_deficit_after_incomplete_charge_is_not_proven():
    changes = {"capacity.started_full": False, "groups.8.start_deficit_ah": 2.0}
    row = _one(changes, _set("start_deficit_share_worst", 0.05, "at_most"))
    assert (row["result"], row["group"]) == ("not_proven", 9)
    assert _one({"groups.8.start_deficit_ah": 2.0}, _set("start_deficit_share_worst", 0.05, "at_most"))["result"] == "fail"


# --- what would settle it ----------------------------------------------------------------------------------


def _settle(changes, criteria=OWNER):
    return decide(example_analysis(changes), criteria)["to_settle"]


def test_to_settle_charge_incomplete_names_the_packs_own_figures():
    changes = {"capacity.valid": False, "capacity.reasons": ["charge_incomplete"], "capacity.started_full": False}
    assert _settle(changes)[0] == (
        "Charge to 42.0 V until the current falls to 0.52 A, rest 1 h, then discharge to 30.0 V, or until the first group "
        "reaches 2.80 V."
    )


def test_to_settle_without_ratings_stays_general():
    changes = {"capacity": None, **{f"pack.{key}": None for key in (
        "charge_voltage_v", "cutoff_voltage_v", "group_charge_voltage_v", "group_cutoff_voltage_v", "taper_current_a",
        "rated_capacity_ah")}}
    assert _settle(changes)[0] == (
        "Charge to the pack's rated charge voltage until the current falls to 0.05 It, rest 1 h, then discharge to the "
        "pack's rated cut-off voltage."
    )


def test_to_settle_pack_voltage_is_worked_out_from_groups():
    """13 groups: 13 x 4.2 = 54.6 V and 13 x 2.8 = 36.4 V; taper 0.05 It of 12 Ah = 0.6 A."""
    changes = {"capacity": None, "pack.series": 13, "pack.charge_voltage_v": None, "pack.cutoff_voltage_v": None,
               "pack.taper_current_a": None, "pack.rated_capacity_ah": 12.0}
    assert _settle(changes)[0].startswith("Charge to 54.6 V until the current falls to 0.6 A, rest 1 h, then discharge to 36.4 V")


@pytest.mark.parametrize(
    ("code", "changes", "words"),
    [
        ("log_gap", {"reading.clock.gaps": [{"start_s": 20000.0, "duration_s": 90.0}]}, "misses 90 s from 20000 s on"),
        ("temperature_out_of_range", {"capacity.mean_temperature_c": 8.0}, "between 20 °C and 30 °C before the test (it was at 8 °C)"),
        ("sampling_too_coarse", {"reading.sampling_s.median": 10.0}, "at 1 s or faster around the load steps (this log has a sample every 10 s)"),
        ("protection_trip", {}, "group 4 gave out first: examine it"),
        ("cutoff_unknown", {}, "Enter cutoff_voltage_v"),
        ("current_unsteady", {}, "constant current"),
        ("lead_drop", {}, "four wires"),
    ],
)
def test_to_settle_follows_the_reason(code, changes, words):
    sentences = _settle({"capacity.valid": False, "capacity.reasons": [code], **changes})
    assert any(words in sentence for sentence in sentences), sentences


def test_to_settle_missing_rating_load_step_and_temperature():
    no_rating = _settle({"capacity.state_of_health": None, "pack.rated_capacity_ah": None})
    assert no_rating[0] == "Enter rated_capacity_ah from the pack's label in the pack file."
    # 0.5 It of 10.4 Ah = 5.2 A.
    no_step = _settle({f"groups.{i}.resistance_10s_ohm": None for i in range(10)})
    assert no_step[0].startswith("Put one load step of about 5.2 A on the rested pack")
    no_sensor = _settle({"thermal": None})
    assert any(sentence.startswith("Advisory: Fix a temperature sensor") for sentence in no_sensor)


def test_to_settle_each_sentence_once_and_required_first():
    sentences = _settle({"groups": [], "spread": None, "efficiency": None})
    assert len(sentences) == len(set(sentences))
    kinds = [sentence.startswith("Advisory: ") for sentence in sentences]
    assert kinds == sorted(kinds)
    assert not any(sentence.removeprefix("Advisory: ") in sentences for sentence in sentences if sentence.startswith("Advisory"))


def test_to_settle_failed_pack_keeps_only_what_the_next_test_needs():
    assert _settle({"capacity.state_of_health": 0.5}) == []
    sentences = _settle({"capacity.state_of_health": 0.5} | {f"groups.{i}.resistance_10s_ohm": None for i in range(10)})
    assert len(sentences) == 1 and sentences[0].startswith("Put one load step")


def test_to_settle_incomplete_charge_is_told_once():
    changes = {"capacity.valid": False, "capacity.reasons": ["charge_incomplete"], "capacity.started_full": False}
    assert [s for s in _settle(changes) if not s.startswith("Advisory")] == _settle(changes)[:1]


def test_to_settle_guard_band_names_the_meter_that_is_needed():
    """SoH 0.7026, w = 2u: u must fall to 0.0026/2 = 0.13 % = 0.01352 Ah of 10.4 Ah. Leading term: offset, 0.0129904 Ah
    (5 mA x 4.5 h / sqrt 3); the others are sqrt(0.010808^2 + 0.004^2 ...) = 0.01154 Ah, so it must fall to
    sqrt(0.01352^2 - 0.01154^2) = 0.00705 Ah, which is 5 mA x 0.00705 / 0.01299 = 2.7 mA."""
    (sentence,) = [s for s in _settle({"capacity.state_of_health": 0.7026}) if not s.startswith("Advisory")]
    assert sentence == (
        "State of health: 70.26 ± 0.33 % cannot be told from the limit 70 % by this bench. Needed: a current reading whose zero "
        "error is below 2.7 mA (now 5 mA): null it with nothing connected, or discharge faster."
    )


def test_to_settle_guard_band_doing_so_gives_a_pass():
    """With the zero error that the sentence asked for, the same value passes."""
    (sentence,) = [s for s in _settle({"capacity.state_of_health": 0.7026}) if not s.startswith("Advisory")]
    asked_ma = float(re.search(r"below ([\d.]+) mA", sentence)[1])
    terms = {**CAPACITY_BUDGET_AH, "current offset": 1e-3 * asked_ma * 4.5 / math.sqrt(3)}
    u = math.sqrt(sum(v * v for v in terms.values())) / 10.4
    assert decide(example_analysis(_soh(0.7026, u)), OWNER)["result"] == "pass"


def test_to_settle_guard_band_of_undeclared_bench_asks_for_the_declaration_first():
    (sentence,) = [
        s for s in _settle({"capacity.state_of_health": 0.702, "instrument.declared": False}) if not s.startswith("Advisory")
    ]
    assert "Enter the limits of error of your instruments under [instrument]" in sentence


def test_to_settle_guard_band_that_one_term_cannot_mend_names_the_second():
    """SoH 0.701: u must fall to 0.0005 = 0.0052 Ah, less than gain alone (0.0108 Ah). With both down to the same share, the others
    stay sqrt(0.004^2 + 0.00054^2 + 0.0002^2 + 0.0003^2) = 0.004053 Ah: sqrt(0.0052^2 - 0.004053^2) / 0.016899 = 0.1928."""
    (sentence,) = [s for s in _settle({"capacity.state_of_health": 0.701}) if not s.startswith("Advisory")]
    assert "zero error is below 0.96 mA (now 5 mA)" in sentence
    assert "a current clamp or shunt within 0.038 % of reading (limit of error, now 0.2 %)" in sentence


def test_to_settle_spread_names_the_meter_per_group():
    """Spread 40 ± 6 mV (k = 2) against 41 mV: u must fall to 0.5 mV. u = sqrt(2) a / sqrt(3), so a = 0.5 sqrt(1.5) = 0.612 mV."""
    sentences = _settle({"spread.rest_v": 0.040, "spread.u_rest_v": 0.003}, _set("spread_rest_v", 0.041, "at_most"))
    assert "a meter for the group voltages whose error is below 0.61 mV per group (limit of error)" in sentences[0]


def test_to_settle_temperature_names_the_sensor():
    """58 °C with u 1.1547 (limit 2 °C) against 60 °C, w = 2u: u must fall to 1 °C, a limit of error of 1.732 °C."""
    changes = {"thermal.max_c": 58.0, "thermal.u_max_c": 2 / math.sqrt(3)}
    sentences = _settle(changes, _set("temperature_max_c", 60.0, "at_most"))
    assert "a temperature sensor whose error is below 1.7 °C (limit of error)" in sentences[0]


def test_to_settle_leak_that_no_rest_can_tell_asks_for_a_month():
    changes = {f"groups.{i}.self_discharge_ma": 0.0 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.05 for i in range(10)}
    changes |= {"groups.5.self_discharge_ma": 0.70, "groups.5.u_self_discharge_ma": 0.2}
    sentences = _settle(changes, _set("self_discharge_worst_ma", 0.72, "at_most"))
    assert "left for 30 days" in sentences[0]


@pytest.mark.parametrize("rested_s, hours", [(3600.0, 24), (72000.0, 40)])
def test_to_settle_leak_near_the_limit_names_the_length_of_rest(rested_s, hours):
    """0.30 mA with u 0.20 against 0.50 mA, w = 2u: u must fall to 0.10, half: twice the rest, 24 h at the least."""
    changes = {f"groups.{i}.self_discharge_ma": 0.3 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.2 for i in range(10)}
    (sentence,) = _settle(changes | {"rest.0.duration_s": rested_s}, _set("self_discharge_worst_ma", 0.5, "at_most"))
    assert f"a rest of {hours} h or longer" in sentence


def test_to_settle_load_step_stays_within_what_the_pack_may_carry():
    """Group 4 at 1.02 times its siblings against 1.05: u = sqrt((0.4/18.1)^2 + (1.0221 * 0.4/18.1)^2) = 0.0316
    must fall to (1.05 - 1.0221) / 2 = 0.01395, 2.3 times; 5 A x 2.27 = 11 A is within 20 A, not within 6 A."""
    criteria = _set("group_resistance_ratio_worst", 1.05, "at_most")
    changes = {"resistance.headline.current_step_a": -5.0}
    (allowed,) = _settle(changes, criteria)
    assert "a load step 2.3 times as large (about 11 A), or the group voltages logged 2.3 times as finely" in allowed
    (limited,) = _settle({**changes, "pack.max_discharge_current_a": 6.0}, criteria)
    assert "load step" not in limited.split("Needed:")[1] and "times as finely" in limited


def test_needed_scale_shrinks_as_few_terms_as_will_do():
    # By hand: 3-4-12 with target 6: the 12 alone must fall to sqrt(36 - 25) = 3.317, 0.2764 of it.
    assert needed_scale([3.0, 4.0, 12.0], 6.0) == ((2,), pytest.approx(math.sqrt(11) / 12))
    # With target 4 the rest (5) is too much already: 12 and 4 shrink to sqrt(16 - 9) / sqrt(160).
    assert needed_scale([3.0, 4.0, 12.0], 4.0) == ((2, 1), pytest.approx(math.sqrt(7.0 / 160.0)))


@given(st.lists(st.floats(1e-6, 1e3), min_size=1, max_size=8), st.floats(0.05, 0.99))
def test_needed_scale_meets_its_target(terms, share):
    target = share * math.sqrt(sum(term * term for term in terms))
    shrinking, scale = needed_scale(terms, target)
    after = [term * (scale if i in shrinking else 1.0) for i, term in enumerate(terms)]
    assert math.sqrt(sum(term * term for term in after)) <= target * (1 + 1e-9)


# --- why something is not known ----------------------------------------------------------------------------


def _unlogged(number):
    return {
        f"groups.{number - 1}.{key}": None for key in (
            "rest_voltage_v", "full_voltage_v", "end_voltage_v", "min_voltage_v", "max_voltage_v", "sag_end_v", "resistance_10s_ohm",
            "ohmic_ohm", "capacity_ah", "capacity_ratio", "start_deficit_ah",
        )
    }


@pytest.mark.parametrize("quantity, limit, direction", [
    ("group_capacity_ratio_worst", 0.85, "at_least"), ("group_resistance_ratio_worst", 1.5, "at_most"),
    ("start_deficit_share_worst", 0.05, "at_most"), ("spread_rest_v", 0.05, "at_most"),
])
def test_decide_group_that_was_not_logged_is_named_and_its_tap_asked_for(quantity, limit, direction):
    verdict = decide(example_analysis(_unlogged(5)), _set(quantity, limit, direction))
    assert verdict["result"] == "not_proven"
    assert "group 5 was not logged" in verdict["criteria"][0]["reason"]
    assert verdict["to_settle"][0].startswith("Log the tap of group 5 too")


def test_decide_finding_of_a_group_not_logged_counts_though_its_row_is_missing():
    analysis = example_analysis()
    del analysis["groups"][4]
    analysis["findings"] = [{"code": "group_not_logged", "severity": "caution", "group": 5, "message": "Group 5 was not logged."}]
    row = decide(analysis, _set("group_capacity_ratio_worst", 0.85))["criteria"][0]
    assert row["result"] == "not_proven" and "not logged" in row["reason"]


def test_decide_fewer_group_columns_than_groups_never_pass():
    analysis = example_analysis({"limiting_group": None})
    del analysis["groups"][9]
    verdict = decide(analysis, _set("group_resistance_ratio_worst", 1.5, "at_most"))
    assert verdict["result"] == "not_proven"
    assert verdict["criteria"][0]["reason"] == "Not measured: the log holds 9 of the pack's 10 groups."
    assert verdict["to_settle"][0].startswith("Log the voltage of all 10 groups")


def test_decide_spread_over_part_of_the_groups_may_fail_but_not_pass():
    row = _one(_unlogged(5) | {"spread.rest_v": 0.200}, _set("spread_rest_v", 0.05, "at_most"))
    assert row["result"] == "fail" and "lower bound" in row["reason"]


@pytest.mark.parametrize("changes, words", [
    ({"capacity.started_full": False, "capacity.valid": False, "capacity.reasons": ["charge_incomplete"]}, "charge before the discharge was not complete"),
    ({"capacity.started_full": None, "capacity.valid": False, "capacity.reasons": ["start_unknown"]}, "does not show that the pack was full"),
    ({"capacity.valid": False, "capacity.reasons": ["discharge_incomplete"]}, "ended before the cut-off"),
    ({"capacity.valid": False, "capacity.reasons": ["protection_trip"]}, "protection ended the discharge"),
    ({"capacity.value_ah": None, "capacity.valid": False, "capacity.reasons": ["no_discharge"]}, "the log holds no discharge"),
    ({"pack.group_cutoff_voltage_v": None}, "no cut-off voltage of a group is known"),
])
def test_decide_unknown_group_capacities_say_the_true_reason(changes, words):
    nothing = {f"groups.{i}.capacity_ratio": None for i in range(10)}
    row = _one(nothing | changes, _set("group_capacity_ratio_worst", 0.85))
    assert row["result"] == "not_proven" and words in row["reason"]


def test_decide_start_deficit_without_rest_voltages_says_so():
    nothing = {f"groups.{i}.{key}": None for i in range(10) for key in ("start_deficit_ah", "rest_voltage_v")}
    row = _one(nothing, _set("start_deficit_share_worst", 0.05, "at_most"))
    assert "not logged at rest between charge and discharge" in row["reason"]


# --- more than the rating ----------------------------------------------------------------------------------


def test_decide_state_of_health_somewhat_above_the_rating_passes_with_a_remark():
    row = _one(_soh(1.12, 0.002), _set())
    assert row["result"] == "pass"
    assert row["reason"].endswith("The value is more than the rating: check current unit, gain or rated capacity.")
    assert "more than the rating" not in _one(_soh(1.09, 0.002), _set())["reason"]


@pytest.mark.parametrize("more", [{}, {"capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["charge_incomplete"]}])
def test_decide_state_of_health_far_above_the_rating_proves_nothing(more):
    verdict = decide(example_analysis(_soh(1.20, 0.002, **more)), _set())
    assert verdict["result"] == "not_proven"
    assert "more than the rating" in verdict["criteria"][0]["reason"]
    assert "unit of the current" in verdict["to_settle"][0]


def test_to_settle_value_on_the_limit_says_no_instrument_will_tell():
    (sentence,) = [s for s in _settle({"capacity.state_of_health": 0.70}) if not s.startswith("Advisory")]
    assert "lies on the limit 70 %" in sentence


def test_to_settle_resistance_uses_its_own_budget():
    """185.5 ± 2.1 mΩ against 186 mΩ: u must fall to 0.25 mΩ. Resolution 1 mΩ and gain 0.208 mΩ must shrink, the other, 0.1 mΩ, may
    stay: sqrt(0.25^2 - 0.1^2) / sqrt(1 + 0.208^2) = 0.2243, which is 4.46 times less."""
    sentences = _settle({}, _set("resistance_10s_ohm", 0.186, "at_most"))
    assert "a load step 4.5 times as large, or the voltage logged 4.5 times as finely" in sentences[0]


def test_to_settle_estimated_group_is_to_be_measured():
    changes = {"groups.6.capacity_ratio": 0.90, "groups.6.u_capacity_ratio": 0.05}
    assert any("discharge that group by itself from full to 2.80 V" in sentence for sentence in _settle(changes))


# --- laws of the pure functions ----------------------------------------------------------------------------

_value, _u = st.floats(-1e3, 1e3), st.floats(1e-6, 1e2)


@given(_value, _u, _value)
def test_pure_functions_are_mirror_images(value, u, limit):
    up = probability_of_conformity(value, u, limit, "at_most")
    assert up == pytest.approx(probability_of_conformity(-value, u, -limit, "at_least"), abs=1e-15)
    assert up + probability_of_conformity(value, u, limit, "at_least") == pytest.approx(1.0, abs=1e-12)
    band = guard_band(u, guard_multiple=1.0)
    assert acceptance_limit(limit, band, "at_most") == pytest.approx(-acceptance_limit(-limit, band, "at_least"))
    assert result_of(value, limit, band, "at_most") == result_of(-value, -limit, band, "at_least")


@given(_value, _u, _value, st.floats(0.01, 0.49))
def test_result_of_pass_means_false_accept_stays_below_the_chance(value, u, limit, chance):
    """The promise of max_false_accept: whatever passes conforms with probability of at least 1 - chance."""
    band = guard_band(u, max_false_accept=chance)
    p = probability_of_conformity(value, u, limit, "at_least")
    result = result_of(value, limit, band, "at_least")
    if result == "pass":
        assert p >= 1.0 - chance - 1e-6
    if result == "fail":
        assert p <= chance + 1e-6


def test_result_of_acceptance_limit_itself_passes_in_spite_of_rounding():
    """0.8 + 0.016 is 0.8160000000000001 in binary: 81.6 % sits on AL and passes."""
    assert 0.8 + 0.016 > 0.816
    assert result_of(0.816, 0.8, 0.016, "at_least") == "pass"
    assert result_of(0.784, 0.8, 0.016, "at_least") == "not_proven"


def test_probability_of_conformity_without_uncertainty_is_zero_or_one():
    assert probability_of_conformity(0.7, 0.0, 0.7, "at_least") == 1.0
    assert probability_of_conformity(0.7, 0.0, 0.71, "at_least") == 0.0


@pytest.mark.parametrize("u", [-0.1, math.nan, math.inf])
def test_probability_of_conformity_impossible_u_is_refused(u):
    with pytest.raises(ValueError):
        probability_of_conformity(1.0, u, 1.0, "at_least")


def test_guard_band_needs_exactly_one_rule():
    for rule in ({}, {"guard_multiple": 1.0, "max_false_accept": 0.05}, {"guard_multiple": -1.0}, {"max_false_accept": 0.9}):
        with pytest.raises(ValueError):
            guard_band(0.1, **rule)
    with pytest.raises(ValueError):
        acceptance_limit(1.0, 0.1, "above")


def test_decide_guard_band_wider_than_the_limit_leaves_no_acceptance_limit():
    # Leak 59 +- 30 % in 30 days against 5 %: TL - w is below zero, which no leak can meet; the value itself fails clearly.
    changes = {f"groups.{i}.self_discharge_ma": 0.0 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.1 for i in range(10)}
    changes |= {"groups.5.self_discharge_ma": 8.5, "groups.5.u_self_discharge_ma": 2.2}
    row = next(row for row in decide(example_analysis(changes), OWNER)["criteria"] if row["id"] == "self-discharge")
    assert row["result"] == "fail"
    assert row["acceptance_limit"] is None
    assert "no pack could pass" in row["reason"]
