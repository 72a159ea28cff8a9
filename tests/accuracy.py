"""How near the figures come and how often causes are told apart, on invented packs with a realistic bench.

``python -m tests.accuracy [--cases 40] [--first-seed 5001]`` prints a table; exit status 1 if a line is not met. Bench: 0.1 % gain, 5 mA
offset, 1 mV steps, 1 s rows unless a line says otherwise, errors drawn evenly inside those limits. Packs: 5 to 13 groups of 5, 10 or 17 Ah
(NMC curve), groups alike within 0.4 % of capacity and 2 % of resistance, the fault of a line on top, in a group drawn by the seed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from cycler.simulator.program import Charge, Discharge, Program, Rest
from cycler.simulator.scenario import PackLabel
from tests.invented_tests import INF, Invented, label_of, model_of, run, slowed, usual_program

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: what is asked, how many cases, what came out, and whether it is met."""

    what: str
    asked: str
    seeds: str
    cases: int
    result: str
    met: bool


def pack_of(seed: int) -> tuple[PackLabel, int, np.random.Generator]:
    """Label, the number of the group that a fault goes to, and the stream for the rest."""
    draw = np.random.default_rng((seed, 9))
    label = label_of(int(draw.integers(5, 14)), float(draw.choice([5.0, 10.0, 17.0])))
    return label, int(draw.integers(1, label.series + 1)), draw


def tested(seed: int, fault: dict[str, float] | None = None, edge_period_s: float | None = None, period_s: float = 1.0) -> Invented:
    """The usual test of one pack; ``fault`` are changes of one group as in ``scenario.build_model``."""
    label, group, draw = pack_of(seed)
    program = usual_program(label, float(draw.uniform(0.3, 0.8)), 1.0, edge_period_s)
    if period_s != 1.0:
        program = slowed(program, period_s)
    model = model_of(label, seed, {group: fault} if fault else None, share=float(draw.uniform(0.85, 1.0)))
    return run(model, label, program, seed)


def codes(found: dict, group: int) -> list[str]:
    """Findings on one group."""
    return found["groups"][group - 1]["findings"]


def others_clean(found: dict, group: int) -> bool:
    """True if no other group has a finding."""
    return all(not row["findings"] for row in found["groups"] if row["group"] != group)


# --- lines -------------------------------------------------------------------------------------------------


def capacity_and_resistance(seeds: range) -> list[Line]:
    """Figures of healthy packs: capacity, 10 s resistance of pack and groups, ohmic part at 10 Hz."""
    capacity, covered, pack_10, group_10, ohmic, invented = [], [], [], [], [], 0
    for seed in seeds:
        test = tested(seed, edge_period_s=0.1)
        found, truth = test.analysis(), test.truth
        true_ah, edge = truth["discharge"]["to_cutoff_with_pulses_ah"], truth["edge_resistance"]
        value, u = found["capacity"]["value_ah"], found["capacity"]["u_value_ah"]
        capacity.append(abs(value / true_ah - 1.0))
        covered.append(abs(value - true_ah) <= 2.0 * u)
        headline = found["resistance"]["headline"]
        pack_10.append(abs(headline["ohm_10s"] / (edge["pack"]["ohm_10s"] + edge["pack"]["ocv_ohm_10s"]) - 1.0))
        true_groups = np.array(edge["groups"]["ohm_10s"]) + np.array(edge["groups"]["ocv_ohm_10s"])
        group_10.append(np.max(np.abs(np.array([row["resistance_10s_ohm"] for row in found["groups"]]) / true_groups - 1.0)))
        ohmic.append(abs(headline["ohmic_ohm"] / edge["pack"]["ohmic_ohm"] - 1.0))
        invented += sum(len(row["findings"]) for row in found["groups"])
    n, name = len(seeds), f"{seeds[0]}-{seeds[-1]}"
    share = float(np.mean(covered))
    return [
        Line("capacity, worst deviation", "0.5 %", name, n, f"{100 * max(capacity):.2f} %", max(capacity) <= 0.005),
        Line("capacity inside its 95 % interval", "93 % or more", name, n, f"{100 * share:.0f} %", share >= 0.93 - 2.0 * np.sqrt(0.05 / n)),
        Line("10 s resistance of the pack, worst", "3 %", name, n, f"{100 * max(pack_10):.2f} %", max(pack_10) <= 0.03),
        Line("10 s resistance of any group, worst", "3 %", name, n, f"{100 * max(group_10):.2f} %", max(group_10) <= 0.03),
        Line("ohmic part, 10 Hz around the edge, worst", "5 %", name, n, f"{100 * max(ohmic):.2f} %", max(ohmic) <= 0.05),
        Line("findings on groups of healthy packs", "none", name, n, f"{invented}", invented == 0),
    ]


def withheld(seeds: range) -> list[Line]:
    """The ohmic part at 0.2 Hz: not given, with the reason."""
    right = 0
    for seed in seeds:
        found = tested(seed, period_s=5.0).analysis()
        headline = found["resistance"]["headline"] or {"ohmic_ohm": None}
        nothing = headline["ohmic_ohm"] is None and all(row["ohmic_ohm"] is None for row in found["groups"])
        right += nothing and "sampling_too_coarse" in found["resistance"]["warnings"]
    return [share_line("ohmic part at 0.2 Hz withheld with its reason", right, seeds)]


def share_line(what: str, right: int, seeds: range) -> Line:
    """A line that asks for every case."""
    return Line(what, "100 %", f"{seeds[0]}-{seeds[-1]}", len(seeds), f"{100 * right / len(seeds):.0f} %", right == len(seeds))


def told(seeds: range, fault: Callable[[np.random.Generator, PackLabel], dict[str, float]], right: Callable[[dict, int], bool]) -> int:
    """How many packs with a fault were diagnosed right."""
    count = 0
    for seed in seeds:
        label, group, _ = pack_of(seed)
        draw = np.random.default_rng((seed, 10))
        count += right(tested(seed, fault(draw, label)).analysis(), group)
    return count


def diagnoses(seeds: range) -> list[Line]:
    """Limiting group, joint, low capacity and lack of balance, each told from the others."""
    def deficit(low: float, high: float) -> Callable[[np.random.Generator, PackLabel], dict[str, float]]:
        return lambda draw, label: {"capacity_factor": 1.0 - float(draw.uniform(low, high))}

    def joint(draw: np.random.Generator, label: PackLabel) -> dict[str, float]:
        return {"joint_ohm": float(draw.uniform(0.010, 0.030))}

    def lag(draw: np.random.Generator, label: PackLabel) -> dict[str, float]:
        return {"extra_below_full_ah": float(draw.uniform(0.035, 0.15)) * label.rated_capacity_ah}

    def only(code: str, *never: str) -> Callable[[dict, int], bool]:
        return lambda found, g: code in codes(found, g) and not set(never) & set(codes(found, g)) and others_clean(found, g)

    return [
        share_line(
            "limiting group named, deficit 2 to 20 %",
            told(seeds, deficit(0.022, 0.20), lambda found, g: found["limiting_group"] == g), seeds,
        ),
        share_line(
            "joint of +10 to +30 mOhm told from a weak group",
            told(seeds, joint, only("high_joint_resistance", "weak_group", "group_out_of_balance", "high_resistance")), seeds,
        ),
        share_line(
            "low capacity, 3 to 15 %, told from lack of balance", told(seeds, deficit(0.035, 0.15), only("weak_group", "group_out_of_balance")), seeds,
        ),
        share_line(
            "lack of balance, 3 to 15 %, told from low capacity", told(seeds, lag, only("group_out_of_balance", "weak_group")), seeds,
        ),
    ]


def leak_program(label: PackLabel) -> Program:
    """Full charge, discharge to the cut-off, full charge, a day's rest sampled once a minute."""
    rated, steady = label.rated_capacity_ah, ((INF, 10.0),)
    charge = Charge(0.4 * rated, label.charge_voltage_v, label.taper_current_a, sampling=steady)
    return (
        Rest(60.3, ((INF, 1.0),)), charge, Rest(3600.7, steady),
        Discharge(0.5 * rated, label.cutoff_voltage_v, label.group_cutoff_voltage_v, sampling=((40.0, 1.0), (INF, 10.0))), Rest(1800.0, steady),
        charge, Rest(DAY_S, ((600.0, 10.0), (INF, 60.0))),
    )


def leaks(seeds: range) -> list[Line]:
    """1 mA to 5 mA in one group over a day's rest, and none in healthy packs."""
    found_leak = invented = 0
    for seed in seeds:
        draw = np.random.default_rng((seed, 11))
        series, group = int(draw.integers(5, 14)), 2
        label = label_of(series, 10.0)
        leak_a = float(draw.uniform(0.001, 0.005))
        sick = run(model_of(label, seed, {group: {"leak_a": leak_a}}), label, leak_program(label), seed).analysis()
        row = sick["groups"][group - 1]
        found_leak += "self_discharge" in row["findings"] and others_clean(sick, group)
        well = run(model_of(label, seed), label, leak_program(label), seed).analysis()
        invented += any("self_discharge" in r["findings"] for r in well["groups"])
    name = f"{seeds[0]}-{seeds[-1]}"
    return [
        share_line("leak of 1 to 5 mA found in 24 h of rest (10 Ah)", found_leak, seeds),
        Line("leaks invented in healthy packs", "none", name, len(seeds), f"{invented}", invented == 0),
    ]


def table(cases: int, first_seed: int) -> list[Line]:
    """All lines; each with ``cases`` packs of consecutive seeds."""
    seeds = range(first_seed, first_seed + cases)
    return [*capacity_and_resistance(seeds), *withheld(seeds), *diagnoses(seeds), *leaks(seeds)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 if a line is not met."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=5001)
    options = parser.parse_args(arguments)
    lines = table(options.cases, options.first_seed)
    print("| what | asked | seeds | cases | result | met |\n|---|---|---|---|---|---|")
    for line in lines:
        print(f"| {line.what} | {line.asked} | {line.seeds} | {line.cases} | {line.result} | {'yes' if line.met else 'NO'} |")
    return int(not all(line.met for line in lines))


if __name__ == "__main__":
    sys.exit(main())
