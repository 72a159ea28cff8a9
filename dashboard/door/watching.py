"""Watched folders: each has a thread of its own that takes new logs in, as long as the program runs."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from cycler.errors import InputError, quote
from dashboard import text_watching as text
from dashboard.door.base import Opened

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.watching import Event, Watcher
    from dashboard.door.items import CriteriaItem

FOLDERS_MAX = 4
"""Folders that may be watched at once."""

OFFERED_MAX = 20
"""Files of a folder that are offered on the page at once; each is copied for it."""

_STOP_WAIT_S = 10.0
_ERRORS_KEPT = 20
_LOGGER = logging.getLogger(__name__)


class Adopted(Protocol):
    """A file that was put down."""

    @property
    def token(self) -> str: ...


class Adopts(Protocol):
    """Where files that wait for a person are put down: :class:`dashboard.uploads.Uploads`."""

    def adopt(self, path: str | Path) -> Adopted: ...

    def from_folder(self) -> Sequence[Adopted]: ...

    def remove(self, token: str) -> None: ...


@dataclass(frozen=True, slots=True)
class WatchedFolder:
    """A folder as it stands now: ``files`` are the last events of its files, ``offered`` those that wait for a person on the page."""

    key: str
    path: str
    there: bool
    looked: bool
    troubles: tuple[InputError, ...]
    files: tuple[Event, ...]
    offered: frozenset[str]


class _Watch:
    """One watcher and its thread."""

    def __init__(self, key: str, watcher: Watcher, uploads: Adopts, every_s: float) -> None:
        self.key = key
        self.watcher = watcher
        self._uploads = uploads
        self._every_s = every_s
        self._stop = threading.Event()
        self._defect: InputError | None = None
        self._adopted: dict[Path, str | None] = {}
        self._thread = threading.Thread(target=self._run, name=f"watch-{key}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Take nothing any more, and have the thread end when it can."""
        self._stop.set()
        self.watcher.stop()

    def wait(self) -> None:
        """Until the thread has ended, or for a while."""
        self._thread.join(_STOP_WAIT_S)

    def state(self) -> WatchedFolder:
        """How it stands now."""
        watcher = self.watcher
        troubles = [*watcher.troubles, *([self._defect] if self._defect else [])]
        free = {item.token for item in self._uploads.from_folder()}
        names = frozenset(name for name, path in watcher.for_a_person.items() if self._adopted.get(path) in free)
        return WatchedFolder(
            self.key, str(watcher.folder), watcher.folder_is_there, watcher.looked, tuple(troubles[:_ERRORS_KEPT]), tuple(watcher.files), names,
        )

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.watcher.step(time.monotonic())
                self._hand_over(self.watcher.for_a_person.values())
                self._defect = None
            except Exception as error:
                _LOGGER.error("a watched folder", exc_info=error)
                self._defect = InputError(text.DEFECT, str(self.watcher.folder), type(error).__name__, text.DEFECT_MEND)
            if not self.watcher.more:
                self._stop.wait(self._every_s)
        self._hand_over(())

    def _hand_over(self, waiting: Iterable[Path]) -> None:
        """Put files that wait for a person among those of the page, and take back what waits no more and nobody has taken."""
        paths = set(waiting)
        room = OFFERED_MAX - sum(item.token in self._adopted.values() for item in self._uploads.from_folder())
        for path in sorted(paths - set(self._adopted)):
            if room <= 0:  # each is copied: others follow when somebody has taken some of these
                break
            token = None
            with contextlib.suppress(InputError):
                token = self._uploads.adopt(path).token
                room -= 1
            self._adopted[path] = token
        free = {item.token for item in self._uploads.from_folder()}
        for path in set(self._adopted) - paths:
            token = self._adopted.pop(path)
            if token in free:
                self._uploads.remove(token)


class Watching(Opened):
    """Folders that are watched while the program runs."""

    criteria: Callable[[str], Criteria]
    criteria_sets: Callable[[], list[CriteriaItem]]

    def __init__(self) -> None:
        super().__init__()
        self._watches: dict[str, _Watch] = {}
        self._watch_lock = threading.Lock()

    def start_watching(
        self, path: str, uploads: Adopts, quiet_s: float | None = None, every_s: float | None = None,
    ) -> WatchedFolder:
        """Watch a folder from now on; one that is watched already stays as it is.

        Parameters
        ----------
        path : str
            As it was typed or pasted: from the root on, in quotes or as a ``file:`` address too.
        quiet_s, every_s : float, optional
            Other times than the usual ones. [s]

        Raises
        ------
        InputError
            No whole path, no folder, one that cannot be read, too many folders, or a register that may only be read.
        """
        from cycler.commands.reading_output import READING_DOUBTS
        from cycler.watching import LOOK_EVERY_S, Watcher

        plain = typed_path(path)
        watcher = Watcher(plain, self._register, self.criteria(self.criteria_sets()[0].name), quiet_s=quiet_s, doubts=READING_DOUBTS)
        key = hashlib.sha256(os.fsencode(os.path.realpath(watcher.folder))).hexdigest()[:12]
        with self._watch_lock:
            if key not in self._watches:
                if len(self._watches) >= FOLDERS_MAX:
                    raise InputError(text.TOO_MANY, plain, text.TOO_MANY_WHY.format(most=FOLDERS_MAX), text.TOO_MANY_MEND)
                self._watches[key] = _Watch(key, watcher, uploads, LOOK_EVERY_S if every_s is None else every_s)
            return self._watches[key].state()

    def stop_watching(self, key: str) -> None:
        """Watch a folder no more; an unknown key is passed over. What was taken in stays; a log that is being read is not taken."""
        with self._watch_lock:
            watch = self._watches.pop(key, None)
        if watch is not None:
            watch.stop()

    def watched_folders(self) -> list[WatchedFolder]:
        """Folders that are watched now, the oldest first."""
        with self._watch_lock:
            watches = list(self._watches.values())
        return [watch.state() for watch in watches]

    def stop_all_watching(self) -> None:
        """End every thread."""
        with self._watch_lock:
            watches = list(self._watches.values())
            self._watches.clear()
        for watch in watches:
            watch.stop()
        for watch in watches:
            watch.wait()


def typed_path(path: str) -> str:
    """A path as it was typed or pasted, without the quotes and the address form that it may come in. InputError if it is no whole path."""
    plain = path.strip()
    if len(plain) > 1 and plain[0] == plain[-1] and plain[0] in "\"'":
        plain = plain[1:-1].strip()
    if plain.lower().startswith("file:"):
        plain = url2pathname(unquote(urlsplit(plain).path))
    if not plain:
        raise InputError(text.NO_PATH, text.PATH, text.NO_PATH_WHY, text.NO_PATH_MEND)
    if not (os.path.isabs(plain) or plain.startswith("~")):
        raise InputError(text.PART_OF_PATH, quote(plain), text.PART_OF_PATH_WHY, text.PART_OF_PATH_MEND)
    return plain
