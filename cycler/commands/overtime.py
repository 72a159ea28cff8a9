"""Commands on several days of one pack: ``standing``, ``history``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, RunNumber, Settings, json_option, print_json
from cycler.commands.keeping import open_register

if TYPE_CHECKING:
    from cycler.terminal import Sheet


@click.command(
    cls=Command, short_help="Self-discharge from two rests on different days.",
    examples=("cycler standing 3 7", "cycler standing 3 7 --untouched --json"),
)
@click.argument("run_a", metavar="RUN", type=RunNumber())
@click.argument("run_b", metavar="RUN", type=RunNumber())
@click.option("--untouched", is_flag=True, help="You know that nothing was connected in between, whatever the voltages suggest.")
@json_option("One JSON object.")
@click.pass_obj
def standing(settings: Settings, run_a: int, run_b: int, untouched: bool, as_json: bool) -> None:
    """Show which group lost charge while a pack was left alone between two runs.

    The earlier run must end with a rest and the later one begin with one, both with the group voltages and a date. Days or weeks show leaks
    that no single log does.
    """
    from cycler.standing import standing as join_rests

    with open_register(settings) as register:
        result = join_rests(register, run_a, run_b, untouched)
    if as_json:
        print_json(result)
        return
    from cycler.tables import CAUTION, CAUTION_SHORT
    from cycler.terminal import Sheet, bare, figure, items, row, ruled, sentence

    sheet = Sheet()
    first, second = items(result["runs"])
    sheet.pairs([
        ("Pack", result["pack_id"]),
        *((word, _end_text(end)) for word, end in (("From", first), ("To", second))),
        ("Apart", figure(result["days"], result["u_days"] or None, "") + " days"),
    ])
    sheet.blank()
    table = ruled(("Group", "n"), ("First\nV", "n"), ("Second\nV", "n"), ("Drift\nmV/day", "n"), ("Leak\nmA", "n"), ("30 days\n%", "n"), ("Least\nmA", "n"), ("", "t"))
    for line in items(result["groups"]):
        row(
            table, str(line["group"]), bare(line["first_v"], None, "V"), bare(line["second_v"], None, "V"),
            bare(line["drift_to_siblings_mv_per_day"], line["u_drift_to_siblings_mv_per_day"], "mV"),
            bare(line["self_discharge_ma"], line["u_self_discharge_ma"], "mA"),
            bare(line["share_per_30_days"], line["u_share_per_30_days"], "share"), bare(line["smallest_leak_shown_ma"], None, "mA"),
            "leaks" if line["leaks"] else "watch" if line["watch"] else "more" if line["shown"] else ", ".join(REASON_WORDS.get(code, code) for code in line["reasons"]),
        )
    sheet.table(table)
    sheet.blank()
    sheet.line(
        "Drift, leak and loss are those beyond the group's siblings; what all groups lose alike is not seen. ± expanded uncertainty, k = 2. "
        "Least: the smallest leak that these two rests could have shown."
    )
    if result["leaking"]:
        sheet.line(
            f"Group {', '.join(map(str, result['leaking']))} loses clearly more than its siblings: look for a leaking cell, moisture or a board that "
            "draws from it, and do not store or send the pack before that is found."
        )
    for note in items(result["notes"]):
        sheet.line(sentence(note))
    sheet.blank()
    sheet.line(CAUTION if result["leaking"] else CAUTION_SHORT)


REASON_WORDS = {
    "no_discharge_curve": "no discharge logged", "outside_curve": "outside the curve", "log_gap": "gap in the curve",
    "plateau_flat": "curve too flat", "slope_vague": "slope not known", "readings_too_few": "not read",
}


def _end_text(end: Mapping[str, Any]) -> str:
    label = f", {end['label']}" if end["label"] else ""
    heat = "" if end["temperature_c"] is None else f", {end['temperature_c']:.1f} °C"
    return f"run {end['run']}{label}, {end['at'][:16].replace('T', ' ')}{heat}"


@click.command(
    cls=Command, short_help="Figures of a pack over all its runs.", examples=("cycler history EB-0412", "cycler history EB-0412 --since 4 --json"),
)
@click.argument("pack_id", metavar="PACK_ID")
@click.option("--since", metavar="RUN", type=RunNumber(), help="Run at which the lines begin: the first one after a repair.")
@json_option("One JSON object.")
@click.pass_obj
def history(settings: Settings, pack_id: str, since: int | None, as_json: bool) -> None:
    """Show capacity, resistance and groups of a pack run by run, with fade and growth.

    PACK_ID is the id in the pack file. Lines need three valid runs; what one instrument reads wrongly in all of them hardly tilts a line.
    """
    from cycler.history import history as tell_history
    from cycler.storage import clean_text

    with open_register(settings) as register:
        result = tell_history(register, clean_text(pack_id), since)
    if as_json:
        print_json(result)
        return
    from cycler.tables import CAUTION_SHORT
    from cycler.terminal import Sheet, items, row, ruled, sentence

    sheet = Sheet()
    sheet.pairs([("Pack", result["pack_id"]), ("Runs", str(len(result["runs"])))])
    sheet.blank()
    shown = [
        column for column in COLUMNS
        if column[0] != "self_discharge_worst_ma" or any(line["figures"][column[0]]["value"] is not None for line in items(result["runs"]))
    ]
    table = ruled(("Run", "n"), ("Date", "t"), *((head, "n") for _, _, head in shown))
    for line in items(result["runs"]):
        cells = [_cell(line["figures"][key], unit) for key, unit, _ in shown]
        row(table, str(line["run"]) + ("" if line["in_line"] else "*"), line["at"][:10] + ("" if line["date_known"] else " (added)"), *cells)
    sheet.table(table)
    sheet.title("Change over the runs")
    for line in result["lines"].values():
        _print_line(sheet, line)
    sheet.blank()
    sheet.line(
        "± expanded uncertainty, k = 2. ~ Within it, no change shown. ≥ A lower bound, ? not valid: neither is in a line. * Not in the lines. "
        "Worst: capacity of the weakest group over its siblings. In brackets: its number."
    )
    for item in items(result["breaks"]):
        sheet.line(sentence(f"The lines begin anew at run {item['run']}: {item['why'].replace('_', ' ')}"))
    for note in items(result["notes"]):
        sheet.line(sentence(note))
    sheet.line(CAUTION_SHORT)


COLUMNS = (
    ("capacity_ah", "Ah", "Capacity\nAh"), ("state_of_health", "share", "Health\n%"), ("resistance_10s_ohm", "ohm", "10 s\nmΩ"),
    ("group_capacity_ratio_worst", "share", "Worst\n%"), ("self_discharge_worst_ma", "mA", "Leak\nmA"),
)


def _cell(figure: Mapping[str, Any], unit: str) -> str:
    from cycler.terminal import bare

    text = bare(figure["value"], figure["u"], unit)
    if figure["value"] is None:
        return text
    group = f" ({figure['group']})" if figure["group"] else ""
    return ("≥ " if figure["lower_bound"] else "") + text + group + (" ?" if figure["reasons"] and not figure["lower_bound"] else "")


LINE_REASONS = {"too_few_points": "fewer than three valid runs", "no_spread": "all on one day"}


def _print_line(sheet: Sheet, line: Mapping[str, Any]) -> None:
    from cycler.terminal import figure

    parts = []
    for name, words in (("per_30_days", "in 30 days"), ("per_run", "per run")):
        if line[name] is None:
            why = ", ".join(LINE_REASONS.get(code, code.replace("_", " ")) for code in line[f"reasons_{name}"])
            parts.append(f"{words}: not known ({why})")
            continue
        sign = "+" if line[name] > 0 else ""
        relative = ""
        if line["unit"] != "share" and line[f"share_{name}"] is not None:
            relative = f" ({'+' if line[f'share_{name}'] > 0 else ''}{figure(line[f'share_{name}'], line[f'u_share_{name}'], 'share')})"
        mark = "" if line[f"significant_{name}"] else " ~"
        scatter = "; scatters more than its uncertainty" if line[f"reasons_{name}"] else ""
        parts.append(f"{sign}{figure(line[name], line[f'u_{name}'], line['unit'])}{relative} {words}{mark}{scatter}")
    sheet.line(f"{line['label']}: " + "; ".join(parts) + f". Runs {', '.join(map(str, line['runs'])) or 'none'}.")
