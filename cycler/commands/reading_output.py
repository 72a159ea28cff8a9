"""How a log was understood, as text: what ``inspect`` prints."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from typing import Any

from cycler.criteria_quantities import number, part
from cycler.quantities import significant_text
from cycler.record.text import ROLE_WORDS
from cycler.tables import source_rows
from cycler.terminal import DASH, Sheet, duration, items, row, ruled, sentence

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
    table = ruled(("Heading in the file", "t"), ("Read as", "t"), ("Unit", "t"), ("Group", "n"), ("Because", "t"))
    for column in items(reading.get("columns")):
        role = str(column.get("role"))
        row(
            table, str(column.get("name")), ROLE_WORDS.get(role, role), _UNIT_SHOWN.get(column.get("unit"), column.get("unit") or DASH),
            str(column.get("group") or DASH), str(column.get("evidence") or DASH),
        )
    sheet.table(table)
    sheet.title("Warnings")
    warnings = items(reading.get("warnings"))
    if not warnings:
        sheet.line("None.")
    for warning in warnings:
        text = str(warning.get("message"))
        sheet.pairs([("-", sentence(f"{text.rstrip('.')} ({warning['where']})" if warning.get("where") else text))])
    sheet.title("What to do next")
    for text in next_steps(seen):
        sheet.pairs([("-", text)])


def next_steps(seen: Mapping[str, Any]) -> list[str]:
    """What to look at, and which command comes next."""
    reading = seen["reading"]
    columns = items(reading.get("columns"))
    roles = {column.get("role") for column in columns}
    codes = {warning.get("code") for warning in items(reading.get("warnings"))}
    file = shell_word(str((items(seen.get("sources")) or [{}])[0].get("file", "LOG")))
    steps = []
    if codes & _TO_CHECK or not reading.get("header_row"):
        steps.append("Hold the table above against the display of the instrument: part of it was inferred from the readings.")
    if not codes.isdisjoint(_LOST):
        steps.append("Rows are missing or were left out; figures that depend on them will say so. Export the log again if you can.")
    if not roles & {"group_voltage", "tap_voltage"}:
        steps.append("No group voltages: capacity and pack resistance can be had, but no group can be told weak. Log the balance taps too.")
    else:
        steps.append("Measure one outer group with a meter: groups counted from the wrong end look just as good in a log.")
    if "thermistor" in roles:
        steps.append("Thermistors: state their curve under [thermistor] in the pack file, or their resistances give no temperature.")
    elif "temperature" not in roles:
        steps.append("No temperature: log one at the pack, or nothing can be said about heating.")
    if not reading.get("columns_files"):
        steps.append(
            f"If a column is read wrongly: cycler inspect {file} --write-columns columns.toml, correct that file, and name it with --columns."
        )
    steps.append(f"If all is right: cycler analyze {file} --pack PACK.toml")
    return steps


READING_DOUBTS = frozenset({
    "unit_doubtful", "unit_unusual", "sign_doubtful", "voltage_reversed", "parts_do_not_fit", "group_name_repeated", "taps_end_open", "value_impossible", "current_zero", "rows_above",
})
"""Warnings of the reader that put every figure in doubt."""


def print_reading_doubts(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """What speaks against the way the log was read, under a result that is otherwise told in two lines."""
    found = [item for item in items(part(analysis, "reading", "warnings")) if item.get("code") in READING_DOUBTS]
    if found:
        sheet.title("Look at this first")
        for item in found:
            sheet.pairs([("-", sentence(str(item.get("message"))))])


# Codes of warnings that ask for a look, and of those that tell of missing rows.
_TO_CHECK = READING_DOUBTS | {"unit_inferred", "sign_inferred", "date_order_inferred", "time_in_parts"}
_LOST = {"rows_dropped", "rows_above", "truncated_row", "log_gap", "cell_unreadable"}


def shell_word(name: str) -> str:
    """A file's name as it is typed in a shell; what no terminal can show stands as a replacement mark."""
    if name == "standard input":
        return "-"
    return shlex.quote("".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in name))


def _seconds(value: Any) -> str:
    exact = number(value)
    return "not known" if exact is None else f"{significant_text(exact, 3)} s" if exact < 600 else duration(exact)
