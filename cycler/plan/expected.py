"""What a step will take, warm and show before it is run: closed forms from ratings and the habits of the chemistry.

Everything here is an estimate for a pack that nobody has measured yet; each comes with what is left open of it. Distributions over a range
are rectangular (u = half-width / sqrt(3)).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cycler.instrument import Instrument
from cycler.measures.leakage import COARSE_SHARE, FLAT_MV_PER_PERCENT
from cycler.measures.rest import DITHERED_STEPS, DRIFT_MIN_S, expected_drift_u
from cycler.resttable import REST_MAX_H, SHOWN_AT
from cycler.uncertainty import BudgetLine, combined, reading_u, rectangular, resolution_term, rounding_beyond

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Habits:
    """What packs of a chemistry usually show, per Ah of one group. Common practice, no source, unless said.

    Attributes
    ----------
    ohm_ah : (float, float, float)
        Resistance after minutes under load times capacity: low, usual, high. [ohm Ah]
        A cell of 2.5 Ah and 30 mOhm a.c. has 0.08; under a steady load 1.3 to 2 times as much, in a worn one more.
    heat_j_per_k_ah : float
        Heat capacity: some 18 g of cell per Ah (26 g for lfp, 35 g for lto) at about 0.95 J/(g K). [J/(K Ah)]
    end_slope_v : float
        Fall of one group's voltage over the last hundredths of a discharge, per whole capacity. [V]
    top_slope_v : float
        The same just below full. [V]
    rest_mv_per_percent : float
        Fall of the voltage at rest per percent of charge, near full: 8 mV for nmc is the figure of a worked example of self-discharge. [mV]
    """

    ohm_ah: tuple[float, float, float] = (0.05, 0.13, 0.30)
    heat_j_per_k_ah: float = 17.0
    end_slope_v: float = 5.0
    top_slope_v: float = 1.0
    rest_mv_per_percent: float = 8.0


HABITS: dict[str, Habits] = {
    "nmc": Habits(), "nca": Habits(), "lco": Habits(), "lmo": Habits(heat_j_per_k_ah=22.0),
    "lfp": Habits((0.04, 0.11, 0.28), 25.0, 10.0, 1.0, 0.3), "lto": Habits((0.02, 0.06, 0.20), 33.0, 5.0, 1.0, 5.0),
    "nimh": Habits((0.03, 0.08, 0.25), 13.0, 4.0, 0.3, 0.5),
}
WIRING_OHM = (0.0, 0.006, 0.030)
"""Strips, leads and board of a pack: low, usual, high. [ohm] Common practice, no source."""
CAPACITY_SHARE = (0.60, 1.05)
"""Capacity of a pack nobody has measured, as a share of its rating. Common practice, no source."""
WARM_K = 10.0
"""Temperature rise at which a test at half the one-hour current or less is looked into, 8 to 10 K. Common practice, no source. [K]"""


def habits_of(chemistry: str | None) -> Habits:
    """Habits of a chemistry, those of nmc where it is not known."""
    return HABITS.get(chemistry or "", HABITS["nmc"])


def it_current_a(rate_it: float, rated_ah: float) -> float:
    """Current of a rate in multiples of It = Cn / 1 h. [A]

    References
    ----------
    IEC 62619, 7.1 note 1 (read in a national adoption; the convention is that of IEC 61434, from memory): 2.5 Ah at 0.2 It is 0.5 A.
    """
    return rate_it * rated_ah


def pack_ohm(series: int, rated_ah: float, habits: Habits) -> tuple[float, float, float]:
    """Resistance of a pack under a steady load: low, usual, high. [ohm]"""
    low, usual, high = (series * each / rated_ah + wire for each, wire in zip(habits.ohm_ah, WIRING_OHM))
    return low, usual, high


def joule_heat_w(current_a: float, ohm: float) -> float:
    """Heat of a current in a resistance, I**2 R. [W]"""
    return current_a**2 * ohm


def heat_capacity_j_per_k(series: int, rated_ah: float, habits: Habits) -> float:
    """Heat capacity of the cells of a pack. [J/K]"""
    return series * rated_ah * habits.heat_j_per_k_ah


def adiabatic_rise_k(heat_w: float, duration_s: float, heat_capacity: float) -> float:
    """Rise of temperature if none of the heat left the cells: P t / C. An upper bound for that heat. [K]"""
    return heat_w * duration_s / heat_capacity


def taper_s(current_a: float, taper_a: float, series: int, habits: Habits, rated_ah: float) -> tuple[float, float]:
    """Time of the constant-voltage part of a charge, and its standard uncertainty. [s]

    An exponential from the charge current to the taper current with tau = R C over the slope of the open-circuit voltage near full, so
    that per group ``ohm_ah / top_slope_v`` hours. tau is known within a factor of two or so: the half-width is the whole of it. Common practice,
    no source.
    """
    if current_a <= taper_a:
        return 0.0, 0.0
    tau_s = SECONDS_PER_HOUR * 1.5 * habits.ohm_ah[1] / habits.top_slope_v
    expected = tau_s * math.log(current_a / taper_a)
    return expected, rectangular(expected)


def moved_s(charge_ah: tuple[float, float], current_a: float) -> tuple[float, float, float]:
    """Time in which a current moves a charge that lies in a range: expected, standard uncertainty, longest. [s]"""
    low, high = (SECONDS_PER_HOUR * ah / current_a for ah in charge_ah)
    return 0.5 * (low + high), rectangular(0.5 * (high - low)), high


# --- what the capacity will be known to -----------------------------------------------------------------------------


def capacity_lines(
    instrument: Instrument, capacity_ah: float, hours: float, end_u_v: float, end_slope_v_per_ah: float, switch_as: Sequence[float] = (),
    resolution_a: float = 0.0, top_slope_v_per_ah: float | None = None, charge_voltage_v: float | None = None,
) -> tuple[BudgetLine, ...]:
    """Budget of a capacity before it is measured. [Ah]

    The lines of :func:`cycler.uncertainty.capacity_budget` that limits of error and the plan tell: current gain Q g, current offset a T, clock Q g_t,
    cut-off u(V) over the slope at the end, the instants of switching, rounding of the current, and how full the charger's voltmeter leaves the pack.

    Parameters
    ----------
    instrument : Instrument
    capacity_ah, hours : float
        Charge taken out and time under current. [Ah], [h]
    end_u_v, end_slope_v_per_ah : float
        Standard uncertainty of the voltage at which the discharge ends, and its fall per charge there. [V], [V/Ah]
    switch_as : sequence of float
        Charge that the instant of each switch leaves open, as a standard uncertainty. [As]
    resolution_a : float
        Step of the current readings. [A]
    top_slope_v_per_ah, charge_voltage_v : float, optional
        Fall of the pack's voltage per charge just below full, and the voltage it is charged to. [V/Ah], [V]
    """
    lines = [
        BudgetLine("current gain", rectangular(instrument.current_gain * capacity_ah)),
        BudgetLine("current offset", rectangular(instrument.current_offset_a) * hours),
        BudgetLine("clock", rectangular(instrument.clock_gain * capacity_ah)),
        BudgetLine("cut-off voltage", end_u_v / end_slope_v_per_ah),
        BudgetLine("sample instant", math.hypot(*switch_as, 0.0) / SECONDS_PER_HOUR),
    ]
    step_a = rounding_beyond(resolution_a, instrument.limits("current")[2])
    if step_a:
        lines.append(BudgetLine("current noise and resolution", resolution_term(step_a) * hours))
    if top_slope_v_per_ah and charge_voltage_v:
        lines.append(BudgetLine("charge voltage", reading_u(instrument, "voltage", charge_voltage_v, 0.0) / top_slope_v_per_ah))
    return tuple(lines)


def capacity_u_ah(lines: tuple[BudgetLine, ...]) -> float:
    """Standard uncertainty of a capacity by its budget. [Ah]"""
    return combined(lines)


# --- how long a rest must be ----------------------------------------------------------------------------------------


def rest_slope_v_per_ah(rated_ah: float, habits: Habits) -> float | None:
    """Fall of a group's voltage at rest per charge, near full; None where it is too flat for a rest to show anything. [V/Ah]"""
    if habits.rest_mv_per_percent < FLAT_MV_PER_PERCENT:
        return None
    return habits.rest_mv_per_percent * 1e-3 * 100.0 / rated_ah


def smallest_leak_after_ma(
    hours: float, slope_v_per_ah: float, sampling_s: float, noise_v: float, resolution_v: float, siblings: int, slope_share: float = COARSE_SHARE
) -> float | None:
    """Smallest leak that a rest would show at k = 2: its drift is twice its standard uncertainty. [mA]

    The uncertainty of the drift is that of :func:`cycler.measures.rest.expected_drift_u`, joined with ``slope_share``, the relative standard
    uncertainty of the slope that turns it into a current. None for a rest that is too short to give a drift.
    """
    if hours * SECONDS_PER_HOUR < DRIFT_MIN_S or SHOWN_AT * slope_share >= 1.0:
        return None
    reading = math.hypot(noise_v, resolution_term(resolution_v))
    dithered = resolution_v <= 0 or reading >= DITHERED_STEPS * resolution_v
    u = expected_drift_u(hours * SECONDS_PER_HOUR, sampling_s, reading, resolution_v, dithered, siblings)
    return 3.6e6 * u / slope_v_per_ah / math.sqrt(1.0 / SHOWN_AT**2 - slope_share**2)


def shortest_rest_h(
    leak_ma: float, slope_v_per_ah: float, sampling_s: float, noise_v: float, resolution_v: float, siblings: int, slope_share: float = COARSE_SHARE
) -> float | None:
    """Shortest rest that would show a leak of that size; None beyond ``REST_MAX_H``. [h]"""
    for hours in np.geomspace(DRIFT_MIN_S / SECONDS_PER_HOUR, REST_MAX_H, 400):
        shown = smallest_leak_after_ma(float(hours), slope_v_per_ah, sampling_s, noise_v, resolution_v, siblings, slope_share)
        if shown is not None and shown <= leak_ma:
            return float(hours)
    return None


# --- rows of a log --------------------------------------------------------------------------------------------------

Sampling = tuple[tuple[float, float], ...]
"""Pairs (until this time in the step, period); the last period holds to the end. [s]"""


def rows_of(duration_s: float, sampling: Sampling) -> float:
    """Rows that a step of that length writes."""
    rows, begin = 0.0, 0.0
    for until, period in sampling:
        end = min(duration_s, until)
        rows += max(end - begin, 0.0) / period
        begin = max(begin, end)
    return rows
