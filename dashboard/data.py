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
from dashboard.door.decisions import (
    LABEL_KINDS,
    RECORD_KINDS,
    Decision,
    Decisions,
    KeptVerdict,
    Outcome,
    Standing,
    Wish,
)
from dashboard.door.donors import Donors
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
from dashboard.door.jobbook import JobBook
from dashboard.door.lists import FILTERS, PACK_SORTS, RUN_SORTS, ListQuery, Lists
from dashboard.door.options import Options
from dashboard.door.packs import PackRun, Packs, PackSheet, photo_bytes_max
from dashboard.door.plans import Plans
from dashboard.door.runs import Runs, reading_doubts
from dashboard.door.sheets import Sheets
from dashboard.door.stock import Stock
from dashboard.door.watching import WatchedFolder, Watching

__all__ = [
    "CHEMISTRIES",
    "COMPARE_MAX",
    "FILTERS",
    "LABEL_KINDS",
    "PACK_SORTS",
    "PREVIEW_BYTES",
    "RECORD_KINDS",
    "RUN_SORTS",
    "CriteriaItem",
    "Criterion",
    "Decision",
    "Door",
    "KeptVerdict",
    "KnownColumns",
    "ListQuery",
    "Look",
    "Outcome",
    "Pack",
    "PackItem",
    "PackRun",
    "PackSheet",
    "RecordItem",
    "RunDetail",
    "RunItem",
    "Standing",
    "WatchedFolder",
    "Wish",
    "columns_from_text",
    "is_pack_text",
    "pack_from_form",
    "pack_from_text",
    "photo_bytes_max",
    "reading_doubts",
    "run_name",
]


class Door(Lists, Runs, Adding, Decisions, Comparing, Packs, Watching, JobBook, Sheets, Options, Donors, Plans, Stock):
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
        """Stop watching folders, and let go of the register."""
        self.stop_all_watching()
        self._register.close()
