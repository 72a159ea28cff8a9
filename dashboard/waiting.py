"""Dropped files that wait to be added: which kind each is, how the logs would be read, what is wrong with which."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from dash import Patch

from cycler.errors import InputError
from dashboard import text
from dashboard.data import Door, Look, Pack, columns_from_text, is_pack_text, pack_from_text
from dashboard.uploads import Dropped, Uploads

if TYPE_CHECKING:
    from cycler.readers.columnsfile import ColumnsFile
    from dashboard.door.adding import UsedColumns

TOML_BYTES_MAX = 200_000
OVERLAP_SHARE, OVERLAP_LEAST_S = 0.5, 300.0
"""Two logs that run at the same time for more than this share of the shorter one, and this long [s], are no parts of one test."""
FOLLOWS_S = 3600.0
"""A log that begins so soon after another one ended plainly goes on with its test. [s]"""

_DOUBTS = {
    "unit_inferred", "unit_unusual", "unit_doubtful", "header_missing", "parts_do_not_fit", "sign_doubtful", "taps_end_open",
    "voltage_reversed", "group_name_repeated", "rows_above",
}
"""Warnings that ask for a look at the columns. The sign is not among them: the voltage proves it in most logs."""


def kind_of(name: str, read: Any) -> str:
    """log, pack or columns; ``read`` gives the bytes of a .toml file."""
    if not name.lower().endswith(".toml"):
        return "log"
    try:
        return "pack" if is_pack_text(read().decode("utf-8-sig")) else "columns"
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return "pack"


def received(
    event: dict[str, Any] | None, files: list[dict[str, Any]], uploads: Uploads
) -> tuple[list[dict[str, Any]], list[InputError]]:
    """The list of waiting files after a drop, and why others are not in it.

    Only files that this server really holds are taken, and each content once.
    """
    known = {item["token"] for item in files}
    here = {item["token"] for item in files if is_there(item, uploads)}
    taken, errors = list(files), []
    for item in (event or {}).get("files") or []:
        token = str(item.get("token"))
        if token in known:
            continue
        try:
            dropped = uploads.get(token)
        except InputError as error:
            refused = uploads.refused(token)
            if refused is not None:
                errors += [] if item.get("heard") else [refused]
            elif not item.get("again"):  # told before already: it was added, or taken back, since
                errors.append(error)
            continue
        twin = next((other["name"] for other in taken if other.get("sha256") == dropped.sha256 and other["token"] in here), None)
        if twin is not None:
            twice = InputError(text.SAME_FILE, dropped.name, text.SAME_FILE_WHY.format(name=twin), text.SAME_FILE_MEND)
            uploads.refuse(token, twice)
            errors.append(twice)
            continue
        new = item_of(dropped)
        before = next((place for place, other in enumerate(taken) if other["token"] not in here and other["name"] == dropped.name), None)
        if before is None:
            taken.append(new)
        else:  # the file that is gone is there again: what was typed beside it stays
            taken[before] = new | {"key": taken[before]["key"]}
        here.add(token)
    return taken, errors


def list_change(before: list[dict[str, Any]] | None, after: list[dict[str, Any]]) -> Any:
    """What an answer does to the list of waiting files: what it took out, and what it put at the end.

    The page may have changed its list while the answer was on its way; a whole list would undo that. Only a file that takes the place of
    another one is told with the whole list.
    """
    held = list(before or [])
    kept, new = [item for item in held if item in after], [item for item in after if item not in held]
    if [*kept, *new] != after:
        return after
    change = Patch()
    for item in held:
        if item not in kept:
            change.remove(item)
    change.extend(new)
    return change


def item_of(dropped: Dropped) -> dict[str, Any]:
    """A waiting file as its tab remembers it. ``key`` names its row and stays the same if the file has to be dropped again."""
    small = dropped.bytes <= TOML_BYTES_MAX
    kind = kind_of(dropped.name, dropped.path.read_bytes) if small else "log"
    return {
        "token": dropped.token, "key": dropped.token, "name": dropped.name, "bytes": dropped.bytes, "kind": kind,
        "folder": dropped.folder, "sha256": dropped.sha256,
    }


def still_there(files: list[dict[str, Any]] | None, uploads: Uploads) -> list[dict[str, Any]]:
    """Waiting files that the server still holds."""
    return [item for item in files or [] if is_there(item, uploads)]


def gone(files: list[dict[str, Any]] | None, uploads: Uploads) -> list[dict[str, Any]]:
    """Waiting files that the tab remembers and the server holds no more: it was started anew, or hours have passed."""
    return [item for item in files or [] if not is_there(item, uploads)]


def is_there(item: dict[str, Any], uploads: Uploads) -> bool:
    """True if the server holds this file."""
    try:
        uploads.get(str(item.get("token")))
    except InputError:
        return False
    return True


def of_kind(files: list[dict[str, Any]], kind: str) -> list[str]:
    """Tokens of the waiting files of a kind."""
    return [item["token"] for item in files if item["kind"] == kind]


def text_of(item: dict[str, Any], uploads: Uploads) -> str:
    """Text of a waiting .toml file. InputError if it is no text."""
    name, raw = uploads.content([item["token"]])[0]
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(text.NOT_UTF8, name, text.NOT_UTF8_WHY, text.NOT_UTF8_MEND) from None


@dataclass(frozen=True, slots=True)
class Seen:
    """What the waiting files hold.

    ``bad`` says by token why a file cannot be used, ``joint`` why the logs do not fit together; ``look`` is how the
    good logs would be read, ``pack`` and ``columns`` what the .toml files say. ``known`` names the columns files that
    the register knows for the logs, whether they are used or left out. ``form`` holds the tokens of the logs that the
    form of the columns is about, the one it shows first. ``each`` holds how every good log would be read by itself, where they are
    a test each: there is no ``look`` then.
    """

    bad: dict[str, InputError]
    joint: InputError | None
    look: Look | None
    pack: Pack | None
    columns: ColumnsFile | None
    known: tuple[str, ...] = ()
    left_out: bool = False
    form: tuple[str, ...] = ()
    each: Mapping[str, Look] = field(default_factory=dict)

    def on_columns(self, item: dict[str, Any]) -> bool:
        """True for a file whose fault the form of the columns may mend: a log that it is about, or a columns file it replaces."""
        return bool(self.form) and (item["token"] in self.form or item["kind"] == "columns")

    def why_not_else(self, files: list[dict[str, Any]]) -> str:
        """Why the files could not be added even if the form of the columns read the logs."""
        names = [item["name"] for item in files if item["token"] in self.bad and not self.on_columns(item)]
        return text.ADD_WAIT["bad_file"].format(name=", ".join(names)) if names else ""

    def why_not(self, files: list[dict[str, Any]]) -> str:
        """Why the files cannot be added, in words; empty if they can."""
        names = [item["name"] for item in files if item["token"] in self.bad]
        if names and not self.each:
            return text.ADD_WAIT["bad_file"].format(name=", ".join(names))
        if self.each:
            return ""
        if self.joint is not None:
            return text.ADD_WAIT["bad_parts"]
        return "" if self.look is not None else text.ADD_WAIT["no_log"]

    @property
    def used(self) -> tuple[str, ...]:
        """Names of the columns files that the logs are read with."""
        if self.columns is not None:
            return (text.used_name(self.columns.file),)
        return () if self.left_out else tuple(map(text.used_name, self.known))

    @property
    def to_check(self) -> str:
        """Why the columns should be looked at: "error", "doubt", or nothing."""
        if self.joint is not None or any(token in self.bad for token in self.form):
            return "error"
        if self.each:
            doubted = any(look.warning_codes & _DOUBTS for look in self.each.values())
            return "doubt" if doubted and not self.used else ""
        if self.look is None:
            return "error" if self.form else ""
        return "doubt" if not self.used and self.look.warning_codes & _DOUBTS else ""


def _pack_named(content: str, name: str) -> Pack:
    pack = pack_from_text(content, name)
    if not pack.id:
        raise InputError(text.PACK_NO_ID_WHAT, name, text.PACK_NO_ID_WHY, text.PACK_NO_ID_MEND)
    return pack


def toml_files(files: list[dict[str, Any]], uploads: Uploads, bad: dict[str, InputError]) -> dict[str, Any]:
    """The pack and the columns file among the waiting files, by kind; the second of a kind is bad."""
    read = {"pack": _pack_named, "columns": columns_from_text}
    found: dict[str, Any] = {"pack": None, "columns": None}
    first: dict[str, str] = {}
    for item in files:
        kind = item["kind"]
        if kind not in read:
            continue
        try:
            if kind in first:
                why = text.TWO_FILES_WHY.format(name=first[kind])
                raise InputError(text.TWO_FILES[kind], item["name"], why, text.TWO_FILES_MEND)
            first[kind] = item["name"]
            found[kind] = read[kind](text_of(item, uploads), item["name"])
        except InputError as error:
            bad[item["token"]] = error
    return found


def seen(files: list[dict[str, Any]], door: Door, uploads: Uploads, leave_out: bool = False) -> Seen:
    """Read the waiting files without keeping anything; each file that fails has an error of its own.

    ``leave_out`` reads the logs without the columns files that the register knows for their headings.
    """
    bad: dict[str, InputError] = {}
    toml = toml_files(files, uploads, bad)
    columns = toml["columns"]
    columns_token = next(iter(of_kind(files, "columns")), None)
    content = {token: uploads.content([token])[0] for token in of_kind(files, "log")}
    logs = list(content)
    look, joint, failing = None, None, []

    def used(tokens: list[str], left_out: bool = leave_out) -> UsedColumns:
        return door.used([content[token] for token in tokens], columns, left_out or columns_token is not None)

    def read(tokens: list[str]) -> Look:
        return door.look([content[token] for token in tokens], used(tokens))

    if logs:
        try:
            look = read(logs)
        except InputError as error:
            joint = error
            for token in logs:
                alone: InputError | None = error
                if len(logs) > 1:
                    try:
                        read([token])
                        alone = None
                    except InputError as own:
                        alone = own
                if alone is not None:
                    joint = None
                    failing.append(token)
                    from_columns = columns is not None and str(alone.where).split(":")[0] == columns.file
                    bad[columns_token if from_columns and columns_token else token] = alone
            good = [token for token in logs if token not in failing]
            if failing and good:
                try:
                    look = read(good)
                except InputError as rest:
                    joint = rest
    known = files_of(used(logs, False)) if logs and columns_token is None else ()
    form = [token for token in failing if door.is_text(content[token])]
    form += [token for token in logs if token not in failing]
    return Seen(bad, joint, look, toml["pack"], columns, known, leave_out, tuple(form))


def seen_each(files: list[dict[str, Any]], door: Door, uploads: Uploads, leave_out: bool = False) -> Seen:
    """The same where every log is a test of its own."""
    bad: dict[str, InputError] = {}
    toml = toml_files(files, uploads, bad)
    columns, columns_token = toml["columns"], next(iter(of_kind(files, "columns")), None)
    each: dict[str, Look] = {}
    known: dict[str, None] = {}
    failing = []
    for token in of_kind(files, "log"):
        source = uploads.content([token])
        used = door.used(source, columns, leave_out or columns_token is not None)
        try:
            each[token] = door.look(source, used)
        except InputError as error:
            bad[token] = error
            if door.is_text(source[0]):
                failing.append(token)
        if columns_token is None:
            known |= dict.fromkeys(files_of(door.used(source)))
    return Seen(bad, None, None, toml["pack"], columns, tuple(known), leave_out, (*failing, *each), each)


def one_or_each(files: list[dict[str, Any]], looks: Mapping[str, Look], packs: Mapping[str, str | None]) -> tuple[str, str]:
    """Whether logs are the parts of "one" test or a test "each", and why, as a key of the words. "one" unless it is certain.

    Parameters
    ----------
    looks : dict
        How each log would be read by itself, by token; those that cannot be read are not in it.
    packs : dict
        The known pack whose number stands in the name of each log, by token.
    """
    named = {pack for pack in packs.values() if pack}
    if len(named) > 1:
        return "each", "packs"
    read = [looks[token] for token in of_kind(files, "log") if token in looks]
    if len(read) < 2:
        return "one", "unknown"
    if len({look.groups for look in read}) > 1:
        return "each", "groups"
    times = [(datetime.fromisoformat(look.started_at), look.duration_s) for look in read if look.started_at]
    if len(times) < len(read) or len({begun.tzinfo is None for begun, _lasted in times}) > 1:
        return "one", "unknown"
    times.sort()
    gaps = [(after - before).total_seconds() - lasted for (before, lasted), (after, _) in pairwise(times)]
    shorter = [min(a[1], b[1]) for a, b in pairwise(times)]
    if any(gap < -max(OVERLAP_SHARE * lasted, OVERLAP_LEAST_S) for gap, lasted in zip(gaps, shorter)):
        return "each", "overlap"
    return "one", "follow" if max(gaps) <= FOLLOWS_S else "unknown"


def files_of(used: UsedColumns) -> tuple[str, ...]:
    """Names of the columns files of the register that are used."""
    if not used.remembered:
        return ()
    return tuple(dict.fromkeys(own.file for own in used.files() if own is not None))
