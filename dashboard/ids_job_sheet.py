"""Component ids of the page: the bench sheet of a job: quick entry, questions at once, and what the readings say."""

from __future__ import annotations
