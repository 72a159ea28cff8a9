"""Figures of a pack against those of the same pack before, for the criteria.

The analysis that is judged carries the one before under ``before`` (:func:`cycler.compare.reduced`). What one bench does wrong in both tests
cancels in the ratio (:mod:`cycler.difference`).
"""

from __future__ import annotations

from collections.abc import Mapping

from cycler.criteria_groups import NO_STEP
from cycler.criteria_pack import capacity_figure
from cycler.difference import (
    CAPACITY,
    RATE_NOTE_SHARE,
    RESISTANCE_10S,
    TEMPERATURE_NOTE_K,
    ratio_with_u,
)
from cycler.taken import Analysis, Taken, number, part


def has_before(analysis: Analysis) -> bool:
    """Whether the analysis carries an earlier one of its pack."""
    return isinstance(analysis.get("before"), Mapping) and bool(analysis["before"])


def _no_reference(analysis: Analysis) -> Taken | None:
    """Why there is nothing to hold this pack against; None if there is."""
    if not has_before(analysis):
        return Taken(None, doubt="no earlier test of this pack was given to hold it against", lack="before")
    for key, word in (("id", "another pack"), ("series", "a pack with another number of groups"), ("chemistry", "a pack of another chemistry")):
        now, then = part(analysis, "pack", key), part(analysis["before"], "pack", key)
        if now is not None and then is not None and now != then:
            return Taken(None, doubt=f"the earlier test is of {word}", lack="before")
    return None


def _unlike(analysis: Analysis, rate_counts: bool) -> str:
    """What differs between the two tests besides the pack; "" if they are alike as far as the analyses tell."""
    then, now = (number(part(item, "capacity", "mean_temperature_c")) for item in (analysis["before"], analysis))
    if then is not None and now is not None and abs(now - then) >= TEMPERATURE_NOTE_K:
        return f"the tests ran at {then:.0f} °C and {now:.0f} °C"
    then, now = (number(part(item, "capacity", "rate_it")) for item in (analysis["before"], analysis))
    if rate_counts and then and now and abs(now - then) > RATE_NOTE_SHARE * max(now, then):
        return f"the tests were discharged at {then:.2g} It and {now:.2g} It"
    return ""


def take_capacity_to_before(analysis: Analysis) -> tuple[Taken, ...]:
    """Capacity over that of the test before. A lower bound of the one bounds the ratio if the other is valid."""
    if none := _no_reference(analysis):
        return (none,)
    take = capacity_figure("value_ah", "u_value_ah")
    (now,), (then,) = take(analysis), take(analysis["before"])
    if now.value is None:
        return (now,)
    if not then.value:
        return (Taken(None, doubt="the earlier test gave no capacity", lack="before_lost"),)
    ratio, u = ratio_with_u(CAPACITY, analysis["before"], analysis)
    if unlike := _unlike(analysis, rate_counts=True):
        return (Taken(ratio, u, valid=False, doubt=unlike, lack="before_alike"),)
    if not now.valid:
        return (Taken(ratio, u, valid=False, bound=now.bound if then.valid else None, doubt=now.doubt, lack=now.lack),)
    if not then.valid:
        bound = "upper" if then.bound == "lower" else None
        return (Taken(ratio, u, valid=False, bound=bound, doubt=f"in the earlier test {then.doubt}", lack="before_lost"),)
    return (Taken(ratio, u),)


def take_resistance_to_before(analysis: Analysis) -> tuple[Taken, ...]:
    """10 s resistance of the pack over that of the test before."""
    if none := _no_reference(analysis):
        return (none,)
    if RESISTANCE_10S.take(analysis).value is None:
        return (Taken(None, doubt=NO_STEP, lack="load_step"),)
    ratio, u = ratio_with_u(RESISTANCE_10S, analysis["before"], analysis)
    if ratio is None:
        return (Taken(None, doubt="the earlier test gave no resistance", lack="before_lost"),)
    if unlike := _unlike(analysis, rate_counts=False):
        return (Taken(ratio, u, valid=False, doubt=unlike, lack="before_alike"),)
    return (Taken(ratio, u),)
