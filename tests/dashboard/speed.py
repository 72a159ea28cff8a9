"""How fast the register's page answers where there are many runs.

    python -m tests.dashboard.speed --runs 10000

Makes a register of so many runs, unless the file is there already (``--keep FILE``), asks the page for its lists as a browser does, and prints
what the server took and what it sent. All of it is invented: packs, figures and verdicts are drawn at random (``--seed``) around the analysis of
one sample log, which is kept whole with each run, because the size of what lies beside the figures is what makes a list slow. Rows are written by
:mod:`cycler.chain` in one transaction, so that ``cycler check`` finds the register in order.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import statistics
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from .conftest import SAMPLES

RESULTS = ("pass", "pass", "pass", "fail", "not_proven")
BUILDS = ((10, 4, 10.4), (13, 5, 17.5), (7, 3, 9.0), (14, 6, 21.0))
RUNS_A_PACK = 2.5
REPEATS = 5


def make(path: str | Path, runs: int, seed: int = 1) -> None:
    """Write a register of invented runs; it must not be there yet."""
    from cycler import chain
    from cycler.criteria import load_criteria
    from cycler.database import Database
    from cycler.migrations import SCHEMA
    from cycler.pack import load_pack
    from cycler.register_rows import analysis_values, criteria_text
    from cycler.storage import StoredLog, as_json
    from cycler.workflow import analyse_sources

    draw = random.Random(seed)
    criteria, plain = load_criteria(), load_pack(SAMPLES / "packs" / "ebike-0415.toml")
    log = "ebike-10s4p-sister.csv"
    analysis = analyse_sources([(log, (SAMPLES / log).read_bytes())], plain, criteria)[1].to_dict()
    tables, said = SCHEMA.tables, criteria_text(criteria)
    first = datetime(2021, 3, 1, 8, tzinfo=UTC)
    packs = max(1, round(runs / RUNS_A_PACK))
    database = Database(path)
    with database.write() as connection:
        def put(table: str, **values: Any) -> Any:
            return chain.insert(connection, tables[table], **values)

        for number in range(packs + packs // 100 + 1):
            put("packs", id=f"{'EB' if number % 3 else 'CB'}-{number:05d}", added_at=_stamp(first))
        ids = [f"{'EB' if number % 3 else 'CB'}-{number:05d}" for number in range(packs)]
        for number in range(runs):
            pack_id = ids[number] if number < packs else draw.choice(ids)
            series, parallel, rated = BUILDS[int(pack_id[-2:]) % len(BUILDS)]
            added = first + timedelta(hours=5 * number)
            raw = f"Invented test number {number}\n".encode()
            kept = StoredLog("invented.csv", raw)
            chain.insert_if_new(connection, tables["logs"], {"sha256": kept.sha256}, {"bytes": kept.size, "raw_zlib": kept.packed, "added_at": _stamp(added)})
            run_id = put(
                "runs", pack_id=pack_id, label=draw.choice(("before repair", "after repair", "as it came in", "")), added_at=_stamp(added),
                started_at=added.strftime("%Y-%m-%dT%H:%M:%S") if draw.random() < 0.7 else None, files=1,
                logs_sha256=hashlib.sha256(kept.sha256.encode()).hexdigest(),
            )
            put("run_logs", run_id=run_id, position=0, sha256=kept.sha256, file="invented.csv")
            pack = replace(plain, id=pack_id, series=series, parallel=parallel, rated_capacity_ah=rated)
            health = min(1.05, draw.gauss(0.86, 0.09))
            figures = analysis_values(analysis, pack, None) | {
                "capacity_ah": rated * health, "u_capacity_ah": 0.0013 * rated * health, "state_of_health": health,
                "capacity_valid": draw.random() < 0.9, "limiting_group": draw.randint(1, series), "findings_caution": int(draw.random() < 0.2),
                "findings_defect": int(draw.random() < 0.15), "findings_danger": int(draw.random() < 0.01),
            }
            analysis_id = put("analyses", run_id=run_id, made_at=_stamp(added), **figures)
            if draw.random() < 0.93:
                verdict = dict(analysis["verdict"], result=draw.choice(RESULTS))
                put(
                    "verdicts", run_id=run_id, analysis_id=analysis_id, decided_at=_stamp(added), result=verdict["result"],
                    criteria_name=criteria.name, criteria_sha256=criteria.sha256, criteria_text=said, json=as_json(verdict),
                )
            if draw.random() < 0.02:
                kind = draw.choice(("withdraw", "label"))
                put("corrections", run_id=run_id, kind=kind, who="A. Bench", why="invented", at=_stamp(added), label="mistaken" if kind == "label" else None)
        for pack_id in draw.sample(ids, min(len(ids), 12)):
            put("card_entries", pack_id=pack_id, kind="danger", act="new", text="One corner is swollen", who="A. Bench", at=_stamp(first))
    database.close()


def _stamp(when: datetime) -> str:
    return when.strftime("%Y-%m-%dT%H:%M:%SZ")


QUESTIONS = (
    ("packs, first page", ""),
    ("packs, last page", "?page=999999"),
    ("packs, search of a number", "?q=0412"),
    ("packs, search of a label", "?q=after+repair"),
    ("packs, needs attention", "?verdict=attention"),
    ("packs, by last verdict", "?sort=verdict"),
    ("packs, by pack", "?sort=pack"),
    ("packs, by date", "?sort=-date"),
    ("packs, by state", "?sort=state"),
    ("packs, by capacity", "?sort=-capacity"),
    ("packs, by build", "?sort=build"),
    ("runs, first page", "?view=runs"),
    ("runs, search of a number", "?view=runs&q=0412"),
    ("runs, needs attention", "?view=runs&verdict=attention"),
    ("runs, by last verdict", "?view=runs&sort=verdict"),
    ("runs, by capacity", "?view=runs&sort=-capacity"),
)


class Asked:
    """The app over a register, asked as a browser asks it."""

    def __init__(self, path: str | Path) -> None:
        from dashboard.app import create_app

        self.app = create_app(path)
        self.client = self.app.server.test_client()

    def table(self, search: str) -> tuple[float, float, int]:
        """Seconds, seconds of the processor and bytes of the list for an address."""
        from dashboard import ids

        asked = {
            "output": f"{ids.REGISTER_TABLE}.children", "outputs": {"id": ids.REGISTER_TABLE, "property": "children"},
            "inputs": [{"id": ids.URL, "property": "search", "value": search}], "changedPropIds": [f"{ids.URL}.search"],
            "state": [{"id": ids.URL, "property": "pathname", "value": "/"}, {"id": ids.REGISTER_CHOSEN, "property": "data", "value": []}],
        }
        start, start_cpu = time.perf_counter(), time.process_time()
        answer = self.client.post("/_dash-update-component", json=asked, base_url="http://127.0.0.1")
        took, took_cpu = time.perf_counter() - start, time.process_time() - start_cpu
        if answer.status_code != 200 or b"list-table" not in answer.data:
            raise SystemExit(f"{search}: status {answer.status_code}, {answer.data[:300]!r}")
        return took, took_cpu, len(answer.data)

    def close(self) -> None:
        self.app.server.extensions["dashboard_door"].close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=10000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", metavar="FILE", help="make the register here and leave it; one that is there is used as it is")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(given.keep or Path(folder) / "register.sqlite")
        if not path.exists():
            start = time.perf_counter()
            make(path, given.runs, given.seed)
            print(f"{given.runs} invented runs written in {time.perf_counter() - start:.0f} s, {path.stat().st_size / 1e6:.0f} MB")
        asked = Asked(path)
        print(f"{'list':32}{'first / s':>10}{'median / s':>12}{'processor / s':>15}{'sent / kB':>11}")
        for name, search in QUESTIONS:
            times, work, sizes = zip(*(asked.table(search) for _ in range(REPEATS)), strict=True)
            print(f"{name:32}{times[0]:10.3f}{statistics.median(times):12.3f}{statistics.median(work):15.3f}{max(sizes) / 1e3:11.0f}")
        asked.close()


if __name__ == "__main__":
    main()
