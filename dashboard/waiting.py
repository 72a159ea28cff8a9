"""Dropped files that wait to be added: which kind each is, how the logs would be read, what is wrong with which."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError
from dashboard import text
from dashboard.data import Door, Look, Pack, columns_from_text, is_pack_text, pack_from_text
from dashboard.uploads import Uploads

if TYPE_CHECKING:
    from cycler.readers.columnsfile import ColumnsFile
    from dashboard.data import UsedColumns

TOML_BYTES_MAX = 200_000

_DOUBTS = {
    "unit_inferred", "unit_unusual", "unit_doubtful", "header_missing", "parts_do_not_fit", "sign_doubtful", "taps_end_open",
    "voltage_reversed", "group_name_repeated",
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
    taken, errors = list(files), []
    for item in (event or {}).get("files") or []:
        token = str(item.get("token"))
        if token in known:
            continue
        try:
            dropped = uploads.get(token)
        except InputError as error:
            errors.append(error)
            continue
        twin = next((other["name"] for other in taken if uploads.get(other["token"]).sha256 == dropped.sha256), None)
        if twin is not None:
            uploads.remove(token)
            errors.append(
                InputError(text.SAME_FILE, dropped.name, text.SAME_FILE_WHY.format(name=twin), text.SAME_FILE_MEND)
            )
            continue
        small = dropped.bytes <= TOML_BYTES_MAX
        kind = kind_of(dropped.name, dropped.path.read_bytes) if small else "log"
        taken.append({"token": token, "name": dropped.name, "bytes": dropped.bytes, "kind": kind})
    return taken, errors


def still_there(files: list[dict[str, Any]] | None, uploads: Uploads) -> list[dict[str, Any]]:
    """Waiting files that the server still holds."""
    kept = []
    for item in files or []:
        try:
            uploads.get(str(item.get("token")))
        except InputError:
            continue
        kept.append(item)
    return kept


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
    form of the columns is about, the one it shows first.
    """

    bad: dict[str, InputError]
    joint: InputError | None
    look: Look | None
    pack: Pack | None
    columns: ColumnsFile | None
    known: tuple[str, ...] = ()
    left_out: bool = False
    form: tuple[str, ...] = ()

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
        if names:
            return text.ADD_WAIT["bad_file"].format(name=", ".join(names))
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


def files_of(used: UsedColumns) -> tuple[str, ...]:
    """Names of the columns files of the register that are used."""
    if not used.remembered:
        return ()
    return tuple(dict.fromkeys(own.file for own in used.columns or () if own is not None))
