"""Runs held against each other."""

from __future__ import annotations

from typing import Any

from dashboard.door.base import Opened
from dashboard.door.items import run_name

COMPARE_MAX = 8


class Comparing(Opened):
    """Comparison of runs."""

    def compare(self, run_ids: list[int], reference: int) -> dict[str, Any]:
        """Table of differences; ``reference`` is the index of the run the others are held against."""
        from cycler.compare import compare

        runs = [self._register.run(run_id) for run_id in run_ids]
        return compare([run.analysis for run in runs], [run_name(run) for run in runs], reference)
