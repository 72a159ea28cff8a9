"""A plan carried out: its steps as a program of the simulated bench, on an invented pack, and the verdict on the log of it.

Currents, voltages, times and times between rows are those that the plan names, nothing else. The simulator knows nothing of plans or of the analysis.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np

from cycler.analysis import analyze
from cycler.criteria import load_criteria
from cycler.log import Log
from cycler.pack import Pack, pack_from_dict
from cycler.plan import Equipment, load_equipment
from cycler.simulator.bench import draw_bench
from cycler.simulator.program import Charge, Discharge, Rest
from cycler.simulator.recording import record
from cycler.simulator.samples import pack_toml
from cycler.simulator.scenario import PackLabel
from cycler.simulator.solution import run_program
from tests.invented_tests import INF, as_log, label_of, model_of

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
SETS = ("return-to-owner", "resale", "reuse-of-cells")
BENCH = load_equipment(SAMPLES / "equipment.toml")
LABEL = label_of(6, 10.4)


def pack_of(label: PackLabel = LABEL) -> Pack:
    return pack_from_dict(tomllib.loads(pack_toml(label)))


def bench_with(**changes) -> Equipment:
    """The invented bench with ratings changed: ``load={"max_power_w": 20.0}``; None takes a part away."""
    parts = {name: None if change is None else replace(getattr(BENCH, name), **change) for name, change in changes.items()}
    return replace(BENCH, **parts)


def program_of(plan: dict) -> tuple:
    """The logged steps of a plan as a program. Rests run a fraction of a second over, so that switches fall between rows."""
    steps = []
    for step in plan["steps"]:
        if not step["logged"]:
            continue
        pairs = tuple((INF if until is None else until, period) for until, period in step["sampling"])
        current, kind = step["current_a"], step["kind"]
        if not current:
            long, fast = step["duration_s"] - step["fast_end_s"] + 0.3, pairs[0][1]
            steps.append(Rest(long, pairs))
            if step["fast_end_s"]:
                steps.append(Rest(step["fast_end_s"], ((INF, fast),)))
        elif kind in ("charge", "recharge"):
            steps.append(Charge(current, step["voltage_v"], step["taper_current_a"] or current, sampling=pairs))
        elif kind == "discharge":
            steps.append(Discharge(-current, step["voltage_v"], step["group_voltage_v"], sampling=pairs))
        else:
            steps.append(Discharge(abs(current), duration_s=step["duration_s"] + 0.3, pulse="trial" not in kind, charging=current > 0, sampling=pairs))
    return tuple(steps)


def log_of(plan: dict, label: PackLabel = LABEL, seed: int = 3, below_full: float = 0.6, changes: dict | None = None, taps: int = -1, temperature: bool = True) -> Log:
    """Log of a plan on an invented pack of 95 % of its rating; ``taps`` are the groups that are logged."""
    program = program_of(plan)
    bench = draw_bench(label.limits, label.series, 1_000_000 + seed)
    log = as_log(record(run_program(model_of(label, 11, changes, 0.95, below_full), program, bench), program, bench, 2_000_000 + seed))
    if 0 <= taps < label.series:
        columns = tuple(column for column in log.reading.columns if column.group is None or column.group <= taps)
        log = replace(log, group_voltage_v=log.group_voltage_v[:, :taps], reading=replace(log.reading, columns=columns))
    if not temperature:
        log = replace(log, temperature_c=np.empty((log.rows, 0)))
    return log


def judged(log: Log, pack: Pack, criteria: str) -> dict:
    return analyze(log, pack, load_criteria(criteria)).to_dict()["verdict"]


def not_measured(verdict: dict) -> set[str]:
    """Criteria for which the log holds no valid figure: none at all, a bound, or one that the verdict itself calls no valid result."""
    return {
        row["id"] for row in verdict["criteria"]
        if row["value"] is None or row["bound"] is not None or "not a valid result" in row["reason"] or "bound" in row["reason"]
    }


