"""Columns of logs kept on disk, so that a large log is not read from its text again each time its page is opened.

A copy that may be thrown away at any time: the register alone counts. One file for each log; a column whose readings are whole numbers of some
decimal, as an instrument writes them, is kept as those numbers in two or four bytes, any other as raw float64; both come back bit for bit. A file that is cut short, changed, of another version or of another log is taken for none and
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

_MAGIC = b"pack curves 2\n"  # the number of the format
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
        """The columns kept under a key, or None. Their arrays are read-only."""
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
        packed = [_pack(array) for array in (columns.time_s, *(item[2] for item in columns.columns))]
        size = sum(codes.nbytes for codes, _how in packed)
        part = self._folder / f".{key}.{secrets.token_hex(4)}.part"
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if size > self._bytes_max or shutil.disk_usage(self._folder).free < size + FREE_MIN_BYTES:
                return False
            with open(part, "xb") as stream:
                _write(stream, key, columns, packed)
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


Packed = tuple[np.ndarray, tuple[str, int, float]]
"""Codes of a column, and how they are written: type, decimals, value of code 0 in units of the last decimal."""

_CODES = {"<u2": 2**16 - 1, "<u4": 2**32 - 1}
"""Types of codes; the highest code of each stands for no reading."""
_DECIMALS_MAX = 9
_SAMPLE = 1000


def _pack(array: np.ndarray) -> Packed:
    """A column, shape (n,), as codes where they give back the same bits, else as it is."""
    array = np.ascontiguousarray(array, dtype="<f8")
    raw: Packed = (array, ("<f8", 0, 0.0))
    sample = array[:: max(1, array.size // _SAMPLE)]
    for decimals in range(_DECIMALS_MAX + 1):
        if _same(_unpack(*_coded(sample, decimals)), sample):
            codes, how = _coded(array, decimals)
            if _same(_unpack(codes, how), array):
                return codes, how
            break
    return raw


def _coded(array: np.ndarray, decimals: int) -> Packed:
    there = np.isfinite(array)
    with np.errstate(all="ignore"):
        whole = np.rint(array * 10.0**decimals)
    low, high = (float(np.min(whole[there])), float(np.max(whole[there]))) if there.any() else (0.0, 0.0)
    for kind, missing in _CODES.items():
        if high - low < missing and abs(low) < 2**53:
            codes = np.where(there, whole - low, missing).astype(kind)
            return codes, (kind, decimals, low)
    return array, ("<f8", 0, 0.0)


def _unpack(codes: np.ndarray, how: tuple[str, int, float]) -> np.ndarray:
    kind, decimals, low = how
    if kind == "<f8":
        return codes
    values = (codes + low) / 10.0**decimals  # a whole number over a power of ten: correctly rounded, as the text was
    values[codes == _CODES[kind]] = np.nan
    return values


def _same(found: np.ndarray, wanted: np.ndarray) -> bool:
    """True for the same bits, those of zeros and of no reading too."""
    return bool(np.array_equal(found.view("<i8"), np.ascontiguousarray(wanted).view("<i8")))


def _write(stream: Any, key: str, columns: Columns, packed: Sequence[Packed]) -> None:
    head = json.dumps({
        "key": key, "rows": int(columns.time_s.size), "gaps": columns.gaps, "how": [how for _codes, how in packed],
        "columns": [[panel, label] for panel, label, _ in columns.columns], "crc": [zlib.crc32(codes.data) for codes, _how in packed],
    }).encode()
    start = _MAGIC + _HEAD.pack(len(head), zlib.crc32(head)) + head
    stream.write(start + bytes(-len(start) % _ALIGN))
    for codes, _how in packed:
        stream.write(codes.data)
        stream.write(bytes(-codes.nbytes % _ALIGN))


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
    arrays = []
    for (kind, decimals, low), crc in zip(head["how"], head["crc"], strict=True):
        if kind not in ("<f8", *_CODES) or not 0 <= decimals <= _DECIMALS_MAX:
            raise ValueError("of no known form")
        codes = np.frombuffer(content, kind, rows, offset)
        if zlib.crc32(codes.data) != crc:
            raise ValueError("the readings are damaged")
        values = _unpack(codes, (kind, decimals, low))
        values.flags.writeable = False
        arrays.append(values)
        offset += codes.nbytes + -codes.nbytes % _ALIGN
    if head["key"] != key or len(content) != offset or len(arrays) != 1 + len(names) or not all(panel in UNITS for panel, _ in names):
        raise ValueError("of another log, or cut short")
    gaps = tuple((float(start), float(duration)) for start, duration in head["gaps"])
    return Columns(arrays[0], tuple((panel, label, array) for (panel, label), array in zip(names, arrays[1:])), gaps)
