"""The one door to ``cycler`` for the pages, put together from the parts in ``dashboard.door``."""

from __future__ import annotations

from pathlib import Path

from cycler.pack import CHEMISTRIES, Pack
from dashboard.door.adding import (
    PREVIEW_BYTES,
    Adding,
    columns_from_text,
    is_pack_text,
    pack_from_form,
    pack_from_text,
)
from dashboard.door.comparing import COMPARE_MAX, Comparing
from dashboard.door.decisions import RECORD_KINDS, Decisions
from dashboard.door.items import (
    CriteriaItem,
    Criterion,
    KnownColumns,
    Look,
    PackItem,
    RecordItem,
    RunDetail,
    RunItem,
    run_name,
)
from dashboard.door.lists import Lists
from dashboard.door.runs import Runs, reading_doubts

__all__ = [
    "CHEMISTRIES", "COMPARE_MAX", "PREVIEW_BYTES", "RECORD_KINDS", "CriteriaItem", "Criterion", "Door", "KnownColumns", "Look",
    "Pack", "PackItem", "RecordItem", "RunDetail", "RunItem", "columns_from_text", "is_pack_text", "pack_from_form",
    "pack_from_text", "reading_doubts", "run_name",
]


class Door(Lists, Runs, Adding, Decisions, Comparing):
    """What the pages may ask of the program.

    Parameters
    ----------
    register_path : str, Path or None
        File or address of the register; ``None`` is the one in the user's data directory. It is made if there is none.
    key_path : str, Path or None
        File of the key that seals records; ``None`` is the workshop's own. It is made with the first record.

    Raises
    ------
    InputError
        The register cannot be opened.
    """

    def __init__(self, register_path: str | Path | None, key_path: str | Path | None = None) -> None:
        from cycler.register import Register

        super().__init__()
        self._key_path = key_path
        self._register = Register.open(register_path, create=True)

    @property
    def register_name(self) -> str:
        """File or address of the register, without a password."""
        return self._register.name

    def close(self) -> None:
        """Let go of the register."""
        self._register.close()
