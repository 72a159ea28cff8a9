"""Cells for other work: one walk in a real browser from the dropped list to the file, with everything that can be entered wrongly."""

from __future__ import annotations

import csv
import threading
import time

import pytest

from cycler.errors import InputError
from dashboard import ids_cells
from dashboard.jobs import Cancelled

from .conftest import SAMPLES
from .walking import WIDEST, called, drop, open_page, until, words

STOCK = SAMPLES / "stock" / "cells-invented.csv"


def said(page, selector, text):
    page.wait_for_function("([s, t]) => document.querySelector(s)?.innerText.includes(t)", arg=[selector, text])
    return words(page, selector)


def match(page, **fields):
    for name, value in fields.items():
        page.fill(f"#cells-{name}", value)
    page.get_by_role("button", name="Grade and match").click()


def test_list_becomes_grades_packs_and_a_file(served_empty, page, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("id;capacity / mAh;resistance / mOhm\nA1;2300;38,1\nA2;full;39,0\n", encoding="utf-8")
    open_page(page, served_empty, "/bench/cells")
    assert "quarantine" in words(page, ".page-cells .caution")
    drop(page, [bad])
    shown = said(page, "#cells-error", "is not a number")
    assert "bad.csv:3:2" in shown and "full" in shown and "--" not in shown

    page.fill("#cells-rated", "2,6")
    drop(page, [STOCK])
    graded = said(page, "#cells-result", "Rejected cells (17)")
    assert "411" in graded and "rated 2.6 Ah" in graded and "Packs of" not in graded
    page.locator("summary", has_text="Rejected cells").click()
    assert "rust at the minus end" in words(page, "#cells-result")

    page.get_by_role("link", name="Jobs", exact=True).click()
    page.wait_for_function("() => document.querySelector('h1').innerText.includes('Jobs')")
    page.go_back()  # the list waits here
    said(page, "#cells-file-name", "cells-invented.csv")
    said(page, "#cells-result", "Rejected cells (17)")

    match(page, series="10", parallel="4", packs="11")
    assert "23 are missing" in said(page, "#cells-error", "not enough cells")
    match(page, packs="ten")
    assert "whole number" in said(page, "#cells-error", "cannot be used")
    match(page, packs="10")
    found = said(page, "#cells-result", "How good")
    assert "(bound)" in found and "times as far" in found and "Packs of 10S 4P" in found
    assert "near enough" in said(page, "#cells-groups", "Before joining") and page.locator("#cells-groups tbody tr").count() == 10
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate(WIDEST) == [0, []]
    with page.expect_download() as download:
        page.get_by_role("button", name="Save where every cell goes").click()
    saved = tmp_path / "saved.csv"
    download.value.save_as(saved)
    with saved.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 440 and sum(bool(row["pack"]) for row in rows) == 400
    assert len({row["cell"] for row in rows}) == 440


@pytest.mark.parametrize("stopped", [False, True])
def test_result_is_not_drawn_again_by_a_look_that_came_late(served_empty, stopped):
    """It would close what was opened in it meanwhile."""
    app = served_empty.app
    call = next(name for name, entry in app.callback_map.items() if any(item["id"] == ids_cells.CELLS_TICK for item in entry["inputs"]))
    state = {f"{ids_cells.CELLS_JOB}.data": {"token": "gone"}, f"{ids_cells.CELLS_OVER}.data": "gone" if stopped else "an older one"}
    answer = called(
        served_empty, call, [f"{ids_cells.CELLS_TICK}.n_intervals"], [{"id": ids_cells.CELLS_TICK, "property": "n_intervals", "value": 3}],
        [item | {"value": state[f"{item['id']}.{item['property']}"]} for item in app.callback_map[call]["state"]],
    )
    assert answer.status_code == (204 if stopped else 200)


def test_late_answer_about_an_older_matching_does_not_end_the_looking(served_empty, page):
    open_page(page, served_empty, "/bench/cells")
    asked = [[None, None], [None, "a"], [{"token": "a"}, None], [{"token": "b"}, "a"], [{"token": "b"}, "b"]]
    assert page.evaluate("pairs => pairs.map(pair => window.dash_clientside.frame.nothingToWatch(...pair))", asked) == [True, True, False, False, True]
    ticks = f"{ids_cells.CELLS_TICK}.disabled"  # told by that one function alone
    assert [name for name in served_empty.app.callback_map if ticks in name] == [ticks]


class Late:
    """The first look at a matching comes or is answered late; ``begin`` and ``press`` are the page's own acts."""

    def __init__(self, served, page, monkeypatch, fetched):
        self.end, self.route, self.answer, self.armed = threading.Event(), None, None, False

        def endless(_door, _name, _raw, _form, report):
            while not self.end.is_set():
                report(0.3, "reading")
                time.sleep(0.05)

        def look(route):
            if self.route is None and self.armed and '"changedPropIds":["cells-tick.n_intervals' in (route.request.post_data or ""):
                self.answer, self.route = route.fetch() if fetched else None, route
            else:
                route.continue_()

        monkeypatch.setattr(type(served.door), "match_cells", endless)
        monkeypatch.setattr("dashboard.pages.cells.TICK_MS", 3000)  # so that no second look overtakes the late one
        self.page = page
        open_page(page, served, "/bench/cells")
        page.route("**/_dash-update-component*", look)
        drop(page, [STOCK])
        page.locator("#cells-work").wait_for()
        self.armed = True
        until(page, lambda: self.route is not None)

    def press(self):
        with self.page.expect_response(lambda answer: '"changedPropIds":["cells-button' in (answer.request.post_data or "")):
            self.page.get_by_role("button", name="Grade and match").click()

    def come(self):
        with self.page.expect_response(lambda answer: answer.request == self.route.request):
            self.route.fulfill(response=self.answer) if self.answer else self.route.continue_()


@pytest.fixture
def late(served_empty, page, monkeypatch):
    made = []
    yield lambda fetched: made.append(Late(served_empty, page, monkeypatch, fetched)) or made[0]
    for one in made:
        one.end.set()


def test_late_look_at_a_matching_that_was_replaced_says_nothing_of_the_new_one(late, page):
    look = late(False)
    look.press()
    look.come()
    with page.expect_response(lambda answer: '"changedPropIds":["cells-tick' in (answer.request.post_data or "")):  # the next one finds the new one at work
        pass
    assert words(page, "#cells-error") == "" and page.locator("#cells-work").is_visible() and page.locator("#cells-cancel").is_enabled()


def test_press_for_a_list_that_is_gone_leaves_no_bar_that_nothing_ends(late, page, served_empty):
    look = late(True)
    uploads = served_empty.app.server.extensions["dashboard_uploads"]
    for token in list(uploads._files):
        uploads.remove(token)
    look.press()
    look.come()
    page.locator("#cells-cancel:enabled").click()
    page.locator("#cells-work").wait_for(state="hidden")


def test_matching_ends_when_it_is_asked_to_and_fields_are_read_as_typed(door):
    raw, form = STOCK.read_bytes(), {"series": "10", "parallel": "4", "packs": "", "rated": "2,6"}
    heard = []

    def end(share, what):
        heard.append((share, what))
        if share and share > 0.1:
            raise Cancelled

    with pytest.raises(Cancelled):
        door.match_cells(STOCK.name, raw, form, end)
    assert heard[0] == (None, "reading") and 0.1 < heard[-1][0] < 0.9
    result, table = door.match_cells(STOCK.name, raw, {"rated": "2,6"}, lambda _share, _what: None)
    assert result["packs"] == [] and result["list"]["rated_capacity_ah"] == 2.6 and table.count("\r\n") == 441
    for wrong, said in (({"series": "10"}, "both numbers"), ({"series": "1.5", "parallel": "1"}, "whole number"), ({"rated": "-2"}, "above zero")):
        with pytest.raises(InputError, match=said):
            door.match_cells(STOCK.name, raw, wrong, lambda _share, _what: None)
