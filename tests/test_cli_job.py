"""The command ``job``, and the page that is handed over with a pack."""

from __future__ import annotations

import os
import re
import threading
from html.parser import HTMLParser

import pytest

from cycler.criteria import load_criteria
from cycler.jobsheet import job_content, job_html, job_page
from cycler.pack import Pack
from cycler.register import Register
from cycler.repair.cautions import CAUTIONS, DEFERENCE
from tests import places
from tests.analysis_example import example_analysis
from tests.calls import PROJECT, call, parsed

SHEETS = PROJECT / "cycler" / "data" / "jobs"
HALF = '[pack]\nid = "EB-0431"\nseries = 10\n\n[told]\ncomplaint = "<b>dead</b> & wet"\n\n[unread]\ncells_v = "39,5x"\n'


@pytest.fixture(scope="module")
def one_job(tmp_path_factory):
    """A register in which one job is open, and the head of its chain."""
    place = tmp_path_factory.mktemp("jobs") / "r.sqlite"
    with Register.open(place) as register:
        register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
        head = register.chain_head()
    return place, head


@pytest.fixture
def file(tmp_path):
    return tmp_path / "r.sqlite"


@pytest.fixture
def begun(file, one_job):
    """The same as a file of its own; afterwards nothing was written into it."""
    places.copied(one_job[0], file)
    yield file
    with Register.open(file) as register:
        assert register.chain_head() == one_job[1] and len(register.jobs.jobs()) == 1


def job(capfd, file, *words):
    code, out, err = call(capfd, "--register", file, "job", *words)
    return code, " ".join(out.split()), err


# --- the command -------------------------------------------------------------------------------------------------


def test_job_command_leads_a_dead_group_from_its_sheet_to_the_test(capfd, file, tmp_path, made):
    sheet = SHEETS / "dead-group.toml"
    code, out, err = job(capfd, file, "new", "CB-0222", "does not switch on", "--sheet", sheet, "--by", "A. Bell")
    assert (code, err) == (0, "") and "DANGER: Group 9 lies below 2 V" in out
    assert "1. Group 9 is dead or shorted inside: over 99 %" in out and "Next: Decide: repair" in out and out.count(DEFERENCE) == 1
    assert all(out.count(CAUTIONS[name]) == 1 for name in ("stored_energy", "short_circuit_probes", "deep_discharge", "quarantine", "transport_damaged"))
    code, out, _err = job(capfd, file, "1", "--decide", "repair_group", "--cause", "group_dead", "--why", "the rest is sound", "--by", "A. Bell")
    assert code == 0 and "Next: Do the work" in out and "Taken for the cause: Group 9 is dead" in out
    code, out, _err = job(
        capfd, file, "1", "--work", "group 9 replaced", "--part", "5 cells", "--fault", "group 9 dead", "--done-on", "2026-06-12", "--by", "A. Bell",
    )
    assert code == 0 and "Do not charge or test it while a danger is open on its card" in out and "2026-06-12 work done group 9 replaced" in out
    number = re.search(r"cycler pack CB-0222 --close (\d+)", out)[1]
    assert call(capfd, "--register", file, "pack", "CB-0222", "--close", number, "--why", "group 9 replaced", "--by", "A. Bell")[0] == 0
    result = parsed(call(capfd, "--register", file, "job", "1", "--json")[1])
    assert (result["schema"], result["state"], result["next"]["link_kind"]) == ("cycler.job/1", "open", "plan")
    assert [item["kind"] for item in result["entries"]] == ["danger", "decision", "fault", "work", "part"]
    assert result["evaluation"]["causes"][0]["code"] == "group_dead"
    target = tmp_path / "job.html"
    code, out, _err = job(capfd, file, "1", "--to", target)
    assert code == 0 and str(target) in out and target.read_bytes().startswith(b"<!DOCTYPE html>")
    before = places.content(file)
    code, _out, err = job(capfd, file, "1", "--note", "x", "--by", "A. Bell", "--to", target)
    assert code == 2 and "never overwritten" in err and places.content(file) == before
    code, _out, err = job(capfd, file, "1", "--run", "1", "--by", "A. Bell")
    assert code == 2 and "no run 1" in err


def test_a_pack_that_is_given_up_by_its_sheet_is_not_repaired(capfd, file, tmp_path):
    sheet = tmp_path / "s.toml"
    taps = '[readings]\ntaps_from = "each_group"\ntaps_v = [3.65, 3.65, 3.65, 3.65]\n'
    sheet.write_text(f'[pack]\nid = "MS-0150"\nchemistry = "nmc"\nseries = 4\n[look]\nswollen = "yes"\n{taps}')
    code, out, _err = job(capfd, file, "new", "MS-0150", "bulges", "--sheet", sheet, "--by", "A. Bell")
    assert code == 0 and "Next: Only scrap is left. Cells are swollen: quarantine, then waste." in out and "Set it apart now" in out
    for option in ("repair_lead", "harvest"):
        code, out, err = job(capfd, file, "1", "--decide", option, "--why", "tried", "--by", "A. Bell")
        assert (code, out) == (2, "") and f"{option} is barred" in err and "swollen" in err
    # A sheet that is kept in the same call bars it as well, and neither is written.
    code, out, err = job(capfd, file, "1", "--sheet", sheet, "--decide", "harvest", "--why", "tried", "--by", "A. Bell")
    assert (code, out) == (2, "") and "harvest is barred" in err
    code, out, err = job(capfd, file, "1", "--decide", "scrap", "--cause", "group_dad", "--why", "bulges", "--by", "A. Bell")
    assert (code, out) == (2, "") and 'no cause "group_dad"' in err and "did you mean group_dead?" in err
    code, out, _err = job(capfd, file, "1", "--decide", "scrap", "--why", "Scrap the pack", "--by", "A. Bell")
    assert code == 0 and "The pack is given up" in out and "Decision done Scrap the pack. Work" in out
    sheet.write_text('[pack]\nid = "SC-0131"\nchemistry = "nmc"\nseries = 7\n[readings]\ntaps_from = "pack_negative"\ntaps_v = [0, 3.65, 7.3, 10.95, 0.02, 0.01, 0.01, 0.0]\n')
    code, out, _err = job(capfd, file, "new", "SC-0131", "cut out", "--sheet", sheet, "--by", "A. Bell")
    assert code == 0 and "Next: Groups 4 to 7 are not known: measure each at its own cells first. Decide:" in out and "DANGER" not in out
    sheet.write_text(f'[pack]\nid = "EB-0398"\nseries = 4\n[observed]\nfuse_ohm = "open"\n{taps}')
    code, out, _err = job(capfd, file, "new", "EB-0398", "dead", "--sheet", sheet, "--by", "A. Bell")
    assert code == 0 and "Next: The chemistry is not stated on the bench sheet: state it first. Decide:" in out


def test_job_list_shows_what_comes_next_and_the_closed_ones_on_demand(capfd, file):
    for pack in ("EB-1", "EB-2"):
        assert job(capfd, file, "new", pack, "stops uphill", "--by", "A. Bell")[0] == 0
    assert job(capfd, file, "1", "--close", "--by", "A. Bell")[0] == 0
    code, out, err = job(capfd, file)
    assert code == 0 and "EB-2" in out and "EB-1" not in out and "Fill in the bench sheet" in out and err == "1 closed; see it with: cycler job --all\n"
    code, out, err = job(capfd, file, "--all", "--json")
    assert [(line["id"], line["state"]) for line in parsed(out)["jobs"]] == [(2, "open"), (1, "closed")] and err == ""
    code, out, _err = job(capfd, file, "1", "--reopen", "--why", "came back", "--note", "lamp red", "--by", "B. Reed")
    assert code == 0 and "Job 1, open" in out and "opened again came back B. Reed" in out
    code, out, _err = job(capfd, file, "1", "--close", "--by", "B. Reed")
    assert code == 0 and "Job 1, closed" in out and "Next:" not in out
    assert "No job is open" in job(capfd, file, "2", "--close", "--by", "A. Bell", "--quiet")[1] + job(capfd, file)[1]


@pytest.mark.parametrize("words, part", [
    (("x",), "Name a job by its number"), (("1", "2"), "Name a job by its number"), (("new", "EB-1"), "give the pack and a few words"),
    (("new", "EB-1", "x", "--work", "y"), "takes a --sheet"), (("--work", "y"), "Name the job"), (("--to", "x.html"), "Name the job"),
    (("1", "--why", "y"), "--why goes with"), (("1", "--cause", "y"), "--cause goes with"), (("1", "--done-on", "2026-01-01"), "--done-on goes with"),
    (("1", "--reopen", "--close"), "Give --reopen without"), (("1", "--all"), "--all goes with the list"), (("1", "--decide", "sell"), "is not one of"),
    (("1", "--decide", "scrap", "--by", "A"), "why it is decided so"), (("1", "--work", "y"), "who writes it"), (("9" * 30,), "no job"),
    (("1", "--work", "y", "--done-on", "12.3.", "--by", "A"), "this is no date"), (("7",), "no job 7"), (("1", "--reopen", "--why", "y", "--by", "A"), "is open"),
    (("1", "--note", " ", "--work", "y", "--by", "A"), "note is empty"), (("new", "EB-0412", "again", "--by", "A"), "job 1 is open"),
    (("1", "--to", "no/such/folder/x.html"), "its folder does not exist"),
])
def test_job_command_used_wrongly_is_one_line_and_writes_nothing(capfd, begun, words, part):
    code, out, err = call(capfd, "--register", begun, "job", *words)
    assert (code, out, err.count("\n")) == (2, "", 1) and part in err


@pytest.mark.parametrize("text, part", [
    ('[pack]\nid = "EB-0412"\nseries = "ten"\n', "sheet.toml:3"), ("[pack\n", "sheet.toml:1"), ('[[probe]]\nname = "a"\nohm = -5\n', "below zero"),
    ('[pack]\nid = "CB-0207"\n', "of another pack"), ("\n", "is empty"),
])
def test_bad_sheet_is_told_with_its_line_and_nothing_is_written(capfd, tmp_path, begun, text, part):
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(text, encoding="utf-8")
    for words in (("1", "--sheet", sheet, "--work", "x"), ("new", "EB-0413", "x", "--sheet", sheet)):
        code, out, err = call(capfd, "--register", begun, "job", *words, "--by", "A. Bell")
        assert (code, out, err.count("\n")) == (2, "", 1) and part in err


def test_sheet_half_filled_is_kept_as_it_is(capfd, file, tmp_path):
    sheet = tmp_path / "half.toml"
    sheet.write_bytes(HALF.encode())
    code, out, err = job(capfd, file, "new", "EB-0431", "dead and wet", "--sheet", sheet, "--by", "A. Bell")
    assert (code, err) == (0, "") and "Bench sheet done" in out
    with Register.open(file) as register:
        assert register.jobs.job(1).sheets[0].text == HALF


# --- the page ----------------------------------------------------------------------------------------------------


class _Tags(HTMLParser):
    def __init__(self, page):
        super().__init__()
        self.tags, self.open, self.links, self.text = [], [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.links += [value for name, value in attributes if name in ("src", "href") or name.startswith("on")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def page_of(register, number):
    _name, raw = job_page(register, number)
    page = raw.decode()
    tags = _Tags(page)
    assert tags.open == [] and not {"script", "link", "img", "iframe"} & set(tags.tags) and tags.links == [] and "url(" not in page
    return " ".join(" ".join(tags.text).split())


def test_page_of_a_job_shows_the_whole_thread_with_units_and_uncertainty(file):
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.sheet import load_sheet

    sheet = SHEETS / "dead-group.toml"
    with Register.open(file) as register:
        register.add_card_entry("CB-0222", "customer", "Mrs Example 0171", who="A. Bell", new=True)
        number = register.jobs.open_job(
            "CB-0222", "does not switch on", who="A. Bell", sheet=(sheet.read_text(encoding="utf-8"), evaluate_sheet(load_sheet(sheet))),
        )
        register.jobs.write_all(number, [
            ("decision", "the rest is sound", {"option": "repair_group", "cause": "group_dead", "turning": {"words": "if cells cost more than 9 EUR"}}),
            ("work", "group 9 replaced", {"done_on": "2026-06-12"}), ("part", "5 cells of 3.4 Ah", None), ("donor_check", "", {"words": "Do not connect."}),
        ], who="B. Reed")
        words = page_of(register, number)
        name, _raw = job_page(register, number)
        sha256, head = register.jobs.job(number).sheets[0].sha256, register.chain_head()
    assert name == "job-1-CB-0222.html"
    for part in (
        "Job 1: pack CB-0222", "does not switch on", "13S 5P, NMC, 17 Ah, 795.6 Wh", "Open danger: Group 9", "Open danger",
        "Across all groups, before the board 43.77 ± 0.26 V", "Looked for, not found swollen", "Group 9 is dead or shorted inside, over 99 %", "For: ",
        "Ruled out", "Replace a group. the rest is sound", "if cells cost more than 9 EUR", "2026-06-12 Work done group 9 replaced",
        "Part fitted 5 cells of 3.4 Ah", "Donor board compared Do not connect.", "12.99 kΩ", sha256, f"{head[0]}:{head[1]}", DEFERENCE, CAUTIONS["quarantine"],
    ):
        assert part in words, part
    assert "Mrs Example" not in words and "0171" not in words
    # 0.412 V at the plug, 0.409 V at its own cells; half-width 0.5 % + 2 mV, as one rectangle: U = 2 (0.002045 + 0.002) / sqrt(3) = 4.7 mV, by hand.
    assert "9 0.4090 ± 0.0047 V" in words


def test_page_escapes_what_somebody_typed(file):
    with Register.open(file) as register:
        number = register.jobs.open_job("EB-<1>", "<script>alert(1)</script>", who='"A" & <B>')
        register.jobs.keep_sheet(number, HALF, {"complaint": "<img src=x onerror=alert(1)>", "causes": [{"title": "<b>x</b>", "probability": 0.5}]}, who="A")
        register.jobs.write(number, "note", "<a href='javascript:1'>x</a>", who="A")
        words = page_of(register, number)
    assert "<script>alert(1)</script>" in words and "<img src=x" in words and "<b>x</b>" in words.lower()


def test_capacity_that_is_a_bound_or_not_valid_says_so_on_the_job_and_on_the_page_handed_over(capfd, file):
    """What the register's list marks must not look like a capacity where the owner reads it."""
    marks = (("9.360 ± 0.031 Ah", {"valid": True}), ("at least 9.360 ± 0.031 Ah", {"is_lower_bound": True}), ("9.360 ± 0.031 Ah (not valid)", {}), ("not known", {"value_ah": None}))
    with Register.open(file) as register:
        number = register.jobs.open_job("EB-0412", "stops uphill", who="A. Bell")
        for place, (_words, capacity) in enumerate(marks):
            analysis = example_analysis()
            analysis["capacity"] |= {"valid": False, "is_lower_bound": False, "u_value_ah": 0.0155} | capacity
            run_id = register.add_run(pack=Pack(id="EB-0412", series=10), sources=[("log.csv", b"raw %d" % place)], analysis=analysis, criteria=load_criteria())
            if run_id not in register.jobs.job(number).run_ids:
                register.jobs.hang_run(number, run_id, who="A. Bell")
        assert [row["capacity"] for row in job_content(register, number)["runs"]] == [words for words, _ in marks]
        page = page_of(register, number)
    shown = job(capfd, file, str(number))[1]
    for words, _ in marks:
        assert words in page and words in shown


def test_page_of_a_job_of_which_nothing_is_known_yet_is_whole(file):
    with Register.open(file) as register:
        number = register.jobs.open_job("EB-1", "x", who="A. Bell")
        words = page_of(register, number)
        assert "Fill in the bench sheet" in words and DEFERENCE in words and "expanded uncertainty" not in words
        content = job_content(register, number)
        assert job_html(content) == job_html(content) and content["groups"] == content["causes"] == content["runs"] == []
        register.jobs.keep_sheet(number, "not = [a sheet", {}, who="A. Bell")  # of a program that took other sheets
        assert "Bench sheet 1" in page_of(register, number)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_bench_sheet_from_a_pipe_is_read_once_and_kept_as_it_came(capfd, file, tmp_path):
    pipe = tmp_path / "sheet.toml"
    os.mkfifo(pipe)
    text = '[pack]\nid = "EB-0398"\nchemistry = "nmc"\nseries = 4\n'
    writer = threading.Thread(target=pipe.write_text, args=(text,), daemon=True)
    writer.start()
    assert job(capfd, file, "new", "EB-0398", "dead", "--sheet", pipe, "--by", "A. Bell")[0] == 0
    writer.join(10)
    with Register.open(file) as register:
        assert register.jobs.job(1).sheets[-1].text == text
