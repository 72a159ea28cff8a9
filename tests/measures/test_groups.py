"""Groups: capacity and start deficit from one discharge, and what is told apart by them."""

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.findings import GroupFigures, diagnose_group
from cycler.measures import groups
from cycler.pack import Instrument, Pack
from tests.corelogs import ocv, simple_test

BENCH = Instrument(0.001, 0.01, 0.001, 0.002, 0.002, 0.005, 1.0, 0.0001, declared=True)


def run(caps, **keys):
    pack = Pack(
        series=len(caps), rated_capacity_ah=10.0, charge_voltage_v=4.2 * len(caps), cutoff_voltage_v=3.0 * len(caps),
        group_cutoff_voltage_v=2.8, taper_current_a=0.25, chemistry="nmc", instrument=BENCH,
    )
    log, _ = simple_test(caps, group_cutoff_v=2.8, noise_v=0.0004, **keys)
    return analyze(log, pack).to_dict()


def to_cutoff(capacity, drop_v=0.1, cutoff_v=2.8):
    """Charge from full to the group's cut-off under load, by bisection on the curve of tests/corelogs.py."""
    low, high = 0.5 * capacity, 1.2 * capacity
    for _ in range(60):
        q = 0.5 * (low + high)
        low, high = (q, high) if float(ocv(q / capacity)) - drop_v > cutoff_v else (low, q)
    return low


@pytest.mark.parametrize("weak", [7.0, 8.5, 9.4])
def test_group_capacity_weak_group_found_and_siblings_estimated_within_interval(weak):
    caps = (10.0, 10.05, weak, 9.95, 10.1)
    result = run(caps)
    assert result["limiting_group"] == 3
    row = result["groups"][2]
    assert not row["capacity_is_estimate"]
    assert row["capacity_ah"] == pytest.approx(to_cutoff(weak), rel=0.003)
    assert "weak_group" in row["findings"]
    for g in (0, 1, 3, 4):
        other = result["groups"][g]
        assert other["capacity_is_estimate"]
        assert abs(other["capacity_ah"] - to_cutoff(caps[g])) <= 2.0 * other["u_capacity_ah"]
    assert "group_out_of_balance" not in {f["code"] for f in result["findings"]}


@pytest.mark.parametrize("lag", [0.5, 0.8, 1.5])
def test_group_start_deficit_out_of_balance_is_not_called_weak(lag):
    result = run((10.0, 10.05, 9.98, 9.95, 10.02), deficits_ah=(0.0, 0.0, lag, 0.0, 0.0))
    row = result["groups"][2]
    assert result["limiting_group"] == 3
    assert abs(row["start_deficit_ah"] - lag) <= max(2.0 * row["u_start_deficit_ah"], 0.05)
    assert "group_out_of_balance" in row["findings"]
    assert "weak_group" not in row["findings"]


def test_group_healthy_pack_has_no_group_findings():
    result = run((10.0, 10.05, 9.98, 9.95, 10.02))
    assert [row["findings"] for row in result["groups"]] == [[]] * 5


def test_capacity_if_limiting_group_matched_is_what_the_next_bound_allows():
    result = run((10.0, 10.0, 7.0, 10.0, 10.0))
    # With five groups of 10 Ah the pack would go to its own cut-off of 15.0 V: 3.1 V open circuit per group.
    expected = to_cutoff(10.0, 0.1, 3.0)
    assert result["capacity_if_limiting_group_matched_ah"] == pytest.approx(expected, rel=0.02)


def test_places_left_out_by_their_priors_alone_are_of_no_account(monkeypatch):
    """A group laid on another: the grid is worked out where it can be within ``NEAR`` of the least, and is the whole grid there."""
    quick, shares = groups._cost_near, []

    def held_against_the_whole_grid(space, a, b):
        cost, whole = quick(space, a, b), groups._misfit(space, a, b)[0]
        near = whole <= np.min(whole) + groups.NEAR
        assert np.array_equal(cost[near], whole[near]) and np.all(cost[~near] > np.min(whole) + groups.NEAR)
        shares.append(float(np.mean(np.isfinite(cost))))
        return cost

    monkeypatch.setattr(groups, "_cost_near", held_against_the_whole_grid)
    run((10.0, 10.05, 8.5, 9.95, 10.1), deficits_ah=(0.0, 0.6, 0.0, 0.1, 0.0))
    assert len(shares) >= 12 and min(shares) < 0.9


def test_sag_end_is_siblings_median_minus_group():
    result = run((10.0, 10.0, 7.0, 10.0, 10.0))
    ends = np.array([row["end_voltage_v"] for row in result["groups"]])
    assert result["groups"][2]["sag_end_v"] == pytest.approx(np.median(np.delete(ends, 2)) - ends[2], abs=1e-9)
    assert result["groups"][2]["end_voltage_v"] == pytest.approx(2.8, abs=0.002)


def test_group_table_without_group_voltages_is_empty():
    log, _ = simple_test((10.0, 10.0))
    from tests.corelogs import make_log

    result = analyze(make_log(log.time_s, log.voltage_v, log.current_a), Pack()).to_dict()
    assert result["groups"] == []
    assert result["limiting_group"] is None
    assert "no_group_voltages" in {f["code"] for f in result["findings"]}


def figures(**keys):
    base = dict(
        group=2, capacity_ratio=1.0, u_capacity_ratio=0.005, shape_ratio=1.0, u_shape_ratio=0.005, capacity_ah=10.0, start_deficit_ah=0.0, u_start_deficit_ah=0.05,
        resistance_10s_ohm=0.020, u_resistance_10s_ohm=0.0002, siblings_10s_ohm=0.020, ohmic_ohm=0.013, u_ohmic_ohm=0.0003,
        siblings_ohmic_ohm=0.013, growth_ohm=None, u_growth_ohm=None, siblings_growth_ohm=None, rest_behind_v=0.0, self_discharge_ma=None, u_self_discharge_ma=None, min_voltage_v=3.0, max_voltage_v=4.2,
    )
    return GroupFigures(**(base | keys))


@pytest.mark.parametrize(
    ("changes", "codes"),
    [
        ({}, []),
        ({"ohmic_ohm": 0.025, "resistance_10s_ohm": 0.032}, ["high_joint_resistance"]),
        ({"ohmic_ohm": 0.0195, "resistance_10s_ohm": 0.030}, ["high_resistance"]),
        ({"ohmic_ohm": None, "u_ohmic_ohm": None, "resistance_10s_ohm": 0.032}, ["high_resistance"]),
        ({"resistance_10s_ohm": 0.028, "u_resistance_10s_ohm": 0.006, "ohmic_ohm": None}, []),
        ({"capacity_ratio": 0.90, "u_capacity_ratio": 0.06}, []),
        ({"capacity_ratio": 0.90, "u_capacity_ratio": 0.01}, ["weak_group"]),
        # A joint ends the discharge of a sound group early: the shape of its curve tells, not the charge to its cut-off.
        (
            {"capacity_ratio": 0.90, "u_capacity_ratio": 0.01, "ohmic_ohm": 0.025, "resistance_10s_ohm": 0.032},
            ["high_joint_resistance"],
        ),
        (
            {"capacity_ratio": 0.80, "u_capacity_ratio": 0.01, "shape_ratio": 0.85, "ohmic_ohm": 0.025, "resistance_10s_ohm": 0.032},
            ["weak_group", "high_joint_resistance"],
        ),
        ({"start_deficit_ah": 0.5, "u_start_deficit_ah": 0.2}, []),
        ({"start_deficit_ah": 0.5, "u_start_deficit_ah": 0.2, "rest_behind_v": 0.03}, ["group_out_of_balance"]),
        ({"start_deficit_ah": 0.5, "u_start_deficit_ah": 0.1}, ["group_out_of_balance"]),
        (
            {"ohmic_ohm": None, "resistance_10s_ohm": 0.032, "growth_ohm": 0.003, "u_growth_ohm": 0.0002, "siblings_growth_ohm": 0.003},
            ["high_joint_resistance"],
        ),
        (
            {"ohmic_ohm": None, "resistance_10s_ohm": 0.032, "growth_ohm": 0.0048, "u_growth_ohm": 0.0002, "siblings_growth_ohm": 0.003},
            ["high_resistance"],
        ),
        ({"self_discharge_ma": 8.0, "u_self_discharge_ma": 1.0}, ["self_discharge"]),
        ({"self_discharge_ma": 8.0, "u_self_discharge_ma": 5.0}, []),
        ({"min_voltage_v": 2.3}, ["group_undervoltage"]),
        ({"max_voltage_v": 4.31}, ["group_overvoltage"]),
    ],
)
def test_diagnose_group_tells_causes_apart(changes, codes):
    # Thresholds: common practice, no source (see cycler/findings.py); here only their logic is held.
    assert [f.code for f in diagnose_group(figures(**changes), 10.0, 2.5, 4.25)] == codes
