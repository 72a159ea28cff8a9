"""Uncertainty of a relaxation and of a spread: coverage by Monte Carlo, control-chart constants by simulation."""

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.instrument import Instrument
from cycler.measures.groups import (
    RANGE_DEVIATION,
    RANGE_MEAN,
    channel_range_u,
    range_constants,
    spread,
    spread_u,
)
from cycler.measures.rest import MEDIAN_OF_THREE, change_at_rest
from cycler.pack import Pack
from cycler.resttable import rest_rows
from cycler.steps import segment_steps
from cycler.uncertainty import voltage_reading_u
from tests.corelogs import make_log, simple_test

STEP_V = 0.001


def one_rest(seed, duration_s, every_s, noise_v, relaxed_v=0.0, tau_s=1.0, gain=0.0):
    """The row of a rest of known relaxation, and the relaxation. [mV]"""
    draw = np.random.default_rng(seed)
    time = np.arange(0.0, duration_s + 1.0, every_s)
    true = 36.9 + draw.uniform(0.0, STEP_V) + relaxed_v * np.exp(-time / tau_s)
    read = np.round((true + draw.normal(0.0, noise_v, time.size)) / STEP_V) * STEP_V
    log = make_log(time, read, np.zeros(time.size))
    return rest_rows(log, segment_steps(log, Pack(series=10)), gain)[0], 1e3 * (true[-1] - true[0])


@pytest.mark.parametrize("noise_v", [0.0005, 0.002, 0.004])
@pytest.mark.parametrize(("duration_s", "every_s", "relaxed_v"), [(600.0, 5.0, 0.0), (600.0, 5.0, -0.08), (60.0, 5.0, 0.0), (6 * 3600.0, 60.0, -0.08)])
def test_relaxation_uncertainty_covers_the_errors_of_repeated_rests(noise_v, duration_s, every_s, relaxed_v):
    # Monte Carlo: k = 2 must hold for 94 to 95 % of rests; 400 draws leave 2.3 % open (two standard deviations of a binomial share).
    inside = 0
    for seed in range(1000, 1400):
        row, true_mv = one_rest(seed, duration_s, every_s, noise_v, relaxed_v, duration_s / 8.0)
        inside += abs(row["relaxation_mv"] - true_mv) <= 2.0 * row["u_relaxation_mv"]
    assert inside >= 0.92 * 400


def test_relaxation_uncertainty_is_that_of_one_reading_and_a_median_of_three():
    # Closed form: white noise of 2 mV, s^2 (1 + 0.449) with the variance of a median of three from order statistics, rounding q^2/12 in the first.
    noise = 2.0
    expected = np.sqrt((noise**2 + 1.0 / 12.0) * (1.0 + 0.4487))
    u = np.mean([one_rest(seed, 600.0, 5.0, 0.002)[0]["u_relaxation_mv"] for seed in range(40)])
    assert u == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("tau_h", [2.2, 3.0])
def test_drift_uncertainty_covers_a_large_relaxation_of_any_time_constant(tau_h):
    # Closed form laid on: 80 mV exp(-t/tau) - 0.5 mV/h t over 24 h, noise 0.3 mV, steps of 1 mV. 60 draws leave 6 % open.
    inside, time = 0, np.arange(0.0, 24 * 3600.0, 60.0)
    for seed in range(60):
        draw = np.random.default_rng(seed)
        true = 36.9 + draw.uniform(0.0, STEP_V) - 0.08 * np.exp(-time / (3600.0 * tau_h)) - 0.5e-3 * time / 3600.0
        log = make_log(time, np.round((true + draw.normal(0.0, 3e-4, time.size)) / STEP_V) * STEP_V, np.zeros(time.size))
        row = rest_rows(log, segment_steps(log, Pack(series=10)))[0]
        inside += abs(row["drift_mv_per_h"] + 0.5) <= 2.0 * row["u_drift_mv_per_h"]
    assert inside >= 0.88 * 60


def test_median_of_three_scatters_as_order_statistics_say():
    draws = np.random.default_rng(3).standard_normal((400_000, 3))
    assert np.std(np.median(draws, axis=1)) == pytest.approx(MEDIAN_OF_THREE, rel=0.005)


def test_change_of_a_reading_that_stays_on_its_step_errs_by_two_roundings():
    # Two independent rectangles of one step: q/sqrt(6) (closed form).
    change, u = change_at_rest(np.array([4.0, 4.0, 4.001, 4.001, 4.001]), 0.0, STEP_V)
    assert change == pytest.approx(0.001) and u == pytest.approx(STEP_V / 6**0.5)


def test_relaxation_that_never_leaves_one_step_takes_the_step_from_the_rest_of_the_log():
    log, _ = simple_test(capacities_ah=(10.0,) * 4, taper=False)
    log = make_log(log.time_s, np.round(log.voltage_v, 2), log.current_a)
    row = rest_rows(log, segment_steps(log, Pack(series=4)))[0]
    assert row["relaxation_mv"] == 0.0 and row["u_relaxation_mv"] == pytest.approx(10.0 / 6**0.5, rel=0.01)


def test_gain_of_the_voltmeter_counts_as_its_share_of_the_relaxation():
    # 1 % of 80 mV, rectangular: 0.46 mV (closed form), joined with what there is without.
    without, with_gain = (one_rest(1, 600.0, 5.0, 0.0005, -0.08, 60.0, gain)[0] for gain in (0.0, 0.01))
    more = np.sqrt(with_gain["u_relaxation_mv"] ** 2 - without["u_relaxation_mv"] ** 2)
    assert more == pytest.approx(0.01 * abs(without["relaxation_mv"]) / 3**0.5, rel=1e-6)


@pytest.mark.parametrize("n", range(2, 21))
def test_range_constants_agree_with_simulated_ranges(n):
    # Second method: 40 000 ranges of n normal readings; their mean is known to 0.4 %, their deviation to 1 %.
    ranges = np.ptp(np.random.default_rng(n).standard_normal((40_000, n)), axis=1)
    mean, deviation = range_constants(n)
    assert (mean, deviation) == (RANGE_MEAN[n - 2], RANGE_DEVIATION[n - 2])
    assert ranges.mean() == pytest.approx(mean, rel=0.01) and ranges.std() == pytest.approx(deviation, rel=0.02)


@pytest.mark.parametrize("n", [25, 40, 100])
def test_range_constants_beyond_twenty_follow_simulated_ranges(n):
    ranges = np.ptp(np.random.default_rng(n).standard_normal((20_000, n)), axis=1)
    mean, deviation = range_constants(n)
    assert ranges.mean() == pytest.approx(mean, rel=0.015) and ranges.std() == pytest.approx(deviation, rel=0.04)


def test_spread_uncertainty_is_never_below_that_of_a_pair():
    # n = 2: 1.128/2 + 0.853 = 1.417; n = 10: 3.078/2 + 0.797 = 2.336 (arithmetic).
    assert spread_u(1.0, 2) == pytest.approx(1.417) and spread_u(1.0, 10) == pytest.approx(2.336)
    assert spread_u(1.0, 1) is None and all(spread_u(1.0, n) >= 2**0.5 for n in range(2, 200))


@pytest.mark.parametrize("n", [3, 5, 7, 10, 13, 20])
@pytest.mark.parametrize(("gain", "zero_v"), [(0.0, 0.005), (0.0005, 0.002)])
@pytest.mark.parametrize("apart_v", [0.0, 0.003, 0.010])
def test_spread_uncertainty_covers_the_errors_of_the_channels(n, gain, zero_v, apart_v):
    # Monte Carlo: groups truly apart by so much (normal), channels each with gain and zero of their own within the limits.
    bench = Instrument(group_voltage_gain=gain, group_voltage_offset_v=zero_v)
    u_stated = voltage_reading_u(bench, 4.18, STEP_V, True)
    draw, inside = np.random.default_rng(n), 0
    for _ in range(400):
        true = 4.18 + draw.normal(0.0, apart_v, n)
        read = np.round((true * (1.0 + draw.uniform(-gain, gain, n)) + draw.uniform(-zero_v, zero_v, n)) / STEP_V) * STEP_V
        u = spread_u(channel_range_u(read, u_stated, STEP_V), n)
        inside += abs(spread(read) - spread(true)) <= 2.0 * u
    assert inside >= 0.93 * 400


def test_channels_that_read_alike_are_credited_with_it_from_five_groups_on():
    # Ten groups within 4 mV: 1.5 * 4/3.078 = 1.95 mV (arithmetic), joined with q/sqrt(12), in place of 24 mV; four groups are too few.
    rest = np.linspace(4.180, 4.184, 10)
    assert channel_range_u(rest, 0.024, STEP_V) == pytest.approx(np.hypot(0.0015 * 4.0 / 3.078, STEP_V / 12**0.5), rel=1e-6)
    assert channel_range_u(rest[:4], 0.024, STEP_V) == 0.024 and channel_range_u(rest, 0.001, STEP_V) == 0.001


def test_analysis_states_the_spread_of_equal_groups_as_none():
    # Ten equal groups, channels with zeros of 5 mV (rectangular): their spread lies within its own expanded uncertainty of nothing.
    log, _ = simple_test(capacities_ah=(10.0,) * 10)
    zeros = np.random.default_rng(4).uniform(-0.005, 0.005, 10)
    read = make_log(log.time_s, log.voltage_v, log.current_a, np.round(log.group_voltage_v + zeros, 3))
    bench = Instrument(group_voltage_gain=0.0, group_voltage_offset_v=0.005)
    told = analyze(read, Pack(series=10, cutoff_voltage_v=30.0, charge_voltage_v=42.0, instrument=bench)).to_dict()["spread"]
    for when in ("rest_v", "full_v", "load_v"):
        assert 0.006 < told[when] <= 2.0 * told[f"u_{when}"]
    assert told["u_rest_v"] == pytest.approx(2.336 * np.hypot(0.005 / 3**0.5, STEP_V / 12**0.5), rel=0.02)
