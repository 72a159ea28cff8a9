"""One run: its analysis, its curves, what was said of it afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard import text
from dashboard.door.base import Kept, Opened
from dashboard.door.items import RunDetail
from dashboard.figures.curves import Curves, curves_of

if TYPE_CHECKING:
    from cycler.incrementaltable import WayCurves

CURVES_KEPT = 8
"""Logs kept in memory at once: as many as a comparison may show."""

DERIVED_KEPT = 16
"""Curves of charge per volt kept at once: those of a comparison, with two windows."""


class Runs(Opened):
    """Single runs of the register. Logs are read again from their raw bytes; the few last used stay in memory."""

    def __init__(self) -> None:
        super().__init__()
        self._curves = Kept(CURVES_KEPT)
        self._derived = Kept(DERIVED_KEPT)

    def run(self, run_id: int) -> RunDetail:
        """One run with its analysis. InputError if there is none of that number."""
        run = self._register.run(run_id)
        return RunDetail(run.id, run.pack_id, run.label, run.added_at, run.started_at, run.analysis)

    def known_besides(self, run_id: int) -> list[str]:
        """What was said of a run after its test: open dangers of the pack's card, corrections, that it was withdrawn."""
        run = self._register.run(run_id)
        dangers = [text.CARD_DANGER.format(**item) for item in self._register.open_dangers(run.pack_id)]
        corrections = self._register.corrections(run_id)
        return dangers + [text.COUNTS_NO_MORE] * run.withdrawn + [
            text.CORRECTED[item["kind"]].format(who=item["who"], at=text.date_text(item["at"]), why=item["why"]) for item in corrections
        ]

    def curves(self, run_id: int) -> Curves:
        """Series of a run's log, read from the raw bytes unless among the last used."""
        from cycler.temperaturetable import with_temperatures

        run = self._register.run(run_id)
        # The same log with another curve of its thermistors has other temperatures.
        key = (tuple(source.sha256 for source in run.sources), run.columns_text, run.pack.thermistor)
        names = {group["group"]: text.group_name(group).capitalize() for group in run.analysis.get("groups") or ()}
        return self._curves.get(key, lambda: curves_of(with_temperatures(self._register.log(run_id), run.pack)[0], names))

    def incremental(self, run_id: int, window_v: float | None = None) -> dict[str, WayCurves]:
        """Curves of charge per volt of a run, with its own window or a given one [V]; none from an earlier version's analysis."""
        from cycler.incrementaltable import incremental_curves

        return self._derived.get(
            (run_id, window_v), lambda: incremental_curves(self._register.log(run_id), self._register.run(run_id).analysis, window_v)
        )


def reading_doubts(analysis: dict[str, Any]) -> list[str]:
    """Messages of what speaks against the way a log was read: they put every figure in doubt."""
    from cycler.commands.reading_output import READING_DOUBTS

    warnings = (analysis.get("reading") or {}).get("warnings") or ()
    return [str(item.get("message")) for item in warnings if item.get("code") in READING_DOUBTS]
