"""The benchmark at tiny sizes: its table is whole, and its ratios come from its own figures."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import pytest

from tests.benchmarks import __main__ as benchmark
from tests.benchmarks.cases import BYTES, OURS, SCRIPT, measured, write_log
from tests.benchmarks.table import (
    BEGIN,
    END,
    Figure,
    Line,
    figures_text,
    file_lines,
    growth,
    keep,
    targets_text,
)


def cells(text, heading):
    """Rows of the Markdown table with that first heading, as lists of cells."""
    lines = iter(text.splitlines())
    head = next(line for line in lines if line.startswith(f"| {heading}"))
    rule = next(lines)
    assert set(rule) <= {"|", "-"} and rule.count("|") == head.count("|")
    rows = []
    for line in lines:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    assert rows and all(len(row) == head.count("|") - 1 for row in rows)
    return rows


def in_this_process(kind, **job):
    if kind == "measure":
        return measured(**job)
    for one in job["files"]:
        write_log(Path(one["path"]), one["rows"], one["comma"], one["seed"])
    return {}


def test_benchmark_of_small_logs_prints_whole_tables_with_ratios_of_its_own_figures(tmp_path, monkeypatch):
    """In this process and with one parser, since processes and parsers take long to start; the next test has a process."""
    monkeypatch.setattr(benchmark, "asked", in_this_process)
    monkeypatch.setattr(benchmark, "installed_parsers", lambda: ["pandas, C engine"])
    monkeypatch.setattr(benchmark, "startup_lines", lambda *_: [Line("start", 0.2, 0.1, "s")])
    kept, out = tmp_path / "kept.md", io.StringIO()
    kept.write_text(f"above\n{BEGIN}\nold\n{END}\nbelow\n", encoding="utf-8")
    with contextlib.redirect_stdout(out):
        code = benchmark.main(["--rows", "1000", "--best-of", "1", "--no-batch", "--to", str(kept)])
    text = out.getvalue()
    targets, figures = cells(text, "what"), cells(text, "file")
    assert code == (0 if all(row[3] == "yes" for row in targets) else 1)
    assert {row[1] for row in figures} == {BYTES, "pandas, C engine", SCRIPT, benchmark.READ, OURS}
    plain = {row[1]: [float(cell) for cell in row[2:]] for row in figures if row[0] == "1,000 rows, plain"}
    comma = {row[1]: [float(cell) for cell in row[2:]] for row in figures if row[0] == "1,000 rows, ; and ,"}
    ratio, memory, twice, start = (float(row[2].split()[0]) for row in targets)
    assert ratio == pytest.approx(plain[OURS][0] / plain["pandas, C engine"][0], rel=0.02)
    assert plain[OURS][3] == pytest.approx(ratio, rel=0.02)
    assert memory == pytest.approx(plain[OURS][2] * 1e6 / (1000 * 14 * 8), rel=0.02, abs=0.5)
    assert twice == pytest.approx(comma[OURS][0] / plain[OURS][0], rel=0.02)
    assert (start, targets[-1][3]) == (0.1, "yes")
    assert all(seconds > 0.0 for case in plain.values() for seconds in case[:2])
    assert kept.read_text(encoding="utf-8") == f"above\n{BEGIN}\n{text.rstrip()}\n{END}\nbelow\n"


def test_case_in_a_process_of_its_own_tells_its_time_and_memory(tmp_path):
    """A plain read of 40 MB raises the peak by as much."""
    path = tmp_path / "zeros"
    path.write_bytes(bytes(40_000_000))
    (tmp_path / "small").write_bytes(b"0")
    found = benchmark.asked("measure", case=BYTES, path=str(path), small=str(tmp_path / "small"), comma=False)
    assert found["wall_s"] > 0.0 and found["cpu_s"] > 0.0
    assert found["memory_bytes"] == pytest.approx(40e6, rel=0.2)


def test_targets_are_held_against_figures():
    figures = [
        Figure("pandas, C engine", 1000, False, 0.2, 0.2, 1e5), Figure("polars", 1000, False, 0.1, 0.4, 1e5),
        Figure(OURS, 1000, False, 0.16, 0.3, 4 * 112e3), Figure(OURS, 1000, True, 0.3, 0.3, 1e5), Figure("polars", 1000, True, 0.1, 0.1, 1e5),
        Figure(OURS, 4000, False, 0.32, 1.2, 1e5), Figure("polars", 4000, False, 0.1, 0.1, 1e5),
        Figure(OURS, 8000, False, 0.64, 1.2, 1e5), Figure("polars", 8000, False, 0.1, 0.1, 1e5),
    ]
    lines = file_lines(figures, 1000)
    assert [round(line.measured, 9) for line in lines] == [1.6, 4.0, 1.875, 1.0]
    assert [line.met for line in lines] == [False, False, True, True]
    assert [row[3] for row in cells(targets_text(lines), "what")] == ["**no**", "**no**", "yes", "yes"]
    assert "polars" in lines[0].what
    assert [row[5] for row in cells(figures_text(figures), "file")][:3] == ["1.00", "1.60", "2.00"]


def test_growth_is_the_exponent_of_a_power():
    assert growth([10, 100, 1000], [3e-4 * n**1.2 for n in (10, 100, 1000)]) == pytest.approx(1.2)


def test_table_is_kept_between_its_marks_only(tmp_path):
    path = tmp_path / "notes.md"
    path.write_text("no marks", encoding="utf-8")
    with pytest.raises(ValueError, match="benchmarks: begin"):
        keep(path, "table")
    assert path.read_text(encoding="utf-8") == "no marks"
