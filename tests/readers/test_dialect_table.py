"""The table of dialects in DEVELOPERS.md names tests and cases that exist."""

from __future__ import annotations

import ast
import re
from functools import lru_cache
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PROJECT = HERE.parent.parent
LOGS = PROJECT / "tests" / "data" / "logs"
SECTION = (PROJECT / "DEVELOPERS.md").read_text("utf-8").partition("## Dialects that are read\n")[2].partition("\n## ")[0]
ROWS = re.findall(r"^\| (.+?) \| `(\w+\.py)::(\w+)` \| (?:`(.+)`|–) \|$", SECTION, re.MULTILINE)
HEADS = re.findall(r"^\| (.+?) \| test \| case \|$", SECTION, re.MULTILINE)


@lru_cache
def _content(file: str) -> tuple[set[str], set[str]]:
    """Names of the tests, and every text, in a module of tests."""
    tree = ast.parse((HERE / file).read_text("utf-8"))
    tests = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}
    return tests, {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_table_of_dialects_is_whole():
    assert HEADS == ["Bytes to text", "Dialect", "Roles of columns", "No header", "Units and signs by evidence", "Clocks", "Parts"]
    lines = [line for line in SECTION.split("\n") if line.startswith("| ") and line not in {f"| {head} | test | case |" for head in HEADS}]
    assert len(lines) == len(ROWS) > 100
    assert len({(feature, case) for feature, _file, _test, case in ROWS}) == len(ROWS)
    assert max(map(len, SECTION.split("\n"))) <= 150


@pytest.mark.parametrize(("feature", "file", "test", "case"), ROWS, ids=[row[0] for row in ROWS])
def test_test_named_in_the_table_of_dialects_exists(feature, file, test, case):
    tests, texts = _content(file)
    assert test in tests
    if case:
        assert case in texts
    if case and re.fullmatch(r"[\w-]+\.(?:csv|txt|csv\.gz)", case):
        assert (LOGS / case).is_file()


def test_every_log_that_is_read_stands_in_the_readme_of_the_logs():
    readme = (LOGS / "README.md").read_text("utf-8")
    files = {path.name for path in LOGS.iterdir()} - {"README.md"}
    assert files == set(re.findall(r"^\| ([\w.-]+) \|", readme, re.MULTILINE)) - {"file"}
