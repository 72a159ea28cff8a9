"""The command ``sheet``: what a bench sheet says, or an empty one to fill in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, Settings, json_option, print_json

if TYPE_CHECKING:
    from cycler.pack import Pack
    from cycler.repair.sheet import BenchSheet


@click.command(
    cls=Command, short_help="Bench sheet of a dead pack: groups, causes, what next.",
    examples=(
        "cycler sheet eb-0415-sheet.toml --new --pack eb-0415.toml",
        "cycler sheet eb-0415-sheet.toml --observed group_direct_v_4=3.65",
    ),
)
@click.argument("file", metavar="SHEET.toml")
@click.option("--new", "make_new", is_flag=True, help="Write an empty sheet to fill in under that name; a file is never overwritten.")
@click.option("--pack", "pack_file", metavar="PACK.toml", help="With --new: ratings that are already known.")
@click.option("--series", metavar="N", type=click.IntRange(1, 200), help="With --new: groups in series, if there is no pack file.")
@click.option("--chemistry", metavar="NAME", help="With --new: nmc, nca, lco, lmo, lfp, lto or nimh, if there is no pack file.")
@click.option(
    "--observed", metavar="KEY=VALUE", multiple=True, help="A further observation, as if it stood under [observed] in the sheet; the file stays as it is. May be given several times.",
)
@json_option("Print the evaluation as one JSON object (cycler.bench/1).")
@click.pass_context
def sheet(
    ctx: click.Context, file: str, make_new: bool, pack_file: str | None, series: int | None, chemistry: str | None, observed: Sequence[str], as_json: bool,
) -> None:
    """What was told, seen and measured of a pack that does not work: voltages of its groups with their uncertainty, thermistors, causes with the
    evidence for and against each, what is ruled out, and the next measurement that tells most for the least time.

    A sheet half filled will do. What the readings cannot support is named, with what to measure.
    """
    settings: Settings = ctx.obj
    if make_new:
        for option, used in (("--observed", bool(observed)), ("--json", as_json)):
            if used:
                raise click.UsageError(f"{option} has no use with --new.", ctx)
        _write_new(settings, Path(file), pack_file, series, chemistry)
        return
    for option, value in (("--pack", pack_file), ("--series", series), ("--chemistry", chemistry)):
        if value is not None:
            raise click.UsageError(f"{option} belongs to --new; in a sheet the ratings stand under [pack].", ctx)
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.sheet import load_sheet

    evaluation = evaluate_sheet(_with_observed(load_sheet(file), observed))
    if as_json:
        print_json(evaluation)
        return
    from cycler.sheettables import print_bench
    from cycler.terminal import Sheet

    print_bench(Sheet(), evaluation)


def _with_observed(bench: BenchSheet, pairs: Sequence[str]) -> BenchSheet:
    """The sheet with further observations. InputError for one that is none."""
    from dataclasses import replace
    from types import MappingProxyType

    from cycler.errors import InputError, Location, quote
    from cycler.repair.sheet import checked_observation, checked_observed_key

    added: dict[str, Any] = {}
    for pair in pairs:
        key, mark, value = pair.partition("=")
        if not mark:
            raise InputError("an observation without its value", "--observed", f"found {quote(pair)}", "write it like --observed group_direct_v_4=3.65")
        key = checked_observed_key(key.strip(), "--observed")
        added[key] = checked_observation(key, re.sub(r"^([+-]?\d+),(\d+)$", r"\1.\2", value.strip()), Location("--observed"))
    return replace(bench, observed=MappingProxyType({**bench.observed, **added})) if added else bench


def _write_new(settings: Settings, path: Path, pack_file: str | None, series: int | None, chemistry: str | None) -> None:
    from cycler.errors import InputError, quote
    from cycler.files import ready_files
    from cycler.repair.sheetfile import template_toml

    if path.suffix.lower() != ".toml":
        raise InputError("a bench sheet is a .toml file", quote(path), "its name ends otherwise", f"name it {path.name}.toml")
    if not path.parent.is_dir():
        raise InputError("the sheet's folder does not exist", quote(path), f"no folder {quote(path.parent)}", "make the folder first")
    text = template_toml(_known(pack_file, series, chemistry))
    with ready_files("bench sheet", [(path, text.encode("utf-8"))]) as files:
        files.name_them()
    click.echo(str(path))
    if not settings.quiet:
        click.echo(f"Fill it in at the bench, then: cycler sheet {path}", err=True)


def _known(pack_file: str | None, series: int | None, chemistry: str | None) -> Pack:
    from cycler.errors import InputError
    from cycler.pack import load_pack, pack_from_dict

    stated = {key: value for key, value in (("series", series), ("chemistry", chemistry)) if value is not None}
    if pack_file is None:
        return pack_from_dict(stated, "--chemistry")
    if stated:
        raise InputError("the pack is stated twice", "--pack", f"beside --{' and --'.join(stated)}", "leave one of them out")
    return load_pack(pack_file)
