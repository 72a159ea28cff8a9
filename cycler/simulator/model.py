"""The simulated pack: series groups, each open-circuit voltage, ohmic part and two RC branches.

Charge current is positive. All arrays over groups have shape (series,), group 1 (pack negative) first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.simulator.ocv import OcvCurve

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Board:
    """Protection board: cuts the current at once when a group leaves the window. [V]

    While it is open the pack terminals carry only ``residual_v`` (leakage through the open switch).
    """

    under_voltage_v: float
    over_voltage_v: float
    residual_v: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class PackModel:
    """True properties of a pack; nothing here is known to the analysis.

    Attributes
    ----------
    ocv : OcvCurve
    capacity_ah : ndarray, shape (series,)
        Charge between state of charge 0 and 1. [Ah]
    ohmic_ohm, joint_ohm : ndarray, shape (series,)
        Ohmic part of the cells, and what a joint inside the group's tap span adds. [ohm]
    branch_ohm, branch_tau_s : ndarray, shape (2, series)
        Resistance and time constant of the two RC branches. [ohm], [s]
    leak_a : ndarray, shape (series,)
        Constant self-discharge of the group. [A]
    below_full_ah : ndarray, shape (series,)
        Charge missing to state of charge 1 when the log begins. [Ah]
    interconnect_ohm : float
        Between the sum of the groups and the pack terminals. [ohm]
    ambient_c, heat_capacity_j_per_k, heat_loss_w_per_k : float
        One lump at one temperature; the electrical values do not depend on it.
    """

    ocv: OcvCurve
    capacity_ah: np.ndarray
    ohmic_ohm: np.ndarray
    joint_ohm: np.ndarray
    branch_ohm: np.ndarray
    branch_tau_s: np.ndarray
    leak_a: np.ndarray
    below_full_ah: np.ndarray
    interconnect_ohm: float = 0.0
    ambient_c: float = 21.0
    heat_capacity_j_per_k: float = 1700.0
    heat_loss_w_per_k: float = 0.9
    board: Board | None = None

    @property
    def series(self) -> int:
        """Number of series groups."""
        return int(self.capacity_ah.size)

    @property
    def group_ohmic_ohm(self) -> np.ndarray:
        """Ohmic part between a group's taps, joint included. [ohm]"""
        return self.ohmic_ohm + self.joint_ohm


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """State of all groups: ``soc`` (series,), ``branch_v`` (2, series) [V]."""

    soc: np.ndarray
    branch_v: np.ndarray


def start_state(model: PackModel) -> State:
    """Relaxed groups at their charge below full."""
    return State(1.0 - model.below_full_ah / model.capacity_ah, np.zeros((2, model.series)))


def state_after(model: PackModel, state: State, current_a, ramp_a_per_s, after_s) -> State:
    """Exact state after a current that changes linearly with time.

    Parameters
    ----------
    state : State
        At the start; its arrays may carry a leading axis of length n (one start per row).
    current_a, ramp_a_per_s : float or ndarray, shape (n,)
        Current at the start and its rate of change. [A], [A/s]
    after_s : ndarray, shape (n,)
        Time since the start. [s]

    Returns
    -------
    State
        Arrays with leading axis n.

    Notes
    -----
    Branch: dv/dt = (R i - v)/tau with i = i0 + s t gives v = v0 a + R (i0 (1 - a) + s (t - tau (1 - a))),
    a = exp(-t/tau). Charge: i0 t + s t**2/2, less the leak.
    """
    t = np.atleast_1d(np.asarray(after_s, dtype=float))
    i0 = np.broadcast_to(np.asarray(current_a, dtype=float), t.shape)
    ramp = np.broadcast_to(np.asarray(ramp_a_per_s, dtype=float), t.shape)
    charge = (i0 * t + 0.5 * ramp * t * t)[:, None] - model.leak_a * t[:, None]
    soc = state.soc + charge / (SECONDS_PER_HOUR * model.capacity_ah)
    tau = model.branch_tau_s
    decay = np.exp(-t[:, None, None] / tau)
    forced = i0[:, None, None] * (1 - decay) + ramp[:, None, None] * (t[:, None, None] - tau * (1 - decay))
    return State(soc, state.branch_v * decay + model.branch_ohm * forced)


def group_voltages(model: PackModel, state: State, current_a) -> np.ndarray:
    """Voltage between each group's taps, shape of ``state.soc``. [V]"""
    current = np.asarray(current_a, dtype=float)[..., None]
    return model.ocv.voltage(state.soc) + current * model.group_ohmic_ohm + state.branch_v.sum(axis=-2)


def terminal_voltage(model: PackModel, groups_v: np.ndarray, current_a) -> np.ndarray:
    """Voltage at the pack terminals from the groups' voltages. [V]"""
    return groups_v.sum(axis=-1) + np.asarray(current_a, dtype=float) * model.interconnect_ohm


def step_resistance(model: PackModel, after_s: float) -> np.ndarray:
    """R0 + joint + sum Ri (1 - exp(-t/tau_i)) of each group, without the change of open-circuit voltage. [ohm]"""
    return model.group_ohmic_ohm + (model.branch_ohm * (1 - np.exp(-after_s / model.branch_tau_s))).sum(axis=0)
