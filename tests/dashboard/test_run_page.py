"""Parts of a run's page without a browser: which window a zoom or a press asks for, findings, bars, next steps."""

from __future__ import annotations

import base64
from types import SimpleNamespace

import numpy as np
import pytest

from dashboard import components, ids, text_run
from dashboard.figures.curves import Curves, Series
from dashboard.figures.groups import DRIFT, MEASURES, group_bars, measures_shown
from dashboard.figures.places import Place
from dashboard.figures.timeline import along_of, timeline
from dashboard.pages import run, run_curve

from .test_words import words_of

TIME = np.arange(0.0, 14_401.0)


def loaded():
    """1 h of rest, 1 h of 2 A charge, 1 h of rest, 1 h of 4 A discharge, in rows of 1 s."""
    current = np.select([TIME < 3600, TIME < 7200, TIME < 10_800], [0.0, 2.0, 0.0], -4.0)
    return Curves(TIME, (Series("Pack", "voltage", "V", 40.0 - 0.1 * current), Series("Current", "current", "A", current)))


# ---- axes and windows ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("relayout", "window"),
    [
        ({"xaxis.range[0]": 1.0, "xaxis.range[1]": 2.0}, (3600.0, 7200.0)),
        ({"xaxis.range": [2, 1]}, (3600.0, 7200.0)),
        ({"xaxis.autorange": True}, None),
        ({"autosize": True}, "same"),
        ({"yaxis.range[0]": 1}, "same"),
        ({"xaxis.range": ["a", "b"]}, "same"),
        ({"xaxis.range": [float("nan"), 2]}, "same"),
        (None, "same"),
    ],
)
def test_window_of_zoom_along_time(relayout, window):
    assert run_curve.window_of(relayout, along_of(loaded())) == window


def test_window_of_zoom_along_charge_is_a_window_of_time():
    # Closed form: 2 Ah were moved when the charge ended at 7200 s, 6 Ah at the end; 1 Ah at 5400 s, 4 Ah at 12 600 s.
    along = along_of(loaded(), "ah")
    low, high = run_curve.window_of({"xaxis.range[0]": 1.0, "xaxis.range[1]": 4.0}, along)
    assert (low, high) == (pytest.approx(5400.0, abs=1.0), pytest.approx(12_600.0, abs=1.5))


def test_axis_of_charge_counts_both_ways_and_never_falls():
    moved = loaded().moved_ah()
    assert moved[-1] == pytest.approx(6.0, abs=2e-3) and np.all(np.diff(moved) >= 0)
    assert moved[0] == moved[3500] == 0.0 and moved[7300] == pytest.approx(moved[10_700], abs=1e-12)


def test_axis_of_charge_counts_nothing_across_a_gap_and_bridges_single_readings():
    time_s = np.concatenate((np.arange(0.0, 3601.0), np.arange(7200.0, 10_801.0)))
    current = np.full(time_s.size, 1.0)
    current[100] = np.nan
    moved = Curves(time_s, (Series("Current", "current", "A", current),), ((3600.0, 3600.0),)).moved_ah()
    assert moved[-1] == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize("current", [None, 0.0])
def test_axis_of_charge_falls_back_to_time_where_none_moved(current):
    series = () if current is None else (Series("Current", "current", "A", np.full(TIME.size, current)),)
    assert along_of(Curves(TIME, series), "ah").kind == "time"


@pytest.mark.parametrize("kind", ["time", "ah"])
def test_axis_leads_to_the_place_and_back(kind):
    along = along_of(loaded(), kind)
    for seconds in (3700.0, 5000.25, 7199.0, 11_000.5, 14_400.0):
        assert along.seconds(along.at(seconds)) == pytest.approx(seconds, abs=1e-6)
    # Second method: numpy's own interpolation.
    if kind == "ah":
        places = np.linspace(-100, 15_000, 333)
        np.testing.assert_allclose([along.at(x) for x in places], np.interp(places, TIME, along.position), rtol=0, atol=1e-12)


def test_presses_zoom_and_move_within_the_log():
    data, along = loaded(), along_of(loaded())
    middle = run_curve.moved_window("in", None, data, along)
    assert middle == (3600.0, 10_800.0)
    assert run_curve.moved_window("out", middle, data, along) is None  # the whole test again
    assert run_curve.moved_window("right", middle, data, along) == (7200.0, 14_400.0)
    assert run_curve.moved_window("right", (7200.0, 14_400.0), data, along) == (7200.0, 14_400.0)  # the end is the end
    assert run_curve.moved_window("left", (1000.0, 3000.0), data, along) == (0.0, 2000.0)
    assert run_curve.moved_window("left", None, data, along) is None
    window = None
    for _ in range(80):
        window = run_curve.moved_window("in", window, data, along)
    assert window[1] > window[0]


def test_rest_is_known_as_a_place_that_an_axis_of_charge_would_hide():
    assert run_curve.rests(Place(1, "defect", 7300.0, 10_700.0, 10_700.0, roomy=False), loaded())
    assert not run_curve.rests(Place(1, "defect", 3700.0, 7000.0, 7000.0), loaded())


def test_patch_draws_the_same_points_as_a_new_figure():
    steps = [{"index": 0, "kind": "rest", "start_s": 0.0, "end_s": 3600.0}, {"index": 1, "kind": "charge_cc", "start_s": 3601.0, "end_s": 7200.0}]
    data = loaded()
    for kind in ("time", "ah"):
        along = along_of(data, kind)
        figure, complete = timeline(data, steps, None, 3000.0, 9000.0, along=along)
        patch, whole = run_curve.window_patch(data, steps, None, (3000.0, 9000.0), along)
        assert complete == whole
        done = {tuple(item["location"]): item["params"].get("value") for item in patch.to_plotly_json()["operations"]}
        for number, trace in enumerate(figure.data[:2]):
            for axis in ("x", "y"):
                np.testing.assert_array_equal(np.frombuffer(base64.b64decode(done["data", number, axis]["bdata"])), trace[axis])
        assert done["layout", "xaxis", "range"] == list(figure.layout.xaxis.range)


# ---- findings --------------------------------------------------------------------------------------------------


FOUND = [
    {"code": "sign_inferred", "severity": "info", "group": None, "step": None, "message": "The log does not state the sign; " + 20 * "evidence ", "evidence": ""},
    {"code": "weak_group", "severity": "defect", "group": 2, "step": None, "message": "Group 2 holds 70 %.", "evidence": "ratio 0.7"},
    {"code": "no_group_voltages", "severity": "caution", "group": None, "step": None, "message": "None were logged.", "evidence": ""},
]


def parts_of(component, kind):
    """All components of a kind within a component."""
    found = [component] if type(component).__name__ == kind else []
    inside = getattr(component, "children", None)
    for item in inside if isinstance(inside, (list, tuple)) else [inside]:
        if hasattr(item, "to_plotly_json"):
            found += parts_of(item, kind)
    return found


def test_findings_are_numbered_and_only_placed_ones_have_a_button():
    listed = components.findings_list(FOUND, {2: "group 2"}, {1})
    items = parts_of(listed, "Li")
    assert [item.id["number"] for item in items] == [1, 2, 3]
    assert [bool(parts_of(item, "Button")) for item in items] == [True, False, False]
    button = parts_of(items[0], "Button")[0]
    assert button.id == {"type": ids.RUN_PLACE, "number": 1}
    assert getattr(button, "aria-label") == "Show finding 1, Weak group group 2, in the curve"


def test_notes_are_folded_and_short():
    listed = components.findings_list(FOUND, {})
    fold = parts_of(listed, "Details")[0]
    assert not fold.open and "1 note" in words_of(fold) and text_run.SHORT["sign_inferred"] in words_of(fold)
    assert "evidence evidence" not in words_of(listed)


def test_flag_tells_its_finding():
    assert run_curve.flag_number({"annotation": {"name": "finding-12"}}) == 12
    for click in (None, {}, {"annotation": {}}, {"annotation": {"name": "finding-<b>"}}, {"annotation": {"name": 3}}):
        assert run_curve.flag_number(click) in (None, 3)


def test_finding_that_is_shown_is_framed():
    assert run_curve.finding_class(FOUND, 2, 2) == "finding finding-defect finding-shown"
    assert run_curve.finding_class(FOUND, 2, None) == "finding finding-defect"
    assert run_curve.finding_class([], 5, None) == "finding finding-info"


# ---- bars ------------------------------------------------------------------------------------------------------


def test_bars_of_lack_leak_and_drift_carry_unit_and_uncertainty():
    groups = [{"group": n, "start_deficit_ah": 0.1 * n, "u_start_deficit_ah": 0.02, "drift_to_siblings_mv_per_h": -0.5 * n,
               "u_drift_to_siblings_mv_per_h": 0.1} for n in (1, 2)]
    shown = measures_shown(groups)
    assert [measure[0] for measure in shown] == [measure[0] for measure in MEASURES[:-1]] + [DRIFT[0]]
    lack = group_bars(groups, shown[3], limiting=2)
    assert lack.layout.title.text == "Short of full at start / Ah" and lack.data[0].customdata[1] == "0.200 ± 0.040 Ah"
    drift = group_bars(groups, shown[4], limiting=2)
    assert drift.layout.title.text == "Drift at rest / mV/h" and drift.data[0].customdata[0] == "-0.50 ± 0.20 mV/h".replace("-", drift.data[0].customdata[0][0])
    leak = group_bars([{"group": 1, "self_discharge_ma": 8.127, "u_self_discharge_ma": 0.909}], MEASURES[4], None)
    assert leak.layout.title.text == "Leak at rest / mA" and leak.data[0].customdata[0] == "8.1 ± 1.8 mA"
    np.testing.assert_allclose(leak.data[0].error_y.array, [1.818])  # k = 2


def test_leak_stays_where_it_is_known():
    assert measures_shown([{"self_discharge_ma": 1.0, "drift_to_siblings_mv_per_h": 1.0}])[-1] == MEASURES[-1]
    assert measures_shown([{}])[-1] == MEASURES[-1]


def test_figure_that_is_not_known_says_which_and_why(door):
    page, _title = run.layout(door, 1, {})
    said = words_of(page)
    assert "Leak at rest" in said and "Not known: the rest was too short" in said


def test_marked_bar_has_an_edge():
    groups = [{"group": n, "capacity_ah": 9.0 + n, "u_capacity_ah": 0.1} for n in (1, 2, 3)]
    assert group_bars(groups, MEASURES[2], 3, 2).data[0].marker.line.width == (0.0, 3.0, 0.0)


# ---- next steps ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("result", "findings", "first", "href"),
    [
        (None, [], text_run.NEXT_JUDGE, "/run/7/verdict"),
        ("not_proven", [], text_run.NEXT_SETTLE, "/run/7/verdict#settle"),
        ("pass", [], "Verdict and record", "/run/7/verdict"),
        ("fail", FOUND, "Verdict and record", "/run/7/verdict"),
        (None, [{"severity": "danger"}], "Verdict and record", "/run/7/verdict"),
    ],
)
def test_next_step_follows_from_the_verdict(result, findings, first, href):
    detail = SimpleNamespace(id=7, analysis={"findings": findings})
    row = run.next_steps(detail, {"result": result}, [], [])
    links = [item for kind in ("A", "Link") for item in parts_of(row, kind)]
    assert (links[0].children, links[0].href, links[0].className) == (first, href, "button button-main")
    dangers = any(item["severity"] == "danger" for item in findings)
    assert (text_run.NEXT in words_of(row).split()) is not dangers


def test_next_step_compares_with_the_run_before():
    detail = SimpleNamespace(id=7, pack_id="EB-0412", analysis={"findings": []})
    row = run.next_steps(detail, {"result": "pass"}, [2, 5], [2, 5, 9])
    assert [(item.children, item.href) for item in parts_of(row, "Link")][-1] == (text_run.NEXT_BEFORE, "/compare?before-after=EB-0412&runs=5,7")
    row = run.next_steps(detail, {"result": "pass"}, [], [9])
    assert [(item.children, item.href) for item in parts_of(row, "Link")][-1] == (text_run.NEXT_OTHERS, "/compare?runs=7,9")
