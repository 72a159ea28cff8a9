"""Component ids of the page: what to do with the pack of a job: options ranked, vetoes first."""

from __future__ import annotations

OPTIONS_JOB = "options-job"
OPTIONS_CAUSE = "options-cause"
OPTIONS_BODY = "options-body"
OPTIONS_CHANGED = "options-changed"
OPTIONS_FIGURE = "options-figure"  # with key
OPTIONS_FIGURE_NOTE = "options-figure-note"  # with key
OPTIONS_KEEP = "options-keep"
OPTIONS_KEEP_DONE = "options-keep-done"
OPTIONS_CHOICE = "options-choice"
OPTIONS_REMARK = "options-remark"
OPTIONS_DECIDE = "options-decide"
OPTIONS_DECIDED = "options-decided"
