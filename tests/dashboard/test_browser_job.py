"""Jobs in a real browser, in one walk: begun, written on, tested, closed and opened again; what is typed stays."""

from __future__ import annotations

import pytest

from .job_cases import SHEET, WHO, evaluation
from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

PACK = "EB-0412"
SLY = "<img src=x onerror=alert(1)> cuts out uphill"


def step(page, title):
    return page.locator(".step").filter(has=page.locator("strong", has_text=title)).first


def test_job_from_its_words_to_its_end(served, page):
    door = served.door
    open_page(page, served, f"/pack/{PACK}")
    page.get_by_role("link", name="Begin a job").click()
    page.wait_for_url(f"**/jobs?pack={PACK}")
    expect(page.get_by_text("No job was begun yet.")).to_be_visible()
    form = page.locator(".new-job")
    expect(form.get_by_label("Pack number")).to_have_value(PACK)
    go = page.get_by_role("button", name="Begin, and fill the bench sheet")
    form.get_by_label("What is wrong?").fill(SLY)
    go.click()
    expect(form.locator(".error-panel")).to_contain_text("“Who”")  # nobody was named: nothing is kept, and the words stay
    expect(form.get_by_label("What is wrong?")).to_have_value(SLY)
    assert door.jobs() == []
    form.get_by_label("Who").fill(WHO)
    go.click()
    page.wait_for_url("**/job/1/sheet")

    # A second job on the pack is refused, with the way to the first. Before anything is measured the job's page says so, and the keyboard goes on from its heading.
    open_page(page, served, f"/jobs?pack={PACK}")
    form.get_by_label("What is wrong?").fill("cuts out again")
    go.click()
    expect(form.get_by_role("link", name="Go to open job 1")).to_have_attribute("href", "/job/1")
    page.locator(".job-link").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/job/1")
    page.wait_for_selector(".steps")
    expect(page.locator("h1")).to_be_focused()
    assert SLY in words(page, "h1") and page.locator("img[src=x]").count() == 0
    expect(step(page, "Bench sheet")).to_have_class("step step-next")
    expect(page.locator(".next-step").get_by_role("link")).to_have_attribute("href", "/job/1/sheet")

    # A sheet and a decision come from other pages: a press reads them in, and what is being typed stays.
    door._register.jobs.keep_sheet(1, SHEET, evaluation(PACK, remarks=[]), who=WHO)
    door.write_job(1, "decision", "cells are at hand", WHO, {"option": "repair_group"})
    page.get_by_label("What was done?").fill("group 4 replaced")
    page.get_by_role("button", name="Read the job again").click()
    expect(step(page, "Work")).to_have_class("step step-next")
    expect(page.locator(".group-tile")).to_have_count(13)
    expect(page.get_by_label("What was done?")).to_have_value("group 4 replaced")
    writing = page.locator(".job-form")
    expect(writing.get_by_label("Who")).to_have_value(WHO)  # the name of this browser

    # A day that is none is told; then the work stands on the job and on the pack's card.
    writing.get_by_label("Done on").fill("last week")
    page.get_by_role("button", name="Write it down").click()
    expect(writing.locator(".error-panel")).to_contain_text("2026-03-12")
    writing.get_by_label("Done on").fill("2026-01-02")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator("#job-write-done")).to_contain_text("Written: work done")
    expect(page.get_by_label("What was done?")).to_have_value("")
    expect(page.locator(".job-entries")).to_contain_text("group 4 replaced")
    assert [item["text"] for item in door.pack_sheet(PACK).card["entries"]] == ["group 4 replaced"]
    writing.get_by_text("Part fitted").click()
    expect(page.get_by_label("Which part was fitted?")).to_be_visible()
    expect(writing.get_by_label("Done on")).to_be_hidden()

    # A run from before the job is hung on it, and speaks for the pack.
    page.get_by_text("Hang an earlier run").click()
    page.locator("#job-hang-run").click()
    page.locator(".dash-dropdown-option").filter(has_text="after repair").click()
    page.get_by_role("button", name="Hang it on the job").click()
    expect(page.locator("#job-hang-done")).to_contain_text("Run 2 hangs on this job.")
    row = page.locator(".job-runs tbody tr")
    expect(row).to_have_count(1)
    assert "9.638 ± 0.025 Ah" in row.inner_text() and "Pass" in row.inner_text()
    expect(step(page, "Record")).to_have_class("step step-next")
    expect(page.locator(".next-step").get_by_role("link")).to_have_attribute("href", "/run/2/verdict#records")

    # The page to hand over, and paper without what only works on screen.
    with page.expect_download() as download:
        page.get_by_role("link", name="Job as a page to hand over").click()
    assert download.value.suggested_filename.endswith(".html")
    page.emulate_media(media="print")
    assert not writing.is_visible() and page.locator(".steps").is_visible() and page.locator(".group-tile").first.is_visible()
    page.emulate_media(media="screen")

    # Closed with a reason, listed below the open ones, opened again with one.
    page.get_by_label("How it ended").fill("handed over")
    page.get_by_role("button", name="Close the job").click()
    expect(page.locator("#job-close-done")).to_contain_text("The job is closed.")
    expect(writing).to_be_hidden()
    open_page(page, served, "/jobs?show=closed")
    expect(page.locator(".job-row")).to_have_count(1)
    page.get_by_label("Open", exact=True).check()
    expect(page.get_by_text("No job matches.")).to_be_visible()
    page.wait_for_url("**/jobs?show=open")
    page.go_back()
    expect(page.locator(".job-row")).to_contain_text("Closed")
    expect(page.get_by_label("Closed", exact=True)).to_be_checked()
    page.locator(".job-link").click()
    page.wait_for_url("**/job/1")
    page.get_by_label("Why it is opened again").fill("cuts out once more")
    page.get_by_role("button", name="Open it again").click()
    expect(page.locator("#job-close-done")).to_contain_text("open again")
    expect(writing).to_be_visible()
    open_page(page, served, "/run/2")
    page.get_by_role("link", name="Part of job 1").click()
    page.wait_for_url("**/job/1")
