"""What would settle a verdict that is not proven: the sentences and their figures.

Where a number is expected it follows by hand from the inputs set in the test.
"""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cycler.criteria import criteria_from_dict
from cycler.criteria_quantities import QUANTITIES
from cycler.settle import needed_scale
from cycler.verdict import decide
from tests.analysis_example import CAPACITY_BUDGET_AH, example_analysis
from tests.verdict_cases import OWNER, one_limit, soh, to_settle

# --- what would settle it ----------------------------------------------------------------------------------


def test_to_settle_charge_incomplete_names_the_packs_own_figures():
    changes = {"capacity.valid": False, "capacity.reasons": ["charge_incomplete"], "capacity.started_full": False}
    assert to_settle(changes)[0] == (
        "Charge to 42.0 V until the current falls to 0.52 A, rest 1 h, then discharge to 30.0 V, or until the first group "
        "reaches 2.80 V."
    )


def test_to_settle_without_ratings_stays_general():
    changes = {"capacity": None, **{f"pack.{key}": None for key in (
        "charge_voltage_v", "cutoff_voltage_v", "group_charge_voltage_v", "group_cutoff_voltage_v", "taper_current_a",
        "rated_capacity_ah")}}
    assert to_settle(changes)[:2] == ["Enter rated_capacity_ah from the pack's label in the pack file.", (
        "Charge to the pack's rated charge voltage until the current falls to 0.05 It, rest 1 h, then discharge to the "
        "pack's rated cut-off voltage."
    )]


def test_to_settle_pack_voltage_is_worked_out_from_groups():
    """13 groups: 13 x 4.2 = 54.6 V and 13 x 2.8 = 36.4 V; taper 0.05 It of 12 Ah = 0.6 A."""
    changes = {"capacity": None, "pack.series": 13, "pack.charge_voltage_v": None, "pack.cutoff_voltage_v": None,
               "pack.taper_current_a": None, "pack.rated_capacity_ah": 12.0}
    taps, cycle = to_settle(changes)[:2]  # the example has ten groups: taps come first
    assert taps.startswith("Log the voltage of all 13 groups (14 taps)")
    assert cycle.startswith("Charge to 54.6 V until the current falls to 0.6 A, rest 1 h, then discharge to 36.4 V")


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
    sentences = to_settle({"capacity.valid": False, "capacity.reasons": [code], **changes})
    assert any(words in sentence for sentence in sentences), sentences


def test_to_settle_missing_rating_load_step_and_temperature():
    no_rating = to_settle({"capacity.state_of_health": None, "pack.rated_capacity_ah": None})
    assert no_rating[0] == "Enter rated_capacity_ah from the pack's label in the pack file."
    # 0.5 It of 10.4 Ah = 5.2 A.
    no_step = to_settle({f"groups.{i}.resistance_10s_ohm": None for i in range(10)})
    assert no_step[0].startswith("Put one load step of about 5.2 A on the rested pack")
    no_sensor = to_settle({"thermal": None})
    assert any(sentence.startswith("Advisory: Fix a temperature sensor") for sentence in no_sensor)


def test_to_settle_each_sentence_once_and_required_first():
    sentences = to_settle({"groups": [], "spread": None, "efficiency": None})
    assert len(sentences) == len(set(sentences))
    kinds = [sentence.startswith("Advisory: ") for sentence in sentences]
    assert kinds == sorted(kinds)
    assert not any(sentence.removeprefix("Advisory: ") in sentences for sentence in sentences if sentence.startswith("Advisory"))


def test_to_settle_the_cheapest_thing_first():
    """A line in the pack file, then minutes at the bench, then a cycle, then a rest of a day, then something to buy."""
    rows = [
        dict(id="bought", quantity="spread_rest_v", limit=0.0415, unit="V", direction="at_most", why="test"),
        dict(id="rested", quantity="self_discharge_worst_ma", limit=1.0, unit="mA", direction="at_most", why="test"),
        dict(id="cycled", quantity="capacity_ah", limit=8.0, unit="Ah", direction="at_least", why="test"),
        dict(id="sampled", quantity="group_ohmic_ratio_worst", limit=1.5, unit="ratio", direction="at_most", why="test"),
        dict(id="written", quantity="energy_share", limit=0.7, unit="share", direction="at_least", why="test"),
    ]
    changes = {"spread.rest_v": 0.040, "spread.u_rest_v": 0.003, "pack.rated_energy_wh": None, "capacity.valid": False,
               "capacity.reasons": ["start_unknown"]} | {f"groups.{i}.ohmic_ohm": None for i in range(10)}
    begins = [sentence.split()[0] for sentence in to_settle(changes, criteria_from_dict({"criterion": rows}))]
    assert begins == ["Enter", "Log", "Charge", "Leave", "Spread"]


def test_to_settle_failed_pack_keeps_only_what_the_next_test_needs():
    assert to_settle({"capacity.state_of_health": 0.5}) == []
    sentences = to_settle({"capacity.state_of_health": 0.5} | {f"groups.{i}.resistance_10s_ohm": None for i in range(10)})
    assert len(sentences) == 1 and sentences[0].startswith("Put one load step")


def test_to_settle_incomplete_charge_is_told_once():
    changes = {"capacity.valid": False, "capacity.reasons": ["charge_incomplete"], "capacity.started_full": False}
    assert [s for s in to_settle(changes) if not s.startswith("Advisory")] == to_settle(changes)[:1]


TEN_MA = {**CAPACITY_BUDGET_AH, "current offset": 0.010 * 4.5 / math.sqrt(3)}


def _on_a_poor_zero(health, terms=None):
    """The example on a bench whose zero error is 10 mA."""
    terms = terms or TEN_MA
    u = math.sqrt(sum(v * v for v in terms.values()))
    rows = [{"source": k, "standard_uncertainty_ah": v} for k, v in terms.items()]
    return soh(health, u / 10.4, **{"capacity.u_value_ah": u, "capacity.budget": rows, "instrument.current_offset_a": 0.010})


def test_to_settle_guard_band_names_the_meter_that_is_needed():
    """SoH 0.705, w = 2u and one u to spare: u must fall to 0.005/3 = 0.1667 % = 0.017333 Ah of 10.4 Ah. Leading term: offset, 0.0259808 Ah
    (10 mA x 4.5 h / sqrt 3); the others are sqrt(0.010808^2 + 0.004^2 ...) = 0.011543 Ah, so it must fall to
    sqrt(0.017333^2 - 0.011543^2) = 0.012931 Ah, which is 10 mA x 0.012931 / 0.0259808 = 4.97 mA."""
    (sentence,) = [s for s in to_settle(_on_a_poor_zero(0.705)) if not s.startswith("Advisory")]
    assert sentence == (
        "State of health: 70.50 ± 0.55 % cannot be told from the limit 70 % by this bench. Needed: a current reading whose zero "
        "error is below 4.9 mA (now 10 mA): null it with nothing connected, or discharge faster."
    )


def test_to_settle_guard_band_doing_so_gives_a_pass_even_one_u_further_in():
    """With the zero error that the sentence asked for, the same value passes, and one that came out a standard uncertainty lower too."""
    (sentence,) = [s for s in to_settle(_on_a_poor_zero(0.705)) if not s.startswith("Advisory")]
    asked_ma = float(re.search(r"below ([\d.]+) mA", sentence)[1])
    terms = {**CAPACITY_BUDGET_AH, "current offset": 1e-3 * asked_ma * 4.5 / math.sqrt(3)}
    u = math.sqrt(sum(v * v for v in terms.values())) / 10.4
    for value in (0.705, 0.705 - u):
        assert decide(example_analysis(soh(value, u)), OWNER)["result"] == "pass"


FACTOR = re.compile(r"([\d.]+) times as (?:finely|fine|often|good|small)")


@given(
    st.sampled_from([
        "group_resistance_ratio_worst", "group_ohmic_ratio_worst", "resistance_10s_ohm", "ohmic_ohm", "energy_wh", "coulombic_efficiency",
        "energy_efficiency", "state_of_health", "spread_rest_v", "group_lowest_v",
    ]),
    st.floats(-3.0, -0.5), st.sampled_from([1.0, -1.0]), st.booleans(),
)
def test_to_settle_asks_for_nothing_that_nobody_can_buy(quantity, exponent, sign, stated):
    """However near the limit lies: no factor above 10 (20 for samples), no limit of error below what meters have."""
    worst = _worst(quantity)
    limit = worst.value + sign * 2.0 * 10.0**exponent * worst.u
    side = QUANTITIES[quantity].side or "at_least"
    changes = {} if stated else {f"instrument.{key}": 0.0 for key in ("current_gain", "current_offset_a", "voltage_gain", "group_voltage_gain", "clock_gain")}
    for sentence in to_settle(changes, one_limit(quantity, limit, side)):
        for factor in FACTOR.findall(sentence):
            assert float(factor) <= (20.0 if "as often" in sentence else 10.0), sentence
        assert not re.search(r"within 0\.000", sentence), sentence


def _worst(quantity):
    taken = QUANTITIES[quantity].take(example_analysis())
    pick = max if QUANTITIES[quantity].side == "at_most" else min
    return pick(taken, key=lambda item: item.value)


def test_to_settle_too_near_the_limit_says_what_is_left():
    """10 s resistance 185.5 ± 2.1 mΩ against 185.65 mΩ: u must fall to 0.05 mΩ, the resolution 20 times; the pack may carry no larger step."""
    (sentence,) = to_settle({"pack.max_discharge_current_a": None}, one_limit("resistance_10s_ohm", 0.18565, "at_most"))
    assert "too near the limit" in sentence and "four-wire milliohm meter" in sentence and "times as" not in sentence


def test_to_settle_guard_band_of_undeclared_bench_asks_for_the_declaration_first():
    (sentence,) = [
        s for s in to_settle({"capacity.state_of_health": 0.702, "instrument.declared": False}) if not s.startswith("Advisory")
    ]
    assert "Enter the limits of error of your instruments under [instrument]" in sentence


def test_to_settle_guard_band_that_one_term_cannot_mend_names_the_second():
    """SoH 0.7015: u must fall to 0.0015/3 = 0.0005 = 0.0052 Ah, less than gain alone (0.0108 Ah). With both down to the same share, the others
    stay sqrt(0.004^2 + 0.00054^2 + 0.0002^2 + 0.0003^2) = 0.004053 Ah: sqrt(0.0052^2 - 0.004053^2) / 0.016899 = 0.1928."""
    (sentence,) = [s for s in to_settle({"capacity.state_of_health": 0.7015}) if not s.startswith("Advisory")]
    assert "zero error is below 0.96 mA (now 5 mA)" in sentence
    assert "a current clamp or shunt within 0.038 % of reading (limit of error, now 0.2 %)" in sentence


def test_to_settle_counts_how_full_the_voltmeter_lets_the_pack_be():
    """SoH 0.702: u must fall to 0.002/3 of 10.4 Ah = 0.00693 Ah. What the voltmeter leaves open of full, 0.012 Ah, is more than that by itself:
    no ammeter is good enough alone, and the meters asked for must bring the whole down."""
    changes = {"capacity.state_of_health": 0.702, "capacity.u_charge_voltage_ah": 0.012}
    (without,) = [s for s in to_settle({"capacity.state_of_health": 0.702}) if not s.startswith("Advisory")]
    (sentence,) = [s for s in to_settle(changes) if not s.startswith("Advisory")]
    assert "end of charge" not in without
    analysis = example_analysis(changes)
    terms = [row["standard_uncertainty_ah"] for row in analysis["capacity"]["budget"]] + [0.012]
    shrinking, share = needed_scale(terms, 0.002 / 3.0 * analysis["pack"]["rated_capacity_ah"])
    assert len(terms) - 1 in shrinking
    instrument, full = analysis["instrument"], analysis["pack"]["charge_voltage_v"]
    asked_mv = float(re.search(r"a voltmeter whose error is below ([\d.]+) mV at the end of charge \(limit of error\)", sentence)[1])
    now_mv = 1e3 * math.hypot(instrument["voltage_gain"] * full, instrument["voltage_offset_v"])
    assert 0.9 * share * now_mv <= asked_mv <= share * now_mv


def test_to_settle_spread_names_the_meter_per_group():
    """Spread 40 ± 6 mV (k = 2) against 41.5 mV: u must fall to a third, 0.5 mV. u = sqrt(2) a / sqrt(3), so a = 0.5 sqrt(1.5) = 0.612 mV."""
    sentences = to_settle({"spread.rest_v": 0.040, "spread.u_rest_v": 0.003}, one_limit("spread_rest_v", 0.0415, "at_most"))
    assert "a meter for the group voltages whose error is below 0.61 mV per group (limit of error)" in sentences[0]


def test_to_settle_temperature_names_the_sensor():
    """57 °C with u 1.732 (limit 3 °C) against 60 °C: u must fall to a third of 3 °C, a limit of error of 1.732 °C."""
    changes = {"thermal.max_c": 57.0, "thermal.u_max_c": 3 / math.sqrt(3)}
    sentences = to_settle(changes, one_limit("temperature_max_c", 60.0, "at_most"))
    assert "a temperature sensor whose error is below 1.7 °C (limit of error)" in sentences[0]


def test_to_settle_leak_that_no_rest_can_tell_asks_for_a_month():
    changes = {f"groups.{i}.self_discharge_ma": 0.0 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.05 for i in range(10)}
    changes |= {"groups.5.self_discharge_ma": 0.70, "groups.5.u_self_discharge_ma": 0.2}
    sentences = to_settle(changes, one_limit("self_discharge_worst_ma", 0.72, "at_most"))
    assert "left for 30 days" in sentences[0]


@pytest.mark.parametrize("rested_s, hours", [(3600.0, 24), (72000.0, 40)])
def test_to_settle_leak_near_the_limit_names_the_length_of_rest(rested_s, hours):
    """0.30 mA with u 0.20 against 0.60 mA: u must fall to a third of 0.30, half: twice the rest, 24 h at the least."""
    changes = {f"groups.{i}.self_discharge_ma": 0.3 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.2 for i in range(10)}
    (sentence,) = to_settle(changes | {"rest.0.duration_s": rested_s}, one_limit("self_discharge_worst_ma", 0.6, "at_most"))
    assert f"a rest of {hours} h or longer" in sentence


def test_to_settle_load_step_stays_within_what_the_pack_may_carry():
    """Group 4 at 1.02 times its siblings against 1.064: u = sqrt((0.4/18.1)^2 + (1.0221 * 0.4/18.1)^2) = 0.0316
    must fall to (1.064 - 1.0221) / 3 = 0.01397, 2.3 times; 5 A x 2.27 = 11 A is within 20 A, not within 6 A."""
    criteria = one_limit("group_resistance_ratio_worst", 1.064, "at_most")
    changes = {"resistance.headline.current_step_a": -5.0}
    (allowed,) = to_settle(changes, criteria)
    assert "a load step 2.3 times as large (about 11 A), or the group voltages logged 2.3 times as finely" in allowed
    (limited,) = to_settle({**changes, "pack.max_discharge_current_a": 6.0}, criteria)
    assert "load step" not in limited.split("Needed:")[1] and "times as finely" in limited


def test_to_settle_no_larger_load_step_where_nothing_says_what_the_pack_may_carry():
    """A pack file without max_discharge_current_a: a step worked out from the uncertainty alone may be many It."""
    changes = {"resistance.headline.current_step_a": -5.0, "pack.max_discharge_current_a": None}
    (sentence,) = to_settle(changes, one_limit("group_resistance_ratio_worst", 1.064, "at_most"))
    assert "load step" not in sentence.split("Needed:")[1] and "times as finely" in sentence


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
