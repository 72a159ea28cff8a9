"""Rules by which cells are graded: limits for two grades with their reasons, words that reject, and the errors of the instruments."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from importlib import resources
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.pack import CHEMISTRIES, CHEMISTRY_LIMITS
from cycler.tomlsource import checked_number, checked_word, line_of_key, load_toml, parse_toml, refuse_key

KIND = "rules file"
QUANTITIES = ("capacity_share", "resistance_ratio", "self_discharge_mv_per_day", "rest_voltage_v")
DEEP = "rest_voltage_v"
"""No rules without a limit of this, whatever else they leave out."""
DIRECTIONS = ("at_least", "at_most")
CHEMISTRIES_OF_RULES = tuple(name for name in CHEMISTRIES if name != "nimh")


@dataclass(frozen=True, slots=True)
class Rule:
    """Limits of one quantity for the first and the second grade; a value on the limit meets it."""

    quantity: str
    first: float
    second: float
    at_least: bool
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class Errors:
    """Half-widths of error of the measured cells; ``_gain`` is common to all cells, the others hold for each by itself."""

    capacity_gain: float = 0.01
    capacity_repeat: float = 0.005
    resistance_gain: float = 0.02
    resistance_repeat: float = 0.03
    voltage_digits_v: float = 0.002
    temperature_swing_k: float = 3.0
    voltage_per_k: float = 0.0003

    def u_drop_v(self) -> float:
        """Standard uncertainty of the difference of two rest voltages of one cell by one meter. [V]

        Rectangles: the digits at both readings, and the temperature of the cell. The gain of the meter is common to both and multiplies only the
        small difference (JCGM 100:2008, 5.2.2 and F.1.2.3, from memory).
        """
        return math.sqrt(2.0 * self.voltage_digits_v**2 + (self.temperature_swing_k * self.voltage_per_k) ** 2) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Matching:
    """What the matching may do: see ``grades.toml``."""

    capacity_given_up: float = 0.001
    parallel_volt: float = 0.05
    parallel_volt_never: float = 0.1


@dataclass(frozen=True, slots=True)
class Rules:
    """A checked set of rules; ``rules`` are those of its chemistry."""

    name: str
    title: str
    chemistry: str
    rated_capacity_ah: float | None
    rules: tuple[Rule, ...]
    words: tuple[str, ...]
    words_why: str
    words_source: str
    errors: Errors
    matching: Matching

    @property
    def over_full_v(self) -> float:
        """Above this no cell of the chemistry may stand. [V]"""
        return CHEMISTRY_LIMITS[self.chemistry].overcharge_v

    def with_rated(self, rated_capacity_ah: float | None) -> Rules:
        """The same with another rated capacity, if there is one."""
        return self if rated_capacity_ah is None else replace(self, rated_capacity_ah=rated_capacity_ah)


def load_rules(path: str | Path | None = None, chemistry: str | None = None) -> Rules:
    """Rules from a file, or the ones that come with the program; ``chemistry`` goes before the one in the file.

    Raises
    ------
    InputError
        As :func:`rules_from_text`, and where the file cannot be read.
    """
    if path is None:
        return rules_from_text(resources.files("cycler").joinpath("data/grades.toml").read_text("utf-8"), "grades.toml", chemistry)
    data, text = load_toml(path, KIND)
    return _checked(data, text, str(path), chemistry)


def rules_from_text(text: str, name: str, chemistry: str | None = None) -> Rules:
    """The same from a text; ``name`` stands in messages. InputError with the line for what cannot be used."""
    data, text = parse_toml(text.encode(), name, KIND)
    return _checked(data, text, name, chemistry)


_TOP = ("name", "title", "about", "chemistry", "rated_capacity_ah", "measurement", "matching", "rule", "words")
_RULE = ("quantity", "first", "second", "direction", "why", "source", "chemistries")


def _checked(data: Mapping[str, Any], text: str, name: str, chemistry: str | None) -> Rules:
    def at(key: str, occurrence: int = 0) -> Location:
        return Location(name, line_of_key(text, key, occurrence))

    for key in data:
        if key not in _TOP:
            refuse_key(key, list(_TOP), at(key))
    kind = (chemistry or checked_word("chemistry", data.get("chemistry", "nmc"), at("chemistry"))).lower()
    if kind not in CHEMISTRIES_OF_RULES:
        raise InputError(
            f"no rules for the chemistry {quote(kind)}", at("chemistry") if chemistry is None else "chemistry", "limits of rest voltage depend on it",
            f"one of {', '.join(CHEMISTRIES_OF_RULES)}",
        )
    rated = data.get("rated_capacity_ah")
    if rated is not None:
        rated = _positive("rated_capacity_ah", rated, at("rated_capacity_ah"))
    entries = data.get("rule", [])
    if not isinstance(entries, list) or not all(isinstance(entry, Mapping) for entry in entries):
        raise InputError("rule is not a list of tables", at("rule"), "each rule is a table of its own", "write [[rule]] above each")
    rules = [rule for k, entry in enumerate(entries) if (rule := _rule(entry, kind, text, name, k)) is not None]
    seen = [rule.quantity for rule in rules]
    twice = next((key for key in seen if seen.count(key) > 1), None)
    if twice is not None:
        raise InputError(f"two rules for {twice}", Location(name), f"both hold for {kind}", "keep one of them, or say for which chemistries each holds")
    if DEEP not in seen:
        raise InputError(
            f"the {KIND} has no limit of {DEEP}", Location(name), f"without it cells of {kind} that were discharged too deep would be used", f'add a [[rule]] with quantity = "{DEEP}"',
        )
    words = _table(data, "words", ("reject", "why", "source"), text, name)
    listed = words.get("reject", [])
    if not isinstance(listed, list) or not listed or not all(isinstance(word, str) and word.strip() for word in listed):
        raise InputError("reject is not a list of words", at("reject"), f"found {quote(listed)}", 'write reject = ["swollen", "rust"]')
    return Rules(
        checked_word("name", data.get("name", "rules"), at("name")), checked_word("title", data.get("title", "Rules of the workshop"), at("title")), kind, rated,
        tuple(rules), tuple(word.strip().casefold() for word in listed), str(words.get("why", "")), str(words.get("source", "")),
        Errors(**_numbers(data, "measurement", Errors, text, name)), Matching(**_numbers(data, "matching", Matching, text, name)),
    )


def _rule(entry: Mapping[str, Any], chemistry: str, text: str, name: str, k: int) -> Rule | None:
    where = Location(name, line_of_key(text, "quantity", k))
    for key in entry:
        if key not in _RULE:
            refuse_key(key, list(_RULE), where)
    quantity = checked_word("quantity", entry.get("quantity"), where, 'quantity = "capacity_share"')
    if quantity not in QUANTITIES:
        raise InputError(f"unknown quantity {quote(quantity)}", where, "no cell is judged by it", f"one of {', '.join(QUANTITIES)}")
    direction = checked_word("direction", entry.get("direction"), where, 'direction = "at_least"')
    if direction not in DIRECTIONS:
        raise InputError(f"unknown direction {quote(direction)}", where, "a limit is a least or a most", "write at_least or at_most")
    first, second = (checked_number(key, entry.get(key), where) for key in ("first", "second"))
    if (first < second) if direction == "at_least" else (first > second):
        raise InputError(
            "the limit of the first grade is easier than that of the second", where, f"first = {first:g}, second = {second:g}, {direction}", "exchange the two",
        )
    why, source = (checked_word(key, entry.get(key, ""), where, f'{key} = "..."', only_text=True) if key in entry else "" for key in ("why", "source"))
    if not why or not source:
        raise InputError("a limit without its reason", where, f"{quantity} lacks {'why' if not why else 'source'}", 'write why = "..." and source = "..."; "common practice, no source" is one')
    kinds = entry.get("chemistries", [chemistry])
    if not isinstance(kinds, list) or not kinds or not all(isinstance(kind, str) and kind in CHEMISTRIES_OF_RULES for kind in kinds):
        raise InputError(
            "chemistries is not a list of them", where, f"found {quote(kinds)}", f'write chemistries = ["nmc"], of {", ".join(CHEMISTRIES_OF_RULES)}; without the line the rule holds for all',
        )
    return None if chemistry not in kinds else Rule(quantity, first, second, direction == "at_least", why, source)


def _table(data: Mapping[str, Any], key: str, known: tuple[str, ...], text: str, name: str) -> Mapping[str, Any]:
    table = data.get(key, {})
    if not isinstance(table, Mapping):
        raise InputError(f"{key} is not a table", Location(name, line_of_key(text, key)), f"found {quote(table)}", f"write [{key}] on a line of its own")
    for inner in table:
        if inner not in known:
            refuse_key(inner, list(known), Location(name, line_of_key(text, inner)))
    return table


def _numbers(data: Mapping[str, Any], key: str, kind: type, text: str, name: str) -> dict[str, float]:
    known = tuple(field.name for field in fields(kind))
    found = {}
    for inner, value in _table(data, key, known, text, name).items():
        where = Location(name, line_of_key(text, inner))
        found[inner] = checked_number(inner, value, where)
        share = inner.endswith(("_gain", "_repeat", "_given_up"))
        if found[inner] < 0 or (share and found[inner] > 0.5):
            raise InputError(f"{inner} cannot be", where, f"found {found[inner]:g}", "a share between 0 and 0.5 (1 % is 0.01)" if share else "write a number from zero on")
    return found


def _positive(key: str, value: Any, where: Location) -> float:
    number = checked_number(key, value, where)
    if number <= 0:
        raise InputError(f"{key} must be above zero", where, f"found {quote(value)}", "correct it or leave the line out")
    return number
