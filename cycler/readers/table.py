"""Rows of a log as columns of numbers or texts, each row with its line number.

A clean file goes through pandas' C engine in one piece. Anything else (comments, repeated headings, short
rows, quotes around delimiters) is mended line by line first; nothing is dropped without being counted.
"""

from __future__ import annotations

import bisect
import io
import re
from dataclasses import dataclass, field

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import cells
from cycler.readers.sniff import (
    BLANKS,
    Dialect,
    count_values,
    is_blank,
    is_comment,
    looks_like_data,
    normal,
    split_fields,
)
from cycler.units import parse_unit

MAX_BAD_SHARE = 0.01
"""More unusable rows than this share of the file are an error (one unusable row never is)."""

# Written instead of a number; words that a mode column could hold are left to the cell-wise reading.
_NOT_A_READING = ["---", "--", "-", "----", "n/a", "N/A", "NaN", "nan", "NAN", "OL", "O.L", "O.L.", "-OL", "n.a.", ""]


@dataclass(slots=True)
class RawColumn:
    """One column. ``kind`` is "number" (``values``), "time" or "word" (``texts``).

    ``bad`` marks cells that are neither a value nor 'no reading'. ``unit_in_cells`` is a unit that was
    written behind every number.
    """

    position: int
    name: str
    unit_text: str
    kind: str
    values: np.ndarray | None = None
    texts: np.ndarray | None = None
    bad: np.ndarray | None = None
    unit_in_cells: str = ""


@dataclass(slots=True)
class Table:
    """All rows of one file. ``reasons`` says by line number what is wrong with a row that cannot be used."""

    file: str
    dialect: Dialect
    columns: list[RawColumn]
    line_number: np.ndarray
    dropped_lines: list[int]
    notes: list[int] = field(default_factory=list)
    warnings: list[ReadingWarning] = field(default_factory=list)
    reasons: dict[int, str] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.line_number.shape[0])


def read_table(body: bytes, dialect: Dialect, name: str) -> Table:
    """Columns of a log.

    Parameters
    ----------
    body : bytes
        UTF-8 text with line feeds.
    dialect : Dialect
    name : str
        File name for messages.

    Raises
    ------
    InputError
        No usable rows, or two logs with different headings in one file.
    """
    segment, first_line = _data_segment(body, dialect)
    warnings: list[ReadingWarning] = []
    dropped: list[int] = []
    notes: list[int] = []
    if _is_clean(segment, dialect):
        lines = segment.count(b"\n") + (0 if segment.endswith(b"\n") else 1)
        line_number = np.arange(first_line, first_line + lines, dtype=np.int64)
        columns = _parse(segment, dialect, lines)
        whole_end = segment.endswith(b"\n")
        if columns is not None and not _odd_rows(columns):
            tail = segment[-60_000:].decode("utf-8", "replace").split("\n")[-200:]
            table = Table(name, dialect, columns, line_number, dropped, notes, warnings)
            _check_last_row(table, tail, whole_end)
            return table
    reasons: dict[int, str] = {}
    kept, numbers, truncated = _mend(segment, first_line, dialect, name, dropped, notes, warnings, reasons)
    if not kept:
        raise InputError(
            "the log has no usable rows", Location(name, first_line), f"{len(dropped)} rows could not be read",
            "export the log again",
        )
    text = "\n".join(kept).encode("utf-8") + b"\n"
    columns = _parse(text, dialect, len(kept))
    if columns is None:
        columns = _parse_cellwise(kept, dialect)
    table = Table(name, dialect, columns, np.array(numbers, dtype=np.int64), dropped, notes, warnings, reasons)
    if not truncated and kept:
        whole_end = segment.endswith(b"\n") or numbers[-1] < dialect.first_line + segment.count(b"\n")
        _check_last_row(table, kept[-200:], whole_end)
    return table


def _data_segment(body: bytes, dialect: Dialect) -> tuple[bytes, int]:
    """Bytes from the first data row on, and its line number."""
    at = 0
    for _ in range(dialect.first_line - 1):
        at = body.index(b"\n", at) + 1
    segment = body[at:]
    end = len(segment)
    while end and segment[end - 1] in b"\n\r \t\x1a\x0c":
        end -= 1
    tail = segment[end:]
    if dialect.delimiter == "\t":
        end += len(tail) - len(tail.lstrip(b"\t"))
    return segment[:end] + (b"\n" if b"\n" in tail else b""), dialect.first_line


def _is_clean(segment: bytes, dialect: Dialect) -> bool:
    if dialect.delimiter == BLANKS or b'"' in segment:
        return False
    lines = segment.count(b"\n") + (0 if segment.endswith(b"\n") else 1)
    if segment.count(dialect.delimiter.encode()) != lines * (dialect.width - 1):
        return False
    codes = np.frombuffer(segment, dtype=np.uint8)
    after = np.flatnonzero(codes == 10) + 1
    leads = np.unique(codes[after[after < codes.size]])
    if np.isin(leads, np.frombuffer(b"#/%!*;\r\n \t", dtype=np.uint8)).any():
        return False
    # A repeated heading has the right number of fields, so it is looked for by its words.
    return not _holds_heading(segment, dialect)


def _odd_rows(columns: list[RawColumn]) -> bool:
    """True if a row has several cells that are no numbers: a heading or a text with as many fields as a row."""
    marked = [column.bad for column in columns if column.bad is not None]
    return len(marked) > 1 and bool((np.sum(marked, axis=0) > 1).any())


def _holds_heading(segment: bytes, dialect: Dialect) -> bool:
    names = [name for name in dialect.names if len(name) > 1]
    return bool(names) and max(names, key=len).encode() in segment


def _parse(segment: bytes, dialect: Dialect, rows: int) -> list[RawColumn] | None:
    """Columns by pandas' C engine, or None if it cannot split the rows as expected."""
    import pandas as pd

    blank = dialect.delimiter == BLANKS
    try:
        frame = pd.read_csv(
            io.BytesIO(segment), sep=r"\s+" if blank else dialect.delimiter, decimal=dialect.decimal, header=None,
            names=list(range(dialect.width)), na_values=_NOT_A_READING, engine="c", low_memory=False,
            skip_blank_lines=False, skipinitialspace=True, encoding="utf-8", index_col=False,
        )
    except (pd.errors.ParserError, ValueError, UnicodeDecodeError):
        return None
    if len(frame) != rows:
        return None
    return [_column(frame[index], index, dialect) for index in range(dialect.width)]


def _parse_cellwise(kept: list[str], dialect: Dialect) -> list[RawColumn]:
    import pandas as pd

    split = [split_fields(line, dialect.delimiter) for line in kept]
    width = dialect.width
    split = [(fields + [""] * width)[:width] for fields in split]
    frame = pd.DataFrame(split, columns=list(range(width)), dtype=object)
    return [_column(frame[index], index, dialect) for index in range(width)]


def _column(series, index: int, dialect: Dialect) -> RawColumn:
    import pandas as pd

    name, unit_text = dialect.names[index], dialect.unit_texts[index]
    if pd.api.types.is_bool_dtype(series):
        return RawColumn(index, name, unit_text, "word", texts=series.astype(str).to_numpy(dtype=object))
    if pd.api.types.is_numeric_dtype(series):
        values = series.to_numpy(dtype=np.float64, na_value=np.nan)
        if not np.all(np.isfinite(values)):
            values = np.where(np.isfinite(values), values, np.nan)
        return RawColumn(index, name, unit_text, "number", values=values)
    texts = np.array(series.to_numpy(dtype=object), dtype=object)
    empty = pd.isna(series).to_numpy()
    texts[empty] = ""
    return _mended_column(texts, RawColumn(index, name, unit_text, "word", texts=texts), dialect)


def _mended_column(texts: np.ndarray, column: RawColumn, dialect: Dialect) -> RawColumn:
    """Cell-wise reading of a column that is not plain numbers."""
    import pandas as pd

    peek = [word for word in map(str, texts[:: max(1, texts.size // 300)]) if not cells.is_missing(word)]
    if peek and sum(map(cells.is_time_like, peek)) > 0.5 * len(peek):
        column.kind = "time"
        return column
    codes, uniques = pd.factorize(texts)
    words = [str(item).strip() for item in uniques]
    weight = np.bincount(codes, minlength=len(words))
    missing = np.array([cells.is_missing(word) for word in words])
    filled = int(weight[~missing].sum())
    if filled == 0:
        column.kind, column.values = "number", np.full(texts.shape, np.nan)
        return column
    probe = [word for word, gone in zip(words, missing) if not gone]
    step = max(1, len(probe) // 200)
    times = sum(cells.is_time_like(word) for word in probe[::step])
    sampled = len(probe[::step])
    if times > 0.5 * sampled:
        column.kind = "time"
        return column
    if sum(any(ch.isdecimal() for ch in word) for word in probe[::step]) < 0.2 * sampled:
        column.texts = np.array(words, dtype=object)[codes]
        return column
    values, unit = _unique_numbers(words, missing, dialect.decimal)
    good = np.isfinite(values)
    readable = np.array([value is not None for value in values]) & (good | missing)
    if weight[good].sum() < 0.5 * filled:
        column.texts = np.array(words, dtype=object)[codes]
        return column
    column.kind = "number"
    column.values = values[codes]
    bad = ~readable
    column.bad = bad[codes] if bad.any() else None
    column.unit_in_cells = unit
    column.texts = texts if column.bad is not None else None
    return column


def _unique_numbers(words: list[str], missing: np.ndarray, decimal: str) -> tuple[np.ndarray, str]:
    """Values of the different writings in one column; NaN where there is none."""
    other = "," if decimal == "." else "."
    values = np.full(len(words), np.nan)
    units: dict[str, int] = {}
    rest: list[int] = []
    for index, word in enumerate(words):
        if missing[index]:
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


def explain_bad_cell(text: str, decimal: str) -> str:
    """Why a cell is no number, for a message."""
    other = "," if decimal == "." else "."
    if cells.number(text, other, True) is not None:
        return f'found {quote(text)}; the other rows use "{decimal}" as the decimal mark'
    return f"found {quote(text)}"


def _mend(
    segment: bytes, first_line: int, dialect: Dialect, name: str, dropped: list[int], notes: list[int],
    warnings: list[ReadingWarning], reasons: dict[int, str],
) -> tuple[list[str], list[int], bool]:
    """Data rows with exactly the right number of fields, and their line numbers."""
    delimiter, width = dialect.delimiter, dialect.width
    lines = segment.decode("utf-8", "replace").split("\n")
    if lines and not lines[-1]:
        lines.pop()
    kept: list[str] = []
    numbers: list[int] = []
    repeated: list[int] = []
    stray: list[tuple[int, list[str]]] = []
    single = delimiter != BLANKS
    want = width - 1
    truncated = False
    index, total = 0, len(lines)
    while index < total:
        line = lines[index].rstrip("\r")
        number = first_line + index
        index += 1
        if '"' in line and line.count('"') % 2:
            line, index = _join_quoted(line, lines, index, delimiter, width)
        if single and '"' not in line and line.count(delimiter) == want:
            fields = None
        else:
            fields = split_fields(line, delimiter)
        lead = line[:1]
        if (lead in "#%!*/;R \t,|-=+" or not lead) and (is_blank(line) or is_comment(line, delimiter)):
            continue
        if fields is None or len(fields) == width:
            # Headings come back after a pause; they hold no digit where a row has one.
            if not lead.isdecimal() and not (lead in "-+.," and line[1:2].isdecimal()):
                seen = fields or split_fields(line, delimiter)
                if _is_heading(seen, dialect):
                    repeated.append(number)
                    continue
                if is_blank(line):
                    continue
                if not looks_like_data(seen, width) and count_values(seen)[1] > 1:
                    stray.append((number, seen))
                    continue
            kept.append(line if '"' not in line and single else _rejoin(fields or split_fields(line, delimiter), delimiter))
            numbers.append(number)
            continue
        if _is_heading(fields, dialect):
            repeated.append(number)
            continue
        if is_blank(line):
            continue
        if len(fields) == width + 1 and not fields[-1]:
            kept.append(_rejoin(fields[:-1], delimiter))
            numbers.append(number)
            continue
        if len(fields) == want and width > 2 and not dialect.names[-1] and index < total:
            kept.append(_rejoin([*fields, ""], delimiter))
            numbers.append(number)
            continue
        if dialect.least_width <= len(fields) < width and dialect.least_width and looks_like_data(fields, len(fields)):
            kept.append(_rejoin(fields + [""] * (width - len(fields)), delimiter))
            numbers.append(number)
            continue
        stray.append((number, fields))
    footer = _results_behind(stray, kept, numbers, dialect)
    last_kept = numbers[-1] if numbers else 0
    stray = [item for item in stray if item[0] not in footer]
    for number, fields in stray:
        filled = [item for item in fields if item]
        if number > last_kept:
            starts_as_row = bool(filled) and (cells.is_number_like(fields[0]) or cells.is_time_like(fields[0]))
            if starts_as_row and number == first_line + total - 1:
                truncated = True
                dropped.append(number)
                warnings.append(
                    ReadingWarning(
                        "truncated_row", f"The last row is incomplete ({len(fields)} of {width} fields) and was left out.",
                        f"{name}:{number}",
                    )
                )
                continue
            if not starts_as_row and not (dialect.header_fields and len(filled) >= 3 and _is_other_heading(fields, dialect)):
                footer.append(number)
                continue
        if dialect.header_fields and len(filled) >= 3 and _is_other_heading(fields, dialect):
            raise InputError(
                "the columns change in the middle of the log", Location(name, number),
                f"new headings begin with {quote(fields[0])}", "split the file there and give the parts separately",
            )
        dropped.append(number)
        reasons[number] = _wrong_row(fields, width, dialect)
        if len(filled) <= 2 and _is_remark(" ".join(filled)):
            notes.append(number)
    if footer:
        warnings.append(
            ReadingWarning("footer_skipped", f"Text after the last row was skipped: {list_lines(footer)}.", f"{name}:{footer[0]}")
        )
    if repeated:
        warnings.append(
            ReadingWarning(
                "repeated_header", f"Headings repeated on {list_lines(repeated)} were skipped.", f"{name}:{repeated[0]}"
            )
        )
    return kept, numbers, truncated


def _results_behind(stray: list[tuple[int, list[str]]], kept: list[str], numbers: list[int], dialect: Dialect) -> list[int]:
    """Line numbers of other headings behind the log and of their few rows, which leave ``kept``; empty if there are none."""
    for number, fields in stray:
        behind = len(numbers) - bisect.bisect_right(numbers, number)
        if dialect.header_fields and behind and behind <= min(20, 0.05 * len(numbers)) and _is_headings_of_results(fields, dialect):
            del kept[-behind:]
            gone = numbers[-behind:]
            del numbers[-behind:]
            return sorted({number, *gone})
    return []


def _is_headings_of_results(fields: list[str], dialect: Dialect) -> bool:
    """True for a line of words only, of which two at least name a quantity and hardly one is a heading of the log."""
    filled = [item for item in fields if item]
    if len(filled) < 2 or any(cells.is_number_like(item) or cells.is_time_like(item) for item in filled):
        return False
    from cycler.readers.names import classify_name

    known = sum(classify_name(item).quantity is not None for item in filled)
    return known >= 2 and sum(normal(item) in dialect.header_fields for item in filled) <= len(filled) // 3


def _wrong_row(fields: list[str], width: int, dialect: Dialect) -> str:
    """What is wrong with a row that was left out: its number of fields, or the cell that is no number."""
    if len(fields) != width:
        return f"{len(fields)} of {width} fields, first {quote(fields[0])}"
    for name, text in zip(dialect.names, fields):
        if text and not (cells.is_missing(text) or cells.is_number_like(text) or cells.is_time_like(text)):
            return f"{quote(name)}: {quote(text)}"
    return f"{quote(dialect.names[0])}: {quote(fields[0])}"


def _is_remark(text: str) -> bool:
    """True for words ("Step 2 begins"), False for noise ("@@#x!")."""
    letters = sum(ch.isalpha() or ch in " .,:'-" for ch in text)
    return text[:1].isalpha() and letters >= 0.6 * len(text) and bool(re.search(r"[^\W\d_]{3,}", text))


def _join_quoted(line: str, lines: list[str], index: int, delimiter: str, width: int) -> tuple[str, int]:
    """A quoted field may hold line ends (RFC 4180, 2.6): join up to six lines if that closes the row."""
    joined = line
    for ahead in range(index, min(index + 6, len(lines))):
        alone = split_fields(lines[ahead].replace('"', ""), delimiter)
        if len(alone) == width and looks_like_data(alone, width):
            # The next line is a row of its own, so the quote of this one was never closed.
            break
        joined = joined + " " + lines[ahead].rstrip("\r")
        if joined.count('"') % 2 == 0:
            if len(split_fields(joined, delimiter)) == width:
                return joined, ahead + 1
            break
    return line.replace('"', ""), index


def _rejoin(fields: list[str], delimiter: str) -> str:
    if delimiter == BLANKS:
        return " ".join('"' + item.replace('"', "") + '"' if " " in item or not item else item for item in fields)
    return delimiter.join(
        '"' + item.replace('"', "") + '"' if delimiter in item or "\n" in item else item.replace('"', "") for item in fields
    )


def _is_heading(fields: list[str], dialect: Dialect) -> bool:
    seen = tuple(normal(item) for item in fields)
    for known in (dialect.header_fields, dialect.unit_fields):
        if known and [item for item in seen if item] == [item for item in known if item] and any(seen):
            return True
    return False


def _is_other_heading(fields: list[str], dialect: Dialect) -> bool:
    filled = [normal(item) for item in fields if item]
    if any(cells.is_number_like(item) or cells.is_time_like(item) for item in filled):
        return False
    known = set(dialect.header_fields)
    from cycler.readers.names import classify_name

    roles = {classify_name(item).role for item in fields if item} - {"ignored"}
    return sum(item in known for item in filled) >= 2 or len(roles & {"voltage", "current", "time"}) >= 2


def list_lines(lines: list[int], limit: int = 6) -> str:
    shown = ", ".join(str(item) for item in lines[:limit])
    more = f" and {len(lines) - limit} more" if len(lines) > limit else ""
    return f"line{'s' if len(lines) > 1 else ''} {shown}{more}"


def _check_last_row(table: Table, tail: list[str], whole_end: bool) -> None:
    """Drop the last row if the file stops within it (no line end, last field shorter than its column).

    ``tail`` holds up to 200 last lines as written.
    """
    if whole_end or table.rows < 3:
        return
    delimiter, width = table.dialect.delimiter, table.dialect.width
    split = [fields for fields in (split_fields(line, delimiter) for line in tail) if len(fields) == width]
    if len(split) < 3:
        return
    place = width - 1
    while place > 0 and not any(fields[place] for fields in split):
        place -= 1
    column = table.columns[place]
    last = split[-1][place]
    if not _is_cut(column, [fields[place] for fields in split[:-1]], last, table.dialect.decimal):
        return
    number = int(table.line_number[-1])
    for item in table.columns:
        for key in ("values", "texts", "bad"):
            array = getattr(item, key)
            if array is not None:
                setattr(item, key, array[:-1])
    table.line_number = table.line_number[:-1]
    table.dropped_lines.append(number)
    table.warnings.append(
        ReadingWarning(
            "truncated_row", f"The file stops within its last field ({quote(last)}); that row was left out.",
            f"{table.file}:{number}",
        )
    )


def _is_cut(column: RawColumn, earlier: list[str], last: str, decimal: str) -> bool:
    """True if the last field of a file without a final line end is shorter than its column can be."""
    if column.kind == "number":
        filled = [item for item in earlier if item and not cells.is_missing(item)]
        if not filled:
            return False
        if not last:
            return len(filled) == len(earlier)
        if cells.is_missing(last) and last in earlier:
            return False
        if last.endswith((decimal, "-", "+", "e", "E")) or cells.number(last, decimal, True) is None:
            return True
        places = [len(item.partition(decimal)[2]) for item in filled]
        shown = len(last.partition(decimal)[2])
        if shown < min(places):
            return True
        if max(places) == 0:
            sizes = [len(item.lstrip("+-")) for item in filled[-5:]]
            value = abs(float(cells.number(last, decimal, True) or 0.0))
            before = min(abs(float(cells.number(item, decimal, True) or 0.0)) for item in filled[-5:])
            return value != 0 and len(last.lstrip("+-")) < min(sizes) and value < 0.5 * before
        return False
    if column.kind == "word":
        words = set(earlier)
        return bool(last) and last not in words and any(word.startswith(last) for word in words)
    lengths = {len(item) for item in earlier if item}
    return bool(lengths) and len(last) < min(lengths)
