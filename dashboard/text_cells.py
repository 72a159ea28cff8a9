"""Sentences of the page: measured cells graded and put together to packs."""

from __future__ import annotations

TITLE = "Cells for other work"
BACK_TO_JOB = "Back to job {job}"
LEAD = "Measured cells out of old packs: which are good for what, which are not, and which go together so that no group holds a new pack back."
ACT_CAUTION = (
    "Cells taken from packs can burn. What is swollen, dented, wet, rusty, warm or smells is not measured but goes to quarantine; the cell maker's limits, local "
    "rules and licensed practice come before anything here."
)
DROP_HERE = "Drop the list of cells here"
DROP_MORE = "One CSV file, a line for each cell"
HEADINGS = "Headings that are understood, for example:"
EXAMPLE = "id; capacity / mAh; resistance / mOhm; v1 / V; date1; v2 / V; date2; remarks"
HEADINGS_MORE = "Other units and languages are understood too; what was not measured stays empty."
FILE_READY = "List: {name}"
FILE_NONE = "No list yet."
FORM_TITLE = "What is to be built"
FORM_MORE = "Leave groups and cells empty to grade the cells only."
SERIES, PARALLEL, PACKS = "Groups in series (S)", "Cells in parallel (P)", "Packs"
RATED, RATED_HINT = "Rated capacity of one cell / Ah", "from its label"
DAYS, DAYS_HINT = "Days between the voltages", "without dates"
CHEMISTRY = "Chemistry"
CHEMISTRIES = {
    "nmc": "NMC", "nca": "NCA", "lco": "LCO", "lmo": "LMO", "lfp": "LFP (iron phosphate)", "lto": "LTO (titanate)",
}
NOT_PROVEN = "Use cells too of which something is not proven"
START = "Grade and match"
WAIT_FILE = "Drop a list of cells first."
JOB_TITLE = "Matching {name}"
JOB_WORDS = {"matching": "Exchanging cells until no exchange helps", "proving": "Proving that nothing is better", "comparing": "Comparing with cells taken at random", "done": "Done", "reading": "Reading and grading"}
CANCEL, CANCELLING, JOB_WAITING = "Cancel", "Ends soon", "Waits for its turn"
CANCELLED = "Cancelled. Nothing was changed."
LOST = "The program was started anew meanwhile: press the button again."
GONE = "The list is no longer there: drop it again."
NOTHING_DONE = "Nothing was matched."
PERCENT = "{percent} %"
SAVE, SAVE_GRADES = "Save where every cell goes (CSV)", "Save the grades (CSV)"
FILE_NAME = "cells-in-packs.csv"

GRADES_TITLE = "Grades"
GRADES_CAPTION = "Cells by grade, and what kept them from a better one"
GRADE_HEADS = ("Grade", "Cells", "Why not better")
AGAINST = {"stated": "Capacities are held against the rated {ah} Ah.", "list": "Capacities are held against the rated capacity in the list.",
           "median": "Capacities are held against the median of the list."}
RULES = "Rules: {title}. Each limit with its reason:"
LIMITS = "The limits and why"
LIMIT_HEADS = ("Quantity", "First grade", "Second grade", "Why", "Source")
QUANTITY = {
    "capacity_share": "Capacity, share of rated / %", "resistance_ratio": "Resistance, times the median", "self_discharge_mv_per_day": "Fall of the rest voltage / mV/day",
    "rest_voltage_v": "Rest voltage / V",
}
AT = {"at_least": "at least {value}", "at_most": "at most {value}"}
WORDS_LIMIT = "Remark"
REJECTS = "Rejected cells ({n})"
NOT_PROVEN_CELLS = "Cells of which something is not proven ({n})"
SECONDS_CELLS = "Cells of second grade ({n})"
LEFT_OVER = "Good cells that are left over ({n})"
CELL_HEADS = ("Cell", "Why")

PACKS_TITLE = "Packs of {series}S {parallel}P"
PACKS_CAPTION = "Packs, the strongest first"
PACK_HEADS = ("Pack", "Weakest group / Ah", "Expected / Ah", "Weakest group", "Cells alone / mΩ", "Capacities apart / %", "Resistances apart / %")
PACKS_MORE = (
    "Weakest group: the sum of its readings. Expected: what the pack may hold, since with uncertain readings another group may be the weakest; ± expanded "
    "uncertainty, k = 2. Cells alone: without joints, leads and board."
)
GOOD_TITLE = "How good"
WHERE_TITLE = "Which cell goes where"
PACK_CHOICE = "Pack {pack}"
PACK_LINE = "Expected {figure}; the weakest group is {group}."
PACK_SHOWN = "Pack to build"
MORE_IN_FILE = "{n} more are in the saved file."
GROUP_HEADS = ("Group", "Cells", "Capacity / Ah", "Resistance / mΩ", "Voltages apart / mV", "Before joining")
BEFORE_JOINING = {
    "ok": "near enough", "bring_together": "bring to one voltage first", "never_as_it_is": "never join as they are: charge each alone to one voltage", "measure": "measure all first",
    "not_needed": "–",
}
CAUTION_TITLE = "Before you build"
RESULT_LABEL = "Result of the matching"
