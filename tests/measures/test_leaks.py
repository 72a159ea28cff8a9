"""Leaks at rest: found where they are, none invented where there are none; over seeds, with all that may be taken for one.

The invented pack is a 10S NMC e-bike pack of 10 Ah. The simulator gives charge, rest, discharge, charge and 24 h of rest without any error of the
bench; what is wanted is laid on top: temperature swings, groups that relax differently, a balancer, noise, steps of 1 mV.
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.measures.groups import LoadedCurves
from cycler.measures.leakage import COARSE_SHARE, CURVE_SHARE, Curve, open_circuit_slope
from cycler.pack import pack_from_dict
from cycler.resttable import OwnCurves
from cycler.simulator import LFP, NMC, NO_ERROR, build_model, draw_bench, record, run_program
from cycler.simulator.program import Rest
from cycler.simulator.samples import pack_toml
from cycler.simulator.scenario import EB_0377, SC_0140, charge_of, load_of, rest_of
from tests.corelogs import make_log

INF = float("inf")
PACK = replace(pack_from_dict(tomllib.loads(pack_toml(EB_0377))), rated_capacity_ah=10.4)
PACK_LFP = pack_from_dict(tomllib.loads(pack_toml(SC_0140)))
LEAKY = 4
STEP_V = 0.001
SEEDS = range(int(os.environ.get("LEAK_SEEDS", "4")))
"""Packs of each kind; LEAK_SEEDS=8 and more in the environment runs a deep one."""


@pytest.fixture(autouse=True, scope="module")
def groups_only():
    """What no leak rests on is left out: equivalent circuit and dQ/dV take half the time of an analysis."""
    with pytest.MonkeyPatch.context() as patch:
        for sheet in ("circuit_sheet", "incremental_sheet"):
            patch.setattr(f"cycler.analysis.{sheet}", lambda *given: {})
        yield


@cache
def course(leak_ma=0.0, hours=24.0, period_s=60.0, down_ah=0.0, chemistry="nmc"):
    """Time, group voltages [V], current and index of the first sample of the long rest, free of errors. ``down_ah`` is taken out before that rest."""
    label = EB_0377 if chemistry == "nmc" else SC_0140
    capacity = 10.1 if chemistry == "nmc" else 19.5
    model = build_model(
        chemistry, label.series, capacity, 0.011, 6.0, 41, {LEAKY: {"leak_a": 1e-3 * leak_ma}} if leak_ma else None
    )
    model = replace(model, leak_a=np.where(np.arange(label.series) == LEAKY - 1, 1e-3 * leak_ma, 0.0))
    load = load_of(label, 5.0, 20.0)
    program = (
        Rest(300.0, ((INF, 10.0),)), charge_of(label, 3.0, 30.0), *rest_of(3600.4), load, Rest(1800.0, ((60.0, 1.0), (INF, 30.0))),
        charge_of(label, 3.0, 30.0),
        *((Rest(60.0, ((INF, 5.0),)), load_of(label, 5.0, 20.0, stop_after_ah=down_ah)) if down_ah else ()),
        Rest(3600.0 * hours, ((60.0, 1.0), (900.0, 30.0), (INF, period_s))),
    )
    bench = draw_bench(replace(NO_ERROR, group_voltage_resolution_v=0.0, voltage_resolution_v=0.0), label.series, 1)
    solution = run_program(model, program, bench)
    readings = record(solution, program, bench, 1)
    first = int(np.flatnonzero(readings.time_s >= solution.steps[-1].start_s)[0])
    return readings.time_s, readings.group_voltage_v, readings.current_a, first


def rested(seed, leak_ma=0.0, noise_v=0.0003, swing_k=0.0, relax=0.0, bleed=None, offset_v=0.002, pack=PACK, **keys):
    """Analysis of the course with, in the long rest: a common swing of ``swing_k`` (peak to peak) at 0.25 mV/K, groups that relax by 8 mV times
    ``relax`` more or less than each other and over half an hour to two hours and a half, and ``bleed``, a function of time since the rest began.
    """
    rng = np.random.default_rng(seed)
    time, volts, current, first = course(leak_ma, **keys)
    volts = volts.copy()
    n = volts.shape[1]
    since = time[first:] - time[first]
    common = 0.5 * swing_k * 0.25e-3 * np.sin(2.0 * np.pi * since / 86400.0 + rng.uniform(0.0, 6.28))
    sensitivity = 1.0 + rng.uniform(-0.1, 0.1, n)
    volts[first:] += common[:, None] * sensitivity
    tau = rng.uniform(1800.0, 9000.0)
    volts[first:] += 0.008 * np.exp(-since / tau)[:, None] * (1.0 + relax * rng.uniform(-1.0, 1.0, n))
    if bleed is not None:
        bleed(since, volts[first:])
    volts += rng.uniform(-offset_v, offset_v, n)
    volts += noise_v * rng.standard_normal(volts.shape)
    volts = np.round(volts / STEP_V) * STEP_V
    return analyze(make_log(time, None, current, volts), pack).to_dict()


def leaks(analysis):
    return {g["group"] for g in analysis["groups"] if "self_discharge" in g["findings"]}


@pytest.mark.parametrize("seed", SEEDS)
def test_leak_of_1_ma_is_found_in_24_h_at_1_mv(seed):
    # Source: the simulated truth. 1 mA for 24 h is 24 mAh; at about 0.1 V/Ah that is 2.4 mV, two steps and a half of the reading.
    analysis = rested(seed, 1.0, swing_k=5.0, relax=0.25)
    row = analysis["groups"][LEAKY - 1]
    assert abs(row["self_discharge_ma"] - 1.0) <= 2.0 * row["u_self_discharge_ma"]
    assert row["self_discharge_ma"] > 2.0 * row["u_self_discharge_ma"]
    assert row["smallest_leak_shown_ma"] < 1.0
    assert leaks(analysis) == {LEAKY}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("noise_v", [0.0, 0.0003, 0.001])
def test_healthy_pack_never_gets_a_leak(seed, noise_v):
    analysis = rested(100 + seed, 0.0, noise_v, swing_k=5.0, relax=0.3)
    assert leaks(analysis) == set()
    z = [g["self_discharge_ma"] / g["u_self_discharge_ma"] for g in analysis["groups"]]
    # Of 3 x 4 packs x 10 groups with normal errors none beyond 3.3 in nine runs of ten: 1 - (1 - 9.7e-4)**120 = 0.11, as 3.5 for twice as many packs.
    assert max(map(abs, z)) < (3.3 if len(SEEDS) <= 4 else 3.5)


@pytest.mark.parametrize("hours", [4.0, 8.0])
@pytest.mark.parametrize("seed", range(max(2, len(SEEDS) // 2)))
def test_healthy_pack_gets_no_leak_in_a_short_rest_that_still_relaxes(seed, hours):
    analysis = rested(200 + seed, 0.0, swing_k=5.0, relax=0.3, hours=hours)
    assert leaks(analysis) == set()
    # Beyond 2 u lie 5 % of normal errors: of ten groups three or more by chance in 1 % of the cases (binomial).
    z = np.array([g["self_discharge_ma"] / g["u_self_discharge_ma"] for g in analysis["groups"]])
    assert np.count_nonzero(np.abs(z) > 2.0) <= 2


def test_smallest_leak_shown_shrinks_with_the_rest_and_the_stated_rest_shows_1_ma():
    short, long = (rested(5, 0.0, hours=h)["groups"][0] for h in (8.0, 24.0))
    assert long["smallest_leak_shown_ma"] < 0.5 * short["smallest_leak_shown_ma"]
    stated_h = long["shortest_rest_h_for_1ma"]
    # Its own word: a rest a quarter longer than stated shows 1 mA, one of half the length does not.
    longer, shorter = (rested(5, 0.0, hours=h)["groups"][0]["smallest_leak_shown_ma"] for h in (1.25 * stated_h, 0.5 * stated_h))
    assert longer <= 1.0 < shorter


def bled(groups, milliampere, hours, raise_v=0.0):
    """A balancer that takes a current from some groups for a while; 0.1 V/Ah is the slope at the top of this pack's curve."""

    def lay(since, volts):
        for g in groups:
            volts[:, g - 1] += raise_v - 0.1e-3 * milliampere * np.minimum(since / 3600.0, hours)

    return lay


@pytest.mark.parametrize("hours", [3.0, 8.0, 14.0])
@pytest.mark.parametrize("groups", [(7,), (2, 5, 7)])
def test_group_bled_by_a_balancer_at_the_top_of_charge_is_no_leak(groups, hours):
    # 50 to 100 mA are usual for a balancer: common practice, no source.
    analysis = rested(31, 0.0, swing_k=5.0, relax=0.2, bleed=bled(groups, 50.0, hours))
    assert leaks(analysis) == set()
    if hours == 8.0:
        row = analysis["groups"][6]
        assert "balancer_stopped" in row["self_discharge_reasons"]
        assert abs(row["self_discharge_ma"]) <= 2.0 * row["u_self_discharge_ma"]


@pytest.mark.parametrize("hours", [20.0, 99.0])
def test_group_that_only_comes_down_to_its_siblings_at_the_top_of_charge_is_left_open(hours):
    row = rested(32, 0.0, bleed=bled((7,), 35.0, hours, raise_v=0.09))["groups"][6]
    assert row["self_discharge_ma"] is None and row["self_discharge_reasons"] == ["balancer_possible"]
    assert row["drift_to_siblings_mv_per_h"] < -2.0


def test_strong_leak_that_goes_on_below_its_siblings_is_a_leak_even_at_the_top_of_charge():
    analysis = rested(33, 30.0)
    row = analysis["groups"][LEAKY - 1]
    assert leaks(analysis) == {LEAKY}
    assert abs(row["self_discharge_ma"] - 30.0) <= 2.0 * row["u_self_discharge_ma"]


@pytest.mark.parametrize("down_ah", [2.0, 5.0, 8.0])
def test_leak_current_away_from_full_is_right_within_its_interval(down_ah):
    row = rested(34, 4.0, down_ah=down_ah)["groups"][LEAKY - 1]
    assert row["slope_at_rest_source"] in ("charge_and_discharge", "discharge")
    # Source: slope of the simulator's own open-circuit curve at the state of charge of the rest, 0.4 Ah about below full at the taper current.
    soc = NMC.soc_at(float(np.median(course(4.0, down_ah=down_ah)[1][-50:, LEAKY - 1])))
    true = float(NMC.slope(np.array([soc]))[0]) / 10.1
    assert row["slope_at_rest_v_per_ah"] == pytest.approx(true, abs=2.0 * row["u_slope_at_rest_v_per_ah"])
    assert abs(row["self_discharge_ma"] - 4.0) <= 2.0 * row["u_self_discharge_ma"]
    # Sharper than a quarter, which stood for every loaded curve.
    assert row["u_self_discharge_ma"] < 0.2 * 4.0


def test_leak_where_no_charge_was_logged_keeps_the_coarse_slope_and_says_so():
    time, volts, current, _first = course(4.0)
    load_on = int(np.flatnonzero(current < -1.0)[0]) - 10
    volts = np.round(volts[load_on:] / STEP_V) * STEP_V
    amps = np.where(current[load_on:] > 0.1, 0.0, current[load_on:])  # the charge hidden: its rows read as rest
    keep = current[load_on:] <= 0.1
    analysis = analyze(make_log(time[load_on:][keep], None, amps[keep], volts[keep]), PACK).to_dict()
    row = analysis["groups"][LEAKY - 1]
    assert row["slope_at_rest_source"] == "loaded_curve" and "slope_coarse" in row["self_discharge_reasons"]
    assert row["u_slope_at_rest_v_per_ah"] >= 0.25 * row["slope_at_rest_v_per_ah"]


@pytest.mark.parametrize(("down_ah", "reason"), [(0.0, "slope_vague"), (8.0, "plateau_flat")])
def test_lfp_is_blind_on_its_plateau_and_at_its_top_knee(down_ah, reason):
    # Slope of the middle of an LFP curve: 0.1 to 0.5 mV per percent (common practice, no source); the simulator's falls by 0.7.
    assert float(LFP.slope(np.array([0.55]))[0]) / 100.0 < 0.001
    row = rested(35, 0.0, chemistry="lfp", pack=PACK_LFP, down_ah=down_ah)["groups"][2]
    assert row["self_discharge_ma"] is None and row["smallest_leak_shown_ma"] is None and row["shortest_rest_h_for_1ma"] is None
    assert row["self_discharge_reasons"] == [reason]


def test_rest_of_the_pack_tells_relaxation_from_drift():
    analysis = rested(36, 0.0, noise_v=0.0003)
    rest = analysis["rest"][-1]
    assert rest["verdict"] == "settled" and rest["reasons"] == []
    # Laid on: 8 mV of relaxation in each of ten groups; what the simulator's own RC branches leave from the charge comes on top, so more than that.
    assert rest["relaxation_mv"] < -80.0 + 2.0 * rest["u_relaxation_mv"]
    assert abs(rest["drift_mv_per_h"]) <= 2.0 * rest["u_drift_mv_per_h"] + 1.0
    short = analysis["rest"][0]
    assert (short["verdict"], short["drift_mv_per_h"], short["reasons"]) == ("rest_too_short", None, ["rest_too_short"])


# --- slope of the curve in closed form -----------------------------------------------------------------------------


def straight_curve(start_v, fall_v_per_ah, current_a, bend=0.0):
    charge = np.linspace(0.0, 10.0, 1001)
    return Curve(charge, start_v - fall_v_per_ah * charge - bend * charge**2, current_a)


def test_slope_at_rest_between_charge_and_discharge_curve_is_open_by_half_their_distance():
    # Straight lines of 0.08 and 0.12 V/Ah that meet at the middle of 5 Ah with 0.2 V between them: mean 0.10, half their distance 0.02 V/Ah, rectangular.
    down, up = straight_curve(4.0, 0.08, -2.0), straight_curve(4.4, 0.12, 2.0)
    found = open_circuit_slope(3.7, down, up, None, None, 0.0)
    assert found.source == "charge_and_discharge" and found.v_per_ah == pytest.approx(0.10, rel=1e-6)
    assert found.u_v_per_ah == pytest.approx(np.hypot(0.02 / 3**0.5, CURVE_SHARE * 0.10), rel=1e-6)


def test_slope_at_rest_of_a_bent_curve_is_open_by_where_on_it_the_rest_lies():
    # Parabola 4.1 - 0.02 q - 0.01 q^2: slope 0.02 + 0.02 q. Raised by 2 A x 20 mOhm, half of which is in doubt: 20 mV along a slope of 0.12 V/Ah at
    # q = 5 Ah are 0.167 Ah, and 0.00333 V/Ah.
    found = open_circuit_slope(4.1 - 0.1 - 0.25 + 0.04, straight_curve(4.1, 0.02, -2.0, 0.01), None, 0.020, None, 0.0)
    assert found.source == "loaded_curve" and found.v_per_ah == pytest.approx(0.12, rel=2e-3)
    place = (found.u_v_per_ah**2 - (COARSE_SHARE * found.v_per_ah) ** 2) ** 0.5
    assert place == pytest.approx(0.02 * 0.02 / 0.12, rel=0.1)


@pytest.mark.parametrize(("mv_per_percent", "reasons"), [(1.00, ("plateau_flat",)), (1.04, ("plateau_flat",)), (1.07, ()), (1.20, ())])
def test_slope_is_too_flat_for_a_rest_below_one_millivolt_a_percent(mv_per_percent, reasons):
    """A straight curve of 10 Ah: the slope less its own 5 % must reach 1 mV per percent, so that the edge lies at 1.0526 mV. The limit is
    common practice, no source: it lies between an LFP plateau (0.1 to 0.5) and an NMC curve (5 to 12)."""
    charge_ah = np.linspace(0.05, 9.95, 200)
    falling = 3.4 - 0.01 * mv_per_percent * charge_ah
    discharge, charge = (LoadedCurves(charge_ah, np.column_stack([falling + shift] * 3), amps) for shift, amps in ((-0.05, -5.0), (0.05, 5.0)))
    curves = OwnCurves(discharge, charge, np.full(3, 0.01), np.full(3, 3.4), False, 0.0, 10.0)
    slope, why = curves.slope(1, 3.4 - 0.05 * mv_per_percent, 0.0)
    assert slope.v_per_ah == pytest.approx(0.01 * mv_per_percent, rel=1e-6)
    assert slope.u_v_per_ah == pytest.approx(0.05 * slope.v_per_ah, rel=1e-3)
    assert why == reasons
