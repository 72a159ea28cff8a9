"""Sentences of the watched folder on the page."""

from __future__ import annotations

TITLE = "Watched folder"
HINT = (
    "Name the folder that your instrument writes to. New logs in it, and in its sub-folders, are added once they have stopped growing; "
    "nothing in it is moved, renamed or deleted. It is watched until you press Stop or the program ends."
)
WHOSE = (
    "Whose pack a log is of is told by a pack file beside it (LOG.toml or pack.toml), by a sub-folder named like the pack's number, or by "
    "the number in the file's name. If nothing tells it, or two disagree, the file waits for you. Each file is a test of its own, judged "
    "for the return to its owner; judge it otherwise on its page."
)
WHOSE_TITLE = "How it finds the pack"
PATH, PATH_HINT = "Path of the folder", "/media/stick/logs or C:\\logs"
START, STOP, STOP_SPOKEN = "Start watching", "Stop", "Stop watching {path}"

STATE = {
    "new": "found; added once it has been still", "growing": "still growing", "reading": "is being read", "added": "added", "already_there": "in the register already",
    "waits": "waits for you", "not_read": "not a log that can be read",
}
RUN = "run {id} · {pack}"
WHY = "pack told by {why}"
OFFERED = "Add it on this page: it is listed under “Found in the watched folder”."
BY_HAND_HERE = "add it on this page, where it is listed under “Found in the watched folder”"
AT = "at {time}"
DOUBT, DANGER = "Look at this first: {text}", "Danger: {text}"
GONE_NOW = "The folder is not there now. Put the stick or drive back in; watching goes on by itself."
LOOKING = "Looking for the first time …"
EMPTY = "No log in it yet."
WORDS = {
    "waits": "{n} waiting for you", "added": "{n} added", "already_there": "{n} in the register already", "not_read": "{n} not read",
    "growing": "{n} still growing", "new": "{n} on the way in",
}
MORE = "and {n} more, told earlier"

NO_PATH, NO_PATH_WHY, NO_PATH_MEND = "no folder is named", "the path is empty", "type the folder's path, or copy it from your file manager and paste it here"
PART_OF_PATH = "this is not the whole path"
PART_OF_PATH_WHY = "it does not begin at the root of a drive"
PART_OF_PATH_MEND = "copy the whole path from the address line of your file manager and paste it here"
TOO_MANY, TOO_MANY_WHY, TOO_MANY_MEND = "no more folders can be watched", "{most} are watched already", "stop one of them first"
NOT_HERE = "a folder can only be named on the computer that the program runs on"
NOT_HERE_WHY = "this page was called from another one"
NOT_HERE_MEND = "open the page there, at 127.0.0.1"
DEFECT, DEFECT_MEND = "a defect of the program stopped one look at the folder", "nothing is lost; if it comes again, report it"
