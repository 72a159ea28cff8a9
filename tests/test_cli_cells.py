"""The command ``cells``: what it prints, what it writes, and how it refuses."""

from __future__ import annotations

import csv
import re

import pytest

from tests.calls import call, parsed
from tests.matching.stock import SAMPLE

SMALL = "id;capacity / mAh;d.c. resistance / mOhm;v1 / V;date1;v2 / V;date2;remarks\n" + "".join(
    f"c{k};{2300 + 17 * (k * 7 % 24)};{36 + k * 5 % 9};3,650;2026-03-01;3,646;2026-03-15;\n" for k in range(24)
) + "bad;1100;90;3,650;2026-03-01;3,646;2026-03-15;rust\n"


@pytest.fixture
def small(tmp_path):
    path = tmp_path / "small.csv"
    path.write_text(SMALL, encoding="utf-8")
    return path


def test_sample_to_ten_packs_with_bound_gap_and_factor(capfd, tmp_path):
    target = tmp_path / "packs.csv"
    code, out, err = call(capfd, "cells", SAMPLE, "--rated", "2.6", "-S", "10", "-P", "4", "-N", "10", "--to", target, "--seconds", "60")
    assert (code, err) == (0, "")
    assert all(len(line) <= 80 for line in out.splitlines() if not line.startswith("Wrote"))
    flat = " ".join(out.split())
    assert "440 cells, NMC, against rated 2.6 Ah" in flat and re.search(r"First\sgrade\s+411", out) and re.search(r"Rejected\s+17", out)
    found = re.search(r"packs hold ([\d.]+) Ah together\. No arrangement of these cells can hold more than ([\d.]+) Ah \(bound\): the gap is ([\d.]+) Ah", flat)
    value, bound, gap = map(float, found.groups())
    assert bound - value == pytest.approx(gap, abs=6e-4) and gap < 0.001 * bound
    assert float(re.search(r"short of the bound: (\d+) ± \d+ times as far", flat)[1]) > 10
    assert "Gain over random:" in flat and "The readings are not that fine" in flat and "rust at the minus end" in flat
    for words in ("short circuit", "in parallel", "rebuilt pack", "damaged cells", "local rules"):
        assert words in flat
    assert "60 V d.c." not in flat and f"to {target}" in out
    with target.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 440 and sum(bool(row["pack"]) for row in rows) == 400

    before = target.read_bytes()
    code, out, err = call(capfd, "cells", SAMPLE, "-S", "1", "-P", "1", "--to", target)
    assert code == 2 and out == "" and "never overwritten" in err and target.read_bytes() == before


def test_small_list_is_proven_and_prints_every_group(capfd, small):
    code, out, _ = call(capfd, "cells", small, "--rated", "2.5", "-S", "6", "-P", "4")
    flat = " ".join(out.split())
    assert code == 0 and ("proven" in flat or "The bound is reached" in flat) and "Which cell goes where" in flat
    assert all(re.search(rf"\bc{k}\b", out) for k in range(24)) and "--all" not in out
    code, out, _ = call(capfd, "cells", small, "--rated", "2.5", "-S", "6", "-P", "4", "--json")
    result = parsed(out)
    assert result["schema"] == "cycler.cells/1" and result["objective"]["best_found_is_proven"] and result["cells"]["used"] == 24
    again = parsed(call(capfd, "cells", small, "--rated", "2.5", "-S", "6", "-P", "4", "--json")[1])
    assert again["packs"] == result["packs"]
    code, out, _ = call(capfd, "cells", small, "--rated", "2.5", "-S", "16", "-P", "1")
    assert code == 0 and "60 V d.c." in out


def test_grades_alone_and_options(capfd, small, tmp_path):
    code, out, _ = call(capfd, "cells", small)
    assert code == 0 and "against the median of the list" in " ".join(out.split()) and "Packs of" not in out and "aged together" in " ".join(out.split())
    target = tmp_path / "grades.csv"
    assert call(capfd, "cells", small, "--to", target)[0] == 0
    with target.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 25 and [row["cell"] for row in rows if row["grade"] == "rejected"] == ["bad"] and rows[0]["remark"] == "" and rows[-1]["remark"]
    no_dates = tmp_path / "no-dates.csv"
    no_dates.write_text("id;capacity / Ah;d.c. resistance / mOhm;v1 / V;v2 / V\na;2.4;38;3.650;3.646\n", encoding="utf-8")
    assert parsed(call(capfd, "cells", no_dates, "--json")[1])["cells"]["not_proven"] == 1
    assert parsed(call(capfd, "cells", no_dates, "--days", "14", "--json")[1])["cells"]["first"] == 1
    code, out, _ = call(capfd, "cells", no_dates, "-S", "1", "-P", "1", "--use-not-proven")
    assert code == 0 and "of which something is not proven" in " ".join(out.split())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("-S", "6"), "both --series and --parallel"), (("-N", "2"), "both --series and --parallel"),
        (("--rated", "-1"), "above zero"), (("--rated", "x"), "not a valid float"), (("-S", "0", "-P", "1"), "groups in series cannot be"),
        (("-S", "10", "-P", "4"), "16 are missing"), (("-S", "10", "-P", "4", "-N", "2000"), "number of packs cannot be"),
        (("--chemistry", "nimh"), "no rules for the chemistry"), (("--rules", "none.toml"), "no such rules file"),
        (("-S", "2", "-P", "1", "--to", "nowhere/x.csv"), "folder does not exist"), (("-S", "2", "-P", "1", "--seconds", "0"), "range"),
    ],
)
def test_wrong_use_gives_one_line_and_code_two(capfd, small, arguments, said):
    code, out, err = call(capfd, "cells", small, *arguments)
    assert code == 2 and out == "" and err.count("\n") == 1 and said in err and "Traceback" not in err


def test_wrong_lists_give_one_line_and_code_two(capfd, small, tmp_path):
    for content, said in ((b"", "empty"), (b"\x89PNG\r\n", "picture"), (SMALL.replace("2317", "lots").encode(), "not a number"), (SMALL.replace("c3;", "c2;").encode(), "same id")):
        small.write_bytes(content)
        code, out, err = call(capfd, "cells", small)
        assert code == 2 and out == "" and err.count("\n") == 1 and said in err
    code, out, err = call(capfd, "cells", tmp_path / "missing.csv")
    assert code == 2 and "no such list of cells" in err
