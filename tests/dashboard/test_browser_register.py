"""Register in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re

import pytest

from cycler.quantities import figure_text

from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_register_lists_runs_with_verdict_in_words_and_capacity_with_uncertainty(served, page):
    open_page(page, served)
    page.wait_for_selector(".run-table")
    row = page.locator("tbody tr", has_text="before repair")
    item = next(run for run in served.door.runs() if run.label == "before repair")
    assert figure_text(item.capacity_ah, item.u_capacity_ah, "Ah") in row.inner_text()
    assert "Fail" in row.inner_text() and "group 4" in row.inner_text() and "EB-0412" in row.inner_text()
    # Shape and word, not colour alone.
    assert row.locator(".shape-fail").count() == 1
    assert page.locator("tbody tr", has_text="sister pack").locator(".shape-pass").count() == 1
    assert "Register" in page.title()


def test_register_search_filter_and_sort_keep_their_state_in_the_address(served, page):
    open_page(page, served)
    page.get_by_label("Search pack or label").fill("0412")
    page.wait_for_url("**/?q=0412")
    expect(page.locator(".run-table tbody tr")).to_have_count(2)
    page.get_by_label("Fail", exact=True).check()
    page.wait_for_url("**/?q=0412&verdict=fail")
    expect(page.locator(".run-table tbody tr")).to_have_count(1)
    page.go_back()
    expect(page.locator(".run-table tbody tr")).to_have_count(2)
    expect(page.get_by_label("All", exact=True)).to_be_checked()
    page.get_by_role("link", name=re.compile("^Capacity")).click()
    page.wait_for_url("**sort=*capacity*")
    page.reload()
    expect(page.locator(".run-table tbody tr")).to_have_count(2)
    assert page.get_by_label("Search pack or label").input_value() == "0412"


def test_register_view_of_packs_counts_their_runs(served, page):
    open_page(page, served, "/?view=packs")
    row = page.locator("tbody tr", has_text="EB-0412")
    row.wait_for()
    assert "10.4 Ah" in row.inner_text() and "nmc 10S4P" in row.inner_text()
    assert row.locator("td").nth(2).inner_text() == "2"


def test_empty_register_says_what_to_do(served_empty, page):
    open_page(page, served_empty)
    page.get_by_text("The register is empty.").wait_for()
    assert "Drop the log" in words(page, ".empty-state")


def test_address_that_is_no_page_says_so(served, page):
    page.goto(served.address + "/no/such/page")
    page.get_by_text("There is no such page.").wait_for()
    page.goto(served.address + "/run/99")
    page.locator(".error-panel").wait_for()
    assert "no run 99 in the register" in words(page, ".error-panel")
