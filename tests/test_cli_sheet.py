"""The command ``sheet``: an empty sheet, a filled one, and what is wrong with one."""

from __future__ import annotations

import pytest

from cycler.repair.sheet import load_sheet
from tests.calls import call, parsed

FILLED = """\
[pack]
id = "EB-0405"
chemistry = "nmc"
series = 10
[meter]
voltage = "±(0.5 % rdg + 2 digits)"
voltage_digit_v = 0.001
[readings]
rested_h = 12
ambient_c = 21
cells_v = 36.40
terminal_v = 0.03
taps_from = "pack_negative"
taps_v = [0, 3.652, 7.305, 10.951, 11.200, 18.133, 21.787, 25.440, 29.095, 32.747, 36.399]
[[probe]]
ohm = 11800
"""


@pytest.fixture
def filled(tmp_path):
    file = tmp_path / "s.toml"
    file.write_text(FILLED, encoding="utf-8")
    return file


def test_sheet_prints_what_a_repairer_decides_by(capfd, filled):
    code, out, err = call(capfd, "sheet", filled)
    assert (code, err) == (0, "")
    for words in ("3.652 ± 0.024", "lead in doubt", "Sum minus pack", "Thermistors", "Causes, the likeliest first", "Measure next", "Heed", "no proof of safety", "read 0.249 V"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 80 and "1. The sense lead of tap 4" in out
    assert out.index("Groups") < out.index("Causes") < out.index("Measure next") < out.index("Heed")


def test_sheet_as_json_and_with_a_further_observation(capfd, filled):
    code, out, _err = call(capfd, "sheet", filled, "--json")
    evaluation = parsed(out)
    assert code == 0 and evaluation["schema"] == "cycler.bench/1" and evaluation["taps"]["groups"][3]["voltage_v"] is None
    _code, out, _err = call(capfd, "sheet", filled, "--json", "--observed", "group_direct_v_4=3,65")
    assert parsed(out)["taps"]["groups"][3]["voltage_v"] == 3.65 and parsed(out)["observed"] == {"group_direct_v_4": 3.65}
    assert filled.read_text(encoding="utf-8") == FILLED


def test_empty_sheet_is_written_once_and_reads(capfd, tmp_path):
    pack, file = tmp_path / "p.toml", tmp_path / "new.toml"
    pack.write_text('id = "EB-0412"\nchemistry = "nmc"\nseries = 13\n[instrument]\nvoltage_gain = 0.005\n', encoding="utf-8")
    code, out, err = call(capfd, "sheet", file, "--new", "--pack", pack)
    assert (code, out) == (0, f"{file}\n") and "Fill it in" in err
    assert load_sheet(file).pack.series == 13 and "14 taps" in file.read_text(encoding="utf-8")
    code, _out, err = call(capfd, "sheet", file, "--new")
    assert code == 2 and "exists" in err
    assert call(capfd, "--quiet", "sheet", tmp_path / "other.toml", "--new", "--series", 7, "--chemistry", "lfp")[2] == ""
    assert call(capfd, "sheet", tmp_path / "other.toml")[0] == 0


@pytest.mark.parametrize(("old", "new", "says"), [
    ("14.48", "14.48", ""), ("11.200", '"11.2OO"', "s.toml:14:5: error: this tap is not a number"), ("ohm = 11800", "ohm = -1", "s.toml:16: error: ohm is below zero"),
    ("series = 10", "series = 0", "s.toml:4: error"), ("series = 10", "series = 9", "s.toml:14:11: error: more taps"), ("[readings]", "[reading]", "did you mean readings"),
])
def test_bad_sheet_gives_one_line_with_its_place(capfd, filled, old, new, says):
    if says:
        filled.write_text(FILLED.replace(old, new), encoding="utf-8")
        code, out, err = call(capfd, "sheet", filled)
        assert (code, out) == (2, "") and says in err and err.count("\n") == 1


@pytest.mark.parametrize(("arguments", "says"), [
    (("none.toml",), "no such bench sheet"), (("s.toml", "--series", "3"), "belongs to --new"), (("s.toml", "--observed", "x"), "without its value"), (("s.toml", "--observed", "X y=1"), "no key"),
    (("n.txt", "--new"), ".toml"), (("no/n.toml", "--new"), "folder"), (("n.toml", "--new", "--chemistry", "nmcc"), "did you mean nmc"), (("n.toml", "--new", "--json"), "no use"),
])
def test_wrong_calls_are_told(capfd, filled, monkeypatch, arguments, says):
    monkeypatch.chdir(filled.parent)
    code, out, err = call(capfd, "sheet", *arguments)
    assert (code, out) == (2, "") and says in err and err.count("\n") == 1


def test_unlikely_causes_stand_in_one_line_without_evidence_and_one_reason_rules_out_once(capfd, tmp_path):
    sheet = tmp_path / "torn.toml"
    sheet.write_text('[pack]\nchemistry = "nmc"\nseries = 7\n[readings]\ntaps_from = "pack_negative"\ntaps_v = [0, 3.651, 7.302, 10.953, 0.02, 0.01, 0.01, 0.0]\n')
    out = " ".join(call(capfd, "sheet", sheet)[1].split())
    told = out.partition("Causes, the likeliest first")[2].partition("Basis:")[0]
    assert "1. A joint or strip in the main current path is open or bad, at group 4: 9" in told and "2. " not in told
    assert "After these: the board has locked itself" in told and "together. All of them with --json." in told
    assert out.partition("Ruled out")[2].count("By: from one group on nothing of the cells is read") == 1 and "DANGER" not in out
    sheet.write_text('[pack]\nchemistry = "nmc"\nseries = 7\n')
    told = " ".join(call(capfd, "sheet", sheet)[1].split()).partition("Causes, the likeliest first")[2]
    assert "3. " in told.partition("After these")[0] and "4. " not in told.partition("After these")[0]
