"""What the program brings along: asked for because it is imported, between bounds that were tried, under licences that were looked at."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests import distribution, licences, oldest

PROJECT = Path(__file__).resolve().parent.parent
DEVELOPERS_MD = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT_TABLE = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

# Names that differ from those of their packages, and what another package hands on as part of its own interface.
PACKAGE_OF = {"PIL": "pillow", "markupsafe": "jinja2"}


def imported(*folders):
    """Packages from elsewhere that the modules import, wherever in the module."""
    found = set()
    for path in (path for folder in folders for path in (PROJECT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            found |= {name.split(".")[0] for name in names if name}
    elsewhere = found - set(sys.stdlib_module_names) - {"cycler", "dashboard"}
    return {canonicalize_name(PACKAGE_OF.get(name, name)) for name in elsewhere}


def optional(part):
    return {canonicalize_name(Requirement(line).name) for line in PROJECT_TABLE["optional-dependencies"][part]}


def test_what_is_imported_is_asked_for_and_nothing_else_is():
    asked = {canonicalize_name(needed.name) for needed in oldest.dependencies()}
    used = imported("cycler", "dashboard")
    allowed = optional("postgresql") | optional("cluster") | {"dask"}  # dask comes with distributed
    assert asked - used == set(), "asked for, but imported nowhere"
    assert used - asked - allowed == set(), "imported, but not asked for"


@pytest.mark.parametrize("needed", oldest.dependencies(), ids=lambda needed: needed.name)
def test_dependency_has_both_bounds_and_stands_in_both_tables(needed):
    low, high = oldest.bounds(needed)
    assert low and high and needed.specifier.contains(low) and not needed.specifier.contains(high)
    rows = re.findall(rf"^\| {re.escape(canonicalize_name(needed.name))} \| .*$", DEVELOPERS_MD, re.MULTILINE | re.IGNORECASE)
    tried = [row for row in rows if re.fullmatch(rf"\| [^|]+ \| {re.escape(low)} \| [^|]+ \|", row)]
    assert len(rows) == 2 and len(tried) == 1, f"{needed.name}: the tables of DEVELOPERS.md do not hold it with its lower bound {low}"


def test_oldest_python_is_the_one_that_is_stated():
    lowest = PROJECT_TABLE["requires-python"].removeprefix(">=")
    stated = [line.rpartition(" ")[2] for line in PROJECT_TABLE["classifiers"] if re.search(r"Python :: 3\.\d+$", line)]
    assert stated[0] == lowest and all(f"| {version}." in DEVELOPERS_MD for version in stated)


def test_everything_that_is_installed_is_under_a_licence_that_was_looked_at():
    packages = licences.installed()
    assert {canonicalize_name(needed.name) for needed in oldest.dependencies()} <= {canonicalize_name(package.name) for package in packages}
    assert licences.not_allowed(packages) == []


@pytest.mark.parametrize(("stated", "allowed"), [
    ("MIT", True), ("Apache-2.0 OR GPL-2.0-only", True), ("BSD-3-Clause AND MIT", True), ("MPL-2.0", True),
    ("GPL-3.0-or-later", False), ("BSD-3-Clause AND GPL-3.0-only", False), ("AGPL-3.0-only OR GPL-3.0-only", False), ("not stated", False), ("", False),
])
def test_licence_is_allowed_only_if_it_is_known(stated, allowed):
    assert (licences.not_allowed([licences.Package("x", "1", stated, ())]) == []) is allowed


def test_wheel_that_lacks_a_file_or_holds_a_foreign_one_is_told(tmp_path):
    import zipfile

    wheel = tmp_path / "packreturn-1-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for name in ("cycler/__init__.py", "tests/x.py", *(f"packreturn-1.dist-info/{note}" for note in distribution.NOTES - {"licenses/LICENSE"})):
            archive.writestr(name, "")
    told = distribution.wheel_lacks(wheel, {"cycler/__init__.py", "cycler/data/roles.toml", "README.md"})
    assert told == [
        f"{wheel.name} lacks cycler/data/roles.toml", f"{wheel.name} holds tests/x.py, which is none of the project's", f"{wheel.name} lacks licenses/LICENSE",
    ]


def test_fonts_that_are_shipped_have_their_licence_beside_them():
    folder = PROJECT / "cycler" / "data" / "fonts"
    assert {path.suffix for path in folder.iterdir()} == {".ttf", ".txt"}
    assert "Bitstream Vera" in (folder / "LICENSE-DejaVu.txt").read_text(encoding="utf-8")
