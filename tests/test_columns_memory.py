"""Columns files that are written, used, remembered under the headings of a log, and forgotten again."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from cycler.database import Database
from cycler.errors import InputError
from cycler.migrations import MIGRATIONS
from cycler.readers import ColumnsFile, parse_columns, read_log_bytes, read_logs_bytes
from cycler.readers.columnsfile import ColumnRule
from cycler.readers.headings import find_headings, headings_of
from cycler.readers.outline import columns_file_of, columns_toml, outline, written_columns
from cycler.register import Register
from cycler.storage import columns_from_text, columns_to_text
from cycler.workflow import UsedColumns, remembered_columns
from tests import places
from tests.calls import call
from tests.readers.test_log_files import LOGS
from tests.readers.writing import Dialect, invented_test, write_log

# "Feed" and "Sink" say nothing to anybody: without a columns file the log is refused.
ODD = ColumnsFile(
    columns=(ColumnRule("Feed", role="voltage", unit="V"), ColumnRule("Sink", role="current", unit="A", sign="discharge_positive")),
    file="odd.toml",
)
PACK_TOML = 'id = "EB-0009"\nseries = 3\nrated_capacity_ah = 0.2\ncutoff_voltage_v = 9.0\ngroup_cutoff_voltage_v = 3.0\n'


def odd_log(seed=1, headings=("Time (s)", "Feed", "Sink"), sign=-1.0):
    truth = invented_test(seed)
    rows = [";".join(headings)]
    rows += [f"{t:.0f};{u:.4f};{sign * i:.4f}" for t, u, i in zip(truth.time_s, truth.voltage_v, truth.current_a)]
    return ("\r\n".join(rows) + "\r\n").encode(), truth


def odd_columns_text():
    return columns_toml(ODD)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder with a pack file, a columns file and two logs of one charger."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pack.toml").write_text(PACK_TOML)
    (tmp_path / "odd.toml").write_text(odd_columns_text())
    for number in (1, 2):
        (tmp_path / f"log{number}.csv").write_bytes(odd_log(number)[0])
    return tmp_path


# --- written and read back ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(path for path in LOGS.iterdir() if not path.name.startswith(("refused", "README"))), ids=lambda path: path.name)
def test_written_columns_file_reads_the_log_to_the_same(path):
    raw = path.read_bytes()
    seen = outline([(path.name, raw)])
    again = read_log_bytes(raw, path.name, parse_columns(written_columns(seen), "written.toml"))
    for name in ("time_s", "voltage_v", "current_a", "group_voltage_v", "temperature_c"):
        np.testing.assert_array_equal(getattr(again, name), getattr(seen.log, name), err_msg=name)
    assert again.started_at == seen.log.started_at and again.mode_words == seen.log.mode_words
    assert again.reading.columns_files == ("written.toml",)


def test_written_columns_file_of_an_unreadable_log_says_what_is_wrong_and_what_the_headings_say():
    raw, _truth = odd_log()
    seen = outline([("log.csv", raw)])
    text = written_columns(seen)
    assert "cannot be read yet: the log has no" in text
    assert [(c.name, c.role) for c in seen.columns] == [("Time (s)", "time"), ("Feed", "ignored"), ("Sink", "ignored")]
    mended = text.replace('name = "Feed"\nrole = "ignored"', 'name = "Feed"\nrole = "voltage"\nunit = "V"')
    mended = mended.replace('name = "Sink"\nrole = "ignored"', 'name = "Sink"\nrole = "current"\nunit = "A"')
    assert read_log_bytes(raw, "log.csv", parse_columns(mended, "mended.toml")).rows == 160


@pytest.mark.parametrize("heading", ['say "U"', "a\\b", "tab\there", "=1+1", "Spannung °", "\x7f", "#", "'"])
def test_headings_of_any_kind_survive_the_columns_file(heading):
    file = ColumnsFile(columns=(ColumnRule(heading, role="voltage", unit="V"),), file="x")
    assert parse_columns(columns_toml(file, [heading], {0: heading}), "x") == file


def test_stored_columns_come_back_for_one_file_and_for_one_of_each_part():
    assert columns_from_text(columns_to_text(ODD)) == ODD
    assert columns_from_text(columns_to_text((None, ODD))) == (None, ODD)


# --- too many bad rows -------------------------------------------------------------------------------------------


def test_log_with_many_bad_rows_is_read_only_when_allowed_and_names_them():
    lines = write_log(invented_test(1), Dialect()).decode().split("\n")
    for at in (20, 40, 60, 80):
        lines[at] = "@@;#" + lines[at][3:]
    raw = "\n".join(lines).encode()
    with pytest.raises(InputError, match="--allow-bad-rows"):
        read_log_bytes(raw, "log.csv")
    log = read_log_bytes(raw, "log.csv", ColumnsFile(allow_bad_rows=True))
    warning = next(item for item in log.reading.warnings if item.code == "rows_dropped")
    # 4 of 160 rows; lines count from 1, the headings being the first.
    assert "4 rows" in warning.message and "2.5 % of the rows (allowed)" in warning.message and "line 21" in warning.message
    assert log.rows == 156 and log.sources[0].rows_dropped == 4


def test_allow_bad_rows_on_the_command_line(capfd, bench):
    lines = (bench / "log1.csv").read_bytes().split(b"\r\n")
    for at in (20, 40, 60, 80):
        lines[at] = b"?;?;?"
    (bench / "log1.csv").write_bytes(b"\r\n".join(lines))
    assert call(capfd, "inspect", "log1.csv", "--columns", "odd.toml")[0] == 2
    code, out, _err = call(capfd, "inspect", "log1.csv", "--columns", "odd.toml", "--allow-bad-rows")
    assert code == 0 and "4 left out" in out and "(allowed)" in out
    run = ["add", "log1.csv", "--columns", "odd.toml", "--pack", "pack.toml", "--register", "r.sqlite"]
    assert call(capfd, *run)[0] == 2
    assert call(capfd, *run, "--allow-bad-rows")[0] == 0
    with Register.open("r.sqlite") as register:
        assert register.log(1).rows == 156  # the leave is kept with the run ...
        assert not register.columns_memory.all()[0].columns.allow_bad_rows  # ... and for this log only


# --- remembered --------------------------------------------------------------------------------------------------


def test_columns_file_of_a_kept_run_is_used_for_the_next_log_with_the_same_headings(capfd, bench):
    at = ("--register", "r.sqlite")
    assert call(capfd, "analyze", "log2.csv", *at)[0] == 2
    code, _out, err = call(capfd, "add", "log1.csv", "--columns", "odd.toml", "--pack", "pack.toml", *at)
    assert code == 0 and "used again for logs with these headings" in err
    for words in (("inspect", "log2.csv"), ("analyze", "log2.csv")):
        code, out, _err = call(capfd, *words, *at)
        assert code == 0 and "columns file of run 1 (odd.toml)" in " ".join(out.split())
    assert json.loads(call(capfd, "analyze", "log2.csv", *at, "--json")[1])["reading"]["columns_files"] == [
        "columns file of run 1 (odd.toml)"
    ]
    code, out, err = call(capfd, "add", "log2.csv", "--pack", "pack.toml", *at)
    assert code == 0 and "columns file of run 1 (odd.toml)" in " ".join(out.split()) and "used again" not in err
    with Register.open("r.sqlite") as register:
        np.testing.assert_allclose(register.log(2).current_a, odd_log(2)[1].current_a, atol=1e-12)
    assert call(capfd, "inspect", "log2.csv", "--ignore-remembered", *at)[0] == 2


def test_columns_file_is_listed_shown_and_forgotten(capfd, bench):
    at = ("--register", "r.sqlite")
    call(capfd, "add", "log1.csv", "--columns", "odd.toml", "--pack", "pack.toml", *at)
    code, out, _err = call(capfd, "columns", *at)
    assert code == 0 and "odd.toml" in out and "Feed" in out
    code, out, _err = call(capfd, "columns", "--show", "1", *at)
    assert code == 0 and parse_columns(out, "odd.toml") == replace(ODD, file="odd.toml")
    listed = json.loads(call(capfd, "columns", "--json", *at)[1])["columns_files"]
    assert [(item["id"], item["run_id"], item["headings"]) for item in listed] == [(1, 1, "Time (s);Feed;Sink")]
    assert call(capfd, "columns", "--forget", "1", *at)[0] == 0
    assert "No columns file" in call(capfd, "columns", *at)[1]
    assert call(capfd, "inspect", "log2.csv", *at)[0] == 2
    code, out, err = call(capfd, "columns", "--forget", "1", *at)
    assert (code, out) == (2, "") and "none is in use" in err


def test_newer_columns_file_takes_the_place_of_the_older_and_the_same_one_changes_nothing(tmp_path, bench, capfd):
    at = ("--pack", "pack.toml", "--register", "r.sqlite", "--columns")
    call(capfd, "add", "log1.csv", *at, "odd.toml")
    call(capfd, "add", "log2.csv", *at, "odd.toml")
    with Register.open("r.sqlite") as register:
        assert [item.run_id for item in register.columns_memory.all()] == [1]
    (bench / "better.toml").write_text(odd_columns_text().replace("discharge_positive", "unsigned"))
    call(capfd, "add", "log1.csv", "--again", *at, "better.toml")
    with Register.open("r.sqlite") as register:
        assert [(item.run_id, item.columns.columns[1].sign) for item in register.columns_memory.all()] == [(3, "unsigned")]


def test_log_without_headings_is_not_known_again(capfd, bench):
    raw = b"\r\n".join(odd_log()[0].split(b"\r\n")[1:])
    (bench / "bare.csv").write_bytes(raw)
    rules = [ColumnRule(position=2, role="voltage", unit="V"), ColumnRule(position=3, role="current", unit="A", sign="discharge_positive")]
    bare = ColumnsFile(header_row=0, columns=(ColumnRule(position=1, role="time", unit="s"), *rules))
    (bench / "bare.toml").write_text(columns_toml(bare))
    code, _out, err = call(capfd, "add", "bare.csv", "--columns", "bare.toml", "--pack", "pack.toml", "--register", "r.sqlite")
    assert code == 0 and "cannot be known again" in err
    with Register.open("r.sqlite") as register:
        assert register.columns_memory.all() == []


def test_remembered_columns_file_that_does_not_fit_is_named_with_the_way_out(capfd, bench):
    at = ("--register", "r.sqlite")
    call(capfd, "add", "log1.csv", "--columns", "odd.toml", "--pack", "pack.toml", *at)
    text = (bench / "log2.csv").read_bytes().replace(b";Feed;", b";Feed;", 1).split(b"\r\n")
    rows = [b";".join([*row.split(b";")[:2], b""]) for row in text[1:] if row]  # the current column is empty now
    (bench / "log2.csv").write_bytes(b"\r\n".join([text[0], *rows]) + b"\r\n")
    code, out, err = call(capfd, "analyze", "log2.csv", *at)
    assert (code, out) == (2, "") and "columns file of run 1 (odd.toml)" in err and "--ignore-remembered" in err


def test_remembered_heading_line_may_stand_elsewhere():
    raw, truth = odd_log()
    own = replace(ODD, header_row=1)
    key = headings_of(raw, "a.csv", own).key
    shifted = b"Bench 4\r\nPack EB-0009\r\n\r\n" + raw
    found = find_headings(shifted, "b.csv", {key})
    assert (found.key, found.line) == (key, 4)
    assert headings_of(shifted, "b.csv", replace(own, header_row=4)).key == key
    np.testing.assert_array_equal(read_log_bytes(shifted, "b.csv", replace(own, header_row=4)).voltage_v, truth.voltage_v)


@pytest.mark.parametrize("change", ["utf-16", "utf-8-sig", "gzip", "cr"])
def test_headings_are_found_whatever_the_encoding(change):
    import gzip

    raw, _truth = odd_log()
    key = headings_of(raw, "a.csv", ODD).key
    text = raw.decode()
    other = {"gzip": gzip.compress(raw), "cr": text.replace("\r\n", "\r").encode()}.get(change) or text.encode(change)
    assert find_headings(other, "b.csv", {key}).key == key


def test_headings_with_a_row_of_units_are_others_than_without():
    raw, _truth = odd_log()
    key = headings_of(raw, "a.csv", ODD).key
    first, rest = raw.split(b"\r\n", 1)
    assert find_headings(first + b"\r\ns;mV;mA\r\n" + rest, "b.csv", {key}) is None


def test_parts_with_other_headings_keep_their_own_columns_files(bench, capfd):
    at = ("--register", "r.sqlite")
    call(capfd, "add", "log1.csv", "--columns", "odd.toml", "--pack", "pack.toml", *at)
    truth = invented_test(2)
    plain = write_log(truth, Dialect(time_style="iso"))
    with Register.open("r.sqlite") as register:
        used = remembered_columns(register.columns_memory, [("plain.csv", plain), ("odd.csv", odd_log(2)[0])])
        assert [own and own.file for own in used.columns] == [None, "columns file of run 1 (odd.toml)"]
        assert remembered_columns(register.columns_memory, [("plain.csv", plain)]) == UsedColumns()


@pytest.mark.files("a copy is kept beside it")
def test_register_of_version_1_is_brought_up_with_a_copy_and_remembers_then(tmp_path):
    file = tmp_path / "r.sqlite"
    Database(file, migrations=MIGRATIONS[:1]).close()
    with Register.open(file) as register:
        assert register.columns_memory.all() == []
    assert (tmp_path / f"r.sqlite.before-version-{MIGRATIONS[-1].version}").exists()


def test_looking_into_a_register_of_version_1_leaves_it_as_it_is(capfd, bench):
    file = bench / "old.sqlite"
    Database(file, migrations=MIGRATIONS[:1]).close()
    before = places.content(file)
    assert call(capfd, "inspect", "log1.csv", "--columns", "odd.toml", "--register", file)[0] == 0
    assert call(capfd, "inspect", LOGS / "midnight.csv", "--register", file)[0] == 0
    assert places.content(file) == before and not list(bench.glob("*.before-version-*"))


@pytest.mark.files("its name")
@pytest.mark.parametrize("place", ["~nobody-of-that-name/r.sqlite", "x" * 5000, "none/r.sqlite"])
def test_register_that_is_no_place_is_one_message_or_none(capfd, bench, place):
    code, _out, err = call(capfd, "inspect", LOGS / "midnight.csv", "--register", place)
    assert code in (0, 2) and err.count("\n") <= 1 and "internal" not in err


@pytest.mark.files("its name")
def test_default_register_that_cannot_be_read_stops_no_inspect(capfd, bench, monkeypatch):
    (bench / "broken.sqlite").write_bytes(b"no database" * 100)
    for module in ("ownfolder", "database"):
        monkeypatch.setattr(f"cycler.{module}.default_path", lambda: bench / "broken.sqlite")
    code, _out, err = call(capfd, "inspect", "log1.csv", "--columns", "odd.toml")
    assert code == 0 and err == ""
    code, _out, err = call(capfd, "inspect", LOGS / "midnight.csv")
    assert code == 0 and "cannot be looked up" in err


# --- the command --write-columns -----------------------------------------------------------------------------------


def test_write_columns_then_correct_then_read(capfd, bench):
    code, out, err = call(capfd, "inspect", "log1.csv", "--write-columns", "new.toml")
    assert (code, out) == (2, "") and "Columns file new.toml" in err and "no voltage column" in err
    text = (bench / "new.toml").read_text()
    text = text.replace('"Feed"\nrole = "ignored"', '"Feed"\nrole = "voltage"\nunit = "V"')
    (bench / "new.toml").write_text(text.replace('"Sink"\nrole = "ignored"', '"Sink"\nrole = "current"\nunit = "A"'))
    code, out, _err = call(capfd, "inspect", "log1.csv", "--columns", "new.toml")
    assert code == 0 and "Discharge is positive" in out


def test_write_columns_overwrites_nothing_and_takes_one_log(capfd, bench):
    before = (bench / "odd.toml").read_text()
    code, out, err = call(capfd, "inspect", "log1.csv", "--write-columns", "odd.toml")
    assert (code, out) == (2, "") and "exists" in err and (bench / "odd.toml").read_text() == before
    code, _out, err = call(capfd, "inspect", "log1.csv", "log2.csv", "--write-columns", "new.toml")
    assert code == 2 and not (bench / "new.toml").exists() and "one LOG" in err
    for target in ("none/new.toml", "x" * 300 + ".toml"):
        code, _out, err = call(capfd, "inspect", "log1.csv", "--write-columns", target)
        assert code == 2 and "cannot write the columns file" in err
    assert call(capfd, "inspect", "log1.csv", "--write-columns", "")[0] == 2
    (bench / "link.toml").symlink_to("nowhere.toml")
    assert "exists" in call(capfd, "inspect", "log1.csv", "--write-columns", "link.toml")[2]


def test_write_columns_prints_no_control_characters_of_a_file_name(capfd, bench):
    odd = bench / "n\x1b]0;x\x07.csv"
    odd.write_bytes((bench / "log1.csv").read_bytes())
    _code, _out, err = call(capfd, "inspect", odd, "--write-columns", "new.toml")
    assert "\x1b" not in err and "\x07" not in err and "Columns file new.toml" in err


def test_outline_states_what_a_columns_file_stated():
    raw, _truth = odd_log()
    seen = outline([("log.csv", raw)], ODD)
    stated = columns_file_of(seen)
    assert seen.error is None and [rule.role for rule in stated.columns] == ["time", "voltage", "current"]
    assert stated.columns[2].sign == "discharge_positive" and stated.header_row is None


def test_add_says_at_once_what_speaks_against_the_reading(capfd, bench):
    # kA stated for a current in A, and no counter to contradict it.
    (bench / "kilo.toml").write_text(odd_columns_text().replace('unit = "A"', 'unit = "kA"'))
    code, out, _err = call(capfd, "add", "log1.csv", "--columns", "kilo.toml", "--pack", "pack.toml", "--register", "r.sqlite")
    assert code == 0 and "Look at this first" in out and "check its unit" in " ".join(out.split())


def test_columns_file_that_gave_readings_in_doubt_is_not_used_again_and_the_record_says_so(capfd, bench):
    (bench / "kilo.toml").write_text(odd_columns_text().replace('unit = "A"', 'unit = "kA"'))
    at = ("--register", "r.sqlite")
    code, _out, err = call(capfd, "add", "log1.csv", "--columns", "kilo.toml", "--pack", "pack.toml", *at)
    assert code == 0 and "used again" not in err
    with Register.open("r.sqlite") as register:
        assert register.columns_memory.all() == []
    for words in (("decide", "1"), ("record", "1", "--to", "records")):
        code, out, _err = call(capfd, *words, *at)
        assert code == 0 and "Look at this first" in out


# --- what only a person can say -----------------------------------------------------------------------------------


def taps_log():
    """Three groups by their taps, tap 3 the highest; against pack negative or pack positive, nobody can tell."""
    truth = invented_test(5)
    taps = truth.group_v.cumsum(axis=1)
    rows = ["Time (s),Voltage (V),Current (A),Tap 1 (V),Tap 2 (V),Tap 3 (V)"]
    rows += [
        f"{t:.0f},{u:.4f},{i:.4f}," + ",".join(f"{tap:.4f}" for tap in tap_row)
        for t, u, i, tap_row in zip(truth.time_s, truth.voltage_v, truth.current_a, taps)
    ]
    return "\n".join(rows).encode(), truth


def test_end_of_the_taps_that_nothing_tells_is_a_caution_and_is_settled_by_the_columns_file():
    raw, truth = taps_log()
    log = read_log_bytes(raw, "log.csv")
    np.testing.assert_allclose(log.group_voltage_v, truth.group_v, atol=2e-4)
    warning = next(item for item in log.reading.warnings if item.code == "taps_end_open")
    assert "group 1 would be group 3" in warning.message and "taps_from" in warning.message
    for end, wanted in (("pack_negative", truth.group_v), ("pack_positive", truth.group_v[:, ::-1])):
        stated = read_log_bytes(raw, "log.csv", parse_columns(f'taps_from = "{end}"\n', "c.toml"))
        np.testing.assert_allclose(stated.group_voltage_v, wanted, atol=2e-4)
        assert "taps_end_open" not in {item.code for item in stated.reading.warnings}
        again = columns_file_of(outline([("log.csv", raw)], ColumnsFile(taps_from=end)))
        np.testing.assert_array_equal(read_log_bytes(raw, "log.csv", again).group_voltage_v, stated.group_voltage_v)


def test_files_without_a_common_clock_follow_without_a_pause_when_that_is_stated(capfd, bench):
    # A constant 2 A for 1190 s over two files, the clock starting again: 2 A * 1190 s / 3600 = 0.6611 Ah (closed form).
    for name, start in (("step1.csv", 11.8), ("step2.csv", 11.1)):
        rows = [f"{t},{start - 0.001 * t:.3f},-2.000" for t in range(0, 600, 10)]
        (bench / name).write_text("Time (s),Voltage (V),Current (A)\n" + "\n".join(rows) + "\n")
    (bench / "three.toml").write_text('id = "X"\nseries = 3\n')
    args = ("analyze", "step1.csv", "step2.csv", "--pack", "three.toml", "--json")
    gapped = json.loads(call(capfd, *args)[1])
    assert "log_gap" in gapped["capacity"]["reasons"]
    stated = json.loads(call(capfd, *args, "--no-pause")[1])
    assert "log_gap" not in stated["capacity"]["reasons"] and stated["reading"]["clock"]["gaps"] == []
    assert stated["capacity"]["value_ah"] == pytest.approx(2 * 1190 / 3600, abs=2 * 5 / 3600)
    assert "parts_without_pause" in {item["code"] for item in stated["reading"]["warnings"]}
    call(capfd, "add", "step1.csv", "step2.csv", "--pack", "three.toml", "--no-pause", "--register", "r.sqlite")
    with Register.open("r.sqlite") as register:
        assert register.log(1).reading.gaps == ()


def test_files_whose_numbers_sort_in_another_order_are_told():
    parts = [
        (f"step{number}.csv", ("Time (s),Voltage (V),Current (A)\n" + "".join(f"{t},{11.8 - 0.001 * t - 0.1 * place:.3f},-2.000\n" for t in range(0, 600, 10))).encode())
        for place, number in enumerate((1, 10, 2))
    ]
    warnings = {item.code: item.message for item in read_logs_bytes(parts).reading.warnings}
    assert "step1.csv, step2.csv, step10.csv" in warnings["parts_in_given_order"]


def test_clock_that_starts_again_at_each_step_can_be_stated():
    truth = invented_test(3)
    local = np.concatenate([np.arange(80), np.arange(truth.time_s.size - 80)]) * 10.0
    rows = ["millis (s),Voltage (V),Current (A)"] + [f"{t:.0f},{u:.4f},{i:.4f}" for t, u, i in zip(local, truth.voltage_v, truth.current_a)]
    log = read_log_bytes("\n".join(rows).encode(), "log.csv", ColumnsFile(clock="step"))
    assert log.reading.clock_kind == "step" and log.rows == 160 and np.all(np.diff(log.time_s) > 0)


def test_columns_file_for_one_column_of_a_log_without_headings_leaves_the_rest_to_the_readings():
    raw, _truth = odd_log()
    raw = b"\n".join(
        row + b";" + str(number % 3 + 20).encode() for number, row in enumerate(raw.split(b"\r\n")[1:-1])
    )
    bare = read_log_bytes(raw, "log.csv")
    log = read_log_bytes(raw, "log.csv", ColumnsFile(columns=(ColumnRule(position=4, role="temperature", unit="degC"),)))
    np.testing.assert_array_equal(log.voltage_v, bare.voltage_v)
    assert log.temperature_c.shape == (160, 1) and bare.temperature_c.shape[1] == 0


def test_turned_current_has_no_negative_zero():
    truth = invented_test(1)
    log = read_log_bytes(write_log(truth, Dialect(current_style="inverse")), "log.csv")
    assert not np.signbit(log.current_a[log.current_a == 0]).any()
