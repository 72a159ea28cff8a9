"""Verdicts and records."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from dashboard.door.base import Opened
from dashboard.door.items import CriteriaItem, Criterion, RecordItem

if TYPE_CHECKING:
    from cycler.criteria import Criteria

RECORD_KINDS = {"pdf": "application/pdf", "html": "text/html", "json": "application/json"}


class Decisions(Opened):
    """Judging runs, keeping verdicts, issuing records."""

    def criteria_sets(self) -> list[CriteriaItem]:
        """Criteria sets that come with the program, the default first."""
        from cycler.criteria import load_criteria, shipped_sets

        sets = [load_criteria(name) for name in shipped_sets()]
        return [CriteriaItem(item.name, item.title, item.about) for item in sets]

    def criteria(self, name: str) -> Criteria:
        """A shipped criteria set by name; never a path, since the name comes from the address."""
        from cycler.criteria import load_criteria, shipped_sets

        if name not in shipped_sets():
            raise InputError(
                f"unknown set of criteria {quote(name)}", "address of the page", "it does not come with the program",
                f"choose one of {', '.join(shipped_sets())}",
            )
        return load_criteria(name)

    def judged(self, run_id: int, criteria_name: str | None = None) -> tuple[dict[str, Any], str | None]:
        """Verdict of a run and when it was kept.

        Without ``criteria_name`` the newest kept verdict; with it the verdict by that set, computed afresh and not kept
        (``None`` for when), unless the newest kept one was made by the very same set.
        """
        latest = self._register.latest_verdict(run_id)
        if criteria_name is None:
            if latest is not None:
                return latest.verdict, latest.decided_at
            criteria_name = self.criteria_sets()[0].name
        criteria = self.criteria(criteria_name)
        if latest is not None and latest.criteria_sha256 == criteria.sha256:
            return latest.verdict, latest.decided_at
        from cycler.workflow import look_at_run

        return look_at_run(self._register, run_id, criteria), None

    def keep_verdict(self, run_id: int, criteria_name: str) -> dict[str, Any]:
        """Judge a run and keep the verdict; open dangers of the pack's card count."""
        from cycler.workflow import decide_run

        return decide_run(self._register, run_id, self.criteria(criteria_name))

    def make_record(self, run_id: int, criteria_name: str | None, workshop: str | None = None) -> str:
        """Issue a record of a run, with the workshop's name if there is one; returns its serial."""
        from cycler.issuing import Wanted, make_record
        from cycler.proof.keys import load_or_make_key

        criteria = self.criteria(criteria_name) if criteria_name else None
        return make_record(self._register, run_id, Wanted(criteria, workshop or None), load_or_make_key(self._key_path))

    def records(self, run_id: int) -> list[RecordItem]:
        """Records of a run, newest first."""
        verdicts = {row.id: row for row in self._register.verdicts(run_id)}
        return [
            RecordItem(
                row.id, row.serial, row.made_at,
                verdicts[row.verdict_id].result if row.verdict_id in verdicts else None,
                verdicts[row.verdict_id].criteria_name if row.verdict_id in verdicts else None,
                tuple(kind for kind in RECORD_KINDS if kind in row.sha256),
            )
            for row in reversed(self._register.records(run_id))
        ]

    def record_file(self, record_id: int, kind: str) -> bytes:
        """A record as issued; ``kind`` is a key of :data:`RECORD_KINDS`."""
        return self._register.record_bytes(record_id, kind)

    def quantity(self, quantity_id: str) -> Criterion:
        """Label and inner unit of a quantity that a criterion is set on."""
        from cycler.criteria_quantities import QUANTITIES

        found = QUANTITIES.get(quantity_id)
        return Criterion(quantity_id.replace("_", " "), "") if found is None else Criterion(found.label, found.unit)
