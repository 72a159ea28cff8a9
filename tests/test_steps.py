"""Steps: kinds, boundaries right to the sample, ends by evidence."""

import numpy as np
import pytest

from cycler.pack import Pack
from cycler.signals import current_scale
from cycler.steps import segment_steps
from tests.corelogs import make_log, simple_test


def profile(parts, dt=1.0, noise_a=0.0, step_a=0.0, seed=3):
    """Time, current and the first sample of each part from [(seconds, amperes or callable(t)), ...]."""
    time, current, starts, t = [], [], [], 0.0
    for seconds, level in parts:
        starts.append(len(time))
        for k in range(round(seconds / dt)):
            time.append(t)
            current.append(level(k * dt) if callable(level) else level)
            t += dt
    i = np.array(current) + noise_a * np.random.default_rng(seed).standard_normal(len(current))
    if step_a:
        i = np.round(i / step_a) * step_a
    return np.array(time), i, starts


def falling(i, volts=20.0, ohm=0.1, slope=1e-4):
    q = np.cumsum(i)
    return volts + ohm * i + slope * q


@pytest.mark.parametrize("dt", [0.1, 1.0, 10.0])
@pytest.mark.parametrize(("noise_a", "step_a"), [(0.0, 0.0), (0.01, 0.0), (0.004, 0.01)])
def test_segment_steps_rest_charge_discharge_boundaries_right_to_one_sample(dt, noise_a, step_a):
    parts = [(600, 0.0), (1800, 2.0), (900, 0.0), (3000, -5.0), (600, 0.0)]
    time, current, starts = profile(parts, dt, noise_a, step_a)
    log = make_log(time, falling(current), current)
    steps = segment_steps(log, Pack())
    assert [s.kind for s in steps] == ["rest", "charge_cc", "rest", "discharge_cc", "rest"]
    assert [s.first for s in steps] == starts


def test_segment_steps_taper_after_constant_current_is_charge_cv():
    tau = 900.0
    parts = [(300, 0.0), (2400, 3.0), (2700, lambda t: 3.0 * np.exp(-t / tau)), (600, 0.0)]
    time, current, starts = profile(parts, 1.0, 0.003)
    voltage = np.full(time.size, 41.0)
    ramp = slice(starts[1], starts[2])
    voltage[ramp] = np.linspace(38.0, 42.0, starts[2] - starts[1])
    voltage[starts[2] : starts[3]] = 42.0
    log = make_log(time, voltage, current)
    steps = segment_steps(log, Pack(charge_voltage_v=42.0, taper_current_a=0.16))
    assert [s.kind for s in steps] == ["rest", "charge_cc", "charge_cv", "rest"]
    # The taper leaves its constant level by 3 sigma (9 mA) within three samples: 3 A * 3 s / 900 s = 10 mA.
    assert abs(steps[2].first - starts[2]) <= 4
    assert [s.end_reason for s in steps[1:3]] == ["charge_voltage", "charge_taper"]


def test_segment_steps_charge_stopped_in_constant_current_has_no_taper_end():
    time, current, _ = profile([(300, 0.0), (2400, 3.0), (600, 0.0)])
    voltage = np.where(current > 1, np.linspace(38.0, 41.0, time.size), 40.0)
    steps = segment_steps(make_log(time, voltage, current), Pack(charge_voltage_v=42.0, taper_current_a=0.16))
    assert steps[1].kind == "charge_cc"
    assert steps[1].end_reason == "set_by_program"


def test_segment_steps_short_pulses_of_both_directions_are_pulses():
    parts = [(600, 0.0), (10, -20.0), (60, 0.0), (10, 15.0), (600, 0.0), (3000, -5.0), (300, 0.0)]
    time, current, starts = profile(parts)
    steps = segment_steps(make_log(time, falling(current), current), Pack())
    kinds = ["rest", "pulse_discharge", "rest", "pulse_charge", "rest", "discharge_cc", "rest"]
    assert [s.kind for s in steps] == kinds
    assert [s.first for s in steps] == starts


def test_segment_steps_pulse_inside_discharge_is_found():
    parts = [(600, 0.0), (1000, -2.0), (10, -10.0), (1000, -2.0), (300, 0.0)]
    time, current, starts = profile(parts, 1.0, 0.005)
    steps = segment_steps(make_log(time, falling(current), current), Pack())
    assert [s.kind for s in steps] == ["rest", "discharge_cc", "pulse_discharge", "discharge_cc", "rest"]
    assert [s.first for s in steps] == starts


def test_segment_steps_ripple_of_five_percent_makes_no_steps():
    parts = [(600, 0.0), (3000, lambda t: -5.0 * (1 + 0.05 * np.sin(2.1 * t))), (300, 0.0)]
    time, current, _ = profile(parts)
    steps = segment_steps(make_log(time, falling(current), current), Pack())
    assert [s.kind for s in steps] == ["rest", "discharge_cc", "rest"]


def test_segment_steps_coarse_taper_is_one_step():
    # One sample a minute, time constant 20 min: neighbours differ by 5 %, which is no edge.
    parts = [(600, 0.0), (7200, lambda t: 2.0 * np.exp(-t / 1200.0)), (600, 0.0)]
    time, current, _ = profile(parts, 60.0)
    voltage = np.where(current > 0, 42.0, 41.9)
    steps = segment_steps(make_log(time, voltage, current), Pack(charge_voltage_v=42.0))
    assert [s.kind for s in steps] == ["rest", "charge_cv", "rest"]


@pytest.mark.parametrize("kind", ["cp", "cr"])
def test_segment_steps_constant_power_and_resistance_loads_are_told(kind):
    time = np.arange(0.0, 4000.0)
    voltage = np.linspace(42.0, 32.0, time.size)
    current = -100.0 / voltage if kind == "cp" else -voltage / 8.0
    current[:500] = 0.0
    steps = segment_steps(make_log(time, voltage, current), Pack())
    assert [s.kind for s in steps] == ["rest", f"discharge_{kind}"]


def test_segment_steps_straddling_sample_belongs_to_the_step_that_begins():
    time, current, starts = profile([(600, 0.0), (1000, -5.0), (300, 0.0)])
    current[starts[1]] = -1.7
    steps = segment_steps(make_log(time, falling(current), current), Pack())
    assert [s.kind for s in steps] == ["rest", "discharge_cc", "rest"]
    assert steps[1].first == starts[1]


def test_segment_steps_zero_offset_of_the_ammeter_is_still_rest():
    time, current, _ = profile([(600, 0.0), (1000, -5.0), (300, 0.0)], noise_a=0.002)
    steps = segment_steps(make_log(time, falling(current), current + 0.03), Pack())
    assert [s.kind for s in steps] == ["rest", "discharge_cc", "rest"]


def test_current_scale_taper_that_dwells_is_no_zero():
    # 34 mA for 60 samples, then 20 samples of zero: the zero is 0, not 34 mA.
    current = np.concatenate([np.full(200, 1.5), np.linspace(1.5, 0.034, 200), np.full(60, 0.034), np.full(20, 0.0005)])
    assert abs(current_scale(current).zero_a) < 0.005


@pytest.mark.parametrize(
    ("group_low", "declared", "pack_cutoff", "terminals", "expected"),
    [
        (3.2, None, 32.0, 33.0, "pack_cutoff"),
        (2.8, 2.8, 30.0, 34.5, "group_cutoff"),
        (2.5, 2.8, 30.0, 34.5, "protection_trip"),
        (2.5, None, 30.0, 34.5, "protection_trip"),
        (3.3, None, 30.0, 0.4, "protection_trip"),
        (3.3, None, 30.0, 34.5, "set_by_program"),
    ],
)
def test_segment_steps_end_of_discharge_told_by_evidence(group_low, declared, pack_cutoff, terminals, expected):
    time, current, starts = profile([(300, 0.0), (3000, -5.0), (300, 0.0)])
    groups = np.full((time.size, 10), 4.1)
    load = slice(starts[1], starts[2])
    end = 3.2 if expected == "pack_cutoff" else 3.45
    groups[load] = np.linspace(4.0, end, starts[2] - starts[1])[:, None]
    groups[load, 3] = np.linspace(4.0, group_low, starts[2] - starts[1])
    groups[starts[2] :] = 3.5
    voltage = groups.sum(axis=1)
    voltage[starts[2] :] = terminals
    pack = Pack(series=10, cutoff_voltage_v=pack_cutoff, group_cutoff_voltage_v=declared)
    steps = segment_steps(make_log(time, voltage, current, groups), pack)
    assert steps[1].end_reason == expected


def test_segment_steps_log_that_ends_under_load_says_log_end():
    time, current, _ = profile([(300, 0.0), (3000, -5.0)])
    steps = segment_steps(make_log(time, falling(current), current), Pack(cutoff_voltage_v=1.0))
    assert steps[-1].end_reason == "log_end"


def test_segment_steps_covers_every_sample_once():
    log, _ = simple_test((10.0, 10.2, 9.9))
    steps = segment_steps(log, Pack())
    covered = np.concatenate([np.arange(s.first, s.last + 1) for s in steps])
    assert np.array_equal(covered, np.arange(log.rows))


def test_with_end_reasons_equals_cutting_anew_with_the_same_ratings():
    from cycler.steps import cut_steps, with_end_reasons

    log, _ = simple_test((10.0, 10.2, 9.9))
    pack = Pack(series=3, cutoff_voltage_v=9.0, charge_voltage_v=12.6, taper_current_a=0.25)
    other = with_end_reasons(log, Pack(), cut_steps(log))
    assert with_end_reasons(log, pack, other) == segment_steps(log, pack)
    assert [s.end_reason for s in other] != [s.end_reason for s in segment_steps(log, pack)]
