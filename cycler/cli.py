"""The command ``cycler``: global options, exit codes, and one line for every error.

Exit codes: 0 ran, 2 input or usage, 1 a defect of the program, 3 asked and not so (``decide --strict`` without a
pass, ``verify`` or ``check`` of what is not as it was), 130 interrupted, 141 the reader of the output went away (as for any command in a pipe).
"""

from __future__ import annotations

import contextlib
import os
import sys
import warnings
from collections.abc import Sequence
from typing import Any

import click

from cycler.commands.batch import batch
from cycler.commands.bench_options import options
from cycler.commands.columns import columns
from cycler.commands.common import BrokenOutput, Settings, global_options, version_option, write_examples
from cycler.commands.custody import backup, check, restore
from cycler.commands.donor import donor
from cycler.commands.exporting import export
from cycler.commands.jobs import job
from cycler.commands.keeping import add, compare, decide, list_runs, show
from cycler.commands.matching import cells
from cycler.commands.overtime import history, standing
from cycler.commands.packcards import correct, pack
from cycler.commands.planning import plan
from cycler.commands.proving import key, verify
from cycler.commands.reading import analyze, inspect
from cycler.commands.recording import label, record
from cycler.commands.serving import demo, serve
from cycler.commands.sheet import sheet
from cycler.commands.users import users
from cycler.commands.watching import watch
from cycler.errors import CyclerError

EXIT_DEFECT, EXIT_INPUT, EXIT_INTERRUPTED, EXIT_BROKEN_PIPE = 1, 2, 130, 141

EXAMPLES = (
    "cycler analyze before.csv --pack eb-0412.toml",
    "cycler demo",
)


class _Group(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)  # in the order of the work, not of the alphabet

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        if args[:1] == ["register"]:  # cycler register check is cycler check
            if args[1:2] and args[1] in ("check", "backup", "restore"):
                args = args[1:]
            else:
                raise click.UsageError("register goes with one of check, backup and restore.", ctx)
        return super().resolve_command(ctx, args)

    def make_context(self, *args: Any, **keywords: Any) -> click.Context:
        try:
            return super().make_context(*args, **keywords)
        except BrokenPipeError:
            raise BrokenOutput from None

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise BrokenOutput from None

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        super().format_epilog(ctx, formatter)
        write_examples(formatter, EXAMPLES)


cycler = _Group(
    "cycler",
    params=[*global_options(), version_option()],
    commands=[job, sheet, options, donor, plan, inspect, analyze, add, list_runs, show, compare, history, standing, decide, record, label, verify, key, pack, correct, cells, export, columns, backup, restore, check, watch, batch, serve, users, demo],
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help=(
        "Charge and discharge logs of a repaired battery pack to capacity, resistance, group sag, a verdict and a "
        "record, each figure with its uncertainty.\n\n"
        "A verdict covers what was measured and is no safety certificate: the limits of the cell and pack maker, local "
        "rules and the judgement of a trained person come first."
    ),
)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command with ``arguments`` (default: those of the process) and return its exit code."""
    _use_utf8()
    settings = Settings()
    with warnings.catch_warnings():
        if not sys.warnoptions:
            warnings.simplefilter("ignore")  # standard error carries our own words only
        try:
            result = cycler.main(
                args=list(arguments) if arguments is not None else None, prog_name="cycler", obj=settings,
                standalone_mode=False,
            )
            sys.stdout.flush()
            return result if isinstance(result, int) else 0
        except (click.Abort, KeyboardInterrupt):
            return _tell("interrupted", EXIT_INTERRUPTED, settings)
        except (BrokenOutput, BrokenPipeError):
            return _leave_quietly()
        except click.exceptions.NoArgsIsHelpError as error:
            print(error.format_message(), file=sys.stderr)
            return EXIT_INPUT
        except click.ClickException as error:
            return _tell(_usage_line(error), EXIT_INPUT, settings)
        except CyclerError as error:
            return _tell(str(error), EXIT_INPUT, settings)
        except MemoryError:
            return _tell("error: not enough memory for this log | mend: split the log, or close other programs", EXIT_INPUT, settings)
        except Exception as error:
            kind = f"{type(error).__name__}: {error}"
            return _tell(
                f"internal error: {kind} | this is a defect of the program, nothing you did; please report it with "
                "what --debug prints", EXIT_DEFECT, settings,
            )


def _tell(line: str, code: int, settings: Settings) -> int:
    if settings.debug and code != EXIT_INTERRUPTED:
        import traceback

        traceback.print_exc()
    try:
        sys.stdout.flush()
        print(f"cycler: {' '.join(line.split())}", file=sys.stderr, flush=True)
    except BrokenPipeError:
        return _leave_quietly()
    return code


def _usage_line(error: click.ClickException) -> str:
    text = " ".join(error.format_message().split())
    context = getattr(error, "ctx", None)
    return f"error: {text} | help: {context.command_path if context else 'cycler'} --help"


def _leave_quietly() -> int:
    """Have the interpreter's own last flush of standard output go nowhere."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return EXIT_BROKEN_PIPE


def _use_utf8() -> None:
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
