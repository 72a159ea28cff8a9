"""The group table: figures of every series group from the measures, with uncertainties and findings.

"The discharge" is the one that speaks for the pack, "the load edge" the one of :func:`cycler.resistancetable.headline_edge`; siblings are the other
groups of the log. ``u_x`` beside ``x`` is its standard uncertainty. None: the log does not support the figure.

=========================  ====================================================================================================
``group``, ``name``        number counted from pack negative; heading of its column
``rest_voltage_v``         median of the last five rows of the rest right before the discharge (without a discharge: of the longest rest). [V]
``u_rest_voltage_v``       one reading by the stated limits of error and the step, at the median voltage of all groups; noise is not in it. [V]
``full_voltage_v``         median of the last three rows of the last charge that ended before the discharge's load came on. [V]
``end_voltage_v``          under load at the end of the discharge: straight line between the rows around it, never past the last loaded row. [V]
``u_end_voltage_v``        as ``u_rest_voltage_v``
``min_/max_voltage_v``     lowest and highest single reading of the whole log. [V]
``sag_10s_v``              fall 10 s after the load edge: voltage before it, carried to the edge along its trend, less that read from a line or parabola
                           through the rows within 2 s of 10 s after it (between two rows where they lie further apart). A load coming on only; ohmic part, polarisation and discharge alike. [V]
``sag_end_v``              median of the siblings (reversed ones left out) less the group, each as ``end_voltage_v``. [V]
``u_sag_end_v``            difference of two channels, each with its own stated limits. [V]
``resistance_10s_ohm``     change of voltage 10 s after the load edge over the height of the edge. [ohm]
``ohmic_ohm``              that ratio extrapolated to the instant of the edge, weighted mean over the edges alike it. [ohm]
``capacity_ah``            charge of the group from full to its cut-off, from the common-curve fit of :mod:`cycler.measures.groups`: charge to its cut-off
                           plus lag, less what the fuller half held beyond full. Only of a discharge that began full. [Ah]
``capacity_is_estimate``   True unless the group itself reached its cut-off in the log
``capacity_ratio``         ``capacity_ah`` over the median of that of the siblings, two at least; where the start was not full, the same ratio of what the
                           shape of the curves tells alone
``charge_to_cutoff_ah``    charge taken from the pack from load on until this group stands at its cut-off under load; where the log does not go so
                           far, carried over from the knee of the group that went deepest. [Ah]
``lag_to_siblings_ah``     how much less charge the group held at load on than those as full as the fuller half of the groups, in its own Ah; negative: it held more. From the
                           fit, held by the rest voltages. [Ah]
``start_deficit_ah``       the same, at least 0, read as charge missing to full: assumes that the fuller half was full; None where the discharge
                           is known not to have begun full. [Ah]
leak keys                  see :data:`cycler.resttable.LEAK_KEYS`
``capacity_reasons``, ``resistance_reasons``  why ``capacity_ah`` or ``resistance_10s_ohm`` is None: codes; empty beside a figure
``budgets``                sources of the standard uncertainty of each figure named there, in the figure's unit
``findings``               codes of what :func:`cycler.findings.diagnose_group` found
=========================  ====================================================================================================

Uncertainties of charges join the fit and the ammeter's gain, zero and clock; in ``capacity_ratio`` these cancel.

``spread``, highest less lowest group [V]: ``rest_v`` of ``rest_voltage_v``, ``full_v`` of ``full_voltage_v``, ``end_v`` of ``end_voltage_v``, ``load_v`` at half the
time between load on and end of the discharge (straight line between the rows around it). ``u_...``: :func:`cycler.measures.groups.spread_u` with one
channel's standard uncertainty against the others; noise is not in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cycler import groupbudgets as budgets
from cycler.findings import SIGNIFICANT, Finding, GroupFigures, diagnose_group
from cycler.log import Log
from cycler.longcolumns import median_of, medians_of_three
from cycler.measures.capacity import ChargeRun, Discharge, Flow
from cycler.measures.groups import (
    GroupFit,
    LoadedCurves,
    against_siblings,
    channel_range_u,
    channel_scatter_u,
    fit_groups,
    loaded_curves,
    spread,
    spread_u,
)
from cycler.measures.integrate import crossing
from cycler.measures.resistance import AFTER_S, Edge, StepResponse
from cycler.pack import Pack
from cycler.resttable import LEAK_KEYS, leak_rows, own_curves, rest_rows
from cycler.signals import all_finite, resolution_of
from cycler.steps import Step
from cycler.uncertainty import (
    COUNTER_SHARE,
    difference_u,
    rectangular,
    voltage_reading_u,
)

TEN = AFTER_S.index(10.0)
REST_WINDOW = 5
ROW_KEYS = (
    "group", "name", "rest_voltage_v", "u_rest_voltage_v", "full_voltage_v", "end_voltage_v", "u_end_voltage_v", "min_voltage_v",
    "max_voltage_v", "sag_10s_v", "u_sag_10s_v", "sag_end_v", "u_sag_end_v", "resistance_10s_ohm", "u_resistance_10s_ohm",
    "ohmic_ohm", "u_ohmic_ohm", "capacity_ah", "u_capacity_ah", "capacity_is_estimate", "capacity_ratio", "u_capacity_ratio",
    "charge_to_cutoff_ah", "u_charge_to_cutoff_ah", "start_deficit_ah", "u_start_deficit_ah", "lag_to_siblings_ah",
    "u_lag_to_siblings_ah", *LEAK_KEYS, "capacity_reasons", "resistance_reasons", "budgets", "findings",
)
"""Keys of a row of the group table, in order."""
NEGLIGIBLE_SHARE = 0.0002
"""Open charge below this share of the discharge is left out: a twentieth of ``groups.LAG_MODEL_SHARE``."""
BESIDE_GAP_SHARE = 0.02
"""Bins of the loaded curve nearer to an open gap, as a share of the charge, may hold samples from both sides of it."""
DEAD_V = 0.3
"""A column that never reads more is no group at work. [V] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class GroupTable:
    """Rows and side figures in the contract's form."""

    rows: list[dict[str, Any]]
    limiting_group: int | None
    capacity_if_matched_ah: float | None
    u_capacity_if_matched_ah: float | None
    spread: dict[str, Any]
    rests: list[dict[str, Any]]
    findings: list[Finding]


def group_table(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, edges: tuple[Edge, ...],
    responses: list[list[StepResponse | None]], main_edge: int | None, charges: tuple[ChargeRun, ...],
    numbers: tuple[int, ...], doubts: tuple[str, ...] = (), leak_limit_ma: float | None = None,
    ammeter: Mapping[str, float] | None = None,
) -> GroupTable:
    """Figures of every group that has readings (keys: module docstring); none where the log has no group voltages. ``numbers`` are the groups' own
    numbers, as columns without readings have been taken out of ``log``; ``doubts`` are the reasons against the headline's capacity;
    ``ammeter`` holds the shares that :func:`cycler.groupbudgets.capacity_lines` takes over from the pack's own budget.

    With an open gap in the discharge nothing that compares the groups by charge is given: the missing charge is taken off all of
    them alike, so that a group at 90 % of its siblings would come out at 80 %.
    """
    n = log.series
    rests = rest_rows(log, steps, pack.instrument.voltage_gain)
    if n == 0:
        empty = {key: None for key in ("rest_v", "full_v", "load_v", "end_v", "u_rest_v", "u_full_v", "u_load_v", "u_end_v")}
        return GroupTable([], None, None, None, empty, rests, [])
    v = log.group_voltage_v
    resolution = max(resolution_of(v[:, g]) for g in range(n))
    readings = all_finite(v.ravel(order="K"))
    level = median_of(readings) if readings.size else 0.0
    u_pair = difference_u(pack.instrument, level, resolution)
    at_rest = _rest_before(log, steps, headline)
    at_full = _at_full(log, steps, headline, charges)
    at_end = _at_end(log, steps, headline)
    at_load = _mid_load(log, flow, headline)
    own = responses[main_edge] if main_edge is not None else [None] * n
    step_a = edges[main_edge].current_step_a if main_edge is not None else 0.0
    share = edges[main_edge].current_share if main_edge is not None else 0.0
    bench = pack.instrument
    r10_lines = [budgets.resistance_lines(bench, r, share) if r else () for r in own]
    ohmic_lines = [budgets.ohmic_lines(bench, r) if r else () for r in own]
    sag_lines = [budgets.sag_lines(bench, r, -step_a) if r and step_a < 0 else () for r in own]
    r10, ohmic = (np.array([_number(value) for value in values]) for values in (
        [r.ohm[TEN] if r else None for r in own], [r.ohmic_ohm if r else None for r in own],
    ))
    u_r10, u_ohmic = (np.array([budgets.u_of(lines) for lines in each]) for each in (r10_lines, ohmic_lines))
    growth, u_growth = _growth(responses, main_edge, n)
    curves = _curves(log, steps, flow, headline)
    gapped = headline is not None and headline.unbridged_gap_s > 0
    limiting = _limiting(at_end, headline, u_pair)
    from_full = headline is not None and headline.started_full is True
    fits: tuple[GroupFit, ...] = ()
    matched = u_matched = None
    open_ah = None
    if curves is not None and n > 1 and not gapped:
        u_rest = math.sqrt(2.0) * channel_scatter_u(at_rest, voltage_reading_u(pack.instrument, level, resolution, True), resolution)
        ended_by = headline.limiting_end_group - 1 if headline is not None and headline.limiting_end_group else None
        above_full = None
        if pack.group_charge_voltage_v is not None and headline is not None and headline.start_evidence == "cv_taper":
            above_full = at_full - pack.group_charge_voltage_v

        def fitted(on: LoadedCurves) -> tuple[GroupFit, ...]:
            return fit_groups(on, at_rest, u_rest, r10, pack.group_cutoff_voltage_v, ended_by=ended_by, above_full_v=above_full, ohmic_ohm=ohmic)

        fits = fitted(curves)
        matched, u_matched = _if_matched(pack, fits, limiting, headline, curves)
        open_ah = _open_charge_ah(log, flow, headline)
    capacity, u_fit, ratio, u_ratio = _compared(fits, from_full, n)
    by_shape, u_by_shape = _shape_ratio(fits, n)
    if open_ah is not None and (shifted := _curves(log, steps, flow, headline, open_ah)) is not None:
        # Propagated by a second fit with the bridged charge off by its standard uncertainty (JCGM 100:2008, 5.1.3, note 2; from memory).
        off_fits = fitted(shifted)
        off_capacity, _, off_ratio, _ = _compared(off_fits, from_full, n)
        more = replace(headline, net_ah=headline.net_ah + float(open_ah[-1]))
        off_matched, _ = _if_matched(pack, off_fits, limiting, more, shifted)
        u_fit, u_ratio = np.hypot(u_fit, off_capacity - capacity), np.hypot(u_ratio, off_ratio - ratio)
        fits = tuple(_widened(fit, off) for fit, off in zip(fits, off_fits, strict=True))
        u_matched = None if matched is None or off_matched is None else math.hypot(u_matched, off_matched - matched)
        matched = None if u_matched is None else matched
    capacity_lines = [
        budgets.capacity_lines(fits[g] if fits else None, float(u_fit[g]), float(capacity[g]), ammeter or {}) for g in range(n)
    ]
    to_charge = own_curves(log, pack, steps, flow, headline, charges, _before_gap(curves, flow, steps, headline), r10, at_rest)
    leaks = leak_rows(log, pack, steps, to_charge, leak_limit_ma)
    # With a rating that the pack cannot have outdone, shares are told by what the log itself shows.
    rated = None if "capacity_above_rating" in doubts else pack.rated_capacity_ah
    typical = rated or (headline.net_ah if headline is not None and not gapped else None)
    if np.any(np.isfinite(capacity)):
        typical = float(np.nanmedian(capacity))
    # A reversed group is no sibling to be measured by.
    others_end = np.array([_median(np.delete(np.where(at_end < 0, np.nan, at_end), g)) for g in range(n)])
    limits = pack.limits
    u_reading = voltage_reading_u(pack.instrument, level, resolution, True)
    u_share = math.sqrt(sum(share**2 for share in (ammeter or {}).values()))

    def with_ammeter(u: float | None, value: float | None) -> float | None:
        return u if u is None or value is None else math.hypot(u, u_share * value)

    rows: list[dict[str, Any]] = []
    found: list[Any] = []
    for g in range(n):
        column = all_finite(v[:, g])
        inner_low, inner_high = _lasting_extremes(_without_joint_drop(log, ohmic, g))
        fit = fits[g] if fits else None
        lag, u_lag = (fit.lag_ah, fit.u_lag_ah) if fit else (None, None)
        # Below full is what the lag against the fuller siblings means only if those were full.
        known_full = headline is None or headline.started_full is not False
        deficit = None if lag is None or not known_full else max(lag, 0.0) + 0.0
        others = np.arange(n) != g
        figures = GroupFigures(
            group=numbers[g],
            capacity_ratio=_known(ratio[g]), u_capacity_ratio=_known(u_ratio[g]), shape_ratio=_known(by_shape[g]), u_shape_ratio=_known(u_by_shape[g]), capacity_ah=_known(capacity[g]),
            start_deficit_ah=None if lag is None else max(lag, 0.0), u_start_deficit_ah=u_lag,
            resistance_10s_ohm=_known(r10[g]), u_resistance_10s_ohm=_known(u_r10[g]), siblings_10s_ohm=_positive(_median(r10[others])),
            ohmic_ohm=_known(ohmic[g]), u_ohmic_ohm=_known(u_ohmic[g]), siblings_ohmic_ohm=_positive(_median(ohmic[others])),
            growth_ohm=_known(growth[g]), u_growth_ohm=_known(u_growth[g]), siblings_growth_ohm=_positive(_median(growth[others])),
            rest_behind_v=_known(_median(at_rest[others]) - at_rest[g]),
            self_discharge_ma=leaks[g]["self_discharge_ma"], u_self_discharge_ma=leaks[g]["u_self_discharge_ma"],
            min_voltage_v=inner_low, max_voltage_v=inner_high,
        )
        diagnosed = diagnose_group(
            figures, typical, limits.damage_v if limits else None, limits.overcharge_v if limits else None,
            rated, u_reading,
        )
        found += diagnosed
        rows.append(
            {
                "group": numbers[g], "name": _column_name(log, numbers[g]),
                "rest_voltage_v": _known(at_rest[g]), "u_rest_voltage_v": u_reading if np.isfinite(at_rest[g]) else None,
                "full_voltage_v": _known(at_full[g]), "end_voltage_v": _known(at_end[g]), "u_end_voltage_v": u_reading if np.isfinite(at_end[g]) else None,
                "min_voltage_v": float(np.min(column)) if column.size else None,
                "max_voltage_v": float(np.max(column)) if column.size else None,
                "sag_10s_v": own[g].drop_10s_v if sag_lines[g] else None, "u_sag_10s_v": _known(budgets.u_of(sag_lines[g])),
                "sag_end_v": _known(others_end[g] - at_end[g]), "u_sag_end_v": u_pair if np.isfinite(others_end[g] - at_end[g]) else None,
                "resistance_10s_ohm": _known(r10[g]), "u_resistance_10s_ohm": _known(u_r10[g]),
                "ohmic_ohm": _known(ohmic[g]), "u_ohmic_ohm": _known(u_ohmic[g]),
                "capacity_ah": _known(capacity[g]), "u_capacity_ah": _known(budgets.u_of(capacity_lines[g])),
                "capacity_is_estimate": not (fit is not None and fit.reached_cutoff),
                "capacity_ratio": _known(ratio[g]), "u_capacity_ratio": _known(u_ratio[g]),
                "charge_to_cutoff_ah": fit.to_cutoff_ah if fit else None,
                "u_charge_to_cutoff_ah": with_ammeter(fit.u_to_cutoff_ah, fit.to_cutoff_ah) if fit else None,
                "start_deficit_ah": deficit, "u_start_deficit_ah": with_ammeter(u_lag, lag) if deficit is not None else None,
                "lag_to_siblings_ah": lag, "u_lag_to_siblings_ah": with_ammeter(u_lag, lag),
                **leaks[g],
                "capacity_reasons": [] if np.isfinite(capacity[g]) else _no_capacity_why(headline, curves, gapped, from_full, n, pack, fit),
                "resistance_reasons": [] if np.isfinite(r10[g]) else ["sampling_too_coarse" if edges else "no_load_step"],
                "budgets": {
                    "resistance_10s_ohm": budgets.listed(r10_lines[g]), "ohmic_ohm": budgets.listed(ohmic_lines[g]),
                    "sag_10s_v": budgets.listed(sag_lines[g]), "capacity_ah": budgets.listed(capacity_lines[g]),
                    "self_discharge_ma": budgets.listed(budgets.leak_lines(leaks[g])),
                },
                "findings": [f.code for f in diagnosed],
            }
        )
    at = {"rest_v": at_rest, "full_v": at_full, "load_v": at_load, "end_v": at_end}
    u_channel = channel_range_u(at_rest, u_reading, resolution)
    spreads = {key: spread(values) for key, values in at.items()}
    spreads |= {f"u_{key}": spread_u(u_channel, int(np.count_nonzero(np.isfinite(values)))) for key, values in at.items()}
    whole = pack.series is None or pack.series == n
    named = limiting is not None and (whole or (headline is not None and headline.end_reason == "group_cutoff"))
    return GroupTable(
        rows, numbers[limiting - 1] if named else None, matched if whole else None, with_ammeter(u_matched, matched) if whole else None, spreads, rests,
        found,
    )


def _compared(fits: tuple[GroupFit, ...], from_full: bool, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Capacity [Ah] with its standard uncertainty, and ratio to the siblings with its own; all NaN without fits. Shapes (n,)."""
    nothing = np.full(n, np.nan)
    if not fits:
        return nothing, nothing, nothing, nothing
    if from_full:
        capacity, u = (np.array([_number(getattr(fit, name)) for fit in fits]) for name in ("capacity_ah", "u_capacity_ah"))
        return capacity, u, against_siblings(capacity), _ratio_u(capacity, u)
    # Not from full: how much each group holds is unknown, but not how it compares with the others.
    return nothing, nothing, *_shape_ratio(fits, n)


def _no_capacity_why(
    headline: Discharge | None, curves: LoadedCurves | None, gapped: bool, from_full: bool, n: int, pack: Pack, fit: GroupFit | None
) -> list[str]:
    """Reason codes for a group's capacity that is not given; the first thing that is wanting decides."""
    checks = (
        (headline is None, "no_discharge"), (gapped, "log_gap"), (n < 2, "too_few_siblings"), (curves is None, "readings_too_few"),
        (not from_full, "not_full_at_start"), (pack.group_cutoff_voltage_v is None, "cutoff_unknown"),
        (fit is None or fit.to_cutoff_ah is None, "cutoff_not_reached"),
    )
    return [next((code for wanting, code in checks if wanting), "not_measured")]


def _shape_ratio(fits: tuple[GroupFit, ...], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Each group's capacity over that of its siblings by the shape of the curves alone, which no drop over a joint changes, and its standard
    uncertainty. Shapes (n,)."""
    if not fits:
        return np.full(n, np.nan), np.full(n, np.nan)
    scale = np.array([fit.scale if fit.to_cutoff_ah is not None else np.nan for fit in fits])
    return against_siblings(scale), _ratio_u(scale, np.array([fit.u_scale for fit in fits]))


def _open_charge_ah(log: Log, flow: Flow, headline: Discharge) -> np.ndarray | None:
    """Standard uncertainty that what stands for missing currents (counters, straight lines) leaves in the charge taken up to each row,
    shape (n,) [Ah]; the errors add up, as those of one counter do. None where it is negligible.
    """
    per_row = np.zeros(log.rows)
    within = (log.time_s > headline.load_on_s) & (log.time_s <= headline.end_s)
    for k, bridged_ah, half_ah in flow.bridged:
        per_row[k + 1] += math.hypot(rectangular(half_ah), rectangular(COUNTER_SHARE * bridged_ah))
    for _, after, half_ah in flow.missing:
        per_row[after] += rectangular(half_ah)
    running = np.cumsum(np.where(within, per_row, 0.0))
    return running if running[-1] > NEGLIGIBLE_SHARE * abs(headline.net_ah) else None


def _widened(fit: GroupFit, off: GroupFit) -> GroupFit:
    """The fit with its distance to another one joined to its uncertainties."""

    def u(name: str) -> float | None:
        value, other, own = getattr(fit, name), getattr(off, name), getattr(fit, f"u_{name}")
        return own if None in (value, other, own) else math.hypot(own, other - value)

    return replace(fit, u_to_cutoff_ah=u("to_cutoff_ah"), u_lag_ah=u("lag_ah"), u_capacity_ah=u("capacity_ah"), u_scale=u("scale"))


def _before_gap(curves: LoadedCurves | None, flow: Flow, steps: tuple[Step, ...], headline: Discharge | None) -> LoadedCurves | None:
    """The loaded curves up to the first open gap of the discharge; None if too little is left."""
    if curves is None or headline is None or not headline.unbridged_gap_s:
        return curves
    origin, last = max(steps[headline.steps[0]].first - 1, 0), steps[headline.steps[-1]].last
    at_ah = [flow.running_ah[origin] - flow.running_ah[k] for k, *_ in flow.open_gaps if origin <= k < last]
    first = min(at_ah, default=0.0)
    keep = curves.charge_ah < first - BESIDE_GAP_SHARE * curves.charge_ah[-1]
    if np.count_nonzero(keep) < 12:
        return None
    return replace(curves, charge_ah=curves.charge_ah[keep], voltage_v=curves.voltage_v[keep])


def curves_to_gap(log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None) -> LoadedCurves | None:
    """Loaded group curves over a discharge, up to its first open gap; None where they say too little."""
    return _before_gap(_curves(log, steps, flow, headline), flow, steps, headline)


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _positive(value: float) -> float | None:
    """The value if it is above zero, else not known: no ratio can be taken to a resistance of zero."""
    return float(value) if np.isfinite(value) and value > 0 else None


def _median(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else np.nan


def _column_name(log: Log, group: int) -> str:
    return next((c.name for c in log.reading.columns if c.group == group and c.role in ("group_voltage", "tap_voltage")), f"group {group}")


def _without_joint_drop(log: Log, ohmic: np.ndarray, g: int) -> np.ndarray:
    """Voltage of group index ``g`` less the drop over a bad joint inside the tap's span, where the ohmic part shows one. [V]

    What cells are held against is their own voltage: 30 mOhm of joint read 150 mV more than the cells at 5 A. Shape (n,).
    """
    column, usual = log.group_voltage_v[:, g], _median(ohmic)
    if np.isfinite(usual) and ohmic[g] > 1.3 * usual:
        return column - np.nan_to_num(log.current_a) * (ohmic[g] - usual)
    return column


def _lasting_extremes(column: np.ndarray) -> tuple[float | None, float | None]:
    """Lowest and highest reading that held for three samples, so that one spike is no danger finding. [V]"""
    finite = all_finite(column)
    if finite.size == 0:
        return None, None
    lasting = medians_of_three(finite) if finite.size >= 3 else finite
    return float(np.min(lasting)), float(np.max(lasting))


def pack_voltage_findings(log: Log, pack: Pack) -> list[Finding]:
    """Over- and under-voltage where no group was logged: the mean of the groups beyond a limit means that at least one of them is. Only where it is sure."""
    limits, n = pack.limits, pack.series
    if log.series or limits is None or not n or not np.any(np.isfinite(log.voltage_v)):
        return []
    low, high = (extreme / n for extreme in _lasting_extremes(log.voltage_v))
    leads_v = float(np.nanmax(np.abs(log.current_a))) * pack.instrument.lead_resistance_ohm
    expanded = (SIGNIFICANT * voltage_reading_u(pack.instrument, high * n, 0.0, group=False) + leads_v) / n
    out = []
    if high - expanded > limits.overcharge_v:
        out.append(
            Finding(
                "group_overvoltage", "danger", f"The groups were charged to {high:.3f} ± {expanded:.3f} V on average, above {limits.overcharge_v:.2f} V: "
                "stop charging this pack, fire hazard.", f"highest reading of the pack {high * n:.2f} V, {n} groups",
            )
        )
    if low + expanded < limits.damage_v:
        out.append(
            Finding(
                "group_undervoltage", "danger", f"The groups were driven down to {low:.3f} ± {expanded:.3f} V on average, below the "
                f"{limits.damage_v:.2f} V at which cells take damage: do not charge the pack unattended, have it examined.",
                f"lowest reading of the pack {low * n:.2f} V, {n} groups",
            )
        )
    return out


def _rest_before(log: Log, steps: tuple[Step, ...], headline: Discharge | None) -> np.ndarray:
    """Group voltages at rest just before the discharge: median of the last samples of that rest. [V]"""
    nothing = np.full(log.series, np.nan)
    if headline is None:
        rests = [s for s in steps if s.kind == "rest"]
        rest = max(rests, key=lambda s: log.time_s[s.last] - log.time_s[s.first], default=None)
    else:
        first = steps[headline.steps[0]]
        rest = steps[first.index - 1] if first.index and steps[first.index - 1].kind == "rest" else None
    if rest is None:
        return nothing
    rows = log.group_voltage_v[max(rest.first, rest.last - REST_WINDOW + 1) : rest.last + 1]
    return _column_median(rows)


def _column_median(rows: np.ndarray) -> np.ndarray:
    """Median of each column over its finite readings, NaN where there are none."""
    return np.array([_median(rows[:, g]) for g in range(rows.shape[1])])


def _at_full(log: Log, steps: tuple[Step, ...], headline: Discharge | None, charges: tuple[ChargeRun, ...]) -> np.ndarray:
    """Group voltages at the end of the charge that preceded the discharge (or of the last one). [V]"""
    before = [c for c in charges if headline is None or c.end_s <= headline.load_on_s + 1e-6]
    if not before:
        return np.full(log.series, np.nan)
    last = steps[before[-1].steps[-1]]
    return _column_median(log.group_voltage_v[max(last.first, last.last - 2) : last.last + 1])


def _at_time(log: Log, at_s: float) -> np.ndarray:
    """Group voltages at an instant, interpolated between the samples around it. [V]"""
    k = int(np.searchsorted(log.time_s, at_s, side="left"))
    k = min(max(k, 0), log.rows - 1)
    if k == 0 or log.time_s[k] <= at_s:
        return log.group_voltage_v[k].copy()
    share = (at_s - log.time_s[k - 1]) / (log.time_s[k] - log.time_s[k - 1])
    return (1.0 - share) * log.group_voltage_v[k - 1] + share * log.group_voltage_v[k]


def _at_end(log: Log, steps: tuple[Step, ...], headline: Discharge | None) -> np.ndarray:
    """Group voltages at the end of the discharge, under load: never past its last loaded row. [V]"""
    if headline is None:
        return np.full(log.series, np.nan)
    return _at_time(log, min(headline.end_s, float(log.time_s[steps[headline.steps[-1]].last])))


def _mid_load(log: Log, flow: Flow, headline: Discharge | None) -> np.ndarray:
    """Group voltages half-way through the discharge; at the nearest row where that falls into a gap. [V]"""
    if headline is None:
        return np.full(log.series, np.nan)
    at_s = 0.5 * (headline.load_on_s + headline.end_s)
    k = int(np.searchsorted(log.time_s, at_s, side="left"))
    if any(gap[0] == k - 1 for gap in (*flow.open_gaps, *flow.bridged)):
        at_s = float(min(log.time_s[k - 1], log.time_s[k], key=lambda t: abs(t - at_s)))
    return _at_time(log, at_s)


def _growth(
    responses: list[list[StepResponse | None]], main_edge: int | None, n: int
) -> tuple[np.ndarray, np.ndarray]:
    """What each group's resistance adds from 10 s to 30 s after the main edge: polarisation without the ohmic part. [ohm]"""
    growth, u = np.full(n, np.nan), np.full(n, np.nan)
    if main_edge is None:
        return growth, u
    thirty = AFTER_S.index(30.0)
    for g, response in enumerate(responses[main_edge]):
        if response is not None and response.ohm[TEN] is not None and response.ohm[thirty] is not None:
            growth[g] = response.ohm[thirty] - response.ohm[TEN]
            u[g] = math.hypot(response.u_after_ohm[TEN], response.u_after_ohm[thirty], response.u_instant_ohm[TEN])
    return growth, u


def _curves(
    log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, more_ah: np.ndarray | None = None
) -> LoadedCurves | None:
    """Loaded group curves over the headline discharge up to its end; ``more_ah``, shape (n,), is added to the charge taken up to each row."""
    if headline is None or log.series == 0:
        return None
    main = steps[headline.main_step]
    first = steps[headline.steps[0]].first
    last = min(steps[headline.steps[-1]].last, int(np.searchsorted(log.time_s, headline.end_s, side="right")))
    last = max(last, first + 1)
    part = slice(first, min(last + 1, log.rows))
    removed = flow.running_ah[max(first - 1, 0)] - flow.running_ah[part]
    if more_ah is not None:
        removed = removed + more_ah[part]
    removed = np.maximum.accumulate(removed)
    return loaded_curves(removed, log.group_voltage_v[part], log.current_a[part], main.level_a)


LIMITING_MARGIN_V = 0.05


def _limiting(at_end: np.ndarray, headline: Discharge | None, u_pair_v: float) -> int | None:
    """The group that stands lowest at the end of the discharge (1..), None without a discharge or group voltages.

    Where the discharge was stopped before any cut-off, a group is named only if it lies below the next by more than
    ``LIMITING_MARGIN_V`` (common practice, no source) and the uncertainty of their difference.
    """
    if headline is None or at_end.size < 2 or np.count_nonzero(np.isfinite(at_end)) < 2:
        return None
    lowest = int(np.nanargmin(at_end))
    margin = float(np.nanmin(np.delete(at_end, lowest)) - at_end[lowest])
    ended = headline.end_reason in ("pack_cutoff", "group_cutoff", "protection_trip")
    if not ended and margin <= max(LIMITING_MARGIN_V, 2.0 * u_pair_v):
        return None
    return lowest + 1


def _ratio_u(capacity: np.ndarray, u_fit: np.ndarray) -> np.ndarray:
    """Standard uncertainty of each capacity over the median of its siblings; the ammeter's gain cancels."""
    out = np.full(capacity.shape, np.nan)
    for g in range(capacity.size):
        others = np.delete(capacity, g)
        u_others = np.delete(u_fit, g)
        good = np.isfinite(others) & np.isfinite(u_others)
        if np.count_nonzero(good) < 2 or not np.isfinite(capacity[g]):
            continue
        middle = float(np.median(others[good]))
        # Sibling estimates share the reference curve, so their errors are not averaged down.
        u_middle = float(np.median(u_others[good]))
        out[g] = capacity[g] / middle * math.hypot(u_fit[g] / capacity[g], u_middle / middle)
    return out


def _if_matched(
    pack: Pack, fits: tuple[GroupFit, ...], limiting: int | None, headline: Discharge | None, curves: LoadedCurves | None
) -> tuple[float | None, float | None]:
    """What the pack would give if the limiting group were like the median of the others, and its standard uncertainty. [Ah]

    The next group then ends the discharge, if the pack does not reach its own cut-off first: the pack's loaded curve with the
    limiting group's voltage replaced by the siblings' median, to its cut-off, is the other bound where it is reached in the log.
    """
    if limiting is None or headline is None or headline.started_full is False or not fits or curves is None:
        return None, None
    others = [fit for g, fit in enumerate(fits) if g != limiting - 1]
    if not others or any(fit.to_cutoff_ah is None for fit in others):
        return None, None
    next_one = min(others, key=lambda fit: fit.to_cutoff_ah)
    matched, u = float(next_one.to_cutoff_ah), float(next_one.u_to_cutoff_ah)
    if pack.cutoff_voltage_v is not None:
        siblings = np.delete(curves.voltage_v, limiting - 1, axis=1)
        imagined = siblings.sum(axis=1) + np.median(siblings, axis=1)
        found = crossing(curves.charge_ah, imagined, pack.cutoff_voltage_v)
        if found and found[1] < matched:
            matched, u = found[1], 0.002 * found[1]
    return max(matched, headline.net_ah), u


def unusable_groups(log: Log) -> dict[int, Finding]:
    """Groups (1..) whose column says nothing about them, with the finding that tells so.

    No readings in half of the rows or more; 0 V all through; or the very same reading all through while the others moved by
    more than 50 mV (common practice, no source).
    """
    found: dict[int, Finding] = {}
    v = log.group_voltage_v
    if log.series == 0 or log.rows < 2:
        return found
    columns = [all_finite(column) for column in v.T]
    lowest, highest = ([float(extreme(column)) if column.size else 0.0 for column in columns] for extreme in (np.min, np.max))
    moved = [high - low for low, high in zip(lowest, highest, strict=True)]
    for g, column in enumerate(columns):
        others = [m for k, m in enumerate(moved) if k != g]
        if column.size <= 0.5 * log.rows:
            found[g + 1] = Finding(
                "group_not_logged", "caution",
                f"Group {g + 1} is not in the log: nothing can be said about it. Log the voltage of this group too.",
                f"{column.size} of {log.rows} rows have a reading", group=g + 1,
            )
        elif max(-lowest[g], highest[g]) < DEAD_V:
            found[g + 1] = Finding(
                "group_reading_dead", "defect",
                f"Group {g + 1} reads {float(np.median(column)):.2f} V all through: its tap lead is off or the group is dead. Measure it by "
                "hand before charging.", f"highest reading {float(np.max(column)):.3f} V", group=g + 1,
            )
        elif column.size > 5 and moved[g] == 0.0 and others and float(np.median(others)) > 0.05:
            found[g + 1] = Finding(
                "group_reading_frozen", "caution",
                f"Group {g + 1} reads {float(column[0]):.3f} V in every row while the others move: a frozen reading, not counted.",
                "no change in any row", group=g + 1,
            )
    return found
