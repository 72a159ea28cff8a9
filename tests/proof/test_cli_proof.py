"""The commands ``verify`` and ``key`` as they are typed."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest

from cycler.cli import run
from cycler.proof.seal import envelope_bytes, seal_content
from tests.proof.proof_example import KEY, STRANGER, made

WORDS = "several words of mine"


@pytest.fixture(autouse=True)
def _environment(monkeypatch, tmp_path):
    for name in ("CYCLER_KEY", "CYCLER_KEY_PASSPHRASE", "CYCLER_KEY_NEW_PASSPHRASE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))


@pytest.fixture
def files(tmp_path):
    """A folder with the record, its logs and the public key of the workshop."""
    for kind in ("json", "html", "pdf"):
        (tmp_path / f"record.{kind}").write_bytes(getattr(made(), kind))
    for name, raw in made().logs:
        (tmp_path / name).write_bytes(raw)
    (tmp_path / "workshop.pem").write_text(KEY.public.pem)
    (tmp_path / "stranger.pem").write_text(STRANGER.public.pem)
    return tmp_path


def test_verify_of_a_good_record_ends_with_0_and_says_what_was_not_checked(files, capfd):
    assert run(["verify", str(files / "record.pdf")]) == 0
    out = capfd.readouterr().out
    assert "What the sealed content says" in out
    assert "Everything that was looked at is as it should be.\nNot checked: key, logs, figures, earlier run." in out
    assert KEY.fingerprint in out and "2026-0002-1" in out and made().envelope["seal"]["record_sha256"] in out
    assert "no\nsafety certificate" in out.replace(" safety", "\nsafety") and "Traceback" not in out


def test_verify_with_logs_and_key_finds_everything_good_without_a_register(files, capfd, monkeypatch):
    monkeypatch.setenv("CYCLER_REGISTER", str(files / "no" / "register.sqlite"))
    logs = [word for name, _raw in made().logs for word in ("--log", str(files / name))]
    assert run(["verify", str(files / "record.html"), *logs, "--key", str(files / "workshop.pem"), "--json"]) == 0
    value = json.loads(capfd.readouterr().out)
    assert value["good"] and {check["id"]: check["result"] for check in value["checks"]}["figures"] == "good"
    assert not (files / "no").exists() and not (files / "home").exists()  # nothing was made on the way


def test_verify_of_an_altered_record_ends_with_3_and_names_the_part(files, capfd):
    (files / "record.json").write_bytes(made().json.replace(b'"result":"not_proven"', b'"result":"pass"'))
    assert run(["verify", str(files / "record.json")]) == 3
    out = capfd.readouterr().out
    assert "NOT AS ISSUED: content" in out and "IT IS NOT THE SEALED ONE" in out and "verdict.result was changed" in out


def test_verify_writes_nothing_that_steers_a_terminal(files, capfd):
    hostile = "\x1b[2J\x9b31m\u202e\u2066\x7f\x00"
    of = made().content | {"workshop": f"Quayside{hostile}", "run_label": hostile}
    file = files / f"record{hostile[:-1]}\udcff.json"
    file.write_bytes(envelope_bytes(seal_content(of, STRANGER)))
    for more in ([], ["--json"]):
        run(["verify", str(file), *more])
        out, err = capfd.readouterr()
        assert "Quayside" in out and all(ch.isprintable() or ch == "\n" for ch in out + err)
    assert json.loads(out)["record"]["workshop"] == f"Quayside{hostile}"


def test_verify_with_another_key_or_code_ends_with_3(files, capfd):
    assert run(["verify", str(files / "record.json"), "--key", str(files / "stranger.pem")]) == 3
    assert "Somebody else sealed this record" in " ".join(capfd.readouterr().out.split())
    assert run(["verify", str(files / "record.json"), "--code", "0" * 64]) == 3
    assert "do not belong together" in " ".join(capfd.readouterr().out.split())


@pytest.mark.parametrize("words", [
    ["verify", "{f}/none.pdf"], ["verify", "{f}"], ["verify", "{f}/part-1.csv"], ["verify", "{f}/record.json", "--log", "{f}/none.csv"],
    ["verify", "{f}/record.json", "--key", "{f}/none.pem"], ["verify", "{f}/record.json", "--key", "{f}/record.json"],
    ["verify", "{f}/record.json", "--code", "x"], ["verify"], ["key", "show"], ["key", "export", "{f}/x.pem"], ["key", "protect"],
    ["key", "show", "--key", "{f}"], ["key", "nothing"],
])
def test_unusable_input_ends_with_2_and_one_line(files, capfd, words):
    assert run([word.format(f=files) for word in words]) == 2
    out, err = capfd.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("cycler: ")
    assert not (files / "home").exists()


def test_own_key_is_told_in_verify_and_a_broken_one_stops_nobody(files, capfd, monkeypatch):
    from cycler.proof.keys import _file_bytes

    own = files / "own.pem"
    own.write_bytes(_file_bytes(KEY, None))
    own.chmod(0o600)
    monkeypatch.setenv("CYCLER_KEY", str(own))
    assert run(["verify", str(files / "record.json")]) == 0
    assert "The key is your own" in capfd.readouterr().out
    own.write_text("broken")
    assert run(["verify", str(files / "record.json")]) == 0
    assert "Your own key is left out" in capfd.readouterr().err


def test_key_is_made_shown_and_exported_and_never_the_private_one(tmp_path, capfd):
    assert run(["key", "show", "--make", "--json"]) == 0
    out, err = capfd.readouterr()
    value = json.loads(out)
    assert "cannot be replaced" in err and value["file"].startswith(str(tmp_path / "home")) and not value["protected"]
    assert run(["key", "show"]) == 0
    shown = capfd.readouterr().out
    assert value["fingerprint"] in shown and value["public_key"] in shown and "cannot be replaced" in shown
    assert run(["key", "export", str(tmp_path / "public.pem")]) == 0
    assert value["fingerprint"] in capfd.readouterr().out
    assert run(["key", "export", str(tmp_path / "public.pem")]) == 2
    assert "never overwritten" in capfd.readouterr().err
    private = next(line for line in Path(value["file"]).read_text().splitlines() if line.startswith("MC"))
    assert private not in out + err + shown + (tmp_path / "public.pem").read_text()


def test_key_that_others_can_read_is_mended_when_shown(tmp_path, capfd):
    assert run(["key", "show", "--make", "--json"]) == 0
    file = json.loads(capfd.readouterr().out)["file"]
    os.chmod(file, 0o644)
    assert run(["key", "show"]) == 0
    assert "Others could read the workshop key" in capfd.readouterr().err
    assert stat.S_IMODE(os.stat(file).st_mode) == 0o600


def test_passphrase_is_set_changed_and_removed(capfd, monkeypatch):
    def shown():
        assert run(["key", "show", "--json"]) == 0
        return json.loads(capfd.readouterr().out)

    assert run(["key", "show", "--make"]) == 0
    capfd.readouterr()
    before = shown()
    assert run(["key", "protect", "--remove"]) == 0
    assert "nothing was changed" in capfd.readouterr().out
    monkeypatch.setenv("CYCLER_KEY_NEW_PASSPHRASE", WORDS)
    assert run(["key", "protect"]) == 0
    out = capfd.readouterr().out
    assert "The passphrase was set" in out and "fewer than" not in out
    assert shown() == before | {"protected": True}  # shown without the passphrase
    assert run(["key", "protect"]) == 2
    assert "has a passphrase" in capfd.readouterr().err
    monkeypatch.setenv("CYCLER_KEY_PASSPHRASE", "wrong")
    assert run(["key", "protect"]) == 2
    assert "does not open" in capfd.readouterr().err
    monkeypatch.setenv("CYCLER_KEY_PASSPHRASE", WORDS)
    monkeypatch.setenv("CYCLER_KEY_NEW_PASSPHRASE", " ")
    assert run(["key", "protect"]) == 2
    assert "cannot be used" in capfd.readouterr().err
    monkeypatch.setenv("CYCLER_KEY_NEW_PASSPHRASE", "another one")
    assert run(["key", "protect"]) == 0
    out = capfd.readouterr().out
    assert "The passphrase was changed" in out and "fewer than 14 characters" in out
    monkeypatch.setenv("CYCLER_KEY_PASSPHRASE", "another one")
    assert run(["key", "protect", "--remove"]) == 0
    assert "was removed" in capfd.readouterr().out
    assert shown() == before


def test_passphrase_is_asked_for_on_a_terminal(capfd, monkeypatch):
    import click

    from cycler.commands import proving

    monkeypatch.setenv("CYCLER_KEY_NEW_PASSPHRASE", WORDS)
    assert run(["key", "show", "--make"]) == run(["key", "protect"]) == 0
    capfd.readouterr()
    monkeypatch.setattr(proving.sys.stdin, "isatty", lambda: True, raising=False)
    typed = iter(["wrong", WORDS])
    monkeypatch.setattr(click, "prompt", lambda *_args, **_keywords: next(typed))
    assert run(["key", "protect", "--remove"]) == 0
    out, err = capfd.readouterr()
    assert "The passphrase does not open the workshop key." in err and "was removed" in out
