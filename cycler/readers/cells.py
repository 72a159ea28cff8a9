"""What one cell of a log can hold: a number in some writing, a missing value, a time, or a word."""

from __future__ import annotations

import math
import re
import unicodedata
from functools import lru_cache

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

_MONTHS = (
    "january januar janvier enero gennaio januari", "february februar fevrier febrero febbraio februari",
    "march marz maerz mrz mars marzo maart mrt", "april avril abril aprile", "may mai mayo maggio mei",
    "june juni juin junio giugno", "july juli juillet julio luglio", "august aout agosto augustus",
    "september septembre septiembre settembre", "october oktober octobre octubre ottobre",
    "november novembre noviembre", "december dezember decembre diciembre dicembre",
)
"""Names of the months in six languages, without accents; their first three letters and more are understood."""

LONGEST_NUMBER = 400
"""No number that a log can hold has more characters; longer cells are no numbers."""

# The cells of a log repeat, and its first rows are asked about many times.
_REMEMBERED = 1 << 14

_DIGIT = re.compile(r"\d")
_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(?:\d+(?:,\d+)?|,\d+)(?:[eEdD][+-]?\d+)?")
_POINT_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[,' \u00a0\u202f’]\d{3})+(?:\.\d+)?")
_COMMA_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[.' \u00a0\u202f’]\d{3})+(?:,\d+)?")
_MARKS = re.compile(r"[' \u00a0\u202f’]")
_UNIT_TAIL = re.compile(r"^([+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)\s*([A-Za-zµμΩ°℃℉%]{1,4})$")
# A sign set off from its number, behind it, or brackets for minus, as accountants write it.
_ODD_SIGN = re.compile(r"^(?:([+-])\s+([\d.,][^+-]*)|([\d.,]+)([+-])|\(([\d.,]+)\))$")
_CLOCK = r"\d{1,6}:\d{2}(?::\d{2})?(?:[.,:]\d+)?"
_TIME_LIKE = re.compile(
    rf"^(?:(?:\d{{1,4}}[-./]\d{{1,2}}[-./]\d{{1,4}}\.?)?[ T,]*(?:{_CLOCK})?|\d{{1,4}}\s*(?:d|days?|tage?|j|g)?[ .,:T]+{_CLOCK})"
    r"\s*(?:[ap]\.?\s?m\.?)?\s*(?:Z|[A-Z]{3,5}|(?:UTC|GMT)?[+-]\d{2}(?::?\d{2})?)?$",
    re.IGNORECASE,
)
_DURATION = re.compile(
    r"^(?:\d{1,4}\s*d(?:ays?)?\s*)?(?:\d{1,5}\s*h(?:rs?|ours?)?\s*\d{1,2}|\d{1,5})\s*(?:m|min|['\u2032])\s*"
    r"\d{1,2}(?:[.,]\d+)?\s*(?:s|sec|sek|[\"\u2033]|'')$",
    re.IGNORECASE,
)
_COMPACT = re.compile(r"^\d{8}T\d{6}(?:[.,]\d+)?Z?$")
_MONTH_NAMED = re.compile(
    r"^(?:[^\W\d_]{2,10}[.,]?\s+)?(?:\d{1,2}[-. /]*(?P<a>[^\W\d_]{3,10})\.?|(?P<b>[^\W\d_]{3,10})\.?[-. /]*\d{1,2})"
    rf"[-. ,/]+(?:\d{{2,4}}[ T,]*)?(?:{_CLOCK})?\s*(?:[ap]\.?\s?m\.?)?\s*(?:Z|[A-Z]{{3,5}}|[+-]\d{{2}}:?\d{{2}})?(?:\s*\d{{4}})?$",
    re.IGNORECASE,
)
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-", "\ufe63": "-", "\uff0d": "-"})


@lru_cache(_REMEMBERED)
def is_missing(text: str) -> bool:
    """True if the cell says 'no reading': a word for it, or nothing but marks."""
    if len(text) > LONGEST_NUMBER:
        return False
    text = text.strip().lower()
    return text in MISSING_WORDS or not text.strip("-*.?_#=~–—…+ ")


@lru_cache(_REMEMBERED)
def number(text: str, decimal: str, grouped: bool = False) -> float | None:
    """Value of a cell written with this decimal mark, or None if it is not such a number.

    ``grouped`` also takes marks between thousands (1,234.5 or 1.234,5 or 1'234.5).
    """
    if len(text) > LONGEST_NUMBER or not _DIGIT.search(text):
        return None
    text = text.strip().translate(_MINUS)
    if text.startswith("'") or text.startswith("="):
        text = text[1:].strip().strip('"')
    if not text:
        return None
    pattern = _POINT if decimal == "." else _COMMA
    if pattern.fullmatch(text):
        plain = text.replace(",", ".") if decimal == "," else text
        return _finite(plain)
    odd = _ODD_SIGN.match(text)
    if odd:
        minus = odd[1] == "-" or odd[4] == "-" or odd[5] is not None
        value = number(odd[2] or odd[3] or odd[5], decimal, grouped)
        return -value if minus and value is not None else value
    if grouped:
        pattern = _POINT_GROUPED if decimal == "." else _COMMA_GROUPED
        if pattern.fullmatch(text):
            plain = _MARKS.sub("", text)
            plain = plain.replace(",", "") if decimal == "." else plain.replace(".", "").replace(",", ".")
            return _finite(plain)
    return None


def _finite(plain: str) -> float:
    value = float(plain.replace("d", "e").replace("D", "e"))
    return value if math.isfinite(value) else math.nan


@lru_cache(_REMEMBERED)
def split_unit(text: str) -> tuple[str, str] | None:
    """("3.30", "V") for a cell that carries its unit, else None."""
    if len(text) > 60:
        return None
    found = _UNIT_TAIL.match(text.strip().translate(_MINUS))
    if not found or found[2].lower() in ("e",):
        return None
    return found[1], found[2]


@lru_cache(_REMEMBERED)
def is_time_like(text: str) -> bool:
    """True for a date, a time of day, hh:mm:ss, 12m33s, or a date and a time together."""
    if len(text) > 60 or not _DIGIT.search(text):
        return False
    text = text.strip()
    marked = ":" in text or any(text.count(mark) == 2 for mark in "-/.")
    if (marked and _TIME_LIKE.match(text)) or _DURATION.match(text) or _COMPACT.match(text):
        return True
    named = _MONTH_NAMED.match(text)
    return named is not None and month_of(named["a"] or named["b"]) is not None


@lru_cache(maxsize=256)
def month_of(word: str) -> int | None:
    """1 to 12 for the name of a month or its first three letters and more in any of the six languages, else None."""
    plain = "".join(ch for ch in unicodedata.normalize("NFKD", word.lower()) if not unicodedata.combining(ch))
    if len(plain) < 3:
        return None
    found = {number for number, names in enumerate(_MONTHS, 1) if any(name.startswith(plain) for name in names.split())}
    return found.pop() if len(found) == 1 else None


@lru_cache(_REMEMBERED)
def is_number_like(text: str) -> bool:
    """True for a number in either decimal mark, with or without marks between thousands."""
    if len(text) > LONGEST_NUMBER or not _DIGIT.search(text):
        return False
    text = text.strip().translate(_MINUS)
    return bool(text) and (
        number(text, ".") is not None
        or number(text, ",") is not None
        or number(text, ".", True) is not None
        or number(text, ",", True) is not None
    )
