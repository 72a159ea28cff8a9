"""How long the comparison of long runs takes: ``python -m tests.dashboard.speed_compare --runs 8 --rows 1000000``.

The logs are invented: a sample log drawn out to that many rows with noise of half a digit, each from another seed. Times are those of this computer
(the processor's tell what a busier one would hide), taken by a program started anew whose runs were each looked at once before, so that copies of their columns lie on the disk.
Asked: figure and tables together under 2 s of the server's time, every answer under 1 MB. Exit code 1 if one of them is not met.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

from .speed_run import SAMPLES, long_log

SERVER_S, ANSWER_BYTES = 2.0, 1_000_000
REPEATS = 5
VIEWS = {
    "time, pack": "", "charge, one group, with current and temperature": "&x=ah&y=group&group=4&with=current,temperature", "voltage": "&x=voltage",
    "charge, enlarged": "&x=ah&from=2&to=3", "charging, pack per group": "&part=charge&y=per-group",
}
CURVES = (("compare-curve", "figure"), ("compare-curve", "style"), ("compare-drawn", "data"), ("compare-words", "children"), ("compare-export", "children"))
TABLES = (
    ("compare-tabled", "data"), ("compare-said", "children"), ("compare-note", "children"), ("compare-body", "hidden"), ("compare-danger", "children"),
    ("compare-summary", "children"), ("compare-keys", "children"), ("compare-table", "children"), ("compare-group-part", "children"),
    ("compare-group-tables", "children"),
)


def ask(client, outputs, store, search):
    """Seconds and bytes of one answer of the page's callbacks, as the browser asks for it."""
    body = {
        "output": ".." + "...".join(f"{name}.{key}" for name, key in outputs) + "..",
        "outputs": [{"id": name, "property": key} for name, key in outputs],
        "inputs": [{"id": "url", "property": "search", "value": search}], "changedPropIds": ["url.search"],
        "state": [{"id": "url", "property": "pathname", "value": "/compare"}, {"id": store, "property": "data", "value": None}],
    }
    start = time.perf_counter()
    answer = client.post("/_dash-update-component", json=body)
    taken = time.perf_counter() - start
    assert answer.status_code == 200, (answer.status_code, answer.data[:300])
    return taken, len(answer.data)


def fill(path, runs, rows):
    """Add so many invented runs of one pack."""
    from cycler.pack import load_pack
    from dashboard.data import Door

    door = Door(path)
    pack = load_pack(SAMPLES / "packs" / "ebike-0412.toml")
    for number in range(1, runs + 1):
        run_id = door.add([(f"long-{number}.csv", long_log(rows, number))], pack, f"long {number}", "return-to-owner")
        door.curves(run_id)
        print(f"added {number} of {runs}", flush=True)
    door.close()


def main(arguments=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--keep", type=Path, help="folder of the register and the copies, used again if it is there")
    wanted = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        folder = wanted.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        os.environ["CYCLER_CURVES"] = str(folder / "curves")
        os.environ.setdefault("CYCLER_KEY", str(folder / "key.pem"))
        from dashboard.app import create_app

        register = folder / "register.sqlite"
        if not register.exists():
            fill(register, wanted.runs, wanted.rows)
        app = create_app(register)
        client = app.server.test_client()
        runs = ",".join(map(str, range(1, wanted.runs + 1)))
        busy = time.process_time()
        first = [ask(client, TABLES, "compare-tabled", f"?runs={runs}"), ask(client, CURVES, "compare-drawn", f"?runs={runs}")]
        slowest, largest = sum(seconds for seconds, _size in first), max(size for _seconds, size in first)
        print(f"{wanted.runs} runs of {wanted.rows} rows")
        print(f"started anew: tables {first[0][0]:.2f} s, {first[0][1]} bytes; figure {first[1][0]:.2f} s, {first[1][1]} bytes; processor {time.process_time() - busy:.2f} s")
        tables = statistics.median(ask(client, TABLES, "compare-tabled", f"?runs={runs}")[0] for _ in range(REPEATS))
        print(f"again: tables {tables:.2f} s")
        for name, query in VIEWS.items():
            asked = [ask(client, CURVES, "compare-drawn", f"?runs={runs}{query}") for _ in range(REPEATS)]
            seconds, size = statistics.median(one[0] for one in asked), max(one[1] for one in asked)
            slowest, largest = max(slowest, tables + seconds), max(largest, size)
            print(f"again: figure over {name}: {seconds:.2f} s, {size} bytes")
    print(f"slowest {slowest:.2f} s (asked {SERVER_S}), largest answer {largest} bytes (asked {ANSWER_BYTES})")
    return 0 if slowest < SERVER_S and largest < ANSWER_BYTES else 1


if __name__ == "__main__":
    sys.exit(main())
