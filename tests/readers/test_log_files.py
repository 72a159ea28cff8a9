"""Good, mended and refused logs from tests/data/logs; its README.md says what is special in each.

All hold the same invented test (``invented_test(7)``), so what must come out is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_log, read_logs
from tests.readers.writing import invented_test

LOGS = Path(__file__).parent.parent / "data" / "logs"
TRUTH = invented_test(7, groups=3)
NO_GROUPS = {"thousands.csv", "units-in-cells.csv"}

# file -> codes of warnings beyond sign_inferred
WHOLE = {
    "semicolon-german.csv": [], "utf16-tab-dutch.txt": [], "blanks-taps-from-plus.txt": ["taps_end_open"],
    "units-row-french.csv": [], "unsigned-words-german.csv": [], "unsigned-no-words.csv": [], "discharge-positive.csv": [],
    "two-currents-spanish.csv": [], "midnight.csv": ["clock_wrapped"], "month-first.csv": ["date_order_inferred"],
    "epoch.csv.gz": [], "quoted.csv": [], "remarks.csv": ["footer_skipped", "repeated_header"], "no-units.csv": ["unit_inferred"],
    "charger-eight-inputs.csv": ["group_unused"], "thousands.csv": [], "units-in-cells.csv": [],
    "duplicates-and-disorder.csv": ["clock_disorder", "duplicate_time"], "newest-first.csv": ["clock_disorder"],
    "minute-clock.csv": ["clock_coarse"], "step-clock.csv": ["step_clock_joined"], "cycle-clock.csv": ["step_clock_joined"],
    "counter-of-16-bits.csv": ["clock_wrapped"], "summer-time.csv": ["clock_jump"], "row-number.csv": ["header_short"],
    "one-odd-row.csv": ["rows_dropped"], "no-headings.csv": ["header_missing", "unit_inferred"],
    "no-headings-taps.csv": ["header_missing", "taps_end_open", "unit_inferred"],
    "letters-for-groups.csv": ["unit_inferred"], "group-before-quantity.csv": ["unit_inferred"],
    "units-and-commas-in-cells.csv": [], "minutes-in-words.csv": [], "time-in-three-columns.csv": ["time_in_parts"],
    "date-in-six-columns.csv": ["time_in_parts"], "date-without-marks.csv": [], "shares-of-a-day.csv": ["unit_inferred"],
    "month-in-words.csv": [], "leads-changed-over.csv": ["voltage_reversed"], "line-ends-mixed.csv": [],
    "two-saved-in-one.csv": ["repeated_header"], "counter-of-16-bit-ms.csv": ["clock_wrapped"], "blanks-in-headings.txt": [],
    "results-above.csv": ["summary_skipped"], "dotted-time.csv": [], "sign-behind.csv": [], "headings-over-two-lines.csv": [],
    "mac-degree-sign.csv": [], "offset-from-utc.csv": [],
}  # fmt: skip


def _codes(log) -> list[str]:
    return sorted({item.code for item in log.reading.warnings} - {"sign_inferred"})


@pytest.mark.parametrize("name", WHOLE)
def test_read_log_of_whole_file_gives_the_invented_test(name):
    log = read_log(LOGS / name)
    assert _codes(log) == WHOLE[name]
    np.testing.assert_allclose(log.time_s, TRUTH.time_s, atol=7e-3)
    np.testing.assert_allclose(log.voltage_v, TRUTH.voltage_v, atol=6e-5)
    np.testing.assert_allclose(log.current_a, TRUTH.current_a, atol=6e-5)
    if name not in NO_GROUPS:
        np.testing.assert_allclose(log.group_voltage_v, TRUTH.group_v, atol=1e-4)


@pytest.mark.parametrize(("name", "line"), [("cut-in-number.csv", 161), ("cut-in-row.csv", 161)])
def test_read_log_cut_off_drops_the_last_row_and_says_so(name, line):
    log = read_log(LOGS / name)
    warning = next(item for item in log.reading.warnings if item.code == "truncated_row")
    assert warning.where.endswith(f"{name}:{line}")
    assert (log.rows, log.sources[0].rows_dropped) == (159, 1)
    np.testing.assert_allclose(log.temperature_c[:, 0], TRUTH.temperature_c[:159], atol=1e-9)


def test_read_log_with_odd_row_counts_and_names_it():
    log = read_log(LOGS / "one-odd-row.csv")
    warning = next(item for item in log.reading.warnings if item.code == "rows_dropped")
    assert (log.rows, log.sources[0].rows_dropped) == (160, 1)
    assert "line 52" in warning.message


def test_read_log_with_pause_marks_a_gap():
    log = read_log(LOGS / "pause.csv")
    # Origin: rows 98 to 127 were left out of a log with 10 s between rows.
    (gap,) = log.reading.gaps
    assert (gap.start_s, gap.duration_s) == (970.0, 310.0)
    assert "log_gap" in _codes(log)


def test_read_log_with_cycle_clock_marks_the_joint_as_a_gap_of_unknown_length():
    log = read_log(LOGS / "cycle-clock.csv")
    (gap,) = log.reading.gaps
    assert (gap.start_s, gap.duration_s) == (790.0, 10.0)
    assert "not known" in gap.why


def test_read_log_with_words_for_no_reading_gives_nan_there_only():
    log = read_log(LOGS / "words-for-nothing.csv")
    assert log.rows == 160
    assert np.flatnonzero(np.isnan(log.voltage_v)).tolist() == [41]
    assert np.flatnonzero(np.isnan(log.current_a)).tolist() == [61]
    assert np.flatnonzero(np.isnan(log.group_voltage_v[:, 1])).tolist() == [60]
    assert np.flatnonzero(np.isnan(log.temperature_c[:, 0])).tolist() == [20]


@pytest.mark.parametrize(
    ("name", "what", "line"),
    [
        ("refused-bad-rows.csv", "4 of 160 rows cannot be read", 32),
        ("refused-mixed-marks.csv", 'the decimal marks of "Time (s)" are mixed', 78),
        ("refused-comma-comma.csv", "the comma separates both fields and decimals", 1),
        ("refused-nul.csv", "the log is not text", 61),
        ("refused-header-only.csv", "the log has no rows of readings", None),
        ("refused-no-current.csv", "the log has no current column", 1),
        ("refused-contradiction.csv", "the mode words and the voltage contradict each other about the direction of the current", 1),
        ("refused-two-voltages.csv", "two columns could be the pack's voltage", 1),
        ("refused-two-logs.csv", "the columns change in the middle of the log", 81),
        ("refused-archive.csv", "the log is a zip archive or a spreadsheet workbook", None),
        ("refused-empty.csv", "the log is empty", None),
        ("refused-two-delimiters.csv", "the log uses two delimiters", 2),
        ("refused-clock-stands.csv", "the clock stands still", 2),
        ("refused-no-headings.csv", "the log has no headings, and its readings do not prove which column is the current", 1),
    ],
)  # fmt: skip
def test_read_log_of_unusable_file_gives_one_message(name, what, line):
    with pytest.raises(InputError) as error:
        read_log(LOGS / name)
    assert error.value.what == what
    assert error.value.where.line == line
    assert error.value.why and error.value.mend


@pytest.mark.parametrize(
    ("name", "moment"),
    [
        ("date-in-six-columns.csv", "2026-03-09T08:15:30"),
        ("date-without-marks.csv", "2026-03-09T08:15:30"),
        ("month-in-words.csv", "2026-03-09T08:15:30"),
        ("offset-from-utc.csv", "2026-03-29T00:50:00.250000+00:00"),
    ],
)
def test_read_log_with_date_knows_when_the_test_began(name, moment):
    assert read_log(LOGS / name).started_at.isoformat() == moment


def test_read_log_without_current_names_the_columns_found_and_the_way_out():
    with pytest.raises(InputError) as error:
        read_log(LOGS / "refused-no-current.csv")
    assert '"Wind speed"' in error.value.why
    assert 'role = "current"' in error.value.mend and "--columns" in error.value.mend


def test_read_log_with_contradiction_shows_both_sides():
    with pytest.raises(InputError) as error:
        read_log(LOGS / "refused-contradiction.csv")
    assert "mode words" in error.value.why and "voltage steps" in error.value.why


def test_read_log_of_missing_file_and_folder_gives_one_message(tmp_path):
    for path, what in ((tmp_path / "none.csv", "no such log"), (tmp_path, "the log is a folder")):
        with pytest.raises(InputError) as error:
            read_log(path)
        assert error.value.what == what


def test_read_logs_with_absolute_time_joins_in_time_order_with_a_gap():
    log = read_logs([LOGS / "part-b-discharge.csv", LOGS / "part-a-charge.csv"])
    assert [Path(item.file).name for item in log.sources] == ["part-a-charge.csv", "part-b-discharge.csv"]
    assert log.rows == 154 and log.part[73] == 0 and log.part[74] == 1
    # Origin: 10 s rows; rows 74 to 79 are in neither part: 73 -> 80 is 70 s.
    assert log.time_s[74] - log.time_s[73] == pytest.approx(70.0, abs=1e-3)
    (gap,) = log.reading.gaps
    assert gap.duration_s == pytest.approx(70.0, abs=1e-3) and "joint" in gap.why
    assert log.started_at.isoformat() == "2026-03-09T08:15:30"


def test_read_logs_without_common_clock_joins_in_the_order_given():
    log = read_logs([LOGS / f"step-{number}.csv" for number in (1, 2, 3)])
    np.testing.assert_allclose(log.time_s, TRUTH.time_s, atol=1e-6)
    np.testing.assert_allclose(log.current_a, TRUTH.current_a, atol=6e-5)
    assert len(log.reading.gaps) == 2
    assert "parts_in_given_order" in _codes(log)
    assert log.reading.discharge_is == "positive"


def test_read_logs_with_the_same_file_twice_is_refused():
    with pytest.raises(InputError) as error:
        read_logs([LOGS / "quoted.csv", LOGS / "quoted.csv"])
    assert error.value.what == "the same log is given twice"


def test_source_holds_sha256_of_the_raw_bytes():
    import hashlib

    raw = (LOGS / "epoch.csv.gz").read_bytes()
    (source,) = read_log(LOGS / "epoch.csv.gz").sources
    assert source.sha256 == hashlib.sha256(raw).hexdigest()
    assert (source.bytes, source.rows_read, source.rows_dropped) == (len(raw), 160, 0)
