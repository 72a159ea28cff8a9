"""How a log was understood, as text: what ``inspect`` prints."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cycler.criteria_quantities import number, part
from cycler.quantities import significant_text
from cycler.record.text import ROLE_WORDS
from cycler.tables import DASH, Sheet, duration, items, row, ruled, sentence, source_rows

_DELIMITERS = {"\t": "tab", ",": "comma", ";": "semicolon", " ": "blank", "|": "vertical bar"}
_DECIMALS = {".": "point", ",": "comma"}
_CLOCKS = {"wall": "date and time", "elapsed": "time since the start", "step": "time since the start of each step"}
_SIGNS = {
    "negative": "discharge is negative in the file", "positive": "discharge is positive in the file",
    "unsigned": "current has no sign in the file",
}
_UNIT_SHOWN = {"degC": "°C", "ohm": "Ω"}


def print_reading(sheet: Sheet, seen: Mapping[str, Any]) -> None:
    """How a log was understood: ``seen`` has sources, reading and log as in the analysis object."""
    reading = seen["reading"]
    sheet.pairs(source_rows(seen))
    header = reading.get("header_row")
    clock, sign, sampling = reading["clock"], reading["sign"], reading["sampling_s"]
    direction = _SIGNS.get(sign["discharge_is"], f"discharge is {sign['discharge_is']} in the file")
    facts = [
        ("Text", f"{reading['encoding']}, delimiter {_DELIMITERS.get(reading['delimiter'], reading['delimiter'])}, "
                 f"decimal {_DECIMALS.get(reading['decimal'], reading['decimal'])}, "
                 + (f"header in line {header}" if header else "no header line")),
        ("Clock", _CLOCKS.get(clock["kind"], str(clock["kind"])) + ("; ran over, put in line" if clock.get("wrapped") else "")),
        ("Duration", f"{duration(part(seen, 'log', 'duration_s'))}, one sample every {_seconds(sampling.get('median'))} "
                     f"(median), longest distance {_seconds(sampling.get('max'))}"),
        ("Current", direction + (f": {sign['evidence']}" if sign.get("evidence") else "")),
    ]
    for gap in items(clock.get("gaps")):
        facts.append(("Gap", f"{duration(gap['duration_s'])} from {duration(gap['start_s'])} on"))
    sheet.pairs((name, sentence(text)) for name, text in facts)
    sheet.title("Columns")
    table = ruled(("Heading in the file", "t"), ("Read as", "t"), ("Unit", "t"), ("Group", "n"))
    for column in items(reading.get("columns")):
        role = str(column.get("role"))
        row(
            table, str(column.get("name")), ROLE_WORDS.get(role, role), _UNIT_SHOWN.get(column.get("unit"), column.get("unit") or DASH),
            str(column.get("group") or DASH),
        )
    sheet.table(table)
    sheet.title("Warnings")
    warnings = items(reading.get("warnings"))
    if not warnings:
        sheet.line("None.")
    for warning in warnings:
        text = str(warning.get("message"))
        sheet.pairs([("-", sentence(f"{text.rstrip('.')} ({warning['where']})" if warning.get("where") else text))])


def _seconds(value: Any) -> str:
    exact = number(value)
    return "not known" if exact is None else f"{significant_text(exact, 3)} s" if exact < 600 else duration(exact)
