"""Files that wait: how they come, whose they are, whether they belong together, which pack they name."""

from __future__ import annotations

import hashlib
import io
import os
import socket
import subprocess
import sys
import tempfile
import tracemalloc
from pathlib import Path

import pytest

from cycler.errors import InputError
from cycler.register import Register
from dashboard import waiting
from dashboard.data import Door, Look
from dashboard.pages import add_pack
from dashboard.uploads import FILES_MAX, KEEP_S, REFUSED_S, Uploads, clear_left_behind

from .conftest import SAMPLES
from .walking import SISTER

LOG = b"time;voltage\n0;36.1\n"


# ---- on their way ----------------------------------------------------------------------------------------------


class Endless(io.RawIOBase):
    """A log of so many bytes that nobody holds."""

    def __init__(self, size):
        self.left = size

    def read(self, size=-1):
        size = min(size, self.left)
        self.left -= size
        return b"1;2;3\n"[:1] * size


def test_file_of_200_mb_is_kept_without_being_held_in_memory():
    uploads = Uploads()
    tracemalloc.start()
    try:
        dropped = uploads.receive("big.csv", Endless(200_000_000), length=200_000_000, for_log=True)
        _now, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert dropped.bytes == dropped.path.stat().st_size == 200_000_000
    assert peak < 8_000_000


@pytest.mark.parametrize(("sent", "told"), [(b"1;2", 10), (b"1;2;3;4", 3)], ids=["shorter", "longer"])
def test_file_that_is_not_as_long_as_announced_leaves_nothing_behind(sent, told):
    uploads = Uploads()
    with pytest.raises(InputError, match="did not arrive whole") as caught:
        uploads.receive("a.csv", io.BytesIO(sent), length=told)
    assert f"{len(sent)} of {told} bytes came" in caught.value.why
    assert list(uploads._folder_path().iterdir()) == []


def test_connection_that_breaks_in_the_middle_leaves_nothing_behind(served_empty):
    uploads = served_empty.app.server.extensions["dashboard_uploads"]
    host, port = served_empty.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=10) as line:
        line.sendall(
            b"PUT /drop HTTP/1.1\r\nHost: 127.0.0.1:" + port.encode() + b"\r\nX-File-Name: half.csv\r\nX-File-For: log\r\n"
            b"Content-Length: 100000\r\n\r\n" + b"1;2;3\n" * 100
        )
        line.shutdown(socket.SHUT_WR)
        answer = b""
        while piece := line.recv(4096):
            answer += piece
    assert b" 422 " in answer.split(b"\r\n")[0] and b"did not arrive whole" in answer
    assert list(uploads._folder_path().iterdir()) == [] and uploads._files == {}


# First bytes: PDF 1.7, JPEG (SOI and APP0), PNG signature of RFC 2083, ZIP local file header of APPNOTE 4.3.7; from memory.
@pytest.mark.parametrize(
    ("head", "kind", "mend"),
    [
        (b"%PDF-1.7\n", "a PDF document", "CSV text"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "a JPEG picture", "CSV text"),
        (b"\x89PNG\r\n\x1a\n", "a PNG picture", "CSV text"),
        (b"PK\x03\x04\x14\x00logs/a.csv", "a zip archive", "unpack it"),
        (b"PK\x03\x04\x14\x00\x06\x00[Content_Types].xml", "a zip archive or a spreadsheet", "save the sheet as CSV"),
        (b"\x00\x00\x00\x18ftypheic", "a picture or film of a camera", "CSV text"),
    ],
)
def test_what_is_no_log_is_told_by_its_first_bytes(head, kind, mend):
    uploads = Uploads()
    with pytest.raises(InputError) as caught:
        uploads.receive("test.csv", io.BytesIO(head + b"\x00" * 5000), for_log=True)
    assert kind in caught.value.what and mend in caught.value.mend
    assert list(uploads._folder_path().iterdir()) == []
    assert uploads.receive("photo.jpg", io.BytesIO(head)).bytes == len(head)  # a page may take pictures of its own


def test_packed_log_is_taken():
    assert Uploads().receive("a.csv.gz", io.BytesIO(b"\x1f\x8b\x08rest"), for_log=True).name == "a.csv.gz"


# ---- found in the watched folder -------------------------------------------------------------------------------


def test_file_found_in_a_folder_waits_for_everybody_until_one_takes_it(tmp_path):
    path = tmp_path / "EB-0412" / "cycle.csv"
    path.parent.mkdir()
    path.write_bytes(LOG)
    now = [0.0]
    uploads = Uploads(clock=lambda: now[0])
    found = uploads.adopt(path)
    assert (found.name, found.folder, found.found_at, found.sha256) == ("cycle.csv", "EB-0412", str(path), hashlib.sha256(LOG).hexdigest())
    assert uploads.adopt(path).token == found.token and uploads.from_folder() == [found]
    path.write_bytes(LOG + b"1;36.0\n")  # it went on: other bytes are another file
    longer = uploads.adopt(path)
    assert longer.token != found.token and uploads.content([longer.token]) == [("cycle.csv", LOG + b"1;36.0\n")]
    uploads.remove(longer.token)
    path.write_bytes(LOG)
    now[0] = KEEP_S + 1.0
    uploads.receive("other.csv", io.BytesIO(b"x"))  # looks for old ones: those of the folder wait on
    taken = uploads.take(found.token)
    now[0] += KEEP_S - 1.0
    uploads.receive("second.csv", io.BytesIO(b"z"))  # its time counts from when the tab took it
    assert uploads.from_folder() == [] and uploads.content([taken.token]) == [("cycle.csv", LOG)]
    with pytest.raises(InputError, match="taken already"):
        uploads.take(found.token)
    uploads.give_back(found.token)
    assert [item.token for item in uploads.from_folder()] == [found.token]
    assert uploads.take(found.token, "one tab").token == uploads.take(found.token, "one tab").token == found.token
    with pytest.raises(InputError, match="taken already"):
        uploads.take(found.token, "another tab")
    now[0] += KEEP_S + 1.0
    uploads.receive("third.csv", io.BytesIO(b"y"))
    assert [item.token for item in uploads.from_folder()] == [found.token]  # the tab that had it never came back
    uploads.remove(found.token)
    assert uploads.from_folder() == [] and path.read_bytes() == LOG


def test_files_of_the_folder_take_no_room_from_those_that_are_dropped(tmp_path):
    uploads = Uploads()
    for number in range(FILES_MAX + 1):
        path = tmp_path / f"{number}.csv"
        path.write_bytes(LOG + str(number).encode())
        uploads.adopt(path)
    assert uploads.receive("a.csv", io.BytesIO(LOG)).bytes == len(LOG)


def test_file_of_a_folder_that_cannot_be_used_is_told_and_not_kept(tmp_path):
    uploads = Uploads()
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "photo.csv").write_bytes(b"\xff\xd8\xff\xe0")
    for name, words in (("empty.csv", "empty"), ("photo.csv", "JPEG"), ("gone.csv", "cannot be read")):
        with pytest.raises(InputError, match=words):
            uploads.adopt(tmp_path / name)
    assert uploads.from_folder() == [] and list(uploads._folder_path().iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipe_and_file_that_states_no_bytes_are_refused_without_being_opened(tmp_path, monkeypatch):
    """Both may let their reader wait for ever."""
    uploads = Uploads()
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "none.csv").write_bytes(b"")
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *mode: pytest.fail("was opened") if self.parent == tmp_path else real(self, *mode))
    for name, words in (("pipe.csv", "not a file"), ("none.csv", "empty")):
        with pytest.raises(InputError, match=words):
            uploads.adopt(tmp_path / name)


def test_log_that_cannot_be_read_is_not_held_in_memory(tmp_path):
    """What was wrong with it is kept, a hundred of such; the calls that an error came through would hold the log's bytes."""
    opened = Door(tmp_path / "register.sqlite")
    source = [("no-log.csv", b"no,log\n1,2\n1,3\n")]
    for _ in range(2):
        with pytest.raises(InputError, match="voltage"):
            opened.look(source, opened.used(source))
    [kept] = opened._looks._found.values()
    opened.close()
    assert isinstance(kept, InputError) and kept.__traceback__ is None and kept.__context__ is None


# ---- a tab's list ----------------------------------------------------------------------------------------------


def test_file_that_is_gone_keeps_its_row_and_is_taken_up_again_by_its_name():
    uploads = Uploads()
    first = uploads.receive("a.csv", io.BytesIO(LOG))
    files, _errors = waiting.received({"files": [{"token": first.token}]}, [], uploads)
    uploads.remove(first.token)
    assert waiting.still_there(files, uploads) == [] and waiting.gone(files, uploads) == files
    again = uploads.receive("a.csv", io.BytesIO(LOG))
    now, errors = waiting.received({"files": [{"token": again.token}]}, files, uploads)
    assert errors == [] and len(now) == 1
    assert now[0]["token"] == again.token and now[0]["key"] == files[0]["key"] and waiting.gone(now, uploads) == []


def test_why_a_file_was_refused_is_told_again_until_the_page_has_shown_it():
    now = [0.0]
    uploads = Uploads(clock=lambda: now[0])
    first, twin = (uploads.receive(name, io.BytesIO(LOG)).token for name in ("a.csv", "b.csv"))
    files, _errors = waiting.received({"files": [{"token": first}]}, [], uploads)

    def told(**more):
        taken, errors = waiting.received({"files": [{"token": twin, **more}]}, files, uploads)
        assert taken == files
        return [(error.what, error.where) for error in errors]

    refused = [("this file is here already", "b.csv")]
    assert told() == refused and told(again=True, heard=False) == refused and told(again=True, heard=True) == []
    with pytest.raises(InputError):
        uploads.get(twin)
    now[0] += 2 * REFUSED_S
    uploads.refuse("another one", InputError("what", "where", "why", "mend"))
    assert told(again=True, heard=False) == []  # forgotten: nobody asks as late as that


# ---- one test or several ---------------------------------------------------------------------------------------


def look(started_at=None, hours=2.0, groups=10):
    return Look(100, 3600.0 * hours, groups, 1, "negative", "", started_at, ())


@pytest.mark.parametrize(
    ("looks", "packs", "wanted"),
    [
        ([look("2026-03-01 08:00"), look("2026-03-01 10:10")], {}, ("one", "follow")),
        ([look("2026-03-01 10:10"), look("2026-03-01 08:00")], {}, ("one", "follow")),
        ([look("2026-03-01 08:00"), look("2026-03-03 08:00")], {}, ("one", "unknown")),
        ([look("2026-03-01 08:00"), look("2026-03-01 08:10")], {}, ("each", "overlap")),
        ([look("2026-03-01 08:00"), look("2026-03-01 09:58")], {}, ("one", "follow")),
        ([look(), look()], {}, ("one", "unknown")),
        ([look(), look("2026-03-01 08:00")], {}, ("one", "unknown")),
        ([look("2026-03-01 08:00"), look("2026-03-01 08:00+00:00")], {}, ("one", "unknown")),
        ([look(groups=10), look(groups=13)], {}, ("each", "groups")),
        ([look(), look()], {"0": "EB-1", "1": "EB-2"}, ("each", "packs")),
        ([look(), look()], {"0": "EB-1", "1": "EB-1"}, ("one", "unknown")),
        ([look(), look()], {"0": "EB-1", "1": None}, ("one", "unknown")),
    ],
)
def test_one_or_each_only_where_it_is_certain(looks, packs, wanted):
    files = [{"token": str(place), "kind": "log"} for place in range(len(looks))]
    assert waiting.one_or_each(files, {str(place): item for place, item in enumerate(looks)}, packs) == wanted


# ---- which pack ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "folder", "packs"),
    [
        ("EB-0412 after repair.csv", "", ["EB-0412"]),
        ("eb_0412.csv.gz", "", ["EB-0412"]),
        ("EB0415-2026-03-01.csv", "", ["EB-0415"]),
        ("cycle.csv", "EB-0412", ["EB-0412"]),
        ("EB-0412 and EB-0415.csv", "", ["EB-0412", "EB-0415"]),
        ("EB-04125.csv", "", []),
        ("0412.csv", "", []),
        ("bench 3 run 1.csv", "logs", []),
        ("<img src=x>'\" 🔋.csv", "", []),
        ("x" * 300 + ".csv", "", []),
    ],
)
def test_pack_is_known_by_its_number_in_the_name_of_file_or_folder(door, name, folder, packs):
    assert sorted(door.packs_named(name, folder)) == packs


def test_choice_of_packs_never_holds_more_than_a_few(tmp_path):
    with Register.open(tmp_path / "many.sqlite") as register:
        for number in range(60):
            register.add_card_entry(f"EB-{number:04}", "note", "here", who="A. Bench", new=True)
    door = Door(tmp_path / "many.sqlite")
    try:
        assert len(add_pack.offered(door, "", None, with_new=True)) == add_pack.OFFERED
        found = [option["value"] for option in add_pack.offered(door, "0042", None, with_new=True)]
        assert found == ["new:EB-0042", "new:0042"]
        assert add_pack.pack_picked("new:EB-0042", door).id == "EB-0042" and door.pack_of("EB-0042").id == "EB-0042"
        with pytest.raises(InputError, match="no such pack"):
            door.pack_of("EB-9999")
    finally:
        door.close()


def test_danger_of_card_and_of_the_last_run_are_told_beside_the_button(filled, tmp_path):
    import shutil

    from .conftest import add_overcharged

    path = tmp_path / "register.sqlite"
    shutil.copy(filled, path)
    run_id = add_overcharged(path)
    with Register.open(path) as register:
        register.add_card_entry("EB-0412", "danger", "Case is swollen", who="A. Bench")
    door = Door(path)
    try:
        assert door.dangers_of("EB-0412") == ["Open on its card: Case is swollen (written by A. Bench)"]
        (said,) = door.dangers_of("EB-0415")
        assert said.startswith(f"Its last test, run {run_id}, found:")
        assert add_pack.caution_of(door, "EB-0999") is None and add_pack.caution_of(door, None) is None
        assert "do not charge" in str(add_pack.caution_of(door, "EB-0412"))
    finally:
        door.close()


# ---- several tests ---------------------------------------------------------------------------------------------


def test_logs_that_are_a_test_each_are_read_each_by_itself(door):
    uploads = Uploads()
    event = {"files": [
        {"token": uploads.receive("sister.csv", SISTER.open("rb")).token},
        {"token": uploads.receive("holiday.csv", io.BytesIO(b"name,colour\nsun,yellow\n")).token},
        {"token": uploads.receive("after.csv", (SAMPLES / "ebike-10s4p-after-repair.csv").open("rb")).token},
    ]}
    files, _errors = waiting.received(event, [], uploads)
    found = waiting.seen_each(files, door, uploads)
    names = {item["token"]: item["name"] for item in files}
    assert [names[token] for token in found.each] == ["sister.csv", "after.csv"] and [names[token] for token in found.bad] == ["holiday.csv"]
    assert found.why_not(files) == "" and found.look is None
    alone = door.look([("sister.csv", SISTER.read_bytes())], door.used([("sister.csv", SISTER.read_bytes())]))
    assert next(iter(found.each.values())) == alone


# ---- the bar ---------------------------------------------------------------------------------------------------


def test_every_stage_has_its_words_and_its_length_of_the_bar():
    from cycler.analysis import STAGES
    from dashboard import text_add
    from dashboard.pages import add_work

    stages = ("reading", *STAGES, "storing")
    assert tuple(add_work.WEIGHTS_S) == stages == tuple(text_add.STAGE)
    ends = [add_work.share_of(stage, 1.0) for stage in stages]
    begins = [add_work.share_of(stage, None) for stage in stages]
    assert begins[0] == 0.0 and ends[-1] == pytest.approx(1.0) and begins[1:] == pytest.approx(ends[:-1])


@pytest.mark.skipif(os.name != "posix", reason="looks at processes the POSIX way")
def test_folder_that_a_killed_program_left_is_cleared_and_one_in_use_is_not(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left, other = tmp_path / f"pack-logs-{ended.pid}-abc", tmp_path / "pack-logs-mine"
    for folder in (left, other):
        folder.mkdir()
        (folder / "log").write_bytes(b"1,2\n")
    first = Uploads()
    Uploads()
    assert not left.exists() and other.exists()
    assert first.get(first.receive("a.csv", io.BytesIO(b"1,2\n")).token).bytes == 4


@pytest.mark.skipif(os.name != "posix", reason="asks for processes as POSIX does")
def test_folder_left_behind_that_another_start_clears_at_the_same_moment(tmp_path, monkeypatch):
    left, real = tmp_path / "pack-logs-999999999-abc", Path.is_dir

    def gone(self):
        was = real(self)
        if self == left and was:
            left.rmdir()
        return was

    left.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(Path, "is_dir", gone)
    clear_left_behind()
    assert not left.exists()
