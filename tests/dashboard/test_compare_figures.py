"""Figures of the comparison: curves end where the charge ends, the difference stands only where both have data, runs differ by more than colour."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.figures import style
from dashboard.figures.curves import Curves, Series
from dashboard.figures.group_compare import PATTERNS, group_bars_of_runs
from dashboard.figures.overlay import View, axis_scale, height_of, laid, overlay, panels_of

BENCH = {"id": "bench 1", "declared": True, "voltage_gain": 0.001, "voltage_offset_v": 0.02, "current_gain": 0.002, "current_offset_a": 0.005}


def curves(seconds=3600, drop_v=3.0, groups=3, amps=2.0, bare=False):
    """A rest of 600 s, a discharge whose pack voltage falls on a straight line from 12 V by ``drop_v`` an hour, a rest."""
    time_s = np.arange(float(seconds) + 1201)
    loaded = (time_s > 600) & (time_s <= 600 + seconds)
    pack = np.where(loaded, 12.0 - drop_v * (time_s - 600) / 3600, 12.5)
    found = [] if bare else [Series("Pack", "voltage", "V", pack)]
    found += [Series("Current", "current", "A", np.where(loaded, -amps, 0.0)), Series("Inside", "temperature", "°C", 20.0 + time_s / 1000),
              Series("Air", "temperature", "°C", 21.0 + 0 * time_s)]
    found += [Series(f"Group {n}", "group", "V", pack / 3 + (n - 2) / 100, n) for n in range(1, groups + 1)]
    return Curves(time_s, tuple(found))


def analysis(seconds=3600, valid=True, **more):
    return {
        "pack": {"series": 3}, "instrument": BENCH, "limiting_group": 1,
        "steps": [{"index": 0, "kind": "rest", "start_s": 0.0, "end_s": 600.0}, {"index": 1, "kind": "discharge_cc", "start_s": 601.0, "end_s": 600.0 + seconds}],
        "capacity": {"steps": [1], "at_s": {"start_s": 600.0, "end_s": 600.0 + seconds}, "value_ah": 2.0 * seconds / 3600, "valid": valid}, **more,
    }


def pair(view, second=1800, **more):
    return [
        laid(0, "one (run 1)", curves(), analysis(), view), laid(1, "two (run 2)", curves(second, drop_v=2.0), analysis(second, **more), view),
    ]


def shown(figure, yaxis="y"):
    return [trace for trace in figure.data if trace.yaxis == yaxis and trace.meta != "band"]


def test_overlay_against_charge_ends_at_the_charge_delivered():
    # Closed form: 2 A for 3600 s = 2 Ah, less half a second of the switching that no reading tells.
    figure, _found = overlay(pair(View("ah")), 0, View("ah"))
    assert figure.layout.xaxis.title.text == "Charge delivered / Ah"
    assert [float(trace.x[-1]) for trace in shown(figure)] == pytest.approx([2.0, 1.0], abs=2.0 / 3600)
    assert [trace.name for trace in shown(figure)] == ["A one (run 1)", "B two (run 2)"]


def test_overlay_against_state_of_charge_runs_from_100_to_0_percent():
    figure, _found = overlay(pair(View("soc")), 0, View("soc"))
    for trace in shown(figure):
        assert float(trace.x[0]) == pytest.approx(100.0, abs=0.1) and float(trace.x[-1]) == pytest.approx(0.0, abs=0.1)
    assert figure.layout.xaxis.autorange == "reversed"


def test_overlay_against_voltage_tells_the_charge_down_to_it():
    # Closed form: 12 V - 3 V/h at 2 A: 10.5 V are reached after half an hour, 1 Ah.
    figure, _found = overlay(pair(View("voltage")), 0, View("voltage"))
    trace = shown(figure)[0]
    k = int(np.argmin(np.abs(trace.x - 10.5)))
    assert float(trace.y[k]) == pytest.approx(1.0, abs=0.01)
    assert figure.layout.yaxis.title.text == "Delivered down to it / Ah"


def test_difference_is_the_second_minus_the_first_and_ends_with_the_shorter():
    # Closed form: (12 - 2 h) - (12 - 3 h) = 1 V/h, up to half an hour: 500 mV.
    figure, found = overlay(pair(View()), 0, View())
    (run, item), = found
    assert run.letter == "B" and item.x[item.known][-1] == pytest.approx(1800, abs=10)
    line, = shown(figure, "y2")
    known = np.isfinite(line.y)
    np.testing.assert_allclose(line.y[known], line.x[known] / 60 * 1000, atol=1.5)  # the axis is in minutes
    assert figure.layout.yaxis2.title.text == "Minus A / mV"
    band, = [trace for trace in figure.data if trace.meta == "band"]
    assert band.fill == "toself" and np.nanmax(band.y) > np.nanmax(line.y)


def test_difference_from_the_other_reference_turns_its_sign():
    first = overlay(pair(View("ah")), 0, View("ah"))[1][0][1]
    second = overlay(pair(View("ah")), 1, View("ah"))[1][0][1]
    assert np.nanmax(first.value) == pytest.approx(-np.nanmin(second.value), abs=0.002)


def test_window_keeps_its_part_alone():
    view = View("ah", window=(0.25, 0.5))
    figure, _found = overlay(pair(view), 0, view)
    for trace in shown(figure):
        assert 0.24 < float(trace.x[0]) <= 0.25 and 0.5 <= float(trace.x[-1]) < 0.51
    assert list(figure.layout.xaxis.range) == [0.25, 0.5]


def test_window_of_a_falling_axis_runs_from_high_to_low():
    view = View("soc", window=(20.0, 40.0))
    figure, _found = overlay(pair(view), 0, view)
    assert list(figure.layout.xaxis.range) == [40.0, 20.0]
    assert 19 < float(np.min(shown(figure)[0].x)) <= 20.0 and 40.0 <= float(np.max(shown(figure)[0].x)) < 41


def test_current_and_warmest_sensor_stand_below_on_the_same_axis():
    view = View(extras=("current", "temperature"))
    figure, _found = overlay(pair(view), 0, view)
    assert panels_of(view, True) == ("main", "difference", "current", "temperature")
    assert {trace.xaxis for trace in figure.data} == {"x"}
    assert float(shown(figure, "y3")[0].y[5]) == -2.0
    assert float(shown(figure, "y4")[0].y[0]) == pytest.approx(21.0)  # the air at first
    assert float(shown(figure, "y4")[0].y[-1]) == pytest.approx(24.2)  # then the pack: 20 + 4200 s / 1000
    assert figure.layout.height == height_of(panels_of(view, True))


def test_per_group_divides_by_the_number_of_groups():
    per_group, whole = pair(View(quantity="per-group")), pair(View())
    np.testing.assert_allclose(per_group[0].y * 3, whole[0].y)


def test_pack_voltage_that_was_not_logged_is_the_sum_of_its_groups():
    run = laid(0, "x", curves(bare=True), analysis(), View())
    assert run.missing == "" and run.drawn.is_sum
    np.testing.assert_allclose(run.y, laid(0, "x", curves(), analysis(), View()).y)
    short = laid(0, "x", curves(bare=True, groups=2), analysis(), View())
    assert short.missing == "the log has no pack voltage, nor that of every group"


@pytest.mark.parametrize(
    ("view", "more", "reason"),
    [
        (View("soc"), {"valid": False}, "not known"),
        (View(quantity="group", group=9), {}, "no group 9"),
        (View(quantity="limiting"), {"limiting_group": None}, "limiting group is not known"),
        (View(charge=True), {}, "no charge was found"),
        (View(quantity="per-group"), {"pack": {}}, "number of its groups is not known"),
        (View(), {"capacity": None}, "no discharge was found"),
    ],
)
def test_a_run_that_cannot_be_drawn_says_why(view, more, reason):
    run = laid(0, "x", curves(), analysis(**more), view)
    assert reason in run.missing and run.x.size == 0


def test_a_reference_that_cannot_be_drawn_leaves_no_difference():
    runs = [laid(0, "one", None, {}, View(), "its log is damaged"), *pair(View())[1:]]
    figure, found = overlay(runs, 0, View())
    assert found == [] and len(shown(figure)) == 1 and runs[0].missing == "its log is damaged"


def test_no_line_and_no_difference_across_a_gap():
    whole = curves()
    kept = (whole.time_s < 1500) | (whole.time_s > 1800)
    holed = Curves(whole.time_s[kept], tuple(Series(s.name, s.panel, s.unit, s.value[kept], s.group) for s in whole.series), ((1499.0, 302.0),))
    runs = [laid(0, "one", whole, analysis(), View()), laid(1, "two", holed, analysis(), View())]
    figure, found = overlay(runs, 0, View())
    trace = shown(figure)[1]
    assert np.isnan(trace.y).sum() == 1
    item = found[0][1]
    hole = (item.x > 905) & (item.x < 1195)  # 900 s to 1200 s under load
    assert hole.sum() > 30 and np.isnan(item.value[hole]).all() and item.known.sum() > 300


def test_runs_differ_by_dash_as_well_as_colour_and_carry_their_letter():
    runs = [laid(order, f"run {order}", curves(), analysis(), View()) for order in range(8)]
    figure, _found = overlay(runs, 0, View())
    lines = shown(figure)
    assert len({trace.line.dash for trace in lines}) == 8 and len({trace.line.color for trace in lines}) == 8
    letters = [note.text for note in figure.layout.annotations if note.yref == "y"]
    assert letters == [f"<b>{letter}</b>" for letter in style.RUN_LETTERS]
    # All end in one place: no two letters are printed over one another.
    assert len({note.xshift for note in figure.layout.annotations if note.yref == "y"}) == 8


def test_markup_in_a_name_is_shown_not_obeyed():
    figure, _found = overlay([laid(0, "<b>EB</b>", curves(), analysis(), View())], 0, View())
    assert figure.data[0].name == "A &lt;b&gt;EB&lt;/b&gt;"


def test_axis_scale_takes_the_longest_run():
    assert axis_scale(View(), pair(View())) == (60.0, "min") and axis_scale(View("soc"), []) == (1.0, "%")


def test_nothing_to_draw_says_so():
    figure, found = overlay([laid(0, "x", None, {}, View(), "gone")], 0, View())
    assert found == [] and "None of the chosen runs" in figure.layout.annotations[0].text


# ---- groups ------------------------------------------------------------------------------------------------------


def table(runs=2, groups=3):
    def row(unit, value, u):
        return {"unit": unit, "values": [value + 0.01 * run for run in range(runs)], "u": [u] * runs, "estimate": [False, True, *[False] * 6][:runs]}

    return {"groups": [
        {"group": n, "limiting": [n == 1] * runs, "capacity_ah": row("Ah", 9.0 + n, 0.05), "resistance_10s_ohm": row("ohm", 0.015, 0.0002), "sag_10s_v": row("V", 0.08, 0.0005)}
        for n in range(1, groups + 1)
    ]}


def test_group_bars_show_every_run_beside_the_others_with_expanded_uncertainty():
    figure = group_bars_of_runs(table(), ["A one", "B two"])
    assert len(figure.data) == 6 and figure.layout.barmode == "group"
    resistance = figure.data[3]
    np.testing.assert_allclose(resistance.y, [25.0, 25.0, 25.0])  # mΩ, second run
    np.testing.assert_allclose(resistance.error_y.array, [0.4, 0.4, 0.4])  # k = 2
    assert figure.data[1].customdata[0] == "10.01 ± 0.10 Ah, estimated, limiting group"
    assert [trace.name for trace in figure.data if trace.showlegend] == ["A one", "B two"]


def test_group_bars_draw_no_error_bar_where_no_uncertainty_is_known():
    """A bar of no length would read as a figure without any error."""
    told = table()
    for group in told["groups"]:
        group["capacity_ah"]["u"] = [None, 0.05]
    figure = group_bars_of_runs(told, ["A one", "B two"])
    assert list(figure.data[0].error_y.array) == [None] * 3 and list(figure.data[1].error_y.array) == [0.1] * 3


def test_group_bars_tell_runs_apart_by_hatching_too():
    figure = group_bars_of_runs(table(runs=8), [f"{letter} x" for letter in style.RUN_LETTERS])
    shapes = [trace.marker.pattern.shape for trace in figure.data[:8]]
    assert shapes == list(PATTERNS) and len(set(shapes)) == 8
    titles = [note.text for note in figure.layout.annotations]
    assert titles == ["<b>Capacity / Ah</b>", "<b>Resistance over 10 s / mΩ</b>", "<b>Sag after 10 s / mV</b>"]


def test_group_bars_without_groups_are_none():
    assert group_bars_of_runs({"groups": []}, ["A", "B"]) is None


def test_group_bars_are_laid_below_one_another_for_a_narrow_screen():
    meta = group_bars_of_runs(table(), ["A one", "B two"]).layout.meta
    wide, narrow = meta["ways"]["wide"], meta["ways"]["narrow"]
    assert set(wide) == set(narrow)
    assert [wide[f"yaxis{tail}.domain"] for tail in ("", "2", "3")] == [(0.0, 1.0)] * 3
    assert [narrow[f"xaxis{tail}.domain"] for tail in ("", "2", "3")] == [(0.0, 1.0)] * 3
    falling = [edge for tail in ("", "2", "3") for edge in reversed(narrow[f"yaxis{tail}.domain"])]
    assert falling == sorted(falling, reverse=True)  # none reaches into the next
    assert meta["bar"]["narrow"] > 3 * meta["bar"]["wide"] and meta["height"]["narrow"] > 2 * meta["height"]["wide"]
