"""Figures: axes carry quantity and unit, groups are told apart by more than colour, scales keep their order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures import style
from dashboard.figures.curves import Curves, Series
from dashboard.figures.groups import MEASURES, group_bars
from dashboard.figures.scale import round_ends, scale
from dashboard.figures.timeline import along_of, draw_order, step_family, step_points, timeline

STEPS = [
    {"index": 0, "kind": "rest", "start_s": 0.0, "end_s": 600.0},
    {"index": 1, "kind": "discharge_cc", "start_s": 600.0, "end_s": 4200.0},
]


def curves(seconds=4200, groups=3):
    time_s = np.arange(float(seconds) + 1)
    loaded = time_s >= 600
    found = [
        Series("Pack", "voltage", "V", np.where(loaded, 11.0, 12.0)),
        Series("Current", "current", "A", np.where(loaded, -2.0, 0.0)),
    ]
    found += [Series(f"Group {n}", "group", "V", np.where(loaded, 3.6 + n / 100, 4.0), n) for n in range(1, groups + 1)]
    return Curves(time_s, tuple(found))


def test_timeline_axes_name_quantity_and_unit():
    figure, _complete = timeline(curves(), STEPS)
    titles = {figure.layout[key].title.text for key in ("xaxis", "yaxis", "yaxis2", "yaxis3")}
    assert titles == {"Time from the first sample / min", "Pack / V", "Current / A", "Groups / V"}


def test_timeline_marked_group_is_last_of_groups_wider_and_named():
    figure, _complete = timeline(curves(), STEPS, marked=1)
    groups = [trace for trace in figure.data if trace.name.startswith("Group")]
    assert [trace.name for trace in groups] == ["Group 2", "Group 3", "Group 1, marked"]
    assert groups[-1].line.width > 2 * groups[0].line.width


def test_timeline_hover_reads_every_trace_on_one_time_axis():
    figure, _complete = timeline(curves(), STEPS)
    assert (figure.layout.hovermode, figure.layout.hoversubplots) == ("x unified", "axis")
    assert {trace.xaxis for trace in figure.data} == {"x"}
    assert all("%{y:" in trace.hovertemplate for trace in figure.data if trace.type == "scatter" and trace.name != "Step")


def test_timeline_strip_holds_every_step_with_its_word():
    figure, _complete = timeline(curves(), STEPS)
    words = [word for trace in figure.data if trace.type == "bar" for word in trace.text]
    assert sorted(words) == ["0 rest", "1 discharge CC"]


@pytest.mark.parametrize(
    ("kind", "family"), [("charge_cv", "charge"), ("discharge", "discharge"), ("pulse_charge", "pulse"), ("rest", "rest")]
)
def test_step_family_of_kind(kind, family):
    assert step_family(kind) == family


def test_timeline_without_readings_says_so():
    figure, complete = timeline(Curves(np.arange(3.0), ()), [])
    assert complete and "no reading" in figure.layout.annotations[0].text


def test_draw_order_is_the_order_of_the_traces():
    data = curves()
    figure, _complete = timeline(data, STEPS, marked=2)
    assert [s.name for s in draw_order(data, 2)] == [t.name.replace(", marked", "") for t in figure.data if t.type == "scatter"][:-1]
    # Behind the bars: the trace that tells the step under the pointer.
    assert figure.data[-1].name == "Step"


def test_group_bars_show_expanded_uncertainty_and_hatch_the_limiting_group():
    groups = [{"group": 1, "resistance_10s_ohm": 0.0155, "u_resistance_10s_ohm": 0.0002},
              {"group": 2, "resistance_10s_ohm": 0.0239, "u_resistance_10s_ohm": 0.0002}]
    figure = group_bars(groups, MEASURES[1], limiting=2)
    bar = figure.data[0]
    assert figure.layout.title.text == "Resistance over 10 s / mΩ"
    np.testing.assert_allclose(bar.y, [15.5, 23.9])
    np.testing.assert_allclose(bar.error_y.array, [0.4, 0.4])  # k = 2
    assert list(bar.marker.pattern.shape) == ["", "/"]
    assert figure.layout.annotations[0].text == "limiting"
    assert bar.customdata[1] == "23.90 ± 0.40 mΩ"


def test_group_bars_without_figures_are_none():
    bare = [{"group": 1, "capacity_ah": 9.0, "u_capacity_ah": None}, {"group": 2, "capacity_ah": 9.0, "u_capacity_ah": 0.1}]
    assert list(group_bars(bare, MEASURES[2], None).data[0].error_y.array) == [None, 0.2]  # a bar of no length would read as no error at all
    assert group_bars([{"group": 1, "capacity_ah": None}], MEASURES[2], None) is None


def contrast(first, second):
    """Contrast ratio of two colours. Source: WCAG 2.1, definitions of relative luminance and contrast ratio (memory)."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colour", [*style.RUN_COLOURS, style.VOLTAGE, style.CURRENT, style.TEMPERATURE, style.MARKED])
@pytest.mark.parametrize("page", ["#ffffff", "#1c2226"])
def test_line_colours_stand_out_on_light_and_dark_page(colour, page):
    # Source: WCAG 2.1, 1.4.11: graphical objects at least 3:1 (number of the criterion from memory).
    assert contrast(colour, page) >= 3.0


def test_scale_orders_limit_guard_band_and_value_at_least():
    place = scale(value=0.80, u_value=0.01, limit=0.70, guard_band=0.02, at_least=True)
    assert 0 <= place.open_from < place.limit < place.open_to == place.accept_from < place.low < place.value < place.high
    assert place.accept_to == 100.0
    # The guard band is as wide above the limit as below it.
    assert place.limit - place.open_from == pytest.approx(place.open_to - place.limit, abs=0.002)


def test_scale_of_upper_limit_accepts_on_the_left():
    place = scale(value=0.2, u_value=0.01, limit=0.3, guard_band=0.02, at_least=False)
    assert place.accept_from == 0.0 and place.accept_to == place.open_from < place.limit


def test_scale_without_value_still_shows_the_limit():
    place = scale(value=None, u_value=None, limit=0.05, guard_band=None, at_least=False)
    assert place.value is None and 0 < place.limit < 100


def test_scale_never_starts_below_zero_for_figures_that_cannot():
    assert scale(value=0.005, u_value=0.002, limit=0.1, guard_band=0.004, at_least=False).left == 0.0


@given(
    low=st.floats(-1e4, 1e4), span=st.floats(1e-6, 1e4),
)
def test_round_ends_hold_the_stretch_with_at_most_three_digits(low, span):
    left, right = round_ends(low, low + span)
    assert left <= low + 1e-6 * span and right >= low + span - 1e-6 * span and left < right
    for end in (left, right):
        assert float(f"{end:.3g}") == pytest.approx(end, abs=1e-12)


def test_round_ends_of_a_share_are_what_a_hand_would_draw():
    # 0.635 to 0.738 in steps of 0.02 (10 steps at most): 0.62 to 0.74, worked out by hand.
    assert round_ends(0.635, 0.738) == (0.62, 0.74)


@pytest.mark.parametrize(("value", "left"), [(0.004, 0.0), (None, 0.0)])
def test_scale_of_a_figure_that_cannot_be_negative_starts_at_zero_whatever_its_uncertainty(value, left):
    place = scale(value=value, u_value=0.05, limit=0.02, guard_band=0.1, at_least=False)
    assert place.left == left and place.open_from == 0.0 and 0 < place.limit < 100


def test_scale_of_a_figure_that_may_be_negative_shows_it():
    place = scale(value=-0.004, u_value=0.001, limit=0.3, guard_band=0.002, at_least=False, lowest=None)
    assert place.left < -0.004 and 0 < place.value < place.limit


def test_scale_of_an_efficiency_ends_at_the_whole():
    assert scale(None, None, 0.98, None, True, 0.0, 1.0).right == 1.0


def test_step_points_name_each_step_however_short():
    steps = [
        {"index": 0, "kind": "rest", "start_s": 0.0, "end_s": 3600.0},
        {"index": 1, "kind": "pulse_discharge", "start_s": 3600.0, "end_s": 3601.0},
        {"index": 2, "kind": "discharge_cc", "start_s": 3601.0, "end_s": 9000.0},
    ]
    along = along_of(Curves(np.array([0.0, 14400.0]), ()))  # in hours
    places, words = step_points(steps, along, (0.0, 2.5))
    assert places == sorted(places) and len(places) == len(words)
    assert {"0 rest, 1 h 0 min", "1 pulse −, 1 s", "2 discharge CC, 1 h 30 min"} == set(words)
    assert step_points([], along, (0.0, 1.0)) == ([], [])


def test_name_text_markup_in_a_pack_id_is_shown_not_obeyed():
    from dashboard.figures.style import name_text

    assert name_text('<a href="https://x.invalid">EB & 1</a>') == '&lt;a href="https://x.invalid"&gt;EB &amp; 1&lt;/a&gt;'
