"""The workshop's own figures, WORKSHOP.toml: what work costs, what it brings and how often it succeeds, each as a range.

The program brings figures along (``data/workshop.toml``) so that the sum can be worked out at once. They are invented; which of them
were used is told with every result.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.quantities import significant_text
from cycler.repair.ranges import Range
from cycler.tomlsource import checked_word, line_of_key, load_toml, parse_toml, refuse_key

__all__ = ["KEYS", "Key", "Workshop", "default_workshop", "form_from_workshop", "load_workshop", "template_text", "workshop_from_form", "workshop_from_text", "workshop_to_toml"]

WORKSHOP_FILE = "workshop file"
CURRENCY = "currency"
CURRENCY_LENGTH = 12


@dataclass(frozen=True, slots=True)
class Key:
    """What a figure may be: unit ("money", "h", "min", "%"), least and most; ``optional``: nothing is assumed in its place."""

    unit: str
    most: float
    optional: bool = False


# Upper bounds that no bench reaches; a value above them is a slip of unit. Common practice, no source.
KEYS: Mapping[str, Key] = MappingProxyType({
    "hour_cost": Key("money", 10_000.0),
    "pack.value_per_wh": Key("money", 1000.0),
    "pack.value": Key("money", 1e7, optional=True),
    "repair_board.hours": Key("h", 100.0),
    "repair_board.parts_cost": Key("money", 1e6),
    "repair_board.passes_percent": Key("%", 100.0),
    "repair_group.hours": Key("h", 100.0),
    "repair_group.parts_cost_per_cell": Key("money", 1e5),
    "repair_group.passes_percent": Key("%", 100.0),
    "repair_lead.hours": Key("h", 100.0),
    "repair_lead.parts_cost": Key("money", 1e6),
    "repair_lead.passes_percent": Key("%", 100.0),
    "rebalance.hours": Key("h", 100.0),
    "rebalance.parts_cost": Key("money", 1e6),
    "rebalance.passes_percent": Key("%", 100.0),
    "harvest.hours": Key("h", 100.0),
    "harvest.minutes_per_cell": Key("min", 600.0),
    "harvest.cell_value": Key("money", 1e5),
    "harvest.usable_percent": Key("%", 100.0),
    "scrap.hours": Key("h", 100.0),
    "scrap.fee": Key("money", 1e6),
})
"""Every figure, by "table.key" as in the file."""


@dataclass(frozen=True, slots=True)
class Workshop:
    """Figures of a workshop.

    Attributes
    ----------
    figures : mapping of str to Range
        By the names of :data:`KEYS`; an optional one may be missing. Money in ``currency``, shares in percent.
    assumed : tuple of str
        Those, and "currency", that nobody stated: counted with the invented ones.
    """

    figures: Mapping[str, Range]
    currency: str = "EUR"
    assumed: tuple[str, ...] = ()
    file: str | None = None

    def get(self, key: str) -> Range | None:
        return self.figures.get(key)


def template_text() -> str:
    """A workshop file with a remark at every key, to be filled in."""
    return resources.files("cycler").joinpath("data", "workshop.toml").read_text("utf-8")


@functools.cache
def _invented() -> tuple[Mapping[str, Range], str]:
    data, _text = parse_toml(template_text().encode(), "workshop.toml", WORKSHOP_FILE)
    figures, currency = _read(data, "workshop.toml", template_text())
    return MappingProxyType(figures), currency or "EUR"


def default_workshop() -> Workshop:
    """The invented figures alone, all of them told as assumed."""
    figures, currency = _invented()
    return Workshop(figures, currency, (CURRENCY, *figures))


def load_workshop(path: str | Path) -> Workshop:
    """Read WORKSHOP.toml. What it leaves out is taken from the invented figures and named in ``assumed``.

    Raises
    ------
    InputError
        File missing or not TOML, unknown table or key (near ones are offered), no number, negative, a range whose ends are the wrong
        way round, a share above 100 %; says file, line and key.
    """
    data, text = load_toml(path, WORKSHOP_FILE)
    return _workshop(data, str(path), text)


def workshop_from_text(text: str, name: str) -> Workshop:
    """The same from the text of a file; ``name`` stands in messages."""
    data, text = parse_toml(text.encode(), name, WORKSHOP_FILE)
    return _workshop(data, name, text)


def _workshop(data: dict[str, Any], file: str, text: str) -> Workshop:
    figures, currency = _read(data, file, text)
    return _completed(figures, currency, file)


def _completed(figures: Mapping[str, Range], currency: str | None, file: str | None) -> Workshop:
    invented, money = _invented()
    assumed = tuple(key for key in invented if key not in figures)
    return Workshop(dict(invented) | dict(figures), currency or money, (*(() if currency else (CURRENCY,)), *assumed), file)


def _read(data: Mapping[str, Any], file: str, text: str) -> tuple[dict[str, Range], str | None]:
    figures: dict[str, Range] = {}
    currency = None
    tables = sorted({key.split(".")[0] for key in KEYS if "." in key})
    for name, value in data.items():
        if name in tables:
            if not isinstance(value, Mapping):
                raise InputError(f"{name} is not a table", Location(file, line_of_key(text, name)), f"found {quote(value)}", f"write a line [{name}] and its keys below it")
            known = [key.split(".")[1] for key in KEYS if key.startswith(f"{name}.")]
            for key, item in value.items():
                where = Location(file, _line(text, name, key))
                if key not in known:
                    refuse_key(key, known, where)
                figures[f"{name}.{key}"] = _range(f"{name}.{key}", item, where)
        else:
            where = Location(file, line_of_key(text, name))
            if name == CURRENCY:
                currency = _currency(value, where)
            elif name in KEYS:
                figures[name] = _range(name, value, where)
            else:
                refuse_key(name, [CURRENCY, *(key for key in KEYS if "." not in key), *tables], where)
    return figures, currency


def _line(text: str, table: str, key: str) -> int | None:
    """Line of a key below the header of its table."""
    header = line_of_key(text, table)
    lines = text.splitlines()
    for number in range((header or 0) + 1, len(lines) + 1):
        if re.match(rf"""^\s*["']?{re.escape(key)}["']?\s*=""", lines[number - 1]):
            return number
        if lines[number - 1].lstrip().startswith("["):
            break
    return header


def _currency(value: Any, where: Location) -> str:
    word = checked_word(CURRENCY, value, where, 'currency = "EUR"', only_text=True)
    if len(word) > CURRENCY_LENGTH:
        raise InputError("the name of the currency is too long", where, f"found {quote(word)}", f"at most {CURRENCY_LENGTH} characters, such as EUR")
    return word


def _range(key: str, value: Any, where: Location | str) -> Range:
    """A range from [lowest, highest] or one number. InputError otherwise."""
    short = key.split(".")[-1]
    ends = list(value) if isinstance(value, (list, tuple)) else [value, value]
    if len(ends) != 2 or any(isinstance(end, bool) or not isinstance(end, (int, float)) or not abs(end) < 1e300 for end in ends):
        raise InputError(f"{short} is not a range", where, f"found {quote(value)}", f"write the lowest and the highest, such as {short} = [1.0, 2.0], without a unit")
    low, high = (float(end) for end in ends)
    rule = KEYS[key]
    if min(low, high) < 0:
        raise InputError(f"{short} is negative", where, f"found {quote(value)}", "write zero or more; what work costs and what it brings have keys of their own")
    if low > high:
        raise InputError(f"the range of {short} is the wrong way round", where, f"{low:g} is more than {high:g}", f"write {short} = [{high:g}, {low:g}]")
    if high > rule.most:
        most = f"{rule.most:g} %" if rule.unit == "%" else f"{rule.most:g} {'' if rule.unit == 'money' else rule.unit}".strip()
        raise InputError(f"{short} is too large", where, f"found {quote(value)}; at most {most} is taken", "check the unit and the decimal point")
    return Range(low, high)


# ---- as a form, and back to a file ---------------------------------------------------------------------------------

_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_ONE = re.compile(rf"^({_NUMBER})$")
_TWO = re.compile(rf"^({_NUMBER})\s*(?:-|–|—|\.\.+|…|;|/|to|bis)\s*({_NUMBER})$", re.IGNORECASE)


def range_text(value: Range) -> str:
    """A range as it is shown and typed: "25 – 60", or one number."""
    low, high = significant_text(value.low, 6), significant_text(value.high, 6)
    return low if low == high else f"{low} – {high}"


def form_from_workshop(workshop: Workshop) -> dict[str, str]:
    """What was stated, as typed into a form; the assumed figures are left empty."""
    values = {key: range_text(value) for key, value in workshop.figures.items() if key not in workshop.assumed}
    return values | ({} if CURRENCY in workshop.assumed else {CURRENCY: workshop.currency})


def workshop_from_form(values: Mapping[str, str], where: str) -> tuple[Workshop, dict[str, InputError]]:
    """A workshop from what was typed, and what is wrong with which entry; an empty entry is assumed, and so is a wrong one.

    A range is two numbers with a dash, "to" or ";" between them; a decimal comma is taken.
    """
    figures: dict[str, Range] = {}
    wrong: dict[str, InputError] = {}
    currency = None
    for key, text in values.items():
        text = (text or "").strip()
        if not text:
            continue
        try:
            if key == CURRENCY:
                currency = _currency(text, Location(where))
            elif key in KEYS:
                figures[key] = _range(key, _typed(key, text, where), where)
        except InputError as error:
            wrong[key] = error
    return _completed(figures, currency, None), wrong


def _typed(key: str, text: str, where: str) -> list[float]:
    bare = re.sub(r"\s*(%|h|min)\s*$", "", text)
    found = _ONE.match(bare) or _TWO.match(bare)
    if found is None:
        if re.match(r"^\s*[-−]", bare):
            raise InputError(f"{key.split('.')[-1]} is negative", where, f"found {quote(text)}", "write zero or more; what work costs and what it brings have fields of their own")
        raise InputError(f"{key.split('.')[-1]} is not a range", where, f"found {quote(text)}", "write two numbers, such as 25 – 60, or one")
    ends = [float(part.replace(",", ".")) for part in found.groups()]
    return ends * 2 if len(ends) == 1 else ends


def workshop_to_toml(workshop: Workshop) -> str:
    """A workshop file with the remarks of the template; what is assumed stands there as a remark and is assumed again when it is read."""
    lines, table, written = [], "", False
    for line in template_text().splitlines():
        if header := re.match(r"^\[(\w+)\]", line):
            table = header[1]
        found = re.match(r"^(#\s*)?(\w+)\s*=\s*(\[[^\]]*\]|\"[^\"]*\")(\s*#.*)?$", line)
        key = f"{table}.{found[2]}" if found and table else found[2] if found else ""
        if found is None or (key not in KEYS and key != CURRENCY):
            lines.append(line)
            continue
        value = workshop.currency if key == CURRENCY else workshop.get(key)
        known = value is not None and key not in workshop.assumed
        shown = found[3]
        if known:
            shown = _quoted(value) if isinstance(value, str) else f"[{_plain(value.low)}, {_plain(value.high)}]"
            written = True
        setting = f"{'' if known else '# '}{found[2]} = {shown}"
        lines.append(f"{setting:<34} {found[4].strip()}" if found[4] else setting)
    if written:
        lines[1:3] = ["# Figures that stand as a remark (#) are invented and counted in place of your own; the result says so."]
    return "\n".join(lines) + "\n"


def _plain(value: float) -> str:
    return f"{value:.0f}" if value == round(value) and abs(value) < 1e15 else repr(value)


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
