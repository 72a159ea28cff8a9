"""Commands ``donor`` and ``options``: what they print, their files to fill in, and bad input in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from cycler.repair.connector import load_connector
from cycler.repair.workshop import load_workshop
from tests.calls import call, parsed

JOBS = Path(__file__).resolve().parent.parent / "sample_logs" / "jobs"
PLUGS = JOBS / "connectors"
OWN = PLUGS / "eb-0431-harness.toml"

DEAD_GROUP = """
[pack]
id = "CB-0301"
chemistry = "nmc"
series = 10
parallel = 4
rated_capacity_ah = 10.4

[look]
swollen = "no"
leaking = "no"
smell = "no"
hot = "no"
burnt = "no"
wet = "no"
dented = "no"

[readings]
rested_h = 24
taps_from = "pack_negative"
taps_v = [0, 3.652, 7.305, 10.951, 11.802, 15.455, 19.109, 22.762, 26.417, 30.069, 33.721]
cells_v = 33.72
"""


# ---- donor ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("board", "first", "code"),
    [
        ("donor-a-fits", "Measured potentials agree; confirm with the maker's data.", "other_charge"),
        ("donor-b-shifted", "Do not connect. Every sense line is shifted by one tap", "shifted"),
        ("donor-c-13-groups", "Do not connect. The pack has 10 groups, the board is made for 13", "series_differs"),
    ],
)
def test_sample_plugs(capfd, board, first, code):
    donor = PLUGS / f"{board}.toml"
    exit_code, out, err = call(capfd, "donor", OWN, donor)
    assert (exit_code, err) == (0, "") and " ".join(out.split()).startswith(first)
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "Balance taps lie close together" in out and "in an order that their maker gives" in " ".join(out.split())
    found = parsed(call(capfd, "donor", OWN, donor, "--json")[1])
    assert found["schema"] == "cycler.donor/1" and code in {item["code"] for item in found["remarks"]}
    assert found["meter_assumed"] is False and "Invented" in donor.read_text() and "Invented" in OWN.read_text()


def test_new_plug_is_written_once_and_reads(capfd, tmp_path):
    file = tmp_path / "plug.toml"
    assert call(capfd, "donor", "--new", file, "--pins", "13") == (0, f"{file}\n", "")
    assert len(load_connector(file).pins) == 13
    code, out, err = call(capfd, "donor", "--new", file, "--pins", "13")
    assert (code, out) == (2, "") and "never overwritten" in err
    code, out, _err = call(capfd, "donor", file, file)
    assert code == 0 and out.startswith("Not known.")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("donor", OWN), "Name two files"), (("donor", "--new", "x.toml"), "--pins N"), (("donor", OWN, "none.toml"), "no such connector file"), (("donor", "--pins", "3"), "goes with --new"),
        (("donor", OWN, JOBS.parent / "truth.json"), "not valid TOML"), (("options",), "Name a bench sheet"), (("options", "--new", "w.toml", "--json"), "stands alone"),
        (("options", "none.toml"), "none.toml"),
    ],
)
def test_bad_use_is_one_line(capfd, arguments, words):
    code, out, err = call(capfd, *arguments)
    assert (code, out, err.count("\n")) == (2, "", 1) and words in err


# ---- options -------------------------------------------------------------------------------------------------------


@pytest.fixture
def sheet(tmp_path):
    file = tmp_path / "sheet.toml"
    file.write_text(DEAD_GROUP)
    return file


def test_options_of_a_dead_group(capfd, sheet, tmp_path):
    code, out, err = call(capfd, "options", sheet)
    assert (code, err) == (0, "")
    told = " ".join(out.split())
    assert told.index("Vetoes") < told.index("Options, the best first") < told.index("Caution")
    assert "Group 4 is below the level from which a cell is charged again" in told and "Invented figures were counted in place of your own for every figure" in told
    result = parsed(call(capfd, "options", sheet, "--json")[1])
    barred = {item["code"] for item in result["options"] if item["barred_by"]}
    assert result["schema"] == "cycler.options/1" and result["first"] == "repair_group" and barred == {"repair_board", "repair_lead", "rebalance"}
    own = tmp_path / "ours.toml"
    own.write_text('currency = "CHF"\nhour_cost = [90, 110]\n')
    code, out, _err = call(capfd, "options", sheet, "--workshop", own)
    assert code == 0 and "CHF" in out and "hour_cost," not in out and "EUR" not in out


def test_options_with_bad_figures_or_cause(capfd, sheet, tmp_path):
    own = tmp_path / "ours.toml"
    own.write_text("[scrap]\nhours = 1\nfee = [12, 3]\n")
    code, out, err = call(capfd, "options", sheet, "--workshop", own)
    assert (code, out, err.count("\n")) == (2, "", 1) and f"{own}:3" in err and "[3, 12]" in err
    code, out, err = call(capfd, "options", sheet, "--cause", "gremlins")
    assert (code, out) == (2, "") and "no such cause" in err and "group_dead" in err


def test_new_workshop_file(capfd, tmp_path):
    file = tmp_path / "w.toml"
    assert call(capfd, "options", "--new", file)[0] == 0
    assert "INVENTED" in file.read_text()
    assert len(load_workshop(file).assumed) > 18  # what nobody put figures into states none
    file.write_text(file.read_text().replace("# hour_cost", "hour_cost"))
    assert "hour_cost" not in load_workshop(file).assumed
