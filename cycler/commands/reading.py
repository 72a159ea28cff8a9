"""Commands that read logs and keep nothing: ``inspect`` and ``analyze``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import (
    NO_PACK,
    Command,
    Settings,
    columns_option,
    given_options,
    json_option,
    load_columns,
    load_given,
    print_json,
)
from cycler.commands.progress import Working

if TYPE_CHECKING:
    from cycler.log import Log

STANDARD_INPUT = "-"


def read_sources(names: tuple[str, ...], whole_path: bool = True) -> list[tuple[str, bytes]]:
    """Raw bytes of the files named; "-" is standard input."""
    from cycler.workflow import load_sources

    sources: list[tuple[str, bytes]] = []
    for name in names:
        if name == STANDARD_INPUT:
            sources.append(("standard input", sys.stdin.buffer.read()))
        else:
            sources.extend(load_sources([name], whole_path))
    return sources


@click.command(
    cls=Command,
    examples=("cycler inspect before.csv after.csv", "cycler inspect odd.txt --columns odd-columns.toml --json"),
)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@columns_option()
@json_option("One JSON object (sources, reading and log); for several LOGs a list of them.")
@click.pass_obj
def inspect(settings: Settings, logs: tuple[str, ...], columns_file: str | None, as_json: bool) -> None:
    """Show how a log is understood.

    Encoding, delimiter, clock, the meaning and unit of each column, which sign means discharge and on what
    evidence, and everything that seemed odd. Several LOGs are shown in turn, each by itself. LOG may be - for
    standard input.
    """
    columns = load_columns(columns_file)
    sources = read_sources(logs)
    seen = []
    with Working(settings, "reading", len(sources)) as work:
        from cycler.readers import read_logs_bytes

        for source in sources:
            work.begin(f"reading {source[0]}")
            seen.append(reading_of(read_logs_bytes([source], columns)))
    if as_json:
        print_json(seen[0] if len(seen) == 1 else seen)
        return
    from cycler.commands.reading_output import print_reading
    from cycler.tables import Sheet

    sheet = Sheet()
    for place, one in enumerate(seen):
        if place:
            sheet.line("\n")
        print_reading(sheet, one)


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
        "cycler analyze before.csv --pack eb-0412.toml",
        "cycler analyze charge.csv discharge.csv --pack eb-0412.toml --criteria resale --json > result.json",
    ),
)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@given_options()
@json_option("One JSON object and nothing else on standard output.")
@click.pass_obj
def analyze(
    settings: Settings, logs: tuple[str, ...], pack_file: str | None, criteria_name: str | None,
    columns_file: str | None, as_json: bool,
) -> None:
    """Capacity, resistance, group sag and verdict of one test.

    Several LOGs are parts of one test; they are joined in the order of time. Nothing is kept: use add for that.
    The exit code is 0 whatever the verdict.
    """
    pack, criteria, columns = load_given(pack_file, criteria_name, columns_file)
    sources = read_sources(logs)
    with Working(settings, "reading and analysing"):
        from cycler.workflow import analyse_sources

        _log, analysis = analyse_sources(sources, pack, criteria, columns)
        result = analysis.to_dict()
    if as_json:
        print_json(result)
        return
    from cycler.tables import Sheet, print_analysis

    sheet = Sheet()
    if pack_file is None:
        sheet.line(NO_PACK)
        sheet.blank()
    print_analysis(sheet, result)
