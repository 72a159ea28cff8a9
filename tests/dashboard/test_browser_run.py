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
    page.locator(".group-bars .js-plotly-plot").nth(3).wait_for()
    assert page.locator(".group-bars .js-plotly-plot").count() == 4  # of the leak stands why it is not known
    assert "Leak at rest" in words(page, ".bars-none") and "too short" in words(page, ".bars-none")
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


def shown(page):
    """Window of the curve as the browser has it."""
    return page.evaluate("document.querySelector('#run-curve .js-plotly-plot')._fullLayout.xaxis.range")


def marked(page):
    return page.evaluate("document.querySelector('#run-curve .js-plotly-plot').data.map(d => d.name).find(n => /marked/.test(n))")


def opened(page, served, path):
    open_page(page, served, path)
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")


def test_run_finding_is_shown_in_the_curve_by_its_button(served, page):
    opened(page, served, "/run/1?mark=none")
    assert marked(page) is None
    flags = page.locator("#run-curve .annotation-text").all_text_contents()
    listed = page.locator(".finding-number").all_text_contents()
    assert listed == ["1", "2", "3", "4"] and [flag.split("\u2009")[1] for flag in flags] == listed
    button = page.get_by_role("button", name="Show finding 2, High resistance group 4, in the curve")
    button.focus()
    page.keyboard.press("Enter")
    page.get_by_text("Shown: finding 2, High resistance").wait_for()
    expect(page.locator(".finding-shown .finding-name")).to_contain_text("High resistance")
    page.wait_for_function("() => document.querySelector('#run-curve .js-plotly-plot').data.some(d => /^Group 4, marked/.test(d.name))")
    at_h = served.door.run(1).analysis["resistance"]["headline"]["at_s"] / 3600
    low, high = shown(page)
    assert low < at_h < high and high - low < 0.05
    assert button.evaluate("own => own === document.activeElement")
    # Only the flag of the place that is shown is in sight.
    assert page.locator("#run-curve .annotation-text").all_text_contents() == ["\u25c6\u20092"]
    page.get_by_role("button", name="Whole test").press("Enter")
    page.get_by_text("Lowest and highest sample of each stretch").wait_for()
    expect(page.locator(".finding-shown")).to_have_count(0)


def test_run_flag_in_the_curve_leads_to_its_place(served, page):
    opened(page, served, "/run/1")
    page.locator("#run-curve .annotation-text-g").filter(has_text="\u20092").click()
    page.get_by_text("Shown: finding 2, High resistance").wait_for()


def test_run_buttons_zoom_and_move_the_window_by_keyboard(served, page):
    opened(page, served, "/run/1")
    end_h = served.door.curves(1).duration_s / 3600
    assert shown(page) == pytest.approx([0.0, end_h])
    for name, window in (("Zoom in", [0.25, 0.75]), ("Later", [0.5, 1.0]), ("Earlier", [0.25, 0.75]), ("Zoom out", [0.0, 1.0])):
        page.get_by_role("button", name=name, exact=True).press("Enter")
        page.wait_for_function(
            "([low, high]) => { const r = document.querySelector('#run-curve .js-plotly-plot')._fullLayout.xaxis.range;"
            " return Math.abs(r[0] - low) < 1e-3 && Math.abs(r[1] - high) < 1e-3; }", arg=[end_h * edge for edge in window],
        )
    # All of them are reached by Tab, before the group that is marked.
    page.get_by_role("button", name="Zoom in", exact=True).focus()
    reached = []
    for _ in range(5):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id"))
    assert reached[:4] == ["run-out", "run-left", "run-right", "run-whole"]


def test_run_axis_of_charge_is_kept_in_the_address(served, page):
    opened(page, served, "/run/1")
    page.get_by_text("over Ah").click()
    page.wait_for_url("**/run/1?along=ah")
    page.locator("#run-curve .g-xtitle", has_text="Charge moved since the first sample / Ah").wait_for()
    assert shown(page) == pytest.approx([0.0, float(served.door.curves(1).moved_ah()[-1])])
    opened(page, served, "/run/1?along=ah&mark=2")
    assert "Ah" in page.locator("#run-curve .g-xtitle").text_content() and marked(page) == "Group 2, marked"
    page.get_by_text("over time").click()
    page.wait_for_url("**/run/1?mark=2")
    page.go_back()
    page.wait_for_url("**/run/1?along=ah&mark=2")
    page.locator("#run-curve .g-xtitle", has_text="Charge moved").wait_for()


def test_run_bar_of_a_group_marks_it_in_the_curve(served, page):
    opened(page, served, "/run/1")
    bar = page.locator(".group-bars .js-plotly-plot").first.locator(".points .point").nth(6)
    bar.scroll_into_view_if_needed()
    box = bar.bounding_box()
    page.mouse.move(box["x"] + 4, box["y"] + 20)
    page.locator(".group-bars .hovertext").first.wait_for()
    page.mouse.click(box["x"] + 5, box["y"] + 20)
    page.wait_for_url("**/run/1?mark=7")
    page.wait_for_function("() => document.querySelector('#run-curve .js-plotly-plot').data.some(d => /^Group 7, marked/.test(d.name))")


def test_run_charge_per_volt_is_worked_out_when_it_is_opened(served, page, monkeypatch):
    asked = []
    own = served.door.incremental
    monkeypatch.setattr(served.door, "incremental", lambda *given: asked.append(given) or own(*given))
    opened(page, served, "/run/1")
    expect(page.locator(".curve-pair")).to_have_count(0)
    assert asked == []
    page.locator("#run-incremental-open").press("Enter")
    page.locator(".curve-pair .js-plotly-plot").first.wait_for()
    assert asked


def test_run_curve_and_findings_are_seen_first_and_nothing_moves_when_they_arrive(served, page):
    """Layout shift as the browser itself counts it (Layout Instability API; 0.1 is its bound for "good", from memory)."""
    for width, height in ((1280, 800), (1024, 768)):
        page.set_viewport_size({"width": width, "height": height})
        page.add_init_script(
            "window.shifted = 0; new PerformanceObserver(list => { for (const e of list.getEntries()) { window.shifted += e.value; } })"
            ".observe({ type: 'layout-shift', buffered: true });"
        )
        opened(page, served, "/run/1")
        curve, first = page.locator("#run-curve").bounding_box(), page.locator(".finding").first.bounding_box()
        assert curve["y"] + 0.9 * curve["height"] < height and first["y"] + first["height"] < height
        assert first["x"] > curve["x"] + curve["width"]  # beside, not below
        assert page.locator(".key-figures").bounding_box()["y"] < curve["y"]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        before = page.evaluate("document.querySelector('.group-bars').getBoundingClientRect().top")
        page.get_by_role("button", name="Zoom in", exact=True).click()
        page.wait_for_function("() => document.querySelector('#run-curve .js-plotly-plot')._fullLayout.xaxis.range[0] > 1")
        assert abs(page.evaluate("document.querySelector('.group-bars').getBoundingClientRect().top") - before) <= 30
        assert page.evaluate("window.shifted") < 0.1


def test_run_copy_of_the_curve_does_not_hide_damage_of_the_log(served, page, monkeypatch):
    served.door.curves(1)  # in memory now, as from a copy

    def broken(_run_id):
        raise InputError("the register is damaged", "register", "the log 1a2b does not agree with its digest", "restore it from a backup")

    monkeypatch.setattr(served.door._register, "raw_sources", broken)
    opened(page, served, "/run/1")
    page.locator("#run-log-state .error-panel").wait_for()
    assert "own copy" in words(page, "#run-log-state") and "restore it from a backup" in words(page, "#run-log-state")


def test_run_marked_group_is_kept_in_the_address(served, page):
    open_page(page, served, "/run/1?mark=2")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    assert marked(page) == "Group 2, marked"
    page.locator("#run-mark").click()
    page.get_by_role("option", name="group 7", exact=True).click()
    page.wait_for_url("**/run/1?mark=7")
    page.go_back()
    page.wait_for_url("**/run/1?mark=2")
    expect(page.locator("#run-mark")).to_contain_text("group 2")
    assert served.door.run(1).analysis["limiting_group"] == 4


@pytest.mark.parametrize("width", [1280, 1190, 1024, 390])
def test_no_figure_of_the_strip_runs_into_its_neighbour(served, page, width):
    page.set_viewport_size({"width": width, "height": 800})
    # The figures of run 1 are bounds, "at least" before each; those of run 2 are the longest without.
    for run in (1, 2) if width == 390 else (1,):
        open_page(page, served, f"/run/{run}")
        page.wait_for_selector(".key-figures")
        out = page.evaluate("""() => Array.from(document.querySelectorAll('.key-figure')).filter(card => Array.from(card.querySelectorAll('span')).some(
            span => span.getBoundingClientRect().right > Math.min(card.getBoundingClientRect().right, card.parentElement.getBoundingClientRect().right) - 2
        )).map(card => card.innerText)""")
        assert (run == 2 or page.locator(".key-figure .unbroken").count() >= 4) and out == []
