"""Who decided, and the remark: kept with the verdict, printed on the record, and no part of the result."""

from __future__ import annotations

import json
import subprocess

import pytest

from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.issuing import Wanted, kept_content, make_record, standing_records
from cycler.pack import ID_MAX, load_pack
from cycler.proof.keys import key_from_seed
from cycler.register import Register
from cycler.storage import REMARK_MAX, kept_decision
from cycler.workflow import add_logs, decide_run
from tests import places, small_log
from tests.calls import call

KEY = key_from_seed(bytes(range(32)))
MARKUP = '<script>alert("x")</script> & “Grüße” 🔋 家'


@pytest.fixture(scope="module")
def judged_once(tmp_path_factory):
    """A register with one judged run; never written to by a test."""
    folder = tmp_path_factory.mktemp("judged")
    (folder / "pack.toml").write_text(small_log.PACK_TOML)
    with Register.open(folder / "register.sqlite", create=True) as register:
        add_logs(register, [("log.csv", small_log.log_text().encode())], load_pack(folder / "pack.toml"), "after repair", load_criteria())
    return folder / "register.sqlite"


@pytest.fixture
def file(judged_once, tmp_path, monkeypatch):
    """A copy of it, which the command uses too."""
    place = places.copied(judged_once, tmp_path / "register.sqlite")
    monkeypatch.setenv("CYCLER_REGISTER", str(place))
    monkeypatch.setenv("CYCLER_KEY", str(tmp_path / "key.pem"))
    monkeypatch.delenv("CYCLER_WORKSHOP", raising=False)
    return place


@pytest.mark.parametrize(
    ("by", "remark", "kept"),
    [
        (None, None, None),
        ("  ", "\n", None),
        (" Ada\t Pohl ", None, {"by": "Ada Pohl", "remark": None}),
        (None, "first\r\nsecond\rthird", {"by": None, "remark": "first\nsecond\nthird"}),
        ("👩‍🔧 Zoë", MARKUP, {"by": "👩‍🔧 Zoë", "remark": MARKUP}),
        ("x" * ID_MAX, "y" * REMARK_MAX, {"by": "x" * ID_MAX, "remark": "y" * REMARK_MAX}),
    ],
)
def test_decision_is_kept_as_plain_words(by, remark, kept):
    assert kept_decision(by, remark) == kept


@pytest.mark.parametrize(
    ("by", "remark", "named"),
    [
        ("Ada\x07", "", "U+0007"), ("", "a\x1b[31mred", "U+001B"), ("", "a\u202egnp.exe", "U+202E"), ("Ada\u2066", "", "U+2066"),
        ("", "\ue000", "U+E000"), ("", "half \ud83d", "U+D83D"), ("x" * (ID_MAX + 1), "", f"{ID_MAX + 1} characters"),
        ("", "y" * (REMARK_MAX + 1), f"{REMARK_MAX + 1} characters"),
    ],
)
def test_decision_that_is_no_text_or_too_long_is_refused_and_named(by, remark, named):
    with pytest.raises(InputError) as caught:
        kept_decision(by, remark)
    assert named in caught.value.why


def test_name_and_remark_stand_beside_the_result_and_change_nothing_of_it(file):
    with Register.open(file) as register:
        before = register.latest_verdict(1).verdict
        made = decide_run(register, 1, load_criteria(), by="Ada Pohl", remark="pass it anyway")
        kept = register.latest_verdict(1).verdict
        assert kept["decided"] == {"by": "Ada Pohl", "remark": "pass it anyway"} and "decided" not in before
        judged = [{key: value for key, value in one.items() if key not in ("decided", "judged_with")} for one in (before, made, kept)]
        assert judged[0] == judged[1] == judged[2]
        assert [row.result for row in register.verdicts(1)] == [before["result"]] * 2
        assert register.deciders() == ["Ada Pohl"]


def test_record_uses_the_kept_decision_and_a_new_remark_is_a_new_verdict(file):
    with Register.open(file) as register:
        decide_run(register, 1, load_criteria(), by="Ada Pohl", remark="one")
        first = make_record(register, 1, Wanted(), KEY)  # nobody says anything new: that verdict stands
        same = make_record(register, 1, Wanted(by="Ada Pohl", remark="one"), KEY)
        other = make_record(register, 1, Wanted(by="Ada Pohl", remark="two"), KEY)
        assert [len(register.verdicts(1)), len({row.verdict_id for row in register.records(1)})] == [3, 2]
        contents = [kept_content(register, 1, serial)[0] for serial in (first, same, other)]
        assert [content["verdict"]["decided"]["remark"] for content in contents] == ["one", "one", "two"]
        assert [row["serial"] for row in contents[2]["replaces"]] == [first, same] and contents[1]["replaces"] == []
        assert [(row["replaced_by"], row["why_not"], row["number"]) for row in standing_records(register, 1)] == [(other, "", 2), (other, "", 2), (None, "", 3)]


@pytest.mark.parametrize(("language", "words"), [("en", "Decided by Zoë."), ("de", "Entschieden von Zoë.")])
def test_record_prints_name_and_remark_as_words_never_as_markup(file, language, words):
    with Register.open(file) as register:
        make_record(register, 1, Wanted(language=language, by="Zoë", remark=MARKUP), KEY)
        (row,) = register.records(1)
        page = register.record_bytes(row.id, "html").decode()
        pdf = register.record_bytes(row.id, "pdf")
    shown = page.split('id="record-content"')[0]
    assert words in shown and "&lt;script&gt;alert(" in shown and "<script>alert" not in page
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True, timeout=60)  # a reader of others
    said = " ".join(done.stdout.decode().split())
    assert words in said and '<script>alert("x")</script>' in said


def test_decide_takes_name_and_remark_and_show_and_verify_tell_them(file, capfd, tmp_path):
    code, out, _err = call(capfd, "decide", "1", "--by", "Ada Pohl", "--remark", "straps pulled by hand")
    assert code == 0 and "Decided by" in out and "straps pulled by hand" in out
    assert "decided by Ada Pohl (remark: straps pulled by hand)" in " ".join(call(capfd, "show", "1")[1].split())
    assert json.loads(call(capfd, "show", "1", "--json")[1])["verdict"]["decided"] == {"by": "Ada Pohl", "remark": "straps pulled by hand"}
    code, out, _err = call(capfd, "record", "1", "--to", str(tmp_path / "out"), "--by", "Bo", "--remark", "second look")
    assert code == 0 and "verdict 3 of run 1" in " ".join(out.split()) and "second look" in out
    (made,) = (tmp_path / "out").glob("*.json")
    (tmp_path / "log.csv").write_bytes(small_log.log_text().encode())
    code, out, _err = call(capfd, "verify", str(made), "--log", str(tmp_path / "log.csv"))
    assert code == 0 and "Decided by  Bo" in out and "second look" in out and "comes out again from the log" in " ".join(out.split())


@pytest.mark.parametrize(
    "words",
    [("decide", "1", "--look", "--by", "Ada"), ("record", "1", "--to", "x", "--serial", "2026-0001-1", "--remark", "no")],
)
def test_name_without_a_verdict_to_stand_on_is_refused(file, capfd, words):
    code, _out, err = call(capfd, *words)
    assert code == 2 and ("--by" in err or "--remark" in err)


def test_control_characters_are_refused_by_the_command_and_nothing_is_kept(file, capfd):
    code, _out, err = call(capfd, "decide", "1", "--by", "Ada\x1b[2J")
    assert code == 2 and "U+001B" in err and "\x1b" not in err
    with Register.open(file) as register:
        assert len(register.verdicts(1)) == 1
