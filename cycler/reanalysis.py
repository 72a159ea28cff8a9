"""A run analysed once more from its raw logs, with what is now known of the pack; the first analysis stays beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from cycler.analysis import analyze
from cycler.errors import InputError
from cycler.register import RATINGS, ratings_alike
from cycler.storage import stored_criteria
from cycler.workflow import before_of, judge

if TYPE_CHECKING:
    from cycler.pack import Pack
    from cycler.register import Register, Run


@dataclass(frozen=True, slots=True)
class Corrected:
    """A corrected run: the analysis before and the one that holds now, each with its verdict.

    ``gone`` are sentences of dangers that the first one found and the second does not; ``contradicting`` other runs of the pack
    that were analysed with other ratings.
    """

    run_id: int
    before: dict[str, Any]
    after: dict[str, Any]
    gone: tuple[str, ...]
    contradicting: tuple[int, ...]


def correct_run(register: Register, run_id: int, pack: Pack, *, who: str, why: str) -> Corrected:
    """Analyse a run again with another pack file, and judge it by the set of its newest verdict, if it was judged.

    Raises
    ------
    InputError
        No such run, the file is of another pack or says nothing new, the log cannot be used with it, nobody or no reason is
        named, or another correction came first.
    """
    from cycler.corrections import named

    register.check_writable()
    named(who, why)  # to be told before the work
    run, latest = register.run(run_id), register.latest_verdict(run_id)
    log = register.log(run_id)
    if pack.id == run.pack_id and pack.to_dict() == run.pack.to_dict():
        from cycler import __distribution__, __version__

        if run.software == f"{__distribution__} {__version__}":
            raise InputError(
                "the pack file says what the register knows already", f"run {run_id}", "the analysis would come out the same",
                "correct the pack file first",
            )
    criteria = before = None
    if latest is not None:
        criteria = replace(stored_criteria(latest.criteria_text, latest.criteria_sha256, register.name), name=latest.criteria_name)
        before = before_of(register, run, (latest.verdict.get("judged_with") or {}).get("before_run"))
    analysis = analyze(log, pack, criteria).to_dict()
    dangers = register.open_dangers(run.pack_id)
    if criteria is not None and (before is not None or dangers):
        analysis["verdict"] = judge(analysis, criteria, before, dangers)
    elif criteria is None:
        analysis["verdict"] = None
    register.correct_analysis(run_id, analysis, pack, criteria, who=who, why=why, instead_of=run.analysis_id)
    old = run.analysis | ({"verdict": latest.verdict} if latest is not None else {})
    gone = _dangers(old) - _dangers(analysis)
    return Corrected(run_id, old, analysis, tuple(sorted(gone)), tuple(_contradicting(register, run, pack)))


def _dangers(analysis: Mapping[str, Any]) -> set[str]:
    return {str(item.get("message")) for item in analysis.get("findings") or [] if item.get("severity") == "danger"}


def _contradicting(register: Register, run: Run, pack: Pack) -> list[int]:
    found = []
    for row in register.runs(run.pack_id):
        if row.id == run.id or row.withdrawn:
            continue
        other = register.run(row.id).pack
        pairs = [(getattr(pack, key), getattr(other, key)) for key in RATINGS]
        if any(None not in pair and not ratings_alike(*pair) for pair in pairs):
            found.append(row.id)
    return found
