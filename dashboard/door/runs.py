"""One run: its analysis, its curves, what was said of it afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard import text
from dashboard.curvestore import CurveStore, default_folder, key_of
from dashboard.door.base import Kept, Opened
from dashboard.door.items import RunDetail
from dashboard.figures.curves import Columns, Curves, columns_of, named_curves

if TYPE_CHECKING:
    from cycler.incrementaltable import WayCurves
    from cycler.log import Log
    from cycler.register_rows import Run

CURVES_KEPT = 8
"""Logs kept in memory at once: as many as a comparison may show."""

DERIVED_KEPT = 16
"""Curves of charge per volt kept at once: those of a comparison, with two windows."""

RUNS_KEPT = 12
"""Runs whose analysis stays unpacked: it is asked for at every zoom."""


class Runs(Opened):
    """Single runs of the register. A log is read again from its raw bytes or from a copy of its columns; the few last used stay in memory."""

    def __init__(self) -> None:
        super().__init__()
        self._curves = Kept(CURVES_KEPT)
        self._derived = Kept(DERIVED_KEPT)
        self._runs = Kept(RUNS_KEPT)
        self._store = CurveStore(default_folder())

    def _run(self, run_id: int) -> Run:
        """One run with its newest analysis, read anew as soon as anything was added to the register."""
        return self._runs.get((run_id, self._register.chain_head()), lambda: self._register.run(run_id))

    def run(self, run_id: int) -> RunDetail:
        """One run with its analysis, which nobody may change. InputError if there is none of that number."""
        run = self._run(run_id)
        return RunDetail(run.id, run.pack_id, run.label, run.added_at, run.started_at, run.analysis)

    def known_besides(self, run_id: int) -> list[str]:
        """What was said of a run after its test: open dangers of the pack's card, corrections, that it was withdrawn."""
        run = self._run(run_id)
        dangers = [text.CARD_DANGER.format(**item) for item in self._register.open_dangers(run.pack_id)]
        corrections = self._register.corrections(run_id)
        return dangers + [text.COUNTS_NO_MORE] * run.withdrawn + [
            text.CORRECTED[item["kind"]].format(who=item["who"], at=text.date_text(item["at"]), why=item["why"]) for item in corrections
        ]

    def curves(self, run_id: int) -> Curves:
        """Series of a run's log, unless among the last used from the copy of its columns, else from the raw bytes.

        InputError if there is neither a copy nor a log that can be read.
        """
        run = self._run(run_id)
        key = _curves_key(run)
        return self._curves.get(key, lambda: named_curves(self._columns(run, key_of(*key)), _names(run)))

    def curves_at_hand(self, run_id: int) -> Curves | None:
        """The same from memory or a copy of the columns; None if the log would have to be read."""
        run = self._run(run_id)
        key = _curves_key(run)
        if not self._curves.has(key):
            found = self._store.get(key_of(*key))
            return None if found is None else self._curves.get(key, lambda: named_curves(found, _names(run)))
        return self.curves(run_id)

    def keep_curves(self, run_id: int, log: Log) -> None:
        """Keep a copy of the columns of a log that was just read for a run, so that its page need not read it again."""
        run = self._run(run_id)
        self._store.put(key_of(*_curves_key(run)), _drawn_columns(log, run))

    def check_log(self, run_id: int) -> None:
        """InputError if the raw log that the register keeps of a run is damaged: a copy of its columns would hide that."""
        self._register.raw_sources(run_id)

    def _columns(self, run: Run, key: str) -> Columns:
        found = self._store.get(key)
        if found is None:
            found = _drawn_columns(self._register.log(run.id), run)
            self._store.put(key, found)
        return found

    def incremental(self, run_id: int, window_v: float | None = None) -> dict[str, WayCurves]:
        """Curves of charge per volt of a run, with its own window or a given one [V]; none from an earlier version's analysis."""
        from cycler.incrementaltable import incremental_curves

        run = self._run(run_id)  # a corrected run has another analysis
        return self._derived.get((run.analysis_id, window_v), lambda: incremental_curves(self._register.log(run_id), run.analysis, window_v))


def _curves_key(run: Run) -> tuple[tuple[str, ...], str | None, Any]:
    """What the curves of a run depend on: the same log with another curve of its thermistors has other temperatures."""
    return tuple(source.sha256 for source in run.sources), run.columns_text, run.pack.thermistor


def _names(run: Run) -> dict[int, str]:
    return {group["group"]: text.group_name(group).capitalize() for group in run.analysis.get("groups") or ()}


def _drawn_columns(log: Log, run: Run) -> Columns:
    from cycler.temperaturetable import with_temperatures

    return columns_of(with_temperatures(log, run.pack)[0])


def reading_doubts(analysis: dict[str, Any]) -> list[str]:
    """Messages of what speaks against the way a log was read: they put every figure in doubt."""
    from cycler.commands.reading_output import READING_DOUBTS

    warnings = (analysis.get("reading") or {}).get("warnings") or ()
    return [str(item.get("message")) for item in warnings if item.get("code") in READING_DOUBTS]
