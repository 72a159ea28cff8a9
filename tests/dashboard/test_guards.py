"""Other pages and other machines stay out; dropped files are limited; nothing leaks on an error."""

from __future__ import annotations

import io
import threading

import pytest

from cycler.errors import InputError
from dashboard.app import create_app
from dashboard.security import CALLBACK_BYTES_MAX, same_origin
from dashboard.uploads import FILES_MAX, Uploads, clean_name

HOST = {"Host": "127.0.0.1:8765"}
OWN = {**HOST, "Origin": "http://127.0.0.1:8765", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture(scope="module")
def client(filled):
    app = create_app(filled, upload_bytes_max=1000)
    yield app.server.test_client()
    app.server.extensions["dashboard_door"].close()


@pytest.mark.parametrize("host", ["pages.example", "127.0.0.1.pages.example", "localhost.pages.example:80"])
def test_foreign_host_name_is_refused(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost:9"])
def test_own_host_names_are_answered(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://pages.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize(("method", "path"), [("put", "/drop"), ("post", "/_dash-update-component")])
def test_call_from_another_page_is_refused(client, method, path, headers):
    answer = getattr(client, method)(path, headers={**HOST, **headers}, data=b"x")
    assert answer.status_code == 403


@pytest.mark.parametrize(
    ("origin", "site", "good"),
    [
        ("http://127.0.0.1:8765", "same-origin", True),
        (None, "none", True),
        (None, None, True),  # a script on this machine, not a page
        ("http://127.0.0.1:8765", "cross-site", False),
        ("http://127.0.0.1:8765.pages.example", None, False),
        ("http://[", None, False),
    ],
)
def test_same_origin_table(origin, site, good):
    assert same_origin(origin, site, "127.0.0.1:8765") is good


def test_policy_allows_nothing_from_elsewhere(client):
    headers = client.get("/", headers=HOST).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'self'" and policy["connect-src"] == "'self'"
    assert policy["script-src"].startswith("'self' 'sha256-")
    assert "unsafe-eval" not in policy["script-src"] and "unsafe-inline" not in policy["script-src"]
    assert headers["X-Content-Type-Options"] == "nosniff"


def test_page_names_no_other_host(client):
    page = client.get("/", headers=HOST).get_data(as_text=True)
    assert 'src="http' not in page and 'href="http' not in page and "url(http" not in page


def test_drop_within_limit_is_kept(client):
    answer = client.put("/drop", headers={**OWN, "X-File-Name": "bench%202.csv"}, data=b"time;voltage\n")
    assert answer.status_code == 201
    assert answer.json["name"] == "bench 2.csv" and answer.json["bytes"] == 13


def test_drop_above_limit_is_refused_in_four_parts(client):
    answer = client.put("/drop", headers={**OWN, "X-File-Name": "big.csv"}, data=b"x" * 1001)
    assert answer.status_code == 413
    assert set(answer.json["error"]) == {"what", "where", "why", "mend"} and answer.json["error"]["where"] == "big.csv"


def test_drop_of_nothing_is_refused(client):
    answer = client.put("/drop", headers=OWN, data=b"")
    assert answer.status_code == 422 and answer.json["error"]["what"] == "the file is empty"


def test_page_that_is_left_throws_its_waiting_files_away(client):
    def put(name, data):
        return client.put("/drop", headers={**OWN, "X-File-Name": name}, data=data).json["token"]

    folder = client.application.extensions["dashboard_uploads"]._folder_path()
    mine, other = put("a.csv", b"1;2"), put("b.csv", b"3;4")
    assert client.post("/drop/forget", headers=OWN, json=[mine, "../../etc/passwd"]).status_code == 204
    left = {path.name for path in folder.iterdir()}
    assert mine not in left and other in left
    foreign = client.post("/drop/forget", headers={**OWN, "Origin": "http://pages.example"}, json=[other])
    assert foreign.status_code == 403 and {path.name for path in folder.iterdir()} == left
    assert client.post("/drop/forget", headers=OWN, data=b"no json").status_code == 204


def test_callback_above_limit_is_refused(client):
    answer = client.post("/_dash-update-component", headers=OWN, data=b"x" * (CALLBACK_BYTES_MAX + 1), content_type="application/json")
    assert answer.status_code == 413


@pytest.mark.parametrize("name", ["x.pdf", "../../etc/passwd", "x.exe", "x"])
def test_record_that_is_not_there_is_a_plain_404(client, name):
    answer = client.get(f"/record/99/{name}", headers=HOST)
    assert answer.status_code in (200, 404)  # a path of several parts is the pages' own "no such page"
    assert b"Traceback" not in answer.data and b"root:" not in answer.data


def test_defect_of_the_program_shows_no_trace(client, monkeypatch):
    from dashboard.data import Door

    def broken(self, *_args):
        raise RuntimeError("secret detail")

    monkeypatch.setattr(Door, "run", broken)
    layout = client.post(
        "/_dash-update-component", headers=OWN,
        json={
            "output": "..content.children...page-title.data...nav.children...notice-box.hidden..",
            "outputs": [{"id": "content", "property": "children"}, {"id": "page-title", "property": "data"},
                        {"id": "nav", "property": "children"}, {"id": "notice-box", "property": "hidden"}],
            "inputs": [{"id": "url", "property": "pathname", "value": "/run/1"}],
            "state": [{"id": "url", "property": "search", "value": ""}],
            "changedPropIds": ["url.pathname"],
        },
    )
    words = layout.get_data(as_text=True)
    assert layout.status_code == 200
    assert "met a defect of its own" in words
    assert "secret detail" not in words and "Traceback" not in words and ".py" not in words


# ---- waiting files ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "kept"),
    [("a.csv", "a.csv"), ("../../x/a.csv", "a.csv"), ("C:\\logs\\a.csv", "a.csv"), ("a\nb\x00.csv", "a_b_.csv"), ("/", "log")],
)
def test_clean_name(given, kept):
    assert clean_name(given) == kept


def test_receive_too_large_keeps_nothing():
    uploads = Uploads(bytes_max=10)
    with pytest.raises(InputError, match="too large"):
        uploads.receive("a.csv", io.BytesIO(b"x" * 11))
    assert list(uploads._folder_path().iterdir()) == []


def test_receive_then_content_is_byte_exact_and_remove_forgets():
    uploads = Uploads()
    dropped = uploads.receive("a.csv", io.BytesIO(b"\xff\x00abc"))
    assert uploads.content([dropped.token]) == [("a.csv", b"\xff\x00abc")]
    uploads.remove(dropped.token)
    with pytest.raises(InputError, match="no longer there"):
        uploads.get(dropped.token)


def test_waiting_files_are_forgotten_after_hours():
    now = [0.0]
    uploads = Uploads(clock=lambda: now[0])
    old = uploads.receive("a.csv", io.BytesIO(b"x"))
    now[0] = 7 * 3600.0
    uploads.receive("b.csv", io.BytesIO(b"x"))
    with pytest.raises(InputError):
        uploads.get(old.token)


def test_waiting_files_are_limited_in_number():
    uploads = Uploads()
    for _ in range(FILES_MAX):
        uploads.receive("a.csv", io.BytesIO(b"x"))
    with pytest.raises(InputError, match="too many"):
        uploads.receive("a.csv", io.BytesIO(b"x"))


def test_files_that_come_at_the_same_time_are_limited_too():
    uploads, all_begun = Uploads(), threading.Barrier(FILES_MAX + 5)

    class Slow(io.BytesIO):
        """Bytes that end only when all others have begun to come."""

        def read(self, size=-1):
            if self.tell() == 0:
                all_begun.wait(20)
            return super().read(size)

    refused = []

    def come():
        try:
            uploads.receive("a.csv", Slow(b"x"))
        except InputError as error:
            refused.append(error.what)

    coming = [threading.Thread(target=come) for _ in range(FILES_MAX + 5)]
    for one in coming:
        one.start()
    for one in coming:
        one.join(30)
    assert refused == ["too many files are waiting"] * 5 and len(list(uploads._folder_path().iterdir())) == FILES_MAX


@pytest.mark.parametrize("token", ["../../etc/passwd", "", "x" * 1000])
def test_token_is_never_a_path(token):
    with pytest.raises(InputError):
        Uploads().get(token)


@pytest.mark.parametrize("text", ["series = 1" + "0" * 5000, "a = " + "[" * 3000], ids=["digits", "nesting"])
def test_absurd_pack_file_is_refused_in_words(text):
    from cycler.errors import InputError
    from dashboard.data import is_pack_text, pack_from_text

    assert is_pack_text(text)
    with pytest.raises(InputError):
        pack_from_text(text, "pack.toml")


def test_record_content_type_names_its_charset_once(served, tmp_path):
    from urllib.request import urlopen

    from cycler.issuing import make_record
    from cycler.register import Register

    with Register.open(tmp_path / "register.sqlite") as register:
        make_record(register, 1)
        record = register.records(1)[-1].id
    with urlopen(f"{served.address}/record/{record}/a.html") as answer:
        assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
