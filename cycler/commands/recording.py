"""Commands around the record: ``record`` issues it, ``label`` makes the small label for the pack."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import (
    Command,
    RunNumber,
    Settings,
    against_option,
    criteria_option,
    decision_options,
    load_criteria,
)
from cycler.commands.keeping import open_register, print_earlier_dangers
from cycler.commands.progress import Working
from cycler.commands.proving import key_option, signing_key

if TYPE_CHECKING:
    from cycler.terminal import Sheet

LANGUAGES = ("en", "de")


@click.command(
    cls=Command, short_help="Issue a record of a run: page, PDF and content.",
    examples=(
        'cycler record 3 --to records --criteria resale --against 1 --workshop "Quayside Pack Repair"',
        "cycler record 3 --serial 2026-0003-1 --to copies",
    ),
)
@click.argument("run_id", metavar="RUN", type=RunNumber())
@click.option("--to", "folder", metavar="FOLDER", required=True, help="Where the files go; made if it does not exist.")
@criteria_option(" Without it the newest verdict of the run stands.")
@against_option()
@click.option(
    "--workshop", metavar="NAME", envvar="CYCLER_WORKSHOP", show_envvar=True, help="Name of the workshop, as it stands on the record.",
)
@click.option("--language", type=click.Choice(LANGUAGES), default="en", show_default=True, help="Language of page and PDF.")
@click.option("--customer", is_flag=True, help="Show the customer's reference of the pack card, which is kept out otherwise.")
@decision_options(" Used where the record is judged anew; another name or remark than the newest verdict has is a new verdict.")
@key_option()
@click.option("--serial", metavar="SERIAL", help="Issue none, but write out again the one of this serial, as it was issued.")
@click.pass_context
def record(
    ctx: click.Context, run_id: int, folder: str, criteria_name: str | None, against: int | None, workshop: str | None, language: str,
    customer: bool, by: str | None, remark: str | None, key_file: str | None, serial: str | None,
) -> None:
    """Issue a record of a run to hand over, as an HTML page, as a PDF and as its content for programs (JSON).

    Each record has a serial of its own, is sealed with the workshop's key (made on first use) and is kept in the register as
    issued. A file is never overwritten; its name carries the pack's id. Anybody can check it with: cycler verify FILE
    """
    from cycler.issuing import Wanted, issue_record, record_stem, write_kept_record
    from cycler.workflow import known_dangers

    again = serial is not None
    if again:  # a workshop from the environment is simply of no use here
        given = {
            "--criteria": criteria_name is not None, "--against": against is not None, "--workshop": _typed(ctx, "workshop"),
            "--language": _typed(ctx, "language"), "--customer": customer, "--by": by is not None, "--remark": remark is not None,
            "--key": _typed(ctx, "key_file"),
        }
        for option in (name for name, used in given.items() if used):
            raise click.UsageError(f"--serial writes out what was issued; {option} cannot change it.", ctx)
    settings: Settings = ctx.obj
    criteria = load_criteria(criteria_name) if criteria_name is not None else None
    with open_register(settings) as register:
        run = register.run(run_id)
        key = None if again else signing_key(settings, key_file)
        with Working(settings, "writing the record" if again else "making the record"):
            stem = record_stem(run.pack_id)
            if serial is not None:
                paths = write_kept_record(register, run_id, serial, folder, stem)
            else:
                wanted = Wanted(criteria, workshop, language, against, customer, by, remark)
                serial, paths = issue_record(register, run_id, folder, wanted, stem, key)
            records, verdicts = register.records(run_id), register.verdicts(run_id)
            earlier = known_dangers(register, run.pack_id)
    from cycler.commands.reading_output import print_reading_doubts
    from cycler.tables import decided_rows, print_caution, print_grave, result_text
    from cycler.terminal import Sheet

    place = next(index for index, row in enumerate(records) if row.serial == serial)
    number = next(index for index, row in enumerate(verdicts, 1) if row.id == records[place].verdict_id)
    verdict = verdicts[number - 1]
    sheet = Sheet()
    sheet.line(f"Record {serial} of run {run_id}, pack {run.pack_id}" + (f", {run.label}" if run.label else ""))
    for path in paths:
        sheet.path(str(path))
    sheet.pairs([
        *([("Written again", f"as issued on {records[place].made_at}; nothing was issued anew")] if again else []),
        ("Issued by", f"verdict {number} of run {run_id}, criteria {verdict.criteria_name}, of {verdict.decided_at}"),
        ("Verdict", result_text(verdict.result)),
        *decided_rows(verdict.verdict),
        *([("Sealed with", f"key {key.fingerprint}")] if key is not None else []),
    ])
    _print_place(sheet, records, place, again)
    if run.withdrawn:
        sheet.line("The run was withdrawn since: this record counts no more.")
    print_reading_doubts(sheet, run.analysis)
    print_grave(sheet, run.analysis.get("findings") or [])
    print_earlier_dangers(sheet, earlier, run_id)
    print_caution(sheet, run.analysis, short=True)


def _typed(ctx: click.Context, name: str) -> bool:
    return ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE


def _print_place(sheet: Sheet, records: list[Any], place: int, again: bool) -> None:
    """Where the record stands among those of its run."""
    if place and not again:
        before = ", ".join(row.serial for row in records[:place])
        sheet.line(f"This is record {place + 1} of the run. Issued before and still in the register: {before}.")
    if again and place < len(records) - 1:
        later = ", ".join(row.serial for row in records[place + 1:])
        sheet.line(f"Not the newest record of the run; issued after it: {later}.")


@click.command(
    cls=Command, short_help="Make the label of a run's record.",
    examples=("cycler label 3 --to label.pdf", "cycler label 3 --serial 2026-0003-1 --to label.png"),
)
@click.argument("run_id", metavar="RUN", type=RunNumber())
@click.option("--to", "target", metavar="FILE", required=True, help="A .pdf or .png file; never overwritten.")
@click.option("--serial", metavar="SERIAL", help="The record of this serial; without it the newest of the run.")
@click.pass_obj
def label(settings: Settings, run_id: int, target: str, serial: str | None) -> None:
    """Make a label of 62 x 29 mm for the pack: its number, verdict, capacity, date and the record's QR code.

    It is made of a record that was issued, and says nothing that is not on it. A record that holds no more gets none: the run
    was withdrawn, corrected or judged worse since, or a danger stands on the pack's card.
    """
    from cycler.errors import InputError, quote
    from cycler.files import ready_files

    path = Path(target)
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise InputError(
            "the label is a PDF or a PNG", quote(target), "its name ends in neither .pdf nor .png", "name a file such as label.pdf",
        )
    if not path.parent.is_dir():
        raise InputError("the label's folder does not exist", quote(target), f"no folder {quote(path.parent)}", "make the folder first")
    from cycler.issuing import label_content

    with open_register(settings) as register:
        content, record_sha256 = label_content(register, run_id, serial)
    from cycler.record.label import label_pdf, label_png
    from cycler.tables import result_text
    from cycler.terminal import Sheet

    made = (label_pdf if kind == ".pdf" else label_png)(content, record_sha256)
    with ready_files("label", [(path, made)]) as files:
        files.name_them()
    sheet = Sheet()
    sheet.path(str(path))
    sheet.pairs([
        ("Label of", f"record {content['serial']} of run {run_id}, pack {content['pack'].get('id')}"),
        ("Verdict", result_text(content["verdict"]["result"])),
    ])
    sheet.line("A label is no safety certificate; hand the record over with the pack.")
