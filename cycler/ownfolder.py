"""Where the register lies if nobody names one. Apart from the database, whose libraries take longer to load than most commands to run."""

from __future__ import annotations

from pathlib import Path

FILE_NAME = "register.sqlite"


def default_path() -> Path:
    """The register in the user's data directory (which need not exist yet)."""
    from platformdirs import user_data_path

    return user_data_path("packreturn", appauthor=False) / FILE_NAME
