"""A register with an invented pack that was left alone between two runs, and one that was tested over months."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np

from cycler.criteria import load_criteria
from cycler.pack import pack_from_dict
from cycler.register import Register
from cycler.simulator import build_model, draw_bench, record, run_program
from cycler.simulator.dialects import iso_time_bench, to_bytes
from cycler.simulator.program import Rest
from cycler.simulator.samples import pack_toml
from cycler.simulator.scenario import EB_0377, charge_of, load_of, rest_of
from cycler.workflow import analyse_sources, keep_run

INF = float("inf")
BEGAN = datetime(2026, 3, 2, 8)
LEAKY, LEAK_MA, DAYS = 6, 0.30, 21.0
SERIES = 10
CRITERIA = load_criteria()


def pack(bench="bench 5", **changes):
    return replace(pack_from_dict(tomllib.loads(pack_toml(EB_0377, bench))), **changes)


@cache
def model(missing=None, capacity=11.0, resistance=0.0098):
    made = build_model("nmc", SERIES, capacity, resistance, 6.0, 71)
    leak = np.full(SERIES, 0.0)
    return replace(made, leak_a=leak, below_full_ah=made.below_full_ah if missing is None else np.array(missing))


def raw(pack_model, program, started_at, bench_seed=5, seed=9, dialect=None):
    bench = draw_bench(EB_0377.limits, SERIES, bench_seed)
    solution = run_program(pack_model, program, bench)
    readings = record(solution, program, bench, seed)
    return to_bytes(dialect or iso_time_bench(SERIES), readings, started_at), solution


WHOLE = (
    Rest(300.0, ((INF, 10.0),)), charge_of(EB_0377, 3.0, 30.0), *rest_of(3600.4), load_of(EB_0377, 5.0, 20.0),
    Rest(1800.0, ((60.0, 1.0), (INF, 30.0))),
)


@cache
def before():
    """Log of the earlier run, which ends charged after two hours of rest, and its end: length [s], charge below full [Ah]."""
    log, solution = raw(model(), (*WHOLE, charge_of(EB_0377, 3.0, 30.0), Rest(7200.0, ((60.0, 1.0), (INF, 30.0)))), BEGAN)
    below = (1.0 - solution.at(np.array([solution.end_s]))[0].soc[0]) * model().capacity_ah
    return log, solution.end_s, tuple(below)


@cache
def after(leak_ma=LEAK_MA, days=DAYS, common_ah=0.0, bench_seed=5):
    """Log of the later run: rest, discharge, rest; one group has lost ``leak_ma`` all the days, all of them ``common_ah``."""
    _, end_s, below = before()
    missing = np.array(below) + common_ah
    missing[LEAKY - 1] += 1e-3 * leak_ma * 24.0 * days
    began = BEGAN + timedelta(seconds=end_s) + timedelta(days=days)
    return raw(model(tuple(missing)), (*rest_of(900.0), load_of(EB_0377, 5.0, 20.0), Rest(900.0, ((60.0, 1.0), (INF, 10.0)))), began, bench_seed, 10)[0]


@cache
def _analysed(name, log, known):
    """The analysis of one log, made once for all registers that hold it."""
    return analyse_sources([(name, log)], known, CRITERIA)[1].to_dict()


def register_at(file, runs):
    """A register with these runs: (name, log bytes, pack)."""
    register = Register.open(file)
    for name, log, known in runs:
        analysis = deepcopy(_analysed(f"{name}.csv", log, known))
        keep_run(register, [(f"{name}.csv", log)], known, name, analysis, CRITERIA, new_ratings=True)
    return register
