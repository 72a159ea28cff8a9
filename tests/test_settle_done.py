"""Doing what 'what would settle it' says settles it: each sentence is read from the verdict and carried out on the simulated pack.

The simulator knows nothing of the analysis; voltages, currents, hours and limits of error of the second test are those that the sentence names,
nothing else.
"""

from __future__ import annotations

import re
from copy import deepcopy
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.criteria import load_criteria
from cycler.pack import load_pack
from cycler.readers import read_log
from cycler.simulator import SAMPLES
from cycler.simulator.program import Charge, Discharge, Rest
from tests.invented_tests import INF, REALISTIC, label_of, model_of, run
from tests.verdict_cases import one_limit

FOLDER = Path(__file__).parent.parent / "sample_logs"
RATED_AH = 10.0
LABEL = label_of(6, RATED_AH)
QUICK, SLOW = ((120.0, 1.0), (INF, 20.0)), ((60.0, 1.0), (600.0, 10.0), (INF, 60.0))
CYCLE = re.compile(
    r"^Charge to ([\d.]+) V until the current falls to ([\d.]+) A, rest ([\d.]+) h, then discharge to ([\d.]+) V, "
    r"or until the first group reaches ([\d.]+) V\.$"
)


_VERDICTS = {}


def program(charge_v=25.2, taper_a=0.5, rest_h=1.0, cutoff_v=18.0, group_v=2.8, stop_after_s=INF, stop_after_ah=INF):
    """The test of the shop; its figures are those of the label unless a sentence asked for others."""
    return (
        Rest(300.3, ((INF, 10.0),)), Charge(4.0, charge_v, taper_a, stop_after_s, QUICK), Rest(3600.0 * rest_h - 20.0, SLOW),
        Rest(20.4, ((INF, 1.0),)), Discharge(5.0, cutoff_v, group_v, stop_after_ah=stop_after_ah, sampling=QUICK), Rest(300.0, QUICK),
    )


def verdict_on(steps, changes=None, limits=REALISTIC, taps=True, criteria="return-to-owner", share=0.95, seed=3):
    """Verdict on a simulated pack after a test; the same test is not simulated twice, and each caller has a copy of its own."""
    given = (steps, changes, limits, taps, criteria, share, seed)
    if repr(given) not in _VERDICTS:
        _VERDICTS[repr(given)] = _verdict_on(*given)
    return deepcopy(_VERDICTS[repr(given)])


def _verdict_on(steps, changes, limits, taps, criteria, share, seed):
    label = replace(LABEL, limits=limits)
    made = run(model_of(label, 11, changes, share), label, steps, seed)
    log = made.log
    if not taps:
        columns = tuple(column for column in log.reading.columns if column.group is None)
        log = replace(log, group_voltage_v=np.empty((log.rows, 0)), reading=replace(log.reading, columns=columns))
    judged_by = load_criteria(criteria) if isinstance(criteria, str) else criteria
    return analyze(log, made.pack, judged_by).to_dict()["verdict"]


def needed(verdict):
    return [sentence for sentence in verdict["to_settle"] if not sentence.startswith("Advisory: ")]


def cycle_asked_for(verdict):
    """The program that the sentence of the verdict asks for."""
    (found,) = [match for sentence in needed(verdict) if (match := CYCLE.match(sentence))]
    volts, taper, hours, cutoff, group = map(float, found.groups())
    return program(volts, taper, hours, cutoff, group)


WEAK = {3: {"capacity_factor": 0.79}}


@pytest.mark.parametrize(("changes", "result"), [(None, "pass"), (WEAK, "fail")])
def test_charge_that_was_not_finished_done_to_the_taper_is_decided(changes, result):
    first = verdict_on(program(stop_after_s=200.0), changes)
    assert first["result"] == "not_proven" and "capacity_not_valid" in first["held_by"]
    assert len(needed(first)) == 1
    assert verdict_on(cycle_asked_for(first), changes)["result"] == result


@pytest.mark.parametrize(("changes", "result"), [(None, "pass"), (WEAK, "fail")])
def test_discharge_stopped_early_done_to_the_cutoff_is_decided(changes, result):
    first = verdict_on(program(stop_after_ah=4.0), changes)
    assert first["result"] == "not_proven" and first["held_by"] == ["capacity_not_valid"]
    assert len(needed(first)) == 1
    assert verdict_on(cycle_asked_for(first), changes)["result"] == result


@pytest.mark.parametrize(("changes", "result"), [(None, "pass"), (WEAK, "fail")])
def test_pack_without_taps_done_with_taps_is_decided(changes, result):
    first = verdict_on(program(), changes, taps=False)
    assert first["result"] == "not_proven"
    taps, cycle = needed(first)
    assert taps.startswith("Log the voltage of all 6 groups (7 taps) through the charge, the rest and the discharge;")
    assert CYCLE.match(cycle)
    assert verdict_on(cycle_asked_for(first), changes)["result"] == result


@pytest.mark.parametrize("name", ["scooter-7s3p-stopped-early", "ebike-10s-no-group-taps", "ebike-10s-charge-not-finished"])
def test_not_proven_samples_are_decided_by_what_their_verdict_asks_for(name):
    """The sample's own pack, bench and currents; the figures of the second test are those of the sentence."""
    sample = next(sample for sample in SAMPLES if sample.name == name)
    first = analyze(read_log(FOLDER / sample.files[0]), load_pack(FOLDER / sample.pack_file)).to_dict()["verdict"]
    assert first["result"] == "not_proven"
    asked = cycle_asked_for(first)
    charge, load = (next(step for step in sample.program if isinstance(step, kind) and not getattr(step, "pulse", False)) for kind in (Charge, Discharge))
    steps = [
        replace(step, current_a=charge.current_a) if isinstance(step, Charge) else replace(step, current_a=load.current_a) if isinstance(step, Discharge)
        else step for step in asked
    ]
    made = run(sample.model, sample.label, tuple(steps), sample.seed)
    assert analyze(made.log, load_pack(FOLDER / sample.pack_file)).to_dict()["verdict"]["result"] == "pass"


@cache
def _after_short_rest():
    return verdict_on(program(), criteria="resale")


@pytest.mark.parametrize(("changes", "result"), [(None, "pass"), ({2: {"leak_a": 0.004}}, "fail")])
def test_rest_that_was_too_short_done_as_long_as_asked_is_decided(changes, result):
    first = _after_short_rest()
    assert first["result"] == "not_proven"
    (sentence,) = needed(first)
    hours = float(re.search(r"at rest for (\d+) h or longer", sentence)[1])
    assert hours >= 24.0
    second = verdict_on(program(rest_h=hours), changes, criteria="resale")
    assert second["result"] == result
    assert ("self_discharge" in second["vetoes"]) is (result == "fail")


def _better(limits, sentence):
    """The bench with what the sentence asks for in place of what it had."""
    asked = {
        "current_gain": (r"shunt within ([\d.]+) % of reading", 0.01), "current_offset_a": (r"zero error is below ([\d.]+) mA", 1e-3),
        "clock_gain": (r"logger clock within ([\d.]+) %", 0.01), "group_voltage_offset_v": (r"below ([\d.]+) mV per group", 1e-3),
        "voltage_offset_v": (r"below ([\d.]+) mV at the end of charge", 1e-3),
    }
    found = {key: float(match[1]) * factor for key, (pattern, factor) in asked.items() if (match := re.search(pattern, sentence))}
    assert len(found) == sentence.split("Needed:")[1].count(";") + 1, sentence
    if "group_voltage_offset_v" in found:
        found["group_voltage_gain"] = 0.0
    if "voltage_offset_v" in found:
        found["voltage_gain"] = 0.0
    return replace(limits, **found)


@pytest.mark.parametrize(("share", "seed", "result"), [(0.728, 2, "pass"), (0.725, 3, "pass"), (0.706, 3, "fail"), (0.708, 2, "fail")])
def test_guard_band_that_was_too_wide_is_decided_on_the_bench_asked_for(share, seed, result):
    poor, limit = replace(REALISTIC, current_gain=0.015, current_offset_a=0.02), one_limit("state_of_health", 0.70)
    first = verdict_on(program(), limits=poor, share=share, seed=seed, criteria=limit)
    assert first["result"] == "not_proven"
    (sentence,) = needed(first)
    second = verdict_on(program(), limits=_better(poor, sentence), share=share, seed=seed, criteria=limit)
    assert second["result"] == result
