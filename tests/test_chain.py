"""The chain of digests: every row that is kept has its entry, and an edit past the program is found and named."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from cycler import chain, custody
from cycler.criteria import load_criteria
from cycler.database import Database
from cycler.errors import InputError
from cycler.migrations import CHAINED, KEPT_FOREVER, MIGRATIONS, SCHEMA
from cycler.pack import Pack
from cycler.readers import ColumnsFile
from cycler.register import Register
from cycler.verdict import decide
from tests import places
from tests.analysis_example import example_analysis
from tests.calls import call, parsed

PROJECT = Path(__file__).resolve().parent.parent
PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=10.4)
PNG = b"\x89PNG\r\n\x1a\n invented"


def fill(register):
    """One of everything; returns the number of the run."""
    criteria, analysis = load_criteria(), example_analysis()
    analysis |= {"verdict": decide(analysis, criteria)}
    run_id = register.add_run(pack=PACK, sources=[("log.csv", b"raw log")], analysis=analysis, criteria=criteria)
    seq, head = register.chain_head()
    content = json.dumps({"record": {"register": {"entries": seq, "head": head}}, "seal": {}}).encode()
    register.add_record(run_id, 1, "2026-0001-1", "<p>as issued</p>", b"%PDF as issued", json=content)
    job = register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
    register.jobs.keep_sheet(job, '[pack]\nid = "EB-0412"\n', {"pack": {"id": "EB-0412"}}, who="A. Bell")
    register.jobs.write_all(job, [("decision", "group 3 is weak", {"option": "repair_group"}), ("closed", "", None)], who="A. Bell")
    register.columns_memory.remember("0" * 64, "t;U;I", ColumnsFile(decimal=","), run_id)
    register.cards.add_all("EB-0412", [("danger", "group 3 swollen"), ("part", "fuse 30 A")], [("a.png", PNG, "case")], who="A. Bell")
    register.cards.supersede("EB-0412", 1, None, who="B. Reed", why="cells renewed")
    register.withdraw(run_id, who="A. Bell", why="wrong pack")
    register.reinstate(run_id, who="A. Bell", why="right pack")
    register.add_run(pack=PACK, sources=[("log.csv", b"raw log"), ("2.csv", b"two")], analysis=analysis, criteria=criteria, label="after")
    return run_id


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    file = tmp_path_factory.mktemp("chain") / "r.sqlite"
    with Register.open(file) as register:
        fill(register)
    return file


@pytest.fixture
def file(tmp_path, filled):
    return places.copied(filled, tmp_path / "r.sqlite")


def rows_of(connection):
    return {name: connection.execute(text(f"select count(*) from {name}")).scalar() for name in CHAINED}


# --- digests, by hand --------------------------------------------------------------------------------------------


def test_bytes_stand_in_a_row_as_their_sha256():
    # Source: NIST, examples with intermediate values for FIPS 180-4, SHA-256 of "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hashlib.sha256(b"abc").hexdigest() == abc
    by_hand = f'{{"content":{{"bytes":3,"sha256":"{abc}"}},"id":1}}'
    assert chain.row_sha256({"id": 1, "content": b"abc"}) == hashlib.sha256(by_hand.encode()).hexdigest()


def test_value_is_digested_in_the_form_of_rfc_8785():
    # Source: RFC 8785, sections 3.2.2.3 (numbers as ECMAScript writes them), 3.2.3 (order of keys by UTF-16 units), 3.2.2.2.
    by_hand = '{"1":1e+30,"a":4.5,"ä":"€$","\U0001f600":0.002,"\ufb33":null}'
    value = {"\ufb33": None, "\U0001f600": 2e-3, "ä": "€$", "a": 4.50, "1": 1e30}
    assert chain.sha256_of(value) == hashlib.sha256(by_hand.encode()).hexdigest()


def test_entries_are_those_worked_out_by_hand(tmp_path):
    with Register.open(tmp_path / "r.sqlite") as register:
        register.add_card_entry("EB-0412", "note", "scratched", who="A. Bell", new=True)
        with register._database.read() as connection:
            first, second = connection.execute(text("select * from chain order by seq")).all()
            added_at = connection.execute(text("select added_at from packs")).scalar()
        assert register.chain_head() == (2, second.sha256)
    row = f'{{"added_at":"{added_at}","id":"EB-0412"}}'
    assert first.row_sha256 == hashlib.sha256(row.encode()).hexdigest()
    entry = (
        f'{{"at":"{first.at}","key":"[\\"EB-0412\\"]","previous":"{"0" * 64}","row_sha256":"{first.row_sha256}","seq":1,"table":"packs"}}'
    )
    assert first.sha256 == hashlib.sha256(entry.encode()).hexdigest()
    assert (second.table_name, second.row_key, second.previous) == ("card_entries", "[1]", first.sha256)


# --- nothing without an entry ------------------------------------------------------------------------------------


def test_every_row_of_every_act_has_its_entry(file):
    with Register.open(file) as register, register._database.read() as connection:
        counts = rows_of(connection)
        assert all(counts.values()), "fill() leaves a table empty"
        assert register.chain_head()[0] == sum(counts.values())
        assert connection.execute(text("select count(*) from chain")).scalar() == sum(counts.values())
    report = custody.check(file)
    assert report.good and report.counts == counts and report.entries == sum(counts.values())
    assert set(KEPT_FOREVER) == {*CHAINED, "chain"}


def test_row_written_beside_the_chain_is_not_kept(file):
    with Register.open(file) as register:
        with pytest.raises(RuntimeError, match="beside the chain"), register._database.write() as connection:
            connection.execute(SCHEMA.tables["packs"].insert().values(id="CB-0207", added_at="2026-01-01T00:00:00Z"))
        assert [item.id for item in register.packs()] == ["EB-0412"]


def test_no_module_writes_rows_but_through_the_chain():
    for path in (PROJECT / "cycler").rglob("*.py"):
        if path.name not in ("chain.py", "database.py") and "sqlalchemy" in path.read_text(encoding="utf-8"):
            found = re.findall(r"\.insert\(\)|(?<!\.)\binsert\((?!_drafts\))", path.read_text(encoding="utf-8"))
            assert not found, path.name  # drafts of bench sheets are forms that come and go, and stand outside the chain


@pytest.mark.files("attached to one another")
def test_migration_chains_rows_of_older_registers(tmp_path, filled):
    (tmp_path / "new.sqlite").write_bytes(filled.read_bytes())
    old = tmp_path / "old.sqlite"
    Database(old, migrations=MIGRATIONS[:2]).close()
    older = [name for name in CHAINED if name not in ("attachments", "card_entries", "corrections", "jobs", "bench_sheets", "job_entries")]
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("attach ? as new", (str(tmp_path / "new.sqlite"),))
        for name in older:
            connection.execute(f"insert into main.{name} select * from new.{name}" + (" where kind <> 'json'" if name == "record_files" else ""))
    before = custody.check(old)
    assert before.good and not before.chained and before.version == 2
    with Register.open(old) as register, register._database.read() as connection:
        assert register.chain_head()[0] == sum(rows_of(connection).values()) > len(older)
        assert register.raw_sources(2) == [("log.csv", b"raw log"), ("2.csv", b"two")]
    assert custody.check(old).good and custody.check_file(tmp_path / f"old.sqlite.before-version-{MIGRATIONS[-1].version}").version == 2


@pytest.mark.files("a copy is kept beside it")
def test_copy_before_a_migration_that_cannot_be_written_leaves_nothing_and_the_register_as_it_was(tmp_path, monkeypatch):
    old = tmp_path / "old.sqlite"
    Database(old, migrations=MIGRATIONS[:2]).close()
    old.chmod(0o600)

    def full(*_names):
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr("cycler.database.os.replace", full)
        with pytest.raises(InputError, match="the disk is full"):
            Register.open(old)
    assert [path.name for path in tmp_path.iterdir()] == ["old.sqlite"] and custody.check(old).version == 2
    Register.open(old).close()
    assert (tmp_path / f"old.sqlite.before-version-{MIGRATIONS[-1].version}").stat().st_mode & 0o777 == 0o600  # as closed to others as the register


# --- edits past the program --------------------------------------------------------------------------------------


def past_the_program(file, act):
    """Change a register as somebody with a database tool would: the guards dropped, and put back afterwards."""
    if places.on_server():
        if callable(act):
            pytest.skip("about files: done with SQLite's own tools")
        places.edit(file, *([act] if isinstance(act, str) else act))
        return
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.row_factory = sqlite3.Row
        guards = connection.execute("select name, sql from sqlite_master where type = 'trigger'").fetchall()
        for name, _sql in guards:
            connection.execute(f"drop trigger {name}")
        for statement in [act] if isinstance(act, str) else act if isinstance(act, list) else []:
            connection.execute(statement)
        if callable(act):
            act(connection)
        for _name, sql in guards:
            connection.execute(sql)


def chain_again(connection, since=1):
    """Work out all entries from ``since`` on anew, as the program would have."""
    last = connection.execute("select sha256 from chain where seq = ?", (since - 1,)).fetchone()
    previous = last["sha256"] if last else chain.START
    for entry in connection.execute("select * from chain where seq >= ? order by seq", (since,)).fetchall():
        table = SCHEMA.tables[entry["table_name"]]
        where = " and ".join(f"{column.name} = ?" for column in table.primary_key.columns)
        row = connection.execute(f"select * from {table.name} where {where}", json.loads(entry["row_key"])).fetchone()
        values = {
            name: bool(row[name]) if "BOOL" in str(table.c[name].type) and row[name] is not None else row[name] for name in row.keys()  # noqa: SIM118
        }
        digest = chain.row_sha256(values)
        own = chain.entry_sha256(entry["seq"], entry["at"], table.name, entry["row_key"], digest, previous)
        connection.execute("update chain set row_sha256 = ?, previous = ?, sha256 = ? where seq = ?", (digest, previous, own, entry["seq"]))
        previous = own


def new_log(connection):
    """Another log in the place of the first, with everything about it right but the chain."""
    sha256 = hashlib.sha256(b"kinder log").hexdigest()
    connection.execute("pragma foreign_keys = off")
    old = connection.execute("select sha256 from logs order by rowid limit 1").fetchone()[0]
    connection.execute("update logs set sha256 = ?, bytes = 10, raw_zlib = ? where sha256 = ?", (sha256, zlib.compress(b"kinder log"), old))
    connection.execute("update run_logs set sha256 = ? where sha256 = ?", (sha256, old))


def mend_one_entry(connection):
    """The row and its own entry, digest and all, but not the entries after it."""
    connection.execute("update verdicts set result = 'fail' where id = 1")
    (seq,) = connection.execute("select seq from chain where table_name = 'verdicts' and row_key = '[1]'").fetchone()
    kept = connection.execute("select * from chain where seq > ? order by seq", (seq,)).fetchall()
    chain_again(connection, seq)
    for entry in kept:
        connection.execute("update chain set previous = ?, sha256 = ? where seq = ?", (entry["previous"], entry["sha256"], entry["seq"]))


def squeeze_in(connection):
    """An entry between two others, for a row of its own; all later ones are numbered anew, their digests stay."""
    connection.execute("insert into packs values ('CB-0207', '2026-01-01T00:00:00Z')")
    connection.execute("update chain set seq = -seq where seq > 4")
    connection.execute("update chain set seq = 1 - seq where seq < 0")
    previous = connection.execute("select sha256 from chain where seq = 4").fetchone()[0]
    row = chain.row_sha256({"id": "CB-0207", "added_at": "2026-01-01T00:00:00Z"})
    at, key = "2026-01-01T00:00:00Z", '["CB-0207"]'
    own = chain.entry_sha256(5, at, "packs", key, row, previous)
    connection.execute("insert into chain values (5, ?, 'packs', ?, ?, ?, ?)", (at, key, row, previous, own))


SWAP = ["update chain set seq = -1 where seq = 4", "update chain set seq = 4 where seq = 5", "update chain set seq = 5 where seq = -1"]
TAMPERED = {
    "label of a run": ("update runs set label = 'before repair' where id = 2", "row [2] of runs was altered"),
    "figures of an analysis": ("update analyses set json = replace(json, '9.36', '9.99') where id = 1", "row [1] of analyses was altered"),
    "figure of a list": ("update analyses set capacity_ah = capacity_ah + 1e-12 where id = 1", "row [1] of analyses was altered"),
    "result of a verdict": ("update verdicts set result = 'pass!' where id = 1", "row [1] of verdicts was altered"),
    "criteria of a verdict": ("update verdicts set criteria_text = criteria_text || ' ' where id = 1", "row [1] of verdicts was altered"),
    "time of a run": ("update runs set added_at = '2025-01-01T00:00:00Z' where id = 1", "row [1] of runs was altered"),
    "bytes of a log": ("update logs set raw_zlib = x'789c03000000000001' where bytes = 7", "does not agree with its digest"),
    "another log, all digests right": (new_log, "of logs is missing"),
    "file name of a log": ("update run_logs set file = 'other.csv' where run_id = 2 and position = 1", "row [2,1] of run_logs was altered"),
    "bytes of a record": ("update record_files set bytes = x'00' where kind = 'pdf'", 'the file of a record [1,"pdf"] of record_files does not agree'),
    "bytes and digest of a record": (
        f"update record_files set bytes = x'00', sha256 = '{hashlib.sha256(bytes(1)).hexdigest()}' where kind = 'pdf'",
        'row [1,"pdf"] of record_files was altered',
    ),
    "serial of a record": ("update records set serial = '2026-0001-9'", "row [1] of records was altered"),
    "a photo": ("update attachments set content = x'89504e470d0a1a0a'", "the photo"),
    "a danger on a card": ("update card_entries set text = 'group 3 fine' where id = 1", "row [1] of card_entries was altered"),
    "reason of a correction": ("update corrections set why = 'none' where id = 1", "row [1] of corrections was altered"),
    "a columns file": ("update columns_files set forgotten = not forgotten", "row [1] of columns_files was altered"),
    "a bench sheet": ("update bench_sheets set toml = toml || '# 3.65 V'", "the bench sheet [1] of bench_sheets does not agree with its digest"),
    "what a bench sheet was found to say": ("update bench_sheets set evaluation = '{}'", "row [1] of bench_sheets was altered"),
    "a decision": ("update job_entries set data = '{\"option\":\"scrap\"}' where id = 1", "row [1] of job_entries was altered"),
    "complaint of a job": ("update jobs set words = 'none'", "row [1] of jobs was altered"),
    "a closing deleted": ("delete from job_entries where kind = 'closed'", "its row [2] of job_entries is missing"),
    "a row deleted": ("delete from verdicts where id = 2", "its row [2] of verdicts is missing"),
    "a row inserted": ("insert into packs values ('CB-0207', '2026-01-01T00:00:00Z')", 'row ["CB-0207"] of packs was inserted'),
    "an entry altered": ("update chain set at = '2025-01-01T00:00:00Z' where seq = 5", "entry 5 of the chain was altered"),
    "row and digest in its entry altered": (
        ["update packs set added_at = '2025-01-01T00:00:00Z'",
         f"update chain set row_sha256 = '{chain.row_sha256({'id': 'EB-0412', 'added_at': '2025-01-01T00:00:00Z'})}' where seq = 1"],
        'entry 1 of the chain was altered (row ["EB-0412"] of packs)',
    ),
    "row and whole entry altered": (mend_one_entry, "was altered or inserted: entry"),
    "an entry deleted": ("delete from chain where seq = 4", "entry 4 is missing from the chain"),
    "first entries deleted": ("delete from chain where seq < 4", "entries 1 to 3 are missing from the chain"),
    "two entries swapped": (SWAP, "entry 4 of the chain was reordered: it was written as entry 5"),
    "an entry squeezed in": (squeeze_in, "entry 6 of the chain was reordered: it was written as entry 5"),
    "an entry before the first": (
        f"insert into chain values (0, '2026-01-01T00:00:00Z', 'packs', '[\"x\"]', '{'0' * 64}', '{'0' * 64}', '{'1' * 64}')",
        "entry 0 was inserted into the chain",
    ),
    "a reference to nothing": (["pragma foreign_keys = off", "update runs set pack_id = 'CB-0207' where id = 2"], "refers to a row of packs"),
}


@pytest.mark.parametrize("case", TAMPERED)
def test_edit_past_the_program_is_found_and_named(file, case):
    act, words = TAMPERED[case]
    past_the_program(file, act)
    report = custody.check(file)
    assert not report.good and any(words in item.text for item in report.problems), [item.text for item in report.problems]
    assert report.problems[0].seq is not None or report.problems[0].table is not None


def test_first_edited_entry_is_named_first(file):
    past_the_program(file, ["update chain set at = 'x' where seq in (3, 7)"])
    assert [item.seq for item in custody.check(file).problems][:2] == [3, 7]


@pytest.mark.files("the words are SQLite's")
def test_guard_taken_away_is_found(file):
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("drop trigger verdicts_no_update")
    assert [item.text for item in custody.check(file).problems] == ["the guard against update of verdicts was taken away"]


@pytest.mark.files("the words are SQLite's")
@pytest.mark.parametrize("acts, words", [
    (
        ["drop trigger runs_no_update", "create trigger runs_no_update before update on runs begin select 1; end"],
        "the guard against update of runs was altered",
    ),
    (["create trigger runs_note after insert on runs begin update runs set label = 'x' where id = new.id; end"], '"runs_note" is no part of a register'),
    (["create view labels as select label from runs"], '"labels" is no part of a register'),
])
def test_guard_of_another_content_and_what_somebody_else_put_in_are_found(file, acts, words):
    with closing(sqlite3.connect(file)) as connection:
        for act in acts:
            connection.execute(act)
    (problem,) = custody.check(file).problems
    assert problem.text.startswith(words)


@pytest.mark.files("the words are SQLite's")
def test_version_set_back_is_found_and_told_as_damage(file):
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("delete from register_versions where version >= 3")
    (problem,) = custody.check(file).problems
    assert problem.text.startswith("version 2 is noted, but there is a chain")
    with pytest.raises(InputError, match="newer than the version noted"):
        Register.open(file)


@pytest.mark.files("the words are SQLite's")
def test_version_set_back_before_jobs_is_found_and_told_as_damage(file):
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("delete from register_versions where version = 4")
    (problem,) = custody.check(file).problems
    assert problem.text.startswith("version 3 is noted, but there is a table of jobs")
    with pytest.raises(InputError, match="newer than the version noted"):
        Register.open(file)


@pytest.mark.files("the words are SQLite's")
def test_chain_taken_away_to_have_it_made_anew_is_found(file):
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        for table in ("chain", "sheet_drafts", "job_entries", "bench_sheets", "jobs", "card_entries", "attachments", "corrections"):
            connection.execute(f"drop table {table}")
        connection.execute("delete from register_versions where version >= 3")
    assert [item.text for item in custody.check(file).problems] == ["the chain was taken away: there are records that were issued with it"]


def test_record_nested_beyond_all_depth_is_one_of_the_problems(file):
    past_the_program(file, lambda connection: connection.execute("update record_files set bytes = ? where kind = 'json'", (b'{"record":' * 100_000,)))
    assert any("the file of a record" in item.text for item in custody.check(file).problems)


def test_chain_worked_out_anew_shows_by_a_head_from_elsewhere(file):
    with Register.open(file) as register:
        head = register.chain_head()
    assert custody.check(file, head).head_found is True

    def rewrite(connection):
        connection.execute("update verdicts set result = 'pass!' where id = 1")
        connection.execute("update record_files set bytes = x'00', sha256 = ? where kind = 'json'", (hashlib.sha256(bytes(1)).hexdigest(),))
        chain_again(connection)

    past_the_program(file, rewrite)
    assert custody.check(file).good  # as custody.check says of itself, this it cannot see
    report = custody.check(file, head)
    assert report.head_found is False and "worked out anew" in report.problems[0].text


def test_chain_worked_out_anew_shows_by_the_records_in_the_register(file):
    def rewrite(connection):
        connection.execute("update runs set label = 'x' where id = 1")
        chain_again(connection)

    past_the_program(file, rewrite)
    (problem,) = custody.check(file).problems
    assert "record 2026-0001-1 was issued at entry" in problem.text


def test_record_whose_files_were_cut_off_is_named(file):
    def cut(connection):
        connection.execute("delete from record_files")
        connection.execute("delete from chain where table_name = 'record_files'")
        chain_again(connection)

    past_the_program(file, cut)
    (problem,) = [problem for problem in custody.check(file).problems if problem.table == "records"]
    assert problem.key == "1" and problem.text.startswith("record 2026-0001-1 has no html and no pdf file")


def test_end_cut_off_shows_by_a_head_from_elsewhere(file):
    with Register.open(file) as register:
        head = register.chain_head()
    past_the_program(file, [
        "pragma foreign_keys = off", "delete from corrections", "delete from chain where table_name = 'corrections'",
    ])
    assert "entries" in custody.check(file).problems[0].text  # cut out of the middle it is seen

    def cut(connection):
        connection.execute("pragma foreign_keys = off")
        for table, key in (("verdicts", "id"), ("analyses", "id"), ("run_logs", "run_id"), ("runs", "id")):
            connection.execute(f"delete from {table} where {key} = 2")
        connection.execute("delete from logs where bytes = 3")
        connection.execute("delete from chain where seq > (select seq from chain where table_name = 'card_entries' order by seq desc limit 1)")

    past_the_program(file, cut)
    assert custody.check(file).good
    report = custody.check(file, head)
    assert report.head_found is False and "cut off" in report.problems[0].text


@pytest.mark.files("its pages are damaged")
def test_damaged_page_is_told_and_the_rest_is_checked(file):
    with Register.open(file) as register:
        register._database.engine.dispose()
    raw = bytearray(file.read_bytes())
    at = raw.index(b"%PDF as issued")
    raw[at - 30:at + 40] = b"\xff" * 70
    file.write_bytes(raw)
    report = custody.check(file)
    assert not report.good and report.counts["packs"] == 1


# --- the command -------------------------------------------------------------------------------------------------


def test_check_command_says_what_it_looked_at_and_what_it_cannot_show(capfd, file):
    code, out, err = call(capfd, "--register", file, "check")
    words = " ".join(out.split())
    assert (code, err) == (0, "") and "In order" in words and "1 pack, 2 runs, 2 log files, 1 record, 1 photo" in words
    assert "worked out the whole chain anew" in words
    report = parsed(call(capfd, "--register", file, "check", "--json")[1])
    code, out, _err = call(capfd, "--register", file, "check", "--head", f"{report['entries']}:{report['head'].upper()}")
    assert code == 0 and "is still in the chain" in " ".join(out.split())


def test_check_command_exits_3_and_names_what_was_changed(capfd, file):
    past_the_program(file, "update verdicts set result = 'pass!' where id = 1")
    before = places.content(file)
    code, out, err = call(capfd, "--register", file, "check")
    assert (code, err) == (3, "") and "Row [1] of verdicts was altered" in " ".join(out.split()) and "cycler restore FILE" in " ".join(out.split())
    code, out, _err = call(capfd, "--register", file, "check", "--json")
    result = parsed(out)
    assert code == 3 and result["good"] is False and result["problems"][0]["table"] == "verdicts"
    assert places.content(file) == before


def test_check_is_also_found_under_register(capfd, file):
    told = [call(capfd, "--register", file, *words, "--json")[:2] for words in (["check"], ["register", "check"])]
    assert [(code, parsed(out)["good"], parsed(out)["head"]) for code, out in told] == [(0, True, custody.check(file).head)] * 2
    for words in (["register"], ["register", "drop"]):
        code, _out, err = call(capfd, *words)
        assert code == 2 and err.count("\n") == 1 and "check, backup and restore" in err


@pytest.mark.parametrize("given", ["", "3", "3:aa", "x:" + "0" * 64, "3:" + "g" * 64])
def test_check_head_that_is_none_is_refused(capfd, file, given):
    code, out, err = call(capfd, "--register", file, "check", "--head", given)
    assert (code, out, err.count("\n")) == (2, "", 1) and "no head of a chain" in err


def test_check_of_an_older_register_leaves_it_as_it_is(capfd, tmp_path):
    file = tmp_path / "old.sqlite"
    Database(file, migrations=MIGRATIONS[:2]).close()
    before = places.content(file)
    code, out, _err = call(capfd, "--register", file, "check")
    assert code == 0 and "none yet" in out and places.content(file) == before
    with pytest.raises(InputError, match="no chain yet"):
        custody.check(file, (1, "0" * 64))
