"""What the demonstration prints."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from cycler.comparison_table import print_comparison
from cycler.demo import GERMAN, Demo
from cycler.jobsteps import cause_text
from cycler.simulator import SAMPLES
from cycler.tables import capacity_rows, print_caution, verdict_text
from cycler.terminal import Sheet


def print_demo(made: Demo) -> None:
    """Comparison, verdicts of all runs, where the records are, how to open the pages."""
    sheet = Sheet()
    source = f"taken from {made.logs}" if made.logs_were_there else f"made anew in {made.logs}"
    sheet.line(f"Invented sample logs of a made-up workshop, {source}. No real pack is behind them.")

    sheet.title("Before and after the repair, and the sister pack")
    print_comparison(sheet, made.comparison)

    sheet.title("Verdicts")
    for run in made.runs:
        verdict = run.analysis.get("verdict") or {}
        sheet.pairs([
            (f"Run {run.run_id}", f"{run.pack_id}, {run.label}: {run.story}"),
            ("", verdict_text(verdict)),
            ("", str(verdict.get("summary") or "")),
            *(("", f"{name}: {value}") for name, value in capacity_rows(run.analysis)[:1]),
        ])
        sheet.blank()

    sheet.line("Records, each as .html, .pdf and .json")
    for run in made.runs:
        sheet.path(f"  {run.record_files[0].with_suffix('')}")
    sheet.path(f"  {made.german[0].with_suffix('')} (in German)")

    sheet.title("Jobs, from the bench sheet on")
    for job in made.jobs:
        decided = next(item for item in job.stands["entries"] if item["kind"] == "decision")
        tests = [f"run {run['id']} {(run['verdict'] or 'not judged').replace('_', ' ')}" + (f", record {run['serials'][-1]}" if run["serials"] else "")
                 for run in job.stands["runs"]]
        sheet.pairs([
            (f"Job {job.number}", f"{job.stands['pack_id']}: {job.stands['words']}"),
            ("", f"Bench sheet: {cause_text(job.cause)}."),
            ("", f"Decided: {decided['data']['title'].lower()}. {decided['text']}"),
            *(("", f"Tested: {'; '.join(tests)}.") for _ in tests[:1]),
            ("", "Closed." if job.stands["state"] == "closed" else f"Next: {job.stands['next']['words']}"),
        ])
        for caution in job.stands["cautions"]:
            sheet.line(caution["words"])
        sheet.path(f"  {job.page}")
        sheet.blank()

    command = f"{program()} --register {shlex.quote(str(made.register))}"
    sheet.title("Look at it")
    sheet.path(f"  {command} serve")
    sheet.path(f"  {command} show {made.runs[0].run_id}")
    sheet.path(f"  {command} job")
    checked = next(run for run in made.runs if run.name == GERMAN)
    logs = next(sample.files for sample in SAMPLES if sample.name == GERMAN)
    parts = " ".join(f"--log {shlex.quote(str(made.logs / name))}" for name in logs)
    sheet.title("Check a record, as a buyer would: from the record and the log alone")
    sheet.path(f"  {program()} verify {shlex.quote(str(checked.record_files[1]))} {parts}")
    print_caution(
        sheet, *(run.analysis for run in made.runs), names=[f"run {run.run_id}, {run.pack_id}, {run.label}" for run in made.runs]
    )


def program() -> str:
    """The command as it was called, so that a line printed can be copied."""
    called = Path(sys.argv[0])
    if called.name == "__main__.py":
        return "python -m cycler"
    return shlex.quote(sys.argv[0]) if called.stem == "cycler" and called.exists() else "cycler"
