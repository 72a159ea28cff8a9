"""TOML files with line numbers in the error messages."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from cycler.errors import InputError, Location, quote

PACK_FILE, CRITERIA_FILE, COLUMNS_FILE, INSTRUMENT_FILE = "pack file", "criteria file", "columns file", "instrument file"
_OPTION = {PACK_FILE: "--pack", CRITERIA_FILE: "--criteria", COLUMNS_FILE: "--columns", INSTRUMENT_FILE: "--instrument"}
_LOG_SUFFIXES = {".csv", ".tsv"}
BYTES_MAX = 1_000_000
"""Most bytes of a TOML file. Those of this program hold a few kB; ten megabytes would be read for half a minute."""
_PACK_KEYS = {
    "chemistry", "series", "parallel", "rated_capacity_ah", "rated_energy_wh", "charge_voltage_v", "cutoff_voltage_v",
    "group_charge_voltage_v", "group_cutoff_voltage_v", "taper_current_a", "instrument", "correction",
}
_INSTRUMENT_KEYS = {
    "voltage", "group_voltage", "current", "temperature", "voltage_gain", "voltage_offset_v", "group_voltage_gain",
    "group_voltage_offset_v", "current_gain", "current_offset_a", "temperature_offset_c", "clock_gain", "sense",
}


def load_toml(path: str | Path, kind: str) -> tuple[dict[str, Any], str]:
    """Parsed content and text of a TOML file. ``kind`` names it in messages ("pack file").

    Raises
    ------
    InputError
        File missing, a folder, unreadable, a table of readings, not UTF-8, not TOML (quotes the line), or plainly one
        of the other kinds of file that this program takes.
    """
    return parse_toml(read_bytes(path, kind), str(path), kind)


def read_bytes(path: str | Path, kind: str) -> bytes:
    """Raw bytes of a file that should be a ``kind``. InputError as for :func:`load_toml`."""
    path = Path(path)
    where = Location(str(path))
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"no such {kind}", where, "the file does not exist", "check the name and folder") from None
    except IsADirectoryError:
        raise InputError(f"the {kind} is a folder", where, "a file is needed", "name the .toml file in it") from None
    except OSError as error:
        raise InputError(
            f"cannot read the {kind}", where, error.strerror or "read error", "check the name and the permissions",
        ) from None
    except ValueError:  # what the system takes for no name at all: a zero byte in it
        raise InputError(f"no such {kind}", quote(path), "no file can have this name", "check the name") from None


def parse_toml(raw: bytes, name: str, kind: str) -> tuple[dict[str, Any], str]:
    """The same for bytes already read; ``name`` stands in messages. See :func:`load_toml`."""
    where = Location(name)
    if Path(name).suffix.lower() in _LOG_SUFFIXES or _looks_like_a_log(raw):
        raise InputError(
            f"this is a log, not {_an(kind)}", where, "its name or its lines are those of a table of readings",
            f"name the log as such: cycler analyze LOG {_OPTION.get(kind, '')} FILE.toml",
        )
    if len(raw) > BYTES_MAX:
        raise InputError(
            f"the file is too large for {_an(kind)}", where, f"it has {len(raw) / 1e6:.1f} MB, {_an(kind)} a few kB", f"name the {kind}; what is longer than {BYTES_MAX / 1e6:g} MB is none",
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
    except RecursionError:
        raise _too_deep(where, kind) from None
    except ValueError:  # more digits than Python converts
        raise _too_large(text, name, kind) from None
    try:
        large = _holds_large_number(data)
    except RecursionError:  # a key of thousands of dots nests as deeply as brackets do
        raise _too_deep(where, kind) from None
    if large:
        raise _too_large(text, name, kind)
    other, key = _kind_of(data)
    if other and kind in _OPTION and other != kind and not (kind == INSTRUMENT_FILE and set(data) == {"instrument"}):
        raise InputError(
            f"this is {_an(other)}, not {_an(kind)}", Location(name, line_of_key(text, key)), f"it sets {quote(key)}",
            f"give it with {_OPTION[other]}, and the {kind} with {_OPTION[kind]}",
        )
    return data, text


_LARGEST = 2**63 - 1
"""Largest whole number that TOML asks every reader to take (TOML v1.0.0, Integer: 64 bits, signed; from memory)."""

_QUOTED_OR_REMARK = re.compile(r"""'[^']*'|"(?:[^"\\]|\\.)*"|\#.*""")
# 19 digits may be more than 64 bits hold; in base 16, 8 and 2 the like is 16, 21 and 64 digits.
_LONG_NUMBER = re.compile(r"(?<![\w.])[+-]?(0x[\da-fA-F_]{16,}|0o[0-7_]{21,}|0b[01_]{64,}|\d[\d_]{18,})(?![\w.])")


def _holds_large_number(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_holds_large_number, value.values()))
    if isinstance(value, list):
        return any(map(_holds_large_number, value))
    return isinstance(value, int) and not -_LARGEST - 1 <= value <= _LARGEST


def _too_deep(where: Location, kind: str) -> InputError:
    return InputError(f"the {kind} cannot be read", where, "its brackets are nested too deeply", "write one value per key, without lists in lists")


def _too_large(text: str, name: str, kind: str) -> InputError:
    for place, line in enumerate(text.splitlines(), 1):
        found = _LONG_NUMBER.search(_QUOTED_OR_REMARK.sub('""', line))
        if found:
            return InputError(
                f"a number in the {kind} is too large", Location(name, place),
                f"found {quote(found[0])}, {len(found[0])} characters", "correct it; a name made of digits stands in quotes",
            )
    return InputError(f"a number in the {kind} is too large", Location(name), "it has more than 64 bits", "correct it")


def _looks_like_a_log(raw: bytes) -> bool:
    """Whether the first lines are rows of a table: one delimiter alike in all of them, and no key = value."""
    head = raw[:4000].lstrip(b"\xef\xbb\xbf").decode("latin-1").splitlines()[:6]
    rows = [line for line in (head[:-1] if len(raw) > 4000 else head) if line.strip() and not line.startswith("#")][:4]
    if len(rows) < 2 or any("=" in line or line.lstrip().startswith("[") for line in rows):
        return False
    return any(rows[0].count(mark) > 0 and len({line.count(mark) for line in rows}) == 1 for mark in ";\t,")


def _an(kind: str) -> str:
    return f"{'an' if kind == INSTRUMENT_FILE else 'a'} {kind}"


def _kind_of(data: dict[str, Any]) -> tuple[str | None, str]:
    """Which of our files this is, and the key that shows it; None if that is not plain."""
    known = (
        (PACK_FILE, _PACK_KEYS), (CRITERIA_FILE, {"criterion"}), (COLUMNS_FILE, {"column"}), (INSTRUMENT_FILE, _INSTRUMENT_KEYS),
    )
    kinds = [(kind, next(key for key in data if key in keys)) for kind, keys in known if keys & set(data)]
    return kinds[0] if len(kinds) == 1 else (None, "")


_SHEET = re.compile(r"""^\s*(?:group_)?(?:voltage|current|temperature|clock)\s*=\s*[^"'#\s][^"'#]*?\s*(#.*)?$""")
_COMMA = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([+-]?\d+),(\d+)\s*(#.*)?$""")
_UNIT = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([+-]?\d+(?:\.\d+)?)\s*([^\W\d_%]+|%)\s*(#.*)?$""")
_YES_NO = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*(yes|no|on|off|true|false|ja|nein)\s*(#.*)?$""", re.IGNORECASE)
_WORD = re.compile(r"""^\s*([\w"'.-]+)\s*=\s*([^\W\d][^"'#=]*?)\s*(#.*)?$""")


_LONGEST_LINE = 200
_GENERAL = 'a line reads key = value; texts stand in "quotes", decimals use a point'


def _mend(line: str) -> str:
    """What to write instead of a line that is not TOML."""
    if len(line) > _LONGEST_LINE:
        return _GENERAL
    if _SHEET.match(line):
        key, value = (part.strip() for part in line.split("#")[0].split("=", 1))
        return f'texts stand in quotes: {key} = "{value}"'
    if found := _COMMA.match(line):
        whole, places = found[2], found[3]
        return f"write {whole}.{places}, not {whole},{places}"
    if found := _UNIT.match(line):
        return f"write {found[1]} = {found[2]}, without the unit"
    if found := _YES_NO.match(line):
        return f"write {found[1]} = {'true' if found[2].lower() in ('yes', 'on', 'true', 'ja') else 'false'}"
    if found := _WORD.match(line):
        return f'texts stand in quotes: {found[1]} = "{found[2]}"'
    return _GENERAL


def line_of_key(text: str, key: str, occurrence: int = 0) -> int | None:
    """Line (from 1) on which ``key`` is set in a TOML text, or None. ``occurrence`` counts from 0."""
    pattern = re.compile(rf"""^\s*\[*\s*["']?{re.escape(key)}["']?\s*(=|\]|\.)""", re.MULTILINE)
    for index, match in enumerate(pattern.finditer(text)):
        if index == occurrence:
            return text.count("\n", 0, match.start() + len(match[0]) - len(match[0].lstrip())) + 1
    return None


_HEADER = re.compile(r"^\s*(\[{1,2})\s*([^\[\]#]+?)\s*\]{1,2}\s*(?:#.*)?$")


def only_table(text: str, table: str, occurrence: int = 0) -> str:
    """The text with every line blanked that is not of a table (or of the so-many-th of a list of tables), so that line numbers stay."""
    kept, inside, seen = [], False, -1
    for line in text.splitlines():
        if found := _HEADER.match(line):
            header = re.sub(r"[\s\"']", "", found[2])
            if header == table and (found[1] == "[[" or seen < 0):
                seen += 1
            inside = (header == table or header.startswith(f"{table}.")) and seen == occurrence
        kept.append(line if inside else "")
    return "\n".join(kept)


ID_MAX = 200
"""Characters of a name at most."""


def refuse_key(key: str, known: list[str], where: Location, more: Sequence[tuple[str, Location]] = ()) -> NoReturn:
    """InputError for a key that is not one of ``known``; near ones are offered. ``more`` are further keys of the file that are none, told in the same message."""
    near = near_keys(key, known)
    if not more:
        hint = f"did you mean {' or '.join(near)}?" if near else f"known keys: {', '.join(known)}"
        raise InputError(f"unknown key {quote(key)}", where, "a mistyped key would be ignored silently", hint)
    unknown = [(key, where), *more]
    meant = [f"{quote(one)}{f' (line {at.line})' if at.line else ''}: {' or '.join(near_keys(one, known)) or 'nothing like it'}" for one, at in unknown[:UNKNOWN_MAX]]
    rest = "; and so on" if len(unknown) > UNKNOWN_MAX else ""
    raise InputError(
        f"{len(unknown)} unknown keys, the first is {quote(key)}", where, "a mistyped key would be ignored silently", f"did you mean: {'; '.join(meant)}{rest}",
    )


UNKNOWN_MAX = 12
"""Unknown keys that one message names at most."""


def near_keys(key: str, known: Sequence[str]) -> list[str]:
    """At most two of the ``known`` keys that may be meant by another one, the nearest first."""
    words = set(key.split("_"))
    parts = {name: set(name.split("_")) for name in known}
    # Two whole words in common, of which the unit is one, tell more than letters: discharge_cutoff_v is no max_discharge_current_a.
    # Of names that share as many, the one that adds fewest of its own comes first; a word that was only mistyped is none of its own.
    def meant(word: str) -> bool:
        return bool(difflib.get_close_matches(word, words, 1, 0.85))

    near = sorted(
        (name for name in known if len(words & parts[name]) > 1),
        key=lambda name: (-len(words & parts[name]), len([word for word in parts[name] - words if not meant(word)]), -difflib.SequenceMatcher(None, key, name).ratio()),
    )[:2]
    return near or difflib.get_close_matches(key, known, n=2, cutoff=0.6)


def checked_word(key: str, value: Any, where: Location, example: str = "", only_text: bool = False) -> str:
    """A name on one line; a whole number counts as one unless ``only_text``. InputError otherwise."""
    kinds = (str,) if only_text else (str, int)
    text = str(value).strip() if isinstance(value, kinds) and not isinstance(value, bool) else ""
    if not text:
        raise InputError(f"{key} is not a text", where, f"found {quote(value)}", "write " + (example or f'{key} = "EB-0412"'))
    if not text.isprintable() or len(text) > ID_MAX:
        raise InputError(
            f"{key} is not a name on one line", where, f"found {quote(value)}, {len(text)} characters",
            f"at most {ID_MAX} printable characters",
        )
    return text


def checked_number(key: str, value: Any, where: Location) -> float:
    """A finite number. InputError otherwise."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not -1e300 < value < 1e300:
        raise InputError(f"{key} is not a number", where, f"found {quote(value)}", f"write {key} = 1.23, without a unit")
    return float(value)


def kept_names(names: Any, known: tuple[str, ...]) -> tuple[str, ...]:
    """The names of ``known`` in a list that came back from where it was kept; nothing else that stands there is believed."""
    return tuple(name for name in names if name in known) if isinstance(names, (list, tuple)) else ()


def toml_key(key: str) -> str:
    """A key, in quotes where it must be."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else toml_value(key)


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def toml_value(value: Any) -> str:
    """A number, text or flat list as TOML 1.0 writes it."""
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    marks = ("\N{REPLACEMENT CHARACTER}" if "\ud800" <= ch <= "\udfff" else ch for ch in str(value))
    return '"' + "".join(_ESCAPES.get(ch) or (f"\\u{ord(ch):04X}" if ord(ch) < 32 or ord(ch) == 127 else ch) for ch in marks) + '"'
