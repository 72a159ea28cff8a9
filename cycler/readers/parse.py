"""Rows of plain cells to columns of numbers and texts, piece by piece in threads.

Every row must have exactly its fields (a short one would otherwise end in cells that say 'no reading'), and numbers are those
of ``float(text)``, bit for bit. Why this parser was taken, and what the others cost: DEVELOPERS.md, "How logs are read fast".
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

PIECE_BYTES = 2 * 1024 * 1024
"""Text for one call of the parser: small enough for the cache of a processor, large enough to make the calls few."""
MOST_THREADS = 6
MOST_LATE = 2
"""So many columns of numbers may turn out to hold other cells further down before the rows are looked at one by one."""
_SAMPLE_BYTES = 32 * 1024
_NOT_A_READING = (
    "", "-", "--", "---", "----", "n/a", "N/A", "NA", "n.a.", "NaN", "nan", "NAN", "-NaN", "-nan", "OL", "O.L", "O.L.", "-OL",
    "#N/A", "#N/A N/A", "#NA", "1.#IND", "-1.#IND", "1.#QNAN", "-1.#QNAN", "<NA>", "NULL", "null", "None",
)  # fmt: skip
"""Written instead of a number; words that a mode column could hold are left to the cell-wise reading."""
NO_READING = frozenset(_NOT_A_READING)
# A row that begins so may be a remark or blank.
_ODD_LEADS = np.zeros(256, bool)
_ODD_LEADS[list(b"#/%!*;\r\n \t")] = True
_IN_COLUMN = re.compile(r"column #(\d+)")


@dataclass(frozen=True, slots=True)
class Writing:
    """How the cells are written. ``quoted``: cells may stand in double quotes."""

    width: int
    delimiter: str
    decimal: str
    quoted: bool = False


def threads() -> int:
    """Threads that this process may use side by side."""
    try:
        free = len(os.sched_getaffinity(0))
    except AttributeError:  # not told by every system
        free = os.cpu_count() or 1
    return max(1, min(free, MOST_THREADS))


def side_by_side(work: Callable, items: Iterable) -> list:
    """``work`` of every item, in threads where there is more than one; it must leave the interpreter's lock to others."""
    items = list(items)
    if len(items) < 2 or threads() == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(min(threads(), len(items))) as pool:
        return list(pool.map(work, items))


def piece_ends(body: bytes, start: int, end: int) -> list[tuple[int, int]]:
    """(first, last + 1) byte of pieces of whole lines."""
    out = []
    while end - start > PIECE_BYTES * 3 // 2:
        cut = body.find(b"\n", start + PIECE_BYTES, end) + 1
        if not 0 < cut < end:
            break
        out.append((start, cut))
        start = cut
    return [*out, (start, end)]


def parse_rows(body: bytes, start: int, end: int, writing: Writing, mended: bool = False) -> tuple[list, int] | None:
    """Columns of the rows that stand between two bytes of a text, and their number.

    Parameters
    ----------
    body : bytes
        UTF-8 text with line feeds (or CR LF).
    start, end : int
        From the first byte of the first row to behind the last row.
    writing : Writing
    mended : bool
        The rows were looked at one by one; if not, a row that may be a remark or blank makes the text one to be mended.

    Returns
    -------
    tuple or None
        A column is an ndarray of float64, or a pyarrow array of texts if one of its cells is no plain number. None if a row has
        not exactly ``width`` fields, or may be no row.
    """
    pieces = piece_ends(body, start, end)

    def count(piece: tuple[int, int]) -> int:
        codes = np.frombuffer(body, np.uint8, piece[1] - piece[0], piece[0])
        ends = np.flatnonzero(codes == 10)
        rows = ends.size + (codes[-1] != 10)
        if mended:
            return rows
        leads = codes[ends[: ends.size - (codes[-1] == 10)] + 1]
        odd = _ODD_LEADS[leads].any() or (piece[0] != start and _ODD_LEADS[codes[0]])
        return -1 if odd else rows

    counts = side_by_side(count, pieces)
    if min(counts) < 0:
        return None
    first = np.concatenate([[0], np.cumsum(counts)])
    reader = _Reader(body, writing)
    texts = reader.texts_in((start, max(body.rfind(b"\n", start, min(end, start + _SAMPLE_BYTES)) + 1, 0) or end))
    if texts is None:
        return None
    numbers: list[np.ndarray | None] = [None if place in texts else np.empty(first[-1]) for place in range(writing.width)]
    found: dict[int, list] = {place: [None] * len(pieces) for place in texts}
    late: set[int] = set()
    broken = False

    def parse(index: int) -> None:
        nonlocal broken
        if broken:
            return
        mine = set(texts)
        table = reader.read(pieces[index], mine)
        if table is None or table.num_rows != counts[index]:
            broken = True
            return
        late.update(mine - texts)
        if len(late) > MOST_LATE and not mended:
            broken = True  # rather headings that come again, or words across a row
            return
        for place, column in enumerate(table.columns):
            if place in texts:
                found[place][index] = column.chunks
            elif place not in mine:
                at = int(first[index])
                for chunk in column.chunks:
                    _put(chunk, numbers[place][at: at + len(chunk)])
                    at += len(chunk)

    side_by_side(parse, range(len(pieces)))
    if broken:
        return None
    if late:
        again = side_by_side(lambda piece: reader.read(piece, late, only=sorted(late)), pieces)
        for place, column in enumerate(sorted(late)):
            numbers[column] = None
            found[column] = [table.column(place).chunks for table in again]
    import pyarrow

    if writing.quoted and not mended and any(_holds_quote(chunk) for kept in found.values() for chunks in kept for chunk in chunks):
        return None
    columns = [
        pyarrow.concat_arrays([chunk for chunks in found[place] for chunk in chunks]) if values is None else _finite(values)
        for place, values in enumerate(numbers)
    ]
    if len(pieces) > 1:
        pyarrow.default_memory_pool().release_unused()
    return columns, int(first[-1])


def numbers_of(column) -> np.ndarray:
    """A chunked array of float64 as one ndarray."""
    out = np.empty(len(column))
    at = 0
    for chunk in column.chunks:
        _put(chunk, out[at: at + len(chunk)])
        at += len(chunk)
    return out


def _put(chunk, out: np.ndarray) -> None:
    """Copy an array of float64 with NaN where it is null. Its own way to numpy would start pandas, which takes longer than a usual log."""
    if not len(chunk):
        return
    valid, values = chunk.buffers()
    out[:] = np.frombuffer(values, np.float64, len(chunk), 8 * chunk.offset)
    if chunk.null_count:
        bits = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")[chunk.offset: chunk.offset + len(chunk)]
        out[bits == 0] = np.nan


def _holds_quote(texts) -> bool:
    """True if a quote is left within a cell: it was not what stands around it."""
    from pyarrow import compute

    return bool(compute.any(compute.match_substring(texts, '"')).as_py())


def _finite(values: np.ndarray) -> np.ndarray:
    """Infinities become NaN."""
    if values.size and not (np.isfinite(values.min()) and np.isfinite(values.max())):
        values[np.isinf(values)] = np.nan
    return values


class _Reader:
    """Calls of the parser on pieces of one text."""

    def __init__(self, body: bytes, writing: Writing):
        import pyarrow
        from pyarrow import csv

        self.pyarrow, self.csv = pyarrow, csv
        self.buffer, self.writing = pyarrow.py_buffer(body), writing
        self.names = [str(place) for place in range(writing.width)]
        self.rules = csv.ParseOptions(
            delimiter=writing.delimiter, quote_char='"' if writing.quoted else False, newlines_in_values=False, ignore_empty_lines=False,
        )

    def texts_in(self, piece: tuple[int, int]) -> set[int] | None:
        """Columns of a piece that are not all plain numbers; None if a row has not its fields."""
        texts: set[int] = set()
        return None if self.read(piece, texts) is None else texts

    def read(self, piece: tuple[int, int], texts: set[int], only: list[int] | None = None):
        """Table of a piece. Columns with a cell that is no plain number are added to ``texts`` and come as texts.

        None if a row has not its fields.
        """
        failed = 0
        while True:
            try:
                return self._read(piece, texts, only)
            except self.pyarrow.ArrowInvalid as error:
                named = _IN_COLUMN.search(str(error))
                place = int(named[1]) if named else -1
                if not 0 <= place < self.writing.width or place in texts:
                    return None
                texts.add(place)
            failed += 1
            if failed == MOST_LATE:  # each failure names one column: of many, all at once
                texts |= self._texts_among(piece)

    def _read(self, piece: tuple[int, int], texts: set[int], only: list[int] | None):
        source = self.buffer.slice(piece[0], piece[1] - piece[0])
        options = self.csv.ReadOptions(column_names=self.names, use_threads=False, block_size=source.size + 1)
        number, text = self.pyarrow.float64(), self.pyarrow.large_string()
        convert = self.csv.ConvertOptions(
            column_types={name: text if place in texts else number for place, name in enumerate(self.names)},
            decimal_point=self.writing.decimal, null_values=list(_NOT_A_READING), strings_can_be_null=True, check_utf8=False,
            include_columns=None if only is None else [self.names[place] for place in only],
        )
        return self.csv.read_csv(self.pyarrow.BufferReader(source), options, self.rules, convert)

    def _texts_among(self, piece: tuple[int, int]) -> set[int]:
        """Columns of a piece with a cell that is no plain number, each looked at by itself; none where a row has not its fields."""
        try:
            table = self._read(piece, set(range(self.writing.width)), None)
        except self.pyarrow.ArrowInvalid:
            return set()
        return {place for place, column in enumerate(table.columns) if not self._all_numbers(column.drop_null().to_pylist())}

    def _all_numbers(self, cells: list[str]) -> bool:
        rules = self.csv.ParseOptions(delimiter="\x1f", quote_char=False, ignore_empty_lines=False)
        convert = self.csv.ConvertOptions(column_types={"0": self.pyarrow.float64()}, decimal_point=self.writing.decimal, null_values=[])
        options = self.csv.ReadOptions(column_names=["0"], use_threads=False)
        try:
            self.csv.read_csv(self.pyarrow.BufferReader("\n".join(cells).encode() or b"0"), options, rules, convert)
        except self.pyarrow.ArrowInvalid:
            return False
        return True


def stack_columns(columns: list[np.ndarray], rows: int) -> np.ndarray:
    """Columns of equal length as one array of shape (rows, columns), each in one piece of memory."""
    out = np.empty((rows, len(columns)), order="F")

    def fill(place: int) -> None:
        out[:, place] = columns[place]

    if rows < 100_000:
        for place in range(len(columns)):
            fill(place)
    else:
        side_by_side(fill, range(len(columns)))
    return out
