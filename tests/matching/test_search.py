"""The matching against brute force, closed forms and published instances; bounds against everything that was found."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.matching import exact
from cycler.matching.assign import Task, put_together
from cycler.matching.bound import best_possible, packs_capacity

MAH = 0.001


def task_of(capacity_mah, series, parallel, packs, resistance_mohm=None, given_up=0.001):
    capacity = np.asarray(capacity_mah, float) / 1000.0
    resistance = np.full(capacity.size, 30.0) if resistance_mohm is None else np.asarray(resistance_mohm, float)
    return Task(capacity, 1000.0 / resistance, series, parallel, packs, MAH, given_up)


def bound_of(task):
    return best_possible(task.capacity_ah, task.series, task.parallel, task.packs, task.resolution_ah)


def search(task, seed=1, seconds=20.0):
    return put_together(task, seed, time.monotonic() + seconds, bound_of(task))


def partitions(cells, groups, parallel):
    """Every way to pick so many groups of so many cells, each once: a plain enumeration that knows nothing of the program."""
    if groups == 0:
        yield ()
        return
    for place in range(len(cells) - groups * parallel + 1):
        first, others = cells[place], cells[place + 1 :]
        for rest in itertools.combinations(others, parallel - 1):
            left = tuple(cell for cell in others if cell not in rest)
            for more in partitions(left, groups - 1, parallel):
                yield ((first, *rest), *more)


def brute_force(capacity_mah, series, parallel, packs):
    """Largest sum of the packs' weakest groups, by trying everything. Groups go into packs by capacity, strongest first: exchanging a group of a stronger
    pack with a weaker one of a weaker pack never helps, which the case of two packs of two groups below checks against all pairings."""
    best = 0
    for groups in partitions(tuple(range(len(capacity_mah))), series * packs, parallel):
        sums = sorted((sum(capacity_mah[i] for i in group) for group in groups), reverse=True)
        best = max(best, sum(sums[series - 1 :: series]))
    return best / 1000.0


CASES = [(8, 2, 4, 1), (8, 4, 2, 1), (9, 3, 3, 1), (9, 2, 3, 1), (8, 2, 2, 2), (9, 4, 1, 2), (9, 2, 2, 2), (8, 3, 2, 1), (10, 2, 5, 1)]


def test_bound_counts_the_smallest_cells():
    # By hand: the two smallest cells in one group leave it 1000 + 1500 + 2600 = 5100 at most; apart, that of the smallest has 1000 + 2600 + 2600 = 6200 at most.
    capacity = [2600, 2600, 2500, 2400, 1500, 1000]
    assert bound_of(task_of(capacity, 2, 3, 1)) == pytest.approx(6.2) == brute_force(capacity, 2, 3, 1)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("case", CASES, ids=str)
def test_solver_and_search_against_brute_force(case, seed):
    cells, series, parallel, packs = case
    rng = np.random.default_rng([seed, *case])
    capacity = rng.integers(1500, 2600, cells)
    truth = brute_force(capacity.tolist(), series, parallel, packs)
    task = task_of(capacity, series, parallel, packs)
    bound = bound_of(task)
    chosen, best = search(task)
    assert chosen.value_ah <= best.value_ah <= truth + 1e-9 <= bound + 2e-9
    answer = exact.best_capacity(task, best.value_ah, bound, 20.0)
    assert answer.proven and max(best.value_ah, answer.found.value_ah if answer.found else 0.0) == pytest.approx(truth, abs=1e-9)
    assert answer.bound_ah == pytest.approx(truth, abs=1e-9)
    if packs == 1:
        by_sets = exact.best_of_one_pack(task, best, bound, 20.0)
        assert by_sets.proven and by_sets.bound_ah == pytest.approx(truth, abs=1e-9)
    assert best.value_ah >= 0.97 * truth  # so few cells leave the exchanges little to choose from


def test_groups_sorted_into_packs_by_capacity_are_best():
    """Against all three pairings of four groups."""
    for sums in ([9, 7, 4, 1], [5, 5, 3, 2], [8, 3, 3, 3]):
        a, b, c, d = sums
        assert min(a, b) + min(c, d) == max(min(a, b) + min(c, d), min(a, c) + min(b, d), min(a, d) + min(b, c))


PERFECT = [
    # A pack of S groups of P cells whose sums are equal by construction: the bound total / S is reached, whatever is found must equal it.
    ([2000 + k for k in range(16)] + [2600 - k for k in range(16)], 16, 2, 1, 4.6),
    # 4 x 4 magic square (Duerer's, 1514; rows sum to 34): the numbers 1 to 16 part into four groups of four with the same sum.
    ([16, 3, 2, 13, 5, 10, 11, 8, 9, 6, 7, 12, 4, 15, 14, 1], 4, 4, 1, 0.034),
    # 9 numbers of the magic square of order three (Lo Shu; rows sum to 15).
    ([2, 7, 6, 9, 5, 1, 4, 3, 8], 3, 3, 1, 0.015),
    # Order five (rows sum to 65).
    (list(range(1, 26)), 5, 5, 1, 0.065),
]


@pytest.mark.parametrize("case", PERFECT, ids=["pairs", "order 4", "order 3", "order 5"])
def test_known_perfect_partitions_are_found(case):
    """Magic squares of order n exist for every n > 2: 1 .. n² part into n groups of n with the sum n (n² + 1) / 2 (from memory of any handbook)."""
    numbers, series, parallel, packs, each = case
    task = task_of(numbers, series, parallel, packs)
    bound = bound_of(task)
    _, best = search(task)
    if best.value_ah < each and len(numbers) <= exact.CELLS_MAX:
        best = exact.best_of_one_pack(task, best, bound, 10.0).found
    assert bound == pytest.approx(each, abs=1e-9) and best.value_ah == pytest.approx(each, abs=1e-9)


def test_two_way_instance_of_the_differencing_literature():
    """{8, 7, 6, 5, 4}: greedy and differencing leave a difference, {8, 7} against {6, 5, 4} none (Karmarkar and Karp 1982, as retold by Korf 1998; from
    memory). With groups of equal size two empty places count as cells of nothing, and one pack of 2S 3P holds 15 a group."""
    capacity = np.array([8.0, 7.0, 6.0, 5.0, 4.0, 0.0])
    task = Task(capacity, np.ones(6), 2, 3, 1, 1.0)
    _, best = search(task)
    assert best.value_ah == bound_of(task) == 15.0


def test_one_cell_a_group_is_the_sorted_list():
    """P = 1: the j-th pack's weakest cell is at best the (j S)-th largest; closed form."""
    rng = np.random.default_rng(5)
    capacity = rng.integers(1000, 3000, 60)
    task = task_of(capacity, 5, 1, 10)
    _, best = search(task)
    truth = np.sort(capacity)[::-1][4:50:5].sum() / 1000
    assert bound_of(task) == pytest.approx(truth, abs=1e-9) and best.value_ah == pytest.approx(truth, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 4), st.integers(1, 3), st.integers(1, 3), st.integers(0, 4), st.lists(st.integers(1, 4000), min_size=40, max_size=40), st.integers(0, 1000),
)
def test_bound_is_never_beaten(series, parallel, packs, spare, numbers, seed):
    needed = series * parallel * packs
    capacity = np.array(numbers[: needed + spare], float) / 1000
    cells = np.random.default_rng(seed).permutation(capacity.size)[:needed].reshape(packs, series, parallel)
    bound = best_possible(capacity, series, parallel, packs, MAH)
    assert packs_capacity(capacity[cells].sum(axis=2), MAH) <= bound + 1e-9
    assert bound <= best_possible(capacity, series, parallel, packs) + 1e-9
    task = Task(capacity, np.ones(capacity.size), series, parallel, packs, MAH)
    chosen, best = put_together(task, seed, time.monotonic() + 0.05, bound)
    for found in (chosen, best):
        assert found.value_ah <= bound + 1e-9
        assert np.unique(found.cells).size == needed and found.cells.shape == (packs, series, parallel)


def test_medium_case_lies_near_what_the_solver_proves():
    rng = np.random.default_rng(11)
    task = task_of(rng.integers(2000, 2600, 24), 6, 4, 1)
    bound = bound_of(task)
    _, best = search(task)
    answer = exact.best_of_one_pack(task, best, bound, 20.0)
    assert answer.proven and answer.bound_ah >= best.value_ah >= 0.999 * answer.bound_ah


def test_resistances_cost_no_more_than_stated_and_become_alike():
    rng = np.random.default_rng(3)
    capacity, resistance = rng.integers(2100, 2500, 130), rng.normal(38, 4, 130)
    free = task_of(capacity, 10, 4, 3, resistance, 0.0)
    held = task_of(capacity, 10, 4, 3, resistance, 0.002)
    (strict, best), (loose, _) = search(free), search(held)
    assert strict.value_ah == best.value_ah
    assert loose.value_ah >= 0.998 * best.value_ah and loose.unlike < 0.02
    shuffled = held.result(np.random.default_rng(0).permutation(130)[:120], "random")
    assert shuffled.unlike > 5 * loose.unlike
    small = task_of(capacity[:12], 3, 4, 1, resistance[:12], 0.01)
    chosen, top = search(small)
    alike = exact.most_alike(small, 0.99 * top.value_ah, chosen, 5.0)
    assert alike.unlike <= chosen.unlike and alike.value_ah >= 0.99 * top.value_ah - 1e-9
    # brute force of the same question: all 5775 ways to make three groups of four
    least, c, g = 0.99 * top.value_ah, small.capacity_ah, small.conductance_s
    truth = min(
        (max(sums) - min(sums))
        for groups in partitions(tuple(range(12)), 3, 4) if min(c[list(group)].sum() for group in groups) >= least - 1e-9
        for sums in [[g[list(group)].sum() for group in groups]]
    )
    conductance = g[alike.cells].sum(axis=2)
    assert np.ptp(conductance) <= truth * (1 + 2e-3) + 2e-3 * conductance.mean()


def test_same_seed_same_packs_and_time_is_kept():
    rng = np.random.default_rng(8)
    task = task_of(rng.integers(2100, 2500, 90), 7, 3, 4, rng.normal(30, 3, 90))
    first, second = search(task, seed=4)[0], search(task, seed=4)[0]
    assert np.array_equal(first.cells, second.cells)
    began = time.process_time()
    cut = put_together(task, 4, time.monotonic() + 0.02, bound_of(task))[0]
    assert not cut.in_time and time.process_time() - began < 2.0 and np.unique(cut.cells).size == 84
