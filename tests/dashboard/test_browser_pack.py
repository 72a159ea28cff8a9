"""The page of one pack in a real browser: card, photos, dangers, acts on runs, two tabs, a register that is locked."""

from __future__ import annotations

import sqlite3
import struct
import zlib

import pytest

from cycler.criteria import load_criteria
from cycler.pack import pack_from_dict
from cycler.quantities import figure_text
from cycler.register import Register
from cycler.workflow import add_logs
from tests.test_history import FADE_AH, analysis, kept

from .conftest import SAMPLES, Served
from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

WHO = "A. Bell"


def _chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


# An invented picture of one grey pixel, put together as the W3C PNG Specification says: signature (5.2), chunks (5.3), IHDR (11.2.2).
PNG = (
    b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 2, 0, 0, 0)) + _chunk(b"IDAT", zlib.compress(b"\0\x80\x80\x80"))
    + _chunk(b"IEND", b"")
)


def write(page, text, who=WHO):
    page.locator("#pack-write-text").fill(text)
    page.locator(".write-form").get_by_label("Who").fill(who)
    page.get_by_role("button", name="Write it down").click()


def until(page, condition):
    """Wait for a condition in the page; the content policy forbids the evaluations that Playwright's own wait makes."""
    page.evaluate(f"() => new Promise((done) => {{ const look = () => ({condition} ? done() : requestAnimationFrame(look)); look(); }})")


def entry(page, text):
    return page.locator(".entry, .photo-entry").filter(has_text=text).first


def test_page_shows_build_verdict_runs_and_the_next_step(served, page):
    open_page(page, served, "/pack/EB-0412")
    assert "EB-0412 NMC 10S4P" in words(page, "h1") and "rated 10.4 Ah" in words(page, ".page-head")
    expect(page.locator(".pack-verdict .shape-pass")).to_be_visible()
    assert words(page, ".pack-verdict .result") == "Pass"
    rows = page.locator(".pack-runs tbody tr")
    assert [rows.nth(k).locator("th").inner_text() for k in range(2)] == ["2", "1"]
    capacity = served.door.run(2).analysis["capacity"]
    told = rows.nth(0).inner_text()
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in told
    assert figure_text(capacity["state_of_health"], capacity["u_state_of_health"], "share") in told
    headline = served.door.run(2).analysis["resistance"]["headline"]
    assert figure_text(headline["ohm_10s"], headline["u_ohm_10s"], "ohm") in told
    expect(page.get_by_role("link", name="Make record and label")).to_have_attribute("href", "/run/2/verdict")
    expect(page.get_by_role("link", name="Before and after")).to_have_attribute("href", "/compare?before-after=EB-0412")
    expect(page.locator(".trend-row .js-plotly-plot")).to_have_count(2)
    # At 1024 x 768 nothing scrolls sideways (WCAG 2.2, 1.4.10 asks it of 320 px; here the tablet).
    page.set_viewport_size({"width": 1024, "height": 768})
    until(page, "document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    expect(page.locator(".part-runs .table-scroll")).not_to_have_class("table-scroll can-scroll")


def test_card_is_written_corrected_and_closed_with_who_and_why(served, page):
    open_page(page, served, "/pack/EB-0412")
    sly = "<img src=x onerror=alert(1)> \"rattles\" 🔋"
    write(page, sly)
    expect(page.locator("#pack-write-done")).to_contain_text("Written on the card: fault found")
    expect(page.locator("#pack-write-text")).to_have_value("")
    assert sly in entry(page, "rattles").inner_text() and page.locator("img[src=x]").count() == 0
    entry(page, "rattles").locator("summary").click()
    change = entry(page, "rattles").locator(".entry-change")
    expect(change.get_by_label("Who")).to_have_value(WHO)  # the name of this browser
    change.get_by_label("New words").fill("group 3 rattles")
    change.get_by_role("button", name="Put the new words").click()
    expect(change.locator(".error-panel")).to_contain_text("“Why”")
    expect(change.get_by_label("New words")).to_have_value("group 3 rattles")
    change.get_by_label("Why").fill("looked closer")
    change.get_by_role("button", name="Put the new words").click()
    expect(page.locator("#pack-card-said")).to_contain_text("is corrected")
    expect(page.locator("#pack-card-said")).to_be_focused()
    page.get_by_text("Holds no more (1)").click()
    expect(page.locator(".entries-ended")).to_contain_text("looked closer")
    with Register.open(served.door.register_name) as register:
        card = register.card("EB-0412", superseded=True)
    assert [item["text"] for item in card["entries"]] == ["group 3 rattles"] and card["superseded"][0]["text"] == sly


def test_danger_is_loud_and_closing_it_is_signed(served, page):
    open_page(page, served, "/pack/EB-0412")
    assert page.locator(".danger-box").count() == 0
    page.locator(".report summary").click()
    page.get_by_label("What is dangerous, and where?").fill("group 3 is swollen")
    page.get_by_role("button", name="Report this danger").click()
    expect(page.locator("#pack-report-done")).to_contain_text("Who")  # nobody was named: nothing is written
    expect(page.get_by_label("What is dangerous, and where?")).to_have_value("group 3 is swollen")
    assert served.door.pack_sheet("EB-0412").dangers == ()
    page.locator(".report").get_by_label("Who").fill(WHO)
    page.get_by_role("button", name="Report this danger").click()
    expect(page.locator(".danger-box")).to_contain_text("Do not charge")
    expect(page.locator(".next-step")).to_contain_text("trained person")
    expect(page.locator(".pack-verdict")).to_contain_text("does not hold while a danger is open")  # run 2 had passed
    danger = page.locator(".entry-danger")
    danger.locator("summary").click()
    danger.get_by_label("Why").fill("cells of group 3 renewed")
    danger.get_by_role("button", name="Close this danger").click()
    expect(page.locator(".danger-box")).to_have_count(0)
    assert served.door.pack_sheet("EB-0412").card["superseded"][0]["ended"]["why"] == "cells of group 3 renewed"


def test_photo_is_dropped_captioned_kept_and_shown(served, page, tmp_path):
    (tmp_path / "case.png").write_bytes(PNG)
    (tmp_path / "no.jpg").write_bytes(b"<svg onload=alert(1)>")
    open_page(page, served, "/pack/EB-0412")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose photos").click()
    chooser.value.set_files([tmp_path / "case.png", tmp_path / "no.jpg"])
    expect(page.locator("#pack-photo-error .error-panel")).to_contain_text("no photo that can be kept")
    page.get_by_label("What case.png shows").fill("the opened case")
    write(page, "")
    expect(page.locator("#pack-write-done")).to_contain_text("1 photo")
    picture = page.locator(".photo-entry img")
    expect(picture).to_have_attribute("alt", "Photo: the opened case")
    until(page, "document.querySelector('.photo-entry img').naturalWidth === 1")
    photo = served.door.pack_sheet("EB-0412").card["photos"][0]
    assert served.door.photo(photo["sha256"]) == (PNG, "image/png")
    expect(page.locator("#pack-photo-list li")).to_have_count(0)


def test_card_of_a_pack_without_a_test_is_begun_from_the_page(served_empty, page):
    sly = "EB/1 \"x\" <b>🔋"
    open_page(page, served_empty)
    page.get_by_role("link", name="New pack card").click()
    page.get_by_role("button", name="Open the card").click()
    expect(page.locator("#new-card-error")).to_contain_text("the pack has no number")
    page.get_by_label("Pack number").fill(sly)
    page.get_by_label("Pack number").press("Enter")
    expect(page.locator("#pack-write-text")).to_be_visible()
    page.get_by_label("Status", exact=True).check()
    page.get_by_label("re-used").check()
    page.locator(".write-form").get_by_label("Who").fill(WHO)
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".next-step")).to_contain_text("not tested yet")
    until(page, "location.search === ''")
    assert served_empty.door.pack_sheet(sly).card["status"] == "re-used"
    page.reload()
    expect(page.locator("h1")).to_contain_text(sly)
    page.goto(served_empty.address + "/pack/NO-1")
    expect(page.get_by_role("link", name="Begin its card")).to_be_visible()
    page.get_by_role("link", name="Begin its card").click()
    expect(page.locator("#pack-write-text")).to_be_visible()


def test_run_is_relabelled_withdrawn_and_brought_back(served, page):
    open_page(page, served, "/pack/EB-0412")
    acts = page.locator("#pack-acts")
    acts.locator("summary").click()
    acts.get_by_label("New label").fill("after the second repair")
    acts.get_by_role("button", name="Put it right").click()
    expect(acts.locator(".error-panel")).to_contain_text("it is not said")
    expect(acts.get_by_label("New label")).to_have_value("after the second repair")
    acts.get_by_label("Why").fill("mistyped")
    acts.get_by_label("Who").fill(WHO)
    acts.get_by_role("button", name="Put it right").click()
    expect(page.locator(".pack-runs")).to_contain_text("after the second repair")
    acts.get_by_label("Withdraw it").check()
    expect(acts.get_by_label("New label")).to_be_hidden()
    acts.get_by_label("Why").fill("log of another pack")
    acts.get_by_role("button", name="Put it right").click()
    expect(page.locator(".row-withdrawn")).to_contain_text("withdrawn")
    expect(page.locator(".pack-verdict")).to_contain_text("run 1")
    acts.get_by_label("Bring it back").check()
    acts.get_by_label("Why").fill("it was the right one")
    acts.get_by_role("button", name="Put it right").click()
    expect(page.locator(".row-withdrawn")).to_have_count(0)
    kinds = [item["kind"] for item in Register.open(served.door.register_name).corrections(2)]
    assert kinds == ["label", "withdraw", "reinstate"]


def test_missing_ratings_are_added_from_the_verdict_of_a_pack_of_which_the_number_alone_was_known(served, page):
    with Register.open(served.door.register_name) as register:
        log = SAMPLES / "ebike-10s-no-group-taps.csv"
        assert add_logs(register, [(log.name, log.read_bytes())], pack_from_dict({"id": "EB-0398"}, "test"), "", load_criteria()) == 4
    open_page(page, served, "/run/4/verdict")
    page.locator(".part-settle").get_by_role("link", name="Add ratings").first.click()
    acts = page.locator("#pack-acts")
    expect(acts.get_by_label("Rated capacity / Ah")).to_be_hidden()
    acts.get_by_label("Add ratings of the pack and analyse it again").check()  # the fold is open: the address names it
    acts.get_by_label("Rated capacity / Ah").fill("10.4")
    acts.get_by_label("End of charge, pack / V").fill("42")
    acts.get_by_label("End of discharge, pack / V").fill("30")
    acts.get_by_label("Why").fill("label read")
    acts.get_by_label("Who").fill(WHO)
    acts.get_by_role("button", name="Put it right").click()
    expect(page.locator("#pack-act-done")).to_contain_text("Run 4 is analysed again")
    capacity = served.door.run(4).analysis["capacity"]
    expect(page.locator(".pack-runs")).to_contain_text(figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah"))
    expect(page.locator(".page-head")).to_contain_text("rated 10.4 Ah")


def test_entry_closed_in_another_tab_is_told(served, page):
    number = served.door.write_card("EB-0412", [("fault", "rattles")], [], WHO, False)[0]
    open_page(page, served, "/pack/EB-0412")
    served.door.close_entry("EB-0412", number, "C. Dorn", "screw was loose")
    entry(page, "rattles").locator("summary").click()
    change = entry(page, "rattles").locator(".entry-change")
    change.get_by_label("Who").fill(WHO)
    change.get_by_label("Why").fill("mended")
    change.get_by_role("button", name="Close it").click()
    expect(change.locator(".error-panel")).to_contain_text("C. Dorn")
    page.get_by_role("button", name="Read the card again").click()
    expect(page.locator(".card-stands .entries .entry-change")).to_have_count(0)


def test_locked_and_read_only_register_keep_what_was_typed(served, page, monkeypatch):
    monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 0.2)
    open_page(page, served, "/pack/EB-0412")
    locking = sqlite3.connect(served.door.register_name, isolation_level=None)
    locking.execute("BEGIN IMMEDIATE")
    write(page, "rattles when shaken")
    expect(page.locator("#pack-write-done .error-panel")).to_contain_text("Nothing was written")
    expect(page.locator("#pack-write-text")).to_have_value("rattles when shaken")
    locking.execute("ROLLBACK")
    locking.close()
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator("#pack-write-done")).to_contain_text("Written on the card")
    monkeypatch.setattr(served.door._register._database, "read_only", True)
    write(page, "a second fault")
    expect(page.locator("#pack-write-done .error-panel")).to_contain_text("Nothing was written")
    expect(page.locator("#pack-write-text")).to_have_value("a second fault")


@pytest.fixture
def served_over_time(tmp_path):
    """A server over four dated runs of one pack that fades by FADE_AH every 30 days (invented)."""
    kept(tmp_path / "r.sqlite", [analysis(k) for k in range(4)]).close()
    server = Served(tmp_path / "r.sqlite")
    yield server
    server.close()


def test_lines_begin_at_the_run_that_the_address_keeps(served_over_time, page):
    open_page(page, served_over_time, "/pack/EB-0412")
    expect(page.locator(".trend-words")).to_contain_text(f"falls by {FADE_AH:.4f}")
    expect(page.locator(".trend-words")).to_contain_text("runs 1, 2, 3, 4")
    page.goto(f"{served_over_time.address}/pack/EB-0412?since=2")
    expect(page.locator(".trend-words")).to_contain_text("runs 2, 3, 4")
    page.locator("#pack-since").click()
    page.get_by_role("option", name="run 3").click()
    page.wait_for_url("**/pack/EB-0412?since=3")
    expect(page.locator(".trend-words")).to_contain_text("three valid")
    page.go_back()
    expect(page.locator(".trend-words")).to_contain_text("runs 2, 3, 4")
    expect(page.locator("#pack-since")).to_contain_text("run 2")


def test_page_works_with_the_keyboard_and_prints(served, page):
    open_page(page, served, "/pack/EB-0412")
    page.get_by_text("Self-discharge from two rests").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Work it out").press("Enter")
    expect(page.locator("#pack-rest-result .error-panel")).to_contain_text("carries no date")  # why it cannot be told
    page.locator(".report summary").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("What is dangerous, and where?")).to_be_visible()
    page.emulate_media(media="print")
    assert not page.locator(".write-form").is_visible() and not page.locator(".next-step").is_visible()
    assert page.locator(".pack-runs").is_visible() and page.locator("#pack-card-list").is_visible()
