"""What the reasoner knows, read from ``data/causes.toml`` and checked: causes, clues, and how likely each cause makes each value of a clue."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.tomlsource import checked_number, load_toml, parse_toml, refuse_key

CAUSES_FILE = Path(__file__).resolve().parent.parent / "data" / "causes.toml"
KIND = "file of causes"
PARTS = ("cells", "sensors", "wiring", "board", "charger", "pack")
PLACES = ("group", "tap", "probe")
END = "_end"
"""Ending of the lines that hold for the first and the last lead, which border on one group only."""
RULES = (
    "rule_out", "place_miss", "explained", "wait_minute", "outlier_v", "low_v", "empty_near_v", "dead_share", "dead_terminal", "through_terminal", "much_ma", "none_ma",
    "long_days", "charger_share",
)
_CAUSE_KEYS = {"code", "title", "part", "place", "prior", "why", "words"}
_CLUE_KEYS = {
    "key", "tie", "tie_if", "place", "question", "how", "minutes", "wait_h", "needs", "caution", "unit", "relative_to", "edges", "choices", "stresses", "everywhere", "values", "given",
}
_CLOSE = 1e-6


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that can be wrong. ``prior``: how often, before anything is measured; ``place``: in one of several groups, taps or probes, or ""."""

    code: str
    title: str
    part: str
    place: str
    prior: float
    why: str
    words: str


@dataclass(frozen=True, slots=True)
class Line:
    """Probability of every value of a clue under one cause, and why."""

    p: Mapping[str, float]
    why: str


@dataclass(frozen=True, slots=True)
class Clue:
    """One thing that can be seen or measured.

    Attributes
    ----------
    key : str
        A reading of the sheet, "look.ITEM", or a key of [observed].
    tie : str
        Clues of one tie tell the same fact; the first of them that was taken counts.
    tie_if : str
        If not empty, only where the first of the tie has this value; else both say something of their own.
    place : str
        "group" or "tap" if it is measured at one of them.
    minutes, wait_h : float
        Of work and of waiting. [min], [h]
    edges : tuple of float
        Limits between the values, ascending, for a number in ``unit`` or as a share of ``relative_to``.
    choices : bool
        Whether the value itself is entered.
    stresses : bool
        Whether it charges or loads the pack.
    everywhere : bool
        Whether it can be taken at all places at once where none is suspected; what is entered is the place that differs most.
    values : mapping of str to str
        Each value in words.
    default : Line
        Where cause and clue have nothing to do with each other.
    given : mapping of str to Line
        By code of a cause.
    """

    key: str
    tie: str
    tie_if: str
    place: str
    question: str
    how: str
    minutes: float
    wait_h: float
    needs: str
    caution: str
    unit: str
    relative_to: str
    edges: tuple[float, ...]
    choices: bool
    stresses: bool
    everywhere: bool
    values: Mapping[str, str]
    default: Line
    given: Mapping[str, Line]

    @property
    def observed(self) -> bool:
        """Whether it is entered under [observed]."""
        return bool(self.edges) or self.choices

    def line(self, code: str, end: bool = False) -> Line:
        """The line of a cause; ``end``: of the first or last lead."""
        if end and code + END in self.given:
            return self.given[code + END]
        return self.given.get(code, self.default)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """The whole file. ``clues`` by key, in the order of the file."""

    causes: tuple[Cause, ...]
    clues: Mapping[str, Clue]
    rules: Mapping[str, float]


@cache
def knowledge() -> Knowledge:
    """The file that comes with the program."""
    return load_knowledge(CAUSES_FILE)


def load_knowledge(path: str | Path) -> Knowledge:
    """A file of causes.

    Raises
    ------
    InputError
        Key missing or unknown, a probability that is none, priors that do not add up to 1, a line for a cause or value that does not exist, a
        clue without a default line; says file and line.
    """
    data, text = load_toml(path, KIND)
    return _Reader(data, str(path), text).read()


def knowledge_from_text(text: str, name: str = "causes") -> Knowledge:
    """The same from text."""
    data, text = parse_toml(text.encode(), name, KIND)
    return _Reader(data, name, text).read()


class _Reader:
    """Checks one file."""

    def __init__(self, data: dict[str, Any], file: str, text: str) -> None:
        self._data, self._file, self._lines = data, file, text.splitlines()

    def read(self) -> Knowledge:
        for key in self._data:
            if key not in ("schema", "rules", "cause", "clue"):
                refuse_key(key, ["rules", "cause", "clue"], self._at(key))
        rules = self._data.get("rules") or {}
        for key in RULES:
            if key not in rules:
                raise InputError(f"rule {key} is missing", self._at("[rules]"), "every rule is needed", f"add {key} = ... under [rules]")
        causes = tuple(self._cause(entry, number) for number, entry in enumerate(self._data.get("cause") or ()))
        codes = [cause.code for cause in causes]
        self._once(codes, "[[cause]]", "cause")
        total = sum(cause.prior for cause in causes)
        if abs(total - 1.0) > _CLOSE:
            raise InputError("the priors do not add up to 1", self._at("[[cause]]"), f"found {total:.6g}", "change them so that they do")
        clues = tuple(self._clue(entry, number, codes) for number, entry in enumerate(self._data.get("clue") or ()))
        self._once([clue.key for clue in clues], "[[clue]]", "clue")
        numbers = {key: checked_number(key, rules[key], self._at(key)) for key in RULES}
        return Knowledge(causes, MappingProxyType({clue.key: clue for clue in clues}), MappingProxyType(numbers))

    def _at(self, key: str, header: str = "", number: int = 0) -> Location:
        """Line of a key, or of a header; with ``header`` the key below the ``number``-th of these, counted from 0."""
        first = 0
        if header:
            starts = [k for k, line in enumerate(self._lines) if line.strip() == header]
            first = starts[number] if number < len(starts) else 0
            last = starts[number + 1] if number + 1 < len(starts) else len(self._lines)
        else:
            last = len(self._lines)
        pattern = re.escape(key) if key.startswith("[") else rf"{re.escape(key)}\s*="
        for k in range(first, last):
            if re.match(rf"\s*{pattern}", self._lines[k]):
                return Location(self._file, k + 1)
        return Location(self._file, first + 1 if header else None)

    def _once(self, names: list[str], header: str, what: str) -> None:
        for number, name in enumerate(names):
            if name in names[:number]:
                raise InputError(f"{what} {name} stands twice", self._at(header, header, number), "a name stands for one", "rename or remove one")

    def _text(self, entry: dict[str, Any], key: str, header: str, number: int, needed: bool = True) -> str:
        value = entry.get(key, "")
        if not isinstance(value, str) or (needed and not value.strip()):
            raise InputError(f"{key} is missing", self._at(key, header, number), f"found {quote(value)}", f'write {key} = "..."')
        return value

    def _cause(self, entry: dict[str, Any], number: int) -> Cause:
        header = "[[cause]]"
        for key in entry:
            if key not in _CAUSE_KEYS:
                refuse_key(key, sorted(_CAUSE_KEYS), self._at(key, header, number))
        where = self._at("prior", header, number)
        prior = checked_number("prior", entry.get("prior"), where)
        if not 0.0 < prior < 1.0:
            raise InputError("prior is no probability", where, f"found {prior:g}", "between 0 and 1, the ends excluded")
        part, place = self._text(entry, "part", header, number), self._text(entry, "place", header, number, needed=False)
        for value, known, key in ((part, PARTS, "part"), (place, ("", *PLACES), "place")):
            if value not in known:
                raise InputError(f"unknown {key} {quote(value)}", self._at(key, header, number), "it is none of those known", f"one of {', '.join(filter(None, known))}")
        texts = [self._text(entry, key, header, number) for key in ("code", "title", "why", "words")]
        return Cause(texts[0], texts[1], part, place, prior, texts[2], texts[3])

    def _clue(self, entry: dict[str, Any], number: int, codes: list[str]) -> Clue:
        header = "[[clue]]"
        for key in entry:
            if key not in _CLUE_KEYS:
                refuse_key(key, sorted(_CLUE_KEYS), self._at(key, header, number))
        key, question, how = (self._text(entry, name, header, number) for name in ("key", "question", "how"))
        values, given = entry.get("values") or {}, entry.get("given") or {}
        where = self._at("key", header, number)
        if len(values) < 2:
            raise InputError(f"clue {key} has no values", where, "a clue needs two at least", "write them under [clue.values]")
        edges = tuple(float(edge) for edge in entry.get("edges") or ())
        if edges and (len(edges) != len(values) - 1 or any(low >= high for low, high in itertools.pairwise(edges))):
            raise InputError(
                f"the edges of clue {key} do not part its values", self._at("edges", header, number), f"found {len(edges)} edges for {len(values)} values",
                "one edge less than values, ascending",
            )
        minutes = checked_number("minutes", entry.get("minutes"), self._at("minutes", header, number))
        if minutes <= 0.0:
            raise InputError("minutes must be above zero", self._at("minutes", header, number), f"found {minutes:g}", "half a minute is 0.5")
        if "default" not in given:
            raise InputError(f"clue {key} has no default line", where, "causes without a line of their own need one", "write default = { ... } under [clue.given]")
        ends = [code + END for code in codes]
        for code in given:
            if code != "default" and code not in codes and code not in ends:
                raise InputError(
                    f"no cause {quote(code)}", self._at(code, header, number), "a line belongs to a cause of this file", f"one of {', '.join(codes)}",
                )
        default = self._line(given["default"], "default", values, None, header, number)
        lines = {code: self._line(line, code, values, default, header, number) for code, line in given.items() if code != "default"}
        return Clue(
            key, self._text(entry, "tie", header, number, False), self._text(entry, "tie_if", header, number, False), self._text(entry, "place", header, number, False), question, how, minutes,
            float(entry.get("wait_h", 0.0)), self._text(entry, "needs", header, number, False), self._text(entry, "caution", header, number, False),
            self._text(entry, "unit", header, number, False), self._text(entry, "relative_to", header, number, False), edges,
            bool(entry.get("choices")), bool(entry.get("stresses")), bool(entry.get("everywhere")), MappingProxyType(dict(values)), default, MappingProxyType(lines),
        )

    def _line(self, line: Any, code: str, values: dict[str, str], default: Line | None, header: str, number: int) -> Line:
        where = self._at(code, header, number)
        if not isinstance(line, dict) or not str(line.get("why", "")).strip():
            raise InputError(f"line {code} has no reason", where, "a number without a reason cannot be judged", 'add why = "..."')
        stated: dict[str, float] = {}
        for value, p in line.items():
            if value == "why":
                continue
            if value not in values:
                refuse_key(value, list(values), where)
            stated[value] = checked_number(value, p, where)
            if not 0.0 < stated[value] < 1.0:
                raise InputError(f"{value} is no probability", where, f"found {p:g}", "between 0 and 1, the ends excluded: nothing is certain")
        left, rest = 1.0 - sum(stated.values()), [value for value in values if value not in stated]
        if default is None and rest:
            raise InputError("the default line is not complete", where, f"it does not name {', '.join(rest)}", "give every value a probability")
        if (rest and left <= 0.0) or (not rest and abs(left) > _CLOSE):
            raise InputError(f"line {code} does not add up to 1", where, f"found {1.0 - left:.6g}", "change it so that it does; what a line does not name needs a rest")
        if rest:
            share = left / sum(default.p[value] for value in rest)
            stated |= {value: share * default.p[value] for value in rest}
        return Line(MappingProxyType({value: stated[value] for value in values}), str(line["why"]))
