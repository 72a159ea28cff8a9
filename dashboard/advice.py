"""Messages of the program as a page tells them: what to do on the page, no commands and no folders.

The command line and the pages share one set of errors, and some of them advise options of the command. Here that
advice becomes the page's own; whatever still speaks of the command line is left out, clause by clause.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from cycler.errors import InputError, Location
from dashboard import text, text_jobs, text_pack

_COLUMNS_ROLE = re.compile(r"name the columns? in a columns file \(--columns\): \[\[column\]\][^;]*?role = \"(?P<role>\w+)\"[^;]*")
_COLUMNS = re.compile(r"(in|with) (a|the|one) columns file \(--columns\)(: [^;]*)?")
_ROLE = re.compile(r"\brole (?P<role>group_voltage|tap_voltage)\b")
_SHOW = re.compile(r"(see|look at) it with: cycler (--register \S+ )?(show|list)[^;]*")
_REPLACED: tuple[tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]], ...] = (
    *((re.compile(rf"Enter {re.escape(keys)} from the pack's label in the pack file"), instead) for keys, instead in text_pack.ENTER_RATING.items()),
    (re.compile(r"check rated_capacity_ah in the pack file; then analyse the log again"), text_pack.CHECK_RATING),
    (re.compile(r"\(the same id under \[instrument\]\)"), text_pack.SAME_BENCH),
    (re.compile(r"to keep it twice on purpose: add --again"), text.MEND_AGAIN),
    (re.compile(r"(add|with) --new-ratings"), text.MEND_RATINGS),
    (re.compile(r"see the numbers with: cycler list"), text.MEND_NUMBERS),
    (re.compile(r"see the numbers with: cycler job\b"), text_jobs.MEND_NUMBERS),
    (re.compile(r"go on with it: cycler job (?P<id>\d+)(?=;|$)"), lambda found: text_jobs.MEND_GO_ON.format(id=found["id"])),
    (re.compile(r"open it again: cycler job [^;]*"), text_jobs.MEND_REOPEN),
    (re.compile(r"join them with one columns file \(--columns\)"), text.MEND_COLUMNS_JOIN),
    (re.compile(r"(state|write) taps_from = [^;]*?columns file \(--columns\)"), text.MEND_COLUMNS_TAPS),
    (_COLUMNS_ROLE, lambda found: text.MEND_COLUMNS_ROLE.format(role=text.ROLE_WORDS.get(found["role"], found["role"]))),
    (_COLUMNS, text.MEND_COLUMNS),
    (re.compile(rf"\b(name|write) (?=[^;,]*{text.MEND_COLUMNS})"), "choose "),
    (_ROLE, lambda found: f"“{text.ROLE_WORDS[found['role']]}”"),
    (re.compile(r"say it with --why TEXT"), text_pack.MEND_WHY),
    (re.compile(r"say it with --by NAME"), text_pack.MEND_WHO),
    (re.compile(r"see them with: cycler pack .*"), text_pack.MEND_CARD),
    (re.compile(r"read the rest with --allow-bad-rows"), text.MEND_BAD_ROWS),
    (re.compile(r"(?<=: )--ignore-remembered"), text.MEND_LEAVE_OUT),
    (re.compile(r" with --to\b"), ""),
)
_COMMAND = re.compile(r"(?<![\w-])--[a-z][\w-]*|\bcycler (--|[a-z]+\b)")
_ABSOLUTE = re.compile(r"(?<![\w./\\:])(?:[A-Za-z]:[\\/]|~?/|\\\\)(?:[^\\/\s\"|,;]+[\\/])+(?P<last>[^\\/\s\"|,;:]+)")


def last_part(place: str) -> str:
    """File name of a path or of a database's address; other text as it is."""
    shown = _ABSOLUTE.sub(lambda found: found["last"], place)
    if shown == place and re.match(r"([A-Za-z]:)?[\\/]|\w+://", place):
        shown = re.split(r"[\\/]", place.rstrip("\\/"))[-1] or place
    return shown


def words(message: str) -> str:
    """A sentence without folders and without advice that only a command line can follow."""
    shown = _SHOW.sub(text.MEND_OPEN, message)
    for pattern, instead in _REPLACED:
        shown = pattern.sub(instead, shown)
    if _COMMAND.search(shown):
        kept = [clause for clause in re.split(r"; |, or (?=.*--)", shown) if not _COMMAND.search(clause)]
        shown = "; ".join(kept)
    return last_part(shown) if _ABSOLUTE.search(shown) else shown


def capital(message: str) -> str:
    """A message as a sentence of its own: a capital in front."""
    shown = message.strip()
    return shown[:1].upper() + shown[1:]


def for_page(error: InputError) -> InputError:
    """The same error with the page's advice."""
    where = error.where
    if isinstance(where, Location):
        place = str(Location(re.split(r"[\\/]", where.file)[-1] or where.file, where.line, where.column))
    else:
        place = last_part(str(where))
    if _COMMAND.search(place):
        place = text.THE_PAGE
    return InputError(words(error.what), place, words(error.why), words(error.mend) or text.MEND_ELSE)
