"""Every page held against axe-core (rules of WCAG 2.x and good practice) in light and dark, targets, focus, reflow and shifts.

The rules are those of axe-core, which nobody here wrote; faults of impact "serious" and "critical" fail.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from .conftest import Served, add_overcharged
from .job_cases import WHO, begin_sample
from .walking import BEFORE, WIDEST, drop, open_page

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

GRAVE = ("serious", "critical")
PAGES = {
    "register, runs": ("/?view=runs", ".register-table table"),
    "register, packs": ("/?view=packs", ".register-table table"),
    "add": ("/add", ".drop-zone"),
    "run": ("/run/1", "#run-curve .scatterlayer path.js-line"),
    "run with a danger": ("/run/4", "#run-curve .scatterlayer path.js-line"),
    "decision": ("/run/1/verdict", "#verdict-body *"),
    "compare": ("/compare?runs=1,2", "#compare-curve .scatterlayer path.js-line"),
    "compare without runs": ("/compare", "h1"),
    "pack": ("/pack/EB-0412", "h1"),
    "jobs": ("/jobs", ".job-row"),
    "job": ("/job/1", ".steps"),
    "bench sheet": ("/job/1/sheet", "h1"),
    "options": ("/job/1/options", "h1"),
    "bench": ("/bench", "h1"),
    "test plan": ("/bench/plan", "h1"),
    "donor board": ("/bench/donor", "h1"),
    "cells": ("/bench/cells", "h1"),
    "no such run": ("/run/99", ".error-panel"),
    "no such page": ("/nowhere", ".empty-state"),
}


def axe_script():
    """The text of axe.min.js as it comes with the package for tests."""
    found = importlib.util.find_spec("axe_playwright_python")
    assert found is not None and found.submodule_search_locations, "install the test extra: axe-playwright-python"
    return (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8")


def quiet(page):
    """Until nothing is being asked of the program any more."""
    page.wait_for_load_state("networkidle")


def faults(page, only=None):
    """Grave faults in words: which rule, where, why. The script is put in by the browser's own tools, not by the page.

    ``only``: rules to look at; all of them if not given.
    """
    if not page.evaluate("typeof window.axe === 'object'"):
        page.evaluate(axe_script())
    found = page.evaluate(
        "async only => (await axe.run(document, {resultTypes: ['violations'], ...(only ? {runOnly: only} : {})})).violations.map(v => ({id: v.id, impact: v.impact,"
        " help: v.help, where: v.nodes.slice(0, 4).map(n => n.target.join(' ') + ' | ' + n.html.slice(0, 160) + ' | ' +"
        " (n.any.concat(n.all, n.none)[0] || {}).message)}))",
        only,
    )
    return [f"{v['impact']}: {v['id']}: {v['help']}\n    " + "\n    ".join(v["where"]) for v in found if v["impact"] in GRAVE]


@pytest.fixture(scope="module")
def kept(filled, tmp_path_factory):
    """A server over four runs, one of them with a danger, and a job with a kept sheet, for walks that only look."""
    import shutil

    from cycler.register import Register

    copy = tmp_path_factory.mktemp("access") / "register.sqlite"
    shutil.copy(filled, copy)
    add_overcharged(copy)
    with Register.open(copy) as register:
        register.jobs.write(begin_sample(register), "work", "group 5 replaced", who=WHO)
    server = Served(copy)
    yield server
    server.close()


SIZES = ((1280, 800), (1024, 768), (800, 1280), (390, 844))
SHIFTS = """window.shifts = []; new PerformanceObserver(list => { for (const e of list.getEntries()) if (!e.hadRecentInput)
    window.shifts.push([e.value, e.sources.map(s => s.node && (s.node.className || s.node.nodeName)).join(',')]); })
    .observe({type: 'layout-shift', buffered: true});"""
SMALL = """least => Array.from(document.querySelectorAll(
    'button, summary, a[href], input, select, textarea, [role=button], [role=option]')).filter(e => {
      if (!e.checkVisibility({visibilityProperty: true, opacityProperty: true}) || e.closest('.for-readers, .skip-link, .js-plotly-plot')) return false;
      if (e.matches('p a, li a, dd a, .hint a, figcaption a') || (e.matches('input') && e.closest('label'))) return false;
      const box = (e.matches('input') ? e.closest('.dash-input-container') || e : e).getBoundingClientRect();
      return box.width > 0 && (box.width < least - 0.5 || box.height < least - 0.5);
    }).map(e => e.outerHTML.slice(0, 130) + ' ' + Math.round(e.getBoundingClientRect().width) + 'x' + Math.round(e.getBoundingClientRect().height))"""
LETTERS = """() => Array.from(document.querySelectorAll('.frame *')).filter(e => e.checkVisibility() && !e.closest('svg') &&
    Array.from(e.childNodes).some(n => n.nodeType === 3 && n.data.trim())).map(e => [parseFloat(getComputedStyle(e).fontSize), e.outerHTML.slice(0, 120)])"""


def over_wide(page):
    """Sizes at which the page itself has to be scrolled sideways, with what sticks out furthest."""
    found = {}
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        over, which = page.evaluate(WIDEST)
        if over > 0:
            found[f"{width} x {height}"] = (over, which)
    page.set_viewport_size({"width": 1280, "height": 800})
    return found


@pytest.fixture(scope="module")
def seen(kept, browser):
    """What was found on each page in one walk: faults in light and dark, shifts, widths, targets and letters."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme="light")
    page = context.new_page()
    page.add_init_script(SHIFTS)
    found = {}
    for name, (path, ready) in PAGES.items():
        open_page(page, kept, path)
        page.wait_for_selector(ready)
        quiet(page)
        here = found[name] = {"shifts": page.evaluate("window.shifts"), "light": faults(page), "small": page.evaluate(SMALL, 24)}
        here["letters"] = page.evaluate(LETTERS)
        here["body"] = page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)")
        page.emulate_media(color_scheme="dark")
        page.locator("html[data-scheme=dark]").wait_for(state="attached")
        here["dark"] = faults(page, only=["color-contrast"])
        page.emulate_media(color_scheme="light")
        here["over"] = over_wide(page)
    context.close()
    return found


def told(seen, what):
    """One line for each thing found, with its page."""
    return "\n".join(f"{name}: {one}" for name, here in seen.items() for one in here[what])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_have_no_grave_fault(seen, scheme):
    assert len(seen) == len(PAGES)
    assert not told(seen, scheme), told(seen, scheme)


def test_pages_need_no_sideways_scroll(seen):
    assert {name: here["over"] for name, here in seen.items() if here["over"]} == {}


def test_pages_do_not_shift_while_they_load(seen):
    """Cumulative layout shift below 0.1: the limit commonly called good, from memory."""
    assert {name: here["shifts"] for name, here in seen.items() if sum(value for value, _where in here["shifts"]) >= 0.1} == {}


def test_what_is_pressed_is_large_enough(seen):
    """24 px: WCAG 2.2, 2.5.8, with its exception of links in a sentence."""
    assert not told(seen, "small"), told(seen, "small")


def test_text_is_large_enough_to_read_at_arms_length(seen):
    """Body text of 16 px, key figures no smaller, and nothing below 14 px: common practice, no source."""
    for name, here in seen.items():
        assert here["body"] >= 16, name
        assert min(here["letters"])[0] >= 14, (name, min(here["letters"]))
        assert min([size for size, where in here["letters"] if 'class="figure"' in where], default=16) >= 16, name


def test_what_a_glove_presses_is_44_px(kept, browser):
    """44 px: WCAG 2.2, 2.5.5, where the pointer is coarse."""
    context = browser.new_context(viewport={"width": 1024, "height": 768}, has_touch=True, is_mobile=True)
    page = context.new_page()
    found = {}
    for name in ("register, runs", "add", "run", "decision", "compare", "pack", "jobs", "job", "no such run"):
        path, ready = PAGES[name]
        open_page(page, kept, path)
        page.wait_for_selector(ready)
        quiet(page)
        assert page.evaluate("matchMedia('(pointer: coarse)').matches")
        found[name] = {"small": page.evaluate(SMALL, 44)}
    context.close()
    assert not told(found, "small"), told(found, "small")


def test_adding_has_no_grave_fault_with_a_file_and_the_columns_open(served_empty, page):
    open_page(page, served_empty)
    quiet(page)
    found = faults(page)
    open_page(page, served_empty, "/add")
    drop(page, [BEFORE])
    page.locator(".look").wait_for()
    page.locator(".columns-fold summary").first.click()
    page.locator(".column-row:not(.column-head)").first.wait_for()
    quiet(page)
    found += faults(page)
    found += page.evaluate(SMALL, 24)
    page.emulate_media(color_scheme="dark")
    page.locator("html[data-scheme=dark]").wait_for(state="attached")
    found += faults(page, only=["color-contrast"])
    assert not found, "\n".join(found)
    assert over_wide(page) == {}
