"""The command ``cells``: measured cells to grades, and to packs whose groups are alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, Settings, json_option, print_json
from cycler.commands.progress import Working

if TYPE_CHECKING:
    from cycler.terminal import Sheet

CELLS_SHOWN = 60
"""Packs of more cells are told in the file alone, unless all are asked for."""
REJECTS_SHOWN = 20


@click.command(
    cls=Command, short_help="Grade measured cells and match them to packs.",
    examples=("cycler cells stock.csv --rated 2.6", "cycler cells stock.csv --rated 2.6 --series 10 --parallel 4 --packs 10 --to packs.csv"),
)
@click.argument("cell_list", metavar="LIST.csv")
@click.option("--series", "-S", metavar="S", type=int, help="Groups in series of one pack.")
@click.option("--parallel", "-P", metavar="P", type=int, help="Cells in parallel of one group.")
@click.option("--packs", "-N", metavar="N", type=int, help="How many packs; 1 if left out.")
@click.option("--rated", metavar="AH", type=float, help="Rated capacity of one new cell, where list and rules do not say it.")
@click.option("--chemistry", metavar="NAME", help="nmc (default), nca, lco, lmo, lfp or lto: decides the limits of rest voltage.")
@click.option("--days", metavar="D", type=float, help="Days between the two rest voltages, where the list has no dates.")
@click.option("--rules", "rules_file", metavar="RULES.toml", help="Limits of your own in place of those that come with the program.")
@click.option("--use-not-proven", is_flag=True, help="Match cells too of which something is not proven; it is told which.")
@click.option("--seed", metavar="N", type=click.IntRange(0), default=1, show_default=True, help="Start of the search: same list and seed, same packs.")
@click.option("--seconds", metavar="T", type=click.FloatRange(0.1, 3600.0), default=20.0, show_default=True, help="Longest search.")
@click.option("--to", "target", metavar="FILE.csv", help="Write every cell with its grade, pack and group; a file is never overwritten.")
@click.option("--all", "show_all", is_flag=True, help="Print every group's cells and every reject, however many.")
@json_option("One JSON object (schema cycler.cells/1).")
@click.pass_obj
def cells(
    settings: Settings, cell_list: str, series: int | None, parallel: int | None, packs: int | None, rated: float | None, chemistry: str | None,
    days: float | None, rules_file: str | None, use_not_proven: bool, seed: int, seconds: float, target: str | None, show_all: bool, as_json: bool,
) -> None:
    """Grade cells taken from old packs, and put them together to packs whose groups are alike.

    LIST.csv has one line for each cell: id, capacity, resistance, rest voltages of two days with their dates, remarks; headings name the units.
    Without --series and --parallel cells are graded only.

    A pack holds what its weakest group holds. The sum of the weakest groups is made as large as it can be, and resistances as alike as that allows;
    the bound that no arrangement can beat is printed beside it.
    """
    if (series is None) != (parallel is None) or (packs is not None and series is None):
        raise click.UsageError("Packs need both --series and --parallel.")
    for name, value in (("--rated", rated), ("--days", days)):
        if value is not None and not 0 < value < 1e4:
            raise click.UsageError(f"{name} must be above zero.")
    from cycler.matching import assignment_csv, grade, grades_only, load_cells, load_rules, make_packs

    check_target(target)
    rules = load_rules(rules_file, chemistry).with_rated(rated)
    listed = load_cells(cell_list)
    graded = grade(listed if days is None else listed.with_days(days), rules)
    if series is None or parallel is None:
        result = grades_only(graded)
    else:
        with Working(settings, "matching cells"):
            result = make_packs(graded, series, parallel, 1 if packs is None else packs, seed=seed, seconds=seconds, use_not_proven=use_not_proven)
    if target is not None:
        write_new(target, assignment_csv(result, graded).encode("utf-8-sig"))
    if as_json:
        print_json(result)
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    print_grades(sheet, result, show_all)
    if result["packs"]:
        print_packs(sheet, result, show_all)
    for item in result["warnings"]:
        sheet.blank()
        sheet.line(f"Note: {item['words']}")
    sheet.title("Caution")
    for item in result["cautions"]:
        sheet.line(item["words"])
    if target is not None:
        sheet.blank()
        sheet.path(f"Wrote every cell to {target}")


def check_target(target: str | None) -> None:
    """InputError before the work if the file cannot become one."""
    if target is None:
        return
    from pathlib import Path

    from cycler.errors import InputError

    path = Path(target)
    if path.exists():
        raise InputError("the file exists", target, "a file is never overwritten", "name another file with --to")
    if not path.parent.is_dir():
        raise InputError("the folder does not exist", str(path.parent), "the file cannot be written there", "make it, or name another file with --to")


def write_new(target: str, content: bytes) -> None:
    """A whole file under a new name. InputError if it is taken or cannot be written."""
    from pathlib import Path

    from cycler.files import ready_files

    with ready_files("matching", [(Path(target), content)]) as ready:
        ready.name_them()


def print_grades(sheet: Sheet, result: Mapping[str, Any], show_all: bool) -> None:
    """How many cells have which grade, and why."""
    from cycler.matching.words import GRADE_WORDS, REASON_WORDS
    from cycler.terminal import row, ruled

    rests = result["list"]
    against = {
        "stated": f"rated {rests['rated_capacity_ah'] or 0:g} Ah", "list": "the rated capacity in the list", "median": "the median of the list",
    }[rests["rated_from"]]
    sheet.line(f"{result['cells']['read']} cells, {rests['chemistry'].upper()}, against {against}; rules: {result['rules']['title']}.")
    sheet.blank()
    table = ruled(("Grade", "t"), ("Cells", "n"), ("Why not better", "t"))
    table.columns[0].no_wrap = True
    for name, words in GRADE_WORDS.items():
        why = "; ".join(f"{REASON_WORDS.get(code, code)} ({n})" for code, n in (result["reasons"].get(name) or {}).items())
        row(table, words.capitalize(), str(result["cells"][name]), why)
    sheet.table(table)
    for name, title in (("rejects", "Rejected"), ("not_proven", "Not proven")):
        lines = result[name]
        if not lines:
            continue
        sheet.title(title)
        shown = lines if show_all else lines[:REJECTS_SHOWN]
        table = ruled(("Cell", "t"), ("Why", "t"))
        for item in shown:
            row(table, item["id"], "; ".join(reason["words"] for reason in item["reasons"]))
        sheet.table(table)
        if len(shown) < len(lines):
            sheet.line(f"... and {len(lines) - len(shown)} more: --all prints them.")


def print_packs(sheet: Sheet, result: Mapping[str, Any], show_all: bool) -> None:
    """The packs, their weakest groups, and how good they are."""
    from cycler.terminal import bare, row, ruled

    sheet.title(f"Packs of {result['series']}S {result['parallel']}P")
    table = ruled(("Pack", "n"), ("Weakest\nAh", "n"), ("Expected\nAh", "n"), ("Weakest\ngroup", "n"), ("Cells alone\nmΩ", "n"), ("Capacities\napart %", "n"), ("Resistances\napart %", "n"))
    for pack in result["packs"]:
        row(
            table, str(pack["pack"]), f"{pack['capacity_ah']:.3f}", bare(pack["expected_capacity_ah"], pack["u_capacity_ah"], "Ah"), str(pack["weakest_group"]),
            bare(pack["resistance_ohm"], pack["u_resistance_ohm"], "ohm"), f"{100 * pack['spread_share']:.2f}", f"{100 * pack['resistance_spread_share']:.2f}",
        )
    sheet.table(table)
    sheet.blank()
    sheet.line(
        "Weakest: sum of the readings of the weakest group. Expected: what the pack may hold, since with uncertain readings another group may be the weakest; "
        "± expanded uncertainty, k = 2. Cells alone: without joints, leads and board."
    )
    sheet.title("How good")
    for words in result["summary"]:
        sheet.line(words)
    if not show_all and result["cells"]["used"] > CELLS_SHOWN:
        sheet.blank()
        sheet.line("Which cell goes where: write it to a file with --to, or print it with --all.")
        return
    sheet.title("Which cell goes where")
    table = ruled(("Pack", "n"), ("Group", "n"), ("Ah", "n"), ("mΩ", "n"), ("mV apart", "n"), ("Cells", "t"))
    for pack in result["packs"]:
        for group in pack["groups"]:
            row(
                table, str(pack["pack"]), str(group["group"]), bare(group["capacity_ah"], group["u_capacity_ah"], "Ah"),
                bare(group["resistance_ohm"], group["u_resistance_ohm"], "ohm"),
                "–" if group["voltage_apart_v"] is None else f"{1e3 * group['voltage_apart_v']:.0f}", ", ".join(group["cell_ids"]),
            )
    sheet.table(table)
