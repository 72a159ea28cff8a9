"""The table of a comparison as a CSV file (RFC 4180, UTF-8) that a spreadsheet opens and of which it runs nothing."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from flask import Flask, Response, request

from cycler.errors import InputError
from cycler.quantities import COVERAGE_FACTOR, display_unit, significant_text
from cycler.spreadsheet import spreadsheet_safe
from dashboard import advice, text
from dashboard import text_compare as words
from dashboard.address import run_numbers
from dashboard.data import COMPARE_MAX, Door
from dashboard.downloads import attachment
from dashboard.figures.style import RUN_LETTERS

TABLE_PATH = "/compare/table.csv"
DIGITS = 8
"""Significant digits of a figure in the file: more than any measurement gives, so that sums made from it come out."""
WIDE_MARKS = ("\N{FULLWIDTH EQUALS SIGN}", "\N{FULLWIDTH PLUS SIGN}", "\N{FULLWIDTH HYPHEN-MINUS}", "\N{FULLWIDTH COMMERCIAL AT}")
"""Wide forms of the marks that a formula begins with, which some spreadsheets take for them (from memory of the OWASP page on CSV injection)."""
BYTE_ORDER_MARK = "\N{ZERO WIDTH NO-BREAK SPACE}"
"""Before the first cell: without it a common spreadsheet reads UTF-8 as something else (from memory)."""


def file_stem(runs: Sequence[int], *more: str) -> str:
    """Name of a downloaded file, without its ending: the runs and what it holds."""
    return "-".join(["compare-runs", *map(str, runs), *(re.sub(r"[^a-z0-9]+", "-", part.lower()) for part in more if part)])


def table_address(runs: Sequence[int], reference: int) -> str:
    """Address of the table of these runs."""
    return f"{TABLE_PATH}?{urlencode({'runs': ','.join(map(str, runs)), 'ref': reference}, safe=',')}"


def add_export_routes(server: Flask, door: Door) -> None:
    """Route of the table."""

    @server.get(TABLE_PATH)
    def comparison_csv() -> Response:
        runs = run_numbers(request.args.get("runs"), COMPARE_MAX)
        wanted = run_numbers(request.args.get("ref"), 1)
        reference = runs.index(wanted[0]) if wanted and wanted[0] in runs else 0
        try:
            result = door.compare(runs, reference)
        except InputError as error:
            return Response(advice.for_page(error).one_line() + "\n", 404, mimetype="text/plain")
        return attachment(comparison_table(result), "text/csv; charset=utf-8; header=present", f"{file_stem(runs, 'table')}.csv")


def comparison_table(result: Mapping[str, Any]) -> str:
    """A comparison as CSV: a line for each figure, then for each figure of each group; the runs beside one another."""
    names, reference = list(result["names"]), int(result["reference"])
    letters = RUN_LETTERS[: len(names)]
    base = letters[reference]
    heads = [words.CSV_FIGURE, words.CSV_GROUP, words.CSV_UNIT]
    for index, letter in enumerate(letters):
        keys = ("value", "u", "U") if index == reference else tuple(key for key in words.CSV_HEADS if key != "remark")
        heads += [words.CSV_HEADS[key].format(letter=letter, base=base) for key in (*keys, "remark")]
    lines: list[list[Any]] = [heads]
    for row in result["rows"]:
        if any(value is not None for value in row["values"]):
            lines.append(_line(row, "", reference, row["valid"], row["bound"], row["group"]))
    capacity = next((row["valid"] for row in result["rows"] if row["quantity"] == "capacity_ah"), [True] * len(names))
    for group in result["groups"]:
        for key, row in group.items():
            if isinstance(row, Mapping) and any(value is not None for value in row["values"]):
                valid = capacity if key == "capacity_ah" else [True] * len(names)
                lines.append(_line(row, group["group"], reference, valid, [None] * len(names), [None] * len(names)))
    lines.append([])
    lines += [
        [words.CSV_RUN.format(letter=letter, name=name), words.CSV_REFERENCE if index == reference else ""]
        for index, (letter, name) in enumerate(zip(letters, names))
    ]
    lines += [[advice.words(str(note))] for note in result.get("notes") or ()]
    return BYTE_ORDER_MARK + _written(lines)


def _line(
    row: Mapping[str, Any], group: Any, reference: int, valid: Sequence[bool], bound: Sequence[str | None], worst: Sequence[int | None]
) -> list[Any]:
    factor, unit = (1e3, "mV") if row["unit"] == "V" else display_unit(row["unit"])
    apart = text.POINTS if row["unit"] == "share" else unit
    cells: list[Any] = [f"{row['label']} / {unit}" if unit else row["label"], group, unit if apart == unit else f"{unit}; differences in {apart}"]
    for index, value in enumerate(row["values"]):
        u = row["u"][index]
        cells += [_scaled(value, factor), _scaled(u, factor), _scaled(u, factor * COVERAGE_FACTOR)]
        claimed = valid[index] and valid[reference]
        if index != reference:
            difference, u_difference, significant = (row[key][index] for key in ("difference", "u_difference", "significant"))
            told = claimed and difference is not None
            improved = row["improved"][index]
            cells += [
                _scaled(difference, factor) if told else "", _scaled(u_difference, factor) if told else "",
                _scaled(u_difference, factor * COVERAGE_FACTOR) if told else "",
                "" if not told or significant is None else words.CSV_YES if significant else words.CSV_NO,
                "" if not told or improved is None else text.BETTER if improved else text.WORSE,
            ]
        estimate = row.get("estimate") or [False] * len(row["values"])
        cells.append("; ".join(filter(None, (
            words.CSV_LOWER if bound[index] == "lower" else "", words.CSV_WORST.format(group=worst[index]) if worst[index] else "",
            words.ESTIMATE if estimate[index] and value is not None else "", "" if valid[index] or value is None else words.CSV_INVALID,
        ))))
    return cells


def _scaled(value: Any, factor: float) -> Any:
    return "" if value is None else value if isinstance(value, int) and factor == 1.0 else float(value) * factor


def _written(lines: Sequence[Sequence[Any]]) -> str:
    """Lines as RFC 4180; numbers stay numbers, and no text can be taken for a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    for line in lines:
        cells = [*line, *[""] * (len(lines[0]) - len(line))]  # every line has as many cells (RFC 4180, 2.4)
        writer.writerow([significant_text(cell, DIGITS) if isinstance(cell, float) else cell if isinstance(cell, int) else _text(cell) for cell in cells])
    return stream.getvalue()


def _text(cell: str) -> str:
    """Text of a cell on one line, with the marks of a formula disarmed also where a spreadsheet strips blanks or widens them."""
    plain = re.sub(r"[\x00-\x1f\x7f]+", " ", cell).strip()
    return f"'{plain}" if plain.startswith(WIDE_MARKS) else spreadsheet_safe(plain)
