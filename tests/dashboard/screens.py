"""Pictures of every page, made from the invented demonstration.

    python -m tests.dashboard.screens --to FOLDER [--register FILE] [--sizes 1280x800,1024x768] [--schemes light,dark] [--paper]

Writes PAGE-WIDTH-SCHEME.png for every page, size and colour scheme, and with ``--paper`` PAGE.pdf as it is printed on A4. Without
``--register`` the demonstration is made anew in a scratch folder; a register that is named is copied, never written to. To be
looked at by eye: tests cannot tell whether a page is calm. Needs Chromium, as the browser tests do.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from tests.dashboard.conftest import ARGUMENTS, CHROMIUM, SAMPLES, Served
from tests.dashboard.job_cases import begin_sample
from tests.dashboard.walking import drop

SIZES = "1280x800,1024x768,800x1280,390x844"
PAGES = {
    "register-packs": "/?view=packs",
    "register-runs": "/?view=runs",
    "add": "/add",
    "run": "/run/1",
    "run-pass": "/run/2",
    "run-without-taps": "/run/9",
    "decision-fail": "/run/1/verdict",
    "decision-pass": "/run/2/verdict",
    "decision-not-proven": "/run/5/verdict",
    "compare": "/compare?runs=1,2,3",
    "compare-none": "/compare",
    "pack": "/pack/EB-0412",
    "jobs": "/jobs",
    "job": "/job/1",
    "bench-sheet": "/job/1/sheet",
    "options": "/job/1/options",
    "bench": "/bench",
    "test-plan": "/bench/plan",
    "donor-board": "/bench/donor",
    "cells": "/bench/cells",
    "no-such-run": "/run/99",
    "no-such-page": "/nowhere",
}


# Figures are drawn a moment after their data came: all of them have to have lines, for ten seconds at most.
DRAWN = """async () => { const end = performance.now() + 10000, next = () => new Promise(done => requestAnimationFrame(done));
    const empty = () => Array.from(document.querySelectorAll('.dash-graph')).some(e => e.checkVisibility() && !e.querySelector('.main-svg .plot'));
    for (let calm = 0; calm < 30 && performance.now() < end; calm = empty() ? 0 : calm + 1) await next(); }"""


def settled(page: Page) -> None:
    """Until nothing is asked any more and everything is drawn."""
    page.wait_for_selector("h1")
    page.wait_for_load_state("networkidle")
    page.evaluate(DRAWN)


def adding(page: Page, address: str) -> Iterator[str]:
    """The page for adding with a log on it: as it opens, and with its columns unfolded."""
    page.goto(f"{address}/add")
    settled(page)
    drop(page, [SAMPLES / "ebike-10s4p-before-repair.csv"])
    page.locator(".look").first.wait_for()
    settled(page)
    yield "add-with-file"
    fold = page.locator(".columns-fold summary").first
    if fold.is_visible():
        fold.click()
        page.locator(".column-row:not(.column-head)").first.wait_for()
        settled(page)
        yield "add-columns"


def pictures(browser: Browser, address: str, empty: str, folder: Path, size: tuple[int, int], scheme: str) -> None:
    """All pages at one size in one colour scheme."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
    page = context.new_page()

    def keep(name: str) -> None:
        page.screenshot(path=folder / f"{name}-{size[0]}-{scheme}.png", full_page=True)

    for name, path in PAGES.items():
        page.goto(address + path)
        settled(page)
        keep(name)
    page.goto(empty)
    settled(page)
    keep("register-empty")
    for name in adding(page, address):
        keep(name)
    context.close()


def papers(browser: Browser, address: str, folder: Path) -> None:
    """All pages as they are printed."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    for name, path in PAGES.items():
        page.goto(address + path)
        settled(page)
        page.pdf(path=folder / f"{name}.pdf", prefer_css_page_size=True, print_background=True)
    page.close()


def demo_register(folder: Path) -> Path:
    """The register of the demonstration, made in ``folder``."""
    from cycler.demo import run_demo

    folder.mkdir(parents=True, exist_ok=True)
    return Path(run_demo(folder).register)


def with_job(register: Path) -> None:
    """Begin a job on the register's copy if it has none, so that its pages can be shown."""
    from cycler.register import Register

    with Register.open(register) as opened:
        if not opened.jobs.jobs():
            begin_sample(opened)


def main(arguments: list[str] | None = None) -> None:
    """Make the pictures."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--to", type=Path, required=True, help="folder for the pictures; made if there is none")
    parser.add_argument("--register", type=Path, help="register to show instead of the demonstration's")
    parser.add_argument("--sizes", default=SIZES, help=f"WIDTHxHEIGHT, parted by commas ({SIZES})")
    parser.add_argument("--schemes", default="light,dark")
    parser.add_argument("--paper", action="store_true", help="also print every page to PDF")
    chosen: Any = parser.parse_args(arguments)
    sizes = [tuple(int(side) for side in size.split("x")) for size in chosen.sizes.split(",")]
    chosen.to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "shown.sqlite"
        shutil.copy(chosen.register or demo_register(Path(scratch) / "demo"), copy)
        with_job(copy)
        served, empty = Served(copy), Served(Path(scratch) / "empty.sqlite")
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
                for size in sizes:
                    for scheme in chosen.schemes.split(","):
                        pictures(browser, served.address, empty.address, chosen.to, size, scheme)
                if chosen.paper:
                    papers(browser, served.address, chosen.to)
                browser.close()
        finally:
            served.close()
            empty.close()
    print(f"{len(list(chosen.to.iterdir()))} pictures in {chosen.to}")


if __name__ == "__main__":
    main()
