"""What the archive of the source and the wheel hold, against what the project tracks.

    .venv/bin/python -m build && .venv/bin/python -m tests.distribution dist

The wheel must hold every tracked file of both packages and nothing else but its own notes, among them the licence; the archive every tracked
file that is not about the tracking itself. ``python -m build`` makes the wheel from the archive, so that this holds for both ways at once.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent
PACKAGES = ("cycler/", "dashboard/")
NOTES = {"METADATA", "WHEEL", "RECORD", "entry_points.txt", "top_level.txt", "licenses/LICENSE"}
"""What the wheel holds besides, below its ``.dist-info``."""
NOT_PACKED = (".ci/", ".git")
"""What guards the project or is about its tracking."""


def tracked() -> set[str]:
    """Files that the project tracks."""
    done = subprocess.run(["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, check=True)
    return {name for name in done.stdout.decode("utf-8").split("\0") if name}


def wheel_lacks(wheel: Path, files: set[str]) -> list[str]:
    """What is wrong with a wheel, a line each."""
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
    notes = {name.partition(".dist-info/")[2] for name in held if ".dist-info/" in name}
    inside = {name for name in held if ".dist-info/" not in name}
    return _difference(wheel.name, inside, {name for name in files if name.startswith(PACKAGES)}) + _difference(wheel.name, notes, NOTES)


def archive_lacks(archive: Path, files: set[str]) -> list[str]:
    """What is wrong with an archive of the source, a line each; it may hold notes that the build adds."""
    with tarfile.open(archive) as packed:
        held = {name.partition("/")[2] for name in packed.getnames() if packed.getmember(name).isfile()}
    expected = {name for name in files if not name.startswith(NOT_PACKED)}
    return _difference(archive.name, held & expected, expected)


def _difference(name: str, held: set[str], expected: set[str]) -> list[str]:
    return [f"{name} lacks {item}" for item in sorted(expected - held)] + [f"{name} holds {item}, which is none of the project's" for item in sorted(held - expected)]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.distribution", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="where python -m build left its two files")
    folder = parser.parse_args().folder
    (wheel,), (archive,) = list(folder.glob("*.whl")), list(folder.glob("*.tar.gz"))
    files = tracked()
    wrong = wheel_lacks(wheel, files) + archive_lacks(archive, files)
    print(*wrong, sep="\n", end="\n" if wrong else "", file=sys.stderr)
    print(f"{wheel.name}: {wheel.stat().st_size / 1e6:.1f} MB, {archive.name}: {archive.stat().st_size / 1e6:.1f} MB; {len(files)} tracked files")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
