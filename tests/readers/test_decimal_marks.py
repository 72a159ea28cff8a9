"""Logs whose decimal mark changes: one message with both cells and the line where it changes, whatever share of the rows has which mark."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import parse_columns, read_log_bytes, read_logs_bytes
from tests.readers.writing import Dialect, invented_test, write_log

GERMAN = Dialect(language="de", delimiter=";", decimal=",", unit_style="[{}]")
LINES = write_log(invented_test(5), GERMAN).decode().splitlines()
LONG = [LINES[0], *[f"{10 * at},00;" + line.partition(";")[2] for at, line in enumerate(LINES[1:] * 6)]]
"""Longer than the rows that the mark of a log is told by."""
VOLTAGE = '[[column]]\nname = "Spannung [V]"\nrole = "voltage"\nunit = "V"\n'


def _turned(first: int, last: int, lines: list[str] = LINES, fields: slice = slice(None)) -> bytes:
    """The log with a decimal point in lines ``first`` to ``last``, in these fields."""
    out = list(lines)
    for line in range(first, last + 1):
        cells = out[line - 1].split(";")
        cells[fields] = [cell.replace(",", ".") for cell in cells[fields]]
        out[line - 1] = ";".join(cells)
    return ("\n".join(out) + "\n").encode()


def _refusal(raw: bytes, columns: str | None = None) -> InputError:
    with pytest.raises(InputError) as caught:
        read_log_bytes(raw, "log.csv", None if columns is None else parse_columns(columns, "own.toml"))
    return caught.value


@pytest.mark.parametrize("columns", [None, VOLTAGE, 'decimal = "comma"\n', 'decimal = "comma"\nallow_bad_rows = true\n' + VOLTAGE])
def test_mark_that_changes_in_the_middle_is_told_with_both_cells(columns):
    error = _refusal(_turned(451, 961, LONG), columns)
    assert error.what == 'the decimal marks of "Spannung [V]" are mixed'
    assert str(error.where) == "log.csv:451:2"
    above, below = LONG[449].split(";")[1], LONG[450].split(";")[1].replace(",", ".")
    assert error.why == f'line 450 reads "{above}", line 451 "{below}"; 449 of the cells have ",", 511 ".", all of these from line 451 on'
    assert error.mend == "export the log with one decimal mark, or split it before line 451 and give both parts, each with the headings above its rows"


def test_parts_split_where_the_mark_changes_are_read_as_the_whole():
    lines = _turned(76, 161).decode().splitlines()
    parts = [("\n".join(rows) + "\n").encode() for rows in (lines[:75], [lines[0], *lines[75:]])]
    log = read_logs_bytes([("a.csv", parts[0]), ("b.csv", parts[1])])
    whole = read_log_bytes(_turned(2, 1), "log.csv")
    assert np.array_equal(log.voltage_v, whole.voltage_v) and np.array_equal(log.current_a, whole.current_a)
    assert np.allclose(log.time_s, whole.time_s, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("field", "label"), [(0, "Zeit [s]"), (1, "Spannung [V]"), (2, "Strom [A]")], ids=["time", "voltage", "current"],
)
def test_mark_that_changes_in_one_column_names_that_column(field, label):
    lines = [";".join(line.split(";")[:3]) for line in LONG]
    error = _refusal(_turned(451, 961, lines, slice(field, field + 1)))
    assert (error.what, str(error.where)) == (f'the decimal marks of "{label}" are mixed', f"log.csv:451:{field + 1}")


def test_mark_that_changes_in_a_log_without_headings_is_told():
    error = _refusal(_turned(450, 960, LONG[1:]))
    assert error.what == 'the decimal marks of "column 1" are mixed' and str(error.where) == "log.csv:450:1"
    assert error.mend.endswith("or split it before line 450 and give both parts")


def test_stated_mark_that_most_rows_have_not_is_told_as_mixed():
    error = _refusal(_turned(40, 44), 'decimal = "point"\n')
    assert error.what == 'the decimal marks of "Spannung [V]" are mixed' and str(error.where) == "log.csv:40:2"


def test_column_of_words_stated_as_voltage_is_shown_by_a_cell_that_is_no_number():
    lines = [LINES[0], *[line if at < 20 else ";".join([line.split(";")[0], "kaputt", *line.split(";")[2:]]) for at, line in enumerate(LINES[1:])]]
    error = _refusal(("\n".join(lines) + "\n").encode(), VOLTAGE)
    assert error.why == 'its cells are no numbers, such as "kaputt"'


def test_words_beside_numbers_of_both_marks_are_no_mixed_marks():
    lines = [line.split(";") for line in LINES]
    for at, fields in enumerate(lines[1:]):
        fields[1] = ("10,6", "10.6", "kaputt", "kaputt", "kaputt")[at % 5]
    error = _refusal("\n".join(";".join(fields[:3]) for fields in lines).encode())
    assert error.what == "the log has no voltage column"


def test_lesser_column_of_both_marks_is_left_out_as_before():
    log = read_log_bytes(_turned(451, 961, LONG, slice(7, 8)), "log.csv")
    assert log.rows == 960 and log.temperature_c.shape[1] == 0


@pytest.mark.parametrize("columns", [None, 'decimal = "comma"\n', 'decimal = "comma"\nallow_bad_rows = true\n'])
@pytest.mark.parametrize(
    ("first", "last", "why", "mend"),
    [
        (90, 90, '159 of the cells have ",", 1 "."', 'correct the rows that have "."'),
        (90, 94, '155 of the cells have ",", 5 ".", all of these from line 90 to line 94', 'correct the rows that have "."'),
        (120, 161, '118 of the cells have ",", 42 ".", all of these from line 120 on',
         "split it before line 120 and give both parts, each with the headings above its rows"),
        (150, 161, '148 of the cells have ",", 12 ".", all of these from line 150 on', 'correct the rows that have "."'),
    ],
    ids=["one row", "a few rows", "a part", "the last rows"],
)  # fmt: skip
def test_mend_of_mixed_marks_offers_nothing_that_does_not_help(first, last, why, mend, columns):
    error = _refusal(_turned(first, last), columns)
    assert error.what == 'the decimal marks of "Zeit [s]" are mixed' and str(error.where) == f"log.csv:{first}:1"
    cells = LINES[first - 2].split(";")[0], LINES[first - 1].split(";")[0].replace(",", ".")
    assert error.why == f'line {first - 1} reads "{cells[0]}", line {first} "{cells[1]}"; {why}'
    assert error.mend == f"export the log with one decimal mark, or {mend}"


@pytest.mark.parametrize("cell", ["0.880", "1,880,000"])
def test_cell_of_the_other_writing_is_quoted_where_no_two_marks_stand_in_the_column(cell):
    lines = [line.split(";") for line in LINES]
    if "." in cell:
        for fields in lines[1:]:
            fields[0] = fields[0].partition(",")[0]
    lines[89][0] = cell
    error = _refusal("\n".join(map(";".join, lines)).encode())
    assert (error.what, str(error.where)) == ('the decimal marks of "Zeit [s]" are mixed', "log.csv:90:1")
    assert error.why == f'found "{cell}"; the other rows use "," as the decimal mark'
    assert error.mend == "export the log with one decimal mark, or correct the rows with such cells"
