"""Sentences of the page on which tests are added."""

from __future__ import annotations

# ---- files ---------------------------------------------------------------------------------------------------
NOT_READ, NOT_READ_MEND = "the file cannot be read", "see that it is still there and may be read, then try again"
NOT_WHOLE = "the file did not arrive whole"
NOT_WHOLE_WHY = "{came} of {length} bytes came; nothing of it was kept"
NOT_WHOLE_MEND = "drop it again"
TAKEN_ELSEWHERE = "the file was taken already"
TAKEN_ELSEWHERE_WHY = "another page has it among its files"
TAKEN_ELSEWHERE_MEND = "go on there, or remove it there: then it waits here again"
NO_LOG = "this is no log but {kind}"
NO_LOG_WHY = "its first bytes say so, whatever its name is"
_MEND_ARCHIVE = "unpack it, and drop the logs that are inside; a spreadsheet: save it as CSV text first"
_MEND_BOOK = "open it in a spreadsheet program, save the sheet as CSV text and drop that"
_MEND_ELSE = "export the test as CSV text from the instrument or the program that recorded it, and drop that"


def no_log_mend(head: bytes) -> str:
    """What to do with a file that is no log, by its first bytes."""
    if head.startswith(b"PK"):
        return _MEND_BOOK if b"[Content_Types].xml" in head or b"mimetypeapplication/vnd" in head else _MEND_ARCHIVE
    return _MEND_BOOK if head.startswith(b"\xd0\xcf\x11\xe0") else _MEND_ELSE


# ---- work ----------------------------------------------------------------------------------------------------
# ---- the page ------------------------------------------------------------------------------------------------
UPLOAD = {
    "cancel": "Cancel", "close": "Close",
    "lost": "{name} did not reach the program: the connection broke. Nothing of it was kept. See that the program still runs, then drop the file again.",
}
DROP_ANYWHERE = "They may be dropped on any page. With them a pack file or a columns file (.toml) if you have one."
EMPTY = "No log is waiting."
EMPTY_STEPS = (
    "Copy the log of a charge and discharge from your instrument or charger to this computer, as CSV text.",
    "Drop it anywhere on this page, or press “Choose files”. The parts of one test may come together, and several tests too.",
    "Say which pack it was, look whether it was read right, and press “Add test”.",
)
READING = "Reading {name} …"
GONE = "No longer here: the program was started anew, or six hours have passed. Drop {name} again; what you typed is still there."
GONE_WAIT = "A file is no longer here: {name}. Drop it again or remove it."
FROM_FOLDER = "from folder {folder}"

HOW = "These logs are"
HOW_WORDS = {"one": "the parts of one test", "each": "a test each"}
HOW_WHY = {
    ("one", "follow"): "Each begins within an hour of the end of the one before, so they are taken as parts of one test.",
    ("one", "unknown"): "Nothing in the files says whether they belong together, so they are taken as parts of one test.",
    ("each", "overlap"): "Two of them ran at the same time, so they cannot be parts of one test.",
    ("each", "groups"): "They hold different numbers of groups, so they cannot be parts of one test.",
    ("each", "packs"): "Their names hold the numbers of different packs, so each is taken as a test of its own.",
    "said": "As you said.",
}

PACK_SEARCH = "Type a part of its number or label"
PICKED_WHY = "{pack} is chosen because its number stands in the name of {name}. Another may be chosen."
PICKED_ASKED = "{pack} is chosen because you came from its page. Another may be chosen."
PICKED_OTHER = "{pack} is chosen because you came from its page, but the name of {name} holds the number of {other}: see which is right."
PICKED_IN_ROW = "by its name"
NEW_PACK = "New pack “{id}”"
EACH_TITLE = "Tests"
EACH_PACKS = {"all": "One pack for all", "each": "A pack each"}
EACH_PACK = "Pack of {name}"
EACH_PACK_HINT = "known pack, or type a new number"
EACH_LABEL = "Label of {name}"
EACH_NEW = "A new pack of this list gets its number alone. Add its ratings on its page afterwards: without the rated capacity no state of health is known."
H_EACH = ("File", "Pack", "Label")
EACH_WAIT = "A test has no pack yet: {name}."
EACH_NONE = "None of the logs can be read."
ADD_EACH = "Add {n} tests"
LOOK_SHORT = "{rows} samples, {duration}, {groups}"

DANGER_OPEN = "Open on its card: {message} (written by {who})"
DANGER_FOUND = "Its last test, run {run}, found: {message}"
DANGER_BUTTON = "{pack}: do not charge or load it again before a trained person has looked at it. {why}."

# ---- the act -------------------------------------------------------------------------------------------------
CANCEL = "Cancel"
CANCELLING = "Ending after this step …"
JOB_TITLE = "Adding {name}"
JOB_OF = "{n} of {all}, {name}: {stage}"
JOB_WAITING = "Waiting for other work to end …"
JOB_CANCELLED = "Cancelled. Nothing was stored; the files are still here."
JOB_CANCELLED_EACH = "Cancelled. What was added before stands below; the others are still here."
JOB_TOO_LATE = "It was stored before it could be cancelled."
JOB_LOST = "The program was started anew while it added. See in the register whether the run is there; if not, drop the files again."
JOB_GONE = "A file went while it was waiting; see under Files."
TRY_AGAIN = "The files are still here: press the button to try again."
ADDED = "Added"
ADDED_RUN = "{name}: run {run} of {pack}"
ADDED_NOTHING = "None was added; why stands at each."
PERCENT = "{percent} %"
SECONDS = "{s} s"
STAGE = {
    "reading": "reading the log", "channels": "looking at every channel", "steps": "finding the steps", "capacity": "working out the capacity",
    "resistance": "working out resistances", "groups": "comparing the groups", "findings": "collecting findings",
    "incremental": "charge per volt", "verdict": "judging", "storing": "storing",
}

# ---- found in the watched folder -----------------------------------------------------------------------------
FOLDER_TITLE = "Found in the watched folder"
FOLDER_MORE = "These need you: take them among your files to say which pack they belong to."
FOLDER_TAKE = "Take it"
FOLDER_TAKE_NAME = "Take {name}"
