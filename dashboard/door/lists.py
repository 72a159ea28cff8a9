"""Lists of runs and packs."""

from __future__ import annotations

from dashboard import text
from dashboard.door.base import Opened
from dashboard.door.items import PackItem, RunItem, run_item


class Lists(Opened):
    """Runs and packs of the register."""

    def runs(self, pack_id: str | None = None) -> list[RunItem]:
        """All runs, newest first."""
        return [run_item(row) for row in reversed(self._register.runs(pack_id))]

    def packs(self) -> list[PackItem]:
        """All packs by id, each with its newest run."""
        newest = {item.id: item for item in self.runs()}
        return [
            PackItem(
                row.id, row.chemistry, row.series, row.parallel, row.rated_capacity_ah, row.runs,
                newest.get(row.last_run_id),
            )
            for row in self._register.packs()
        ]

    def open_dangers(self) -> list[str]:
        """A sentence for every danger that stands open on the card of a pack."""
        return [
            text.PACK_DANGER.format(pack=pack_id, **danger)
            for pack_id, dangers in self._register.cards.all_open_dangers().items() for danger in dangers
        ]
