"""Runs laid beside each other: the monotone cubic against scipy, charge against closed forms, nothing outside or across gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from cycler.measures.alongside import means, monotone_at, rising, scatter, under_current, with_readings

SECONDS = np.arange(0.0, 4001.0)


def two_steps():
    """Rest, 10 s at 2 A, rest, 3600 s at 2 A, rest; one reading a second."""
    current = np.zeros(SECONDS.size)
    current[101:111] = -2.0
    current[201:3801] = -2.0
    return current


@settings(max_examples=150, deadline=None)
@given(st.integers(2, 60), st.integers(0, 10_000))
def test_monotone_at_is_that_of_scipy_and_nan_outside(n, seed):
    # Second method: scipy.interpolate.PchipInterpolator.
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.01, 3.0, n))
    y = np.round(rng.normal(size=n), 1)  # rounded, so that equal neighbours occur
    at = np.linspace(x[0] - 1.0, x[-1] + 1.0, 173)
    expected = PchipInterpolator(x, y, extrapolate=False)(at)
    np.testing.assert_allclose(monotone_at(x, y, at), expected, rtol=1e-9, atol=1e-9)
    assert np.isnan(monotone_at(x, y, at)[[0, -1]]).all()


def test_monotone_at_one_point_gives_nothing():
    assert np.isnan(monotone_at(np.array([1.0]), np.array([2.0]), np.array([1.0]))).all()


def test_under_current_leaves_the_pause_out_and_counts_the_switching_by_half():
    # Closed form: 2 A over 10 s and 3600 s; without a step clock the switch lies half-way between two readings.
    found = under_current(SECONDS, two_steps(), ((101.0, 110.0), (201.0, 3800.0)))
    assert found.time_s[0] == pytest.approx(0.5)
    assert found.time_s[-1] == pytest.approx(10.0 + 3599.5)
    assert found.charge_ah[-1] == pytest.approx(2.0 * 3609.5 / 3600.0)
    assert np.unique(found.piece).tolist() == [0, 1] and found.holes == ()
    assert (np.diff(found.time_s) > 0).all()


def test_under_current_counts_a_charge_as_positive_too():
    found = under_current(SECONDS, -two_steps(), ((201.0, 3800.0),))
    assert found.charge_ah[-1] == pytest.approx(2.0 * 3599.5 / 3600.0)


def test_under_current_tells_a_gap_in_the_readings():
    kept = (SECONDS < 1000) | (SECONDS > 1300)
    found = under_current(SECONDS[kept], two_steps()[kept], ((201.0, 3800.0),))
    assert found.holes == (0,) and found.piece[-1] == 1
    assert found.charge_ah[-1] == pytest.approx(2.0 * 3599.5 / 3600.0)  # a steady current is bridged by the line


def test_under_current_without_readings_in_the_span_is_empty():
    assert under_current(SECONDS, two_steps(), ((9000.0, 9100.0),)).rows.size == 0


def test_means_of_equal_numbers_within_pieces():
    piece = np.repeat([0, 1], [7, 5])
    pieces, (got,) = means(piece, [np.arange(12.0)], most=6)
    # Two successive readings each; the seventh stands alone, as does the last of the second piece.
    np.testing.assert_allclose(got, [0.5, 2.5, 4.5, 6.0, 7.5, 9.5, 11.0])
    assert pieces.tolist() == [0, 0, 0, 0, 1, 1, 1]


def test_means_of_few_readings_are_the_readings():
    column = np.array([3.0, 1.0])
    assert means(np.zeros(2, int), [column])[1][0] is column


def test_means_of_noise_scatter_less_by_the_root_of_their_number():
    # Standard error of a mean (textbook): 1/sqrt(100); 400 means know their scatter to 3.5 %.
    noise = np.random.default_rng(5).normal(size=40_000)
    _pieces, (got,) = means(np.zeros(noise.size, int), [noise], most=400)
    assert np.std(got) == pytest.approx(0.1, rel=0.15)


def test_rising_passes_over_what_falls_back():
    assert rising(np.array([0.0, 1.0, 1.0, 0.5, 2.0])).tolist() == [True, True, False, False, True]
    assert rising(np.zeros(0)).size == 0


def test_with_readings_parts_the_line_where_a_column_is_missing_for_long():
    found = under_current(SECONDS, two_steps(), ((101.0, 110.0), (201.0, 3800.0)))
    known = np.ones(found.rows.size, bool)
    known[(found.rows >= 1000) & (found.rows < 1200)] = False  # 200 s without a reading: a gap
    known[found.rows == 2000] = False  # one reading: none
    kept = with_readings(found, SECONDS, known)
    assert kept.rows.size == found.rows.size - 201
    assert np.unique(kept.piece).tolist() == [0, 1, 2] and kept.holes == (1,)
    assert kept.rows[kept.piece == 1][-1] == 999 and kept.rows[kept.piece == 2][0] == 1200


def test_with_readings_keeps_the_gaps_of_the_log():
    rows = (SECONDS < 1000) | (SECONDS > 1300)
    found = under_current(SECONDS[rows], two_steps()[rows], ((201.0, 3800.0),))
    known = np.ones(found.rows.size, bool)
    known[::2] = False  # a column written in every second row has no gap of its own
    kept = with_readings(found, SECONDS[rows], known)
    assert kept.holes == (0,) and np.unique(kept.piece).tolist() == [0, 1]


def test_scatter_is_the_deviation_of_noise_on_a_smooth_curve_and_steps_do_not_count():
    # Closed form: var(y[k-1] - 2 y[k] + y[k+1]) = 6 s^2. Tolerance: standard error of a median of 20,000 correlated values, about 1 %, four times.
    t = np.linspace(0.0, 1.0, 20_000)
    curve = 40.0 - 6.0 * t - 3.0 * t**6
    noise = np.random.default_rng(11).normal(0.0, 2e-3, t.size)
    assert scatter(curve + noise) == pytest.approx(2e-3, rel=0.04)
    assert scatter(curve + noise + 0.5 * (t > 0.3)) == pytest.approx(2e-3, rel=0.04)
    assert scatter(curve) < 1e-8 and scatter(np.ones(4)) == 0.0
