"""The acts that the command line and the dashboard have in common.

Bytes in, results out: reading files from disk and printing belong to the callers, apart from :func:`load_sources`, the
beginning of the chain; its end is the module ``issuing``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from cycler.errors import InputError

if TYPE_CHECKING:
    from cycler.analysis import Analysis
    from cycler.analysis import Progress as Stages
    from cycler.columns_memory import ColumnsMemory, RememberedColumns
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.pack import Pack
    from cycler.readers import Columns, ColumnsFile
    from cycler.readers.encoding import Progress
    from cycler.register import Register, Run

Sources = Sequence[tuple[str, bytes]]
"""Log files as (name, raw bytes), in any order."""


def load_sources(
    paths: Sequence[str | Path], whole_path: bool = True, progress: Progress | None = None,
) -> list[tuple[str, bytes]]:
    """Raw bytes of log files. ``whole_path`` keeps the path as given for messages, else the file's name alone.

    Raises
    ------
    InputError
        File missing, a folder, or not readable.
    """
    from cycler.readers.encoding import read_bytes

    return [(str(path) if whole_path else Path(path).name, read_bytes(path, progress)) for path in paths]


@dataclass(frozen=True, slots=True)
class UsedColumns:
    """Columns files to read the parts of a test with. ``remembered``: nobody named them, the register knew them."""

    columns: Columns = None
    remembered: bool = False

    def read(self, sources: Sources, progress: Callable[[float], None] | None = None) -> Log:
        """The log of these parts; ``progress`` hears which share of them is read. InputError if they cannot be used."""
        from cycler.readers import read_logs_bytes

        try:
            return read_logs_bytes(list(sources), self.columns, progress)
        except InputError as error:
            if not self.remembered:
                raise
            names = ", ".join(dict.fromkeys(item.file for item in self.files() if item is not None))
            raise InputError(
                error.what, error.where, f"{error.why} (read with the {names})",
                f"{error.mend}; if that columns file does not belong to this log: --ignore-remembered",
            ) from None

    def with_said(self, parts: int, **said: bool) -> UsedColumns:
        """The same, with what was said of this test alone: ``allow_bad_rows``, ``no_pause``."""
        from cycler.readers import ColumnsFile

        files = self.files() if isinstance(self.columns, Sequence) else self.files() * parts
        changes: dict[str, Any] = dict(said)
        return replace(self, columns=tuple(replace(own or ColumnsFile(), **changes) for own in files))

    def files(self) -> list[ColumnsFile | None]:
        """The columns files one by one."""
        return list(self.columns) if isinstance(self.columns, Sequence) else [self.columns]


def remembered_columns(memory: ColumnsMemory, sources: Sources) -> UsedColumns:
    """The columns files that a register knows for the headings of these logs."""
    return columns_for(memory.all(), sources)


def columns_for(remembered: Iterable[RememberedColumns], sources: Sources) -> UsedColumns:
    """Those of ``remembered`` that are for the headings of these logs."""
    from cycler.readers.headings import find_headings

    known = {item.key: item for item in remembered}
    if not known:
        return UsedColumns()
    files = []
    for name, raw in sources:
        found = find_headings(raw, name, set(known))
        files.append(known[found.key].as_used(found.line) if found is not None else None)
    return UsedColumns(tuple(files), True) if any(files) else UsedColumns()


class Remembered(NamedTuple):
    """Headings that the register knows from now on, and logs without headings, which cannot be known again."""

    headings: tuple[str, ...] = ()
    unknowable: tuple[str, ...] = ()


_DOUBTFUL = {"unit_doubtful", "sign_doubtful"}


def remember_columns(
    register: Register, sources: Sources, used: UsedColumns, run_id: int, analysis: dict[str, Any],
) -> Remembered:
    """Have the register use the columns files of a run that was kept again, unless it does so already.

    One that gave readings in doubt is not used again.
    """
    if _DOUBTFUL & {warning.get("code") for warning in (analysis.get("reading") or {}).get("warnings") or ()}:
        return Remembered()
    from cycler.readers import ColumnsFile
    from cycler.readers.headings import headings_of

    if used.remembered or used.columns is None:
        return Remembered()
    files = [used.columns] * len(sources) if isinstance(used.columns, ColumnsFile) else used.columns
    new: dict[str, str] = {}
    unknowable = []
    for (name, raw), own in zip(sources, files, strict=True):
        if own is None or not own.says_something:
            continue
        found = headings_of(raw, name, own)
        if found is None:
            unknowable.append(name)
        elif found.key not in new and register.columns_memory.remember(found.key, found.text, own, run_id):
            new[found.key] = found.text
    return Remembered(tuple(new.values()), tuple(unknowable))


def analyse_sources(
    sources: Sources, pack: Pack, criteria: Criteria | None = None, used: UsedColumns | None = None, progress: Stages | None = None,
) -> tuple[Log, Analysis]:
    """Read the parts of one test and analyse them. InputError if they cannot be used.

    ``progress`` hears of the stage "reading" and of those of :func:`cycler.analysis.analyze`; what it raises ends the work.
    """
    from cycler.analysis import analyze

    log = (used or UsedColumns()).read(sources, (lambda share: progress("reading", share)) if progress is not None else None)
    return log, analyze(log, pack, criteria, progress)


def add_logs(
    register: Register, sources: Sources, pack: Pack, label: str, criteria: Criteria,
    used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False, progress: Stages | None = None,
    stored: Callable[[int, Log], None] | None = None,
) -> int:
    """Analyse logs and keep them as a run with its first verdict; returns the number of the run.

    ``progress`` hears of the stages of :func:`analyse_sources`, then of "storing", after which nothing is heard: if it raises,
    nothing is stored. ``stored`` is handed the number of the run and its log as soon as it is kept.
    """
    log, made = analyse_sources(sources, pack, criteria, used, progress)
    analysis = made.to_dict()
    if progress is not None:
        progress("storing", None)
    run_id = keep_run(register, sources, pack, label, analysis, criteria, used, again, new_ratings)
    if used is not None:
        remember_columns(register, sources, used, run_id, analysis)
    if stored is not None:
        stored(run_id, log)
    return run_id


def keep_run(
    register: Register, sources: Sources, pack: Pack, label: str, analysis: dict[str, Any], criteria: Criteria,
    used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False, once: bool = False,
) -> int:
    """Keep logs that were analysed already; returns the number of the run. See :func:`remember_columns`.

    An open danger on the pack's card counts in the verdict that is kept. ``once`` refuses a log that any run holds.
    """
    from cycler.storage import columns_to_text

    dangers = register.open_dangers(pack.id) if pack.id else []
    if dangers and analysis.get("verdict"):
        analysis = analysis | {"verdict": judge(analysis, criteria, None, dangers)}
    return register.add_run(
        pack=pack, sources=sources, analysis=analysis, label=label, criteria=criteria, again=again,
        new_ratings=new_ratings, once=once,
        columns_text=columns_to_text(used.columns) if used is not None and used.columns is not None else None,
    )


def judge(
    analysis: dict[str, Any], criteria: Criteria, before: Mapping[str, Any] | None = None, dangers: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """The verdict on a stored analysis by a set of criteria.

    Parameters
    ----------
    before : dict, optional
        The run it is compared with, of :func:`before_of`; criteria on what changed need it.
    dangers : sequence of dict
        Open dangers of the pack's card: each is a veto.
    """
    from cycler.compare import reduced
    from cycler.verdict import decide

    bare = {key: value for key, value in analysis.items() if key not in ("verdict", "before")}
    if before is not None:
        bare["before"] = reduced(before["analysis"])
    return decide(bare, criteria, dangers) | {"judged_with": judged_with(before, dangers)}


def judged_with(before: Mapping[str, Any] | None, dangers: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """What besides log and criteria a verdict rests on; None if nothing does."""
    if before is None and not dangers:
        return None
    return {"before_run": before["run"] if before else None, "dangers": [item["message"] for item in dangers]}


def decide_run(
    register: Register, run_id: int, criteria: Criteria, against: int | None = None, by: str | None = None, remark: str | None = None,
) -> dict[str, Any]:
    """Judge a run, keep the verdict beside the earlier ones, and return it. Open dangers of the pack's card count.

    ``by`` and ``remark`` (see :func:`cycler.storage.kept_decision`) stand beside the result and change nothing of it.
    """
    from cycler.storage import kept_decision

    decision = kept_decision(by, remark)
    register.check_writable()
    run = register.run(run_id)
    verdict = with_decision(_judge_run(register, run, criteria, against), decision)
    register.add_verdict(run_id, verdict, criteria, run.analysis_id)
    return verdict


def with_decision(verdict: dict[str, Any], decision: dict[str, str | None] | None) -> dict[str, Any]:
    """The verdict with who decided and the remark; as it is where nobody said anything."""
    return verdict | {"decided": decision} if decision else verdict


def look_at_run(register: Register, run_id: int, criteria: Criteria, against: int | None = None) -> dict[str, Any]:
    """The same, and nothing is kept."""
    return _judge_run(register, register.run(run_id), criteria, against)


def _judge_run(register: Register, run: Run, criteria: Criteria, against: int | None) -> dict[str, Any]:
    return judge(run.analysis, criteria, before_of(register, run, against), register.open_dangers(run.pack_id))


def before_of(register: Register, run: Run, against: int | None) -> dict[str, Any] | None:
    """The run that another one is compared with, in the form that a record keeps; None if none is named.

    Raises
    ------
    InputError
        ``against`` is the run itself, was withdrawn, or is not in the register.
    """
    if against is None:
        return None
    if against == run.id:
        raise InputError(
            f"run {run.id} cannot be compared with itself", register.name, "--against names the very run", "name another run",
        )
    register.refuse_withdrawn(against)
    other = register.run(against)
    return {
        "run": other.id,
        "name": run_name(other),
        "run_label": other.label,
        "started_at": other.started_at,
        "pack": other.pack.to_dict(),
        "columns": columns_settings(other),
        "sources": source_rows(other),
        "analysis": {key: value for key, value in other.analysis.items() if key != "verdict"},
    }


def run_name(run: Run) -> str:
    """Pack and label of a run, as it stands in a comparison."""
    return f"{run.pack_id}, {run.label or f'run {run.id}'}"


def source_rows(run: Run) -> list[dict[str, Any]]:
    """Names, digests and sizes of a run's log files, in the order of reading."""
    return [{"file": item.file, "sha256": item.sha256, "bytes": item.bytes} for item in run.sources]


def columns_settings(run: Run) -> Any:
    """What the columns file of a run said, as plain values; None if there was none."""
    return json.loads(run.columns_text) if run.columns_text is not None else None


@dataclass(frozen=True, slots=True)
class KnownDanger:
    """Danger that the register knows of a pack: where it was found (None: written on its card), and the sentences."""

    run_id: int | None
    label: str
    messages: tuple[str, ...]


def known_dangers(register: Register, pack_id: str) -> list[KnownDanger]:
    """Runs of a pack whose analysis holds a finding of danger, oldest first, and what is open on its card."""
    found = []
    for row in register.runs(pack_id):
        if row.findings_danger:
            findings = register.run(row.id).analysis.get("findings") or []
            messages = tuple(str(item.get("message")) for item in findings if item.get("severity") == "danger")
            found.append(KnownDanger(row.id, row.label, messages))
    card = tuple(str(item["message"]) for item in register.open_dangers(pack_id))
    return [*found, KnownDanger(None, "", card)] if card else found


def analysis_as_judged(register: Register, run_id: int) -> dict[str, Any]:
    """A run's analysis with its newest verdict in place of the one it was made with."""
    analysis = register.run(run_id).analysis
    latest = register.latest_verdict(run_id)
    return analysis | {"verdict": latest.verdict} if latest else analysis
