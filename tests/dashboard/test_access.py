"""Logins, as OWASP's lists ask for them: the Cheat Sheets "Session Management", "Authentication", "Cross-Site Request Forgery Prevention",
"Unvalidated Redirects and Forwards", "File Upload", "Content Security Policy" and "HTTP Headers" (titles and content from memory)."""

from __future__ import annotations

import gzip
import io
import re
from concurrent.futures import ThreadPoolExecutor, as_completed

import pytest

from cycler.errors import InputError
from cycler.users import Users
from dashboard import access as access_module
from dashboard import sessions, upload_limits
from dashboard.access import Access, own_path
from dashboard.app import create_app
from dashboard.downloads import disposition, safe_name
from dashboard.security import ATTACHED_POLICY, name_of
from dashboard.sessions import Attempts, Sessions
from dashboard.uploads import Uploads

NAME, PASSWORD = "A. Bell", "three moss green kettles"
HOST = "bench.example:8765"
PAGE = {"Host": HOST, "Accept": "text/html"}
OWN = {"Host": HOST, "Origin": f"http://{HOST}", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture(scope="module", autouse=True)
def quick_hashes():
    """Hashes that cost little; what they cost in earnest is held in tests/test_users.py."""
    from cycler import users

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(users, "METHOD", "scrypt:1024:8:1")
        patch.setattr(users, "_NOBODY", users._NOBODY.replace(":131072:", ":1024:"))
        yield


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """An app with logins, its users and a clock that the tests set."""
    folder = tmp_path_factory.mktemp("access")
    users, clock = Users(folder / "register.users.json"), Clock()
    users.add(NAME, PASSWORD)
    access = Access(users, sessions=Sessions(clock), attempts=Attempts(clock))
    app = create_app(folder / "register.sqlite", hosts=("bench.example", "[2001:db8::7]"), access=access, upload_bytes_max=100_000)
    yield app.server, access, clock
    app.server.extensions["dashboard_door"].close()


@pytest.fixture
def server(bench):
    """The app, with no wrong tries and the user as added."""
    server, access, clock = bench
    access.attempts = Attempts(clock)
    return server


def form_of(client, query=""):
    answer = client.get(f"/login{query}", headers=PAGE)
    assert answer.status_code == 200
    return re.search(r'name="form" value="([0-9a-f]{64})"', answer.text)[1]


def sign_in(client, name=NAME, password=PASSWORD, headers=OWN, **more):
    return client.post("/login", headers=headers, data={"form": form_of(client), "name": name, "password": password, **more})


def is_in(client):
    return client.get("/_dash-layout", headers={"Host": HOST}).status_code == 200


# ---- nothing without a session ---------------------------------------------------------------------------------


def addresses(server):
    """An address and method of every route, those of the libraries too."""
    fill = {"int:": "1", "path:": "a/b.js", "string:": "x.js", None: "x.html"}
    for rule in server.url_map.iter_rules():
        address = re.sub(r"<(\w+:)?\w+>", lambda found: fill[found[1]], rule.rule)
        yield from ((method, address) for method in sorted(rule.methods - {"OPTIONS"}))


def test_every_route_needs_a_session_and_forbids_outside_sources(server):
    client, seen = server.test_client(), 0
    for method, address in addresses(server):
        for headers in ({**OWN, "Accept": "*/*"}, {**OWN, "Accept": "text/html"}):
            answer = client.open(address, method=method, headers=headers)
            policy = answer.headers["Content-Security-Policy"]
            assert "http:" not in policy and "https:" not in policy and "*" not in policy and "default-src" in policy, address
            told = {"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin",
                    "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"}
            assert told.items() <= dict(answer.headers).items() and "camera=()" in answer.headers["Permissions-Policy"], address
            if address not in ("/login", "/logout"):
                redirected = answer.status_code == 303 and answer.headers["Location"].startswith("/login")
                assert answer.status_code == 401 or (method == "GET" and redirected), (method, address, answer.status_code)
                seen += 1
    assert seen > 40
    for open_asset in sorted(access_module.OPEN_ASSETS):
        assert client.get(open_asset, headers={"Host": HOST}).status_code == 200, open_asset
    for closed in ("/assets/page.css", "/assets/../login.css/../page.css", "/assets//login.css", "/alive", "/bundle/x.css", "/photo/" + "0" * 64):
        assert client.get(closed, headers={"Host": HOST}).status_code == 401, closed


def test_page_to_sign_in_on_asks_for_nothing_from_outside_and_keeps_nothing(server):
    answer = server.test_client().get("/login", headers=PAGE)
    assert answer.headers["Cache-Control"] == "no-store" and "http" not in re.sub(r"http-equiv", "", answer.text)
    assert 'autocomplete="current-password"' in answer.text and "not encrypted" in answer.text


@pytest.mark.parametrize(("host", "asked_from", "told"), [
    ("127.0.0.1:8765", "127.0.0.1", False), ("localhost", "127.0.0.1", False), ("[::1]:8765", "::1", False),
    ("127.0.0.1:8765", "192.0.2.9", True), ("bench.example:8765", "127.0.0.1", True), ("192.0.2.7:8765", "192.0.2.9", True),
])
def test_on_this_computer_or_through_a_tunnel_nobody_is_told_that_others_read_along(bench, host, asked_from, told):
    server, access, _clock = bench
    with server.test_request_context("/login", headers={"Host": host}, environ_base={"REMOTE_ADDR": asked_from}):
        assert ("not encrypted" in access.show_form().get_data(as_text=True)) == told


@pytest.mark.parametrize("host", ["pages.example", "bench.example.pages.example", "127.0.0.1", "[2001:db8::8]", "bench.example:80:80", "bench.example@x", ""])
def test_host_rebinding_a_foreign_name_is_refused_before_anything(server, host):
    answer = server.test_client().get("/login", headers={"Host": host})
    assert answer.status_code == 400 and "Set-Cookie" not in answer.headers and "cycler serve --name NAME" in answer.text
    assert not host or host not in answer.text


def test_names_and_addresses_given_are_answered(server):
    for host in ("bench.example", "BENCH.example:8765", "[2001:db8::7]:8765", "[2001:DB8::7]"):
        assert server.test_client().get("/login", headers={"Host": host}).status_code == 200, host
    assert [name_of(host) for host in ("a:1", "[::1]:1", "[::1]", "::1", "a:b", "a:²")] == ["a", "[::1]", "[::1]", "", "", ""]


# ---- sessions --------------------------------------------------------------------------------------------------


def test_cookie_flags_and_lifetime(server, tmp_path):
    client = server.test_client()
    answer = sign_in(client)
    session = next(line for line in answer.headers.getlist("Set-Cookie") if "Expires" not in line)
    assert answer.status_code == 303 and "HttpOnly" in session and "SameSite=Strict" in session and "Domain" not in session and "Max-Age" not in session
    assert len(session.split("=", 1)[1].split(";")[0]) >= 43  # 256 bits
    behind = Access(Users(tmp_path / "u.json"), behind_tls=True)
    with server.test_request_context("/login", headers=PAGE):
        told = behind.show_form().headers["Set-Cookie"]
    assert told.startswith("__Host-") and "Secure" in told and "Path=/;" in told


def test_session_fixation_a_token_from_outside_never_becomes_a_session(server, bench):
    client, access = server.test_client(), bench[1]
    client.set_cookie(access.cookie, "planted-by-somebody-else", domain="bench.example")
    sign_in(client)
    first = client.get_cookie(access.cookie, domain="bench.example").value
    sign_in_again = client.post("/login", headers=OWN, data={"form": "x"})  # the form's cookie is gone with the first sign-in
    assert first != "planted-by-somebody-else" and sign_in_again.status_code == 403
    access.sessions.end(first)
    sign_in(client)
    assert client.get_cookie(access.cookie, domain="bench.example").value != first


def test_logout_ends_the_session_whoever_holds_its_cookie(server, bench):
    client, thief, access = server.test_client(), server.test_client(), bench[1]
    sign_in(client)
    thief.set_cookie(access.cookie, client.get_cookie(access.cookie, domain="bench.example").value, domain="bench.example")
    assert is_in(client) and is_in(thief)
    assert client.post("/logout", headers={"Host": HOST}).status_code == 403 and is_in(client)
    answer = client.post("/logout", headers=OWN)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/login?out=1") and not is_in(client) and not is_in(thief)


def test_session_ends_when_idle_or_old(server, bench):
    client, clock = server.test_client(), bench[2]
    sign_in(client)
    clock.now += sessions.IDLE_S - 1
    assert is_in(client)
    clock.now += sessions.IDLE_S + 1
    assert not is_in(client)
    sign_in(client)
    for _ in range(int(sessions.LASTS_S / sessions.IDLE_S) * 2):
        assert is_in(client)
        clock.now += sessions.IDLE_S / 2 + 1
    assert not is_in(client)


def test_removed_user_and_changed_password_end_sessions_at_once(server, bench):
    users = Users(bench[1].users.path)  # as another process has them
    users.add("C. Dee", "seven wet paving stones")
    client = server.test_client()
    sign_in(client, "C. Dee", "seven wet paving stones")
    assert is_in(client)
    users.add("c. dee", "eight dry paving stones")
    assert not is_in(client) and sign_in(client, "C. Dee", "seven wet paving stones").status_code == 401
    sign_in(client, "C. Dee", "eight dry paving stones")
    assert is_in(client)
    users.remove("C. DEE")
    assert not is_in(client)


def test_who_is_signed_in_stands_on_the_page_and_only_there(server):
    client = server.test_client()
    sign_in(client, "a. bell")
    assert b'"data-signed-in":"A. Bell"' in client.get("/_dash-layout", headers={"Host": HOST}).data
    assert client.get("/login?next=/add", headers=PAGE).headers["Location"] == "/add"
    assert client.get("/", headers=PAGE).headers["Cache-Control"] == "no-store"


def test_sessions_are_bounded(monkeypatch):
    from cycler.users import User

    monkeypatch.setattr(sessions, "SESSIONS_MAX", 30)
    clock = Clock()
    kept = Sessions(clock)
    tokens = []
    for _ in range(sessions.OF_ONE_MAX + 1):
        clock.now += 1
        tokens.append(kept.begin(User("a", "m", "")))
    assert kept.find(tokens[0]) is None and kept.find(tokens[1]) is not None
    for number in range(50):
        clock.now += 1
        kept.begin(User(str(number), "m", ""))
    assert len(kept._kept) == 30


# ---- calls from elsewhere --------------------------------------------------------------------------------------


@pytest.mark.parametrize("headers", [{}, {"Origin": "http://pages.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "same-site"}, {"Sec-Fetch-Site": "cross-site"}])
def test_call_that_changes_something_must_tell_it_comes_from_here(server, headers):
    """Missing Origin and Sec-Fetch-Site are refused too: nothing but a browser that is signed in has a reason to call."""
    client = server.test_client()
    sign_in(client)
    for method, path in (("PUT", "/drop"), ("POST", "/_dash-update-component"), ("POST", "/drop/forget"), ("POST", "/login"), ("POST", "/logout")):
        assert client.open(path, method=method, headers={"Host": HOST, **headers}, data=b"x").status_code == 403, path
    assert is_in(client)


def test_behind_tls_a_page_of_the_same_name_without_tls_is_another_origin(tmp_path):
    """Scheme, host and port make the origin (RFC 6454, 4)."""
    access = Access(Users(tmp_path / "u.json"), behind_tls=True)
    app = create_app(tmp_path / "register.sqlite", hosts=("bench.example",), access=access)
    asked = {"http": 403, "https": 401}
    for scheme, status in asked.items():
        headers = {"Host": "bench.example", "Origin": f"{scheme}://bench.example"}
        assert app.server.test_client().post("/drop/forget", headers=headers, json=[]).status_code == status
    app.server.extensions["dashboard_door"].close()


def test_login_csrf_form_of_another_browser_is_refused(server):
    client, other = server.test_client(), server.test_client()
    token = form_of(other)
    form_of(client)
    for form in (token, "", "é"):
        answer = client.post("/login", headers=OWN, data={"form": form, "name": NAME, "password": PASSWORD})
        assert answer.status_code == 403 and not is_in(client)


@pytest.mark.parametrize("wanted", [
    "//pages.example", "https://pages.example/", "/\\pages.example", "\\/pages.example", "/\t/pages.example", "javascript:alert(1)", "/%0d\r\nX: y", "", "pages.example",
    "/login", "/logout", "/" + "x" * 3000, "http:/add",
])
def test_open_redirect_only_own_paths(server, wanted):
    assert own_path(wanted) == "/"
    client = server.test_client()
    assert sign_in(client, next=wanted).headers["Location"] == "/"


def test_after_the_sign_in_comes_the_page_that_was_wanted(server):
    client = server.test_client()
    asked = client.get("/pack/B%C3%A4ck%201?tab=x&y=1", headers=PAGE)
    assert asked.status_code == 303
    page = client.get(asked.headers["Location"], headers=PAGE)
    wanted = re.search(r'name="next" value="([^"]*)"', page.text)[1].replace("&amp;", "&")
    assert wanted == "/pack/B%C3%A4ck%201?tab=x&y=1" == own_path(wanted)


def test_what_is_typed_comes_back_escaped(server):
    answer = sign_in(server.test_client(), '"><script>alert(1)</script>', "x" * 20, next='/"><script>')
    assert answer.status_code == 401 and "<script>alert" not in answer.text and "&lt;script&gt;" in answer.text


# ---- brute force -----------------------------------------------------------------------------------------------


def test_brute_force_is_slowed_for_known_and_unknown_names_alike(server, bench):
    clock = bench[2]
    for name in (NAME, "Nobody At All"):
        client = server.test_client()
        codes = [sign_in(client, name, f"wrong wrong {number}").status_code for number in range(sessions.NAME_TRIES)]
        assert codes == [401] * sessions.NAME_TRIES
        locked = sign_in(client, name, PASSWORD)
        assert locked.status_code == 429 and int(locked.headers["Retry-After"]) == sessions.WAIT_FIRST_S and "Try again in 30 s" in locked.text
    clock.now += sessions.WAIT_FIRST_S + 0.5
    assert sign_in(client, "a. BELL", "wrong again").status_code == 401  # in another case it is the same name
    locked = sign_in(client, NAME)
    assert locked.status_code == 429 and int(locked.headers["Retry-After"]) == 2 * sessions.WAIT_FIRST_S
    clock.now += 2 * sessions.WAIT_FIRST_S
    assert sign_in(client).status_code == 303 and sign_in(server.test_client(), NAME, "wrong").status_code == 401


def test_burst_of_sign_ins_leaves_threads_to_those_who_are_in(server, bench):
    access = bench[1]
    clients = [server.test_client() for _ in range(6)]
    forms = [form_of(client) for client in clients]
    with ThreadPoolExecutor(6) as pool:
        with access._hashing:
            tries = [
                pool.submit(client.post, "/login", headers=OWN, data={"form": form, "name": f"nobody {number}", "password": PASSWORD})
                for number, (client, form) in enumerate(zip(clients, forms, strict=True))
            ]
            at_once = [done.result() for _, done in zip(range(3), as_completed(tries, timeout=60))]
            assert [answer.status_code for answer in at_once] == [503] * 3 and "Retry-After" in at_once[0].headers
        assert sorted(done.result().status_code for done in tries) == [401] * 3 + [503] * 3


def test_unknown_name_costs_as_much_as_a_wrong_password(bench, monkeypatch):
    from werkzeug import security

    asked = []
    real = security._hash_internal
    monkeypatch.setattr(security, "_hash_internal", lambda method, salt, password: asked.append(method) or real(method, salt, password))
    assert bench[1].users.check("nobody", "wrong wrong wrong") is None and bench[1].users.check(NAME, "wrong wrong wrong") is None
    assert asked == ["scrypt:1024:8:1"] * 2


def test_attempts_count_per_address_double_and_are_bounded(monkeypatch):
    clock = Clock()
    tries = Attempts(clock)
    for number in range(sessions.ADDRESS_TRIES):
        assert tries.begin(f"name {number}", f"2001:db8:0:1::{number:x}") == 0  # one network of 64 bits, perhaps one computer
    assert tries.begin("another", "2001:db8:0:1:ffff::1") == sessions.WAIT_FIRST_S and tries.begin("another", "2001:db8:0:2::1") == 0
    waits = []
    for _ in range(40):
        waits.append(tries.begin("x", "192.0.2.1"))
        clock.now += waits[-1]
    closed = [wait for wait in waits if wait]
    assert closed[:4] == [30, 60, 120, 240] and max(closed) == sessions.WAIT_MAX_S
    clock.now += sessions.TRIES_FORGOTTEN_S + sessions.WAIT_MAX_S + 1
    assert tries.begin("x", "192.0.2.1") == 0 and tries.begin("x", "192.0.2.1") == 0
    monkeypatch.setattr(sessions, "KEYS_MAX", 50)
    for _ in range(sessions.NAME_TRIES):
        tries.begin("target", "192.0.2.9")
    for number in range(200):
        tries.begin(f"flood {number}", f"198.51.{number}.1")
    assert len(tries._kept) == 50 and tries.begin("target", "203.0.113.1") > 0


# ---- what comes in and goes out --------------------------------------------------------------------------------


def test_upload_too_large_is_413_and_leaves_no_file(server):
    client = server.test_client()
    sign_in(client)
    folder = server.extensions["dashboard_uploads"]._folder_path()
    answer = client.put("/drop", headers={**OWN, "X-File-Name": "big.csv"}, data=b"1;2\n" * 30_000)
    assert answer.status_code == 413 and set(answer.json["error"]) == {"what", "where", "why", "mend"} and list(folder.iterdir()) == []
    bomb = gzip.compress(b"0;0\n" * 10_000_000)
    assert len(bomb) < 100_000
    answer = client.put("/drop", headers={**OWN, "X-File-Name": "bomb.csv.gz", "X-File-For": "log"}, data=bomb)
    assert answer.status_code == 422 and "unpack" in answer.json["error"]["what"] and list(folder.iterdir()) == []


@pytest.mark.parametrize(("content", "what"), [
    (b"1\n" * 101, "too many lines"), (b"1\r" * 101, "too many lines"), (("1\x85" * 60 + "1\u2028" * 60).encode(), "too many lines"), (gzip.compress(b"1\n" * 101), "too many lines"),
    (gzip.compress(b"1\n" * 60) + gzip.compress(b"1\n" * 60), "too many lines"), (gzip.compress(b"x" * 5000), "unpacked"),
])
def test_upload_of_too_many_lines_or_too_much_unpacked(content, what):
    uploads = Uploads(bytes_max=1000, lines_max=100)
    with pytest.raises(InputError, match=what):
        uploads.receive("a.csv.gz", io.BytesIO(content))
    assert list(uploads._folder_path().iterdir()) == [] and uploads._coming == {}
    kept = uploads.receive("b.csv.gz", io.BytesIO(gzip.compress(b"1\n" * 99)[:-4]))  # damaged, which the reader tells
    assert kept.bytes and upload_limits.LINES_MAX == 20_000_000


def test_upload_archive_behind_another_is_counted_wherever_a_piece_ends():
    """Zeros between two archives of one file, and the first piece ending before, among or behind them: the reader unpacks both (RFC 1952, 2.2)."""
    whole = gzip.compress(b"1\n" * 60) + bytes(7) + gzip.compress(b"1\n" * 60)
    for cut in range(2, len(whole)):
        gauge = upload_limits.Gauge("a.csv.gz", 1000, 100)
        with pytest.raises(InputError, match="too many lines"):
            for piece in (whole[:cut], whole[cut:]):
                gauge.take(piece)


def test_upload_waiting_files_are_bounded_in_bytes_and_per_sign_in():
    from dashboard.uploads import FILES_MAX

    uploads = Uploads(bytes_max=1000)
    for _ in range(upload_limits.WAITING_TIMES):
        last = uploads.receive("a.csv", io.BytesIO(b"x" * 1000))
    with pytest.raises(InputError, match="too much room"):
        uploads.receive("a.csv", io.BytesIO(b"x"))
    uploads.remove(last.token)
    for _ in range(FILES_MAX):
        uploads.receive("a.csv", io.BytesIO(b"x"), owner="one")
    with pytest.raises(InputError, match="too many"):
        uploads.receive("a.csv", io.BytesIO(b"x"), owner="one")
    assert uploads.receive("a.csv", io.BytesIO(b"x"), owner="other").owner == "other"


def test_body_nested_without_end_is_refused(server):
    client = server.test_client()
    sign_in(client)
    for path in ("/_dash-update-component", "/drop/forget"):
        answer = client.post(path, headers=OWN, data=b"[" * 200_000, content_type="application/json")
        assert answer.status_code == 400 and b"Traceback" not in answer.data, path


@pytest.mark.parametrize("path", [
    "/assets/..%2f..%2fsecurity.py", "/assets/%2e%2e/app.py", "/record/1/..%2f..%2fetc%2fpasswd", "/record/1/..", "/photo/..%2f..%2fetc%2fpasswd", "/label/1/..%2fx.pdf",
    "/job-sheet/1/..%2f1.toml", "/handover/..%2f1", "/bundle/..%2fapp.py", "/_dash-component-suites/dash/..%2f..%2fflask%2fapp.py", "/static/../app.py",
])
def test_path_traversal_gives_no_file(server, path):
    client = server.test_client()
    sign_in(client)
    answer = client.get(path, headers={"Host": HOST})
    assert b"import" not in answer.data and b"root:" not in answer.data and "Content-Disposition" not in answer.headers
    assert answer.status_code == 404 or (answer.status_code == 200 and b"_dash-config" in answer.data) or answer.status_code >= 400


@pytest.mark.parametrize(("given", "kept"), [
    ("../../etc/passwd", "passwd"), ("C:\\x\\con.csv", "_con.csv"), ("NUL", "_NUL"), ("lpt1 .txt", "_lpt1 .txt"), ("a\x00b\r\n.csv", "a_b__.csv"), ("log.csv. ", "log.csv"),
    ("a:b.csv", "a_b.csv"), ("\u202egpj.exe", "_gpj.exe"), ("...", "file"), ("", "file"), ("x" * 300 + ".csv.gz", "x" * 117 + ".gz"), ("messung_ä.csv", "messung_ä.csv"),
])
def test_safe_name(given, kept):
    assert safe_name(given) == kept and len(kept) <= 120


def test_disposition_holds_no_header_and_says_the_name_twice_where_it_must():
    assert disposition("a.pdf") == 'attachment; filename="a.pdf"'
    assert disposition('ä";\r\nX: y.pdf') == "attachment; filename=\"-_-__X_-y.pdf\"; filename*=UTF-8''%C3%A4_%3B__X_%20y.pdf"


def test_files_are_attachments_in_a_sandbox(filled):
    app = create_app(filled)
    client = app.server.test_client()
    answer = client.get("/compare/table.csv?runs=1,2", headers={"Host": "127.0.0.1"})
    app.server.extensions["dashboard_door"].close()
    assert answer.headers["Content-Disposition"].startswith("attachment;") and answer.headers["Content-Security-Policy"] == ATTACHED_POLICY
    assert ATTACHED_POLICY.startswith("sandbox;")
