"""The register where it is damaged, may only be read, is none, or is given names that no database takes.

The tests run as whoever runs them: as root every file can be written, so a place without the right to write is feigned by
what ``os.access`` answers; that nothing is written there is seen from the files.
"""

from __future__ import annotations

import os
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from cycler import database
from cycler.criteria import load_criteria
from cycler.database import Database, check_place
from cycler.errors import InputError
from cycler.migrations import APPLICATION_ID, MIGRATIONS, SCHEMA, Migration
from cycler.pack import Pack
from cycler.register import Register
from cycler.verdict import decide
from tests.analysis_example import example_analysis
from tests.calls import call

PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=10.4)


def add(register, raw=b"time;current\n", label="", pack=PACK, name="log.csv", **keywords):
    return register.add_run(pack=pack, sources=[(name, raw)], analysis=example_analysis(), label=label, **keywords)


@pytest.fixture
def file(tmp_path):
    """A register with one judged run that has a record."""
    path = tmp_path / "r.sqlite"
    criteria = load_criteria()
    analysis = example_analysis()
    with Register.open(path) as register:
        register.add_run(
            pack=PACK, sources=[("log.csv", b"raw")], analysis=analysis | {"verdict": decide(analysis, criteria)}, criteria=criteria,
        )
        register.add_record(1, 1, "2026-0001-1", "<p>as issued</p>", b"%PDF as issued")
    return path


def snapshot(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def damage(file, *statements):
    """Change what the program itself refuses to change, and return the bytes of the file then."""
    connection = sqlite3.connect(file, isolation_level=None)
    for (trigger,) in connection.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        connection.execute(f"drop trigger {trigger}")
    for statement in statements:
        connection.execute(statement)
    connection.close()
    return file.read_bytes()


# --- damage ------------------------------------------------------------------------------------------------------


@pytest.mark.files("its bytes are changed")
@pytest.mark.parametrize("statement, commands", [
    ("update analyses set json = substr(json, 1, 2000)", ["show 1", "compare 1 1", "decide 1 --look", "record 1 --to {}"]),
    ("update analyses set json = '[1]'", ["show 1"]),
    ("update analyses set json = null_text from (select '' as null_text)", ["show 1"]),
    ("update analyses set pack_json = substr(pack_json, 1, 20)", ["show 1", "list"]),
    ("update analyses set pack_json = '{\"instrument\": 5}'", ["show 1"]),
    ("update verdicts set json = substr(json, 1, 50)", ["show 1", "show 1 --json"]),
    ("delete from analyses", ["show 1"]),
    ("delete from run_logs", ["record 1 --to {}"]),
    ("update analyses set columns_text = '{\"columns\":'", ["record 1 --to {}"]),
    *((f"drop table {name}", ["list", "show 1", "decide 1"]) for name in sorted(SCHEMA.tables)),
])
def test_damaged_register_is_told_in_one_line_and_stays_as_it_is(capfd, tmp_path, file, statement, commands):
    before = damage(file, "pragma foreign_keys = off", statement)
    for command in commands:
        words = [word.format(tmp_path / "records") for word in command.split()]
        code, out, err = call(capfd, "--register", file, *words)
        assert (code, out, err.count("\n")) == (2, "", 1), command
        assert "the register is damaged" in err and "restore the register from its last copy" in err
        assert "SELECT" not in err and "sqlite3" not in err and "sqlalche" not in err
    assert file.read_bytes() == before


@pytest.mark.files("its bytes are changed")
def test_damaged_ratings_are_told_before_another_run_is_kept(file):
    before = damage(file, "update analyses set pack_json = '{'")
    with Register.open(file) as register, pytest.raises(InputError, match="pack of run 1 cannot be read"):
        add(register)
    assert file.read_bytes() == before


def test_database_error_of_ours_shows_neither_statement_nor_values(file):
    with Register.open(file) as register, pytest.raises(DatabaseError) as caught, register._database.write() as connection:
        connection.execute(SCHEMA.tables["packs"].insert().values(id="secret-id", added_at=None))
    assert "NOT NULL" in str(caught.value).replace("not-null", "NOT NULL")
    assert "INSERT" not in str(caught.value) and "secret-id" not in str(caught.value) and "http" not in str(caught.value)


@pytest.mark.files("its bytes are changed")
def test_old_pack_that_todays_checks_would_refuse_can_still_be_read(file):
    # 42 V of 7 nmc groups is 6 V each: refused in a pack file, but it is what this run was analysed with.
    damage(file, "update analyses set pack_json = '{\"id\": \"EB-0412\", \"chemistry\": \"nmc\", \"series\": 7, \"charge_voltage_v\": 42.0, \"shelf\": \"B\"}'")
    with Register.open(file) as register:
        assert (register.run(1).pack.series, register.run(1).pack.charge_voltage_v) == (7, 42.0)


# --- none, or another's ------------------------------------------------------------------------------------------


def marked(path, *statements):
    """A database that bears our mark and holds what ``statements`` make."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"pragma application_id = {APPLICATION_ID}")
    for statement in statements:
        connection.execute(statement)
    connection.close()
    return path


@pytest.mark.files("its mark")
@pytest.mark.parametrize("create", [True, False])
def test_open_marked_file_with_foreign_tables_is_refused_untouched(tmp_path, create):
    file = marked(tmp_path / "x", "create table runs (colour text)", "create table other (x)", "pragma journal_mode = wal")
    before = snapshot(tmp_path)
    with pytest.raises(InputError, match="its tables are others"):
        Register.open(file, create=create)
    assert snapshot(tmp_path) == before


@pytest.mark.files("its bytes are changed")
def test_open_register_whose_table_of_versions_is_empty_is_told_as_damage(file):
    before = damage(file, "delete from register_versions")
    with pytest.raises(InputError, match="table of versions is empty"):
        Register.open(file)
    assert file.read_bytes() == before


@pytest.mark.files("its mark")
@pytest.mark.parametrize("command", ["list", "show 1", "decide 1", "compare 1 2"])
def test_empty_file_is_told_as_empty_by_commands_that_read(capfd, tmp_path, command):
    (tmp_path / "r.sqlite").touch()
    code, out, err = call(capfd, "--register", tmp_path / "r.sqlite", *command.split())
    assert (code, out, err.count("\n")) == (2, "", 1) and "the register is empty" in err and "0 bytes" in err
    assert "does not exist" not in err and snapshot(tmp_path) == {"r.sqlite": b""}


@pytest.mark.files("its mark")
def test_marked_file_without_tables_is_told_as_empty_and_filled_by_a_writer(tmp_path):
    file = marked(tmp_path / "r.sqlite", "vacuum")  # as a program that was killed while making it leaves it
    with pytest.raises(InputError, match="holds no table yet"):
        Register.open(file, create=False)
    with Register.open(file) as register:
        assert register.runs() == []


@pytest.mark.parametrize("name", ["", "  "])
@pytest.mark.parametrize("arguments", [["list"], ["show", "1"], ["serve"], ["inspect", "x.csv"], ["demo"]])
@pytest.mark.parametrize("after", [True, False])
def test_register_without_a_name_is_refused(capfd, name, arguments, after):
    option = ["--register", name]
    code, out, err = call(capfd, *([*arguments, *option] if after else [*option, *arguments]))
    assert (code, out, err.count("\n")) == (2, "", 1) and "--register" in err and "empty" in err


@pytest.mark.files("its mark")
@pytest.mark.parametrize("act", [Register.open, check_place])
@pytest.mark.parametrize("name", ["", "a\0b", "~nobody-of-this-name/none/r.sqlite"])
def test_open_name_that_cannot_be_is_told(act, name):
    with pytest.raises(InputError) as caught:
        act(name)
    assert "\0" not in str(caught.value)


# --- only to be read ---------------------------------------------------------------------------------------------


@pytest.fixture(params=["folder", "file"])
def protected(request, file, monkeypatch):
    """The register where its folder, or the file itself, must not be written to; no writer's connection may be opened."""
    real = os.access

    def access(path, mode, **keywords):
        closed = file.parent if request.param == "folder" else file
        return False if mode & os.W_OK and str(path) == str(closed) else real(path, mode, **keywords)

    def no_writer(*_arguments):
        raise AssertionError("a file that may only be read was prepared for writing")

    monkeypatch.setattr(database.os, "access", access)
    monkeypatch.setattr(database, "_sqlite_prepare", no_writer)
    return file


@pytest.mark.files("its permissions")
@pytest.mark.parametrize("command", ["list", "list --json", "show 1", "show 1 --json", "compare 1 1", "decide 1 --look"])
def test_protected_register_can_be_read_and_nothing_appears_beside_it(capfd, protected, command):
    before = snapshot(protected.parent)
    code, out, err = call(capfd, "--register", protected, *command.split())
    assert (code, err) == (0, "") and out
    assert snapshot(protected.parent) == before


@pytest.mark.files("its permissions")
def test_protected_register_gives_its_records_out_again(capfd, protected, tmp_path):
    code, _out, err = call(capfd, "--register", protected, "record", "1", "--serial", "2026-0001-1", "--to", tmp_path / "out")
    assert (code, err) == (0, "")
    assert (tmp_path / "out" / "record-EB-0412-2026-0001-1.pdf").read_bytes() == b"%PDF as issued"


@pytest.mark.files("its permissions")
@pytest.mark.parametrize("command", ["add {log} --pack {pack}", "decide 1", "record 1 --to {folder}"])
def test_protected_register_refuses_what_would_write(capfd, protected, made, command):
    before = snapshot(protected.parent)
    words = command.format(log=made.log, pack=made.pack, folder=protected.parent / "records").split()
    code, out, err = call(capfd, "--register", protected, *words)
    assert (code, out, err.count("\n")) == (2, "", 1) and "the register may only be read" in err
    assert snapshot(protected.parent) == before


@pytest.mark.files("its permissions")
def test_protected_register_is_shown_in_the_browser_too(protected):
    from dashboard.data import Door, Wish

    door = Door(protected)
    assert [run.id for run in door.runs()] == [1]
    for record in (True, False):
        with pytest.raises(InputError, match="may only be read"):
            door.decide(1, Wish("resale", by="A. Bench", record=record), door.decision(1).state)
    door.close()


@pytest.mark.files("its permissions")
def test_connection_to_a_protected_register_cannot_write_even_if_asked(protected):
    # The database itself refuses: the connection is opened with mode=ro and immutable=1.
    with Register.open(protected) as register:
        register._database.read_only = False
        with pytest.raises(InputError, match="may only be read"), register._database.write() as connection:
            connection.execute(text("delete from packs"))


@pytest.mark.files("its permissions")
def test_protected_register_shows_what_another_program_has_just_written(protected):
    """What is not yet in the file but in the log beside it must be seen: there ``immutable`` would lose a run."""
    other = sqlite3.connect(protected, isolation_level=None)
    other.execute("pragma wal_autocheckpoint = 0")
    other.execute("insert into packs values ('CB-0207', '2026-01-01T00:00:00Z')")
    try:
        assert protected.with_name("r.sqlite-wal").stat().st_size > 0
        with Register.open(protected) as register, register._database.read() as connection:
            assert connection.execute(text("select count(*) from packs")).scalar() == 2
    finally:
        other.close()


@pytest.mark.files("its permissions")
def test_protected_register_of_an_older_version_is_not_changed(protected):
    before = protected.read_bytes()
    step = Migration(MIGRATIONS[-1].version + 1, "a column", lambda c: c.exec_driver_sql("alter table packs add column shelf text"))
    with pytest.raises(InputError, match="older version"):
        Database(protected, migrations=(*MIGRATIONS, step))
    assert protected.read_bytes() == before


@pytest.mark.files("its permissions")
def test_add_into_a_folder_that_must_not_be_written_is_refused_before_the_work(capfd, tmp_path, monkeypatch, made):
    real = os.access
    monkeypatch.setattr(database.os, "access", lambda path, mode, **k: not mode & os.W_OK and real(path, mode, **k))
    monkeypatch.setattr("cycler.workflow.analyse_sources", lambda *_a: pytest.fail("analysed before the place was checked"))
    code, out, err = call(capfd, "--register", tmp_path / "new.sqlite", "add", made.log, "--pack", made.pack)
    assert (code, out, err.count("\n")) == (2, "", 1) and "no right to write" in err and list(tmp_path.iterdir()) == []


# --- names and numbers -------------------------------------------------------------------------------------------

NO_TEXT = os.fsdecode(b"\xff")


@pytest.fixture
def register(tmp_path):
    with Register.open(tmp_path / "names.sqlite") as opened:
        yield opened


def test_add_run_bytes_that_are_no_text_are_replaced_in_every_name(register):
    analysis = example_analysis({"sources": [{"file": f"{NO_TEXT}.csv", "sha256": "0" * 64}]})
    run_id = register.add_run(
        pack=replace(PACK, id=f"EB{NO_TEXT}"), sources=[(f"x/{NO_TEXT}.csv", b"raw")], analysis=analysis, label=f"a{NO_TEXT}b",
    )
    run = register.run(run_id)
    assert (run.pack_id, run.label, run.sources[0].file) == ("EB\ufffd", "a\ufffdb", "\ufffd.csv")
    assert run.analysis["sources"][0]["file"] == "\ufffd.csv"
    assert [row.id for row in register.runs(f"EB{NO_TEXT}")] == [run_id]
    run.analysis["sources"][0]["file"].encode("utf-8")


@pytest.mark.skipif(os.name != "posix" or os.fsdecode(b"\xff") == "ÿ", reason="needs file names of any bytes")
def test_commands_take_names_that_are_no_text(capfd, tmp_path, made):
    log = tmp_path / f"{NO_TEXT}.csv"
    try:
        log.write_bytes(Path(made.log).read_bytes())
    except OSError:
        pytest.skip("this file system takes no such name")
    file = tmp_path / "r.sqlite"
    code, out, err = call(capfd, "--register", file, "--quiet", "add", log, "--pack", made.pack, "--label", f"x{NO_TEXT}")
    assert (code, err) == (0, "") and "x\ufffd" in out
    for command in (["list", "--id", NO_TEXT], ["list", "--json"], ["show", "1"], ["show", "1", "--json"]):
        code, _out, err = call(capfd, "--register", file, *command)
        assert (code, err) == (0, ""), command
    code, _out, err = call(
        capfd, "--register", file, "record", "1", "--to", tmp_path / "records", "--workshop", f"Bench {NO_TEXT}",
    )
    assert (code, err) == (0, "")
    (page,) = (tmp_path / "records").glob("*.html")
    assert "Bench \ufffd" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("label", ["two\nlines", "tab\there", "x" * 201, "\x1b[2J"])
def test_add_run_label_that_is_no_name_is_refused(register, label):
    with pytest.raises(InputError, match="label is not a name on one line"):
        add(register, label=label)
    with pytest.raises(InputError, match="id of the pack is not a name on one line"):
        add(register, pack=Pack(id=label))
    assert register.runs() == [] and add(register, label=f"  {'x' * 200} ") == 1


@pytest.mark.parametrize("number", [0, -1, 2**31, 2**63, 99999999999999999999, 10**5000], ids=lambda n: f"{n.bit_length()} bits")
def test_run_number_that_no_row_can_have_is_not_there(register, number):
    add(register)
    for act in (register.run, register.raw_sources, register.verdicts, register.latest_verdict, register.records, register.next_serial):
        with pytest.raises(InputError, match="no run ") as caught:
            act(number)
        assert "up to 1" in caught.value.why and len(str(caught.value)) < 300
    with pytest.raises(InputError, match="no record "):
        register.record_bytes(number, "pdf")


@pytest.mark.parametrize("number", ["99999999999999999999", "9" * 5000, "3000000000", "999999999999999999"])
@pytest.mark.parametrize("command", ["show {}", "decide {}", "record {} --to x", "compare {} 1", "compare 1 {}"])
def test_commands_tell_a_run_number_of_any_length_as_not_there(capfd, file, number, command):
    code, out, err = call(capfd, "--register", file, *command.format(number).split())
    assert (code, out, err.count("\n")) == (2, "", 1) and "no run " in err and len(err) < 300


@pytest.mark.files("it is moved away")
def test_register_that_vanishes_while_it_is_open_is_told_and_not_made_anew(file):
    database = Database(file)
    away = file.with_name("away.sqlite")
    file.rename(away)
    for act in (database.read, database.write):
        with pytest.raises(InputError, match="the register is no longer there"), act():
            pass
    assert not file.exists()
    away.rename(file)
    with database.read() as connection:
        assert database.version(connection) == MIGRATIONS[-1].version
    database.close()
