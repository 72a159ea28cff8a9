"""The forms in which things are kept in the register and come back: text, JSON, compressed logs. No SQL.

What comes back is checked: content that was cut short or changed is told as damage, never returned.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
import zlib
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cycler.database import damaged
from cycler.errors import InputError, quote
from cycler.pack import ID_MAX, Pack, pack_from_stored

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.readers.columnsfile import ColumnsFile

# Level 3 halves the time of the default and gives up about a tenth of the saving (measured on simulated logs).
_ZLIB_LEVEL = 3


def clean_text(text: str) -> str:
    """``text`` without what stands for bytes that are no text (in a file's name, or typed so), and zero bytes: no database server takes those."""
    return re.sub("[\0\ud800-\udfff]", "\N{REPLACEMENT CHARACTER}", text)


def kept_name(text: str, what: str) -> str:
    """An id or a label as it is kept: on one line, of at most ``ID_MAX`` characters; may be empty."""
    zero, text = "\0" in text, clean_text(text).strip()
    if zero or not text.isprintable() or len(text) > ID_MAX:
        raise InputError(
            f"the {what} is not a name on one line", what, f"found {quote(text)}, {len(text)} characters",
            f"at most {ID_MAX} printable characters",
        )
    return text


TEXT_MAX = 2000
"""Most characters of a text that somebody wrote."""


def kept_text(text: str, what: str) -> str:
    """A text as it is kept, on any number of lines, of at most ``TEXT_MAX`` characters; may be empty."""
    zero, text = "\0" in text, clean_text(text).replace("\r\n", "\n").strip()
    if zero or len(text) > TEXT_MAX or not "".join(text.split()).isprintable():
        raise InputError(
            f"the {what} cannot be kept", what, f"found {quote(text)}, {len(text)} characters",
            f"at most {TEXT_MAX} printable characters",
        )
    return text


REMARK_MAX = 500
"""Most characters of the remark of the person who decided."""
_NO_TEXT = ("Cc", "Cs", "Co", "Cn")
_TURNS = re.compile("[\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069\ufff9-\ufffb]")
"""Characters that turn the direction of what stands around them, or hide it: a name could pass for another."""


def kept_decision(by: str | None, remark: str | None = None) -> dict[str, str | None] | None:
    """Who decided and what they remarked, as it travels in a verdict (``decided``); None where neither was said.

    The name is on one line, of at most ``ID_MAX`` characters; the remark may have several and at most ``REMARK_MAX`` characters.

    Raises
    ------
    InputError
        Too long, or with characters that are no text.
    """
    name = _plain_words(" ".join((by or "").split()), "name of the person who decides", ID_MAX)
    words = _plain_words((remark or "").replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ").strip(), "remark", REMARK_MAX)
    return {"by": name or None, "remark": words or None} if name or words else None


def _plain_words(words: str, what: str, most: int) -> str:
    """``words`` if they are text of at most ``most`` characters. InputError else."""
    wrong = next((ch for ch in words if ch != "\n" and (unicodedata.category(ch) in _NO_TEXT or _TURNS.match(ch))), None)
    if wrong is not None:
        raise InputError(
            f"the {what} holds a character that is no text", what, f"U+{ord(wrong):04X} in {quote(words)}", "type it again without that character",
        )
    if len(words) > most:
        raise InputError(f"the {what} is too long", what, f"it has {len(words)} characters", f"at most {most} characters")
    return words


def as_json(value: Any) -> str:
    """``value`` as compact JSON. ValueError if it holds a NaN."""
    return clean_text(json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")))


def wrong_digest(name: str, what: str) -> InputError:
    """The error for bytes that are no longer those that were kept."""
    return damaged(name, f"{what} does not agree with its digest")


def stored_json(text: str, what: str, name: str) -> dict[str, Any]:
    """An object that was kept as JSON. InputError if it was cut short or is none."""
    try:
        value = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        value = None
    if not isinstance(value, dict):
        raise damaged(name, f"the {what} cannot be read")
    return value


def stored_criteria(text: str, sha256: str, name: str) -> Criteria:
    """The set of criteria that a verdict was kept with. InputError if it is damaged."""
    from cycler.criteria import criteria_from_text

    try:
        return criteria_from_text(text, sha256, "criteria kept with the verdict")
    except (InputError, TypeError, ValueError, AttributeError):
        raise damaged(name, f"the criteria {sha256[:12]} kept with a verdict cannot be read") from None


def stored_pack(text: str, run_id: int, name: str) -> Pack:
    """A pack as it was kept, whatever the checks of a pack file would say to it today. InputError if it is damaged."""
    what = f"pack of run {run_id}"
    try:
        return pack_from_stored(stored_json(text, what, name))
    except (TypeError, ValueError, AttributeError):
        raise damaged(name, f"the {what} cannot be read") from None


def columns_to_text(columns: ColumnsFile | Sequence[ColumnsFile | None]) -> str:
    """What a columns file said, or that of each part of a test, as JSON, for ``columns_text``."""
    from cycler.readers.columnsfile import ColumnsFile

    if isinstance(columns, ColumnsFile):
        return as_json(asdict(columns))
    return as_json([asdict(own) if own is not None else None for own in columns])


def columns_from_text(text: str) -> ColumnsFile | tuple[ColumnsFile | None, ...]:
    """What :func:`columns_to_text` was given."""
    values = json.loads(text)
    if isinstance(values, list):
        return tuple(_columns_file(own) if own is not None else None for own in values)
    return _columns_file(values)


def _columns_file(values: dict[str, Any]) -> ColumnsFile:
    from cycler.readers.columnsfile import ColumnRule, ColumnsFile

    rules = tuple(ColumnRule(**rule) for rule in values.pop("columns"))
    return ColumnsFile(**values, columns=rules)


class StoredLog:
    """A log file made ready for the register."""

    __slots__ = ("name", "packed", "sha256", "size")

    def __init__(self, name: str, raw: bytes) -> None:
        self.name = name
        self.size = len(raw)
        self.sha256 = hashlib.sha256(raw).hexdigest()
        self.packed = zlib.compress(raw, _ZLIB_LEVEL)


def unpacked(packed: bytes, sha256: str, name: str) -> bytes:
    """The bytes of a log. InputError if they do not agree with their digest."""
    try:
        raw = zlib.decompress(packed)
    except (zlib.error, TypeError):
        raw = None
    if raw is None or hashlib.sha256(raw).hexdigest() != sha256:
        raise wrong_digest(name, f"the log {sha256[:12]}")
    return raw
