"""Verdicts where something was not measured, or is more than can be: the reasons that are given.

Where a number is expected it follows by hand from the inputs set in the test.
"""

from __future__ import annotations

import pytest

from cycler.verdict import decide
from tests.analysis_example import example_analysis
from tests.verdict_cases import first_row, one_limit, soh, to_settle

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
    verdict = decide(example_analysis(_unlogged(5)), one_limit(quantity, limit, direction))
    assert verdict["result"] == "not_proven"
    assert "group 5 has no usable readings" in verdict["criteria"][0]["reason"]
    assert verdict["to_settle"][0].startswith("Log the tap of group 5 too")


def test_decide_finding_of_a_group_not_logged_counts_though_its_row_is_missing():
    analysis = example_analysis()
    del analysis["groups"][4]
    analysis["findings"] = [{"code": "group_not_logged", "severity": "caution", "group": 5, "message": "Group 5 was not logged."}]
    row = decide(analysis, one_limit("group_capacity_ratio_worst", 0.85))["criteria"][0]
    assert row["result"] == "not_proven" and "group 5 has no usable readings" in row["reason"]


def test_decide_fewer_group_columns_than_groups_never_pass():
    analysis = example_analysis({"limiting_group": None})
    del analysis["groups"][9]
    verdict = decide(analysis, one_limit("group_resistance_ratio_worst", 1.5, "at_most"))
    assert verdict["result"] == "not_proven"
    assert verdict["criteria"][0]["reason"] == "Not measured: the log holds 9 of the pack's 10 groups."
    assert verdict["to_settle"][0].startswith("Log the voltage of all 10 groups")


def test_decide_spread_over_part_of_the_groups_may_fail_but_not_pass():
    row = first_row(_unlogged(5) | {"spread.rest_v": 0.200}, one_limit("spread_rest_v", 0.05, "at_most"))
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
    row = first_row(nothing | changes, one_limit("group_capacity_ratio_worst", 0.85))
    assert row["result"] == "not_proven" and words in row["reason"]


def test_decide_start_deficit_without_rest_voltages_says_so():
    nothing = {f"groups.{i}.{key}": None for i in range(10) for key in ("start_deficit_ah", "rest_voltage_v")}
    row = first_row(nothing, one_limit("start_deficit_share_worst", 0.05, "at_most"))
    assert "not logged at rest between charge and discharge" in row["reason"]


# --- more than the rating ----------------------------------------------------------------------------------


def test_decide_state_of_health_somewhat_above_the_rating_passes_with_a_remark():
    row = first_row(soh(1.12, 0.002), one_limit())
    assert row["result"] == "pass"
    assert row["reason"].endswith("The value is more than the rating: check current unit, gain or rated capacity.")
    assert "more than the rating" not in first_row(soh(1.09, 0.002), one_limit())["reason"]


@pytest.mark.parametrize("more", [{}, {"capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["charge_incomplete"]}])
def test_decide_state_of_health_far_above_the_rating_proves_nothing(more):
    verdict = decide(example_analysis(soh(1.20, 0.002, **more)), one_limit())
    assert verdict["result"] == "not_proven"
    assert "more than the rating" in verdict["criteria"][0]["reason"]
    assert "unit of the current" in verdict["to_settle"][0]


def test_to_settle_value_on_the_limit_says_no_instrument_will_tell():
    (sentence,) = [s for s in to_settle({"capacity.state_of_health": 0.70}) if not s.startswith("Advisory")]
    assert "lies on the limit 70 %" in sentence


def test_to_settle_resistance_uses_its_own_budget():
    """185.5 ± 2.1 mΩ against 186.25 mΩ: u must fall to 0.75 / 3 = 0.25 mΩ. Resolution 1 mΩ and gain 0.208 mΩ must shrink, the other, 0.1 mΩ, may
    stay: sqrt(0.25^2 - 0.1^2) / sqrt(1 + 0.208^2) = 0.2243, which is 4.46 times less."""
    sentences = to_settle({}, one_limit("resistance_10s_ohm", 0.18625, "at_most"))
    assert "a load step 4.5 times as large, or the voltage logged 4.5 times as finely" in sentences[0]


def test_to_settle_estimated_group_is_to_be_measured():
    changes = {"groups.6.capacity_ratio": 0.90, "groups.6.u_capacity_ratio": 0.05}
    assert any("discharge that group by itself from full to 2.80 V" in sentence for sentence in to_settle(changes))
