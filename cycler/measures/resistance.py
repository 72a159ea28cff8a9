"""Direct-current resistance at current edges, of the pack and of every group.

At an edge of height dI the voltage moves by dU(t); R(t) = dU(t)/dI, charge current positive, so R > 0 for both
directions. R(t) contains the ohmic part, polarisation and the small drift of the open-circuit voltage during t; none of
them is subtracted. It is not the a.c. resistance at 1 kHz.
The ohmic part is R(t) extrapolated to the edge: R(t) = R0 + sum_i Ri (1 - exp(-t/tau_i)) + k t with fixed time constants
on a grid and all coefficients >= 0 (non-negative least squares, scipy.optimize.nnls), a discretised step response of a
series of RC elements (textbook Thevenin model).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from cycler.averaging import local_value, rounding_left, scatter_of
from cycler.log import Log
from cycler.measures.integrate import Switch
from cycler.nonnegative import nonnegative_fit
from cycler.signals import noise_of, resolution_of, straight
from cycler.steps import Step, pack_voltage

AFTER_S = (1.0, 10.0, 30.0)
OHMIC_SAMPLING_MAX_S = 1.05
"""Slowest sampling at which the ohmic part is given at all. [s] (1 Hz with clock jitter.)"""
PRE_WINDOW_S = 30.0
GRID_SHARE = 0.004
"""Standard uncertainty of an extrapolated ohmic part from the grid of time constants, as a share. Checked on simulated
step responses."""
AROUND_SHARE = 0.2
"""Readings within this share of the time after the edge join in a value read there. Common practice, no source; what the bend of R(t) adds
to a line stays below 0.1 % for time constants of 3 s and more."""
INSTANT_SHARE = 0.32
"""Standard uncertainty of the edge's instant beyond which a value so long after it is withheld, as a share of that time: the edge may lie anywhere
between two rows as far apart as the time itself. Common practice, no source."""
EDGE_MIN_SHARE = 0.15
"""Smallest edge used, as a share of the largest edge of the log. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One current edge: last sample before (``k``), steps beside it, instant and height; ``current_share`` is the relative
    standard uncertainty of the height from the ammeter's noise and resolution."""

    k: int
    before: int
    after: int
    at_s: float
    u_at_s: float
    current_before_a: float
    current_step_a: float
    rest_before_s: float
    current_share: float = 0.0


@dataclass(frozen=True, slots=True)
class StepResponse:
    """Resistance of one voltage channel at one edge. ``None`` = the sampling does not support it. [ohm]

    ``ohm`` holds R after each of ``AFTER_S`` seconds; ``u_before_ohm`` is what noise and rounding of the voltage before the edge leave in
    all of them, ``u_after_ohm`` what those of the readings around each instant do, ``u_instant_ohm`` what the open instant of the edge does;
    ``first_s`` and ``first_ohm`` belong to the first sample after the edge.
    """

    ohm: tuple[float | None, ...]
    u_before_ohm: float
    u_after_ohm: tuple[float, ...]
    u_instant_ohm: tuple[float, ...]
    ohmic_ohm: float | None
    u_ohmic_ohm: float | None
    first_s: float
    first_ohm: float
    voltage_before_v: float
    drop_10s_v: float | None

    @property
    def u_random_ohm(self) -> tuple[float, ...]:
        """Noise and rounding before and after together, for each of ``AFTER_S``. [ohm]"""
        return tuple(float(np.hypot(self.u_before_ohm, after)) for after in self.u_after_ohm)


def find_edges(log: Log, steps: tuple[Step, ...], switches: tuple[Switch, ...]) -> tuple[Edge, ...]:
    """Edges between steps that are steep and high enough to give a resistance.

    The instant lies where the switch was found to lie in its interval (see ``integrate.switch_share``); unknown instants
    stand in the middle with a rectangular uncertainty of half the interval.
    """
    by_k = {switch.k: switch for switch in switches}
    grid = resolution_of(log.current_a)
    candidates = []
    for before, after in itertools.pairwise(steps):
        k = after.first - 1
        switch = by_k.get(k)
        if switch is None or after.kind in ("charge_cv", "discharge_cv"):
            continue
        if any(log.time_s[k] < g.start_s + 0.5 * g.duration_s < log.time_s[k + 1] for g in log.reading.gaps):
            continue
        span = log.time_s[k + 1] - log.time_s[k]
        old = _level_near(log.current_a, before, at_end=True)
        new = _level_near(log.current_a, after, at_end=False)
        if not _settles(log.time_s[after.slice], log.current_a[after.slice], new, abs(new - old)):
            continue
        at_s = float(log.time_s[k] + (1.0 - switch.new_share) * span)
        rest = float(log.time_s[before.last] - log.time_s[before.first]) if before.kind == "rest" else 0.0
        candidates.append(
            Edge(
                k, before.index, after.index, at_s, float(span * switch.u_new_share), old, new - old, rest,
                _height_u(log.current_a, before, after, grid) / abs(new - old),
            )
        )
    if not candidates:
        return ()
    largest = max(abs(edge.current_step_a) for edge in candidates)
    return tuple(edge for edge in candidates if abs(edge.current_step_a) >= EDGE_MIN_SHARE * largest)


def most_telling(edges: tuple[Edge, ...], limit: int) -> tuple[Edge, ...]:
    """At most ``limit`` edges in time order, the highest first, so that a log of endless pulses stays workable."""
    if len(edges) <= limit:
        return edges
    keep = sorted(range(len(edges)), key=lambda k: -abs(edges[k].current_step_a))[:limit]
    return tuple(edges[k] for k in sorted(keep))


def _settles(time_s: np.ndarray, current_a: np.ndarray, level_a: float, height_a: float) -> bool:
    """True if current reaches its level within three samples and stays there for up to 10 s, within 6 % of the edge."""
    since = time_s - time_s[0]
    if since.size < 4:
        return bool(since.size < 2 or np.median(np.diff(since)) >= 0.9)
    early = current_a[3:][since[3:] <= 10.0][:12]
    early = early[np.isfinite(early)]
    return bool(early.size == 0 or np.max(np.abs(early - level_a)) <= 0.06 * height_a)


def _level_near(current: np.ndarray, step: Step, at_end: bool) -> float:
    """Current of a step beside an edge: median of the five samples nearest to it. [A]"""
    part = current[step.slice]
    part = part[np.isfinite(part)]
    if part.size == 0:
        return step.level_a
    if step.kind == "rest":
        return float(np.median(part[-9:] if at_end else part[:9]))
    return float(np.median(part[-5:] if at_end else part[1:6] if part.size > 3 else part))


def _height_u(current: np.ndarray, before: Step, after: Step, grid_a: float) -> float:
    """Standard uncertainty of an edge's height from noise and rounding of the two levels beside it. [A]

    A median of n readings carries 1.2533/sqrt(n) of their noise (normal, textbook); what rounding leaves does not average out.
    """
    total = 0.0
    for step, count in ((before, 9 if before.kind == "rest" else 5), (after, 9 if after.kind == "rest" else 5)):
        part = current[step.slice]
        part = part[-200:] if step is before else part[1:201]
        noise = scatter_of(part, grid_a)
        total += 1.2533**2 * noise**2 / max(1, min(count, part.size)) + rounding_left(noise, grid_a) ** 2
    return float(np.sqrt(total))


def before_edge(time_s: np.ndarray, voltage_v: np.ndarray, at_s: float) -> tuple[float, float]:
    """Voltage just before an edge, carried to the edge along the trend of the last samples (a line where it fits the last
    30 s within noise, else a parabola over the last 2.5 s), and its standard uncertainty. [V]

    Parameters
    ----------
    time_s, voltage_v : ndarray, shape (n,)
        Samples of the step before the edge.
    at_s : float
        Instant of the edge. [s]
    """
    good = np.isfinite(voltage_v)
    time, voltage = time_s[good], voltage_v[good]
    if time.size == 0:
        return np.nan, np.nan
    use = time >= at_s - PRE_WINDOW_S
    step = resolution_of(voltage)
    if np.count_nonzero(use) < 5:
        last = voltage[-3:]
        spread = float(np.std(last, ddof=1)) if last.size > 2 and time[-1] - time[-3] <= 300.0 else 0.0
        return float(voltage[-1]), float(max(spread, step / np.sqrt(12.0)))
    x, y = time[use] - at_s, voltage[use]
    slope, level = straight(x, y)
    scatter = float(np.std(y - (slope * x + level), ddof=2))
    noise = max(scatter_of(y, step), step / np.sqrt(12.0))
    if scatter <= 1.6 * noise + 1e-9 or y.size < 7:
        # Standard error of a fitted line at its end is 2 s/sqrt(n) (textbook, uniform abscissa).
        return float(level), float(np.hypot(2.0 * scatter / np.sqrt(y.size), rounding_left(scatter, step)))
    # Voltage still bends towards the edge: a parabola over the last 2.5 s (six samples at least).
    short = x >= -2.5
    short[-6:] = True
    x, y = x[short], y[short]
    if np.unique(x).size < 4:
        return float(level), float(np.hypot(2.0 * scatter / np.sqrt(y.size), rounding_left(noise, step)))
    bend, slope, level = np.polyfit(x, y, 2)
    scatter = float(np.std(y - np.polyval((bend, slope, level), x)))
    # A parabola's standard error at its end is 3 s/sqrt(n) (textbook); what it makes of the last interval stays open by half.
    random = np.hypot(3.0 * max(scatter, noise) / np.sqrt(y.size), rounding_left(noise, step))
    return float(level), float(np.hypot(random, 0.5 * abs(level - y[-1])))


def step_response(
    time_s: np.ndarray,
    voltage_v: np.ndarray,
    before_v: float,
    u_before_v: float,
    edge: Edge,
    read_noise_v: float,
    current_a: np.ndarray | None = None,
    resolution_v: float = 0.0,
) -> StepResponse | None:
    """Resistance against time after an edge for one voltage channel.

    Parameters
    ----------
    time_s, voltage_v : ndarray, shape (n,)
        Samples of the step after the edge.
    before_v, u_before_v : float
        Voltage just before it and its standard uncertainty. [V]
    edge : Edge
    read_noise_v : float
        Standard deviation of one reading, noise and rounding together. [V]
    current_a : ndarray, shape (n,), optional
        Current of the same samples: while it still rises (or is not yet steady) in the first three, their own current
        counts instead of the level reached. [A]
    resolution_v : float
        Step of the readings. [V]

    Returns
    -------
    StepResponse or None
        None if no reading follows the edge, or if the voltage moved against the current, as where a board took the terminals away.
    """
    good = np.isfinite(voltage_v) & (time_s >= edge.at_s - 1e-9)
    since = np.maximum(time_s[good] - edge.at_s, 0.0)
    height = np.full(since.size, edge.current_step_a)
    if current_a is not None and since.size:
        own = current_a[good][:3] - edge.current_before_a
        rising = np.isfinite(own) & (np.abs(own - edge.current_step_a) > 0.01 * abs(edge.current_step_a))
        rising &= np.sign(own) == np.sign(edge.current_step_a)
        height[:3] = np.where(rising, own, height[:3])
    ohm = (voltage_v[good] - before_v) / height
    if since.size == 0 or not np.isfinite(before_v) or np.median(ohm[:5]) < 0.0:
        return None
    single = float(np.hypot(read_noise_v, u_before_v) / abs(edge.current_step_a))
    values, randoms, instants = [], [], []
    for after_s in AFTER_S:
        value, slope, factor = _at(since, ohm, after_s)
        # One row alone does not tell how fast R rises there, nor rows so far apart when it was read.
        told = edge.u_at_s <= (INSTANT_SHARE if since.size > 1 else 0.02) * after_s
        values.append(value if told else None)
        left = rounding_left(read_noise_v, resolution_v)
        randoms.append(float(np.hypot(factor * max(read_noise_v, resolution_v / np.sqrt(12.0)), left) / abs(edge.current_step_a)))
        instants.append(abs(slope) * edge.u_at_s)
    first = since[: min(since.size, 12)]
    sampling = float(np.median(np.diff(first))) if first.size > 2 else np.inf
    ohmic = u_ohmic = None
    if 0.0 < sampling <= OHMIC_SAMPLING_MAX_S and np.unique(since[(since > 0.0) & (since <= 30.0)][:200]).size >= 4 and since[0] <= 1.5 * OHMIC_SAMPLING_MAX_S:
        ohmic, u_ohmic = ohmic_part(since, ohm, single, edge.u_at_s)
    ten = values[AFTER_S.index(10.0)]
    return StepResponse(
        tuple(values), float(u_before_v / abs(edge.current_step_a)), tuple(randoms), tuple(instants), ohmic, u_ohmic, float(since[0]), float(ohm[0]),
        float(before_v), None if ten is None else -ten * edge.current_step_a,
    )


def _at(since: np.ndarray, ohm: np.ndarray, after_s: float) -> tuple[float | None, float, float]:
    """R at a time after the edge from the samples around it, its slope there, and the factor of a single reading's noise in it.

    A least-squares line through the samples within ``AROUND_SHARE`` of the time (two on either side at least, where they lie within
    0.3 of it), a parabola through nine and more; otherwise linear interpolation. None if the step is over by then, or the samples around it lie further apart than the time asked for (0.6 of it for
    the sample before: across the edge nothing may be interpolated).
    """
    k = int(np.searchsorted(since, after_s - 1e-9))
    if k >= since.size:
        # A step of 10 s sampled at 1 Hz may end a little short of 10 s after its edge.
        gap = after_s - since[-1]
        usual = since[-1] - since[-2] if since.size > 1 else np.inf
        if since.size > 1 and gap <= 0.6 * usual and gap <= 0.25 * after_s:
            near = since >= after_s * (1.0 - AROUND_SHARE)
            if np.count_nonzero(near) >= 9:
                return local_value(since[near] - after_s, ohm[near], 2)
            slope = (ohm[-1] - ohm[-2]) / max(usual, 1e-9)
            return float(ohm[-1] + slope * gap), float(slope), 1.0 + 1.5 * gap / usual
        return None, 0.0, 1.0
    if k == 0:
        if since[0] <= after_s * 1.001 + 1e-9:
            # R(t) flattens: before the first row it rose faster than after it, by half again for what is open of the instant.
            rise = 1.5 * (ohm[1] - ohm[0]) / (since[1] - since[0]) if since.size > 1 and since[1] > since[0] else 0.0
            return float(ohm[0]), float(rise), 1.0
        return None, 0.0, 1.0
    span = since[k] - since[k - 1]
    if span > after_s * 1.01 + 1e-9:
        return None, 0.0, 1.0
    near = np.abs(since - after_s) <= AROUND_SHARE * after_s
    lo, hi = max(0, k - 2), min(since.size, k + 3)
    if hi - lo >= 4 and since[hi - 1] - since[lo] <= 0.6 * after_s:
        near[lo:hi] = True
    if np.count_nonzero(near) >= 4 and np.unique(since[near]).size >= 4:
        return local_value(since[near] - after_s, ohm[near], 2 if np.count_nonzero(near) >= 9 else 1)
    slope = (ohm[k] - ohm[k - 1]) / span if span > 0 else 0.0
    share = (after_s - since[k - 1]) / span if span > 0 else 1.0
    return float(ohm[k - 1] + slope * (after_s - since[k - 1])), float(slope), float(np.hypot(share, 1.0 - share))


def ohmic_part(
    since_s: np.ndarray, ohm: np.ndarray, u_random_ohm: float, u_instant_s: float
) -> tuple[float, float]:
    """R extrapolated to the edge, and its standard uncertainty.

    Parameters
    ----------
    since_s : ndarray, shape (n,)
        Time after the edge, increasing. [s]
    ohm : ndarray, shape (n,)
        R(t). [ohm]
    u_random_ohm : float
        Standard uncertainty of one value from noise and resolution. [ohm]
    u_instant_s : float
        Standard uncertainty of the instant of the edge. [s]

    Returns
    -------
    ohmic_ohm, u_ohmic_ohm : float

    Notes
    -----
    Uses the first 30 s. Shortest time constant offered: three sampling intervals (faster ones cannot be told from
    the ohmic part). The uncertainty joins noise, the initial slope times that of the instant, half the
    distance that was extrapolated (model), what one sampling interval moved R right after the edge (half-width, rectangular: a
    faster part may hide in it), and ``GRID_SHARE``.
    """
    t, first = np.unique(since_s[since_s <= 30.0], return_index=True)
    r = ohm[first]
    spacing = float(np.median(np.diff(t))) if t.size > 1 else 1.0
    horizon = float(t[-1])
    taus = np.array([0.05, 0.15, 0.5, 1.5, 4.0, 12.0, 40.0])
    taus = taus[(taus >= 3.0 * spacing) & (taus <= 3.0 * horizon)]
    basis = [np.ones_like(t), *[1.0 - np.exp(-t / tau) for tau in taus], t / horizon]
    matrix = np.column_stack(basis)
    sign = 1.0 if np.median(r) >= 0 else -1.0
    # Early samples carry the answer: weight them up, evenly per decade of time.
    weight = 1.0 / np.sqrt(np.maximum(t, spacing))
    coefficients = nonnegative_fit(matrix * weight[:, None], sign * r * weight)
    ohmic = sign * float(coefficients[0])
    model = matrix @ coefficients
    early = min(t.size - 1, max(1, int(np.searchsorted(t, t[0] + 2.0 * spacing))))
    slope = abs(model[early] - coefficients[0]) / max(t[early], spacing)
    residual = float(np.sqrt(np.mean((sign * r - model)[: max(4, early + 1)] ** 2)))
    extrapolated = abs(model[0] - coefficients[0])
    hidden = abs(r[1] - r[0]) if r.size > 1 else 0.0
    few = max(1.0, min(float(t.size), 6.0))
    u = np.sqrt(
        (max(u_random_ohm, residual) * np.sqrt(2.0 / few)) ** 2 + (slope * u_instant_s) ** 2 + (extrapolated / 2.0) ** 2 + hidden**2 / 3.0
        + (u_random_ohm**2) / 2.0 + (GRID_SHARE * ohmic) ** 2
    )
    return ohmic, float(u)


def channel_responses(log: Log, steps: tuple[Step, ...], edge: Edge, voltage_v: np.ndarray) -> StepResponse | None:
    """:class:`StepResponse` of one voltage column of the log at one edge. ``voltage_v`` has shape (n,). [V]"""
    before = steps[edge.before].slice
    after = steps[edge.after].slice
    before_v, u_before = before_edge(log.time_s[before], voltage_v[before], edge.at_s)
    step_v = resolution_of(voltage_v[before.start : after.stop])
    near = voltage_v[before][log.time_s[before] >= edge.at_s - 10.0 * PRE_WINDOW_S]
    read = max(scatter_of(near, step_v), step_v / np.sqrt(12.0) if near.size < 5 else 0.0)
    return step_response(log.time_s[after], voltage_v[after], before_v, u_before, edge, read, log.current_a[after], step_v)


def alike_edges(edges: tuple[Edge, ...], main: int, charge_at_edge_ah: np.ndarray, capacity_ah: float) -> tuple[int, ...]:
    """Edges at which the ohmic part must be that of the main edge: from the same current by the same step within a tenth of it
    (resistance depends on the current, and is lower when a load goes off than when it comes on) and within 3 % of charge.

    Parameters
    ----------
    edges : tuple of Edge
    main : int
        Index of the main edge.
    charge_at_edge_ah : ndarray, shape (edges,)
        Running charge at each edge. [Ah]
    capacity_ah : float
        Charge that counts as 100 %. [Ah]
    """
    step, before = edges[main].current_step_a, edges[main].current_before_a
    return tuple(
        k
        for k, edge in enumerate(edges)
        if abs(edge.current_step_a - step) <= 0.1 * abs(step)
        and abs(edge.current_before_a - before) <= 0.1 * abs(step)
        and abs(charge_at_edge_ah[k] - charge_at_edge_ah[main]) <= 0.03 * capacity_ah
    )


def combine_ohmic(responses: list[StepResponse | None]) -> tuple[float | None, float | None]:
    """Weighted mean of the ohmic parts at several edges of one channel, and its standard uncertainty. [ohm]

    The first response is that of the main edge. The instants of the edges are independent, the extrapolation is not: the uncertainty is not taken below 0.8 of the best
    single one (common practice, no source). Weights 1/u^2 (textbook).
    """
    known = [(r.ohmic_ohm, r.u_ohmic_ohm) for r in responses if r is not None and r.ohmic_ohm is not None and r.u_ohmic_ohm]
    if not known:
        return None, None
    values, u = np.array(known).T
    weights = 1.0 / u**2
    mean = float(np.sum(weights * values) / np.sum(weights))
    if np.sum(weights * (values - mean) ** 2) > 4.0 * values.size:
        # They disagree by more than their uncertainties: something differs between the edges; the first keeps its own.
        return float(values[0]), float(np.hypot(u[0], np.std(values)))
    return mean, float(max(1.0 / np.sqrt(np.sum(weights)), 0.8 * np.min(u)))


@dataclass(frozen=True, slots=True)
class TwoLevel:
    """Two-level d.c. resistance: (U1 - U2)/(I2 - I1), by recipe ``iec61960_dc`` or ``iec62620_dc``. [ohm]"""

    method: str
    at_s: float
    after_s: float
    current_step_a: float
    ohm: float
    u_ohm: float
    step_index: int


# Recipe: first level and time, second level and time, as multiples of It and seconds.
# From memory of IEC 61960-3 (d.c. two-current method) and IEC 62620 (d.c. resistance); clause numbers not verified.
_RECIPES = (("iec61960_dc", 0.2, 10.0, 1.0, 1.0), ("iec62620_dc", 0.2, 30.0, 1.0, 5.0))


def _unknown_switches(log: Log, steps: tuple[Step, ...]) -> tuple[Switch, ...]:
    """A switch of unknown instant at every step boundary."""
    return tuple(
        Switch(step.first - 1, 0.5, 1.0 / np.sqrt(12.0), "unknown") for step in steps[1:] if step.first > 0
    )


def _instant(time_s: np.ndarray, switch: Switch) -> float:
    """When a switch happened. [s]"""
    return float(time_s[switch.k] + (1.0 - switch.new_share) * (time_s[switch.k + 1] - time_s[switch.k]))


def two_level_resistances(
    log: Log, steps: tuple[Step, ...], rated_capacity_ah: float | None, switches: tuple[Switch, ...] | None = None
) -> tuple[TwoLevel, ...]:
    """Two-level resistances wherever two neighbouring discharge levels follow one of the recipes.

    The ratio of the levels must be 5 within 15 %; where the rated capacity is known the first level must be 0.2 It within
    15 % too. The first level must last its time within 15 % (or one sample), the second at least its time. Where the
    instant of the edge is open by more than 15 % of the second time, as in a log sampled once a second for a step of one second, the
    figure is withheld. ``switches`` are those of :func:`capacity.find_switches`; without them every instant counts as unknown.
    """
    found = []
    by_k = {switch.k: switch for switch in (switches if switches is not None else _unknown_switches(log, steps))}
    voltage = pack_voltage(log)
    for first, second in itertools.pairwise(steps):
        if first.direction >= 0 or second.direction >= 0:
            continue
        i1, i2 = first.level_a, second.level_a
        if not 4.25 <= i2 / i1 <= 5.75:
            continue
        if rated_capacity_ah and not 0.17 <= abs(i1) / rated_capacity_ah <= 0.23:
            continue
        on, off = by_k.get(first.first - 1), by_k.get(second.first - 1)
        if on is None or off is None:
            continue
        t0, edge = _instant(log.time_s, on), _instant(log.time_s, off)
        span = float(log.time_s[off.k + 1] - log.time_s[off.k])
        u_edge = span * off.u_new_share
        for method, _, time_1, _, time_2 in _RECIPES:
            if abs(edge - t0 - time_1) > max(0.15 * time_1, span) or u_edge > 0.15 * time_2:
                continue
            since, u2 = log.time_s[second.slice] - edge, voltage[second.slice]
            good = np.isfinite(u2)
            since, u2 = since[good], u2[good]
            if since.size < 2 or since[-1] < time_2 - 0.6 * span or since[0] > time_2:
                continue
            value = float(np.interp(time_2, since, u2))
            if time_2 > since[-1]:
                value = float(u2[-1] + (u2[-1] - u2[-2]) / (since[-1] - since[-2]) * (time_2 - since[-1]))
            before_v, u_before = before_edge(log.time_s[first.slice], voltage[first.slice], edge)
            read = float(np.hypot(resolution_of(voltage[first.slice]) / np.sqrt(12.0), noise_of(voltage[first.slice])))
            k = int(np.clip(np.searchsorted(since, time_2), 1, since.size - 1))
            rate = abs(u2[k] - u2[k - 1]) / max(since[k] - since[k - 1], 1e-9)
            ohm = (before_v - value) / (i1 - i2)
            height = _height_u(log.current_a, first, second, resolution_of(log.current_a)) * ohm
            u_ohm = float(np.sqrt(read**2 + u_before**2 + (rate * u_edge) ** 2 + height**2)) / abs(i2 - i1)
            found.append(
                TwoLevel(method, edge, time_2, i2 - i1, ohm, u_ohm, second.index)
            )
    return tuple(found)
