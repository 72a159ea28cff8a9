"""The form of the columns in a real browser: a log that cannot be read, its columns said, kept, and known again."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cycler.readers import parse_columns

from .conftest import PATIENCE_MS
from .walking import drop, hold, open_page, until, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect

LOGS = Path(__file__).resolve().parents[1] / "data" / "logs"
TWO = LOGS / "refused-two-voltages.csv"
CALLS = "**/_dash-update-component*"


def choose(page, label, option):
    """Take an option of a choice that is named by its group."""
    page.get_by_role("group", name=label, exact=True).get_by_role("button").click()
    page.get_by_role("option", name=option, exact=True).click()


def curve_of_preview(page):
    page.locator(".columns-preview .scatterlayer path.js-line").first.wait_for()


def open_form(page):
    page.locator(".columns-fold").wait_for()
    if page.locator(".columns-fold").get_attribute("open") is None:
        page.locator(".columns-fold > summary").click()
    page.locator(".column-list, .first-lines").first.wait_for()


def other_readings(tmp_path, name):
    """The log with two voltages, measured on another pack: 0.05 V more."""
    lines = TWO.read_text().splitlines()
    rows = [line.split(",") for line in lines[1:]]
    shifted = [",".join([row[0], f"{float(row[1]) + 0.05:.4f}", *row[2:]]) for row in rows]
    path = tmp_path / name
    path.write_text("\n".join([lines[0], *shifted]) + "\n")
    return path


def test_log_whose_columns_are_said_in_the_form_is_kept_and_the_next_one_is_known(served_empty, page, tmp_path):
    served = served_empty
    open_page(page, served, "/add")
    drop(page, [TWO])
    page.locator(".file-list .error-panel").wait_for()
    assert "two columns could be the pack's voltage" in words(page, ".file-list .error-panel")
    expect(page.locator(".columns-fold")).to_have_attribute("open", "")
    assert "10.6264" in words(page, ".column-list") and "8.5011" in words(page, ".column-list")
    expect(page.locator("#add-wait")).to_contain_text("Mend or remove it")
    choose(page, "Read as: Voltage (V), column 3", "not used")
    curve_of_preview(page)
    # What was wrong is mended as soon as the columns are used; until then both places say so.
    expect(page.locator("#add-wait")).to_contain_text("press “Use these columns”")
    expect(page.locator(".mended-note")).to_be_visible()
    expect(page.locator(".columns-line")).to_be_hidden()
    expect(page.locator(".columns-line-reads")).to_be_visible()
    expect(page.locator(".file-list .error-panel")).to_be_hidden()
    choose(page, "Read as: Voltage (V), column 3", "found: pack voltage")
    expect(page.locator(".file-list .error-panel")).to_be_visible()
    expect(page.locator("#add-wait")).to_contain_text("Mend or remove it")
    choose(page, "Read as: Voltage (V), column 3", "not used")
    expect(page.locator(".mended-note")).to_be_visible()
    curve_of_preview(page)
    first = page.locator(".columns-preview tbody tr").first.inner_text().split("\t")
    assert first == ["0", "10.6264", "0.0000"]  # the first row of the file
    assert page.locator(".columns-preview th").all_inner_texts()[:3] == ["Time\u00a0/\u00a0s", "Pack\u00a0/\u00a0V", "Current\u00a0/\u00a0A"]

    with page.expect_download() as download:
        page.get_by_role("button", name="Download as a columns file").click()
    assert download.value.suggested_filename == "refused-two-voltages.columns.toml"
    kept = parse_columns(Path(download.value.path()).read_text("utf-8"), "kept.toml")
    assert [(rule.position, rule.role) for rule in kept.columns] == [(3, "ignored")]

    page.get_by_role("button", name="Use these columns").click()
    page.locator(".look").wait_for()
    expect(page.locator(".file-list li")).to_have_count(2)
    assert "Read with the columns file refused-two-voltages.columns.toml." in words(page, ".look")
    assert "logs with these headings will be read so from then on" in words(page, ".look")
    page.get_by_label("Pack number").fill("CB-0100")
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/1")
    page.get_by_text("Logs with these headings will be read so from now on.").wait_for()
    page.wait_for_selector("#run-curve .scatterlayer path.js-line")

    page.get_by_role("link", name="Add a test", exact=True).click()
    page.wait_for_selector(".drop-zone")
    drop(page, [other_readings(tmp_path, "next.csv")])
    page.locator(".look").wait_for()
    assert "Read with the columns file of run 1 (refused-two-voltages.columns.toml)." in words(page, ".look")
    assert page.locator(".file-list .error-panel").count() == 0
    page.get_by_label("Read without it").check()
    page.locator(".file-list .error-panel").wait_for()
    assert "is left out" in words(page, "#add-known")
    page.get_by_label("Read without it").uncheck()
    page.locator(".look").wait_for()
    page.get_by_role("group", name="Choose a pack").get_by_role("button").click()
    page.get_by_role("option", name=re.compile("CB-0100")).click()
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/2")
    page.wait_for_selector(".key-figures")
    assert served.door.run(2).analysis["reading"]["columns_files"] == ["columns file of run 1 (refused-two-voltages.columns.toml)"]


def test_log_without_headings_is_read_by_the_form_with_the_keyboard_alone(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "refused-no-headings.csv"])
    page.locator(".column-list").wait_for()
    for column, role in ((1, "time from start"), (2, "pack voltage"), (3, "pack current")):
        group = page.get_by_role("group", name=f"Read as: column {column}", exact=True)
        group.get_by_role("button").focus()
        page.keyboard.press("Enter")
        wanted = group.get_by_role("option", name=role, exact=True).locator("input")
        wanted.wait_for(state="attached")
        for option in group.get_by_role("option").locator("input").all():
            expect(option).to_be_focused()
            if option.evaluate("e => e.closest('[role=option]').textContent") == role:
                break
            page.keyboard.press("ArrowDown")
        expect(wanted).to_be_focused()
        page.keyboard.press("Enter")
        expect(group.get_by_role("option")).to_have_count(0)
        expect(group.get_by_role("button")).to_be_focused()
        expect(group).to_contain_text(role)
    curve_of_preview(page)
    page.get_by_role("button", name="Use these columns").focus()
    page.keyboard.press("Enter")
    page.locator(".look").wait_for()
    assert "cannot be known again" in words(page, ".look")


def test_change_that_is_not_used_stops_the_adding_until_it_is_used_or_taken_back(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "pause.csv"])
    page.locator(".look").wait_for()
    expect(page.locator(".columns-line")).to_have_text("all found; open to see or change it")
    open_form(page)
    expect(page.locator("#columns-state")).to_contain_text("nothing to use")
    page.get_by_label("Pack number").fill("CB-0101")
    button = page.get_by_role("button", name="Add test")
    expect(button).to_be_enabled()
    choose(page, "Read as: Temperature (°C), column 8", "not used")
    expect(page.locator("#add-wait")).to_contain_text("The columns were changed but not used")
    expect(button).to_be_disabled()
    page.get_by_role("button", name="Back to what was found").click()
    expect(page.get_by_role("group", name="Read as: Temperature (°C), column 8")).to_contain_text("found: temperature")
    expect(button).to_be_enabled()
    # Another file beside the log leaves what was said in the form alone.
    choose(page, "Read as: Temperature (°C), column 8", "not used")
    expect(page.locator("#columns-state")).to_contain_text("Not used yet")
    drop(page, [LOGS.parents[2] / "sample_logs" / "packs" / "ebike-0412.toml"])
    expect(page.locator(".file-list li")).to_have_count(2)
    expect(page.get_by_role("group", name="Read as: Temperature (°C), column 8")).to_contain_text("not used")
    page.get_by_role("button", name="Use these columns").click()
    expect(page.locator(".look")).to_contain_text("no temperature")
    page.get_by_role("button", name="Remove pause.columns.toml").click()
    expect(page.locator(".look")).to_contain_text("1 temperature")


def test_unit_choices_follow_the_part_and_rows_that_cannot_be_used_are_allowed_by_a_tick(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "refused-bad-rows.csv"])
    page.locator(".file-list .error-panel").wait_for()
    assert "tick “Read it although many rows cannot be used”" in words(page, ".file-list .error-panel")
    choose(page, "Read as: Capacity (Ah), column 7", "energy counter")
    unit = page.get_by_role("group", name="Unit: Capacity (Ah), column 7")
    unit.get_by_role("button").click()
    expect(unit.get_by_role("option")).to_have_text(["as found", "Wh", "mWh", "kWh", "J", "kJ"])
    unit.get_by_role("option", name="Wh", exact=True).click()
    page.get_by_label("Read it although many rows cannot be used").check()
    curve_of_preview(page)
    assert "allowed" in words(page, ".noted")
    page.get_by_role("button", name="Use these columns").click()
    page.locator(".look").wait_for()
    assert "refused-bad-rows.columns.toml" in words(page, ".look")


def test_line_of_the_headings_tells_the_columns_apart_anew(served_empty, page, tmp_path):
    log = tmp_path / "two-heads.csv"
    rows = [f"{at};{10.5 + at / 100:.2f};{2.0 if at > 9 else 0.0:.1f};{10.4 + at / 100:.2f}" for at in range(40)]
    log.write_text("\n".join(["a;b;c;d", "t (s);U (V);I (A);spare", *rows]) + "\n")
    open_page(page, served_empty, "/add")
    drop(page, [log])
    open_form(page)
    page.get_by_label("Headings in line").fill("1")
    expect(page.locator(".column-list")).to_contain_text("b")
    page.get_by_label("Headings in line").fill("2")
    expect(page.locator(".column-list")).to_contain_text("spare")
    curve_of_preview(page)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_form_at_390_px_stays_within_the_page(served_empty, browser, scheme):
    context = browser.new_context(viewport={"width": 390, "height": 800}, color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "no-units.csv"])
    curve_of_preview(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    expect(page.locator(".columns-line")).to_have_text("partly worked out from the readings; please check")
    labels = page.locator(".column-row .field > label", has_text="Unit")
    assert labels.first.bounding_box()["height"] > 10  # the headings of the table stand at each field here
    context.close()


def test_ten_groups_are_said_with_one_button_and_the_keyboard_stays_where_it_was(served_empty, page, tmp_path):
    levels = [3.6, 3.61, 3.58, 3.6, 3.62, 3.2, 3.6, 3.59, 3.6, 3.61]
    lines = ["Time (s),Voltage (V),Current (A)," + ",".join(f"q{n}" for n in range(10)) + ",z"]
    for at in range(90):
        current, share = (0.0, 1.0) if at < 20 else (-2.0, 0.97) if at < 70 else (1.0, 1.01)
        lines.append(",".join([str(at), f"{sum(levels) * share:.3f}", f"{current:.1f}", *(f"{v * share:.3f}" for v in levels), "21.3"]))
    log = tmp_path / "ten.csv"
    log.write_text("\n".join(lines) + "\n")
    open_page(page, served_empty, "/add")
    drop(page, [log])
    open_form(page)
    assert page.get_by_role("button", name="Same for the columns below").count() == 0
    choose(page, "Read as: q0, column 4", "group voltage")
    button = page.get_by_role("button", name="Same for the columns below: q0, column 4")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#columns-filled")).to_have_text("Columns 5 to 13 are read as group voltage too, numbers 2 to 10.")
    expect(page.get_by_role("group", name="Read as: q9, column 13", exact=True)).to_contain_text("group voltage")
    expect(page.get_by_label("Group (1 = at pack negative): q9, column 13")).to_have_value("10")
    expect(button).to_be_focused()
    expect(page.get_by_role("button", name="Same for the columns below")).to_have_count(2)  # the first and the last of them
    expect(page.locator(".columns-preview")).to_contain_text("Lowest at the end of discharge: group 6 with 3.104 V")
    page.locator(".columns-preview .annotation", has_text="group 6").wait_for()
    currents = page.locator(".columns-preview tbody tr td:nth-child(3)").all_inner_texts()
    assert {float(cell) for cell in currents} == {0.0, -2.0, 1.0}
    page.get_by_role("button", name="Use these columns").click()
    expect(page.locator(".look")).to_contain_text("10 groups")


def test_end_of_the_taps_and_pauses_are_asked_only_where_they_matter(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "pause.csv"])
    page.locator(".look").wait_for()
    open_form(page)
    taps = page.get_by_role("group", name="Taps are counted from")
    expect(page.get_by_label("The files followed one another without a pause")).to_have_count(0)
    expect(taps).to_be_hidden()
    choose(page, "Read as: Cell 1 (V), column 4", "tap voltage")
    expect(taps).to_be_visible()
    choose(page, "Read as: Cell 1 (V), column 4", "found: group voltage")
    expect(taps).to_be_hidden()
    page.get_by_role("button", name="Remove all").click()
    drop(page, [LOGS / "step-1.csv", LOGS / "step-2.csv"])
    page.locator(".look").wait_for()
    open_form(page)
    page.get_by_label("The files followed one another without a pause").check()
    expect(page.locator(".noted")).to_contain_text("without a pause")
    page.get_by_role("button", name="Use these columns").click()
    expect(page.locator(".look")).to_contain_text("without a pause")


def test_columns_file_is_forgotten_by_a_second_press_and_runs_stay(served_empty, page, tmp_path):
    from dashboard.data import pack_from_form

    door = served_empty.door
    stated = parse_columns('[[column]]\nposition = 3\nrole = "ignored"\n', "own.toml")
    source = (TWO.name, TWO.read_bytes())
    door.add([source], pack_from_form({"id": "CB-0100"}, {}), "", "return-to-owner", door.used([source], stated))
    open_page(page, served_empty, "/add")
    drop(page, [other_readings(tmp_path, "next.csv")])
    page.locator(".look").wait_for()
    expect(page.locator("#add-forget-ask")).to_contain_text("own.toml")
    # The browser asks by itself: a program that answers late, or nothing, swallows no press.
    page.route(CALLS, lambda call: call.fulfill(status=204))
    page.get_by_role("button", name="Forget it …").click()
    expect(page.locator("#add-forget-box")).to_be_visible()
    page.unroute(CALLS)
    expect(page.locator("#add-forget-ask")).to_contain_text("Forget the columns file of run 1 (own.toml) for good?")
    expect(page.locator("#add-forget-ask")).to_contain_text("Runs that were added already stay as they are")
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator("#add-forget-box")).to_be_hidden()
    assert door.known_columns([source])
    page.get_by_role("button", name="Forget it …").click()
    page.get_by_role("button", name="Forget it for good").click()
    expect(page.locator("#add-result")).to_contain_text("Forgotten: the columns file of run 1 (own.toml).")
    page.locator(".file-list .error-panel").wait_for()
    expect(page.locator("#add-known-box")).to_be_hidden()
    expect(page.locator("#add-forget-box")).to_be_hidden()
    assert door.known_columns([source]) == [] and door.run(1).analysis["reading"]["columns_files"] == ["own.toml"]


def test_button_opens_again_though_an_answer_that_was_overtaken_comes_last(served_empty, page, tmp_path):
    from dashboard.data import pack_from_form

    door, source = served_empty.door, (TWO.name, TWO.read_bytes())
    stated = parse_columns('[[column]]\nposition = 3\nrole = "ignored"\n', "own.toml")
    door.add([source], pack_from_form({"id": "CB-0100"}, {}), "", "return-to-owner", door.used([source], stated))
    open_page(page, served_empty, "/add?pack=CB-0100")
    drop(page, [other_readings(tmp_path, "next.csv")])
    page.locator(".look").wait_for()
    button = page.get_by_role("button", name="Add test")
    expect(button).to_be_enabled()
    held = hold(page, '"changedPropIds":["add-leave-out.value', "add-state.data")
    page.get_by_label("Read without it").check()
    until(page, lambda: held)
    expect(button).to_be_disabled()
    page.get_by_label("Read without it").uncheck()
    expect(button).to_be_enabled()
    with page.expect_response(lambda answer: answer.request == held[0].request):
        held[0].continue_()
    page.wait_for_load_state("networkidle")
    expect(button).to_be_enabled()
    button.click()
    page.wait_for_url("**/run/2")


ASKED, KEPT, NEWS = "add-forget.n_clicks", "add-forget-not.n_clicks", "add-state.data"
ONE, OTHER = {"known": [{"id": 1, "name": "own.toml"}]}, {"known": [{"id": 2, "name": "own.toml"}]}


def test_question_of_forgetting_is_closed_only_by_news_of_other_files(served_empty, page):
    open_page(page, served_empty, "/add")

    def hidden(state, *moved):
        """What the browser does; None if it leaves the question as it is."""
        return page.evaluate(
            """([moved, state]) => { const own = window.dash_clientside; own.callback_context = {triggered: moved.map(name => ({prop_id: name}))};
                const done = own.adding.askToForget(1, 1, state); return done === own.no_update ? null : done; }""", [list(moved), state])

    assert hidden(ONE, ASKED) is False and hidden(ONE, NEWS) is None and hidden(ONE, NEWS, ASKED) is False
    assert hidden(OTHER, NEWS) is True and hidden({}, NEWS) is True and hidden(None, NEWS) is True
    assert hidden(ONE, KEPT) is True and hidden(ONE, ASKED) is False
    assert hidden({"known": []}, ASKED) is True and hidden(None, ASKED) is True


@pytest.mark.parametrize("width", [390, 1280])
def test_words_of_closed_choices_are_shown_whole(served_empty, browser, width):
    context = browser.new_context(viewport={"width": width, "height": 800})
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    open_page(page, served_empty, "/add")
    drop(page, [LOGS / "blanks-taps-from-plus.txt"])
    page.locator(".look").wait_for()
    open_form(page)
    cut = page.evaluate(
        """() => [...document.querySelectorAll('.column-row .dash-dropdown-value, .columns-heads .dash-dropdown-value')]
            .filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"""
    )
    shown = page.locator(".column-row .dash-dropdown-value").count()
    assert shown > 10 and cut == []
    holes = page.evaluate(
        """() => [...document.querySelectorAll('.column-row input[type=number]')]
            .filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1).map(e => e.placeholder)"""
    )
    labels = page.evaluate(
        """() => [...document.querySelectorAll('.column-row .field > label')]
            .filter(e => e.offsetParent && e.getBoundingClientRect().right > innerWidth).map(e => e.textContent)"""
    )
    assert holes == labels == [] and page.get_by_placeholder("found: 3").count() == 1
    page.get_by_label("New pack", exact=True).check()
    curve_of_preview(page)
    page.wait_for_load_state("networkidle")  # what comes in above an open list would push it out of the window
    chemistry = page.get_by_role("group", name="Chemistry")
    chemistry.get_by_role("button").click()
    chemistry.get_by_role("option", name="NMC").click()
    expect(chemistry).to_contain_text("NMC (")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def test_found_unit_of_two_letters_is_shown_whole(served_empty, page, tmp_path):
    lines = ["time (s);pack mV;sink A;Tap group 1 mV;Tap group 2 mV"]  # "tap" and "group" at once: the form has to be asked
    lines += [f"{10 * k};{7900 - 5 * k};1.0;{3952 - 3 * k};{3948 - 2 * k}" for k in range(60)]
    (tmp_path / "both.csv").write_text("\n".join(lines))
    open_page(page, served_empty, "/add")
    drop(page, [tmp_path / "both.csv"])
    page.locator(".column-row .dash-dropdown-value", has_text="found: mV").first.wait_for()
    cut = page.evaluate(
        "() => [...document.querySelectorAll('.column-row .dash-dropdown-value')].filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1)"
        ".map(e => e.textContent)"
    )
    assert cut == []
