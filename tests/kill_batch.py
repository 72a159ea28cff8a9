"""Kill a batch at random moments, the whole program or one of its workers, then look whether anything it told as kept was lost.

    python -m tests.kill_batch --kills 100 --logs 200

``cycler batch FOLDER`` is started again and again on one folder of invented logs (:func:`tests.test_watching.log_bytes`). Two blows of
three end the program (SIGKILL), the third one of its workers, after which the same batch goes on. New logs come into the folder as long as kills are due. Then the
batch is run to its end: every log must be in the register once, byte for byte and in the order of the files, whatever was told as kept
under the number that was told, the register in order from end to end, and no worker may be left.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from cycler import custody
from cycler.register import Register
from tests.batches import put
from tests.test_watching import log_bytes, pack_toml

PROJECT = Path(__file__).resolve().parent.parent
TIMEOUT_S = 3000.0
LOGS_AT_ONCE = 25
PAST_THE_START_S = 0.5
GONE_WITHIN_S = 30.0
KEPT = re.compile(r"^kept {6}(\S+)  run (\d+) of ", re.MULTILINE)


def name_of(number: int) -> str:
    """File of one log; later numbers were changed later."""
    return f"log-{number:05}.csv"


def batch(register: Path, folder: Path) -> subprocess.Popen[bytes]:
    """The command as a person starts it, with two workers."""
    words = [sys.executable, "-u", "-m", "cycler", "--register", str(register), "--quiet", "batch", str(folder), "--workers", "2"]
    return subprocess.Popen(words, cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def children_of(pid: int) -> list[int]:
    """Processes that a process started, and theirs; those that end meanwhile may be missing."""
    own: list[int] = []
    for file in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            own += [int(word) for word in file.read_text().split()]
    return own + [other for child in own for other in children_of(child)]


def workers_of(pid: int) -> list[int]:
    """Those of them that analyse logs; multiprocessing has a keeper of its own beside them."""
    found = []
    for child in children_of(pid):
        with contextlib.suppress(OSError):
            if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(child)
    return found


def one_life(register: Path, folder: Path, chance: random.Random, whole: bool) -> tuple[list[tuple[str, int]], list[int], bool]:
    """Start a batch and strike it: what it told as kept, the workers it had, and whether the blow met somebody."""
    child = batch(register, folder)
    while not whole and child.poll() is None and not workers_of(child.pid):
        time.sleep(0.02)
    time.sleep(PAST_THE_START_S + chance.expovariate(1 / 0.8))
    workers, everybody = workers_of(child.pid), children_of(child.pid)
    struck = child.poll() is None and bool(whole or workers)
    try:
        if struck:
            with contextlib.suppress(ProcessLookupError):
                os.kill(child.pid if whole else chance.choice(workers), signal.SIGKILL)
        out, err = child.communicate(timeout=TIMEOUT_S)
    finally:
        child.kill()
    if child.returncode not in ((0, -signal.SIGKILL) if whole else (0,)):
        raise SystemExit(f"the batch ended with {child.returncode}:\n{out.decode()}\n{err.decode()}")
    return [(name, int(run)) for name, run in KEPT.findall(out.decode())], everybody, struck


def loop(folder: Path, kills: int, logs: int, chance: random.Random) -> tuple[dict[str, int], list[str]]:
    """Figures, and everything that is wrong."""
    register, place = folder / "register.sqlite", folder / "logs"
    place.mkdir()
    (place / "pack.toml").write_text(pack_toml("KB-1"))
    told: list[tuple[str, int]] = []
    wrong: list[str] = []
    made = struck_whole = struck_one = 0
    end = time.monotonic() + TIMEOUT_S
    while struck_whole + struck_one < kills or made < logs:
        if time.monotonic() > end:
            raise SystemExit(f"not done after {TIMEOUT_S:.0f} s: {struck_whole + struck_one} kills, {made} logs")
        with Register.open(register) as opened:
            waiting = made - len(opened.runs())
        for _ in range(max(0, LOGS_AT_ONCE - waiting)):
            put(place, name_of(made), log_bytes(made), made)
            made += 1
        whole = chance.random() < 2 / 3
        kept, workers, struck = one_life(register, place, chance, whole)
        told += kept
        struck_whole += struck and whole
        struck_one += struck and not whole
        left, until = workers, time.monotonic() + GONE_WITHIN_S
        while (left := [pid for pid in left if Path(f"/proc/{pid}").exists()]) and time.monotonic() < until:
            time.sleep(0.05)
        if left:
            wrong.append(f"{len(left)} workers live on after their batch")
    last = batch(register, place)
    out, err = last.communicate(timeout=TIMEOUT_S)
    told += [(name, int(run)) for name, run in KEPT.findall(out.decode())]
    if last.returncode or err:
        wrong.append(f"the last batch ended with {last.returncode}: {err.decode()}")
    wrong += _wrong_of(register, place, told, made)
    return {
        "kills of the program": struck_whole, "kills of a worker": struck_one, "logs": made, "told as kept": len(told),
    }, wrong


def _wrong_of(register: Path, place: Path, told: list[tuple[str, int]], made: int) -> list[str]:
    wrong = [item.text for item in custody.check(register).problems]
    with Register.open(register, create=False) as opened:
        held = {row.id: opened.raw_sources(row.id) for row in opened.runs()}
    if list(held.values()) != [[(name_of(number), (place / name_of(number)).read_bytes())] for number in range(made)]:
        wrong.append("the register does not hold each log once, byte for byte, in the order of the files")
    wrong += [f"{name}, told as kept as run {run}, is not that run" for name, run in told if [item for item, _raw in held.get(run, [])] != [name]]
    if len(told) != len(set(told)):
        wrong.append("a log was told as kept twice")
    return wrong


def main(arguments: list[str] | None = None) -> int:
    """The loop as a command; exit code 1 if anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=None)
    given = parser.parse_args(arguments)
    if not Path("/proc/self/task").exists():
        print("needs SIGKILL and /proc", file=sys.stderr)
        return 2
    seed = given.seed if given.seed is not None else random.SystemRandom().randrange(10**6)
    folder = Path(tempfile.mkdtemp(prefix="kill-batch-"))
    begun = time.monotonic()
    try:
        figures, wrong = loop(folder, given.kills, given.logs, random.Random(seed))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    for name, value in figures.items():
        print(f"{name}: {value}")
    print(f"seed {seed}; {time.monotonic() - begun:.0f} s")
    for text in wrong:
        print(f"WRONG: {text}")
    print("nothing that was told as kept is lost" if not wrong else f"{len(wrong)} things are wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
