"""Who may sign in: the file, the command, and from where the pages can be reached. The list of what to mind is that of the OWASP Cheat Sheets
"Password Storage" and "Authentication" (titles and content from memory)."""

from __future__ import annotations

import contextlib
import errno
import http.client
import io
import json
import os
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from cycler import users as module
from cycler.commands.reach import LOCAL, reach_of, remarks
from cycler.commands.serving import _end_in_order, listening_socket
from cycler.errors import InputError
from cycler.users import METHOD, Users, users_path
from tests.calls import call, parsed, process

PASSWORD = "three moss green kettles"


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(module, "METHOD", "scrypt:1024:8:1")


@pytest.fixture
def register(tmp_path):
    return tmp_path / "bench.sqlite"


def typed(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


def test_hash_is_scrypt_and_another_library_finds_the_same(tmp_path):
    """Second method: the key derivation of the package cryptography. Cost: N = 2^17, r = 8, p = 1 (OWASP, from memory)."""
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    users = Users(tmp_path / "u.json")
    users.add("A. Bell", PASSWORD)
    kept = json.loads((tmp_path / "u.json").read_text("utf-8"))["users"]["A. Bell"]["password"]
    method, salt, digest = kept.split("$")
    assert method == METHOD == "scrypt:131072:8:1" and len(salt) == 16 and PASSWORD not in (tmp_path / "u.json").read_text("utf-8")
    Scrypt(salt=salt.encode(), length=64, n=2**17, r=8, p=1).verify(PASSWORD.encode(), bytes.fromhex(digest))
    assert module._NOBODY.startswith(f"{METHOD}$") and users.check("a. bell", PASSWORD).name == "A. Bell" and users.check("A. Bell", PASSWORD + ".") is None


def test_users_are_added_listed_and_removed(capfd, monkeypatch, register, quick):
    assert call(capfd, "--register", register, "users") == (0, "Nobody may sign in yet. Add a user with: cycler users add NAME\n", "")
    typed(monkeypatch, f"{PASSWORD}\r\nmore\n")
    assert call(capfd, "--register", register, "users", "add", " A.  Bell", "--password-stdin") == (0, "", "A. Bell may sign in.\n")
    file = users_path(register)
    assert file == register.with_name("bench.users.json") and stat.S_IMODE(file.stat().st_mode) == 0o600 and not register.exists()
    assert Users(file).check("A. Bell", PASSWORD) is not None
    typed(monkeypatch, "another moss green kettle\n")
    code, _out, err = call(capfd, "--register", register, "users", "add", "a. bell", "--password-stdin")
    assert code == 0 and "A. Bell has a new password and is signed out everywhere" in err
    told = parsed(call(capfd, "--register", register, "users", "--json")[1])
    assert [user["name"] for user in told["users"]] == ["A. Bell"] and "scrypt" not in json.dumps(told)
    assert call(capfd, "--register", register, "users", "remove", "A. BELL") == (0, "", "A. Bell may no longer sign in.\n")
    code, _out, err = call(capfd, "--register", register, "users", "remove", "A. Bell")
    assert code == 2 and "no such user" in err


@pytest.mark.parametrize(("name", "password", "message"), [
    ("A", "short", "fewer than 12"), ("Anna Katharina Bell", "annakatharinabell", "is the name"), ("bell", "Bell-bell-bell!", "is the name"), ("A", "aaaaaaaaaaaab", "different"),
    ("A", "x y z" * 50, "more than 200"), ("", PASSWORD, "empty"), ("a" * 61, PASSWORD, "61 characters"), ("a\x1bb", PASSWORD, "printed"), ("--", PASSWORD, "printed"),
    ("A", "\udcff" + PASSWORD, "UTF-8"),
])
def test_name_or_password_that_does_not_do(name, password, message, tmp_path):
    with pytest.raises(InputError, match=message):
        Users(tmp_path / "u.json").add(name, password)
    assert list(tmp_path.iterdir()) == []


def test_every_register_has_users_of_its_own_however_it_is_named(tmp_path, monkeypatch):
    """Endings alone tell registers apart; a file under its address, and a server under another password, are the same register."""
    monkeypatch.setenv("HOME", str(tmp_path))
    assert users_path("/bench/pack.2025") != users_path("/bench/pack.2026") and users_path("/bench/a.db") != users_path("/bench/a.sqlite")
    assert users_path("sqlite:////bench/a.sqlite") == users_path("/bench/a.sqlite") == Path("/bench/a.users.json")
    if os.name == "posix":
        assert users_path("~/a.sqlite") == tmp_path / "a.users.json"
    on_server = {users_path(f"postgresql{driver}://bench{password}@192.0.2.7/packs") for driver in ("", "+psycopg") for password in ("", ":old", ":new")}
    assert len(on_server) == 1 and users_path("postgresql://bench@192.0.2.7/other") not in on_server


def test_letters_composed_or_not_are_the_same_password(tmp_path, quick):
    users = Users(tmp_path / "u.json")
    users.add("Ja\u0308n", "drei grüne Kessel ä")
    assert users.check("J\u00e4n", "drei gru\u0308ne Kessel a\u0308") is not None


def test_users_added_and_removed_at_the_same_moment_are_all_kept(tmp_path, quick, monkeypatch):
    file = tmp_path / "u.json"
    Users(file).add("Gone", PASSWORD)
    written = Users._write

    def slow(users, kept):
        time.sleep(0.01)  # as long as the others need to read what this one is about to write over
        written(users, kept)

    monkeypatch.setattr(Users, "_write", slow)
    names = [f"Bench {number}" for number in range(12)]
    with ThreadPoolExecutor(13) as threads:  # each with a reader of its own, as other programs have
        removed = threads.submit(Users(file).remove, "Gone")
        list(threads.map(lambda name: Users(file).add(name, PASSWORD), names))
        assert removed.result().name == "Gone"
    assert {user.name for user in Users(file).all()} == set(names)
    assert sorted(item.name for item in tmp_path.iterdir()) == [".u.json.lock", "u.json"] and (tmp_path / ".u.json.lock").stat().st_size == 0


OTHER = """
import sys
from cycler import users
users.METHOD, users._TURN_S = "scrypt:1024:8:1", 0.0
users.Users(__import__("pathlib").Path(sys.argv[1])).add("Other", "three moss green kettles")
"""


def test_another_program_waits_for_its_turn_whoever_else_of_this_one_waits_too(tmp_path, quick, monkeypatch):
    """Whoever closes a file lets go of all locks that the program has on it (POSIX, fcntl; from memory): a second thread must not."""
    file = tmp_path / "u.json"

    def another():
        return subprocess.run([sys.executable, "-c", OTHER, str(file)], capture_output=True, text=True, check=False)

    monkeypatch.setattr(module, "_TURN_S", 0.0)
    with Users(file)._turn():
        assert "another program has been changing them" in another().stderr
        with ThreadPoolExecutor(1) as thread, pytest.raises(InputError, match="another program"):
            thread.submit(Users(file).add, "A. Bell", PASSWORD).result()
        assert "another program has been changing them" in another().stderr and not file.exists()
    assert another().returncode == 0 and [user.name for user in Users(file).all()] == ["Other"]


def test_lock_of_the_users_that_cannot_be_had_is_told_as_what_it_is(tmp_path, quick, monkeypatch):
    file, beside = tmp_path / "u.json", tmp_path / ".u.json.lock"
    monkeypatch.setattr(module, "_TURN_S", 0.3)
    with contextlib.closing(sqlite3.connect(beside, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match=r"changing them for 0\.3 s") as caught:
            Users(file).add("A. Bell", PASSWORD)
        assert "end that program" in caught.value.mend
    Users(file).add("A. Bell", PASSWORD)
    for spoil, told in ((lambda: beside.write_bytes(b"x" * 4096), "something else"), (lambda: (beside.unlink(), beside.mkdir()), "cannot be used")):
        spoil()
        began = time.monotonic()
        with pytest.raises(InputError, match="cannot keep the users") as caught:
            Users(file).remove("A. Bell")
        assert str(caught.value.where) == str(beside) and told in caught.value.why and time.monotonic() - began < 60
    assert [user.name for user in Users(file).all()] == ["A. Bell"]


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b'{"schema": "cycler.users/1", "users": {"a": {"password": "plain$x$y", "since": ""}}}', b'{"schema": "cycler.users/1", "users": {"a": {"password": "scrypt:x$y$z", "since": ""}}}', b"[" * 100_000, b"\xff"])
def test_file_of_users_that_is_none_lets_nobody_in(tmp_path, content):
    file = tmp_path / "u.json"
    file.write_bytes(content)
    file.chmod(0o600)
    with pytest.raises(InputError, match="cannot be used"):
        Users(file).all()


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_file_of_users_that_others_can_read_is_refused(tmp_path, quick):
    users = Users(tmp_path / "u.json")
    users.add("A. Bell", PASSWORD)
    (tmp_path / "u.json").chmod(0o640)
    with pytest.raises(InputError, match="others can read"):
        Users(tmp_path / "u.json").all()


# ---- from where the pages can be reached -----------------------------------------------------------------------


@pytest.mark.parametrize(("options", "hosts", "logins"), [
    ({}, ("127.0.0.1", "localhost"), False),
    ({"host": "localhost"}, ("127.0.0.1", "localhost"), False),
    ({"host": "::1"}, ("[::1]", "127.0.0.1", "localhost"), False),
    ({"host": "127.0.0.2", "login": True}, ("127.0.0.2", "127.0.0.1", "localhost"), True),
    ({"host": "192.0.2.7"}, ("192.0.2.7",), True),
    ({"host": "[2001:db8::7]", "names": ("Bench.Example", "bücher.example")}, ("[2001:db8::7]", "bench.example", "xn--bcher-kva.example"), True),
    ({"host": "0.0.0.0", "names": ("192.0.2.7",)}, ("192.0.2.7", "127.0.0.1", "localhost"), True),
    ({"names": ("bench.example",)}, ("bench.example", "127.0.0.1", "localhost"), True),
    ({"names": ("bench.example",), "behind_tls": True}, ("bench.example", "127.0.0.1", "localhost"), True),
])
def test_reach(options, hosts, logins):
    found = reach_of(**options)
    assert (found.hosts, found.logins) == (hosts, logins)
    assert found.only_here == (found.hosts[0] in ("127.0.0.1", "[::1]", "127.0.0.2"))
    told = " ".join(remarks(found, 1))
    assert ("No TLS" in told) == (not found.only_here and not found.behind_tls) and ("1 user may" in told) == logins
    # At a loopback address no name makes other computers reach it; who forgot --host must not be told that they do.
    assert ("Reachable from every computer" in told) == (not found.behind_tls and not found.address.startswith(("127.", "::1")))


@pytest.mark.parametrize(("options", "message"), [
    (("--host", "bench"), "no address"), (("--host", "192.0.2.300"), "no address"), (("--host", "0.0.0.0"), "by what name"), (("--host", "::"), "by what name"),
    (("--behind-tls",), "by what name"), (("--behind-tls", "--host", "192.0.2.7", "--name", "a"), "goes with a proxy"), (("--name", "http://a"), "cannot be used"),
    (("--name", "a:80"), "cannot be used"), (("--name", "*.example"), "cannot be used"), (("--host", "192.0.2.7"), "nobody may sign in yet"), (("--login",), "nobody may sign in yet"),
    (("--upload-limit", "0"), "--upload-limit"),
])
def test_serve_that_cannot_be_is_refused_in_one_line(capfd, register, options, message):
    code, out, err = call(capfd, "--register", register, "serve", "--port", "0", *options)
    assert (code, out, err.count("\n")) == (2, "", 1) and message in err and not register.exists()


def test_address_of_a_protocol_that_this_computer_lacks_is_refused_in_words(monkeypatch):
    """A kernel without IPv6 refuses the socket itself (EAFNOSUPPORT)."""
    def refused(*_family):
        raise OSError(errno.EAFNOSUPPORT, "Address family not supported by protocol")

    monkeypatch.setattr("cycler.commands.serving.socket.socket", refused)
    with pytest.raises(InputError, match="cannot serve at this address"):
        listening_socket(0, reach_of("::1"))


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_program_that_is_to_outlive_the_log_off_does(monkeypatch):
    """nohup has a program begin with SIGHUP ignored (POSIX.1, nohup; from memory)."""
    handlers = {signal.SIGHUP: signal.SIG_IGN, signal.SIGTERM: signal.SIG_DFL}
    monkeypatch.setattr(signal, "getsignal", handlers.get)
    monkeypatch.setattr(signal, "signal", handlers.__setitem__)
    _end_in_order()
    assert handlers[signal.SIGHUP] == signal.SIG_IGN and callable(handlers[signal.SIGTERM])


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_served_with_logins_a_stranger_gets_the_sign_in_and_fills_no_disk(register, quick):
    """Through the real server: the address printed, who is told what, and a body of half a gigabyte refused before its first byte."""
    Users(users_path(register)).add("A. Bell", PASSWORD)
    assert reach_of().hosts == LOCAL.hosts
    started = process("--register", register, "serve", "--port", "0", "--login")
    try:
        port = int(started.stdout.readline().decode().rsplit(":", 1)[1].strip("/\n"))
        asked = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        asked.request("GET", "/", headers={"Accept": "text/html"})
        answer = asked.getresponse()
        assert (answer.status, answer.getheader("Location")) == (303, "/login")
        asked.close()
        for size in (b"Content-Length: 500000000", b"Transfer-Encoding: chunked", b"Expect: 100-continue\r\nContent-Length: 500000000"):
            with socket.create_connection(("127.0.0.1", port), timeout=30) as raw:
                raw.sendall(b"PUT /drop HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: bench=x\r\n" + size + b"\r\n\r\n")
                assert raw.recv(100).startswith(b"HTTP/1.1 401 ")
    finally:
        started.send_signal(signal.SIGINT)
        _out, err = started.communicate(timeout=30)
    assert started.returncode == 0 and b"Traceback" not in err and b"1 user may" in err
