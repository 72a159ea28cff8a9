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
from dashboard import columns_values as form
from dashboard import preview, text, waiting
from dashboard.columns_values import FOUND, ColumnValues, FormValues
from dashboard.data import Door
from dashboard.pages import add, columns_form, run
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


def test_first_rows_carry_units_and_the_decimals_of_the_log():
    heads, rows = preview.first_rows(read_log_bytes(part("discharge-positive.csv")[1], "a.csv"))
    assert heads == ["Time / s", "Pack / V", "Current / A", "Group 1 / V", "Group 2 / V", "Group 3 / V", "Temperature / °C"]
    # Line 2 of the file: 10000 ms, 10626.7 mV, 0.0 mA, 3529.1 mV ..., 21.05 degC.
    assert rows[1] == ["10", "10.6267", "0.0000", "3.5291", "3.5435", "3.5541", "21.05"]
    assert len(rows) == preview.ROWS_SHOWN


def test_preview_shows_voltage_and_current_and_says_when_it_is_a_head():
    seen = outline([part("pause.csv")])
    assert preview.curve_of(seen.log).panels() == ("voltage", "current")
    said = words_of(columns_form.show_preview(seen, False))
    assert "First 8 of" in said and "charge counts positive" in said and "read whole when you use these columns" in said
    said = words_of(columns_form.show_preview(outline([part("refused-no-current.csv")]), True))
    assert "the log has no current column" in said and "which column is the pack current" in said


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
    assert add.wait_words(state, "existing", "EB-1", None, changed=True) == text.ADD_WAIT["columns"]
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
