"""From the analysis object to the view of a record: every text of the front page, and the order of all sections."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from cycler.log import Log
from cycler.pack import Pack
from cycler.record import annex
from cycler.record.beside import (
    card_dangers,
    card_lines,
    card_rows,
    card_sections,
    compared_front,
    compared_sections,
    health_sections,
    proof_rows,
    replaces_line,
    replaces_sections,
    seal_section,
)
from cycler.record.blocks import Block, Bullets, Facts, Para, Section, Signature, Table, Verdict, View
from cycler.record.chart import verdict_shape
from cycler.record.content import Beside, Proof
from cycler.record.curves import direction_of
from cycler.record.judged import criteria, more_criteria, result_of
from cycler.record.language import decimal, measuretext, text
from cycler.record.measures import no_temperature
from cycler.record.qr import code_chart, record_text
from cycler.record.sentences import english_left, told
from cycler.record.values import (
    LONGEST_SENTENCE,
    as_list,
    clean,
    counted_steps,
    duration,
    figure,
    finished,
    get,
    moment,
    named,
    number,
    pack_value,
    phrase,
    plain,
    rated,
    sentence,
    stamp_of,
    step_by_index,
)
from cycler.temperaturetable import with_temperatures

CODE_SIZE = 64.0
"""Side of the QR code at the head. [pt]"""
FRONT_SETTLE = 3
MOST_SETTLE = 40


def build_view(analysis: dict[str, Any], pack: Pack, log: Log, *, serial: str, made_at: Any,
               run_label: str = "", workshop: str | None = None, beside: Beside | None = None, proof: Proof | None = None) -> View:
    """View of one record; see :func:`cycler.record.build_record` for the arguments."""
    analysis = analysis if isinstance(analysis, dict) else {}
    log = with_temperatures(log, pack)[0]
    shown_serial = named(serial)
    when = moment(made_at) or text.NOT_STATED
    beside = beside or Beside()
    dangers = card_dangers(analysis, beside.card)
    compared = compared_front(beside)
    front = [
        Section("verdict", text.H_VERDICT, (_verdict(analysis), *annex.danger_box(analysis, dangers)), together=True, own_heading=True),
        Section("pack", text.H_PACK, _pack(analysis, pack, beside), together=True),
        Section("test", text.H_TEST, _test(analysis, pack, log)),
        Section("figures", text.H_FIGURES, (_figures(analysis, pack, log),)),
        *((compared,) if compared else ()),
        Section("criteria", text.H_CRITERIA, criteria(analysis)),
        Section("findings", text.H_FINDINGS, _findings(analysis, bool(dangers))),
    ]
    settle, further = _to_settle(analysis)
    if settle:
        open_only = get(analysis, "verdict", "result") in ("pass", "fail")
        title = text.H_SETTLE_DANGER if dangers or annex.has_danger(analysis) or get(analysis, "verdict", "vetoes") else text.H_SETTLE_OPEN if open_only else text.H_SETTLE
        front.append(Section("settle", title, settle))
    front.append(Section("sign", "", (Para(text.LIMITS_FRONT, "small"), Signature(text.SIGN_LINES)), together=True, own_heading=True))
    software = text.SOFTWARE.format(
        name=named(get(analysis, "software", "name"), "packreturn"),
        version=named(get(analysis, "software", "version"), f"(version {text.NOT_STATED})"),
        schema=named(get(analysis, "schema")),
    )
    return View(
        language=text.LANGUAGE, document_title=text.DOCUMENT_TITLE.format(serial=shown_serial), title=text.TITLE,
        subject=text.SUBJECT, serial=shown_serial, workshop=named(workshop, ""), made_at=when, stamp=stamp_of(made_at),
        head=_head(shown_serial, when, workshop, run_label, beside, proof),
        code=code_chart(record_text(shown_serial, proof.record_sha256), CODE_SIZE) if proof else None, front=tuple(front),
        annex=(
            *((further,) if further else ()), *more_criteria(analysis), *compared_sections(beside), *card_sections(beside.card),
            *health_sections(beside), *annex.sections(
                analysis, pack, log, software, dangers,
                (*((seal_section(proof, shown_serial, beside),) if proof else ()), *replaces_sections(beside))),
        ),
        software=software,
    )


def _head(serial: str, when: str, workshop: str | None, run_label: str, beside: Beside, proof: Proof | None) -> Facts:
    rows = [(text.L_SERIAL, serial), (text.L_MADE, when), (text.L_WORKSHOP, named(workshop, ""))]
    if run_label and str(run_label).strip():
        rows.append((text.L_RUN, clean(run_label)))
    elif proof:
        rows.append((text.L_RUN, text.NOT_STATED))
    if proof:
        rows += [*proof_rows(proof), ("", text.CHECK_FRONT)]
    if replaced := replaces_line(beside):
        rows.append(("", replaced))
    return Facts(tuple(rows), columns=2)


def with_english_told(view: View) -> View:
    """The view that says how many of its sentences stayed English, beside what made its figures; as it is where none did."""
    left = english_left(view)
    if not left:
        return view
    note = Para(text.ENGLISH_LEFT.format(n=left), "small")
    return replace(view, annex=tuple(replace(part, blocks=(*part.blocks, note)) if part.key == "logs" else part for part in view.annex))


def reasons_of(analysis: dict[str, Any]) -> str:
    """Why the capacity is not valid, in words."""
    return "; ".join(phrase(code) for code in as_list(get(analysis, "capacity", "reasons"))) or text.N_NO_REASON


# ---- verdict ---------------------------------------------------------------------------------------------
def _verdict(analysis: dict[str, Any]) -> Verdict:
    verdict = get(analysis, "verdict")
    result = result_of(get(verdict, "result"))
    lines = [sentence(get(verdict, "summary"))] if get(verdict, "summary") else []
    lines.append(text.RESULT_DO[result])
    name, rule = get(verdict, "criteria_title") or get(verdict, "criteria_name"), get(verdict, "decision_rule")
    basis = [text.VERDICT_AGAINST.format(name=told(clean(name), mark=False))] if name else []
    if rule:
        basis.append(text.VERDICT_RULE.format(rule=finished(text.RULE_WORDS[str(rule)]) if str(rule) in text.RULE_WORDS else sentence(rule)))
    if basis:
        lines.append(" ".join(basis))
    if get(analysis, "capacity", "valid") is False:
        lines.append(text.CAPACITY_INVALID_FRONT.format(reasons=reasons_of(analysis)))
    lines += _decided(get(verdict, "decided"))
    return Verdict(
        result=result, word=text.RESULT_WORD[result], shape=verdict_shape(result, 62, text.SHAPE_MEANS[result]),
        means=text.RESULT_MEANS[result], lines=tuple(lines),
    )


def _decided(decided: Any) -> list[str]:
    """Who decided, and the remark: the words of a person, not of the program."""
    said = [(shape, get(decided, key)) for shape, key in zip(text.DECIDED, ("by", "remark"))]
    # Joiners only shape the glyphs beside them, and the fonts of a record have none of those.
    shown = [shape.format(by=put, remark=put) for shape, value in said if value and (put := clean(_JOINERS.sub("", str(value)), LONGEST_SENTENCE))]
    return [" ".join(shown)] if shown else []


_JOINERS = re.compile("[\u200b-\u200d\ufe0e\ufe0f]")


# ---- pack and test ---------------------------------------------------------------------------------------
def _pack(analysis: dict[str, Any], pack: Pack, beside: Beside) -> tuple[Block, ...]:
    """Ratings, and what the workshop did to the pack."""
    facts, done = _pack_facts(analysis, pack), card_lines(beside.card)
    return (Facts((*facts.rows, *card_rows(beside.card)), columns=facts.columns), *((done,) if done else ()))


def _pack_facts(analysis: dict[str, Any], pack: Pack) -> Facts:
    def value(key: str) -> Any:
        return pack_value(analysis, pack, key)

    chemistry = value("chemistry")
    series, parallel = number(value("series")), number(value("parallel"))
    build = text.NOT_STATED
    if series is not None:
        shape = text.BUILD_SERIES if parallel is None else text.BUILD_SINGLE if parallel == 1 else text.BUILD
        build = shape.format(series=f"{series:g}", parallel=f"{parallel:g}" if parallel is not None else "")
    rows = [
        (text.L_ID, named(value("id"))),
        (text.L_RATED, _rating(value("rated_capacity_ah"), value("rated_energy_wh"))),
        (text.L_CHEMISTRY, text.CHEMISTRY_WORDS.get(str(chemistry), named(chemistry))),
        (text.L_BUILD, build),
    ]
    voltages = [value("charge_voltage_v"), value("cutoff_voltage_v")]
    if any(number(voltage) is not None for voltage in voltages):
        rows.append((text.L_VOLTAGES, ", ".join(
            unknown if number(voltage) is None else known.format(voltage=plain(voltage, "V"))
            for voltage, known, unknown in zip(voltages, text.VOLTAGES, text.VOLTAGES_UNKNOWN))))
    charge, discharge = value("max_charge_current_a"), value("max_discharge_current_a")
    if number(charge) is not None or number(discharge) is not None:
        rows.append((text.L_CURRENTS, text.CURRENTS.format(charge=rated(charge, "A"), discharge=rated(discharge, "A"))))
    inferred = [text.PACK_KEY_WORDS.get(str(key), text.words(clean(key))) for key in as_list(get(analysis, "pack", "inferred")) if key]
    if inferred:
        rows.append(("", text.INFERRED.format(keys=", ".join(inferred))))
    return Facts(tuple(rows), columns=2)


def _rating(capacity: Any, energy: Any) -> str:
    """Rated capacity and energy; the missing one of the two is named."""
    if number(capacity) is None and number(energy) is None:
        return text.NOT_STATED
    return ", ".join((
        text.NO_RATED_CAPACITY if number(capacity) is None else plain(capacity, "Ah"),
        text.NO_RATED_ENERGY if number(energy) is None else plain(energy, "Wh"),
    ))


def _around(analysis: dict[str, Any]) -> tuple[list[dict], list[dict], list[dict]]:
    """Charge and rest steps that lead up to the counted discharge, and its own steps."""
    steps = [step for step in as_list(get(analysis, "steps")) if isinstance(step, dict)]
    counted = counted_steps(analysis)
    first = steps.index(counted[0]) if counted else len(steps)
    rests: list[dict] = []
    charges: list[dict] = []
    k = first - 1
    while k >= 0 and direction_of(steps[k].get("kind")) == "rest":
        rests.insert(0, steps[k])
        k -= 1
    while k >= 0 and direction_of(steps[k].get("kind")) == "charge":
        charges.insert(0, steps[k])
        k -= 1
    if not charges and get(analysis, "efficiency", "charge_step") is not None:
        found = step_by_index(analysis, get(analysis, "efficiency", "charge_step"))
        charges = [found] if found else []
    return charges, rests, counted


def _total(steps: list[dict], key: str) -> float | None:
    values = [number(step.get(key)) for step in steps]
    return None if not values or None in values else sum(v for v in values if v is not None)


def _mean_current(steps: list[dict]) -> float | None:
    """Mean over time of the step means. [A]"""
    pairs = [(number(step.get("mean_current_a")), number(step.get("duration_s"))) for step in steps]
    known = [(a, s) for a, s in pairs if a is not None and s]
    return sum(a * s for a, s in known) / sum(s for _, s in known) if known and len(known) == len(pairs) else None


def _rate(current: float | None, rated_ah: float | None, given: Any = None) -> str:
    rate = number(given)
    if rate is None and current is not None and rated_ah:
        rate = abs(current) / rated_ah
    return "" if rate is None else text.TEST_RATE.format(rate=decimal(f"{rate:.2f}"))


def _volts(value: Any) -> str:
    return text.VOLTAGE_UNKNOWN if number(value) is None else decimal(f"{number(value):.2f} V")


def _amps(value: float | None) -> str:
    return text.CURRENT_UNKNOWN if value is None else decimal(f"{abs(value):.3g} A")


def _end(code: Any) -> str:
    return text.END_WORDS.get(str(code)) or (phrase(code) if code else text.N_NO_REASON)


def _test(analysis: dict[str, Any], pack: Pack, log: Log) -> tuple[Block, ...]:
    started = moment(log.started_at if log.started_at is not None else get(analysis, "log", "started_at"))
    opening = [text.TEST_WHEN.format(when=started) if started else text.TEST_WHEN_UNKNOWN]
    length = number(get(analysis, "log", "duration_s"))
    if length is None and log.time_s.size > 1:
        length = float(log.time_s[-1] - log.time_s[0])
    median = number(get(analysis, "reading", "sampling_s", "median"))
    if length is not None and log.time_s.size and median is not None:
        opening.append(text.TEST_LENGTH.format(duration=duration(length), rows=f"{log.time_s.size}", sampling=duration(median)))
    elif length is not None:
        opening.append(text.TEST_LENGTH_PLAIN.format(duration=duration(length)))
    rated_ah = number(pack_value(analysis, pack, "rated_capacity_ah"))
    charges, rests, counted = _around(analysis)
    run: list[str] = []
    if charges:
        mean = _mean_current([s for s in charges if str(s.get("kind")) == "charge_cc"] or charges)
        run.append(text.TEST_CHARGE.format(current=_amps(mean), rate=_rate(mean, rated_ah), duration=duration(_total(charges, "duration_s")),
                                           voltage=_volts(charges[-1].get("end_voltage_v")), end=_end(charges[-1].get("end_reason"))))
    else:
        run.append(text.TEST_NO_CHARGE)
    if rests:
        run.append(text.TEST_REST.format(duration=duration(_total(rests, "duration_s"))))
    if counted:
        mean = _mean_current(counted)
        end = get(analysis, "capacity", "end_reason") or counted[-1].get("end_reason")
        run.append(text.TEST_DISCHARGE.format(
            current=_amps(mean), rate=_rate(mean, rated_ah, get(analysis, "capacity", "rate_it")), duration=duration(_total(counted, "duration_s")),
            start=_volts(counted[0].get("start_voltage_v")), stop=_volts(counted[-1].get("end_voltage_v")), end=_end(end)))
        last, cutoff = number(counted[-1].get("end_voltage_v")), number(pack_value(analysis, pack, "cutoff_voltage_v"))
        if end == "pack_cutoff" and last is not None and cutoff is not None and last > cutoff and _volts(last) != _volts(cutoff):
            run.append(text.TEST_LAST_BEFORE.format(cutoff=_volts(cutoff)))
    else:
        run.append(text.TEST_NO_DISCHARGE)
    full = get(analysis, "capacity", "started_full")
    evidence = get(analysis, "capacity", "start_evidence")
    shown = phrase(evidence) if evidence else text.N_NO_REASON
    if full is True:
        run.append(text.TEST_FULL_YES.format(evidence=shown))
    elif full is False:
        run.append(text.TEST_FULL_NO.format(evidence=shown))
    elif counted:
        run.append(text.TEST_FULL_UNKNOWN)
    return (Para(" ".join([*opening, *run, *_temperature(analysis, log)])), Para(annex.instrument_sentence(analysis, pack)),)


def _temperature(analysis: dict[str, Any], log: Log) -> list[str]:
    mean, ambient = number(get(analysis, "capacity", "mean_temperature_c")), number(get(analysis, "thermal", "ambient_c"))
    sentences = []
    if mean is not None:
        sentences.append(text.TEST_TEMPERATURE.format(mean=figure(mean, get(analysis, "thermal", "u_max_c"), "degC")))
    elif why := no_temperature(analysis):
        sentences.append(measuretext.TEMPERATURE_WHY.format(reasons=why))
    elif log.temperature_c.shape[1] == 0:
        sentences.append(text.TEST_NO_TEMPERATURE)
    else:
        sentences.append(text.TEST_TEMPERATURE_UNKNOWN)
    if ambient is not None:
        sentences.append(text.TEST_AMBIENT.format(ambient=figure(ambient, get(analysis, "thermal", "u_max_c"), "degC")))
    return sentences


# ---- figures ---------------------------------------------------------------------------------------------
def _figures(analysis: dict[str, Any], pack: Pack, log: Log) -> Table:
    rows = [
        *_capacity_rows(analysis, pack), *_resistance_rows(analysis),
        *_efficiency_rows(analysis),
        *_thermal_rows(analysis, log), *_group_rows(analysis, log),
    ]
    return Table(text.FIGURE_CAPTION, text.FIGURE_HEAD, tuple(rows), "lfl", (0.215, 0.21, 0.575), strong_rows=(0, 2), strong_columns=(0, 1),
                 name="figures")


def _capacity_rows(analysis: dict[str, Any], pack: Pack) -> list[tuple[str, str, str]]:
    capacity = get(analysis, "capacity")
    valid, bound = get(capacity, "valid"), get(capacity, "is_lower_bound") is True
    rating = pack_value(analysis, pack, "rated_capacity_ah")

    def shown(value: Any, u: Any, unit: str) -> str:
        printed = figure(value, u, unit)
        return text.AT_LEAST.format(figure=printed) if bound else printed

    if valid is True:
        remark = text.N_VALID
    elif valid is False:
        remark = text.N_LOWER_FRONT if bound else text.N_INVALID.format(reasons=reasons_of(analysis))
    else:
        remark = text.N_UNKNOWN_VALID
    follows = "" if valid is True else text.N_FROM_INVALID
    if number(get(capacity, "value_ah")) is None:
        missing = "; ".join(phrase(code) for code in as_list(get(capacity, "reasons")))
        first = (text.F_CAPACITY, text.NOT_MEASURED, missing or text.W_CAPACITY)
    else:
        first = (text.F_CAPACITY, shown(get(capacity, "value_ah"), get(capacity, "u_value_ah"), "Ah"), remark)
    if number(get(capacity, "energy_wh")) is None:
        second = (text.F_ENERGY, text.NOT_MEASURED, text.W_ENERGY)
    else:
        mean = number(get(capacity, "mean_voltage_v"))
        note = text.N_MEAN_VOLTAGE.format(voltage=decimal(f"{mean:.2f} V")) if mean is not None else ""
        second = (text.F_ENERGY, shown(get(capacity, "energy_wh"), get(capacity, "u_energy_wh"), "Wh"), "; ".join(filter(None, (note, follows))))
    if number(get(capacity, "state_of_health")) is None:
        third = (text.F_HEALTH, text.NOT_MEASURED, text.W_HEALTH.format(rated=rated(rating, "Ah")))
    else:
        note = text.N_RATED.format(rated=rated(rating, "Ah"))
        third = (text.F_HEALTH, shown(get(capacity, "state_of_health"), get(capacity, "u_state_of_health"), "share"), "; ".join(filter(None, (note, follows))))
    return [first, second, third]


def _resistance_rows(analysis: dict[str, Any]) -> list[tuple[str, str, str]]:
    resistance = get(analysis, "resistance")
    head = get(resistance, "headline")
    edges = [edge for edge in as_list(get(resistance, "pack")) if isinstance(edge, dict)]
    tens = [e for e in edges if number(e.get("after_s")) == 10 and number(e.get("ohm")) is not None]
    at = number(get(head, "at_s"))
    ten = next((e for e in tens if at is None or number(e.get("at_s")) == at), {"at_s": at} if at is not None else None)
    source = text.N_GROUP_SUM if get(head, "source") == "group_sum" else ""
    # A voltmeter at the pack itself sees no leads: what lies outside the taps is then a joint.
    four_wire = get(analysis, "instrument", "declared") is True and get(analysis, "instrument", "sense") == "four-wire"
    codes = ["joint_outside_taps" if code == "lead_drop" and four_wire else code for code in as_list(get(resistance, "warnings"))]
    warned = "; ".join(phrase(code) for code in codes)
    # Coarse sampling takes away the ohmic part only.
    doubt = "; ".join(phrase(code) for code in codes if code != "sampling_too_coarse")
    if number(get(head, "ohm_10s")) is not None:
        value, u = get(head, "ohm_10s"), get(head, "u_ohm_10s")
    else:
        value, u = get(ten, "ohm"), get(ten, "u_ohm")
    if number(value) is None:
        first = (text.F_R10, text.NOT_MEASURED, warned or (text.W_R10 if edges else text.W_RESISTANCE))
    else:
        first = (text.F_R10, figure(value, u, "ohm"), "; ".join(filter(None, (source or _edge_note(ten), doubt))))
    ohmic, u_ohmic = get(head, "ohmic_ohm"), get(head, "u_ohmic_ohm")
    if number(ohmic) is None and ten is not None and number(get(head, "ohm_10s")) is None:
        ohmic, u_ohmic = ten.get("ohmic_ohm"), ten.get("u_ohmic_ohm")
    if number(ohmic) is None:
        second = (text.F_OHMIC, text.NOT_MEASURED, warned or text.W_OHMIC)
    else:
        told = text.N_AS_ABOVE if warned and warned in first[2] else warned
        second = (text.F_OHMIC, figure(ohmic, u_ohmic, "ohm"), "; ".join(filter(None, (source, told))))
    return [first, second]


def _edge_note(edge: dict[str, Any] | None) -> str:
    if edge is None:
        return ""
    parts = []
    if number(edge.get("at_s")) is not None:
        parts.append(text.N_PACK.format(at=text.N_AT.format(time=duration(edge["at_s"]))))
    if number(edge.get("state_of_charge")) is not None:
        parts.append(text.N_STATE_OF_CHARGE.format(soc=f"{edge['state_of_charge'] * 100:.0f} %"))
    if number(edge.get("temperature_c")) is not None:
        parts.append(text.N_ABOUT.format(figure=f"{edge['temperature_c']:.0f} °C"))
    return ", ".join(parts)


def _efficiency_rows(analysis: dict[str, Any]) -> list[tuple[str, str, str]]:
    efficiency = get(analysis, "efficiency")
    rows = []
    for label, key in ((text.F_COULOMBIC, "coulombic"), (text.F_ENERGY_EFFICIENCY, "energy")):
        if number(get(efficiency, key)) is None:
            rows.append((label, text.NOT_MEASURED, text.W_EFFICIENCY))
        else:
            rows.append((label, figure(get(efficiency, key), get(efficiency, f"u_{key}"), "share"), ""))
    if rows[0][1:] == rows[1][1:]:
        return [(text.F_EFFICIENCIES, *rows[0][1:])]
    return rows


def _thermal_rows(analysis: dict[str, Any], log: Log) -> list[tuple[str, str, str]]:
    thermal = get(analysis, "thermal")
    why = no_temperature(analysis) or (text.W_TEMPERATURE if log.temperature_c.shape[1] == 0 else text.W_TEMPERATURE_FIGURE)
    highest = ""
    if number(get(thermal, "max_c")) is not None:
        highest = text.N_HIGHEST.format(temperature=figure(get(thermal, "max_c"), get(thermal, "u_max_c"), "degC"))
    if number(get(thermal, "rise_c")) is None:
        return [(text.F_RISE, text.NOT_MEASURED, "; ".join(filter(None, (why, highest))))]
    return [(text.F_RISE, figure(get(thermal, "rise_c"), get(thermal, "u_rise_c"), "K"), highest)]


def _group_rows(analysis: dict[str, Any], log: Log) -> list[tuple[str, str, str]]:
    if not as_list(get(analysis, "groups")):
        return [(text.F_LIMITING, text.NOT_MEASURED, text.W_GROUPS if log.group_voltage_v.shape[1] == 0 else text.W_LIMITING)]
    limiting = get(analysis, "limiting_group")
    if limiting is None and all(number(get(group, "end_voltage_v")) is None for group in as_list(get(analysis, "groups"))):
        return [(text.F_LIMITING, text.NOT_MEASURED, text.W_LIMITING)]
    matched = number(get(analysis, "capacity_if_limiting_group_matched_ah"))
    note = ""
    if matched is not None:
        u = number(get(analysis, "u_capacity_if_limiting_group_matched_ah"))
        note = text.N_MATCHED.format(capacity=decimal(f"{matched:.3g} Ah")) if u is None else text.N_MATCHED_U.format(capacity=figure(matched, u, "Ah"))
    return [(text.F_LIMITING, text.GROUP_N.format(n=clean(limiting, 12)) if limiting is not None else text.NO_LIMITING, note)]


# ---- findings --------------------------------------------------------------------------------------------
def _findings(analysis: dict[str, Any], danger_on_card: bool = False) -> tuple[Block, ...]:
    front, further = annex.front_and_further(analysis)
    blocks: list[Block] = []
    if danger_on_card or annex.has_danger(analysis):
        blocks.append(Para(text.FINDINGS_DANGER))
    if front:
        blocks.append(Bullets(tuple(annex.finding_point(finding, analysis) for finding in front)))
    elif blocks:
        pass
    elif further:
        return (Para(text.FINDINGS_ONLY_NOTES),)
    else:
        blocks.append(Para(text.FINDINGS_NONE))
    if further:
        blocks.append(Para(text.NOTES_IN_ANNEX_ONE if len(further) == 1 else text.NOTES_IN_ANNEX.format(n=len(further)), "small"))
    return tuple(blocks)


def _to_settle(analysis: dict[str, Any]) -> tuple[tuple[Block, ...], Section | None]:
    """What would settle a not proven: the first of it for the front page, the rest as a section of the annex."""
    points = [("", sentence(item)) for item in as_list(get(analysis, "verdict", "to_settle")) if item is not None and str(item).strip()]
    if not points and result_of(get(analysis, "verdict", "result")) == "not_proven":
        points = [("", text.SETTLE_NONE)]
    if not points:
        return (), None
    front, further = points[:FRONT_SETTLE], points[FRONT_SETTLE:MOST_SETTLE]
    if not further:
        return (Bullets(tuple(front)),), None
    return ((Bullets(tuple(front)), Para(text.SETTLE_IN_ANNEX, "small")),
            Section("more-settle", text.H_MORE_SETTLE, (Bullets(tuple(further)),)))
