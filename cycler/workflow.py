"""The acts that the command line and the dashboard have in common.

Bytes in, results out: reading files from disk and printing belong to the callers, apart from :func:`load_sources`,
:func:`issue_record` and :func:`write_kept_record`, the ends of the chain.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from cycler.errors import InputError, quote

if TYPE_CHECKING:
    from cycler.analysis import Analysis
    from cycler.columns_memory import ColumnsMemory
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.pack import Pack
    from cycler.readers import Columns
    from cycler.readers.encoding import Progress
    from cycler.register import Register

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

    def read(self, sources: Sources) -> Log:
        """The log of these parts. InputError if they cannot be used."""
        from cycler.readers import read_logs_bytes

        try:
            return read_logs_bytes(list(sources), self.columns)
        except InputError as error:
            if not self.remembered:
                raise
            names = ", ".join(dict.fromkeys(item.file for item in self.columns or () if item is not None))
            raise InputError(
                error.what, error.where, f"{error.why} (read with the {names})",
                f"{error.mend}; if that columns file does not belong to this log: --ignore-remembered",
            ) from None

    def with_said(self, parts: int, **said: bool) -> UsedColumns:
        """The same, with what was said of this test alone: ``allow_bad_rows``, ``no_pause``."""
        from cycler.readers import ColumnsFile

        files = [self.columns] * parts if self.columns is None or isinstance(self.columns, ColumnsFile) else self.columns
        return replace(self, columns=tuple(replace(own or ColumnsFile(), **said) for own in files))


def remembered_columns(memory: ColumnsMemory, sources: Sources) -> UsedColumns:
    """The columns files that a register knows for the headings of these logs."""
    from cycler.readers.headings import find_headings

    known = {item.key: item for item in memory.all()}
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
    sources: Sources, pack: Pack, criteria: Criteria | None = None, used: UsedColumns | None = None,
) -> tuple[Log, Analysis]:
    """Read the parts of one test and analyse them. InputError if they cannot be used."""
    from cycler.analysis import analyze

    log = (used or UsedColumns()).read(sources)
    return log, analyze(log, pack, criteria)


def add_logs(
    register: Register, sources: Sources, pack: Pack, label: str, criteria: Criteria,
    used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False,
) -> int:
    """Analyse logs and keep them as a run with its first verdict; returns the number of the run."""
    _log, made = analyse_sources(sources, pack, criteria, used)
    analysis = made.to_dict()
    run_id = keep_run(register, sources, pack, label, analysis, criteria, used, again, new_ratings)
    if used is not None:
        remember_columns(register, sources, used, run_id, analysis)
    return run_id


def keep_run(
    register: Register, sources: Sources, pack: Pack, label: str, analysis: dict[str, Any], criteria: Criteria,
    used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False,
) -> int:
    """Keep logs that were analysed already; returns the number of the run. See :func:`remember_columns`."""
    from cycler.storage import columns_to_text

    return register.add_run(
        pack=pack, sources=sources, analysis=analysis, label=label, criteria=criteria, again=again,
        new_ratings=new_ratings,
        columns_text=columns_to_text(used.columns) if used is not None and used.columns is not None else None,
    )


def judge(analysis: dict[str, Any], criteria: Criteria) -> dict[str, Any]:
    """The verdict on a stored analysis by another set of criteria."""
    from cycler.verdict import decide

    return decide({key: value for key, value in analysis.items() if key != "verdict"}, criteria)


def decide_run(register: Register, run_id: int, criteria: Criteria) -> dict[str, Any]:
    """Judge a run, keep the verdict beside the earlier ones, and return it."""
    register.check_writable()
    verdict = judge(register.run(run_id).analysis, criteria)
    register.add_verdict(run_id, verdict, criteria)
    return verdict


@dataclass(frozen=True, slots=True)
class KnownDanger:
    """Danger that the register knows of a pack: where it was found, and the sentences of the findings."""

    run_id: int
    label: str
    messages: tuple[str, ...]


def known_dangers(register: Register, pack_id: str) -> list[KnownDanger]:
    """Runs of a pack whose analysis holds a finding of danger, oldest first."""
    found = []
    for row in register.runs(pack_id):
        if row.findings_danger:
            findings = register.run(row.id).analysis.get("findings") or []
            messages = tuple(str(item.get("message")) for item in findings if item.get("severity") == "danger")
            found.append(KnownDanger(row.id, row.label, messages))
    return found


def analysis_as_judged(register: Register, run_id: int) -> dict[str, Any]:
    """A run's analysis with its newest verdict in place of the one it was made with."""
    analysis = register.run(run_id).analysis
    latest = register.latest_verdict(run_id)
    return analysis | {"verdict": latest.verdict} if latest else analysis


@dataclass(frozen=True, slots=True)
class _Draft:
    """A record ready to be issued. ``new`` judged it and is kept with it; None where ``verdict_id`` is in the register."""

    serial: str
    html: str
    pdf: bytes
    verdict: dict[str, Any]
    verdict_id: int | None
    new: Criteria | None


def make_record(
    register: Register, run_id: int, criteria: Criteria | None = None, workshop: str | None = None,
) -> tuple[str, str, bytes]:
    """Issue a record of a run and keep it in the register; no file is written.

    Parameters
    ----------
    criteria : Criteria, optional
        Judge by this set first, unless the newest verdict was made by the very same set. Without it the newest
        verdict stands; a run never judged is judged by the default set.
    workshop : str, optional
        Name of the workshop, as it stands on the record.

    Returns
    -------
    tuple of (serial, html, pdf)
    """
    for draft in _drafts(register, run_id, criteria, workshop):
        if _issue(register, run_id, draft):
            return draft.serial, draft.html, draft.pdf
    raise AssertionError("unreachable")


def issue_record(
    register: Register, run_id: int, folder: str | Path, criteria: Criteria | None = None, workshop: str | None = None,
    stem: str = "record",
) -> tuple[str, tuple[Path, Path]]:
    """Issue a record of a run, keep it in the register and write it as ``<stem>-<serial>.html`` and ``.pdf``.

    Both files lie in ``folder`` before the record is issued and get their names after it: where they cannot be
    written, none is issued. See :func:`make_record` for the parameters.

    Returns
    -------
    tuple of (serial, (html file, pdf file))

    Raises
    ------
    InputError
        The files cannot be written; the message says whether the record was issued.
    """
    folder = record_folder(folder)
    for draft in _drafts(register, run_id, criteria, workshop):
        with _ready_files(folder, draft.serial, draft.html.encode("utf-8"), draft.pdf, stem) as files:
            if not _issue(register, run_id, draft):
                continue
            try:
                return draft.serial, files.name_them()
            except InputError as error:
                raise InputError(
                    f"record {draft.serial} is issued and in the register, but it is not in the folder", error.where,
                    f"{error.what}: {error.why}",
                    f"write it out with: cycler record {run_id} --serial {draft.serial} --to FOLDER",
                ) from None
    raise AssertionError("unreachable")


def write_kept_record(
    register: Register, run_id: int, serial: str, folder: str | Path, stem: str = "record",
) -> tuple[Path, Path]:
    """Write a record that was issued before, byte for byte as the register keeps it.

    Raises
    ------
    InputError
        The run has no record of this serial (names those it has), or the files cannot be written.
    """
    records = {row.serial: row for row in register.records(run_id)}
    if serial not in records:
        known = ", ".join(records)
        raise InputError(
            f"run {run_id} has no record {quote(serial)}", register.name,
            f"its records are {known}" if known else "no record of it was issued yet",
            "name one of them" if known else f"issue one with: cycler record {run_id} --to FOLDER",
        )
    html, pdf = (register.record_bytes(records[serial].id, kind) for kind in ("html", "pdf"))
    with _ready_files(record_folder(folder), serial, html, pdf, stem) as files:
        return files.name_them()


_ATTEMPTS = 20


def _drafts(register: Register, run_id: int, criteria: Criteria | None, workshop: str | None) -> Iterator[_Draft]:
    """The record with the next serial, and again with the one after it if another program was quicker."""
    from cycler.record import build_record
    from cycler.storage import clean_text

    register.check_writable()
    run = register.run(run_id)
    verdict, verdict_id, new = _verdict_for(register, run_id, run.analysis, criteria)
    log = register.log(run_id)
    last = None
    for _attempt in range(_ATTEMPTS):
        serial = register.next_serial(run_id)
        if serial == last:
            break
        last = serial
        record = build_record(
            run.analysis | {"verdict": verdict}, run.pack, log, run_label=run.label, serial=serial,
            made_at=datetime.now(UTC).replace(microsecond=0), workshop=clean_text(workshop) if workshop else None,
        )
        yield _Draft(serial, record.html, record.pdf, verdict, verdict_id, new)
    raise InputError("no serial is free for the record", register.name, f"record {last} exists", "try again")


def _issue(register: Register, run_id: int, draft: _Draft) -> bool:
    """Keep the record, and its verdict if that is new; False if its serial was taken meanwhile."""
    new = (draft.verdict, draft.new) if draft.new is not None else None
    try:
        register.add_record(run_id, draft.verdict_id, draft.serial, draft.html, draft.pdf, new_verdict=new)
    except InputError:
        if register.next_serial(run_id) == draft.serial:
            raise
        return False
    return True


def _verdict_for(
    register: Register, run_id: int, analysis: dict[str, Any], criteria: Criteria | None,
) -> tuple[dict[str, Any], int | None, Criteria | None]:
    """The verdict of a record, its number if it is in the register, else the set that judged it."""
    from cycler.storage import as_json, stored_json

    latest = register.latest_verdict(run_id)
    if latest is not None and (criteria is None or latest.criteria_sha256 == criteria.sha256):
        return latest.verdict, latest.id, None
    if criteria is None:
        from cycler.criteria import load_criteria

        criteria = load_criteria()
    # As it will come back, so that the record shows the very words that are kept.
    return stored_json(as_json(judge(analysis, criteria)), "verdict", register.name), None, criteria


def record_folder(folder: str | Path) -> Path:
    """``folder``, made if need be. InputError if records cannot be written there."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError("the target is not a folder", str(folder), "it is a file", "name a folder with --to") from None
    except ValueError:  # what the system takes for no name at all: a zero byte in it
        raise InputError("cannot make the folder", quote(folder), "no folder can have this name", "check --to") from None
    except OSError as error:
        raise InputError(
            "cannot make the folder", str(folder), error.strerror or "write error", "check the path and permissions",
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise InputError("cannot write into the folder", str(folder), "no right to write", "check the permissions")
    return folder


def record_stem(pack_id: str | None) -> str:
    """Beginning of the names of a pack's record files: "record-EB-0412"."""
    return file_stem(f"record-{(pack_id or '')[:_STEM_MAX]}")


_STEM_MAX = 60  # characters of a pack's id in a file name


def file_stem(text: str) -> str:
    """``text`` as a file name that every system takes: letters, digits, dot, dash and underscore."""
    return re.sub(r"[^\w.-]+", "-", text, flags=re.ASCII).strip("-.") or "record"


def _exists(path: Path) -> InputError:
    return InputError(
        "the record file exists", str(path), "a record is never overwritten", "name another folder, or move the file away",
    )


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(
        "cannot write the record", str(path), error.strerror or quote(error), "make room, or name another folder",
    )


@dataclass(frozen=True, slots=True)
class _Files:
    """Files that are written but do not have their names yet: (part, name) each."""

    pairs: tuple[tuple[Path, Path], ...]

    def name_them(self) -> tuple[Path, Path]:
        """Give all of them their names, or none. InputError if a name is taken."""
        named: list[Path] = []
        try:
            for part, path in self.pairs:
                try:
                    name_file(part, path)
                except FileExistsError:
                    raise _exists(path) from None
                except OSError as error:
                    raise _cannot_write(path, error) from None
                named.append(path)
        except BaseException:
            for path in named:
                path.unlink(missing_ok=True)
            raise
        html, pdf = named
        return html, pdf


@contextlib.contextmanager
def _ready_files(folder: Path, serial: str, html: bytes, pdf: bytes, stem: str) -> Iterator[_Files]:
    """Both files of a record, whole and on the disk, under names that are removed at the end of the block.

    Raises
    ------
    InputError
        A file of the final name exists, or there is no room or right to write.
    """
    name = file_stem(f"{stem}-{serial}")
    pairs = []
    for kind, content in (("html", html), ("pdf", pdf)):
        path = folder / f"{name}.{kind}"
        pairs.append((path.with_name(f".{path.name}.{secrets.token_hex(4)}.part"), path, content))
    written: list[Path] = []
    try:
        for part, path, content in pairs:
            if path.exists():
                raise _exists(path)
            try:
                with open(part, "xb") as stream:
                    written.append(part)
                    stream.write(content)
                    stream.flush()
                    os.fsync(stream.fileno())
            except OSError as error:
                raise _cannot_write(path, error) from None
        yield _Files(tuple((part, path) for part, path, _content in pairs))
    finally:
        for part in written:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)


def name_file(part: Path, path: Path) -> None:
    """``part`` becomes ``path``; FileExistsError if the name is taken."""
    try:
        os.link(part, path)  # fails if the name is taken, unlike a rename
        return
    except FileExistsError:
        raise
    except OSError:
        pass
    with open(path, "xb"):  # a file system without links (memory sticks): take the name first, then put the content there
        pass
    try:
        os.replace(part, path)
    except OSError:
        path.unlink(missing_ok=True)
        raise
