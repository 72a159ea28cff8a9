"""Weighted line with common errors, held against scipy, numpy, a full covariance matrix and random trials."""

import math

import numpy as np
import pytest
from scipy import stats

from cycler.measures.trend import ONE_FREEDOM_MIN, weighted_line

X = np.array([1.0, 2.0, 3.0, 5.0, 8.0])
Y = 10.0 - 0.1 * X + np.array([0.01, -0.02, 0.015, -0.01, 0.0])
U = np.array([0.02, 0.01, 0.03, 0.02, 0.015])


def test_weighted_line_is_that_of_a_reference_library():
    # Second method: numpy.polyfit with weights 1/u, its covariance unscaled.
    (slope, level), covariance = np.polyfit(X, Y, 1, w=1.0 / U, cov="unscaled")
    line = weighted_line(X, Y, U)
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    for x in (0.0, 1.0, 4.0, 20.0):
        value, u = line.at(x)
        along = np.array([x, 1.0])
        assert value == pytest.approx(slope * x + level, rel=1e-9)
        assert u == pytest.approx(math.sqrt(along @ covariance @ along), rel=1e-9)
    assert (line.level, line.u_level) == pytest.approx(line.at(1.0), rel=1e-12)


def test_line_without_uncertainties_is_ordinary_least_squares():
    # Second method: scipy.stats.linregress; its standard error times Student's 95.45 % factor over 2 (n - 2 = 3: 3.3068, from
    # JCGM 100:2008 table G.2, printed there as 3.31).
    reference = stats.linregress(X, Y)
    line = weighted_line(X, Y, 0.0)
    assert line.slope == pytest.approx(reference.slope, rel=1e-9)
    assert line.u_slope == pytest.approx(reference.stderr * 3.31 / 2.0, rel=2e-3)
    assert line.chi_square is None and line.inflation is None and line.reasons == ()


def test_order_of_the_points_and_origin_of_x_do_not_matter():
    line, turned = weighted_line(X, Y, U), weighted_line(X[::-1] + 1e4, Y[::-1], U[::-1])
    assert turned.slope == pytest.approx(line.slope, rel=1e-6)
    assert (turned.level, turned.u_slope, turned.u_level) == pytest.approx((line.level, line.u_slope, line.u_level), rel=1e-6)


def test_common_gain_leaves_the_relative_slope_alone():
    # Closed form: y (1 + g) has the slope (1 + g) b and the same b/a.
    alone, line = weighted_line(X, Y, U), weighted_line(X, Y, U, 0.01 * Y)
    assert line.u_slope_common == pytest.approx(0.01 * abs(line.slope), rel=1e-9)
    assert line.u_slope_share == pytest.approx(alone.u_slope_share, rel=1e-9)
    assert line.u_level == pytest.approx(math.hypot(alone.u_level, 0.01 * line.level), rel=1e-9)


def test_common_offset_leaves_the_slope_alone():
    alone, line = weighted_line(X, Y, U), weighted_line(X, Y, U, np.full(5, 0.3))
    assert line.u_slope == pytest.approx(alone.u_slope, rel=1e-9)
    assert line.u_level == pytest.approx(math.hypot(alone.u_level, 0.3), rel=1e-9)


def test_common_errors_are_those_of_the_full_covariance_matrix():
    # Second method: c V c' with V = diag(u**2) + sum of outer products, c the rows of the weighted estimator (JCGM 100:2008, 5.2).
    common = np.array([0.01 * Y, 0.05 * X, [0.1, -0.2, 0.0, 0.3, 0.1]])
    matrix = np.stack((np.ones(5), X - 1.0), axis=1)
    weight = np.diag(1.0 / U**2)
    estimator = np.linalg.inv(matrix.T @ weight @ matrix) @ matrix.T @ weight
    whole = estimator @ (np.diag(U**2) + common.T @ common) @ estimator.T
    line = weighted_line(X, Y, U, common)
    assert (line.u_level, line.u_slope) == pytest.approx(np.sqrt(np.diag(whole)), rel=1e-9)
    share = np.array([-line.slope / line.level**2, 1.0 / line.level])
    assert line.u_slope_share == pytest.approx(math.sqrt(share @ whole @ share), rel=1e-9)


def test_scatter_beyond_the_stated_uncertainties_widens_by_birge_ratio_and_student():
    # Closed form: residuals of an exact line moved by +d, -2 d, +d at x = 0, 1, 2 are orthogonal to 1 and x: chi**2 = 6 (d/u)**2, n - 2 = 1.
    x, d, u = np.array([0.0, 1.0, 2.0]), 0.01, 0.015
    y = 5.0 - 0.2 * x + d * np.array([1.0, -2.0, 1.0])
    line = weighted_line(x, y, u)
    assert line.chi_square == pytest.approx(6.0 * (d / u) ** 2, rel=1e-9)  # 2.67, p = 0.10: borne out
    # Student's factor of 95.45 % for one degree of freedom is 13.97 (JCGM 100:2008, table G.2).
    assert line.inflation == pytest.approx(math.sqrt(6.0) * d / u * 13.97 / 2.0, rel=1e-3) and line.reasons == ()
    assert line.u_slope == pytest.approx(line.inflation * u / math.sqrt(2.0), rel=1e-9)
    # A fifth of the uncertainty: refuted.
    odd = weighted_line(x, y, u / 5.0)
    assert odd.reasons == ("scatter_exceeds_uncertainty",)
    assert odd.inflation == pytest.approx(5.0 * math.sqrt(6.0) * d / u * 13.97 / 2.0, rel=1e-3)
    # Points closer to the line than stated do not narrow it.
    assert weighted_line(x, y, 10.0 * u).inflation == ONE_FREEDOM_MIN
    four = weighted_line(np.arange(4.0), np.array([5.0, 4.8, 4.6, 4.401]), u)
    assert four.inflation == 1.0


@pytest.mark.parametrize("points", [3, 4, 5, 8])
@pytest.mark.parametrize("factor", [1.0, 1.5, 2.0, 3.0, 5.0])
def test_intervals_hold_when_the_scatter_is_larger_than_stated(points, factor):
    # Monte Carlo, 95 % intended. With the Birge ratio alone below p = 0.05 three points cover 80 % to 88 %, four 88 % to 92 %.
    rng = np.random.default_rng(3)
    x, hits, trials = np.arange(points, dtype=float), 0, 1500
    for _ in range(trials):
        line = weighted_line(x, 10.0 - 0.02 * x + rng.normal(0.0, factor * 0.01, points), 0.01)
        hits += abs(line.slope + 0.02) <= 2.0 * line.u_slope
    assert hits / trials >= 0.92


def test_intervals_cover_the_true_slope_in_random_trials():
    # Monte Carlo in the sense of JCGM 101: 95.45 % intended; the Birge ratio only widens, so no less than 94 % and no more than 99.5 %.
    rng = np.random.default_rng(7)
    x = np.arange(1.0, 8.0)
    hits, share_hits, trials = 0, 0, 3000
    for _ in range(trials):
        gain = 0.005 * rng.standard_normal()
        y = (10.0 - 0.05 * x) * (1.0 + gain) + 0.02 * rng.standard_normal(x.size)
        line = weighted_line(x, y, 0.02, 0.005 * y)
        hits += abs(line.slope + 0.05) <= 2.0 * line.u_slope
        share_hits += abs(line.slope_share + 0.05 / 9.95) <= 2.0 * line.u_slope_share
    assert 0.94 <= hits / trials <= 0.995
    assert 0.94 <= share_hits / trials <= 0.995


def test_published_cycle_table_gives_no_fade_worth_the_name():
    # Source: XJTU open battery data set (2024), "2C battery-1", discharge charge of cycles 2, 3 and 10: 1.86365, 1.87135, 1.90097 Ah. Capacity rises:
    # the fade of new cells hides in drift and temperature. Reference: scipy.stats.linregress.
    x, y = np.array([2.0, 3.0, 10.0]), np.array([1.86365, 1.87135, 1.90097])
    line = weighted_line(x, y, 0.004)
    assert line.slope == pytest.approx(stats.linregress(x, y).slope, rel=1e-9)
    assert line.slope > 0


@pytest.mark.parametrize(("x", "y", "why"), [
    ([], [], "too_few_points"), ([1.0, 2.0], [5.0, 4.0], "too_few_points"), ([1.0, 2.0, 3.0], [5.0, np.nan, 4.0], "too_few_points"),
    ([2.0, 2.0, 2.0], [5.0, 4.0, 4.5], "no_spread"),
])
def test_points_that_bear_no_line_give_a_reason(x, y, why):
    line = weighted_line(np.array(x), np.array(y), 0.1)
    assert line.reasons == (why,) and line.slope is None and line.u_slope is None
    with pytest.raises(ValueError, match=why):
        line.at(1.0)


@pytest.mark.parametrize(("u", "words"), [([-0.1, 0.1, 0.1], "negative"), ([0.0, 0.1, 0.1], "zero")])
def test_uncertainties_that_mean_nothing_are_refused(u, words):
    with pytest.raises(ValueError, match=words):
        weighted_line(np.arange(3.0), np.arange(3.0), np.array(u))
    with pytest.raises(ValueError, match="shapes differ"):
        weighted_line(np.arange(3.0), np.arange(4.0), 0.1)


def test_value_of_the_line_carries_the_common_errors_to_any_place():
    # Closed form: a gain of 1 % moves the whole line, a drift of 0.05 per x tilts it: at x = 20 they are 1 % of the weighted line's own value and 1.0, independent.
    line, bare = weighted_line(X, Y, U, np.array([0.01 * Y, 0.05 * X])), weighted_line(X, Y, U)
    value, u = line.at(20.0)
    assert value == pytest.approx(bare.at(20.0)[0], rel=1e-12)
    assert u**2 - bare.at(20.0)[1] ** 2 == pytest.approx((0.01 * value) ** 2 + (0.05 * 20.0) ** 2, rel=1e-9)
