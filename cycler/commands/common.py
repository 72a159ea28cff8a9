"""What all commands share: settings, help with examples, options. Loads nothing but click."""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from cycler.workflow import Sources, UsedColumns


@dataclass(slots=True)
class Settings:
    """Choices that hold for the whole call."""

    register: str | None = None
    debug: bool = False
    quiet: bool = False


class BrokenOutput(Exception):
    """Whoever read our standard output has closed it."""


def _keep(ctx: click.Context, param: click.Parameter, value: Any) -> None:
    if isinstance(value, str) and not value.strip():
        raise click.BadParameter("The name is empty; leave the option out for your own register.", ctx, param)
    if value:
        setattr(ctx.ensure_object(Settings), param.name or "", value)


def _show_version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from cycler import __distribution__, __version__

        click.echo(f"cycler {__version__} ({__distribution__})")
        ctx.exit()


def global_options(hidden: bool = False) -> list[click.Parameter]:
    """Options that stand before the command's name, and are understood after it as well."""
    return [
        click.Option(
            ["--register"], metavar="FILE", callback=_keep, expose_value=False, hidden=hidden,
            envvar=None if hidden else "CYCLER_REGISTER", show_envvar=not hidden,
            help="Register to use instead of the one in your data directory; also the address of a PostgreSQL database (see the README).",
        ),
        click.Option(
            ["--quiet"], is_flag=True, callback=_keep, expose_value=False, hidden=hidden,
            help="No progress and no remarks on standard error; errors are still told.",
        ),
        click.Option(
            ["--debug"], is_flag=True, callback=_keep, expose_value=False, hidden=hidden,
            help="Show where in the program an error arose.",
        ),
    ]


def version_option() -> click.Option:
    """``--version``."""
    return click.Option(
        ["--version"], is_flag=True, expose_value=False, is_eager=True, callback=_show_version, help="Show the version and stop."
    )


_NUMBER_DIGITS_MAX = 18


def run_number(text: str) -> int:
    """A run's number as it was typed, all digits. InputError if it has more digits than any run's."""
    if len(text.lstrip("0")) > _NUMBER_DIGITS_MAX:
        from cycler.errors import InputError, quote

        raise InputError(f"no run {quote(text)[1:-1]}", "RUN", f"it has {len(text)} digits", "see the numbers with: cycler list")
    return int(text)


class RunNumber(click.IntRange):
    """Number of a run, from 1; one that no run can have is told like any other that is not in the register."""

    def __init__(self) -> None:
        super().__init__(min=1)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return super().convert(run_number(value) if isinstance(value, str) and value.isdecimal() else value, param, ctx)


class Command(click.Command):
    """A command whose help ends with examples and which takes the global options too."""

    def __init__(self, *args: Any, examples: Sequence[str] = (), **keywords: Any) -> None:
        super().__init__(*args, **keywords)
        self.examples = tuple(examples)
        self.params.extend(global_options(hidden=True))

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        super().format_epilog(ctx, formatter)
        write_examples(formatter, self.examples)


def write_examples(formatter: click.HelpFormatter, examples: Sequence[str]) -> None:
    """The last section of a help text; lines are not wrapped, so that they can be copied."""
    with formatter.section("Examples"):
        for example in examples:
            formatter.write(f"{'':>{formatter.current_indent}}{example}\n")


NO_PACK = (
    "No pack file: limits and ratings are not known, so state of health is not given and nothing shows whether the pack was "
    "full or empty. Name one with --pack."
)

_Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def given_options(pack_required: bool = False) -> _Decorator:
    """``--pack``, ``--instrument``, ``--criteria`` and :func:`reading_options`: what is known before a log is read."""
    end = "" if pack_required else " What it leaves out is taken from the log only where the log proves it."
    pack = click.option(
        "--pack", "pack_file", metavar="PACK.toml", required=pack_required,
        help=f"What is known of the pack and of the bench: ratings, limits of error.{end}",
    )
    bench = click.option(
        "--instrument", "instrument_file", metavar="BENCH.toml",
        help="Limits of error of the bench from a file of their own, in place of those in the pack file.",
    )
    return lambda command: pack(bench(criteria_option()(reading_options(command))))


def criteria_option(text: str = "") -> _Decorator:
    """``--criteria``."""
    return click.option(
        "--criteria", "criteria_name", metavar="NAME|FILE",
        help=f"Limits to judge by: return-to-owner (default), resale, reuse-of-cells, or a .toml file.{text}",
    )


@dataclass(frozen=True, slots=True)
class HowToRead:
    """What the command line says about reading logs; collected by :func:`reading_options`."""

    columns_file: str | None
    allow_bad_rows: bool
    no_pause: bool
    ignore_remembered: bool

    def load(self) -> Any:
        """The columns file that was named, or None."""
        if self.columns_file is None:
            return None
        from cycler.readers import columnsfile

        return columnsfile.load_columns(self.columns_file)

    def used(self, settings: Settings, sources: Sources, columns: Any = None) -> UsedColumns:
        """The columns files for these logs: ``columns`` as named, or else those that the register knows."""
        from cycler.workflow import UsedColumns

        if columns is not None:
            found = UsedColumns(columns)
        else:
            found = UsedColumns() if self.ignore_remembered else _remembered(settings, sources)
        said = {"allow_bad_rows": self.allow_bad_rows, "no_pause": self.no_pause}
        said = {key: value for key, value in said.items() if value}
        return found.with_said(len(sources), **said) if said else found


def _remembered(settings: Settings, sources: Sources) -> UsedColumns:
    """Columns files of the register for these logs. A register that cannot be used stops nobody who did not name it."""
    from cycler.errors import InputError
    from cycler.workflow import UsedColumns, remembered_columns

    if settings.register is None:
        from cycler.ownfolder import default_path

        if not default_path().exists():
            return UsedColumns()
    try:
        from cycler.columns_memory import ColumnsMemory

        with ColumnsMemory.look(settings.register) as memory:
            return remembered_columns(memory, sources) if memory is not None else UsedColumns()
    except InputError as error:
        if settings.register is not None:
            raise
        if not settings.quiet:
            click.echo(f"Columns files used before cannot be looked up: {error.what} ({error.why}).", err=True)
        return UsedColumns()


def reading_options(command: Callable[..., Any], one_file: bool = False) -> Callable[..., Any]:
    """Options that say how to read logs, given on as ``how``, a :class:`HowToRead`. ``one_file``: each file is a test of its own."""
    @functools.wraps(command)
    def call(*args: Any, **keywords: Any) -> Any:
        how = HowToRead(**{item.name: keywords.pop(item.name, False) for item in fields(HowToRead)})
        return command(*args, how=how, **keywords)

    options = (
        click.option(
            "--columns", "columns_file", metavar="COLUMNS.toml", help="Says what the columns of the log are, where they do not say it.",
        ),
        click.option(
            "--allow-bad-rows", is_flag=True, help="Read a log although more than 1 % of its rows cannot be used; they are counted and named.",
        ),
        *(() if one_file else (click.option(
            "--no-pause", is_flag=True, help="Files of one test that hold no common clock follow one another without a pause.",
        ),)),
        click.option(
            "--ignore-remembered", is_flag=True, help="Leave out columns files that the register knows for these headings.",
        ),
    )
    for option in reversed(options):
        call = option(call)
    return call


def against_option() -> _Decorator:
    """``--against``: the run that another one is held against."""
    return click.option(
        "--against", metavar="RUN", type=RunNumber(), help="Run that this one is held against: the pack before its repair, or its sister.",
    )


def decision_options(more: str = "") -> _Decorator:
    """``--by`` and ``--remark``: who decides, and what they have to say about it."""
    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in (
            click.option("--remark", metavar="TEXT", help="What that person remarks, at most 500 characters; changes nothing of the result."),
            click.option("--by", metavar="NAME", help=f"The person who decides, as kept with the verdict and printed on the record.{more}"),
        ):
            command = option(command)
        return command

    return add


def json_option(text: str) -> _Decorator:
    """``--json``."""
    return click.option("--json", "as_json", is_flag=True, help=text)


def details_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """``--details``."""
    text = "Print every measure: steps, charges, cycles, circuit, rests, peaks, sensors, and each uncertainty by source."
    return click.option("--details", is_flag=True, help=text)(command)


def print_json(value: Any) -> None:
    """One JSON object on standard output; an unknown figure is null, never NaN.

    What could steer a terminal, or is no text at all (a name may hold either), stands as its escape, which says the same.
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=2)
    click.echo(re.sub(r"[^\n -~]", lambda found: found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1], text))


def load_given(
    pack_file: str | None, instrument_file: str | None, criteria_name: str | None, how: HowToRead
) -> tuple[Any, Any, Any]:
    """Pack, criteria and columns file of :func:`given_options`."""
    return load_pack(pack_file, instrument_file), load_criteria(criteria_name), how.load()


def load_pack(pack_file: str | None, instrument_file: str | None = None) -> Any:
    """The pack file, or a pack of which nothing is known; with the bench of the instrument file if one is named."""
    from cycler import instrument, pack

    known = pack.load_pack(pack_file) if pack_file is not None else pack.Pack()
    if instrument_file is None:
        return known
    return replace(known, instrument=instrument.with_instrument_file(known.instrument, instrument_file))


def load_criteria(criteria_name: str | None) -> Any:
    """The criteria named, or the default set."""
    from cycler import criteria

    return criteria.load_criteria(criteria_name) if criteria_name is not None else criteria.load_criteria()
