"""A walk through every page in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cycler.errors import InputError
from cycler.quantities import figure_text
from cycler.register import Register

from .conftest import SAMPLES

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

BEFORE = SAMPLES / "ebike-10s4p-before-repair.csv"
SISTER = SAMPLES / "ebike-10s4p-sister.csv"


def open_page(page, served, path="/"):
    page.goto(served.address + path)
    page.wait_for_selector("h1")


def words(page, selector):
    return page.locator(selector).first.inner_text()


def drop(page, files):
    """Choose files through the page's own button, as a drop does."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files(files)


def drawn(page, selector, trace=0):
    """Points of a trace of a figure as the browser holds them."""
    script = "([s, n]) => { const d = document.querySelector(s + ' .js-plotly-plot')._fullData[n]; return [d.x.length, d.name]; }"
    return page.evaluate(script, [selector, trace])


# ---- register --------------------------------------------------------------------------------------------------


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


# ---- adding ----------------------------------------------------------------------------------------------------


def test_log_and_pack_file_dropped_in_become_a_run(served_empty, page):
    open_page(page, served_empty)
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    assert re.search(r"Read as [\d\u202f]+ samples over \d+ h \d+ min; 10 groups; 1 temperature", words(page, ".look"))
    assert "ebike-0412.toml: pack EB-0412, nmc 10S4P" in words(page, "#add-pack-file-box")
    page.get_by_label("Label of the run").fill("as it came in")
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/1")
    page.wait_for_selector(".key-figures")
    capacity = served_empty.door.run(1).analysis["capacity"]
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in words(page, ".key-figures")
    assert "as it came in" in words(page, "h1")
    # Stored byte for byte.
    with Register.open(served_empty.door.register_name) as register:
        assert register.raw_sources(1) == [(BEFORE.name, BEFORE.read_bytes())]


def test_log_dropped_on_the_page_is_taken(served, page):
    open_page(page, served)
    page.evaluate(
        """text => {
            const data = new DataTransfer();
            data.items.add(new File([text], 'part.csv', {type: 'text/csv'}));
            document.querySelector('.drop-zone').dispatchEvent(
                new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true}));
        }""",
        SISTER.read_bytes().decode("utf-8-sig"),
    )
    page.locator(".look").wait_for()
    assert "part.csv" in words(page, ".file-list") and "10 groups" in words(page, ".look")


def test_new_pack_typed_in_becomes_a_run_with_its_ratings(served, page):
    open_page(page, served)
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0007")
    page.get_by_label("Groups in series").fill("10")
    page.get_by_label("Rated capacity / Ah").fill("10.4")
    page.get_by_label("End of discharge, pack / V").fill("30")
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/4")
    page.wait_for_selector(".key-figures")
    assert served.door.run(4).analysis["pack"]["rated_capacity_ah"] == 10.4
    assert "10.4 Ah" in words(page, ".key-figures")


def test_file_that_cannot_be_read_shows_four_parts_and_nothing_is_stored(served, page, tmp_path):
    bad = tmp_path / "holiday.csv"
    bad.write_text("name,colour\nsun,yellow\nsea,blue\n")
    open_page(page, served)
    drop(page, [bad])
    panel = page.locator(".error-panel").first
    panel.wait_for()
    said = panel.inner_text()
    assert all(part in said for part in ("Cannot go on:", "Where", "Why", "How to mend", "Nothing was stored."))
    assert "holiday.csv" in said and "Traceback" not in said
    assert page.get_by_role("button", name="Add run").is_disabled()
    assert len(served.door.runs()) == 3


def test_pack_file_with_a_slip_names_its_line(served, page, tmp_path):
    slip = tmp_path / "pack.toml"
    slip.write_text('id = "CB-1"\nserie = 10\n')
    open_page(page, served)
    drop(page, [SISTER, slip])
    page.locator(".file-list .error-panel").wait_for()
    assert "pack.toml:2" in words(page, ".file-list .error-panel") and "series" in words(page, ".file-list .error-panel")
    # Told once, and the button says why it waits.
    assert page.locator(".error-panel").count() == 1
    assert page.get_by_role("button", name="Add run").is_disabled()
    expect(page.locator("#add-wait")).to_have_text("A file cannot be used: pack.toml. Mend or remove it.")
    assert len(served.door.runs()) == 3


def test_file_above_the_limit_is_refused_on_the_page(served_empty, page, tmp_path):
    big = tmp_path / "big.csv"
    big.write_bytes(b"1;2;3\n" * 600_000)
    open_page(page, served_empty)
    drop(page, [big])
    page.locator("#add-result .error-panel").wait_for()
    assert "too large" in words(page, "#add-result") and ".csv.gz" in words(page, "#add-result")
    # The browser itself reports the refused call; that is the one error this test may cause.
    assert all("413" in error for error in page.watched.errors)
    page.watched.errors.clear()


def test_same_log_twice_is_refused_with_the_run_that_holds_it(served, page):
    open_page(page, served)
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_role("button", name="Add run").click()
    page.locator("#add-error .error-panel").wait_for()
    said = words(page, "#add-error")
    assert "run 1 (before repair)" in said and "tick" in said and "--again" not in said and "cycler" not in said
    page.get_by_label("Add even if").check()
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/4")


# ---- run -------------------------------------------------------------------------------------------------------


def test_run_shows_figures_findings_and_curve(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    analysis = served.door.run(1).analysis
    headline = analysis["resistance"]["headline"]
    strip = words(page, ".key-figures")
    assert figure_text(headline["ohm_10s"], headline["u_ohm_10s"], "ohm") in strip and "mΩ" in strip
    assert "group 4" in strip
    assert "Weak group" in words(page, ".findings") and "group 4" in words(page, ".findings")
    titles = page.locator("#run-curve .g-xtitle, #run-curve [class^=g-y]").all_text_contents()
    assert "Pack / V" in titles and "Groups / V" in titles
    assert page.locator(".bar-row:not(.curve-pair) .js-plotly-plot").count() == 3
    assert "mΩ" in " ".join(page.locator(".bar-row .gtitle").all_text_contents())


def test_run_zoom_draws_the_window_from_the_whole_log(served, page):
    open_page(page, served, "/run/3")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.get_by_text("Lowest and highest sample of each stretch").wait_for()
    thinned = drawn(page, "#run-curve")
    page.locator("#run-curve").scroll_into_view_if_needed()
    panel = page.locator("#run-curve .nsewdrag").first.bounding_box()
    height = panel["y"] + panel["height"] / 2
    page.mouse.move(panel["x"] + 300, height)
    page.mouse.down()
    page.mouse.move(panel["x"] + 340, height, steps=4)
    page.mouse.up()
    page.get_by_text("Every sample of this window is drawn.").wait_for()
    low, high = page.evaluate("document.querySelector('#run-curve .js-plotly-plot').layout.xaxis.range")
    time_s = served.door.curves(3).time_s
    inside = int(((time_s >= 3600 * low) & (time_s <= 3600 * high)).sum())
    points, name = drawn(page, "#run-curve")
    assert name == "Pack" and inside <= points <= inside + 2 and thinned[0] <= 1502
    page.get_by_role("button", name="Whole test").click()
    page.get_by_text("Lowest and highest sample of each stretch").wait_for()
    assert drawn(page, "#run-curve") == thinned
    edges = page.evaluate("document.querySelector('#run-curve .js-plotly-plot')._fullLayout.xaxis.range")
    assert edges == pytest.approx([0.0, time_s[-1] / 3600])


def test_run_whose_log_cannot_be_read_again_says_so_and_shows_the_rest(served, page, monkeypatch):
    def broken(_run_id):
        raise InputError("the stored log is damaged", "run 1", "its digest differs", "restore the register from a copy")

    monkeypatch.setattr(served.door._register, "log", broken)
    open_page(page, served, "/run/1")
    page.locator("#run-curve-note .error-panel").wait_for()
    assert "restore the register from a copy" in words(page, "#run-curve-note")
    assert "Weak group" in words(page, ".findings")


def test_run_reading_at_a_typed_time_gives_every_trace_with_unit(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.get_by_label("Read at / h").fill("4")
    page.keyboard.press("Enter")
    page.locator(".readings").wait_for()
    curves = served.door.curves(1)
    row = abs(curves.time_s - 4 * 3600).argmin()
    said = words(page, ".readings")
    assert f"{curves.series[0].value[row]:.3f} V" in said and "°C" in said and " A" in said
    assert "discharge" in words(page, ".readings-head")


def test_run_marked_group_is_kept_in_the_address(served, page):
    def marked():
        return page.evaluate("document.querySelector('#run-curve .js-plotly-plot').data.map(d => d.name).find(n => /marked/.test(n))")

    open_page(page, served, "/run/1?mark=2")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    assert marked() == "Group 2, marked"
    page.locator("#run-mark").click()
    page.get_by_role("option", name="group 7", exact=True).click()
    page.wait_for_url("**/run/1?mark=7")
    page.go_back()
    page.wait_for_url("**/run/1?mark=2")
    expect(page.locator("#run-mark")).to_contain_text("group 2")
    assert served.door.run(1).analysis["limiting_group"] == 4


# ---- compare ---------------------------------------------------------------------------------------------------


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


# ---- verdict ---------------------------------------------------------------------------------------------------


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


# ---- all of it -------------------------------------------------------------------------------------------------


def test_pages_work_with_the_keyboard_alone(served, page):
    open_page(page, served)
    page.wait_for_selector(".run-table")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip-link"
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "strong-link":
            break
    page.keyboard.press("Enter")
    page.wait_for_selector(".key-figures")


def test_text_from_files_is_never_markup(served_empty, page, tmp_path):
    # A label and a heading that would run as script if the page put them in unescaped.
    sly = "<img src=x onerror=alert(1)>"
    log = tmp_path / "sly.csv"
    log.write_text(BEFORE.read_text(encoding="utf-8-sig").replace("Ablauf", sly, 1), encoding="utf-8")
    open_page(page, served_empty)
    drop(page, [log, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_label("Label of the run").fill(sly)
    page.get_by_role("button", name="Add run").click()
    page.wait_for_url("**/run/1")
    page.wait_for_selector(".key-figures")
    assert sly in words(page, "h1")
    assert page.locator("img[src=x]").count() == 0


def test_printed_run_leaves_out_what_only_works_on_screen(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")
    page.emulate_media(media="print")
    assert not page.locator(".masthead").is_visible()
    assert not page.locator("#run-whole").is_visible()
    assert page.locator(".key-figures").is_visible() and page.locator("#run-curve").is_visible()


def test_dark_page_follows_the_system(browser, served):
    context = browser.new_context(color_scheme="dark")
    dark = context.new_page()
    dark.goto(served.address)
    dark.wait_for_selector(".run-table")
    assert dark.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 24, 27)"
    context.close()
