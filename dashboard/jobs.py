"""Long work beside the pages: started by one call, looked at by others, ended on request.

A job knows nothing of pages. Its work is called with a ``report`` that takes how far it is and what it does now, and that raises
:class:`Cancelled` once somebody asked for an end: so work ends where it reports, between two of its stages, and nowhere else.
"""

from __future__ import annotations

import queue
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from cycler.errors import InputError
from dashboard.defects import in_words

Report = Callable[[float | None, str], None]
"""Takes the share that is done, 0 to 1 (None: not known), and what is done now in words."""

WAITING, WORKING, DONE, FAILED, CANCELLED = "waiting", "working", "done", "failed", "cancelled"
AT_ONCE = 2
"""Jobs that are worked at at the same time; others wait for their turn."""
KEPT, KEPT_S = 60, 6 * 3600.0
"""Jobs that are over and still known, and how long. [s]"""


class Cancelled(Exception):
    """The job was asked to end."""


@dataclass(frozen=True, slots=True)
class JobState:
    """How a job stands. ``share`` never goes back; ``result`` is there when it is done, ``error`` when it failed."""

    token: str
    title: str
    status: str
    share: float | None
    words: str
    asked_to_end: bool
    result: Any
    error: InputError | None
    seconds: float

    @property
    def is_over(self) -> bool:
        """True once nothing more will change."""
        return self.status not in (WAITING, WORKING)


@dataclass(slots=True)
class _Job:
    token: str
    title: str
    work: Callable[[Report], Any]
    started: float
    status: str = WAITING
    share: float | None = None
    words: str = ""
    result: Any = None
    error: InputError | None = None
    ended: float | None = None
    asked: threading.Event = field(default_factory=threading.Event)


class Jobs:
    """The jobs of one server. Safe to use from several threads, which end with the process."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._jobs: dict[str, _Job] = {}
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[_Job] = queue.SimpleQueue()
        self._workers = 0

    def start(self, title: str, work: Callable[[Report], Any]) -> str:
        """Have ``work`` done; returns the name by which the job is known. RuntimeError if the system gives no thread for it; nothing is done then."""
        job = _Job(secrets.token_urlsafe(12), title, work, self._clock())
        with self._lock:
            self._forget_old()
            self._jobs[job.token] = job
            new = self._workers < AT_ONCE
            self._workers += new
        self._queue.put(job)
        if new:
            try:
                threading.Thread(target=self._serve, name="job", daemon=True).start()
            except RuntimeError:
                with self._lock:
                    self._workers -= 1
                    if not self._workers:  # else another one comes to it
                        self._end(job, CANCELLED)
                        raise
        return job.token

    def state(self, token: str) -> JobState | None:
        """How a job stands; None if it is not known (any more)."""
        with self._lock:
            job = self._jobs.get(token)
            if job is None:
                return None
            seconds = (self._clock() if job.ended is None else job.ended) - job.started
            return JobState(
                job.token, job.title, job.status, job.share, job.words, job.asked.is_set(), job.result, job.error, seconds,
            )

    def states(self) -> list[JobState]:
        """All jobs that are known, the oldest first."""
        with self._lock:
            tokens = list(self._jobs)
        return [state for token in tokens if (state := self.state(token)) is not None]

    def cancel(self, token: str) -> None:
        """Ask a job to end; it does where it next reports. One that is over, or not known, stays as it is."""
        with self._lock:
            job = self._jobs.get(token)
            if job is None or job.ended is not None:
                return
            job.asked.set()
            if job.status == WAITING:
                self._end(job, CANCELLED)

    def _serve(self) -> None:
        while True:
            job = self._queue.get()
            with self._lock:
                if job.ended is not None:
                    continue
                job.status = WORKING
            self._do(job)

    def _do(self, job: _Job) -> None:
        def report(share: float | None, words: str) -> None:
            with self._lock:
                if share is not None:
                    job.share = max(job.share or 0.0, min(max(share, 0.0), 1.0))
                job.words = words
            if job.asked.is_set():
                raise Cancelled

        try:
            result = job.work(report)
        except Cancelled:
            with self._lock:
                self._end(job, CANCELLED)
        except InputError as error:
            with self._lock:
                job.error = error.bare()
                self._end(job, FAILED)
        except Exception as error:  # a defect must reach the page in words, and must not end the thread that serves other jobs
            told = in_words(error)  # writes to the log, which may take its time
            with self._lock:
                job.error = told
                self._end(job, FAILED)
        else:
            with self._lock:
                job.result = result
                self._end(job, DONE)

    def _end(self, job: _Job, status: str) -> None:
        job.status, job.ended = status, self._clock()
        job.work = _nothing  # lets go of what the work held

    def _forget_old(self) -> None:
        now = self._clock()
        over = [job for job in self._jobs.values() if job.ended is not None]
        old = [job for job in over if job.ended is not None and now - job.ended > KEPT_S] + over[: max(0, len(over) - KEPT)]
        for job in old:
            self._jobs.pop(job.token, None)


def _nothing(_report: Report) -> None:
    """The work of a job that is over."""
