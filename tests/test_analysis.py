"""The orchestrator: what does not fit together is named and invalidates, groups without readings are never averaged in."""

from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.conduct import implausible_efficiency
from cycler.errors import InputError
from cycler.measures.efficiency import Pairing
from cycler.pack import Instrument, Pack, pack_from_dict
from tests.corelogs import make_log, simple_test

BENCH = Instrument(0.001, 0.01, 0.001, 0.002, 0.002, 0.005, 1.0, 0.0001, declared=True)
PACK = Pack(
    series=5, rated_capacity_ah=10.0, charge_voltage_v=21.0, cutoff_voltage_v=15.0, taper_current_a=0.25, chemistry="nmc",
    group_cutoff_voltage_v=2.8, instrument=BENCH,
)
CAPS = (10.0, 10.1, 9.9, 10.0, 10.05)


def codes(found):
    return {f["code"] for f in found["findings"]}


def five_groups(change=None):
    log, _ = simple_test(CAPS, group_cutoff_v=2.8, noise_v=0.0004)
    if change is None:
        return log
    groups = log.group_voltage_v.copy()
    change(groups)
    return make_log(log.time_s, log.voltage_v, log.current_a, groups, log.temperature_c)


def test_analyze_healthy_pack_passes():
    found = analyze(five_groups(), PACK).to_dict()
    assert found["verdict"]["result"] == "pass"
    assert not codes(found) & {"limits_do_not_fit", "group_not_logged", "group_count_mismatch"}


@pytest.mark.parametrize(
    ("fill", "code"), [(np.nan, "group_not_logged"), (0.0, "group_reading_dead"), (3.7, "group_reading_frozen")]
)
def test_analyze_group_without_usable_readings_is_named_and_left_out(fill, code):
    def spoil(groups):
        groups[:, 3] = fill

    found = analyze(five_groups(spoil), PACK).to_dict()
    assert code in codes(found)
    assert [row["group"] for row in found["groups"]] == [1, 2, 3, 4, 5]
    lost = found["groups"][3]
    assert lost["findings"] == [code] and lost["capacity_ah"] is None and lost["resistance_10s_ohm"] is None
    assert all(row["capacity_ah"] is not None for row in found["groups"] if row["group"] != 4)
    # The unseen group might be the one that limits.
    assert found["limiting_group"] is None
    assert found["capacity_if_limiting_group_matched_ah"] is None
    assert found["verdict"]["result"] != "pass"
    assert {row["group"] for row in found["resistance"]["groups"]} == {1, 2, 3, 5}


def test_analyze_numbers_of_groups_stay_when_one_column_is_missing():
    def spoil(groups):
        groups[:, 1] = np.nan

    log, _ = simple_test((10.0, 10.1, 9.9, 7.0, 10.05), group_cutoff_v=2.8, noise_v=0.0004)
    groups = log.group_voltage_v.copy()
    spoil(groups)
    found = analyze(make_log(log.time_s, log.voltage_v, log.current_a, groups, log.temperature_c), PACK).to_dict()
    assert found["capacity"]["end_group"] == 4
    assert found["limiting_group"] == 4
    weak = next(f for f in found["findings"] if f["code"] == "weak_group")
    assert weak["group"] == 4 and "Group 4" in weak["message"]


def test_analyze_pack_file_of_another_pack_proves_nothing():
    wrong = replace(PACK, series=10, charge_voltage_v=42.0, cutoff_voltage_v=30.0)
    found = analyze(five_groups(), wrong).to_dict()
    assert "limits_do_not_fit" in codes(found)
    assert found["findings"][0]["code"] == "limits_do_not_fit"
    assert not found["capacity"]["valid"] and "limits_do_not_fit" in found["capacity"]["reasons"]
    assert found["verdict"]["result"] == "not_proven"


def test_analyze_more_than_rated_is_doubted():
    found = analyze(five_groups(), replace(PACK, rated_capacity_ah=7.0)).to_dict()
    assert "capacity_above_rating" in codes(found)


def test_implausible_efficiency_above_one_by_more_than_its_uncertainty():
    # Window 0.98 to 1.005 for lithium cells: common practice, no source.
    assert implausible_efficiency(Pairing(1.37, 1.26, None, None), 0.002)
    assert not implausible_efficiency(Pairing(1.006, 0.95, None, None), 0.002)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"series": 10, "charge_voltage_v": 29.4}, "charge_voltage_v does not fit 10 nmc groups"),
        ({"series": 7, "charge_voltage_v": 29.4, "cutoff_voltage_v": 11.0}, "cutoff_voltage_v does not fit 7 nmc groups"),
        ({"series": 10, "charge_voltage_v": 42.0, "cutoff_voltage_v": 43.0}, "cutoff_voltage_v is not below charge_voltage_v"),
    ],
)
def test_pack_voltages_are_checked_against_series_and_chemistry(changes, what):
    with pytest.raises(InputError) as caught:
        pack_from_dict({"chemistry": "nmc"} | changes)
    assert caught.value.what == what


def test_analyze_bad_joint_does_not_count_as_over_voltage():
    # 30 mOhm of joint read 75 mV more than the cells at 2.5 A of charge; the cells stayed at 4.20 V.
    log, _ = simple_test(CAPS, resistances_ohm=(0.02, 0.02, 0.05, 0.02, 0.02), group_cutoff_v=2.8, dt=1.0)
    groups = log.group_voltage_v.copy()
    groups[log.current_a > 0, 2] += 0.03 * log.current_a[log.current_a > 0]
    found = analyze(make_log(log.time_s, None, log.current_a, groups, log.temperature_c), PACK).to_dict()
    assert max(groups[:, 2]) > 4.25
    assert "high_joint_resistance" in codes(found)
    assert "group_overvoltage" not in codes(found)
