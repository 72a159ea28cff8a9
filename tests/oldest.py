"""The lower bounds of ``pyproject.toml`` as a file of constraints, to try the oldest packages that are allowed.

    python3.11 -m venv /tmp/oldest && .venv/bin/python -m tests.oldest > /tmp/oldest.txt
    /tmp/oldest/bin/pip install -c /tmp/oldest.txt . pytest hypothesis uncertainties pypdf zxing-cpp
    (cd /tmp && oldest/bin/cycler demo) && /tmp/oldest/bin/python -m pytest --ignore-glob='*browser*' tests
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = Path(__file__).resolve().parent.parent


def dependencies() -> list[Requirement]:
    """What the program asks for by itself, without its optional parts."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [Requirement(line) for line in project["dependencies"]]


def bounds(needed: Requirement) -> tuple[str | None, str | None]:
    """Lower and upper bound of a requirement, None where there is none."""
    by_sign = {one.operator: one.version for one in needed.specifier}
    return by_sign.get(">="), by_sign.get("<")


if __name__ == "__main__":
    for needed in dependencies():
        print(f"{needed.name}=={bounds(needed)[0]}")
