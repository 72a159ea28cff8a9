"""Rests of a log in the contract's form: relaxation and drift of the pack, and self-discharge of every group.

Reasons why a group's self-discharge is not given (``self_discharge_reasons``): ``rest_too_short`` (no rest of ``rest.DRIFT_MIN_S``),
``too_few_siblings`` (fewer than three groups), ``readings_too_few``, ``no_discharge_curve`` (nothing turns voltage into charge),
``log_gap`` (the curve ends at a gap before it reaches the rest voltage), ``outside_curve``, ``plateau_flat`` (the curve is too flat there: a capacity test
must tell), ``slope_vague``, ``balancer_possible`` (a group that stood above its siblings at the top of charge and only came down to them).
Beside a figure: ``balancer_stopped`` (it fell for a while and then stopped; only what came after counts), ``slope_coarse`` (only the loaded
curve gives the slope).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.averaging import scatter_of
from cycler.log import Log
from cycler.measures import leakage
from cycler.measures import rest as resting
from cycler.measures.capacity import ChargeRun, Discharge, Flow
from cycler.measures.groups import LoadedCurves, loaded_curves
from cycler.pack import Pack
from cycler.signals import resolution_of
from cycler.steps import Step, pack_voltage
from cycler.uncertainty import difference_u, rectangular

TOP_OF_CHARGE_V = 0.06
"""How far below its charge voltage a group at rest still stands where balancers work. [V] Common practice, no source."""
BLEED_MIN_MA = 10.0
"""Least current of a balancer; 50 to 100 mA are usual. Common practice, no source. [mA]"""
STATED_LEAK_MA = 1.0
"""Leak that ``shortest_rest_h_for_1ma`` speaks of. [mA]"""
SHOWN_AT = 2.0
"""Coverage factor at which a leak counts as shown."""
REST_MAX_H = 24.0 * 90
"""Longest rest that is worth naming: beyond it a capacity test tells more. [h] Common practice, no source."""
SETTLED_MV_PER_H = 1.0
"""Drift of a pack below which its rest counts as settled whatever the uncertainty. Common practice, no source. [mV/h]"""
USUAL_SAMPLING_S = 60.0

LEAK_KEYS = (
    "self_discharge_ma", "u_self_discharge_ma", "self_discharge_reasons", "self_discharge_step", "drift_to_siblings_mv_per_h",
    "u_drift_to_siblings_mv_per_h", "slope_at_rest_v_per_ah", "u_slope_at_rest_v_per_ah", "slope_at_rest_source",
    "smallest_leak_shown_ma", "shortest_rest_h_for_1ma", "self_discharge_limit_ma", "shortest_rest_h_for_limit",
)
"""Keys of a row of the group table that are made here, ``u_x`` the standard uncertainty of ``x``. "The rest" is the longest of the log.

``self_discharge_ma``: ``drift_to_siblings_mv_per_h`` over ``slope_at_rest_v_per_ah``, positive = losing more than the siblings that drift alike. [mA]
``self_discharge_reasons``: why it is None, or doubts of it (module docstring); ``self_discharge_step``: index of the rest.
``drift_to_siblings_mv_per_h``: lasting slope past the head of the rest (its first third, at most ``rest.SETTLE_S``). [mV/h]
``slope_at_rest_v_per_ah``: open-circuit voltage per charge at the group's median voltage past that head; ``slope_at_rest_source`` the curves it came from. [V/Ah]
``smallest_leak_shown_ma``: leak that would stand out of the uncertainty of this rest at k = ``SHOWN_AT``. [mA]
``shortest_rest_h_for_1ma``, ``shortest_rest_h_for_limit``: rest after which a leak of ``STATED_LEAK_MA``, or of ``self_discharge_limit_ma`` of the criteria [mA], would;
None beyond ``REST_MAX_H``. Reckoned from scatter, step and sampling of this log. [h]
"""


@dataclass(frozen=True, slots=True, eq=False)
class OwnCurves:
    """What turns a group's voltage into charge: its curves under load, resistance and the rest before the load.

    ``discharge`` and ``charge`` lie on one axis of charge taken out since the load came on; ``ohm_10s`` and ``rest_before_v`` have shape (series,),
    NaN where unknown; ``gapped`` tells that the discharge curve ends at a gap; ``u_gain`` is the ammeter's relative standard uncertainty.
    """

    discharge: LoadedCurves | None
    charge: LoadedCurves | None
    ohm_10s: np.ndarray
    rest_before_v: np.ndarray
    gapped: bool
    u_gain: float
    capacity_ah: float | None

    def slope(self, g: int, at_v: float, u_voltage_v: float) -> tuple[leakage.OpenCircuitSlope | None, tuple[str, ...]]:
        """Slope of group index ``g`` at a voltage at rest with the ammeter's gain in its uncertainty, and the reasons against it."""
        if self.discharge is None:
            return None, ("log_gap",) if self.gapped else ("no_discharge_curve",)
        curve = leakage.Curve(self.discharge.charge_ah, self.discharge.voltage_v[:, g], self.discharge.current_a)
        charge = None if self.charge is None else leakage.Curve(self.charge.charge_ah, self.charge.voltage_v[:, g], self.charge.current_a)
        found = leakage.open_circuit_slope(
            at_v, curve, charge, _known(self.ohm_10s[g]), _known(self.rest_before_v[g]), u_voltage_v
        )
        if found is None:
            return None, ("log_gap",) if self.gapped else ("outside_curve",)
        slope = found.v_per_ah
        found = leakage.OpenCircuitSlope(slope, float(np.hypot(found.u_v_per_ah, self.u_gain * slope)), found.source)
        vague = found.u_v_per_ah > leakage.VAGUE_SHARE * slope
        if vague and found.source == "rest_and_discharge":
            return found, ("slope_vague",)
        if self.capacity_ah and 10.0 * (slope - found.u_v_per_ah) * self.capacity_ah < leakage.FLAT_MV_PER_PERCENT:
            return found, ("plateau_flat",)
        return found, ("slope_vague",) if vague else ()


def own_curves(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, charges: tuple[ChargeRun, ...],
    discharge: LoadedCurves | None, ohm_10s: np.ndarray, rest_before_v: np.ndarray,
) -> OwnCurves:
    """Curves of all groups over one axis of charge; the charge curve from the charge next to the discharge that shares more of it."""
    gapped = headline is not None and headline.unbridged_gap_s > 0
    charge = None
    if headline is not None and discharge is not None:
        found = [c for run in charges if (c := _charge_curve(log, steps, flow, headline, run)) is not None]
        charge = max(found, key=lambda c: min(c.charge_ah[-1], discharge.charge_ah[-1]) - max(c.charge_ah[0], discharge.charge_ah[0]), default=None)
    at_load = rest_before_v if headline is not None else np.full(log.series, np.nan)
    rated = pack.rated_capacity_ah or (headline.net_ah if headline is not None else None)
    return OwnCurves(discharge, charge, ohm_10s, at_load, gapped, rectangular(pack.instrument.current_gain), rated)


def _charge_curve(log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge, run: ChargeRun) -> LoadedCurves | None:
    """Group voltages over the longest constant-current part of a charge, against charge taken out since the load of ``headline`` came on.

    None where an open gap lies between the two, or another discharge.
    """
    part = [steps[k] for k in run.steps if steps[k].kind in ("charge_cc", "charge")]
    if not part:
        return None
    step = max(part, key=lambda s: s.last - s.first)
    origin = max(steps[headline.steps[0]].first - 1, 0)
    low, high = sorted((step.first, origin))
    if any(low <= k < high for k, *_ in flow.open_gaps):
        return None
    begin = max(step.first - 1, 0)
    given = np.maximum.accumulate(flow.running_ah[step.slice] - flow.running_ah[begin])
    curves = loaded_curves(given, log.group_voltage_v[step.slice], log.current_a[step.slice], step.level_a)
    if curves is None:
        return None
    out = flow.running_ah[origin] - flow.running_ah[begin] - curves.charge_ah
    return LoadedCurves(out[::-1], curves.voltage_v[::-1], curves.current_a, curves.resolution_v)


def leak_rows(
    log: Log, pack: Pack, steps: tuple[Step, ...], curves: OwnCurves, limit_ma: float | None = None
) -> list[dict[str, Any]]:
    """Self-discharge of each group above its siblings, over the longest rest, with what limits it (keys: ``LEAK_KEYS``).

    What is measured: the lasting fall of the group's voltage against the mean of those siblings that drift alike (slopes within three scaled
    median absolute deviations of their median: :func:`cycler.measures.rest.group_drifts`) past the head of the rest, divided by the slope of the group's own open-circuit curve at that voltage
    (:func:`cycler.measures.leakage.open_circuit_slope`). [mA], positive = losing more than its siblings. What all groups lose alike is not seen.

    Parameters
    ----------
    limit_ma : float, optional
        Leak that the criteria allow, for the shortest rest that could show it. [mA]
    """
    n = log.series
    rests = [s for s in steps if s.kind == "rest"]
    longest = max(rests, key=lambda s: _length(log, s), default=None)
    lines: tuple[resting.Drift | None, ...] = (None,) * n
    at_rest, resolution, reason = curves.rest_before_v, 0.0, "rest_too_short"
    long_enough = longest is not None and _length(log, longest) >= resting.DRIFT_MIN_S
    tail = np.zeros(log.rows, dtype=bool)
    top = False
    if longest is not None:
        tail[longest.slice] = resting.settled(log.time_s[longest.slice])
        at_rest = _column_median(log.group_voltage_v[tail])
        resolution = max(resolution_of(log.group_voltage_v[longest.slice, g]) for g in range(n))
        top = _at_top(pack, _column_median(log.group_voltage_v[longest.slice][:5]))
        if long_enough and n >= 3:
            lines = resting.group_drifts(log.time_s[longest.slice], log.group_voltage_v[longest.slice], resolution, top)
            reason = "readings_too_few"
        elif n < 3:
            reason = "too_few_siblings"
    u_pair = difference_u(pack.instrument, float(np.nanmedian(at_rest)) if np.any(np.isfinite(at_rest)) else 0.0, resolution)
    rows = []
    for g, line in enumerate(lines):
        row: dict[str, Any] = dict.fromkeys(LEAK_KEYS) | {"self_discharge_limit_ma": limit_ma}
        reasons: list[str] = []
        slope = None
        if np.isfinite(at_rest[g]):
            slope, why = curves.slope(g, float(at_rest[g]), resolution / np.sqrt(12.0))
            reasons += why
        else:
            reasons.append("readings_too_few")
        blind = bool(reasons)
        if slope is not None:
            row |= {"slope_at_rest_v_per_ah": slope.v_per_ah, "u_slope_at_rest_v_per_ah": slope.u_v_per_ah, "slope_at_rest_source": slope.source}
        if slope is not None and not blind:
            share = slope.u_v_per_ah / slope.v_per_ah
            column = log.group_voltage_v[tail, g]
            row["shortest_rest_h_for_1ma"] = _shortest_rest_h(STATED_LEAK_MA, slope.v_per_ah, share, log, tail, column, resolution, line)
            if limit_ma is not None:
                row["shortest_rest_h_for_limit"] = _shortest_rest_h(limit_ma, slope.v_per_ah, share, log, tail, column, resolution, line)
        if line is None:
            reasons.insert(0, reason)
        else:
            row |= {
                "self_discharge_step": longest.index,
                "drift_to_siblings_mv_per_h": 3.6e6 * line.slope, "u_drift_to_siblings_mv_per_h": 3.6e6 * line.u_slope,
            }
        if line is not None and slope is not None and not blind:
            leak = leakage.leak_current_ma(line.slope, slope.v_per_ah)
            row["smallest_leak_shown_ma"] = leakage.smallest_leak_ma(line.u_slope, slope.v_per_ah, share, SHOWN_AT)
            if line.bent_at_s is not None:
                reasons.append("balancer_stopped")
            if slope.source == "loaded_curve":
                reasons.append("slope_coarse")
            u_leak = leakage.leak_u_ma(line.slope, line.u_slope, slope.v_per_ah, share)
            if top and leak >= max(BLEED_MIN_MA, SHOWN_AT * u_leak) and _above_siblings(log, longest, g, u_pair):
                reasons.append("balancer_possible")
            else:
                row |= {"self_discharge_ma": leak, "u_self_discharge_ma": u_leak}
        row["self_discharge_reasons"] = reasons
        rows.append(row)
    return rows


def _shortest_rest_h(
    leak_ma: float, slope_v_per_ah: float, slope_share: float, log: Log, tail: np.ndarray, column: np.ndarray, resolution: float,
    line: resting.Drift | None,
) -> float | None:
    """Shortest rest after which ``leak_ma`` would be larger than ``SHOWN_AT`` times its uncertainty; None beyond ``REST_MAX_H``. [h]

    From the scatter, resolution and sampling of the readings at rest; where a rest was long enough, no better than what it showed, its
    uncertainty shrinking with the time past the head.
    """
    if SHOWN_AT * slope_share >= 1.0 or leak_ma <= 0:
        return None
    allowed = leak_ma * slope_v_per_ah / 3.6e6 * np.sqrt(1.0 / SHOWN_AT**2 - slope_share**2)
    sampling = float(np.median(np.diff(log.time_s[tail]))) if np.count_nonzero(tail) > 2 else USUAL_SAMPLING_S
    finite = column[np.isfinite(column)]
    noise = float(np.std(np.diff(finite))) / np.sqrt(2.0) if finite.size > 5 else resolution
    dithered = resting.rounding_share(column, resolution) == resting.DITHERED_SHARE
    hours = np.geomspace(resting.DRIFT_MIN_S / 3600.0, REST_MAX_H, 400)
    for h in hours:
        u = resting.expected_drift_u(3600.0 * h, max(sampling, 1.0), noise, resolution, dithered, log.series - 1)
        if line is not None:
            u = max(u, line.u_slope * line.span_s / (3600.0 * h - resting.head_s(3600.0 * h)))
        if u <= allowed:
            return float(h)
    return None


def _at_top(pack: Pack, at_start_v: np.ndarray) -> bool:
    """Whether a rest began where balancers work: the highest group within ``TOP_OF_CHARGE_V`` of its charge voltage."""
    full = pack.group_charge_voltage_v or (pack.limits.full_v if pack.limits else None)
    if full is None or not np.any(np.isfinite(at_start_v)):
        return False
    return float(np.nanmax(at_start_v)) >= full - TOP_OF_CHARGE_V


def _above_siblings(log: Log, rest: Step, g: int, u_pair_v: float) -> bool:
    """Whether a group still stands no lower than its siblings at the end of a rest, as far as its channel can tell."""
    end = _column_median(log.group_voltage_v[max(rest.first, rest.last - 4) : rest.last + 1])
    others = np.delete(end, g)
    others = others[np.isfinite(others)]
    return bool(others.size) and float(end[g] - np.median(others)) >= -SHOWN_AT * u_pair_v


def rest_rows(log: Log, steps: tuple[Step, ...], voltage_gain: float = 0.0) -> list[dict[str, Any]]:
    """The contract's ``rest`` list: what each rest of the pack relaxed by and how fast it still drifts.

    ``drift_mv_per_h``: lasting slope of the pack voltage past the head (:func:`cycler.measures.rest.drift`), temperature included. [mV/h]
    ``relaxation_mv``: change from the first reading at rest to the median of the last three (:func:`cycler.measures.rest.change_at_rest`) less that
    drift over the time of the rest; the whole change where no drift is given. What the voltage did before the first reading, up to one row after
    the current went off, is not in it. Positive = upwards. [mV]
    ``u_...``: noise and rounding of the readings used, of a drift also what the fading part leaves open; and ``voltage_gain``, the limit of
    error of the voltmeter's gain (fraction of reading; its zero cancels).
    ``verdict``: ``rest_too_short`` (or no readings), ``relaxing`` (what fades still changes the voltage more than the drift), ``settled``,
    ``drifting``. ``reasons`` tell why a figure is None.
    """
    voltage = pack_voltage(log)
    log_step_v = resolution_of(voltage)  # a voltage at rest may stay on one step
    usual = _usual_scatter(log, voltage, steps, log_step_v)
    rows = []
    for step in steps:
        if step.kind != "rest":
            continue
        time, v = log.time_s[step.slice], voltage[step.slice]
        duration = float(time[-1] - time[0])
        row: dict[str, Any] = {
            "step": step.index, "duration_s": duration, "relaxation_mv": None, "u_relaxation_mv": None, "drift_mv_per_h": None,
            "u_drift_mv_per_h": None, "still_fading_mv_per_h": None, "verdict": "rest_too_short", "reasons": [],
        }
        rows.append(row)
        finite = np.flatnonzero(np.isfinite(v))
        if finite.size <= 4 or duration <= 0:
            row["reasons"] = ["readings_too_few"]
            continue
        step_v = log_step_v or resolution_of(v)
        scatter = _scatter(time, v, step_v, usual)
        change, u_change = (1e3 * x for x in resting.change_at_rest(v, scatter, step_v))
        gain = rectangular(voltage_gain)
        row["relaxation_mv"], row["u_relaxation_mv"] = change, float(np.hypot(u_change, gain * change))
        if duration < resting.DRIFT_MIN_S:
            row["reasons"] = ["rest_too_short"]
            continue
        use = resting.settled(time)
        line = resting.drift(time[use], v[use], step_v * resting.rounding_share(v[use], step_v))
        if line is None:
            row["reasons"] = ["readings_too_few"]
            continue
        drift, u_drift, fading = (3.6e6 * x for x in (line.slope, line.u_slope, line.fading_slope))
        hours = duration / 3600.0
        row |= {
            "relaxation_mv": change - drift * hours,
            "u_relaxation_mv": float(np.sqrt(u_change**2 + (u_drift * hours) ** 2 + (gain * (change - drift * hours)) ** 2)),
            "drift_mv_per_h": drift, "u_drift_mv_per_h": float(np.hypot(u_drift, gain * drift)), "still_fading_mv_per_h": fading,
        }
        if abs(fading) > max(SHOWN_AT * 3.6e6 * line.u_fading_slope, SETTLED_MV_PER_H, abs(drift)):
            row["verdict"] = "relaxing"
        else:
            row["verdict"] = "settled" if abs(drift) <= max(SHOWN_AT * u_drift, SETTLED_MV_PER_H) else "drifting"
    return rows


def _usual_scatter(log: Log, voltage: np.ndarray, steps: tuple[Step, ...], resolution_v: float) -> float:
    """Median over the rests that tell it of the standard deviation of one reading, 0 without any. [V]"""
    each = (resting.rest_scatter(voltage[s.slice], log.time_s[s.slice], resolution_v) for s in steps if s.kind == "rest")
    known = [value for value in each if value is not None]
    return float(np.median(known)) if known else 0.0


def _scatter(time_s: np.ndarray, value_v: np.ndarray, resolution_v: float, usual_v: float) -> float:
    """Standard deviation of one reading of a rest. A short one hardly knows its own: widened by ``FEW_WIDER``, or what the other rests show if
    that is more. [V]"""
    own = resting.rest_scatter(value_v, time_s, resolution_v)
    return max(resting.FEW_WIDER * scatter_of(value_v, resolution_v), usual_v) if own is None else own


def _length(log: Log, step: Step) -> float:
    return float(log.time_s[step.last] - log.time_s[step.first])


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _column_median(rows: np.ndarray) -> np.ndarray:
    finite = np.isfinite(rows)
    return np.array([np.median(rows[finite[:, g], g]) if np.any(finite[:, g]) else np.nan for g in range(rows.shape[1])])
