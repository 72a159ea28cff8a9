"""Register in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from urllib.parse import quote

import pytest

from cycler.quantities import figure_text
from cycler.register import Register

from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

HOSTILE = "O'Neil \"blue\" <b>cargo</b>/50 % ü 🔋 " + "long name " * 16
CALLS = "**/_dash-update-component*"
TARGET_PX = 44
"""Least side of what is pressed. Source: WCAG 2.2, success criterion 2.5.5 (target size, enhanced), in CSS pixels."""


def rows(page):
    return page.locator(".list-table tbody tr")


def row_of(page, words_in_it):
    return page.locator(".list-table tbody tr", has_text=words_in_it)


@pytest.fixture
def served_cards(served):
    """The server with two open dangers, a pack that has a card and no test, a sly name, and run 2 withdrawn."""
    with Register.open(served.door.register_name) as register:
        register.add_card_entry("EB-0415", "danger", "One corner is <i>swollen</i>", who="A. Bench")
        register.add_card_entry("EB-0999", "danger", "Wet inside", who="B. Bench", new=True)
        register.add_card_entry(HOSTILE, "note", "Came in", who="A. Bench", new=True)
        register.withdraw(2, who="A. Bench", why="wrong leads")
    return served


# ---- what stands in the rows -------------------------------------------------------------------------------------


def test_register_lists_packs_with_their_last_test(served, page):
    open_page(page, served)
    row = row_of(page, "EB-0412")
    row.wait_for()
    item = served.door.run_items([2])[0]
    said = row.inner_text()
    assert figure_text(item.capacity_ah, item.u_capacity_ah, "Ah") in said
    assert figure_text(item.state_of_health, item.u_state_of_health, "share") in said
    for part in ("NMC 10S4P", "10.4 Ah rated", "nothing found", "Pass", "group 8", "added today", datetime.now(UTC).strftime("%Y-%m-%d"), "run 2"):
        assert part in said, part
    assert row.locator(".shape-pass").count() == 1 and rows(page).count() == 2
    assert "Register" in page.title()


def test_register_lists_runs_with_verdict_in_words_and_capacity_with_uncertainty(served, page):
    open_page(page, served, "/?view=runs")
    page.wait_for_selector(".run-table")
    row = page.locator("tbody tr", has_text="before repair")
    item = next(run for run in served.door.runs() if run.label == "before repair")
    assert figure_text(item.capacity_ah, item.u_capacity_ah, "Ah") in row.inner_text()
    assert "Fail" in row.inner_text() and "group 4" in row.inner_text() and "EB-0412" in row.inner_text()
    # Shape and word, not colour alone.
    assert row.locator(".shape-fail").count() == 1
    assert page.locator("tbody tr", has_text="sister pack").locator(".shape-pass").count() == 1


def test_dangers_stand_above_the_list_and_in_their_rows_and_can_be_asked_for(served_cards, page):
    open_page(page, served_cards)
    rows(page).first.wait_for()
    strip = page.locator(".danger-strip")
    assert "Open danger on 2 packs" in strip.inner_text() and "One corner is <i>swollen</i> (A. Bench" in strip.inner_text()
    assert strip.bounding_box()["y"] < page.locator(".register-table").bounding_box()["y"]
    sister = row_of(page, "EB-0415")
    assert sister.locator(".flag-danger").count() == 1 and "open danger" in sister.inner_text()
    assert "Pass" in sister.inner_text() and "no pass while a danger is open" in sister.inner_text()
    assert "card only, no test yet" in row_of(page, "EB-0999").inner_text()
    repaired = row_of(page, "EB-0412").inner_text()
    assert "1 run withdrawn" in repaired and "Fail" in repaired and "run 1" in repaired  # run 2 counts no more
    strip.get_by_role("link", name="Show these packs").click()
    page.wait_for_url("**/?verdict=danger")
    expect(rows(page)).to_have_count(2)
    expect(page.get_by_label("Open danger", exact=True)).to_be_checked()
    page.get_by_label("Needs attention", exact=True).check()
    expect(rows(page)).to_have_count(3)  # and the pack that has a card and no test
    assert "EB-0412" not in words(page, ".list-table")


@pytest.mark.parametrize("width", [1280, 390])
def test_words_of_a_danger_are_never_cut(served_cards, page, width):
    told = "One corner is swollen and warm; cells of this kind are not charged again. Do not charge it, do not put it into use. " * 3
    with Register.open(served_cards.door.register_name) as register:
        register.add_card_entry("EB-0412", "danger", told + "Keep it outside.", who="A. Bench")
    page.set_viewport_size({"width": width, "height": 844})
    open_page(page, served_cards)
    row_of(page, "EB-0415").locator(".danger-words").wait_for()
    lines = page.locator(".danger-strip li")
    expect(lines).to_have_count(3)
    cut = "e => e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight || getComputedStyle(e).textOverflow === 'ellipsis'"
    assert [lines.nth(n).evaluate(cut) for n in range(3)] == [False] * 3
    long = lines.filter(has_text="Keep it outside.")
    edge = page.evaluate("document.documentElement.clientWidth")
    last = long.evaluate("e => { const r = document.createRange(); r.selectNodeContents(e); const all = [...r.getClientRects()]; return Math.max(...all.map(b => b.right)); }")
    assert long.bounding_box()["height"] > 40 and last <= edge
    # The danger of a row is in sight without scrolling.
    words_box = row_of(page, "EB-0415").locator(".danger-words").first.bounding_box()
    place = page.locator(".table-scroll").bounding_box()
    assert words_box["x"] + words_box["width"] <= place["x"] + place["width"]


def test_pack_of_any_name_opens_its_page_and_its_row_is_as_tall_as_others(served_cards, page):
    open_page(page, served_cards, "/?q=long+name")
    link = row_of(page, "long name").locator("a.row-link")
    link.wait_for()
    assert link.inner_text() == HOSTILE.strip() and page.locator(".list-table b").count() == 0
    assert row_of(page, "long name").bounding_box()["height"] < 110
    link.click()
    page.wait_for_url("**/pack/*")
    assert page.url == f"{served_cards.address}/pack/{quote(HOSTILE.strip(), safe='')}"
    expect(page.locator("h1")).to_contain_text("O'Neil \"blue\" <b>cargo</b>/50 %")


# ---- searching, sorting, paging ----------------------------------------------------------------------------------


def test_register_search_filter_and_sort_keep_their_state_in_the_address(served, page):
    open_page(page, served, "/?view=runs")
    page.get_by_label("Search pack, label or run").fill("0412")
    page.wait_for_url("**/?view=runs&q=0412")
    expect(rows(page)).to_have_count(2)
    page.get_by_label("Fail", exact=True).check()
    page.wait_for_url("**/?view=runs&q=0412&verdict=fail")
    expect(rows(page)).to_have_count(1)
    page.go_back()
    expect(rows(page)).to_have_count(2)
    expect(page.get_by_label("All", exact=True)).to_be_checked()
    page.get_by_role("link", name=re.compile("^Capacity")).click()
    page.wait_for_url("**sort=*capacity*")
    page.reload()
    expect(rows(page)).to_have_count(2)
    assert page.get_by_label("Search pack, label or run").input_value() == "0412"
    page.get_by_label("Packs", exact=True).check()
    page.wait_for_url(re.compile(r"/\?q=0412&sort=-?capacity$"))
    expect(rows(page)).to_have_count(1)
    expect(page.locator(".pack-table")).to_be_visible()


def press(page, title):
    """Press a heading; its arrow and the rows as they stand then."""
    link = page.locator(f'.sort-link[title="{title}"]')
    there = link.get_attribute("href")
    link.click()
    page.wait_for_url(f"**{there}")
    expect(link).not_to_have_attribute("href", there)
    return link.locator(".sort-arrow").inner_text().strip(), [row.inner_text() for row in rows(page).all()]


def test_every_heading_sorts_and_a_second_press_turns_the_order(served, page):
    open_page(page, served)
    page.wait_for_selector(".pack-table")
    titles = [link.get_attribute("title") for link in page.locator(".sort-link").all()]
    assert len(titles) == page.locator(".list-table thead th").count() - 1  # but for the ticks
    for title in titles:
        arrow, listed = press(page, title)
        assert arrow == ("↓" if title == "Sort by last test" else "↑") and len(listed) == 2
    open_page(page, served, "/?view=runs")
    page.wait_for_selector(".run-table")
    up, down = press(page, "Sort by label"), press(page, "Sort by label")
    assert (up[0], down[0]) == ("↑", "↓") and up[1] == down[1][::-1] and len(up[1]) == 3
    assert "after repair" in up[1][0]


def test_pages_of_a_long_list_and_ticks_across_them(served, page, monkeypatch):
    from dashboard.pages import register

    monkeypatch.setattr(register, "ROWS_ON_PAGE", 1)
    open_page(page, served, "/?view=runs")
    expect(page.locator(".table-foot")).to_contain_text("Page 1 of 3")
    row_of(page, "sister pack").locator("input[type=checkbox]").check()
    page.get_by_role("link", name="Next").click()
    expect(page.locator(".table-foot")).to_contain_text("Page 2 of 3")
    row_of(page, "after repair").locator("input[type=checkbox]").check()
    expect(page.locator(".chosen")).to_have_text("To compare: EB-0415 (run 3), EB-0412 (run 2)")
    page.get_by_role("link", name="First").click()
    expect(row_of(page, "sister pack").locator("input[type=checkbox]")).to_be_checked()


# ---- the choice --------------------------------------------------------------------------------------------------


def test_ticks_survive_view_search_and_reload_until_they_are_cleared(served, page):
    open_page(page, served)
    row_of(page, "EB-0412").locator("input[type=checkbox]").check()
    chosen = page.locator(".chosen")
    expect(chosen).to_have_text("Tick at least one more: EB-0412 (run 2)")
    page.get_by_label("Runs", exact=True).check()
    page.wait_for_selector(".run-table")
    expect(row_of(page, "after repair").locator("input[type=checkbox]")).to_be_checked()
    expect(row_of(page, "before repair").locator("input[type=checkbox]")).not_to_be_checked()
    page.get_by_label("Search pack, label or run").fill("sister")
    expect(rows(page)).to_have_count(1)
    # A tick is kept by the browser alone: a program that answers nothing, and a reload at once, lose none.
    page.route(CALLS, lambda call: call.fulfill(status=204))
    rows(page).locator("input[type=checkbox]").check()
    page.wait_for_function("() => sessionStorage.getItem('register-chosen') === '[2,3]'")  # a function: an expression is evaluated again, which the policy refuses
    page.unroute(CALLS)
    page.reload()
    expect(rows(page)).to_have_count(1)
    expect(rows(page).locator("input[type=checkbox]")).to_be_checked()
    expect(chosen).to_have_text("To compare: EB-0412 (run 2), EB-0415 (run 3)")
    expect(page.get_by_role("link", name="Compare 2 runs")).to_have_attribute("href", "/compare?runs=2,3")
    page.get_by_role("button", name="Clear the ticks").click()
    expect(chosen).to_contain_text("Tick two to eight")
    expect(rows(page).locator("input[type=checkbox]")).not_to_be_checked()
    expect(page.get_by_role("link", name=re.compile("Compare . runs"))).to_have_count(0)
    page.reload()
    expect(rows(page).locator("input[type=checkbox]")).not_to_be_checked()


@pytest.mark.parametrize(("values", "on_page", "before", "after"), [
    ([[3], [], [5]], [3, 4, 5], [], [3, 5]),
    ([[3], [4], []], [3, 4, 5], [9, 4], [9, 4, 3]),
    ([[], [], []], [3, 4, 5], [9, 4], [9]),
    ([None], [3], [3, 9], [9]),
    ([[3]], [3], "no list", [3]),
    ([[3]], [3], ["9", None, 9.5, 9], [9, 3]),
])
def test_ticks_keep_what_other_pages_hold_and_the_order(served, page, values, on_page, before, after):
    open_page(page, served)
    names = [{"type": "register-tick", "run": run} for run in on_page]
    assert page.evaluate("given => window.dash_clientside.register.ticked(...given)", [values, names, before]) == after


# ---- gloves, keys, stillness, paper ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/?view=runs"])
def test_rows_and_ticks_can_be_hit_with_gloves_anywhere_and_with_keys(served, page, path):
    open_page(page, served, path)
    rows(page).first.wait_for()
    for row in rows(page).all():
        box, tick = row.bounding_box(), row.locator(".tick label").bounding_box()
        assert box["height"] >= TARGET_PX and min(tick["width"], tick["height"]) >= TARGET_PX
    there = "**/pack/EB-0415" if path == "/" else "**/run/3"
    rows(page).first.locator("input[type=checkbox]").focus()
    page.keyboard.press("Space")
    expect(page.locator(".chosen")).to_contain_text("EB-0415 (run 3)")
    page.keyboard.press("Tab")
    expect(rows(page).first.locator("a.row-link")).to_be_focused()
    assert rows(page).first.evaluate("row => getComputedStyle(row.querySelector('a.row-link'), '::after').outlineStyle") == "solid"
    page.keyboard.press("Enter")
    page.wait_for_url(there)
    open_page(page, served, path)
    rows(page).first.wait_for()
    # A tick beside its box chooses and does not leave the page; anywhere else in the row leads on.
    tick = rows(page).first.locator(".tick label").bounding_box()
    page.mouse.click(tick["x"] + 4, tick["y"] + 4)
    expect(rows(page).first.locator("input[type=checkbox]")).not_to_be_checked()
    row = rows(page).first.bounding_box()
    page.mouse.click(row["x"] + 0.62 * row["width"], row["y"] + row["height"] - 6)
    page.wait_for_url(there)


def test_nothing_moves_while_the_list_loads_is_sorted_or_ticked(served, page):
    """Source of the measure: Layout Instability (W3C/WICG draft), the sum of layout-shift entries; 0.1 is held to be good (from memory)."""
    page.add_init_script(
        "window.moved = 0; new PerformanceObserver(list => { for (const entry of list.getEntries()) { window.moved += entry.value; } })"
        ".observe({ type: 'layout-shift', buffered: true });"
    )
    open_page(page, served)
    rows(page).first.wait_for()
    rows(page).nth(0).locator("input[type=checkbox]").check()
    rows(page).nth(1).locator("input[type=checkbox]").check()
    page.get_by_role("link", name="Compare 2 runs").wait_for()
    top = page.locator(".list-table").bounding_box()["y"]
    page.get_by_role("link", name=re.compile("^Capacity")).click()
    page.wait_for_url("**sort=capacity")
    page.locator(".sort-here", has_text="Capacity").wait_for()
    assert page.locator(".list-table").bounding_box()["y"] == top
    assert page.evaluate("window.moved") < 0.05


def test_printed_list_shows_rows_without_tools_and_is_light(served, page):
    open_page(page, served)
    rows(page).first.wait_for()
    page.emulate_media(media="print", color_scheme="dark")
    for hidden in ("#register-search", ".compare-row", ".tick", ".masthead"):
        assert not page.locator(hidden).first.is_visible(), hidden
    assert "EB-0412" in words(page, ".list-table") and page.locator(".table-foot").is_visible()
    assert page.evaluate("getComputedStyle(document.querySelector('.list-table a.row-link')).color") == "rgb(0, 0, 0)"


def test_empty_register_says_what_to_do(served_empty, page):
    open_page(page, served_empty)
    page.get_by_text("The register is empty.").wait_for()
    assert "a folder can be named that is watched" in words(page, ".empty-state")
    page.locator(".register-table").get_by_role("link", name="Add a test").click()
    page.wait_for_url("**/add")


def test_address_that_is_no_page_says_so(served, page):
    page.goto(served.address + "/no/such/page")
    page.get_by_text("There is no such page.").wait_for()
    page.goto(served.address + "/run/99")
    page.locator(".error-panel").wait_for()
    assert "no run 99 in the register" in words(page, ".error-panel")
