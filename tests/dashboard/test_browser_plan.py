"""Test plan and bench pages in a real browser: from the verdict's link and from typed ratings to a plan, its card, and an entry on a job."""

from __future__ import annotations

import json
import re

import pytest
from plotly.utils import PlotlyJSONEncoder

from .test_browser_access import faults
from .walking import WIDEST, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

BENCH = {
    "charger.max_voltage_v": "60", "charger.max_current_a": "5", "load.max_current_a": "20", "load.max_power_w": "100,5", "logger.taps": "all", "logger.fastest_interval_s": "1",
}


def entry(page, part, key):
    return page.locator(f'[id=\'{{"key":"{part}.{key}","type":"plan-equipment"}}\']')


def test_plan_from_typed_ratings_then_for_a_run_then_on_a_job(served, page, tmp_path):
    open_page(page, served, "/bench")
    expect(page.locator(".bench-entry")).to_have_count(3)
    page.get_by_role("link", name="Test plan").click()
    page.wait_for_selector(".page-plan")
    # Nothing chosen yet: one message, and nothing lost.
    for name, value in BENCH.items():
        part, key = name.split(".")
        entry(page, part, key).fill(value)
    page.get_by_label("temperature", exact=True).check()
    page.get_by_role("button", name="Make the plan").click()
    expect(page.locator("#plan-error")).to_contain_text("no pack is chosen")
    page.get_by_label("Type the ratings").check()
    page.get_by_label("Rated capacity / Ah").fill("10,4")
    page.get_by_label("Groups in series").fill("ten")
    page.get_by_role("button", name="Make the plan").click()
    expect(page.locator("#plan-error")).to_contain_text("series is not a number")
    page.get_by_label("Groups in series").fill("10")
    page.get_by_label("Full, pack / V").fill("42")
    page.get_by_label("Empty, pack / V").fill("30")
    page.get_by_role("button", name="Make the plan").click()
    result = page.locator("#plan-result")
    expect(result).to_contain_text("Charge full")
    # 100.5 W at 42.0 V are 2.39 A: less than a third of 10.4 A, so that the load sets the current.
    expect(result).to_contain_text("2.39 A to 30.0 V")
    expect(result).to_contain_text("the load takes 100 W")
    # The bench is kept beside the register and read by the command line too.
    from cycler.plan import load_equipment

    kept = load_equipment(served.door.equipment_file)
    assert kept.load.max_power_w == 100.5 and kept.logger.taps == -1 and kept.logger.temperature
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the bench card").click()
    card = tmp_path / "card.html"
    download.value.save_as(card)
    assert "<script" not in card.read_text("utf-8") and "2.39 A to 30.0 V" in card.read_text("utf-8")

    # On paper: two sheets of A4 at most, and nothing to scroll to on the screen of a telephone.
    sheet = page.context.new_page()
    sheet.set_content(card.read_text("utf-8"))
    assert len(re.findall(rb"/Type\s*/Page\b", sheet.pdf(format="A4", prefer_css_page_size=True))) in (1, 2)
    sheet.close()

    # From the register, by the newest test's ratings.
    open_page(page, served, "/bench/plan?pack=EB-0412")
    expect(page.locator("#plan-result")).to_contain_text("EB-0412, nmc 10S4P")
    expect(page.locator(".plan-step")).to_have_count(11)
    page.get_by_label("Only what the verdict depends on").check()
    page.get_by_role("button", name="Make the plan").click()
    expect(page.locator(".plan-step")).to_have_count(9)
    assert faults(page) == []
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate(WIDEST) == [0, []]

    # On the pack's open job.
    job = served.door.open_job("EB-0412", "range fell", "A. Bell")
    open_page(page, served, f"/bench/plan?job={job}&pack=EB-0412")
    assert f"For job {job}" in words(page, ".plan-context")
    page.get_by_label("Who").fill("A. Bell")
    page.get_by_role("button", name=f"Keep on job {job}").click()
    expect(page.locator("#plan-kept")).to_have_text(f"Kept on job {job}.")
    entries = [item for item in served.door.job(job)["entries"] if item["kind"] == "plan"]
    assert len(entries) == 1 and entries[0]["data"]["schema"] == "cycler.plan/1" and entries[0]["who"] == "A. Bell"


def test_job_of_a_pack_without_ratings_asks_for_them(own):
    """Neither a run nor a sheet: the page says so, and takes typed ratings for the same job."""
    from dashboard.pages import plan

    door, register = own
    job = register.jobs.open_job("CB-0900", "does not charge", who="A. Bell")
    page, _ = plan.layout(door, {"job": str(job), "pack": "CB-0900"})
    told = json.dumps(page.to_plotly_json(), cls=PlotlyJSONEncoder)
    assert "no ratings of pack" in told and f"For job {job}" in told and '"typed"' in told


def test_verdict_that_is_not_proven_leads_to_its_plan(served, page):
    served.door.keep_equipment({"charger.at_hand": True, "charger.max_voltage_v": "60", "charger.max_current_a": "5", "charger.can_taper": True, "charger.adjustable": True,
                                "load.at_hand": True, "load.max_current_a": "20", "load.max_power_w": "300", "load.modes": ["cc"], "load.stops_itself": True,
                                "logger.at_hand": True, "logger.taps": "all", "logger.fastest_interval_s": "1", "logger.pack_voltage": True, "logger.current": True,
                                "logger.temperature": True, "logger.interval_can_change": True}, "test")
    open_page(page, served, "/run/2/verdict?criteria=resale&before=0")
    page.get_by_role("link", name="Plan the test that would settle this").click()
    page.wait_for_selector(".page-plan")
    # The run is sound but was never left at rest: the plan holds a rest of a day or more, and the sentence that asked for it.
    expect(page.locator(".plan-settles")).to_contain_text("at rest for")
    expect(page.locator("#plan-result")).to_contain_text("Long rest, full")
    assert "criteria=resale" in page.url
    served.door.write_card("EB-0412", [("danger", "group 3 swollen")], [], "A. Bell", False)
    open_page(page, served, "/bench/plan?run=2&criteria=resale")
    expect(page.locator(".plan-warnings")).to_contain_text("group 3 swollen")
    expect(page.locator(".plan-step")).to_have_count(0)
