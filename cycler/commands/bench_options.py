"""Command ``options``: repair, salvage or scrap for the pack of a bench sheet."""

from __future__ import annotations

from pathlib import Path

import click

from cycler.commands.common import Command, json_option, print_json


@click.command(
    cls=Command, short_help="Repair, salvage or scrap: what bars it, what it brings.",
    examples=("cycler options EB-0412-sheet.toml --workshop ours.toml", "cycler options --new ours.toml"),
)
@click.argument("sheet_file", metavar="SHEET.toml", required=False)
@click.option("--workshop", "workshop_file", metavar="WORKSHOP.toml", help="Your own costs, hours, values and chances as ranges; invented ones are counted for what is not stated.")
@click.option("--cause", "cause", metavar="CODE", help="Take this cause as certain (CODE, or CODE:GROUP), in place of the probabilities of the sheet.")
@click.option("--new", "new_file", metavar="FILE", help="Write a workshop file with a remark at every key, to be filled in; nothing else is done.")
@json_option("One JSON object: vetoes, options with their figures, ranking, what would turn it.")
def options(sheet_file: str | None, workshop_file: str | None, cause: str | None, new_file: str | None, as_json: bool) -> None:
    """Rank repair, salvage and scrap for the pack of a bench sheet.

    Safety comes first: what a reading or a look forbids is barred, whatever it would bring. The rest is ranked by its expected net,
    with the figure whose other value would turn the ranking.
    """
    if new_file is not None:
        if sheet_file or workshop_file or cause or as_json:
            raise click.UsageError("--new stands alone: it writes a file to be filled in.")
        _write_new(Path(new_file))
        return
    if sheet_file is None:
        raise click.UsageError("Name a bench sheet, or write a workshop file with --new FILE.")
    from cycler.errors import InputError, quote
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.options import rank_options
    from cycler.repair.sheet import load_sheet
    from cycler.repair.workshop import default_workshop, load_workshop

    workshop = load_workshop(workshop_file) if workshop_file is not None else default_workshop()
    evaluation = evaluate_sheet(load_sheet(sheet_file))
    try:
        result = rank_options(evaluation, workshop, cause)
    except ValueError:
        known = ", ".join(dict.fromkeys(item["code"] for item in evaluation["causes"])) or "none"
        raise InputError("no such cause", "--cause", f"found {quote(cause)}; the sheet leaves: {known}", "name one of them, or leave --cause out") from None
    if as_json:
        print_json(result)
        return
    from cycler.optiontables import print_options
    from cycler.terminal import Sheet

    print_options(Sheet(), result)


def _write_new(path: Path) -> None:
    from cycler.files import ready_files
    from cycler.repair.workshop import default_workshop, workshop_to_toml

    with ready_files("workshop", [(path, workshop_to_toml(default_workshop()).encode())]) as files:
        files.name_them()
    click.echo(str(path))
