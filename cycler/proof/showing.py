"""Whether a page shows what its content says: laid out anew from the content and the log, and held against it.

Only this finds a page on which the workshop itself prints other figures than it sealed as content.
"""

from __future__ import annotations

import difflib
from html.parser import HTMLParser

from cycler.proof.carrier import Carried
from cycler.proof.check import BAD, GOOD, NOT_CHECKED, Check, count, some
from cycler.proof.leaves import same_leaf

_DRAWN = {"d", "points", "x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "width", "height", "transform"}
"""Attributes that say where something is drawn; left out in charts, whose curves fall a little otherwise elsewhere."""


def shown(carried: Carried, page: bytes, other_version: bool) -> Check:
    """Hold a page or PDF against the one that its content gives.

    Parameters
    ----------
    carried : Carried
        What was read from the file; its bytes are those that were sealed.
    page : bytes
        The same kind of page, laid out now.
    other_version : bool
        Another version of this program made the file, so that it may say the same in other words.
    """
    what = "page" if carried.kind == "html" else "PDF"
    if carried.page.rstrip() == page.rstrip():
        return Check("shown", GOOD, f"The {what} comes out again from content and logs, byte for byte: it shows what the content says.")
    if other_version:
        return Check("shown", NOT_CHECKED, f"Another version of the program laid the {what} out: hold its figures against those told below.")
    if carried.kind != "html":
        return Check(
            "shown", NOT_CHECKED, "The PDF does not come out again byte for byte: other versions of the libraries lay it out otherwise, or it "
            "shows something else than its content. Hold its figures against those told below, or check the page (.html) of this record.",
        )
    found = _different(pieces(carried.page), pieces(page))
    if found:
        return Check("shown", BAD, f"The page says something else than its content: {count(len(found), 'place differs', 'places differ')}.", some(found))
    return Check("shown", GOOD, "Every text and figure on the page comes out again from content and logs; the curves may be drawn otherwise by other versions of the libraries.")


def pieces(page: bytes) -> list[str]:
    """What a page is made of, in order, blanks made one: texts, tags, styles, scripts, comments; all but where a chart draws its curves."""
    reader = _Pieces()
    reader.feed(page.decode("utf-8", "replace"))
    reader.close()
    return reader.found


def _different(there: list[str], made: list[str]) -> list[str]:
    found: list[str] = []
    for kind, a, b, c, d in difflib.SequenceMatcher(a=there, b=made, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        if b - a == d - c and all(same_leaf(one, other) for one, other in zip(there[a:b], made[c:d])):
            continue
        found.append(f"{_quoted(there[a:b])} on the page, {_quoted(made[c:d])} by its content")
    return found


def _quoted(words: list[str]) -> str:
    text = " / ".join(words)
    return f'"{text if len(text) <= 100 else text[:99] + "…"}"' if words else "nothing"


class _Pieces(HTMLParser):
    """Not the texts alone: a style or a script can show something else than they say."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._in_chart = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "svg":
            self._in_chart = ("class", "chart") in attrs
        kept = [(name, value) for name, value in attrs if not (self._in_chart and name in _DRAWN)]
        self._add(f"<{tag}" + "".join(f' {name}="{value or ""}"' for name, value in kept) + ">")

    def handle_endtag(self, tag: str) -> None:
        if tag == "svg":
            self._in_chart = False
        self._add(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        self._add(data)

    def handle_comment(self, data: str) -> None:
        self._add(f"<!--{data}-->")

    def handle_decl(self, decl: str) -> None:
        self._add(f"<!{decl}>")

    def handle_pi(self, data: str) -> None:
        self._add(f"<?{data}>")

    def unknown_decl(self, data: str) -> None:
        self._add(f"<![{data}]>")

    def _add(self, piece: str) -> None:
        if piece := " ".join(piece.split()):
            self.found.append(piece)
