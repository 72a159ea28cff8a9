"""Make the reference logs and truths of a physics simulator that the analysis is held against.

Simulator: PyBaMM (Python Battery Mathematical Modelling; Sulzer, Marquis, Timms, Robinson and Chapman, Journal
of Open Research Software 9, 2021, 14; BSD-3-Clause). Model: Doyle-Fuller-Newman with contact resistance,
isothermal at 25 degC. Parameter set "Chen2020" as carried by the package: 5 Ah class cell, NMC811 against
graphite with silicon oxide (Chen, Brosa Planella, O'Regan, Gastol, Widanage and Kendrick, Journal of The
Electrochemical Society 167, 2020, 080534).

Nothing of this project is imported here: the truth comes from the simulator alone. PyBaMM is not among the
project's dependencies; run this in an environment of its own, which has numpy and pybamm only:

    python -m venv somewhere && somewhere/bin/pip install pybamm
    somewhere/bin/python tests/reference/make_pybamm_reference.py

It writes, beside itself, ``pybamm_4s_pack.csv``, ``pybamm_4s_pack.json``, ``pybamm_cell_1it.csv`` and
``pybamm_cell_1it.json``.

The pack is four simulated cells in series, each a group: all carry the same current, pack voltage is the sum.
Charge is counted by the stepping itself: current is constant in each step, so charge is current times time
without any rule of integration. The logs are what a free-running sampler would have written: samples at whole
seconds, switches at odd instants.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

import numpy as np
import pybamm

HERE = Path(__file__).resolve().parent
RATED_AH = 5.0
GROUP_CUTOFF_V = 2.80
PACK_CHARGE_V = 16.80
TAPER_A = 0.25
CV_STEP_S = 5.0
CURRENT = "Current function [A]"
FINE_S = 0.01


class Cell:
    """One simulated cell with a moving state. Current is positive on charge here; the simulator counts discharge."""

    def __init__(self, height_share: float, contact_ohm: float, state_of_charge: float) -> None:
        model = pybamm.lithium_ion.DFN({"contact resistance": "true"})
        values = pybamm.ParameterValues("Chen2020")
        values["Electrode height [m]"] = values["Electrode height [m]"] * height_share
        values["Contact resistance [Ohm]"] = contact_ohm
        # Wide open: where a run stops is decided here, and a series string does push single cells past 4.2 V.
        values["Lower voltage cut-off [V]"] = 2.0
        values["Upper voltage cut-off [V]"] = 4.5
        values[CURRENT] = "[input]"
        self.simulation = pybamm.Simulation(
            model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
        )
        # The state of charge is meant against the cell's own 2.5 V to 4.2 V window.
        x, y = _equilibrium(state_of_charge)
        values["Initial concentration in negative electrode [mol.m-3]"] = (
            x * values["Maximum concentration in negative electrode [mol.m-3]"]
        )
        values["Initial concentration in positive electrode [mol.m-3]"] = (
            y * values["Maximum concentration in positive electrode [mol.m-3]"]
        )
        self.state = None

    def run(self, current_a: float, duration_s: float, at_s: np.ndarray) -> tuple[np.ndarray, object]:
        """Voltages at times after now under constant current, and the state at the end; the cell itself stays put."""
        grid = np.unique(np.concatenate(([0.0], at_s, [duration_s])))
        solution = self.simulation.step(
            duration_s, t_interp=grid, starting_solution=self.state, inputs={CURRENT: -current_a}, save=False
        )
        last = solution.last_state
        times = solution["Time [s]"].entries
        volts = solution["Voltage [V]"].entries
        begin = 0.0 if self.state is None else float(self.state["Time [s]"].entries[-1])
        # A run that the 2.0 V floor ended early reads zero from there on.
        return np.interp(at_s, times - begin, volts, right=0.0 if times[-1] - begin < duration_s - 1e-6 else None), last


def _equilibrium(state_of_charge: float) -> tuple[float, float]:
    """Stoichiometries of both electrodes at a state of charge of the 2.5 V to 4.2 V window."""
    values = pybamm.ParameterValues("Chen2020")
    x, y = pybamm.lithium_ion.get_initial_stoichiometries(state_of_charge, values)[:2]
    return float(x), float(y)


@dataclass
class Bench:
    """The string under test: runs constant-current stretches and keeps every whole second of them."""

    cells: list[Cell]
    now_s: float = 0.0
    charge_as: float = 0.0
    times: list[float] = field(default_factory=list)
    volts: list[np.ndarray] = field(default_factory=list)
    amps: list[float] = field(default_factory=list)
    edges: list[float] = field(default_factory=list)

    def trial(self, current_a: float, duration_s: float, at_s: np.ndarray) -> tuple[np.ndarray, list[object]]:
        """Voltages of shape (len(at_s), cells) and end states, nothing moved."""
        runs = [cell.run(current_a, duration_s, at_s) for cell in self.cells]
        return np.column_stack([volts for volts, _ in runs]), [state for _, state in runs]

    def go(self, current_a: float, duration_s: float, edge: bool = True) -> np.ndarray:
        """Run on, record whole seconds, return the voltages at the end."""
        first = np.ceil(self.now_s + 1e-9) if self.now_s else 0.0
        last = np.floor(self.now_s + duration_s - 1e-9)
        whole = np.arange(first, last + 0.5) - self.now_s
        volts, states = self.trial(current_a, duration_s, np.append(whole, duration_s))
        for cell, state in zip(self.cells, states):
            cell.state = state
        if edge:
            self.edges.append(self.now_s)
        self.times += (whole + self.now_s).tolist()
        self.volts += list(volts[:-1])
        self.amps += [current_a] * whole.size
        self.now_s += duration_s
        self.charge_as += current_a * duration_s
        return volts[-1]

    def first_below(self, current_a: float, longest_s: float, watched: list[int], limit_v: float) -> float:
        """Time until the first of the watched cells is at the limit under that current. [s]"""
        return min(time_to_limit(self.cells[k], current_a, longest_s, limit_v) for k in watched)


def time_to_limit(cell: Cell, current_a: float, longest_s: float, limit_v: float) -> float:
    """Time from the cell's present state until it has fallen to the limit; to about 1e-4 s. [s]"""
    coarse = np.arange(0.0, longest_s + 0.5, 1.0)
    volts, _ = cell.run(current_a, longest_s, coarse)
    k = int(np.flatnonzero((volts <= limit_v) & (coarse > 0.0))[0])
    fine = coarse[k - 1] + np.arange(0.0, 1.0 + 0.5 * FINE_S, FINE_S)
    volts, _ = cell.run(current_a, float(fine[-1]), fine)
    j = int(np.flatnonzero(volts <= limit_v)[0])
    share = (volts[j - 1] - limit_v) / (volts[j - 1] - volts[j])
    return float(fine[j - 1] + share * FINE_S)


def step_resistances(bench: Bench, before_a: float, after_a: float, after_s: tuple[float, ...]) -> dict[str, object]:
    """Truth at a coming edge: dU(t)/dI of every group and their sum, from a run sampled every 0.01 s. [ohm]"""
    fine = np.arange(FINE_S, max(after_s) + 0.5 * FINE_S, FINE_S)
    volts, _ = bench.trial(after_a, max(after_s), fine)
    # The rest before goes on for 0.01 s to read the voltage it ends with.
    rested, _ = bench.trial(before_a, FINE_S, np.array([0.0, FINE_S]))
    before = rested[0]
    rows = {}
    for t in after_s:
        ohm = (volts[int(np.argmin(np.abs(fine - t)))] - before) / (after_a - before_a)
        rows[f"{t:g}"] = {"groups_ohm": ohm.tolist(), "pack_ohm": float(np.sum(ohm))}
    return {"at_s": bench.now_s, "current_step_a": after_a - before_a, "rest_voltage_v": before.tolist(), "after_s": rows}


def hold_pack_voltage(bench: Bench, start_a: float) -> None:
    """Constant-voltage phase: in steps of 5 s the current that brings the string back to the charge voltage."""
    current, slope = start_a, 0.02
    while current > TAPER_A:
        for _ in range(2):
            volts, _ = bench.trial(current, CV_STEP_S, np.array([CV_STEP_S]))
            error = float(np.sum(volts)) - PACK_CHARGE_V
            if abs(error) < 2e-5:
                break
            probe, _ = bench.trial(current * 0.99, CV_STEP_S, np.array([CV_STEP_S]))
            slope = max((float(np.sum(volts)) - float(np.sum(probe))) / (0.01 * current), 1e-3)
            current -= error / slope
        if current <= TAPER_A:
            break
        bench.go(current, CV_STEP_S, edge=False)


def text(value: float, digits: int) -> str:
    """A number with the decimal comma of the made-up dialect."""
    return f"{value:.{digits}f}".replace(".", ",")


def write_csv(path: Path, head: list[str], rows: list[list[str]]) -> None:
    """Semicolons and decimal commas, one header line."""
    path.write_text("\n".join([";".join(head), *(";".join(row) for row in rows)]) + "\n", encoding="utf-8", newline="\n")


def about() -> dict[str, object]:
    """What every truth file says of its origin."""
    return {
        "simulator": "PyBaMM", "version": pybamm.__version__, "licence": "BSD-3-Clause",
        "model": "DFN with contact resistance, isothermal 25 degC, IDAKLU solver, rtol 1e-8, atol 1e-10",
        "parameter_set": "Chen2020 (J. Electrochem. Soc. 167, 2020, 080534)", "made_by": "make_pybamm_reference.py",
        "sign": "charge current positive",
    }


def make_pack() -> None:
    """Four groups: 2 stays about 0.12 Ah low at the top, 3 has 92 % of the capacity, 4 has 5 mohm more contact
    resistance.

    The starts let 1, 3 and 4 arrive at the top together, as balanced groups do.
    """
    heights = (1.00, 0.99, 0.92, 1.01)
    contacts = (0.002, 0.003, 0.002, 0.007)
    starts = (0.3000, 0.2694, 0.2391, 0.3089)
    bench = Bench([Cell(h, r, s) for h, r, s in zip(heights, contacts, starts)])
    bench.go(0.0, 600.37, edge=False)
    at_charge = bench.now_s
    # Constant current until the sum is at the charge voltage.
    grid = np.arange(0.0, 9000.0, 1.0)
    total = bench.trial(2.5, 9000.0, grid)[0].sum(axis=1)
    k = int(np.flatnonzero(total >= PACK_CHARGE_V)[0])
    share = (PACK_CHARGE_V - total[k - 1]) / (total[k] - total[k - 1])
    bench.go(2.5, float(grid[k - 1] + share))
    hold_pack_voltage(bench, 2.5)
    full_v = bench.volts[-1].tolist()
    charged_ah = bench.charge_as / 3600.0
    bench.go(0.0, 3600.0)
    rested_states = [cell.state for cell in bench.cells]
    pulse = step_resistances(bench, 0.0, -5.0, (0.01, 0.1, 1.0, 10.0))
    before_discharge = bench.charge_as
    load_on = bench.now_s
    bench.go(-5.0, 10.0)
    bench.go(0.0, 60.0)
    load = step_resistances(bench, 0.0, -2.5, (0.01, 0.1, 1.0, 10.0, 30.0))
    bench.go(-2.5, bench.first_below(-2.5, 8500.0, [0, 1, 2, 3], GROUP_CUTOFF_V))
    end_s = bench.now_s
    delivered_ah = -(bench.charge_as - before_discharge) / 3600.0
    bench.go(0.0, 900.0)
    times, volts, amps = np.array(bench.times), np.array(bench.volts), np.array(bench.amps)
    # Energy of the delivered charge from the one-second record, both ends carried to the switch itself.
    loaded = (times > load_on) & (times < end_s) & (amps < 0)
    energy_wh = 0.0
    for begin, stop in ((load_on, load_on + 10.0), (load_on + 70.0, end_s)):
        use = loaded & (times > begin) & (times < stop)
        t = np.concatenate(([begin], times[use], [stop]))
        power = -amps[use] * volts[use].sum(axis=1)
        p = np.concatenate(([power[0]], power, [power[-1]]))
        energy_wh += float(np.sum(0.5 * (p[1:] + p[:-1]) * np.diff(t))) / 3600.0
    # Each group alone from the state it had when the load came on, and from equilibrium at 4.2 V, to its own
    # cut-off.
    groups = []
    for g, (h, r) in enumerate(zip(heights, contacts)):
        alone = Cell(h, r, 1.0)
        alone.state = rested_states[g]
        from_start = 2.5 * time_to_limit(alone, -2.5, 8900.0, GROUP_CUTOFF_V) / 3600.0
        fresh = Cell(h, r, 1.0)
        from_full = 2.5 * time_to_limit(fresh, -2.5, 8900.0, GROUP_CUTOFF_V) / 3600.0
        groups.append(
            {
                "group": g + 1, "height_share": h, "contact_ohm": r, "from_start_ah": from_start,
                "from_equilibrium_4_2_v_ah": from_full, "below_4_2_v_ah": from_full - from_start,
            }
        )
    last = int(np.flatnonzero(times < end_s)[-1])
    truth = about() | {
        "pack": {
            "series": 4, "rated_capacity_ah": RATED_AH, "charge_voltage_v": PACK_CHARGE_V,
            "group_cutoff_voltage_v": GROUP_CUTOFF_V, "taper_current_a": TAPER_A,
        },
        "charge": {"start_s": at_charge, "charged_ah": charged_ah, "end_group_voltage_v": full_v},
        "discharge": {
            "load_on_s": load_on, "end_s": end_s, "delivered_ah": delivered_ah, "energy_wh": energy_wh,
            "limiting_group": int(np.argmin(volts[last])) + 1, "last_second_group_voltage_v": volts[last].tolist(),
        },
        "pulse": pulse, "load": load, "groups": groups,
    }
    keep = (times % 10.0) == 0.0
    for edge in [*bench.edges, bench.now_s]:
        keep |= (times >= edge - 40.0) & (times <= edge + 75.0)
    rows = [
        [text(t, 1), text(float(np.sum(v)), 5), text(a, 4), *(text(x, 5) for x in v)]
        for t, v, a in zip(times[keep], volts[keep], amps[keep])
    ]
    head = ["Elapsed time (s)", "Pack voltage (V)", "Current (A)", *(f"Group {g} voltage (V)" for g in range(1, 5))]
    write_csv(HERE / "pybamm_4s_pack.csv", head, rows)
    (HERE / "pybamm_4s_pack.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")


def make_cell() -> None:
    """One cell from equilibrium at 4.2 V at 1 It to 2.5 V, sampled every 10 s; the recorder adds the row at its
    own stop."""
    bench = Bench([Cell(1.0, 0.0, 1.0)])
    bench.go(0.0, 600.0 + 4.3, edge=False)
    load_on = bench.now_s
    load = step_resistances(bench, 0.0, -5.0, (0.01, 0.1, 1.0, 10.0, 30.0))
    span = bench.first_below(-5.0, 4000.0, [0], 2.5)
    stop_v, _ = bench.trial(-5.0, span, np.array([span]))
    bench.go(-5.0, span)
    end_s = bench.now_s
    bench.go(0.0, 600.0)
    times, volts, amps = np.array(bench.times), np.array(bench.volts)[:, 0], np.array(bench.amps)
    use = (times > load_on) & (times < end_s)
    fine = np.unique(np.concatenate((np.arange(0.0, span, 0.5), [span])))
    again = Cell(1.0, 0.0, 1.0)
    _, again.state = again.run(0.0, load_on, np.array([load_on]))
    loaded_v, _ = again.run(-5.0, span, fine[1:])
    power = 5.0 * np.concatenate(([loaded_v[0]], loaded_v))
    truth = about() | {
        "discharge": {
            "load_on_s": load_on, "end_s": end_s, "delivered_ah": 5.0 * span / 3600.0, "stop_voltage_v": float(stop_v[0, 0]),
            "energy_wh": float(np.sum(0.5 * (power[1:] + power[:-1]) * np.diff(fine))) / 3600.0,
            "rows_under_load": int(np.count_nonzero(use & (times % 10.0 == 0))),
        },
        "load": load,
    }
    keep = (times % 10.0) == 0.0
    rows = [(t, v, a) for t, v, a in zip(times[keep], volts[keep], amps[keep])] + [(end_s, float(stop_v[0, 0]), -5.0)]
    rows.sort()
    write_csv(
        HERE / "pybamm_cell_1it.csv", ["Elapsed time (s)", "Voltage (V)", "Current (A)"],
        [[text(t, 3), text(v, 5), text(a, 4)] for t, v, a in rows],
    )
    (HERE / "pybamm_cell_1it.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make_cell()
    make_pack()
