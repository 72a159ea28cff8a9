"""Least squares without negative coefficients. Outside: scipy.optimize.nnls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls

from cycler.nonnegative import nonnegative_fit

TAUS = np.array([0.05, 0.15, 0.5, 1.5, 4.0, 12.0, 40.0])


@pytest.mark.parametrize("seed", range(40))
def test_responses_of_a_step_are_fitted_as_by_scipy(seed):
    random = np.random.default_rng(seed)
    t = np.sort(random.uniform(0.0, 30.0, random.integers(2, 60)))
    matrix = np.column_stack([np.ones_like(t), *[1.0 - np.exp(-t / tau) for tau in TAUS], t / t[-1]])
    ohm = (-1.0) ** (seed % 7 == 0) * (0.05 + 0.03 * (1.0 - np.exp(-t / random.choice([0.1, 1.0, 10.0]))))
    ohm = np.round(ohm + random.normal(0.0, 10.0 ** random.uniform(-6, -2), t.size), 3 if seed % 5 == 0 else 9)
    theirs, distance = nnls(matrix, ohm)
    ours = nonnegative_fit(matrix, ohm)
    assert (ours >= 0).all()
    assert np.linalg.norm(matrix @ ours - ohm) == pytest.approx(distance, rel=1e-7)
    if t.size > matrix.shape[1]:
        assert ours[0] == pytest.approx(theirs[0], rel=1e-6, abs=1e-9)  # the ohmic part; the others share what their columns share


@given(
    st.integers(1, 12).flatmap(lambda rows: st.integers(1, 5).flatmap(lambda columns: st.tuples(
        st.lists(st.lists(st.integers(-9, 9), min_size=columns, max_size=columns), min_size=rows, max_size=rows),
        st.lists(st.integers(-9, 9), min_size=rows, max_size=rows),
    )))
)
def test_no_fit_without_negative_coefficients_is_nearer(given_one):
    matrix, values = (np.array(part, float) for part in given_one)
    ours = nonnegative_fit(matrix, values)
    assert (ours >= 0).all()
    # What characterises the least one (Karush, Kuhn and Tucker): no coefficient gains by growing, and those at work gain nothing either way.
    gain = matrix.T @ (values - matrix @ ours)
    assert gain.max() <= 1e-9
    assert np.abs(gain[ours > 1e-9]).max(initial=0.0) <= 1e-8
    assert np.linalg.norm(matrix @ ours - values) == pytest.approx(nnls(matrix, values)[1], abs=1e-9)


def test_a_column_that_entered_leaves_again_when_others_explain_it():
    # Column 2 is nearest to the values at first and has no part in the least fit.
    matrix = np.array([[1.0, 0.0, 0.9], [0.0, 1.0, 0.9], [0.0, 0.0, 0.5]])
    assert nonnegative_fit(matrix, np.array([1.0, 1.0, -0.2])) == pytest.approx(nnls(matrix, np.array([1.0, 1.0, -0.2]))[0], abs=1e-12)
    assert nonnegative_fit(matrix, np.array([1.0, 1.0, -0.2]))[2] == 0.0
    assert (nonnegative_fit(matrix, -np.ones(3)) == 0).all()
