"""All pages in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import pytest

from .conftest import SAMPLES
from .walking import BEFORE, drop, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_pages_work_with_the_keyboard_alone(served, page):
    open_page(page, served)
    page.wait_for_selector(".run-table")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip-link"
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "strong-link":
            break
    page.keyboard.press("Enter")
    page.wait_for_selector(".key-figures")


def test_text_from_files_is_never_markup(served_empty, page, tmp_path):
    # A label and a heading that would run as script if the page put them in unescaped.
    sly = "<img src=x onerror=alert(1)>"
    log = tmp_path / "sly.csv"
    log.write_text(BEFORE.read_text(encoding="utf-8-sig").replace("Ablauf", sly, 1), encoding="utf-8")
    open_page(page, served_empty)
    drop(page, [log, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_label("Label of the run").fill(sly)
    page.get_by_role("button", name="Add run").click()
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


def test_dark_page_follows_the_system(browser, served):
    context = browser.new_context(color_scheme="dark")
    dark = context.new_page()
    dark.goto(served.address)
    dark.wait_for_selector(".run-table")
    assert dark.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 24, 27)"
    context.close()
