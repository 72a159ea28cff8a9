"""Two trees of figures held against each other: what counts as the same, and how a difference is called."""

from __future__ import annotations

import pytest

from cycler import __version__
from cycler.proof.again import _Run
from cycler.proof.leaves import MISSING, differences, same_leaf


def paths(a, b):
    return [item.path for item in differences(a, b)]


def test_difference_is_told_by_its_path_with_both_values():
    (found,) = differences({"capacity": {"value_ah": 9.638, "steps": [1]}}, {"capacity": {"value_ah": 9.512, "steps": [1]}})
    assert found.told() == "capacity.value_ah: 9.638 in the record, 9.512 from the log"


def test_entries_of_a_list_are_called_by_group_or_id():
    a = {"groups": [{"group": 3, "sag_10s_v": 0.1}], "criteria": [{"id": "capacity", "limit": 0.7}], "plain": [1, 2]}
    b = {"groups": [{"group": 3, "sag_10s_v": 0.2}], "criteria": [{"id": "capacity", "limit": 0.6}], "plain": [1, 3]}
    assert paths(a, b) == ["groups[group 3].sag_10s_v", "criteria[capacity].limit", "plain[2]"]


def test_entry_that_is_missing_shifts_none_of_the_others():
    a = [{"id": "capacity", "limit": 0.7}, {"id": "sag", "limit": 0.1}, {"id": "leak", "limit": 1}]
    assert paths({"criteria": a}, {"criteria": a[1:]}) == ["criteria[capacity]"]
    assert paths({"criteria": a[:2]}, {"criteria": a}) == ["criteria[leak]"]
    assert paths({"criteria": a}, {"criteria": [a[1], a[0], a[2]]}) == ["criteria (order)"]
    twice = [{"code": "gap", "at_s": 1}, {"code": "gap", "at_s": 5}]
    assert paths({"findings": twice}, {"findings": [twice[0], {"code": "gap", "at_s": 6}]}) == ["findings[2].at_s"]
    assert paths({"findings": twice}, {"findings": []}) == ["findings (entries)"]


def test_what_one_side_does_not_have_is_a_difference():
    found = differences({"a": 1, "b": [1, 2], "d": None}, {"b": [1], "c": {"x": 1}, "d": 0.0})
    assert [(item.path, item.recorded is MISSING, item.computed is MISSING) for item in found] == [
        ("a", False, True), ("b (entries)", False, False), ("d", False, False), ("c", True, False),
    ]
    assert [item.told() for item in found] == [
        "a: 1 in the record, not from the log", "b (entries): 2 in the record, 1 from the log", "d: unknown in the record, 0 from the log",
        "c: not in the record, an object of 1 keys from the log",
    ]


@pytest.mark.parametrize(("a", "b", "u", "same"), [
    (9.638, 9.638 * (1 + 0.9e-6), 0, True), (9.638, 9.638 * (1 + 1.2e-6), 0, False),
    (9.638, 9.639, 2.0, True), (9.638, 9.639, 0.5, False), (0.0, 5e-10, 0, True), (0.0, 5e-9, 0, False),
    (300, 300.00000001, 0, True), (5000001, 5000002, 0, False),  # a count is exact, however large
    (1.00000, 1.00001, 0, True),  # one in the sixth digit of figures rounded to six
    (1.00000, 1.00003, 0, False), (1.0000001, 1.0000101, 0, False),
    (True, 1, 0, False), (True, True, 0, True), (None, 0.0, 0, False), (None, None, 0, True), ("pass", "fail", 0, False), (1, "1", 0, False),
    ({}, [], 0, False), ({}, 1, 0, False),
])
def test_figures_and_words_are_the_same_by_the_rule(a, b, u, same):
    assert same_leaf(a, b, u) is same
    assert same_leaf(b, a, u) is same


@pytest.mark.parametrize(("a", "b", "same"), [
    ("9.638 ± 0.025 Ah meets the limit", "9.638 ± 0.025 Ah meets the limit", True),
    ("rated 10.0 Ah", "rated 10 Ah", True),  # as it comes back from JSON
    ("9.638 ± 0.025 Ah", "9.639 ± 0.025 Ah", True),  # a figure on the edge of its rounding
    ("9.638 ± 0.025 Ah", "9.640 ± 0.025 Ah", False), ("9.638 Ah meets", "9.638 Ah misses", False),
    ("8 of 9 criteria", "7 of 9 criteria", False), ("group 3", "group 4", False), ("g3", "g4", False),
    ("1e400 x", "2e400 x", False), ("2026-03-01T10:00:00Z", "2026-03-01T10:00:01Z", False),
    ("0.1 and 2", "0.1", False),
])
def test_sentences_are_the_same_word_for_word(a, b, same):
    assert same_leaf(a, b) is same


def test_uncertainty_beside_a_figure_widens_it_and_the_lesser_of_both_counts():
    assert paths({"ohm_10s": 0.1, "u_ohm_10s": 0.1}, {"ohm_10s": 0.10005, "u_ohm_10s": 0.1}) == []
    assert paths({"ohm_10s": 0.1, "u_ohm_10s": 1e6}, {"ohm_10s": 0.2, "u_ohm_10s": 0.001}) == ["ohm_10s", "u_ohm_10s"]
    assert paths({"value": 1.0, "u_value": 1.0}, {"value": 1.0005, "u_value": 1.0}) == []
    assert paths({"values": [1.0, 2.0], "u": [1.0, 1e-9]}, {"values": [1.0005, 2.0005], "u": [1.0, 1e-9]}) == ["values[2]"]
    assert paths({"x": 1.0, "u_x": None}, {"x": 1.0005, "u_x": None}) == ["x"]
    assert paths({"x": 1.0, "u_x": True}, {"x": 1.0005, "u_x": True}) == ["x"]


def test_odd_figures_make_no_trouble():
    assert paths({"x": 1e308}, {"x": -1e308}) == ["x"]


@pytest.mark.parametrize(("what", "one", "two"), [
    ("part of the verdict", "1 part of the verdict does not", "2 parts of the verdict do not"), ("item", "1 item does not", "2 items do not"),
])
def test_what_does_not_come_out_again_is_counted_in_words(what, one, two):
    run = _Run({}, __version__)
    assert run.told("good", what, ["a"], "x").text == f"{one} come out again."
    assert run.told("good", what, ["a", "b"], "x").text == f"{two} come out again."
