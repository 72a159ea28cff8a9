"""What was corrected of a run afterwards: another analysis, another label, that it does not count. The rows before stay."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Subquery, func, select

from cycler import chain
from cycler.database import Database, utc_now
from cycler.errors import InputError
from cycler.migrations import SCHEMA
from cycler.pack import Pack
from cycler.register_rows import analysis_values, as_key, check_run, insert_verdict, newest_analysis_id
from cycler.storage import kept_name, kept_text

if TYPE_CHECKING:
    from cycler.criteria import Criteria

ANALYSIS, LABEL, WITHDRAW, REINSTATE = "analysis", "label", "withdraw", "reinstate"

_corrections = SCHEMA.tables["corrections"]
_analyses = SCHEMA.tables["analyses"]
_runs = SCHEMA.tables["runs"]


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """One correction of a run. ``kind`` is analysis, label, withdraw or reinstate; the last two fields go with the first two."""

    id: int
    run_id: int
    kind: str
    who: str
    why: str
    at: str
    analysis_id: int | None = None
    label: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


class Corrections:
    """The corrections in one register."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of_run(self, run_id: int) -> list[CorrectionRow]:
        """Corrections of a run, oldest first. InputError if there is no such run."""
        with self._database.read() as connection:
            rows = connection.execute(
                select(_corrections).where(_corrections.c.run_id == as_key(run_id)).order_by(_corrections.c.id)
            ).all()
            if not rows:
                check_run(connection, run_id, self._database.name)
        return [CorrectionRow(**row._mapping) for row in rows]

    def add_analysis(
        self, run_id: int, analysis: dict[str, Any], pack: Pack, criteria: Criteria | None, who: str, why: str, instead_of: int,
    ) -> int:
        """Keep another analysis of a run, with the verdict in it if there are ``criteria``; returns its number.

        Raises
        ------
        InputError
            No such run, the pack file is of another pack, ``instead_of`` is not the run's newest analysis (another
            correction came first), or nobody or no reason is named.
        """
        who, why = named(who, why)
        name = self._database.name
        with self._database.write() as connection:
            if newest_analysis_id(connection, run_id, name) != instead_of:
                raise corrected_meanwhile(run_id, name)
            first = connection.execute(
                select(_runs.c.pack_id, _analyses.c.columns_text).join(_analyses, _analyses.c.run_id == _runs.c.id)
                .where(_analyses.c.id == instead_of)
            ).one()
            if pack.id != first.pack_id:
                raise InputError(
                    "the pack file is of another pack", f"run {run_id}", f"the run is of {first.pack_id}, the file of {pack.id or 'no pack'}",
                    f"a run stays with its pack; withdraw it (cycler correct {run_id} --withdraw) and add the log to the right one",
                )
            figures = analysis_values(analysis, pack, first.columns_text)
            now = utc_now()
            analysis_id = chain.insert(connection, _analyses, run_id=run_id, made_at=now, **figures)
            if criteria is not None and analysis.get("verdict"):
                insert_verdict(connection, run_id, analysis_id, analysis["verdict"], criteria)
            _insert(connection, run_id, ANALYSIS, who, why, now, analysis_id=analysis_id)
        return analysis_id

    def add_label(self, run_id: int, label: str, who: str, why: str) -> None:
        """Give a run another label. InputError if it has that one, is not there, or nobody or no reason is named."""
        label = kept_name(label, "label")
        who, why = named(who, why)
        with self._database.write() as connection:
            check_run(connection, run_id, self._database.name)
            if label == label_of(connection, run_id):
                raise InputError(
                    f"run {run_id} has this label already", self._database.name, f"it is {label or 'empty'}", "nothing needs to be done",
                )
            _insert(connection, run_id, LABEL, who, why, utc_now(), label=label)

    def set_withdrawn(self, run_id: int, withdrawn: bool, who: str, why: str) -> None:
        """Say that a run counts no more, or does again. InputError if that is so already, or nobody or no reason is named."""
        who, why = named(who, why)
        with self._database.write() as connection:
            check_run(connection, run_id, self._database.name)
            last = last_withdrawal(connection, run_id)
            if (last is not None and last.kind == WITHDRAW) == withdrawn:
                raise InputError(
                    f"run {run_id} is {'withdrawn already' if withdrawn else 'not withdrawn'}", self._database.name,
                    f"{last.who} did so on {last.at}: {last.why}" if last is not None else "it counts as it is", "nothing needs to be done",
                )
            _insert(connection, run_id, WITHDRAW if withdrawn else REINSTATE, who, why, utc_now())


def _insert(connection: Connection, run_id: int, kind: str, who: str, why: str, at: str, **more: Any) -> None:
    chain.insert(connection, _corrections, run_id=run_id, kind=kind, who=who, why=why, at=at, **more)


def named(who: str, why: str) -> tuple[str, str]:
    """Who corrects and why, as they are kept. InputError if either is missing."""
    who, why = kept_name(who, "name of who corrects"), kept_text(why, "reason")
    for text, what, option in ((who, "who corrects it", "--by NAME"), (why, "why it is corrected", "--why TEXT")):
        if not text:
            raise InputError(
                f"it is not said {what}", option.split()[0], "what was kept before stays beside it, and a reader must know",
                f"say it with {option}",
            )
    return who, why


def corrected_meanwhile(run_id: int, name: str) -> InputError:
    """The error for work on an analysis that is not the newest one any more."""
    return InputError(
        f"run {run_id} was corrected meanwhile", name, "there is a newer analysis than the one this was made from", "do it again",
    )


def newest_of_kinds(*kinds: str) -> Subquery:
    """The newest correction of these kinds for each run."""
    return (
        select(_corrections.c.run_id, func.max(_corrections.c.id).label("id"))
        .where(_corrections.c.kind.in_(kinds)).group_by(_corrections.c.run_id).subquery()
    )


def withdrawn_runs() -> Any:
    """Numbers of the runs that are withdrawn, as a query."""
    last = newest_of_kinds(WITHDRAW, REINSTATE)
    return (
        select(_corrections.c.run_id).join(last, last.c.id == _corrections.c.id).where(_corrections.c.kind == WITHDRAW)
    )


def last_withdrawal(connection: Connection, run_id: int) -> CorrectionRow | None:
    """The newest withdrawal or reinstatement of a run."""
    row = connection.execute(
        select(_corrections).where(_corrections.c.run_id == as_key(run_id), _corrections.c.kind.in_((WITHDRAW, REINSTATE)))
        .order_by(_corrections.c.id.desc()).limit(1)
    ).first()
    return CorrectionRow(**row._mapping) if row is not None else None


def check_counts(connection: Connection, run_id: int, name: str) -> None:
    """InputError if a run is withdrawn."""
    last = last_withdrawal(connection, run_id)
    if last is not None and last.kind == WITHDRAW:
        raise InputError(
            f"run {run_id} is withdrawn", name, f"{last.who} withdrew it on {last.at}: {last.why}",
            f"name another run; if this one does count: cycler correct {run_id} --reinstate --by NAME --why TEXT",
        )


def label_of(connection: Connection, run_id: int) -> str:
    """The label of a run as it was last given."""
    last = connection.execute(
        select(_corrections.c.label).where(_corrections.c.run_id == run_id, _corrections.c.kind == LABEL)
        .order_by(_corrections.c.id.desc()).limit(1)
    ).first()
    return last.label if last is not None else connection.execute(select(_runs.c.label).where(_runs.c.id == run_id)).scalar_one()
