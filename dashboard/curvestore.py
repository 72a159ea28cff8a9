"""Columns of logs kept on disk, so that a large log is not read from its text again each time its page is opened.

A copy that may be thrown away at any time: the register alone counts. One file for each log, its columns as raw float64, mapped
into memory when opened. A file that is cut short, changed, of another version or of another log is taken for none and
written anew; where nothing can be written there is simply no copy.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import mmap
import os
import secrets
import shutil
import struct
import time
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from cycler import __version__
from dashboard.figures.curves import UNITS, Columns

PLACE_VARIABLE = "CYCLER_CURVES"
"""Environment variable with the folder of the copies; "off" keeps none."""
BYTES_MAX = 2_000_000_000
"""All copies together; the ones not used for longest go first."""
FREE_MIN_BYTES = 500_000_000
"""What a copy must leave free on the disk."""
PART_AGE_S = 3600.0
"""A file half written that is older was left behind by a program that was ended."""

_MAGIC = b"pack curves 1\n"  # the number of the format
_ENDING = ".curves"
_ALIGN = 64
_HEAD = struct.Struct("<II")  # length of the header in JSON, its CRC-32
_LOGGER = logging.getLogger(__name__)


def default_folder() -> Path | None:
    """Where copies are kept: as the environment says, else in the user's cache folder; None if none are wanted."""
    said = os.environ.get(PLACE_VARIABLE, "").strip()
    if said.lower() == "off":
        return None
    if said:
        return Path(said)
    from platformdirs import user_cache_path

    return user_cache_path("packreturn", appauthor=False) / "curves"


def key_of(digests: Sequence[str], columns_text: str | None, thermistor: Any) -> str:
    """What the columns of a log depend on, as a digest: its bytes, how they are read, the curve of its thermistors, this version."""
    said = json.dumps([__version__, list(digests), columns_text, repr(thermistor)])
    return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()


class CurveStore:
    """Copies in one folder; several programs may share it."""

    def __init__(self, folder: Path | None, bytes_max: int = BYTES_MAX) -> None:
        self._folder = folder
        self._bytes_max = bytes_max

    def get(self, key: str) -> Columns | None:
        """The columns kept under a key, or None. Their arrays are read-only and stand in the file."""
        if self._folder is None:
            return None
        path = self._path(key)
        try:
            with open(path, "rb") as stream:
                content = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
            columns = _read(content, key)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, struct.error, RecursionError) as error:
            _LOGGER.info("a copy of curves is no good and is made anew: %s", error)
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        with contextlib.suppress(OSError):
            os.utime(path)  # used now: the last to be thrown away
        return columns

    def put(self, key: str, columns: Columns) -> bool:
        """Keep columns under a key; False if they cannot be kept."""
        if self._folder is None:
            return False
        size = 8 * columns.time_s.size * (1 + len(columns.columns))
        part = self._folder / f".{key}.{secrets.token_hex(4)}.part"
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if size > self._bytes_max or shutil.disk_usage(self._folder).free < size + FREE_MIN_BYTES:
                return False
            with open(part, "xb") as stream:
                _write(stream, key, columns)
            os.replace(part, self._path(key))
        except OSError as error:
            _LOGGER.info("no copy of curves is kept: %s", error)
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            return False
        self._throw_away(key)
        return True

    def _path(self, key: str) -> Path:
        assert self._folder is not None
        return self._folder / f"{key}{_ENDING}"

    def _throw_away(self, but: str) -> None:
        """Remove the copies not used for longest until the rest fits, and what was left half written."""
        assert self._folder is not None
        with contextlib.suppress(OSError):
            found = []
            for path in self._folder.iterdir():
                about = path.stat()
                if path.suffix == ".part" and time.time() - about.st_mtime > PART_AGE_S:
                    path.unlink()
                elif path.suffix == _ENDING:
                    found.append((path.stem == but, about.st_mtime, about.st_size, path))
            total = sum(size for _, _, size, _ in found)
            for is_new, _when, size, path in sorted(found):
                if total <= self._bytes_max or is_new:
                    break
                path.unlink()
                total -= size


def _write(stream: Any, key: str, columns: Columns) -> None:
    arrays = [np.ascontiguousarray(array, dtype="<f8") for array in (columns.time_s, *(item[2] for item in columns.columns))]
    head = json.dumps({
        "key": key, "rows": int(columns.time_s.size), "gaps": columns.gaps,
        "columns": [[panel, label] for panel, label, _ in columns.columns], "crc": [zlib.crc32(array.data) for array in arrays],
    }).encode()
    start = _MAGIC + _HEAD.pack(len(head), zlib.crc32(head)) + head
    stream.write(start + bytes(-len(start) % _ALIGN))
    for array in arrays:
        stream.write(array.data)


def _read(content: mmap.mmap, key: str) -> Columns:
    """Columns of a file. ValueError and others if it is not what was written under this key."""
    if content[: len(_MAGIC)] != _MAGIC:
        raise ValueError("no file of this format")
    length, crc = _HEAD.unpack_from(content, len(_MAGIC))
    begin = len(_MAGIC) + _HEAD.size
    text = content[begin : begin + length]
    if len(text) != length or zlib.crc32(text) != crc:
        raise ValueError("the header is damaged")
    head = json.loads(text)
    rows, names = head["rows"], head["columns"]
    offset = begin + length + -(begin + length) % _ALIGN
    if head["key"] != key or len(content) != offset + 8 * rows * (1 + len(names)):
        raise ValueError("of another log, or cut short")
    arrays = [np.frombuffer(content, "<f8", rows, offset + 8 * rows * place) for place in range(1 + len(names))]
    if [zlib.crc32(array.data) for array in arrays] != head["crc"] or not all(panel in UNITS for panel, _ in names):
        raise ValueError("the readings are damaged")
    gaps = tuple((float(start), float(duration)) for start, duration in head["gaps"])
    return Columns(arrays[0], tuple((panel, label, array) for (panel, label), array in zip(names, arrays[1:])), gaps)
