"""What averaging is worth: against Monte Carlo of the definition and against numpy's own covariance of a fit."""

import numpy as np
import pytest

from cycler.averaging import local_value, rounding_left, scatter_of


@pytest.mark.parametrize("noise_steps", [0.0, 0.1, 0.2, 0.3, 0.5, 1.0])
def test_rounding_left_is_the_rms_error_of_the_mean_of_rounded_readings(noise_steps):
    # Definition, by Monte Carlo: 400 true values spread evenly over a step, each the mean of 4000 rounded readings. Limits known from
    # theory: q/sqrt(12) without noise, next to nothing with half a step of noise and more.
    step, rng = 0.001, np.random.default_rng(7)
    true = (np.arange(400) + 0.5) / 400.0 * step + 3.7
    means = np.array([np.mean(np.round(rng.normal(x, noise_steps * step, 4000) / step) * step) for x in true])
    seen = np.sqrt(np.mean((means - true) ** 2))
    scatter = np.sqrt(noise_steps**2 + (1.0 / 12.0 if noise_steps else 0.0)) * step
    # 4 %: the random part of 4000 readings, s/sqrt(4000) each.
    assert rounding_left(scatter, step) == pytest.approx(np.sqrt(max(seen**2 - scatter**2 / 4000.0, 0.0)), abs=0.04 * step / np.sqrt(12.0))


def test_rounding_left_of_a_steady_reading_is_the_rectangular_one():
    assert rounding_left(0.0, 0.01) == pytest.approx(0.01 / np.sqrt(12.0), rel=1e-12)
    assert rounding_left(0.1, 0.0) == 0.0


@pytest.mark.parametrize("noise_v", [0.0004, 0.001, 0.003])
def test_scatter_of_readings_on_a_trend_is_noise_and_rounding_together(noise_v):
    # Variance of rounded noise above 0.4 steps: s^2 + q^2/12 (textbook theory of quantisation). 5 %: the share of second differences
    # beyond the clip, and 20 000 readings.
    rng, step = np.random.default_rng(3), 0.001
    n = 20000
    values = np.round((3.9 - 1e-6 * np.arange(n) + rng.normal(0.0, noise_v, n)) / step) * step
    assert scatter_of(values, step) == pytest.approx(np.sqrt(noise_v**2 + step**2 / 12.0), rel=0.05)


def test_scatter_of_readings_leaves_jumps_out():
    rng = np.random.default_rng(4)
    quiet = rng.normal(0.0, 0.001, 2000)
    jumped = quiet + np.where(np.arange(2000) // 400 % 2 == 1, 0.5, 0.0)
    assert scatter_of(jumped) == pytest.approx(scatter_of(quiet), rel=0.02)


def test_scatter_of_a_value_that_never_moves_is_zero():
    assert scatter_of(np.full(50, 3.7), 0.001) == 0.0
    assert scatter_of(np.array([3.7, 3.8])) == 0.0


@pytest.mark.parametrize(("order", "spots"), [(1, [-2, -1, 0, 1, 2]), (2, list(range(-20, 21))), (2, [-4, -3.5, -2, -1.1, 0.3, 1, 2, 2.6, 4])])
def test_local_value_and_its_factor_are_those_of_numpys_polynomial_fit(order, spots):
    # numpy.polyfit with unscaled covariance for unit noise: the variance of the value at 0 is the last diagonal element.
    x = np.array(spots, dtype=float)
    y = 0.02 + 3e-4 * x - 1e-5 * x**2 + np.random.default_rng(1).normal(0.0, 1e-4, x.size)
    coefficients, covariance = np.polyfit(x, y, order, cov="unscaled")
    value, slope, factor = local_value(x, y, order)
    assert value == pytest.approx(coefficients[-1], rel=1e-9)
    assert slope == pytest.approx(coefficients[-2], rel=1e-9)
    assert factor == pytest.approx(np.sqrt(covariance[-1, -1]), rel=1e-9)


def test_local_line_through_five_even_readings_has_the_factor_of_a_mean():
    # Textbook: in the middle of an even abscissa a line is as good as the mean, 1/sqrt(n).
    assert local_value(np.arange(-2.0, 3.0), np.ones(5), 1)[2] == pytest.approx(1.0 / np.sqrt(5.0), rel=1e-12)
