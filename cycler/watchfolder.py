"""What lies in a watched folder: which files may be logs, and what keeps a folder from being looked at."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from cycler.errors import InputError, quote

UNFINISHED = (".tmp", ".part", ".partial", ".crdownload", ".download", ".filepart", "~")
"""Endings of files that are still being written, and will be renamed."""

_NEVER_LOGS = (".toml", ".ini", ".lnk", ".db")
_MEND = "check the path, and that the stick or drive is in"


def scan(folder: Path, own_file: str) -> tuple[dict[Path, os.stat_result], dict[Path, InputError]]:
    """Regular files that may be logs, in a folder and its sub-folders, and the sub-folders that cannot be read.

    Parameters
    ----------
    folder : Path
        The folder; those in its sub-folders are not looked at.
    own_file : str
        The register's file, with its links followed. It may lie in the folder, and what it has beside it.

    Raises
    ------
    OSError
        The folder itself cannot be read.
    """
    found: dict[Path, os.stat_result] = {}
    closed: dict[Path, InputError] = {}
    for inner in _scan_one(folder, own_file, found):
        try:
            _scan_one(inner, own_file, found)
        except OSError as error:
            if inner.exists():
                closed[inner] = not_readable(inner.name, error)
    return found, closed


def _scan_one(folder: Path, own_file: str, found: dict[Path, os.stat_result]) -> list[Path]:
    folders = []
    with os.scandir(folder) as items:
        for item in items:
            if item.name.startswith("."):
                continue
            try:
                state = item.stat()
            except OSError:  # gone between the two, or a link to nowhere
                continue
            if stat.S_ISDIR(state.st_mode):
                folders.append(Path(item.path))
            elif stat.S_ISREG(state.st_mode) and _may_be_log(item.name, item.path, own_file):
                found[Path(item.path)] = state
    return sorted(folders)


def _may_be_log(name: str, path: str, own_file: str) -> bool:
    low = name.lower()
    if low.endswith(UNFINISHED + _NEVER_LOGS) or low.startswith("~$"):
        return False
    return not (name.startswith(os.path.basename(own_file)) and os.path.realpath(path).startswith(own_file))


def checked_folder(folder: str | Path) -> Path:
    """The folder as an absolute path. InputError if it does not exist, is none, or cannot be read."""
    shown = quote(folder, 200)[1:-1]
    try:
        path = Path(os.path.abspath(Path(folder).expanduser()))
        if not str(folder).strip():
            raise InputError("no folder is named", "folder", "its path is empty", "name the folder that your instrument writes to")
        with os.scandir(path):
            pass
    except FileNotFoundError:
        raise InputError("no such folder", shown, "it does not exist", _MEND) from None
    except NotADirectoryError:
        raise InputError("this is not a folder", shown, "it is a file", "name the folder that the file lies in") from None
    except OSError as error:
        raise not_readable(shown, error) from None
    except (ValueError, RuntimeError):  # a zero byte in it; "~name" of nobody known
        raise InputError("no such folder", shown, "no folder can have this name", _MEND) from None
    return path


def not_readable(shown: str, error: OSError) -> InputError:
    """The error for a folder that cannot be looked at."""
    return InputError("cannot read the folder", shown, error.strerror or "read error", "check the permissions, and that the stick or drive is in")


def stamp(file: Path) -> tuple[int, int] | None:
    """Size and time of change of a file; None if it is not there."""
    try:
        state = file.stat()
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns
