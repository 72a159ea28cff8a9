"""One case measured in a process of its own: ``python -m tests.benchmarks.cases NAME FILE``; prints one line of JSON.

Each case is run once on a small file first, so that what it loads is loaded: imports count neither as time nor as memory. What is reported of the
file itself: seconds by the clock, seconds of the processor (all threads), and how far the peak of memory rose above where it stood after the
small file. Nothing is imported here but the standard library: a process that is started by a large one inherits its peak on Linux.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

OURS, SCRIPT, BYTES = "read and analyse", "script: pandas.read_csv and trapezoid", "bytes only"
READ = "read only"
PARSERS = {
    "pandas, C engine": ("pandas",), "pandas, pyarrow engine": ("pandas", "pyarrow"), "pyarrow.csv": ("pyarrow",), "polars": ("polars",), "duckdb": ("duckdb",),
}
"""Parsers of general CSV and what must be installed for them."""


def installed_parsers() -> list[str]:
    """Those of :data:`PARSERS` that can be run here."""
    return [name for name, needs in PARSERS.items() if all(find_spec(need) for need in needs)]


def work_of(case: str, comma: bool) -> Callable[[str], Any]:
    """What is done with a file's path in a case; ``comma``: semicolons and decimal commas."""
    delimiter, decimal = (";", ",") if comma else (",", ".")
    if case == BYTES:
        return lambda path: len(Path(path).read_bytes())
    if case in (OURS, READ):
        from cycler.analysis import analyze
        from cycler.readers import read_log

        return read_log if case == READ else lambda path: analyze(read_log(path)).to_dict()["capacity"]["value_ah"]
    if case in (SCRIPT, "pandas, C engine", "pandas, pyarrow engine"):
        import numpy as np
        import pandas as pd

        # As the page of read_csv has it: defaults, and the two arguments that a file of the other kind needs.
        writing = {"sep": delimiter, "decimal": decimal} if comma else {}

        def script(path: str) -> float:
            table = pd.read_csv(path, **writing)
            time_s, voltage_v, current_a = (table.iloc[:, k].to_numpy() for k in range(3))
            out = np.minimum(current_a, 0.0)
            return float(np.trapezoid(out, time_s) / 3600.0), float(np.trapezoid(out * voltage_v, time_s) / 3600.0)

        if case == SCRIPT:
            return script
        return lambda path: pd.read_csv(path, engine="c" if case.endswith("C engine") else "pyarrow", **writing)
    if case == "pyarrow.csv":
        from pyarrow import csv

        return lambda path: csv.read_csv(
            path, parse_options=csv.ParseOptions(delimiter=delimiter), convert_options=csv.ConvertOptions(decimal_point=decimal)
        )
    if case == "polars":
        import polars

        return lambda path: polars.read_csv(path, separator=delimiter, decimal_comma=comma, infer_schema_length=10_000)
    if case == "duckdb":
        import duckdb

        return lambda path: duckdb.sql(f"select * from read_csv('{path}', delim='{delimiter}', decimal_separator='{decimal}')").fetchnumpy()
    raise ValueError(f"no case {case!r}")


def peak_bytes() -> int:
    """Highest memory of this process so far, pages in use (resident). [byte]"""
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        unit = 1 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    return int(status.split("VmHWM:")[1].split()[0]) * 1024


def measured(case: str, path: str, small: str, comma: bool) -> dict[str, float]:
    """``wall_s``, ``cpu_s`` and ``memory_bytes`` of one case on one file, libraries loaded and tried on the small one."""
    from cycler.heap import keep_freed_memory

    keep_freed_memory()  # as the commands do, and alike in every case
    work = work_of(case, comma)
    work(small)
    before, started, used = peak_bytes(), time.perf_counter(), time.process_time()
    work(path)
    wall, cpu = time.perf_counter() - started, time.process_time() - used
    return {"wall_s": wall, "cpu_s": cpu, "memory_bytes": peak_bytes() - before}


def write_log(path: Path, rows: int, comma: bool, seed: int) -> None:
    """An invented log of 14 columns: a sample log drawn out to that many rows, with noise; the same readings with either way of writing."""
    from tests.dashboard.speed_run import long_log

    text = long_log(rows, seed)
    path.write_bytes(text.translate(bytes.maketrans(b",.", b";,")) if comma else text)


def main(arguments: list[str]) -> int:
    job = json.loads(arguments[0])
    kind = job.pop("kind")
    if kind == "write":
        for one in job["files"]:
            write_log(Path(one["path"]), one["rows"], one["comma"], one["seed"])
        answer: dict[str, Any] = {}
    else:
        answer = measured(**job)
    print(json.dumps(answer))
    return 0


if __name__ == "__main__":
    sys.stdout.flush()
    code = main(sys.argv[1:])
    sys.stdout.flush()
    # Libraries with threads of their own take a while to wind up; nothing is left to be written.
    os._exit(code)
