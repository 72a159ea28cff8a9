"""The register: packs, runs with their raw logs, analyses, verdicts and records. It only grows.

A run is one test of one pack: the log files as they were, and the analysis as it was made. What changes later
(another judgement, a corrected record) is a new row that points to the run; nothing is altered or deleted.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Subquery, Table, func, select
from sqlalchemy.exc import IntegrityError

from cycler.columns_memory import ColumnsMemory
from cycler.database import Database, damaged, default_path, utc_now
from cycler.errors import InputError, quote
from cycler.migrations import SCHEMA
from cycler.pack import Pack
from cycler.storage import (
    StoredLog,
    as_json,
    clean_text,
    columns_from_text,
    kept_name,
    stored_json,
    stored_pack,
    unpacked,
    wrong_digest,
)

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.log import Log

__all__ = ["PackRow", "RecordRow", "Register", "Run", "RunRow", "SourceRow", "VerdictRow", "default_path"]

SEVERITIES = ("info", "caution", "defect", "danger")
RECORD_KINDS = ("html", "pdf")

_packs = SCHEMA.tables["packs"]
_logs = SCHEMA.tables["logs"]
_runs = SCHEMA.tables["runs"]
_run_logs = SCHEMA.tables["run_logs"]
_analyses = SCHEMA.tables["analyses"]
_verdicts = SCHEMA.tables["verdicts"]
_records = SCHEMA.tables["records"]
_record_files = SCHEMA.tables["record_files"]


@dataclass(frozen=True, slots=True)
class PackRow:
    """One pack of the register; ratings are those of its newest run."""

    id: str
    added_at: str
    runs: int
    last_run_id: int
    chemistry: str | None = None
    series: int | None = None
    parallel: int | None = None
    rated_capacity_ah: float | None = None


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run in a list: its newest analysis and verdict in a few figures."""

    id: int
    pack_id: str
    label: str
    added_at: str
    started_at: str | None
    files: int
    capacity_ah: float | None
    u_capacity_ah: float | None
    capacity_valid: bool | None
    capacity_is_lower_bound: bool | None
    state_of_health: float | None
    limiting_group: int | None
    verdict: str | None
    criteria_name: str | None
    findings_info: int
    findings_caution: int
    findings_defect: int
    findings_danger: int

    @property
    def findings(self) -> dict[str, int]:
        """Number of findings by severity, the gravest last."""
        return {severity: getattr(self, f"findings_{severity}") for severity in SEVERITIES}

    def to_dict(self) -> dict[str, Any]:
        """Plain values, findings as one nested dict."""
        values = {key: value for key, value in asdict(self).items() if not key.startswith("findings_")}
        return values | {"findings": self.findings}


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One log file of a run as it was handed in."""

    file: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class Run:
    """One run with its newest analysis. ``pack`` is what was known of the pack when it was analysed."""

    id: int
    pack_id: str
    label: str
    added_at: str
    started_at: str | None
    sources: tuple[SourceRow, ...]
    analysis_id: int
    analysis: dict[str, Any]
    analysed_at: str
    software: str
    pack: Pack
    columns_text: str | None


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One judgement of a run. ``verdict`` is the object as it was made."""

    id: int
    run_id: int
    analysis_id: int
    decided_at: str
    result: str
    criteria_name: str
    criteria_sha256: str
    criteria_text: str
    verdict: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RecordRow:
    """One record that was issued. ``sha256`` by kind (html, pdf)."""

    id: int
    run_id: int
    verdict_id: int
    serial: str
    made_at: str
    sha256: Mapping[str, str]


class Register:
    """A register that is open. Safe to share between threads; each call is one transaction of its own."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.columns_memory = ColumnsMemory(database)

    @classmethod
    def open(cls, path_or_url: str | Path | None = None, create: bool = True) -> Register:
        """Open a register. See :class:`cycler.database.Database` for parameters and what is raised."""
        return cls(Database(path_or_url, create))

    @property
    def name(self) -> str:
        """File or address, without a password."""
        return self._database.name

    def check_writable(self) -> None:
        """InputError if the register may only be read; to be told before the work, not after it."""
        self._database.check_writable()

    def close(self) -> None:
        """Let go of the register."""
        self._database.close()

    def __enter__(self) -> Register:
        return self

    def __exit__(self, *_details: object) -> None:
        self.close()

    # --- runs ---------------------------------------------------------------------------------------------------

    def add_run(
        self, *, pack: Pack, sources: Sequence[tuple[str, bytes]], analysis: dict[str, Any], label: str = "",
        columns_text: str | None = None, again: bool = False, criteria: Criteria | None = None, new_ratings: bool = False,
    ) -> int:
        """Keep a run: its raw logs, its analysis and, with ``criteria``, the verdict inside the analysis.

        Parameters
        ----------
        pack : Pack
            What was known of the pack; ``id`` is needed.
        sources : sequence of (file name, raw bytes)
            In the order of the test. The same bytes are stored once, however often they come.
        analysis : dict
            As made by ``Analysis.to_dict()``.
        columns_text : str, optional
            Of :func:`cycler.storage.columns_to_text`, if the logs were read with a columns file.
        again : bool
            Accept logs that this pack already has in the register.
        new_ratings : bool
            Accept ratings that differ from those the register last knew of this pack.

        Returns
        -------
        int
            Number of the run.

        Raises
        ------
        InputError
            The pack has no id, id or label is no name on one line, there is no log, the same logs are there already (names
            the run), or the pack had other ratings before (names what differs).
        """
        pack_id, label = kept_name(pack.id or "", "id of the pack"), kept_name(label, "label")
        if not pack_id:
            raise InputError(
                "the pack has no id", "pack file", "the register keeps runs together by the pack's id",
                'write id = "..." in the pack file, as on the pack\'s label',
            )
        if not sources:
            raise InputError("there is no log to keep", "register", "no file was given", "name at least one log")
        # All slow work comes before the transaction, so that others wait for milliseconds only.
        kept = [StoredLog(clean_text(PurePath(name).name or name), raw) for name, raw in sources]
        figures = _analysis_values(analysis, pack, columns_text)
        together = hashlib.sha256("\n".join(sorted(item.sha256 for item in kept)).encode()).hexdigest()
        now = utc_now()
        with self._database.write() as connection:
            if not again:
                _refuse_known(connection, pack_id, together)
            if not new_ratings:
                _refuse_other_ratings(connection, pack_id, pack, self.name)
            _insert_if_new(connection, _packs, {"id": pack_id}, {"added_at": now})
            for item in kept:
                _insert_if_new(
                    connection, _logs, {"sha256": item.sha256},
                    {"bytes": item.size, "raw_zlib": item.packed, "added_at": now},
                )
            run_id = _insert(
                connection, _runs, pack_id=pack_id, label=label, added_at=now,
                started_at=(analysis.get("log") or {}).get("started_at"), files=len(kept), logs_sha256=together,
            )
            for position, item in enumerate(kept):
                connection.execute(
                    _run_logs.insert().values(run_id=run_id, position=position, sha256=item.sha256, file=item.name)
                )
            analysis_id = _insert(connection, _analyses, run_id=run_id, made_at=now, **figures)
            if criteria is not None and analysis.get("verdict"):
                _insert_verdict(connection, run_id, analysis_id, analysis["verdict"], criteria)
        return run_id

    def packs(self) -> list[PackRow]:
        """All packs, by id."""
        counted = (
            select(_runs.c.pack_id, func.count().label("runs"), func.max(_runs.c.id).label("last_run_id"))
            .group_by(_runs.c.pack_id).subquery()
        )
        newest = _newest(_analyses)
        query = (
            select(_packs, counted.c.runs, counted.c.last_run_id, _analyses.c.pack_json)
            .join(counted, counted.c.pack_id == _packs.c.id)
            .join(newest, newest.c.run_id == counted.c.last_run_id)
            .join(_analyses, _analyses.c.id == newest.c.id)
            .order_by(_packs.c.id)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
        found = []
        for row in rows:
            pack = stored_json(row.pack_json, f"pack of run {row.last_run_id}", self.name)
            found.append(PackRow(
                row.id, row.added_at, row.runs, row.last_run_id, pack.get("chemistry"), pack.get("series"),
                pack.get("parallel"), pack.get("rated_capacity_ah"),
            ))
        return found

    def runs(self, pack_id: str | None = None) -> list[RunRow]:
        """All runs, or those of one pack, in the order they were added."""
        analysis, verdict = _newest(_analyses), _newest(_verdicts)
        a = _analyses.c
        query = (
            select(
                _runs.c.id, _runs.c.pack_id, _runs.c.label, _runs.c.added_at, _runs.c.started_at, _runs.c.files,
                a.capacity_ah, a.u_capacity_ah, a.capacity_valid, a.capacity_is_lower_bound, a.state_of_health,
                a.limiting_group, _verdicts.c.result.label("verdict"), _verdicts.c.criteria_name,
                a.findings_info, a.findings_caution, a.findings_defect, a.findings_danger,
            )
            .join(analysis, analysis.c.run_id == _runs.c.id)
            .join(_analyses, a.id == analysis.c.id)
            .outerjoin(verdict, verdict.c.run_id == _runs.c.id)
            .outerjoin(_verdicts, _verdicts.c.id == verdict.c.id)
            .order_by(_runs.c.id)
        )
        if pack_id is not None:
            query = query.where(_runs.c.pack_id == clean_text(pack_id))
        with self._database.read() as connection:
            return [RunRow(**row._mapping) for row in connection.execute(query)]

    def run(self, run_id: int) -> Run:
        """One run with its newest analysis. InputError if there is none of that number, or it is damaged."""
        with self._database.read() as connection:
            head = connection.execute(select(_runs).where(_runs.c.id == _key(run_id))).one_or_none()
            if head is None:
                raise _no_such(connection, _runs, "run", run_id, self.name)
            made = connection.execute(
                select(_analyses).where(_analyses.c.run_id == run_id).order_by(_analyses.c.id.desc()).limit(1)
            ).one_or_none()
            if made is None:
                raise damaged(self.name, f"run {run_id} has no analysis")
            files = connection.execute(
                select(_run_logs.c.file, _logs.c.sha256, _logs.c.bytes)
                .join(_logs, _logs.c.sha256 == _run_logs.c.sha256)
                .where(_run_logs.c.run_id == run_id).order_by(_run_logs.c.position)
            ).all()
        return Run(
            id=head.id, pack_id=head.pack_id, label=head.label, added_at=head.added_at, started_at=head.started_at,
            sources=tuple(SourceRow(*row) for row in files), analysis_id=made.id,
            analysis=stored_json(made.json, f"analysis of run {run_id}", self.name),
            analysed_at=made.made_at, software=made.software,
            pack=stored_pack(made.pack_json, run_id, self.name), columns_text=made.columns_text,
        )

    def raw_sources(self, run_id: int) -> list[tuple[str, bytes]]:
        """File names and raw bytes of a run's logs, byte for byte as they were added.

        Raises
        ------
        InputError
            No such run, or the bytes kept do not agree with their digest.
        """
        query = (
            select(_run_logs.c.file, _logs.c.sha256, _logs.c.raw_zlib)
            .join(_logs, _logs.c.sha256 == _run_logs.c.sha256)
            .where(_run_logs.c.run_id == _key(run_id)).order_by(_run_logs.c.position)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
            if not rows:
                _check_run(connection, run_id, self.name)
                raise damaged(self.name, f"run {run_id} has no log")
        return [(row.file, unpacked(row.raw_zlib, row.sha256, self.name)) for row in rows]

    def log(self, run_id: int) -> Log:
        """The run's log read again from the raw bytes, with the columns file of that time."""
        from cycler.readers import read_logs_bytes

        run = self.run(run_id)
        try:
            columns = columns_from_text(run.columns_text) if run.columns_text is not None else None
        except (ValueError, TypeError, KeyError, AttributeError):
            raise damaged(self.name, f"the columns file of run {run_id} cannot be read") from None
        return read_logs_bytes(self.raw_sources(run_id), columns)

    # --- verdicts -----------------------------------------------------------------------------------------------

    def add_verdict(self, run_id: int, verdict: dict[str, Any], criteria: Criteria) -> int:
        """Keep a judgement of the run's newest analysis; returns its number."""
        with self._database.write() as connection:
            analysis_id = connection.execute(
                select(func.max(_analyses.c.id)).where(_analyses.c.run_id == _key(run_id))
            ).scalar()
            if analysis_id is None:
                raise _no_such(connection, _runs, "run", run_id, self.name)
            return _insert_verdict(connection, run_id, analysis_id, verdict, criteria)

    def verdicts(self, run_id: int) -> list[VerdictRow]:
        """All judgements of a run, oldest first."""
        with self._database.read() as connection:
            rows = connection.execute(
                select(_verdicts).where(_verdicts.c.run_id == _key(run_id)).order_by(_verdicts.c.id)
            ).all()
            if not rows:
                _check_run(connection, run_id, self.name)
        return [_verdict_row(row, self.name) for row in rows]

    def latest_verdict(self, run_id: int) -> VerdictRow | None:
        """The newest judgement of a run, or None."""
        with self._database.read() as connection:
            row = connection.execute(
                select(_verdicts).where(_verdicts.c.run_id == _key(run_id)).order_by(_verdicts.c.id.desc()).limit(1)
            ).one_or_none()
            if row is None:
                _check_run(connection, run_id, self.name)
        return _verdict_row(row, self.name) if row is not None else None

    # --- records ------------------------------------------------------------------------------------------------

    def next_serial(self, run_id: int) -> str:
        """The serial the next record of a run would carry: year, run, number of the record ("2026-0012-1")."""
        with self._database.read() as connection:
            _check_run(connection, run_id, self.name)
            made = connection.execute(select(func.count()).select_from(_records).where(_records.c.run_id == run_id)).scalar()
        return f"{utc_now()[:4]}-{run_id:04d}-{made + 1}"

    def add_record(
        self, run_id: int, verdict_id: int | None, serial: str, html: str, pdf: bytes, *,
        new_verdict: tuple[dict[str, Any], Criteria] | None = None,
    ) -> int:
        """Keep a record as issued; returns its number. InputError if the serial is taken.

        ``new_verdict`` (with its criteria) is kept in the same act, in place of a ``verdict_id`` there is already.
        """
        contents = {"html": html.encode("utf-8"), "pdf": pdf}
        with self._database.write() as connection:
            _check_run(connection, run_id, self.name)
            if connection.execute(select(_records.c.id).where(_records.c.serial == serial)).first():
                raise InputError(
                    "the serial of the record is taken", self.name, f"record {quote(serial)} exists",
                    "make the record again; it gets the next serial",
                )
            if new_verdict is not None:
                analysis_id = connection.execute(select(func.max(_analyses.c.id)).where(_analyses.c.run_id == run_id)).scalar()
                verdict_id = _insert_verdict(connection, run_id, analysis_id, *new_verdict)
            record_id = _insert(connection, _records, run_id=run_id, verdict_id=verdict_id, serial=serial, made_at=utc_now())
            for kind, content in contents.items():
                connection.execute(_record_files.insert().values(
                    record_id=record_id, kind=kind, bytes=content, sha256=hashlib.sha256(content).hexdigest(),
                ))
        return record_id

    def records(self, run_id: int) -> list[RecordRow]:
        """All records of a run, oldest first."""
        with self._database.read() as connection:
            heads = connection.execute(
                select(_records).where(_records.c.run_id == _key(run_id)).order_by(_records.c.id)
            ).all()
            digests = connection.execute(
                select(_record_files.c.record_id, _record_files.c.kind, _record_files.c.sha256)
                .join(_records, _records.c.id == _record_files.c.record_id).where(_records.c.run_id == _key(run_id))
            ).all()
            if not heads:
                _check_run(connection, run_id, self.name)
        return [
            RecordRow(
                head.id, head.run_id, head.verdict_id, head.serial, head.made_at,
                {row.kind: row.sha256 for row in digests if row.record_id == head.id},
            )
            for head in heads
        ]

    def record_bytes(self, record_id: int, kind: str) -> bytes:
        """A record as issued; ``kind`` is "html" or "pdf"."""
        if kind not in RECORD_KINDS:
            raise ValueError(f"kind must be one of {RECORD_KINDS}, not {kind!r}")
        with self._database.read() as connection:
            row = connection.execute(
                select(_record_files).where(_record_files.c.record_id == _key(record_id), _record_files.c.kind == kind)
            ).one_or_none()
            if row is None:
                raise _no_such(connection, _records, "record", record_id, self.name)
        if hashlib.sha256(row.bytes).hexdigest() != row.sha256:
            raise wrong_digest(self.name, f"record {record_id} ({kind})")
        return row.bytes


_NUMBER_MAX = 2**31 - 1
"""Highest number that every database takes for the rows of a table."""


def _key(number: int) -> int:
    """``number`` as the number of a row; what no row can have becomes 0, which none has."""
    return number if 0 < number <= _NUMBER_MAX else 0


def _analysis_values(analysis: dict[str, Any], pack: Pack, columns_text: str | None) -> dict[str, Any]:
    capacity = analysis.get("capacity") or {}
    software = analysis.get("software") or {}
    severities = [finding["severity"] for finding in analysis.get("findings") or ()]
    return {
        "software": f"{software.get('name', '')} {software.get('version', '')}".strip(),
        "json": as_json(analysis),
        "pack_json": as_json(pack.to_dict()),
        "columns_text": columns_text,
        "capacity_ah": capacity.get("value_ah"),
        "u_capacity_ah": capacity.get("u_value_ah"),
        "capacity_valid": capacity.get("valid"),
        "capacity_is_lower_bound": capacity.get("is_lower_bound"),
        "state_of_health": capacity.get("state_of_health"),
        "limiting_group": analysis.get("limiting_group"),
    } | {f"findings_{severity}": severities.count(severity) for severity in SEVERITIES}


def _newest(table: Table) -> Subquery:
    """The highest ``id`` of each run's rows in ``table``."""
    return select(table.c.run_id, func.max(table.c.id).label("id")).group_by(table.c.run_id).subquery()


def _insert(connection: Connection, table: Table, **values: Any) -> int:
    return int(connection.execute(table.insert().values(**values)).inserted_primary_key[0])


def _insert_if_new(connection: Connection, table: Table, key: dict[str, Any], values: dict[str, Any]) -> None:
    ((name, value),) = key.items()
    known = select(table.c[name]).where(table.c[name] == value)
    if connection.execute(known).first():
        return
    try:
        with connection.begin_nested():
            connection.execute(table.insert().values(**key, **values))
    except IntegrityError:  # another writer of a server database was quicker
        if not connection.execute(known).first():
            raise


def _insert_verdict(
    connection: Connection, run_id: int, analysis_id: int, verdict: dict[str, Any], criteria: Criteria,
) -> int:
    return _insert(
        connection, _verdicts, run_id=run_id, analysis_id=analysis_id, decided_at=utc_now(),
        result=verdict["result"], criteria_name=clean_text(criteria.name), criteria_sha256=criteria.sha256,
        criteria_text=_criteria_text(criteria), json=as_json(verdict),
    )


def _criteria_text(criteria: Criteria) -> str:
    """The criteria file as it was judged by; its content as JSON if the file has changed since it was read."""
    try:
        raw = Path(criteria.file).read_bytes()
        if hashlib.sha256(raw).hexdigest() == criteria.sha256:
            return raw.decode("utf-8")
    except (OSError, UnicodeDecodeError):
        pass
    return as_json(criteria.to_dict())


def _verdict_row(row: Any, name: str) -> VerdictRow:
    return VerdictRow(
        row.id, row.run_id, row.analysis_id, row.decided_at, row.result, row.criteria_name, row.criteria_sha256,
        row.criteria_text, stored_json(row.json, f"verdict of {row.decided_at} on run {row.run_id}", name),
    )


def _refuse_known(connection: Connection, pack_id: str, together: str) -> None:
    known = connection.execute(
        select(_runs.c.id, _runs.c.label, _runs.c.added_at)
        .where(_runs.c.pack_id == pack_id, _runs.c.logs_sha256 == together).order_by(_runs.c.id).limit(1)
    ).first()
    if known:
        label = f" ({known.label})" if known.label else ""
        raise InputError(
            "this log is in the register already", f"pack {pack_id}",
            f"run {known.id}{label} of {known.added_at} holds exactly the same bytes",
            f"see it with: cycler show {known.id}; to keep it twice on purpose: add --again",
        )


# What makes it another pack, or a slip of the pen.
_RATINGS = (
    "chemistry", "series", "parallel", "rated_capacity_ah", "rated_energy_wh", "charge_voltage_v", "cutoff_voltage_v",
    "group_charge_voltage_v", "group_cutoff_voltage_v",
)


def _refuse_other_ratings(connection: Connection, pack_id: str, pack: Pack, name: str) -> None:
    """What was left out before, or is left out now, contradicts nothing."""
    newest = _newest(_analyses)
    rows = connection.execute(
        select(_runs.c.id, _analyses.c.pack_json).join(newest, newest.c.run_id == _runs.c.id)
        .join(_analyses, _analyses.c.id == newest.c.id).where(_runs.c.pack_id == pack_id).order_by(_runs.c.id)
    ).all()
    known = {
        key: (value, row.id) for row in rows
        for key, value in stored_json(row.pack_json, f"pack of run {row.id}", name).items() if value is not None
    }
    differ = [
        f"{key} = {getattr(pack, key)}, but {known[key][0]} in run {known[key][1]}" for key in _RATINGS
        if key in known and getattr(pack, key) is not None and not _alike(getattr(pack, key), known[key][0])
    ]
    if differ:
        raise InputError(
            "the pack has other ratings in the register", f"pack {pack_id}", "; ".join(differ),
            "correct id or ratings in the pack file; if the pack was rebuilt with other ratings: add --new-ratings",
        )


def _alike(given: Any, known: Any) -> bool:
    return given == known if isinstance(known, str) else math.isclose(given, known, rel_tol=1e-6)


def _check_run(connection: Connection, run_id: int, name: str) -> None:
    if not connection.execute(select(_runs.c.id).where(_runs.c.id == _key(run_id))).first():
        raise _no_such(connection, _runs, "run", run_id, name)


def _no_such(connection: Connection, table: Table, what: str, number: int, name: str) -> InputError:
    highest = connection.execute(select(func.max(table.c.id))).scalar()
    why = f"its {what}s are numbered 1 to {highest}" if highest else f"it holds no {what} yet"
    shown = number if abs(number) < 10**40 else "of so many digits"
    return InputError(f"no {what} {shown} in the register", name, why, "see the numbers with: cycler list")
