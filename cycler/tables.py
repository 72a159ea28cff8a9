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
from cycler.quantities import display_unit, figure_text
from cycler.record.text import END_WORDS, ROLE_WORDS, STEP_WORDS, code_label

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
    return f"{value:.6g} {unit}"


def duration(seconds: Any) -> str:
    """"4 h 52 min", "3 min 5 s", "12.5 s"."""
    exact = number(seconds)
    if exact is None:
        return "not known"
    if exact < 60:
        return f"{exact:.3g} s"
    minutes, rest = divmod(round(exact), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(round(exact / 60), 60)
    return f"{hours} h {minutes} min"


# --- analysis ----------------------------------------------------------------------------------------------------


def print_analysis(sheet: Sheet, analysis: Mapping[str, Any]) -> None:
    """All of an analysis that a person decides by, in a fixed order."""
    sheet.pairs(_source_rows(analysis))
    print_verdict(sheet, analysis.get("verdict"))
    sheet.title("Pack")
    sheet.pairs([*capacity_rows(analysis), *_resistance_rows(analysis)])
    print_groups(sheet, analysis)
    print_findings(sheet, items(analysis.get("findings")))
    print_settle(sheet, analysis.get("verdict"))
    print_caution(sheet, analysis)


def _source_rows(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = []
    for source in items(analysis.get("sources")):
        dropped = source.get("rows_dropped") or 0
        left_out = f", {dropped} left out" if dropped else ""
        rows.append((
            "Read", f"{source.get('file')}: {source.get('rows_read')} rows{left_out}, SHA-256 {str(source.get('sha256'))[:16]}…",
        ))
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


def verdict_text(verdict: Mapping[str, Any] | None) -> Text:
    """"FAIL by the criteria return-to-owner"."""
    if not verdict:
        return Text("no verdict: no criteria were applied")
    result = str(verdict.get("result"))
    text = Text()
    text.append(RESULT_WORDS.get(result, result), style=_RESULT_STYLE.get(result, ""))
    return text.append(f" by the criteria {verdict.get('criteria_name')}")


def print_verdict(sheet: Sheet, verdict: Mapping[str, Any] | None, full: bool = False) -> None:
    """The verdict and why: what failed or is wanting with its reason, the rest by name (with ``full`` all with reason)."""
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
            if full or told:
                rows.append((f"  {_lower(one.get('result'))}", criterion_sentence(one)))
            else:
                named.setdefault(str(one.get("result")), []).append(_criterion_name(one))
        rows += [(f"  {_lower(result)}", "; ".join(names)) for result, names in named.items()]
    sheet.pairs(rows)


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
            facts.append(f"at {capacity['rate_it']:.3g} It")
        if number(capacity.get("mean_temperature_c")) is not None:
            facts.append(f"{capacity['mean_temperature_c']:.1f} °C")
        if capacity.get("end_reason"):
            facts.append(f"ended because {END_WORDS.get(capacity['end_reason'], capacity['end_reason'])}")
        if facts:
            rows.append(("", ", ".join(facts)))
        rows.append(("Energy", figure(capacity.get("energy_wh"), capacity.get("u_energy_wh"), "Wh")))
        if number(capacity.get("state_of_health")) is not None:
            health = figure(capacity["state_of_health"], capacity.get("u_state_of_health"), "share")
            rows.append(("State of health", f"{bound}{health} of the rated capacity"))
    matched = number(analysis.get("capacity_if_limiting_group_matched_ah"))
    if matched is not None and analysis.get("limiting_group"):
        rows.append((
            "If matched", f"{figure(matched, None, 'Ah')}, were group {analysis['limiting_group']} like its siblings (estimate)"
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
    volts = ruled(
        ("Group", "n"), ("Rest\nV", "n"), ("End\nV", "n"), ("Sag in 10 s\nmV", "n"), ("Behind at end\nmV", "n"),
        ("10 s resistance\nmΩ", "n"),
    )
    holds = ruled(
        ("Group", "n"), ("Capacity\nAh", "n"), ("Short at start\nAh", "n"), ("Leak\nmA", "n"), ("Findings", "t"),
    )
    for group in groups:
        name = f"{'* ' if group.get('group') == limiting else ''}{group.get('group')}"
        row(
            volts, name, _volt(group.get("rest_voltage_v")), _volt(group.get("end_voltage_v")),
            bare(group.get("sag_10s_v"), group.get("u_sag_10s_v"), "mV", 1e3),
            bare(group.get("sag_end_v"), group.get("u_sag_end_v"), "mV", 1e3),
            bare(group.get("resistance_10s_ohm"), group.get("u_resistance_10s_ohm"), "ohm"),
        )
        capacity = bare(group.get("capacity_ah"), group.get("u_capacity_ah"), "Ah")
        if group.get("capacity_is_estimate") and capacity != DASH:
            capacity += " est."
        row(
            holds, name, capacity, bare(group.get("start_deficit_ah"), group.get("u_start_deficit_ah"), "Ah"),
            bare(group.get("self_discharge_ma"), group.get("u_self_discharge_ma"), "mA"),
            ", ".join(code_label(code) for code in items(group.get("findings"))) or DASH,
        )
    sheet.table(volts)
    sheet.blank()
    sheet.table(holds)
    notes = [f"* limits the pack: group {limiting}"] if limiting else ["no group stands out as limiting"]
    if any(group.get("capacity_is_estimate") and number(group.get("capacity_ah")) is not None for group in groups):
        notes.append("est.: the group did not reach its own cut-off")
    sheet.line(f"{'; '.join(notes)}; {DASH} not known; ± expanded uncertainty, k = 2.")


def _volt(value: Any) -> str:
    exact = number(value)
    return DASH if exact is None else f"{exact:.3f}"


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
            str(finding.get("message") or code_label(finding.get("code"))),
        )
        for severity, finding in sorted(
            ((str(item.get("severity")), item) for item in findings), key=lambda one: order.get(one[0], len(order))
        )
    )


def print_settle(sheet: Sheet, verdict: Mapping[str, Any] | None) -> None:
    """What would settle a verdict that is not proven."""
    sentences = items((verdict or {}).get("to_settle"))
    if sentences:
        sheet.title("What would settle it")
        for sentence in sentences:
            sheet.pairs([("-", str(sentence))])


def print_caution(sheet: Sheet, *analyses: Mapping[str, Any]) -> None:
    """The caution that stands under every result a person may act on."""
    danger = any(
        finding.get("severity") == "danger" for analysis in analyses for finding in items(analysis.get("findings"))
    )
    sheet.blank()
    if danger:
        sheet.line(Text(CAUTION_DANGER, style="bold red"))
    sheet.line(CAUTION)


# --- reading -----------------------------------------------------------------------------------------------------


def print_reading(sheet: Sheet, seen: Mapping[str, Any]) -> None:
    """How a log was understood: ``seen`` has sources, reading and log as in the analysis object."""
    reading = seen["reading"]
    sheet.pairs(_source_rows(seen))
    words = {"\t": "tab", ",": "comma", ";": "semicolon", " ": "blank", "|": "vertical bar"}
    header = reading.get("header_row")
    clock, sign, sampling = reading["clock"], reading["sign"], reading["sampling_s"]
    facts = [
        ("Text", f"{reading['encoding']}, delimiter {words.get(reading['delimiter'], reading['delimiter'])}, "
                 f"decimal {words.get(reading['decimal'], 'point' if reading['decimal'] == '.' else reading['decimal'])}, "
                 + (f"header in line {header}" if header else "no header line")),
        ("Clock", str(clock["kind"]) + ("; ran over, put in line" if clock.get("wrapped") else "")),
        ("Duration", f"{duration(part(seen, 'log', 'duration_s'))}, one sample every {_seconds(sampling.get('median'))} "
                     f"(median), longest distance {_seconds(sampling.get('max'))}"),
        ("Current", f"discharge is {sign['discharge_is']} in the file" + (f": {sign['evidence']}" if sign.get("evidence") else "")),
    ]
    for gap in items(clock.get("gaps")):
        facts.append(("Gap", f"{duration(gap['duration_s'])} from {duration(gap['start_s'])} on"))
    sheet.pairs(facts)
    sheet.title("Columns")
    table = ruled(("Heading in the file", "t"), ("Read as", "t"), ("Unit", "t"), ("Group", "n"))
    for column in items(reading.get("columns")):
        role = str(column.get("role"))
        row(
            table, str(column.get("name")), ROLE_WORDS.get(role, role), _UNIT_SHOWN.get(column.get("unit"), column.get("unit") or DASH),
            str(column.get("group") or DASH),
        )
    sheet.table(table)
    sheet.title("Warnings")
    warnings = items(reading.get("warnings"))
    if not warnings:
        sheet.line("None.")
    for warning in warnings:
        where = f" ({warning['where']})" if warning.get("where") else ""
        sheet.pairs([("-", f"{warning.get('message')}{where}")])


_UNIT_SHOWN = {"degC": "°C", "ohm": "Ω"}


def _seconds(value: Any) -> str:
    exact = number(value)
    return "not known" if exact is None else f"{exact:.3g} s"


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
    table = ruled(("No.", "n"), ("Kind", "t"), ("Duration", "n"), ("Mean\nA", "n"), ("Charge\nAh", "n"), ("Voltage\nV", "n"), ("Ended because", "t"))
    for step in steps:
        row(
            table, str(step.get("index")), STEP_WORDS.get(str(step.get("kind")), str(step.get("kind"))),
            duration(step.get("duration_s")), _three(step.get("mean_current_a"), 3), _three(step.get("capacity_ah"), 3),
            f"{_three(step.get('start_voltage_v'), 2)} – {_three(step.get('end_voltage_v'), 2)}",
            END_WORDS.get(str(step.get("end_reason")), str(step.get("end_reason") or DASH)),
        )
    sheet.table(table)
    sheet.line("Charge current is positive.")


def _three(value: Any, digits: int) -> str:
    exact = number(value)
    return DASH if exact is None else f"{exact:.{digits}f}"
