"""Comparison in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import pytest

from cycler.quantities import figure_text

from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_compare_from_the_register_over_charge_with_differences(served, page):
    open_page(page, served)
    page.wait_for_selector(".run-table")
    for label in ("before repair", "after repair"):
        page.locator("tbody tr", has_text=label).locator("input[type=checkbox]").check()
    page.get_by_role("button", name="Clear the ticks").click()
    page.get_by_text("Tick two to eight runs to compare them.").wait_for()
    for label in ("before repair", "after repair"):
        page.locator("tbody tr", has_text=label).locator("input[type=checkbox]").check()
    page.get_by_role("link", name="Compare 2 runs").click()
    page.wait_for_url("**/compare?runs=1,2")
    page.wait_for_selector("#compare-curve .scatterlayer path.js-line")
    page.get_by_label("Charge / Ah").check()
    page.wait_for_url("**x=ah")
    page.get_by_text("Charge delivered / Ah").wait_for()
    row = page.locator(".compare-table tbody tr", has_text="Capacity").first.inner_text()
    result = served.door.compare([1, 2], 0)
    line = next(item for item in result["rows"] if item["quantity"] == "capacity_ah")
    assert "+" + figure_text(line["difference"][1], line["u_difference"][1], "Ah") in row
    assert "better" in row


def test_compare_reference_and_axis_come_from_the_address(served, page):
    open_page(page, served, "/compare?runs=1,2,3&ref=2&x=soc")
    page.get_by_text("State of charge / %").wait_for()
    assert page.get_by_text("Differences from B").count() == 1
    assert page.get_by_label("State of charge").is_checked()
    assert page.locator(".run-keys li").count() == 3
    row = page.locator(".compare-table tbody tr", has_text="State of health").first.inner_text()
    assert "percentage points" in row


def test_compare_without_runs_says_what_to_do(served, page):
    open_page(page, served, "/compare")
    page.get_by_text("Choose two to eight runs.").wait_for()


def test_compare_with_a_run_that_is_not_there_says_so(served, page):
    open_page(page, served, "/compare?runs=1,77")
    page.locator(".error-panel").wait_for()
    assert "no run 77 in the register" in words(page, ".error-panel")
