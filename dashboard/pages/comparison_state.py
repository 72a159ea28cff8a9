"""The state of the comparison, which lives in its address alone: reading it, writing it, and words for what it does not understand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, unquote, urlencode

from dashboard import text_compare as words
from dashboard.data import COMPARE_MAX
from dashboard.figures.overlay import AXES, EXTRAS, QUANTITIES, View

GROUPS_FOLD, DERIVED_FOLD = "groups", "charge-per-volt"
FOLDS = (GROUPS_FOLD, DERIVED_FOLD)
"""Parts that are closed unless the address names them: the tables of the groups, and dQ/dV."""
USUAL = View()
SHOWN_MOST = 40
GROUP_MOST = 999


@dataclass(frozen=True, slots=True)
class Choice:
    """What an address asks for. ``picks`` are ("run", number) or ("pack", number of the pack); ``said`` tells what was passed over."""

    picks: tuple[tuple[str, str], ...] = ()
    reference: int | None = None
    view: View = USUAL
    folds: tuple[str, ...] = ()
    before_after: str = ""
    said: tuple[str, ...] = ()


def choice_of(query: Mapping[str, str]) -> Choice:
    """The choice that the query of an address makes; what it does not understand is passed over with a word."""
    said: list[str] = []

    def one(key: str, allowed: tuple[str, ...], default: str) -> str:
        value = query.get(key)
        if value is None or value in allowed:
            return value or default
        said.append(words.NOT_UNDERSTOOD.format(key=key, value=value[:SHOWN_MOST]))
        return default

    def many(key: str, allowed: tuple[str, ...]) -> tuple[str, ...]:
        given = [part for part in (query.get(key) or "").split(",") if part]
        said.extend(words.NOT_UNDERSTOOD.format(key=key, value=part[:SHOWN_MOST]) for part in given if part not in allowed)
        return tuple(part for part in allowed if part in given)

    picks = _picks(query, said)
    reference = _number(query, "ref", said)
    axis, quantity = one("x", AXES, AXES[0]), one("y", QUANTITIES, QUANTITIES[0])
    group = _number(query, "group", said, GROUP_MOST)
    charge = one("part", ("discharge", "charge"), "discharge") == "charge"
    view = View(axis, quantity, group, charge, many("with", EXTRAS), _window(query, said))
    return Choice(picks, reference, view, many("open", FOLDS), query.get("before-after", "").strip(), tuple(said))


def _picks(query: Mapping[str, str], said: list[str]) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for part in filter(None, (part.strip() for part in (query.get("runs") or "").split(","))):
        if part.isdecimal() and part.isascii() and len(part) < 10:
            found.append(("run", str(int(part))))
        else:
            said.append(words.NO_RUN_NUMBER.format(value=part[:SHOWN_MOST]))
    found += [("pack", unquote(part).strip()) for part in (query.get("packs") or "").split(",") if unquote(part).strip()]
    once = list(dict.fromkeys(found))
    if len(once) > COMPARE_MAX:
        said.append(words.TOO_MANY.format(n=len(once), most=COMPARE_MAX))
    return tuple(once[:COMPARE_MAX])


def _number(query: Mapping[str, str], key: str, said: list[str], most: int = 10**9) -> int | None:
    value = query.get(key)
    if value is None:
        return None
    if value.isdecimal() and value.isascii() and len(value) < 10 and 1 <= int(value) <= most:
        return int(value)
    said.append(words.NOT_UNDERSTOOD.format(key=key, value=value[:SHOWN_MOST]))
    return None


def _window(query: Mapping[str, str], said: list[str]) -> tuple[float, float] | None:
    if "from" not in query and "to" not in query:
        return None
    try:
        low, high = float(query["from"]), float(query["to"])
    except (KeyError, ValueError):
        low = high = math.nan
    if math.isfinite(low) and math.isfinite(high) and low < high:
        return low, high
    said.append(words.NO_WINDOW)
    return None


def search_of(choice: Choice) -> str:
    """Query of the address for a choice, with nothing in it that is so anyway."""
    view, query = choice.view, {}
    if choice.before_after:
        query["before-after"] = choice.before_after
    runs = [value for kind, value in choice.picks if kind == "run"]
    packs = [value for kind, value in choice.picks if kind == "pack"]
    if runs:
        query["runs"] = ",".join(runs)
    if packs:  # a comma parts packs, so that one within a number is written twice over
        query["packs"] = ",".join(pack.replace("%", "%25").replace(",", "%2C") for pack in packs)
    if choice.reference is not None:
        query["ref"] = str(choice.reference)
    usual = USUAL
    if view.axis != usual.axis:
        query["x"] = view.axis
    if view.quantity != usual.quantity:
        query["y"] = view.quantity
    if view.group is not None:
        query["group"] = str(view.group)
    if view.charge:
        query["part"] = "charge"
    if view.extras:
        query["with"] = ",".join(view.extras)
    if view.window is not None:
        query["from"], query["to"] = (f"{edge:.6g}" for edge in view.window)
    if choice.folds:
        query["open"] = ",".join(choice.folds)
    return f"?{urlencode(query, safe=',', quote_via=quote)}" if query else ""


def same_view(choice: Choice, **changes: Any) -> Choice:
    """The choice with another axis, quantity, group, part or extras; a window of another axis, quantity or part means nothing any more."""
    view = replace(choice.view, **changes)
    if (view.axis, view.charge) != (choice.view.axis, choice.view.charge):
        view = replace(view, window=None)
    return replace(choice, view=view)
