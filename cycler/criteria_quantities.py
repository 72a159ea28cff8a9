"""The quantities a criterion may be set on, and how each is taken from an analysis.

An analysis here is the plain object that ``analyze --json`` prints. A quantity that belongs to groups gives one
candidate per group, because a criterion on the worst group holds only if it holds for every group.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

HOURS_PER_MONTH = 720.0
"""Hours of the 30-day month in which self-discharge is told. [h]"""

ABOVE_RATING_REMARK, ABOVE_RATING_DOUBTED = 1.10, 1.15
"""State of health above which a capacity is remarked on, and above which it proves nothing: packs are seldom rated so low,
slips of unit are common. Common practice, no source."""

Analysis = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Taken:
    """One candidate value for a criterion.

    Attributes
    ----------
    value, u : float or None
        Value and standard uncertainty in the quantity's unit; None = not known.
    group : int or None
        Group it belongs to.
    valid : bool
        False if the test behind it was not fit to give the figure.
    bound : str or None
        ``lower`` or ``upper``: the true value is at least, or at most, ``value``.
    doubt : str
        Clause that says why it is missing, invalid or only estimated.
    lack : str
        What is missing, as a key of the advice in :mod:`cycler.settle`; "" = the quantity's own advice.
    """

    value: float | None
    u: float | None = None
    group: int | None = None
    valid: bool = True
    bound: str | None = None
    doubt: str = ""
    lack: str = ""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity that can be judged.

    ``take`` gives at least one :class:`Taken`. ``worst`` tells which end is the worst group's ("min", "max", or
    "" for a figure of the whole pack). ``needs_siblings`` marks comparisons that mean nothing for one group.
    ``limit_range`` is the open-closed range that a limit may have; its upper ends are far above anything met in
    practice (common practice, no source) and catch slips of unit.
    """

    id: str
    unit: str
    label: str
    take: Callable[[Analysis], tuple[Taken, ...]]
    advice: str
    limit_range: tuple[float, float]
    worst: str = ""
    needs_siblings: bool = False
    budget: str = ""
    null_is_not_measured: bool = True

    @property
    def unit_word(self) -> str:
        """The unit as a criteria file writes it."""
        return self.unit or "ratio"


def number(value: Any) -> float | None:
    """``value`` as a finite float, else None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def part(analysis: Analysis, *keys: str) -> Any:
    """Nested value of an analysis, or None where a level is missing or null."""
    value: Any = analysis
    for key in keys:
        if not isinstance(value, Mapping):
            return None
        value = value.get(key)
    return value


def median_with_u(values: Sequence[float], us: Sequence[float | None]) -> tuple[float, float | None]:
    """Median and its standard uncertainty by propagation through the middle one or two values.

    The errors are taken as independent. References: JCGM 100:2008, 5.1.2 (clause from memory).
    """
    order = sorted(range(len(values)), key=lambda i: values[i])
    half = len(order) // 2
    middle = [order[half]] if len(order) % 2 else [order[half - 1], order[half]]
    median = sum(values[i] for i in middle) / len(middle)
    spread = [us[i] for i in middle]
    if any(u is None for u in spread):
        return median, None
    return median, math.sqrt(sum(u * u for u in spread)) / len(middle)


def ratio_to_siblings(
    values: Sequence[float | None], us: Sequence[float | None]
) -> list[tuple[float | None, float | None]]:
    """Each value over the median of the others, with standard uncertainty.

    Notes
    -----
    r = a / m, u(r)**2 = (u(a)/m)**2 + (a u(m)/m**2)**2 with independent errors. A gain error common to all groups
    cancels in the ratio, so the figure errs on the large side.
    """
    result: list[tuple[float | None, float | None]] = []
    for index, value in enumerate(values):
        others = [i for i, other in enumerate(values) if i != index and other is not None]
        if value is None or not others:
            result.append((None, None))
            continue
        median, u_median = median_with_u([values[i] for i in others], [us[i] for i in others])
        if median <= 0:
            result.append((None, None))
            continue
        u_ratio = None
        if us[index] is not None and u_median is not None:
            u_ratio = math.hypot(us[index] / median, value * u_median / median**2)
        result.append((value / median, u_ratio))
    return result


_REASONS = {
    "charge_incomplete": "the charge before the discharge was not complete",
    "start_unknown": "the log does not show that the pack was full at the start",
    "discharge_incomplete": "the discharge ended before the cut-off",
    "cutoff_unknown": "no cut-off voltage is known for the pack",
    "no_discharge": "the log holds no discharge",
    "protection_trip": "the pack's protection ended the discharge",
    "rest_too_short": "the rest was too short",
    "log_gap": "the log has a gap that nothing bridges",
    "counter_mismatch": "the integral and the instrument's own counter disagree",
    "capacity_above_rating": "it is more than twice the rating, which no pack gives",
    "unit_doubtful": "a stated unit gives readings that no pack has",
    "sign_doubtful": "the voltage speaks against the stated direction of the current",
    "sampling_too_coarse": "the samples are too far apart",
    "current_unsteady": "the current was not steady",
    "temperature_out_of_range": "the temperature was outside the window of the test",
    "lead_drop": "the pack voltage includes the drop of the leads",
    "no_group_voltages": "the log holds no group voltages",
}


def reason_words(codes: Sequence[str]) -> str:
    """Codes of reasons as one clause."""
    words = [_REASONS.get(code, str(code).replace("_", " ")) for code in codes]
    return " and ".join(words) if len(words) < 3 else ", ".join(words[:-1]) + " and " + words[-1]


_ABOVE_RATING = "more than the rating: check current unit, gain or rated capacity"


# --- figures of the whole pack -----------------------------------------------------------------------------


def _capacity_figure(value_key: str, u_key: str) -> Callable[[Analysis], tuple[Taken, ...]]:
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
        if "capacity_above_rating" in (capacity.get("reasons") or []):
            return (Taken(value, u, valid=False, doubt=_REASONS["capacity_above_rating"], lack="above_rating"),)
        health = number(capacity.get("state_of_health")) or 0.0
        if health > ABOVE_RATING_DOUBTED:
            return (Taken(value, u, valid=False, doubt=f"it is {_ABOVE_RATING}", lack="above_rating"),)
        if capacity.get("valid") is True:
            return (Taken(value, u, doubt=_ABOVE_RATING if health > ABOVE_RATING_REMARK else ""),)
        doubt = reason_words(capacity.get("reasons") or []) or "the discharge was not a valid capacity test"
        bound = "lower" if capacity.get("is_lower_bound") is True else None
        return (Taken(value, u, valid=False, bound=bound, doubt=doubt, lack="capacity"),)

    return take


def _plain_figure(
    path: tuple[str, ...], u_path: tuple[str, ...], missing: str, lack: str
) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        value = number(part(analysis, *path))
        if value is None:
            return (Taken(None, doubt=missing, lack=lack),)
        return (Taken(value, number(part(analysis, *u_path))),)

    return take


def _spread(key: str, when: str, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
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


# --- figures of groups -------------------------------------------------------------------------------------

_NO_GROUPS = Taken(None, doubt="the log holds no group voltages", lack="taps")
GroupFigure = tuple[int, float | None, float | None]


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


def _group_figure(key: str, missing: Missing, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
    def take(analysis: Analysis) -> tuple[Taken, ...]:
        groups = analysis.get("groups") or []
        if not groups:
            return (_NO_GROUPS,)
        figures = [
            (_group_number(g, i), number(g.get(key)), number(g.get(f"u_{key}"))) for i, g in enumerate(groups)
        ]
        return _candidates(analysis, figures, *_why(analysis, missing, lack))

    return take


def _take_leak(analysis: Analysis) -> tuple[Taken, ...]:
    return _unless_beyond_rating(analysis, _group_figure("self_discharge_ma", _no_leak, "long_rest")(analysis))


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


def _no_leak(analysis: Analysis) -> tuple[str, str]:
    """Why self-discharge is not known, and what is lacking: a long rest, or charge to turn its voltages into."""
    told = [_LEAK_REASONS[code] for g in analysis.get("groups") or [] for code in g.get("self_discharge_reasons") or [] if code in _LEAK_REASONS]
    if told:
        return told[0]
    rested = any(rest.get("drift_mv_per_h") is not None for rest in analysis.get("rest") or [])
    return (_REASONS["log_gap"], "capacity") if rested and _gapped(analysis) else (_NO_REST, "long_rest")


def _no_group_capacity(analysis: Analysis) -> str:
    """Why a group's capacity is not known although the group was logged."""
    capacity = part(analysis, "capacity") or {}
    codes = list(capacity.get("reasons") or [])
    if number(capacity.get("value_ah")) is None:
        return _REASONS["no_discharge"]
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


def _take_group_capacity_ratio(analysis: Analysis) -> tuple[Taken, ...]:
    taken = _group_figure("capacity_ratio", _no_group_capacity(analysis), "capacity")(analysis)
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


def _take_group_ratio(key: str, u_key: str, missing: str, lack: str) -> Callable[[Analysis], tuple[Taken, ...]]:
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


def _group_share(
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
        return _REASONS["no_discharge"], "full_charge"
    if _gapped(analysis):
        return _GAPPED, "capacity"
    groups = analysis.get("groups") or []
    if not any(number(group.get("rest_voltage_v")) is not None for group in groups):
        return "the groups were not logged at rest between charge and discharge", "full_charge"
    if part(analysis, "capacity", "started_full") is not True:
        return _not_full(analysis), "full_charge"
    return "the voltages at rest and under load do not give it", "full_charge"


def _take_start_deficit(analysis: Analysis) -> tuple[Taken, ...]:
    """Below full means something only if the charge before was complete."""
    taken = _group_share("start_deficit_ah", "u_start_deficit_ah", 1.0, _no_start_deficit, "full_charge")(analysis)
    if part(analysis, "capacity", "started_full") is True and not _gapped(analysis):
        return taken
    doubt = _GAPPED if _gapped(analysis) else _not_full(analysis)
    return tuple(
        item if item.value is None else Taken(item.value, item.u, item.group, False, None, doubt, "capacity")
        for item in taken
    )


def _not_full(analysis: Analysis) -> str:
    known = part(analysis, "capacity", "started_full") is False
    return _REASONS["charge_incomplete" if known else "start_unknown"]


_GAPPED = "charge is missing from the comparison of the groups: the log has a gap under load that nothing bridges"
_NO_STEP = "no load step from rest was sampled closely enough"
_NO_SPLIT = "the samples are too far apart to tell the ohmic part"
_NO_REST = "the pack was not logged at rest long enough"
_LEAK_REASONS = {
    "plateau_flat": ("the voltage hardly falls with charge there, so no rest can show it", "retention"),
    "slope_vague": ("how fast the voltage falls with charge there is not known well enough", "retention"),
    "balancer_possible": ("a group that came down to its siblings at the top of charge may have been bled by a balancer", "rest_below_top"),
}
_NO_EFFICIENCY = "no charge and discharge between the same end states were logged"

_ALL = (
    Quantity(
        "state_of_health", "share", "State of health",
        _capacity_figure("state_of_health", "u_state_of_health"), "capacity", (0.0, 1.5), budget="capacity",
    ),
    Quantity(
        "capacity_ah", "Ah", "Capacity", _capacity_figure("value_ah", "u_value_ah"), "capacity", (0.0, 2000.0),
        budget="capacity",
    ),
    Quantity(
        "energy_wh", "Wh", "Energy", _capacity_figure("energy_wh", "u_energy_wh"), "capacity", (0.0, 200000.0)
    ),
    Quantity(
        "group_capacity_ratio_worst", "share", "Weakest group, capacity over siblings",
        _take_group_capacity_ratio, "capacity", (0.0, 1.5), worst="min", needs_siblings=True,
    ),
    Quantity(
        "group_sag_end_v", "V", "Worst group, sag behind siblings at end",
        _group_figure("sag_end_v", "the log holds no end of a discharge", "capacity"), "capacity", (0.0, 5.0),
        worst="max", needs_siblings=True,
    ),
    Quantity(
        "group_resistance_ratio_worst", "", "Worst group, 10 s resistance over siblings",
        _take_group_ratio("resistance_10s_ohm", "u_resistance_10s_ohm", _NO_STEP, "load_step"), "load_step",
        (0.0, 100.0), worst="max", needs_siblings=True,
    ),
    Quantity(
        "group_ohmic_ratio_worst", "", "Worst group, ohmic part over siblings",
        _take_group_ratio("ohmic_ohm", "u_ohmic_ohm", _NO_SPLIT, "sampling"), "sampling", (0.0, 100.0),
        worst="max", needs_siblings=True, null_is_not_measured=False,
    ),
    Quantity(
        "resistance_10s_ohm", "ohm", "10 s resistance of the pack",
        _plain_figure(("resistance", "headline", "ohm_10s"), ("resistance", "headline", "u_ohm_10s"), _NO_STEP, "load_step"),
        "load_step", (0.0, 100.0), budget="resistance",
    ),
    Quantity(
        "ohmic_ohm", "ohm", "Ohmic resistance of the pack",
        _plain_figure(("resistance", "headline", "ohmic_ohm"), ("resistance", "headline", "u_ohmic_ohm"), _NO_SPLIT, "sampling"),
        "sampling", (0.0, 100.0), null_is_not_measured=False,
    ),
    Quantity(
        "spread_rest_v", "V", "Spread of groups at rest", _spread("rest", "at rest", "rest"), "rest",
        (0.0, 5.0), needs_siblings=True,
    ),
    Quantity(
        "spread_full_v", "V", "Spread of groups at full charge",
        _spread("full", "at the end of charge", "full_charge"), "full_charge", (0.0, 5.0), needs_siblings=True,
    ),
    Quantity(
        "spread_load_v", "V", "Spread of groups under load", _spread("load", "under load", "load_step"),
        "load_step", (0.0, 5.0), needs_siblings=True,
    ),
    Quantity(
        "spread_end_v", "V", "Spread of groups at end of discharge",
        _spread("end", "at the end of the discharge", "capacity"), "capacity", (0.0, 5.0), needs_siblings=True,
    ),
    Quantity(
        "start_deficit_share_worst", "share", "Group short of full at start",
        _take_start_deficit, "full_charge", (0.0, 1.0), worst="max", needs_siblings=True,
    ),
    Quantity(
        "self_discharge_worst_ma", "mA", "Worst group, self-discharge",
        _take_leak, "long_rest", (0.0, 10000.0), worst="max",
    ),
    Quantity(
        "self_discharge_share_worst", "share", "Worst group, self-discharge in 30 days",
        _group_share("self_discharge_ma", "u_self_discharge_ma", HOURS_PER_MONTH / 1000.0, _no_leak, "long_rest"),
        "long_rest", (0.0, 1.0), worst="max",
    ),
    Quantity(
        "coulombic_efficiency", "share", "Coulombic efficiency",
        _plain_figure(("efficiency", "coulombic"), ("efficiency", "u_coulombic"), _NO_EFFICIENCY, "cycle"), "cycle",
        (0.0, 1.5),
    ),
    Quantity(
        "energy_efficiency", "share", "Energy efficiency",
        _plain_figure(("efficiency", "energy"), ("efficiency", "u_energy"), _NO_EFFICIENCY, "cycle"), "cycle", (0.0, 1.5),
    ),
    Quantity(
        "temperature_max_c", "degC", "Highest temperature",
        _plain_figure(("thermal", "max_c"), ("thermal", "u_max_c"), "no temperature was logged", "temperature"),
        "temperature", (-50.0, 150.0),
    ),
    Quantity(
        "temperature_rise_k", "K", "Temperature rise",
        _plain_figure(("thermal", "rise_c"), ("thermal", "u_rise_c"), "no temperature rise could be taken from the log", "temperature"),
        "temperature", (0.0, 120.0),
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.id: quantity for quantity in _ALL}
"""Every quantity a criterion may name, by id."""
