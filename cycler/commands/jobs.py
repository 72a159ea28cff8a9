"""The command ``job``: a pack on the bench from its bench sheet to the record."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, RunNumber, Settings, json_option, print_json
from cycler.commands.keeping import open_register, remark

if TYPE_CHECKING:
    from cycler.register import Register
    from cycler.terminal import Sheet

OPTION_CODES = ("repair_board", "repair_group", "repair_lead", "rebalance", "harvest", "scrap")
TEXT_OPTIONS = ("fault", "work", "part", "note")


def _texts(name: str, text: str) -> Any:
    return click.option(f"--{name}", name, metavar="TEXT", multiple=True, help=text)


@click.command(
    cls=Command, short_help="A pack on the bench: sheet, work, runs, record.",
    examples=(
        'cycler job new EB-0415 "dead after a wet ride" --sheet eb-0415-sheet.toml --by "A. Bell"',
        'cycler job 3 --work "group 4 replaced" --part "4 cells, 2.6 Ah" --by "A. Bell" --to job-3.html',
    ),
)
@click.argument("what", metavar="[JOB | new PACK WORDS]", nargs=-1)
@click.option("--sheet", "sheet_file", metavar="SHEET.toml", help="Keep this bench sheet, with what its readings say. One half filled is kept too.")
@_texts("fault", "A fault that was found; stands on the pack's card too.")
@_texts("work", "Work that was done; stands on the pack's card too.")
@_texts("part", "A part that was fitted; stands on the pack's card too.")
@_texts("note", "Anything else; stands on the pack's card too.")
@click.option("--done-on", "done_on", metavar="DATE", help="Day on which the work was done (2026-03-12), if it was not today.")
@click.option("--decide", "option", type=click.Choice(OPTION_CODES), help="What becomes of the pack; say why with --why.")
@click.option("--cause", metavar="CODE", help="With --decide: the cause that is taken for it, as the bench sheet names it.")
@click.option("--why", default="", metavar="TEXT", help="Reason of --decide or --reopen.")
@click.option(
    "--run", "run_ids", metavar="RUN", type=RunNumber(), multiple=True, help="Hang a run of the pack on the job; runs added while it is open do so by themselves.",
)
@click.option("--close", "close", is_flag=True, help="The pack is handed over, or given up: the job is closed.")
@click.option("--reopen", is_flag=True, help="Open a closed job again; say why with --why.")
@click.option("--by", "who", default="", metavar="NAME", envvar="CYCLER_BY", show_envvar=True, help="Who writes it; needed for everything that is written.")
@click.option("--all", "closed_too", is_flag=True, help="In the list: those that are closed, too.")
@click.option("--to", "target", metavar="FILE.html", help="Write the job as one page to print and hand over.")
@json_option("One JSON object: where the job stands; of the list, its lines.")
@click.pass_obj
def job(
    settings: Settings, what: tuple[str, ...], sheet_file: str | None, done_on: str | None, option: str | None, cause: str | None, why: str,
    run_ids: tuple[int, ...], close: bool, reopen: bool, who: str, closed_too: bool, target: str | None, as_json: bool, **given: tuple[str, ...],
) -> None:
    """List the jobs; open one; show one, or write on it.

    A job is one pack on the bench: bench sheet, cause, decision, work, test, verdict and record hang on it, and it says what comes next.
    What a bench sheet calls a danger stands on the pack's card as an open danger at once: a veto on every verdict until somebody
    closes it there (cycler pack ID --close NO). Nothing that was written is changed afterwards.
    """
    items = [(name, text, {"done_on": done_on} if name == "work" and done_on else None) for name in TEXT_OPTIONS for text in given[name]]
    if done_on is not None and not given["work"]:
        raise click.UsageError("--done-on goes with --work.")
    if cause is not None and option is None:
        raise click.UsageError("--cause goes with --decide.")
    if why and option is None and not reopen:
        raise click.UsageError("--why goes with --decide or --reopen.")
    if option is not None:
        first_work = next((place for place, item in enumerate(items) if item[0] in ("work", "part")), len(items))
        items.insert(first_work, ("decision", why, {"option": option} | ({"cause": cause} if cause else {})))
    if reopen:
        if close or option is not None:
            raise click.UsageError("Give --reopen without --decide and --close.")
        items.insert(0, ("reopened", why, None))
    if close:
        items.append(("closed", "", None))
    writing = bool(items or run_ids or sheet_file)
    if not what:
        if writing or target is not None:
            raise click.UsageError("Name the job: its number, or new PACK WORDS.")
        _list(settings, closed_too, as_json)
        return
    opening = _opening(what)
    if opening is not None and (items or run_ids):
        raise click.UsageError("A new job takes a --sheet; write the rest on it by its number.")
    if closed_too:
        raise click.UsageError("--all goes with the list.")
    if target is not None:
        _check_free(target)
    sheet = _evaluated(sheet_file) if sheet_file is not None else None  # a sheet that cannot be read stops it before anything is written
    from cycler.jobsteps import check_decision

    with open_register(settings, create=opening is not None) as register:
        if opening is not None:
            number = register.jobs.open_job(*opening, who=who, sheet=sheet)
        else:
            number = _number(what[0])
            if option is not None:
                check_decision(register.jobs.job(number), option, sheet[1] if sheet else None, cause)
            if writing:
                register.jobs.write_all(number, items, run_ids, who=who, sheet=sheet)
        _show(settings, register, number, sheet[1] if sheet else None, target, as_json)


def _number(text: str) -> int:
    """A job's number as it was typed, all digits. InputError if it has more digits than any job's."""
    if len(text.lstrip("0")) > 18:
        from cycler.errors import InputError, quote

        raise InputError(f"no job {quote(text)[1:-1]}", "JOB", f"it has {len(text)} digits", "see the numbers with: cycler job --all")
    return int(text)


def _opening(what: tuple[str, ...]) -> tuple[str, str] | None:
    """Pack and words of a job to be opened, None for a number. UsageError for anything else."""
    if what[0] == "new":
        if len(what) != 3:
            raise click.UsageError('To open a job give the pack and a few words: cycler job new EB-0415 "dead after a wet ride"')
        return what[1], what[2]
    if len(what) != 1 or not what[0].isdecimal():
        raise click.UsageError(f"Name a job by its number, or give new PACK WORDS; found {' '.join(what)[:60]}.")
    return None


def _evaluated(file: str) -> tuple[str, dict[str, Any]]:
    """Text of a bench sheet and what it says. InputError with file, line and key where it cannot be read."""
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.sheet import SHEET_FILE, sheet_from_bytes
    from cycler.tomlsource import read_bytes

    raw = read_bytes(file, SHEET_FILE)  # once: a pipe gives it only once, and what is kept is what was worked out
    sheet = sheet_from_bytes(raw, file)
    return raw.decode("utf-8-sig"), evaluate_sheet(sheet)


def _check_free(target: str) -> None:
    """InputError if the page cannot be written; told before anything is kept."""
    from cycler.errors import InputError

    path = Path(target)
    if path.exists() or not path.parent.is_dir():
        why = "it exists, and a page is never overwritten" if path.exists() else "its folder does not exist"
        raise InputError("the page of the job cannot be written", target, why, "name another file with --to")


def _list(settings: Settings, closed_too: bool, as_json: bool) -> None:
    from dataclasses import asdict

    from cycler.jobsteps import job_lines

    with open_register(settings) as register:
        lines = job_lines(register, open_only=not closed_too)
        more = len(register.jobs.jobs()) - len(lines)
    if as_json:
        print_json({"schema": "cycler.jobs/1", "jobs": [asdict(line) for line in lines]})
        return
    from cycler.terminal import Sheet, row, ruled

    sheet = Sheet()
    if not lines:
        sheet.line("No job is open. Open one with: cycler job new PACK WORDS --by NAME")
    else:
        table = ruled(("Job", "n"), ("Pack", "t"), ("Complaint", "t"), ("Since", "n"), ("Next", "t"))
        for line in lines:
            row(table, str(line.id), line.pack_id, line.words, line.opened_at[:10], line.next_words or "closed")
        sheet.table(table)
    if more:
        remark(settings, f"{more} closed; see {'it' if more == 1 else 'them'} with: cycler job --all")


def _show(
    settings: Settings, register: Register, number: int, evaluation: Mapping[str, Any] | None, target: str | None, as_json: bool,
) -> None:
    from cycler.files import ready_files
    from cycler.jobsteps import standing

    stands = standing(register, number)
    if target is not None:
        from cycler.jobsheet import job_page

        _name, page = job_page(register, number)
        with ready_files("page of the job", [(Path(target), page)]) as files:
            files.name_them()
    sheets = register.jobs.job(number).sheets
    newest = sheets[-1].evaluation if sheets else None
    if as_json:
        print_json(stands | {"evaluation": newest})
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    if evaluation is not None:
        from cycler.sheettables import print_bench

        print_bench(sheet, evaluation)  # with the cautions that apply to it
        sheet.blank()
    print_job(sheet, stands, newest, told=evaluation is not None)
    if target is not None:
        sheet.blank()
        sheet.path(target)


STATE_WORDS = {"done": "done", "next": "NEXT", "open": "-", "not_needed": "not needed", "blocked": "HELD BACK"}


def print_job(sheet: Sheet, stands: Mapping[str, Any], evaluation: Mapping[str, Any] | None, told: bool = False) -> None:
    """Where a job stands: steps, what comes next, open dangers, what was written, runs, and the cautions that apply unless they were told."""
    from rich.text import Text

    from cycler.jobsheet import KIND_WORDS, RESULT_WORDS
    from cycler.quantities import capacity_text
    from cycler.repair.cautions import DEFERENCE
    from cycler.tables import print_dangers
    from cycler.terminal import DASH, row, ruled, sentence

    sheet.pairs([
        ("Job", f"{stands['id']}, {stands['state']}"), ("Pack", stands["pack_id"]), ("Complaint", stands["words"]),
        ("Opened", f"{stands['opened_at'][:10]} by {stands['opened_by']}"),
    ])
    sheet.title("Where it stands")
    table = ruled(("Step", "t"), ("State", "t"), ("", "t"))
    for step in stands["steps"]:
        row(table, step["title"], STATE_WORDS[step["state"]], sentence(step["words"]))
    sheet.table(table)
    if stands["state"] == "open":
        sheet.blank()
        sheet.line(Text(f"Next: {stands['next']['words']}", style="bold"))
    if stands["dangers"]:
        sheet.title("Open danger")
        print_dangers(sheet, [(item["who"] or f"run {item['run']}", sentence(item["message"])) for item in stands["dangers"]])
        entry = next((item["entry"] for item in stands["dangers"] if item["entry"]), None)
        if entry is not None:
            sheet.line(f"Dealt with it? cycler pack {stands['pack_id']} --close {entry} --why TEXT --by NAME")
    written = [item for item in stands["entries"] if item["kind"] not in ("run", "danger")]
    if written:
        sheet.title("Written on it")
        table = ruled(("On", "n"), ("Kind", "t"), ("", "t"), ("By", "t"))
        for item in written:
            option = (item["data"] or {}).get("option")
            row(table, (item["data"] or {}).get("done_on") or item["at"][:10], KIND_WORDS[item["kind"]].lower(), f"{option}: {item['text']}" if option else item["text"] or DASH, item["who"])
        sheet.table(table)
    if stands["runs"]:
        sheet.title("Runs")
        table = ruled(("Run", "n"), ("Label", "t"), ("On", "n"), ("Capacity", "n"), ("Verdict", "t"), ("Record", "t"))
        for run in stands["runs"]:
            verdict = "withdrawn" if run["withdrawn"] else RESULT_WORDS.get(run["verdict"], DASH)
            row(
                table, str(run["id"]), run["label"] or DASH, (run["started_at"] or run["added_at"])[:10],
                capacity_text(run), verdict, ", ".join(run["serials"]) or DASH,
            )
        sheet.table(table)
    if told:
        return
    cautions = _cautions(stands, evaluation)
    if cautions:
        sheet.title("Caution")
        for words in cautions:
            sheet.line(words)
    sheet.blank()
    sheet.line(DEFERENCE)


def _cautions(stands: Mapping[str, Any], evaluation: Mapping[str, Any] | None) -> list[str]:
    """Words of the cautions that apply, each once: on the bench those of the sheet, of a pack that was given up its own afterwards too."""
    told = (evaluation or {}).get("cautions") or () if stands["state"] == "open" else ()
    every = {item["code"]: item["words"] for item in (*told, *stands["cautions"])}
    return list(every.values())
