"""What the reader doubts reaches the capacity and the verdict: such a figure may not be quoted."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from cycler.analysis import analyze
from cycler.criteria import load_criteria
from cycler.pack import Pack
from cycler.readers import read_log_bytes
from cycler.readers.columnsfile import ColumnRule, ColumnsFile
from tests import small_log

PROJECT = Path(__file__).resolve().parent.parent

PACK = Pack(
    id="EB-0001", chemistry="nmc", series=3, rated_capacity_ah=0.9, charge_voltage_v=12.6, cutoff_voltage_v=9.0, taper_current_a=0.06,
)


def judged(columns=None, text=None):
    log = read_log_bytes((text or small_log.log_text()).encode(), "log.csv", columns)
    return analyze(log, PACK, load_criteria()).to_dict()


def test_doubtful_unit_makes_the_capacity_invalid_and_is_told_first_in_what_would_settle_it():
    right = judged()
    assert right["capacity"]["valid"]
    # kA stated for a current in A: no bench has 1000 A.
    wrong = judged(ColumnsFile(columns=(ColumnRule("Current (A)", role="current", unit="kA"),)))
    assert not wrong["capacity"]["valid"] and "unit_doubtful" in wrong["capacity"]["reasons"]
    assert wrong["verdict"]["result"] != "pass"
    assert any("read rightly" in sentence for sentence in wrong["verdict"]["to_settle"])
    finding = next(item for item in wrong["findings"] if item["code"] == "unit_doubtful")
    assert finding["severity"] == "caution"


@pytest.mark.parametrize("code", ["unit_doubtful", "sign_doubtful", "capacity_above_rating"])
def test_doubt_is_put_in_words_everywhere(code):
    from cycler.conduct import INVALID_WORDS
    from cycler.record.text import CODES
    from cycler.taken import REASONS

    assert all(code in table for table in (INVALID_WORDS, REASONS, CODES))


def rated(rated_ah, columns=None):
    log = read_log_bytes(small_log.log_text().encode(), "log.csv", columns)
    return analyze(log, replace(PACK, rated_capacity_ah=rated_ah), load_criteria()).to_dict()


@cache
def given_ah():
    capacity = judged()["capacity"]
    return capacity["value_ah"], capacity["u_value_ah"]


@pytest.mark.parametrize(("share", "valid"), [(51.25, False), (2.5, False), (1.9, True), (0.01, True)])
def test_capacity_above_twice_the_rating_is_invalid_and_far_below_proves_nothing(share, valid):
    # That no pack gives twice its rating is common practice, no source; a dead pack does give 1 %.
    value, _ = given_ah()
    found = rated(value / share)
    assert found["capacity"]["state_of_health"] == pytest.approx(share)
    assert found["capacity"]["valid"] is valid
    assert found["capacity"]["reasons"] == ([] if valid else ["capacity_above_rating"])
    assert not found["capacity"]["is_lower_bound"]
    if not valid:
        assert "twice the rated capacity" in found["capacity"]["reason_words"][0]
        assert found["verdict"]["result"] == "not_proven"


@pytest.mark.parametrize(("uncertainties", "valid"), [(1.9, True), (2.1, False)])
def test_capacity_above_twice_the_rating_counts_from_its_expanded_uncertainty_on(uncertainties, valid):
    value, u = given_ah()
    assert rated((value - uncertainties * u) / 2.0)["capacity"]["valid"] is valid


def test_minutes_stated_as_hours_make_the_capacity_invalid_and_the_advice_names_what_to_check():
    lines = small_log.log_text().splitlines()
    head, rows = lines[0].split(",", 1), [line.split(",", 1) for line in lines[1:]]
    text = "\n".join([f"Time (h),{head[1]}", *(f"{float(time) / 60.0:.6f},{rest}" for time, rest in rows)])
    found = analyze(read_log_bytes(text.encode(), "log.csv"), PACK, load_criteria()).to_dict()
    assert found["capacity"]["state_of_health"] == pytest.approx(60.0 * judged()["capacity"]["state_of_health"], rel=0.01)
    assert not found["capacity"]["valid"] and "capacity_above_rating" in found["capacity"]["reasons"]
    advice = next(sentence for sentence in found["verdict"]["to_settle"] if "times the rating" in sentence)
    assert all(word in advice for word in ("unit of the time", "unit of the current", "rated_capacity_ah"))
    finding = next(item for item in found["findings"] if item["code"] == "capacity_above_rating")
    assert "which no pack gives" in finding["message"] and "unit of the time" in finding["message"]
    assert found["verdict"]["result"] == "not_proven"


def test_shares_of_a_rating_that_cannot_be_prove_nothing():
    value, _ = given_ah()
    row = next(item for item in rated(value / 3.0)["verdict"]["criteria"] if item["quantity"] == "start_deficit_share_worst")
    assert row["result"] == "not_proven" and "twice the rating" in row["reason"]


def stated(**ratings):
    """Messages of the test before the repair, by code, with these ratings stated and no others."""
    from cycler.pack import pack_from_dict
    from cycler.readers import read_log

    found = analyze(read_log(PROJECT / "sample_logs" / "ebike-10s4p-before-repair.csv"), pack_from_dict({"id": "EB-1", **ratings})).to_dict()["findings"]
    return {item["code"]: item["message"] for item in found}


def test_what_ended_a_discharge_is_not_claimed_where_the_log_cannot_tell_board_from_load():
    # truth.json: the bench stopped at its group cut-off of 2.80 V; the log alone shows only that current stopped at once.
    assert "the protection board cut off, or the load did at a group cut-off that is not stated" in stated()["protection_trip"]
    assert "protection_trip" not in stated(group_cutoff_voltage_v=2.8)


def test_start_is_not_called_short_of_full_where_no_taper_current_is_stated():
    # The sample's charge did end at its taper current of 0.52 A (0.05 It of 10.4 Ah).
    assert stated()["charge_incomplete"].startswith("Whether the pack was full when the discharge began is not known")
    assert "charge_incomplete" not in stated(taper_current_a=0.52)
