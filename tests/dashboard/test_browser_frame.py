"""All pages in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import pytest

from .conftest import SAMPLES
from .walking import BEFORE, drop, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def tab_to(page, wanted, most=120):
    """Press Tab until what has the focus matches; every stop on the way has to be seen."""
    for _ in range(most):
        page.keyboard.press("Tab")
        here = page.evaluate(
            "w => { const e = document.activeElement, s = getComputedStyle(e), o = getComputedStyle(e.closest('.dash-input-container, .table-scroll, label') || e);"
            " return [e.matches(w), [s, getComputedStyle(e, '::after')].some(x => x.outlineStyle !== 'none') || o.outlineStyle !== 'none' || e.matches('iframe, .dash-dropdown'), e.outerHTML.slice(0, 120)]; }",
            wanted,
        )
        assert here[1], f"the focus cannot be seen on {here[2]}"
        if here[0]:
            return
    raise AssertionError(f"Tab never reaches {wanted}")


def test_main_path_works_with_the_keyboard_alone(served, page):
    """Register, run, verdict and compare with Tab, Enter and Space; the focus goes on from the heading of each page."""
    open_page(page, served, "/?view=runs")
    page.wait_for_selector(".register-table table")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip-link"
    page.keyboard.press("Enter")
    expect(page.locator("#content")).to_be_focused()
    tab_to(page, '.register-table a[href="/run/1"]')
    page.keyboard.press("Enter")
    page.wait_for_selector(".key-figures")
    expect(page.locator("h1")).to_be_focused()
    tab_to(page, 'a[href^="/run/1/verdict"]')
    page.keyboard.press("Enter")
    page.wait_for_url("**/run/1/verdict*")
    page.locator("#verdict-body *").first.wait_for()
    expect(page.locator("h1")).to_be_focused()
    page.go_back()
    page.go_back()
    page.wait_for_selector(".register-table table")
    expect(page.locator("h1")).to_be_focused()
    for run in (1, 2):
        tab_to(page, ".register-table input[type=checkbox]:not(:checked)")
        page.keyboard.press("Space")
        expect(page.locator(".register-table input[type=checkbox]:checked")).to_have_count(run)
    page.locator(".compare-row a").wait_for()
    page.locator("h1").focus()
    tab_to(page, ".compare-row a")
    page.keyboard.press("Enter")
    page.wait_for_url("**/compare?*")
    expect(page.locator("h1")).to_be_focused()


def test_text_from_files_is_never_markup(served_empty, page, tmp_path):
    # A label and a heading that would run as script if the page put them in unescaped.
    sly = "<img src=x onerror=alert(1)>"
    log = tmp_path / "sly.csv"
    log.write_text(BEFORE.read_text(encoding="utf-8-sig").replace("Ablauf", sly, 1), encoding="utf-8")
    open_page(page, served_empty, "/add")
    drop(page, [log, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_label("Label of the test").fill(sly)
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/1")
    page.wait_for_selector(".key-figures")
    assert sly in words(page, "h1")
    assert page.locator("img[src=x]").count() == 0


def test_printed_run_leaves_out_what_only_works_on_screen(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.emulate_media(media="print")
    assert not page.locator(".masthead").is_visible()
    assert not page.locator("#run-whole").is_visible()
    assert page.locator(".key-figures").is_visible() and page.locator("#run-curve").is_visible()


def ground(page):
    return page.evaluate("getComputedStyle(document.body).backgroundColor")


LIGHT, DARK = "rgb(246, 245, 241)", "rgb(20, 24, 27)"


def test_colours_follow_the_system_until_they_are_chosen_and_the_choice_is_kept(served, page):
    page.emulate_media(color_scheme="dark")
    open_page(page, served)
    assert ground(page) == DARK
    page.emulate_media(color_scheme="light")
    page.locator("html[data-scheme=light]").wait_for(state="attached")
    assert ground(page) == LIGHT
    page.locator(".display summary").click()
    page.get_by_role("button", name="Dark", exact=True).click()
    assert ground(page) == DARK
    expect(page.locator(".display summary")).to_be_focused()
    # Kept, and in force before anything is painted: the mark is there when the head has been read.
    page.reload(wait_until="commit")
    page.locator("html[data-scheme=dark]").wait_for(state="attached")
    page.wait_for_selector("h1")
    assert ground(page) == DARK
    page.emulate_media(media="print")
    assert ground(page) == "rgb(255, 255, 255)"
    page.emulate_media(media="screen")
    page.locator(".display summary").press("Enter")
    chosen = page.locator(".display [aria-pressed=true]")
    expect(chosen).to_have_text("Dark")
    page.keyboard.press("Escape")
    expect(chosen).to_be_hidden()
    page.locator(".display summary").press("Enter")
    page.get_by_role("button", name="As the system").click()
    assert ground(page) == LIGHT


def test_figures_take_their_ink_from_the_scheme(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    inks = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.locator(f"html[data-scheme={scheme}]").wait_for(state="attached")
        inks.append(page.evaluate("getComputedStyle(document.querySelector('#run-curve .xtick text')).fill"))
    assert inks == ["rgb(28, 34, 38)", "rgb(233, 231, 224)"]


def test_motion_is_left_out_where_the_system_asks_for_it(served, page):
    page.emulate_media(reduced_motion="reduce")
    open_page(page, served)
    page.evaluate("() => { const e = document.createElement('p'); e.className = 'busy'; e.id = 'probe'; e.textContent = 'x'; document.querySelector('.content').append(e); }")
    assert page.evaluate("getComputedStyle(document.getElementById('probe'), '::before').animationIterationCount") == "1"


def test_shapes_keep_their_filling_under_forced_colours(served, page):
    page.emulate_media(forced_colors="active")
    open_page(page, served, "/?view=runs")
    page.wait_for_selector(".register-table .shape")
    filled = page.evaluate("Array.from(document.querySelectorAll('.register-table .shape-fail, .register-table .shape-pass')).map(e => [getComputedStyle(e).backgroundColor, getComputedStyle(document.body).backgroundColor])")
    assert filled and all(shape != behind for shape, behind in filled)
