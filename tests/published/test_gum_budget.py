"""Uncertainty budgets against worked examples, the library ``uncertainties``, and Monte Carlo.

Rules: JCGM 100:2008 (GUM), from memory: rectangular half-width a gives a/sqrt(3), resolution step d gives
d/sqrt(12), independent terms join as the root of the sum of squares. Worked figures: computed in double
precision from the stated inputs. Second methods: ``uncertainties`` (linear propagation by automatic
differentiation, general-purpose library) and numpy Monte Carlo (the idea of JCGM 101:2008).
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from synthetic_logs import make_log
from uncertainties import ufloat

from cycler.analysis import analyze
from cycler.measures.capacity import Discharge
from cycler.pack import Instrument, Pack
from cycler.quantities import COVERAGE_FACTOR, figure_text
from cycler.uncertainty import (
    BudgetLine,
    capacity_budget,
    combined,
    difference_u,
    rectangular,
    resistance_u,
    resolution_term,
    voltage_reading_u,
)

# 0.500 A x 5 h = 2.5 Ah; current gain 0.5 %, current offset 2 mA, clock 50 ppm, cut-off +-10 mV at an end slope
# of 2 V/Ah, sample instant +-5 s at 0.5 A; all half-widths rectangular.
BENCH = Instrument(current_gain=0.005, current_offset_a=0.002, clock_gain=50e-6, voltage_gain=0.0, voltage_offset_v=0.010, declared=True)
# +-5 s = a share of 0.5 +- 0.5 of one 10 s interval: dI dt u(share) = 0.5 A x 10 s / sqrt(12).
TEST = Discharge(
    steps=(1,), main_step=1, cycle=None, start_s=0.0, load_on_s=0.0, end_s=18000.0, net_ah=2.5, discharged_ah=2.5, recharged_ah=0.0,
    energy_wh=9.125, active_s=18000.0, end_reason="pack_cutoff", started_full=True, start_evidence="cv_taper", start_short_v=None,
    start_slope_v_per_ah=None, slope_v_per_ah=2.0, limiting_end_group=None, switch_terms_as=(0.5 * 10.0 / sqrt(12.0),),
    resolution_a=0.0, noise_a=0.0, sampling_s=10.0, mean_temperature_c=None, bridged_ah=0.0, unbridged_gap_s=0.0,
    mean_current_a=-0.5,
)
# Standard uncertainties of the worked budget. [mAh]
PRINTED_MAH = {
    "current gain": 7.216878, "current offset": 5.773503, "clock": 0.072169, "cut-off voltage": 2.886751, "sample instant": 0.400938,
}


def budget() -> dict[str, float]:
    """Our budget of the worked test by source. [Ah]"""
    lines = capacity_budget(TEST, Pack(instrument=BENCH), rectangular(0.010))
    return {line.source: line.standard_uncertainty for line in lines}


def test_rectangular_and_resolution_factors_match_the_guide():
    # a/sqrt(3) = 0.57735 a; d/sqrt(12) = 0.28868 d (GUM 4.3.7 and F.2.2.1, clause numbers from memory). Half
    # the last digit.
    assert rectangular(1.0) == pytest.approx(0.57735, abs=5e-6)
    assert resolution_term(1.0) == pytest.approx(0.28868, abs=5e-6)
    # A resolution step is a rectangle of half its width.
    assert resolution_term(0.01) == pytest.approx(rectangular(0.005), rel=1e-12)


@pytest.mark.parametrize("source", sorted(PRINTED_MAH))
def test_capacity_budget_line_matches_worked_budget(source):
    # Half the last printed digit.
    assert 1e3 * budget()[source] == pytest.approx(PRINTED_MAH[source], abs=5.1e-7)


def test_capacity_budget_combined_matches_worked_budget():
    # u_c = 9.691025 mAh, U (k = 2) = 19.38205 mAh = 0.77528 %.
    lines = capacity_budget(TEST, Pack(instrument=BENCH), rectangular(0.010))
    u = combined(lines)
    assert 1e3 * u == pytest.approx(9.691025, abs=5.1e-7)
    assert COVERAGE_FACTOR * u / 2.5 == pytest.approx(0.0077528, abs=5e-8)
    assert sum(line.standard_uncertainty for line in lines if line.source not in PRINTED_MAH) == 0.0
    assert figure_text(2.5, u, "Ah") == "2.500 ± 0.019 Ah"


def test_capacity_budget_with_repeatability_added_matches_worked_budget():
    # Repeatability s = 8 mAh, n = 3: 8/sqrt(3) = 4.618802 mAh; u_c = 10.735422 mAh; of 3.0 Ah rated u =
    # 0.357847 %.
    lines = (*capacity_budget(TEST, Pack(instrument=BENCH), rectangular(0.010)), BudgetLine("repeatability", 0.008 / sqrt(3.0)))
    assert 1e3 * combined(lines) == pytest.approx(10.735422, abs=5.1e-7)
    assert combined(lines) / 3.0 == pytest.approx(0.00357847, abs=5.1e-9)


def test_capacity_budget_matches_automatic_propagation():
    # Second method: Q = (I (1 + g) + o) T (1 + c) + v/slope + I s, each input with its own standard
    # uncertainty, by ``uncertainties``. Products of two small terms are not linear: 1e-9 relative is left.
    gain, offset, clock = ufloat(0.0, 0.005 / sqrt(3.0)), ufloat(0.0, 0.002 / sqrt(3.0)), ufloat(0.0, 50e-6 / sqrt(3.0))
    cutoff, instant = ufloat(0.0, 0.010 / sqrt(3.0)), ufloat(0.0, 5.0 / sqrt(3.0) / 3600.0)
    charge = (0.5 * (1.0 + gain) + offset) * 5.0 * (1.0 + clock) + cutoff / 2.0 + 0.5 * instant
    ours = budget()
    assert charge.nominal_value == pytest.approx(2.5, rel=1e-12)
    assert sqrt(sum(u**2 for u in ours.values())) == pytest.approx(charge.std_dev, rel=1e-9)
    parts = {id(variable): error for variable, error in charge.error_components().items()}
    for source, variable in (
        ("current gain", gain), ("current offset", offset), ("clock", clock), ("cut-off voltage", cutoff), ("sample instant", instant),
    ):
        assert ours[source] == pytest.approx(parts[id(variable)], rel=1e-9)


def test_capacity_budget_offset_scales_with_time_and_gain_with_charge():
    # The same 2.5 Ah in one hour at 2.5 A: the offset counts a fifth of what it does in five hours, the gain
    # the same (by hand).
    fast = replace(TEST, active_s=3600.0)
    lines = {line.source: line.standard_uncertainty for line in capacity_budget(fast, Pack(instrument=BENCH), rectangular(0.010))}
    assert lines["current offset"] == pytest.approx(budget()["current offset"] / 5.0, rel=1e-12)
    assert lines["current gain"] == pytest.approx(budget()["current gain"], rel=1e-12)


def test_meter_specification_as_one_limit_matches_worked_figure():
    # "+-(0.5 % of reading + 2 counts)", 3.712 V, 1 mV counts: one limit of 0.01856 + 0.002 = 0.02056 V, u =
    # 0.01187032 V, U = 0.0237406 V.
    u = rectangular(0.005 * 3.712 + 2 * 0.001)
    assert u == pytest.approx(0.01187032, abs=5.1e-9)
    assert COVERAGE_FACTOR * u == pytest.approx(0.0237406, abs=5.1e-8)


@pytest.mark.parametrize("group", [False, True])
def test_voltage_reading_u_joins_gain_offset_and_resolution_as_automatic_propagation_does(group):
    # Gain and offset are stated apart in the pack file and count as independent rectangles, resolution 1 mV on
    # top: 0.0107820 V by ``uncertainties`` (the one-limit reading of a data sheet, above, is 9 % wider and must
    # be entered as a wider limit).
    instrument = Instrument(
        voltage_gain=0.005, voltage_offset_v=0.002, group_voltage_gain=0.005, group_voltage_offset_v=0.002, declared=True
    )
    if group:
        instrument = replace(instrument, voltage_gain=0.5, voltage_offset_v=1.0)
    else:
        instrument = replace(instrument, group_voltage_gain=0.5, group_voltage_offset_v=1.0)
    reading = 3.712 * (1.0 + ufloat(0.0, 0.005 / sqrt(3.0))) + ufloat(0.0, 0.002 / sqrt(3.0)) + ufloat(0.0, 0.001 / sqrt(12.0))
    ours = voltage_reading_u(instrument, 3.712, 0.001, group)
    assert ours == pytest.approx(reading.std_dev, rel=1e-12)
    assert ours == pytest.approx(0.0107820, abs=5e-7)
    if group:
        assert difference_u(instrument, 3.712, 0.001) == pytest.approx(sqrt(2.0) * reading.std_dev, rel=1e-12)


def test_resistance_u_matches_worked_two_current_example():
    # (3.950 - 3.830) V / 2 A = 60 mohm; each voltage +-1 mV rectangular and independent, dI known to 0.2 %
    # (standard uncertainty): u = sqrt(2 (0.57735 mV)^2/(2 A)^2 + (60 mohm x 0.002)^2) = 0.425519 mohm. Half the
    # last printed digit.
    instrument = Instrument(voltage_gain=0.0, current_gain=0.002 * sqrt(3.0), declared=True)
    two_readings_ohm = sqrt(2.0) * rectangular(0.001) / 2.0
    assert 1e3 * combined(resistance_u(instrument, 0.060, two_readings_ohm, 0.0, False)) == pytest.approx(0.425519, abs=5.1e-7)
    # Second method.
    ohm = (ufloat(3.950, 0.001 / sqrt(3.0)) - ufloat(3.830, 0.001 / sqrt(3.0))) / ufloat(2.0, 0.004)
    assert combined(resistance_u(instrument, 0.060, two_readings_ohm, 0.0, False)) == pytest.approx(ohm.std_dev, rel=1e-9)


def test_resistance_u_takes_gains_in_and_leaves_offsets_out():
    # U = (1 + g) V + o for both readings: o cancels in the difference. By ``uncertainties``.
    instrument = Instrument(
        voltage_gain=0.003, voltage_offset_v=0.05, current_gain=0.004, current_offset_a=0.05, declared=True
    )
    gain_v, offset_v = ufloat(0.0, 0.003 / sqrt(3.0)), ufloat(0.0, 0.05 / sqrt(3.0))
    gain_i, offset_i = ufloat(0.0, 0.004 / sqrt(3.0)), ufloat(0.0, 0.05 / sqrt(3.0))
    fall = (3.95 * (1 + gain_v) + offset_v) - (3.83 * (1 + gain_v) + offset_v)
    step = (2.5 * (1 + gain_i) + offset_i) - (0.5 * (1 + gain_i) + offset_i)
    assert combined(resistance_u(instrument, 0.060, 0.0, 0.0, False)) == pytest.approx((fall / step).std_dev, rel=1e-9)


# A discharge of a plain pack: 2 A from 12.5 V to a cut-off of 9.0 V, a knee at the end, an hour of rest before
# it.
TRUE_CURRENT_A = 2.0


def bench_log(draw: np.random.Generator | None, limits: Instrument):
    """The log that a bench with errors drawn within its limits would write. The bench stops by its own, wrong,
    voltage reading."""
    def within(half_width: float) -> float:
        return 0.0 if draw is None else draw.uniform(-half_width, half_width)

    gain_i, offset_i = within(limits.current_gain), within(limits.current_offset_a)
    gain_v, offset_v = within(limits.voltage_gain), within(limits.voltage_offset_v)
    clock, phase = within(limits.clock_gain), 5.0 + within(5.0)
    true_s = np.arange(0.0, 12000.0, 10.0)
    on = 3600.0 + phase
    charge = np.clip(true_s - on, 0.0, None) * TRUE_CURRENT_A / 3600.0
    true_v = np.where(true_s > on, 12.4 - 0.5 * charge - 0.02 * np.exp((charge - 3.0) / 0.25), 12.5)
    read_v = true_v * (1.0 + gain_v) + offset_v
    loaded = true_s > on
    stop = int(np.flatnonzero(loaded & (read_v <= 9.0))[0])
    read_a = np.where(loaded, -TRUE_CURRENT_A, 0.0) * (1.0 + gain_i) + np.where(loaded, offset_i, 0.0)
    keep = slice(0, stop + 1)
    return make_log(true_s[keep] * (1.0 + clock), read_v[keep], read_a[keep])


def test_capacity_uncertainty_matches_monte_carlo_over_the_whole_chain():
    # 300 benches, each with errors drawn evenly within its limits, write the log of the same pack; the scatter
    # of the capacities they report is what u_value_ah claims. The standard deviation of 300 draws is itself
    # known to 1/sqrt(600) = 4 %; 15 % asserted, 3.7 of those. The budget must come from the log of a bench
    # without errors.
    limits = Instrument(
        current_gain=0.004, current_offset_a=0.006, voltage_gain=0.004, voltage_offset_v=0.05, clock_gain=0.0005, declared=True
    )
    pack = Pack(series=3, rated_capacity_ah=3.8, charge_voltage_v=12.6, cutoff_voltage_v=9.0, chemistry="nmc", instrument=limits)
    stated = analyze(bench_log(None, limits), pack).to_dict()["capacity"]
    assert stated["end_reason"] == "pack_cutoff"
    draw = np.random.default_rng(20240101)
    values = [analyze(bench_log(draw, limits), pack).to_dict()["capacity"]["value_ah"] for _ in range(300)]
    claimed = sqrt(sum(
        line["standard_uncertainty_ah"] ** 2 for line in stated["budget"] if line["source"] != "full start"
    ))
    assert np.std(values, ddof=1) == pytest.approx(claimed, rel=0.15)
    assert np.mean(values) == pytest.approx(stated["value_ah"], abs=4.0 * claimed / sqrt(300))
