"""TOML files with line numbers in the error messages."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location, quote

PACK_FILE, CRITERIA_FILE, COLUMNS_FILE = "pack file", "criteria file", "columns file"
_OPTION = {PACK_FILE: "--pack", CRITERIA_FILE: "--criteria", COLUMNS_FILE: "--columns"}
_LOG_SUFFIXES = {".csv", ".tsv"}
_PACK_KEYS = {
    "chemistry", "series", "parallel", "rated_capacity_ah", "rated_energy_wh", "charge_voltage_v", "cutoff_voltage_v",
    "group_charge_voltage_v", "group_cutoff_voltage_v", "taper_current_a", "instrument",
}


def load_toml(path: str | Path, kind: str) -> tuple[dict[str, Any], str]:
    """Parsed content and text of a TOML file. ``kind`` names it in messages ("pack file").

    Raises
    ------
    InputError
        File missing, a folder, unreadable, a table of readings, not UTF-8, not TOML (quotes the line), or plainly one
        of the other kinds of file that this program takes.
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
    return parse_toml(raw, str(path), kind)


def parse_toml(raw: bytes, name: str, kind: str) -> tuple[dict[str, Any], str]:
    """The same for bytes already read; ``name`` stands in messages. See :func:`load_toml`."""
    where = Location(name)
    if Path(name).suffix.lower() in _LOG_SUFFIXES or _looks_like_a_log(raw):
        raise InputError(
            f"this is a log, not a {kind}", where, "its name or its lines are those of a table of readings",
            f"name the log as such: cycler analyze LOG {_OPTION.get(kind, '')} FILE.toml",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"the {kind} is not UTF-8 text", Location(name, line), f"byte 0x{raw[error.start]:02x} cannot be read",
            "save it as UTF-8",
        ) from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"\(at line (\d+), column (\d+)\)", message)
        line = int(found[1]) if found else (text.count("\n") + 1)
        lines = text.splitlines()
        wrong = lines[line - 1].strip() if line <= len(lines) else ""
        why = re.sub(r"\s*\(at .*\)$", "", message)
        raise InputError(
            f"the {kind} is not valid TOML", Location(name, line), f"{quote(wrong, 60)}: {why}" if wrong else why, _mend(wrong),
        ) from None
    other, key = _kind_of(data)
    if other and kind in _OPTION and other != kind:
        raise InputError(
            f"this is a {other}, not a {kind}", Location(name, line_of_key(text, key)), f"it sets {quote(key)}",
            f"give it with {_OPTION[other]}, and the {kind} with {_OPTION[kind]}",
        )
    return data, text


def _looks_like_a_log(raw: bytes) -> bool:
    """Whether the first lines are rows of a table: one delimiter alike in all of them, and no key = value."""
    head = raw[:4000].lstrip(b"\xef\xbb\xbf").decode("latin-1").splitlines()[:6]
    rows = [line for line in (head[:-1] if len(raw) > 4000 else head) if line.strip() and not line.startswith("#")][:4]
    if len(rows) < 2 or any("=" in line or line.lstrip().startswith("[") for line in rows):
        return False
    return any(rows[0].count(mark) > 0 and len({line.count(mark) for line in rows}) == 1 for mark in ";\t,")


def _kind_of(data: dict[str, Any]) -> tuple[str | None, str]:
    """Which of our files this is, and the key that shows it; None if that is not plain."""
    known = ((PACK_FILE, _PACK_KEYS), (CRITERIA_FILE, {"criterion"}), (COLUMNS_FILE, {"column"}))
    kinds = [(kind, next(key for key in data if key in keys)) for kind, keys in known if keys & set(data)]
    return kinds[0] if len(kinds) == 1 else (None, "")


_COMMA = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([+-]?\d+),(\d+)\s*(#.*)?$""")
_UNIT = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([+-]?\d+(?:\.\d+)?)\s*([^\W\d_%]+|%)\s*(#.*)?$""")
_WORD = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([^\W\d][^"'#=]*?)\s*(#.*)?$""")


def _mend(line: str) -> str:
    """What to write instead of a line that is not TOML."""
    if found := _COMMA.match(line):
        whole, places = found[2], found[3]
        return f"write {whole}.{places}, not {whole},{places}"
    if found := _UNIT.match(line):
        return f"write {found[1]} = {found[2]}, without the unit"
    if found := _WORD.match(line):
        return f'texts stand in quotes: {found[1]} = "{found[2]}"'
    return 'a line reads key = value; texts stand in "quotes", decimals use a point'


def line_of_key(text: str, key: str, occurrence: int = 0) -> int | None:
    """Line (from 1) on which ``key`` is set in a TOML text, or None. ``occurrence`` counts from 0."""
    pattern = re.compile(rf"""^\s*\[*\s*["']?{re.escape(key)}["']?\s*(=|\]|\.)""", re.MULTILINE)
    for index, match in enumerate(pattern.finditer(text)):
        if index == occurrence:
            return text.count("\n", 0, match.start() + len(match[0]) - len(match[0].lstrip())) + 1
    return None
