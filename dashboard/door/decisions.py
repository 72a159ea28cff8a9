"""Verdicts and records."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from dashboard.door.base import Opened
from dashboard.door.items import CriteriaItem, Criterion, RecordItem

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.register import Run

RECORD_KINDS = {"pdf": "application/pdf", "html": "text/html", "json": "application/json"}
LABEL_KINDS = {"pdf": "application/pdf", "png": "image/png"}
OWN_SETS_MOST = 20
"""Criteria sets of the workshop's own that are offered at once."""
FILE_BYTES_MAX = 1_000_000
_OWN = "own-"


@dataclass(frozen=True, slots=True)
class KeptVerdict:
    """A verdict in the register: which of its run it is, when it was kept, who decided."""

    number: int
    at: str
    by: str | None
    remark: str | None
    verdict: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Decision:
    """What the page of a verdict shows.

    ``verdict`` by ``criteria`` against the run ``before`` (0: none); ``is_kept`` where the register's newest verdict is this one, else it was
    worked out afresh. ``newest``: the verdict that is kept, if there is one. ``state``: what the register held when this was read, for
    :meth:`Decisions.decide`.
    """

    verdict: dict[str, Any]
    criteria: str
    before: int
    is_kept: bool
    newest: KeptVerdict | None
    state: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be decided, and what the record of it shall be."""

    criteria: str
    before: int = 0
    by: str = ""
    remark: str = ""
    workshop: str = ""
    language: str = "en"
    customer: bool = False
    record: bool = True


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it: ``done`` (with the ``serial`` of the record, if one was made), ``changed`` (nothing was done, since the register holds
    something else now: ``what``), or ``same`` (nothing was done: the record ``serial`` says just that)."""

    kind: str
    serial: str | None = None
    number: int | None = None
    what: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Standing:
    """A record in the list of its run: who decided, by which verdict, whether it still holds, which labels there are."""

    item: RecordItem
    number: int | None
    by: str | None
    newest: bool
    replaced_by: str | None
    why_not: str
    labels: tuple[str, ...]


class Decisions(Opened):
    """Judging runs, keeping verdicts, issuing records."""

    def __init__(self) -> None:
        super().__init__()
        self._own: OrderedDict[str, Criteria] = OrderedDict()
        self._deciding = threading.Lock()

    # --- criteria sets ------------------------------------------------------------------------------------------

    def criteria_sets(self) -> list[CriteriaItem]:
        """Criteria sets that come with the program, the default first."""
        from cycler.criteria import load_criteria, shipped_sets

        sets = [load_criteria(name) for name in shipped_sets()]
        return [CriteriaItem(item.name, item.title, item.about) for item in sets]

    def own_sets(self, run_id: int) -> list[CriteriaItem]:
        """Sets of the workshop's own: those that verdicts were kept with, and those chosen from a file since the program started.

        A set that comes with the program in an earlier form is among them only where it judged this run last.
        """
        from cycler.criteria import load_criteria, shipped_sets
        from cycler.storage import stored_criteria

        shipped = {load_criteria(name).sha256 for name in shipped_sets()}
        latest = self._register.latest_verdict(run_id)
        found = dict(self._own)
        for sha256, text in self._register.kept_sets(OWN_SETS_MOST):
            if sha256 in shipped or _OWN + sha256[:16] in found:
                continue
            kept = stored_criteria(text, sha256, self._register.name)
            if kept.name not in shipped_sets() or (latest is not None and latest.criteria_sha256 == sha256):
                found[_OWN + sha256[:16]] = kept
        return [CriteriaItem(key, item.title, item.about) for key, item in list(found.items())[:OWN_SETS_MOST]]

    def take_set(self, name: str, raw: bytes) -> str:
        """Take a set of the workshop's own from the bytes of its file; returns the name under which it can be chosen.

        Raises
        ------
        InputError
            It is no set of criteria: says the line.
        """
        from cycler.criteria import criteria_from_bytes, load_criteria, shipped_sets

        if len(raw) > FILE_BYTES_MAX:
            raise InputError(
                "the file is too large for a set of criteria", name, f"it has {len(raw) / 1e6:.1f} MB", "choose the .toml file of a set of criteria",
            )
        own = criteria_from_bytes(raw, name)
        same = next((shipped for shipped in shipped_sets() if load_criteria(shipped).sha256 == own.sha256), None)
        if same is not None:
            return same
        key = _OWN + own.sha256[:16]
        self._own[key] = own
        self._own.move_to_end(key, last=False)
        while len(self._own) > OWN_SETS_MOST:
            self._own.popitem()
        return key

    def criteria(self, name: str) -> Criteria:
        """A set of criteria by the name it is chosen with; never a path, since the name comes from the address."""
        from cycler.criteria import load_criteria, shipped_sets
        from cycler.storage import stored_criteria

        if name in shipped_sets():
            return load_criteria(name)
        if name in self._own:
            return self._own[name]
        if name.startswith(_OWN):
            for sha256, text in self._register.kept_sets(most=1000):
                if sha256.startswith(name.removeprefix(_OWN)) and len(name) > len(_OWN):
                    return stored_criteria(text, sha256, self._register.name)
            raise InputError(
                "this set of criteria is not known any more", "address of the page", "no verdict was kept with it, and the program was started anew",
                "choose its file once more",
            )
        raise InputError(
            f"unknown set of criteria {quote(name)}", "address of the page", "it does not come with the program",
            f"choose one of {', '.join(shipped_sets())}",
        )

    def _name_of(self, sha256: str) -> str:
        from cycler.criteria import load_criteria, shipped_sets

        return next((name for name in shipped_sets() if load_criteria(name).sha256 == sha256), _OWN + sha256[:16])

    # --- judging ------------------------------------------------------------------------------------------------

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

    def runs_before(self, run_id: int) -> list[tuple[int, str]]:
        """Other runs of the pack that this one can be held against, newest first: number and name."""
        run = self._register.run(run_id)
        return [(row.id, f"run {row.id}{', ' if row.label else ''}{row.label}") for row in reversed(self._register.runs(run.pack_id)) if row.id != run_id and not row.withdrawn]

    def usual(self, run_id: int) -> tuple[str, int]:
        """Set and run before of the newest kept verdict, or the default set and none."""
        run, latest = self._register.run(run_id), self._register.latest_verdict(run_id)
        name = self.criteria_sets()[0].name if latest is None else self._name_of(latest.criteria_sha256)
        return name, self._before_kept(run, latest)

    def decision(self, run_id: int, criteria_name: str | None = None, before: int | None = None) -> Decision:
        """The verdict by a set, held against an earlier run; without them as the newest kept verdict was made.

        Raises
        ------
        InputError
            No such run or set, or ``before`` cannot be compared with.
        """
        from cycler.workflow import before_of, judge, judged_with

        run = self._register.run(run_id)
        latest = self._register.latest_verdict(run_id)
        dangers = self._register.open_dangers(run.pack_id)
        usual_name, usual_before = self.usual(run_id)
        criteria_name, before = criteria_name or usual_name, usual_before if before is None else before
        criteria = self.criteria(criteria_name)
        earlier = before_of(self._register, run, before or None)
        is_kept = latest is not None and latest.criteria_sha256 == criteria.sha256 and latest.verdict.get("judged_with") == judged_with(earlier, dangers)
        verdict = latest.verdict if latest is not None and is_kept else judge(run.analysis, criteria, earlier, dangers)
        return Decision(verdict, criteria_name, before, is_kept, self._kept(run_id, latest), self._state(run, dangers))

    def _before_kept(self, run: Run, latest: Any) -> int:
        """The run that the newest verdict was held against, 0 where there is none or it counts no more."""
        number = ((latest.verdict.get("judged_with") or {}).get("before_run") or 0) if latest is not None else 0
        return number if number and not self._register.run(number).withdrawn else 0

    def _kept(self, run_id: int, latest: Any) -> KeptVerdict | None:
        if latest is None:
            return None
        number = next(place for place, row in enumerate(self._register.verdicts(run_id), 1) if row.id == latest.id)
        decided = latest.verdict.get("decided") or {}
        return KeptVerdict(number, latest.decided_at, decided.get("by"), decided.get("remark"), latest.verdict)

    def _state(self, run: Run, dangers: list[dict[str, Any]]) -> dict[str, Any]:
        verdicts, records = self._register.verdicts(run.id), self._register.records(run.id)
        return {
            "run": [run.pack_id, *(source.sha256 for source in run.sources)], "withdrawn": bool(run.withdrawn), "analysis": run.analysis_id, "dangers": [item["message"] for item in dangers],
            "verdict": verdicts[-1].id if verdicts else None, "record": records[-1].serial if records else None,
        }

    def deciders(self) -> list[str]:
        """Names of those who decided of late."""
        return self._register.deciders()

    # --- deciding -----------------------------------------------------------------------------------------------

    def decide(self, run_id: int, wish: Wish, state: dict[str, Any] | None, again: bool = False) -> Outcome:
        """Keep a verdict with who decided, and issue its record in the same act, unless the register holds something else than ``state``.

        Nothing is done either where a record of just this verdict exists already, unless ``again``.

        Raises
        ------
        InputError
            The run was withdrawn, the register cannot be written, name or remark are no text.
        """
        from cycler.storage import kept_decision

        kept_decision(wish.by, wish.remark)
        with self._deciding:  # two presses at once are two acts, one after the other: the second sees what the first did
            self._register.refuse_withdrawn(run_id)
            run = self._register.run(run_id)
            now = self._state(run, self._register.open_dangers(run.pack_id))
            if state is not None and now != state:
                changed = tuple(key for key in now if now[key] != state.get(key))
                return Outcome("changed", now["record"] if "record" in changed else None, what=changed)
            from cycler.register_rows import DecidedMeanwhile

            try:
                with self._register.expected.verdict(run_id, now["verdict"]):  # a program of another bench has no part in the lock
                    return self._decide(run_id, wish, again)
            except DecidedMeanwhile:
                then = self._state(run, self._register.open_dangers(run.pack_id))
                changed = tuple(key for key in then if then[key] != now[key])
                return Outcome("changed", then["record"] if "record" in changed else None, what=changed)

    def _decide(self, run_id: int, wish: Wish, again: bool) -> Outcome:
        if wish.record:
            return self._with_record(run_id, wish, again)
        from cycler.workflow import decide_run

        decide_run(self._register, run_id, self.criteria(wish.criteria), wish.before or None, wish.by, wish.remark)
        return Outcome("done", number=len(self._register.verdicts(run_id)))

    def _with_record(self, run_id: int, wish: Wish, again: bool) -> Outcome:
        from cycler.issuing import Wanted, make_record
        from cycler.proof.keys import load_or_make_key

        if not again and (serial := self._same_record(run_id, wish)) is not None:
            return Outcome("same", serial)
        wanted = Wanted(
            self.criteria(wish.criteria), wish.workshop or None, wish.language, wish.before or None, wish.customer, wish.by, wish.remark,
        )
        serial = make_record(self._register, run_id, wanted, load_or_make_key(self._key_path))
        row = next(row for row in self._register.records(run_id) if row.serial == serial)
        number = next(place for place, verdict in enumerate(self._register.verdicts(run_id), 1) if verdict.id == row.verdict_id)
        return Outcome("done", serial, number)

    def _same_record(self, run_id: int, wish: Wish) -> str | None:
        """Serial of a record that says just what is wished for already, None without one."""
        from cycler.issuing import kept_content
        from cycler.storage import kept_decision

        shown, latest = self.decision(run_id, wish.criteria, wish.before), self._register.latest_verdict(run_id)
        if not shown.is_kept or latest is None or latest.verdict.get("decided") != kept_decision(wish.by, wish.remark):
            return None
        for row in reversed(self._register.records(run_id)):
            if row.verdict_id != latest.id or "json" not in row.sha256:
                continue
            content, _sha256 = kept_content(self._register, run_id, row.serial)
            customer = bool((content.get("card") or {}).get("customer_reference"))
            if (content["language"], content.get("workshop") or "", customer) == (wish.language, " ".join(wish.workshop.split()), wish.customer):
                return row.serial
        return None

    # --- records ------------------------------------------------------------------------------------------------

    def standing(self, run_id: int) -> list[Standing]:
        """Records of a run, newest first, each with what became of it since."""
        from cycler.issuing import standing_records

        rows = standing_records(self._register, run_id)
        found = []
        for row in reversed(rows):
            record, verdict = row["record"], row["verdict"]
            kinds = tuple(kind for kind in RECORD_KINDS if kind in record.sha256)
            item = RecordItem(
                record.id, record.serial, record.made_at, verdict.result if verdict is not None else None,
                verdict.criteria_name if verdict is not None else None, kinds,
            )
            by = (verdict.verdict.get("decided") or {}).get("by") if verdict is not None else None
            labels = tuple(LABEL_KINDS) if "json" in kinds and not row["why_not"] else ()
            found.append(Standing(item, row["number"], by, row is rows[-1], row["replaced_by"], row["why_not"], labels))
        return found

    def records(self, run_id: int) -> list[RecordItem]:
        """Records of a run, newest first."""
        return [row.item for row in self.standing(run_id)]

    def record_file(self, record_id: int, kind: str) -> bytes:
        """A record as issued; ``kind`` is a key of :data:`RECORD_KINDS`."""
        return self._register.record_bytes(record_id, kind)

    def label_file(self, run_id: int, serial: str, kind: str) -> bytes:
        """The label of a record; ``kind`` is a key of :data:`LABEL_KINDS`.

        Raises
        ------
        InputError
            There is no such record, or it holds no more and gets no label.
        """
        from cycler.issuing import label_content
        from cycler.record.label import label_pdf, label_png

        content, record_sha256 = label_content(self._register, run_id, serial)
        return (label_pdf if kind == "pdf" else label_png)(content, record_sha256)

    def quantity(self, quantity_id: str) -> Criterion:
        """Label and inner unit of a quantity that a criterion is set on."""
        from cycler.criteria_quantities import QUANTITIES

        found = QUANTITIES.get(quantity_id)
        return Criterion(quantity_id.replace("_", " "), "") if found is None else Criterion(found.label, found.unit)
