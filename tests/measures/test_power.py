"""Power for 10 s: the formula, what bounds it, its uncertainty, and when it is withheld."""

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from cycler.analysis import analyze
from cycler.measures.power import Channel, capability, pulse_power_w
from cycler.pack import Instrument, Pack
from tests.corelogs import make_log

BENCH = Instrument(0.0005, 0.01, 0.0005, 0.001, 0.002, 0.005, 1.0, 0.0001, declared=True)


def test_pulse_power_worked_values():
    # Source: formula of INL/EXT-15-34184 from memory; arithmetic: 2.5 * 1.2/0.045 W, 4.2 * 0.48/0.040 W.
    assert pulse_power_w(2.50, 3.70, 0.045) == pytest.approx(66.6666667, abs=1e-6)
    assert pulse_power_w(4.20, 3.72, 0.040) == pytest.approx(50.4, abs=1e-9)


def test_pulse_power_peaks_at_half_the_open_circuit_voltage():
    # Maximum power transfer, OCV^2/4R = 76.0556 W at 1.85 V (textbook).
    volts = np.linspace(1.0, 3.6, 2601)
    power = np.array([pulse_power_w(v, 3.70, 0.045) for v in volts])
    assert power.max() == pytest.approx(76.0556, abs=1e-4) and volts[power.argmax()] == pytest.approx(1.85, abs=1e-3)


def channel(ocv, ohm, limit, u_ocv=0.0, u_ohm=0.0, gain=0.0):
    return Channel(ocv, u_ocv, ohm, u_ohm, limit, gain)


PACK = channel(37.0, 0.150, 30.0)


def test_capability_bound_by_the_pack_voltage_is_the_formula():
    found = capability(PACK, tuple(channel(3.7, 0.014, 2.5) for _ in range(10)))
    assert (found.limited_by, found.group) == ("pack_voltage", None)
    assert found.power_w == pytest.approx(30.0 * 7.0 / 0.150)
    assert found.end_voltage_v == pytest.approx(30.0)


def test_capability_bound_by_the_group_that_gets_low_first():
    groups = [channel(3.7, 0.014, 2.8) for _ in range(10)]
    groups[3] = channel(3.6, 0.040, 2.8)
    found = capability(PACK, tuple(groups))
    # 0.8 V over 40 mOhm are 20 A; the pack then stands at 37 - 20 * 0.15 = 34 V.
    assert (found.limited_by, found.group) == ("group_voltage", 4)
    assert found.current_a == pytest.approx(20.0) and found.end_voltage_v == pytest.approx(34.0)
    assert found.power_w == pytest.approx(680.0)
    assert found.power_w == pytest.approx(pulse_power_w(found.end_voltage_v, 37.0, 0.150))


def test_capability_bound_by_the_rated_current():
    found = capability(PACK, (), 15.0)
    assert (found.limited_by, found.group) == ("max_discharge_current", None)
    assert found.power_w == pytest.approx(15.0 * (37.0 - 15.0 * 0.150))


def test_capability_without_any_limit_is_not_known():
    assert capability(channel(37.0, 0.15, None)) is None
    assert capability(channel(37.0, 0.15, None), (channel(3.7, 0.015, 2.8),)).limited_by == "group_voltage"


def test_capability_below_its_limit_gives_nothing():
    assert capability(channel(29.0, 0.15, 30.0)).power_w == 0.0


def gains(ohm, group_ohm, gain, own, group_own):
    """Two resistances that share a relative gain error, as correlated values of the `uncertainties` library."""
    shared = gain**2 * np.outer((ohm, group_ohm), (ohm, group_ohm))
    return correlated_values((ohm, group_ohm), shared + np.diag((own**2, group_own**2)))


@pytest.mark.parametrize("limited_by", ["pack_voltage", "group_voltage", "max_discharge_current"])
def test_capability_uncertainty_agrees_with_the_uncertainties_library(limited_by):
    own, group_own, gain = 0.6e-3, 0.3e-3, 0.004
    r, r_group = gains(0.150, 0.040, gain, own, group_own)
    ocv, ocv_group = ufloat(37.0, 0.02), ufloat(3.6, 0.004)
    whole = channel(37.0, 0.150, 30.0, 0.02, np.hypot(own, gain * 0.150), gain)
    group = channel(3.6, 0.040, 2.8, 0.004, np.hypot(group_own, gain * 0.040), gain)
    if limited_by == "pack_voltage":
        found, expected = capability(whole), 30.0 * (ocv - 30.0) / r
    elif limited_by == "group_voltage":
        current = (ocv_group - 2.8) / r_group
        found, expected = capability(whole, (group,)), current * (ocv - current * r)
    else:
        found, expected = capability(whole, (group,), 15.0), 15.0 * (ocv - 15.0 * r)
    assert found.limited_by == limited_by
    assert found.power_w == pytest.approx(expected.nominal_value, rel=1e-9)
    assert found.u_power_w == pytest.approx(expected.std_dev, rel=1e-4)


def load_log(ohms, load_a=5.0, rest_s=1900.0, load_s=60.0, ocv_v=3.7, dt=0.5, voltage_v=None):
    """Purely ohmic groups: rest, load, rest."""
    t = np.arange(0.0, rest_s + load_s + 60.0, dt)
    current = np.where((t >= rest_s) & (t < rest_s + load_s), -load_a, 0.0)
    groups = ocv_v + current[:, None] * np.asarray(ohms)
    return make_log(t, None if voltage_v is None else voltage_v(groups, current), current, groups)


def power_of(log, **pack):
    return analyze(log, Pack(instrument=BENCH, **pack)).to_dict()["power"]


def test_sheet_weakest_group_bounds_the_pack_and_the_interconnect_counts():
    ohms = [0.020, 0.020, 0.050, 0.020]
    log = load_log(ohms, voltage_v=lambda groups, current: groups.sum(axis=1) + 0.010 * current)
    found = power_of(log, series=4, charge_voltage_v=16.8, cutoff_voltage_v=11.2, group_cutoff_voltage_v=2.8)
    # 0.9 V over 50 mOhm: 18 A; pack 14.8 V less 18 A times 120 mOhm (110 of the groups, 10 between them): 12.64 V.
    assert (found["limited_by"], found["group"], found["limit_v"]) == ("group_voltage", 3, 2.8)
    assert found["current_a"] == pytest.approx(18.0, rel=1e-3)
    assert found["min_voltage_v"] == pytest.approx(12.64, rel=1e-3)
    assert found["discharge_10s_w"] == pytest.approx(18.0 * 12.64, rel=1e-3)
    assert found["discharge_10s_w"] == pytest.approx(
        pulse_power_w(found["min_voltage_v"], found["ocv_v"], found["resistance_ohm"]), rel=1e-9
    )
    # 18 A from a step of 5 A: 1.85 doublings, 5.3 % of R (standard), and P falls in the same proportion (the group's current is 0.9 V/R).
    assert found["u_discharge_10s_w"] / found["discharge_10s_w"] == pytest.approx(0.05 * np.log2(18.0 / 5.0) / 3**0.5, rel=0.1)
    weakest = found["weakest_group"]
    assert weakest["group"] == 3 and weakest["discharge_10s_w"] == pytest.approx(2.8 * 0.9 / 0.050, rel=1e-3)
    assert found["reasons"] == ["extrapolated_current"]
    assert "not the manual's whole procedure" in found["procedure"]


def test_sheet_uncertainty_joins_resistance_and_open_circuit_voltage():
    result = analyze(load_log([0.080]), Pack(series=1, cutoff_voltage_v=2.8, instrument=BENCH)).to_dict()
    found, head = result["power"], result["resistance"]["headline"]
    assert found["limited_by"] == "pack_voltage" and found["resistance_ohm"] == head["ohm_10s"]
    # First-order propagation of 2.8 (OCV - 2.8)/R; limits of the voltmeter 0.05 % and 10 mV, rectangular; R at 11.25 A may differ from that at
    # 5 A by 5 % for each doubling, rectangular.
    u_ocv = np.hypot(0.0005 * 3.7, 0.010) / 3**0.5
    expected = np.hypot(2.8 / 0.080 * u_ocv, 2.8 * 0.9 / 0.080 * np.hypot(head["u_ohm_10s"] / 0.080, 0.05 * np.log2(11.25 / 5.0) / 3**0.5))
    assert found["u_discharge_10s_w"] == pytest.approx(expected, rel=0.02)


def test_sheet_rated_current_bounds_the_power():
    found = power_of(load_log([0.020] * 4), series=4, cutoff_voltage_v=11.2, group_cutoff_voltage_v=2.8, max_discharge_current_a=8.0)
    assert found["limited_by"] == "max_discharge_current" and found["current_a"] == 8.0 and found["group"] is None
    assert found["discharge_10s_w"] == pytest.approx(8.0 * (14.8 - 8.0 * 0.080), rel=1e-3)
    assert found["reasons"] == []


@pytest.mark.parametrize(
    ("reason", "log", "pack"),
    [
        ("no_load_step", {"load_a": -5.0}, {"cutoff_voltage_v": 11.2}),
        ("no_load_step", {"load_s": 4.0}, {"cutoff_voltage_v": 11.2}),
        ("sampling_too_coarse", {"dt": 60.0, "load_s": 600.0}, {"cutoff_voltage_v": 11.2}),
        ("sampling_too_coarse", {"dt": 15.0}, {"cutoff_voltage_v": 11.2}),
        ("not_rested", {"rest_s": 5.0}, {"cutoff_voltage_v": 11.2}),
        ("no_voltage_limit", {}, {}),
    ],
    ids=["charge-only", "load-of-4-s", "row-a-minute", "row-in-15-s", "rest-of-5-s", "no-limit"],
)
def test_sheet_what_the_log_cannot_support_is_withheld_with_its_reason(reason, log, pack):
    found = power_of(load_log([0.020] * 4, **log), series=4, **pack)
    assert found["discharge_10s_w"] is None and found["u_discharge_10s_w"] is None and found["limited_by"] is None
    assert found["reasons"] == [reason]


def test_sheet_doubts_of_a_given_figure_are_told():
    found = power_of(load_log([0.020] * 4, rest_s=600.0), series=4, charge_voltage_v=16.8, cutoff_voltage_v=8.0)
    # 8.0 V is below 0.55 of 16.8 V; the groups' own limit (2.0 V each, from the pack's) is known by arithmetic.
    assert {"short_rest", "min_voltage_below_manual", "extrapolated_current"} <= set(found["reasons"])
