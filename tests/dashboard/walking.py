"""What the walks through the pages in a real browser share."""

from __future__ import annotations

from .conftest import SAMPLES

BEFORE = SAMPLES / "ebike-10s4p-before-repair.csv"
SISTER = SAMPLES / "ebike-10s4p-sister.csv"


def open_page(page, served, path="/"):
    page.goto(served.address + path)
    page.wait_for_selector("h1")


def words(page, selector):
    return page.locator(selector).first.inner_text()


def drop(page, files):
    """Choose files through the page's own button, as a drop does."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files(files)


def drawn(page, selector, trace=0):
    """Points of a trace of a figure as the browser holds them."""
    script = "([s, n]) => { const d = document.querySelector(s + ' .js-plotly-plot')._fullData[n]; return [d.x.length, d.name]; }"
    return page.evaluate(script, [selector, trace])
