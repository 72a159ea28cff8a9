"""Two trees of figures held against each other leaf by leaf: what differs, by its path, with both values.

The rule for figures, as :data:`RULE` tells it: another machine may round the last digits of a fit otherwise, which is no
difference; anything that a reader could see is one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

RELATIVE = 1e-6
"""Figures that agree within this share of the larger one are the same."""
OF_U = 1e-3
"""A figure with a standard uncertainty may differ by this share of it: a thousandth cannot be seen in print."""
ABSOLUTE = 1e-9
"""Figures this near to each other are the same: noise about zero, in whatever unit the figure has."""
ROUNDED_DIGITS = 6
"""Figures that the analysis rounds to so many digits may differ by one in the last: the rounding may fall either way."""

RULE = (
    "figures agree within 1e-6 of their size or a thousandth of their standard uncertainty (those rounded to six digits: one in the "
    "last; decimals inside a sentence: one in the last place); whole numbers and words must be the same"
)

MISSING = object()
"""Stands for a leaf that one side does not have."""

_NAMES = ("group", "id", "quantity", "code", "item", "source", "channel", "name")  # what entries of a list are called by, in this order
_FIGURE = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?:[eE][+-]?\d+)?(?![\w])")


@dataclass(frozen=True, slots=True)
class Difference:
    """One leaf that is not the same. ``MISSING`` where a side does not have it."""

    path: str
    recorded: Any
    computed: Any

    def told(self, recorded: str = "in the record", computed: str = "from the log") -> str:
        """"capacity.value_ah: 9.638 in the record, 9.512 from the log"."""
        path = self.path if len(self.path) <= 200 else self.path[:199] + "…"
        return f"{path}: {_shown(self.recorded)} {recorded}, {_shown(self.computed)} {computed}"


def differences(recorded: Any, computed: Any, path: str = "") -> list[Difference]:
    """Every leaf that differs between two JSON values, in the order of the recorded one."""
    return list(_differences(recorded, computed, path, 0.0))


def _differences(a: Any, b: Any, path: str, u: Any) -> Iterator[Difference]:
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        for key in [*a, *(key for key in b if key not in a)]:
            here = f"{path}.{key}" if path else str(key)
            yield from _differences(a.get(key, MISSING), b.get(key, MISSING), here, _u_of(a, b, key))
    elif isinstance(a, list) and isinstance(b, list) and (name := _common_name(a, b)):
        ones, others = ({entry[name]: entry for entry in entries} for entries in (a, b))
        for key in [*ones, *(key for key in others if key not in ones)]:
            label = f"group {key}" if name == "group" else str(key)
            yield from _differences(ones.get(key, MISSING), others.get(key, MISSING), f"{path}[{label}]", 0.0)
        if list(ones) != list(others) and set(ones) == set(others):
            yield Difference(f"{path} (order)", ", ".join(map(str, ones)), ", ".join(map(str, others)))
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            yield Difference(f"{path} (entries)", len(a), len(b))
        for place, (one, other) in enumerate(zip(a, b)):
            share = u[place] if isinstance(u, list) and place < len(u) else 0.0
            yield from _differences(one, other, f"{path}[{place + 1}]", share)
    elif not same_leaf(a, b, u):
        yield Difference(path, a, b)


def same_leaf(a: Any, b: Any, u: Any = 0.0) -> bool:
    """Whether two leaves are the same by :data:`RULE`. ``u``: standard uncertainty of the figure, 0 if there is none."""
    if a is MISSING or b is MISSING or a is None or b is None or isinstance(a, bool) or isinstance(b, bool):
        return a is b
    if isinstance(a, str) and isinstance(b, str):
        return a == b or _same_sentence(a, b)
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        if isinstance(a, int) and isinstance(b, int):
            return a == b
        return _same_figure(float(a), float(b), abs(u) if isinstance(u, (int, float)) else 0.0)
    # An object or list against anything else; two of a kind were taken apart above.
    return False


def _same_figure(a: float, b: float, u: float) -> bool:
    larger = max(abs(a), abs(b))
    if abs(a - b) <= max(RELATIVE * larger, OF_U * u, ABSOLUTE):
        return True
    if not larger or not _is_rounded(a) or not _is_rounded(b):
        return False
    last = 10.0 ** (math.floor(math.log10(larger)) - ROUNDED_DIGITS + 1)
    return abs(a - b) <= 1.01 * last


def _is_rounded(value: float) -> bool:
    return float(f"{value:.{ROUNDED_DIGITS}g}") == value


def _same_sentence(a: str, b: str) -> bool:
    """The same words, with figures that agree: "10.0 Ah" comes back from JSON as "10 Ah"."""
    if _FIGURE.split(a) != _FIGURE.split(b):
        return False
    return all(_same_printed(x, y) for x, y in zip(_FIGURE.findall(a), _FIGURE.findall(b)))


def _same_printed(a: str, b: str) -> bool:
    if a == b:
        return True
    x, y = float(a), float(b)
    if not (math.isfinite(x) and math.isfinite(y)):
        return False
    places = [len(text.partition(".")[2]) for text in (a, b) if "e" not in text.lower()]
    last = 1.01 * 10.0 ** -places[0] if len(set(places)) == 1 and len(places) == 2 and places[0] else 0.0
    return abs(x - y) <= max(last, RELATIVE * max(x, y) if "." in a + b or "e" in (a + b).lower() else 0.0)


def _u_of(a: Mapping[str, Any], b: Mapping[str, Any], key: str) -> Any:
    """The standard uncertainty that stands beside a figure: ``u_x`` of ``x``, ``u`` of ``value`` or ``values``."""
    names = (f"u_{key}", "u") if key in ("value", "values") else (f"u_{key}",)
    for name in names:
        if name in a and name in b:
            return _smaller(a[name], b[name])
    return 0.0


def _smaller(a: Any, b: Any) -> Any:
    """The lesser of two uncertainties, so that one that was blown up widens nothing."""
    if isinstance(a, list) and isinstance(b, list):
        return [_smaller(one, other) for one, other in zip(a, b)]
    if all(isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x) for x in (a, b)):
        return min(abs(a), abs(b))
    return 0.0


def _common_name(a: list[Any], b: list[Any]) -> str | None:
    """The key that tells the entries of both lists apart, so that one that is missing shifts none of the others."""
    entries = [*a, *b]
    if not a or not b or not all(isinstance(entry, Mapping) for entry in entries):
        return None
    for name in _NAMES:
        if all(_is_name(entry.get(name)) for entry in entries) and all(len({entry[name] for entry in side}) == len(side) for side in (a, b)):
            return name
    return None


def _is_name(value: Any) -> bool:
    return isinstance(value, (str, int)) and not isinstance(value, bool) and len(str(value)) <= 60


def _shown(value: Any) -> str:
    if value is MISSING:
        return "not"
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.7g}"
    if isinstance(value, Mapping):
        said = next((value[key] for key in ("message", "label", "text") if isinstance(value.get(key), str)), None)
        return _shown(said) if said is not None else f"an object of {len(value)} keys"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, int):
        return str(value)
    text = " ".join(str(value).split())
    return f'"{text if len(text) <= 160 else text[:159] + "…"}"'
