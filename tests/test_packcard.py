"""The card of a pack: what is written stays, what is put right says by whom and why, a danger stays open until it is closed."""

from __future__ import annotations

import io
from dataclasses import asdict

import pytest
from PIL import Image

from cycler import custody, packcard
from cycler.errors import InputError
from cycler.pack import Pack
from cycler.register import Register
from tests import places
from tests.analysis_example import example_analysis
from tests.calls import call, parsed


def picture(kind):
    """A small picture as a library of its own writes it."""
    stream = io.BytesIO()
    Image.new("RGB", (8, 6), (200, 30, 30)).save(stream, kind)
    return stream.getvalue()


@pytest.fixture
def register(tmp_path):
    with Register.open(tmp_path / "r.sqlite") as opened:
        opened.add_card_entry("EB-0412", "number", "W-17", who="A. Bell", new=True)
        yield opened


def write(register, kind, text, who="A. Bell"):
    return register.add_card_entry("EB-0412", kind, text, who=who)


# --- entries -----------------------------------------------------------------------------------------------------


def test_card_holds_what_was_written_in_order(register):
    for kind, text in (("fault", "group 3 weak"), ("work", "group 3 renewed\nand welded"), ("part", "fuse 30 A"), ("note", " scratched ")):
        write(register, kind, text)
    write(register, "status", "Reused")
    card = register.card("EB-0412")
    assert [(item["kind"], item["text"], item["who"]) for item in card["entries"]] == [
        ("fault", "group 3 weak", "A. Bell"), ("work", "group 3 renewed\nand welded", "A. Bell"), ("part", "fuse 30 A", "A. Bell"),
        ("note", "scratched", "A. Bell"),
    ]
    assert all(len(item["at"]) == 20 and item["at"].endswith("Z") for item in card["entries"])
    assert (card["workshop_number"], card["status"], card["photos"]) == ("W-17", "re-used", [])


def test_customer_reference_is_only_given_where_asked(register):
    number = write(register, "customer", "K. 55")
    assert register.card("EB-0412")["customer_reference"] is None and "customer" not in register.card("EB-0412")["numbers"]
    assert register.card("EB-0412", customer=True)["customer_reference"] == "K. 55"
    write(register, "customer", "K. 56")
    assert register.card("EB-0412", customer=True)["customer_reference"] == "K. 56"
    for customer in (False, True):
        (old,) = register.card("EB-0412", customer=customer, superseded=True)["superseded"]
        assert (old["id"], old["text"]) == (number, "K. 55" if customer else None)


def test_status_words_are_those_of_the_regulation(register):
    # Source: Regulation (EU) 2023/1542, Annex XIII, 4 (second-hand).
    assert set(packcard.STATUS_WORDS) == {"original", "re-used", "repurposed", "remanufactured", "waste"}
    with pytest.raises(InputError, match="no status word"):
        write(register, "status", "refurbished")


def test_correction_takes_the_place_and_says_who_and_why(register):
    first = write(register, "fault", "group 3 weak")
    second = register.cards.supersede("EB-0412", first, "group 8 weak", who="B. Reed", why="counted from the wrong end", kind="fault")
    card = register.card("EB-0412", superseded=True)
    assert [(item["id"], item["text"], item["who"]) for item in card["entries"]] == [(second, "group 8 weak", "B. Reed")]
    (old,) = card["superseded"]
    assert (old["id"], old["text"], old["who"]) == (first, "group 3 weak", "A. Bell")
    assert {key: old["ended"][key] for key in ("id", "act", "who", "why")} == {
        "id": second, "act": "replace", "who": "B. Reed", "why": "counted from the wrong end",
    }
    assert [item.text for item in register.cards.entries("EB-0412")] == ["W-17", "group 3 weak", "group 8 weak"]


def test_danger_is_open_until_somebody_closes_it(register):
    first = write(register, "danger", "group 3 swollen")
    second = write(register, "danger", "smells of solvent")
    assert [(item["code"], item["message"], item["who"], item["id"]) for item in register.open_dangers("EB-0412")] == [
        ("open_danger", "group 3 swollen", "A. Bell", first), ("open_danger", "smells of solvent", "A. Bell", second),
    ]
    third = register.cards.supersede("EB-0412", first, "groups 3 and 4 swollen", who="A. Bell", why="looked closer")
    assert [item["id"] for item in register.open_dangers("EB-0412")] == [second, third]
    register.cards.supersede("EB-0412", third, None, who="B. Reed", why="cells renewed")
    assert [item["id"] for item in register.open_dangers("EB-0412")] == [second]
    assert [item["id"] for item in register.open_dangers(" EB-0412 ")] == [second]
    assert register.open_dangers("nobody's pack") == []


@pytest.mark.parametrize("number, who, why, words", [
    (2, "A. Bell", "", "why the entry holds no more"), (2, "A. Bell", "  ", "why the entry holds no more"), (2, "", "mistake", "who writes it"),
    (9, "A. Bell", "mistake", "has no entry 9"), (0, "A. Bell", "mistake", "has no entry 0"), (2**40, "A. Bell", "mistake", "has no entry"),
    (3, "A. Bell", "mistake", "entry 3 holds no more"), (4, "A. Bell", "mistake", "entry 4 closes another one"), (5, "A. Bell", "x", "has no entry 5"),
])
def test_supersede_what_cannot_be_is_refused(register, number, who, why, words):
    for text in ("scratched", "dented"):
        write(register, "note", text)
    register.cards.supersede("EB-0412", 3, None, who="A. Bell", why="was another pack")
    register.add_card_entry("CB-0207", "note", "of another pack", who="A. Bell", new=True)
    before = register.chain_head()
    for text in (None, "another text"):
        with pytest.raises(InputError, match=words):
            register.cards.supersede("EB-0412", number, text, who=who, why=why)
    assert register.chain_head() == before


def test_entry_of_another_kind_than_meant_is_refused(register):
    number = write(register, "note", "scratched")
    with pytest.raises(InputError, match=f"entry {number} is no danger"):
        register.cards.supersede("EB-0412", number, "swollen", who="A. Bell", why="x", kind="danger")


@pytest.mark.parametrize("kind, text", [
    ("fault", ""), ("note", "  \n "), ("note", "x" * 2001), ("danger", "\x1b[2J"), ("number", "two\nlines"), ("number", "x" * 201),
])
def test_text_that_cannot_be_kept_is_refused(register, kind, text):
    with pytest.raises(InputError):
        write(register, kind, text)
    assert len(register.cards.entries("EB-0412")) == 1


def test_nothing_is_written_where_one_part_is_wrong(register):
    with pytest.raises(InputError, match="no photo"):
        register.cards.add_all("EB-0412", [("note", "good")], [("a.png", b"text", "")], who="A. Bell")
    assert len(register.cards.entries("EB-0412")) == 1


# --- packs without a run -----------------------------------------------------------------------------------------


def test_card_of_an_unknown_pack_needs_to_be_begun(register):
    for act in (lambda: register.card("EB-0413"), lambda: register.add_card_entry("EB-0413", "note", "x", who="A. Bell")):
        with pytest.raises(InputError, match="knows no pack") as caught:
            act()
        assert "EB-0412" in caught.value.why
    with pytest.raises(InputError, match="has no id"):
        register.add_card_entry(" ", "note", "x", who="A. Bell", new=True)


def test_pack_has_a_card_before_its_first_run_and_keeps_it(register):
    (row,) = register.packs()
    assert asdict(row) == {
        "id": "EB-0412", "added_at": row.added_at, "runs": 0, "last_run_id": None, "chemistry": None, "series": None, "parallel": None,
        "rated_capacity_ah": None,
    }
    register.add_run(pack=Pack(id="EB-0412", series=10), sources=[("log.csv", b"raw")], analysis=example_analysis())
    (row,) = register.packs()
    assert (row.runs, row.last_run_id, row.series) == (1, 1, 10) and register.card("EB-0412")["workshop_number"] == "W-17"


def test_dashboard_lists_a_pack_without_a_run(register):
    from dashboard.data import Door

    door = Door(register.name)
    assert [(item.id, item.runs, item.newest) for item in door.packs()] == [("EB-0412", 0, None)]
    door.close()


# --- photos ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind, media_type", [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")])
def test_photo_is_known_by_its_content_and_kept_byte_for_byte(register, kind, media_type):
    raw = picture(kind)
    register.cards.add_all("EB-0412", [], [("bench/photo.dat", raw, "group 3")], who="A. Bell")
    (photo,) = register.card("EB-0412")["photos"]
    assert (photo["file"], photo["caption"], photo["media_type"], photo["bytes"]) == ("photo.dat", "group 3", media_type, len(raw))
    assert register.photo_bytes(photo["sha256"]) == raw
    assert custody.check(register.name).good


def test_same_photo_is_stored_once(register):
    raw = picture("PNG")
    register.cards.add_all("EB-0412", [], [("a.png", raw, "left"), ("b.png", raw, "right")], who="A. Bell")
    assert [item["caption"] for item in register.card("EB-0412")["photos"]] == ["left", "right"]
    assert custody.check(register.name).counts["attachments"] == 1


def test_caption_is_put_right_and_the_photo_stays(register):
    raw = picture("PNG")
    (number,) = register.cards.add_all("EB-0412", [], [("a.png", raw, "left")], who="A. Bell")
    register.cards.supersede("EB-0412", number, "right", who="A. Bell", why="mirrored")
    (photo,) = register.card("EB-0412")["photos"]
    assert (photo["caption"], register.photo_bytes(photo["sha256"])) == ("right", raw)
    register.cards.supersede("EB-0412", photo["id"], None, who="A. Bell", why="shows a face")
    assert register.card("EB-0412")["photos"] == []


@pytest.mark.parametrize("raw, why", [
    (b"", "empty"), (b"GIF89a....", "none of JPEG, PNG and WebP"), (b"%PDF-1.7", "none of"), (b"RIFF\x00\x00\x00\x00WAVEfmt ", "none of"),
    (b"\x00\x00\x00\x18ftypheic", "HEIC"), (b"<svg onload=alert(1)>", "none of"),
])
def test_file_that_is_no_photo_is_refused(register, raw, why):
    with pytest.raises(InputError, match="no photo that can be kept") as caught:
        register.cards.add_all("EB-0412", [], [("a.jpg", raw, "")], who="A. Bell")
    assert why in caught.value.why and "JPEG" in caught.value.mend


def test_photo_that_is_too_large_is_refused_with_the_limit(register, monkeypatch):
    monkeypatch.setattr(packcard, "PHOTO_MAX_BYTES", 100)
    with pytest.raises(InputError, match="too large"):
        register.cards.add_all("EB-0412", [], [("a.png", b"\x89PNG\r\n\x1a\n" + bytes(93), "")], who="A. Bell")
    register.cards.add_all("EB-0412", [], [("a.png", b"\x89PNG\r\n\x1a\n" + bytes(92), "")], who="A. Bell")


# --- the command -------------------------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path):
    return tmp_path / "r.sqlite"


def pack(capfd, file, *words):
    code, out, err = call(capfd, "--register", file, "pack", "EB-0412", *words)
    return code, " ".join(out.split()), err


def test_pack_command_writes_shows_and_closes(capfd, file, tmp_path):
    (tmp_path / "case.jpg").write_bytes(picture("JPEG"))
    code, out, err = pack(
        capfd, file, "--new", "--number", "W-17", "--customer", "K. 55", "--fault", "group 3 weak", "--fault", "case cracked",
        "--danger", "group 3 swollen", "--photo", tmp_path / "case.jpg", "--caption", "the crack", "--by", "A. Bell",
    )
    assert (code, err) == (0, "") and "W-17 (no. " in out and "case cracked" in out and "case.jpg" in out and "the crack" in out
    assert "DANGER A. Bell" in out and "Group 3 swollen." in out and "do not charge, use or send this pack" in out
    assert "Local rules and the judgement of a trained or licensed person come first." in out
    result = parsed(call(capfd, "--register", file, "pack", "EB-0412", "--json")[1])
    assert result["customer_reference"] == "K. 55" and result["runs"] == [] and len(result["open_dangers"]) == 1
    number = result["open_dangers"][0]["id"]
    assert f"cycler pack EB-0412 --close {number} --why TEXT --by NAME" in pack(capfd, file)[1]
    code, out, err = pack(capfd, file, "--close", number, "--why", "cells renewed", "--by", "B. Reed")
    assert (code, err) == (0, "") and "closed by B. Reed" in out and "Cells renewed." in out and "DANGER" not in out
    code, out, _err = pack(capfd, file, "--save-photos", tmp_path / "photos")
    (saved,) = (tmp_path / "photos").iterdir()
    assert code == 0 and saved.name in out and saved.read_bytes() == (tmp_path / "case.jpg").read_bytes()
    code, _out, err = pack(capfd, file, "--save-photos", tmp_path / "photos")
    assert code == 2 and "never overwritten" in err and len(list((tmp_path / "photos").iterdir())) == 1


def test_pack_command_replaces_an_entry_of_the_kind_named(capfd, file):
    pack(capfd, file, "--new", "--fault", "group 3 weak", "--by", "A. Bell")
    code, out, err = pack(capfd, file, "--replace", "1", "--note", "x", "--why", "y", "--by", "A. Bell")
    assert (code, out, err.count("\n")) == (2, "", 1) and "entry 1 is no note" in err
    code, out, err = pack(capfd, file, "--replace", "1", "--fault", "group 8 weak", "--why", "wrong end", "--by", "A. Bell")
    assert (code, err) == (0, "") and "group 8 weak" in out and "replaced by no. 2" in out and "Wrong end." in out


@pytest.mark.parametrize("words, said", [
    (["--note", "x"], "who writes it"), (["--note", "x", "--by", "A", "--why", "y"], "--why goes with"),
    (["--replace", "1", "--close", "1"], "one of --replace and --close"), (["--replace", "1", "--why", "x", "--by", "A"], "exactly one text"),
    (["--close", "1", "--note", "x"], "no text but --why"), (["--caption", "x", "--by", "A"], "more --caption"), (["--new"], "something to write"),
    (["--photo", "none.jpg", "--by", "A"], "cannot be read"), (["--close", "0"], "--close"), (["--close", "1", "--by", "A"], "why the entry"),
])
def test_pack_command_refuses_in_one_line(capfd, file, words, said):
    pack(capfd, file, "--new", "--fault", "group 3 weak", "--by", "A. Bell")
    before = places.content(file)
    code, out, err = pack(capfd, file, *words)
    assert (code, out, err.count("\n")) == (2, "", 1) and said in err
    assert places.content(file) == before


@pytest.mark.files("there is none")
def test_pack_command_without_new_makes_no_register(capfd, file):
    code, out, err = pack(capfd, file, "--note", "x", "--by", "A. Bell")
    assert (code, out, err.count("\n")) == (2, "", 1) and "no such register" in err and not file.exists()


def test_pack_command_shows_what_the_newest_run_knows_of_the_build(capfd, file):
    with Register.open(file) as register:
        pack_known = Pack(id="EB-0412", chemistry="nmc", series=10, parallel=4, rated_capacity_ah=10.4)
        register.add_run(pack=pack_known, sources=[("log.csv", b"raw")], analysis=example_analysis())
    code, out, err = pack(capfd, file)
    assert (code, err) == (0, "") and "Pack EB-0412, nmc, 10S4P, rated 10.4 Ah Runs 1" in out and "Nothing else stands on its card." in out
    assert parsed(call(capfd, "--register", file, "pack", "EB-0412", "--json")[1])["ratings"]["rated_capacity_ah"] == 10.4


def test_list_names_packs_that_have_a_card_only(capfd, file):
    pack(capfd, file, "--new", "--note", "x", "--by", "A. Bell")
    code, out, _err = call(capfd, "--register", file, "list")
    assert code == 0 and "With a card but no run yet: EB-0412" in " ".join(out.split())
    assert parsed(call(capfd, "--register", file, "list", "--json")[1])["packs"][0]["last_run_id"] is None


def test_list_and_show_put_an_open_danger_beside_a_verdict_of_before(capfd, kept, tmp_path):
    """The verdict that was kept may read pass: who looks at the list must not take the pack from the shelf."""
    file = places.copied(kept, tmp_path / "own.sqlite")
    with Register.open(file) as register:
        pack_id = register.run(1).pack_id
        assert call(capfd, "--register", file, "list")[1].count("danger") == 0
        number = register.add_card_entry(pack_id, "danger", "group 2 swollen", who="A. Bell")
        shown = [" ".join(call(capfd, "--register", file, *words)[1].split()) for words in (["list"], ["show", "1"])]
        assert all("Open danger" in said and "roup 2 swollen" in said and "until it is closed" in said for said in shown)
        assert shown[1].index("swollen") < shown[1].index("Verdict")
        register.cards.supersede(pack_id, number, None, who="A. Bell", why="renewed")
    assert "Open danger" not in call(capfd, "--register", file, "list")[1] + call(capfd, "--register", file, "show", "1")[1]
