"""A plan in words: the cells and sentences that command line, bench card and page share."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from cycler.plan.bench import amps, hours_text
from cycler.quantities import significant_text
from cycler.settle import volts_text

WIDTH = 80
STOP = "Stop at once"
NOT_COVERED = "Not given by this plan"
REQUIRED, ADVISORY = "required", "advisory"

Plan = Mapping[str, Any]
PlanStep = Mapping[str, Any]


def setting_text(step: PlanStep) -> str:
    """What to set: "3.12 A to 42.0 V"; a dash at rest."""
    current, voltage = step.get("current_a"), step.get("voltage_v")
    if not current:
        return "–"
    text = amps(abs(current))
    if step["kind"] in ("pulse", "two_current_low", "two_current_high", "below_top", "storage"):
        return text
    return f"{text} to {volts_text(voltage)}" if voltage else text


def takes_text(step: PlanStep) -> str:
    """How long it takes: "2 h 28 min"."""
    return hours_text(step["duration_s"])


def most_text(step: PlanStep) -> str:
    """The most to reckon with, "" where the time is set."""
    return hours_text(step["longest_s"]) if step["longest_s"] > 1.02 * step["duration_s"] else ""


def warms_text(step: PlanStep) -> str:
    """Heat and rise, "" at rest: "1.6 W, 7.9 K"."""
    if not step.get("heat_w"):
        return ""
    rise = step["temperature_rise_k"]
    return f"{significant_text(step['heat_w'], 2)} W" + (f", {significant_text(rise, 2)} K" if rise >= 0.1 else "")


def stops_text(plan: Plan) -> str:
    """What stops every step at once, each once."""
    return "; ".join(dict.fromkeys(stop for step in plan["steps"] if step["kind"] != "look" for stop in step["stop"]))


def gives_text(step: PlanStep) -> str:
    """Ids of the criteria that the step gives."""
    return ", ".join(step["yields"])


def total_text(plan: Plan) -> str:
    """Time of all steps, with its expanded uncertainty and the most to reckon with."""
    if not plan["steps"]:
        return "no steps"
    return f"{hours_text(plan['total_s'])} ± {hours_text(2.0 * plan['u_total_s'])} (k = 2), at most {hours_text(plan['longest_s'])}"


def energy_text(plan: Plan) -> str:
    """What load and pack turn into heat."""
    return f"{significant_text(plan['energy_wh'], 3)} Wh into the load, about {significant_text(plan['heat_wh'], 2)} Wh as heat in pack and leads"


def log_text(plan: Plan) -> str:
    """Length and rows of the log."""
    return f"{hours_text(plan['log_s'])}, at most {plan['rows']} rows"


def pack_text(plan: Plan) -> str:
    """ "EB-0412, nmc 10S4P, 10.4 Ah, 42.0 V to 30.0 V"."""
    pack = plan["pack"]
    build = f"{pack['series']}S" + (f"{pack['parallel']}P" if pack.get("parallel") else "") if pack.get("series") else ""
    parts = [
        pack.get("id"), " ".join(filter(None, (pack.get("chemistry"), build))), f"{significant_text(pack['rated_capacity_ah'], 4)} Ah rated" if pack.get("rated_capacity_ah") else "",
        f"{volts_text(pack['charge_v'])} full, {volts_text(pack['cutoff_v'])} empty" if pack.get("charge_v") else "",
    ]
    return ", ".join(filter(None, parts))


def bench_text(plan: Plan) -> str:
    """Names of charger, load and logger."""
    bench = plan["equipment"]
    named = [f"{part} {bench[part]}" for part in ("charger", "load", "logger") if bench.get(part)]
    return ", ".join([*([bench["name"]] if bench.get("name") else []), *named, *bench.get("extras", ())])


def missed_text(item: Mapping[str, Any]) -> str:
    """A criterion that is not covered, and why."""
    return f"{item['label']} ({item['criterion']}, {REQUIRED if item['required'] else ADVISORY}): {item['why']}."


def plan_text(plan: Plan) -> str:
    """The whole plan as plain text, wrapped at 80 characters."""
    def paragraph(text: str, indent: str = "") -> list[str]:
        return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=" " * len(indent)) or [""]

    lines = [*paragraph(plan["title"]), "", *paragraph(pack_text(plan)), *paragraph(f"Takes {total_text(plan)}")]
    for sentence in plan["for_settling"]:
        lines += paragraph(sentence, "- ")
    for item in plan["warnings"]:
        lines += paragraph(f"{'DANGER: ' if item['severity'] == 'danger' else ''}{item['words']} {item['mend']}", "! ")
    for step in plan["steps"]:
        setting = setting_text(step)
        lines += ["", *paragraph(f"{step['title']}{'' if setting == '–' else f': {setting}'}; {takes_text(step)}", f"{step['number']}. ")]
        lines += paragraph(step["words"], "   ")
        lines += paragraph(f"Until {'; '.join(step['until'])}.", "   ") if step["until"] else []
    for item in plan["not_covered"]:
        lines += paragraph(missed_text(item), "- ")
    lines += ["", *(line for item in plan["cautions"] for line in paragraph(item["words"])), *paragraph(plan["deference"])]
    return "\n".join(lines) + "\n"
