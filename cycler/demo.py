"""The demonstration: every invented sample test through the whole job, in a folder of its own."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError

if TYPE_CHECKING:
    from cycler.register import Register

SAMPLE_FOLDER = Path("sample_logs")
REGISTER_NAME = "demo-register.sqlite"
RECORDS_NAME = "records"
JOBS_NAME = "jobs"
SHEETS = Path(__file__).parent / "data" / "jobs"
"""The invented bench sheets, as in ``sample_logs/jobs``."""
KEY_NAME = "demo-key.pem"
WORKSHOP = "Invented workshop (demo)"
"""Stands on the records of the demonstration, so that none of them can be taken for a real one."""
LOGS_NAME = "sample_logs"

# What tells the runs of one pack apart; any other sample is labelled by its own name.
LABELS = {
    "ebike-10s4p-before-repair": "before repair",
    "ebike-10s4p-after-repair": "after repair",
    "ebike-10s4p-sister": "sister pack",
    "cargo-13s5p-bad-weld": "bad weld",
    "scooter-7s3p-stopped-early": "stopped early",
    "ebike-10s-leaks-at-rest": "leak at rest",
    "cargo-13s5p-out-of-balance": "out of balance",
    "scooter-8s-lfp-board-trips": "board trips",
    "ebike-10s-no-group-taps": "no group taps",
    "ebike-10s-charge-not-finished": "charge not finished",
    "cargo-two-parts": "two files",
    "ebike-10s-charge-finished": "charge finished",
}
COMPARED = ("ebike-10s4p-before-repair", "ebike-10s4p-after-repair", "ebike-10s4p-sister")
"""Samples of the comparison; the first is the reference."""
AGAINST = {"ebike-10s4p-after-repair": "ebike-10s4p-before-repair"}
"""Samples whose record holds them against an earlier one of the pack."""
GERMAN = "ebike-10s4p-after-repair"
"""Sample whose record is issued in German too."""
CARD_BY = "bench 2 (invented)"
CARDS = {
    "EB-0412": (
        ("number", "W-031"),
        ("status", "original"),
        ("fault", "Group 4 sags under load and ends the ride early."),
        ("work", "Group 4 replaced; all joints of the group welded anew and pulled; board, fuse and balance leads looked over."),
        ("part", "4 cells of 2.6 Ah, matched within 2 % of the capacity of the other groups."),
    ),
}
"""What is written on the cards of packs before their records are issued."""


@dataclass(frozen=True, slots=True)
class Story:
    """What was decided and done on one invented job.

    Attributes
    ----------
    sheet : str
        Stem of its bench sheet in :data:`SHEETS`.
    written : tuple of (kind, text)
        Fault, work, parts, notes, in their order.
    done_on : str
        Day of the work; its tests are dated after it.
    dealt_with : str
        Why the dangers that the bench sheet put on the pack's card are closed after the work; empty where they stay open.
    handed_over : bool
        The job is closed at the end; otherwise it is left open.
    """

    sheet: str
    option: str
    why: str
    written: tuple[tuple[str, str], ...]
    done_on: str = ""
    dealt_with: str = ""
    handed_over: bool = True


STORIES = (
    Story(
        "board-fault", "repair_board", "All ten groups are sound and alike, and the board does not let their voltage through.", (
            ("fault", "Board: the switch of the discharge path stays open."),
            ("work", "Donor board of the same type put in, its connector compared with the pack's pin by pin before it was plugged in."),
            ("part", "Protection board 10S, taken from a scrapped pack."),
        ), done_on="2026-03-12",
    ),
    Story(
        "dead-group", "repair_group", "One group is dead, the other twelve stand within a few millivolts.", (
            ("fault", "Group 9 dead: below the level from which cells may be charged."),
            ("work", "Group 9 taken out and replaced, joints welded anew and pulled, new group brought to the voltage of the others before it was joined."),
            ("part", "5 cells of 3.4 Ah, matched within 1 %."), ("note", "The cells of the old group 9 are in quarantine."),
        ), done_on="2026-06-12", dealt_with="The dead group is out of the pack and in quarantine; a new one is in its place.",
    ),
    Story(
        "broken-sense-lead", "repair_lead", "Measured on its own cells group 4 stands as the others do: only its sense lead is broken.", (
            ("fault", "Sense lead of tap 4 broken in its crimp."), ("work", "Sense lead of tap 4 crimped anew, the others pulled and measured."),
            ("part", "Crimp contact of the balance plug."),
        ), done_on="2026-06-08", dealt_with="The group was measured on its own cells and is sound; its sense lead is mended.", handed_over=False,
    ),
    Story(
        "deep-discharged", "scrap", "Below the level from which cells may be charged for months, one group reversed, case bulging.", (
            ("note", "In the quarantine box in the yard, marked; voltage and temperature are looked at daily. The waste carrier is told."),
        ),
    ),
)
"""The invented jobs, in the order in which they are opened."""


@dataclass(frozen=True, slots=True)
class DemoJob:
    """One job of the demo register. ``cause`` is what its bench sheet puts first, ``stands`` of :func:`cycler.jobsteps.standing`."""

    number: int
    sheet: str
    cause: dict[str, Any]
    stands: dict[str, Any]
    page: Path


@dataclass(frozen=True, slots=True)
class DemoRun:
    """One sample as a run of the demo register, with the record made of it."""

    name: str
    story: str
    run_id: int
    pack_id: str
    label: str
    analysis: dict[str, Any]
    serial: str
    record_files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demonstration made. ``comparison`` is the table of :func:`cycler.compare.compare`.

    ``key`` is the file of the key that sealed the records, ``german`` the files of the record in German.
    """

    folder: Path
    register: Path
    key: Path
    logs: Path
    logs_were_there: bool
    runs: tuple[DemoRun, ...]
    comparison: dict[str, Any]
    german: tuple[Path, ...]
    jobs: tuple[DemoJob, ...]


def has_samples(folder: Path) -> bool:
    """Whether a folder holds all sample logs, their pack files and their truth."""
    from cycler.simulator import SAMPLES

    names = {"truth.json"} | {name for sample in SAMPLES for name in (*sample.files, sample.pack_file)}
    return all((folder / name).is_file() for name in names)


def target_folder(folder: str | Path | None) -> Path:
    """``folder``, made if need be, or a new temporary one. InputError if it holds a demonstration already."""
    if folder is None:
        return Path(tempfile.mkdtemp(prefix="cycler-demo-"))
    from cycler.files import target_folder as folder_to_write

    place = folder_to_write(folder)
    if (place / REGISTER_NAME).exists():
        raise InputError(
            "the folder holds a demonstration already", str(place), f"{REGISTER_NAME} is there",
            f"look at it with: cycler --register {place / REGISTER_NAME} list; or name another folder",
        )
    return place


def run_demo(folder: Path, progress: Callable[[str], None] = lambda _what: None) -> Demo:
    """Add all samples to a fresh register in ``folder``, judge, compare and write their records.

    Parameters
    ----------
    folder : Path
        From :func:`target_folder`.
    progress : callable
        Called with what is done next, :func:`steps_of_demo` times in all.
    """
    from cycler.compare import compare
    from cycler.criteria import load_criteria
    from cycler.issuing import Wanted, issue_record
    from cycler.pack import load_pack
    from cycler.proof.keys import load_or_make_key
    from cycler.register import Register
    from cycler.simulator import SAMPLES, write_samples
    from cycler.workflow import add_logs, analysis_as_judged, load_sources

    logs, there = SAMPLE_FOLDER, has_samples(SAMPLE_FOLDER)
    if not there:
        logs = folder / LOGS_NAME
        write_samples(logs, progress=lambda sample: progress(f"making {sample.name}"))
    criteria = load_criteria()
    register_file = folder / REGISTER_NAME
    key = load_or_make_key(folder / KEY_NAME, "")
    runs: list[DemoRun] = []
    german: tuple[Path, ...] = ()
    with Register.open(register_file) as register:
        numbers = [_open_job(register, story) for story in STORIES]
        for sample in SAMPLES:
            progress(f"analysing {sample.name}")
            pack = load_pack(logs / sample.pack_file)
            sources = load_sources([logs / name for name in sample.files], whole_path=False)
            label = LABELS.get(sample.name, sample.name)
            run_id = add_logs(register, sources, pack, label, criteria)
            against = next((run.run_id for run in runs if run.name == AGAINST.get(sample.name)), None)
            if against is not None:
                for kind, text in CARDS.get(pack.id or "", ()):
                    register.add_card_entry(pack.id or "", kind, text, who=CARD_BY)
            wanted = Wanted(workshop=WORKSHOP, against=against)
            stem = f"record-{sample.name}"
            serial, files = issue_record(register, run_id, folder / RECORDS_NAME, wanted, stem, key)
            if sample.name == GERMAN:
                _serial, german = issue_record(
                    register, run_id, folder / RECORDS_NAME, replace(wanted, language="de"), f"{stem}-deutsch", key,
                )
            runs.append(DemoRun(
                sample.name, sample.story, run_id, pack.id or "", label, analysis_as_judged(register, run_id), serial, files,
            ))
        jobs = _finish_jobs(register, numbers, folder / JOBS_NAME)
    by_name = {run.name: run for run in runs}
    compared = [by_name[name] for name in COMPARED if name in by_name]
    comparison = compare([run.analysis for run in compared], [f"{run.pack_id} {run.label}" for run in compared])
    return Demo(folder, register_file, folder / KEY_NAME, logs, there, tuple(runs), comparison, german, jobs)


def _open_job(register: Register, story: Story) -> int:
    """Open a job with its bench sheet, decide, write the work, close what the work did away with; returns its number.

    The job is open before its runs are added, so that they hang on it by themselves.
    """
    from cycler.repair.evaluate import evaluate_sheet
    from cycler.repair.options import rank_options
    from cycler.repair.sheet import load_sheet
    from cycler.repair.workshop import default_workshop

    file = SHEETS / f"{story.sheet}.toml"
    sheet = load_sheet(file)
    evaluation = evaluate_sheet(sheet)
    pack_id = sheet.pack.id or ""
    text = file.read_bytes().decode("utf-8")
    number = register.jobs.open_job(pack_id, sheet.complaint, who=CARD_BY, sheet=(text, evaluation))
    ranked = rank_options(evaluation, default_workshop())
    chosen = next(item for item in ranked["options"] if item["code"] == story.option)
    decision = {
        "option": story.option, "title": chosen["title"], "cause": evaluation["causes"][0]["code"], "turning": ranked["turning"],
        "net_expected": chosen["net_expected"], "u_net": chosen["u_net"], "currency": ranked["currency"],
    }
    register.jobs.write_all(number, [
        ("decision", story.why, decision),
        *((kind, text, {"done_on": story.done_on} if kind == "work" else None) for kind, text in story.written),
    ], who=CARD_BY)
    if story.dealt_with:
        for danger in register.open_dangers(pack_id):
            register.cards.supersede(pack_id, danger["id"], None, who=CARD_BY, why=story.dealt_with)
    return number


def _finish_jobs(register: Register, numbers: Sequence[int], folder: Path) -> tuple[DemoJob, ...]:
    """Close the jobs that are handed over, and write the page of each."""
    from cycler.files import ready_files
    from cycler.jobsheet import job_page
    from cycler.jobsteps import standing

    folder.mkdir()
    jobs, contents = [], []
    for story, number in zip(STORIES, numbers, strict=True):
        coming = standing(register, number)["next"]
        if story.handed_over and coming["link_kind"] == "close":
            register.jobs.write(number, "closed", "", who=CARD_BY)
        name, page = job_page(register, number)
        contents.append((folder / name, page))
        jobs.append(DemoJob(
            number, story.sheet, register.jobs.job(number).sheets[-1].evaluation["causes"][0], standing(register, number), folder / name,
        ))
    with ready_files("page of a job", contents) as files:
        files.name_them()
    return tuple(jobs)


def steps_of_demo() -> int:
    """How often :func:`run_demo` calls its ``progress``."""
    from cycler.simulator import SAMPLES

    return len(SAMPLES) * (1 if has_samples(SAMPLE_FOLDER) else 2)
