"""The workshop's key: made once, kept from others, protected, and every way in which its file can be wrong."""

from __future__ import annotations

import os
import stat
import subprocess
import sys

import pytest
from cryptography.hazmat.primitives.asymmetric import ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

from cycler.errors import InputError
from cycler.proof import keys
from cycler.proof.keys import (
    KeyLocked,
    export_public_key,
    is_protected,
    load_key,
    load_or_make_key,
    load_public_key,
    own_public_key,
    protect_key,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights of files as on POSIX systems")
WORDS = "battery öl staple"


@pytest.fixture(autouse=True)
def _environment(monkeypatch, tmp_path):
    for name in (keys.KEY_VARIABLE, keys.PASSPHRASE_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))


@pytest.fixture(scope="module")
def rsa_key():
    return rsa.generate_private_key(65537, 2048)


def rights(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_key_is_made_on_first_use_and_is_the_same_from_then_on(tmp_path):
    first = load_or_make_key()
    assert first.made and first.path == tmp_path / "home" / "packreturn" / "workshop-key.pem"
    assert rights(first.path) == 0o600
    assert "new workshop key" in first.remarks[0] and "copy of the file apart" in first.remarks[0]
    again = load_or_make_key()
    assert not again.made and not again.remarks and again.public == first.public
    assert [path.name for path in first.path.parent.iterdir()] == ["workshop-key.pem"]  # nothing left beside it


def test_two_keys_differ_and_the_private_one_is_in_no_text(tmp_path):
    one, other = load_or_make_key(tmp_path / "a.pem"), load_or_make_key(tmp_path / "b.pem")
    assert one.public != other.public
    seed = one._private.private_bytes(Encoding.Raw, PrivateFormat.Raw, NoEncryption())
    assert seed.hex() not in repr(one) and repr(seed) not in repr(one)


def test_key_named_by_the_environment_is_used(tmp_path, monkeypatch):
    monkeypatch.setenv(keys.KEY_VARIABLE, str(tmp_path / "bench.pem"))
    assert load_or_make_key().path == tmp_path / "bench.pem"


def test_rights_do_not_depend_on_the_mask_of_the_process(tmp_path):
    for mask in (0o000, 0o777):
        before = os.umask(mask)
        try:
            key = load_or_make_key(tmp_path / f"{mask}.pem")
        finally:
            os.umask(before)
        assert rights(key.path) == 0o600


_RACER = """
import sys, time
from cycler.proof.keys import load_or_make_key
import cryptography.hazmat.primitives.asymmetric.ed25519
while time.time() < float(sys.argv[2]): pass
print(load_or_make_key(sys.argv[1]).public_b64)
"""


def test_processes_that_make_the_key_at_once_end_with_the_same_one(tmp_path):
    import time

    start = str(time.time() + 1.5)
    racers = [
        subprocess.Popen([sys.executable, "-c", _RACER, str(tmp_path / "key.pem"), start], stdout=subprocess.PIPE, text=True) for _ in range(4)
    ]
    found = {racer.communicate(timeout=60)[0].strip() for racer in racers}
    assert [racer.returncode for racer in racers] == [0] * 4
    assert found == {load_key(tmp_path / "key.pem").public_b64}
    assert [path.name for path in tmp_path.iterdir()] == ["key.pem"]


def test_name_taken_a_moment_ago_is_waited_for(tmp_path, monkeypatch):
    # As on a file system without links: another process has the name, and its key comes a moment later.
    import threading

    path, other = tmp_path / "key.pem", load_or_make_key(tmp_path / "other.pem")
    real = keys.name_file

    def taken(part, target):
        os.close(os.open(target, os.O_CREAT | os.O_WRONLY, 0o600))
        threading.Timer(0.2, lambda: os.replace(other.path, target)).start()
        return real(part, target)

    monkeypatch.setattr(keys, "name_file", taken)
    assert load_or_make_key(path).public == other.public


def test_key_that_others_could_read_is_mended_and_told(tmp_path):
    path = load_or_make_key(tmp_path / "key.pem").path
    path.chmod(0o644)
    assert own_public_key(path) and rights(path) == 0o644  # only looked at
    (remark,) = load_or_make_key(path).remarks
    assert "0644" in remark and "copied" in remark and rights(path) == 0o600


def test_file_that_is_no_key_keeps_its_rights(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("no key")
    path.chmod(0o644)
    with pytest.raises(InputError, match="no private key in PEM form"):
        load_or_make_key(path)
    assert rights(path) == 0o644


def test_key_that_others_can_read_and_that_cannot_be_mended_is_refused(tmp_path, monkeypatch):
    path = load_or_make_key(tmp_path / "key.pem").path
    path.chmod(0o640)

    def refuse(*_args):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(keys.os, "chmod", refuse)
    with pytest.raises(InputError, match=r"others can read the workshop key.*0640.*0600"):
        load_key(path)


def test_passphrase_is_set_changed_and_removed_and_the_key_stays(tmp_path, monkeypatch):
    path = tmp_path / "key.pem"
    key = load_or_make_key(path)
    assert not is_protected(path)
    assert protect_key(path, None, WORDS).public == key.public
    assert is_protected(path) and rights(path) == 0o600
    with pytest.raises(KeyLocked, match=r"has a passphrase.*none was given.*CYCLER_KEY_PASSPHRASE"):
        load_or_make_key(path)
    with pytest.raises(KeyLocked, match="does not open"):
        load_key(path, "other")
    assert load_key(path, WORDS).sign(b"x") == key.sign(b"x")
    assert own_public_key(path) == key.public  # shown without the passphrase
    monkeypatch.setenv(keys.PASSPHRASE_VARIABLE, WORDS)
    assert load_or_make_key(path).public == key.public
    assert protect_key(path, WORDS, "another one").public == key.public
    with pytest.raises(KeyLocked):
        load_key(path)  # the variable holds the old one
    assert protect_key(path, "another one", None).public == key.public
    assert not is_protected(path) and load_key(path).public == key.public
    assert [file.name for file in tmp_path.iterdir()] == ["key.pem"]


def test_passphrase_is_the_same_whichever_way_its_letters_are_typed(tmp_path):
    load_or_make_key(tmp_path / "key.pem", "öl und wasser")
    assert load_key(tmp_path / "key.pem", "o\u0308l und wasser").protected


def test_new_key_is_protected_by_the_passphrase_that_is_given(tmp_path):
    assert load_or_make_key(tmp_path / "key.pem", WORDS).protected
    assert b"ENCRYPTED PRIVATE KEY" in (tmp_path / "key.pem").read_bytes()


@pytest.mark.parametrize("words", ["", "   ", "x" * 501, "a\0b"])
def test_passphrase_that_is_none_is_refused_and_the_file_stays(tmp_path, words):
    path = load_or_make_key(tmp_path / "key.pem").path
    before = path.read_bytes()
    with pytest.raises(InputError, match="passphrase cannot be used"):
        protect_key(path, None, words)
    assert path.read_bytes() == before and len(list(tmp_path.iterdir())) == 1


def test_wrong_passphrase_changes_nothing(tmp_path):
    path = load_or_make_key(tmp_path / "key.pem", WORDS).path
    before = path.read_bytes()
    with pytest.raises(KeyLocked):
        protect_key(path, "other", None)
    assert path.read_bytes() == before


def test_link_to_a_key_stays_a_link_when_it_is_protected(tmp_path):
    load_or_make_key(tmp_path / "key.pem")
    link = tmp_path / "link.pem"
    link.symlink_to(tmp_path / "key.pem")
    protect_key(link, None, WORDS)
    assert link.is_symlink() and is_protected(tmp_path / "key.pem")


def pem_of(private):
    return private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def damaged_files(tmp_path, rsa_key):
    good = load_or_make_key(tmp_path / "good.pem").path.read_bytes()
    other = ed25519.Ed25519PrivateKey.generate()
    public = other.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    body = good.index(b"PRIVATE KEY-----\n") + 18
    return {
        "empty": (b"", "damaged.*it is empty"),
        "cut": (good[:-40], "damaged.*no private key in PEM form"),
        "changed": (good[:body] + b"Zz/+" + good[body + 4 :], "damaged"),
        "text": (b"hello", "damaged.*no private key"),
        "bytes": (bytes(range(256)) * 9, "damaged.*no private key"),
        "two keys": (good + pem_of(other), "damaged.*2 private keys"),
        "another key under this head": (good[: good.index(b"-----BEGIN")] + pem_of(other), "damaged.*belongs to another"),
        "RSA": (pem_of(rsa_key), "of another kind.*RSA.*Ed25519"),
        "public": (public, "this is a public key"),
        "huge": (good + b" " * 100_001, "no workshop key.*100000 bytes"),
    }


def test_every_unusable_key_file_gives_one_message_and_stays(tmp_path, rsa_key):
    for name, (raw, why) in damaged_files(tmp_path, rsa_key).items():
        path = tmp_path / f"{name}.pem"
        path.write_bytes(raw)
        path.chmod(0o600)
        for call in (load_or_make_key, load_key, own_public_key):
            with pytest.raises(InputError, match=f"(?s){why}") as found:
                call(path)
            assert str(path) in str(found.value) and "mend:" in str(found.value), name
        assert path.read_bytes() == raw


def test_places_where_no_key_can_be_told(tmp_path, monkeypatch):
    with pytest.raises(InputError, match="is a folder"):
        load_or_make_key(tmp_path)
    with pytest.raises(InputError, match=r"cannot write the workshop key.*No such file"):
        load_or_make_key(tmp_path / "missing" / "key.pem")
    with pytest.raises(InputError, match="there is no workshop key yet"):
        load_key(tmp_path / "none.pem")
    with pytest.raises(InputError, match="there is no workshop key yet"):
        protect_key(tmp_path / "none.pem", None, WORDS)
    assert own_public_key(tmp_path / "none.pem") is None
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="device or a pipe"):
        load_or_make_key(tmp_path / "pipe")
    with pytest.raises(InputError, match="cannot write the workshop key"):
        load_or_make_key(tmp_path / "a\0b")
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    with pytest.raises(InputError, match="cannot write the workshop key"):
        load_or_make_key()


def test_folder_that_may_not_be_written_is_told(tmp_path, monkeypatch):
    def refuse(*_args):  # root, as whom tests may run, can write everywhere
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(keys.os, "open", refuse)
    with pytest.raises(InputError, match=r"cannot write the workshop key.*Permission denied"):
        load_or_make_key(tmp_path / "key.pem")


def test_full_disk_leaves_no_key_and_no_rest(tmp_path, monkeypatch):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(keys.os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        load_or_make_key(tmp_path / "key.pem")
    assert list(tmp_path.iterdir()) == []


def test_public_key_is_exported_once_and_read_back(tmp_path):
    key = load_or_make_key(tmp_path / "key.pem")
    target = export_public_key(key.public, tmp_path / "public.pem")
    assert load_public_key(target) == key.public
    assert key.fingerprint in target.read_text() and "PRIVATE" not in target.read_text()
    with pytest.raises(InputError, match="never overwritten"):
        export_public_key(key.public, target)
    with pytest.raises(InputError, match="cannot write the public key"):
        export_public_key(key.public, tmp_path / "missing" / "public.pem")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["key.pem", "public.pem"]


def test_public_key_file_that_is_none_gives_one_message(tmp_path, rsa_key):
    key = load_or_make_key(tmp_path / "key.pem")
    rsa_public = rsa_key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    for raw, why in (
        (key.path.read_bytes(), "private key.*private one stays with its owner"), (b"", "no public key"),
        (rsa_public, "of another kind.*RSA"), (key.public.pem.encode() * 2, "2 public keys"),
        (key.public.pem.replace("MCow", "MDow").encode(), "cannot be read"),
    ):
        path = tmp_path / "public.pem"
        path.write_bytes(raw)
        with pytest.raises(InputError, match=why):
            load_public_key(path)
    with pytest.raises(InputError, match="no such public key"):
        load_public_key(tmp_path / "none.pem")


def test_fingerprint_is_the_head_of_the_hash_in_groups_of_four():
    import hashlib

    key = keys.PublicKey(bytes(32))
    assert key.fingerprint.replace(" ", "") == hashlib.sha256(bytes(32)).hexdigest()[:16]
    assert [len(group) for group in key.fingerprint.split(" ")] == [4, 4, 4, 4]
