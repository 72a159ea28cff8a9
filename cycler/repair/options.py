"""Repair, salvage or scrap: what bars an option, what each is likely to bring, and which assumption would turn the ranking.

Model (ours; transparent on purpose)
    An option o mends some of the causes that the evaluation names; m_o is the sum of their probabilities. A pack whose cause was mended passes its test
    with the chance q_o that the workshop entered; one whose cause is another does not. With the value V of a pack that passed, hours H_o at the cost R of an
    hour, parts K_o, and S = fee + H_scrap R for scrapping what did not pass,

        net_o = m_o q_o V - (1 - m_o q_o) S - H_o R - K_o,        net_scrap = -S,
        net_harvest = n y c - (H + n t) R - S

    with n cells, the share y that is usable, the worth c of one and the time t for each. This net is a mean over many packs like this one; a single
    pack either passes or does not, which is told beside it. All figures but m are ranges (see :mod:`cycler.repair.ranges`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from cycler.pack import CHEMISTRY_LIMITS
from cycler.quantities import figure_text, significant_text
from cycler.repair.cautions import (
    DEEP_DISCHARGE,
    OPENED_CELLS,
    OVER_60_V,
    QUARANTINE,
    STORED_ENERGY,
    TRANSPORT_DAMAGED,
    caution_list,
)
from cycler.repair.chances import share_text
from cycler.repair.option_vetoes import (
    BOARD,
    GROUP,
    HARVEST,
    LEAD,
    NEVER_AGAIN,
    OPTIONS,
    REBALANCE,
    SCRAP,
    Veto,
    ends_all,
    levels,
    look_first,
    vetoes,
)
from cycler.repair.option_words import NEEDS, OWN_CAUTIONS, QUANTITIES, TITLES
from cycler.repair.ranges import Multilinear, Range, constant, crossing, figure
from cycler.repair.workshop import KEYS, Workshop

__all__ = ["OPTIONS", "SCHEMA", "money_text", "rank_options", "span_text"]

SCHEMA = "cycler.options/1"
REPAIRS = (BOARD, GROUP, LEAD, REBALANCE)
WORTH_NAMING = 0.01
"""Causes less probable than this count in the sums, but are not named in sentences."""
_WORTH_WAKING = 0.05
"""A board that has locked itself with less than this is no reason to try waking it first."""

_OF_CODE = {
    "group_dead": GROUP, "group_weak": GROUP, "cell_open": GROUP, "out_of_balance": REBALANCE, "charge_contact_bad": LEAD,
    "deep_discharged": None, "pack_aged": None, "charger_defective": None, "nothing_wrong": None,
}
"""Which option mends a cause; None: no work on the pack does. Other causes go by the part in which they lie."""
_OF_PART = {"board": BOARD, "sensors": LEAD, "wiring": LEAD, "cells": GROUP}
_CHARGER_CODES, _SOUND_CODES, _LOCKED_CODES = ("charger_defective",), ("nothing_wrong",), ("board_locked",)


def mended_by(cause: Mapping[str, Any]) -> str | None:
    """The option that mends a cause; None: none of them does (a charger at fault, a pack that is worn or emptied as a whole, a group not found yet)."""
    code = str(cause.get("code") or "")
    option = _OF_CODE[code] if code in _OF_CODE else _OF_PART.get(str(cause.get("part")))
    return None if option == GROUP and cause.get("group") is None else option


@dataclass(frozen=True, slots=True)
class _Pack:
    """What the sum needs to know of the pack."""

    series: int | None
    parallel: int | None
    energy_wh: float | None
    groups_out: tuple[int, ...]
    groups_unsound: tuple[int, ...]

    @property
    def cells_for_other_work(self) -> int | None:
        if not self.series or not self.parallel:
            return None
        return (self.series - len(self.groups_unsound)) * self.parallel


@dataclass(frozen=True, slots=True)
class _Sum:
    """Net of an option as an expression of the workshop's figures; None where a figure of the pack is missing."""

    net: Multilinear | None
    hours: Multilinear
    cost: Multilinear | None
    value: Multilinear | None
    chance: Multilinear | None
    missing: tuple[str, ...] = ()
    if_passes: Multilinear | None = None
    if_not: Multilinear | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


def rank_options(evaluation: Mapping[str, Any], workshop: Workshop, chosen_cause: str | None = None) -> dict[str, Any]:
    """Options for the pack of an evaluation, vetoes first.

    Parameters
    ----------
    evaluation : dict
        Schema ``cycler.bench/1``.
    workshop : Workshop
        Costs, hours, values and chances as ranges.
    chosen_cause : str, optional
        Code of a cause (or "code:group") to be taken as certain.

    Returns
    -------
    dict
        Schema ``cycler.options/1``. ``net_expected`` with standard uncertainty ``u_net`` from the ranges; ``net_low`` and ``net_high`` are their corners.
        A barred option has no figures. ``ranked`` holds those that are not barred and can be worked out; ``first`` is the best of them; ``lead`` says by how much, with
        what both have in common cancelled; ``turning`` is the figure that would put the second in front.

    Raises
    ------
    ValueError
        ``chosen_cause`` is none of the evaluation's.
    """
    causes = _causes(evaluation, chosen_cause)
    barring = vetoes(evaluation)
    pack = _pack(evaluation, barring, causes)
    sums = _sums(pack, workshop, causes)
    options = [_option(code, sums[code], workshop, causes, [veto for veto in barring if code in veto.bars]) for code in OPTIONS]
    ranked = sorted((item["code"] for item in options if not item["barred_by"] and item["net_expected"] is not None), key=lambda code: -_net(options, code))
    nets = {code: sums[code].net for code in ranked}
    first_to_look = [] if ends_all(barring) else look_first(evaluation) + _wake_first(causes)
    return {
        "schema": SCHEMA,
        "pack": {key: (evaluation.get("pack") or {}).get(key) for key in ("id", "chemistry", "series", "parallel", "rated_capacity_ah")},
        "vetoes": [veto.to_dict() for veto in barring],
        "look_first": first_to_look,
        "options": options,
        "ranked": ranked,
        "first": ranked[0] if ranked else None,
        "lead": _lead(ranked, nets, workshop),
        "turning": _turning(ranked, nets, pack, workshop, causes),
        "causes": [{key: cause[key] for key in ("code", "title", "group", "probability", "mended_by")} for cause in causes],
        "chosen_cause": chosen_cause,
        "not_mended": _not_mended(causes),
        "currency": workshop.currency,
        "assumed": list(workshop.assumed),
        "missing": sorted({item for code in ranked or OPTIONS for item in sums[code].missing} | {item for option in options for item in option["missing"]}),
        "cautions": _cautions(options, evaluation),
    }


def _net(options: list[dict[str, Any]], code: str) -> float:
    return next(item["net_expected"] for item in options if item["code"] == code)


def _causes(evaluation: Mapping[str, Any], chosen: str | None) -> list[dict[str, Any]]:
    """Causes with the option that mends each; probabilities as of the evaluation, or 1 for the one that was chosen."""
    found = [
        {
            "code": item["code"], "title": item.get("title") or item["code"], "part": item.get("part"), "group": item.get("group"),
            "probability": float(item.get("probability") or 0.0), "mended_by": mended_by(item),
            "low_probability": item.get("low_probability"), "high_probability": item.get("high_probability"),
        }
        for item in evaluation.get("causes") or ()
    ]
    if chosen is None:
        return found
    names = [{item["code"], f"{item['code']}:{item['group']}"} for item in found]
    at = next((k for k, name in enumerate(names) if chosen in name), None)
    if at is None:
        raise ValueError(chosen)
    return [item | {"probability": 1.0 if k == at else 0.0, "low_probability": None, "high_probability": None} for k, item in enumerate(found)]


def _pack(evaluation: Mapping[str, Any], barring: list[Veto], causes: list[dict[str, Any]]) -> _Pack:
    stated = evaluation.get("pack") or {}
    level = levels(evaluation)
    series = stated.get("series") or (len(level) or None)
    energy = stated.get("rated_energy_wh")
    limits = CHEMISTRY_LIMITS.get(stated.get("chemistry") or "")
    if energy is None and stated.get("rated_capacity_ah") and series and limits:
        energy = stated["rated_capacity_ah"] * series * limits.nominal_v
    dead = {number for number, word in level.items() if word in NEVER_AGAIN}
    suspects = [item for item in causes if item["mended_by"] == GROUP and item["probability"] > 0]
    likely = {max(suspects, key=lambda item: item["probability"])["group"]} if suspects else set()
    unsound = {number for number, word in level.items() if word not in ("ok", "low")} | likely | {number for veto in barring for number in veto.groups}
    return _Pack(series, stated.get("parallel"), energy, tuple(sorted(dead | likely)), tuple(sorted(unsound)))


# ---- the sums ------------------------------------------------------------------------------------------------------


def _sums(pack: _Pack, workshop: Workshop, causes: list[dict[str, Any]]) -> dict[str, _Sum]:
    """Net of every option as an expression of the workshop's figures, in its currency."""
    rate = figure("hour_cost")
    scrapping = figure("scrap.fee") + figure("scrap.hours") * rate
    value, value_missing = _value_of_a_mended_pack(pack, workshop)
    sums = {SCRAP: _Sum(scrapping * -1.0, figure("scrap.hours"), scrapping, constant(0.0), None)}
    for code in REPAIRS:
        mended = _share_mended(code, pack, causes)
        chance = figure(f"{code}.passes_percent") * (0.01 * mended)
        hours = figure(f"{code}.hours")
        missing = list(value_missing)
        if code == GROUP:
            cells = pack.parallel * max(1, len(pack.groups_out)) if pack.parallel else None
            parts = figure("repair_group.parts_cost_per_cell") * float(cells) if cells else None
            missing += [] if cells else ["parallel"]
        else:
            parts = figure(f"{code}.parts_cost")
        cost = hours * rate + parts if parts is not None else None
        if value is None or cost is None:
            sums[code] = _Sum(None, hours, cost, value, chance, tuple(missing))
            continue
        left = constant(1.0) - chance
        net = chance * value - left * scrapping - cost
        sums[code] = _Sum(net, hours, cost, value, chance, (), value - cost, scrapping * -1.0 - cost)
    sums[HARVEST] = _harvest(pack, scrapping, rate)
    return sums


def _value_of_a_mended_pack(pack: _Pack, workshop: Workshop) -> tuple[Multilinear | None, list[str]]:
    if workshop.get("pack.value") is not None:
        return figure("pack.value"), []
    if pack.energy_wh is None:
        return None, ["rated_energy_wh"]
    return figure("pack.value_per_wh") * pack.energy_wh, []


def _share_mended(code: str, pack: _Pack, causes: list[dict[str, Any]]) -> float:
    """Sum of the probabilities of the causes that the option mends; a replaced group mends the causes of the groups that are taken out."""
    return min(1.0, sum(
        item["probability"] for item in causes if item["mended_by"] == code and (code != GROUP or item["group"] in pack.groups_out)
    ))


def _harvest(pack: _Pack, scrapping: Multilinear, rate: Multilinear) -> _Sum:
    cells = pack.cells_for_other_work
    if cells is None:
        missing = tuple(name for name, value in (("series", pack.series), ("parallel", pack.parallel)) if not value)
        return _Sum(None, figure("harvest.hours"), None, None, None, missing)
    hours = figure("harvest.hours") + figure("harvest.minutes_per_cell") * (cells / 60.0)
    usable = figure("harvest.usable_percent") * (0.01 * cells)
    value = usable * figure("harvest.cell_value")
    cost = hours * rate + scrapping
    return _Sum(value - cost, hours, cost, value, None, (), extra={"cells": cells})


def _option(code: str, own: _Sum, workshop: Workshop, causes: list[dict[str, Any]], barred: list[Veto]) -> dict[str, Any]:
    ranges = workshop.figures
    mends = [{key: item[key] for key in ("code", "title", "group", "probability")} for item in causes if item["mended_by"] == code]
    net = None if barred else own.net
    low, high = net.ends(ranges) if net is not None else (None, None)
    option = {
        "code": code, "title": TITLES[code], "needs": list(NEEDS[code]), "mends": mends,
        "hours": list(own.hours.ends(ranges)),
        "cost": None if own.cost is None else list(own.cost.ends(ranges)),
        "value": None if own.value is None else list(own.value.ends(ranges)),
        "net_expected": None if net is None else net.mean(ranges),
        "u_net": None if net is None else net.u(ranges),
        "net_low": low, "net_high": high,
        "chance_of_success": None if own.chance is None else own.chance.mean(ranges),
        "chance_range": None if own.chance is None else list(own.chance.ends(ranges)),
        "net_if_passes": list(own.if_passes.ends(ranges)) if own.if_passes is not None and not barred else None,
        "net_if_not": list(own.if_not.ends(ranges)) if own.if_not is not None and not barred else None,
        "cells": own.extra.get("cells"),
        "barred_by": [veto.code for veto in barred],
        "missing": list(own.missing),
    }
    return option | {"reason": _reason(option, barred, workshop)}


def _reason(option: Mapping[str, Any], barred: list[Veto], workshop: Workshop) -> str:
    """One or two sentences: why it is barred, cannot be worked out, or comes out as it does."""
    if barred:
        return "Barred: " + " ".join(dict.fromkeys(veto.words for veto in barred))
    code, money = option["code"], workshop.currency
    if option["missing"]:
        names = " and ".join(QUANTITIES[item] for item in option["missing"])
        return f"Cannot be worked out: {names} {'is' if len(option['missing']) == 1 else 'are'} not stated on the bench sheet."
    if code == SCRAP:
        return f"Costs {span_text(option['cost'], money)} and brings nothing; it is always open."
    if code == HARVEST:
        return f"{option['cells']} cells come into question; groups that are low, suspect or were not measured are left out. What is not used goes to waste."
    mended = sum(item["probability"] for item in option["mends"])
    if not option["mends"] or mended <= 0:
        return f"Mends none of the causes that are left. It costs {span_text(option['cost'], money)}, and the pack is scrapped after it."
    likely = [item for item in sorted(option["mends"], key=lambda item: -item["probability"]) if item["probability"] >= WORTH_NAMING][:3]
    named = ", ".join(f"{item['title']} ({share_text(item['probability'])})" for item in likely) or f"only causes that are left with less than {100 * WORTH_NAMING:.0f} %"
    return (
        f"Mends: {named}. Of 100 such packs about {100 * option['chance_of_success']:.0f} pass their test. One that passes comes to {span_text(option['net_if_passes'], money)}, one that "
        f"does not to {span_text(option['net_if_not'], money)} with its scrapping."
    )


def _not_mended(causes: list[dict[str, Any]]) -> dict[str, Any] | None:
    """Causes that none of the options mends, with what they come to together."""
    found = [item for item in causes if item["mended_by"] is None and item["probability"] >= WORTH_NAMING]
    if not found:
        return None
    share = sum(item["probability"] for item in found)
    named = ", ".join(item["title"] for item in sorted(found, key=lambda item: -item["probability"]))
    words = f"No option mends: {named} ({'together ' if len(found) > 1 else ''}{share_text(share)})."
    codes = {item["code"] for item in found}
    if codes & set(_CHARGER_CODES):
        words += " A charger that is at fault is no work on the pack: try another one of the same rating first."
    if codes & set(_SOUND_CODES):
        words += " A pack without a fault needs its test alone."
    return {"probability": share, "codes": [item["code"] for item in found], "words": words}


def _wake_first(causes: list[dict[str, Any]]) -> list[dict[str, str]]:
    if not any(item["code"] in _LOCKED_CODES and item["probability"] >= _WORTH_WAKING for item in causes):
        return []
    return [{
        "code": "wake_the_board", "words": "Wake the board the way its maker says before another one is bought.",
        "why": "A board that has locked itself is not broken; what made it lock has to be found all the same.",
    }]


# ---- which is first, and what would turn it --------------------------------------------------------------------------


def _lead(ranked: list[str], nets: Mapping[str, Multilinear], workshop: Workshop) -> dict[str, Any] | None:
    """By how much the first is ahead of the second; what both have in common does not count twice."""
    if len(ranked) < 2:
        return None
    first, second = ranked[:2]
    difference = nets[first] - nets[second]
    ahead, u = difference.mean(workshop.figures), difference.u(workshop.figures)
    low, high = difference.ends(workshop.figures)
    clear = ahead > 2.0 * u
    told = f"“{TITLES[first]}” is ahead of “{TITLES[second]}” by {money_text(ahead, u, workshop.currency)}"
    words = f"{told}." if clear else f"{told}: with ranges as wide as these it is open which of the two is better."
    return {"first": first, "second": second, "expected": ahead, "u": u, "low": low, "high": high, "clear": clear, "words": words}


def _turning(
    ranked: list[str], nets: Mapping[str, Multilinear], pack: _Pack, workshop: Workshop, causes: list[dict[str, Any]]
) -> dict[str, Any]:
    """The figure whose other value would make first and second change places: of those whose range holds it the nearest to its middle, else the nearest to its range."""
    empty: dict[str, Any] = {"quantity": None, "label": None, "unit": None, "value_now": None, "range": None, "value_that_turns": None, "inside_range": None, "other_option": None, "all": []}
    if len(ranked) < 2:
        return empty | {"words": "There is nothing to turn: one option alone is left." if ranked else "There is nothing to rank."}
    first, second = ranked[:2]
    found = [*_figures_that_turn(nets[first], nets[second], workshop), *_causes_that_turn(first, second, pack, workshop, causes)]
    found.sort(key=lambda item: (item["gap"], abs(item["value_that_turns"] - item["value_now"]) / max(abs(item["value_now"]), 1e-9)))
    if not found:
        return empty | {"other_option": second, "words": f"No single figure puts “{TITLES[second]}” before “{TITLES[first]}”, whatever its value."}
    best = found[0]
    told = f"“{TITLES[second]}” comes before “{TITLES[first]}” if {best['label']} is {best['way']} {_value(best['value_that_turns'], best['unit'], workshop.currency)}"
    if best["inside_range"]:
        words = f"{told}; that lies within its range ({_of_range(best, workshop.currency)})."
    elif best["quantity"].startswith("cause:"):
        words = f"No figure within its range turns the ranking. The nearest: {told}; it is now {_value(best['value_now'], best['unit'], workshop.currency)}."
    else:
        words = f"No figure within its range turns the ranking. The nearest: {told}; its range is {_of_range(best, workshop.currency)}."
    keys = ("quantity", "label", "unit", "value_now", "range", "value_that_turns", "inside_range")
    return {key: best[key] for key in keys} | {"other_option": second, "words": words, "all": [{key: item[key] for key in keys} for item in found[:5]]}


def _figures_that_turn(first: Multilinear, second: Multilinear, workshop: Workshop) -> list[dict[str, Any]]:
    found = []
    for name in (first - second).names:
        at = crossing(first, second, name, workshop.figures)
        unit, most = KEYS[name].unit, KEYS[name].most
        if at is None or at < 0.0 or at > (most if unit == "%" else float("inf")):
            continue
        found.append(_turn(name, QUANTITIES[name], unit, workshop.figures[name], at))
    return found


def _causes_that_turn(first: str, second: str, pack: _Pack, workshop: Workshop, causes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same for the probability of each cause, the others keeping their shares of what is left: the net is a straight line of it."""
    found = []
    for at, cause in enumerate(causes):
        now = cause["probability"]
        if not 0.0 < now < 1.0:
            continue
        ends = []
        for value in (0.0, 1.0):
            changed = [item | {"probability": value if k == at else item["probability"] * (1.0 - value) / (1.0 - now)} for k, item in enumerate(causes)]
            sums = _sums(pack, workshop, changed)
            ends.append((sums[first].net - sums[second].net).mean(workshop.figures))
        slope = ends[1] - ends[0]
        if abs(slope) <= 1e-9 * max(map(abs, ends), default=0.0):
            continue
        turn = -ends[0] / slope
        if 0.0 <= turn <= 1.0:
            title = cause["title"][:1].lower() + cause["title"][1:]
            found.append(_turn(f"cause:{cause['code']}", f"the probability of “{title}”", "%", _of_cause(cause), 100.0 * turn, 100.0 * now))
    return found


def _of_cause(cause: Mapping[str, Any]) -> Range:
    """Between what the probability of a cause lies (:mod:`cycler.repair.chances`), without width where that is not known. [%]"""
    low, high = (cause["probability"] if cause.get(key) is None else float(cause[key]) for key in ("low_probability", "high_probability"))
    return Range(100.0 * low, 100.0 * high)


def _turn(name: str, label: str, unit: str, own: Range, at: float, now: float | None = None) -> dict[str, Any]:
    """``gap``: how far the value lies outside the range, as a fraction of what it is now (the range's middle where nothing else is said)."""
    now = own.mean if now is None else now
    scale = max(abs(now), 1e-9)
    gap = max(0.0, own.low - at, at - own.high) / scale
    return {
        "quantity": name, "label": label, "unit": unit, "value_now": now, "range": [own.low, own.high], "value_that_turns": at, "inside_range": gap == 0.0,
        "gap": gap, "way": "above" if at > now else "below",
    }


# ---- as text ---------------------------------------------------------------------------------------------------------


def _plain(value: float) -> str:
    """A sum of money: whole from 20 on, two decimals below 2."""
    digits = 0 if abs(value) >= 20 else 1 if abs(value) >= 2 else 2
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def money_text(value: float | None, u: float | None, currency: str) -> str:
    """"104 ± 38 EUR", the uncertainty expanded (k = 2); "not known" without a value."""
    if value is None:
        return "not known"
    return f"{figure_text(value, u, '') if u else _plain(value)} {currency}"


def span_text(ends: list[float] | tuple[float, float] | None, unit: str) -> str:
    """"25 to 60 EUR", "1.5 h"; "not known" without ends."""
    if ends is None:
        return "not known"
    low, high = (_plain(value) if unit not in ("h", "min", "%") else significant_text(value, 3) for value in ends)
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _value(value: float, unit: str, currency: str) -> str:
    return f"{significant_text(value, 3)} {currency if unit == 'money' else unit}"


def _of_range(item: Mapping[str, Any], currency: str) -> str:
    low, high = (significant_text(value, 3) for value in item["range"])
    unit = currency if item["unit"] == "money" else item["unit"]
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _cautions(options: list[dict[str, Any]], evaluation: Mapping[str, Any]) -> list[dict[str, str]]:
    """What to heed when one of the open options is taken."""
    open_ = {item["code"] for item in options if not item["barred_by"]}
    told = {remark.get("code") for remark in evaluation.get("remarks") or ()}
    codes = {QUARANTINE, TRANSPORT_DAMAGED, STORED_ENERGY}
    codes |= {OPENED_CELLS} if open_ & {GROUP, HARVEST} else set()
    codes |= {DEEP_DISCHARGE} if {"precharge", *NEVER_AGAIN} & set(levels(evaluation).values()) else set()
    codes |= {OVER_60_V} if OVER_60_V in told else set()
    own = (["changed_design"] if open_ & {GROUP, HARVEST} else []) + (["first_charge"] if open_ & set(REPAIRS) else [])
    return caution_list(codes) + [{"code": code, "words": OWN_CAUTIONS[code]} for code in own]
