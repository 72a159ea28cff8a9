"""Comparison in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re
import shutil
import struct

import pytest

from cycler.compare import changes
from cycler.criteria import load_criteria
from cycler.pack import load_pack
from cycler.quantities import figure_text
from cycler.register import Register
from cycler.workflow import add_logs

from .conftest import SAMPLES, Served
from .walking import drawn, open_page, search, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

CURVE = "#compare-curve .scatterlayer path.js-line"

@pytest.fixture(scope="module")
def served(filled):
    """One server for all walks here: none of them writes."""
    server = Served(filled)
    yield server
    server.close()


def range_of(page):
    return page.evaluate("document.querySelector('#compare-curve .js-plotly-plot').layout.xaxis.range")


def until(page, condition):
    """Wait until the page's figure ``d`` meets a condition; the content policy forbids the browser driver's own way of waiting for one."""
    page.evaluate(
        "() => new Promise((done) => { const look = () => { const d = document.querySelector('#compare-curve .js-plotly-plot'); "
        f"if (d && d._fullData && ({condition})) {{ done(true); }} else {{ setTimeout(look, 40); }} }}; look(); }})"
    )


def test_compare_over_charge_with_differences(served, page):
    open_page(page, served, "/compare?runs=1,2")
    page.wait_for_selector(CURVE)
    page.locator("#compare-axis").get_by_label("Charge / Ah").check()
    page.wait_for_url("**x=ah")
    page.get_by_text("Charge delivered / Ah").wait_for()
    page.get_by_text("Minus A / mV").wait_for()
    row = page.locator(".compare-table tbody tr", has_text="Capacity").first.inner_text()
    result = served.door.compare([1, 2], 0)
    line = next(item for item in result["rows"] if item["quantity"] == "capacity_ah")
    assert "+" + figure_text(line["difference"][1], line["u_difference"][1], "Ah") in row
    assert "better" in row


def test_compare_whole_state_comes_from_the_address(served, page):
    open_page(page, served, "/compare?runs=1,2&packs=EB-0415&ref=2&x=soc&y=group&group=4&with=temperature&from=30&to=60&open=groups")
    page.get_by_text("State of charge / %").wait_for()
    expect(page.get_by_text("Differences from B")).to_have_count(1)
    expect(page.locator("#compare-axis").get_by_label("State of charge")).to_be_checked()
    expect(page.get_by_label("One group")).to_be_checked()
    expect(page.locator("#compare-group")).to_contain_text("group 4")
    expect(page.get_by_label("Temperature")).to_be_checked()
    expect(page.locator(".run-keys li")).to_have_count(3)
    expect(page.locator(".run-keys")).to_contain_text("newest of EB-0415")
    page.get_by_text("Group 4 / V").wait_for()
    assert range_of(page) == [60, 30]
    expect(page.locator(".group-compare").first).to_be_visible()
    row = page.locator(".compare-table tbody tr", has_text="State of health").first.inner_text()
    assert "percentage points" in row
    page.reload()
    page.get_by_text("Group 4 / V").wait_for()
    assert range_of(page) == [60, 30]


def test_compare_zoom_fold_and_back_keep_to_the_address(served, page):
    open_page(page, served, "/compare?runs=1,2")
    page.wait_for_selector(CURVE)
    page.get_by_label("Pack per group").check()
    page.wait_for_url("**y=per-group")
    page.get_by_text("Pack per group / V").wait_for()
    whole = drawn(page, "#compare-curve")[0]
    place = page.locator("#compare-curve .nsewdrag").first.bounding_box()
    page.mouse.move(place["x"] + 200, place["y"] + 60)
    page.mouse.down()
    page.mouse.move(place["x"] + 420, place["y"] + 70, steps=4)
    page.mouse.up()
    page.wait_for_url(re.compile(r"from=[\d.]+&to=[\d.]+"))
    until(page, f"d._fullData[0].x.length !== {whole}")
    low, high = (float(value) for value in re.search(r"from=([\d.]+)&to=([\d.]+)", page.url).groups())
    assert range_of(page) == pytest.approx([low / 60, high / 60])  # seconds in the address, minutes on the axis
    page.get_by_role("button", name="Show the whole").click()
    page.wait_for_url("**/compare?runs=1,2&y=per-group")
    page.get_by_text("Tables of the groups, with differences").click()
    page.wait_for_url("**open=groups")
    page.go_back()
    page.wait_for_url("**/compare?runs=1,2&y=per-group")
    expect(page.locator("#compare-fold-groups")).not_to_have_attribute("open", "")
    page.go_back()
    page.wait_for_url(re.compile("from="))
    until(page, "d.layout.xaxis.range && d.layout.xaxis.autorange !== true")
    assert range_of(page) == pytest.approx([low / 60, high / 60])
    page.go_back()
    page.go_back()
    page.wait_for_url("**/compare?runs=1,2")
    expect(page.locator("#compare-quantity").get_by_label("Pack", exact=True)).to_be_checked()


def test_compare_a_pack_is_found_by_typing(served, page):
    open_page(page, served, "/compare?runs=1")
    page.get_by_text("Choose at least one more run.").wait_for()
    page.locator("#compare-pick").click()
    search(page, "0415")
    expect(page.get_by_role("option")).to_have_count(2)  # the list moves while it is narrowed: what is pressed must stand still
    page.get_by_text("EB-0415: its newest run that counts (run 3)").click()
    page.wait_for_url("**/compare?runs=1&packs=EB-0415")
    page.keyboard.press("Escape")
    expect(page.locator(".run-keys li")).to_have_count(2)


def test_compare_before_and_after_in_words(served, page):
    open_page(page, served, "/compare?before-after=EB-0412")
    page.wait_for_selector(".sum-line")
    assert words(page, "h1") == "EB-0412: before and after"
    said = words(page, ".sum-line")
    better = changes(served.door.compare([1, 2], 0), 1)["better"]
    assert better and all(item["difference"].replace("-", "−") in said for item in better)
    assert "better" in said and "worse" not in said
    page.get_by_role("link", name="Compare with other runs").click()
    page.wait_for_url("**/compare?runs=1,2")
    expect(page.locator("h1")).to_have_text("Compare runs")
    expect(page.locator("#compare-pick")).to_be_visible()
    expect(page.locator(".sum-line")).to_have_count(0)


def test_compare_is_taken_along_as_pictures_and_table(served, page):
    page.emulate_media(color_scheme="dark")
    open_page(page, served, "/compare?runs=1,2&x=ah")
    page.wait_for_selector(CURVE)
    with page.expect_download() as taken:
        page.locator("#compare-export").get_by_role("button", name="Picture as SVG").click()
    assert taken.value.suggested_filename == "compare-runs-1-2-pack-over-ah.svg"
    picture = taken.value.path().read_text("utf-8")
    assert "A EB-0412 before repair (run 1)" in picture and "Charge delivered / Ah" in picture and "Minus A / mV" in picture
    # White ground and dark ink whatever the scheme: the text of the axes has the page's light ink, and none its dark one.
    assert "rgb(255, 255, 255)" in picture and "rgb(28, 34, 38)" in picture and "rgb(233, 231, 224)" not in picture
    with page.expect_download() as taken:
        page.locator("#compare-export").get_by_role("button", name="Picture as PNG").click()
    head = taken.value.path().read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"  # signature and header chunk: PNG (Third Edition), 5.2 and 11.2.1 (from memory)
    wide, high = struct.unpack(">II", head[16:24])
    assert wide == 2400 and high > 1000
    with page.expect_download() as taken:
        page.locator("#compare-group-part").get_by_role("button", name="Picture as SVG").click()
    assert taken.value.suggested_filename == "compare-runs-1-2-groups.svg"
    with page.expect_download() as taken:
        page.get_by_role("link", name="Table as CSV").click()
    assert taken.value.suggested_filename == "compare-runs-1-2-table.csv"


# Words and figures of the group charts that lie on one another, once the figure has stood still for 30 frames.
OVERPRINT = """async () => { const next = () => new Promise(done => requestAnimationFrame(done));
    const place = () => document.querySelector('#compare-group-curve .main-svg');
    for (let calm = 0, shape = ''; calm < 30; await next()) { const now = place() ? place().getAttribute('height') + place().innerHTML.length : '';
        calm = now && now === shape ? calm + 1 : 0; shape = now; }
    const texts = Array.from(document.querySelectorAll('#compare-group-curve .main-svg text')).filter(e => e.textContent.trim() && e.checkVisibility())
        .map(e => [e.textContent, e.getBoundingClientRect()]).filter(([, box]) => box.width > 0);
    const edge = document.querySelector('#compare-group-curve').getBoundingClientRect(), found = [];
    texts.forEach(([words, a], i) => { if (a.left < edge.left - 1 || a.right > edge.right + 1 || a.bottom > edge.bottom + 1) found.push(words + ' is cut');
        for (const [others, b] of texts.slice(i + 1)) { if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 0.5
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2) found.push(words + ' on ' + others); } });
    return [found, new Set(Array.from(document.querySelectorAll('#compare-group-curve .annotation')).map(e => Math.round(e.getBoundingClientRect().top))).size]; }"""


@pytest.mark.parametrize("runs", ["1,2", "1,2,3"])
def test_charts_of_the_groups_are_not_printed_over_one_another_at_any_width(served, page, runs):
    open_page(page, served, f"/compare?runs={runs}")
    page.locator("#compare-group-curve .barlayer").first.wait_for(state="attached")
    for width, rows in ((1280, 1), (390, 3), (820, 3), (1024, 1)):  # turned to and fro: the figure follows the window
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate(OVERPRINT) == [[], rows], width


def test_picture_of_the_groups_taken_on_a_narrow_screen_is_as_wide_as_any(served, page):
    pictures = []
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 844})
        open_page(page, served, "/compare?runs=1,2")
        page.locator("#compare-group-curve .barlayer").first.wait_for(state="attached")
        assert page.evaluate(OVERPRINT)[0] == []
        with page.expect_download() as taken:
            page.locator("#compare-group-part").get_by_role("button", name="Picture as SVG").click()
        pictures.append(taken.value.path().read_text("utf-8"))
    # Size of the picture, and where the titles of the three charts stand.
    places = [re.findall(r'main-svg"[^>]* width="(\d+)" height="(\d+)"|cursor-pointer" transform="translate\(([\d.]+),([\d.]+)\)', one) for one in pictures]
    assert places[0] == places[1] and len(places[0]) >= 4
    assert [one.count('class="bartext') for one in pictures] == [60, 60]


# What of the tables of runs is out of sight, and the mark before the first figure.
OUT_OF_SIGHT = """() => { const edge = document.documentElement.clientWidth, found = [];
    for (const table of document.querySelectorAll('.compare-table, .group-compare')) { const place = table.closest('.table-scroll');
        if (place.scrollWidth > place.clientWidth) found.push('scrolls: ' + table.className);
        for (const e of table.querySelectorAll('tbody th, tbody td, tbody td *')) { const box = e.getBoundingClientRect();
            if (box.left < 0 || box.right > edge || e.scrollWidth > e.clientWidth + 1 && e.clientWidth) found.push(e.innerText); } }
    return [found, getComputedStyle(document.querySelector('.compare-table td'), '::before').content !== 'none']; }"""


@pytest.mark.parametrize("runs", ["1,2", "1,2,3"])
def test_figures_of_all_runs_are_within_sight_on_a_narrow_screen(served, page, runs):
    page.set_viewport_size({"width": 390, "height": 844})
    open_page(page, served, f"/compare?runs={runs}&open=groups")
    page.locator(".group-compare").first.wait_for()
    row = page.locator(".compare-table tbody tr", has_text="Capacity").first
    assert page.evaluate(OUT_OF_SIGHT) == [[], True]
    tops = [row.locator("td").nth(n).bounding_box()["y"] for n in range(2)]
    assert tops[0] > row.locator("th").bounding_box()["y"] and tops[1] > tops[0]
    said = page.locator(".table-words")
    box = said.bounding_box()
    assert "Under each figure" in said.inner_text() and box["x"] >= 0 and box["x"] + box["width"] <= 390
    assert page.locator(".table-scroll .table-words, .compare-table caption").count() == 0
    page.set_viewport_size({"width": 1280, "height": 800})
    assert page.evaluate(OUT_OF_SIGHT)[1] is False
    expect(page.locator(".compare-table thead th").nth(1)).to_have_text("A (reference)")
    assert abs(row.locator("td").nth(0).bounding_box()["y"] - row.locator("th").bounding_box()["y"]) < 1
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 900})  # paper is narrow, too, and keeps its columns
    assert page.evaluate(OUT_OF_SIGHT)[1] is False


def test_compare_charge_per_volt_is_worked_out_when_it_is_opened(served, page):
    open_page(page, served, "/compare?runs=1,2")
    page.wait_for_selector(CURVE)
    assert page.locator("#compare-derived").inner_text() == ""
    page.get_by_text("Charge per volt (dQ/dV)").click()
    page.wait_for_url("**open=charge-per-volt")
    page.locator("#compare-derived .js-plotly-plot").first.wait_for()


def test_compare_without_runs_says_what_to_do(served, page):
    open_page(page, served, "/compare")
    page.get_by_text("Choose two to eight runs.").wait_for()


def test_compare_with_a_run_that_is_not_there_says_so(served, page):
    open_page(page, served, "/compare?runs=1,77")
    page.locator(".error-panel").wait_for()
    assert "no run 77 in the register" in words(page, ".error-panel")
    page.goto(served.address + "/compare?runs=1,77,2&x=fog")
    page.wait_for_selector(CURVE)
    told = page.locator("#compare-said").inner_text()
    assert "There is no run 77 in the register." in told and "x=fog" in told


OTHERS = (
    ("ebike-10s-leaks-at-rest.csv", "ebike-0377.toml"), ("ebike-10s-no-group-taps.csv", "ebike-0398.toml"),
    ("cargo-13s5p-bad-weld.csv", "cargo-0207.toml"), ("scooter-7s3p-stopped-early.csv", "scooter-0131.toml"),
    ("scooter-8s-lfp-board-trips.csv", "scooter-0140-lfp.toml"),
)
"""With the three of ``filled`` eight runs: packs of 7 to 13 groups, one without taps, one of another chemistry."""


def test_compare_of_eight_runs_draws_and_tells_each_in_an_answer_below_1_mb(filled, page, tmp_path):
    copy = tmp_path / "eight.sqlite"
    shutil.copy(filled, copy)
    with Register.open(copy) as register:
        for log, pack in OTHERS:
            add_logs(register, [(log, (SAMPLES / log).read_bytes())], load_pack(SAMPLES / "packs" / pack), "", load_criteria())
    server = Served(copy)
    sizes = []
    page.on("response", lambda answer: sizes.append(int(answer.headers.get("content-length", 0))) if "_dash-update" in answer.url else None)
    try:
        open_page(page, server, "/compare?runs=1,2,3,4,5,6,7,8&y=per-group")
        page.wait_for_selector(CURVE)
        until(page, "d._fullData.filter(t => t.x && t.x.length > 20).length >= 8")
        heads = page.locator(".compare-table thead th").all_inner_texts()
        assert [head[:1] for head in heads[1:9]] == list("ABCDEFGH")
        assert page.locator(".run-keys li").count() == 8
        row = page.locator(".compare-table tbody tr", has_text="Capacity").first
        assert row.locator("td").count() == 8 and "A (reference)" in heads[1]
        assert "at least" in row.locator("td").nth(6).inner_text()  # stopped early: a bound, and no difference is claimed of it
        assert row.locator("td").nth(6).locator(".tag-beyond").count() == 0
        assert sizes and max(sizes) < 1_000_000
    finally:
        server.close()
