"""The command ``watch``: new logs of a folder are taken into the register by themselves."""

from __future__ import annotations

import json
import math
import re
import time
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, Settings, criteria_option, json_option, load_criteria, load_pack
from cycler.commands.keeping import open_register, remark

if TYPE_CHECKING:
    from cycler.errors import InputError
    from cycler.watching import Event, Watcher

_ONCE_TIMES = 2
"""With --once, a file that still changes after this many times --quiet-for is left, and said."""


class Seconds(click.FloatRange):
    """A time in seconds; ``nan`` is none."""

    name = "seconds"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is no time in seconds.", param, ctx)
        return number


pack_of_all = click.option(
    "--pack", "pack_file", metavar="PACK.toml", help="Pack of all files; one that something else says to be of another pack waits for you.",
)
quiet_for = click.option(
    "--quiet-for", "quiet_s", type=Seconds(0, 86400), metavar="SECONDS",
    help="How long a file must not have changed before it is taken; left out, 20 s, or longer where its rows are more than 7 s apart.",
)
"""Options that every command which takes a folder in has."""


@click.command(
    cls=Command, short_help="Take new logs of a folder in by themselves.",
    examples=("cycler watch /media/stick/logs", "cycler watch logs --pack eb-0412.toml --once --json"),
)
@click.argument("folder", metavar="FOLDER")
@pack_of_all
@criteria_option()
@quiet_for
@click.option(
    "--every", "every_s", type=Seconds(0.05, 3600), default=2.0, show_default=True, metavar="SECONDS", help="Time between two looks at the folder.",
)
@click.option("--once", is_flag=True, help="Take what is there now, once it is quiet, and end.")
@json_option("One JSON object per line and event.")
@click.pass_obj
def watch(
    settings: Settings, folder: str, pack_file: str | None, criteria_name: str | None, quiet_s: float | None, every_s: float, once: bool, as_json: bool,
) -> None:
    """Watch a folder and take new logs in once they have stopped growing.

    Sub-folders, one level deep, count too. Whose pack a log is of is told by LOG.toml or pack.toml beside it, by a sub-folder
    named like the pack's id, by the id in the file's name, or by --pack. If nothing tells it, or two disagree, the file waits for
    you. Each file is a test of its own, is taken once, and is never moved, renamed or deleted. Stop with Ctrl+C.
    """
    from cycler.database import check_place
    from cycler.watchfolder import checked_folder
    from cycler.watching import QUIET_FOR_S, Watcher

    checked_folder(folder)
    pack, criteria = load_pack(pack_file) if pack_file is not None else None, load_criteria(criteria_name)
    check_place(settings.register, writing=True)
    from cycler.commands.reading_output import READING_DOUBTS

    with open_register(settings, create=True) as register:
        watcher = Watcher(folder, register, criteria, pack, quiet_s, READING_DOUBTS, once)
        shown_s = QUIET_FOR_S if quiet_s is None else quiet_s
        remark(settings, f"Watching {shown(watcher.folder)}. A file is taken once it has not changed for {shown_s:g} s." + ("" if once else " Stop with Ctrl+C."))
        told: Counter[str] = Counter()
        try:
            _go_on(settings, watcher, told, every_s, shown_s * _ONCE_TIMES if once else None, as_json)
        finally:
            _tell_sum(settings, watcher, told, as_json)


def _go_on(settings: Settings, watcher: Watcher, told: Counter[str], every_s: float, once_s: float | None, as_json: bool) -> None:
    """Look again and again; with ``once_s`` until something was said of every file, or that time is over and what is left grows."""
    begun = time.monotonic()
    while True:
        for event in watcher.step(time.monotonic()):
            told[event.kind] += 1
            click.echo(json_line(event.to_dict()) if as_json else event_line(event))
            if event.defect and settings.debug:
                click.echo(event.defect, err=True)
            if once_s is not None and event.error is not None and event.kind in ("folder_gone", "trouble") and not event.file:
                raise event.error
        if watcher.more:
            continue
        if once_s is not None and (watcher.settled or (watcher.only_growing_left and time.monotonic() - begun > once_s + every_s)):
            return
        time.sleep(every_s)


def event_line(event: Event) -> str:
    """One line for one event: the time here, the file, what happened."""
    clock = time.strftime("%H:%M:%S", time.localtime(event.at))
    return " ".join(shown(f"{clock}  {event.file}{'  ' if event.file else ''}{event_words(event)}").split("\n"))


def event_words(event: Event) -> str:
    """What happened, in words."""
    why = f" ({event.why})" if event.why else ""
    if event.kind == "added":
        return f"added as run {event.run_id} to {event.pack_id}, {kept_words(event.verdict, event.why, event.dangers, event.doubts)}"
    if event.kind == "already_there":
        return f"in the register already, as run {event.run_id} of {event.pack_id}{why}"
    if event.kind == "growing":
        return f"still growing{why}"
    if event.kind == "gone":
        return "no longer there, and not added"
    if event.kind == "folder_back":
        return "the folder is there again"
    heads = {"waits": "waits", "not_read": "not a log that can be read", "folder_gone": "the folder is gone", "trouble": "not taken now"}
    return f"{heads.get(event.kind, event.kind)}: {error_words(event.error)}" if event.error is not None else heads.get(event.kind, event.kind)


def kept_words(verdict: str | None, why: str, dangers: Sequence[str], doubts: Sequence[str]) -> str:
    """What is said of a run that was kept: verdict, what told its pack, every danger, and what puts its figures in doubt."""
    told = [f"; DANGER: {text}" for text in dangers] + [f"; look at this first: {text}" for text in doubts]
    return (verdict or "not judged").replace("_", " ") + (f" ({why})" if why else "") + "".join(told)


def error_words(error: InputError) -> str:
    """An error on one line; the file is named before it."""
    line = getattr(error.where, "line", None)
    place = f" (line {line})" if line else ""
    return f"{error.what}{place} | why: {error.why} | mend: {error.mend}"


def json_line(value: dict[str, Any]) -> str:
    """One JSON object on one line; what could steer a terminal stands as its escape."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return re.sub(r"[^ -~]", lambda found: found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1], text)


_SUM = (
    ("added", "added"), ("already_there", "there already"), ("waits", "waiting for you"), ("not_read", "not read"), ("growing", "still growing"),
)


def _tell_sum(settings: Settings, watcher: Watcher, told: Counter[str], as_json: bool) -> None:
    """What became of the files: those that were added since the start, and how the others stand now."""
    states = Counter(event.kind for event in watcher.files)
    states["growing"] += states.pop("new", 0) + states.pop("reading", 0)
    states["added"] = told["added"]
    states["already_there"] = told["already_there"]
    if as_json:
        click.echo(json_line({"schema": "cycler.watch/1", "event": "end", **{key: states[key] for key, _word in _SUM}}))
    else:
        click.echo("In all: " + ", ".join(f"{states[key]} {word}" for key, word in _SUM) + ".")
        if told["added"]:
            from cycler.tables import CAUTION_SHORT

            click.echo(CAUTION_SHORT)


def shown(text: object) -> str:
    """``text`` without what could steer a terminal."""
    return "".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in str(text))
