"""Run in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import pytest

from cycler.errors import InputError
from cycler.quantities import figure_text

from .walking import drawn, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_run_shows_figures_findings_and_curve(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    analysis = served.door.run(1).analysis
    headline = analysis["resistance"]["headline"]
    strip = words(page, ".key-figures")
    assert figure_text(headline["ohm_10s"], headline["u_ohm_10s"], "ohm") in strip and "mΩ" in strip
    assert "group 4" in strip
    assert "Weak group" in words(page, ".findings") and "group 4" in words(page, ".findings")
    titles = page.locator("#run-curve .g-xtitle, #run-curve [class^=g-y]").all_text_contents()
    assert "Pack / V" in titles and "Groups / V" in titles
    assert page.locator(".bar-row:not(.curve-pair) .js-plotly-plot").count() == 3
    assert "mΩ" in " ".join(page.locator(".bar-row .gtitle").all_text_contents())


def test_run_zoom_draws_the_window_from_the_whole_log(served, page):
    open_page(page, served, "/run/3")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.get_by_text("Lowest and highest sample of each stretch").wait_for()
    thinned = drawn(page, "#run-curve")
    page.locator("#run-curve").scroll_into_view_if_needed()
    panel = page.locator("#run-curve .nsewdrag").first.bounding_box()
    height = panel["y"] + panel["height"] / 2
    page.mouse.move(panel["x"] + 300, height)
    page.mouse.down()
    page.mouse.move(panel["x"] + 340, height, steps=4)
    page.mouse.up()
    page.get_by_text("Every sample of this window is drawn.").wait_for()
    low, high = page.evaluate("document.querySelector('#run-curve .js-plotly-plot').layout.xaxis.range")
    time_s = served.door.curves(3).time_s
    inside = int(((time_s >= 3600 * low) & (time_s <= 3600 * high)).sum())
    points, name = drawn(page, "#run-curve")
    assert name == "Pack" and inside <= points <= inside + 2 and thinned[0] <= 1502
    page.get_by_role("button", name="Whole test").click()
    page.get_by_text("Lowest and highest sample of each stretch").wait_for()
    assert drawn(page, "#run-curve") == thinned
    edges = page.evaluate("document.querySelector('#run-curve .js-plotly-plot')._fullLayout.xaxis.range")
    assert edges == pytest.approx([0.0, time_s[-1] / 3600])


def test_run_whose_log_cannot_be_read_again_says_so_and_shows_the_rest(served, page, monkeypatch):
    def broken(_run_id):
        raise InputError("the stored log is damaged", "run 1", "its digest differs", "restore the register from a copy")

    monkeypatch.setattr(served.door._register, "log", broken)
    open_page(page, served, "/run/1")
    page.locator("#run-curve-note .error-panel").wait_for()
    assert "restore the register from a copy" in words(page, "#run-curve-note")
    assert "Weak group" in words(page, ".findings")


def test_run_reading_at_a_typed_time_gives_every_trace_with_unit(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.get_by_label("Read at / h").fill("4")
    page.keyboard.press("Enter")
    page.locator(".readings").wait_for()
    curves = served.door.curves(1)
    row = abs(curves.time_s - 4 * 3600).argmin()
    said = words(page, ".readings")
    assert f"{curves.series[0].value[row]:.3f} V" in said and "°C" in said and " A" in said
    assert "discharge" in words(page, ".readings-head")


def test_run_marked_group_is_kept_in_the_address(served, page):
    def marked():
        return page.evaluate("document.querySelector('#run-curve .js-plotly-plot').data.map(d => d.name).find(n => /marked/.test(n))")

    open_page(page, served, "/run/1?mark=2")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    assert marked() == "Group 2, marked"
    page.locator("#run-mark").click()
    page.get_by_role("option", name="group 7", exact=True).click()
    page.wait_for_url("**/run/1?mark=7")
    page.go_back()
    page.wait_for_url("**/run/1?mark=2")
    expect(page.locator("#run-mark")).to_contain_text("group 2")
    assert served.door.run(1).analysis["limiting_group"] == 4
