"""The command: see :mod:`tests.fuzz`. Exit code 1 if anything but our own errors came out."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.fuzz import engine
from tests.fuzz.targets import TARGETS

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("--target", action="append", choices=[*TARGETS, "all"], help="what is called; may be given several times (reader)")
    parser.add_argument("--executions", type=int, default=20_000, help="numbers for each target")
    parser.add_argument("--begin", type=int, default=0, help="first number")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0, help="ends then, whatever is left")
    parser.add_argument("--state", type=Path, help="file that keeps the counters; the same command goes on from there")
    parser.add_argument("--failures", type=Path, default=Path(tempfile.gettempdir()) / "fuzz-failures", help="folder for the bytes of what failed")
    parser.add_argument("--seed", type=int, help="one number alone, with its traceback")
    parser.add_argument("--file", type=Path, help="one input from a file alone, with its traceback")
    parser.add_argument("--engine", choices=["seeded", "coverage"], default="seeded", help="coverage: steered by atheris, which must be installed")
    given = parser.parse_args(arguments)
    names = list(TARGETS) if given.target and "all" in given.target else given.target or ["reader"]
    if given.seed is not None or given.file is not None:
        return _one(names[0], given.file.read_bytes() if given.file else TARGETS[names[0]].make(given.seed), given.file is None)
    if given.engine == "coverage":
        return _coverage(names[0], given)
    print(f"state {engine.source_state()} of cycler, Python {sys.version.split()[0]}, numbers from {given.begin}, process {os.getpid()}", flush=True)

    def tell(name: str, tally: engine.Tally) -> None:
        print(time.strftime("%H:%M:%S"), _line(name, tally), flush=True)

    tallies = engine.run(names, given.begin, given.executions, given.jobs, given.minutes * 60, given.failures, given.state, tell)
    print(f"\n{'target':<11}{'executions':>11}{'read':>9}{'refused':>9}{'failures':>9}{'slowest s':>11}{'number':>10}{'ms each':>9}{'peak MB':>9}")
    for name, tally in tallies.items():
        print(_line(name, tally))
    for name, tally in tallies.items():
        for kind, count in sorted(tally.failures.items(), key=lambda item: -item[1]):
            print(f"FAILED {name}: {count} x {kind}; numbers {tally.seeds.get(kind)}; bytes in {given.failures}")
    return 1 if any(tally.failures for tally in tallies.values()) else 0


def _line(name: str, tally: engine.Tally) -> str:
    each = 1000 * tally.cpu_s / max(1, tally.executions)
    seconds, number = tally.slowest
    return f"{name:<11}{tally.executions:>11}{tally.read:>9}{tally.refused:>9}{sum(tally.failures.values()):>9}{seconds:>11.2f}{number:>10}{each:>9.2f}{tally.peak_mb:>9.0f}"


def _coverage(name: str, given: argparse.Namespace) -> int:
    """In a process of its own, where nothing is imported yet: what is imported uninstrumented shows no coverage."""
    with tempfile.TemporaryDirectory(prefix="fuzz-corpus-") as folder:
        for number in range(given.begin, given.begin + 300):
            (Path(folder) / str(number)).write_bytes(TARGETS[name].make(number))
        return subprocess.call([sys.executable, "-m", "tests.fuzz.coverage", name, folder, str(given.executions), str(given.minutes), str(given.failures)])


def _one(name: str, data: bytes, show: bool) -> int:
    if show:
        print(repr(data[:4000]))
    engine.watch_warnings()
    result = engine.execute(name, data)
    if isinstance(result, BaseException):
        print("".join(traceback.format_exception(result)))
        return 1
    print("read" if result else "refused")
    return 0


if __name__ == "__main__":
    sys.exit(main())
