"""What the command line shows of the options for a pack, and of two plugs held against each other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from cycler.repair.cautions import DEFERENCE
from cycler.repair.chances import share_text
from cycler.repair.options import WORTH_NAMING, money_text, span_text
from cycler.terminal import DASH, Sheet, figure, row, ruled, sentence

VERDICT_WORDS = {"same": "same", "wrong": "WRONG", "not_measured": "not known"}
_STYLES = {"do_not_connect": "bold red", "not_known": "bold yellow", "agrees": "bold"}


def print_options(sheet: Sheet, result: Mapping[str, Any]) -> None:
    """Vetoes, what to look at first, the ranked table, what would turn it, each option in words, cautions."""
    money = result["currency"]
    pack = result["pack"]
    sheet.pairs([("Pack", pack.get("id") or "not named"), ("Causes", _causes(result))])
    if result["vetoes"]:
        sheet.title("Vetoes")
        for item in result["vetoes"]:
            sheet.line(Text(item["words"], style="bold red"))
    if result["look_first"]:
        sheet.title("First of all")
        for number, item in enumerate(result["look_first"], 1):
            sheet.line(f"{number}. {item['words']} {item['why']}")
    by_code = {item["code"]: item for item in result["options"]}
    sheet.title("Options, the best first")
    table = ruled(("", "n"), ("Option", "t"), (f"Expected net,\n{money}", "n"), (f"Lowest to highest,\n{money}", "n"), ("Passes", "n"), ("Hours", "n"))
    for place, code in enumerate(result["ranked"], 1):
        item = by_code[code]
        row(
            table, str(place), item["title"], money_text(item["net_expected"], item["u_net"], "").strip(), span_text([item["net_low"], item["net_high"]], "").strip(),
            DASH if item["chance_of_success"] is None else f"{100 * item['chance_of_success']:.0f} %", span_text(item["hours"], "h"),
        )
    sheet.table(table)
    if result["lead"]:
        sheet.line(result["lead"]["words"])
    sheet.line(result["turning"]["words"])
    if result["not_mended"]:
        sheet.line(result["not_mended"]["words"])
    sheet.title("Why")
    for code in [*result["ranked"], *(item["code"] for item in result["options"] if item["missing"] and not item["barred_by"])]:
        sheet.line(f"{by_code[code]['title']}: {sentence(by_code[code]['reason'])}")
    barred = [item["title"] for item in result["options"] if item["barred_by"]]
    if barred:
        sheet.line(f"Barred by what stands under Vetoes: {'; '.join(barred)}.")
    first = by_code.get(result["first"] or "")
    if first is not None:
        sheet.title(f"{first['title']}: what it needs")
        for words in first["needs"]:
            sheet.line(f"- {words}")
    sheet.title("How it was reckoned")
    sheet.line(
        "The expected net is a mean over many packs like this one, ± its expanded uncertainty (k = 2) from the ranges, each taken as equally likely everywhere in it. A pack "
        "that does not pass after a repair is counted as scrapped."
    )
    if result["assumed"]:
        which = "every figure" if len(result["assumed"]) > 18 else ", ".join(result["assumed"])
        sheet.line(f"Invented figures were counted in place of your own for {which}. Write your own file with: cycler options --new WORKSHOP.toml")
    _print_cautions(sheet, result["cautions"])


def _causes(result: Mapping[str, Any]) -> str:
    told = [f"{item['title']} {share_text(item['probability'])}" for item in result["causes"] if item["probability"] >= WORTH_NAMING]
    return "; ".join(told[:5]) or "none named"


def print_donor(sheet: Sheet, result: Mapping[str, Any]) -> None:
    """The result in words, pin by pin, what the plugs differ by, cautions."""
    sheet.line(Text(result["words"], style=_STYLES[result["result"]]))
    sheet.blank()
    sheet.pairs([
        ("Pack's plug", _side(result, "own")), ("Board's plug", _side(result, "donor")),
    ])
    sheet.blank()
    table = ruled(("Pin", "n"), ("Pack", "t"), ("V", "n"), ("Board expects", "t"), ("V", "n"), ("", "t"), ("Across the input", "n"))
    for item in result["pins"]:
        verdict = Text(VERDICT_WORDS[item["verdict"]], style="bold red" if item["verdict"] == "wrong" else "")
        row(
            table, str(item["pin"]), item["own_role"], _volts(item["own_v"]), item["donor_role"], _volts(item["donor_v"]), verdict,
            DASH if item["across_v"] is None else figure(item["across_v"], item["u_across_v"], "V"),
        )
    sheet.table(table)
    if result["remarks"]:
        sheet.title("Remarks")
        for item in result["remarks"]:
            sheet.line(f"- {item['words']}")
    sheet.blank()
    sheet.line("Potentials stand against pack negative. Across the input: own potential less what the input is made for, at the charge of the pack.")
    if result["meter_assumed"]:
        sheet.line("The meter's limits of error are not stated; ± is counted with those of a simple meter (1 % of reading, 5 mV).")
    _print_cautions(sheet, result["cautions"])


def _side(result: Mapping[str, Any], name: str) -> str:
    parts = [result[f"{name}_name"] or "not named"]
    parts += [f"{result[f'series_{name}']} groups"] if result[f"series_{name}"] else ["groups not known"]
    parts += [f"{result[f'step_{name}_v']:.3f} V a group"] if result[f"step_{name}_v"] else []
    parts += [result[f"keying_{name}"]] if result[f"keying_{name}"] else []
    return ", ".join(parts)


def _volts(value: float | None) -> str:
    return DASH if value is None else f"{value:.3f}"


def _print_cautions(sheet: Sheet, cautions: list[dict[str, str]]) -> None:
    sheet.title("Caution")
    for item in cautions:
        sheet.line(item["words"])
    sheet.line(DEFERENCE)
