"""Rows of the register: what comes back of packs, runs, verdicts and records, and how what two modules write is written."""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Subquery, Table, func, select

from cycler import chain
from cycler.database import utc_now
from cycler.errors import InputError
from cycler.migrations import SCHEMA
from cycler.pack import Pack
from cycler.storage import as_json, clean_text, stored_json

if TYPE_CHECKING:
    from cycler.criteria import Criteria

SEVERITIES = ("info", "caution", "defect", "danger")

_runs = SCHEMA.tables["runs"]
_analyses = SCHEMA.tables["analyses"]
_verdicts = SCHEMA.tables["verdicts"]


@dataclass(frozen=True, slots=True)
class PackRow:
    """One pack of the register; ratings are those of its newest run. A pack may have a card before its first run."""

    id: str
    added_at: str
    runs: int
    last_run_id: int | None
    chemistry: str | None = None
    series: int | None = None
    parallel: int | None = None
    rated_capacity_ah: float | None = None


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run in a list: its newest analysis, and the newest verdict on that, in a few figures."""

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
    withdrawn: bool = False
    corrections: int = 0

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
class KeptLog:
    """A log file that the register holds, and the run that it is part of."""

    run_id: int
    pack_id: str
    file: str
    sha256: str
    bytes: int
    withdrawn: bool


@dataclass(frozen=True, slots=True)
class Run:
    """One run with its newest analysis. ``pack`` is what was known of the pack when that was made."""

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
    withdrawn: bool = False


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
    """One record that was issued. ``sha256`` by kind (html, pdf, json)."""

    id: int
    run_id: int
    verdict_id: int
    serial: str
    made_at: str
    sha256: Mapping[str, str]


_NUMBER_MAX = 2**31 - 1
"""Highest number that every database takes for the rows of a table."""


def as_key(number: int) -> int:
    """``number`` as the number of a row; what no row can have becomes 0, which none has."""
    return number if 0 < number <= _NUMBER_MAX else 0


def analysis_values(analysis: dict[str, Any], pack: Pack, columns_text: str | None) -> dict[str, Any]:
    """Columns of an analysis, but for its run and its time. ValueError if it holds a NaN."""
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


def newest_of(table: Table) -> Subquery:
    """The highest ``id`` of each run's rows in ``table``."""
    return select(table.c.run_id, func.max(table.c.id).label("id")).group_by(table.c.run_id).subquery()


def newest_verdict() -> Subquery:
    """The newest verdict on each run's newest analysis: one on an analysis that was corrected since holds no more."""
    newest = newest_of(_analyses)
    return (
        select(_verdicts.c.run_id, func.max(_verdicts.c.id).label("id"))
        .join(newest, newest.c.id == _verdicts.c.analysis_id).group_by(_verdicts.c.run_id).subquery()
    )


def newest_analysis_id(connection: Connection, run_id: int, name: str) -> int:
    """Number of a run's newest analysis. InputError if there is no such run."""
    found = connection.execute(select(func.max(_analyses.c.id)).where(_analyses.c.run_id == as_key(run_id))).scalar()
    if found is None:
        raise no_such(connection, _runs, "run", run_id, name)
    return int(found)


def insert_verdict(
    connection: Connection, run_id: int, analysis_id: int, verdict: dict[str, Any], criteria: Criteria,
) -> int:
    """Keep a verdict with the criteria it was made by; returns its number."""
    return chain.insert(
        connection, _verdicts, run_id=run_id, analysis_id=analysis_id, decided_at=utc_now(),
        result=verdict["result"], criteria_name=clean_text(criteria.name), criteria_sha256=criteria.sha256,
        criteria_text=criteria_text(criteria), json=as_json(verdict),
    )


def criteria_text(criteria: Criteria) -> str:
    """The criteria file as it was judged by; its content as JSON for criteria that came from no file."""
    try:
        raw = Path(criteria.file).read_bytes()
        if hashlib.sha256(raw).hexdigest() == criteria.sha256:
            return raw.decode("utf-8")
    except (OSError, UnicodeDecodeError):
        pass
    return clean_text(criteria.text) or as_json(criteria.to_dict())  # the file has changed since it was read


def verdict_row(row: Any, name: str) -> VerdictRow:
    """A verdict as it comes back. InputError if it is damaged."""
    return VerdictRow(
        row.id, row.run_id, row.analysis_id, row.decided_at, row.result, row.criteria_name, row.criteria_sha256,
        row.criteria_text, stored_json(row.json, f"verdict of {row.decided_at} on run {row.run_id}", name),
    )


class DecidedMeanwhile(InputError):
    """Another program has kept a verdict since the state was read that this one was made on."""


class Expected(threading.local):
    """What must still be the newest verdict of a run when another is kept, as far as this thread has said so."""

    said: tuple[int, int | None] | None = None

    @contextlib.contextmanager
    def verdict(self, run_id: int, verdict_id: int | None) -> Iterator[None]:
        """Within it a verdict on the run is kept only while its newest one is ``verdict_id`` (None: it has none)."""
        self.said = (run_id, verdict_id)
        try:
            yield
        finally:
            self.said = None

    def check(self, connection: Connection, run_id: int, name: str) -> None:
        """To be asked in the transaction that keeps the verdict, so that of two programs one alone is right."""
        if self.said is None or self.said[0] != run_id:
            return
        newest = connection.execute(select(func.max(_verdicts.c.id)).where(_verdicts.c.run_id == run_id)).scalar()
        if newest != self.said[1]:
            raise DecidedMeanwhile(
                f"run {run_id} was decided on meanwhile", name, "another program has kept a verdict on it", "look at that one, then decide again",
            )


def check_run(connection: Connection, run_id: int, name: str) -> None:
    """InputError unless there is a run of this number."""
    if not connection.execute(select(_runs.c.id).where(_runs.c.id == as_key(run_id))).first():
        raise no_such(connection, _runs, "run", run_id, name)


def no_such(connection: Connection, table: Table, what: str, number: int, name: str) -> InputError:
    """The error for a number that no row of the table has."""
    highest = connection.execute(select(func.max(table.c.id))).scalar()
    why = f"its {what}s are numbered up to {highest}" if highest else f"it holds no {what} yet"
    shown = number if abs(number) < 10**40 else "of so many digits"
    return InputError(f"no {what} {shown} in the register", name, why, "see the numbers with: cycler list")
