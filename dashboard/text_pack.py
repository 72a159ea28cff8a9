"""Sentences of the page of one pack: card, runs over time, acts."""

from __future__ import annotations

# ---- top -----------------------------------------------------------------------------------------------------
UNKNOWN_TITLE = "The register knows no pack {id}."
UNKNOWN_MORE = "Check the number, or begin a card for a pack that was not tested yet."
NEW_BUTTON = "Begin its card"
NEW_TITLE = "New card"
NEW_LINK = "New pack card"
NEW_MORE = "For a pack that was not tested yet: its card keeps faults, work, photos and dangers from the day it comes in."
NEW_NUMBER = "Pack number"
NEW_NUMBER_HINT = "as on its label"
NEW_GO = "Open the card"
NEW_NOTE = "Nothing is kept of this pack yet. The first thing you write below begins its card."
NEW_TEST = "Add a test instead"
BUILD_NONE = "build not known: no test that counts"
RATED = {
    "rated_capacity_ah": ("rated {figure}", "Ah"), "rated_energy_wh": ("{figure}", "Wh"),
    "charge_voltage_v": ("full at {figure}", "V"), "cutoff_voltage_v": ("empty at {figure}", "V"),
}
LAST_VERDICT = "Last verdict: run {id}, {day}"
LAST_RUN = "Newest test: run {id}, {day}"
LAST_HELD = "does not hold while a danger is open"
LAST_NONE = "no test that counts"
NUMBER, STATUS = "Workshop number {text}", "status {text}"
DANGER_TITLE = "Danger: pack {pack}"
DANGER_CARD = "{message} (written by {who}, {at})"
DANGER_RUN = "Run {id} found: {message}"
DANGER_CLOSE = (
    "No pass of this pack holds until then. Only after a trained person has looked at it is a danger closed, with name and reason, on the card below. Local "
    "rules and licensed practice come first."
)
DANGER_TO_CARD = "To the card"
OPEN_TITLE = "Also open"
OPEN_EARLIER = "Run {id}{label} had found a danger: {message}"
OPEN_WITHDRAWN = {False: "Run {ids} is withdrawn: it counts no more.", True: "Runs {ids} are withdrawn: they count no more."}
OPEN_NOT_JUDGED = {False: "Run {ids} is not judged yet.", True: "Runs {ids} are not judged yet."}
NEXT = "Next"
NEXT_DANGER = ("A danger stands open: keep the pack apart and have a trained person look at it.", "See the danger")
NEXT_NO_RUN = ("This pack was not tested yet.", "Add a test")
NEXT_JUDGE = ("Run {id} is not judged yet.", "Decide on run {id}")
NEXT_NOT_PROVEN = ("Run {id} is not proven; beside its verdict stands what would settle it.", "See what would settle it")
NEXT_FAIL = ("Run {id} failed. Once the pack is repaired, test it again.", "Add a test")
NEXT_RECORD = ("Run {id} passed and has no record yet.", "Make record and label")
NEXT_COMPARE = ("Run {id} passed and has its record. Hold it against the pack as it came in.", "Compare before and after")
NEXT_LAPSED = ("The last record of run {id} holds no more: {why}.", "Make a new record")
NEXT_NOTHING = ("Run {id} passed and has its record: nothing is left open.", "Label and record")

# ---- runs ----------------------------------------------------------------------------------------------------
RUNS = "Runs"
RUNS_NONE = "No test of this pack was added yet."
RUNS_CAPTION = "Newest first. ± expanded uncertainty (k = 2)."
H_RUNS = ("Run", "Date", "Label", "Verdict", "Capacity", "State of health", "Resistance 10 s", "Limiting group", "Records")
BEFORE_AFTER = "Before and after"
GROUP = "group {n}"
TREND = "Over the runs"
TREND_CAPTION = (
    "Bars: expanded uncertainty (k = 2). Disc: a valid figure. Open triangle: a bound, the true figure is higher. Cross: not valid. "
    "Open square: valid, but not in the lines. Hold runs against each other only at like current and temperature."
)
TREND_BOUND, TREND_INVALID, TREND_APART = "at least", "not valid", "not in the lines"
TREND_ONE = "One figure over time needs two runs; there is only one that counts."
TREND_TITLES = {"capacity_ah": "Capacity", "resistance_10s_ohm": "Resistance over 10 s"}
TREND_X_DATE, TREND_X_RUN = "Day of the test", "Run, in order of time"
TREND_RUN = "run {id}"
FALLS, RISES = "falls by {figure}", "rises by {figure}"
PER = {"per_30_days": "in 30 days", "per_run": "from run to run"}
TREND_SAID = "{label} {parts}."
TREND_SCATTER = " The runs scatter more than their uncertainty explains."
TREND_TOO_FEW = "No fade can be told yet: a line through the runs takes three valid ones, and says by how much they scatter."
TREND_STILL = "{label}: no change beyond the uncertainty."
TREND_NO_LINE = "{label}: no line, {why}."
TREND_WHY = {"too_few_points": "it takes three valid runs", "no_spread": "all runs are of one day", "": "the runs bear none"}
TREND_RUNS = " (runs {runs})"
TREND_BREAK = "The lines begin anew at run {run}: {why}."
SINCE = "Begin the lines at run"
SINCE_ALL = "the first"
SINCE_HINT = "such as the first after a repair"

# ---- two rests -----------------------------------------------------------------------------------------------
STANDING = "Self-discharge from two rests on different days"
STANDING_MORE = (
    "Shows which group lost charge while the pack was left alone between two runs. The earlier run must end with a rest, the later one "
    "begin with one, both with a date and the group voltages."
)
STANDING_FIRST, STANDING_SECOND = "One run", "Another run"
STANDING_UNTOUCHED = "I know that nothing was connected in between"
STANDING_GO, STANDING_BUSY = "Work it out", "Reading both logs …"
STANDING_PICK_WHAT, STANDING_PICK_WHY, STANDING_PICK_MEND = "two runs are needed", "fewer were chosen", "choose two different runs"
STANDING_SPAN = "From run {first} to run {second}: {days} apart."
H_STANDING = ("Group", "First rest / V", "Second rest / V", "Drift / mV per day", "Leak / mA", "Loss in 30 days", "Least leak shown / mA", "")
STANDING_LEAKS, STANDING_WATCH, STANDING_MORE_LOST, STANDING_ALIKE = "leaks", "watch", "loses more", "as its siblings"
STANDING_REASON = {
    "no_discharge_curve": "no discharge logged", "outside_curve": "outside the logged curve", "log_gap": "gap in the curve",
    "plateau_flat": "curve too flat", "slope_vague": "slope not known", "readings_too_few": "not read",
}
STANDING_CAPTION = (
    "Drift, leak and loss are those beyond the group's siblings; what all groups lose alike is not seen. ± expanded uncertainty (k = 2)."
)
STANDING_LEAKING = (
    "Group {groups} loses clearly more than its siblings. Look for a leaking cell, moisture or a board that draws from it; do not store or "
    "send the pack before that is found."
)
DAYS = "{figure} days"

# ---- acts on a run -------------------------------------------------------------------------------------------
ACTS = "Put a run right: label, ratings, withdraw, bring back"
ACTS_MORE = "Nothing is overwritten: what was kept before stays to be seen, with who, when and why."
ACT_RUN = "Run"
ACT_WHAT = "What"
ACT_KIND = {"label": "Give it another label", "ratings": "Add ratings of the pack and analyse it again", "withdraw": "Withdraw it: it counts no more", "reinstate": "Bring it back: it counts again"}
ACT_LABEL = "New label"
ACT_GO, ACT_BUSY = "Put it right", "Writing …"
ACT_DONE = {
    "label": "Run {id} has its new label.", "withdraw": "Run {id} is withdrawn. What it showed stays to be seen.",
    "reinstate": "Run {id} counts again.", "ratings": "Run {id} is analysed again with these ratings; the first analysis stays to be seen.",
}
ENTER_RATING = {
    "rated_capacity_ah": "Add the rated capacity that stands on the pack's label", "rated_energy_wh": "Add the rated energy that stands on the pack's label",
    "cutoff_voltage_v (or group_cutoff_voltage_v)": "Add the voltage of the pack (or of a group) at which the discharge ends, from its label or maker",
}
CHECK_RATING = "check the rated capacity and put it right on the pack's page (“Put a run right”)"
SAME_BENCH = "(name and limits under “Limits of error of the instrument”)"
RATED_ENERGY = "Rated energy / Wh"
RATINGS_MORE = "From the pack's label. What you leave empty stays as it is."
RATINGS_GONE = " A danger that was found before is not found with them: {messages} Make sure that the ratings are right."
RATINGS_UNLIKE = " Runs {ids} of this pack were analysed with other ratings."
RATINGS_NONE_WHAT, RATINGS_NONE_WHY, RATINGS_NONE_MEND = "no rating was written", "the analysis would come out the same", "write at least one rating from the pack's label"
ACT_RECORDS = " Records issued before stay as they were: {serials}. Tell whoever holds them."
ACT_NONE_WHAT, ACT_NONE_WHY, ACT_NONE_MEND = "no run is chosen", "there is nothing to put right", "choose a run"

# ---- card ----------------------------------------------------------------------------------------------------
CARD = "Card"
CARD_READ = "Read the card again"
CARD_EMPTY = "Nothing is written on this card yet."
KIND = {
    "danger": "Danger", "fault": "Fault found", "work": "Work done", "part": "Part fitted", "note": "Note", "number": "Workshop number",
    "status": "Status", "customer": "Customer's reference", "photo": "Photo",
}
CARD_HEADS = {
    "danger": "Dangers, open", "fault": "Faults found", "work": "Work done", "part": "Parts fitted", "note": "Notes", "photo": "Photos",
}
STATUS_WORDS = {
    "original": "original", "re-used": "re-used", "repurposed": "repurposed", "remanufactured": "remanufactured", "waste": "waste",
}
CUSTOMER_NOTE = "kept here only: out of records unless asked for there"
BY = "{who}, {at}"
NO = "no. {id}"
CHANGE = "Change …"
CHANGE_DANGER = "Close …"
CHANGE_SPOKEN = " entry {id}"
NEW_TEXT, NEW_CAPTION = "New words", "New words under the photo"
REPLACE, CLOSE = "Put the new words in its place", "Close it: it holds no more"
CLOSE_DANGER = "Close this danger"
CLOSE_DANGER_MORE = "You put your name to it that the pack was looked at by a trained person and the danger is gone."
REWORD_DANGER = "Or say it better; it stays open:"
ENTRY_REPLACED, ENTRY_CLOSED = "Entry {id} is corrected; the old words stay below.", "Entry {id} is closed; it stays below."
ENDED = "Holds no more ({n})"
ENDED_HOW = {
    "close": "closed by {who}, {at}", "replace": "replaced by no. {id}, {who}, {at}", "new": "followed by no. {id}, {who}, {at}",
}
ENDED_WHY = ": {why}"
PHOTO_ALT = "Photo: {caption}"
PHOTO_NO_CAPTION = "no words"
WHO, WHO_HINT = "Who (your name)", "kept in this browser"
WHY, WHY_HINT = "Why", "a later reader must know"

WRITE = "Write on the card"
WRITE_KIND = "What is it?"
WRITE_TEXT = {
    "fault": "What is wrong?", "work": "What was done?", "part": "Which part was fitted?", "note": "Note", "number": "Workshop number of the pack",
    "customer": "Customer's reference",
}
WRITE_STATUS = "Status of the battery"
WRITE_STATUS_HINT = "words of Regulation (EU) 2023/1542"
WRITE_WORK_CAUTION = (
    "An opened pack cannot be switched off: cover bare taps, take off rings, use insulated tools; one slip is a short circuit. Only trained "
    "hands, by local rules."
)
WRITE_GO, WRITE_BUSY = "Write it down", "Writing …"
WRITE_DONE = "Written on the card: {what}."
WRITE_DONE_PHOTOS = {1: "1 photo"}
PHOTOS = "photos"
PHOTO_DROP = "Add photos"
PHOTO_DROP_MORE = (
    "JPEG, PNG or WebP, at most {mb} MB each. Kept byte for byte, with the place and time that a camera may have written into them."
)
PHOTO_CHOOSE = "Choose photos …"
PHOTO_CAPTION = "What {name} shows"
PHOTO_REMOVE = "Leave it out"
PHOTO_NOT_LOG = "Nothing was stored. The log of a test belongs on the page “Add a test”."
PHOTO_KEEP = "They are kept once you press “Write it down”."
PHOTOS_MAX_WHAT, PHOTOS_MAX_WHY, PHOTOS_MAX_MEND = "too many photos at once", "{n} are waiting already", "write these down first"
REPORT = "Report a danger …"
REPORT_MORE = (
    "Swollen, hot, smelling, leaking, dropped, wet, sparking: write it here at once. No verdict of this pack is a pass until it is closed."
)
REPORT_TEXT = "What is dangerous, and where?"
REPORT_GO = "Report this danger"
REPORT_DONE = "The danger stands on the card. Mark the pack, keep it apart, and tell whoever else works here."
NOTHING_WRITTEN = "Nothing was written; your words are still here."
MEND_WHY, MEND_WHO = "write the reason under “Why”", "write your name under “Who”"
MEND_CARD = "press “Read the card again” to see what stands on it"
