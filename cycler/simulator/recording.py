"""What the bench writes down of a solution: instants, errors, noise, counters, temperature."""

from __future__ import annotations

import numpy as np

from cycler.simulator.bench import Bench, Draw, Readings, rounded
from cycler.simulator.model import SECONDS_PER_HOUR, PackModel
from cycler.simulator.program import Program, Sampling
from cycler.simulator.solution import Solution

_TEMPERATURE_GRID_S = 10.0
_TICKS_PER_S = 10


def sample_times(solution: Solution, program: Program) -> np.ndarray:
    """Ticks on multiples of the period in force, from the start to the end of the test. [s]

    Edges do not move the ticks, so a switch may fall anywhere between two samples.
    """
    plan: list[tuple[float, float, Sampling]] = []
    for step in solution.steps:
        if plan and program[step.program_step - 1].sampling is plan[-1][2] and step.kind == "charge_cv":
            plan[-1] = (plan[-1][0], step.end_s, plan[-1][2])
        else:
            plan.append((step.start_s, step.end_s, program[step.program_step - 1].sampling))
    ticks = [0]
    for start, end, sampling in plan:
        for until, period in sampling:
            stop = min(end, start + until)
            every = max(1, round(period * _TICKS_PER_S))
            first = max(ticks[-1] + 1, int(np.ceil(start * _TICKS_PER_S)))
            first = -(-first // every) * every
            ticks.extend(range(first, int(np.ceil(stop * _TICKS_PER_S)), every))
            if stop >= end:
                break
    return np.array(ticks, dtype=float) / _TICKS_PER_S


def pack_temperature(solution: Solution, time_s: np.ndarray) -> np.ndarray:
    """Lumped temperature: heat of the ohmic parts and branches against a loss to the surroundings. [degC]

    The heat is taken in the middle of 10 s intervals, the decay is exact.
    """
    model: PackModel = solution.model
    count = int(np.ceil(solution.end_s / _TEMPERATURE_GRID_S)) + 1
    grid = np.arange(count + 1) * _TEMPERATURE_GRID_S
    middle = np.minimum(grid[:-1] + 0.5 * _TEMPERATURE_GRID_S, solution.end_s)
    state, current, _, _ = solution.at(middle)
    ohmic = float(model.group_ohmic_ohm.sum()) + model.interconnect_ohm
    heat_w = current**2 * ohmic + (state.branch_v**2 / model.branch_ohm).sum(axis=(1, 2))
    settled = model.ambient_c + heat_w / model.heat_loss_w_per_k
    decay = float(np.exp(-_TEMPERATURE_GRID_S * model.heat_loss_w_per_k / model.heat_capacity_j_per_k))
    values = np.empty(count + 1)
    values[0] = model.ambient_c
    for index in range(count):
        values[index + 1] = settled[index] + (values[index] - settled[index]) * decay
    return np.interp(time_s, grid, values)


def _counters(solution: Solution, bench: Bench, time_s: np.ndarray, step_start: np.ndarray) -> tuple[np.ndarray, ...]:
    length = np.diff(np.append(solution.start_s, solution.end_s))
    active = (solution.current_a != 0) | (solution.ramp_a_per_s != 0)
    counted = solution.piece_charge_coulomb() * (1 + bench.current_gain) + bench.current_offset_a * length
    counted = np.where(active, counted, 0.0)
    charge = np.concatenate(([0.0], np.cumsum(np.maximum(counted, 0.0))))
    discharge = np.concatenate(([0.0], np.cumsum(np.maximum(-counted, 0.0))))

    def until(times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        index = solution.piece_at(times)
        after = times - solution.start_s[index]
        part = after * (solution.current_a[index] + 0.5 * solution.ramp_a_per_s[index] * after)
        part = np.where(active[index], part * (1 + bench.current_gain) + bench.current_offset_a * after, 0.0)
        return charge[index] + np.maximum(part, 0.0), discharge[index] + np.maximum(-part, 0.0)

    into, out = until(time_s)
    into_0, out_0 = until(step_start)
    return into / SECONDS_PER_HOUR, out / SECONDS_PER_HOUR, (into - into_0 + out - out_0) / SECONDS_PER_HOUR


def record(solution: Solution, program: Program, bench: Bench, seed: int) -> Readings:
    """Readings of a test. The same solution, bench and seed give the same arrays.

    Parameters
    ----------
    seed : int
        Of the noise and the jitter; the instrument's errors are those of ``bench``.
    """
    limits, draw = bench.limits, Draw(seed)
    time = sample_times(solution, program)
    time[1:] += draw.within(limits.sample_jitter_s, (time.size - 1,))
    time = np.clip(time, 0.0, np.nextafter(solution.end_s, 0.0))
    _, current, groups, terminals = solution.at(time)
    rows, series = groups.shape
    voltage = bench.indicated_voltage(terminals, current) + limits.voltage_noise_v * draw.noise((rows,))
    reading = bench.indicated_groups(groups) + limits.group_voltage_noise_v * draw.noise((rows, series))
    taps = groups.cumsum(axis=1) * (1.0 + bench.group_gain[0])
    if bench.tap_offset_v.size:
        taps = taps + bench.tap_offset_v + limits.group_voltage_noise_v * draw.noise((rows, series))
    amps = current * (1 + bench.current_gain) + bench.current_offset_a + limits.current_noise_a * draw.noise((rows,))
    temperature = pack_temperature(solution, time) + bench.temperature_offset_c
    temperature = temperature + limits.temperature_noise_c * draw.noise((rows,))

    starts = np.array([step.start_s for step in solution.steps])
    phase = np.clip(np.searchsorted(starts, time, side="right") - 1, 0, starts.size - 1)
    program_step = np.array([step.program_step for step in solution.steps])
    opened = solution.board_open[solution.piece_at(time)]
    kinds = [step.kind for step in solution.steps]
    mode = tuple("open" if is_open else kinds[p] for p, is_open in zip(phase, opened, strict=True))
    first_of_program_step = starts[np.searchsorted(program_step, program_step, side="left")]
    step_start = first_of_program_step[phase]
    into, out, in_step = _counters(solution, bench, time, step_start)
    clock = 1.0 + bench.clock_gain
    return Readings(
        time_s=time * clock, voltage_v=rounded(voltage, limits.voltage_resolution_v),
        current_a=rounded(amps, limits.current_resolution_a),
        group_voltage_v=rounded(reading, limits.group_voltage_resolution_v),
        tap_voltage_v=rounded(taps, limits.group_voltage_resolution_v),
        temperature_c=rounded(temperature, limits.temperature_resolution_c), mode=mode, step=program_step[phase],
        step_time_s=(time - step_start) * clock, charge_ah=into, discharge_ah=out, step_ah=in_step,
    )
