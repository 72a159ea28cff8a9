"""How a log is written: delimiter, decimal mark, where names, units and rows begin.

Quoting and line ends follow RFC 4180; everything else is decided by what the rows show.
"""

from __future__ import annotations

import csv
import itertools
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import cells
from cycler.readers.commas import refuse_commas_below, refuse_commas_from
from cycler.units import parse_unit

BLANKS = " "
"""Delimiter "one or more blanks"."""

DELIMITERS = (";", "\t", ",", "|", BLANKS)
_HEAD_BYTES = 400_000
_LONGEST_LINE = 20_000
ROWS_ABOVE = 20
_SAMPLE_LINES = 90
_LONGEST_NAME = 200
_COMMENT = re.compile(r"^\s*(#|//|%|!|\*|REM\b)")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the rows are written. Line numbers count from 1 in the file as stored.

    ``names`` and ``unit_texts`` have one entry per field of a row; ``header_line`` is None without a header.
    ``first_line`` is the first data row.
    """

    delimiter: str
    decimal: str
    header_line: int | None
    unit_line: int | None
    names: tuple[str, ...]
    unit_texts: tuple[str, ...]
    first_line: int
    width: int
    header_fields: tuple[str, ...] = ()
    unit_fields: tuple[str, ...] = ()
    preamble: tuple[str, ...] = ()
    warnings: tuple[ReadingWarning, ...] = ()
    least_width: int = 0
    """Rows may end early with this many fields: most of them leave out the last ones. 0 = they may not."""


def split_fields(line: str, delimiter: str) -> list[str]:
    """Fields of one line, stripped of blanks and quotes."""
    if '"' in line:
        separator = delimiter
        if delimiter == BLANKS:
            line = re.sub(r"[ \t\u00a0]+", " ", line.strip())
        try:
            return [field.strip() for field in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
        except (csv.Error, StopIteration):
            pass
    if delimiter == BLANKS:
        return line.split()
    return [field.strip() for field in line.split(delimiter)]


def is_comment(line: str, delimiter: str = ",") -> bool:
    """True for a line that begins with a mark of comment."""
    return bool(_COMMENT.match(line)) or (line.lstrip().startswith(";") and delimiter != ";")


def is_blank(line: str) -> bool:
    """True for a line of blanks and delimiters only, or a ruled line ("---|---")."""
    return not line.strip(" \t\r\n\x0b\x0c;,|\"\x1a\u00a0\ufeff-=+:_")


def _is_value(field: str) -> bool:
    # "0,5 12" split at the comma leaves "5 12": a blank within may part thousands, but it proves no number.
    return (" " not in field and cells.is_number_like(field)) or cells.is_time_like(field)


def count_values(fields: list[str]) -> tuple[int, int]:
    """Numbers or times, and filled cells that are not just 'no reading'."""
    filled = [field for field in fields if field and not cells.is_missing(field)]
    values = 0
    for field in filled:
        if _is_value(field):
            values += 1
        else:
            parts = cells.split_unit(field)
            if parts and cells.is_number_like(parts[0]) and parse_unit(parts[1]):
                values += 1
    return values, len(filled)


def looks_like_data(fields: list[str], width: int) -> bool:
    """True if the fields could be a row of readings of this width."""
    if abs(len(fields) - width) > 1:
        return False
    values, filled = count_values(fields)
    return values >= min(2, width) and values >= 0.4 * filled if filled > 1 else (values == 1 and width <= 2)


def head_lines(body: bytes) -> list[str]:
    """The first lines of the text (about 400 kB without blank lines and remarks), without line ends.

    A line is cut at 20 kB: one huge field must not hide the rows behind it.
    """
    lines: list[str] = []
    at = taken = 0
    while at < len(body) and taken < _HEAD_BYTES:
        end = body.find(b"\n", at)
        end = len(body) if end < 0 else end
        if end - at > 1 and body[at] != 35:
            taken += min(end - at, _LONGEST_LINE)
        lines.append(body[at: min(end, at + _LONGEST_LINE)].decode("utf-8", "replace").rstrip("\r"))
        at = end + 1
    return lines


def _sample(lines: list[str]) -> list[str]:
    filled = [line for line in lines if not is_blank(line) and len(line) < _LONGEST_LINE]
    filled = [line for line in filled if not line.startswith("#")] or filled
    if len(filled) <= 2 * _SAMPLE_LINES:
        return filled
    middle = len(filled) // 2
    return filled[:_SAMPLE_LINES] + filled[middle: middle + _SAMPLE_LINES]


def _is_clump(field: str) -> bool:
    """True for several words of which one at least is a number, and no time."""
    parts = field.split(" ")
    if len(parts) < 2 or cells.is_time_like(field):
        return False
    carried = cells.split_unit(field)
    if carried is not None and parse_unit(carried[1]) is not None:
        return False
    return any(map(cells.is_number_like, parts))


def _rate(sample: list[str], delimiter: str) -> tuple[float, int]:
    """How well a delimiter explains the sample, and the usual number of fields."""
    widths: Counter[int] = Counter()
    shares: dict[int, float] = {}
    for line in sample:
        if is_comment(line, delimiter):
            continue
        fields = split_fields(line, delimiter)
        if len(fields) < 2:
            continue
        values, filled = count_values(fields)
        if (values >= 2 and values >= 0.4 * filled) or (values == 1 and len(fields) == 2 and filled == 1):
            widths[len(fields)] += 1
            # "1282 39000 Charge 0" is several fields that this mark left together.
            clumps = sum(_is_clump(field) for field in fields)
            share = values / max(1, filled) * (1 - clumps / len(fields))
            shares[len(fields)] = shares.get(len(fields), 0.0) + share
    if not widths:
        return 0.0, 0
    width = max(widths, key=lambda key: (shares[key], key))
    return shares[width] / max(1, len(sample)), width


def _choose_delimiter(lines: list[str], where: Location) -> tuple[str, int]:
    sample = _sample(lines)
    if not sample:
        longest = max((line for line in lines if not is_blank(line)), key=len, default="")
        raise InputError(
            "the log has no rows of readings", where,
            f"its lines are longer than {_LONGEST_LINE} characters, the first begins {quote(longest)}" if longest else "it holds blanks and marks only",
            "export the log as CSV text with one row per sample",
        )
    rated = {delimiter: _rate(sample, delimiter) for delimiter in DELIMITERS}
    # Blanks stand inside texts and dates as well, so they win only where nothing else explains the rows.
    weights = {BLANKS: 0.8}
    best = max(DELIMITERS, key=lambda mark: rated[mark][0] * weights.get(mark, 1.0))
    if rated[best][1] >= 2:
        return best, rated[best][1]
    text_widths = {mark: max((len(split_fields(line, mark)) for line in sample[:50]), default=1) for mark in DELIMITERS[:4]}
    widest = max(text_widths, key=lambda mark: text_widths[mark])
    if text_widths[widest] >= 2:
        raise InputError(
            "the log has no rows of readings", where,
            f"its lines hold texts only, the first is {quote(sample[0])}",
            "check that the export holds the readings and not the headings alone",
        )
    numbers = sum(cells.is_number_like(line) for line in sample)
    if numbers > 1:
        raise InputError(
            "the log has one column only", where, "its rows hold a single number each",
            "export at least time, voltage and current",
        )
    raise InputError(
        "the log has no rows of readings", where, f"no line holds numbers in columns; the first is {quote(sample[0])}",
        "export the log as CSV text with one row per sample",
    )


def _choose_decimal(rows: list[list[str]], delimiter: str) -> str:
    """Decimal mark by what the cells can only be: 3,3 and 1.234,5 need a comma, 3.3 and 1,234.5 a point."""
    comma = point = comma_open = point_open = 0
    for fields in rows:
        for field in fields:
            if not any(mark in field for mark in ".,") or cells.is_time_like(field):
                continue
            carried = cells.split_unit(field)
            if carried is not None and parse_unit(carried[1]) is not None:
                field = carried[0]
            as_point, as_comma = cells.number(field, "."), cells.number(field, ",")
            as_point_grouped, as_comma_grouped = cells.number(field, ".", True), cells.number(field, ",", True)
            if as_point is not None:
                if as_comma_grouped is None:
                    point += 1
                else:
                    point_open += 1
            elif as_comma is not None:
                if as_point_grouped is None:
                    comma += 1
                else:
                    comma_open += 1
            elif as_point_grouped is not None:
                point += 1
            elif as_comma_grouped is not None:
                comma += 1
    if comma == point == 0:
        return "," if comma_open > point_open else "."
    return "," if comma > point else "."


def normal(text: str) -> str:
    """Text for comparing names: lower case, no accents, single blanks."""
    if text.isascii():
        return " ".join(text.lower().split())
    decomposed = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    kept = "".join(ch for ch in decomposed if not unicodedata.combining(ch))
    return " ".join(kept.lower().split())


def find_dialect(
    body: bytes, name: str, delimiter: str | None = None, decimal: str | None = None, header_row: int | None = None,
    labels: tuple[str, ...] = (),
) -> Dialect:
    """How the text is written.

    Parameters
    ----------
    body : bytes
        UTF-8 text with line feeds.
    name : str
        File name for messages.
    delimiter, decimal, header_row : optional
        What a columns file states; ``header_row`` 0 means that there is none.
    labels : tuple of str, optional
        Names that stood in every row ("U=12.3;I=1.0") and were taken out of it.

    Raises
    ------
    InputError
        No rows of readings, header only, one column.
    """
    where = Location(name)
    lines = head_lines(body)
    if labels:
        return _labelled(lines, decimal, labels)
    if delimiter is None:
        delimiter, width = _choose_delimiter(lines, where)
    else:
        width = _rate(_sample(lines), delimiter)[1]
        if width < 2:
            raise InputError(
                "the delimiter of the columns file does not fit", where,
                f"split by {quote(delimiter)} the lines have no columns of numbers", "correct delimiter in the columns file",
            )
    start = _first_data(lines, delimiter, width, header_row)
    _refuse_mixed(lines, delimiter, width, start, where)
    if delimiter == "," and start and header_row != 0:
        _refuse_commas_from(lines, width, start, where)
    if start is None:
        raise InputError(
            "the log has no rows of readings", where, f"no row of {width} fields with numbers follows the headings",
            "export the log again with its rows",
        )
    warnings: list[ReadingWarning] = []
    _tell_rows_above(lines, width, header_row or 0, start, where, warnings)
    if header_row is None:
        start = _past_summary(lines, start, delimiter, width, where, warnings)
    if header_row is None:
        lines = _headings_joined(lines, start, delimiter)
    header, units = _find_header(lines, start, delimiter, width, header_row, where)
    header_fields = split_fields(_uncommented(lines[header]), delimiter) if header is not None else []
    unit_fields = split_fields(_uncommented(lines[units]), delimiter) if units is not None else []
    width, least_width = _full_width(lines, start, delimiter, width, header_fields)
    rows = []
    for line in lines[start: start + 400]:
        if not is_blank(line) and not is_comment(line, delimiter):
            fields = split_fields(line, delimiter)
            if abs(len(fields) - width) <= 1:
                rows.append(fields)
    if decimal is None:
        decimal = _choose_decimal(rows, delimiter)
    headings = header_fields
    if delimiter == BLANKS and header is not None and len(header_fields) != width:
        headings = _headings_with_blanks(_uncommented(lines[header]), width) or header_fields
    names, unit_texts = _fit_names(headings, unit_fields, rows, width, delimiter, decimal, header, where, warnings)
    preamble_end = header if header is not None else start
    return Dialect(
        delimiter, decimal, None if header is None else header + 1, None if units is None else units + 1,
        tuple(names), tuple(unit_texts), start + 1, width, tuple(map(normal, header_fields)),
        tuple(map(normal, unit_fields)), tuple(line for line in lines[:preamble_end] if not is_blank(line))[:40],
        tuple(warnings), least_width,
    )


def _refuse_mixed(lines: list[str], delimiter: str, width: int, start: int | None, where: Location) -> None:
    """InputError if rows above the first one are rows of the same width by another delimiter: they must not be lost as a preamble."""
    above = [index for index in range(min(len(lines) if start is None else start, 5000)) if len(lines[index]) < _LONGEST_LINE]
    for mark in DELIMITERS[:4]:
        if mark == delimiter:
            continue
        rows = [index for index in above if lines[index].count(mark) == width - 1 and _is_full_row(split_fields(lines[index], mark), width)]
        if len(rows) >= 3:
            names = {"\t": "tab", BLANKS: "blanks"}
            raise InputError(
                "the log uses two delimiters", Location(where.file, rows[0] + 1),
                f"{len(rows)} rows from line {rows[0] + 1} on are split by {quote(names.get(mark, mark))}, others by {quote(names.get(delimiter, delimiter))}",
                "export it again with one delimiter, or split it where the delimiter changes and give the parts separately",
            )


def _tell_rows_above(lines: list[str], width: int, first: int, start: int, where: Location, warnings: list[ReadingWarning]) -> None:
    """A warning if more rows of numbers than a summary has stand above those that are read, alike in their width: they would be lost in silence."""
    for mark in DELIMITERS[:4] if start - first > ROWS_ABOVE else ():
        rows = [(k, split_fields(lines[k], mark)) for k in range(first, start) if mark in lines[k] and len(lines[k]) < _LONGEST_LINE and not is_comment(lines[k], mark)]
        for size, count in Counter(len(fields) for _, fields in rows).items():
            full = [k + 1 for k, fields in rows if _is_full_row(fields, size)] if count > ROWS_ABOVE and size > 2 else []
            if len(full) > ROWS_ABOVE:
                words = f"{len(full)} rows of {size} fields, lines {full[0]} to {full[-1]}, stand above those that are read, of {width} fields, and were left out."
                warnings.append(ReadingWarning("rows_above", words, f"{where.file}:{full[0]}"))
                return


def _refuse_commas_from(lines: list[str], width: int, start: int, where: Location) -> None:
    """InputError if rows of fewer fields stand between the headings and the first row, and the comma came to split decimals too."""
    above = []
    for index in range(start - 1, -1, -1):
        if is_blank(lines[index]) or is_comment(lines[index]):
            continue
        fields = split_fields(lines[index], ",")
        if len(fields) < width and looks_like_data(fields, len(fields)):
            above.append(fields)
        elif not _is_units_row(fields, width):
            break
    else:
        return
    if not above or not _names_a_log(fields):
        return
    while not fields[-1]:
        fields.pop()
    rows = [split_fields(line, ",") for line in lines[start: start + 50]]
    refuse_commas_from(fields, index + 1, above, [row for row in rows if len(row) == width], start + 1, where)


def _is_full_row(fields: list[str], width: int) -> bool:
    values, filled = count_values(fields)
    return values >= 3 and values >= 0.6 * filled and len(fields) == width


def _labelled(lines: list[str], decimal: str | None, labels: tuple[str, ...]) -> Dialect:
    """The rows carried their names with them; the first row stands for the headings in messages."""
    delimiter = "\t"
    fields_of = [(index, split_fields(line, delimiter)) for index, line in enumerate(lines) if not is_blank(line)]
    rows = [(index, fields) for index, fields in fields_of if len(fields) == len(labels)]
    start = rows[0][0] if rows else 0
    if decimal is None:
        decimal = _choose_decimal([fields for _, fields in rows[:400]], delimiter)
    return Dialect(
        delimiter, decimal, start + 1, None, labels, ("",) * len(labels), start + 1, len(labels),
        preamble=tuple(line for line in lines[:start] if not is_blank(line))[:40],
    )


def _past_summary(
    lines: list[str], start: int, delimiter: str, width: int, where: Location, warnings: list[ReadingWarning]
) -> int:
    """First row of the log where a few rows of another table (limits, results) stand above its headings."""
    for index in range(start, min(len(lines), start + 400)):
        fields = split_fields(_uncommented(lines[index]), delimiter)
        if not _is_names_row(fields, width) or not _names_a_log(fields):
            continue
        above = [place for place in range(start, index) if looks_like_data(split_fields(lines[place], delimiter), width)]
        begin = _first_data(lines, delimiter, width, index + 1)
        if begin is None or begin - index > 6:
            return start
        below = sum(looks_like_data(split_fields(line, delimiter), width) for line in lines[begin: begin + 400])
        upper = next((place for place in range(start - 1, -1, -1) if not is_blank(lines[place])), None)
        already = upper is not None and _names_a_log(split_fields(_uncommented(lines[upper]), delimiter))
        if already or not above or len(above) > ROWS_ABOVE or below < 5 * len(above):
            return start
        warnings.append(
            ReadingWarning(
                "summary_skipped", f"A table of {len(above)} row{'s' if len(above) != 1 else ''} above the headings of the log was skipped.",
                f"{where.file}:{start + 1}",
            )
        )
        return begin
    return start


def _names_a_log(fields: list[str]) -> bool:
    """True for headings that name two at least of time, voltage and current."""
    from cycler.readers.names import classify_name

    roles = {classify_name(field).role for field in fields if field}
    return len(roles & {"voltage", "current", "time", "clock"}) >= 2


def _full_width(lines: list[str], start: int, delimiter: str, width: int, header: list[str]) -> tuple[int, int]:
    """Fields of a full row, and how few a row may have, where most rows leave out what they do not fill at the end."""
    names = len(header)
    while names and not header[names - 1]:
        names -= 1
    if delimiter == BLANKS or not width < names <= width + 3:
        return width, 0
    seen = Counter(len(split_fields(line, delimiter)) for line in lines[start: start + 2000] if not is_blank(line))
    longer = sum(count for size, count in seen.items() if width < size <= names)
    return (names, width) if longer and sum(seen.values()) == longer + seen[width] else (width, 0)


def _headings_joined(lines: list[str], start: int, delimiter: str) -> list[str]:
    """Quoted headings may hold line ends (RFC 4180, 2.6): the whole goes to the first of their lines, the others stay empty."""
    last = next((index for index in range(start - 1, max(-1, start - 4), -1) if not is_blank(lines[index])), None)
    if last is None or lines[last].count('"') % 2 == 0:
        return lines
    for first in range(last - 1, max(-1, last - 40), -1):
        joined = " ".join(line.strip() for line in lines[first: last + 1])
        if joined.count('"') % 2 == 0 and lines[first].count('"') % 2 and not _odd_inside(lines[first], delimiter):
            return [*lines[:first], joined, *[""] * (last - first), *lines[last + 1:]]
    return lines


def _odd_inside(line: str, delimiter: str) -> bool:
    """True if the line does not begin outside of quotes: its first quote closes a field."""
    first = line.find('"')
    before = line[:first].rstrip(" ")
    return bool(before) and not before.endswith(delimiter)


def _headings_with_blanks(line: str, width: int) -> list[str] | None:
    """Headings of blank-separated columns that hold blanks themselves: split at two blanks, or behind closed brackets."""
    for pattern in (r"\s{2,}|\t", r"(?<=[)\]}>])\s+"):
        fields = re.split(pattern, line.strip())
        if len(fields) == width:
            return fields
    return None


def _uncommented(line: str) -> str:
    return _COMMENT.sub("", line) if _COMMENT.match(line) else line


def _first_data(lines: list[str], delimiter: str, width: int, header_row: int | None) -> int | None:
    begin = header_row or 0
    for index in range(begin, len(lines)):
        line = lines[index]
        if is_blank(line) or is_comment(line, delimiter):
            continue
        if not looks_like_data(split_fields(line, delimiter), width):
            continue
        following = []
        for later in lines[index + 1: index + 12]:
            if not is_blank(later) and not is_comment(later, delimiter):
                following.append(looks_like_data(split_fields(later, delimiter), width))
            if len(following) == 3:
                break
        if not following or sum(following) * 2 >= len(following):
            return index
    return None


def _is_units_row(fields: list[str], width: int) -> bool:
    filled = [field for field in fields if field.strip("[](){}<>- .")]
    if not filled or len(fields) > width + 1:
        return False
    known = sum(parse_unit(field) is not None for field in filled)
    return known >= 1 and known >= 0.6 * len(filled)


def _is_names_row(fields: list[str], width: int) -> bool:
    filled = [field for field in fields if field]
    if len(filled) < 2 or len(filled) < 0.5 * width:
        return False
    words = sum(not _is_value(field) for field in filled)
    return words >= 0.6 * len(filled)


def _find_header(
    lines: list[str], start: int, delimiter: str, width: int, header_row: int | None, where: Location
) -> tuple[int | None, int | None]:
    """Indices of the lines with names and with units."""
    if header_row == 0:
        return None, None
    if header_row is not None:
        if header_row > len(lines):
            raise InputError(
                "header_row is beyond the end of the log", where, f"found {header_row}, the log has {len(lines)} lines",
                "correct header_row in the columns file",
            )
        header = header_row - 1
        between = [index for index in range(header + 1, start) if not is_blank(lines[index])]
        return header, next((i for i in between if _is_units_row(split_fields(lines[i], delimiter), width)), None)
    above = [index for index in range(start - 1, -1, -1) if not is_blank(lines[index])][:8]
    units: int | None = None
    for place, index in enumerate(above):
        fields = split_fields(_uncommented(lines[index]), delimiter)
        if units is None and _is_units_row(fields, width):
            upper = above[place + 1] if place + 1 < len(above) else None
            if upper is not None and _is_names_row(split_fields(_uncommented(lines[upper]), delimiter), width):
                upper_fields = split_fields(_uncommented(lines[upper]), delimiter)
                if abs(len(upper_fields) - width) <= 1 and not _is_units_row(upper_fields, width):
                    units = index
                    continue
        if _is_names_row(fields, width):
            return index, units
    return None, None


def _fit_names(
    header: list[str], units: list[str], rows: list[list[str]], width: int, delimiter: str, decimal: str,
    header_index: int | None, where: Location, warnings: list[ReadingWarning],
) -> tuple[list[str], list[str]]:
    """Names and units for exactly the fields of a row; mends a header that is short or long."""
    if header_index is None:
        return [""] * width, [""] * width
    at = Location(where.file, header_index + 1)
    names = list(header)
    while names and not names[-1]:
        names.pop()
    typical = [fields for fields in rows if len(fields) == width]
    filled_width = width
    while filled_width > 1 and typical and all(not fields[filled_width - 1] for fields in typical):
        filled_width -= 1
    if len(names) < filled_width:
        if delimiter == "," and decimal == ".":
            refuse_commas_below(names, header_index + 1, typical, where)
        if len(header) == filled_width - 1 and _is_row_count(typical):
            if not _runs_on(typical, 1):
                raise InputError(
                    "the headings do not fit the rows", at,
                    f"{len(names)} headings stand above {filled_width} fields; the missing one could be the first (a row number) or the last",
                    "add the missing heading, or name the columns by position in a columns file (--columns)",
                )
            names = ["", *names]
            units = ["", *units] if units and len(units) < width else units
            warnings.append(
                ReadingWarning("header_short", "The headings are one short; the first column counts the rows and has none.", str(at))
            )
        elif len(header) < filled_width:
            warnings.append(
                ReadingWarning(
                    "header_short", f"Only {len(header)} headings stand above {filled_width} fields; the last columns have none and are ignored.", str(at)
                )
            )
    elif len(names) > width:
        warnings.append(
            ReadingWarning(
                "header_long", f"There are {len(names)} headings above {width} fields; no readings for {', '.join(map(quote, names[width:][:4]))}.", str(at)
            )
        )
    names = (names + [""] * width)[:width]
    units = (list(units) + [""] * width)[:width]
    return [_printable(name) for name in names], [_printable(unit) for unit in units]


def _printable(text: str) -> str:
    """A heading without signs that steer a terminal or turn the direction of writing, and of a length that can be shown."""
    kept = "".join(ch if ch.isprintable() else " " if ch.isspace() else "" for ch in text)
    return kept if len(kept) <= _LONGEST_NAME else kept[: _LONGEST_NAME - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _runs_on(rows: list[list[str]], place: int) -> bool:
    """True if this field is a time: it rises from row to row, or is written as one."""
    cells_of = [fields[place] for fields in rows[:50] if len(fields) > place]
    if cells_of and all(cells.is_time_like(item) for item in cells_of):
        return True
    values = [value for item in cells_of if (value := cells.number(item.replace(",", "."), ".")) is not None]
    return len(values) > 2 and all(b > a for a, b in itertools.pairwise(values))


def _is_row_count(rows: list[list[str]]) -> bool:
    firsts = [fields[0] for fields in rows[:50]]
    if len(firsts) < 3 or not all(re.fullmatch(r"\d{1,18}", first) for first in firsts):
        return False
    return all(int(b) - int(a) == 1 for a, b in itertools.pairwise(firsts))
