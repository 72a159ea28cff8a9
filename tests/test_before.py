"""A pack against the same pack before: ratios and their uncertainty by hand and against simulated benches, and when nothing is claimed."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from cycler.compare import compare, reduced
from cycler.criteria import load_criteria
from cycler.criteria_quantities import QUANTITIES
from cycler.taken import Taken
from cycler.verdict import _judge_taken, decide
from tests.analysis_example import RATED_AH, example_analysis
from tests.verdict_cases import one_limit

GAIN, OFFSET_A, CLOCK, CUTOFF_AH, NOISE_AH = 0.002 / math.sqrt(3), 0.005 / math.sqrt(3), 0.0001 / math.sqrt(3), 0.004, 0.0003


def run(value_ah, hours, changes=None):
    """The example with another capacity, its budget following."""
    terms = {
        "current gain": GAIN * value_ah, "clock": CLOCK * value_ah, "current offset": OFFSET_A * hours, "cut-off voltage": CUTOFF_AH,
        "current noise and resolution": NOISE_AH,
    }
    u = math.sqrt(sum(term * term for term in terms.values()))
    return example_analysis({
        "capacity.value_ah": value_ah, "capacity.u_value_ah": u, "capacity.state_of_health": value_ah / RATED_AH,
        "capacity.u_state_of_health": u / RATED_AH, "capacity.budget": [{"source": k, "standard_uncertainty_ah": v} for k, v in terms.items()],
        "capacity.at_s": {"start_s": 0.0, "end_s": hours * 3600.0}, **(changes or {}),
    })


def taken(quantity, after, before):
    (item,) = QUANTITIES[quantity].take({**after, "before": before})
    return item


def test_capacity_to_before_hand_worked():
    """9.36 / 7.2 = 1.3; relative terms: gain and clock are alike and cancel, offset 5 mA/sqrt(3) * |4.5/9.36 - 3.6/7.2| h/Ah = 0.0555 mAh/Ah,
    cut-off 4 mAh * sqrt(1/9.36^2 + 1/7.2^2) = 0.70089 mAh/Ah, noise 0.0526; together 0.70506e-3, times 1.3 = 0.91658e-3."""
    item = taken("capacity_to_before", run(9.36, 4.5), run(7.2, 3.6))
    both = math.sqrt(1 / 9.36**2 + 1 / 7.2**2)
    by_hand = 1.3 * math.hypot(OFFSET_A * (3.6 / 7.2 - 4.5 / 9.36), CUTOFF_AH * both, NOISE_AH * both)
    assert item.value == pytest.approx(1.3)
    assert item.u == pytest.approx(by_hand, rel=1e-6)
    assert item.u == pytest.approx(0.91658e-3, rel=1e-4)
    assert item.valid and not item.doubt


def test_capacity_to_before_against_simulated_benches():
    """200 000 benches measure both runs, each with its own gain, clock and zero error (JCGM 101:2008, from memory)."""
    rng, n, q, hours = np.random.default_rng(5), 200_000, (8.1, 7.3), (4.2, 3.5)
    gain, clock, zero = (rng.uniform(-half, half, n) for half in (0.002, 0.0001, 0.005))
    measured = [
        q[i] * (1 + gain) * (1 + clock) + zero * hours[i] + rng.normal(0, CUTOFF_AH, n) + rng.normal(0, NOISE_AH, n) for i in (0, 1)
    ]
    item = taken("capacity_to_before", run(q[1], hours[1]), run(q[0], hours[0]))
    assert np.std(measured[1] / measured[0]) == pytest.approx(item.u, rel=6e-3)
    # Two benches: nothing cancels.
    apart = copy.deepcopy(run(q[1], hours[1]))
    apart["instrument"]["id"] = "another"
    gain2, clock2, zero2 = (rng.uniform(-half, half, n) for half in (0.002, 0.0001, 0.005))
    second = q[1] * (1 + gain2) * (1 + clock2) + zero2 * hours[1] + rng.normal(0, CUTOFF_AH, n) + rng.normal(0, NOISE_AH, n)
    assert np.std(second / measured[0]) == pytest.approx(taken("capacity_to_before", apart, run(q[0], hours[0])).u, rel=6e-3)


@pytest.mark.parametrize(("bound", "direction", "result"), [
    ("lower", "at_least", "pass"), ("lower", "at_most", "fail"), ("upper", "at_most", "pass"), ("upper", "at_least", "fail"),
])
@pytest.mark.parametrize("value", [0.5, 1.5])
def test_bound_decides_only_in_the_way_that_the_true_value_can_but_strengthen(value, bound, direction, result):
    """A capacity of at most 1.5 times that before proves nothing against a limit of at least 1; of at most 0.5 times it does."""
    bounded = Taken(value, 0.01, valid=False, bound=bound, doubt="the test was cut short", lack="before_lost")
    quantity = replace(QUANTITIES["capacity_to_before"], take=lambda analysis: (bounded,))
    criterion = replace(one_limit("capacity_to_before", 1.0, "at_least").criteria[0], direction=direction)
    decides = value > 1.0 if bound == "lower" else value < 1.0
    row = _judge_taken(bounded, quantity, criterion, 1.0, 2.0)
    assert row["result"] == (result if decides else "not_proven")
    assert (row["probability_of_conformity"] is None) is not decides


def test_ratios_to_before_are_those_of_the_comparison():
    before, after = run(9.6, 4.6), run(9.36, 4.5, {"resistance.headline.ohm_10s": 0.20})
    rows = {row["quantity"]: row for row in compare([before, after], ["a", "b"])["rows"]}
    for quantity, line in (("capacity_to_before", "capacity_ah"), ("resistance_10s_to_before", "resistance_10s_ohm")):
        item = taken(quantity, after, before)
        assert (item.value, item.u) == (pytest.approx(rows[line]["ratio"][1]), pytest.approx(rows[line]["u_ratio"][1]))


def test_reduced_analysis_gives_the_same_as_the_whole_and_is_small():
    before, after = run(7.2, 3.6), run(9.36, 4.5)
    less = json.loads(json.dumps(reduced(before), allow_nan=False))
    assert "groups" not in less and "findings" not in less
    for quantity in ("capacity_to_before", "resistance_10s_to_before"):
        assert taken(quantity, after, less) == taken(quantity, after, before)
    assert reduced({}) == {} and reduced(less) == less


@pytest.mark.parametrize(
    ("then", "now", "bound", "words"),
    # Stopped early now: at least so much; stopped early then: at most so much; both: nothing.
    [(False, True, "lower", "the discharge ended before the cut-off"), (True, False, "upper", "in the earlier test the discharge ended before"),
     (True, True, None, "the discharge ended before the cut-off")],
)
def test_capacity_to_before_of_a_lower_bound_is_a_bound(then, now, bound, words):
    cut = {"capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["discharge_incomplete"]}
    item = taken("capacity_to_before", run(9.0, 4.5, cut if now else None), run(9.0, 4.5, cut if then else None))
    assert (item.valid, item.bound) == (False, bound) and words in item.doubt


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"capacity.mean_temperature_c": 8.0}, "ran at 23 °C and 8 °C"), ({"capacity.rate_it": 0.5}, "discharged at 0.2 It and 0.5 It")],
)
def test_capacity_to_before_of_unlike_tests_proves_nothing(changes, words):
    after = {**run(9.9, 4.8, changes), "before": run(9.0, 4.5)}
    verdict = decide(after, one_limit("capacity_to_before", 0.95))
    assert verdict["result"] == "not_proven" and words in verdict["criteria"][0]["reason"]
    assert verdict["to_settle"][0].startswith("Repeat the test as the earlier one was made, at 0.2 It and 23 °C: Charge to 42.0 V")


@pytest.mark.parametrize(
    ("before", "words"),
    [({}, "no earlier test of this pack was given"), ({"pack.id": "EB-0415"}, "the earlier test is of another pack"),
     ({"capacity": None}, "the earlier test gave no capacity")],
)
def test_set_that_requires_the_test_before_does_not_pass_without_it(before, words):
    analysis = {**run(9.0, 4.5), "before": example_analysis(before) if before else None}
    verdict = decide(analysis, one_limit("capacity_to_before", 0.95))
    assert verdict["result"] == "not_proven" and words in verdict["criteria"][0]["reason"] and verdict["to_settle"]


def test_advisory_criterion_says_nothing_where_there_is_no_test_before():
    criteria = load_criteria()
    asked = [item.id for item in criteria.criteria]
    assert [row["id"] for row in decide(example_analysis(), criteria)["criteria"]] == [name for name in asked if not name.endswith("-to-before")]
    rows = {row["id"]: row for row in decide({**run(7.0, 3.5), "before": reduced(run(9.0, 4.5))}, criteria)["criteria"]}
    assert (rows["capacity-to-before"]["applies"], rows["capacity-to-before"]["result"]) == (True, "fail")
    assert rows["resistance-to-before"]["result"] == "pass"


# --- group figures against a closed form --------------------------------------------------------------------


def test_group_capacity_share_is_capacity_over_rating():
    (worst,) = [item for item in QUANTITIES["group_capacity_share_worst"].take(example_analysis()) if item.group == 4]
    assert (worst.value, worst.u) == (pytest.approx(9.36 / 10.4), pytest.approx(0.014 / 10.4))


def test_group_capacity_spread_hand_worked():
    """Largest 9.52, smallest 9.36, mean 9.48 Ah: 0.16/9.48 = 1.6878 %; u = sqrt(0.12^2 + 0.014^2)/9.48 = 1.2744 %."""
    (item,) = QUANTITIES["group_capacity_spread"].take(example_analysis())
    assert (item.value, item.u) == (pytest.approx(0.016878, rel=1e-4), pytest.approx(0.012744, rel=1e-4))
    (item,) = QUANTITIES["group_capacity_spread"].take(example_analysis({"groups.2.capacity_ah": None}))
    assert (item.bound, item.valid) == ("lower", False) and "group 3 has no value" in item.doubt


def test_group_voltages_carry_the_limits_of_their_channel():
    """Group 4 at 3.000 V: u = sqrt((0.0005 * 3)^2 + 0.002^2)/sqrt(3) = 1.4434 mV."""
    low = {item.group: item for item in QUANTITIES["group_lowest_v"].take(example_analysis())}
    assert (low[4].value, low[4].u) == (3.0, pytest.approx(0.0014434, abs=1e-7))
    assert all(item.value == 4.2 for item in QUANTITIES["group_highest_v"].take(example_analysis()))


def test_energy_share_is_energy_over_rated_energy():
    (item,) = QUANTITIES["energy_share"].take(example_analysis())
    assert (item.value, item.u) == (pytest.approx(9.36 * 36.1 / 374.4), pytest.approx(0.62 / 374.4))
    (item,) = QUANTITIES["energy_share"].take(example_analysis({"pack.rated_energy_wh": None}))
    assert (item.value, item.lack) == (None, "rated_energy")


def test_group_resistances_are_judged_in_ohm():
    for quantity, key in (("group_resistance_10s_worst_ohm", "resistance_10s_ohm"), ("group_ohmic_worst_ohm", "ohmic_ohm")):
        analysis = example_analysis()
        assert [item.value for item in QUANTITIES[quantity].take(analysis)] == [group[key] for group in analysis["groups"]]
