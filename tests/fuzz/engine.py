"""Numbers to inputs to calls, in processes that are watched: what came out, how long it took, and every failure kept with its bytes."""

from __future__ import annotations

import contextlib
import hashlib
import json
import multiprocessing
import os
import resource
import signal
import time
import traceback
import warnings
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

LIMIT_S = 10.0
"""One execution takes milliseconds; one that takes this long of the processor hangs, or four times as long by the clock. [s]"""
HARD_LIMIT_S = 60.0
"""After which a process that does not even hear its alarm is ended. [s]"""
MEMORY_MAX = 6 * 2**30
"""Address space of one process. [bytes]"""
CHUNK = 200
KEPT_PER_KIND = 3


class Hang(BaseException):
    """An execution went on beyond ``LIMIT_S``."""


@dataclass
class Tally:
    """What a range of numbers gave. ``failures`` counts by kind: type and place; ``slowest`` is (seconds, number)."""

    executions: int = 0
    read: int = 0
    refused: int = 0
    failures: dict[str, int] = field(default_factory=dict)
    seeds: dict[str, list[int]] = field(default_factory=dict)
    slowest: tuple[float, int] = (0.0, -1)
    cpu_s: float = 0.0
    peak_mb: float = 0.0

    def add(self, other: Tally) -> None:
        """Another range on top."""
        self.executions += other.executions
        self.read += other.read
        self.refused += other.refused
        self.cpu_s += other.cpu_s
        self.peak_mb = max(self.peak_mb, other.peak_mb)
        self.slowest = max(tuple(self.slowest), tuple(other.slowest))
        for kind, count in other.failures.items():
            self.failures[kind] = self.failures.get(kind, 0) + count
            self.seeds[kind] = (self.seeds.get(kind, []) + other.seeds.get(kind, []))[:KEPT_PER_KIND]


def watch_warnings() -> None:
    """What our own code, or numpy on its behalf, warns of is a failure; what libraries warn of among themselves is not."""
    warnings.simplefilter("ignore")
    warnings.filterwarnings("error", category=RuntimeWarning)
    warnings.filterwarnings("error", module=r"cycler(\.|$)")


def kind_of(error: BaseException) -> str:
    """Type and innermost place of our own in it."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if f"{os.sep}cycler{os.sep}" in frame.filename] or frames
    place = own[-1]
    return f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno} {place.name}"


def execute(name: str, data: bytes, limit_s: float = LIMIT_S) -> bool | BaseException:
    """One call, with warnings as :func:`watch_warnings` set them: True read, False refused, or what came out of it that must not."""
    from tests.fuzz.targets import TARGETS

    def alarm(_signal: int, _frame: Any) -> None:
        raise Hang(f"longer than {limit_s:g} s")

    timers = ((signal.SIGPROF, signal.ITIMER_PROF, limit_s), (signal.SIGALRM, signal.ITIMER_REAL, 4.0 * limit_s))
    before = [signal.signal(sent, alarm) for sent, _timer, _seconds in timers]
    for _sent, timer, seconds in timers:
        signal.setitimer(timer, seconds)
    try:
        return TARGETS[name].call(data)
    except (Exception, Hang) as error:
        return error
    finally:
        for (sent, timer, _seconds), was in zip(timers, before, strict=True):
            signal.setitimer(timer, 0.0)
            signal.signal(sent, was)


def run_range(name: str, start: int, stop: int, folder: Path, beat: Any = None) -> Tally:
    """The numbers ``start`` to ``stop`` (not included); the bytes of failures go into ``folder``."""
    from tests.fuzz.targets import TARGETS

    tally = Tally()
    begun = time.process_time()
    for number in range(start, stop):
        if beat is not None:
            beat.value = number
        data = TARGETS[name].make(number)
        at = time.process_time()
        result = execute(name, data)
        tally.executions += 1
        tally.slowest = max(tally.slowest, (round(time.process_time() - at, 4), number))
        if result is True:
            tally.read += 1
        elif result is False:
            tally.refused += 1
        else:
            kind = kind_of(result)
            tally.failures[kind] = tally.failures.get(kind, 0) + 1
            if tally.failures[kind] <= KEPT_PER_KIND:
                tally.seeds.setdefault(kind, []).append(number)
                keep(folder, name, number, data, result)
    tally.cpu_s = time.process_time() - begun
    tally.peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return tally


def keep(folder: Path, name: str, number: int, data: bytes, error: BaseException) -> None:
    """Bytes and traceback of a failure."""
    mark = hashlib.sha256(kind_of(error).encode()).hexdigest()[:6]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}-{mark}-{number}").write_bytes(data)
    (folder / f"{name}-{mark}-{number}.txt").write_text("".join(traceback.format_exception(error))[-20_000:], "utf-8", "replace")


def source_state() -> str:
    """Digest of the program's own files, so that a count says of which state it is."""
    import cycler

    digest = hashlib.sha256()
    for path in sorted(Path(cycler.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _serve(pipe: Any, beat: Any, folder: str) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX, MEMORY_MAX))
    watch_warnings()
    with contextlib.suppress(EOFError, KeyboardInterrupt):
        while (order := pipe.recv()) is not None:
            pipe.send(asdict(run_range(*order, Path(folder), beat)))


class _Worker:
    """A process that works at ranges, and what it works at now."""

    def __init__(self, folder: Path) -> None:
        self.context = multiprocessing.get_context("spawn")
        self.folder = folder
        self.order: tuple[str, int, int] | None = None
        self.begin()

    def begin(self) -> None:
        self.pipe, other = self.context.Pipe()
        self.beat = self.context.Value("q", -1, lock=False)
        self.process = self.context.Process(target=_serve, args=(other, self.beat, str(self.folder)), daemon=True)
        self.process.start()
        other.close()
        self.seen, self.since = -1, time.monotonic()

    def give(self, order: tuple[str, int, int]) -> None:
        self.order, self.since = order, time.monotonic()
        self.pipe.send(order)

    def stuck(self) -> bool:
        """Dead, or at one number for too long."""
        if self.beat.value != self.seen:
            self.seen, self.since = self.beat.value, time.monotonic()
        limit = HARD_LIMIT_S if self.seen >= 0 else 10 * HARD_LIMIT_S  # the first order builds the corpus
        return not self.process.is_alive() or time.monotonic() - self.since > limit

    def end(self) -> None:
        self.process.kill()
        self.process.join()
        self.pipe.close()


def run(names: list[str], begin: int, executions: int, jobs: int, seconds: float, folder: Path, state: Path | None, tell: Any) -> dict[str, Tally]:
    """Every target in turn, ``executions`` numbers from ``begin`` on each; goes on where ``state`` says that it was."""
    tallies = {name: Tally() for name in names}
    following = dict.fromkeys(names, begin)
    if state is not None and state.exists():
        for name, held in json.loads(state.read_text()).items():
            if name in tallies:
                following[name] = held.pop("next")
                tallies[name] = Tally(**held)
    end = time.monotonic() + seconds
    told = time.monotonic()
    workers = [_Worker(folder) for _ in range(jobs)]
    try:
        for name in names:
            given, stop = following[name], begin + executions
            done: dict[int, Tally] = {}
            while following[name] < stop and time.monotonic() < end:
                for worker in workers:
                    if worker.order is None and given < stop:
                        worker.give((name, given, min(given + CHUNK, stop)))
                        given += CHUNK
                    if worker.order is not None and worker.pipe.poll(0.02):
                        with contextlib.suppress(EOFError):
                            done[worker.order[1]] = Tally(**worker.pipe.recv())
                            worker.order = None
                            continue
                    if worker.order is not None and worker.stuck():
                        start = worker.order[1]
                        done[start] = _lost(worker, name, folder)
                while following[name] in done:
                    tallies[name].add(done.pop(following[name]))
                    following[name] = min(following[name] + CHUNK, stop)
                if time.monotonic() - told > 15:
                    told = time.monotonic()
                    _save(state, tallies, following)
                    tell(name, tallies[name])
            for worker in workers:  # the rest of what was given belongs to this target
                if worker.order is not None:
                    worker.end()
                    worker.order = None
                    worker.begin()
            _save(state, tallies, following)
            tell(name, tallies[name])
    finally:
        for worker in workers:
            worker.end()
    return tallies


def _lost(worker: _Worker, name: str, folder: Path) -> Tally:
    """A range whose process died or hung beyond its alarm: the number at fault is kept, the rest of the range is left out and not counted."""
    from tests.fuzz.targets import TARGETS

    number = worker.beat.value
    code = worker.process.exitcode
    worker.end()
    error = Hang("does not hear its alarm") if code is None else RuntimeError(f"the process ended with {code}")
    kind = f"{type(error).__name__}: {error}"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}-process-{number}").write_bytes(TARGETS[name].make(number))
    (folder / f"{name}-process-{number}.txt").write_text(kind)
    _name, start, _stop = worker.order
    worker.order = None
    worker.begin()
    return Tally(executions=max(number - start, 0) + 1, failures={kind: 1}, seeds={kind: [number]})


def _save(state: Path | None, tallies: dict[str, Tally], following: dict[str, int]) -> None:
    if state is None:
        return
    part = state.with_name(state.name + ".part")
    part.write_text(json.dumps({name: asdict(tally) | {"next": following[name]} for name, tally in tallies.items()}, indent=1))
    os.replace(part, state)
