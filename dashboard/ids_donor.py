"""Component ids of the page: two connectors held against each other, pin by pin."""

from __future__ import annotations

DONOR_FIELD = "donor-field"  # with side and key
DONOR_TOP = "donor-top"  # with side
DONOR_ROWS = "donor-rows"  # with side
DONOR_PROBES = "donor-probes"  # with side
DONOR_PASTE = "donor-paste"  # with side
DONOR_PASTE_GO = "donor-paste-go"  # with side
DONOR_TAKE_ERROR = "donor-take-error"  # with side
DONOR_FILE = {"own": "donor-file-own", "donor": "donor-file-donor"}  # written by assets/drop.js
DONOR_SAVE = "donor-save"  # with side
DONOR_KEPT = "donor-kept"
DONOR_PAGE = "donor-page"
DONOR_DRAWN = "donor-drawn"
DONOR_TYPED = "donor-typed"  # written by assets/donor.js
DONOR_ROLES = "donor-roles"
DONOR_RESULT = "donor-result"
DONOR_CLEAR = "donor-clear"
DONOR_PRINT = "donor-print"
DONOR_SINK = "donor-sink"
DONOR_DOWNLOAD = "donor-download"
DONOR_JOB = "donor-job"
DONOR_JOB_BOX = "donor-job-box"
DONOR_JOB_GO = "donor-job-go"
DONOR_JOB_DONE = "donor-job-done"
