"""Test programs of the simulated bench: the steps a program may hold."""

from __future__ import annotations

from dataclasses import dataclass

Sampling = tuple[tuple[float, float], ...]
"""Pairs (until this time in the step [s], period [s]); the last period holds to the end of the step."""

EVERY_10_S: Sampling = ((float("inf"), 10.0),)


@dataclass(frozen=True, slots=True)
class Rest:
    """No current for a while. [s]"""

    duration_s: float
    sampling: Sampling = EVERY_10_S


@dataclass(frozen=True, slots=True)
class Charge:
    """Constant current to the pack voltage, then that voltage until the current has tapered.

    ``stop_after_s`` is an operator who pulls the plug. Values are the bench's readings.
    """

    current_a: float
    voltage_v: float
    taper_current_a: float
    stop_after_s: float = float("inf")
    sampling: Sampling = EVERY_10_S


@dataclass(frozen=True, slots=True)
class Discharge:
    """Constant current (given as magnitude) until the first limit is reached.

    ``pulse`` marks a timed step of a pulse section, ``charging`` one that charges. A duration or an operator's
    stop after so many Ah ends it like the voltages do. Values are the bench's readings.
    """

    current_a: float
    cutoff_voltage_v: float = 0.0
    group_cutoff_voltage_v: float | None = None
    stop_after_ah: float = float("inf")
    duration_s: float = float("inf")
    pulse: bool = False
    charging: bool = False
    sampling: Sampling = EVERY_10_S


def pulse(current_a: float, duration_s: float, period_s: float = 1.0, charging: bool = False) -> Discharge:
    """A timed pulse."""
    return Discharge(
        current_a, duration_s=duration_s, pulse=True, charging=charging, sampling=((float("inf"), period_s),)
    )


Program = tuple[Rest | Charge | Discharge, ...]
