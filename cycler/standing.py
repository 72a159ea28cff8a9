"""Two rests of one pack on different days, joined through the register: which group lost more than its siblings in between.

A leak of a tenth of a milliampere takes weeks to show in millivolts, longer than anybody logs: the end of one run and the start of
the next, with the pack left alone in between, are as good as one long rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from cycler.analysis import infer_pack, plain
from cycler.compare import same_instrument
from cycler.criteria_quantities import HOURS_PER_MONTH, number, part
from cycler.errors import InputError
from cycler.findings import LEAK_SIGNIFICANT, SELF_DISCHARGE_SHARE_PER_MONTH
from cycler.grouptable import curves_to_gap
from cycler.measures import capacity as cap
from cycler.measures import leakage
from cycler.measures.longrest import LongDrift, long_drift
from cycler.resttable import SHOWN_AT, OwnCurves, own_curves
from cycler.sensors import screen
from cycler.signals import noise_of, resolution_of
from cycler.steps import Step, segment_steps

if TYPE_CHECKING:
    from cycler.log import Log
    from cycler.pack import Pack
    from cycler.register import Register, Run

SCHEMA = "cycler.standing/1"
FIRST_REST_MIN_S = 1800.0
"""Shortest rest at the end of the earlier run: before, too much still fades. [s] Common practice, no source."""
APART_MIN_S = 24 * 3600.0
"""Shortest time between the two rests; within a day one log does it better. [s] Common practice, no source."""
READINGS = 10
CLOCK_APART_S = 14 * 3600.0
"""A clock that states no offset from UTC may be off by so much against one that does. [s]"""
MOVED_V = 0.03
"""Change of all groups alike that temperature and relaxation may make. Common practice, no source. [V]"""
LOST_SHARE = (0.05, 0.10)
"""Charge that a pack left alone may lose: at once after a charge, and in 30 days with its board. A battery handbook's overview page gives 5 % in the
first day, then 1 to 2 % a month and 3 % for the board (from memory); doubled. [-]"""
USUAL_V_PER_SHARE = 1.2
"""Fall of voltage from full to empty where no curve is known. [V] Common practice, no source."""
WATCH_MV_PER_DAY = 1.0
"""Drift against the siblings worth watching over a week or longer. Common practice, no source. [mV/day]"""


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """One end of the time between: readings of all groups at rest, when, and what is known of the run."""

    run: Run
    log: Log
    pack: Pack
    steps: tuple[Step, ...]
    rest: Step
    volts: np.ndarray
    u_volts: np.ndarray
    at: datetime
    temperature_c: float | None


def standing(register: Register, run_a: int, run_b: int, untouched: bool = False) -> dict[str, Any]:
    """Self-discharge of each group between the rest that ends the earlier run and the rest that begins the later one.

    Parameters
    ----------
    register : Register
    run_a, run_b : int
        Two runs of one pack, in any order.
    untouched : bool
        The repairer says that nothing was connected in between, whatever the voltages and the register suggest.

    Returns
    -------
    dict
        ``runs`` (earlier first: run, label, at, rest_s, temperature_c), ``days``, ``u_days``, ``same_instrument``, ``siblings_moved_mv``,
        ``groups`` (first_v, second_v, drift_to_siblings_mv_per_day, self_discharge_ma, share_per_30_days with ``u_``, smallest_leak_shown_ma, slope, ``shown``
        (beyond ``findings.LEAK_SIGNIFICANT`` u), ``leaks`` (and more than sound cells lose), ``watch``, ``reasons``), ``leaking`` (numbers), ``notes``. Figures are None with a reason where the logs do not bear them.

    Raises
    ------
    InputError
        Not one pack, one run twice, no group voltages, no date, no rest at the joint, less than a day apart, or charge flowed in between.
    """
    if run_a == run_b:
        raise InputError("one run was named twice", "standing", f"run {run_a}", "name the run before and the run after the pack was left alone")
    for run_id in (run_a, run_b):
        register.refuse_withdrawn(run_id)
    runs = [register.run(run_a), register.run(run_b)]
    if runs[0].pack_id != runs[1].pack_id:
        raise InputError(
            "the two runs are not of one pack", "standing", f"run {run_a} is of {runs[0].pack_id}, run {run_b} of {runs[1].pack_id}",
            "name two runs of the same pack; see them with: cycler list",
        )
    logs = [register.log(run.id) for run in runs]
    for run, log in zip(runs, logs, strict=True):
        if log.started_at is None:
            raise InputError(
                "the time between the two rests is not known", f"run {run.id}", "its log carries no date", "log date and time, or use one long rest",
            )
        if log.series < 3:
            raise InputError(
                "groups cannot be held against each other", f"run {run.id}", f"its log holds {log.series} group voltages, three are needed",
                "log the balance taps",
            )
    if logs[0].series != logs[1].series:
        raise InputError(
            "the two logs do not hold the same groups", "standing", f"{logs[0].series} and {logs[1].series} group voltages", "log all groups both times",
        )
    mixed = (logs[0].started_at.tzinfo is None) != (logs[1].started_at.tzinfo is None)
    order = sorted((0, 1), key=lambda i: _utc(logs[i].started_at))
    first = _end(runs[order[0]], logs[order[0]], at_end=True)
    second = _end(runs[order[1]], logs[order[1]], at_end=False)
    apart = (second.at - first.at).total_seconds()
    u_apart = CLOCK_APART_S / np.sqrt(3.0) if mixed else 0.0
    if apart < APART_MIN_S + (CLOCK_APART_S if mixed else 0.0):
        raise InputError(
            "the two rests are less than a day apart", "standing", f"{apart / 3600.0:.1f} h from the end of run {first.run.id} to run {second.run.id}",
            "let the pack stand for days, or log one long rest",
        )
    notes = ["One clock states its offset from UTC, the other does not: 14 h are left open between them."] if mixed else []
    notes += _runs_between(register, first, second, untouched)
    same = same_instrument(first.run.analysis, second.run.analysis)
    bench = first.pack.instrument, second.pack.instrument
    try:
        drift = long_drift(
            first.volts, second.volts, first.u_volts, second.u_volts, max(i.group_voltage_offset_v for i in bench),
            max(i.group_voltage_gain for i in bench), same, apart, u_apart,
        )
    except ValueError as error:
        raise InputError("the two rests cannot be joined", "standing", str(error), "log all group voltages at both rests") from None
    curves = [c for c in (_curves(second), _curves(first)) if c.discharge is not None]
    _refuse_flow(first, second, drift, curves, untouched, notes)
    notes.append(
        "Both runs declare the same instrument: what its channels read wrongly is alike on both days and drops out."
        if same else "The runs do not declare the same instrument: the errors of its channels count on both days."
    )
    rated = second.pack.rated_capacity_ah
    rows = [_row(g, first, second, drift, curves, rated) for g in range(first.log.series)]
    return plain({
        "schema": SCHEMA, "pack_id": runs[0].pack_id,
        "runs": [
            {
                "run": e.run.id, "label": e.run.label, "at": e.at.isoformat(), "rest_s": e.log.time_s[e.rest.last] - e.log.time_s[e.rest.first],
                "temperature_c": e.temperature_c,
            }
            for e in (first, second)
        ],
        "days": apart / 86400.0, "u_days": u_apart / 86400.0, "same_instrument": same, "siblings_moved_mv": 1e3 * drift.common_v,
        "groups": rows, "leaking": [row["group"] for row in rows if row["leaks"]], "notes": notes,
    })


def _utc(stamp: datetime) -> datetime:
    return stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp.astimezone(UTC)


def _end(run: Run, log: Log, at_end: bool) -> _End:
    """The rest at one end of a log, with the group voltages there; what still fades at the end of a rest counts as uncertainty."""
    steps = segment_steps(log, run.pack)
    pack = infer_pack(run.pack, log, steps)
    rest = steps[-1 if at_end else 0]
    where, side = f"run {run.id}", "end" if at_end else "begin"
    if rest.kind != "rest":
        raise InputError(
            f"run {run.id} does not {side} with a rest", where, f"its {'last' if at_end else 'first'} step is {rest.kind.replace('_', ' ')}",
            f"log a rest at the {'end of the run before' if at_end else 'start of the run after'} the pack is left alone",
        )
    length = float(log.time_s[rest.last] - log.time_s[rest.first])
    if at_end and length < FIRST_REST_MIN_S:
        raise InputError(
            f"the rest at the end of run {run.id} is too short", where, f"{length / 60.0:.0f} min; the voltages still settle",
            f"log {FIRST_REST_MIN_S / 60.0:.0f} min of rest or more before the pack is left alone",
        )
    rows = np.arange(max(rest.first, rest.last - READINGS + 1), rest.last + 1) if at_end else np.arange(rest.first, min(rest.last, rest.first + READINGS - 1) + 1)
    screened = screen(log)
    v = np.array(screened.log.group_voltage_v)
    v[:, [g - 1 for g in screened.lost]] = np.nan
    volts, u = np.full(log.series, np.nan), np.full(log.series, np.nan)
    for g in range(log.series):
        here = v[rows, g][np.isfinite(v[rows, g])]
        if here.size:
            volts[g] = np.mean(here)
            u[g] = np.hypot(resolution_of(v[:, g]) / np.sqrt(12.0), noise_of(v[rest.slice, g]) / np.sqrt(here.size))
    if at_end:
        # A fading part changes in the second half of its rest by no less than it has still to go, if it is not slower than that half.
        half = int(np.searchsorted(log.time_s, 0.5 * (log.time_s[rest.first] + log.time_s[rest.last])))
        before = v[half : min(half + READINGS, rest.last) + 1]
        gone = volts - np.array([np.mean(c[np.isfinite(c)]) if np.any(np.isfinite(c)) else np.nan for c in before.T])
        if np.any(np.isfinite(gone)):
            u = np.hypot(u, gone - np.nanmedian(gone))
    at = _utc(log.started_at) + timedelta(seconds=float(np.mean(log.time_s[rows])))
    heat = log.temperature_c[rows]
    return _End(run, log, pack, steps, rest, volts, u, at, float(np.nanmean(heat)) if np.any(np.isfinite(heat)) else None)


def _runs_between(register: Register, first: _End, second: _End, untouched: bool) -> list[str]:
    """Notes on other runs of the pack; InputError if one lies between."""
    notes = []
    for row in register.runs(first.run.pack_id):
        if row.id in (first.run.id, second.run.id):
            continue
        if row.started_at is None:
            notes.append(f"Run {row.id} carries no date: if it lies between the two, this result is void.")
            continue
        if first.at < _utc(datetime.fromisoformat(row.started_at)) < second.at:
            if not untouched:
                raise InputError(
                    "charge flowed between the two rests", f"run {row.id}", f"the pack was tested on {row.started_at[:10]}, in between",
                    "name two runs with none in between",
                )
            notes.append(f"Run {row.id} lies between the two; it was said that nothing was connected.")
    return notes


def _curves(end: _End) -> OwnCurves:
    """Curves of the run's headline discharge, with resistances and rest voltages as its analysis gave them."""
    log, pack, steps = end.log, end.pack, end.steps
    flow = cap.charge_flow(log, steps, cap.find_switches(log, steps))
    start = number(part(end.run.analysis, "capacity", "at_s", "start_s"))
    found = cap.find_discharges(log, pack, steps, flow)
    headline = min(found, key=lambda d: abs(d.load_on_s - start)) if found and start is not None else None
    by_group = {g.get("group"): g for g in end.run.analysis.get("groups") or []}

    def of_groups(key: str) -> np.ndarray:
        return np.array([_nan(by_group.get(g + 1, {}), key) for g in range(log.series)])

    return own_curves(
        log, pack, steps, flow, headline, cap.find_charges(log, steps, flow), curves_to_gap(log, steps, flow, headline),
        of_groups("resistance_10s_ohm"), of_groups("rest_voltage_v"),
    )


def _nan(row: Mapping[str, Any], key: str) -> float:
    value = number(row.get(key))
    return np.nan if value is None else value


def _slope(g: int, at_v: float, curves: list[OwnCurves]) -> tuple[leakage.OpenCircuitSlope | None, tuple[str, ...]]:
    """The surest slope of a group that the two runs give; the reasons of the later run where none does."""
    tried = [c.slope(g, at_v, 3e-4) for c in curves]
    good = [item for item in tried if item[0] is not None and not item[1]]
    if good:
        return min(good, key=lambda item: item[0].u_v_per_ah / item[0].v_per_ah)
    return tried[0] if tried else (None, ("no_discharge_curve",))


def _refuse_flow(
    first: _End, second: _End, drift: LongDrift, curves: list[OwnCurves], untouched: bool, notes: list[str]
) -> None:
    """InputError where all groups moved further than a pack left alone does."""
    slopes = [s for g in range(first.log.series) if (s := _slope(g, float(first.volts[g]), curves)[0]) is not None]
    rated = second.pack.rated_capacity_ah
    per_share = float(np.median([s.v_per_ah for s in slopes])) * rated if slopes and rated else USUAL_V_PER_SHARE
    fall = MOVED_V + per_share * (LOST_SHARE[0] + LOST_SHARE[1] * drift.duration_s / (30 * 86400.0))
    if -fall <= drift.common_v <= MOVED_V:
        return
    said = f"all groups {'rose' if drift.common_v > 0 else 'fell'} by {1e3 * abs(drift.common_v):.0f} mV in {drift.duration_s / 86400.0:.1f} days"
    if not untouched:
        raise InputError(
            "charge flowed between the two rests", "standing", f"{said}; a pack left alone rises by less than {1e3 * MOVED_V:.0f} mV and falls by less "
            f"than {1e3 * fall:.0f} mV",
            "name two runs between which the pack was left alone; if it was, say so with --untouched",
        )
    notes.append(f"{said[:1].upper()}{said[1:]}, more than a pack left alone usually does; it was said that nothing was connected.")


def _row(g: int, first: _End, second: _End, drift: LongDrift, curves: list[OwnCurves], rated: float | None) -> dict[str, Any]:
    change, u_change = float(drift.slope_v_per_s[g]), float(drift.u_slope_v_per_s[g])
    names = {c.group: c.name for c in second.log.reading.columns if c.group is not None}
    row: dict[str, Any] = {
        "group": g + 1, "name": names.get(g + 1, f"group {g + 1}"), "first_v": first.volts[g], "second_v": second.volts[g],
        "drift_to_siblings_mv_per_day": 86.4e6 * change, "u_drift_to_siblings_mv_per_day": 86.4e6 * u_change,
        "slope_at_rest_v_per_ah": None, "u_slope_at_rest_v_per_ah": None, "slope_at_rest_source": None, "self_discharge_ma": None,
        "u_self_discharge_ma": None, "share_per_30_days": None, "u_share_per_30_days": None, "smallest_leak_shown_ma": None,
        "shown": False, "leaks": False, "watch": False, "reasons": [],
    }
    if not np.isfinite(change):
        return row | {"reasons": ["readings_too_few"]}
    week = drift.duration_s >= 7 * 86400.0
    row["watch"] = bool(week and -row["drift_to_siblings_mv_per_day"] > WATCH_MV_PER_DAY and -change > SHOWN_AT * u_change)
    slope, reasons = _slope(g, float(0.5 * (first.volts[g] + second.volts[g])), curves)
    row["reasons"] = list(reasons)
    if slope is None:
        return row
    row |= {"slope_at_rest_v_per_ah": slope.v_per_ah, "u_slope_at_rest_v_per_ah": slope.u_v_per_ah, "slope_at_rest_source": slope.source}
    if reasons:
        return row
    share = slope.u_v_per_ah / slope.v_per_ah
    leak = leakage.leak_current_ma(change, slope.v_per_ah)
    u = leakage.leak_u_ma(change, u_change, slope.v_per_ah, share)
    row |= {"self_discharge_ma": leak, "u_self_discharge_ma": u, "smallest_leak_shown_ma": leakage.smallest_leak_ma(u_change, slope.v_per_ah, share, SHOWN_AT)}
    row["shown"] = leak > LEAK_SIGNIFICANT * u
    if rated:
        month = HOURS_PER_MONTH / 1000.0 / rated
        row |= {"share_per_30_days": month * leak, "u_share_per_30_days": month * u}
        row["leaks"] = month * leak > SELF_DISCHARGE_SHARE_PER_MONTH and row["shown"]
    return row
