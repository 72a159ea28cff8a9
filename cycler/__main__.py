"""Start of the command, after a check that the package loaded is this one.

A plotting library installs another package under the import name ``cycler``. Where both share one environment,
whichever was installed last owns ``cycler/__init__.py``, and one that lies elsewhere may be found first: the check below
finds that out before anything else does. The console command comes here by way of ``dashboard/start.py``.
"""

from __future__ import annotations

import sys
from typing import NoReturn


def foreign_package(module: object) -> str | None:
    """Why ``module`` is not this program's package, or None if it is."""
    if getattr(module, "__distribution__", None) == "packreturn":
        return None
    place = getattr(module, "__file__", None) or "an unknown place"
    return (
        f"cycler: error: the Python package loaded as cycler is not this program's | why: {place} belongs to another "
        "package of the same import name (matplotlib brings it along) | mend: install packreturn in a virtual environment "
        "of its own, without matplotlib: python3 -m venv .venv && .venv/bin/pip install packreturn"
    )


def main() -> NoReturn:
    """Run the command and leave with its exit code."""
    import cycler

    trouble = foreign_package(cycler)
    if trouble:
        print(trouble, file=sys.stderr)
        sys.exit(2)
    from cycler.cli import run

    sys.exit(run())


if __name__ == "__main__":
    main()
