"""Commands that read logs and keep nothing: inspect and analyze."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cycler.commands.reading_output import print_reading
from cycler.quantities import figure_text
from tests import small_log
from tests.calls import PROJECT, call, parsed, process, sheet_of

# --- reading and analysing ---------------------------------------------------------------------------------------


def test_analyze_json_is_the_contract_object_alone(capfd, made):
    code, out, err = call(capfd, "analyze", made.log, "--pack", made.pack, "--json")
    result = parsed(out)
    assert (code, err) == (0, "")
    for key in (
        "schema", "software", "sources", "reading", "pack", "steps", "capacity", "efficiency", "resistance", "groups",
        "limiting_group", "capacity_if_limiting_group_matched_ah", "rest", "thermal", "findings", "verdict",
    ):
        assert key in result
    # Source: closed form of the log. Full at OCV 12.6 V - 0.05 A * 0.155 ohm (one second of taper more or less), empty at
    # 9.0 V + 1 A * 0.155 ohm; 3.6 V of OCV is 1 Ah: (12.592 - 9.155) / 3.6 = 0.9548 Ah. Tolerance: three samples at 1 A.
    assert result["capacity"]["value_ah"] == pytest.approx((12.6 - 0.05 * 0.155 - 9.155) / 3.6, abs=3 / 3600)
    assert result["capacity"]["valid"] is True


def test_analyze_prints_the_figures_of_its_json_with_units(capfd, made):
    _code, out, _err = call(capfd, "analyze", made.log, "--pack", made.pack, "--json")
    result = parsed(out)
    code, out, err = call(capfd, "analyze", made.log, "--pack", made.pack)
    assert (code, err) == (0, "")
    capacity = result["capacity"]
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in out
    head = result["resistance"]["headline"]
    assert figure_text(head["ohm_10s"], head["u_ohm_10s"], "ohm") in out
    order = ["Read ", "Verdict", "Capacity ", "Resistance", "Groups", "Findings", "no safety certificate"]
    places = [" ".join(out.split()).index(word.strip()) for word in order]
    assert places == sorted(places)


def test_analyze_two_parts_is_one_test(capfd, made, tmp_path):
    lines = small_log.log_text().splitlines(keepends=True)
    cut = 4000
    (tmp_path / "b.csv").write_text("".join(lines[:cut]))
    (tmp_path / "a.csv").write_text(lines[0] + "".join(lines[cut:]))
    whole = parsed(call(capfd, "analyze", made.log, "--pack", made.pack, "--json")[1])
    parts = parsed(call(capfd, "analyze", tmp_path / "b.csv", tmp_path / "a.csv", "--pack", made.pack, "--json")[1])
    assert parts["capacity"]["value_ah"] == pytest.approx(whole["capacity"]["value_ah"], rel=1e-6)
    assert len(parts["sources"]) == 2


def test_analyze_takes_standard_input(made):
    started = process("analyze", "-", "--pack", made.pack, "--json", stdin=subprocess.PIPE)
    out, err = started.communicate(Path(made.log).read_bytes(), timeout=60)
    assert (started.returncode, err) == (0, b"")
    assert parsed(out)["sources"][0]["file"] == "standard input"


def test_inspect_shows_roles_and_units(capfd, made):
    code, out, err = call(capfd, "inspect", made.log)
    assert (code, err) == (0, "") and "pack voltage" in out and "voltage of a group" in out and "comma" in out
    seen = parsed(call(capfd, "inspect", made.log, "--json")[1])
    assert [column["group"] for column in seen["reading"]["columns"] if column["role"] == "group_voltage"] == [1, 2, 3]


def test_inspect_several_logs_shows_each_in_turn(capfd, made):
    code, out, err = call(capfd, "inspect", made.log, made.early)
    assert (code, err) == (0, "") and out.index("small.csv") < out.index("early.csv") and out.count("Columns") == 2
    seen = parsed(call(capfd, "inspect", made.log, made.early, "--json")[1])
    assert [Path(one["sources"][0]["file"]).name for one in seen] == ["small.csv", "early.csv"]
    assert parsed(call(capfd, "inspect", made.log, "--json")[1]) == seen[0]


def test_inspect_says_clock_and_sign_in_plain_words():
    seen = {
        "sources": [], "log": {"duration_s": 100.0},
        "reading": {
            "encoding": "UTF-8", "delimiter": ",", "decimal": ".", "header_row": 1, "clock": {"kind": "wall", "gaps": []},
            "sign": {"discharge_is": "unsigned", "evidence": "charge and discharge at 10 degC"}, "sampling_s": {"median": 1.0, "max": 27000.0},
            "columns": [{"name": "T", "role": "temperature", "unit": "degC", "group": None}],
            "warnings": [{"code": "x", "message": "one reading at 80 degC was left out", "where": "line 7"}],
        },
    }
    sheet, stream = sheet_of(120)
    print_reading(sheet, seen)
    text = stream.getvalue()
    assert "Date and time." in text and "Current has no sign in the file: charge and discharge at 10 °C." in text
    assert "One reading at 80 °C was left out (line 7)." in text and "degC" not in text and "e+0" not in text


def test_analyze_without_a_pack_file_says_what_is_then_unknown(capfd, made):
    _code, out, _err = call(capfd, "analyze", made.log)
    assert out.startswith("No pack file: limits and ratings are not known, so ")
    assert "No pack file" not in call(capfd, "analyze", made.log, "--pack", made.pack)[1]
    assert parsed(call(capfd, "analyze", made.log, "--json")[1])["schema"] == "cycler.analysis/1"
    assert "No pack file" in call(capfd, "compare", made.log, made.early)[1]


def test_output_is_utf8_whatever_the_locale(made):
    done = subprocess.run(
        [sys.executable, "-m", "cycler", "analyze", made.log, "--pack", made.pack], capture_output=True, check=True,
        env=os.environ | {"PYTHONPATH": str(PROJECT), "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"},
    )
    assert "±" in done.stdout.decode("utf-8") and "mΩ" in done.stdout.decode("utf-8")
