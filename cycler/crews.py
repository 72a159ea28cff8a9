"""Who does the work of a batch: this process, processes of this machine, or the workers of a Dask distributed scheduler.

All call the same function, :func:`cycler.batchwork.work_of`. A crew takes jobs under a number and hands back what became of them in
whatever order; a job whose worker died is told (:class:`Died`) and never lost. Nothing here knows the register.
"""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as ended
from pathlib import Path
from typing import Any, Protocol

from cycler import batchwork, intake
from cycler.batchwork import CHANGED, REFUSED, Job, parts_of, versions, work_of
from cycler.errors import InputError, quote
from cycler.intake import Changed

CONNECT_S = 10.0
"""How long the scheduler and its first worker may take to answer. [s]"""

NO_WORKERS_S = 60.0
"""How long a cluster may be without any worker before the batch ends. [s]"""

WINDOWS_MOST = 61
"""Windows waits for no more processes at once (Python documentation, ProcessPoolExecutor; from memory)."""

_LOOK_S = 1.0


class Died:
    """What became of a job: the worker that had it died, or was killed. ``alone`` if no other job was with it."""

    def __init__(self, alone: bool) -> None:
        self.alone = alone


Outcome = dict[str, Any] | Died


class Crew(Protocol):
    """What a batch needs of those who work for it. ``width`` is how many jobs they work on at the same time."""

    width: int

    def submit(self, number: int, job: Job) -> None:
        """Have a job done."""

    def outcomes(self) -> list[tuple[int, Outcome]]:
        """Wait until something became of a job, and what it was. Called only while one is on its way. InputError if the crew is lost."""

    def close(self) -> None:
        """Send all home; what they have not done is not wanted any more."""


class Here:
    """This process does the work itself."""

    width = 1

    def __init__(self) -> None:
        self._waiting: list[tuple[int, Job]] = []

    def submit(self, number: int, job: Job) -> None:
        self._waiting.append((number, job))

    def outcomes(self) -> list[tuple[int, Outcome]]:
        number, job = self._waiting.pop(0)
        return [(number, work_of(job))]

    def close(self) -> None:
        self._waiting.clear()


class Pool:
    """Processes of this machine. They are started anew if one dies, and what was with them is then done one at a time.

    Parameters
    ----------
    width : int
        Number of processes.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self._waiting: list[tuple[int, Job]] = []
        self._suspects: list[tuple[int, Job]] = []
        self._out: dict[Future[dict[str, Any]], tuple[int, Job, bool]] = {}
        self._executor: ProcessPoolExecutor | None = None
        self._leash: Connection | None = None

    def submit(self, number: int, job: Job) -> None:
        self._waiting.append((number, job))

    def outcomes(self) -> list[tuple[int, Outcome]]:
        while True:
            self._send()
            done, _left = wait(self._out, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
            if not done and self._somebody_died():
                self._let_go()
            found: list[tuple[int, Outcome]] = []
            broken = []
            for future in done:
                number, job, alone = self._out.pop(future)
                try:
                    found.append((number, future.result()))
                except BrokenProcessPool:
                    broken.append((number, job, alone))
            if broken:
                found += self._anew(broken)
            if found:
                return found

    def _send(self) -> None:
        """Give out jobs: those under suspicion one at a time and nothing beside them, the others as many as there are processes and one more."""
        if self._suspects:
            if not self._out:
                self._give(*self._suspects.pop(0), alone=True)
            return
        while self._waiting and len(self._out) <= self.width and not any(alone for _number, _job, alone in self._out.values()):
            self._give(*self._waiting.pop(0), alone=False)

    def _give(self, number: int, job: Job, alone: bool) -> None:
        try:
            try:
                future = self._started().submit(work_of, job)
            except BrokenProcessPool:  # it died while nothing was asked of it
                self._end()
                future = self._started().submit(work_of, job)
        except (OSError, ImportError, NotImplementedError) as error:  # a limit of the system, or one without shared semaphores
            raise InputError(
                "no processes can be started", "--workers", quote(getattr(error, "strerror", None) or error, 160)[1:-1],
                "what is kept stays; give the same command again with fewer, or with --workers 1, which starts none",
            ) from None
        self._out[future] = (number, job, alone)

    def _anew(self, broken: list[tuple[int, Job, bool]]) -> list[tuple[int, Outcome]]:
        """A process died: whose log it was cannot be told but for one that was alone. What was done before that still counts."""
        found: list[tuple[int, Outcome]] = []
        wait(self._out)
        for future, (number, job, alone) in self._out.items():
            try:
                found.append((number, future.result()))
            except BrokenProcessPool:
                broken.append((number, job, alone))
        self._out.clear()
        self._end()
        for number, job, alone in sorted(broken, key=lambda item: item[0]):
            if alone:
                found.append((number, Died(True)))
            else:
                self._suspects.append((number, job))
        return found

    def _started(self) -> ProcessPoolExecutor:
        if self._executor is None:
            context = multiprocessing.get_context("spawn")
            held, self._leash = context.Pipe(duplex=False)
            self._executor = _Executor(self.width, mp_context=context, initializer=_begin_worker, initargs=(held,))
        return self._executor

    def _somebody_died(self) -> bool:
        """True if a process of the pool has ended."""
        processes = list((getattr(self._executor, "_processes", None) or {}).values())
        try:
            return bool(ended([process.sentinel for process in processes], timeout=0))
        except (ValueError, OSError):  # the pool is clearing them away just now
            return False

    def _let_go(self) -> None:
        """The leash is let go of: every worker ends at once, also in the midst of a log.

        One that ends while it hands over a result leaves half a message, for the rest of which the pool would wait for good, as this
        process could still write it. So that end is closed here, too.
        """
        if self._leash is not None:
            self._leash.close()
        self._leash = None
        results = getattr(self._executor, "_result_queue", None)
        if results is not None:
            with contextlib.suppress(OSError, AttributeError):
                results._writer.close()

    def _end(self) -> None:
        self._let_go()
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
        self._executor = None

    def close(self) -> None:
        self._waiting.clear()
        self._suspects.clear()
        self._out.clear()
        self._end()


class _Executor(ProcessPoolExecutor):
    """A pool whose processes do not hear Ctrl+C, from their first moment on: they end when this one lets go of them."""

    def submit(self, *args: Any, **keywords: Any) -> Future[Any]:
        with _no_interrupt(), _one_thread_each():
            return super().submit(*args, **keywords)


@contextlib.contextmanager
def _no_interrupt() -> Iterator[None]:
    """Ctrl+C is held back while a process is started, which inherits that."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """As at the start of the command: threads of the linear algebra cost more than they save, and here every core has work."""
    name = "OPENBLAS_NUM_THREADS"
    before = os.environ.get(name)
    os.environ.setdefault(name, "1")
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]


def _begin_worker(leash: Connection) -> None:
    """First step of a worker: it ends when the batch does, however that ends, and loads what every log needs."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def end_with_the_batch() -> None:
        with contextlib.suppress(EOFError, OSError):
            leash.recv()
        os._exit(0)

    threading.Thread(target=end_with_the_batch, daemon=True).start()
    import cycler.analysis
    import cycler.readers  # noqa: F401
    from cycler.heap import keep_freed_memory

    keep_freed_memory()


class Cluster:
    """The workers of a Dask distributed scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, "tcp://127.0.0.1:8786".
    shared_folder : bool
        The workers see the logs under the same path; otherwise their bytes are sent.

    Raises
    ------
    InputError
        The package is not installed, nobody answers, there is no worker, or one has another version of the program.

    Notes
    -----
    Dask sends Python objects as pickles, which run code when they are opened: whoever can reach the scheduler can run programs on every
    machine of the cluster and on this one.
    """

    def __init__(self, address: str, shared_folder: bool = False) -> None:
        import asyncio

        try:
            import distributed
        except ModuleNotFoundError as error:
            raise InputError(
                "a cluster cannot be used", "--cluster", f"the package {error.name} is not installed",
                "install it with: pip install 'packreturn[cluster]'; or leave --cluster out",
            ) from None
        _silence("distributed", "tornado", "asyncio")
        self._address, self._shared, self._distributed = address, shared_folder, distributed
        _check_address(address)
        self._done: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._out: dict[int, tuple[Any, Job]] = {}
        self._without_since: float | None = None
        try:
            # First a question with an end: a client waits for ever for what takes its call and speaks another language, or says nothing.
            asyncio.run(asyncio.wait_for(_greet(address), CONNECT_S))
            self._client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except Exception as error:  # whatever the bytes of a stranger do to the one who takes them for a greeting
            raise InputError(
                "the cluster cannot be reached", "--cluster", f"no scheduler answers at {address}: {str(error) or type(error).__name__}",
                "check the address, and that the scheduler runs; or leave --cluster out",
            ) from None
        try:
            self.width = self._checked_width()
        except BaseException:
            self.close()
            raise

    def _checked_width(self) -> int:
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError:
            raise InputError(
                "the cluster has no worker", "--cluster", f"none has joined {self._address} within {CONNECT_S:.0f} s",
                f"start one on each machine with: dask worker {self._address} --nthreads 1 --nworkers N",
            ) from None
        for worker, found in self._client.run(batchwork.versions, on_error="return").items():
            if isinstance(found, BaseException):
                raise InputError(
                    "a worker of the cluster cannot do this work", "--cluster", f"{worker}: {type(found).__name__}: {found}",
                    "install this program there, in the version that runs here",
                )
            if tuple(map(tuple, found)) != versions():
                raise other_program(worker, found)
        return max(1, sum(self._client.nthreads().values()))

    def submit(self, number: int, job: Job) -> None:
        sent = job
        if not self._shared and job.raw is None:
            try:
                sent = replace(job, raw=intake.bytes_of(Path(job.path), job.size, job.mtime_ns))
            except Changed:
                return self._answer(number, job, {"state": CHANGED})
            except InputError as error:
                return self._answer(number, job, {"state": REFUSED, "error": parts_of(error)})
        try:
            # The bytes are part of the task, so that the scheduler can give it to another worker when one is lost.
            future = self._client.submit(work_of, sent, pure=False)
        except Exception as error:
            raise self._lost(error) from None
        self._wait_for(number, future, job)
        return None

    def _wait_for(self, number: int, future: Any, job: Job) -> None:
        self._out[number] = (future, job)
        future.add_done_callback(lambda _future: self._done.put(number))

    def _answer(self, number: int, job: Job, outcome: dict[str, Any]) -> None:
        self._out[number] = (outcome, job)
        self._done.put(number)

    def outcomes(self) -> list[tuple[int, Outcome]]:
        while True:
            try:
                number = self._done.get(timeout=_LOOK_S)
            except queue.Empty:
                self._look()
                continue
            future, job = self._out.pop(number)
            if isinstance(future, dict):
                return [(number, future)]
            if future.status == "cancelled" or self._client.status != "running":
                raise self._lost()
            try:
                return [(number, future.result(timeout=CONNECT_S))]
            except self._distributed.scheduler.KilledWorker:
                return [(number, Died(True))]
            except TimeoutError:  # its worker was lost before the result came over: it is being done again
                self._look()
                self._wait_for(number, future, job)
            except Exception as error:  # work_of raises nothing: the job or the result did not come over
                # A scheduler that just died: the connection tells it sooner than the client does.
                if self._client.status != "running" or isinstance(error, (OSError, CancelledError)):
                    raise self._lost(error) from None
                raise InputError(
                    "the cluster could not do the work", "--cluster", f"{job.name}: {type(error).__name__}: {quote(error, 200)[1:-1]}",
                    "install the same version of this program on every worker; what is kept stays",
                ) from None

    def _look(self) -> None:
        """Nothing came for a while: is anybody still there?"""
        if self._client.status != "running":
            raise self._lost()
        try:
            there = bool(self._client.nthreads())
        except Exception as error:
            raise self._lost(error) from None
        if there:
            self._without_since = None
            return
        self._without_since = self._without_since or time.monotonic()
        if time.monotonic() - self._without_since > NO_WORKERS_S:
            raise InputError(
                "the cluster has no worker any more", "--cluster", f"all have left {self._address}, and none came for {NO_WORKERS_S:.0f} s",
                "what is kept stays; start workers, and give the same command again",
            )

    def _lost(self, error: Exception | None = None) -> InputError:
        why = f" ({type(error).__name__})" if error is not None else ""
        return InputError(
            "the cluster is lost", "--cluster", f"the scheduler at {self._address} does not answer any more{why}",
            "what is kept stays; start it again, or leave --cluster out, and give the same command again",
        )

    def close(self) -> None:
        futures = [future for future, _job in self._out.values() if not isinstance(future, dict)]
        self._out.clear()
        with contextlib.suppress(Exception):
            if futures and self._client.status == "running":
                self._client.cancel(futures, force=True)
        with contextlib.suppress(Exception):
            self._client.close(timeout=2)


def _check_address(address: str) -> None:
    """InputError unless it names a host and a port. A client that was begun with another one waits at the end, and then prints a traceback."""
    from distributed.comm import addressing

    try:
        good = all(addressing.get_address_host_port(addressing.normalize_address(address), strict=True))
    except ValueError:
        good = False
    if not good:
        raise InputError(
            "the cluster's address cannot be used", "--cluster", f"{quote(address)} does not name a computer and a port",
            "give what the scheduler printed at its start, such as tcp://192.0.2.10:8786",
        )


async def _greet(address: str) -> None:
    """ValueError and many others unless a scheduler answers."""
    from distributed.comm import connect

    line = await connect(address, timeout=CONNECT_S)
    try:
        await line.write({"op": "identity", "reply": True})
        told = await line.read()
    finally:
        line.abort()
    if not isinstance(told, dict) or told.get("type") != "Scheduler":
        raise ValueError("what answers is no scheduler")


def _silence(*packages: str) -> None:
    """What goes wrong is told in our own words; each of their loggers has a level of its own."""
    for name in {*packages, *logging.root.manager.loggerDict}:
        if name.split(".")[0] in packages:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def other_program(worker: str, found: Any) -> InputError:
    """The error for a worker whose figures need not be ours to the last digit."""
    own, theirs = dict(versions()), dict(found)
    differ = [f"{name} {theirs.get(name, 'none')}, here {own[name]}" for name in own if theirs.get(name) != own[name]]
    return InputError(
        "a worker of the cluster has other versions", "--cluster", f"{worker}: {'; '.join(differ)}",
        "install the same version of the program there, or here: only then are all figures the same",
    )


def crew_for(workers: int | None, cluster: str | None = None, shared_folder: bool = False) -> Crew:
    """Those who do the work: the cluster if one is named, else so many processes (left out: one a core); one is this process itself."""
    if cluster is not None:
        return Cluster(cluster, shared_folder)
    width = workers or _cores()
    if sys.platform == "win32":
        width = min(width, WINDOWS_MOST)
    return Pool(width) if width > 1 else Here()


def _cores() -> int:
    """Cores that this process may use."""
    if sys.version_info >= (3, 13):
        return os.process_cpu_count() or 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0)) or 1
    return os.cpu_count() or 1
