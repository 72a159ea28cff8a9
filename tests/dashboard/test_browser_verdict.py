"""Verdict and record in a real browser. Figures are asserted with their units."""

from __future__ import annotations

from pathlib import Path

import pytest

from cycler.quantities import figure_text

from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_verdict_draws_each_criterion_and_changes_with_the_set(served, page):
    open_page(page, served, "/run/2/verdict")
    page.locator(".verdict-head .shape-pass").wait_for()
    verdict, kept = served.door.judged(2)
    assert kept and page.locator(".criterion").count() == len(verdict["criteria"])
    assert page.locator(".scale-limit").count() == len(verdict["criteria"])
    health = next(row for row in verdict["criteria"] if row["quantity"] == "state_of_health")
    said = page.locator(".criterion", has_text="State of health").first.inner_text()
    assert figure_text(health["value"], health["u_value"], "share") in said and "at least 70 %" in said
    page.get_by_label("Resale", exact=False).check()
    page.wait_for_url("**criteria=resale")
    page.get_by_text("Shown only; not kept in the register yet.").wait_for()
    assert served.door.judged(2)[1] == kept


def test_verdict_of_a_failed_pack_tells_what_to_keep_away_from(served, page):
    open_page(page, served, "/run/1/verdict")
    page.locator(".verdict-head .shape-fail").wait_for()
    assert "Do not put this pack into use" in words(page, ".caution")


def test_record_is_made_kept_and_downloaded(served, page):
    open_page(page, served, "/run/2/verdict")
    page.get_by_text("No record was made of this run yet.").wait_for()
    page.get_by_role("button", name="Make the record").click()
    page.get_by_text("is in the register.").wait_for()
    serial = served.door.records(2)[0].serial
    page.locator(".part-records tbody tr", has_text=serial).wait_for()
    for kind, start in (("PDF", b"%PDF-"), ("HTML", b"<!")):
        with page.expect_download() as download:
            page.get_by_role("link", name=f"Download {kind}").click()
        assert download.value.suggested_filename == f"pack-record-{serial}.{kind.lower()}"
        content = Path(download.value.path()).read_bytes()
        assert content.startswith(start)
        assert content == served.door.record_file(served.door.records(2)[0].id, kind.lower())


def test_verdict_by_another_set_is_kept_on_demand(served, page):
    open_page(page, served, "/run/2/verdict?criteria=resale")
    page.get_by_role("button", name="Keep this verdict").click()
    page.get_by_text("Verdict kept.").wait_for()
    assert served.door.judged(2)[0]["criteria_name"] == "resale"
