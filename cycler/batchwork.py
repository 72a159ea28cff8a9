"""The work on one log of a batch, from its bytes to its analysis: the same function in this process, in a pool and on a cluster.

It knows no register. A job and what becomes of it are plain values that travel between processes and machines.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler import __version__, intake
from cycler.errors import InputError
from cycler.intake import Changed
from cycler.workflow import UsedColumns, columns_for

if TYPE_CHECKING:
    from cycler.columns_memory import RememberedColumns
    from cycler.criteria import Criteria
    from cycler.pack import Pack
    from cycler.readers import ColumnsFile

LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow")
"""Packages whose version a figure's last digits depend on."""

ANALYSED, READ, GROWING, CHANGED, REFUSED, DEFECT, OTHER_PROGRAM = "analysed", "read", "growing", "changed", "refused", "defect", "other_program"


@dataclass(frozen=True, slots=True)
class Job:
    """One log to be read and analysed.

    Parameters
    ----------
    name : str
        File name, as kept in the register and told in messages.
    path : str
        Where it lies; read where ``raw`` is None.
    size, mtime_ns : int
        How the file was when its digest was taken. [bytes, ns since 1970]
    sha256 : str
        Digest of the bytes that are to be analysed.
    pack : Pack or None
        Whose log it is; None where that is not known yet: it is read only, to see whether it is a log at all.
    columns : ColumnsFile or None
        Columns file that was named for all.
    remembered : tuple of RememberedColumns
        Columns files that the register knows, for logs for which none was named.
    said : tuple of str
        What was said of all logs, such as ``allow_bad_rows``.
    still_s, rows_quiet : float
        For how long the file had not changed, and for how many of the distances between its last rows it must not have. [s, 1]
    versions : tuple of (str, str)
        :func:`versions` of the program that sends the job.
    raw : bytes or None
        The bytes themselves, for a worker that does not see the file.
    """

    name: str
    path: str
    size: int
    mtime_ns: int
    sha256: str
    pack: Pack | None
    criteria: Criteria
    columns: ColumnsFile | None
    remembered: tuple[RememberedColumns, ...]
    said: tuple[str, ...]
    still_s: float
    rows_quiet: float
    versions: tuple[tuple[str, str], ...]
    raw: bytes | None = None


def versions() -> tuple[tuple[str, str], ...]:
    """This program, Python and the packages that figures depend on, each with its version."""
    found = [("cycler", __version__), ("python", ".".join(platform.python_version_tuple()[:2]))]
    for name in LIBRARIES:
        try:
            found.append((name, importlib.metadata.version(name)))
        except importlib.metadata.PackageNotFoundError:
            found.append((name, "none"))
    return tuple(found)


def work_of(job: Job) -> dict[str, Any]:
    """Read and analyse one log.

    Returns
    -------
    dict
        ``state`` is one of the words above; ``sha256`` the digest of the bytes that were analysed. ANALYSED has ``analysis`` (of
        ``Analysis.to_dict()``) and ``used`` (:class:`cycler.workflow.UsedColumns`), GROWING ``why``, REFUSED and DEFECT ``error``
        (what, where, why, mend), DEFECT ``defect`` (where in the program), OTHER_PROGRAM ``versions``. Nothing is raised.
    """
    if job.versions != versions():
        return {"state": OTHER_PROGRAM, "versions": versions()}
    try:
        return _work_of(job)
    except Changed:
        return {"state": CHANGED}
    except InputError as error:
        return {"state": REFUSED, "sha256": job.sha256, "error": parts_of(error)}
    except MemoryError:
        return {"state": REFUSED, "sha256": job.sha256, "error": parts_of(intake.no_memory(job.name, job.size))}
    except Exception as error:
        return {
            "state": DEFECT, "sha256": job.sha256, "error": parts_of(intake.defect(job.name, error)), "defect": traceback.format_exc(),
        }


def _work_of(job: Job) -> dict[str, Any]:
    raw = job.raw if job.raw is not None else intake.bytes_of(Path(job.path), job.size, job.mtime_ns)
    digest = hashlib.sha256(raw).hexdigest()
    if digest != job.sha256:
        raise Changed
    sources = [(job.name, raw)]
    used = UsedColumns(job.columns) if job.columns is not None else columns_for(job.remembered, sources)
    if job.said:
        used = used.with_said(1, **dict.fromkeys(job.said, True))
    log = used.read(sources)
    apart_s = intake.rows_apart_s(log)
    if apart_s is not None and job.still_s < apart_s * job.rows_quiet:
        return {"state": GROWING, "sha256": digest, "why": intake.slow_rows(apart_s, apart_s * job.rows_quiet)}
    if job.pack is None:
        return {"state": READ, "sha256": digest}
    from cycler.analysis import analyze

    return {"state": ANALYSED, "sha256": digest, "analysis": analyze(log, job.pack, job.criteria).to_dict(), "used": used}


def parts_of(error: InputError) -> tuple[str, str, str, str]:
    """An error that was told in four parts, as plain text."""
    return error.what, str(error.where), error.why, error.mend

