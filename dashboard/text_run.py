"""Visible sentences of a run's page, besides those in ``text``."""

from __future__ import annotations

ALONG = "Draw along"
ALONG_OVER = "over "
ALONG_WORDS = {"time": "time", "ah": "Ah"}
ALONG_AH = "Along the charge every Ah that moved counts, in and out alike, so the curve runs on to the right; rests shrink to a line."
ALONG_NO_CHARGE = "No charge moved in this log: drawn along time."

MOVES = {"in": "Zoom in", "out": "Zoom out", "left": "Earlier", "right": "Later"}
MOVE_SIGNS = {"in": "+", "out": "\N{MINUS SIGN}", "left": "\N{BLACK LEFT-POINTING TRIANGLE}", "right": "\N{BLACK RIGHT-POINTING TRIANGLE}"}
MOVES_NAME = "Part of the test that is shown"

FINDING_SHOW = "Show"
FINDING_SHOW_SPOKEN = "Show finding {number}, {label}, in the curve"
FINDING_SHOWN = "Shown: finding {number}, {label}{group}, {start} to {end} from the start."
FINDING_NOTES = {1: "1 note on how the test was run and read"}
FINDING_NOTES_MANY = "{n} notes on how the test was run and read"
FINDINGS_KEY = "The numbers stand in the curve, too."
SHORT = {
    "sign_inferred": "The log does not say which direction is charge; the voltage settles it. The evidence stands under \u201cHow the log was read\u201d.",
    "taps_end_open": "Taken as measured from pack negative; nothing in the log proves it. Measure one tap before you open a group, "
    "and say so in a columns file (taps_from).",
}
"""Long messages of the reader as they stand among the findings; the whole of them stands under "How the log was read"."""

NEXT = "Next"
NEXT_JUDGE = "Judge it and make the record"
NEXT_SETTLE = "See what would settle it"
NEXT_BEFORE = "Compare with before"
NEXT_OTHERS = "Compare with its other runs"
MARK = "Mark"

LOG_DAMAGED = (
    "The curve is drawn from this computer's own copy of the readings. What the register keeps of the log itself is damaged:"
)

BARS_NONE = "Not known: {reason}."
BARS_NO_REASON = "this log does not support it"
BARS_TOUCH = "Touch a bar to mark its group in the curve."
BARS_TABLE = "Figures of every group"
INCREMENTAL_OPEN = "Charge per volt (dQ/dV) of pack and groups"
