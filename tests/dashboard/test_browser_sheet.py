"""The bench sheet in a real browser: numbers and Enter, questions at once, nothing lost, what it says, kept with the job."""

from __future__ import annotations

import pytest

from .conftest import Served
from .test_browser_access import SMALL, faults, over_wide, quiet
from .test_sheet_page import WHO
from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


@pytest.fixture
def served(tmp_path):
    server = Served(tmp_path / "register.sqlite", key_path=tmp_path / "key.pem")
    yield server
    server.close()


def tap(page, number):
    return page.locator(f"[data-tap='{number}'] input")


def enter(page, *readings):
    for reading in readings:
        page.keyboard.type(reading)
        page.keyboard.press("Enter")


def kept(page, served, job, key):
    """An entry of the draft, waited for: the page hands it over a moment after it was typed."""
    for _turn in range(100):
        if key in served.door.sheet_draft(job):
            break
        page.wait_for_timeout(200)
    return served.door.sheet_draft(job).get(key)


def test_sheet_from_the_first_tap_to_the_job(served, page, tmp_path):
    # Invented: a cargo-bike pack of ten groups whose fourth is dead.
    job = served.door.open_job("CB-7001", "dead since Monday", WHO)
    served.door.keep_typed(job, "another page", 1, {"pack.chemistry": "nmc"})
    open_page(page, served, f"/job/{job}/sheet")
    expect(page.locator("#sheet-result")).to_contain_text("Nothing measured yet")
    expect(page.locator("[data-tap]:visible")).to_have_count(2)
    page.get_by_label("Groups in series").fill("10")
    expect(page.locator("[data-tap]:visible")).to_have_count(11)  # N groups have N + 1 taps: common practice, no source
    page.locator(".way-choice").get_by_text("From pack −", exact=True).click()
    page.locator(".look-row").filter(has_text="is swollen").get_by_text("no", exact=True).click()
    tap(page, 0).click()
    enter(page, "0", "3,66", "7.32", "10.98")
    expect(tap(page, 4)).to_be_focused()
    assert tap(page, 4).get_attribute("inputmode") == "decimal"
    expect(page.locator("[data-tap='2'] .tap-step")).to_contain_text("group 2: 3.6")
    enter(page, "9.16")
    asked = page.locator("[data-tap='4'] .question")
    expect(asked).to_contain_text("Lower than tap 3")
    assert page.locator("[data-tap='4'] .tap-says").get_attribute("aria-live") == "polite"
    enter(page, "15.82")
    expect(asked).to_contain_text("Lower than tap 3")  # it stays until the reading is put right
    tap(page, 4).fill("12.16")
    expect(asked).to_contain_text("if it stays, go on")  # a dead group does read so
    tap(page, 6).click()
    enter(page, "about 19", "-", "26.80", "30.46", "34.12")
    expect(page.locator("[data-tap='6'] .question")).to_contain_text("about 19")
    page.get_by_label("Across all cells / V").fill("34.12")
    expect(page.locator("#sheet-kept")).to_contain_text("Kept as a draft")
    quiet(page)

    # Closing the tab at once after a key, and the page anew in another tab: nothing is lost.
    tap(page, 6).fill("about 19.4")
    page.reload()
    expect(tap(page, 6)).to_have_value("about 19.4")
    assert [tap(page, n).input_value() for n in (1, 4, 7, 10)] == ["3,66", "12.16", "-", "34.12"]
    expect(page.locator("[data-tap]:visible")).to_have_count(11)
    assert kept(page, served, job, "taps.1") == "3,66"
    tap(page, 6).fill("19.48")
    tap(page, 7).fill("23.14")
    page.keyboard.press("Enter")
    expect(page.locator(".causes > li").first).to_contain_text("roup 4")
    expect(page.locator("#sheet-top")).to_contain_text("Most likely so far")
    expect(page.locator(".bench-table .row-marked")).to_contain_text("never charge again")
    assert words(page, ".bench-table .row-marked th") == "4"
    expect(page.locator(".said-groups .js-plotly-plot .scatterlayer path.point")).to_have_count(10)
    expect(page.locator(".said-next")).to_be_visible()
    before = words(page, ".said-causes")
    wanted = page.locator(".said-next [data-to-field]").first
    key = wanted.get_attribute("data-to-field")
    wanted.click()
    expect(page.locator(f"#sheet-form [id*='\"{key}\"']").first).to_be_visible()
    assert page.evaluate("document.activeElement.closest('.sheet-form') !== null"), key
    assert before

    # What is ugly or hard to use shows here: light and dark, widths, targets.
    quiet(page)
    found = faults(page)
    page.emulate_media(color_scheme="dark")
    page.locator("html[data-scheme=dark]").wait_for(state="attached")
    found += faults(page, only=["color-contrast"])
    assert not found, "\n".join(found)
    assert page.evaluate(SMALL, 24) == [] and over_wide(page) == {}

    # Paper: the readings as entered, and what they say; no field.
    page.emulate_media(media="print", color_scheme="light")
    expect(page.locator(".sheet-paper")).to_contain_text("3,66")
    assert page.locator(".sheet-form").is_hidden() and page.locator(".said-causes").is_visible()
    page.emulate_media(media="screen")

    page.get_by_role("button", name="Keep this sheet").click()
    expect(page.locator("#sheet-keep-done .error-panel")).to_contain_text("Nothing was kept")  # nobody was named
    page.locator(".sheet-keep").get_by_label("Who").fill(WHO)
    page.get_by_label("What else is seen").fill("typed last")
    page.get_by_role("button", name="Keep this sheet").click()
    expect(page.locator("#sheet-keep-done .done")).to_contain_text(f"kept with job {job}")
    expect(page.locator("#sheet-keep-done .danger-box")).to_contain_text("roup 4")
    stands = served.door.job(job)
    assert len(stands["sheets"]) == 1 and stands["evaluation"]["causes"][0]["group"] == 4 and stands["dangers"]
    assert stands["evaluation"]["remark"] == "typed last"
    page.locator("#sheet-keep-done").get_by_role("link", name="To the job").click()
    expect(page.locator("h1")).to_contain_text("CB-7001")


def test_what_the_program_did_not_hear_comes_back_and_the_meter_is_kept_for_the_next_sheet(served, page):
    first = served.door.open_job("CB-7001", "dead", WHO)
    second = served.door.open_job("CB-7002", "short range", WHO)
    page.set_viewport_size({"width": 390, "height": 844})
    open_page(page, served, f"/job/{first}/sheet")
    page.locator(".sheet-meter summary").click()
    page.get_by_label("D.C. voltage").fill("±(0.5 % rdg + 2 digits)")
    page.get_by_label("Last digit of the voltage / V").fill("0.001")
    page.locator(".way-choice").get_by_text("Each group", exact=True).click()
    page.get_by_role("button", name="Thermistor 1: Meter shows OL").click()
    page.get_by_label("Across all cells / V").fill("36.5")
    expect(page.locator("#sheet-kept")).to_contain_text("Kept as a draft")
    quiet(page)
    # The network is gone: the entry waits in this browser and is handed over when the page comes again.
    page.route("**/_dash-update-component**", lambda route: route.abort())
    page.route("**/sheet/typed", lambda route: route.abort())
    page.evaluate("navigator.sendBeacon = () => false")
    page.get_by_label("Room temperature / °C").fill("21,5")
    page.keyboard.press("Enter")
    page.wait_for_timeout(500)
    assert "ambient_c" not in served.door.sheet_draft(first)
    page.unroute("**/_dash-update-component**")
    page.unroute("**/sheet/typed")
    page.reload()
    expect(page.get_by_label("Room temperature / °C")).to_have_value("21,5")
    cut = ("ERR_FAILED", "Failed to fetch", "did not respond")  # the calls that were cut; the browser may tell of them late
    page.watched.errors[:] = [error for error in page.watched.errors if not any(words in error for words in cut)]
    assert kept(page, served, first, "ambient_c") == "21,5" and kept(page, served, first, "probe.0.ohm") == "open"
    open_page(page, served, f"/job/{second}/sheet")
    expect(page.get_by_label("Last digit of the voltage / V")).to_have_value("0.001")
    expect(page.locator("#sheet-taps")).to_have_attribute("data-way", "each_group")
    expect(page.locator("[data-tap]:visible label").first).to_contain_text("Group 1")
    assert kept(page, served, second, "meter.voltage") == "±(0.5 % rdg + 2 digits)"
    page.get_by_label("Groups in series").fill("36")  # more rows than stood ready
    expect(page.locator("[data-tap]:visible")).to_have_count(36)
