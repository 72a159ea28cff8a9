"""Budgets of a record: where the uncertainty of a figure comes from, by source."""

from __future__ import annotations

import math
from typing import Any

from cycler.quantities import COVERAGE_FACTOR, decimals_for, display_unit
from cycler.record.blocks import Section, Table
from cycler.record.language import decimal, measuretext, text
from cycler.record.values import as_list, clean, get, number

FIGURES = {
    "capacity_ah": ("Ah", 1.0), "resistance_10s_ohm": ("ohm", 1.0), "ohmic_ohm": ("ohm", 1.0), "sag_10s_v": ("mV", 1e3), "self_discharge_ma": ("mA", 1.0),
}
"""Figures of a group that carry a budget: the unit they are shown in, and the factor to it."""


def two_digits(u: float, unit: str) -> str:
    """An uncertainty with two significant digits. JCGM 100:2008, 7.2.6 (clause from memory)."""
    factor, name = display_unit(unit)
    shown = abs(u) * factor
    return decimal(f"{shown:.{decimals_for(shown) if shown else 0}f} {name}".rstrip())


def source_words(source: Any) -> str:
    """A source of uncertainty in words."""
    known = text.SOURCE_WORDS.get(str(source)) or text.SOURCE_WORDS.get(text.words(source))
    return known or clean(text.words(source) if source else text.NOT_STATED, 160)


def contributions(entries: Any, key: str = "standard_uncertainty") -> list[tuple[str, float]]:
    """Source in words and standard uncertainty of each line of a budget that holds a number."""
    return [(source_words(entry.get("source")), abs(number(entry.get(key)) or 0.0)) for entry in as_list(entries)
            if isinstance(entry, dict) and number(entry.get(key)) is not None]


def share_of_variance(u: float, combined: float) -> str:
    """What one source makes of the whole variance."""
    return decimal(f"{100 * u * u / (combined * combined or 1.0):.1f} %")


def budget_table(entries: Any, key: str, unit: str, name: str, total: float | None = None) -> Table | None:
    """A budget with its shares of the variance, combined and expanded uncertainty; None without a line."""
    known = contributions(entries, key)
    if not known:
        return None
    combined = total if total else math.sqrt(sum(u * u for _, u in known))
    rows = [(source, two_digits(u, unit), share_of_variance(u, combined)) for source, u in known]
    rows.append((text.BUDGET_TOTAL, two_digits(combined, unit), ""))
    rows.append((text.BUDGET_EXPANDED, two_digits(COVERAGE_FACTOR * combined, unit), ""))
    return Table(text.BUDGET_CAPTION, text.BUDGET_HEAD, tuple(rows), "lrr", (0.36, 0.2, 0.2), (len(rows) - 2, len(rows) - 1), name=name)


def energy_budgets(analysis: dict[str, Any]) -> list[Section]:
    """Budgets of the energy and of a calculated capacity, each where there is one."""
    capacity = get(analysis, "capacity")
    found = []
    for key, title, entries, unit_key, unit, total in (
        ("energy-budget", measuretext.H_ENERGY_BUDGET, get(capacity, "energy_budget"), "standard_uncertainty_wh", "Wh", get(capacity, "u_energy_wh")),
        ("corrected-budget", measuretext.H_CORRECTED_BUDGET, get(capacity, "corrected", "budget"), "standard_uncertainty_ah", "Ah",
         get(capacity, "corrected", "u_value_ah")),
    ):
        table = budget_table(entries, unit_key, unit, key, number(total))
        if table:
            found.append(Section(key, title, (table,)))
    return found


def group_budgets(analysis: dict[str, Any]) -> list[Section]:
    """Budgets of the limiting group, where there are any."""
    limiting = get(analysis, "limiting_group")
    group = next((g for g in as_list(get(analysis, "groups")) if limiting is not None and get(g, "group") == limiting), None)
    table = _group_table(group)
    return [Section("group-budget", measuretext.H_GROUP_BUDGET.format(n=clean(limiting, 12)), (table,))] if table else []


def _group_table(group: Any) -> Table | None:
    """The budgets of one group, one below the other."""
    rows: list[tuple[str, ...]] = []
    strong = []
    for key, (unit, factor) in FIGURES.items():
        lines = [(source, factor * u) for source, u in contributions(get(group, "budgets", key))]
        combined = math.sqrt(sum(u * u for _, u in lines))
        name = measuretext.GROUP_BUDGET_FIGURES[key]
        for source, u in lines:
            rows.append((name, source, two_digits(u, unit), share_of_variance(u, combined)))
            name = ""
        if lines:
            strong.append(len(rows))
            rows.append(("", text.BUDGET_EXPANDED, two_digits(COVERAGE_FACTOR * combined, unit), ""))
    if not rows:
        return None
    return Table(text.BUDGET_CAPTION, measuretext.GROUP_BUDGET_HEAD, tuple(rows), "llrr", (0.18, 0.36, 0.19, 0.17), tuple(strong), name="group-budget")
