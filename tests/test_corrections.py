"""Runs put right afterwards: what was kept before stays, and it is said who corrected what, when and why."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from cycler import custody, reanalysis
from cycler.criteria import load_criteria
from cycler.errors import InputError
from cycler.history import history
from cycler.pack import Pack, load_pack
from cycler.reanalysis import correct_run
from cycler.register import Register
from cycler.standing import standing
from cycler.verdict import decide
from cycler.workflow import decide_run, known_dangers
from tests import places, small_log
from tests.analysis_example import example_analysis
from tests.calls import call, parsed

BY = {"who": "A. Bell", "why": "rated capacity was mistyped"}
PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=10.4)
DANGER = {"code": "group_overvoltage", "severity": "danger", "group": 2, "message": "Group 2 was charged to 4.31 V."}


@pytest.fixture
def file(kept, tmp_path):
    """A register with two runs of the small log: 1 complete, 2 stopped early."""
    return places.copied(kept, tmp_path / "r.sqlite")


@pytest.fixture
def register(file):
    with Register.open(file) as opened:
        yield opened


@pytest.fixture
def other(made, tmp_path):
    """The pack file with another rated capacity."""
    path = tmp_path / "other.toml"
    path.write_text(small_log.PACK_TOML.replace("rated_capacity_ah = 1.0", "rated_capacity_ah = 1.25"))
    return path


def invented(tmp_path, *findings):
    """A register of hand-made runs, one for each list of findings."""
    register = Register.open(tmp_path / "invented.sqlite")
    criteria = load_criteria()
    for number, found in enumerate(findings, 1):
        analysis = example_analysis({"findings": list(found), "log.started_at": f"2026-03-0{number}T08:00:00"})
        analysis |= {"verdict": decide(analysis, criteria)}
        register.add_run(pack=PACK, sources=[("log.csv", b"%d" % number)], analysis=analysis, criteria=criteria, label=f"test {number}")
    return register


# --- another analysis --------------------------------------------------------------------------------------------


def test_corrected_pack_file_gives_a_new_analysis_and_verdict_beside_the_old(register, other):
    decide_run(register, 1, load_criteria("resale"))
    before, logs = register.run(1), register.raw_sources(1)
    done = correct_run(register, 1, load_pack(other), **BY)
    run, (correction,) = register.run(1), register.corrections(1)
    # By hand: the same charge over a rated capacity 1.25 times as large.
    assert run.analysis["capacity"]["value_ah"] == before.analysis["capacity"]["value_ah"]
    assert run.analysis["capacity"]["state_of_health"] == pytest.approx(before.analysis["capacity"]["state_of_health"] / 1.25, rel=1e-12)
    assert (run.pack.rated_capacity_ah, run.pack_id, run.label, run.sources) == (1.25, "T-3", before.label, before.sources)
    assert register.raw_sources(1) == logs
    assert {key: correction[key] for key in ("kind", "who", "why", "analysis_id")} == {"kind": "analysis", "analysis_id": run.analysis_id, **BY}
    first, second, third = register.verdicts(1)
    assert (first.criteria_name, second.criteria_name, third.criteria_name) == ("return-to-owner", "resale", "resale")
    assert first.analysis_id == second.analysis_id == before.analysis_id and third.analysis_id == run.analysis_id
    assert register.latest_verdict(1) == third and third.criteria_sha256 == load_criteria("resale").sha256
    assert third.verdict == run.analysis["verdict"] == done.after["verdict"]
    assert done.contradicting == (2,) and done.gone == ()
    (row, _early) = register.runs()
    assert (row.verdict, row.criteria_name, row.corrections) == (third.result, "resale", 1)
    assert custody.check(register.name).good


def test_corrected_run_that_was_never_judged_stays_without_a_verdict(tmp_path, made, other):
    from cycler.workflow import analyse_sources

    with Register.open(tmp_path / "unjudged.sqlite") as register:
        sources = [("small.csv", Path(made.log).read_bytes())]
        pack = load_pack(made.pack)
        register.add_run(pack=pack, sources=sources, analysis=analyse_sources(sources, pack)[1].to_dict())
        correct_run(register, 1, load_pack(other), **BY)
        assert register.latest_verdict(1) is None and register.run(1).analysis["verdict"] is None


def test_verdict_of_the_analysis_before_holds_no_more(register, other):
    register.correct_analysis(1, register.run(1).analysis | {"verdict": None}, load_pack(other), None, instead_of=register.run(1).analysis_id, **BY)
    assert register.latest_verdict(1) is None and register.runs()[0].verdict is None and len(register.verdicts(1)) == 1


def test_open_danger_of_the_card_counts_in_the_new_verdict(register, other):
    register.add_card_entry("T-3", "danger", "group 3 swollen", who="A. Bell")
    correct_run(register, 1, load_pack(other), **BY)
    assert register.latest_verdict(1).result == "fail"


def test_danger_that_is_gone_from_the_new_analysis_is_told(register, other, monkeypatch):
    run = register.run(1)
    register.correct_analysis(1, run.analysis | {"findings": [DANGER]}, run.pack, None, instead_of=run.analysis_id, **BY)
    done = correct_run(register, 1, load_pack(other), **BY)
    assert done.gone == (DANGER["message"],)


def test_work_on_an_analysis_corrected_meanwhile_is_refused(register, other):
    old, verdict = register.run(1).analysis_id, register.latest_verdict(1)
    correct_run(register, 1, load_pack(other), **BY)
    before = register.chain_head()
    for act in (
        lambda: register.add_verdict(1, {"result": "pass"}, load_criteria(), analysis_id=old),
        lambda: register.add_record(1, verdict.id, "2026-0001-1", "", b""),
        lambda: register.add_record(1, None, "2026-0001-1", "", b"", new_verdict=({"result": "pass"}, load_criteria()), analysis_id=old),
        lambda: register.correct_analysis(1, example_analysis(), load_pack(other), None, instead_of=old, **BY),
    ):
        with pytest.raises(InputError, match="corrected meanwhile"):
            act()
    assert register.chain_head() == before


def test_pack_file_of_another_pack_or_that_says_nothing_new_is_refused(register, made, other):
    with pytest.raises(InputError, match="of another pack") as caught:
        correct_run(register, 1, replace(load_pack(other), id="T-4"), **BY)
    assert "--withdraw" in caught.value.mend
    with pytest.raises(InputError, match="knows already"):
        correct_run(register, 1, load_pack(made.pack), **BY)
    assert register.corrections(1) == []


@pytest.mark.parametrize("who, why", [("", "x"), ("A. Bell", ""), (" ", "x"), ("A. Bell", " \n"), ("two\nlines", "x"), ("A. Bell", "x" * 2001)])
def test_correction_without_who_or_why_is_refused_before_the_work(register, other, monkeypatch, who, why):
    monkeypatch.setattr(reanalysis, "analyze", lambda *_a: pytest.fail("analysed first"))
    for act in (
        lambda: correct_run(register, 1, load_pack(other), who=who, why=why), lambda: register.withdraw(1, who=who, why=why),
        lambda: register.correct_label(1, "x", who=who, why=why),
    ):
        with pytest.raises(InputError):
            act()
    assert register.corrections(1) == []


# --- label, withdrawal -------------------------------------------------------------------------------------------


def test_label_is_put_right_and_the_first_one_stays(register):
    register.correct_label(2, " before repair ", **BY)
    assert (register.run(2).label, register.runs()[1].label) == ("before repair", "before repair")
    register.correct_label(2, "", **BY)
    assert (register.run(2).label, register.runs()[1].label) == ("", "")
    assert [item["label"] for item in register.corrections(2)] == ["before repair", ""]
    with pytest.raises(InputError, match="has this label already"):
        register.correct_label(2, "", **BY)


def test_withdrawn_run_gets_no_record_and_is_left_out_but_not_lost(tmp_path):
    with invented(tmp_path, [], [], [DANGER]) as register:
        for run in (2, 3):
            register.withdraw(run, who="A. Bell", why="wrong pack")
        assert [row.withdrawn for row in register.runs()] == [False, True, True] and register.run(2).withdrawn
        for act in (lambda: register.refuse_withdrawn(2), lambda: register.add_record(2, 2, register.next_serial(2), "", b"")):
            with pytest.raises(InputError, match="run 2 is withdrawn") as caught:
                act()
            assert "A. Bell" in caught.value.why and "wrong pack" in caught.value.why
        result = history(register, "EB-0412")
        assert [row["run"] for row in result["runs"]] == [1] and "Run 2, 3 was withdrawn" in result["notes"][0]
        with pytest.raises(InputError, match="run 3 is withdrawn"):
            standing(register, 1, 3)
        # A danger that was seen stays to be seen: whatever is wrong with the run, the pack may be that one.
        assert [item.run_id for item in known_dangers(register, "EB-0412")] == [3]
        register.withdraw(1, who="A. Bell", why="all wrong")
        with pytest.raises(InputError, match="no run of pack"):
            history(register, "EB-0412")
        register.reinstate(2, who="B. Reed", why="right after all")
        register.refuse_withdrawn(2)
        assert [row["run"] for row in history(register, "EB-0412")["runs"]] == [2]
        assert [item["kind"] for item in register.corrections(2)] == ["withdraw", "reinstate"]
        assert custody.check(register.name).good


def test_log_of_a_withdrawn_run_can_be_added_again_and_its_ratings_bind_nobody(tmp_path):
    with invented(tmp_path, []) as register:
        register.withdraw(1, who="A. Bell", why="read with the wrong columns")
        again = register.add_run(pack=replace(PACK, series=13), sources=[("log.csv", b"1")], analysis=example_analysis())
        assert again == 2


@pytest.mark.parametrize("act, words", [("withdraw", "withdrawn already"), ("reinstate", "not withdrawn")])
def test_withdrawal_twice_or_reinstatement_of_nothing_is_refused(tmp_path, act, words):
    with invented(tmp_path, []) as register:
        if act == "withdraw":
            register.withdraw(1, who="A. Bell", why="x")
        with pytest.raises(InputError, match=words):
            getattr(register, act)(1, who="A. Bell", why="x")


@pytest.mark.parametrize("act", [
    lambda r: r.corrections(7), lambda r: r.withdraw(7, **BY), lambda r: r.correct_label(7, "x", **BY),
    lambda r: correct_run(r, 7, PACK, **BY),
])
def test_unknown_run_is_refused(tmp_path, act):
    with invented(tmp_path, []) as register, pytest.raises(InputError, match="no run 7"):
        act(register)


# --- the command -------------------------------------------------------------------------------------------------


def correct(capfd, file, *words, by=("--by", "A. Bell", "--why", "rated capacity was mistyped")):
    code, out, err = call(capfd, "--quiet", "--register", file, "correct", "1", *words, *by)
    return code, " ".join(out.split()), err


def test_correct_command_and_show_say_who_when_and_why(capfd, file, other):
    assert "corrections" not in parsed(call(capfd, "--register", file, "show", "1", "--json")[1])
    code, out, err = correct(capfd, file, "--pack", other)
    assert (code, err) == (0, "") and "analysed again with another pack file, by A. Bell: Rated capacity was mistyped." in out
    assert "Before: state of health 9" in out and "Now: state of health 7" in out and "Run 2 of the pack has other ratings" in out
    code, out, err = correct(capfd, file, "--withdraw", by=("--by", "B. Reed", "--why", "another pack"))
    assert (code, err) == (0, "") and "withdrawn, by B. Reed: Another pack." in out
    code, out, _err = call(capfd, "--register", file, "show", "1")
    words = " ".join(out.split())
    assert code == 0 and "Withdrawn this run counts no more" in words and "Rated capacity was mistyped." in words and "by B. Reed" in words
    assert "on an analysis that was corrected since" in words
    result = parsed(call(capfd, "--register", file, "show", "1", "--json")[1])
    assert result["withdrawn"] is True and [item["kind"] for item in result["corrections"]] == ["analysis", "withdraw"]
    _code, out, _err = call(capfd, "--register", file, "list")
    assert next(line for line in out.splitlines() if "complete" in line).count("withdrawn") == 1
    assert [row["withdrawn"] for row in parsed(call(capfd, "--register", file, "list", "--json")[1])["runs"]] == [True, False]
    code, _out, err = call(capfd, "--register", file, "history", "T-3", "--json")
    assert (code, err) == (0, "")
    code, out, err = correct(capfd, file, "--reinstate")
    assert (code, err) == (0, "") and "counts again" in out


@pytest.mark.parametrize("words, by, said", [
    ([], None, "Give one of"), (["--withdraw", "--label", "x"], None, "Give one of"), (["--withdraw", "--instrument", "b.toml"], None, "goes with --pack"),
    (["--withdraw"], ("--by", "A. Bell"), "--why"), (["--withdraw"], ("--why", "x"), "--by"), (["--pack", "none.toml"], None, "none.toml"),
    (["--reinstate"], None, "not withdrawn"),
])
def test_correct_command_refuses_in_one_line(capfd, file, monkeypatch, words, by, said):
    monkeypatch.delenv("CYCLER_BY", raising=False)
    before = places.content(file)
    code, out, err = correct(capfd, file, *words, **({"by": by} if by else {}))
    assert (code, out, err.count("\n")) == (2, "", 1) and said in err
    assert places.content(file) == before
