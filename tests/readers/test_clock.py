"""Times of every kind. Expected seconds are counted by hand or by Python's datetime, beside each row."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from cycler.log import Gap
from cycler.readers import read_log_bytes
from cycler.readers.clock import find_gaps
from cycler.readers.stamps import parse_stamps


def _seconds(*texts: str) -> np.ndarray:
    return parse_stamps(np.array(texts, dtype=object)).seconds


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("00:00:01.5", 1.5), ("0:00:01,25", 1.25), ("26:00:00", 93600.0), ("123:00:02", 442802.0),
        ("1d 02:00:00", 93600.0), ("2:30:15 PM", 52215.0), ("12:00:00 AM", 0.0), ("12:00:00 PM", 43200.0),
    ],
)  # fmt: skip
def test_parse_stamps_of_time_gives_seconds(text, seconds):
    assert _seconds(text)[0] == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        # ISO 8601:2004, 4.3: calendar date and time of day, with "T" or blank, Z, offset, comma or point, basic format (from memory).
        ("2026-03-09T08:15:30", datetime(2026, 3, 9, 8, 15, 30)),
        ("2026-03-09 08:15:30,250", datetime(2026, 3, 9, 8, 15, 30, 250000)),
        ("2026-03-09T08:15:30Z", datetime(2026, 3, 9, 8, 15, 30)),
        ("2026-03-09T08:15:30+02:00", datetime(2026, 3, 9, 6, 15, 30)),
        ("20260309T081530Z", datetime(2026, 3, 9, 8, 15, 30)),
        ("2024-02-29 00:00:00", datetime(2024, 2, 29)),
        # Trade writings (common practice, no source).
        ("09.03.2026 08:15:30", datetime(2026, 3, 9, 8, 15, 30)),
        ("19/03/26 08:15", datetime(2026, 3, 19, 8, 15)),
        ("3/19/2026 8:15:30 PM", datetime(2026, 3, 19, 20, 15, 30)),
        ("9-Mar-2026 08:15:30", datetime(2026, 3, 9, 8, 15, 30)),
        ("9. Mär 2026 08:15:30", datetime(2026, 3, 9, 8, 15, 30)),
        ("Mar 9, 2026 08:15:30", datetime(2026, 3, 9, 8, 15, 30)),
    ],
)  # fmt: skip
def test_parse_stamps_of_date_and_time_gives_seconds_since_1970(text, moment):
    assert _seconds(text)[0] == pytest.approx(moment.replace(tzinfo=UTC).timestamp())


@pytest.mark.parametrize("text", ["2026-02-30 10:00:00", "2026-13-01 10:00:00", "10:61:00", "yesterday"])
def test_parse_stamps_of_impossible_time_gives_nan(text):
    assert np.isnan(_seconds("2026-01-01 10:00:00" if "-" in text else "10:00:00", text)[1])


def test_parse_stamps_settles_day_and_month_by_the_whole_column():
    texts = np.array(["03/04/2026 23:59:50", "04/04/2026 00:00:10"], dtype=object)
    stamps = parse_stamps(texts)
    assert stamps.order == "day_first" and not stamps.ambiguous
    assert np.diff(stamps.seconds)[0] == 20.0
    single = parse_stamps(np.array(["03/04/2026 10:00:00", "03/04/2026 10:00:10"], dtype=object))
    assert single.ambiguous and np.diff(single.seconds)[0] == 10.0


def _log(times: list[str], heading: str = "Time (s)", extra: str = ""):
    """A log with a charge whose voltage answers at once, so that everything but the clock is plain."""
    n = len(times)
    current = [0.0 if k < 3 or k >= n - 3 else 1.0 for k in range(n)]
    rows = [f"{t},{3.5 + 0.1 * i + 0.001 * k:.4f},{i:.3f}" for k, (t, i) in enumerate(zip(times, current))]
    return read_log_bytes(("\n".join([f"{heading},Voltage (V),Current (A)", *rows]) + "\n").encode(), "log.csv")


def _codes(log) -> set[str]:
    return {item.code for item in log.reading.warnings}


def test_clock_of_32_bit_milliseconds_running_over_is_unrolled():
    # Arithmetic: 2**32 ms = 4294967.296 s.
    start = 2**32 - 50_000
    log = _log([str((start + 1000 * k) % 2**32) for k in range(100)], "Time (ms)")
    assert log.duration_s == pytest.approx(99.0)
    assert log.reading.clock_wrapped


def test_clock_that_jumps_to_zero_is_joined_and_marked():
    log = _log([str(k % 50) for k in range(100)])
    assert log.duration_s == pytest.approx(99.0)
    assert "step_clock_joined" in _codes(log)
    assert [gap.start_s for gap in log.reading.gaps] == [49.0]


def test_two_rows_at_one_time_with_different_current_are_both_kept():
    times = [str(float(k)) for k in range(20)]
    times[3] = times[2]  # the switch: rest and charge within one tick
    log = _log(times)
    assert log.rows == 20 and log.time_s[2] == log.time_s[3]
    assert log.current_a[2] == 0.0 and log.current_a[3] == 1.0


def test_find_gaps_with_slow_rests_finds_none():
    # Pulses at 1 s, rests at 60 s: steady on its own side, so no gap.
    steps = np.concatenate([np.ones(60), np.full(30, 60.0), np.ones(60), np.full(30, 60.0)])
    assert find_gaps(np.concatenate([[0.0], np.cumsum(steps)]), []) == []


def test_find_gaps_with_one_long_step_finds_it():
    # Rule: longer than 30 s and five times the sampling on both sides.
    steps = np.ones(100)
    steps[40] = 31.0
    assert find_gaps(np.concatenate([[0.0], np.cumsum(steps)]), []) == [Gap(40.0, 31.0)]
    steps[40] = 29.0
    assert find_gaps(np.concatenate([[0.0], np.cumsum(steps)]), []) == []


def test_find_gaps_in_event_log_finds_none():
    steps = np.random.default_rng(4).lognormal(2.0, 1.6, 3000)
    gaps = find_gaps(np.concatenate([[0.0], np.cumsum(steps)]), [])
    assert len(gaps) <= 3


def test_shuffled_rows_are_refused():
    from cycler.errors import InputError

    order = np.random.default_rng(2).permutation(60)
    with pytest.raises(InputError) as error:
        _log([str(10 * k) for k in order])
    assert error.value.what == "the clock runs back again and again"


def test_step_time_beside_a_timestamp_leaves_the_pauses_in():
    rows = ["Timestamp,Step time (s),Voltage (V),Current (A)"]
    for step, (begin, current) in enumerate([(0, 0.0), (100, 1.0), (400, 0.0)]):
        for k in range(10):
            moment = f"2026-03-09 10:{(begin + 10 * k) // 60:02d}:{(begin + 10 * k) % 60:02d}"
            rows.append(f"{moment},{10 * k},{3.5 + 0.1 * current + 0.001 * k + 0.01 * step:.4f},{current}")
    log = read_log_bytes(("\n".join(rows) + "\n").encode(), "log.csv")
    assert log.duration_s == 490.0
    assert log.reading.clock_kind == "wall"
    assert log.step_time_s[10] == 0.0 and log.step_time_s[19] == 90.0


def _written(stamps, heading, voltage, current, *more):
    heads = [heading, "Voltage (V)", "Current (A)", *(name for name, _ in more)]
    rows = zip(stamps, *([f"{value:.5f}" for value in column] for column in (voltage, current, *(column for _, column in more))))
    return read_log_bytes("\n".join([",".join(heads), *map(",".join, rows)]).encode(), "log.csv")


def test_minute_clock_keeps_the_spacing_of_each_sampling():
    # 1 s for three hours, then 10 s for two: every row within its own sampling of the truth, and no gap between.
    t = np.concatenate([np.arange(0, 10_830.0), np.arange(10_830.0, 18_000.0, 10.0)])
    current = np.where(t > 12_000, -2.0, 0.0)
    stamps = [f"2026-03-09 {8 + int(v) // 3600:02d}:{int(v) % 3600 // 60:02d}" for v in t]
    log = _written(stamps, "Clock", 13.0 - 1e-4 * t + 0.1 * current, current)
    np.testing.assert_allclose(log.time_s, t, atol=1.0)
    assert log.reading.gaps == () and "clock_coarse" in _codes(log)


def test_minute_clock_with_a_pause_keeps_the_pause():
    t = np.concatenate([np.arange(0, 1200.0, 2.0), np.arange(4800.0, 6000.0, 2.0)])
    current = np.where(t > 300, -2.0, 0.0)
    stamps = [f"2026-03-09 {8 + int(v) // 3600:02d}:{int(v) % 3600 // 60:02d}" for v in t]
    log = _written(stamps, "Clock", 12.0 - 1e-4 * t + 0.1 * current, current)
    np.testing.assert_allclose(log.time_s, t, atol=1e-6)
    assert len(log.reading.gaps) == 1


@pytest.mark.parametrize("uneven", [False, True])
def test_clock_of_minutes_and_seconds_running_over_many_times_is_unrolled(uneven):
    # Six hours in mm:ss; uneven rows of 9 to 11 s keep the even rule from seeing one full scale.
    rng = np.random.default_rng(5)
    t = np.cumsum(rng.integers(9, 12, 2000)).astype(float) if uneven else np.arange(0, 20_000.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    stamps = [f"{int(v) % 3600 // 60:02d}:{int(v) % 60:02d}" for v in t]
    log = _written(stamps, "Time (mm:ss)", 42.0 - 1e-4 * t + 0.1 * current, current)
    np.testing.assert_allclose(log.time_s, t - t[0])
    assert log.reading.clock_wrapped and log.reading.gaps == ()


def _set_back(seconds: float):
    t = np.arange(0, 7200.0, 10.0)
    current = np.where(t > 600, -2.0, 0.0)
    shown = t - seconds * (t > 4000)
    stamps = [f"2026-03-09 {8 + int(v) // 3600:02d}:{int(v) % 3600 // 60:02d}:{int(v) % 60:02d}" for v in shown]
    return t, stamps, 42.0 - 1e-3 * np.clip(t - 600, 0, None) + 0.1 * current, current


def test_clock_set_back_leaves_the_rows_in_their_order_where_a_counter_runs_on():
    t, stamps, u, current = _set_back(37)
    counted = 2.0 * np.clip(t - 605, 0, None) / 3600
    log = _written(stamps, "Clock", u, current, ("Discharge capacity (Ah)", counted))
    np.testing.assert_allclose(log.time_s, t)
    np.testing.assert_allclose(log.counters["discharge_capacity"], counted, atol=1e-5)
    (text,) = [item.message for item in log.reading.warnings if item.code == "clock_jump"]
    assert "set back" in text and "37 s" in text and log.reading.gaps == ()


def test_clock_set_back_leaves_the_rows_in_their_order_where_the_voltage_runs_on():
    # Without a counter nobody knows how long the switch took: joined, and the joint is marked.
    _, stamps, u, current = _set_back(37)
    log = _written(stamps, "Clock", u, current)
    np.testing.assert_allclose(log.voltage_v, u, atol=1e-5)
    assert "clock_disorder" not in _codes(log) and len(log.reading.gaps) == 1


def test_rows_written_late_are_still_put_in_their_place():
    t, _, u, current = _set_back(0)
    order = np.arange(t.size)
    order[400:406] = [403, 404, 405, 400, 401, 402]
    log = _written([f"{v:g}" for v in t[order]], "Time (s)", u[order], current[order])
    np.testing.assert_allclose(log.voltage_v, u, atol=1e-5)
    np.testing.assert_allclose(log.time_s, t)
