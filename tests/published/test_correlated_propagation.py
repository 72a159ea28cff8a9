"""Correlated inputs and the coverage of an expanded interval, against the worked examples of the guides.

Sources: JCGM 100:2008, annex H.2 (resistance and reactance from voltage, current and phase read together; data and printed results from
memory, every figure recomputed in double precision and in agreement); JCGM 101:2008, 9.2 (additive model; printed intervals from memory).
"""

import numpy as np
import pytest

from cycler.propagation import propagated_u
from cycler.uncertainty import BudgetLine, combined, rectangular

VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000.0
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_resistance_reactance_and_impedance_of_annex_h2():
    # Recomputed: R 127.73217 ohm, u 0.071071; X 219.84651 ohm, u 0.295582; Z 254.25970 ohm, u 0.236336 (printed: 0.071, 0.295, 0.236).
    v, i, phase = VOLT.mean(), AMPERE.mean(), PHASE.mean()
    covariance = np.cov(np.vstack((VOLT, AMPERE, PHASE))) / 5.0
    z = v / i
    gradients = np.array([
        [np.cos(phase) / i, -z * np.cos(phase) / i, -z * np.sin(phase)], [np.sin(phase) / i, -z * np.sin(phase) / i, z * np.cos(phase)],
        [1.0 / i, -z / i, 0.0],
    ])
    assert [z * np.cos(phase), z * np.sin(phase), z] == pytest.approx([127.73217, 219.84651, 254.25970], abs=1e-5)
    assert propagated_u(gradients, covariance) == pytest.approx([0.071071, 0.295582, 0.236336], abs=1e-6)
    assert propagated_u(gradients[0], covariance) == pytest.approx(0.071, abs=5e-4)
    # Without the correlations the resistance would come out 2.7 times as uncertain: the test must see them.
    assert propagated_u(gradients[0], np.diag(np.diag(covariance))) > 2.0 * 0.071071


def test_four_equal_rectangles_of_the_additive_model():
    # Four inputs of mean 0 and u = 1, rectangular: u = 2.0, shortest 95 % interval by Monte Carlo +-3.88 (normal: +-3.92).
    lines = tuple(BudgetLine(f"input {k}", rectangular(np.sqrt(3.0))) for k in range(4))
    assert combined(lines) == pytest.approx(2.0, rel=1e-12)
    drawn = np.random.default_rng(9).uniform(-np.sqrt(3.0), np.sqrt(3.0), (400_000, 4)).sum(axis=1)
    assert np.quantile(np.abs(drawn), 0.95) == pytest.approx(3.88, abs=0.02)
    # What a printed interval with k = 2 covers then: 95.6 %, between 93 and 97 %.
    assert np.mean(np.abs(drawn) <= 2.0 * combined(lines)) == pytest.approx(0.956, abs=0.003)
