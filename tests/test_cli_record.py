"""Records as the command issues, writes and keeps them."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.issuing import Wanted, issue_record, write_kept_record
from cycler.pack import load_pack
from cycler.proof.verify import verify_record
from cycler.register import Register
from cycler.workflow import add_logs, load_sources
from tests.calls import call


def test_record_says_by_which_verdict_it_was_issued_and_that_it_is_the_second(capfd, made, tmp_path):
    register, target = tmp_path / "r.sqlite", tmp_path / "records"
    call(capfd, "--register", register, "add", made.log, "--pack", made.pack, "--label", "complete")
    code, out, _err = call(capfd, "--register", register, "record", "1", "--to", target)
    assert code == 0 and "verdict 1 of run 1, criteria return-to-owner" in " ".join(out.split()) and "record 2" not in out
    assert "no safety certificate" in out
    first = next(path.stem for path in target.iterdir())
    serial = first.removeprefix("record-T-3-")
    code, out, _err = call(capfd, "--register", register, "record", "1", "--to", target, "--criteria", "resale")
    words = " ".join(out.split())
    assert code == 0 and "verdict 2 of run 1, criteria resale" in words
    assert f"This is record 2 of the run. Issued before and still in the register: {serial}." in words


def test_record_carries_the_workshop_from_option_or_environment(capfd, kept, tmp_path, monkeypatch):
    monkeypatch.setenv("CYCLER_WORKSHOP", "Bench by the Canal")
    for folder, more, name in (("a", (), "Bench by the Canal"), ("b", ("--workshop", "Quayside Pack Repair"), "Quayside Pack Repair")):
        assert call(capfd, "--register", kept, "record", "1", "--to", tmp_path / folder, *more)[0] == 0
        (page,) = (tmp_path / folder).glob("*.html")
        assert name in page.read_text(encoding="utf-8")
    assert "CYCLER_WORKSHOP" in call(capfd, "record", "--help")[1]


@pytest.mark.parametrize("pack_id, stem", [
    ("EB-0412", "record-EB-0412"), ("../x y/ß", "record-..-x-y"), (None, "record"), ("W" * 300, "record-" + "W" * 60),
])
def test_record_file_names_carry_the_pack_id_in_safe_characters(pack_id, stem):
    from cycler.issuing import record_stem

    assert record_stem(pack_id) == stem


def test_record_writes_its_files_once_and_keeps_them(capfd, kept, tmp_path):
    code, out, err = call(capfd, "--register", kept, "record", "1", "--to", tmp_path / "records")
    assert (code, err) == (0, "")
    paths = [Path(line) for line in out.splitlines()[1:4]]
    assert [path.suffix for path in paths] == [".html", ".pdf", ".json"]
    assert all(path.name.startswith("record-T-3-") for path in paths)
    assert paths[1].read_bytes().startswith(b"%PDF-")
    with Register.open(kept) as register:
        row = register.records(1)[-1]
        assert register.record_bytes(row.id, "pdf") == paths[1].read_bytes()
        assert register.record_bytes(row.id, "html") == paths[0].read_bytes()
        assert register.record_bytes(row.id, "json") == paths[2].read_bytes()
    assert row.serial in paths[0].read_text(encoding="utf-8")
    assert sorted(path.name for path in (tmp_path / "records").iterdir()) == sorted(path.name for path in paths)


@pytest.fixture
def own(made, tmp_path):
    """A register of this test's own, with one run, and a folder for its records."""
    file = tmp_path / "own.sqlite"
    with Register.open(file) as register:
        add_logs(register, load_sources([made.log], whole_path=False), load_pack(made.pack), "", load_criteria())
        yield register, tmp_path / "records"


def nothing_issued(register):
    return register.records(1) == [] and len(register.verdicts(1)) == 1


def test_issue_record_where_a_file_of_the_name_lies_issues_none(own):
    register, folder = own
    folder.mkdir()
    name = f"record-{register.next_serial(1)}.pdf"
    (folder / name).write_bytes(b"another")
    with pytest.raises(InputError, match="never overwritten"):
        issue_record(register, 1, folder, Wanted(load_criteria("resale")))
    assert nothing_issued(register)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {name: b"another"}


def test_issue_record_on_a_full_disk_issues_none_and_leaves_nothing(own, monkeypatch):
    register, folder = own
    synced = []

    def full(descriptor):
        synced.append(descriptor)
        if len(synced) == 2:  # the page was written, the PDF finds no room
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("cycler.files.os.fsync", full)
    with pytest.raises(InputError, match="cannot write the record") as caught:
        issue_record(register, 1, folder, Wanted(load_criteria("resale")))
    assert os.strerror(errno.ENOSPC) in caught.value.why and len(synced) == 2
    assert nothing_issued(register) and list(folder.iterdir()) == []


def test_issue_record_that_the_register_refuses_leaves_no_file_and_no_verdict(own, monkeypatch):
    register, folder = own

    def refused(*_arguments, **_keywords):
        raise InputError("the register cannot be used", "r", "the disk is full", "make room")

    monkeypatch.setattr(register, "add_record", refused)
    with pytest.raises(InputError, match="the disk is full"):
        issue_record(register, 1, folder, Wanted(load_criteria("resale")))
    assert nothing_issued(register) and list(folder.iterdir()) == []


def fail_at(number, error, real):
    """``real``, but its call of that number raises ``error``."""
    calls = []

    def act(*arguments):
        calls.append(arguments)
        if len(calls) == number:
            raise error
        return real(*arguments)

    return act


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("number", [1, 2, 3])
def test_issue_record_whose_files_get_no_name_says_it_is_issued_and_how_to_write_it(own, monkeypatch, links, number):
    register, folder = own
    if links:  # another program takes the name at the last moment
        monkeypatch.setattr("os.link", fail_at(number, FileExistsError(), os.link))
    else:  # a disk without links breaks after the name was taken with an empty file
        def no_links(*_paths):
            raise PermissionError("not on this disk")

        monkeypatch.setattr("os.link", no_links)
        monkeypatch.setattr("os.replace", fail_at(number, OSError(errno.EIO, os.strerror(errno.EIO)), os.replace))
    with pytest.raises(InputError) as caught:
        issue_record(register, 1, folder)
    (row,) = register.records(1)
    assert caught.value.what == f"record {row.serial} is issued and in the register, but it is not in the folder"
    assert caught.value.mend == f"write it out with: cycler record 1 --serial {row.serial} --to FOLDER"
    assert list(folder.iterdir()) == []  # no page without its PDF, no empty file under the final name
    monkeypatch.undo()
    paths = write_kept_record(register, 1, row.serial, folder)
    assert [path.read_bytes() for path in paths] == [register.record_bytes(row.id, kind) for kind in ("html", "pdf", "json")]


def test_write_kept_record_never_overwrites(own):
    register, folder = own
    serial, (html, pdf, content) = issue_record(register, 1, folder)
    html.write_text("changed by hand")
    with pytest.raises(InputError, match="never overwritten"):
        write_kept_record(register, 1, serial, folder)
    pdf.unlink()
    with pytest.raises(InputError, match="never overwritten"):
        write_kept_record(register, 1, serial, folder)
    assert html.read_text() == "changed by hand" and set(folder.iterdir()) == {html, content}


def test_write_kept_record_on_a_disk_without_links_is_whole_and_never_overwrites(own, monkeypatch):
    register, folder = own

    def no_links(*_paths):
        raise PermissionError("not on this disk")

    monkeypatch.setattr("os.link", no_links)
    serial, (html, pdf, content) = issue_record(register, 1, folder)
    assert pdf.read_bytes().startswith(b"%PDF-") and html.read_bytes() == register.record_bytes(1, "html")
    pdf.unlink()
    with pytest.raises(InputError, match="never overwritten"):
        write_kept_record(register, 1, serial, folder)
    assert set(folder.iterdir()) == {html, content}


def test_record_with_a_serial_writes_the_kept_bytes_and_issues_none(capfd, own):
    register, folder = own
    first, (html, pdf, _content) = issue_record(register, 1, folder, Wanted(workshop="Bench by the Canal"))
    second, _paths = issue_record(register, 1, folder, Wanted(load_criteria("resale")))
    code, out, err = call(capfd, "--register", register.name, "record", "1", "--serial", first, "--to", folder / "again")
    words = " ".join(out.split())
    assert (code, err) == (0, "") and "Written again" in words and "nothing was issued anew" in words
    assert "verdict 1 of run 1" in words and f"issued after it: {second}." in words
    for path in (html, pdf):
        kind = path.suffix
        assert (folder / "again" / f"record-T-3-{first}{kind}").read_bytes() == path.read_bytes()
    assert len(register.records(1)) == 2


def content_of(register, serial):
    from cycler.issuing import kept_content

    return kept_content(register, 1, serial)[0]


def test_record_in_another_language_does_not_replace_one_by_another_verdict_does(own):
    register, folder = own
    first, _paths = issue_record(register, 1, folder)
    german, _paths = issue_record(register, 1, folder, Wanted(language="de"))
    assert content_of(register, german)["replaces"] == [] and len(register.verdicts(1)) == 1
    third, _paths = issue_record(register, 1, folder, Wanted(load_criteria("resale")))
    assert [row["serial"] for row in content_of(register, third)["replaces"]] == [first, german]


def test_record_issued_while_a_danger_is_open_is_a_fail_whatever_the_newest_verdict_said(own):
    register, folder = own
    before = register.latest_verdict(1).result
    entry = register.add_card_entry("T-3", "danger", "Group 2 is swollen", who="A. Bench")
    serial, _paths = issue_record(register, 1, folder)
    verdict = content_of(register, serial)["verdict"]
    assert verdict["result"] == "fail" and "swollen" in verdict["summary"] and register.latest_verdict(1).result == "fail"
    register.cards.supersede("T-3", entry, None, who="A. Bench", why="cells renewed")
    serial, _paths = issue_record(register, 1, folder)
    assert content_of(register, serial)["verdict"]["result"] == before == "not_proven"


def test_record_against_an_earlier_run_holds_the_comparison_and_its_grounds(own, made):
    register, folder = own
    second = add_logs(register, load_sources([made.early], whole_path=False), load_pack(made.pack), "stopped early", load_criteria())
    serial, (page, _pdf, _content) = issue_record(register, 1, folder, Wanted(against=second))
    content = content_of(register, serial)
    assert content["before"]["run_label"] == "stopped early" and content["compared"]["names"] == ["T-3, stopped early", "T-3, run 1"]
    assert "judged_with" not in content["verdict"] and register.latest_verdict(1).verdict["judged_with"]["before_run"] == second
    assert "T-3, stopped early" in page.read_text(encoding="utf-8")
    with pytest.raises(InputError, match="cannot be compared with itself"):
        issue_record(register, 1, folder, Wanted(against=1))


def test_record_keeps_the_customer_out_unless_asked(own):
    register, folder = own
    register.add_card_entry("T-3", "customer", "Mrs. Invented, bicycle shed 7", who="A. Bench")
    serial, paths = issue_record(register, 1, folder)
    assert not any(b"Invented, bicycle" in path.read_bytes() for path in paths) and "customer_reference" not in str(content_of(register, serial)["card"])
    serial, paths = issue_record(register, 1, folder, Wanted(customer=True))
    assert "bicycle shed 7" in paths[0].read_text(encoding="utf-8")
    assert content_of(register, serial)["card"]["customer_reference"] == "Mrs. Invented, bicycle shed 7"


def test_record_tells_of_a_danger_that_was_closed_and_is_no_fail_by_it(own):
    register, folder = own
    before = register.latest_verdict(1).result
    number = register.add_card_entry("T-3", "danger", "group 2 swollen", who="A. Bench")
    register.cards.supersede("T-3", number, None, who="B. Bench", why="cells of group 2 renewed")
    for language, words in (("en", "danger, closed"), ("de", "Gefahr, erledigt")):
        serial, paths = issue_record(register, 1, folder, Wanted(language=language))
        page = paths[0].read_text(encoding="utf-8")
        assert words in page and "group 2 swollen; cells of group 2 renewed" in page and "DANGER" not in page and "GEFAHR" not in page
        content = content_of(register, serial)
        assert [entry["who"] for entry in content["card"]["entries"] if entry["kind"] == "danger_closed"] == ["B. Bench"]
        assert (content["verdict"]["result"], content["verdict"]["vetoes"]) == (before, [])
        assert verify_record(paths[2].read_bytes(), "record").good


def test_record_of_a_withdrawn_run_is_refused(capfd, own):
    register, folder = own
    register.withdraw(1, who="A. Bench", why="wrong pack on the bench")
    code, out, err = call(capfd, "--register", register.name, "record", "1", "--to", folder)
    assert (code, out, err.count("\n")) == (2, "", 1) and "withdrawn" in err and register.records(1) == []


@pytest.mark.parametrize("suffix", [".pdf", ".png"])
def test_label_of_a_record_is_written_once_and_says_what_it_is_of(capfd, own, suffix):
    register, folder = own
    serial, _paths = issue_record(register, 1, folder)
    target = folder / f"label{suffix}"
    code, out, err = call(capfd, "--register", register.name, "label", "1", "--to", target)
    assert (code, err) == (0, "") and serial in out and "no safety certificate" in out
    kept = target.read_bytes()
    assert kept.startswith(b"%PDF-" if suffix == ".pdf" else b"\x89PNG")
    code, out, err = call(capfd, "--register", register.name, "label", "1", "--to", target)
    assert (code, out, err.count("\n")) == (2, "", 1) and "never overwritten" in err and target.read_bytes() == kept


def test_label_of_a_record_that_holds_no_more_is_refused(capfd, own):
    """A sticker stays on the pack: PASS must not be printed for one that is known by now to be dangerous, withdrawn, or judged worse."""
    register, folder = own
    serial, _paths = issue_record(register, 1, folder)
    assert register.latest_verdict(1).result == "not_proven"

    def refused(word):
        code, out, err = call(capfd, "--register", register.name, "label", "1", "--to", folder / "none.pdf")
        assert (code, out, err.count("\n")) == (2, "", 1) and word in err and not (folder / "none.pdf").exists()

    danger = register.add_card_entry("T-3", "danger", "group 2 swollen", who="A. Bench")
    refused("group 2 swollen")
    issue_record(register, 1, folder)
    assert call(capfd, "--register", register.name, "label", "1", "--to", folder / "do-not-use.pdf")[0] == 0
    register.cards.supersede("T-3", danger, None, who="A. Bench", why="the group went out")
    issue_record(register, 1, folder)
    assert call(capfd, "--register", register.name, "label", "1", "--to", folder / "not-cleared.pdf")[0] == 0
    register.withdraw(1, who="A. Bench", why="wrong pack on the bench")
    refused("wrong pack on the bench")
    code, out, _err = call(capfd, "--register", register.name, "record", "1", "--serial", serial, "--to", folder / "again")
    assert code == 0 and "withdrawn since" in out
    code, out, _err = call(capfd, "--register", register.name, "decide", "1")
    assert code == 0 and "no record of it is issued" in " ".join(out.split())
    register.reinstate(1, who="A. Bench", why="it was the right one")
    register.add_verdict(1, register.latest_verdict(1).verdict | {"result": "fail"}, load_criteria("resale"))
    refused("judged anew")


def test_label_without_a_record_or_under_a_wrong_name_exits_2(capfd, own):
    register, folder = own
    folder.mkdir()
    for target, words in (("label.pdf", "no record of it was issued yet"), ("label.txt", "the label is a PDF or a PNG")):
        code, out, err = call(capfd, "--register", register.name, "label", "1", "--to", folder / target)
        assert (code, out, err.count("\n")) == (2, "", 1) and words in err
    assert list(folder.iterdir()) == []


def test_record_with_an_unknown_serial_names_those_there_are(capfd, own):
    register, folder = own
    code, out, err = call(capfd, "--register", register.name, "record", "1", "--serial", "2020-0001-1", "--to", folder)
    assert (code, out, err.count("\n")) == (2, "", 1) and "no record of it was issued yet" in err
    serial, _paths = issue_record(register, 1, folder / "first")
    code, out, err = call(capfd, "--register", register.name, "record", "1", "--serial", "2020-0001-1", "--to", folder)
    assert (code, out, err.count("\n")) == (2, "", 1) and f"its records are {serial}" in err


@pytest.mark.parametrize("option", [["--criteria", "resale"], ["--workshop", "Quayside Pack Repair"]])
def test_record_with_a_serial_and_what_would_change_it_is_wrong_usage(capfd, kept, tmp_path, option):
    code, out, err = call(capfd, "--register", kept, "record", "1", "--serial", "x", "--to", tmp_path / "y", *option)
    assert (code, out, err.count("\n")) == (2, "", 1) and option[0] in err and "--help" in err
    assert not (tmp_path / "y").exists()


def test_records_made_at_once_get_serials_of_their_own(kept):
    from cycler.issuing import make_record

    made = []

    def work():
        with Register.open(kept) as register:
            made.extend(make_record(register, 2) for _ in range(3))

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert len(made) == len(set(made)) == 6


def test_record_into_a_file_exits_2_before_anything_is_issued(capfd, kept, tmp_path):
    (tmp_path / "x").touch()
    with Register.open(kept) as register:
        before = register.records(2)
    code, out, err = call(capfd, "--register", kept, "record", "2", "--to", tmp_path / "x")
    assert (code, out, err.count("\n")) == (2, "", 1)
    with Register.open(kept) as register:
        assert register.records(2) == before
