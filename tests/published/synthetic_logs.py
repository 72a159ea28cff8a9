"""Logs in memory for the checks of this folder: exact responses of textbook circuits, sampled as a bench would.

Independent of the program's own simulator: only the data class ``Log`` is shared.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cycler.log import Log, Reading
from cycler.pack import Instrument, Pack

# Branches of the step response R(t) = R0 + sum Ri (1 - exp(-t/tau_i)): (Ri [ohm], tau_i [s]).
CELL_A = (0.030, ((0.020, 10.0),))
CELL_B = (0.025, ((0.010, 2.0), (0.015, 40.0)))
OCV_V = 3.700

PERFECT = Instrument(
    voltage_gain=0.0, group_voltage_gain=0.0, current_gain=0.0, clock_gain=0.0, temperature_offset_c=0.0, declared=True
)


def make_log(time_s, voltage_v, current_a, group_voltage_v=None, step_time_s=None) -> Log:
    """A log of bare arrays; charge current positive."""
    time = np.asarray(time_s, dtype=float)
    groups = np.empty((time.size, 0)) if group_voltage_v is None else np.asarray(group_voltage_v, dtype=float)
    voltage = np.full(time.size, np.nan) if voltage_v is None else np.asarray(voltage_v, dtype=float)
    reading = Reading("utf-8", ",", ".", 1, (), "elapsed")
    return Log(
        time, voltage, np.asarray(current_a, dtype=float), groups, np.empty((time.size, 0)), (), reading,
        step_time_s=step_time_s,
    )


def perfect_pack(**ratings) -> Pack:
    """A pack on a bench without errors of its own: what uncertainty is left comes from the sampling."""
    return Pack(instrument=PERFECT, **ratings)


def levels(time_s: np.ndarray, profile: Sequence[tuple[float, float]]) -> np.ndarray:
    """Current at each time of a profile of (instant [s], level [A] from then on); a sample at the instant is still
    old."""
    instants = np.array([instant for instant, _ in profile])
    values = np.array([level for _, level in profile])
    k = np.searchsorted(instants, time_s, side="left")
    return np.where(k > 0, values[np.maximum(k - 1, 0)], 0.0)


def thevenin_v(time_s: np.ndarray, profile: Sequence[tuple[float, float]], cell=CELL_A, ocv_v: float = OCV_V) -> np.ndarray:
    """Exact terminal voltage of a Thevenin cell by superposition of its step responses; charge current positive."""
    r0, branches = cell
    voltage = np.full(np.shape(time_s), ocv_v)
    before = 0.0
    for instant, level in profile:
        since = time_s - instant
        on = since > 0.0
        ohm = r0 + sum(r * (1.0 - np.exp(-np.where(on, since, 0.0) / tau)) for r, tau in branches)
        voltage = voltage + np.where(on, (level - before) * ohm, 0.0)
        before = level
    return voltage


def step_ohm(cell, t: float) -> float:
    """R(t) of a cell. [ohm]"""
    r0, branches = cell
    return r0 + sum(r * (1.0 - np.exp(-t / tau)) for r, tau in branches)
