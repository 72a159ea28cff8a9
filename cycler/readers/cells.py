"""What one cell of a log can hold: a number in some writing, a missing value, a time, or a word."""

from __future__ import annotations

import math
import re

MISSING_WORDS = frozenset(
    {
        "", "-", "--", "---", "----", "-----", "–", "—", "…", "...", "*", "**", "***", "?", "??", "???", "n/a",
        "na", "n.a.", "n.a", "#n/a", "#na", "nan", "-nan", "+nan", "1.#qnan", "-1.#ind", "1.#ind", "#num!",
        "#value!", "#div/0!", "#ref!", "nul", "null", "none", "nil", "<na>", "void", "inf", "+inf", "-inf",
        "infinity", "-infinity", "+infinity", "1.#inf", "-1.#inf", "ol", "0l", "o.l", "o.l.", ".ol", "ol.",
        "-ol", "-o.l", "over", "overload", "ovld", "ovfl", "ovr", "under", "err", "error", "fail", "open",
        "nc", "n.c.", "invalid", "bad", "missing", "no data", "nodata", "k.a.", "s/o",
    }
)  # fmt: skip
"""Words for 'no reading', in lower case. Common practice, no source."""

_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(?:\d+(?:,\d+)?|,\d+)(?:[eE][+-]?\d+)?")
_POINT_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[,' \u00a0\u202f’]\d{3})+(?:\.\d+)?")
_COMMA_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[.' \u00a0\u202f’]\d{3})+(?:,\d+)?")
_MARKS = re.compile(r"[' \u00a0\u202f’]")
_UNIT_TAIL = re.compile(r"^([+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)\s*([A-Za-zµμΩ°℃℉%]{1,4})$")
_TIME_LIKE = re.compile(
    r"^(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}\.?)?[ T,]*(?:\d{1,6}:\d{2}(?::\d{2})?(?:[.,:]\d+)?)?"
    r"\s*(?:[ap]\.?m\.?|Z|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-", "\ufe63": "-", "\uff0d": "-"})


def is_missing(text: str) -> bool:
    """True if the cell says 'no reading': a word for it, or nothing but marks."""
    text = text.strip().lower()
    return text in MISSING_WORDS or not text.strip("-*.?_#=~–—…+ ")


def number(text: str, decimal: str, grouped: bool = False) -> float | None:
    """Value of a cell written with this decimal mark, or None if it is not such a number.

    ``grouped`` also takes marks between thousands (1,234.5 or 1.234,5 or 1'234.5).
    """
    text = text.strip().translate(_MINUS)
    if text.startswith("'") or text.startswith("="):
        text = text[1:].strip().strip('"')
    if not text:
        return None
    pattern = _POINT if decimal == "." else _COMMA
    if pattern.fullmatch(text):
        plain = text.replace(",", ".") if decimal == "," else text
        return _finite(plain)
    if grouped:
        pattern = _POINT_GROUPED if decimal == "." else _COMMA_GROUPED
        if pattern.fullmatch(text):
            plain = _MARKS.sub("", text)
            plain = plain.replace(",", "") if decimal == "." else plain.replace(".", "").replace(",", ".")
            return _finite(plain)
    return None


def _finite(plain: str) -> float:
    value = float(plain)
    return value if math.isfinite(value) else math.nan


def split_unit(text: str) -> tuple[str, str] | None:
    """("3.30", "V") for a cell that carries its unit, else None."""
    found = _UNIT_TAIL.match(text.strip().translate(_MINUS))
    if not found or found[2].lower() in ("e",):
        return None
    return found[1], found[2]


def is_time_like(text: str) -> bool:
    """True for a date, a time of day, hh:mm:ss, or both together."""
    text = text.strip()
    marked = ":" in text or any(text.count(mark) == 2 for mark in "-/.")
    return marked and any(ch.isdecimal() for ch in text) and bool(_TIME_LIKE.match(text))


def is_number_like(text: str) -> bool:
    """True for a number in either decimal mark, with or without marks between thousands."""
    text = text.strip().translate(_MINUS)
    return bool(text) and (
        number(text, ".") is not None
        or number(text, ",") is not None
        or number(text, ".", True) is not None
        or number(text, ",", True) is not None
    )
