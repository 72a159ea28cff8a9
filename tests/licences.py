"""Packages that an installation of this program brings along, each with its version and licence.

    .venv/bin/python -m tests.licences                     # the table of DEVELOPERS.md, for what is installed here
    .venv/bin/python -m tests.licences --extra postgresql  # with an optional part
    .venv/bin/python -m tests.licences --list packages.txt # names and versions, one a line, for a vulnerability audit

It ends with 1 if a package is under a licence that is not looked at yet, or under one that this program could not be handed on with.
"""

from __future__ import annotations

import argparse
import importlib.metadata as metadata
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

DISTRIBUTION = "packreturn"

# SPDX identifiers. Those of the first set ask for their notice to be kept, and it stays in each package's own folder.
PERMISSIVE = {
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSD", "BSL-1.0", "CC0-1.0", "HPND", "ISC", "MIT", "MIT-0", "MIT-CMU", "PSF-2.0", "Python-2.0", "Unlicense",
    "Unicode-3.0", "Zlib", "ZPL-2.1",
}
# Of each file or library by itself: used unchanged and as packages of their own, they ask nothing of this program but to be named.
OF_ITS_OWN_FILES = {"MPL-2.0", "LGPL-3.0-only", "LGPL-3.0-or-later"}

# Trove classifiers and free texts of older packages, as SPDX.
SPDX = {
    "apache": "Apache-2.0", "apache 2": "Apache-2.0", "apache 2.0": "Apache-2.0", "apache license 2.0": "Apache-2.0", "apache license, version 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0", "bsd": "BSD", "bsd license": "BSD", "bsd license (see license.txt for details), copyright (c) 2000-2025, reportlab inc.": "BSD",
    "gnu lesser general public license v3 (lgplv3)": "LGPL-3.0-only", "historical permission notice and disclaimer (hpnd)": "HPND", "isc license (iscl)": "ISC", "mit license": "MIT",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0", "python software foundation license": "PSF-2.0", "the unlicense (unlicense)": "Unlicense",
    "zope public license": "ZPL-2.1", "dual license": "Apache-2.0 OR BSD-3-Clause",
}


@dataclass(frozen=True, slots=True)
class Package:
    """One installed package; ``asked_by`` are those that need it, ``licence`` is an SPDX expression or the text as the package states it."""

    name: str
    version: str
    licence: str
    asked_by: tuple[str, ...]

    @property
    def kinds(self) -> set[str]:
        """Identifiers in the licence; of an "OR" any one may be chosen, so only those of the first choice that is permissive."""
        choices = [set(re.findall(r"[A-Za-z0-9.+-]+", choice)) - {"AND", "WITH"} for choice in re.split(r"\s+OR\s+", self.licence)]
        return next((choice for choice in choices if choice <= PERMISSIVE), choices[0])


def installed(extras: Iterable[str] = ()) -> list[Package]:
    """What the program asks for, and what that asks for in turn, on this machine; by name, without the program itself."""
    asked: dict[str, set[str]] = {}
    todo = [(DISTRIBUTION, frozenset(extras))]
    seen: set[tuple[str, frozenset[str]]] = set()
    while todo:
        name, wanted = todo.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        for line in metadata.requires(name) or ():
            needed = Requirement(line)
            if needed.marker is not None and not any(needed.marker.evaluate({"extra": extra}) for extra in (wanted or {""})):
                continue
            key = canonicalize_name(needed.name)
            asked.setdefault(key, set()).add(name)
            todo.append((key, frozenset(needed.extras)))
    return [
        Package(found.metadata["Name"], found.version, licence_of(found), tuple(sorted(asked[key])))
        for key in sorted(asked) for found in [metadata.distribution(key)]
    ]


def licence_of(package: metadata.Distribution) -> str:
    """SPDX expression of a package: as it states it, else from its classifiers, else from its own words."""
    told = package.metadata.get("License-Expression")
    if told:
        return str(told)
    classes = [line.split(" :: ")[-1] for line in package.metadata.get_all("Classifier") or () if line.startswith("License :: ") and line.count(" :: ") > 1]
    words = [line for line in (package.metadata.get("License") or "").splitlines() if line.strip()][:1]
    for text in (*classes, *words):
        known = SPDX.get(text.strip().lower(), text.strip() if text.strip() in PERMISSIVE | OF_ITS_OWN_FILES else None)
        if known is not None:
            return known
    return "; ".join((*classes, *words)) or "not stated"


def not_allowed(packages: Iterable[Package]) -> list[str]:
    """What is under a licence that is in neither set, one line each."""
    return [
        f"{package.name} {package.version}: {package.licence}" for package in packages if not package.kinds or not package.kinds <= PERMISSIVE | OF_ITS_OWN_FILES
    ]


def table(packages: Iterable[Package]) -> str:
    """As it stands in DEVELOPERS.md."""
    lines = ["| package | version | licence | asked for by |", "|---|---|---|---|"]
    lines += [
        f"| {package.name} | {package.version} | {package.licence} | {', '.join('this program' if name == DISTRIBUTION else name for name in package.asked_by)} |"
        for package in packages
    ]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.licences", description=__doc__.splitlines()[0])
    parser.add_argument("--extra", action="append", default=[], help="an optional part of the program as well")
    parser.add_argument("--list", metavar="FILE", help="write names and versions as a file of requirements instead of the table")
    asked = parser.parse_args()
    packages = installed(asked.extra)
    if asked.list:
        with open(asked.list, "w", encoding="utf-8") as stream:
            stream.writelines(f"{package.name}=={package.version}\n" for package in packages)
    else:
        print(table(packages))
    wrong = not_allowed(packages)
    print(*(f"not looked at: {line}" for line in wrong), sep="\n", file=sys.stderr, end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
