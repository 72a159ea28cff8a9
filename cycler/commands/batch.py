"""The command ``batch``: all logs of a folder are taken into the register, on every core or on a cluster."""

from __future__ import annotations

import functools
import signal
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import (
    Command,
    HowToRead,
    Settings,
    criteria_option,
    json_option,
    load_criteria,
    load_pack,
    print_json,
    reading_options,
)
from cycler.commands.keeping import open_register, remark
from cycler.commands.progress import Counting
from cycler.commands.watching import error_words, kept_words, pack_of_all, quiet_for, shown

if TYPE_CHECKING:
    from cycler.batch import Batch, Entry

EXIT_DEFECT, EXIT_NOT_ALL = 1, 2

_WORDS = (
    ("kept", "kept"), ("known", "known already"), ("waiting", "waiting for you"), ("refused", "not read"), ("failed", "failed"),
)


@click.command(
    cls=Command, short_help="Add all logs of a folder, on every core.",
    examples=("cycler batch logs --pack eb-0412.toml", "cycler batch logs --cluster tcp://192.0.2.10:8786"),
)
@click.argument("folder", metavar="FOLDER")
@pack_of_all
@criteria_option()
@functools.partial(reading_options, one_file=True)
@quiet_for
@click.option(
    "--workers", type=click.IntRange(1, 512), metavar="N", help="Processes that read and analyse; left out, one for each core. 1 is the command itself.",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask distributed scheduler whose workers do it instead, such as tcp://127.0.0.1:8786; see the README.")
@click.option("--shared-folder", is_flag=True, help="The cluster's workers see FOLDER under the same path, so that logs need not be sent.")
@json_option("One JSON object at the end: what became of each file.")
@click.pass_obj
def batch(
    settings: Settings, folder: str, pack_file: str | None, criteria_name: str | None, how: HowToRead, quiet_s: float | None, workers: int | None,
    cluster: str | None, shared_folder: bool, as_json: bool,
) -> int:
    """Add every log of a folder to the register, each as a run of its own.

    Whose pack a log is of is told as with watch: by LOG.toml or pack.toml beside it, a sub-folder named like the pack's id, the id in
    the file's name, or --pack. If nothing tells it, or two disagree, the file waits for you. What the register holds already is passed
    over, so the same command goes on where one was stopped. Logs are kept in the order in which their files were last changed, which is
    also the order of tests whose logs hold no date. Exit code 2 if a file was not kept; all others are.
    """
    if cluster is None and shared_folder:
        raise click.UsageError("--shared-folder is for --cluster.")
    if cluster is not None and workers is not None:
        raise click.UsageError("--workers is for this machine; the workers of --cluster are started beside its scheduler.")
    from cycler.database import check_place
    from cycler.watchfolder import checked_folder

    checked_folder(folder)
    pack, criteria, columns = load_pack(pack_file) if pack_file is not None else None, load_criteria(criteria_name), how.load()
    check_place(settings.register, writing=True)
    from cycler.batch import Batch
    from cycler.commands.reading_output import READING_DOUBTS
    from cycler.crews import crew_for

    with closing(crew_for(workers, cluster, shared_folder)) as crew, open_register(settings, create=True) as register:
        work = Batch(
            folder, register, criteria, crew, pack, quiet_s, columns, not how.ignore_remembered, ("allow_bad_rows",) if how.allow_bad_rows else (),
            READING_DOUBTS,
        )
        doers = ("worker{} of the cluster" if cluster else "process{}").format("" if crew.width == 1 else "s" if cluster else "es")
        files = f"{len(work.sizes)} {'file' if len(work.sizes) == 1 else 'files'} in {shown(work.folder)}"
        if work.sizes:
            remark(settings, f"{files}; {crew.width} {doers}. Ctrl+C ends it, and the same command goes on.")
        else:
            remark(settings, f"{files} that may be a log: only those in it and in its sub-folders count, one level deep.")
        entries: list[Entry] = []
        complete = False
        try:
            with _asked_to_end(), Counting(settings, "reading and analysing", work.sizes) as bar:
                for entry in work.run():
                    entries.append(entry)
                    bar.ended(entry.size, None if as_json else entry_line(entry))
                    if entry.defect and settings.debug:
                        click.echo(entry.defect, err=True)
            complete = True
        finally:
            if as_json:
                _print_object(work, entries, register, complete, crew.width, cluster)
            else:
                _tell_sum(work, complete)
    if any(entry.defect for entry in entries):
        return EXIT_DEFECT
    return EXIT_NOT_ALL if any(entry.state not in ("kept", "known") for entry in entries) else 0


@contextmanager
def _asked_to_end() -> Iterator[None]:
    """Being asked to end, by a service manager or at log-off, is as Ctrl+C: what was kept is told."""
    names = ("SIGTERM", "SIGHUP") if threading.current_thread() is threading.main_thread() else ()  # not every system has both
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers if signal.getsignal(number) != signal.SIG_IGN}  # nohup: it is to outlive the log-off

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    for number in before:
        signal.signal(number, interrupted)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def entry_line(entry: Entry) -> str:
    """One line for one file: what became of it, its name, and the figures or the reason."""
    from cycler.tables import figure

    if entry.state == "kept" and entry.error is not None:
        words = f"run {entry.run_id} of {entry.pack_id}, which can be seen with show; what else was to be done or told here broke down: {error_words(entry.error)}"
    elif entry.state == "kept":
        if entry.capacity_ah is None:
            capacity = "capacity not known"
        else:
            bound = "at least " if entry.capacity_is_lower_bound else ""
            capacity = f"{bound}{figure(entry.capacity_ah, entry.u_capacity_ah, 'Ah')}{'' if entry.capacity_valid else ' (not valid)'}"
        words = f"run {entry.run_id} of {entry.pack_id}, {capacity}, {kept_words(entry.verdict, entry.why, entry.dangers, entry.doubts)}"
    elif entry.state == "known":
        words = f"in the register already, as run {entry.run_id} of {entry.pack_id}" + (f" ({entry.why})" if entry.why else "")
    else:
        words = error_words(entry.error) if entry.error is not None else ""
    state = {"waiting": "waits", "refused": "not read"}.get(entry.state, entry.state)
    return " ".join(shown(f"{state:<8}  {entry.file}  {words}").split("\n"))


def _tell_sum(work: Batch, complete: bool) -> None:
    told = work.told
    if not complete:
        left = max(0, len(work.sizes) - sum(told.values()))
        click.echo(f"Ended before all was done: {told['kept']} of {len(work.sizes)} files were kept now and stay kept, {left} are left. The same command goes on.")
    click.echo("In all: " + ", ".join(f"{told[state]} {word}" for state, word in _WORDS) + ".")
    for pack_id, runs in work.undated.items():
        if len(runs) > 1:
            click.echo(shown(
                f"The logs of runs {', '.join(map(str, runs))} of {pack_id} hold no date: they stand in the order in which their files were last changed, and "
                f"run {runs[-1]} counts as how the pack is now. If that is not the order of the tests, withdraw them (cycler correct RUN --withdraw) and "
                "add them by hand, the earliest first."
            ))
    if told["kept"]:
        from cycler.tables import CAUTION_SHORT

        click.echo("± expanded uncertainty, k = 2.")
        click.echo(CAUTION_SHORT)


def _print_object(work: Batch, entries: list[Entry], register: Any, complete: bool, width: int, cluster: str | None) -> None:
    from cycler.batch import STATES, with_figures
    from cycler.errors import InputError

    try:
        files = with_figures(entries, register)
    except InputError:
        if complete:
            raise
        files = [entry.to_dict() for entry in entries]  # the register that was lost ended the batch; what was kept before is told all the same
    print_json({
        "schema": "cycler.batch/1", "folder": str(work.folder), "complete": complete, "workers": width, "cluster": cluster,
        **{state: work.told[state] for state in STATES}, "undated_runs": work.undated, "files": files,
    })
