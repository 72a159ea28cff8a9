"""dQ/dV and dV/dQ on the pages: axes with units, lines told apart by more than colour, windows and reasons in words."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest

from cycler.incrementaltable import WayCurves
from cycler.measures.incremental import best_curve
from dashboard import text
from dashboard.figures import style
from dashboard.figures.incremental import (
    TITLES,
    abscissa_range,
    axis_range,
    incremental_figure,
    overlaid_curves,
    points_of,
    run_curves,
)
from dashboard.pages import incremental

from .conftest import SAMPLES


def curve(centre=3.65, qt=2.5, s=0.03):
    volts = np.linspace(centre + 0.35, centre - 0.35, 20001)
    return best_curve(volts, qt / (1 + np.exp(-0.35 / s)) - qt / (1 + np.exp(-(volts - centre) / s)))


def ways(**centres):
    return WayCurves("discharge", curve(), {int(name[1:]): curve(centre) for name, centre in centres.items()})


def test_axes_name_quantity_and_unit():
    for kind, (x, y) in TITLES.items():
        figure = incremental_figure(run_curves(ways(g1=3.6), kind, {}, None), kind)
        assert (figure.layout.xaxis.title.text, figure.layout.yaxis.title.text) == (x, y)
        assert x.endswith(("/ V", "/ Ah")) and y.endswith(("(Ah/V)", "(mV/Ah)"))


def test_marked_group_is_wider_named_and_above_its_siblings_and_pack_on_top():
    drawn = run_curves(ways(g1=3.60, g2=3.61, g3=3.62), "dq_dv", {1: "A1 (group 1)"}, 2)
    assert [item.name for item in drawn] == ["A1 (group 1)", "group 3", "group 2, marked", "pack"]
    assert drawn[2].line["width"] > 2 * drawn[0].line["width"]


def test_band_is_the_expanded_uncertainty_of_the_pack():
    own = ways()
    figure = incremental_figure(run_curves(own, "dq_dv", {}, None), "dq_dv")
    band, line = figure.data
    np.testing.assert_allclose(band.y[: line.y.size] - line.y, 2.0 * own.pack.u_dq_dv)  # k = 2
    assert band.fill == "toself"


def test_points_of_the_peak_are_those_of_the_closed_form():
    # Qt / 4s = 20.8333 Ah/V at 3.65 V; dV/dQ there 4s/Qt = 48 mV/Ah, half of 2.5 Ah below the top.
    x, y, _u = points_of(curve(), "dq_dv")
    assert x[np.argmax(y)] == pytest.approx(3.65, abs=1e-3) and y.max() == pytest.approx(20.8333, rel=1e-3)
    q, dv, _u = points_of(curve(), "dv_dq")
    assert q[np.argmin(dv)] == pytest.approx(1.25, abs=0.02) and dv.min() == pytest.approx(48.0, rel=5e-3)


def test_peaks_are_marked_with_their_voltage():
    peaks = [{"position_v": 3.65, "height_ah_per_v": 20.8}]
    figure = incremental_figure(run_curves(ways(), "dq_dv", {}, None), "dq_dv", peaks)
    assert list(figure.data[-1].text) == ["3.650 V"] and figure.data[-1].marker.symbol == "diamond-open"
    assert len(incremental_figure(run_curves(ways(), "dv_dq", {}, None), "dv_dq", peaks).data) == 2


def test_overlay_differs_by_dash_and_keeps_the_place_of_a_run_without_a_curve():
    runs = [("A one", ways()), ("B two", None), ("C three", ways())]
    drawn = overlaid_curves(runs, "dq_dv")
    assert [item.line["dash"] for item in drawn] == [style.RUN_DASHES[0], style.RUN_DASHES[2]]
    figure = incremental_figure(drawn, "dq_dv", bands=False)
    assert [trace.name for trace in figure.data] == ["A one", "C three"]


def test_steep_ends_of_dv_dq_do_not_set_its_axis():
    drawn = run_curves(ways(), "dv_dq", {}, None)
    top = axis_range(drawn, "dv_dq")[1]
    assert top == pytest.approx(3 * np.median(drawn[0].y)) and top < drawn[0].y.max()


def test_long_tail_of_a_flat_cell_is_cut_off_at_two_percent_of_the_highest():
    drawn = run_curves(ways(), "dq_dv", {}, None)
    low, high = abscissa_range(drawn, "dq_dv")
    # z/(1+z)^2 = 0.02/4 at z = 198: 5.288 s = 0.1586 V from the peak, and 1 % of the range on either side.
    assert low == pytest.approx(3.65 - 0.1586 * 1.02, abs=0.002) and high == pytest.approx(3.65 + 0.1586 * 1.02, abs=0.002)


def test_figure_without_curves_says_so():
    assert "No curve" in incremental_figure([], "dq_dv").layout.annotations[0].text


def said(component):
    """All words of a component and what it holds."""
    return json.dumps(component.to_plotly_json(), default=lambda item: item.to_plotly_json(), ensure_ascii=False)


def test_run_part_states_window_rate_divisor_and_doubts(door):
    words = said(incremental.run_part(door, 2, {}, 4))
    own = door.run(2).analysis["incremental"]["discharge"]
    assert f"Window {1e3 * own['window_v']:.0f} mV per group" in words and "Savitzky-Golay of order 3" in words
    assert "Pack voltage divided by its 10 groups" in words and "at 0.5 It" in words
    assert text.INCREMENTAL_DOUBTED in words and own["reason_words"][0] in words and own["record_next"][0] in words


def test_run_part_of_an_earlier_analysis_says_so(door, monkeypatch):
    monkeypatch.setattr(door, "run", lambda _run_id: SimpleNamespace(analysis={"steps": []}))
    assert text.INCREMENTAL_OLD in said(incremental.run_part(door, 1, {}, None))


def test_comparison_uses_one_window_for_all_runs(door):
    parts = incremental.compare_part(door, [1, 2], ["A", "B"], ["before", "after"])
    widest = max(door.run(run).analysis["incremental"]["discharge"]["window_v"] for run in (1, 2))
    assert f"Window {1e3 * widest:.0f} mV per group for all runs. A: 0.5 It, B: 0.5 It." in "".join(map(said, parts))


def test_withheld_curve_gives_reason_and_advice_instead_of_a_picture(tmp_path):
    from cycler.criteria import load_criteria
    from cycler.pack import load_pack
    from cycler.register import Register
    from cycler.workflow import add_logs
    from dashboard.data import Door

    path = tmp_path / "register.sqlite"
    with Register.open(path) as register:
        source = ("cargo-part1-charge.csv", (SAMPLES / "cargo-part1-charge.csv").read_bytes())
        add_logs(register, [source], load_pack(SAMPLES / "packs" / "cargo-0222.toml"), "charge only", load_criteria())
    opened = Door(path)
    words = said(incremental.run_part(opened, 1, {}, None))
    opened.close()
    assert text.INCREMENTAL_WITHHELD in words and "the log holds no discharge at one steady current" in words
    assert words.count('"figure"') == 2  # the charge alone is drawn


@pytest.mark.parametrize("width", [1280, 390])
def test_pages_draw_both_curves_within_the_width_of_the_screen(served, page, width):
    page.set_viewport_size({"width": width, "height": 900})
    for path in ("/run/2", "/compare?runs=1,2&open=charge-per-volt"):
        page.goto(served.address + path)
        if path.startswith("/run"):  # worked out when it is opened
            page.locator("#run-incremental-open").click()
        titles = page.locator(".curve-pair .ytitle")
        titles.nth(3).wait_for()
        assert titles.nth(0).text_content() == "dQ/dV / (Ah/V)" and titles.nth(1).text_content() == "dV/dQ / (mV/Ah)"
        assert page.evaluate("document.documentElement.scrollWidth") <= width
