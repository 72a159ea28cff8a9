"""What the command line shows of an evaluated bench sheet, from readings to what to measure next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.text import Text

from cycler.quantities import significant_text
from cycler.repair.causes import observations
from cycler.repair.cautions import DEFERENCE
from cycler.repair.chances import WITHIN_WORDS, chance_text, share_text, times_text
from cycler.tables import SEVERITY_WORDS, build_parts
from cycler.terminal import DASH, Sheet, bare, figure, items, row, ruled, sentence

_STYLE = {"danger": "bold red", "defect": "red", "caution": "yellow", "info": ""}
LEVEL_WORDS = {
    "ok": "ok", "low": "low", "precharge": "too low to charge normally", "no_charge": "NEVER CHARGE", "reversed": "REVERSED", "over_full": "OVER FULL", "unknown": "not known",
}
_LEVEL_STYLE = {"no_charge": "bold red", "reversed": "bold red", "over_full": "bold red", "precharge": "yellow", "low": "yellow"}
FINDING_WORDS = {
    "tap_missing": "tap not read", "tap_double_step": "step of two groups", "tap_falls": "reading falls", "taps_swapped": "taps exchanged", "tap_count": "a tap read twice",
    "tap_sign": "wrong sign", "tap_implausible": "no voltage of a cell", "group_outlier": "unlike the others", "sense_lead_suspect": "lead in doubt", "measured_directly": "measured at the cells",
    "deduced": "from both together", "string_open": "string open before it",
}
CAUSES_SHOWN = 6
NEXT_SHOWN = 4
_EVIDENCE_SHOWN = 4
_SHARE_SHOWN = 0.03
"""Causes less likely than that are named in one line, without their evidence; the first is always shown."""
_UNWEIGHED_SHOWN = 3
"""So many causes are shown where no reading speaks for or against any: then they only stand as often as they occur."""
_NAMED = 2
"""So many of the others are named."""


def print_bench(sheet: Sheet, evaluation: Mapping[str, Any]) -> None:
    """All of an evaluated sheet that a person decides by, dangers first, cautions last."""
    _print_head(sheet, evaluation)
    _print_remarks(sheet, [item for item in items(evaluation.get("remarks")) if item["severity"] == "danger"], "Danger")
    _print_groups(sheet, evaluation["taps"])
    _print_probes(sheet, items(evaluation.get("probes")))
    _print_remarks(sheet, [item for item in items(evaluation.get("remarks")) if item["severity"] != "danger"], "What the readings say")
    _print_causes(sheet, items(evaluation.get("causes")))
    _print_ruled_out(sheet, items(evaluation.get("ruled_out")))
    _print_next(sheet, items(evaluation.get("next")))
    if missing := items(evaluation.get("missing")):
        sheet.title("What the sheet cannot tell")
        for item in missing:
            sheet.line(f"{sentence(item['what']).rstrip('.')}: {item['why'].rstrip('.')}. {sentence(item['how'])}")
    sheet.title("Heed")
    for item in items(evaluation.get("cautions")):
        sheet.line(item["words"])
    sheet.line(DEFERENCE)


def _print_head(sheet: Sheet, evaluation: Mapping[str, Any]) -> None:
    taken = " ".join(part for part in (evaluation.get("taken_at") or "", f"by {evaluation['taken_by']}" if evaluation.get("taken_by") else "") if part)
    look = evaluation.get("look") or {}
    yes = [item.replace("_", " ") for item, word in look.items() if word == "yes"]
    no = [item.replace("_", " ") for item, word in look.items() if word == "no"]
    sheet.pairs([
        ("Pack", ", ".join([evaluation["pack"].get("id") or "no id", *build_parts(evaluation["pack"])])),
        *([("Taken", taken)] if taken else []),
        *([("Told", evaluation["complaint"])] if evaluation.get("complaint") else []),
        *([("Lamps", evaluation["lamps"])] if evaluation.get("lamps") else []),
        ("Seen", ", ".join(yes) or "nothing of what was looked for" if yes or no else "not looked at yet"),
        *([("Not found", ", ".join(no))] if no else []),
    ])


def _print_remarks(sheet: Sheet, remarks: Sequence[Mapping[str, Any]], title: str) -> None:
    if not remarks:
        return
    sheet.title(title)
    for item in remarks:
        text = Text(f"{SEVERITY_WORDS[item['severity']]}: ", style=_STYLE[item["severity"]])
        text.append(f"{sentence(item['message'])}" + (f" [{item['evidence']}]" if item.get("evidence") else ""), style="")
        sheet.line(text)


def _print_groups(sheet: Sheet, taps: Mapping[str, Any]) -> None:
    if not taps["taken"]:
        return
    sheet.title("Groups")
    table = ruled(("Group", "n"), ("Voltage\nV", "n"), ("Charge\n%", "n"), ("Level", "t"), ("Remarks", "t"))
    for group in taps["groups"]:
        words = [FINDING_WORDS[code] for code in group["findings"] if code in FINDING_WORDS]
        if group["voltage_v"] is None:
            if group.get("together_with"):
                words.append(f"known only with group {', '.join(map(str, group['together_with']))}")
            if group.get("low_voltage_v") is not None:
                words.append(f"between {group['low_voltage_v']:.2f} and {group['high_voltage_v']:.2f} V")
            if group.get("apparent_v") is not None:
                words.append(f"read {group['apparent_v']:.3f} V")
        charge = DASH
        if group["state_of_charge"] is not None:
            charge = f"{100.0 * group['low_state_of_charge']:.0f} to {100.0 * group['high_state_of_charge']:.0f}"
        row(
            table, str(group["group"]), bare(group["voltage_v"], group["u_voltage_v"], "V"), charge,
            Text(LEVEL_WORDS[group["level"]], style=_LEVEL_STYLE.get(group["level"], "")), "; ".join(words),
        )
    sheet.table(table)
    part = " (of the groups read)" if taps["sum_is_part"] else ""
    rows: list[tuple[str, str]] = [("Taps", f"{taps['found_taps']} read" + (f", {taps['expected_taps']} expected" if taps["expected_taps"] else ""))]
    if taps["sum_v"] is not None:
        rows.append(("Sum", figure(taps["sum_v"], taps["u_sum_v"], "V") + part))
    if taps["compared_with"]:
        across = "across the cells" if taps["compared_with"] == "cells_v" else "at the contacts"
        rows.append(("Sum minus pack", f"{figure(taps['difference_v'], taps['u_difference_v'], 'V')} ({across})"))
    if taps["median_v"] is not None:
        rows.append(("Median", figure(taps["median_v"], taps.get("u_median_v"), "V")))
    if taps["spread_v"] is not None:
        rows.append(("Highest minus lowest", figure(1000.0 * taps["spread_v"], 1000.0 * taps["u_spread_v"], "mV")))
    sheet.pairs(rows)


def _print_probes(sheet: Sheet, probes: Sequence[Mapping[str, Any]]) -> None:
    if not probes:
        return
    sheet.title("Thermistors")
    table = ruled(("Probe", "t"), ("Ω", "n"), ("°C", "n"), ("Board sees\n°C", "n"), ("Type", "t"))
    for probe in probes:
        kind = probe["type"] or (f"one of: {'; '.join(probe['candidates'])}" if probe["candidates"] else "not known")
        ohm = "overload" if probe["ohm"] is None and "probe_open" in probe["findings"] else significant_text(probe["ohm"], 5) if probe["ohm"] is not None else DASH
        believes = probe["board_believes_c"]
        row(table, probe["name"], ohm, bare(probe["temperature_c"], probe["u_temperature_c"], "degC"), DASH if believes is None else f"{believes:.0f}", kind)
    sheet.table(table)


def _print_causes(sheet: Sheet, causes: Sequence[Mapping[str, Any]]) -> None:
    if not causes:
        return
    sheet.title("Causes, the likeliest first")
    most = CAUSES_SHOWN if any(cause.get("for") or cause.get("against") for cause in causes) else _UNWEIGHED_SHOWN
    shown_causes = [cause for number, cause in enumerate(causes[:most]) if not number or cause["probability"] >= _SHARE_SHOWN]
    for number, cause in enumerate(shown_causes, 1):
        line = Text(f"{number}. {sentence(cause['title']).rstrip('.')}: {chance_text(cause)}", style="bold" if number == 1 else "")
        sheet.line(line)
        sheet.line(f"   {sentence(cause['words'])}")
        for word, key, sign in (("for it", "for", 1.0), ("against it", "against", -1.0)):
            strong = [item for item in items(cause.get(key)) if times_text(item["factor"])]
            shown = sorted(strong, key=lambda item: -sign * item["factor"])[:_EVIDENCE_SHOWN]
            for item in shown:
                sheet.line(f"   {word}: {item['words']} ({factor_text(item['factor'])})")
    rest = causes[len(shown_causes):]
    if rest:
        named = ", ".join(f"{item['title'].rstrip('.')} ({share_text(item['probability'])})" for item in rest[:_NAMED])
        more = rest[_NAMED:]
        counted = f"; {len(more)} more have {share_text(sum(item['probability'] for item in more))} together" if more else ""
        sheet.line(f"After these: {named}{counted}. All of them with --json.")
    sheet.line(f"Basis: {causes[0]['basis']}. {WITHIN_WORDS}")


def factor_text(factor: float) -> str:
    """A likelihood ratio in words."""
    return f"makes it {times_text(factor)} times {'as' if factor >= 1.0 else 'less'} likely"


def _print_ruled_out(sheet: Sheet, ruled_out: Sequence[Mapping[str, Any]]) -> None:
    if not ruled_out:
        return
    sheet.title("Ruled out")
    together: dict[str, list[str]] = {}
    for item in ruled_out:
        together.setdefault("; ".join(by["words"] for by in item["by"]), []).append(item["title"].rstrip("."))
    for words, titles in together.items():
        sheet.line(f"{sentence('; '.join(titles))} By: {words}.")


def _print_next(sheet: Sheet, following: Sequence[Mapping[str, Any]]) -> None:
    if not following:
        return
    sheet.title("Measure next")
    known = {item.key for item in observations()}
    for number, item in enumerate(following[:NEXT_SHOWN], 1):
        wait = f", after {item['wait_h']:g} h of waiting" if item.get("wait_h") else ""
        sheet.line(f"{number}. {sentence(item['words']).rstrip('.')} ({significant_text(item['minutes'], 2)} min{wait}; {item['bits']:.2f} bit). {sentence(item['how'])}")
        if item.get("needs"):
            sheet.line(f"   Needs: {sentence(item['needs'])}")
        if item["key"] in known:
            sheet.line(f"   Enter under [observed] as {item.get('enter') or item['key']}")
