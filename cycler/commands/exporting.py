"""The command ``export``: the cleaned log of a run, or of log files, as CSV or Parquet."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from cycler.commands.common import Command, HowToRead, Settings, reading_options, run_number
from cycler.commands.keeping import open_register, remark
from cycler.commands.progress import Working
from cycler.commands.reading import read_sources

if TYPE_CHECKING:
    from cycler.log import Log

STANDARD_OUTPUT = "-"


@click.command(
    cls=Command, short_help="Write the cleaned log of a run as CSV or Parquet.",
    examples=("cycler export 3 --to run-3.parquet", "cycler export charge.csv discharge.csv --to test.csv"),
)
@click.argument("what", metavar="RUN_OR_LOG...", nargs=-1, required=True)
@click.option(
    "--to", "target", metavar="FILE", required=True,
    help="A new file: .csv, .csv.gz or .parquet. A lone - is standard output, as CSV.",
)
@reading_options
@click.pass_obj
def export(settings: Settings, what: tuple[str, ...], target: str, how: HowToRead) -> None:
    """Write the cleaned log for other programs.

    A whole number is a run of the register, anything else a log file (write ./12 for a file called 12); several log
    files are parts of one test. One row of headings in the form "quantity / unit", SI units, charge positive, groups
    from pack negative; an empty cell is no reading. The CSV reads back to the very same log.

    The options on reading hold for log files. A file is never overwritten.
    """
    runs = [name for name in what if name.isdecimal()]
    if runs and len(what) > 1:
        raise click.UsageError("Name one run, or the log files of one test.")
    if runs and how.columns_file is not None:
        raise click.UsageError("--columns is for log files; a run is read with the columns file it was added with.")
    from cycler.export import check_target, export_file

    if target != STANDARD_OUTPUT:
        check_target(target)  # a wrong name is told before the work, not after it
    with Working(settings, "reading and writing") as work:
        log = _log(settings, what, how, work)
        if target == STANDARD_OUTPUT:
            _to_standard_output(settings, log)
            return
        written = export_file(log, target)
    from cycler.terminal import Sheet

    Sheet().path(f"Wrote {written.rows} rows in {written.columns} columns, {written.bytes} bytes, to {target}")


def _to_standard_output(settings: Settings, log: Log) -> None:
    from cycler.errors import InputError
    from cycler.export import export_table, write_csv

    table = export_table(log)
    try:
        write_csv(table, sys.stdout.buffer)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise InputError(
            "cannot write the log", "standard output", error.strerror or "write error", "make room, or name a file with --to",
        ) from None
    remark(settings, f"Wrote {table.num_rows} rows in {table.num_columns} columns to standard output.")


def _log(settings: Settings, what: tuple[str, ...], how: HowToRead, work: Working) -> Log:
    if what[0].isdecimal():
        with open_register(settings) as register:
            return register.log(run_number(what[0]))
    sources = read_sources(what, work=work)
    return how.used(settings, sources, how.load()).read(sources)
