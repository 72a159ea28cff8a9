"""Sentences of the page: one job: where it stands, what comes next, and everything that hangs on it."""

from __future__ import annotations

TITLE = "Job {id}"
PART_OF = "Part of job {id}"
OPEN_JOB, CLOSED_JOB = "Open job {id}", "Job {id}, closed"
BEGIN_JOB = "Begin a job"
BACK = "All jobs"
UNKNOWN = "There is no such job"
SUB = "Job {id} · begun {day} ({age}) by {who}"
PAGE_FILE = "Job as a page to hand over"
NEXT = "Next"
NEXT_BUTTON = {
    "sheet": "Fill the bench sheet", "options": "Weigh the options", "add": "Add a test", "plan": "Plan the test", "run": "Look at run {id}",
    "verdict": "Decide on run {id}", "record": "Make record and label", "write": "Write down the work", "close": "Close the job",
    "card": "See the danger on the card", "donor": "Check the donor board",
}
DANGER_TITLE = "Danger: pack {pack}"
DANGER_LINE = "{message} (written by {who}, {at})"
DANGER_LINE_RUN = "Run {id} found: {message}"
DANGER_CLOSE = "A danger is closed on the pack's card, with name and reason, only after a trained person has looked at it."
DANGER_TO_CARD = "To the pack's card"

# ---- steps ---------------------------------------------------------------------------------------------------
STEPS = "Where it stands"
STEP_STATE = {"done": "Done", "next": "Next", "open": "Open", "not_needed": "Not needed", "blocked": "Held up"}
STEP_LINK = {
    "run": "Run {id}", "verdict": "Verdict of run {id}", "record": "Record of run {id}", "sheet": "Bench sheet", "options": "Options", "plan": "Test plan",
    "add": "Add a test", "write": "Write it down", "close": "Close it",
    "card": "The pack's card", "donor": "Donor check",
}
APART = "This pack is given up: keep it apart"

# ---- bench sheet ---------------------------------------------------------------------------------------------
BENCH = "Bench sheet"
BENCH_NONE = "No bench sheet was kept yet."
BENCH_NONE_MORE = "It holds what was told, seen and measured before anything was done. From it the program says what is at fault, and why."
BENCH_LINK, BENCH_NEW = "The whole sheet", "Fill the bench sheet"
BENCH_BY = "Kept {day} by {who}"
BENCH_FILE = "as a file (TOML)"
GROUPS = "Groups, from pack negative: voltage ± expanded uncertainty (k = 2)"
GROUPS_NONE = "No group voltage was measured: a weak or dead group cannot be told."
GROUP = "group {n}"
GROUP_MISSING, GROUP_DOUBTED = "not measured", "reading in doubt"
LEVEL = {
    "ok": "in range", "low": "below the normal end", "precharge": "too low for a normal charge", "no_charge": "never charge again",
    "reversed": "reversed", "over_full": "too full", "unknown": "level not known",
}
CAUSE = "Most likely"
CAUSE_NONE = "The sheet does not tell a cause yet."
CAUSE_SHARE = "probability {share}"
CAUSE_OTHERS = "After it: {others}."
CAUSE_OTHER = "{title} ({share})"
CAUSE_RULED_OUT = {1: "1 cause is ruled out by a reading."}
CAUSE_RULED_OUT_MANY = "causes are ruled out by readings."
CAUSE_MARK = "Among the causes that no reading rules out; common practice, no source. It tells where to look first, not what is proven."
FOR, AGAINST = "For it", "Against it"
MEASURE_NEXT = "Measured next, this would tell most: {words}"
REMARKS_MORE = "{n} more on the sheet"
SHEETS_OLD = "Earlier sheets ({n})"
SHEET_LINE = "Sheet {id}, kept {day} by {who}"
SHEET_CAUSE = "most likely then: {cause}"

# ---- decision ------------------------------------------------------------------------------------------------
DECISION = "Decision and why"
DECISION_NONE = "Nothing was decided yet."
DECISION_NONE_MORE = "Repair, harvest or scrap: the options lists what each needs and costs, and what would turn the order."
DECISION_LINK = "Options and decision"
OPTION = {
    "repair_board": "Put in a donor board", "repair_group": "Replace a group", "repair_lead": "Mend a lead, joint or sensor",
    "rebalance": "Balance the groups", "harvest": "Take out cells for other work", "scrap": "Scrap the pack",
}
DECISION_BY = "{who}, {day}"
DECISION_TURNS = "What would turn it: {words}"
DECISION_OLD = "Decided before ({n})"

# ---- work ----------------------------------------------------------------------------------------------------
WORK = "Work, parts and notes"
WORK_NONE = "Nothing was written yet."
KIND = {
    "fault": "Fault found", "work": "Work done", "part": "Part fitted", "note": "Note", "decision": "Decision", "donor_check": "Donor check", "plan": "Test plan",
    "closed": "Closed", "reopened": "Opened again",
}
ON_CARD = "no. {id} on the card"
DONE_ON = "done on {day}"
WRITE = "Write it down"
WRITE_MORE = "It goes on the job and on the pack's card, and stays."
WRITE_KIND = "What is it?"
WRITE_TEXT = {"fault": "What is wrong?", "work": "What was done?", "part": "Which part was fitted?", "note": "Note"}
WRITE_DONE_ON, WRITE_DONE_ON_HINT = "Done on, if not today", "like 2026-03-12"
WRITE_GO, WRITE_BUSY = "Write it down", "Writing …"
WRITE_DONE = "Written: {kind}."
READ = "Read the job again"

# ---- tests ---------------------------------------------------------------------------------------------------
RUNS = "Tests, verdicts and records"
RUNS_NONE = "No test hangs on this job yet."
RUNS_NONE_MORE = "A test of this pack that is added from now on hangs on the job by itself."
RUNS_CAPTION = "± expanded uncertainty (k = 2)."
H_RUNS = ("Run", "Tested", "Label", "Verdict", "Capacity", "Records")
RUN_ADDED = "added {day}"
RUN_WITHDRAWN = "withdrawn: it counts no more"
TO_ADD, TO_PLAN = "Add a test", "Plan the test"
HANG = "Hang an earlier run of this pack on the job"
HANG_RUN = "Run"
HANG_GO = "Hang it on the job"
HANG_DONE = "Run {id} hangs on this job."
HANG_WHAT, HANG_WHY, HANG_MEND = "no run is chosen", "there is nothing to hang on the job", "choose a run"
HANG_NAME = "run {id}, {day}{label}"

# ---- donor checks and plans ----------------------------------------------------------------------------------
KEPT = "Donor checks and test plans"
KEPT_NONE = "None was kept."
TO_DONOR, TO_NEW_PLAN = "Check a donor board", "Plan the test"
DONOR_PINS = "Pin by pin"
H_PINS = ("Pin", "Pack's plug / V", "Donor board / V", "Would stand across / V", "Verdict")
PIN_VERDICT = {"same": "agrees", "wrong": "wrong", "not_measured": "not measured"}
DONOR_RESULT = {"do_not_connect": "Do not connect", "agrees": "Measured potentials agree; confirm with the maker's data", "not_known": "Not known"}
PLAN_STEPS = "Steps of the plan"
H_PLAN = ("No.", "Step", "Until", "Lasts about")
PLAN_TOTAL = "About {duration} in all."

# ---- closing -------------------------------------------------------------------------------------------------
CLOSE = {False: "Close the job", True: "Open it again"}
CLOSE_MORE = {
    False: "Nothing is deleted: a closed job stays to be read, and can be opened again.",
    True: "This job is closed. Open it again if the pack comes back with the same complaint; begin a new job for another one.",
}
CLOSE_TEXT = {False: "How it ended", True: "Why it is opened again"}
CLOSE_DONE = {False: "The job is closed.", True: "The job is open again."}
CLOSED_NOTE = "Closed {day} by {who}: {text}"
CLOSE_WHAT = {False: "the job was not closed", True: "the job was not opened again"}
CLOSE_WHY = "it is not said why"
CLOSE_MEND = {False: "write in a few words under “How it ended”", True: "write in a few words under “Why it is opened again”"}
WRITE_WHAT, WRITE_WHY, WRITE_MEND = "nothing was written down", "there are no words", "write what was found or done, and press the button again"
