"""Texts of time to seconds: hh:mm:ss beyond 24 h, ISO 8601, day-first and month-first dates, AM and PM.

A column is parsed by its few different layouts, each for all rows at once. ISO 8601 forms are read with
point or comma before the fraction and with Z or an offset; other layouts are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from cycler.readers.cells import month_of

_MONTH_NAME = re.compile(r"[^\W\d_]{3,}\.?")
_LONGEST_STAMP = 60
_WEEKDAY = re.compile(r"^\s*[^\W\d_]{2,10}[.,]?\s+")


@dataclass(frozen=True, slots=True)
class Stamps:
    """Parsed texts. ``seconds`` is NaN where a cell could not be read.

    ``has_date``: seconds since 1970-01-01 as written (UTC if ``utc``); otherwise a time of day or an elapsed time.
    ``date_only``: the cells hold a date without a time. ``ambiguous``: day and month could be swapped.
    ``minute_second``: all stamps have two parts ("12:30"), read as hours and minutes; they may be minutes and seconds.
    """

    seconds: np.ndarray
    has_date: bool
    date_only: bool = False
    utc: bool = False
    ambiguous: bool = False
    order: str = ""
    minute_second: bool = False


def parse_stamps(texts: np.ndarray, order: str | None = None) -> Stamps:
    """Seconds of a column of times.

    Parameters
    ----------
    texts : ndarray of object, shape (n,)
        Cells as written; empty = none.
    order : str, optional
        "day_first", "month_first" or "year_first" where a columns file states it.
    """
    # A huge field among the times would make every cell of the array as wide.
    cells = np.array([text if len(text) <= _LONGEST_STAMP else "" for text in map(str, texts)], dtype=object)
    n = cells.shape[0]
    try:
        raw = np.char.strip(cells.astype("S"))
    except (UnicodeEncodeError, ValueError):
        raw = np.char.strip(np.array([_ascii(cell) for cell in cells], dtype="S"))
    if raw.dtype.itemsize == 0:
        return Stamps(np.full(n, np.nan), False)
    grid = raw.view(np.uint8).reshape(n, raw.dtype.itemsize)
    if ((grid >= 65) & (grid != 84)).any():
        raw = _months_to_numbers(raw)
        grid = raw.view(np.uint8).reshape(n, raw.dtype.itemsize)
    digit = (grid >= 48) & (grid <= 57)
    # "d" marks a digit in a layout, so the letter d (days) steps aside.
    grid = np.where(grid == 100, np.uint8(68), grid)
    shape = np.where(digit, np.uint8(100), grid)
    parts: list[tuple[np.ndarray, dict]] = []
    for rows, layout in _layouts(shape):
        fields = _fields_of(layout)
        if fields is not None:
            values = {}
            for key, start, stop in fields["spans"]:
                block = grid[rows, start:stop].astype(np.int64) - 48
                weights = 10 ** np.arange(stop - start - 1, -1, -1, dtype=np.int64)
                values[key] = block @ weights
            parts.append((rows, fields | {"values": values}))
    return _assemble(n, parts, order)


def _ascii(text: str) -> str:
    """ASCII form: odd blanks and minus signs replaced, month names kept to their first three letters."""
    import unicodedata

    text = text.replace("\u202f", " ").replace("\u00a0", " ").replace("\u2212", "-").replace("\u2032", "'").replace("\u2033", "''")
    # Fractions and raised digits would turn into plain digits and make another time.
    kept = "".join(ch if ch.isascii() or ch.isalpha() or ch.isdecimal() or unicodedata.combining(ch) else "?" for ch in text)
    return unicodedata.normalize("NFKD", kept).encode("ascii", "ignore").decode()


def _months_to_numbers(raw: np.ndarray) -> np.ndarray:
    uniques, inverse = np.unique(raw, return_inverse=True)
    out = []
    for item in uniques:
        text = item.decode("ascii", "replace")

        def swap(found: re.Match) -> str:
            number = month_of(found[0].strip("."))
            return f"{number:02d}@" if number else found[0]

        named = _MONTH_NAME.sub(swap, text)
        # "Mon, 09 Mar ...": the day of the week goes.
        out.append((_WEEKDAY.sub("", named) if "@" in named else named).encode())
    return np.array(out, dtype="S")[inverse]


def _layouts(shape: np.ndarray):
    """Groups of rows that share one layout (digits as "d")."""
    n = shape.shape[0]
    left = np.arange(n)
    for _ in range(400):
        if not left.size:
            return
        same = np.all(shape[left] == shape[left[0]], axis=1)
        yield left[same], bytes(shape[left[0]]).rstrip(b"\x00").decode("latin-1")
        left = left[~same]


_CLOCK = r"(?P<h>d{1,6}):(?P<m>dd?)(?::(?P<s>dd?)(?:[.,:](?P<f>d{1,9}))?)?"
_HALF = r"\s*(?P<ap>[AaPp]\.?\s?[Mm]\.?)?"
# Names of zones (CET, CEST) say nothing that a table of them would not have to; a change of them is a jump of the clock.
_ZONE = r"\s*(?P<z>Z|z|UTC|GMT)?(?:[A-Z]{3,5})?\s*(?P<off>(?P<os>[+-])(?P<oh>dd):?(?P<om>dd)?)?\s*$"
_SHAPES = [
    re.compile(r"^\s*(?:(?P<Y>dddd)[-./](?P<M>dd?)[-./](?P<D>dd?))(?:[T ,]+" + _CLOCK + r")?" + _HALF + _ZONE),
    re.compile(r"^\s*(?:(?P<a>dd?)(?P<sep>[-./])(?P<b>dd?)[-./](?P<c>dddd|dd))\.?(?:[T ,]+" + _CLOCK + r")?" + _HALF + _ZONE),
    re.compile(r"^\s*(?:(?P<D>dd?)[-. /]*(?P<M>dd)@[-. ,/]*(?P<Y>dddd|dd))(?:[T ,]+" + _CLOCK + r")?" + _HALF + _ZONE),
    re.compile(r"^\s*(?:(?P<M>dd)@[-. /]*(?P<D>dd?)[-. ,/]+(?P<Y>dddd))(?:[T ,]+" + _CLOCK + r")?" + _HALF + _ZONE),
    re.compile(r"^\s*(?P<M>dd)@\s*(?P<D>dd?)[ ,]+" + _CLOCK + r"\s*(?:(?P<z>Z|UTC|GMT)|[A-Z]{3,5})?\s+(?P<Y>dddd)\s*$"),
    re.compile(
        r"^\s*(?:(?P<days>d{1,4})\s*(?:D|Day|Days|Tage?|T|j|g)?[ .,:T]+\s*)(?P<h>dd?):(?P<m>dd):(?P<s>dd)(?:[.,](?P<f>d{1,9}))?\s*$"
    ),
    re.compile(r"^\s*" + _CLOCK + _HALF + r"\s*h?\s*$"),
    re.compile(r"^\s*(?P<m>d{1,5}):(?P<s>dd)[.,](?P<f>d{1,9})\s*$"),
    re.compile(r"^\s*(?P<Y>dddd)(?P<M>dd)(?P<D>dd)T(?P<h>dd)(?P<m>dd)(?P<s>dd)(?:[.,](?P<f>d{1,9}))?(?P<z>Z)?\s*$"),
    re.compile(r"^\s*(?P<h>d{1,5})\s*h\s*(?P<m>dd?)\s*(?:m|min)?\s*(?:(?P<s>dd?)(?:[.,](?P<f>d{1,9}))?\s*s?)?\s*$"),
    re.compile(
        r"^\s*(?:(?P<days>d{1,4})\s*D(?:ays?)?\s*)?(?:(?P<h>d{1,5})\s*[hH](?:rs?|ours?)?\s*)?(?P<m>d{1,5})\s*(?:[mM]|[mM]in|')\s*"
        r"(?P<s>dd?)(?:[.,](?P<f>d{1,9}))?\s*(?:[sS]|[sS]ec|[sS]ek|\"|'')\s*$"
    ),
]


def _fields_of(layout: str) -> dict | None:
    for place, pattern in enumerate(_SHAPES):
        found = pattern.match(layout)
        if not found:
            continue
        names = found.groupdict()
        spans = [
            (key, *found.span(key))
            for key in ("Y", "M", "D", "a", "b", "c", "days", "h", "m", "s", "f", "oh", "om")
            if names.get(key)
        ]
        half = names.get("ap")
        return {
            "spans": spans, "keys": {key for key, *_ in spans}, "half": half[0].lower() if half else None,
            "zone": bool(names.get("z") or names.get("off")), "offset_sign": -1 if names.get("os") == "-" else 1,
            "fraction": len(names.get("f") or ""), "sep": names.get("sep"), "place": place,
        }
    return None


def _days(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Days since 1970-01-01; NaN for a date that does not exist."""
    year = np.where(year < 100, year + np.where(year < 70, 2000, 1900), year)
    good = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1900) & (year <= 2200)
    safe_year, safe_month = np.where(good, year, 2000), np.where(good, month, 1)
    months = (safe_year - 1970) * 12 + safe_month - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    length = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) - first
    return np.where(good & (day <= length), (first + day - 1).astype(float), np.nan)


def _order_of(parts: list[tuple[np.ndarray, dict]], n: int) -> tuple[str, bool]:
    """Which of three numbers is the day: proven by a number above 12, by the point, or by the run of the dates."""
    first = np.full(n, -1)
    second = np.full(n, -1)
    third = np.full(n, -1)
    four_digits = False
    separators = set()
    halves = False
    for rows, item in parts:
        if "a" in item["keys"]:
            first[rows], second[rows], third[rows] = (item["values"][key] for key in "abc")
            four_digits |= any(key == "c" and stop - start == 4 for key, start, stop in item["spans"])
            separators.add(item["sep"])
            halves |= item["half"] is not None
    seen = first >= 0
    if not seen.any():
        return "", False
    a, b, c = first[seen], second[seen], third[seen]
    if separators == {"."} and not four_digits and not any("m" in item["keys"] for _, item in parts) and _is_dotted_clock(a, b, c):
        return "clock", False
    if not four_digits and a.max() > 31:
        return "year_first", False
    if a.max() > 12 and (four_digits or c.max() > 12 or b.max() <= 12):
        if not four_digits and a.min() == a.max() and b.max() <= 12 and c.max() <= 31 and c.min() != c.max():
            return "year_first", True
        return "day_first", False
    if b.max() > 12:
        return "month_first", False
    if separators == {"."}:
        return "day_first", False
    # 03/04 then 04/04: the number that moves by one a day is the day.
    moves_a, moves_b = int((np.diff(a) != 0).sum()), int((np.diff(b) != 0).sum())
    if moves_a > moves_b and np.all(np.abs(np.diff(a)) <= 1):
        return "day_first", False
    if moves_b > moves_a and np.all(np.abs(np.diff(b)) <= 1):
        return "month_first", False
    return ("month_first" if halves else "day_first"), bool(np.any(a != b))


def _is_dotted_clock(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> bool:
    """True if "08.15.30" is a time of day: no date has such numbers, or the last changes from row to row."""
    if b.max() > 59 or c.max() > 59:
        return False
    no_date = a.min() == 0 or b.min() == 0 or b.max() > 12 or a.max() > 31
    return bool(no_date or (c.size > 2 and np.mean(np.diff(c) != 0) > 0.3))


def _falls(seconds: np.ndarray) -> int:
    return int((np.diff(seconds[np.isfinite(seconds)]) < 0).sum())


def _assemble(n: int, parts: list[tuple[np.ndarray, dict]], order: str | None) -> Stamps:
    seconds = np.full(n, np.nan)
    dated = np.zeros(n, bool)
    clocked = np.zeros(n, bool)
    utc = bool(parts)
    found_order, ambiguous = (order, False) if order else _order_of(parts, n)
    two_fields = True
    short = np.zeros(n, bool)
    for rows, item in parts:
        values, keys = item["values"], item["keys"]
        total = np.zeros(rows.size)
        if "a" in keys and found_order == "clock":
            total = values["a"] * 3600.0 + values["b"] * 60.0 + values["c"]
            clocked[rows] = True
            two_fields = False
        elif "Y" in keys or "a" in keys:
            if "Y" in keys:
                triple = values["Y"], values["M"], values["D"]
            elif found_order == "month_first":
                triple = values["c"], values["a"], values["b"]
            elif found_order == "year_first":
                triple = values["a"], values["b"], values["c"]
            else:
                triple = values["c"], values["b"], values["a"]
            total = _days(*triple) * 86400.0
            dated[rows] = True
        if "days" in keys:
            total = total + values["days"] * 86400.0
        if "m" in keys:
            hours = values.get("h", np.zeros(rows.size, dtype=np.int64))
            if item["half"]:
                hours = np.where(hours == 12, 0, hours) + (12 if item["half"] == "p" else 0)
            clocked[rows] = True
            minutes = values["m"]
            whole = values.get("s", np.zeros(rows.size, dtype=np.int64))
            bad = (whole > 60) | ((minutes > 59) if "h" in keys else False)
            if "Y" in keys or "a" in keys:
                bad |= hours > 24
            total = total + hours * 3600.0 + minutes * 60.0 + whole
            if "f" in keys:
                total = total + values["f"] / 10.0 ** item["fraction"]
            total = np.where(bad, np.nan, total)
            two_fields &= "s" not in keys
            short[rows] = "s" not in keys
        if item["zone"]:
            if "oh" in keys:
                shift = values["oh"] * 3600.0 + values.get("om", 0) * 60.0
                total = total - item["offset_sign"] * shift
        else:
            utc = False
        seconds[rows] = total
    has_date = bool(dated.any())
    if has_date:
        seconds[~dated] = np.nan
    elif short.any() and not two_fields:
        # "59:59" and then "1:00:00": minutes and seconds until the first hour is full.
        minutes = np.where(short, seconds / 60.0, seconds)
        if _falls(minutes) < _falls(seconds):
            seconds = minutes
    return Stamps(
        seconds, has_date, has_date and not clocked.any(), utc and has_date, ambiguous, found_order or "",
        two_fields and not has_date and bool(parts),
    )
