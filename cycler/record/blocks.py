"""The parts a record is laid out from; page and PDF draw the same frozen tree."""

from __future__ import annotations

from dataclasses import dataclass

from cycler.record.chart import Chart


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph. ``kind``: normal, small or warning (boxed; a new line in ``text`` begins a new paragraph)."""

    text: str
    kind: str = "normal"


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of name and value; an empty value is a line to write on, an empty name a value across the page.

    ``narrow`` sets the names of one column as close as those of two.
    """

    rows: tuple[tuple[str, str], ...]
    columns: int = 1
    narrow: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """Points of a list, each a bold lead (may be empty) and a text."""

    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table.

    ``kinds`` has one letter per column: l text, f figure that stays on one line, r short text to the right. ``widths``
    are shares of the line. Rows in ``strong_rows`` are set bold, in the columns ``strong_columns`` (none named = all).
    ``spans``: row, first and last column of a text that stands across several columns; the cells after the first are empty.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    kinds: str
    widths: tuple[float, ...]
    strong_rows: tuple[int, ...] = ()
    strong_columns: tuple[int, ...] = ()
    dense: bool = False
    name: str = ""
    spans: tuple[tuple[int, int, int], ...] = ()

    def spanned(self, row: int) -> dict[int, int]:
        """First column to number of columns of the texts across several columns in one row."""
        return {first: last - first + 1 for at, first, last in self.spans if at == row}


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart and the sentence under it."""

    chart: Chart
    caption: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict: its shape, its word and what it rests on."""

    result: str
    word: str
    shape: Chart
    means: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Signature:
    """Lines to be filled in by hand."""

    labels: tuple[str, ...]


Block = Para | Facts | Bullets | Table | Picture | Verdict | Signature


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its blocks. ``key`` is a stable name for anchors; with ``own_heading`` a block carries the heading."""

    key: str
    title: str
    blocks: tuple[Block, ...]
    together: bool = False
    own_heading: bool = False


@dataclass(frozen=True, slots=True)
class View:
    """Everything a record shows, as text and geometry."""

    language: str
    document_title: str
    title: str
    subject: str
    serial: str
    workshop: str
    made_at: str
    stamp: tuple[int, int, int, int, int, int]
    head: Facts
    code: Chart | None
    front: tuple[Section, ...]
    annex: tuple[Section, ...]
    software: str
