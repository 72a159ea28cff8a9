"""Progress on standard error, on a terminal only: of one piece of work once it has lasted two seconds, of many files from the start."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Settings

if TYPE_CHECKING:
    from rich.progress import Progress

DELAY_S = 2.0
"""Work shorter than this shows nothing. [s]"""


class Working:
    """Shows what is being done while the block runs.

    Parameters
    ----------
    what : str
        "reading and analysing".
    parts : int or None
        Number of equal parts, for a bar that fills with :meth:`begin`; None shows that work goes on.
    """

    def __init__(self, settings: Settings, what: str, parts: int | None = None) -> None:
        self._what = what
        self._parts = parts
        self._begun = 0
        self._lock = threading.Lock()
        self._reading: tuple[str, int, int | None] | None = None
        self._timer: threading.Timer | None = None
        self._bar: Progress | None = None
        if not settings.quiet and sys.stderr.isatty():
            self._timer = threading.Timer(DELAY_S, self._show)
            self._timer.daemon = True

    def __enter__(self) -> Working:
        if self._timer:
            self._timer.start()
        return self

    def __exit__(self, _kind: type | None, _error: BaseException | None, _trace: TracebackType | None) -> None:
        if self._timer:
            self._timer.cancel()
        with self._lock:
            self._timer = None
            if self._bar is not None:
                self._bar.stop()

    def begin(self, what: str) -> None:
        """``what`` begins, and the part before it is done."""
        with self._lock:
            self._begun += 1
            self._what = what
            if self._bar is not None:
                self._bar.update(self._bar.task_ids[0], completed=self._begun - 1, description=what)

    def bytes_of(self, name: str) -> Callable[[int, int | None], None]:
        """What hears of the bytes of a file as they are read."""
        def hear(done: int, size: int | None) -> None:
            with self._lock:
                self._reading = (f"reading {name}", done, size)
                if self._bar is not None:
                    self._bar.update(self._bar.task_ids[0], description=f"reading {name}", completed=done, total=size)

        return hear

    def bytes_done(self) -> None:
        """All files are read; the work on them has no measure."""
        with self._lock:
            self._reading = None
            if self._bar is not None:
                self._bar.remove_task(self._bar.task_ids[0])  # a task keeps its total, once it has one
                self._bar.add_task(self._what, total=self._parts)

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        with self._lock:
            if self._timer is None:
                return
            bar = self._bar = Progress(
                TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn(),
                console=Console(stderr=True), transient=True,
            )
            what, done, total = self._reading or (self._what, max(self._begun - 1, 0), self._parts)
            bar.add_task(what, total=total, completed=done)
            bar.start()


class Counting:
    """A bar over many files with the time that remains, and a line for each file as it ends.

    Parameters
    ----------
    sizes : sequence of int
        Sizes of all files: the bar fills by them, as a long log takes longer than a short one. [bytes]
    """

    def __init__(self, settings: Settings, what: str, sizes: Sequence[int]) -> None:
        self._what, self._files, self._done = what, len(sizes), 0
        self._total = sum(map(self._weight, sizes))
        self._bar: Any = None
        self._task: Any = None
        self._wanted = not settings.quiet and sys.stderr.isatty() and bool(sizes)

    @staticmethod
    def _weight(size: int) -> int:
        return size + 200_000  # what any log takes, however short, as measured

    def __enter__(self) -> Counting:
        if self._wanted:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            # Lines that are not for this terminal must not be drawn into it.
            self._bar = Progress(
                TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn(),
                console=Console(stderr=True), transient=True, redirect_stdout=sys.stdout.isatty(),
            )
            self._task = self._bar.add_task(self._words(), total=self._total)
            self._bar.start()
        return self

    def __exit__(self, _kind: type | None, _error: BaseException | None, _trace: TracebackType | None) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def _words(self) -> str:
        return f"{self._what}: {self._done} of {self._files}"

    def ended(self, size: int, line: str | None) -> None:
        """A file of that size is done with; ``line`` says what became of it."""
        self._done += 1
        if line is not None:
            if self._bar is not None and sys.stdout.isatty():
                self._bar.console.print(line, markup=False, highlight=False, soft_wrap=True)
            else:
                click.echo(line)
        if self._bar is not None:
            self._bar.update(self._task, advance=self._weight(size), description=self._words())
