"""Figures of the benchmark against their targets, as Markdown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.cases import BYTES, OURS, READ, SCRIPT

COLUMNS = 14
"""Columns of numbers of every input."""
FLOAT_BYTES = 8
PARSE_RATIO, GROWTH, MEMORY_RATIO, COMMA_RATIO = 1.5, 1.05, 3.0, 2.0
HELP_S, ANALYZE_S = 0.2, 1.0
BATCH_SHARE = 0.7
"""Least gain of a batch on all cores over one worker, as a share of the cores: the register is written by one, and two logs share a memory."""
BEGIN, END = "<!-- benchmarks: begin -->", "<!-- benchmarks: end -->"


@dataclass(frozen=True, slots=True)
class Figure:
    """Best of several runs of one case on one file: seconds by the clock and of the processor, bytes above the loaded libraries."""

    case: str
    rows: int
    comma: bool
    wall_s: float
    cpu_s: float
    memory_bytes: float

    @property
    def array_bytes(self) -> int:
        """What the file's numbers take as float64."""
        return self.rows * COLUMNS * FLOAT_BYTES


@dataclass(frozen=True, slots=True)
class Line:
    """One target: what, how much at most (or at least), what was measured, in which unit."""

    what: str
    target: float
    measured: float
    unit: str
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the measured value keeps the target; one that is not known does not."""
        return self.measured >= self.target if self.at_least else self.measured <= self.target


def best(figures: Sequence[Figure]) -> Figure:
    """The least of each quantity over runs of one case on one file."""
    first = figures[0]
    return Figure(
        first.case, first.rows, first.comma, min(f.wall_s for f in figures), min(f.cpu_s for f in figures), min(f.memory_bytes for f in figures)
    )


def of(figures: Sequence[Figure], case: str, rows: int, comma: bool = False) -> Figure | None:
    """The figure of a case on a file, None if it was not measured."""
    return next((f for f in figures if (f.case, f.rows, f.comma) == (case, rows, comma)), None)


def fastest_parse(figures: Sequence[Figure], rows: int, comma: bool = False) -> Figure:
    """The least time by the clock of what parses only."""
    return min((f for f in figures if f.case not in (OURS, SCRIPT, BYTES, READ) and (f.rows, f.comma) == (rows, comma)), key=lambda f: f.wall_s)


def growth(rows: Sequence[int], seconds: Sequence[float]) -> float:
    """Exponent n of seconds = c rows^n: slope of the least-squares line through the logarithms (any statistics text)."""
    x, y = [math.log(value) for value in rows], [math.log(value) for value in seconds]
    middle_x, middle_y = sum(x) / len(x), sum(y) / len(y)
    return sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y, strict=True)) / sum((a - middle_x) ** 2 for a in x)


def file_lines(figures: Sequence[Figure], rows: int) -> list[Line]:
    """The targets for files, at that many rows; growth over all sizes."""
    ours, comma = of(figures, OURS, rows), of(figures, OURS, rows, True)
    assert ours is not None
    parse = fastest_parse(figures, rows)
    plain = sorted((f for f in figures if f.case == OURS and not f.comma), key=lambda f: f.rows)
    lines = [
        Line(f"read and analyse {rows:,} rows, over the fastest parse ({parse.case})", PARSE_RATIO, ours.wall_s / parse.wall_s, "times"),
        Line(f"peak memory of it, over its numbers as an array ({ours.array_bytes / 1e6:.0f} MB)", MEMORY_RATIO, ours.memory_bytes / ours.array_bytes, "times"),
    ]
    if comma is not None:
        lines.append(Line("the same readings with semicolons and decimal commas, over plain", COMMA_RATIO, comma.wall_s / ours.wall_s, "times"))
    if len(plain) > 1:
        # Over all sizes what a log of any size takes flattens the line: the last two count too.
        sizes, seconds = [f.rows for f in plain], [f.wall_s for f in plain]
        exponent = max(growth(sizes, seconds), growth(sizes[-2:], seconds[-2:]))
        lines.append(Line(f"growth with the rows: exponent, the greater of {sizes[0]:,} and {sizes[-2]:,} to {sizes[-1]:,}", GROWTH, exponent, ""))
    return lines


def targets_text(lines: Sequence[Line]) -> str:
    """The table of targets."""
    rows = [("what", "target", "measured", "met")]
    for line in lines:
        unit = f" {line.unit}" if line.unit else ""
        rows.append((line.what, f"{'>=' if line.at_least else '<='} {line.target:g}{unit}", f"{line.measured:.3g}{unit}", "yes" if line.met else "**no**"))
    return _markdown(rows)


def figures_text(figures: Sequence[Figure]) -> str:
    """All that was measured, with ratios to the fastest parse of the same file and to the numbers as an array."""
    rows = [("file", "case", "clock / s", "processor / s", "memory / MB", "clock over fastest parse", "memory over array")]
    for f in sorted(figures, key=lambda f: (f.rows, f.comma, f.wall_s)):
        parse = fastest_parse(figures, f.rows, f.comma)
        rows.append((
            f"{f.rows:,} rows, {'; and ,' if f.comma else 'plain'}", f.case, f"{f.wall_s:.3g}", f"{f.cpu_s:.3g}", f"{f.memory_bytes / 1e6:.1f}",
            f"{f.wall_s / parse.wall_s:.2f}", f"{f.memory_bytes / f.array_bytes:.2f}",
        ))
    return _markdown(rows)


def _markdown(rows: Sequence[tuple[str, ...]]) -> str:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = ["| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in rows]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join(lines)


def keep(path: Path, text: str) -> None:
    """Put the text between the two marks of a file; one that is not there yet is made. One without the marks is left alone (``ValueError``)."""
    whole = f"{BEGIN}\n{text}\n{END}\n"
    if path.exists():
        old = path.read_text(encoding="utf-8")
        if old.count(BEGIN) != 1 or old.count(END) != 1 or old.index(BEGIN) > old.index(END):
            raise ValueError(f"{path} does not hold the line {BEGIN} and after it {END}, once each: put them where the table belongs")
        before, rest = old.split(BEGIN)
        whole = before + whole.rstrip("\n") + rest.split(END)[1]
    path.write_text(whole, encoding="utf-8")
