"""Results as text for a terminal: verdict, figures, groups, findings, cautions, runs.

Works from the plain analysis object, so that a run of today and one out of the register print alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rich.text import Text

from cycler.criteria_quantities import number, part
from cycler.detail_tables import print_details
from cycler.measure_tables import beside_capacity, beside_resistance, ended_because, leak_sentences
from cycler.quantities import significant_text
from cycler.record.text import STEP_WORDS, code_label
from cycler.record.values import banded
from cycler.settle import quantity_text
from cycler.terminal import DASH, Sheet, bare, duration, figure, items, row, ruled, sentence

if TYPE_CHECKING:
    from cycler.register import RunRow

RESULT_WORDS = {"pass": "PASS", "fail": "FAIL", "not_proven": "NOT PROVEN"}
_RESULT_STYLE = {"pass": "bold green", "fail": "bold red", "not_proven": "bold yellow"}
SEVERITY_WORDS = {"danger": "DANGER", "defect": "Defect", "caution": "Caution", "info": "Note"}
_SEVERITY_STYLE = {"danger": "bold red", "defect": "red", "caution": "yellow", "info": ""}
SEVERITY_ORDER = ("danger", "defect", "caution", "info")

CAUTION = (
    "A numeric result is no safety certificate. Packs store enough energy to burn: never bridge terminals or taps, charge "
    "under watch, keep to the limits of the cell and pack maker, and ask the carrier before a damaged or suspect pack "
    "travels. Local rules and the judgement of a trained or licensed person come first."
)
CAUTION_SHORT = (
    "A numeric result is no safety certificate: charge repaired packs under watch, and keep to the limits of the cell and pack maker."
)
CAUTION_DANGER = (
    "A danger was found: do not charge, use or send this pack. Keep it apart from people and from what can burn until a "
    "trained person has decided what to do."
)


def rating(value: Any, unit: str) -> str:
    """A rating with its unit, as on a label."""
    return f"{significant_text(value, 6)} {unit}"


# --- analysis ----------------------------------------------------------------------------------------------------


def print_analysis(sheet: Sheet, analysis: Mapping[str, Any], details: bool = False) -> None:
    """All of an analysis that a person decides by, in a fixed order; with ``details`` everything else too, before the caution."""
    sheet.pairs(source_rows(analysis))
    print_verdict(sheet, analysis.get("verdict"))
    sheet.title("Pack")
    counted = [("Counter", str(one.get("summary"))) for one in items(analysis.get("counters")) if items(one.get("steps"))]
    sheet.pairs([
        *capacity_rows(analysis), *beside_capacity(analysis), *_resistance_rows(analysis), *beside_resistance(analysis), *counted,
    ])
    print_groups(sheet, analysis)
    print_findings(sheet, items(analysis.get("findings")))
    print_settle(sheet, analysis.get("verdict"))
    if details:
        print_steps(sheet, analysis)
        print_details(sheet, analysis)
    print_caution(sheet, analysis)


def source_rows(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = []
    for source in items(analysis.get("sources")):
        dropped = source.get("rows_dropped") or 0
        left_out = f", {dropped} left out" if dropped else ""
        rows.append((
            "Read", f"{source.get('file')}: {source.get('rows_read')} rows{left_out}, SHA-256 {str(source.get('sha256'))[:16]}…",
        ))
    rows += columns_rows(analysis)
    pack = analysis.get("pack") or {}
    parts = [*([str(pack["id"])] if pack.get("id") else []), *build_parts(pack)]
    if parts:
        rows.append(("Pack", ", ".join(parts)))
    return rows


def build_parts(pack: Mapping[str, Any]) -> list[str]:
    """What is known of a pack's build: "nmc", "10S4P", "rated 10.4 Ah"."""
    parts = [str(pack["chemistry"])] if pack.get("chemistry") else []
    if pack.get("series"):
        parts.append(f"{pack['series']}S" + (f"{pack['parallel']}P" if pack.get("parallel") else ""))
    if number(pack.get("rated_capacity_ah")) is not None:
        parts.append(f"rated {rating(pack['rated_capacity_ah'], 'Ah')}")
    return parts


def columns_rows(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The columns files that a log was read with."""
    names = part(analysis, "reading", "columns_files") or []
    return [("Read with", ", ".join(map(str, names)))] if names else []


def verdict_text(verdict: Mapping[str, Any] | None) -> Text:
    """"FAIL by the criteria return-to-owner"."""
    if not verdict:
        return Text("no verdict: no criteria were applied")
    result = str(verdict.get("result"))
    text = Text()
    text.append(RESULT_WORDS.get(result, result), style=_RESULT_STYLE.get(result, ""))
    return text.append(f" by the criteria {verdict.get('criteria_name')}")


def print_verdict(sheet: Sheet, verdict: Mapping[str, Any] | None, full: bool = False) -> None:
    """The verdict and why: what failed or is wanting with its reason, what passed with its value.

    With ``full`` all criteria stand in a table with their limits.
    """
    sheet.blank()
    rows: list[tuple[str, str | Text]] = [("Verdict", verdict_text(verdict))]
    if verdict:
        if verdict.get("summary"):
            rows.append(("", str(verdict["summary"])))
        order = {"fail": 0, "not_proven": 1}
        criteria = sorted(
            items(verdict.get("criteria")), key=lambda one: (order.get(one.get("result"), 2), not one.get("required", True))
        )
        named: dict[str, list[str]] = {}
        for one in criteria:
            told = one.get("result") == "fail" or (one.get("result") != "pass" and one.get("required", True))
            if told or (full and one.get("result") != "pass"):
                rows.append((f"  {_lower(one.get('result'))}", criterion_sentence(one)))
            elif one.get("result") == "pass" and not full:
                rows.append(("  pass", _passed(one)))
            elif not full:
                named.setdefault(str(one.get("result")), []).append(_criterion_name(one))
        wanting = [(f"  {_lower(result)}", f"{'; '.join(names)}.") for result, names in named.items()]
        passed = next((place for place, one in enumerate(rows) if one[0] == "  pass"), len(rows))
        rows[passed:passed] = wanting
    sheet.pairs([*rows, *decided_rows(verdict)])
    if full and verdict:
        sheet.blank()
        print_criteria(sheet, verdict)


def decided_rows(verdict: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """Who decided, and the remark, of a verdict; nothing where nobody said anything."""
    decided = (verdict or {}).get("decided") or {}
    names = (("Decided by", "by"), ("Remark", "remark"))
    return [(name, str(decided[key])) for name, key in names if decided.get(key)]


def decided_text(verdict: Mapping[str, Any]) -> str:
    """The same behind a verdict in a list: ", decided by Ada (remark: ...)"."""
    decided = verdict.get("decided") or {}
    by = f", decided by {decided['by']}" if decided.get("by") else ""
    return by + (f" (remark: {decided['remark']})" if decided.get("remark") else "")


def print_criteria(sheet: Sheet, verdict: Mapping[str, Any]) -> None:
    """Every criterion with its value, limit and acceptance limit."""
    table = ruled(("Criterion", "t"), ("Measured", "n"), ("Limit", "n"), ("Accepted", "n"), ("Result", "t"))
    for one in items(verdict.get("criteria")):
        unit = str(one.get("unit") or "")
        sign = "≥" if one.get("direction") == "at_least" else "≤"
        value = f"{'≥ ' if one.get('bound') == 'lower' else '≤ ' if one.get('bound') == 'upper' else ''}{figure(one.get('value'), one.get('u_value'), unit)}"
        accept = number(one.get("acceptance_limit"))
        if accept is not None:
            accepted = f"{sign} {banded(accept, unit, one.get('guard_band'))}"
        else:
            accepted = "none" if number(one.get("guard_band")) is not None else DASH
        row(
            table, _criterion_name(one), value if number(one.get("value")) is not None else DASH,
            f"{sign} {quantity_text(one['limit'], unit)}", accepted, result_text(one.get("result")),
        )
    sheet.table(table)
    sheet.line(f"Accepted: the limit moved inwards by the guard band. None: no value could pass, measured like this. {DASH} Not known.")


def _passed(item: Mapping[str, Any]) -> str:
    """"State of health: 92.72 ± 0.23 %, at least 70 % wanted"."""
    group = f" (group {item['group']})" if item.get("group") else ""
    bound = "at least " if item.get("bound") == "lower" else "at most " if item.get("bound") == "upper" else ""
    unit = str(item.get("unit") or "")
    text = f"{_criterion_name(item)}: {bound}{figure(item.get('value'), item.get('u_value'), unit)}{group}"
    limit = number(item.get("limit"))
    if limit is not None:
        text += f", {str(item.get('direction')).replace('_', ' ')} {quantity_text(limit, unit)} wanted"
    if "more than the rating" in str(item.get("reason")):
        text += "; more than the rating: check current unit, gain or rated capacity"
    return text


def _lower(result: Any) -> str:
    return RESULT_WORDS.get(str(result), str(result)).lower()


def _criterion_name(item: Mapping[str, Any]) -> str:
    name = str(item.get("label") or item.get("id"))
    return name if item.get("required", True) else f"{name} (advisory)"


def criterion_sentence(item: Mapping[str, Any]) -> str:
    """"State of health: 61.2 ± 0.9 % misses the limit ..."; an advisory criterion says so."""
    return f"{_criterion_name(item)}: {item.get('reason') or 'no reason given'}"


def validity(capacity: Mapping[str, Any]) -> str:
    """Whether a capacity may be quoted, and if not, why."""
    if capacity.get("valid"):
        return "valid"
    reasons = ", ".join(code_label(code) for code in items(capacity.get("reasons"))) or "reason not stated"
    return f"{'a lower bound, ' if capacity.get('is_lower_bound') else ''}not valid as the pack's capacity: {reasons}"


def capacity_rows(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Capacity, energy, state of health, efficiency, temperature."""
    capacity = analysis.get("capacity") or {}
    value = number(capacity.get("value_ah"))
    rows = []
    if value is None:
        rows.append(("Capacity", "not known: " + (
            ", ".join(code_label(code) for code in items(capacity.get("reasons"))) or "no discharge that can be counted"
        )))
    else:
        bound = "at least " if capacity.get("is_lower_bound") else ""
        rows.append(("Capacity", f"{bound}{figure(value, capacity.get('u_value_ah'), 'Ah')}; {validity(capacity)}"))
        facts = []
        if number(capacity.get("rate_it")) is not None:
            facts.append(f"at {significant_text(capacity['rate_it'], 3)} It")
        if number(capacity.get("mean_temperature_c")) is not None:
            facts.append(f"{capacity['mean_temperature_c']:.1f} °C")
        if capacity.get("end_reason"):
            facts.append(f"ended {ended_because(capacity['end_reason'])}")
        if facts:
            rows.append(("", sentence(", ".join(facts))))
        known = number(capacity.get("energy_wh")) is not None
        rows.append(("Energy", (bound if known else "") + figure(capacity.get("energy_wh"), capacity.get("u_energy_wh"), "Wh")))
        if number(capacity.get("state_of_health")) is not None:
            health = figure(capacity["state_of_health"], capacity.get("u_state_of_health"), "share")
            rows.append(("State of health", f"{bound}{health} of the rated capacity"))
    matched = number(analysis.get("capacity_if_limiting_group_matched_ah"))
    if matched is not None and analysis.get("limiting_group"):
        u_matched = number(analysis.get("u_capacity_if_limiting_group_matched_ah"))
        about = figure(matched, u_matched, "Ah") if u_matched else f"about {significant_text(matched, 3)} Ah"
        rows.append((
            "If matched", f"{about}, were group {analysis['limiting_group']} like its siblings; an estimate, not measured"
            + ("" if u_matched else ", its uncertainty is not stated"),
        ))
    efficiency = analysis.get("efficiency") or {}
    parts = [
        f"{name} {figure(efficiency.get(key), efficiency.get(f'u_{key}'), 'share')}"
        for key, name in (("coulombic", "coulombic"), ("energy", "energy")) if number(efficiency.get(key)) is not None
    ]
    if parts:
        rows.append(("Efficiency", ", ".join(parts)))
    thermal = analysis.get("thermal") or {}
    if number(thermal.get("max_c")) is not None:
        rows.append((
            "Temperature", f"highest {figure(thermal['max_c'], thermal.get('u_max_c'), 'degC')}, "
            f"rise {figure(thermal.get('rise_c'), thermal.get('u_rise_c'), 'K')}",
        ))
    return rows


def _resistance_rows(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    resistance = analysis.get("resistance") or {}
    head = resistance.get("headline") or {}
    rows = []
    if number(head.get("ohm_10s")) is not None:
        text = f"{figure(head['ohm_10s'], head.get('u_ohm_10s'), 'ohm')} after 10 s"
        if number(head.get("ohmic_ohm")) is not None:
            text += f", of which {figure(head['ohmic_ohm'], head.get('u_ohmic_ohm'), 'ohm')} ohmic"
        rows.append(("Resistance", text + (" (sum of the groups)" if head.get("source") == "group_sum" else "")))
    else:
        codes = ", ".join(code_label(code) for code in items(resistance.get("warnings")))
        rows.append(("Resistance", "not known" + (f": {codes}" if codes else ": no step of the current held for 10 s")))
    if number(resistance.get("interconnect_ohm")) is not None:
        joints = figure(resistance["interconnect_ohm"], resistance.get("u_interconnect_ohm"), "ohm")
        rows.append(("Joints", f"{joints} outside the group taps"))
    return rows


def print_groups(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """The groups in two tables, each within 80 columns: what they showed, what they hold."""
    groups = items(analysis.get("groups"))
    sheet.title("Groups (1 is at pack negative)")
    if not groups:
        sheet.line("Group voltages were not logged: nothing can be said about single groups.")
        return
    limiting = analysis.get("limiting_group")
    leaks = any(number(group.get("self_discharge_ma")) is not None for group in groups)
    volts = ruled(
        ("Group", "n"), ("Rest\nV", "n"), ("End\nV", "n"), ("Sag in\n10 s\nmV", "n"), ("Behind\nat end\nmV", "n"),
        *((("Leak\nmA", "n"),) if leaks else ()),
    )
    holds = ruled(
        ("Group", "n"), ("10 s re-\nsistance\nmΩ", "n"), ("Capacity\nAh", "n"), ("Short at\nstart\nAh", "n"), ("Findings", "t"),
    )
    for group in groups:
        name = f"{'* ' if group.get('group') == limiting else ''}{group.get('group')}"
        row(
            volts, name, bare(group.get("rest_voltage_v"), group.get("u_rest_voltage_v"), "V"),
            bare(group.get("end_voltage_v"), group.get("u_end_voltage_v"), "V"),
            bare(group.get("sag_10s_v"), group.get("u_sag_10s_v"), "mV", 1e3),
            bare(group.get("sag_end_v"), group.get("u_sag_end_v"), "mV", 1e3),
            *((bare(group.get("self_discharge_ma"), group.get("u_self_discharge_ma"), "mA"),) if leaks else ()),
        )
        capacity = bare(group.get("capacity_ah"), group.get("u_capacity_ah"), "Ah")
        if group.get("capacity_is_estimate") and capacity != DASH:
            capacity += " est."
        row(
            holds, name, bare(group.get("resistance_10s_ohm"), group.get("u_resistance_10s_ohm"), "ohm"), capacity,
            bare(group.get("start_deficit_ah"), group.get("u_start_deficit_ah"), "Ah"),
            ", ".join(code_label(code) for code in items(group.get("findings"))) or DASH,
        )
    sheet.table(volts)
    sheet.blank()
    sheet.table(holds)
    notes = [f"* Limits the pack: group {limiting}."] if limiting else ["No group stands out as limiting."]
    if any(group.get("capacity_is_estimate") and number(group.get("capacity_ah")) is not None for group in groups):
        notes.append("Est.: the group did not reach its own cut-off.")
    sheet.line(f"{' '.join(notes)} {DASH} Not known. ± expanded uncertainty, k = 2.")
    sheet.line(" ".join(leak_sentences(analysis)))


def print_findings(sheet: Sheet, findings: Sequence[Mapping[str, Any]]) -> None:
    """Findings as sentences, the gravest first."""
    sheet.title("Findings")
    if not findings:
        sheet.line("None. That nothing was found does not prove that nothing is wrong.")
        return
    order = {severity: place for place, severity in enumerate(SEVERITY_ORDER)}
    sheet.pairs(
        (
            Text(SEVERITY_WORDS.get(severity, severity), style=_SEVERITY_STYLE.get(severity, "")),
            sentence(finding.get("message") or code_label(finding.get("code"))),
        )
        for severity, finding in sorted(
            ((str(item.get("severity")), item) for item in findings), key=lambda one: order.get(one[0], len(order))
        )
    )


def print_grave(sheet: Sheet, findings: Sequence[Mapping[str, Any]]) -> None:
    """Danger and defect findings only, under a result that is otherwise told in two lines."""
    grave = [item for item in findings if item.get("severity") in ("danger", "defect")]
    if grave:
        print_findings(sheet, grave)


def print_settle(sheet: Sheet, verdict: Mapping[str, Any] | None) -> None:
    """What would settle a verdict that is not proven."""
    sentences = items((verdict or {}).get("to_settle"))
    if sentences:
        sheet.title("What would settle it")
        for advice in sentences:
            sheet.pairs([("-", sentence(advice))])


def dangers(analysis: Mapping[str, Any]) -> list[str]:
    """Sentences of the findings of danger."""
    return [
        sentence(item.get("message") or code_label(item.get("code"))) for item in items(analysis.get("findings"))
        if item.get("severity") == "danger"
    ]


def print_caution(sheet: Sheet, *analyses: Mapping[str, Any], names: Sequence[str] = (), short: bool = False) -> None:
    """The caution that stands under every result a person may act on; ``names`` say which of several had the danger."""
    found = [(place, text) for place, analysis in enumerate(analyses) for text in dangers(analysis)]
    sheet.blank()
    print_dangers(sheet, [(names[place], text) for place, text in found] if names else [])
    if found:
        sheet.line(Text(CAUTION_DANGER, style="bold red"))
    sheet.line(CAUTION_SHORT if short else CAUTION)


def print_dangers(sheet: Sheet, found: Sequence[tuple[str, str]]) -> None:
    """One line per danger: where it was found, and what."""
    if found:
        danger = Text(SEVERITY_WORDS["danger"], style=_SEVERITY_STYLE["danger"])
        sheet.pairs((danger, f"{name[:1].upper()}{name[1:]}: {text}") for name, text in found)


# --- register ----------------------------------------------------------------------------------------------------


def print_runs(sheet: Sheet, runs: Sequence[RunRow]) -> None:
    """One line per run."""
    table = ruled(
        ("Run", "n"), ("Pack", "t"), ("Label", "t"), ("Added\nUTC", "t"), ("Capacity\nAh", "n"), ("Lim.\ngroup", "n"),
        ("Verdict", "t"), ("Findings", "t"),
    )
    for item in runs:
        capacity = bare(item.capacity_ah, item.u_capacity_ah, "Ah")
        if capacity != DASH and not item.capacity_valid:
            capacity = f"≥ {capacity}" if item.capacity_is_lower_bound else f"{capacity} !"
        counts = [
            f"{count} {severity}{'' if count == 1 else 's'}" for severity, count in reversed(item.findings.items()) if count and severity != "info"
        ]
        row(
            table, str(item.id), item.pack_id, item.label or DASH, item.added_at[:10], capacity,
            str(item.limiting_group or DASH), Text("withdrawn") if item.withdrawn else result_text(item.verdict),
            ", ".join(counts) or DASH,
        )
    sheet.table(table)
    if any(item.capacity_ah is not None and not item.capacity_valid for item in runs):
        sheet.line("≥ a lower bound, ! a figure not valid as the pack's capacity: cycler show RUN says why.")
    if any(item.withdrawn for item in runs):
        sheet.line("A run that was withdrawn counts no more: cycler show RUN says who withdrew it and why.")
    sheet.line("± expanded uncertainty, k = 2. Lim. group: the group that limits the pack.")


def result_text(result: str | None) -> Text:
    """A verdict's result in its word and colour."""
    if result is None:
        return Text(DASH)
    return Text(_lower(result), style=_RESULT_STYLE.get(result, ""))


def print_steps(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """The steps of the test, one line each."""
    steps = items(analysis.get("steps"))
    sheet.title("Steps")
    if not steps:
        sheet.line("No steps were told apart in the log.")
        return
    table = ruled(("No.", "n"), ("Kind", "t"), ("Duration", "n"), ("Mean\nA", "n"), ("Charge\nAh", "n"), ("Voltage\nV", "n"), ("Ended", "t"))
    for step in steps:
        row(
            table, str(step.get("index")), STEP_WORDS.get(str(step.get("kind")), str(step.get("kind"))),
            duration(step.get("duration_s")), _three(step.get("mean_current_a"), 3), _three(step.get("capacity_ah"), 3),
            f"{_three(step.get('start_voltage_v'), 2)} – {_three(step.get('end_voltage_v'), 2)}",
            sentence(ended_because(step["end_reason"])).rstrip(".") if step.get("end_reason") else DASH,
        )
    sheet.table(table)
    sheet.line("Charge current is positive.")


def _three(value: Any, digits: int) -> str:
    exact = number(value)
    return DASH if exact is None else f"{exact:.{digits}f}"
