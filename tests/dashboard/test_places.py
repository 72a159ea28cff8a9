"""Where findings lie in the curve: the instant that the analysis knows, the step that they name, or no place at all."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from dashboard.data import Door
from dashboard.figures.curves import Curves, Series
from dashboard.figures.places import Place, places_of, ranked, window_around
from dashboard.figures.timeline import SHAPES, along_of, timeline

from .conftest import SAMPLES, add_overcharged

STEPS = [
    {"index": 0, "kind": "rest", "start_s": 0.0, "end_s": 3600.0, "start_voltage_v": 36.0, "end_voltage_v": 36.0, "max_temperature_c": 21.0},
    {"index": 1, "kind": "charge_cc", "start_s": 3601.0, "end_s": 7200.0, "start_voltage_v": 36.5, "end_voltage_v": 42.4, "max_temperature_c": 24.0},
    {"index": 2, "kind": "rest", "start_s": 7201.0, "end_s": 43200.0, "start_voltage_v": 42.0, "end_voltage_v": 41.8, "max_temperature_c": 23.0},
    {"index": 3, "kind": "discharge_cc", "start_s": 43201.0, "end_s": 50400.0, "start_voltage_v": 41.0, "end_voltage_v": 29.0, "max_temperature_c": 61.5},
]


def finding(code, severity="caution", group=None, step=None, evidence=""):
    return {"code": code, "severity": severity, "group": group, "step": step, "message": code, "evidence": evidence}


def analysis(*findings, **more):
    groups = [{"group": number, "max_voltage_v": 4.21 + 0.1 * (number == 2), "min_voltage_v": 2.9, "self_discharge_step": 2} for number in (1, 2, 3)]
    usual = {
        "steps": STEPS, "groups": groups, "capacity": {"at_s": {"start_s": 43200.5, "end_s": 50400.0}, "step": 3},
        "resistance": {"headline": {"at_s": 43200.5}, "pack": []}, "reading": {"clock": {"gaps": []}}, "thermal": {"max_c": 61.5},
    }
    return {**usual, **more, "findings": list(findings)}


def only(made, curves=None):
    found = places_of(made, curves)
    assert len(found) == 1
    return found[0]


def test_places_carry_the_numbers_of_the_list():
    made = analysis(
        finding("sign_inferred", "info"), finding("high_rate", "info", step=3), finding("weak_group", "defect", 2), finding("temperature_high", "danger"),
    )
    assert [item["code"] for item in ranked(made["findings"])] == ["temperature_high", "weak_group", "sign_inferred", "high_rate"]
    assert [(place.number, place.severity) for place in places_of(made)] == [(1, "danger"), (2, "defect"), (4, "info")]


@pytest.mark.parametrize("code", ["sign_inferred", "no_group_voltages", "instrument_defaults", "rows_dropped", "of a later version"])
def test_finding_that_no_stretch_belongs_to_has_no_place(code):
    assert places_of(analysis(finding(code))) == []


def test_finding_names_its_step():
    place = only(analysis(finding("counter_mismatch", step=1)))
    assert (place.start_s, place.end_s, place.group) == (3601.0, 7200.0, None)
    assert places_of(analysis(finding("counter_mismatch", step=17))) == []


@pytest.mark.parametrize("code", ["high_resistance", "high_joint_resistance", "lead_drop"])
def test_resistance_lies_at_its_edge(code):
    place = only(analysis(finding(code, "defect", group=2 if code != "lead_drop" else None)))
    assert place.at_s == 43200.5 and place.start_s <= 43190.5 and place.end_s >= 43230.5
    assert (place.panel, place.group) == (("group", 2) if code != "lead_drop" else ("voltage", None))


def test_weak_group_lies_in_the_discharge_and_is_flagged_at_its_end():
    place = only(analysis(finding("weak_group", "defect", group=3)))
    assert (place.start_s, place.end_s, place.at_s, place.group) == (43200.5, 50400.0, 50400.0, 3)


def test_balance_lies_where_the_discharge_began_and_the_board_where_it_ended():
    assert only(analysis(finding("group_out_of_balance", group=1))).at_s == 43200.5
    tripped = only(analysis(finding("protection_trip", group=1, step=3)))
    assert tripped.at_s == 50400.0 and tripped.start_s > 49000.0


def test_leak_lies_in_its_rest_and_is_shown_without_the_steps_beside_it():
    place = only(analysis(finding("self_discharge", "defect", group=2)))
    low, high = window_around(place, 50400.0)
    assert 7201.0 < low < 10000.0 and high == 43200.0 and place.group == 2
    # An analysis of an earlier version does not name the rest: then it is the longest.
    old = analysis(finding("self_discharge", "defect", group=2), groups=[{"group": 2}])
    assert only(old) == place


def test_gap_lies_where_the_log_has_none():
    made = analysis(finding("log_gap", step=3), reading={"clock": {"gaps": [{"start_s": 100.0, "duration_s": 5.0}, {"start_s": 45000.0, "duration_s": 600.0}]}})
    place = only(made)
    assert (place.start_s, place.end_s, place.at_s) == (45000.0, 45600.0, 45000.0)
    assert only(analysis(finding("log_gap", step=3))).start_s == 43201.0  # none on the clock: a part that is missing within the step


def curves():
    """Group 2 passes 4.31 V once; a stray of 5 V stands elsewhere; the pack is hottest at the end of the discharge."""
    time_s = np.arange(0.0, 50401.0, 100.0)
    volts = {number: np.full(time_s.size, 3.8) for number in (1, 2, 3)}
    volts[2][70] = 4.31
    volts[2][300] = 5.0
    hot = np.interp(time_s, [0, 43201, 50400], [21.0, 23.0, 61.5])
    series = [Series("Pack", "voltage", "V", sum(volts.values()))]
    series += [Series(f"Group {n}", "group", "V", value, n) for n, value in volts.items()]
    return Curves(time_s, (*series, Series("Case", "temperature", "°C", hot)))


def test_overvoltage_lies_at_the_very_sample_and_a_stray_is_passed_over():
    made = analysis(finding("group_overvoltage", "danger", group=2))
    assert only(made).at_s != 7000.0  # without the readings only the step is known
    place = only(made, curves())
    assert (place.at_s, place.group) == (7000.0, 2) and place.start_s < 7000.0 < place.end_s
    assert only(made).start_s == 3601.0


def test_heat_lies_where_it_was_hottest():
    assert only(analysis(finding("temperature_high", "danger")), curves()).at_s == 50400.0
    assert only(analysis(finding("temperature_high", "danger"))).start_s == 43201.0  # by the steps alone


@pytest.mark.parametrize("code", ["group_overvoltage", "temperature_high", "weak_group", "high_resistance", "self_discharge", "log_gap", "current_offset"])
def test_analysis_without_keys_has_no_place_and_no_error(code):
    # As an earlier version wrote it, or a log that supports nothing.
    for made in ({"findings": [finding(code, group=1)]}, {"findings": [finding(code)], "steps": None, "groups": None, "capacity": None,
                                                            "resistance": None, "reading": None, "thermal": None}):
        assert places_of(made) == []


def test_window_has_room_and_stays_inside_the_log():
    place = Place(1, "defect", 1000.0, 2000.0, 1500.0)
    low, high = window_around(place, 10_000.0)
    assert (low, high) == (850.0, 2150.0)
    assert window_around(Place(1, "defect", 0.0, 9999.0, 0.0), 10_000.0) == (0.0, 10_000.0)
    low, high = window_around(Place(1, "info", 10_000.0, 10_000.0, 10_000.0), 10_000.0)
    assert high == 10_000.0 and 0 < high - low < 100  # an instant at the end
    assert window_around(Place(1, "info", 2.0, 2.0, 2.0), 3.0) == (0.0, 3.0)  # a log shorter than any room


def test_flags_carry_shape_and_number_and_point_at_their_curve():
    made = analysis(finding("group_overvoltage", "danger", group=2), finding("weak_group", "defect", group=3), finding("current_offset", "info"))
    data = curves()
    found = places_of(made, data)
    figure, _complete = timeline(data, STEPS, places=found, chosen=2, along=along_of(data))
    flags = figure.layout.annotations
    assert [flag.text.split("\u2009") for flag in flags] == [[SHAPES["danger"], "1"], [SHAPES["defect"], "2"], [SHAPES["info"], "3"]]
    assert len(set(SHAPES.values())) == 4
    assert (flags[0].x, flags[0].y) == (pytest.approx(7000.0 / 3600.0), 4.31)
    assert [flag.borderwidth for flag in flags] == [1, 3, 1]
    assert figure.layout.shapes[0].x0 == pytest.approx(43200.5 / 3600.0)  # the stretch of the chosen one


def test_flag_out_of_sight_is_not_drawn_for_it_would_stretch_the_range():
    made = analysis(finding("weak_group", "defect", group=3), finding("group_overvoltage", "danger", group=2))
    data = curves()
    figure, _complete = timeline(data, STEPS, None, 6000.0, 8000.0, places=places_of(made, data))
    assert [flag.visible for flag in figure.layout.annotations] == [True, False]


# ---- from a log to the place -----------------------------------------------------------------------------------


def test_overcharged_group_is_found_in_the_curve_where_it_was_highest(filled, tmp_path):
    copy = tmp_path / "register.sqlite"
    shutil.copy(filled, copy)
    door = Door(copy)
    run_id = add_overcharged(copy)
    made, data = door.run(run_id).analysis, door.curves(run_id)
    number = next(n for n, item in enumerate(ranked(made["findings"]), 1) if item["code"] == "group_overvoltage")
    place = next(item for item in places_of(made, data) if item.number == number)
    value = next(series.value for series in data.series if series.group == 2)
    assert place.group == 2 and value[int(np.searchsorted(data.time_s, place.at_s))] == np.nanmax(value)
    door.close()


def test_channel_that_failed_is_found_at_the_times_its_evidence_tells(tmp_path):
    """A tap lead that is off for a part of the sister pack's test: group 3 reads 0 V from row 1200 to 1399. Invented."""
    from cycler.pack import load_pack

    lines = (SAMPLES / "ebike-10s4p-sister.csv").read_text("utf-8-sig").splitlines()
    rows = [line.split(";") for line in lines[1:]]
    for row in rows[1200:1400]:
        row[5] = "0,000"
    door = Door(tmp_path / "register.sqlite")
    log = "\n".join([lines[0], *(";".join(row) for row in rows)]).encode()
    run_id = door.add([("lead-off.csv", log)], load_pack(SAMPLES / "packs" / "ebike-0415.toml"), "lead off", "return-to-owner")
    made, data = door.run(run_id).analysis, door.curves(run_id)
    codes = [item["code"] for item in ranked(made["findings"])]
    place = next(item for item in places_of(made, data) if codes[item.number - 1] == "group_reading_dead")
    assert place.start_s == pytest.approx(data.time_s[1200], abs=1.0) and place.end_s == pytest.approx(data.time_s[1399], abs=1.0)
    assert place.group == 3
    door.close()
