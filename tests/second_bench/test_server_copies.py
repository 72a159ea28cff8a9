"""From a file to a server and back: the same rows, the same chain, and numbers that go on."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from cycler import custody
from cycler.database import Database
from cycler.errors import InputError
from cycler.migrations import MIGRATIONS, SCHEMA
from cycler.pack import Pack
from cycler.register import Register
from tests import places
from tests.analysis_example import example_analysis
from tests.calls import call, parsed
from tests.test_chain import fill

pytestmark = pytest.mark.skipif(places.on_server(), reason="about files: one is put on a server here, and back")


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "r.sqlite"
    with Register.open(path) as register:
        fill(register)
        job = register.jobs.open_job("EB-0412", "again", who="A. Bell")
        register.jobs.keep_draft(job, {"by": "A. Bell"})
    return path


def everything(place):
    database = Database(place, create=False)
    try:
        with database.read() as connection:
            return {
                name: [tuple(row) for row in connection.execute(table.select().order_by(*table.primary_key.columns))]
                for name, table in SCHEMA.tables.items()
            }
    finally:
        database.close()


def order(rows):
    return {name: sorted(map(repr, some)) for name, some in rows.items()}


def test_register_moves_to_a_server_goes_on_there_and_comes_back(capfd, file, place, tmp_path):
    custody.backup(file, tmp_path / "b.sqlite")
    code, out, err = call(capfd, "--register", place, "restore", tmp_path / "b.sqlite")
    assert (code, err) == (0, "") and "Put back: 1 pack, 2 runs, 1 record." in out and ":***@" in out and places.PASSWORD not in out
    assert order(everything(place)) == order(everything(file)) and custody.check(place).head == custody.check(file).head
    with Register.open(place) as register:  # each table goes on with the next number
        run = register.add_run(pack=Pack(id="EB-0412"), sources=[("new.csv", b"new")], analysis=example_analysis())
        assert run == 3 and register.jobs.draft(2) == {"by": "A. Bell"}
        assert register.add_card_entry("EB-0412", "note", "on the server", who="A. Bell") == len(everything(place)["card_entries"])
    assert custody.check(place).good
    code, out, err = call(capfd, "--register", place, "backup", tmp_path / "back.sqlite", "--json")
    done = parsed(out)
    assert (code, err) == (0, "") and done["check"]["good"] and done["bytes"] == (tmp_path / "back.sqlite").stat().st_size
    assert order(everything(tmp_path / "back.sqlite")) == order(everything(place))
    assert (tmp_path / "back.sqlite").stat().st_mode & 0o077 == 0
    assert sorted(path.name for path in tmp_path.iterdir() if not path.name.startswith("r.sqlite")) == ["b.sqlite", "back.sqlite"]
    with Register.open(tmp_path / "back.sqlite") as register:
        assert register.raw_sources(3) == [("new.csv", b"new")]


def test_backup_is_of_one_moment_while_others_write(place, tmp_path):
    with Register.open(place) as register:
        fill(register)
        from cycler import servercopy

        real = servercopy._copy

        def copy(source, target):
            source.execute(SCHEMA.tables["packs"].select())  # from here on the reader's state stands
            register.add_run(pack=Pack(id="CB-0207"), sources=[("late.csv", b"late")], analysis=example_analysis())
            real(source, target)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(servercopy, "_copy", copy)
            done = custody.backup(place, tmp_path / "b.sqlite")
        assert done.report.good and done.report.counts["runs"] == 2 and len(register.runs()) == 3


def test_backup_is_put_into_an_empty_database_only(file, place):
    with Register.open(place) as register:
        register.add_card_entry("CB-0207", "note", "mine", who="A. Bell", new=True)
    before = everything(place)
    with pytest.raises(InputError, match="not empty") as caught:
        custody.restore(place, file)
    assert "createdb" in caught.value.mend and everything(place) == before


def test_damaged_backup_leaves_the_database_without_a_row(file, place):
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("drop trigger runs_no_update")
        connection.execute("update runs set label = 'x' where id = 2")
    with pytest.raises(InputError, match=r"row \[2\] of runs was altered"):
        custody.restore(place, file)
    assert not any(rows for name, rows in everything(place).items() if name != "register_versions")


def test_backup_of_an_older_register_is_brought_up_when_it_is_opened(place, tmp_path):
    Database(tmp_path / "old.sqlite", migrations=MIGRATIONS[:3]).close()
    done = custody.restore(place, tmp_path / "old.sqlite")
    assert done.report.version == 3
    with Register.open(place) as register:
        assert register.jobs.jobs() == []
    custody.backup(place, tmp_path / "b.sqlite")
    assert custody.check(tmp_path / "b.sqlite").version == MIGRATIONS[-1].version
