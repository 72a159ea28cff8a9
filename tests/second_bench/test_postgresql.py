"""A register on a PostgreSQL server: what only a server brings along. The suite of SQLite runs on it too (tests/places.py).

Second store and reference: PostgreSQL itself, started from Debian's package; what it refuses is told as it was met here.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest
from sqlalchemy.exc import DBAPIError

from cycler import custody
from cycler.database import Database, check_place, register_exists
from cycler.errors import InputError
from cycler.migrations import APPLICATION_ID, KEPT_FOREVER, MIGRATIONS, SCHEMA
from cycler.pack import Pack
from cycler.register import Register
from cycler.register_list import ListQuery
from tests import places
from tests.analysis_example import example_analysis
from tests.calls import PROJECT, call, parsed
from tests.test_chain import fill

PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=10.4)


def add(register, raw=b"raw", pack=PACK, **keywords):
    return register.add_run(pack=pack, sources=[("log.csv", raw)], analysis=example_analysis(), **keywords)


# --- the address -------------------------------------------------------------------------------------------------


def test_commands_work_with_an_address_from_the_first_run_on(capfd, place, made, tmp_path):
    assert not register_exists(place)
    code, out, err = call(capfd, "--register", place, "list")
    assert (code, out, err.count("\n")) == (2, "", 1) and "the register is empty" in err and places.PASSWORD not in err
    assert call(capfd, "inspect", made.log, "--register", place)[0] == 0 and not register_exists(place)
    code, out, err = call(capfd, "--register", place, "add", made.log, "--pack", made.pack)
    assert code == 0 and "run 1 of pack T-3" in out and places.PASSWORD not in err and ":***@127.0.0.1" in err
    assert parsed(call(capfd, "--register", place, "list", "--json")[1])["runs"][0]["id"] == 1
    for words in (["show", "1"], ["decide", "1"], ["record", "1", "--to", tmp_path / "records"], ["pack", "T-3"], ["columns"], ["check"]):
        code, out, err = call(capfd, "--register", place, *words)
        assert code == 0 and out and places.PASSWORD not in out + err, words
    code, _out, err = call(capfd, "--register", place, "add", made.log, "--pack", made.pack)
    assert code == 2 and "this log is in the register already" in err


@pytest.mark.parametrize("change, words", [
    ((places.PASSWORD, "another"), "user or password is wrong"),
    ((places.USER + ":", "nobody:"), "user or password is wrong"),
    (("/bench_", "/none_"), "there is no such database"),
    (("127.0.0.1", "no-such-host.invalid"), "its name is not known on this network"),
    (("", "?sslmode=require"), "no encrypted connection could be made"),
    (("", "?nonsense=1"), "correct what stands after the ?"),
    ((places.PASSWORD, "se@cret"), "write an @ of the user's name or password as %40"),
    (("PORT", "1"), "nothing answers at this address"),
])
def test_address_that_cannot_be_used_is_one_message_before_the_work(capfd, server, place, made, change, words):
    old, new = change
    wrong = place + new if not old else place.replace(str(server.port) if old == "PORT" else old, new, 1)
    for arguments in (["list"], ["add", made.log, "--pack", made.pack], ["check"], ["serve"]):
        code, out, err = call(capfd, "--register", wrong, *arguments)
        assert (code, out, err.count("\n")) == (2, "", 1) and words in err and "internal" not in err
        assert places.PASSWORD not in err and "another" not in err and "cret@" not in err


def test_password_in_the_tail_of_an_address_is_told_nowhere(server, place):
    tail = place.replace(f":{places.PASSWORD}@", "@") + f"?password={places.PASSWORD}"
    with Register.open(tail) as register:
        assert add(register) == 1 and places.PASSWORD not in register.name


def test_database_that_cannot_hold_every_character_is_refused(server):
    name = "latin_one"
    with server.connect() as connection:
        connection.execute(f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'LATIN1' LOCALE 'C'")
    with pytest.raises(InputError, match="cannot hold every character"):
        Register.open(server.url(name))


def test_database_of_another_program_stays_as_it_is(server):
    name = server.make()
    with server.connect(name) as connection:
        connection.execute("CREATE TABLE runs (colour text)")
    with pytest.raises(InputError, match="its tables are others"):
        Register.open(server.url(name))
    with server.connect(name) as connection:
        assert connection.execute("SELECT count(*) FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace").fetchone() == (1,)


# --- the same things come back -----------------------------------------------------------------------------------


def test_bytes_and_texts_of_every_kind_come_back(place):
    raw = bytes(range(256)) * 120_000  # 31 MB
    with Register.open(place) as register:
        run_id = register.add_run(
            pack=Pack(id="Ä-1 'x' %s"), sources=[("a\0b.csv", raw), ("ü😀.csv", b"")], analysis=example_analysis({"sources": [{"file": "a\0b.csv"}]}),
            label="naïve “quote” \\ %(x)s 😀",
        )
        run = register.run(run_id)
        assert [name for name, _raw in register.raw_sources(run_id)] == ["a\ufffdb.csv", "ü😀.csv"]
        assert register.raw_sources(run_id)[0][1] == raw and register.raw_sources(run_id)[1][1] == b""
        assert (run.pack_id, run.label) == ("Ä-1 'x' %s", "naïve “quote” \\ %(x)s 😀") and run.analysis["sources"][0]["file"] == "a\0b.csv"
        assert register.runs("x\0y") == [] and register.list_packs(ListQuery("x\0y")).lines == []
        with pytest.raises(InputError, match="not a name"):
            add(register, label="a\0b")
    assert custody.check(place).good


def test_order_and_search_are_those_of_a_file_whatever_the_language_of_the_server(server, tmp_path):
    """The databases of these tests sort by ICU's en-US, which puts "eb-2" beside "EB-10" and passes over blanks and dashes."""
    ids = ["eb-2", "EB-10", "a b", "ab", "a-c", "Éb", "éa", "_x", "z"]
    found = []
    for where in (server.new(), tmp_path / "r.sqlite"):
        with Register.open(where) as register:
            for number, pack_id in enumerate(ids):
                add(register, b"%d" % number, Pack(id=pack_id, chemistry="nmc"), label=pack_id[::-1])
            queries = [ListQuery(sort=sort, words=words) for sort in ("pack", "-pack", "build", "-state", "date") for words in ("", "b", "É")]
            found.append((
                [row.id for row in register.packs()], [[line.id for line in register.list_packs(query).lines] for query in queries],
                [[line.run.id for line in register.list_runs(ListQuery(sort=sort)).lines] for sort in ("label", "-label", "pack")],
            ))
    for on_server, in_file in zip(*found, strict=True):
        assert on_server == in_file


# --- many at once ------------------------------------------------------------------------------------------------

_WRITER = """
import sys
from tests.analysis_example import example_analysis
from cycler.pack import Pack
from cycler.register import Register
place, who, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
with Register.open(place) as register:
    for number in range(count):
        print(register.add_run(
            pack=Pack(id="EB-0412"), sources=[("shared.csv", b"shared"), (f"{who}.csv", f"{who} {number}".encode() * 500)],
            analysis=example_analysis(), label=f"{who} {number}",
        ), flush=True)
"""


def test_four_benches_at_once_make_the_register_and_lose_nothing(place):
    started = [
        subprocess.Popen(
            [sys.executable, "-c", _WRITER, place, who, "8"], cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONPATH": str(PROJECT)},
        )
        for who in "abcd"
    ]
    printed = []
    for process in started:
        out, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
        printed += [int(line) for line in out.split()]
    with Register.open(place, create=False) as register:
        assert sorted(printed) == [run.id for run in register.runs()] == list(range(1, 33))
        assert {run.label for run in register.runs()} == {f"{who} {number}" for who in "abcd" for number in range(8)}
    report = custody.check(place)
    assert report.good and report.entries == sum(report.counts.values()) and report.counts["logs"] == 33


def test_one_log_added_by_two_at_once_is_kept_once(place):
    with Register.open(place) as register:
        gate, said = threading.Barrier(4), []

        def put():
            gate.wait()
            try:
                said.append(add(register, b"the same"))
            except InputError as error:
                said.append(error.what)

        threads = [threading.Thread(target=put) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
        assert sorted(map(str, said)) == ["1", *["this log is in the register already"] * 3] and len(register.runs()) == 1


def test_writer_that_waits_too_long_is_told_and_a_reader_waits_for_nobody(server, place, monkeypatch):
    with Register.open(place) as register:
        add(register)
        with server.connect(place.rpartition("/")[2]) as other:
            other.execute("BEGIN")
            other.execute("SELECT pg_advisory_xact_lock(%s)", [APPLICATION_ID])
            monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 0.2)
            with pytest.raises(InputError, match="another program holds the register"):
                add(register, b"two")
            assert len(register.runs()) == 1
        assert add(register, b"two") == 2 and custody.check(place).good


def test_writer_that_stands_still_loses_its_turn_and_keeps_nothing(place, monkeypatch):
    """A computer that was switched off in the middle of an act, or cut off, looks so to the server: a transaction in which nothing comes."""
    monkeypatch.setattr("cycler.server.STANDS_STILL_S", 0.3)
    monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 10.0)
    lost = pytest.raises(InputError, match="lost before the server confirmed")
    with Register.open(place) as register, lost, register._database.write() as connection:
        connection.exec_driver_sql("DELETE FROM sheet_drafts")
        with Register.open(place) as another:
            assert add(another) == 1 and custody.check(place).good


def test_reader_sees_one_state_throughout(place):
    """SQLSTATE 40001 cannot come up: a reader changes nothing (PostgreSQL 15 manual, 13.2.2; from memory)."""
    with Register.open(place) as register:
        add(register)
        with register._database.read() as connection:
            runs = SCHEMA.tables["runs"].select()
            assert len(connection.execute(runs).all()) == 1
            add(register, b"two")
            assert len(connection.execute(runs).all()) == 1
            with pytest.raises(DBAPIError, match="read-only transaction"):
                connection.exec_driver_sql("DELETE FROM sheet_drafts")
            connection.get_transaction().rollback()
        assert len(register.runs()) == 2


def test_process_that_was_forked_speaks_through_a_connection_of_its_own(place):
    if not hasattr(os, "fork"):
        pytest.skip("needs fork")
    with Register.open(place) as register:
        add(register)
        child = os.fork()
        if not child:
            try:
                os._exit(0 if add(register, b"of the child") == 2 else 3)
            finally:
                os._exit(4)
        assert os.waitpid(child, 0)[1] == 0
        assert add(register, b"of the parent") == 3 and custody.check(place).good


# --- the server fails --------------------------------------------------------------------------------------------


def test_server_that_fails_in_mid_act_keeps_nothing_of_it_and_is_used_again_once_it_is_back(server, place):
    packs = SCHEMA.tables["packs"]
    with Register.open(place) as register:
        add(register)
        with pytest.raises(InputError, match="connection was lost before the server confirmed"), register._database.write() as connection:
            connection.execute(packs.insert().values(id="CB-0207", added_at="x").execution_options(chained=True))
            server.stop()
            connection.execute(packs.select())
        with pytest.raises(InputError, match="nothing answers at this address"):
            register.runs()
        for act in (lambda: check_place(place, writing=True), lambda: Register.open(place)):
            with pytest.raises(InputError, match="cannot be reached"):
                act()
        server.start()
        assert [item.id for item in register.packs()] == ["EB-0412"]
        assert add(register, b"two") in (2, 34) and custody.check(place).good  # after a crash PostgreSQL leaves out up to 32 numbers


# --- rights ------------------------------------------------------------------------------------------------------


def test_bench_needs_no_more_than_the_rights_in_the_documents(server):
    name = server.make()
    Database(server.url(name)).close()
    with server.connect(name) as owner:
        for role in ("bench_two", "onlooker"):
            owner.execute(f"CREATE ROLE {role} LOGIN PASSWORD 'pw-of-{role}'")
        owner.execute("GRANT SELECT ON ALL TABLES IN SCHEMA public TO bench_two, onlooker")
        owner.execute("GRANT INSERT ON ALL TABLES IN SCHEMA public TO bench_two")
        owner.execute("GRANT DELETE ON sheet_drafts TO bench_two")
        owner.execute("GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO bench_two")
    bench, onlooker = (server.url(name, role, f"pw-of-{role}") for role in ("bench_two", "onlooker"))
    with Register.open(bench) as register:
        fill(register)
        job = register.jobs.open_job("CB-0207", "dead", who="A. Bell")
        register.jobs.keep_draft(job, {"by": "A"})
        assert register.jobs.change_draft(job, {"by": "B"}, {}) == {"by": "B"}
        for statement in ("UPDATE runs SET label = 'x'", "DELETE FROM job_entries", "DROP TRIGGER runs_only_grows ON runs"):
            with pytest.raises((InputError, DBAPIError)), register._database.write() as connection:
                connection.exec_driver_sql(statement)
    with Register.open(onlooker) as register:
        assert len(register.runs()) == 2
        with pytest.raises(InputError, match="only be read"):
            add(register, b"more")
    assert custody.check(onlooker).good


# --- guards ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("statement, words", [
    ("DROP TRIGGER verdicts_only_grows ON verdicts", "the guard against changes of verdicts was taken away"),
    ("ALTER TABLE verdicts DISABLE TRIGGER verdicts_only_grows", "the guard against changes of verdicts was altered"),
    ("CREATE FUNCTION f() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'; CREATE TRIGGER t BEFORE INSERT ON packs EXECUTE FUNCTION f()",
     '"t" of packs is no part of a register'),
    ("CREATE OR REPLACE FUNCTION register_only_grows() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'", "the guard against changes of packs was altered"),
])
def test_guard_that_is_gone_or_another_is_found(server, place, statement, words):
    Database(place).close()
    with server.connect(place.rpartition("/")[2]) as owner:
        owner.execute(statement)
    assert custody.check(place).problems[0].text.startswith(words)


def test_tables_cannot_be_emptied(place):
    with Register.open(place) as register:
        fill(register)
        for table in KEPT_FOREVER:
            with pytest.raises(DBAPIError, match="only grows"), register._database.write() as connection:
                connection.exec_driver_sql(f"TRUNCATE {table} CASCADE")
    assert custody.check(place).good


def test_register_of_an_older_version_is_brought_up_once_by_two_at_once(place):
    Database(place, migrations=MIGRATIONS[:2]).close()
    gate, trouble = threading.Barrier(3), []

    def opened():
        gate.wait()
        try:
            Register.open(place).close()
        except Exception as error:
            trouble.append(error)

    threads = [threading.Thread(target=opened) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    report = custody.check(place)
    assert not trouble and report.good and report.version == MIGRATIONS[-1].version
