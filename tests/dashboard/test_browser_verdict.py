"""Verdict, confirmation and record in a real browser. Figures are asserted with their units."""

from __future__ import annotations

from pathlib import Path

import pytest

from cycler.quantities import figure_text
from cycler.register import Register

from .conftest import add_overcharged
from .test_decision_page import OWN
from .walking import open_page, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

CONFIRM = "Confirm and make the record"


def confirm(page, name="Ada Pohl", remark=""):
    page.get_by_label("Who decides (name)").fill(name)
    page.get_by_label("Remark (optional)").fill(remark)
    page.get_by_role("button", name=CONFIRM).click()


def test_result_and_all_that_decides_stand_on_the_first_screen(served, page):
    open_page(page, served, "/run/2/verdict")
    page.locator(".verdict-head .shape-pass").wait_for()
    verdict, _kept = served.door.judged(2)
    required = [row for row in verdict["criteria"] if row["required"]]
    rows = page.locator(".part-criteria .judged")
    expect(rows).to_have_count(len(required))
    for n in range(len(required)):
        box = rows.nth(n).bounding_box()
        assert box["y"] + box["height"] <= 800 and box["height"] <= 60
    expect(page.locator(".gauge-limit")).to_have_count(len(verdict["criteria"]))
    health = next(row for row in verdict["criteria"] if row["quantity"] == "state_of_health")
    line = page.locator(".judged", has_text="State of health").first
    assert figure_text(health["value"], health["u_value"], "share") in line.inner_text() and "limit 70 %" in line.inner_text()


def test_row_opens_by_keyboard_and_tells_chance_reason_and_source(served, page):
    open_page(page, served, "/run/2/verdict")
    row = page.locator(".part-criteria .judged").first
    row.wait_for()
    expect(row.locator(".judged-facts")).to_be_hidden()
    row.locator("summary").focus()
    page.keyboard.press("Enter")
    facts = row.locator(".judged-facts")
    expect(facts).to_be_visible()
    said = facts.inner_text()
    assert all(part in said for part in ("Accepted", "at least 70.34 %", "Chance that it is met", "above 99.9 %", "Reason", "Source"))


def test_failed_pack_tells_what_to_keep_away_from_and_danger_leads_to_its_finding(served, page):
    open_page(page, served, "/run/1/verdict")
    page.locator(".verdict-head .shape-fail").wait_for()
    assert "do not put it into use" in words(page, ".caution")
    assert add_overcharged(served.door.register_name) == 4
    open_page(page, served, "/run/4/verdict")
    panel = page.locator(".veto-panel")
    panel.wait_for()
    assert "Group 2" in panel.inner_text() and panel.locator(".flag-danger").count() == 1
    assert panel.bounding_box()["y"] < page.locator(".verdict-head").bounding_box()["y"]
    expect(page.locator(".danger-box")).to_have_count(0)
    panel.get_by_role("link", name="See the findings").click()
    page.wait_for_url("**/run/4#findings")


def test_other_set_is_a_preview_kept_in_the_address_until_it_is_confirmed(served, page):
    open_page(page, served, "/run/2/verdict")
    page.get_by_label("Resale", exact=False).check()
    page.wait_for_url("**criteria=resale*")
    expect(page.locator(".kept")).to_contain_text("Preview, not kept.")
    expect(page.locator(".differs")).to_contain_text("Verdict 1, which is kept, says pass")
    expect(page.locator(".differs li").first).to_contain_text("here not proven")
    page.reload()
    expect(page.locator(".kept")).to_contain_text("Preview, not kept.")
    page.go_back()
    expect(page.locator(".kept")).to_contain_text("Verdict 1 of run 2, kept")


def test_own_file_of_criteria_is_judged_by_and_a_bad_one_told_in_place(served, page):
    open_page(page, served, "/run/2/verdict")
    page.locator(".judged").first.wait_for()

    def choose(raw):
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Own file").click()
        chooser.value.set_files([{"name": "bench.toml", "mimeType": "text/plain", "buffer": raw}])

    choose(OWN.replace(b"0.925", b'"a lot"'))
    expect(page.locator(".decision-controls .error-panel")).to_contain_text("bench.toml:10")
    choose(OWN)
    expect(page.locator(".verdict-head")).to_contain_text("Rule <b>of</b> the bench")
    expect(page.locator(".decision-controls .error-panel")).to_have_count(0)
    expect(page.locator(".part-settle")).to_contain_text("State of health")
    page.locator(".part-settle").get_by_role("link", name="See state of health").click()
    expect(page.locator("#criterion-health")).to_be_in_viewport()


def test_record_is_confirmed_by_name_kept_and_downloaded_with_its_label(served, page):
    open_page(page, served, "/run/2/verdict")
    page.get_by_text("No record was made of this run yet.").wait_for()
    page.get_by_label("Held against").click()
    page.get_by_text("run 1, before repair").last.click()
    page.wait_for_url("**before=1*")
    expect(page.locator(".judged-by")).to_contain_text("held against run 1")
    page.get_by_label("Workshop on the record").fill("Workshop of the test")
    page.get_by_label("German").check()
    page.get_by_role("button", name=CONFIRM).click()
    expect(page.locator(".part-confirm .error-panel")).to_contain_text("the name is missing")
    assert served.door.records(2) == []
    confirm(page, "Ada Pohl", "<b>Straps</b> pulled by hand")
    page.locator(".done").wait_for()
    (item,) = served.door.records(2)
    said = words(page, ".done")
    assert f"Record {item.serial} is made." in said and "verdict 2 of run 2, kept" in said and "by Ada Pohl" in said
    expect(page.locator(".verdict-head")).to_contain_text("Remark: “<b>Straps</b> pulled by hand”")
    for name, kind, start in (("PDF", "pdf", b"%PDF-"), ("Page", "html", b"<!"), ("JSON", "json", b"{")):
        with page.expect_download() as download:
            page.locator(".part-records").get_by_role("link", name=f"{name} record {item.serial}", exact=True).click()
        content = Path(download.value.path()).read_bytes()
        assert download.value.suggested_filename == f"pack-record-{item.serial}.{kind}"
        assert content.startswith(start) and content == served.door.record_file(item.id, kind)
    for name, start in (("Label PDF", b"%PDF-"), ("Label PNG", b"\x89PNG")):
        with page.expect_download() as download:
            page.locator(".done").get_by_role("link", name=name).click()
        assert Path(download.value.path()).read_bytes().startswith(start)
    content = served.door.record_file(item.id, "html").decode()
    assert "Workshop of the test" in content and "Entschieden von Ada Pohl." in content and "<b>Straps" not in content
    page.get_by_role("button", name=CONFIRM).click()  # once more, nothing changed: it asks
    expect(page.locator(".part-confirm .caution")).to_contain_text(f"Record {item.serial} says just this already")
    assert len(served.door.records(2)) == 1
    page.get_by_role("button", name="Make another one all the same").click()
    expect(page.locator(".done")).to_contain_text("Record")
    assert len(served.door.records(2)) == 2
    page.reload()
    expect(page.get_by_label("Workshop on the record")).to_have_value("Workshop of the test")


def test_double_click_makes_one_record(served, page):
    open_page(page, served, "/run/2/verdict")
    page.locator(".judged").first.wait_for()
    page.get_by_label("Who decides (name)").fill("Ada Pohl")
    page.get_by_role("button", name=CONFIRM).dblclick()
    expect(page.locator(".done, .changed-box, .part-confirm .caution").first).to_be_visible()
    expect(page.locator(".record-item")).to_have_count(1)
    assert len(served.door.records(2)) == 1


def test_stale_tab_is_told_and_what_was_typed_stays(served, page):
    open_page(page, served, "/run/2/verdict")
    page.locator(".judged").first.wait_for()
    with Register.open(served.door.register_name) as register:
        register.add_card_entry("EB-0412", "danger", "Smells of solvent", who="A. Bench")
    confirm(page, "Ada Pohl", "typed before")
    expect(page.locator(".changed-box")).to_contain_text("the open dangers on the pack's card are others")
    expect(page.locator(".verdict-head .shape-fail")).to_be_visible()
    expect(page.get_by_label("Remark (optional)")).to_have_value("typed before")
    assert served.door.records(2) == [] and len(served.door.decision(2).newest.verdict["criteria"]) > 0
    page.get_by_role("button", name="Keep the verdict without a record").click()
    expect(page.locator(".done")).to_contain_text("by Ada Pohl: fail")
    with Register.open(served.door.register_name) as register:
        register.withdraw(2, who="A. Bench", why="wrong leads")
    page.get_by_role("button", name=CONFIRM).click()
    expect(page.locator(".part-confirm .error-panel")).to_contain_text("withdrawn")
    assert served.door.records(2) == []


def test_confirming_goes_by_keyboard_alone(served, page):
    open_page(page, served, "/run/3/verdict")
    page.locator(".judged").first.wait_for()
    page.get_by_label("Who decides (name)").focus()
    page.keyboard.type("Bo")
    reached = ""
    for _ in range(12):
        page.keyboard.press("Tab")
        reached = page.evaluate("document.activeElement.textContent")
        if reached == CONFIRM:
            break
    assert reached == CONFIRM
    page.keyboard.press("Enter")
    expect(page.locator(".done")).to_contain_text("by Bo: pass")


def test_page_is_never_wider_than_its_window(served, page):
    open_page(page, served, "/run/1/verdict")
    page.locator(".judged").first.wait_for()
    for width in (1024, 600):
        page.set_viewport_size({"width": width, "height": 768})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_marks_of_a_scale_stand_out_from_it(served, page):
    """WCAG 2.2, 1.4.11 (non-text contrast): 3:1 between dot, limit mark and what lies behind them; formula of its definition of contrast ratio."""
    open_page(page, served, "/run/1/verdict")
    page.locator(".judged").first.wait_for()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        check_contrasts(page)


def check_contrasts(page):
    """Of the colours that the page has now."""
    colours = page.evaluate("""() => {
        const of = (name) => { const probe = document.createElement('i'); probe.style.color = `var(${name})`; document.body.append(probe);
            const found = getComputedStyle(probe).color.match(/[\\d.]+/g).slice(0, 3).map(Number); probe.remove(); return found; };
        return Object.fromEntries(['--ink', '--grid', '--pass-pale', '--pass', '--panel'].map((name) => [name, of(name)])); }""")

    def luminance(colour):
        parts = [c / 255 for c in colour]
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    def contrast(one, other):
        light, dark = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert contrast("--ink", "--grid") >= 3 and contrast("--ink", "--pass-pale") >= 3 and contrast("--pass", "--grid") >= 3
    assert contrast("--pass", "--pass-pale") >= 4.5  # the word on it is text: 1.4.3


# Figures and words at the scales that lie on one another or on dot, bar and limit, and how far from their lines the figures of the limits stand.
OVERPRINT = """() => { const found = [], far = [];
    const box = e => { const r = document.createRange(); r.selectNodeContents(e); return r.getBoundingClientRect(); };
    const meet = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 0.5 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 0.5;
    for (const gauge of document.querySelectorAll('.gauge-box')) { if (!gauge.checkVisibility()) continue;
        const ends = Array.from(gauge.querySelectorAll('.gauge-end')), edge = gauge.getBoundingClientRect();
        ends.forEach((e, i) => { const a = box(e); if (a.left < edge.left - 1 || a.right > edge.right + 1) found.push(e.innerText + ' is cut');
            for (const other of ends.slice(i + 1)) { const b = box(other); if (meet(a, b) || b.left - a.right < 3) found.push(e.innerText + ' on ' + other.innerText); } });
        const line = gauge.querySelector('.gauge-limit').getBoundingClientRect(), limit = box(gauge.querySelector('.gauge-end-limit'));
        far.push(Math.abs((limit.left + limit.right - line.left - line.right) / 2));
        const side = gauge.querySelector('.gauge-side'), word = side && side.firstElementChild ? box(side.firstElementChild) : side && box(side);
        if (word && meet(word, side.getBoundingClientRect())) for (const mark of gauge.querySelectorAll('.gauge-value, .gauge-range, .gauge-limit'))
            { if (Math.min(word.right, mark.getBoundingClientRect().right) > Math.max(word.left, mark.getBoundingClientRect().left)) found.push('accepted under ' + mark.className); } }
    return [found, far]; }"""


@pytest.mark.parametrize("run", [1, 2, 3])
def test_words_at_the_scales_are_not_printed_over_one_another_at_any_width(served, page, run):
    open_page(page, served, f"/run/{run}/verdict")
    page.locator(".gauge-box").first.wait_for()
    page.locator(".part-advisory details").first.evaluate("e => { e.open = true; }")
    for width in (1280, 1024, 820, 390, 320):
        page.set_viewport_size({"width": width, "height": 844})
        found, far = page.evaluate(OVERPRINT)
        assert found == [] and len(far) > 10, width
        if width == 1280:
            assert sorted(far)[len(far) // 2] < 4.0  # most stand under their lines
