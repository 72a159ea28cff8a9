"""Columns that are not plain numbers, read by their different writings: words, times, numbers with marks or units."""

from __future__ import annotations

import re

import numpy as np

from cycler.readers import cells
from cycler.readers.parse import NO_READING
from cycler.readers.rawcolumn import RawColumn
from cycler.units import parse_unit

_MANY = 1000
_FEW = 100_000
_PLAIN = {mark: rf"^-?\d{{1,15}}(?:{re.escape(mark)}\d{{1,15}})?$" for mark in ".,"}
_TRUE, _FALSE = {"True", "TRUE", "true"}, {"False", "FALSE", "false"}


def column_of_texts(array, column: RawColumn, decimal: str) -> RawColumn:
    """Fill a column from the pyarrow array of its texts, null where there is no reading."""
    from pyarrow import compute

    if array.null_count:
        array = array.fill_null("")
    step = max(1, len(array) // 300)
    peek = [word for word in (array[place].as_py() for place in range(0, len(array), step)) if not cells.is_missing(word)]
    if peek and sum(map(cells.is_time_like, peek)) > 0.5 * len(peek):
        column.kind, column.texts = "time", _as_objects(compute.utf8_ltrim(array, " \t"))
        return column
    return by_words(*_codes_and_words(array), column, decimal)


def factorized(texts: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """For every text which of the different ones it is, and these in the order in which they come first."""
    import pyarrow

    return _codes_and_words(pyarrow.array(texts, pyarrow.large_string()))


def _codes_and_words(array) -> tuple[np.ndarray, list[str]]:
    encoded = array.dictionary_encode()
    places = encoded.indices
    return np.frombuffer(places.buffers()[1], np.int32, len(places), 4 * places.offset), encoded.dictionary.to_pylist()


def _as_objects(array) -> np.ndarray:
    # The array's own way to numpy is the fast one, but starts pandas.
    texts = array.to_numpy(zero_copy_only=False) if len(array) > _FEW else np.array(array.to_pylist(), dtype=object)
    if not NO_READING.isdisjoint(texts):
        texts[[text in NO_READING for text in texts]] = ""
    return texts


def by_words(codes: np.ndarray, words: list[str], column: RawColumn, decimal: str) -> RawColumn:
    """Fill a column from its different writings and, for every row, which of them it holds."""
    bare = [word.lstrip(" \t") for word in words]
    written = np.array(["" if word in NO_READING else word for word in bare], dtype=object)
    if written.size and set(written) <= _TRUE | _FALSE:
        # Written as a truth value throughout.
        column.kind, column.texts = "word", np.array([word.capitalize() for word in written], dtype=object)[codes]
        return column
    words = [word.strip() for word in written]
    weight = np.bincount(codes, minlength=len(words))
    plain = _plain_numbers(words, decimal)
    missing = np.array([ready != ready and cells.is_missing(word) for word, ready in zip(words, plain.tolist(), strict=True)])
    filled = int(weight[~missing].sum())
    if filled == 0:
        column.kind, column.values = "number", np.full(codes.shape, np.nan)
        return column
    probe = [word for word, gone in zip(words, missing) if not gone]
    step = max(1, len(probe) // 200)
    times = sum(cells.is_time_like(word) for word in probe[::step])
    sampled = len(probe[::step])
    if times > 0.5 * sampled:
        column.kind, column.texts = "time", written[codes]
        return column
    if sum(any(ch.isdecimal() for ch in word) for word in probe[::step]) < 0.2 * sampled:
        column.kind, column.texts = "word", np.array(words, dtype=object)[codes]
        return column
    values, unit = _unique_numbers(words, missing, decimal, plain)
    good = np.isfinite(values)
    readable = good | missing
    if weight[good].sum() < 0.5 * filled:
        column.kind, column.texts = "word", np.array(words, dtype=object)[codes]
        return column
    column.kind = "number"
    column.values = values[codes]
    bad = ~readable
    column.bad = bad[codes] if bad.any() else None
    column.unit_in_cells = unit
    column.texts = written[codes] if column.bad is not None else None
    return column


def _plain_numbers(words: list[str], decimal: str) -> np.ndarray:
    """Values of the plain numbers among many different writings, all at once; NaN where there is none, or if they are few."""
    if len(words) < _MANY:
        return np.full(len(words), np.nan)
    import pyarrow
    from pyarrow import compute

    texts = pyarrow.array(words, pyarrow.large_string())
    texts = compute.if_else(compute.match_substring_regex(texts, _PLAIN[decimal]), texts, None)
    if decimal == ",":
        texts = compute.replace_substring(texts, ",", ".")
    return texts.cast(pyarrow.float64()).to_numpy(zero_copy_only=False)


def _unique_numbers(words: list[str], missing: np.ndarray, decimal: str, plain: np.ndarray) -> tuple[np.ndarray, str]:
    """Values of the different writings in one column; NaN where there is none. ``plain``: of ``_plain_numbers``."""
    other = "," if decimal == "." else "."
    values = plain.copy()
    units: dict[str, int] = {}
    rest: list[int] = []
    for index, word in enumerate(words):
        if missing[index] or values[index] == values[index]:
            continue
        value = cells.number(word, decimal)
        if value is None:
            parts = cells.split_unit(word)
            if parts is not None and (value := cells.number(parts[0], decimal)) is not None:
                units[parts[1]] = units.get(parts[1], 0) + 1
        if value is None:
            rest.append(index)
        else:
            values[index] = value
    if rest and _grouping_is_proven(words, rest, decimal):
        for index in rest:
            value = cells.number(words[index], decimal, True)
            if value is not None:
                values[index] = value
        rest = [index for index in rest if not np.isfinite(values[index])]
    marked = [index for index, word in enumerate(words) if decimal in word and np.isfinite(values[index])]
    if rest and not marked:
        # The whole column keeps to the other mark: unmistakable unless every cell could be a grouped integer.
        as_other = {index: cells.number(words[index], other) for index in rest}
        open_cells = [index for index in rest if cells.number(words[index], decimal, True) is not None]
        if all(value is not None for value in as_other.values()) and len(open_cells) < len(rest):
            for index, value in as_other.items():
                values[index] = value
    # The unit holds for the column only if nearly all numbers carry the same.
    unit = ""
    if units:
        top = max(units, key=lambda key: units[key])
        scales = {word: parse_unit(word) for word in units}
        if None not in scales.values() and len({item.dimension for item in scales.values()}) == 1 and len(units) > 1:
            unit = top
            for index, word in enumerate(words):
                parts = cells.split_unit(word) if np.isfinite(values[index]) else None
                if parts is not None and parts[1] in scales:
                    values[index] *= scales[parts[1]].factor / scales[top].factor
        elif units[top] >= 0.9 * int(np.isfinite(values).sum()):
            unit = top
        else:
            for index, word in enumerate(words):
                if cells.number(word, decimal, True) is None:
                    values[index] = np.nan
    return values, unit


def _grouping_is_proven(words: list[str], rest: list[int], decimal: str) -> bool:
    """Marks between thousands are believed if a cell shows both marks, or if an integer column needs them."""
    mark = "," if decimal == "." else "."
    grouped = [index for index in rest if cells.number(words[index], decimal, True) is not None]
    if not grouped:
        return False
    if any(decimal in words[index] and mark in words[index] for index in grouped):
        return True
    if any(re.search(r"\d[' \u00a0\u202f’]\d{3}", words[index]) for index in grouped):
        return True
    if any(decimal in word for word in words):
        return False
    if any(len(re.findall(rf"[{mark}]\d{{3}}", words[index])) > 1 for index in grouped):
        # 1,590,000: two marks are never decimals.
        return True
    plain = [value for word in words if (value := cells.number(word, decimal)) is not None]
    # 1,234 beside 999 and 1,300: no number of four digits is written without the mark.
    return bool(plain) and max(abs(value) for value in plain) < 1000 and max(abs(value) for value in plain) >= 100
