"""Command ``donor``: two plugs held against each other, pin by pin."""

from __future__ import annotations

from pathlib import Path

import click

from cycler.commands.common import Command, json_option, print_json


@click.command(
    cls=Command, short_help="Does a donor board's plug fit? Pin by pin, before it is put in.",
    examples=("cycler donor EB-0412-plug.toml donor-plug.toml", "cycler donor --new plug.toml --pins 13"),
)
@click.argument("own_file", metavar="OWN.toml", required=False)
@click.argument("donor_file", metavar="DONOR.toml", required=False)
@click.option("--new", "new_file", metavar="FILE", help="Write a file for a plug, to be filled in pin by pin; nothing else is done.")
@click.option("--pins", metavar="N", type=click.IntRange(1, 64), help="Number of pins of that plug.")
@json_option("One JSON object: result, every pin, remarks.")
def donor(own_file: str | None, donor_file: str | None, new_file: str | None, pins: int | None, as_json: bool) -> None:
    """Hold the plug of a pack (OWN) against what a donor board expects (DONOR).

    Both files hold the potential of every pin, measured on the harness with the board unplugged. Anything that differs means: do not
    connect. Where nothing differs the maker's data still have the last word. The exit code is 0 whatever the result.
    """
    if new_file is not None:
        if own_file or as_json:
            raise click.UsageError("--new stands alone: it writes a file to be filled in.")
        if pins is None:
            raise click.UsageError("Say how many pins the plug has: --new FILE --pins N.")
        _write_new(Path(new_file), pins)
        return
    if pins is not None:
        raise click.UsageError("--pins goes with --new.")
    if own_file is None or donor_file is None:
        raise click.UsageError("Name two files: the plug of the pack, and the plug of the donor board.")
    from cycler.repair.connector import load_connector
    from cycler.repair.donor import compare_connectors

    result = compare_connectors(load_connector(own_file), load_connector(donor_file))
    if as_json:
        print_json(result)
        return
    from cycler.optiontables import print_donor
    from cycler.terminal import Sheet

    print_donor(Sheet(), result)


def _write_new(path: Path, pins: int) -> None:
    from cycler.files import ready_files
    from cycler.repair.connector import new_connector_text

    with ready_files("connector", [(path, new_connector_text(pins).encode())]) as files:
        files.name_them()
    click.echo(str(path))
