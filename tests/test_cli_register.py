"""Commands around the register: add, list, show, compare, decide."""

from __future__ import annotations

from cycler import tables
from cycler.pack import Pack
from cycler.register import Register
from tests import places, small_log
from tests.analysis_example import example_analysis
from tests.calls import call, parsed

# --- register ----------------------------------------------------------------------------------------------------


def test_list_shows_both_runs_and_marks_the_invalid_one(capfd, kept):
    code, out, err = call(capfd, "--register", kept, "list")
    assert (code, err) == (0, "")
    complete, early = (next(line for line in out.splitlines() if label in line) for label in ("complete", "stopped"))
    assert "T-3" in complete and "≥" not in complete and "≥" in early and "≥ a lower bound" in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_list_json_parses_and_filters(capfd, kept):
    result = parsed(call(capfd, "list", "--json", "--register", kept)[1])
    assert [row["id"] for row in result["runs"]] == [1, 2] and result["packs"][0]["id"] == "T-3"
    assert parsed(call(capfd, "list", "--json", "--id", "none", "--register", kept)[1])["runs"] == []


def test_list_without_a_register_says_so_and_makes_none(capfd, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv("CYCLER_REGISTER", raising=False)
    code, out, _err = call(capfd, "list")
    assert code == 0 and "No runs yet" in out and list(tmp_path.iterdir()) == []


def test_register_is_taken_from_the_environment(capfd, kept, monkeypatch):
    monkeypatch.setenv("CYCLER_REGISTER", str(kept))
    assert len(parsed(call(capfd, "list", "--json")[1])["runs"]) == 2


def test_add_same_log_again_exits_2_naming_the_run(capfd, kept, made):
    code, out, err = call(capfd, "--register", kept, "add", made.log, "--pack", made.pack)
    assert (code, out, err.count("\n")) == (2, "", 1) and "run 1 (complete)" in err


def test_add_known_pack_with_other_ratings_exits_2_unless_accepted(capfd, made, tmp_path):
    register, other = tmp_path / "r.sqlite", tmp_path / "other.toml"
    other.write_text(small_log.PACK_TOML.replace("rated_capacity_ah = 1.0", "rated_capacity_ah = 1.2"))
    assert call(capfd, "--register", register, "add", made.log, "--pack", made.pack)[0] == 0
    code, out, err = call(capfd, "--register", register, "add", made.early, "--pack", other)
    assert (code, out, err.count("\n")) == (2, "", 1) and "rated_capacity_ah = 1.2, but 1.0 in run 1" in err and "--new-ratings" in err
    assert call(capfd, "--register", register, "add", made.early, "--pack", other, "--new-ratings")[0] == 0


def test_add_tells_danger_and_defects_and_the_short_caution(capfd, tmp_path):
    rows = list(small_log.rows())
    lines = [small_log.log_text().splitlines()[0]]
    for time_s, volts, amps, *groups in rows:  # group 3 sinks below the damage limit of the chemistry, 2.5 V, while the pack holds on
        sunk = max(0.0, 3.45 - groups[2]) * 2.5
        lines.append(f"{time_s},{volts - sunk:.4f},{amps:.4f},{groups[0]:.4f},{groups[1]:.4f},{groups[2] - sunk:.4f}")
    (tmp_path / "sunk.csv").write_text("\n".join(lines) + "\n")
    (tmp_path / "pack.toml").write_text(small_log.PACK_TOML)
    register = tmp_path / "r.sqlite"
    code, out, _err = call(capfd, "--register", register, "add", tmp_path / "sunk.csv", "--pack", tmp_path / "pack.toml")
    words = " ".join(out.split())
    assert code == 0 and "DANGER Group 3" in words and "do not charge, use or send" in words
    assert tables.CAUTION_SHORT in words and tables.CAUTION not in words and "Note " not in words
    code, out, _err = call(capfd, "--register", register, "record", "1", "--to", tmp_path / "records")
    assert code == 0 and "DANGER Group 3" in " ".join(out.split())


def test_add_keeps_columns_file_for_reading_again(capfd, tmp_path, made):
    lines = small_log.log_text().splitlines(keepends=True)
    odd = tmp_path / "odd.csv"
    odd.write_text("a,b,c,d,e,f\n" + "".join(lines[1:]))
    columns = tmp_path / "columns.toml"
    columns.write_text("".join(
        f'[[column]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\n' + (f"group = {group}\n" if group else "")
        for name, role, unit, group in (
            ("a", "time", "s", 0), ("b", "voltage", "V", 0), ("c", "current", "A", 0), ("d", "group_voltage", "V", 1),
            ("e", "group_voltage", "V", 2), ("f", "group_voltage", "V", 3),
        )
    ))
    register = tmp_path / "r.sqlite"
    code, _out, err = call(
        capfd, "--register", register, "--quiet", "add", odd, "--pack", made.pack, "--columns", columns
    )
    assert (code, err) == (0, "")
    columns.unlink()
    with Register.open(register) as opened:
        assert opened.log(1).series == 3


def test_show_repeats_the_stored_analysis(capfd, kept, made):
    fresh = parsed(call(capfd, "analyze", made.log, "--pack", made.pack, "--json")[1])
    stored = parsed(call(capfd, "--register", kept, "show", "1", "--json")[1])
    for result in (fresh, stored):
        result.pop("sources")  # the register keeps file names without their folders
    assert stored == fresh
    code, out, err = call(capfd, "--register", kept, "show", "1", "--steps")
    assert (code, err) == (0, "") and "Steps" in out and "cut-off" in out.split("Steps")[1]


def test_compare_run_with_log_and_json(capfd, kept, made):
    code, out, err = call(capfd, "--register", kept, "compare", "1", made.early, "--pack", made.pack)
    assert (code, err) == (0, "") and "A  run 1, T-3, complete (reference)" in out and "no claim" in out
    result = parsed(call(capfd, "--register", kept, "compare", "1", "2", "--json")[1])
    assert result["names"] == ["run 1, T-3, complete", "run 2, T-3, stopped early"]


def test_decide_strict_exits_3_without_a_pass_and_0_otherwise(capfd, kept):
    code, out, err = call(capfd, "--register", kept, "decide", "2", "--strict", "--json")
    assert (code, err) == (3, "") and parsed(out)["result"] != "pass"
    assert call(capfd, "--register", kept, "decide", "2")[0] == 0


def test_decide_keeps_a_verdict_beside_the_first(capfd, kept):
    with Register.open(kept) as register:
        before = len(register.verdicts(1))
    code, out, _err = call(capfd, "--register", kept, "decide", "1", "--criteria", "resale")
    assert code == 0 and "by the criteria resale" in out and "Decision rule:" in out
    assert f"Kept as verdict {before + 1} of run 1; records of this run are now issued by it." in " ".join(out.split())
    with Register.open(kept) as register:
        assert len(register.verdicts(1)) == before + 1


def test_decide_look_keeps_nothing(capfd, kept):
    before = places.content(kept)
    code, out, _err = call(capfd, "--register", kept, "decide", "1", "--criteria", "resale", "--look")
    assert code == 0 and "by the criteria resale" in out and "nothing was kept" in out and "Kept as" not in out
    assert places.content(kept) == before


def test_danger_in_the_register_is_told_with_its_run(capfd, tmp_path, made):
    register = tmp_path / "r.sqlite"
    danger = {"code": "group_overvoltage", "severity": "danger", "group": 2, "step": None, "message": "Group 2 was charged to 4.31 V."}
    with Register.open(register) as opened:
        for label, findings in (("before repair", [danger]), ("after repair", [])):
            opened.add_run(
                pack=Pack(id="EB-0412"), sources=[("a.csv", label.encode())], analysis=example_analysis({"findings": findings}), label=label,
            )
    code, out, _err = call(capfd, "--register", register, "decide", "2")
    assert code == 0 and "DANGER Run 1 (before repair): Group 2 was charged to 4.31 V." in " ".join(out.split())
    _code, out, _err = call(capfd, "--register", register, "show", "2")
    assert "DANGER Run 1 (before repair): Group 2" in " ".join(out.split())
    code, out, _err = call(capfd, "--register", register, "compare", "2", "1")
    words = " ".join(out.split())
    assert code == 0 and "DANGER Run 1, EB-0412, before repair: Group 2 was charged to 4.31 V." in words and words.count("DANGER") == 1
