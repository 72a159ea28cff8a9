"""The register: packs and their cards, runs with their raw logs, analyses, verdicts and records. It only grows.

A run is one test of one pack: the log files as they were, and the analysis as it was made. What changes later
(another judgement, a corrected record or analysis) is a new row that points to the run; nothing is altered or deleted,
and each row has an entry in a chain of digests, so that it shows if somebody does so past this program.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, func, select

from cycler import chain, corrections, register_list
from cycler.columns_memory import ColumnsMemory
from cycler.database import Database, damaged, utc_now
from cycler.errors import InputError, quote
from cycler.jobbook import JobBook, hang_new_run
from cycler.migrations import SCHEMA
from cycler.ownfolder import default_path
from cycler.pack import Pack
from cycler.packcard import PackCards
from cycler.register_rows import (
    SEVERITIES,
    Expected,
    KeptLog,
    PackRow,
    RecordRow,
    Run,
    RunRow,
    SourceRow,
    VerdictRow,
    analysis_values,
    as_key,
    check_run,
    insert_verdict,
    newest_analysis_id,
    newest_of,
    newest_verdict,
    no_such,
    verdict_row,
)
from cycler.server import bytewise
from cycler.storage import (
    StoredLog,
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

__all__ = ["SEVERITIES", "PackRow", "RecordRow", "Register", "Run", "RunRow", "SourceRow", "VerdictRow", "default_path"]

RECORD_KINDS = ("html", "pdf", "json")
RATINGS = (
    "chemistry", "series", "parallel", "rated_capacity_ah", "rated_energy_wh", "charge_voltage_v", "cutoff_voltage_v",
    "group_charge_voltage_v", "group_cutoff_voltage_v",
)
"""What makes it another pack, or a slip of the pen."""

_packs = SCHEMA.tables["packs"]
_logs = SCHEMA.tables["logs"]
_runs = SCHEMA.tables["runs"]
_run_logs = SCHEMA.tables["run_logs"]
_analyses = SCHEMA.tables["analyses"]
_verdicts = SCHEMA.tables["verdicts"]
_records = SCHEMA.tables["records"]
_record_files = SCHEMA.tables["record_files"]
_corrections = SCHEMA.tables["corrections"]


class Register:
    """A register that is open. Safe to share between threads; each call is one transaction of its own."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.columns_memory = ColumnsMemory(database)
        self.cards = PackCards(database)
        self.jobs = JobBook(database)
        self._corrections = corrections.Corrections(database)
        self.expected = Expected()

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
        once: bool = False,
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
        once : bool
            Refuse a log that any run of any pack holds, one withdrawn too.

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
        figures = analysis_values(analysis, pack, columns_text)
        together = hashlib.sha256("\n".join(sorted(item.sha256 for item in kept)).encode()).hexdigest()
        now = utc_now()
        with self._database.write() as connection:
            if not again:
                _refuse_known(connection, pack_id, together)
            if once:
                _refuse_held(connection, [item.sha256 for item in kept])
            if not new_ratings:
                _refuse_other_ratings(connection, pack_id, pack, self.name)
            chain.insert_if_new(connection, _packs, {"id": pack_id}, {"added_at": now})
            for item in kept:
                chain.insert_if_new(
                    connection, _logs, {"sha256": item.sha256},
                    {"bytes": item.size, "raw_zlib": item.packed, "added_at": now},
                )
            run_id = chain.insert(
                connection, _runs, pack_id=pack_id, label=label, added_at=now,
                started_at=(analysis.get("log") or {}).get("started_at"), files=len(kept), logs_sha256=together,
            )
            for position, item in enumerate(kept):
                chain.insert(connection, _run_logs, run_id=run_id, position=position, sha256=item.sha256, file=item.name)
            analysis_id = chain.insert(connection, _analyses, run_id=run_id, made_at=now, **figures)
            if criteria is not None and analysis.get("verdict"):
                insert_verdict(connection, run_id, analysis_id, analysis["verdict"], criteria)
            hang_new_run(connection, pack_id, run_id, now)
        return run_id

    def packs(self) -> list[PackRow]:
        """All packs, by id; also those that have a card but no run yet."""
        counted = (
            select(_runs.c.pack_id, func.count().label("runs"), func.max(_runs.c.id).label("last_run_id"))
            .group_by(_runs.c.pack_id).subquery()
        )
        newest = newest_of(_analyses)
        query = (
            select(_packs, counted.c.runs, counted.c.last_run_id, _analyses.c.pack_json)
            .outerjoin(counted, counted.c.pack_id == _packs.c.id)
            .outerjoin(newest, newest.c.run_id == counted.c.last_run_id)
            .outerjoin(_analyses, _analyses.c.id == newest.c.id)
            .order_by(bytewise(_packs.c.id))
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
        found = []
        for row in rows:
            if row.last_run_id is None:
                found.append(PackRow(row.id, row.added_at, 0, None))
                continue
            pack = stored_json(row.pack_json, f"pack of run {row.last_run_id}", self.name)
            found.append(PackRow(
                row.id, row.added_at, row.runs, row.last_run_id, pack.get("chemistry"), pack.get("series"),
                pack.get("parallel"), pack.get("rated_capacity_ah"),
            ))
        return found

    def runs(self, pack_id: str | None = None) -> list[RunRow]:
        """All runs, or those of one pack, in the order they were added; those withdrawn as well."""
        analysis, verdict = newest_of(_analyses), newest_verdict()
        label, last = corrections.newest_of_kinds(corrections.LABEL), corrections.newest_of_kinds(corrections.WITHDRAW, corrections.REINSTATE)
        labelled, drawn = _corrections.alias("labelled"), _corrections.alias("drawn")
        counted = select(_corrections.c.run_id, func.count().label("count")).group_by(_corrections.c.run_id).subquery()
        a = _analyses.c
        query = (
            select(
                _runs.c.id, _runs.c.pack_id, func.coalesce(labelled.c.label, _runs.c.label).label("label"), _runs.c.added_at,
                _runs.c.started_at, _runs.c.files,
                a.capacity_ah, a.u_capacity_ah, a.capacity_valid, a.capacity_is_lower_bound, a.state_of_health,
                a.limiting_group, _verdicts.c.result.label("verdict"), _verdicts.c.criteria_name,
                a.findings_info, a.findings_caution, a.findings_defect, a.findings_danger,
                drawn.c.kind.label("drawn"), func.coalesce(counted.c.count, 0).label("corrections"),
            )
            .join(analysis, analysis.c.run_id == _runs.c.id)
            .join(_analyses, a.id == analysis.c.id)
            .outerjoin(verdict, verdict.c.run_id == _runs.c.id)
            .outerjoin(_verdicts, _verdicts.c.id == verdict.c.id)
            .outerjoin(label, label.c.run_id == _runs.c.id).outerjoin(labelled, labelled.c.id == label.c.id)
            .outerjoin(last, last.c.run_id == _runs.c.id).outerjoin(drawn, drawn.c.id == last.c.id)
            .outerjoin(counted, counted.c.run_id == _runs.c.id)
            .order_by(_runs.c.id)
        )
        if pack_id is not None:
            query = query.where(_runs.c.pack_id == clean_text(pack_id))
        with self._database.read() as connection:
            rows = [dict(row._mapping) for row in connection.execute(query)]
        return [RunRow(**row, withdrawn=drawn == corrections.WITHDRAW) for row in rows for drawn in [row.pop("drawn")]]

    def list_packs(self, query: register_list.ListQuery) -> register_list.Page[register_list.PackLine]:
        """One page of packs, searched and sorted by the database. See :func:`cycler.register_list.list_packs`."""
        return register_list.list_packs(self._database, query)

    def list_runs(self, query: register_list.ListQuery) -> register_list.Page[register_list.RunLine]:
        """One page of runs. See :func:`cycler.register_list.list_runs`."""
        return register_list.list_runs(self._database, query)

    def run_lines(self, run_ids: Sequence[int]) -> list[register_list.RunLine]:
        """Lines of these runs for a list, in this order; those that are not there are left out."""
        return register_list.lines_of_runs(self._database, run_ids)

    def run_lines_of(self, pack_id: str) -> list[register_list.RunLine]:
        """Lines of a pack's runs for a list, the one added last first; those withdrawn as well."""
        return register_list.lines_of_pack(self._database, pack_id)

    def last_dangers(self, most: int) -> tuple[list[register_list.DangerLine], int]:
        """Open dangers of all cards, the last ones first, and how many packs have any."""
        return register_list.open_dangers(self._database, most)

    def run(self, run_id: int) -> Run:
        """One run with its newest analysis. InputError if there is none of that number, or it is damaged."""
        with self._database.read() as connection:
            head = connection.execute(select(_runs).where(_runs.c.id == as_key(run_id))).one_or_none()
            if head is None:
                raise no_such(connection, _runs, "run", run_id, self.name)
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
            label, last = corrections.label_of(connection, run_id), corrections.last_withdrawal(connection, run_id)
        return Run(
            id=head.id, pack_id=head.pack_id, label=label, added_at=head.added_at, started_at=head.started_at,
            sources=tuple(SourceRow(*row) for row in files), analysis_id=made.id,
            analysis=stored_json(made.json, f"analysis of run {run_id}", self.name),
            analysed_at=made.made_at, software=made.software,
            pack=stored_pack(made.pack_json, run_id, self.name), columns_text=made.columns_text,
            withdrawn=last is not None and last.kind == corrections.WITHDRAW,
        )

    def kept_logs(self, *, sha256: str | None = None, file: str | None = None) -> list[KeptLog]:
        """Log files of these bytes, or of this name, with the runs that they are part of, oldest run first."""
        wanted = _run_logs.c.sha256 == sha256 if sha256 is not None else _run_logs.c.file == clean_text(file or "")
        with self._database.read() as connection:
            return _kept_logs(connection, wanted)

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
            .where(_run_logs.c.run_id == as_key(run_id)).order_by(_run_logs.c.position)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
            if not rows:
                check_run(connection, run_id, self.name)
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

    def add_verdict(
        self, run_id: int, verdict: dict[str, Any], criteria: Criteria, analysis_id: int | None = None,
    ) -> int:
        """Keep a judgement of the run's newest analysis; returns its number.

        ``analysis_id`` is the analysis that was judged: InputError if it is not the newest any more.
        """
        with self._database.write() as connection:
            newest = self._newest(connection, run_id, analysis_id)
            self.expected.check(connection, run_id, self.name)
            return insert_verdict(connection, run_id, newest, verdict, criteria)

    def _newest(self, connection: Connection, run_id: int, worked_on: int | None) -> int:
        newest = newest_analysis_id(connection, run_id, self.name)
        if worked_on not in (None, newest):
            raise corrections.corrected_meanwhile(run_id, self.name)
        return newest

    def verdicts(self, run_id: int) -> list[VerdictRow]:
        """All judgements of a run, oldest first; also those of analyses that were corrected since."""
        with self._database.read() as connection:
            rows = connection.execute(
                select(_verdicts).where(_verdicts.c.run_id == as_key(run_id)).order_by(_verdicts.c.id)
            ).all()
            if not rows:
                check_run(connection, run_id, self.name)
        return [verdict_row(row, self.name) for row in rows]

    def kept_sets(self, most: int = 20) -> list[tuple[str, str]]:
        """Digest and text of the criteria sets that verdicts were kept with, the one used last first, at most ``most``."""
        with self._database.read() as connection:
            last = select(func.max(_verdicts.c.id)).group_by(_verdicts.c.criteria_sha256)
            rows = connection.execute(
                select(_verdicts.c.criteria_sha256, _verdicts.c.criteria_text).where(_verdicts.c.id.in_(last))
                .order_by(_verdicts.c.id.desc()).limit(most)
            ).all()
        return [(row.criteria_sha256, row.criteria_text) for row in rows]

    def deciders(self, most: int = 20) -> list[str]:
        """Names of those who decided of late, each once, the last one first; looks at the newest ``most`` verdicts."""
        with self._database.read() as connection:
            rows = connection.execute(select(_verdicts).order_by(_verdicts.c.id.desc()).limit(most)).all()
        decided = [verdict_row(row, self.name).verdict.get("decided") or {} for row in rows]
        return list(dict.fromkeys(str(item["by"]) for item in decided if item.get("by")))

    def latest_verdict(self, run_id: int) -> VerdictRow | None:
        """The newest judgement of a run's newest analysis, or None."""
        newest = newest_verdict()
        with self._database.read() as connection:
            row = connection.execute(
                select(_verdicts).join(newest, newest.c.id == _verdicts.c.id).where(_verdicts.c.run_id == as_key(run_id))
            ).one_or_none()
            if row is None:
                check_run(connection, run_id, self.name)
        return verdict_row(row, self.name) if row is not None else None

    # --- corrections --------------------------------------------------------------------------------------------

    def corrections(self, run_id: int) -> list[dict[str, Any]]:
        """What was corrected of a run afterwards, oldest first: id, kind, who, why, at, analysis_id, label."""
        return [item.to_dict() for item in self._corrections.of_run(run_id)]

    def correct_analysis(
        self, run_id: int, analysis: dict[str, Any], pack: Pack, criteria: Criteria | None, *, who: str, why: str, instead_of: int,
    ) -> int:
        """Keep another analysis of a run. See :meth:`cycler.corrections.Corrections.add_analysis`."""
        return self._corrections.add_analysis(run_id, analysis, pack, criteria, who, why, instead_of)

    def correct_label(self, run_id: int, label: str, *, who: str, why: str) -> None:
        """Give a run another label."""
        self._corrections.add_label(run_id, label, who, why)

    def withdraw(self, run_id: int, *, who: str, why: str) -> None:
        """Say that a run counts no more: no record of it is issued; what it showed stays to be seen."""
        self._corrections.set_withdrawn(run_id, True, who, why)

    def reinstate(self, run_id: int, *, who: str, why: str) -> None:
        """Say that a run that was withdrawn counts again."""
        self._corrections.set_withdrawn(run_id, False, who, why)

    def refuse_withdrawn(self, run_id: int) -> None:
        """InputError if a run is withdrawn; to be told before a record of it is made, not after."""
        with self._database.read() as connection:
            corrections.check_counts(connection, run_id, self.name)

    # --- cards and chain ----------------------------------------------------------------------------------------

    def card(self, pack_id: str, *, customer: bool = False, superseded: bool = False) -> dict[str, Any]:
        """What is written on a pack's card. See :meth:`cycler.packcard.PackCards.card`."""
        return self.cards.card(pack_id, customer=customer, superseded=superseded)

    def add_card_entry(self, pack_id: str, kind: str, text: str, *, who: str, new: bool = False) -> int:
        """Write on a pack's card; returns the number of the entry. See :meth:`cycler.packcard.PackCards.add`."""
        return self.cards.add(pack_id, kind, text, who=who, new=new)

    def open_dangers(self, pack_id: str) -> list[dict[str, Any]]:
        """Dangers on a pack's card that nobody has closed."""
        return self.cards.open_dangers(pack_id)

    def photo_bytes(self, sha256: str) -> bytes:
        """A photo as it was taken in, byte for byte."""
        return self.cards.photo_bytes(sha256)

    def chain_head(self) -> tuple[int, str]:
        """Number of entries in the chain, and the digest of the last one."""
        with self._database.read() as connection:
            return chain.head(connection, SCHEMA.tables[chain.CHAIN])

    # --- records ------------------------------------------------------------------------------------------------

    def next_serial(self, run_id: int) -> str:
        """The serial the next record of a run would carry: year, run, number of the record ("2026-0012-1")."""
        with self._database.read() as connection:
            check_run(connection, run_id, self.name)
            made = connection.execute(select(func.count()).select_from(_records).where(_records.c.run_id == run_id)).scalar_one()
        return f"{utc_now()[:4]}-{run_id:04d}-{made + 1}"

    def add_record(
        self, run_id: int, verdict_id: int | None, serial: str, html: str, pdf: bytes, *,
        new_verdict: tuple[dict[str, Any], Criteria] | None = None, json: bytes | None = None,
        analysis_id: int | None = None,
    ) -> int:
        """Keep a record as issued; returns its number.

        ``new_verdict`` (with its criteria) is kept in the same act, in place of a ``verdict_id`` there is already.
        ``analysis_id`` is the analysis that it shows.

        Raises
        ------
        InputError
            The serial is taken, the run is withdrawn, or it was corrected since the record was made.
        """
        contents = {"html": html.encode("utf-8"), "pdf": pdf} | ({"json": json} if json is not None else {})
        with self._database.write() as connection:
            check_run(connection, run_id, self.name)
            corrections.check_counts(connection, run_id, self.name)
            newest = self._newest(connection, run_id, analysis_id)
            if connection.execute(select(_records.c.id).where(_records.c.serial == serial)).first():
                raise InputError(
                    "the serial of the record is taken", self.name, f"record {quote(serial)} exists",
                    "make the record again; it gets the next serial",
                )
            self.expected.check(connection, run_id, self.name)
            if new_verdict is not None:
                verdict_id = insert_verdict(connection, run_id, newest, *new_verdict)
            else:
                judged = connection.execute(select(_verdicts.c.analysis_id).where(_verdicts.c.id == verdict_id)).scalar()
                if judged not in (None, newest):
                    raise corrections.corrected_meanwhile(run_id, self.name)
            record_id = chain.insert(
                connection, _records, run_id=run_id, verdict_id=verdict_id, serial=serial, made_at=utc_now(),
            )
            for kind, content in contents.items():
                chain.insert(
                    connection, _record_files, record_id=record_id, kind=kind, bytes=content,
                    sha256=hashlib.sha256(content).hexdigest(),
                )
        return record_id

    def records(self, run_id: int) -> list[RecordRow]:
        """All records of a run, oldest first."""
        with self._database.read() as connection:
            heads = connection.execute(
                select(_records).where(_records.c.run_id == as_key(run_id)).order_by(_records.c.id)
            ).all()
            digests = connection.execute(
                select(_record_files.c.record_id, _record_files.c.kind, _record_files.c.sha256)
                .join(_records, _records.c.id == _record_files.c.record_id).where(_records.c.run_id == as_key(run_id))
            ).all()
            if not heads:
                check_run(connection, run_id, self.name)
        return [
            RecordRow(
                head.id, head.run_id, head.verdict_id, head.serial, head.made_at,
                {row.kind: row.sha256 for row in digests if row.record_id == head.id},
            )
            for head in heads
        ]

    def record_bytes(self, record_id: int, kind: str) -> bytes:
        """A record as issued; ``kind`` is "html", "pdf" or "json", which records of earlier programs lack."""
        if kind not in RECORD_KINDS:
            raise ValueError(f"kind must be one of {RECORD_KINDS}, not {kind!r}")
        with self._database.read() as connection:
            row = connection.execute(
                select(_record_files).where(_record_files.c.record_id == as_key(record_id), _record_files.c.kind == kind)
            ).one_or_none()
            if row is None:
                raise no_such(connection, _records, "record", record_id, self.name)
        if hashlib.sha256(row.bytes).hexdigest() != row.sha256:
            raise wrong_digest(self.name, f"record {record_id} ({kind})")
        return row.bytes


def _kept_logs(connection: Connection, wanted: Any) -> list[KeptLog]:
    query = (
        select(
            _runs.c.id, _runs.c.pack_id, _run_logs.c.file, _run_logs.c.sha256, _logs.c.bytes,
            _runs.c.id.in_(corrections.withdrawn_runs()),
        )
        .join(_run_logs, _run_logs.c.run_id == _runs.c.id).join(_logs, _logs.c.sha256 == _run_logs.c.sha256)
        .where(wanted).order_by(_runs.c.id, _run_logs.c.position)
    )
    return [
        KeptLog(run_id, pack_id, file, sha256, size, bool(withdrawn))
        for run_id, pack_id, file, sha256, size, withdrawn in connection.execute(query)
    ]


def _refuse_held(connection: Connection, digests: Sequence[str]) -> None:
    held = _kept_logs(connection, _run_logs.c.sha256.in_(digests))
    if held:
        raise InputError(
            "this log is in the register already", held[0].file, f"run {held[0].run_id} of pack {held[0].pack_id} holds the same bytes",
            f"see it with: cycler show {held[0].run_id}",
        )


def _refuse_known(connection: Connection, pack_id: str, together: str) -> None:
    known = connection.execute(
        select(_runs.c.id, _runs.c.label, _runs.c.added_at)
        .where(
            _runs.c.pack_id == pack_id, _runs.c.logs_sha256 == together, _runs.c.id.not_in(corrections.withdrawn_runs()),
        ).order_by(_runs.c.id).limit(1)
    ).first()
    if known:
        label = f" ({known.label})" if known.label else ""
        raise InputError(
            "this log is in the register already", f"pack {pack_id}",
            f"run {known.id}{label} of {known.added_at} holds exactly the same bytes",
            f"see it with: cycler show {known.id}; to keep it twice on purpose: add --again",
        )


def _refuse_other_ratings(connection: Connection, pack_id: str, pack: Pack, name: str) -> None:
    """What was left out before, or is left out now, contradicts nothing; neither does a run that was withdrawn."""
    newest = newest_of(_analyses)
    rows = connection.execute(
        select(_runs.c.id, _analyses.c.pack_json).join(newest, newest.c.run_id == _runs.c.id)
        .join(_analyses, _analyses.c.id == newest.c.id)
        .where(_runs.c.pack_id == pack_id, _runs.c.id.not_in(corrections.withdrawn_runs())).order_by(_runs.c.id)
    ).all()
    known = {
        key: (value, row.id) for row in rows
        for key, value in stored_json(row.pack_json, f"pack of run {row.id}", name).items() if value is not None
    }
    differ = [
        f"{key} = {getattr(pack, key)}, but {known[key][0]} in run {known[key][1]}" for key in RATINGS
        if key in known and getattr(pack, key) is not None and not ratings_alike(getattr(pack, key), known[key][0])
    ]
    if differ:
        raise InputError(
            "the pack has other ratings in the register", f"pack {pack_id}", "; ".join(differ),
            "correct id or ratings in the pack file; if the pack was rebuilt with other ratings: add --new-ratings",
        )


def ratings_alike(given: Any, known: Any) -> bool:
    """True if two ratings say the same, but for what rounding does to a number."""
    return given == known if isinstance(known, str) else math.isclose(given, known, rel_tol=1e-6)
