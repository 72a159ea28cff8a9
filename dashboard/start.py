"""Start of the console command, from outside the package whose import name another package may have taken."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path
from typing import NoReturn


def main() -> NoReturn:
    """Run ``main`` of ``cycler/__main__.py``, which checks first that the package loaded as cycler is this program's.

    It is loaded by its place and not by its name, since the name is what may be taken.
    """
    # Matrices here are small: threads of the linear algebra that wait for each other cost more than they save. Read when numpy is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    place = Path(__file__).resolve().parent.parent / "cycler" / "__main__.py"
    spec = importlib.util.spec_from_file_location("packreturn_main", place)
    if spec is None or spec.loader is None:
        raise ImportError(f"cannot load {place}")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    raise SystemExit(module.main())
