"""Lists of packs and runs, searched, filtered, sorted and cut into pages by the database.

What a list is sorted or filtered by is worked out for every row, and nothing else; the figures that are shown are read for one page. An
analysis is kept with its columns of figures behind its JSON, which a database on one's own disk must pass over to reach them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import JSON, ColumnElement, Connection, Select, case, cast, func, or_, select

from cycler import corrections
from cycler.database import Database
from cycler.migrations import SCHEMA
from cycler.packcard import CLOSE
from cycler.register_rows import RunRow, as_key
from cycler.server import bytewise
from cycler.storage import clean_text, stored_json

Line = TypeVar("Line")

ANY, NONE, ATTENTION, DANGER = "all", "none", "attention", "danger"
FILTERS = (ANY, ATTENTION, DANGER, "pass", "fail", "not_proven", NONE)
"""By last verdict. ``danger``: an open danger on the pack's card; ``attention``: that, not judged or not proven."""

PACK_SORTS = ("added", "pack", "build", "state", "verdict", "capacity", "health", "group", "date")
RUN_SORTS = ("id", "pack", "label", "state", "verdict", "capacity", "health", "group", "date")

_packs = SCHEMA.tables["packs"]
_runs = SCHEMA.tables["runs"]
_analyses = SCHEMA.tables["analyses"]
_verdicts = SCHEMA.tables["verdicts"]
_corrections = SCHEMA.tables["corrections"]
_entries = SCHEMA.tables["card_entries"]


@dataclass(frozen=True, slots=True)
class ListQuery:
    """What is asked of a list.

    Parameters
    ----------
    words : str
        Each word must stand in the pack's number (its id, or the workshop number on its card) or in a label, or be the number of
        a run ("12", "#12", "run 12"). Capitals do not matter. A customer reference is never searched.
    verdict : str
        One of :data:`FILTERS`.
    sort : str
        One of :data:`PACK_SORTS` or :data:`RUN_SORTS`, with "-" in front from the last to the first. What has no such figure comes last.
    page, rows : int
        Page from 1, and rows on it. A page behind the last one is the last one.
    """

    words: str = ""
    verdict: str = ANY
    sort: str = ""
    page: int = 1
    rows: int = 50


@dataclass(frozen=True, slots=True)
class Page(Generic[Line]):
    """One page of a list: its lines, how many rows match on all pages, how many there are at all."""

    lines: Sequence[Line]
    matching: int
    every: int
    page: int
    pages: int


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run in a list. ``u_state_of_health`` is that of its newest analysis; ``open_dangers`` are those of the pack's card."""

    run: RunRow
    u_state_of_health: float | None = None
    open_dangers: int = 0


@dataclass(frozen=True, slots=True)
class PackLine:
    """One pack in a list.

    ``newest`` is the last test of those that count, by date as in the pack's history; the ratings are those of its analysis.
    ``added_later`` is a run that counts and was added after it with an earlier date: an old log, or an instrument whose clock is wrong.
    """

    id: str
    added_at: str
    workshop_number: str | None
    open_dangers: int
    runs: int
    withdrawn: int
    newest: RunLine | None
    added_later: int | None = None
    chemistry: str | None = None
    series: int | None = None
    parallel: int | None = None
    rated_capacity_ah: float | None = None


@dataclass(frozen=True, slots=True)
class DangerLine:
    """A danger that stands open on the card of a pack."""

    pack_id: str
    message: str
    who: str
    at: str


# --- the two lists -------------------------------------------------------------------------------------------------


def list_packs(database: Database, query: ListQuery) -> Page[PackLine]:
    """One page of packs, also those that have a card but no run yet. ValueError if sort or filter are none that there are."""
    sort = _checked(query, PACK_SORTS, "-added")
    counted = _counted()
    every = _packs.outerjoin(counted, counted.c.pack_id == _packs.c.id).outerjoin(_runs, _runs.c.id == counted.c.newest)
    wanted = [*_pack_conditions(query.words), *_verdict_conditions(query.verdict, _packs.c.id)]
    with database.read() as connection:
        keys = _pack_keys(sort.lstrip("-"), _dialect(connection))
        found = _page(connection, every, wanted, query, sort, keys, _packs.c.id)
        return Page(_pack_lines(connection, found.lines, database.name), found.matching, found.every, found.page, found.pages)


def list_runs(database: Database, query: ListQuery) -> Page[RunLine]:
    """One page of runs; those withdrawn as well, but under no verdict. ValueError if sort or filter are none that there are."""
    sort = _checked(query, RUN_SORTS, "-id")
    labelled = _labelled()
    every = _runs.outerjoin(labelled, labelled.c.run_id == _runs.c.id)
    label = func.coalesce(labelled.c.label, _runs.c.label)
    wanted = [*_run_conditions(query.words, label), *_verdict_conditions(query.verdict, _runs.c.pack_id)]
    if query.verdict != ANY:
        wanted.append(_runs.c.id.not_in(corrections.withdrawn_runs()))
    with database.read() as connection:
        found = _page(connection, every, wanted, query, sort, _run_keys(sort.lstrip("-"), label), _runs.c.id)
        return Page(_run_lines(connection, found.lines), found.matching, found.every, found.page, found.pages)


def lines_of_runs(database: Database, run_ids: Sequence[int]) -> list[RunLine]:
    """Lines of these runs, in this order; those that the register lacks are left out."""
    with database.read() as connection:
        return _run_lines(connection, [as_key(number) for number in run_ids])


def lines_of_pack(database: Database, pack_id: str) -> list[RunLine]:
    """Lines of a pack's runs, the one added last first; those withdrawn as well."""
    with database.read() as connection:
        known = select(_runs.c.id).where(_runs.c.pack_id == clean_text(pack_id).strip()).order_by(_runs.c.id.desc())
        return _run_lines(connection, connection.execute(known).scalars().all())


def open_dangers(database: Database, most: int) -> tuple[list[DangerLine], int]:
    """The dangers entered last of those that are open, at most so many, and the number of packs that have any."""
    standing = _standing("danger").subquery()
    query = select(_entries.c.pack_id, _entries.c.text, _entries.c.who, _entries.c.at).join(standing, standing.c.id == _entries.c.id)
    with database.read() as connection:
        packs = connection.execute(select(func.count(standing.c.pack_id.distinct()))).scalar() or 0
        lines = [DangerLine(*row) for row in connection.execute(query.order_by(_entries.c.id.desc()).limit(most))]
    return lines, packs


# --- which rows ----------------------------------------------------------------------------------------------------


def _checked(query: ListQuery, sorts: tuple[str, ...], usual: str) -> str:
    name = query.sort or usual
    if name.removeprefix("-") not in sorts or query.verdict not in FILTERS or query.rows < 1:
        raise ValueError(f"no such list: {query!r}")
    return name


def _page(
    connection: Connection, tables: Any, wanted: Sequence[ColumnElement[bool]], query: ListQuery, sort: str, keys: Sequence[Any], key: Any,
) -> Page[Any]:
    """Keys of the rows on one page, in order. What has nothing to sort by stands at the end either way."""
    judged = _with_verdict(tables) if query.verdict != ANY else tables
    every = connection.execute(select(func.count()).select_from(key.table)).scalar() or 0
    matching = connection.execute(select(func.count()).select_from(judged).where(*wanted)).scalar_one() if wanted else every
    pages = max(1, -(-matching // query.rows))
    page = min(max(1, query.page), pages)
    name, falling = sort.lstrip("-"), sort.startswith("-")
    if name == "verdict":
        judged = judged if query.verdict != ANY else _with_verdict(tables)
    elif name in _OF_ANALYSIS:
        judged = judged.outerjoin(_analyses, _analyses.c.id == _newest_analysis())
    order: list[Any] = []
    for item in keys:
        order += [item.is_(None), item.desc() if falling else item.asc()]
    last = bytewise(key) if key is _packs.c.id else key
    rows = (
        select(key).select_from(judged).where(*wanted).order_by(*order, _runs.c.id.desc().nulls_last(), last)
        .limit(query.rows).offset((page - 1) * query.rows)
    )
    return Page(connection.execute(rows).scalars().all(), matching, every, page, pages)


def _with_verdict(tables: Any) -> Any:
    return tables.outerjoin(_verdicts, _verdicts.c.id == _newest_verdict())


def _newest_verdict() -> Any:
    """Number of the newest verdict on the run's newest analysis: one on an analysis that was corrected since holds no more."""
    said = _verdicts.alias("said")
    return (
        select(func.max(said.c.id)).where(said.c.run_id == _runs.c.id, said.c.analysis_id == _newest_analysis())
        .correlate(_runs).scalar_subquery()
    )


def _newest_analysis() -> Any:
    """Number of the newest analysis of the run in the row."""
    made = _analyses.alias("made")
    return select(func.max(made.c.id)).where(made.c.run_id == _runs.c.id).correlate(_runs).scalar_subquery()


def _counted(pack_ids: Sequence[str] | None = None) -> Any:
    """For each pack that has runs that count: the number of the newest one, by the date of the test, as in the pack's history.

    Dates stand as ISO 8601 texts, so that their order is that of time but for the offset some logs state.
    """
    tested = bytewise(func.coalesce(_runs.c.started_at, _runs.c.added_at))
    place = func.row_number().over(partition_by=_runs.c.pack_id, order_by=(tested.desc(), _runs.c.id.desc()))
    ranked = select(_runs.c.pack_id, _runs.c.id, place.label("place")).where(_runs.c.id.not_in(corrections.withdrawn_runs()))
    if pack_ids is not None:
        ranked = ranked.where(_runs.c.pack_id.in_(pack_ids))
    every = ranked.subquery("ranked")
    return select(every.c.pack_id, every.c.id.label("newest")).where(every.c.place == 1).subquery("counted")


def _labelled() -> Any:
    """For each run that was given another label: that label."""
    last = corrections.newest_of_kinds(corrections.LABEL)
    return select(_corrections.c.run_id, _corrections.c.label).join(last, last.c.id == _corrections.c.id).subquery("labelled")


def _standing(kind: str) -> Select[Any]:
    """Entries of a kind on the cards that nobody has closed or replaced: pack_id, id, text."""
    later = _entries.alias("later")
    return select(_entries.c.pack_id, _entries.c.id, _entries.c.text).where(
        _entries.c.kind == kind, _entries.c.act != CLOSE, ~select(later.c.id).where(later.c.replaces_id == _entries.c.id).exists(),
    )


def _endangered() -> Select[Any]:
    """Packs with an open danger on their card, once each."""
    standing = _standing("danger").subquery()
    return select(standing.c.pack_id).distinct()


def _numbers() -> Any:
    """Workshop number of each pack that has one: the last that was entered."""
    standing = _standing("number").subquery()
    last = select(standing.c.pack_id, func.max(standing.c.id).label("id")).group_by(standing.c.pack_id).subquery()
    return select(standing.c.pack_id, standing.c.text).join(last, last.c.id == standing.c.id).subquery("numbers")


def _numbered(word: str) -> Select[Any]:
    numbers = _numbers()
    return select(numbers.c.pack_id).where(_holds(numbers.c.text, word))


def _words(words: str) -> list[tuple[str, int | None]]:
    """Each word with the number of a run that it may mean; an empty word where it can mean nothing else."""
    found: list[tuple[str, int | None]] = []
    parts = clean_text(words).split()
    while parts:
        part = parts.pop(0)
        if part.lower() == "run" and parts and _number(parts[0]) is not None:
            found.append(("", _number(parts.pop(0))))
        else:
            found.append((part, _number(part.removeprefix("#"))))
    return found


def _number(digits: str) -> int | None:
    """Number of a run; 0, which none has, for one that is too long; None if it is no number."""
    if not (digits.isascii() and digits.isdecimal()):
        return None
    return as_key(int(digits)) if len(digits) < 11 else 0


def _holds(column: Any, word: str) -> ColumnElement[bool]:
    """True where the column holds the word. SQLite knows the capitals of ASCII only; the usual ways to write others are tried."""
    ways = [word] if word.isascii() else list(dict.fromkeys((word, word.lower(), word.upper(), word.capitalize())))
    return or_(*(column.icontains(way, autoescape=True) for way in ways))


def _pack_conditions(words: str) -> Iterable[ColumnElement[bool]]:
    for word, number in _words(words):
        labelled = _labelled()
        run = select(_runs.c.pack_id).outerjoin(labelled, labelled.c.run_id == _runs.c.id)
        exact = [_runs.c.id == number] if number is not None else []
        run = run.where(or_(*exact, *([_holds(func.coalesce(labelled.c.label, _runs.c.label), word)] if word else [])))
        texts = [_holds(_packs.c.id, word), _packs.c.id.in_(_numbered(word))] if word else []
        yield or_(*texts, _packs.c.id.in_(run))


def _run_conditions(words: str, label: Any) -> Iterable[ColumnElement[bool]]:
    for word, number in _words(words):
        exact = [_runs.c.id == number] if number is not None else []
        texts = [_holds(_runs.c.pack_id, word), _holds(label, word), _runs.c.pack_id.in_(_numbered(word))] if word else []
        yield or_(*exact, *texts)


def _verdict_conditions(verdict: str, pack_id: Any) -> list[ColumnElement[bool]]:
    result = _verdicts.c.result
    if verdict == ANY:
        return []
    if verdict == NONE:
        return [result.is_(None)]
    if verdict == DANGER:
        return [pack_id.in_(_endangered())]
    if verdict == ATTENTION:
        return [or_(result.is_(None), result == "not_proven", pack_id.in_(_endangered()))]
    return [result == verdict]


# --- in which order ------------------------------------------------------------------------------------------------

_OF_ANALYSIS = ("build", "state", "capacity", "health", "group")


def _figure_keys(name: str, pack_id: Any) -> list[Any]:
    a = _analyses.c
    if name == "state":
        return [case(
            (pack_id.in_(_endangered()), 0), (a.id.is_(None), None), (a.findings_danger > 0, 1), (a.findings_defect > 0, 2),
            (a.findings_caution > 0, 3), (or_(a.capacity_ah.is_(None), a.capacity_valid.is_(False)), 4), else_=5,
        )]
    if name == "verdict":
        return [case((_runs.c.id.is_(None), None), else_=case({"fail": 0, "not_proven": 1, "pass": 3}, value=_verdicts.c.result, else_=2))]
    if name == "date":
        return [bytewise(func.coalesce(_runs.c.started_at, _runs.c.added_at))]
    return [{"capacity": a.capacity_ah, "health": a.state_of_health, "group": a.limiting_group}[name]]


def _run_keys(name: str, label: Any) -> list[Any]:
    own: dict[str, list[Any]] = {"id": [_runs.c.id], "pack": [func.lower(bytewise(_runs.c.pack_id))], "label": [func.lower(bytewise(func.nullif(label, "")))]}
    return own.get(name) or _figure_keys(name, _runs.c.pack_id)


def _pack_keys(name: str, dialect: str) -> list[Any]:
    if name == "added":  # the last run that was added, whatever its date; for a pack that came in without one, its card
        other = _runs.alias("other")
        last = select(func.max(other.c.added_at)).where(other.c.pack_id == _packs.c.id).correlate(_packs).scalar_subquery()
        return [func.coalesce(last, _packs.c.added_at)]
    if name == "pack":
        return [func.lower(bytewise(_packs.c.id))]
    if name == "build":
        return [*(_rating(key, dialect) for key in ("series", "parallel", "rated_capacity_ah")), bytewise(_rating("chemistry", dialect))]
    return _figure_keys(name, _packs.c.id)


def _dialect(connection: Connection) -> str:
    return connection.dialect.name


def _rating(key: str, dialect: str) -> Any:
    """A rating out of the pack that was kept with the analysis, as JSON in a text."""
    return _of_json(_analyses.c.pack_json, dialect, key, text=key == "chemistry")


def _of_json(column: Any, dialect: str, *path: str, text: bool = False) -> Any:
    """A number or text out of JSON that is kept in a column of text."""
    if dialect == "sqlite":
        return func.json_extract(column, ".".join(("$", *path)))
    found = cast(column, JSON)[path if len(path) > 1 else path[0]]
    return found.as_string() if text else found.as_float()


# --- what is shown -------------------------------------------------------------------------------------------------


def _run_lines(connection: Connection, run_ids: Sequence[int]) -> list[RunLine]:
    if not run_ids:
        return []
    labelled, a = _labelled(), _analyses.c
    drawn = set(connection.execute(corrections.withdrawn_runs().where(_corrections.c.run_id.in_(run_ids))).scalars())
    counted = select(func.count()).where(_corrections.c.run_id == _runs.c.id).correlate(_runs).scalar_subquery()
    query = (
        select(
            _runs.c.id, _runs.c.pack_id, func.coalesce(labelled.c.label, _runs.c.label).label("label"), _runs.c.added_at,
            _runs.c.started_at, _runs.c.files, a.capacity_ah, a.u_capacity_ah, a.capacity_valid, a.capacity_is_lower_bound,
            a.state_of_health, a.limiting_group, _verdicts.c.result.label("verdict"), _verdicts.c.criteria_name,
            a.findings_info, a.findings_caution, a.findings_defect, a.findings_danger, counted.label("corrections"),
            _of_json(a.json, _dialect(connection), "capacity", "u_state_of_health").label("u_state_of_health"),
        )
        .select_from(_runs).join(_analyses, a.id == _newest_analysis())
        .outerjoin(labelled, labelled.c.run_id == _runs.c.id)
        .outerjoin(_verdicts, _verdicts.c.id == _newest_verdict())
        .where(_runs.c.id.in_(run_ids))
    )
    found = {row.id: dict(row._mapping) for row in connection.execute(query)}
    dangers = _dangers(connection, {row["pack_id"] for row in found.values()})
    lines = []
    for run_id in run_ids:
        if run_id in found:
            row = found[run_id]
            u = row.pop("u_state_of_health")
            lines.append(RunLine(RunRow(**row, withdrawn=run_id in drawn), u, dangers.get(row["pack_id"], 0)))
    return lines


def _dangers(connection: Connection, pack_ids: Iterable[str]) -> dict[str, int]:
    """Open dangers on the cards of packs, by pack."""
    standing = _standing("danger").where(_entries.c.pack_id.in_(list(pack_ids))).subquery()
    return _pairs(connection, select(standing.c.pack_id, func.count()).group_by(standing.c.pack_id))


def _pairs(connection: Connection, query: Select[Any]) -> dict[Any, Any]:
    return {row[0]: row[1] for row in connection.execute(query)}


def _pack_lines(connection: Connection, pack_ids: Sequence[str], name: str) -> list[PackLine]:
    if not pack_ids:
        return []
    added = _pairs(connection, select(_packs.c.id, _packs.c.added_at).where(_packs.c.id.in_(pack_ids)))
    runs: dict[str, list[int]] = {}
    for row in connection.execute(select(_runs.c.pack_id, _runs.c.id).where(_runs.c.pack_id.in_(pack_ids))):
        runs.setdefault(row.pack_id, []).append(row.id)
    every = [run_id for numbers in runs.values() for run_id in numbers]
    drawn = set(connection.execute(corrections.withdrawn_runs().where(_corrections.c.run_id.in_(every))).scalars())
    counted, numbers = _counted(pack_ids), _numbers()
    newest = _pairs(connection, select(counted.c.pack_id, counted.c.newest))
    shown = {line.run.pack_id: line for line in _run_lines(connection, list(newest.values()))}
    rated = _ratings(connection, list(newest.values()), name)
    dangers = _dangers(connection, pack_ids)
    numbered = _pairs(connection, select(numbers.c.pack_id, numbers.c.text).where(numbers.c.pack_id.in_(pack_ids)))
    lines = []
    for pack_id in pack_ids:
        own = runs.get(pack_id, [])
        last = max((run_id for run_id in own if run_id not in drawn), default=None)
        lines.append(PackLine(
            pack_id, added[pack_id], numbered.get(pack_id), dangers.get(pack_id, 0), len(own), sum(run_id in drawn for run_id in own),
            shown.get(pack_id), last if last != newest.get(pack_id) else None, **rated.get(pack_id, {}),
        ))
    return lines


def _ratings(connection: Connection, run_ids: Sequence[int], name: str) -> dict[str, dict[str, Any]]:
    """Build and rated capacity by pack, from the newest analyses of these runs."""
    rows = connection.execute(
        select(_runs.c.id, _runs.c.pack_id, _analyses.c.pack_json).select_from(_runs)
        .join(_analyses, _analyses.c.id == _newest_analysis()).where(_runs.c.id.in_(run_ids))
    ).all()
    kept = {row.pack_id: stored_json(row.pack_json, f"pack of run {row.id}", name) for row in rows}
    return {
        pack_id: {key: pack.get(key) for key in ("chemistry", "series", "parallel", "rated_capacity_ah")} for pack_id, pack in kept.items()
    }
