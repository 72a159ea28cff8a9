"""Stamps of two parts: "00:10" is ten minutes or ten seconds, a factor of 60 in every capacity.

Origin of each expectation: the stamps are written here from seconds or minutes, so the right reading is known.
"""

from __future__ import annotations

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import parse_columns, read_log_bytes, read_logs_bytes
from cycler.readers.stamps import parse_stamps


def _stamp(units: float) -> str:
    return f"{int(units) // 60:02d}:{int(units) % 60:02d}"


def _pack(units: np.ndarray, rest: int = 20, swing: float = 0.3, amps: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A discharge between two rests over all rows: voltage of ten groups, current."""
    n = units.size
    loaded = (np.arange(n) >= rest) & (np.arange(n) < n - rest)
    done = np.clip((np.arange(n) - rest) / max(n - 2 * rest, 1), 0, 1)
    return 42.0 * (1 - swing * done) - 0.8 * loaded, np.where(loaded, -amps, 0.0)


def _raw(stamps, voltage, current, heading="Time", extra: dict | None = None) -> bytes:
    extra = extra or {}
    rows = [",".join([heading, "Voltage (V)", "Current (A)", *extra])]
    for k, (t, u, i) in enumerate(zip(stamps, voltage, current)):
        rows.append(",".join([t, f"{u:.4f}", f"{i:.3f}", *(str(column[k]) for column in extra.values())]))
    return ("\n".join(rows) + "\n").encode()


def _read(units, heading="Time", extra=None, columns=None, **kind):
    voltage, current = _pack(units, **kind)
    return read_log_bytes(_raw([_stamp(u) for u in units], voltage, current, heading, extra), "log.csv", columns)


def _told(log) -> str:
    return next(w.message for w in log.reading.warnings if w.code == "unit_inferred")


def test_ten_hours_of_whole_minutes_are_read_as_hours_and_minutes_with_a_warning():
    # 00:00, 00:01, 00:02 ... 10:00: the swing would take under 10 min as mm:ss, faster than 6 It.
    log = _read(np.arange(601.0))
    assert log.duration_s == 600 * 60
    assert "hh:mm" in _told(log) and "mm:ss" in _told(log)
    assert "10 h" in _told(log) and "10 min" in _told(log) and 'unit = "mm:ss"' in _told(log)
    # 561 rows of 1 A, one minute apart, trapezoids over both edges.
    assert abs(np.trapezoid(log.current_a, log.time_s)) / 3600 == pytest.approx(561 / 60, rel=1e-9)
    assert next(c.unit for c in log.reading.columns if c.name == "Time") == "hh:mm"


def test_an_hour_of_seconds_is_read_as_minutes_and_seconds_with_a_warning():
    # 45 min under load; as hh:mm it would be 45 h, slower than 1/24 It.
    log = _read(np.arange(2740.0))
    assert log.duration_s == 2739.0
    assert "were read as mm:ss" in _told(log) and "as hh:mm it would be" in _told(log)


def test_a_discharge_that_fits_both_is_refused_and_names_both_and_the_line():
    with pytest.raises(InputError) as error:
        _read(np.arange(1000.0))
    assert error.value.what == 'the times in "Time" can be read in two ways'
    assert (error.value.where.line, error.value.where.column) == (1, 1)
    assert "hh:mm (16.65 h in all)" in error.value.why and "mm:ss (16.65 min in all)" in error.value.why
    assert '[[column]] name = "Time", role = "time", unit = "hh:mm"' in error.value.mend and '"mm:ss"' in error.value.mend


@pytest.mark.parametrize("heading", ["Time {s}", "Time {", "Time {0}", "Time }"])
def test_a_heading_with_braces_is_printed_as_it_stands(heading):
    with pytest.raises(InputError) as error:
        _read(np.arange(1000.0), heading=heading)
    assert f'name = "{heading}", role = "time", unit = "hh:mm"' in error.value.mend


def test_without_a_swing_nothing_tells_and_the_log_is_refused():
    with pytest.raises(InputError) as error:
        _read(np.arange(300.0), swing=0.01)
    assert "nothing in the log tells which" in error.value.why


@pytest.mark.parametrize(("unit", "seconds"), [("hh:mm", 60.0), ("mm:ss", 1.0)])
def test_columns_file_settles_it_without_a_warning(unit, seconds):
    columns = parse_columns(f'[[column]]\nname = "Time"\nrole = "time"\nunit = "{unit}"\n', "columns.toml")
    log = _read(np.arange(1000.0), columns=columns)
    assert log.duration_s == 999 * seconds
    assert "unit_inferred" not in {w.code for w in log.reading.warnings}


@pytest.mark.parametrize(
    ("heading", "seconds"),
    [("Time (hh:mm)", 60.0), ("Time [h:min]", 60.0), ("Time (mm:ss)", 1.0), ("Zeit (min:sek)", 1.0)],
)
def test_heading_settles_it_without_a_warning(heading, seconds):
    log = _read(np.arange(1000.0), heading)
    assert log.duration_s == 999 * seconds
    assert "unit_inferred" not in {w.code for w in log.reading.warnings}


@pytest.mark.parametrize("seconds", [60.0, 1.0])
@pytest.mark.parametrize(("heading", "scale"), [("Capacity (Ah)", 1.0), ("Capacity (mAh)", 1000.0)])
def test_counter_of_the_instrument_settles_it(seconds, heading, scale):
    units = np.arange(1000.0)
    current = _pack(units)[1]
    counter = np.cumsum(np.abs(current)) * seconds / 3600 * scale
    log = _read(units, extra={heading: [f"{q:.5f}" for q in counter]})
    assert log.duration_s == 999 * seconds
    assert "integrated over time" in _told(log)


@pytest.mark.parametrize("seconds", [60.0, 1.0])
def test_another_clock_settles_it(seconds):
    units = np.arange(1000.0)
    log = _read(units, extra={"Step time (s)": [f"{u * seconds:.0f}" for u in units]})
    assert log.duration_s == 999 * seconds


def test_clock_that_starts_again_after_59_59_is_minutes_and_seconds():
    # 100 min of 2 s rows: 59:58 is followed by 00:00.
    units = np.arange(0.0, 6000.0, 2.0)
    voltage, current = _pack(units)
    log = read_log_bytes(_raw([_stamp(u % 3600) for u in units], voltage, current), "log.csv")
    np.testing.assert_array_equal(log.time_s, units)
    assert log.reading.clock_wrapped


def test_clock_that_starts_again_after_23_59_is_a_time_of_day():
    # From 20:00 to 06:00 in minutes.
    minutes = np.arange(1200.0, 1800.0)
    voltage, current = _pack(minutes)
    log = read_log_bytes(_raw([_stamp(m % 1440) for m in minutes], voltage, current), "log.csv")
    assert log.duration_s == 599 * 60 and log.reading.clock_kind == "wall"


def test_several_rows_a_stamp_are_minutes():
    # Ten rows a minute, 100 min: a logger that writes seconds would not write ten rows in one.
    units = np.repeat(np.arange(100.0), 10)
    log = _read(units)
    assert log.duration_s == pytest.approx(6000.0, abs=60.0)
    assert "rows share each time" in _told(log)


def test_time_of_day_beside_a_date_needs_no_warning():
    units = 600.0 + np.arange(400.0)
    log = _read(units, "Clock", {"Date": ["09.03.2026"] * 400})
    assert log.duration_s == 399 * 60 and log.started_at.isoformat() == "2026-03-09T10:00:00"
    assert "unit_inferred" not in {w.code for w in log.reading.warnings}


def test_evidence_for_both_is_refused_and_shows_both_sides():
    # Two rows a stamp speak for minutes, 45 h under load against them.
    with pytest.raises(InputError) as error:
        _read(np.repeat(np.arange(2740.0), 2))
    assert "for hh:mm:" in error.value.why and "for mm:ss:" in error.value.why


def test_part_that_cannot_tell_is_read_as_the_part_that_can():
    # The first part holds 10 h of minutes, the second a rest alone.
    units = np.arange(601.0)
    voltage, current = _pack(units)
    first = _raw([_stamp(u) for u in units], voltage, current)
    second = _raw([_stamp(u) for u in np.arange(60.0)], np.full(60, voltage[-1]), np.zeros(60))
    log = read_logs_bytes([("a.csv", first), ("b.csv", second)])
    assert log.time_s[-1] - log.time_s[-60] == 59 * 60


def test_stamps_that_gain_a_third_part_after_the_hour_are_minutes_and_seconds():
    texts = np.array(["59:58", "59:59", "1:00:00", "1:00:01"], dtype=object)
    np.testing.assert_array_equal(parse_stamps(texts).seconds, [3598.0, 3599.0, 3600.0, 3601.0])
