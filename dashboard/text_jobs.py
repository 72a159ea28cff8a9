"""Sentences of the page: the list of jobs, and the form that begins one."""

from __future__ import annotations

TITLE = "Jobs"
MORE = "What came in, where each stands, and what comes next."
EMPTY = "No job was begun yet."
EMPTY_MORE = (
    "A job begins when a pack comes in with a complaint, before anything is done to it. The bench sheet, the fault and why, the decision, the work, the tests, "
    "the verdict and the record hang on it, in this order. So anyone in the workshop sees where the pack stands and what comes next."
)
NOTHING = "No job matches."
NOTHING_MORE = "Clear the search, or choose “All”."

SEARCH = "Search pack or words"
SHOW = "Show"
SHOWN = {"all": "All", "open": "Open", "closed": "Closed"}

NEW = "Begin a job"
NEW_PACK, NEW_PACK_HINT = "Pack number", "as on its label; known packs are suggested"
NEW_WORDS, NEW_WORDS_HINT = "What is wrong?", "what was told and seen, in your own words"
NEW_GO, NEW_BUSY = "Begin, and fill the bench sheet", "Beginning …"
NEW_CAUTION = (
    "Swollen, hot, leaking, smelling or wet: keep the pack apart from people and from what can burn, do not charge it, and begin with what can be seen "
    "without touching it. Local rules and licensed practice come first."
)
NEW_WHAT, NEW_WHY = "the job was not begun", "it is not said what is wrong with the pack"
NEW_MEND = "write it in a few words under “What is wrong?”"
TO_OPEN = "Go to open job {id}"
NOTHING_BEGUN = "Nothing was kept; your words are still here."

JOB = "Job {id}"
STATE = {"open": "Open", "closed": "Closed"}
SINCE = "since {day} ({age}), {who}"
LAST = "last entry {age}"
CLOSED_ON = "closed {age}"
NEXT = "Next:"
COUNT = "{shown} of {all} jobs, {open} open"
PAGE = "Page {page} of {pages}"
FIRST, PREVIOUS, NEXT_PAGE, LAST_PAGE = "First", "Previous", "Next", "Last"
PAGES = "Pages of the list"
ORDER = "Open ones first, newest on top."

OPEN_JOBS = {0: "", 1: "1 open job"}
OPEN_JOBS_MANY = "open jobs"
MEND_NUMBERS = "choose a job that the list shows"
MEND_GO_ON = "go on with job {id}"
MEND_REOPEN = "open it again at the foot of its page"
