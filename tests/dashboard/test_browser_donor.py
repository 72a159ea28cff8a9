"""The pages of the donor check and of the options in a real browser: typing, lists, files, a wrong entry, the phone, paper, deciding."""

from __future__ import annotations

import pytest

from cycler.repair.connector import load_connector
from cycler.repair.workshop import load_workshop

from .conftest import SAMPLES
from .walking import WIDEST, open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

JOBS = SAMPLES / "jobs"
PLUGS = JOBS / "connectors"
WHO = "A. Bell"


def side(page, number):
    return page.locator(".donor-side").nth(number)


def fold_open(page, number):
    side(page, number).locator("summary", has_text="Paste a list").click()


def choose(page, number, file):
    with page.expect_file_chooser() as chooser:
        side(page, number).get_by_role("button", name="Choose files").click()
    chooser.value.set_files([str(file)])


def pin(page, number):
    return page.locator(f'.donor-pin[data-pin="{number}"]')


def test_donor_check_from_readings_to_the_job(served_empty, page, tmp_path):
    door = served_empty.door
    job = door.open_job("EB-0431", "dead, board suspected", WHO)
    open_page(page, served_empty, f"/bench/donor?job={job}")
    expect(page.locator("#donor-result")).to_contain_text("Nothing to compare yet")
    # A list, pasted: five groups; then the board's readings typed pin by pin, Enter after each.
    fold_open(page, 0)
    side(page, 0).get_by_label("Readings of the pack's plug").fill("0\n3,60\n7.20\n10.80\n14.40\n18.00")
    side(page, 0).get_by_role("button", name="Put into the form").click()
    expect(page.get_by_label("Potential of pin 6 / V, the pack's plug")).to_have_value("18.00")
    page.get_by_label("Potential of pin 1 / V, the board's plug").focus()
    for volts in ("0", "3.9", "7.8", "15.6", "11.7", "19.5"):
        page.keyboard.type(volts)
        page.keyboard.press("Enter")
    expect(page.get_by_label("Potential of pin 7 / V, the board's plug")).to_be_focused()
    expect(page.locator(".donor-word")).to_have_text("Do not connect")
    expect(page.locator(".donor-head .shape-fail")).to_be_visible()
    expect(page.locator("#donor-result")).to_contain_text("Pins 4 and 5 are exchanged.")
    # Tap 3 where the board expects tap 4: one group of 3.60 V too low; the other way round on the next pin.
    expect(pin(page, 4)).to_contain_text("Stands across this input: -3.600 ±")
    expect(pin(page, 5)).to_contain_text("Stands across this input: 3.600 ±")
    expect(pin(page, 6)).to_contain_text("Same")
    # A wrong number stays where it was typed, takes the result away and is named.
    page.get_by_label("Potential of pin 3 / V, the pack's plug").fill("7.2o")
    page.keyboard.press("Enter")
    expect(page.locator("#donor-result")).to_contain_text("the pack's plug, pin 3: the potential is not a number")
    expect(page.locator(".donor-head")).to_have_count(0)
    page.get_by_role("button", name="Keep on the job").click()
    expect(page.locator("#donor-job-done .error-panel")).to_contain_text("there is no result to keep")
    # After a reload everything stands as it was typed.
    page.reload()
    expect(page.get_by_label("Potential of pin 3 / V, the pack's plug")).to_have_value("7.2o")
    page.get_by_label("Potential of pin 3 / V, the pack's plug").fill("7.2")
    for number, volts in ((4, "11.7"), (5, "15.6")):
        page.get_by_label(f"Potential of pin {number} / V, the board's plug").fill(volts)
        page.keyboard.press("Enter")
    expect(page.locator(".donor-word")).to_have_text("Potentials agree")
    expect(page.locator(".donor-head")).to_contain_text("Measured potentials agree; confirm with the maker's data.")
    # Files in, a file out.
    fold_open(page, 0)
    choose(page, 0, PLUGS / "eb-0431-harness.toml")
    expect(page.get_by_label("Number of pins, the pack's plug")).to_have_value("13")
    fold_open(page, 1)
    choose(page, 1, PLUGS / "donor-c-13-groups.toml")
    expect(page.locator(".donor-head")).to_contain_text("the board is made for 13")
    choose(page, 1, SAMPLES / "bench-2.toml")
    expect(side(page, 1).locator(".error-panel")).to_contain_text("The form stands as it was.")
    choose(page, 1, PLUGS / "donor-b-shifted.toml")
    expect(page.locator(".donor-head")).to_contain_text("shifted by one tap")
    with page.expect_download() as download:
        side(page, 0).get_by_role("button", name="Download as a file").click()
    download.value.save_as(tmp_path / "own.toml")
    assert [item.v for item in load_connector(tmp_path / "own.toml").pins] == [item.v for item in load_connector(PLUGS / "eb-0431-harness.toml").pins]
    # On the job, with both plugs.
    page.locator("#donor-job-box").get_by_label("Who").fill(WHO)
    page.get_by_role("button", name="Keep on the job").click()
    expect(page.locator("#donor-job-done .done")).to_be_visible()
    entry = next(item for item in door.job(job)["entries"] if item["kind"] == "donor_check")
    assert entry["data"]["result"] == "do_not_connect" and entry["data"]["donor_file"].startswith("# One side of a plug") and entry["text"].startswith("Do not connect.")
    # The phone, and paper: the form stays off it.
    page.set_viewport_size({"width": 390, "height": 844})
    over, out = page.evaluate(WIDEST)
    assert over <= 0, out
    page.emulate_media(media="print")
    expect(side(page, 0)).to_be_hidden()
    expect(page.locator(".donor-word")).to_be_visible()


def test_options_from_vetoes_to_the_decision(served_empty, page):
    door = served_empty.door
    empty = door.open_job("EB-0499", "nothing known", WHO)
    dead, scrap = door.open_job("CB-0222", "stops early", WHO), door.open_job("MS-0150", "lay for a year", WHO)
    door.keep_sheet(dead, (JOBS / "dead-group.toml").read_text(), WHO)
    door.keep_sheet(scrap, (JOBS / "deep-discharged.toml").read_text(), WHO)
    open_page(page, served_empty, f"/job/{empty}/options")
    expect(page.get_by_role("link", name="Bench sheet of this job")).to_have_attribute("href", f"/job/{empty}/sheet")

    open_page(page, served_empty, f"/job/{dead}/options")
    expect(page.locator(".danger-box")).to_contain_text("Group 9 is below the level from which a cell is charged again")
    assert words(page, ".option-first h3") == "Replace the cells of one group"
    assert [item.get_attribute("data-option") for item in page.locator(".option").all()] == ["repair_group", "scrap", "harvest"]
    group = next(item for item in door.options_of(dead)["options"] if item["code"] == "repair_group")
    assert f"{group['net_expected']:.0f}"[:2] in words(page, ".option-first .figure") and "EUR" in words(page, ".option-first .figure")
    expect(page.locator(".options-turn")).to_contain_text("comes before")
    for name in ("Another protection board (barred)", "Bring the groups to one level (barred)"):
        expect(page.get_by_label(name)).to_be_disabled()
    # The workshop's figures: a wrong one is marked and nothing is kept; then a pack worth nothing turns the ranking.
    page.get_by_label("Brings, this one pack (before the field beside it) / EUR, A mended pack").fill("90 – 20")
    page.get_by_role("button", name="Keep and reckon again").click()
    expect(page.locator("#options-keep-done .error-panel")).to_contain_text("Nothing was kept: 1 to mend.")
    assert not door.workshop_file.exists()
    page.get_by_label("Brings, this one pack (before the field beside it) / EUR, A mended pack").fill("20 – 90")
    page.get_by_role("button", name="Keep and reckon again").click()
    expect(page.locator(".option-first h3")).to_have_text("Scrap")
    assert load_workshop(door.workshop_file).get("pack.value").high == 90.0
    expect(page.locator("#options-body")).to_contain_text("Invented figures were counted for 21 entries")
    # Deciding: nothing chosen, then with a name.
    page.get_by_role("button", name="Write the decision").click()
    expect(page.locator("#options-decided .error-panel")).to_contain_text("no option is chosen")
    page.locator(".options-decide").get_by_label("Scrap", exact=True).check()
    page.get_by_label("Why, in your words").fill("not worth the cells")
    page.locator(".options-decide").get_by_label("Who").fill(WHO)
    page.get_by_role("button", name="Write the decision").click()
    expect(page.locator("#options-decided .done")).to_contain_text("Written on the job: Scrap.")
    entry = next(item for item in door.job(dead)["entries"] if item["kind"] == "decision")
    assert entry["data"]["option"] == "scrap" and entry["text"] == "not worth the cells" and "value = [20, 90]" in entry["data"]["workshop"]
    page.set_viewport_size({"width": 390, "height": 844})
    over, out = page.evaluate(WIDEST)
    assert over <= 0, out

    open_page(page, served_empty, f"/job/{scrap}/options")
    assert [item.get_attribute("data-option") for item in page.locator(".option").all()] == ["scrap"]
    expect(page.locator("#options-body")).to_contain_text("does not fly")


def test_a_barred_option_cannot_be_decided_for(served_empty):
    from cycler.errors import InputError

    door = served_empty.door
    job = door.open_job("CB-0222", "stops early", WHO)
    door.keep_sheet(job, (JOBS / "dead-group.toml").read_text(), WHO)
    with pytest.raises(InputError, match="is barred"):
        door.decide_option(job, "repair_board", "", WHO)
    with pytest.raises(InputError, match="no option is chosen"):
        door.decide_option(job, "", "", WHO)
    assert [item for item in door.job(job)["entries"] if item["kind"] == "decision"] == []
