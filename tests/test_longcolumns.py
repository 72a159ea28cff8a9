"""Figures of long columns are those of a sort, bit for bit, and what is kept of a column is never told of another.

What is compared with: numpy's own ``unique``, ``median`` and ``sort``.
"""

from __future__ import annotations

import gc
import threading
from dataclasses import replace

import numpy as np
import pytest

from cycler import longcolumns
from cycler.log import Gap
from cycler.longcolumns import distinct_of, kept, median_of, medians_of_three, three_largest
from cycler.signals import unread_stretches
from tests.corelogs import make_log

N = 24_017


def columns() -> dict[str, np.ndarray]:
    """Long columns, some of them made so that a sample of the rows tells nothing of what matters."""
    r = np.random.default_rng(8)
    millivolts = np.round(r.normal(3.7, 0.2, N), 3)
    rare, off, spike, other_grid = (millivolts.copy() for _ in range(4))
    rare[[7, 9001]] = 3.70005, 3.69995
    off[r.integers(0, N, N // 30)] += 2e-4
    spike[N - 1] = 1e6
    other_grid[::6] = np.round(other_grid[::6] / 0.0007) * 0.0007
    halves = np.repeat([1.0, 2.0], [N // 2, N - N // 2])
    hidden = np.zeros(N)
    hidden[np.arange(N) % max(1, N // longcolumns.SAMPLE) != 0] = np.round(r.normal(5.0, 1.0, N), 2)[np.arange(N) % max(1, N // longcolumns.SAMPLE) != 0]
    return {
        "noise": r.normal(size=N), "millivolts": millivolts, "even rows": millivolts[1:], "rising": np.sort(millivolts), "constant": np.full(N, 3.3), "rare levels": rare,
        "levels off the grid": off, "one spike at the end": spike, "two grids": other_grid, "two halves": halves, "falling halves": halves[::-1],
        "what the sample does not see": hidden, "zeros of both signs": np.where(r.random(N) < 0.5, 0.0, -0.0), "whole numbers beyond 2^53": r.integers(2**53, 2**53 + 40, N).astype(float),
        "below the rounding": r.integers(-50, 50, N) * 1e-12, "wide": r.standard_cauchy(N).round(3),
    }


@pytest.mark.parametrize("name", columns())
def test_long_column_gives_what_a_sort_gives(name):
    column = columns()[name]
    for decimals in (9, 3):
        assert np.array_equal(distinct_of(column, decimals), np.unique(np.round(column, decimals)))
    for part in (column, column[:-1], column[::-1]):
        assert median_of(part) == np.median(part)
    assert three_largest(column) == tuple(np.sort(column)[:-4:-1])
    triples = np.column_stack((column[:-2], column[1:-1], column[2:]))
    assert np.array_equal(medians_of_three(column), np.median(triples, axis=1))


@pytest.mark.parametrize("rows", [(0, 1, 2), (5, 64, 23_999), (100, 101, 24_016), (24_014, 24_015, 24_016), (24_000, 24_010, 3)])
def test_three_largest_are_found_wherever_they_stand(rows):
    column = np.random.default_rng(1).normal(size=N)
    column[list(rows)] = 50.0, 60.0, 55.0
    assert three_largest(column) == (60.0, 55.0, 50.0)


def frozen(values: np.ndarray) -> np.ndarray:
    values.flags.writeable = False
    return values


def total(*columns: np.ndarray) -> float:
    return kept("a test's sum", lambda: float(sum(float(np.sum(column)) for column in columns)), *columns)


def test_kept_is_worked_out_once_for_views_of_a_column_and_anew_for_other_rows():
    table, worked = frozen(np.asfortranarray(np.random.default_rng(2).normal(size=(1200, 2)))), []

    def first(column: np.ndarray) -> float:
        return kept("a test's first", lambda: worked.append(1) or float(column.flat[0]), column)

    others = [table[:, 1], table[:600, 0], table[600:, 0], table[::2, 0], table[::-1, 0], table]
    for _ in range(2):
        assert first(table[:, 0]) == table[0, 0]
        assert [first(column) for column in others] == [float(column.flat[0]) for column in others]
    assert len(worked) == 1 + len(others)
    square = frozen(np.arange(900.0).reshape(30, 30))
    assert [kept("a test's second", lambda view=view: float(view.flat[1]), view) for view in (square, square.T)] == [1.0, 30.0]


def test_kept_holds_nothing_of_what_may_change():
    open_column = np.ones(1000)
    behind = open_column[:]
    behind.flags.writeable = False
    assert total(open_column) == total(behind) == 1000.0
    open_column[0] = 5.0
    assert total(open_column) == total(behind) == 1004.0
    owner = np.ones(1000)
    way_in = owner[:]
    assert total(way_in) == total(frozen(owner)[:]) == 1000.0
    way_in[0] = 5.0
    assert total(way_in) == 1004.0
    closed = frozen(np.ones(1000))
    kept("a test's sum", lambda: 7.0, closed)
    assert total(closed) == 7.0 and total(closed.copy()) == 1000.0
    with pytest.raises(ZeroDivisionError):
        kept("a test's fault", lambda: 1 // 0, closed)
    assert kept("a test's fault", lambda: 3, closed) == 3


def test_kept_of_a_column_that_is_gone_is_never_told_of_one_in_its_place():
    random, first, before = np.random.default_rng(3), frozen(np.zeros(600)), len(longcolumns._kept)
    places = set()
    for _ in range(300):
        column = frozen(random.normal(size=600))
        places.add((id(column), column.__array_interface__["data"][0]))
        assert total(column) == float(np.sum(column))
        assert total(first, column) == float(np.sum(column)) == total(column, first)
        del column
    gc.collect()
    assert len(places) < 300, "no place was used twice: the test tells nothing"
    assert len(longcolumns._kept) <= before + 1


def test_kept_by_several_threads_at_once():
    shared, wrong = [frozen(np.full(600, float(k))) for k in range(5)], []

    def work(seed: int) -> None:
        random = np.random.default_rng(seed)
        for _ in range(400):
            own, other = frozen(random.normal(size=600)), shared[int(random.integers(5))]
            if total(own, other) != float(np.sum(own)) + float(np.sum(other)) or total(other) != 600 * other[0]:
                wrong.append(seed)

    threads = [threading.Thread(target=work, args=(seed,)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong


def test_gaps_that_differ_are_not_mixed_up_though_the_columns_are_the_same():
    log = make_log(np.arange(800.0), np.full(800, 36.0), np.where(np.arange(800) < 400, 0.0, -2.0))
    gapped = replace(log, reading=replace(log.reading, gaps=(Gap(99.5, 1.0, "no rows"),)))
    assert gapped.current_a is log.current_a
    assert unread_stretches(log) == () and len(unread_stretches(gapped)) == 1 and unread_stretches(log) == ()


def test_log_takes_over_no_column_that_somebody_may_still_change():
    table = np.asfortranarray(np.ones((800, 2)))
    seen = table[:, 0]
    seen.flags.writeable = False
    own = frozen(np.full(800, 36.0))
    log = make_log(np.arange(800.0), own, seen)
    table[:] = 5.0
    assert log.current_a[0] == 1.0 and log.voltage_v is own and not log.current_a.flags.writeable
