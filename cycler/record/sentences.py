"""Sentences that the analysis makes in English, in the language of the record.

A catalogue (``data/record/sentences-<language>.toml``) holds each of them with names in braces where figures, names or phrases stand, and
what it is in the other language. The fixed words must match exactly. What stands in a brace is taken over: figures get the decimal mark of
the language, a phrase that has an entry of its own is translated, any other word stays as it is. What else a brace may hold, its name tells:

- ``w_``: a phrase with an entry and nothing else;
- ``e_``: a phrase; without an entry it stays English and is marked;
- ``o_``: a phrase, or words of others such as those on the pack's card, which stay as they are and are not marked;
- ``raw``: a name, a file, a heading; nothing in it is altered.

Text of several sentences is cut at their ends.

What has no entry stays English between two marks (:data:`START`, :data:`END`), which the page turns into ``lang="en"``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, fields, is_dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from cycler.record.language import ENGLISH, current, decimal, text

FOLDER = Path(__file__).parent.parent / "data" / "record"
START, END = "\ue000", "\ue001"
"""Marks around text that stayed English; of the private use area, which :func:`cycler.record.values.clean` lets through from nowhere."""

_BRACE = re.compile(r"\{([a-z_0-9]+)\}")
_CUT = re.compile(r"(?<=[.!?])\s+(?=[A-Z“\"'(\d])")
# A brace holds no end of a sentence, so that one sentence cannot swallow the next.
_HELD = r"(?:(?![.!?]\s+[A-Z“\"'(\d]).)+?"
_UNITS = "Ah|Wh|W|V|mV|A|mA|mΩ|Ω|ohm|K|°C|%|It|min|ms|h|s|d|mV/h|K/min|Ah counter|Wh counter"
_FIGURES = re.compile(rf"(?:[<>≥≤+−-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?|±|{_UNITS}|,|;|and|to|\(k = 2\)|\s)+")
_ENGLISH = re.compile(f"{START}([^{END}]*){END}")
MOST_PARTS = 40
"""Parts of a list that is looked into; a longer one is none that the program makes of phrases."""
_SEPARATORS = ("; and ", "; ", ", or ", ", and ", ", ", " and ")
_PROSE = re.compile(r"[a-z]{2,} [a-z]{2,}|: ")
_MARKED = re.compile(f"[{START}{END}]")

_MISSED: ContextVar[list[str] | None] = ContextVar("cycler_record_missed", default=None)


@dataclass(frozen=True, slots=True)
class Pattern:
    """One entry of the catalogue. ``shape`` matches the English with its first letter small and without full stop, ``fixed`` is its longest
    stretch of fixed words, looked for first because that is quick."""

    shape: re.Pattern[str]
    fixed: str
    source: str
    target: str


@contextmanager
def noting_missed() -> Iterator[list[str]]:
    """Within the block the list fills with every sentence that had no entry."""
    missed: list[str] = []
    token = _MISSED.set(missed)
    try:
        yield missed
    finally:
        _MISSED.reset(token)


def catalogue(language: str) -> dict[str, str]:
    """English to the other language, as the file has it; empty where there is no file."""
    path = FOLDER / f"sentences-{language}.toml"
    if not path.exists():
        return {}
    return {english: other for part in tomllib.loads(path.read_text(encoding="utf-8")).values() for english, other in part.items()}


def braces(template: str) -> list[str]:
    """Names in the braces of a template, in order."""
    return _BRACE.findall(template)


@cache
def _patterns(language: str) -> tuple[dict[str, str], tuple[Pattern, ...]]:
    """Entries without braces by their plain form, and the others; those with more fixed words first."""
    plain, shaped = {}, []
    for english, other in catalogue(language).items():
        key = _plain(english)
        if not braces(english):
            plain[key] = other
            continue
        parts = _BRACE.split(key)
        shape = "".join(re.escape(part) if k % 2 == 0 else f"(?P<{part}>{_HELD})" if part not in parts[1:k:2] else f"(?P={part})"
                        for k, part in enumerate(parts))
        shaped.append(Pattern(re.compile(shape), max(parts[::2], key=len), english, other))
    return plain, tuple(sorted(shaped, key=lambda pattern: -len(_BRACE.sub("", pattern.source))))


def _plain(value: str) -> str:
    """The form in which sentences are compared: first letter small, no full stop at the end."""
    shown = value.removesuffix(".")
    return shown[:1].lower() + shown[1:]


def told(value: str, *, mark: bool = True) -> str:
    """Cleaned text of the analysis in the current language.

    With ``mark`` false what has no entry is not marked as English: it may come from the workshop itself, in whatever language.
    """
    language = current()
    if language == ENGLISH or not value:
        return value
    whole = _entry(value, language)
    if whole is not None:
        return _noted(_fitted(whole, value))
    done = []
    for piece in _pieces(value, language):
        found = _entry(piece, language)
        if found is None:
            found = _listed(piece, language)
        if found is None and _FIGURES.fullmatch(piece):
            found = _figures(piece)
        if found is None:
            found = f"{START}{piece}{END}" if mark else piece
        done.append(found if START in found[:1] else _fitted(found, piece))
    return _noted(" ".join(done))


def _noted(shown: str) -> str:
    """The text as it is; what stands in marks is noted as missed."""
    missed = _MISSED.get()
    if missed is not None:
        missed += _ENGLISH.findall(shown)
    return shown


def english_left(part: Any) -> int:
    """How many texts in a view, or in a part of one, stayed English."""
    if isinstance(part, str):
        return part.count(START)
    if isinstance(part, tuple):
        return sum(map(english_left, part))
    return sum(english_left(getattr(part, field.name)) for field in fields(part)) if is_dataclass(part) else 0


def without_marks(value: str) -> str:
    """The text without the marks around what stayed English."""
    return _MARKED.sub("", value)


def _pieces(value: str, language: str) -> list[str]:
    """Sentences of a text; neighbours that have one entry together stay together."""
    cut = _CUT.split(value)
    done, at = [], 0
    while at < len(cut):
        for until in range(len(cut), at + 1, -1):
            joined = " ".join(cut[at:until])
            if _entry(joined, language) is not None:
                break
        else:
            until, joined = at + 1, cut[at]
        done.append(joined)
        at = until
    return done


@lru_cache(maxsize=4096)
def _listed(piece: str, language: str) -> str | None:
    """A list of which every part has an entry, or is a figure; its parts may hold the little words that part it."""
    bare = piece.removesuffix(".")
    if sum(bare.count(separator) for separator in (", ", "; ", " and ")) > MOST_PARTS:
        return None
    for separator in _SEPARATORS:
        at = bare.find(separator)
        while at >= 0:
            first = _part(bare[:at], language)
            rest = None if first is None else _part(bare[at + len(separator):], language) or _listed(bare[at + len(separator):], language)
            if rest is not None:
                return f"{first}{_between(separator)}{rest.removesuffix('.')}" + ("." if piece.endswith(".") else "")
            at = bare.find(separator, at + 1)
    return None


def _part(part: str, language: str) -> str | None:
    if _FIGURES.fullmatch(part):
        return _figures(part)
    found = _entry(part, language)
    return None if found is None else _within(found.removesuffix("."), part)


def _within(found: str, held: str) -> str:
    """A translation inside a sentence: without its capital where the English had none, unless it begins with a noun."""
    return text.lowered(found) if held[:1].islower() else found


def _between(separator: str) -> str:
    return separator.replace(" and ", f" {text.AND} ").replace(" or ", f" {text.OR} ")


@lru_cache(maxsize=4096)
def _entry(value: str, language: str) -> str | None:
    """What the catalogue makes of a whole text, None without an entry."""
    plain, shaped = _patterns(language)
    key = _plain(value)
    if key in plain:
        return plain[key]
    for pattern in shaped:
        match = pattern.shape.fullmatch(key) if pattern.fixed in key else None
        if match is None:
            continue
        put = {name: _put(name, held, language) for name, held in match.groupdict().items()}
        if None not in put.values():
            return pattern.target.format(**put)
    return None


def _put(name: str, held: str, language: str) -> str | None:
    """What stands in a brace, in the other language; None where only a phrase with an entry may stand."""
    found = None if name.startswith("raw") else _entry(held, language) or _listed(held, language)
    if found is not None:
        return _within(found.removesuffix("."), held)
    if name.startswith("w_"):
        return None
    if name.startswith(("raw", "o_")):
        return held
    if _FIGURES.fullmatch(held):
        return _figures(held)
    if name.startswith("e_"):
        return f"{START}{held}{END}"
    return None if _PROSE.search(held) else held


def _figures(value: str) -> str:
    """Figures of the analysis with the decimal mark and the little words of the language."""
    return decimal(value).replace(" and ", f" {text.AND} ").replace(" to ", f" {text.TO} ")


def _fitted(found: str, value: str) -> str:
    """A translation that ends as the English did, and begins with a capital where that did."""
    shown = found.removesuffix(".") + ("." if value.endswith(".") and not found.endswith("!") else "")
    return shown[:1].upper() + shown[1:] if value[:1].isupper() else shown
