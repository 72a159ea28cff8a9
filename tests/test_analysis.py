"""The orchestrator: what does not fit together is named and invalidates, groups without readings are never averaged in."""

from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.conduct import implausible_efficiency
from cycler.errors import InputError
from cycler.log import Gap
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


def test_sag_uncertainty_covers_repeated_noisy_tests():
    # Second method, Monte Carlo: one test, 30 draws of 1 mV reading noise at 1 Hz; the standard deviation of the sag must lie near
    # the noise terms of u_sag_10s_v (gains are no part of the scatter and are set to zero).
    bench = Instrument(0, 0, 0, 0, 0, 0, 1.0, 0.0, declared=True)
    sags, stated = [], []
    for seed in range(30):
        log, _ = simple_test((10.0, 10.1, 9.9), dt=1.0, rest_s=120.0, cutoff_v=3.9, noise_v=0.001, seed=seed)
        rows = analyze(log, replace(PACK, series=3, charge_voltage_v=12.6, cutoff_voltage_v=9.0, instrument=bench)).to_dict()["groups"]
        sags.append([row["sag_10s_v"] for row in rows])
        stated.append([row["u_sag_10s_v"] for row in rows])
    spread, median = float(np.mean(np.std(sags, axis=0))), float(np.median(stated))
    assert 0.6 * spread <= median <= 4.0 * spread
    assert median > 0.0003


def test_efficiency_uncertainty_from_a_zero_error_over_charge_and_discharge():
    # Closed form: a zero error a (half-width, rectangular) moves Q_dis/Q_chg by a (T_chg/Q_chg + T_dis/Q_dis); with no gain error left it is
    # the whole uncertainty.
    from cycler.efficiencysheet import efficiency_sheet
    from tests.measures.test_rest_thermal_efficiency import charge, discharge

    pair = Pairing(2.5 / 2.515, 0.95, charge(20.0, 20.0 + 7200.0, 2.515), discharge(0.0, 18000.0, 2.5))
    pack = replace(PACK, instrument=Instrument(0, 0, 0, 0, 0, 0.006, 1.0, 0.0, declared=True))
    zero_ah = [0.006 / 3**0.5 * hours for hours in (2.0, 5.0)]
    into, out = ({"budget": [{"source": "current offset", "standard_uncertainty_ah": u}]} for u in zero_ah)
    sheet = efficiency_sheet(pair, pack, None, (pair.discharge,), [out], (pair.charge,), [into])
    expected = 2.5 / 2.515 * 0.006 / 3**0.5 * (2.0 / 2.515 + 5.0 / 2.5)
    assert sheet["u_coulombic"] == pytest.approx(expected, rel=1e-9)


def test_capacity_zero_error_beyond_the_stated_limit_widens_the_interval():
    log = five_groups()
    shifted = make_log(log.time_s, log.voltage_v, log.current_a - 0.02, log.group_voltage_v, log.temperature_c)
    plain_, off = (analyze(item, PACK).to_dict() for item in (log, shifted))
    assert "current_offset" in codes(off)
    error = off["capacity"]["value_ah"] - plain_["capacity"]["value_ah"]
    # 20 mA over two hours, four times the 5 mA stated.
    assert error == pytest.approx(0.02 * 2.0, rel=0.05)
    assert error <= 2.0 * off["capacity"]["u_value_ah"]
    assert error > 2.0 * plain_["capacity"]["u_value_ah"]


def test_capacity_large_zero_error_of_a_clamp_meter_is_still_rest():
    # -50 mA at a load of 2 A (2.5 %): the rests must not be integrated.
    log, _ = simple_test(CAPS, current_a=2.0, dt=5.0, group_cutoff_v=2.8)
    shifted = make_log(log.time_s, log.voltage_v, log.current_a - 0.05, log.group_voltage_v, log.temperature_c)
    kinds = [s["kind"] for s in analyze(shifted, PACK).to_dict()["steps"]]
    assert kinds == ["rest", "charge_cv", "rest", "discharge_cc", "rest"]


def test_capacity_coarse_ammeter_widens_the_interval():
    # 0.1 A steps at 5.04 A read 5.0 A: 0.8 % of the charge, which the interval must cover.
    log, true_ah = simple_test(CAPS, current_a=5.04, group_cutoff_v=2.8)
    coarse = make_log(log.time_s, log.voltage_v, np.round(log.current_a, 1), log.group_voltage_v, log.temperature_c)
    capacity = analyze(coarse, PACK).to_dict()["capacity"]
    assert abs(capacity["value_ah"] - true_ah) <= 2.0 * capacity["u_value_ah"]
    assert abs(capacity["value_ah"] - true_ah) > 0.004 * true_ah


def gap_of_load(rise):
    """Five groups with 800 s of the discharge missing, after which the pack stands ``rise`` (a share) above where it was."""
    log = five_groups()
    load = np.flatnonzero(log.current_a < -1)
    before, after = load[899], load[1300]
    keep = np.ones(log.rows, dtype=bool)
    keep[before + 1 : after] = False
    gap = Gap(float(log.time_s[before]), float(log.time_s[after] - log.time_s[before]))
    groups = log.group_voltage_v.copy()
    lift = (1.0 + rise) * groups[before].sum() - groups[after].sum()
    groups[after:] += lift / 5
    return make_log(log.time_s[keep], None, log.current_a[keep], groups[keep], log.temperature_c[keep], [gap])


def test_capacity_gap_across_which_the_voltage_fell_leaves_a_lower_bound():
    capacity = analyze(gap_of_load(-0.01), PACK).to_dict()["capacity"]
    # So lifted, the log ends above the cut-off, which is a reason of its own.
    assert capacity["reasons"] == ["discharge_incomplete", "log_gap"]
    assert capacity["is_lower_bound"] is True


def test_capacity_gap_across_which_the_voltage_rose_is_no_lower_bound():
    # Under one load voltage can only fall; 0.2 % up means that charge may have come in while nobody logged.
    capacity = analyze(gap_of_load(0.002), PACK).to_dict()["capacity"]
    # So lifted, the log ends above the cut-off, which is a reason of its own.
    assert capacity["reasons"] == ["discharge_incomplete", "log_gap"]
    assert capacity["is_lower_bound"] is False


def test_capacity_gap_with_a_plain_recharge_ends_the_discharge():
    found = analyze(gap_of_load(0.02), PACK).to_dict()
    assert len(found["capacities"]) == 2
    assert not any(capacity["valid"] for capacity in found["capacities"])


def test_ohmic_part_of_a_group_sum_adds_what_all_groups_share_linearly():
    # One edge, one instant, one extrapolation for all groups: u of the sum is the sum of u, not its root sum of squares (which would be
    # sqrt(5) times smaller here). Gains are zero, so nothing else enters.
    bench = Instrument(0, 0, 0, 0, 0, 0, 1.0, 0.0, declared=True)
    log, _ = simple_test(CAPS, dt=1.0, group_cutoff_v=2.8, noise_v=0.0004)
    two_wire = replace(PACK, instrument=replace(bench, sense="two-wire"))
    found = analyze(make_log(log.time_s, None, log.current_a, log.group_voltage_v, log.temperature_c), two_wire).to_dict()
    assert found["resistance"]["headline"]["source"] == "group_sum"
    each = [row["u_ohmic_ohm"] for row in found["groups"]]
    assert found["resistance"]["headline"]["u_ohmic_ohm"] == pytest.approx(sum(each), rel=1e-6)


def test_interconnect_uncertainty_counts_the_common_instant_of_the_edge_once():
    # Pack and groups see the same edge: with channels of the same slope the instant cancels in their difference. Closed form:
    # noise in quadrature, |0.010 - 5 x 0.002| = 0 for the instant, no gains.
    from cycler.measures.resistance import StepResponse
    from cycler.resistancetable import _interconnect_u

    def response(instant, noise):
        return StepResponse((0.1, 0.1, 0.1), 0.6 * noise, (0.8 * noise,) * 3, (instant,) * 3, None, None, 0.5, 0.1, 4.0, None)

    pack = replace(PACK, instrument=Instrument(0, 0, 0, 0, 0, 0, 1.0, 0.0, declared=True))
    u = _interconnect_u(pack, response(0.010, 3e-4), [response(0.002, 1e-4)] * 5, 0.5, 0.5, 1)
    assert u == pytest.approx((9e-8 + 5e-8) ** 0.5, rel=1e-9)


def test_resistance_coarse_ammeter_widens_the_interval():
    # 0.1 A steps: two readings differ by dI with u = 0.1/sqrt(6) A, 0.81 % of the 5.04 A edge; the true 20 mOhm per group must lie inside.
    log, _ = simple_test(CAPS, current_a=5.04, dt=1.0, group_cutoff_v=2.8)
    coarse = make_log(log.time_s, None, np.round(log.current_a, 1), log.group_voltage_v, log.temperature_c)
    budget = {line["source"]: line["standard_uncertainty_ohm"] for line in analyze(coarse, PACK).to_dict()["resistance"]["budget"]}
    value = analyze(coarse, PACK).to_dict()["resistance"]["headline"]["ohm_10s"]
    assert budget["current noise and resolution"] / value == pytest.approx(0.1 / 6**0.5 / 5.0, rel=0.03)


def test_efficiency_pair_without_charge_or_energy_is_no_pair():
    from cycler.measures.efficiency import pair_charge_discharge
    from tests.measures.test_rest_thermal_efficiency import charge, discharge

    for lost, back in ((0.0, 2.5), (2.5, 0.0), (-0.1, 2.5)):
        assert pair_charge_discharge((discharge(0, 10, lost),), (charge(20, 30, back),))[0] is None


def test_analyze_groups_only_counts_with_the_group_channels():
    # Groups only: pack voltage is their sum, so 1 % of the group channels must show in the energy.
    log = five_groups()
    alone = make_log(log.time_s, np.full(log.rows, np.nan), log.current_a, log.group_voltage_v, log.temperature_c)
    bench = Instrument(1e-4, 0.0, 0.01, 0.0, 0.0, 0.0, 1.0, 0.0, declared=True)
    found = analyze(alone, replace(PACK, instrument=bench)).to_dict()
    assert found["capacity"]["u_energy_wh"] / found["capacity"]["energy_wh"] >= 0.01 / 3**0.5
    assert found["resistance"]["headline"]["source"] == "group_sum"
    assert found["instrument"]["voltage_gain"] == 1e-4


def test_analyze_start_deficit_is_withheld_where_the_pack_was_not_full():
    log, _ = simple_test(CAPS, deficits_ah=(2.0,) * 5, taper=False, group_cutoff_v=2.8)
    rows = analyze(log, PACK).to_dict()["groups"]
    assert all(row["start_deficit_ah"] is None and row["lag_to_siblings_ah"] is not None for row in rows)


def test_instrument_limits_left_out_are_the_coarse_defaults_never_zero():
    pack = pack_from_dict({"instrument": {"current_gain": 0.002, "voltage_offset_v": 0.02}})
    bench = pack.instrument
    assert bench.declared
    assert (bench.current_offset_a, bench.voltage_gain, bench.group_voltage_offset_v) == (0.01, 0.01, 0.02)
    assert set(bench.defaulted) == {"voltage_gain", "group_voltage_gain", "current_offset_a", "temperature_offset_c"}


def test_pack_as_stored_is_taken_back_unchecked():
    from cycler.pack import pack_from_stored

    pack = replace(PACK, instrument=BENCH)
    assert pack_from_stored(pack.to_dict()) == pack
    assert pack_from_stored({"series": 99999, "of_a_later_version": 1}).series == 99999


@pytest.mark.parametrize("name", [True, "a\nb", " ", "x" * 201])
def test_pack_id_is_a_name_on_one_line(name):
    with pytest.raises(InputError):
        pack_from_dict({"id": name})
