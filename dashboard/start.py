"""Start of the console command, from outside the package whose import name another package may have taken."""

from __future__ import annotations

import sys
from typing import NoReturn


def main() -> NoReturn:
    """Run ``cycler.__main__.main``; if the package loaded as cycler is not this program's, say so and leave with 2."""
    try:
        from cycler.__main__ import main as run
    except ImportError as error:
        import cycler

        if getattr(cycler, "__distribution__", None) == "packreturn":
            raise
        print(
            f"cycler: error: the Python package loaded as cycler is not this program's | why: {cycler.__file__} belongs to "
            f"another package of the same import name, which matplotlib brings along ({error}) | mend: install packreturn in "
            "a virtual environment of its own, without matplotlib",
            file=sys.stderr,
        )
        sys.exit(2)
    run()
