"""A register filled from the sample logs, a server over it, and a browser that minds errors and foreign calls."""

from __future__ import annotations

import logging
import os
import random
import threading
import time
from copy import deepcopy
from functools import cache
from pathlib import Path

import pytest

from tests import places

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]
STRAIN = float(os.environ.get("BROWSER_STRAIN", "0"))
"""How many times slower the browser is made on purpose; answers of the server then come late and out of order too (0: neither)."""
STRAIN_DELAY_S = 0.3
PATIENCE_MS = 60_000 * max(STRAIN, 1.0)
"""How long anything on a page is waited for: a laptop under load is slow, not wrong."""
# Run 1 fails (weak group 4), run 2 passes after its replacement, run 3 is the sister pack.
RUNS = (
    ("ebike-10s4p-before-repair.csv", "ebike-0412.toml", "before repair"),
    ("ebike-10s4p-after-repair.csv", "ebike-0412.toml", "after repair"),
    ("ebike-10s4p-sister.csv", "ebike-0415.toml", "sister pack"),
)


def fill(path):
    """Add the three e-bike sample logs to a register."""
    from cycler.criteria import load_criteria
    from cycler.pack import load_pack
    from cycler.register import Register
    from cycler.workflow import add_logs

    with Register.open(path) as register:
        for log, pack, label in RUNS:
            source = (log, (SAMPLES / log).read_bytes())
            add_logs(register, [source], load_pack(SAMPLES / "packs" / pack), label, load_criteria())


def overcharged_log():
    """The sister pack's log with group 2, and the pack with it, up to 0.16 V higher the fuller it is, so that it passes 4.25 V: invented."""
    lines = (SAMPLES / "ebike-10s4p-sister.csv").read_text("utf-8-sig").splitlines()
    rows = [lines[0]]
    for line in lines[1:]:
        cells = line.split(";")
        volts = float(cells[4].replace(",", "."))
        more = 0.16 * min(max((volts - 3.7) / 0.45, 0.0), 1.0)
        pack = float(cells[1].replace(",", "."))
        cells[4], cells[1] = (f"{value + more:.3f}".replace(".", ",") for value in (volts, pack))
        rows.append(";".join(cells))
    return "\n".join(rows).encode()


def add_overcharged(path):
    """Add a run with a danger finding (group 2) to a register; returns its number."""
    from cycler.criteria import load_criteria
    from cycler.register import Register
    from cycler.workflow import keep_run

    pack, sources, analysis = _overcharged()
    with Register.open(path) as register:
        return keep_run(register, sources, pack, "overcharged", deepcopy(analysis), load_criteria())


@cache
def _overcharged():
    """Pack, log and analysis of the run with a danger, worked out once."""
    from cycler.criteria import load_criteria
    from cycler.pack import load_pack
    from cycler.workflow import analyse_sources

    pack, sources = load_pack(SAMPLES / "packs" / "ebike-0415.toml"), [("overcharged.csv", overcharged_log())]
    return pack, sources, analyse_sources(sources, pack, load_criteria())[1].to_dict()


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """Path of a register with three runs; never written to by a test."""
    path = tmp_path_factory.mktemp("filled") / "register.sqlite"
    fill(path)
    return path


@pytest.fixture(scope="session")
def door(filled):
    """The pages' door to the filled register."""
    from dashboard.data import Door

    opened = Door(filled)
    yield opened
    opened.close()


@pytest.fixture
def own(filled, tmp_path):
    """A copy of the filled register: its door, and the register to write in."""
    from cycler.register import Register
    from dashboard.data import Door

    file = tmp_path / "own.sqlite"
    places.copied(filled, file)
    with Register.open(file) as kept:
        opened = Door(file, tmp_path / "key.pem")
        yield opened, kept
        opened.close()


def strained(application):
    """The application, or one whose answers to the pages' calls come late and out of order, to bring out races of pages and tests."""
    if not STRAIN:
        return application

    def late(environ, start_response):
        if environ["PATH_INFO"] == "/_dash-update-component" and random.random() < 0.5:
            time.sleep(random.uniform(0.0, STRAIN * STRAIN_DELAY_S))
        return application(environ, start_response)

    return late


class Served:
    """A running server: its address, and the door to look behind the pages."""

    def __init__(self, path, **options):
        from werkzeug.serving import make_server

        from dashboard.app import create_app

        logging.getLogger("werkzeug").setLevel(logging.ERROR)
        self.app = create_app(path, **options)
        self.door = self.app.server.extensions["dashboard_door"]
        self._server = make_server("127.0.0.1", 0, strained(self.app.server), threaded=True)
        self.address = f"http://127.0.0.1:{self._server.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def close(self):
        self._server.shutdown()
        self._thread.join(timeout=10)
        self.door.close()


@pytest.fixture
def served(filled, tmp_path):
    """A server over a copy of the filled register, so that a test may add to it."""
    copy = tmp_path / "register.sqlite"
    places.copied(filled, copy)
    server = Served(copy)
    yield server
    server.close()


@pytest.fixture
def served_empty(tmp_path):
    """A server over an empty register."""
    server = Served(tmp_path / "empty.sqlite", upload_bytes_max=3_000_000)
    yield server
    server.close()


def no_browser(reason):
    """Skip with the reason, or fail where a browser is a must."""
    if os.environ.get("REQUIRE_BROWSER") == "1":
        pytest.fail(f"REQUIRE_BROWSER is set, but {reason}")
    pytest.skip(f"{reason}; the browser tests need Chromium (set CHROMIUM to its path)")


@pytest.fixture(scope="session")
def browser():
    """Chromium, headless."""
    if not Path(CHROMIUM).exists():
        no_browser(f"there is no Chromium at {CHROMIUM}")
    try:
        from playwright.sync_api import expect, sync_playwright
    except ImportError:
        no_browser("playwright is not installed")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


class Watched:
    """What a page did that it must not do: errors on its console, calls to any other host."""

    def __init__(self, page):
        self.errors = []
        self.hosts = set()
        page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", self._note)

    def _note(self, request):
        if not request.url.startswith(("http://127.0.0.1:", "data:", "blob:")):
            self.hosts.add(request.url)


@pytest.fixture
def page(browser):
    """A page of 1280 x 800 that fails its test on a console error or a call to another host."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
    opened = context.new_page()
    opened.set_default_timeout(PATIENCE_MS)
    opened.watched = Watched(opened)
    if STRAIN:
        context.new_cdp_session(opened).send("Emulation.setCPUThrottlingRate", {"rate": STRAIN})
    yield opened
    context.close()
    assert opened.watched.hosts == set()
    assert opened.watched.errors == []
