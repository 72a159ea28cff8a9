"""What the pages are handed: runs, packs, records, criteria sets in a few plain figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True, slots=True)
class RunItem:
    """A run in a list. ``verdict`` is pass, fail, not_proven or None (not judged yet)."""

    id: int
    pack_id: str
    label: str
    added_at: str
    started_at: str | None
    files: int
    capacity_ah: float | None
    u_capacity_ah: float | None
    capacity_valid: bool
    capacity_is_lower_bound: bool
    limiting_group: int | None
    verdict: str | None
    criteria_name: str | None
    dangers: int
    defects: int
    cautions: int
    withdrawn: bool = False
    state_of_health: float | None = None
    u_state_of_health: float | None = None
    open_dangers: int = 0
    """On the card of the pack."""


@dataclass(frozen=True, slots=True)
class PackItem:
    """A pack in a list, with its last test that counts. ``added_later`` counts too; it was added after that, with an earlier date."""

    id: str
    chemistry: str | None
    series: int | None
    parallel: int | None
    rated_capacity_ah: float | None
    runs: int
    newest: RunItem | None
    workshop_number: str | None = None
    open_dangers: int = 0
    withdrawn: int = 0
    added_later: int | None = None


@dataclass(frozen=True, slots=True)
class ListPage:
    """One page of a list: its items, how many match on all pages, how many there are at all."""

    items: list[Any]
    matching: int
    every: int
    page: int
    pages: int


@dataclass(frozen=True, slots=True)
class RunDetail:
    """One run with its analysis (the object ``analyze --json`` prints)."""

    id: int
    pack_id: str
    label: str
    added_at: str
    started_at: str | None
    analysis: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RecordItem:
    """A record kept in the register."""

    id: int
    serial: str
    made_at: str
    result: str | None
    criteria_name: str | None
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CriteriaItem:
    """A criteria set that can be chosen."""

    name: str
    title: str
    about: str


@dataclass(frozen=True, slots=True)
class Look:
    """How dropped logs would be read, before anything is stored."""

    rows: int
    duration_s: float
    groups: int
    temperatures: int
    discharge_is: str
    sign_evidence: str
    started_at: str | None
    warnings: tuple[str, ...]
    warning_codes: frozenset[str] = frozenset()
    has_headings: bool = True


@dataclass(frozen=True, slots=True)
class KnownColumns:
    """A columns file that the register uses again, with the name that it is read under."""

    id: int
    name: str


@dataclass(frozen=True, slots=True)
class Criterion:
    """What the pages need to say of a quantity that is judged."""

    label: str
    unit: str


def run_item(row: Any) -> RunItem:
    return RunItem(
        row.id, row.pack_id, row.label, row.added_at, row.started_at, row.files, row.capacity_ah, row.u_capacity_ah,
        bool(row.capacity_valid), bool(row.capacity_is_lower_bound), row.limiting_group, row.verdict,
        row.criteria_name, row.findings_danger, row.findings_defect, row.findings_caution, row.withdrawn,
    )


def line_item(line: Any) -> RunItem:
    """A run of a page of the list, with the uncertainty of its state of health and the dangers of its pack."""
    return replace(
        run_item(line.run), state_of_health=line.run.state_of_health, u_state_of_health=line.u_state_of_health,
        open_dangers=line.open_dangers,
    )


def pack_item(line: Any) -> PackItem:
    return PackItem(
        line.id, line.chemistry, line.series, line.parallel, line.rated_capacity_ah, line.runs,
        line_item(line.newest) if line.newest else None, line.workshop_number, line.open_dangers, line.withdrawn, line.added_later,
    )


def run_name(run: Any) -> str:
    """How a run is called beside others: pack, label and number."""
    return f"{run.pack_id} {run.label} (run {run.id})".replace("  ", " ")
