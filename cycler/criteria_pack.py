"""Figures of the whole pack for the criteria."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from cycler.taken import REASONS, Analysis, Taken, energy_from_full_u, number, part, reason_words

ABOVE_RATING_REMARK, ABOVE_RATING_DOUBTED = 1.10, 1.15
"""State of health above which a capacity is remarked on, and above which it proves nothing: packs are seldom rated so low,
slips of unit are common. Common practice, no source."""

_ABOVE_RATING = "more than the rating: check current unit, gain or rated capacity"


def capacity_figure(value_key: str, u_key: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        capacity = part(analysis, "capacity")
        if not isinstance(capacity, Mapping) or number(capacity.get("value_ah")) is None:
            return (Taken(None, doubt="the log holds no discharge from full to the cut-off", lack="capacity"),)
        value = number(capacity.get(value_key))
        if value is None:
            if value_key == "state_of_health" and number(part(analysis, "pack", "rated_capacity_ah")) is None:
                return (Taken(None, doubt="the rated capacity is not known", lack="rating"),)
            return (Taken(None, doubt="the log does not give it", lack="capacity"),)
        u = number(capacity.get(u_key))
        if key_from_full := number(capacity.get("u_from_full_ah")) if value_key == "value_ah" else None:
            u = key_from_full
        if value_key == "energy_wh" and u is not None:
            u = math.hypot(u, energy_from_full_u(analysis))
        if "capacity_above_rating" in (capacity.get("reasons") or []):
            return (Taken(value, u, valid=False, doubt=REASONS["capacity_above_rating"], lack="above_rating"),)
        health = number(capacity.get("state_of_health")) or 0.0
        if health > ABOVE_RATING_DOUBTED:
            return (Taken(value, u, valid=False, doubt=f"it is {_ABOVE_RATING}", lack="above_rating"),)
        if capacity.get("valid") is True:
            return (Taken(value, u, doubt=_ABOVE_RATING if health > ABOVE_RATING_REMARK else ""),)
        doubt = reason_words(capacity.get("reasons") or []) or "the discharge was not a valid capacity test"
        bound = "lower" if capacity.get("is_lower_bound") is True else None
        return (Taken(value, u, valid=False, bound=bound, doubt=doubt, lack="capacity"),)

    return take


def plain_figure(
    path: tuple[str, ...], u_path: tuple[str, ...], missing: str, lack: str
) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        value = number(part(analysis, *path))
        if value is None:
            return (Taken(None, doubt=missing, lack=lack),)
        return (Taken(value, number(part(analysis, *u_path))),)

    return take


def take_capacity_valid(analysis: Analysis) -> tuple[Taken, ...]:
    """1 if the capacity was measured from full to the cut-off by a valid test; otherwise not known, and why."""
    (capacity,) = capacity_figure("value_ah", "u_value_ah")(analysis)
    if capacity.value is not None and capacity.valid:
        return (Taken(1.0, 0.0),)
    return (Taken(None, doubt=capacity.doubt, lack=capacity.lack),)


def take_energy_share(analysis: Analysis) -> tuple[Taken, ...]:
    """Energy over the rated energy, valid where the capacity is."""
    rated = number(part(analysis, "pack", "rated_energy_wh"))
    (energy,) = capacity_figure("energy_wh", "u_energy_wh")(analysis)
    if energy.value is None:
        return (energy,)
    if not rated:
        return (Taken(None, doubt="the rated energy is not known", lack="rated_energy"),)
    u = None if energy.u is None else energy.u / rated
    return (replace(energy, value=energy.value / rated, u=u),)
