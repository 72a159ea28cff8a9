"""How often the stated intervals hold: a Monte Carlo run of whole tests with known truth.

``python -m tests.coverage [--runs 300] [--first-seed 1]`` draws packs, bench errors (even inside the stated limits) and noise from
consecutive seeds, analyses each log, and counts how often |figure - truth| <= 2 u, the expanded interval that screens and record print
(k = 2, 95 %). Method: propagation of distributions, JCGM 101:2008 (from memory), here through the whole analysis. The figures of one run are
not independent of each other (one ammeter); each figure is counted once a run, for the groups once a run for a group drawn by the seed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from cycler.simulator.bench import NO_ERROR, Limits
from tests.invented_tests import REALISTIC, Invented, label_of, model_of, run, slowed, usual_program

COVERAGE_FACTOR = 2.0
WANTED = (0.93, 0.97)
"""Coverage asked of the 95 % intervals."""
JUDGED = ("capacity", "R 10 s, pack", "R 10 s, group", "sag 10 s, group")
"""Figures whose coverage must lie inside ``WANTED``; the others are shown."""
COARSE = replace(
    REALISTIC, voltage_gain=0.005, voltage_offset_v=0.02, group_voltage_gain=0.005, group_voltage_offset_v=0.005, current_gain=0.005,
    current_offset_a=0.01, voltage_resolution_v=0.01, group_voltage_resolution_v=0.005, current_resolution_a=0.01, group_voltage_noise_v=0.001,
    voltage_noise_v=0.004,
)
BENCHES: dict[str, tuple[Limits, float, float | None]] = {
    "realistic": (REALISTIC, 1.0, 0.1), "coarse": (COARSE, 1.0, None), "slow": (REALISTIC, 5.0, None),
}
"""Limits of error, rows every so many seconds, and around the load edges of every other seed. [s]"""


def invented(seed: int, bench: str = "realistic", limits: Limits | None = None) -> Invented:
    """One test: pack, rate and errors drawn from the seed, the bench's limits (unless given) and the sampling from ``BENCHES``."""
    own_limits, period_s, edge_s = BENCHES[bench]
    limits = limits or own_limits
    draw = np.random.default_rng((seed, 4))
    label = label_of(int(draw.integers(3, 11)), float(draw.choice([5.0, 10.0, 17.0])), limits)
    model = model_of(label, seed, share=float(draw.uniform(0.85, 1.0)))
    program = usual_program(label, float(draw.uniform(0.3, 0.8)), 1.0, edge_s if seed % 2 else None)
    return run(model, label, program if period_s == 1.0 else slowed(program, period_s), seed)


def from_true_full(seed: int, bench: str) -> float:
    """What the same pack gives in the same program on a bench without errors: charged to its true charge voltage, emptied to its true cut-off. [Ah]"""
    exact = replace(NO_ERROR, voltage_resolution_v=1e-6, group_voltage_resolution_v=1e-6, current_resolution_a=1e-6)
    return invented(seed, bench, exact).truth["discharge"]["to_cutoff_with_pulses_ah"]


def deviations(test: Invented, seed: int, bench: str) -> Iterator[tuple[str, float, float]]:
    """Name, (figure - truth) / u and u / truth of every figure that the log supports."""
    found, truth = test.analysis(), test.truth
    edge, group = truth["edge_resistance"], seed % len(truth["groups"]["capacity_ah"])
    row, headline = found["groups"][group], found["resistance"]["headline"] or {}
    current = abs(edge["current_a"])
    group_ohm = edge["groups"]["ohm_10s"][group] + edge["groups"]["ocv_ohm_10s"][group]
    rate = " (10 Hz)" if BENCHES[bench][2] and seed % 2 else ""
    pairs = (
        ("capacity", found["capacity"]["value_ah"], found["capacity"]["u_value_ah"], truth["discharge"]["to_cutoff_with_pulses_ah"]),
        ("capacity from true full", found["capacity"]["value_ah"], found["capacity"]["u_from_full_ah"], from_true_full(seed, bench)),
        ("R 10 s, pack", headline.get("ohm_10s"), headline.get("u_ohm_10s"), edge["pack"]["ohm_10s"] + edge["pack"]["ocv_ohm_10s"]),
        ("R 10 s, group", row["resistance_10s_ohm"], row["u_resistance_10s_ohm"], group_ohm),
        ("ohmic part, pack" + rate, headline.get("ohmic_ohm"), headline.get("u_ohmic_ohm"), edge["pack"]["ohmic_ohm"]),
        ("ohmic part, group" + rate, row["ohmic_ohm"], row["u_ohmic_ohm"], edge["groups"]["ohmic_ohm"][group]),
        ("sag 10 s, group", row["sag_10s_v"], row["u_sag_10s_v"], group_ohm * current),
        ("capacity of a group", row["capacity_ah"], row["u_capacity_ah"], truth["groups"]["capacity_ah"][group]),
        ("lag of a group", row["lag_to_siblings_ah"], row["u_lag_to_siblings_ah"], truth["groups"]["start_deficit_ah"][group]),
    )
    for name, value, u, true in pairs:
        if value is not None and u:
            yield name, (value - true) / u, u / abs(true) if true else float("nan")


def gathered(runs: int, first_seed: int = 1, bench: str = "realistic") -> list[tuple[str, float, float]]:
    """The deviations of so many tests of consecutive seeds."""
    seeds = range(first_seed, first_seed + runs)
    return [item for seed in seeds for item in deviations(invented(seed, bench), seed, bench)]


def table(deviated: Iterable[tuple[str, float, float]]) -> list[tuple[str, int, float, float, float, float]]:
    """Per figure: name, count, share covered, root mean square of deviation over u, its mean, median of u / truth."""
    found: dict[str, list[tuple[float, float]]] = {}
    for name, z, share in deviated:
        found.setdefault(name, []).append((z, share))
    rows = []
    for name, values in found.items():
        z, share = np.array(values).T
        covered = float(np.mean(np.abs(z) <= COVERAGE_FACTOR))
        rows.append((name, z.size, covered, float(np.sqrt(np.mean(z**2))), float(np.mean(z)), float(np.nanmedian(share))))
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 if a judged coverage lies outside ``WANTED`` by more than chance (two standard errors)."""
    parser = argparse.ArgumentParser(prog="python -m tests.coverage", description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--bench", choices=tuple(BENCHES), default="realistic")
    options = parser.parse_args(arguments)
    rows = table(gathered(options.runs, options.first_seed, options.bench))
    print(f"Coverage of the intervals with k = {COVERAGE_FACTOR:g}; {options.bench} bench, seeds {options.first_seed} to {options.first_seed + options.runs - 1}")
    print(f"{'figure':28} {'count':>5} {'covered':>8} {'± s.e.':>7} {'rms(d/u)':>9} {'mean(d/u)':>10} {'U (k = 2)':>10}")
    outside = False
    for name, count, covered, rms, mean, share in rows:
        error = sqrt(max(covered * (1.0 - covered), 0.25 / count) / count)
        mark = ""
        # Of figures whose true value is nothing, as a lag of sound groups, no share can be told.
        relative = f"{200 * share:8.2f} %" if share < 1.0 else "         –"
        if options.bench == "realistic" and name in JUDGED and not WANTED[0] <= covered <= WANTED[1]:
            off = max(WANTED[0] - covered, covered - WANTED[1]) > 2.0 * error
            outside |= off
            mark = "  OUTSIDE 93 to 97 %" if off else "  outside 93 to 97 % by chance"
        print(f"{name:28} {count:5d} {covered:8.1%} {error:7.1%} {rms:9.2f} {mean:10.2f} {relative}{mark}")
    return int(outside)


if __name__ == "__main__":
    sys.exit(main())
