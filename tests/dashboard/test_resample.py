"""Thinning for the screen: no spike lost, no line across a hole."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.figures.resample import extremes, thin


def test_thin_short_series_draws_every_sample():
    time_s, value = np.arange(50.0), np.sin(np.arange(50.0))
    result = thin(time_s, value, points=200)
    assert result.complete and result.samples == 50
    np.testing.assert_array_equal(result.x, time_s)
    np.testing.assert_array_equal(result.y, value)


@pytest.mark.parametrize("at", [0, 1, 4711, 99_998, 99_999])
def test_thin_long_series_keeps_single_sample_spike(at):
    # Closed form: a flat series with one sample out of line; a mean or a plain "every nth" would lose it.
    value = np.full(100_000, 3.6)
    value[at] = 2.1
    result = thin(np.arange(100_000.0), value, points=400)
    assert not result.complete
    assert result.x.size <= 402
    assert result.y.min() == 2.1
    assert result.x[np.argmin(result.y)] == at


def test_thin_keeps_highest_and_lowest_of_noise():
    value = np.random.default_rng(7).normal(size=200_000)
    result = thin(np.arange(200_000.0), value, points=1000)
    assert (result.y.min(), result.y.max()) == (value.min(), value.max())
    assert np.all(np.diff(result.x) > 0)


def test_thin_breaks_line_where_readings_are_missing():
    time_s, value = np.arange(1000.0), np.ones(1000)
    value[400:600] = np.nan
    result = thin(time_s, value, points=100)
    hole = np.flatnonzero(np.isnan(result.y))
    assert hole.size == 1
    assert result.x[hole[0] - 1] == 399 and result.x[hole[0] + 1] == 600


def test_thin_does_not_break_series_logged_every_tenth_row():
    # A temperature read every tenth row is one line: its usual spacing is ten rows.
    value = np.full(1000, np.nan)
    value[::10] = 21.0
    assert not np.isnan(thin(np.arange(1000.0), value, points=4000).y).any()


def test_thin_breaks_line_at_gap_of_the_log():
    time_s = np.concatenate((np.arange(100.0), np.arange(200.0, 300.0)))
    result = thin(time_s, np.ones(200), gaps=((99.0, 101.0),), points=1000)
    assert np.isnan(result.y).sum() == 1


def test_thin_does_not_break_line_at_slow_sampling_of_a_rest():
    # A logger that slows down from 1 s to 60 s has no gap.
    time_s = np.concatenate((np.arange(100.0), 100.0 + 60.0 * np.arange(100.0)))
    assert not np.isnan(thin(time_s, np.ones(200), points=1000).y).any()


def test_thin_window_reaches_one_sample_beyond_each_edge():
    result = thin(np.arange(100.0), np.arange(100.0), start_s=10.5, end_s=20.5)
    assert (result.x[0], result.x[-1]) == (10.0, 21.0)


def test_thin_of_no_readings_is_empty_and_complete():
    result = thin(np.arange(5.0), np.full(5, np.nan))
    assert result.x.size == 0 and result.complete and result.samples == 0


def test_extremes_include_first_and_last():
    index = extremes(np.arange(10_000.0), 100)
    assert index[0] == 0 and index[-1] == 9_999
