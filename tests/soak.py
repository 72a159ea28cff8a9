"""A long day in short: uploads and views by the thousand against one server, and whether its memory stays flat.

    python -m tests.soak --cycles 1000

``cycler serve`` runs in a process of its own. A cycle sends a log to it piece by piece, adds it by the calls that the page makes, waits for the
job, opens the run's page with its curve, the comparison with the run before, the page of the verdict, the list, and a file of a record. Then come cycles of
views alone. Every 50 cycles memory (VmRSS of /proc), open files, threads and files in the folder for temporary ones are noted. Exit code 1 if memory
goes on growing after the first 200 cycles by more than ``SLOPE_MAX_KB`` a cycle, or by more than ``VIEWS_MAX_KB`` while nothing is added (least
squares), or any of the others grows.

Invented: the logs, by arithmetic (:mod:`tests.small_log`, one row of 60, each with a number of its own). Needs Linux for /proc.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import io
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

SLOPE_MAX_KB = 10.0
"""Growth of memory that is let pass while runs are added: lists of a register that grows are longer. [kB per cycle]"""
VIEWS_MAX_KB = 4.0
"""The same while nothing is added: what is left of it is noise. [kB per cycle]"""
SETTLED = 200
"""Cycles until caches are full and the allocator has found its size."""
WAIT_S = 120.0


class Server:
    """``cycler serve`` in a process of its own, and a page that asks it."""

    def __init__(self, folder: Path) -> None:
        self.temporary = folder / "tmp"
        self.temporary.mkdir()
        environment = os.environ | {
            "TMPDIR": str(self.temporary), "CYCLER_CURVES": str(folder / "curves"), "CYCLER_KEY": str(folder / "key.pem"), "PYTHONUNBUFFERED": "1", "OPENBLAS_NUM_THREADS": "1",
        }
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cycler", "--register", str(folder / "r.sqlite"), "--quiet", "serve", "--port", "0", "--no-open"],
            stdout=subprocess.PIPE, stderr=(folder / "errors").open("wb"), env=environment, text=True,
        )
        self.errors = folder / "errors"
        line = self.process.stdout.readline()
        self.port = int(re.search(r":(\d+)", line.split("//", 1)[1])[1])
        self.connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        self.calls = json.loads(self.ask("GET", "/_dash-dependencies"))

    def ask(self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None, fine: tuple[int, ...] = (200, 201, 204)) -> bytes:
        self.connection.request(method, path, body, headers or {})
        answer = self.connection.getresponse()
        content = answer.read()
        if answer.status not in fine:
            raise SystemExit(f"{method} {path} gave {answer.status}: {content[:300]!r}")
        return content

    def call(self, output: str, values: dict[str, Any], changed: str) -> str:
        """A callback as the page calls it: the one with this output and with the input that changed; what is not given is None."""
        known = next(item for item in self.calls if re.search(rf"(^|\.){re.escape(output)}(@|\.|$)", item["output"]) and changed in [f"{one['id']}.{one['property']}" for one in item["inputs"]])
        names = known["output"].strip(".").split("...")
        split = [dict(zip(("id", "property"), name.rsplit(".", 1))) for name in names]

        def filled(item: dict[str, str]) -> Any:
            if item["id"].startswith("{"):
                return []
            return {"id": item["id"], "property": item["property"], "value": values.get(f"{item['id']}.{item['property']}")}

        body = {
            "output": known["output"], "outputs": split if known["output"].startswith("..") else split[0], "inputs": [filled(item) for item in known["inputs"]],
            "changedPropIds": [changed], "state": [filled(item) for item in known["state"]],
        }
        return self.ask("POST", "/_dash-update-component", json.dumps(body).encode(), {"Content-Type": "application/json"}).decode()

    def upload(self, name: str, raw: bytes) -> str:
        """Token of a dropped file."""
        return json.loads(self.ask("PUT", "/drop", raw, {"X-File-Name": name, "X-File-For": "log", "Content-Type": "application/octet-stream"}))["token"]

    def sample(self) -> dict[str, int]:
        """Memory [kB], open files, threads, files in the folder for temporary ones."""
        proc = Path("/proc") / str(self.process.pid)
        status = dict(line.split(":", 1) for line in (proc / "status").read_text().splitlines())
        return {
            "rss_kb": int(status["VmRSS"].split()[0]), "files": len(list((proc / "fd").iterdir())), "threads": int(status["Threads"]),
            "temporary": sum(1 for path in self.temporary.rglob("*") if path.is_file()),
        }

    def close(self) -> None:
        self.connection.close()
        self.process.terminate()
        self.process.wait(timeout=30)


def prepare(folder: Path) -> tuple[str, int]:
    """A register with one run and a record of it; returns the address of a file of the record, and the number of the run."""
    from cycler.cli import run
    from cycler.register import Register
    from dashboard.routes import record_address
    from tests import small_log
    from tests.kill_loop import raw_log

    os.environ["CYCLER_KEY"] = str(folder / "key.pem")
    (folder / "pack.toml").write_text(small_log.PACK_TOML)
    (folder / "log.csv").write_bytes(raw_log(10**6))
    register = ["--register", str(folder / "r.sqlite"), "--quiet"]
    for words in (["add", str(folder / "log.csv"), "--pack", str(folder / "pack.toml")], ["record", "1", "--to", str(folder / "records")]):
        with contextlib.redirect_stdout(io.StringIO()):
            code = run([*register, *words])
        if code:
            raise SystemExit("the register could not be prepared")
    with Register.open(folder / "r.sqlite") as opened:
        record = opened.records(1)[0]
    return record_address(record.id, record.serial, "pdf"), 1


def add(server: Server, number: int, lines: bytes) -> int:
    """One upload, added; returns the number of the run."""
    name = f"log-{number}.csv"
    token = server.upload(name, lines.replace(b"number 0\n", b"number %d\n" % number, 1))
    files = [{"key": f"k{number}", "token": token, "name": name, "kind": "log", "bytes": len(lines)}]
    begun = server.call("add-job.data", {
        "add-button.n_clicks": 1, "add-files.data": files, "add-pack-kind.value": "existing", "add-pack-existing.value": "T-3", "add-label.value": f"soak {number}",
        "add-criteria.value": "return-to-owner", "add-again.value": [], "add-leave-out.value": [],
    }, "add-button.n_clicks")
    job = json.loads(begun)["response"]["add-job"]["data"]
    end, ticks = time.monotonic() + WAIT_S, 0
    while True:
        ticks += 1
        told = server.call("add-job.data", {"add-tick.n_intervals": ticks, "add-job.data": job, "add-files.data": files}, "add-tick.n_intervals")
        if path := json.loads(told)["response"].get("url", {}).get("pathname"):
            return int(path.removeprefix("/run/"))
        if time.monotonic() > end or "error-panel" in told:
            raise SystemExit(f"log {number} was not added: {told[:2000]}")
        time.sleep(0.02)


def view(server: Server, run_id: int, before: int, record: str) -> None:
    """Every page of a run, opened."""
    for path, search in ((f"/run/{run_id}", ""), ("/compare", f"?runs={before},{run_id}"), (f"/run/{run_id}/verdict", ""), ("/", ""), ("/add", "")):
        server.ask("GET", path + search)
        shown = server.call("content.children", {"url.pathname": path, "url.search": search}, "url.pathname")
        if "page-failed" in shown or len(shown) < 400:
            raise SystemExit(f"{path} is not shown: {shown[:500]}")
    figure = server.call("run-curve.figure", {"run-id.data": run_id, "run-mark.value": 4, "run-along.value": "time"}, "run-id.data")
    if '"data"' not in figure:
        raise SystemExit(f"no curve of run {run_id}: {figure[:500]}")
    where = {"url.pathname": "/compare", "url.search": f"?runs={before},{run_id}"}
    for output in ("compare-head.children", "compare-table.children", "compare-curve.figure"):
        shown = server.call(output, where, "url.search")
        if len(shown) < 200 or "error-panel" in shown:
            raise SystemExit(f"{output} of runs {before} and {run_id} is not shown: {shown[:500]}")
    if not server.ask("GET", record).startswith(b"%PDF"):
        raise SystemExit("the record is none")


def slope_kb(samples: list[tuple[int, dict[str, int]]], first: int, last: int) -> float:
    """Growth of memory between two cycles, by least squares. [kB per cycle]"""
    import numpy as np

    among = [(number, sample["rss_kb"]) for number, sample in samples if first <= number <= last]
    return float(np.polyfit([number for number, _ in among], [size for _, size in among], 1)[0]) if len(among) > 2 else 0.0


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=1000)
    parser.add_argument("--views", type=int, default=300, help="cycles of views alone afterwards")
    parser.add_argument("--every", type=int, default=50, help="cycles between two samples")
    given = parser.parse_args(arguments)
    from tests.kill_loop import raw_log

    lines = raw_log(0)
    samples: list[tuple[int, dict[str, int]]] = []
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        record, before = prepare(folder)
        server = Server(folder)
        begun = time.monotonic()
        try:
            print(f"{'cycle':>6}{'seconds':>9}{'memory MB':>11}{'open files':>12}{'threads':>9}{'temporary':>11}", flush=True)
            newest = before
            for number in range(given.cycles + given.views + 1):
                if 0 < number <= given.cycles:
                    before, newest = newest, add(server, number, lines)
                if number:
                    view(server, newest, before, record)
                if number % given.every == 0:
                    samples.append((number, server.sample()))
                    shown = samples[-1][1]
                    print(f"{number:>6}{time.monotonic() - begun:>9.0f}{shown['rss_kb'] / 1024:>11.1f}{shown['files']:>12}{shown['threads']:>9}{shown['temporary']:>11}", flush=True)
        finally:
            server.close()
        said = server.errors.read_text()
    growth = slope_kb(samples, min(SETTLED, given.cycles // 2), given.cycles)
    viewing = slope_kb(samples, given.cycles, given.cycles + given.views)
    early = [sample for number, sample in samples if 0 < number <= SETTLED] or [samples[0][1]]
    wrong = [f"memory grows by {growth:.1f} kB a cycle"] if growth > SLOPE_MAX_KB else []
    if viewing > VIEWS_MAX_KB:
        wrong.append(f"memory grows by {viewing:.1f} kB a cycle of views, though nothing is added")
    for key, slack in (("files", 4), ("threads", 1), ("temporary", 2)):
        if samples[-1][1][key] > max(sample[key] for sample in early) + slack:
            wrong.append(f"{key} grew from {max(sample[key] for sample in early)} to {samples[-1][1][key]}")
    if said.strip():
        wrong.append(f"the server said: {said[-2000:]}")
    print(f"memory from cycle {min(SETTLED, given.cycles // 2)} on: {growth:+.2f} kB a cycle with a run added, {viewing:+.2f} kB a cycle of views alone")
    for words in wrong:
        print(f"WRONG: {words}")
    print("flat" if not wrong else f"{len(wrong)} things are wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
