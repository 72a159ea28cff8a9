"""Pack logs to capacity, resistance, group sag, verdict and record.

The names below are loaded on first use, so that starting the command stays quick.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.5.1"
__distribution__ = "packreturn"
"""Name of the distribution; tells this package from another one of the same import name."""

_PUBLIC = {
    "InputError": "cycler.errors",
    "Log": "cycler.log",
    "Pack": "cycler.pack",
    "analyze": "cycler.analysis",
    "load_criteria": "cycler.criteria",
    "load_pack": "cycler.pack",
    "read_log": "cycler.readers",
}

__all__ = ["InputError", "Log", "Pack", "__version__", "analyze", "load_criteria", "load_pack", "read_log"]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'cycler' has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_PUBLIC[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_PUBLIC))
