"""Commands that read logs and keep nothing: ``inspect`` and ``analyze``."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import (
    NO_PACK,
    Command,
    HowToRead,
    Settings,
    details_option,
    given_options,
    json_option,
    load_given,
    print_json,
    reading_options,
)
from cycler.commands.progress import Working
from cycler.errors import Location

if TYPE_CHECKING:
    from cycler.log import Log
    from cycler.workflow import UsedColumns

STANDARD_INPUT = "-"


def read_sources(names: tuple[str, ...], whole_path: bool = True, work: Working | None = None) -> list[tuple[str, bytes]]:
    """Raw bytes of the files named, read piece by piece while ``work`` shows how far; "-" is standard input."""
    from cycler.heap import keep_freed_memory
    from cycler.workflow import load_sources

    keep_freed_memory()
    sources: list[tuple[str, bytes]] = []
    for name in names:
        progress = work.bytes_of(Path(name).name) if work is not None else None
        if name == STANDARD_INPUT:
            from cycler.readers.encoding import read_stream

            sources.append(("standard input", read_stream(sys.stdin.buffer, Location("standard input"), progress=progress)))
        else:
            sources.extend(load_sources([name], whole_path, progress))
    if work is not None:
        work.bytes_done()
    return sources


@click.command(
    cls=Command,
    examples=(
        "cycler inspect odd.txt --write-columns odd.toml", "cycler inspect odd.txt other.txt --columns odd.toml --json",
    ),
)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@reading_options
@click.option(
    "--write-columns", "target", metavar="FILE.toml",
    help="Write a columns file with what was understood, to correct and to name with --columns; also for a log that cannot be read.",
)
@json_option("One JSON object (sources, reading and log); for several LOGs a list of them.")
@click.pass_obj
def inspect(settings: Settings, logs: tuple[str, ...], how: HowToRead, target: str | None, as_json: bool) -> None:
    """Show how a log is understood.

    Encoding, delimiter, clock, the meaning and unit of each column and why, which sign means discharge and on what
    evidence, everything that seemed odd, and what to do next. Several LOGs are shown in turn, each by itself. LOG
    may be - for standard input.
    """
    columns = how.load()
    if target is not None:
        _check_target(target, logs)
    seen = []
    with Working(settings, "reading") as work:
        sources = read_sources(logs, work=work)
        for source in sources:
            work.begin(f"reading {source[0]}")
            used = how.used(settings, [source], columns)
            if target is not None:
                _write_columns(settings, target, source, used)
            seen.append(reading_of(used.read([source])))
    if as_json:
        print_json(seen[0] if len(seen) == 1 else seen)
        return
    from cycler.commands.reading_output import print_reading
    from cycler.terminal import Sheet

    sheet = Sheet()
    for place, one in enumerate(seen):
        if place:
            sheet.line("\n")
        print_reading(sheet, one)


def _check_target(target: str, logs: tuple[str, ...]) -> None:
    if len(logs) > 1:
        raise click.UsageError("--write-columns takes one LOG: the columns file of several would be that of the first.")
    if not target.strip():
        raise click.UsageError("--write-columns needs the name of a file.")
    if os.path.lexists(target):
        from cycler.errors import InputError

        raise InputError("the columns file exists", target, "it may hold corrections of yours", "name another file, or move it away")


def _write_columns(settings: Settings, target: str, source: tuple[str, bytes], used: UsedColumns) -> None:
    """Write the columns file of a log; a log that cannot be read gets as much of one as its headings give."""
    from pathlib import Path

    from cycler.files import ready_files
    from cycler.readers.outline import outline, written_columns

    found = outline([source], used.columns)
    if not found.columns and found.error is not None:
        raise found.error
    with ready_files("columns file", [(Path(target), written_columns(found).encode("utf-8"))]) as files:
        files.name_them()
    if not settings.quiet:
        state = "what was understood" if found.error is None else "what the headings say"
        from cycler.commands.reading_output import shell_word

        again = f"cycler inspect {shell_word(source[0])} --columns {shell_word(target)}"
        click.echo(f"Columns file {shell_word(target)} holds {state}. Correct it, then: {again}", err=True)


def reading_of(log: Log) -> dict[str, Any]:
    """What ``inspect --json`` prints, with the keys of the analysis object."""
    from dataclasses import asdict

    from cycler import __distribution__, __version__
    from cycler.analysis import reading_dict

    return {
        "schema": "cycler.reading/1",
        "software": {"name": __distribution__, "version": __version__},
        "sources": [asdict(source) for source in log.sources],
        "log": {
            "started_at": log.started_at.isoformat() if log.started_at else None,
            "duration_s": log.duration_s, "rows": log.rows, "series": log.series,
        },
        "reading": reading_dict(log),
    }


@click.command(
    cls=Command,
    examples=(
        "cycler analyze before.csv --pack eb-0412.toml --details",
        "cycler analyze charge.csv discharge.csv --pack eb-0412.toml --criteria resale --json > result.json",
    ),
)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@given_options()
@details_option
@json_option("One JSON object and nothing else on standard output.")
@click.pass_obj
def analyze(
    settings: Settings, logs: tuple[str, ...], pack_file: str | None, instrument_file: str | None, criteria_name: str | None,
    how: HowToRead, details: bool, as_json: bool,
) -> None:
    """Capacity, resistance, group sag and verdict of one test.

    Several LOGs are parts of one test; they are joined in the order of time. Nothing is kept: use add for that.
    The exit code is 0 whatever the verdict.
    """
    pack, criteria, columns = load_given(pack_file, instrument_file, criteria_name, how)
    with Working(settings, "reading and analysing") as work:
        from cycler.workflow import analyse_sources

        sources = read_sources(logs, work=work)
        _log, analysis = analyse_sources(sources, pack, criteria, how.used(settings, sources, columns))
        result = analysis.to_dict()
    if as_json:
        print_json(result)
        return
    from cycler.commands.reading_output import print_reading_doubts
    from cycler.tables import print_analysis
    from cycler.terminal import Sheet

    sheet = Sheet()
    if pack_file is None:
        sheet.line(NO_PACK)
        sheet.blank()
    print_reading_doubts(sheet, result)
    print_analysis(sheet, result, details)
