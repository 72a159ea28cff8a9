"""Lists of runs and packs."""

from __future__ import annotations

from collections.abc import Sequence

from cycler.register_list import FILTERS, PACK_SORTS, RUN_SORTS, DangerLine, ListQuery
from dashboard.door.base import Opened
from dashboard.door.items import ListPage, PackItem, RunItem, line_item, pack_item, run_item

__all__ = ["FILTERS", "PACK_SORTS", "RUN_SORTS", "ListQuery", "Lists"]


class Lists(Opened):
    """Runs and packs of the register."""

    def list_packs(self, query: ListQuery) -> ListPage:
        """One page of packs, as :class:`PackItem`; searched, filtered and sorted by the database."""
        page = self._register.list_packs(query)
        return ListPage([pack_item(line) for line in page.lines], page.matching, page.every, page.page, page.pages)

    def list_runs(self, query: ListQuery) -> ListPage:
        """One page of runs, as :class:`RunItem`."""
        page = self._register.list_runs(query)
        return ListPage([line_item(line) for line in page.lines], page.matching, page.every, page.page, page.pages)

    def find_packs(self, words: str, limit: int = 20) -> list[PackItem]:
        """Packs in whose number or labels every word stands, those added last first; also those with a card and no run."""
        return self.list_packs(ListQuery(words, rows=limit)).items

    def find_runs(self, words: str, limit: int = 20) -> list[RunItem]:
        """Runs in whose pack, label or number every word stands, the newest first; those withdrawn as well."""
        return self.list_runs(ListQuery(words, rows=limit)).items

    def run_items(self, run_ids: Sequence[int]) -> list[RunItem]:
        """These runs, in this order; those that the register lacks are left out."""
        return [line_item(line) for line in self._register.run_lines(run_ids)]

    def runs_of(self, pack_id: str) -> list[RunItem]:
        """Runs of a pack, newest first; those withdrawn as well."""
        return [line_item(line) for line in self._register.run_lines_of(pack_id)]

    def runs(self, pack_id: str | None = None) -> list[RunItem]:
        """All runs, newest first. Reads every row: for the lists of a page see :meth:`list_runs` and :meth:`find_runs`."""
        return [run_item(row) for row in reversed(self._register.runs(pack_id))]

    def packs(self) -> list[PackItem]:
        """All packs by id, each with its newest run. Reads every row, as :meth:`runs`."""
        newest = {item.id: item for item in self.runs()}
        return [
            PackItem(
                row.id, row.chemistry, row.series, row.parallel, row.rated_capacity_ah, row.runs,
                None if row.last_run_id is None else newest.get(row.last_run_id),
            )
            for row in self._register.packs()
        ]

    def dangers(self, most: int) -> tuple[list[DangerLine], int]:
        """The dangers entered last of those that stand open on cards, at most so many, and the number of packs that have any."""
        return self._register.last_dangers(most)
