"""Rows of a log as columns of numbers or texts, each row with its line number.

A clean file goes to the parser in pieces (``parse``). Anything else (comments, repeated headings, short
rows, quotes around delimiters) is mended line by line first; nothing is dropped without being counted.
"""

from __future__ import annotations

import bisect
import re
from dataclasses import dataclass, field

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import cells
from cycler.readers.cellwise import column_of_texts
from cycler.readers.parse import Writing, parse_rows
from cycler.readers.rawcolumn import RawColumn
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

MAX_BAD_SHARE = 0.01
"""More unusable rows than this share of the file are an error (one unusable row never is)."""


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
    start, end, ended = _data_span(body, dialect)
    first_line = dialect.first_line
    warnings: list[ReadingWarning] = []
    dropped: list[int] = []
    notes: list[int] = []
    quoted = body.find(b'"', start, end) >= 0
    if _may_be_clean(body, start, end, dialect, quoted):
        columns = _parse(body, start, end, dialect, quoted)
        if columns is not None and not _holds_heading(body, start, end, columns) and not _odd_rows(columns):
            rows = next(len(cells_of) for column in columns for cells_of in (column.values, column.texts) if cells_of is not None)
            line_number = np.arange(first_line, first_line + rows, dtype=np.int64)
            tail = body[max(start, end - 60_000): end].decode("utf-8", "replace").split("\n")[-200:]
            table = Table(name, dialect, columns, line_number, dropped, notes, warnings)
            _check_last_row(table, tail, ended)
            return table
    segment = body[start:end] + (b"\n" if ended else b"")
    reasons: dict[int, str] = {}
    kept, numbers, truncated = _mend(segment, first_line, dialect, name, dropped, notes, warnings, reasons)
    if not kept:
        raise InputError(
            "the log has no usable rows", Location(name, first_line), f"{len(dropped)} rows could not be read",
            "export the log again",
        )
    text = "\n".join(kept).encode("utf-8") + b"\n"
    columns = _parse(text, 0, len(text), dialect, quoted=True, mended=True)
    if columns is None:
        columns = _parse_cellwise(kept, dialect)
    table = Table(name, dialect, columns, np.array(numbers, dtype=np.int64), dropped, notes, warnings, reasons)
    if not truncated and kept:
        whole_end = segment.endswith(b"\n") or numbers[-1] < dialect.first_line + segment.count(b"\n")
        _check_last_row(table, kept[-200:], whole_end)
    return table


def _data_span(body: bytes, dialect: Dialect) -> tuple[int, int, bool]:
    """Where the first data row begins, where the last one ends, and whether a line end follows it."""
    start = 0
    for _ in range(dialect.first_line - 1):
        start = body.index(b"\n", start) + 1
    end = len(body)
    while end > start and body[end - 1] in b"\n\r \t\x1a\x0c":
        end -= 1
    tail = body[end:]
    if dialect.delimiter == "\t":
        end += len(tail) - len(tail.lstrip(b"\t"))
    return start, end, b"\n" in tail


def _may_be_clean(body: bytes, start: int, end: int, dialect: Dialect, quoted: bool) -> bool:
    """False for text that is not one row of plain or quoted cells a line; the parser looks at the rows one by one.

    Blanks before a quote, and rows of nothing but quotes, are for those who mend.
    """
    if dialect.delimiter == BLANKS or end <= start:
        return False
    return not quoted or all(body.find(odd, start, end) < 0 for odd in (b' "', b'\n""'))


def _odd_rows(columns: list[RawColumn]) -> bool:
    """True if a row has several cells that are no numbers: a heading or a text with as many fields as a row."""
    marked = [column.bad for column in columns if column.bad is not None]
    return len(marked) > 1 and bool((np.sum(marked, axis=0) > 1).any())


def _holds_heading(body: bytes, start: int, end: int, columns: list[RawColumn]) -> bool:
    """True if the headings come again: such a line has the right number of fields. It is no row of plain numbers."""
    named = [column for column in columns if len(column.name) > 1]
    longest = max(named, key=lambda column: len(column.name), default=None)
    if longest is None or (longest.kind == "number" and longest.bad is None and not longest.unit_in_cells):
        return False
    return body.find(longest.name.encode(), start, end) >= 0


def _parse(
    body: bytes, start: int, end: int, dialect: Dialect, quoted: bool, mended: bool = False,
) -> list[RawColumn] | None:
    """Columns of the text between two bytes, or None if its rows are not all of the expected number of fields."""
    delimiter = "\t" if dialect.delimiter == BLANKS else dialect.delimiter
    parsed = parse_rows(body, start, end, Writing(dialect.width, delimiter, dialect.decimal, quoted), mended)
    return None if parsed is None else [_column(cells_of, index, dialect) for index, cells_of in enumerate(parsed[0])]


def _column(cells_of, index: int, dialect: Dialect) -> RawColumn:
    column = RawColumn(index, dialect.names[index], dialect.unit_texts[index], "number")
    if isinstance(cells_of, np.ndarray):
        column.values = cells_of
        return column
    return column_of_texts(cells_of, column, dialect.decimal)


def _parse_cellwise(kept: list[str], dialect: Dialect) -> list[RawColumn]:
    import pyarrow

    split = [split_fields(line, dialect.delimiter) for line in kept]
    width = dialect.width
    split = [(fields + [""] * width)[:width] for fields in split]
    return [
        column_of_texts(
            pyarrow.array([fields[place] for fields in split], pyarrow.large_string()),
            RawColumn(place, dialect.names[place], dialect.unit_texts[place], "word"), dialect.decimal,
        )
        for place in range(width)
    ]


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
        # A line of blanks or NUL alone has no field at all.
        return f"{len(fields)} of {width} fields" + (f", first {quote(fields[0])}" if fields else "")
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
        return "\t".join('"' + item.replace('"', "") + '"' if " " in item or not item else item for item in fields)
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
