"""The comparison of runs as text: one column per run, each difference under its figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.text import Text

from cycler.criteria_quantities import number
from cycler.quantities import display_unit
from cycler.terminal import DASH, Sheet, bare, items, row, ruled, sentence

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_LABEL_WIDTH = 22
_GROUP_TABLES = ("capacity_ah", "resistance_10s_ohm")


def print_comparison(sheet: Sheet, result: Mapping[str, Any]) -> None:
    """Table of :func:`cycler.compare.compare`."""
    names, reference = items(result["names"]), result["reference"]
    letters = [_LETTERS[index] if index < len(_LETTERS) else str(index + 1) for index in range(len(names))]
    sheet.pairs(
        (letter, f"{name}{' (reference)' if index == reference else ''}")
        for index, (letter, name) in enumerate(zip(letters, names, strict=True))
    )
    sheet.blank()
    table = ruled(("Figure", "t"), *((letter, "n") for letter in letters))
    table.columns[0].min_width = _LABEL_WIDTH
    for line in items(result["rows"]):
        if all(value is None for value in line["values"]):
            continue
        label = line["label"] + (" (its number)" if any(line["group"]) else "")
        row(table, _headed(label, line["unit"]), *(_cell(line, index, reference) for index in range(len(names))))
    sheet.table(table)
    _print_groups(sheet, items(result.get("groups")), letters, reference)
    sheet.blank()
    sheet.line(
        f"Under each figure: its difference from {letters[reference]}. ± expanded uncertainty, k = 2. ~ Within the "
        f"uncertainty, no difference shown. ≥ A lower bound. ? Not valid, no difference claimed. * Limiting. {DASH} Not known."
    )
    for note in items(result.get("notes")):
        sheet.line(sentence(note))


def _headed(label: str, unit: str) -> str:
    name = display_unit(_shown(unit)[1])[1]
    return f"{label} / {name}" if name else label


def _shown(unit: str) -> tuple[float, str]:
    """Voltages of groups differ by millivolts."""
    return (1e3, "mV") if unit == "V" else (1.0, unit)


def _figure(value: Any, u: Any, unit: str) -> str:
    if isinstance(value, int) and not unit:  # a group's number is a name, not a figure
        return str(value)
    factor, name = _shown(unit)
    return bare(value, u, name, factor)


def _cell(line: Mapping[str, Any], index: int, reference: int) -> Text:
    value = line["values"][index]
    if value is None:
        return Text(DASH)
    text = Text()
    if line.get("bound") and line["bound"][index] == "lower":
        text.append("≥ ")
    text.append(_figure(value, line["u"][index], line["unit"]))
    if line.get("group") and line["group"][index]:
        text.append(f" ({line['group'][index]})")
    if line.get("valid") and not line["valid"][index]:
        text.append(" ?")
    if index != reference and number(line["difference"][index]) is not None:
        text.append("\n")
        text.append_text(_difference(line, index, reference))
    return text


def _difference(line: Mapping[str, Any], index: int, reference: int) -> Text:
    valid = line.get("valid")
    if valid and not (valid[index] and valid[reference]):
        return Text("no claim")
    difference, significant = line["difference"][index], line["significant"][index]
    sign = "+" if difference > 0 else ""
    text = Text(f"{sign}{_figure(difference, line['u_difference'][index], line['unit'])}")
    if significant is False:
        return text.append(" ~")
    improved = line["improved"][index]
    if significant and improved is not None:
        text.append("\nbetter" if improved else "\nworse", style="green" if improved else "red")
    return text


def _print_groups(sheet: Sheet, groups: Sequence[Mapping[str, Any]], letters: Sequence[str], reference: int) -> None:
    for key in _GROUP_TABLES:
        rows = [group for group in groups if any(value is not None for value in group[key]["values"])]
        if not rows:
            continue
        sheet.blank()
        first = rows[0][key]
        sheet.line(f"Groups, {_headed(first['label'].lower(), first['unit'])}")
        table = ruled(("Group", "n"), *((letter, "n") for letter in letters))
        for group in rows:
            cells = [_group_cell(group, key, index, reference) for index in range(len(letters))]
            row(table, str(group["group"]), *cells)
        sheet.table(table)


def _group_cell(group: Mapping[str, Any], key: str, index: int, reference: int) -> Text:
    cells = group[key]
    text = Text()
    if group["limiting"][index]:
        text.append("* ")
    text.append(_figure(cells["values"][index], cells["u"][index], cells["unit"]))
    if cells.get("estimate") and cells["estimate"][index] and cells["values"][index] is not None:
        text.append(" est.")
    if index != reference and cells["significant"][index]:
        improved = cells["improved"][index]
        text.append(" better" if improved else " worse", style="green" if improved else "red")
    return text
