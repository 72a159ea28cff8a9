"""What a test plan is made from, out of the register: ratings of a pack, what a verdict lacks, and the dangers that are open."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from cycler.errors import InputError, quote
from cycler.plan import Wanted, wanted_of

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.pack import Pack
    from cycler.register import Register

TRIAL_LEVELS = frozenset({"precharge"})
"""Levels of a group on the bench sheet after which a charge begins with very little current."""


@dataclass(frozen=True, slots=True)
class PlanBasis:
    """What a plan is made from.

    Attributes
    ----------
    pack : Pack
    criteria : Criteria or None
        The set of the verdict that is to be settled.
    wanted : Wanted or None
        What that verdict lacks.
    dangers : tuple of str
        Open on the card of the pack, or found by the run.
    first_charge : bool
        A group stood so low on the bench sheet that the first charge is a trial, and no run was kept since.
    pack_id, words : str
        Number of the pack, and what the plan is for.
    """

    pack: Pack
    criteria: Criteria | None = None
    wanted: Wanted | None = None
    dangers: tuple[str, ...] = ()
    first_charge: bool = False
    pack_id: str = ""
    words: str = ""


def basis_of_run(register: Register, run_id: int, criteria: Criteria | None = None) -> PlanBasis:
    """What would settle a run: by its newest kept verdict, or by ``criteria``.

    Raises
    ------
    InputError
        No such run, or it was withdrawn; its verdict settled the matter already.
    """
    from cycler.storage import stored_criteria
    from cycler.workflow import before_of, judge

    register.refuse_withdrawn(run_id)
    run = register.run(run_id)
    latest = register.latest_verdict(run_id)
    if latest is None and criteria is None:
        raise InputError(f"run {run_id} has no verdict", register.name, "so nothing says what is lacking", "name a set with --criteria, or judge it: cycler decide " + str(run_id))
    kept = criteria is None or (latest is not None and latest.criteria_sha256 == criteria.sha256)
    if criteria is None:
        criteria = stored_criteria(latest.criteria_text, latest.criteria_sha256, register.name)
    open_dangers = register.open_dangers(run.pack_id)
    if kept and latest is not None:
        verdict = latest.verdict
        against = (verdict.get("judged_with") or {}).get("before_run")
    else:
        against, verdict = None, judge(run.analysis, criteria, None, open_dangers)
    analysis = dict(run.analysis)
    if against and not register.run(against).withdrawn:
        analysis["before"] = before_of(register, run, against)
    name = f"run {run_id}" + (f", {run.label}" if run.label else "")
    found = [str(item.get("message")) for item in run.analysis.get("findings") or () if item.get("severity") == "danger"]
    dangers = (*(str(item["message"]).rstrip(".") for item in open_dangers), *(words.rstrip(".") for words in found))
    wanted = wanted_of(analysis, criteria, verdict, name)
    if not dangers and verdict.get("result") == "pass" and not wanted.lacks:
        raise InputError(f"nothing is left to settle of run {run_id}", register.name, f"its verdict by {criteria.name} is a pass with every criterion measured", "plan a new test with --pack")
    return PlanBasis(run.pack, criteria, wanted, dangers, False, run.pack_id, name)


def basis_of_pack(register: Register, pack_id: str) -> PlanBasis:
    """Ratings of a pack of the register, as its newest run that counts was added with.

    Raises
    ------
    InputError
        The register has no run of this pack, so that no ratings of it are known.
    """
    runs = [row for row in register.runs(pack_id) if not row.withdrawn]
    dangers = tuple(str(item["message"]).rstrip(".") for item in register.open_dangers(pack_id))
    if not runs:
        raise InputError(f"no ratings of pack {quote(pack_id)} are known", register.name, "no run of it was kept", "give its pack file, or type the ratings")
    return PlanBasis(register.run(runs[-1].id).pack, None, None, dangers, False, pack_id, "")


def basis_of_job(register: Register, job_id: int) -> PlanBasis:
    """Ratings for the test of a job: those of its pack's newest run, else those of its newest bench sheet."""
    from cycler.repair.sheet import sheet_from_text

    job = register.jobs.job(job_id)
    words = f"job {job_id}"
    try:
        basis = basis_of_pack(register, job.pack_id)
        pack, dangers, tested = basis.pack, basis.dangers, bool(job.run_ids)
    except InputError:
        if not job.sheets:
            raise
        pack = sheet_from_text(job.sheets[-1].text, f"bench sheet of job {job_id}").pack
        dangers, tested = tuple(str(item["message"]).rstrip(".") for item in register.open_dangers(job.pack_id)), False
    levels = {group.get("level") for group in ((job.sheets[-1].evaluation.get("taps") or {}).get("groups") or ())} if job.sheets else set()
    return PlanBasis(replace(pack, id=pack.id or job.pack_id), None, None, dangers, bool(levels & TRIAL_LEVELS) and not tested, job.pack_id, words)
