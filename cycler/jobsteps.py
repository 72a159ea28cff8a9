"""Where a job stands and what comes next: sheet, cause, decision, work, test, verdict, record, closed.

A test speaks for the pack as it is only if it came after the work. A run that was hung on the job later counts if its log is not dated
before the day of the work; one that hung there before the work was written counts if its log is of a later day. The day of the work is
what the entry says (``done_on``), or the day it was written, by the clock of this computer. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.jobbook import CLOSED, DECISION, ENDINGS, OPTIONS, RUN, Job, JobEntry, JobLine, KeptSheet
from cycler.repair.cautions import QUARANTINE, TRANSPORT_DAMAGED, caution_list
from cycler.repair.option_vetoes import NOT_MEASURED, SCRAP, ends_all, vetoes
from cycler.repair.remarks import listed

if TYPE_CHECKING:
    from cycler.register import Register

SCHEMA = "cycler.job/1"
CAUSE_CLEAR = 0.8
"""Probability from which the first cause is taken for the cause. Our own choice, common practice, no source. [-]"""

STEPS = {
    "sheet": "Bench sheet", "cause": "Cause", "decision": "Decision", "work": "Work", "test": "Test after the work", "verdict": "Verdict",
    "record": "Record", "closed": "Handed over and closed",
}
DONE, NEXT, OPEN, NOT_NEEDED, BLOCKED = "done", "next", "open", "not_needed", "blocked"


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What the steps need to know of a run that hangs on a job.

    ``verdict`` is the newest on its newest analysis, as it was made; ``record`` the serial of the newest record, ``record_lapsed`` why that
    holds no more ("" where it does); ``danger`` the message of a finding of danger in its analysis.
    """

    id: int
    label: str = ""
    added_at: str = ""
    started_at: str | None = None
    withdrawn: bool = False
    verdict: Mapping[str, Any] | None = None
    record: str | None = None
    record_lapsed: str = ""
    danger: str = ""

    @property
    def name(self) -> str:
        """"Run 3, after repair"."""
        return f"Run {self.id}" + (f", {self.label}" if self.label else "")


@dataclass(frozen=True, slots=True)
class Facts:
    """What the steps of a job are worked out from. ``dangers`` are those open on the pack's card (id, message, who, at)."""

    job: Job
    runs: tuple[RunFacts, ...] = ()
    dangers: tuple[Mapping[str, Any], ...] = ()
    draft: bool = False


def standing(register: Register, job_id: int) -> dict[str, Any]:
    """Where a job stands.

    Returns
    -------
    dict
        ``schema``, ``id``, ``pack_id``, ``words``, ``opened_at``, ``opened_by``, ``state`` (open, closed), ``next`` (words, link_kind, id),
        ``steps`` (code, title, state: done, next, open, not_needed or blocked, words, at, links: kind, id, words), ``sheets`` (id, sha256,
        who, at, cause, probability, remarks by severity), ``entries``, ``runs``, ``dangers`` (message, who, at, entry of the card, run),
        ``cautions`` (code, words; after a decision to scrap or harvest).

    Raises
    ------
    InputError
        No such job, or the register is damaged.
    """
    facts, rows = _facts(register, job_id)
    job, steps = facts.job, steps_of(facts)
    return {
        "schema": SCHEMA, "id": job.id, "pack_id": job.pack_id, "words": job.words, "opened_at": job.opened_at, "opened_by": job.opened_by,
        "state": "closed" if job.closed else "open", "next": next_of(steps), "steps": steps,
        "sheets": [_sheet_line(sheet) for sheet in job.sheets], "entries": [asdict(item) for item in job.entries],
        "runs": [_run_line(register, rows[run.id], run) for run in facts.runs], "dangers": _dangers(facts), "cautions": ending_cautions(job),
    }


def job_lines(register: Register, open_only: bool = False, pack_id: str | None = None) -> list[JobLine]:
    """Jobs as :meth:`cycler.jobbook.JobBook.jobs` lists them, the open ones with the words of what comes next."""
    return [
        replace(line, next_words=next_words(register, line.id)) if line.state == "open" else line
        for line in register.jobs.jobs(open_only, pack_id)
    ]


def next_words(register: Register, job_id: int) -> str:
    """What comes next on a job, in words; empty for one that is closed."""
    facts = _facts(register, job_id)[0]
    return "" if facts.job.closed else next_of(steps_of(facts))["words"]


def kept_sheet(register: Register, job_id: int, sheet_id: int) -> KeptSheet:
    """One bench sheet of a job. InputError if the job has none of this number."""
    sheets = {sheet.id: sheet for sheet in register.jobs.job(job_id).sheets}
    if sheet_id not in sheets:
        raise InputError(
            f"job {job_id} has no bench sheet {quote(sheet_id)[1:-1]}", register.name,
            f"its sheets are {', '.join(map(str, sheets))}" if sheets else "none was kept yet", f"see them with: cycler job {job_id}",
        )
    return sheets[sheet_id]


def keep_sheet_text(register: Register, job_id: int, text: str, name: str, *, who: str) -> int:
    """Read a bench sheet, work out what it says, and keep both; returns the number of the sheet.

    Raises
    ------
    InputError
        The sheet cannot be read (file, line, key), or cannot be kept: see :meth:`cycler.jobbook.JobBook.keep_sheet`. Nothing is written then.
    """
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.sheet import sheet_from_text

    return register.jobs.keep_sheet(job_id, text, evaluate_sheet(sheet_from_text(text, name)), who=who)


def sheet_form(register: Register, job_id: int) -> dict[str, str]:
    """The bench sheet's form to go on with: as typed, else the newest kept sheet, else the pack's ratings as its newest run knows them."""
    from cycler.pack import Pack
    from cycler.repair.form import form_from_sheet
    from cycler.repair.sheet import BenchSheet, sheet_from_text

    draft = register.jobs.draft(job_id)
    if draft is not None:
        return draft
    job = register.jobs.job(job_id)
    if job.sheets:
        return form_from_sheet(sheet_from_text(job.sheets[-1].text, f"bench sheet {job.sheets[-1].id}"))
    runs = [row.id for row in register.runs(job.pack_id) if not row.withdrawn]
    pack = register.run(runs[-1]).pack if runs else Pack(id=job.pack_id)
    return form_from_sheet(BenchSheet(pack=pack, complaint=job.words))


def check_decision(job: Job, option: str, evaluation: Mapping[str, Any] | None = None, cause: str | None = None) -> None:
    """InputError if the newest bench sheet of the job bars what is decided or names no such cause, or that of ``evaluation``, which is about to be kept;
    scrap is always open."""
    newest = evaluation if evaluation is not None else job.sheets[-1].evaluation if job.sheets else None
    barring = [veto for veto in vetoes(newest) if option in veto.bars] if newest is not None and option != SCRAP else []
    if barring:
        raise InputError(
            f"{option} is barred", f"job {job.id}", " ".join(veto.words for veto in barring),
            "choose what is not barred (cycler options), scrap always is open; or keep a new bench sheet once what bars it is gone",
        )
    codes = list(dict.fromkeys(item["code"] for kind in ("causes", "ruled_out") for item in (newest or {}).get(kind) or ()))
    if cause is not None and codes and cause not in codes:
        near = get_close_matches(cause, codes, 1)
        raise InputError(
            f"no cause {quote(cause)}", f"job {job.id}", f"its bench sheet weighs {', '.join(codes)}", f"did you mean {near[0]}?" if near else "name one of these",
        )


# --- the steps ---------------------------------------------------------------------------------------------------


def steps_of(facts: Facts) -> list[dict[str, Any]]:
    """The steps of a job in their order. Pure: no register is asked."""
    known = _Known(facts)
    made = [step(known) for step in (_sheet, _cause, _decision, _work, _test, _verdict, _record, _closed)]
    if facts.job.closed:  # what was left out stays to be seen, and nobody is asked to do it
        made = [step | {"state": OPEN} if step["state"] in (NEXT, BLOCKED) else step for step in made]
    return made


def next_of(steps: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What comes next: words, and where to go for it (link_kind, id)."""
    step = next((item for item in steps if item["state"] in (NEXT, BLOCKED)), None)
    if step is None:
        return {"words": "Nothing: the job is closed.", "link_kind": None, "id": None}
    link = step["links"][0] if step["links"] else {"kind": None, "id": None}
    return {"words": step["words"], "link_kind": link["kind"], "id": link["id"]}


class _Known:
    """What several steps ask of a job."""

    def __init__(self, facts: Facts) -> None:
        self.job, self.dangers, self.draft = facts.job, facts.dangers, facts.draft
        self.evaluation: Mapping[str, Any] = facts.job.sheets[-1].evaluation if facts.job.sheets else {}
        barring = vetoes(self.evaluation) if facts.dangers and facts.job.sheets else []
        self.given_up_by = next((veto.words for veto in barring if veto.code != NOT_MEASURED), "") if ends_all(barring) else ""
        unknown = [row["group"] for row in (self.evaluation.get("taps") or {}).get("groups") or [] if row.get("voltage_v") is None]
        several = len(unknown) > 1
        self.unknown_groups = f"{listed(unknown).capitalize()} {'are' if several else 'is'} not known: measure {'each' if several else 'it'} at its own cells first. " if unknown else ""
        if facts.job.sheets and not unknown and not (self.evaluation.get("pack") or {}).get("chemistry"):
            self.unknown_groups = "The chemistry is not stated on the bench sheet: state it first. "
        self.hung = {item.run_id: item.id for item in facts.job.entries if item.kind == RUN}
        decisions = [item for item in facts.job.entries if item.kind == DECISION]
        self.decision: JobEntry | None = decisions[-1] if decisions else None
        self.option = str((self.decision.data or {}).get("option")) if self.decision else ""
        self.ending = self.option in ENDINGS
        self.work = self._work_since(decisions)
        self.runs = facts.runs
        tests = [run for run in facts.runs if not run.withdrawn and self.work and is_after(run, self.hung.get(run.id, 0), self.work)]
        self.test = _newest(tests)
        self.speaking = self.test if self.work else _newest([run for run in facts.runs if not run.withdrawn])  # for the pack as it is
        self.verdict = self.test.verdict if self.test else None
        judged = ((self.verdict or {}).get("judged_with") or {}).get("dangers")
        self.judged_in_danger = bool(judged) and not facts.dangers
        self.failed = bool(self.verdict) and self.verdict["result"] == "fail" and not facts.dangers and not self.judged_in_danger

    def _work_since(self, decisions: Sequence[JobEntry]) -> JobEntry | None:
        """The last work, if it belongs to the newest decision: work that was tested before that decision was another one's."""
        work = next((item for item in reversed(self.job.entries) if item.kind == "work"), None)
        if work is None or len(decisions) < 2 or work.id > decisions[-1].id:
            return work
        tested = any(work.id < number < decisions[-1].id for number in self.hung.values())
        return None if tested else work


def is_after(run: RunFacts, hung: int, work: JobEntry) -> bool:
    """Whether a run is a test of the pack as it is since ``work``; ``hung`` is the entry by which it hangs on the job."""
    done_on = (work.data or {}).get("done_on")
    work_day = date.fromisoformat(done_on) if done_on else _when(work.at).date()
    if run.started_at is None:
        return hung > work.id
    day = _when(run.started_at).date()
    return day >= work_day if hung > work.id else day > work_day


def _newest(runs: Sequence[RunFacts]) -> RunFacts | None:
    return max(runs, key=lambda run: (_when(run.started_at or run.added_at), run.id), default=None)


def _when(stamp: str) -> datetime:
    """A time as the clock on the wall shows it; what states no offset is taken to be that already."""
    moment = datetime.fromisoformat(stamp)
    return moment.astimezone().replace(tzinfo=None) if moment.tzinfo is not None else moment


def _step(code: str, state: str, words: str, at: str | None = None, *links: tuple[str, Any, str]) -> dict[str, Any]:
    return {
        "code": code, "title": STEPS[code], "state": state, "words": words, "at": at,
        "links": [{"kind": kind, "id": number, "words": said} for kind, number, said in links],
    }


def _sheet(known: _Known) -> dict[str, Any]:
    link = ("sheet", None, "Bench sheet")
    if known.job.sheets:
        kept = known.job.sheets[-1]
        more = " Another one is half filled." if known.draft else ""
        return _step("sheet", DONE, f"Kept by {kept.who}.{more}", kept.at, link)
    if known.decision or known.work:
        return _step("sheet", OPEN, "No bench sheet was kept.", None, link)
    if known.draft:
        return _step("sheet", NEXT, "The bench sheet is half filled: go on with it, and keep it.", None, link)
    return _step("sheet", NEXT, "Fill in the bench sheet before anything is done to the pack: look, smell, voltages, taps, probes.", None, link)


def _cause(known: _Known) -> dict[str, Any]:
    link = ("sheet", None, "Bench sheet")
    causes = known.evaluation.get("causes") or []
    first = causes[0] if causes else None
    stated = (known.decision.data or {}).get("cause") if known.decision else None
    if known.decision:
        named = next((item for item in causes if stated in (item.get("code"), item.get("title"))), None)
        if named or stated:
            return _step("cause", DONE, f"Taken for the cause: {cause_text(named) if named else stated}.", known.decision.at, link)
        if first:
            return _step("cause", DONE, f"By the bench sheet most likely: {cause_text(first)}.", known.job.sheets[-1].at, link)
        return _step("cause", OPEN, "No cause was named.", None, link)
    if not known.job.sheets:
        return _step("cause", OPEN, "The bench sheet says what it can be.", None, link)
    at = known.job.sheets[-1].at
    if known.given_up_by:
        return _step("cause", NOT_NEEDED, "Whatever it is, the pack is not repaired.", at, link)
    if first and _clear(causes):
        return _step("cause", DONE, f"Most likely: {cause_text(first)}.", at, link)
    ahead = known.evaluation.get("next") or []
    measure = f" Measure next: {_ended(ahead[0].get('words'))}" if ahead else " Look at what the sheet lacks."
    left = f"Not clear yet: {'; or: '.join(cause_text(item) for item in causes[:3])}." if first else "The bench sheet does not point to a cause yet."
    return _step("cause", NEXT, left + measure, at, link, ("options", None, "Decide as it is"))


def _decision(known: _Known) -> dict[str, Any]:
    links = (("options", None, "Options, costs and what bars them"),)
    if known.failed:
        return _step("decision", NEXT, f"The test after the work: {_verdict_words(known.verdict or {})} Decide again what becomes of the pack.", None, *links)
    if known.decision:
        title = (known.decision.data or {}).get("title") or OPTIONS[known.option]
        why = _bare(known.decision.text)
        return _step("decision", DONE, f"{title}." if why == title else f"{title}: {why}.", known.decision.at, *links)
    if known.given_up_by:
        return _step("decision", NEXT, f"Only scrap is left. {known.given_up_by} Set it apart now, then write the decision.", None, *links)
    if known.work:
        return _step("decision", NEXT, "Work is written down, but not what was decided and why.", None, *links)
    if known.job.sheets and _clear(known.evaluation.get("causes") or []):
        return _step("decision", NEXT, f"{known.unknown_groups}Decide: repair, take cells out for other work, or scrap.", None, *links)
    return _step("decision", OPEN, "Repair, cells for other work, or scrap.", None, *links)


def _work(known: _Known) -> dict[str, Any]:
    link = ("write", None, "Write down work and parts")
    if known.ending:
        return _step("work", NOT_NEEDED, "The pack is given up: it goes into quarantine, marked so that nobody charges it.")
    if known.work:
        return _step("work", DONE, f"{_bare(known.work.text)}. {known.work.who}.", known.work.at, link)
    if known.decision and not known.failed:
        donor = known.option == "repair_board" and not any(item.kind == "donor_check" for item in known.job.entries)
        before = " First compare the donor board's plug with the pack's, pin by pin." if donor else ""
        if known.given_up_by:
            return _step("work", BLOCKED, f"Do not begin: {known.given_up_by} Decide again: scrap.", None, ("options", None, "Options, costs and what bars them"))
        danger = " Mind the danger that is open on its card." if known.dangers else ""
        words = f"Do the work, then write down what was done and which parts were fitted.{before}{danger}"
        return _step("work", NEXT, words, None, link, *((("donor", None, "Check the donor board"),) if donor else ()))
    return _step("work", OPEN, "Comes after the decision.", None, link)


def _test(known: _Known) -> dict[str, Any]:
    if known.ending:
        return _step("test", NOT_NEEDED, "Do not charge or test it any more; look at voltage and temperature while it stands apart.")
    links = (("plan", None, "Test plan for what is at hand"), ("add", None, "Add the log"))
    if known.test:
        undated = "" if known.test.started_at else " Its log states no date: that it was made after the work rests on when it was added."
        return _step("test", DONE, f"{known.test.name}.{undated}", known.test.added_at, ("run", known.test.id, f"Run {known.test.id}"))
    earlier = _earlier(known)
    if not known.work or not known.decision:
        return _step("test", OPEN, f"Comes after {'the work' if known.decision or not known.work else 'the decision'}.{earlier}")
    if known.dangers:
        words = f"Do not charge or test it while a danger is open on its card. {_closing_words(known)}{earlier}"
        return _step("test", BLOCKED, words, None, _card_link(known))
    return _step("test", NEXT, f"Charge it full, let it rest and discharge it with the log running; then add the log.{earlier}", None, *links)


def _earlier(known: _Known) -> str:
    """What the runs are that hang on the job and do not count."""
    drawn = [run for run in known.runs if run.withdrawn]
    before = [run for run in known.runs if not run.withdrawn]
    said = ""
    if before:
        one = len(before) == 1
        said += (
            f" {'Run' if one else 'Runs'} {_listed(before)} {'is' if one else 'are'} from before the work and "
            f"{'does' if one else 'do'} not count for the pack as it is now."
            if known.work else f" {'Run' if one else 'Runs'} {_listed(before)} {'shows' if one else 'show'} the pack as it was before."
        )
        if known.work and not (known.work.data or {}).get("done_on") and any(known.hung.get(run.id, 0) > known.work.id for run in before):
            said += " If the work was done earlier than it was written, write the day."
    if drawn:
        said += f" {'Run' if len(drawn) == 1 else 'Runs'} {_listed(drawn)} {'was' if len(drawn) == 1 else 'were'} withdrawn."
    return said


def _listed(runs: Sequence[RunFacts]) -> str:
    return ", ".join(str(run.id) for run in runs)


def _verdict(known: _Known) -> dict[str, Any]:
    if known.ending:
        return _step("verdict", NOT_NEEDED, "A pack that is given up is not judged.")
    if not known.test:
        return _step("verdict", OPEN, "Comes after the test.")
    link = ("verdict", known.test.id, f"Judge run {known.test.id}")
    if known.dangers:
        words = f"Every verdict is a fail while a danger is open on the card. {_closing_words(known)}"
        return _step("verdict", BLOCKED, words, None, _card_link(known), link)
    if not known.verdict:
        return _step("verdict", NEXT, f"Judge run {known.test.id} by the criteria that the pack has to meet.", None, link)
    if known.judged_in_danger:
        return _step("verdict", NEXT, f"Run {known.test.id} was judged while a danger was open, which is closed now: judge it again.", None, link)
    said = _verdict_words(known.verdict)
    if known.verdict["result"] == "not_proven":
        settle = [str(item.get("sentence") if isinstance(item, Mapping) else item) for item in known.verdict.get("to_settle") or ()]
        how = f" What would settle it: {_bare(settle[0])}." if settle else ""
        return _step("verdict", NEXT, said + how, None, ("plan", known.test.id, "Test plan that settles it"), link, ("add", None, "Add the log"))
    return _step("verdict", DONE, said, known.verdict.get("decided_at"), link)


def _verdict_words(verdict: Mapping[str, Any]) -> str:
    """Summary of a verdict, which begins with its result, and the set of criteria."""
    by = f", by {verdict['criteria_name']}" if verdict.get("criteria_name") else ""
    return f"{_capital(_bare(verdict.get('summary') or str(verdict.get('result')).replace('_', ' ')))}{by}."


def _record(known: _Known) -> dict[str, Any]:
    if known.ending:
        return _step("record", NOT_NEEDED, "No record is issued of a pack that is given up.")
    verdict, test = known.verdict, known.test
    if not test or not verdict or known.dangers or known.judged_in_danger:
        return _step("record", OPEN, "Comes after the verdict.")
    link = ("record", test.id, f"Record of run {test.id}")
    if test.record and not test.record_lapsed:
        return _step("record", DONE, f"Record {test.record}.", None, link)
    if verdict["result"] != "pass":
        return _step("record", OPEN, "Comes with a pass; a record of this verdict can be issued too.", None, link)
    if test.record:
        return _step("record", NEXT, f"Record {test.record} holds no more: {test.record_lapsed}. Issue a new one.", None, link)
    return _step("record", NEXT, f"Issue the record of run {test.id}.", None, link)


def _closed(known: _Known) -> dict[str, Any]:
    link = ("close", None, "Close the job")
    if known.job.closed:
        last = next(item for item in reversed(known.job.entries) if item.kind == CLOSED)
        return _step("closed", DONE, f"Closed by {last.who}." + (f" {_bare(last.text)}." if last.text else ""), last.at)
    if known.ending:
        cells = "the pack and every cell out of it" if known.option == "harvest" else "the pack"
        words = f"Keep {cells} in quarantine until the waste carrier takes it as the rules ask; write where it stands, then close the job."
        return _step("closed", NEXT, words, None, link, ("write", None, "Write where it stands"))
    passed = bool(known.verdict) and known.verdict["result"] == "pass" and not known.dangers and not known.judged_in_danger
    if passed and known.test.record and not known.test.record_lapsed:
        return _step("closed", NEXT, "Hand the pack over with its record, then close the job.", None, link)
    return _step("closed", OPEN, "Comes last.", None, link)


# --- words and parts ---------------------------------------------------------------------------------------------


def _clear(causes: Sequence[Mapping[str, Any]]) -> bool:
    return bool(causes) and float(causes[0].get("probability") or 0.0) >= CAUSE_CLEAR


def cause_text(cause: Mapping[str, Any]) -> str:
    """A cause with its probability in whole percent: "Group 4 dead (92 %)"."""
    title = _capital(_bare(cause.get("title") or cause.get("code")))
    share = cause.get("probability")
    return title if share is None else f"{title} ({share_text(float(share))})"


def share_text(share: float) -> str:
    """"92 %"; what would round to nothing or to certainty is bounded."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _bare(words: Any) -> str:
    """Words on one line without their full stop."""
    return " ".join(str(words or "").split()).rstrip(".")


def _ended(words: Any) -> str:
    """Words on one line that end as a sentence does, a question with its own mark."""
    bare = _bare(words)
    return bare if bare.endswith(("?", "!")) else f"{bare}."


def _closing_words(known: _Known) -> str:
    """Who ends an open danger, and where; what the danger is stands beside the steps."""
    numbers = [str(item["id"]) for item in known.dangers]
    entries = f"entry {numbers[0]}" if len(numbers) == 1 else f"entries {', '.join(numbers[:-1])} and {numbers[-1]}"
    return f"Whoever has dealt with {'it' if len(numbers) == 1 else 'them'} closes {entries} there and says why."


def _card_link(known: _Known) -> tuple[str, Any, str]:
    return ("card", known.dangers[0]["id"], "Close the danger on the card")


def ending_cautions(job: Job) -> list[dict[str, str]]:
    """What must be said of a pack that is given up: quarantine and transport; nothing of others."""
    last = next((item for item in reversed(job.entries) if item.kind == DECISION), None)
    if last is None or (last.data or {}).get("option") not in ENDINGS:
        return []
    return caution_list((QUARANTINE, TRANSPORT_DAMAGED))


def _dangers(facts: Facts) -> list[dict[str, Any]]:
    """Open dangers of the card, and those that the run found which speaks for the pack as it is: the test after the work, or, before any work, the newest."""
    found = [{"message": item["message"], "who": item["who"], "at": item["at"], "entry": item["id"], "run": None} for item in facts.dangers]
    test = _Known(facts).speaking
    if test and test.danger:
        found.append({"message": test.danger, "who": "", "at": test.added_at, "entry": None, "run": test.id})
    return found


def _facts(register: Register, job_id: int) -> tuple[Facts, dict[int, Any]]:
    """The facts of a job, and its runs' rows by number."""
    job = register.jobs.job(job_id)
    rows = {row.id: row for row in register.runs(job.pack_id) if row.id in job.run_ids} if job.run_ids else {}
    runs = tuple(_run_facts(register, rows[run_id]) for run_id in job.run_ids if run_id in rows)
    return Facts(job, runs, tuple(register.open_dangers(job.pack_id)), register.jobs.draft(job_id) is not None), rows


def _run_facts(register: Register, row: Any) -> RunFacts:
    from cycler.issuing import standing_records

    latest = register.latest_verdict(row.id) if row.verdict else None
    issued = standing_records(register, row.id)[-1:] if latest else []
    danger = ""
    if row.findings_danger:
        findings = register.run(row.id).analysis.get("findings") or ()
        danger = next((str(item.get("message")) for item in findings if item.get("severity") == "danger"), "")
    return RunFacts(
        row.id, row.label, row.added_at, row.started_at, row.withdrawn, latest.verdict | {"decided_at": latest.decided_at} if latest else None,
        issued[0]["record"].serial if issued else None, issued[0]["why_not"] if issued else "", danger,
    )


def _run_line(register: Register, row: Any, run: RunFacts) -> dict[str, Any]:
    return {
        "id": row.id, "label": row.label, "added_at": row.added_at, "started_at": row.started_at, "verdict": row.verdict,
        "criteria_name": row.criteria_name, "withdrawn": row.withdrawn, "serials": [item.serial for item in register.records(row.id)],
        "capacity_ah": row.capacity_ah, "u_capacity_ah": row.u_capacity_ah, "capacity_valid": bool(row.capacity_valid),
        "capacity_is_lower_bound": bool(row.capacity_is_lower_bound), "record_lapsed": run.record_lapsed,
    }


def _sheet_line(sheet: KeptSheet) -> dict[str, Any]:
    causes = sheet.evaluation.get("causes") or []
    severities = [item.get("severity") for item in sheet.evaluation.get("remarks") or ()]
    return {
        "id": sheet.id, "sha256": sheet.sha256, "who": sheet.who, "at": sheet.at, "cause": causes[0].get("title") if causes else None,
        "probability": causes[0].get("probability") if causes else None,
        "remarks": {severity: severities.count(severity) for severity in ("danger", "defect", "caution")},
    }
