"""Dropped files on their way into the register: streamed to a temporary folder, never held in memory whole."""

from __future__ import annotations

import hashlib
import secrets
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from cycler.errors import InputError, quote

UPLOAD_BYTES_MAX = 512_000_000
"""Largest file taken by default; a log of a million rows and 14 columns is about 100 MB."""

KEEP_S = 6 * 3600.0
"""Dropped files that were never added are thrown away after this long. [s]"""

FILES_MAX = 40
"""Dropped files that may wait at once."""

_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Dropped:
    """A file that waits to be added. ``token`` is its name towards the page."""

    token: str
    name: str
    bytes: int
    path: Path
    at: float
    sha256: str


def clean_name(name: str) -> str:
    """Last part of a file name, printable, at most 120 characters."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(ch if ch.isprintable() else "_" for ch in last).strip()[-120:]
    return kept or "log"


class Uploads:
    """Waiting files of one server. Safe to use from several threads; the folder goes with the process."""

    def __init__(self, bytes_max: int = UPLOAD_BYTES_MAX, clock: Callable[[], float] = time.monotonic) -> None:
        self.bytes_max = bytes_max
        self._clock = clock
        self._folder = tempfile.TemporaryDirectory(prefix="pack-logs-")
        self._files: dict[str, Dropped] = {}
        self._lock = threading.Lock()

    def receive(self, name: str, stream: BinaryIO) -> Dropped:
        """Write a stream to a file of its own.

        Raises
        ------
        InputError
            Larger than allowed, empty, too many files waiting, or the disk refuses. Nothing is kept then.
        """
        shown = clean_name(name)
        self._forget_old()
        with self._lock:
            if len(self._files) >= FILES_MAX:
                raise InputError(
                    "too many files are waiting", shown, f"{FILES_MAX} were dropped and not added yet",
                    "add or remove the waiting files first",
                )
        token = secrets.token_urlsafe(18)
        path = self._folder_path() / token
        size = 0
        digest = hashlib.sha256()
        try:
            with path.open("xb") as target:
                while piece := stream.read(_PIECE):
                    size += len(piece)
                    if size > self.bytes_max:
                        raise too_large(shown, self.bytes_max)
                    digest.update(piece)
                    target.write(piece)
            if size == 0:
                raise InputError("the file is empty", shown, "it holds 0 bytes", "export the log again")
        except InputError:
            path.unlink(missing_ok=True)
            raise
        except OSError as error:
            path.unlink(missing_ok=True)
            raise InputError(
                "the file could not be kept", shown, error.strerror or "the disk refused it",
                "make room on the disk and drop it again",
            ) from None
        dropped = Dropped(token, shown, size, path, self._clock(), digest.hexdigest())
        with self._lock:
            self._files[token] = dropped
        return dropped

    def get(self, token: str) -> Dropped:
        """The waiting file of this token; :class:`InputError` if it is gone."""
        with self._lock:
            found = self._files.get(token)
        if found is None:
            raise InputError(
                "a dropped file is no longer there", quote(token), "it was added, removed, or waited too long",
                "drop the file again",
            )
        return found

    def content(self, tokens: list[str]) -> list[tuple[str, bytes]]:
        """Name and bytes of each waiting file."""
        files = [self.get(token) for token in tokens]
        return [(item.name, item.path.read_bytes()) for item in files]

    def head(self, token: str, bytes_max: int) -> tuple[str, bytes, bool]:
        """Name, first bytes, and whether these are all, of a waiting file."""
        found = self.get(token)
        with found.path.open("rb") as stream:
            return found.name, stream.read(bytes_max), found.bytes <= bytes_max

    def remove(self, token: str) -> None:
        """Throw a waiting file away; unknown tokens are passed over."""
        with self._lock:
            found = self._files.pop(token, None)
        if found is not None:
            found.path.unlink(missing_ok=True)

    def _folder_path(self) -> Path:
        return Path(self._folder.name)

    def _forget_old(self) -> None:
        now = self._clock()
        with self._lock:
            old = [token for token, item in self._files.items() if now - item.at > KEEP_S]
        for token in old:
            self.remove(token)


def too_large(name: str, bytes_max: int) -> InputError:
    """The message for a file above the limit."""
    return InputError(
        "the file is too large for the page", name, f"more than {bytes_max / 1e6:.0f} MB",
        "pack it as .csv.gz, or export the test in parts and drop the parts together",
    )
