"""Charts: thinning keeps every peak, gaps stay gaps, and both drawings come from one geometry."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from record_example import example, make_log

from cycler.record.chart import (
    Chart,
    Label,
    Stroke,
    nice_ticks,
    runs,
    thin_min_max,
    tick_text,
    to_drawing,
    to_svg,
    verdict_shape,
)
from cycler.record.curves import group_chart, pack_chart


def test_thin_min_max_single_sample_spike_survives():
    x = np.arange(1_000_000, dtype=float)
    y = np.zeros(x.size)
    y[123_457], y[765_431] = 5.0, -7.0
    thin_x, thin_y = thin_min_max(x, y, 300)
    assert thin_x.size <= 4 * 300
    assert thin_y.max() == 5.0 and thin_x[thin_y.argmax()] == 123_457
    assert thin_y.min() == -7.0 and thin_x[thin_y.argmin()] == 765_431
    assert thin_x[0] == 0 and thin_x[-1] == x[-1]
    assert (np.diff(thin_x) > 0).all()


def test_thin_min_max_extremes_of_every_stretch_are_kept():
    # Second method: extremes of each stretch by brute force.
    random = np.random.default_rng(7)
    x = np.sort(random.uniform(0, 100, 20_000))
    y = random.normal(size=x.size)
    thin_x, thin_y = thin_min_max(x, y, 50)
    which = np.minimum(((x - x[0]) * (50 / (x[-1] - x[0]))).astype(int), 49)
    kept = set(zip(thin_x.tolist(), thin_y.tolist()))
    for column in range(50):
        own = np.flatnonzero(which == column)
        for index in (own[y[own].argmin()], own[y[own].argmax()]):
            assert (x[index], y[index]) in kept


def test_thin_min_max_all_at_one_time_keeps_the_extremes():
    thin_x, thin_y = thin_min_max(np.zeros(100), np.arange(100.0), 3)
    assert thin_y.min() == 0 and thin_y.max() == 99 and thin_x.size <= 12


def test_runs_missing_stretch_breaks_the_line_but_alternate_rows_do_not():
    x = np.arange(1000.0)
    y = np.ones(1000)
    y[400:500] = np.nan
    assert [a.size for a, _ in runs(x, y)] == [400, 500]
    every_other = np.where(np.arange(1000) % 2, np.nan, 1.0)
    assert len(runs(x, every_other)) == 1
    x = np.concatenate((np.arange(100.0), np.arange(190.0, 300.0)))
    assert [a.size for a, _ in runs(x, np.ones(x.size), ((99.0, 91.0),))] == [100, 110]
    assert len(runs(x, np.ones(x.size))) == 1
    assert runs(x, np.full(x.size, np.nan)) == []


@pytest.mark.parametrize(("low", "high", "wanted", "ticks"), [
    (0, 10.4, 9, [0, 2, 4, 6, 8, 10]), (29.9, 42.6, 5, [30, 35, 40]), (-2.4, 2.9, 4, [-2, 0, 2]), (3, 3, 5, [3]),
])
def test_nice_ticks_are_one_two_five_and_inside(low, high, wanted, ticks):
    assert nice_ticks(low, high, wanted) == pytest.approx(ticks)


def test_tick_text_decimals_follow_the_distance_and_zero_has_no_sign():
    assert tick_text(-0.0, [-0.5, 0.0]) == "0.0"
    assert tick_text(-2.0, [-2.0, 0.0]) == "−2"


def test_to_svg_hostile_label_is_escaped_and_well_formed():
    chart = Chart(10, 10, '<b>"', '"><script>', (Label(1, 1, "</text><script>alert(1)</script>&"), Stroke(((0, 0), (1, 2), (0.5, 3)))))
    svg = to_svg(chart)
    assert "<script" not in svg
    root = ElementTree.fromstring(svg)
    assert root.find("text").text == "</text><script>alert(1)</script>&"


def test_svg_and_pdf_drawing_share_the_geometry():
    from reportlab.graphics.shapes import PolyLine

    points = ((0.0, 0.0), (3.3, 4.4), (10.0, 2.2))
    chart = Chart(10, 20, "t", "d", (Stroke(points),))
    line = next(shape for shape in to_drawing(chart, "Helvetica", "Helvetica-Bold").contents if isinstance(shape, PolyLine))
    assert line.points == pytest.approx([0, 20, 3.3, 15.6, 10, 17.8])
    # SVG path data are relative: 3.3, 4.4 then 6.7, -2.2.
    assert 'd="M0 0l3.3 4.4 6.7-2.2"' in to_svg(chart)


def test_pack_chart_names_charge_rest_and_discharge_and_marks_the_counted_part():
    analysis = example()
    chart = pack_chart(make_log(analysis), analysis)
    labels = [item.text for item in chart.items if isinstance(item, Label)]
    assert {"charge", "rest", "discharge", "counted for capacity", "Pack voltage / V", "Current / A", "Time / h"} <= set(labels)


def test_pack_chart_without_pack_voltage_draws_the_sum_and_says_so():
    analysis = example()
    log = make_log(analysis, rows=2000)
    log = type(log)(**{**{name: getattr(log, name) for name in log.__dataclass_fields__}, "voltage_v": np.full(2000, np.nan)})
    labels = [item.text for item in pack_chart(log, analysis).items if isinstance(item, Label)]
    assert "Sum of group voltages / V" in labels


def test_group_chart_limiting_group_is_the_heaviest_line_and_named():
    analysis = example()
    chart, band = group_chart(make_log(analysis), analysis)
    strokes = [item for item in chart.items if isinstance(item, Stroke) and item.fill is None]
    assert not band
    assert sum(stroke.width == max(s.width for s in strokes) for stroke in strokes) == 1
    assert any(item.text == "group 4, limiting" and item.bold for item in chart.items if isinstance(item, Label))


def test_group_chart_many_groups_becomes_a_band():
    analysis = example(40)
    chart, band = group_chart(make_log(analysis, 40, rows=5000), analysis)
    assert band and len(to_svg(chart)) < 40_000


@pytest.mark.parametrize("groups", [0, 1])
def test_group_chart_without_limiting_group_draws_or_says_none(groups):
    analysis = example(groups)
    chart, _ = group_chart(make_log(analysis, groups, rows=2000), analysis)
    assert (chart is None) == (groups == 0)
    if chart:
        assert not any("limiting" in item.text for item in chart.items if isinstance(item, Label))


def test_verdict_shapes_differ_without_colour():
    shapes = {result: verdict_shape(result, 60, result).items for result in ("pass", "fail", "not_proven", "none")}
    assert len({repr(items) for items in shapes.values()}) == 4
