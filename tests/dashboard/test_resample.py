"""Thinning for the screen: no spike lost, no line across a hole."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.figures.resample import extremes, stretches_of, thin


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
    assert not result.lonely.size
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


ROWS = 1_000_000
GAPS = ((249_999.0, 5_001.0), (750_000.0, 20_000.0))
SPIKES = (0, 1, 2, 249_999, 250_000, 250_001, 499_999, 749_998, 749_999, 750_000, 750_001, ROWS - 3, ROWS - 2, ROWS - 1)
"""Both ends, both sides of both gaps, the middle of nowhere; others are drawn by lot."""


def with_gaps():
    """Times of a million samples 1 s apart with two gaps."""
    time_s = np.arange(float(ROWS))
    for start, length in GAPS:
        time_s[int(np.searchsorted(time_s, start, side="right")):] += length - 1.0
    return time_s


def windows(time_s, at, draws):
    """The whole log, and windows of every width down to a few samples around one of them, at random places beside it."""
    yield None, None
    for width in (0.3, 0.03, 3e-3, 3e-4, 3e-5, 3e-6):
        span = width * (time_s[-1] - time_s[0])
        left = time_s[at] - draws.uniform(0.0, 1.0) * span
        yield left, left + span


@pytest.mark.parametrize("axis", ["time", "charge"])
def test_thin_draws_a_single_sample_spike_anywhere_in_a_million_rows_at_every_zoom(axis):
    # Closed form: the series is flat but for one sample, so the drawn line must reach that value at that place.
    draws = np.random.default_rng(11)
    time_s = with_gaps()
    current = np.where((np.arange(ROWS) // 100_000) % 2 == 0, 0.0, 2.0)  # rests, along which no charge moves
    along = np.cumsum(current) / 3600.0 if axis == "charge" else time_s
    value = np.full(ROWS, 3.6)
    known = stretches_of(time_s, value, GAPS)
    for at in (*SPIKES, *draws.integers(0, ROWS, 40)):
        value[at] = 2.1 if at % 2 else 4.9
        for low, high in windows(time_s, at, draws):
            drawn = thin(time_s, value, GAPS, low, high, 1500, along, known)
            place = np.flatnonzero(drawn.y == value[at])
            assert place.size == 1 and drawn.x[place[0]] == along[at], (at, low, high)
            # A line shows it only if it is no lone sample; then it is named as one.
            beside = drawn.y[max(0, place[0] - 1): place[0] + 2]
            assert np.isfinite(beside).sum() > 1 or place[0] in drawn.lonely
            assert drawn.x.size < 1600
        value[at] = 3.6


def test_thin_never_draws_a_line_across_a_gap_at_any_zoom():
    time_s, value = with_gaps(), np.random.default_rng(3).normal(size=ROWS)
    for start, length in GAPS:
        for room in (1e5, 1e3, 20.0):
            drawn = thin(time_s, value, GAPS, start - room, start + length + room, 1500)
            before, after = np.flatnonzero(drawn.x <= start)[-1], np.flatnonzero((drawn.x >= start + length) & np.isfinite(drawn.y))[0]
            assert np.isnan(drawn.y[before + 1: after]).any()
            assert (drawn.x[before], drawn.x[after]) == (start, start + length)  # the line ends where the readings end


def test_thin_sample_alone_between_two_gaps_is_named():
    time_s = np.array([0.0, 1.0, 2.0, 500.0, 1000.0, 1001.0])
    drawn = thin(time_s, np.array([1.0, 1.0, 1.0, 7.0, 1.0, 1.0]), gaps=((2.0, 498.0), (500.0, 500.0)))
    assert drawn.y[drawn.lonely].tolist() == [7.0]
    ends = thin(time_s, np.array([7.0, np.nan, np.nan, np.nan, np.nan, 8.0]), gaps=((2.0, 498.0), (500.0, 500.0)))
    assert ends.y[ends.lonely].tolist() == [7.0, 8.0]
    assert thin(time_s, np.array([np.nan, 3.0, np.nan, np.nan, np.nan, np.nan])).lonely.tolist() == [0]


def test_thin_slow_rest_keeps_its_shape_beside_fast_pulses():
    # 10 h of rest at 60 s beside 100 s at 1 kHz: by share of samples the rest would be left with a handful of points.
    rest = 60.0 * np.arange(600.0)
    fast = rest[-1] + 60.0 + 1e-3 * np.arange(100_000.0)
    time_s = np.concatenate((rest, fast))
    value = np.concatenate((3.0 + 0.5 * (1.0 - np.exp(-rest / 3600.0)), np.full(fast.size, 3.2)))
    drawn = thin(time_s, value, points=1500)
    # Second method: the drawn line, read at each time of the rest, is the logged voltage to a fiftieth of what it moves.
    assert np.abs(np.interp(rest, drawn.x, drawn.y) - value[: rest.size]).max() < 0.01


@pytest.mark.parametrize("seed", range(6))
def test_extremes_are_those_of_every_column_of_the_screen(seed):
    # Second method: lowest and highest of each column by plain slicing; the drawn points must reach both.
    draws = np.random.default_rng(seed)
    x = np.cumsum(draws.exponential(1.0, 20_000) ** 2)
    value = draws.normal(size=x.size)
    index = extremes(value, 200, x)
    edges = np.linspace(x[0], x[-1], 101)
    column = np.clip(np.searchsorted(edges, x, side="right") - 1, 0, 99)
    for number in range(100):
        inside = np.flatnonzero(column == number)
        mine = index[column[index] == number]
        if inside.size > 2:
            assert value[inside].min() >= value[mine].min() - 1e-12 and value[inside].max() <= value[mine].max() + 1e-12


def test_thin_of_a_series_with_thousands_of_holes_stays_small_and_keeps_its_spike():
    time_s = np.arange(float(ROWS))
    value = np.full(ROWS, 3.6)
    for start in range(0, ROWS, 100):
        value[start: start + 20] = np.nan  # 10 000 holes of 20 s
    value[543_250] = 1.9
    drawn = thin(time_s, value, points=1500)
    assert drawn.x.size < 3_100 and np.nanmin(drawn.y) == 1.9


def test_extremes_hold_a_spike_among_samples_that_share_the_last_place():
    """Places found by chance, at which the edge of the library's last piece comes out below the last place."""
    x = np.array([60305.40007889742, 60305.89625743026, 60305.92400441019, 60305.92400441019, 60305.92400441019, 60306.397782363, 60306.87839949326,
                  60307.19868084103, 60307.86204030508, 60307.86204030508, 60307.86204030508])
    value = np.full(x.size, 3.6)
    value[8] = 4.1
    assert 8 in extremes(value, 8, x)
