"""The simulated bench: errors drawn once per instrument inside stated limits, and the readings it logs.

Only the raw 64-bit stream of the PCG64 generator and plain arithmetic are used, so that a seed gives the same
bytes with every numpy version.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


class Draw:
    """Reproducible random numbers."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)

    def uniform(self, shape: tuple[int, ...] = ()) -> np.ndarray:
        """Uniform numbers in [0, 1)."""
        count = int(np.prod(shape)) if shape else 1
        raw = np.asarray(self._bits.random_raw(count), dtype=np.uint64)
        values = (raw >> np.uint64(11)).astype(float) * 2.0**-53
        return values.reshape(shape) if shape else values[0]

    def within(self, half_width: float, shape: tuple[int, ...] = ()) -> np.ndarray:
        """Uniform numbers in plus or minus ``half_width``."""
        return (2.0 * self.uniform(shape) - 1.0) * half_width

    def noise(self, shape: tuple[int, ...]) -> np.ndarray:
        """Nearly normal numbers of mean 0 and standard deviation 1 (sum of twelve uniform ones, less six)."""
        return self.uniform((*shape, 12)).sum(axis=-1) - 6.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of error (half-widths), resolution and noise of a bench. Noise is a standard deviation.

    With ``taps_cumulative`` one scanner reads every tap against pack negative: one common gain, an offset of
    half of ``group_voltage_offset_v`` per tap, so that the difference of two taps keeps the stated limit.
    """

    voltage_gain: float = 0.0005
    voltage_offset_v: float = 0.010
    group_voltage_gain: float = 0.0005
    group_voltage_offset_v: float = 0.001
    current_gain: float = 0.002
    current_offset_a: float = 0.005
    temperature_offset_c: float = 1.0
    clock_gain: float = 0.0001
    voltage_resolution_v: float = 0.001
    group_voltage_resolution_v: float = 0.001
    current_resolution_a: float = 0.001
    temperature_resolution_c: float = 0.1
    voltage_noise_v: float = 0.002
    group_voltage_noise_v: float = 0.0003
    current_noise_a: float = 0.0015
    temperature_noise_c: float = 0.05
    sample_jitter_s: float = 0.0
    lead_ohm: float = 0.0
    taps_cumulative: bool = False


NO_ERROR = Limits(
    voltage_gain=0.0, voltage_offset_v=0.0, group_voltage_gain=0.0, group_voltage_offset_v=0.0, current_gain=0.0,
    current_offset_a=0.0, temperature_offset_c=0.0, clock_gain=0.0, voltage_noise_v=0.0, group_voltage_noise_v=0.0,
    current_noise_a=0.0, temperature_noise_c=0.0,
)


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """One instrument: indicated = true * (1 + gain) + offset. It controls charge and load by its own readings."""

    limits: Limits
    voltage_gain: float
    voltage_offset_v: float
    group_gain: np.ndarray
    group_offset_v: np.ndarray
    current_gain: float
    current_offset_a: float
    temperature_offset_c: float
    clock_gain: float
    tap_offset_v: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def true_current(self, indicated_a: float) -> float:
        """Current that flows when the bench regulates its reading to ``indicated_a``. [A]"""
        return (indicated_a - self.current_offset_a) / (1.0 + self.current_gain)

    def indicated_voltage(self, terminal_v: np.ndarray, current_a) -> np.ndarray:
        """Pack reading without noise; two-wire benches see the drop of the leads. [V]"""
        return (terminal_v + current_a * self.limits.lead_ohm) * (1.0 + self.voltage_gain) + self.voltage_offset_v

    def indicated_groups(self, groups_v: np.ndarray) -> np.ndarray:
        """Group readings without noise. [V]"""
        return groups_v * (1.0 + self.group_gain) + self.group_offset_v


def draw_bench(limits: Limits, series: int, seed: int) -> Bench:
    """Instrument errors of one bench, uniform inside the limits."""
    draw = Draw(seed)
    voltage_gain, voltage_offset = draw.within(limits.voltage_gain), draw.within(limits.voltage_offset_v)
    current_gain, current_offset = draw.within(limits.current_gain), draw.within(limits.current_offset_a)
    temperature_offset, clock_gain = draw.within(limits.temperature_offset_c), draw.within(limits.clock_gain)
    tap_offset = np.zeros(0)
    if limits.taps_cumulative:
        gain = np.full(series, draw.within(limits.group_voltage_gain))
        tap_offset = draw.within(0.5 * limits.group_voltage_offset_v, (series,))
        offset = np.diff(np.concatenate(([0.0], tap_offset)))
    else:
        gain = draw.within(limits.group_voltage_gain, (series,))
        offset = draw.within(limits.group_voltage_offset_v, (series,))
    return Bench(
        limits, float(voltage_gain), float(voltage_offset), gain, offset, float(current_gain), float(current_offset),
        float(temperature_offset), float(clock_gain), tap_offset,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What the bench logged, rounded to its resolution; shapes (n,), groups and taps (n, series).

    ``step`` counts program steps from 1, ``mode`` is one of rest, charge_cc, charge_cv, discharge, pulse, open.
    Counters are the bench's own, [Ah] and [Wh], since the start of the log and since the start of the step.
    """

    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    group_voltage_v: np.ndarray
    tap_voltage_v: np.ndarray
    temperature_c: np.ndarray
    mode: tuple[str, ...]
    step: np.ndarray
    step_time_s: np.ndarray
    charge_ah: np.ndarray
    discharge_ah: np.ndarray
    step_ah: np.ndarray

    def rows(self, keep: np.ndarray) -> Readings:
        """Only the rows where ``keep`` is true."""
        pick = np.flatnonzero(keep)
        arrays = {
            name: getattr(self, name)[pick]
            for name in (
                "time_s", "voltage_v", "current_a", "group_voltage_v", "tap_voltage_v", "temperature_c", "step",
                "step_time_s", "charge_ah", "discharge_ah", "step_ah",
            )
        }
        return Readings(mode=tuple(self.mode[i] for i in pick), **arrays)


def rounded(values: np.ndarray, resolution: float) -> np.ndarray:
    """Values on the grid of a resolution, without negative zero."""
    if resolution <= 0:
        return values
    return np.round(values / resolution) * resolution + 0.0
