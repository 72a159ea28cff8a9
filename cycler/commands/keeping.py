"""Commands around the register: ``add``, ``list``, ``show``, ``compare``, ``decide``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import (
    NO_PACK,
    Command,
    HowToRead,
    RunNumber,
    Settings,
    against_option,
    criteria_option,
    decision_options,
    details_option,
    given_options,
    json_option,
    load_criteria,
    load_given,
    print_json,
    run_number,
)
from cycler.commands.progress import Working
from cycler.commands.reading import read_sources

if TYPE_CHECKING:
    from cycler.register import Register
    from cycler.terminal import Sheet
    from cycler.workflow import KnownDanger

EXIT_NOT_A_PASS = 3


def open_register(settings: Settings, create: bool = False) -> Register:
    """The register of this call; one that is only read must exist."""
    from cycler.register import Register

    return Register.open(settings.register, create=create)


def remark(settings: Settings, text: str) -> None:
    """A remark on standard error, unless ``--quiet``."""
    if not settings.quiet:
        click.echo(text, err=True)


@click.command(
    cls=Command,
    examples=(
        'cycler add before.csv --pack eb-0412.toml --label "before repair"',
        "cycler --register bench2.sqlite add charge.csv discharge.csv --pack eb-0412.toml",
    ),
)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@given_options(pack_required=True)
@click.option("--label", default="", metavar="TEXT", help='What tells this run from others of the pack: "before repair".')
@click.option("--again", is_flag=True, help="Keep the logs once more though the pack has a run with the very same ones.")
@click.option("--new-ratings", is_flag=True, help="Accept ratings that differ from those the register knows of this pack.")
@click.pass_obj
def add(
    settings: Settings, logs: tuple[str, ...], pack_file: str, instrument_file: str | None, label: str, criteria_name: str | None,
    how: HowToRead, again: bool, new_ratings: bool,
) -> None:
    """Analyse logs of one test and keep them as a run of the pack.

    The raw files are kept byte for byte, together with the analysis and the verdict. If anything is wrong with a
    file, nothing is kept. A pack that the register knows with other ratings (chemistry, series, rated capacity,
    voltages) is refused unless --new-ratings is given. A columns file named with --columns is used again for later
    logs with the same headings; see columns.
    """
    from cycler.database import check_place
    from cycler.workflow import analyse_sources, analysis_as_judged, keep_run, known_dangers, remember_columns

    check_place(settings.register, writing=True)  # a wrong register is told before the work, not after it
    pack, criteria, columns = load_given(pack_file, instrument_file, criteria_name, how)
    with Working(settings, "reading, analysing and keeping") as work:
        sources = read_sources(logs, whole_path=False, work=work)
        used = how.used(settings, sources, columns)
        _log, made = analyse_sources(sources, pack, criteria, used)
        analysis = made.to_dict()
        with open_register(settings, create=True) as register:
            run_id = keep_run(register, sources, pack, label, analysis, criteria, used, again, new_ratings)
            remembered = remember_columns(register, sources, used, run_id, analysis)
            name, run = register.name, register.run(run_id)
            analysis = analysis_as_judged(register, run_id)
            earlier = known_dangers(register, run.pack_id)
    from cycler.commands.reading_output import print_reading_doubts
    from cycler.tables import capacity_rows, columns_rows, print_caution, print_grave, verdict_text
    from cycler.terminal import Sheet

    sheet = Sheet()
    sheet.pairs([
        ("Kept", f"run {run_id} of pack {run.pack_id}" + (f", {run.label}" if run.label else "")),
        *capacity_rows(analysis)[:1],
        ("Verdict", verdict_text(analysis.get("verdict"))),
        *columns_rows(analysis),
    ])
    print_reading_doubts(sheet, analysis)
    print_grave(sheet, analysis.get("findings") or [])
    print_earlier_dangers(sheet, earlier, run_id)
    print_caution(sheet, analysis, short=True)
    if remembered.headings:
        remark(settings, "The columns file is used again for logs with these headings; see, or forget it, with: cycler columns")
    if remembered.unknowable:
        remark(settings, f"{', '.join(remembered.unknowable)} has no headings and cannot be known again: keep the columns file.")
    remark(settings, f"Register: {name}. See it all with: cycler show {run_id}")


def print_earlier_dangers(sheet: Sheet, known: list[KnownDanger], run_id: int) -> None:
    """Danger that other runs of the pack have shown, or its card tells: a good test since then does not take it back."""
    from cycler.tables import print_dangers
    from cycler.terminal import sentence

    found = [
        (
            "pack card" if item.run_id is None else f"run {item.run_id}" + (f" ({item.label})" if item.label else ""),
            sentence(message),
        )
        for item in known if item.run_id != run_id for message in item.messages
    ]
    if found:
        sheet.title("Also known of this pack")
        print_dangers(sheet, found)


@click.command(
    "list", cls=Command,
    examples=("cycler list", "cycler list --id EB-0412 --json"),
)
@click.option("--id", "pack_id", metavar="ID", help="Only runs of the pack with this id.")
@json_option("One JSON object: packs and runs.")
@click.pass_obj
def list_runs(settings: Settings, pack_id: str | None, as_json: bool) -> None:
    """List the runs in the register, oldest first."""
    from cycler.ownfolder import default_path
    from cycler.storage import clean_text

    pack_id = clean_text(pack_id) if pack_id is not None else None
    packs, runs, dangers = [], [], []
    if settings.register is not None or default_path().exists():
        with open_register(settings) as register:
            packs = [item for item in register.packs() if pack_id in (None, item.id)]
            runs = register.runs(pack_id)
            known = register.cards.all_open_dangers()
            dangers = [(item.id, danger) for item in packs for danger in known.get(item.id, ())]
    if as_json:
        from dataclasses import asdict

        print_json({
            "schema": "cycler.list/1", "packs": [asdict(item) for item in packs], "runs": [item.to_dict() for item in runs],
        })
        return
    from cycler.tables import print_dangers, print_runs
    from cycler.terminal import Sheet, sentence

    if runs:
        print_runs(Sheet(), runs)
    else:
        whose = f" of pack {pack_id}" if pack_id else ""
        Sheet().line(f"No runs{whose} yet. Keep one with: cycler add LOG --pack PACK.toml")
    untested = [item.id for item in packs if not item.runs]
    if untested:
        Sheet().line(f"With a card but no run yet: {', '.join(untested)}. See a card with: cycler pack ID")
    if dangers:
        sheet = Sheet()
        sheet.title("Open danger: no pass of the pack holds until it is closed")
        print_dangers(sheet, [(f"pack {name}", sentence(danger["message"])) for name, danger in dangers])


@click.command(cls=Command, examples=("cycler show 3", "cycler show 3 --json"))
@click.argument("run_id", metavar="RUN", type=RunNumber())
@click.option("--steps", is_flag=True, help="List the steps of the test too.")
@details_option
@json_option("The stored analysis with its newest verdict, as one JSON object.")
@click.pass_obj
def show(settings: Settings, run_id: int, steps: bool, details: bool, as_json: bool) -> None:
    """Show a run: figures, groups, findings, newest verdict, records.

    RUN is the number that list shows.
    """
    from cycler.workflow import analysis_as_judged, known_dangers

    with open_register(settings) as register:
        run = register.run(run_id)
        earlier = known_dangers(register, run.pack_id)
        analysis = analysis_as_judged(register, run_id)
        verdicts, records = register.verdicts(run_id), register.records(run_id)
        corrections = register.corrections(run_id)
        dangers = register.open_dangers(run.pack_id)
    if as_json:
        print_json(analysis | ({"withdrawn": run.withdrawn, "corrections": corrections} if corrections else {}))
        return
    from cycler.cardtables import print_corrections
    from cycler.commands.reading_output import print_reading_doubts
    from cycler.tables import decided_text, print_analysis, print_steps
    from cycler.terminal import Sheet

    sheet = Sheet()
    sheet.pairs([
        ("Run", f"{run.id} of pack {run.pack_id}" + (f", {run.label}" if run.label else "")),
        ("Added", f"{run.added_at}, analysed by {run.software}"),
        ("Test started", run.started_at or "not known (the log carries no date)"),
        *([("Withdrawn", "this run counts no more, and no record of it is issued; see below who withdrew it and why")] if run.withdrawn else []),
        *([("Open danger", f"{dangers[0]['message']}; no pass of the pack holds until it is closed: cycler pack {run.pack_id}")] if dangers else []),
    ])
    sheet.blank()
    print_reading_doubts(sheet, analysis)
    print_analysis(sheet, analysis, details)
    if steps and not details:
        print_steps(sheet, analysis)
    print_earlier_dangers(sheet, earlier, run_id)
    print_corrections(sheet, corrections)
    if len(verdicts) > 1 or records:
        sheet.title("Kept beside it")
        sheet.pairs([
            *(
                (
                    f"Verdict {place}",
                    f"{item.decided_at}: {item.result.replace('_', ' ')} by {item.criteria_name}" + decided_text(item.verdict)
                    + ("" if item.analysis_id == run.analysis_id else ", on an analysis that was corrected since"),
                )
                for place, item in enumerate(verdicts, 1)
            ),
            *(("Record", f"{item.serial} of {item.made_at}") for item in records),
        ])


@click.command(
    cls=Command,
    examples=("cycler compare 1 2", "cycler compare 1 new.csv --pack eb-0412.toml --json"),
)
@click.argument("what", metavar="RUN_OR_LOG...", nargs=-1, required=True)
@given_options()
@json_option("One JSON object.")
@click.pass_obj
def compare(
    settings: Settings, what: tuple[str, ...], pack_file: str | None, instrument_file: str | None, criteria_name: str | None,
    how: HowToRead, as_json: bool,
) -> None:
    """Compare two or more tests, the first being the reference.

    A whole number is a run of the register, anything else a log file (write ./12 for a file called 12); --pack,
    --criteria and the options on reading hold for log files. Each difference carries its own uncertainty.
    """
    if len(what) < 2:
        raise click.UsageError("Name at least two runs or logs to compare.")
    analyses, names = _analyses_named(settings, what, pack_file, instrument_file, criteria_name, how)
    from cycler.compare import compare as compare_analyses

    result = compare_analyses(analyses, names)
    if as_json:
        print_json(result)
        return
    from cycler.comparison_table import print_comparison
    from cycler.tables import print_caution
    from cycler.terminal import Sheet

    sheet = Sheet()
    if pack_file is None and not all(name.isdecimal() for name in what):
        sheet.line(NO_PACK)
        sheet.blank()
    print_comparison(sheet, result)
    print_caution(sheet, *analyses, names=names)


def _analyses_named(
    settings: Settings, what: tuple[str, ...], pack_file: str | None, instrument_file: str | None, criteria_name: str | None,
    how: HowToRead,
) -> tuple[list[dict[str, Any]], list[str]]:
    from cycler.workflow import analyse_sources, analysis_as_judged

    files = [name for name in what if not name.isdecimal()]
    pack, criteria, columns = load_given(pack_file, instrument_file, criteria_name, how)
    sources = dict(zip(files, read_sources(tuple(files)), strict=True))
    analyses, names = [], []
    register = open_register(settings) if len(files) < len(what) else None
    try:
        with Working(settings, "reading and analysing", len(what)) as work:
            for name in what:
                work.begin(f"reading and analysing {Path(name).name}")
                if name in sources:
                    one = [sources[name]]
                    analyses.append(analyse_sources(one, pack, criteria, how.used(settings, one, columns))[1].to_dict())
                    names.append(Path(name).name)
                else:
                    assert register is not None
                    run = register.run(run_number(name))
                    analyses.append(analysis_as_judged(register, run.id))
                    names.append(f"run {run.id}, {run.pack_id}" + (f", {run.label}" if run.label else ""))
    finally:
        if register is not None:
            register.close()
    return analyses, names


@click.command(
    cls=Command,
    examples=("cycler decide 3 --criteria resale", "cycler decide 3 --criteria my-shop.toml --against 1 --look --strict"),
)
@click.argument("run_id", metavar="RUN", type=RunNumber())
@criteria_option()
@against_option()
@decision_options()
@click.option("--look", is_flag=True, help="Judge only, and keep nothing.")
@click.option("--strict", is_flag=True, help="Exit with code 3 when the verdict is not a pass.")
@json_option("The verdict as one JSON object.")
@click.pass_obj
def decide(
    settings: Settings, run_id: int, criteria_name: str | None, against: int | None, by: str | None, remark: str | None, look: bool,
    strict: bool, as_json: bool,
) -> int:
    """Judge a run by a set of criteria and keep the verdict.

    Earlier verdicts of the run stay beside the new one, but records are issued by the newest. --look keeps nothing. Criteria on
    what changed since another run need --against. An open danger on the pack's card is a fail, whatever the figures. --by and --remark
    stand beside the result, also on the record, and change nothing of it.
    """
    if look and (by is not None or remark is not None):
        raise click.UsageError("--look keeps nothing, so there is no verdict for --by or --remark to stand on.")
    from cycler.workflow import decide_run, known_dangers, look_at_run

    criteria = load_criteria(criteria_name)
    with open_register(settings) as register:
        run = register.run(run_id)
        analysis = run.analysis
        if look:
            verdict = look_at_run(register, run_id, criteria, against)
        else:
            verdict = decide_run(register, run_id, criteria, against, by, remark)
        count = len(register.verdicts(run_id))
        earlier = known_dangers(register, run.pack_id)
    if as_json:
        print_json(verdict)
    else:
        from cycler.commands.reading_output import print_reading_doubts
        from cycler.tables import print_caution, print_settle, print_verdict
        from cycler.terminal import Sheet

        sheet = Sheet()
        sheet.pairs([("Run", f"{run_id} of pack {run.pack_id}" + (f", {run.label}" if run.label else ""))])
        print_verdict(sheet, verdict, full=True)
        print_reading_doubts(sheet, analysis)
        sheet.line(f"Decision rule: {verdict.get('decision_rule')}.")
        print_settle(sheet, verdict)
        print_earlier_dangers(sheet, earlier, run_id)
        print_caution(sheet, analysis, names=[f"run {run_id}"])
        sheet.blank()
        if look:
            sheet.line("Only looked at: nothing was kept.")
        else:
            then = "the run is withdrawn, and no record of it is issued" if run.withdrawn else "records of this run are now issued by it"
            sheet.line(f"Kept as verdict {count} of run {run_id}; {then}.")
    return EXIT_NOT_A_PASS if strict and verdict["result"] != "pass" else 0
