"""Invented tests with known truth, as many as are wanted: packs and bench errors drawn from a seed.

Used by :mod:`tests.accuracy` (how near the figures come) and :mod:`tests.coverage` (whether their intervals hold). The simulator knows
nothing of the analysis; readings reach it as a :class:`cycler.log.Log`, without a file between.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from cycler.analysis import analyze
from cycler.log import ColumnReading, Log, Reading, Source
from cycler.pack import Pack, pack_from_dict
from cycler.simulator.bench import Limits, Readings, draw_bench
from cycler.simulator.dialects import iso_time_bench
from cycler.simulator.model import PackModel
from cycler.simulator.program import Charge, Discharge, Program, Rest
from cycler.simulator.recording import record
from cycler.simulator.samples import pack_toml
from cycler.simulator.scenario import PackLabel, Sample, build_model
from cycler.simulator.solution import run_program
from cycler.simulator.truth import sample_truth

INF = float("inf")

REALISTIC = Limits(
    voltage_gain=0.001, voltage_offset_v=0.005, group_voltage_gain=0.001, group_voltage_offset_v=0.001, current_gain=0.001,
    current_offset_a=0.005, voltage_resolution_v=0.001, group_voltage_resolution_v=0.001, current_resolution_a=0.001,
    voltage_noise_v=0.001, group_voltage_noise_v=0.0004, current_noise_a=0.0015, sample_jitter_s=0.02,
)
"""A realistic bench: 0.1 % gain, 5 mA offset, 1 mV steps."""


@dataclass(frozen=True, slots=True)
class Invented:
    """One invented test: the log, its pack file, and the truth in the form of the sample logs' truth.json."""

    log: Log
    pack: Pack
    truth: dict[str, Any]

    def analysis(self) -> dict[str, Any]:
        """The contract's object."""
        return analyze(self.log, self.pack).to_dict()


def label_of(series: int, capacity_ah: float, limits: Limits = REALISTIC, chemistry: str = "nmc") -> PackLabel:
    """Ratings of an invented pack; charged at most at 0.5 It, discharged at 2 It."""
    full, empty, group_empty = (4.2, 3.0, 2.8) if chemistry == "nmc" else (3.5, 2.5, 2.3)
    return PackLabel(
        "packs/invented.toml", "INVENTED", "invented", chemistry, series, 4, capacity_ah, 3.6 * series, full, empty * series, group_empty,
        0.5 * capacity_ah, 2.0 * capacity_ah, limits,
    )


def model_of(
    label: PackLabel, seed: int, changes: Mapping[int, Mapping[str, float]] | None = None, share: float = 0.95, below_full: float = 0.10,
) -> PackModel:
    """A pack of like groups at ``share`` of the rating, ``below_full`` of it missing at the start; ohmic part 0.11 ohm Ah per group
    (10 mOhm at 11 Ah)."""
    rated = label.rated_capacity_ah
    return build_model(
        label.chemistry, label.series, rated * share, 0.11 / rated, rated * below_full, seed, dict(changes or {}),
        capacity_unit_j_per_k=165.0 * rated,
    )


def usual_program(label: PackLabel, rate: float = 0.5, period_s: float = 1.0, edge_period_s: float | None = None) -> Program:
    """Full charge, an hour's rest, a 10 s pulse, rest, discharge to the cut-off, rest; sampled every ``period_s`` seconds, 20 s around each
    load edge every ``edge_period_s``."""
    rated, steady = label.rated_capacity_ah, ((INF, period_s),)
    quick = ((INF, edge_period_s or period_s),)
    first = ((40.0, edge_period_s or period_s), (INF, period_s))
    return (
        Rest(60.3, steady),
        Charge(0.4 * rated, label.charge_voltage_v, label.taper_current_a, sampling=steady),
        Rest(3580.0, steady), Rest(20.7, quick), Discharge(rate * rated, duration_s=10.3, pulse=True, sampling=quick),
        Rest(40.0, quick), Rest(560.0, steady), Rest(20.4, quick),
        Discharge(rate * rated, label.cutoff_voltage_v, label.group_cutoff_voltage_v, sampling=first), Rest(300.0, first),
    )


def as_log(readings: Readings) -> Log:
    """Readings as a log, column names as a reader would give them."""
    series = readings.group_voltage_v.shape[1]
    columns = tuple(ColumnReading(f"Group {g + 1} [V]", "group_voltage", "V", g + 1, "") for g in range(series))
    rows = readings.time_s.size
    return Log(
        readings.time_s - readings.time_s[0], readings.voltage_v, readings.current_a, readings.group_voltage_v,
        readings.temperature_c.reshape(rows, -1), (Source("invented", "0" * 64, 1, rows, 0),),
        Reading("utf-8", ",", ".", 1, columns, "elapsed"),
    )


def run(model: PackModel, label: PackLabel, program: Program, seed: int) -> Invented:
    """Run a program on a pack; ``seed`` draws the bench's errors and its noise, from streams of their own."""
    bench = draw_bench(label.limits, label.series, 1_000_000 + seed)
    solution = run_program(model, program, bench)
    sample = Sample(
        "invented", ("invented.csv",), label.file, "", "", "", label, model, program, iso_time_bench(label.series), "invented", seed, seed,
        datetime(2026, 1, 1),
    )
    pack = pack_from_dict(tomllib.loads(pack_toml(label)))
    return Invented(as_log(record(solution, program, bench, 2_000_000 + seed)), pack, sample_truth(sample, solution, bench))


def slowed(program: Program, period_s: float) -> Program:
    """The same program sampled evenly."""
    return tuple(replace(step, sampling=((INF, period_s),)) for step in program)
