"""One charge of a log: what went in at constant current and at constant voltage, how the current tapered, and what is still missing."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from cycler.measures.capacity import ChargeRun, Flow
from cycler.measures.integrate import SECONDS_PER_HOUR
from cycler.measures.knee import knee_of
from cycler.signals import noise_of, resolution_of
from cycler.steps import Step, pack_voltage

BINS_MAX = 60
"""Means that a taper is fitted on: enough for its shape, few enough that rows close together do not outweigh the others."""
BINS_MIN = 8
FALL_MIN = 0.6
"""Fall of ln I below which a taper is too short for a time constant: to 55 % of where it began. Common practice, no source."""
READABLE = 3.0
"""A current counts where it is this many times the uncertainty of the ammeter's zero; below that its logarithm means nothing."""
EXPONENTIAL_SHARE = 0.2
"""Change of the time constant from the first to the second half of a taper beyond which it is called no exponential. Common practice, no source."""
BEYOND_SHARE = 0.5
"""Half-width, as a share, of what is said of the taper below the currents that were logged. From one openly published charge (NASA Ames
battery set, cell 5, 1.5 A to 20 mA): cut at 0.1 It to 0.4 It, its exponential taper falls short of what then went in by up to 0.35 of that."""


@dataclass(frozen=True, slots=True)
class Taper:
    """Fall of the current at constant voltage, I = I_end exp(-(t - t_end)/tau). See :func:`taper_of`.

    ``end_current_a`` is the current when the charger stopped, the ammeter's zero taken off. ``missing_ah`` = I_end tau is what an exponential taper would
    still take without end. All None with ``reasons``: ``taper_too_short`` (too few readings, or the current hardly fell), ``zero_hides_taper`` (too little of it stands
    clear of what the ammeter may read at no current). Beside figures: ``taper_not_exponential``.
    """

    reasons: tuple[str, ...] = ()
    time_constant_s: float | None = None
    u_time_constant_s: float | None = None
    early_time_constant_s: float | None = None
    end_current_a: float | None = None
    u_end_current_a: float | None = None
    missing_ah: float | None = None
    u_missing_ah: float | None = None


@dataclass(frozen=True, slots=True)
class Charging:
    """One charge. Charge in Ah and energy in Wh of the current into the pack, less what pulses of load between took out.

    ``cc_...`` is what went in while the current was held, ``cv_...`` while the voltage was; what held neither is in none of them. Times leave
    out pauses, which ``pause_s`` adds up (rests between steps of this charge). ``u_cc_cv_s`` is the uncertainty of the instant at which one passed into the
    other, ``u_cc_cv_ah`` the same as charge, ``u_start_s`` and ``u_stop_s`` those of the charger's start and stop. ``open_gap``: a gap in it that no counter bridges, so that its charge is not known. ``switch_terms_as`` (current step times interval
    times uncertainty of the instant, for each switch and the charger's stop) and what follows are for the budget.
    """

    run: ChargeRun
    start_s: float
    end_s: float
    active_s: float
    charge_ah: float
    energy_wh: float
    cc_ah: float
    cv_ah: float
    cc_s: float
    cv_s: float
    u_cc_cv_s: float
    u_cc_cv_ah: float
    u_start_s: float
    u_stop_s: float
    pauses: int
    pause_s: float
    end_current_a: float | None
    end_voltage_v: float | None
    mean_temperature_c: float | None
    min_temperature_c: float | None
    max_temperature_c: float | None
    taper: Taper | None
    open_gap: bool
    switch_terms_as: tuple[float, ...]
    voltage_resolution_v: float
    voltage_noise_v: float
    resolution_a: float
    noise_a: float
    sampling_s: float
    bridged_ah: float
    bridge_half_widths_ah: tuple[float, ...]
    missing_half_ah: float


def charging_of(log: Log, steps: tuple[Step, ...], flow: Flow, run: ChargeRun, zero_a: float, u_zero_a: float) -> Charging:
    """Figures of one charge.

    Parameters
    ----------
    log, steps, flow
        The log, its steps and its running charge.
    run : ChargeRun
        As ``capacity.find_charges`` found it.
    zero_a, u_zero_a : float
        What the ammeter shows at no current, and the standard uncertainty of that. Taken off for the taper, where it decides, not for the charge, whose budget
        holds it. [A]

    Returns
    -------
    Charging

    Notes
    -----
    Charge: trapezoid between rows (``measures.integrate``), the interval of each switch shared as the clock of the step tells; between the last row with current and
    the next row the charger stopped, at an instant not known, half of that interval counts. Where constant current passes into constant voltage: ``measures.knee``. A charge whose
    first row is at constant voltage may have held its current for a while since the row before: the interval is the half-width.
    """
    own = [steps[k] for k in run.steps]
    origin, last = max(own[0].first - 1, 0), own[-1].last
    tail_s, tail_ah, u_tail_s, u_tail_as = _tail(log, steps, flow, own[-1])
    volts = pack_voltage(log)
    end_v = _last(volts[own[-1].slice])
    charge = float(flow.running_ah[last] - flow.running_ah[origin]) + tail_ah
    energy = float(flow.running_wh[last] - flow.running_wh[origin]) + tail_ah * (end_v if end_v is not None else math.nan)
    # A voltage that is missing while current flows leaves the energy open.
    if np.any(np.isnan(flow.energy_joule[origin:last]) & (flow.charge_coulomb[origin:last] != 0)):
        energy = math.nan
    amounts = {"charge_cc": [0.0, 0.0], "charge_cv": [0.0, 0.0]}
    active_s = tail_s
    for step in own:
        begin = max(step.first - 1, 0)
        # Of the interval before a step the running charge knows its share; its time is split the same way.
        share = next((s.new_share for s in flow.switches if s.k == begin), 0.5 if begin < step.first else 0.0)
        follows = step.index and steps[step.index - 1].direction > 0
        span = float(log.time_s[step.last] - log.time_s[step.first]) + share * float(log.time_s[step.first] - log.time_s[begin])
        moved = float(flow.running_ah[step.last] - flow.running_ah[begin])
        if follows:
            before = amounts.get(steps[step.index - 1].kind)
            other = (1.0 - share) * float(log.time_s[step.first] - log.time_s[begin])
            whole = float(flow.running_ah[step.first] - flow.running_ah[begin])
            if before is not None:
                before[0] += other
                before[1] += (1.0 - share) * whole
            moved -= (1.0 - share) * whole
            active_s += other
        active_s += span
        if step.kind in amounts:
            amounts[step.kind][0] += span
            amounts[step.kind][1] += moved
    if own[-1].kind in amounts:
        amounts[own[-1].kind][0] += tail_s
        amounts[own[-1].kind][1] += tail_ah
    shifts = _passings(log, flow, own, volts, amounts)
    u_start_s = _unknown_start_s(log, flow, own[0], origin)
    rests = [s for s in steps[own[0].index : own[-1].index] if s.direction == 0]
    ends = [(float(log.time_s[s.first - 1]), float(log.time_s[s.last + 1])) for s in rests]
    window = slice(own[0].first, last + 1)
    heat = log.temperature_c[window]
    heat = heat[np.isfinite(heat)]
    current = np.concatenate([log.current_a[s.slice] for s in own])
    finite = current[np.isfinite(current)]
    spans = np.diff(log.time_s[window])
    bridges = [(q, half) for k, q, half in flow.bridged if origin <= k < last]
    return Charging(
        run=run, start_s=float(log.time_s[origin]), end_s=float(log.time_s[last]) + tail_s, active_s=active_s, charge_ah=charge, energy_wh=energy,
        cc_ah=amounts["charge_cc"][1], cv_ah=amounts["charge_cv"][1], cc_s=amounts["charge_cc"][0], cv_s=amounts["charge_cv"][0],
        u_cc_cv_s=math.sqrt(sum(u**2 for u, _ in shifts)),
        u_cc_cv_ah=math.sqrt(sum(u**2 for _, u in shifts)),
        u_start_s=u_start_s, u_stop_s=u_tail_s,
        pauses=len(rests), pause_s=sum(b - a for a, b in ends), end_current_a=_last(log.current_a[own[-1].slice]), end_voltage_v=end_v,
        mean_temperature_c=float(np.mean(heat)) if heat.size else None,
        min_temperature_c=float(np.min(heat)) if heat.size else None,
        max_temperature_c=float(np.max(heat)) if heat.size else None,
        taper=_taper(log, own, tail_s, zero_a, u_zero_a),
        open_gap=any(origin <= k < last for k, *_ in flow.open_gaps),
        switch_terms_as=(
            *(
                abs(log.current_a[s.k + 1] - log.current_a[s.k]) * (log.time_s[s.k + 1] - log.time_s[s.k]) * s.u_new_share
                for s in flow.switches if origin <= s.k < last
            ),
            u_tail_as,
        ),
        voltage_resolution_v=resolution_of(volts), voltage_noise_v=noise_of(volts[own[-1].slice]),
        resolution_a=resolution_of(log.current_a), noise_a=noise_of(finite),
        sampling_s=float(np.median(spans)) if spans.size else 0.0,
        bridged_ah=sum(q for q, _ in bridges), bridge_half_widths_ah=tuple(half for _, half in bridges),
        missing_half_ah=sum(half for a, b, half in flow.missing if a < last and b > origin),
    )


def _passings(log: Log, flow: Flow, own: list[Step], volts: np.ndarray, amounts: dict[str, list[float]]) -> list[tuple[float, float]]:
    """Move time and charge in ``amounts`` to where each constant current passed into its constant voltage; standard uncertainty of each passing. [s, Ah]"""
    found = []
    for before, after in itertools.pairwise(own):
        if {before.kind, after.kind} != set(amounts) or after.index != before.index + 1:
            continue
        interval = float(log.time_s[after.first] - log.time_s[before.last])
        share = next((s.new_share for s in flow.switches if s.k == before.last), 0.5)
        cut_s = float(log.time_s[after.first]) - share * interval
        if after.kind == "charge_cc":
            found.append((interval / math.sqrt(3.0), abs(float(log.current_a[after.first])) * interval / math.sqrt(3.0) / SECONDS_PER_HOUR))
            continue
        knee = knee_of(log.time_s, log.current_a, volts, (before.first, before.last), (after.first, after.last), cut_s)
        moved_ah = float(np.diff(np.interp((knee.at_s, cut_s), log.time_s, flow.running_ah))[0])
        for kind, sign in (("charge_cv", 1.0), ("charge_cc", -1.0)):
            amounts[kind][0] += sign * (cut_s - knee.at_s)
            amounts[kind][1] += sign * moved_ah
        found.append((knee.u_at_s, abs(float(log.current_a[after.first])) * knee.u_at_s / SECONDS_PER_HOUR))
    if own[0].kind == "charge_cv" and own[0].first > 0:
        span = float(log.time_s[own[0].first] - log.time_s[own[0].first - 1])
        found.append((span / math.sqrt(3.0), abs(float(log.current_a[own[0].first])) * span / math.sqrt(3.0) / SECONDS_PER_HOUR))
    return found


def _unknown_start_s(log: Log, flow: Flow, step: Step, origin: int) -> float:
    """Standard uncertainty of the instant at which the charger came on. [s]"""
    if step.first == 0:
        return 0.0
    u = next((s.u_new_share for s in flow.switches if s.k == origin), 1.0 / math.sqrt(12.0))
    return u * float(log.time_s[step.first] - log.time_s[origin])


def _last(values: np.ndarray) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite[-1]) if finite.size else None


def _tail(log: Log, steps: tuple[Step, ...], flow: Flow, step: Step) -> tuple[float, float, float, float]:
    """Time and charge between the last row of a charge and the charger's stop, and the uncertainty of both. [s, Ah, s, A s]"""
    k = step.last
    if k + 1 >= log.rows or step.index + 1 >= len(steps) or step.end_reason == "gap":
        return 0.0, 0.0, 0.0, 0.0
    span, level = float(log.time_s[k + 1] - log.time_s[k]), float(log.current_a[k])
    share, u = next(((1.0 - s.new_share, s.u_new_share) for s in flow.switches if s.k == k), (0.5, 1.0 / math.sqrt(12.0)))
    return share * span, level * share * span / SECONDS_PER_HOUR, span * u, abs(level) * span * u


def _taper(log: Log, own: list[Step], tail_s: float, zero_a: float, u_zero_a: float) -> Taper | None:
    """The last taper of a charge, None if there is none."""
    held = [step for step in own if step.kind == "charge_cv"]
    if not held:
        return None
    first = last = held[-1]
    # A taper that the instrument's own step number cuts goes on.
    for step in reversed(held[:-1]):
        if step.index != first.index - 1:
            break
        first = step
    rows = slice(first.first, last.last + 1)
    return taper_of(
        log.time_s[rows], log.current_a[rows], zero_a, u_zero_a, tail_s if last is own[-1] else 0.0, resolution_of(log.current_a),
    )


def taper_of(
    time_s: np.ndarray, current_a: np.ndarray, zero_a: float = 0.0, u_zero_a: float = 0.0, beyond_s: float = 0.0, resolution_a: float = 0.0,
) -> Taper:
    """Time constant of a taper, and what an exponential one would still take after its end.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Rows at constant voltage; NaN = no reading. [s, A]
    zero_a, u_zero_a : float
        What the ammeter shows at no current and the standard uncertainty of that. A zero left in bends ln I and lengthens tau. [A]
    beyond_s : float
        How long after the last row the charger ran on (expectation; rectangular from 0 to twice that). [s]
    resolution_a : float
        [A]

    Returns
    -------
    Taper

    Notes
    -----
    Current less its zero, in up to ``BINS_MAX`` means over equal spans of time; weighted line of ln I against t with weights (I/u(I))**2. tau = -1/slope
    is that of the later half of the fall of ln I, because it decides what is missing; the same over the earlier half shows
    whether the taper is exponential at all. u(tau): scatter of the residuals (at least noise and resolution), widened by sqrt((1 + r)/(1 - r)) for
    their lag-1 correlation r; the zero, which acts on all at once, through the same estimator; and, as a half-width, how far tau at the end differs from tau of the
    half if it goes on changing as from the earlier half to the later.
    Missing charge: I_end tau. Below the last reading the taper is not known; tau grows there where diffusion takes over: ``BEYOND_SHARE``.

    References
    ----------
    Exponential taper I = I0 exp(-t/tau): from I1 to I2 in tau ln(I1/I2), missing I2 tau (closed form). Line with correlated residuals: effective
    number of independent readings of an AR(1) series, any statistics text (from memory).
    """
    good = np.isfinite(current_a) & np.isfinite(time_s)
    time, current = time_s[good], current_a[good] - zero_a
    if time.size < BINS_MIN:
        return Taper(("taper_too_short",))
    when, amps, counts = _means(time - time[-1], current)
    noise = noise_of(current)
    # Half a step of noise and more dithers the quantisation away.
    grid = 0.0 if noise > 0.5 * resolution_a else resolution_a / math.sqrt(12.0)
    random_a = np.hypot(noise / np.sqrt(counts), grid)
    clear = amps > READABLE * np.maximum(np.hypot(random_a, u_zero_a), 1e-12)
    hidden = int(np.argmin(clear)) if not np.all(clear) else clear.size
    when, amps, random_a = when[:hidden], amps[:hidden], random_a[:hidden]
    enough = amps.size >= BINS_MIN and math.log(amps[0] / amps[-1]) >= FALL_MIN
    if not enough:
        return Taper(("zero_hides_taper" if hidden < clear.size else "taper_too_short",))
    log_i = np.log(amps)
    middle = 0.5 * (log_i[0] + log_i[-1])
    late = np.arange(amps.size) >= max(int(np.argmax(log_i <= middle)), 1)
    fits = [_log_fit(when[part], log_i[part], random_a[part] / amps[part], u_zero_a / amps[part]) for part in (~late, late)]
    first, second = fits
    if first is None or second is None:
        return Taper(("taper_too_short",))
    (early_rate, u_early), (rate, u_rate) = first, second
    tau, early = 1.0 / rate, 1.0 / early_rate
    u_tau = math.hypot(u_rate / rate**2, tau * (math.sqrt(tau / early) - 1.0) / math.sqrt(3.0))
    fall = math.exp(-beyond_s / tau)
    end_a = float(current[-1]) * fall
    # The last single reading has the noise of one row; a mean of the last would lag behind the fall.
    u_end_a = math.sqrt(noise**2 + grid**2 + u_zero_a**2 + (end_a * beyond_s / tau) ** 2 / 3.0)
    missing = end_a * tau
    u_missing = math.sqrt((end_a * u_tau) ** 2 + (tau * u_end_a) ** 2 + (BEYOND_SHARE * missing) ** 2 / 3.0)
    apart = abs(tau / early - 1.0)
    odd = apart > max(EXPONENTIAL_SHARE, 3.0 * math.hypot(u_rate / rate, u_early / early_rate))
    return Taper(
        ("taper_not_exponential",) if odd else (), tau, u_tau, early, end_a, u_end_a, missing / SECONDS_PER_HOUR, u_missing / SECONDS_PER_HOUR,
    )


def _means(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean time, mean value and number of rows in each of up to ``BINS_MAX`` equal spans of time that hold rows."""
    bins = min(BINS_MAX, time_s.size)
    span = float(time_s[-1] - time_s[0])
    place = np.minimum(((time_s - time_s[0]) / max(span, 1e-9) * bins).astype(int), bins - 1)
    counts = np.bincount(place, minlength=bins)
    used = counts > 0
    means = [np.bincount(place, weights=column, minlength=bins)[used] / counts[used] for column in (time_s, values)]
    return means[0], means[1], counts[used]


def _log_fit(when: np.ndarray, log_i: np.ndarray, random: np.ndarray, zero: np.ndarray) -> tuple[float, float] | None:
    """Rate of fall 1/tau and its standard uncertainty; None without a fall or with fewer than four means. [1/s]

    ``random`` and ``zero`` are the relative standard uncertainties of the current from noise and from the ammeter's zero.
    """
    if when.size < 4 or np.ptp(when) <= 0:
        return None
    # A thousandth: no taper is smoother than that, and noiseless readings need a weight.
    sigma = np.hypot(random, 1e-3)
    weight = 1.0 / (sigma**2 + zero**2)
    centre = np.sum(weight * when) / np.sum(weight)
    pull = weight * (when - centre) / np.sum(weight * (when - centre) ** 2)
    slope = float(pull @ log_i)
    if slope >= 0:
        return None
    level = np.sum(weight * log_i) / np.sum(weight)
    residual = (log_i - level - slope * (when - centre)) / sigma
    spread = float(residual @ residual)
    scatter = max(1.0 if np.any(random) else 0.0, math.sqrt(spread / (when.size - 2)))
    lag = float(residual[1:] @ residual[:-1]) / spread if spread > 0 else 0.0
    # Beyond 0.9 so few independent readings are left that r itself is not known.
    lag = min(max(lag, 0.0), 0.9)
    u_random = scatter * math.sqrt((1.0 + lag) / (1.0 - lag)) * float(np.sqrt(np.sum((pull * sigma) ** 2)))
    return -slope, math.hypot(u_random, float(pull @ zero))
