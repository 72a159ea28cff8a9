"""Sentences of the frame: what stands around every page."""

from __future__ import annotations

DISPLAY = "Display"
DISPLAY_CHOICES = {"system": "As the system", "light": "Light", "dark": "Dark"}
NEEDS_SCRIPT = "These pages need JavaScript, which is switched off in this browser. Switch it on and load the page again."

STANDING = {
    "away": "The program does not answer. See that its window is still open; if it was closed, start the program again. "
            "What you typed stays here, and this line goes by itself when the program answers.",
    "again": "The program answers again. Press once more what you pressed last.",
    "other": "The program was started anew, and this page is older than the program. Load the page again before you go on; what "
             "you typed is put back, dropped files have to be dropped again.",
    "out": "You are signed out. Load the page again to sign in; what you typed is put back, dropped files have to be dropped again.",
    "defect": "The program met a defect of its own, and this step was not done. Try once more; if it stays, load the page again "
              "and report it with the last lines in the program's window.",
}
LOAD_AGAIN = "Load the page again"
HIDE = "Hide"
PAGE_FAILED = "This page cannot be shown"
