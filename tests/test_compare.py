"""Differences between runs and their uncertainty, by hand and against simulated benches (Monte Carlo).

References for the law of propagation with common errors: JCGM 100:2008, 5.2 (clause from memory); method of the
simulation: JCGM 101:2008 (from memory).
"""

from __future__ import annotations

import copy
import json
import math

import numpy as np
import pytest

from cycler.compare import (
    Budgeted,
    changes,
    compare,
    same_instrument,
    u_difference_from_budgets,
    u_difference_with_common_gain,
)
from cycler.errors import InputError
from tests.analysis_example import CAPACITY_AH, RATED_AH, example_analysis

GAIN, OFFSET_A, CLOCK = 0.002 / math.sqrt(3), 0.005 / math.sqrt(3), 0.0001 / math.sqrt(3)


def _budget(value_ah, hours, cutoff_ah=0.004, noise_ah=0.0003):
    terms = {
        "current gain": GAIN * value_ah, "clock": CLOCK * value_ah, "current offset": OFFSET_A * hours,
        "cut-off voltage": cutoff_ah, "current noise and resolution": noise_ah,
    }
    return Budgeted(value_ah, terms, hours * 3600.0)


def _run(value_ah, hours, changes=None, cutoff_ah=0.004):
    """The example with another capacity, its budget following."""
    budget = _budget(value_ah, hours, cutoff_ah)
    rows = [{"source": k, "standard_uncertainty_ah": v} for k, v in budget.terms.items()]
    return example_analysis({
        "capacity.value_ah": value_ah, "capacity.u_value_ah": budget.u, "capacity.budget": rows,
        "capacity.state_of_health": value_ah / RATED_AH, "capacity.u_state_of_health": budget.u / RATED_AH,
        "capacity.at_s": {"start_s": 16200.0, "end_s": 16200.0 + hours * 3600.0}, **(changes or {}),
    })


def _row(table, quantity):
    return next(row for row in table["rows"] if row["quantity"] == quantity)


# --- the formula -------------------------------------------------------------------------------------------


def test_u_difference_from_budgets_hand_worked():
    """Q 7 and 9 Ah in 3.5 and 4.5 h: gain 0.0011547*2 = 2.309401 mAh, offset 2.8867513 mA * 1 h = 2.886751 mAh, clock
    0.1154701 mAh; independent: cut-off 4*sqrt(2) = 5.656854 mAh, noise 0.3*sqrt(2) = 0.424264 mAh; root sum of squares
    6.7721 mAh."""
    u = u_difference_from_budgets(_budget(7.0, 3.5), _budget(9.0, 4.5))
    by_hand = math.sqrt(2.309401**2 + 2.886751**2 + 0.1154701**2 + 5.656854**2 + 0.424264**2) / 1000
    assert u == pytest.approx(by_hand, rel=1e-6)
    assert u == pytest.approx(0.0067721, abs=5e-7)
    # Taken as independent it would be 2.7 times as much: the gain alone is 8.1 and 10.4 mAh.
    assert math.hypot(_budget(7.0, 3.5).u, _budget(9.0, 4.5).u) > 2.5 * u


def test_u_difference_from_budgets_same_run_twice_keeps_only_what_is_random():
    u = u_difference_from_budgets(_budget(9.0, 4.5), _budget(9.0, 4.5))
    assert u == pytest.approx(math.sqrt(2) * math.hypot(0.004, 0.0003), rel=1e-9)


def test_u_difference_from_budgets_disagreeing_gain_counts_as_independent():
    """A gain term that is not the same fraction of both values cannot be one error."""
    first, second = Budgeted(10.0, {"current gain": 0.02}), Budgeted(10.0, {"current gain": 0.03})
    assert u_difference_from_budgets(first, second) == pytest.approx(math.hypot(0.02, 0.03))


def test_u_difference_from_budgets_offset_without_duration_counts_as_independent():
    first, second = Budgeted(10.0, {"current offset": 0.02}), Budgeted(10.0, {"current offset": 0.02})
    assert u_difference_from_budgets(first, second) == pytest.approx(0.02 * math.sqrt(2))


def test_u_difference_from_budgets_pauses_keep_the_offset_common_but_another_offset_does_not():
    """Offset terms 10 and 14 mAh: 1 h and 1.4 h under current, logged over 1 h and 1.45 h (a pause): common, 4 mAh remain.
    With 14 mAh over 1 h the zero errors differ by 29 %: independent."""
    first = Budgeted(10.0, {"current offset": 0.010}, 3600.0)
    assert u_difference_from_budgets(first, Budgeted(12.0, {"current offset": 0.014}, 5220.0)) == pytest.approx(0.004)
    other = Budgeted(12.0, {"current offset": 0.014}, 3600.0)
    assert u_difference_from_budgets(first, other) == pytest.approx(math.hypot(0.010, 0.014))


def test_u_difference_from_budgets_against_simulated_benches():
    """400 000 benches, each with its own gain, clock and zero error, measure both runs; the rest is drawn afresh.

    Standard error of a standard deviation of 400 000 draws: 1/sqrt(800 000) = 0.11 %; asserted to 0.6 %.
    """
    rng = np.random.default_rng(20260302)
    n = 400_000
    q = np.array([7.2, 9.4])
    hours = np.array([3.6, 4.9])
    cutoff = np.array([0.003, 0.005])
    gain, clock = rng.uniform(-0.002, 0.002, n), rng.uniform(-0.0001, 0.0001, n)
    zero_a = rng.uniform(-0.005, 0.005, n)
    measured = [
        q[i] * (1 + gain) * (1 + clock) + zero_a * hours[i] + rng.normal(0, cutoff[i], n) + rng.normal(0, 0.0003, n)
        for i in (0, 1)
    ]
    budgets = [_budget(q[i], hours[i], cutoff[i]) for i in (0, 1)]
    for i in (0, 1):
        assert np.std(measured[i]) == pytest.approx(budgets[i].u, rel=6e-3)
    u = u_difference_from_budgets(*budgets)
    assert np.std(measured[1] - measured[0]) == pytest.approx(u, rel=6e-3)
    u_ratio = u_difference_from_budgets(*budgets, scale_first=1 / q[0], scale_second=1 / q[1]) * q[1] / q[0]
    assert np.std(measured[1] / measured[0]) == pytest.approx(u_ratio, rel=6e-3)
    # The wrong rules would be seen: all independent, or all common.
    assert np.std(measured[1] - measured[0]) < 0.5 * math.hypot(budgets[0].u, budgets[1].u)
    assert np.std(measured[1] - measured[0]) > 1.3 * abs(budgets[0].u - budgets[1].u)


def test_u_difference_with_common_gain_against_simulated_benches():
    """Resistances 29 and 18 mΩ, common gain 0.5 %, own noise 0.3 mΩ: difference and ratio."""
    rng = np.random.default_rng(7)
    n, r, g, noise = 400_000, (0.029, 0.018), 0.005, 0.0003
    gain = rng.normal(0, g, n)
    measured = [r[i] * (1 + gain) + rng.normal(0, noise, n) for i in (0, 1)]
    u = [math.hypot(g * r[i], noise) for i in (0, 1)]
    expected = u_difference_with_common_gain(r[0], u[0], r[1], u[1], g)
    assert np.std(measured[1] - measured[0]) == pytest.approx(expected, rel=6e-3)
    relative = u_difference_with_common_gain(r[0], u[0], r[1], u[1], g, 1 / r[0], 1 / r[1])
    assert np.std(measured[1] / measured[0]) == pytest.approx(relative * r[1] / r[0], rel=6e-3)


def test_u_difference_with_common_gain_larger_than_u_falls_back_to_independent():
    assert u_difference_with_common_gain(10.0, 0.01, 5.0, 0.01, 0.01) == pytest.approx(0.01 * math.sqrt(2))


# --- the table ---------------------------------------------------------------------------------------------


def test_compare_before_and_after_with_one_instrument():
    before, after = _run(7.2, 3.6), _run(9.36, 4.5)
    table = compare([before, after], ["before", "after"])
    row = _row(table, "capacity_ah")
    assert table["same_instrument"] == [None, True]
    assert row["difference"] == [None, pytest.approx(2.16)]
    assert row["u_difference"][1] == pytest.approx(u_difference_from_budgets(_budget(7.2, 3.6), _budget(9.36, 4.5)), rel=1e-9)
    assert row["significant"] == [None, True]
    assert row["improved"] == [None, True]
    assert row["ratio"] == [None, pytest.approx(1.3)]
    # U = 2 * sqrt(2.494^2 + 2.598^2 + 0.125^2 + 5.657^2 + 0.424^2) = 13.47 mAh.
    assert "Capacity: higher by 2.160 ± 0.013 Ah, better" in row["sentence"][1]
    json.dumps(table, allow_nan=False)


def test_compare_state_of_health_difference_is_that_of_capacity_over_rated():
    table = compare([_run(7.2, 3.6), _run(9.36, 4.5)], ["before", "after"])
    capacity, health = _row(table, "capacity_ah"), _row(table, "state_of_health")
    assert health["u_difference"][1] == pytest.approx(capacity["u_difference"][1] / RATED_AH, rel=1e-9)


def test_compare_small_gain_is_significant_only_because_errors_are_common():
    """0.025 Ah apart: 2u is about 0.012 Ah with one instrument, 0.049 Ah with two."""
    before, after = _run(9.335, 4.49), _run(9.36, 4.50)
    other = copy.deepcopy(after)
    other["instrument"]["current_offset_a"] = 0.004
    assert _row(compare([before, after], ["a", "b"]), "capacity_ah")["significant"][1] is True
    row = _row(compare([before, other], ["a", "b"]), "capacity_ah")
    assert row["significant"][1] is False
    assert row["u_difference"][1] == pytest.approx(math.hypot(*row["u"]))
    assert "no difference shown" in row["sentence"][1]


def test_compare_undeclared_instrument_is_never_common():
    runs = [_run(7.2, 3.6, {"instrument.declared": False}) for _ in range(2)]
    assert same_instrument(*runs) is False
    row = _row(compare(runs, ["a", "b"]), "capacity_ah")
    assert row["u_difference"][1] == pytest.approx(math.hypot(*row["u"]))


def test_compare_budget_that_does_not_add_up_is_not_used():
    """Half of the budget is missing from the list: the stated u goes in whole."""
    before, after = _run(7.2, 3.6), _run(9.36, 4.5)
    after["capacity"]["budget"] = after["capacity"]["budget"][:1]
    row = _row(compare([before, after], ["a", "b"]), "capacity_ah")
    assert row["u_difference"][1] == pytest.approx(math.hypot(*row["u"]))


@pytest.mark.parametrize("which", [0, 1])
def test_compare_invalid_capacity_is_told_as_at_least_and_never_significant(which):
    runs = [_run(5.0, 2.5), _run(9.36, 4.5)]
    runs[which]["capacity"].update(valid=False, is_lower_bound=True, reasons=["discharge_incomplete"])
    table = compare(runs, ["before", "after"])
    for quantity in ("capacity_ah", "energy_wh", "state_of_health"):
        row = _row(table, quantity)
        assert row["significant"] == [None, False]
        assert row["improved"] == [None, None]
        assert row["bound"][which] == "lower"
        assert "at least" in row["sentence"][1]
        assert f"the discharge of {('before', 'after')[which]} was not a valid capacity test" in row["sentence"][1]
    assert _row(table, "group_capacity_ratio_worst")["significant"][1] is False
    assert table["groups"][0]["capacity_ah"]["significant"][1] is False


def test_compare_worst_group_resistance_tells_the_group_of_each_run():
    before = example_analysis({"groups.6.resistance_10s_ohm": 0.029})
    row = _row(compare([before, example_analysis()], ["before", "after"]), "group_resistance_10s_ohm_worst")
    assert row["group"] == [7, 4]
    assert row["difference"][1] == pytest.approx(-0.0105)
    assert row["improved"][1] is True
    # Common gain: current 0.2 % half-width, g = 0.115 %; groups 7 and 4 are two channels, whose gains are two.
    g = 0.002 / math.sqrt(3)
    own = math.sqrt(2 * 0.0004**2 - g**2 * (0.029**2 + 0.0185**2) + g**2 * 0.0105**2)
    assert row["u_difference"][1] == pytest.approx(own, rel=1e-9)
    assert "lower by 10.5 ± 1.1 mΩ, better" in row["sentence"][1]


@pytest.mark.parametrize(("worst_after", "gains"), [(3, ("current_gain", "group_voltage_gain")), (5, ("current_gain",))])
def test_compare_worst_groups_on_two_channels_share_no_gain_of_the_group_meter(worst_after, gains):
    """Gain of one channel is common where the same group is the worst in both runs; the ammeter's is in any case."""
    def worst(group, ohm):
        return example_analysis({f"groups.{group}.resistance_10s_ohm": ohm, f"groups.{group}.u_resistance_10s_ohm": 0.0004})
    first, second = worst(3, 0.060), worst(worst_after, 0.040)
    row = _row(compare([first, second], ["before", "after"]), "group_resistance_10s_ohm_worst")
    assert row["group"] == [4, worst_after + 1]
    common = math.sqrt(sum(first["instrument"][key] ** 2 / 3.0 for key in gains))
    by_hand = math.sqrt((common * 0.020) ** 2 + sum(0.0004**2 - (common * ohm) ** 2 for ohm in (0.060, 0.040)))
    assert row["u_difference"][1] == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(("bench", "significant"), [("bench 2", True), ("bench 3", None)])
def test_compare_sag_at_the_end_is_told_apart_on_one_bench_only(bench, significant):
    first = example_analysis({"instrument.id": "bench 2"})
    second = example_analysis({"instrument.id": bench, **{f"groups.{i}.sag_end_v": 0.001 for i in range(10)}})
    table = compare([first, second], ["before", "after"])
    row = _row(table, "group_sag_end_v_worst")
    assert (row["significant"][1], row["u_difference"][1] is None) == (significant, significant is None)
    assert ("the uncertainty of the difference is not known" in row["sentence"][1]) is (significant is None)
    assert all((group["sag_end_v"]["u_difference"][1] is None) is (significant is None) for group in table["groups"])
    assert row["difference"][1] is not None


def test_compare_energies_count_what_each_voltmeter_leaves_open_of_full():
    """0.03 and 0.02 Ah at 42 V are 1.26 and 0.84 Wh: independent on two benches, one error (0.42 Wh) on one."""
    def of(bench, u_ah, energy_wh):
        return example_analysis({"capacity.u_charge_voltage_ah": u_ah, "capacity.energy_wh": energy_wh, "capacity.u_energy_wh": 0.5, "instrument.id": bench})
    def u_of(first, second):
        return _row(compare([first, second], ["before", "after"]), "energy_wh")["u_difference"][1]
    before, after = of("bench 2", 0.03, 300.0), of("bench 2", 0.02, 330.0)
    assert u_of(before, of("bench 3", 0.02, 330.0)) == pytest.approx(math.sqrt(2 * 0.5**2 + 1.26**2 + 0.84**2), rel=1e-9)
    bare = u_of(of("bench 2", 0.0, 300.0), of("bench 2", 0.0, 330.0))
    assert u_of(before, after) == pytest.approx(math.hypot(bare, 0.42), rel=1e-9)


def test_compare_headline_resistance_of_different_channels_is_independent():
    before, after = example_analysis(), example_analysis({"resistance.headline.source": "group_sum"})
    row = _row(compare([before, after], ["a", "b"]), "resistance_10s_ohm")
    assert row["u_difference"][1] == pytest.approx(math.hypot(*row["u"]))
    sums = [copy.deepcopy(after), copy.deepcopy(after)]
    row = _row(compare(sums, ["a", "b"]), "resistance_10s_ohm")
    # A sum over channels has a gain for each channel, which no single common gain describes.
    assert row["u_difference"][1] == pytest.approx(math.hypot(*row["u"]))
    same = _row(compare([before, copy.deepcopy(before)], ["a", "b"]), "resistance_10s_ohm")
    # Gains cancel in equal values, the resolution (1 mΩ each) does not.
    assert same["u_difference"][1] == pytest.approx(0.001 * math.sqrt(2))


def test_compare_sister_pack_is_told_as_another_pack():
    before, after, sister = _run(7.2, 3.6), _run(9.36, 4.5), _run(9.36, 4.5, {"pack.id": "EB-0415"})
    row = _row(compare([before, after, sister], ["before", "after", "sister"]), "capacity_ah")
    assert "Ah, better (" in row["sentence"][1]
    assert "Ah, better than before (" in row["sentence"][2]
    assert row["improved"] == [None, True, True]


def test_compare_packs_of_different_numbers_of_groups_are_warned_of_not_refused():
    other = example_analysis({"pack.series": 13, "pack.id": "CB-0207"})
    table = compare([example_analysis(), other], ["a", "b"])
    assert "a and b differ in number of groups: 10 and 13." in table["notes"]


def test_compare_worse_run_is_called_worse():
    row = _row(compare([_run(9.36, 4.5), _run(7.2, 3.6)], ["new", "old"]), "capacity_ah")
    assert row["improved"][1] is False
    assert "lower by" in row["sentence"][1] and ", worse" in row["sentence"][1]


def test_compare_unknown_figures_are_told_not_guessed():
    table = compare([example_analysis({"capacity": None, "groups": [], "limiting_group": None}), {}], ["a", "b"])
    for row in table["rows"]:
        assert row["difference"] == [None, None]
        assert row["significant"] == [None, None]
        assert "not known" in row["sentence"][1]
    assert table["groups"] == []


def test_compare_value_without_uncertainty_is_not_significant():
    after = example_analysis({"spread.rest_v": 0.4, "spread.u_rest_v": None})
    row = _row(compare([example_analysis(), after], ["a", "b"]), "spread_rest_v")
    assert row["difference"][1] == pytest.approx(0.3964)
    assert row["significant"][1] is None
    assert "uncertainty of the difference is not known" in row["sentence"][1]


def test_compare_limiting_group_is_named_not_subtracted():
    table = compare([example_analysis(), example_analysis({"limiting_group": 7})], ["before", "after"])
    row = _row(table, "limiting_group")
    assert row["values"] == [4, 7]
    assert row["difference"] == [None, None]
    assert row["sentence"][1] == "Limiting group: 4 in before, 7 in after."


def test_compare_groups_table_has_each_group_of_each_run():
    before = example_analysis({"groups.3.capacity_ah": 7.0, "groups.3.sag_10s_v": 0.08})
    fewer = example_analysis()
    fewer["groups"] = fewer["groups"][:9]
    table = compare([before, fewer], ["before", "after"])
    assert [row["group"] for row in table["groups"]] == list(range(1, 11))
    fourth, tenth = table["groups"][3], table["groups"][9]
    assert fourth["limiting"] == [True, True]
    assert fourth["capacity_ah"]["difference"][1] == pytest.approx(2.36)
    assert fourth["capacity_ah"]["significant"][1] is True
    assert fourth["sag_10s_v"]["significant"][1] is True
    assert fourth["capacity_ah"]["estimate"] == [False, False]
    assert tenth["capacity_ah"]["values"] == [9.51, None]
    assert tenth["capacity_ah"]["difference"] == [None, None]


def test_compare_reference_can_be_any_run():
    runs = [_run(7.2, 3.6), _run(9.36, 4.5), _run(9.4, 4.52)]
    row = _row(compare(runs, ["a", "b", "c"], reference=1), "capacity_ah")
    assert row["difference"] == [pytest.approx(7.2 - 9.36), None, pytest.approx(0.04)]
    assert row["sentence"][1] is None


def test_compare_is_antisymmetric():
    runs = [_run(7.2, 3.6), _run(9.36, 4.5)]
    there = _row(compare(runs, ["a", "b"]), "capacity_ah")
    back = _row(compare(runs, ["a", "b"], reference=1), "capacity_ah")
    assert there["difference"][1] == -back["difference"][0]
    assert there["u_difference"][1] == pytest.approx(back["u_difference"][0], rel=1e-12)
    assert there["ratio"][1] == pytest.approx(1 / back["ratio"][0])


def test_compare_notes_tell_what_else_differs():
    after = example_analysis({"capacity.mean_temperature_c": 12.0, "capacity.rate_it": 0.5, "pack.series": 13})
    notes = " ".join(compare([example_analysis(), after], ["before", "after"])["notes"])
    assert "declare the same instrument" in notes
    assert "tested at 23 °C and 12 °C" in notes
    assert "discharged at 0.2 It and 0.5 It" in notes
    assert "differ in number of groups: 10 and 13" in notes


@pytest.mark.parametrize(("pack", "judged"), [("EB-0412", False), ("EB-0415", True)])
def test_compare_state_of_health_of_one_pack_rated_anew_is_no_gain(pack, judged):
    """The same ampere-hours over a smaller label are a larger share; sister packs may well be rated differently."""
    first = example_analysis({"pack.id": "EB-0412"})
    again = example_analysis({"pack.id": pack, "pack.rated_capacity_ah": 8.0, "capacity.state_of_health": first["capacity"]["value_ah"] / 8.0})
    table = compare([first, again], ["A", "B"])
    row = next(row for row in table["rows"] if row["quantity"] == "state_of_health")
    assert (row["significant"][1], row["improved"][1]) == ((True, True) if judged else (None, None))
    assert ("no difference is claimed" in row["sentence"][1]) is not judged
    capacity = next(row for row in table["rows"] if row["quantity"] == "capacity_ah")
    assert capacity["significant"][1] is False and "rated capacit" in " ".join(table["notes"])


def test_compare_leaves_its_input_alone():
    runs = [example_analysis(), example_analysis()]
    before = copy.deepcopy(runs)
    compare(runs, ["a", "b"])
    assert runs == before


def test_compare_one_run_or_a_wrong_reference_is_an_input_error():
    with pytest.raises(InputError, match="one run alone"):
        compare([example_analysis()], ["a"])
    with pytest.raises(InputError, match="use a number from 1 to 2"):
        compare([example_analysis()] * 2, ["a", "b"], reference=2)
    with pytest.raises(ValueError):
        compare([example_analysis()] * 2, ["a"])


def test_example_analysis_agrees_with_itself():
    """The example's budget adds up to its u, and its state of health is capacity over rated."""
    capacity = example_analysis()["capacity"]
    total = math.sqrt(sum(row["standard_uncertainty_ah"] ** 2 for row in capacity["budget"]))
    assert capacity["u_value_ah"] == pytest.approx(total)
    assert capacity["state_of_health"] == pytest.approx(CAPACITY_AH / RATED_AH)


def test_same_instrument_equal_limits_without_an_id_prove_nothing():
    first, second = example_analysis(), example_analysis()
    assert same_instrument(first, second)
    for analysis in (first, second):
        analysis["instrument"]["id"] = None
    assert not same_instrument(first, second)


def _from_full(value_ah, hours, share, changes=None):
    """A run whose charge voltage leaves a share of its capacity open."""
    charge_voltage = share * value_ah
    u = math.hypot(_budget(value_ah, hours).u, charge_voltage)
    return _run(value_ah, hours, {
        "capacity.u_charge_voltage_ah": charge_voltage, "capacity.u_from_full_ah": u, "capacity.u_state_of_health": u / RATED_AH, **(changes or {}),
    })


def test_compare_runs_on_one_bench_share_what_the_charge_voltage_leaves_open():
    """0.4 % of 7.2 and of 9.36 Ah are 28.8 and 37.44 mAh, one error of one voltmeter: 8.64 mAh stay in the difference, 47.2 mAh on two benches."""
    before, after = _from_full(7.2, 3.6, 0.004), _from_full(9.36, 4.5, 0.004)
    rest = u_difference_from_budgets(_budget(7.2, 3.6), _budget(9.36, 4.5))
    table = compare([before, after], ["before", "after"])
    for quantity, rated in (("capacity_ah", 1.0), ("state_of_health", RATED_AH)):
        row = _row(table, quantity)
        assert row["u"] == pytest.approx([math.hypot(_budget(q, h).u, 0.004 * q) / rated for q, h in ((7.2, 3.6), (9.36, 4.5))], rel=1e-9)
        assert row["u_difference"][1] == pytest.approx(math.hypot(rest, 0.00864) / rated, rel=1e-9)
    other = _from_full(9.36, 4.5, 0.004, {"instrument.id": "bench 3"})
    alone = _row(compare([before, other], ["before", "after"]), "capacity_ah")
    assert alone["u_difference"][1] == pytest.approx(math.hypot(*alone["u"]), rel=1e-9) and alone["u_difference"][1] > 0.047


def test_charge_voltage_of_another_share_is_not_one_error():
    """Another charge voltage or another curve: 0.4 and 0.5 % cannot be one error, and count as two."""
    first, second = Budgeted(10.0, {"charge voltage": 0.04}), Budgeted(8.0, {"charge voltage": 0.04})
    assert u_difference_from_budgets(first, second) == pytest.approx(math.hypot(0.04, 0.04))
    assert u_difference_from_budgets(first, Budgeted(8.0, {"charge voltage": 0.032})) == pytest.approx(0.008)


# --- what changed ------------------------------------------------------------------------------------------


def test_changes_sorts_what_is_better_within_and_not_claimed():
    table = compare([_run(7.0, 3.5), _run(9.0, 4.5)], ["before", "after"])
    found = changes(table, 1)
    capacity = next(item for item in found["better"] if item["quantity"] == "capacity_ah")
    # 9 - 7 Ah with the 6.7721 mAh of the hand-worked budget above, doubled.
    assert (capacity["label"], capacity["difference"]) == ("Capacity", "+2.000 ± 0.014 Ah")
    health = next(item for item in found["better"] if item["quantity"] == "state_of_health")
    assert health["difference"].startswith("+") and health["difference"].endswith("percentage points")
    assert "resistance_10s_ohm" in {item["quantity"] for item in found["within"]}
    assert "limiting_group" not in {item["quantity"] for items in found.values() for item in items}


def test_changes_of_the_same_two_runs_turned_round_are_worse():
    found = changes(compare([_run(9.0, 4.5), _run(7.0, 3.5)], ["before", "after"]), 1)
    capacity = next(item for item in found["worse"] if item["quantity"] == "capacity_ah")
    assert capacity["difference"] == "-2.000 ± 0.014 Ah"


def test_changes_claims_nothing_from_an_invalid_test():
    table = compare([_run(7.0, 3.5), _run(9.0, 4.5, {"capacity.valid": False})], ["before", "after"])
    found = changes(table, 1)
    assert {"capacity_ah", "state_of_health"} <= {item["quantity"] for item in found["unclaimed"]}
    assert not {"capacity_ah", "state_of_health"} & {item["quantity"] for key in ("better", "worse", "differs", "within") for item in found[key]}


def test_doubts_name_another_start_and_another_bench():
    first, second = _run(7.0, 3.5), _run(9.0, 4.5, {"capacity.started_full": False})
    same = compare([first, _run(9.0, 4.5)], ["before", "after"])
    assert same["doubts"] == [[], []]
    doubts = compare([first, second], ["before", "after"])["doubts"]
    assert doubts[0] == [] and any("after was not shown to be" in note for note in doubts[1])
    second["instrument"]["id"] = "another"
    table = compare([first, second], ["before", "after"])
    assert any("independent" in note for note in table["doubts"][1]) and set(table["doubts"][1]) <= set(table["notes"])
