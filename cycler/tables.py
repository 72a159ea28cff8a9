"""Results as text for a terminal: tables of 80 columns that never cut a figure, and sentences.

Works from the plain analysis object, so that a run of today and one out of the register print alike.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from cycler.criteria_quantities import number, part
from cycler.quantities import display_unit, figure_text, significant_text
from cycler.record.text import END_WORDS, STEP_WORDS, code_label
from cycler.record.values import banded
from cycler.settle import quantity_text

if TYPE_CHECKING:
    from cycler.register import RunRow

DASH = "–"
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


def answer_console() -> Console:
    """Console on standard output without guesses about what the text means. NO_COLOR is honoured."""
    return Console(file=sys.stdout, highlight=False, markup=False, emoji=False)


class Sheet:
    """Prints blocks one below another, wide enough for their figures even where the terminal is not."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or answer_console()

    def blank(self) -> None:
        """An empty line."""
        self._print("")

    def title(self, text: str) -> None:
        """A heading, with an empty line above."""
        self.blank()
        self._print(Text(text, style="bold"))

    def line(self, text: str | Text) -> None:
        """One paragraph, wrapped at words."""
        self._print(_text(text))

    def path(self, text: str) -> None:
        """A line that is never broken, so that it can be copied."""
        self._print(_text(text), soft_wrap=True)

    def table(self, table: Table) -> None:
        """A table at the width of the terminal, or wider if its figures need it."""
        console = self._console
        before = console.width
        try:
            console.width = max(before, _share_width(table, before))
            self._print(table)
        finally:
            console.width = before

    def pairs(self, rows: Iterable[tuple[str | Text, str | Text]]) -> None:
        """Names and values, the values aligned."""
        grid = Table.grid(padding=(0, _GAP))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for name, value in rows:
            row(grid, name, value)
        self.table(grid)

    def _print(self, thing: Any, soft_wrap: bool = False) -> None:
        if self._console.is_terminal:
            self._console.print(thing, soft_wrap=soft_wrap, crop=False)
            return
        with self._console.capture() as held:  # in a file or pipe: without the blanks that fill up a line
            self._console.print(thing, soft_wrap=soft_wrap, crop=False)
        self._console.file.write("".join(f"{line.rstrip()}\n" for line in held.get().splitlines()))


_WORD_MAX = 20
"""Words up to this length are not broken in a column of text. [characters]"""
_GAP = 2
"""Blanks between two columns. [characters]"""


def ruled(*heads: tuple[str, str]) -> Table:
    """A table with heads; each is (text, kind), kind ``n`` figures (right, never broken), ``t`` text (may wrap)."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for text, kind in heads:
        figures = kind == "n"
        table.add_column(
            Text(text), justify="right" if figures else "left", no_wrap=figures, overflow="fold", min_width=1,
        )
        _widen(table.columns[-1], Text(text))
    return table


def row(table: Table, *cells: str | Text) -> None:
    """Add a row of plain texts (nothing in them is taken for a style)."""
    texts = [_text(cell) for cell in cells]
    table.add_row(*texts)
    for column, text in zip(table.columns, texts, strict=True):
        _widen(column, text)


def _widen(column: Column, text: Text) -> None:
    """Have the column keep whole figures, or whole words up to a length."""
    if column.no_wrap:
        need = _longest(text)
    else:
        need = min(_WORD_MAX, max((cell_len(word) for word in text.plain.split()), default=1))
    column.min_width = max(column.min_width or 1, need)


def _longest(text: Any) -> int:
    return max((cell_len(line) for line in str(text).split("\n")), default=1)


def _share_width(table: Table, width: int) -> int:
    """Give each column its least width and share what is left among those that want more; returns the whole width.

    (Left to itself the table would first shrink columns below their least width and then cut them.)
    """
    least = [column.min_width or 1 for column in table.columns]
    wanted = [max(low, *map(_longest, (column.header, *column.cells))) for low, column in zip(least, table.columns)]
    gaps = _GAP * (len(least) - 1)
    if sum(wanted) + gaps > width:
        spare = max(0, width - gaps - sum(least))
        wishes = [high - low for high, low in zip(wanted, least)]
        wanted = [low + spare * wish // (sum(wishes) or 1) for low, wish in zip(least, wishes)]
    for column, share in zip(table.columns, wanted):
        column.width = share
    return sum(wanted) + gaps


def _text(value: str | Text) -> Text:
    """Plain text; what could steer a terminal (a file name may hold it) is replaced."""
    if isinstance(value, Text):
        return value
    return Text("".join(ch if ch.isprintable() or ch == "\n" else "\N{REPLACEMENT CHARACTER}" for ch in value))


def bare(value: Any, u: Any, unit: str, factor: float = 1.0) -> str:
    """Figure for a column whose head names the unit; a dash if it is not known."""
    exact, spread = number(value), number(u)
    if exact is None:
        return DASH
    text = figure_text(exact * factor, None if spread is None else spread * factor, unit)
    return text.removesuffix(f" {display_unit(unit)[1]}")


def figure(value: Any, u: Any, unit: str) -> str:
    """Figure with its unit, "not known" if there is none."""
    return figure_text(number(value), number(u), unit)


def items(value: Any) -> list[Any]:
    """A list as it is; what is missing as an empty one."""
    return list(value) if isinstance(value, (list, tuple)) else []


def rating(value: Any, unit: str) -> str:
    """A rating with its unit, as on a label."""
    return f"{significant_text(value, 6)} {unit}"


def sentence(text: Any) -> str:
    """With a capital and a full stop, degrees in their sign."""
    words = " ".join(str(text).split()).replace("degC", "°C")
    if not words:
        return ""
    return words[:1].upper() + words[1:] + ("" if words[-1] in ".!?…:" else ".")


def ended_because(code: Any) -> str:
    """Why a step or a discharge ended, as a clause after "ended"."""
    own = {
        "set_by_program": "by the operator or the program before any cut-off", "log_end": "where the log ends",
        "gap": "where the log breaks off",
    }
    return own.get(str(code)) or f"because {END_WORDS.get(str(code), code)}"


def duration(seconds: Any) -> str:
    """"4 h 52 min", "3 min 5 s", "12.5 s"."""
    exact = number(seconds)
    if exact is None:
        return "not known"
    if exact < 60:
        return f"{significant_text(exact, 3)} s"
    minutes, rest = divmod(round(exact), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(round(exact / 60), 60)
    return f"{hours} h {minutes} min"


# --- analysis ----------------------------------------------------------------------------------------------------


def print_analysis(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """All of an analysis that a person decides by, in a fixed order."""
    sheet.pairs(source_rows(analysis))
    print_verdict(sheet, analysis.get("verdict"))
    sheet.title("Pack")
    counted = [("Counter", str(one.get("summary"))) for one in items(analysis.get("counters")) if items(one.get("steps"))]
    sheet.pairs([*capacity_rows(analysis), *_resistance_rows(analysis), *counted])
    print_groups(sheet, analysis)
    print_findings(sheet, items(analysis.get("findings")))
    print_settle(sheet, analysis.get("verdict"))
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
    parts = [str(pack["id"])] if pack.get("id") else []
    if pack.get("chemistry"):
        parts.append(str(pack["chemistry"]))
    if pack.get("series"):
        parts.append(f"{pack['series']}S" + (f"{pack['parallel']}P" if pack.get("parallel") else ""))
    if number(pack.get("rated_capacity_ah")) is not None:
        parts.append(f"rated {rating(pack['rated_capacity_ah'], 'Ah')}")
    if parts:
        rows.append(("Pack", ", ".join(parts)))
    return rows


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
    sheet.pairs(rows)
    if full and verdict:
        sheet.blank()
        print_criteria(sheet, verdict)


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
    if not leaks:
        notes.append("Leaks at rest are not known.")
    if any(group.get("capacity_is_estimate") and number(group.get("capacity_ah")) is not None for group in groups):
        notes.append("Est.: the group did not reach its own cut-off.")
    sheet.line(f"{' '.join(notes)} {DASH} Not known. ± expanded uncertainty, k = 2.")


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
            f"{count} {severity}" for severity, count in reversed(item.findings.items()) if count and severity != "info"
        ]
        row(
            table, str(item.id), item.pack_id, item.label or DASH, item.added_at[:10], capacity,
            str(item.limiting_group or DASH), result_text(item.verdict), ", ".join(counts) or DASH,
        )
    sheet.table(table)
    if any(item.capacity_ah is not None and not item.capacity_valid for item in runs):
        sheet.line("≥ a lower bound, ! a figure not valid as the pack's capacity: cycler show RUN says why.")
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
