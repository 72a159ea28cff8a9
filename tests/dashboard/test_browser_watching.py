"""The watched folder on the page for adding: walks in a real browser, and the door behind it."""

from __future__ import annotations

import json
import shutil
import time
from types import SimpleNamespace

import pytest

from cycler.errors import InputError
from dashboard import ids
from dashboard.door.watching import FOLDERS_MAX, typed_path
from dashboard.pages import watching as page_of

from .conftest import SAMPLES
from .walking import SISTER, called, open_page, words


@pytest.fixture
def quick(monkeypatch):
    """Files count as whole after a fifth of a second, and the folder is looked at as often."""
    for name, value in (("QUIET_FOR_S", 0.2), ("ROWS_QUIET", 0), ("LOOK_EVERY_S", 0.1)):
        monkeypatch.setattr(f"cycler.watching.{name}", value)


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "logs"
    made.mkdir()
    return made


def put(folder, name, head="Invented variation 1"):
    """A sample log with another first line, there whole at once."""
    part = folder / f"{name}.part"
    part.write_text(f"{head}\n{SISTER.read_text('utf-8-sig')}", encoding="utf-8")
    part.rename(folder / name)


def start(page, path):
    page.fill("#watch-path", str(path))
    page.get_by_role("button", name="Start watching").click()


def status(page, said):
    page.wait_for_function("said => document.querySelector('.watch-status')?.innerText.includes(said)", arg=said)


def leave(page):
    """Leave the page before its server ends, when all that it asked for has come."""
    page.wait_for_load_state("networkidle")
    page.goto("about:blank")


def wait_until(claim, seconds=20.0):
    """Wait for what another thread does."""
    end = time.monotonic() + seconds
    while not claim():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.02)  # between two looks at the condition


def test_logs_of_a_named_folder_come_in_by_themselves_and_the_others_wait(page, served, folder, quick):
    open_page(page, served, "/add")
    start(page, f'"{folder}"')  # as a file manager copies it
    status(page, "No log in it yet")
    put(folder, "EB-0415 new.csv")
    put(folder, "bench <img src=x onerror=alert(1)>.csv", "Invented variation 2")
    status(page, "1 waiting for you, 1 added")
    rows = page.locator(".watch-item").all_inner_texts()
    assert "bench <img src=x" in rows[0] and "Whose pack is it" in rows[0] and "EB-0415 new.csv" in rows[1] and "Pass" in rows[1]
    assert page.locator(".watch-list img").count() == 0
    uploads = served.app.server.extensions["dashboard_uploads"]
    assert [item.name for item in uploads.from_folder()] == ["bench <img src=x onerror=alert(1)>.csv"]

    page.reload()
    status(page, "1 waiting for you, 1 added")
    assert page.input_value("#watch-path") == f'"{folder}"'

    shutil.copy(SAMPLES / "packs" / "ebike-0415.toml", folder / "pack.toml")
    status(page, "2 added")
    wait_until(lambda: not uploads.from_folder())
    assert len(served.door.runs("EB-0415")) == 3
    page.get_by_role("button", name="Stop watching").click()
    page.wait_for_selector(".watch-folder", state="detached")
    leave(page)
    assert served.door.watched_folders() == [] and sorted(path.suffix for path in folder.iterdir()) == [".csv", ".csv", ".toml"]


def test_folder_that_cannot_be_watched_is_told_in_place(page, served, folder):
    open_page(page, served, "/add")
    (folder / "a.csv").write_text("x")
    for path, said in (("", "no folder is named"), ("logs", "not the whole path"), (folder / "none", "no such folder"), (folder / "a.csv", "not a folder")):
        start(page, path)
        page.wait_for_function("said => document.querySelector('#watch-error')?.innerText.includes(said)", arg=said)
        assert "traceback" not in words(page, "#watch-error").lower()
    leave(page)
    assert served.door.watched_folders() == []


def test_stick_that_is_pulled_is_told_and_comes_back(page, served, folder, quick):
    open_page(page, served, "/add")
    start(page, folder)
    status(page, "No log in it yet")
    away = folder.with_name("pulled")
    folder.rename(away)
    status(page, "Put the stick or drive back in")
    away.rename(folder)
    put(folder, "EB-0415.csv")
    status(page, "1 added")
    page.locator(".watch-item a").click()
    page.wait_for_url("**/run/4")
    leave(page)


# --- the door ---------------------------------------------------------------------------------------------------


def test_door_watches_at_most_so_many_folders_and_each_once(served_empty, tmp_path):
    uploads = served_empty.app.server.extensions["dashboard_uploads"]
    for number in range(FOLDERS_MAX + 1):
        (tmp_path / f"f{number}").mkdir()
    door = served_empty.door
    for number in range(FOLDERS_MAX):
        door.start_watching(str(tmp_path / f"f{number}"), uploads)
    door.start_watching(f"{tmp_path}/f1/", uploads)
    assert len(door.watched_folders()) == FOLDERS_MAX
    with pytest.raises(InputError, match="4 are watched already"):
        door.start_watching(str(tmp_path / f"f{FOLDERS_MAX}"), uploads)
    threads = [watch._thread for watch in door._watches.values()]
    door.close()
    assert door.watched_folders() == [] and not any(thread.is_alive() for thread in threads)


@pytest.mark.parametrize("moved", [("stop",), ("stop", "look"), ("look", "stop")])
def test_stop_is_heard_beside_a_look_that_is_due(served_empty, folder, moved):
    """Both may stand in one call of the page, in either order."""
    door, app = served_empty.door, served_empty.app
    door.start_watching(str(folder), app.server.extensions["dashboard_uploads"])
    button = {"type": ids.WATCH_STOP, "key": door.watched_folders()[0].key}
    names = {"stop": f"{json.dumps(button, separators=(',', ':'), sort_keys=True)}.n_clicks", "look": f"{ids.WATCH_TICK}.n_intervals"}
    call = next(name for name, entry in app.callback_map.items() if any(item["property"] == "n_intervals" and item["id"] == ids.WATCH_TICK for item in entry["inputs"]))
    called(
        served_empty, call, [names[one] for one in moved],
        [[{"id": button, "property": "n_clicks", "value": 1}], {"id": ids.WATCH_TICK, "property": "n_intervals", "value": 4}],
        [{"id": ids.WATCH_SEEN, "property": "data", "value": "as it was"}],
    )
    assert door.watched_folders() == []


def test_file_that_a_tab_has_taken_stays_with_it(served, folder, quick):
    """What waits no more is taken back from the page, unless a person is at work on it there."""
    uploads, door = served.app.server.extensions["dashboard_uploads"], served.door
    put(folder, "bench.csv")
    door.start_watching(str(folder), uploads)
    wait_until(uploads.from_folder)
    [item] = uploads.from_folder()
    uploads.take(item.token)
    (folder / "bench.csv").unlink()
    wait_until(lambda: not door.watched_folders()[0].files)
    assert uploads.get(item.token).path.read_bytes()


def test_folder_full_of_files_is_not_copied_whole(served_empty, folder, quick, monkeypatch):
    """Each file that is offered lies in the temporary folder too: no more than a few at once, others when some were taken."""
    monkeypatch.setattr("dashboard.door.watching.OFFERED_MAX", 3)
    uploads, door = served_empty.app.server.extensions["dashboard_uploads"], served_empty.door
    for number in range(5):
        (folder / f"{number}.csv").write_text(f"no,log\n{number},1\n")
    door.start_watching(str(folder), uploads)
    wait_until(lambda: [event.kind for event in door.watched_folders()[0].files] == ["not_read"] * 5)
    wait_until(lambda: len(uploads.from_folder()) == 3)
    looks = door._watches[door.watched_folders()[0].key].watcher
    seen = []
    monkeypatch.setattr(looks, "step", lambda now, real=looks.step: seen.append(now) or real(now), raising=False)
    wait_until(lambda: len(seen) > 2)
    assert len(uploads.from_folder()) == 3 and len(list(uploads._folder_path().iterdir())) == 3
    for item in uploads.from_folder():
        uploads.take(item.token)
    wait_until(lambda: len(uploads.from_folder()) == 2)


def test_defect_of_one_look_ends_neither_thread_nor_page(served, folder, quick, monkeypatch, caplog):
    from cycler.watching import Watcher

    real = Watcher.step

    def wrong(self, now):
        raise ZeroDivisionError

    monkeypatch.setattr(Watcher, "step", wrong)
    uploads, door = served.app.server.extensions["dashboard_uploads"], served.door
    door.start_watching(str(folder), uploads)
    wait_until(lambda: door.watched_folders()[0].troubles)
    assert "defect" in str(page_of.folder_list(door.watched_folders()))
    monkeypatch.setattr(Watcher, "step", real)
    wait_until(lambda: door.watched_folders()[0].looked and not door.watched_folders()[0].troubles)


@pytest.mark.parametrize(("typed", "path"), [
    ("/media/stick", "/media/stick"), ('  "/media/my stick" ', "/media/my stick"), ("'/a'", "/a"), ("file:///media/my%20stick", "/media/my stick"), ("~/logs", "~/logs"),
])
def test_path_as_it_is_typed_or_pasted(typed, path):
    assert typed_path(typed) == path


@pytest.mark.parametrize("typed", ["", "  ", '""', "logs", "../logs", "file:"])
def test_path_that_is_none_is_refused(typed):
    with pytest.raises(InputError):
        typed_path(typed)


@pytest.mark.parametrize(("address", "host", "allowed"), [
    ("127.0.0.1", "127.0.0.1:8765", True), ("127.0.0.1", "localhost:8765", True), ("192.168.1.9", "127.0.0.1:8765", False), ("127.0.0.1", "bench.example:80", False),
])
def test_path_is_taken_from_this_computer_alone(served_empty, address, host, allowed):
    app = served_empty.app.server
    app.config["TRUSTED_HOSTS"] = None
    with app.test_request_context("/", base_url=f"http://{host}", environ_base={"REMOTE_ADDR": address}):
        if allowed:
            page_of.refuse_other_computers()
        else:
            with pytest.raises(InputError, match="only be named on the computer"):
                page_of.refuse_other_computers()


def test_list_shows_those_that_need_a_person_first_and_not_without_end():
    from cycler.watching import Event
    from dashboard.door.watching import WatchedFolder

    files = [Event("added", 100.0 + number, f"{number}.csv", number, "EB-1", "pass", "its name") for number in range(1, 50)]
    files.append(Event("waits", 1.0, "old.csv", error=InputError("whose pack is it?", "old.csv", "nothing tells it", "add it by hand")))
    folder = WatchedFolder("k", "/logs", True, True, (), tuple(files), frozenset({"old.csv"}))
    assert page_of.status_words(folder) == "1 waiting for you, 49 added"
    shown = [item for item in page_of.folder_list([folder])[0]._traverse() if getattr(item, "key", None)]
    assert [item.key for item in shown][:2] == ["old.csv", "49.csv"] and len(shown) == page_of.ROWS_SHOWN
    assert page_of.status_words(SimpleNamespace(there=False, looked=True, files=())).startswith("The folder is not there now")
