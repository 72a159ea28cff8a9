"""Visible sentences of the page that shows and confirms a verdict."""

from __future__ import annotations

TITLE = "Verdict"
TO_RUN = "Back to run {id}"
TO_CONFIRM, TO_RECORDS = "Confirm", "Records"

# ---- what it is judged by ----------------------------------------------------------------------------------
CRITERIA = "Criteria set"
OWN_FILE = "Own file …"
OWN_FILE_HINT = "a criteria set of your own (.toml), or drop it on the page"
OWN_FILE_SEVERAL = "several files were chosen"
BEFORE = "Held against"
BEFORE_NONE = "nothing before"

# ---- result ------------------------------------------------------------------------------------------------
BY = "Judged by “{name}”{before}."
BY_BEFORE = ", held against run {id}"
KEPT = "Verdict {number} of run {run}, kept {when}{by}."
KEPT_BY = ", by {name}"
KEPT_REMARK = "Remark: “{remark}”"
PREVIEW = "Preview, not kept. It is kept when you confirm it below."
PREVIEW_NEVER = "Preview, not kept. This run has no verdict in the register yet."
VETO = "Ruled out, whatever the figures say"
VETO_SUMMARY = "Ruled out by what stands above; no figure below outweighs it."
VETO_SEE = "See the findings"
VETO_CARD = "See the pack's card"
VETO_WHO = " (written by {who})"
VETO_DO = "Do not charge, use or send it. Keep it apart from people and from what can burn; guard its terminals. Have a trained person decide."
HELD = "What holds a pass back, whatever the criteria say"
HELD_CAPACITY = "No valid test measured the capacity."
ACT = {
    "pass": "No safety certificate: case, wiring, protection and charger were not examined. Local rules and licensed practice decide on use and shipping.",
    "fail": "Do not charge it, do not put it into use. Mark it, keep it apart from what can burn, guard its terminals. A damaged pack falls under special "
            "transport rules: ask the carrier before it is sent.",
    "not_proven": "This is no pass: do not hand the pack over on this test. It still holds energy; guard its terminals.",
    "none": "Figures without a verdict are no approval. The pack holds energy; guard its terminals.",
}

DIFFERS = "Verdict {number}, which is kept, says {result}, by “{name}”{before}."
DIFFERS_SAME = "Every criterion comes out the same here."
DIFFERS_OTHERWISE = "These come out otherwise here:"
DIFFERS_MORE = "Other limits, other figures, asked only there or only here ({n})"
DIFFERS_ROW = "{label}: {was}; here {now}"
DIFFERS_SIDE = "{result} (limit {limit})"
DIFFERS_NEW = "{label}: not asked there; here {now}"
DIFFERS_GONE = "{label}: {was}; not asked here"
DIFFERS_GROUNDS = "What changed is an open danger on the pack's card, or the run that it is held against."
ADVISORY_SHORT = ", advisory"

# ---- criteria ----------------------------------------------------------------------------------------------
REQUIRED = "Criteria that decide"
ADVISORY = "Criteria that only advise: {counts}"
ADVISORY_COUNT = {"fail": "{n} fail", "not_proven": "{n} not proven", "pass": "{n} pass"}
NONE_REQUIRED = "No criterion of this set decides on this pack."
NONE = "This set holds no criterion."
KEY = (
    "Dot and bar: value ± U (k = 2). Full line: limit. Hatched: guard band, where nothing is proven. Green edge: accepted side. "
    "Press a row for more. {rule}"
)
VALUE, LIMIT, ACCEPT, WHY, SOURCE, CHANCE, REASON = (
    "Measured", "Limit", "Accepted", "Why this limit", "Source", "Chance that it is met", "Reason",
)
NO_VALUE = "not measured"
ACCEPT_NONE = "none: {reason}"
ACCEPT_NO_VALUE = "there is no value to judge"
ACCEPT_NO_U = "the uncertainty of the value is not known"
ACCEPT_NO_ROOM = "the guard band is wider than the limit, so no value could pass"
DIRECTION = {"at_least": "at least {limit}", "at_most": "at most {limit}"}
LIMIT_MARK = "limit {limit}"
ACCEPTED_SIDE = "accepted"
SPOKEN = "On the scale: {limit}; guard band {band}; {place}."
SPOKEN_NO_BAND = "none"
SPOKEN_BOUND = {"lower": "; the true value is this or higher", "upper": "; the true value is this or lower"}
SPOKEN_PLACE = {
    "pass": "the value lies on the accepted side, clear of the guard band",
    "fail": "the value lies on the refused side, beyond the guard band",
    "open": "the value lies inside the guard band, where nothing is proven",
    "doubt": "the value does not count",
    "none": "there is no value on it",
}

# ---- what would settle it ----------------------------------------------------------------------------------
SETTLE = "What would likely settle it"
SETTLE_LIKELY = "Likely, not surely: new readings fall a little differently, and may again end in the guard band."
SETTLE_VETO = "What comes first"
SETTLE_FAIL = "For the test after the repair"
SETTLE_ADVISES = "What would settle those that only advise ({n})"
SETTLE_ROW = "See {label}"
SETTLE_FINDING = "See the finding"
SETTLE_PLAN = "Plan the test that would settle this"
SETTLE_ADD = "Add the new test"
SETTLE_RATINGS = "Add ratings"
ADVISORY_WORD = "Advisory: "

# ---- confirming --------------------------------------------------------------------------------------------
CONFIRM = "Confirm"
CONFIRM_WHAT = "You confirm: {result}, by “{name}”{before}, for {pack}{label}, run {run}."
CONFIRM_RULE = "Name and remark stand on the record and change nothing of the result."
BY_NAME = "Who decides (name)"
REMARK = "Remark (optional)"
REMARK_HINT = "at most {n} characters; printed on the record"
WORKSHOP = "Workshop on the record"
WORKSHOP_HINT = "remembered in this browser"
LANGUAGE = "Language of the record"
LANGUAGES = {"en": "English", "de": "German"}
CUSTOMER = "Show the customer's reference"
ACT_RECORD = "Confirm and make the record"
ACT_KEEP = "Keep the verdict without a record"
ACT_AGAIN = "Make another one all the same"
BUSY = "Writing the record …"
WITHDRAWN = "This run was withdrawn: it counts no more, so nothing can be confirmed on it."
NOTHING_DONE = "Nothing was kept; what you typed is still here."
NOT_SHOWN = (
    "the verdict was not shown yet", CONFIRM, "what is confirmed must have been seen, and the page was still working it out",
    "look at the result above, then confirm once more",
)
NO_NAME = ("the name is missing", BY_NAME, "a verdict is confirmed by a person", "type the name, then confirm once more")

DONE_RECORD = "Record {serial} is made."
DONE_ENTRY = "In the register: verdict {number} of run {run}, kept {when}{by}: {result}."
SAME = "Record {serial} says just this already: same verdict, name, remark, workshop and language. Nothing was made twice."
CHANGED = "Nothing was kept yet, because this changed in the register meanwhile:"
CHANGED_ONE = {
    "run": "another register lies in its place: its run of this number is another test; load the page again",
    "withdrawn": "the run was withdrawn",
    "analysis": "the run was corrected",
    "dangers": "the open dangers on the pack's card are others",
    "verdict": "another verdict was kept: verdict {number}, {result}, by “{name}”{by}",
    "record": "record {serial} was just made",
}
CHANGED_THEN = "What you see now is up to date. Look at it; if you still want to, confirm once more."

# ---- records -----------------------------------------------------------------------------------------------
RECORDS = "Records of this run"
RECORDS_NONE = "No record was made of this run yet."
RECORDS_EARLIER = "Earlier records ({n})"
RECORD_NEWEST = "newest"
RECORD_REPLACED = "replaced by {serial}"
RECORD_GONE = "holds no more: {why}"
RECORD_OLD = "made by an older version of the program, so it gets no label"
RECORD_MADE = "made {when}{verdict}{by}"
RECORD_VERDICT = ", by verdict {number}"
DOWNLOAD_NAME = {"pdf": "PDF", "html": "Page", "json": "JSON"}
DOWNLOAD_SPOKEN = "record {serial}"
LABEL_NAME = {"pdf": "Label PDF", "png": "Label PNG"}
LABEL_CAUTION = "A label is no safety certificate; hand the record over with the pack."
