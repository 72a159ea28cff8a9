"""The one door to ``cycler``: register, analysis, criteria, comparison and records, as the pages need them.

Pages and figures see only what is defined here. Logs are read again from the raw bytes in the register; the few last
used stay in memory, keyed by the digests of those bytes, so that zooming does not read a file.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.pack import CHEMISTRIES, Pack, pack_from_dict
from dashboard import text
from dashboard.figures.curves import Curves, curves_of

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.incrementaltable import WayCurves
    from cycler.log import Log
    from cycler.readers import Columns
    from cycler.readers.columnsfile import ColumnsFile
    from cycler.readers.outline import Outline
    from cycler.workflow import UsedColumns

__all__ = ["CHEMISTRIES", "Door", "Pack"]

Sources = Sequence[tuple[str, bytes]]
"""Logs as (name, bytes)."""

CURVES_KEPT = 8
"""Logs kept in memory at once: as many as a comparison may show."""

DERIVED_KEPT = 16
"""Curves of charge per volt kept at once: those of a comparison, with two windows."""

OUTLINES_KEPT = 6
"""Logs of at most :data:`PREVIEW_BYTES` kept with how they were understood."""

PREVIEW_BYTES = 8_000_000
"""Bytes of a test's logs that are read again at each change of the form of the columns: about a quarter of a second."""

COMPARE_MAX = 8
RECORD_KINDS = {"pdf": "application/pdf", "html": "text/html", "json": "application/json"}


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


@dataclass(frozen=True, slots=True)
class PackItem:
    """A pack in a list, with its newest run."""

    id: str
    chemistry: str | None
    series: int | None
    parallel: int | None
    rated_capacity_ah: float | None
    runs: int
    newest: RunItem | None


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


class _Kept:
    """Last used values by key; one thread fills a key, the others wait."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._values: OrderedDict[Any, Any] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Any, make: Callable[[], Any]) -> Any:
        with self._lock:
            if key not in self._values:
                self._values[key] = make()
                while len(self._values) > self._size:
                    self._values.popitem(last=False)
            self._values.move_to_end(key)
            return self._values[key]


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


class Door:
    """What the pages may ask of the program.

    Parameters
    ----------
    register_path : str, Path or None
        File or address of the register; ``None`` is the one in the user's data directory. It is made if there is none.
    key_path : str, Path or None
        File of the key that seals records; ``None`` is the workshop's own. It is made with the first record.

    Raises
    ------
    InputError
        The register cannot be opened.
    """

    def __init__(self, register_path: str | Path | None, key_path: str | Path | None = None) -> None:
        from cycler.register import Register

        self._key_path = key_path

        self._register = Register.open(register_path, create=True)
        self._curves = _Kept(CURVES_KEPT)
        self._derived = _Kept(DERIVED_KEPT)
        self._outlines = _Kept(OUTLINES_KEPT)

    @property
    def register_name(self) -> str:
        """File or address of the register, without a password."""
        return self._register.name

    def close(self) -> None:
        """Let go of the register."""
        self._register.close()

    # ---- lists -------------------------------------------------------------------------------------------------

    def runs(self, pack_id: str | None = None) -> list[RunItem]:
        """All runs, newest first."""
        return [_run_item(row) for row in reversed(self._register.runs(pack_id))]

    def packs(self) -> list[PackItem]:
        """All packs by id, each with its newest run."""
        newest = {item.id: item for item in self.runs()}
        return [
            PackItem(
                row.id, row.chemistry, row.series, row.parallel, row.rated_capacity_ah, row.runs,
                newest.get(row.last_run_id),
            )
            for row in self._register.packs()
        ]

    def open_dangers(self) -> list[str]:
        """A sentence for every danger that stands open on the card of a pack."""
        return [
            text.PACK_DANGER.format(pack=pack_id, **danger)
            for pack_id, dangers in self._register.cards.all_open_dangers().items() for danger in dangers
        ]

    # ---- one run -----------------------------------------------------------------------------------------------

    def run(self, run_id: int) -> RunDetail:
        """One run with its analysis. InputError if there is none of that number."""
        run = self._register.run(run_id)
        return RunDetail(run.id, run.pack_id, run.label, run.added_at, run.started_at, run.analysis)

    def known_besides(self, run_id: int) -> list[str]:
        """What was said of a run after its test: open dangers of the pack's card, corrections, that it was withdrawn."""
        run = self._register.run(run_id)
        dangers = [text.CARD_DANGER.format(**item) for item in self._register.open_dangers(run.pack_id)]
        corrections = self._register.corrections(run_id)
        return dangers + [text.COUNTS_NO_MORE] * run.withdrawn + [
            text.CORRECTED[item["kind"]].format(who=item["who"], at=text.date_text(item["at"]), why=item["why"]) for item in corrections
        ]

    def curves(self, run_id: int) -> Curves:
        """Series of a run's log, read from the raw bytes unless among the last used."""
        from cycler.temperaturetable import with_temperatures

        run = self._register.run(run_id)
        # The same log with another curve of its thermistors has other temperatures.
        key = (tuple(source.sha256 for source in run.sources), run.columns_text, run.pack.thermistor)
        names = {group["group"]: text.group_name(group).capitalize() for group in run.analysis.get("groups") or ()}
        return self._curves.get(key, lambda: curves_of(with_temperatures(self._register.log(run_id), run.pack)[0], names))

    def incremental(self, run_id: int, window_v: float | None = None) -> dict[str, WayCurves]:
        """Curves of charge per volt of a run, with its own window or a given one [V]; none from an earlier version's analysis."""
        from cycler.incrementaltable import incremental_curves

        return self._derived.get(
            (run_id, window_v), lambda: incremental_curves(self._register.log(run_id), self._register.run(run_id).analysis, window_v)
        )

    # ---- adding ------------------------------------------------------------------------------------------------

    def used(self, sources: Sources, columns: ColumnsFile | None = None, leave_out: bool = False) -> UsedColumns:
        """What to read logs with: ``columns`` if there is one, else what the register knows unless it is left out."""
        from cycler.workflow import UsedColumns, remembered_columns

        if columns is not None:
            return UsedColumns(columns)
        return UsedColumns() if leave_out else remembered_columns(self._register.columns_memory, sources)

    def outline(self, sources: Sources, columns: Columns = None) -> Outline:
        """How far logs are understood; the last ones are kept. InputError where the first log is no text."""
        from cycler.readers.outline import outline

        key = (tuple((name, hashlib.sha256(raw).digest()) for name, raw in sources), columns)
        return self._outlines.get(key, lambda: outline(sources, columns))

    def is_text(self, source: tuple[str, bytes]) -> bool:
        """False for a log whose bytes are no text: no form of its columns would mend that."""
        from cycler.readers.encoding import decode

        try:
            decode(source[1], source[0])
        except InputError:
            return False
        return True

    def look(self, sources: Sources, used: UsedColumns) -> Look:
        """Read logs without keeping them. InputError if they cannot be read."""
        log: Log | None = None
        if sum(len(raw) for _name, raw in sources) <= PREVIEW_BYTES:
            log = self.outline(sources, used.columns).log
        if log is None:
            log = used.read(sources)
        reading = log.reading
        return Look(
            log.rows, log.duration_s, log.series, int(log.temperature_c.shape[1]), reading.discharge_is,
            reading.sign_evidence, log.started_at.isoformat(" ", "minutes") if log.started_at else None,
            tuple(warning.message for warning in reading.warnings),
            frozenset(warning.code for warning in reading.warnings), reading.header_row is not None,
        )

    def pack_of(self, pack_id: str) -> Pack:
        """What was known of a pack at its newest run."""
        runs = self._register.runs(pack_id)
        if not runs:
            raise InputError(
                "there is no such pack", quote(pack_id), "no run of it is in the register", "choose another or a new one"
            )
        return self._register.run(runs[-1].id).pack

    def add(
        self, sources: Sources, pack: Pack, label: str, criteria_name: str,
        used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False,
    ) -> int:
        """Read, analyse and keep logs as a run; returns its number. InputError if they cannot be used.

        A columns file that was given is used from then on for logs with the same headings.
        """
        from cycler.workflow import add_logs

        return add_logs(self._register, sources, pack, label, self.criteria(criteria_name), used, again, new_ratings)

    def remembers(self, run_id: int) -> bool:
        """True if logs with the headings of this run are read with its columns file from now on."""
        return any(item.run_id == run_id for item in self._register.columns_memory.all())

    def known_columns(self, sources: Sources) -> list[KnownColumns]:
        """Columns files that the register uses for the headings of these logs."""
        from cycler.readers.headings import find_headings

        known = {item.key: item for item in self._register.columns_memory.all()}
        found = [find_headings(raw, name, set(known)) for name, raw in sources]
        used = {item.key: known[item.key].as_used(item.line) for item in found if item is not None}
        return [KnownColumns(known[key].id, own.file) for key, own in used.items()]

    def forget_columns(self, numbers: Sequence[int]) -> list[str]:
        """Use columns files no more; runs that were read with them keep them. Returns their names.

        InputError if one of them is not in use: then none is forgotten.
        """
        memory = self._register.columns_memory
        found = [memory.one(number) for number in numbers]
        for item in found:
            memory.forget(item.id)
        return [item.as_used(1).file for item in found]

    # ---- verdicts and records ----------------------------------------------------------------------------------

    def criteria_sets(self) -> list[CriteriaItem]:
        """Criteria sets that come with the program, the default first."""
        from cycler.criteria import load_criteria, shipped_sets

        sets = [load_criteria(name) for name in shipped_sets()]
        return [CriteriaItem(item.name, item.title, item.about) for item in sets]

    def criteria(self, name: str) -> Criteria:
        """A shipped criteria set by name; never a path, since the name comes from the address."""
        from cycler.criteria import load_criteria, shipped_sets

        if name not in shipped_sets():
            raise InputError(
                f"unknown set of criteria {quote(name)}", "address of the page", "it does not come with the program",
                f"choose one of {', '.join(shipped_sets())}",
            )
        return load_criteria(name)

    def judged(self, run_id: int, criteria_name: str | None = None) -> tuple[dict[str, Any], str | None]:
        """Verdict of a run and when it was kept.

        Without ``criteria_name`` the newest kept verdict; with it the verdict by that set, computed afresh and not kept
        (``None`` for when), unless the newest kept one was made by the very same set.
        """
        latest = self._register.latest_verdict(run_id)
        if criteria_name is None:
            if latest is not None:
                return latest.verdict, latest.decided_at
            criteria_name = self.criteria_sets()[0].name
        criteria = self.criteria(criteria_name)
        if latest is not None and latest.criteria_sha256 == criteria.sha256:
            return latest.verdict, latest.decided_at
        from cycler.workflow import look_at_run

        return look_at_run(self._register, run_id, criteria), None

    def keep_verdict(self, run_id: int, criteria_name: str) -> dict[str, Any]:
        """Judge a run and keep the verdict; open dangers of the pack's card count."""
        from cycler.workflow import decide_run

        return decide_run(self._register, run_id, self.criteria(criteria_name))

    def make_record(self, run_id: int, criteria_name: str | None, workshop: str | None = None) -> str:
        """Issue a record of a run, with the workshop's name if there is one; returns its serial."""
        from cycler.issuing import Wanted, make_record
        from cycler.proof.keys import load_or_make_key

        criteria = self.criteria(criteria_name) if criteria_name else None
        return make_record(self._register, run_id, Wanted(criteria, workshop or None), load_or_make_key(self._key_path))

    def records(self, run_id: int) -> list[RecordItem]:
        """Records of a run, newest first."""
        verdicts = {row.id: row for row in self._register.verdicts(run_id)}
        return [
            RecordItem(
                row.id, row.serial, row.made_at,
                verdicts[row.verdict_id].result if row.verdict_id in verdicts else None,
                verdicts[row.verdict_id].criteria_name if row.verdict_id in verdicts else None,
                tuple(kind for kind in RECORD_KINDS if kind in row.sha256),
            )
            for row in reversed(self._register.records(run_id))
        ]

    def record_file(self, record_id: int, kind: str) -> bytes:
        """A record as issued; ``kind`` is a key of :data:`RECORD_KINDS`."""
        return self._register.record_bytes(record_id, kind)

    def quantity(self, quantity_id: str) -> Criterion:
        """Label and inner unit of a quantity that a criterion is set on."""
        from cycler.criteria_quantities import QUANTITIES

        found = QUANTITIES.get(quantity_id)
        return Criterion(quantity_id.replace("_", " "), "") if found is None else Criterion(found.label, found.unit)

    # ---- comparison --------------------------------------------------------------------------------------------

    def compare(self, run_ids: list[int], reference: int) -> dict[str, Any]:
        """Table of differences; ``reference`` is the index of the run the others are held against."""
        from cycler.compare import compare

        runs = [self._register.run(run_id) for run_id in run_ids]
        return compare([run.analysis for run in runs], [run_name(run) for run in runs], reference)


def reading_doubts(analysis: dict[str, Any]) -> list[str]:
    """Messages of what speaks against the way a log was read: they put every figure in doubt."""
    from cycler.commands.reading_output import READING_DOUBTS

    warnings = (analysis.get("reading") or {}).get("warnings") or ()
    return [str(item.get("message")) for item in warnings if item.get("code") in READING_DOUBTS]


def run_name(run: Any) -> str:
    """How a run is called beside others: pack, label and number."""
    return f"{run.pack_id} {run.label} (run {run.id})".replace("  ", " ")


def _run_item(row: Any) -> RunItem:
    return RunItem(
        row.id, row.pack_id, row.label, row.added_at, row.started_at, row.files, row.capacity_ah, row.u_capacity_ah,
        bool(row.capacity_valid), bool(row.capacity_is_lower_bound), row.limiting_group, row.verdict,
        row.criteria_name, row.findings_danger, row.findings_defect, row.findings_caution, row.withdrawn,
    )


def columns_from_text(content: str, name: str) -> ColumnsFile:
    """What a dropped columns file says, with its own name and line numbers in the errors. InputError as for a file."""
    from cycler.readers.columnsfile import parse_columns

    return parse_columns(content, name)


def pack_from_form(values: dict[str, Any], instrument: dict[str, Any]) -> Pack:
    """A :class:`Pack` from what was typed; empty fields are left out. InputError as for a pack file."""
    data = {key: value for key, value in values.items() if value not in (None, "")}
    limits = {key: value for key, value in instrument.items() if value not in (None, "")}
    if limits:
        data["instrument"] = limits
    return pack_from_dict(data, "the form")


def is_pack_text(text: str) -> bool:
    """True unless a TOML text is a columns file: it has keys of one, or a ``[[column]]`` block where it is no TOML at all."""
    import tomllib

    try:
        keys = set(tomllib.loads(text))
    except (ValueError, RecursionError):
        return re.search(r"^\s*\[\[\s*column\s*\]\]", text, re.MULTILINE) is None
    return not keys or bool(keys & {item.name for item in fields(Pack)})


def pack_from_text(text: str, name: str) -> Pack:
    """A :class:`Pack` from the text of a dropped pack file, with line numbers in its errors."""
    from cycler.tomlsource import PACK_FILE, parse_toml

    data, text = parse_toml(text.encode("utf-8"), name, PACK_FILE)
    return pack_from_dict(data, name, text)
