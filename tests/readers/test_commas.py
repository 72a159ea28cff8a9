"""Logs in which a comma separates fields and, from some row on, decimals too: one message that says from which line."""

from __future__ import annotations

import pytest

from cycler.conduct import reading_findings
from cycler.errors import InputError, Location
from cycler.readers import parse_columns, read_log_bytes
from cycler.readers.commas import refuse_commas_from
from tests.readers.writing import Dialect, invented_test, write_log

WHAT = "the comma separates both fields and decimals"
SECONDS = write_log(invented_test(5), Dialect()).decode().splitlines()
STAMPS = [
    SECONDS[0].replace("Time (s)", "timestamp"),
    *[f"2026-03-09T08:{at // 6:02d}:{at % 6 * 10:02d}.{120 + at},{line.partition(',')[2]}" for at, line in enumerate(SECONDS[1:])],
]


def _split(lines: list[str], first: int, last: int) -> bytes:
    """The log with decimal commas in lines ``first`` to ``last``."""
    return ("\n".join(line.replace(".", ",") if first <= at <= last else line for at, line in enumerate(lines, 1)) + "\n").encode()


def _refusal(raw: bytes, columns: str | None = None) -> InputError:
    with pytest.raises(InputError) as caught:
        read_log_bytes(raw, "log.csv", None if columns is None else parse_columns(columns, "own.toml"))
    return caught.value


@pytest.mark.parametrize("columns", [None, "header_row = 1\n", 'delimiter = "comma"\n', "allow_bad_rows = true\n"])
@pytest.mark.parametrize("lines", [SECONDS, STAMPS], ids=["seconds", "timestamps"])
@pytest.mark.parametrize("first", [3, 5, 30, 75])
def test_comma_that_comes_to_split_decimals_is_told_with_its_line(lines, first, columns):
    error = _refusal(_split(lines, first, 161), columns)
    assert (error.what, str(error.where)) == (WHAT, f"log.csv:{first}")
    assert error.why == (
        f"the headings in line 1 name 8 columns, and the rows above line {first} have as many fields; from line {first} on they split into 16"
    )
    assert error.mend == "export with semicolons between fields, or with a decimal point"


def test_comma_that_comes_to_split_decimals_below_a_preamble_and_units_is_told():
    names = [heading.rpartition(" (") for heading in SECONDS[0].split(",")]
    units = [",".join(name for name, _, _ in names), ",".join(f"({unit}" for _, _, unit in names)]
    error = _refusal(_split(["Bench 3", "", *units, *SECONDS[1:]], 50, 200))
    assert (error.what, str(error.where)) == (WHAT, "log.csv:50") and error.why.startswith("the headings in line 3 name 8 columns")


@pytest.mark.parametrize("lines", [SECONDS, STAMPS], ids=["seconds", "timestamps"])
def test_comma_that_splits_decimals_from_the_first_row_on_is_told_at_the_headings(lines):
    error = _refusal(_split(lines, 2, 161))
    assert (error.what, str(error.where)) == (WHAT, "log.csv:1")
    assert error.why == "the header names 8 columns, the rows split into 16 fields"


def test_few_such_rows_are_bad_rows():
    error = _refusal(_split(SECONDS, 90, 95))
    assert (error.what, str(error.where)) == ("6 of 160 rows cannot be read", "log.csv:90")
    assert read_log_bytes(_split(SECONDS, 90, 95), "log.csv", parse_columns("allow_bad_rows = true\n", "own.toml")).rows == 154


@pytest.mark.parametrize("more", ["1,2,3", "1.5,2.5", "Charge,Charge"])
def test_rows_that_grow_by_fields_of_their_own_are_not_blamed_on_commas(more):
    rows = [line.split(",") for line in SECONDS]
    refuse_commas_from(rows[0], 1, rows[1:30], [[*fields, *more.split(",")] for fields in rows[30:80]], 31, Location("log.csv"))


def test_padded_whole_numbers_without_headings_are_read_as_before():
    truth = invented_test(5)
    rows = [
        f"08:{at // 6:02d}:{at % 6 * 10:02d},{round(1000 * volt):06d},{round(1000 * amp):+06d},0,1,0"
        for at, (volt, amp) in enumerate(zip(truth.voltage_v, truth.current_a))
    ]
    log = read_log_bytes(("\n".join(["Time,Voltage (mV),Current (mA)", *rows]) + "\n").encode(), "log.csv")
    assert log.rows == 160 and "header_short" in [item.code for item in log.reading.warnings]


@pytest.mark.parametrize(("until", "told"), [(60, True), (12, False)])
def test_rows_above_those_that_are_read_are_not_lost_in_silence(until, told):
    """The other way round: commas split the decimals of the first rows, and a few of them are as many as a summary has."""
    log = read_log_bytes(_split(SECONDS, 2, until), "log.csv")
    found = [item for item in log.reading.warnings if item.code == "rows_above"]
    assert log.rows == 160 - (until - 1) and bool(found) == told
    if told:
        assert found[0].where == "log.csv:2"
        assert found[0].message == "59 rows of 16 fields, lines 2 to 60, stand above those that are read, of 8 fields, and were left out."
        findings = reading_findings(log)
        assert next(item.severity for item in findings if item.code == "rows_above") == "caution"
