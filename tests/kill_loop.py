"""Kill the program at random moments while it writes, then look whether anything confirmed was lost.

    python -m tests.kill_loop --kills 200 --runs 300

A child adds runs, writes on cards and jobs, issues records and makes backups, and tells each of them once it is confirmed. It is
killed (SIGKILL) again and again; each next child goes on with the same register. Afterwards every confirmed run must be there with its
logs byte for byte, the register must be in order from end to end, and every file under its final name must be whole.

Invented: the logs, by arithmetic (:mod:`tests.small_log`, one row of 60). One analysis and one layout of a record are made and used
again, so that the time goes into writing; serial, content, seal, register and files of each record are its own.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

TIMEOUT_S = 1500.0
PACK_IDS = ("KL-1", "KL-2", "KL-3")
RECORD_EVERY, BACKUP_EVERY, SHEET_EVERY, CLOSE_EVERY = 6, 13, 4, 5
SHEET = '[pack]\nid = "{}"\n\n[told]\ncomplaint = "invented, test {}"\n'


def raw_log(number: int) -> bytes:
    """The invented log of one run, a little other for each number."""
    from tests import small_log

    head, *rows = small_log.log_text().splitlines()
    return "\n".join([f"Invented test number {number}", head, *rows[::60], rows[-1]]).encode() + b"\n"


class Work:
    """What is made once and used again: the analysis, the pack, the set of criteria, the layout of a record."""

    def __init__(self, folder: Path) -> None:
        import cycler.record as record
        from cycler.criteria import load_criteria
        from cycler.issuing import issue_record
        from cycler.pack import load_pack
        from cycler.register import Register
        from cycler.workflow import analyse_sources, keep_run
        from tests import small_log

        warm = folder / "warm"
        warm.mkdir()
        (warm / "pack.toml").write_text(small_log.PACK_TOML)
        self.folder, self.register = folder, folder / "register.sqlite"
        self.pack, self.criteria = load_pack(warm / "pack.toml"), load_criteria()
        self.lines = raw_log(0)
        sources = [("log.csv", self.lines)]
        self.analysis = analyse_sources(sources, self.pack, self.criteria)[1].to_dict()
        made: list[Any] = []
        real = record.build_record

        def keep(*args: Any, **keywords: Any) -> Any:
            made.append(real(*args, **keywords))
            return made[-1]

        record.build_record = keep
        with Register.open(warm / "register.sqlite") as register:
            issue_record(register, keep_run(register, sources, self.pack, "", self.analysis, self.criteria), warm)
        record.build_record = lambda *_args, **_keywords: made[0]

    def log(self, number: int) -> bytes:
        """:func:`raw_log`, quicker."""
        return self.lines.replace(b"number 0\n", b"number %d\n" % number, 1)


def work_on(work: Work, begin: int, tell: Any, stop_after: int | None = None) -> None:
    """Add runs from number ``begin`` on, each on an open job, and now and then a sheet, a record, a backup; ``tell`` hears what is confirmed."""
    from dataclasses import replace

    from cycler import custody
    from cycler.issuing import issue_record
    from cycler.register import Register
    from cycler.workflow import keep_run

    with Register.open(work.register) as register:
        for number in range(begin, begin + (stop_after or 10**6)):
            pack = replace(work.pack, id=PACK_IDS[number % len(PACK_IDS)])
            job = register.jobs.open_job_of(pack.id) or register.jobs.open_job(pack.id, f"before test {number}", who="kill loop")
            tell(f"job {job} {number}")
            run_id = keep_run(register, [(f"log-{number}.csv", work.log(number))], pack, f"test {number}", work.analysis, work.criteria)
            tell(f"run {run_id} {number}")
            photo = b"\x89PNG\r\n\x1a\n" + hashlib.sha256(b"%d" % number).digest() * 40
            entry, _photo = register.cards.add_all(
                pack.id, [("note", f"after test {number}")], [(f"{number}.png", photo, "")], who="kill loop",
            )
            tell(f"card {entry} {number}")
            tell(f"entry {register.jobs.write(job, 'work', f'after test {number}', who='kill loop')} {job}")
            register.jobs.keep_draft(job, {"complaint": f"test {number}"})
            if number % SHEET_EVERY == 0:
                sheet = register.jobs.keep_sheet(job, SHEET.format(pack.id, number), {"pack": {"id": pack.id}}, who="kill loop")
                tell(f"sheet {sheet} {number}")
            if number % CLOSE_EVERY == 0:
                tell(f"entry {register.jobs.write(job, 'closed', '', who='kill loop')} {job}")
            if number % RECORD_EVERY == 0:
                serial, _paths = issue_record(register, run_id, work.folder / "records", stem="record")
                tell(f"record {serial} {run_id}")
            if number % BACKUP_EVERY == 0:
                custody.backup(work.register, work.folder / "backups" / f"{number}.sqlite")
                tell(f"backup {number}.sqlite {number}")


def killed_child(work: Work, begin: int, after_s: float) -> tuple[list[str], bool]:
    """A child that works until it is killed: the lines it told, and whether it was at work to the end."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            work_on(work, begin, lambda line: os.write(writing, f"{line}\n".encode()))
        except BaseException:
            import traceback

            with contextlib.suppress(OSError):
                os.write(writing, f"failed {json.dumps(traceback.format_exc())}\n".encode())
        finally:
            os._exit(1)
    os.close(writing)
    time.sleep(after_s)
    with contextlib.suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    with open(reading, "rb") as stream:
        told = stream.read().decode().splitlines(keepends=True)
    _pid, status = os.waitpid(child, 0)
    return [line.strip() for line in told if line.endswith("\n")], os.WIFSIGNALED(status)


def loop(work: Work, kills: int, runs: int, chance: random.Random) -> dict[str, Any]:
    """Kill children until there were so many kills and so many confirmed runs; returns what was confirmed."""
    confirmed: dict[str, dict[str, str]] = {kind: {} for kind in ("run", "card", "job", "entry", "sheet", "record", "backup")}
    done = begin = longest = 0
    end = time.monotonic() + TIMEOUT_S
    while done < kills or len(confirmed["run"]) < runs:
        if time.monotonic() > end:
            raise SystemExit(f"not done after {TIMEOUT_S:.0f} s: {done} kills, {len(confirmed['run'])} runs")
        # Most die within the first writes, some live long enough for records and backups.
        told, by_us = killed_child(work, begin, 3.0 * chance.random() if done % 8 == 7 else chance.expovariate(1 / 0.1))
        for line in told:
            kind, what, other = line.split(" ", 2) if not line.startswith("failed") else ("failed", line[7:], "")
            if kind == "failed":
                raise SystemExit(f"the child failed before it was killed:\n{json.loads(what)}")
            confirmed[kind][what] = other
        done += by_us
        longest = max(longest, len(told))
        begin += len(told) + 1000  # numbers are never used twice, whatever was half done
    return {"kills": done, "confirmed": confirmed, "longest_life": longest}


def verify(work: Work, confirmed: dict[str, dict[str, str]]) -> tuple[dict[str, int], list[str]]:
    """Figures, and everything that is wrong."""
    from cycler import custody
    from cycler.register import Register

    wrong: list[str] = []
    with Register.open(work.register, create=False) as register:
        there = {row.id: row for row in register.runs()}
        for run, number in confirmed["run"].items():
            if int(run) not in there:
                wrong.append(f"confirmed run {run} is lost")
            elif register.raw_sources(int(run)) != [(f"log-{number}.csv", work.log(int(number)))]:
                wrong.append(f"the log of run {run} is not byte-exact")
        entries = {item.id for pack in {row.pack_id for row in there.values()} for item in register.cards.entries(pack)}
        wrong += [f"confirmed card entry {number} is lost" for number in confirmed["card"] if int(number) not in entries]
        wrong += _lost_of_jobs(register, confirmed)
        kept = {
            f"record-{row.serial}.{kind}": row.sha256[kind]
            for run in there for row in register.records(run) for kind in row.sha256
        }
        serials = {name.rsplit(".", 1)[0].removeprefix("record-") for name in kept}
        wrong += [f"confirmed record {serial} is lost" for serial in confirmed["record"] if serial not in serials]
        again = register.add_run(pack=work.pack, sources=[("after.csv", b"after\n")], analysis=work.analysis)
        if register.raw_sources(again) != [("after.csv", b"after\n")]:
            wrong.append("no run can be added afterwards")
    report = custody.check(work.register)
    wrong += [item.text for item in report.problems]
    files = _files(work.folder / "records")
    for path in files:
        if hashlib.sha256(path.read_bytes()).hexdigest() != kept.get(path.name):
            wrong.append(f"{path.name} is not the record that was issued")
    names = {path.name for path in files}
    wrong += [
        f"record {serial} was confirmed, but its .{kind} is not there"
        for serial in confirmed["record"] for kind in ("html", "pdf", "json") if f"record-{serial}.{kind}" not in names
    ]
    backups = _files(work.folder / "backups")
    for path in backups:
        wrong += [f"backup {path.name}: {item.text}" for item in custody.check_file(path).problems]
    wrong += [f"confirmed backup {name} is lost" for name in confirmed["backup"] if name not in {path.name for path in backups}]
    parts = sum(1 for folder in ("records", "backups") for path in (work.folder / folder).iterdir() if path.name.startswith("."))
    figures = {
        "runs in the register": len(there), "runs confirmed": len(confirmed["run"]), "card entries confirmed": len(confirmed["card"]),
        "jobs confirmed": len(confirmed["job"]), "entries of jobs confirmed": len(confirmed["entry"]), "bench sheets confirmed": len(confirmed["sheet"]),
        "records confirmed": len(confirmed["record"]), "record files looked at": len(files), "backups confirmed": len(confirmed["backup"]),
        "backups looked at": len(backups), "entries in the chain": report.entries, "unnamed parts left behind": parts,
    }
    return figures, wrong


def _lost_of_jobs(register: Any, confirmed: dict[str, dict[str, str]]) -> list[str]:
    """What was confirmed of jobs and is not there: jobs, entries, sheets as they were, and the job that each run hangs on."""
    jobs = {line.id: register.jobs.job(line.id) for line in register.jobs.jobs()}
    entries = {item.id: job.id for job in jobs.values() for item in job.entries}
    sheets = {sheet.id: (job.pack_id, sheet.text) for job in jobs.values() for sheet in job.sheets}
    hung = {run for job in jobs.values() for run in job.run_ids}
    wrong = [f"confirmed job {job} is lost" for job in confirmed["job"] if int(job) not in jobs]
    wrong += [f"confirmed entry {entry} of job {job} is lost" for entry, job in confirmed["entry"].items() if entries.get(int(entry)) != int(job)]
    wrong += [f"run {run} hangs on no job" for run in confirmed["run"] if int(run) not in hung]
    for sheet, number in confirmed["sheet"].items():
        pack_id, text = sheets.get(int(sheet), ("", ""))
        if text != SHEET.format(pack_id, number):
            wrong.append(f"confirmed bench sheet {sheet} is lost or not as it was")
    return wrong


def _files(folder: Path) -> list[Path]:
    """Files under a final name: those half done begin with a dot."""
    return sorted(path for path in folder.iterdir() if not path.name.startswith("."))


def main(arguments: list[str] | None = None) -> int:
    """The loop as a command; exit code 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=None)
    given = parser.parse_args(arguments)
    if not hasattr(os, "fork"):
        print("needs fork and SIGKILL", file=sys.stderr)
        return 2
    seed = given.seed if given.seed is not None else random.SystemRandom().randrange(10**6)
    folder = Path(tempfile.mkdtemp(prefix="kill-loop-"))
    begun = time.monotonic()
    try:
        for name in ("records", "backups"):
            (folder / name).mkdir()
        os.environ["CYCLER_KEY"] = str(folder / "key.pem")
        work = Work(folder)
        result = loop(work, given.kills, given.runs, random.Random(seed))
        looped = time.monotonic() - begun
        figures, wrong = verify(work, result["confirmed"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print(f"kills: {result['kills']}")
    for name, value in figures.items():
        print(f"{name}: {value}")
    print(f"most confirmed in one life: {result['longest_life']}")
    print(f"seed {seed}; {looped:.0f} s of killing, {time.monotonic() - begun - looped:.0f} s of looking")
    for text in wrong:
        print(f"WRONG: {text}")
    print("nothing that was confirmed is lost" if not wrong else f"{len(wrong)} things are wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
