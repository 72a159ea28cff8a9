"""One log written in many dialects reads back as the same numbers.

Origin of every expected number: ``writing.invented_test`` (closed form, seeded), never the reader's own output.
"""

from __future__ import annotations

from datetime import datetime

import pytest

from cycler.readers import read_log_bytes
from tests.readers.writing import WORDS, Dialect, assert_agrees, invented_test, write_log

DIALECTS = {
    "comma_point": Dialect(),
    "semicolon_decimal_comma": Dialect(delimiter=";", decimal=","),
    "tab": Dialect(delimiter="\t"),
    "tab_decimal_comma": Dialect(delimiter="\t", decimal=","),
    "pipe": Dialect(delimiter="|"),
    "blanks": Dialect(delimiter=" ", language="sym"),
    "quotes_around_everything_rfc_4180": Dialect(quoted=True),
    "quotes_around_decimal_commas_rfc_4180": Dialect(quoted=True, decimal=","),
    "crlf_rfc_4180": Dialect(line_end="\r\n"),
    "carriage_returns_only": Dialect(line_end="\r"),
    "byte_order_mark": Dialect(encoding="utf-8-sig"),
    "utf_16_little": Dialect(encoding="utf-16-le"),
    "utf_16_big_decimal_comma": Dialect(encoding="utf-16-be", delimiter=";", decimal=","),
    "windows_1252_degree_sign": Dialect(encoding="cp1252", language="de"),
    "gzip": Dialect(compressed=True),
    "no_final_line_end": Dialect(final_newline=False),
    "trailing_delimiter": Dialect(trailing_delimiter=True),
    "preamble_of_free_text": Dialect(preamble=("Bench 3, invented", "", "Pack: EB-9000;4;V", "2026-03-09 08:15")),
    "footer_of_free_text": Dialect(footer=("", "End of test", "Total 0.3 Ah")),
    "comment_lines": Dialect(comment_every=25),
    "blank_lines": Dialect(blank_every=25),
    "repeated_header": Dialect(header_every=50),
    "repeated_header_with_units_row": Dialect(header_every=50, unit_style="row"),
    "units_row": Dialect(unit_style="row"),
    "units_in_square_brackets": Dialect(unit_style="[{}]"),
    "units_after_slash_iso_80000_1": Dialect(unit_style=" / {}"),
    "units_after_underscore": Dialect(unit_style="_{}"),
    "units_after_in": Dialect(unit_style=" in {}"),
    "millivolt_milliampere": Dialect(voltage_unit="mV", current_unit="mA", capacity_unit="mAh"),
    "fahrenheit": Dialect(temperature_unit="°F"),
    "time_in_ms": Dialect(time_style="ms"),
    "time_in_min": Dialect(time_style="min"),
    "time_in_h": Dialect(time_style="h"),
    "time_as_hh_mm_ss": Dialect(time_style="hms"),
    "iso_8601_with_blank": Dialect(time_style="iso"),
    "iso_8601_utc": Dialect(time_style="iso_z"),
    "day_first": Dialect(time_style="dmy"),
    "month_first_am_pm": Dialect(time_style="mdy_ampm", start=datetime(2026, 3, 19, 11, 50)),
    "date_and_time_in_two_columns": Dialect(time_style="date_time", start=datetime(2026, 3, 9, 23, 50)),
    "epoch_s": Dialect(time_style="epoch"),
    "epoch_ms": Dialect(time_style="epoch_ms"),
    "midnight_without_date": Dialect(time_style="hms_wall", start=datetime(2026, 3, 9, 23, 55)),
    "discharge_positive": Dialect(current_style="inverse"),
    "unsigned_with_mode_words": Dialect(current_style="unsigned_mode"),
    "unsigned_without_mode_words": Dialect(current_style="unsigned", with_capacity=False),
    "separate_currents": Dialect(current_style="separate"),
    "taps": Dialect(group_style="taps"),
    "taps_from_positive_end": Dialect(group_style="taps_from_top"),
    "no_groups": Dialect(group_style="none"),
    "columns_in_any_order": Dialect(order_seed=5, with_mode=True),
    "rows_out_of_order": Dialect(swapped_rows=(30, 100)),
    "rows_twice": Dialect(doubled_rows=(44, 80)),
}  # fmt: skip


@pytest.mark.parametrize("name", DIALECTS)
def test_read_log_in_dialect_gives_what_was_written(name):
    truth = invented_test(seed=11, groups=3)
    log = read_log_bytes(write_log(truth, DIALECTS[name]), "log.csv")
    assert_agrees(log, truth, DIALECTS[name])


@pytest.mark.parametrize("language", WORDS)
@pytest.mark.parametrize("style", ["unsigned_mode", "separate"])
def test_read_log_in_language_finds_roles_and_direction(language, style):
    truth = invented_test(seed=12, groups=4)
    dialect = Dialect(language=language, current_style=style, delimiter=";")
    log = read_log_bytes(write_log(truth, dialect), "log.csv")
    assert_agrees(log, truth, dialect)
    assert log.reading.discharge_is == "unsigned"
    assert not [item for item in log.reading.warnings if item.code == "sign_inferred"]


def test_reading_of_a_dialect_is_reported():
    truth = invented_test(seed=13)
    log = read_log_bytes(write_log(truth, Dialect(delimiter=";", decimal=",", preamble=("Bench 3",), language="de")), "log.csv")
    reading = log.reading
    assert (reading.encoding, reading.delimiter, reading.decimal, reading.header_row) == ("UTF-8", ";", ",", 2)
    roles = {item.name: (item.role, item.unit, item.group) for item in reading.columns}
    assert roles["Spannung (V)"] == ("voltage", "V", None)
    assert roles["Zelle 2 (V)"] == ("group_voltage", "V", 2)
    assert roles["Kapazität (Ah)"] == ("capacity", "Ah", None)
    assert reading.sampling_median_s == 10.0
    assert log.line_number[0] == 3 and log.line_number[-1] == 162
