"""The command ``plan``: a test from pack, instruments at hand and criteria, as a table and as a bench card."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, RunNumber, Settings, criteria_option, json_option, print_json

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.pack import Pack
    from cycler.plan import Wanted
    from cycler.terminal import Sheet


@click.command(
    cls=Command,
    examples=(
        "cycler plan --pack eb-0412.toml --equipment bench.toml --criteria resale --to card.html",
        "cycler plan --for 3 --equipment bench.toml",
    ),
)
@click.option("--pack", "pack_file", metavar="PACK.toml", help="Ratings and limits of the pack; without it those that the run of --for was added with.")
@click.option("--equipment", "equipment_file", metavar="EQUIPMENT.toml", required=True, help="Charger, load and logger at hand; a sample is sample_logs/equipment.toml.")
@criteria_option(" With --for the set of the run's newest verdict, unless one is named.")
@click.option("--for", "run_id", metavar="RUN", type=RunNumber(), help="Plan what would settle this run's newest verdict.")
@click.option("--conditions", metavar="NAME", help="Rates and rests: workshop (default), portable, industrial or light-vehicle.")
@click.option("--rate", "rate_it", type=float, metavar="IT", help="Rate of the discharge in It: 0.2 empties the rated capacity in 5 h.")
@click.option("--required-only", is_flag=True, help="Leave out criteria that only advise.")
@click.option("--first-charge", is_flag=True, help="The pack lay empty, or nobody knows it: begin with a trial charge under watch.")
@click.option("--two-current", is_flag=True, help="Add the two-current step of the cell standards (0.2 It, then 1 It).")
@click.option("--to", "card_file", metavar="CARD.html", help="Write the bench card, one page to print.")
@json_option("One JSON object, schema cycler.plan/1.")
@click.pass_obj
def plan(
    settings: Settings, pack_file: str | None, equipment_file: str, criteria_name: str | None, run_id: int | None, conditions: str | None, rate_it: float | None,
    required_only: bool, first_charge: bool, two_current: bool, card_file: str | None, as_json: bool,
) -> None:
    """Plan a test before it is run.

    Charge, rest, load step, discharge and long rest with currents, limits, stop conditions, time between rows, duration and heat, so that one run gives
    every figure that the criteria ask for; says which figures the instruments at hand cannot give, and why. Times and heat are estimates for a pack
    that nobody has measured. The maker's limits come before those of the plan.
    """
    from cycler.plan import conditions_of, load_equipment, make_plan

    equipment = load_equipment(equipment_file)
    how = conditions_of(conditions, rate_it)
    pack, criteria, wanted, dangers = _given(settings, pack_file, criteria_name, run_id)
    made = make_plan(
        pack, equipment, criteria, wanted=wanted, conditions=how, required_only=required_only, first_charge=first_charge, two_current=two_current, dangers=dangers,
    )
    if card_file is not None:
        _write_card(card_file, made)
    if as_json:
        print_json(made)
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    print_plan(sheet, made)
    if card_file is not None:
        sheet.blank()
        sheet.path(f"Bench card: {card_file}")


def _given(settings: Settings, pack_file: str | None, criteria_name: str | None, run_id: int | None) -> tuple[Pack, Criteria, Wanted | None, list[str]]:
    """Pack, criteria, what a run's verdict lacks, and open dangers of its pack."""
    from cycler.criteria import load_criteria
    from cycler.errors import InputError
    from cycler.pack import load_pack

    if run_id is None:
        if pack_file is None:
            raise InputError("no pack is named", "--pack", "currents and voltages come from its ratings", "name its file with --pack, or a run with --for")
        return load_pack(pack_file), load_criteria(criteria_name), None, []
    from cycler.commands.keeping import open_register
    from cycler.plansource import basis_of_run

    with open_register(settings) as register:
        basis = basis_of_run(register, run_id, load_criteria(criteria_name) if criteria_name else None)
    assert basis.criteria is not None
    return load_pack(pack_file) if pack_file else basis.pack, basis.criteria, basis.wanted, list(basis.dangers)


def _write_card(card_file: str, made: Mapping[str, Any]) -> None:
    from cycler.files import ready_files
    from cycler.plan import plan_card_html

    with ready_files("bench card", [(Path(card_file), plan_card_html(made).encode())]) as files:
        files.name_them()


def print_plan(sheet: Sheet, made: Mapping[str, Any]) -> None:
    """A plan: heads, warnings, the table of steps, each step in words, what is not covered, cautions."""
    from cycler.plan import text
    from cycler.terminal import row, ruled

    sheet.title(made["title"])
    pairs = [("Pack", text.pack_text(made)), ("Bench", text.bench_text(made)), ("Judged by", made["criteria_title"])]
    if made["steps"]:
        pairs += [("Takes", text.total_text(made)), ("Log", text.log_text(made)), ("Heat", text.energy_text(made))]
    sheet.pairs([(name, value) for name, value in pairs if value])
    if made["for_settling"]:
        sheet.title("What would settle it")
        for sentence in made["for_settling"]:
            sheet.line(f"- {sentence}")
    if made["warnings"]:
        sheet.title("Warnings")
        for item in made["warnings"]:
            sheet.line(f"{'DANGER: ' if item['severity'] == 'danger' else ''}{item['words']} {item['mend']}")
    if made["steps"]:
        sheet.title("Steps")
        table = ruled(("No", "n"), ("Step", "t"), ("Set", "n"), ("Takes", "n"), ("At most", "n"), ("Warms", "n"))
        for step in made["steps"]:
            row(table, str(step["number"]), step["title"], text.setting_text(step), text.takes_text(step), text.most_text(step), text.warms_text(step))
        sheet.table(table)
        sheet.line("Warms: heat, and rise if none of it left the cells, for the resistance that such packs usually have.")
        for step in made["steps"]:
            sheet.blank()
            until = f" Until {'; '.join(step['until'])}." if step["until"] else ""
            log = f" Log {step['sampling_words']}." if step["logged"] else ""
            gives = f" Gives {text.gives_text(step)}." if step["yields"] else ""
            sheet.line(f"{step['number']}  {step['words']}{until}{log}{gives}")
        sheet.blank()
        sheet.line(f"{text.STOP}, current off: {text.stops_text(made)}.")
    _print_known(sheet, made)
    sheet.title("Cautions")
    for item in made["cautions"]:
        sheet.line(item["words"])
    sheet.line(made["deference"])


def _print_known(sheet: Sheet, made: Mapping[str, Any]) -> None:
    """What the instruments will show, and what they cannot."""
    from cycler.plan import text

    if made["not_covered"]:
        sheet.title(text.NOT_COVERED)
        for item in made["not_covered"]:
            sheet.line(f"- {text.missed_text(item)}")
    if made["expected"] or made["notes"]:
        sheet.title("To know beforehand")
        for item in made["expected"]:
            sheet.line(f"- {item['label']}: {item['words']}")
        for note in made["notes"]:
            sheet.line(f"- {note}")
