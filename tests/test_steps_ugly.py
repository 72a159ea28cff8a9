"""Steps of ugly logs: random tests with known boundaries, kinds and reasons of their ends (``STEPS_CASES=2000`` for a deep run).

The truth is that of the invented tests themselves (`steps_cases.py`, `end_cases.py`), which know nothing of how steps are cut.
"""

import os

import numpy as np
import pytest

from cycler.endreasons import _last_of
from cycler.pack import Pack
from cycler.pieces import hinge, without_strays
from cycler.signals import current_scale, largest_of
from cycler.steps import cut_steps, segment_steps
from tests.corelogs import make_log
from tests.end_cases import ENDS, end_case, found_reason
from tests.steps_cases import FAMILIES, FAULTS, random_case, score

CASES = int(os.environ.get("STEPS_CASES", "240"))


@pytest.mark.parametrize("family", range(len(FAMILIES)), ids=FAMILIES)
def test_cut_steps_of_ugly_log_finds_boundaries_and_kinds(family):
    """Number and kinds of the steps, and their first rows within a row (a taper's within what the noise hides)."""
    faults = (None, None, None, *FAULTS)
    seeds = range(family, CASES, len(FAMILIES))
    cases = [random_case(seed, fault=faults[seed // len(FAMILIES) % len(faults)]) for seed in seeds]
    wrong = [f"{case.name}: {found.why}" for case in cases if not (found := score(case, cut_steps(case.log))).right]
    # One in a hundred may be past telling.
    assert len(wrong) <= len(cases) / 100, "\n".join(wrong)


@pytest.mark.parametrize("end", range(len(ENDS)), ids=ENDS)
def test_segment_steps_of_known_end_gives_its_reason(end):
    cases = [end_case(seed) for seed in range(end, max(len(ENDS) * 6, CASES), len(ENDS))]
    found = [found_reason(case, segment_steps(case.log, case.pack)) for case in cases]
    assert found == [case.reason for case in cases]


def test_segment_steps_every_row_of_an_ugly_log_is_in_one_step():
    for seed in range(16):
        log = random_case(seed, fault=FAULTS[seed % len(FAULTS)]).log
        covered = np.concatenate([np.arange(step.first, step.last + 1) for step in cut_steps(log)])
        # A row without a current may stand between two steps.
        assert np.array_equal(np.unique(covered), covered)
        assert np.all(np.isin(np.flatnonzero(np.isfinite(log.current_a)), covered))


def loaded(rows=400, level=-5.0, ohm=0.1):
    current = np.zeros(rows)
    current[100:300] = level
    return current, 40.0 + ohm * current


def test_without_strays_row_of_current_that_voltage_does_not_answer_goes():
    current, voltage = loaded()
    current[200] = 12.0
    cleaned, _ = without_strays(current, voltage)
    assert cleaned[200] == -5.0 and current[200] == 12.0


def test_last_rows_with_a_reading_are_found_however_far_back_they_stand():
    random = np.random.default_rng(4)
    for size, share in ((5, 0.5), (64, 0.1), (300, 0.1), (65, 1.0), (900, 0.02), (900, 0.0), (3000, 0.5)):
        rows, known = np.arange(10, 10 + size), random.random(4000) < share
        known[size - 80 :] &= size < 900
        assert np.array_equal(_last_of(rows, lambda some, known=known: known[some]), rows[known[rows]][-12:])


def test_without_strays_pulse_of_one_row_that_voltage_answers_stays():
    current, voltage = loaded()
    current[50], voltage[50] = -8.0, 40.0 - 0.8
    cleaned, volts = without_strays(current, voltage)
    assert cleaned[50] == -8.0 and volts[50] == pytest.approx(39.2)


def test_without_strays_row_of_zeros_goes_as_a_whole():
    current, voltage = loaded()
    current[200] = voltage[200] = 0.0
    cleaned, volts = without_strays(current, voltage)
    assert (cleaned[200], volts[200]) == (-5.0, 39.5)


def test_without_strays_without_any_change_of_current_nothing_is_refuted():
    current = np.zeros(50)
    current[20] = 3.0
    cleaned, _ = without_strays(current, np.full(50, 40.0))
    assert cleaned[20] == 3.0


def test_hinge_of_a_level_that_turns_down_is_found_to_a_row():
    time = np.cumsum(np.random.default_rng(4).uniform(0.5, 1.5, 300))
    values = 5.0 - 0.02 * np.maximum(0.0, time - time[180])
    assert hinge(time, values) == 181
    noisy = values + 0.02 * np.random.default_rng(5).standard_normal(300)
    # Standard error of the bend: about 2 sigma / (slope sqrt(n)) = 2 * 0.02 / (0.02 * sqrt(300)) s, a tenth of a row; ten times that.
    assert abs(hinge(time, noisy) - 181) <= 3


def test_current_scale_noise_of_the_rest_and_not_the_ripple_of_the_load_sets_the_threshold():
    rng = np.random.default_rng(6)
    current = np.concatenate((np.zeros(600), np.full(2000, -60.0)))
    current += np.where(current < 0, 1.2 * rng.standard_normal(current.size), 0.05 * rng.standard_normal(current.size))
    scale = current_scale(current, 40.0 + 0.01 * current)
    assert scale.noise_a == pytest.approx(0.05, rel=0.15)
    assert scale.rest_threshold_a == pytest.approx(4.5 * 0.05, rel=0.15)


def test_current_scale_small_steady_load_that_empties_the_pack_is_no_zero():
    # 30 mA between two short loads of 0.6 A: voltage falls all the while.
    current = np.concatenate((np.full(100, -0.6), np.full(6000, -0.03), np.full(100, -0.6)))
    voltage = 4.2 + np.cumsum(current) * 1e-3 + 0.1 * current
    assert current_scale(current, voltage).zero_a == 0.0
    at_rest = np.where(np.abs(current) < 0.1, 4.1, 4.0)
    assert current_scale(current, at_rest).zero_a == pytest.approx(-0.03)


def test_largest_of_a_load_of_two_rows_is_that_load_and_of_one_stray_row_is_not():
    current = np.random.default_rng(7).normal(0.0, 0.01, 500)
    current[[200, 201]] = -8.0
    assert largest_of(current) == 8.0
    current[201] = 0.0
    assert largest_of(current) < 0.05


def end_of(groups_end, pack, terminals=None, level=-5.0):
    """End reason of a discharge whose groups stand at ``groups_end`` when the current stops."""
    rows = np.arange(600)
    n = len(groups_end)
    groups = np.full((600, n), 3.9)
    groups[100:500] = np.linspace(np.full(n, 3.9), np.asarray(groups_end), 400)
    groups[500:] = np.asarray(groups_end) + 0.1
    current = np.where((rows >= 100) & (rows < 500), level, 0.0)
    voltage = groups.sum(axis=1)
    if terminals is not None:
        voltage[500:] = terminals
    return segment_steps(make_log(rows * 5.0, voltage, current, groups), pack)[1].end_reason


def test_discharge_end_group_above_its_declared_cutoff_is_no_trip_though_far_below_its_siblings():
    pack = Pack(series=4, chemistry="nmc", cutoff_voltage_v=12.0, group_cutoff_voltage_v=2.8)
    assert end_of([3.5, 2.9, 3.5, 3.5], pack) == "set_by_program"


def test_discharge_end_terminals_that_float_beside_groups_that_rebound_is_a_trip():
    pack = Pack(series=4, cutoff_voltage_v=12.0)
    # 13.8 V under load, then 13.7 V at the terminals while the groups add up to 14.2 V.
    assert end_of([3.45, 3.45, 3.45, 3.45], pack, terminals=13.7) == "protection_trip"
    assert end_of([3.45, 3.45, 3.45, 3.45], pack) == "set_by_program"


def test_discharge_end_pulse_beyond_the_rating_that_comes_again_is_the_programs():
    rows = np.arange(1500)
    current = np.where((rows >= 100) & (rows < 103), -25.0, 0.0)
    twice = current + np.where((rows >= 700) & (rows < 703), -25.0, 0.0)
    pack = Pack(series=4, max_discharge_current_a=20.0)
    for load, reason in ((current, "protection_trip"), (twice, "set_by_program")):
        steps = segment_steps(make_log(rows * 1.0, 16.0 + 0.05 * load, load), pack)
        assert steps[1].kind == "pulse_discharge" and steps[1].end_reason == reason
