"""Sentences of the register's page, and ages in words."""

from __future__ import annotations

from datetime import UTC, datetime

EMPTY = "The register is empty."
EMPTY_MORE = (
    "Add the log of one charge and discharge: that is enough for a first test. On the same page a folder can be named that is watched, "
    "so that logs which an instrument saves there come up by themselves."
)
NOTHING = {"packs": "No pack matches.", "runs": "No run matches."}
NOTHING_MORE = "Clear the search, or choose “All”."
SEARCH = "Search pack, label or run"
VIEW_NAME, FILTER_NAME = "List", "Show"
VIEW = {"packs": "Packs", "runs": "Runs"}
FILTER = {
    "all": "All", "attention": "Needs attention", "danger": "Open danger", "pass": "Pass", "fail": "Fail", "not_proven": "Not proven",
    "none": "Not judged",
}
ATTENTION_MEANS = "Needs attention: an open danger on the card, not judged, or not proven."
COUNT = {"packs": "{shown} of {all} packs", "runs": "{shown} of {all} runs"}
PAGE = "Page {page} of {pages}"
FIRST, PREVIOUS, NEXT, LAST = "First", "Previous", "Next", "Last"
PAGES = "Pages of the list"
ORDER_ADDED, TO_ADDED = "Added last stands first.", "Back to: added last first"

CHOSEN_NONE = "Tick two to eight runs to compare them."
CHOSEN_TICK = "A pack's tick means its last test that counts."
CHOSEN_ONE = "Tick at least one more:"
CHOSEN_MANY = "{n} ticked; at most eight can be compared:"
CHOSEN = "To compare:"
CHOSEN_RUN = "{pack} (run {id})"
CHOSEN_GONE = "run {id}, not in the register"
COMPARE, CLEAR = "Compare {n} runs", "Clear the ticks"

H_PACK, H_RUN, H_LABEL, H_BUILD, H_STATE, H_VERDICT = "Pack", "Run", "Label", "Build", "State", "Last verdict"
H_CAPACITY, H_HEALTH, H_GROUP, H_TESTED, H_DATE = "Capacity", "State of health", "Worst group", "Last test", "Tested"
CHOOSE = "Choose"
TICK = "Choose run {id} for comparison"
TICK_PACK = "Choose {pack} (run {id}) for comparison"
SORT_BY = "Sort by {name}"
SORTED = {True: ", sorted from the end", False: ", sorted"}

WORKSHOP_NUMBER = "no. {number}"
RATED = "{capacity} rated"
GROUP = "group"
RUN_N = "run {id}"
OPEN_DANGER = {1: "open danger"}
OPEN_DANGERS = "open dangers"
PASS_HOLDS_NOT = "no pass while a danger is open"
CARD_ONLY = "card only, no test yet"
ALL_WITHDRAWN = "withdrawn"
SOME_WITHDRAWN = {1: "1 run withdrawn"}
SOME_WITHDRAWN_MANY = "runs withdrawn"
ADDED_LATER = "run {id} was added later, with an earlier date"
ADDED = "added"

DANGER_TITLE = {1: "Open danger on 1 pack"}
DANGER_TITLE_MANY = "Open danger on {n} packs"
DANGER_LINE = ": {message} ({who}, {day})"
DANGER_MORE = "Show these packs"

TODAY, YESTERDAY, AHEAD = "today", "yesterday", "date lies ahead"
DAYS_AGO, MONTHS_AGO, YEARS_AGO = "{n} days ago", "{n} months ago", "{n} years ago"
DAYS_SHOWN, MONTHS_SHOWN = 90, 24
"""Ages up to so many days are told in days, up to so many months in months, older ones in years."""
_DAYS_OF_MONTH = 365.2425 / 12.0


def age_text(when: str | None, now: datetime) -> str:
    """How long ago a day was: "today", "12 days ago", "7 months ago"; empty where the date cannot be read.

    Whole days between two dates of the calendar. ``now`` carries its offset; a time without one is by the clock of the instrument, and
    is taken to be of the same place.
    """
    try:
        at = datetime.fromisoformat(str(when))
    except ValueError:
        return ""
    today = (now.astimezone(UTC) if at.tzinfo is not None else now).date()
    days = (today - (at.astimezone(UTC) if at.tzinfo is not None else at).date()).days
    if days < 0:
        return AHEAD
    if days < 2:
        return YESTERDAY if days else TODAY
    if days <= DAYS_SHOWN:
        return DAYS_AGO.format(n=days)
    months = round(days / _DAYS_OF_MONTH)
    return MONTHS_AGO.format(n=months) if months < MONTHS_SHOWN else YEARS_AGO.format(n=months // 12)
