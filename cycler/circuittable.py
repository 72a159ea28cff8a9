"""The equivalent circuit of pack and groups: which stretch of the log is fitted, and the sheet of what comes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.log import Log
from cycler.measures.capacity import Discharge, Flow
from cycler.measures.circuit import (
    COVERAGE_FACTOR,
    SAMPLING_MAX_S,
    Circuit,
    Experiment,
    Prior,
    averaged,
    bins_of,
    fit_circuits,
)
from cycler.measures.resistance import Edge
from cycler.pack import Instrument, Pack
from cycler.signals import noise_of, resolution_of, straight
from cycler.steps import PULSE_MAX_S, Step, pack_voltage
from cycler.uncertainty import rectangular

BEFORE_S = 30.0
LOAD_WINDOW_S = 300.0
"""How much of a long load is used: later the bend of the open-circuit curve is no straight line any more. [s] Common practice, no source."""
REST_WINDOW_S = 900.0
REST_AFTER_MIN_S = 30.0
HISTORY_S = 1800.0
"""Currents up to this long before the experiment are part of the model. [s]"""
AVERAGED_FROM = 150
"""Experiments of more samples are averaged where noise carries the readings over the steps of the meter."""
THINNED_FROM, THINNED_SHARE = 15_000, 0.003
"""Where it does not, those of more samples (ten a second are fewer) keep one of each bin of this share of the time since the step. What is
kept are readings at their own instants, so that no model is bent; neighbours on one step of the meter tell the same."""
TRIED_MAX = 4
SLOPE_BOUND_SHARE = 0.3
"""Bound of the change of open-circuit voltage as a share of the response, where no discharge curve tells it."""
STEEP_SHARE = 0.6
"""Where the discharge curve says that the open-circuit voltage makes up more than this share of the response, and not how much of it, no
circuit is told (a load that begins nearly empty). Common practice, no source; a charge from empty gave a slow branch of ten times the true size."""
LEAD_SHARE = 0.1
"""A stated lead resistance is taken as right within this share. Common practice, no source."""
ADVICE = {
    "no_current_step": "Log a pulse of 30 s, as large as the pack allows, between two rests of 15 minutes, at 10 samples a second.",
    "sampling_too_coarse": "Log 10 samples a second from half a minute before the load comes on until a minute after it goes off.",
    "response_too_short": "Leave the pack at rest for 15 minutes after a pulse of 30 s and go on logging.",
    "not_identifiable": "Log a pulse of 30 s between two rests of 15 minutes, at 10 samples a second and 1 mV or finer.",
    "poor_fit": "Rest the pack for an hour before the pulse, hold the current steady, stay away from full and empty.",
    "noise_too_high": "Use a larger current, within the limits of pack and maker, or a voltmeter with finer steps and less noise.",
    "no_reading": "Connect the voltage leads of every channel and check that their readings move under load.",
}
"""What to record next time, by reason."""
_NAMES = ("r0_ohm", "r1_ohm", "tau1_s", "r2_ohm", "tau2_s")


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the log to fit: from rest over short loads to the next rest (``pulse_and_rest``), into a long load (``load_on``),
    or out of one (``load_off``). ``edges`` are the current edges inside it, in time order."""

    excitation: str
    edges: tuple[Edge, ...]
    rest_after_s: float


def find_stretches(log: Log, steps: tuple[Step, ...], edges: tuple[Edge, ...], main_edge: int | None) -> tuple[Stretch, ...]:
    """Stretches worth a fit, the most telling first: a pulse with the rest after it, then a load coming on, then one going off (at
    the end of a discharge the cell is no longer what it was); among equals the longer rest, then the nearer to the edge that
    speaks for the resistance."""
    between = {(edge.before, edge.after): edge for edge in edges}

    def length(step: Step) -> float:
        return float(log.time_s[step.last] - log.time_s[step.first])

    found = []
    for edge in edges:
        if steps[edge.before].kind == "rest" and steps[edge.after].direction and edge.rest_before_s >= 10.0:
            inside, at = [edge], edge.after
            while steps[at].direction and length(steps[at]) <= PULSE_MAX_S and (at, at + 1) in between:
                inside.append(between[at, at + 1])
                at += 1
            rest = length(steps[at]) if steps[at].direction == 0 else 0.0
            if rest >= REST_AFTER_MIN_S:
                found.append(Stretch("pulse_and_rest", tuple(inside), rest))
            else:
                found.append(Stretch("load_on", (edge,), 0.0))
        elif (
            steps[edge.before].direction and steps[edge.after].kind == "rest" and length(steps[edge.before]) > PULSE_MAX_S
            and steps[edge.before].end_reason != "protection_trip"
        ):
            found.append(Stretch("load_off", (edge,), length(steps[edge.after])))
    if not found:
        return ()
    largest = max(abs(edge.current_step_a) for edge in edges)
    middle = edges[main_edge].at_s if main_edge is not None else edges[0].at_s
    order = ("pulse_and_rest", "load_on", "load_off")

    def rank(stretch: Stretch) -> tuple[float, ...]:
        high = max(abs(edge.current_step_a) for edge in stretch.edges) >= 0.5 * largest
        return (
            not high, order.index(stretch.excitation), stretch.edges[0].current_step_a > 0.0, -min(stretch.rest_after_s // 100.0, 3.0),
            abs(stretch.edges[0].at_s - middle),
        )

    return tuple(sorted(found, key=rank))


def _levels(log: Log, step: Step, until_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Beginnings and heights of the constant pieces that stand for the current of one step: one if it is steady within 1 %, else
    the readings themselves (means of several in a long step), each reaching half-way to its neighbours."""
    time, current = log.time_s[step.slice], log.current_a[step.slice]
    good = np.isfinite(current) & (time <= until_s)
    time, current = time[good], current[good]
    if step.kind == "rest" or current.size < 4:
        level = 0.0 if step.kind == "rest" else float(np.median(current)) if current.size else step.level_a
        return np.array([log.time_s[step.first]]), np.array([level])
    level = float(np.median(current))
    spread = float(np.ptp(np.quantile(current[1:], (0.02, 0.98))))
    if spread <= max(0.01 * abs(level), 6.0 * noise_of(current), 2.0 * resolution_of(current)):
        return np.array([log.time_s[step.first]]), np.array([float(np.mean(current[1:]))])
    parts = np.array_split(np.arange(current.size), min(current.size, 60))
    begin = np.array([time[p[0]] if p[0] == 0 else 0.5 * (time[p[0]] + time[p[0] - 1]) for p in parts])
    return begin, np.array([float(np.mean(current[p])) for p in parts])


def _experiment(
    log: Log, steps: tuple[Step, ...], stretch: Stretch
) -> tuple[Experiment, np.ndarray] | None:
    """The current of a stretch as steps, and which samples of the log belong to it (not those in which the current was still on its way)."""
    first, last = stretch.edges[0], stretch.edges[-1]
    limit = LOAD_WINDOW_S if stretch.excitation == "load_on" else REST_WINDOW_S
    begin = first.at_s - BEFORE_S
    end = min(last.at_s + limit, float(log.time_s[steps[last.after].last]))
    for gap in log.reading.gaps:
        middle = gap.start_s + 0.5 * gap.duration_s
        begin = max(begin, gap.start_s + gap.duration_s) if middle < first.at_s else begin
        end = min(end, gap.start_s) if middle > first.at_s else end
    if end <= last.at_s:
        return None
    edges = {edge.after: edge for edge in stretch.edges}
    at, levels, u_at = [], [], []
    oldest = first.before
    while oldest > 0 and log.time_s[steps[oldest].first] > first.at_s - HISTORY_S:
        oldest -= 1
    for index in range(oldest, last.after + 1):
        when, level = _levels(log, steps[index], end)
        edge = edges.get(index)
        if edge is not None:
            # A sample at the very instant of the edge is the last before it.
            when[0] = max(edge.at_s, log.time_s[edge.k] + 1e-6)
        elif index > oldest:
            when[0] = 0.5 * (when[0] + log.time_s[steps[index].first - 1])
        at += when.tolist()
        levels += level.tolist()
        u_at += [edge.u_at_s if edge is not None else 0.0, *[0.0] * (when.size - 1)]
    heights = np.diff(levels)
    chosen = np.flatnonzero((log.time_s >= begin) & (log.time_s <= end))
    before = chosen[log.time_s[chosen] < first.at_s]
    chosen = chosen[chosen >= (before[0] if before.size else chosen[0])] if chosen.size else chosen
    keep = np.ones(chosen.size, dtype=bool)
    for edge in stretch.edges:
        after_a = edge.current_before_a + edge.current_step_a
        for k in (edge.k + 1, edge.k + 2):
            if k < log.rows and not abs(log.current_a[k] - after_a) <= 0.02 * abs(edge.current_step_a):
                keep[chosen == k] = False
        if log.time_s[edge.k + 1] - log.time_s[edge.k] <= 1e-5:
            keep[chosen == edge.k + 1] = False
    chosen = chosen[keep]
    step_at = np.array(at[1:])
    begins = int(np.searchsorted(step_at, max(first.at_s, log.time_s[first.k] + 1e-6) - 1e-9))
    experiment = Experiment(log.time_s[chosen], step_at, heights, np.array(u_at[1:]), levels[0], begins)
    return experiment, chosen


def _curve_slope(
    log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, voltage_v: np.ndarray, at_ah: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Slope of the discharge curve (which stands for that of the open-circuit voltage) next to a charge, and how far it may be
    off: itself, or what it changes by over the next piece of the curve. Shapes (channels,). [V/Ah]"""
    if headline is None or not headline.net_ah:
        return None
    step = steps[headline.main_step]
    rows = np.arange(step.first, step.last + 1)
    rows = rows[log.time_s[rows] >= log.time_s[step.first] + 120.0]
    if rows.size < 12:
        return None
    charge = flow.running_ah[rows]
    away = np.clip(at_ah, charge[-1], charge[0]) - charge
    slopes = []
    for low, high in ((-0.01, 0.03), (0.03, 0.06)):
        use = rows[(away >= low * headline.net_ah) & (away < high * headline.net_ah)]
        if use.size < 5 or not np.all(np.isfinite(voltage_v[use])):
            break
        x = flow.running_ah[use] - np.mean(flow.running_ah[use])
        slopes.append(x @ voltage_v[use] / (x @ x))
    if not slopes:
        return None
    own = np.maximum(slopes[0], 0.0)
    return own, np.maximum(own, np.abs(slopes[-1] - slopes[0])) + 1e-6


def _priors(
    log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, stretch: Stretch, experiment: Experiment, voltage_v: np.ndarray
) -> tuple[tuple[Prior, ...], np.ndarray]:
    """What is known of slope and drift of each channel (columns of ``voltage_v``, rows of the log) before the fit, and for which
    channels the open-circuit voltage changes by more over the stretch than a circuit could be told from (nearly empty)."""
    edge = stretch.edges[0]
    inside = (log.time_s >= experiment.time_s[0]) & (log.time_s <= experiment.time_s[-1])
    seen = np.isfinite(voltage_v[inside])
    high, low = np.where(seen, voltage_v[inside], -np.inf).max(axis=0), np.where(seen, voltage_v[inside], np.inf).min(axis=0)
    response = np.where(high > low, high - low, 1.0)
    charge = experiment.charge_ah()
    moved = float(np.ptp(charge)) or 1e-9
    bound = SLOPE_BOUND_SHARE * response / moved
    slope, u_slope = np.zeros(response.size), bound / math.sqrt(3.0)
    steep = np.zeros(response.size, dtype=bool)
    if stretch.excitation != "load_off":
        known = _curve_slope(log, steps, flow, headline, voltage_v, float(flow.running_ah[edge.k]))
        if known is not None:
            near = known[1] < u_slope
            steep = (known[0] * moved > STEEP_SHARE * response) & ~near
            slope, u_slope = np.where(near, known[0], 0.0), np.where(near, known[1], u_slope)
    drift, u_drift = np.zeros(response.size), np.zeros(response.size)
    rest = steps[edge.before]
    rows = np.arange(rest.first, edge.k + 1)
    rows = rows[log.time_s[rows] >= edge.at_s - REST_WINDOW_S / 3.0]
    if rest.kind == "rest" and rows.size >= 5:
        time = log.time_s[rows] - edge.at_s
        for c in range(response.size):
            y = voltage_v[rows, c]
            good = np.isfinite(y)
            if np.count_nonzero(good) < 5:
                continue
            rate, level = straight(time[good], y[good])
            scatter = max(float(np.std(y[good] - level - rate * time[good])), resolution_of(y[good]) / math.sqrt(12.0), 1e-9)
            u_rate = scatter / math.sqrt(float(np.sum((time[good] - time[good].mean()) ** 2)) + 1e-30)
            if abs(rate) > 3.0 * u_rate and abs(rate) * experiment.window_s > 0.002 * response[c]:
                # A drift at rest dies away: its mean over the experiment lies anywhere between nothing and what it was.
                drift[c], u_drift[c] = 0.5 * rate, rectangular(0.5 * abs(rate))
    # Over a long load the slope may change by as much as it is uncertain itself.
    u_bend = u_slope / moved if stretch.excitation == "load_on" else np.zeros(response.size)
    return tuple(Prior(*map(float, row)) for row in zip(slope, u_slope, drift, u_drift, u_bend)), steep


def _fit(
    log: Log, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, stretch: Stretch, experiment: Experiment, rows: np.ndarray,
    voltage_v: np.ndarray,
) -> tuple[Experiment, tuple[Circuit, ...]]:
    """Circuits of some channels; the experiment as it was fitted (readings averaged where there are many)."""
    values = voltage_v[rows]
    blank = ~np.isfinite(values)
    lost = blank.mean(axis=0) > 0.1
    whole = ~np.any(blank[:, ~lost], axis=1)
    values, time = values[whole], experiment.time_s[whole]
    grid = np.array([resolution_of(column) for column in values.T])
    noise = np.array([noise_of(column) for column in values.T])
    counts = np.ones(time.size)
    # Means of readings that noise does not carry over the steps of the meter are worth no more than one of them.
    smooth = bool(np.all(noise >= 0.4 * grid))
    if time.size > (AVERAGED_FROM if smooth else THINNED_FROM):
        inside = experiment.step_at_s[experiment.first :]
        latest = np.searchsorted(inside, time, "right")
        since = time - np.where(latest > 0, inside[np.maximum(latest - 1, 0)], time[0] - 1.0)
        since[latest == 0] = 1e-3
        if smooth:
            time, values, counts = averaged(time, since, values)
        else:
            kept = bins_of(time, since, THINNED_SHARE)
            time, values, counts = time[kept], values[kept], counts[kept]
    fitted = Experiment(
        time, experiment.step_at_s, experiment.step_a, experiment.u_step_at_s, experiment.initial_a, experiment.first
    )
    if time.size < 3:
        return experiment, tuple(Circuit(0, ("sampling_too_coarse",)) for _ in range(voltage_v.shape[1]))
    priors, steep = _priors(log, steps, flow, headline, stretch, experiment, voltage_v)
    circuits = fit_circuits(fitted, values, priors, grid, counts)
    return fitted, tuple(Circuit(0, ("not_identifiable",)) if too_steep else circuit for circuit, too_steep in zip(circuits, steep))


def _figures(circuit: Circuit, instrument: Instrument, group: bool, current_share: float, lead_ohm: float) -> dict[str, Any]:
    """Parameters with standard uncertainties (fit, gains, clock) and 95 % intervals (log-normal, as the logarithms are fitted)."""
    row: dict[str, Any] = {}
    for name in _NAMES:
        row |= {name: None, f"u_{name}": None, f"{name.rsplit('_', 1)[0]}_interval_{name.rsplit('_', 1)[1]}": None}
    if circuit.order == 0:
        return row
    gain = instrument.group_voltage_gain if group else instrument.voltage_gain
    u_ohm = math.hypot(rectangular(math.hypot(gain, instrument.current_gain)), current_share)
    u_time = rectangular(instrument.clock_gain)
    values = [circuit.r0_ohm, *(value for branch in circuit.branches for value in branch)]
    for name, value, u_fit in zip(_NAMES, values, circuit.u_fit):
        relative = math.hypot(u_fit, u_time if name.endswith("_s") else u_ohm)
        u = relative * value
        stem, unit = name.rsplit("_", 1)
        low, high = value * math.exp(-COVERAGE_FACTOR * relative), value * math.exp(COVERAGE_FACTOR * relative)
        if name == "r0_ohm" and lead_ohm:
            u = math.hypot(u, rectangular(LEAD_SHARE * lead_ohm))
            value -= lead_ohm
            low, high = value - COVERAGE_FACTOR * u, value + COVERAGE_FACTOR * u
        row |= {name: value, f"u_{name}": u, f"{stem}_interval_{unit}": [low, high]}
    return row


def _row(
    circuit: Circuit, experiment: Experiment, stretch: Stretch, instrument: Instrument, group: bool, place: dict[str, Any], lead_ohm: float = 0.0
) -> dict[str, Any]:
    edge = stretch.edges[0]
    return {
        "order": circuit.order or None,
        **_figures(circuit, instrument, group, edge.current_share, lead_ohm),
        "at_s": edge.at_s, "step_index": edge.after, "excitation": stretch.excitation, "current_step_a": edge.current_step_a,
        "window_s": experiment.window_s, "sampling_s": experiment.sampling_s, "samples": experiment.time_s.size,
        "residual_v": circuit.residual_v, "noise_v": circuit.noise_v, "residual_correlation": circuit.correlation,
        "parameter_correlation_max": circuit.correlation_max, "f_ratio": circuit.f_ratio,
        **place, "reasons": list(circuit.reasons),
    }


def _shown(value: Any) -> Any:
    """Six significant digits of every figure: the last bits of a fit differ from run to run with the place of its arrays in memory, and a
    stored analysis has to compare equal to one made anew."""
    if isinstance(value, dict):
        return {key: item if key == "at_s" else _shown(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_shown(item) for item in value]
    return float(f"{value:.6g}") if isinstance(value, float) and math.isfinite(value) else value


def circuit_sheet(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, edges: tuple[Edge, ...], main_edge: int | None,
    resistance: dict[str, Any], numbers: tuple[int, ...],
) -> dict[str, Any]:
    """The contract's ``resistance.circuit``: Thevenin circuit of the pack and of every group from one experiment of the log.

    Parameters
    ----------
    edges, main_edge : tuple of Edge, int or None
        Current edges, and the one that speaks for the pack's resistance.
    resistance : dict
        The resistance sheet, for state of charge and temperature at the edge.
    numbers : tuple of int
        Group number of each group column.

    Returns
    -------
    dict
        ``pack`` (None if it cannot be given, with ``reasons``), ``groups`` (a row for each, null figures with reasons), ``to_record``: what
        to log next time. A row holds R0 to tau2 with standard uncertainty and 95 % interval, the number of branches (``order``), and what they rest
        on: the stretch (``excitation``), window, sampling, residual and noise. Of a pack, R0 contains the connections between its groups; a
        stated two-wire lead is taken off. Model and criteria: :mod:`cycler.measures.circuit`.

    Notes
    -----
    The first of up to ``TRIED_MAX`` stretches that gives the pack's circuit is used for the groups too; without any, the first stretch.
    """
    voltage = pack_voltage(log)[:, None]
    stretches = find_stretches(log, steps, edges, main_edge)
    tried: tuple[Stretch, Experiment, np.ndarray, Experiment, Circuit] | None = None
    for stretch in stretches[: 2 * TRIED_MAX]:
        built = _experiment(log, steps, stretch)
        if built is None or built[0].time_s.size < 3:
            continue
        experiment, rows = built
        if experiment.sampling_s > SAMPLING_MAX_S and tried is not None:
            continue
        fitted, (circuit,) = _fit(log, steps, flow, headline, stretch, experiment, rows, voltage)
        if tried is None or circuit.order or tried[4].reasons == ("sampling_too_coarse",):
            tried = (stretch, experiment, rows, fitted, circuit)
        if circuit.order:
            break
    if tried is None:
        empty = [
            {"group": number, "order": None, **_figures(Circuit(0, ()), pack.instrument, True, 0.0, 0.0), "at_s": None, "step_index": None,
             "reasons": ["no_current_step"]}
            for number in numbers
        ]
        return {"pack": None, "groups": empty, "reasons": ["no_current_step"], "to_record": [ADVICE["no_current_step"]]}
    stretch, experiment, rows, fitted, circuit = tried
    at_edge: Mapping[str, Any] = next((row for row in resistance["pack"] if row["at_s"] == stretch.edges[0].at_s), {})
    place = {"state_of_charge": at_edge.get("state_of_charge"), "temperature_c": at_edge.get("temperature_c")}
    bench = pack.instrument
    lead = bench.lead_resistance_ohm if bench.sense == "two-wire" else 0.0
    whole = _row(circuit, fitted, stretch, bench, False, place, lead)
    group_rows = []
    if log.series:
        fitted, circuits = _fit(log, steps, flow, headline, stretch, experiment, rows, log.group_voltage_v)
        group_rows = [{"group": number} | _row(c, fitted, stretch, bench, True, place) for number, c in zip(numbers, circuits)]
    reasons = [] if circuit.order else list(circuit.reasons)
    open_points = dict.fromkeys([*reasons, *(code for row in group_rows for code in row["reasons"])])
    return {
        "pack": _shown(whole) if circuit.order else None, "groups": _shown(group_rows), "reasons": reasons,
        "to_record": [ADVICE[code] for code in open_points],
    }
