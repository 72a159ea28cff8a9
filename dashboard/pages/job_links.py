"""Where the parts of a job lead to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import ids_job, text_job
from dashboard.address import add_address, pack_address
from dashboard.data import Door


def link_address(kind: str | None, number: Any, job_id: int, pack_id: str) -> str | None:
    """Address of what a step links to; ``None`` for what leads nowhere. A plan with a run's number is what would settle its verdict."""
    of_pack = urlencode({"job": job_id, "pack": pack_id})
    addresses = {
        "sheet": f"/job/{job_id}/sheet", "options": f"/job/{job_id}/options", "add": add_address(pack_id), "plan": f"/bench/plan?{of_pack}",
        "donor": f"/bench/donor?{of_pack}", "card": f"{pack_address(pack_id)}#card", "write": f"#{ids_job.JOB_WRITE}", "close": f"#{ids_job.JOB_CLOSE}",
    }
    if number:
        settling = urlencode({"job": job_id, "run": number})
        addresses |= {"plan": f"/bench/plan?{settling}", "run": f"/run/{number}", "verdict": f"/run/{number}/verdict", "record": f"/run/{number}/verdict#records"}
    return addresses.get(kind or "")


def link_to(words: str, href: str, class_name: str = "") -> Component:
    """A link; one with a place within a page is followed by the browser itself."""
    return (html.A if "#" in href else dcc.Link)(words, href=href, className=class_name)


def job_link(words: str, job_id: int, class_name: str = "") -> Component:
    """The way to a job's page."""
    return dcc.Link(words.format(id=job_id), href=f"/job/{job_id}", className=class_name)


def begin_link(pack_id: str, class_name: str = "") -> Component:
    """The way to begin a job on a pack."""
    return dcc.Link(text_job.BEGIN_JOB, href=f"/jobs?{urlencode({'pack': pack_id})}", className=class_name)


def part_of(door: Door, run_id: int, before: str = " · ") -> list[Any]:
    """ "Part of job 4", for the pages of a run, with what stands before it; empty where the run hangs on none."""
    job_id = door.job_of_run(run_id)
    if job_id is None:
        return []
    return [before, job_link(text_job.PART_OF, job_id)] if before else [job_link(text_job.PART_OF, job_id)]


def jobs_of_pack(jobs: Sequence[tuple[int, bool]], pack_id: str) -> Component:
    """Jobs of a pack, each (number, open), and where none is open the way to begin one."""
    parts: list[Any] = []
    for number, is_open in jobs:
        parts += [job_link(text_job.OPEN_JOB if is_open else text_job.CLOSED_JOB, number), " · "]
    if not any(is_open for _number, is_open in jobs):
        parts.append(begin_link(pack_id))
    elif parts:
        parts.pop()
    return html.P(parts, className="pack-jobs no-print")
