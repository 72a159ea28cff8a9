"""What the pages do when something is not as it should be: no program, another program, no register, sly names, two tabs."""

from __future__ import annotations

import shutil
import threading

import pytest

from cycler.register import Register

from .conftest import PATIENCE_MS, SAMPLES, Served
from .walking import BEFORE, WIDEST, drop, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

BAR = "#standing"


class Away:
    """A server that can be stopped and started again at the same address."""

    def __init__(self, path):
        self.path = path
        self.served = Served(path)
        self.port = int(self.served.address.rsplit(":", 1)[1])
        self.address = self.served.address

    def stop(self):
        self.served._server.server_close()
        self.served.close()

    def start(self, path=None):
        from werkzeug.serving import make_server

        from dashboard.app import create_app

        served = object.__new__(Served)
        served.app = create_app(path or self.path)
        served.door = served.app.server.extensions["dashboard_door"]
        served._server = make_server("127.0.0.1", self.port, served.app.server, threaded=True)
        served.address = self.address
        served._thread = threading.Thread(target=served._server.serve_forever, daemon=True)
        served._thread.start()
        self.served = served


@pytest.fixture
def away(filled, tmp_path):
    copy = tmp_path / "register.sqlite"
    shutil.copy(filled, copy)
    server = Away(copy)
    yield server
    server.stop()


@pytest.fixture
def tab(browser):
    """A page whose console may tell of calls that failed; nothing else may go wrong on it."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    opened = context.new_page()
    opened.set_default_timeout(PATIENCE_MS)
    trouble = []
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.on("dialog", lambda dialog: trouble.append(f"dialog: {dialog.message}"))
    yield opened
    context.close()
    assert [line for line in trouble if "Failed to fetch" not in line] == []


def test_program_that_does_not_answer_is_told_and_the_bar_goes_when_it_is_back(away, tab):
    open_page(tab, away)
    tab.locator(".register-table table").wait_for()
    away.stop()
    tab.get_by_role("link", name="Compare", exact=True).click()
    bar = tab.locator(BAR)
    expect(bar).to_contain_text("does not answer")
    expect(bar).to_contain_text("start the program again")
    assert bar.get_attribute("role") == "status"
    away.start()
    # The page that was asked for comes by itself, and the bar goes by itself.
    expect(tab.locator("h1")).to_have_text("Compare runs")
    expect(bar).to_be_hidden()
    assert tab.url.endswith("/compare")


def test_program_started_over_another_register_asks_to_load_again_and_keeps_what_was_typed(away, tab, tmp_path):
    open_page(tab, away)
    tab.locator(".register-table table").wait_for()
    search = tab.locator("#register-search")
    away.stop()
    search.fill("EB-04")
    search.press("Enter")
    expect(tab.locator(BAR)).to_contain_text("does not answer")
    other = tmp_path / "other.sqlite"
    shutil.copy(away.path, other)
    away.start(other)
    expect(tab.locator(BAR)).to_contain_text("Load the page again before you go on")
    expect(search).to_have_value("EB-04")  # it did not load by itself
    tab.get_by_role("button", name="Load the page again").click()
    tab.locator(".register-table table").wait_for()
    expect(tab.locator("#register-search")).to_have_value("EB-04")
    expect(tab.locator(BAR)).to_be_hidden()


def test_nothing_is_polled_while_all_is_well(served, page):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    open_page(page, served)
    page.locator(".register-table table").wait_for()
    page.get_by_role("link", name="Compare", exact=True).click()
    expect(page.locator("h1")).to_have_text("Compare runs")
    page.wait_for_load_state("networkidle")
    assert asked and not [url for url in asked if url.endswith("/alive")]


def test_defect_in_a_callback_shows_words_and_a_mark_but_no_trace(served, tab, monkeypatch):
    def broken(*_args, **_named):
        raise ZeroDivisionError("secret inside")

    answers = []
    open_page(tab, served, "/?view=runs")
    tab.locator(".register-table table").wait_for()
    tab.on("response", lambda answer: answers.append(answer.text()) if "_dash-update" in answer.url else None)
    monkeypatch.setattr(type(served.door), "run", broken)
    tab.locator('.register-table a[href="/run/1"]').first.click()
    tab.locator("#notice .error-panel").wait_for()
    said = words(tab, "#notice")
    assert "a defect of its own" in said and "ZeroDivisionError" in said and "secret inside" not in said
    assert not [answer for answer in answers if "Traceback" in answer or "secret inside" in answer or ".py" in answer]


def test_call_that_the_program_does_not_know_is_told_without_a_trace(served, tab):
    open_page(tab, served)
    tab.locator(".register-table table").wait_for()
    told = tab.evaluate(
        """async () => { const a = await fetch('/_dash-update-component', {method: 'POST', headers: {'Content-Type': 'application/json'},
            body: JSON.stringify({output: 'gone.children', outputs: {id: 'gone', property: 'children'}, inputs: [], changedPropIds: []})});
            return [a.status, await a.text()]; }"""
    )
    assert told[0] == 500 and "Traceback" not in told[1] and ".py" not in told[1]
    expect(tab.locator(BAR)).to_contain_text("met a defect")
    tab.get_by_role("button", name="Hide").click()
    expect(tab.locator(BAR)).to_be_hidden()


def test_register_that_vanished_is_told_is_not_made_anew_and_works_again_when_it_is_back(served, page):
    from pathlib import Path

    file = Path(served.door.register_name)
    away = file.with_name("away.sqlite")
    open_page(page, served, "/?view=runs")
    page.locator(".register-table table").wait_for()
    file.rename(away)
    page.locator('.register-table a[href="/run/1"]').first.click()
    page.locator(".error-panel").first.wait_for()
    assert "the register is no longer there" in words(page, ".error-panel") and "put the file back" in words(page, ".error-panel")
    assert not file.exists()
    away.rename(file)
    page.reload()
    page.locator(".key-figures").first.wait_for()


def test_register_held_by_another_program_is_told_in_words(served, monkeypatch):
    import sqlite3

    from cycler import database
    from cycler.errors import InputError

    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.2)
    holder = sqlite3.connect(served.door.register_name, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        assert served.door.run(1).id == 1  # it can still be read
        with pytest.raises(InputError, match="another program holds the register"):
            served.door._register.withdraw(1, who="A tester", why="to see what is said")
    finally:
        holder.execute("ROLLBACK")
        holder.close()


def test_two_tabs_and_a_reload_do_not_disturb_each_other(served, page):
    open_page(page, served, "/?view=runs")
    page.locator(".register-table table").wait_for()
    second = page.context.new_page()
    second.set_default_timeout(PATIENCE_MS)
    open_page(second, served, "/run/2")
    second.locator(".key-figures").first.wait_for()
    page.locator(".register-table input[type=checkbox]").nth(0).check()
    page.locator(".register-table input[type=checkbox]").nth(1).check()
    page.locator(".compare-row a").wait_for()
    second.goto(served.address + "/compare?runs=1,3")
    second.wait_for_selector("#compare-curve .scatterlayer path.js-line")
    assert page.locator(".register-table input[type=checkbox]:checked").count() == 2
    before = words(second, "h1")
    second.reload()
    second.wait_for_selector("#compare-curve .scatterlayer path.js-line")
    assert words(second, "h1") == before and "runs=1,3" in second.url.replace("%2C", ",")
    second.close()


def test_back_and_forward_through_the_main_path(served, page):
    open_page(page, served, "/?view=runs")
    page.locator(".register-table table").wait_for()
    headings = [words(page, "h1")]
    page.locator('.register-table a[href="/run/1"]').first.click()
    page.locator(".key-figures").first.wait_for()
    headings.append(words(page, "h1"))
    page.locator('a[href^="/run/1/verdict"]').first.click()
    page.wait_for_url("**/run/1/verdict*")
    page.locator("#verdict-body *").first.wait_for()
    headings.append(words(page, "h1"))
    page.get_by_role("link", name="Compare", exact=True).click()
    page.wait_for_url("**/compare*")
    expect(page.locator("h1")).not_to_have_text(headings[-1])
    for heading in reversed(headings):
        page.go_back()
        expect(page.locator("h1")).to_have_text(heading)
    for heading in headings[1:]:
        page.go_forward()
        expect(page.locator("h1")).to_have_text(heading)


SLY = "<img src=x onerror=alert(1)>\"'`{{7*7}} &amp; 🔋 <script>alert(2)</script> " + "long" * 31
assert 190 < len(SLY) <= 200  # the longest label that is taken


@pytest.fixture
def sly(tmp_path):
    """A register whose one run has a sly label, from a file and a pack file with sly names."""
    from cycler.criteria import load_criteria
    from cycler.pack import load_pack
    from cycler.workflow import add_logs

    path = tmp_path / "sly.sqlite"
    with Register.open(path) as register:
        for name in ("ebike-10s4p-before-repair.csv", "ebike-10s4p-after-repair.csv"):
            source = (f"<b onmouseover=alert(3)>{'file' * 66}{name}", (SAMPLES / name).read_bytes())
            add_logs(register, [source], load_pack(SAMPLES / "packs" / "ebike-0412.toml"), SLY, load_criteria())
    server = Served(path)
    yield server
    server.close()


def test_sly_names_are_shown_as_they_are_and_widen_no_page(sly, page):
    dialogs = []
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    for path in ("/", "/?view=packs", "/run/1", "/run/1/verdict", "/compare?runs=1,2", "/pack/EB-0412", "/add", "/nowhere/<script>alert(4)</script>"):
        open_page(page, sly, path)
        page.wait_for_load_state("networkidle")
        assert page.locator("img[src=x], .frame script, b[onmouseover]").count() == 0, path
        for width in (1280, 800):
            page.set_viewport_size({"width": width, "height": 900})
            over, which = page.evaluate(WIDEST)
            assert over <= 0, (path, width, over, which)
        if path == "/run/1":
            assert SLY in words(page, "h1")
    assert dialogs == []


def test_log_that_vanished_while_its_form_is_open_is_told(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    uploads = served_empty.app.server.extensions["dashboard_uploads"]
    for token in list(uploads._files):
        uploads.remove(token)
    page.locator("#add-button").click()
    expect(page.locator(".content, #notice").get_by_text("A file went while it was waiting").first).to_be_visible()
