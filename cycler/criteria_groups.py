"""Figures of groups for the criteria: one candidate per group, because a criterion on the worst group holds only if it holds for every group."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from cycler.taken import REASONS, Analysis, Taken, number, part, ratio_to_siblings, reason_words

HOURS_PER_MONTH = 720.0
"""Hours of the 30-day month in which self-discharge is told. [h]"""

_NO_GROUPS = Taken(None, doubt="the log holds no group voltages", lack="taps")
GroupFigure = tuple[int, float | None, float | None]


def take_spread(key: str, when: str, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        value, u = number(part(analysis, "spread", f"{key}_v")), number(part(analysis, "spread", f"u_{key}_v"))
        doubt, lack_tap = _unlogged_text(groups_not_logged(analysis)), "tap"
        if not doubt:
            doubt, lack_tap = _missing_columns(analysis), "taps"
        if value is not None and doubt and analysis.get("groups"):  # the group not seen may lie further out
            return (Taken(value, u, valid=False, bound="lower", doubt=doubt, lack=lack_tap),)
        if value is not None:
            return (Taken(value, u),)
        if not analysis.get("groups"):
            return (_NO_GROUPS,)
        if doubt:
            return (Taken(None, doubt=doubt, lack=lack_tap),)
        return (Taken(None, doubt=f"the group voltages {when} are not in the log", lack=lack),)

    return take


def groups_text(groups: Sequence[int]) -> str:
    """"group 5", "groups 2, 3 and 7"."""
    if len(groups) == 1:
        return f"group {groups[0]}"
    return "groups " + ", ".join(map(str, groups[:-1])) + f" and {groups[-1]}"


def groups_not_logged(analysis: Analysis) -> tuple[int, ...]:
    """Numbers of the groups of which the log holds no reading at all."""
    found = {
        int(item["group"]) for item in analysis.get("findings") or []
        if item.get("code") == "group_not_logged" and number(item.get("group"))
    }
    found |= {
        _group_number(group, index) for index, group in enumerate(analysis.get("groups") or [])
        if "min_voltage_v" in group and group["min_voltage_v"] is None
    }
    return tuple(sorted(found))


def _unlogged_text(groups: Sequence[int]) -> str:
    return f"{groups_text(groups)} {'has' if len(groups) == 1 else 'have'} no usable readings" if groups else ""


def _missing_columns(analysis: Analysis) -> str:
    """What is said where the log has fewer group columns than the pack has groups; "" if it has all."""
    series = number(part(analysis, "pack", "series"))
    known = {_group_number(group, index) for index, group in enumerate(analysis.get("groups") or [])} | set(groups_not_logged(analysis))
    return f"the log holds {len(known)} of the pack's {series:.0f} groups" if series and len(known) < series else ""


def _candidates(analysis: Analysis, figures: Sequence[GroupFigure], missing: str, lack: str) -> tuple[Taken, ...]:
    """One candidate per group that has a value, and one for those that have none, with the reason that is true of them."""
    unlogged = groups_not_logged(analysis)
    result = [Taken(value, u, group) for group, value, u in figures if value is not None]
    unknown = [group for group, value, _ in figures if value is None and group not in unlogged]
    if unknown and not result:
        result.append(Taken(None, doubt=missing, lack=lack))
    elif unknown:
        doubt = f"{groups_text(unknown)} {'has' if len(unknown) == 1 else 'have'} no value ({missing})"
        result.append(Taken(None, group=unknown[0] if len(unknown) == 1 else None, doubt=doubt, lack=lack))
    # That a tap was not logged is named before anything else that is wanting: no other test mends it.
    if unlogged:
        group = unlogged[0] if len(unlogged) == 1 else None
        result.insert(0, Taken(None, group=group, doubt=_unlogged_text(unlogged), lack="tap"))
    if short := _missing_columns(analysis):
        result.insert(0, Taken(None, doubt=short, lack="taps"))
    return tuple(result)


def _group_number(group: Mapping[str, Any], index: int) -> int:
    return int(group.get("group") or index + 1)


Missing = str | Callable[[Analysis], tuple[str, str]]
"""Why a figure is not known; or what works out that clause and what is lacking."""


def _why(analysis: Analysis, missing: Missing, lack: str) -> tuple[str, str]:
    return (missing, lack) if isinstance(missing, str) else missing(analysis)


def _gapped(analysis: Analysis) -> bool:
    """Whether charge is missing from the discharge on which the groups were compared."""
    return "log_gap" in (part(analysis, "capacity", "reasons") or [])


def _unless_beyond_rating(analysis: Analysis, taken: Sequence[Taken]) -> tuple[Taken, ...]:
    """Figures in ampere or as a share of the rating prove nothing where one of the two must be wrong."""
    if "capacity_above_rating" not in (part(analysis, "capacity", "reasons") or []):
        return tuple(taken)
    doubt = "the capacity is more than twice the rating, which no pack gives"
    return tuple(
        item if item.value is None else Taken(item.value, item.u, item.group, False, None, doubt, "above_rating") for item in taken
    )


def group_figure(key: str, missing: Missing, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        groups = analysis.get("groups") or []
        if not groups:
            return (_NO_GROUPS,)
        figures = [
            (_group_number(g, i), number(g.get(key)), number(g.get(f"u_{key}"))) for i, g in enumerate(groups)
        ]
        return _candidates(analysis, figures, *_why(analysis, missing, lack))

    return take


def take_leak(analysis: Analysis) -> tuple[Taken, ...]:
    return _unless_beyond_rating(analysis, group_figure("self_discharge_ma", no_leak, "long_rest")(analysis))


def leak_limit_ma(criteria: Any, pack: Any) -> float | None:
    """Largest self-discharge of a group that a set of criteria allows in this pack, None if it sets none or the rating is not known. [mA]"""
    found = []
    for item in criteria.criteria:
        limit = item.limit_for(pack.chemistry)
        if item.quantity == "self_discharge_worst_ma":
            found.append(limit)
        elif item.quantity == "self_discharge_share_worst" and pack.rated_capacity_ah:
            found.append(1000.0 * limit * pack.rated_capacity_ah / HOURS_PER_MONTH)
    return min(found, default=None)


def no_leak(analysis: Analysis) -> tuple[str, str]:
    """Why self-discharge is not known, and what is lacking: a long rest, or charge to turn its voltages into."""
    told = [_LEAK_REASONS[code] for g in analysis.get("groups") or [] for code in g.get("self_discharge_reasons") or [] if code in _LEAK_REASONS]
    if told:
        return told[0]
    rested = any(rest.get("drift_mv_per_h") is not None for rest in analysis.get("rest") or [])
    return (REASONS["log_gap"], "capacity") if rested and _gapped(analysis) else (_NO_REST, "long_rest")


def _no_group_capacity(analysis: Analysis) -> str:
    """Why a group's capacity is not known although the group was logged."""
    capacity = part(analysis, "capacity") or {}
    codes = list(capacity.get("reasons") or [])
    if number(capacity.get("value_ah")) is None:
        return REASONS["no_discharge"]
    if _gapped(analysis):
        return _GAPPED
    if capacity.get("started_full") is not True:
        return _not_full(analysis)
    if codes:
        return reason_words(codes)
    if number(part(analysis, "pack", "group_cutoff_voltage_v")) is None:
        return "no cut-off voltage of a group is known"
    if groups_not_logged(analysis) or _missing_columns(analysis):
        return "not all of its siblings were logged"
    return "its voltage does not lead from full to the cut-off"


def _with_capacity_doubts(analysis: Analysis, taken: Sequence[Taken]) -> tuple[Taken, ...]:
    """Figures made of the groups' capacities with what stands against them."""
    estimates = {
        _group_number(g, i) for i, g in enumerate(analysis.get("groups") or []) if g.get("capacity_is_estimate") is True
    }
    started_full = part(analysis, "capacity", "started_full") is True
    result = []
    for item in taken:
        doubt, valid, lack = item.doubt, item.valid, item.lack
        if item.value is not None and _gapped(analysis):  # as runs kept by earlier versions hold it
            doubt, valid, lack = _GAPPED, False, "capacity"
        elif item.value is not None and not started_full:
            doubt, valid, lack = _not_full(analysis), False, "capacity"
        elif item.group in estimates and item.value is not None:
            doubt, lack = "estimated, not taken from this group's own way down to its cut-off", "estimate"
        result.append(Taken(item.value, item.u, item.group, valid, item.bound, doubt, lack))
    return tuple(result)


def take_group_capacity_ratio(analysis: Analysis) -> tuple[Taken, ...]:
    return _with_capacity_doubts(analysis, group_figure("capacity_ratio", _no_group_capacity(analysis), "capacity")(analysis))


def take_group_capacity_share(analysis: Analysis) -> tuple[Taken, ...]:
    """Each group's capacity over the rating of the pack, whose groups all carry the same charge."""
    rated = number(part(analysis, "pack", "rated_capacity_ah"))
    taken = group_figure("capacity_ah", _no_group_capacity(analysis), "capacity")(analysis)
    if not rated:
        known = any(item.value is not None for item in taken)
        return (Taken(None, doubt="the rated capacity is not known", lack="rating"),) if known else taken
    shares = [item if item.value is None else replace(item, value=item.value / rated, u=None if item.u is None else item.u / rated) for item in taken]
    return _unless_beyond_rating(analysis, _with_capacity_doubts(analysis, shares))


def take_group_capacity_spread(analysis: Analysis) -> tuple[Taken, ...]:
    """Largest less smallest capacity of the groups over their mean, from two figures with independent errors; at least that where groups are missing.

    What the groups have in common, the ammeter's gain above all, cancels in the ratio and is counted all the same: the figure errs on the large side.
    """
    missing = _no_group_capacity(analysis)
    taken = _with_capacity_doubts(analysis, group_figure("capacity_ah", missing, "capacity")(analysis))
    known = [item for item in taken if item.value is not None]
    unknown = next((item for item in taken if item.value is None), None)
    if len(known) < 2:
        return (unknown or Taken(None, doubt="there are no sibling groups to compare with"),)
    low, high = (pick(known, key=lambda item: item.value) for pick in (min, max))
    mean = sum(item.value for item in known) / len(known)
    value = (high.value - low.value) / mean
    u = None if low.u is None or high.u is None else math.hypot(low.u, high.u) / mean
    if unknown is not None and known[0].valid:
        return (Taken(value, u, valid=False, bound="lower", doubt=unknown.doubt, lack=unknown.lack),)
    if not known[0].valid:
        return (Taken(value, u, valid=False, doubt=known[0].doubt, lack=known[0].lack),)
    # Groups that were not emptied are estimated, with a budget that holds it; the row says so.
    doubt = "partly made of estimates: not every group came down to its cut-off" if high.doubt or low.doubt else ""
    return (Taken(value, u, doubt=doubt, lack="estimate" if doubt else ""),)


def take_group_voltage(key: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    """Lowest or highest reading of each group in the log, with the limits of error of the channel it came from."""

    def take(analysis: Analysis) -> tuple[Taken, ...]:
        groups = analysis.get("groups") or []
        if not groups:
            return (_NO_GROUPS,)
        gain, zero = (number(part(analysis, "instrument", f"group_voltage_{name}")) for name in ("gain", "offset_v"))
        figures: list[GroupFigure] = []
        for index, group in enumerate(groups):
            value = number(group.get(key))
            u = None if value is None or gain is None or zero is None else math.hypot(gain * value, zero) / math.sqrt(3.0)
            figures.append((_group_number(group, index), value, u))
        return _candidates(analysis, figures, "the log holds no reading of it", "taps")

    return take


def take_group_ratio(key: str, u_key: str, missing: str, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        groups = analysis.get("groups") or []
        if not groups:
            return (_NO_GROUPS,)
        if len(groups) < 2:
            return (Taken(None, doubt="there are no sibling groups to compare with", lack=""),)
        values = [number(g.get(key)) for g in groups]
        ratios = ratio_to_siblings(values, [number(g.get(u_key)) for g in groups])
        figures = [(_group_number(g, i), *ratios[i]) for i, g in enumerate(groups)]
        return _candidates(analysis, figures, missing, lack)

    return take


def _reference_capacity(analysis: Analysis) -> tuple[float | None, float]:
    """Capacity in which a share is told, with standard uncertainty: the rated one, else a valid measured one. [Ah]"""
    rated = number(part(analysis, "pack", "rated_capacity_ah"))
    if rated:
        return rated, 0.0
    if part(analysis, "capacity", "valid") is True:
        value = number(part(analysis, "capacity", "value_ah"))
        if value:
            return value, number(part(analysis, "capacity", "u_value_ah")) or 0.0
    return None, 0.0


def group_share(
    key: str, u_key: str, factor: float, missing: Missing, lack: str
) -> Callable[[Analysis], tuple[Taken, ...]]:
    """A group's figure times ``factor`` as a share of the reference capacity."""

    def take(analysis: Analysis) -> tuple[Taken, ...]:
        groups = analysis.get("groups") or []
        if not groups:
            return (_NO_GROUPS,)
        reference, u_reference = _reference_capacity(analysis)
        if reference is None:
            return (Taken(None, doubt="neither a rated nor a valid measured capacity is known", lack="rating"),)
        figures: list[GroupFigure] = []
        for index, group in enumerate(groups):
            value, u = number(group.get(key)), number(group.get(u_key))
            if value is None:
                figures.append((_group_number(group, index), None, None))
                continue
            share = factor * value / reference
            u_share = None if u is None else math.hypot(factor * u / reference, share * u_reference / reference)
            figures.append((_group_number(group, index), share, u_share))
        return _unless_beyond_rating(analysis, _candidates(analysis, figures, *_why(analysis, missing, lack)))

    return take


def _no_start_deficit(analysis: Analysis) -> tuple[str, str]:
    """Why it is not known how far below full a logged group began, and what is lacking."""
    if number(part(analysis, "capacity", "value_ah")) is None:
        return REASONS["no_discharge"], "full_charge"
    if _gapped(analysis):
        return _GAPPED, "capacity"
    groups = analysis.get("groups") or []
    if not any(number(group.get("rest_voltage_v")) is not None for group in groups):
        return "the groups were not logged at rest between charge and discharge", "full_charge"
    if part(analysis, "capacity", "started_full") is not True:
        return _not_full(analysis), "full_charge"
    return "the voltages at rest and under load do not give it", "full_charge"


def take_start_deficit(analysis: Analysis) -> tuple[Taken, ...]:
    """Below full means something only if the charge before was complete."""
    taken = group_share("start_deficit_ah", "u_start_deficit_ah", 1.0, _no_start_deficit, "full_charge")(analysis)
    if part(analysis, "capacity", "started_full") is True and not _gapped(analysis):
        return taken
    doubt = _GAPPED if _gapped(analysis) else _not_full(analysis)
    return tuple(
        item if item.value is None else Taken(item.value, item.u, item.group, False, None, doubt, "capacity")
        for item in taken
    )


def _not_full(analysis: Analysis) -> str:
    known = part(analysis, "capacity", "started_full") is False
    return REASONS["charge_incomplete" if known else "start_unknown"]


_GAPPED = "charge is missing from the comparison of the groups: the log has a gap under load that nothing bridges"
NO_STEP = "no load step from rest was sampled closely enough"
NO_SPLIT = "the samples are too far apart to tell the ohmic part"
_NO_REST = "the pack was not logged at rest long enough"
_LEAK_REASONS = {
    "plateau_flat": ("the voltage hardly falls with charge there, so no rest can show it", "retention"),
    "slope_vague": ("how fast the voltage falls with charge there is not known well enough", "retention"),
    "balancer_possible": ("a group that came down to its siblings at the top of charge may have been bled by a balancer", "rest_below_top"),
}
