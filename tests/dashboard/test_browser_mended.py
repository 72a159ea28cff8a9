"""In a real browser: dangers on every page, the drop panel when files fail, narrow screens, the workshop's name."""

from __future__ import annotations

import re

import pytest

from cycler.quantities import figure_text

from .conftest import add_overcharged
from .walking import BEFORE, SISTER, drop, open_page, until, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


@pytest.fixture
def served_danger(served):
    """The server with a fourth run, whose group 2 was charged to 4.36 V."""
    assert add_overcharged(served.door.register_name) == 4
    return served


def test_danger_stands_on_top_with_run_group_and_what_to_do(served_danger, page):
    open_page(page, served_danger, "/run/4")
    box = page.locator(".danger-box")
    box.wait_for()
    said = box.inner_text()
    assert "Danger: EB-0415, run 4, group 2" in said and "Do not charge, use or send this pack" in said
    assert box.locator(".flag-danger").count() == 1
    assert box.bounding_box()["y"] < page.locator("h1").bounding_box()["y"]
    box.get_by_role("link", name="See the finding").click()
    page.wait_for_url("**/run/4#findings")
    expect(page.locator("#findings")).to_be_in_viewport()


def test_compare_shows_last_verdicts_and_every_group(served, page):
    open_page(page, served, "/compare?runs=1,2&open=groups")
    page.locator(".group-compare").first.wait_for()
    keys = page.locator(".run-keys li")
    assert "Fail" in keys.nth(0).inner_text() and "Pass" in keys.nth(1).inner_text()
    assert page.locator(".group-compare").count() == 3
    assert page.locator(".group-compare").first.locator("tbody tr").count() == 10
    group = served.door.compare([1, 2], 0)["groups"][3]
    row = page.locator(".group-compare").first.locator("tbody tr").nth(3).inner_text()
    cells = group["capacity_ah"]
    assert figure_text(cells["values"][1], cells["u"][1], "Ah") in row
    assert "+" + figure_text(cells["difference"][1], cells["u_difference"][1], "Ah") in row and "better" in row
    assert page.locator(".danger-lines").count() == 0


# ---- drop panel ------------------------------------------------------------------------------------------------


def test_files_that_fail_have_their_own_messages_and_can_all_be_removed(served, page, tmp_path):
    for name in ("holiday-1.csv", "holiday-2.csv"):
        (tmp_path / name).write_text(f"name,colour\nsun,{name}\n")
    open_page(page, served, "/add")
    drop(page, [tmp_path / "holiday-1.csv", SISTER, tmp_path / "holiday-2.csv"])
    page.locator(".look").wait_for()
    panels = page.locator(".file-list .error-panel")
    assert panels.count() == 2
    assert "holiday-1.csv" in panels.nth(0).inner_text() and "holiday-2.csv" in panels.nth(1).inner_text()
    assert "10 groups" in words(page, ".look")
    expect(page.locator("#add-wait")).to_contain_text("holiday-1.csv, holiday-2.csv")
    page.get_by_role("button", name="Remove all").click()
    expect(page.locator("#add-form")).to_be_hidden()


def test_same_file_dropped_twice_is_refused_with_words(served, page):
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    drop(page, [SISTER])
    page.locator("#add-result .error-panel").wait_for()
    assert "this file is here already" in words(page, "#add-result")
    assert page.locator(".file-list > li").count() == 1


def test_files_and_what_was_typed_survive_a_reload_and_the_way_through_the_pages(served, page):
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0030")
    page.get_by_label("Label of the test").fill("half typed")
    page.get_by_label("Label of the test").blur()
    page.get_by_role("link", name="Compare", exact=True).click()
    page.get_by_text("Choose two to eight runs.").wait_for()
    page.get_by_role("link", name="Add a test", exact=True).click()
    page.locator(".look").wait_for()
    for _ in range(2):
        expect(page.locator(".file-list > li")).to_have_count(1)
        expect(page.get_by_label("Pack number")).to_have_value("CB-0030")
        expect(page.get_by_label("Label of the test")).to_have_value("half typed")
        expect(page.get_by_role("button", name="Add test")).to_be_enabled()
        page.reload()
        page.locator(".look").wait_for()
    page.get_by_role("button", name="Remove all").click()
    expect(page.locator("#add-form")).to_be_hidden()
    expect(page.locator("#add-empty")).to_be_visible()
    folder = served.app.server.extensions["dashboard_uploads"]._folder_path()
    until(page, lambda: list(folder.iterdir()) == [])


def test_adding_waits_for_a_pack_with_its_reason_beside_the_button(served, page):
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    button, why = page.get_by_role("button", name="Add test"), page.locator("#add-wait")
    expect(why).to_have_text("No pack is chosen yet.")
    expect(button).to_be_disabled()
    page.get_by_label("New pack").check()
    expect(why).to_have_text("The new pack has no number yet.")
    page.get_by_label("Pack number").fill("CB-0009")
    expect(button).to_be_enabled()
    expect(why).to_have_text("")
    page.get_by_label("From the pack file").check()
    expect(why).to_have_text("No pack file was dropped yet.")
    expect(button).to_be_disabled()


def test_columns_file_dropped_with_the_log_is_used_in_the_preview_and_kept(served, page, tmp_path):
    # The group columns of the invented log lose their headings' meaning; the columns file gives two of them back.
    log = tmp_path / "odd.csv"
    odd = BEFORE.read_text("utf-8-sig")
    for number in range(10, 0, -1):
        odd = odd.replace(f"Zellgruppe {number} [V]", f"x{chr(96 + number)}q", 1)
    log.write_text(odd, encoding="utf-8")
    columns = tmp_path / "odd-columns.toml"
    columns.write_text("".join(
        f'[[column]]\nname = "x{chr(96 + number)}q"\nrole = "group_voltage"\nunit = "V"\ngroup = {number}\n\n'
        for number in range(1, 11)))
    open_page(page, served, "/add")
    drop(page, [log, columns])
    look = page.locator(".look")
    look.wait_for()
    assert "10 groups" in look.inner_text() and "odd-columns.toml" in look.inner_text()
    assert "columns file" in words(page, ".file-list")
    page.get_by_role("button", name="Remove odd-columns.toml").click()
    expect(look).not_to_contain_text("odd-columns.toml")
    expect(look).not_to_contain_text("10 groups")
    drop(page, [columns])
    expect(look).to_contain_text("10 groups")
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0011")
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/4")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    assert len(served.door.run(4).analysis["groups"]) == 10


def test_fields_of_a_new_pack_stand_in_rows(served, page):
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    fields = page.locator("#add-pack-new-box > div > .field-grid > .field")
    # The tick shows the fields by a callback: an undrawn field has no box to measure.
    fields.first.wait_for(state="visible")
    fields.last.wait_for(state="visible")
    tops = {}
    for field in fields.all():
        box = field.bounding_box()
        control = field.locator("> *").nth(1).bounding_box()
        tops.setdefault(round(box["y"] + box["height"]), []).append(control["y"] + control["height"])
    assert tops
    for ends in tops.values():
        assert max(ends) - min(ends) < 3


# ---- narrow screens --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/?view=runs", "/run/1", "/run/3"])
def test_at_1024_px_no_column_is_cut_without_a_hint(served, page, path):
    page.set_viewport_size({"width": 1024, "height": 768})
    open_page(page, served, path)
    table = {"/": ".pack-table", "/?view=runs": ".run-table"}.get(path)
    page.wait_for_selector(table or ".bar-row .js-plotly-plot")
    for place in page.locator(".table-scroll:visible").all():
        wide = place.evaluate("e => e.scrollWidth > e.clientWidth + 2")
        assert not wide or "can-scroll" in place.get_attribute("class")
    if table:
        date = page.locator(f"{table} tbody tr").first.locator("td").last.bounding_box()
        assert date["x"] + date["width"] <= page.locator(".register-table").bounding_box()["x"] + 1024
        assert not page.locator(".table-scroll").evaluate("e => e.scrollWidth > e.clientWidth + 2")
    else:
        page.get_by_text("Figures of every group").click()
        head = page.locator("th", has_text="Leak at rest / mA")
        head.scroll_into_view_if_needed()
        expect(head).to_be_in_viewport()
        rows = {}
        for card in page.locator(".key-figure").all():
            rows.setdefault(round(card.bounding_box()["y"]), []).append(card)
        assert len({len(cards) for cards in rows.values()}) == 1


def test_pointing_at_a_short_step_names_it(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.locator("#run-curve").scroll_into_view_if_needed()
    page.wait_for_timeout(500)
    bars = page.locator("#run-curve .barlayer .point path")
    boxes = sorted((bars.nth(i).bounding_box() for i in range(bars.count())), key=lambda box: box["x"])
    short = min(boxes[1:-1], key=lambda box: box["width"])
    page.mouse.move(short["x"] + 40, short["y"] + 60)
    page.mouse.move(short["x"] + short["width"] / 2, short["y"] + short["height"] / 2, steps=3)
    expect(page.locator("#run-curve .hoverlayer")).to_contain_text(re.compile(r"Step : 4 pulse −, 10 s"))
