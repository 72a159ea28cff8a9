"""What the probability of a cause is worth: the interval in closed form against draws of the numbers behind it (propagation of distributions as in JCGM 101:2008;
from memory), and what is printed."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler.repair.causefile import knowledge
from cycler.repair.chances import chance_text, interval, share_text, times_text
from cycler.repair.evaluate import evaluate_sheet
from cycler.repair.sheet import load_sheet
from tests.repair.sheets import bench

JOBS = Path(__file__).resolve().parents[2] / "sample_logs" / "jobs"


def odds(share):
    return math.log(share / (1.0 - share))


@pytest.mark.parametrize("weight", [(0.92, 0.05, 0.03), (0.43, 0.21, 0.36), (0.995, 0.004, 0.001)])
def test_interval_is_that_of_numbers_drawn_within_a_factor_of_two(weight):
    weight = np.array(weight)
    # A prior each; a reading for which the last two share one number; one for which all three do, so that its error falls out.
    numbers = [("a", "b", "c"), ("first", "default", "default"), ("same", "same", "same"), ("x", "y", "default")]
    draw = np.random.default_rng(5).uniform(-math.log(2.0), math.log(2.0), (20_000, len(numbers), 3))
    where = np.array([[row.index(number) for number in row] for row in numbers])
    drawn = weight * np.exp(sum(draw[:, k, where[k]] for k in range(len(numbers))))
    share = drawn[:, 0] / drawn.sum(axis=1)
    low, high = interval(weight, [0], numbers)
    assert low < weight[0] < high
    assert (odds(low), odds(high)) == pytest.approx(tuple(odds(p) for p in np.quantile(share, [0.0228, 0.9772])), abs=0.15)
    # Without the shared numbers it would come out wider; a cause that nothing competes with has no interval.
    assert interval(weight, [0], [("same",) * 3]) == pytest.approx((weight[0], weight[0]))
    assert interval(weight, [0, 1, 2], numbers) == pytest.approx((1.0, 1.0))


def test_job_says_what_its_first_cause_is_worth():
    found = {name: evaluate_sheet(load_sheet(JOBS / f"{name}.toml"))["causes"] for name in ("board-fault", "dead-group")}
    for rows in found.values():
        assert all(0.0 <= row["low_probability"] <= row["probability"] <= row["high_probability"] <= 1.0 for row in rows)
    board, dead = found["board-fault"][0], found["dead-group"][0]
    # Four board faults look much alike: 92 % rests on numbers that decide it; a dead group that was measured directly does not.
    assert board["low_probability"] < 0.6 and dead["low_probability"] > 0.95
    assert chance_text(board).startswith("92 % (") and chance_text(board).endswith(" to over 99 %)")


@pytest.mark.parametrize(
    ("share", "low", "high", "words"),
    [(0.92, 0.38, 0.995, "92 % (38 % to over 99 %)"), (0.999, 0.995, 1.0, "over 99 %"), (0.004, 0.001, 0.2, "under 1 % (under 1 % to 20 %)"), (0.5, None, None, "50 %")],
)
def test_chance_is_printed_with_what_it_leaves_open(share, low, high, words):
    assert chance_text({"probability": share, "low_probability": low, "high_probability": high}) == words
    assert share_text(1.0) == "over 99 %" and share_text(0.0) == "under 1 %"


def test_a_pack_of_single_cells_has_no_cell_beside_another_to_lose():
    sheet = load_sheet(JOBS / "dead-group.toml")
    single = evaluate_sheet(replace(sheet, pack=replace(sheet.pack, parallel=1), observed={}))
    several = evaluate_sheet(replace(sheet, pack=replace(sheet.pack, parallel=4), observed={}))
    codes = [{row["code"] for row in found["causes"] + found["ruled_out"]} for found in (single, several)]
    assert "cell_open" not in codes[0] and "cell_open" in codes[1]
    assert sum(row["probability"] for row in single["causes"]) == pytest.approx(1.0)


def test_one_cell_of_ten_lost_hardly_shows_in_the_sag():
    # P / (P - 1) = 1.11 at ten cells in parallel (arithmetic), below the edge of 1.15: such a reading must not count as proof against it.
    sag = knowledge().clues["sag_ratio"]
    assert sag.edges[0] > 10.0 / 9.0 and sag.line("cell_open").p["alike"] > 0.1 * sag.default.p["alike"]


def test_a_group_that_lives_at_its_cells_and_is_missing_everywhere_else_is_a_joint():
    # Group 4 reads 0.249 V at the taps and is missing across all cells too, its leads conduct, and at the cells themselves it has 3.650 V: the way from them to the string is open,
    # not the cells weak (N groups in series: what is missing in the sum and not at the cells lies between; common practice, no source).
    taps = [0.0, 3.652, 7.305, 10.951, 11.203, 14.856, 18.507, 22.159, 25.808, 29.457, 33.109]
    sheet = bench(taps, cells_v=33.109, terminal_v=33.105, pack__parallel=4, observed__group_direct_v_4=3.65, observed__lead_ohm_3=0.2, observed__lead_ohm_4=0.2)
    rows = evaluate_sheet(sheet)["causes"]
    assert (rows[0]["code"], rows[0]["group"]) == ("joint_torn", 4) and rows[0]["high_probability"] < 0.9


@pytest.mark.parametrize(("factor", "words"), [(1.0, ""), (1.4, ""), (0.7, ""), (2.5, "2.5"), (0.4, "2.5"), (99.0, "99"), (10097.0, "over 100"), (0.005, "over 100"), (0.0, "over 100")])
def test_likelihood_ratio_is_printed_no_finer_than_it_is_known(factor, words):
    assert times_text(factor) == words
