"""Adding in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re

import pytest

from cycler.quantities import figure_text
from cycler.register import Register

from .conftest import SAMPLES
from .walking import BEFORE, SISTER, drop, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_log_and_pack_file_dropped_in_become_a_run(served_empty, page):
    open_page(page, served_empty)
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    assert re.search(r"Read as [\d\u202f]+ samples over \d+ h \d+ min; 10 groups; 1 temperature", words(page, ".look"))
    assert "ebike-0412.toml: pack EB-0412, nmc 10S4P" in words(page, "#add-pack-file-box")
    page.get_by_label("Label of the run").fill("as it came in")
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/1")
    page.wait_for_selector(".key-figures")
    capacity = served_empty.door.run(1).analysis["capacity"]
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in words(page, ".key-figures")
    assert "as it came in" in words(page, "h1")
    # Stored byte for byte.
    with Register.open(served_empty.door.register_name) as register:
        assert register.raw_sources(1) == [(BEFORE.name, BEFORE.read_bytes())]


def test_log_dropped_on_the_page_is_taken(served, page):
    open_page(page, served)
    page.evaluate(
        """text => {
            const data = new DataTransfer();
            data.items.add(new File([text], 'part.csv', {type: 'text/csv'}));
            document.querySelector('.drop-zone').dispatchEvent(
                new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true}));
        }""",
        SISTER.read_bytes().decode("utf-8-sig"),
    )
    page.locator(".look").wait_for()
    assert "part.csv" in words(page, ".file-list") and "10 groups" in words(page, ".look")


def test_new_pack_typed_in_becomes_a_run_with_its_ratings(served, page):
    open_page(page, served)
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0007")
    page.get_by_label("Groups in series").fill("10")
    page.get_by_label("Rated capacity / Ah").fill("10.4")
    page.get_by_label("End of discharge, pack / V").fill("30")
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/4")
    page.wait_for_selector(".key-figures")
    assert served.door.run(4).analysis["pack"]["rated_capacity_ah"] == 10.4
    assert "10.4 Ah" in words(page, ".key-figures")


def test_file_that_cannot_be_read_shows_four_parts_and_nothing_is_stored(served, page, tmp_path):
    bad = tmp_path / "holiday.csv"
    bad.write_text("name,colour\nsun,yellow\nsea,blue\n")
    open_page(page, served)
    drop(page, [bad])
    panel = page.locator(".error-panel").first
    panel.wait_for()
    said = panel.inner_text()
    assert all(part in said for part in ("Cannot go on:", "Where", "Why", "How to mend", "Nothing was stored."))
    assert "holiday.csv" in said and "Traceback" not in said
    assert page.get_by_role("button", name="Add run").is_disabled()
    assert len(served.door.runs()) == 3


def test_pack_file_with_a_slip_names_its_line(served, page, tmp_path):
    slip = tmp_path / "pack.toml"
    slip.write_text('id = "CB-1"\nserie = 10\n')
    open_page(page, served)
    drop(page, [SISTER, slip])
    page.locator(".file-list .error-panel").wait_for()
    assert "pack.toml:2" in words(page, ".file-list .error-panel") and "series" in words(page, ".file-list .error-panel")
    # Told once, and the button says why it waits.
    assert page.locator(".error-panel").count() == 1
    assert page.get_by_role("button", name="Add run").is_disabled()
    expect(page.locator("#add-wait")).to_have_text("A file cannot be used: pack.toml. Mend or remove it.")
    assert len(served.door.runs()) == 3


def test_file_above_the_limit_is_refused_on_the_page(served_empty, page, tmp_path):
    big = tmp_path / "big.csv"
    big.write_bytes(b"1;2;3\n" * 600_000)
    open_page(page, served_empty)
    drop(page, [big])
    page.locator("#add-result .error-panel").wait_for()
    assert "too large" in words(page, "#add-result") and ".csv.gz" in words(page, "#add-result")
    # The browser itself reports the refused call; that is the one error this test may cause.
    assert all("413" in error for error in page.watched.errors)
    page.watched.errors.clear()


def test_same_log_twice_is_refused_with_the_run_that_holds_it(served, page):
    open_page(page, served)
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_role("button", name="Add run").click()
    page.locator("#add-error .error-panel").wait_for()
    said = words(page, "#add-error")
    assert "run 1 (before repair)" in said and "tick" in said and "--again" not in said and "cycler" not in said
    page.get_by_label("Add even if").check()
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/4")
