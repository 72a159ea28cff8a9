"""Files on their way into the register: streamed to a temporary folder, never held in memory whole.

Most are dropped on a page and belong to the tab that dropped them: it knows their tokens and nobody else does. Those that were found in
the watched folder belong to the bench: every tab sees them until one takes them.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import secrets
import shutil
import stat
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from cycler.errors import InputError, quote
from dashboard import text_add
from dashboard.upload_limits import LINES_MAX, UNPACKED_TIMES, UPLOAD_BYTES_MAX, WAITING_TIMES, Gauge

__all__ = ["UPLOAD_BYTES_MAX", "Dropped", "Uploads"]

KEEP_S = 6 * 3600.0
"""Dropped files that were never added are thrown away after this long. [s]"""

REFUSED_S = 120.0
"""How long it is remembered why a file was refused: twice as long as a page asks again. [s]"""

FOLDER_PREFIX = "pack-logs-"
"""Temporary folders carry the number of the process whose files wait in them."""

FILES_MAX = 40
"""Dropped files that may wait at once: of one sign-in, or of everybody where nobody signs in."""

FILES_OF_ALL_MAX = 400
"""Dropped files of all sign-ins that may wait at once."""

_PIECE = 1 << 20
_HEAD = 1 << 12


@dataclass(frozen=True, slots=True)
class Dropped:
    """A file that waits to be added. ``token`` is its name towards the page.

    ``folder`` is the folder it came from, as far as it is known; ``found_at`` the path of one that was found in the watched folder;
    ``owner`` names the sign-in it came with.
    """

    token: str
    name: str
    bytes: int
    path: Path
    at: float
    sha256: str
    folder: str = ""
    found_at: str = ""
    owner: str = ""


def clean_name(name: str) -> str:
    """Last part of a file name, printable, at most 120 characters. It is only shown and kept: on the disk a file is named by its token."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(ch if ch.isprintable() else "_" for ch in last).strip()[-120:]
    return kept or "log"


class Uploads:
    """Waiting files of one server. Safe to use from several threads; the folder goes with the process."""

    def __init__(self, bytes_max: int = UPLOAD_BYTES_MAX, clock: Callable[[], float] = time.monotonic, lines_max: int = LINES_MAX) -> None:
        self.bytes_max = bytes_max
        self.lines_max = lines_max
        self._clock = clock
        clear_left_behind()
        self._folder = tempfile.TemporaryDirectory(prefix=f"{FOLDER_PREFIX}{os.getpid()}-")
        self._files: dict[str, Dropped] = {}
        self._taken: dict[str, str] = {}
        self._coming: dict[str, int] = {}
        self._refused: dict[str, tuple[InputError, float]] = {}
        self._lock = threading.Lock()

    def receive(self, name: str, stream: IO[bytes], folder: str = "", length: int | None = None, for_log: bool = False, owner: str = "") -> Dropped:
        """Write a stream to a file of its own.

        Parameters
        ----------
        folder : str
            Folder that the page knows the file to be from.
        length : int, optional
            Bytes that were announced.
        for_log : bool
            Refuse what is no log by its first bytes: a picture, a document, an archive.
        owner : str
            Names the sign-in it comes with; each may have ``FILES_MAX`` files waiting.

        Raises
        ------
        InputError
            Larger than allowed, as it is or unpacked, of too many lines, more than may wait on the disk with the others, empty, shorter or longer than announced, no log though it should be one, too many files waiting, or the
            disk refuses. Nothing is kept then.
        """
        shown = clean_name(name)
        self._forget_old()
        with self._lock:
            self._refuse_more(shown, owner)
        return self._keep(shown, stream, clean_folder(folder), "", length, for_log, owner)

    def adopt(self, path: str | Path) -> Dropped:
        """Take a file on disk among those found in the watched folder, piece by piece; the file itself stays where it is.

        A file that is there already with the same bytes is not taken twice.

        Raises
        ------
        InputError
            It cannot be read, is empty, too large, or no log by its first bytes. Nothing is kept then.
        """
        path = Path(path)
        shown = clean_name(path.name)
        try:
            state = path.stat()
            if not stat.S_ISREG(state.st_mode):
                raise InputError(text_add.NOT_READ, shown, "it is not a file", text_add.NOT_READ_MEND)
            with path.open("rb") if state.st_size else io.BytesIO() as stream:  # what states no bytes may still give some without end
                new = self._keep(shown, stream, path.parent.name, str(path), None, True)
        except OSError as error:
            raise InputError(
                text_add.NOT_READ, shown, error.strerror or "the disk refused it", text_add.NOT_READ_MEND,
            ) from None
        with self._lock:
            twin = next(
                (item for item in self._files.values() if item.found_at == new.found_at and item.sha256 == new.sha256 and item is not new), None,
            )
        if twin is None:
            return new
        self.remove(new.token)
        return twin

    def from_folder(self) -> list[Dropped]:
        """Files found in the watched folder that no tab has taken yet, the oldest first."""
        with self._lock:
            return [item for token, item in self._files.items() if item.found_at and token not in self._taken]

    def take(self, token: str, tab: str = "") -> Dropped:
        """Take a file found in the watched folder into a tab's own work. InputError if it is gone or another tab has it; the same one may ask twice."""
        found = self.get(token)
        with self._lock:
            if token in self._taken and not (tab and self._taken[token] == tab):
                raise InputError(text_add.TAKEN_ELSEWHERE, found.name, text_add.TAKEN_ELSEWHERE_WHY, text_add.TAKEN_ELSEWHERE_MEND)
            self._files[token] = taken = replace(found, at=self._clock())
            self._taken[token] = tab
        return taken

    def give_back(self, token: str) -> None:
        """Let go of a file: one found in the watched folder waits there again, another one is thrown away."""
        with self._lock:
            found = self._files.get(token)
            self._taken.pop(token, None)
        if found is not None and not found.found_at:
            self.remove(token)

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
            self._taken.pop(token, None)
        if found is not None:
            found.path.unlink(missing_ok=True)

    def refuse(self, token: str, error: InputError) -> None:
        """Throw a file away that a page cannot take, and remember why: the answer that tells it may be lost, and the page then asks again."""
        self.remove(token)
        now = self._clock()
        with self._lock:
            self._refused = {known: kept for known, kept in self._refused.items() if now - kept[1] < REFUSED_S} | {token: (error, now)}

    def refused(self, token: str) -> InputError | None:
        """Why a file was refused lately, or None."""
        with self._lock:
            return self._refused[token][0] if token in self._refused else None

    def _keep(self, shown: str, stream: IO[bytes], folder: str, found_at: str, length: int | None, for_log: bool, owner: str = "") -> Dropped:
        token = secrets.token_urlsafe(18)
        path = self._folder_path() / token
        size = 0
        digest = hashlib.sha256()
        whole = False
        gauge = Gauge(shown, UNPACKED_TIMES * self.bytes_max, self.lines_max)
        try:
            with path.open("xb") as target:
                while piece := stream.read(_HEAD if size == 0 else _PIECE):
                    if size == 0 and for_log:
                        refuse_no_log(shown, piece)
                    size += len(piece)
                    if size > self.bytes_max:
                        raise too_large(shown, self.bytes_max)
                    self._refuse_full(token, shown, size)
                    gauge.take(piece)
                    digest.update(piece)
                    target.write(piece)
            if length is not None and size != length:
                raise not_whole(shown, size, length)
            if size == 0:
                raise InputError("the file is empty", shown, "it holds 0 bytes", "export the log again")
            whole = True
        except OSError as error:
            raise InputError(
                "the file could not be kept", shown, error.strerror or "the disk refused it",
                "make room on the disk and drop it again",
            ) from None
        finally:
            if not whole:  # whatever ended it, a connection that broke too
                path.unlink(missing_ok=True)
                with self._lock:
                    self._coming.pop(token, None)
        dropped = Dropped(token, shown, size, path, self._clock(), digest.hexdigest(), folder, found_at, owner)
        try:
            with self._lock:
                self._coming.pop(token, None)
                if not found_at:  # others may have come meanwhile
                    self._refuse_more(shown, owner)
                self._files[token] = dropped
        except InputError:
            path.unlink(missing_ok=True)
            raise
        return dropped

    def _refuse_more(self, shown: str, owner: str) -> None:
        dropped = [item.owner for item in self._files.values() if not item.found_at]
        if dropped.count(owner) >= FILES_MAX or len(dropped) >= FILES_OF_ALL_MAX:
            raise InputError(
                "too many files are waiting", shown, f"{len(dropped)} were dropped and not added yet",
                "add or remove the waiting files first",
            )

    def _refuse_full(self, token: str, shown: str, size: int) -> None:
        """InputError if the files that wait or are coming take too much of the disk, this one with ``size`` bytes so far."""
        with self._lock:
            self._coming[token] = size
            total = sum(item.bytes for item in self._files.values()) + sum(self._coming.values())
        if total > WAITING_TIMES * self.bytes_max:
            raise InputError(
                "the waiting files take too much room", shown, f"together they have more than {WAITING_TIMES * self.bytes_max / 1e6:.0f} MB",
                "add or remove the waiting files first",
            )

    def _folder_path(self) -> Path:
        return Path(self._folder.name)

    def _forget_old(self) -> None:
        now = self._clock()
        with self._lock:
            old = [item for item in self._files.values() if now - item.at > KEEP_S and (not item.found_at or item.token in self._taken)]
        for item in old:
            self.give_back(item.token)


def clear_left_behind() -> None:
    """Throw away what a program that was killed, or a power cut, left waiting; folders of processes that live are not touched."""
    if os.name != "posix":  # elsewhere asking whether a process lives may end it
        return
    for folder in Path(tempfile.gettempdir()).glob(f"{FOLDER_PREFIX}*"):
        found = re.fullmatch(rf"{FOLDER_PREFIX}(\d{{1,9}})-.*", folder.name)
        try:
            if found is None or folder.is_symlink() or not folder.is_dir() or folder.stat().st_uid != os.getuid():
                continue
            os.kill(int(found[1]), 0)
        except ProcessLookupError:
            shutil.rmtree(folder, ignore_errors=True)
        except OSError:  # another program that starts just now was quicker
            continue


def clean_folder(folder: str) -> str:
    """Name of a folder as it is shown, at most 120 characters."""
    last = folder.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    return "".join(ch if ch.isprintable() else "_" for ch in last).strip()[-120:]


def not_whole(name: str, came: int, length: int) -> InputError:
    """The message for a file of which only a part arrived."""
    return InputError(text_add.NOT_WHOLE, name, text_add.NOT_WHOLE_WHY.format(came=came, length=length), text_add.NOT_WHOLE_MEND)


def refuse_no_log(name: str, head: bytes) -> None:
    """InputError for a file whose first bytes are those of a picture, a document, an archive or a program."""
    from cycler.readers.encoding import foreign_kind

    kind = foreign_kind(head)
    if kind is not None:
        raise InputError(text_add.NO_LOG.format(kind=kind), name, text_add.NO_LOG_WHY, text_add.no_log_mend(head))


def too_large(name: str, bytes_max: int) -> InputError:
    """The message for a file above the limit."""
    return InputError(
        "the file is too large for the page", name, f"more than {bytes_max / 1e6:.0f} MB",
        "pack it as .csv.gz, or export the test in parts and drop the parts together; or start the program with a higher --upload-limit",
    )
