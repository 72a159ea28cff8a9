"""The command ``columns``: columns files that the register uses again."""

from __future__ import annotations

from dataclasses import asdict

import click

from cycler.commands.common import Command, Settings, json_option, print_json
from cycler.commands.keeping import open_register, remark


@click.command(
    cls=Command, examples=("cycler columns --show 2 > charger.toml", "cycler columns --forget 2"),
)
@click.option("--show", "shown", metavar="NUMBER", type=click.IntRange(1, 2**31 - 1), help="Print a columns file as TOML, to keep or to correct.")
@click.option("--forget", "forgotten", metavar="NUMBER", type=click.IntRange(1, 2**31 - 1), help="Use a columns file no more; runs that were read with it stay.")
@json_option("One JSON object: the columns files in use.")
@click.pass_obj
def columns(settings: Settings, shown: int | None, forgotten: int | None, as_json: bool) -> None:
    """List the columns files that are used again.

    A columns file that a run was added with is used for every later log with the same headings, until another takes
    its place or it is forgotten.
    """
    if sum((shown is not None, forgotten is not None, as_json)) > 1:
        raise click.UsageError("Give one of --show, --forget and --json.")
    with open_register(settings) as register:
        memory = register.columns_memory
        if forgotten is not None:
            gone = memory.forget(forgotten)
            remark(settings, f"Columns file {gone.id} ({gone.columns.file}) is used no more.")
            return
        if shown is not None:
            from cycler.readers.outline import columns_toml

            found = memory.one(shown)
            remarks = (f"Used again since run {found.run_id} for logs with the headings", found.headings)
            click.echo(columns_toml(found.columns, remarks), nl=False)
            return
        known = memory.all()
    if as_json:
        print_json({"schema": "cycler.columns/1", "columns_files": [asdict(item) for item in known]})
        return
    from cycler.terminal import Sheet, row, ruled

    sheet = Sheet()
    if not known:
        sheet.line("No columns file is used again yet. One that a run is added with (cycler add LOG --columns FILE) will be.")
        return
    table = ruled(("Number", "n"), ("Columns file", "t"), ("From run", "n"), ("For logs with the headings", "t"))
    for item in known:
        row(table, str(item.id), item.columns.file, str(item.run_id), item.headings)
    sheet.table(table)
