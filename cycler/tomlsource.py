"""TOML files with line numbers in the error messages."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location


def load_toml(path: str | Path, kind: str) -> tuple[dict[str, Any], str]:
    """Parsed content and text of a TOML file. ``kind`` names it in messages ("pack file").

    Raises
    ------
    InputError
        File missing, a folder, unreadable, not UTF-8, or not TOML (says the line).
    """
    path = Path(path)
    where = Location(str(path))
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"no such {kind}", where, "the file does not exist", "check the name and folder") from None
    except IsADirectoryError:
        raise InputError(f"the {kind} is a folder", where, "a file is needed", "name the .toml file in it") from None
    except OSError as error:
        raise InputError(f"cannot read the {kind}", where, error.strerror or "read error", "check the permissions") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"the {kind} is not UTF-8 text", Location(str(path), line), f"byte 0x{raw[error.start]:02x} cannot be read",
            "save it as UTF-8",
        ) from None
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"\(at line (\d+), column (\d+)\)", message)
        line = int(found[1]) if found else (text.count("\n") + 1)
        why = re.sub(r"\s*\(at .*\)$", "", message)
        raise InputError(
            f"the {kind} is not valid TOML", Location(str(path), line), why,
            'a line reads key = value; texts stand in "quotes", decimals use a point',
        ) from None


def line_of_key(text: str, key: str, occurrence: int = 0) -> int | None:
    """Line (from 1) on which ``key`` is set in a TOML text, or None. ``occurrence`` counts from 0."""
    pattern = re.compile(rf"""^\s*\[*\s*["']?{re.escape(key)}["']?\s*(=|\]|\.)""", re.MULTILINE)
    for index, match in enumerate(pattern.finditer(text)):
        if index == occurrence:
            return text.count("\n", 0, match.start() + len(match[0]) - len(match[0].lstrip())) + 1
    return None
