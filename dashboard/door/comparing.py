"""Runs held against each other: which runs are meant, their table of differences, their curves ready to draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError
from dashboard.door.base import Opened
from dashboard.door.items import RunItem, run_name
from dashboard.figures.overlay import Laid, View, laid

if TYPE_CHECKING:
    from dashboard.door.items import PackItem, RunDetail
    from dashboard.figures.curves import Curves

COMPARE_MAX = 8
FOUND_MOST = 12
"""Runs, and packs, that a search for the comparison offers at most."""


@dataclass(frozen=True, slots=True)
class Picked:
    """One choice for the comparison: a run, or the newest run that counts of ``pack`` (``item`` is ``None`` where there is none)."""

    run: int | None
    pack: str | None
    item: RunItem | None


def tested_at(item: RunItem) -> tuple[datetime, int]:
    """When a run was tested, as far as its log tells, for putting runs of a pack in order."""
    when = datetime.fromisoformat(item.started_at or item.added_at)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when, item.id


class Comparing(Opened):
    """Comparison of runs."""

    run: Callable[[int], RunDetail]
    curves: Callable[[int], Curves]
    run_items: Callable[[Sequence[int]], list[RunItem]]
    runs_of: Callable[[str], list[RunItem]]
    find_runs: Callable[..., list[RunItem]]
    find_packs: Callable[..., list[PackItem]]

    def compare(self, run_ids: list[int], reference: int) -> dict[str, Any]:
        """Table of differences; ``reference`` is the index of the run the others are held against."""
        from cycler.compare import compare

        runs = [self.run(run_id) for run_id in run_ids]
        return compare([run.analysis for run in runs], [run_name(run) for run in runs], reference)

    def counting(self, pack_id: str) -> list[RunItem]:
        """Runs of a pack that were not withdrawn, by the date of the test, the oldest first."""
        try:
            return sorted((item for item in self.runs_of(pack_id) if not item.withdrawn), key=tested_at)
        except InputError:  # no name that a pack could have
            return []

    def picked(self, picks: Sequence[tuple[str, str]]) -> list[Picked]:
        """What is meant by choices ("run", number) and ("pack", number of the pack), in their order."""
        numbers = [int(value) for kind, value in picks if kind == "run"]
        items = {item.id: item for item in self.run_items(numbers)}
        found = []
        for kind, value in picks:
            if kind == "run":
                found.append(Picked(int(value), None, items.get(int(value))))
            else:
                counting = self.counting(value)
                newest = counting[-1] if counting else None
                found.append(Picked(newest.id if newest else None, value, newest))
        return found

    def offered(self, words: str) -> tuple[list[PackItem], list[RunItem]]:
        """Packs with a run that counts, and runs, that a search finds; the last added for no words."""
        packs = [item for item in self.find_packs(words, FOUND_MOST) if item.newest is not None]
        return packs, self.find_runs(words, FOUND_MOST)

    def laid(self, run_ids: Sequence[int], view: View) -> list[Laid]:
        """The chosen runs ready to draw; one whose log cannot be read again says so."""
        found = []
        for order, run_id in enumerate(run_ids):
            run = self.run(run_id)
            try:
                curves, missing = self.curves(run_id), ""
            except InputError as error:
                curves, missing = None, error.what
            found.append(laid(order, run_name(run), curves, run.analysis, view, missing))
        return found
