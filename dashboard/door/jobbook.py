"""Jobs of the register: the list, one job with all that hangs on it, and the acts on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.door.base import Opened

if TYPE_CHECKING:
    from cycler.jobbook import JobLine


class JobBook(Opened):
    """Jobs of the register: the list, one job with all that hangs on it, and the acts on it."""

    # --- reading ------------------------------------------------------------------------------------------------

    def jobs(self, open_only: bool = False) -> list[JobLine]:
        """Jobs with what comes next, those that are open first, the newest on top."""
        from cycler.jobsteps import job_lines

        return job_lines(self._register, open_only)

    def job_list(self) -> list[JobLine]:
        """The same without what comes next, which takes its time: see :meth:`next_words`."""
        return self._register.jobs.jobs()

    def next_words(self, job_ids: Sequence[int]) -> dict[int, str]:
        """What comes next on each of these jobs; empty for those that are closed."""
        from cycler.jobsteps import next_words

        return {job_id: next_words(self._register, job_id) for job_id in job_ids}

    def open_jobs(self) -> int:
        """How many jobs are open."""
        return self._register.jobs.open_count()

    def jobs_of_pack(self, pack_id: str) -> list[JobLine]:
        """Jobs of one pack, the open one first, then the newest."""
        from cycler.jobsteps import job_lines

        return job_lines(self._register, pack_id=pack_id)

    def job_of_pack(self, pack_id: str) -> int | None:
        """Number of the pack's open job, or None."""
        return self._register.jobs.open_job_of(pack_id)

    def job_of_run(self, run_id: int) -> int | None:
        """Number of the job that a run hangs on, or None."""
        return self._register.jobs.job_of_run(run_id)

    def job(self, job_id: int) -> dict[str, Any]:
        """Where a job stands (``cycler.job/1``), with what its newest sheet says under ``evaluation`` (None without a sheet)."""
        from cycler.jobsteps import standing

        sheets = self._register.jobs.job(job_id).sheets
        return standing(self._register, job_id) | {"evaluation": sheets[-1].evaluation if sheets else None}

    # --- acts ---------------------------------------------------------------------------------------------------

    def open_job(self, pack_id: str, words: str, who: str) -> int:
        """Open a job on a pack; returns its number. InputError if the pack has an open one."""
        return self._register.jobs.open_job(pack_id, words, who=who)

    def write_job(self, job_id: int, kind: str, text: str, who: str, data: dict[str, Any] | None = None) -> int:
        """Write on a job; see :meth:`cycler.jobbook.JobBook.write`."""
        return self._register.jobs.write(job_id, kind, text, who=who, data=data)

    def hang_run(self, job_id: int, run_id: int, who: str) -> int:
        """Hang a run of the pack on a job by hand."""
        return self._register.jobs.hang_run(job_id, run_id, who=who)

    # --- bench sheets -------------------------------------------------------------------------------------------

    def keep_sheet(self, job_id: int, text: str, who: str) -> int:
        """Keep a bench sheet for good with what the readings say; returns its number. InputError with the line where it cannot be read."""
        from cycler.jobsteps import keep_sheet_text

        return keep_sheet_text(self._register, job_id, text, "bench sheet", who=who)

    def sheet_draft(self, job_id: int) -> dict[str, str]:
        """The form to go on with: as it was typed, or else the newest kept sheet, or else what is known of the pack's ratings."""
        from cycler.jobsteps import sheet_form

        return sheet_form(self._register, job_id)

    def change_sheet_draft(self, job_id: int, changes: Mapping[str, str]) -> dict[str, str]:
        """Put the entries that changed into the half-filled form, and return all of it."""
        return self._register.jobs.change_draft(job_id, changes, self.sheet_draft(job_id))

    # --- files --------------------------------------------------------------------------------------------------

    def job_page_file(self, job_id: int) -> tuple[str, bytes]:
        """Name and bytes of the job as one HTML page to print and hand over."""
        from cycler.jobsheet import job_page

        return job_page(self._register, job_id)

    def job_sheet_file(self, job_id: int, sheet_id: int) -> tuple[str, bytes]:
        """Name and bytes of a bench sheet as it was kept. InputError if the job has none of this number."""
        from cycler.jobsteps import kept_sheet

        sheet = kept_sheet(self._register, job_id, sheet_id)
        return f"job-{job_id}-sheet-{sheet.id}.toml", sheet.text.encode()
