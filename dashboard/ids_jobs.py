"""Component ids of the page: the list of jobs, and the form that begins one."""

from __future__ import annotations

JOBS_SEARCH = "jobs-search"
JOBS_SHOW = "jobs-show"
JOBS_SYNC = "jobs-sync"
JOBS_LIST = "jobs-list"
JOBS_NEW_PACK = "jobs-new-pack"
JOBS_NEW_PACKS = "jobs-new-packs"
JOBS_NEW_WORDS = "jobs-new-words"
JOBS_NEW_GO = "jobs-new-go"
JOBS_NEW_BUSY = "jobs-new-busy"
JOBS_NEW_ERROR = "jobs-new-error"
