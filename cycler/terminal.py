"""Text for a terminal or a pipe: tables of 80 columns that never cut a figure, and sentences that wrap at words."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import Any

from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from cycler.criteria_quantities import number
from cycler.quantities import display_unit, figure_text, significant_text

DASH = "–"


def answer_console() -> Console:
    """Console on standard output without guesses about what the text means. NO_COLOR is honoured."""
    return Console(file=sys.stdout, highlight=False, markup=False, emoji=False)


class Sheet:
    """Prints blocks one below another, wide enough for their figures even where the terminal is not."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or answer_console()

    def blank(self) -> None:
        """An empty line."""
        self._print("")

    def title(self, text: str) -> None:
        """A heading, with an empty line above."""
        self.blank()
        self._print(Text(text, style="bold"))

    def line(self, text: str | Text) -> None:
        """One paragraph, wrapped at words."""
        self._print(_text(text))

    def path(self, text: str) -> None:
        """A line that is never broken, so that it can be copied."""
        self._print(_text(text), soft_wrap=True)

    def table(self, table: Table) -> None:
        """A table at the width of the terminal, or wider if its figures need it."""
        console = self._console
        before = console.width
        try:
            console.width = max(before, _share_width(table, before))
            self._print(table)
        finally:
            console.width = before

    def pairs(self, rows: Iterable[tuple[str | Text, str | Text]]) -> None:
        """Names and values, the values aligned."""
        grid = Table.grid(padding=(0, _GAP))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for name, value in rows:
            row(grid, name, value)
        self.table(grid)

    def _print(self, thing: Any, soft_wrap: bool = False) -> None:
        if self._console.is_terminal:
            self._console.print(thing, soft_wrap=soft_wrap, crop=False)
            return
        with self._console.capture() as held:  # in a file or pipe: without the blanks that fill up a line
            self._console.print(thing, soft_wrap=soft_wrap, crop=False)
        self._console.file.write("".join(f"{line.rstrip()}\n" for line in held.get().splitlines()))


_WORD_MAX = 20
"""Words up to this length are not broken in a column of text. [characters]"""
_GAP = 2
"""Blanks between two columns. [characters]"""


def ruled(*heads: tuple[str, str]) -> Table:
    """A table with heads; each is (text, kind), kind ``n`` figures (right, never broken), ``t`` text (may wrap)."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for text, kind in heads:
        figures = kind == "n"
        table.add_column(
            Text(text), justify="right" if figures else "left", no_wrap=figures, overflow="fold", min_width=1,
        )
        _widen(table.columns[-1], Text(text))
    return table


def row(table: Table, *cells: str | Text) -> None:
    """Add a row of plain texts (nothing in them is taken for a style)."""
    texts = [_text(cell) for cell in cells]
    table.add_row(*texts)
    for column, text in zip(table.columns, texts, strict=True):
        _widen(column, text)


def _widen(column: Column, text: Text) -> None:
    """Have the column keep whole figures, or whole words up to a length."""
    if column.no_wrap:
        need = _longest(text)
    else:
        need = min(_WORD_MAX, max((cell_len(word) for word in text.plain.split()), default=1))
    column.min_width = max(column.min_width or 1, need)


def _longest(text: Any) -> int:
    return max((cell_len(line) for line in str(text).split("\n")), default=1)


def _share_width(table: Table, width: int) -> int:
    """Give each column its least width and share what is left among those that want more; returns the whole width.

    (Left to itself the table would first shrink columns below their least width and then cut them.)
    """
    least = [column.min_width or 1 for column in table.columns]
    wanted = [max(low, *map(_longest, (column.header, *column.cells))) for low, column in zip(least, table.columns)]
    gaps = _GAP * (len(least) - 1)
    if sum(wanted) + gaps > width:
        spare = max(0, width - gaps - sum(least))
        wishes = [high - low for high, low in zip(wanted, least)]
        wanted = [low + spare * wish // (sum(wishes) or 1) for low, wish in zip(least, wishes)]
    for column, share in zip(table.columns, wanted):
        column.width = share
    return sum(wanted) + gaps


def _text(value: str | Text) -> Text:
    """Plain text; what could steer a terminal (a file name may hold it) is replaced."""
    if isinstance(value, Text):
        return value
    return Text("".join(ch if ch.isprintable() or ch == "\n" else "\N{REPLACEMENT CHARACTER}" for ch in value))


def bare(value: Any, u: Any, unit: str, factor: float = 1.0) -> str:
    """Figure for a column whose head names the unit; a dash if it is not known."""
    exact, spread = number(value), number(u)
    if exact is None:
        return DASH
    text = figure_text(exact * factor, None if spread is None else spread * factor, unit)
    return text.removesuffix(f" {display_unit(unit)[1]}")


def figure(value: Any, u: Any, unit: str) -> str:
    """Figure with its unit, "not known" if there is none."""
    return figure_text(number(value), number(u), unit)


def items(value: Any) -> list[Any]:
    """A list as it is; what is missing as an empty one."""
    return list(value) if isinstance(value, (list, tuple)) else []


def sentence(text: Any) -> str:
    """With a capital and a full stop, degrees in their sign."""
    words = " ".join(str(text).split()).replace("degC", "°C")
    if not words:
        return ""
    return words[:1].upper() + words[1:] + ("" if words[-1] in ".!?…:" else ".")


def duration(seconds: Any) -> str:
    """"4 h 52 min", "3 min 5 s", "12.5 s"."""
    exact = number(seconds)
    if exact is None:
        return "not known"
    if exact < 60:
        return f"{significant_text(exact, 3)} s"
    minutes, rest = divmod(round(exact), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(round(exact / 60), 60)
    return f"{hours} h {minutes} min"
