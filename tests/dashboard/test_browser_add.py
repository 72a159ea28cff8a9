"""Adding in a real browser. Figures are asserted with their units."""

from __future__ import annotations

import re
import sqlite3
import threading

import pytest

from cycler.quantities import figure_text
from cycler.register import Register

from .conftest import SAMPLES, add_overcharged
from .walking import BEFORE, SISTER, called, drop, hold, open_page, search, until, words

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed").expect


def test_log_and_pack_file_dropped_in_become_a_run(served_empty, page):
    open_page(page, served_empty, "/add")
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    assert re.search(r"Read as [\d\u202f]+ samples over \d+ h \d+ min; 10 groups; 1 temperature", words(page, ".look"))
    assert "ebike-0412.toml: pack EB-0412, NMC 10S4P" in words(page, "#add-pack-file-box")
    page.get_by_label("Label of the test").fill("as it came in")
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/1")
    page.wait_for_selector(".key-figures")
    capacity = served_empty.door.run(1).analysis["capacity"]
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in words(page, ".key-figures")
    assert "as it came in" in words(page, "h1")
    # Stored byte for byte.
    with Register.open(served_empty.door.register_name) as register:
        assert register.raw_sources(1) == [(BEFORE.name, BEFORE.read_bytes())]


def test_log_dropped_on_the_page_is_taken(served, page):
    open_page(page, served, "/add")
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
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0007")
    page.get_by_label("Groups in series").fill("10")
    page.get_by_label("Rated capacity / Ah").fill("10.4")
    page.get_by_label("End of discharge, pack / V").fill("30")
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/4")
    page.wait_for_selector(".key-figures")
    assert served.door.run(4).analysis["pack"]["rated_capacity_ah"] == 10.4
    assert "10.4 Ah" in words(page, ".key-figures")


def test_file_that_cannot_be_read_shows_four_parts_and_nothing_is_stored(served, page, tmp_path):
    bad = tmp_path / "holiday.csv"
    bad.write_text("name,colour\nsun,yellow\nsea,blue\n")
    open_page(page, served, "/add")
    drop(page, [bad])
    panel = page.locator(".error-panel").first
    panel.wait_for()
    said = panel.inner_text()
    assert all(part in said for part in ("Cannot go on:", "Where", "Why", "How to mend", "Nothing was stored."))
    assert "holiday.csv" in said and "Traceback" not in said
    assert page.get_by_role("button", name="Add test").is_disabled()
    assert len(served.door.runs()) == 3


def test_pack_file_with_a_slip_names_its_line(served, page, tmp_path):
    slip = tmp_path / "pack.toml"
    slip.write_text('id = "CB-1"\nserie = 10\n')
    open_page(page, served, "/add")
    drop(page, [SISTER, slip])
    page.locator(".file-list .error-panel").wait_for()
    assert "pack.toml:2" in words(page, ".file-list .error-panel") and "series" in words(page, ".file-list .error-panel")
    # Told once, and the button says why it waits.
    assert page.locator(".error-panel").count() == 1
    assert page.get_by_role("button", name="Add test").is_disabled()
    expect(page.locator("#add-wait")).to_have_text("A file cannot be used: pack.toml. Mend or remove it.")
    assert len(served.door.runs()) == 3


def test_file_above_the_limit_is_refused_on_the_page(served_empty, page, tmp_path):
    big = tmp_path / "big.csv"
    big.write_bytes(b"1;2;3\n" * 600_000)
    open_page(page, served_empty, "/add")
    drop(page, [big])
    page.locator("#add-result .error-panel").wait_for()
    assert "too large" in words(page, "#add-result") and ".csv.gz" in words(page, "#add-result")
    # The browser itself reports the refused call; that is the one error this test may cause.
    assert all("413" in error for error in page.watched.errors)
    page.watched.errors.clear()


def test_same_log_twice_is_refused_with_the_run_that_holds_it(served, page):
    open_page(page, served, "/add")
    drop(page, [BEFORE, SAMPLES / "packs" / "ebike-0412.toml"])
    page.locator(".look").wait_for()
    page.get_by_role("button", name="Add test").click()
    page.locator("#add-error .error-panel").wait_for()
    said = words(page, "#add-error")
    assert "run 1 (before repair)" in said and "tick" in said and "--again" not in said and "cycler" not in said
    page.get_by_label("Add even if").check()
    page.get_by_role("button", name="Add test").click()
    page.wait_for_url("**/run/4")


# ---- files on their way ----------------------------------------------------------------------------------------

DROP = """([name, text, selector]) => {
    const data = new DataTransfer();
    data.items.add(new File([text], name, {type: 'text/csv'}));
    document.querySelector(selector).dispatchEvent(new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true}));
}"""


def log_like(path, to, more_v=0.01):
    """A copy of a sample log whose pack voltage is a little higher, so that it is another test: invented."""
    lines = path.read_text("utf-8-sig").splitlines()
    rows = [lines[0]]
    for line in lines[1:]:
        cells = line.split(";")
        cells[1] = f"{float(cells[1].replace(',', '.')) + more_v:.3f}".replace(".", ",")
        rows.append(";".join(cells))
    to.write_text("\n".join(rows), encoding="utf-8")
    return to


def expect_no_refused_call(page):
    """The browser itself reports calls that were refused; that is the one kind of error the test may cause."""
    assert all("422" in error or "413" in error for error in page.watched.errors)
    page.watched.errors.clear()


def test_log_dropped_on_another_page_leads_to_adding(served, page):
    open_page(page, served, "/run/1")
    page.wait_for_selector(".key-figures")
    page.evaluate(DROP, ["part.csv", SISTER.read_bytes().decode("utf-8-sig"), ".key-figures"])
    page.wait_for_url("**/add")
    page.locator(".look").wait_for()
    assert "part.csv" in words(page, ".file-list")


def test_photo_is_told_at_once_and_a_cancelled_upload_leaves_nothing(served_empty, page, tmp_path):
    photo = tmp_path / "bench.csv"
    photo.write_bytes(b"\xff\xd8\xff\xe0" + b"x" * 300_000)
    open_page(page, served_empty, "/add")
    expect(page.locator("#add-empty")).to_contain_text("Drop it anywhere on this page")
    drop(page, [photo])
    page.locator("#add-result .error-panel").wait_for()
    said = words(page, "#add-result")
    assert "this is no log but a JPEG picture" in said and "bench.csv" in said and "CSV text" in said
    expect_no_refused_call(page)
    page.route("**/drop", lambda route: None)  # nothing ever answers: the upload stays in flight
    drop(page, [SISTER, BEFORE])
    tray = page.locator(".upload-tray")
    expect(tray).to_contain_text(f"{SISTER.name} (1/2)")
    tray.get_by_role("button", name="Cancel").click()
    expect(tray).to_have_count(0)
    expect(page.locator("#add-form")).to_be_hidden()
    until(page, lambda: list(served_empty.app.server.extensions["dashboard_uploads"]._folder_path().iterdir()) == [])


def test_log_of_200_mb_is_sent_and_read(served, page):
    open_page(page, served, "/add")
    # Made in the browser: 33 400 rows, each with a remark of 6000 characters.
    page.evaluate(
        """rows => {
            const remark = 'x'.repeat(6000);
            const parts = ['Time (s),Voltage (V),Current (A),Remark\\n'];
            for (let i = 0; i < rows; i += 1) {
                const load = i > 3000 && i < 30000;
                parts.push(`${i}.0,${(load ? 41 - 0.0003 * i : 41).toFixed(3)},${load ? '-2.000' : '0.000'},${remark}\\n`);
            }
            const data = new DataTransfer();
            data.items.add(new File(parts, 'long.csv', {type: 'text/csv'}));
            document.querySelector('.drop-zone').dispatchEvent(new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true}));
        }""",
        33400,
    )
    row = page.locator(".file-list")
    expect(row).to_contain_text(re.compile(r"20\d\.\d MB"))
    page.locator(".look").wait_for()
    assert "33\u202f400 samples" in words(page, ".look")


def test_files_that_the_program_lost_are_named_and_taken_up_again(served, page, context_page):
    uploads = served.app.server.extensions["dashboard_uploads"]
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("Label of the test").fill("kept words")
    page.get_by_label("Label of the test").blur()
    # Another tab has files of its own.
    other = context_page(page)
    open_page(other, served, "/add")
    expect(other.locator("#add-empty")).to_be_visible()
    drop(other, [BEFORE])
    other.locator(".look").wait_for()
    assert SISTER.name not in words(other, ".file-list")
    for token in list(uploads._files):
        if uploads.get(token).name == SISTER.name:
            uploads.remove(token)  # as after the program was started anew
    page.reload()
    expect(page.locator(".file-list")).to_contain_text(f"Drop {SISTER.name} again")
    expect(page.locator("#add-wait")).to_contain_text("no longer here")
    expect(page.get_by_role("button", name="Add test")).to_be_disabled()
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    expect(page.locator(".file-list > li")).to_have_count(1)
    expect(page.locator(".file-list")).not_to_contain_text("no longer here")
    expect(page.get_by_label("Label of the test")).to_have_value("kept words")


@pytest.fixture
def context_page():
    """Opens another tab beside a page."""
    return lambda page: page.context.new_page()


def test_file_found_in_the_watched_folder_is_taken_by_a_button_and_given_back(served, page, tmp_path):
    path = log_like(SISTER, tmp_path / "EB-0415 found.csv")
    served.app.server.extensions["dashboard_uploads"].adopt(path)
    open_page(page, served, "/add")
    found = page.get_by_role("region", name="Found in the watched folder")
    expect(found).to_contain_text("EB-0415 found.csv")
    found.get_by_role("button", name="Take EB-0415 found.csv").click()
    page.locator(".look").wait_for()
    expect(found).to_have_count(0)
    expect(page.get_by_role("group", name="Choose a pack")).to_contain_text("EB-0415")
    expect(page.locator("#add-picked-why")).to_contain_text("its number stands in the name of EB-0415 found.csv")
    page.get_by_role("button", name="Remove EB-0415 found.csv").click()
    expect(found).to_contain_text("EB-0415 found.csv")


def test_two_files_of_the_folder_are_taken_one_right_after_the_other(served, page, tmp_path):
    uploads = served.app.server.extensions["dashboard_uploads"]
    names = [f"EB-0415 {word}.csv" for word in ("one", "two")]
    for number, name in enumerate(names, 1):
        uploads.adopt(log_like(SISTER, tmp_path / name, number / 100))
    open_page(page, served, "/add")
    held = hold(page, '"changedPropIds":["add-take-ask.data')
    page.get_by_role("button", name=f"Take {names[0]}").dblclick()  # a glove presses twice
    until(page, lambda: held)
    page.get_by_role("button", name=f"Take {names[1]}").click()
    expect(page.locator(".file-list > li")).to_have_count(2)
    held[0].continue_()
    page.wait_for_load_state("networkidle")
    assert all(name in words(page, ".file-list") for name in names) and page.locator(".file-list > li").count() == 2
    assert page.locator("#add-result .error-panel").count() == 0 and uploads.from_folder() == []


# ---- several tests ---------------------------------------------------------------------------------------------


def test_several_tests_are_added_each_for_itself_and_one_that_fails_stays(served, page, tmp_path):
    after = log_like(BEFORE, tmp_path / "EB-0412 later.csv")
    same = tmp_path / "EB-0415 same.csv"
    same.write_bytes(SISTER.read_bytes())
    new = log_like(SISTER, tmp_path / "unknown.csv", 0.02)
    open_page(page, served, "/add")
    drop(page, [after, same, new])
    page.locator(".each-list").wait_for()
    assert "numbers of different packs" in words(page, "#add-how-why")
    expect(page.get_by_role("group", name="Pack of EB-0412 later.csv")).to_contain_text("EB-0412")
    expect(page.locator("#add-wait")).to_have_text("A test has no pack yet: unknown.csv.")
    choice = page.get_by_role("group", name="Pack of unknown.csv")
    choice.get_by_role("button").click()
    search(page, "CB-0042")
    page.get_by_role("option", name="New pack “CB-0042”").click()
    page.get_by_label("Label of EB-0412 later.csv").fill("a week later")
    page.get_by_role("button", name="Add 3 tests").click()
    page.locator(".added-list li").nth(1).wait_for()
    assert [run.pack_id for run in served.door.runs()[:2]] == ["CB-0042", "EB-0412"] and len(served.door.runs()) == 5
    assert served.door.run(4).label == "a week later"
    expect(page.locator(".added-list a").first).to_have_attribute("href", "/run/4")
    assert served.door.judged(4)[0]["result"] == "fail"
    expect(page.locator(".added-list li").first).to_contain_text("Fail")
    # The one that failed stays with its reason, and the others are gone from the list.
    expect(page.locator(".file-list > li")).to_have_count(1)
    expect(page.locator(".each-list .error-panel")).to_contain_text("run 3 (sister pack)")
    page.get_by_label("Add even if").check()
    page.get_by_role("button", name="Add test").click()
    expect(page.locator(".added-list a").first).to_have_attribute("href", "/run/6")
    expect(page.locator("#add-empty")).to_be_visible()


def test_parts_of_one_test_may_be_said_to_be_a_test_each_and_back(served, page, tmp_path):
    one, two = log_like(SISTER, tmp_path / "a.csv", 0.01), log_like(BEFORE, tmp_path / "b.csv", 0.02)
    open_page(page, served, "/add")
    drop(page, [one, two])
    page.locator(".look, .file-list .error-panel, .each-list").first.wait_for()
    page.get_by_label("a test each").check()
    page.locator(".each-list").wait_for()
    expect(page.locator("#add-how-why")).to_have_text("As you said.")
    page.reload()
    page.locator(".each-list").wait_for()
    page.wait_for_load_state("networkidle")  # what is read once more after a reload would close an open choice
    page.get_by_label("One pack for all").check()
    page.get_by_role("group", name="Choose a pack").get_by_role("button").click()
    search(page, "0415")
    expect(page.get_by_role("option")).to_have_count(1)
    page.get_by_role("option", name=re.compile("EB-0415")).click()
    page.get_by_role("button", name="Add 2 tests").click()
    page.locator(".added-list li").nth(1).wait_for()
    assert [run.pack_id for run in served.door.runs()[:2]] == ["EB-0415", "EB-0415"]


# ---- the work --------------------------------------------------------------------------------------------------


@pytest.fixture
def slowed(served, monkeypatch, tmp_path):
    """Two events, adding has come to the groups and it may go on, and a folder."""
    at_groups, go_on = threading.Event(), threading.Event()
    real = served.door.add

    def slow(*given):
        *rest, progress = given

        def tell(stage, share):
            if stage == "groups":
                at_groups.set()
                go_on.wait(30)
            progress(stage, share)

        return real(*rest, tell)

    monkeypatch.setattr(served.door, "add", slow)
    yield at_groups, go_on, tmp_path
    go_on.set()


def test_log_dropped_while_another_one_is_added_waits_on_and_is_not_taken_for_one_of_its_pack(served, page, slowed):
    open_page(page, served, "/add")
    drop(page, [log_like(SISTER, slowed[2] / "other.csv"), SAMPLES / "packs" / "ebike-0415.toml"])
    page.locator(".look").wait_for()
    page.get_by_role("button", name="Add test").click()
    assert slowed[0].wait(30)
    drop(page, [BEFORE])
    expect(page.locator(".file-list > li")).to_have_count(3)
    slowed[1].set()
    expect(page.locator("#add-done")).to_contain_text("run 4")
    expect(page.locator(".file-list > li")).to_have_count(1)
    expect(page.locator(".file-list")).to_contain_text(BEFORE.name)
    expect(page.locator("#add-wait")).to_contain_text("No pack")
    expect(page.get_by_role("button", name="Add test")).to_be_disabled()
    assert page.url.endswith("/add") and [item.pack_id for item in served.door.runs() if item.id == 4] == ["EB-0415"]


@pytest.mark.parametrize(("other", "status"), [({}, 200), ({"asked": "before"}, 204), ({"left_out": True}, 204), ({"logs": []}, 204)])
def test_what_was_not_read_as_it_is_asked_for_now_cannot_be_added(served, other, status):
    """A press that came just before the button was shut."""
    from dashboard import ids
    from dashboard.waiting import item_of

    with SISTER.open("rb") as stream:
        item = item_of(served.app.server.extensions["dashboard_uploads"].receive(SISTER.name, stream))
    state = {"asked": "now", "left_out": False, "logs": [item["token"]], "how": "one", "good": []} | other
    given = {ids.ADD_FILES: [item], ids.ADD_STATE: state, ids.ADD_ASK: {"n": "now"}, ids.ADD_PACK_KIND: "existing", ids.ADD_PACK_EXISTING: "EB-0415"}
    call = next(name for name, entry in served.app.callback_map.items() if [one["id"] for one in entry["inputs"]] == [ids.ADD_BUTTON])
    states = [[] if one["id"].startswith("{") else one | {"value": given.get(one["id"])} for one in served.app.callback_map[call]["state"]]
    answer = called(served, call, [f"{ids.ADD_BUTTON}.n_clicks"], [{"id": ids.ADD_BUTTON, "property": "n_clicks", "value": 1}], states)
    assert answer.status_code == status


def test_adding_shows_its_stage_survives_a_reload_and_is_cancelled_without_a_trace(served, page, slowed):
    at_groups, go_on, _folder = slowed
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0050")
    button = page.get_by_role("button", name="Add test")
    button.click()
    assert at_groups.wait(30)
    expect(page.locator(".work-words")).to_have_text("working out resistances")
    page.reload()
    expect(page.locator("#add-progress")).to_contain_text(f"Adding {SISTER.name}")
    expect(button).to_be_disabled()
    page.get_by_role("button", name="Cancel").click()
    expect(page.locator(".work-words")).to_have_text("Ending after this step …")
    go_on.set()
    expect(page.locator("#add-error")).to_have_text("Cancelled. Nothing was stored; the files are still here.")
    assert len(served.door.runs()) == 3 and all(item.id != "CB-0050" for item in served.door.packs())
    expect(button).to_be_enabled()
    button.click()
    page.wait_for_url("**/run/4")
    page.get_by_role("link", name="Add a test", exact=True).click()
    expect(page.locator("#add-empty")).to_be_visible()
    drop(page, [BEFORE])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    expect(page.get_by_label("Pack number")).to_have_value("")  # what was typed for the last test is not kept for the next


def test_register_that_another_program_holds_is_told_and_the_button_tries_again(served, page, monkeypatch):
    monkeypatch.setattr("cycler.database.BUSY_TIMEOUT_S", 0.3)
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.get_by_label("New pack").check()
    page.get_by_label("Pack number").fill("CB-0051")
    button = page.get_by_role("button", name="Add test")
    expect(button).to_be_enabled()
    with monkeypatch.context() as broken:  # a defect of the program is told in the same place, and the button opens as well
        broken.setattr(served.door, "check_writable", lambda: 1 // 0)
        button.click()
        expect(page.locator("#add-error")).to_contain_text("defect of its own")
        expect(page.locator("#add-error")).to_contain_text("ZeroDivisionError")
        expect(button).to_be_enabled()
    held = sqlite3.connect(served.door.register_name)
    held.execute("BEGIN EXCLUSIVE")
    try:
        button.click()
        expect(page.locator("#add-error")).to_contain_text("another program holds the register")
        expect(page.locator("#add-error")).to_contain_text("The files are still here")
    finally:
        held.rollback()
        held.close()
    expect(button).to_be_enabled()
    button.click()
    page.wait_for_url("**/run/4")


def test_run_leads_to_its_pack_and_the_pack_to_a_test_of_it(served, page, tmp_path):
    open_page(page, served, "/run/1")
    page.locator("h1").get_by_role("link", name="EB-0412").click()
    page.wait_for_url("**/pack/EB-0412")
    page.goto(served.address + "/add?pack=EB-0412")
    drop(page, [SISTER])
    chosen, why = page.get_by_role("group", name="Choose a pack"), page.locator("#add-picked-why")
    expect(chosen).to_contain_text("EB-0412")
    expect(why).to_contain_text("you came from its page")
    expect(page.get_by_role("button", name="Add test")).to_be_enabled()
    # Another choice holds through a reload; the name of a log that says otherwise is told.
    chosen.get_by_role("button").click()
    page.get_by_role("option", name=re.compile("EB-0415")).click()
    expect(why).to_have_text("")
    page.reload()
    expect(chosen).to_contain_text("EB-0415")
    page.get_by_role("link", name="Register", exact=True).click()
    page.wait_for_selector(".page-register")
    page.goto(served.address + "/pack/EB-0415")
    page.wait_for_selector(".page-pack")
    page.goto(served.address + "/add?pack=EB-0412")
    expect(chosen).to_contain_text("EB-0412")
    drop(page, [log_like(SISTER, tmp_path / "EB-0415 again.csv")])
    page.get_by_role("button", name=f"Remove {SISTER.name}").click()
    expect(why).to_contain_text("the name of EB-0415 again.csv holds the number of EB-0415")
    # A pack that was not tested yet: its number stands in the form of a new one.
    served.door.write_card("CB-0050", [("fault", "rattles")], [], "A. Bell", True)
    page.goto(served.address + "/pack/CB-0050")
    page.wait_for_selector(".page-pack")
    page.goto(served.address + "/add?pack=CB-0050")
    expect(page.get_by_label("Pack number")).to_have_value("CB-0050")


@pytest.mark.parametrize("late", ["add-drop-event.data", "drop twice", "add-let-go.data"])
def test_answers_that_overtake_each_other_lose_no_file_and_bring_none_back(served, page, tmp_path, late):
    """A file is dropped while another one is taken out, or a second one right after the first; one answer is late."""
    other, third = log_like(SISTER, tmp_path / "other.csv"), log_like(BEFORE, tmp_path / "third.csv")
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    held = hold(page, f'"changedPropIds":["{late}' if late != "drop twice" else '"changedPropIds":["add-drop-event.data')
    if late == "drop twice":
        drop(page, [other])
        until(page, lambda: held)
        drop(page, [third])
        left = [SISTER.name, other.name, third.name]
    elif late.startswith("add-drop"):
        drop(page, [other])
        until(page, lambda: held)
        page.get_by_role("button", name=f"Remove {SISTER.name}").click()
        until(page, lambda: page.evaluate("sessionStorage.getItem('add-files')") == "[]")
        left = [other.name]
    else:
        page.get_by_role("button", name=f"Remove {SISTER.name}").click()
        until(page, lambda: held)
        drop(page, [other])
        expect(page.locator(".file-list")).to_contain_text(other.name)
        left = [other.name]
    if late == "drop twice":
        expect(page.locator(".file-list > li")).to_have_count(3)
    held[0].continue_()
    for name in left:
        expect(page.locator(".file-list")).to_contain_text(name)
    expect(page.locator(".file-list > li")).to_have_count(len(left))
    page.wait_for_load_state("networkidle")
    assert [name for name in left if name not in words(page, ".file-list")] == [] and page.locator(".file-list > li").count() == len(left)


@pytest.mark.parametrize("late", ["add-drop-event.data", "add-said.data"])
def test_what_was_wrong_with_a_drop_is_told_once_though_the_next_one_overtakes_its_answer(served, page, tmp_path, late):
    photo, twin = tmp_path / "photo.csv", tmp_path / "twin.csv"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    twin.write_bytes(SISTER.read_bytes())
    result, rows = page.locator("#add-result"), page.locator(".file-list > li")
    open_page(page, served, "/add")
    drop(page, [SISTER])
    page.locator(".look").wait_for()
    page.wait_for_load_state("networkidle")
    held = hold(page, f'"changedPropIds":["{late}')
    drop(page, [photo, twin])
    until(page, lambda: held)
    drop(page, [log_like(BEFORE, tmp_path / "third.csv")])
    for said in ("photo.csv", "this file is here already", "twin.csv"):  # refused by its first bytes, and by the program when it was there
        expect(result).to_contain_text(said)
    held[0].continue_()
    drop(page, [log_like(BEFORE, tmp_path / "fourth.csv", 0.02)])
    expect(rows).to_have_count(3)
    expect(result).to_be_empty()
    expect_no_refused_call(page)


def test_answer_of_something_in_between_loses_one_drop_and_not_those_after_it(served, page, tmp_path):
    """What stands between page and program may answer for it, and not in its way."""
    open_page(page, served, "/add")
    answers = [{"error": "Payload Too Large"}, {"error": {"what": "too large"}}]

    def between(route):
        route.fulfill(status=413, json=answers.pop()) if answers else route.continue_()

    page.route("**/drop", between)
    drop(page, [log_like(BEFORE, tmp_path / "first.csv", 0.01), log_like(BEFORE, tmp_path / "second.csv", 0.02)])
    expect(page.locator(".upload-lost")).to_contain_text("second.csv did not reach the program")
    drop(page, [SISTER])
    expect(page.locator(".file-list > li")).to_have_count(1)
    expect_no_refused_call(page)


def test_pack_with_a_danger_is_told_beside_the_button(served, page):
    assert add_overcharged(served.door.register_name) == 4
    open_page(page, served, "/add")
    drop(page, [BEFORE])
    page.locator(".look").wait_for()
    page.get_by_role("group", name="Choose a pack").get_by_role("button").click()
    page.get_by_role("option", name=re.compile("EB-0415")).click()
    expect(page.locator("#add-caution .caution-danger")).to_contain_text("EB-0415: do not charge or load it again")
    expect(page.locator("#add-caution")).to_contain_text("Its last test, run 4, found")
    page.get_by_label("New pack").check()
    expect(page.locator("#add-caution .caution-danger")).to_have_count(0)
