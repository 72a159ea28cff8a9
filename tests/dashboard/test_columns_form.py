"""The form of the columns without a browser: values to a columns file and back, the preview, what is remembered."""

from __future__ import annotations

import gzip
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import parse_columns, read_log_bytes
from cycler.readers.outline import columns_file_of, outline
from dashboard import advice, ids, preview, text, text_decision, waiting
from dashboard import columns_values as form
from dashboard.columns_values import FOUND, ColumnValues, FormValues
from dashboard.data import CHEMISTRIES, Door, reading_doubts
from dashboard.pages import add, columns_form, columns_preview, run, verdict
from dashboard.uploads import Uploads

from .test_words import words_of

LOGS = Path(__file__).resolve().parents[1] / "data" / "logs"
READABLE = sorted(path.name for path in LOGS.iterdir() if not path.name.startswith(("refused", "README", "step", "part")))


def part(name):
    return name, (LOGS / name).read_bytes()


def same_test(log, other):
    for key in ("time_s", "voltage_v", "current_a", "group_voltage_v", "temperature_c"):
        np.testing.assert_allclose(getattr(log, key), getattr(other, key), rtol=1e-12, equal_nan=True)


# ---- values of the form ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", READABLE)
def test_form_left_as_it_begins_reads_the_same_log(name):
    seen = outline([part(name)])
    made = form.columns_file(form.values_of(seen), seen)
    same_test(seen.log, outline([part(name)], made).log)


@pytest.mark.parametrize("name", READABLE)
def test_columns_file_that_states_all_goes_through_the_form_unchanged(name):
    whole = columns_file_of(outline([part(name)]))
    seen = outline([part(name)], whole)
    made = form.columns_file(form.values_of(seen, whole), seen, whole.file)
    again = outline([part(name)], made)
    # Some logs cannot be stated whole (a time in several columns); then the form gives the same message.
    assert seen.log is not None or again.error.what == seen.error.what
    if seen.log is not None:
        same_test(seen.log, again.log)
    assert {rule.role for rule in made.columns} == {rule.role for rule in whole.columns}
    assert (made.delimiter, made.decimal, made.header_row, made.date_order) == (
        whole.delimiter, whole.decimal, whole.header_row, whole.date_order)


def test_units_worked_out_from_the_readings_are_stated_and_those_of_headings_are_not():
    seen = outline([part("no-units.csv")])
    made = form.columns_file(form.values_of(seen), seen)
    assert {(rule.name, rule.unit) for rule in made.columns} >= {("Voltage", "mV"), ("Current", "mA"), ("Time", "ms")}
    # No part is stated: the groups of the next log need not be those of this one.
    assert all(rule.role is None for rule in made.columns)
    plain = outline([part("pause.csv")])
    assert not form.says_something(form.columns_file(form.values_of(plain), plain))


def test_group_stated_for_one_column_keeps_its_siblings():
    seen = outline([part("pause.csv")])
    values = replace(form.values_of(seen), columns=(ColumnValues(7, role="group_voltage", unit="V", group=4),))
    made = form.columns_file(values, seen)
    groups = {(rule.name, rule.group) for rule in made.columns if rule.role == "group_voltage"}
    assert groups == {("Cell 1 (V)", 1), ("Cell 2 (V)", 2), ("Cell 3 (V)", 3), ("Capacity (Ah)", 4)}


def test_column_stated_in_a_log_without_headings_keeps_the_others_as_inferred():
    seen = outline([part("no-headings.csv")])
    values = FormValues(columns=(ColumnValues(8, role="temperature", unit="degC"),))
    log = outline([part("no-headings.csv")], form.columns_file(values, seen)).log
    assert log.series == 3 and log.temperature_c.shape[1] == 1
    same_test(seen.log, replace(log, temperature_c=seen.log.temperature_c))


def test_two_columns_of_one_heading_are_told_by_position():
    seen = outline([part("refused-two-voltages.csv")])
    made = form.columns_file(FormValues(columns=(ColumnValues(3, role="ignored"),)), seen)
    assert [(rule.name, rule.position, rule.role) for rule in made.columns] == [(None, 3, "ignored")]
    log = outline([part("refused-two-voltages.csv")], made).log
    assert log.voltage_v[0] == 10.6264  # first cell of the second column of the file


def test_unit_that_does_not_fit_the_part_is_left_to_the_log():
    seen = outline([part("refused-no-current.csv")])
    made = form.columns_file(FormValues(columns=(ColumnValues(3, role="current", unit="mV", group=2, sign="unsigned"),)), seen)
    assert [(rule.role, rule.unit, rule.group, rule.sign) for rule in made.columns] == [("current", None, None, "unsigned")]


def test_values_that_are_no_choice_count_as_left_as_found():
    columns = [{"position": 1, "role": "<b>", "unit": ["V"], "sign": "up", "group": True}, {"position": -1}, {"position": "2"}]
    sent = form.taken({"delimiter": "x", "decimal": None, "clock": 7, "header_row": 2.0, "path": "/etc"}, "yes", columns)
    assert sent == FormValues(header_row=2, columns=(ColumnValues(1),))
    many = form.taken({}, True, [{"position": place + 1} for place in range(5000)])
    assert len(many.columns) == form.COLUMNS_SHOWN and many.allow_bad_rows


@pytest.mark.parametrize("line", [1.5, -1, "three", 10**9])
def test_line_of_the_headings_that_is_none_is_refused_in_four_parts(line):
    with pytest.raises(InputError) as caught:
        form.taken({"header_row": line}, False, [])
    assert caught.value.what == text.HEADER_ROW_WHAT and caught.value.mend


@pytest.mark.parametrize(
    ("log", "name"),
    [("charger-log.csv", "charger-log.columns.toml"), ("a.b.csv.gz", "a.b.columns.toml"), (".csv", "log.columns.toml"),
     ("bench", "bench.columns.toml")],
)
def test_columns_file_is_named_after_the_log(log, name):
    assert form.file_name(log) == name


def test_units_offered_are_those_of_the_part_and_the_one_found():
    assert form.units_for("voltage", "µV") == ("V", "mV", "µV")
    assert form.units_for("current", "mV") == ("A", "mA")
    assert form.units_for("mode") == ()
    labels = [option["label"] for option in columns_form.unit_options(FOUND, "temperature", "degC")]
    assert labels == ["found: °C", "°C", "°F", "K"]


def test_heading_of_hostile_text_stays_text_in_the_form_and_in_the_file():
    raw = b't (s),"U"" ]] = <img src=x onerror=1>",I (A)\n' + b"".join(b"%d,10.0,%d\n" % (at, at % 2) for at in range(40))
    seen = outline([("a.csv", raw)])
    made = form.columns_file(FormValues(columns=(ColumnValues(2, role="voltage", unit="V"),)), seen, "a.toml")
    assert made.columns[0].role == "voltage" and "<img" in made.columns[0].name
    shown = columns_form.rows(seen, form.values_of(seen))
    assert "<img" in words_of(shown) and "dangerously" not in str(shown)


# ---- preview ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-be"])
def test_head_of_a_large_log_ends_with_a_whole_line(encoding):
    whole = "".join(f"{at};3,7\n" for at in range(1000)).encode(encoding)
    for limit in (1001, 1002, 1003, 1004):
        head, is_whole = preview.cut(whole, limit)
        assert not is_whole and len(head) <= limit
        lines = head.decode("utf-16" if encoding == "utf-16" else encoding).split("\n")
        assert lines[-1] == "" and all(line.endswith(";3,7") for line in lines[:-1])
    assert preview.cut(whole, len(whole)) == (whole, True)


def test_head_of_a_packed_log_is_unpacked_only_where_it_is_cut():
    packed = gzip.compress(b"".join(b"%d,3.7\n" % at for at in range(5000)))
    assert preview.cut(packed, 1_000_000) == (packed, True)
    head, whole = preview.cut(packed, 500)
    assert not whole and head.startswith(b"0,3.7\n") and head.endswith(b",3.7\n") and len(head) <= 500
    # Only the first bytes of the packed file are at hand.
    assert not preview.cut(packed[:2000], 1_000_000, is_all=False)[1]


def test_rows_shown_carry_units_and_the_decimals_of_the_log():
    heads, rows, _apart = preview.some_rows(read_log_bytes(part("discharge-positive.csv")[1], "a.csv"))
    assert heads == ["Time / s", "Pack / V", "Current / A", "Group 1 / V", "Group 2 / V", "Group 3 / V", "Temperature / °C"]
    # Line 2 of the file: 10000 ms, 10626.7 mV, 0.0 mA, 3529.1 mV ..., 21.05 degC.
    assert rows[1] == ["10", "10.6267", "0.0000", "3.5291", "3.5435", "3.5541", "21.05"]
    assert len(rows) == preview.ROWS_SHOWN


def test_preview_shows_voltage_and_current_and_says_when_it_is_a_head():
    seen = outline([part("pause.csv")])
    assert preview.curve_of(seen.log).panels() == ("voltage", "current", "group")
    said = words_of(columns_form.show_preview(seen, False))
    assert "8 of" in said and "after the first switches" in said and "charge counts positive" in said and "read whole when you use these columns" in said
    said = words_of(columns_form.show_preview(outline([part("refused-no-current.csv")]), True))
    assert "the log has no current column" in said and "which column is the pack current" in said


def by_hand(*stretches, groups=()):
    """A log of stretches (rows, current in A, pack voltage in V), 1 s from row to row; ``groups``: their shares."""
    lines = ["Time (s),Voltage (V),Current (A)" + "".join(f",Cell {n + 1} (V)" for n in range(len(groups)))]
    at = 0
    for rows, current, volts in stretches:
        for _row in range(rows):
            lines.append(",".join([str(at), f"{volts:.3f}", f"{current:.2f}", *(f"{share * volts:.3f}" for share in groups)]))
            at += 1
    return ("\n".join(lines) + "\n").encode()


def test_rows_shown_are_from_rest_charge_and_load_and_the_last():
    log = read_log_bytes(by_hand((20, 0, 10.8), (30, 2, 11.4), (20, 0, 11.2), (40, -3, 9.9), (20, 0, 10.4)), "a.csv")
    # Switches by hand: charge from row 20 on, load from row 70 on; the log ends with row 129.
    assert preview.shown_rows(log) == [0, 1, 20, 21, 50, 70, 71, 129]
    _heads, rows, apart = preview.some_rows(log)
    assert [float(row[2]) for row in rows] == [0, 0, 2, 2, 0, -3, -3, 0]
    assert apart == [False, False, True, False, True, True, False, True]
    assert "row-apart" in str(columns_form.show_preview(outline([("a.csv", by_hand((30, 0, 10.8), (9, -3, 9.9)))]), True))


def test_rows_shown_of_a_short_log_are_all():
    raw = by_hand((3, 0, 10.8), (4, -3, 9.9))
    assert preview.shown_rows(read_log_bytes(raw, "a.csv")) == list(range(7))
    assert "All 7 rows" in words_of(columns_form.show_preview(outline([("a.csv", raw)]), True))


def test_lowest_group_is_that_at_the_end_of_the_deepest_discharge():
    shares = (0.34, 0.32, 0.34)
    raw = by_hand((20, 0, 12.0), (60, -2, 11.0), (20, 0, 11.5), (60, -2, 9.5), (20, 0, 10.0), groups=shares)
    log = read_log_bytes(raw, "a.csv")
    # By hand: the second discharge ends with row 159; 9.5 V x 0.32 = 3.04 V, x 0.34 = 3.23 V.
    assert preview.lowest_group(log) == preview.Lowest(159, (2,), 3.04, 3.23)
    shown = columns_form.show_preview(outline([("a.csv", raw)]), True)
    assert "Lowest at the end of discharge: group 2 with 3.040 V; the next has 3.230 V." in words_of(shown)
    figure = columns_preview.small_curve(log, preview.lowest_group(log))
    assert [(item.text, item.y, item.yref) for item in figure.layout.annotations] == [("group 2", 3.04, "y3")]
    assert "Group 2, marked" in [trace.name for trace in figure.data]


def test_lowest_group_is_not_named_without_load_or_groups():
    assert preview.lowest_group(read_log_bytes(by_hand((20, 0, 7.8), (40, 2, 8.2), groups=(0.5, 0.5)), "a.csv")) is None
    assert preview.lowest_group(read_log_bytes(by_hand((20, 0, 10.8), (40, -2, 9.4)), "a.csv")) is None
    twins = preview.lowest_group(read_log_bytes(by_hand((20, 0, 7.8), (40, -2, 7.0), groups=(0.5, 0.5)), "a.csv"))
    assert twins.groups == (1, 2) and twins.next_v is None


def test_cells_shown_are_from_different_places_of_the_file():
    source = ("a.csv", by_hand((200, 0, 10.8), (300, 2, 11.4), (400, -3, 9.9)))
    seen = outline([source])
    cells = preview.cells_of(source, seen)
    assert preview.telling_cells(cells[3], seen.decimal) == ("0.00", "2.00", "-3.00")
    shown = words_of(columns_form.rows(seen, form.values_of(seen), cells))
    assert "0.00 · 2.00 · -3.00" in shown and "10.800 · 11.400 · 9.900" in shown


@pytest.mark.parametrize("name", READABLE)
def test_cells_of_every_kind_of_log_belong_to_their_columns(name):
    seen = outline([part(name)])
    cells = preview.cells_of(part(name), seen)
    assert set(cells) == {column.position for column in seen.columns}
    for column in seen.columns:
        assert not column.cells or cells[column.position][0] == column.cells[0]


@pytest.mark.parametrize(
    ("cell", "decimal", "number"),
    [("-0", ".", 0.0), ("3,529", ",", 3.529), ("1.234,5 mV", ",", 1234.5), ("1,234.5", ".", 1234.5), ("3529.1mV", ".", 3529.1),
     ("\N{MINUS SIGN}2.5 A", ".", -2.5), ("1.5e-3", ".", 0.0015), ("08:15:30", ".", None), ("12.03.2026", ".", None),
     ("12/03/2026", ".", None), ("rest", ".", None), ("", ".", None)],
)
def test_number_of_a_cell(cell, decimal, number):
    assert preview.number_of(cell, decimal) == number


# ---- one row for the rows below --------------------------------------------------------------------------------


def with_inputs(levels, after=(21.3,)):
    """A log whose columns in1, in2, ... have the medians given, in V, with a column of another kind behind them."""
    heads = ["Time (s)", "Voltage (V)", "Current (A)", *(f"in{n + 1}" for n in range(len(levels))), *(f"x{n}" for n in range(len(after)))]
    lines = [",".join(heads)]
    for at in range(60):
        current = 0.0 if at < 20 else -2.0
        sag = 1.0 if at < 20 else 0.97
        lines.append(",".join([str(at), f"{36 * sag:.3f}", f"{current}", *(f"{level * sag:.3f}" for level in levels), *map(str, after)]))
    return ("\n".join(lines) + "\n").encode()


def filled(levels, first, **more):
    source = ("a.csv", with_inputs(levels, **more))
    seen = outline([source])
    readings = preview.medians(preview.cells_of(source, seen), seen.decimal)
    values = replace(form.values_of(seen), columns=(first,))
    return (*form.filled_on(values, seen.columns, first.position, readings), seen)


def test_ten_groups_are_said_with_one_button():
    levels = [3.6, 3.61, 3.58, 3.6, 3.62, 3.2, 3.6, 3.59, 3.6, 3.61]
    values, below, seen = filled(levels, ColumnValues(4, role="group_voltage", unit="V", group=1))
    assert below == tuple(range(5, 14))  # the tenth input stands in column 13, the column of 21.3 behind it
    assert [(values.of(place).role, values.of(place).unit, values.of(place).group) for place in range(4, 15)] == [
        *(("group_voltage", "V", n) for n in range(1, 11)), (FOUND, FOUND, None)]
    log = outline([("a.csv", with_inputs(levels))], form.columns_file(values, seen)).log
    np.testing.assert_allclose(log.group_voltage_v[0], levels)
    assert columns_form.filled_words(values, below) == "Columns 5 to 13 are read as group voltage too, numbers 2 to 10."


@pytest.mark.parametrize(
    ("levels", "group", "numbers"),
    [([3.6, 7.2, 10.7, 14.4], 1, [2, 3, 4]), ([7.2, 10.7, 14.4], 2, [3, 4]), ([14.4, 10.8, 7.1, 3.6], None, [2, 3, 4]),
     ([-3.6, -7.2, -10.8], 1, [2, 3])],
)
def test_taps_are_filled_on_while_each_is_a_group_further(levels, group, numbers):
    values, below, _seen = filled(levels, ColumnValues(4, role="tap_voltage", group=group), after=(21.3, 0.4))
    assert [values.of(place).group for place in below] == numbers
    assert {values.of(place).role for place in below} == {"tap_voltage"}


def test_filling_on_stops_at_other_readings_at_times_and_currents_and_at_what_was_said():
    first = ColumnValues(4, role="group_voltage")
    assert filled([3.6, 21.0, 3.6], first)[1] == ()
    source = ("a.csv", with_inputs([3.6, 3.6, 3.6]))
    seen = outline([source])
    readings = preview.medians(preview.cells_of(source, seen), seen.decimal)
    said = FormValues(columns=(first, ColumnValues(6, role="temperature")))
    values, below = form.filled_on(said, seen.columns, 4, readings)
    assert below == (5,) and values.of(6).role == "temperature" and values.of(4).group == 1
    assert columns_form.filled_words(values, below) == "Column 5 is read as group voltage too, number 2."
    # Not said of the column itself, not a column of numbers: nothing is filled.
    assert form.filled_on(FormValues(), seen.columns, 4, readings)[1] == ()
    assert form.filled_on(said, seen.columns, 4, {})[1] == ()
    alike = [replace(column, role="current") if column.position == 5 else column for column in seen.columns]
    assert form.filled_on(said, alike, 4, readings)[1] == ()


# ---- taps and pauses -------------------------------------------------------------------------------------------


def test_end_of_the_taps_and_no_pause_go_through_the_form():
    source = part("blanks-taps-from-plus.txt")
    own = parse_columns('taps_from = "pack_positive"\nno_pause = true\n', "own.toml")
    seen = outline([source], own)
    values = form.values_of(seen, own)
    assert (values.taps_from, values.no_pause) == ("pack_positive", True)
    made = form.columns_file(values, seen, "own.toml")
    assert (made.taps_from, made.no_pause) == ("pack_positive", True)
    sent = form.taken({"taps_from": "pack_negative"}, False, [], True)
    assert (sent.taps_from, sent.no_pause) == ("pack_negative", True)
    assert form.taken({"taps_from": "the middle"}, False, [], "yes") == FormValues()
    assert form.says_something(form.columns_file(FormValues(no_pause=True), outline([part("pause.csv")])))


def test_end_of_the_taps_is_stated_only_where_a_column_is_a_tap():
    seen = outline([part("pause.csv")])
    values = replace(form.values_of(seen), taps_from="pack_positive")
    assert form.columns_file(values, seen).taps_from is None
    said = replace(values, columns=(ColumnValues(4, role="tap_voltage"),))
    assert form.columns_file(said, seen).taps_from == "pack_positive"
    assert [form.has_taps(item, seen.columns) for item in (values, said)] == [False, True]


def test_no_pause_is_offered_with_two_logs_and_joins_them_at_once(shop):
    assert [item["value"] for item in columns_form.said_of_test(False)] == ["allow"]
    assert [item["value"] for item in columns_form.said_of_test(True)] == ["allow", "no_pause"]
    door, uploads, drop = shop
    files = drop(("a.csv", by_hand((30, 2, 11.4))), ("b.csv", by_hand((30, -2, 9.9))))
    found = waiting.seen(files, door, uploads)
    about = columns_form.subject({"form": list(found.form)}, files, [], door, uploads)
    made, changed = columns_form.made_file(about, FormValues(no_pause=True), door)
    codes = {item.code for item in outline(about.sources, made).log.reading.warnings}
    assert changed and "parts_without_pause" in codes and "parts_in_given_order" not in codes


def test_closed_choices_begin_with_the_word_that_matters():
    words = [option["label"] for option in columns_form.role_options("tap_voltage")]
    assert words[0] == "found: tap voltage" and {"group voltage", "tap voltage"} <= set(words)
    assert max(map(len, words)) <= 26
    assert set(text.CHEMISTRY_WORDS) == set(CHEMISTRIES)
    # The advice of an error names the choice as the form does.
    assert "“tap voltage”" in advice.words("state the unit, or the role tap_voltage, in a columns file (--columns)")
    taps = advice.words('measure one tap, and state taps_from = "pack_negative" or "pack_positive" in a columns file (--columns).')
    assert taps == f"measure one tap, and {text.MEND_COLUMNS_TAPS}."
    shown = columns_form.rows(outline([part("pause.csv")]), FormValues())
    assert "found: 3" in str(shown) and text.GROUP_HINT == "number"


# ---- waiting files and what the register remembers -------------------------------------------------------------

COLUMNS = '[[column]]\nname = "Wind speed"\nrole = "current"\nunit = "A"\n'


@pytest.fixture
def shop(tmp_path):
    """A register of its own, waiting files, and a way to drop some."""
    door, uploads = Door(tmp_path / "r.sqlite"), Uploads()

    def drop(*files):
        event = {"files": [{"token": uploads.receive(name, io.BytesIO(raw)).token} for name, raw in files]}
        return waiting.received(event, [], uploads)[0]

    yield door, uploads, drop
    door.close()


def add_run(door, source, columns):
    from dashboard.data import pack_from_form

    return door.add([source], pack_from_form({"id": "CB-1"}, {}), "", "return-to-owner", door.used([source], columns))


def odd_log(offset=0.0):
    """The log without a current heading, its second voltage column shifted: another test of the same charger."""
    lines = part("refused-no-current.csv")[1].decode().splitlines()
    rows = [line.split(",") for line in lines[1:]]
    return "\n".join([lines[0], *(",".join([row[0], f"{float(row[1]) + offset:.4f}", *row[2:]]) for row in rows)]).encode()


def test_columns_file_of_a_run_is_used_again_for_the_same_headings_and_can_be_left_out(shop):
    door, uploads, drop = shop
    run_id = add_run(door, ("first.csv", odd_log()), parse_columns(COLUMNS, "wind.toml"))
    assert door.remembers(run_id)
    files = drop(("next.csv", odd_log(0.01)))
    found = waiting.seen(files, door, uploads)
    assert found.look is not None and not found.to_check
    said = words_of(add.file_list(files, found))
    assert "Read with the columns file of run 1 (wind.toml)." in said and text.WILL_REMEMBER not in said
    left = waiting.seen(files, door, uploads, leave_out=True)
    assert left.look is None and left.known == found.known and left.to_check == "error"
    used = door.used([("next.csv", odd_log(0.01))])
    again = door.add([("next.csv", odd_log(0.01))], door.pack_of("CB-1"), "", "return-to-owner", used)
    assert not door.remembers(again)
    said = words_of(run._read_with(door.run(again).analysis, False))
    assert said == "Read with the columns file of run 1 (wind.toml)."
    assert "from now on" in words_of(run._read_with(door.run(run_id).analysis, True))


def test_remembered_columns_file_that_does_not_fit_is_named_with_the_tick_that_leaves_it_out(shop):
    door, uploads, drop = shop
    add_run(door, ("first.csv", odd_log()), parse_columns(COLUMNS, "wind.toml"))
    empty = b"\n".join(b",".join([*line.split(b",")[:2], b"", *line.split(b",")[3:]]) if at else line
                       for at, line in enumerate(odd_log().split(b"\n")))
    found = waiting.seen(drop(("next.csv", empty)), door, uploads)
    said = words_of(add.components.error_panel(next(iter(found.bad.values()))))
    assert "columns file of run 1 (wind.toml)" in said and text.MEND_LEAVE_OUT in said and "--" not in said


def test_dropped_columns_file_goes_before_the_remembered_one(shop):
    door, uploads, drop = shop
    add_run(door, ("first.csv", odd_log()), parse_columns(COLUMNS, "wind.toml"))
    files = drop(("next.csv", odd_log(0.01)), ("mine.toml", COLUMNS.encode()))
    found = waiting.seen(files, door, uploads)
    assert found.used == ("the columns file mine.toml",) and found.known == ()
    assert text.WILL_REMEMBER in words_of(add.file_list(files, found))


def test_log_without_headings_read_with_a_columns_file_says_that_it_cannot_be_known_again(shop):
    door, uploads, drop = shop
    rule = '[[column]]\nposition = {}\nrole = "{}"\nunit = "{}"\n'
    stated = "".join(rule.format(*one) for one in ((1, "time", "s"), (2, "voltage", "V"), (3, "current", "A")))
    raw = part("refused-no-headings.csv")[1]
    files = drop(("bare.csv", raw), ("bare.toml", stated.encode()))
    assert text.CANNOT_REMEMBER in words_of(add.file_list(files, waiting.seen(files, door, uploads)))
    run_id = add_run(door, ("bare.csv", raw), parse_columns(stated, "bare.toml"))
    assert not door.remembers(run_id)
    assert "cannot be known again" in words_of(run._read_with(door.run(run_id).analysis, False))


@pytest.mark.parametrize(
    ("name", "check"), [("pause.csv", ""), ("no-units.csv", "doubt"), ("no-headings.csv", "doubt"), ("refused-two-voltages.csv", "error")]
)
def test_form_opens_where_the_columns_ask_for_a_look(shop, name, check):
    door, uploads, drop = shop
    assert waiting.seen(drop(part(name)), door, uploads).to_check == check


def test_form_is_about_the_log_that_fails_and_never_about_one_that_is_no_text(shop):
    door, uploads, drop = shop
    files = drop(part("pause.csv"), part("refused-archive.csv"), part("refused-two-voltages.csv"))
    found = waiting.seen(files, door, uploads)
    names = {item["token"]: item["name"] for item in files}
    assert [names[token] for token in found.form] == ["refused-two-voltages.csv", "pause.csv"]


def test_subject_takes_only_logs_that_this_server_holds(shop):
    door, uploads, drop = shop
    files = drop(part("pause.csv"))
    assert columns_form.subject({"form": ["../../etc/passwd", "x"]}, files, [], door, uploads) is None
    assert columns_form.subject(None, [{"token": "x", "kind": "log", "name": "x"}], [], door, uploads) is None
    about = columns_form.subject({"form": [files[0]["token"]]}, files, [], door, uploads)
    assert about.name == "pause.csv" and about.whole and about.own is None


def test_large_log_is_read_as_a_head_for_the_preview(shop, monkeypatch):
    door, uploads, drop = shop
    monkeypatch.setattr(columns_form, "PREVIEW_BYTES", 3000)
    monkeypatch.setattr(columns_form, "_HEAD_BYTES_LEAST", 1000)
    files = drop(part("pause.csv"))
    about = columns_form.subject({"form": [files[0]["token"]]}, files, [], door, uploads)
    assert not about.whole and len(about.sources[0][1]) <= 3000 and about.sources[0][1].endswith(b"\n")


def test_made_file_tells_a_change_from_what_the_form_began_with(shop):
    door, uploads, drop = shop
    files = drop(part("no-units.csv"))
    about = columns_form.subject({"form": [files[0]["token"]]}, files, [], door, uploads)
    seen = columns_form.base_of(about, None, door)
    values = form.values_of(seen)
    assert columns_form.made_file(about, values, door)[1] is False
    other = replace(values, columns=(*values.columns[1:], replace(values.of(1), unit="s")))
    made, changed = columns_form.made_file(about, other, door, "no-units.columns.toml")
    assert changed and [rule.unit for rule in made.columns if rule.name == "Time"] == ["s"]
    # The text of the file says the same again.
    again = parse_columns(columns_form.toml_of(about, made, door, other), made.file)
    assert replace(again, file="") == replace(made, file="")


def test_columns_told_apart_anew_keep_what_was_said_of_those_still_there():
    raw = b"charger 7\nt (s);U (V);I (A)\n" + b"".join(b"%d;10,5;%d\n" % (at, at % 3) for at in range(40))
    before, now = outline([("a.csv", raw)]), outline([("a.csv", raw)], parse_columns("header_row = 2\n", "x"))
    values = replace(form.values_of(before), columns=(ColumnValues(2, role="voltage"), ColumnValues(3, role="ignored")))
    kept = columns_form.kept_values(values, before, now, None)
    assert kept.of(2).role == "voltage" and kept.of(3).role == "ignored" and kept.of(1).role == FOUND
    assert columns_form.kept_values(values, None, now, None).of(2).role == FOUND


def test_run_waits_while_the_form_says_what_is_not_used():
    state = {"why": "", "pack_file": False}
    for changed in (columns_form.READS, columns_form.CHANGED):
        assert add.wait_words(state, "existing", "EB-1", None, changed) == text.ADD_WAIT["columns"]
    assert add.wait_words(state, "existing", "EB-1", None) == ""


def test_one_form_is_for_all_parts_of_a_test(shop):
    door, uploads, drop = shop
    files = drop(part("part-a-charge.csv"), part("part-b-discharge.csv"))
    found = waiting.seen(files, door, uploads)
    about = columns_form.subject({"form": list(found.form)}, files, [], door, uploads)
    made, changed = columns_form.made_file(about, FormValues(columns=(ColumnValues(8, role="ignored"),)), door)
    log = outline(about.sources, made).log
    assert changed and len(log.sources) == 2 and log.temperature_c.shape[1] == 0
    assert "holds for all 2 logs" in words_of(columns_form._note({}, about, columns_form.base_of(about, None, door)))


# ---- what the form mends, what is in doubt, what is forgotten --------------------------------------------------


def test_file_that_the_form_reads_waits_for_the_button_and_one_that_it_cannot_mend_stays(shop):
    door, uploads, drop = shop
    files = drop(part("refused-two-voltages.csv"))
    found = waiting.seen(files, door, uploads)
    state = {"why": found.why_not(files), "why_else": found.why_not_else(files)}
    assert "Mend or remove it" in add.wait_words(state, "existing", "EB-1", None)
    assert "Mend or remove it" in add.wait_words(state, "existing", "EB-1", None, columns_form.CHANGED)
    assert add.wait_words(state, "existing", "EB-1", None, columns_form.READS) == text.ADD_WAIT["columns_read"]
    shown = str(add.file_list(files, found))
    assert "mendable" in shown and text.MENDED_BY_FORM in words_of(add.file_list(files, found))
    more = drop(part("refused-two-voltages.csv"), part("refused-archive.csv"), ("p.toml", b"series = 3\n"))
    found = waiting.seen(more, door, uploads)
    state = {"why": found.why_not(more), "why_else": found.why_not_else(more)}
    words = add.wait_words(state, "existing", "EB-1", None, columns_form.READS)
    assert "refused-archive.csv, p.toml" in words and "refused-two-voltages.csv" not in words


@pytest.mark.parametrize("code", sorted(("unit_doubtful", "unit_unusual", "sign_doubtful", "voltage_reversed", "parts_do_not_fit",
                                         "group_name_repeated", "taps_end_open")))
def test_doubt_about_the_reading_comes_before_the_verdict(shop, monkeypatch, code):
    door, _uploads, _drop = shop
    run_id = add_run(door, part("pause.csv"), None)
    kept = door.run(run_id)
    message = "the readings speak against what was stated; see it with: cycler show 1"
    analysis = {**kept.analysis, "reading": {**kept.analysis["reading"], "warnings": [{"code": code, "message": message, "where": ""}]}}
    assert reading_doubts(analysis) == [message]
    monkeypatch.setattr(door, "run", lambda _run_id: replace(kept, analysis=analysis))
    for page, first in ((run, "CB-1"), (verdict, text_decision.CRITERIA)):  # the verdict stands below the choice of its criteria
        shown = words_of(page.layout(door, run_id, {})[0])
        assert shown.index(text.DOUBTS_TITLE) < shown.index("The readings speak against") < shown.index(first)
        assert "cycler show" not in shown
    drawn = str(verdict.layout(door, run_id, {})[0])
    assert drawn.index("The readings speak against") < drawn.index(f"id='{ids.VERDICT_BODY}'") < drawn.index(f"id='{ids.VERDICT_WHAT}'")


def test_run_without_doubt_says_nothing_first(shop):
    door, _uploads, _drop = shop
    run_id = add_run(door, part("pause.csv"), None)
    assert reading_doubts(door.run(run_id).analysis) == [] and reading_doubts({}) == []
    assert text.DOUBTS_TITLE not in words_of(run.layout(door, run_id, {})[0])


def test_columns_file_is_forgotten_for_good_and_runs_read_with_it_stay(shop):
    door, uploads, drop = shop
    stated = parse_columns('[[column]]\nposition = 3\nrole = "ignored"\n', "own.toml")
    source = part("refused-two-voltages.csv")
    run_id = add_run(door, source, stated)
    before = door.run(run_id).analysis
    known = door.known_columns([source])
    assert [item.name for item in known] == ["columns file of run 1 (own.toml)"]
    assert door.known_columns([part("pause.csv")]) == []
    assert door.forget_columns([known[0].id]) == ["columns file of run 1 (own.toml)"]
    assert door.known_columns([source]) == [] and not door.remembers(run_id)
    files = drop(source)
    assert waiting.seen(files, door, uploads).bad  # it is asked for its columns again
    assert door.run(run_id).analysis == before and door.curves(run_id).time_s.size > 0
    with pytest.raises(InputError, match="no columns file"):
        door.forget_columns([known[0].id])
