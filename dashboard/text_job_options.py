"""Sentences of the page: what to do with the pack of a job: options ranked, vetoes first."""

from __future__ import annotations

TITLE = "Repair, salvage or scrap"
HEAD = "{pack}, job {n}"
BACK = "Job {n}"
NONE_TITLE = "No bench sheet yet"
NONE_MORE = "Options are ranked from the readings and causes of a bench sheet. Fill one in and keep it first."
NONE_LINK = "Bench sheet of this job"
VETO_TITLE = "Vetoes"
VETO_BARS = "Bars: {titles}."
FIRST_TITLE = "Look at this first"
CAUSE_LABEL = "Reckon with"
CAUSE_ALL = "all causes, as probable as the bench sheet says"
CAUSE_ONE = "certain: {title} ({percent} by the sheet)"
RANKED_TITLE = "Options, the best first"
EXPECTED = "Expected net"
LOW_HIGH = "lowest to highest {span}"
PASSES = "Passes its test: {percent:.0f} of 100 ({low:.0f} to {high:.0f})"
HOURS, COST, VALUE = "Hours", "Cost", "Value of what comes out"
IF_PASSES, IF_NOT = "Net if it passes", "Net if it does not"
NEEDS = "What it needs"
FACTS = "Hours, cost, and what it needs"
BARRED_TITLE = "Barred, by what stands under Vetoes"
LEFT_TITLE = "Cannot be worked out"
TURN_TITLE = "What would turn it"
NOTE = (
    "The expected net is a mean over many packs like this one, ± with k = 2 from the ranges, each equally likely everywhere in it. A pack that does not pass after a repair is "
    "counted as scrapped."
)
ASSUMED = "Invented figures were counted for {n} entries: put your own in place of them under “Figures of this workshop”."
WORKSHOP_TITLE = "Figures of this workshop"
WORKSHOP_MORE = (
    "A range is two numbers, such as 25 – 60, as wide as you do not know it; one number is a range without width. An empty field counts with the invented figure that stands in it in "
    "grey. Kept in {file}, for every job."
)
WORKSHOP_KEEP = "Keep and reckon again"
WORKSHOP_KEPT = "Kept; the options are reckoned with it."
WORKSHOP_WRONG = "Nothing was kept: {n} to mend."
PLACE = "the figures of this workshop"
SECTIONS = {
    "": "In general", "pack": "A mended pack", "repair_board": "Another protection board", "repair_group": "Replace the cells of one group", "repair_lead": "Mend a lead, joint or sensor",
    "rebalance": "Bring the groups to one level", "harvest": "Take cells out for other work", "scrap": "Scrap",
}
FIGURES = {
    "currency": "Currency", "hour_cost": "Cost of an hour", "value_per_wh": "Brings, for each Wh of its rated energy", "value": "Brings, this one pack (before the field beside it)",
    "hours": "Hours", "parts_cost": "Parts", "parts_cost_per_cell": "Parts, for each cell", "passes_percent": "Pass their test, of 100 with that fault", "minutes_per_cell": "Time for each cell",
    "cell_value": "Worth of a sound cell", "usable_percent": "Usable, of 100 cells", "fee": "Fee",
}
FIGURE_LABEL = "{name} / {unit}"
DECIDE_TITLE = "Decide"
DECIDE_MORE = "The decision is written on the job with the ranking and the figures that it was taken on. Options that are barred cannot be chosen."
DECIDE_LABEL = "Option"
DECIDE_BARRED = "{title} (barred)"
REMARK = "Why, in your words"
DECIDE = "Write the decision"
DECIDED = "Written on the job: {title}."
NOTHING_DONE = "Nothing was decided."
CAUTION_TITLE = "Heed"
