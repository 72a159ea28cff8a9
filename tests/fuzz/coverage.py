"""Steered by coverage: atheris keeps an input that reaches new code and goes on from it. Optional; nothing else needs atheris.

Started by ``python -m tests.fuzz --engine coverage`` in a process of its own, so that nothing is imported before it is instrumented.
"""

from __future__ import annotations

import importlib
import sys
import time
from pathlib import Path

from tests.fuzz import engine

_MODULES = {
    "reader": ("cycler.readers", "cycler.units"), "columns": ("cycler.readers.columnsfile", "cycler.tomlsource"), "record": ("cycler.proof",),
    "sheet": ("cycler.repair", "cycler.tomlsource"), "criteria": ("cycler.criteria", "cycler.tomlsource"), "cells": ("cycler.matching",), "statement": ("cycler.datasheet",),
}
"""What is instrumented for a target; all of ``cycler`` for others."""


def main(arguments: list[str]) -> int:
    """Fuzz TARGET from the inputs in CORPUS; libFuzzer ends the process itself. Exit code 2 without atheris."""
    name, corpus, executions, minutes, folder = arguments
    try:
        import atheris
    except ImportError:
        print("this engine needs atheris: pip install atheris (Linux, CPython)", file=sys.stderr)
        return 2
    modules = _MODULES.get(name, ("cycler",))
    with atheris.instrument_imports(include=list(modules)):
        for module in modules:
            importlib.import_module(module)

        for path in sorted(Path(corpus).iterdir())[:20]:  # imports what is imported inside functions
            engine.execute(name, path.read_bytes())
    engine.watch_warnings()
    tally = engine.Tally()
    begun = time.monotonic()

    def tell() -> None:
        print(f"{name}: {tally.executions} executions in {time.monotonic() - begun:.0f} s, {tally.read} read, {tally.refused} refused, {sum(tally.failures.values())} failures", flush=True)

    def one(data: bytes) -> None:
        result = engine.execute(name, data)
        tally.executions += 1
        if result is True:
            tally.read += 1
        elif result is False:
            tally.refused += 1
        else:
            kind = engine.kind_of(result)
            tally.failures[kind] = tally.failures.get(kind, 0) + 1
            if tally.failures[kind] <= engine.KEPT_PER_KIND:
                print(f"FAILED {name}: {kind}", flush=True)
                engine.keep(Path(folder), name, tally.executions, data, result)
        if tally.executions % 1000 == 0:
            tell()

    atheris.Setup([sys.argv[0], corpus, f"-runs={executions}", f"-max_total_time={max(1, int(float(minutes) * 60))}", "-max_len=8000", "-verbosity=0"], one)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
