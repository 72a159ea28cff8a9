"""Lists of packs and runs: what the database finds, filters and sorts against the same worked out in Python, row by row."""

from __future__ import annotations

import contextlib
import copy
import sqlite3
from types import SimpleNamespace

import pytest
from sqlalchemy import event
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import SQLAlchemyError

from cycler import register_list
from cycler.criteria import load_criteria
from cycler.pack import Pack
from cycler.register import Register
from cycler.register_list import FILTERS, PACK_SORTS, RUN_SORTS, ListQuery
from tests.analysis_example import example_analysis

HOSTILE = "O'Neil \"blue\" <b>/%_\\ ü 🔋 " + "x" * 160
CRITERIA = load_criteria()
# Invented: pack, label, date of the log, capacity / Ah, limiting group, result (None: not judged), findings, capacity valid.
RUNS = (
    ("EB-0412", "before repair", "2026-03-01T08:00:00", 6.8, 4, "fail", ("defect", "defect"), True),
    ("EB-0412", "after repair", "2026-03-05T08:00:00", 9.6, 8, "pass", (), True),
    ("EB-0415", "sister", None, 9.7, 3, "pass", ("caution",), True),
    ("CB-0207", "Nach der Prüfung", "2026-04-02T07:55:17+00:00", 15.7, None, "not_proven", ("caution",), True),
    ("SC-0131", "stopped early", "2025-12-24T10:00:00", None, None, None, (), None),
    ("SC-0140", "", None, 13.6, 3, "fail", ("danger", "caution"), False),
    (HOSTILE, "100 % full", "2026-01-01T00:00:00", 9.1, 1, "pass", (), True),
    ("eb-0100", "small letters", "2026-02-01T12:00:00", 9.9, 2, None, ("caution",), False),
    ("EB-0415", "old log, added late", "2024-05-05T05:05:05", 10.3, 5, "fail", (), True),
    ("CB-0222", "withdrawn alone", "2026-05-01T09:00:00", 16.0, 7, "pass", (), True),
    ("EB-0405", "first", "2026-06-08T09:00:00", 8.0, 5, "not_proven", (), False),
    ("EB-0405", "second", "2026-06-09T09:00:00", 9.0, 6, "pass", (), True),
    ("EB-0405", "third, withdrawn", "2026-06-10T09:00:00", 9.5, 6, "fail", ("danger",), True),
)
BUILDS = {"CB": ("nmc", 13, 5, 17.0), "SC": ("lfp", 8, 1, 20.0), "EB": ("nmc", 10, 4, 10.4)}


def put(register, pack_id, label, started_at, capacity_ah, group, result, findings, valid):
    """Add one invented run."""
    chemistry, series, parallel, rated = BUILDS.get(pack_id[:2], (None, None, None, None))
    pack = Pack(id=pack_id, chemistry=chemistry, series=series, parallel=parallel, rated_capacity_ah=rated)
    health = capacity_ah / rated if capacity_ah and rated else None
    analysis = example_analysis({
        "log.started_at": started_at, "limiting_group": group, "capacity.value_ah": capacity_ah, "capacity.valid": valid,
        "capacity.u_value_ah": 0.01 if capacity_ah else None, "capacity.state_of_health": health,
        "capacity.u_state_of_health": 0.002 if health else None,
        "findings": [{"code": "weak_group", "severity": severity, "group": 1, "message": "Invented."} for severity in findings],
    })
    if result:
        analysis["verdict"] = {"result": result}
    raw = f"{pack_id} {label}".encode()
    return register.add_run(
        pack=pack, sources=[("log.csv", raw)], analysis=analysis, label=label, criteria=CRITERIA if result else None,
    )


@pytest.fixture(scope="module")
def register(tmp_path_factory):
    """A register of thirteen invented runs, with cards, corrections and withdrawals; only read."""
    with Register.open(tmp_path_factory.mktemp("list") / "register.sqlite") as opened:
        for row in RUNS:
            put(opened, *row)
        for run_id in (10, 13):
            opened.withdraw(run_id, who="A. Bench", why="wrong leads")
        opened.withdraw(1, who="A. Bench", why="wrong leads")
        opened.reinstate(1, who="A. Bench", why="they were right")
        opened.correct_label(3, "Relabelled Ä", who="A. Bench", why="mistaken")
        opened.add_card_entry("EB-0412", "danger", "One corner is swollen", who="A. Bench")
        closed = opened.add_card_entry("EB-0415", "danger", "Wet", who="A. Bench")
        opened.cards.supersede("EB-0415", closed, None, who="A. Bench", why="dry, opened and looked at")
        first = opened.add_card_entry("SC-0140", "danger", "Warm", who="A. Bench")
        opened.cards.supersede("SC-0140", first, "Warm and smells", who="B. Bench", why="seen again")
        opened.add_card_entry("EB-0999", "fault", "Dead", who="A. Bench", new=True)
        opened.add_card_entry("EB-0999", "number", "W-17", who="A. Bench")
        opened.add_card_entry("EB-0999", "number", "W-18", who="A. Bench")
        opened.add_card_entry("EB-0998", "danger", "Dented", who="A. Bench", new=True)
        opened.add_card_entry("EB-0412", "customer", "Order 77310", who="A. Bench")
        yield opened


# --- the same in Python: every row is read, as the lists must not -------------------------------------------------


@pytest.fixture(scope="module")
def known(register):
    """Every row, read once: packs, runs, packs with an open danger, last test of each pack by date of those that count."""
    runs, newest = register.runs(), {}
    for row in runs:
        if not row.withdrawn:
            newest[row.pack_id] = max(newest.get(row.pack_id, row), row, key=lambda item: (item.started_at or item.added_at, item.id))
    return SimpleNamespace(packs=register.packs(), runs=runs, dangers=set(register.cards.all_open_dangers()), newest=newest)


def lower(words):
    """Small letters of ASCII only, as the database sorts."""
    return "".join(c.lower() if c.isascii() else c for c in words)


def gravity(known, row, pack_id):
    if pack_id in known.dangers:
        return 0
    if row is None:
        return None
    for rank, severity in ((1, "danger"), (2, "defect"), (3, "caution")):
        if row.findings[severity]:
            return rank
    return 4 if row.capacity_ah is None or row.capacity_valid is False else 5


def key_of(known, name, row, pack_id, added):
    """What a row is sorted by, None where it has no such figure; ``row`` is its run."""
    if name in ("state", "pack", "added"):
        return {"state": gravity(known, row, pack_id), "pack": lower(pack_id), "added": added}[name]
    if row is None:
        return None
    chemistry, series, parallel, rated = BUILDS.get(pack_id[:2], (None, None, None, None))
    return {
        "id": row.id, "label": lower(row.label) or None, "capacity": row.capacity_ah, "health": row.state_of_health,
        "group": row.limiting_group, "date": row.started_at or row.added_at, "verdict": {"fail": 0, "not_proven": 1, None: 2, "pass": 3}[row.verdict],
        "build": (series, parallel, rated, chemistry) if series else None,
    }[name]


def expected_order(known, name, rows):
    """Keys of rows (key, run, pack, added) in the order asked: those without a figure last, of equals what was added last first."""
    keyed = [(key_of(known, name.lstrip("-"), row, pack_id, added), row.id if row else 0, key) for key, row, pack_id, added in rows]
    keyed.sort(key=lambda item: (-item[1], item[2]))
    with_figure = sorted((item for item in keyed if item[0] is not None), key=lambda item: item[0], reverse=name.startswith("-"))
    return [item[2] for item in with_figure + [item for item in keyed if item[0] is None]]


def wanted(known, verdict, row, pack_id):
    result, danger = row.verdict if row else None, pack_id in known.dangers
    return {
        "all": True, "none": result is None, "danger": danger, "attention": result in (None, "not_proven") or danger,
    }.get(verdict, result == verdict)


def pack_rows(known, verdict):
    added = {row.pack_id: row.added_at for row in known.runs}
    rows = [(row.id, known.newest.get(row.id), row.id, added.get(row.id, row.added_at)) for row in known.packs]
    return [item for item in rows if wanted(known, verdict, item[1], item[2])]


def run_rows(known, verdict):
    return [
        (row.id, row, row.pack_id, None) for row in known.runs
        if wanted(known, verdict, row, row.pack_id) and (verdict == "all" or not row.withdrawn)
    ]


SIGNS = ("", "-")


@pytest.mark.parametrize("sort", [sign + name for name in PACK_SORTS for sign in SIGNS])
def test_list_of_packs_is_that_of_every_row_read(register, known, sort):
    for verdict in FILTERS:
        page = register.list_packs(ListQuery(sort=sort, verdict=verdict))
        assert [line.id for line in page.lines] == expected_order(known, sort, pack_rows(known, verdict)), verdict
        assert (page.matching, page.every) == (len(page.lines), 11)


@pytest.mark.parametrize("sort", [sign + name for name in RUN_SORTS for sign in SIGNS])
def test_list_of_runs_is_that_of_every_row_read(register, known, sort):
    for verdict in FILTERS:
        page = register.list_runs(ListQuery(sort=sort, verdict=verdict))
        assert [line.run.id for line in page.lines] == expected_order(known, sort, run_rows(known, verdict)), verdict
        assert (page.matching, page.every) == (len(page.lines), 13)


@pytest.mark.parametrize("verdict", FILTERS)
def test_each_filter_finds_something_and_leaves_something_out(register, verdict):
    """Otherwise the tests above could pass on empty lists."""
    found = register.list_packs(ListQuery(verdict=verdict)).matching
    assert found and (found < 11 or verdict == "all")


# --- what a line says ---------------------------------------------------------------------------------------------


def test_lines_of_runs_are_those_of_the_register_with_health_and_dangers(register):
    lines = register.list_runs(ListQuery(sort="id")).lines
    assert [line.run for line in lines] == register.runs()
    by_number = {line.run.id: line for line in lines}
    assert by_number[1].u_state_of_health == 0.002 and by_number[5].u_state_of_health is None
    assert [by_number[number].open_dangers for number in (1, 2, 3, 6)] == [1, 1, 0, 1]
    assert by_number[10].run.withdrawn and not by_number[1].run.withdrawn


def test_line_of_a_pack_holds_ratings_card_and_last_test(register):
    lines = {line.id: line for line in register.list_packs(ListQuery()).lines}
    line = lines["EB-0412"]
    assert (line.chemistry, line.series, line.parallel, line.rated_capacity_ah, line.runs) == ("nmc", 10, 4, 10.4, 2)
    assert line.newest.run.id == 2 and line.open_dangers == 1 and line.added_later is None
    # Added last, but its log is two years old: run 3 is the last test, and the line says that run 9 came in later.
    assert lines["EB-0415"].newest.run.id == 3 and lines["EB-0415"].added_later == 9
    assert lines["EB-0405"].newest.run.id == 12 and (lines["EB-0405"].runs, lines["EB-0405"].withdrawn) == (3, 1)
    assert lines["CB-0222"].newest is None and (lines["CB-0222"].runs, lines["CB-0222"].withdrawn) == (1, 1)
    card = lines["EB-0999"]
    assert (card.newest, card.runs, card.workshop_number, card.open_dangers, card.series) == (None, 0, "W-18", 0, None)
    assert lines["EB-0998"].open_dangers == 1


def test_last_test_of_a_pack_is_the_last_point_of_its_history(tmp_path):
    """Second method: :mod:`cycler.history` puts the runs in order of time by itself."""
    from cycler.history import history

    with Register.open(tmp_path / "r.sqlite") as own:
        for label, date in (("a", "2026-03-05T08:00:00"), ("b", "2024-01-01T00:00:00"), ("c", "2026-03-05T07:00:00")):
            put(own, "EB-1", label, date, 9.0, 1, "pass", (), True)
        assert own.list_packs(ListQuery()).lines[0].newest.run.id == history(own, "EB-1")["runs"][-1]["run"] == 1


def test_of_two_tests_of_one_instant_the_one_added_last_is_the_last(tmp_path):
    with Register.open(tmp_path / "register.sqlite") as register:
        for label in ("first", "second"):
            put(register, "EB-1", label, "2026-03-01T08:00:00", 9.0, 1, None, (), True)
        assert register.list_packs(ListQuery()).lines[0].newest.run.id == 2
        assert register.list_packs(ListQuery(words="9" * 5000)).lines == register.list_runs(ListQuery(words="9" * 5000)).lines == []


def test_verdict_on_an_analysis_that_was_corrected_since_holds_no_more(tmp_path):
    with Register.open(tmp_path / "r.sqlite") as own:
        run_id = put(own, "EB-1", "a", None, 9.0, 1, "pass", (), True)
        kept = own.run(run_id)
        assert own.list_packs(ListQuery(verdict="pass")).matching == own.list_runs(ListQuery(verdict="pass")).matching == 1
        changed = copy.deepcopy(kept.analysis)
        changed["capacity"]["value_ah"] = 8.0
        changed.pop("verdict", None)
        own.correct_analysis(run_id, changed, kept.pack, None, who="A. Bench", why="wrong pack file", instead_of=kept.analysis_id)
        assert own.list_packs(ListQuery(verdict="pass")).matching == own.list_runs(ListQuery(verdict="pass")).matching == 0
        line = own.list_packs(ListQuery(verdict="none")).lines[0]
        assert (line.newest.run.capacity_ah, line.newest.run.verdict, line.newest.run.corrections) == (8.0, None, 1)


def test_run_lines_keep_the_order_asked_and_leave_out_what_is_not_there(register):
    assert [line.run.id for line in register.run_lines([9, 10**12, 1, -4, 3])] == [9, 1, 3]
    assert register.run_lines([]) == []
    assert [line.run.id for line in register.run_lines_of(" EB-0405 ")] == [13, 12, 11]
    assert register.run_lines_of("no such pack") == []


def test_last_dangers_are_those_that_stand_the_newest_first(register):
    lines, packs = register.last_dangers(2)
    assert [(line.pack_id, line.message, line.who) for line in lines] == [
        ("EB-0998", "Dented", "A. Bench"), ("SC-0140", "Warm and smells", "B. Bench"),
    ]
    assert packs == 3 == len(register.cards.all_open_dangers())


# --- search -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "packs", "runs"),
    [
        ("0412", {"EB-0412"}, {1, 2}),
        ("eb-04 REPAIR", {"EB-0412"}, {1, 2}),
        ("after", {"EB-0412"}, {2}),
        ("PRÜFUNG", {"CB-0207"}, {4}),  # capitals outside ASCII
        ("relabelled ä", {"EB-0415"}, {3}),
        ("sister", set(), set()),  # the label it had before
        ("run 6", {"SC-0140"}, {6}),
        ("#6", {"SC-0140"}, {6}),
        ("12", {"EB-0412", "EB-0405"}, {1, 2, 12}),  # part of a pack's number, and the number of a run
        ("EB-0405 run 12", {"EB-0405"}, {12}),
        ("w-18", {"EB-0999"}, set()),
        ("W-17", set(), set()),  # the workshop number it had before
        ("withdrawn", {"CB-0222", "EB-0405"}, {10, 13}),
        ("%", {HOSTILE}, {7}),
        ("_", {HOSTILE}, {7}),
        ("\\", {HOSTILE}, {7}),
        ("O'Neil \"", {HOSTILE}, {7}),
        ("🔋", {HOSTILE}, {7}),
        ("77310", set(), set()),  # a customer reference is nobody's business
        ("Order", set(), set()),
        ("swollen", set(), set()),
        ("run 99999999999999999999", set(), set()),
        ("٣", set(), set()),  # a number of another script is a word
        ("'; drop table packs; --", set(), set()),
        ("   ", None, None),
    ],
)
def test_search_finds_number_label_and_run(register, words, packs, runs):
    every = {row.id for row in register.packs()}, {row.id for row in register.runs()}
    assert {line.id for line in register.list_packs(ListQuery(words)).lines} == (every[0] if packs is None else packs)
    assert {line.run.id for line in register.list_runs(ListQuery(words)).lines} == (every[1] if runs is None else runs)


def test_search_and_filter_hold_together(register):
    assert [line.run.id for line in register.list_runs(ListQuery("EB-0412", "fail")).lines] == [1]
    assert register.list_packs(ListQuery("EB-0412", "fail")).lines == []  # its last test passed


# --- pages --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sort", ["-capacity", "group", "verdict", "-added"])
def test_pages_put_together_are_the_whole_list(register, sort):
    whole = [line.id for line in register.list_packs(ListQuery(sort=sort)).lines]
    pages = [register.list_packs(ListQuery(sort=sort, page=number, rows=4)) for number in (1, 2, 3)]
    assert [line.id for page in pages for line in page.lines] == whole
    assert {(page.matching, page.every, page.pages) for page in pages} == {(11, 11, 3)}


def test_page_behind_the_last_is_the_last_and_an_empty_register_has_one(register, tmp_path):
    page = register.list_runs(ListQuery(rows=5, page=99))
    assert (page.page, page.pages, [line.run.id for line in page.lines]) == (3, 3, [3, 2, 1])
    assert register.list_runs(ListQuery(rows=5, page=-1)).page == 1
    with Register.open(tmp_path / "empty.sqlite") as empty:
        for page in (empty.list_packs(ListQuery()), empty.list_runs(ListQuery())):
            assert (page.lines, page.matching, page.every, page.page, page.pages) == ([], 0, 0, 1, 1)
        assert empty.last_dangers(3) == ([], 0)


@pytest.mark.parametrize("query", [ListQuery(sort="password"), ListQuery(verdict="x"), ListQuery(rows=0), ListQuery(sort="--id")])
def test_list_that_there_is_not_is_refused(register, query):
    for ask in (register.list_packs, register.list_runs):
        with pytest.raises(ValueError, match="no such list"):
            ask(query)


# --- the database does the work -----------------------------------------------------------------------------------


@pytest.fixture
def statements(register):
    """Statements and numbers of rows that came back, as the database was asked."""
    heard = []

    def hear(_connection, cursor, statement, parameters, _context, _many):
        if statement.startswith("SELECT"):
            heard.append((statement, parameters))

    event.listen(register._database.engine, "after_cursor_execute", hear)
    yield heard
    event.remove(register._database.engine, "after_cursor_execute", hear)


@pytest.mark.parametrize("sort", [None, "-capacity", "state", "verdict", "build"])
def test_list_reads_no_more_rows_than_it_shows(register, statements, sort):
    """Every statement is asked once more: what comes back is bounded by the page, not by the register."""
    query = ListQuery(sort=sort or "", rows=2)
    if sort == "build":
        register.list_packs(query)
    else:
        register.list_runs(query)
        register.list_packs(query)
    assert len(statements) < 25
    with register._database.read() as connection:
        for statement, parameters in list(statements):
            rows = connection.exec_driver_sql(statement, parameters).all()
            assert len(rows) <= 5, statement  # two packs of the page have at most five runs


def test_first_page_asks_for_no_figure_of_rows_that_it_does_not_show(register, statements):
    """The columns of figures lie behind the JSON of each analysis: only the page's own may be read, by the number of the run."""
    register.list_packs(ListQuery())
    register.list_runs(ListQuery())
    register.list_packs(ListQuery("repair", "attention"))
    asking = [statement for statement, _parameters in statements if "analyses.capacity_ah" in statement or "pack_json" in statement]
    assert asking and all("runs.id IN (" in statement for statement in asking)


@pytest.mark.files("the plan is SQLite's")
def test_lists_use_the_indexes(register, statements):
    """No table is read through for every row of another one."""
    for verdict in FILTERS:
        register.list_packs(ListQuery("repair", verdict, "capacity"))
        register.list_runs(ListQuery("repair", verdict, "verdict"))
    plans = []
    with sqlite3.connect(register.name) as raw:
        for statement, parameters in statements:
            plans += [(row[3], statement) for row in raw.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)]
    assert any("ix_analyses_run_id" in step for step, _statement in plans) and any("ix_verdicts_run_id" in step for step, _statement in plans)
    for step, statement in plans:
        assert not step.startswith(("SCAN analyses", "SCAN verdicts", "SCAN logs", "SCAN made", "SCAN said", "SCAN later")), (step, statement)


def test_lists_compile_for_a_server(register, monkeypatch):
    """The same questions in the words of PostgreSQL: nothing of SQLite stands in them."""
    asked = []

    def hear(_connection, statement, _many, _one, _options):
        asked.append(statement)

    monkeypatch.setattr(register_list, "_dialect", lambda _connection: "postgresql")
    event.listen(register._database.engine, "before_execute", hear)
    try:
        for name in PACK_SORTS:
            _asked_only(register.list_packs, ListQuery("repair", "attention", name))
        for name in RUN_SORTS:
            _asked_only(register.list_runs, ListQuery("12 ü", "danger", f"-{name}"))
    finally:
        event.remove(register._database.engine, "before_execute", hear)
    said = [str(statement.compile(dialect=postgresql.dialect())) for statement in asked]
    assert len(said) > 40 and any("CAST(analyses.pack_json AS JSON)" in words for words in said)
    assert not any("json_extract" in words for words in said)


def _asked_only(ask, query):
    """Ask in words that this database may not know: the question is what matters."""
    with contextlib.suppress(SQLAlchemyError):
        ask(query)
