"""dQ/dV and dV/dQ against closed forms, a published cell and simulated readings.

Closed form: logistic Q(V) = Qt / (1 + exp(-(V - V0)/s)), whose derivative has its peak Qt/4s at V0, full width at half maximum 2 ln(3 + 2 sqrt 2) s and area Qt;
Qt 2.5 Ah, V0 3.65 V, s 30 mV. Filter losses and noise gains of the cubic Savitzky-Golay derivative on a 2 mV grid were worked out with scipy's coefficients
outside this project.

Published cell: NMC811 against graphite with silicon oxide, half-cell functions, concentrations and limits of Chen, Brosa Planella, O'Regan, Gastol, Widanage and Kendrick,
Journal of The Electrochemical Society 167 (2020) 080534 (functions from memory; the open-circuit table they are held against was worked out from the parameter file of an open
physics simulator). The simulated 1 It discharge of that cell (tests/reference) is too fast for the equilibrium peaks, so the equilibrium curve itself is sampled.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.measures.incremental import (
    Filter,
    Reading,
    _derivative_u,
    bends_at_codes,
    best_curve,
    charge_below,
    derivative_covariance,
    filter_for,
    incremental_curve,
    reading_noise,
    reading_of,
    savgol_weights,
)
from cycler.measures.peaks import _maximum, find_curve_peaks, half_width, standing_out
from cycler.measures.steady import steady_stretch

QT, V0, S = 2.5, 3.65, 0.03


def logistic(v):
    return QT / (1 + np.exp(-(np.asarray(v) - V0) / S))


def slope(v):
    z = np.exp(-(np.asarray(v) - V0) / S)
    return QT / S * z / (1 + z) ** 2


def discharge(samples, low=3.3, high=4.0):
    """Voltage and charge delivered along an even discharge of the logistic cell."""
    q = np.linspace(logistic(high), logistic(low), samples)
    return V0 + S * np.log(q / (QT - q)), q[0] - q


def converted(voltage, resolution, rng):
    """Readings of a converter whose code edges lie off half-way by up to a quarter of a code."""
    count = int(2.0 / resolution)
    edges = 2.4 + resolution * (np.arange(count) + 0.5) + resolution * rng.uniform(-0.25, 0.25, count)
    return np.round(2.4 + resolution * np.searchsorted(edges, voltage), 6)


# ---- closed form --------------------------------------------------------------------------------------------------


def test_charge_below_of_dense_samples_is_the_logistic():
    volts, charge = discharge(40001)
    at = np.array([3.55, 3.60, 3.65, 3.70])
    # Closed form, digits as in the header: 0.0861130, 0.3971728, 1.25, 2.1028272 Ah, less what lies below 3.3 V.
    expected = np.array([0.0861130, 0.3971728, 1.2500000, 2.1028272]) - logistic(3.3)
    np.testing.assert_allclose(charge_below(volts, charge, at), expected, atol=2e-7)


@pytest.mark.parametrize(("points", "peak"), [(5, 20.833320), (11, 20.832690), (21, 20.824315), (41, 20.718985)])
def test_derivative_peak_of_logistic_has_the_filter_loss_of_its_window(points, peak):
    volts = np.linspace(4.0, 3.3, 200001)  # the grid begins at 3.3 V and so holds 3.65 V
    curve = incremental_curve(volts, logistic(4.0) - logistic(volts), Reading(0.0, 0.0, 0.0, 1e-5), Filter(points, 0.002))
    assert curve.dq_dv.max() == pytest.approx(peak, rel=5e-6)
    at = np.argmax(curve.dq_dv)
    # Estimated from a window twice as wide: right in order of magnitude, never less than half.
    assert 0.5 * (peak - QT / (4 * S)) > curve.filter_loss[at] > 1.6 * (peak - QT / (4 * S)) or points == 5


@pytest.mark.parametrize(("points", "gain"), [(11, 122.861), (21, 45.4106), (41, 16.5334)])
def test_derivative_covariance_of_white_noise_is_the_filters_noise_gain(points, gain):
    # White noise of variance 1 on each point: a correlation length far below the grid, whose value at zero is 1/(sqrt(pi) length).
    length = 1e-7
    variance = derivative_covariance(points, 0.002, np.array([length]), np.array([0]))[0, 0] * length * np.sqrt(np.pi)
    assert np.sqrt(variance) == pytest.approx(gain, rel=5e-6)


def test_peak_of_logistic_has_place_height_width_and_area():
    volts, charge = discharge(20001)
    (peak,) = find_curve_peaks(best_curve(volts, charge))
    assert peak.position_v == pytest.approx(3.65, abs=1e-4)
    assert peak.height_ah_per_v == pytest.approx(20.8333333, rel=1e-4)
    assert peak.width_v == pytest.approx(0.1057648, rel=1e-3)  # 3.525494 s
    assert peak.area_ah == pytest.approx(2.499957, abs=1e-3)  # 3.3 V to 4.0 V; half a window is lost at each end
    assert not peak.filter_limited


def test_curves_of_charge_and_discharge_without_resistance_are_the_same():
    volts, charge = discharge(5001)
    down, up = best_curve(volts, charge), best_curve(volts[::-1], charge)
    np.testing.assert_allclose(np.interp(down.voltage_v, up.voltage_v, up.dq_dv)[5:-5], down.dq_dv[5:-5], rtol=2e-3)


def test_dq_dv_times_dv_dq_is_one():
    volts, charge = discharge(20001)
    curve = best_curve(volts, charge)
    below = np.interp(curve.voltage_v, curve.voltage_v, charge[-1] - curve.charge_ah)
    steepness = np.interp(below, curve.at_charge_ah, curve.dv_dq)
    middle = curve.dq_dv > 8.0
    np.testing.assert_allclose((curve.dq_dv * steepness)[middle], 1.0, rtol=5e-3)


# ---- monotone pre-treatment --------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(300, 420), st.floats(0, 1)), min_size=3, max_size=60))
def test_charge_below_of_any_readings_never_falls_and_holds_all_charge(rows):
    volts = np.array([code / 100 for code, _ in rows])
    charge = np.cumsum([step for _, step in rows])
    found = charge_below(volts, charge, np.linspace(2.9, 4.3, 141))
    assert np.all(np.diff(found) >= 0) and found[0] == 0
    assert found[-1] == pytest.approx(charge[-1] - charge[0], abs=1e-9)


@pytest.mark.parametrize("resolution", [0.001, 0.010])
def test_charge_below_half_way_between_codes_is_not_shifted_by_rounding(resolution):
    volts, charge = discharge(20001)
    readings = np.round(volts / resolution) * resolution
    at = 3.5 + resolution * (np.arange(int(0.3 / resolution)) + 0.5)
    # The instant of a crossing is known to a sample: dQ = 0.125 mAh.
    np.testing.assert_allclose(charge_below(readings, charge, at), logistic(at) - logistic(3.3), atol=2.5 * QT / 20000)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10**6), st.sampled_from([0.001, 0.0005, 0.01]), st.floats(0.0, 5.0))
def test_charge_below_added_up_by_codes_is_that_of_the_readings(seed, resolution, noise_codes):
    """Against each interval's own share below a level, as a sum over all of them."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(200, 3000))
    smooth = np.linspace(4.1, 3.1, count) + 0.0137
    volts = resolution * np.round((smooth + noise_codes * resolution * rng.normal(size=count)) / resolution) + 0.0002
    charge = np.cumsum(rng.uniform(0.0, 0.01, count))
    at = 3.0202 + resolution * (0.5 + np.arange(0, int(1.2 / resolution), 3))
    low, high = np.minimum(volts[1:], volts[:-1]), np.maximum(volts[1:], volts[:-1])
    flat = high - low < 1e-9
    share = np.where(flat, (at[:, None] >= low) * 1.0, np.clip((at[:, None] - low) / np.where(flat, 1.0, high - low), 0.0, 1.0))
    expected = share @ np.diff(charge)
    bends = bends_at_codes(volts, charge, reading_of(volts, charge, resolution))
    np.testing.assert_allclose(bends.below(at), expected, atol=1e-9 * charge[-1])
    np.testing.assert_allclose(charge_below(volts, charge, at), expected, atol=1e-9 * charge[-1])
    assert bends.middle_half_v() == pytest.approx(np.subtract(*np.quantile(volts, (0.75, 0.25))), abs=1e-9)


def test_charge_below_is_the_same_whichever_way_readings_less_than_a_microvolt_apart_run():
    charge = np.concatenate(([0.0], np.cumsum(np.random.default_rng(2).uniform(0.5, 1.5, 30))))
    rising = 3.7 + 4e-7 * np.arange(31)
    between = rising[:-1] + 2e-7
    # Each line counts as soon as its lower end lies below the level.
    np.testing.assert_allclose(charge_below(rising, charge, between), charge[1:], rtol=1e-12)
    np.testing.assert_allclose(charge_below(rising[::-1], charge[-1] - charge[::-1], between), charge[1:], rtol=1e-12)


def test_bends_of_a_long_log_are_one_a_code():
    """A hundred thousand readings over 0.4 V in steps of 1 mV, with noise of half a step."""
    rng = np.random.default_rng(4)
    volts, charge = discharge(100_000, 3.45, 3.85)
    volts = np.round(volts + 0.0005 * rng.normal(size=volts.size), 3)
    assert bends_at_codes(volts, charge, reading_of(volts, charge, 0.001)).voltage_v.size == 1 + round(np.ptp(volts) / 0.001)


@pytest.mark.parametrize("points", [5, 9, 21, 161])
@pytest.mark.parametrize("deriv", [1, 3])
def test_weights_of_the_derivative_are_those_of_scipy(points, deriv):
    expected = scipy.signal.savgol_coeffs(points, 3, deriv=deriv, use="dot")
    np.testing.assert_allclose(savgol_weights(points, deriv), expected, atol=1e-11 * np.max(np.abs(expected)))


@settings(deadline=None, max_examples=200)
@given(st.integers(0, 10**6), st.integers(0, 2), st.floats(0.01, 3.0))
def test_peaks_that_stand_out_are_those_of_scipy(seed, decimals, least):
    """Random walks, rounded so that there are flat tops, ends and equal valleys."""
    rng = np.random.default_rng(seed)
    d = np.round(np.cumsum(rng.normal(size=int(rng.integers(7, 200)))), decimals)
    at, found = scipy.signal.find_peaks(d, prominence=np.full(d.size, least))
    bases = found["prominences"], found["left_bases"], found["right_bases"]
    ours = standing_out(d, np.full(d.size, least))
    assert [(peak[0], *peak[2:]) for peak in ours] == list(zip(at, bases[1], bases[2], strict=True))
    np.testing.assert_allclose([peak[1] for peak in ours], bases[0])
    np.testing.assert_allclose([half_width(d, *peak) for peak in ours], scipy.signal.peak_widths(d, at, 0.5, bases)[0])


def test_charge_below_of_noisy_readings_is_the_mean_over_the_noise():
    volts, charge = discharge(40001)
    rng = np.random.default_rng(3)
    noisy = np.round((volts + 0.010 * rng.standard_normal(volts.size)) / 0.010) * 0.010
    at = np.array([3.565, 3.605, 3.655, 3.705])
    spread = np.linspace(-5, 5, 4001)
    weight = np.exp(-0.5 * spread**2)
    expected = [(logistic(v + 0.010 * spread) @ weight) / weight.sum() for v in at] - logistic(3.3)
    # u(Q) = sqrt(dQ D s / sqrt(pi)) = 2.7 mAh at the most for dQ 62 uAh, D 20.8 Ah/V, s 10 mV.
    np.testing.assert_allclose(charge_below(noisy, charge, at), expected, atol=4 * 0.0027)


@pytest.mark.parametrize(("noise", "resolution"), [(0.001, 0.0), (0.001, 0.001), (0.004, 0.010), (0.010, 0.010), (0.0, 0.001)])
def test_reading_noise_is_found_under_rounding(noise, resolution):
    volts, _ = discharge(20001)
    readings = volts + noise * np.random.default_rng(1).standard_normal(volts.size)
    readings = np.round(readings / resolution) * resolution if resolution else readings
    assert reading_noise(readings, resolution) == pytest.approx(noise, rel=0.06, abs=2e-5)


def test_noise_of_a_straight_rise_is_the_same_up_to_its_ends():
    for resolution in (0.0, 1e-3):
        u_noise, u_resolution = _derivative_u(np.full(60, 5.0), Reading(resolution, 0.0, 5e-4, 1e-3), filter_for(0.02, resolution))
        assert np.ptp(u_noise) < 1e-9 * u_noise[0] and np.ptp(u_resolution) <= 1e-9 * u_resolution[0]


def test_filter_grid_is_a_multiple_of_the_resolution_and_has_at_least_five_points():
    assert (filter_for(0.020, 0.001).points, filter_for(0.020, 0.001).grid_v) == (21, 0.001)
    assert (filter_for(0.040, 0.0).points, filter_for(0.040, 0.0).grid_v) == (21, pytest.approx(0.002))
    coarse = filter_for(0.040, 0.010)
    assert (coarse.points, coarse.grid_v, coarse.window_v) == (5, 0.010, pytest.approx(0.040))


def test_reading_of_sparse_rounded_readings_finds_the_code():
    volts, charge = discharge(200)
    assert reading_of(np.round(volts, 3), charge).resolution_v == pytest.approx(0.001, rel=1e-6)
    assert reading_of(volts, charge).resolution_v == 0.0


# ---- Monte Carlo -------------------------------------------------------------------------------------------------

CASES = [(20000, 0.001, 0.0), (2000, 0.001, 0.001), (3000, 0.0, 0.001), (20000, 0.010, 0.0), (20000, 0.010, 0.010), (300, 0.001, 0.001)]


@pytest.mark.parametrize(("samples", "resolution", "noise"), CASES)
def test_stated_uncertainty_of_place_and_height_covers_simulated_readings(samples, resolution, noise):
    """After JCGM 101 (from memory): the same test drawn again with other noise and other code edges."""
    volts, charge = discharge(samples)
    places, heights, points = [], [], []
    for seed in range(120):
        rng = np.random.default_rng(1000 + seed)
        readings = volts + noise * rng.standard_normal(samples)
        curve = best_curve(converted(readings, resolution, rng) if resolution else readings, charge)
        (peak,) = find_curve_peaks(curve)
        places.append((peak.position_v - V0) / peak.u_position_v)
        heights.append((peak.height_ah_per_v - QT / (4 * S)) / peak.u_height_ah_per_v)
        flank = np.searchsorted(curve.voltage_v, V0 - S)
        points.append((curve.dq_dv[flank] - slope(curve.voltage_v[flank])) / curve.u_dq_dv[flank])
    for found in (places, heights, points):
        # 120 draws of a true 95 % interval: 0.95 +- 0.02 (standard). Above it is caution, as for the shape of a peak that is no cubic.
        assert np.mean(np.abs(found) <= 2.0) >= 0.90
        assert 0.4 <= np.std(found) <= 1.25
    assert 0.7 <= np.std(heights) <= 1.2 and 0.75 <= np.std(points) <= 1.2


@pytest.mark.parametrize(("samples", "resolution", "noise"), [(2000, 0.0, 0.0005), (20000, 0.001, 0.001), (500, 0.001, 0.0002), (20000, 0.010, 0.010)])
def test_noise_of_a_curve_without_peaks_makes_hardly_one_in_25_curves(samples, resolution, noise):
    charge = np.linspace(0, 10, samples)
    volts = 4.1 - 0.09 * charge - 0.05 * np.exp((charge - 10) / 0.5)  # dQ/dV falls monotonically towards the knee
    found = 0
    for seed in range(25):
        rng = np.random.default_rng(seed)
        readings = volts + noise * rng.standard_normal(samples)
        found += len(find_curve_peaks(best_curve(converted(readings, resolution, rng) if resolution else readings, charge)))
    assert found <= 1


# ---- a published cell --------------------------------------------------------------------------------------------

CELL_AH = 5.15320
PUBLISHED_PEAKS = ((3.235, 1.5), (3.486, 6.48), (3.665, 7.09), (3.834, 6.30), (3.973, 5.66), (4.095, 25.5))
"""Maxima of dQ/dV of the equilibrium curve: V and Ah/V, by differences of the same functions outside this project."""


def cell_ocv(state):
    x, y = 0.026346 + (0.910618 - 0.026346) * state, 0.853975 + (0.263845 - 0.853975) * state
    anode = (
        1.9793 * np.exp(-39.3631 * x) + 0.2482 - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (x - 0.2769)) - 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    )
    cathode = (
        -0.8090 * y + 4.4875 - 0.0428 * np.tanh(18.5138 * (y - 0.5542)) - 17.7326 * np.tanh(15.7890 * (y - 0.3117))
        + 17.5842 * np.tanh(15.9308 * (y - 0.3120))
    )
    return cathode - anode


def test_functions_of_the_published_cell_give_its_open_circuit_table():
    states = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
    table = [2.5000, 3.1094, 3.2959, 3.4852, 3.5814, 3.6670, 3.7509, 3.8406, 3.9479, 4.0421, 4.0967, 4.2000]
    np.testing.assert_allclose(cell_ocv(states), table, atol=1e-4)


def test_all_six_peaks_of_the_published_cell_are_found_where_they_are():
    state = np.linspace(1, 0, 20001)
    peaks = find_curve_peaks(best_curve(cell_ocv(state), CELL_AH * (1 - state)))
    assert [peak.position_v for peak in peaks] == pytest.approx([v for v, _ in PUBLISHED_PEAKS], abs=1.5e-3)
    assert [peak.height_ah_per_v for peak in peaks[:-1]] == pytest.approx([d for _, d in PUBLISHED_PEAKS[:-1]], rel=0.025)
    assert peaks[-1].height_ah_per_v == pytest.approx(25.5, rel=0.03)  # 13 mV wide: a window of 10 mV flattens it
    assert sum(peak.area_ah for peak in peaks) == pytest.approx(CELL_AH, rel=0.02)


def test_peaks_of_the_published_cell_logged_by_a_bench_are_within_5_mv_or_their_uncertainty():
    state = np.linspace(1, 0, 36001)  # 0.1 It, once a second
    rng = np.random.default_rng(1)
    readings = converted(cell_ocv(state) + 0.0005 * rng.standard_normal(state.size), 0.001, rng)
    peaks = find_curve_peaks(best_curve(readings, CELL_AH * (1 - state)))
    assert len(peaks) >= 4
    for true_v, true_d in (PUBLISHED_PEAKS[1], PUBLISHED_PEAKS[2], PUBLISHED_PEAKS[3], PUBLISHED_PEAKS[5]):
        peak = min(peaks, key=lambda peak: abs(peak.position_v - true_v))
        assert peak.position_v == pytest.approx(true_v, abs=max(5e-3, 2 * peak.u_position_v))
        if peak.filter_limited:
            assert peak.height_ah_per_v < true_d
        else:
            assert peak.height_ah_per_v == pytest.approx(true_d, abs=2.5 * peak.u_height_ah_per_v)


@pytest.mark.parametrize("resolution", [0.0, 1e-3])
@pytest.mark.parametrize("jump", [0.05, 0.15, 0.3])
def test_jump_of_the_voltage_makes_no_peak_where_nothing_flowed(jump, resolution):
    """Two straight rises with nothing between them: the filter's lobes at their ends are peaks of its own, the flat zero between two lobes is none."""
    volts = np.concatenate((np.linspace(3.0, 3.3, 600), np.linspace(3.3 + jump, 3.6 + jump, 600))) + np.random.default_rng(3).normal(0.0, 2e-4, 1200)
    volts = np.round(volts / resolution) * resolution if resolution else volts
    curve = best_curve(volts, np.linspace(0.0, 4.0, 1200))
    assert np.min(curve.dq_dv) < -0.1
    for peak in find_curve_peaks(curve):
        assert peak.height_ah_per_v > 6.0 and peak.prominence_ah_per_v < peak.height_ah_per_v


def test_maximum_of_a_cubic_is_where_the_roots_of_its_slope_say():
    """numpy's roots (eigenvalues of the companion matrix) are the other way."""
    random, x, none = np.random.default_rng(9), np.arange(-5.0, 6.0), 0
    for _ in range(400):
        cubic = random.normal(size=4) * [1.0, 1.0, 0.3, random.choice([0.1, 1e-3])]
        roots = np.roots(cubic[:0:-1] * [3.0, 2.0, 1.0])
        found = [r.real for r in roots if abs(r.imag) < 1e-12 and -5.0 <= r.real <= 5.0 and 2.0 * cubic[2] + 6.0 * cubic[3] * r.real < 0.0]
        none += not found
        assert _maximum(cubic, x) == (pytest.approx(found[0], rel=1e-9, abs=1e-9) if found else None)
    assert 50 < none < 350
    assert _maximum(np.array([0.0, 1.0, 2.0, 0.0]), x) is None


def test_peak_narrower_than_the_window_says_so():
    state = np.linspace(1, 0, 3001)
    curve = best_curve(cell_ocv(state), CELL_AH * (1 - state), window_v=0.040)
    assert find_curve_peaks(curve)[-1].filter_limited


# ---- samples that belong to one curve ----------------------------------------------------------------------------


def under_load(time, current, tau=15.0, fast=0.03, ocv_v_per_ah=0.3):
    """Cell of 4.1 V less 0.3 V/Ah, 20 mOhm at once and ``fast`` ohm with ``tau``: closed form for a current that is steady between its steps."""
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * np.diff(time)))) / 3600.0
    slow = np.zeros(time.size)
    for k in range(1, time.size):
        fade = np.exp(-(time[k] - time[k - 1]) / tau)
        slow[k] = slow[k - 1] * fade + fast * current[k] * (1.0 - fade)
    return 4.1 + ocv_v_per_ah * charge + 0.02 * current + slow


def test_steady_stretch_leaves_the_transient_at_its_start_out():
    time = np.arange(0.0, 7200.0, 2.0)
    current = np.full(time.size, -2.0)
    stretch = steady_stretch(time, under_load(time, current), current, ((0, time.size - 1),))
    first = time[stretch.rows[0]]
    # Closed form: exp(-t/15 s) of the transient is left: under 2 % after a minute; a fiftieth of the two hours is more than that.
    assert np.exp(-first / 15.0) < 0.02 and first < 0.02 * 7200.0
    assert stretch.charge_ah[0] == 0.0
    short = steady_stretch(time[:300], under_load(time, current)[:300], current[:300], ((0, 299),))
    assert 0.0 < time[short.rows[0]] <= 0.02 * 600.0 + 2.0


def test_steady_stretch_leaves_half_the_current_out_and_keeps_constant_power():
    time = np.arange(0.0, 7200.0, 2.0)
    current = np.where((time >= 3000.0) & (time < 3600.0), -1.0, -2.0)
    stretch = steady_stretch(time, under_load(time, current), current, ((0, time.size - 1),))
    assert np.all(current[stretch.rows] == -2.0) and stretch.pauses == 1
    # Its charge counts: 2 A x 7200 s less 1 A x 600 s, from the first row that counts.
    assert stretch.charge_ah[-1] == pytest.approx((2.0 * (time[-1] - time[stretch.rows[0]]) - 600.0) / 3600.0, rel=1e-3)
    # 8 W from 4.2 to 3.0 V: 1.90 to 2.67 A, all one curve.
    volts = np.linspace(4.2, 3.0, time.size)
    power = steady_stretch(time, volts, -8.0 / volts, ((0, time.size - 1),))
    assert power.pauses == 0 and power.rows[-1] == time.size - 1


def test_steady_stretch_waits_until_the_voltage_is_back_after_a_pause():
    time = np.arange(0.0, 7200.0, 2.0)
    current = np.where((time >= 3000.0) & (time < 3600.0), 0.0, -2.0)
    volts = under_load(time, current, tau=200.0)
    stretch = steady_stretch(time, volts, current, ((0, 1499), (1800, time.size - 1)))
    before, after = stretch.rows[time[stretch.rows] < 3000.0], stretch.rows[time[stretch.rows] >= 3600.0]
    # 60 mV with 200 s relax in the pause, 57 mV of them (1 - exp(-3)), and come back under load; the charge takes 0.33 mV from row to row. The curve goes on
    # from where it stood (the median of five rows before): never above, and not more than a row below.
    stood = volts[before[-3]]
    assert volts[1801] - stood > 0.04
    assert after[0] > 1800 and np.all(volts[after] <= stood + 1e-9) and stood - volts[after[0]] < 0.001


# ---- ends and valleys --------------------------------------------------------------------------------------------


def test_area_between_two_peaks_is_open_by_half_a_window_at_the_valley():
    # Two logistic cells side by side, 0.25 V apart: their sum has a valley half-way (symmetry), where both flanks give the same.
    low, high = V0 - 0.125, V0 + 0.125
    volts = np.linspace(4.1, 3.2, 40001)

    def below(v):
        return logistic(v - low + V0) + logistic(v - high + V0)

    curve = best_curve(volts, below(4.1) - below(volts))
    first, second = find_curve_peaks(curve)
    valley = 2.0 * slope(V0 + 0.125)
    # Rectangle of half a window either way: u = D w/sqrt(12) (GUM, JCGM 100:2008, 4.3.7, from memory).
    for peak in (first, second):
        assert peak.u_area_ah == pytest.approx(valley * curve.filter.window_v / 12**0.5, rel=0.03)
    assert first.to_v == pytest.approx(V0, abs=curve.filter.window_v / 2) and second.from_v == first.to_v


@pytest.mark.parametrize(("beyond", "told"), [(1.7627, False), (5.0, True)])
def test_width_of_a_peak_at_the_end_of_the_range_needs_the_flank(beyond, told):
    # Closed form: D falls to 4 e^x/(1 + e^x)^2 of its height x scale lengths away: half at x = ln(3 + 2 sqrt 2) = 1.7627, 3 % at x = 5.
    volts, charge = discharge(20001, 3.3, V0 + beyond * S)
    (peak,) = find_curve_peaks(best_curve(volts, charge))
    assert (peak.width_v is not None) is told
    if told:
        assert peak.width_v == pytest.approx(3.525494 * S, rel=0.03)
