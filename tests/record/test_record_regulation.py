"""Items of state of health of Regulation (EU) 2023/1542, Annex VII (from summaries), from one test."""

import math

import pytest
from record_example import example

from cycler.compare import compare
from cycler.record import measuretext, text
from cycler.record.regulation import HARMFUL, STATUSES, full_equivalent_cycles, health_items

# The five items of Part A and the items of Part B as the summaries list them.
PART_A = ["remaining_capacity", "remaining_power_capability", "remaining_round_trip_efficiency", "evolution_of_self_discharge", "ohmic_resistance"]
PART_B = ["date_of_manufacture", "date_of_putting_into_service", "energy_throughput", "capacity_throughput", "full_equivalent_cycles", "harmful_events"]


def by_name(analysis, **more):
    return {item["item"]: item for item in health_items(analysis, **more)}


def test_every_item_of_both_parts_is_there_in_order_and_filled_or_with_a_reason():
    items = health_items(example(), status="re-used")
    assert [item["item"] for item in items if item["part"] == "A"] == PART_A
    assert [item["item"] for item in items if item["part"] == "B"] == PART_B
    for analysis in (example(), {}, {"capacity": None, "steps": None, "groups": [None]}):
        for item in health_items(analysis):
            assert item["value"] is not None or item["reasons"], item
            assert all(code in text.CODES for code in item["reasons"]), item
            assert item["item"] in measuretext.HEALTH_ITEMS


# Worked figure of the field: 1250 Ah through a cell of 2.5 Ah are 250.0 full equivalent cycles, (Q_in + Q_out)/(2 Cn).
def test_full_equivalent_cycles_of_the_worked_figure():
    assert full_equivalent_cycles(1250.0, 2.5) == 250.0
    analysis = example()
    analysis["steps"] = [
        {"kind": "charge_cc", "capacity_ah": 630.0, "energy_wh": 2331.0, "mean_current_a": 1.25, "duration_s": 1e6},
        {"kind": "discharge_cc", "capacity_ah": 620.0, "energy_wh": 2232.0, "mean_current_a": -1.25, "duration_s": 1e6},
    ]
    analysis["pack"]["rated_capacity_ah"] = 2.5
    items = by_name(analysis)
    assert items["capacity_throughput"]["value"] == 1250.0 and items["energy_throughput"]["value"] == 4563.0
    assert items["full_equivalent_cycles"]["value"] == 250.0
    # Equal durations: the zero error cancels, what is left is the gain: 0.2 % and 0.01 % of 1250 Ah, rectangular.
    u = 1250.0 * math.hypot(0.002, 0.0001) / math.sqrt(3.0)
    assert items["capacity_throughput"]["u_value"] == pytest.approx(u)
    assert items["full_equivalent_cycles"]["u_value"] == pytest.approx(u / 5.0)
    # The sign of a step says nothing of how much flowed.
    analysis["steps"][1].update(capacity_ah=-620.0, energy_wh=-2232.0)
    assert by_name(analysis)["full_equivalent_cycles"]["value"] == 250.0


def test_zero_error_acts_on_the_difference_of_the_durations():
    analysis = example()
    analysis["instrument"].update(current_gain=0.0, clock_gain=0.0)
    # 15 600 s of charge and 15 840 s of discharge: 240 s at 5 mA, rectangular.
    assert by_name(analysis)["capacity_throughput"]["u_value"] == pytest.approx(0.005 * 240 / 3600 / math.sqrt(3.0))


def test_figures_are_those_of_the_analysis():
    items = by_name(example())
    assert (items["remaining_capacity"]["value"], items["remaining_capacity"]["u_value"], items["remaining_capacity"]["unit"]) == (9.152, 0.0135, "Ah")
    assert (items["ohmic_resistance"]["value"], items["ohmic_resistance"]["unit"]) == (0.1502, "ohm")
    assert items["remaining_round_trip_efficiency"]["value"] == 0.948


def test_capacity_that_is_not_valid_is_a_lower_bound_or_not_measured():
    analysis = example()
    analysis["capacity"].update(valid=False, is_lower_bound=True, reasons=["discharge_incomplete"])
    item = by_name(analysis)["remaining_capacity"]
    assert (item["value"], item["bound"], item["reasons"]) == (9.152, "lower", ["discharge_incomplete"])
    analysis["capacity"]["is_lower_bound"] = False
    item = by_name(analysis)["remaining_capacity"]
    assert item["value"] is None and item["reasons"] == ["discharge_incomplete"]


def test_missing_figures_carry_the_reasons_of_the_analysis():
    analysis = example()
    analysis["efficiency"] = None
    analysis["power"] = {"discharge_10s_w": None, "reasons": ["not_rested"]}
    analysis["resistance"].update(headline=None, warnings=["sampling_too_coarse"])
    for group in analysis["groups"]:
        group["self_discharge_reasons"] = ["rest_too_short"]
    items = by_name(analysis)
    assert items["remaining_power_capability"]["reasons"] == ["not_rested"]
    assert items["remaining_round_trip_efficiency"]["reasons"] == ["no_equal_end_states"]
    assert items["evolution_of_self_discharge"]["reasons"] == ["rest_too_short"]
    assert items["ohmic_resistance"]["reasons"] == ["sampling_too_coarse"]
    analysis["groups"] = []
    assert by_name(analysis)["evolution_of_self_discharge"]["reasons"] == ["no_group_voltages"]
    analysis["pack"]["rated_capacity_ah"] = None
    assert by_name(analysis)["full_equivalent_cycles"]["reasons"] == ["no_rated_capacity"]
    assert by_name(analysis, pack={"rated_capacity_ah": 10.4})["full_equivalent_cycles"]["value"] is not None


def test_self_discharge_develops_only_against_an_earlier_measurement():
    then, now = example(), example()
    now["groups"][2].update(self_discharge_ma=3.0, u_self_discharge_ma=0.2)
    item = by_name(now)["evolution_of_self_discharge"]
    assert (item["value"], item["group"], item["reasons"]) == (3.0, 3, ["no_earlier_self_discharge"])
    then["groups"][2].update(self_discharge_ma=1.0, u_self_discharge_ma=0.15)
    item = by_name(now, compared=compare([then, now], ["then", "now"]))["evolution_of_self_discharge"]
    # Independent: u = sqrt(0.2^2 + 0.15^2) = 0.25.
    assert item["change"] == 2.0 and item["u_change"] == pytest.approx(0.25) and item["reasons"] == []


def test_harmful_events_are_those_among_the_findings_and_what_was_not_seen_is_said():
    analysis = example()
    assert by_name(analysis)["harmful_events"]["value"] == 0
    analysis["findings"] += [{"code": code, "severity": "danger", "group": 2} for code in HARMFUL]
    item = by_name(analysis)["harmful_events"]
    assert item["value"] == len(HARMFUL) and item["events"][0] == {"code": HARMFUL[0], "group": 2}
    analysis["groups"], analysis["thermal"] = [], None
    assert by_name(analysis)["harmful_events"]["reasons"] == ["no_group_voltages", "no_temperature"]


# The five words of the regulation, from summaries.
def test_status_words_of_the_regulation():
    assert set(STATUSES) == {"original", "re-used", "repurposed", "remanufactured", "waste"} == set(text.STATUS_WORDS)
    assert by_name(example(), status="repurposed")["status"]["value"] == "repurposed"
    assert by_name(example())["status"]["reasons"] == ["status_not_stated"]
