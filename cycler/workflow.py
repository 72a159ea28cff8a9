"""The acts that the command line and the dashboard have in common.

Bytes in, results out: reading files from disk and printing belong to the callers, apart from
:func:`load_sources` and :func:`write_record`, the two ends of the chain.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, Location, quote

if TYPE_CHECKING:
    from cycler.analysis import Analysis
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.pack import Pack
    from cycler.readers.columns import ColumnsFile
    from cycler.register import Register, VerdictRow

Sources = Sequence[tuple[str, bytes]]
"""Log files as (name, raw bytes), in any order."""


def load_sources(paths: Sequence[str | Path], whole_path: bool = True) -> list[tuple[str, bytes]]:
    """Raw bytes of log files. ``whole_path`` keeps the path as given for messages, else the file's name alone.

    Raises
    ------
    InputError
        File missing, a folder, or not readable.
    """
    return [(str(path) if whole_path else Path(path).name, _bytes_of(Path(path))) for path in paths]


def _bytes_of(path: Path) -> bytes:
    where = Location(str(path))
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError("no such log", where, "the file does not exist", "check the name and folder") from None
    except IsADirectoryError:
        raise InputError("the log is a folder", where, "a file is needed", "name the log files in it") from None
    except OSError as error:
        raise InputError("cannot read the log", where, error.strerror or "read error", "check the permissions") from None


def analyse_sources(
    sources: Sources, pack: Pack, criteria: Criteria | None = None, columns: ColumnsFile | None = None,
) -> tuple[Log, Analysis]:
    """Read the parts of one test and analyse them. InputError if they cannot be used."""
    from cycler.analysis import analyze
    from cycler.readers import read_logs_bytes

    log = read_logs_bytes(list(sources), columns)
    return log, analyze(log, pack, criteria)


def add_logs(
    register: Register, sources: Sources, pack: Pack, label: str, criteria: Criteria,
    columns: ColumnsFile | None = None, again: bool = False, new_ratings: bool = False,
) -> int:
    """Analyse logs and keep them as a run with its first verdict; returns the number of the run."""
    _log, analysis = analyse_sources(sources, pack, criteria, columns)
    return keep_run(register, sources, pack, label, analysis.to_dict(), criteria, columns, again, new_ratings)


def keep_run(
    register: Register, sources: Sources, pack: Pack, label: str, analysis: dict[str, Any], criteria: Criteria,
    columns: ColumnsFile | None = None, again: bool = False, new_ratings: bool = False,
) -> int:
    """Keep logs that were analysed already; returns the number of the run."""
    from cycler.register import columns_to_text

    return register.add_run(
        pack=pack, sources=sources, analysis=analysis, label=label, criteria=criteria, again=again,
        new_ratings=new_ratings,
        columns_text=columns_to_text(columns) if columns is not None else None,
    )


def judge(analysis: dict[str, Any], criteria: Criteria) -> dict[str, Any]:
    """The verdict on a stored analysis by another set of criteria."""
    from cycler.verdict import decide

    return decide({key: value for key, value in analysis.items() if key != "verdict"}, criteria)


def decide_run(register: Register, run_id: int, criteria: Criteria) -> dict[str, Any]:
    """Judge a run, keep the verdict beside the earlier ones, and return it."""
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


def make_record(
    register: Register, run_id: int, criteria: Criteria | None = None, workshop: str | None = None,
) -> tuple[str, str, bytes]:
    """Issue a record of a run and keep it.

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
    from cycler.record import build_record

    run = register.run(run_id)
    verdict = _verdict_for(register, run_id, criteria)
    log = register.log(run_id)
    for attempt in range(20):
        serial = register.next_serial(run_id)
        record = build_record(
            run.analysis | {"verdict": verdict.verdict}, run.pack, log, run_label=run.label, serial=serial,
            made_at=datetime.now(UTC).replace(microsecond=0), workshop=workshop,
        )
        try:
            register.add_record(run_id, verdict.id, serial, record.html, record.pdf)
        except InputError:  # another program issued a record of this run at the same moment: take the next serial
            if attempt == 19 or register.next_serial(run_id) == serial:
                raise
            continue
        return serial, record.html, record.pdf
    raise AssertionError("unreachable")


def _verdict_for(register: Register, run_id: int, criteria: Criteria | None) -> VerdictRow:
    latest = register.latest_verdict(run_id)
    if latest is not None and (criteria is None or latest.criteria_sha256 == criteria.sha256):
        return latest
    if criteria is None:
        from cycler.criteria import load_criteria

        criteria = load_criteria()
    decide_run(register, run_id, criteria)
    found = register.latest_verdict(run_id)
    assert found is not None
    return found


def record_folder(folder: str | Path) -> Path:
    """``folder``, made if need be. InputError if records cannot be written there."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError("the target is not a folder", str(folder), "it is a file", "name a folder with --to") from None
    except OSError as error:
        raise InputError(
            "cannot make the folder", str(folder), error.strerror or "write error", "check the path and permissions",
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise InputError("cannot write into the folder", str(folder), "no right to write", "check the permissions")
    return folder


def write_record(folder: str | Path, serial: str, html: str, pdf: bytes, stem: str = "record") -> tuple[Path, Path]:
    """Write a record as ``<stem>-<serial>.html`` and ``.pdf``; returns both paths.

    A file appears whole or not at all, and an existing one is never overwritten (InputError).
    """
    folder = record_folder(folder)
    name = file_stem(f"{stem}-{serial}")
    paths = folder / f"{name}.html", folder / f"{name}.pdf"
    for path in paths:
        if path.exists():
            raise _exists(path)
    for path, content in zip(paths, (html.encode("utf-8"), pdf), strict=True):
        _write_new(path, content)
    return paths


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


def _write_new(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with open(part, "xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        try:
            os.link(part, path)  # fails if the name is taken, unlike a rename
        except FileExistsError:
            raise
        except OSError:  # a file system without links (memory sticks): take the name first, then put the content there
            with open(path, "xb"):
                pass
            os.replace(part, path)
    except FileExistsError:
        raise _exists(path) from None
    except OSError as error:
        raise InputError(
            "cannot write the record", str(path), error.strerror or quote(error), "make room, or name another folder",
        ) from None
    finally:
        part.unlink(missing_ok=True)
