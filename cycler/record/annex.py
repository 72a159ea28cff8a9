"""The annex of a record: curves, groups, steps, budgets, instrument, reading, raw logs, limits and cautions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from cycler.quantities import COVERAGE_FACTOR, display_unit, figure_text
from cycler.record.blocks import Block, Bullets, Facts, Para, Picture, Section, Table
from cycler.record.budgets import budget_table, energy_budgets, group_budgets, two_digits
from cycler.record.curves import group_chart, pack_chart, temperature_chart
from cycler.record.judged import against_verdict
from cycler.record.language import decimal, measuretext, text
from cycler.record.measures import measures
from cycler.record.sentences import told
from cycler.record.values import (
    LONGEST_SENTENCE,
    as_list,
    clean,
    duration,
    figure,
    get,
    named,
    number,
    pack_value,
    phrase,
    sentence,
)

MOST_STEPS = 36
MOST_COLUMNS = 120
MOST_WARNINGS = 24
MOST_NOTES = 60
MOST_FINDINGS = 30
FRONT_FINDINGS = 3
EACH_DANGER = 2
MOST_GAPS = 6
_GROUP_FIGURES = (
    ("rest_voltage_v", "V", 1.0), ("end_voltage_v", "V", 1.0), ("sag_10s_v", "mV", 1e3), ("resistance_10s_ohm", "ohm", 1.0),
    ("capacity_ah", "Ah", 1.0), ("start_deficit_ah", "Ah", 1.0), ("self_discharge_ma", "mA", 1.0),
)
_CAPACITY = 4
_WITH_U = re.compile(r"[\d.]+ ± [\d.]+")
_READINGS = (*(key for key, _, _ in _GROUP_FIGURES), "full_voltage_v", "min_voltage_v", "max_voltage_v", "ohmic_ohm")
TOUCH_LIMIT_V = 60.0
"""Above this direct voltage live parts are dangerous to touch. [V]

The 60 V d.c. limit of touchable safety extra-low voltage; IEC 60598-1:2008, 8.2.3.
"""


def sections(
    analysis: dict[str, Any], pack: Pack, log: Log, software: str, dangers: Sequence[str] = (), proof: Sequence[Section] = (),
) -> tuple[Section, ...]:
    """All sections of the annex, in order; ``dangers`` are those of the pack's card, ``proof`` stands behind the raw logs."""
    found = [
        Section("curve", text.H_CURVE, (_curve(analysis, log),), together=True),
        Section("groups", text.H_GROUPS, _groups(analysis, log)),
        Section("steps", text.H_STEPS, _steps(analysis)),
        *(_pictured(measure.section, log) for measure in measures(analysis)),
        Section("budget", text.H_BUDGET, _capacity_budget(analysis)),
        *energy_budgets(analysis),
    ]
    resistance = budget_table(get(analysis, "resistance", "budget"), "standard_uncertainty_ohm", "ohm",
                              "resistance-budget", number(get(analysis, "resistance", "headline", "u_ohm_10s")))
    if resistance:
        found.append(Section("resistance-budget", text.H_RESISTANCE_BUDGET, (resistance,)))
    found += group_budgets(analysis)
    found.append(Section("reading", text.H_READING, _reading(analysis)))
    found.append(Section("logs", text.H_LOGS, _logs(analysis, software)))
    found += proof
    notes = front_and_further(analysis)[1]
    if notes:
        points = [finding_point(finding, analysis) for finding in notes[:MOST_NOTES]]
        blocks: list[Block] = [Bullets(tuple(points))]
        if len(notes) > MOST_NOTES:
            blocks.append(Para(text.MORE.format(n=len(notes) - MOST_NOTES), "small"))
        found.append(Section("notes", text.H_NOTES, tuple(blocks)))
    codes = _codes(analysis)
    if codes:
        found.append(Section("codes", text.H_CODES, (codes,)))
    found.append(Section("limits", text.H_LIMITS, (Bullets(tuple(("", line) for line in text.LIMITS)),)))
    found.append(Section("cautions", text.H_CAUTIONS, _cautions(analysis, pack, log, dangers)))
    return tuple(found)


# ---- findings --------------------------------------------------------------------------------------------
def findings_of(analysis: dict[str, Any]) -> list[dict[str, Any]]:
    """Findings of the analysis that are objects with a code."""
    return [f for f in as_list(get(analysis, "findings")) if isinstance(f, dict) and f.get("code")]


def front_and_further(analysis: dict[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Findings of the front page below the dangers, gravest first, and those left to the annex.

    Every defect stands in front, cautions as far as there is room, notes never. Dangers stand under the verdict
    (:func:`danger_box`); those of the same code that the box only counts are left to the annex.
    """
    order = {"defect": 1, "caution": 2}
    shown = [finding for same in _dangers(analysis).values() for finding in _in_full(same)]
    ranked = sorted((f for f in findings_of(analysis) if not any(f is s for s in shown)), key=lambda f: order.get(str(f.get("severity")), 3))
    grave = sum(str(f.get("severity")) == "defect" for f in ranked)
    cautions = sum(str(f.get("severity")) == "caution" for f in ranked)
    cut = min(MOST_FINDINGS, max(grave, min(grave + cautions, FRONT_FINDINGS)))
    return ranked[:cut], ranked[cut:]


def has_danger(analysis: dict[str, Any]) -> bool:
    """Whether a finding of the worst severity is among them."""
    return bool(_dangers(analysis))


def _dangers(analysis: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Findings of the worst severity by code, as the analysis lists them."""
    found: dict[str, list[dict[str, Any]]] = {}
    for finding in findings_of(analysis):
        if finding.get("severity") == "danger":
            found.setdefault(str(finding["code"]), []).append(finding)
    return found


def _in_full(same: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Those of one code that the box tells in full: all if they are few, else the first."""
    return same if len(same) <= EACH_DANGER else same[:1]


def danger_box(analysis: dict[str, Any], on_card: Sequence[str] = ()) -> tuple[Block, ...]:
    """What stands directly under the verdict: each danger with its group and reading, those of the pack's card, then what to do."""
    lines = []
    for same in _dangers(analysis).values():
        shown = _in_full(same)
        rest = same[len(shown):]
        lines += [" ".join(filter(None, (*finding_point(finding), _reading_u(analysis, finding)))) for finding in shown]
        if rest:
            groups = [clean(finding["group"], 12) for finding in rest if finding.get("group") is not None]
            shape = text.FINDING_GROUP if len(groups) == 1 else text.FINDING_GROUPS
            lines.append(text.FINDING_SAME.format(groups=shape.format(n=", ".join(groups))))
    what_to_do = text.CAUTION_DANGER if lines else text.CAUTION_CARD_DANGER
    return (Para("\n".join([*lines, *on_card, what_to_do]), "warning"),) if lines or on_card else ()


def _reading_u(analysis: dict[str, Any], finding: dict[str, Any]) -> str:
    """How well the group voltage behind a danger is known."""
    if finding.get("code") not in ("group_overvoltage", "group_undervoltage") or "±" in str(finding.get("message")):
        return ""
    group = next((g for g in as_list(get(analysis, "groups")) if get(g, "group") == finding.get("group")), None)
    u = number(get(group, "u_rest_voltage_v"))
    return text.FINDING_READING.format(expanded=text.EXPANDED.format(figure=two_digits(COVERAGE_FACTOR * u, "V"))) if u else ""


def finding_point(finding: dict[str, Any], analysis: dict[str, Any] | None = None) -> tuple[str, str]:
    """Lead ("Defect: weak group, group 4.") and text of one finding; its message, else what its code means.

    With ``analysis`` the evidence follows if it carries an uncertainty or its criterion came out otherwise.
    """
    place = f", {text.FINDING_PLACE_GROUP.format(n=clean(finding['group']))}" if finding.get("group") is not None else ""
    severity = text.SEVERITY.get(str(finding.get("severity")), text.SEVERITY["info"])
    lead = text.FINDING_LEAD.format(severity=severity, label=clean(text.code_label(finding["code"])), place=place)
    message = finding.get("message")
    said = [sentence(message) if message else clean(text.code_sentence(finding["code"]))]
    if analysis is not None:
        against, evidence = against_verdict(analysis, finding), finding.get("evidence")
        if evidence and (against or "±" in str(evidence)) and not _said_already(str(evidence), str(message)):
            said.append(text.FINDING_EVIDENCE.format(evidence=told(clean(evidence, LONGEST_SENTENCE).rstrip("."))))
        said.append(against)
    return lead, " ".join(filter(None, said))


def _said_already(evidence: str, message: str) -> bool:
    """Whether every figure of the evidence that carries an uncertainty stands in the message too."""
    figures = _WITH_U.findall(evidence)
    return bool(figures) and all(shown in message for shown in figures)


def _codes(analysis: dict[str, Any]) -> Facts | None:
    """What each code among the findings means; those whose sentence was already printed for want of a message stay out."""
    seen: dict[str, str] = {}
    for finding in findings_of(analysis):
        code = str(finding["code"])
        if finding.get("message") and code in text.CODES:
            label = text.code_label(code)
            seen.setdefault(label[:1].upper() + label[1:], text.code_sentence(code))
    return Facts(tuple(seen.items())) if seen else None


# ---- curves, groups, steps -------------------------------------------------------------------------------
def _curve(analysis: dict[str, Any], log: Log) -> Block:
    chart = pack_chart(log, analysis)
    return Picture(chart, text.CURVE_CAPTION.format(rows=log.time_s.size)) if chart else Para(text.CURVE_NONE)


def _pictured(section: Section, log: Log) -> Section:
    """The section on temperature with its curves above the figures; any other as it is."""
    chart = temperature_chart(log) if section.key == "temperature" else None
    return replace(section, blocks=(Picture(chart, measuretext.TEMPERATURE_CHART), *section.blocks)) if chart else section


def _groups(analysis: dict[str, Any], log: Log) -> tuple[Block, ...]:
    groups = [group for group in as_list(get(analysis, "groups")) if isinstance(group, dict)]
    chart, band = group_chart(log, analysis)
    limiting = get(analysis, "limiting_group")
    blocks: list[Block] = []
    if chart is not None:
        caption = text.GROUPS_CAPTION_NONE
        if limiting is not None:
            shape = text.GROUPS_CAPTION_BAND if band else text.GROUPS_CAPTION
            caption = shape.format(limiting=text.LABEL_LIMITING.format(n=clean(limiting)))
        blocks.append(Picture(chart, caption))
    elif groups:
        blocks.append(Para(text.GROUPS_CURVE_NONE))
    if not groups:
        blocks.append(Para(text.GROUP_NONE))
        return tuple(blocks)
    rows, strong, spans = [], [], []
    for index, group in enumerate(groups):
        place = group.get("group") if group.get("group") is not None else index + 1
        label = clean(place, 40)  # the heading in the file stands in the section on reading
        if limiting is not None and place == limiting:
            label = f"★ {label}"
            strong.append(index)
        figures = [_cell(group, key, unit, factor) for key, unit, factor in _GROUP_FIGURES]
        if group.get("capacity_is_estimate") is True and number(group.get("capacity_ah")) is not None:
            figures[_CAPACITY] = f"{text.ESTIMATE} {figures[_CAPACITY]}"
        if all(number(group.get(key)) is None for key in _READINGS):
            figures = [text.GROUP_NOT_LOGGED] + [""] * (len(figures) - 1)
            spans.append((index, 1, len(figures)))
        findings = ", ".join(clean(text.code_label(code), 60) for code in as_list(group.get("findings"))) or text.DASH
        rows.append((label, *figures, findings))
    caption = text.GROUP_CAPTION.format(limiting=text.GROUP_LIMITING if strong else "").strip()
    blocks.append(Table(caption, text.GROUP_HEAD, tuple(rows), "lfffffffl", (0.05, 0.127, 0.127, 0.09, 0.11, 0.128, 0.115, 0.103, 0.15),
                        tuple(strong), dense=True, name="groups", spans=tuple(spans)))
    spread = [f"{when} {figure(get(analysis, 'spread', key), get(analysis, 'spread', f'u_{key}'), 'V')}"
              for key, when in text.SPREAD_WHEN.items() if number(get(analysis, "spread", key)) is not None]
    if spread:
        blocks.append(Para(text.SPREAD.format(parts=", ".join(spread))))
    joints = get(analysis, "resistance", "interconnect_ohm")
    if number(joints) is not None:
        blocks.append(Para(text.JOINTS.format(figure=figure(joints, get(analysis, "resistance", "u_interconnect_ohm"), "ohm"))))
    return tuple(blocks)


def _cell(group: dict[str, Any], key: str, unit: str, factor: float = 1.0) -> str:
    """A group's figure without its unit, which stands in the heading; ``factor`` scales volt to millivolt."""
    value, u = number(group.get(key)), number(group.get(f"u_{key}"))
    if value is None:
        return text.DASH
    if u is None and key == "end_voltage_v":  # the same channel reads both
        u = number(group.get("u_rest_voltage_v"))
    _, name = display_unit(unit)
    shown = decimal(figure_text(value * factor, None if u is None else u * factor, unit))
    return shown.removesuffix(f" {name}") if name else shown


def _steps(analysis: dict[str, Any]) -> tuple[Block, ...]:
    steps = [step for step in as_list(get(analysis, "steps")) if isinstance(step, dict)]
    if not steps:
        return (Para(text.STEP_NONE),)
    listed = steps
    if len(steps) > MOST_STEPS:  # the longest ones, in order of time
        longest = sorted(range(len(steps)), key=lambda k: -(number(steps[k].get("duration_s")) or 0.0))[:MOST_STEPS]
        listed = [steps[k] for k in sorted(longest)]
    rows = []
    for step in listed:
        rows.append((
            clean(step.get("index") if step.get("index") is not None else text.DASH, 12), text.STEP_WORDS.get(str(step.get("kind"))) or clean(text.words(step.get("kind")), 60),
            duration(step.get("start_s")) if number(step.get("start_s")) is not None else text.DASH,
            duration(step.get("duration_s")) if number(step.get("duration_s")) is not None else text.DASH,
            _signed(step.get("mean_current_a"), "A"), _signed(step.get("capacity_ah"), "Ah"), _signed(step.get("energy_wh"), "Wh"),
            _from_to(step), text.END_WORDS.get(str(step.get("end_reason"))) or (clean(phrase(step["end_reason"]), 120) if step.get("end_reason") else text.DASH),
        ))
    table = Table(text.STEP_CAPTION, text.STEP_HEAD, tuple(rows), "rlrrrrrrl", (0.05, 0.16, 0.095, 0.105, 0.09, 0.09, 0.09, 0.15, 0.17),
                  dense=True, name="steps")
    if len(steps) > len(listed):
        return (table, Para(text.MORE.format(n=len(steps) - len(listed)), "small"))
    return (table,)


def _signed(value: Any, unit: str) -> str:
    known = number(value)
    if known is None:
        return text.DASH
    digits = 3 if abs(known) < 100 else 1
    shown = f"{known:.{digits}f}"
    return decimal(f"{shown.replace('-', '−') if float(shown) else shown.lstrip('-')} {unit}")


def _from_to(step: dict[str, Any]) -> str:
    start, end = number(step.get("start_voltage_v")), number(step.get("end_voltage_v"))
    if start is None or end is None:
        return text.DASH
    return decimal(f"{start:.2f} V – {end:.2f} V")


# ---- budgets, instrument ---------------------------------------------------------------------------------
def _capacity_budget(analysis: dict[str, Any]) -> tuple[Block, ...]:
    table = budget_table(get(analysis, "capacity", "budget"), "standard_uncertainty_ah", "Ah", "budget",
                         number(get(analysis, "capacity", "u_value_ah")))
    if not table:
        return (Para(text.BUDGET_NONE),)
    return (table, *_from_full(get(analysis, "capacity")), Para(text.INSTRUMENT_NOTE, "small"))


def _from_full(capacity: Any) -> tuple[Block, ...]:
    """What the state of health counts besides the budget of the charge: how full the voltmeter let the pack be."""
    u, joined = (number(get(capacity, key)) for key in ("u_charge_voltage_ah", "u_from_full_ah"))
    if not u or not joined:
        return ()
    return (Para(text.BUDGET_FROM_FULL.format(u=two_digits(u, "Ah"), expanded=two_digits(COVERAGE_FACTOR * joined, "Ah")), "small"),)


def instrument_sentence(analysis: dict[str, Any], pack: Pack) -> str:
    """The instrument's limits of error in words, and whether they were declared."""
    instrument = get(analysis, "instrument") or get(analysis, "pack", "instrument")
    if not isinstance(instrument, dict):
        from dataclasses import asdict

        instrument = asdict(pack.instrument)
    parts = []
    stated = instrument.get("stated") or {}
    for channel, unit in (("voltage", "V"), ("group_voltage", "V"), ("current", "A"), ("temperature", "°C")):
        if channel in stated:
            parts.append(f"{text.INSTRUMENT_CHANNEL[channel]} {_as_stated(instrument, channel, unit)}")
            continue
        gain = number(instrument.get(f"{channel}_gain"))
        offset = number(instrument.get(f"{channel}_offset_{'c' if unit == '°C' else unit.lower()}"))
        limit = []
        if gain:
            limit.append(text.OF_READING.format(percent=decimal(f"{gain * 100:.4g}")))
        if offset:
            limit.append(decimal(f"{offset:.4g} {unit}"))
        if limit:
            shown = " + ".join(limit)
            parts.append(f"{text.INSTRUMENT_CHANNEL[channel]} ±({shown})" if len(limit) > 1 else f"{text.INSTRUMENT_CHANNEL[channel]} ±{shown}")
    clock = number(instrument.get("clock_gain"))
    if clock:
        parts.append(f"{text.INSTRUMENT_CHANNEL['clock']} {clean(stated['clock']) if 'clock' in stated else decimal(f'±{clock * 100:.4g} %')}")
    sense = instrument.get("sense")
    if sense:
        parts.append(text.SENSE.get(str(sense), clean(sense)))
    lead = number(instrument.get("lead_resistance_ohm"))
    if lead:
        parts.append(text.LEAD.format(ohm=decimal(figure_text(lead, None, "ohm"))))
    if not parts:
        return text.TEST_INSTRUMENT_UNKNOWN
    if instrument.get("file"):
        parts.append(text.INSTRUMENT_FILE.format(file=clean(instrument["file"]), sha256=clean(instrument.get("sha256"))))
    shape = text.TEST_INSTRUMENT if instrument.get("declared") is True else text.TEST_INSTRUMENT_NONE
    return shape.format(limits=", ".join(parts))


def _as_stated(instrument: dict[str, Any], channel: str, unit: str) -> str:
    """A line of a data sheet or certificate as it was stated, in quotes, with the size of the digits it counts."""
    digit = number(instrument.get(f"{channel}_digit_{'c' if unit == '°C' else unit.lower()}"))
    size = text.DIGIT_SIZE.format(size=decimal(f"{digit:.4g} {unit}")) if digit else ""
    return f"{text.QUOTED.format(text=clean(instrument['stated'][channel]))}{size}"


# ---- reading and raw logs --------------------------------------------------------------------------------
def _reading(analysis: dict[str, Any]) -> tuple[Block, ...]:
    reading = get(analysis, "reading")
    facts: list[tuple[str, str]] = []
    if get(reading, "encoding"):
        header = get(reading, "header_row")
        shape = text.ENCODING if header is not None else text.ENCODING_NO_HEADER
        delimiter, mark = get(reading, "delimiter"), get(reading, "decimal")
        facts.append((text.L_ENCODING, shape.format(
            encoding=clean(get(reading, "encoding"), 40),
            delimiter=text.DELIMITER.get(str(delimiter), text.QUOTED.format(text=clean(delimiter, 20)) if delimiter else text.NOT_KNOWN),
            decimal=text.DECIMAL.get(str(mark), text.QUOTED.format(text=clean(mark, 20)) if mark else text.NOT_KNOWN), header=clean(header, 20))))
    kind = get(reading, "clock", "kind")
    clock = text.CLOCK_WORDS.get(str(kind)) or clean(text.words(kind)) if kind else text.NOT_KNOWN
    facts.append((text.L_CLOCK, text.CLOCK_WRAPPED.format(kind=clock) if get(reading, "clock", "wrapped") is True else clock))
    sign, evidence = get(reading, "sign", "discharge_is"), get(reading, "sign", "evidence")
    sign_text = text.SIGN_WORDS.get(str(sign)) or clean(text.words(sign), 60) if sign else text.NOT_KNOWN
    facts.append((text.L_SIGN, text.SIGN.format(sign=sign_text, evidence=told(clean(evidence, LONGEST_SENTENCE))) if evidence
                  else text.SIGN_PLAIN.format(sign=sign_text) if sign else text.NOT_KNOWN))
    median, largest = get(reading, "sampling_s", "median"), get(reading, "sampling_s", "max")
    if number(median) is not None:
        facts.append((text.L_SAMPLING, text.SAMPLING.format(
            median=duration(median), max=duration(largest) if number(largest) is not None else text.NOT_KNOWN)))
    gaps = [gap for gap in as_list(get(reading, "clock", "gaps")) if isinstance(gap, dict)]
    shown = [text.GAP.format(duration=duration(gap.get("duration_s")), start=duration(gap.get("start_s"))) for gap in gaps[:MOST_GAPS]]
    if len(gaps) > MOST_GAPS:
        shown.append(text.MORE.format(n=len(gaps) - MOST_GAPS).lstrip("… "))
    facts.append((text.L_GAPS, "; ".join(shown) if shown else (text.NONE if reading else text.NOT_KNOWN)))
    if files := as_list(get(reading, "columns_files")):
        facts.append((text.L_COLUMNS_FILES, "; ".join(clean(name) for name in files)))
    facts.append((text.L_DROPPED, _dropped(analysis)))
    facts.append((text.L_WARNINGS, _warnings(as_list(get(reading, "warnings"))) if reading else text.NOT_KNOWN))
    blocks: list[Block] = [Facts(tuple(facts))]
    columns = [column for column in as_list(get(reading, "columns")) if isinstance(column, dict)]
    if not columns:
        blocks.append(Para(text.COLUMN_NONE))
        return tuple(blocks)
    rows = tuple(
        (named(column.get("name"), text.DASH), text.ROLE_WORDS.get(str(column.get("role")), clean(text.words(column.get("role")))),
         _unit(column.get("unit")),
         clean(column.get("group"), 12) if column.get("group") is not None else text.DASH)
        for column in columns[:MOST_COLUMNS]
    )
    blocks.append(Table("", text.COLUMN_HEAD, rows, "lllr", (0.36, 0.3, 0.08, 0.06), dense=True, name="columns"))
    if len(columns) > MOST_COLUMNS:
        blocks.append(Para(text.MORE.format(n=len(columns) - MOST_COLUMNS), "small"))
    return tuple(blocks)


def _unit(unit: Any) -> str:
    return {"degC": "°C", "ohm": "Ω"}.get(str(unit), clean(unit, 40)) if unit else text.DASH


def _file_name(path: Any) -> str:
    """Last part of a path: the folders of the workshop's machine do not belong on a record."""
    return re.split(r"[\\/]", str(path).strip())[-1] if path is not None else ""


def _dropped(analysis: dict[str, Any]) -> str:
    sources = [source for source in as_list(get(analysis, "sources")) if isinstance(source, dict)]
    dropped = [number(source.get("rows_dropped")) for source in sources]
    rows = [number(source.get("rows_read")) for source in sources]
    if not sources or None in dropped:
        return text.NOT_KNOWN
    total = sum(n for n in dropped if n is not None)
    if None in rows:
        return f"{total:.0f}"
    return text.DROPPED.format(n=f"{total:.0f}", rows=f"{sum(n for n in rows if n is not None) + total:.0f}")


def _warnings(warnings: list[Any]) -> str:
    counted: dict[str, int] = {}
    for warning in warnings:
        if not isinstance(warning, dict):
            continue
        message = warning.get("message")
        shown = told(clean(message, LONGEST_SENTENCE).rstrip(".")) if message else clean(text.code_phrase(warning.get("code")))
        if warning.get("where"):
            shown += f" ({clean(_file_name(warning['where']), 120)})"
        counted[shown] = counted.get(shown, 0) + 1
    parts = [text.WARNING_REPEATS.format(text=shown, n=n) if n > 1 else shown for shown, n in list(counted.items())[:MOST_WARNINGS]]
    if len(counted) > MOST_WARNINGS:
        parts.append(text.MORE.format(n=len(counted) - MOST_WARNINGS).lstrip("… "))
    return "; ".join(parts) if parts else text.WARNINGS_NONE


def _logs(analysis: dict[str, Any], software: str) -> tuple[Block, ...]:
    blocks: list[Block] = []
    for source in as_list(get(analysis, "sources")):
        if not isinstance(source, dict):
            continue
        size, rows = number(source.get("bytes")), number(source.get("rows_read"))
        blocks.append(Facts((
            (text.L_FILE, named(_file_name(source.get("file")), text.NOT_KNOWN)),
            (text.L_BYTES, text.BYTES.format(n=f"{size:.0f}") if size is not None else text.NOT_KNOWN),
            (text.L_ROWS, f"{rows:.0f}" if rows is not None else text.NOT_KNOWN),
            (text.L_SHA, named(source.get("sha256"), text.NOT_KNOWN)),
        )))
    blocks.append(Para(text.LOGS_NOTE if blocks else text.LOGS_NONE, "small"))
    blocks.append(Para(software, "small"))
    fingerprint = get(analysis, "verdict", "criteria_sha256")
    if fingerprint:
        blocks.append(Para(text.VERDICT_CRITERIA_HASH.format(sha256=clean(fingerprint)), "small"))
    return tuple(blocks)


# ---- cautions --------------------------------------------------------------------------------------------
def _cautions(analysis: dict[str, Any], pack: Pack, log: Log, dangers: Sequence[str]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if has_danger(analysis):
        blocks.append(Para(text.CAUTION_DANGER, "warning"))
    elif dangers:
        blocks.append(Para(text.CAUTION_CARD_DANGER, "warning"))
    if get(analysis, "verdict", "result") == "fail":
        blocks.append(Para(text.CAUTION_FAILED, "warning"))
    voltages = [number(pack_value(analysis, pack, "charge_voltage_v"))]
    finite = log.voltage_v[np.isfinite(log.voltage_v)]
    voltages.append(float(finite.max()) if finite.size else None)
    if any(voltage is not None and voltage > TOUCH_LIMIT_V for voltage in voltages):
        blocks.append(Para(text.CAUTION_HIGH_VOLTAGE, "warning"))
    blocks.append(Para(text.CAUTION_LEAD))
    blocks.append(Bullets(tuple((f"{name}:", line) for name, line in text.CAUTIONS)))
    return tuple(blocks)
