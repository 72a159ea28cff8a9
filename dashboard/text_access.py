"""Sentences of the sign-in."""

from __future__ import annotations

TITLE = "Sign in"
LEAD = "These pages are open to those who have been given a name and a password for this bench."
NAME, PASSWORD, GO = "Name", "Password", "Sign in"
FORGOTTEN = "Password forgotten? Whoever runs the program gives a new one: cycler users add NAME"
NO_TLS = (
    "This connection is not encrypted: in the network that carries it, the password and everything shown can be read. "
    "Sign in only where you trust the network."
)
WRONG = "Name or password is wrong."
OLD_FORM = "This form was too old, or your browser keeps no cookies for this page. Try once more."
WAIT = "Too many tries. Try again in {wait}."
WAIT_WORDS = ("{n} s", "{n} min")
BUSY = "Many are signing in just now. Try again in a few seconds."
NO_FILE = "Nobody can sign in just now: {what}. Whoever runs the program sees why in its window."
SIGNED_OUT = "You are signed out."

SIGNED_IN = "Signed in as"
SIGN_OUT = "Sign out"
NOT_SIGNED_IN = "Not signed in: open this program's page in a browser and sign in.\n"
