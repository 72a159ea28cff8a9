"""The height of a current edge: what the ammeter's noise makes of it, and voltages that move the wrong way."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.measures import capacity as cap
from cycler.measures.resistance import Edge, find_edges, step_response
from cycler.pack import Instrument, Pack
from cycler.steps import segment_steps
from tests.corelogs import make_log

NOISE_A, LOAD_A, OHM = 0.03, 5.0, 0.040
PACK = Pack(series=1, rated_capacity_ah=10.0, instrument=Instrument(1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1.0, 1e-6, declared=True))


def noisy_step(seed):
    """600 s of rest, 600 s of 5 A once a second; the ammeter's reading is noisy, the voltage that of 40 mOhm at the true current."""
    time = np.arange(0.0, 1200.0)
    true = np.where(time < 600.0, 0.0, -LOAD_A)
    read = true + NOISE_A * np.random.default_rng(seed).standard_normal(time.size)
    return make_log(time, None, read, (3.9 + OHM * true)[:, None])


def edge_of(log):
    steps = segment_steps(log, PACK)
    (edge,) = find_edges(log, steps, cap.find_switches(log, steps))
    return edge


def test_noise_of_the_current_is_in_the_budget_of_a_resistance():
    # Closed form: a median of n normal readings has 1.2533 s/sqrt(n) (textbook), five under load and nine at rest: 1.2533 s sqrt(1/5 + 1/9)/dI of R.
    share = 1.2533 * NOISE_A * np.sqrt(1.0 / 5.0 + 1.0 / 9.0) / LOAD_A
    resistance = analyze(noisy_step(1), PACK).to_dict()["resistance"]
    budget = {line["source"]: line["standard_uncertainty_ohm"] for line in resistance["budget"]}
    # s itself is found from 200 readings on either side, to 1/sqrt(2 x 200) = 5 % each at the best.
    assert budget["current noise and resolution"] == pytest.approx(share * OHM, rel=0.15)
    headline = resistance["headline"]
    assert headline["u_ohm_10s"] == pytest.approx(np.hypot.reduce(list(budget.values())), rel=1e-9)
    assert abs(headline["ohm_10s"] - OHM) <= 2.0 * headline["u_ohm_10s"]


def test_height_of_an_edge_scatters_as_its_uncertainty_says():
    # Second method: 200 draws; a standard deviation of so many is known to 5 %, the exact factors for medians of 5 and 9 lie 4 and 2 % below 1.2533/sqrt(n).
    edges = [edge_of(noisy_step(seed)) for seed in range(200)]
    scatter = np.std([edge.current_step_a for edge in edges]) / LOAD_A
    assert np.mean([edge.current_share for edge in edges]) == pytest.approx(scatter, rel=0.18)


def test_rounding_of_the_current_is_left_in_the_height():
    # Without noise a median stays wrong by up to half a step d on either side of the edge: d/sqrt(12) each, d/sqrt(6) together.
    step_a = 0.1
    log = noisy_step(1)
    steady = np.where(log.time_s < 600.0, 0.0, -LOAD_A) + step_a * ((log.time_s % 97) == 0)
    edge = edge_of(make_log(log.time_s, None, steady, log.group_voltage_v))
    assert edge.current_share == pytest.approx(step_a / np.sqrt(6.0) / LOAD_A, rel=0.15)


@pytest.mark.parametrize(("moved_v", "given"), [(-0.2, True), (0.2, False)])
def test_response_that_moves_against_the_current_gives_no_resistance(moved_v, given):
    # A load takes the voltage down: 0.2 V at 5 A are 40 mOhm; up it goes only where something else happened.
    since = np.arange(0.0, 30.0, 0.5)
    response = step_response(since, np.full(since.size, 3.9 + moved_v), 3.9, 1e-4, Edge(10, 0, 1, 0.0, 0.0, 0.0, -LOAD_A, 600.0), 1e-4)
    assert (response is not None) is given
    if given:
        assert response.ohm[:2] == pytest.approx((OHM, OHM), rel=1e-6)
