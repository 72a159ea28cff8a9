"""Whose pack a log file in a folder is of: what says so, in order, and never a guess."""

from __future__ import annotations

import functools
import os
import re
import tomllib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from cycler.errors import InputError, quote
from cycler.pack import Pack, load_pack

if TYPE_CHECKING:
    from cycler.register import Register

FOLDER_PACK = "pack.toml"
"""Pack file of all logs of a folder."""

BY_HAND = "add it by hand"
"""What a person can always do instead."""

NAME_LETTERS_MIN = 3
"""Shortest id that counts in a file's name; one without a letter never counts, as a date or a counter looks just like it."""

_PACK_KEYS = {item.name for item in fields(Pack)} - {"id", "instrument", "inferred"}


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing that says whose pack it is. ``pack`` is None where the register's own knowledge of ``pack_id`` is meant."""

    pack_id: str
    why: str
    pack: Pack | None = None


def log_stem(name: str) -> str:
    """A log file's name without its ending; that of a compressed file is two."""
    stem = name[:-3] if name.lower().endswith(".gz") else name
    return os.path.splitext(stem)[0] or stem


def pack_files(path: Path) -> tuple[Path, Path]:
    """Where the pack file of a log would lie: its own, and that of its folder."""
    return path.with_name(f"{log_stem(path.name)}.toml"), path.with_name(FOLDER_PACK)


def claims(path: Path, sub_folder: str, known: Iterable[str], for_all: Pack | None = None) -> list[Claim]:
    """Everything that says whose pack ``path`` is of, the strongest first.

    Parameters
    ----------
    path : Path
        The log.
    sub_folder : str
        Name of the sub-folder it lies in; empty for the watched folder itself.
    known : iterable of str
        Ids of the packs in the register.
    for_all : Pack, optional
        Pack that was named for all logs.

    Raises
    ------
    InputError
        A pack file beside it cannot be used, or has no id.
    """
    ids = tuple(known)
    own, of_folder = pack_files(path)
    found = [
        Claim(pack.id or "", f"{file.name} beside it", pack) for file, pack in ((own, _pack_beside(own)), (of_folder, _pack_in(of_folder)))
        if pack is not None
    ]
    found += [Claim(pack_id, f"the sub-folder {sub_folder}") for pack_id in _same(sub_folder, ids)]
    found += [Claim(pack_id, "its name") for pack_id in named_in(log_stem(path.name), ids)]
    if for_all is not None:
        found.append(Claim(for_all.id or "", "the pack file for all", for_all))
    return found


def chosen(found: list[Claim], path: Path) -> Claim:
    """The strongest claim. InputError if there is none, or two name different packs."""
    if not found:
        raise InputError(
            "whose pack is it?", path.name, "no pack file for it lies beside it, and neither its sub-folder nor its name tells a pack of the register",
            f"put {pack_files(path)[0].name} or {FOLDER_PACK} beside it, move it into a sub-folder named like the pack's id, "
            f"or {BY_HAND}",
        )
    if len({claim.pack_id for claim in found}) > 1:
        said: dict[str, str] = {}
        for claim in found:
            said.setdefault(claim.pack_id, f"{claim.why} says {claim.pack_id}")
        raise InputError(
            "whose pack is it?", path.name, f"{'; '.join(said.values())}", f"correct what is wrong, or {BY_HAND}",
        )
    return found[0]


def pack_of(claim: Claim, register: Register, path: Path) -> Pack:
    """The pack that is claimed, as its own file says or as it was known at its newest run that counts. InputError if there is none."""
    if claim.pack is not None:
        return claim.pack
    runs = [row for row in register.runs(claim.pack_id) if not row.withdrawn]
    if not runs:
        raise InputError(
            "the ratings of the pack are not known", path.name,
            f"{claim.why} says {claim.pack_id}, but no test of that pack that counts is in the register",
            f"put {FOLDER_PACK} with its ratings beside it, or {BY_HAND}",
        )
    return register.run(runs[-1].id).pack


def no_id(where: str) -> InputError:
    """The error for a pack of all logs that has no id."""
    return InputError(
        "the pack has no id", where, "the register keeps runs together by the pack's id",
        'write id = "..." in the pack file, as on the pack\'s label',
    )


def named_in(words: str, ids: Iterable[str]) -> list[str]:
    """Those ids that stand in ``words`` as whole words, in whatever letters; in their order."""
    plain = _plain(words)
    return [
        pack_id for pack_id in ids
        if len(pack_id) >= NAME_LETTERS_MIN and _plain(pack_id) in plain and any(map(str.isalpha, pack_id))  # most ids are not: no pattern for them
        and re.search(rf"(?<![^\W_]){re.escape(_plain(pack_id))}(?![^\W_])", plain)
    ]


def _same(name: str, ids: tuple[str, ...]) -> list[str]:
    if name in ids:
        return [name]
    return [pack_id for pack_id in ids if name and _plain(pack_id) == _plain(name)]


@functools.lru_cache(maxsize=1 << 16)
def _plain(words: str) -> str:
    return unicodedata.normalize("NFC", words).casefold()


def _pack_beside(file: Path) -> Pack | None:
    """The pack of a log's own .toml file; None if there is none, or it is a file of another kind."""
    if not file.is_file():
        return None
    try:
        keys = set(tomllib.loads(file.read_text("utf-8-sig")))
    except (OSError, ValueError, RecursionError):
        return _pack_in(file)
    return _pack_in(file) if keys & _PACK_KEYS or keys <= {"id", "instrument"} else None


def _pack_in(file: Path) -> Pack | None:
    if not file.is_file():
        return None
    try:
        pack = load_pack(file)
    except InputError as error:
        raise InputError(f"its pack file cannot be used: {error.what}", error.where, error.why, error.mend) from None
    if not pack.id:
        raise InputError(
            "its pack file has no id", file.name, f"{quote(file.name)} does not say which pack it is", 'write id = "..." in it, as on the pack\'s label',
        )
    return pack
