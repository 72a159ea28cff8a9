"""The benchmark: ``python -m tests.benchmarks``, about ten minutes; ``--quick`` in one.

Makes its own inputs, measures reading and analysing beside the parsers that are installed, the script that a user would write instead and a plain read
of the bytes, every run in a fresh process, by turns, best of several; then the commands' start-up, a batch of 100 logs and, with ``--pages``, the
dashboard's pages. Prints a table of targets and one of all figures. Times are those of this computer; the ratios travel better. Exit code 1 if a
target is missed. ``--to FILE`` also keeps both tables between two marks in FILE.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import date
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.benchmarks.cases import BYTES, OURS, READ, SCRIPT, installed_parsers
from tests.benchmarks.table import (
    ANALYZE_S,
    BATCH_SHARE,
    HELP_S,
    Figure,
    Line,
    best,
    figures_text,
    file_lines,
    keep,
    targets_text,
)

ROOT = Path(__file__).resolve().parents[2]
PACK = ROOT / "sample_logs" / "packs" / "ebike-0412.toml"
SIZES, QUICK_SIZES = (10_000, 100_000, 1_000_000, 5_000_000), (10_000, 100_000)
HEADLINE = 1_000_000
SMALL_ROWS = 5_000
PAGES = (
    ("the register's pages at 10,000 runs", ("tests.dashboard.speed", "--runs", "10000")),
    ("a zoom in a run of 1,000,000 rows", ("tests.dashboard.speed_run", "--rows", "1000000")),
    ("eight runs of 1,000,000 rows compared", ("tests.dashboard.speed_compare", "--runs", "8", "--rows", "1000000")),
)


def child(module: str, *arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """A module run in a process of its own, started in the project's folder."""
    return subprocess.run([sys.executable, "-m", module, *arguments], cwd=ROOT, text=True, capture_output=True, check=False, **more)


def asked(kind: str, **job: Any) -> dict[str, Any]:
    """What ``cases`` answers; what goes wrong there ends the benchmark."""
    done = child("tests.benchmarks.cases", json.dumps({"kind": kind, **job}))
    if done.returncode:
        raise SystemExit(f"{job}: {done.stderr[-2000:]}")
    return json.loads(done.stdout.splitlines()[-1])


def write(folder: Path, rows: int, comma: bool = False, seed: int = 1) -> Path:
    """A log of that many rows, made unless it is there."""
    path = folder / f"{rows}-{'comma' if comma else 'plain'}-{seed}.csv"
    if not path.exists():
        asked("write", files=[{"path": str(path), "rows": rows, "comma": comma, "seed": seed}])
    return path


def measure(folder: Path, sizes: Sequence[int], repeats: int, say: Callable[[str], None]) -> list[Figure]:
    """Every case on every file, by turns."""
    cases = [BYTES, *installed_parsers(), SCRIPT, READ, OURS]
    figures = []
    for rows in sizes:
        for comma in (False, True):
            path, small = write(folder, rows, comma), write(folder, 1000, comma)
            found: dict[str, list[Figure]] = {case: [] for case in cases}
            for turn in range(repeats):
                for case in cases:
                    say(f"{rows:,} rows, {'decimal commas' if comma else 'plain'}, {turn + 1} of {repeats}: {case}")
                    found[case].append(Figure(case, rows, comma, **asked("measure", case=case, path=str(path), small=str(small), comma=comma)))
            figures += [best(runs) for runs in found.values()]
            if rows > HEADLINE:
                path.unlink()
    return figures


@cache
def compiled() -> tempfile.TemporaryDirectory:
    """Where the commands keep what they compiled; it goes when the benchmark ends."""
    return tempfile.TemporaryDirectory()


def command_s(arguments: Sequence[str], repeats: int) -> tuple[float, float]:
    """Least seconds by the clock and of the processor of a whole run of the command, start to end."""
    program = shutil.which("cycler", path=str(Path(sys.executable).parent))
    call = [program] if program else [sys.executable, "-m", "cycler"]
    walls, works = [], []
    # What a run compiled serves the next ones, as on any machine; what there is of it elsewhere does not count.
    usual = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {"PYTHONPYCACHEPREFIX": compiled().name}
    for _ in range(repeats):
        used, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run([*call, *arguments], cwd=ROOT, env=usual, capture_output=True, text=True, check=False)
        walls.append(time.perf_counter() - started)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        works.append(after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime)
        # 1 says that a defect was found in a pack.
        if done.returncode not in (0, 1):
            raise SystemExit(f"cycler {' '.join(arguments)}: exit code {done.returncode}\n{done.stderr[-2000:]}")
    return min(walls), min(works)


def startup_lines(folder: Path, repeats: int) -> list[Line]:
    """Start-up of the command, whole processes."""
    help_s, _ = command_s(["--help"], max(repeats, 5))
    analyze_s, _ = command_s(["analyze", str(write(folder, SMALL_ROWS)), "--pack", str(PACK)], max(repeats, 5))
    return [
        Line("cycler --help, whole process", HELP_S, help_s, "s"),
        Line(f"cycler analyze of {SMALL_ROWS:,} rows, whole process", ANALYZE_S, analyze_s, "s"),
    ]


def batch_lines(folder: Path, logs: int, rows: int, say: Callable[[str], None]) -> tuple[list[Line], str]:
    """A batch of logs on one worker and on every core."""
    inbox = folder / "batch"
    inbox.mkdir(exist_ok=True)
    say(f"{logs} logs of {rows:,} rows are written")
    asked("write", files=[{"path": str(inbox / f"log-{k:03d}.csv"), "rows": rows, "comma": False, "seed": k} for k in range(logs)])
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    seconds = {}
    for workers in sorted({1, cores}):
        say(f"a batch of {logs} logs, workers: {workers}")
        register = folder / f"register-{workers}.sqlite"
        register.unlink(missing_ok=True)
        call = ["--register", str(register), "batch", str(inbox), "--pack", str(PACK), "--quiet-for", "0", "--workers", str(workers)]
        seconds[workers] = command_s(call, 1)[0]
    words = "; ".join(f"{workers} worker{'s' if workers > 1 else ''} {taken:.1f} s ({taken / logs * 1000:.0f} ms a log)" for workers, taken in seconds.items())
    said = f"`cycler batch` of {logs} logs of {rows:,} rows: {words}."
    if cores == 1:
        return [], said
    return [Line(f"cycler batch of {logs} logs on {cores} cores, over one worker", BATCH_SHARE * cores, seconds[1] / seconds[cores], "times faster", True)], said


def pages_text(say: Callable[[str], None]) -> tuple[bool, str]:
    """What the three commands for the pages say, and whether none of them missed a target of its own."""
    met, parts = True, []
    for words, (module, *arguments) in PAGES:
        say(words)
        done = child(module, *arguments)
        if done.returncode not in (0, 1):
            raise SystemExit(f"{module}: {done.stderr[-2000:]}")
        met = met and done.returncode == 0
        parts.append(f"`python -m {module} {' '.join(arguments)}` ({words}):\n\n```\n{done.stdout.strip()}\n```")
    return met, "\n\n".join(parts)


def machine() -> str:
    """The computer and the libraries in one line."""
    names = ("numpy", "scipy", "pandas", "pyarrow", "polars", "duckdb")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{date.today().isoformat()}, {cores} cores ({platform.machine()}), Python {platform.python_version()}, " + ", ".join(
        f"{name} {found}" for name in names if (found := _version(name))
    ) + "."


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print, keep; 1 if a target is missed, 2 if the file to keep it in is none."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help=f"files of {' and '.join(f'{rows:,}' for rows in QUICK_SIZES)} rows and a batch of 20 only")
    parser.add_argument("--rows", type=int, nargs="+", metavar="N", help="these sizes instead")
    parser.add_argument("--best-of", type=int, default=3, metavar="N", help="runs of each case (3)")
    parser.add_argument("--no-batch", action="store_true", help="leave the batch out")
    parser.add_argument("--pages", action="store_true", help="also the pages of the dashboard, some ten minutes more")
    parser.add_argument("--to", type=Path, metavar="FILE", help="keep the tables between two marks in this file, such as DEVELOPERS.md")
    wanted = parser.parse_args(arguments)
    sizes = sorted(set(wanted.rows or (QUICK_SIZES if wanted.quick else SIZES)))
    headline = HEADLINE if HEADLINE in sizes else sizes[-1]

    def say(words: str) -> None:
        print(words, file=sys.stderr, flush=True)

    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchmarks-")))
        stack.enter_context(patch.dict(os.environ, XDG_DATA_HOME=str(folder / "data"), CYCLER_KEY=str(folder / "key.pem")))
        figures = measure(folder, sizes, wanted.best_of, say)
        lines = [*file_lines(figures, headline), *startup_lines(folder, wanted.best_of)]
        notes = [machine()]
        if not wanted.no_batch:
            more, words = batch_lines(folder, 20 if wanted.quick else 100, SMALL_ROWS, say)
            lines += more
            notes.append(words)
        pages_met, pages = pages_text(say) if wanted.pages else (True, "")
    text = "\n\n".join(part for part in (targets_text(lines), figures_text(figures), *notes, pages) if part)
    print(text)
    if wanted.to is not None:
        try:
            keep(wanted.to, text)
        except (ValueError, OSError) as error:
            print(f"not kept: {error}", file=sys.stderr)
            return 2
    return 0 if pages_met and all(line.met for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
