"""Charge and energy against closed forms, logged counters of an open data set, and scipy.integrate.

The worked figures count discharge as positive; this program counts charge as positive. Where a sign is turned
it says so.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, trapezoid
from synthetic_logs import make_log, perfect_pack

from cycler.analysis import analyze
from cycler.measures.capacity import charge_flow, find_charges, find_switches
from cycler.measures.integrate import cumulative, interval_charge_coulomb, interval_energy_joule
from cycler.pack import Pack
from cycler.steps import segment_steps

# Six uneven samples, made up so that every rule of integration gives another figure.
UNEVEN_S = np.array([0.0, 10.0, 25.0, 60.0, 120.0, 300.0])
UNEVEN_A = -np.array([0.0, 2.0, 2.0, 1.9, 1.5, 1.0])  # the worked figures count discharge as positive
UNEVEN_V = np.array([4.10, 4.00, 3.98, 3.95, 3.90, 3.88])


def test_interval_charge_of_uneven_samples_is_the_trapezoid_sum():
    # By hand: (0+2)/2*10 + 2*15 + 1.95*35 + 1.7*60 + 1.25*180 = 10 + 30 + 68.25 + 102 + 225 = 435.25 C =
    # 0.1209028 Ah. Tolerance 1e-12: sums of six exact terms.
    charge = interval_charge_coulomb(UNEVEN_S, UNEVEN_A)
    assert charge == pytest.approx([-10.0, -30.0, -68.25, -102.0, -225.0], rel=1e-12)
    assert charge.sum() == pytest.approx(-435.25, rel=1e-12)
    assert charge.sum() == pytest.approx(trapezoid(UNEVEN_A, UNEVEN_S), rel=1e-12)


def test_interval_charge_of_uneven_samples_is_neither_rectangle_rule():
    # The rectangles give 0.1344444 Ah (left values) and 0.1073611 Ah (right values), worked by hand.
    ours = -interval_charge_coulomb(UNEVEN_S, UNEVEN_A).sum() / 3600.0
    span = np.diff(UNEVEN_S)
    left, right = float(np.sum(-UNEVEN_A[:-1] * span)) / 3600.0, float(np.sum(-UNEVEN_A[1:] * span)) / 3600.0
    assert sorted((left, right)) == pytest.approx([0.1073611, 0.1344444], abs=5e-8)
    assert abs(ours - left) > 0.01
    assert abs(ours - right) > 0.01


def test_interval_energy_of_uneven_samples_is_the_trapezoid_of_power():
    # Worked with numpy from the six rows: trapezoid of V*I 0.4740799 Wh; V and I each linear between samples
    # 0.4740287 Wh; mean V times mean I 0.4740031 Wh. The rule in use is the first; half the last printed digit
    # tells the three apart.
    energy = -interval_energy_joule(UNEVEN_S, UNEVEN_V, UNEVEN_A).sum() / 3600.0
    assert energy == pytest.approx(0.4740799, abs=5e-8)
    assert energy == pytest.approx(-trapezoid(UNEVEN_V * UNEVEN_A, UNEVEN_S) / 3600.0, rel=1e-12)
    assert abs(energy - 0.4740287) > 4e-5


def test_running_charge_of_uneven_samples_matches_scipy():
    running = cumulative(interval_charge_coulomb(UNEVEN_S, UNEVEN_A))
    assert running == pytest.approx(cumulative_trapezoid(UNEVEN_A, UNEVEN_S, initial=0.0), rel=1e-12)


# Exponential taper I = I0 exp(-t/tau), I0 = 1 A, tau = 1200 s, T = 3600 s: Q = I0 tau (1 - exp(-T/tau))/3600 =
# 0.3167376 Ah (closed form).
TAPER_TAU_S, TAPER_END_S = 1200.0, 3600.0
TAPER_AH = TAPER_TAU_S * (1.0 - np.exp(-TAPER_END_S / TAPER_TAU_S)) / 3600.0


@pytest.mark.parametrize(
    ("spacing_s", "excess"),
    # Excess of the trapezoid over the closed form, worked in double precision as (x/2) coth(x/2) - 1 with x =
    # dt/tau, the sum of a geometric series; leading term dt^2/(12 tau^2). Tolerance: half the last printed
    # digit.
    [(1.0, 5.787e-8), (10.0, 5.787e-6), (60.0, 2.0832e-4), (300.0, 5.2029e-3)],
)
def test_interval_charge_of_exponential_taper_errs_as_the_trapezoid_must(spacing_s, excess):
    time = np.arange(0.0, TAPER_END_S + 0.5 * spacing_s, spacing_s)
    ours = interval_charge_coulomb(time, np.exp(-time / TAPER_TAU_S)).sum() / 3600.0
    assert pytest.approx(0.3167376, abs=5e-8) == TAPER_AH
    assert ours / TAPER_AH - 1.0 == pytest.approx(excess, rel=2e-4)
    x = spacing_s / TAPER_TAU_S
    assert ours / TAPER_AH - 1.0 == pytest.approx(0.5 * x / np.tanh(0.5 * x) - 1.0, rel=1e-6, abs=1e-13)


def test_charge_of_full_cc_cv_charge_matches_closed_form():
    # Constant 1 A for 3600 s, then the taper above: 1.0 Ah + 0.3167376 Ah. Sampled every 10 s; the switch on
    # falls on a sample that still reads zero, as the step clock proves. Tolerance: trapezoid excess of the
    # taper, 5.8e-6 of its part.
    rest = np.arange(0.0, 600.0 + 1.0, 10.0)
    constant = np.arange(10.0, 3600.0 + 1.0, 10.0)
    taper = np.arange(10.0, TAPER_END_S + 1.0, 10.0)
    time = np.concatenate((rest, 600.0 + constant, 4200.0 + taper))
    current = np.concatenate((np.zeros(rest.size), np.ones(constant.size), np.exp(-taper / TAPER_TAU_S)))
    voltage = np.concatenate((np.full(rest.size, 3.5), 3.6 + 0.6 * constant / 3600.0, np.full(taper.size, 4.2)))
    step_time = np.concatenate((rest, constant, taper))
    log = make_log(time, voltage, current, step_time_s=step_time)
    steps = segment_steps(log, Pack())
    assert [step.kind for step in steps] == ["rest", "charge_cc", "charge_cv"]
    flow = charge_flow(log, steps, find_switches(log, steps))
    (charge,) = find_charges(log, steps, flow)
    assert charge.charge_ah == pytest.approx(1.0 + TAPER_AH, rel=3e-6)
    # Energy: 3.9 V mean over the first ampere-hour (voltage rises evenly), 4.2 V over the rest.
    assert charge.energy_wh == pytest.approx(3.9 + 4.2 * TAPER_AH, rel=1e-5)


# Four logged rows of the open CALCE CS2 data set (cell CS2_33, file of 2010-10-04): 1.1 Ah prismatic cell,
# charge step at 0.55 A, the cycler's own columns and cumulative counters, read in stored text. Step time [s],
# current [A], voltage [V], counters [Ah], [Wh].
LOGGED = np.array(
    [
        [30.015332, 0.5500248, 3.5848210, 0.004584980, 0.016314317],
        [60.030537, 0.5498449, 3.6253188, 0.009169998, 0.032847511],
        [90.045961, 0.5498449, 3.6580410, 0.013755076, 0.049547364],
        [120.061119, 0.5498449, 3.6857417, 0.018340038, 0.066384218],
    ]
)


def test_charge_of_logged_rows_matches_the_instruments_own_counter():
    # Counter difference row 4 - row 1: 0.013755058 Ah, 0.050069901 Wh. At 30 s sampling in constant current a
    # log-derived integral should agree to 5e-4 relative (the rows were logged at 30 s, the counter runs inside
    # the instrument).
    time, current, voltage, counted_ah, counted_wh = LOGGED.T
    charge = interval_charge_coulomb(time, current).sum() / 3600.0
    energy = interval_energy_joule(time, voltage, current).sum() / 3600.0
    assert charge == pytest.approx(counted_ah[-1] - counted_ah[0], rel=5e-4)
    assert energy == pytest.approx(counted_wh[-1] - counted_wh[0], rel=5e-4)
    # Worked with numpy from the same rows: 0.01375387 Ah and 0.05005780 Wh; half the last digit.
    assert charge == pytest.approx(0.01375387, abs=5e-9)
    assert energy == pytest.approx(0.05005780, abs=5e-9)


def constant_discharge_log(step_clock: bool, phase_s: float = 0.0):
    """0.500 A for 18 360 s from full to exactly 2.800 V, sampled every 10 s, an hour's rest before, ten minutes after."""
    switch_s, end_s = 3600.0 + phase_s, 3600.0 + phase_s + 18360.0
    time = np.arange(0.0, end_s + 600.0, 10.0)
    time = np.unique(np.concatenate((time, [end_s]))) if not step_clock else np.unique(
        np.concatenate((np.arange(0.0, switch_s + 1e-9, 10.0), np.arange(switch_s + 10.0, end_s + 601.0, 10.0), [end_s]))
    )
    loaded = (time > switch_s) & (time <= end_s)
    current = np.where(loaded, -0.5, 0.0)  # the worked figure counts discharge as positive
    fall = np.clip((time - switch_s) / 18360.0, 0.0, 1.0)
    voltage = np.where(loaded, 4.15 - 1.35 * fall, np.where(time > end_s, 3.1, 4.2))
    clock = None
    if step_clock:
        clock = np.where(loaded, time - switch_s, np.where(time > end_s, time - end_s, time))
    return make_log(time, voltage, current, step_time_s=clock)


PLAIN = {"series": 1, "rated_capacity_ah": 3.0, "charge_voltage_v": 4.2, "cutoff_voltage_v": 2.8, "chemistry": "nmc"}


def test_capacity_of_constant_discharge_with_step_clock_is_current_times_time():
    # 0.500 A for 5 h 6 min: 0.5 * 18360 / 3600 = 2.5500 Ah; of 3.0 Ah rated 85.00 % (by hand). Mean voltage of
    # an even fall from 4.15 V to 2.80 V: 3.475 V. Tolerance 1e-9 for charge; energy 1e-5, the first interval
    # counts at the voltage of its loaded end.
    capacity = analyze(constant_discharge_log(step_clock=True), perfect_pack(**PLAIN)).to_dict()["capacity"]
    assert capacity["value_ah"] == pytest.approx(2.55, rel=1e-9)
    assert capacity["state_of_health"] == pytest.approx(0.85, rel=1e-9)
    assert capacity["energy_wh"] == pytest.approx(2.55 * 3.475, rel=1e-5)
    assert (capacity["valid"], capacity["end_reason"]) == (True, "pack_cutoff")


@pytest.mark.parametrize("phase_s", [0.0, 0.7, 2.5, 5.0, 7.1, 9.9])
def test_capacity_of_constant_discharge_without_step_clock_holds_the_truth_in_its_interval(phase_s):
    # The recorder runs on regardless: the switch falls anywhere in a 10 s interval. Half-width 5 s at 0.5 A is
    # 0.69 mAh, and no more may be lost; the truth must lie within k = 2.
    capacity = analyze(constant_discharge_log(step_clock=False, phase_s=phase_s), perfect_pack(**PLAIN)).to_dict()["capacity"]
    assert abs(capacity["value_ah"] - 2.55) <= 0.5 * 5.0 / 3600.0 * (1.0 + 1e-6)
    assert abs(capacity["value_ah"] - 2.55) <= 2.0 * capacity["u_value_ah"]


def test_charge_of_a_log_is_unchanged_when_it_is_cut_in_two():
    # Invariance: integrals over two stretches that share a sample add up.
    time = np.linspace(0.0, 1000.0, 137)
    current = -1.0 + 0.3 * np.sin(time / 70.0)
    whole = interval_charge_coulomb(time, current).sum()
    halves = interval_charge_coulomb(time[:60], current[:60]).sum() + interval_charge_coulomb(time[59:], current[59:]).sum()
    assert halves == pytest.approx(whole, rel=1e-12)
    # Closed form: -t - 0.3*70*(cos(t/70) - 1); trapezoid error at this spacing is dt^2/12*max|I''|*T = 2.7e-4 C
    # per 1000 C.
    assert whole == pytest.approx(-1000.0 - 21.0 * (np.cos(1000.0 / 70.0) - 1.0), abs=0.3)


@pytest.mark.parametrize("zero_a", [-0.005, 0.001, 0.002, 0.003, 0.004, 0.005, 0.008, 0.010])
def test_charge_of_rest_is_nothing_when_the_ammeter_reads_a_steady_zero_error(zero_a):
    # A display that stands still at a few milliampere during 24 h of rest would add up to 0.24 Ah; a resting
    # pack carries no bench current (common practice, no source). The zero errors are up to 1 % of the load,
    # none has noise.
    time = np.concatenate((np.arange(0.0, 86400.0, 60.0), np.arange(86400.0, 90000.0, 1.0)))
    current = np.where(time < 86400.0, zero_a, -1.0 + zero_a)
    log = make_log(time, np.full(time.size, 3.7), current)
    steps = segment_steps(log, Pack())
    flow = charge_flow(log, steps, find_switches(log, steps))
    before = int(np.flatnonzero(time < 86400.0)[-1])
    assert [step.kind for step in steps] == ["rest", "discharge_cc"]
    assert flow.running_ah[before] == 0.0
